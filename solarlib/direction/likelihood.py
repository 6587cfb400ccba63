"""What a sample says about its sign: the load that each sign implies must look like a house.

For either sign the unsigned reading u and the PV power p imply a house load h = (+u or -u) + p - (test load). The true
sign gives a load that is mostly flat, steps now and then and never falls below the base load; the wrong sign gives
one that mirrors the sun. How a house's load moves is learned from its own nights, when the sign is known.
"""

from dataclasses import dataclass, fields, replace
from typing import NamedTuple

import numpy as np
from scipy.special import ndtr

SCALES_W = np.array([1.5, 4.0, 12.0, 40.0, 130.0, 420.0, 1300.0, 3000.0])
LEVELS_W = np.geomspace(15.0, 15_000.0, 60)
# A plain house: shares of one-minute load changes of each scale, and how many night samples it weighs.
PLAIN_SHARES = np.array([0.30, 0.22, 0.18, 0.12, 0.07, 0.05, 0.04, 0.02])
PLAIN_LEVEL_W, PLAIN_LEVEL_SPREAD, PLAIN_COUNT = 450.0, 1.1, 60.0
PLAIN_HOLDS_S, PLAIN_NIGHT_S = 1800.0, 10_800.0  # how long its levels last, and how long a night that was seen in
FORGETS_S = 600.0  # how far apart loads are compared to tell how long a level lasts

DARK_W = 8.0  # PV power up to this is night
NOISE_W = 4.0  # least noise of a reading
UNKNOWN_PV_SD_W = 1500.0
NEAR_SD_W = 50.0  # how much the export may differ from that a sample away
BASE_HOLDS_S = 600.0  # a load below the base load is one fact for so long, not a new one every sample: PV errors last
JUMPS_PER_S = 0.001 / 60  # anything may happen to a load at this rate
STRETCH = 32768  # samples worked on at a time


@dataclass(frozen=True)
class Instrument:
    """How a record is taken.

    Parameters
    ----------
    interval_s, window_s : float
        Length of a sample and of a PV window. [s]
    noise_w : float
        Noise of one reading. [W]
    test_load_w : float
        What the test load draws. [W]
    """

    interval_s: float
    window_s: float
    noise_w: float = NOISE_W
    test_load_w: float = 0.0

    @property
    def windowed(self):
        """True if a PV window holds more than one sample."""
        return self.window_s > self.interval_s


@dataclass(frozen=True)
class Steps:
    """Samples, each beside the one before it: what its two states imply, and how sure the sun is.

    Parameters
    ----------
    load_before_w, load_w : ndarray, shape (2, n)
        Implied house load without the test load, a sample ago and now; for a sample with none before it, twice now
        (and its two rows of weights must then be made the same). [W]
    pv_sd_w, pv_change_sd_w : ndarray, shape (n,)
        From `pv_doubt`. [W]
    gap : ndarray, shape (n,)
        Time since the sample before, in samples (1 = none missing).
    dark, unknown : ndarray of bool, shape (n,)
        True where the sun certainly gives nothing; where the PV power is not known, and the level of the load then
        tells nothing.
    """

    load_before_w: np.ndarray
    load_w: np.ndarray
    pv_sd_w: np.ndarray
    pv_change_sd_w: np.ndarray
    gap: np.ndarray
    dark: np.ndarray
    unknown: np.ndarray

    def part(self, which):
        """Return a stretch of the samples."""
        return Steps(*(getattr(self, item.name)[..., which] for item in fields(self)))


class States(NamedTuple):
    """What two states imply for each sample, arrays of shape (2, n): net power without the test load, and what flowed.

    ``doubt_w``, shape (n,), is the extra spread of the net power where the fold magnifies noise and the share of the
    test load is not exact. [W]
    """

    net_w: np.ndarray
    imported_w: np.ndarray
    exported_w: np.ndarray
    doubt_w: np.ndarray


