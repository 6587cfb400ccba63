"""Many years instead of a typical one: what each reset month loses when weather and use differ from year to year."""

import numpy as np
import pandas as pd

from solarlib.bill.reset import DAYS, MONTHS, twelve_months
from solarlib.quantities import refusal

LEVELS = (0.1, 0.5, 0.9)  # share of years that lose no more
_RUN_DAYS = 5  # that stay in their order when years are made of days
NEAR_KWH = 1.0  # months that lose no more than this above the least count as alike


def loss_spread(lost_kwh):
    """Return mean and quantiles of the loss over many years of weather and use, for every reset month.

    Parameters
    ----------
    lost_kwh : array, shape (years, 12)
        What a reset takes in each year, such as from `reset.lost_by_reset_month`; January first. [kWh]

    Returns
    -------
    DataFrame, 12 rows labelled Jan to Dec
        ``mean`` and one column for each of `LEVELS`. [kWh]
    """
    lost = twelve_months(lost_kwh).reshape(-1, 12)
    table = {"mean": lost.mean(axis=0)} | {level: np.quantile(lost, level, axis=0) for level in LEVELS}
    return pd.DataFrame(table, index=list(MONTHS))


def years_from_days(daily_kwh, rng, count):
    """Make years out of the days of one year: each month is filled with runs of its own days, drawn at random.

    Runs are `_RUN_DAYS` long; after the last day of a month comes its first.

    Parameters
    ----------
    daily_kwh : array, shape (..., 365)
        January 1 first; leading axes are several quantities of the same days, which stay together. [kWh]
    rng : numpy.random.Generator
    count : int
        Number of years.

    Returns
    -------
    ndarray, shape (..., count, 12)
        Months, January first, with the means of the given year. [kWh]

    Notes
    -----
    A bootstrap of blocks in a circle: Politis and Romano, in "Exploring the limits of bootstrap", Wiley (1992) 263
    (`from memory`). What a run of days remembers is kept. Months know nothing of each other and the days are those of
    one year: no wet year, no change in the household. Real years differ more.
    """
    daily = np.asarray(daily_kwh, float)
    if daily.ndim == 0 or daily.shape[-1] != 365 or not np.isfinite(daily).all():
        raise refusal("days_of_a_year", "daily_kwh", shape=daily.shape)
    length, month = np.repeat(DAYS, DAYS), np.repeat(np.arange(12), DAYS)
    first = np.cumsum([0, *DAYS[:-1]])
    number = np.arange(365) - first[month]
    start = np.floor(rng.random((count, 12, 31 // _RUN_DAYS + 1))[:, month, number // _RUN_DAYS] * length).astype(int)
    chosen = first[month] + (start + number % _RUN_DAYS) % length
    return np.add.reduceat(daily[..., chosen], first, axis=-1)


def times_best(lost_kwh):
    """Return in how many years each reset month loses least, or no more than `NEAR_KWH` above that.

    Parameters
    ----------
    lost_kwh : array, shape (years, 12)
        As `loss_spread` takes it. [kWh]

    Returns
    -------
    Series of int, labelled Jan to Dec
        Months that are alike count each, so that the sum may exceed the number of years.
    """
    lost = twelve_months(lost_kwh).reshape(-1, 12)
    return pd.Series((lost <= lost.min(axis=1, keepdims=True) + NEAR_KWH).sum(axis=0), index=list(MONTHS))
