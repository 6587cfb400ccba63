"""Partial shade: curves, geometry, the three numbers, and what must hold for any shade."""

import re
from dataclasses import replace

import numpy as np
import pandas as pd
import pvlib
import pytest
from hypothesis import given, settings, strategies as st

from profiles import examples
from shade_moments import shade_moment
from solarlib.quantities import InputError
from solarlib.roof import cells, shade
from solarlib.roof.array import loss_steps
from solarlib.roof.cells import Cell, DiodeModule
from solarlib.roof.layout import pitch_without_shade
from solarlib.roof.obstacles import ModuleLayout, Obstacle, hidden, in_space, may_hide, usual_layout
from solarlib.roof.parts import ArraySystem, Converter, Module, Plane
from solarlib.sky.sun import plane_of_array
from solarlib.sky.weather import Place, read_weather

QUICK = settings(deadline=None, max_examples=examples(20))
PLACE = Place("Greensboro climate", 36.1, -79.95, "America/New_York", 273.0)
CHIMNEY = Obstacle(((195, 0), (196, 35), (212, 35), (213, 0)), 6.0)


@pytest.fixture(scope="module")
def weather():
    """Return one week of March: short enough to compute often."""
    return read_weather("723170TYA.CSV", PLACE).loc["2026-03-09":"2026-03-15"]


def system(*planes):
    return ArraySystem(planes or (Plane(8, 30, 180),), Module(400.0), Converter("central", 3000.0))


def lights(seed, modules=3):
    """Return random light on cells: whole modules, sections, single cells shaded by different amounts."""
    rng = np.random.default_rng(seed)
    parts = [
        rng.choice([1.0, rng.uniform(0.1, 1.0)], size) for size in ((modules, 1, 1), (modules, 3, 1), (modules, 3, 20))
    ]
    return 1000.0 * parts[0] * parts[1] * parts[2]


# --- curves


def test_a_cells_curve_is_pvlibs_explicit_one():
    """Currents put into bishop88 at random inner voltages come back as the same voltages;
    2 mV, backwards 20 mV, by interpolation.
    """
    cell, rng = Cell(), np.random.default_rng(5)
    light, heat = np.array([[1000.0, 200.0, 5.0]]), 45.0
    photo, dark, _, _, thermal = pvlib.pvsystem.calcparams_desoto(
        light[0],
        np.full(3, heat),
        cell.current_per_c * cell.photocurrent_a,
        0.0256926,
        cell.photocurrent_a,
        cell.saturation_current_a,
        cell.shunt_ohm,
        cell.series_ohm,
    )
    for level in range(3):
        inner = np.sort(rng.uniform(-16, 0.62, 40))[::-1]
        current, voltage, _ = pvlib.singlediode.bishop88(
            inner,
            photo[level],
            dark[level],
            cell.series_ohm,
            cell.shunt_ohm,
            thermal[level],
            breakdown_factor=cell.breakdown_factor,
            breakdown_voltage=cell.breakdown_v,
            breakdown_exp=cell.breakdown_exponent,
        )
        found = cells.cell_voltage(cell, light, [[heat]], current[None])[0, level]
        np.testing.assert_allclose(found[voltage > 0], voltage[voltage > 0], atol=2e-3)
        np.testing.assert_allclose(found, voltage, atol=0.02)


@pytest.mark.parametrize("irradiance, heat", [(1000, 25), (1000, 60), (400, 45), (50, 10), (10, -10)])
def test_the_best_point_is_pvlibs(irradiance, heat):
    """Against pvlib's own search for the maximum, without breakdown; 3e-4 from the grid, in dim light,
    where the shunt moves the knee.
    """
    module = DiodeModule(Cell(breakdown_factor=0.0))
    cell = module.cell
    photo, dark, series, _, thermal = pvlib.pvsystem.calcparams_desoto(
        irradiance,
        heat,
        cell.current_per_c * cell.photocurrent_a,
        0.02569258,
        cell.photocurrent_a,
        cell.saturation_current_a,
        cell.shunt_ohm,
        cell.series_ohm,
    )
    best = pvlib.singlediode.bishop88_mpp(photo, dark, series, cell.shunt_ohm, thermal, method="brentq")[2]
    found = cells.series_power_w(module, [[float(irradiance)]], np.full((1, 1, 3, 1), 20), [[float(heat)]])
    assert found.apart_w[0] == pytest.approx(60 * float(best), rel=3e-4)
    assert found.apart_w[0] <= 60 * float(best) * (1 + 1e-5)


