"""The sun at mid-interval, the cloudless sky, the light on a plane."""

import time
from functools import lru_cache

import numpy as np
import pandas as pd
import pvlib
import pytest
from hypothesis import given, settings, strategies as st

from profiles import examples
from solarlib.quantities import InputError
from solarlib.sky import sun
from solarlib.sky.clouds import minute_weather
from solarlib.sky.weather import Place, read_weather

GREENSBORO = Place("Greensboro", 36.1, -79.95, "America/New_York", 273.0)
YEAR = pd.date_range("2026-01-01", periods=8760, freq="1h", tz="-05:00")


@lru_cache(maxsize=1)
def _file():
    return read_weather("723170TYA.CSV", GREENSBORO)


@pytest.fixture
def weather():
    return _file()


def test_the_sun_stands_at_the_middle_of_the_interval():
    solar = sun.position(YEAR[4000:4024], GREENSBORO)
    middle = YEAR[4000:4024] + pd.Timedelta(minutes=30)
    expected = pvlib.solarposition.get_solarposition(middle, 36.1, -79.95, altitude=273.0, method="nrel_numpy")
    for column in ("apparent_zenith", "azimuth", "elevation"):
        np.testing.assert_allclose(solar[column], expected[column], atol=1e-9)
    assert solar.index.equals(YEAR[4000:4024])


@pytest.mark.parametrize("where", [(36.1, 273.0), (5.0, 0.0), (-35.0, 90.0), (78.0, 3000.0)])
def test_minutes_between_the_computed_positions(where):
    """Minutes of three months are as if each had been computed, within the bound that `position` tells."""
    latitude, altitude = where
    minutes = pd.date_range("2026-01-01", "2026-03-31 23:59", freq="1min", tz="UTC")
    ours = sun.position(minutes, Place("here", latitude, 10.0, "UTC", altitude))
    spot = {"latitude": latitude, "longitude": 10.0, "altitude": altitude, "method": "nrel_numpy"}
    true = pvlib.solarposition.get_solarposition(minutes + pd.Timedelta("30s"), **spot).set_axis(minutes)
    for column in true.columns.drop("azimuth"):
        np.testing.assert_allclose(ours[column], true[column], atol=3e-6)
    around = (ours["azimuth"] - true["azimuth"] + 180) % 360 - 180  # at the zenith a step turns it by any angle
    assert float(np.abs(around * np.sin(np.radians(true["zenith"]))).max()) < 3e-6


def test_the_hour_is_split_evenly_around_noon():
    """East and west roofs get the same cloudless light in a year: an hour's slip of half would cost them about 6 %."""
    clear = sun.clear_sky(YEAR, GREENSBORO)
    solar = sun.position(YEAR, GREENSBORO)
    east, west = (sun.plane_of_array(clear, solar, 30, a)["poa_global"].sum() for a in (90, 270))
    assert east == pytest.approx(west, rel=0.002)
    late = sun.position(YEAR + pd.Timedelta(minutes=30), GREENSBORO).set_axis(
        YEAR
    )  # the slip, to show that this check bites
    east, west = (sun.plane_of_array(clear, late, 30, a)["poa_global"].sum() for a in (90, 270))
    assert abs(east / west - 1.0) > 0.03


@pytest.mark.parametrize("date", ["2026-01-01", "2026-02-11", "2026-03-08", "2026-06-21", "2026-11-01", "2026-11-02"])
@pytest.mark.parametrize(
    "place",
    [
        GREENSBORO,
        Place("far west of its zone", 55.3, -160.5, "America/Anchorage", 7.0),
        Place("south", -35.0, -60.0, "America/Argentina/Buenos_Aires", 90.0),
    ],
    ids=lambda place: place.name,
)
def test_solar_noon_by_the_formula_is_when_the_sun_is_highest(place, date):
    """Summer and winter, the days on which clocks change, both ends of the equation of time, south of the equator."""
    minutes = pd.date_range(date, pd.Timestamp(date) + pd.Timedelta(days=1), freq="1min", tz=place.tz, inclusive="left")
    solar = sun.position(minutes, place)
    highest = solar["elevation"].idxmax()
    noon = sun.solar_noon(solar, place)
    assert noon == pytest.approx(highest.hour + highest.minute / 60, abs=1 / 60)
    assert sun.solar_noon(sun.position(minutes[::10], place), place) == pytest.approx(noon, abs=0.1 / 60)


@pytest.mark.parametrize("tilt", [20, 45, 90])
def test_hemispheres_mirror_each_other(tilt):
    """Half a year later at minus the latitude, the sun stands the same with north for south.

    To 5 %: on its orbit the Earth spends 7 days (4 % of a half year) more in the northern summer.
    """
    north = Place("north", 35.0, 0.0, "UTC", 100.0)
    south = Place("south", -35.0, 0.0, "UTC", 100.0)
    index = pd.date_range("2026-01-01", periods=8760, freq="1h", tz="UTC")
    sky = {p: sun.clear_sky(index, p).assign(ghi=0.0, dni=900.0, dhi=0.0) for p in (north, south)}  # beam only
    light = {}
    for place, azimuth in ((north, 180.0), (south, 0.0), (south, 180.0)):
        solar = sun.position(index, place)
        up = (solar["apparent_zenith"] < 90).to_numpy()[:, None]
        light[place.name, azimuth] = sun.plane_of_array(sky[place] * up, solar, tilt, azimuth)["poa_direct"].sum()
    assert light["south", 0.0] == pytest.approx(light["north", 180.0], rel=0.05)
    assert light["south", 180.0] < 0.9 * light["south", 0.0]
    noon = sun.position(index, south).iloc[12]
    assert min(noon["azimuth"], 360 - noon["azimuth"]) < 30  # in January, south of the tropic: the noon sun is north


