"""Made minutes beside measured ones, in quarter hours: how long they remember and how far they jump.

The hours of each measured day go in, made minutes come out; both are averaged to 15 minutes. Source: the one-minute
records that `tests/quarter_hours.py` names, `seen and recomputed`; no constant was found on these days.
"""

from functools import lru_cache

import numpy as np
import pandas as pd
import pytest
import quarter_hours

from solarlib.sky.clouds import minute_weather
from solarlib.sky.sun import clear_sky, position
from solarlib.sky.weather import Place

PLACES = {
    "Payerne": Place("Payerne", 46.815, 6.944, "UTC", 491.0),
    "Tucson": Place("Tucson", 32.2297, -110.9553, "UTC", 786.0),
    "Alamosa": Place("Alamosa", 37.70, -105.92, "UTC", 2317.0),
}
TABLE = pd.read_csv(quarter_hours.TABLE)


def shape(ghi, place):
    """Return the correlation of a day's clear-sky index with that 15 minutes later, and 50, 90, 95 % of the jumps."""
    clear = clear_sky(ghi.index, place)["ghi"].to_numpy()
    high = position(ghi.index, place)["apparent_elevation"].to_numpy() > 6.0
    index = ghi.to_numpy() / np.maximum(clear, 1.0)
    both = high[1:] & high[:-1]
    jumps = np.abs(np.diff(ghi.to_numpy()))[both]
    return [np.corrcoef(index[1:][both], index[:-1][both])[0, 1], *np.quantile(jumps, [0.5, 0.9, 0.95])]


@lru_cache(maxsize=3)
def shapes(name):
    """Return (measured, made): means over the place's days, made ones over five seeds too."""
    rows = TABLE[TABLE["place"] == name]
    table = rows.set_index(pd.DatetimeIndex(rows["time"]))[["ghi", "dni", "dhi"]]
    measured, made = [], []
    for first in range(0, len(table), 96):
        day = table.iloc[first : first + 96]
        day.index = pd.date_range(day.index[0], periods=96, freq="15min")
        measured.append(shape(day["ghi"], PLACES[name]))
        hours = day.resample("1h").mean()
        years = [minute_weather(hours, PLACES[name], np.random.default_rng(seed)) for seed in range(1, 6)]
        made.append(np.mean([shape(year["ghi"].resample("15min").mean(), PLACES[name]) for year in years], axis=0))
    return np.mean(measured, axis=0), np.mean(made, axis=0)


@pytest.mark.parametrize("name", PLACES)
def test_quarter_hours_remember_as_measured_ones(name):
    """Wanted: within 0.1. Measured against made: Payerne 0.64, 0.67; Tucson 0.83, 0.83; Alamosa 0.92, 0.94."""
    measured, made = shapes(name)
    assert made[0] == pytest.approx(measured[0], abs=0.1), (measured, made)


@pytest.mark.parametrize("name", PLACES)
def test_quarter_hours_jump_as_far_as_measured_ones(name):
    """Wanted: within a third. The widest miss: the largest jumps of mixed days at Payerne, 289 made for 230 W/m2."""
    measured, made = shapes(name)
    np.testing.assert_allclose(made[1:], measured[1:], rtol=1 / 3)
