"""Light to power, loss by loss; the yearly energy against a general-purpose reference; yields."""

import importlib.util
from dataclasses import fields, replace
from functools import lru_cache
from pathlib import Path

import numpy as np
import pandas as pd
import pvlib
import pytest
from hypothesis import given, settings, strategies as st

from profiles import examples
from solarlib.health import yields as health
from solarlib.quantities import InputError
from solarlib.roof.array import array_power, loss_steps
from solarlib.roof.parts import MOUNTINGS, ArraySystem, Converter, Losses, Module, Plane, cell_temperature
from solarlib.sky.sun import clear_sky
from solarlib.sky.weather import Place, read_weather

BENCH = Path(__file__).parents[1] / "benchmarks" / "bench_array.py"
PLACE = Place("Greensboro", 36.1, -79.95, "America/New_York", 273.0)
MODULE = Module(430.0, -0.0034)
SYSTEM = ArraySystem((Plane(10, 27, 200), Plane(5, 27, 110)), MODULE, Converter("per module", 366.0))
LOSS_NAMES = [item.name for item in fields(Losses) if item.type is not tuple]
NO_LOSSES = Losses(**dict.fromkeys(LOSS_NAMES, 0.0))


@lru_cache(maxsize=1)
def _file():
    return read_weather("723170TYA.CSV", PLACE)


@pytest.fixture
def weather():
    return _file()


def _kwh(weather, system, place=PLACE):
    return float(array_power(weather, place, system)["ac_power_w"].sum()) / 1000.0


# ---------------------------------------------------------------- the reference


def test_yearly_energy_is_that_of_modelchain(weather):
    """Bar: 0.5 % of the same chain by pvlib's ModelChain, whose own models do the physics (see the benchmark)."""
    spec = importlib.util.spec_from_file_location("bench_array", BENCH)
    bench = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(bench)
    ours = _kwh(weather, bench.SYSTEM)
    assert ours == pytest.approx(bench.reference_kwh(weather), rel=0.005)
    assert bench.SYSTEM.module_count == 15 and bench.SYSTEM.rated_power_w == 6450.0


def test_a_week_is_the_one_written_down(weather):
    """1e-6, ours against ours, so that a constant that moves is seen: all mountings, per module, three years old."""
    planes = Plane(4, 30, 110), Plane(6, 10, 250, "tray"), Plane(1, 90, 180, "rack"), Plane(1, 20, 0, "built in")
    small = ArraySystem(planes, Module(400.0), Converter("per module", 330.0), age_years=3.0)
    week = weather.loc["2026-03-09":"2026-03-15"]
    expected = [30332.116749, 4083.1436061, 123625.81374, 117549.96219]
    assert array_power(week, PLACE, small).sum().tolist() == pytest.approx(expected, rel=1e-6)
    minutes = week.resample("1min").ffill().iloc[480:1200]
    one = ArraySystem((Plane(8, 30, 180),), Module(400.0), Converter("central", 3000.0))
    expected = [231823.12699, 17139.533889, 668567.67396, 636662.13481]
    assert array_power(minutes, PLACE, one).sum().tolist() == pytest.approx(expected, rel=1e-6)


# ---------------------------------------------------------------- strategies

planes = st.lists(
    st.builds(Plane, st.integers(0, 12), st.floats(0, 90), st.floats(0, 360), st.sampled_from(sorted(MOUNTINGS))),
    min_size=1,
    max_size=4,
).filter(lambda found: sum(plane.module_count for plane in found) > 0)
MONTHS = st.sampled_from([(), (0.0,) * 12, (0.4, 0.1, *[0.0] * 9, 0.2)])
losses = st.builds(Losses, *[st.floats(0, 0.2)] * len(LOSS_NAMES), MONTHS, MONTHS)


def _converter(kind, limit, k0, k1, k2):
    """Any curve with a loss of k0 + k1 p + k2 p^2."""
    return Converter(kind, limit, *(1.0 - k0 / p - k1 - k2 * p for p in (0.1, 0.5, 1.0)))


