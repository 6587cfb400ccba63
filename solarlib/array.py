"""From sunlight to alternating current, loss by loss.

Light on the plane -> light through the glass -> heat -> ageing -> the small direct-current losses one by one ->
the converter's limit -> the converter's own loss -> wires and standstill. Left out, because their size is below what
a typical year can promise: the colour of the light, the weaker efficiency of modules in dim light, snow, and shade.
"""

from collections import namedtuple
from dataclasses import dataclass, field, fields
from functools import lru_cache

import numpy as np
import pandas as pd
import pvlib
from scipy.signal import lfilter

from solarlib.quantities import InputError, hours, require
from solarlib.sun import plane_of_array, position

# Heat leaves a module as u0 + u1 * wind [W/m2/K; wind at 10 m in m/s]: Faiman's form (Prog. Photovolt. 16 (2008)
# 307). u0 and u1 join the curves of King, Boyson and Kratochvil, SAND2004-3535 (2004), their cell-to-back step
# included, at 1.4 and 5.4 m/s: rack = open rack glass/polymer, roof = close mount, built in = insulated back (`seen
# and recomputed`, from pvlib's copy of the coefficients). tray = rack divided by 1.25, the ratio of the flat-roof to
# the free-standing coefficient, 0.026 / 0.0208, of Nordmann and Clavadetscher (2003) (`seen` in pvlib's ross).
MOUNTINGS = {"rack": (31.26, 2.64), "roof": (19.14, 1.04), "tray": (25.01, 2.11), "built in": (16.47, 0.88)}

# Time constant of a module's temperature [min]; Jones and Underwood, Solar Energy 70 (2001) 349 (`from memory`).
_HEAT_MIN = 7.0


@dataclass(frozen=True)
class Plane:
    """Modules that face one way.

    Parameters
    ----------
    module_count : int
    surface_tilt, surface_azimuth : float
        0 is flat; azimuth clockwise from north. [deg]
    mounting : str
        "roof" (parallel to a pitched roof, a hand's width above), "rack" (air all round), "tray" (on a flat roof)
        or "built in" (no air behind).
    """

    module_count: int
    surface_tilt: float
    surface_azimuth: float
    mounting: str = "roof"

    def __post_init__(self):
        if isinstance(self.module_count, bool) or not isinstance(self.module_count, (int, np.integer)):
            raise InputError(f"plane.module_count: found {self.module_count!r}, allowed is a whole number from 0 to 10000")
        require(self.module_count, "plane.module_count", 0, 10000)
        require(self.surface_tilt, "plane.surface_tilt", 0, 90, "deg")
        require(self.surface_azimuth, "plane.surface_azimuth", 0, 360, "deg")
        if self.mounting not in MOUNTINGS:
            raise InputError(f"plane.mounting: found {self.mounting!r}, allowed is one of {', '.join(MOUNTINGS)}")


@dataclass(frozen=True)
class Module:
    """A solar module: rated power at 1000 W/m2 and 25 degC [W], and its change per degree [1/K, negative]."""

    rated_power_w: float
    temperature_coefficient_per_c: float = -0.0035

    def __post_init__(self):
        require(self.rated_power_w, "module.rated_power_w", 1, 2000, "W")
        require(self.temperature_coefficient_per_c, "module.temperature_coefficient_per_c", -0.01, 0, "1/K")

    def power_w(self, light, temp_cell):
        """Return the direct-current power for the light behind the glass [W/m2] and the cell temperature [degC]. [W]"""
        warm = 1.0 + self.temperature_coefficient_per_c * (np.asarray(temp_cell, dtype=float) - 25.0)
        return np.maximum(self.rated_power_w / 1000.0 * np.asarray(light, dtype=float) * warm, 0.0)


