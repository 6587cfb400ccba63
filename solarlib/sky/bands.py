"""How far the light of a made year can be trusted on a plane, as measured at stations on which nothing was tuned."""

from types import SimpleNamespace

import numpy as np

from solarlib.quantities import texts_beside

_MEASURED = SimpleNamespace(**texts_beside(__file__, "bands"))
PAIR, PAIR_TILT = _MEASURED.pair, _MEASURED.pair_tilt


def made_band(latitude: float, surface_tilt: float, surface_azimuth: float, known: str = "") -> float:
    """Return within which share of the truth a made year's light on a plane lies at nine places in ten.

    Parameters
    ----------
    latitude, surface_tilt, surface_azimuth : float
        [deg]
    known : str
        What the monthly means told beside the light: "diffuse" or nothing.

    Notes
    -----
    The truth: typical-year files of 21 stations from 63 N to 34 S (tests/references/published/stations.csv);
    every plane of a class and five seeds count, so that the mean over seeds does better. East and west alone miss the
    difference of morning and afternoon, which no monthly mean knows; steep planes and walls the light of the low sun.
    """
    if surface_tilt < 1:
        return _MEASURED.flat
    turn = abs((surface_azimuth - (180.0 if latitude >= 0 else 0.0) + 180.0) % 360.0 - 180.0)
    row, column = np.searchsorted(_MEASURED.turns, turn), np.searchsorted(_MEASURED.tilts, surface_tilt)
    return _MEASURED.bands[known][row][column]


def roofs_band(latitude, planes, known=""):
    """Return the band of several planes together, each (modules, tilt, azimuth): a pair of equal ones does better."""
    (count, tilt, azimuth), *others = planes
    north = 180.0 if latitude >= 0 else 0.0
    if len(others) == 1 and others[0][:2] == (count, tilt) and tilt <= PAIR_TILT:
        if (azimuth + others[0][2] - 2.0 * north) % 360.0 < 1e-9:
            return PAIR
    bands = [made_band(latitude, *plane[1:], known) for plane in planes]
    return float(np.average(bands, weights=[plane[0] for plane in planes]))
