"""Formulas and cases of books that checks of this library and of its dependencies share. Nothing here is solarlib's.

D&B = Duffie and Beckman, *Solar Engineering of Thermal Processes*.
"""

import numpy as np
import pandas as pd
from pvlib.solarposition import declination_cooper69, spa_python, sun_rise_set_transit_spa

# Load (share of the rating) -> weight. Bower et al., Sandia/CEC inverter test protocol (2004); JRC Ispra
CEC = {0.10: 0.04, 0.20: 0.05, 0.30: 0.12, 0.50: 0.21, 0.75: 0.53, 1.00: 0.05}
EURO = {0.05: 0.03, 0.10: 0.06, 0.20: 0.13, 0.30: 0.10, 0.50: 0.48, 1.00: 0.20}


def weighted(weights, efficiency):
    """Return the weighted mean of an efficiency, a function of the load."""
    return sum(share * efficiency(load) for load, share in weights.items())


def unix(text, tz="UTC"):
    """Return an instant as an array of one number. [s]"""
    return np.array([pd.Timestamp(text, tz=tz).timestamp()])


def rad(*degrees):
    """Return several angles in radians."""
    return tuple(np.radians(d) for d in degrees)


def cooper(day):
    """Return the declination of a day of the year by Cooper's formula. [deg]"""
    return float(np.degrees(declination_cooper69(day)))


def rise_set(place, day, tz, delta_t=67.0):
    """Return sunrise, sunset, transit of a civil day and the apparent elevation at transit."""
    latitude, longitude = place
    found = sun_rise_set_transit_spa(pd.DatetimeIndex([day], tz=tz), latitude, longitude, delta_t=delta_t).iloc[0]
    noon = spa_python(pd.DatetimeIndex([found["transit"]]), latitude, longitude, delta_t=delta_t)
    return found["sunrise"], found["sunset"], found["transit"], float(noon["elevation"].iloc[0])


def flat_extraterrestrial(latitude, declination, first, last, normal_w):
    """Integral between two hour angles. [MJ/m2]"""
    phi, delta, a, b = rad(latitude, declination, first, last)
    geometry = np.cos(phi) * np.cos(delta) * (np.sin(b) - np.sin(a)) + (b - a) * np.sin(phi) * np.sin(delta)
    return 12 * 3600 / np.pi * normal_w * geometry / 1e6


def february_case():
    """D&B ex. 2.15.1: latitude 40, slope 60 south, 20 February 9 to 10 h, I = 1.04 MJ/m2, ground 0.60."""
    phi, delta, tilt, omega = (np.radians(40), float(declination_cooper69(51)), np.radians(60), np.radians(-37.5))
    cos_zenith = np.cos(phi) * np.cos(delta) * np.cos(omega) + np.sin(phi) * np.sin(delta)
    cos_aoi = np.cos(phi - tilt) * np.cos(delta) * np.cos(omega) + np.sin(phi - tilt) * np.sin(delta)
    a, b = np.radians(-45), np.radians(-30)
    normal = 1367 * (1 + 0.033 * np.cos(2 * np.pi * 51 / 365))
    top = (
        12
        * 3600
        / np.pi
        * normal
        * (np.cos(phi) * np.cos(delta) * (np.sin(b) - np.sin(a)) + (b - a) * np.sin(phi) * np.sin(delta))
        / 1e6
    )
    kt = 1.04 / top
    share = 0.9511 - 0.1604 * kt + 4.388 * kt**2 - 16.638 * kt**3 + 12.336 * kt**4
    return dict(
        top=top,
        kt=kt,
        share=share,
        rb=cos_aoi / cos_zenith,
        zenith=np.degrees(np.arccos(cos_zenith)),
        cos_zenith=cos_zenith,
    )
