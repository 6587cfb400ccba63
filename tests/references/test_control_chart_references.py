"""Mean run lengths of cumulative sums: a textbook's tables, a second method, and drawing.

Sources: Montgomery, Introduction to Statistical Quality Control, tables of the ARL of the tabular CUSUM with k = 1/2
(recomputed, source from memory). The other tables were worked out for this project, independently
of solarlib (built here).
"""

import numpy as np
import pandas as pd
import pytest
from scipy.signal import lfilter
from scipy.stats import norm

from made_days import first_alarm
from solarlib.health.chart import cusum, shift_of_loss, watch_for

SHIFTS = (0, 0.25, 0.5, 0.75, 1, 1.5, 2, 2.5, 3, 4)
TWO_SIDED = {  # recomputed, source from memory
    4: (168, 74.2, 26.6, 13.3, 8.38, 4.75, 3.34, 2.62, 2.19, 1.71),
    5: (465, 139, 38.0, 17.0, 10.4, 5.75, 4.01, 3.11, 2.57, 2.01),
}


def half_of_last(printed):
    """Return half a unit of the third significant digit."""
    return 0.5 * 10.0 ** (np.floor(np.log10(printed)) - 2)


def states_chain(shift, k, h, states):
    """Brook and Evans, Biometrika 59 (1972) 539: the sum in steps, as a chain of states (from memory)."""
    width = 2 * h / (2 * states - 1)
    middle = np.arange(states) * width
    upper = norm.cdf(middle[None, :] + width / 2 - middle[:, None] + k - shift)
    lower = norm.cdf(middle[None, :] - width / 2 - middle[:, None] + k - shift)
    lower[:, 0] = 0.0
    return np.linalg.solve(np.eye(states) - (upper - lower), np.ones(states))[0]


def run_length(shift, k, h):
    """Return the mean days until a sum alarms. The chain's error falls with the square of the states; two give the
    limit."""
    coarse, fine = states_chain(shift, k, h, 75), states_chain(shift, k, h, 150)
    return fine + (fine - coarse) / 3


@pytest.mark.parametrize("h", TWO_SIDED)
def test_textbook_cusum(h):
    """Half of the third digit; 17.0 is printed for 17.05, which may round either way.

    The chain, and 1000 charts through the code that real days go through (four errors of the drawing). The
    textbook's chart has two equal sums, one up and one down; their rates of alarm add (`from memory`: van Dobben de
    Bruyn, Cumulative Sum Tests, 1968).
    """
    days = np.random.default_rng(h).standard_normal((4000, 1000))
    for shift, printed in zip(SHIFTS, TWO_SIDED[h]):
        rate = sum(1.0 / run_length(side * shift, 0.5, h) for side in (1, -1))
        assert 1.0 / rate == pytest.approx(printed, abs=1.02 * half_of_last(printed))
        both = [first_alarm(cusum(side * days - shift * side, 0.5, h), h) for side in (1, -1)]
        drawn = np.minimum(np.minimum(*both), 4000)
        assert drawn.mean() == pytest.approx(
            printed, abs=4 * drawn.std() / np.sqrt(1000) + 1.02 * half_of_last(printed)
        )


@pytest.mark.parametrize("shift, k, h", [(0, 0.5, 4), (1, 0.5, 5), (0, 1.25, 1.7), (2.15, 1.07, 2.6)])
def test_the_sum_of_real_days_runs_as_long_as_the_chain(shift, k, h):
    """Four errors of the drawing; the code that real days go through, on 2000 charts of normal days."""
    z = np.random.default_rng(int(10 * (k + h))).standard_normal((4000, 2000)) - shift
    drawn = first_alarm(cusum(z, k, h), h)
    drawn = np.minimum(drawn, 4000)
    assert drawn.mean() == pytest.approx(run_length(shift, k, h), abs=4 * drawn.std() / np.sqrt(2000) + 1e-9)


@pytest.mark.parametrize("k, h", [(0.25, 6.68), (0.5, 4.08), (0.75, 2.87), (1.0, 2.17), (1.25, 1.70)])
def test_thresholds_for_a_year_without_a_fault(k, h):
    """built here: 365 days at h, two decimals. The chain, and charts of real days (four errors of drawing)."""
    assert run_length(0, k, h - 0.0055) < 365 < run_length(0, k, h + 0.0055)
    z = np.random.default_rng(int(100 * k)).standard_normal((4000, 2000))
    drawn = np.minimum(first_alarm(cusum(z, k, h), h), 4000)
    assert drawn.mean() == pytest.approx(365, abs=4 * drawn.std() / np.sqrt(2000))


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
    got = shift_of_loss(1 / 16) / scatter
    assert got == pytest.approx(shift, abs=0.006)
    days = [run_length(got, 0.5, h) for h in (4, 5)]
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
        days = run_length(shift_of_loss(loss) / scatter, 0.5, 5)
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


def test_the_line_pays_for_its_baseline():
    """Independent normal days: baselines through median and MAD, each with the rate that the chain gives its chart.

    A chart with estimates m and s is a chart of true units with allowance s k - m and threshold s h. A quarter is
    allowed beside the drawing: a message ends where the sum is 0 again, the chain starts anew at once.
    """
    rng = np.random.default_rng(5)
    days = rng.standard_normal((60, 50))
    days[:, 0] *= 0.03 / (1.4826 * np.median(np.abs(days[:, 0] - np.median(days[:, 0]))))
    watch = watch_for(pd.DataFrame(days), 1 / 16, 1000)
    k, h = watch.plan.k, watch.plan.h
    assert watch.false_message_days == pytest.approx(1000, rel=0.03)  # as a hundredth of a scatter changes it
    sample = rng.standard_normal((600, 60))
    centre = np.median(sample, axis=1)
    scale = 1.4826 * np.median(np.abs(sample - centre[:, None]), axis=1)
    rates = [1 / states_chain(m, s * k, s * h, 60) for m, s in zip(centre, scale)]
    assert np.mean(rates) == pytest.approx(1 / 1000, abs=4 * np.std(rates) / np.sqrt(600) + 0.25 / 1000)
    assert run_length(0, k, h) > 1000
