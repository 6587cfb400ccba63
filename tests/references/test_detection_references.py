"""Detection and sequential decisions against published numbers, each beside its source and certainty mark."""

import numpy as np
import pytest

from made_records import filtered, simulate_test, smoothed
from solarlib.direction import chain, detection as d, step_test


def test_det_1_normal_tails():
    """Any table of the normal distribution - recomputed, source from memory."""
    x = d.normal_tail_inverse([0.10, 0.05, 0.025, 0.01, 0.001])
    assert x == pytest.approx([1.2816, 1.6449, 1.9600, 2.3263, 3.0902], abs=5e-5)
    assert d.normal_tail([1, 2, 3]) == pytest.approx([0.15866, 0.02275, 0.00135], abs=5e-6)


def test_det_4_wald():
    """Wald (1947), Sequential Analysis, ch. 3 and 7; the exercise (100 against 110, sd 15) - built here.

    Wald's own mean sample number ignores that the last step lands beyond the line; simulation gives 14.2, not 11.9.
    """
    lower, upper = d.wald_thresholds(0.05, 0.05)
    assert (lower, upper) == pytest.approx((-2.944, 2.944), abs=5e-4)
    assert upper * 15**2 / 10 == pytest.approx(66.25, abs=0.005)
    separation = 5 / 15
    assert 0.9 * upper / (2 * separation**2) == pytest.approx(11.92, abs=0.005)
    assert d.fixed_steps(separation, 0.05) == pytest.approx(24.35, abs=0.005)
    rng = np.random.default_rng(47)
    walk = np.cumsum(2 * separation * rng.normal(separation, 1, (40_000, 300)), axis=1)
    outside = np.abs(walk) >= upper
    steps = outside.argmax(axis=1) + 1
    assert outside.any(axis=1).all()
    assert steps.mean() == pytest.approx(14.17, abs=0.15)
    assert abs(steps.mean() - d.expected_steps(separation, 0.05)) < 3 * steps.std() / 200
    wrong = np.take_along_axis(walk, steps[:, None] - 1, axis=1) < 0
    assert wrong.mean() == pytest.approx(0.0324, abs=0.003)


def test_det_5_attribute_plan():
    """NIST/SEMATECH e-Handbook of Statistical Methods, 6.2.6: p 0.01 and 0.10, alpha 0.05, beta 0.10.

    Recomputed, source from memory (with beta 0.20, as memory first had it, other numbers come out).
    """
    lower, upper = d.wald_thresholds(0.05, 0.10)
    bad, good = np.log(0.10 / 0.01), np.log(0.90 / 0.99)
    slope = -good / (bad - good)
    assert (lower / (bad - good), upper / (bad - good), slope) == pytest.approx((-0.939, 1.205, 0.0397), abs=1e-3)


def test_det_12_step_far_from_zero():
    """Difference of two means (any text of statistics); the numbers - built here."""
    test = step_test.StepTest(300, dwell_s=60, noise_w=400, reading_step_s=10, use_after=False)
    assert test.readings == 6
    assert test.change_sd_w == pytest.approx(230.94, abs=0.005)
    assert 2 * test.separation == pytest.approx(2.5981, abs=1e-4)
    assert step_test.error_probability(50_000.0, test) == pytest.approx(0.09697, abs=1e-4)
    before, during, _ = simulate_test(np.full(200_000, 50_000.0), test, np.random.default_rng(12))
    assert (during < before).mean() == pytest.approx(0.0970, rel=0.02)


@pytest.mark.parametrize(
    "load_w, pv_w, change_w", [(3515.0, 1500.0, 547.0), (3515.0, 2500.0, -1453.0), (2126.0, 4000.0, 1096.0)]
)
def test_det_13_step_that_crosses_zero(load_w, pv_w, change_w):
    """Identity a + b = L when the step pushes an exporting house through zero - built here.

    The house's other use is what makes the stated change: before = export, after = L - export.
    """
    before = (load_w - change_w) / 2
    during = load_w - before
    assert during - before == pytest.approx(change_w)
    assert abs(during - before) < load_w and before < pv_w
    belief = step_test.posterior(before, during, step_test.StepTest(load_w, noise_w=10), before)
    assert step_test.HYPOTHESES[belief.argmax()] == "pushed through zero"
    assert step_test.rise_or_fall(before, during) == (change_w < 0)


RAIN = {"start": [0.5, 0.5], "transition": [[0.7, 0.3], [0.3, 0.7]]}
UMBRELLAS = np.array([[0.2, 0.9]] * 2 + [[0.8, 0.1]] + [[0.2, 0.9]] * 2)  # P(seen | dry), P(seen | rain)


def share(odds):
    return odds / (1 + odds)


def weights(start, transition, likelihood):
    """Return chain weights from a start (2,), one transition matrix (row = from) and likelihoods, shape (n, 2)."""
    seen = np.asarray(likelihood, dtype=float).T
    w = np.asarray(transition, dtype=float)[:, :, None] * seen
    w[:, :, 0] = np.asarray(start) * seen[:, 0]
    return w


def test_det_6_umbrella_filtering():
    """Russell and Norvig, Artificial Intelligence: A Modern Approach, 3rd ed., 15.2, first two; all five elsewhere.

    Seen and recomputed (the article "Forward-backward algorithm" and test suites built on it).
    """
    w = weights(likelihood=UMBRELLAS, **RAIN)
    assert share(filtered(w)) == pytest.approx([0.8182, 0.8834, 0.1907, 0.7308, 0.8673], abs=1e-4)


def test_det_7_umbrella_smoothing_and_prediction():
    """The same sources; seen and recomputed. A backward message is what smoothing adds to filtering."""
    before = weights(likelihood=np.vstack([[1.0, 1.0], UMBRELLAS]), **RAIN)
    backward = chain.odds(before) / filtered(before)  # the first is the one to day 0, before any umbrella
    assert share(backward)[:4] == pytest.approx([0.6469, 0.5923, 0.3763, 0.6533], abs=1e-4)
    whole = smoothed(weights(likelihood=UMBRELLAS, **RAIN))
    assert whole == pytest.approx([0.8673, 0.8204, 0.3075, 0.8204, 0.8673], abs=1e-4)
    two_days = smoothed(weights(likelihood=UMBRELLAS[:2], **RAIN))
    assert two_days[0] == pytest.approx(0.8834, abs=1e-4)
    unseen = weights(likelihood=np.vstack([UMBRELLAS[:2], np.ones((2, 2))]), **RAIN)
    assert share(filtered(unseen))[-1] == pytest.approx(0.5613, abs=1e-4)


def test_det_8_asymmetric_chain():
    """A course's filter exercise (start certain, T rows 0.6 0.4 and 0.3 0.7) - seen and recomputed.

    An asymmetric chain shows a transposed matrix, which the umbrella world cannot.
    """
    absent = [[0.7, 0.2]] * 2
    transition = np.array([[0.6, 0.4], [0.3, 0.7]])
    w = weights([1.0, 0.0], transition, [[1.0, 1.0], *absent, [1.0, 1.0]])
    home = 1 - share(filtered(w))
    assert home[2] == pytest.approx(0.81176, abs=1e-5)
    assert home[3] == pytest.approx(0.54353, abs=1e-5)
