"""Made weather to six digits: each number that shapes clouds, days, hours, heat and wind shows here when it moves.

`built here`: what the library gave when these were written down. The other tests of this folder tell whether it is
good; these tell that it has changed. A change that is meant writes them anew, and says what it does to the measured
figures in the docstrings of `clouds.minute_weather` and `climate.typical_year`.
"""

import numpy as np
import pandas as pd
import pytest

from solarlib.quantities import InputError
from solarlib.sky import sun
from solarlib.sky.climate import MonthlyMeans, typical_year
from solarlib.sky.clouds import minute_weather
from solarlib.sky.numerics import ratio, where_reaches
from solarlib.sky.weather import Place, find_file, read_weather

GREENSBORO = Place("Greensboro", 36.1, -79.95, "America/New_York", 273.0)
SAND_POINT = Place("Sand Point", 55.317, -160.517, "America/Anchorage", 7.0)
ANDES = Place("high and dry", -23.0, -68.0, "America/Santiago", 2400.0)
FAR_NORTH = Place("far north", 78.2, 15.6, "Arctic/Longyearbyen", 10.0)


def restlessness(values):
    """Return the sum of all changes from row to row: one number that any change of a course moves."""
    return float(np.abs(np.diff(values.to_numpy())).sum())


@pytest.mark.parametrize(
    ("file", "place", "first", "expected"),
    [
        (
            "723170TYA.CSV",
            GREENSBORO,
            "2026-05-01",
            {"ghi": 455892.617, "dni": 589677.071, "dhi": 81077.9806, "temp_air": 599.270833, "wind_speed": 469.73841},
        ),
        (
            "703165TY.csv",
            SAND_POINT,
            "2026-11-20",
            {"ghi": 42242.8035, "dni": 210401.085, "dhi": 12213.7574, "temp_air": 212.775, "wind_speed": 732.554614},
        ),
    ],
)
def test_made_minutes(file, place, first, expected):
    """Twenty days: clear, mixed and dull ones, low sun, thin cloud and twilight among them."""
    hours = read_weather(file, place).loc[first:].iloc[: 24 * 20]
    made = minute_weather(hours, place, np.random.default_rng(11))
    found = {name: restlessness(values) for name, values in made.items()}
    assert found == pytest.approx(expected, rel=1e-6)


@pytest.mark.parametrize(
    ("place", "irradiation", "temp_air", "expected"),
    [
        (
            GREENSBORO,
            (2.4, 3.1, 4.2, 5.4, 5.6, 6.2, 6.1, 5.6, 4.4, 3.6, 2.4, 2.2),
            (3, 5, 9, 14, 19, 23, 25, 25, 21, 15, 9, 5),
            {"ghi": 525267.521, "dni": 637433.378, "dhi": 249345.803, "temp_air": 5849.68888, "wind_speed": 4892.77589},
        ),
        (
            ANDES,
            (7.6, 7.2, 6.8, 5.6, 1.0, 4.0, 4.4, 0.6, 6.4, 7.2, 8.4, 8.4),
            (12,) * 12,
            {"ghi": 566808.553, "dni": 699342.242, "dhi": 294799.888, "temp_air": 7447.23879, "wind_speed": 4892.77589},
        ),
        (
            FAR_NORTH,
            (0, 0, 0.9, 2.9, 4.8, 5.1, 4.3, 2.7, 1.1, 0.1, 0, 0),
            (-12, -13, -13, -9, -3, 3, 7, 6, 2, -4, -8, -10),
            {"ghi": 187383.472, "dni": 557382.424, "dhi": 79174.5822, "temp_air": 3090.05517, "wind_speed": 4892.77589},
        ),
    ],
    ids=lambda value: value.name if isinstance(value, Place) else None,
)
def test_a_made_year(place, irradiation, temp_air, expected):
    """A mild place, a desert with two months of fog, and a polar night."""
    year = typical_year(place, MonthlyMeans(irradiation, temp_air), np.random.default_rng(5))
    found = {name: restlessness(values) for name, values in year.items()}
    assert found == pytest.approx(expected, rel=1e-6)


def test_a_ratio_is_asked_above_the_least_whole_only():
    part, whole = np.array([6.0, 6.0, 6.0, 6.0]), np.array([3.0, 2.0, 1.0, 0.0])
    assert ratio(part, whole, 2.0).tolist() == [2.0, 0.0, 0.0, 0.0]
    assert ratio(part, whole, otherwise=1.0).tolist() == [2.0, 3.0, 6.0, 1.0]


def test_halving_ends_at_the_value_or_just_above():
    assert where_reaches(lambda x: x, 0.3, 0.0, 1.0, 3) == 0.375  # after 1/2 and 1/4
    assert where_reaches(lambda x: x, 0.25, 0.0, 1.0, 2) == 0.25
    found = where_reaches(lambda x: x**3, np.array([1.0, 8.0]), np.zeros(2), np.full(2, 5.0), 40)
    np.testing.assert_allclose(found, [1.0, 2.0], atol=1e-11)


def test_the_view_of_the_sky_over_hills_that_rise_and_fall():
    """Even at 25 degrees for 60 of 360 degrees, two slopes of 10 degrees, open elsewhere: the integral of cos^2, by
    hand.
    """
    hills, slope = ((50.0, 0.0), (60.0, 25.0), (120.0, 25.0), (130.0, 0.0)), np.radians(25.0)
    ramp = 0.5 + np.sin(2 * slope) / (4 * slope)  # mean of cos^2 from level to 25 degrees
    expected = (60 * np.cos(slope) ** 2 + 20 * ramp + 280) / 360
    assert sun.sky_view(hills) == pytest.approx(expected, abs=2e-6)


