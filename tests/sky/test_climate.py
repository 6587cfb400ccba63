"""A year made from monthly means: the means exactly, physics in every hour, at every latitude."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings, strategies as st

from profiles import examples
from solarlib.quantities import TYPICAL_YEAR, InputError
from solarlib.sky import sun
from solarlib.sky.climate import MonthlyMeans, typical_year
from solarlib.sky.weather import Place

MILD = MonthlyMeans(
    (2.4, 3.1, 4.2, 5.4, 5.6, 6.2, 6.1, 5.6, 4.4, 3.6, 2.4, 2.2), (3, 5, 9, 14, 19, 23, 25, 25, 21, 15, 9, 5)
)
RALEIGH = Place("mid north", 36.0, -80.0, "America/New_York", 250.0)


def outside_by_month(place):
    """Return the mean daily irradiation outside the air. [kWh/m2/day]"""
    index = pd.date_range(f"{TYPICAL_YEAR}-01-01", periods=8760, freq="1h", tz="Etc/GMT+5")
    solar = sun.position(index, place)
    flat = solar["dni_extra"] * np.cos(np.radians(solar["apparent_zenith"])).clip(lower=0)
    return flat.groupby(flat.index.month).mean().to_numpy() * 0.024


def check_year(year, place, means):
    by_month = year.groupby(year.index.month).mean()
    np.testing.assert_allclose(by_month["ghi"] * 0.024, means.irradiation, rtol=1e-9, atol=1e-12)
    np.testing.assert_allclose(by_month["temp_air"], means.temp_air, rtol=1e-9, atol=1e-9)
    assert year["wind_speed"].mean() == pytest.approx(means.wind_speed, rel=1e-9)
    assert np.isfinite(year.to_numpy()).all() and (year.drop(columns="temp_air") >= 0).all().all()
    solar = sun.position(year.index, place)
    cosine = np.cos(np.radians(solar["apparent_zenith"])).clip(lower=0)
    np.testing.assert_allclose(year["ghi"], year["dni"] * cosine + year["dhi"], rtol=1e-9, atol=1e-9)
    assert (year.loc[cosine == 0, ["ghi", "dni", "dhi"]] == 0).all().all()
    assert (year["dni"] <= solar["dni_extra"]).all()


@settings(max_examples=examples(14), deadline=None)
@given(
    latitude=st.one_of(st.floats(-90, 90), st.sampled_from([-90.0, -66.6, -23.4, 0.0, 66.6, 78.2, 90.0])),
    longitude=st.floats(-82, -68),
    altitude=st.floats(0, 4000),
    share=st.lists(st.floats(0.05, 0.75), min_size=12, max_size=12),
    warm=st.lists(st.floats(-40, 40), min_size=12, max_size=12),
    seed=st.integers(0, 1000),
)
def test_the_months_are_exact_and_the_hours_physical_at_every_latitude(
    latitude, longitude, altitude, share, warm, seed
):
    place = Place("anywhere", latitude, longitude, "Etc/GMT+5", altitude)
    means = MonthlyMeans(tuple(np.array(share) * outside_by_month(place)), tuple(warm))
    check_year(typical_year(place, means, np.random.default_rng(seed)), place, means)


def test_polar_night_is_dark_and_the_polar_day_has_light_at_midnight():
    place = Place("far north", 78.2, 15.6, "Arctic/Longyearbyen", 10.0)
    means = MonthlyMeans(
        (0, 0, 0.9, 2.9, 4.8, 5.1, 4.3, 2.7, 1.1, 0.1, 0, 0), (-12, -13, -13, -9, -3, 3, 7, 6, 2, -4, -8, -10)
    )
    year = typical_year(place, means, np.random.default_rng(1))
    check_year(year, place, means)
    assert year[year.index.month == 12]["ghi"].max() == 0
    assert (year[(year.index.month == 6)]["ghi"] > 0).all()
    with pytest.raises(InputError, match="December: found 0.2 kWh/m2/day, allowed is a number from 0 to 0 "):
        typical_year(place, MonthlyMeans((*means.irradiation[:11], 0.2), means.temp_air), np.random.default_rng(1))


def test_the_hemispheres_mirror_each_other():
    """Half a year later and as far south, a year has the same months' spread of days; midday stays midday."""
    south = Place("mid south", -36.0, -80.0, "America/Lima", 250.0)
    half = MonthlyMeans(MILD.irradiation[6:] + MILD.irradiation[:6], MILD.temp_air[6:] + MILD.temp_air[:6])
    years = [typical_year(p, m, np.random.default_rng(4)) for p, m in ((RALEIGH, MILD), (south, half))]
    daily = [np.sort(y["ghi"].to_numpy().reshape(365, 24).mean(axis=1)) for y in years]
    np.testing.assert_allclose(daily[0], daily[1], atol=25)
    for year in years:
        assert year["ghi"].groupby(year.index.hour).mean().idxmax() in (11, 12)


