"""A typical year of hours anywhere on Earth, made from twelve monthly means out of an atlas.

Months -> days -> hours: each step draws what the step above leaves open and keeps its sum exactly.
"""

from dataclasses import dataclass
from datetime import timezone
from math import gamma
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pvlib
from scipy.special import betaincinv, ndtr

from solarlib.quantities import HOURS_PER_YEAR, refuse_if, require, texts_beside, year_index
from solarlib.sky.numerics import ratio, where_reaches
from solarlib.sky.sun import clear_sky, position
from solarlib.sky.weather import Place, standard_offset

_MONTHS = "January February March April May June July August September October November December".split()

_LEARNT = SimpleNamespace(**texts_beside(__file__, "climate"))


@dataclass(frozen=True)
class MonthlyMeans:
    """What an atlas tells of a place's weather, January to December.

    Parameters
    ----------
    irradiation : sequence of 12 float
        Mean daily global irradiation of the flat ground. [kWh/m2/day]
    temp_air : sequence of 12 float
        Mean temperature of the air. [degC]
    wind_speed : float
        Mean of the year. 3 m/s is common practice, no source. [m/s]
    seed : int
        Names one of the many years with these means; for those who make the Generator.
    diffuse : sequence of 12 float, optional
        Mean daily diffuse irradiation of the flat ground. With it the beam needs no guess. [kWh/m2/day]

    Raises
    ------
    InputError
        Not twelve numbers, a number out of range, or more diffuse than global light.
    """

    irradiation: tuple
    temp_air: tuple
    wind_speed: float = 3.0
    seed: int = 1
    diffuse: tuple = ()

    def __post_init__(self):
        known = {"irradiation": (0, 14, "kWh/m2/day"), "temp_air": (-80, 50, "degC")}
        known["diffuse"] = 0, self.irradiation, "kWh/m2/day: no more than all light of the month"
        for name, (low, high, unit) in known.items():
            values = tuple(getattr(self, name))
            if name == "diffuse" and not values:
                continue
            refuse_if(len(values) != 12, "not_twelve", name, count=len(values))
            most = np.broadcast_to(high, 12).tolist()
            checked = (require(v, f"{name}, {month}", low, m, unit) for month, v, m in zip(_MONTHS, values, most))
            object.__setattr__(self, name, tuple(checked))
        require(self.wind_speed, "wind_speed", 0, 30, "m/s")


def typical_year(place: Place, means: MonthlyMeans, rng: np.random.Generator) -> pd.DataFrame:
    """Make one year of hourly weather that has the monthly means.

    Parameters
    ----------
    place : weather.Place
        Any latitude; a month of polar night has no light to give.
    means : MonthlyMeans
    rng : numpy.random.Generator

    Returns
    -------
    DataFrame, 8760 rows
        ghi, dni, dhi [W/m2], temp_air [degC], wind_speed [m/s]. Labels are the START of each hour of
        `quantities.TYPICAL_YEAR` in the standard time of the place. Monthly means of ghi and temp_air and the yearly
        mean of wind_speed are the given ones to rounding; ghi = dni * cos(apparent zenith) + dhi in every hour.

    Raises
    ------
    InputError
        A month with more light than the sun brings there, with the most that is allowed.

    Notes
    -----
    Clearness is irradiation over that outside the atmosphere.

    Days. Each month's clearness follows Gordon and Reddy, "Time series analysis of daily horizontal solar radiation",
    Solar Energy 41 (1988) 215 (`from memory`): a beta distribution with the exponents n and 1, here from 0.05 up to the
    greatest clearness of Hollands and Huget, "A probability density function for the clearness index", Solar Energy
    30 (1983) 195 (`from memory`). n is what the month's mean wants. The order is a Gaussian process, as by Graham,
    Hollands and Brunger, Solar Energy 40 (1988) 83 (`from memory`). The days of a month stand evenly on the
    distribution, so that the year is a typical one; they then remember 0.24 of the day before, the mean of the eleven
    stations on which that was learnt (`tests/stations.py` states the split); the other twelve have 0.27 (0.09 to 0.49).

    Hours. Mean, spread and memory of the hours of a day by Aguiar and Collares-Pereira, "TAG: a time-dependent,
    autoregressive, Gaussian model for generating synthetic hourly radiation", Solar Energy 49 (1992) 167 (`from
    memory`); the Gaussian process is mapped to a beta distribution as by Graham and Hollands, Solar Energy 44 (1990)
    333 (`from memory`), because the hours of a mixed day are rather dull or bright than middling. Joining the two, and
    the limits of the hours, are `built here`: the limits were searched on the typical years of Greensboro and Sand
    Point. Diffuse share by Maxwell's DISC, SERI/TR-215-3087 (1987), `seen` in pvlib: with the files' own ghi it misses
    their light on 13 planes by 2 % at most, where Erbs's correlation misses by 7 %.

    Heat. The day's course by Erbs, Klein and Beckman, "Estimation of degree-days and ambient temperature bin data from
    monthly-average temperatures", ASHRAE Journal 25 (1983) 60 (`from memory`); warm and cold spells and Rayleigh's
    distribution of the wind are `built here`.

    Measured at 21 stations on which no light was tuned (tests/references/test_climate_references.py): within how much
    of the truth the light on a plane lies, `bands.made_band` tells by class of plane; 3 % hold at nine places in ten
    for pairs of east and west up to 30 deg, and with the diffuse light of the months for planes toward the equator up
    to 60 deg; without it 4.5 %. At the two that were tuned on all is better: eleven
    planes within 3 %. Not made: cold that goes with clear nights, afternoons cloudier than mornings, calm nights, the
    good and the bad years.
    """
    index = year_index("1h", timezone(standard_offset(place.tz)))
    solar = position(index, place)
    month = index.month.to_numpy() - 1
    cosine = np.maximum(np.cos(np.radians(solar["apparent_zenith"].to_numpy())), 0.0)
    outside = solar["dni_extra"].to_numpy() * cosine
    cloudless = clear_sky(index, place)["ghi"].to_numpy()

    days = _day_clearness(outside, cloudless, month, means, rng)
    ghi = outside * _hour_clearness(days, outside, cloudless, cosine, rng)
    for number, wanted in enumerate(means.irradiation):  # what is left of rounding
        rows = month == number
        ghi[rows] *= wanted / (ghi[rows].mean() * 0.024) if wanted else 0.0
    dni, most = estimated_beam(ghi, solar, place), np.minimum(ratio(ghi, cosine), solar["dni_extra"].to_numpy())
    for number, wanted in enumerate(means.diffuse):
        rows = month == number
        dni[rows] = _beam_of_month(dni[rows], most[rows], cosine[rows], ghi[rows].mean() - wanted / 0.024)
    year = pd.DataFrame({"ghi": ghi, "dni": dni, "dhi": np.maximum(ghi - dni * cosine, 0.0)}, index)
    warm = _temperature(means.temp_air, days, _solar_time(index, place, solar), month, rng)
    return year.assign(temp_air=warm, wind_speed=_wind(means.wind_speed, rng))


