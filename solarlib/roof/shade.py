"""What partial shade costs, in three numbers kept apart: light, energy with a converter a module, energy of a string.

Light that is lost is lost to both kinds of converter. Only the difference of the other two numbers belongs to the
choice between them. An hour of a year goes: sun -> which cells it reaches -> their curves -> two ways of operating
them; obstacles, rows and trials differ only in which cells the sun reaches. Shaded cells keep the light of sky and
ground; that an obstacle hides part of the sky too, is left out, as is what happens after the modules: converter
losses, and a converter's limit, under which some shade goes unnoticed.
"""

from dataclasses import dataclass, replace
from hashlib import sha256

import numpy as np
import pandas as pd
import pvlib

from solarlib.quantities import refuse_if
from solarlib.roof.cells import DiodeModule, series_power_w
from solarlib.roof.obstacles import hidden, may_hide
from solarlib.roof.parts import plane_light
from solarlib.sky.sun import position

DIM = 1.0  # light on the planes below which nothing is computed. [W/m2]
_COARSE_MIN = 10.0  # the sun goes 2.5 degrees in it
_CELLS_AT_ONCE = 2**15  # modules times instants, which keeps a year of minutes small
_MOST_KNOWN = 12
_KNOWN: dict[bytes, np.ndarray] = {}  # what planes kept, by all that it hangs on: dirt, age or a limit are not among it
_COLUMNS = ("light", "light_left", "unshaded_w", "per_module_w", "string_w")


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
    """

    light_lost: float
    module_loss: float
    string_loss: float

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
    refuse_if(not total["unshaded_w"] > 0, "no_power_in", "hours")
    powers = (1.0 - float(total[name] / total["unshaded_w"]) for name in ("per_module_w", "string_w"))
    return ShadeLoss(1.0 - float(total["light_left"] / total["light"]), *powers)


def shade_hours(weather, place, system, obstacles, one_string=False):
    """Return what an array gives with and without its obstacles, in each interval.

    Parameters
    ----------
    weather : DataFrame, shape (n, ...)
        As for `array.array_power`.
    place : weather.Place
    system : parts.ArraySystem
        Its planes, module and albedo are used.
    obstacles : sequence, one entry a plane
        Each a tuple of `obstacles.Obstacle` as seen from the middle of that plane, instead of its own; empty for none.
    one_string : bool
        All planes on one tracker; otherwise each plane is a string with its own.

    Returns
    -------
    DataFrame, shape (n, 5)
        light, light_left: mean over all cells, behind the glass, without and with obstacles [W/m2]; unshaded_w,
        per_module_w, string_w: direct-current power of all modules [W]. Losses other than shade and
        heat are not taken.
    """
    found, count = len(obstacles), len(system.planes)
    refuse_if(found != count, "entries", "obstacles", found=found, count=count)
    planes = [replace(plane, obstacles=tuple(things)) for plane, things in zip(system.planes, obstacles)]
    return _hours(weather, place, planes, system.albedo, _curves(system.module), one_string)


def _curves(module):
    """Return the generic module with the rated power and the kind of cells of a `parts.Module`."""
    return DiodeModule(halves=1 + module.half_cut).scaled_to(module.rated_power_w)


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
    DataFrame, shape (n, 5)
        As `shade_hours`, all rows one string; see `parts.Plane`, row_pitch_m.
    """
    return _hours(weather, place, [replace(plane, layout=layout, row_pitch_m=pitch_m)], albedo, DiodeModule())


def kept_shares(lights, solar, system, step_min):
    """Return which share of its power each plane keeps behind what shades it, by the modules' own curves.

    Parameters
    ----------
    lights : list of dict
        From `parts.plane_light`, one a plane.
    solar : DataFrame, shape (n, ...)
        From `sun.position`.
    system : parts.ArraySystem
        With a central converter each plane is one string with a good tracker of its own.
    step_min : float
        Of the intervals; in steps below 10 minutes the share is that of the mean light of 10 minutes. [min]

    Returns
    -------
    list of arrays, shape (n,)
        [0 to 1] A mean of the plane's modules: that some of them are at their converter's limit is left out.
    """
    kept = []
    for plane, light in zip(system.planes, lights):
        module = _curves(plane.module or system.module)
        column = "string_w" if (plane.converter or system.converter).kind == "central" else "per_module_w"
        arrays = solar.index.asi8, solar["azimuth"].to_numpy(), *light.values()
        facts = repr((plane, module, column, step_min)).encode(), *(values.tobytes() for values in arrays)
        key = sha256(b"".join(facts)).digest()
        if plane.shaders and key not in _KNOWN:
            if len(_KNOWN) >= _MOST_KNOWN:
                del _KNOWN[next(iter(_KNOWN))]
            _KNOWN[key] = _kept_share(light, solar, plane, module, column, step_min)
        kept.append(_KNOWN[key] if plane.shaders else np.ones(len(solar)))
    return kept


