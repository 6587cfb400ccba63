"""Where the sun stands, what a cloudless sky would give, and what falls on a tilted plane.

Every interval is represented by the sun at its MIDDLE: an hour taken at its start or end turns the sun by 7.5
degrees and shifts energy between east and west roofs.
"""

import warnings
from functools import lru_cache

import numpy as np
import pandas as pd
import pvlib

from solarlib.quantities import check_index
from solarlib.sky.clouds import minutes

_BLOCK = 44640  # sun positions computed at once: a month of minutes, so that a year stays small in memory


def position(index, place):
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
    step = check_index(index)
    return pd.DataFrame(_position(*_key(index, step), _spot(place)), index=index, copy=False)


def clear_sky(index, place):
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
    step = check_index(index)
    return pd.DataFrame(_clear_sky(*_key(index, step), _spot(place)), index=index, copy=False)


def solar_noon(day, place):
    """Return when the sun is highest, by the clock of the table's time zone. [h after midnight, 0 to 24]

    Parameters
    ----------
    day : DataFrame, shape (n, ...)
        From `position`, the rows of one local day.
    place : Place

    Notes
    -----
    12 h + distance of the clock from universal time - longitude / 15 - equation of time, the last two in hours and
    taken in the middle of the day. Within a minute of the highest of 1440 positions (tests/test_sun.py).
    """
    middle = len(day) // 2
    zone_h = day.index[middle].utcoffset() / pd.Timedelta(hours=1)
    return float(12 + zone_h - place.longitude / 15 - day["equation_of_time"].iloc[middle] / 60) % 24


def plane_of_array(weather, solar, surface_tilt, surface_azimuth, albedo=0.2):
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
    DataFrame, shape (n, 7)
        poa_global = poa_direct + poa_diffuse; poa_diffuse = poa_isotropic + poa_circumsolar + poa_ground_diffuse
        [W/m2]; aoi: angle between beam and normal [deg].

    Notes
    -----
    Sky light by Hay and Davies (1980), `seen` in pvlib: part of it comes from around the sun and moves with the
    beam, the rest evenly from the dome. Chosen over Perez (1990) because it has no table of sky classes and so no
    jumps from minute to minute, and a year takes a few milliseconds. Perez adds a brighter horizon: about 2 % more
    in a year on a south roof in Greensboro (tests/test_sun.py holds the number).
    """
    zenith, azimuth = solar["apparent_zenith"].to_numpy(), solar["azimuth"].to_numpy()
    ghi, dni, dhi = (weather[c].to_numpy(dtype=float) for c in ("ghi", "dni", "dhi"))
    cos_aoi = np.clip(pvlib.irradiance.aoi_projection(surface_tilt, surface_azimuth, zenith, azimuth), -1.0, 1.0)
    direct = dni * np.maximum(cos_aoi, 0.0)
    sky = pvlib.irradiance.haydavies(
        surface_tilt, surface_azimuth, dhi, dni, solar["dni_extra"].to_numpy(), zenith, azimuth, return_components=True
    )
    ground = ghi * np.asarray(albedo) * (0.5 * (1.0 - np.cos(np.radians(surface_tilt))))
    diffuse = sky["poa_isotropic"] + sky["poa_circumsolar"] + ground
    return pd.DataFrame(
        {
            "poa_global": direct + diffuse,
            "poa_direct": direct,
            "poa_diffuse": diffuse,
            "poa_isotropic": sky["poa_isotropic"],
            "poa_circumsolar": sky["poa_circumsolar"],
            "poa_ground_diffuse": ground,
            "aoi": np.degrees(np.arccos(cos_aoi)),
        },
        index=weather.index,
        copy=False,
    )


def horizon_elevation(horizon, azimuth):
    """Return how high a horizon line stands at each azimuth (array). [deg]

    The corners (azimuth, elevation), any order, are joined by straight lines in azimuth and elevation, across north too.
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
    seen = (solar["apparent_elevation"].to_numpy() > line) | (
        line == 0.0
    )  # no hill: the file knows best when the sun is up
    dni, dhi = (weather[c].to_numpy(dtype=float) for c in ("dni", "dhi"))
    around = np.clip(dni / solar["dni_extra"].to_numpy(), 0.0, 1.0)
    left_dni = np.where(seen, dni, 0.0)
    left_dhi = dhi * (np.where(seen, around, 0.0) + (1.0 - around) * sky_view(horizon))
    cosine = np.maximum(np.cos(np.radians(solar["apparent_zenith"].to_numpy())), 0.0)
    lost = (dni - left_dni) * cosine + (dhi - left_dhi)
    ghi = np.maximum(weather["ghi"].to_numpy(dtype=float) - lost, 0.0)
    return weather.assign(ghi=ghi, dni=left_dni, dhi=left_dhi)


