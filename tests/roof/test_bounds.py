"""What each number of the room may be: both ends are taken, a step beyond either is refused, and the message tells."""

import math
import re
from dataclasses import replace

import pandas as pd
import pytest

from solarlib.quantities import InputError
from solarlib.roof import circuits, layout, loads, parts, shade, voltages
from solarlib.roof.cells import Cell, DiodeModule
from solarlib.roof.obstacles import ModuleLayout, Obstacle
from solarlib.sky.weather import Place

PLANE, MODULE = parts.Plane(4, 30, 180), parts.Module(400)
CONVERTER = parts.Converter("central", 5000.0, 1.0, 1.0, 1.0)
SYSTEM = parts.ArraySystem((PLANE,), MODULE, CONVERTER)
STRING = dict(
    modules=10,
    open_circuit_v=40.0,
    operating_v=33.0,
    change_per_c=(-0.003, -0.0035),
    cell_c=(-15.0, 65.0),
    limit_v=600.0,
    tracker_v=(200.0, 480.0),
)
RISE = dict(unit_current_a=1.0, units=16, spacing_m=1.05, chain_mm2=3.31, run_m=20.0, run_mm2=5.26)
SUN = dict(width_m=1.1, surface_tilt=10, surface_azimuth=180, solar_azimuth=180, solar_elevation=20)


def field(thing, name):
    """Return a call that puts a value into one field of a frozen thing."""
    return lambda value: replace(thing, **{name: value})


def word(call, known, name):
    """Return a call with one argument exchanged."""
    return lambda value: call(**known | {name: value})


def pair(name, place):
    """Return a call of the string's voltages with one half of a pair exchanged."""

    def call(value):
        both = list(STRING[name])
        both[place] = value
        return voltages.check_string_voltage(**STRING | {name: tuple(both)})

    return call


def outline(azimuth=180.0, elevation=20.0):
    other = azimuth + (1.0 if azimuth < 0 else -1.0)
    return Obstacle(tuple(sorted(((azimuth, elevation), (other, 20.0)))))


def rows(pitch):
    sky = pd.DataFrame(
        {name: [0.0, 0.0] for name in ("ghi", "dni", "dhi", "temp_air", "wind_speed")},
        index=pd.date_range("2026-01-01", periods=2, freq="1h", tz="UTC"),
    )
    return shade.row_hours(sky, Place("x", 40, 0, "UTC", 0), parts.Plane(2, 60, 180), ModuleLayout(2, 1), pitch)


