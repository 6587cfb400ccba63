"""A record under one choice of instrument corrections, and the chain that decides its signs."""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.special import ndtr

from solarlib.direction import chain, likelihood
from solarlib.direction.record import Record, after, before

UNBOUND_W, IMPOSSIBLE = 1e9, 1e-6
SPACING_S = 60.0  # between samples of the second view, if not two samples or a PV window are longer
TOP, PEAK = 1.15, 3.0  # most PV power at a moment beside the greatest window, and the greatest of three around it ...
MOST_SHARE = 0.02  # ... and how exactly that is known
FIRST, SECOND = 0.6, 0.2  # weights of both views' log-odds: neighbouring samples share their errors


@dataclass(frozen=True)
class Scene:
    """What is known about each sample of a record before its sign.

    Parameters
    ----------
    record : Record
    instrument : likelihood.Instrument
    power_w, rough_w : ndarray, shape (n,)
        PV power and its roughness. [W]
    most_w : ndarray, shape (n,)
        The most PV power that is possible, see `most_sun`. [W]
    unknown, dark : ndarray of bool, shape (n,)
        PV power not known; sun certainly giving nothing.
    habits : likelihood.LoadHabits
    states : likelihood.States
    """

    record: Record
    instrument: likelihood.Instrument
    power_w: np.ndarray
    rough_w: np.ndarray
    most_w: np.ndarray
    unknown: np.ndarray
    dark: np.ndarray
    habits: likelihood.LoadHabits
    states: likelihood.States

    @property
    def energies_kwh(self):
        """Energy in and out of each sample in each state, two arrays of shape (2, n). [kWh]"""
        scale = self.record.hours / 1000
        return self.states.imported_w * scale, self.states.exported_w * scale


def make_scene(record, instrument, late_s=0.0, gain=1.0):
    """Return the `Scene` of a record.

    Parameters
    ----------
    record : Record
    instrument : likelihood.Instrument
    late_s, gain : float
        Lateness of the PV clock [s] and what the PV instrument shows for 1 W.
    """
    power, rough, unknown = record.pv_at(late_s, gain)
    # An instrument may show the converter's own small draw all night, on either side of zero.
    low = np.quantile(power[~unknown], 0.1) if not unknown.all() else 0.0
    dark = (power <= (max(likelihood.DARK_W, low + 3) if low < 40 else likelihood.DARK_W)) & ~unknown
    silent = _silent_by_day(record, power, dark)
    dark, unknown = dark & ~silent, unknown | silent
    still = dark & (record.test_share == 0)
    follows = still & before(still) & (record.gap < 1.5)
    habits = likelihood.learn_habits(record.reading_w[still] + power[still], follows[still], record.interval_s)
    near_w = _untested_nearby(record)
    states = likelihood.implied_states(record.reading_w, record.test_share, instrument.test_load_w, near_w)
    most_w = np.where(unknown, UNBOUND_W, most_sun(record, late_s, gain))
    return Scene(record, instrument, power, rough, most_w, unknown, dark, habits, states)


def most_sun(record, late_s=0.0, gain=1.0):
    """Return the most PV power that each sample can hold, as the windows of the PV record allow. [W]

    No moment exceeds the greatest window ever seen by much, nor the greatest of the window around it and its
    neighbours by more than a few times: of 3 times as much, one sample in 1000 and more was seen.

    Parameters
    ----------
    record, late_s, gain
        As `make_scene` takes them.
    """
    mean = np.nan_to_num(record.window_pv_w) / gain
    greatest = np.maximum(mean, np.maximum(before(mean), after(mean)))
    ends_s = record.window_middle_s - late_s + record.window_s / 2
    at = np.searchsorted(ends_s, record.time_s + record.interval_s / 2).clip(0, mean.size - 1)
    return np.minimum(TOP * mean.max(), PEAK * greatest[at])


def _untested_nearby(record):
    """Return the mean of the last and the next reading without the test load. [W]"""
    quiet = pd.Series(np.where(record.test_share == 0, record.reading_w, np.nan))
    return pd.concat([quiet.ffill(), quiet.bfill()], axis=1).mean(axis=1).to_numpy()


def _silent_by_day(record, power, dark):
    """True where the PV record shows nothing for over an hour when it usually shows much: perhaps it was off."""
    half_hour = np.floor(((record.time_s - record.midnight_s) % 86_400) / 1800).astype(int)
    usual = pd.Series(power).groupby(half_hour).median().reindex(range(48), fill_value=0.0).to_numpy()
    silent = dark & (usual[half_hour] > 200.0)
    stretch = np.cumsum(np.diff(silent, prepend=False))
    lasts_s = np.bincount(stretch) * record.interval_s
    return silent & (lasts_s[stretch] > 3600)


