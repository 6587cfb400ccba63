"""A price at a local time, from the rules in words: tables by month, hour and kind of day, and files.

Part of the second ledger; see `second_ledger`. Prices are fractions, exactly as they are written.
"""

import csv
import math
from bisect import bisect
from collections import Counter
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from fractions import Fraction
from functools import cache
from zoneinfo import ZoneInfo


@cache
def exact(value):
    """Return a number as it is written, 0.1 as one tenth."""
    return Fraction(str(value))


def as_date(value):
    """Return a day given as a date or as text."""
    return date.fromisoformat(value) if isinstance(value, str) else value


def is_free(day, rules):
    """ "`holidays` have the prices of weekends"; they are "days that count as weekend days"."""
    return day.weekday() >= 5 or day in {as_date(holiday) for holiday in rules.get("holidays", [])}


def goes_by_time(prices):
    """Does a price change from hour to hour? Then it is not multiplied with a sum of kWh but interval by interval."""
    if isinstance(prices, dict):
        return "file" in prices or "weekdays" in prices
    return isinstance(prices, list) and isinstance(prices[0], list)


def mean_price(prices, days, bucket):
    """A price that does not change from hour to hour: one; one a bucket; or 12, "months are shared by days"."""
    if isinstance(prices, dict):
        return exact(prices[bucket])
    if isinstance(prices, list):
        return sum(exact(prices[day.month - 1]) for day in days) / len(days)
    return exact(prices)


def price_at(prices, local, rules, folder):
    """ "Prices in tables and files may lie below zero, but not below `least`"; `local` is a time with its zone."""
    if isinstance(prices, list):
        return table_price(prices, local)
    if "file" in prices:
        price = file_price(rows_of(folder / prices["file"], prices["column"], local.tzinfo.key), local)
    else:
        price = table_price(prices["weekends" if is_free(local.date(), rules) else "weekdays"], local)
    return max(price, exact(prices["least"])) if "least" in prices else price


def table_price(table, local):
    """ "12 lists of 24 or 48, one a month and local hour or half hour"."""
    row = table[local.month - 1]
    return exact(row[(local.hour * 60 + local.minute) * len(row) // (24 * 60)])


@dataclass
class PriceFile:
    """Rows of a file: (local clock, passage 0 or 1) -> price; by instant, where the file has offsets; where it ends."""

    by_clock: dict
    by_instant: list
    start: datetime
    end: datetime
    step: timedelta


@cache
def rows_of(path, column, zone):
    """ "`time` is local time, or time with an offset"; "Where the clock is changed, rows in local time may lack the
    skipped hour, and may name the doubled hour once or twice."
    """
    by_clock, by_instant, clocks = {}, [], []
    with open(path, encoding="utf-8", newline="") as text:
        for row in csv.DictReader(text):
            time, passage, price = datetime.fromisoformat(row["time"]), 0, exact(row[column])
            if time.tzinfo:
                time = time.astimezone(ZoneInfo(zone))
                by_instant.append((time.timestamp(), price))
                passage, time = time.fold, time.replace(tzinfo=None, fold=0)
            elif (time, 0) in by_clock:
                passage = 1
            by_clock[time, passage] = price
            clocks.append(time)
    (step, _), *_ = Counter(b - a for a, b in zip(clocks, clocks[1:])).most_common(1)
    return PriceFile(by_clock, by_instant, clocks[0], clocks[-1] + step, step)


def file_price(rows, local):
    """The price of a time that the file holds, else of that clock in its last whole year.

    "A time that the file does not hold has the price of the same month, day and clock time in the last twelve months of
    the file; 29 February that of the 28th; an hour that is skipped there that of the row before."
    """
    since = local.timestamp()
    if rows.by_instant and rows.by_instant[0][0] <= since < rows.by_instant[-1][0] + rows.step.total_seconds():
        return rows.by_instant[bisect(rows.by_instant, (since, math.inf)) - 1][1]
    clock = local.replace(tzinfo=None, fold=0, minute=local.minute // 15 * 15)
    if rows.by_instant or not rows.start <= clock < rows.end:
        clock = in_last_year(clock, rows.end)
    while (clock, 0) not in rows.by_clock and (clock, 1) not in rows.by_clock:
        clock -= timedelta(minutes=15)  # within the row's hour, or within an hour that the change of the clock left out
    passages = [passage for passage in (local.fold, 1 - local.fold) if (clock, passage) in rows.by_clock]
    return rows.by_clock[clock, passages[0]]


def in_last_year(clock, end):
    """The same month, day and clock time in the last twelve months before the file's end."""
    for day in (clock.day, 28):
        for year in (end.year, end.year - 1):
            try:
                moved = clock.replace(year=year, day=day)
            except ValueError:
                continue  # a 29 February in a year without one
            if moved < end <= moved.replace(year=year + 1, day=28 if (moved.month, day) == (2, 29) else day):
                return moved
    raise ValueError(f"no whole year before {end}")