def test_a_scaled_module_has_the_wanted_power_and_the_same_losses():
    small, large = DiodeModule(), DiodeModule().scaled_to(430.0)
    assert large.rated_power_w == pytest.approx(430.0, rel=1e-9)
    light = lights(3)
    a, b = shade_moment(light, module=small), shade_moment(light, module=large)
    assert (a.module_loss, a.string_loss) == pytest.approx((b.module_loss, b.string_loss), abs=1e-9)


def test_the_bypass_diode_holds_a_dark_section_at_its_drop():
    module = DiodeModule()
    counts = np.array([[[[20, 0], [20, 0], [0, 20]]]])
    current, voltage, cell_v = cells.module_curves(module, np.array([[1000.0, 50.0]]), counts, [[25.0]])
    carries = (current[0] > 1.0) & (current[0] < 8.0)
    np.testing.assert_allclose(voltage[0, 0, carries], (40 * cell_v[0, 0] - module.bypass_v)[carries], atol=1e-9)
    open_circuit = voltage[0, 0, 0]
    assert open_circuit == pytest.approx(
        40 * cell_v[0, 0, 0] + 20 * cell_v[0, 1, 0], abs=1e-9
    )  # without current the dark cells add their voltage


# --- what must hold for any shade


@QUICK
@given(st.integers(0, 10_000), st.floats(-10, 70))
def test_shade_creates_no_energy_and_the_ways_of_operating_are_in_order(seed, heat):
    loss = shade_moment(lights(seed), heat)
    assert -1e-12 <= loss.module_loss <= loss.string_loss + 1e-12
    assert loss.string_loss <= 1 + 1e-12
    assert loss.light_lost >= -1e-12


@QUICK
@given(st.integers(0, 10_000), st.integers(0, 2), st.integers(0, 2), st.floats(0.0, 1.0))
def test_more_shade_never_gives_more(seed, of_module, of_section, share):
    """2e-4: the grid of currents moves with the levels of light."""
    before = lights(seed)
    after = before.copy()
    after[of_module, of_section] *= share
    a, b = shade_moment(before), shade_moment(after)
    assert b.light_lost >= a.light_lost - 1e-12
    assert b.module_loss >= a.module_loss - 2e-4 and b.string_loss >= a.string_loss - 2e-4


@QUICK
@given(st.integers(0, 10_000))
def test_the_order_of_modules_sections_and_cells_does_not_matter(seed):
    light, rng = lights(seed, 4), np.random.default_rng(seed)
    turned = rng.permutation(light, axis=0)
    turned = rng.permuted(turned, axis=2)
    turned = turned[:, ::-1]
    a, b = shade_moment(light), shade_moment(turned)
    for name in ("light_lost", "module_loss", "string_loss"):
        assert getattr(a, name) == pytest.approx(getattr(b, name), abs=1e-12)


@pytest.mark.parametrize("heat", [-10.0, 25.0, 65.0])
def test_without_shade_nothing_is_lost(heat):
    loss = shade_moment(np.full((5, 3, 20), 1000.0), heat)
    assert (loss.light_lost, loss.module_loss, loss.string_loss) == pytest.approx((0, 0, 0), abs=1e-12)
    assert abs(loss.benefit) < 1e-12 and abs(loss.module_gain) < 1e-12


def test_shade_alike_on_every_module_leaves_nothing_to_choose():
    light = np.full((6, 3, 20), 1000.0)
    light[:, 0] = 200.0
    loss = shade_moment(light)
    assert loss.benefit == pytest.approx(0, abs=1e-12) and loss.string_loss > loss.light_lost


# --- the tracker


