import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings, strategies as st

from profiles import examples
from solarlib.meter import balance, registers as meter
from solarlib.quantities import InputError, energy_kwh

POWERS = st.lists(st.floats(-12_000, 12_000, allow_subnormal=False), min_size=2, max_size=200)
ENERGIES = st.floats(0, 5_000, allow_subnormal=False)
EVERY = settings(deadline=None, max_examples=examples(60))


def minutes(values, freq="1min", start="2026-06-21 06:00", tz="America/New_York"):
    return pd.Series(np.asarray(values, float), pd.date_range(start, periods=len(values), freq=freq, tz=tz))


# ------------------------------------------------------------- registers


def test_split_keeps_missing_minutes_missing():
    energies = meter.split(minutes([600, -1200, np.nan, 0]))
    assert energies["delivered_kwh"].tolist()[:2] == pytest.approx([0.01, 0])
    assert energies["received_kwh"].tolist()[:2] == pytest.approx([0, 0.02])
    assert energies.iloc[2].isna().all() and (energies.iloc[3] == 0).all()


@EVERY
@given(POWERS)
def test_split_keeps_the_net_and_never_both(values):
    net = minutes(values)
    energies = meter.split(net)
    assert (energies >= 0).all(axis=None)
    assert (energies.min(axis=1) == 0).all()
    difference = energies["delivered_kwh"] - energies["received_kwh"]
    np.testing.assert_allclose(difference, energy_kwh(net), rtol=1e-12, atol=1e-15)


@EVERY
@given(POWERS, st.tuples(st.floats(0, 999), st.floats(0, 999)))
def test_intervals_sum_to_the_register_differences(values, start):
    net = minutes(values, freq="1h")
    sums = meter.split(net).sum()
    shown = meter.registers(energy_kwh(net), digits=4, start=start)
    assert len(shown) == len(net) + 1 and shown.index[-1] == net.index[-1] + pd.Timedelta("1h")
    for column, total in sums.items():
        whole = meter.register_difference(*shown[column].iloc[[0, -1]].astype(int), digits=4, at_most_kwh=9999)
        assert abs(whole - total) < 1
        steps = np.diff(shown[column])
        assert ((steps >= 0) | (steps < -4000)).all()  # only a rollover falls


def test_register_shows_whole_kwh_in_the_interval_that_completes_them():
    shown = meter.registers(minutes([0.1] * 10, freq="1h"), start=(0.0, 41.2))
    assert shown["delivered_kwh"].tolist() == [0] * 10 + [1]
    assert (shown["received_kwh"] == 41).all()
    assert shown.dtypes.eq(np.int64).all()


def test_register_rolls_over():
    shown = meter.registers(minutes([600, 600], freq="1h"), digits=3, start=(100, 0))
    assert shown["delivered_kwh"].tolist() == [100, 700, 300]
    assert meter.register_difference(700, 300, digits=3, at_most_kwh=999) == 600


def test_registers_refuse_a_gap_and_a_start_off_the_dial():
    with pytest.raises(InputError, match="net_kwh: found no value at 2026-06-21 06:01"):
        meter.registers(minutes([1, np.nan]))
    with pytest.raises(InputError, match="start of received_kwh: found 1000 kWh"):
        meter.registers(minutes([1, 1]), digits=3, start=(0, 1000))


def test_register_difference_multiplies_and_is_never_negative():
    assert meter.register_difference(100, 140, digits=5, multiplier=40) == 1600
    assert meter.register_difference(99_990, 5, digits=5) == 15


@pytest.mark.parametrize(
    "arguments, message",
    [
        (
            (500, 499, 5),
            "register: found 500 then 499 kWh, a difference of 99999 kWh on 5 digits; allowed is up to 50000",
        ),
        ((123_456, 5, 5), "reading before: found 123456 kWh"),
        ((5, -1, 5), "reading after: found -1 kWh"),
        ((5, 6, 0), "digits: found 0, allowed is a whole number from 1 to 12"),
        ((5, 6, 5, 0), "multiplier: found 0"),
        ((5, float("nan"), 5), "reading after: found nan"),
    ],
)
def test_impossible_registers_are_named(arguments, message):
    with pytest.raises(InputError, match=message) as caught:
        meter.register_difference(*arguments)
    assert "\n" not in str(caught.value)


# ------------------------------------------------------------- pulses


def test_power_of_a_pulse():
    assert meter.pulse_power(7.2, 21) == pytest.approx(7.2 * 3600 / 21)
    with pytest.raises(InputError, match="seconds: found 0 s"):
        meter.pulse_power(7.2, 0)


# ------------------------------------------------------------- unsigned


@EVERY
@given(POWERS)
def test_a_sensor_without_sign_adds_import_and_export(values):
    net = minutes(values)
    reading = meter.unsigned(net)
    assert reading.index.equals(net.index) and (reading >= 0).all()
    total = meter.split(net).sum().sum()
    assert energy_kwh(reading).sum() == pytest.approx(total, rel=1e-9, abs=1e-12)


def test_reading_noise_is_reproducible_unbiased_far_from_zero_and_folded_at_zero():
    far = minutes(np.full(40_000, -900.0))
    first = meter.unsigned(far, noise_w=20, rng=np.random.default_rng(1))
    assert first.equals(meter.unsigned(far, noise_w=20, rng=np.random.default_rng(1)))
    assert first.mean() == pytest.approx(900, abs=4 * 20 / 200)
    assert first.std() == pytest.approx(20, rel=0.02)
    at_zero = meter.unsigned(far * 0, noise_w=20, rng=np.random.default_rng(2))
    assert (at_zero >= 0).all()
    assert at_zero.mean() == pytest.approx(20 * np.sqrt(2 / np.pi), abs=4 * 20 * 0.6028 / 200)