def estimated_beam(ghi, solar, place):
    """Return the beam that belongs to hours of ghi by Maxwell's DISC, no more than ghi allows. [W/m2]"""
    cosine = np.maximum(np.cos(np.radians(solar["apparent_zenith"].to_numpy())), 0.0)
    air = solar.index.day_of_year.to_numpy(), pvlib.atmosphere.alt2pres(place.altitude_m)
    return np.clip(pvlib.irradiance.disc(ghi, solar["zenith"].to_numpy(), *air)["dni"], 0.0, ratio(ghi, cosine))


def _beam_of_month(dni, most, cosine, wanted):
    """Return a month's beam scaled so that the flat ground gets the wanted mean of it, or what is possible. [W/m2]"""

    def scaled(factor):
        return np.minimum(factor * dni, most)

    return scaled(where_reaches(lambda factor: (scaled(factor) * cosine).mean(), wanted, 0.0, 20.0, 50))


def _day_clearness(outside, cloudless, month, means, rng):
    """Return the clearness of each of the 365 days."""
    possible = outside.reshape(-1, 24).sum(axis=1) / 1000.0  # kWh/m2
    clear = ratio(cloudless.reshape(-1, 24).sum(axis=1) / 1000.0, possible)
    order = _remembering(np.full(365, _LEARNT.day_memory), rng)
    clearness = np.zeros(365)
    for number, mean in enumerate(means.irradiation):
        days = np.flatnonzero(month[::24] == number)
        clearness[days] = _month_clearness(_MONTHS[number], mean, possible[days], clear[days], order[days])
    return clearness


def _month_clearness(month, mean, light, clear, order):
    """Return the clearness of one month's days in their order; ``light`` outside the air and ``clear`` bound it."""
    wanted, most = mean * light.size, _LEARNT.most_clearness * light.mean()
    above = {"mean": mean, "most": most, "share": _LEARNT.most_clearness}
    refuse_if(mean > most, "light_beyond_the_air", f"monthly irradiation, {month}", **above)
    if wanted == 0.0:
        return np.zeros(light.size)
    share = wanted / light.sum()
    known = max(share, 0.2)  # below, the formula has no meaning and turns negative
    high = np.full(light.size, 0.6313 + 0.267 * known - 11.9 * (known - 0.75) ** 8)
    hazy = np.minimum(high, _LEARNT.day_over_clear * clear)
    high = hazy if (hazy * light).sum() > 1.02 * wanted else high
    low = np.minimum(min(_LEARNT.least_day, share / 2.0), high / 2.0)
    rank = (order.argsort().argsort() + 0.5) / light.size

    def drawn(log_exponent):
        return low + (high - low) * betaincinv(np.exp(log_exponent), 2.0, rank)

    return drawn(where_reaches(lambda exponent: (drawn(exponent) * light).sum(), wanted, -7.0, 9.0, 50))


