"""What shades a plane is part of its year: by a second solution, by what must hold, by the words of a house file."""

import re
from dataclasses import replace

import numpy as np
import pytest
import second_shade
from made_roofs import BEECH, CHIMNEY, table

from solarlib.house.file import house_from_table, read_house
from solarlib.house.year import shade_share, simulate, weather
from solarlib.quantities import InputError
from solarlib.roof.array import array_power, loss_steps
from solarlib.roof.cells import DiodeModule
from solarlib.roof.obstacles import ModuleLayout, Obstacle
from solarlib.roof.parts import Plane, plane_light
from solarlib.roof.shade import kept_shares, row_hours, shade_hours
from solarlib.sky.sun import position


@pytest.fixture(scope="module")
def house():
    return house_from_table(table(CHIMNEY, BEECH))


@pytest.mark.parametrize("kind, way", [("per module", 0), ("central", 1)])
def test_what_a_plane_keeps_is_what_a_second_solution_finds(house, kind, way):
    """Twelve hours with partial shade: 3e-4, of which the bisection's 1500 currents leave 1e-4."""
    system = replace(house.system, converter=replace(house.system.converter, kind=kind))
    sky = weather(house).loc["2026-01-10":"2026-01-16"]
    solar = position(sky.index, house.place)
    lights = [plane_light(sky, solar, plane, system.albedo) for plane in system.planes]
    kept = kept_shares(lights, solar, system, 60.0)[0]
    plane, light, module = system.planes[0], lights[0], DiodeModule().scaled_to(430.0)
    rows = np.flatnonzero((kept < 0.999) & (light["direct"] > 50))
    assert len(rows) >= 12
    for row in rows[:: len(rows) // 12]:
        sun = solar.iloc[row]
        share = second_shade.shares(plane, sun["azimuth"], sun["apparent_elevation"], solar.index[row].month)
        assert share.min() in (0.0, 0.6)
        now = {name: values[row] for name, values in light.items()}
        whole = second_shade.powers(module, np.full((1, 3, 20), now["rest"] + now["direct"]), now["temp_cell"])[0]
        found = second_shade.powers(module, now["rest"] + now["direct"] * share, now["temp_cell"])[way]
        assert kept[row] == pytest.approx(found / whole / plane.module_count, rel=3e-4)


def test_the_year_with_shade_is_the_light_less_what_the_curves_lose(house):
    """The stair's step is the sum over the hours of power times what `shade_hours` loses."""
    sky, system = weather(house).loc["2026-02-01":"2026-02-14"], house.system
    steps = loss_steps(sky, house.place, system).set_index("step")
    assert steps["change_kwh"].sum() == pytest.approx(array_power(sky, house.place, system)["ac_power_w"].sum() / 1000)
    hours = shade_hours(sky, house.place, system, [plane.obstacles for plane in system.planes])
    lost = 1 - hours["per_module_w"].sum() / hours["unshaded_w"].sum()
    found = -steps["change_kwh"]["shade"] / steps["energy_kwh"]["cell temperature"]
    assert found == pytest.approx(lost, rel=0.01)  # the diode's heat is not quite the straight line of the array


def test_a_house_without_shade_has_no_such_step_and_the_same_year():
    plain, told = read_house("two-storey"), house_from_table(table())
    assert not told.system.shaded and shade_share(told) == 0.0
    np.testing.assert_array_equal(simulate(plain), simulate(told))
    assert "shade" not in set(loss_steps(weather(plain), plain.place, plain.system)["step"])


def test_leaves_matter_in_their_months_only(house):
    """The bare months are those of a tree with such leaves all year, the others those of the thicker one: 1e-4, for
    the curves of three levels of light are drawn through more currents than those of two.
    """
    always = [house_from_table(table(BEECH | {"passes_percent": p, "bare_passes_percent": p})) for p in (15, 60)]
    found, leafy, bare = (
        simulate(one)["generation_w"].tz_convert("Etc/GMT+5") for one in (house_from_table(table(BEECH)), *always)
    )
    winter = np.isin(found.index.month, BEECH["bare_months"])
    np.testing.assert_allclose(found[winter], bare[winter], rtol=1e-4)
    np.testing.assert_allclose(found[~winter], leafy[~winter], rtol=1e-4)
    assert found.sum() > leafy.sum() + 1000 and found.sum() < bare.sum() - 1000


def test_a_horizon_of_one_plane_hides_the_sun_from_that_plane_alone(house):
    plain = read_house("two-storey")
    hills = house_from_table(table(horizon=[[300, 0], [60, 0], [90, 25], [180, 25], [270, 25]]))
    sun = position(weather(plain).index, plain.place)
    below = sun["apparent_elevation"] < np.interp(sun["azimuth"], [0, 60, 90, 270, 300], [0, 0, 25, 25, 0])
    for number in (0, 1):
        with_hills, without = (
            array_power(weather(one), one.place, replace(one.system, planes=(one.system.planes[number],)))["ac_power_w"]
            for one in (hills, plain)
        )
        lower = with_hills < without
        assert lower.any() == (number == 0) and not (lower & ~below).any() and not (with_hills > without).any()
    # the same line all round a place takes the same direct sun: what differs is the sky that the place's line hides too
    around = replace(plain, place=replace(plain.place, horizon=((60, 0), (90, 25), (180, 25), (270, 25), (300, 0))))
    both = [simulate(one)["generation_w"].sum() for one in (around, hills)]
    assert both[0] < both[1] < simulate(plain)["generation_w"].sum()


def test_minutes_keep_the_hours_shade(house):
    """Clouds within the hour change the shade's share of a year by less than a tenth."""
    days = weather(house).loc["2026-01-01":"2026-01-31"].index
    lost = []
    for interval in ("1h", "1min"):
        shaded, free = (
            simulate(one, interval, np.random.default_rng(3))["generation_w"].loc[days[0] : days[-1]].sum()
            for one in (house, read_house("two-storey"))
        )
        lost.append(1 - shaded / free)
    assert lost[0] > 0.03 and lost[1] == pytest.approx(lost[0], rel=0.1)


def test_rows_of_a_plane_shade_as_rows_do():
    house = read_house("bungalow")
    sky, layout = weather(house).iloc[:336], ModuleLayout(4, 2, portrait=False)
    plane = Plane(8, 12, 180, "tray", (), layout, 1.5)
    system = replace(house.system, planes=(plane,))
    solar = position(sky.index, house.place)
    light = plane_light(sky, solar, plane, system.albedo)
    kept = kept_shares([light], solar, system, 60.0)[0]
    hours = row_hours(sky, house.place, replace(plane, layout=None, row_pitch_m=None), layout, 1.5, system.albedo)
    used = hours["unshaded_w"].to_numpy() > 0
    ratio = (hours["per_module_w"] / hours["unshaded_w"]).to_numpy()
    assert kept[used] == pytest.approx(ratio[used], abs=2e-4) and kept.min() < 0.9
    middle = plane.places(plane.cells()).reshape(8, 60, 3).mean(axis=1)
    assert middle[:, 2] == pytest.approx(0, abs=1e-9)  # rows on level ground, the first farthest north
    assert np.diff(middle[::2, 1]) == pytest.approx(-1.5)


@pytest.mark.parametrize(
    "things, plane, message",
    [
        ([CHIMNEY], {"rows": 3}, "plane[1].rows: found 3, allowed is a divisor of the 10 modules"),
        ([CHIMNEY | {"distance_m": 1.2}], {}, "chimney.distance_m: found 1.2 m, allowed is more than 3.0 m"),
        ([CHIMNEY | {"width_m": "a metre"}], {}, "plane[1].obstacle[1].width_m: found 'a metre', allowed is a number"),
        ([CHIMNEY | {"bare_months": [1]}], {}, "plane[1].obstacle[1].bare_months: found one of two, allowed is both"),
        (
            [CHIMNEY | {"bare_passes_percent": 5}],
            {},
            "plane[1].obstacle[1].bare_months: found one of two, allowed is both",
        ),
        ([CHIMNEY | {"height_m": 900}], {}, "chimney.points elevation: found 89.68"),
        ([CHIMNEY | {"deciduous": True}], {}, "obstacle[1].deciduous: found an unknown key"),
        ([], {"horizon": [[90, 91], [200, 5]]}, "plane[1].horizon.points elevation: found 91 deg"),
        ([], {"horizon": [[90, 9], [90, 5]]}, "plane[1].horizon.points: found azimuths 90, 90, 450"),
    ],
)
def test_what_cannot_be_is_told_with_its_plane(things, plane, message):
    with pytest.raises(InputError, match=re.escape(message)) as caught:
        house_from_table(table(*things, **plane))
    assert "\n" not in str(caught.value)


def test_an_obstacle_near_asks_how_the_modules_lie():
    own = table(CHIMNEY)
    del own["plane"][0]["rows"], own["plane"][0]["upright"], own["module"]["width_m"]
    with pytest.raises(InputError) as caught:
        house_from_table(own)
    for key in ("plane[1].rows", "plane[1].upright", "module.width_m"):
        assert f"{key}: found nothing, allowed is a value: it is needed with [[plane.obstacle]]" in str(caught.value)
    del own["plane"][0]["obstacle"]
    own["plane"][0]["horizon"] = [[90, 4], [180, 9]]  # far away, all cells are alike
    assert house_from_table(own).system.shaded


def test_a_gable_is_higher_in_its_middle():
    wall, gable = (
        house_from_table(table(CHIMNEY | extra)).system.planes[0].obstacles[0]
        for extra in ({"width_m": 4}, {"width_m": 4, "side_height_m": 0.5})
    )
    assert [round(height, 1) for _, height in wall.points] == [21.8, 21.8, 21.8]
    assert [round(height, 1) for _, height in gable.points] == [5.7, 21.8, 5.7]
    assert gable.points[0][0] == pytest.approx(215 - 21.80, abs=0.01)


def test_an_obstacle_behind_the_array_costs_nothing():
    house = read_house("two-storey")
    behind = Obstacle(((350, 5), (370, 5)), 9.0)
    sky = weather(house).iloc[:240]
    free, found = (shade_hours(sky, house.place, house.system, (things, ())) for things in ((), (behind,)))
    np.testing.assert_allclose(found, free, rtol=2e-4)


def test_what_a_plane_keeps_is_kept_for_the_same_plane_light_and_converter_only(house):
    sky = weather(house).loc["2026-01-10":"2026-01-12"]
    solar, system = position(sky.index, house.place), house.system
    lights = [plane_light(sky, solar, plane, system.albedo) for plane in system.planes]
    first = kept_shares(lights, solar, system, 60.0)[0]
    assert kept_shares(lights, solar, replace(system, age_years=9.0), 60.0)[0] is first
    chimney = replace(system, planes=(replace(system.planes[0], obstacles=system.planes[0].obstacles[:1]),))
    bright = [{name: values * 1.1 for name, values in lights[0].items()}]
    for other in (
        kept_shares(lights, solar, replace(system, converter=replace(system.converter, kind="central")), 60.0),
        kept_shares(lights, solar, replace(system, module=replace(system.module, half_cut=True)), 60.0),
        kept_shares(lights[:1], solar, chimney, 60.0),
        kept_shares(bright, solar, system, 60.0),
    ):
        assert abs(other[0] - first).max() > 1e-6
