"""Is this house still as it was beside its neighbours? Days, ratio, chart, size and reasons, in one call.

The steps are those of `common_days`, `neighbours`, `chart` and `shapes`. What is added here: when a loss
began, and whether this house moved or the set did. The sentences for the owner stand in `words`.
"""

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from solarlib.health import words
from solarlib.health.chart import MEDIAN_ERROR, Watch, chart, standardised, watch_for, wider_by_sky
from solarlib.health.common_days import common_days
from solarlib.health.neighbours import log_ratio_to_median, pair_shifts
from solarlib.health.shapes import Evidence, Step, is_gradual, parts_lost, step_level, zero_days
from solarlib.quantities import day_words, require

BESIDE_DAYS = 60  # usable days before a change that its size is measured against
BEGIN_SLACK_DAYS = 7  # the sum may have left 0 a little after the change
RECENT_DAYS = 14


@dataclass(frozen=True)
class Comparison:
    """A house beside its neighbours.

    Attributes
    ----------
    days : DataFrame, one row for each day of the own record
        ratio_percent: of the baseline's middle, NaN where set aside; reason: why it is set aside, or empty; z: distance
        from the usual in scatters; cusum, loss, stage: as `chart.chart`; level: the sum over the threshold, 1 is
        `look`. In the baseline stage is "baseline", and cusum, level and loss are NaN; so they are in all later days
        where nothing can be told, with the stage "cannot tell".
    watch : chart.Watch
    begin, message, low_until : Timestamp or None
        Of the last message: first day since the sum stood at 0, first day above the threshold, day of the largest sum.
    step : shapes.Step or None
        Change of the log ratio at about `begin`, up to `low_until`.
    cannot : str
        Why nothing can be told, or empty.
    recent : shapes.Step
        Median log ratio of the last 14 compared days (or fewer) against the baseline.
    evidence : tuple of shapes.Evidence
    shifts : Series
        Change of the log ratio of each system ("this house" and the neighbours) against the median of all others: at
        the step, or, without a message, of the last compared days against the baseline.
    notes : tuple of str
    """

    days: pd.DataFrame
    watch: Watch
    begin: pd.Timestamp | None
    message: pd.Timestamp | None
    low_until: pd.Timestamp | None
    step: Step | None
    cannot: str
    recent: Step
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
        return self.days.index[np.flatnonzero(self.days["stage"] != self.stage)[-1] + 1]

    def sentences(self):
        """Return what an owner should know, as plain sentences in order. Never a verdict."""
        return words.comparison_told(self)


def compare_with_neighbours(systems, module_count):
    """Return whether a house is still as it was beside its neighbours.

    Parameters
    ----------
    systems : common_days.Systems
    module_count : int
        Of the house.

    Returns
    -------
    Comparison

    Raises
    ------
    InputError
        Too few days or neighbours, dates that cannot be matched, numbers out of range.
    """
    module_count = int(require(module_count, "module count", 1, 10000))
    common = common_days(systems)
    log_ratio = log_ratio_to_median(common.house, common.others).where(common.reason == "")
    watch, wider = _watch(common, module_count)
    later = log_ratio[log_ratio.index > common.baseline_end]
    charted, cannot = chart(later, watch.usual, watch.plan, wider[later.index]), ""
    if systems.own_model is None or watch.is_slow:
        cannot = words.cannot_told(watch, systems.own_model is not None)
        charted = charted.assign(cusum=np.nan, loss=np.nan, stage="cannot tell")
    begin, message, low_until, earlier = _last_message(charted, watch.plan.h)
    last = later.dropna().iloc[-RECENT_DAYS:]
    change = float(last.median() - watch.usual.centre)
    recent = Step(last.index[0], change, _error(watch, watch.usual.days, len(last)))

    used, step = log_ratio.dropna(), None
    if begin is None:
        around, first_day = pd.concat([used.loc[: common.baseline_end], last]), last.index[0]
    else:
        around = used.loc[used[used.index < begin].index[-BESIDE_DAYS:][0] : low_until]
        step = _change(around, begin, message, watch.widening)
        first_day = step.first_day
    looked_at = used.loc[begin:].index  # all days without a message
    zero = zero_days(common.house[looked_at], common.others.median(axis=1)[looked_at])
    systems_around = pd.concat([common.house.rename(words.HOUSE), common.others], axis=1).loc[around.index]
    shifts, least = pair_shifts(systems_around, first_day), _least_shift(watch, around, first_day, common.others)
    evidence, notes = [], list(common.notes)
    if earlier:
        notes.append(words.sentence("earlier", dates=", ".join(map(day_words, earlier))))
    if zero is not None:
        notes.append(words.sentence("zero", day=day_words(zero)))
        evidence.append(Evidence("the whole system without power for days", True, 0.0, notes[-1]))
    notes += words.shifts_told(shifts, least, step is not None) if not cannot else []
    if step is not None:
        slow = is_gradual(around)
        evidence = [*parts_lost(step, module_count), *evidence, *_not_this_house(step, shifts, least, slow)]
        # A season that the models miss comes slowly; what it is can wait for a look.
        charted["stage"] = charted["stage"].replace("act", "look") if slow else charted["stage"]
    days = _days(log_ratio, common.reason, charted, standardised(log_ratio, watch.usual, wider=wider), watch)
    told = begin, message, low_until, step, cannot, recent
    return Comparison(days, watch, *told, tuple(evidence), shifts, tuple(notes))