converters = st.builds(
    _converter,
    st.sampled_from(["per module", "central"]),
    st.floats(50, 6000),
    st.floats(0, 0.02),
    st.floats(0, 0.03),
    st.floats(0, 0.03),
)
systems = st.builds(
    ArraySystem, planes, st.just(MODULE), converters, losses, st.floats(0, 30), st.floats(0, 0.02), st.floats(0, 0.5)
)


def _day(start):
    return _file().iloc[24 * start : 24 * start + 24]


@settings(max_examples=examples(15), deadline=None)
@given(system=systems, day=st.integers(0, 364))
def test_no_loss_creates_energy_and_the_steps_add_up(system, day):
    weather = _day(day)
    steps = loss_steps(weather, PLACE, system)
    power = array_power(weather, PLACE, system)
    first, last = steps["energy_kwh"].iloc[0], steps["energy_kwh"].iloc[-1]
    assert steps["change_kwh"].sum() == pytest.approx(last, rel=1e-9, abs=1e-12)
    assert last == pytest.approx(power["ac_power_w"].sum() / 1000.0, rel=1e-9, abs=1e-12)
    assert first == pytest.approx(power["poa_global"].sum() / 1000.0 * system.rated_power_w / 1000.0, rel=1e-9)
    taken = steps.loc[~steps["step"].isin([steps["step"].iloc[0], "cell temperature"])]
    assert (taken["change_kwh"] <= 1e-9 * max(first, 1.0)).all(), taken  # heat alone may give: a cold module is better
    assert (power["ac_power_w"] <= power["dc_power_w"] + 1e-9).all() and (power["ac_power_w"] >= 0).all()
    converters = system.module_count if system.converter.kind == "per module" else 1
    assert power["ac_power_w"].max() <= converters * system.converter.ac_limit_w + 1e-9
    assert (power.loc[power["poa_global"] == 0, "ac_power_w"] == 0).all()
    assert (power.loc[((weather[["ghi", "dni", "dhi"]] == 0).all(axis=1)).to_numpy(), "dc_power_w"] == 0).all()


@settings(max_examples=examples(15), deadline=None)
@given(system=systems, day=st.integers(0, 364), seed=st.integers(0, 999))
def test_the_order_of_the_planes_does_not_matter(system, day, seed):
    order = np.random.default_rng(seed).permutation(len(system.planes))
    mixed = replace(system, planes=tuple(system.planes[i] for i in order))
    one, other = (array_power(_day(day), PLACE, s) for s in (system, mixed))
    np.testing.assert_allclose(one, other, rtol=1e-9, atol=1e-9)


@settings(max_examples=examples(15), deadline=None)
@given(system=systems, day=st.integers(0, 364), more=st.floats(1.0, 1.3))
def test_more_light_gives_no_less_power(system, day, more):
    """At a fixed place and air; a hot module in still air would need over 6000 W/m2 to turn this round."""
    weather = _day(day)
    brighter = weather.assign(
        **{c: weather[c] * more for c in ("ghi", "dhi")}
    )  # not dni: it also shares out the sky light
    less, much = (array_power(w, PLACE, system)["ac_power_w"].to_numpy() for w in (weather, brighter))
    assert (much >= less - 1e-9).all()


@settings(max_examples=examples(50), deadline=None)
@given(converter=converters, inputs=st.lists(st.floats(0, 20000), min_size=2, max_size=30))
def test_the_converter_never_gains_falls_or_passes_its_limit(converter, inputs):
    dc = np.sort(np.array(inputs))
    ac = converter.ac_power_w(dc)
    assert (
        (np.diff(ac) >= -1e-9).all()
        and (ac <= dc + 1e-9).all()
        and (ac >= 0).all()
        and ac.max() <= converter.ac_limit_w
    )


# ---------------------------------------------------------------- parts


@pytest.mark.parametrize("load, name", [(0.1, "efficiency_10"), (0.5, "efficiency_50"), (1.0, "efficiency_100")])
def test_the_curve_goes_through_its_three_points(load, name):
    converter = Converter("central", 5000.0, 0.93, 0.972, 0.961)
    dc = load * converter.rated_input_w
    assert converter.ac_power_w(dc) / dc == pytest.approx(getattr(converter, name), rel=1e-9)


