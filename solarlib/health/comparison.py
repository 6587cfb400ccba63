"""Is this house still as it was beside its neighbours? Days, ratio, baseline, chart, size and reasons, in one call.

The steps are those of `common_days`, `peers`, `control_chart` and `signatures`. What is added here: when a loss began,
and whether this house moved or the set did. The sentences for the owner stand in `comparison_words`.
"""

from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
import pandas as pd
from scipy.stats import norm

from solarlib.health import neighbours as peers, shapes as signatures, words
from solarlib.health.chart import LEAST_BASELINE_DAYS, Baseline, Design, baseline, chart, design, standardised
from solarlib.health.common_days import common_days
from solarlib.health.run_lengths import cusum_run_length
from solarlib.quantities import InputError, require

# A chart for less than 1/30 waits for weeks and meets dirt, season and drift of that size. A chart for more than 1/4
# would be slow for anything smaller and gains nothing: such losses show within days on every chart.
LEAST_LOSS, MOST_LOSS = 1 / 30, 1 / 4
BESIDE_DAYS = 60  # usable days before a change that its size is measured against
BEGIN_SLACK_DAYS = 7  # the sum may have left 0 a little after the change
RECENT_DAYS = 14
# The ratio of a roof 30 degrees west to one 30 degrees south went from 0.61 to 0.97 over a modelled year (`built here`).
SEASON_SWING = np.log(0.97 / 0.61)
LARGEST_SUM = 60.0  # threshold that the theory of run lengths goes up to
OFTENER_DAYS = (365, 200)  # between false alarms, where the wanted number needs too high a threshold


@dataclass(frozen=True)
class Comparison:
    """A house beside its neighbours.

    Attributes
    ----------
    days : DataFrame, one row for each day of the own record
        ratio_percent: of the baseline's middle, NaN where set aside; reason: why it is set aside, or empty; z, cusum,
        loss, stage: as `chart.chart`, z also in the baseline; level: the sum over the threshold, 1 is `look`.
        In the baseline stage is "baseline", and cusum, level and loss are NaN.
    usual, plan : Baseline, Design
    widening : float
        By this factor the chart is wider, and errors are larger, because days resemble the day before; 1: they do not.
    watched_loss : float
        The chart is designed for it. [share]
    false_alarm_days : float
        Compared days for each false alarm that the chart is designed for, over many houses.
    false_alarm_range : tuple of float
        Between which mean days to a false alarm lie for eight of ten baselines as short as this one.
    begin, message, low_until : Timestamp or None
        Of the last message: first day since the sum stood at 0, first day above the threshold, day of the largest sum.
    step : signatures.Step or None
        Change of the log ratio at about `begin`, up to `low_until`.
    recent : signatures.Step
        Median log ratio of the last 14 compared days (or fewer) against the baseline.
    evidence : tuple of signatures.Evidence
    shifts : Series
        Change of the log ratio of each system ("this house" and the neighbours) against the median of all others: at
        the step, or, without a message, of the last compared days against the baseline.
    notes : tuple of str
    """

    days: pd.DataFrame
    usual: Baseline
    plan: Design
    widening: float
    watched_loss: float
    false_alarm_days: float
    false_alarm_range: tuple
    begin: pd.Timestamp | None
    message: pd.Timestamp | None
    low_until: pd.Timestamp | None
    step: signatures.Step | None
    recent: signatures.Step
    evidence: tuple
    shifts: pd.Series
    notes: tuple

    @property
    def stage(self):
        """Return the stage on the last day."""
        return self.days["stage"].iloc[-1]

    @property
    def since(self):
        """Return the first day of the stage that holds on the last day."""
        other = np.flatnonzero(self.days["stage"] != self.stage)
        return self.days.index[other[-1] + 1]

    def days_to_notice(self, loss):
        """Return the mean compared days from a loss (share) to the message `look`, by the run lengths of independent days.

        Days that resemble each other add up like fewer independent ones that scatter wider.
        """
        wider = require(self.widening, "widening", 1, 100)
        return Design(self.plan.k / wider, self.plan.h / wider).days_to_notice(loss, self.usual.scatter * wider)

    def sentences(self):
        """Return what an owner should know, as plain sentences in order. Never a verdict."""
        return words.sentences(self)


