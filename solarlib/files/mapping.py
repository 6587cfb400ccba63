"""What a person says about their file in a few lines: which column is what, in which unit, by which clock.

    zone = "America/New_York"
    time = "Date and time"
    [[column]]
    name = "Meter in (kWh)"
    quantity = "delivered"
    unit = "kWh"
    kind = "counter"

Everything else has a default or is found in the file, and what cannot be found for certain is asked for.
"""

import re
import tomllib
from collections import Counter
from dataclasses import MISSING as MISSING_DEFAULT, dataclass, fields
from datetime import timedelta, timezone
from pathlib import Path

import pandas as pd

from solarlib.files.dates import MISSING, ORDERS, moments, text_matrix
from solarlib.quantities import InputError
from solarlib.schema import Problems, Refused, choice, number, whole

# Unit: what a number is multiplied with, how the column that comes out ends, and what such a number can be.
FILE_UNITS = {
    "W": (1.0, "w", ("mean",)),
    "kW": (1000.0, "w", ("mean",)),
    "Wh": (0.001, "kwh", ("interval", "counter")),
    "kWh": (1.0, "kwh", ("interval", "counter")),
    "MWh": (1000.0, "kwh", ("interval", "counter")),
    "kWh/kW": (1.0, "h", ("interval",)),
    "W/m2": (1.0, "w_m2", ("mean",)),
    "degC": (1.0, "c", ("mean",)),
}
KNOWN_FORM = 1  # of a mapping file, the key `form`; without one it is the first
MOST_OFFSET_MIN = 14 * 60  # of a clock from UTC: the farthest of all zones
ADDED_UP = ("w", "kwh")  # of several columns; a mean of two sensors or neighbours is another thing than their sum
FLOW_UNITS = ("W", "kW", "Wh", "kWh", "MWh")
QUANTITY_UNITS = {
    **dict.fromkeys(("delivered", "received", "generation", "net", "load", "unsigned"), FLOW_UNITS),
    "test_load": ("W", "kW"),
    "neighbour": ("kWh/kW",),
    "light": ("W/m2",),
    "cell_temperature": ("degC",),
    "air_temperature": ("degC",),
}
# Title of a clean column: quantity and unit. A neighbour's title holds its own name beside them.
TITLES = {
    f"{quantity}_{FILE_UNITS[unit][1]}": (quantity, unit)
    for quantity, units in QUANTITY_UNITS.items()
    for unit in units
    if FILE_UNITS[unit][0] == 1.0 and quantity != "neighbour"
}


@dataclass(frozen=True)
class Exchange:
    """A meter was exchanged: ``time`` as local text, last register of the old, first of the new meter [the unit of
    the column]."""

    time: str
    old_last: float
    new_first: float

    def __post_init__(self):
        problems = Problems("exchange")
        _look(self, EXCHANGE_FIELDS, problems)
        problems.stop()

    @property
    def wall(self):
        """The moment of the exchange, in ns of the local clock."""
        return clock_reading(self.time)


@dataclass(frozen=True)
class Column:
    """One column of numbers.

    Attributes
    ----------
    name : str or int
        Name in the header line, or number counted from 1.
    quantity : str
        One of `QUANTITY_UNITS`. ``net`` is positive for import; ``unsigned`` is a reading without direction.
        ``test_load`` is what a load that somebody switches for a test draws at that time, such as 750 W while a heater
        is on and 0 while it is off: with it the steps of an ``unsigned`` reading tell the direction. ``neighbour`` is
        the daily energy of one similar system for each kW of its rated power; each such column stays one of its own.
        ``light`` is the irradiance on the plane of the modules. Powers and energies of the same quantity in several
        columns are added up (two registers for two tariffs).
    unit : str
        One of those that `QUANTITY_UNITS` lists for the quantity: W, kW, Wh, kWh or MWh for flows.
    kind : str
        ``"mean"`` over the interval; ``"interval"`` energy within the interval; ``"counter"`` register that counts
        up. Only Wh, kWh and MWh need a kind: an interval and a counter look alike in a header.
    digits : int, optional
        Digits of a counter before its decimal mark; without them a fall is not taken for a rollover.
    multiplier : float
        What each number is multiplied with; -1 turns a sign round.
    exchange : tuple of Exchange
    tilt_deg, azimuth_deg : float, optional
        Roof of a ``neighbour``, both or neither, so that a model can take the roof's season out. [deg, deg from north]
    """

    name: str | int
    quantity: str
    unit: str
    kind: str | None = None
    digits: int | None = None
    multiplier: float = 1.0
    exchange: tuple = ()
    tilt_deg: float | None = None
    azimuth_deg: float | None = None

    def __post_init__(self):
        problems = Problems(f"column {self.name!r}")
        _look(self, COLUMN_FIELDS, problems)
        problems.stop()  # what follows compares sound fields
        units = QUANTITY_UNITS[self.quantity]
        kinds = FILE_UNITS[self.unit][2]
        if self.kind is None and len(kinds) == 1:
            object.__setattr__(self, "kind", kinds[0])
        if self.unit not in units:
            problems.add("unit", repr(self.unit), f"for quantity {self.quantity!r} one of {', '.join(units)}")
        elif self.kind not in kinds:
            problems.add("kind", repr(self.kind), f"one of {', '.join(kinds)}")
        if self.multiplier == 0 or (self.kind == "counter" and self.multiplier < 0):
            problems.add("multiplier", f"{self.multiplier:g}", "a number that keeps the energy")
        if self.exchange and self.kind != "counter":
            problems.add("exchange", f"kind {self.kind!r}", 'kind "counter"')
        roof = [key for key in ("tilt_deg", "azimuth_deg") if getattr(self, key) is not None]
        if roof and self.quantity != "neighbour":
            problems.add(roof[0], f"quantity {self.quantity!r}", 'quantity "neighbour"')
        elif len(roof) == 1:
            problems.add(roof[0], "it alone", "both tilt_deg and azimuth_deg, or neither")
        problems.stop()
        object.__setattr__(self, "exchange", tuple(sorted(self.exchange, key=lambda row: row.wall)))

    @property
    def factor(self):
        """What a number in the file is multiplied with to give W, kWh, kWh/kW, W/m2 or degC."""
        return FILE_UNITS[self.unit][0] * self.multiplier

    @property
    def title(self):
        """Name of the column that comes out, e.g. ``net_w``, ``delivered_kwh``, ``neighbour_Mill_h`` (kWh/kW are h)."""
        name = f"neighbour_{self.name}" if self.quantity == "neighbour" else self.quantity
        return f"{name}_{FILE_UNITS[self.unit][1]}"


