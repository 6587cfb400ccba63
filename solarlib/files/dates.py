"""Cells to moments: dates and times in the many ways people write them.

A date such as 03/04/2023 has two meanings. Both are kept until the whole file has been seen; `DateOrder` then says
which one the file itself proves, or that it proves none and a person must tell.
"""

import re
import unicodedata
from functools import lru_cache

import numpy as np

from solarlib.files.texts import told
from solarlib.quantities import refusal, refuse_if, texts_beside

ORDERS = ("year first", "day first", "month first")
NUMBERED = ("unix", "serial")  # times told by one number: seconds or ms since 1970, days of a spreadsheet
MISSING = np.iinfo(np.int64).min  # no moment
SECOND_NS = 1_000_000_000  # ns
DAY_NS = 86_400 * SECOND_NS
HOUR_NS = 3600 * SECOND_NS
MOST_OFFSET_MIN = 14 * 60  # of a clock from UTC: the farthest of all zones
MOST_OFFSETS = 3  # of one clock, which may be set in between
TIME_WIDTH = 60  # longest text of a moment, bytes
SERIAL_1970 = 25_569  # days of a spreadsheet, which counts from 30 December 1899
MS_FROM = 1e11  # numbers since 1970 below are seconds
_WORDS = texts_beside(__file__, "dates")
_MONTHS = {name: number for number, names in enumerate(_WORDS["months"], 1) for name in names.split()}
_MONTHS |= {name[:3]: number for name, number in _MONTHS.items() if name not in ("juin", "juillet")}
ZONE_WORDS = _WORDS["zones"]  # offset from UTC [h] of a clock by the letters that stand behind its time

_ZONES, _WEEKDAYS = ("|".join(sorted(one, key=len, reverse=True)) for one in (ZONE_WORDS, _WORDS["weekdays"].split()))
_SHAPES = [shape.replace("CLOCK", _WORDS["clock"]).replace("ZONES", _ZONES) for shape in _WORDS["shapes"]]
_PATTERNS = tuple(re.compile(shape.replace("WEEKDAYS", _WEEKDAYS), re.IGNORECASE | re.ASCII) for shape in _SHAPES)


@lru_cache(maxsize=1 << 14)  # the same first rows are looked at several times
def looks_like_time(text):
    """Tell whether a text is a date, with or without a time of day."""
    text = text.strip()
    return len(text) <= TIME_WIDTH and any(map(str.isdigit, text)) and _match(plain_letters(text)) is not None


# What tells a time, by `date_order`: a text; else a number, of seconds (or ms) since 1970 or days of a spreadsheet.
TIME_LOOKS = {None: looks_like_time} | {way: re.compile(_WORDS[way]).fullmatch for way in NUMBERED}


def time_places(row, looks=looks_like_time):
    """Return the places of the time in a row: one, those of date and time of day, or of year, month and day."""
    for place, cell in enumerate(row):
        if looks(cell):
            beside = row[place + 1] if place + 1 < len(row) and looks is looks_like_time else ""
            clock = re.fullmatch(r"\d\d?[:.h]\d\d.*", beside) and looks(f"{cell} {beside}")
            return (place, place + 1) if clock and not _match(plain_letters(cell))["h"] else (place,)
    for place in range(len(row) - 2 if looks is looks_like_time else 0):
        date = "-".join(row[place : place + 3])
        if re.fullmatch(r"(199|20\d)\d-\d+-\d+|\d+-\d+-(199|20\d)\d", date, re.ASCII) and looks(date):
            return (place, place + 1, place + 2)
    return ()


def joined_stamps(columns):
    """Return the texts of moments from columns of their date, or year, month and day; hour; minute; second."""
    if len(columns) == 1:
        return columns[0]
    if len(columns) > 2:
        clock = (":".join(f"{part:>02}" for part in parts) for parts in zip(*columns[3:]))
        columns = [list(map("-".join, zip(*columns[:3]))), *([list(clock)] if len(columns) > 3 else [])]
    return list(map(" ".join, zip(*columns)))


