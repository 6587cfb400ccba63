"""Minutes out of hours: clouds that pass within the hour, with the hour's light kept exactly."""

from types import SimpleNamespace

import numpy as np
import pandas as pd
from scipy.ndimage import maximum_filter1d
from scipy.signal import lfilter
from scipy.special import ndtr

from solarlib.quantities import check_index, refusal, refuse_if, texts_beside
from solarlib.sky.numerics import ratio, where_reaches
from solarlib.sky.sun import clear_sky
from solarlib.sky.weather import LIGHT, Place

_CLOUD = SimpleNamespace(**texts_beside(__file__, "clouds"))


def minute_weather(weather: pd.DataFrame, place: Place, rng: np.random.Generator) -> pd.DataFrame:
    """Make one-minute weather whose hourly means are the given hours.

    Parameters
    ----------
    weather : DataFrame, shape (h, ...)
        ghi, dni, dhi [W/m2], and temp_air [degC], wind_speed [m/s] where wanted; START labels of hours.
    place : Place
        Where the sun is to be: the cloudless sky of every minute comes from `sun.clear_sky`.
    rng : numpy.random.Generator

    Returns
    -------
    DataFrame, shape (60 h, 3 to 5)
        Same columns. ghi = dni * cos(zenith) + dhi in every minute. Hourly means of ghi, temp_air and wind_speed are
        the input's to rounding. So is dhi's, except where the file's beam cannot come from the sun's position (low
        sun) or its dhi exceeds ghi: 0.4 % of a year's dhi or less in the three files that pvlib ships. dni follows
        from both; its yearly sum comes out 0.8 to 1.7 % below those files', nearly all of it at low sun.
        Hours of zero ghi stay zero. Twilight hours, which the model does not know, are even while the sun is up and 12
        minutes beyond.

    Raises
    ------
    InputError
        Labels that are not hours; a missing column; a missing or negative irradiance.

    Notes
    -----
    Two hidden Gaussian processes with memory run through the year: one turns the sun on and off, one makes the sky
    light wander. In each hour the first is shifted until the hour has exactly its share of sunshine, so an hour of
    half sun is mostly full sun or none, and a bright edge of a cloud can exceed the cloudless sky. An hour with a
    strong beam that agrees with its neighbours counts as clear and stays calm. This is the family of models with a
    Gaussian process mapped to the distribution that belongs to the hour: Skartveit and Olseth, "The probability
    density and autocorrelation of short-term global and beam irradiance", Solar Energy 49 (1992) 477; Munkhammar
    and Widen, "An autocorrelation-based copula model for generating realistic clear-sky index time-series", Solar
    Energy 158 (2017) 9 (both `from memory`); form and constants here are `built here`.

    The constants (``clouds.toml``) were searched on 15 days of one-minute records of the station Payerne, June 2016
    (Baseline Surface Radiation Network, as carried by the test data of pvlib 0.10.5; not shipped); rounding them, the
    rule for clear hours and the wider edges of thin cloud were settled on all 29 days and on nine winter days of
    five-minute records from Golden, Colorado (data/sky_five_minutes.csv.gz). Payerne, sun above 6 degrees, measured
    against made ghi, the first 15 and the other 14 days: distance of the distributions of the clear-sky index 0.03 and
    0.03; 50, 90, 95, 99 % of the one-minute changes 5 43 103 336 against 4 40 93 278, and 5 80 165 400 against 4 76
    144 317 W/m2. Golden: distance 0.11; 90 and 99 % of the five-minute changes 58 and 191 against 80 and 264 W/m2. Two
    places and seasons: expect worse elsewhere. Too quiet is the made clear hour (a lone cloud is missing); too lively
    is a high winter sky with thin cloud; gusts of wind are not made at all.
    """
    _check(weather)
    count, index = len(weather), weather.index
    minutes = pd.date_range(index[0], index[-1] + pd.Timedelta(hours=1), freq="1min", inclusive="left")
    ghi, dhi = (weather[c].to_numpy(dtype=float) for c in ("ghi", "dhi"))  # dni follows; see Returns
    clear = {c: values.to_numpy().reshape(count, 60) for c, values in clear_sky(minutes, place).items()}
    clear_beam = clear["ghi"] - clear["dhi"]  # on the flat
    hour_beam = clear_beam.mean(axis=1)
    beam, sky, beam_index, sky_index = _hour_indices(ghi, dhi, hour_beam, clear["dhi"].mean(axis=1))
    usable = hour_beam > _CLOUD.high_enough
    calm = _calm(beam_index, sky_index, hour_beam)

    hidden = _fading(60 * count, _CLOUD.beam_min, 1, rng)
    own = _fading(60 * count, _CLOUD.sky_min, 2, rng)
    wander = _CLOUD.sky_with_beam * hidden + np.sqrt(1.0 - _CLOUD.sky_with_beam**2) * own

    ceiling = _between(_ceiling(beam_index, calm, usable), usable).reshape(count, 60)
    edge = _CLOUD.edge * np.clip(sky_index / _CLOUD.thin, 1.0, 3.0) ** 2
    factor = _beam_factor(beam, clear_beam, ceiling, calm, hidden.reshape(count, 60), edge)
    sky_minutes = _sky_light(sky, sky_index, clear["dhi"], calm, usable, wander.reshape(count, 60))
    made = {"ghi": factor * clear_beam + sky_minutes, "dni": factor * clear["dni"], "dhi": sky_minutes}
    table = {name: values.ravel() for name, values in made.items()}
    table |= {c: _smooth(weather[c].to_numpy(dtype=float), c) for c in ("temp_air", "wind_speed") if c in weather}
    return pd.DataFrame(table, index=minutes, copy=False)