@dataclass(frozen=True)
class Mapping:
    """How to read one file.

    Attributes
    ----------
    column : tuple of Column
    time : str, int or two of them
        Column of the time, or the columns of date and time of day.
    zone : str, optional
        Time zone of the clock, e.g. ``"Europe/Berlin"``, or a fixed offset such as ``"-05:00"`` for a clock that is
        never changed. Needed where the stamps carry no offset.
    date_order : str, optional
        ``"day first"``, ``"month first"``, ``"year first"``, or ``"unix"`` for seconds since 1970. Needed where the
        file itself does not prove one.
    label : str
        ``"start"`` or ``"end"``: which end of its interval a stamp names. Registers are read at the stamp itself.
    interval : str, optional
        Length of an interval, e.g. ``"15min"``; default: the commonest step of the file.
    decimal, thousands, delimiter, encoding, header_line : optional
        Found in the file where not given; ``thousands = " "`` stands for any blank.
    keep : str
        Which of two rows of the same moment with different numbers is used, ``"first"`` or ``"last"``.
    """

    column: tuple
    time: str | int | tuple = 1
    zone: str | None = None
    date_order: str | None = None
    label: str = "start"
    interval: str | None = None
    decimal: str | None = None
    thousands: str | None = None
    delimiter: str | None = None
    encoding: str | None = None
    header_line: int | None = None
    keep: str = "first"

    def __post_init__(self):
        problems = Problems("mapping")
        object.__setattr__(self, "time", tuple(self.time) if isinstance(self.time, (list, tuple)) else (self.time,))
        _look(self, MAPPING_FIELDS, problems)
        if self.decimal is not None and self.decimal == self.thousands:
            problems.add("thousands", f"{self.thousands!r} like decimal", "another mark")
        if not self.column:
            problems.add("column", "none", "one or more, written [[column]]")
        for quantity in dict.fromkeys(column.quantity for column in self.column):
            kinds = sorted({column.kind for column in self.column if column.quantity == quantity})
            if len(kinds) > 1:
                problems.add("column", f"{quantity} as {' and '.join(kinds)}", "one kind")
        titles = Counter(column.title for column in self.column if FILE_UNITS[column.unit][1] not in ADDED_UP)
        for title, count in titles.items():
            if count > 1:
                allowed = "one column for it: only powers and energies are added up"
                problems.add("column", f"{title} {count} times", allowed)
        problems.stop()


def _look(thing, readers, problems):
    """Note each field that is given and that its reader refuses."""
    for key, read in readers.items():
        value = getattr(thing, key)
        try:
            if value is not None:
                read(value)
        except Refused as refused:
            problems.add(key, repr(value), str(refused))


def _built(kind, table, where, problems):
    """Return a dataclass made of a table of a TOML file; note what is wrong and return None."""
    known = {field.name: field.default is MISSING_DEFAULT for field in fields(kind)}
    if not isinstance(table, dict):
        return problems.add(where, repr(table), "a table")
    before = len(problems.found)
    for key in table.keys() - known.keys():
        problems.add(f"{where}, {key}", "an unknown key", f"one of {', '.join(known)}")
    for key in [key for key, needed in known.items() if needed and key not in table]:
        problems.add(f"{where}, {key}", "nothing", "a value: this key is needed")
    if len(problems.found) > before:
        return None
    try:
        return kind(**table)
    except InputError as error:
        problems.found.append(str(error).removeprefix("mapping: "))


