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
from collections import Counter
from dataclasses import dataclass
from datetime import timedelta, timezone
from pathlib import Path

import pandas as pd

from solarlib import schema
from solarlib.files.dates import MISSING, MOST_OFFSET_MIN, NUMBERED, ORDERS, moments, text_matrix
from solarlib.quantities import refuse_if, texts_beside
from solarlib.schema import FORM, Problems, Reader, Table, choice, declared, flag, kept, misplaced, number, whole

_TABLES = texts_beside(__file__, "units")
FILE_UNITS, QUANTITY_UNITS = _TABLES["units"], _TABLES["quantities"]
UNIT_WORDS = {unit.casefold(): unit for unit in FILE_UNITS} | _TABLES["words"]
ADDED_UP = ("w", "kwh")  # of several columns; a mean of two sensors or neighbours is another thing than their sum
# Title of a clean column: quantity and unit. A neighbour's title holds its own name beside them.
TITLES = {
    f"{quantity}_{FILE_UNITS[unit][1]}": (quantity, unit)
    for quantity, units in QUANTITY_UNITS.items()
    for unit in units
    if FILE_UNITS[unit][0] == 1.0 and quantity != "neighbour"
}


def zone_of(text):
    """Return a time zone from its name, or from a fixed offset such as ``"-05:00"``; a ValueError is neither."""
    offset = re.fullmatch(r"([+-])(\d\d):(\d\d)", text, re.ASCII)
    if offset:
        minutes = int(offset[2]) * 60 + int(offset[3])
        if minutes > MOST_OFFSET_MIN:
            raise ValueError(text)
        return timezone((1 if offset[1] == "+" else -1) * timedelta(minutes=minutes))
    try:
        return pd.Timestamp("2026-01-01").tz_localize(text or "no name").tz
    except (KeyError, OSError, TypeError) as error:  # the zone database answers a bad name in several ways
        raise ValueError(text) from error


def interval_of(text):
    """Return the length of an interval, from one second to a day."""
    length = pd.Timedelta(text)
    if not pd.Timedelta(seconds=1) <= length <= pd.Timedelta(days=1):
        raise ValueError(text)
    return length


def clock_reading(text):
    """Return a moment written year first, in ns of the local clock."""
    (wall,), _ = moments(text_matrix([text]), ("year first",))
    if wall[0] == MISSING:
        raise ValueError(text)
    return int(wall[0])


def _sound(allowed, use):
    """Reader of a value that is kept as it is written, if `use` can do something with it."""

    def convert(value):
        try:
            use(value)
        except (LookupError, AttributeError) as error:
            raise ValueError(value) from error
        return value

    return Reader(allowed, convert)


def _place(value):
    """Return the name in the header line, or the number, of a column."""
    if isinstance(value, bool) or not isinstance(value, (str, int)) or value == "":
        raise ValueError
    return value


def _places(value):
    """Return the columns of the time as a tuple."""
    places = tuple(value) if isinstance(value, (list, tuple)) else (value,)
    if not 1 <= len(places) <= 6:
        raise ValueError
    return tuple(map(_place, places))


def _words(value):
    """Return the words that a row must hold, as pairs of a column and one word or several."""
    pairs = [(key, tuple(words if isinstance(words, list) else [words])) for key, words in value.items()]
    if not pairs or not all(words and all(isinstance(word, (str, int)) for word in words) for _, words in pairs):
        raise ValueError
    return tuple((int(key) if key.isdigit() else key, tuple(map(str, words))) for key, words in pairs)


def _is_mark(value):
    """Whether a text can stand between cells."""
    return len(value) == 1 and value.isascii() and not value.isalnum() and value not in '"\r\n\0'


