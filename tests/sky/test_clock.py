"""Sun, clock, place and seasons of a year of weather: what disagrees is set right and said, or refused in words."""

from dataclasses import replace
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings, strategies as st

from profiles import examples
from solarlib.house.file import read_house
from solarlib.quantities import InputError, year_index
from solarlib.sky import sun
from solarlib.sky.clock import check_seasons, check_zone, minutes_off, monthly_light, set_right
from solarlib.sky.weather import Place, find_file, read_weather, standard_offset

FILES = {"723170TYA.CSV": (36.1, -79.95), "703165TY.csv": (55.317, -160.517), "12839.tm2": (25.8, -80.267)}


def light(file, columns=("ghi", "dni", "dhi")):
    return read_weather(file)[[*columns]]


@pytest.mark.parametrize("file", FILES)
@pytest.mark.parametrize("minutes", [-719, -420, -60, -37, -12, 0, 5, 30, 45, 90, 700])
def test_any_shift_of_the_labels_is_found_from_the_light(file, minutes):
    """To a minute where beam and sky light are known (the files' own stamps are good to that), to five with ghi alone.

    The five are what the brightest hours of these files give; clouds that come at one time of day turn them.
    """
    for columns, within in ((("ghi", "dni", "dhi"), 1.0), (("ghi",), 5.0)):
        year = light(file, columns)
        year.index = year.index - pd.Timedelta(minutes=minutes)
        off = (minutes_off(year, *FILES[file]) - minutes + 720) % 1440 - 720
        assert abs(off) < within, (columns, off)


@settings(max_examples=examples(25), deadline=None)
@given(
    latitude=st.floats(-65, 65), longitude=st.floats(-180, 180), minutes=st.integers(-700, 700), haze=st.floats(0.3, 1)
)
def test_a_cloudless_year_anywhere_tells_its_clock(latitude, longitude, minutes, haze):
    place = Place("x", latitude, longitude, "UTC")
    year = sun.clear_sky(year_index("1h", "UTC"), place)
    year = year.assign(ghi=year["ghi"] - (1 - haze) * (year["ghi"] - year["dhi"]), dni=haze * year["dni"])
    year.index = year.index - pd.Timedelta(minutes=minutes)
    for columns in (["ghi", "dni", "dhi"], ["ghi"]):
        off = (minutes_off(year[columns], latitude, longitude) - minutes + 720) % 1440 - 720
        assert abs(off) < 4, (columns, off)


@pytest.mark.parametrize("minutes", [-75, -30, 20, 37, 60, 150])
def test_a_file_with_a_wrong_clock_is_set_right_and_says_so(tmp_path, minutes):
    """The sun's own table of the place, written with labels that are so much too early: every row comes back."""
    place = Place("x", 36.1, -79.95, "America/New_York", 273.0)
    right = year_index("1h", ZoneInfo("Etc/GMT+5")) + pd.Timedelta(minutes=minutes)
    given_light = sun.clear_sky(right, place)[["ghi", "dni", "dhi"]].round(2).to_numpy()
    lines = find_file("723170TYA.CSV").read_text(encoding="utf-8").splitlines()
    names = lines[1].split(",")
    for row, values in enumerate(given_light.tolist(), 2):
        cells = lines[row].split(",")
        for part, value in zip(("GHI", "DNI", "DHI"), values):
            cells[names.index(f"{part} (W/m^2)")] = str(value)
        lines[row] = ",".join(cells)
    path = tmp_path / "odd.csv"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    year = read_weather(path, place)
    five = 5 * round(minutes / 5)
    side = "later" if minutes > 0 else "earlier"
    (told,) = year.attrs["told"]
    assert told.startswith(f"odd.csv: its light comes {abs(five)} minutes {side} than its clock says")
    assert len(year) == 8760 and year.index[0].minute == five % 60 and (np.diff(year.index.asi8) > 0).all()
    assert year["ghi"].sum() == pytest.approx(given_light[:, 0].sum())
    clear = sun.clear_sky(year.index, place)["ghi"]
    assert abs(year["ghi"] - clear).mean() < 12  # 5 minutes and a day's change of the sun where rows went round
    assert abs(minutes_off(year, place.latitude, place.longitude)) < 3


