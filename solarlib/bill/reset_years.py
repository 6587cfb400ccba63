"""Many years instead of a typical one: what each reset month loses when weather and use differ from year to year."""

import numpy as np
import pandas as pd

from solarlib.bill.reset import DAYS, MONTHS, lost_by_reset_month, twelve_months
from solarlib.quantities import InputError, require


def loss_spread(surplus_kwh, levels=(0.1, 0.5, 0.9)):
    """Return mean and quantiles of the loss over many years of weather and use, for every reset month.

    Parameters
    ----------
    surplus_kwh : array, shape (years, 12)
        Each row a year, January first. [kWh]
    levels : sequence of float
        Share of years that lose no more than the value.

    Returns
    -------
    DataFrame, 12 rows labelled Jan to Dec
        ``mean`` and one column a level. [kWh]
    """
    lost = lost_by_reset_month(surplus_kwh).reshape(-1, 12)
    table = {"mean": lost.mean(axis=0)} | {level: np.quantile(lost, level, axis=0) for level in levels}
    return pd.DataFrame(table, index=list(MONTHS))


def draw_years(generation_kwh, use_kwh, rng, count, yearly=0.04, monthly=0.08, use_yearly=0.05, use_monthly=0.05):
    """Draw yearly surpluses from a typical year with normal scatter of weather and use.

    Parameters
    ----------
    generation_kwh, use_kwh : array, shape (12,)
        Typical months. [kWh]
    rng : numpy.random.Generator
    count : int
        Number of years.
    yearly, monthly, use_yearly, use_monthly : float
        Standard deviations as shares: of a whole year's generation and of each month's, the same for the use.

    Returns
    -------
    ndarray, shape (count, 12)
        Surplus, generation less use. [kWh]
    """

    def scattered(typical, of_year, of_month):
        year = 1 + of_year * rng.standard_normal((count, 1))
        return np.maximum(twelve_months(typical) * year * (1 + of_month * rng.standard_normal((count, 12))), 0.0)

    return scattered(generation_kwh, yearly, monthly) - scattered(use_kwh, use_yearly, use_monthly)


def years_from_days(daily_kwh, rng, count, run_days=5):
    """Make years out of the days of one year: each month is filled with runs of its own days, drawn at random.

    Parameters
    ----------
    daily_kwh : array, shape (..., 365)
        January 1 first; leading axes are several quantities of the same days, which stay together. [kWh]
    rng : numpy.random.Generator
    count : int
        Number of years.
    run_days : int, 1 to 28
        Days that stay in their order; after the last day of a month comes its first.

    Returns
    -------
    ndarray, shape (..., count, 12)
        Months, January first, with the means of the given year. [kWh]

    Notes
    -----
    A bootstrap of blocks in a circle: Politis and Romano, in "Exploring the limits of bootstrap", Wiley (1992) 263
    (`from memory`). What a run of days remembers is kept. Months know nothing of each other and the days are those of one
    year: no wet year, no change in the household. Real years differ more.
    """
    daily = np.asarray(daily_kwh, float)
    if daily.ndim == 0 or daily.shape[-1] != 365 or not np.isfinite(daily).all():
        raise InputError(
            f"daily_kwh: found an array of shape {daily.shape}, allowed are 365 finite numbers, January 1 first"
        )
    run_days = int(require(run_days, "run_days", 1, 28, "days"))
    length, month = np.repeat(DAYS, DAYS), np.repeat(np.arange(12), DAYS)
    first = np.cumsum([0, *DAYS[:-1]])
    number = np.arange(365) - first[month]
    start = np.floor(rng.random((count, 12, 31 // run_days + 1))[:, month, number // run_days] * length).astype(int)
    chosen = first[month] + (start + number % run_days) % length
    return np.add.reduceat(daily[..., chosen], first, axis=-1)


def times_best(surplus_kwh, within_kwh=1.0):
    """Return in how many years each reset month loses least, or no more than ``within_kwh`` above that.

    Parameters
    ----------
    surplus_kwh : array, shape (years, 12)
        Each row a year, January first. [kWh]
    within_kwh : float

    Returns
    -------
    Series of int, labelled Jan to Dec
        Months that are alike count each, so that the sum may exceed the number of years.
    """
    lost = lost_by_reset_month(surplus_kwh).reshape(-1, 12)
    near = lost <= lost.min(axis=1, keepdims=True) + require(within_kwh, "within_kwh", 0, 1e9, "kWh")
    return pd.Series(near.sum(axis=0), index=list(MONTHS))