@dataclass(frozen=True)
class LoadHabits:
    """How a house's load moves from one sample to the next, and where it dwells.

    Parameters
    ----------
    shares : ndarray, shape (8,)
        Share of the changes that are normal with each of `SCALES_W`.
    level_log_density : ndarray, shape (60,)
        Logarithm of the density of the load at `LEVELS_W`. [1/W]
    base_w : float
        What the house draws at least. [W]
    holds_s : float
        How long a load level lasts: for so long it is one and the same fact. [s]
    samples : int
        Night samples they were learned from.
    """

    shares: np.ndarray
    level_log_density: np.ndarray
    base_w: float
    holds_s: float
    samples: int

    def log_level(self, load_w):
        """Return the log-density of a load level. [1/W]"""
        return np.interp(np.log(np.maximum(load_w, LEVELS_W[0])), np.log(LEVELS_W), self.level_log_density)


def learn_habits(load_w=(), follows=(), interval_s=60.0):
    """Return `LoadHabits` from the night's readings, or of a plain house without any.

    Parameters
    ----------
    load_w : array, shape (n,)
        Load in samples where the sign is certain. [W]
    follows : array of bool, shape (n,)
        True where the sample directly follows the one before it in the array.
    interval_s : float
        Length of a sample. [s]
    """
    load_w, follows = np.asarray(load_w, dtype=float), np.asarray(follows, dtype=bool)
    change = np.abs(np.diff(load_w)[follows[1:]])
    ratio = np.sqrt(LEVELS_W[1] / LEVELS_W[0])
    edges = np.append(LEVELS_W / ratio, LEVELS_W[-1] * ratio)
    counts = np.histogram(np.clip(load_w, LEVELS_W[0], LEVELS_W[-1]), edges)[0].astype(float)
    counts = np.convolve(np.pad(counts, 2, mode="edge"), [0.1, 0.2, 0.4, 0.2, 0.1], mode="valid")
    plain = np.exp(-0.5 * (np.log(LEVELS_W / PLAIN_LEVEL_W) / PLAIN_LEVEL_SPREAD) ** 2)
    counts += PLAIN_COUNT * plain / plain.sum() + 1e-4 * (load_w.size + PLAIN_COUNT)
    base = float(np.quantile(load_w, 0.002)) if load_w.size >= 200 else 0.0
    log_density = np.log(counts / counts.sum() / np.diff(edges))
    habits = LoadHabits(_change_shares(change), log_density, max(base, 0.0), PLAIN_HOLDS_S, int(load_w.size))
    return replace(habits, holds_s=_holds_s(habits.log_level(load_w), follows, interval_s))


def _holds_s(log_level, follows, interval_s):
    """Return how long a level lasts: how soon its log-density forgets what it was, at a rate like decay. [s]"""
    lag = max(1, round(FORGETS_S / interval_s))
    unbroken = np.cumsum(~follows)
    together = unbroken[lag:] == unbroken[:-lag]
    apart = log_level - log_level.mean() if log_level.size else log_level
    alike = (apart[lag:] * apart[:-lag])[together].sum() / max(np.square(apart).mean() if apart.size else 0.0, 1e-9)
    plain = PLAIN_NIGHT_S / interval_s
    kept = (alike + plain * np.exp(-lag * interval_s / PLAIN_HOLDS_S)) / (np.count_nonzero(together) + plain)
    return float(-lag * interval_s / np.log(np.clip(kept, 0.02, 0.98)))


def night_habits(load_w, pv_w, interval_s):
    """Return the `LoadHabits` that the nights in rows of implied load (NaN: not known) and PV power teach. [W]"""
    dark = (pv_w <= DARK_W) & np.isfinite(load_w)
    return learn_habits(load_w[dark], (dark & np.append(False, dark)[:-1])[dark], interval_s)


def _change_shares(change):
    """Fit the shares of the scales to the sizes of changes by expectation and maximisation, on a histogram."""
    bins = np.concatenate([[0.0], np.geomspace(0.5, 20_000, 160)])
    count = np.histogram(np.minimum(change, bins[-1]), bins)[0].astype(float)
    size = (bins[1:] + bins[:-1])[:, None] / 2
    density = np.exp(-0.5 * (size / SCALES_W) ** 2) / SCALES_W + 1e-300
    shares = PLAIN_SHARES.copy()
    for _ in range(40):
        belong = shares * density
        belong /= belong.sum(axis=1, keepdims=True)
        shares = (count @ belong + PLAIN_COUNT * PLAIN_SHARES) / (count.sum() + PLAIN_COUNT)
    return shares


