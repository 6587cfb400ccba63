"""Faults put into a sound record are found, explained with several reasons, and a sound record is left in peace."""

import numpy as np
import pandas as pd
import pytest

from solarlib.plausible import plausibility
from solarlib.quantities import InputError
from solarlib.sun import position
from solarlib.weather import Place

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
    generation = np.round(RATED * 0.85 * np.maximum(0, np.sin(np.radians(sun))) * clear * rng.uniform(0.7, 1.0, len(index)), 1)
    load = np.round(rng.gamma(2, 300, len(index)), 1)
    net = load - generation
    table = pd.DataFrame({"generation_w": generation, "delivered_kwh": np.maximum(net, 0) / 4000,
                          "received_kwh": np.maximum(-net, 0) / 4000}, index=index)
    return table, sun < -3, sun


def kinds(table, night, sun, **more):
    return {(finding.kind, finding.column): finding
            for finding in plausibility(table, STEP, RATED, 20_000, night, sun, **more)}


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


@pytest.mark.parametrize("name, kind, column, rows", [
    ("night", "generation at night", "generation_w", 4), ("stuck", "stuck", "generation_w", 60),
    ("constant", "constant", "delivered_kwh", None), ("unit of all", "factor", "generation_w", None),
    ("unit of some days", "factor", "generation_w", 576), ("too much", "above limit", "generation_w", 1),
    ("swapped", "received above generation", "received", None), ("hours off", "hours off", "generation_w", None),
    ("hours jump", "hours jump", "generation_w", None), ("negative", "negative", "delivered_kwh", 1),
    ("counter", "only rises", "delivered_kwh", None)])
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


def test_a_mask_must_belong_to_the_table():
    table, night, sun = sound(5)
    with pytest.raises(InputError, match="night: found another index"):
        plausibility(table, STEP, night=night.iloc[1:])
    with pytest.raises(InputError, match="step"):
        plausibility(table, pd.Timedelta(0))
