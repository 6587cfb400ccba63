"""One house, everything composed: its weather, its load, and a typical year of generation and net power."""

from functools import lru_cache
from pathlib import Path

import numpy as np
import pandas as pd

from solarlib.house.doors import open_weather
from solarlib.house.file import House, minutes_of_use
from solarlib.quantities import HOURS_PER_YEAR, refusal, refuse_if
from solarlib.roof.array import array_power, loss_steps
from solarlib.sky.bands import roofs_band
from solarlib.sky.climate import MonthlyMeans
from solarlib.sky.clouds import minute_weather
from solarlib.sky.measured import HourlyFile
from solarlib.sky.sun import behind_horizon, position
from solarlib.sky.weather import Place
from solarlib.sky.world import WORLD_SHORT, WorldTable


def weather(house: House) -> pd.DataFrame:
    """Return the typical year of hourly weather of a house, behind its horizon: see `weather_at`."""
    return weather_at(house.weather_file, house.place)


@lru_cache(maxsize=8)
def weather_at(source: str | Path | MonthlyMeans | HourlyFile | WorldTable, place: Place) -> pd.DataFrame:
    """Return the typical year of hourly weather of a place, behind its horizon. Read or made once.

    Parameters
    ----------
    source : str, Path, climate.MonthlyMeans or world.WorldTable
        A weather file, or another door: see `doors.DOORS`.
    place : weather.Place

    Returns
    -------
    DataFrame, 8760 rows
        See `weather.read_weather`, `climate.typical_year` and `sun.behind_horizon`. Shared: do not change it.

    Raises
    ------
    InputError
        What the door refuses, with all other doors.
    """
    sky = open_weather(source, place)
    return behind_horizon(sky, position(sky.index, place), place.horizon)


def light_words(house: House, *planes) -> str:
    """Return what must be known of the light behind a number, in sentences with a blank before each; "" for nothing.

    Parameters
    ----------
    house : House
    *planes
        (modules, tilt, azimuth) of each plane that the number is of; of none: the light of flat ground.
    """
    source, said = house.weather_file, list(weather(house).attrs.get("told", ()))
    if isinstance(source, (MonthlyMeans, WorldTable)):
        known = "diffuse" if getattr(source, "diffuse", ()) else ""
        band = roofs_band(house.place.latitude, planes or ((1, 0.0, 0.0),), known)
        made = f"Made hours: within {100 * band:.2g} % at 9 places in 10."
        world = f"World table {WORLD_SHORT}, made hours ±{100 * band:.2g} % (9 in 10)."
        said.append(world if isinstance(source, WorldTable) else made)
    return "".join(f" {sentence}" for sentence in said)


def roofs_words(house: House) -> str:
    """Return `light_words` for all planes of the house."""
    return light_words(house, *((p.module_count, p.surface_tilt, p.surface_azimuth) for p in house.system.planes))


def shade_share(house):
    """Return which share of its typical year's energy the house's own shade takes. [0 to 1]"""
    steps = loss_steps(weather(house), house.place, house.system).set_index("step")
    return float(-steps["change_kwh"].get("shade", 0.0) / steps["energy_kwh"]["cell temperature"])


def plain_words(system):
    """Say that a picture of one plane leaves out shade and kinds of the house file, where it tells any; "" if not."""
    words = ["shade"] * system.shaded + ["other kinds"] * system.mixed
    return f" Left out: {', '.join(words)}." if words else ""


def house_load(house: House) -> pd.Series:
    """Return what the house draws in each minute of the typical year, in its own time zone. [W] Computed once."""
    return minutes_of_use(house.monthly_kwh or house.yearly_kwh, house.appliances, house.weather_file, house.place)


def simulate(house: House, interval: str = "1h", rng: np.random.Generator | None = None) -> pd.DataFrame:
    """Return a typical year of the house.

    Parameters
    ----------
    house : House
    interval : str
        ``"1h"``, or ``"1min"`` with clouds that pass within the hour (see `clouds.minute_weather`).
    rng : numpy.random.Generator
        Draws the clouds; needed for ``"1min"``.

    Returns
    -------
    DataFrame, 8760 or 525600 rows
        ``generation_w``, ``load_w``, ``net_w`` = load - generation (positive: import). START labels in the zone of
        the house, over its local calendar year. Generation of a weather file whose clock starts later than the
        local year is taken from the other end of the typical year. [W]
    """
    refuse_if(interval not in ("1h", "1min"), "unknown_interval", "interval", interval=interval)
    minutes = house_load(house)
    if interval == "1h":
        sky = weather(house)
        values = minutes.to_numpy().reshape(HOURS_PER_YEAR, 60).mean(axis=1)
        drawn = pd.Series(values, minutes.index[::60])
    else:
        if rng is None:
            raise refusal("no_generator", "rng", use="for one-minute clouds")
        sky, drawn = minute_weather(open_weather(house.weather_file, house.place), house.place, rng), minutes
        sky = behind_horizon(sky, position(sky.index, house.place), house.place.horizon)
    power = array_power(sky, house.place, house.system)["ac_power_w"]
    row = np.asarray((drawn.index - power.index[0]) // pd.Timedelta(interval)) % len(power)
    made = power.to_numpy()[row]
    load = drawn.to_numpy()
    return pd.DataFrame({"generation_w": made, "load_w": load, "net_w": load - made}, drawn.index)
