"""Tables of what an array saves in one year and in each year of a life, that can be asked many thousand times."""

import math
from dataclasses import dataclass

import numpy as np

from solarlib.quantities import refusal, refuse_if

NARROWEST = 1e-4  # of the generation factor: how far a table of bills is refined


@dataclass(frozen=True, eq=False)
class BillTable:
    """A yearly bill as a function of the generation factor: a table with straight lines between its points.

    Or of a yearly saving, as well. Each point is one year of the bill engine in its settled state: bill the same year
    twice and take the second. Let the year begin after the reset of the credit bank; then no credit crosses from year
    to year and the table equals the engine run through all years. With a bank that crosses, single years are off by
    the credit carried between years of different weather, the sum of a lifetime hardly. A factor outside the table is
    refused.
    """

    factors: np.ndarray
    bills: np.ndarray

    def __call__(self, factor):
        factor = np.asarray(factor, dtype=float)
        low, high = self.factors[0], self.factors[-1]
        if not (factor.min() >= low and factor.max() <= high):
            raise refusal("outside_table", "generation factor", found=(factor.min(), factor.max()), low=low, high=high)
        return np.interp(factor, self.factors, self.bills)


@dataclass(frozen=True, eq=False)
class LifeTable:
    """What an array saves in each year of a life, for generation and prices that may differ in every year.

    Parameters
    ----------
    parts : tuple of (BillTable, array of shape (n,), bool)
        What one set of rules saves in a settled year by prices that go on alike; the level of these prices in each
        year, times the share of the year in which the rules hold; whether they follow the level of all prices.
    path : array, shape (n,)
        Expected level of all prices over that of year 1.
    rest : array, shape (n,)
        What the bills of the expected life, one after another, save beside the sum of the parts. [money]
    """

    parts: tuple
    path: np.ndarray
    rest: np.ndarray

    def saving(self, factors, level):
        """Return nominal yearly savings.

        Parameters
        ----------
        factors, level : array, shape (..., n)
            Generation over that of the new array; level of all prices over that of year 1, e.g. drawn ones.
        """
        moved = np.asarray(level, dtype=float) / self.path
        saved = moved * self.rest
        for table, levels, follows in self.parts:
            saved = saved + table(factors) * levels * (moved if follows else 1.0)
        return saved


def tabulate(bill, low=0.0, high=1.5, tolerance=1.0):
    """Return a `BillTable` of a slow bill function, refined only where straight lines do not fit.

    Parameters
    ----------
    bill : callable
        Yearly bill for ONE generation factor. [money]
    low, high : float
        Range of the table; it must hold the best year of the new system and the worst year of the oldest.
    tolerance : float
        A gap is halved until the bill in its middle is this close to the mean of the bills at its ends. With one
        bend in a gap (a block limit, a minimum bill) the table is then nowhere more than twice this wrong. A jump
        (a payout from some kWh on) becomes a steep line, narrower than `NARROWEST`. [money]

    Raises
    ------
    InputError
        If a bill is not finite.
    """
    start = np.linspace(low, high, 9).tolist()
    known = {factor: float(bill(factor)) for factor in start}
    gaps = list(zip(start, start[1:]))
    while gaps:
        left, right = gaps.pop()
        middle = (left + right) / 2
        known[middle] = float(bill(middle))
        miss = abs(known[middle] - (known[left] + known[right]) / 2)
        refuse_if(not math.isfinite(miss), "bill_not_finite", "bill table")
        if miss > tolerance and right - left >= NARROWEST:
            gaps += [(left, middle), (middle, right)]
    factors = sorted(known)
    return BillTable(np.array(factors), np.array([known[factor] for factor in factors]))
