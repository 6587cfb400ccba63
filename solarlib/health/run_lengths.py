"""How long a control chart runs before it alarms: by theory, before any data are seen.

Lengths are means, counted in charted days, of independent normal days in units of their own scatter, for a chart that
starts at rest. A chart that is right about a fault alarms soon; with nothing wrong it must run long.

Page, "Continuous inspection schemes", Biometrika 41 (1954) 100, gives the integral equation (`from memory`); it is
solved here on Gauss-Legendre points, exact to many digits because the kernel is smooth.
"""

from functools import lru_cache

import numpy as np
from scipy.optimize import brentq
from scipy.special import ndtr
from scipy.stats import norm

from solarlib.quantities import InputError, require

_POINTS = 48
_LONGEST = 1e12  # beyond it the equation is too near to singular to be solved in double precision


def cusum_run_length(shift, k, h):
    """Return the mean days until a one-sided cumulative sum alarms.

    The sum is S = max(0, S + z - k), alarm when S > h, where z is the day's deviation towards the side that is
    watched, in units of its scatter.

    Parameters
    ----------
    shift : float
        Mean of z; 0 means that nothing is wrong.
    k, h : float
        Allowance and threshold, in units of the scatter.

    Returns
    -------
    float
        [days]; infinite where it is beyond a thousand billion.
    """
    shift, k, h = require(shift, "shift", -1000, 1000), require(k, "k", 0, 20), require(h, "h", 0, 60)
    return _cusum(shift - k, h)


def two_sided_run_length(shift, k, h):
    """Return the mean days until either of two equal cumulative sums, one up and one down, alarms. [days]

    The two rates of alarm add (`from memory`: van Dobben de Bruyn, Cumulative Sum Tests, 1968).
    """
    return 1.0 / (1.0 / cusum_run_length(shift, k, h) + 1.0 / cusum_run_length(-shift, k, h))


def ewma_run_length(shift, weight, limit):
    """Return the mean days until a two-sided exponentially weighted mean alarms.

    Parameters
    ----------
    shift : float
        Mean of the day's value, in units of its scatter.
    weight : float
        Weight of the newest day, above 0 to 1.
    limit : float
        Alarm when the mean is further from 0 than `limit` times its own scatter in the long run.

    Returns
    -------
    float
        [days]

    Notes
    -----
    Crowder, "A simple method for studying run-length distributions of EWMA charts", Technometrics 29 (1987) 401
    (`from memory`).
    """
    shift = require(shift, "shift", -1000, 1000)
    weight, limit = require(weight, "weight", 0.001, 1), require(limit, "limit", 0, 20)
    edge = limit * np.sqrt(weight / (2.0 - weight))
    points, weights = _points(-edge, edge)
    start = np.concatenate([[0.0], points])[:, None]
    kernel = _density((points[None, :] - (1.0 - weight) * start) / weight - shift) / weight * weights
    return _solve(np.concatenate([np.zeros_like(start), kernel], axis=1))


@lru_cache(maxsize=256)
def threshold(run_length_days, k, shift=0.0):
    """Return the threshold h with which a one-sided cumulative sum runs so long.

    Parameters
    ----------
    run_length_days : float
        Wanted mean days between alarms at `shift` (0: false alarms).
    k : float
        Allowance, in units of the scatter.

    Raises
    ------
    InputError
        No threshold from 0 to 60 does it.
    """
    run_length_days = require(run_length_days, "run length", 1, 1e7, "days")
    low, high = 0.0, 1.0
    while cusum_run_length(shift, k, high) < run_length_days:
        low, high = high, high * 1.5
        if high > 60.0:
            raise InputError(
                f"run length: found {run_length_days:g} days at k {k:g}, allowed is what a threshold up to 60 reaches"
            )
    if low == 0.0 and cusum_run_length(shift, k, 0.0) > run_length_days:
        raise InputError(
            f"run length: found {run_length_days:g} days at k {k:g}, allowed is no less than a threshold of 0 gives"
        )
    return float(brentq(lambda h: cusum_run_length(shift, k, h) - run_length_days, low, high, xtol=1e-6))


