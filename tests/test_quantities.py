"""Power and energy, time indexes and the one-line error."""

import math
from decimal import Decimal

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, strategies as st

from solarlib.quantities import (
    InputError,
    check_index,
    counted,
    day_words,
    dollars,
    energy_kwh,
    hours,
    in_form,
    one_of,
    plane_words,
    power_w,
    require,
    whole_number,
    year_index,
)


def index(freq="15min", periods=8, tz="America/New_York"):
    return pd.date_range("2026-03-08", freq=freq, periods=periods, tz=tz)


@given(st.lists(st.floats(-1e6, 1e6), min_size=2, max_size=50), st.sampled_from(["1min", "15min", "1h"]))
def test_energy_and_power_are_inverse(values, freq):
    power = pd.Series(values, index(freq, len(values)))
    np.testing.assert_allclose(power_w(energy_kwh(power)), power, rtol=1e-12, atol=1e-9)
    assert energy_kwh(power).sum() == pytest.approx(
        sum(values) * float(hours(power.index)) / 1000.0, rel=1e-9, abs=1e-9
    )


def test_a_missing_power_stays_missing():
    assert math.isnan(energy_kwh(pd.Series([1.0, np.nan], index("1h", 2))).iloc[1])


def test_clock_changes_keep_the_step_even():
    for tz in ("America/New_York", "Australia/Lord_Howe", "Asia/Kolkata", "UTC"):
        year = year_index("1h", tz)
        assert len(year) == 8760 and check_index(year) == pd.Timedelta("1h")
        assert year[0] == pd.Timestamp("2026-01-01", tz=tz)
    assert len(year_index("15min", "UTC")) == 4 * 8760


@pytest.mark.parametrize(
    ("labels", "message"),
    [
        (pd.date_range("2026-01-01", periods=3, freq="1h"), "reading: found an index without a time zone"),
        (pd.RangeIndex(3), "reading: found an index without a time zone"),
        (index()[:1], r"reading: found 1 label\(s\), allowed are two or more"),
        (
            index().delete(3),
            "reading: found .*00:45.*|reading: found .*01:00.* after .*00:30.*, allowed is one constant step",
        ),
        (index()[::-1], "allowed is one constant step"),
        (index().append(index()[-1:]), "allowed is one constant step"),
    ],
)
def test_a_bad_index_is_named(labels, message):
    with pytest.raises(InputError, match=message):
        check_index(labels, "reading")


def test_a_power_held_for_half_an_hour_is_half_its_energy():
    power = pd.Series([400.0, 1000.0], index("30min", 2))
    assert hours(power.index) == 0.5 and energy_kwh(power).tolist() == [0.2, 0.5]
    assert power_w(pd.Series([0.2, 0.5], power.index)).tolist() == [400.0, 1000.0]


def test_two_labels_are_enough_and_the_step_is_told():
    assert check_index(index("15min", 2)) == pd.Timedelta(minutes=15)
    with pytest.raises(
        InputError,
        match=r"found .*00:45:00.* after .*00:15:00.*, allowed is one constant step \(here 0 days 00:15:00\)",
    ):
        check_index(index("15min", 5).delete(2))


def test_labels_a_second_apart_are_a_step_and_the_same_label_again_is_none():
    assert check_index(index("1s", 3).as_unit("s")) == pd.Timedelta(seconds=1)
    with pytest.raises(InputError, match="allowed is one constant step"):
        check_index(index()[[0, 0, 0]])


def test_a_number_is_told_with_its_noun():
    assert (counted(1, "day"), counted(2, "day"), counted(0, "day")) == ("1 day", "2 days", "0 days")
    assert (counted(1, "fox", "foxes"), counted(3, "fox", "foxes")) == ("1 fox", "3 foxes")


