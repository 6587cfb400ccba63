"""What partial shade costs, in three numbers kept apart: light lost, loss with one converter a module, loss of a string.

Light that is lost is lost to both kinds of converter. Only the difference of the other two numbers belongs to the
choice between them. An hour of a year goes: sun -> which cells it reaches -> their curves -> three ways of operating
them. Shaded cells keep the light of sky and ground; that an obstacle hides part of the sky too, is left out, as is
what happens after the modules: converter losses, and a converter's limit, under which some shade goes unnoticed.
"""

from dataclasses import dataclass

import numpy as np

from solarlib.quantities import InputError, energy_kwh, require
from solarlib.roof.cells import DiodeModule, series_power_w
from solarlib.roof.obstacles import hidden, in_space, usual_layout
from solarlib.roof.operation import DIM, count_kinds, operate_when_light, plane_light
from solarlib.sky.sun import position


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


def shade_hours(
    weather, place, system, obstacles, layouts=None, module=None, one_string=False, window_v=(0.0, np.inf), grain="cell"
):
    """Return what an array gives with and without its obstacles, in each interval.

    Parameters
    ----------
    weather : DataFrame, shape (n, ...)
        As for `array.array_power`.
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
        raise InputError(
            f"obstacles, layouts: found {len(obstacles)}, {len(layouts)} entries, allowed is one for each of {len(planes)} planes"
        )
    for number, (plane, layout) in enumerate(zip(planes, layouts), 1):
        if plane.module_count != layout.module_count:
            raise InputError(
                f"layouts[{number}]: found {layout.rows} x {layout.columns} modules, "
                f"allowed are rows and columns that make {plane.module_count}"
            )
    solar = position(weather.index, place)
    lights = [plane_light(weather, solar, plane, system.albedo) for plane in planes]
    used = np.flatnonzero(sum(light["poa_global"] for light in lights) > DIM)
    sun = solar["azimuth"].to_numpy()[used], solar["apparent_elevation"].to_numpy()[used]
    shares = [
        _direct_shares(things, plane, layout, sun, grain) for things, plane, layout in zip(obstacles, planes, layouts)
    ]
    module = DiodeModule().scaled_to(system.module.rated_power_w) if module is None else module
    return operate_when_light(weather.index, used, lights, shares, module, one_string, window_v)


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
    lost = energy_kwh(hours["unshaded_w"] - hours[column])
    up = np.clip(solar["apparent_elevation"], 0.0, 89.999) // step_deg * step_deg
    around = solar["azimuth"] % 360.0 // step_deg * step_deg
    table = lost.groupby([up.astype(int), around.astype(int)]).sum().unstack(fill_value=0.0)
    table = table.reindex(index=range(0, 90, step_deg), columns=range(0, 360, step_deg), fill_value=0.0)
    return table.rename_axis(index="elevation_deg", columns="azimuth_deg")


def _direct_shares(things, plane, layout, sun, grain):
    cells = layout.cells()
    middles = cells.mean(axis={"cell": (), "section": 2, "module": (1, 2)}[grain], keepdims=True)
    places = in_space(middles.reshape(-1, 2), plane.surface_tilt, plane.surface_azimuth)
    share = np.ones((len(sun[0]), len(places)))
    for thing in things:
        np.minimum(share, np.where(hidden(thing, places, *sun), thing.passes, 1.0), out=share)
    return count_kinds(np.broadcast_to(share.reshape(len(share), *middles.shape[:-1]), (len(share), *cells.shape[:-1])))