def test_the_curve_is_pvlibs_grid_converter_curve_without_voltage():
    converter = Converter("central", 5000.0)
    dc = np.linspace(0.0, 9000.0, 91)
    k = list(converter.coefficients)
    inverter = dict(
        Pnom=converter.rated_input_w,
        Pacmax=5000.0,
        Pnt=0.0,
        Vnom=400.0,
        Vmax=500.0,
        Vmin=300.0,
        Vdcmax=600.0,
        MPPTHi=500.0,
        MPPTLow=300.0,
        ADRCoefficients=k + [0.0] * 6,
    )
    np.testing.assert_allclose(
        converter.ac_power_w(dc), pvlib.inverter.adr(np.full(91, 400.0), dc, inverter), atol=1e-6
    )


@pytest.mark.parametrize(
    "name, key",
    [
        ("rack", "open_rack_glass_polymer"),
        ("roof", "close_mount_glass_glass"),
        ("built in", "insulated_back_glass_polymer"),
    ],
)
def test_mounting_coefficients_follow_from_their_source(name, key):
    """King, Boyson, Kratochvil, SAND2004-3535 (2004), as pvlib carries it: `seen and recomputed`."""
    source = pvlib.temperature.TEMPERATURE_MODEL_PARAMETERS["sapm"][key]
    wind = np.array([1.4, 5.4])
    carried = 1.0 / (np.exp(source["a"] + source["b"] * wind) + source["deltaT"] / 1000.0)
    u1 = float(np.diff(carried)[0]) / 4.0
    u0 = float(carried[0]) - 1.4 * u1
    assert MOUNTINGS[name] == pytest.approx((u0, u1), abs=0.01)


def test_mountings_are_ordered_by_their_air():
    temperatures = [float(cell_temperature(800.0, 20.0, 1.0, name)) for name in ("rack", "tray", "roof", "built in")]
    assert temperatures == sorted(temperatures) and 40 < temperatures[0] < 48
    assert MOUNTINGS["tray"] == pytest.approx([u / (0.026 / 0.0208) for u in MOUNTINGS["rack"]], abs=0.01)
    assert cell_temperature(800.0, 20.0, 5.0) < cell_temperature(800.0, 20.0, 1.0)


def test_small_converters_clip_module_by_module(weather):
    """East and west planes peak at different times: fifteen small limits take more than one big one of the same sum."""
    module = replace(MODULE, rated_power_w=500.0)
    small = ArraySystem((Plane(8, 40, 90), Plane(7, 40, 270)), module, Converter("per module", 250.0), NO_LOSSES)
    big = replace(small, converter=Converter("central", 15 * 250.0))
    clipped = [
        -loss_steps(weather, PLACE, s).set_index("step").loc["limit of the converter", "change_kwh"]
        for s in (small, big)
    ]
    assert clipped[0] > 2 * clipped[1] > 0
    flat = array_power(weather, PLACE, small)["ac_power_w"]
    assert flat.max() == pytest.approx(15 * 250.0)


def test_a_plane_of_the_system_is_one_module_times_its_count(weather):
    one = replace(SYSTEM, planes=(Plane(1, 27, 200),))
    assert _kwh(weather, replace(SYSTEM, planes=(Plane(10, 27, 200),))) == pytest.approx(
        10 * _kwh(weather, one), rel=1e-12
    )


def test_ageing_takes_its_share(weather):
    clear = replace(SYSTEM, converter=Converter("per module", 600.0))
    old = replace(clear, age_years=10.0)
    dc = [array_power(weather, PLACE, s)["dc_power_w"].sum() for s in (clear, old)]
    assert dc[1] / dc[0] == pytest.approx(0.995**10, rel=1e-12)


def test_each_named_loss_takes_its_share(weather):
    for name, step in (("soiling", "dirt on the glass"), ("availability", "standstill")):
        steps = loss_steps(weather, PLACE, replace(SYSTEM, losses=replace(NO_LOSSES, **{name: 0.1})))
        row = steps.index[steps["step"] == step][0]
        assert steps["energy_kwh"][row] / steps["energy_kwh"][row - 1] == pytest.approx(0.9, rel=1e-12)