def test_display_steps_and_gaps():
    reading = meter.unsigned(minutes([-7, 12, np.nan, 26]), step_w=10)
    assert reading.tolist()[:2] == [10, 10] and np.isnan(reading.iloc[2]) and reading.iloc[3] == 30


@pytest.mark.parametrize(
    "options, message",
    [
        ({"noise_w": 5}, "rng: found None"),
        ({"noise_w": -1}, "noise_w: found -1 W"),
        ({"step_w": -1}, "step_w: found -1 W"),
    ],
)
def test_unsigned_refuses(options, message):
    with pytest.raises(InputError, match=message):
        meter.unsigned(minutes([1, 2]), **options)


# ------------------------------------------------------------- house use


@EVERY
@given(ENERGIES, ENERGIES, st.floats(0, 1))
def test_use_is_generation_plus_delivered_minus_received(generation, delivered, share):
    received = generation * share
    house = balance.house_use(generation, delivered, received)
    assert house.use_kwh == pytest.approx(generation + delivered - received, rel=1e-9, abs=1e-9)
    assert house.self_consumed_kwh + delivered == pytest.approx(house.use_kwh, rel=1e-9, abs=1e-9)
    for part in (house.self_consumption_share, house.self_sufficiency_share):
        assert np.isnan(part) or -1e-9 <= part <= 1 + 1e-9


@EVERY
@given(st.integers(0, 2**32 - 1))
def test_balance_of_interval_series_gives_the_load_back(seed):
    rng = np.random.default_rng(seed)
    load, generation = minutes(rng.gamma(1, 800, 500)), minutes(np.maximum(rng.normal(500, 1500, 500), 0))
    energies = meter.split(load - generation)
    house = balance.house_use(energy_kwh(generation), energies["delivered_kwh"], energies["received_kwh"])
    np.testing.assert_allclose(house.use_kwh, energy_kwh(load), rtol=1e-9, atol=1e-12)
    np.testing.assert_allclose(house.self_consumed_kwh, energy_kwh(np.minimum(load, generation)), rtol=1e-9, atol=1e-12)
    dark = generation == 0
    assert house.self_consumption_share[dark].isna().all() and house.self_consumption_share[~dark].notna().all()


def test_shares_of_nothing_are_missing():
    house = balance.house_use(0, 0, 0)
    assert np.isnan(house.self_consumption_share) and np.isnan(house.self_sufficiency_share)
    assert np.isnan(balance.house_use(0, 1, 1, tolerance_kwh=1).self_consumption_share)


def test_the_first_energy_below_zero_is_the_one_that_is_named():
    with pytest.raises(InputError, match="delivered: found -3 kWh"):
        balance.house_use(np.array([5.0, 5.0]), np.array([0.0, -3.0]), np.zeros(2))


@pytest.mark.parametrize(
    "energies, message",
    [
        (
            (800, 500, 900),
            "received: found 900 kWh, allowed is up to the generation of 800 kWh: look for a wrong "
            "multiplier, mixed periods, swapped registers",
        ),
        ((800, 850, 900), "mixed periods$"),  # swapping would not help
        ((800, -3, 100), "delivered: found -3 kWh, allowed is 0 or more: look at the order of the two readings"),
        ((800, 3, -100), "received: found -100 kWh"),
        ((-800, 3, 0), "generation: found -800 kWh"),
    ],
)
def test_meters_that_cannot_belong_together(energies, message):
    with pytest.raises(InputError, match=message):
        balance.house_use(*energies)


def test_whole_kwh_displays_may_differ_by_the_tolerance():
    assert balance.house_use(99.4, 10, 100, tolerance_kwh=1).use_kwh == pytest.approx(9.4)
    with pytest.raises(InputError):
        balance.house_use(98.4, 10, 100, tolerance_kwh=1)


# ------------------------------------------------------------- what is known


@pytest.mark.parametrize(
    "measured, known",
    [
        ([], set()),
        (["delivered", "received"], {"net", "unsigned sum"}),
        (["net"], set()),
        (["net", "generation"], {"use"}),  # but not what was self-consumed
        (["delivered", "received", "generation"], {"net", "use", "self-consumed", "unsigned sum"}),
        (["unsigned sum"], set()),
        (["unsigned sum", "net"], {"delivered", "received"}),
        (["generation", "use"], {"net"}),
    ],
)
def test_what_follows_from_which_meters(measured, known):
    table = balance.what_is_known(measured)
    assert set(table.index[table["known"]]) == known | set(measured)
    assert (table.loc[measured, "how"] == "measured").all()
    assert (table["needs"] == "").eq(table["known"]).all()


@EVERY
@given(st.sets(st.sampled_from(sorted(balance.METERED))), ENERGIES, ENERGIES, ENERGIES)
def test_every_formula_holds_in_numbers(measured, delivered, received, generation):
    truth = {name: np.dot(row, [delivered, received, generation]) for name, row in balance.METERED.items()}
    for name, row in balance.what_is_known(sorted(measured)).iterrows():
        if row["how"] in ("", "measured"):
            continue
        formula = row["how"]
        for known in sorted(measured, key=len, reverse=True):
            formula = formula.replace(known, f"({truth[known]!r})".replace("np.float64", ""))
        assert eval(formula.replace(" x ", " * ")) == pytest.approx(truth[name], rel=1e-9, abs=1e-6)


def test_unknown_meter_is_named():
    with pytest.raises(InputError, match="measured: found 'gas', allowed are delivered, received"):
        balance.what_is_known(["gas"])
    assert balance.what_is_known(["unsigned sum"]).loc["use", "needs"] == "two more"
    table = balance.what_is_known(["net", "generation"])
    assert table.loc["self-consumed", "needs"] == "delivered or received or unsigned sum"
