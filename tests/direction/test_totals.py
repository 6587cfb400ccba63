"""Register totals beside a decoded record: used where they differ, never where they cannot be right."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from direction import scorecard

from made_records import LOAD_W, made_house
from solarlib.direction.decoder import decode
from solarlib.direction.totals import MeterPeriod, filled, judged, read_registers
from solarlib.quantities import InputError

DAY = pd.Timestamp("2026-06-01", tz="UTC"), pd.Timestamp("2026-06-02", tz="UTC")


@pytest.fixture(scope="module")
def house():
    return made_house()


def totals(readings, truth):
    """Return what the registers of a made house counted, missed readings included."""
    received = (truth["import_w"] - truth["net_w"]).sum() / 60_000
    return pd.DataFrame(
        {
            "start": [readings.index[0]],
            "end": [readings.index[-1] + pd.Timedelta("1min")],
            "delivered_kwh": [truth["import_w"].sum() / 60_000],
            "received_kwh": [received],
        }
    )


def test_readings_missed_while_exporting_do_not_move_the_rest(house):
    readings, truth = house
    registers = totals(readings, truth)
    noon = np.abs((readings.index.hour * 60 + readings.index.minute) - 750) < 60
    missed = noon & (readings.index.normalize() == readings.index[0].normalize())
    gappy = readings.assign(reading_w=readings["reading_w"].mask(missed))
    held = [gappy, gappy.loc[~missed]]  # as an empty reading, or as no row at all
    for table in held:
        free = decode(table, LOAD_W)
        bound = decode(table, LOAD_W, registers=registers)
        assert bound.account.registers["verdict"].iloc[0] == "agree"
        assert np.allclose(free.samples["p_export"], bound.samples["p_export"], equal_nan=True)
        assert 0.95 < bound.account.registers["seen"].iloc[0] < 0.999


@pytest.mark.parametrize(
    ("delivered", "received", "verdict"),
    [(0.5, 0.5, "contradict the reading"), (30, 30, "contradict the reading"), (1, 0, "contradict the direction")],
)
def test_totals_of_another_meter_are_told_and_left_alone(house, delivered, received, verdict):
    readings, truth = house
    right = totals(readings, truth)
    both = float(right["delivered_kwh"].iloc[0] + right["received_kwh"].iloc[0])
    wrong = right.assign(delivered_kwh=both * delivered, received_kwh=both * received)
    if verdict == "contradict the reading":
        wrong = right.assign(delivered_kwh=both * delivered / 10, received_kwh=both * received / 10)
    free = decode(readings, LOAD_W)
    found = decode(readings, LOAD_W, registers=wrong)
    assert found.account.registers["verdict"].iloc[0] == verdict
    assert np.array_equal(found.samples["p_export"], free.samples["p_export"])
    assert sum("not used" in sentence for sentence in found.sentences()) == 1
    assert not any("not used" in sentence for sentence in free.sentences())


def test_periods_judged_by_hand():
    inside = np.ones(4, dtype=bool)
    energies = np.array([[1.0, 1, 1, 1], [0, 0, 0, 0]]), np.array([[0.0, 0, 0, 0], [1, 1, 1, 1]])
    p = np.array([0.0, 0.2, 0.8, 1.0])  # 2 kWh of export; 0.4 kWh in doubt

    def verdict(delivered, received, seen=1.0):
        period = MeterPeriod(*DAY, inside, delivered, received, seen, np.zeros(5))
        return judged(period, p, energies, np.ones(4))[:2]

    assert verdict(2, 2)[0] == "agree"
    assert verdict(1.5, 2.5) == ("differ", pytest.approx(2.5, abs=1e-4))
    assert verdict(1.35, 2.25) == ("differ", pytest.approx(2.5, abs=1e-4))  # an instrument that shows a tenth too much
    assert verdict(0.2, 3.8)[0] == "contradict the direction"
    assert verdict(20, 20)[0] == "contradict the reading"
    assert verdict(2, 2, 0.9)[0] == "too little seen"


@pytest.mark.parametrize(
    "changed",
    [{"start": "soon"}, {"start": None}, {"delivered_kwh": "much"}, {"received_kwh": -1.0}, {"received_kwh": np.nan}],
)
def test_totals_that_cannot_be_read_are_refused(house, changed):
    readings, truth = house
    row = totals(readings, truth).iloc[0].to_dict() | changed
    with pytest.raises(InputError, match="registers") as error:
        decode(readings, LOAD_W, registers=pd.DataFrame([row]))
    assert "\n" not in str(error.value)
    with pytest.raises(InputError, match="registers"):
        decode(readings, LOAD_W, registers=row)


def test_the_bounds_of_a_verdict():
    inside = np.ones(4, dtype=bool)
    energies = np.array([[1.0, 1, 1, 1], [0, 0, 0, 0]]), np.array([[0.0, 0, 0, 0], [1, 1, 1, 1]])
    p = np.array([0.0, 0.2, 0.8, 1.0])  # 2 of 4 kWh are export; 0.4 kWh are in doubt

    def verdict(received, total=4.0, seen=1.0):
        period = MeterPeriod(*DAY, inside, total - received, received, seen, np.zeros(5))
        return judged(period, p, energies, np.ones(4))

    assert [verdict(received)[0] for received in (2.003, 2.005)] == ["agree", "differ"]  # a thousandth of 4 kWh
    assert [verdict(received)[0] for received in (3.2, 3.22)] == ["differ", "contradict the direction"]  # 3 x 0.404
    assert [verdict(2.5, total)[0] for total in (5.0, 5.01)] == ["agree", "contradict the reading"]
    assert [verdict(1.6, total)[0] for total in (3.2, 3.19)] == ["agree", "contradict the reading"]
    assert [verdict(2.0, seen=seen)[0] for seen in (0.95, 0.949)] == ["agree", "too little seen"]


def test_gaps_are_filled_from_both_sides_and_bind_as_softly_as_they_are_known():
    """Two hours of 1 kW out before a gap of half an hour, two of 3 kW in after it, and twelve minutes at the end."""
    flows = np.array([[0.0, 0, 3, 3], [1.0, 1, 0, 0]])
    period = MeterPeriod(*DAY, np.ones(4, dtype=bool), 7.6, 2.4, 1.0, np.array([0, 0, 0.5, 0, 0.2]))
    missed_in, missed_out, sd = filled(period, flows, np.ones(4))
    assert (missed_in, missed_out) == (pytest.approx(0.5 * 1.5 + 0.2 * 3), pytest.approx(0.5 * 0.5))
    spread = 0.5 * np.hypot(1 / np.sqrt(12), 0.15 * 2), 0.2 * 0.15 * 3
    assert sd == pytest.approx(np.hypot(*spread))
    p, size = np.array([0.9, 0.9, 0.1, 0.1]), np.array([1.0, 1, 3, 3])
    nothing = np.zeros(4)
    energies = np.stack([size, nothing]), np.stack([nothing, size])
    missed_in, missed_out, sd = filled(period, np.stack([size * (1 - p), size * p]), np.ones(4))
    sd = np.hypot(sd, 0.001 * 10)
    goal = (2.4 - missed_out) * 8 / (10 - missed_in - missed_out)
    for days in (1, 4):
        known = replace(period, end=period.start + pd.Timedelta(days=days))
        verdict, export, told_sd = judged(known, p, energies, np.ones(4))
        own_sd = 0.8 / np.sqrt(days)
        moved = (goal - 2.4) * own_sd**2 / (own_sd**2 + sd**2)
        assert (verdict, export, told_sd) == ("differ", pytest.approx(2.4 + moved), pytest.approx(sd))


def test_missed_time_is_told_before_each_sample_and_at_both_ends():
    index = pd.date_range("2026-06-01", periods=60, freq="1min", tz="UTC")
    rows = np.r_[5:20, 30:50]
    table = pd.DataFrame({"start": [index[3]], "end": [index[55]], "delivered_kwh": 1.0, "received_kwh": 1.0})
    (period,) = read_registers(table, index, rows, np.full(rows.size, 1 / 60))
    assert 60 * period.missed_h[[0, 15, -1]] == pytest.approx([2, 10, 5])
    assert period.missed_h.sum() * 60 == pytest.approx(17) and period.missed_h.size == rows.size + 1


@pytest.mark.parametrize("seed", [41, 42, 43])
def test_totals_of_days_help_where_one_row_in_a_hundred_is_missing(seed):
    readings, truth = made_house(days=4, seed=seed, test_every=0)
    coarse = readings["pv_w"].groupby(readings.index.floor("15min")).transform("mean")
    missed = np.random.default_rng(seed).random(len(readings)) < 0.01
    missed[720:750] = True
    table = readings.assign(pv_w=coarse)[~missed]
    hours = (truth["import_w"][~missed] / 60_000).groupby(truth.index[~missed].date).sum().to_numpy()
    free, bound = decode(table), decode(table, registers=scorecard.daily_registers(truth))
    error, width = ([], [])
    for days in (free.days, bound.days):
        error.append(np.abs(days["import_kwh"].to_numpy() - hours).mean())
        width.append((days["import_high_kwh"] - days["import_low_kwh"]).mean())
    assert error[1] < 0.5 * error[0] and width[1] < 0.3 * width[0]
    inside = (bound.days["import_low_kwh"].to_numpy() <= hours) & (hours <= bound.days["import_high_kwh"].to_numpy())
    assert inside.mean() >= 0.75
