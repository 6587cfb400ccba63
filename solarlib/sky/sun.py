"""Where the sun stands, what a cloudless sky would give, and what falls on a tilted plane.

Every interval is represented by the sun at its MIDDLE: an hour taken at its start or end turns the sun by 7.5
degrees and shifts energy between east and west roofs.
"""

import warnings
from functools import lru_cache

import numpy as np
import pandas as pd
import pvlib
from scipy.interpolate import CubicSpline

from solarlib.quantities import check_index
from solarlib.sky.weather import Place

_BLOCK = 44640  # sun positions computed at once, so that many years stay small in memory
_KNOTS = "10min"  # where the positions of shorter steps are computed


def noon_side(place: Place) -> int:
    """Return where the noon sun stands for most of the year: 180 (south), or 0 (north) south of the equator. [deg]"""
    return 180 if place.latitude >= 0 else 0


def position(index: pd.DatetimeIndex, place: Place) -> pd.DataFrame:
    """Return the sun's position in the middle of each interval.

    Parameters
    ----------
    index : DatetimeIndex, shape (n,)
        Regular, time-zone aware, START labels.
    place : Place

    Returns
    -------
    DataFrame, shape (n, 7)
        apparent_zenith, zenith, apparent_elevation, elevation, azimuth [deg, azimuth clockwise from north],
        equation_of_time [min], dni_extra: irradiance outside the atmosphere, normal to the beam [W/m2].
        Cached for each (index, place): moving a tilt slider does not compute it again.

    Raises
    ------
    InputError
        The index is not regular or has no time zone.

    Notes
    -----
    Reda and Andreas, "Solar position algorithm for solar radiation applications", Solar Energy 76 (2004) 577,
    by pvlib (`seen and recomputed`: tests/references/test_sun_references.py). Air for the refraction: pressure of
    the altitude, 12 degC. Extraterrestrial: Spencer's series (1971) with pvlib's constant 1366.1 W/m2.
    """
    return _position(*_key(index, place)).set_axis(index)


def clear_sky(index: pd.DatetimeIndex, place: Place) -> pd.DataFrame:
    """Return the irradiance of a cloudless sky, at the middle of each interval.

    Parameters
    ----------
    index : DatetimeIndex, shape (n,)
        Regular, time-zone aware, START labels.
    place : Place

    Returns
    -------
    DataFrame, shape (n, 3)
        ghi, dni, dhi [W/m2]; ghi = dni * cos(apparent zenith) + dhi holds exactly. Cached like `position`.

    Notes
    -----
    Ineichen and Perez, "A new airmass independent formulation for the Linke turbidity coefficient", Solar Energy
    73 (2002) 151, with the monthly world climatology of turbidity that pvlib carries (`seen` in pvlib). Chosen
    because it needs nothing but the place: Solis-type models want aerosol and water vapour, for which no world
    climatology is at hand. A single day can be hazier or clearer by 10 %.
    """
    return _clear_sky(*_key(index, place)).set_axis(index)


def solar_noon(day: pd.DataFrame, place: Place) -> float:
    """Return when the sun is highest, by the clock of the table's time zone. [h after midnight, 0 to 24]

    Parameters
    ----------
    day : DataFrame, shape (n, ...)
        From `position`, the rows of one local day.
    place : Place

    Notes
    -----
    12 h + distance of the clock from universal time - longitude / 15 - equation of time, the last two in hours and
    taken in the middle of the day. Within a minute of the highest of 1440 positions (tests/sky/test_sun.py).
    """
    middle = len(day) // 2
    zone_h = day.index[middle].utcoffset() / pd.Timedelta(hours=1)
    return float(12 + zone_h - place.longitude / 15 - day["equation_of_time"].iloc[middle] / 60) % 24


