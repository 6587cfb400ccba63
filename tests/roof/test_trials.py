"""Trials of obstacles give exactly what the whole computation gives."""

from dataclasses import replace

import numpy as np
import pytest

from solarlib.house.file import read_house
from solarlib.house.year import weather
from solarlib.quantities import InputError
from solarlib.roof.obstacles import Obstacle
from solarlib.roof.shade import obstacle_hours, open_year, shade_hours


@pytest.fixture(scope="module")
def some_weeks():
    house = read_house("two-storey")
    plane = replace(house.system.planes[0], module_count=6)
    return house, plane, weather(house).iloc[24 * 300 : 24 * 330]


@pytest.mark.parametrize(
    "obstacle",
    [
        Obstacle(((150, 30), (200, 30)), 8.0),
        Obstacle(((190, 10), (230, 50)), 5.0, passes=0.5),
        Obstacle(((100, 20), (260, 20))),
        Obstacle(((0, 60), (90, 60)), 6.0),
    ],
)
def test_trial_equals_the_whole_computation(some_weeks, obstacle):
    house, plane, sky = some_weeks
    system = replace(house.system, planes=(plane,))
    quick = obstacle_hours(open_year(sky, house.place, house.system, plane), obstacle)
    whole = shade_hours(sky, house.place, system, ((obstacle,),))
    for name in whole:
        np.testing.assert_allclose(quick[name], whole[name], rtol=2e-4, atol=0.05 if name.endswith("_w") else 1e-9)


def test_an_obstacle_that_never_hides_the_sun_and_a_dark_night_are_no_errors(some_weeks):
    house, plane, sky = some_weeks
    year = open_year(sky, house.place, house.system, plane)
    behind = obstacle_hours(year, Obstacle(((350, 5), (370, 5)), 9.0))  # in the north
    assert behind.equals(year.hours)
    night = sky[sky["ghi"] == 0]
    dark = shade_hours(
        sky.loc[night.index[0] : night.index[4]], house.place, house.system, ((),) * len(house.system.planes)
    )
    assert len(dark) == 5 and (dark == 0.0).all(axis=None)


def test_trials_leave_the_open_year_as_it_was(some_weeks):
    house, plane, sky = some_weeks
    year = open_year(sky, house.place, house.system, plane)
    before = year.hours.copy()
    shaded = obstacle_hours(year, Obstacle(((100, 60), (300, 60)), 9.0))
    assert year.hours.equals(before) and shaded["string_w"].sum() < before["string_w"].sum()
    assert (shaded["unshaded_w"] > before["unshaded_w"] * 0.99 - 1).all()


def test_an_obstacle_inside_the_array_is_refused(some_weeks):
    house, plane, sky = some_weeks
    year = open_year(sky, house.place, house.system, plane)
    with pytest.raises(InputError, match="obstacle.distance_m"):
        obstacle_hours(year, Obstacle(((150, 30), (200, 30)), 1.0))