@dataclass(frozen=True)
class Converter:
    """What turns direct into alternating current.

    Parameters
    ----------
    kind : str
        "per module" (a small one behind each module) or "central" (one for all).
    ac_limit_w : float
        Most power that ONE converter gives; more is clipped. [W]
    efficiency_10, efficiency_50, efficiency_100 : float
        Efficiency at 10, 50 and 100 % of the rated direct-current input, which is
        ac_limit_w / efficiency_100. [-]

    Notes
    -----
    Loss = k0 + k1 p + k2 p^2 of the rated input, p = input / rated input: own consumption, voltage drops and
    resistances (Driesse, Jain and Harrison, IEEE PVSC 2008, the voltage terms left out; `seen` in pvlib's
    inverter.adr, which the tests compare). The three efficiencies fix the three coefficients. The defaults give a
    weighted efficiency near 96.5 % (`common practice, no source`).
    """

    kind: str
    ac_limit_w: float
    efficiency_10: float = 0.945
    efficiency_50: float = 0.970
    efficiency_100: float = 0.965

    def __post_init__(self):
        if self.kind not in ("per module", "central"):
            raise InputError(f"converter.kind: found {self.kind!r}, allowed is one of per module, central")
        require(self.ac_limit_w, "converter.ac_limit_w", 1, 10_000_000, "W")
        for name in ("efficiency_10", "efficiency_50", "efficiency_100"):
            require(getattr(self, name), f"converter.{name}", 0.5, 1)
        p = np.linspace(0.0, 1.0, 101)
        k0, k1, k2 = self.coefficients
        loss = k0 + (k1 + k2 * p) * p
        if k0 < 0 or loss.min() < -1e-12 or np.diff(p - loss).min() < 0:
            raise InputError(
                f"converter.efficiency_10, _50, _100: found {self.efficiency_10:g}, {self.efficiency_50:g}, "
                f"{self.efficiency_100:g}, allowed are three on a curve that neither creates energy nor falls with input"
            )

    @property
    def coefficients(self):
        """k0, k1, k2 of the loss, as shares of the rated input."""
        return _coefficients(self.efficiency_10, self.efficiency_50, self.efficiency_100)

    @property
    def rated_input_w(self):
        """Direct-current power at which the limit is just reached. [W]"""
        return self.ac_limit_w / self.efficiency_100

    def ac_power_w(self, dc_power_w):
        """Return the output of one converter for its input, clipped at the limit; never below 0. [W]"""
        p = np.minimum(np.asarray(dc_power_w, dtype=float) / self.rated_input_w, 1.0)
        k0, k1, k2 = self.coefficients
        # (1-k1-k2*p)*p - k0 is the limit at p = 1 up to rounding, hence the outer minimum.
        return np.minimum(np.maximum(((1.0 - k1) - k2 * p) * p - k0, 0.0) * self.rated_input_w, self.ac_limit_w)


@lru_cache(maxsize=256)
def _coefficients(*efficiencies):
    load = np.array([0.1, 0.5, 1.0])
    loss = load * (1.0 - np.array(efficiencies))
    found = np.linalg.solve(np.vander(load, 3, increasing=True), loss)
    return tuple(float(k) for k in np.where(abs(found) < 1e-12, 0.0, found))  # rounding must not make power at night


@dataclass(frozen=True)
class Losses:
    """Small losses as shares of the power that reaches them, in the order in which they are taken.

    The defaults are `common practice, no source`; a clean, well-wired roof with one converter a module.
    """

    soiling: float = 0.02
    first_light: float = 0.015
    nameplate: float = 0.0
    mismatch: float = 0.005
    dc_wiring: float = 0.005
    ac_wiring: float = 0.01
    availability: float = 0.005

    def __post_init__(self):
        for item in fields(self):
            require(getattr(self, item.name), f"losses.{item.name}", 0, 0.5)


_LOSS_WORDS = {
    "soiling": "dirt on the glass",
    "first_light": "loss of the first hours in the light",
    "nameplate": "below the nameplate",
    "mismatch": "unequal modules",
    "dc_wiring": "direct-current wires",
    "ac_wiring": "alternating-current wires",
    "availability": "standstill",
}
_DC_LOSSES = ("soiling", "first_light", "nameplate", "mismatch", "dc_wiring")
_AC_LOSSES = ("ac_wiring", "availability")


