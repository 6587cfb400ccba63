"""The shipped table of the world: read rightly between its nodes, and as good as its own account says."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings, strategies as st

from profiles import examples
from solarlib.quantities import InputError
from solarlib.sky.clock import check_seasons, monthly_light
from solarlib.sky.weather import Place
from solarlib.sky.world import world_means

ROOT = Path(__file__).parents[2]
NODES = np.load(ROOT / "data" / "weather" / "world.npz")
STATIONS = pd.read_csv(ROOT / "tests" / "references" / "published" / "stations.csv")


def at(latitude, longitude, altitude=0.0):
    means = world_means(Place("x", latitude, longitude, "UTC", altitude))
    return np.array(means.irradiation), np.array(means.temp_air)


@settings(max_examples=examples(40), deadline=None)
@given(row=st.integers(10, 80), column=st.integers(0, 179), up=st.floats(0, 1), right=st.floats(0, 1))
def test_between_nodes_the_values_lie_on_straight_lines(row, column, up, right):
    """The nodes' own bilinear mean, `built here`, by weights on the four corners; longitude goes round."""
    corners = [(row, column), (row + 1, column), (row, (column + 1) % 180), (row + 1, (column + 1) % 180)]
    weights = [(1 - up) * (1 - right), up * (1 - right), (1 - up) * right, up * right]
    latitude, longitude = float(NODES["lat"][row]) + 2 * up, (2 * (column + right) + 180) % 360 - 180
    light = sum(w * NODES["ghi_wh"][:, r, c] / 1000 for w, (r, c) in zip(weights, corners))
    warm = sum(w * NODES["temp_cc"][:, r, c] / 100 for w, (r, c) in zip(weights, corners))
    height = sum(w * float(NODES["height_m"][r, c]) for w, (r, c) in zip(weights, corners))
    ghi, temp = at(float(latitude), float(longitude), 100.0)
    most = 0.79 * monthly_light(float(latitude))
    np.testing.assert_allclose(
        ghi, np.where(monthly_light(float(latitude)) < 0.05, 0, np.minimum(light, most)), atol=1e-6
    )
    np.testing.assert_allclose(temp, warm + 0.0065 * (height - 100.0), atol=1e-6)


def test_the_poles_and_the_date_line_have_no_seam():
    for latitude in (-90.0, 0.0, 90.0):
        np.testing.assert_allclose(at(latitude, 180.0), at(latitude, -180.0))
        assert np.isfinite(at(latitude, 179.999)).all()
    np.testing.assert_allclose(at(10.0, -0.0001)[0], at(10.0, 0.0001)[0], atol=1e-3)


def test_the_table_is_as_good_as_its_account_at_stations_and_no_better():
    """Four places in five of 19 are 15; one more may miss. Rms of data/README.md (29 files): 6.6 %, here half as much
    again at most; months' temperature 1.9 K, here with stations on slopes 3 K at most.
    """
    year, warm = [], []
    for station in STATIONS.to_dict("records"):
        ghi, temp = at(station["latitude"], station["longitude"], station["altitude_m"])
        true = np.array([station[f"ghi_{month}"] for month in range(1, 13)])
        year.append(ghi.mean() / true.mean() - 1)
        warm.append(temp - [station[f"temp_air_{month}"] for month in range(1, 13)])
    assert np.sum(np.abs(year) < 0.10) >= 14, np.round(year, 3)
    assert 0.01 < np.sqrt(np.mean(np.square(year))) < 0.10
    assert np.sqrt(np.mean(np.square(warm))) < 3.0


@pytest.mark.slow
def test_no_node_has_the_seasons_of_the_other_hemisphere_and_every_mirrored_one_is_found():
    """What `clock.check_seasons` says of itself. A node of 16 to 22 degrees may pass mirrored: monsoons hide summer."""
    passed = {}
    for row, latitude in enumerate(NODES["lat"].astype(float)):
        for column in range(0, 180, 10):
            light = np.minimum(NODES["ghi_wh"][:, row, column] / 1000, 0.85 * monthly_light(latitude))
            check_seasons("node", latitude, light)
            try:
                check_seasons("node", -latitude, light)
            except InputError:
                continue
            passed[abs(latitude)] = passed.get(abs(latitude), 0) + 1
    told = {latitude: count for latitude, count in passed.items() if 15 <= latitude <= 76}
    assert all(latitude < 24 for latitude in told) and sum(told.values()) < 0.1 * 2 * 4 * 18, passed