@settings(max_examples=examples(15), deadline=None)
@given(latitude=st.floats(-89, 89), longitude=st.floats(-180, 180), day=st.integers(0, 364))
def test_cloudless_light_closes_and_night_is_dark(latitude, longitude, day):
    place = Place("anywhere", latitude, longitude, "UTC", 0.0)
    index = pd.date_range("2026-01-01", periods=48, freq="30min", tz="UTC") + pd.Timedelta(days=day)
    clear, solar = sun.clear_sky(index, place), sun.position(index, place)
    cos_zenith = np.cos(np.radians(solar["apparent_zenith"]))
    np.testing.assert_allclose(clear["ghi"], (clear["dni"] * cos_zenith).clip(lower=0) + clear["dhi"], atol=1e-9)
    assert (clear.to_numpy() >= 0).all() and clear["ghi"].max() < 1500
    assert (clear[(solar["apparent_zenith"] >= 90).to_numpy()].to_numpy() == 0).all()


@settings(max_examples=examples(20), deadline=None)
@given(tilt=st.floats(0, 90), azimuth=st.floats(0, 360), albedo=st.floats(0, 0.9), hour=st.integers(0, 8736))
def test_the_parts_of_the_light_add_up_and_none_is_negative(tilt, azimuth, albedo, hour):
    weather = _file().iloc[hour : hour + 24]
    light = sun.plane_of_array(weather, sun.position(weather.index, GREENSBORO), tilt, azimuth, albedo)
    assert (light.to_numpy() >= 0).all()
    np.testing.assert_allclose(light["poa_global"], light["poa_direct"] + light["poa_diffuse"], atol=1e-9)
    parts = light["poa_isotropic"] + light["poa_circumsolar"] + light["poa_ground_diffuse"]
    np.testing.assert_allclose(light["poa_diffuse"], parts, atol=1e-9)
    assert (light.loc[(weather["ghi"] + weather["dni"] + weather["dhi"]).to_numpy() == 0, "poa_global"] == 0).all()


def test_a_flat_plane_sees_the_sky_as_measured(weather):
    light = sun.plane_of_array(weather, sun.position(YEAR, GREENSBORO), 0, 0)
    assert light["poa_global"].sum() == pytest.approx(weather["ghi"].sum(), rel=0.005)  # the file's own closure


def test_same_light_as_pvlib_and_perez_gives_two_per_cent_more(weather):
    """The choice of the sky model, in numbers: docstring of `plane_of_array`."""
    solar = sun.position(YEAR, GREENSBORO)
    ours = sun.plane_of_array(weather, solar, 27, 200)["poa_global"]
    common = dict(
        surface_tilt=27,
        surface_azimuth=200,
        solar_zenith=solar["apparent_zenith"],
        solar_azimuth=solar["azimuth"],
        dni=weather["dni"],
        ghi=weather["ghi"],
        dhi=weather["dhi"],
        dni_extra=solar["dni_extra"],
        albedo=0.2,
    )
    pvlib.irradiance.get_total_irradiance(**common, model="haydavies")
    np.testing.assert_allclose(
        ours, pvlib.irradiance.get_total_irradiance(**common, model="haydavies")["poa_global"], atol=1e-6
    )
    airmass = pvlib.atmosphere.get_relative_airmass(solar["apparent_zenith"])
    perez = pvlib.irradiance.get_total_irradiance(**common, model="perez", airmass=airmass)["poa_global"].fillna(0.0)
    assert 0.01 < perez.sum() / ours.sum() - 1.0 < 0.03


def test_a_second_look_at_the_sun_costs_nothing(weather):
    sun._position.cache_clear()
    times = []
    for _ in range(2):
        start = time.perf_counter()
        sun.position(YEAR, GREENSBORO)
        times.append(time.perf_counter() - start)
    assert sun._position.cache_info().hits == 1
    assert times[1] < times[0] / 5


def test_the_cache_cannot_be_spoiled_by_a_caller():
    solar = sun.position(YEAR[:24], GREENSBORO)
    before = float(solar["zenith"].iloc[0])
    try:
        solar.loc[:, "zenith"] = 0.0
    except (ValueError, TypeError):
        pass  # refusing is as good as copying
    assert float(sun.position(YEAR[:24], GREENSBORO)["zenith"].iloc[0]) == before


