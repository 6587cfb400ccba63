"""What a loss looks like: from the shape over days and within the day to possible reasons, each with its evidence.

A shape never proves its cause. Every result is a list of reasons that fit, with the numbers that make them fit.
`own` and `expected` are power of the house and what similar systems or a model lead to expect, on one index.
"""

from dataclasses import dataclass
from types import SimpleNamespace

import numpy as np
import pandas as pd

from solarlib.health.chart import MAD_TO_SCATTER, MEDIAN_ERROR
from solarlib.health.words import in_percent, sentence
from solarlib.quantities import check_index, refuse_if, texts_beside

_LIMIT = SimpleNamespace(**texts_beside(__file__, "shapes"))
_SECTIONS = 3  # of a module, each with its bypass
SLOW_DAYS = (20, 40, 80)  # over which a season may come


@dataclass(frozen=True)
class Evidence:
    """One possible reason and the number that makes it fit; `fits` is False where the number speaks against it."""

    reason: str
    fits: bool
    value: float
    text: str


@dataclass(frozen=True)
class Step:
    """The day from which a daily log ratio stands at another level, the change, and its standard error."""

    first_day: pd.Timestamp
    change: float
    error: float


def step_level(log_ratio, least_days, within):
    """Return the best single step in a daily log ratio.

    Parameters
    ----------
    log_ratio : Series, shape (days,)
        NaN days are left out.
    least_days : int
        On each side of the step.
    within : tuple of Timestamp
        Earliest and latest first day of the new level that is looked at: something else tells about when it began.

    Returns
    -------
    Step
        The split with the least sum of absolute deviations from the two medians; change between the medians; its
        standard error for independent days.

    Raises
    ------
    InputError
        Too few days, or none to split at.
    """
    values = log_ratio.dropna()
    refuse_if(len(values) < 2 * least_days, "few_usable", "days", count=len(values), least=2 * least_days)
    array, cuts = values.to_numpy(), np.arange(least_days, len(values) - least_days + 1)
    cuts = cuts[(values.index[cuts] >= within[0]) & (values.index[cuts] <= within[1])]
    refuse_if(not len(cuts), "no_split", "within", least=least_days)
    cut = int(min(cuts, key=lambda cut: _spread(array[:cut]) + _spread(array[cut:])))
    before, after = array[:cut], array[cut:]
    left = np.concatenate([before - np.median(before), after - np.median(after)])
    scatter = MAD_TO_SCATTER * np.median(np.abs(left))
    error = MEDIAN_ERROR * scatter * np.sqrt(1 / len(before) + 1 / len(after))
    return Step(values.index[cut], float(np.median(after) - np.median(before)), float(error))


def is_gradual(log_ratio):
    """Tell whether a change of a daily log ratio came over weeks rather than from one day to the next.

    Parameters
    ----------
    log_ratio : Series, shape (days,)
        Days before and after the change; NaN days are left out.

    Returns
    -------
    bool
        A straight fall over 20, 40 or 80 days between two levels leaves less than any step; days far out are cut off.
    """
    values = log_ratio.dropna().to_numpy()
    middle = np.median(values)
    far = 4.0 * MAD_TO_SCATTER * np.median(np.abs(values - middle))
    values = values.clip(middle - far, middle + far)
    left = {days: min(_left_by(values, days)) for days in (1, *SLOW_DAYS)}
    return min(left, key=left.get) > 1


def _left_by(values, days):
    """Return what is left unexplained by a fall over so many days, for each first day of it."""
    begin, at = np.arange(1 - days, len(values) - 1)[:, None], np.arange(len(values))
    falls = ((at - begin) / days).clip(0.0, 1.0)
    falls = falls - falls.mean(axis=1, keepdims=True)
    centred = values - values.mean()
    return (centred**2).sum() - (falls @ centred) ** 2 / (falls**2).sum(axis=1).clip(min=1e-9)


def parts_lost(step, module_count):
    """Return which missing parts a step's size fits, within twice its error.

    Returns
    -------
    list of Evidence
        One section of a module, one to three modules, as far as there are more: every one, with `fits`.
    """
    shares = {f"one section of one of {module_count} modules": 1.0 / (_SECTIONS * module_count)}
    for dead in range(1, min(3, module_count - 1) + 1):
        shares[f"{dead} of {module_count} modules without power"] = dead / module_count
    found, fell = [], step.change < -2.0 * step.error
    for reason, share in shares.items():
        level = float(np.log1p(-share))
        fits = bool(fell and abs(step.change - level) <= 2.0 * step.error)
        text = sentence("part", change=in_percent(step.change), level=in_percent(level))
        found.append(Evidence(reason, fits, share, text))
    return found


