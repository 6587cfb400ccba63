"""What a kWh costs or earns, in every form that a table may take, read into one value."""

import csv
from dataclasses import dataclass, replace
from datetime import datetime, timezone
from decimal import Decimal
from pathlib import Path

import numpy as np

from solarlib.quantities import refusal, refuse_if, texts_beside
from solarlib.schema import Reader, Refused, number

_SINGLE, _ANY = number(0, 1e3, "$/kWh"), number(-1e3, 1e3, "$/kWh")
_DAY = 24 * 60
_TURNS = (-60, -30, 0, 30, 60)  # minutes by which a change of the clock moves the next row of a file


@dataclass(frozen=True)
class Prices:
    """Prices of a kWh. [$/kWh]

    `values` holds one price, one for each of `buckets`, or 12, January first. Prices that change inside a day stand in
    `by_clock`, 64-bit floats: a table (12 months, weekdays and weekends, parts of the day), or with `times` one for
    each row of a file: minutes since 1970, 64-bit integers, by local clock or if `absolute` in UTC.
    """

    values: tuple[Decimal, ...] = ()
    buckets: tuple[str, ...] = ()
    by_clock: bytes = b""
    minutes: int = 0
    times: bytes = b""
    absolute: bool = False

    @property
    def by_interval(self):
        """Whether prices change inside a day, so that energies of parts of a day are needed."""
        return bool(self.by_clock)

    def price(self, bucket="", days_by_month=()):
        """Return the price in one bucket over a period with these days in each month; not by interval. [$/kWh]"""
        if self.buckets:
            return self.values[self.buckets.index(bucket)]
        if len(self.values) == 1:
            return self.values[0]
        weighted = (price * days for price, days in zip(self.values, days_by_month))
        return sum(weighted, Decimal(0)) / sum(days_by_month)

    def scaled(self, scale):
        """Return the value with a function of a Decimal applied to each price."""
        unlike, which = np.unique(np.frombuffer(self.by_clock), return_inverse=True)
        prices = np.array([scale(Decimal(str(price))) for price in unlike.tolist()], float)[which]
        return replace(self, values=tuple(map(scale, self.values)), by_clock=prices.tobytes())


def _read(value):
    if isinstance(value, dict) and "file" in value:
        return _of_file(value)
    if isinstance(value, dict) and {"weekdays", "weekends"} & set(value):
        if set(value) - {"least"} != {"weekdays", "weekends"}:
            raise Refused("both weekdays and weekends, and least or nothing else")
        return _of_tables(value["weekdays"], value["weekends"], value.get("least"))
    if isinstance(value, dict):
        return Prices(tuple(map(_SINGLE, value.values())), tuple(value)) if value else _SINGLE(value)
    if not isinstance(value, list):
        return Prices((_SINGLE(value),))
    lists = sum(isinstance(item, list) for item in value)
    if lists not in (0, 12) or len(value) != 12:
        raise Refused("12 prices, one for each month, or 12 lists of 24 or 48, and no mixture")
    return _of_tables(value, value, None) if lists else Prices(tuple(map(_SINGLE, value)))


def _of_tables(weekdays, weekends, least):
    rows = [row for pair in zip(weekdays, weekends) for row in pair]
    length = {len(row) for row in rows}
    if len(weekdays) != 12 or len(weekends) != 12 or length not in ({24}, {48}):
        raise Refused("12 lists of 24, one price for each hour, or all of 48, one for each half hour")
    return _clocked([_ANY(price) for row in rows for price in row], least, minutes=_DAY // length.pop())


def _clocked(prices, least, **more):
    floor = -np.inf if least is None else float(_ANY(least))
    return Prices(by_clock=np.maximum(np.array(prices, float), floor).tobytes(), **more)


def _of_file(table):
    """Read a CSV of prices: one row an hour or half an hour, without gaps, a year or longer."""
    if set(table) - {"least"} != {"file", "column"}:
        raise Refused("file, column, and least or nothing else")
    path, column = Path(table["file"]), table["column"]
    try:
        with path.open(encoding="utf-8-sig", newline="") as file:
            lines = list(csv.reader(file))
    except OSError:
        raise refusal("no_prices", path.name) from None
    heads = [head.strip() for head in lines[0]] if lines else []
    shown, unnamed = ", ".join(heads) or "nothing", "time" not in heads or column not in heads
    refuse_if(unnamed, "no_time_column", f"{path.name} row 1", heads=shown, column=column)
    rows = [_row(path, n, line, heads, column) for n, line in enumerate(lines[1:], 2) if line]
    by_clock = {time.tzinfo is None for time, _ in rows}
    refuse_if(len(by_clock) != 1, "offset_or_none" if rows else "no_price_row", f"{path.name} column time")
    (by_clock,) = by_clock
    since = datetime(1970, 1, 1, tzinfo=None if by_clock else timezone.utc)
    times = np.array([(time - since).total_seconds() // 60 for time, _ in rows], np.int64)
    more = {"minutes": _spacing(path, times, by_clock), "times": times.tobytes(), "absolute": not by_clock}
    return _clocked([price for _, price in rows], table.get("least"), **more)


def _row(path, n, line, heads, column):
    """Return time and price of a row."""
    cells = dict(zip(heads, map(str.strip, line)))
    time, price = cells["time"], cells.get(column, "")
    if len(line) > len(heads):  # a decimal comma makes two cells of one
        price = ",".join(line[heads.index(column) :])
    try:
        moment = datetime.fromisoformat(time)
    except ValueError:
        moment = None
    if moment is None or moment.minute % 15 or moment.second or moment.microsecond:
        raise refusal("no_moment", f"{path.name} row {n} column time", cell=time)
    try:
        return moment, _ANY(Decimal(price))
    except (ArithmeticError, Refused):
        raise refusal("no_price", f"{path.name} row {n} column {column}", cell=price, allowed=_ANY.allowed) from None


def _spacing(path, times, by_clock):
    """Return minutes from row to row; by local clock an hour may be missing and one doubled each year."""
    steps = np.diff(times)
    minutes = int(np.median(steps)) if steps.size else 0
    refuse_if(minutes not in (30, 60), "spacing", f"{path.name} column time", minutes=minutes)
    turns = steps - minutes
    odd = ~np.isin(turns, _TURNS if by_clock else (0,))
    for sign in (-1, 1):  # a second turn the same way within half a year is no change of the clock
        at = np.flatnonzero(np.sign(turns) == sign)
        odd[at[1:][np.diff(times[at]) < 180 * _DAY]] = True
    if odd.any():
        n = int(np.argmax(odd))
        before, after = (str(np.datetime64(int(time), "m")) for time in times[n : n + 2])
        where = f"{path.name} row {n + 3} column time"
        raise refusal("uneven_rows", where, after=after, before=before, minutes=minutes)
    days = int(times[-1] + minutes - times[0]) // _DAY
    refuse_if(days < 365, "short_file", f"{path.name} column time", days=days)
    return minutes


PRICES = Reader(texts_beside(__file__, "prices")["allowed"], _read)
