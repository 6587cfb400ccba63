"""What a house pays in a year, with its array and without, under its own tariff or another; the cash flow from that.

All bills come from the hourly means of the typical year: within an hour, generation and load are netted, so the
registers of a real meter count a little more each way. The year is billed twice and the second one taken, so that a
credit bank is in its settled state. Money is in the currency of the tariff.
"""

from dataclasses import dataclass, replace
from decimal import Decimal
from functools import lru_cache

import numpy as np
import pandas as pd

from solarlib.bill.accounts import ledger
from solarlib.bill.periods import monthly_periods
from solarlib.bill.tariff import Tariff
from solarlib.house.file import House
from solarlib.house.year import simulate
from solarlib.meter.registers import split_energy
from solarlib.quantities import InputError, energy_kwh, require
from solarlib.worth.bill_table import split_saving, tabulate, yearly_bills, yield_path
from solarlib.worth.lifetime import Costs, Loan, cash_flow
from solarlib.worth.money import growth_path, net_present_value

MOST_FACTOR = 3.0  # of the generation, in a table of bills
LESS = 0.1  # of the use: what the price of an avoided kWh is told from


@dataclass(frozen=True)
class Course:
    """One course that the life of an array may take.

    Parameters
    ----------
    tariff : Tariff, optional
        Held for the whole life.
    price_growth : float, optional
        Yearly nominal growth of all prices of the tariff.
    years : int, optional
    degradation : float, optional
        Per year. The defaults of all these stand in the house file.
    yield_factor, price_factor : float
        Generation over that of the typical year; prices over those of the tariff.
    loan : Loan, optional
    """

    tariff: Tariff | None = None
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
        return replace(self, **{name: value for name, value in file.items() if getattr(self, name) is None})


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
    made, used = hourly(house)
    made = made * (factor * size)
    if not export:
        made = np.minimum(made, used)
    return _settled(house, tariff, made, used, size)


def months(house, size=1.0, tariff=None):
    """Return the twelve calendar months of the typical year as billing periods; see `periods.monthly_periods`.

    Parameters
    ----------
    size : float
        Size of the array over that in the house file.
    tariff : Tariff, optional
        Adds the columns that its rules need.
    """
    made, used = hourly(house)
    return _months(size * made, used, tariff)


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
    year = simulate(house)
    return energy_kwh(year["generation_w"].clip(lower=0)), energy_kwh(year["load_w"])


@lru_cache(maxsize=64)
def bill_without_array(house, tariff=None, load=1.0):
    """Return the bill of a year without any array, for ``load`` times the use of the house. [money/year]"""
    made, used = hourly(house)
    return _settled(house, tariff, 0.0 * made, load * used, 0.0)


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
    made, used = hourly(house)
    parts = {"generation": made.sum(), "use": used.sum(), "self_used": np.minimum(made, used).sum()}
    return pd.Series(parts, dtype=float)


def at_price_level(tariff, factor):
    """Return a tariff with every price in it multiplied by ``factor``, percentages apart.

    Parameters
    ----------
    tariff : Tariff
    factor : float
    """
    factor = Decimal(str(require(factor, "price level", 0, 1e6)))

    def scaled(price):
        return None if price is None else round(price * factor, 5)

    def at_level(charge):
        blocks = tuple(replace(block, price=scaled(block.price)) for block in charge.blocks)
        prices = charge.prices and charge.prices.scaled(scaled)
        level = replace(charge, price=scaled(charge.price), blocks=blocks, prices=prices)
        return charge if charge.on == "percent" else level

    names = ("payout_price", "payout_threshold", "conversion_price")
    names = [name for name in names if name != "payout_threshold" or tariff.credit.unit == "money"]
    prices = {name: scaled(getattr(tariff.credit, name)) for name in names}
    export = tariff.credit.export_price and tariff.credit.export_price.scaled(scaled)
    credit = replace(tariff.credit, export_price=export, **prices)
    charges = tuple(at_level(charge) for charge in tariff.charges)
    return replace(tariff, charges=charges, credit=credit, minimum_bill=scaled(tariff.minimum_bill))


@lru_cache(maxsize=64)
def bill_table(house, tariff=None):
    """Return `bill_with_array` as a `BillTable` of the generation factor, good to 0.2 % of the bill without array."""
    tolerance = max(1.0, 0.002 * abs(bill_without_array(house, tariff)))
    return tabulate(lambda factor: bill_with_array(house, factor, tariff), 0.0, MOST_FACTOR, tolerance)


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
    flow = _spent(costs, without.size, course.loan).copy()
    flow[1:] += without - with_array
    return flow


def break_even_share(house, export_price, costs):
    """Return the self-used share of the generation at which the net present value is zero.

    A self-used kWh saves `avoided_price`, an exported one earns `export_price`; both grow with the outlook of the
    house. Above 1 the array never pays for itself at its discount rate, below 0 it does whatever is self-used.

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
    energy = np.concatenate([[0.0], made * growth_path(view.years, view.price_growth)])
    spent = float(net_present_value(view.discount_rate, _spent(costs, view.years, None)))
    needed = -spent / float(net_present_value(view.discount_rate, energy))  # of each kWh, in money of the first year
    return (needed - export_price) / (price - export_price)


def _lifetime(house, course):
    """Return the generation of years 1 ... n [kWh] and their nominal bills without the array and with it [money]."""
    course = course.of(house)
    made = course.yield_factor * yield_path(course.years, course.degradation)
    without = bill_without_array(house, course.tariff) * growth_path(course.years, course.price_growth)
    with_array = yearly_bills(bill_table(house, course.tariff), made, course.price_growth)
    kwh = year_energies(house)["generation"] * made
    return kwh, course.price_factor * without, course.price_factor * with_array


@lru_cache(maxsize=256)
def _spent(costs, years, loan):
    """Return all flows but the saving: a cash flow is their sum. [money]"""
    return cash_flow(np.zeros(years), np.zeros(years), costs, loan)["net"].to_numpy()


def _months(made, used, tariff):
    flows = split_energy(used - made)
    return monthly_periods(flows["delivered_kwh"], flows["received_kwh"], made, tariff=tariff)


def _settled(house, tariff, made, used, size):
    tariff = replace(house.tariff if tariff is None else tariff, valid_from=None, valid_to=None)
    first = _months(made, used, tariff)
    book = ledger(two_years(first), tariff, compare=False, **ratings(house, size))
    return float(book["bill"].iloc[len(first) :].sum())
