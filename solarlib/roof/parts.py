"""What an array is made of: planes of modules, their converters, the small losses; and what one part does alone."""

import math
from collections import Counter
from dataclasses import dataclass, field, fields, replace
from functools import lru_cache

import numpy as np
import pvlib
from numpy.typing import ArrayLike

from solarlib.quantities import check_ranges, one_of, refusal, refuse_if, require
from solarlib.roof.obstacles import ModuleLayout, hidden, in_space, usual_layout
from solarlib.schema import choice, declared, flag, listing, none_or, percent, real, text
from solarlib.sky.sun import plane_of_array

_SHARE, _HEAT = none_or(percent(0.1, 50)), percent(-1, -0.05, "%/degC")  # of a loss; change of power with heat

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
    obstacles : tuple of obstacles.Obstacle
        What hides the sun, as seen from the plane's middle. Where several cover a cell, the darkest counts.
    layout : obstacles.ModuleLayout, optional
        How the modules lie; else as in `obstacles.usual_layout`. It matters for what stands near.
    module, converter : Module and Converter, optional
        Where they are not those of the array. Planes with equal central converters share one.
    row_pitch_m : float, optional
        On level ground, the rows of the layout one behind the other: their distance, edge to edge. Each row then
        shades the next one; they are taken as endless sideways. [m]
    """

    module_count: int
    surface_tilt: float
    surface_azimuth: float
    mounting: str = "roof"
    obstacles: tuple = ()
    layout: ModuleLayout | None = None
    row_pitch_m: float | None = None
    module: "Module | None" = None
    converter: "Converter | None" = None

    def __post_init__(self):
        check_ranges(self, "plane")
        one_of(self.mounting, "plane.mounting", MOUNTINGS)
        count, laid = self.module_count, self.layout.module_count if self.layout else self.module_count
        refuse_if(laid != count, "other_count", "plane.layout", found=laid, count=count)
        if self.row_pitch_m is not None:
            depth = self.row_width_m * math.cos(math.radians(self.surface_tilt))
            require(self.row_pitch_m, "plane.row_pitch_m", depth, 100, "m")
        for thing in self.obstacles:  # each must stand farther away than the farthest cell
            hidden(thing, self.places(self.cells()), np.zeros(1), np.zeros(1))

    @property
    def row_width_m(self):
        """Width of one row of modules, up its slope. [m]"""
        layout = self.layout or usual_layout(self.module_count)
        return layout.length_m if layout.portrait else layout.width_m

    def cells(self, half_cut=False):
        """Return the middles of the cells, whole or cut in halves, as `ModuleLayout.cells`. [m]"""
        return replace(self.layout or usual_layout(self.module_count), half_cut=half_cut).cells()

    def places(self, cells):
        """Return where cells are, seen from the middle of their plane: array, shape (p, 3); see `in_space`. [m]"""
        found = in_space(cells.reshape(-1, 2), self.surface_tilt, self.surface_azimuth)
        if self.row_pitch_m is None:
            return found
        row = cells[..., 1].mean(axis=(1, 2)) / self.row_width_m  # 1 up the slope is one row farther back
        up = in_space(np.array([0.0, self.row_width_m]), self.surface_tilt, self.surface_azimuth)
        back = self.row_pitch_m * in_space(np.array([0.0, 1.0]), 0.0, self.surface_azimuth)
        return found + np.repeat(row, cells[0, ..., 0].size)[:, None] * (back - up)

    def alone(self, module_count):
        """Return a plane of some modules of the array that lie the same way, without what shades this one."""
        return Plane(module_count, self.surface_tilt, self.surface_azimuth, self.mounting)

    @property
    def shaders(self):
        """Names of all that is known to shade it; empty for none."""
        rows = () if self.row_pitch_m is None else ("the rows in front",)
        return (*(thing.name for thing in self.obstacles), *rows)


@dataclass(frozen=True)
class Module:
    """A solar module: rated power at 1000 W/m2 and 25 degC [W], and its change per degree [1/K, negative].

    ``length_m`` and ``width_m`` are its long and short side, the gap to the next included [m]; ``half_cut`` tells
    whether its cells are cut in halves. ``name`` is by which a plane asks for it.
    """

    rated_power_w: float = declared(real(50, 1000, "W"))
    temperature_coefficient_per_c: float = declared(_HEAT, default=-0.0035, key="temperature_coefficient_percent_per_c")
    length_m: float | None = declared(real(0.2, 4, "m"), default=None)
    width_m: float | None = declared(real(0.2, 4, "m"), default=None)
    half_cut: bool = declared(flag(), default=False)
    name: str = declared(text(), default="")

    def __post_init__(self):
        check_ranges(self, "module")

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
    name : str
        By which a plane asks for it.

    Notes
    -----
    Loss = k0 + k1 p + k2 p^2 of the rated input, p = input / rated input: own consumption, voltage drops and
    resistances (Driesse, Jain and Harrison, IEEE PVSC 2008, the voltage terms left out; `seen` in pvlib's
    inverter.adr, which the tests compare). The three efficiencies fix the three coefficients. The defaults
    (`common practice, no source`) give 96.7 % by the Californian and 96.5 % by the European weights.
    """

    kind: str = declared(choice("per module", "central"))
    ac_limit_w: float = declared(real(50, 1_000_000, "W"))
    efficiency_10: float = declared(percent(50, 100), default=0.945, key="efficiency_10_percent")
    efficiency_50: float = declared(percent(50, 100), default=0.970, key="efficiency_50_percent")
    efficiency_100: float = declared(percent(50, 100), default=0.965, key="efficiency_100_percent")
    name: str = declared(text(), default="")

    def __post_init__(self):
        one_of(self.kind, "converter.kind", ("per module", "central"))
        check_ranges(self, "converter")
        p = np.linspace(0.0, 1.0, 101)
        k0, k1, k2 = self.coefficients
        loss = k0 + (k1 + k2 * p) * p
        if k0 < 0 or loss.min() < -1e-12 or np.diff(p - loss).min() < 0:
            told = {"low": self.efficiency_10, "half": self.efficiency_50, "full": self.efficiency_100}
            raise refusal("efficiencies", "converter.efficiency_10, _50, _100", **told)

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

    The defaults are `common practice, no source`; a clean, well-wired roof with one converter a module. Of twelve
    months, ``soiling_by_month`` stands instead of ``soiling`` where it is given, and ``snow_by_month`` is the share
    of the energy that snow on the glass takes.
    """

    soiling: float = declared(_SHARE, default=0.02, key="soiling_percent")
    first_light: float = declared(_SHARE, default=0.015, key="first_light_percent")
    nameplate: float = declared(_SHARE, default=0.0, key="nameplate_percent")
    mismatch: float = declared(_SHARE, default=0.005, key="mismatch_percent")
    dc_wiring: float = declared(_SHARE, default=0.005, key="dc_wiring_percent")
    ac_wiring: float = declared(_SHARE, default=0.01, key="ac_wiring_percent")
    availability: float = declared(_SHARE, default=0.005, key="availability_percent")
    soiling_by_month: tuple = declared(listing(_SHARE, 12), default=(), key="soiling_percent_by_month")
    snow_by_month: tuple = declared(listing(none_or(percent(0.1, 100)), 12), default=(), key="snow_percent_by_month")

    def __post_init__(self):
        for item in fields(self):
            value, by_month = getattr(self, item.name), item.type is tuple
            wrong = by_month and len(value) not in (0, 12)
            refuse_if(wrong, "not_twelve", f"losses.{item.name}", count=np.size(value))
            for one in value if by_month else (value,):
                require(one, f"losses.{item.name}", 0, 1 if "snow" in item.name else 0.5)

    def at(self, name, months):
        """Return a loss in each of an array of months, 1 to 12: an array, or one number for all."""
        by_month = getattr(self, f"{name}_by_month", ())
        return np.array(by_month)[months - 1] if by_month else getattr(self, name, 0.0)


@dataclass(frozen=True)
class ArraySystem:
    """Planes of modules with their converters.

    Parameters
    ----------
    planes : tuple of Plane
    module, converter : Module and Converter
        Of all planes that have none of their own.
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
        refuse_if(self.module_count == 0, "no_module", "array.planes")
        check_ranges(self, "array")

    @property
    def largest_plane(self):
        """The plane with most modules, the first of them."""
        return max(self.planes, key=lambda plane: plane.module_count)

    @property
    def shaded(self):
        """Whether anything is known to shade a plane."""
        return any(plane.shaders for plane in self.planes)

    @property
    def module_count(self):
        """Modules in all planes."""
        return sum(plane.module_count for plane in self.planes)

    @property
    def rated_power_w(self):
        """Rated direct-current power of all modules. [W]"""
        return sum(count * module.rated_power_w for module, count in self.modules.items())

    @property
    def modules(self):
        """How many modules of each kind there are: Module -> count."""
        counts = Counter()
        for plane in self.planes:
            counts[plane.module or self.module] += plane.module_count
        return dict(counts)

    @property
    def groups(self):
        """The planes behind each kind of converter: Converter -> list of Plane."""
        groups = {}
        for plane in self.planes:
            groups.setdefault(plane.converter or self.converter, []).append(plane)
        return groups

    @property
    def converters(self):
        """How many converters of each kind there are: Converter -> count."""
        modules = {one: sum(plane.module_count for plane in planes) for one, planes in self.groups.items()}
        return {one: count if one.kind == "per module" else 1 for one, count in modules.items()}

    def behind_one_w(self, converter):
        """Return the rated power of what stands behind one converter of a kind, each that occurs once. [W]"""
        kinds = [(plane.module_count, (plane.module or self.module).rated_power_w) for plane in self.groups[converter]]
        if converter.kind == "per module":
            return sorted({rated for _, rated in kinds})
        return [sum(count * rated for count, rated in kinds)]

    @property
    def ac_limit_w(self):
        """Most power that all converters give together. [W]"""
        return sum(count * converter.ac_limit_w for converter, count in self.converters.items())

    @property
    def mixed(self):
        """Whether a plane has a kind of module or converter of its own."""
        return any(plane.module or plane.converter for plane in self.planes)


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


