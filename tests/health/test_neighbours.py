"""A house beside its neighbours: ratio, orientation, filters, one sick neighbour, and privacy."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from solarlib.health import neighbours as peers
from solarlib.house.file import read_house
from solarlib.house.year import weather
from solarlib.quantities import InputError
from solarlib.roof.array import array_power

DAYS = pd.date_range("2026-03-01", periods=120, freq="D", tz="UTC")


def systems(rng, count=5, scatter=0.03):
    weather_yield = rng.uniform(1.5, 6.0, len(DAYS))
    table = weather_yield[:, None] * np.exp(scatter * rng.standard_normal((len(DAYS), count)))
    return pd.DataFrame(table, DAYS, [f"n{i}" for i in range(count)])


def test_weather_leaves_and_a_loss_stays():
    rng = np.random.default_rng(1)
    table = systems(rng, 6)
    own = table.pop("n0")
    healthy, sick = peers.log_ratio_to_median(own, table), peers.log_ratio_to_median(own * 15 / 16, table)
    assert np.log(own).std() > 0.3 and healthy.std() < 0.04
    assert (sick - healthy).to_numpy() == pytest.approx(np.log(15 / 16))


def test_size_of_the_model_does_not_matter_but_its_season_does():
    table = systems(np.random.default_rng(2), 5, scatter=0.0)
    season = pd.Series(1 + 0.2 * np.sin(np.arange(len(DAYS)) / 20), DAYS)
    own = table["n0"] * season
    flat = pd.DataFrame(7.0, DAYS, table.columns)
    assert peers.log_ratio_to_median(own, table).std() > 0.1
    got = peers.log_ratio_to_median(own, table, season * 3.0, flat)
    assert got.to_numpy() == pytest.approx(np.log(7.0 / 3.0), abs=1e-12)


def test_models_come_in_pairs_and_in_the_same_columns():
    table = systems(np.random.default_rng(3))
    with pytest.raises(InputError, match="one side only"):
        peers.log_ratio_to_median(table["n0"], table, own_model=table["n0"])
    with pytest.raises(InputError, match="other systems"):
        peers.log_ratio_to_median(table["n0"], table, table["n0"], table.rename(columns={"n0": "x"}))


def test_orientation_is_larger_than_a_dead_module_and_the_model_takes_it_out():
    """Real planes under one typical year: west beside south. Models of ANOTHER year stand in for the owner's model."""
    house = read_house("two-storey")
    sky = weather(house)
    plane = house.system.planes[0]

    def made(tilt, azimuth, sky):
        system = replace(house.system, planes=(replace(plane, surface_tilt=tilt, surface_azimuth=azimuth),))
        return peers.daily_yield(array_power(sky, house.place, system)["ac_power_w"] / 1000, system.rated_power_w)

    months = make_monthly(made(30, 270, sky)) / make_monthly(made(30, 180, sky))
    assert np.log(months.max() / months.min()) > 2 * 0.0645
    own, south = made(30, 270, sky), pd.DataFrame({"n0": made(30, 180, sky)})
    model_own = make_monthly(own).reindex(own.index.month).set_axis(own.index)
    model_south = pd.DataFrame({"n0": make_monthly(south["n0"]).reindex(own.index.month).set_axis(own.index)})
    plain, corrected = (
        peers.log_ratio_to_median(own, south),
        peers.log_ratio_to_median(own, south, model_own, model_south),
    )
    spread = [np.ptp(make_monthly(q)) for q in (plain, corrected)]
    assert spread[1] < 0.3 * spread[0]


def make_monthly(daily):
    return daily.groupby(daily.index.month).mean()


def test_every_day_has_one_reason_or_none():
    table = systems(np.random.default_rng(4))
    own = table["n0"].copy()
    table.iloc[3] = 0.4  # dark
    table.iloc[5, 0] = 0.2 * table.iloc[5, 1]  # one roof under snow
    own.iloc[7] = np.nan
    own.iloc[20] = 0.0  # an own zero on a good day stays
    cold = pd.Series(10.0, DAYS)
    cold.iloc[5] = -4.0
    snow = pd.Series(False, DAYS)
    snow.iloc[9] = True
    table.iloc[11], table.iloc[13, 1] = np.nan, np.nan
    got = peers.usable_days(own, table, cold, snow)
    assert got.iloc[[3, 5, 7, 9, 11, 13]].tolist() == [
        "too little sun",
        "snow possible",
        "no reading",
        "snow noted",
        "no reading of the neighbours",
        "fewer than 5 neighbours",
    ]
    assert (got == "").sum() == len(DAYS) - 6 and got.iloc[20] == ""
    assert got.value_counts().sum() == len(DAYS)


@pytest.mark.parametrize("count, most", [(5, 0.02), (7, 0.01), (11, 0.006)])
def test_one_sick_neighbour_moves_the_median_by_half_a_rank(count, most):
    """What `comparison._least_shift` takes for it, 1.2533 / (n - 1) scatters, beside 40,000 draws."""
    draws = np.random.default_rng(5).standard_normal((40000, count))
    draws[:, 0] -= 50.0
    assert np.median(draws, axis=1).mean() == pytest.approx(-1.2533 / (count - 1), abs=most)


def test_what_is_shared_is_one_number_a_day_per_kw():
    index = pd.date_range("2026-06-01", periods=72, freq="1h", tz="America/New_York")
    energy = pd.Series(0.5, index)
    energy.iloc[30] = np.nan
    shared = peers.daily_yield(energy, 6000.0)
    assert len(shared) == 3 and shared.iloc[[0, 2]].tolist() == pytest.approx([2.0, 2.0]) and np.isnan(shared.iloc[1])
    assert peers.daily_yield(energy * 2, 12000.0).equals(shared)


def test_a_small_group_has_no_median():
    table = systems(np.random.default_rng(6))
    with pytest.raises(InputError, match="found 4 systems, allowed are 5 or more"):
        peers.group_median(table.iloc[:, :4])
    table.iloc[2, 1] = np.nan
    assert np.isnan(peers.group_median(table).iloc[2]) and peers.group_median(table).notna().sum() == len(table) - 1


def test_the_rules_of_sharing_name_the_least_group():
    assert len(peers.PRIVACY) == 7 and all(text.endswith(".") for text in peers.PRIVACY.values())
    assert peers.PRIVACY["group"] == "Show a median of at least 5 systems, never a single one."


def test_the_one_that_moved_is_found_and_a_changed_neighbour_too():
    table = systems(np.random.default_rng(7), 6)
    date = DAYS[60]
    table.loc[DAYS >= date, "n2"] *= 0.9
    shifts = peers.pair_shifts(table, date)
    assert shifts["n2"] == pytest.approx(np.log(0.9), abs=0.03)
    assert shifts.drop("n2").abs().max() < 0.03
