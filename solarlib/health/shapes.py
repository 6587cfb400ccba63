"""What a loss looks like: from the shape over days and within the day to possible reasons, each with its evidence.

A shape never proves its cause. Every result is a list of reasons that fit, with the numbers that make them fit.
`own` and `expected` are power of the house and what similar systems or a model lead to expect, on one index.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from solarlib.health.chart import MAD_TO_SCATTER
from solarlib.health.words import percent
from solarlib.quantities import InputError, check_index

GOOD_DAY = 0.3  # of the best expected day: enough sun that a zero cannot be weather
SHINING = 0.15  # of the greatest expected power: enough light for a ratio
FLAT = 0.04  # greatest spread of the hourly ratios of a loss that is the same all day
RAIN_MM = 5.0  # that washes a roof (`common practice, no source`)
MEDIAN_ERROR = 1.2533  # standard error of a median beside that of a mean, normal days


@dataclass(frozen=True)
class Evidence:
    """One possible reason and the number that makes it fit; `fits` is False where the number speaks against it."""

    reason: str
    fits: bool
    value: float
    text: str


@dataclass(frozen=True)
class Step:
    """The day from which a daily log ratio stands at another level, the change, and the change over its own error."""

    first_day: pd.Timestamp
    change: float
    error: float


def step_level(log_ratio, least_days=5, within=None):
    """Return the best single step in a daily log ratio.

    Parameters
    ----------
    log_ratio : Series, shape (days,)
        NaN days are left out.
    least_days : int
        On each side of the step.
    within : tuple of Timestamp, optional
        Earliest and latest first day of the new level that is looked at, where something else tells about when it began.

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
    if len(values) < 2 * least_days:
        raise InputError(f"days: found {len(values)} usable ones, allowed are {2 * least_days} or more")
    array = values.to_numpy()
    cuts = np.arange(least_days, len(array) - least_days + 1)
    if within is not None:
        cuts = cuts[(values.index[cuts] >= within[0]) & (values.index[cuts] <= within[1])]
        if not len(cuts):
            raise InputError(
                f"within: found no day to split at, allowed are some with {least_days} usable days on each side"
            )
    cut = int(min(cuts, key=lambda cut: _spread(array[:cut]) + _spread(array[cut:])))
    before, after = array[:cut], array[cut:]
    left = np.concatenate([before - np.median(before), after - np.median(after)])
    scatter = MAD_TO_SCATTER * np.median(np.abs(left))
    error = MEDIAN_ERROR * scatter * np.sqrt(1 / len(before) + 1 / len(after))
    return Step(values.index[cut], float(np.median(after) - np.median(before)), float(error))


def parts_lost(step, module_count, strings=1, sections=3):
    """Return which missing parts a step's size fits, within twice its error.

    Parameters
    ----------
    step : Step
    module_count : int
    strings : int
        Equal branches or strings.
    sections : int
        Bypass-protected sections of a module.

    Returns
    -------
    list of Evidence
        One section, one to three modules, one to all-but-one strings: every one, with `fits`.
    """
    shares = {f"one section of one of {module_count} modules": 1.0 / (sections * module_count)}
    for dead in range(1, min(3, module_count - 1) + 1):
        shares[f"{dead} of {module_count} modules without power"] = dead / module_count
    for dead in range(1, strings):
        shares[f"{dead} of {strings} strings or branches without power"] = dead / strings
    found = []
    for reason, share in shares.items():
        level = float(np.log1p(-share))
        fits = bool(abs(step.change - level) <= 2.0 * step.error) and step.change < -2.0 * step.error
        found.append(
            Evidence(
                reason, fits, share, f"the level changed by {percent(step.change)}, this would be {percent(level)}"
            )
        )
    return found


def zero_days(own_kwh, reference_kwh, good=GOOD_DAY, in_a_row=2):
    """Return the first day by which a house made nothing on `in_a_row` good-sun days, one after the other.

    Parameters
    ----------
    own_kwh, reference_kwh : Series, shape (days,)
        Daily energy or yield of the house and of its neighbours.

    Returns
    -------
    Timestamp or None
        No statistics are needed: one such day may be a reading lost, two are not.
    """
    sunny = (reference_kwh > good * reference_kwh.max()) & own_kwh.notna()  # a reading lost does not end a row
    zero = (own_kwh[sunny] < 0.02 * reference_kwh[sunny]).to_numpy()
    run = 0
    for day, is_zero in zip(own_kwh.index[sunny], zero):
        run = run + 1 if is_zero else 0
        if run == in_a_row:
            return day
    return None


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
    bright = sums["expected"] > SHINING * sums["expected"].max()
    return sums["own"][bright] / sums["expected"][bright]


