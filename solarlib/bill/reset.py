"""Which month should the bank's year end? What every reset date loses.

In words: what a reset takes is the largest sum of the last 0, 1, 2 ... 12 months before it, the month of the reset
being the last of them. The sum of all twelve cannot be saved by any date; what is above it is lost by bad timing only.
This holds for one bank for all hours that was empty twelve bills ago: emptied whole once a year, one bill a month, the
registers subtracted over each bill, no other expiry. Surplus is energy received minus delivered.
"""

import numpy as np
import numpy.typing as npt
import pandas as pd

from solarlib.quantities import refuse_if

MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")


def lost_by_reset_month(surplus_kwh):
    """Return what a yearly reset takes, for each month after whose bill it could come.

    It is the largest sum of the last 0 to 12 months before the reset. No sum is larger than what is in the bank: one
    that begins earlier than the bank was last empty counts shortages that were paid with money, one that begins later
    forgets surplus that is still inside. The year repeats itself.

    Parameters
    ----------
    surplus_kwh : array, shape (..., 12)
        Received minus delivered energy of each month, January first; leading axes are separate years or draws. [kWh]

    Returns
    -------
    ndarray, same shape
        kWh in the bank when it is reset after that month's bill; the last axis is the reset month, January first.

    Examples
    --------
    >>> lost_by_reset_month([-3, -2, -1, 1, 2, 3, 3, 2, 0, -1, -2, -3])
    array([ 2.,  0.,  0.,  1.,  3.,  6.,  9., 11., 11., 10.,  8.,  5.])
    """
    surplus = twelve_months(surplus_kwh)
    lost = np.empty_like(surplus)
    for month in range(12):
        backwards = np.roll(surplus[..., ::-1], month + 1, axis=-1)  # the month of the reset, the one before it, ...
        lost[..., month] = np.maximum(0.0, np.cumsum(backwards, axis=-1).max(axis=-1))
    return lost


def why_no_law(tariff):
    """Return which conditions of `lost_by_reset_month` the rules of a kWh bank break; where it holds, none.

    Parameters
    ----------
    tariff : Tariff

    Returns
    -------
    list of str
        Of ``buckets``, ``netting``, ``bills``, ``life``, ``limit``, ``times``, ``left``.
    """
    credit = tariff.credit
    broken = {
        "buckets": bool(tariff.buckets),
        "netting": credit.netting != "period",
        "bills": tariff.months_per_bill != 1,
        "life": credit.life_bills is not None,
        "limit": credit.export_limit_kw is not None,
        "times": credit.reset_anchor is None or credit.reset_every_years != 1,
        "left": credit.at_reset == "roll" or credit.at_reset == "pay if over" and credit.below_threshold == "roll",
    }
    return [condition for condition, so in broken.items() if so]


def best_reset(surplus_kwh: npt.ArrayLike) -> pd.DataFrame:
    """Return the loss of every reset month, what cannot be avoided, and the months that lose no more than that.

    Parameters
    ----------
    surplus_kwh : array, shape (12,)
        January first. [kWh]

    Returns
    -------
    DataFrame, 12 rows labelled Jan to Dec
        ``lost_kwh``; ``by_timing_kwh``, the part above the year's net surplus; ``best``, true where that is least.
    """
    surplus = twelve_months(surplus_kwh)
    lost = lost_by_reset_month(surplus)
    timing = lost - max(0.0, surplus.sum())
    least = timing <= timing.min() + 1e-9
    return pd.DataFrame({"lost_kwh": lost, "by_timing_kwh": timing, "best": least}, index=list(MONTHS))


def spendable_kwh(surplus_kwh: npt.ArrayLike, reset_month: int) -> np.ndarray:
    """Return how much more could be used in each month without buying a single kWh before the reset.

    One more kWh used lowers the bank of that month and of all months to the reset; it costs nothing but the payout
    price as long as none of them runs empty. Used after the reset it would cost the retail price: the difference is
    what spending before the reset is worth.

    Parameters
    ----------
    surplus_kwh : array, shape (12,)
        A year that repeats itself, January first. [kWh]
    reset_month : int
        The bank is reset after this month's bill, 1 to 12.

    Returns
    -------
    ndarray, shape (12,)
        January first. [kWh]
    """
    order = (reset_month + np.arange(12)) % 12  # from the month after the reset to the month of it
    total = np.cumsum(twelve_months(surplus_kwh)[order])
    bank = total - np.minimum(0.0, np.minimum.accumulate(total))
    spendable = np.empty(12)
    spendable[order] = np.minimum.accumulate(bank[::-1])[::-1]
    return spendable


def twelve_months(values):
    """Return an array whose last axis holds 12 finite numbers, January first; else an InputError says so."""
    months = np.asarray(values, float)
    wrong = months.shape[-1:] != (12,) or not np.isfinite(months).all()
    refuse_if(wrong, "months_of_years", "surplus", shape=months.shape)
    return months
