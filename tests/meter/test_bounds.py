"""Every limit of the meter's modules at its edge: the edge itself is taken, what lies beyond is refused."""

import numpy as np
import pandas as pd
import pytest

from solarlib.meter import balance, load, registers as meter
from solarlib.quantities import InputError, year_index

NET = pd.Series([0.3, -0.3], pd.date_range("2026-06-21", periods=2, freq="1h", tz="UTC"))
RNG = np.random.default_rng(1)


def appliance(**values):
    cooling = {"name": "x", "power_w": 1000.0, "kind": "cooling", "threshold_c": 20.0, "yearly_kwh": 100.0}
    return load.Appliance(**(cooling | values))


def timer(power_w=700.0, hours=((9, 12),)):
    return load.Appliance("pump", power_w, "timer", daily_hours=hours)


def pulses(power_w=750.0):
    return load.test_load(NET.index, NET.index[:1], power_w, "60s")


@pytest.mark.parametrize(
    "make, name, low, high, beyond",
    [
        (lambda v: meter.register_difference(5, 6, v), "digits", 1, 12, 1),
        (lambda v: meter.register_difference(v, v, 5), "reading before", 0, 99_999.5, 0.5),
        (lambda v: meter.register_difference(5, 6, 5, v), "multiplier", 1e-6, 1e6, 9e-7),
        (lambda v: meter.register_difference(5, 5, 5, 1, v), "at_most_kwh", 0, 100_000, 1),
        (lambda v: meter.registers(NET, 5, (v, 0)), "start of delivered_kwh", 0, 99_999.5, 0.5),
        (lambda v: meter.registers(NET, 5, (0, v)), "start of received_kwh", 0, 99_999.5, 0.5),
        (lambda v: meter.pulse_power(v, 5.0), "wh_per_pulse", 1e-6, 1e6, 9e-7),
        (lambda v: meter.pulse_power(1.0, v), "seconds", 1e-6, 1e9, 9e-7),
        (lambda v: meter.unsigned(NET, noise_w=v, rng=RNG), "noise_w", 0, 1e6, 1),
        (lambda v: meter.unsigned(NET, step_w=v), "step_w", 0, 1e6, 1),
        (lambda v: balance.house_use(1.0, 0.0, 0.0, v), "tolerance_kwh", 0, 1e6, 1),
        (lambda v: appliance(power_w=v), "power_w", 1, 50_000, 1),
        (lambda v: timer(power_w=v), "power_w", 0, 50_000, 1),
        (lambda v: timer(hours=[(v, 12)]), "daily_hours", 0, 24, 0.1),
        (lambda v: appliance(threshold_c=v), "threshold_c", -50, 50, 0.1),
        (lambda v: appliance(yearly_kwh=v), "yearly_kwh", 0, 100_000, 1),
        (pulses, "test load power_w", 0, 50_000, 1),
    ],
)
def test_the_edges_are_taken_and_no_more(make, name, low, high, beyond):
    for edge in (low, high):
        make(edge)
    for wrong in (low - beyond, high + max(beyond, 1)):
        with pytest.raises(InputError, match=name):
            make(wrong)


def test_a_difference_of_half_the_dial_is_believed_and_one_more_is_not():
    assert meter.register_difference(0, 50_000, 5) == 50_000
    with pytest.raises(InputError, match="a difference of 50001 kWh on 5 digits; allowed is up to 50000 kWh"):
        meter.register_difference(0, 50_001, 5)


def test_a_display_has_five_digits_and_starts_at_nothing():
    year = pd.Series([60_000.0, 60_000.5, -1.5], pd.date_range("2026-01-01", periods=3, freq="1h", tz="UTC"))
    assert meter.registers(year).to_numpy().tolist() == [[0, 0], [60_000, 0], [20_000, 0], [20_000, 1]]


