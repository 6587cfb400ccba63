"""The daily chart: baseline, sum, messages, and the line laid on drawn houses."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings, strategies as st
from scipy.signal import lfilter

from made_days import first_alarm
from profiles import examples
from solarlib.health import chart as cc
from solarlib.quantities import InputError

DAYS = pd.date_range("2026-03-01", periods=60, freq="D", tz="UTC")


def test_baseline_is_not_moved_by_a_few_odd_days():
    rng = np.random.default_rng(1)
    days = 0.02 + 0.03 * rng.standard_normal(400)
    odd = days.copy()
    odd[:20] = -3.0
    plain, shaken = cc.baseline(days), cc.baseline(odd)
    assert plain.centre == pytest.approx(0.02, abs=0.006) and plain.scatter == pytest.approx(0.03, rel=0.12)
    assert abs(shaken.centre - plain.centre) < 0.005 and shaken.scatter < 1.15 * plain.scatter


def test_baseline_leaves_missing_days_out_and_wants_fourteen():
    days = np.r_[np.random.default_rng(2).standard_normal(14), np.nan, np.nan]
    assert cc.baseline(days).days == 14
    with pytest.raises(InputError, match="found 13 usable days"):
        cc.baseline(days[1:])
    with pytest.raises(InputError, match="do not scatter"):
        cc.baseline(np.zeros(30))


def normal_homes(seed, days=60, homes=7, lag_one=0.0, scatter=0.03):
    noise = np.random.default_rng(seed).standard_normal((days + 20, homes))
    noise[1:] *= np.sqrt(1 - lag_one**2)
    return pd.DataFrame(scatter * lfilter([1.0], [1.0, -lag_one], noise, axis=0)[20:])


def test_days_that_resemble_each_other_and_heavy_tails_raise_the_line():
    plain, alike = (cc.watch_for(normal_homes(3, lag_one=lag), 1 / 16) for lag in (0.0, 0.5))
    heavy = 0.03 * np.random.default_rng(3).standard_t(3, (60, 7))
    tails = cc.watch_for(pd.DataFrame(heavy), 1 / 16)
    assert alike.plan.h > 1.5 * plain.plan.h and tails.plan.h > 1.2 * plain.plan.h
    assert alike.widening > 1.3 > plain.widening
    for watch in (plain, alike, tails):
        assert watch.false_message_days == pytest.approx(500, rel=0.05)
        assert watch.false_message_range[0] < watch.false_message_days < watch.false_message_range[1]


def test_messages_of_drawn_houses_are_those_of_their_charts():
    """The count without a chart of each house, and the chart of each house, day by day."""
    watch = cc.watch_for(normal_homes(4), 1 / 16, 50)
    counted = watch.houses.messages(watch.plan)[:40]
    for house, count in enumerate(counted):
        days = pd.Series(watch.houses.z[:, house])
        called = cc.chart(days, cc.Baseline(0.0, 1.0, 60), watch.plan)["stage"].isin(["look", "act"]).to_numpy()
        assert called[0] + (called[1:] & ~called[:-1]).sum() == count
    assert counted.sum() > 100


def test_waits_are_counted_in_compared_days():
    houses = cc.Drawn(np.array([[-3.0, np.nan, -3.0, -3.0]]).T, np.zeros(1), np.ones(1))
    assert houses.waits(cc.Design(1.0, 3.9), 0.0).tolist() == [2.0]
    assert houses.waits(cc.Design(1.0, 50.0), 0.0).tolist() == [np.inf]


def test_dull_days_scatter_wider_and_bright_ones_as_usual():
    rng = np.random.default_rng(5)
    sun = pd.Series(rng.uniform(0.3, 1.5, 200), pd.date_range("2026-01-01", periods=200))
    noise = pd.DataFrame(rng.standard_normal((200, 6)), sun.index).mul(sun**-0.6, axis=0)
    wider = cc.wider_by_sky(noise.iloc[:60], sun)
    middle = sun.iloc[:60].median()
    assert wider.min() == 1.0 and (wider[sun > middle] == 1.0).all()
    power = np.log(wider[sun < 0.5]) / np.log(middle / sun[sun < 0.5])
    assert power.std() < 1e-9 and power.mean() == pytest.approx(0.6, abs=0.3)
    assert cc.wider_by_sky(noise.mul(sun**1.2, axis=0), sun).eq(1.0).all()  # brighter days that scatter wider: no


@given(st.lists(st.floats(-6, 6), min_size=1, max_size=40), st.floats(0, 2))
@settings(deadline=None, max_examples=examples(200))
def test_the_sum_is_the_deepest_fall_of_the_added_days(values, k):
    """S on day n is the greatest, over all starts, of the sum of (-z - k) from the start to n, never below 0."""
    z = np.array(values)
    steps = np.r_[0.0, np.cumsum(-z - k)]
    deepest = steps[1:] - np.minimum.accumulate(steps)[1:]
    assert cc.cusum(z, k) == pytest.approx(deepest, abs=1e-9)


def test_many_houses_at_once_are_each_house_alone():
    z = np.random.default_rng(4).standard_normal((80, 7))
    z[5, 2] = np.nan
    together = cc.cusum(z, 0.4, 2.0)
    for column in range(7):
        assert np.array_equal(together[:, column], cc.cusum(z[:, column], 0.4, 2.0))
    assert together[5, 2] == together[4, 2] or together[4, 2] > 2.0
    assert first_alarm(together, 2.0).tolist() == [first_alarm(together[:, c], 2.0).item() for c in range(7)]


def test_one_odd_day_cannot_alarm():
    usual, plan = cc.Baseline(0.0, 0.03, 60), cc.Design(0.5, 5.0)
    days = pd.Series(0.0, DAYS)
    days.iloc[10] = np.log(0.05)
    assert set(cc.chart(days, usual, plan)["stage"]) == {"usual", "watch"}


def test_a_loss_is_watched_then_looked_at_then_acted_on():
    usual, plan = cc.Baseline(0.01, 0.03, 60), cc.Design(1.0, 2.67)
    days = pd.Series(0.01, DAYS)
    days.iloc[20:] += np.log(15 / 16)
    told = cc.chart(days, usual, plan)
    stages = told["stage"]
    assert set(stages.iloc[:20]) == {"usual"} and list(dict.fromkeys(stages)) == ["usual", "watch", "look", "act"]
    first_look = np.flatnonzero(stages == "look")[0]
    assert np.flatnonzero(stages == "act")[0] == first_look + cc.PERSISTS_DAYS - 1
    assert told["loss"].iloc[-1] == pytest.approx(1 / 16, abs=1e-9)


@pytest.mark.parametrize("k, h", [(1.25, 1.7), (1.0, 2.17), (0.5, 5.07), (0.25, 9.75)])
def test_one_odd_day_alone_never_brings_a_message(k, h):
    days = pd.Series(0.0, DAYS)
    days.iloc[20] = np.log(0.05)
    assert set(cc.chart(days, cc.Baseline(0.0, 0.03, 60), cc.Design(k, h))["stage"]) <= {"usual", "watch"}


def test_half_an_array_is_acted_on_at_the_second_day_and_recovery_calms():
    usual, plan = cc.Baseline(0.0, 0.03, 60), cc.Design(1.0, 2.67)
    days = pd.Series(0.0, DAYS)
    days.iloc[20:24] = np.log(0.5)
    days.iloc[22] = np.nan
    told = cc.chart(days, usual, plan)
    assert told["stage"].iloc[20] == "watch"  # one day alone may be a lost reading
    assert told["stage"].iloc[21] == "act" and told["stage"].iloc[22] == "act" and told["stage"].iloc[-1] == "usual"
    assert told["loss"].iloc[20] == pytest.approx(0.5)


def test_a_message_ends_when_the_sum_is_zero_again_and_is_one_message():
    usual, plan = cc.Baseline(0.0, 0.01, 60), cc.Design(0.0, 4.0)
    told = cc.chart(pd.Series(0.01 * np.array([-4, -1, 2, -2, 1, 4, -3]), DAYS[:7]), usual, plan)
    assert told["cusum"].tolist() == pytest.approx([4, 5, 3, 5, 4, 0, 3])
    assert told["stage"].tolist() == ["watch", "look", "look", "look", "look", "usual", "watch"]


def test_a_chart_that_waits_for_months_says_so():
    assert (
        not cc.watch_for(normal_homes(6), 1 / 16).is_slow and cc.watch_for(normal_homes(6, scatter=0.3), 1 / 30).is_slow
    )


def test_the_allowance_is_half_the_shift_within_limits():
    def k(loss, scatter):
        watch = cc.watch_for(normal_homes(1, scatter=scatter), loss)
        return watch.plan.k, 0.5 * cc.shift_of_loss(loss) / watch.usual.scatter

    assert k(1 / 16, 0.03)[0] == pytest.approx(k(1 / 16, 0.03)[1])
    assert k(0.25, 0.01)[0] == 2.0 and k(1 / 30, 0.2)[0] == 0.25
    with pytest.raises(InputError, match="false messages"):
        cc.watch_for(normal_homes(1), 1 / 16, 0)