def test_require_takes_both_ends_and_any_finite_number_where_none_is_named():
    assert [require(value, "x", 0, 10) for value in (0, 10)] == [0.0, 10.0]
    assert require(-1e300, "x") == -1e300 and require(1e300, "x") == 1e300
    with pytest.raises(InputError, match="^x: found 10.5, allowed is a number from 0 to 10$"):
        require(10.5, "x", 0, 10)


@pytest.mark.parametrize("value", [True, "5", None, float("nan"), float("inf"), -1, 11])
def test_require_refuses_with_one_line(value):
    with pytest.raises(InputError, match="load.yearly_kwh: found .*, allowed is a number from 0 to 10 kWh") as caught:
        require(value, "load.yearly_kwh", 0, 10, "kWh")
    assert "\n" not in str(caught.value)


def test_require_returns_a_float():
    assert require(np.int64(3), "x") == 3.0 and isinstance(require(3, "x"), float)


def test_a_notebook_shows_one_line():
    assert InputError("x: found 1, allowed is 2")._render_traceback_() == ["InputError: x: found 1, allowed is 2"]


def test_a_whole_number_is_one_within_its_ends():
    assert [whole_number(value, "count", 1, 12) for value in (1, 12, np.int64(3))] == [1, 12, 3]
    for value in (0, 13, 2.0, True, "2", None):
        with pytest.raises(InputError, match=f"^count: found {value!r}, allowed is a whole number from 1 to 12$"):
            whole_number(value, "count", 1, 12)


def test_one_of_gives_the_value_or_names_those_allowed():
    assert one_of("b", "kind", ("a", "b")) == "b" and one_of(20, "size", {15: 1, 20: 2}) == 20
    with pytest.raises(InputError, match="^kind: found 'c', allowed is one of a, b$"):
        one_of("c", "kind", ("a", "b"))


@pytest.mark.parametrize(
    "text, words",
    [
        ("-0 kWh, -0.0 %, \u22120.00 $", "0 kWh, 0.0 %, $0.00"),
        ("from -0.05 to -0,3 and -10", "from −0.05 to −0,3 and −10"),
        ("on 2026-03-01, 10-0, UTC-05:00", "on 2026-03-01, 10-0, UTC-05:00"),
        ("12.00 $ and $-5, -$5, +$5, $+5", "$12.00 and −$5, −$5, +$5, +$5"),
        ("1,200 $ at 0.16 $/kWh, 39% (-7.5 %)", "$1,200 at $0.16/kWh, 39 % (−7.5 %)"),
        ("in year 12, in $; $/kWh, 3-5, 1e-3", "in year 12, in $; $/kWh, 3-5, 1e-3"),
        ("it takes -0. Then +0.0", "it takes 0. Then +0.0"),
    ],
)
def test_amounts_signs_and_shares_have_one_form(text, words):
    assert in_form(text) == words == in_form(words)


def test_money_and_days_are_written_one_way():
    assert dollars(-5.004) == "−$5.00" and dollars(1234.5) == "$1,234.50" and dollars(-0.001) == "$0.00"
    assert dollars(-1234.5, 0) == "−$1,234" and dollars(Decimal("0.4"), 0) == "$0" and dollars(math.nan) == "not known"
    day = pd.Timestamp("2026-09-04 07:30")
    assert day_words(day) == "4 September 2026" and day_words(day, "%B %H:%M") == "4 September 07:30"
    assert day_words(pd.NaT) == "an unknown day"


def test_a_flat_plane_faces_nowhere():
    assert plane_words(0, 180) == plane_words(0.0, 0) == "flat"
    assert plane_words(27, 200) == "tilt 27°, facing 200°"


def test_a_large_number_of_a_message_is_written_out():
    with pytest.raises(InputError, match="use: found 8,600,000 kWh, allowed is a number from 0.05 to 1,000,000 kWh"):
        require(8.6e6, "use", 0.05, 1e6, "kWh")
    with pytest.raises(InputError, match="found -50000 kWh, allowed is a number from 1e-09 to 100000 kWh"):
        require(-50_000, "use", 1e-9, 100_000, "kWh")
