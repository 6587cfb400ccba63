"""Does a house still behave as it did? A one-sided cumulative sum of the daily log ratio, and three plain messages.

Only losses are watched. The first days fix what is usual (median and a robust scatter), each later day is measured
against it, and small losses add up until they can no longer be chance. No message is a verdict.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from solarlib.health.run_lengths import allowance, cusum_run_length, shift_of_loss, threshold_after_baseline, widening
from solarlib.quantities import refuse_if, require

MAD_TO_SCATTER = 1.4826  # makes the median absolute deviation of normal values their standard deviation
# A single day counts as at most so many times the usual scatter, and never as more than carries to the line.
WINSOR = 4.0
LEAST_BASELINE_DAYS = 14
MOST_RESEMBLANCE = 0.9  # greatest correlation of neighbouring days to believe
MOST_SHIFT = 1000.0  # scatters; a loss beyond it shows on the first day all the same
PERSISTS_DAYS = 14
LARGE_LOSS = 0.20


@dataclass(frozen=True)
class Baseline:
    """What is usual, from `days` days.

    Attributes
    ----------
    centre, scatter : float
        Of the log ratio; from day to day.
    lag_one : float
        How much a day resembles the next: their correlation.
    """

    centre: float
    scatter: float
    days: int
    lag_one: float = 0.0

    @property
    def resemblance(self):
        """Correlation of neighbouring days beyond what chance makes of independent ones: below 2 / sqrt(days) none."""
        return self.lag_one if self.lag_one > 2.0 / np.sqrt(self.days) else 0.0


@dataclass(frozen=True)
class Design:
    """Allowance k and threshold h of a chart, in units of the scatter."""

    k: float
    h: float

    @property
    def limit(self):
        """The most that one day counts, in units of the scatter: alone it carries the sum to the line, not above."""
        return min(WINSOR, self.k + (1.0 - 1e-9) * self.h)

    def days_to_notice(self, loss, scatter):
        """Return the mean days from a loss (share) to the message `look`, for independent days; it may be infinite."""
        shift = shift_of_loss(loss) / require(scatter, "scatter", 1e-9, 1e9)
        return cusum_run_length(min(shift, MOST_SHIFT), self.k, self.h)


def baseline(log_ratio):
    """Return what is usual in days known to be free of faults.

    Parameters
    ----------
    log_ratio : Series or array, shape (days,)
        NaN: a day set aside.

    Returns
    -------
    Baseline
        Median; 1.4826 times the median absolute deviation; days used; correlation of neighbouring days, by Spearman's
        ranks so that one odd day does not make it.

    Raises
    ------
    InputError
        Fewer than 14 usable days, or days that do not scatter at all.
    """
    values = np.asarray(log_ratio, dtype=float)
    used = values[np.isfinite(values)]
    refuse_if(len(used) < LEAST_BASELINE_DAYS, "few_days", "baseline", count=len(used), least=LEAST_BASELINE_DAYS)
    centre = float(np.median(used))
    scatter = float(MAD_TO_SCATTER * np.median(np.abs(used - centre)))
    refuse_if(not scatter > 0, "no_scatter", "baseline")
    pairs = pd.DataFrame({"day": values[:-1], "next": values[1:]}).dropna()
    alike = float(pairs["day"].rank().corr(pairs["next"].rank())) if len(pairs) >= 3 else 0.0
    return Baseline(centre, scatter, len(used), min(alike, MOST_RESEMBLANCE))


def design(usual: Baseline, loss: float, run_length_days: float) -> Design:
    """Return a chart that watches for a loss and seldom alarms without one.

    Parameters
    ----------
    usual : Baseline
        Where each day resembles the day before, the chart is wider (`run_lengths.widening`).
    loss : float
        Share of the energy to notice; one dead module of 16 is 1/16.
    run_length_days : float
        Wanted mean days between false alarms, the errors of the baseline included. [days]
    """
    k = round(20 * allowance(loss, usual.scatter)) / 20  # steps of 0.05: finer ones change nothing and cost time
    alike = usual.resemblance
    worth = max(3, round(usual.days * (1.0 - alike) / (1.0 + alike)))  # independent days that the baseline is worth
    wider = widening(alike)
    return Design(k * wider, threshold_after_baseline(float(run_length_days), k, worth) * wider)


def standardised(log_ratio, usual, limit=WINSOR):
    """Return each day's distance from the usual in units of the scatter, cut off at +-`limit`. Any shape; NaN stays."""
    return ((log_ratio - usual.centre) / usual.scatter).clip(-limit, limit)


def cusum(z, k, h=np.inf):
    """Return the one-sided cumulative sum that watches downwards.

    Parameters
    ----------
    z : array, shape (days,) or (days, houses)
        NaN: a day that neither adds nor takes away.
    k : float
    h : float
        After a day above h the sum starts again from 0; default: it never does.

    Returns
    -------
    array, same shape
        The sum of each day before it starts again.
    """
    z = np.asarray(z, dtype=float)
    total, path = np.zeros(z.shape[1:]), np.empty(z.shape)
    for day, value in enumerate(z):
        total = np.where(np.isnan(value), total, np.maximum(0.0, total - value - k))
        path[day] = total
        total = np.where(total > h, 0.0, total)
    return path


def chart(log_ratio, usual, plan):
    """Return the chart of the days after the baseline.

    Parameters
    ----------
    log_ratio : Series, shape (days,)
        NaN: a day set aside.
    usual : Baseline
    plan : Design

    Returns
    -------
    DataFrame, shape (days, 3)
        cusum; loss: the middle loss (share of energy) since the sum last stood at 0; stage: usual, watch (above h/2),
        look (above h), act (above h for 14 charted days, or above h with a middle loss over 20 %).
    """
    total = cusum(standardised(log_ratio, usual, plan.limit).to_numpy(), plan.k)
    plain = (log_ratio - usual.centre).to_numpy(dtype=float)
    loss, stage = np.zeros(len(total)), []
    since, above = [], 0
    for day, value in enumerate(total):
        if value == 0.0:
            since, above = [], 0
        elif np.isfinite(plain[day]):
            since.append(plain[day])
            above = above + 1 if value > plan.h else 0
        # The median keeps one day of snow from looking like a large loss.
        loss[day] = -np.expm1(np.median(since)) if since else 0.0
        stage.append(_stage(value / plan.h, above, loss[day]))
    return pd.DataFrame({"cusum": total, "loss": loss, "stage": stage}, index=log_ratio.index)


def _stage(level, above, loss):
    """Return the stage for the sum in thresholds, the charted days above the line, and the middle loss."""
    if level > 1.0:
        return "act" if above >= PERSISTS_DAYS or loss > LARGE_LOSS else "look"
    return "watch" if level > 0.5 else "usual"
