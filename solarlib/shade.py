"""What partial shade costs, in three numbers kept apart: light lost, loss with one converter a module, loss of a string.

Light that is lost is lost to both kinds of converter. Only the difference of the other two numbers belongs to the
choice between them. An hour of a year goes: sun -> which cells it reaches -> their curves -> three ways of operating
them. Shaded cells keep the light of sky and ground; that an obstacle hides part of the sky too, is left out, as is
what happens after the modules: converter losses, and a converter's limit, under which some shade goes unnoticed.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd
import pvlib

from solarlib.diodes import DiodeModule, series_power_w
from solarlib.obstacles import hidden, in_space, usual_layout
from solarlib.parts import cell_temperature
from solarlib.quantities import InputError, require
from solarlib.sun import plane_of_array, position

DIM = 1.0  # light on the plane below which nothing is computed. [W/m2]


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

    @property
    def recovered(self):
        """Benefit as a share of the string loss; NaN without a loss."""
        return self.benefit / self.string_loss if self.string_loss > 0 else np.nan


def shade_moment(light, temp_cell=50.0, module=DiodeModule(), full=1000.0, window_v=(0.0, np.inf)):
    """Return the three numbers for one moment of one string.

    Parameters
    ----------
    light : array, shape (modules, sections, cells)
        On each cell. [W/m2]
    temp_cell : float
        [degC]
    module : DiodeModule
    full : float
        Light without shade, the reference of every loss. [W/m2]
    window_v : (float, float)
        Of the string's tracker. [V]

    Returns
    -------
    ShadeLoss
    """
    light, full = np.asarray(light, dtype=float), require(full, "full", 1, 2000, "W/m2")
    if light.ndim != 3 or light.shape[1:] != (module.sections, module.cells_per_section):
        raise InputError(
            f"light: found shape {light.shape}, allowed is (modules, {module.sections} sections, {module.cells_per_section} cells)"
        )
    if not (np.isfinite(light).all() and light.min() >= 0 and light.max() <= 2000):
        raise InputError("light: found a value outside, allowed are numbers from 0 to 2000 W/m2")
    levels, counts = count_kinds(light, full)
    heat = np.array([[require(temp_cell, "temp_cell", -60, 120, "degC")]])
    found = series_power_w(module, levels[None], counts[None], heat, window_v)
    unshaded = len(light) * found.even_w[0, levels == full][0]
    powers = (1.0 - float(power[0] / unshaded) for power in (found.apart_w, found.best_w, found.poor_w))
    return ShadeLoss(1.0 - float(light.mean()) / full, *powers)


def shade_hours(weather, place, system, obstacles, layouts=None, module=None, one_string=False, window_v=(0.0, np.inf), grain="cell"):
    """Return what an array gives with and without its obstacles, in each interval.

    Parameters
    ----------
    weather : DataFrame, shape (n, ...)
        As for `array.simulate`.
    place : weather.Place
    system : parts.ArraySystem
        Its planes, rated power and albedo are used.
    obstacles : sequence, one entry a plane
        Each a tuple of `obstacles.Obstacle` as seen from the middle of that plane; empty for none. Where several
        cover a cell, the darkest counts.
    layouts : sequence of obstacles.Layout, one a plane
        Default `obstacles.usual_layout`.
    module : DiodeModule
        Default the generic one with the system's rated power.
    one_string : bool
        All planes on one tracker; otherwise each plane is a string with its own.
    window_v : (float, float)
        Of each tracker. [V]
    grain : str
        "cell", "section" or "module": what is shaded as a whole when its middle is. Coarser is a little quicker and
        hides most of the loss inside modules: edges of shadows lie across modules, not between them.

    Returns
    -------
    DataFrame, shape (n, 6)
        light, light_left: mean over all cells, behind the glass, without and with obstacles [W/m2]; unshaded_w,
        per_module_w, string_w, poor_tracker_w: direct-current power of all modules [W]. Losses other than shade and
        heat are not taken.
    """
    if grain not in ("cell", "section", "module"):
        raise InputError(f"grain: found {grain!r}, allowed is one of cell, section, module")
    planes = system.planes
    layouts = [usual_layout(plane.module_count) for plane in planes] if layouts is None else list(layouts)
    if len(obstacles) != len(planes) or len(layouts) != len(planes):
        raise InputError(f"obstacles, layouts: found {len(obstacles)}, {len(layouts)} entries, allowed is one for each of {len(planes)} planes")
    for number, (plane, layout) in enumerate(zip(planes, layouts), 1):
        if plane.module_count != layout.module_count:
            raise InputError(
                f"layouts[{number}]: found {layout.rows} x {layout.columns} modules, allowed are rows and columns that make {plane.module_count}"
            )
    solar = position(weather.index, place)
    lights = [plane_light(weather, solar, plane, system.albedo) for plane in planes]
    used = np.flatnonzero(sum(light["poa_global"] for light in lights) > DIM)
    sun = solar["azimuth"].to_numpy()[used], solar["apparent_elevation"].to_numpy()[used]
    shares = [_direct_shares(tuple(things), plane, layout, sun, grain) for things, plane, layout in zip(obstacles, planes, layouts)]
    module = DiodeModule().scaled_to(system.module.rated_power_w) if module is None else module
    table = operate([{name: values[used] for name, values in light.items()} for light in lights], shares, module, one_string, window_v)
    result = {name: np.zeros(len(weather)) for name in table}
    for name, values in table.items():
        result[name][used] = values
    return pd.DataFrame(result, index=weather.index, copy=False)


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
    light = {name: column.to_numpy() for name, column in plane_of_array(weather, solar, plane.surface_tilt, plane.surface_azimuth, albedo).items()}
    through = pvlib.iam.marion_diffuse("physical", plane.surface_tilt)
    return {
        "direct": pvlib.iam.physical(light["aoi"]) * (light["poa_direct"] + light["poa_circumsolar"]),
        "rest": float(through["sky"]) * light["poa_isotropic"] + float(through["ground"]) * light["poa_ground_diffuse"],
        "poa_global": light["poa_global"],
        "temp_cell": cell_temperature(light["poa_global"], weather["temp_air"], weather["wind_speed"], plane.mounting),
    }


def operate(lights, shares, module, one_string=False, window_v=(0.0, np.inf)):
    """Return light and power of planes whose cells get given shares of the direct light.

    Parameters
    ----------
    lights : list of dict
        From `plane_light`, one a plane.
    shares : list of (kinds, counts)
        kinds: array, shape (l,), the shares of direct light that occur, the largest first; counts: array,
        shape (n, modules, sections, l), cells with each.
    module : DiodeModule
    one_string : bool
    window_v : (float, float)

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
    powers = [series_power_w(module, *string, window_v) for string in strings]
    of_plane = powers * len(modules) if one_string else powers
    mean = np.array(modules) / sum(modules)
    seen = [(level * part.sum(axis=(1, 2))).sum(axis=1) / part[0].sum() for level, part in zip(levels, counts)]
    return {
        "light": sum(share * (light["rest"] + light["direct"]) for share, light in zip(mean, lights)),
        "light_left": sum(share * left for share, left in zip(mean, seen)),
        "unshaded_w": sum(n * power.even_w[:, column] for n, power, column in zip(modules, of_plane, first)),
        "per_module_w": sum(power.apart_w for power in powers),
        "string_w": sum(power.best_w for power in powers),
        "poor_tracker_w": sum(power.poor_w for power in powers),
    }