@dataclass(frozen=True)
class ArraySystem:
    """Planes of equal modules with their converters.

    Parameters
    ----------
    planes : tuple of Plane
    module : Module
    converter : Converter
    losses : Losses
    age_years : float
        Age in the simulated year; ageing is (1 - degradation_per_year) ** age_years.
    degradation_per_year : float
        Jordan and Kurtz, Prog. Photovolt. 21 (2013) 12: median of published rates 0.5 % a year (`seen`).
    albedo : float
        Share of light that the ground in front reflects.
    """

    planes: tuple
    module: Module
    converter: Converter
    losses: Losses = field(default_factory=Losses)
    age_years: float = 0.0
    degradation_per_year: float = 0.005
    albedo: float = 0.2

    def __post_init__(self):
        object.__setattr__(self, "planes", tuple(self.planes))
        if self.module_count == 0:
            raise InputError("array.planes: found no module, allowed are one or more modules in one or more planes")
        require(self.age_years, "array.age_years", 0, 60, "years")
        require(self.degradation_per_year, "array.degradation_per_year", 0, 0.1)
        require(self.albedo, "array.albedo", 0, 0.95)

    @property
    def module_count(self):
        """Modules in all planes."""
        return sum(plane.module_count for plane in self.planes)

    @property
    def rated_power_w(self):
        """Rated direct-current power of all modules. [W]"""
        return self.module_count * self.module.rated_power_w


def cell_temperature(poa_global, temp_air, wind_speed, mounting="roof"):
    """Return the steady temperature of the cells: air plus light over what carries the heat away. [degC]

    Parameters
    ----------
    poa_global : array_like
        Light on the plane. [W/m2]
    temp_air : array_like
        [degC]
    wind_speed : array_like
        At 10 m above ground. [m/s]
    mounting : str
        One of `MOUNTINGS`.

    Examples
    --------
    >>> round(float(cell_temperature(1000, 25, 1, "rack")), 1)
    54.5
    """
    if mounting not in MOUNTINGS:
        raise InputError(f"mounting: found {mounting!r}, allowed is one of {', '.join(MOUNTINGS)}")
    u0, u1 = MOUNTINGS[mounting]
    poa, air, wind = (np.asarray(values, dtype=float) for values in (poa_global, temp_air, wind_speed))
    return pvlib.temperature.faiman(poa, air, wind, u0, u1)


# Light and heat of one plane (arrays), and its power per module after each early step. [W/m2, degC, W]
_PlaneRun = namedtuple("_PlaneRun", "poa_global temp_cell in_light behind_glass warm")


def simulate(weather, place, system):
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
    for count, offered, _, given in _conversion(runs, system):
        dc += count * offered
        ac += count * given
    for name in _AC_LOSSES:
        ac = ac * (1.0 - getattr(system.losses, name))
    share = [plane.module_count / system.module_count for plane in system.planes]
    return pd.DataFrame(
        {
            "poa_global": sum(s * run.poa_global for s, run in zip(share, runs)),
            "temp_cell": sum(s * run.temp_cell for s, run in zip(share, runs)),
            "dc_power_w": dc,
            "ac_power_w": ac,
        },
        index=weather.index,
        copy=False,
    )