@dataclass(frozen=True)
class Exchange:
    """A meter was exchanged: ``time`` as local text, last register of the old, first of the new meter [the unit of
    the column]."""

    time: str = declared(_sound("a text such as 2026-05-31 14:30", clock_reading))
    old_last: float = declared(number(0, 1e15, kind=float))
    new_first: float = declared(number(0, 1e15, kind=float))


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
        up; ``"pulse"``: each row is the moment of a meter's pulse, and the number its energy. Only Wh, kWh and MWh need
        a kind: an interval and a counter look alike in a header.
    digits : int, optional
        Digits of a counter before its decimal mark; without them a fall is not taken for a rollover.
    multiplier : float
        What each number is multiplied with; -1 turns a sign round.
    to : str or int, optional
        Where a row holds a day: the last of its columns, ``name`` is the first. The columns stand for the intervals of
        the day from midnight on, whatever their names: 24, 48, 96 and the like, or an hour more for the long day.
    where : tuple of (column, words)
        Of rows of several meters or directions, those whose cell in a column is one of some words:
        ``where = { Meter = "A" }``.
    exchange : tuple of Exchange
    tilt_deg, azimuth_deg : float, optional
        Roof of a ``neighbour``, both or neither, so that a model can take the roof's season out. [deg, deg from north]
    """

    name: str | int = declared(Reader("a name or a number from 1", _place))
    quantity: str = declared(choice(*QUANTITY_UNITS))
    unit: str = declared(choice(*FILE_UNITS))
    kind: str | None = declared(choice("mean", "interval", "counter", "pulse"), default=None)
    digits: int | None = declared(whole(3, 12), default=None)
    multiplier: float = declared(number(-1e6, 1e6, kind=float), default=1.0)
    to: str | int | None = declared(Reader("a name or a number from 1", _place), default=None)
    where: tuple = declared(Reader('a table such as { Meter = "A" }', _words), default=())
    exchange: tuple = declared(Table(Exchange, many=True), default=(), only=("kind", "counter"))
    tilt_deg: float | None = declared(number(0, 90, "deg", float), default=None, only=("quantity", "neighbour"))
    azimuth_deg: float | None = declared(number(0, 360, "deg", float), default=None, only=("quantity", "neighbour"))

    def __post_init__(self):
        problems, units = Problems(f"column {self.name!r}"), QUANTITY_UNITS[self.quantity]
        kinds = FILE_UNITS[self.unit][2]
        if self.kind is None and len(kinds) == 1:
            object.__setattr__(self, "kind", kinds[0])
        if self.unit not in units:
            problems.add("unit", repr(self.unit), f"for {self.quantity} one of {', '.join(units)}")
        elif self.kind not in kinds:
            problems.add("kind", repr(self.kind), f"for {self.unit} one of {', '.join(kinds)}")
        if self.multiplier == 0 or (self.counts and self.multiplier < 0):
            problems.add("multiplier", f"{self.multiplier:g}", "a number that keeps the energy")
        for wrong in misplaced(self):
            problems.add(*wrong)
        if (self.tilt_deg is None) != (self.azimuth_deg is None):
            problems.add("tilt_deg, azimuth_deg", "one alone", "both, or neither")
        problems.stop()

    @property
    def counts(self):
        """Whether its numbers are read at the moment of their stamp, and tell of the time since the one before."""
        return self.kind in ("counter", "pulse")

    @property
    def factor(self):
        """What a number in the file is multiplied with to give W, kWh, kWh/kW, W/m2 or degC."""
        return FILE_UNITS[self.unit][0] * self.multiplier

    @property
    def title(self):
        """Name of the column that comes out, e.g. ``net_w``, ``delivered_kwh``, ``neighbour_Mill_h`` (kWh/kW are h)."""
        name = f"neighbour_{self.name}" if self.quantity == "neighbour" else self.quantity
        return f"{name}_{FILE_UNITS[self.unit][1]}"


_ZONE = _sound("a name such as America/New_York or an offset such as -05:00", zone_of)


@dataclass(frozen=True)
class Mapping:
    """How to read one file.

    Attributes
    ----------
    column : tuple of Column
    time : str, int or several of them
        Column of the time; the columns of date and time of day, which may be a number of its hour or interval; or those
        of year, month and day (in any order), hour, minute and second.
    padded : bool
        Whether the file holds rows for the hour that the clock skips in spring, beside those of the day; they are set
        aside. Else such a row proves that the clock is not changed.
    zone : str, optional
        Time zone of the clock, e.g. ``"Europe/Berlin"``, or a fixed offset such as ``"-05:00"`` for a clock that is
        never changed. Needed where the stamps carry no offset.
    date_order : str, optional
        ``"day first"``, ``"month first"``, ``"year first"``, or ``"unix"`` for seconds since 1970. Needed where the
        file itself does not prove one. ``"serial"`` for the days that a spreadsheet counts.
    label : str
        ``"start"`` or ``"end"``: which end of its interval a stamp names. Registers are read at the stamp itself.
    interval : str, optional
        Length of an interval, e.g. ``"15min"``; default: the commonest step of the file.
    decimal, thousands, delimiter, encoding, header_line : optional
        Found in the file where not given; ``thousands = " "`` stands for any blank.
    snapshot : bool
        Whether a power is that of one moment inside its interval, not the mean over it.
    form : int
        Of the file; a newer one is refused.
    keep : str
        Which of two rows of the same moment with different numbers is used, ``"first"`` or ``"last"``; ``"rising"``:
        only rows later than all rows above them.
    """

    column: tuple = declared(Table(Column, many=True))
    time: str | int | tuple = declared(Reader("a column name or number, or a list of up to six", _places), default=(1,))
    zone: str | None = declared(_ZONE, default=None)
    date_order: str | None = declared(choice(*ORDERS, *NUMBERED), default=None)
    label: str = declared(choice("start", "end"), default="start")
    interval: str | None = declared(_sound("a length such as 15min, 1h, from 1s to 1D", interval_of), default=None)
    decimal: str | None = declared(choice(".", ","), default=None)
    thousands: str | None = declared(choice("", ".", ",", " ", "'"), default=None)
    delimiter: str | None = declared(kept("one character such as ; or \\t", _is_mark), default=None)
    encoding: str | None = declared(_sound("one such as utf-8, utf-16-le, cp1252", b"12".decode), default=None)
    header_line: int | None = declared(whole(1, 10_000), default=None)
    keep: str = declared(choice("first", "last", "rising"), default="first")
    padded: bool = declared(flag(), default=False)
    snapshot: bool = declared(flag(), default=False)
    form: int = declared(whole(1, FORM), default=1)

    def __post_init__(self):
        problems = Problems("mapping")
        object.__setattr__(self, "time", _places(self.time))
        if self.decimal is not None and self.decimal == self.thousands:
            problems.add("thousands", f"{self.thousands!r} like decimal", "another mark")
        if not self.column:
            problems.add("column", "none", "one or more, written [[column]]")
        for quantity in dict.fromkeys(column.quantity for column in self.column):
            kinds = sorted({column.kind for column in self.column if column.quantity == quantity})
            if len(kinds) > 1:
                problems.add("column", f"{quantity} as {' and '.join(kinds)}", "one kind")
        if len({column.to is None for column in self.column}) > 1:
            problems.add("column", "to in some alone", "to in all of them, or in none")
        titles = Counter(column.title for column in self.column if FILE_UNITS[column.unit][1] not in ADDED_UP)
        for title, count in titles.items():
            if count > 1:
                allowed = "one column for it: only powers and energies are added up"
                problems.add("column", f"{title} {count} times", allowed)
        problems.stop()


def mapping_from_toml(source: str | Path) -> Mapping:
    """Read a mapping from a TOML file, or from TOML text.

    Parameters
    ----------
    source : path or str
        A text with a line break or an ``=`` is taken as TOML itself.

    Raises
    ------
    InputError
        Names every wrong key, what was found and what is allowed.
    """
    if isinstance(source, str) and ("\n" in source or "=" in source):
        where, table = "mapping", schema.toml_table(source, "mapping")
    else:
        where = Path(source).name
        refuse_if(not Path(source).is_file(), "no_mapping", source)
        table = schema.read_toml(Path(source))
    problems = Problems(where, Table(Mapping), table)
    mapping = problems.read(Table(Mapping), table)
    problems.stop()
    return mapping