def same_all_day(own, expected):
    """Return the evidence that a loss is the same in every hour: a dead part, dirt or age rather than shade."""
    ratio = hourly_ratio(own, expected)
    spread = float(ratio.max() - ratio.min())
    text = f"the hours lie between {ratio.min():.2f} and {ratio.max():.2f} of what is expected"
    text = text if len(ratio) else "0 hours have enough light"
    return Evidence("a loss that is the same all day", spread <= FLAT, spread, text)


def shade_block(own, expected, depth=0.06):
    """Return the evidence that a block of neighbouring hours is low while the other hours agree: new shade.

    `depth` is how far a low hour lies under the upper quarter of the hours. [share]
    """
    ratio = hourly_ratio(own, expected)
    top = ratio.quantile(0.75)
    low = (ratio < top - depth).to_numpy()
    edges = np.flatnonzero(np.diff(np.concatenate([[0], low.astype(int), [0]])))
    one_block = len(edges) == 2 and 0 < low.sum() <= 0.6 * len(low)
    hours = ratio.index[low]
    text = (
        f"from {hours[0]}:00 to {hours[-1] + 1}:00 {ratio[low].mean() / top:.2f} of the other hours"
        if len(hours)
        else "no hour stands out"
    )
    return Evidence("new shade in one part of the day", bool(one_block), float(low.sum()), text)


def flat_top(own, expected, tolerance=0.01):
    """Return the evidence of a limit: the greatest power is the same again and again while more was expected.

    `tolerance` is how near to the greatest power an interval counts as being at it. [share]
    """
    both = pd.DataFrame({"own": own, "expected": expected}).dropna()
    top = both["own"].max()
    at = both[both["own"] > (1.0 - tolerance) * top] if top > 0 else both.iloc[:0]
    low, high = at["expected"].quantile([0.1, 0.9]) if len(at) else (1.0, 1.0)
    wanted = high / low if low > 0 else 1.0  # power where none was expected is no limit
    days = at.index.normalize().nunique()
    fits = bool(len(at) >= 6 and wanted > 1.0 + 4.0 * tolerance and days >= 1)
    return Evidence(
        "a limit of power, by rating or by rule",
        fits,
        float(len(at)),
        f"intervals within {100 * tolerance:.0f} % of the greatest power: {len(at)}; the expected varies there by {100 * (wanted - 1):.0f} %",
    )


def midday_dropouts(own, expected, shoulder=0.7):
    """Return the evidence that the converter leaves at high light and returns: grid voltage too high, or a loose contact.

    `shoulder`: median ratio of the bright intervals that shows the system well otherwise. [share]
    """
    both = pd.DataFrame({"own": own, "expected": expected}).dropna()
    bright = both[both["expected"] > 0.6 * both["expected"].max()]
    out = bright["own"] < 0.05 * bright["expected"]
    usual = float((bright["own"] / bright["expected"]).median())
    fits = bool(out.any() and out.mean() < 0.5 and usual > shoulder)
    text = f"{int(out.sum())} of {len(bright)} bright intervals without power, {usual:.2f} of the expected otherwise"
    text = text if len(bright) else "0 intervals are bright"
    return Evidence("the converter leaves the grid at times", fits, float(out.sum()), text)


def hot_sag(own, expected, temp_air):
    """Return the evidence that the ratio falls when it is hot, light taken out: poor cooling or derating by heat."""
    both = pd.DataFrame({"own": own, "expected": expected, "warm": temp_air}).dropna()
    both = both[(both["expected"] > 0.4 * both["expected"].max()) & (both["own"] > 0)]
    if len(both) < 10:
        return Evidence("heat", False, 0.0, "too few bright intervals")
    ratio = np.log(both["own"] / both["expected"]).to_numpy()
    slope, error = _last_slope(ratio, both["expected"] / both["expected"].max(), both["warm"])
    fits = bool(slope < -0.002 and slope < -3.0 * error)
    return Evidence("heat", fits, slope, f"{100 * slope:+.2f} % per degree of air temperature at equal light")