def roughness(window_means):
    """Return how much the PV power moves inside its windows, guessed from how it moves between them. [W]"""
    mean = np.asarray(window_means, dtype=float)
    padded = np.pad(mean, 1, mode="edge")
    bend = np.abs(padded[2:] - 2 * padded[1:-1] + padded[:-2]) / 2
    slope = np.abs(np.diff(padded))
    local = np.pad(np.maximum(bend, 0.3 * np.maximum(slope[1:], slope[:-1])), 1, mode="edge")
    widest = np.maximum(np.maximum(local[2:], local[1:-1]), local[:-2])
    return np.convolve(np.pad(widest, 1, mode="edge"), np.ones(3) / 3, mode="valid")


def roughness_of_last(window_means):
    """Return the roughness known at the time of the newest of three windows, newest first; shape (3, k). [W]"""
    now, before, earlier = (np.where(np.isfinite(m), m, window_means[0]) for m in window_means)
    slope = np.maximum(np.abs(now - before), np.abs(before - earlier))
    return np.maximum(np.abs(now - 2 * before + earlier) / 2, 0.3 * slope)


def pv_doubt(pv_w, pv_before_w, rough_w, gap, instrument, seen_change_w=np.inf):
    """Return the standard deviations of the PV power and of its change since the sample before. [W]

    Parameters
    ----------
    pv_w, pv_before_w, rough_w : array
        PV power now and a sample ago, and `roughness`. [W]
    gap : array
        Time since the sample before, in samples.
    instrument : Instrument
    seen_change_w : array
        How much the reading itself usually moves around here: the sun cannot move more. [W]
    """
    inside = 0.4 * rough_w
    change = inside * np.sqrt(2 * (1 - np.exp(-4 * instrument.interval_s * gap / instrument.window_s)))
    change = np.minimum(change, seen_change_w)
    level_sd = np.sqrt(5.0**2 + (0.015 * pv_w) ** 2 + inside**2)
    return level_sd, np.sqrt(2 * 5.0**2 + (0.015 * (pv_w - pv_before_w)) ** 2 + change**2)


def implied_states(reading_w, test_share, load_w, near_w):
    """Return the `States` of each sample.

    State 0 is import and state 1 export, except while the test load runs for a part of the sample: then the reading
    mixes net powers with and without it, and an export below the test load changes sides inside the sample (the
    fold). At most two of the three readings of such a sample are possible; they take the two places.

    Parameters
    ----------
    reading_w, test_share : array, shape (n,)
    load_w : float
        Test load. [W]
    near_w : array, shape (n,)
        The reading near each sample with the test load off; NaN if there is none. At half a sample of test load the
        fold shows half of it whatever the export is; the export then is taken to be what it was nearby. [W]
    """
    u, a = np.asarray(reading_w, dtype=float), np.asarray(test_share, dtype=float)
    net = np.stack([u - a * load_w, -(u + a * load_w)])
    imported, exported = np.stack([u, np.zeros_like(u)]), np.stack([np.zeros_like(u), u])
    doubt = np.zeros_like(u)
    part = np.flatnonzero((a > 0) & (a < 1))
    if part.size:
        up, ap = u[part], a[part]
        gap = 1 - 2 * ap
        gap = np.where(np.abs(gap) < 0.02, np.where(gap < 0, -0.02, 0.02), gap)
        export, spread = (up - ap * load_w) / gap, 10.0 / np.abs(gap)
        trust = NEAR_SD_W**2 / (NEAR_SD_W**2 + spread**2)
        export = trust * export + (1 - trust) * np.nan_to_num(np.asarray(near_w)[part], nan=load_w / 2)
        export, spread = np.clip(export, 0.0, load_w), np.sqrt(trust) * spread
        # Near half a sample the fold always shows about half the test load: let noise not hide it.
        margin = 30.0 * np.maximum(0.0, 1 - np.abs(gap) / 0.2)
        folds = ((ap > 0.5) & (up < ap * load_w + margin), (ap <= 0.5) & (up < (1 - ap) * load_w + margin))
        for state, fold in enumerate(folds):
            at = part[fold]
            net[state, at] = -export[fold]
            imported[state, at] = ap[fold] * (load_w - export[fold])
            exported[state, at] = (1 - ap[fold]) * export[fold]
            # The two parts add up to the reading, also where noise or the export nearby says otherwise.
            scale = up[fold] / np.maximum(imported[state, at] + exported[state, at], 1e-9)
            imported[state, at] *= scale
            exported[state, at] *= scale
        doubt[part] = 0.02 * load_w + np.where(folds[0] | folds[1], spread, 0.0)
    return States(net, imported, exported, doubt)


