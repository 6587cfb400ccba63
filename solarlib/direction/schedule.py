"""When to test: steps where doubt times energy is largest, within a budget of steps or energy a day.

A budget is met by asking for more doubt before each step, never by stopping at a number: a hard limit would be spent
before noon.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from solarlib.direction.live import LiveFilter
from solarlib.direction.words import DIRECTION_WORDS
from solarlib.quantities import refuse_if, require

LEAST_READING_W = 60.0  # below it a wrong sign costs next to nothing
LEAST_PV_W = 30.0  # below it the house hardly exports
PAUSE_S = 180.0  # least time between two steps


@dataclass(frozen=True)
class Chooser:
    """Rule that asks for a step test when enough doubtful energy has passed since the last one.

    Parameters
    ----------
    threshold_wh : float
        Doubtful energy (twice the reading times the chance of being wrong, summed) that calls for a step. [Wh]
    """

    threshold_wh: float = 20.0

    def __post_init__(self):
        require(self.threshold_wh, "Chooser.threshold_wh", 0.01, 1e5, "Wh")

    def due(self, reading_w, p_export, pv_w, doubtful_wh, since_s):
        """Return True where a step is wanted now.

        Parameters
        ----------
        reading_w, p_export, pv_w : float or array
            The latest reading without the test load [W], its probability of export, PV power [W].
        doubtful_wh, since_s : float or array
            Doubtful energy [Wh] and time [s] since the last step.
        """
        doubtful = (doubtful_wh > self.threshold_wh) & (doubt(reading_w, p_export) > 0.2 * self.threshold_wh)
        worth_it = (np.asarray(reading_w) > LEAST_READING_W) & (np.asarray(pv_w) > LEAST_PV_W)
        return doubtful & worth_it & (np.asarray(since_s) >= PAUSE_S)


def doubt(reading_w, p_export):
    """Return the expected error of (import minus export): twice the reading times the chance of being wrong. [W]"""
    p = np.asarray(p_export, dtype=float)
    return 2 * np.asarray(reading_w, dtype=float) * np.minimum(p, 1 - p)


def step_cost_kwh(test_load_w, dwell_s, steps=1):
    """Return what the test load uses in so many steps. [kWh]"""
    return test_load_w * np.asarray(dwell_s, dtype=float) * steps / 3.6e6


def run_live(net_w, pv_w, test_load_w, rng, chooser=None, fixed_every=None, habits=None, noise_w=5.0):
    """Play days with a live filter that decides when to test, and return what it saw.

    All days are played side by side, each from a fresh start at midnight, so a long record takes no longer than one
    day's steps.

    Parameters
    ----------
    net_w, pv_w : array, shape (samples a day, days)
        Net power without the test load and PV power, means over the samples. [W]
    test_load_w : float
        On for exactly one sample a step. [W]
    rng : numpy.random.Generator
        Draws the reading's noise.
    chooser : Chooser, optional
        Decides on each sample whether the next one is a test. Without it and without ``fixed_every`` none is.
    fixed_every : int, optional
        Test every so many samples instead, by day.
    habits : likelihood.LoadHabits, optional
        Of this house from an earlier record.
    noise_w : float
        Noise of a reading. [W]

    Returns
    -------
    dict of ndarray, each of the shape of ``net_w``
        ``reading_w``, ``test_on`` (0 or 1), ``p_export`` as known live.
    """
    net_w, pv_w = np.asarray(net_w, dtype=float), np.asarray(pv_w, dtype=float)
    wrong = net_w.shape != pv_w.shape or net_w.ndim != 2
    refuse_if(wrong, "unlike_shapes", "net_w, pv_w", net=net_w.shape, pv=pv_w.shape)
    steps, days = net_w.shape
    interval_s = 86_400 / steps
    live = LiveFilter(test_load_w, interval_s, habits=habits, houses=days)
    seen = {name: np.zeros(net_w.shape) for name in ("reading_w", "test_on", "p_export")}
    testing = np.zeros(days, dtype=bool)
    doubtful, since = np.zeros(days), np.full(days, np.inf)
    for t in range(steps):
        reading = np.round(np.abs(np.abs(net_w[t] + test_load_w * testing) + rng.normal(0, noise_w, days)))
        p_export = live.update(reading, pv_w[t], testing.astype(float))
        for name, values in zip(seen, (reading, testing, p_export), strict=True):
            seen[name][t] = values
        doubtful = np.where(testing, 0.0, doubtful + doubt(reading, p_export) * interval_s / 3600)
        since = np.where(testing, 0.0, since + interval_s)
        if chooser is not None:
            # While a test runs the reading is not the house's own: never two in a row.
            testing = chooser.due(reading, p_export, pv_w[t], doubtful, since) & ~testing
        elif fixed_every:
            testing = np.full(days, (t + 1) % fixed_every == 0) & (pv_w[t] > LEAST_PV_W)
    return seen


def timetable(samples, steps_a_day, slot_min=1):
    """Return clock times for a plug-in timer, the same every day, from a decoded record.

    Each step gets an equal share of the doubtful energy of the average day.

    Parameters
    ----------
    samples : DataFrame
        `Decoded.samples` of an earlier record of the same season; its local clock counts.
    steps_a_day : int
    slot_min : int
        The timer's finest setting. [min]

    Returns
    -------
    list of str
        ``"HH:MM"``, increasing.

    Raises
    ------
    InputError
        If nothing in the record is in doubt, or the day has too few slots.
    """
    require(steps_a_day, "steps_a_day", 1, 1440)
    slots = 1440 // int(require(slot_min, "slot_min", 1, 60, "min"))
    power = samples["net_w"].abs().where(samples["net_w"].abs() > 0)
    # The expected net power is (1 - 2 P) u: give back the size of the reading.
    size = power / (1 - 2 * samples["p_export"]).abs().clip(lower=0.05)
    minute = samples.index.hour * 60 + samples.index.minute
    curve = pd.Series(doubt(size, samples["p_export"]), samples.index).groupby(minute // slot_min).mean()
    curve = curve.reindex(range(slots), fill_value=0.0).fillna(0.0).to_numpy()
    refuse_if(curve.sum() <= 0, "no_doubt", "samples")
    # Neighbouring slots share their doubt: an hour's mean, so that one odd minute does not draw a step.
    width = max(1, 60 // slot_min)
    curve = np.convolve(np.concatenate([curve[-width:], curve, curve[:width]]), np.ones(width) / width, "same")
    share = np.cumsum(curve[width:-width])
    wanted = (np.arange(int(steps_a_day)) + 0.5) / int(steps_a_day) * share[-1]
    chosen = np.unique(np.searchsorted(share, wanted))
    few = chosen.size < int(steps_a_day)
    refuse_if(few, "few_slots", "steps_a_day", steps=steps_a_day, slot_min=slot_min, most=chosen.size)
    return [f"{slot * slot_min // 60:02d}:{slot * slot_min % 60:02d}" for slot in chosen]


def timetable_text(times, dwell_min, test_load_w):
    """Return a timetable as plain text to set a plug-in timer by.

    Parameters
    ----------
    times : list of str
        From `timetable`.
    dwell_min : float
        How long the load stays on each time. [min]
    test_load_w : float
        [W]
    """
    energy_kwh, words = step_cost_kwh(test_load_w, dwell_min * 60, len(times)), DIRECTION_WORDS["timetable"]
    told = {"test_load_w": test_load_w, "dwell_min": dwell_min, "steps": len(times), "energy_kwh": energy_kwh}
    return words["head"].format(**told) + "".join(words["row"].format(start=start, **told) for start in times)


def share_from_timetable(index, times, dwell_min):
    """Return the share of each sample with the test load on, were a timetable followed every day.

    Parameters
    ----------
    index : DatetimeIndex
        Regular START labels of the readings; the local clock counts.
    times : list of str
        ``"HH:MM"``.
    dwell_min : float
        [min]
    """
    step_s = (index[1] - index[0]).total_seconds()
    second = index.hour * 3600.0 + index.minute * 60 + index.second
    share = np.zeros(len(index))
    for start in times:
        begin = int(start[:2]) * 3600 + int(start[3:]) * 60
        overlap = np.minimum(second + step_s, begin + 60 * dwell_min) - np.maximum(second, begin)
        share += np.clip(overlap, 0, None) / step_s
    return pd.Series(np.clip(share, 0, 1), index, name="test_on")
