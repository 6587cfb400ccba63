"""Twelve monthly means for any place on Earth, from the table that is shipped."""

from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import numpy as np

from solarlib.sky.climate import MonthlyMeans
from solarlib.sky.clock import monthly_light
from solarlib.sky.weather import Place

_FILE = Path(__file__).resolve().parents[2] / "data" / "weather" / "world.npz"
_LAPSE = 0.0065  # K per m: the standard atmosphere
_NO_HEIGHT = 83.0  # latitude beyond which the table knows no heights [deg]
_MOST = 0.79  # of the light above the air, and nothing where that is less than the next: the rims of the polar night
_LEAST = 0.05  # [kWh/m2 a day]
# Measured against 29 typical years and 20 groups of stations: data/README.md.
WORLD_SHORT = "±10 % (4 in 5)"
WORLD_BAND = (
    "a first estimate: the year's light within 10 % at four places in five, a month's within 0.5 kWh/m2 a day; wet "
    "sides of mountains and islands, rain forest and coasts of cold seas are up to 30 % off"
)


@dataclass(frozen=True)
class WorldTable:
    """The shipped table as a source of weather; the rest of what makes a year, as in `climate.MonthlyMeans`."""

    wind_speed: float = MonthlyMeans.wind_speed
    seed: int = MonthlyMeans.seed


def world_means(place: Place, source: WorldTable = WorldTable()) -> MonthlyMeans:
    """Return twelve monthly means for a place on Earth.

    Parameters
    ----------
    place : weather.Place
        Its height moves the temperature from that of the table's ground.
    source : WorldTable

    Returns
    -------
    climate.MonthlyMeans
        Between the nodes, every 2 degrees, by straight lines; longitude goes round. Sources, licence, errors and where
        not to trust it: data/README.md. The last of the doors: any measured light, typical year or station is better.
    """
    nodes = _nodes()
    ghi, temp, height = (_at(nodes[name], place.latitude, place.longitude) for name in ("ghi", "temp", "height"))
    if abs(place.latitude) < _NO_HEIGHT:
        temp = temp + _LAPSE * (height - place.altitude_m)
    above = monthly_light(place.latitude)
    ghi = np.where(above < _LEAST, 0.0, np.minimum(ghi, _MOST * above))
    return MonthlyMeans(tuple(ghi.tolist()), tuple(temp.tolist()), source.wind_speed, source.seed)


@lru_cache(maxsize=1)
def _nodes():
    """Return irradiation [kWh/m2 a day], temperature [degC] and height [m] of the nodes."""
    with np.load(_FILE) as file:
        scales = {"ghi": ("ghi_wh", 1e-3), "temp": ("temp_cc", 1e-2), "height": ("height_m", 1.0)}
        return {name: file[column] * scale for name, (column, scale) in scales.items()}


def _at(field, latitude, longitude):
    """Return the value of a field (..., 91, 180) between its nodes, every 2 degrees from -90 and from 0 east."""
    north, east = (latitude + 90.0) / 2.0, longitude % 360.0 / 2.0
    row, column = min(int(north), 89), int(east) % 180
    up, right = north - row, east - int(east)
    corners = field[..., row : row + 2, :][..., [column, (column + 1) % 180]]
    return np.einsum("...ij,i,j", corners, [1.0 - up, up], [1.0 - right, right])
