"""Are the modules wearing out? A straight line through the years, and an interval rather than a number.

A loss of half a percent a year is several times smaller than the difference of one year's weather from the next, so
years count, not days: each year is one number, however many days are in it.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.stats import linregress, t

LEAST_YEARS = 4  # with fewer the interval is wider than any ageing
OVERLAP = (
    1.05  # years of a record resemble each other a little: they share years of weather (tests/health/test_yields.py)
)
LEAST_DAYS = 180  # of a year, or it is left out: with fewer its season decides


@dataclass(frozen=True)
class Ageing:
    """Change a year as a share, negative for a loss, `low` to `high`: 90 %. None where the years do not carry it."""

    years: int
    text: str
    low: float | None = None
    high: float | None = None


def change_a_year(yields: pd.Series) -> Ageing:
    """Return between which limits a daily yield changes from year to year, as far as its years allow.

    Parameters
    ----------
    yields : Series, one row a day
        Corrected yield, performance ratio or ratio to a model of the roof; NaN where a day is set aside. The season
        must be out of it; the weather of the years may be in it, and a ratio to neighbours without it tells more.

    Returns
    -------
    Ageing
        Of the means of the logarithm over whole years from the first day on, with half of their days or more, the slope
        of the line through them by least squares, and its 90 % interval by Student's t with two degrees of freedom less
        than years. What stays for years, as dirt or a new meter, is not told apart from ageing.
    """
    values = np.log(yields.where(yields > 0)).dropna()
    year = (values.index - values.index[0]) // pd.Timedelta(days=365.25) if len(values) else []
    whole = int((values.index[-1] - values.index[0]) / pd.Timedelta(days=365.25) + 0.02) if len(values) else 0
    each = values.groupby(year).agg(["mean", "count"]) if len(values) else pd.DataFrame(columns=["mean", "count"])
    each = each[(each.index < whole) & (each["count"] >= LEAST_DAYS)]  # a week short of a whole year is a whole year
    if len(each) < LEAST_YEARS:
        return Ageing(len(each), f"whole years with readings: {len(each)}; an interval needs {LEAST_YEARS} or more")
    line = linregress(each.index.to_numpy(float), each["mean"].to_numpy(float))
    far = OVERLAP * float(t.ppf(0.95, len(each) - 2)) * line.stderr
    low, high = np.expm1([line.slope - far, line.slope + far])
    text = f"{len(each)} whole years: between {100 * low:+.1f} and {100 * high:+.1f} % a year (90 % interval)"
    return Ageing(len(each), text, float(low), float(high))
