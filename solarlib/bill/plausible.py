"""What stands in a tariff in due form and is yet hardly meant.

`uncovered` tells of hours, months and days in which bought energy meets no line at all. `unusual` asks back, with the
likely cause, what lies outside the usual ranges of ``plausible.toml``, unless the tariff names it in `meant`;
`puzzling` asks about lines together. Usual is what bills in dollars, euros or pounds show, a question and no law.
"""

from calendar import month_abbr
from datetime import date, timedelta
from decimal import Decimal
from functools import lru_cache
from itertools import product

import numpy as np

from solarlib.bill.tariff import BOUGHT, SOLD
from solarlib.quantities import texts_beside

LEAST_RETAIL, MOST_CHARGED = Decimal("0.01"), Decimal("0.03")  # $/kWh: of a bought kWh, for a sent one
_YEAR = set(range(1, 13))

_WORDS = texts_beside(__file__, "plausible")
KEYS = (*_WORDS["key"], "credit.at_reset")  # what may be named in `meant` beside lines


def unusual(values):
    """Yield (key, what was found, what is allowed) for each number outside its usual range.

    Parameters
    ----------
    values : dict
        Fields of a tariff by name, as far as they could be read.
    """
    numbers = []
    for i, charge in enumerate(values.get("charges", ()), 1):
        for key, *more in _numbers(charge) if charge else ():
            numbers.append((f"charge[{i}].{key} of {charge.line!r}", charge.line, *more))
    for key, row in _WORDS["key"].items():
        table, _, name = key.rpartition(".")
        value = getattr(values.get(table), name, None) if table else values.get(name)
        numbers += [(key, key, row, each) for each in _sizes(value)]
    for key, name, (low, high, unit, *questions), value in numbers:
        if value and name not in values.get("meant", ()) and not low <= abs(value) <= high:
            words = _filled(f"({questions[-(abs(value) > high)]} {_WORDS['meant']})", value, name=name)
            yield key, _short(value), f"usually from {low} to {high} {unit} {words}"


def _numbers(charge):
    """Yield (key, row of its usual range, value) for each number of a line."""
    kind = charge.on if charge.on in _WORDS["price"] else "energy"
    kind += " a year" if kind == "kw" and charge.per == "year" else ""
    row = _WORDS["price"][kind]
    yield "price", row, charge.price
    for price in _sizes(charge.prices):
        yield "prices", row, price
    for block in charge.blocks:
        yield "blocks", row, block.price
        yield "blocks", _WORDS["limit"], block.up_to_kwh


def _sizes(value):
    """Return the numbers to be judged of a key; of prices that change inside a day their mean."""
    if getattr(value, "by_interval", False):
        return [Decimal(str(np.frombuffer(value.by_clock).mean()))]
    return getattr(value, "values", [value])


def _span(charge):
    """Return the lowest and the highest price of a line on energy. [$/kWh]"""
    prices = [block.price for block in charge.blocks] or [charge.price or Decimal(0)]
    prices = [price * charge.factor for price in _sizes(charge.prices)] if charge.prices else prices
    return min(prices), max(prices)


def _short(value):
    return f"{round(Decimal(value), 6).normalize():f}"


def _filled(words, value, **more):
    parts = {"value": 1, "hundredth": 100, "thousandth": 1000, "twelfth": 12, "hundredfold": Decimal("0.01")}
    return words.format(**{name: _short(value / part) for name, part in parts.items()}, **more)


def _situations(tariff):
    """Yield (bucket, months, first day, day after, lines on bought energy) for each time in which these do not change.

    Months are those in which the bucket takes an hour.
    """
    lines = [charge for charge in tariff.charges if charge.on in BOUGHT]
    start, end = tariff.valid_from or date.min, tariff.valid_to or date.max
    days = {day for charge in lines for day in (charge.valid_from, charge.valid_to) if day and start < day < end}
    edges = sorted({start, end, *days}) if start < end else []
    for bucket, taken in _months_taken(tariff.buckets).items():
        unlike = {*tariff.bucket_names} - {bucket}
        for first, after in zip(edges, edges[1:]):
            months = {(first + timedelta(day)).month for day in range(min((after - first).days, 366))}
            valid = [c for c in lines if (c.valid_from or start) <= first and after <= (c.valid_to or end)]
            yield bucket, taken & months, first, after, [c for c in valid if c.bucket not in unlike]