def plane_of_array(
    weather: pd.DataFrame, solar: pd.DataFrame, surface_tilt: float, surface_azimuth: float, albedo: float = 0.2
) -> pd.DataFrame:
    """Return the irradiance on a tilted plane.

    Parameters
    ----------
    weather : DataFrame, shape (n, ...)
        ghi, dni, dhi. [W/m2]
    solar : DataFrame, shape (n, ...)
        From `position`, same index.
    surface_tilt, surface_azimuth : float
        0 is flat; azimuth clockwise from north, 180 faces south. [deg]
    albedo : float or array, shape (n,)
        Share of light that the ground reflects. 0.2 is the usual value for grass (`common practice, no source`).

    Returns
    -------
    DataFrame, shape (n, 8)
        poa_global = poa_direct + poa_diffuse; poa_diffuse = poa_sky_diffuse + poa_ground_diffuse; poa_sky_diffuse =
        poa_isotropic + poa_circumsolar [W/m2]; aoi: angle between beam and normal [deg].

    Notes
    -----
    Sky light by Hay and Davies (1980), `seen` in pvlib: part of it comes from around the sun and moves with the
    beam, the rest evenly from the dome. Chosen over Perez (1990) because it has no table of sky classes and so no
    jumps from minute to minute, and a year takes a few milliseconds. Perez adds a brighter horizon: about 2 % more
    in a year on a south roof in Greensboro (tests/sky/test_sun.py holds the number).
    """
    sun = solar["apparent_zenith"].to_numpy(), solar["azimuth"].to_numpy()
    ghi, dni, dhi = (weather[c].to_numpy(dtype=float) for c in ("ghi", "dni", "dhi"))
    plane, outside = (surface_tilt, surface_azimuth), solar["dni_extra"].to_numpy()
    aoi = pvlib.irradiance.aoi(*plane, *sun)
    sky = pvlib.irradiance.haydavies(*plane, dhi, dni, outside, *sun, return_components=True)
    ground = pvlib.irradiance.get_ground_diffuse(surface_tilt, ghi, albedo)
    parts = pvlib.irradiance.poa_components(aoi, dni, sky, ground)
    return pd.DataFrame(parts | {"aoi": aoi}, index=weather.index, copy=False)


def horizon_elevation(horizon, azimuth):
    """Return how high a horizon line stands at each azimuth (array). [deg]

    The corners (azimuth, elevation), in any order, are joined by straight lines in both angles, across north too.
    """
    if not len(horizon):
        return np.zeros(np.shape(azimuth))
    corners = np.array(horizon, dtype=float)
    return np.interp(azimuth, corners[:, 0], corners[:, 1], period=360.0)


def sky_view(horizon):
    """Return the share of an even sky's light that flat ground still gets above a horizon line. [0 to 1]

    Mean of cos^2(elevation) over all azimuths: the sine-weighted dome above the line (`seen and recomputed`: the tests
    integrate the dome in rings and fields).
    """
    line = horizon_elevation(horizon, np.arange(0.25, 360.0, 0.5))
    return float(np.mean(np.cos(np.radians(line)) ** 2))


def behind_horizon(weather, solar, horizon):
    """Return the weather as it arrives behind far hills.

    Parameters
    ----------
    weather : DataFrame, shape (n, ...)
        ghi, dni, dhi of the open site. [W/m2]
    solar : DataFrame, shape (n, ...)
        From `position`, same index.
    horizon : sequence of (azimuth, elevation)
        See `weather.Place`. Empty: the weather is returned as it is.

    Returns
    -------
    DataFrame, shape (n, ...)
        Same columns. While the sun's middle stands below the line, beam and the light around the sun are lost; the even
        part of the sky light is reduced to what `sky_view` leaves. ghi falls by what beam and sky light lose.

    Notes
    -----
    The light around the sun is Hay and Davies's share of dhi, dni over that outside the atmosphere. The even part is
    reduced alike for every plane: a steep plane that faces the hills loses more than this, one that turns its back on
    them less. Light that the hills throw back is left out. An interval counts as a whole by its middle.
    """
    if not len(horizon):
        return weather
    line = horizon_elevation(horizon, solar["azimuth"].to_numpy())
    # Where there is no hill, the file knows best when the sun is up.
    seen = (solar["apparent_elevation"].to_numpy() > line) | (line == 0.0)
    dni, dhi = (weather[c].to_numpy(dtype=float) for c in ("dni", "dhi"))
    around = np.clip(dni / solar["dni_extra"].to_numpy(), 0.0, 1.0)
    left_dni = np.where(seen, dni, 0.0)
    left_dhi = dhi * (np.where(seen, around, 0.0) + (1.0 - around) * sky_view(horizon))
    cosine = np.maximum(np.cos(np.radians(solar["apparent_zenith"].to_numpy())), 0.0)
    lost = (dni - left_dni) * cosine + (dhi - left_dhi)
    ghi = np.maximum(weather["ghi"].to_numpy(dtype=float) - lost, 0.0)
    return weather.assign(ghi=ghi, dni=left_dni, dhi=left_dhi)