def test_a_good_tracker_finds_the_higher_of_two_hills():
    light = np.full((16, 3, 20), 1000.0)
    light[:4] = 600.0
    loss = shade_moment(light)
    # the two hills: 12 modules at full current, or 16 at about 60 %
    assert loss.string_loss == pytest.approx(0.26, abs=0.01)


# --- geometry


def test_cells_of_a_layout_fill_it_evenly():
    layout = ModuleLayout(2, 3)
    middles = layout.cells()
    assert middles.shape == (6, 3, 20, 2)
    assert middles.reshape(-1, 2).mean(axis=0) == pytest.approx([0, 0], abs=1e-12)
    assert np.ptp(middles[..., 0]) == pytest.approx(3 * 1.10 - 1.10 / 6) and np.ptp(middles[..., 1]) == pytest.approx(
        2 * 1.75 - 1.75 / 10
    )
    assert (middles[:3, ..., 1] > 0).all()  # the top row first
    assert (
        np.ptp(middles[0, 0, :, 0]) < 0.2 and np.ptp(middles[0, 0, :, 1]) > 1.5
    )  # a section: two columns up the slope
    across = ModuleLayout(2, 3, portrait=False).cells()
    assert np.ptp(across[0, 0, :, 1]) < 0.2 and np.ptp(across[0, 0, :, 0]) > 1.5
    assert [usual_layout(n).module_count for n in (1, 2, 5, 16)] == [1, 2, 5, 16]


@pytest.mark.parametrize(
    "azimuth, right, downhill",
    [(180, (1, 0), (0, -1)), (90, (0, 1), (1, 0)), (270, (0, -1), (-1, 0)), (0, (-1, 0), (0, 1))],
)
def test_a_plane_in_space(azimuth, right, downhill):
    """Who looks at a south roof sees east on the right; its lower edge lies to the south."""
    found = in_space(np.array([[1.0, 0.0], [0.0, -1.0]]), 40, azimuth)
    assert found[0] == pytest.approx([*right, 0], abs=1e-12)
    assert found[1] == pytest.approx(
        [downhill[0] * np.cos(np.radians(40)), downhill[1] * np.cos(np.radians(40)), -np.sin(np.radians(40))], abs=1e-12
    )


def test_the_sun_is_hidden_below_the_outline_only():
    hill = Obstacle(((150, 10), (180, 20), (210, 0)))
    azimuth = np.array([149.0, 151.0, 180.0, 180.0, 165.0, 165.0, 209.0, 211.0, 0.0])
    elevation = np.array([5.0, 5.0, 19.9, 20.1, 14.9, 15.1, 1.0, 0.5, 0.5])
    assert hidden(hill, np.zeros((1, 3)), azimuth, elevation)[:, 0].tolist() == [
        False,
        True,
        True,
        False,
        True,
        False,
        False,
        False,
        False,
    ]


@pytest.mark.parametrize("turn", [-360, 0, 360])
def test_an_outline_at_any_turn_of_the_circle_shades_the_same(turn):
    wall = Obstacle(((160 + turn, 30), (200 + turn, 30)), 20.0)
    azimuth = np.array([159.0, 161.0, 199.0, 201.0])
    assert hidden(wall, np.zeros((1, 3)), azimuth, np.full(4, 10.0))[:, 0].tolist() == [False, True, True, False]


def test_an_outline_across_north():
    wall = Obstacle(((340, 30), (380, 30)), 20.0)
    azimuth = np.array([339.0, 341.0, 359.0, 1.0, 19.0, 21.0])
    assert hidden(wall, np.zeros((1, 3)), azimuth, np.full(6, 10.0))[:, 0].tolist() == [
        False,
        True,
        True,
        True,
        True,
        False,
    ]


