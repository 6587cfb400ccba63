"""Each cause is made in real-looking power, found by its own evidence, and not by the others'."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from solarlib.health import shapes as sg
from solarlib.health.words import reasons_that_fit
from solarlib.house.file import read_house
from solarlib.house.year import weather
from solarlib.quantities import InputError
from solarlib.roof.array import array_power

HOUSE = read_house("two-storey")
SKY = weather(HOUSE)
SUMMER = array_power(
    SKY, HOUSE.place, replace(HOUSE.system, converter=replace(HOUSE.system.converter, ac_limit_w=900.0))
)["ac_power_w"].loc["2026-06-01":"2026-07-15"]
EXPECTED = SUMMER
HOURS = EXPECTED.index.hour
DAYS = pd.date_range("2026-04-01", periods=120, freq="D", tz="UTC")


def noisy(power, seed=0, scatter=0.02):
    return power * np.exp(scatter * np.random.default_rng(seed).standard_normal(len(power)))


CASES = {
    "healthy": noisy(EXPECTED),
    "dead module": noisy(EXPECTED) * 15 / 16,
    "shade": noisy(EXPECTED).where(~HOURS.isin([8, 9, 10]), 0.8 * noisy(EXPECTED)),
    "limit": noisy(EXPECTED).clip(upper=0.7 * EXPECTED.max()),
    "dropouts": noisy(EXPECTED).where(~((EXPECTED > 0.8 * EXPECTED.max()) & (np.arange(len(EXPECTED)) % 3 == 0)), 0.0),
    "heat": noisy(EXPECTED) * (1 - 0.01 * (SKY["temp_air"].loc[EXPECTED.index] - 20).clip(lower=0)),
    "clock": noisy(EXPECTED).shift(1).fillna(0.0),
}


def evidence(own):
    return {
        "shade": sg.shade_block(own, EXPECTED),
        "limit": sg.flat_top(own, EXPECTED),
        "dropouts": sg.midday_dropouts(own, EXPECTED),
        "clock": sg.hour_shift(own, EXPECTED),
    }


@pytest.mark.parametrize("name", ["shade", "limit", "dropouts", "clock"])
def test_each_cause_shows_in_its_own_evidence(name):
    assert evidence(CASES[name])[name].fits


@pytest.mark.parametrize("name", ["healthy", "dead module"])
def test_a_healthy_house_and_a_flat_loss_show_in_no_shape(name):
    assert not any(item.fits for item in evidence(CASES[name]).values())
    assert sg.same_all_day(CASES[name], EXPECTED).fits


@pytest.mark.parametrize(
    "made, looked_for",
    [
        ("shade", "dropouts"),
        ("shade", "clock"),
        ("limit", "dropouts"),
        ("limit", "clock"),
        ("dropouts", "clock"),
        ("heat", "limit"),
        ("heat", "dropouts"),
        ("clock", "limit"),
    ],
)
def test_causes_are_told_apart(made, looked_for):
    assert not evidence(CASES[made])[looked_for].fits


@pytest.mark.parametrize("name", ["shade", "clock"])
def test_a_loss_of_some_hours_is_not_the_same_all_day(name):
    assert not sg.same_all_day(CASES[name], EXPECTED).fits


def test_the_clock_is_off_by_the_hour_that_was_put_in():
    assert sg.hour_shift(CASES["clock"], EXPECTED).value == pytest.approx(1.0, abs=0.05)
    assert "8:00 to 11:00" in sg.shade_block(CASES["shade"], EXPECTED).text


def daily(change, first=60, scatter=0.03, seed=1):
    values = scatter * np.random.default_rng(seed).standard_normal(len(DAYS))
    values[first:] += change
    return pd.Series(values, DAYS)


def whole(values):
    """Return the best step anywhere in the days."""
    return sg.step_level(values, 5, (values.index[0], values.index[-1]))


def test_a_step_is_found_on_its_day_with_its_size():
    step = whole(daily(np.log(0.5)))
    assert step.first_day == DAYS[60] and step.change == pytest.approx(np.log(0.5), abs=3 * step.error)
    shifts = [whole(daily(np.log(15 / 16), seed=seed)) for seed in range(40)]
    assert np.median([abs((step.first_day - DAYS[60]).days) for step in shifts]) <= 3
    inside = np.mean([abs(step.change - np.log(15 / 16)) < 2 * step.error for step in shifts])
    assert inside >= 0.8  # two errors would be 0.95 if the day were known


def test_a_step_is_looked_for_where_something_else_tells_it_began():
    two = daily(np.log(0.5)) + daily(np.log(0.9), first=90, scatter=0.0)
    assert whole(two).first_day == DAYS[60]
    assert sg.step_level(two, 5, (DAYS[50], DAYS[70])) == whole(two)
    assert DAYS[80] <= sg.step_level(two, 5, (DAYS[80], DAYS[100])).first_day <= DAYS[100]
    later = two.iloc[60:]
    assert abs((sg.step_level(later, 5, (DAYS[80], DAYS[100])).first_day - DAYS[90]).days) <= 2
    with pytest.raises(InputError, match="no day to split at"):
        sg.step_level(two, 5, (DAYS[0], DAYS[3]))


def test_the_size_of_a_step_tells_parts_apart():
    fitting = [item.reason for item in sg.parts_lost(whole(daily(np.log(13 / 16))), 16) if item.fits]
    assert fitting == ["3 of 16 modules without power"]
    one = [item.reason for item in sg.parts_lost(sg.Step(DAYS[60], np.log(15 / 16), 0.005), 16) if item.fits]
    assert one == ["1 of 16 modules without power"]
    assert not any(item.fits for item in sg.parts_lost(sg.Step(DAYS[60], -0.001, 0.005), 16))
    with pytest.raises(InputError, match="usable ones"):
        whole(daily(0.0).iloc[:9])


def test_two_good_days_without_power_need_no_statistics():
    neighbours = pd.Series(np.where(np.arange(len(DAYS)) % 5 == 0, 0.5, 5.0), DAYS)
    own = neighbours.copy()
    own.iloc[30] = 0.0
    assert sg.zero_days(own, neighbours) is None
    own.iloc[29:32] = 0.0  # 30 is a dark day: 29 and 31 are the good ones
    assert sg.zero_days(own, neighbours) == DAYS[31]
    own.iloc[31:34] = [np.nan, 0.0, 5.0]  # a reading lost between two zeros
    assert sg.zero_days(own, neighbours) == DAYS[32]


def test_the_sentence_is_never_a_verdict():
    own = CASES["shade"]
    told = reasons_that_fit(evidence(own).values())
    assert told == "differs from similar systems; possible reasons are new shade in one part of the day."
    assert reasons_that_fit([]).startswith("differs from similar systems; possible reasons are ")
    for name, own in CASES.items():
        for item in (*evidence(own).values(), sg.same_all_day(own, EXPECTED)):
            assert any(sign.isdigit() for sign in item.text) or "no hour" in item.text, (name, item)


@pytest.mark.parametrize("factor", [0.0, np.nan])
def test_a_day_without_power_or_readings_has_no_shape_and_says_so(factor):
    for look in sg.DAY_SHAPES:
        told = look(factor * EXPECTED, EXPECTED)
        assert not told.fits or look is sg.same_all_day  # all hours at 0 are alike
        assert "nan" not in told.text and any(sign.isdigit() for sign in told.text) or "no hour" in told.text