NUMBERS = [  # name in the message, lowest, highest, unit, call
    ("plane.surface_tilt", 0, 90, "deg", field(PLANE, "surface_tilt")),
    ("plane.surface_azimuth", 0, 360, "deg", field(PLANE, "surface_azimuth")),
    ("module.rated_power_w", 1, 2000, "W", field(MODULE, "rated_power_w")),
    ("module.temperature_coefficient_per_c", -0.01, 0, "1/K", field(MODULE, "temperature_coefficient_per_c")),
    ("converter.ac_limit_w", 1, 10_000_000, "W", field(CONVERTER, "ac_limit_w")),
    *(
        (f"converter.efficiency_{at}", 0.5, 1, "", lambda v: parts.Converter("central", 1.0, v, v, v))
        for at in ("10",)  # the first of three alike is the one that tells
    ),
    *(
        (f"losses.{name}", 0, 0.5, "", field(parts.Losses(), name))
        for name in ("soiling", "first_light", "nameplate", "mismatch", "dc_wiring", "ac_wiring", "availability")
    ),
    ("array.age_years", 0, 60, "years", field(SYSTEM, "age_years")),
    ("array.degradation_per_year", 0, 0.1, "", field(SYSTEM, "degradation_per_year")),
    ("array.albedo", 0, 0.95, "", field(SYSTEM, "albedo")),
    ("cell.photocurrent_a", 1e-3, 100, "A", field(Cell(), "photocurrent_a")),
    ("cell.saturation_current_a", 1e-18, 1e-3, "A", field(Cell(), "saturation_current_a")),
    ("cell.ideality", 0.5, 3, "", field(Cell(), "ideality")),
    ("cell.series_ohm", 0, 10, "ohm", field(Cell(), "series_ohm")),
    ("cell.shunt_ohm", 0.01, 1e6, "ohm", field(Cell(), "shunt_ohm")),
    ("cell.breakdown_factor", 0, 1, "", field(Cell(), "breakdown_factor")),
    ("cell.breakdown_v", -100, -1, "V", field(Cell(), "breakdown_v")),
    ("cell.breakdown_exponent", 1, 10, "", field(Cell(), "breakdown_exponent")),
    ("cell.current_per_c", 0, 0.002, "1/K", field(Cell(), "current_per_c")),
    ("diode_module.bypass_v", 0, 2, "V", field(DiodeModule(), "bypass_v")),
    ("rated_power_w", 1, 2000, "W", DiodeModule().scaled_to),
    ("obstacle.points azimuth", -360, 720, "deg", outline),
    ("obstacle.points elevation", 0, 89, "deg", lambda value: outline(elevation=value)),
    ("obstacle.distance_m", 0.5, 100_000, "m", field(outline(), "distance_m")),
    ("obstacle.passes", 0, 1, "", field(outline(), "passes")),
    ("layout.length_m", 0.2, 4, "m", field(ModuleLayout(1, 1), "length_m")),
    ("layout.width_m", 0.2, 4, "m", field(ModuleLayout(1, 1), "width_m")),
    ("plane.row_pitch_m", 1.75 * math.cos(math.radians(60)), 100, "m", rows),
    ("roof.along_eave_m", 0.5, 200, "m", lambda value: layout.RoofPlane(value, 6)),
    ("roof.up_slope_m", 0.5, 200, "m", lambda value: layout.RoofPlane(10, value)),
    *(
        (f"roof.clear_{side}_m", 0, 200, "m", field(layout.RoofPlane(10, 6), f"clear_{side}_m"))
        for side in ("ridge", "eave", "left", "right")
    ),
    ("depth_on_plan_m", 0.1, 200, "m", lambda value: layout.up_slope_m(value, 30)),
    ("surface_tilt", 0, 80, "deg", lambda value: layout.up_slope_m(5, value)),
    ("width_m", 0.1, 10, "m", word(layout.pitch_without_shade, SUN, "width_m")),
    ("surface_tilt", 0, 90, "deg", word(layout.pitch_without_shade, SUN, "surface_tilt")),
    ("surface_azimuth", -360, 720, "deg", word(layout.pitch_without_shade, SUN, "surface_azimuth")),
    ("solar_azimuth", -360, 720, "deg", word(layout.pitch_without_shade, SUN, "solar_azimuth")),
    ("solar_elevation", 0.1, 90, "deg", word(layout.pitch_without_shade, SUN, "solar_elevation")),
    ("module_length_m", 0.2, 4, "m", lambda value: layout.fit_modules(layout.RoofPlane(10, 6), value, 0.2)),
    ("module_width_m", 0.2, 1.7, "m", lambda value: layout.fit_modules(layout.RoofPlane(10, 6), 1.7, value)),
    ("gap_m", 0, 5, "m", lambda value: layout.fit_modules(layout.RoofPlane(10, 6), 1.7, 1.1, True, value)),
    ("current_a", 0, 10_000, "A", circuits.continuous_current_a),
    ("rating_a", 0, 600, "A", circuits.standard_breaker_a),
    ("unit_current_a", 0.01, 4000, "A", lambda value: circuits.check_branch(1, value)),
    ("main_a", 6, 4000, "A", lambda value: circuits.check_busbar([1.0], value, 200)),
    ("bus_a", 6, 4000, "A", lambda value: circuits.check_busbar([1.0], 100, value)),
    ("wind_m_s", 0, 120, "m/s", loads.velocity_pressure),
    ("gauge", 0, 40, "", voltages.awg_area_mm2),
    ("area_mm2", 0.05, 1000, "mm2", voltages.copper_ohm_per_km),
    ("unit_current_a", 0, 1000, "A", word(voltages.check_voltage_rise, RISE, "unit_current_a")),
    ("voltage_v", 10, 1000, "V", word(voltages.check_voltage_rise, RISE, "voltage_v")),
    ("spacing_m", 0, 100, "m", word(voltages.check_voltage_rise, RISE, "spacing_m")),
    ("run_m", 0, 1000, "m", word(voltages.check_voltage_rise, RISE, "run_m")),
    ("open_circuit_v", 0.1, 500, "V", word(voltages.check_string_voltage, STRING, "open_circuit_v")),
    ("operating_v", 0.1, 500, "V", word(voltages.check_string_voltage, STRING, "operating_v")),
    ("change_per_c", -0.01, 0, "1/K", pair("change_per_c", 0)),
    ("change_per_c", -0.01, 0, "1/K", pair("change_per_c", 1)),
    ("cell_c, coldest", -90, 25, "degC", pair("cell_c", 0)),
    ("cell_c, hottest", 25, 120, "degC", pair("cell_c", 1)),
    ("limit_v", 1, 2000, "V", word(voltages.check_string_voltage, STRING, "limit_v")),
    ("tracker_v, low", 0, 2000, "V", lambda value: pair("tracker_v", 1)(2000) and voltages.check_string_voltage(
        **STRING | {"tracker_v": (value, 2000)})),
    ("tracker_v, high", 200, 2000, "V", pair("tracker_v", 1)),
]  # fmt: skip