def test_near_obstacles_shade_cells_one_after_the_other():
    """A post 4 m south: seen from 2 m farther east it stands in the south-west, by atan(2/4)."""
    post = Obstacle(((178, 45), (182, 45)), 4.0)
    places = np.array([[0.0, 0, 0], [2.0, 0, 0], [0, 0, 3.0]])
    turned = 180 + np.degrees(np.arctan(0.5))
    assert hidden(post, places, np.array([180.0, turned]), np.array([20.0, 20.0])).tolist() == [
        [True, False, False],
        [False, True, False],
    ]
    # 4 m tall; from 3 m up only 1 m stands above the eye: 14 deg
    assert hidden(post, places[2:], np.array([180.0, 180.0]), np.array([13.9, 14.2]))[:, 0].tolist() == [True, False]
    far = replace(post, distance_m=np.inf)
    assert hidden(far, places, np.array([180.0]), np.array([20.0])).all()


@QUICK
@given(st.floats(-100, 300), st.floats(5, 120), st.floats(0, 80), st.sampled_from([2.5, 4.0, 30.0, np.inf]))
def test_the_quick_net_holds_every_hidden_sun(left, wide, height, distance):
    thing = Obstacle(((left, height), (left + wide, height / 2)), distance)
    places = in_space(ModuleLayout(2, 2).cells().reshape(-1, 2), 30, 180)
    azimuth, elevation = (grid.ravel() for grid in np.meshgrid(np.arange(0.0, 360.0, 3.0), np.arange(0.0, 90.0, 3.0)))
    net = may_hide(thing, places, azimuth, elevation)
    assert net[hidden(thing, places, azimuth, elevation).any(axis=1)].all()
    assert not net[elevation >= height].any() or np.isfinite(distance)  # far away the net is no higher than the thing


@QUICK
@given(st.floats(0, 360), st.floats(5, 60), st.floats(-2, 2), st.floats(-2, 2))
def test_a_shadow_agrees_with_a_ray_through_the_fence(sun_azimuth, sun_elevation, x, y):
    """Independent check of the moved outline: follow the ray to the ring on which the fence stands."""
    fence = Obstacle(((100, 20), (180, 50), (260, 10)), 8.0)
    toward = np.array([np.sin(np.radians(sun_azimuth)), np.cos(np.radians(sun_azimuth))])
    along = -np.dot(toward, (x, y)) + np.sqrt(np.dot(toward, (x, y)) ** 2 - x * x - y * y + 64.0)
    east, north = np.array([x, y]) + along * toward
    at = np.degrees(np.arctan2(east, north)) % 360
    top = np.interp(at, [100, 180, 260], [20, 50, 10], left=0, right=0)
    height = along * np.tan(np.radians(sun_elevation))
    margin = height - 8.0 * np.tan(np.radians(top))
    if abs(margin) > 0.1 and min(abs(at - 100), abs(at - 260)) > 1:  # chords of 5 deg lie a little inside the ring
        assert hidden(fence, np.array([[x, y, 0.0]]), np.array([sun_azimuth]), np.array([sun_elevation]))[0, 0] == (
            100 < at < 260 and margin < 0
        )


# --- hours and years


def test_without_obstacles_all_ways_give_the_same(weather):
    hours = shade.shade_hours(weather, PLACE, system(), [()])
    for name in ("per_module_w", "string_w"):
        np.testing.assert_allclose(hours[name], hours["unshaded_w"], rtol=1e-12)
    np.testing.assert_allclose(hours["light"], hours["light_left"], rtol=1e-12)
    assert hours.index.equals(weather.index) and (hours["unshaded_w"] > 0).sum() > 60
    noon = hours.loc[hours["light"].idxmax()]
    heat = shade.plane_light(weather, shade.position(weather.index, PLACE), Plane(8, 30, 180), 0.2)["temp_cell"][
        hours.index.get_loc(noon.name)
    ]
    per_c = (
        noon["unshaded_w"] / 3200 / (noon["light"] / 1000) - 1
    )  # rated power in this light, and what heat takes from it
    assert 45 < heat < 75 and per_c / (heat - 25) == pytest.approx(-0.0043, abs=0.0006)


