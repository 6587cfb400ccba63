"""What a comparison tells the owner of a house, in plain sentences. Never a verdict."""

import numpy as np
import pandas as pd

from solarlib.health.chart import MESSAGES
from solarlib.quantities import InputError

HOUSE = "this house"
CALLING = ("look", "act")
FEW_DAYS = 30  # fewer than these raised a message: its size is biased
WHOLE = np.log(0.1)  # a change below it is told as all: a ratio is cut off at 5 %
LONG_DAYS = 3650  # a wait beyond ten years of days is told as longer than that
LARGEST = 10_000.0  # a share beyond it is told as more than that
CANNOT = (
    "What was already so in the baseline is taken as usual: it cannot be noticed.",
    "Daily numbers do not tell shade, dirt, a limit of power, snow that stayed and a wrong reading apart from parts without "
    "power: the course of the day, the roof and the converter can.",
    "A slow loss that the neighbours share, such as ageing, cannot be seen beside them.",
)


def sentences(told):
    """Return what an owner should know, in order.

    Parameters
    ----------
    told : comparison.Comparison

    Returns
    -------
    list of str
        Days; chart; stage; size of a change, or what would have been noticed; notes; what cannot be told.
    """
    if told.stage in CALLING:
        came = f" (the message came on {date(told.message)})" * (told.message != told.since)
        stage = f'Since {date(told.since)} the house stands at "{told.stage}"{came}: {reasons_that_fit(told.evidence)}'
    else:
        stage = f'Since {date(told.since)} the house stands at "{told.stage}": {MESSAGES[told.stage]}.'
    change = _change_told(told) if told.step else _nothing_told(told)
    return [_days_told(told), _chart_told(told), stage, *change, *told.notes, *CANNOT]


def shifts_told(shifts, least, is_message):
    """Return what `neighbours.pair_shifts` tells about whether this house or the set moved. `least`: smallest shift beyond chance."""
    moved = shifts.drop(HOUSE)[shifts.drop(HOUSE).abs() > least]
    each = ", ".join(f"{name} by {percent(shift)}" for name, shift in moved.items())
    if len(moved) > (len(shifts) - 1) / 2:
        return [
            f"Most neighbours moved against each other ({each}): the set has changed, or the roofs face elsewhere and the "
            "season moved on. The ratio need not speak of this house."
        ]
    if not is_message:
        told = f"Among the neighbours moved, beside the median of all others: {each}. A median hardly follows one of its systems."
        return [told] if each else []
    own = f"this house moved by {percent(shifts[HOUSE])} beside the median of all others"
    if each and moved.abs().max() > abs(shifts[HOUSE]):
        return [f"At that time {own}, but a neighbour moved more ({each}): look there first."]
    if each:
        return [f"At that time {own}; among the neighbours moved, by less: {each}."]
    if abs(shifts[HOUSE]) > least:
        return [f"At that time {own}, and no neighbour moved beyond chance: the set did not change."]
    return [f"At that time {own}, which chance may do; no neighbour moved beyond chance."]


def _days_told(told):
    reasons = told.days["reason"]
    counts = reasons[reasons != ""].value_counts()
    aside = ", ".join(f"{count} {why}" for why, count in counts.items())
    used = int((reasons == "").sum())
    return (
        f"Of {len(reasons)} days {used} are compared, the first {_count(told.usual.days)} of them as the baseline; "
        f"{counts.sum()} are set aside{': ' * bool(aside)}{aside}."
    )


def _chart_told(told):
    low, high = map(_wait, told.false_alarm_range)
    alike = "The chart is wider than usual, because each day resembles the day before. " * (told.widening > 1.0)
    return (
        f"A usual day lies {share(told.usual.scatter)} from the middle (one standard deviation). The chart watches for a "
        f"lasting loss of {share(told.watched_loss)}, which it notices after about {_notice(told, told.watched_loss)} on average. "
        f"{alike}With nothing wrong it still gives a message now and then: over many houses one in "
        f"{_wait(told.false_alarm_days)} compared days; for a single house with a baseline of {_count(told.usual.days)} days one in "
        f"{low} to {high}, in eight of ten cases."
    )