def test_a_pulse_is_an_energy_in_a_time():
    assert meter.pulse_power(1.0, 6.0) == 600.0 and meter.pulse_power(7.2, 600.0) == pytest.approx(43.2, rel=1e-12)


def test_a_thermostat_decides_every_20_minutes_for_runs_of_5():
    machine = appliance()
    assert (machine.cycle_minutes, machine.run_minutes) == (20, 5)
    appliance(cycle_minutes=1, run_minutes=1)
    appliance(cycle_minutes=1440, run_minutes=1440)
    for name in ("cycle_minutes", "run_minutes"):
        for wrong in (0, 2.5, 1441):
            with pytest.raises(InputError, match=f"{name}: found {wrong}, allowed is a whole number"):
                appliance(**{name: wrong})


def test_a_timer_runs_from_its_first_minute_to_the_one_before_its_end():
    index = year_index("1min", "UTC")
    day = load.appliance_power(timer(hours=[(9, 12), (23, 1.5)]), index).to_numpy()[:1440] > 0
    assert np.flatnonzero(np.diff(day.astype(int))).tolist() == [89, 539, 719, 1379]


def test_the_least_and_the_most_that_a_house_uses():
    assert load.household(1, "UTC").sum() / 60_000 == pytest.approx(1, rel=1e-9)
    load.household(1_000_000, "UTC")
    for wrong in (0.99, 1_000_001):
        with pytest.raises(InputError, match="yearly_kwh: found"):
            load.household(wrong, "UTC")


def test_received_may_pass_generation_by_the_tolerance_and_by_rounding_only():
    assert balance.house_use(1000.0, 0.0, 1000.0 + 5e-7).self_consumed_kwh == pytest.approx(0, abs=1e-6)
    assert balance.house_use(100.0, 5.0, 101.0, tolerance_kwh=1).use_kwh == 4
    for received, tolerance in ((1000.0 + 5e-6, 0.0), (1001.1, 1.0)):
        with pytest.raises(InputError, match="received: found"):
            balance.house_use(1000.0, 0.0, received, tolerance)


def test_swapped_registers_are_only_suspected_where_that_would_fit():
    for delivered, swapped in ((800.0, True), (800.1, False)):
        with pytest.raises(InputError, match="received: found 900 kWh") as told:
            balance.house_use(800.0, delivered, 900.0)
        assert ("swapped registers" in str(told.value)) is swapped


def test_shares_are_parts_of_generation_and_of_use():
    house = balance.house_use(10.0, 6.0, 4.0)
    assert (house.use_kwh, house.self_consumed_kwh) == (12, 6)
    assert (house.self_consumption_share, house.self_sufficiency_share) == (0.6, 0.5)


@pytest.mark.parametrize(
    "measured, wanted, how",
    [
        (["delivered", "received"], "net", "delivered - received"),
        (["delivered", "received", "generation"], "use", "delivered + generation - received"),
        (["unsigned sum", "net"], "delivered", "0.5 x unsigned sum + 0.5 x net"),
        (["unsigned sum", "net"], "received", "0.5 x unsigned sum - 0.5 x net"),
        (["delivered", "self-consumed"], "use", "delivered + self-consumed"),
    ],
)
def test_what_is_known_names_the_shortest_sum(measured, wanted, how):
    assert sorted(balance.what_is_known(measured).loc[wanted, "how"].split(" ")) == sorted(how.split(" "))


def test_a_timer_that_ends_where_it_starts_never_stops():
    assert (load.appliance_power(timer(hours=[(9, 9)]), year_index("1min", "UTC")) == 700).all()


def test_a_steady_warmth_gives_each_cycle_the_run_that_is_due():
    index = year_index("1min", "UTC")
    warm = pd.Series(30.0, year_index("1h", "UTC"))
    power = load.appliance_power(appliance(yearly_kwh=0.25 * 8760), index, warm).to_numpy().reshape(-1, 20)
    assert (power[:, :5] == 1000).all() and (power[:, 5:] == 0).all()