def test_light_behind_the_glass_is_the_arrays(weather):
    """The split light adds up to what the array's own ladder of losses has behind the glass;
    the ring goes with the beam.
    """
    house = system()
    solar = shade.position(weather.index, PLACE)
    light = shade.plane_light(weather, solar, house.planes[0], house.albedo)
    ladder = loss_steps(weather, PLACE, house).set_index("step")
    total = (light["direct"] + light["rest"]).sum() / 1000 * house.rated_power_w / 1000
    assert total == pytest.approx(ladder.loc["reflection at the glass", "energy_kwh"], rel=1e-9)
    beam = plane_of_array(weather, solar, 30, 180, house.albedo)
    noon = (beam["aoi"] < 40).to_numpy() & (beam["poa_circumsolar"] > 20).to_numpy()
    assert noon.sum() > 5 and (light["direct"] > beam["poa_direct"].to_numpy() + 15)[noon].all()


def test_every_hour_is_in_order_and_light_falls_with_the_obstacle(weather):
    hours = shade.shade_hours(weather, PLACE, system(), [(CHIMNEY,)])
    tiny = 1e-9 * hours["unshaded_w"].max()
    for upper, lower in zip(hours.columns[2:], hours.columns[3:]):
        assert (hours[upper] >= hours[lower] - tiny).all()
    assert (hours["light"] >= hours["light_left"] - 1e-9).all() and (hours["light"] > hours["light_left"] + 1).any()
    loss = shade.year_loss(hours)
    assert 0 < loss.light_lost < loss.module_loss < loss.string_loss


def test_a_taller_wider_or_denser_obstacle_never_costs_less(weather):
    def lost(*things):
        loss = shade.year_loss(shade.shade_hours(weather, PLACE, system(), [things]))
        return np.array([loss.light_lost, loss.module_loss, loss.string_loss])

    bare = lost(replace(CHIMNEY, passes=0.5))
    solid = lost(CHIMNEY)
    taller = lost(replace(CHIMNEY, points=((195, 0), (196, 45), (212, 45), (213, 0))))
    two = lost(CHIMNEY, Obstacle(((100, 40), (130, 40)), 9.0))
    for less, more in ((bare, solid), (solid, taller), (solid, two)):
        assert (more >= less - 1e-4).all() and more[0] > less[0]
    assert lost(CHIMNEY, CHIMNEY) == pytest.approx(solid, abs=1e-12)
    assert lost(replace(CHIMNEY, passes=1.0)) == pytest.approx([0, 0, 0], abs=1e-12)


def test_east_and_west_mirror_each_other():
    """A made-up day, symmetric about solar noon: mirrored obstacles cost the same."""
    index = pd.date_range("2026-03-21", periods=24, freq="1h", tz="UTC")
    place = Place("equinox", 40.0, 0.0, "UTC", 0.0)
    solar = shade.position(index, place)
    shift = float(solar["equation_of_time"].mean()) / 4.0  # place the noon of the sun at the noon of the clock
    place = Place("equinox", 40.0, -shift, "UTC", 0.0)
    up = np.maximum(np.cos(np.radians(shade.position(index, place)["apparent_zenith"])), 0.0)
    sky = pd.DataFrame(
        {"dni": 800.0 * (up > 0.02), "dhi": 100.0 * (up > 0.02), "temp_air": 20.0, "wind_speed": 2.0}, index=index
    )
    sky["ghi"] = sky["dni"] * up + sky["dhi"]
    one = Obstacle(((120, 30), (150, 40)), 7.0)
    other = Obstacle(((210, 40), (240, 30)), 7.0)
    a, b = (shade.year_loss(shade.shade_hours(sky, place, system(), [(thing,)])) for thing in (one, other))
    assert a.light_lost > 0.01
    for name in ("light_lost", "module_loss", "string_loss"):
        assert getattr(a, name) == pytest.approx(
            getattr(b, name), abs=0.003
        )  # the declination moves between morning and evening


def test_two_planes_on_one_tracker_cost_a_string_more_than_two_trackers(weather):
    house = system(Plane(6, 30, 110), Plane(6, 30, 250))
    apart = shade.year_loss(shade.shade_hours(weather, PLACE, house, [(), ()]))
    joined = shade.year_loss(shade.shade_hours(weather, PLACE, house, [(), ()], one_string=True))
    assert apart.string_loss == pytest.approx(0, abs=1e-12) and joined.module_loss == pytest.approx(0, abs=1e-12)
    assert joined.string_loss > 0.05


