"""Published metering numbers, each beside its source.

Certainty marks: `seen and recomputed` (the published number was seen), `recomputed, source from memory`, `built here`,
`common practice, no source`.
"""

import numpy as np
import pandas as pd
import pytest

from solarlib.meter import balance, registers as meter
from solarlib.quantities import energy_kwh


def test_met_1_power_from_disk_time():
    # Lawrence Berkeley National Laboratory, "Standby Power", page on measuring with an electromechanical meter:
    # Kh 7.2, 600 s a turn is 43.2 W; the further times are the page's repeated measurements. seen and recomputed
    powers = [meter.pulse_power(7.2, seconds) for seconds in (582, 600, 609)]
    assert powers == pytest.approx([44.54, 43.20, 42.56], abs=0.01)
    mean_time = np.mean([582, 600, 609])
    assert mean_time == 597
    assert np.mean(powers) == pytest.approx(43.43, abs=0.005)
    assert meter.pulse_power(7.2, mean_time) == pytest.approx(43.42, abs=0.005)  # not the mean of the powers


@pytest.mark.parametrize("turns, seconds, power", [(1, 7.5, 3456), (10, 30, 8640), (1, 25.92, 1000)])
def test_met_2_power_from_turns(turns, seconds, power):
    # Edison Electric Institute, Handbook for Electricity Metering, 10th ed. (2002): W = 3600 x Kh x turns / seconds.
    # The formula: recomputed, source from memory. Kh 7.2 of a common house meter and the times: built here
    assert meter.pulse_power(7.2, seconds / turns) == pytest.approx(power, rel=1e-12)


@pytest.mark.parametrize(
    "per_kwh, seconds, power",
    [(1000, 1, 3600), (1000, 1.2, 3000), (1000, 5, 720), (1000, 60, 60), (1000, 120, 30)]
    + [(800, 1.5, 3000), (1600, 0.5, 4500), (1600, 22.5, 100), (3200, 0.25, 4500)],
)
def test_met_4_power_from_pulses(per_kwh, seconds, power):
    # A pulse of a meter with so many pulses a kWh is worth 1000 / them in Wh. common practice, no source
    assert meter.pulse_power(1000 / per_kwh, seconds) == pytest.approx(power, rel=1e-12)


def test_met_6_rollover():
    # Five digits wrap at 100,000 kWh: put a 1 in front of the later reading. common practice, no source
    assert meter.register_difference(99_876, 123, digits=5) == 100_123 - 99_876 == 247
    net = pd.Series(24.7, pd.date_range("2026-01-01", periods=10, freq="1h", tz="UTC"))
    shown = meter.registers(net, digits=5, start=(99_876, 0))["delivered_kwh"]
    assert shown.iloc[0] == 99_876 and shown.iloc[-1] == 123


# A year of a house with two services: what the array made, what left the house, what each service delivered. built here
GENERATION, OUT, GENERAL, SECOND = 9120, 6480, 3600, 7040


def test_met_7_two_registers():
    house = balance.house_use(GENERATION, GENERAL + SECOND, OUT)
    assert house.self_consumed_kwh == 2640
    assert house.use_kwh == 13_280


def test_met_8_an_unsigned_sum_is_import_plus_export():
    # Identities on the general service's registers of MET-7, one hour of 1 kW for each kWh. built here
    net = pd.Series(
        np.repeat([1000.0, -1000.0], [GENERAL, OUT]),
        pd.date_range("2026-01-01", periods=GENERAL + OUT, freq="1h", tz="UTC"),
    )
    read = energy_kwh(meter.unsigned(net)).sum()
    energies = meter.split(net).sum()
    assert read == pytest.approx(10_080, abs=1e-6)
    assert energies["delivered_kwh"] == pytest.approx(3600)
    true_net = energies["delivered_kwh"] - energies["received_kwh"]
    assert true_net == pytest.approx(-2880)
    assert read - true_net == pytest.approx(2 * energies["received_kwh"])
    assert read - energies["delivered_kwh"] == pytest.approx(energies["received_kwh"])


def test_met_8_opposite_hours_do_not_cancel():
    # -500 W for 2 h, then +500 W for 2 h. built here
    net = pd.Series([-500.0, -500.0, 500.0, 500.0], pd.date_range("2026-01-01", periods=4, freq="1h", tz="UTC"))
    assert energy_kwh(meter.unsigned(net)).sum() == pytest.approx(2.0)
    assert energy_kwh(net).sum() == 0