def chain_of(scene, keep=None):
    """Return (places, weights) of the chain over the samples whose direction is in doubt, or over some of them.

    Nights are left out but for their first and last sample, which hold the ends.

    Parameters
    ----------
    scene : Scene
    keep : ndarray of bool, shape (n,), optional
        The samples to look at.
    """
    dark = scene.dark
    inner = dark & before(dark) & after(dark)
    at = np.flatnonzero(~inner if keep is None else ~inner & keep)
    if at.size == 0:
        return at, np.ones((2, 2, 0))
    record, power, states = scene.record.take(at), scene.power_w[at], scene.states
    load = states.net_w[:, at] + power
    moves = _usual_change(record) if scene.instrument.windowed else np.inf
    sun = power, before(power), scene.rough_w[at]
    level_sd, change_sd = likelihood.pv_doubt(*sun, record.gap, scene.instrument, moves)
    change_sd = np.hypot(change_sd, states.doubt_w[at])
    steps = likelihood.Steps(before(load), load, level_sd, change_sd, record.gap, dark[at], scene.unknown[at])
    w = likelihood.step_weights(steps, scene.habits, scene.instrument)
    w *= can_go_out(states.net_w[:, at], scene.most_w[at], scene.habits, scene.instrument)
    # The first sample has none before it: both rows alike.
    w[0, 1, 0], w[1, 0, 0] = w[1, 1, 0], w[0, 0, 0]
    return at, chain.floored(w)


def can_go_out(net_w, most_w, habits, instrument):
    """Return a weight for the net power of each state, shape (2, n): no more can go out than the sun gives. [W]"""
    rest_w = net_w + most_w - habits.base_w
    return np.maximum(ndtr(rest_w / (instrument.noise_w + MOST_SHARE * most_w)), IMPOSSIBLE)


def two_views(scene):
    """Return the probability of state 1 in every sample, and the chain over all samples in doubt.

    The first view is the chain over all samples. The second sees fewer (one a minute, one in two minutes, or, where
    PV windows hide the sun's moves from sample to sample, one in eight) beside all with the test load on, so that a
    passing moment cannot mislead it; each of its phases fills its own samples. Both hold much the same evidence,
    hence weights that sum to less than one.

    Returns
    -------
    tuple
        ndarray, shape (n,); and (places, weights) of the first view's chain, as of `chain_of`.
    """
    at, w = chain_of(scene)
    p_state = np.zeros(scene.dark.size)
    if at.size == 0:
        return p_state, (at, w)
    log_odds = np.log(chain.odds(w))
    instrument = scene.instrument
    spacing_s = max(SPACING_S, 2 * instrument.interval_s, instrument.window_s)
    other = _second_view(scene, max(2, round(spacing_s / instrument.interval_s)))
    p_state[at] = probability(FIRST * log_odds + SECOND * other[at])
    return p_state, (at, w)


def _second_view(scene, stride):
    total, count = np.zeros(scene.dark.size), np.zeros(scene.dark.size)
    number = np.round(scene.record.time_s / scene.record.interval_s).astype(np.int64)
    testing = scene.record.test_share > 0
    for phase in range(stride):
        at, w = chain_of(scene, testing | (number % stride == phase))
        if at.size:
            total[at] += np.log(chain.odds(w))
            count[at] += 1
    return total / np.maximum(count, 1)


def probability(log_odds):
    """Return the probability that belongs to log-odds, of which those beyond 40 count as 40."""
    return 1 / (1 + np.exp(-np.clip(log_odds, -40, 40)))


def expected(pair, p_state):
    """Return what is expected of two states' values, shape (2, n), where the second has probability ``p_state``."""
    return (1 - p_state) * pair[0] + p_state * pair[1]


def of_interval(p_export, record):
    """Return P(export) of the intervals that snapshots stand for, from that of their moments.

    Half of an interval reaches towards either neighbour. Where that has the other direction, the power changed at
    some time between the two, all times alike; so the mean has a direction as often as its share of both sizes says.

    Parameters
    ----------
    p_export : ndarray, shape (n,)
    record : Record
    """
    u, total = record.reading_w, np.zeros(p_export.size)
    for beside, near in ((before, record.gap < 1.5), (after, after(record.gap) < 1.5)):
        p, other_w = beside(p_export), beside(u)
        mixed = (p_export * (1 - p) * u + (1 - p_export) * p * other_w) / np.maximum(u + other_w, 1e-9)
        total += np.where(near & (u + other_w > 0), p_export * p + mixed, p_export)
    return total / 2


def _usual_change(record):
    """Return how much the reading usually moves from sample to sample within a quarter of an hour. [W]"""
    change = np.abs(np.diff(record.reading_w, prepend=record.reading_w[:1]))
    quiet = (record.test_share == 0) & (before(record.test_share) == 0) & (record.gap < 1.5)
    width = max(15, round(150 / record.interval_s))
    middle = pd.Series(np.where(quiet, change, np.nan)).rolling(width, center=True, min_periods=1).median()
    return middle.bfill().ffill().fillna(np.inf).to_numpy() / 0.6745 * np.sqrt(record.gap)