def year_loss(hours):
    """Return the three numbers of a year (or of any intervals) from `shade_hours`, each hour at its weight."""
    total = hours.sum()
    if not total["unshaded_w"] > 0:
        raise InputError("hours: found no power, allowed are intervals with some sunlight")
    powers = (1.0 - float(total[name] / total["unshaded_w"]) for name in ("per_module_w", "string_w", "poor_tracker_w"))
    return ShadeLoss(1.0 - float(total["light_left"] / total["light"]), *powers)


def loss_by_sun(hours, place, step_deg=10, column="string_w"):
    """Return where the sun stands when shade costs energy.

    Parameters
    ----------
    hours : DataFrame
        From `shade_hours`.
    place : weather.Place
    step_deg : int
        Width of the patches of sky, a divisor of 90. [deg]
    column : str
        "string_w", "per_module_w" or "poor_tracker_w".

    Returns
    -------
    DataFrame, shape (90 / step, 360 / step)
        Energy lost; rows: lower edge of elevation, columns: lower edge of azimuth. [kWh]
    """
    if step_deg not in (1, 2, 3, 5, 6, 9, 10, 15, 18, 30):
        raise InputError(f"step_deg: found {step_deg!r}, allowed is one of 1, 2, 3, 5, 6, 9, 10, 15, 18, 30")
    solar = position(hours.index, place)
    lost = (hours["unshaded_w"] - hours[column]) * ((hours.index[1] - hours.index[0]) / pd.Timedelta("1h")) / 1000.0
    up = np.clip(solar["apparent_elevation"], 0.0, 89.999) // step_deg * step_deg
    table = lost.groupby([up.astype(int), (solar["azimuth"] % 360.0 // step_deg * step_deg).astype(int)]).sum().unstack(fill_value=0.0)
    table = table.reindex(index=range(0, 90, step_deg), columns=range(0, 360, step_deg), fill_value=0.0)
    return table.rename_axis(index="elevation_deg", columns="azimuth_deg")


def count_kinds(shares, full=1.0):
    """Return the distinct shares of direct light (or lights), the largest first, and how many cells of each section get them.

    Parameters
    ----------
    shares : array, shape (..., cells)
    full : float
        The unshaded value; listed even if no cell has it.

    Returns
    -------
    kinds : array, shape (l,)
    counts : int array, shape (..., l)
    """
    kinds = np.unique(np.append(shares, full))[::-1]
    return kinds, np.stack([(shares == kind).sum(axis=-1) for kind in kinds], axis=-1)


def _direct_shares(things, plane, layout, sun, grain):
    cells = layout.cells()
    middles = cells.mean(axis={"cell": (), "section": 2, "module": (1, 2)}[grain], keepdims=True)
    places = in_space(middles.reshape(-1, 2), plane.surface_tilt, plane.surface_azimuth)
    share = np.ones((len(sun[0]), len(places)))
    for thing in things:
        np.minimum(share, np.where(hidden(thing, places, *sun), thing.passes, 1.0), out=share)
    return count_kinds(np.broadcast_to(share.reshape(len(share), *middles.shape[:-1]), (len(share), *cells.shape[:-1])))


def _side_by_side(counts):
    """Join the modules of several planes, each with its own levels."""
    kinds = [part.shape[-1] for part in counts]
    ends = np.cumsum(kinds)
    joined = []
    for part, end, kind in zip(counts, ends, kinds):
        wide = np.zeros(part.shape[:-1] + (ends[-1],), dtype=part.dtype)
        wide[..., end - kind : end] = part
        joined.append(wide)
    return np.concatenate(joined, axis=1)
