"""What a house pays, in a settled year and in each year of a life, with its array and without; the flow from that.

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

from solarlib.bill import accounts
from solarlib.bill.periods import longest_step, monthly_periods
from solarlib.bill.sums import STEPS_PER_KWH
from solarlib.bill.tariff import Credit, Tariff
from solarlib.house import rules
from solarlib.house.file import House, Outlook, PricePath
from solarlib.house.year import simulate
from solarlib.quantities import TYPICAL_YEAR, InputError, energy_kwh, require
from solarlib.worth.bill_table import BillTable, LifeTable, split_saving, tabulate, yield_path
from solarlib.worth.lifetime import Costs, Loan, cash_flow
from solarlib.worth.money import growth_path, net_present_value

MOST_FACTOR = 3.0  # of the generation, in a table of bills
LESS = 0.1  # of the use: what the price of an avoided kWh is told from
ROLLED_YEARS = 10  # mean of as many where a bank may roll over its reset until it is large enough to be paid
CLOUDS = 2026  # seed of the minutes that rules finer than an hour are billed from
DEARER = 1.25  # of the prices of one kind, to tell its part of a bill


@dataclass(frozen=True)
class Course:
    """One course that the life of an array may take.

    Parameters
    ----------
    tariff : Tariff, or dated Tariffs in order, optional
        One is held for the whole life. Of several each holds from its ``valid_from``; see `rules.life`.
    price_growth : float, optional
        Yearly nominal growth of all prices that have no growth of their own in the outlook of the house.
    years : int, optional
    degradation : float, optional
        Per year. The defaults of all these stand in the house file.
    yield_factor, price_factor : float
        Generation over that of the typical year; prices over those of the tariff.
    loan : Loan, optional
    """

    tariff: Tariff | tuple[Tariff, ...] | None = None
    price_growth: float | None = None
    years: int | None = None
    degradation: float | None = None
    yield_factor: float = 1.0
    price_factor: float = 1.0
    loan: Loan | None = None

    def of(self, house: House) -> "Course":
        """Return the course with the values of the house file where it has none."""
        view, wear = house.outlook, house.system.degradation_per_year
        file: dict = {"price_growth": view.price_growth, "years": view.years, "degradation": wear}
        file["tariff"] = house.tariffs
        course = replace(self, **{name: value for name, value in file.items() if getattr(self, name) is None})
        return replace(course, tariff=(course.tariff,)) if isinstance(course.tariff, Tariff) else course


AS_IN_THE_FILE = Course()


def bill_with_array(house, factor=1.0, tariff=None, size=1.0, export=True):
    """Return the bill of a settled year with the array.

    Parameters
    ----------
    house : House
    factor : float, 0 to 3
        Generation over that of the typical year of the array: weather and wear. The ratings stay.
    tariff : Tariff, optional
        Default: the house's own.
    size : float, above 0
        Size of the array over that in the house file: scales generation and ratings.
    export : bool
        If false, every exported kWh is left out of the bill.

    Returns
    -------
    float
        Negative for a payout. [money/year]
    """
    require(factor, "factor", 0, MOST_FACTOR)
    require(size, "size", 1e-6, 1000)
    return _settled(_source(house), tariff or house.tariff, factor * size, size, 1.0, export)


def months(house, size=1.0, tariff=None):
    """Return the typical year, January first, as billing periods; see `periods.monthly_periods`.

    Parameters
    ----------
    size : float
        Size of the array over that in the house file.
    tariff : Tariff, optional
        Adds the columns that its rules need; its bills may be of several months. Default: twelve months.
    """
    source, count = _source(house), 1 if tariff is None else tariff.months_per_bill
    sums = _sums(source, tariff and shape_of(tariff), float(size))
    index = hourly(house)[0].index
    edges = index[_first_of_months(source, 60)].append(index[-1:] + pd.Timedelta(hours=1))[::count]
    rows = [_together([(sums, at) for at in range(month, month + count)]) for month in range(0, 12, count)]
    return pd.concat([pd.DataFrame({"period_start": edges[:-1], "period_end": edges[1:]}), pd.DataFrame(rows)], axis=1)


def days(house, size, tariff):
    """Return the days of the typical year, as `months` returns its months."""
    shape = shape_of(tariff)
    made, used = _energies(_source(house), _step(shape) if shape else 60)
    made, reads = size * made, pd.date_range(made.index[0], periods=366, freq="D")
    delivered, received = (used - made).clip(lower=0.0), (made - used).clip(lower=0.0)
    return monthly_periods(delivered, received, made, list(reads), shape)


def two_years(first, second=None):
    """Return the bills of a year, and those of the next (default: the same again), as billing periods in a row."""
    both = pd.concat([first, first if second is None else second], ignore_index=True)
    begin, count = first["period_start"].iloc[0], 12 // len(first)
    edges = [begin + pd.DateOffset(months=count * number) for number in range(len(both) + 1)]
    return both.assign(period_start=edges[:-1], period_end=edges[1:])


def ratings(house, size=1.0):
    """Return the ratings of the array, or of one of another size, as `accounts.ledger` takes them. [kW]"""
    system = house.system
    converters = system.module_count if system.converter.kind == "per module" else 1
    return {
        "rated_dc_kw": round(size * system.rated_power_w / 1000.0, 6),
        "rated_ac_kw": round(size * converters * system.converter.ac_limit_w / 1000.0, 6),
    }


@lru_cache(maxsize=4)
def hourly(house):
    """Return (generation, house use) of each hour of the typical year, two Series. [kWh]"""
    return _energies(_source(house), 60)


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


def bill_without_array(house, tariff=None, load=1.0):
    """Return the bill of a settled year without any array, for ``load`` times the use of the house. [money/year]"""
    return _settled(_source(house), tariff or house.tariff, 0.0, 0.0, load)


def saving(house: House, tariff: Tariff | None = None, size: float = 1.0) -> pd.Series:
    """Return what the array saves in the first year, self-used and exported energy apart: see `split_saving`."""
    with_array = (bill_with_array(house, 1.0, tariff, size, export) for export in (False, True))
    return split_saving(bill_without_array(house, tariff), *with_array)


def avoided_price(house: House) -> float:
    """Return what one kWh less of use saves without an array: the bill's slope, not its mean price. [money/kWh]"""
    less = LESS * float(hourly(house)[1].sum())
    return (bill_without_array(house) - bill_without_array(house, None, 1.0 - LESS)) / less