def plain_letters(text):
    """Return a text without accents and odd blanks."""
    if text.isascii():
        return text
    plain = unicodedata.normalize("NFKD", text.translate(_BLANKS))
    return "".join(letter for letter in plain if not unicodedata.combining(letter)).replace("\u2212", "-")


_BLANKS = str.maketrans(dict.fromkeys("\u00a0\u202f\u2009", " ") | dict.fromkeys("\u2013\u2014", "-"))


def stamp_range(stamps):
    """Tell whether stamps hold the end of their interval behind its start, as 04:45-05:00."""
    match = _match(plain_letters(stamps[0]))
    told_end, zone = (match and match.groupdict().get(key) or "" for key in ("to", "z"))
    return bool(told_end) or zone.startswith("-") and (moments(text_matrix(stamps))[1] == MISSING).all()


def _match(text):
    for pattern in _PATTERNS:
        match = pattern.fullmatch(text)
        if match and ("b" not in match.groupdict() or match["b"].isdigit() or match["b"].casefold() in _MONTHS):
            if "c" not in match.groupdict() or _widths_fit(match):
                return match
    return None


def _widths_fit(match):
    a, c = len(match["a"]), len(match["c"])
    return (a == 4 and c <= 2) or (a <= 2 and c in (2, 4))


def text_matrix(texts):
    """Return texts as a matrix of bytes, one a row, filled up with zeros; what no moment can hold becomes a ``?``."""
    if not "".join(texts).isascii():
        texts = [plain_letters(text).encode("ascii", "replace").decode() for text in texts]
    if max(map(len, texts), default=0) > TIME_WIDTH:
        texts = [text if len(text) <= TIME_WIDTH else "?" for text in texts]
    table = np.array(texts or [""], "S")
    return table.view(np.uint8).reshape(len(table), -1)[: len(texts)]


def moments(table, orders=ORDERS):
    """Read dates and times.

    Parameters
    ----------
    table : ndarray of uint8, shape (n, width)
        One text a row, filled up with zeros.
    orders : sequence of str
        The orders of `ORDERS` to try, or one of `NUMBERED`: seconds (or ms) since 1970-01-01 UTC, or the days of a
        spreadsheet's clock.

    Returns
    -------
    walls : list of ndarray of int64, one for each order
        Clock reading in ns since 1970-01-01 00:00; `MISSING` where there is none.
    offset : ndarray of int64
        Offset from UTC written beside the time [ns]; `MISSING` where none is.
    """
    count = len(table)
    walls = [np.full(count, MISSING) for _ in orders]
    offset = np.full(count, MISSING)
    if orders[0] in NUMBERED:
        walls[0] = _numbered(table, orders[0])
        return walls, np.where(walls[0] == MISSING, MISSING, 0) if orders[0] == "unix" else offset
    shape = np.where((table >= 48) & (table <= 57), np.uint8(48), table)
    for rows in _alike(shape):
        text = shape[rows[0]].tobytes().rstrip(b"\0").decode("latin-1")
        match = _match(text)
        if match is None:
            continue
        clock, zone = _clock(table, rows, match)
        clock[(zone != MISSING) & (np.abs(zone) > MOST_OFFSET_MIN * 60 * SECOND_NS)] = MISSING  # no clock is so far off
        offset[rows] = zone
        known = None
        for wall, order in zip(walls, orders):
            if known is None or not _one_meaning(match):
                day = _day(table, rows, match, order)
                known = np.where((day == MISSING) | (clock == MISSING), MISSING, day * DAY_NS + clock)
            wall[rows] = known
    return walls, offset