def _watch(common, module_count):
    """Return the chart for a house on its `CommonDays`, and by which factor each day scatters wider."""
    everyone = pd.concat([common.house.rename(words.HOUSE), common.others], axis=1).loc[common.reason == ""]
    everyone = everyone.loc[: common.baseline_end]
    beside = {name: log_ratio_to_median(everyone[name], everyone.drop(columns=name)) for name in everyone}
    beside = pd.DataFrame(beside)
    wider = wider_by_sky(beside, common.others.median(axis=1))
    return watch_for(beside, 1.0 / module_count, wider=wider[beside.index].to_numpy()), wider


def _days(log_ratio, reason, charted, z, watch):
    """Return the table of days of a `Comparison`."""
    ratio_percent = 100.0 * np.exp(log_ratio - watch.usual.centre)
    days = pd.DataFrame({"ratio_percent": ratio_percent, "reason": reason, "z": z}).join(charted)
    days.insert(4, "level", days["cusum"] / watch.plan.h)
    days["stage"] = days["stage"].fillna("baseline")
    return days


def _error(watch, before, after):
    """Return the standard error of a change between the medians of so many days before and after it."""
    return float(MEDIAN_ERROR * watch.scatter * np.sqrt(1 / before + 1 / after))


def _last_message(charted, threshold):
    """Return begin, first day, day of the largest sum of the last message, and the first days of the earlier ones."""
    spell = (charted["cusum"] == 0.0).cumsum()
    called = charted.index[charted["cusum"] > threshold]
    if not len(called):
        return None, None, None, []
    firsts = spell[called].drop_duplicates()
    sums = charted.loc[(spell == firsts.iloc[-1]) & (charted["cusum"] > 0.0), "cusum"]
    return sums.index[0], firsts.index[-1], sums.idxmax(), list(firsts.index[:-1])


def _change(around, begin, message, widening):
    """Return the step among the days around a message that began near `begin`; its error knows how alike days are."""
    earliest = around.index[around.index < begin][-BEGIN_SLACK_DAYS]
    step = step_level(around, min(5, len(around.loc[begin:])), (earliest, message))
    return replace(step, error=step.error * widening)


def _least_shift(watch, around, first_day, others):
    """Return the smallest shift of a system that is told: beyond chance, and half of the loss watched for.

    The others' median moves by half a rank where one of them lost much.
    """
    after = int((around.index >= first_day).sum())
    rank = watch.usual.scatter * MEDIAN_ERROR / (others.shape[1] - 1)  # near the middle of normal values
    return max(3.0 * _error(watch, len(around) - after, after) + rank, 0.5 * watch.loss)


def _not_this_house(step, shifts, least, slow):
    """Return the evidence for reasons beside the house: neighbours that changed, a season that no model takes out."""
    others = shifts.drop(words.HOUSE).abs()
    moved = int((others > least).sum())
    changed = bool(moved > len(others) / 2 or (others > max(least, abs(step.change))).any())
    text = f"{moved} of {len(others)} neighbours moved beyond chance"
    season = words.sentence("slow" if slow else "sudden")
    return [
        Evidence("neighbours that changed", changed, float(moved), text),
        Evidence("a season or a slow change that no model takes out", slow, float(slow), season),
    ]
