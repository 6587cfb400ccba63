"""The yearly cash flow of owning a PV system, from yearly bills with and without it.

What the system saves is the bill without PV less the bill with it; this module never multiplies energy by a price.
The bills come from outside, as arrays.
"""

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd

from solarlib.quantities import check_ranges, refusal, refuse_if, require, whole_number
from solarlib.schema import Table, declared, flag, none_or, percent, real, text, whole
from solarlib.worth import money

CASH_FLOWS = ("investment", "incentives", "saving", "upkeep", "insurance_and_tax", "events", "end_of_life",
         "loan", "interest", "principal")  # fmt: skip
LATER_INVESTMENT = ("events", "end_of_life")
OUTLAYS = ("installed", "fees", "roof_and_panelboard_work")


MONEY, SHARE = real(0, 10_000_000, "in the currency of the tariff"), percent(0, 100)  # as a person writes them


@dataclass(frozen=True)
class Event:
    """One later expense: a converter replaced, modules taken off and refitted for a new roof. In year-1 money."""

    name: str = declared(text())
    year: int = declared(whole(1, 60))
    cost: float = declared(MONEY)

    def __post_init__(self):
        whole_number(self.year, f"costs.events {self.name!r} year", 1, 100)
        require(self.cost, f"costs.events {self.name!r} cost", 0)


@dataclass(frozen=True)
class Costs:
    """What the system costs over its life, apart from the bills.

    Parameters
    ----------
    installed, fees, roof_and_panelboard_work : float
        Year 0: contract price; interconnection, permits, inspection; work caused by the PV system. [money]
    rebate : float
        Paid in year 0. [money]
    tax_credit_share, tax_credit_year, tax_owed : float, int, float
        Share of `tax_credit_base`, the year it is received, and the tax of EACH year, in that year's money, that it can
        at most cancel. All incentives default to zero: they change, so nobody has one before the current law was read.
    tax_credit_carry_years : int
        For so many more years what is above the tax owed may be used up; 0: it is lost.
    eligible_installed, eligible_fees, eligible_roof_and_panelboard_work : float
        Share of each cost of year 0 that the law counts.
    rebate_lowers_tax_credit : bool
        Whether the rebate is taken off what the share applies to.
    upkeep_per_year, insurance_and_tax_per_year : float
        In year-1 money. [money/year]
    events : tuple of Event
    residual, removal : float
        Sale value and dismantling in the last year, in year-1 money. [money]
    growth : float
        Yearly nominal growth of every later cost, usually inflation.
    """

    installed: float = declared(none_or(real(50, 10_000_000, "in the currency of the tariff")))
    fees: float = declared(MONEY, default=0.0)
    roof_and_panelboard_work: float = declared(MONEY, default=0.0)
    rebate: float = declared(MONEY, default=0.0)
    tax_credit_share: float = declared(SHARE, default=0.0, key="tax_credit_percent")
    tax_credit_year: int = declared(whole(0, 60), default=1)
    tax_owed: float = declared(MONEY, default=math.inf)
    tax_credit_carry_years: int = declared(whole(0, 60), default=0)
    eligible_installed: float = declared(SHARE, default=1.0, key="eligible_installed_percent")
    eligible_fees: float = declared(SHARE, default=1.0, key="eligible_fees_percent")
    eligible_roof_and_panelboard_work: float = declared(
        SHARE, default=1.0, key="eligible_roof_and_panelboard_work_percent"
    )
    rebate_lowers_tax_credit: bool = declared(flag(), default=True)
    upkeep_per_year: float = declared(MONEY, default=0.0)
    insurance_and_tax_per_year: float = declared(MONEY, default=0.0)
    events: tuple = declared(Table(Event, many=True), default=(), key="event")
    residual: float = declared(MONEY, default=0.0)
    removal: float = declared(MONEY, default=0.0)
    growth: float = 0.0

    def __post_init__(self):
        check_ranges(self, "costs")
        refuse_if(not self.tax_owed >= 0, "tax_owed", "costs.tax_owed", tax_owed=self.tax_owed)
        if self.tax_credit_carry_years and self.tax_owed == math.inf:
            raise refusal("nothing_to_carry", "costs.tax_credit_carry_years", years=self.tax_credit_carry_years)
        refuse_if(self.rebate > self.outlay, "large_rebate", "costs.rebate", rebate=self.rebate, outlay=self.outlay)

    @property
    def outlay(self):
        """Price, fees and caused work of year 0, before any incentive. [money]"""
        return self.installed + self.fees + self.roof_and_panelboard_work

    @property
    def tax_credit_base(self):
        """What the share of the tax credit applies to: eligible costs, less the rebate if it lowers them. [money]"""
        eligible = sum(getattr(self, f"eligible_{cost}") * getattr(self, cost) for cost in OUTLAYS)
        return max(eligible - self.rebate * self.rebate_lowers_tax_credit, 0.0)

    @property
    def tax_credit(self):
        """All that the tax of the years from `tax_credit_year` to the last year of carrying lets be used. [money]"""
        return min(self.tax_credit_share * self.tax_credit_base, self.tax_owed * (1 + self.tax_credit_carry_years))

    def tax_credits(self, years):
        """Return the credit used in each of years 0 ... n; what would be used later is left out. [money]"""
        used, left = np.zeros(years + 1), self.tax_credit
        for year in range(self.tax_credit_year, min(self.tax_credit_year + self.tax_credit_carry_years, years) + 1):
            used[year] = min(left, self.tax_owed)
            left -= used[year]
        return used

    def check_years(self, years):
        """Raise `InputError` if a cost or credit lies beyond the last year, ``years``."""
        dated = [("tax_credit_year", self.tax_credit_year)] if self.tax_credit_share else []
        for name, year in dated + [(f"events {event.name!r}", event.year) for event in self.events]:
            refuse_if(year > years, "beyond_life", f"costs.{name}", year=year, years=years)


