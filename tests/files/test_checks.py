"""Faults put into a sound record are found, explained with several reasons, and a sound record is left in peace."""

import numpy as np
import pandas as pd
import pytest

from solarlib.files.checks import plausibility
from solarlib.sky.sun import position
from solarlib.sky.weather import Place

ZONE = "America/New_York"
PLACE = Place("test", 36.1, -79.95, ZONE, 270.0)
STEP = pd.Timedelta("15min")
RATED = 5000.0


def sound(days=40, start="2026-03-20", seed=4):
    rng = np.random.default_rng(seed)
    index = pd.date_range(start, periods=days * 96, freq=STEP, tz=ZONE)
    sun = position(index, PLACE)["apparent_elevation"]
    day = index.tz_localize(None).normalize()
    clear = pd.Series(rng.uniform(0.2, 1.0, len(day.unique())), day.unique())[day].to_numpy()
    generation = np.round(
        RATED * 0.85 * np.maximum(0, np.sin(np.radians(sun))) * clear * rng.uniform(0.7, 1.0, len(index)), 1
    )
    load = np.round(rng.gamma(2, 300, len(index)), 1)
    net = load - generation
    table = pd.DataFrame(
        {
            "generation_w": generation,
            "delivered_kwh": np.maximum(net, 0) / 4000,
            "received_kwh": np.maximum(-net, 0) / 4000,
        },
        index=index,
    )
    return table, sun < -3, sun


def kinds(table, night, sun):
    return {(finding.kind, finding.column): finding for finding in plausibility(table, STEP, RATED, 20_000, night, sun)}


def without_sun(table, step):
    """The findings where nothing is known of the sun."""
    return plausibility(
        table, pd.Timedelta(step), RATED, 20_000, pd.Series(False, table.index), pd.Series(0.0, table.index)
    )


@pytest.mark.parametrize("seed", range(5))
def test_a_sound_record_gives_no_finding(seed):
    assert not kinds(*sound(seed=seed))


def fault(name, table):
    t = table.copy()
    if name == "night":
        t.loc[t.index[8:12], "generation_w"] = 900.0, 901.0, 902.0, 903.0
    elif name == "stuck":
        t.loc[t.index[1000:1060], "generation_w"] = 512.3
        t = t.drop(columns="received_kwh")
    elif name == "constant":
        t["delivered_kwh"] = 0.25
    elif name == "unit of all":
        t["generation_w"] /= 1000
        t = t.drop(columns="received_kwh")
    elif name == "unit of some days":
        t.iloc[960:1536, 0] /= 1000
        t = t.drop(columns="received_kwh")
    elif name == "too much":
        t.loc[t.index[60], "generation_w"] = 30_000.0
    elif name == "swapped":
        t[["delivered_kwh", "received_kwh"]] = t[["received_kwh", "delivered_kwh"]].to_numpy()
    elif name == "hours off":
        t["generation_w"] = np.roll(t["generation_w"].to_numpy(), 8)
        t = t.drop(columns="received_kwh")
    elif name == "hours jump":
        values = t["generation_w"].to_numpy().copy()
        values[1920:] = np.roll(values[1920:], 4)
        t["generation_w"] = values
        t = t.drop(columns="received_kwh")
    elif name == "negative":
        t.loc[t.index[5], "delivered_kwh"] = -1.0
    elif name == "counter":
        t["delivered_kwh"] = 40 + np.cumsum(t["delivered_kwh"])
    return t


@pytest.mark.parametrize(
    "name, kind, column, rows",
    [
        ("night", "generation at night", "generation_w", 4),
        ("stuck", "stuck", "generation_w", 60),
        ("constant", "constant", "delivered_kwh", None),
        ("unit of all", "factor", "generation_w", None),
        ("unit of some days", "factor", "generation_w", 576),
        ("too much", "above limit", "generation_w", 1),
        ("swapped", "received above generation", "received", None),
        ("hours off", "hours off", "generation_w", None),
        ("hours jump", "hours jump", "generation_w", None),
        ("negative", "negative", "delivered_kwh", 1),
        ("counter", "only rises", "delivered_kwh", None),
    ],
)
def test_a_fault_is_found_and_explained(name, kind, column, rows):
    table, night, sun = sound()
    found = kinds(fault(name, table), night, sun)
    assert (kind, column) in found
    finding = found[(kind, column)]
    assert len(finding.reasons) >= 2 and finding.found.endswith(".") and "Possible reasons" in str(finding)
    assert rows is None or len(finding.rows) == rows


