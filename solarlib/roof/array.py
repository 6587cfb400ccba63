"""From sunlight to alternating current, loss by loss.

Light on the plane -> light through the glass -> heat -> shade, where the planes tell of any -> ageing -> the small
direct-current losses one by one -> the converter's limit -> the converter's own loss -> wires and standstill. Left
out, because their size is below what a typical year can promise: the colour of the light, the weaker efficiency of
modules in dim light, and snow where none is told.
"""

from collections import namedtuple

import numpy as np
import pandas as pd
from scipy.signal import lfilter

from solarlib.quantities import hours, texts_beside
from solarlib.roof.parts import ArraySystem, plane_light
from solarlib.roof.shade import kept_shares
from solarlib.sky.sun import position
from solarlib.sky.weather import Place

# Time constant of a module's temperature [min]; Jones and Underwood, Solar Energy 70 (2001) 349 (`from memory`).
_HEAT_MIN = 7.0

_DC_LOSSES, _AC_LOSSES = texts_beside(__file__, "steps").values()

# Light and heat of one plane (arrays), and its power per module after each early step. [W/m2, degC, W]
_PlaneRun = namedtuple("_PlaneRun", "poa_global temp_cell in_light behind_glass warm left")


def array_power(weather: pd.DataFrame, place: Place, system: ArraySystem) -> pd.DataFrame:
    """Return what the array makes in each interval.

    Parameters
    ----------
    weather : DataFrame, shape (n, ...)
        ghi, dni, dhi [W/m2], temp_air [degC], wind_speed [m/s]; regular aware index, START labels; hourly or finer.
        Hours hide short peaks: clipping from hourly weather is a lower bound.
    place : weather.Place
    system : ArraySystem

    Returns
    -------
    DataFrame, shape (n, 4)
        poa_global [W/m2] and temp_cell [degC], means over all modules; dc_power_w, what the modules offer after
        all direct-current losses, and ac_power_w, what reaches the house; whole system. [W]
    """
    runs = _runs(weather, place, system)
    dc, ac = np.zeros(len(weather)), np.zeros(len(weather))
    for count, offered, _, given in _conversion(runs, system, weather.index.month):
        dc += count * offered
        ac += count * given
    for name in _AC_LOSSES:
        ac = ac * (1.0 - getattr(system.losses, name))
    share = [plane.module_count / system.module_count for plane in system.planes]
    light, heat = (sum(s * getattr(run, name) for s, run in zip(share, runs)) for name in ("poa_global", "temp_cell"))
    table = {"poa_global": light, "temp_cell": heat, "dc_power_w": dc, "ac_power_w": ac}
    return pd.DataFrame(table, index=weather.index, copy=False)


def loss_steps(weather, place, system):
    """Return the way from sunlight to delivered energy, step by step.

    Parameters
    ----------
    weather, place, system
        As for `array_power`.

    Returns
    -------
    DataFrame
        step: its name; change_kwh: what the step adds (negative: takes away); energy_kwh: what is left after it;
        share: change_kwh as a share of the first row's energy. The first row is the light on the planes times rated
        power per 1000 W/m2; the changes add up to the last energy, which is the sum of `array_power`'s ac_power_w.
    """
    runs = _runs(weather, place, system)
    counts = [plane.module_count for plane in system.planes]
    kwh = float(hours(weather.index)) / 1000.0

    def total(name):
        return kwh * sum(n * float(getattr(run, name).sum()) for n, run in zip(counts, runs))

    left = {
        "light on the planes at rated efficiency": total("in_light"),
        "reflection at the glass": total("behind_glass"),
        "cell temperature": total("warm"),
        **({"shade": total("left")} if system.shaded else {}),
        "ageing": total("left") * _ageing(system),
    }
    power = kwh * _ageing(system) * sum(n * run.left for n, run in zip(counts, runs))
    for name, words in _DC_LOSSES.items():
        power = power * (1.0 - system.losses.at(name, weather.index.month))
        if name != "snow" or system.losses.snow_by_month:
            left[words] = float(power.sum())
    groups = _conversion(runs, system, weather.index.month)
    left["limit of the converter"] = kwh * sum(n * float(taken.sum()) for n, _, taken, _ in groups)
    left["converter"] = kwh * sum(n * float(given.sum()) for n, _, _, given in groups)
    for name, words in _AC_LOSSES.items():
        left[words] = [*left.values()][-1] * (1.0 - getattr(system.losses, name))
    energy = np.array([*left.values()])
    change = np.diff(energy, prepend=0.0)
    share = change / (energy[0] if energy[0] > 0 else 1.0)
    return pd.DataFrame({"step": [*left], "change_kwh": change, "energy_kwh": energy, "share": share})


def _runs(weather, place, system):
    """Return light, heat and power of one module of each plane, up to and including the effect of shade."""
    solar, step_min = position(weather.index, place), float(hours(weather.index)) * 60.0
    air = weather["temp_air"].to_numpy(dtype=float)
    lights = [plane_light(weather, solar, plane, system.albedo) for plane in system.planes]
    runs = []
    for plane, light, kept in zip(system.planes, lights, kept_shares(lights, solar, system, step_min)):
        module = plane.module or system.module
        poa, behind, rated = light["poa_global"], light["direct"] + light["rest"], module.rated_power_w
        heat = air + _with_inertia(light["temp_cell"] - air, step_min)
        warm = module.power_w(behind, heat)
        runs.append(_PlaneRun(poa, heat, rated * poa / 1000.0, rated * behind / 1000.0, warm, warm * kept))
    return runs


def _with_inertia(warming, step_min):
    """Let a module follow the sun with its own slowness; without it, minutes of sun between clouds look too hot."""
    keep = np.exp(-step_min / _HEAT_MIN)
    if keep < 0.01 or not len(warming):
        return warming
    return lfilter([1.0 - keep], [1.0, -keep], warming, zi=[keep * warming[0]])[0]


def _conversion(runs, system, months):
    """Return (converters, offered DC, accepted DC, AC) of each group of equal converters, per converter. [W]"""
    factor = _ageing(system)
    for name in _DC_LOSSES:
        factor = factor * (1.0 - system.losses.at(name, months))
    made = [(p.converter or system.converter, p.module_count, factor * r.left) for p, r in zip(system.planes, runs)]
    inputs = [row for row in made if row[0].kind == "per module"]
    for one in system.converters:
        if one.kind == "central":
            inputs.append((one, 1, sum(n * dc for other, n, dc in made if other == one)))
    return [(n, dc, np.minimum(dc, one.rated_input_w), one.ac_power_w(dc)) for one, n, dc in inputs]


def _ageing(system):
    return (1.0 - system.degradation_per_year) ** system.age_years