def _change_told(told):
    compared = told.days["ratio_percent"].loc[told.begin : told.low_until].count()
    lines = [f"The level changed about {date(told.step.first_day)}, by {_size(told.step)}."]
    if compared < FEW_DAYS:
        lines.append(
            f"It is measured on the {_days(compared)} that raised the message, and so tends to come out too large."
        )
    if compared < 3:
        lines.append(f"The message rests on {_days(compared)} only: more are needed, and one odd reading can do it.")
    latest = told.days.loc[told.recent.first_day :, "ratio_percent"].count()
    now = f"The last {_days(latest)} differ from the baseline by {_size(told.recent)}"
    back = abs(told.recent.change) <= 2 * told.recent.error
    if told.stage not in CALLING:
        lines.append(f"The message of {date(told.message)} has ended. {now}.")
    elif back and told.step.change < -2 * told.step.error and told.low_until < told.recent.first_day:
        lines.append(
            f"{now}, which chance explains. The sum has fallen since {date(told.low_until)}, but it falls slowly, so "
            "the message may outlast what caused it."
        )
    else:
        lines.append(f"{now}.")
    return lines


def _nothing_told(told):
    if told.stage != "usual":
        return []
    charted = int(told.days.loc[told.days["stage"] != "baseline", "ratio_percent"].count())
    losses = (told.watched_loss / 2, told.watched_loss, 0.5)
    sizes = ", ".join(f"{share(loss)} in {_notice(told, loss)}" for loss in losses)
    return [
        f"Nothing beyond chance was found in {_days(charted)} after the baseline. A lasting loss is noticed, on average: {sizes}. "
        "A smaller or a shorter one may have passed."
    ]


def reasons_that_fit(evidence):
    """Return the one sentence for a person: reasons that fit, or that none of the looked-for does. Never a verdict."""
    fitting = [item.reason for item in evidence if item.fits]
    reasons = ", ".join(fitting) if fitting else "not among those looked for here"
    return f"differs from similar systems; possible reasons are {reasons}."


def date(day):
    """Return a day as people write it, e.g. 5 March 2026."""
    return "an unknown day" if pd.isna(day) else f"{day.day} {day:%B %Y}"


def share(value, sign=""):
    """Return a share in percent; one that is not known or beyond all sense in words. `sign`: + to show it always."""
    if np.isnan(value):
        return "an unknown share"
    if abs(value) > LARGEST:
        return f"{'more' if value > 0 else 'less'} than {np.copysign(100 * LARGEST, value):{sign}.0f} %"
    return f"{100 * value:{sign}.1f} %"


def percent(log_change):
    """Return a change of a log ratio in percent, with its sign; see `share`."""
    return share(np.expm1(min(log_change, 2 * np.log(LARGEST))), "+")


def _count(number):
    """Return a whole number, or words for one that is not known or beyond all sense."""
    return f"{number:.0f}" if abs(number) < 1e9 else "an unknown number of"


def _wait(days):
    """Return a number of days to wait: a run length may be infinite."""
    return f"more than {LONG_DAYS}" if days >= LONG_DAYS else _count(days)


def _notice(told, loss):
    """Return after how many days a loss is noticed on average."""
    try:
        wait = told.days_to_notice(loss)
    except InputError:  # no length for such numbers
        wait = np.nan
    return "1 compared day" if wait < 1.5 else f"{_wait(wait)} compared days"


def _days(count):
    return "1 compared day" if round(count) <= 1 else f"{count:.0f} compared days"


def _size(step):
    if step.change < WHOLE:
        return "the whole yield, or nearly"
    low, high = (percent(step.change + side * step.error) for side in (-2, 2))
    return f"{percent(step.change)} (between {low} and {high}, two standard errors)"
