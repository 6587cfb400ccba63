"""What chart a baseline can carry: its design, how soon it notices a loss, and how often it errs."""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy.stats import norm

from solarlib.health.chart import Baseline, Design, design
from solarlib.health.run_lengths import cusum_run_length, errors_of_baseline, widening
from solarlib.quantities import InputError, refusal, require

# A chart for less than 1/30 waits for weeks and meets dirt, season and drift of that size. A chart for more than 1/4
# would be slow for anything smaller and gains nothing: such losses show within days on every chart.
LEAST_LOSS, MOST_LOSS = 1 / 30, 1 / 4
# Compared days between false alarms, as a mean rate over many houses: 500 are a little less than one a year. Where that
# needs too high a threshold, because the days are too alike, a chart that errs more often is taken, and says so.
FALSE_ALARM_DAYS = (500, 365, 200)
LARGEST_SUM = 60.0  # threshold that the theory of run lengths goes up to


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
    wider = widening(usual.resemblance)
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
    centres, scales = errors_of_baseline(z, days)
    lengths = [cusum_run_length(m, s * k, min(s * h, LARGEST_SUM)) for m in centres for s in scales]
    low, high = np.quantile(lengths, [0.1, 0.9], method="nearest")
    return float(low), float(high)
