"""Mean run lengths of cumulative sums: a textbook's tables, a second method, and drawing.

Sources: Montgomery, Introduction to Statistical Quality Control, tables of the ARL of the tabular CUSUM with k = 1/2
(recomputed, source from memory). The other tables were worked out for this project, independently
of solarlib (built here).
"""

import numpy as np
import pytest
from scipy.signal import lfilter
from scipy.stats import norm

from made_days import first_alarm
from solarlib.health import run_lengths as rl
from solarlib.health.chart import cusum

SHIFTS = (0, 0.25, 0.5, 0.75, 1, 1.5, 2, 2.5, 3, 4)
TWO_SIDED = {  # recomputed, source from memory
    4: (168, 74.2, 26.6, 13.3, 8.38, 4.75, 3.34, 2.62, 2.19, 1.71),
    5: (465, 139, 38.0, 17.0, 10.4, 5.75, 4.01, 3.11, 2.57, 2.01),
}


def half_of_last(printed):
    """Return half a unit of the third significant digit."""
    return 0.5 * 10.0 ** (np.floor(np.log10(printed)) - 2)


@pytest.mark.parametrize("h", TWO_SIDED)
def test_textbook_cusum(h):
    """Half of the third digit; 17.0 is printed for 17.05, which may round either way.

    The textbook's chart has two equal sums, one up and one down; their rates of alarm add (`from memory`: van Dobben de
    Bruyn, Cumulative Sum Tests, 1968).
    """
    for shift, printed in zip(SHIFTS, TWO_SIDED[h]):
        rate = sum(1.0 / rl.cusum_run_length(side * shift, 0.5, h) for side in (1, -1))
        assert 1.0 / rate == pytest.approx(printed, abs=1.02 * half_of_last(printed))


def states_chain(shift, k, h, states):
    """Brook and Evans, Biometrika 59 (1972) 539: the sum in steps, as a chain of states (from memory)."""
    width = 2 * h / (2 * states - 1)
    middle = np.arange(states) * width
    upper = norm.cdf(middle[None, :] + width / 2 - middle[:, None] + k - shift)
    lower = norm.cdf(middle[None, :] - width / 2 - middle[:, None] + k - shift)
    lower[:, 0] = 0.0
    return np.linalg.solve(np.eye(states) - (upper - lower), np.ones(states))[0]


@pytest.mark.parametrize(
    "shift, k, h", [(0, 0.5, 4), (0, 0.5, 5), (1, 0.5, 5), (0, 1.25, 2.11), (-0.2, 0.25, 3), (2.15, 1.07, 2.6)]
)
def test_a_second_method_agrees(shift, k, h):
    """The chain's error falls with the square of the states; two sizes give the limit."""
    coarse, fine = states_chain(shift, k, h, 150), states_chain(shift, k, h, 300)
    assert rl.cusum_run_length(shift, k, h) == pytest.approx(fine + (fine - coarse) / 3, rel=2e-5)


def test_one_sided_lengths_are_twice_the_two_sided_ones_without_a_fault():
    assert rl.cusum_run_length(0, 0.5, 4) == pytest.approx(335.4, abs=0.05)  # built here
    assert rl.cusum_run_length(0, 0.5, 5) == pytest.approx(930.9, abs=0.05)  # built here


@pytest.mark.parametrize(
    "k, printed",
    [
        (0.25, (6.68, 8.59, 9.75)),
        (0.5, (4.08, 5.07, 5.67)),
        (0.75, (2.87, 3.54, 3.94)),
        (1.0, (2.17, 2.67, 2.96)),
        (1.25, (1.70, 2.11, 2.34)),
    ],
)
def test_thresholds_for_a_run_length(k, printed):
    """built here; 365, 1000 and 1825 days, two decimals."""
    got = [rl.threshold(days, k) for days in (365.0, 1000.0, 1825.0)]
    assert got == pytest.approx(printed, abs=0.0055)
    assert rl.cusum_run_length(0, k, got[1]) == pytest.approx(1000, rel=1e-4)


# Scatter of the daily ratio; shift; days with h = 4 and 5. built here.
DETECTABILITY = [
    (0.015, 4.30, 1.6, 1.9),
    (0.02, 3.23, 2.1, 2.4),
    (0.03, 2.15, 3.1, 3.7),
    (0.04, 1.61, 4.3, 5.2),
    (0.05, 1.29, 5.8, 7.1),
    (0.06, 1.08, 7.5, 9.3),
    (0.08, 0.81, 11.8, 14.9),
    (0.10, 0.65, 17.2, 22.7),
]


@pytest.mark.parametrize("scatter, shift, at_4, at_5", DETECTABILITY)
def test_days_until_a_dead_module_of_sixteen_shows(scatter, shift, at_4, at_5):
    """The table by the integral equation, and by drawing 4000 charts with the code that real days go through."""
    got = rl.shift_of_loss(1 / 16) / scatter
    assert got == pytest.approx(shift, abs=0.006)
    days = [rl.cusum_run_length(got, 0.5, h) for h in (4, 5)]
    assert days == pytest.approx([at_4, at_5], abs=0.051)
    z = np.random.default_rng(int(1e4 * scatter)).standard_normal((250, 4000)) - got
    path = cusum(z, 0.5)
    for h, mean in zip((4, 5), days):
        drawn = first_alarm(path, h)
        assert drawn.mean() == pytest.approx(mean, abs=4 * drawn.std() / np.sqrt(4000) + 1e-9)


