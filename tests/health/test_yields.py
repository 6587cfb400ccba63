"""The performance ratio without temperature, and what year-on-year pairs may tell."""

import numpy as np
import pandas as pd
import pytest
from scipy.signal import lfilter

from solarlib.health.ageing import change_a_year
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


def record(rng, years, rate=-0.005, of_year=0.03, of_month=0.075, start="2020-03-10"):
    """Return a made record of days without season: years and months depart from the usual, days come in runs, three of
    ten are missing. All numbers are invented."""
    days = pd.date_range(start, periods=int(round(365.25 * years)) + 1, freq="D", tz="UTC")
    age = np.arange(len(days)) / 365.25
    months = rng.standard_normal(12 * 40)[(days.year - days.year[0]) * 12 + days.month]
    noise = of_year * rng.standard_normal(40)[days.year - days.year[0]] + of_month * months
    noise += lfilter([0.2], [1, -0.5], rng.standard_normal(len(days)))
    made = pd.Series(np.exp(noise + age * np.log1p(rate)), days)
    return made.where(rng.random(len(days)) > 0.3)


@pytest.mark.parametrize(
    "years, whole, told", [(0.5, 0, False), (3.96, 3, False), (3.99, 4, True), (4.9, 4, True), (9, 9, True)]
)
def test_whole_years_decide_what_is_told(years, whole, told):
    found = change_a_year(record(np.random.default_rng(1), years).ffill().bfill())
    assert found.years == whole and (found.low is not None) == told == ("%" in found.text)


def test_a_year_with_less_than_half_of_its_days_is_left_out():
    days = record(np.random.default_rng(2), 5).ffill().bfill()
    days.iloc[366 : 366 + 200] = np.nan
    assert change_a_year(days).years == 4
    assert change_a_year(days * np.nan).years == 0


def test_a_straight_line_comes_back():
    days = pd.date_range("2020-01-01", periods=6 * 366, freq="D", tz="UTC")
    told = change_a_year(pd.Series(0.98 ** (np.arange(len(days)) / 365.25), days))
    assert told.low == pytest.approx(-0.02, abs=1e-4) and told.high == pytest.approx(-0.02, abs=1e-4)


@pytest.mark.parametrize("years", [4, 10])
@pytest.mark.parametrize("start", ["2020-01-01", "2020-03-10"])
@pytest.mark.slow
def test_nine_of_ten_intervals_hold_the_truth_with_the_weather_of_years_in_it(years, start):
    """88 to 92 of 100, and two errors of the 500 made records. The years of the weather are the record's, or not."""
    told = [change_a_year(record(np.random.default_rng([years, seed]), years, start=start)) for seed in range(500)]
    assert np.mean([one.low <= -0.005 <= one.high for one in told]) == pytest.approx(0.90, abs=0.02 + 0.027)
