"""Are the modules wearing out? Each day beside the same day a year before, and an interval rather than a number.

A loss of half a percent a year is ten times smaller than the difference of one day from the next. Before three full
years nothing is told; before five, an interval alone.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd

YEARS_FOR_INTERVAL = 3
YEARS_FOR_RATE = 5
BLOCKS = 26  # a year in fortnights: days of one fortnight resemble each other too much to count as many


@dataclass(frozen=True)
class Ageing:
    """Change a year as a share (negative: a loss); None where the years do not carry it. `low` to `high`: 90 %."""

    years: float
    pairs: int
    text: str
    low: float | None = None
    high: float | None = None
    rate: float | None = None


def year_pairs(yields):
    """Return the logarithm of each day's value over that of the same calendar day one year before.

    Parameters
    ----------
    yields : Series, one row a day
        Corrected yield, performance ratio or ratio to a model; NaN where a day is set aside. 29 February has no pair
        in a common year.

    Returns
    -------
    Series
        On the later day of each pair.
    """
    dates = yields.index.tz_localize(None).normalize()
    values = pd.Series(np.log(yields.where(yields > 0).to_numpy(dtype=float)), dates)
    values = values[~((dates.month == 2) & (dates.day == 29))]
    before = values.reindex(values.index - pd.DateOffset(years=1))
    return pd.Series(values.to_numpy() - before.to_numpy(), values.index).dropna()


def year_on_year(yields: pd.Series, rng: np.random.Generator, draws: int = 1000) -> Ageing:
    """Return how fast a daily yield changes from year to year, as far as its years allow.

    Parameters
    ----------
    yields : Series, one row a day
        As for `year_pairs`.
    rng : numpy.random.Generator
    draws : int

    Returns
    -------
    Ageing
        Median of all pairs; interval from fortnights of the calendar drawn with replacement, each with its pairs of
        all years. It knows the scatter of days and fortnights. It does not know what makes one whole year differ from
        the next: dirt, a new meter, other neighbours.
    """
    present = yields.dropna()
    years = (present.index[-1] - present.index[0]) / pd.Timedelta(days=365.25) if len(present) else 0.0
    pairs = year_pairs(yields)
    full = int(np.floor(years + 0.02))  # a week short of a whole year is a whole year
    if full < YEARS_FOR_INTERVAL or len(pairs) < 100:
        text = f"{years:.1f} years with {len(pairs)} pairs of days: nothing can be told before "
        return Ageing(float(years), len(pairs), f"{text}{YEARS_FOR_INTERVAL} full years")
    block = np.minimum((pairs.index.day_of_year.to_numpy() - 1) * BLOCKS // 365, BLOCKS - 1)
    groups = [pairs.to_numpy()[block == number] for number in np.unique(block)]
    drawn = (rng.integers(0, len(groups), len(groups)) for _ in range(draws))
    medians = [np.median(np.concatenate([groups[number] for number in numbers])) for numbers in drawn]
    low, high = np.expm1(np.quantile(medians, [0.05, 0.95]))
    told = f"between {100 * low:+.1f} and {100 * high:+.1f} % a year (90 % interval)"
    rate = None
    if full >= YEARS_FOR_RATE:
        rate = float(np.expm1(pairs.median()))
        told = f"{100 * rate:+.1f} % a year, {told}"
    return Ageing(float(years), len(pairs), f"{years:.1f} years: {told}", float(low), float(high), rate)