def test_rows_far_apart_do_not_shade_and_closer_rows_shade_more(weather):
    plane, layout = Plane(9, 15, 180, "tray"), ModuleLayout(3, 3)
    losses = [
        shade.year_loss(shade.row_hours(weather, PLACE, plane, layout, pitch)) for pitch in (50.0, 2.6, 2.1, 1.75)
    ]
    assert losses[0].light_lost == pytest.approx(0, abs=1e-6)
    for name in ("light_lost", "module_loss", "string_loss"):
        found = [getattr(loss, name) for loss in losses]
        assert all(b >= a - 1e-6 for a, b in zip(found, found[1:])) and found[-1] > found[0] + 0.005
    one_row = shade.year_loss(shade.row_hours(weather, PLACE, Plane(3, 15, 180, "tray"), ModuleLayout(1, 3), 1.75))
    assert one_row.string_loss == pytest.approx(0, abs=1e-12)


def test_landscape_keeps_two_sections_of_a_shaded_row_alive(weather):
    plane = Plane(9, 15, 180, "tray")
    upright = shade.year_loss(shade.row_hours(weather, PLACE, plane, ModuleLayout(3, 3), 1.85))
    across = shade.year_loss(
        shade.row_hours(weather, PLACE, plane, ModuleLayout(3, 3, portrait=False), 1.85 * 1.10 / 1.75)
    )
    assert 0.02 < upright.light_lost and 0.02 < across.light_lost
    assert across.module_loss / across.light_lost < 0.5 * upright.module_loss / upright.light_lost


def test_the_pitch_is_where_pvlibs_shadow_ends():
    for tilt, turn, up in ((10, 0, 20), (20, 30, 25), (30, -40, 15)):
        pitch = pitch_without_shade(1.75, tilt, 180, 180 + turn, up)
        shaded = [
            float(
                pvlib.shading.shaded_fraction1d(
                    90.0 - up, 180.0 + turn, 90.0, tilt, collector_width=1.75, pitch=pitch * f
                )
            )
            for f in (1.001, 0.98)
        ]
        assert shaded[0] == 0 and 0 < shaded[1] < 0.1
    assert pitch_without_shade(2.0, 0, 180, 180, 10) == 2.0


# --- numbers written down, so that a constant that moves is seen: 1e-6, ours against ours


def test_a_week_of_shade_is_the_one_written_down(weather):
    far = Obstacle(((90, 12), (140, 20)), passes=0.4)
    hours = shade.shade_hours(weather, PLACE, system(), [(CHIMNEY, far)])
    expected = [36146.440034, 35780.028278, 102219.707497, 97332.810901, 96725.370292]
    assert hours.sum().tolist() == pytest.approx(expected, rel=1e-6)
    loss = shade.year_loss(hours)
    found = loss.light_lost, loss.module_loss, loss.string_loss
    assert found == pytest.approx((0.010136870, 0.047807773, 0.053750273), rel=1e-6)
    assert loss.benefit == pytest.approx(0.0059425, rel=1e-5)
    assert loss.module_gain == pytest.approx(97332.810901 / 96725.370292 - 1, rel=1e-5)


def test_a_week_of_two_planes_on_one_tracker_is_the_one_written_down(weather):
    house = system(Plane(4, 30, 110), Plane(6, 10, 250, "tray"))
    loss = shade.year_loss(shade.shade_hours(weather, PLACE, house, [(), ()], one_string=True))
    assert (loss.light_lost, loss.module_loss) == pytest.approx((0, 0), abs=1e-12)
    assert loss.string_loss == pytest.approx(0.11326823, rel=1e-6)


def test_a_week_of_rows_is_the_one_written_down(weather):
    plane, layout = Plane(6, 15, 180, "tray"), ModuleLayout(3, 2, portrait=False)
    hours = shade.row_hours(weather, PLACE, plane, layout, 1.12, albedo=0.3)
    expected = [33874.274319, 31024.121980, 51874.388823, 40859.853603, 40792.095062]
    assert hours.sum().tolist() == pytest.approx(expected, rel=1e-6)