def year_energies(house: House) -> pd.Series:
    """Return generation, house use and self-used energy of the typical year, hour by hour netted. [kWh]"""
    return pd.Series(_year_energies(_source(house)), dtype=float)


def at_price_level(tariff, factor):
    """Return a tariff with every price in it multiplied by ``factor``, percentages apart.

    Parameters
    ----------
    tariff : Tariff
    factor : float
    """
    factor = Decimal(str(require(factor, "price level", 0, 1e6)))
    return rules.scaled(tariff, lambda kind, price: round(price * factor, 5))


def owner_cash_flow(house: House, costs: Costs, course: Course = AS_IN_THE_FILE) -> pd.DataFrame:
    """Return the owner's yearly cash flow; see `lifetime.cash_flow`.

    Parameters
    ----------
    house : House
    costs : Costs
        Such as those of the house file, if it names them.
    course : Course, optional

    Returns
    -------
    DataFrame indexed by ``year`` 0 ... n
        The columns of `lifetime.cash_flow` and ``generation_kwh``, that of a wearing array in typical weather.
    """
    made, without, with_array = _lifetime(house, course)
    return cash_flow(without, with_array, costs, course.loan).assign(generation_kwh=np.concatenate([[0.0], made]))


def net_flow(house, costs, course=AS_IN_THE_FILE):
    """Return the column ``net`` of `owner_cash_flow` as an array of years 0 ... n, many times as fast. [money]"""
    _, without, with_array = _lifetime(house, course)
    flow = spent(costs, without.size, course.loan).copy()
    flow[1:] += without - with_array
    return flow


def good_to(house: House, tariff: Tariff | None = None) -> float:
    """Return what the model's saving of a year is good to, as a share of it: hours stand for minutes.

    Minutes with clouds give 0.6 to 1.2 % less generation than hourly means at the four shipped houses, and 6 to 15 %
    less self-used energy (built here). So it is 1 % of the saving, and a tenth of the self-used energy, which saves
    what a self-used kWh does and not what an exported one earns.
    """
    kwh, parts = year_energies(house), saving(house, tariff)
    out = kwh["generation"] - kwh["self_used"]
    moved = abs(parts["self_consumed"] - parts["exported"] * kwh["self_used"] / out) if out > 0 else 0.0
    return min(0.01 + 0.1 * moved / abs(parts["saving"]), 1.0) if parts["saving"] else 1.0


