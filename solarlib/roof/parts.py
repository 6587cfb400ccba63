"""What an array is made of: planes of modules, their converters, the small losses; and what one part does alone."""

from dataclasses import dataclass, field, fields
from functools import lru_cache

import numpy as np
import pvlib
from numpy.typing import ArrayLike

from solarlib.quantities import InputError, one_of, require, whole_number

# Heat leaves a module as u0 + u1 * wind [W/m2/K; wind at 10 m in m/s]: Faiman's form (Prog. Photovolt. 16 (2008)
# 307). u0 and u1 join the curves of King, Boyson and Kratochvil, SAND2004-3535 (2004), their cell-to-back step
# included, at 1.4 and 5.4 m/s: rack = open rack glass/polymer, roof = close mount, built in = insulated back (`seen
# and recomputed`, from pvlib's copy of the coefficients). tray = rack divided by 1.25, the ratio of the flat-roof to
# the free-standing coefficient, 0.026 / 0.0208, of Nordmann and Clavadetscher (2003) (`seen` in pvlib's ross).
MOUNTINGS = {"rack": (31.26, 2.64), "roof": (19.14, 1.04), "tray": (25.01, 2.11), "built in": (16.47, 0.88)}


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
        whole_number(self.module_count, "plane.module_count", 0, 10000)
        require(self.surface_tilt, "plane.surface_tilt", 0, 90, "deg")
        require(self.surface_azimuth, "plane.surface_azimuth", 0, 360, "deg")
        one_of(self.mounting, "plane.mounting", MOUNTINGS)


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
    inverter.adr, which the tests compare). The three efficiencies fix the three coefficients. The defaults
    (`common practice, no source`) give 96.7 % by the Californian and 96.5 % by the European weights.
    """

    kind: str
    ac_limit_w: float
    efficiency_10: float = 0.945
    efficiency_50: float = 0.970
    efficiency_100: float = 0.965

    def __post_init__(self):
        one_of(self.kind, "converter.kind", ("per module", "central"))
        require(self.ac_limit_w, "converter.ac_limit_w", 1, 10_000_000, "W")
        for name in ("efficiency_10", "efficiency_50", "efficiency_100"):
            require(getattr(self, name), f"converter.{name}", 0.5, 1)
        p = np.linspace(0.0, 1.0, 101)
        k0, k1, k2 = self.coefficients
        loss = k0 + (k1 + k2 * p) * p
        if k0 < 0 or loss.min() < -1e-12 or np.diff(p - loss).min() < 0:
            found = f"{self.efficiency_10:g}, {self.efficiency_50:g}, {self.efficiency_100:g}"
            allowed = "three on a curve that neither creates energy nor falls with input"
            raise InputError(f"converter.efficiency_10, _50, _100: found {found}, allowed are {allowed}")

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


def cell_temperature(
    poa_global: ArrayLike, temp_air: ArrayLike, wind_speed: ArrayLike, mounting: str = "roof"
) -> np.ndarray:
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
    u0, u1 = MOUNTINGS[one_of(mounting, "mounting", MOUNTINGS)]
    poa, air, wind = (np.asarray(values, dtype=float) for values in (poa_global, temp_air, wind_speed))
    return pvlib.temperature.faiman(poa, air, wind, u0, u1)
