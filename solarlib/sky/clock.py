"""Whether the light of a weather table, its clock and its place fit the sun: found from the light itself.

Every source of weather goes through these checks, so that none reaches a roof with its mornings in the west.
"""

import numpy as np
import pandas as pd
import pvlib

from solarlib.quantities import refuse_if

MOST_ZONE_H = 3.5  # from the sun's time to a zone's; the largest real one is 2.2 h (`from memory`)
_MOST_OFF_MIN = 10  # of clock and sun, from which a table is set right
_TELLING = 15.0  # latitude from which the months tell the hemispheres apart [deg]
_MIRRORED = 0.75  # spread of the months' clearness on the other side of the equator over that on this one
MONTH_DAYS = np.array([31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31])


def check_zone(where, offset_h, longitude, latitude=0.0):
    """Refuse a zone that no place at this longitude keeps: nearly always a lost minus sign. Date line and poles pass.

    ``offset_h`` is that of the standard time from UTC, east positive. [h]
    """
    apart = (longitude / 15.0 - offset_h + 12.0) % 24.0 - 12.0
    told = {"longitude": longitude, "offset_h": offset_h, "most": 15 * MOST_ZONE_H}
    told["middle"] = (15.0 * offset_h + 180.0) % 360.0 - 180.0
    refuse_if(abs(apart) > MOST_ZONE_H and abs(latitude) < 88.0, "zone_from_afar", where, **told)


def check_seasons(where, latitude, monthly):
    """Refuse twelve means of irradiation whose seasons are those of the other hemisphere.

    Months' clearness differs little on the right side of the equator and much on the wrong one. Measured on the world
    table (tests/sky/test_clock.py): from 15 deg on no right node is refused, from 24 deg on every wrong one.
    """
    if abs(latitude) < _TELLING or not min(monthly) >= 0 < max(monthly):
        return
    here, there = (monthly_light(side) for side in (latitude, -latitude))
    lit = (here > 0.3) & (there > 0.3)
    spread = [np.log(np.maximum(monthly, 0.01)[lit] / side[lit]).std() for side in (here, there)]
    found, allowed = ("south", "north") if latitude > 0 else ("north", "south")
    sides = {"side": found, "own": allowed, "latitude": latitude}
    refuse_if(spread[1] < _MIRRORED * spread[0], "other_seasons", where, **sides)


def monthly_light(latitude):
    """Return the mean daily irradiation of the flat ground above the air, January to December. [kWh/m2/day]

    The usual integral over a day: Duffie and Beckman, *Solar Engineering of Thermal Processes*, chapter 1 (`from
    memory`); declination and distance of the sun by Spencer (1971), `seen` in pvlib.
    """
    day = np.arange(365) + 1.5  # its middle
    tilt = pvlib.solarposition.declination_spencer71(day)
    north = np.radians(np.clip(latitude, -89.9, 89.9))
    sunset = np.arccos(np.clip(-np.tan(north) * np.tan(tilt), -1, 1))
    course = np.cos(north) * np.cos(tilt) * np.sin(sunset) + sunset * np.sin(north) * np.sin(tilt)
    light = 0.024 / np.pi * pvlib.irradiance.get_extra_radiation(day) * course
    return np.array([month.mean() for month in np.split(light, np.cumsum(MONTH_DAYS)[:-1])])


