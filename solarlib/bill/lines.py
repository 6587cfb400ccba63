"""The arithmetic of one bill: what each printed line costs for one billing period.

Everything here is exact decimal arithmetic on one period; nothing remembers an earlier period. `bank` keeps the
credits between bills and calls `lines` and `total`.
"""

from datetime import timedelta
from decimal import ROUND_HALF_UP, Decimal
from functools import lru_cache

from solarlib.bill.credits import HAIR, ZERO
from solarlib.bill.tariff import BOUGHT, RETAIL, column
from solarlib.quantities import refusal

CENT = Decimal("0.01")
MILLIONTH = Decimal("0.000001")
DAYS_PER_MONTH = 30  # the month that sheets mean when they scale a monthly amount by days


def cents(amount):
    """Round half up (away from zero) to whole cents; a share of days may miss half a cent in its 28th digit."""
    return amount.quantize(HAIR, ROUND_HALF_UP).quantize(CENT, ROUND_HALF_UP)


def rounding(tariff):
    """Return the function that rounds one line: to cents, or to a millionth where only the total is rounded."""
    if tariff.round_stage == "line":
        return cents
    return lambda money: money.quantize(MILLIONTH, ROUND_HALF_UP)


@lru_cache(maxsize=20000)
def _days_by_month(first, end, valid_from, valid_to):
    """Days of the period inside a validity, counted for each calendar month (January first)."""
    counts = [0] * 12
    day = max(first, valid_from or first)
    stop = min(end, valid_to or end)
    while day < stop:
        month_end = (day.replace(day=1) + timedelta(days=32)).replace(day=1)
        counts[day.month - 1] += (min(stop, month_end) - day).days
        day = month_end
    return tuple(counts)


def active_days(charge, period):
    """Number of days of the period on which a line applies."""
    if not charge.limited:
        return period.days
    counts = _days_by_month(period.first, period.end, charge.valid_from, charge.valid_to)
    return sum(counts[month - 1] for month in charge.months) if charge.months else sum(counts)


def kwh_step(tariff):
    """Smallest amount of energy on a bill. [kWh]"""
    return Decimal(1).scaleb(-tariff.kwh_decimals)


def blocks_of(charge, counted, period, tariff):
    """Split energy, or a demand, into blocks: a list of (limit or None, kWh or kW in the block, price)."""
    days = active_days(charge, period)
    parts, below = [], ZERO
    for block in charge.blocks:
        limit = block.limit
        if block.up_to_kwh is not None:
            days_of_limit = DAYS_PER_MONTH if charge.blocks_by_days else period.days
            months = 1 if charge.blocks_by_days else period.months
            limit = (limit * months * days / days_of_limit).quantize(kwh_step(tariff), ROUND_HALF_UP)
        inside = max(ZERO, (counted if limit is None else min(counted, limit)) - below)
        parts.append((limit, inside, block.price))
        below += inside
    return parts


def _needed(value, case, name, line=""):
    """Return what a line counts, or raise an InputError where it is not known."""
    if value is None:
        raise refusal(case, name, line=line)
    return value


def amount(charge, period, tariff, rated_kw):
    """Return what one line costs before rounding. [$]"""
    if charge.on in BOUGHT and charge.price is not None and not charge.limited:
        return charge.price * period.counted[tariff.counted[charge.line]]
    days = active_days(charge, period)
    if days == 0:
        return ZERO
    if charge.on == "day":
        return charge.price * days
    months = Decimal(period.months) * days / period.days
    if charge.on in ("month", "kw"):
        if charge.prorate and period.partial:
            months = min(months, Decimal(days) / DAYS_PER_MONTH)
        if charge.on == "month":
            return charge.price * months
        rating = _needed(rated_kw.get(charge.rating), "no_rating", f"rated_{charge.rating}_kw", charge.line)
        factor = {"month": months, "year": months / 12, "30 days": Decimal(days) / DAYS_PER_MONTH}[charge.per]
        return charge.price * rating * factor
    counted = _counted(charge, period, tariff)
    if charge.on == "demand":
        cost = charge.price * counted if charge.price is not None else _in_blocks(charge, counted, period, tariff)
        return round(cost * months, 6)  # a mean power has nine decimals: 2.5 kW / 3 at 2.13 $ are 1.775 $, half a cent
    if days != period.days:
        counted = counted * days / period.days
    if charge.blocks:
        return _in_blocks(charge, counted, period, tariff)
    if charge.prices is None:
        return charge.price * counted
    if charge.prices.by_interval:
        return charge.factor * counted
    days_by_month = _days_by_month(period.first, period.end, None, None)
    return charge.factor * counted * charge.prices.price(days_by_month=days_by_month)


def _counted(charge, period, tariff):
    """Return what a line counts in all of a period: kWh, kW of demand, or $ where prices change inside a day."""
    what, where = tariff.counted[charge.line]
    if what == "demand":
        name = column(tariff.demand_column(charge), charge.bucket or "")
        return max(_needed(period.counted.get((what, where)), "no_demand", name, charge.line), charge.least_kw or ZERO)
    return _needed(period.counted.get((what, where)), "no_value_of_line", f"value {charge.line}", charge.line)


