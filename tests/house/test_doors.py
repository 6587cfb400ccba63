"""Each way to a year of weather, by its one line in the house file; what cannot be opened names the others."""

import tomllib

import numpy as np
import pandas as pd
import pytest

from solarlib.house.doors import DOORS
from solarlib.house.file import HOUSE_FOLDER, house_from_table
from solarlib.house.year import light_words, simulate, weather
from solarlib.lessons.start.pictures import facts
from solarlib.quantities import InputError
from solarlib.sky.weather import find_file, read_weather

MEANS = [2.4, 3.1, 4.2, 5.4, 5.6, 6.2, 6.1, 5.6, 4.4, 3.6, 2.4, 2.2]
TRUE = read_weather("723170TYA.CSV")


def house_with(weather_table, folder=HOUSE_FOLDER, **place):
    table = tomllib.loads((HOUSE_FOLDER / "two-storey.toml").read_text(encoding="utf-8"))
    table["place"] |= place
    return house_from_table(table | {"weather": weather_table}, "mine.toml", folder)


def hours_of(year, zone="UTC"):
    """Return a real year of hours with the typical year's values, by its labels in UTC."""
    index = pd.date_range(f"{year}-01-01 05:00", periods=8760, freq="1h", tz="UTC")
    return TRUE.set_axis(index).tz_convert(zone)


@pytest.fixture
def csv(tmp_path):
    table = hours_of(2023, "America/New_York")
    stamps = (table.index + pd.Timedelta(hours=1)).strftime("%m/%d/%Y %H:%M")
    table[["ghi", "dni", "dhi", "temp_air"]].set_axis(stamps).to_csv(tmp_path / "mine.csv", index_label="local time")
    return tmp_path


def test_one_line_opens_each_door(csv):
    (csv / "near.csv").write_bytes(find_file("723170TYA.CSV").read_bytes())
    lines = {
        "file": {"file": "near.csv"},
        "hourly": {"hourly": "mine.csv"},
        "monthly_irradiation_kwh_per_m2_day": {"monthly_irradiation_kwh_per_m2_day": MEANS},
        "world_table": {"world_table": True},
    }
    assert {*lines} == {*DOORS}
    made = {key: simulate(house_with(line, csv))["generation_w"].sum() / 1e6 for key, line in lines.items()}
    assert made["hourly"] == pytest.approx(made["file"], rel=0.01)
    for rough in ("monthly_irradiation_kwh_per_m2_day", "world_table"):
        assert made[rough] == pytest.approx(made["file"], rel=0.15)


def test_a_made_years_band_follows_the_plane_and_is_said_where_its_numbers_are():
    house = house_with({"monthly_irradiation_kwh_per_m2_day": MEANS})
    assert light_words(house, (10, 30, 180)).endswith("within 4 % at 9 places in 10.")
    assert light_words(house, (10, 30, 90)).endswith("within 5 % at 9 places in 10.")
    assert light_words(house, (5, 30, 90), (5, 30, 270)).endswith("within 3 % at 9 places in 10.")
    assert light_words(house, (5, 30, 90), (4, 30, 270)).endswith("within 5 % at 9 places in 10.")
    assert light_words(house).endswith("within 1 % at 9 places in 10.")
    assert "within 4.3 %" in facts(house).loc["weather"].iloc[0]
    known = house_with({"monthly_irradiation_kwh_per_m2_day": MEANS, "monthly_diffuse_kwh_per_m2_day": [1.2] * 12})
    assert light_words(known, (10, 30, 180)).endswith("within 2.5 % at 9 places in 10.")
    world = house_with({"world_table": True})
    assert light_words(world, (1, 30, 180)) == " World table ±10 % (4 in 5), made hours ±4 % (9 in 10)."  # in two lines
    told = facts(world).loc["weather"].iloc[0]
    assert (
        "a first estimate: the year's light within 10 % at four places in five" in told and "are up to 30 % off" in told
    )
    assert light_words(house_with({"file": "723170TYA.CSV"}), (1, 30, 180)) == ""


@pytest.mark.parametrize(
    "place", [(89.9, 0.0), (-90.0, 10.0), (0.0, 180.0), (-41.0, -180.0), (66.6, 25.7), (28.0, 84.0)]
)
def test_the_world_table_gives_a_year_anywhere(place):
    latitude, longitude = place
    zone = f"Etc/GMT{-round(longitude / 15) if abs(longitude) < 180 else 12:+d}"
    house = house_with(
        {"world_table": True}, latitude_deg=latitude, longitude_deg=longitude, timezone=zone, altitude_m=1000
    )
    year = weather(house)
    assert len(year) == 8760 and np.isfinite(year.to_numpy()).all() and 500 < year["ghi"].sum() / 1000 < 2600


@pytest.mark.parametrize(
    ("line", "place", "words"),
    [
        ({"file": "nowhere.epw"}, {}, "weather file: found nothing at 'nowhere.epw'"),
        ({"file": "703165TY.csv"}, {}, "found a station at latitude 55.317"),
        ({"hourly": "nowhere.csv"}, {}, "hourly file: found nothing"),
        ({"monthly_irradiation_kwh_per_m2_day": [9.0] * 12}, {}, "monthly irradiation, January: found 9"),
    ],
)
def test_a_door_that_stays_shut_names_all_others(line, place, words):
    with pytest.raises(InputError, match=words) as caught:
        weather(house_with(line, **place))
    assert all(f"{key} = " in str(caught.value) for key in DOORS) and "\n" not in str(caught.value)
