"""A record laid out in arrays: time that samples stand for, windows found, the sun at another clock."""

import numpy as np
import pandas as pd
import pytest

from solarlib.direction.record import read_record
from solarlib.quantities import InputError


def table(seconds, pv=500.0, reading=300.0, start="2026-06-01 10:00"):
    index = pd.Timestamp(start, tz="UTC") + pd.to_timedelta(seconds, unit="s")
    return pd.DataFrame({"reading_w": reading, "pv_w": pv}, index)


def test_time_that_samples_stand_for():
    regular = read_record(table(60.0 * np.array([0, 1, 2, 5, 6, 7, 8, 9, 10, 11])))
    assert regular.hours == pytest.approx(np.full(10, 1 / 60))  # what was missed is not made up for
    irregular = read_record(table([0, 60, 130, 190, 450, 510]))
    assert irregular.interval_s == 60
    assert irregular.hours * 60 == pytest.approx([1, 70 / 60, 1, 3, 1, 1])  # at most three intervals
    assert irregular.gap == pytest.approx([1, 1, 70 / 60, 1, 260 / 60, 1])


def test_windows_are_found_from_where_the_sun_stands_still():
    minute = np.arange(600)
    steps = 1000.0 + 200 * np.sin(minute // 15)
    assert read_record(table(60.0 * minute, steps)).window_s == 900
    assert read_record(table(60.0 * minute, steps[minute // 15 * 15] + (minute // 5))).window_s == 300
    assert read_record(table(60.0 * minute, 1000.0 + minute)).window_s == 60
    assert read_record(table(60.0 * minute, np.where(steps > 0, 20.0, 0.0))).window_s == 60  # too little to tell
    assert read_record(table(60.0 * minute, 21 + (minute // 15) % 2)).window_s == 900
    for odd, window_s in ((1, 900), (2, 300)):  # a twentieth of 40 windows may hold a change, fewer than two
        broken = steps.copy()
        broken[14 : 14 + 150 * odd : 150] += 1.0
        assert read_record(table(60.0 * minute, broken)).window_s == window_s
    late = read_record(table(60.0 * minute[:-7], steps[7:], start="2026-06-01 10:07"))
    assert late.window_middle_s[:2] == pytest.approx([30.0, 930.0])  # windows follow the clock: 10:00 to 10:15
    assert late.window_pv_w[:2] == pytest.approx(steps[[7, 15]])


def test_the_sun_by_a_late_clock_and_a_proud_instrument():
    pv = np.array([0.0, 0, 100, 200, 300, 300, 300, 300])
    record = read_record(table(60.0 * np.arange(8), pv))
    power, rough, unknown = record.pv_at()
    assert power == pytest.approx(pv) and not rough.any() and not unknown.any()
    power, rough, _ = record.pv_at(late_s=30.0, gain=2.0)
    assert power[:-1] == pytest.approx((pv[:-1] + pv[1:]) / 4)
    assert rough.max() > 0 and record.pv_at(late_s=60.0)[1].max() == 0
    assert record.pv_at(15.0)[1].max() == pytest.approx(0.5 * record.pv_at(30.0)[1].max(), rel=0.2)
    holes = read_record(table(60.0 * np.arange(8), np.where(np.arange(8) == 3, np.nan, pv)))
    assert holes.pv_at()[2].tolist() == [False] * 3 + [True] + [False] * 4
    assert read_record(table([0.0, 60.0], np.nan)).pv_at()[2].all()


@pytest.mark.parametrize(
    "name, value, fits",
    [("reading_w", -50.0, True), ("reading_w", -51.0, False), ("reading_w", 1e6, True), ("reading_w", 1.01e6, False),
     ("pv_w", -1000.0, True), ("pv_w", -1001.0, False)],
)  # fmt: skip
def test_the_ranges_of_a_table(name, value, fits):
    given = table([0.0, 60.0]).assign(**{name: value})
    if fits:
        assert read_record(given).reading_w.min() >= 0
    else:
        with pytest.raises(InputError, match=f"{name}: found"):
            read_record(given)