def _in_blocks(charge, counted, period, tariff):
    return sum((inside * price for _, inside, price in blocks_of(charge, counted, period, tariff)), ZERO)


def retail_price(charges, bucket, period):
    """Sum of the day-weighted prices of several energy lines for one bucket. [$/kWh]"""
    priced = [charge for charge in charges if charge.on in RETAIL and charge.bucket in (None, bucket)]
    return sum([charge.price * active_days(charge, period) / period.days for charge in priced], ZERO)


def export_worth(tariff, period):
    """Return the money credit for the exported energy of the period, one rounded amount a bucket. [$]"""
    credit, rounded = tariff.credit, rounding(tariff)
    if credit.export_price and credit.export_price.by_interval:
        value = _needed(period.counted.get(("export_value", "")), "no_export_value", "export_value")
        return max(ZERO, rounded(value * credit.export_factor))
    worth = ZERO
    for bucket in tariff.bucket_names:
        if credit.export_lines:
            price = retail_price([tariff.charge(line) for line in credit.export_lines], bucket, period)
        elif credit.export_share is not None:
            price = credit.export_share * retail_price(tariff.charges, bucket, period)
        else:
            price = credit.export_price.price(bucket, _days_by_month(period.first, period.end, None, None))
        worth += rounded(max(ZERO, price) * credit.export_factor * period.counted["export", bucket])
    return worth


def lines(tariff, period, rated_kw):
    """Return the rounded amount of every line that is no percentage, in the tariff's order: {line: $}."""
    rounded = rounding(tariff)
    return {charge.line: rounded(amount(charge, period, tariff, rated_kw)) for charge in tariff.amounts}


def creditable(tariff, amounts):
    """Return how much of the lines a money credit may offset, never below zero. [$]"""
    return max(ZERO, sum([amounts[charge.line] for charge in tariff.amounts if charge.offsettable], ZERO))


def _top_up(tariff, amounts, credit_applied, tax, payout):
    """What has to be added so that the bill reaches its minimum, by the stage at which the minimum is asked for."""
    if tariff.minimum_bill is None:
        return ZERO
    if tariff.minimum_of:
        reached = sum((amounts[line] for line in tariff.minimum_of), ZERO)
        offsettable = [amounts[line] for line in tariff.minimum_of if tariff.charge(line).offsettable]
        reached -= min(credit_applied, max(ZERO, sum(offsettable, ZERO)))
    else:
        reached = sum(amounts.values(), ZERO) - credit_applied
    return max(ZERO, tariff.minimum_bill - reached - tax - payout)


def total(tariff, amounts, credit_applied=ZERO, payout=ZERO, settled=None):
    """Add up a bill: lines, credit, minimum, taxes, payout.

    Parameters
    ----------
    tariff : Tariff
    amounts : dict
        From `lines`, those that are billed now. [$]
    credit_applied, payout : Decimal
        Money credit used, money paid to the customer. [$]
    settled : (Decimal, Decimal), optional
        What the settlement of a year adds, and the addition that the minimum asked for without it. [$]

    Returns
    -------
    (taxes, top_up, bill)
        Taxes by line name; what the minimum bill adds; the sum, which may be negative. [$]
    """
    rounded, stage = rounding(tariff), tariff.minimum_stage
    more, top_up = settled or (ZERO, ZERO)
    charged, early = sum(amounts.values(), more), stage == "before tax"
    if early and not settled:
        top_up = _top_up(tariff, amounts, credit_applied, ZERO, ZERO)
    taxes = {}
    for charge in tariff.percentages:
        if charge.of:
            base = sum([(amounts | taxes)[line] for line in charge.of], ZERO)
        elif charge.after_credit:
            base = charged - credit_applied + (top_up if early else ZERO)
        else:  # the bill as it would be without the credit: a credit must not raise its own tax through the minimum
            base = charged + (_top_up(tariff, amounts, ZERO, ZERO, ZERO) if early else ZERO)
        taxes[charge.line] = rounded(base * charge.price / 100)
    tax = sum(taxes.values(), ZERO)
    if not early and not settled:
        top_up = _top_up(tariff, amounts, credit_applied, tax, -payout if stage == "after payout" else ZERO)
    return taxes, top_up, cents(charged - credit_applied + top_up + tax - payout)


def sums_by_kind(tariff, amounts):
    """Return the lines summed by kind: fixed, energy, nbc, capacity, demand, production. [$]"""
    sums = dict.fromkeys(("fixed", "energy", "nbc", "capacity", "demand", "production"), ZERO)
    for charge in tariff.amounts:
        sums[charge.kind] += amounts[charge.line]
    return sums


def block_columns(tariff, period):
    """Return the limit of every block of every line and what lies in it, as ledger columns."""
    columns = {}
    for charge in tariff.charges:
        if charge.blocks:
            counted, unit = _counted(charge, period, tariff), "kw" if charge.on == "demand" else "kwh"
            if unit == "kwh":
                counted = counted * active_days(charge, period) / period.days
            for n, (limit, inside, _) in enumerate(blocks_of(charge, counted, period, tariff), 1):
                columns |= {f"limit {charge.line} {n}": limit, f"{unit} {charge.line} {n}": inside}
    return columns