@dataclass(frozen=True)
class Loan:
    """A loan with constant payments.

    Parameters
    ----------
    amount : float
        What the lender pays out in year 0. [money]
    rate : float
        Nominal yearly rate, divided by ``payments_per_year`` for each payment.
    years : int
    fee : float
        Added to what is owed but never paid out; often hidden in the price of the system. [money]
    """

    amount: float
    rate: float
    years: int
    fee: float = 0.0
    payments_per_year: int = 12

    def __post_init__(self):
        check_ranges(self, "loan")

    @property
    def payment(self):
        """The payment of each period. [money]"""
        periods = self.years * self.payments_per_year
        return float(money.loan_payment(self.amount + self.fee, self.rate / self.payments_per_year, periods))

    def schedule(self):
        """Return a DataFrame by year 1 ... years: interest, principal, balance (still owed at the end of the year)."""
        year = np.arange(self.years + 1)
        balance = money.loan_balance(self.amount + self.fee, self.rate / self.payments_per_year, self.payment,
                                     year * self.payments_per_year)  # fmt: skip
        balance[-1] = 0.0  # the constant payment is defined by this
        principal = -np.diff(balance)
        interest = self.payment * self.payments_per_year - principal
        return pd.DataFrame({"interest": interest, "principal": principal, "balance": balance[1:]},
                            index=pd.Index(year[1:], name="year"))  # fmt: skip