def _rows(kind, rows, where, problems):
    """Return a tuple of dataclasses made of a list of tables, as far as they are sound."""
    key = where.split()[-1]
    if not isinstance(rows, (list, tuple)):
        problems.add(where, repr(rows), f"a list of tables, written [[{key}]]")
        return ()
    made = (_built(kind, row, where, problems) for row in rows)
    return tuple(row for row in made if row is not None)


def mapping_from_toml(source):
    """Read a mapping from a TOML file, or from TOML text.

    Parameters
    ----------
    source : path or str
        A text with a line break or an ``=`` is taken as TOML itself.

    Raises
    ------
    InputError
        Names the key, what was found and what is allowed.
    """
    inline = isinstance(source, str) and ("\n" in source or "=" in source)
    where = "mapping" if inline else Path(source).name
    try:
        text = source if inline else Path(source).read_text(encoding="utf-8-sig")
        table = tomllib.loads(text)
    except OSError as error:
        raise InputError(f"{source}: found {error.strerror}, allowed is a file that can be read") from None
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise InputError(f"{where}: found {' '.join(str(error).split())}, allowed is TOML in UTF-8") from None
    form = table.pop("form", KNOWN_FORM)
    if form is True or form != KNOWN_FORM:
        raise InputError(
            f"{where}: found form = {form!r}, allowed is form = {KNOWN_FORM}: a newer version of these lessons made this "
            "mapping; use that version, or make the mapping anew"
        )
    problems = Problems(where)
    columns = table.get("column", [])
    for row in columns if isinstance(columns, list) else ():
        if isinstance(row, dict) and "exchange" in row:
            row["exchange"] = _rows(Exchange, row["exchange"], f"column {row.get('name')!r}, exchange", problems)
    table["column"] = _rows(Column, columns, "column", problems)
    problems.stop()
    mapping = _built(Mapping, table, "mapping", problems)
    problems.stop()
    return mapping


def zone_of(text):
    """Return a time zone from its name, or from a fixed offset such as ``"-05:00"``."""
    offset = re.fullmatch(r"([+-])(\d\d):(\d\d)", text, re.ASCII) if isinstance(text, str) else None
    try:
        if offset:
            minutes = int(offset[2]) * 60 + int(offset[3])
            if minutes > MOST_OFFSET_MIN:
                raise ValueError("no clock is so far off")
            return timezone((1 if offset[1] == "+" else -1) * timedelta(minutes=minutes))
        if not isinstance(text, str) or not text:
            raise ValueError("no name")
        return pd.Timestamp("2026-01-01").tz_localize(text).tz
    except (KeyError, ValueError, OSError, TypeError):  # the zone database answers a bad name in several ways
        raise Refused("a name such as America/New_York or an offset such as -05:00") from None


def interval_of(text):
    """Return the length of an interval, from one second to a day."""
    try:
        length = pd.Timedelta(text)
    except (ValueError, TypeError):
        length = None
    if length is None or not pd.Timedelta(seconds=1) <= length <= pd.Timedelta(days=1):
        raise Refused("a length such as 15min, 1h, from 1s to 1D")
    return length


def clock_reading(text):
    """Return a moment written year first, in ns of the local clock."""
    (wall,), _ = moments(text_matrix([text if isinstance(text, str) else ""]), ("year first",))
    if wall[0] == MISSING:
        raise Refused("a text such as 2026-05-31 14:30")
    return int(wall[0])


def _name(value):
    """Reader of a column's name in the header line, or of its number."""
    if isinstance(value, bool) or not isinstance(value, (str, int)) or value == "":
        raise Refused("a name or a number from 1")


def _times(value):
    """Reader of the columns of the time."""
    if not 1 <= len(value) <= 2:
        raise Refused("a column name or number, or a list of two")
    for part in value:
        _name(part)


def _delimiter(value):
    """Reader of the mark between cells."""
    if not isinstance(value, str) or not re.fullmatch(r"[^\w\"\r\n\0]|_", value) or not value.isascii():
        raise Refused("one character such as ; or \\t")


def _encoding(value):
    """Reader of an encoding's name; zip and the like are codecs too, but hold no text."""
    try:
        b"12".decode(value)
    except (LookupError, TypeError, ValueError):
        raise Refused("one such as utf-8, utf-16-le, cp1252") from None


EXCHANGE_FIELDS = {"time": clock_reading, "old_last": number(0, 1e15), "new_first": number(0, 1e15)}
COLUMN_FIELDS = {
    "name": _name,
    "quantity": choice(*QUANTITY_UNITS),
    "unit": choice(*FILE_UNITS),
    "kind": choice("mean", "interval", "counter"),
    "digits": whole(3, 12),
    "multiplier": number(-1e6, 1e6),
    "tilt_deg": number(0, 90, "deg"),
    "azimuth_deg": number(0, 360, "deg"),
}
MAPPING_FIELDS = {
    "time": _times,
    "zone": zone_of,
    "date_order": choice(*ORDERS, "unix"),
    "label": choice("start", "end"),
    "interval": interval_of,
    "decimal": choice(".", ","),
    "thousands": choice("", ".", ",", " ", "'"),
    "delimiter": _delimiter,
    "encoding": _encoding,
    "header_line": whole(1, 10_000),
    "keep": choice("first", "last"),
}