def plane_light(weather, solar, plane, albedo):
    """Return the light behind the glass of a plane that comes from the sun's direction, and the rest; and its heat.

    Parameters
    ----------
    weather, solar
        As for `sun.plane_of_array`.
    plane : Plane
    albedo : float

    Returns
    -------
    dict of arrays, shape (n,)
        direct (beam and the bright ring around the sun), rest, poa_global [W/m2]; temp_cell [degC].
    """
    light = plane_of_array(weather, solar, plane.surface_tilt, plane.surface_azimuth, albedo)
    part = {name: column.to_numpy() for name, column in light.items()}
    sky, ground = _dome_factors(float(plane.surface_tilt))
    direct = pvlib.iam.physical(part["aoi"]) * (part["poa_direct"] + part["poa_circumsolar"])
    rest = sky * part["poa_isotropic"] + ground * part["poa_ground_diffuse"]
    heat = cell_temperature(part["poa_global"], weather["temp_air"], weather["wind_speed"], plane.mounting)
    return {"direct": direct, "rest": rest, "poa_global": part["poa_global"], "temp_cell": heat}


@lru_cache(maxsize=256)
def _dome_factors(surface_tilt):
    """Share of the even sky light and of the ground light that passes the glass.

    Marion, Solar Energy 147 (2017) 344, by pvlib: the beam's law averaged over what the plane sees (`seen`).
    """
    factors = pvlib.iam.marion_diffuse("physical", surface_tilt)
    return float(factors["sky"]), float(factors["ground"])
