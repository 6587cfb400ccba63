"""Registers: one odd reading, or a few, move no sum; what cannot be in its time is not believed."""

import numpy as np
import pandas as pd
import pytest

from solarlib.files.energies import interval_energy


def register(count=400, step="15min", seed=2, start=98_500.0, digits=5):
    index = pd.date_range("2026-05-01", periods=count, freq=step, tz="UTC")
    energy = np.random.default_rng(seed).uniform(0, 12, count - 1).round()
    return pd.Series((start + np.r_[0, np.cumsum(energy)]) % 10**digits, index), energy


@pytest.mark.parametrize("value", [0.0, 92_345.0, 99_999.0, 12.0, 98_400.0, 1e4])
@pytest.mark.parametrize("place", [1, 7, 200, 398])
@pytest.mark.parametrize("digits", [5, None])
def test_one_wrong_reading_moves_no_sum(value, place, digits):
    shown, energy = register(digits=5 if digits else 7)
    shown.iloc[place] = value
    found = interval_energy(shown, digits, most_kw=48.0)
    assert found["energy_kwh"].sum() == pytest.approx(energy.sum()) and found["energy_kwh"].max() <= 2 * 12 + 1
    assert (found["how"] == "passed over").sum() <= 1 and len(found) >= len(energy) - 1


@pytest.mark.parametrize("size", [2, 5, 30])
def test_a_stretch_of_wrong_readings_moves_no_sum(size):
    shown, energy = register()
    shown.iloc[150 : 150 + size] = 0.0
    found = interval_energy(shown, 5, most_kw=48.0)
    assert found["energy_kwh"].sum() == pytest.approx(energy.sum()) and found["energy_kwh"].notna().all()
    assert (found["how"] == "passed over").sum() == 1 and len(found) == len(energy) - size


def test_many_single_wrong_readings_move_no_sum():
    shown, energy = register(2000)
    rng = np.random.default_rng(5)
    shown.iloc[rng.choice(np.arange(1, 1999), 20, replace=False)] = rng.uniform(0, 99_999, 20).round()
    found = interval_energy(shown, 5, most_kw=48.0)
    assert found["energy_kwh"].sum() == pytest.approx(energy.sum())


def test_a_wrong_first_or_last_reading_leaves_its_interval_unknown_and_others_whole():
    for place, part in ((0, slice(1, None)), (-1, slice(None, -1))):
        shown, energy = register()
        shown.iloc[place] = 50_000.0
        found = interval_energy(shown, 5, most_kw=48.0)["energy_kwh"]
        assert np.isnan(found.iloc[place]) and found.sum() == pytest.approx(energy[part].sum())


def test_a_rollover_is_believed_only_where_it_can_be_in_that_time():
    index = pd.date_range("2026-05-01", periods=3, freq="15min", tz="UTC")
    fine = interval_energy(pd.Series([99_990.0, 2.0, 8.0], index), 5, most_kw=48.0)
    assert fine["how"].tolist() == ["rollover", "difference"] and fine["energy_kwh"].tolist() == [12, 6]
    found = interval_energy(pd.Series([92_345.0, 12_900.0, 12_905.0], index), 5, most_kw=48.0)
    assert np.isnan(found["energy_kwh"].iloc[0]) and found["how"].iloc[0] == "unknown fall"
    year = pd.Series([100.0, 9_000.0], pd.DatetimeIndex(["2025-01-01", "2026-01-01"], tz="UTC"))
    assert interval_energy(year, 5, most_kw=48.0)["energy_kwh"].tolist() == [8900]


def test_an_undeclared_exchange_costs_one_interval_and_a_declared_one_none():
    shown, energy = register(300)
    index, moment = shown.index, shown.index[150] + pd.Timedelta("7min")
    swapped = shown.where(np.arange(300) <= 150, (shown - shown.iloc[150]) % 1e5 + 3)
    found = interval_energy(swapped, 5, most_kw=48.0)["energy_kwh"]
    assert found.isna().sum() == 1 and np.isnan(found.loc[index[150]])
    exchange = [(moment, shown.iloc[150] + 2.0, 5.0)]
    told = interval_energy(swapped, 5, exchange, most_kw=48.0)
    assert told["energy_kwh"].sum() == pytest.approx(energy.sum()) and told["how"].loc[index[150]] == "exchange"
    swapped.iloc[151] = 77_777.0  # a wrong reading just behind it
    again = interval_energy(swapped, 5, exchange, most_kw=48.0)
    assert again["energy_kwh"].sum() == pytest.approx(energy.sum())


def test_the_last_digit_of_a_display_is_no_excess():
    index = pd.date_range("2026-05-01", periods=6, freq="1min", tz="UTC")
    found = interval_energy(pd.Series([5.0, 5, 6, 6, 7, 7], index), most_kw=48.0)  # 1 kWh in a minute is 60 kW
    assert found["energy_kwh"].tolist() == [0, 1, 0, 1, 0] and (found["how"] == "difference").all()
    tenths = interval_energy(pd.Series([5.0, 5.1, 5.1, 7.3, 7.3, 7.4], index), most_kw=48.0)
    assert tenths["energy_kwh"].isna().sum() == 1