def compare(
    own,
    neighbours,
    own_model=None,
    neighbour_models=None,
    *,
    temp_air=None,
    snow=None,
    module_count,
    strings=1,
    baseline_days=60,
    false_alarm_days=500,
):
    """Return whether a house is still as it was beside its neighbours.

    Parameters
    ----------
    own : Series, shape (days,)
        Daily yield, index of dates, with or without a time zone. NaN: no reading. [kWh/kW]
    neighbours : DataFrame, shape (days, systems)
        The same for five or more systems, on dates of the same zone.
    own_model, neighbour_models : Series and DataFrame, optional
        What each roof is expected to make, in any unit; see `neighbours.log_ratio`.
    temp_air, snow : Series, optional
        See `neighbours.usable_days`.
    module_count, strings : int
        Of the house.
    baseline_days : int
        First usable days, taken as usual; fewer where the record is short, never more than two thirds of it.
    false_alarm_days : float
        Wanted compared days between false alarms, as a mean rate over many houses: 500 are a little less than one a
        year. Where the days are too alike for that, a chart that errs more often is taken, and says so.

    Returns
    -------
    Comparison

    Raises
    ------
    InputError
        Too few days or neighbours, dates that cannot be matched, numbers out of range.
    """
    module_count = int(require(module_count, "module count", 1, 10000))
    strings = int(require(strings, "strings", 1, 10000))
    wanted = int(require(baseline_days, "baseline days", LEAST_BASELINE_DAYS, 3660))
    common = common_days(own, neighbours, own_model, neighbour_models, temp_air, snow, wanted)
    house, others, reason, ends, notes = (
        common.house,
        common.others,
        common.reason,
        common.baseline_end,
        list(common.notes),
    )

    log_ratio = peers.log_ratio(house, others).where(reason == "")
    usual = baseline(log_ratio.loc[:ends])
    loss = float(np.clip(1.0 / module_count, LEAST_LOSS, MOST_LOSS))
    plan, widening, false_alarm_days = _plan(usual, loss, false_alarm_days)
    told = chart(log_ratio[log_ratio.index > ends], usual, plan)
    days = pd.DataFrame(
        {
            "ratio_percent": 100.0 * np.exp(log_ratio - usual.centre),
            "reason": reason,
            "z": standardised(log_ratio, usual),
        }
    ).join(told.drop(columns="z"))
    days.insert(4, "level", days["cusum"] / plan.h)
    days["stage"] = days["stage"].fillna("baseline")

    def error(before, after):
        return float(signatures.MEDIAN_ERROR * usual.scatter * widening * np.sqrt(1 / before + 1 / after))

    last = log_ratio[log_ratio.index > ends].dropna().iloc[-RECENT_DAYS:]
    recent = signatures.Step(last.index[0], float(last.median() - usual.centre), error(usual.days, len(last)))
    begin, message, low_until, earlier = _last_message(told, plan.h)
    if earlier:
        notes.append(f"Earlier messages that ended came on {', '.join(map(words.date, earlier))}.")
    used, step, evidence = log_ratio.dropna(), None, []
    if begin is None:
        around, change = pd.concat([used.loc[:ends], last]), last.index[0]
    else:
        around, step = _change(used, begin, message, low_until)
        step, change = replace(step, error=step.error * widening), step.first_day
        evidence = signatures.parts_lost(step, module_count, strings)
    looked_at = used.loc[begin:].index  # all days without a message
    zero = signatures.zero_days(house[looked_at], others.median(axis=1)[looked_at])
    if zero is not None:
        notes.append(f"On two good days, one after the other, the second {words.date(zero)}, the house made nothing.")
        evidence.append(signatures.Evidence("the whole system without power for days", True, 0.0, notes[-1]))
    shifts = peers.pair_shifts(pd.concat([house.rename(words.HOUSE), others], axis=1).loc[around.index], change)
    after = int((around.index >= change).sum())
    # The others' median moves by half a rank where one lost much; less than half of what is watched for is left alone.
    rank = usual.scatter * abs(peers.sick_neighbour_shift(others.shape[1] - 1 + others.shape[1] % 2, 0.5, 1.0)[1])
    least = max(3.0 * error(len(around) - after, after) + rank, 0.5 * loss)
    notes += words.shifts_told(shifts, least, step is not None)
    if step is not None:
        evidence += _not_this_house(step, shifts, least, own_model is not None)
    lengths = _false_alarm_range(plan.k / widening, plan.h / widening, usual.days / widening**2)  # as independent days
    return Comparison(
        days,
        usual,
        plan,
        widening,
        loss,
        float(false_alarm_days),
        lengths,
        begin,
        message,
        low_until,
        step,
        recent,
        tuple(evidence),
        shifts,
        tuple(notes),
    )


