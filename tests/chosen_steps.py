"""Steps that a live filter asks for: a made player, for tests and benchmarks; nobody's switch obeys the library.

A budget is met by asking for more doubt before each step, never by stopping at a number: a hard limit would be spent
before noon.
"""

from dataclasses import dataclass

import numpy as np

from solarlib.direction.live import LiveFilter
from solarlib.direction.schedule import doubt

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


def run_live(net_w, pv_w, test_load_w, rng, chooser=None, fixed_every=None, habits=None, noise_w=5.0):
    """Play days with a live filter that decides when to test, and return what it saw.

    Each day is played from a fresh start at midnight.

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
    steps, days = net_w.shape
    interval_s = 86_400 / steps
    live = [LiveFilter(test_load_w, interval_s, habits=habits) for _ in range(days)]
    seen = {name: np.zeros(net_w.shape) for name in ("reading_w", "test_on", "p_export")}
    testing = np.zeros(days, dtype=bool)
    doubtful, since = np.zeros(days), np.full(days, np.inf)
    for t in range(steps):
        reading = np.round(np.abs(np.abs(net_w[t] + test_load_w * testing) + rng.normal(0, noise_w, days)))
        now = zip(live, reading, pv_w[t], testing.astype(float), strict=True)
        p_export = np.array([each.update(*sample) for each, *sample in now])
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
