"""Trays in pairs, two kinds of modules and converters, dirt and snow by month: each beside a simpler way to it."""

import re
from dataclasses import replace

import numpy as np
import pytest
from made_roofs import table

from solarlib.house.file import house_from_table, read_house
from solarlib.house.year import plain_words, simulate, weather
from solarlib.house.year_bills import ratings
from solarlib.lessons.array_yield import pictures as array_yield
from solarlib.lessons.roof_circuit.wires import question_list
from solarlib.lessons.start.pictures import facts
from solarlib.quantities import InputError
from solarlib.roof.array import array_power, loss_steps
from solarlib.roof.parts import ArraySystem, Converter, Module, Plane, plane_light
from solarlib.roof.shade import kept_shares
from solarlib.roof.wiring import circuit_sums
from solarlib.sky.sun import position

PAIR = {"rows": 3, "upright": False, "pair": True, "row_pitch_m": 2.4, "mounting": "tray", "tilt_deg": 12}
OLD = {"name": "old", "rated_power_w": 300, "temperature_coefficient_percent_per_c": -0.42}
GARAGE = {"name": "garage", "kind": "central", "ac_limit_w": 1500}


def mixed():
    """Return the two-storey house with five older modules on a converter of their own."""
    own = table()
    own |= {"other_module": [dict(OLD)], "other_converter": [dict(GARAGE)]}
    own["plane"][1] |= {"module": "old", "converter": "garage"}
    own["circuit"]["branch"] = [{"converters": 10, "output_w": 366}, {"converters": 1, "output_w": 1500}]
    return own


def made_kwh(house):
    return simulate(house)["generation_w"].sum() / 1000.0


# ---------------------------------------------------------------- pairs


def test_a_pair_is_two_planes_that_face_away_from_each_other():
    own = table(module_count=12, azimuth_deg=100, **PAIR)
    own["circuit"].pop("branch")
    pair = house_from_table(own).system.planes[:2]
    assert [(plane.module_count, plane.surface_azimuth) for plane in pair] == [(6, 100), (6, 280)]
    assert pair[0] == replace(pair[1], surface_azimuth=100) and pair[0].layout.rows == 3
    open_rows = table(module_count=12, azimuth_deg=100, pair=True)
    by_hand = table(module_count=6, azimuth_deg=100)
    by_hand["plane"].insert(1, by_hand["plane"][0] | {"azimuth_deg": 280})
    for one in (open_rows, by_hand):
        one["circuit"].pop("branch")
    assert made_kwh(house_from_table(open_rows)) == made_kwh(house_from_table(by_hand))


def test_a_pair_is_shaded_by_its_neighbours_ridge():
    """Own geometry in the plane across the rows: a ray from each point of the slope over the ridge of the pair before
    it. The share of lit cells of a middle row is held to half a cell.
    """
    own = table(module_count=12, azimuth_deg=100, **PAIR)
    own["circuit"].pop("branch")
    house = house_from_table(own)
    plane, system = house.system.planes[0], house.system
    sky = weather(house).loc[:"2026-03-20"]
    sun = position(sky.index, house.place)
    light = plane_light(sky, sun, plane, system.albedo)
    kept = kept_shares([light], sun, replace(system, planes=(plane,)), 60.0)[0]
    width, tilt = 1.10, np.radians(12)
    slope = (np.arange(6) + 0.5) / 6 * width  # middles of the cells, sideways: six up the slope
    across = np.cos(np.radians(sun["azimuth"] - 100).to_numpy())
    rise = np.tan(np.radians(sun["apparent_elevation"].to_numpy())) / np.where(abs(across) < 1e-6, 1e-6, across)
    away = 2.4 - width * np.cos(tilt) + slope * np.cos(tilt)  # level, to the ridge of the pair before
    lit = (light["direct"] > 20) & (across > 0.05)
    dark = (slope * np.sin(tilt) + away * rise[:, None] < width * np.sin(tilt)).sum(axis=1)
    assert (kept[lit & (dark == 0)] == 1.0).all() and (kept[lit & (dark > 0)] < 1.0).all()
    assert 5 < (lit & (dark > 0)).sum()


def test_a_pair_asks_for_an_even_number_and_room():
    own = table(module_count=9, **(PAIR | {"row_pitch_m": 1.5}))
    with pytest.raises(InputError) as caught:
        house_from_table(own)
    assert "plane[1].module_count: found 9, allowed is an even number" in str(caught.value)
    with pytest.raises(InputError, match=r"plane\[1\].row_pitch_m: found 1.5 m, allowed is 2.15 m or more, the depth"):
        house_from_table(table(module_count=6, **(PAIR | {"row_pitch_m": 1.5})))