def _hour_clearness(days, outside, cloudless, cosine, rng):
    """Return the clearness of each hour; the day's light is the day's clearness times that outside the air."""
    day = np.repeat(days, 24)
    mean, spread, memory = _day_course(day, np.maximum(cosine, 0.02))
    rank = np.clip(ndtr(_remembering(memory, rng)), 1e-9, 1.0 - 1e-9)
    up = np.flatnonzero((outside > 0.0) & (day > 0.0))
    which, light = up // 24, outside[up]
    high = np.maximum(_LEARNT.bright_hour * cloudless[up] / light, 0.05)
    low = np.minimum(np.minimum(_LEARNT.dull_hour, _LEARNT.dull_of_day * day[up]), 0.9 * high)
    middle = np.clip((mean[up] - low) / (high - low), 0.02, 0.98)
    variance = np.minimum((spread[up] / (high - low)) ** 2, 0.9 * middle * (1.0 - middle))
    both = middle * (1.0 - middle) / variance - 1.0  # sum of the beta distribution's two exponents
    odds = np.log(middle / (1.0 - middle))

    def drawn(shift):
        share = 1.0 / (1.0 + np.exp(-odds - shift[which]))
        return low + (high - low) * betaincinv(share * both, (1.0 - share) * both, rank[up])

    def sums(values):
        return np.bincount(which, values * light, minlength=days.size)

    wanted = days * outside.reshape(-1, 24).sum(axis=1)
    far = np.full(days.size, 6.0)
    best = drawn(where_reaches(lambda shift: sums(drawn(shift)), wanted, -far, far, 25))
    clearness = np.zeros(outside.size)
    # A day above the cloudless model or below the dullest hours: all its hours alike.
    clearness[up] = best * ratio(wanted, sums(best), otherwise=1.0)[which]
    return clearness


def _day_course(day, sine):
    """Return mean, spread and memory of the hours' clearness for that of the day and the sine of the sun's height."""
    far = 0.19 + 2.27 * day**2 - 2.51 * day**3
    mean = -0.19 + 1.12 * day + 0.24 * np.exp(-8.0 * day) + (0.32 - 1.6 * (day - 0.5) ** 2) * np.exp(-far / sine)
    spread = 0.14 * np.exp(-20.0 * (day - 0.35) ** 2) * np.exp((3.0 * (day - 0.45) ** 2 + 16.0 * day**5) * (1.0 - sine))
    return mean, spread, 0.38 + 0.06 * np.cos(7.4 * day - 2.5)


def _remembering(memory, rng):
    """Return a Gaussian process of mean 0 and spread 1 that keeps ``memory`` (one value a step) of the step before."""
    fresh = np.sqrt(1.0 - memory**2) * rng.standard_normal(memory.size)
    fresh[0] /= np.sqrt(1.0 - memory[0] ** 2)
    values, last = np.empty(memory.size), 0.0
    for step, (keep, new) in enumerate(zip(memory.tolist(), fresh.tolist())):
        values[step] = last = keep * last + new
    return values


def _solar_time(index, place, solar):
    """Return the sun's own clock in the middle of each hour. [h]"""
    utc = (index.as_unit("s").asi8 % 86_400) / 3600.0 + 0.5
    return utc + place.longitude / 15.0 + solar["equation_of_time"].to_numpy() / 60.0


def _temperature(monthly, days, solar_time, month, rng):
    """Return hourly temperatures: the months' course, warm and cold spells, and the day's course. [degC]"""
    t = 2.0 * np.pi * (solar_time - 1.0) / 24.0
    shape = sum(size * np.cos(number * t - phase) for number, (size, phase) in enumerate(_LEARNT.day_course, 1))
    swing = np.maximum(25.8 * np.repeat(days, 24) - 5.21, 1.0)  # a cloudy day hardly warms
    # Spells grow with the seasons: where months differ much, winds from afar bring much change.
    spread = 1.0 + 0.15 * (max(monthly) - min(monthly))
    noon = np.arange(365) * 24.0 + 12.0
    by_day = _remembering(np.full(365, _LEARNT.warm_memory), rng)
    spells = spread * np.interp(np.arange(HOURS_PER_YEAR) + 0.5, noon, by_day)
    course = swing * shape + spells
    return course + _through_months(np.array(monthly) - np.array([course[month == m].mean() for m in range(12)]), month)


def _through_months(means, month):
    """Return hourly values on straight lines from mid-month to mid-month that have the given monthly means."""
    first = np.array([np.flatnonzero(month == m)[0] for m in range(12)] + [HOURS_PER_YEAR], dtype=float)
    middle = 0.5 * (first[:-1] + first[1:])
    hour = np.arange(HOURS_PER_YEAR) + 0.5
    tents = np.column_stack([np.interp(hour, middle, row, period=HOURS_PER_YEAR) for row in np.eye(12)])
    weights = np.array([tents[month == m].mean(axis=0) for m in range(12)])
    return tents @ np.linalg.solve(weights, means)


def _wind(mean, rng):
    """Return hourly wind with Rayleigh's distribution. [m/s]"""
    rank = ndtr(_remembering(np.full(HOURS_PER_YEAR, _LEARNT.gust_memory), rng))
    speed = np.sqrt(-np.log1p(-rank)) / gamma(1.5)
    return mean * speed / speed.mean()
