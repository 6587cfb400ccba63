"""What the array's shipped minutes show of its day, beside the sun; the data themselves: dependencies/test_data.py."""

import pandas as pd
import pvlib
import pytest

from solarlib.meter import registers as meter
from solarlib.quantities import energy_kwh

# SERF East, National Renewable Energy Laboratory: metadata in pvanalytics' tests; OEDI submission 4568, PVDAQ system 50
LATITUDE, LONGITUDE = 39.742, -105.1727


@pytest.mark.parametrize(
    "day, first, last, net_kwh, unsigned_kwh",
    [("2022-03-18", "06:10", "17:58", 33.674, 33.716), ("2022-03-19", "06:14", "17:50", 35.551, 35.619)],
)
def test_dat_6_first_light_and_night_draw(array_w, day, first, last, net_kwh, unsigned_kwh):
    # First and last minute above 5 W within 20 min of sunrise and sunset. A label names the start of its minute, so
    # the light ends one minute after the last label; on 19 March that minute decides (19 min 49 s before sunset).
    # built here
    power = array_w[day]
    awake = power.index[power > 5]
    assert [f"{moment:%H:%M}" for moment in (awake[0], awake[-1])] == [first, last]
    midnight = pd.DatetimeIndex([power.index[-1].normalize()])
    sun = pvlib.solarposition.sun_rise_set_transit_spa(midnight, LATITUDE, LONGITUDE)
    twenty = pd.Timedelta("20min")
    assert sun["sunrise"].iloc[0] - twenty < awake[0] < sun["sunrise"].iloc[0] + twenty
    end = awake[-1] + pd.Timedelta("1min")
    assert sun["sunset"].iloc[0] - twenty < end < sun["sunset"].iloc[0] + twenty
    night = power[(power.index < sun["sunrise"].iloc[0]) | (power.index > sun["sunset"].iloc[0])]
    assert -3.5 < night.mean() < -2
    # A sensor without sign counts the night draw as if it were output.
    assert energy_kwh(power).sum() == pytest.approx(net_kwh, abs=0.0005)
    assert energy_kwh(meter.unsigned(power)).sum() == pytest.approx(unsigned_kwh, abs=0.0005)
