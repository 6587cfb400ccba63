"""The live filter: the past alone, several houses side by side, missed samples, honest starts."""

from dataclasses import replace

import numpy as np
import pytest

from made_records import LOAD_W, filtered, made_house
from solarlib.direction.likelihood import Instrument
from solarlib.direction.live import LiveFilter
from solarlib.direction.record import read_record
from solarlib.direction.signs import chain_of, make_scene
from solarlib.quantities import InputError


@pytest.fixture(scope="module")
def house():
    return made_house(days=3, seed=2)


@pytest.fixture(scope="module")
def scene(house):
    return make_scene(read_record(house[0]), Instrument(60.0, 60.0, test_load_w=LOAD_W))


@pytest.fixture(scope="module")
def habits(scene):
    return scene.habits


def follow(readings, **how):
    live = LiveFilter(LOAD_W, **how)
    rows = readings[["reading_w", "pv_w", "test_on"]].to_numpy()
    return np.array([live.update(*row) for row in rows]), live


@pytest.mark.slow
def test_signs_live_are_good_and_below_those_known_afterwards(house, habits):
    readings, truth = house
    p, _ = follow(readings, habits=habits)
    day = (truth["pv_w"] > 50).to_numpy()
    right = ((p > 0.5) == (truth["net_w"] < 0).to_numpy())[day].mean()
    assert 0.94 < right < 1


@pytest.mark.slow
def test_live_is_the_forward_half_of_the_chain(house, scene):
    readings, record = house[0], scene.record
    # The past alone knows no greatest PV power yet.
    at, w = chain_of(replace(scene, most_w=np.full(scene.most_w.size, 1e9)))
    odds = filtered(w)
    p, _ = follow(readings, habits=scene.habits)
    whole = (record.test_share[at] == 0) & (record.reading_w[at] > 0)
    expected = odds / (1 + odds)
    # Nights are left out of the chain but not of the filter; by mid-morning both have the same past.
    hour = readings.index[record.rows[at]].hour
    compared = whole & (hour >= 8) & (hour < 20)
    assert p[at][compared] == pytest.approx(expected[compared], abs=1e-6)


@pytest.mark.slow
def test_the_future_does_not_matter(house, habits):
    readings, _ = house
    whole, _ = follow(readings[:900], habits=habits)
    part, _ = follow(readings[:700], habits=habits)
    assert (whole[:700] == part).all()


@pytest.mark.slow
def test_missed_readings(house, habits):
    readings, truth = house
    holes = readings.copy()
    holes.iloc[::7, 0] = np.nan
    p, live = follow(holes, habits=habits)
    assert np.isnan(p[::7]).all() and np.isfinite(np.delete(p, np.s_[::7])).all()
    assert np.isfinite(live.p_export_without)


def test_the_direction_to_remember_is_the_one_without_the_test_load(habits):
    live = LiveFilter(LOAD_W, habits=habits)
    for minute in range(40):
        live.update(300.0 + minute % 3, 700.0 + minute % 3)
    live.update(700.0, 700.0, 1.0)  # export of 300 W pushed through zero: the reading is import
    assert live.p_export < 0.2 and live.p_export_without > 0.8


def test_honest_starts():
    assert 0.2 < LiveFilter().update(0.0, 3000.0) < 0.8
    assert LiveFilter().update(400.0, 0.0) < 0.01
    assert 0.05 < LiveFilter().update(400.0, np.nan) < 0.95
    assert np.isnan(LiveFilter().update(np.nan, 100.0))
    live = LiveFilter()
    for _ in range(300):
        p = live.update(0.0, 2000.0)
    assert 0.2 < p < 0.8


@pytest.mark.parametrize(
    "values",
    [(-300.0, 0), (1e8, 0), (100, 0, 1.4), (100, 0, np.nan), ("much", 0), (100, np.inf), (100, -1e5), ([1, 2], 0)],
)
def test_what_cannot_be_is_refused(values):
    with pytest.raises(InputError):
        LiveFilter(LOAD_W).update(*values)


@pytest.mark.slow
def test_coarse_sun_that_comes_late_is_not_believed_too_much(house, habits):
    readings, truth = house
    # Live, a quarter of an hour's mean is known when it is over.
    late = readings["pv_w"].groupby(readings.index.floor("15min")).transform("mean").shift(15, fill_value=0)
    day = (truth["pv_w"] > 50).to_numpy()
    exporting = (truth["net_w"] < 0).to_numpy()
    believed = [
        ((follow(readings.assign(pv_w=late), habits=habits, pv_window_s=w)[0] > 0.5) == exporting)[day].mean()
        for w in (60, 900)
    ]
    assert believed[1] > max(believed[0] + 0.02, 0.85)


@pytest.mark.slow
def test_after_a_day_without_readings_the_past_says_nothing_more(habits):
    def after_missing(count):
        live = LiveFilter(habits=habits)
        for minute in range(30):
            live.update(300.0 + minute % 3, 3000.0)
        for _ in range(count):
            live.update(np.nan, 3000.0)
        return live.update(900.0, 3000.0)

    assert after_missing(1439) == after_missing(2000) != after_missing(1300)


@pytest.mark.parametrize(
    "values, fits", [((-50.0, 0), True), ((-51.0, 0), False), ((1e6, 0), True), ((100, -1000.0), True)]
)
def test_the_ranges_are_those_of_a_record(values, fits):
    if fits:
        assert 0 <= LiveFilter().update(*values) <= 1
    else:
        with pytest.raises(InputError, match="allowed is a number from -50 to 1e"):
            LiveFilter().update(*values)


def test_no_more_goes_out_than_the_array_gives(habits):
    """In the middle of a cloudy day the sun's power is not known for a while, and the reading is large."""
    told = {}
    for most_w in (5000.0, 9000.0):
        live = LiveFilter(habits=habits, most_pv_w=most_w)
        for _ in range(5):
            live.update(400.0, 900.0)
        told[most_w] = [live.update(reading, np.nan) for reading in (4000.0, 7000.0)]
    assert told[5000.0][1] < 0.01 < told[9000.0][1] and told[5000.0][0] == pytest.approx(told[9000.0][0], abs=1e-3)