def break_even_share(house, export_price, costs):
    """Return the self-used share of the generation at which the net present value is zero.

    A self-used kWh saves `avoided_price`, an exported one earns `export_price`; both grow as the price of
    energy does. Above 1 the array never pays for itself at its discount rate, below 0 it does whatever is self-used.

    Parameters
    ----------
    house : House
    export_price : float
        Below `avoided_price`. [money/kWh]
    costs : Costs

    Returns
    -------
    float
    """
    price, view = avoided_price(house), house.outlook
    require(export_price, "export_price", 0)
    if not export_price < price:
        allowed = f"less than the price of a bought kWh, {price:g}"
        raise InputError(f"export_price: found {export_price:g}, allowed is {allowed}")
    made = _lifetime(house, AS_IN_THE_FILE)[0]
    level = [rules.level_of(view.growth.energy, view.price_growth, year) for year in range(1, view.years + 1)]
    energy = np.concatenate([[0.0], made * level])
    paid = -float(net_present_value(view.discount_rate, spent(costs, view.years)))
    needed = paid / float(net_present_value(view.discount_rate, energy))  # of each kWh, in money of the first year
    return (needed - export_price) / (price - export_price)


def life_bills(house, course=AS_IN_THE_FILE):
    """Return the nominal bills of years 1 ... n without the array and with it, two arrays. [money]

    The ledger runs through every bill of all years, with the rules and the prices of each: see `rules.life`. A year
    is twelve months from the month of the first day (see `file.Outlook`); a bill that reaches into the next year is
    shared by months. All bills of a year know the same array: it wears from year to year. Credits cross from year to
    year. The bank starts as the year before has left it, or as many as a reset, the life of a credit or a mean of
    demands reaches back: run under the first rules with the generation and the prices of year 1. The account does not
    close after the last year: what is left then is neither paid nor lost.

    Parameters
    ----------
    house : House
    course : Course, optional
    """
    course = course.of(house)
    life, source = _life(house, course), _source(house)
    made = course.yield_factor * yield_path(course.years, course.degradation)
    without = _yearly(source, life, (0.0,) * course.years, first_day(house), 0.0)
    with_array = _yearly(source, life, tuple(made.tolist()), first_day(house), 1.0)
    return course.price_factor * without, course.price_factor * with_array


def rules_from(house, tariff, year, course=AS_IN_THE_FILE):
    """Return the rules of a life that change: the house's own until a year begins, then others.

    Parameters
    ----------
    house : House
    tariff : Tariff
        The later rules, with prices in money of year 1: they are raised here to that year.
    year : int
        The first year of the later rules, 1 for all years.
    course : Course, optional
        Its growth of prices counts.

    Returns
    -------
    tuple of Tariff
        For `Course.tariff`. Credits that the later rules cannot take over are lost, unless the file says what
        happens with them.
    """
    if year <= 1:
        return (replace(tariff, valid_from=None, valid_to=None),)
    begin, growth = first_day(house), course.of(house).price_growth
    begin = begin.replace(year=begin.year + year - 1)
    paths = house.outlook.growth
    levels = {kind: rules.level_of(getattr(paths, kind), growth, year) for kind in rules.PRICE_KINDS}
    later = replace(rules.at_levels(tariff, levels), valid_from=begin, valid_to=None)
    *before, last = [own for own in house.tariffs if own.valid_from is None or own.valid_from < begin]
    unlike = (last.credit.unit, set(last.bucket_names)) != (later.credit.unit, set(later.bucket_names))
    credit = replace(last.credit, at_end="forfeit") if last.credit.at_end == "keep" and unlike else last.credit
    return (*before, replace(last, credit=credit, valid_to=begin), later)