def test_behind_hills_the_beam_ends_at_the_line_and_where_there_is_none_the_file_knows_best():
    """The sun stands in the south: half a degree above the hill, half below it, and below an open horizon."""
    index = pd.date_range("2026-06-21", periods=3, freq="1h", tz="UTC")
    weather = pd.DataFrame({"ghi": 90.0, "dni": 130.0, "dhi": 60.0}, index)
    solar = pd.DataFrame(
        {
            "apparent_elevation": [10.5, 9.5, -0.5],
            "apparent_zenith": [79.5, 80.5, 90.5],
            "azimuth": [180.0, 180.0, 300.0],
            "dni_extra": 1300.0,
        },
        index,
    )
    hills = ((170.0, 0.0), (175.0, 10.0), (185.0, 10.0), (190.0, 0.0))
    got, view = sun.behind_horizon(weather, solar, hills), sun.sky_view(hills)
    assert got["dni"].tolist() == [130.0, 0.0, 130.0]
    even = 60.0 * 0.9 * view  # a tenth of the sky light is around the sun
    assert got["dhi"].tolist() == pytest.approx([even + 6.0, even, even + 6.0])
    lost = [54.0 * (1 - view), 60.0 - even + 130.0 * np.cos(np.radians(80.5)), 54.0 * (1 - view)]
    assert got["ghi"].tolist() == pytest.approx([90.0 - value for value in lost])


@pytest.mark.parametrize(
    ("name", "low", "high"), [("latitude", -90, 90), ("longitude", -180, 180), ("altitude_m", -430, 6000)]
)
def test_a_place_may_stand_at_the_ends_of_its_ranges_and_not_beyond(name, low, high):
    place = {"name": "x", "latitude": 0.0, "longitude": 0.0, "tz": "UTC"}
    for value in (low, high):
        assert getattr(Place(**place | {name: value}), name) == value
    for value in (low - 1, high + 1):
        with pytest.raises(InputError, match=f"place.{name}: found {value} .*from {low} to {high} "):
            Place(**place | {name: value})


def test_a_horizon_may_reach_around_the_place_and_to_just_below_the_zenith():
    assert Place("x", 0.0, 0.0, "UTC", horizon=((360, 89), (90, 0))).horizon == ((0.0, 89.0), (90.0, 0.0))
    for corner, words in (((361, 5), "azimuth: found 361 deg, .*0 to 360"), ((0, 90), "elevation: found 90 .*0 to 89")):
        with pytest.raises(InputError, match=words):
            Place("x", 0.0, 0.0, "UTC", horizon=(corner,))


@pytest.mark.parametrize(
    ("north", "east", "told"),
    [(4.9, 7.4, False), (-4.9, -7.4, False), (5.1, 0, True), (-5.1, 0, True), (0, 7.6, True), (0, -7.6, True)],
)
def test_a_station_serves_five_degrees_of_latitude_and_half_an_hour_of_sun(north, east, told):
    place = Place("x", 36.1 + north, -79.95 + east, "America/New_York")
    if told:
        with pytest.raises(InputError, match="found a station at latitude 36.1"):
            read_weather("723170TYA.CSV", place)
    else:
        assert len(read_weather("723170TYA.CSV", place)) == 8760


RANGES = {
    "GHI (W/m^2)": (0, 1500),
    "DNI (W/m^2)": (0, 1400),
    "DHI (W/m^2)": (0, 1000),
    "Dry-bulb (C)": (-90, 60),
    "Wspd (m/s)": (0, 100),
}


@pytest.mark.parametrize("column", RANGES)
def test_values_at_the_ends_of_their_range_are_weather_and_beyond_they_are_not(tmp_path, column):
    lines = find_file("723170TYA.CSV").read_text(encoding="utf-8").splitlines()
    at, path = lines[1].split(",").index(column), tmp_path / "mine.csv"
    low, high = RANGES[column]
    for value, allowed in ((low, True), (high, True), (low - 1, False), (high + 1, False)):
        cells = lines[2].split(",")
        cells[at] = str(value)
        path.write_text("\n".join([*lines[:2], ",".join(cells), *lines[3:]]) + "\n", encoding="utf-8")
        if allowed:
            assert value in read_weather(path).iloc[0].tolist()
        else:
            with pytest.raises(InputError, match=f"row 1, .*found {value}, allowed is a number from {low} to {high}"):
                read_weather(path)


def test_the_old_format_counts_heat_and_wind_in_tenths():
    record = find_file("12839.tm2").read_text(encoding="ascii").splitlines()[13]  # after a header: the hour to 13
    assert record[67:71] == "0189" and record[95:98] == "041"
    assert read_weather("12839.tm2").iloc[12].tolist() == pytest.approx([145, 9, 137, 18.9, 4.1], abs=1e-9)


@pytest.mark.parametrize(
    ("name", "low", "high"), [("irradiation", 0, 14), ("temp_air", -80, 50), ("wind_speed", 0, 30)]
)
def test_means_may_stand_at_the_ends_of_their_ranges_and_not_beyond(name, low, high):
    means = {"irradiation": (3,) * 12, "temp_air": (10,) * 12}

    def given(value):
        return means | {name: value if name == "wind_speed" else (value,) * 12}

    for value in (low, high):
        assert set(np.ravel(getattr(MonthlyMeans(**given(value)), name))) == {value}
    for value in (low - 1, high + 1):
        with pytest.raises(InputError, match=f"{name}.*: found {value} .*, allowed is a number from {low} to {high} "):
            MonthlyMeans(**given(value))