def loss_steps(weather, place, system):
    """Return the way from sunlight to delivered energy, step by step.

    Parameters
    ----------
    weather, place, system
        As for `simulate`.

    Returns
    -------
    DataFrame
        step: its name; change_kwh: what the step adds (negative: takes away); energy_kwh: what is left after it;
        share: change_kwh as a share of the first row's energy. The first row is the light on the planes times rated
        power per 1000 W/m2; the changes add up to the last energy, which is the sum of `simulate`'s ac_power_w.
    """
    runs = _runs(weather, place, system)
    counts = [plane.module_count for plane in system.planes]
    kwh = float(hours(weather.index)) / 1000.0

    def total(name):
        return kwh * sum(n * float(getattr(run, name).sum()) for n, run in zip(counts, runs))

    left = [("light on the planes at rated efficiency", total("in_light"))]
    left.append(("reflection at the glass", total("behind_glass")))
    left.append(("cell temperature", total("warm")))
    left.append(("ageing", left[-1][1] * _ageing(system)))
    for name in _DC_LOSSES:
        left.append((_LOSS_WORDS[name], left[-1][1] * (1.0 - getattr(system.losses, name))))
    groups = _conversion(runs, system)
    left.append(("limit of the converter", kwh * sum(n * float(taken.sum()) for n, _, taken, _ in groups)))
    left.append(("converter", kwh * sum(n * float(given.sum()) for n, _, _, given in groups)))
    for name in _AC_LOSSES:
        left.append((_LOSS_WORDS[name], left[-1][1] * (1.0 - getattr(system.losses, name))))
    energy = np.array([value for _, value in left])
    change = np.diff(energy, prepend=0.0)
    start = energy[0] if energy[0] > 0 else 1.0
    return pd.DataFrame(
        {"step": [name for name, _ in left], "change_kwh": change, "energy_kwh": energy, "share": change / start}
    )


def _runs(weather, place, system):
    solar = position(weather.index, place)
    return [_run_plane(weather, solar, plane, system) for plane in system.planes]


def _run_plane(weather, solar, plane, system):
    """Return light, heat and power of one module of a plane, up to and including the effect of temperature."""
    light = plane_of_array(weather, solar, plane.surface_tilt, plane.surface_azimuth, system.albedo)
    poa = light["poa_global"].to_numpy()
    sky, ground = _dome_factors(float(plane.surface_tilt))
    beam = pvlib.iam.physical(light["aoi"].to_numpy())
    behind = (
        beam * (light["poa_direct"].to_numpy() + light["poa_circumsolar"].to_numpy())
        + sky * light["poa_isotropic"].to_numpy()
        + ground * light["poa_ground_diffuse"].to_numpy()
    )
    warming = cell_temperature(poa, 0.0, weather["wind_speed"], plane.mounting)
    temp_cell = weather["temp_air"].to_numpy(dtype=float) + _with_inertia(warming, float(hours(weather.index)) * 60.0)
    rated = system.module.rated_power_w
    warm = system.module.power_w(behind, temp_cell)
    return _PlaneRun(poa, temp_cell, rated * poa / 1000.0, rated * behind / 1000.0, warm)


def _with_inertia(warming, step_min):
    """Let a module follow the sun with its own slowness; without it, minutes of sun between clouds look too hot."""
    keep = np.exp(-step_min / _HEAT_MIN)
    if keep < 0.01 or not len(warming):
        return warming
    return lfilter([1.0 - keep], [1.0, -keep], warming, zi=[keep * warming[0]])[0]


def _conversion(runs, system):
    """Return (converters, offered DC, accepted DC, AC) of each group of equal converters, per converter. [W]"""
    factor = _ageing(system)
    for name in _DC_LOSSES:
        factor *= 1.0 - getattr(system.losses, name)
    counts = [plane.module_count for plane in system.planes]
    if system.converter.kind == "per module":
        inputs = [(n, factor * run.warm) for n, run in zip(counts, runs)]
    else:
        inputs = [(1, factor * sum(n * run.warm for n, run in zip(counts, runs)))]
    limit = system.converter.rated_input_w
    return [(n, dc, np.minimum(dc, limit), system.converter.ac_power_w(dc)) for n, dc in inputs]


def _ageing(system):
    return (1.0 - system.degradation_per_year) ** system.age_years


@lru_cache(maxsize=256)
def _dome_factors(surface_tilt):
    """Share of the even sky light and of the ground light that passes the glass.

    Marion, Solar Energy 147 (2017) 344, by pvlib: the beam's law averaged over what the plane sees (`seen`).
    """
    factors = pvlib.iam.marion_diffuse("physical", surface_tilt)
    return float(factors["sky"]), float(factors["ground"])