@lru_cache(maxsize=32)
def life_table(house, tariff=None, factors=None):
    """Return what the array saves in each year of a life for any generation and price level, as a `LifeTable`.

    The part of a bill that comes from one kind of price is what a change of that price by a quarter changes. So the
    table is exact where bills are straight lines in prices (no minimum or used-up credit in money decides), and else
    good to 0.2 % of the bill without array; at the wear and the growth of the house file it equals `life_bills`.

    Parameters
    ----------
    house : House
    tariff : Tariff, or dated Tariffs in order, optional
        As in `Course`.
    factors : tuple of float, optional
        Make a coarse table of these generation factors, fast: what credits carry from year to year does not count.
    """
    course, paths = Course(tariff).of(house), house.outlook.growth
    own = [kind for kind in rules.PRICE_KINDS if getattr(paths, kind) != PricePath()]
    life, source, parts = _life(house, course), _source(house), []
    for base in dict.fromkeys(piece.tariff for piece in life.pieces):
        level = {kind: np.zeros(course.years) for kind in rules.PRICE_KINDS}
        for piece in life.pieces:
            if piece.tariff == base:
                for kind, value in zip(rules.PRICE_KINDS, piece.levels):
                    level[kind][piece.year - 1] += value * piece.share
        saved = _saved(source, base, np.array(factors) if factors else _table(source, base).factors)
        follows, moving = [kind for kind in rules.PRICE_KINDS if kind not in own], saved.bills
        for kind in own if follows else own[1:]:
            levels = {other: Decimal(DEARER if other == kind else 1) for other in rules.PRICE_KINDS}
            dearer = _saved(source, rules.at_levels(base, levels), saved.factors)
            part = (dearer.bills - saved.bills) / (DEARER - 1.0)
            parts.append((BillTable(saved.factors, part), level[kind], False))
            moving = moving - part
        parts.append((BillTable(saved.factors, moving), level[follows[0] if follows else own[0]], bool(follows)))
    path = growth_path(course.years, course.price_growth)
    table = LifeTable(tuple(parts), path, np.zeros(course.years))
    if factors:
        return table
    without, with_array = life_bills(house, course)
    made = yield_path(course.years, course.degradation)
    return replace(table, rest=without - with_array - table.saving(made, path))


def first_day(house):
    """Return the day on which year 1 of a life begins: the first of a month; see `file.Outlook`."""
    given = house.outlook.first_day or house.tariff.valid_from
    return given.replace(day=1) if given else date(TYPICAL_YEAR, 1, 1)


def _life(house, course):
    return rules.life(course.tariff, house.outlook.growth, course.price_growth, first_day(house), course.years)


def _lifetime(house, course):
    """Return the generation of years 1 ... n [kWh] and their nominal bills without the array and with it [money]."""
    course = course.of(house)
    made = course.yield_factor * yield_path(course.years, course.degradation)
    return _year_energies(_source(house))["generation"] * made, *life_bills(house, course)


@lru_cache(maxsize=256)
def spent(costs, years, loan=None):
    """Return all flows of years 0 ... n but the saving, an array that is shared: do not change it. [money]"""
    return cash_flow(np.zeros(years), np.zeros(years), costs, loan)["net"].to_numpy()


# ---------------------------------------------------------------- from energies to the bills of years


@dataclass(frozen=True, eq=False)
class _Source:
    """What energies are made from, and ratings: all that stays of a house when its rules and its money change."""

    house: House


def _source(house):
    """Return the one source of a house, which keys what is computed from it."""
    return _sources(replace(house, meter=None, tariff=None, later=(), costs=None, outlook=Outlook()))


_sources = lru_cache(maxsize=16)(_Source)


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


@lru_cache(maxsize=16)
def _year_energies(source):
    made, used = _energies(source, 60)
    return {"generation": made.sum(), "use": used.sum(), "self_used": np.minimum(made, used).sum()}


