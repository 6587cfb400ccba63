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

import tomllib
from dataclasses import dataclass, fields
from datetime import timedelta, timezone
from pathlib import Path

import pandas as pd

from solarlib.files.dates import MISSING, ORDERS, moments, text_matrix
from solarlib.quantities import InputError, require

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
        for key in ("old_last", "new_first"):
            require(getattr(self, key), f"exchange.{key}", 0, 1e15)
        if not isinstance(self.time, str) or _clock_reading(self.time) is None:
            raise InputError(f"exchange.time: found {self.time!r}, allowed is a text such as 2026-05-31 14:30")


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
        where = f"column {self.name!r}"
        if isinstance(self.name, bool) or not isinstance(self.name, (str, int)) or self.name == "":
            raise InputError(f"column.name: found {self.name!r}, allowed is a name or a number from 1")
        _one_of(self.quantity, QUANTITY_UNITS, f"{where}, quantity")
        _one_of(self.unit, QUANTITY_UNITS[self.quantity], f"{where}, quantity {self.quantity!r}, unit")
        kinds = FILE_UNITS[self.unit][2]
        if self.kind is None and len(kinds) == 1:
            object.__setattr__(self, "kind", kinds[0])
        _one_of(self.kind, kinds, f"{where}, kind")
        if self.digits is not None and (type(self.digits) is not int or not 3 <= self.digits <= 12):
            raise InputError(f"{where}, digits: found {self.digits!r}, allowed is a whole number from 3 to 12")
        require(self.multiplier, f"{where}, multiplier", -1e6, 1e6)
        if self.multiplier == 0 or (self.kind == "counter" and self.multiplier < 0):
            raise InputError(
                f"{where}, multiplier: found {self.multiplier:g}, allowed is a number that keeps the energy"
            )
        rows = [
            row if isinstance(row, Exchange) else _built(Exchange, row, f"{where}, exchange")
            for row in _rows(self.exchange, f"{where}, exchange")
        ]
        if rows and self.kind != "counter":
            raise InputError(f'{where}, exchange: found on kind {self.kind!r}, allowed is kind "counter"')
        object.__setattr__(self, "exchange", tuple(sorted(rows, key=lambda row: _clock_reading(row.time))))
        roof = [key for key in ("tilt_deg", "azimuth_deg") if getattr(self, key) is not None]
        if roof and self.quantity != "neighbour":
            raise InputError(
                f'{where}, {roof[0]}: found on quantity {self.quantity!r}, allowed is quantity "neighbour"'
            )
        if len(roof) == 1:
            raise InputError(f"{where}: found {roof[0]} alone, allowed are tilt_deg and azimuth_deg, or neither")
        for key, high in (("tilt_deg", 90), ("azimuth_deg", 360)) if roof else ():
            require(getattr(self, key), f"{where}, {key}", 0, high, "deg")

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
        columns = tuple(
            row if isinstance(row, Column) else _built(Column, row, "column") for row in _rows(self.column, "column")
        )
        if not columns:
            raise InputError("column: found none, allowed is one or more, written [[column]]")
        for title in {column.quantity for column in columns}:
            kinds = sorted({column.kind for column in columns if column.quantity == title})
            if len(kinds) > 1:
                raise InputError(f"column: found {title} as {' and '.join(kinds)}, allowed is one kind")
        titles = [column.title for column in columns if FILE_UNITS[column.unit][1] not in ADDED_UP]
        for title in titles:
            if titles.count(title) > 1:
                raise InputError(
                    f"column: found {title} {titles.count(title)} times, allowed is one column for it: "
                    "only powers and energies are added up"
                )
        object.__setattr__(self, "column", columns)
        times = tuple(self.time) if isinstance(self.time, (list, tuple)) else (self.time,)
        if not 1 <= len(times) <= 2 or any(
            isinstance(t, bool) or not isinstance(t, (str, int)) or t == "" for t in times
        ):
            raise InputError(f"time: found {self.time!r}, allowed is a column name or number, or a list of two")
        object.__setattr__(self, "time", times)
        for name, options in (
            ("date_order", (None, *ORDERS, "unix")),
            ("label", ("start", "end")),
            ("decimal", (None, ".", ",")),
            ("thousands", (None, "", ".", ",", " ", "'")),
            ("keep", ("first", "last")),
        ):
            _one_of(getattr(self, name), options, name)
        if self.decimal is not None and self.decimal == self.thousands:
            raise InputError(f"thousands: found {self.thousands!r} like decimal, allowed is another mark")
        mark = self.delimiter
        if mark is not None and not (
            isinstance(mark, str) and len(mark) == 1 and mark.isascii() and not mark.isalnum() and mark not in '"\r\n\0'
        ):
            raise InputError(f"delimiter: found {mark!r}, allowed is one character such as ; or \\t")
        if self.encoding is not None:
            try:
                b"12".decode(self.encoding)  # refuses zip and the like, which are codecs too
            except (LookupError, TypeError, ValueError):
                raise InputError(
                    f"encoding: found {self.encoding!r}, allowed is one such as utf-8, utf-16-le, cp1252"
                ) from None
        if self.header_line is not None and (type(self.header_line) is not int or not 1 <= self.header_line <= 10_000):
            raise InputError(f"header_line: found {self.header_line!r}, allowed is a line number from 1 to 10000")
        if self.zone is not None:
            zone_of(self.zone)
        if self.interval is not None:
            interval_of(self.interval)