@pytest.mark.parametrize("seed", range(4))
def test_the_hour_that_jumps_is_dated_and_measured(seed):
    table, night, sun = sound(seed=seed)
    finding = kinds(fault("hours jump", table), night, sun)[("hours jump", "generation_w")]
    assert abs((finding.rows[0] - table.index[1920]) / pd.Timedelta(days=1)) <= 1
    assert 0.8 <= float(finding.found.split("lies ")[1].split(" h")[0]) <= 1.2


def test_swapped_registers_are_named_first_where_they_fit():
    table, night, sun = sound()
    finding = kinds(fault("swapped", table), night, sun)[("received above generation", "received")]
    assert finding.reasons[0] == "registers swapped" and "would fit" in finding.found


def test_a_test_load_that_is_mostly_off_brings_no_finding():
    table, night, sun = sound()
    for on in (0.0, 750.0):
        load = np.zeros(len(table))
        load[3000:3040] = on  # ten hours at a stretch, as an equal value
        assert not kinds(table.assign(test_load_w=load), night, sun)
    steps = np.zeros(len(table))
    steps[100::97] = np.arange(len(steps[100::97])) * 40.0  # rises from test to test, in more than 20 sizes
    assert not kinds(table.assign(test_load_w=steps), night, sun)


@pytest.mark.parametrize(
    "value, kind, text",
    [
        (30_000.0, "above limit", "1 interval above 20000 W, up to 30000 W."),
        (-750.0, "negative", "1 interval below 0."),
    ],
)
def test_a_test_load_has_limits_all_the_same(value, kind, text):
    table, night, sun = sound(5)
    load = np.zeros(len(table))
    load[40] = value
    found = kinds(table.assign(test_load_w=load), night, sun)
    assert set(found) == {(kind, "test_load_w")} and found[(kind, "test_load_w")].found == text


def neighbours(rng=None):
    index = pd.date_range("2026-02-20", periods=40, freq="D", tz=ZONE)
    return pd.DataFrame(
        {
            f"neighbour_{name}_h": (rng or np.random.default_rng(1)).uniform(0.0, 7.5, 40).round(2)
            for name in ("Mill", "Old school")
        },
        index,
    )


@pytest.mark.parametrize("step, parts", [("1D", 1), ("12h", 2)])
def test_a_neighbours_energy_that_was_not_divided_is_found(step, parts):
    table = neighbours()
    assert not without_sun(table, "1D")
    table.iloc[16:18, 1] = 12.0, 31.5  # the one day is at the limit, the next above it; a day of 23 h is near
    if parts == 2:
        table = pd.concat([table / 2, (table / 2).set_axis(table.index + pd.Timedelta("12h"))]).sort_index()
    (finding,) = without_sun(table, step)
    assert (finding.kind, finding.column, len(finding.rows)) == ("above limit", "neighbour_Old school_h", parts)
    assert finding.rows[0] == pd.Timestamp("2026-03-09", tz=ZONE)
    assert finding.found == "1 day above 12 kWh/kW, up to 31.5 kWh/kW."
    assert finding.reasons[0] == "energy that was not divided by the rated power" and len(finding.reasons) > 2


def test_a_neighbour_who_reports_nothing_is_no_finding():
    assert not without_sun(neighbours() * np.nan, "1D")


def test_light_above_any_sky_is_found_and_temperatures_below_0_are_not():
    table, night, sun = sound(5)
    table = table.assign(
        light_w_m2=np.maximum(0, 1400 * np.sin(np.radians(sun))), cell_temperature_c=-12.5, air_temperature_c=-15.0
    )
    assert not kinds(table, night, sun)
    table.iloc[[50, 51], table.columns.get_loc("light_w_m2")] = 1500.0, 1623.0
    (finding,) = kinds(table, night, sun).values()
    assert (finding.kind, finding.column, finding.rows.tolist()) == ("above limit", "light_w_m2", [table.index[51]])
    assert finding.found == "1 interval above 1500 W/m2, up to 1623 W/m2." and len(finding.reasons) > 2


