"""What a house pays with its array and without, in a settled year and in a life, and the money that flows from it.

The bills themselves come from `year_bills`. Money is in the currency of the tariff.
"""

from dataclasses import dataclass, replace
from datetime import date
from decimal import Decimal
from functools import lru_cache

import numpy as np
import pandas as pd

from solarlib.bill.tariff import Tariff
from solarlib.house import rules
from solarlib.house.file import House
from solarlib.house.year_bills import bills_of_life, hourly, settled_bill, source_of, year_energies
from solarlib.quantities import TYPICAL_YEAR, require
from solarlib.worth.lifetime import Costs, Loan, cash_flow
from solarlib.worth.money import growth_path

MOST_FACTOR = 3.0  # of the generation of the typical year
LESS = 0.1  # of the use: what the price of an avoided kWh is told from


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
        file = {"tariff": house.tariffs, "price_growth": view.price_growth, "years": view.years, "degradation": wear}
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
    return settled_bill(source_of(house), tariff or house.tariff, factor * size, size, 1.0, export)


def bill_without_array(house, tariff=None, load=1.0):
    """Return the bill of a settled year without any array, for ``load`` times the use of the house. [money/year]"""
    return settled_bill(source_of(house), tariff or house.tariff, 0.0, 0.0, load)


def saving(house: House, tariff: Tariff | None = None, size: float = 1.0) -> pd.Series:
    """Return what the array saves in the first year: ``self_consumed`` energy, ``exported``, and both, ``saving``.

    The self-used part is what is saved when every exported kWh is left out of the bill: the two parts add up to the
    saving whatever the tariff does. [money/year]
    """
    none = bill_without_array(house, tariff)
    unpaid, paid = (bill_with_array(house, 1.0, tariff, size, export) for export in (False, True))
    return pd.Series({"self_consumed": none - unpaid, "exported": unpaid - paid, "saving": none - paid})


def avoided_price(house: House) -> float:
    """Return what one kWh less of use saves without an array: the bill's slope, not its mean price. [money/kWh]"""
    less = LESS * float(hourly(house)[1].sum())
    return (bill_without_array(house) - bill_without_array(house, None, 1.0 - LESS)) / less


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
    course = course.of(house)
    made = year_energies(house)["generation"] * _made(course)
    without, with_array = life_bills(house, course)
    table = cash_flow(without, with_array, costs, course.loan)
    return table.assign(generation_kwh=np.concatenate([[0.0], made]))


def net_flow(house, costs, course=AS_IN_THE_FILE):
    """Return the column ``net`` of `owner_cash_flow` as an array of years 0 ... n, many times as fast. [money]"""
    without, with_array = life_bills(house, course)
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
    life, source = _life(house, course), source_of(house)
    without = bills_of_life(source, life, (0.0,) * course.years, first_day(house), 0.0)
    with_array = bills_of_life(source, life, tuple(_made(course).tolist()), first_day(house), 1.0)
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
    levels = rules.levels_of(house.outlook.growth, growth, year)
    later = replace(rules.at_levels(tariff, levels), valid_from=begin, valid_to=None)
    *before, last = [own for own in house.tariffs if own.valid_from is None or own.valid_from < begin]
    unlike = (last.credit.unit, set(last.bucket_names)) != (later.credit.unit, set(later.bucket_names))
    credit = replace(last.credit, at_end="forfeit") if last.credit.at_end == "keep" and unlike else last.credit
    return (*before, replace(last, credit=credit, valid_to=begin), later)


def first_day(house):
    """Return the day on which year 1 of a life begins: the first of a month; see `file.Outlook`."""
    given = house.outlook.first_day or house.tariff.valid_from
    return given.replace(day=1) if given else date(TYPICAL_YEAR, 1, 1)


def _made(course):
    """Return the generation of years 1 ... n over that of the new array in a typical year."""
    return course.yield_factor * growth_path(course.years, -course.degradation)


def _life(house, course):
    return rules.life(course.tariff, house.outlook.growth, course.price_growth, first_day(house), course.years)


@lru_cache(maxsize=256)
def spent(costs, years, loan=None):
    """Return all flows of years 0 ... n but the saving, an array that is shared: do not change it. [money]"""
    return cash_flow(np.zeros(years), np.zeros(years), costs, loan)["net"].to_numpy()