def _key(index, place):
    """Return what sun and cloudless sky depend on: first label and step [ns], number of labels, and the spot."""
    step, first = check_index(index).value, int(index.as_unit("ns").asi8[0])
    return first, step, len(index), float(place.latitude), float(place.longitude), float(place.altitude_m)


@lru_cache(maxsize=6)
def _position(start_ns, step_ns, count, latitude, longitude, altitude_m):
    when = pd.DatetimeIndex(start_ns + step_ns // 2 + step_ns * np.arange(count, dtype="int64"), tz="UTC")
    spot = {"latitude": latitude, "longitude": longitude, "altitude": altitude_m, "method": "nrel_numpy"}
    table = _between_knots(when, spot) if step_ns < pd.Timedelta(_KNOTS).value else _at(when, spot)
    return table.assign(dni_extra=pvlib.irradiance.get_extra_radiation(when.day_of_year.to_numpy()))


def _at(when, spot):
    blocks = [when[first : first + _BLOCK] for first in range(0, len(when), _BLOCK)]
    return pd.concat([pvlib.solarposition.get_solarposition(block, **spot) for block in blocks])


def _between_knots(when, spot):
    """Return the table of `_at`, joined from positions every ten minutes, from an hour before to an hour after."""
    hour = pd.Timedelta(hours=1)
    known = _at(pd.date_range(when[0] - hour, when[-1] + hour, freq=_KNOTS), spot)
    high, around = np.radians(known["elevation"]), np.radians(known["azimuth"])
    columns = np.cos(high) * np.sin(around), np.cos(high) * np.cos(around), np.sin(high), known["equation_of_time"]
    since = [(index - when[0]) / hour for index in (known.index, when)]
    east, north, up, equation = CubicSpline(since[0], np.column_stack(columns))(since[1]).T
    elevation, azimuth = np.degrees(np.arctan2(up, np.hypot(east, north))), np.degrees(np.arctan2(east, north)) % 360
    pressure_hpa = pvlib.atmosphere.alt2pres(spot["altitude"]) / 100
    apparent = elevation + pvlib.spa.atmospheric_refraction_correction(pressure_hpa, 12, elevation, 0.5667)
    angles = 90 - apparent, 90 - elevation, apparent, elevation, azimuth, equation
    return pd.DataFrame(dict(zip(known.columns, angles)), when)


@lru_cache(maxsize=6)
def _clear_sky(start_ns, step_ns, count, latitude, longitude, altitude_m):
    solar = _position(start_ns, step_ns, count, latitude, longitude, altitude_m)
    # The climatology is monthly and interpolated by the day, so one look-up a day is enough.
    days, which = np.unique(solar.index.normalize().asi8, return_inverse=True)
    with warnings.catch_warnings():  # pvlib still asks pandas for a name that pandas is about to drop
        warnings.simplefilter("ignore", DeprecationWarning)
        by_day = pvlib.clearsky.lookup_linke_turbidity(pd.DatetimeIndex(days, tz="UTC"), latitude, longitude)
    zenith, outside = solar["apparent_zenith"].to_numpy(), solar["dni_extra"].to_numpy()
    airmass = pvlib.atmosphere.get_relative_airmass(zenith)  # not a number while the sun is down: pvlib makes it 0 W/m2
    thickness = pvlib.atmosphere.get_absolute_airmass(airmass, pvlib.atmosphere.alt2pres(altitude_m))
    with np.errstate(divide="ignore", invalid="ignore"):
        sky = pvlib.clearsky.ineichen(zenith, thickness, by_day.to_numpy()[which], altitude_m, outside)
    return pd.DataFrame(sky, solar.index)
