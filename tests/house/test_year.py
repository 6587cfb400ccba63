"""A house file is read, checked and composed into a year."""

import tomllib
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from solarlib.house.file import HOUSE_FOLDER, house_from_table, read_house
from solarlib.house.year import house_load, simulate, weather
from solarlib.lessons.start.pictures import facts
from solarlib.meter import registers as meter
from solarlib.quantities import InputError, energy_kwh
from solarlib.roof.array import array_power
from solarlib.sky.weather import find_file

HOUSES = sorted(file.stem for file in HOUSE_FOLDER.glob("*.toml"))


def table(name="two-storey"):
    return tomllib.loads((HOUSE_FOLDER / f"{name}.toml").read_text(encoding="utf-8"))


def test_there_are_contrasts():
    assert set(HOUSES) >= {"two-storey", "cabin", "bungalow", "southern"}
    assert read_house("cabin").system.converter.kind == "central"
    assert read_house("southern").place.latitude < 0
    assert {plane.mounting for plane in read_house("bungalow").system.planes} == {"tray"}


@pytest.mark.parametrize("name", HOUSES)
def test_a_year_of_hours(name):
    house = read_house(name)
    year = simulate(house)
    assert len(year) == 8760 and str(year.index.tz) == house.place.tz and not year.isna().any().any()
    assert year.index[0] == pd.Timestamp("2026-01-01", tz=house.place.tz)
    assert energy_kwh(year["load_w"]).sum() == pytest.approx(house.yearly_kwh, rel=1e-9)
    pd.testing.assert_series_equal(year["net_w"], year["load_w"] - year["generation_w"], check_names=False)
    noon, midnight = year.index.hour == 12, year.index.hour == 0
    assert year["generation_w"][noon].mean() > 500 and year["generation_w"][midnight].max() == 0


@pytest.mark.parametrize("name", HOUSES)
def test_energy_balance_to_one_in_a_billion(name):
    year = simulate(read_house(name))
    energy = energy_kwh(year)
    registers = meter.split(year["net_w"])
    use = energy["generation_w"].sum() + registers["delivered_kwh"].sum() - registers["received_kwh"].sum()
    assert use == pytest.approx(energy["load_w"].sum(), rel=1e-9)
    shown = meter.registers(energy["net_w"]).iloc[-1]
    for name_ in ("delivered_kwh", "received_kwh"):
        assert shown[name_] == int(registers[name_].sum())


@pytest.mark.slow
def test_a_year_of_minutes_holds_the_same_house():
    house = read_house("two-storey")
    minutes = simulate(house, "1min", np.random.default_rng(1))
    hours = simulate(house)
    assert len(minutes) == 525_600
    assert energy_kwh(minutes["load_w"]).sum() == pytest.approx(house.yearly_kwh, rel=1e-9)
    # clipping and incidence inside the hour: minutes and hours agree in the year, and no better than they should
    assert energy_kwh(minutes["generation_w"]).sum() == pytest.approx(energy_kwh(hours["generation_w"]).sum(), rel=0.03)
    assert minutes["generation_w"].max() <= 15 * 366
    again = simulate(house, "1min", np.random.default_rng(1))
    pd.testing.assert_frame_equal(minutes, again)


def test_each_hour_has_the_arrays_power_of_that_instant_whatever_clock_the_file_keeps():
    house = read_house("two-storey")
    power = array_power(weather(house), house.place, house.system)["ac_power_w"]
    pd.testing.assert_series_equal(
        simulate(house)["generation_w"].tz_convert("UTC"), power.tz_convert("UTC"), check_names=False, check_freq=False
    )
    # A place east of the file's zone: its year begins an hour before the file's, which lends the hour from its end.
    east = simulate(replace(house, place=replace(house.place, tz="Etc/GMT+4")))["generation_w"].to_numpy()
    np.testing.assert_array_equal(east, np.roll(power.to_numpy(), 1))


def test_the_southern_seasons_of_the_load_begin_south_of_the_equator():
    house = replace(read_house("two-storey"), appliances=())
    summer = slice("2026-07-01", "2026-07-31")
    north, line, south = (
        house_load(replace(house, place=replace(house.place, latitude=latitude))).loc[summer].sum()
        for latitude in (0.5, 0.0, -0.5)
    )
    assert north == line != south


def test_minutes_need_a_generator_and_no_other_interval_is_allowed():
    house = read_house("two-storey")
    with pytest.raises(InputError, match="rng: found None, allowed is a numpy random Generator"):
        simulate(house, "1min")
    with pytest.raises(InputError, match="interval: found '5min', allowed is '1h' or '1min'"):
        simulate(house, "5min")


def test_the_southern_hemisphere_has_its_seasons():
    south = table()
    south["place"] |= {"latitude_deg": -36.1, "longitude_deg": -79.95, "timezone": "America/Santiago"}
    with pytest.raises(InputError, match=r"723170TYA.CSV.*\(is south negative\?\)"):
        house_from_table(south)
    place = replace(read_house("two-storey").place, latitude=-36.1, tz="America/Santiago")
    drawn = house_load(replace(read_house("two-storey"), place=place, appliances=()))
    by_month = drawn.groupby(drawn.index.month).mean()
    assert by_month[7] > by_month[1]  # the measured household uses more in its winter


def test_a_missing_weather_file_is_named():
    with pytest.raises(InputError, match="weather file: found nothing at 'nowhere.csv', allowed is the path of a TMY3"):
        house_from_table(table() | {"weather": {"file": "nowhere.csv"}}, "mine.toml")


