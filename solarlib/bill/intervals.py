"""Intervals by the local clock: their buckets, prices, netting intervals and days, over every change of the clock."""

from dataclasses import dataclass
from functools import cached_property, lru_cache

import numpy as np
import pandas as pd

from solarlib.files.dates import DAY_NS

MINUTE_NS = 60_000_000_000
_DAY = 24 * 60  # minutes
MINUTES = {"day": _DAY, "hour": 60, "half hour": 30, "quarter hour": 15}  # that a netting interval lasts
_FINEST = 15  # minutes: every zone stands so many or a multiple of them from UTC


@dataclass(frozen=True)
class Intervals:
    """Labels of regular intervals and what the clock on the wall shows at them. [ns since 1970]"""

    index: pd.DatetimeIndex
    step: int

    @cached_property
    def wall(self):
        """Local clock readings as if they were UTC."""
        return self.index.tz_localize(None).as_unit("ns").asi8

    @cached_property
    def days(self):
        """Numbers of the local days from the first to the day after the last, 0 on 1 January 1970."""
        return np.arange(self.wall[0] // DAY_NS, self.wall[-1] // DAY_NS + 2)

    def looked_up(self, table):
        """Return the value that a table, of shape (days, parts of a day), holds for each interval."""
        part = DAY_NS // table.shape[1]
        return table.ravel()[(self.wall - self.days[0] * DAY_NS) // part]

    def groups(self, minutes):
        """Return numbers, rising in time, of the local days, or of the hours and parts of them, that hold the labels.

        A doubled hour makes two; a clock set forward by half an hour cuts an hour short.
        """
        parts = self.wall // (minutes * MINUTE_NS)
        if minutes == _DAY:
            return parts
        turned = np.diff(self.wall, prepend=self.wall[0] - self.step) != self.step
        return np.cumsum(turned | (np.diff(parts, prepend=parts[0]) != 0))

    @cached_property
    def repeated(self):
        """Positions of labels whose clock reading came before: those of a doubled hour's second passage."""
        return np.flatnonzero(self.wall[1:] <= np.maximum.accumulate(self.wall)[:-1]) + 1


def weekends(days, tariff):
    """Return which days, numbered from 1 January 1970, are Saturday, Sunday or a holiday of the tariff."""
    weekend = (days + 3) % 7 >= 5  # day 0 was a Thursday
    return weekend | np.isin(days, np.array(tariff.holidays, dtype="datetime64[D]").astype(int))


def _months(days):
    return days.astype("datetime64[D]").astype("datetime64[M]").astype(int) % 12


def buckets(intervals, tariff):
    """Return the number of the time-of-use bucket of each interval: the first bucket that takes it keeps it."""
    days = intervals.days
    weekend, month = weekends(days, tariff), _months(days) + 1
    halves = any(time % 1 for bucket in tariff.buckets for pair in bucket.hours for time in pair)
    parts = 48 if halves else 24
    table = np.full((len(days), parts), len(tariff.buckets) - 1, np.int8)  # the last bucket takes every other hour
    for code in reversed(range(len(tariff.buckets) - 1)):
        bucket = tariff.buckets[code]
        taken = {"all": np.ones(len(days), bool), "weekdays": ~weekend, "weekends": weekend}[bucket.days]
        if bucket.months:
            taken = taken & np.isin(month, bucket.months)
        inside = np.zeros(parts, bool)
        for first, end in bucket.hours or ((0, 24),):
            inside[int(first * parts / 24) : int(end * parts / 24)] = True
        table[np.ix_(taken, inside)] = code
    return intervals.looked_up(table)


def prices_at(intervals, prices, tariff):
    """Return the price of each interval. [$/kWh]

    A time that a file of prices does not hold takes the price of the same month, day and clock time in the last twelve
    months of the file; 29 February that of the 28th, where these have none.
    """
    days = intervals.days
    if not prices.times:
        rows = np.frombuffer(prices.by_clock).reshape(12, 2, -1)
        return intervals.looked_up(rows[_months(days), weekends(days, tariff).astype(int)])
    minutes, start, held, doubled = _by_part(prices, intervals.index.tz if prices.absolute else None)
    parts = _DAY // minutes
    end, every = start + len(held), np.arange(parts)
    year = int(np.datetime64((end - 1) * minutes, "m").astype("datetime64[Y]").astype(int))
    slots, same, before = (day[:, None] * parts + every for day in (days, _in(year, days), _in(year - 1, days)))
    found = np.where((slots >= start) & (slots < end), slots, np.where(same < end, same, before))
    found = np.where(found < start, found + parts, found)  # a file of 365 days in a leap year
    values = intervals.looked_up(held[found - start])
    for i in intervals.repeated if doubled else ():
        slot = found.ravel()[intervals.wall[i] // (minutes * MINUTE_NS) - days[0] * parts]
        values[i] = doubled.get(slot, values[i])
    return values


def _in(year, days):
    """Return the same days of another year, counted from 1970; 28 February where it has no 29th."""
    months = days.astype("datetime64[D]").astype("datetime64[M]")
    there = months - months.astype("datetime64[Y]") + np.datetime64(year, "Y").astype("datetime64[M]")
    moved = there.astype("datetime64[D]") + (days - months.astype("datetime64[D]").astype(int))
    return moved.astype(int) - (moved.astype("datetime64[M]") != there)


@lru_cache(maxsize=8)
def _by_part(prices, tz):
    """Return the prices of a file by local clock: (minutes a part of a day, number of the first part since 1970,
    prices of it and all that follow, those of a second passage by their numbers). [$/kWh]"""
    times, values = np.frombuffer(prices.times, np.int64), np.frombuffer(prices.by_clock)
    if tz is not None:
        local = pd.DatetimeIndex(times.astype("datetime64[m]"), tz="UTC").tz_convert(tz).tz_localize(None)
        times = local.as_unit("s").asi8 // 60
    minutes = prices.minutes if not (times % prices.minutes).any() else _FINEST
    count = prices.minutes // minutes
    slots = np.repeat(times // minutes, count) + np.tile(np.arange(count), len(times))
    values, start = np.repeat(values, count), int(slots.min())
    held = np.full(int(slots.max()) - start + 1, np.nan)
    held[slots[::-1] - start] = values[::-1]  # of two rows of one time the first stays
    again = np.flatnonzero(slots[1:] <= np.maximum.accumulate(slots)[:-1]) + 1
    known = np.maximum.accumulate(np.where(np.isnan(held), 0, np.arange(len(held))))  # a skipped hour: the row before
    return minutes, start, held[known], dict(zip(slots[again].tolist(), values[again].tolist()))
