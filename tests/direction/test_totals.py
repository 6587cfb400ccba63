"""Register totals beside a decoded record: used where they differ, never where they cannot be right."""

import numpy as np
import pandas as pd
import pytest

from made_records import LOAD_W, made_house
from solarlib.direction.decoder import decode
from solarlib.direction.totals import MeterPeriod, judged
from solarlib.quantities import InputError


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
        return judged(MeterPeriod(None, None, inside, delivered, received, seen), p, energies)

    assert verdict(2, 2)[0] == "agree"
    assert verdict(1.5, 2.5) == ("differ", pytest.approx(2.5))
    assert verdict(1.35, 2.25) == ("differ", pytest.approx(2.5))  # an instrument that shows a tenth too much
    assert verdict(0.2, 3.8)[0] == "contradict the direction"
    assert verdict(20, 20)[0] == "contradict the reading"
    assert verdict(2, 2, 0.9)[0] == "too little seen"
    # A tenth of a kWh was missed: its direction is not known, so the export seen is 2.4 to 2.5.
    assert verdict(1.6, 2.5, 0.96) == ("differ", pytest.approx(2.4))


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
        return judged(MeterPeriod(None, None, inside, total - received, received, seen), p, energies)

    assert [verdict(received)[0] for received in (2.003, 2.005)] == ["agree", "differ"]  # a thousandth of 4 kWh
    assert [verdict(received)[0] for received in (3.2, 3.22)] == ["differ", "contradict the direction"]  # 3 x 0.404
    assert [verdict(2.5, total)[0] for total in (5.0, 5.01)] == ["agree", "contradict the reading"]
    assert [verdict(1.6, total)[0] for total in (3.2, 3.19)] == ["agree", "contradict the reading"]
    assert [verdict(2.0, seen=seen)[0] for seen in (0.95, 0.949)] == ["agree", "too little seen"]
    # Of 4.3 kWh at most 4 x 1 % can have been missed.
    missed = 4 * 0.01 * 4.3
    assert verdict(2.6, 4.3, 0.99) == ("differ", pytest.approx((2.6 - missed) * 4 / (4.3 - missed)))
