"""How many modules a rectangular roof plane has room for on a plan, with strips and rectangles kept free."""

import math
from dataclasses import dataclass
from itertools import product

import numpy as np

from solarlib.quantities import check_ranges, refuse_if, require

_SAME_M = 1e-6  # lengths that differ by less are the same: rounding of the computer, not of the roof


@dataclass(frozen=True)
class RoofPlane:
    """A rectangular roof plane as seen from in front of it; (0, 0) is its lower left corner.

    Parameters
    ----------
    along_eave_m, up_slope_m : float
        Size of the plane itself, not of its plan; see `up_slope_m`. [m]
    clear_ridge_m, clear_eave_m, clear_left_m, clear_right_m : float
        Strips kept free at the edges. The reader enters them: fire codes differ from place to place. [m]
    taken : tuple of (left, low, right, high)
        Rectangles that no module may reach into, the room around a chimney, vent or window included. [m]

    Raises
    ------
    InputError
        Sizes outside 0.5 to 200 m, a negative strip, a rectangle that is none or lies outside the plane.
    """

    along_eave_m: float
    up_slope_m: float
    clear_ridge_m: float = 0.0
    clear_eave_m: float = 0.0
    clear_left_m: float = 0.0
    clear_right_m: float = 0.0
    taken: tuple = ()

    def __post_init__(self):
        check_ranges(self, "roof")
        try:
            taken = tuple(tuple(float(edge) for edge in box) for box in self.taken)
        except (TypeError, ValueError):
            taken = ((),)
        wide, high = self.along_eave_m, self.up_slope_m
        inside = all(len(b) == 4 and 0 <= b[0] < b[2] <= wide and 0 <= b[1] < b[3] <= high for b in taken)
        refuse_if(not inside, "taken_out", "roof.taken", taken=self.taken, wide=wide, high=high)
        object.__setattr__(self, "taken", taken)

    @property
    def free(self):
        """The plane without its strips: (left, low, right, high); nothing is left where right is below left. [m]"""
        right, top = self.along_eave_m - self.clear_right_m, self.up_slope_m - self.clear_ridge_m
        return self.clear_left_m, self.clear_eave_m, right, top


@dataclass(frozen=True)
class Fit:
    """Modules on a plane: upright (long side up the slope) or not, and each one's (left, low, right, high). [m]"""

    upright: bool
    modules: tuple

    @property
    def count(self):
        """How many there are."""
        return len(self.modules)

    @property
    def way(self):
        """In a word: upright or sideways."""
        return "upright" if self.upright else "sideways"


def up_slope_m(depth_on_plan_m: float, surface_tilt: float) -> float:
    """Return the length up the slope of a plane whose depth is taken from a plan, that is seen from straight above.

    Parameters
    ----------
    depth_on_plan_m : float
        [m]
    surface_tilt : float
        [deg]
    """
    depth = require(depth_on_plan_m, "depth_on_plan_m", 0.1, 200, "m")
    return depth / math.cos(math.radians(require(surface_tilt, "surface_tilt", 0, 80, "deg")))


def pitch_without_shade(
    width_m: float, surface_tilt: float, surface_azimuth: float, solar_azimuth: float, solar_elevation: float
) -> float:
    """Return the distance of rows, front edge to front edge, at which a shadow just reaches the next row.

    Parameters
    ----------
    width_m : float
        Of a row, up its slope. [m]
    surface_tilt, surface_azimuth, solar_azimuth, solar_elevation : float
        [deg]

    Returns
    -------
    float
        width (cos tilt + sin tilt cos(azimuth difference) / tan(elevation)); never less than the row's own depth.
        [m] Width over pitch is the ground-cover ratio.
    """
    width = require(width_m, "width_m", 0.1, 10, "m")
    tilt = math.radians(require(surface_tilt, "surface_tilt", 0, 90, "deg"))
    sun = require(solar_azimuth, "solar_azimuth", -360, 720, "deg")
    turn = math.radians(sun - require(surface_azimuth, "surface_azimuth", -360, 720, "deg"))
    up = math.radians(require(solar_elevation, "solar_elevation", 0.1, 90, "deg"))
    return width * (math.cos(tilt) + math.sin(tilt) * max(math.cos(turn), 0.0) / math.tan(up))


def fit_modules(
    roof: RoofPlane, module_length_m: float, module_width_m: float, upright: bool | None = None, gap_m: float = 0.02
) -> Fit:
    """Lay a straight grid of modules on a roof plane, at the place where most of them have room.

    Parameters
    ----------
    roof : RoofPlane
    module_length_m, module_width_m : float
        Long and short side, from the data sheet. [m]
    upright : bool, optional
        True: long side up the slope; False: along the eave; None: the way of which more fit, upright if both are equal.
    gap_m : float
        Between neighbours, for the clamps (2 cm: `common practice, no source`). Trays on a flat roof need more between
        rows: see `pitch_without_shade`. [m]

    Returns
    -------
    Fit
        Modules may reach up to a strip or a taken rectangle, not into it.

    Raises
    ------
    InputError
        Impossible sizes; a short side that is longer than the long one.

    Notes
    -----
    No other place of this one grid holds more: a grid of most modules can be pushed left and down until a module meets
    the edge of the free area or of a taken rectangle, and all such places are tried. So more room kept free never gives
    more modules. But the count is neither the most that a roof can hold nor a promise. A designer may place more (both
    ways mixed, rows that step aside at a chimney) and often places fewer (rafters, feet, edges in the wind, wiring,
    the local code). It says nothing about load, wind or whether the strips are wide enough.
    """
    length = require(module_length_m, "module_length_m", 0.2, 4, "m")
    width = require(module_width_m, "module_width_m", 0.2, length, "m")
    gap = require(gap_m, "gap_m", 0, 5, "m")
    if upright is None:
        return max((fit_modules(roof, length, width, way, gap) for way in (True, False)), key=lambda fit: fit.count)
    refuse_if(not isinstance(upright, (bool, np.bool_)), "which_way", "upright", upright=upright)
    wide, high = (width, length) if upright else (length, width)
    left, low, right, top = roof.free
    best = np.empty((0, 4))
    starts = product({left, *(box[2] for box in roof.taken)}, {low, *(box[3] for box in roof.taken)})
    for x, y in sorted(starts):  # sorted: of equally good places always the same one
        columns, rows = _places(x, left, right, wide, gap), _places(y, low, top, high, gap)
        grid = np.stack(np.meshgrid(columns, rows), axis=-1).reshape(-1, 2)
        modules = np.hstack([grid, grid + [wide, high]])
        modules = modules[~_reach_into(modules, roof.taken)]
        if len(modules) > len(best):
            best = modules
    return Fit(bool(upright), tuple(map(tuple, best.tolist())))


def _places(start, low, high, size, gap):
    """Return where pieces begin that lie between two edges, in steps that meet ``start``."""
    step = size + gap
    first = math.ceil((low - start - _SAME_M) / step)
    last = math.floor((high - size - start + _SAME_M) / step)
    return start + step * np.arange(first, last + 1)


def _reach_into(modules, taken):
    """Tell for each module whether it shares area with any of the rectangles."""
    hit = np.zeros(len(modules), bool)
    for left, low, right, high in taken:
        beside = (modules[:, 2] <= left + _SAME_M) | (modules[:, 0] >= right - _SAME_M)
        hit |= ~(beside | (modules[:, 3] <= low + _SAME_M) | (modules[:, 1] >= high - _SAME_M))
    return hit
