"""Deciding between two causes from a noisy number: tails, hits and false alarms, folded noise, sequential tests.

Everything here is general; `solarlib.direction.step_test` applies it to the step test.
"""

import numpy as np
import pandas as pd
from scipy.special import ndtr, ndtri

from solarlib.quantities import InputError, require


def normal_tail(x):
    """Return Q(x), the probability that a standard normal number exceeds ``x``."""
    return ndtr(-np.asarray(x, dtype=float))


def normal_tail_inverse(probability):
    """Return the ``x`` whose upper tail Q(x) is ``probability``."""
    return -ndtri(np.asarray(probability, dtype=float))


def discriminability(hits, false_alarms):
    """Return d', the distance of two normal causes in standard deviations, from the rates of hits and false alarms.

    Parameters
    ----------
    hits, false_alarms : float or array
        Shares strictly between 0 and 1 of "yes" when the cause is there and when it is not.

    References
    ----------
    Green and Swets (1966), Signal Detection Theory and Psychophysics.
    """
    return ndtri(_share(hits, "hits")) - ndtri(_share(false_alarms, "false_alarms"))


def bias_ratio(hits, false_alarms):
    """Return beta, the likelihood ratio at which the decider says "yes"; 1 is unbiased, above 1 is cautious."""
    z_hit, z_false = ndtri(_share(hits, "hits")), ndtri(_share(false_alarms, "false_alarms"))
    return np.exp((z_false**2 - z_hit**2) / 2)


def hit_rate(discriminability, false_alarms):
    """Return the hit rate on the ROC curve of two normal causes of equal spread: Phi(d' + z(F))."""
    return ndtr(np.asarray(discriminability, dtype=float) + ndtri(_share(false_alarms, "false_alarms")))


def roc_area(discriminability):
    """Return the area under the ROC curve, the chance of ranking one pair right: Phi(d'/sqrt 2)."""
    return ndtr(np.asarray(discriminability, dtype=float) / np.sqrt(2))


def best_accuracy(discriminability):
    """Return the best share of right answers when both causes are equally common: Phi(d'/2)."""
    return ndtr(np.asarray(discriminability, dtype=float) / 2)


def folded_mean(mean, sd):
    """Return the mean of abs(X) for a normal X: what an unsigned instrument averages to.

    References
    ----------
    Leone, Nelson and Nottingham (1961), The folded normal distribution, Technometrics 3, 543.
    """
    mean, sd = np.asarray(mean, dtype=float), np.asarray(sd, dtype=float)
    ratio = mean / sd
    return sd * np.sqrt(2 / np.pi) * np.exp(-(ratio**2) / 2) + mean * (1 - 2 * ndtr(-ratio))


def folded_variance(mean, sd):
    """Return the variance of abs(X) for a normal X."""
    return np.square(mean) + np.square(sd) - folded_mean(mean, sd) ** 2


def folded_density(x, mean, sd):
    """Return the probability density of abs(X) at ``x`` for a normal X; zero below zero."""
    x = np.asarray(x, dtype=float)
    return np.where(x < 0, 0.0, normal_density(x - mean, sd) + normal_density(x + mean, sd))


def normal_density(x, sd):
    """Return the density of a normal number with mean zero at ``x``."""
    return np.exp(-0.5 * np.square(np.asarray(x) / sd)) / (sd * np.sqrt(2 * np.pi))


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


def expected_steps(separation, error):
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


def fixed_steps(separation, error):
    """Return how many tests, fixed beforehand and averaged, reach the same error: (Q^-1(error) / separation)^2."""
    require(error, "error", 1e-12, 0.499)
    return (normal_tail_inverse(error) / np.asarray(separation, dtype=float)) ** 2


def decide(log_ratios, error, answers=("importing", "exporting")):
    """Follow a sequential test step by step.

    Parameters
    ----------
    log_ratios : sequence of float
        One log-likelihood ratio a test; positive speaks for ``answers[0]``.
    error : float
        Wanted rate of wrong decisions.

    Returns
    -------
    DataFrame
        One row a test: ``log_ratio``, ``total`` (running sum), ``verdict`` - one of the answers or ``"go on"``;
        once decided, the verdict stays.
    """
    lower, upper = wald_thresholds(error, error)
    ratios = np.asarray(list(log_ratios), dtype=float)
    total = np.cumsum(ratios)
    verdicts, settled = [], "go on"
    for value in total:
        if settled == "go on" and value >= upper:
            settled = answers[0]
        elif settled == "go on" and value <= lower:
            settled = answers[1]
        verdicts.append(settled)
    return pd.DataFrame({"log_ratio": ratios, "total": total, "verdict": verdicts}, index=np.arange(1, len(ratios) + 1))


def _share(value, name):
    value = np.asarray(value, dtype=float)
    if not np.all((value > 0) & (value < 1)):
        raise InputError(f"{name}: found {value}, allowed is a share above 0 and below 1")
    return value
