"""A year of the worked array against pvlib's ModelChain: same energy within 0.5 %, in less time.

Run ``python tests/benchmarks/bench_array.py`` for the figures, or give this file to pytest.

The reference takes from this library only its inputs: the weather table, and numbers such as u0, u1, k0 ... k2.
Sun, transposition (Hay and Davies), incidence (physical), cell temperature (Faiman), converter curve and limit (adr)
are ModelChain's own; a linear module without a product's name is no model of pvlib, so three lines here are the
callable. One difference is left in on purpose: ModelChain lowers all sky and ground light by one factor (FD, taken
here from pvlib's iam.marion_diffuse for the sky), this library treats ground and circumsolar light apart.
"""

import time
import warnings

import pandas as pd
import pvlib
from pvlib.location import Location
from pvlib.modelchain import ModelChain
from pvlib.pvsystem import Array, FixedMount, PVSystem

from solarlib.roof.array import array_power
from solarlib.roof.parts import MOUNTINGS, ArraySystem, Converter, Losses, Module, Plane
from solarlib.sky import sun
from solarlib.sky.weather import Place, read_weather

PLACE = Place("Greensboro climate", 36.1, -79.95, "America/New_York", 273.0)
WEATHER_FILE = "723170TYA.CSV"
SYSTEM = ArraySystem(
    planes=(Plane(10, 27, 200, "roof"), Plane(5, 27, 110, "roof")),
    module=Module(430.0, -0.0034),
    converter=Converter("per module", 366.0),
    losses=Losses(),
)


def chains(place=PLACE, system=SYSTEM):
    """Return one ModelChain of a single module with its converter for each plane, and the module counts."""
    k0, k1, k2 = system.converter.coefficients
    rated, per_c, losses = system.module.rated_power_w, system.module.temperature_coefficient_per_c, system.losses
    share = 1.0
    for part in (losses.soiling, losses.first_light, losses.nameplate, losses.mismatch, losses.dc_wiring):
        share *= 1.0 - part

    def linear_module(chain):
        heat = 1.0 + per_c * (chain.results.cell_temperature - 25.0)
        power = share * rated * chain.results.effective_irradiance / 1000.0 * heat
        chain.results.dc = pd.DataFrame({"p_mp": power, "v_mp": 40.0})
        return chain

    inverter = dict(
        Pnom=system.converter.rated_input_w,
        Pacmax=system.converter.ac_limit_w,
        Pnt=0.0,
        Vnom=40.0,
        Vmax=60.0,
        Vmin=20.0,
        Vdcmax=60.0,
        MPPTHi=60.0,
        MPPTLow=20.0,
        ADRCoefficients=[k0, k1, k2, 0, 0, 0, 0, 0, 0],
    )
    made = []
    for plane in system.planes:
        u0, u1 = MOUNTINGS[plane.mounting]
        array = Array(
            FixedMount(plane.surface_tilt, plane.surface_azimuth),
            albedo=system.albedo,
            module_parameters={"FD": float(pvlib.iam.marion_diffuse("physical", plane.surface_tilt)["sky"])},
            temperature_model_parameters={"u0": u0, "u1": u1},
        )
        location = Location(place.latitude, place.longitude, place.tz, place.altitude_m)
        made.append(
            ModelChain(
                PVSystem([array], inverter_parameters=inverter),
                location,
                transposition_model="haydavies",
                solar_position_method="nrel_numpy",
                dc_model=linear_module,
                ac_model="adr",
                aoi_model="physical",
                spectral_model="no_loss",
                temperature_model="faiman",
                losses_model="no_loss",
            )
        )
    return made, [plane.module_count for plane in system.planes]


def reference_kwh(weather, place=PLACE, system=SYSTEM):
    """Return the year's AC energy by ModelChain. [kWh]"""
    middle = weather.set_axis(weather.index + pd.Timedelta(minutes=30))  # ModelChain takes the sun at the label
    after = (1.0 - system.losses.ac_wiring) * (1.0 - system.losses.availability)
    total = 0.0
    with warnings.catch_warnings():  # ModelChain asks pandas for a name that pandas is about to drop
        warnings.simplefilter("ignore", DeprecationWarning)
        for chain, count in zip(*chains(place, system)):
            chain.run_model(middle)
            total += count * after * float(chain.results.ac.fillna(0.0).sum()) / 1000.0
    return total


def best_s(run, repeats):
    """Return the least wall time of several runs. [s]"""
    times = []
    for _ in range(repeats):
        start = time.perf_counter()
        run()
        times.append(time.perf_counter() - start)
    return min(times)


def measure(repeats=5):
    """Return our energy, the reference's [kWh], and the times of both: first run of ours, later ones, reference [s]."""
    weather = read_weather(WEATHER_FILE, PLACE)
    sun._position.cache_clear()
    first = best_s(lambda: array_power(weather, PLACE, SYSTEM), 1)
    ours_s = best_s(lambda: array_power(weather, PLACE, SYSTEM), repeats)
    reference_s = best_s(lambda: reference_kwh(weather), repeats)
    ours = float(array_power(weather, PLACE, SYSTEM)["ac_power_w"].sum()) / 1000.0
    return ours, reference_kwh(weather), first, ours_s, reference_s


def test_same_energy_and_faster():
    ours, reference, _, ours_s, reference_s = measure(3)
    assert abs(ours / reference - 1.0) < 0.005  # the project's bar
    assert ours_s < reference_s


def test_a_year_of_one_plane_takes_at_most_15_ms():
    weather = read_weather(WEATHER_FILE, PLACE)
    one = ArraySystem(SYSTEM.planes[:1], SYSTEM.module, SYSTEM.converter)
    array_power(weather, PLACE, one)
    assert best_s(lambda: array_power(weather, PLACE, one), 7) < 0.015


if __name__ == "__main__":
    ours, reference, first, ours_s, reference_s = measure()
    print(
        f"energy: {ours:.1f} kWh here, {reference:.1f} kWh by ModelChain: ratio {ours / reference:.5f} (bar 1 +- 0.005)"
    )
    print(
        f"time: {1e3 * ours_s:.1f} ms with the sun cached ({1e3 * first:.1f} ms the first time), ModelChain "
        f"{1e3 * reference_s:.1f} ms: {reference_s / ours_s:.0f} times as long"
    )
