"""Lesson 02: its pictures show what the domain modules compute, its checks judge, its sentences are true."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from solarlib.house.file import read_house
from solarlib.house.year import weather
from solarlib.lessons.array_yield import pictures as array_yield, questions as array_yield_checks
from solarlib.lessons.tools import own_slider
from solarlib.quantities import InputError, energy_kwh
from solarlib.roof.array import array_power, loss_steps
from solarlib.roof.parts import ArraySystem, Converter, Module, Plane, cell_temperature
from solarlib.sky.sun import clear_sky
from solarlib.sky.weather import Place

NAMES = ("two-storey", "bungalow", "cabin")


@pytest.fixture(params=NAMES)
def house(request):
    return read_house(request.param)


@pytest.fixture
def two_storey():
    return read_house("two-storey")


def year_of(house):
    return array_power(weather(house), house.place, house.system)


def heights(container):
    return np.array([bar.get_height() for bar in container])


def test_power_at_the_conditions_of_the_label_is_the_label():
    module = Module(430.0, -0.0034)
    assert module.power_w(1000, 25) == pytest.approx(430)
    assert module.power_w(500, 35) == pytest.approx(215 * 0.966)
    assert module.power_w([1000, 1000], [25, 400]).tolist() == pytest.approx([430, 0])  # never below zero


def test_cell_temperature_is_air_without_light_and_falls_with_wind():
    assert cell_temperature(0, 12, 3) == pytest.approx(12)
    calm, windy = cell_temperature(800, 20, [0, 10], "tray")
    assert calm > windy > 20
    with pytest.raises(InputError, match="mounting: found 'wall'"):
        cell_temperature(800, 20, 1, "wall")


def test_heat_picture_draws_module_and_label(house):
    module, picture = house.system.module, array_yield.heat_picture(house)
    caption = picture.update(air=35, wind=1, light_now=1000, mounting="roof")
    label, real, point = picture.figure.axes[0].lines
    light = real.get_xdata()
    assert real.get_ydata() == pytest.approx(module.power_w(light, cell_temperature(light, 35, 1, "roof")))
    assert label.get_ydata() == pytest.approx(module.rated_power_w * light / 1000)
    assert point.get_ydata() == pytest.approx(module.power_w(1000, cell_temperature(1000, 35, 1, "roof")))
    assert f"{point.get_ydata()[0]:.0f} W" in caption and "less than" in caption
    assert "more than" in picture.update(air=-10, wind=5, light_now=800, mounting="rack")


def test_limit_picture_cuts_at_the_limit_and_minutes_lose_more(house):
    picture = array_yield.limit_picture(house)
    left, right = picture.figure.axes
    out = left.collections[0]

    def day_share(**values):
        words = picture.update(**values)
        return float(words.split("loses ")[1].split(" %")[0])

    for limit in (50, 70):
        hours, minutes = (day_share(limit=limit, day="sun and clouds", minutes=fine) for fine in (False, True))
        assert minutes > hours
        assert out.get_paths()[0].vertices[:, 1].max() == pytest.approx(limit, abs=1e-6)
    assert day_share(limit=110, day="dullest day", minutes=False) == 0
    assert day_share(limit=50, day="brightest day", minutes=False) > 5
    curve, point = right.lines
    picture.update(limit=60, day="brightest day", minutes=False)
    assert point.get_ydata()[0] == pytest.approx(100 * array_yield.limit_share(house, 60))
    assert np.all(np.diff(curve.get_ydata()) <= 1e-9)


def test_limit_share_is_that_of_the_loss_steps(two_storey):
    system = replace(two_storey.system, converter=replace(two_storey.system.converter, ac_limit_w=0.6 * 430))
    year = array_power(weather(two_storey), two_storey.place, system)
    offered = energy_kwh(year["dc_power_w"]).sum()
    taken = loss_steps(weather(two_storey), two_storey.place, system).set_index("step").loc["limit of the converter"]
    assert array_yield.limit_share(two_storey, 60) == pytest.approx(-taken["change_kwh"] / offered)


def test_stair_takes_every_step_once_and_ends_at_the_delivered_energy(house):
    steps = loss_steps(weather(house), house.place, house.system)["step"]
    assert sorted(step for row in array_yield.STAIR.values() for step in row) == sorted(steps)
    picture, system = array_yield.stair_picture(house), house.system
    exact = dict(
        coefficient=-100 * system.module.temperature_coefficient_per_c,
        dirt=100 * system.losses.soiling,
        age=system.age_years,
        limit=100 * system.converter.ac_limit_w / array_yield._behind_one(system),
    )
    caption = picture.update(**exact)
    boxes = [container[0] for container in picture.figure.axes[0].containers]
    delivered = energy_kwh(year_of(house)["ac_power_w"]).sum()
    assert boxes[-1].get_width() == pytest.approx(delivered)
    assert f"{delivered:,.0f} kWh reach the house" in caption
    assert boxes[0].get_width() - sum(box.get_width() for box in boxes[1:-1]) == pytest.approx(delivered)
    for above, below in zip(boxes[1:-1], boxes[2:-1]):  # each step begins where the one above it ended
        assert below.get_x() + below.get_width() == pytest.approx(above.get_x())
    widths = [box.get_width() for box in boxes[1:-1]]
    assert list(array_yield.STAIR)[1 + int(np.argmax(widths))] == array_yield.largest_step(house)


def test_later_losses_shrink_when_an_earlier_one_grows_and_earlier_ones_do_not(two_storey):
    picture = array_yield.stair_picture(two_storey)
    boxes = [container[0] for container in picture.figure.axes[0].containers]

    def widths(dirt):
        picture.update(coefficient=0.34, dirt=dirt, age=0, limit=85)
        return dict(zip(array_yield.STAIR, (box.get_width() for box in boxes)))

    clean, dirty = widths(2), widths(10)
    assert clean["heat"] == dirty["heat"] and clean["dirt"] < dirty["dirt"]
    assert clean["converter itself"] > dirty["converter itself"]


def test_month_picture_shows_yields_and_ratio(house):
    start, picture = array_yield.start_values(house), array_yield.month_picture(house)
    plane = Plane(house.system.module_count, start.tilt, start.azimuth, house.system.planes[0].mounting)
    losses = replace(house.system.losses, soiling=start.dirt / 100)
    year = array_power(weather(house), house.place, replace(house.system, planes=(plane,), losses=losses))
    caption = picture.update(tilt=start.tilt, azimuth=start.azimuth, dirt=start.dirt, age=0)
    light, made = picture.figure.axes[0].containers
    by_month = energy_kwh(year).groupby(year.index.month).sum()
    assert heights(light) == pytest.approx(by_month["poa_global"].to_numpy())
    assert heights(made) == pytest.approx(by_month["ac_power_w"].to_numpy() / (house.system.rated_power_w / 1000))
    ratio = heights(made) / heights(light)
    shown = [text.get_text() for text in picture.figure.axes[0].texts[:12]]
    assert shown == [f"{value:.2f}" for value in ratio]
    assert f"performance ratio {heights(made).sum() / heights(light).sum():.2f}" in caption


def test_lowest_ratio_is_in_a_warmer_month_than_the_highest(house):
    y_r, y_f = array_yield._monthly(house, house.system)
    air = weather(house)["temp_air"].groupby(weather(house).index.month).mean().to_numpy()
    assert air[(y_f / y_r).argmin()] > air[(y_f / y_r).argmax()]


def test_what_the_lesson_says_of_july(two_storey):
    lesson = Path(__file__).parents[2] / "notebooks" / "02-array-yield.ipynb"
    text = lesson.read_text(encoding="utf-8")
    light, made = array_yield._monthly(two_storey, two_storey.system)
    more = [round(100 * (year[6] / year[4] - 1)) for year in (light, made)]
    assert f"July has {more[0]} % more light than their May, but makes only {more[1]} % more energy" in text
    sky, power = weather(two_storey), year_of(two_storey)["ac_power_w"]
    noons = power[(sky.index.month == 7) & (sky.index.hour == 12) & (sky["temp_air"] > 32)]
    label = two_storey.system.rated_power_w
    assert f"gets {label:,.0f} W" in text and 4400 in noons.round(-2).tolist()
    assert f"4,400 of 6,450 W are {4400 / label:.2f} of the labels" in text


def test_turning_the_array_changes_the_yield_more_than_the_ratio(house):
    start = array_yield.start_values(house)
    (r, f), (r2, f2) = (
        map(np.sum, array_yield._monthly(house, array_yield._one_plane(house.system, start.tilt, azimuth, 2, 0)))
        for azimuth in (start.azimuth, (start.azimuth + 180) % 360)
    )
    assert abs(f2 / f - 1) > 2 * abs((f2 / r2) / (f / r) - 1)
    aged = array_yield._monthly(house, array_yield._one_plane(house.system, start.tilt, start.azimuth, 2, 20))
    assert aged[0].sum() == pytest.approx(r) and aged[1].sum() < 0.95 * f  # age lowers yield and ratio alike


def test_prediction_of_the_limit_holds(house):
    assert array_yield.limit_share(house, 85) < 0.03


def test_peak_of_a_clear_noon_depends_on_heat_as_the_lesson_says():
    def peak(altitude, day, air, wind):
        place = Place("somewhere clear", 38.0, -105.0, "Etc/GMT+7", altitude)
        sky = clear_sky(pd.date_range(day, periods=288, freq="5min", tz="Etc/GMT+7"), place)
        system = ArraySystem((Plane(10, 27, 180),), Module(430.0, -0.0034), Converter("per module", 500.0))
        power = array_power(sky.assign(temp_air=air, wind_speed=wind), place, system)["ac_power_w"]
        return power.max() / system.rated_power_w

    assert peak(250, "2026-06-21", 34, 1) == pytest.approx(0.7, abs=0.03)
    assert peak(2200, "2026-04-01", 8, 6) > 0.9


def test_nine_years_of_ten():
    spread = np.sqrt(0.05**2 + 0.05**2 + 0.04**2)  # light data, model, weather of the year
    assert 1 - 1.2816 * spread == pytest.approx(0.90, abs=0.005)


def test_start_values_are_those_of_the_file_whatever_they_are(house):
    odd = replace(
        house.system,
        age_years=55.0,
        planes=(Plane(4, 89.6, 358.0),),
        losses=replace(house.system.losses, soiling=0.4),
        module=Module(430.0, -0.009),
        converter=replace(house.system.converter, ac_limit_w=9_000_000.0),
    )
    values = array_yield.start_values(replace(house, system=odd))
    share = round(9_000_000 / 4.3 / (1 if odd.converter.kind == "per module" else 4))
    held = {"coefficient": 0.9, "dirt": 40.0, "age": 55.0, "limit": share, "tilt": 89.6, "azimuth": 358.0}
    assert vars(values) == held
    for name, ends in (
        ("coefficient", (0.2, 0.6, 0.01)),
        ("dirt", (0, 20, 1)),
        ("age", (0, 40, 1)),
        ("tilt", (0, 90, 1)),
    ):
        assert own_slider(name, *ends, held[name]).make().value == pytest.approx(held[name])


def test_pictures_of_a_southern_house(two_storey, monkeypatch):
    place = Place("southern plain", -33.0, 149.0, "Etc/GMT-10", 300.0)
    system = replace(two_storey.system, planes=(Plane(15, 30, 0),))
    house = replace(two_storey, place=place, system=system)
    index = pd.date_range("2026-01-01", periods=8760, freq="1h", tz="Etc/GMT-10")
    wave = np.cos(2 * np.pi * np.arange(8760) / 8760)  # warm in January
    sky = clear_sky(index, place) * 0.8
    sky = sky.assign(temp_air=17 + 9 * wave, wind_speed=3.0)
    monkeypatch.setattr(array_yield, "weather", lambda _: sky)
    monkeypatch.setattr(array_yield, "weather_at", lambda *_: sky)
    monkeypatch.setattr("solarlib.house.year.weather_at", lambda *_: sky)  # what is said of the light
    array_yield._limit_share.cache_clear()
    start = array_yield.start_values(house)
    month = array_yield.month_picture(house)
    words = month.update(tilt=start.tilt, azimuth=start.azimuth, dirt=2, age=0)
    assert "lowest in Jan" in words or "lowest in Dec" in words or "lowest in Feb" in words
    assert heights(month.figure.axes[0].containers[0]).max() < month.figure.axes[0].get_ylim()[1] / 1.2
    assert "reach the house" in array_yield.stair_picture(house).update(coefficient=0.34, dirt=2, age=0, limit=85)
    assert "Over the year" in array_yield.limit_picture(house).update(limit=50, day="sun and clouds", minutes=True)
    array_yield._limit_share.cache_clear()


def test_no_light_at_all_gives_a_sentence(two_storey, monkeypatch):
    dark = weather(two_storey) * 0.0
    picture = array_yield.month_picture(two_storey)
    monkeypatch.setattr(array_yield, "weather", lambda _: dark)
    assert "no performance ratio" in picture.update(tilt=30, azimuth=180, dirt=2, age=0)


def test_checks_are_well_formed_for_many_learners():
    for word in range(300):
        mine = array_yield_checks.numbers(f"learner {word}")
        own_yield = mine.energy / mine.size
        assert 0.4 < own_yield / mine.light < 1
        right = {
            array_yield_checks.check_heat: mine.label * (1 - 0.0034 * (mine.cells - 25)),
            array_yield_checks.check_limit: min(0.965 * mine.offered, mine.limit),
            array_yield_checks.check_peaks: (mine.bright - mine.limit) / 2,
            array_yield_checks.check_chain: 1e4
            * (1 - mine.glass / 100)
            * (1 - mine.heat / 100)
            * (1 - mine.rest / 100),
            array_yield_checks.check_yield: own_yield,
            array_yield_checks.check_ratio: own_yield / mine.light,
        }
        for judge, answer in right.items():
            assert judge(answer, mine).right is True
            assert judge(None, mine).right is None


@pytest.mark.parametrize(
    "judge, slip, hint",
    [
        (array_yield_checks.check_heat, lambda m: m.label * (1 - 0.0034 * m.cells), "above that"),
        (array_yield_checks.check_heat, lambda m: m.label * (1 + 0.0034 * (m.cells - 25)), "more or less"),
        (array_yield_checks.check_heat, lambda m: m.label * (1 - 0.34 * (m.cells - 25)), "0.34 %"),
        (array_yield_checks.check_limit, lambda m: m.offered, "lost inside"),
        (array_yield_checks.check_peaks, lambda m: 0, "at its mean"),
        (array_yield_checks.check_peaks, lambda m: m.bright - m.limit, "part of the hour"),
        (array_yield_checks.check_chain, lambda m: 1e4 - 100 * (m.glass + m.heat + m.rest), "added the losses"),
        (array_yield_checks.check_yield, lambda m: m.energy, "whole energy"),
        (array_yield_checks.check_ratio, lambda m: m.size * m.light / m.energy, "upside down"),
        (array_yield_checks.check_ratio, lambda m: m.energy / m.light, "out of it"),
    ],
)
def test_slips_are_named(judge, slip, hint):
    mine = array_yield_checks.numbers("Robin")
    answer = judge(slip(mine), mine)
    assert answer.right is False and hint in answer.message


def test_a_limit_that_is_not_reached_is_named_too():
    mine = replace_numbers(offered=340, limit=390)
    assert "not reached" in array_yield_checks.check_limit(390, mine).message
    mine = replace_numbers(offered=430, limit=300)
    assert "limit of 300 W" in array_yield_checks.check_limit(0.965 * 430, mine).message


def replace_numbers(**values):
    mine = array_yield_checks.numbers("Robin")
    vars(mine).update(values)
    return mine


def test_right_step_of_a_house_and_the_replies(house):
    question = array_yield_checks.predict_step(house)
    own = {"dirt": "dirt on the glass", "converter itself": "the converter itself", "heat": "heat in the cells"}
    assert question.right == own.get(array_yield.largest_step(house), "some other step")
    for option in question.options:
        question.buttons.value = option
        assert question.reply.startswith("That is right." if option == question.right else "Not so.")


@pytest.mark.parametrize(
    ("largest", "option"),
    [
        ("age", "some other step"),
        ("heat", "heat in the cells"),
        ("dirt", "dirt on the glass"),
        ("converter itself", "the converter itself"),
        ("converter limit", "some other step"),
    ],
)
def test_the_right_step_is_the_largest_one(two_storey, monkeypatch, largest, option):
    monkeypatch.setattr(array_yield_checks, "largest_step", lambda house: largest)
    assert array_yield_checks.predict_step(two_storey).right == option


def test_compare_with_ones_own_array(house):
    typical = energy_kwh(year_of(house)["ac_power_w"]).sum() / (house.system.rated_power_w / 1000)
    assert "The ratio is 0.90" in array_yield_checks.compare(house, 0.9 * typical * 5, 5)
    assert "Not filled in" in array_yield_checks.compare(house, None, 5)
    for made, rated in ((5000, 0), ("5000", 5)):
        with pytest.raises(InputError, match="power|energy"):
            array_yield_checks.compare(house, made, rated)
    said = array_yield_checks.own_year(house, energy_of_one_year="5000 kWh", rated_power="0")
    assert "cannot be used" in said.html()
    assert "far off" not in array_yield_checks.compare(house, 0.5 * typical * 5, 5)
    assert "not W" in array_yield_checks.compare(house, typical * 5, 5000)  # watts typed for kW
