"""What partial shade costs, in three numbers kept apart: light, energy with a converter a module, energy of a string.

Light that is lost is lost to both kinds of converter. Only the difference of the other two numbers belongs to the
choice between them. An hour of a year goes: sun -> which cells it reaches -> their curves -> three ways of operating
them; obstacles, rows and trials differ only in which cells the sun reaches. Shaded cells keep the light of sky and
ground; that an obstacle hides part of the sky too, is left out, as is what happens after the modules: converter
losses, and a converter's limit, under which some shade goes unnoticed.
"""

import math
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
import pvlib

from solarlib.quantities import InputError, require
from solarlib.roof.array import behind_glass
from solarlib.roof.cells import DiodeModule, series_power_w
from solarlib.roof.obstacles import ModuleLayout, hidden, in_space, may_hide, usual_layout
from solarlib.roof.parts import cell_temperature
from solarlib.sky.sun import plane_of_array, position

DIM = 1.0  # light on the planes below which nothing is computed. [W/m2]


@dataclass(frozen=True)
class ShadeLoss:
    """Shares lost to shade, of what the same modules do without it, each at its own best point.

    Parameters
    ----------
    light_lost : float
        Of the light on the cells.
    module_loss : float
        With one converter a module.
    string_loss : float
        With one good tracker for the string.
    poor_tracker_loss : float
        With a tracker that stays at the poorest local best point: a bound, not a forecast.
    """

    light_lost: float
    module_loss: float
    string_loss: float
    poor_tracker_loss: float

    @property
    def benefit(self):
        """What converters per module save of the unshaded energy: string loss less module loss."""
        return self.string_loss - self.module_loss

    @property
    def module_gain(self):
        """Energy with a converter per module over that of the string, less one."""
        return (1.0 - self.module_loss) / (1.0 - self.string_loss) - 1.0


def year_loss(hours):
    """Return the three numbers of a year (or of any intervals) from `shade_hours`, each hour at its weight."""
    total = hours.sum()
    if not total["unshaded_w"] > 0:
        raise InputError("hours: found no power, allowed are intervals with some sunlight")
    powers = (1.0 - float(total[name] / total["unshaded_w"]) for name in ("per_module_w", "string_w", "poor_tracker_w"))
    return ShadeLoss(1.0 - float(total["light_left"] / total["light"]), *powers)


def shade_hours(weather, place, system, obstacles, one_string=False):
    """Return what an array gives with and without its obstacles, in each interval.

    Parameters
    ----------
    weather : DataFrame, shape (n, ...)
        As for `array.array_power`.
    place : weather.Place
    system : parts.ArraySystem
        Its planes, rated power and albedo are used; modules lie as in `obstacles.usual_layout`.
    obstacles : sequence, one entry a plane
        Each a tuple of `obstacles.Obstacle` as seen from the middle of that plane; empty for none. Where several
        cover a cell, the darkest counts.
    one_string : bool
        All planes on one tracker; otherwise each plane is a string with its own.

    Returns
    -------
    DataFrame, shape (n, 6)
        light, light_left: mean over all cells, behind the glass, without and with obstacles [W/m2]; unshaded_w,
        per_module_w, string_w, poor_tracker_w: direct-current power of all modules [W]. Losses other than shade and
        heat are not taken.
    """
    planes = system.planes
    if len(obstacles) != len(planes):
        raise InputError(f"obstacles: found {len(obstacles)} entries, allowed is one for each of {len(planes)} planes")
    cells = [usual_layout(plane.module_count).cells() for plane in planes]

    def reached(number, sun):
        places = _places(planes[number], cells[number])
        share = np.ones((len(sun), len(places)))
        for thing in obstacles[number]:
            shaded = hidden(thing, places, sun["azimuth"].to_numpy(), sun["apparent_elevation"].to_numpy())
            np.minimum(share, np.where(shaded, thing.passes, 1.0), out=share)
        return share.reshape(len(sun), *cells[number].shape[:-1])

    module = DiodeModule().scaled_to(system.module.rated_power_w)
    return _hours(weather, place, planes, system.albedo, reached, module, one_string)