def zero_days(own_kwh, reference_kwh):
    """Return the second of two good-sun days, one after the other, on which a house made nothing.

    Parameters
    ----------
    own_kwh, reference_kwh : Series, shape (days,)
        Daily energy or yield of the house and of its neighbours.

    Returns
    -------
    Timestamp or None
        No statistics are needed: one such day may be a reading lost, two are not.
    """
    known = own_kwh.notna()  # a reading lost does not end a row
    sunny = (reference_kwh > _LIMIT.good_day * reference_kwh.max()) & known
    zero = own_kwh[sunny] < 0.02 * reference_kwh[sunny]
    both = zero & zero.shift(fill_value=False)
    return both.idxmax() if both.any() else None


def hourly_ratio(own, expected):
    """Return the ratio of energies for each hour of the local day in which enough light is expected.

    Parameters
    ----------
    own, expected : Series, same regular aware index

    Returns
    -------
    Series
        Index: hour of the day. Energies are added first, then divided.
    """
    check_index(expected.index)
    both = pd.DataFrame({"own": own, "expected": expected}).dropna()
    sums = both.groupby(both.index.hour).sum()
    bright = sums["expected"] > _LIMIT.shining * sums["expected"].max()
    return sums["own"][bright] / sums["expected"][bright]


def same_all_day(own, expected):
    """Return the evidence that a loss is the same in every hour: a dead part, dirt or age rather than shade."""
    ratio = hourly_ratio(own, expected)
    spread = float(ratio.max() - ratio.min())
    text = sentence("same" if len(ratio) else "no_light", low=ratio.min(), high=ratio.max())
    return Evidence("a loss that is the same all day", spread <= _LIMIT.flat, spread, text)


def shade_block(own, expected):
    """Return the evidence that a block of neighbouring hours is low while the other hours agree: new shade."""
    ratio = hourly_ratio(own, expected)
    top = ratio.quantile(0.75)
    low = (ratio < top - _LIMIT.shade_depth).to_numpy()
    edges = np.count_nonzero(np.diff(np.concatenate([[0], low.astype(int), [0]])))
    hours, text = ratio.index[low], sentence("no_shade")
    if len(hours):
        text = sentence("shade", first=hours[0], last=hours[-1] + 1, share=ratio[low].mean() / top)
    fits = bool(edges == 2 and low.sum() <= _LIMIT.shade_share * len(low))
    return Evidence("new shade in one part of the day", fits, float(low.sum()), text)


def flat_top(own, expected):
    """Return the evidence of a limit: the greatest power is the same again and again while more was expected."""
    both = pd.DataFrame({"own": own, "expected": expected}).dropna()
    top = both["own"].max()
    at = both[both["own"] > (1.0 - _LIMIT.at_top) * top] if top > 0 else both.iloc[:0]
    low, high = at["expected"].quantile([0.1, 0.9]) if len(at) else (1.0, 1.0)
    wanted = high / low if low > 0 else 1.0  # power where none was expected is no limit
    fits = bool(len(at) >= 6 and wanted > 1.0 + 4.0 * _LIMIT.at_top)
    text = sentence("top", near=100 * _LIMIT.at_top, count=len(at), varies=100 * (wanted - 1))
    return Evidence("a limit of power, by rating or by rule", fits, float(len(at)), text)


def midday_dropouts(own, expected):
    """Return the evidence that the converter leaves at high light and returns: grid voltage too high, loose contact."""
    both = pd.DataFrame({"own": own, "expected": expected}).dropna()
    bright = both[both["expected"] > _LIMIT.bright * both["expected"].max()]
    out = bright["own"] < 0.05 * bright["expected"]
    usual = float((bright["own"] / bright["expected"]).median())
    fits = bool(out.any() and out.mean() < 0.5 and usual > _LIMIT.sound)
    text = sentence("out" if len(bright) else "no_bright", out=int(out.sum()), count=len(bright), usual=usual)
    return Evidence("the converter leaves the grid at times", fits, float(out.sum()), text)


def hour_shift(own, expected):
    """Return the evidence of a clock fault: the middle of the day's energy lies elsewhere than expected. [h]"""
    both = pd.DataFrame({"own": own, "expected": expected}).dropna()
    hour = np.asarray((both.index - both.index.normalize()) / pd.Timedelta(hours=1))
    days = both.index.normalize()
    energy = both.groupby(days).sum()
    middle = both.mul(hour, axis=0).groupby(days).sum() / energy.where(energy > 0)
    shift = float((middle["own"] - middle["expected"]).median())
    text = sentence("clock" if np.isfinite(shift) else "no_clock", shift=shift)
    return Evidence("a clock that is off", abs(shift) >= _LIMIT.clock_h, shift, text)


DAY_SHAPES = (same_all_day, flat_top, midday_dropouts, shade_block, hour_shift)  # what a day alone can show


def _spread(values):
    return np.abs(values - np.median(values)).sum()