# ---------------------------------------------------------------- kinds


def test_two_kinds_on_one_house_are_the_sum_of_two_houses():
    house = house_from_table(mixed())
    main, garage = house.system.planes
    parts = (
        replace(house.system, planes=(main,)),
        replace(
            house.system,
            planes=(replace(garage, module=None, converter=None),),
            module=garage.module,
            converter=garage.converter,
        ),
    )
    whole, *apart = (array_power(weather(house), house.place, one) for one in (house.system, *parts))
    np.testing.assert_allclose(whole["ac_power_w"], apart[0]["ac_power_w"] + apart[1]["ac_power_w"], rtol=1e-12)
    assert house.system.rated_power_w == 10 * 430 + 5 * 300 and ratings(house)["rated_ac_kw"] == 3.66 + 1.5
    steps = loss_steps(weather(house), house.place, house.system)
    assert steps["change_kwh"].sum() == pytest.approx(whole["ac_power_w"].sum() / 1000.0)
    assert {one.name: n for one, n in house.system.converters.items()} == {"": 10, "garage": 1}


def test_planes_with_the_same_central_converter_share_its_limit():
    module, one = Module(400.0), Converter("central", 1000.0, name="shed")
    planes = (Plane(4, 30, 180, module=module, converter=one), Plane(4, 30, 180, module=module, converter=one))
    house = read_house("two-storey")
    shared = ArraySystem(planes, Module(430.0), Converter("per module", 366.0))
    alone = ArraySystem((Plane(8, 30, 180),), module, one)
    found = [array_power(weather(house), house.place, system)["ac_power_w"] for system in (shared, alone)]
    np.testing.assert_allclose(*found, rtol=1e-12)
    assert found[0].max() < 1000.0 and shared.ac_limit_w == 1000.0


def test_pages_tell_both_kinds():
    house = house_from_table(mixed())
    told = facts(house)["what the file says"]
    assert told["array"].startswith("10 modules of 430 W and 5 modules of 300 W, 5.8 kW")
    assert told["converter"] == "per module, at most 366 W each and central, at most 1500 W each"
    page = question_list([], house)
    assert "10 modules of 430 W and 5 modules of 300 W, 10 converters of 366 W and 1 converter of 1500 W" in page
    assert plain_words(house.system) == " Left out: other kinds."
    assert plain_words(read_house("two-storey").system) == ""


@pytest.mark.parametrize(
    "plane, message",
    [
        ({"module": "odl"}, "plane[2].module: found 'odl', allowed is the name of an [[other_module]]: old (is 'old'"),
        ({"converter": "x"}, "plane[2].converter: found 'x', allowed is the name of an [[other_converter]]: garage"),
    ],
)
def test_a_kind_that_is_not_there_is_named(plane, message):
    own = mixed()
    own["plane"][1] |= plane
    with pytest.raises(InputError, match=re.escape(message)):
        house_from_table(own)


def test_what_is_not_known_of_two_kinds_is_asked():
    own = mixed()
    del own["circuit"]["branch"][1]["output_w"]
    with pytest.raises(InputError, match="circuit.branch.output_w: found nothing, allowed is the output of one"):
        house_from_table(own)
    own = table()
    own["module"]["bifacial"] = True
    with pytest.raises(InputError, match="module.bifacial: found True, allowed is no such key: light on the back"):
        house_from_table(own)
    own["module"]["bifacial"] = False
    assert house_from_table(own) == house_from_table(table())


@pytest.mark.parametrize(("place", "key"), [("plane", "tracker"), ("converter", "trackers")])
def test_a_shared_tracker_is_refused_in_words(place, key):
    own = table()
    (own["plane"][0] if place == "plane" else own[place])[key] = 1
    with pytest.raises(
        InputError, match=rf"{key}: found 1, allowed is no such key: .* each plane has a tracker of its"
    ):
        house_from_table(own)