def _check(weather):
    missing = [c for c in LIGHT if c not in weather]
    refuse_if(missing, "no_light_column", "weather", columns=missing)
    step = check_index(weather.index, "weather")
    refuse_if(step != pd.Timedelta(hours=1), "not_hours", "weather", step=step)
    values = weather[[*LIGHT]].to_numpy(dtype=float)
    odd = np.flatnonzero(~(values >= 0.0).all(axis=1))
    if odd.size:
        raise refusal("negative_light", f"weather, row {odd[0] + 1}", values=values[odd[0]].tolist())


def _hour_indices(ghi, dhi, clear_beam, clear_sky):
    """Split each hour's ghi into beam and sky light that the sun's position allows, also over the cloudless ones."""
    beam = np.where(clear_beam > 1.0, np.clip(ghi - dhi, 0.0, _CLOUD.most_beam * clear_beam), 0.0)
    sky = ghi - beam
    return beam, sky, ratio(beam, clear_beam, 1.0), ratio(sky, clear_sky, 1.0)


def _calm(beam_index, sky_index, clear_beam):
    """Hours that look like a clear sky: strong beam, and either a dark sky or a beam in line with the hours beside."""
    reliable = clear_beam > 100.0
    has_before, has_after = np.roll(reliable, 1), np.roll(reliable, -1)
    has_before[0] = has_after[-1] = False
    known = has_before.astype(float) + has_after
    beside = np.roll(beam_index, 1) * has_before + np.roll(beam_index, -1) * has_after
    middle = np.where(known > 0, beside / np.maximum(known, 1.0), beam_index)
    steady = (np.abs(beam_index - middle) < 0.05) & (sky_index < _CLOUD.most_sky)
    return (clear_beam > _CLOUD.high_enough) & (beam_index > 0.6) & (steady | (sky_index < 0.8))


def _ceiling(beam_index, calm, usable):
    """Beam index of the gaps between clouds: the clearest hour of the day around, a little above the hour itself."""
    clearest = maximum_filter1d(np.where(usable, beam_index, 0.0), 49, mode="constant")
    cloudy = np.maximum(1.03 * np.clip(clearest, 0.95, 1.25), 1.02 * beam_index)
    return np.where(calm, beam_index, cloudy)


def _between(hour_values, usable):
    """Draw hour values as lines between the middles of the usable hours, one value a minute."""
    known = np.flatnonzero(usable)
    if not known.size:
        return np.ones(60 * len(hour_values))
    return np.interp(np.arange(60 * len(hour_values)) + 0.5, known * 60 + 30.0, hour_values[known])


def _beam_factor(beam, clear_beam, ceiling, calm, hidden, edge):
    """Return beam over cloudless beam for each minute: the hidden process, shifted to each hour's sunshine."""
    factor = np.zeros_like(clear_beam)
    lit = np.flatnonzero(beam > 0.0)
    most = (clear_beam * ceiling)[lit]
    whole = most.sum(axis=1)
    # 1e-6: an hour without cloud would need an infinite shift; the last line makes the sum exact anyway.
    wanted = np.where(calm[lit], 1.0 - 1e-6, np.clip(60.0 * beam[lit] / whole, 1e-6, 1.0 - 1e-6))
    z, width = hidden[lit], edge[lit, None]

    def shining(shift):
        return ndtr((z + shift[:, None]) / width)

    far = np.full(lit.size, 14.0)
    best = where_reaches(lambda shift: (shining(shift) * most).sum(axis=1), wanted * whole, -far, far, 30)
    sunshine = shining(best)
    exact = 60.0 * beam[lit] / (sunshine * most).sum(axis=1)
    factor[lit] = sunshine * ceiling[lit] * exact[:, None]
    return factor


def _sky_light(sky, sky_index, clear_sky, calm, usable, wander):
    """Return the sky light of each minute, shape (h, 60). [W/m2]"""
    spread = np.where(calm, _CLOUD.calm_spread, _CLOUD.sky_spread)[:, None]
    trend = np.maximum(_between(sky_index, usable), 0.1).reshape(clear_sky.shape)
    shape = clear_sky * trend * np.exp(spread * _CLOUD.sky_reach * np.tanh(wander / _CLOUD.sky_reach))
    known = (sky_index > 0.0) & (usable | (sky_index < _CLOUD.most_sky))
    dusk = maximum_filter1d((clear_sky > 0.0).ravel().astype(float), 2 * _CLOUD.dusk_min + 1).reshape(clear_sky.shape)
    shape[~known] = np.where(dusk.any(axis=1, keepdims=True), dusk, 1.0)[~known]
    return shape * (60.0 * sky / shape.sum(axis=1))[:, None]


def _smooth(hour_values, name):
    """Return minutes that run from hour to hour and keep each hour's mean."""
    line = _between(hour_values, np.ones(len(hour_values), dtype=bool)).reshape(-1, 60)
    mean = line.mean(axis=1)
    if name == "wind_speed":  # scaled, because a shift could make it negative
        return (line * ratio(hour_values, mean)[:, None]).ravel()
    return (line + (hour_values - mean)[:, None]).ravel()


def _fading(count, minutes_constant, passes, rng):
    """Return a stationary Gaussian process of mean 0 and spread 1, remembered with exp(-t / constant)."""
    keep = np.exp(-1.0 / minutes_constant)
    lead = int(12 * minutes_constant)
    values = rng.standard_normal(count + lead)
    for _ in range(passes):
        values = lfilter([1.0], [1.0, -keep], values)
    variance = 1.0 / (1.0 - keep**2) if passes == 1 else (1.0 + keep**2) / (1.0 - keep**2) ** 3
    return values[lead:] / np.sqrt(variance)
