"""Deciding between two causes from a noisy number: normal tails, tests of fixed length, sequential tests.

Everything here is general; `solarlib.direction.step_test` applies it to the step test.
"""

from collections.abc import Iterable

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy.special import ndtr, ndtri, owens_t

from solarlib.quantities import require


def normal_tail(x):
    """Return Q(x), the probability that a standard normal number exceeds ``x``."""
    return ndtr(-np.asarray(x, dtype=float))


def normal_tail_inverse(probability):
    """Return the ``x`` whose upper tail Q(x) is ``probability``."""
    return -ndtri(np.asarray(probability, dtype=float))


def normal_density(x, sd):
    """Return the density of a normal number with mean zero at ``x``."""
    return np.exp(-0.5 * np.square(np.asarray(x) / sd)) / (sd * np.sqrt(2 * np.pi))


def both_below(a, b, correlation):
    """Return the probability that two correlated standard normal numbers are below ``a`` and ``b``.

    References
    ----------
    Owen (1956), Tables for computing bivariate normal probabilities, Annals of Mathematical Statistics 27 (his T).
    """
    a, b = (np.where(np.abs(x) < 1e-12, 1e-12, np.asarray(x, dtype=float)) for x in (a, b))
    apart = np.sqrt(1 - correlation**2)
    turned = owens_t(a, (b / a - correlation) / apart) + owens_t(b, (a / b - correlation) / apart)
    return (ndtr(a) + ndtr(b) - (a * b < 0)) / 2 - turned


def wald_thresholds(false_alarm, miss):
    """Return the two running log-likelihood ratios at which a sequential test stops.

    Parameters
    ----------
    false_alarm, miss : float
        Wanted error rates when the first hypothesis (ratio > 0 speaks against it) and the second are true.

    Returns
    -------
    tuple of float
        (lower, upper): stop at or below ``lower`` for the first hypothesis, at or above ``upper`` for the second.

    Raises
    ------
    InputError
        If a rate is not between 0 and 0.5.

    References
    ----------
    Wald (1947), Sequential Analysis, chapter 3.
    """
    require(false_alarm, "false_alarm", 1e-12, 0.5)
    require(miss, "miss", 1e-12, 0.5)
    return float(np.log(miss / (1 - false_alarm))), float(np.log((1 - miss) / false_alarm))


def mean_overshoot(separation):
    """Return how far a walk of unit steps with drift ``separation`` lands beyond a distant line, on average.

    References
    ----------
    Siegmund (1985), Sequential Analysis, chapter 8: (1 + m^2)/2m minus the sum over n of E[S_n below zero]/n;
    0.583 for a vanishing drift.
    """
    drift = np.asarray(separation, dtype=float)[..., None]
    n = np.arange(1, 20_001)
    reach = drift * np.sqrt(n)
    below = (normal_density(reach, 1.0) - reach * normal_tail(reach)) / np.sqrt(n)
    return (1 + drift[..., 0] ** 2) / (2 * drift[..., 0]) - below.sum(axis=-1)


def expected_steps(separation: ArrayLike, error: float) -> np.ndarray:
    """Return the mean number of tests a sequential decision needs, overshoot of the last step included.

    Parameters
    ----------
    separation : float or array
        Distance from either mean to the midpoint, in standard deviations of one test (test load / its noise);
        0.05 or more.
    error : float
        Wanted rate of wrong decisions, the same for both. The true rate is lower, for the same overshoot.

    References
    ----------
    Wald (1947), Sequential Analysis, chapter 3, with `mean_overshoot`.
    """
    require(error, "error", 1e-12, 0.499)
    separation = np.asarray(separation, dtype=float)
    threshold = np.log((1 - error) / error) + 2 * separation * mean_overshoot(separation)
    reached = np.exp(-threshold)
    return np.maximum(1.0, (1 - 2 * reached / (1 + reached)) * threshold / (2 * separation**2))


def fixed_steps(separation: ArrayLike, error: float) -> np.ndarray:
    """Return how many tests, fixed beforehand and averaged, reach the same error: (Q^-1(error) / separation)^2."""
    require(error, "error", 1e-12, 0.499)
    return (normal_tail_inverse(error) / np.asarray(separation, dtype=float)) ** 2


def decide(log_ratios: Iterable[float], error: float) -> pd.DataFrame:
    """Follow a sequential test step by step.

    Parameters
    ----------
    log_ratios : sequence of float
        One log-likelihood ratio a test; positive speaks for import.
    error : float
        Wanted rate of wrong decisions.

    Returns
    -------
    DataFrame
        One row a test: ``log_ratio``, ``total`` (running sum), ``verdict`` - "importing", "exporting" or "go on";
        once decided, the verdict stays.
    """
    lower, upper = wald_thresholds(error, error)
    ratios = np.array(list(log_ratios), dtype=float)
    total = np.cumsum(ratios)
    verdict = np.select([total >= upper, total <= lower], ["importing", "exporting"], "go on")
    answered = np.flatnonzero(verdict != "go on")
    if answered.size:
        verdict[answered[0] :] = verdict[answered[0]]
    return pd.DataFrame({"log_ratio": ratios, "total": total, "verdict": verdict}, index=np.arange(1, ratios.size + 1))
