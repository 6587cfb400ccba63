"""The two-state chain: against the definition, against another library, and its scale."""

import itertools

import numpy as np
import pytest
from hypothesis import given, settings, strategies as st

from made_records import smoothed
from solarlib.direction import chain


def random_chain(n, seed):
    rng = np.random.default_rng(seed)
    w = rng.random((2, 2, n)) ** 3 + 1e-6
    w[1, :, 0] = w[0, :, 0]
    return w


def by_listing(w):
    """Return the probability of state 1 by adding up every sequence of states."""
    n = w.shape[2]
    total, ones = 0.0, np.zeros(n)
    for path in itertools.product((0, 1), repeat=n):
        weight = w[0, path[0], 0] * np.prod([w[path[t - 1], path[t], t] for t in range(1, n)])
        total += weight
        ones += weight * np.array(path)
    return ones / total


@settings(deadline=None, max_examples=40)
@given(n=st.integers(1, 9), seed=st.integers(0, 10_000))
def test_smoothing_is_the_sum_over_all_paths(n, seed):
    w = random_chain(n, seed)
    assert smoothed(w) == pytest.approx(by_listing(w), abs=1e-12)


@pytest.mark.parametrize("n", [1, 2, 3, 50, 997, 20_000])
def test_blocks_agree_with_a_plain_loop(n):
    w = random_chain(n, n)
    odds, expected = 1.0, np.empty(n)
    for t in range(n):
        odds = (w[0, 1, t] + odds * w[1, 1, t]) / (w[0, 0, t] + odds * w[1, 0, t])
        expected[t] = odds
    assert chain.odds(w) / expected == pytest.approx(backward(w), rel=1e-9)


def backward(w):
    """Return how much likelier everything after each step is from state 1 than from state 0, in a plain loop."""
    back, found = 1.0, np.empty(w.shape[2])
    for t in range(w.shape[2] - 1, -1, -1):
        found[t] = back
        back = (w[1, 0, t] + w[1, 1, t] * back) / (w[0, 0, t] + w[0, 1, t] * back)
    return found


def test_scaling_a_step_changes_nothing():
    w = random_chain(300, 3)
    scaled = w * np.random.default_rng(4).uniform(0.01, 100, 300)
    assert smoothed(scaled) == pytest.approx(smoothed(w), abs=1e-12)


def test_extreme_weights_stay_finite():
    w = chain.floored(random_chain(500, 5) ** 60)
    p = smoothed(w)
    assert np.isfinite(p).all() and (p >= 0).all() and (p <= 1).all()
