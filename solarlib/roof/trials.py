"""Many obstacles tried before one plane: what no obstacle changes is computed once, and only shaded hours anew."""

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from solarlib.roof.cells import DiodeModule
from solarlib.roof.obstacles import Layout, hidden, in_space, usual_layout
from solarlib.roof.operation import count_kinds, operate, plane_light
from solarlib.roof.parts import Plane
from solarlib.roof.shade import shade_hours
from solarlib.sky.sun import position


@dataclass(frozen=True)
class OpenYear:
    """A plane's intervals without obstacles, from `open_year`: what `obstacle_hours` starts from."""

    plane: Plane
    layout: Layout
    module: DiodeModule
    hours: pd.DataFrame
    light: dict
    sun: tuple
    places: np.ndarray

    def __hash__(self):
        return id(self)


def open_year(weather, place, system, plane, layout=None):
    """Return what a plane gives without obstacles in each interval, ready for trials.

    Parameters
    ----------
    weather : DataFrame, shape (n, ...)
        As for `shade.shade_hours`.
    place : weather.Place
    system : parts.ArraySystem
        Its rated power and albedo are used.
    plane : parts.Plane
    layout : obstacles.Layout, optional
        Default `obstacles.usual_layout`.

    Returns
    -------
    OpenYear
    """
    layout = usual_layout(plane.module_count) if layout is None else layout
    module = DiodeModule().scaled_to(system.module.rated_power_w)
    one = replace(system, planes=(replace(plane, module_count=1),))  # without shade all modules are alike
    hours = shade_hours(weather, place, one, ((),), grain="module")
    for name in ("unshaded_w", "per_module_w", "string_w", "poor_tracker_w"):
        hours[name] *= plane.module_count
    solar = position(weather.index, place)
    return OpenYear(
        plane,
        layout,
        module,
        hours,
        plane_light(weather, solar, plane, system.albedo),
        (solar["azimuth"].to_numpy(), solar["apparent_elevation"].to_numpy()),
        in_space(layout.cells().reshape(-1, 2), plane.surface_tilt, plane.surface_azimuth),
    )


def obstacle_hours(year, obstacle):
    """Return the table of `shade.shade_hours` for one obstacle before the plane, all modules one string.

    Parameters
    ----------
    year : OpenYear
    obstacle : obstacles.Obstacle
        Seen from the middle of the plane.

    Returns
    -------
    DataFrame, shape (n, 6)
        Equal to `shade.shade_hours` with ``grain="cell"``; only intervals with some shade are computed anew.
    """
    azimuth, elevation = year.sun
    some = np.flatnonzero(
        (year.hours["unshaded_w"].to_numpy() > 0) & _may_hide(obstacle, year.places, azimuth, elevation)
    )
    shaded = hidden(obstacle, year.places, azimuth[some], elevation[some])
    touched = shaded.any(axis=1)
    some, shaded = some[touched], shaded[touched]
    table = {name: column.to_numpy(copy=True) for name, column in year.hours.items()}
    if len(some):
        cells = year.layout.cells().shape[:-1]
        share = np.where(shaded, obstacle.passes, 1.0).reshape(len(some), *cells)
        light = {name: values[some] for name, values in year.light.items()}
        for name, values in operate([light], [count_kinds(share)], year.module).items():
            table[name][some] = values
    return pd.DataFrame(table, index=year.hours.index, copy=False)


def _may_hide(obstacle, places, azimuth, elevation):
    """Tell when the sun stands so that some place may be shaded; a wide net, quick to throw."""
    top = max(height for _, height in obstacle.points)
    left, right = obstacle.points[0][0], obstacle.points[-1][0]
    if np.isinf(obstacle.distance_m):
        aside = 0.0
    else:
        reach = min(np.hypot(places[:, 0], places[:, 1]).max() / obstacle.distance_m, 1.0 - 1e-6)
        raised = np.tan(np.radians(top)) - places[:, 2].min() / obstacle.distance_m
        aside = np.degrees(np.arcsin(reach)) + 0.1
        top = np.degrees(np.arctan2(raised, 1.0 - reach))
    return (elevation < top) & ((azimuth - left + aside) % 360.0 <= min(right - left + 2.0 * aside, 360.0))