def light_slope(own, expected, least=0.05):
    """Return the evidence that the ratio to the expected depends on the light: less at high light, or less at low light.

    Parameters
    ----------
    own, expected : Series, same index
        Power in each interval. Intervals without power are left out: they are a matter of `midday_dropouts`.
    least : float
        Smallest slope that counts: a model of a roof is itself off by some percent between low and high light
        (`common practice, no source`).

    Returns
    -------
    Evidence
        Value: change of the log ratio from no light to the most expected. Below 0 fits a limit of power or heat (see
        `flat_top` and `hot_sag`); above 0 fits shade at low sun or a converter that starts late. Fits where it is
        larger than `least` and than three standard errors, for intervals that do not resemble each other.
    """
    both = pd.DataFrame({"own": own, "expected": expected}).dropna()
    both = both[(both["expected"] > SHINING * both["expected"].max()) & (both["own"] > 0)]
    if len(both) < 10:
        return Evidence("a loss that depends on the light", False, 0.0, "too few bright intervals: 9 or less")
    slope, error = _last_slope(np.log(both["own"] / both["expected"]), both["expected"] / both["expected"].max())
    fits = bool(abs(slope) > least and abs(slope) > 3.0 * error)
    where = "high" if slope < 0 else "low"
    return Evidence(
        f"a loss that grows towards {where} light",
        fits,
        slope,
        f"the ratio at full light is {percent(slope)} beside the ratio at the lowest, standard error {100 * error:.1f} %",
    )


def hour_shift(own, expected):
    """Return the evidence of a clock fault: the middle of the day's energy lies elsewhere than expected. [h]"""
    both = pd.DataFrame({"own": own, "expected": expected}).dropna()
    hour = np.asarray((both.index - both.index.normalize()) / pd.Timedelta(hours=1))
    day = both.index.normalize()
    middle = {
        name: (both[name] * hour).groupby(day).sum() / both[name].groupby(day).sum().where(lambda s: s > 0)
        for name in both
    }
    shift = float((middle["own"] - middle["expected"]).median())
    text = f"the middle of the day's energy lies {shift:+.2f} h from the expected"
    text = text if np.isfinite(shift) else "0 days have energy on both sides"
    return Evidence("a clock that is off", abs(shift) >= 0.4, shift, text)


def ramp_and_rain(log_ratio, rain_mm, least_days=20):
    """Return the evidence of dirt: a slow fall over dry days that rain takes back.

    Parameters
    ----------
    log_ratio : Series, shape (days,)
    rain_mm : Series, shape (days,)
        Rain of the day. [mm]

    Returns
    -------
    Evidence
        Value: slope per day since rain. Fits where it is below 0 by three standard errors.
    """
    washed = (rain_mm >= RAIN_MM).to_numpy()
    since = np.zeros(len(washed))
    for day in range(1, len(washed)):
        since[day] = 0.0 if washed[day] else since[day - 1] + 1.0
    good = np.isfinite(log_ratio.to_numpy())
    x, y = since[good], log_ratio.to_numpy()[good]
    if len(x) < least_days or np.ptp(x) < 5 or not washed.any():
        return Evidence("dirt that rain washes off", False, 0.0, "too few dry days between rains")
    slope, error = _last_slope(y, x)
    return Evidence(
        "dirt that rain washes off",
        slope < -3.0 * error,
        slope,
        f"{100 * slope:+.3f} % a day since the last rain of {RAIN_MM:g} mm or more, standard error {100 * error:.3f} %",
    )


SHAPES = (same_all_day, flat_top, midday_dropouts, shade_block, hour_shift)  # what a day alone can show


def _last_slope(values, *columns):
    """Return the slope on the last column, beside a constant and the others, and its standard error: least squares."""
    values, table = np.asarray(values), np.column_stack([np.ones(len(values)), *columns])
    solution, *_ = np.linalg.lstsq(table, values, rcond=None)
    left = values - table @ solution
    error = np.sqrt(left @ left / max(len(values) - table.shape[1], 1) * np.linalg.pinv(table.T @ table)[-1, -1])
    return float(solution[-1]), float(error)


def _spread(values):
    return np.abs(values - np.median(values)).sum()