def test_light_from_the_north_counts_in_the_south():
    """Typical hours moved half a year and mirrored: minus the latitude wants the plane to face north."""
    north = Place("north", 36.1, 0.0, "UTC", 273.0)
    south = Place("south", -36.1, 0.0, "UTC", 273.0)
    index = pd.date_range("2026-01-01", periods=8760, freq="1h", tz="UTC")
    energy = {}
    for place, azimuth in ((north, 180.0), (south, 0.0), (south, 180.0)):
        sky = clear_sky(index, place).assign(temp_air=15.0, wind_speed=2.0)
        energy[place.name, azimuth] = _kwh(sky, replace(SYSTEM, planes=(Plane(1, 30, azimuth),)), place)
    assert energy["south", 0.0] == pytest.approx(energy["north", 180.0], rel=0.10)  # turbidity differs by hemisphere
    assert energy["south", 180.0] < 0.8 * energy["south", 0.0]


def test_minutes_are_cooler_than_without_inertia_and_hours_do_not_notice():
    index = pd.date_range("2026-06-21 16:00", periods=40, freq="1min", tz="UTC")
    sky = pd.DataFrame({"ghi": 0.0, "dni": 0.0, "dhi": 0.0, "temp_air": 20.0, "wind_speed": 1.0}, index)
    sky.loc[index[20] :, ["ghi", "dhi"]] = 600.0
    cell = array_power(sky, PLACE, replace(SYSTEM, planes=(Plane(1, 0, 180),)))["temp_cell"].to_numpy()
    end = float(cell_temperature(600.0, 20.0, 1.0))
    assert cell[19] == pytest.approx(20.0)
    # after 7 minutes 1 - 1/e of the way (Jones and Underwood's time constant)
    assert (cell[26] - 20.0) / (end - 20.0) == pytest.approx(1 - np.exp(-1.0), abs=0.001)


# ---------------------------------------------------------------- what is refused


@pytest.mark.parametrize(
    "make, words",
    [
        (lambda: Plane(10, 95, 180), "surface_tilt.*95.*0 to 90"),
        (lambda: Plane(10, 20, 400), "surface_azimuth"),
        (lambda: Plane(2.5, 20, 180), "module_count.*2.5.*whole"),
        (lambda: Plane(True, 20, 180), "module_count"),
        (lambda: Plane(1, 20, 180, "pole"), "mounting.*'pole'.*roof"),
        (lambda: Module(0), "rated_power_w"),
        (lambda: Module(430, 0.003), "temperature_coefficient"),
        (lambda: Converter("string", 300), "kind.*'string'.*per module, central"),
        (lambda: Converter("central", 300, 0.99, 0.5, 0.99), "efficiency"),
        (lambda: Converter("central", 300, 1.1), "efficiency_10"),
        (lambda: Losses(soiling=0.9), "losses.soiling.*0.9.*0 to 0.5"),
        (lambda: ArraySystem((), MODULE, Converter("central", 300)), "no module"),
        (lambda: replace(SYSTEM, age_years=-1), "age_years"),
    ],
)
def test_impossible_parts_are_refused_in_one_line(make, words):
    with pytest.raises(InputError, match=words) as caught:
        make()
    assert "\n" not in str(caught.value) and "allowed" in str(caught.value)


# ---------------------------------------------------------------- yields


def test_yields_of_a_year(weather):
    power = array_power(weather, PLACE, SYSTEM)
    reference = health.reference_yield(power["poa_global"])
    final = health.final_yield(power["ac_power_w"].sum() / 1000.0, SYSTEM.rated_power_w)
    assert reference > final > 0
    assert health.performance_ratio(final, reference) == pytest.approx(
        loss_steps(weather, PLACE, SYSTEM)["share"].sum(), rel=1e-9
    )


def test_a_ratio_without_light_is_refused():
    with pytest.raises(InputError, match="above 0"):
        health.performance_ratio(1.0, 0.0)
    with pytest.raises(InputError, match="rated power"):
        health.final_yield(1.0, 0.0)