def _numbered(table, way):
    """Clock readings that a number tells [ns], to the nearest second of a spreadsheet's days."""
    texts = [row.tobytes().rstrip(b"\0").decode("latin-1") for row in table]
    numbers = np.array([float(text.replace(",", ".")) if TIME_LOOKS[way](text) else 0 for text in texts])
    ms = np.round((numbers - SERIAL_1970) * 86_400) * 1000 if way == "serial" else numbers
    ms = np.where(ms < MS_FROM, ms * 1000, ms) if way == "unix" else ms
    return np.where(numbers > 0, ms.astype(np.int64) * 1_000_000, MISSING)


def _alike(shape):
    """Yield the numbers of the rows that share a shape; most files have few, a damaged one may have thousands."""
    left = np.arange(len(shape))
    for _ in range(40):
        if not left.size:
            return
        same = (shape[left] == shape[left[0]]).all(axis=1)
        yield left[same]
        left = left[~same]
    if left.size:
        _, group = np.unique(np.ascontiguousarray(shape[left]).view(f"S{shape.shape[1]}").ravel(), return_inverse=True)
        order = np.argsort(group, kind="stable")
        yield from np.split(left[order], np.flatnonzero(np.diff(group[order])) + 1)


def _one_meaning(match):
    """Tell whether every order reads this shape alike: packed digits, a year of four digits first, a month's name."""
    groups = match.groupdict()
    return "y" in groups or len(groups["a"]) == 4 or not groups["b"].isdigit()


def _digits(table, rows, span):
    value = np.zeros(len(rows), np.int32 if span[1] - span[0] <= 9 else np.int64)
    whole = len(rows) == len(table)  # then no rows need picking
    for place in range(*span):
        value *= 10
        value += (table[:, place] if whole else table[rows, place]) - np.uint8(48)
    return value.astype(np.int64)


def _clock(table, rows, match):
    """Time of day [ns] and offset from UTC [ns] of rows that share a shape."""
    groups = match.groupdict()
    zone = np.full(len(rows), MISSING)
    mark = (groups.get("z") or "").casefold()
    if mark:
        zone = np.full(len(rows), round(ZONE_WORDS.get(mark, 0) * HOUR_NS))
        if mark not in ZONE_WORDS:
            start, end = match.span("z")
            start += 3 * mark.startswith(("utc", "gmt"))
            mark = mark.removeprefix("utc").removeprefix("gmt")
            hour = _digits(table, rows, (start + 1, start + 3))
            minute = _digits(table, rows, (end - 2, end)) if end - start > 4 else 0
            zone = (1 if mark[0] == "+" else -1) * (hour * 60 + minute) * 60 * SECOND_NS
            if len(np.unique(zone)) > MOST_OFFSETS:  # 04:45-05:00 is a time and the end of its interval
                zone = np.full(len(rows), MISSING)
    if not groups.get("h"):
        return np.zeros(len(rows), np.int64), zone
    hour = _digits(table, rows, match.span("h"))
    minute = _digits(table, rows, match.span("mi")) if groups.get("mi") else 0
    second = _digits(table, rows, match.span("s")) if groups.get("s") else 0
    part = _digits(table, rows, match.span("f")) * 10 ** (9 - len(groups["f"])) if groups.get("f") else 0
    bad = (minute > 59) | (second > 59)
    if groups.get("ap"):
        bad |= (hour < 1) | (hour > 12)
        hour = hour % 12 + (12 if groups["ap"][0] in "pP" else 0)
    clock = ((hour * 60 + minute) * 60 + second) * SECOND_NS + part
    return np.where(bad | (clock > DAY_NS), MISSING, clock), zone  # 24:00 is the end of the day