def step_weights(steps, habits, instrument):
    """Return the chain weights (2, 2, n) of `Steps`.

    Parameters
    ----------
    steps : Steps
    habits : LoadHabits
    instrument : Instrument
    """
    w = np.empty((2, *steps.load_w.shape))
    # Stretch by stretch, so that a long record needs little room at a time.
    for begin in range(0, steps.gap.size, STRETCH):
        part = slice(begin, begin + STRETCH)
        w[:, :, part] = _stretch_of_weights(steps.part(part), habits, instrument)
    return w


def _stretch_of_weights(steps, habits, instrument):
    load, earlier = steps.load_w, steps.load_before_w
    pv_sd_w = np.where(steps.unknown, UNKNOWN_PV_SD_W, steps.pv_sd_w)
    now, before = habits.log_level(load), habits.log_level(earlier)
    elapsed_s = instrument.interval_s * steps.gap
    possible = ndtr((load - habits.base_w) / (pv_sd_w + instrument.noise_w))
    stays = np.where(steps.dark, 1.0, np.minimum(1.0, elapsed_s / max(BASE_HOLDS_S, 3 * instrument.window_s)))
    # A level counts as far as this house's own levels have been seen.
    likely = np.minimum(1.0, elapsed_s / habits.holds_s) * np.maximum(now - now.max(axis=0), -8.0)
    likely *= habits.samples / (habits.samples + 300.0)
    node = np.exp(np.where(steps.unknown, 0.0, stays * np.log(np.maximum(possible, 1e-12)) + likely))
    pull = 0.5 / (1 + (pv_sd_w / 250.0) ** 2)
    jump = -np.expm1(-JUMPS_PER_S * elapsed_s)
    w = np.empty((2, *load.shape))
    density = change_mixture(habits, 2 * instrument.noise_w**2, steps.pv_change_sd_w, steps.gap)
    for j in (0, 1):
        anything = jump * np.exp(now[j])
        for i in (0, 1):
            toward = np.exp(np.clip(pull * (now[j] - before[i]), -20, 20))
            w[i, j] = node[j] * ((1 - jump) * density(load[j] - earlier[i]) * toward + anything)
    return w


def change_mixture(habits, noise_variance, pv_change_sd_w, gap):
    """Return the density of a change of the implied load: the house's own changes, blurred by the instruments.

    A fifth of the PV changes are taken as four times as uncertain as the rest: clouds have sharp edges. In single
    precision, whose exponential is several times as fast: a density need not be known to more than six digits.
    """
    terms, narrow = [], np.float32
    for share, scale in zip(habits.shares, SCALES_W, strict=True):
        for part, factor in ((0.8, 1.0), (0.2, 16.0)):
            precision = narrow(1) / np.asarray(scale**2 * gap + noise_variance + factor * pv_change_sd_w**2, narrow)
            terms.append((narrow(-0.5) * precision, narrow(part * share / np.sqrt(2 * np.pi)) * np.sqrt(precision)))

    def density(change_w):
        square = np.square(change_w, dtype=narrow)
        return sum(height * np.exp(half * square) for half, height in terms)

    return density
