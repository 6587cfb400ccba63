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

from solarlib.quantities import refuse_if, require

_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(48)
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


@lru_cache(maxsize=256)
def threshold(run_length_days, k):
    """Return the threshold h with which a one-sided cumulative sum runs so long.

    Parameters
    ----------
    run_length_days : float
        Wanted mean days between alarms with nothing wrong.
    k : float
        Allowance, in units of the scatter.

    Raises
    ------
    InputError
        No threshold from 0 to 60 does it.
    """
    run_length_days = require(run_length_days, "run length", 1, 1e7, "days")
    low, high, asked = 0.0, 1.0, {"days": run_length_days, "k": k}
    while cusum_run_length(0.0, k, high) < run_length_days:
        low, high = high, high * 1.5
        refuse_if(high > 60.0, "long_run", "run length", **asked)
    refuse_if(low == 0.0 and cusum_run_length(0.0, k, 0.0) > run_length_days, "short_run", "run length", **asked)
    return float(brentq(lambda h: cusum_run_length(0.0, k, h) - run_length_days, low, high, xtol=1e-6))


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
    For normal days the median's standard error is sqrt(pi / 2 n) scatters, that of the scaled median absolute
    deviation 1.1664 / sqrt(n) of itself (its efficiency of 0.3675: `from memory`). The rate of alarms, not the length,
    is averaged: an unlucky house alarms again and again.
    """
    n = require(baseline_days, "baseline", 3, 100000, "days")
    nodes, weights = np.polynomial.hermite_e.hermegauss(7)
    centres, scales = errors_of_baseline(nodes, n)
    errors = [(m, s, a * b) for m, a in zip(centres, weights) for s, b in zip(scales, weights)]
    total = weights.sum() ** 2

    def excess(h):
        return np.log(sum(w / _cusum(m - s * k, s * h) for m, s, w in errors) / total * run_length_days)

    low = threshold(run_length_days, k)
    high = 2.0 * low + 1.0
    while excess(high) > 0 and high < 60.0:
        high *= 1.5
    if excess(low) <= 0:
        return low
    refuse_if(excess(high) > 0, "short_baseline", "baseline", worth=n, run_length=run_length_days, k=k)
    return float(brentq(excess, low, high, xtol=1e-3))


def errors_of_baseline(z, days):
    """Return what so many independent days get wrong at points of the unit normal law: median [scatters], scatter [-].

    See `threshold_after_baseline`.
    """
    return z * np.sqrt(np.pi / (2 * days)), np.exp(1.1664 / np.sqrt(days) * z)


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


def widening(lag_one):
    """Return by which factor days that resemble the day before need a wider chart: sqrt((1 + r) / (1 - r)).

    The mean of many such days scatters wider by this factor: allowance and threshold times it keep false alarms as rare
    as those of independent days. Cheap, and slower for real faults. A negative resemblance changes nothing: it only
    makes the chart calmer.

    Parameters
    ----------
    lag_one : float
        Correlation r of each day with the next.
    """
    r = max(0.0, require(lag_one, "correlation of a day with the next", -0.99, 0.99))
    return float(np.sqrt((1.0 + r) / (1.0 - r)))


def _cusum(drift, h):
    """Return the run length of a sum of unit normal steps around `drift`, held at 0, that alarms above `h`."""
    points, weights = 0.5 * h * (_NODES + 1.0), 0.5 * h * _WEIGHTS
    start = np.concatenate([[0.0], points])[:, None]
    to_zero = ndtr(-(start + drift))
    to_point = np.exp(-0.5 * (points - start - drift) ** 2) / np.sqrt(2.0 * np.pi) * weights
    kernel = np.concatenate([to_zero, to_point], axis=1)
    # The first of the lengths L = 1 + kernel L.
    length = np.linalg.solve(np.eye(len(kernel)) - kernel, np.ones(len(kernel)))[0]
    return float(length) if 0 < length < _LONGEST else float("inf")