def _kept_share(light, solar, plane, module, column, step_min):
    """Return what `kept_shares` does, of one plane."""
    n, block = len(solar), max(1, round(_COARSE_MIN / step_min))
    starts = np.arange(0, n, block)
    share, sizes = np.ones(len(starts)), np.diff(np.append(starts, n))
    means = {name: np.add.reduceat(values, starts) / sizes for name, values in light.items()}
    for some, part in _shaded([means], solar.iloc[np.minimum(starts + block // 2, n - 1)], [plane], module):
        share[some] = np.divide(part[column], part["unshaded_w"], out=share[some], where=part["unshaded_w"] > 0)
    return np.minimum(np.repeat(share, block)[:n], 1.0)  # not 1 + 2e-16 where all cells are in the shade


# ---------------------------------------------------------------- which cells the sun reaches


def _shaded(lights, solar, planes, module, one_string=False):
    """Yield (rows, table of `operate`) for the lit rows in which some cell lacks light; with one string, all lit."""
    azimuth, elevation = solar["azimuth"].to_numpy(), solar["apparent_elevation"].to_numpy()
    some = np.full(len(solar), one_string)
    for plane in planes:
        places = plane.places(plane.cells())
        some |= np.any([may_hide(thing, places, azimuth, elevation) for thing in plane.obstacles], axis=0)
        some |= _row_shadow(plane, solar) > 0
    rows = np.flatnonzero(some & _lit(lights))
    at_once = max(1, _CELLS_AT_ONCE // sum(plane.module_count for plane in planes))
    for start in range(0, len(rows), at_once):
        part = rows[start : start + at_once]
        shares = [_reached(plane, solar.iloc[part], module.halves == 2) for plane in planes]
        less = np.any([(share < 1.0).any(axis=(1, 2, 3)) for share in shares], axis=0) | one_string
        if less.any():
            kinds = [count_kinds(share[less]) for share in shares]
            yield part[less], operate([_at(light, part[less]) for light in lights], kinds, module, one_string)


def _lit(lights):
    return sum(light["poa_global"] for light in lights) > DIM


def _at(light, rows):
    return {name: values[rows] for name, values in light.items()}


def _reached(plane, sun, half_cut):
    """Return the share of the direct light that each cell of a plane gets: (n, modules, sections, cells)."""
    cells = plane.cells(half_cut)
    azimuth, elevation = sun["azimuth"].to_numpy(), sun["apparent_elevation"].to_numpy()
    share = np.ones((len(sun), cells[..., 0].size))
    for thing in plane.obstacles:
        passes = thing.passes_in(sun.index.month)[:, None]
        np.minimum(share, np.where(hidden(thing, plane.places(cells), azimuth, elevation), passes, 1.0), out=share)
    share = share.reshape(len(sun), *cells.shape[:-1])
    if plane.row_pitch_m is not None:
        up = cells[..., 1]
        row = up.mean(axis=(1, 2), keepdims=True)
        height = (up - row) / plane.row_width_m + 0.5  # from the row's lower edge
        behind = row > row.min() + plane.row_width_m / 2.0  # not in the front row
        share[(height < _row_shadow(plane, sun)[:, None, None, None]) & behind] = 0.0
    return share


def _row_shadow(plane, sun):
    """Return which share of its width the row in front shades, from below: pvlib.shading.shaded_fraction1d (`seen`)."""
    if plane.row_pitch_m is None:
        return np.zeros(len(sun))
    where = sun["apparent_zenith"].to_numpy(), sun["azimuth"].to_numpy(), plane.surface_azimuth - 90.0
    how = {"collector_width": plane.row_width_m, "pitch": plane.row_pitch_m}
    return np.asarray(pvlib.shading.shaded_fraction1d(*where, plane.surface_tilt, **how))


# ---------------------------------------------------------------- from light to power


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
        From `parts.plane_light`, one a plane.
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
    seen = [light / (n * module.cells * module.halves) for light, n in zip(lit, modules)]
    return {
        "light": sum(share * (light["rest"] + light["direct"]) for share, light in zip(mean, lights)),
        "light_left": sum(share * left for share, left in zip(mean, seen)),
        "unshaded_w": sum(n * power.even_w[:, column] for n, power, column in zip(modules, of_plane, first)),
        "per_module_w": sum(power.apart_w for power in powers),
        "string_w": sum(power.best_w for power in powers),
    }


def _hours(weather, place, planes, albedo, module, one_string=False):
    """Return the table of `shade_hours`: all modules of a plane are alike, but where shade or a common tracker is."""
    solar = position(weather.index, place)
    lights = [plane_light(weather, solar, plane, albedo) for plane in planes]
    lit, total = np.flatnonzero(_lit(lights)), sum(plane.module_count for plane in planes)
    alike = np.ones(1), module.even_counts(len(lit))
    table = {name: np.zeros(len(weather)) for name in _COLUMNS}
    for plane, light in zip(planes, lights):
        for name, values in operate([_at(light, lit)], [alike], module).items():
            table[name][lit] += values * plane.module_count / (1 if name.endswith("_w") else total)
    for some, part in _shaded(lights, solar, planes, module, one_string):
        for name, values in part.items():
            table[name][some] = values
    return pd.DataFrame(table, weather.index, copy=False)


def _side_by_side(counts):
    """Join the modules of several planes, each with its own levels."""
    ends = np.cumsum([part.shape[-1] for part in counts])
    joined = []
    for part, end in zip(counts, ends):
        wide = np.zeros(part.shape[:-1] + (ends[-1],), dtype=part.dtype)
        wide[..., end - part.shape[-1] : end] = part
        joined.append(wide)
    return np.concatenate(joined, axis=1)
