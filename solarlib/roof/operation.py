"""Planes whose cells get given shares of the sun's direct light: their power in several ways of being operated."""

import numpy as np
import pandas as pd

from solarlib.roof.array import behind_glass
from solarlib.roof.cells import series_power_w
from solarlib.roof.parts import cell_temperature
from solarlib.sky.sun import plane_of_array

DIM = 1.0  # light on the plane below which nothing is computed. [W/m2]


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


def operate_when_light(index, used, lights, shares, module, one_string=False, window_v=(0.0, np.inf)):
    """Return the table of `operate` for all intervals of an index, zero where it is dark.

    Parameters
    ----------
    index : DatetimeIndex, shape (n,)
    used : int array, shape (u,)
        Where it is light; `shares` are of these instants only.
    lights, shares, module, one_string, window_v
        As for `operate`; lights of all n instants.

    Returns
    -------
    DataFrame, shape (n, 6)
    """
    some = [{name: values[used] for name, values in light.items()} for light in lights]
    table = operate(some, shares, module, one_string, window_v)
    result = {name: np.zeros(len(index)) for name in table}
    for name, values in table.items():
        result[name][used] = values
    return pd.DataFrame(result, index=index, copy=False)


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
