"""The performance ratio without temperature, and what year-on-year pairs may tell."""

import numpy as np
import pandas as pd
import pytest
from scipy.signal import lfilter

from solarlib.health.ageing import year_on_year, year_pairs
from solarlib.health.yields import corrected_performance_ratio, final_yield, performance_ratio, reference_yield
from solarlib.house.file import read_house
from solarlib.house.year import weather
from solarlib.quantities import InputError
from solarlib.roof.array import array_power


def test_two_hours_by_hand():
    """1000 W/m2 at 45 degC and 500 at 25: expected 0.92 + 0.5 kWh per kW; 1.136 kWh delivered is 0.8 of 1.42."""
    got = corrected_performance_ratio([736.0, 400.0], [1000.0, 500.0], [45.0, 25.0], 1000.0, -0.004)
    assert got == pytest.approx(0.8, abs=1e-12)


def test_a_missing_value_leaves_both_sums():
    got = corrected_performance_ratio(
        [736.0, np.nan, 9.0, 400.0], [1000.0, 800.0, np.nan, 500.0], [45.0, 30.0, 30.0, 25.0], 1000.0, -0.004
    )
    assert got == pytest.approx(0.8, abs=1e-12)


def test_without_light_there_is_no_ratio():
    with pytest.raises(InputError, match="light on the plane: found none"):
        corrected_performance_ratio([0.0], [0.0], [20.0], 1000.0, -0.004)


def monthly_ratios(house):
    sky = weather(house)
    power, rated = array_power(sky, house.place, house.system), house.system.rated_power_w
    plain, corrected = [], []
    for _, month in power.groupby(power.index.month):
        plain.append(
            performance_ratio(
                final_yield(month["ac_power_w"].sum() / 1000, rated), reference_yield(month["poa_global"])
            )
        )
        corrected.append(
            corrected_performance_ratio(
                month["ac_power_w"],
                month["poa_global"],
                month["temp_cell"],
                rated,
                house.system.module.temperature_coefficient_per_c,
            )
        )
    return np.array(plain), np.array(corrected)


@pytest.mark.parametrize("name", ["two-storey", "bungalow"])
def test_the_seasons_of_the_ratio_are_mostly_heat(name):
    plain, corrected = monthly_ratios(read_house(name))
    assert np.ptp(plain) > 0.04
    assert np.ptp(corrected) < 0.45 * np.ptp(plain)


def daily(years, rate, rng, scatter=0.03, start="2020-01-01"):
    days = pd.date_range(start, periods=int(round(365.25 * years)), freq="D", tz="UTC")
    in_year = (days.month - 1 + days.day / 31) / 12  # the same on each calendar day of every year
    age, season = days.year - days.year[0] + in_year, 0.3 * np.cos(2 * np.pi * in_year)
    return pd.Series(np.exp(season + age * np.log1p(rate) + scatter * rng.standard_normal(len(days))), days)


def test_pairs_take_out_the_season_and_leave_the_years_change():
    pairs = year_pairs(daily(3, -0.02, np.random.default_rng(0), scatter=0.0))
    assert len(pairs) == pytest.approx(2 * 365, abs=3)
    assert np.median(pairs) == pytest.approx(np.log(0.98), abs=1e-4)


@pytest.mark.parametrize(
    "years, has_interval, has_rate",
    [(0.5, False, False), (2.9, False, False), (3, True, False), (4.9, True, False), (5, True, True), (9, True, True)],
)
def test_years_decide_what_is_told(years, has_interval, has_rate):
    told = year_on_year(daily(years, -0.01, np.random.default_rng(1)), np.random.default_rng(2), draws=200)
    assert (told.low is not None, told.rate is not None) == (has_interval, has_rate)
    assert f"{years:.1f} years" in told.text
    assert ("%" in told.text) == has_interval


@pytest.mark.slow
def test_the_interval_covers_the_truth_nine_times_in_ten():
    """100 made records of four years whose days come in runs (correlation 0.5); binomial 1-in-1000 limits of 0.90."""
    inside = 0
    for seed in range(100):
        rng = np.random.default_rng(seed)
        record = daily(4, -0.005, rng, scatter=0.0)
        kicks = 0.04 * rng.standard_normal(len(record))
        kicks[0] = 0.0
        noise = lfilter([1.0], [1.0, -0.5], kicks)
        told = year_on_year(record * np.exp(noise), rng, draws=150)
        inside += told.low <= -0.005 <= told.high
    assert 80 <= inside <= 98


def test_no_reading_at_all_is_no_error():
    days = pd.date_range("2020-01-01", periods=10, freq="D", tz="UTC")
    assert year_on_year(pd.Series(np.nan, days), np.random.default_rng(0)).rate is None
