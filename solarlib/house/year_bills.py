"""What a house counts in its typical year, bill by bill, and the sums of the bills of one year after another.

All bills come from the hourly means of the typical year: within an hour, generation and load are netted, so the
registers of a real meter count a little more each way. Rules finer than an hour are billed from made minutes; `basis`
says so. The typical year keeps its own calendar of weekdays, whatever the dates of the bills. Money is in the currency
of the tariff.
"""

from dataclasses import dataclass, replace
from datetime import date
from decimal import Decimal
from functools import lru_cache
from math import ceil, lcm

import numpy as np
import pandas as pd

from solarlib.bill import accounts, periods
from solarlib.bill.sums import STEPS_PER_KWH
from solarlib.bill.tariff import Credit, Tariff
from solarlib.house.file import House, Outlook
from solarlib.house.year import simulate
from solarlib.quantities import TYPICAL_YEAR, energy_kwh

ROLLED_YEARS = 10  # mean of as many where a bank may roll over its reset until it is large enough to be paid
CLOUDS = 2026  # seed of the minutes that rules finer than an hour are billed from


@dataclass(frozen=True, eq=False)
class _Source:
    """What energies are made from, and ratings: all that stays of a house when its rules and its money change."""

    house: House


_sources = lru_cache(maxsize=16)(_Source)


def source_of(house):
    """Return the one source of a house, which keys what is computed from it."""
    return _sources(replace(house, meter=None, tariff=None, later=(), costs=None, outlook=Outlook()))


def ratings(house, size=1.0):
    """Return the ratings of the array, or of one of another size, as `accounts.ledger` takes them. [kW]"""
    system = house.system
    rated_w = {"rated_dc_kw": system.rated_power_w, "rated_ac_kw": system.ac_limit_w}
    return {name: round(size * watts / 1000.0, 6) for name, watts in rated_w.items()}


# ---------------------------------------------------------------- what is counted


def hourly(house):
    """Return (generation, house use) of each hour of the typical year, two Series. [kWh]"""
    return _energies(source_of(house), 60)


def year_energies(house: House) -> pd.Series:
    """Return generation, house use and self-used energy of the typical year, hour by hour netted. [kWh]"""
    made, used = hourly(house)
    return pd.Series({"generation": made.sum(), "use": used.sum(), "self_used": np.minimum(made, used).sum()})


def basis(house, tariff=None):
    """Return a sentence on what the bills are made from, nothing where that is hourly means as everywhere.

    Parameters
    ----------
    tariff : Tariff, optional
        Default: those of the house.
    """
    step = min(_step(each) for each in ((tariff,) if tariff else house.tariffs))
    words = {30: "half hours", 15: "quarter hours"}.get(step)
    made = "minutes of sun and household that are made out of the hours of the typical year"
    return f"This rule is finer than an hour: its bills come from {words}, summed from {made}." if words else ""


def months(house, size=1.0, tariff=None):
    """Return the typical year, January first, as billing periods; see `periods.monthly_periods`.

    Parameters
    ----------
    size : float
        Size of the array over that in the house file.
    tariff : Tariff, optional
        Adds the columns that its rules need; its bills may be of several months. Default: twelve months.
    """
    source, count = source_of(house), 1 if tariff is None else tariff.months_per_bill
    sums = _sums(source, tariff and shape_of(tariff), float(size))
    index = hourly(house)[0].index
    edges = index[_first_of_months(source, 60)].append(index[-1:] + pd.Timedelta(hours=1))[::count]
    rows = [_together([(sums, at) for at in range(month, month + count)]) for month in range(0, 12, count)]
    return pd.concat([pd.DataFrame({"period_start": edges[:-1], "period_end": edges[1:]}), pd.DataFrame(rows)], axis=1)


def two_years(first, second=None):
    """Return the bills of a year, and those of the next (default: the same again), as billing periods in a row."""
    both = pd.concat([first, first if second is None else second], ignore_index=True)
    begin, count = first["period_start"].iloc[0], 12 // len(first)
    edges = [begin + pd.DateOffset(months=count * number) for number in range(len(both) + 1)]
    return both.assign(period_start=edges[:-1], period_end=edges[1:])


