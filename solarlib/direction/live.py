"""Live: the direction now, from what has been seen until now, one sample at a time.

The same evidence as `solarlib.direction.signs` uses for a whole record, without the future.
"""

from collections import deque

import numpy as np

from solarlib.direction import chain, likelihood
from solarlib.direction.record import LARGEST_W
from solarlib.direction.signs import expected
from solarlib.quantities import InputError, refuse_if, require, whole_number

MEMORY = 15  # samples that tell how much the reading usually moves
NEW_NIGHT = 60  # night samples after which the habits are learned anew
NIGHTS_KEPT = 20_000  # night samples kept to learn from
_LONGEST_GAP = 1440.0  # after so many missed samples the past says nothing more


class LiveFilter:
    """Follow one house, or several side by side, sample by sample.

    Parameters
    ----------
    test_load_w : float
        Test load; 0 if there is none. [W]
    interval_s : float
        Time between two samples. [s]
    pv_window_s : float, optional
        Window over which the PV power is a mean; the interval if left out. [s]
    habits : likelihood.LoadHabits, optional
        Of an earlier record; without, a plain house until nights have been seen.
    houses : int
        How many are followed side by side; values are then arrays of this length.

    Attributes
    ----------
    p_export : ndarray, shape (houses,)
        Probability that the last reading was export (the test load included, if it ran).
    p_export_without : ndarray, shape (houses,)
        The same for the net power without the test load: the direction to remember.
    """

    def __init__(self, test_load_w=0.0, interval_s=60.0, pv_window_s=None, habits=None, houses=1):
        load_w = require(test_load_w, "test_load_w", 0, 20_000, "W")
        interval_s = require(interval_s, "interval_s", 0.1, 86_400, "s")
        window_s = require(pv_window_s or interval_s, "pv_window_s", 0.1, 86_400, "s")
        whole_number(houses, "houses", 1, 100_000)
        self.instrument = likelihood.Instrument(interval_s, window_s, test_load_w=load_w)
        self.habits = habits or likelihood.learn_habits()
        self.learns = habits is None
        self.p_export = np.full(houses, 0.5)
        self.p_export_without = np.full(houses, 0.5)
        self._odds = np.ones(houses)
        self._load = np.full((2, houses), np.nan)
        self._pv = np.full((3, houses), np.nan)  # the last three PV windows, newest first
        self._reading = np.full(houses, np.nan)
        self._missed = np.zeros(houses)
        self._moves = deque(maxlen=MEMORY)
        self._tested = np.zeros(houses, dtype=bool)
        self._quiet = np.full(houses, np.nan)  # the last reading without the test load
        self._night = deque(maxlen=NIGHTS_KEPT)
        self._new = 0

    def update(self, reading_w, pv_w, test_share=0.0):
        """Take in one sample and return the probability that its reading was export.

        Parameters
        ----------
        reading_w : float or array, shape (houses,)
            Unsigned reading; NaN if missed. [W]
        pv_w : float or array
            PV power, the latest known. [W]
        test_share : float or array
            Share of the sample with the test load on.

        Returns
        -------
        float or ndarray
            NaN where there was no reading.

        Raises
        ------
        InputError
            For text or a wrong number of values, a reading below -50 W, a power above 1 MW, a share outside 0 to 1.
        """
        shape = self.p_export.shape
        u = _checked("reading_w", reading_w, shape, -50.0, LARGEST_W)
        pv = _checked("pv_w", pv_w, shape, -1000.0, LARGEST_W)
        share = _checked("test_share", test_share, shape, 0.0, 1.0)
        refuse_if(np.isnan(share).any(), "share_of_test", "test_share")
        seen = np.isfinite(u)
        u = np.where(seen, np.maximum(u, 0.0), 0.0)
        unknown = ~np.isfinite(pv)
        pv = np.where(unknown, np.nan_to_num(self._pv[0]), pv)
        sun_before = np.where(np.isfinite(self._pv[0]), self._pv[0], pv)
        self._pv = np.where(pv != self._pv[0], [pv, *self._pv[:2]], self._pv)
        dark = (pv <= likelihood.DARK_W) & ~unknown
        states = likelihood.implied_states(u, share, self.instrument.test_load_w, self._quiet)
        gap = np.minimum(self._missed + 1, _LONGEST_GAP)
        moved = np.abs(u - self._reading)
        self._moves.append(np.where((share == 0) & ~self._tested, moved, np.nan))
        level_sd, change_sd = self._sun_doubt(pv, sun_before, gap)
        load, first = states.net_w + pv, np.isnan(self._load[0])
        before = np.where(first, load, self._load)
        steps = likelihood.Steps(before, load, level_sd, np.hypot(change_sd, states.doubt_w), gap, dark, unknown)
        w = likelihood.step_weights(steps, self.habits, self.instrument)
        w = chain.floored(np.where(first, np.stack([w[[0, 1], [0, 1]]] * 2), w))
        odds = (w[0, 1] + self._odds * w[1, 1]) / (w[0, 0] + self._odds * w[1, 0])
        self._odds = np.where(seen, odds, self._odds)
        state = self._odds / (1 + self._odds)
        now = expected(states.exported_w > states.imported_w, state)
        # At rest nothing flows either way.
        self.p_export = np.where(seen, np.where(u == 0, 0.5, now), np.nan)
        self.p_export_without = np.where(seen, expected(states.net_w < 0, state), self.p_export_without)
        self._load = np.where(seen, load, self._load)
        self._reading = np.where(seen, u, np.nan)
        self._missed = np.where(seen, 0.0, self._missed + 1)
        self._tested = share > 0
        self._quiet = np.where(seen & ~self._tested, u, self._quiet)
        if self.learns:
            self._learn(u + pv, seen & dark & (share == 0))
        return self.p_export if np.ndim(reading_w) else float(self.p_export[0])

    def _sun_doubt(self, pv, sun_before, gap):
        """Return the standard deviations of the PV power and of its change, as `likelihood.pv_doubt` does. [W]"""
        if not self.instrument.windowed:
            return likelihood.pv_doubt(pv, sun_before, np.zeros(pv.shape), gap, self.instrument)
        usual = _middle(np.array(self._moves)) / 0.6745 * np.sqrt(gap)
        sds = likelihood.pv_doubt(pv, sun_before, likelihood.roughness_of_last(self._pv), gap, self.instrument, usual)
        # Live, the last whole window is old news: what it changes by did not change in this sample.
        return np.hypot(sds[0], np.nan_to_num(np.abs(self._pv[0] - self._pv[1]))), np.hypot(sds[1], pv - sun_before)

    def _learn(self, load, certain):
        """Keep the night's readings; when day breaks, learn the house's habits from the nights kept."""
        if certain.any():
            self._night.append(np.where(certain, load, np.nan))
            self._new += 1
        elif self._new >= NEW_NIGHT:
            nights = np.array(self._night).T
            known = np.isfinite(nights)
            follows = known & np.concatenate([np.zeros((len(nights), 1), dtype=bool), known[:, :-1]], axis=1)
            self.habits = likelihood.learn_habits(nights[known], follows[known], self.instrument.interval_s)
            self._night.append(np.full(load.shape, np.nan))  # keeps two nights apart
            self._new = 0


def _checked(name, value, shape, low, high):
    """Return values of a shape, NaN where missing, or refuse them."""
    try:
        values = np.broadcast_to(np.asarray(value, dtype=float), shape)
    except (TypeError, ValueError):
        raise InputError(f"{name}: found {value!r}, allowed is a number, or {shape[0]} of them") from None
    wrong = values[(values < low) | (values > high)]
    if wrong.size:
        raise InputError(f"{name}: found {wrong[0]:g}, allowed is {max(low, 0):g} to {high:g}")
    return values


def _middle(moves):
    """Return the median of what is known in each column; no limit where nothing is."""
    count = np.isfinite(moves).sum(axis=0)
    middle = np.sort(moves, axis=0)[np.maximum(count - 1, 0) // 2, np.arange(moves.shape[1])]
    return np.nan_to_num(middle, nan=np.inf)  # NaN sorts last
