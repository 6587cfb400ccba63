"""Does a house still behave as it did? A one-sided cumulative sum of the daily log ratio, and three plain messages.

Only losses are watched. The first days fix what is usual (median and a robust scatter), each later day is measured
against it, and small losses add up until they can no longer be chance. No message is a verdict. A `Watch` is the chart
that a baseline can carry: how soon it notices a loss, and how often it errs.
"""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import pandas as pd
from scipy.stats import norm

from solarlib.health import run_lengths
from solarlib.quantities import InputError, refusal, refuse_if, require

MAD_TO_SCATTER = 1.4826  # makes the median absolute deviation of normal values their standard deviation
# A single day counts as at most so many times the usual scatter, and never as more than carries to the line.
WINSOR = 4.0
LEAST_BASELINE_DAYS = 14
MOST_RESEMBLANCE = 0.9  # greatest correlation of neighbouring days to believe
MOST_SHIFT = 1000.0  # scatters; a loss beyond it shows on the first day all the same
PERSISTS_DAYS = 14
LARGE_LOSS = 0.20
# A chart for less than 1/30 waits for weeks and meets dirt, season and drift of that size. A chart for more than 1/4
# would be slow for anything smaller and gains nothing: such losses show within days on every chart.
LEAST_LOSS, MOST_LOSS = 1 / 30, 1 / 4
# Compared days between false alarms, as a mean rate over many houses: 500 are a little less than one a year. Where that
# needs too high a threshold, because the days are too alike, a chart that errs more often is taken, and says so.
FALSE_ALARM_DAYS = (500, 365, 200)
LARGEST_SUM = 60.0  # threshold that the theory of run lengths goes up to


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
        shift = run_lengths.shift_of_loss(loss) / require(scatter, "scatter", 1e-9, 1e9)
        return run_lengths.cusum_run_length(min(shift, MOST_SHIFT), self.k, self.h)


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
    k = (
        round(20 * run_lengths.allowance(loss, usual.scatter)) / 20
    )  # steps of 0.05: finer ones change nothing and cost time
    alike = usual.resemblance
    worth = max(3, round(usual.days * (1.0 - alike) / (1.0 + alike)))  # independent days that the baseline is worth
    wider = run_lengths.widening(alike)
    return Design(k * wider, run_lengths.threshold_after_baseline(float(run_length_days), k, worth) * wider)


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


@dataclass(frozen=True)
class Watch:
    """A chart that watches a house.

    Attributes
    ----------
    usual, plan : Baseline, Design
    widening : float
        By this factor the chart is wider, and errors are larger, because days resemble the day before; 1: they do not.
    loss : float
        The chart is designed for it. [share]
    false_alarm_days : float
        Compared days for each false alarm that the chart is designed for, over many houses.
    false_alarm_range : tuple of float
        Between which mean days to a false alarm lie for eight of ten baselines as short as this one.
    """

    usual: Baseline
    plan: Design
    widening: float
    loss: float
    false_alarm_days: float
    false_alarm_range: tuple

    @property
    def scatter(self):
        """Return the scatter that errors are made of: that of a day, wider where days resemble the day before."""
        return self.usual.scatter * self.widening

    def days_to_notice(self, loss):
        """Return the mean compared days from a loss (share) to the message `look`, by the theory of independent days.

        Days that resemble each other add up like fewer independent ones that scatter wider. It may be infinite.
        """
        wider = require(self.widening, "widening", 1, 100)
        return Design(self.plan.k / wider, self.plan.h / wider).days_to_notice(loss, self.scatter)


def watch_for(usual, module_count):
    """Return the chart that watches for the loss of a module, as far as a baseline carries it.

    Parameters
    ----------
    usual : Baseline
    module_count : int

    Returns
    -------
    Watch

    Raises
    ------
    InputError
        The days are too alike from one to the next for any chart.
    """
    loss = float(np.clip(1.0 / module_count, LEAST_LOSS, MOST_LOSS))
    wider = run_lengths.widening(usual.resemblance)
    for days in FALSE_ALARM_DAYS:
        try:
            plan = design(usual, loss, days)
        except InputError:  # no threshold is high enough
            continue
        if plan.h / wider <= LARGEST_SUM:
            around = _false_alarm_range(plan.k / wider, plan.h / wider, usual.days / wider**2)  # as independent days
            return Watch(usual, plan, wider, loss, float(days), around)
    raise refusal("days_too_alike", "baseline", days=usual.days, correlation=usual.lag_one)


@lru_cache(maxsize=64)
def _false_alarm_range(k, h, days):
    """Return the 10 and 90 % points of the days between false alarms over what `days` independent days get wrong.

    Errors of median and scaled median absolute deviation as in `run_lengths.threshold_after_baseline`, on a grid of
    equally likely values.
    """
    z = norm.ppf((np.arange(15) + 0.5) / 15)
    centres, scales = run_lengths.errors_of_baseline(z, days)
    lengths = [run_lengths.cusum_run_length(m, s * k, min(s * h, LARGEST_SUM)) for m in centres for s in scales]
    low, high = np.quantile(lengths, [0.1, 0.9], method="nearest")
    return float(low), float(high)
