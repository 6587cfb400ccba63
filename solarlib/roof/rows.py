"""Rows of tilted modules on a flat roof: how far apart, and what each row's shadow on the next costs."""

import math

import numpy as np
import pvlib

from solarlib.quantities import InputError, require
from solarlib.roof.cells import DiodeModule
from solarlib.roof.operation import DIM, count_kinds, operate_when_light, plane_light
from solarlib.sky.sun import position


def pitch_without_shade(width_m, surface_tilt, surface_azimuth, solar_azimuth, solar_elevation):
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
    require(solar_azimuth, "solar_azimuth", -360, 720, "deg")
    turn = math.radians(solar_azimuth - require(surface_azimuth, "surface_azimuth", -360, 720, "deg"))
    up = math.radians(require(solar_elevation, "solar_elevation", 0.1, 90, "deg"))
    return width * (math.cos(tilt) + math.sin(tilt) * max(math.cos(turn), 0.0) / math.tan(up))


def row_hours(weather, place, plane, layout, pitch_m, albedo=0.2, module=DiodeModule(), window_v=(0.0, np.inf)):
    """Return what equal rows give with and without the shadow of the row in front, in each interval.

    Parameters
    ----------
    weather : DataFrame, shape (n, ...)
        As for `array.array_power`.
    place : weather.Place
    plane : parts.Plane
        Its tilt, azimuth, mounting; its modules are those of the layout.
    layout : obstacles.Layout
        Each row of it one tilted row; the last row is the front one, which nothing shades.
    pitch_m : float
        Distance of rows, edge to edge, on level ground. [m]
    albedo : float
    module : DiodeModule
    window_v : (float, float)
        Of the tracker of the one string that all rows form. [V]

    Returns
    -------
    DataFrame, shape (n, 6)
        As `shade.shade_hours`. Rows are taken as endless sideways; the sky light that rows hide from each other is
        left out.

    Notes
    -----
    Shaded share of the row's width: pvlib.shading.shaded_fraction1d (`seen`). A cell counts as shaded when its
    middle is.
    """
    if plane.module_count != layout.module_count:
        raise InputError(f"layout: found {layout.module_count} modules, allowed are the plane's {plane.module_count}")
    width = layout.length_m if layout.portrait else layout.width_m
    depth = width * math.cos(math.radians(plane.surface_tilt))
    pitch = require(pitch_m, "pitch_m", depth, 100, "m")
    solar = position(weather.index, place)
    light = plane_light(weather, solar, plane, albedo)
    used = np.flatnonzero(light["poa_global"] > DIM)
    shaded = pvlib.shading.shaded_fraction1d(
        solar["apparent_zenith"].to_numpy()[used],
        solar["azimuth"].to_numpy()[used],
        plane.surface_azimuth - 90.0,
        plane.surface_tilt,
        collector_width=width,
        pitch=pitch,
    )
    height = _heights(layout) / width + 0.5  # of each cell above the row's lower edge, as a share of the width
    row = np.arange(layout.module_count) // layout.columns
    covered = (height[None] < np.asarray(shaded)[:, None, None, None]) & (row < layout.rows - 1)[None, :, None, None]
    return operate_when_light(
        weather.index, used, [light], [count_kinds(np.where(covered, 0.0, 1.0))], module, window_v=window_v
    )


def _heights(layout):
    """Return how far each cell lies up the slope from the middle of its own row, shape (modules, sections, cells). [m]"""
    up = layout.cells()[..., 1]
    return up - up.mean(axis=(1, 2), keepdims=True)