def test_an_agreeing_file_is_left_as_it_is():
    for file in FILES:
        year = read_weather(file)
        assert year.attrs["told"] == () and year.index[0].minute == 0


def test_columns_that_do_not_belong_together_are_refused():
    year = light("723170TYA.CSV")
    with pytest.raises(
        InputError, match="mine.csv, light: found ghi - dhi that is not what dni brings.*49%.*ghi = dni"
    ):
        set_right(year.assign(dni=2 * year["dni"]), "mine.csv", 36.1, -79.95)


@pytest.mark.parametrize(
    ("tz", "longitude"),
    [
        ("America/New_York", 79.95),
        ("Asia/Tokyo", -79.95),
        ("Europe/Paris", 100.0),
        ("Australia/Sydney", -151.0),
        ("UTC", 60.0),
    ],
)
def test_a_zone_from_another_side_of_the_world_is_refused_whatever_the_weather_is(tz, longitude):
    for name in ("two-storey", "southern"):
        house = read_house(name)
        with pytest.raises(InputError, match="place: found longitude .* with a clock of UTC.*east is"):
            replace(house, place=replace(house.place, tz=tz, longitude=longitude))


@pytest.mark.parametrize(
    ("tz", "latitude", "longitude"),
    [
        ("Asia/Shanghai", 39.5, 75.9),  # Kashgar, 2.9 h by the capital's clock
        ("Pacific/Kiritimati", 1.9, -157.4),  # 25 h from the sun's clock: the date line, not a slip
        ("Pacific/Apia", -13.8, -171.8),
        ("America/Noronha", -3.9, -32.4),
        ("Pacific/Auckland", -90.0, 0.0),  # at the pole every longitude is one
        ("Asia/Kathmandu", 27.7, 85.3),
        ("Europe/Madrid", 43.4, -8.4),
        ("America/Adak", 51.9, -176.7),
        ("Europe/Lisbon", 32.7, -16.9),
    ],
)
def test_real_clocks_far_from_their_suns_are_kept(tz, latitude, longitude):
    check_zone("place", standard_offset(tz) / pd.Timedelta(hours=1), longitude, latitude)


def test_a_station_whose_own_head_contradicts_itself_is_refused(tmp_path):
    lines = find_file("723170TYA.CSV").read_text(encoding="utf-8").splitlines()
    path = tmp_path / "odd.csv"
    for old, new, words in (
        ("-79.950", "79.950", "longitude 79.95 deg with a clock of UTC-5 h"),
        ("-5.0", "8.0", "with a clock of UTC\\+8 h"),
        ("36.100", "-36.100", "seasons of a place north of the equator at latitude -36.1"),
    ):
        assert old in lines[0]
        path.write_text("\n".join([lines[0].replace(old, new, 1), *lines[1:]]) + "\n", encoding="utf-8")
        with pytest.raises(InputError, match=f"odd.csv: found .*{words}"):
            read_weather(path)


def test_the_seasons_of_monthly_means_must_fit_the_hemisphere():
    house = read_house("southern")
    with pytest.raises(InputError, match="weather.monthly.*: found the seasons of a place south.*latitude 35 deg"):
        replace(house, place=replace(house.place, latitude=35.0))
    for latitude in (-60, -33, 20, 45, 70):
        ours = 0.5 * monthly_light(latitude)
        check_seasons("x", latitude, ours)
        with pytest.raises(InputError, match="seasons"):
            check_seasons("x", -latitude, ours)
    for shown in (np.full(12, 4.0), np.zeros(12)):  # a place on the equator, and one without light
        check_seasons("x", 1.0, shown)


def test_the_light_above_the_air_by_month_against_the_suns_position():
    """`built here`: the integral of the formula beside the sum over hours of pvlib's sun.

    Spencer's series is a mean of four years: half a day from the sun of one year, 0.2 deg, or 0.07 kWh/m2 in a day.
    """
    index = year_index("1h", "UTC")
    for latitude in (-70.0, -23.0, 0.0, 36.0, 62.0):
        solar = sun.position(index, Place("x", latitude, 0.0, "UTC"))
        flat = (solar["dni_extra"] * np.cos(np.radians(solar["zenith"]))).clip(lower=0)
        by_month = flat.groupby(index.month).mean().to_numpy() * 0.024
        np.testing.assert_allclose(monthly_light(latitude), by_month, rtol=0.01, atol=0.07)