def test_one_generator_one_year():
    one, same, other = (typical_year(RALEIGH, MILD, np.random.default_rng(seed)) for seed in (5, 5, 6))
    pd.testing.assert_frame_equal(one, same)
    assert (one["ghi"] != other["ghi"]).any()


@pytest.mark.parametrize(
    ("tz", "longitude", "offset_h"),
    [
        ("America/New_York", -80.0, -5),
        ("Europe/London", 0.0, 0),
        ("Asia/Kolkata", 77.0, 5.5),
        ("Australia/Sydney", 151.0, 10),
    ],
)
def test_labels_are_standard_time_starting_at_midnight(tz, longitude, offset_h):
    year = typical_year(Place("x", 30.0, longitude, tz), MILD, np.random.default_rng(1))
    assert len(year) == 8760 and str(year.index[0])[:19] == f"{TYPICAL_YEAR}-01-01 00:00:00"
    assert {when.utcoffset() for when in year.index[::1000]} == {pd.Timedelta(hours=offset_h)}


def test_days_differ_and_remember_and_clear_days_swing_more():
    year = typical_year(RALEIGH, MILD, np.random.default_rng(2))
    solar = sun.position(year.index, RALEIGH)
    outside = solar["dni_extra"] * np.cos(np.radians(solar["apparent_zenith"])).clip(lower=0)
    day = year["ghi"].to_numpy().reshape(365, 24).sum(axis=1) / outside.to_numpy().reshape(365, 24).sum(axis=1)
    assert 0.10 < day.std() < 0.17 and 0.04 < day.min() < 0.2 and 0.7 < day.max() < 0.8
    assert np.corrcoef(day[1:], day[:-1])[0, 1] == pytest.approx(0.32, abs=0.12)
    swing = np.ptp(year["temp_air"].to_numpy().reshape(365, 24), axis=1)
    assert swing[day > 0.6].mean() > swing[day < 0.3].mean() + 4
    assert year["temp_air"].groupby(year.index.hour).mean().idxmax() in (14, 15)


def test_a_month_can_be_as_clear_as_the_desert_or_as_dull_as_fog():
    place = Place("high desert", -23.0, -68.0, "America/Santiago", 2400.0)
    clear = MonthlyMeans(tuple(0.78 * outside_by_month(place)), (15,) * 12)
    dull = MonthlyMeans(tuple(0.02 * outside_by_month(place)), (15,) * 12)
    for means in (clear, dull):
        check_year(typical_year(place, means, np.random.default_rng(1)), place, means)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"irradiation": (3,) * 11}, "irradiation: found 11 numbers, allowed are 12"),
        (
            {"irradiation": (3,) * 11 + (-1,)},
            "irradiation, December: found -1 kWh/m2/day, allowed is a number from 0 to 14",
        ),
        ({"temp_air": (float("nan"),) * 12}, "temp_air, January: found nan"),
        ({"diffuse": (1,) * 11}, "diffuse: found 11 numbers, allowed are 12"),
        ({"wind_speed": -1}, "wind_speed: found -1 m/s"),
    ],
)
def test_means_that_cannot_be_are_refused(change, message):
    with pytest.raises(InputError, match=message):
        MonthlyMeans(**{"irradiation": MILD.irradiation, "temp_air": MILD.temp_air} | change)


def test_a_monthly_sum_in_place_of_a_daily_mean_is_found_with_its_month():
    with pytest.raises(
        InputError, match="monthly irradiation, January: found 13 kWh/m2/day, allowed is a number from 0 to"
    ):
        typical_year(RALEIGH, MonthlyMeans((13,) * 12, MILD.temp_air), np.random.default_rng(1))
