"""The step test: every closed form against simulation, the fold, and honest answers at the edges."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings, strategies as st
from scipy.stats import multivariate_normal

from made_records import simulate_test
from solarlib.direction import detection, step_test as d
from solarlib.quantities import InputError

DRAWS = 200_000


def rng():
    return np.random.default_rng(20260621)


def assert_share(hits, expected, errors=3.0):
    """Assert that the share of True in ``hits`` agrees with ``expected`` within so many standard errors."""
    spread = np.sqrt(expected * (1 - expected) / hits.size)
    assert abs(hits.mean() - expected) < errors * spread, (hits.mean(), expected, spread)


def assert_sd(values, expected, errors=3.0):
    assert abs(values.std() / expected - 1) < errors / np.sqrt(2 * values.size), (values.std(), expected)


def change(net_w, test, generator, draws=DRAWS):
    before, during, after = simulate_test(np.full(draws, float(net_w)), test, generator)
    return before, during, after, during - (0.5 * (before + after) if test.use_after else before)


@pytest.mark.slow
@pytest.mark.parametrize("load_w, noise_w, readings", [(40.0, 80.0, 16), (40.0, 40.0, 4), (120.0, 100.0, 6)])
def test_error_away_from_the_fold(load_w, noise_w, readings):
    test = d.StepTest(load_w, dwell_s=10.0 * readings, noise_w=noise_w)
    *_, y = change(5000, test, rng())
    assert_sd(y, test.change_sd_w)
    assert_share(y < 0, float(d.error_probability(5000, test)))
    *_, y = change(-5000, test, rng())
    assert_share(y > 0, float(d.error_probability(-5000, test)))


@pytest.mark.parametrize("use_after", [True, False])
@pytest.mark.parametrize("dwell_s", [15.0, 30.0, 90.0])
@pytest.mark.slow
def test_spread_under_drift(use_after, dwell_s):
    test = d.StepTest(1000, dwell_s, 20.0, 5.0, drift_w2_per_s=4.0, use_after=use_after)
    *_, y = change(50_000, test, rng(), draws=50_000)
    assert_sd(y - test.load_w, test.change_sd_w, errors=3)


def test_drift_cells_of_the_note():
    sd = d.change_sd(20.0, 6, 30.0, 4.0), d.change_sd(20.0, 6, 30.0, 4.0, use_after=False)
    assert sd == pytest.approx((11.40, 14.61), abs=0.01)


def test_best_dwell_is_the_minimum():
    dwell, sd = d.best_dwell(20.0, 5.0, 4.0)
    around = dwell * np.array([0.5, 0.9, 1.1, 2.0])
    assert (d.change_sd(20.0, around / 5, around, 4.0) > sd).all()
    assert sd**2 == pytest.approx(np.sqrt(1.5 * 400 * 5 * 4))
    assert dwell == pytest.approx(54.8, abs=0.1)


@pytest.mark.parametrize("net_w", [-100.0, -50.0, -20.0, 20.0, 50.0, 100.0, 2000.0, -2000.0])
def test_error_in_the_fold_and_outside(net_w):
    test = d.StepTest(300, dwell_s=60, noise_w=200)
    before, during, after, _ = change(net_w, test, rng())
    wrong = (d.log_ratio(before, during, test, after) > 0) != (net_w > 0)
    assert_share(wrong, float(d.error_probability(net_w, test)))


@pytest.mark.parametrize("noise_w, use_after", [(400, True), (400, False), (250, True)])
@pytest.mark.parametrize("share", [0.3, 0.8, 1.0, 1.3, 3.0])
def test_error_where_fold_and_outside_meet(share, noise_w, use_after):
    """The nearer prediction errs exactly as told; the posterior, over both directions, so to a tenth."""
    test, told, decided = d.StepTest(300, dwell_s=60, noise_w=noise_w, use_after=use_after), [], []
    for net_w in (300 * share, -300 * share):
        before, during, after, _ = change(net_w, test, rng(), draws=50_000)
        reference = (before + after) / 2 if use_after else before
        told.append(float(d.error_probability(net_w, test)))
        assert_share((during > np.maximum(reference, 300)) != (net_w > 0), told[-1])
        decided.append(np.mean((d.log_ratio(before, during, test, after) > 0) != (net_w > 0)))
    assert np.mean(decided) == pytest.approx(np.mean(told), rel=0.1, abs=1e-3)


def test_two_normal_numbers_below_by_hand():
    for a, b, rho in ((0.3, -0.4, 0.8), (-1.2, -0.7, 0.4), (0.0, 1.0, 0.6), (2.0, 0.0, -0.3), (0.0, 0.0, 0.5)):
        exact = multivariate_normal.cdf([a, b], cov=[[1, rho], [rho, 1]])
        assert detection.both_below(a, b, rho) == pytest.approx(exact, abs=1e-6)


@pytest.mark.parametrize("separation, error", [(0.3, 0.05), (0.5, 0.01), (0.8, 0.001), (1.5, 1e-4)])
def test_sequential_test_needs_as_many_steps_as_foretold(separation, error):
    generator, trials, longest = rng(), 20_000, 60 if separation > 0.6 else 300
    evidence = 2 * separation * generator.normal(separation, 1.0, (trials, longest))
    lower, upper = detection.wald_thresholds(error, error)
    total = np.cumsum(evidence, axis=1)
    stop = (total >= upper) | (total <= lower)
    assert stop.any(axis=1).all()
    steps = stop.argmax(axis=1) + 1
    assert abs(steps.mean() - detection.expected_steps(separation, error)) < 3 * steps.std() / np.sqrt(trials)
    wrong = np.take_along_axis(total, steps[:, None] - 1, axis=1)[:, 0] <= lower
    assert wrong.mean() <= error
    assert steps.mean() < detection.fixed_steps(separation, error)


def test_sequential_verdicts_one_by_one():
    table = detection.decide([1.0, 2.0, -0.5, 3.0, -20.0], error=0.01)
    assert table["verdict"].tolist() == ["go on", "go on", "go on", "importing", "importing"]
    assert table["total"].tolist() == [1.0, 3.0, 2.5, 5.5, -14.5]
    assert detection.decide([-5.0], 0.01)["verdict"].tolist() == ["exporting"]
    assert detection.decide([], 0.01).empty


@pytest.mark.parametrize("net_w", [-2000.0, -800.0, -500.0, -200.0, -30.0, 30.0, 400.0, 3000.0])
def test_the_truth_gets_the_highest_posterior_without_noise(net_w):
    test = d.StepTest(750, noise_w=2)
    belief = d.posterior(abs(net_w), abs(net_w + 750), test, abs(net_w))
    truth = 0 if net_w > 0 else 1 if net_w <= -750 else 2
    assert belief.argmax() == truth
    assert 0.9 < belief[truth] < 1
    assert belief.sum() == pytest.approx(1)


def test_nothing_can_be_known_at_zero_and_at_half():
    test = d.StepTest(750, noise_w=5)
    assert d.log_ratio(0.0, 750.0, test, 0.0) == pytest.approx(0, abs=0.05)
    # Something else switched: neither u + L nor |u - L| fits, and the belief stays where it was.
    assert d.posterior(2000, 2050, test, 2000)[0] == pytest.approx(0.5, abs=0.01)


def test_one_test_leaves_the_doubt_that_something_else_switched():
    """Far from the fold and without noise that counts: 0.06 over 6000 W against 0.94 of a normal density."""
    fits = 0.94 / (10 * np.sqrt(2 * np.pi)) + 0.06 / 6000
    test = d.StepTest(750, dwell_s=10, noise_w=10 / np.sqrt(1.5))
    assert test.change_sd_w == pytest.approx(10)
    assert d.log_ratio(3000.0, 3750.0, test, 3000.0) == pytest.approx(np.log(fits / (0.06 / 6000)))


def test_posterior_is_calibrated_on_a_known_house(monkeypatch):
    monkeypatch.setattr(d, "OTHER_SWITCHING", 0.0)
    test, generator = d.StepTest(300, dwell_s=30, noise_w=60), rng()
    net = generator.uniform(-1500, 1500, DRAWS)
    before, during, after = simulate_test(net, test, generator)
    exporting = 1 - d.posterior(before, during, test, after)[:, 0]
    for low, high in [(0.05, 0.2), (0.2, 0.4), (0.4, 0.6), (0.6, 0.8), (0.8, 0.95)]:
        cell = (exporting > low) & (exporting < high)
        spread = np.sqrt(0.25 / cell.sum())
        assert abs((net[cell] < 0).mean() - exporting[cell].mean()) < 3 * spread + 0.02


def test_feasibility():
    assert d.certain_import(900.0, 500.0)
    assert not d.certain_import(500.0, 500.0)
    assert d.certain_import(60.0, 0.0)
    assert not d.certain_import(np.nan, 0.0)


@settings(deadline=None, max_examples=60)
@given(
    net=st.floats(-8000, 8000),
    load=st.floats(50, 3000),
    noise=st.floats(0.5, 100),
    scale=st.floats(0.1, 5),
    seed=st.integers(0, 1000),
)
def test_units_do_not_matter(net, load, noise, scale, seed):
    """Measuring in other units (milliwatts, horsepower) must not change the belief."""
    test = d.StepTest(load, noise_w=noise)
    scaled = d.StepTest(load * scale, noise_w=noise * scale) if load * scale >= 1 else test
    before, during, after = simulate_test(net, test, np.random.default_rng(seed))
    factor = scale if scaled is not test else 1.0
    expected = d.posterior(before, during, test, after)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(d, "OTHER_RANGE_W", 6000 * factor)
        found = d.posterior(before * factor, during * factor, scaled, after * factor)
    assert found == pytest.approx(expected, abs=1e-6)
    assert expected.sum() == pytest.approx(1)


@pytest.mark.parametrize(
    "bad", [{"load_w": 0}, {"load_w": float("nan")}, {"load_w": 500, "noise_w": -1}, {"load_w": 500, "dwell_s": 5}]
)
def test_impossible_tests_are_refused_in_one_line(bad):
    with pytest.raises(InputError) as error:
        d.StepTest(**bad)
    assert "StepTest." in str(error.value) and "\n" not in str(error.value)


def test_shares_outside_zero_and_one_are_refused():
    with pytest.raises(InputError):
        detection.wald_thresholds(0.7, 0.1)


def test_energies_are_bounded_by_what_is_certain():
    hour = pd.date_range("2026-06-21", periods=4, freq="1h", tz="UTC")
    reading, pv = pd.Series([400.0, 3000.0, 1000.0, 500.0], hour), pd.Series([0.0, 2000.0, 2000.0, 600.0], hour)
    bounds = d.energy_bounds(reading, d.certain_import(reading, pv))
    np.testing.assert_allclose(bounds.loc["import"], [3.4, 4.9])  # the first two hours; all four
    np.testing.assert_allclose(bounds.loc["export"], [0.0, 1.5])
    gap = d.energy_bounds(reading.where(reading != 1000.0), d.certain_import(reading, pv))
    assert gap.loc["import", "least_kwh"] == pytest.approx(3.4) and gap["most_kwh"].isna().all()


def test_certain_import_leaves_forty_watts_and_three_hundredths():
    assert d.certain_import(555.1, 500.0) and not d.certain_import(554.9, 500.0)
    assert d.certain_import(40.1, 0.0) and not d.certain_import(39.9, 0.0)