def test_nothing_of_a_second_kind_is_ignored():
    """A kind that no plane has, one without a name, two of one name, [module] on no plane; a limit in kW."""
    own = mixed()
    own["other_module"] += [dict(OLD), OLD | {"name": "spare"}, {"rated_power_w": 300}]
    own["other_converter"][0]["ac_limit_w"] = 150
    own["plane"][0]["module"] = "old"
    with pytest.raises(InputError) as caught:
        house_from_table(own)
    for words in (
        "other_module[2].name: found 'old', allowed is a name of its own",
        "other_module[3]: found no plane with it",
        "other_module[4].name: found '', allowed is a name of its own",
        "module: found no plane with it, allowed is at least one [[plane]] without the key module",
    ):
        assert words in str(caught.value)
    own = mixed()
    own["other_converter"][0]["ac_limit_w"] = 150
    with pytest.raises(
        InputError, match="other_converter 'garage'.ac_limit_w: found 150 W, allowed is 0.25 to 4 times the 1500"
    ):
        house_from_table(own)


def test_strings_of_two_kinds_are_refused():
    own = mixed()
    own["converter"] |= {"kind": "central", "ac_limit_w": 4000}
    own["circuit"] = {"strings": {"modules": [5]}}
    with pytest.raises(InputError, match="circuit.strings: found strings of several kinds"):
        house_from_table(own)


def test_the_sums_of_a_string_take_the_modules_behind_the_central_converter():
    own = mixed()
    told = {"open_circuit_v": 38, "operating_v": 32, "open_circuit_percent_per_c": -0.3, "record_low_c": -15}
    own["circuit"]["strings"] = told | {
        "modules": [5],
        "record_high_c": 35,
        "limit_v": 600,
        "tracker_low_v": 100,
        "tracker_high_v": 500,
    }
    house = house_from_table(own)
    (found,) = [one for one in circuit_sums(house.circuit, house.system) if "string" in one.check]
    assert found["cold_operating_v"] == pytest.approx(5 * 32 * (1 + 0.0042 * 40))  # of the old ones


# ---------------------------------------------------------------- dirt and snow by month


def by_month(**losses):
    own = table()
    del own["losses"]["soiling_percent"]
    own["losses"] |= losses
    return house_from_table(own)


def test_dirt_is_told_once():
    with pytest.raises(
        InputError, match="losses.soiling_percent: found it and soiling_percent_by_month, allowed is one"
    ):
        by_month(soiling_percent=2, soiling_percent_by_month=[2] * 12)


def test_dirt_by_month_is_dirt_of_each_month():
    steady = made_kwh(read_house("two-storey"))
    assert made_kwh(by_month(soiling_percent_by_month=[2] * 12)) == pytest.approx(steady, rel=1e-12)
    clean, dirty = (by_month(soiling_percent=dirt) for dirt in (0, 10))
    found = by_month(soiling_percent_by_month=[0] * 6 + [10] * 6)
    power = [array_power(weather(house), house.place, house.system)["ac_power_w"] for house in (found, clean, dirty)]
    summer = power[0].index.month <= 6
    np.testing.assert_allclose(power[0][summer], power[1][summer])
    np.testing.assert_allclose(power[0][~summer], power[2][~summer])


def test_snow_takes_its_share_of_the_month_and_has_its_step():
    house = by_month(soiling_percent=2, snow_percent_by_month=[100, 30, *[0] * 10])
    power = array_power(weather(house), house.place, house.system)["ac_power_w"].groupby(lambda time: time.month).sum()
    assert power[1] == 0.0 and 0 < power[2] < power[3]
    steps = loss_steps(weather(house), house.place, house.system).set_index("step")["change_kwh"]
    assert steps["snow on the glass"] < -50 and steps.sum() == pytest.approx(power.sum() / 1000.0)
    without = loss_steps(weather(house), house.place, read_house("two-storey").system)
    assert "snow on the glass" not in set(without["step"])


def test_lesson_2_shows_snow_and_keeps_the_months_of_dirt():
    months = [1] * 6 + [4] * 6
    house = by_month(soiling_percent_by_month=months, snow_percent_by_month=[20, *[0] * 11])
    start = array_yield.start_values(house)
    assert start.dirt == 2.5
    picture, known = (
        array_yield.stair_picture(house),
        {"coefficient": start.coefficient, "age": 0, "limit": start.limit},
    )
    assert f" but {made_kwh(house):,.0f} kWh reach the house" in picture.update(dirt=2.5, **known)
    twice = by_month(soiling_percent_by_month=[2 * dirt for dirt in months], snow_percent_by_month=[20, *[0] * 11])
    assert f" but {made_kwh(twice):,.0f} kWh reach the house" in picture.update(dirt=5.0, **known)
    names = [text.get_text() for text in picture.figure.axes[0].get_yticklabels()]
    assert "snow and dirt" in names and "dirt" not in names