def _plan(usual, loss, false_alarm_days):
    """Return the chart's design, by how much it is widened for days that resemble the day before, and its false alarms."""
    for days in (false_alarm_days, *(fewer for fewer in OFTENER_DAYS if fewer < false_alarm_days)):
        try:
            plan = design(usual, loss, days)
            widening = plan.k / design(usual, loss, days, repair=False).k
        except InputError:  # no threshold is high enough
            continue
        if plan.h / widening <= LARGEST_SUM:
            return plan, widening, days
    raise InputError(
        f"baseline: found {usual.days} days too alike from one to the next (correlation {usual.lag_one:.2f}) to tell chance, "
        "allowed are more baseline days, models of all roofs, or neighbours like the house"
    )


def _last_message(told, threshold):
    """Return begin, first day, day of the largest sum of the last message (or None), and the first days of the earlier ones."""
    spell = (told["cusum"] == 0.0).cumsum()
    called = told.index[told["cusum"] > threshold]
    if not len(called):
        return None, None, None, []
    firsts = spell[called].drop_duplicates()
    sums = told.loc[(spell == firsts.iloc[-1]) & (told["cusum"] > 0.0), "cusum"]
    return sums.index[0], firsts.index[-1], sums.idxmax(), list(firsts.index[:-1])


def _change(used, begin, message, low_until):
    """Return the compared days around a message, and the step among them that began near `begin`."""
    before = used[used.index < begin].iloc[-BESIDE_DAYS:]
    around = used.loc[before.index[0] : low_until]
    return around, signatures.step_level(
        around, min(5, len(around.loc[begin:])), (before.index[-BEGIN_SLACK_DAYS], message)
    )


def _not_this_house(step, shifts, least, has_models):
    """Return the evidence for reasons beside the house: neighbours that changed, and the season where no model takes it out."""
    others = shifts.drop(words.HOUSE).abs()
    moved = int((others > least).sum())
    found = [
        signatures.Evidence(
            "neighbours that changed",
            bool(moved > len(others) / 2 or (others > max(least, abs(step.change))).any()),
            float(moved),
            f"{moved} of {len(others)} neighbours moved beyond chance",
        )
    ]
    if not has_models:
        found.append(
            signatures.Evidence(
                "the season on roofs that face elsewhere",
                bool(-SEASON_SWING < step.change < 0),
                step.change,
                f"the change is {words.percent(step.change)}, a season may make {words.percent(-SEASON_SWING)}",
            )
        )
    return found


@lru_cache(maxsize=64)
def _false_alarm_range(k, h, days):
    """Return the 10 and 90 % points of the days between false alarms over what `days` independent baseline days get wrong.

    Errors of median and scaled median absolute deviation as in `run_lengths.threshold_after_baseline`, on a grid of
    equally likely values.
    """
    z = norm.ppf((np.arange(15) + 0.5) / 15)
    lengths = [
        cusum_run_length(centre, scale * k, min(scale * h, LARGEST_SUM))
        for centre in z * np.sqrt(np.pi / (2 * days))
        for scale in np.exp(1.1664 / np.sqrt(days) * z)
    ]
    low, high = np.quantile(lengths, [0.1, 0.9], method="nearest")
    return float(low), float(high)
