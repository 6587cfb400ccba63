"""The made year against the typical years of pvlib: light on planes, and how the hours are spread.

Greensboro and Sand Point are the two years on which the limits of the hours were searched (`built here`); Miami was not
looked at before and tells what to expect elsewhere. Each made year knows only the twelve means of its file's ghi and
temperature. TMY3: Wilcox and Marion, NREL/TP-581-43156 (2008); TMY2: Marion and Urban (1995); `seen and recomputed`.
"""

from functools import lru_cache

import numpy as np
import pytest
from scipy.stats import ks_2samp

from solarlib.sky import sun
from solarlib.sky.climate import MonthlyMeans, typical_year
from solarlib.sky.weather import Place, read_weather

SITES = {
    "723170TYA.CSV": Place("Greensboro", 36.1, -79.95, "America/New_York", 273.0),
    "703165TY.csv": Place("Sand Point", 55.317, -160.517, "America/Anchorage", 7.0),
    "12839.tm2": Place("Miami", 25.8, -80.2667, "America/New_York", 2.0),
}
BARS = ("723170TYA.CSV", "703165TY.csv")
# (tilt, azimuth)
PLANES = (
    (0, 180),
    (20, 180),
    (35, 180),
    (60, 180),
    (90, 180),
    (30, 90),
    (30, 270),
    (60, 90),
    (30, 0),
    (10, 225),
    (45, 225),
)
STEEP_WEST, EAST_WALL = (60, 270), (90, 90)  # the known misses
SEEDS = range(10)

pytestmark = pytest.mark.slow  # ten made years for each of three places


@lru_cache(maxsize=3)
def case(file):
    """Return the file's year, the sun, and one made year for each seed."""
    place = SITES[file]
    real = read_weather(file, place)
    monthly = real.groupby(real.index.month).mean()
    means = MonthlyMeans(tuple(monthly["ghi"] * 0.024), tuple(monthly["temp_air"]), float(real["wind_speed"].mean()))
    made = [typical_year(place, means, np.random.default_rng(seed)) for seed in SEEDS]
    return real, sun.position(real.index, place), made


def clearness(year, solar):
    """Return the hourly clearness with the sun's middle above 5 degrees; lower, the file's own sun decides."""
    cosine = np.cos(np.radians(solar["apparent_zenith"].to_numpy()))
    up = cosine > np.sin(np.radians(5.0))
    return year["ghi"].to_numpy()[up] / (solar["dni_extra"].to_numpy()[up] * cosine[up])


def on_plane(year, solar, plane):
    return sun.plane_of_array(year, solar, *plane)["poa_global"].sum()


@pytest.mark.parametrize("file", BARS)
@pytest.mark.parametrize("plane", PLANES)
def test_a_years_light_on_eleven_planes_within_three_per_cent(file, plane):
    real, solar, made = case(file)
    errors = [on_plane(year, solar, plane) / on_plane(real, solar, plane) - 1 for year in made]
    assert np.abs(errors).max() < 0.03, np.round(errors, 4)


def test_a_steep_west_plane_misses_with_one_seed_of_ten():
    """Known miss: Sand Point, one seed loses 3.05 %; the mean of the seeds 0.8 %."""
    real, solar, made = case("703165TY.csv")
    errors = [on_plane(year, solar, STEEP_WEST) / on_plane(real, solar, STEEP_WEST) - 1 for year in made]
    assert abs(np.mean(errors)) < 0.02 and 0.03 < np.abs(errors).max() < 0.035, np.round(errors, 4)


@pytest.mark.parametrize("file", BARS)
def test_a_wall_that_faces_east_gets_too_much(file):
    """Known miss: beam at low sun; 2 % on average over the seeds, single seeds reach 3 to 4 %."""
    real, solar, made = case(file)
    errors = [on_plane(year, solar, EAST_WALL) / on_plane(real, solar, EAST_WALL) - 1 for year in made]
    assert 0.01 < np.mean(errors) < 0.03 and np.max(errors) < 0.04, np.round(errors, 4)


@pytest.mark.parametrize("file", SITES)
def test_hourly_clearness_is_spread_as_in_the_file(file):
    """Kolmogorov-Smirnov distance below 0.1, also at the site that was not looked at."""
    real, solar, made = case(file)
    distances = [ks_2samp(clearness(year, solar), clearness(real, solar)).statistic for year in made]
    assert np.max(distances) < 0.1, np.round(distances, 3)


def test_the_site_not_looked_at_keeps_the_planes_within_three_and_a_half_per_cent():
    """West walls and steep west planes are the worst: Miami's afternoons are cloudier than mornings; made ones not."""
    real, solar, made = case("12839.tm2")
    errors = np.array(
        [[on_plane(y, solar, p) / on_plane(real, solar, p) - 1 for p in (*PLANES, STEEP_WEST, EAST_WALL)] for y in made]
    )
    assert np.abs(errors).max() < 0.035 and np.abs(errors[:, [0, 1, 2, 3, 9, 10]]).max() < 0.02, np.round(
        errors.mean(axis=0), 4
    )


@pytest.mark.parametrize("file", SITES)
def test_from_hour_to_hour_and_from_day_to_day(file):
    """Spreads within a fifth. The made days remember 0.21 on average, less than 0.29 since each month stands evenly on
    its distribution; the files 0.31 to 0.33, each known to 1 / sqrt(365) from its one year: three of these are allowed.
    """
    real, solar, made = case(file)
    spread = [np.diff(clearness(year, solar)).std() for year in (real, *made)]
    assert np.abs(np.array(spread[1:]) / spread[0] - 1).max() < 0.20, np.round(spread, 3)
    cosine = np.cos(np.radians(solar["apparent_zenith"])).clip(lower=0)
    outside = (solar["dni_extra"] * cosine).to_numpy().reshape(365, 24).sum(axis=1)
    day = [year["ghi"].to_numpy().reshape(365, 24).sum(axis=1) / outside for year in (real, *made)]
    spreads = [values.std() for values in day]
    assert np.abs(np.array(spreads[1:]) / spreads[0] - 1).max() < 0.20, np.round(spreads, 3)
    memory = [np.corrcoef(values[1:], values[:-1])[0, 1] for values in day]
    assert abs(np.mean(memory[1:]) - memory[0]) < 3 / np.sqrt(365), np.round(memory, 2)


@pytest.mark.parametrize("file", SITES)
def test_warm_and_cold_days_and_the_days_course(file):
    real, _, made = case(file)
    for year in made[:3]:
        days, hours = ([y["temp_air"].to_numpy().reshape(365, 24) for y in (real, year)] for _ in range(2))
        jumps = [np.diff(d.mean(axis=1)).std() for d in days]
        assert jumps[1] / jumps[0] == pytest.approx(1, abs=0.35), np.round(jumps, 2)
        assert np.std(hours[1]) == pytest.approx(np.std(hours[0]), rel=0.15)