def test_below_one_watt_of_light_nothing_is_computed(weather):
    sky = weather.loc["2026-03-09 11:00":"2026-03-09 13:00"].assign(dni=0.0, dhi=[1.2, 0.8, 0.0], ghi=[1.2, 0.8, 0.0])
    flat = ArraySystem((Plane(8, 0, 180),), Module(400.0), Converter("central", 3000.0), albedo=0.0)
    light = shade.shade_hours(sky, PLACE, flat, [()])["light"].to_numpy()
    assert light[0] > 0.9 and light[1:].tolist() == [0.0, 0.0]


def test_a_curve_is_the_one_written_down():
    """From open circuit to far backwards, a lit and a dim cell together: 1e-6, so that a moved grid is seen."""
    current = np.array([[0.0, 0.002, 0.03, 0.2, 0.7, 1.5, 3.0, 6.0, 9.0, 9.42, 9.6, 12.0]])
    found = cells.cell_voltage(Cell(), [[1000.0, 50.0]], [[40.0]], current)[0].sum(axis=0)
    expected = [
        1.1376134,
        1.1374588,
        1.1352094,
        1.1176384,
        -1.6563784,
        -9.2974267,
        -13.810694,
        -14.879896,
        -15.317072,
        -15.462008,
        -17.191438,
        -30.456439,
    ]
    assert found.tolist() == pytest.approx(expected, rel=1e-6)


# --- bad input


@pytest.mark.parametrize(
    "call, message",
    [
        (lambda: Obstacle(((180, 10),)), "obstacle.points: found 1 point(s), allowed are two or more"),
        (lambda: Obstacle(((200, 10), (190, 10))), "obstacle.points: found azimuths 200, 190"),
        (lambda: Obstacle(((190, 10), (200, 90))), "obstacle.points elevation: found 90 deg"),
        (lambda: Obstacle((1, 2)), "obstacle.points: found (1, 2), allowed are pairs"),
        (lambda: Obstacle(((190, 10), (200, 10)), 0.1), "obstacle.distance_m: found 0.1 m"),
        (lambda: Obstacle(((190, 10), (200, 10)), passes=1.5), "obstacle.passes: found 1.5"),
        (
            lambda: hidden(CHIMNEY, np.array([[7.0, 0, 0]]), np.array([180.0]), np.array([20.0])),
            "obstacle.distance_m: found 6 m, allowed is more than 7.0 m",
        ),
        (lambda: ModuleLayout(0, 3), "layout.rows: found 0"),
        (lambda: ModuleLayout(2, 2.5), "layout.columns: found 2.5"),
        (lambda: Cell(breakdown_v=5.0), "cell.breakdown_v: found 5 V"),
        (lambda: DiodeModule(sections=2.5), "diode_module.sections: found 2.5"),
        (
            lambda: cells.series_power_w(DiodeModule(), [[1000.0]], np.full((1, 1, 3, 1), 19), [[25.0]]),
            "counts: found sections or cells",
        ),
    ],
)
def test_bad_input_is_one_line(call, message):
    with pytest.raises(InputError, match=re.escape(message)) as caught:
        call()
    assert "\n" not in str(caught.value)


def test_bad_input_of_a_year_names_what_does_not_fit(weather):
    with pytest.raises(InputError, match="allowed is one for each of 1 planes"):
        shade.shade_hours(weather, PLACE, system(), [(), ()])
    with pytest.raises(InputError, match="layout: found 6 modules, allowed are the plane's 8"):
        shade.row_hours(weather, PLACE, Plane(8, 10, 180), ModuleLayout(2, 3), 3.0)
    with pytest.raises(InputError, match="pitch_m: found 1 m"):
        shade.row_hours(weather, PLACE, Plane(6, 10, 180), ModuleLayout(2, 3), 1.0)
    hours = shade.shade_hours(weather, PLACE, system(), [()])
    with pytest.raises(InputError, match="hours: found no power"):
        shade.year_loss(hours * 0.0)