@pytest.mark.parametrize(
    "loss, at_3, at_5",
    [
        (1 / 10, 2.2, 3.8),
        (1 / 20, 4.9, 10),
        (1 / 30, 8.6, 21),
        (1 / 2, 1, 1),
        (1 / 48, 19, 54),
        (0.03, 10, 25),
        (0.01, 85, 197),
    ],
)
def test_days_until_other_losses_show(loss, at_3, at_5):
    """built here; h = 5, scatter 3 and 5 %, as printed: two digits or three."""
    for scatter, printed in ((0.03, at_3), (0.05, at_5)):
        days = rl.cusum_run_length(rl.shift_of_loss(loss) / scatter, 0.5, 5)
        assert days == pytest.approx(printed, abs=0.051 if printed < 10 and printed != int(printed) else 0.7)


def drawn_run_lengths(lag_one, k, h, shift, charts, seed, longest):
    """Return mean and standard error of the run length of charts of days that resemble the day before."""
    days = np.random.default_rng(seed).standard_normal((longest, charts))
    days[1:] *= np.sqrt(1 - lag_one**2)
    length = first_alarm(cusum(-shift - lfilter([1.0], [1.0, -lag_one], days, axis=0), k), h)
    assert np.isfinite(length).all()
    return length.mean(), length.std() / np.sqrt(charts)


@pytest.mark.parametrize("lag_one, printed", [(0.1, 490), (0.2, 294), (0.3, 197), (0.5, 105)])
@pytest.mark.slow
def test_days_that_resemble_each_other_alarm_far_too_often(lag_one, printed):
    """built here, by drawing on both sides: four standard errors of ours plus 3 % for theirs."""
    mean, error = drawn_run_lengths(lag_one, 0.5, 5.0, 0.0, 1500, int(100 * lag_one), 6000)
    assert mean == pytest.approx(printed, abs=4 * error + 0.03 * printed)


@pytest.mark.parametrize("lag_one", [0.1, 0.3])
@pytest.mark.slow
def test_the_repair_brings_the_thousand_days_back(lag_one):
    k, h = 0.5 * rl.widening(lag_one), 5.0 * rl.widening(lag_one)
    mean, error = drawn_run_lengths(lag_one, k, h, 0.0, 400, 3, 30000)
    assert mean - 3 * error > 930 * 0.9 and mean > 1000
    assert 8 <= drawn_run_lengths(lag_one, k, h, 1.29, 1500, 4, 3000)[0] <= 13
    assert rl.widening(-0.3) == 1.0


def run_lengths_after_baseline(days, k, h, draws, rng, scatter_known=False):
    """Return drawn run lengths without a fault of charts whose mean and scatter come from a few normal days.

    A chart with estimates m and s is a chart of true units with allowance s k - m and threshold s h.
    """
    centre = rng.standard_normal(draws) / np.sqrt(days)
    scale = np.ones(draws) if scatter_known else np.sqrt(rng.chisquare(days - 1, draws) / (days - 1))
    return np.sort([rl._cusum(m - s * k, s * h) for m, s in zip(centre, scale)])


@pytest.mark.parametrize(
    "days, low, high", [(14, 93, 24000), (30, 176, 7200), (60, 232, 4100), (120, 345, 2260), (365, 517, 1720)]
)
def test_a_short_baseline_makes_the_rate_of_false_alarms_a_lottery(days, low, high):
    """Printed 10 to 90 % ranges, built here by drawing, so 20 % either way is their own drawing error.

    They come out only when the scatter is taken as known. With both estimated, as on every real chart, it is wider.
    """
    edge = norm.isf(0.10) / np.sqrt(days)
    centre_only = [rl.cusum_run_length(m, 0.5, 5) for m in (edge, -edge)]
    assert centre_only == pytest.approx((low, high), rel=0.2)
    both = np.quantile(run_lengths_after_baseline(days, 0.5, 5, 600, np.random.default_rng(days)), [0.1, 0.9])
    drawn = np.quantile(
        run_lengths_after_baseline(days, 0.5, 5, 600, np.random.default_rng(1), scatter_known=True), [0.1, 0.9]
    )
    off = 4 * np.sqrt(0.1 * 0.9 / 600) / norm.pdf(norm.isf(0.10)) / np.sqrt(days)  # four errors of a drawn quantile
    for got, m in zip(drawn, (edge, -edge)):
        assert rl.cusum_run_length(m + off, 0.5, 5) < got < rl.cusum_run_length(m - off, 0.5, 5)
    assert both[0] < centre_only[0] and both[1] > centre_only[1]


def test_a_threshold_that_pays_for_its_baseline():
    """By drawing baselines of normal days through median and MAD: the mean rate is the wanted one."""
    rng = np.random.default_rng(5)
    k, days = 1.0, 60
    h = rl.threshold_after_baseline(1000.0, k, days)
    assert h > rl.threshold(1000.0, k)
    sample = rng.standard_normal((1500, days))
    centre = np.median(sample, axis=1)
    scale = 1.4826 * np.median(np.abs(sample - centre[:, None]), axis=1)
    rates = [1 / rl._cusum(m - s * k, s * h) for m, s in zip(centre, scale)]
    error = np.std(rates) / np.sqrt(len(rates))
    # The scaled MAD of 60 days is 1 to 2 % low and not quite normal: a quarter is allowed beside the drawing.
    assert np.mean(rates) == pytest.approx(1 / 1000, abs=4 * error + 0.25 / 1000)
    assert np.mean([1 / rl._cusum(m - s * k, s * rl.threshold(1000.0, k)) for m, s in zip(centre, scale)]) > 2 / 1000