@lru_cache(maxsize=256)
def _months_taken(buckets):
    """Return the months in which each bucket takes an hour: its name -> a set; an empty name without buckets."""
    taken = {bucket.name: set() for bucket in buckets} or {"": _YEAR}
    times = {0, *(time for bucket in buckets for pair in bucket.hours for time in pair)} - {24}
    for month, days, time in product(_YEAR, ("weekdays", "weekends"), times):
        for bucket in buckets:
            inside = not bucket.hours or any(first <= time < end for first, end in bucket.hours)
            if inside and bucket.days in ("all", days) and month in (bucket.months or _YEAR):
                taken[bucket.name].add(month)
                break
    return taken


def uncovered(tariff):
    """Yield (key, what was found, what is allowed) where a bought kWh meets no line."""
    for i, (name, taken) in enumerate(_months_taken(tariff.buckets).items(), 1):
        if not taken:
            found, allowed = _WORDS["covered"]["no hour"]
            yield f"bucket[{i}]", found.format(bucket=name), allowed
    found, allowed = _WORDS["covered"]["free"]
    for bucket, months, first, after, lines in _situations(tariff):
        missing = sorted(months.difference(*(charge.months or _YEAR for charge in lines)))
        where = [
            bucket and f"in bucket {bucket!r}",
            len(missing) < 12 and f"in {', '.join(month_abbr[month] for month in missing)}",
            first != date.min and f"from {first}",
            after != date.max and f"before {after}",
        ]
        if missing:
            yield "charge", found.format(where=" ".join(filter(None, where)) or "at any time"), allowed


def puzzling(tariff):
    """Yield (key, what was found, what is allowed) for rules that are hardly meant beside each other."""
    credit, retail, asked = tariff.credit, Decimal(0), {}
    for _, months, _, _, lines in _situations(tariff):
        for month in months:
            there = [charge for charge in lines if month in (charge.months or _YEAR)]
            low, high = (sum(prices) for prices in zip((Decimal(0),) * 2, *map(_span, there)))
            retail = max(retail, high)
            if low < 0:
                asked["negative", min(there, key=_span).line] = low
            elif 0 < high < LEAST_RETAIL:
                asked["tiny", max(there, key=_span).line] = high
    for charge in tariff.charges:
        sold = _span(charge)[1] if charge.on in SOLD else 0
        asked |= {("charged", charge.line): sold} if sold > MOST_CHARGED else {}
        asked |= {("above retail", charge.line): -sold} if -sold > retail > 0 else {}
        if charge.offset is not None and credit.unit != "money" and (charge.offset or charge.on not in BOUGHT):
            asked["offset", charge.line] = 1
    for name in ("export_price", "payout_price", "conversion_price"):
        prices = [0 if price is None else price for price in _sizes(getattr(credit, name))]
        if min(prices) > retail > 0:
            asked["above retail", f"credit.{name}"] = min(prices)
    if credit.resets and not _emptied(tariff):
        asked["reset", "credit.at_reset"] = 1
    places = {charge.line: (i, charge) for i, charge in enumerate(tariff.charges, 1)}
    for (rule, name), value in asked.items():
        words = (_filled(words, value, name=name, retail=_short(retail)) for words in _WORDS["whole"][rule])
        if name in places and name not in tariff.meant:
            i, charge = places[name]
            priced = "prices" if charge.prices else "blocks" if charge.blocks else "price"
            key = "offset" if rule == "offset" else priced
            yield f"charge[{i}].{key} of {name!r}", *words
        elif name not in tariff.meant:
            yield name, *words


def _emptied(tariff):
    """Whether a reset ever finds a credit: it falls into the days of the tariff, and credits are worth something."""
    credit, first, after = tariff.credit, tariff.valid_from, tariff.valid_to
    if credit.unit == "money" and not any([*_sizes(credit.export_price), credit.export_share, credit.export_lines]):
        return False
    days = range(min((after - first).days, 366)) if first and after and credit.reset_anchor else ()
    return not days or credit.reset_anchor in {((first + timedelta(d)).month, (first + timedelta(d)).day) for d in days}
