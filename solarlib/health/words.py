"""What a comparison tells the owner of a house, in plain sentences of ``words.toml``. Never a verdict."""

from collections.abc import Iterable

import numpy as np

from solarlib.quantities import InputError, day_words, in_form, texts_beside

HEALTH_WORDS = texts_beside(__file__, "words")
HOUSE = "this house"
CALLING = ("look", "act")
FEW_DAYS = 30  # fewer than these raised a message: its size is biased
WHOLE = np.log(0.1)  # a change below it is told as all: a ratio is cut off at 5 %
LONG_DAYS = 365  # a wait beyond those of the houses it is measured on is told as longer than that
LARGEST_SHARE = 10_000.0  # a share beyond it is told as more than that


def sentence(name, **parts):
    """Return a sentence of ``words.toml``, its braces filled."""
    return in_form(HEALTH_WORDS["sentences"][name].format(**parts))


def comparison_told(told):
    """Return what an owner should know, in order.

    Parameters
    ----------
    told : comparison.Comparison

    Returns
    -------
    list of str
        Stage; size of a change, or what would have been noticed; notes; days; chart; what cannot be told.
    """
    if told.cannot:
        stands = sentence("stage", since=day_words(told.since), stage=told.stage, came="", told=told.cannot)
        return [stands, _days_told(told), *told.notes, *HEALTH_WORDS["limits"].values()]
    stage, came = f"{HEALTH_WORDS['messages'][told.stage]}.", ""
    if told.stage in CALLING:
        stage = reasons_that_fit(told.evidence)
        came = sentence("came", message=day_words(told.message)) if told.message != told.since else ""
    stands = sentence("stage", since=day_words(told.since), stage=told.stage, came=came, told=stage)
    change = _change_told(told) if told.step else _nothing_told(told)
    return [stands, *change, *told.notes, _days_told(told), _chart_told(told.watch), *HEALTH_WORDS["limits"].values()]


def shifts_told(shifts, least, is_message):
    """Return what `neighbours.pair_shifts` tells about whether this house or the set moved.

    `least` is the smallest shift beyond chance.
    """
    others, own = shifts.drop(HOUSE), shifts[HOUSE]
    moved = others[others.abs() > least]
    each = ", ".join(f"{name} by {in_percent(shift)}" for name, shift in moved.items())
    house = sentence("house_moved", own=in_percent(own))
    if len(moved) > len(others) / 2:
        return [sentence("set_moved", each=each)]
    if not is_message:
        return [sentence("some_moved", each=each)] if each else []
    if each:
        return [sentence("more" if moved.abs().max() > abs(own) else "less", house=house, each=each)]
    return [sentence("alone" if abs(own) > least else "chance", house=house)]


def _days_told(told):
    reasons = told.days["reason"]
    counts = reasons[reasons != ""].value_counts()
    aside = ": " + ", ".join(f"{count} {why}" for why, count in counts.items()) if len(counts) else ""
    used, baseline = len(reasons) - counts.sum(), _count(told.watch.usual.days)
    return sentence("days", days=len(reasons), used=used, baseline=baseline, count=counts.sum(), aside=aside)


def cannot_told(watch, has_models):
    """Return why a chart tells nothing: seasons that are not taken out, or a wait too long to be of use."""
    if not has_models:
        return sentence("no_season")
    return sentence("slow_chart", scatter=share(watch.usual.scatter), loss=share(watch.loss), wait=_notice(watch))


def _chart_told(watch):
    scatter, loss, baseline = share(watch.usual.scatter), share(watch.loss), _count(watch.usual.days)
    rare, low, high = map(_about, (watch.false_message_days, *watch.false_message_range))
    houses, named = _count(watch.houses.z.shape[1]), {"scatter": scatter, "loss": loss, "wait": _notice(watch)}
    return sentence("chart", **named, houses=houses, baseline=baseline, rare=rare, low=low, high=high)


def _change_told(told):
    ratio, recent = told.days["ratio_percent"], told.recent
    count = ratio.loc[told.begin : told.low_until].count()
    compared, latest = _compared(_count(count)), _compared(_count(ratio.loc[recent.first_day :].count()))
    lines = [sentence("level", first_day=day_words(told.step.first_day), size=_size(told.step))]
    lines += [sentence("few", compared=compared)] if count < FEW_DAYS else []
    lines += [sentence("odd", compared=compared)] if count < 3 else []
    is_back, fell = abs(recent.change) <= 2 * recent.error, told.step.change < -2 * told.step.error
    outlasts = told.stage in CALLING and is_back and fell and told.low_until < recent.first_day
    back = sentence("back", low_until=day_words(told.low_until)) if outlasts else ""
    now = sentence("now", latest=latest, size=_size(recent), back=back)
    return [*lines, now if told.stage in CALLING else sentence("ended", message=day_words(told.message), now=now)]


def _nothing_told(told):
    if told.stage != "usual":
        return []
    charted = told.days.loc[told.days["stage"] != "baseline", "ratio_percent"].count()
    losses = (told.watch.loss / 2, told.watch.loss, 0.5)
    sizes = "; ".join(f"{share(loss)}: {_notice(told.watch, loss)}" for loss in losses)
    return [sentence("nothing", charted=_compared(_count(charted)), sizes=sizes)]


def reasons_that_fit(evidence: Iterable) -> str:
    """Return the one sentence for a person: reasons that fit, or that none of the looked-for does. Never a verdict."""
    fitting = [item.reason for item in evidence if item.fits]
    reasons = ", ".join(fitting) if fitting else "not among those looked for here"
    return f"differs from similar systems; possible reasons are {reasons}."


def share(value, sign=""):
    """Return a share in percent; one that is not known or beyond all sense in words. `sign`: + to show it always."""
    if np.isnan(value):
        return "an unknown share"
    if abs(value) > LARGEST_SHARE:
        return f"{'more' if value > 0 else 'less'} than {np.copysign(100 * LARGEST_SHARE, value):{sign}.0f} %"
    return f"{100 * value:{sign}.1f} %"


def in_percent(log_change):
    """Return a change of a log ratio in percent, with its sign; see `share`."""
    return share(np.expm1(min(log_change, 2 * np.log(LARGEST_SHARE))), "+")


def _count(number):
    """Return a whole number, or words for one that is not known or beyond all sense."""
    return f"{number:.0f}" if abs(number) < 1e9 else "an unknown number of"


def _about(number):
    """Return a measured number with the two digits that it is good for."""
    return _count(float(f"{number:.2g}"))


def _wait(days):
    """Return a number of days to wait: a run length may be infinite."""
    return f"more than {LONG_DAYS}" if days > LONG_DAYS else _count(days)


def _notice(watch, loss=None):
    """Return after how many days half of the losses, and nine of ten, are noticed; default: the one watched for."""
    try:
        half, most = watch.days_to_notice(watch.loss if loss is None else loss)
    except InputError:  # there is no wait for such numbers
        half, most = np.nan, np.nan
    return sentence("notice", half=_compared(_wait(half)), most=_wait(most))


def _compared(days):
    return "1 compared day" if days == "1" else f"{days} compared days"


def _size(step):
    if step.change < WHOLE:
        return "the whole yield, or nearly"
    low, high = (in_percent(step.change + side * step.error) for side in (-2, 2))
    return f"{in_percent(step.change)} (between {low} and {high}, two standard errors)"