def cash_flow(bills_without_pv, bills_with_pv, costs, loan=None):
    """Return the yearly cash flow of the owner.

    Parameters
    ----------
    bills_without_pv, bills_with_pv : array, shape (n,)
        Bills of years 1 ... n in the money of each year; a negative bill is a payout. [money]
    costs : Costs
    loan : Loan, optional

    Returns
    -------
    DataFrame indexed by ``year`` 0 ... n
        bill_without_pv, bill_with_pv; the signed columns `CASH_FLOWS` (positive to the owner); ``net``, their sum;
        ``cumulative``. [money]

    Raises
    ------
    InputError
        If the bills differ in length, or an expense, credit or loan lies beyond the last year.
    """
    without, with_pv = (np.asarray(b, dtype=float) for b in (bills_without_pv, bills_with_pv))
    if without.ndim != 1 or without.shape != with_pv.shape or not np.all(np.isfinite(without + with_pv)):
        raise refusal("unlike_bills", "bills", without=without.shape, with_pv=with_pv.shape)
    years = without.size
    costs.check_years(years)
    refuse_if(loan is not None and loan.years > years, "long_loan", "loan.years", loan=loan, years=years)
    table = pd.DataFrame(0.0, index=pd.RangeIndex(years + 1, name="year"),
                         columns=["bill_without_pv", "bill_with_pv", *CASH_FLOWS])  # fmt: skip
    grown = money.growth_path(years, costs.growth)
    table.loc[1:, "bill_without_pv"] = without
    table.loc[1:, "bill_with_pv"] = with_pv
    table.loc[1:, "saving"] = without - with_pv
    table.loc[0, "investment"] -= costs.outlay
    table["incentives"] = costs.tax_credits(years)
    table.loc[0, "incentives"] += costs.rebate
    table.loc[1:, "upkeep"] -= costs.upkeep_per_year * grown
    table.loc[1:, "insurance_and_tax"] -= costs.insurance_and_tax_per_year * grown
    for event in costs.events:
        table.loc[event.year, "events"] -= event.cost * grown[event.year - 1]
    table.loc[years, "end_of_life"] = (costs.residual - costs.removal) * grown[-1]
    if loan is not None:
        schedule = loan.schedule()
        table.loc[0, "loan"] = loan.amount
        table.loc[schedule.index, ["interest", "principal"]] -= schedule[["interest", "principal"]]
    table["net"] = table[list(CASH_FLOWS)].sum(axis=1)
    table["cumulative"] = table["net"].cumsum()
    return table


def figures_of_merit(
    table: pd.DataFrame, rate: float, energy_kwh: np.ndarray | None = None, inflation: float = 0.0
) -> pd.Series:
    """Return every figure of merit of a `cash_flow`.

    Parameters
    ----------
    table : DataFrame
        As `cash_flow` returns it.
    rate : float
        NOMINAL discount rate.
    energy_kwh : array, shape (n,), optional
        Generation of years 1 ... n; without it both levelised costs are NaN. [kWh]
    inflation : float
        For the real levelised cost.

    Returns
    -------
    Series
        NaN where a figure does not exist. Simple payback, savings-to-investment and the levelised costs describe the
        project and leave the loan out; the others are the owner's and include it.

        simple_payback
            outlay after rebates and credits / what the first year leaves after upkeep
        cumulative_payback
            the first time that all money in has made up for all money out
        lasting_payback
            from then on the sum stays above zero, whatever repairs still come
        discounted_payback
            as the cumulative one, but each year's money counts as what it is worth today
        net_present_value
            all money of all years, each amount counted as what it is worth today
        internal_rate
            the discount rate at or above 0 at which the net present value is zero; none if there is not exactly one
        sign_changes
            how often the yearly money changes sign; above 1, look at the curve of net present value
        gross_saving
            bills without PV less bills with it, added up in the money of each year
        net_saving
            all money of all years, added up in the money of each year
        levelised_cost_nominal
            costs worth today / energy discounted alike, per kWh; for a price of coming years' money
        levelised_cost_real
            the same in today's money, per kWh; compare it with today's price
    """
    net = table["net"].to_numpy()
    owned = (table["investment"] + table["incentives"]).to_numpy()
    running, later = ((table[a] + table[b]).to_numpy() for a, b in (("upkeep", "insurance_and_tax"), LATER_INVESTMENT))
    nominal = real = np.nan
    if energy_kwh is not None:
        costs = -(owned + running + later)
        nominal, real = (money.levelised_cost(costs, energy_kwh, rate, among) for among in (0.0, inflation))
    merit = {
        "simple_payback": money.simple_payback(-owned.sum(), table.loc[1, "saving"], -running[1]),
        "cumulative_payback": money.payback(net),
        "lasting_payback": money.payback(net, lasting=True),
        "discounted_payback": money.payback(net, rate),
        "net_present_value": money.net_present_value(rate, net),
        "internal_rate": money.internal_rate(net),
        "sign_changes": money.sign_changes(net),
        "gross_saving": table["saving"].sum(),
        "net_saving": net.sum(),
        "levelised_cost_nominal": nominal,
        "levelised_cost_real": real,
    }
    return pd.Series(merit, dtype=float)