def _day(table, rows, match, order):
    """Days since 1970-01-01 under one order; `MISSING` where that is no date."""
    groups = match.groupdict()
    if "y" in groups:
        year, month, day = (_digits(table, rows, match.span(key)) for key in ("y", "m", "d"))
    else:
        a, c = (_digits(table, rows, match.span(key)) for key in ("a", "c"))
        word = _MONTHS.get(groups["b"].casefold())
        b = np.full(len(rows), word) if word else _digits(table, rows, match.span("b"))
        if len(groups["a"]) == 4:
            year, month, day = a, b, c
        elif word:
            year, month, day = c, b, a
        elif order == "year first":
            if len(groups["c"]) == 4 or len(groups["a"]) < 2:
                return np.full(len(rows), MISSING)
            year, month, day = a, b, c
        else:
            year, month, day = (c, b, a) if order == "day first" else (c, a, b)
    year = np.where(year < 100, year + 2000, year)
    good = (year >= 1970) & (year < 2200) & (month >= 1) & (month <= 12) & (day >= 1)
    months = (np.where(good, year, 1970) - 1970) * 12 + np.where(good, month, 1) - 1
    first, after = np.array([months, months + 1]).astype("datetime64[M]").astype("datetime64[D]").astype(np.int64)
    return np.where(good & (first + day <= after), first + day - 1, MISSING)


class DateOrder:
    """Which order of day, month and year a file proves, gathered block by block."""

    def __init__(self, given=None):
        orders = (given,) if given in NUMBERED else ORDERS
        self.orders = orders
        self.only = slice(orders.index(given), orders.index(given) + 1) if given else slice(None)  # those that may be
        self.against = [0] * len(orders)  # rows that rule an order out
        self.proof = [0] * len(orders)  # line of the first such row
        self.differ = 0  # line of the first row with two meanings
        self.ends = 0  # line of the first row at 24:00

    def look(self, walls, lines, stamps=()):
        """Take in one block: its clock readings in each order, the numbers of its lines, its texts."""
        if not self.ends:
            late = np.flatnonzero(np.max(walls, axis=0) % DAY_NS == 0) if len(stamps) else ()
            self.ends = next((int(lines[row]) for row in late if re.search("[ T]24[:.h]?00", stamps[row])), 0)
        valid = np.array([wall != MISSING for wall in walls])
        any_valid = valid.any(axis=0)
        for place, fits in enumerate(valid):
            out = np.flatnonzero(any_valid & ~fits)
            if out.size:
                self.proof[place] = self.proof[place] or int(lines[out[0]])
                self.against[place] += out.size
        if not self.differ:
            spread = np.array([np.where(ok, wall, MISSING) for ok, wall in zip(valid, walls)])
            least = np.where(valid, spread, np.iinfo(np.int64).max).min(axis=0)
            odd = np.flatnonzero((valid.sum(axis=0) > 1) & (spread.max(axis=0) != least))
            self.differ = int(lines[odd[0]]) if odd.size else 0

    def decide(self, where, text_of):
        """Return the place of the order that the file proves, and a sentence on the proof (or None).

        Raises
        ------
        InputError
            The file proves none, or is of two minds.
        """
        open_ = [place for place, count in enumerate(self.against) if not count]
        if self.only.stop:
            return self.only.start, None
        against = [f"line {line} is not {order}" for order, line in zip(self.orders, self.proof) if line]
        refuse_if(not open_, "orders", where, against=", ".join(against))
        if not self.differ:
            return open_[0], None
        ways = [self.orders[place] for place in open_]
        if len(ways) == 1:
            return open_[0], told("proof", order=ways[0], against="; ".join(against))
        keys, text = " or ".join(f'"{way}"' for way in ways), text_of(self.differ)
        raise refusal("date", where, text=text, line=self.differ, ways=" or ".join(ways), keys=keys)


def turned(ways, which):
    """Return the first row at which the order seems to change: rows jump there, and in another order go on."""
    steps = np.diff(ways[which])
    usual = np.median(steps) if len(steps) else 0
    jumps = np.abs(steps - usual) > 20 * DAY_NS
    for way in ways if usual else ():
        even = jumps & (way[1:] != MISSING) & (way[:-1] != MISSING) & (np.diff(way) == usual)
        if even.any():
            return int(even.argmax()) + 1
    return None