def row_hours(weather, place, plane, layout, pitch_m, albedo=0.2):
    """Return what equal rows of the generic module give with and without the shadow of the row in front.

    Parameters
    ----------
    weather, place
        As for `shade_hours`.
    plane : parts.Plane
        Its tilt, azimuth, mounting; its modules are those of the layout.
    layout : obstacles.ModuleLayout
        Each row of it one tilted row; the last row is the front one, which nothing shades.
    pitch_m : float
        Distance of rows, edge to edge, on level ground. [m]
    albedo : float

    Returns
    -------
    DataFrame, shape (n, 6)
        As `shade_hours`, all rows one string. Rows are taken as endless sideways; the sky light that rows hide from
        each other is left out.

    Notes
    -----
    Shaded share of the row's width: pvlib.shading.shaded_fraction1d (`seen`). A cell counts as shaded when its
    middle is.
    """
    if plane.module_count != layout.module_count:
        raise InputError(f"layout: found {layout.module_count} modules, allowed are the plane's {plane.module_count}")
    width = layout.length_m if layout.portrait else layout.width_m
    pitch = require(pitch_m, "pitch_m", width * math.cos(math.radians(plane.surface_tilt)), 100, "m")
    up = layout.cells()[..., 1]
    height = (up - up.mean(axis=(1, 2), keepdims=True)) / width + 0.5  # above the row's lower edge, as a share of it
    behind = np.arange(layout.module_count) // layout.columns < layout.rows - 1

    def reached(_, sun):
        zenith, azimuth = sun["apparent_zenith"].to_numpy(), sun["azimuth"].to_numpy()
        along = plane.surface_azimuth - 90.0
        shaded = pvlib.shading.shaded_fraction1d(
            zenith, azimuth, along, plane.surface_tilt, collector_width=width, pitch=pitch
        )
        return np.where((height < np.asarray(shaded)[:, None, None, None]) & behind[:, None, None], 0.0, 1.0)

    return _hours(weather, place, (plane,), albedo, reached, DiodeModule())


# ---------------------------------------------------------------- one plane, many obstacles tried before it


@dataclass(frozen=True, eq=False)
class OpenYear:
    """A plane's intervals without obstacles, from `open_year`: what `obstacle_hours` starts from."""

    layout: ModuleLayout
    module: DiodeModule
    hours: pd.DataFrame
    light: dict
    sun: tuple
    places: np.ndarray


def open_year(weather, place, system, plane):
    """Return what a plane gives without obstacles in each interval, ready for trials.

    Parameters
    ----------
    weather, place
        As for `shade_hours`.
    system : parts.ArraySystem
        Its rated power and albedo are used.
    plane : parts.Plane

    Returns
    -------
    OpenYear
    """
    layout = usual_layout(plane.module_count)
    one = replace(system, planes=(replace(plane, module_count=1),))  # without shade all modules are alike
    hours = shade_hours(weather, place, one, ((),))
    for name in ("unshaded_w", "per_module_w", "string_w", "poor_tracker_w"):
        hours[name] *= plane.module_count
    solar = position(weather.index, place)
    light = plane_light(weather, solar, plane, system.albedo)
    sun = solar["azimuth"].to_numpy(), solar["apparent_elevation"].to_numpy()
    module = DiodeModule().scaled_to(system.module.rated_power_w)
    return OpenYear(layout, module, hours, light, sun, _places(plane, layout.cells()))


def obstacle_hours(year, obstacle):
    """Return the table of `shade_hours` for one obstacle before the plane, all modules one string.

    Parameters
    ----------
    year : OpenYear
    obstacle : obstacles.Obstacle
        Seen from the middle of the plane.

    Returns
    -------
    DataFrame, shape (n, 6)
        Equal to `shade_hours`; only intervals with some shade are computed anew.
    """
    azimuth, elevation = year.sun
    lit = year.hours["unshaded_w"].to_numpy() > 0
    some = np.flatnonzero(lit & may_hide(obstacle, year.places, azimuth, elevation))
    shaded = hidden(obstacle, year.places, azimuth[some], elevation[some])
    touched = shaded.any(axis=1)
    some, shaded = some[touched], shaded[touched]
    share = np.where(shaded, obstacle.passes, 1.0).reshape(len(some), *year.layout.cells().shape[:-1])
    light = {name: values[some] for name, values in year.light.items()}
    return _filled(year.hours, some, operate([light], [count_kinds(share)], year.module))


# ---------------------------------------------------------------- from light to power


def plane_light(weather, solar, plane, albedo):
    """Return the light behind the glass of a plane that comes from the sun's direction, and the rest; and its heat.

    Parameters
    ----------
    weather, solar
        As for `sun.plane_of_array`.
    plane : parts.Plane
    albedo : float

    Returns
    -------
    dict of arrays, shape (n,)
        direct (beam and the bright ring around the sun), rest, poa_global [W/m2]; temp_cell [degC].
    """
    light = plane_of_array(weather, solar, plane.surface_tilt, plane.surface_azimuth, albedo)
    poa_global, (direct, rest) = light["poa_global"].to_numpy(), behind_glass(light, plane.surface_tilt)
    heat = cell_temperature(poa_global, weather["temp_air"], weather["wind_speed"], plane.mounting)
    return {"direct": direct, "rest": rest, "poa_global": poa_global, "temp_cell": heat}