def test_a_weather_file_beside_the_house_file_is_found(tmp_path):
    (tmp_path / "ours.csv").write_bytes(find_file("723170TYA.CSV").read_bytes())
    text = (HOUSE_FOLDER / "two-storey.toml").read_text(encoding="utf-8").replace("723170TYA.CSV", "ours.csv")
    (tmp_path / "ours.toml").write_text(text, encoding="utf-8")
    house = read_house(tmp_path / "ours.toml")
    pd.testing.assert_frame_equal(weather(house), weather(read_house("two-storey")), check_like=True)


# ---------------------------------------------------------------- weather from monthly means, and the horizon


MONTHLY = {
    "monthly_irradiation_kwh_per_m2_day": [7.1, 6.2, 5.0, 3.8, 2.8, 2.3, 2.5, 3.3, 4.5, 5.6, 6.6, 7.2],
    "monthly_temperature_c": [24, 23, 21, 17, 13, 10, 10, 12, 14, 17, 20, 23],
}


def test_the_southern_house_has_its_atlas_months_and_its_summer_in_january():
    house = read_house("southern")
    sky = weather(replace(house, place=replace(house.place, horizon=())))
    by_month = sky.groupby(sky.index.month).mean()
    np.testing.assert_allclose(by_month["ghi"] * 0.024, MONTHLY["monthly_irradiation_kwh_per_m2_day"], rtol=1e-9)
    np.testing.assert_allclose(by_month["temp_air"], MONTHLY["monthly_temperature_c"], rtol=1e-9)
    power = simulate(house)["generation_w"].groupby(lambda when: when.month).mean()
    assert power[1] > 1.4 * power[6]
    facing = {
        azimuth: simulate(
            replace(
                house, system=replace(house.system, planes=(replace(house.system.planes[0], surface_azimuth=azimuth),))
            )
        )["generation_w"].sum()
        for azimuth in (0, 180)
    }
    assert facing[0] > 1.3 * facing[180]  # north is the sunny side


@pytest.mark.slow
def test_minutes_of_the_southern_house_hold_its_hours():
    house = read_house("southern")
    minutes = simulate(house, "1min", np.random.default_rng(2))
    assert len(minutes) == 525_600 and not minutes.isna().any().any()
    whole = energy_kwh(simulate(house)["generation_w"]).sum()
    assert energy_kwh(minutes["generation_w"]).sum() == pytest.approx(whole, rel=0.03)


@pytest.mark.slow
def test_the_horizon_of_a_house_costs_light_in_hours_and_minutes():
    entries = table()
    entries["weather"]["horizon"] = [[60, 0], [90, 40], [140, 40], [150, 0]]
    open_house, house = read_house("two-storey"), house_from_table(entries)
    lost = 1 - simulate(house)["generation_w"].sum() / simulate(open_house)["generation_w"].sum()
    rng = (np.random.default_rng(3), np.random.default_rng(3))
    minutes = [simulate(h, "1min", r)["generation_w"].sum() for h, r in zip((house, open_house), rng)]
    assert 0.05 < lost < 0.4
    assert 1 - minutes[0] / minutes[1] == pytest.approx(lost, abs=0.01)


def test_more_light_than_the_sun_brings_is_refused_with_its_month():
    months = MONTHLY | {"monthly_irradiation_kwh_per_m2_day": MONTHLY["monthly_irradiation_kwh_per_m2_day"][6:] * 2}
    with pytest.raises(
        InputError, match="monthly irradiation, April: found 5.6 kWh/m2/day, allowed is a number from 0 to 5.58"
    ):
        house_from_table(table("southern") | {"weather": months})


@pytest.mark.parametrize("number", range(3))
def test_a_shape_of_use_to_copy_gives_the_house_these_sums_by_month(number, tmp_path):
    text = (HOUSE_FOLDER / "two-storey.toml").read_text(encoding="utf-8")
    line = [line for line in text.splitlines() if line.startswith("# monthly_kwh")][number].removeprefix("# ")
    (tmp_path / "mine.toml").write_text(text.replace("yearly_kwh = 8600\n", f"{line}\n"), encoding="utf-8")
    house = read_house(tmp_path / "mine.toml")
    used = energy_kwh(simulate(house)["load_w"])
    np.testing.assert_allclose(used.groupby(used.index.month).sum(), house.monthly_kwh, rtol=1e-9)
    assert house.yearly_kwh == pytest.approx(8600, abs=5) and facts(house).loc["house use"].iloc[0].endswith("by month")


def test_use_is_told_once_by_year_or_by_month():
    own = table()
    own["load"]["monthly_kwh"] = [700] * 12
    with pytest.raises(InputError, match="load.yearly_kwh: found it and monthly_kwh, allowed is the use of the whole"):
        house_from_table(own)
    own["load"] = {"monthly_kwh": [700] * 11}
    with pytest.raises(InputError, match=r"load.monthly_kwh: found \[700.*allowed is a list of 12 items"):
        house_from_table(own)
    own["load"] = {"monthly_kwh": [700] * 11 + [20]}
    own["load"]["appliance"] = [{"name": "car", "power_w": 2300, "kind": "timer", "daily_hours": [[22, 1]]}]
    with pytest.raises(InputError, match="monthly_kwh, December: found 20 kWh, allowed is at least the 214 kWh"):
        house_from_table(own)