def minutes_off(weather: pd.DataFrame, latitude: float, longitude: float, where: str = "light") -> float:
    """Return how much later the light is than its labels say, from the light alone.

    Parameters
    ----------
    weather : DataFrame, shape (n, ...)
        ghi, and dni, dhi where known [W/m2]; regular START labels of a year with a zone.
    latitude, longitude : float
        Where it was measured. [deg]
    where : str
        Whose light it is, for the words.

    Returns
    -------
    float
        -720 to 720 min. With beam and sky light to a minute: ghi = dni * cos(zenith) + dhi is linear in the cosine and
        the sine of the wanted shift of the hour angle, so least squares find it in one step, however large it is. With
        ghi alone to about 5 minutes, from the brightest light of each time of day (measured: tests/sky/test_clock.py).

    Raises
    ------
    InputError
        The three columns do not belong together, at any shift.

    Notes
    -----
    Spencer's declination and equation of time (1971), `seen` in pvlib: within 0.3 deg, or a minute.
    """
    flat, swing, angle = _course(weather.index, latitude, longitude)
    if {"dni", "dhi"} <= set(weather):
        ghi, dni, dhi = (weather[c].to_numpy(dtype=float) for c in ("ghi", "dni", "dhi"))
        used = (dni > 100.0) & (ghi - dhi > 30.0)
        beam, size = dni * swing, 0.0
        if used.sum() >= 100:
            terms = np.column_stack([beam * np.cos(angle), -beam * np.sin(angle)])[used]
            off, size, misfit = _turn(terms, (ghi - dhi - dni * flat)[used])
            if 0.8 < size < 1.25 and misfit < 0.3:
                return off
        refuse_if(used.sum() >= 100 or (ghi > 600.0).sum() >= 100, "light_apart", where, size=size)
    rows = round(pd.Timedelta(days=1) / (weather.index[1] - weather.index[0]))
    ghi = weather["ghi"].to_numpy(dtype=float)[: len(weather) // rows * rows].reshape(-1, rows)
    blocks = np.array_split(np.arange(len(ghi)), max(1, len(ghi) // 30))
    bright = np.concatenate([np.quantile(ghi[block], 0.95, axis=0) for block in blocks])
    at = np.concatenate([block[len(block) // 2] * rows + np.arange(rows) for block in blocks])
    terms = np.column_stack([swing * np.cos(angle), -swing * np.sin(angle), flat])[at]
    used = bright > 0.15 * bright.max()
    return _turn(terms[used], bright[used])[0]


def _rounded(minutes):
    """Return minutes to the half hour where that is within five, as clocks and stamps are, else to five minutes."""
    halves = 30 * round(minutes / 30)
    return halves if abs(minutes - halves) <= 5 else 5 * round(minutes / 5)


def _turn(terms, light):
    """Return the turn of the hour angle [min], the size of the vector that least squares give, and their misfit."""
    best = np.linalg.lstsq(terms, light, rcond=None)[0]
    off, size = np.degrees(np.arctan2(best[1], best[0])) * 4.0, np.hypot(best[0], best[1])
    return float(off), float(size), float(np.linalg.norm(terms @ best - light) / max(np.linalg.norm(light), 1e-9))


def _course(index, latitude, longitude):
    """Return the two parts of the cosine of the zenith, constant and times cos(hour angle), and that angle [rad]."""
    middle = index.tz_convert("UTC") + (index[1] - index[0]) / 2
    clock = (middle.as_unit("s").asi8 % 86_400) / 3600.0
    day = middle.day_of_year.to_numpy() + clock / 24.0
    tilt = pvlib.solarposition.declination_spencer71(day)
    angle = np.radians(15.0 * (clock - 12.0) + longitude + pvlib.solarposition.equation_of_time_spencer71(day) / 4.0)
    north = np.radians(latitude)
    return np.sin(north) * np.sin(tilt), np.cos(north) * np.cos(tilt), angle


def set_right(weather: pd.DataFrame, where: str, latitude: float, longitude: float) -> pd.DataFrame:
    """Return a typical year of hours whose labels and beam fit the sun, and say what was done.

    Parameters
    ----------
    weather : DataFrame, 8760 rows
        See `minutes_off`.
    where : str
        Whose it is, for the words.
    latitude, longitude : float
        Where it was measured. [deg]

    Returns
    -------
    DataFrame, 8760 rows
        As given where clock and sun agree within 10 minutes. Else labels are moved by half hours or five minutes, with
        rows from one end of the typical year to the other, and no value is changed. Where the light of flat ground
        alone keeps another clock than the three columns together, that of the ground counts: the beam was computed
        with a wrong sun, and is computed anew from ghi and dhi. ``attrs["told"]``, a tuple of sentences, says so.

    Raises
    ------
    InputError
        The seasons are those of the other hemisphere, or the columns do not belong together.
    """
    check_seasons(where, latitude, weather["ghi"].groupby(weather.index.month).mean().to_numpy() * 0.024)
    spot = latitude, longitude, f"{where}, light"
    off, ground = (_rounded(minutes_off(part, *spot)) for part in (weather, weather[["ghi"]]))
    told = []
    if abs(off) > _MOST_OFF_MIN and abs((off - ground + 720) % 1440 - 720) > _MOST_OFF_MIN:
        told.append(f"{where}: its beam was computed with a sun {abs(off - ground)} min off, and was computed anew.")
        off = ground
    if abs(off) > _MOST_OFF_MIN:
        side = "later" if off > 0 else "earlier"
        told.append(f"{where}: its light comes {abs(off)} minutes {side} than its clock says; the clock was set right.")
        turned, rest = divmod(weather.index[0].minute + off, 60)
        index = weather.index + pd.Timedelta(minutes=rest - weather.index[0].minute)
        weather = pd.DataFrame(np.roll(weather.to_numpy(), turned, axis=0), index, weather.columns)
    if told and "anew" in told[0]:
        flat, swing, angle = _course(weather.index, latitude, longitude)
        cosine = flat + swing * np.cos(angle)
        beam = (weather["ghi"] - weather["dhi"]).clip(lower=0.0)
        weather = weather.assign(dni=np.where(cosine > 0.05, beam / np.maximum(cosine, 0.05), 0.0).clip(max=1100.0))
    weather.attrs["told"] = tuple(told)
    return weather
