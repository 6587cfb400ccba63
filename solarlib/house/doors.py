"""The table [weather] of a house file: which door to a year of weather it names, and the year that the door opens."""

from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import numpy as np

from solarlib.quantities import InputError, texts_beside
from solarlib.roof.parts import ArraySystem
from solarlib.schema import declared, kept, listing, real, text, whole
from solarlib.sky.climate import MonthlyMeans, typical_year
from solarlib.sky.measured import HourlyFile, read_hours
from solarlib.sky.weather import read_weather
from solarlib.sky.world import WorldTable, world_means

DOORS = texts_beside(__file__, "doors")  # to a year of weather: line in [weather] -> what it opens
DOOR_WORDS = "one line in [weather]: " + "; ".join(f"{key} = {words}" for key, words in DOORS.items())
_HEADINGS = kept(
    'a table such as { ghi = "Globalstrahlung", temp_air = "T" }',
    lambda value: value and set(value) <= {"ghi", "dni", "dhi", "temp_air", "wind_speed"},
    lambda value: tuple((key, str(heading)) for key, heading in sorted(value.items())),
)


@dataclass(frozen=True)
class WeatherTable:
    """The table [weather]: one of the `DOORS`, and what the ground and the hills around do."""

    file: str | None = declared(text(), default=None)
    hourly: str | None = declared(text(), default=None)
    hourly_columns: tuple = declared(_HEADINGS, default=())
    world_table: bool = declared(kept("true", lambda value: value is True), default=False)
    monthly_irradiation_kwh_per_m2_day: tuple = declared(listing(real(0, 14, "kWh/m2/day"), 12), default=())
    monthly_temperature_c: tuple = declared(listing(real(-80, 50, "degC"), 12), default=())
    monthly_diffuse_kwh_per_m2_day: tuple = declared(listing(real(0, 9, "kWh/m2/day"), 12), default=())
    wind_speed_m_per_s: float | None = declared(real(0, 30, "m/s"), default=None)
    seed: int | None = declared(whole(0, 1_000_000), default=None)
    albedo: float = declared(real(0, 0.95), default=ArraySystem.albedo)
    horizon: tuple = declared(listing(listing(real(0, 360, "deg"), 2)), default=())

    def source(self, folder, place):
        """Return what gives the weather; a path is that of a file beside the house file if it lies there."""
        path = self.file or self.hourly
        path = str(Path(folder) / path) if path and (Path(folder) / path).is_file() else path
        if path:
            return path if self.file else HourlyFile(path, self.hourly_columns)
        more = {"wind_speed": self.wind_speed_m_per_s, "seed": self.seed}
        given = {name: value for name, value in more.items() if value is not None}
        if self.world_table:
            return WorldTable(**given)
        warm = self.monthly_temperature_c or world_means(place).temp_air
        diffuse = self.monthly_diffuse_kwh_per_m2_day
        return MonthlyMeans(self.monthly_irradiation_kwh_per_m2_day, warm, diffuse=diffuse, **given)


def check_doors(problems, given):
    """Note weather without a door, with two, or with something of another one; ``given`` is the table as written."""
    if not isinstance(given, dict):
        return
    doors, means = [key for key in DOORS if key in given], "monthly_irradiation_kwh_per_m2_day"
    beside = dict.fromkeys(("monthly_temperature_c", "monthly_diffuse_kwh_per_m2_day"), means)
    beside |= dict.fromkeys(("seed", "wind_speed_m_per_s"), f"{means}, world_table")
    beside |= {"hourly_columns": "hourly"}
    astray = [key for key, fits in beside.items() if key in given and doors and doors[0] not in fits]
    if len(doors) != 1:
        problems.add("weather", " and ".join(doors) or "nothing", DOOR_WORDS)
    for key in astray:
        problems.add(f"weather.{key}", f"it with {doors[0]}", f"it with {beside[key]} only")


@lru_cache(maxsize=8)
def open_weather(source, place):
    """Return the typical year of a place through one of the `DOORS`: see `year.weather_at`."""
    try:
        if isinstance(source, (MonthlyMeans, WorldTable)):
            means = world_means(place, source) if isinstance(source, WorldTable) else source
            return typical_year(place, means, np.random.default_rng(source.seed))
        return read_hours(source, place) if isinstance(source, HourlyFile) else read_weather(source, place)
    except InputError as error:
        raise InputError(f"{error}. Other doors to weather, {DOOR_WORDS}") from None