@pytest.mark.parametrize(
    "name, change, one, more",
    [
        (
            "generation_w",
            lambda t, count: t.index[60 : 60 + count],
            "1 interval above 6000 W, up to 30000 W.",
            "2 intervals above 6000 W, up to 30000 W.",
        ),
        ("delivered_kwh", lambda t, count: t.index[5 : 5 + count], "1 interval below 0.", "2 intervals below 0."),
    ],
)
def test_one_and_more_are_counted_in_proper_words(name, change, one, more):
    for count, text in ((1, one), (2, more)):
        table, _, _ = sound()
        table.loc[change(table, count), name] = 30_000.0 if name == "generation_w" else -1.0
        assert text in [finding.found for finding in without_sun(table, STEP)]


@pytest.mark.parametrize("days, text", [(1, "1 day differs by"), (6, "6 days differ by")])
def test_one_odd_day_differs_and_more_differ(days, text):
    table, night, sun = sound()
    table = table.drop(columns="received_kwh")
    table.iloc[960 : 960 + 96 * days, 0] /= 1000
    assert kinds(table, night, sun)[("factor", "generation_w")].found.startswith(text)


@pytest.mark.parametrize(
    "starts, text", [((1000,), "1 stretch of 12 and more"), ((1000, 2000), "2 stretches of 12 and more")]
)
def test_one_stretch_and_more(starts, text):
    table, night, sun = sound()
    table = table.drop(columns="received_kwh")
    for start in starts:
        table.loc[table.index[start : start + 60], "generation_w"] = 512.3
    assert kinds(table, night, sun)[("stuck", "generation_w")].found.startswith(text)


def test_the_night_begins_at_a_hundredth_of_the_rated_power():
    table, night, sun = sound()
    table = table.drop(columns="received_kwh")
    table.loc[table.index[8:11], "generation_w"] = 49.9, 50.0, 50.1
    finding = kinds(table, night, sun)[("generation at night", "generation_w")]
    assert finding.found == "1 interval above 50 W with the sun down." and list(finding.rows) == [table.index[10]]


@pytest.mark.parametrize("rows, found", [(11, False), (12, False), (13, True)])
def test_equal_values_are_stuck_after_three_hours(rows, found):
    table, night, sun = sound()
    table = table.drop(columns="received_kwh")
    table.loc[table.index[1000 : 1000 + rows], "generation_w"] = 512.3
    assert (("stuck", "generation_w") in kinds(table, night, sun)) == found


@pytest.mark.parametrize("days, found", [(4, False), (5, True)])
def test_a_factor_needs_five_days(days, found):
    table, night, sun = sound(days=days)
    table = table.drop(columns="received_kwh")
    table.iloc[96:192, 0] /= 1000
    assert (("factor", "generation_w") in kinds(table, night, sun)) == found


@pytest.mark.parametrize("size, found", [(29, False), (32, True)])
def test_powers_far_above_the_rated_are_in_another_unit(size, found):
    table, night, sun = sound()
    table = table.drop(columns="received_kwh")
    table["generation_w"] *= size * RATED / table["generation_w"].quantile(0.999)
    assert (("factor", "generation_w") in kinds(table, night, sun)) == found


@pytest.mark.parametrize("days, found", [(6, False), (7, True)])
def test_hours_that_are_off_need_a_week(days, found):
    table, night, sun = sound(days=days)
    table = table.drop(columns="received_kwh").assign(generation_w=np.roll(table["generation_w"], 8))
    assert (("hours off", "generation_w") in kinds(table, night, sun)) == found


@pytest.mark.parametrize("quarters, found", [(2, False), (4, True)])
def test_hours_are_off_beyond_three_quarters_of_one(quarters, found):
    table, night, sun = sound()
    table = table.drop(columns="received_kwh").assign(generation_w=np.roll(table["generation_w"], quarters))
    assert (("hours off", "generation_w") in kinds(table, night, sun)) == found