def test_the_zone_of_the_labels_does_not_matter():
    index = YEAR[:48]
    for one in (sun.position, sun.clear_sky):
        here, there = one(index, GREENSBORO), one(index.tz_convert("Asia/Kathmandu"), GREENSBORO)
        np.testing.assert_array_equal(here.to_numpy(), there.to_numpy())


def test_an_index_without_zone_is_refused():
    with pytest.raises(InputError, match="time zone"):
        sun.position(pd.date_range("2026-01-01", periods=3, freq="1h"), GREENSBORO)


# ---------------------------------------------------------------- horizon


HILLS = ((60.0, 25.0), (120.0, 25.0), (130.0, 0.0), (50.0, 0.0))  # in the east only


def test_the_horizon_line_is_straight_between_its_corners_and_runs_on_across_north():
    np.testing.assert_allclose(sun.horizon_elevation(HILLS, [50.0, 55.0, 90.0, 125.0, 300.0]), [0, 12.5, 25, 12.5, 0])
    np.testing.assert_allclose(
        sun.horizon_elevation(((350.0, 10.0), (10.0, 20.0)), [0.0, 355.0, 180.0]), [15, 12.5, 15]
    )


@settings(max_examples=examples(25), deadline=None)
@given(
    st.lists(
        st.tuples(st.integers(0, 359), st.floats(0, 89)), min_size=1, max_size=6, unique_by=lambda corner: corner[0]
    )
)
def test_the_view_of_the_sky_is_the_dome_above_the_line(corners):
    """Sum of 360 x 900 fields of the dome, each weighted with the sine of its height, as flat ground sees it."""
    height = np.radians(np.arange(0.05, 90.0, 0.1))
    above = np.degrees(height) > sun.horizon_elevation(corners, np.arange(0.5, 360.0))[:, None]
    fields = np.sin(height) * np.cos(height)
    assert sun.sky_view(corners) == pytest.approx((above * fields).sum() / (360 * fields.sum()), abs=0.003)


@pytest.mark.parametrize("elevation", [0.0, 10.0, 45.0, 89.0])
def test_an_even_horizon_leaves_the_square_of_its_cosine(elevation):
    """Textbook view factor of the dome above an even horizon: cos^2 (`recomputed, source from memory`)."""
    assert sun.sky_view(((0.0, elevation),)) == pytest.approx(np.cos(np.radians(elevation)) ** 2, abs=1e-12)


def test_hills_in_the_east_take_the_beam_of_the_mornings_only(weather):
    solar = sun.position(YEAR, GREENSBORO)
    behind = sun.behind_horizon(weather, solar, HILLS)
    hidden = ((solar["apparent_elevation"] <= 20) & solar["azimuth"].between(60, 120)).to_numpy()
    assert (weather["dni"][hidden] > 0).any() and (behind["dni"][hidden] == 0).all()
    afternoon = (solar["azimuth"] > 180).to_numpy()
    pd.testing.assert_series_equal(behind["dni"][afternoon], weather["dni"][afternoon])
    lost = weather - behind
    cosine = np.cos(np.radians(solar["apparent_zenith"])).clip(lower=0)
    held = (behind["ghi"] > 0).to_numpy()
    np.testing.assert_allclose(lost["ghi"][held], (lost["dni"] * cosine + lost["dhi"])[held], atol=1e-9)
    # Dull hours lose just what the view of the sky loses; sunny ones in the open less of the sky, for it is around
    # the sun.
    dull = ((weather["dni"] == 0) & (weather["dhi"] > 0)).to_numpy()
    np.testing.assert_allclose(behind["dhi"][dull] / weather["dhi"][dull], sun.sky_view(HILLS))
    sunny = afternoon & (weather["dni"] > 500).to_numpy()
    assert (behind["dhi"][sunny] / weather["dhi"][sunny]).between(sun.sky_view(HILLS), 1.0, inclusive="neither").all()


def test_no_horizon_changes_nothing_and_a_pit_leaves_hardly_any_light(weather):
    solar = sun.position(YEAR, GREENSBORO)
    assert sun.behind_horizon(weather, solar, ()) is weather
    pd.testing.assert_frame_equal(sun.behind_horizon(weather, solar, ((0, 0),))[["dhi"]], weather[["dhi"]], atol=1e-9)
    pit = sun.behind_horizon(weather, solar, ((0, 88),))
    assert (pit["dni"] == 0).all() and (pit >= 0).drop(columns="temp_air").all().all()
    assert pit["dhi"].sum() < 0.002 * weather["dhi"].sum()


@pytest.mark.slow
def test_made_minutes_hold_no_light_long_after_sunset():
    """Hours of twilight keep their mean, but within the hour the light ends when the sun is some three degrees down."""
    place = GREENSBORO
    hours = read_weather("723170TYA.CSV", place)
    made = minute_weather(hours, place, np.random.default_rng(3))
    down = sun.position(made.index, place)["elevation"]
    lit_hours = np.repeat(sun.clear_sky(made.index, place)["ghi"].to_numpy().reshape(-1, 60).max(axis=1) > 0, 60)
    assert (made["ghi"][(down < -3.5) & lit_hours] == 0).all()
    assert np.allclose(made["ghi"].to_numpy().reshape(-1, 60).mean(axis=1), hours["ghi"])
