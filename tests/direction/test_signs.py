"""A record before its signs: which samples are night, and where the PV record was silent."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy.stats import norm

from made_records import LOAD_W, made_house
from solarlib.direction import chain
from solarlib.direction.decoder import decode
from solarlib.direction.likelihood import Instrument
from solarlib.direction.record import read_record
from solarlib.direction.signs import chain_of, expected, make_scene, most_sun, of_interval, probability, two_views


def scene(pv_w, days=5):
    """Return the scene of days whose PV power is given for each minute of each day, shape (days, 1440)."""
    index = pd.date_range("2026-06-01", periods=days * 1440, freq="1min", tz="UTC")
    table = pd.DataFrame({"reading_w": 300.0, "pv_w": np.asarray(pv_w, dtype=float).ravel()}, index)
    return make_scene(read_record(table, pv_window_s=60), Instrument(60.0, 60.0))


@pytest.mark.parametrize(
    "night_w, edge_w", [(0.0, 8.0), (4.0, 8.0), (-6.0, 8.0), (6.0, 9.0), (39.0, 42.0), (41.0, 8.0)]
)
def test_night_is_up_to_eight_watts_or_three_above_the_converters_own(night_w, edge_w):
    pv = np.full((5, 1440), 500.0)
    pv[:, :400] = night_w
    pv[0, 700:703] = edge_w, edge_w + 0.1, edge_w - 0.1
    dark = scene(pv).dark
    assert dark[700:703].tolist() == [True, False, True]
    assert dark[:400].all() == (night_w <= edge_w)


@pytest.mark.parametrize("usual_w, minutes, silent", [(201, 61, True), (201, 60, False), (200, 61, False)])
def test_a_record_that_shows_nothing_for_over_an_hour_of_day_was_off(usual_w, minutes, silent):
    pv = np.zeros((5, 1440))
    pv[:, 600:900] = usual_w
    pv[2, 700 : 700 + minutes] = 0.0
    found = scene(pv)
    off = np.s_[2 * 1440 + 700 : 2 * 1440 + 700 + minutes]
    assert found.unknown[off].all() == found.unknown.any() == silent
    assert bool(found.dark[off].all()) is not silent
    assert found.habits.samples == 5 * 1440 - (5 * 300 - minutes * (not silent))


def test_what_is_expected_and_how_sure_at_most():
    assert expected(np.array([[2.0], [6.0]]), np.array([0.25]))[0] == 3
    assert probability(0.0) == 0.5 and probability(np.log(3)) == pytest.approx(0.75)
    assert probability(-1000.0) == probability(-40.0) == pytest.approx(np.exp(-40))
    assert probability(1000.0) == probability(40.0) == 1 - probability(-40.0)


def test_the_mean_between_two_snapshots_has_the_direction_of_the_larger_more_often():
    """Simulated: the power jumps at a time that is uniform between the moments, its mean has one sign or the other."""
    index = pd.Timestamp("2026-06-01 10:00", tz="UTC") + pd.to_timedelta([0, 10, 20, 90], unit="s")
    table = pd.DataFrame({"reading_w": [300.0, 100.0, 200.0, 500.0], "pv_w": 100.0}, index)
    record = read_record(table, "snapshot")
    p = of_interval(np.array([0.0, 1.0, 1.0, 0.8]), record)
    when = np.random.default_rng(2).random(100_000)
    outward = np.mean(when * 300 - (1 - when) * 100 < 0)
    assert p[1] == pytest.approx((outward + 1) / 2, abs=0.005)
    assert p == pytest.approx([0.125, 0.625, 1.0, 0.8])
    unsure = of_interval(np.array([0.5, 0.5, 0.5, 0.5]), record)
    assert unsure == pytest.approx(0.5) and np.isfinite(of_interval(p, replace(record, reading_w=0 * p))).all()


def test_the_most_sun_by_hand():
    """Windows of five minutes; the second minute of the third is asked for, and a minute after the whole record."""
    index = pd.date_range("2026-06-01 10:00", periods=40, freq="1min", tz="UTC")
    table = pd.DataFrame({"reading_w": 300.0, "pv_w": np.repeat([2000.0, 0, 100, 200, 0, 0, np.nan, 0], 5)}, index)
    most = most_sun(read_record(table, pv_window_s=300))
    # Of three windows the greatest, three times; never above the greatest of all by more than 15 %.
    assert most[2::5] == pytest.approx([2300, 2300, 600, 600, 600, 0, 0, 0])
    late = most_sun(read_record(table, pv_window_s=300), late_s=60.0, gain=2.0)
    assert late[9:11] == pytest.approx([300, 300]) and late[8] == pytest.approx(1150)


def test_more_than_the_sun_gives_is_hardly_possible():
    readings, _ = made_house(days=2, seed=3)
    record = read_record(readings)
    free = replace(make_scene(record, Instrument(60.0, 60.0)), most_w=np.full(len(readings), 1e9))
    low = replace(free, most_w=np.full(len(readings), 500.0))
    (at, wide), (_, narrow) = chain_of(free), chain_of(low)
    rest = free.states.net_w[:, at] + 500 - free.habits.base_w
    allowed = np.maximum(norm.cdf(rest / (4 + 0.02 * 500)), 1e-6)
    ratio = narrow[1, 1] * wide[1, 0] / (wide[1, 1] * narrow[1, 0])
    told = (narrow > 2 * chain.FLOOR).all(axis=(0, 1)) & (wide > 2 * chain.FLOOR).all(axis=(0, 1))
    assert told.sum() > 100 and ratio[told] == pytest.approx((allowed[1] / allowed[0])[told], rel=1e-6)


@pytest.mark.parametrize("minutes, tested", [(1, True), (5, False), (15, True), (15, False)])
def test_no_reading_beyond_the_sun_is_told_as_export(minutes, tested):
    """A heavy load under a changing sky: none of its readings can have gone out, whatever the windows hide."""
    readings, truth = made_house(days=3, seed=31, test_every=10 if tested else 0)
    heavy = (np.arange(len(readings)) % 97 < 4) & (readings["pv_w"] > 50).to_numpy()
    net = truth["net_w"] + np.where(heavy, 9000.0, 0.0)
    power = readings["pv_w"].groupby(readings.index.floor(f"{minutes}min")).transform("mean").round()
    table = readings.assign(reading_w=net.abs().where(heavy, readings["reading_w"]).round(), pv_w=power)
    found = decode(table, LOAD_W if tested else None, pv_window_s=60 * minutes)
    beyond = heavy & (table["reading_w"] > 1.3 * power.max()).to_numpy()
    assert beyond.sum() > 50 and found.samples["p_export"][beyond].max() < 0.02


@pytest.mark.parametrize(
    "interval_s, pv_window_s, stride",
    [(10, 10, 6), (10, 60, 6), (60, 60, 2), (60, 900, 15)],  # one a minute, one in two minutes, one in a PV window
)
def test_both_views_weigh_less_than_one(interval_s, pv_window_s, stride):
    """Log-odds of 0.6 of all samples and 0.2 of spaced ones; the second view as it is made here, phase by phase."""
    readings, _ = made_house(days=1, interval_s=interval_s, seed=8)
    record = read_record(readings, pv_window_s=pv_window_s)
    now = make_scene(record, Instrument(record.interval_s, record.window_s, test_load_w=LOAD_W))
    p_state, (at, w) = two_views(now)
    other, testing, number = np.zeros(p_state.size), record.test_share > 0, np.arange(p_state.size)
    for phase in range(stride):
        there, weights = chain_of(now, testing | (number % stride == phase))
        other[there] += np.log(chain.odds(weights))
    quiet = at[~testing[at]]
    expected_odds = 0.6 * np.log(chain.odds(w))[~testing[at]] + 0.2 * other[quiet]
    assert np.log(p_state[quiet] / (1 - p_state[quiet])) == pytest.approx(expected_odds, abs=1e-4)
