"""When to test: budgets are met, chosen steps beat fixed ones, timetables can be set on a timer."""

import chosen_steps
import numpy as np
import pandas as pd
import pytest

from made_records import LOAD_W, made_house
from solarlib.direction import schedule
from solarlib.direction.decoder import decode
from solarlib.direction.likelihood import Instrument
from solarlib.direction.record import read_record
from solarlib.direction.signs import make_scene
from solarlib.quantities import InputError

DAYS = 6


@pytest.fixture(scope="module")
def days():
    readings, truth = made_house(days=DAYS, seed=12, test_every=0)
    habits = make_scene(read_record(readings), Instrument(60.0, 60.0)).habits
    net = truth["net_w"].to_numpy().reshape(DAYS, 1440).T
    pv = truth["pv_w"].to_numpy().reshape(DAYS, 1440).T
    return net, pv, habits, readings.index


def play(days, **how):
    net, pv, habits, _ = days
    return chosen_steps.run_live(net, pv, LOAD_W, np.random.default_rng(1), habits=habits, **how)


def steps(seen):
    return seen["test_on"].sum() / DAYS


def decoded(days, seen):
    net, pv, _, index = days
    table = {"reading_w": seen["reading_w"], "pv_w": pv, "test_on": seen["test_on"]}
    return decode(pd.DataFrame({name: v.T.ravel() for name, v in table.items()}, index), LOAD_W)


def energy_wrong(days, p_export, seen):
    net, pv, _, _ = days
    wrong = (p_export > 0.5) != (net + LOAD_W * seen["test_on"] < 0)
    return (seen["reading_w"] * wrong)[pv > 50].sum() / seen["reading_w"][pv > 50].sum()


@pytest.mark.slow
def test_chosen_steps_do_more_than_as_many_fixed_ones(days):
    none, chosen = play(days), play(days, chooser=chosen_steps.Chooser(8.0))
    count = steps(chosen)
    assert 3 < count < 40
    fixed = play(days, fixed_every=int(14 * 60 / count))
    assert energy_wrong(days, chosen["p_export"], chosen) < energy_wrong(days, none["p_export"], none)
    assert steps(fixed) > 0.9 * count
    left = {
        name: schedule.doubt(seen["reading_w"], seen["p_export"]).sum()
        for name, seen in (("none", none), ("fixed", fixed), ("chosen", chosen))
    }
    assert left["chosen"] < 0.8 * left["fixed"] < 0.8 * left["none"]


@pytest.mark.slow
def test_steps_come_only_where_they_can_tell(days):
    chosen = play(days, chooser=chosen_steps.Chooser(8.0))
    on = chosen["test_on"] > 0
    before = np.roll(on, -1, axis=0)
    assert (days[1][before] > 30).all()
    assert (chosen["reading_w"][before] > 60).all()
    gaps = np.concatenate([np.diff(np.flatnonzero(on[:, d])) for d in range(DAYS)])
    assert gaps.min() >= 3


@pytest.mark.slow
def test_less_doubt_asked_for_means_more_steps(days):
    counts = [steps(play(days, chooser=chosen_steps.Chooser(wh))) for wh in (2.0, 8.0, 40.0, 400.0)]
    assert counts == sorted(counts, reverse=True)
    assert counts[0] > counts[-1]


def test_cost_of_steps():
    assert schedule.step_cost_kwh(1000, 60, 12) == pytest.approx(0.2)
    assert schedule.step_cost_kwh(750, 120) == pytest.approx(0.025)
    assert schedule.doubt(500, [0.0, 0.5, 1.0, 0.9]) == pytest.approx([0, 500, 0, 100])


@pytest.mark.slow
def test_timetable_puts_steps_where_the_doubt_is(days):
    found = decoded(days, play(days))
    times = schedule.timetable(found.samples, 10)
    assert len(times) == 10 and times == sorted(times)
    hour = np.array([int(t[:2]) + int(t[3:]) / 60 for t in times])
    assert (hour > 5).all() and (hour < 21).all()
    quarter = schedule.timetable(found.samples, 6, slot_min=15)
    assert all(t[3:] in ("00", "15", "30", "45") for t in quarter)


def test_timetable_followed_is_the_share_expected():
    index = pd.date_range("2026-05-01", periods=2 * 1440, freq="1min", tz="Europe/Paris")
    share = schedule.share_from_timetable(index, ["08:10", "12:00"], 2.5)
    assert share.sum() == pytest.approx(2 * 2 * 2.5)
    assert share["2026-05-01 08:10"] == 1 and share["2026-05-01 08:12"] == 0.5 and share["2026-05-01 08:13"] == 0
    coarse = schedule.share_from_timetable(index[::5], ["08:10"], 2.5)
    assert coarse.max() == pytest.approx(0.5)


def test_timetable_refuses_what_cannot_be(days):
    index = pd.date_range("2026-05-01", periods=1440, freq="1min", tz="UTC")
    sure = pd.DataFrame({"import_kwh": 0.5, "export_kwh": 0.0, "p_export": 0.0}, index)
    with pytest.raises(InputError, match="none in doubt"):
        schedule.timetable(sure, 5)
    unsure = sure.assign(p_export=0.4)
    with pytest.raises(InputError, match="steps_a_day"):
        schedule.timetable(unsure, 100, slot_min=60)


def test_when_a_step_is_due():
    calm = {"reading_w": 500.0, "p_export": 0.5, "pv_w": 900.0, "doubtful_wh": 20.1, "since_s": 180.0}
    due = chosen_steps.Chooser(20.0).due
    assert due(**calm)
    assert not due(**calm | {"doubtful_wh": 20.0}) and not due(**calm | {"since_s": 179.0})
    assert due(**calm | {"reading_w": 61.0}) and not due(**calm | {"reading_w": 60.0})
    assert due(**calm | {"pv_w": 31.0}) and not due(**calm | {"pv_w": 30.0})
    # Doubt now: 2 x 500 W x P(wrong), more than a fifth of the threshold.
    assert due(**calm | {"p_export": 0.0041}) and not due(**calm | {"p_export": 0.0039})