def minute_weather(weather, place, rng):
    """Return one-minute weather that keeps the hourly means: `clouds.minutes` with this place's cloudless sky.

    Parameters
    ----------
    weather : DataFrame, shape (h, ...)
        Hourly, START labels, from `weather.read_weather`.
    place : Place
    rng : numpy.random.Generator

    Returns
    -------
    DataFrame, shape (60 h, 5)
    """
    start, end = weather.index[0], weather.index[-1] + check_index(weather.index)
    index = pd.date_range(start, end, freq="1min", inclusive="left")
    return minutes(weather, clear_sky(index, place), rng)


def _key(index, step):
    utc = index.as_unit("ns").asi8
    return int(utc[0]), step.value, len(index)


def _spot(place):
    return float(place.latitude), float(place.longitude), float(place.altitude_m)


def _middles(start_ns, step_ns, count):
    return pd.DatetimeIndex(start_ns + step_ns // 2 + step_ns * np.arange(count, dtype="int64"), tz="UTC")


@lru_cache(maxsize=6)
def _position(start_ns, step_ns, count, spot):
    latitude, longitude, altitude = spot
    when = _middles(start_ns, step_ns, count)
    names = ("apparent_zenith", "zenith", "apparent_elevation", "elevation", "azimuth", "equation_of_time")
    blocks = []
    for first in range(0, count, _BLOCK):
        solar = pvlib.solarposition.get_solarposition(
            when[first : first + _BLOCK], latitude, longitude, altitude=altitude, method="nrel_numpy"
        )
        blocks.append(solar[list(names)].to_numpy())
    table = dict(zip(names, np.concatenate(blocks).T.copy()))
    table["dni_extra"] = np.asarray(pvlib.irradiance.get_extra_radiation(when.day_of_year.to_numpy()), dtype=float)
    return _frozen(table)


@lru_cache(maxsize=6)
def _clear_sky(start_ns, step_ns, count, spot):
    latitude, longitude, altitude = spot
    solar = _position(start_ns, step_ns, count, spot)
    when = _middles(start_ns, step_ns, count)
    # The climatology is monthly and interpolated by the day, so one look-up a day is enough.
    days, which = np.unique(when.normalize().asi8, return_inverse=True)
    with warnings.catch_warnings():  # pvlib still asks pandas for a name that pandas is about to drop
        warnings.simplefilter("ignore", DeprecationWarning)
        by_day = pvlib.clearsky.lookup_linke_turbidity(pd.DatetimeIndex(days, tz="UTC"), latitude, longitude)
    up = np.flatnonzero(solar["apparent_zenith"] < 90.0)  # the formula divides by the cosine
    zenith = solar["apparent_zenith"][up]
    airmass = pvlib.atmosphere.get_absolute_airmass(
        pvlib.atmosphere.get_relative_airmass(zenith), pvlib.atmosphere.alt2pres(altitude)
    )
    sky = pvlib.clearsky.ineichen(
        zenith, airmass, by_day.to_numpy()[which[up]], altitude, dni_extra=solar["dni_extra"][up]
    )
    table = {name: np.zeros(count) for name in ("ghi", "dni", "dhi")}
    for name, values in table.items():
        values[up] = sky[name]
    return _frozen(table)


def _frozen(table):
    for values in table.values():
        values.setflags(write=False)
    return table