@lru_cache(maxsize=512)
def threshold_after_baseline(run_length_days, k, baseline_days):
    """Return the threshold h whose false alarms are as rare as wanted, averaged over what a short baseline gets wrong.

    Parameters
    ----------
    run_length_days : float
        Wanted: one false alarm in so many days, as a mean over many houses. [days]
    k : float
        Allowance, in units of the estimated scatter.
    baseline_days : float
        Independent days from which `chart.baseline` took median and scatter; days that resemble each other
        count as fewer.

    Returns
    -------
    float
        Higher than `threshold`, more so for a short baseline.

    Raises
    ------
    InputError
        No threshold to about 60 does it.

    Notes
    -----
    For normal days the median's standard error is sqrt(pi / 2 n) scatters, that of the scaled median absolute deviation
    1.1664 / sqrt(n) of itself (its efficiency of 0.3675: `from memory`). The rate of alarms, not the length, is averaged:
    an unlucky house alarms again and again.
    """
    n = require(baseline_days, "baseline", 3, 100000, "days")
    nodes, weights = np.polynomial.hermite_e.hermegauss(7)
    errors = [
        (m, s, a * b)
        for m, a in zip(nodes * np.sqrt(np.pi / (2 * n)), weights)
        for s, b in zip(np.exp(1.1664 / np.sqrt(n) * nodes), weights)
    ]
    total = weights.sum() ** 2

    def excess(h):
        return np.log(sum(w / _cusum(m - s * k, s * h) for m, s, w in errors) / total * run_length_days)

    low = threshold(run_length_days, k)
    high = 2.0 * low + 1.0
    while excess(high) > 0 and high < 60.0:
        high *= 1.5
    if excess(low) <= 0:
        return low
    if excess(high) > 0:
        raise InputError(
            f"baseline: found days worth {n:g} independent ones, too few for a false alarm in {run_length_days:g} days at k {k:g}, "
            "allowed are more days, or days that resemble each other less"
        )
    return float(brentq(excess, low, high, xtol=1e-3))


def allowance(loss, scatter):
    """Return the allowance k that watches best for a loss: half the shift that it makes, in units of the scatter.

    Parameters
    ----------
    loss : float
        Share of the energy that is lost, 0 to 1; one dead module of 16 is 1/16.
    scatter : float
        Day-to-day standard deviation of the logarithm of the ratio.

    Returns
    -------
    float
        Between 0.25 and 1.25: a smaller allowance waits very long, a larger one reacts to single days.
    """
    return float(np.clip(0.5 * shift_of_loss(loss) / require(scatter, "scatter", 1e-6, 10), 0.25, 1.25))


def shift_of_loss(loss):
    """Return how far a loss moves the logarithm of the ratio (a positive number). [share -> log ratio]

    A loss of all counts as 99.9 %: its logarithm would be infinite.
    """
    return float(-np.log1p(-min(require(loss, "loss", 0, 1), 0.999)))


def fixed_test_days(loss, scatter, false_share=0.01, missed_share=0.10):
    """Return the days that one test at a date chosen beforehand needs: ((z_false + z_missed) scatter / shift)^2."""
    both = norm.isf(false_share) + norm.isf(missed_share)
    return float((both * scatter / shift_of_loss(loss)) ** 2)


def widen(k, h, lag_one):
    """Return (k, h) for days that resemble the day before: both times sqrt((1 + r) / (1 - r)).

    The mean of many such days scatters wider by this factor. Cheap, and slower for real faults. A negative
    resemblance changes nothing: it only makes the chart calmer.

    Parameters
    ----------
    k, h : float
        For independent days.
    lag_one : float
        Correlation r of each day with the next.
    """
    r = max(0.0, require(lag_one, "correlation of a day with the next", -0.99, 0.99))
    factor = np.sqrt((1.0 + r) / (1.0 - r))
    return float(k * factor), float(h * factor)


def run_lengths_after_baseline(baseline_days, k, h, draws, rng, scatter_known=False):
    """Return run lengths without a fault of charts whose centre and scatter were estimated from a few days.

    Parameters
    ----------
    baseline_days : int
        Independent normal days from which mean and standard deviation come.
    k, h : float
    draws : int
    rng : numpy.random.Generator
    scatter_known : bool
        Estimate the mean only. This looks better than any real chart is.

    Returns
    -------
    array, shape (draws,), sorted
        Mean days to a false alarm, each for one estimated baseline. [days]

    Notes
    -----
    A chart with estimates m and s is a chart of true units with allowance s k - m and threshold s h.
    """
    n = int(require(baseline_days, "baseline", 3, 100000, "days"))
    centre = rng.standard_normal(draws) / np.sqrt(n)
    scale = np.ones(draws) if scatter_known else np.sqrt(rng.chisquare(n - 1, draws) / (n - 1))
    # With z = (m - x) / s the sum of z - k alarms above h exactly when the sum of (m - x) - s k alarms above s h.
    return np.sort([_cusum(m - s * k, s * h) for m, s in zip(centre, scale)])


def _cusum(drift, h):
    """Return the run length of a sum of unit normal steps around `drift`, held at 0, that alarms above `h`."""
    points, weights = _points(0.0, h)
    start = np.concatenate([[0.0], points])[:, None]
    to_zero = ndtr(-(start + drift))
    to_point = _density(points[None, :] - start - drift) * weights
    return _solve(np.concatenate([to_zero, to_point], axis=1))


def _density(z):
    return np.exp(-0.5 * z * z) * 0.3989422804014327


@lru_cache(maxsize=4)
def _nodes(count):
    return np.polynomial.legendre.leggauss(count)


def _points(low, high):
    nodes, weights = _nodes(_POINTS)
    half = 0.5 * (high - low)
    return low + half * (nodes + 1.0), half * weights


def _solve(kernel):
    """Return the first of the lengths L = 1 + kernel L."""
    length = np.linalg.solve(np.eye(len(kernel)) - kernel, np.ones(len(kernel)))[0]
    return float(length) if 0 < length < _LONGEST else float("inf")
