"""Instruments that disagree: the test load from switchings by hand, and what is sure enough to be used."""

import numpy as np
import pandas as pd
import pytest

from solarlib.direction import calibration
from solarlib.direction.calibration import Estimate, Repairs
from solarlib.direction.record import read_record


def night(watts, sun_w=0.0, on=0.8):
    """Return a record of nights with a test of each of ``watts``, four minutes apart, on for a share of the minute."""
    share = np.tile([0.0, 0.0, on, 0.0], len(watts))
    index = pd.date_range("2026-06-01", periods=share.size, freq="1min", tz="UTC")
    reading = 300.0 + share * np.repeat(watts, 4)
    return read_record(pd.DataFrame({"reading_w": reading, "pv_w": sun_w, "test_on": share}, index))


def load_of(record, stated_w=1000.0, noise_w=0.0):
    return calibration.load_watts(record, record.pv_at()[0], stated_w, noise_w)


def test_the_load_is_the_median_of_its_switchings_beside_the_stated_value():
    found = load_of(night([1030.0, 1040, 1050, 1060, 1070]))
    own = 1.2533 * (10 / 0.6745) / np.sqrt(5)
    trust = 50**2 / (50**2 + own**2)
    assert found.value == pytest.approx(1000 + trust * 50) and found.count == 5
    assert found.error == pytest.approx(np.sqrt(trust) * own)
    exact = load_of(night([1050.0] * 20))
    assert exact.error == pytest.approx(1.2533 / np.sqrt(20), rel=1e-3)  # a spread of at least one watt


def test_too_few_or_too_strange_switchings_leave_the_stated_value():
    assert load_of(night([1050.0] * 4)) == Estimate(1000.0, 50.0, 4)
    assert load_of(night([1390.0] * 6)).count == 6 and load_of(night([1410.0] * 6)).count == 0
    assert load_of(night([610.0] * 6)).count == 6 and load_of(night([590.0] * 6)).count == 0
    assert load_of(night([1050.0] * 6, on=0.45)).count == 0  # too short a share of the sample
    assert load_of(night([1050.0] * 6, on=0.55)).count == 6
    assert load_of(night([1050.0] * 6, sun_w=400.0)).count == 0  # import is not certain
    assert load_of(night([1050.0] * 6), noise_w=20.0).count == 6
    assert load_of(night([1050.0] * 6), noise_w=20.1) == Estimate(1000.0, 50.0)


def test_a_long_dwell_shows_itself_at_its_edges():
    share = np.tile([0.0] * 5 + [1.0] * 5, 4)
    index = pd.date_range("2026-06-01", periods=share.size, freq="1min", tz="UTC")
    table = pd.DataFrame({"reading_w": 300 + 1020 * share, "pv_w": 0.0, "test_on": share}, index)
    found = load_of(read_record(table))
    assert found.count == 7 and found.value == pytest.approx(1020, abs=0.1)


def test_clearly_off_is_two_errors_and_a_least():
    assert Estimate(5.0, 2.4).clearly_off(3.0) and not Estimate(5.0, 2.6).clearly_off(3.0)
    assert Estimate(-3.1, 1.0).clearly_off(3.0) and not Estimate(-2.9, 1.0).clearly_off(3.0)
    assert Estimate(1.01, 0.001).clearly_off(0.004, usual=1.0) and not Estimate(1.003, 0.001).clearly_off(0.004, 1.0)


@pytest.mark.parametrize(
    "gain, used",
    [
        (Estimate(1.05, 0.0099), 1.05),
        (Estimate(1.05, 0.0101), 1.0),
        (Estimate(1.44, 0.009), 1.44),
        (Estimate(1.46, 0.009), 1.0),
        (Estimate(0.71, 0.009), 0.71),
        (Estimate(0.69, 0.009), 1.0),
        (Estimate(1.0041, 0.002), 1.0041),
        (Estimate(1.0039, 0.001), 1.0),
        (None, 1.0),
    ],
)
def test_only_what_is_well_known_is_used(monkeypatch, gain, used):
    monkeypatch.setattr(calibration, "pv_gain", lambda *_: gain)
    record = night([1000.0] * 6)
    found = calibration.repairs_by_signs(record, record.reading_w, np.zeros(24), Repairs(), 1000.0)
    assert (found.gain_used, found.gain) == (used, gain)


@pytest.mark.parametrize("late_s, error_s, used", [(3.1, 1.5, 3.1), (2.9, 1.0, 0.0), (10.0, 5.1, 0.0)])
def test_a_clock_told_by_changes_alone(monkeypatch, late_s, error_s, used):
    monkeypatch.setattr(calibration, "pv_clock_late", lambda _: Estimate(late_s, error_s))
    found = calibration.repairs_alone(night([1000.0] * 6), 1000.0, 4.0)
    assert found.late_s == used and found.load.count == 6
    assert found.clock == Estimate(late_s, pytest.approx(np.hypot(error_s, 6.0)))


@pytest.mark.parametrize("window_s", [60, 900])
def test_a_clock_is_told_through_the_windows_of_the_sun(window_s):
    """A sun of broken clouds seen late: found within two of its errors, and none where too little is seen."""
    rng = np.random.default_rng(3)
    second = np.arange(6000) * 60
    cover = np.interp(second, second[::20], rng.uniform(0, 1, 300))
    sun = 3000 * cover
    index = pd.date_range("2026-06-01", periods=6000, freq="1min", tz="UTC")
    shown = pd.Series(np.interp(second - 90.0, second, sun), index).groupby(index.floor(f"{window_s}s"))
    table = pd.DataFrame({"reading_w": np.abs(300 - sun), "pv_w": shown.transform("mean")}, index)
    clock = calibration.pv_clock_late(read_record(table, pv_window_s=window_s))
    assert abs(clock.value - 90) < 2 * np.hypot(clock.error, calibration.CLOCK_SHARE * window_s) < 200
    assert calibration.pv_clock_late(read_record(table[:59])) is None
    assert calibration.pv_clock_late(read_record(table.assign(pv_w=49.0))) is None
    assert calibration.pv_clock_late(read_record(table.assign(pv_w=np.nan))) is None


def test_gain_from_the_changes_of_windows():
    """A net power that is load less the true sun; the record shows it 1.05 times and a window late."""
    rng = np.random.default_rng(5)
    sun = 2000 + 800 * np.sin(np.arange(2000) / 3) + rng.normal(0, 300, 2000)
    seen = 1.05 * np.roll(sun, 1)
    index = pd.date_range("2026-06-01", periods=2000, freq="1min", tz="UTC")
    net = 400 - sun
    table = pd.DataFrame({"reading_w": np.abs(net), "pv_w": seen}, index)
    record, sure = read_record(table), (net < 0).astype(float)
    assert calibration.pv_gain(record, net, sure, 0.0).value == pytest.approx(1.05, abs=1e-3)
    assert calibration.pv_gain(record.take(np.arange(150)), net[:150], np.ones(150), 0.0) is None
    assert calibration.pv_gain(record, -net, np.ones(2000), 0.0) is None  # the sum has the wrong sign
    assert calibration.pv_gain(read_record(table, "snapshot"), net, sure, 0.0) is None