@lru_cache(maxsize=8)
def _energies(source, minutes):
    """Return (generation, use) of each interval of the typical year, two Series. [kWh]"""
    if minutes == 60:
        year = simulate(source.house)
        return energy_kwh(year["generation_w"].clip(lower=0)), energy_kwh(year["load_w"])
    year = simulate(source.house, "1min", np.random.default_rng(CLOUDS))
    index = year.index[::minutes]
    power = year["generation_w"].clip(lower=0), year["load_w"]
    return tuple(pd.Series(column.to_numpy().reshape(-1, minutes).sum(axis=1) / 60_000, index) for column in power)


@lru_cache(maxsize=256)
def _step(tariff):
    """Return the interval that a rule is billed from: 60 minutes, or fewer where it asks for that."""
    return min(60, periods.longest_step(tariff) // pd.Timedelta(minutes=1))


@lru_cache(maxsize=16)
def _first_of_months(source, minutes):
    """Return where each month of the typical year begins among its intervals."""
    return np.flatnonzero(np.diff(_energies(source, minutes)[0].index.month, prepend=0))


@lru_cache(maxsize=256)
def shape_of(tariff):
    """Return the rules of a tariff that decide what is counted, or None where the registers of a period tell all.

    Its `months_per_bill` is that of the tariff where a bill cannot be put together from what its months count.
    """
    credit = tariff.credit
    export = credit.export_price if credit.export_price and credit.export_price.by_interval else None
    lines = [charge for charge in tariff.charges if charge.on == "demand" or charge.netting or charge.prices]
    apart = credit.netting not in ("period", "none") or credit.export_limit_kw is not None
    if not (tariff.buckets or export or lines or apart):
        return None
    lines = tuple(replace(charge, price=None, blocks=()) for charge in lines)
    counted = Credit("none", credit.netting, export, export_limit_kw=credit.export_limit_kw)
    together = tariff.months_per_bill if any(charge.highest > 1 for charge in lines) else 1
    return Tariff("", lines, counted, tariff.buckets, tariff.holidays, months_per_bill=together)


@lru_cache(maxsize=4096)
def _sums(source, shape, scale, load=1.0, export=True, phase=0):
    """Return what the bills that begin with the months of the typical year count, {column of `monthly_periods`: list}.

    `scale` is the generation over that of the array, `load` the use over that of the house; without `export` nothing
    leaves the house. They are bills of one month each; where the shape wants several, those that begin with the month
    `phase` (from 0), and None stands for the months between. The typical year repeats itself after December.
    """
    made, used = _energies(source, _step(shape) if shape else 60)
    index, made, used = made.index, scale * made.to_numpy(), load * used.to_numpy()
    made = made if export else np.minimum(made, used)
    flows = {"delivered_kwh": np.maximum(used - made, 0.0), "received_kwh": np.maximum(made - used, 0.0)}
    flows["generation_kwh"] = made
    if shape is None:
        cut = _first_of_months(source, 60)
        steps = {name: np.rint(values * STEPS_PER_KWH) for name, values in flows.items()}
        return {name: (np.add.reduceat(values, cut) / STEPS_PER_KWH).tolist() for name, values in steps.items()}
    years, count = 2 if phase else 1, shape.months_per_bill
    reads = pd.date_range(f"{TYPICAL_YEAR}-01-01", periods=25, freq="MS")[phase::count][: 12 // count + 1]
    index = pd.date_range(index[0], periods=years * len(index), freq=index[1] - index[0])
    energies = (pd.Series(np.tile(values, years), index) for values in flows.values())
    table = periods.monthly_periods(*energies, reads=list(reads), tariff=shape)
    begun = {name: dict(zip(range(phase, 12, count), table[name].tolist())) for name in table.columns[2:]}
    return {name: [values.get(month) for month in range(12)] for name, values in begun.items()}


def _together(parts):
    """Return one row of several months (their year's sums, month from 0): of mean powers the highest counts."""
    (sums, month), *later = parts
    if not later or later[0][0]["delivered_kwh"][later[0][1]] is None:  # the bill as it is
        return {name: values[month] for name, values in sums.items()} | {"months": len(parts)}
    most = {name: max if name.startswith("demand_") else sum for name in sums}
    return {name: of(sums[name][month] for sums, month in parts) for name, of in most.items()} | {"months": len(parts)}


# ---------------------------------------------------------------- what is billed


def cycle(tariff):
    """Return after how many years bills repeat themselves, credits and demands carried on; see `ROLLED_YEARS`."""
    credit, each = tariff.credit, tariff.months_per_bill
    if credit.at_reset == "pay if over" and credit.below_threshold == "roll":
        return ROLLED_YEARS
    years = lcm(each * (credit.reset_bills or 1), 12 * credit.reset_every_years) // 12
    back = [charge.over_bills for charge in tariff.charges] + ([] if credit.resets else [credit.life_bills or 1])
    return years * ceil(each * max([1, *back]) / (12 * years))


@lru_cache(maxsize=4096)
def settled_bill(source, tariff, scale, size, load=1.0, export=True):
    """Return the bill of a year that repeats itself, of a cycle of several years their mean. [money]

    Parameters
    ----------
    source : as `source_of` returns it
    tariff : Tariff
    scale, load : float
        Generation over that of the array, use over that of the house.
    size : float
        Ratings over those of the array; 0 for a house without one.
    export : bool
        If false, every exported kWh is left out.
    """
    years, ever = cycle(tariff), replace(tariff, valid_from=None, valid_to=None)
    energies = [(scale, load, export)] * years
    return float(np.mean(_run(source, (ever,), years, energies, date(TYPICAL_YEAR, 1, 1), size)))


@lru_cache(maxsize=512)
def bills_of_life(source, life, scales, first, size):
    """Return the bills of each year of a life, an array. [money]

    Parameters
    ----------
    source : as `source_of` returns it
    life : rules.Life
    scales : tuple of float
        Generation of each year over that of the array.
    first : date
        First day of the life.
    size : float
        Ratings over those of the array; 0 for a house without one.
    """
    return _run(source, life.dated, cycle(life.dated[0]), [(scale, 1.0, True) for scale in scales], first, size)


def _run(source, sets, before, energies, first, size):
    """Return the bills of years from `first` on, after `before` years like the first one. [money]

    `energies` are scale, load and export of each year as in `_sums`, `sets` dated rules, `size` that of the array.
    """
    if not size:  # nothing to settle: each bill is paid
        sets = [replace(each, settlement="bill") for each in sets]
    years, month, rows, spans = len(energies), -12 * before, [], []
    shapes, ends, number = [shape_of(each) for each in sets], [each.valid_to or date.max for each in sets], 0
    sums = lru_cache(maxsize=None)(lambda number, year, phase: _sums(source, shapes[number], *energies[year], phase))
    while month < 12 * years:
        start = _months_on(first, month)
        while start >= ends[number]:
            number += 1
        count, shape = sets[number].months_per_bill, shapes[number]
        phase = (start.month - 1) % shape.months_per_bill if shape else 0
        ruling = [min(max(0, at // 12), years - 1) for at in range(month, month + count)]
        parts = [(sums(number, year, phase), (start.month - 1 + at) % 12) for at, year in enumerate(ruling)]
        rows.append({"period_start": start, "period_end": _months_on(first, month + count)} | _together(parts))
        spans.append((month, count))
        month += count
    book = accounts.bills(pd.DataFrame(rows), sets, **ratings(source.house, size))
    yearly = [Decimal(0)] * years
    for (month, count), row in zip(spans, book):
        for at in range(max(month, 0), min(month + count, 12 * years)):
            yearly[at // 12] += row["bill"] / count
    return np.array(yearly, float)


def _months_on(first, months):
    year, month = divmod(12 * first.year + first.month - 1 + months, 12)
    return date(year, month + 1, 1)
