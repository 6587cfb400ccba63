"""What the numbers and clock readings of a file prove: nights, registers, the clock and its label.

Each proof can fail to be had; then nothing is said, and a person is asked.
"""

from itertools import product

import numpy as np
import pandas as pd

from solarlib.files.clock import DOUBLE, SKIPPED, to_utc
from solarlib.files.dates import DAY_NS, HOUR_NS, MISSING

LEAST_RISING = 6  # numbers that must rise for a register
LEAST_NIGHTS = 3  # for a night or the sun to prove something
SMALL = 0.02  # of the largest value: what counts as nothing at night
DARK_DEG = -1.0  # the sun's elevation below which no module gives what counts
DARK_DAYS = 0.1  # share of the days on which something may be made in the dark, by a stray reading


def rises(values):
    """Tell whether numbers are a register's: they rise nearly always, and by little beside what it shows."""
    values = values[np.isfinite(values)]
    steps = np.diff(values)
    if len(values) < LEAST_RISING or not steps.any() or np.median(values) <= 10 * np.median(np.abs(steps)):
        return False
    return (steps >= 0).mean() > 0.97 or ((steps < 0).sum() <= 2 and (steps >= 0).mean() > 0.7)


def told_of_intervals(values):
    """Return what each number tells of its interval, of a register the rise to it."""
    return np.diff(values, prepend=values[:1]).clip(0.0) if rises(values) else values


def nothing_at_night(walls, values, offset_h=0):
    """Tell whether numbers are nothing around midnight of each day, and something by day.

    Midnight is that of the clock, or of the house (``offset_h`` from UTC) on a clock of UTC; then more hours must be
    quiet, so that a noon is not taken for it.

    Returns
    -------
    bool or None
        None where days are too few, or hours too few a day.
    """
    known = np.isfinite(values)
    walls, values = walls[known], np.abs(values[known])
    hours = walls // HOUR_NS % 24
    if len(np.unique(walls // DAY_NS)) < LEAST_NIGHTS or len(np.unique(hours)) < 24 or not values.any():
        return None
    busy = values > SMALL * np.quantile(values, 0.999)
    quiet = np.bincount(hours, busy, 24) < SMALL * np.bincount(hours, minlength=24)
    return bool(quiet[[23, 0, 1, 2, 3]].all() or quiet[(np.arange(-4, 5) - round(offset_h)) % 24].all())


def clocks(walls, step, zones, made, sun, labels):
    """Return the clocks and labels that neither clock changes nor the sun rule out, and what ruled others out.

    Parameters
    ----------
    walls : ndarray of int64
        Clock readings in the order of the file. [ns]
    step : int
        Their common distance. [ns]
    zones : dict of name to tzinfo
        Clocks that may be.
    made : ndarray of float or None
        Power or energy that is nothing at night.
    sun : callable or None
        Elevation of the sun at a DatetimeIndex. [deg]
    labels : sequence of str
        Sides that a stamp may name.
    """
    left, why = dict(zones), []
    for name, zone in zones.items():
        _, verdict, resolved = to_utc(walls, zone)
        if (verdict == SKIPPED).any():
            left.pop(name)
            why.append("skipped")
        elif resolved and not (verdict == DOUBLE).any() or _leaps(walls, step, zone):
            left = {name: zone}
            why.append("both_passes" if resolved else "leaps")
            break
    pairs = list(product(left or zones, labels))
    days = len(np.unique(walls // DAY_NS))
    if made is not None and sun is not None and days >= LEAST_NIGHTS and step <= HOUR_NS:
        bright = {pair: _in_the_dark(walls, step, made, zones[pair[0]], pair[1], sun) for pair in pairs}
        fit = [pair for pair in pairs if bright[pair] <= DARK_DAYS]
        why += ["sun"] if fit and len(fit) < len(pairs) else ["no_sun"] if not fit else []
        pairs = fit or pairs
    return pairs, why


def _leaps(walls, step, zone):
    """Tell whether the rows leave out just the hour that the clock skips in spring."""
    steps = np.diff(walls)
    for before in walls[:-1][steps == HOUR_NS + step] if step <= HOUR_NS else ():
        _, verdict, _ = to_utc(np.array([before + step]), zone)
        if verdict[0] == SKIPPED:
            return True
    return False


def _in_the_dark(walls, step, made, zone, label, sun):
    """Share of the days on which something is made while the sun is down from the start to the end of an interval."""
    moments, _, _ = to_utc(walls, zone)
    busy = (moments != MISSING) & (np.abs(made) > SMALL * np.nanmax(np.abs(made)))
    starts = np.sort(moments[busy]) - (step if label == "end" else 0)
    index = pd.DatetimeIndex(starts.view("datetime64[ns]"), tz="UTC")
    high = np.maximum(sun(index), sun(index + pd.Timedelta(step, "ns")))
    return len(np.unique(index.floor("D")[high < DARK_DEG])) / max(1, len(np.unique(index.floor("D"))))