def _rows(value, name):
    if not isinstance(value, (list, tuple)):
        raise InputError(f"{name}: found {value!r}, allowed is a list of tables, written [[{name.split()[-1]}]]")
    return value


def _one_of(value, options, name):
    if value not in options or isinstance(value, bool):
        allowed = [repr(option) for option in options if option]
        raise InputError(f"{name}: found {value!r}, allowed is {'one of ' * (len(allowed) > 1)}{', '.join(allowed)}")


def _built(kind, table, where):
    """Make a dataclass from a table of a TOML file, or name the keys that are wrong."""
    if not isinstance(table, dict):
        raise InputError(f"{where}: found {table!r}, allowed is a table")
    known = [field.name for field in fields(kind)]
    unknown = [key for key in table if key not in known]
    if unknown:
        raise InputError(f"{where}: found the unknown key {unknown[0]!r}, allowed is one of {', '.join(known)}")
    try:
        return kind(**table)
    except TypeError as error:
        raise InputError(
            f"{where}: found {', '.join(table) or 'nothing'}, allowed needs more: {str(error).split('missing')[-1].strip()}"
        ) from None


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
    try:
        return _built(Mapping, table, "mapping")
    except InputError as error:
        raise InputError(f"{where}: {str(error).removeprefix('mapping: ')}") from None


def zone_of(text):
    """Return a time zone from its name, or from a fixed offset such as ``"-05:00"``."""
    if (
        isinstance(text, str)
        and len(text) == 6
        and text[0] in "+-"
        and text[3] == ":"
        and (text[1:3] + text[4:]).isdecimal()
    ):
        minutes = int(text[1:3]) * 60 + int(text[4:])
        if minutes <= 14 * 60:
            return timezone((1 if text[0] == "+" else -1) * timedelta(minutes=minutes))
    try:
        if not isinstance(text, str) or not text:
            raise ValueError("no name")
        return pd.Timestamp("2026-01-01").tz_localize(text).tz
    except (KeyError, ValueError, OSError, TypeError):  # the zone database answers a bad name in several ways
        raise InputError(
            f"zone: found {text!r}, allowed is a name such as America/New_York or an offset such as -05:00"
        ) from None


def interval_of(text):
    """Return the length of an interval, from one second to a day."""
    try:
        length = pd.Timedelta(text)
    except (ValueError, TypeError):
        length = None
    if length is None or not pd.Timedelta(seconds=1) <= length <= pd.Timedelta(days=1):
        raise InputError(f"interval: found {text!r}, allowed is a length such as 15min, 1h, from 1s to 1D")
    return length


def _clock_reading(text):
    """Return a moment written year first, in ns of the local clock, or None."""
    (wall,), _ = moments(text_matrix([text]), ("year first",))
    return None if wall[0] == MISSING else int(wall[0])


def exchange_wall(exchange):
    """Return the moment of an exchange in ns of the local clock."""
    return _clock_reading(exchange.time)