def count_kinds(shares):
    """Return the distinct shares of direct light, the largest first, and how many cells of each section get them.

    Parameters
    ----------
    shares : array, shape (..., cells)

    Returns
    -------
    kinds : array, shape (l,)
        The whole light, 1, is listed even if no cell has it.
    counts : int array, shape (..., l)
    """
    kinds = np.unique(np.append(shares, 1.0))[::-1]
    return kinds, np.stack([(shares == kind).sum(axis=-1) for kind in kinds], axis=-1)


def operate(lights, shares, module, one_string=False):
    """Return light and power of planes whose cells get given shares of the direct light.

    Parameters
    ----------
    lights : list of dict
        From `plane_light`, one a plane.
    shares : list of (kinds, counts)
        From `count_kinds`, one a plane; counts: array, shape (n, modules, sections, l).
    module : DiodeModule
    one_string : bool

    Returns
    -------
    dict of arrays, shape (n,)
        As the columns of `shade_hours`.
    """
    modules = [counts.shape[1] for _, counts in shares]
    levels = [light["rest"][:, None] + light["direct"][:, None] * kinds for light, (kinds, _) in zip(lights, shares)]
    heats = [np.broadcast_to(light["temp_cell"][:, None], level.shape) for light, level in zip(lights, levels)]
    counts = [part for _, part in shares]
    first = [0] * len(modules)  # the column of each plane's full light
    if one_string:  # one current through all: the levels of all planes side by side
        first = list(np.cumsum([0] + [level.shape[1] for level in levels[:-1]]))
        strings = [(np.concatenate(levels, axis=1), _side_by_side(counts), np.concatenate(heats, axis=1))]
    else:
        strings = list(zip(levels, counts, heats))
    powers = [series_power_w(module, *string) for string in strings]
    of_plane = powers * len(modules) if one_string else powers
    mean = np.array(modules) / sum(modules)
    lit = [(level * part.sum(axis=(1, 2))).sum(axis=1) for level, part in zip(levels, counts)]
    seen = [light / (n * module.cells) for light, n in zip(lit, modules)]
    return {
        "light": sum(share * (light["rest"] + light["direct"]) for share, light in zip(mean, lights)),
        "light_left": sum(share * left for share, left in zip(mean, seen)),
        "unshaded_w": sum(n * power.even_w[:, column] for n, power, column in zip(modules, of_plane, first)),
        "per_module_w": sum(power.apart_w for power in powers),
        "string_w": sum(power.best_w for power in powers),
        "poor_tracker_w": sum(power.poor_w for power in powers),
    }


def _hours(weather, place, planes, albedo, reached, module, one_string=False):
    """Return the table of `shade_hours`; ``reached(number of a plane, sun)`` gives the share that each cell gets."""
    solar = position(weather.index, place)
    lights = [plane_light(weather, solar, plane, albedo) for plane in planes]
    used = np.flatnonzero(sum(light["poa_global"] for light in lights) > DIM)
    some = [{name: values[used] for name, values in light.items()} for light in lights]
    shares = [count_kinds(reached(number, solar.iloc[used])) for number in range(len(planes))]
    table = operate(some, shares, module, one_string)
    return _filled(pd.DataFrame(0.0, weather.index, list(table)), used, table)


def _filled(hours, some, table):
    """Return a copy of hours with the values of some of them put in."""
    result = {name: column.to_numpy(copy=True) for name, column in hours.items()}
    for name, values in table.items():
        result[name][some] = values
    return pd.DataFrame(result, index=hours.index, copy=False)


def _places(plane, cells):
    """Return where cells are, seen from the middle of their plane; see `obstacles.in_space`. [m]"""
    return in_space(cells.reshape(-1, 2), plane.surface_tilt, plane.surface_azimuth)


def _side_by_side(counts):
    """Join the modules of several planes, each with its own levels."""
    ends = np.cumsum([part.shape[-1] for part in counts])
    joined = []
    for part, end in zip(counts, ends):
        wide = np.zeros(part.shape[:-1] + (ends[-1],), dtype=part.dtype)
        wide[..., end - part.shape[-1] : end] = part
        joined.append(wide)
    return np.concatenate(joined, axis=1)
