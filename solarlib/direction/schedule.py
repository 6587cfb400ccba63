"""When to test: a timetable of steps where doubt times energy is largest, and what they cost."""

import numpy as np
import pandas as pd
from scipy.ndimage import uniform_filter1d

from solarlib.quantities import refuse_if, require


def doubt(reading_w, p_export):
    """Return the expected error of (import minus export): twice the reading times the chance of being wrong. [W]"""
    p = np.asarray(p_export, dtype=float)
    return 2 * np.asarray(reading_w, dtype=float) * np.minimum(p, 1 - p)


def step_cost_kwh(test_load_w, dwell_s, steps=1):
    """Return what the test load uses in so many steps. [kWh]"""
    return test_load_w * np.asarray(dwell_s, dtype=float) * steps / 3.6e6


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
    slot = (samples.index.hour * 60 + samples.index.minute) // slot_min
    doubtful_kwh = doubt(samples["import_kwh"] + samples["export_kwh"], samples["p_export"])
    curve = pd.Series(doubtful_kwh).groupby(slot).mean().reindex(range(slots)).fillna(0.0).to_numpy()
    refuse_if(curve.sum() <= 0, "no_doubt", "samples")
    # Neighbouring slots share their doubt: an hour's mean, so that one odd minute does not draw a step.
    share = np.cumsum(uniform_filter1d(curve, max(1, 60 // slot_min), mode="wrap"))
    chosen = np.unique(np.searchsorted(share, (np.arange(steps_a_day) + 0.5) / steps_a_day * share[-1]))
    few = chosen.size < steps_a_day
    refuse_if(few, "few_slots", "steps_a_day", steps=steps_a_day, slot_min=slot_min, most=chosen.size)
    return [f"{slot * slot_min // 60:02d}:{slot * slot_min % 60:02d}" for slot in chosen]


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