@lru_cache(maxsize=256)
def _step(tariff):
    """Return the interval that a rule is billed from: 60 minutes, or fewer where it asks for that."""
    return min(60, longest_step(tariff) // pd.Timedelta(minutes=1))


@lru_cache(maxsize=256)
def shape_of(tariff):
    """Return the rules of a tariff that decide what is counted, or None where the registers of a period tell all."""
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
def _sums(source, shape, scale, load=1.0, export=True):
    """Return what the twelve months of the typical year count, {column of `monthly_periods`: list}.

    `scale` is the generation over that of the array, `load` the use over that of the house; without `export` nothing
    leaves the house.
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
    table = monthly_periods(*(pd.Series(values, index) for values in flows.values()), tariff=shape)
    apart = [None] * (shape.months_per_bill - 1)  # highest demands of several months do not follow from each month's
    columns = {name: table[name].tolist() for name in table.columns[2:] if name != "months"}
    return {name: [each for value in values for each in (value, *apart)] for name, values in columns.items()}


@lru_cache(maxsize=16)
def _first_of_months(source, minutes):
    """Return where each month of the typical year begins among its intervals."""
    return np.flatnonzero(np.diff(_energies(source, minutes)[0].index.month, prepend=0))


def _together(parts):
    """Return one row of several months (their year's sums, month from 0): of mean powers the highest counts."""
    if len(parts) == 1:
        sums, month = parts[0]
        return {name: values[month] for name, values in sums.items()} | {"months": 1}
    (sums, month), *later = parts
    if sums["delivered_kwh"][month] is None:
        found = f"bills of {len(parts)} months, with a mean of highest demands, from month {month + 1} on"
        raise InputError(f"first_day: found {found}, allowed are such bills counted from January on")
    if later[0][0]["delivered_kwh"][later[0][1]] is None:
        return {name: values[month] for name, values in sums.items()} | {"months": len(parts)}
    most = {name: max if name.startswith(("demand_", "load_demand_")) else sum for name in parts[0][0]}
    return {name: of(sums[name][month] for sums, month in parts) for name, of in most.items()} | {"months": len(parts)}


def cycle(tariff):
    """Return after how many years bills repeat themselves, credits and demands carried on; see `ROLLED_YEARS`."""
    credit, each = tariff.credit, tariff.months_per_bill
    if credit.at_reset == "pay if over" and credit.below_threshold == "roll":
        return ROLLED_YEARS
    years = lcm(each * (credit.reset_bills or 1), 12 * credit.reset_every_years) // 12
    back = [charge.over_bills for charge in tariff.charges] + ([] if credit.resets else [credit.life_bills or 1])
    return years * ceil(each * max([1, *back]) / (12 * years))


@lru_cache(maxsize=4096)
def _settled(source, tariff, scale, size, load=1.0, export=True):
    """Return the bill of a year that repeats itself; of a cycle of several years their mean. [money]"""
    years, ever = cycle(tariff), replace(tariff, valid_from=None, valid_to=None)
    ever = ever if scale else replace(ever, settlement="bill")  # nothing to settle: each bill is paid
    months = [(scale, load, export)] * years
    return float(np.mean(_run(source, (ever,), years, months, date(TYPICAL_YEAR, 1, 1), size)))


@lru_cache(maxsize=512)
def _yearly(source, life, scales, first, size):
    """Return the bills of each year of a life: of `rules.life`, with the generation over that of the array."""
    energies = [(scale, 1.0, True) for scale in scales]
    sets = life.dated if size else tuple(replace(each, settlement="bill") for each in life.dated)
    return _run(source, sets, cycle(sets[0]), energies, first, size)


def _run(source, sets, before, energies, first, size):
    """Return the bills of years from `first` on, after `before` years like the first one. [money]

    `energies` are scale, load and export of each year as in `_sums`, `sets` dated rules, `size` that of the array.
    """
    years, month, rows, spans = len(energies), -12 * before, [], []
    sums = lru_cache(maxsize=None)(lambda number, year: _sums(source, shape_of(sets[number]), *energies[year]))
    ends, number = [each.valid_to or date.max for each in sets], 0
    while month < 12 * years:
        start = _months_on(first, month)
        while start >= ends[number]:
            number += 1
        count = sets[number].months_per_bill
        span = range(month, month + count)
        parts = [(sums(number, min(max(0, at // 12), years - 1)), (first.month - 1 + at) % 12) for at in span]
        edges = {"period_start": start, "period_end": _months_on(first, month + count)}
        rows.append(edges | _together(parts))
        spans.append((month, count))
        month += count
    book = accounts.bills(pd.DataFrame(rows), sets, **ratings(source.house, size), compare=False)
    yearly = [Decimal(0)] * years
    for (month, count), row in zip(spans, book):
        for at in range(max(month, 0), min(month + count, 12 * years)):
            yearly[at // 12] += row["bill"] / count
    return np.array(yearly, float)


def _months_on(first, months):
    year, month = divmod(12 * first.year + first.month - 1 + months, 12)
    return date(year, month + 1, 1)


@lru_cache(maxsize=64)
def _table(source, tariff):
    tolerance = max(1.0, 0.002 * abs(_settled(source, tariff, 0.0, 0.0)))
    return tabulate(lambda factor: _settled(source, tariff, factor, 1.0), 0.0, MOST_FACTOR, tolerance)


def _saved(source, tariff, factors):
    """Return the saving of a settled year as a table of the generation factor."""
    bills = np.array([_settled(source, tariff, factor, 1.0) for factor in factors.tolist()])
    return BillTable(factors, _settled(source, tariff, 0.0, 0.0) - bills)
