"""How far the light of a made year can be trusted on a plane, as measured at stations on which nothing was tuned."""

import numpy as np

_TILTS = (15, 30, 60, 90)  # up to
_TURNS = (30, 120, 180)  # from the side of the equator, up to: toward it, sideways, away from it
_FLAT = 0.01
PAIR = 0.03  # of equal planes to both sides of the equator's, together, up to PAIR_TILT
PAIR_TILT = 30
# Rows are the turns, columns the tilts: of the light of the months alone, with its diffuse part, with clear days.
_BANDS = {
    "": ((0.025, 0.04, 0.065, 0.095), (0.03, 0.05, 0.11, 0.15), (0.035, 0.065, 0.12, 0.145)),
    "clear_days": ((0.015, 0.02, 0.045, 0.075), (0.02, 0.04, 0.11, 0.14), (0.02, 0.04, 0.08, 0.105)),
    "diffuse": ((0.015, 0.025, 0.035, 0.05), (0.02, 0.045, 0.1, 0.155), (0.02, 0.04, 0.1, 0.11)),
}


def made_band(latitude: float, surface_tilt: float, surface_azimuth: float, known: str = "") -> float:
    """Return within which share of the truth a made year's light on a plane lies at nine places in ten.

    Parameters
    ----------
    latitude, surface_tilt, surface_azimuth : float
        [deg]
    known : str
        What the monthly means told beside the light: "diffuse", "clear_days" or nothing.

    Notes
    -----
    The truth: typical-year files of 21 stations from 63 N to 34 S (tests/references/published/stations.csv), with clear
    days of the twelve of them on which nothing was learnt; every plane of a class and five seeds count, so that the
    mean over seeds does better. East and west alone miss the difference of morning and afternoon, which no monthly mean
    knows; steep planes and walls the light of the low sun.
    """
    if surface_tilt < 1:
        return _FLAT
    turn = abs((surface_azimuth - (180.0 if latitude >= 0 else 0.0) + 180.0) % 360.0 - 180.0)
    return _BANDS[known][np.searchsorted(_TURNS, turn)][np.searchsorted(_TILTS, surface_tilt)]


def roofs_band(latitude, planes, known=""):
    """Return the band of several planes together, each (modules, tilt, azimuth): a pair of equal ones does better."""
    (count, tilt, azimuth), *others = planes
    north = 180.0 if latitude >= 0 else 0.0
    if len(others) == 1 and others[0][:2] == (count, tilt) and tilt <= PAIR_TILT:
        if (azimuth + others[0][2] - 2.0 * north) % 360.0 < 1e-9:
            return PAIR
    bands = [made_band(latitude, *plane[1:], known) for plane in planes]
    return float(np.average(bands, weights=[plane[0] for plane in planes]))