@pytest.mark.parametrize("name, low, high, unit, call", NUMBERS, ids=[row[0] for row in NUMBERS])
def test_a_number_is_taken_at_both_ends_and_refused_beyond(name, low, high, unit, call):
    call(low), call(high)
    most = f"{high:,.0f}" if high >= 1e6 else f"{high:g}"
    allowed = f"allowed is a number from {low:g} to {most} {unit}".strip()
    for beyond in (low - abs(low) * 1e-6 - 1e-21, math.nextafter(high, math.inf) + abs(high) * 1e-6):
        with pytest.raises(InputError, match=f"^{re.escape(name)}: found .*, {re.escape(allowed)}$"):
            call(beyond)


WHOLE = [
    ("plane.module_count", 0, 10_000, field(PLANE, "module_count")),
    ("diode_module.sections", 1, 24, field(DiodeModule(), "sections")),
    ("diode_module.cells_per_section", 1, 96, field(DiodeModule(), "cells_per_section")),
    ("layout.rows", 1, 1000, field(ModuleLayout(1, 1), "rows")),
    ("layout.columns", 1, 1000, field(ModuleLayout(1, 1), "columns")),
    ("units", 1, 10_000, lambda value: circuits.check_branch(value, 1.0)),
    ("listed_limit", 1, 10_000, lambda value: circuits.check_branch(1, 1.0, 20, value)),
    ("units", 1, 10_000, word(voltages.check_voltage_rise, RISE, "units")),
    ("modules", 1, 10_000, word(voltages.check_string_voltage, STRING, "modules")),
]


@pytest.mark.parametrize("name, low, high, call", WHOLE, ids=[row[0] for row in WHOLE])
def test_a_whole_number_is_taken_at_both_ends_and_refused_beyond(name, low, high, call):
    call(low), call(high)
    for refused in (low - 1, high + 1, 2.5, True, "2"):
        message = f"{name}: found {refused!r}, allowed is a whole number from {low} to {high}"
        with pytest.raises(InputError, match=f"^{re.escape(message)}$"):
            call(refused)


def test_the_currents_of_a_panelboard_are_each_and_all_within_range():
    assert circuits.check_busbar([0.0], 100, 100)["room_a"] == pytest.approx(20)
    with pytest.raises(InputError, match="^currents_a: found 10001 A, allowed is a number from 0 to 10000 A$"):
        circuits.check_busbar([1.0, 10_001.0], 100, 100)
    with pytest.raises(InputError, match="^currents_a: found -1 A"):
        circuits.check_busbar([-1.0, 5.0], 100, 100)
