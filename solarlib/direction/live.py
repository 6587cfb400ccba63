"""Live: the direction now, from what has been seen until now, one sample at a time.

The same evidence as `solarlib.direction.signs` uses for a whole record, without the future.
"""

from collections import deque

import numpy as np

from solarlib.direction import chain, likelihood
from solarlib.direction.record import LARGEST_W
from solarlib.direction.signs import UNBOUND_W, can_go_out, expected
from solarlib.quantities import refuse_if, require

MEMORY = 15  # samples that tell how much the reading usually moves
LONGEST_GAP = 1440  # after so many missed samples the past says nothing more


class LiveFilter:
    """Follow one house, sample by sample.

    Parameters
    ----------
    test_load_w : float
        Test load; 0 if there is none. [W]
    interval_s : float
        Time between two samples. [s]
    pv_window_s : float, optional
        Window over which the PV power is a mean; the interval if left out. [s]
    habits : likelihood.LoadHabits, optional
        Of an earlier record; without, those of a plain house.
    most_pv_w : float, optional
        The most that the array gives: no more can go out. [W]

    Attributes
    ----------
    p_export : float
        Probability that the last reading was export (the test load included, if it ran).
    p_export_without : float
        The same for the net power without the test load: the direction to remember.
    """

    def __init__(self, test_load_w=0.0, interval_s=60.0, pv_window_s=None, habits=None, most_pv_w=UNBOUND_W):
        load_w = require(test_load_w, "test_load_w", 0, 20_000, "W")
        interval_s = require(interval_s, "interval_s", 0.1, 86_400, "s")
        window_s = require(pv_window_s or interval_s, "pv_window_s", 0.1, 86_400, "s")
        self.instrument = likelihood.Instrument(interval_s, window_s, test_load_w=load_w)
        self.habits, self.most_w = habits or likelihood.learn_habits(), np.full(1, float(most_pv_w))
        self.p_export = self.p_export_without = 0.5
        self._odds, self._missed = np.ones(1), np.zeros(1)
        self._load = np.full((2, 1), np.nan)
        self._pv = np.full((3, 1), np.nan)  # the last three PV windows, newest first
        self._reading = self._quiet = np.full(1, np.nan)  # the last reading, and the last without the test load
        self._moves, self._tested = deque(maxlen=MEMORY), False

    def update(self, reading_w, pv_w, test_share=0.0):
        """Take in one sample and return the probability that its reading was export, NaN without a reading.

        Parameters
        ----------
        reading_w : float
            Unsigned reading; NaN if missed. [W]
        pv_w : float
            PV power, the latest known; NaN if not known. [W]
        test_share : float
            Share of the sample with the test load on.

        Raises
        ------
        InputError
            For what is no number, a reading below -50 W, a power above 1 MW, a share outside 0 to 1.
        """
        u, pv = _checked("reading_w", reading_w, -50.0, LARGEST_W), _checked("pv_w", pv_w, -1000.0, LARGEST_W)
        share = _checked("test_share", test_share, 0.0, 1.0)
        refuse_if(np.isnan(share).any(), "share_of_test", "test_share")
        unknown = np.isnan(pv)
        pv = np.where(unknown, np.nan_to_num(self._pv[0]), pv)
        sun_before = np.where(np.isfinite(self._pv[0]), self._pv[0], pv)
        self._pv = np.where(pv != self._pv[0], [pv, *self._pv[:2]], self._pv)
        moved, tested = np.abs(np.maximum(u, 0.0) - self._reading), bool(share > 0)
        self._moves.append(np.nan if tested or self._tested else float(moved[0]))
        self._tested = tested
        if np.isnan(u).any():
            self._reading, self._missed, self.p_export = u, self._missed + 1, np.nan
            return self.p_export
        u = np.maximum(u, 0.0)
        dark = (pv <= likelihood.DARK_W) & ~unknown
        states = likelihood.implied_states(u, share, self.instrument.test_load_w, self._quiet)
        gap = np.minimum(self._missed + 1, LONGEST_GAP)
        level_sd, change_sd = self._sun_doubt(pv, sun_before, gap)
        load, first = states.net_w + pv, np.isnan(self._load).any()
        before = load if first else self._load
        steps = likelihood.Steps(before, load, level_sd, np.hypot(change_sd, states.doubt_w), gap, dark, unknown)
        w = likelihood.step_weights(steps, self.habits, self.instrument)
        w *= can_go_out(states.net_w, self.most_w, self.habits, self.instrument)
        w = chain.floored(np.stack([w[[0, 1], [0, 1]]] * 2) if first else w)
        self._odds = (w[0, 1] + self._odds * w[1, 1]) / (w[0, 0] + self._odds * w[1, 0])
        state = self._odds / (1 + self._odds)
        # At rest nothing flows either way.
        now = expected(states.exported_w > states.imported_w, state) if u > 0 else np.array([0.5])
        self.p_export, self.p_export_without = float(now[0]), float(expected(states.net_w < 0, state)[0])
        self._load, self._reading, self._missed = load, u, np.zeros(1)
        self._quiet = self._quiet if tested else u
        return self.p_export

    def _sun_doubt(self, pv, sun_before, gap):
        """Return the standard deviations of the PV power and of its change, as `likelihood.pv_doubt` does. [W]"""
        if not self.instrument.windowed:
            return likelihood.pv_doubt(pv, sun_before, np.zeros(pv.shape), gap, self.instrument)
        known = sorted(moved for moved in self._moves if moved == moved)
        usual = (known[(len(known) - 1) // 2] if known else np.inf) / 0.6745 * np.sqrt(gap)
        sds = likelihood.pv_doubt(pv, sun_before, likelihood.roughness_of_last(self._pv), gap, self.instrument, usual)
        # Live, the last whole window is old news: what it changes by did not change in this sample.
        return np.hypot(sds[0], np.nan_to_num(np.abs(self._pv[0] - self._pv[1]))), np.hypot(sds[1], pv - sun_before)


def _checked(name, value, low, high):
    """Return a number as an array of one, NaN where missing, or refuse it."""
    wrong = not isinstance(value, (int, float, np.number)) or value < low or value > high
    refuse_if(wrong, "sample", name, value=value, low=low, high=high)
    return np.array([value], dtype=float)
