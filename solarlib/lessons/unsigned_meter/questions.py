"""Checks of lesson 08; the texts of its predictions and checks stand in ``questions.toml``."""

import pandas as pd

from solarlib.direction.step_test import certain_import, energy_bounds
from solarlib.lessons.tools import check, questions_beside
from solarlib.lessons.unsigned_meter.pictures import MARGIN_W
from solarlib.quantities import texts_beside

ASK = questions_beside(__file__)
check_sensor_sum = ASK.judge("sum", "inward", "outward")  # 1: 2 hours of import and 3 hours of export [W] -> kWh
check_use_by_sensor = ASK.judge("use", "unsigned", "received", "made")  # 2: what the house used [kWh]
RANGES = texts_beside(__file__, "numbers")


def four_hours(seed_word):
    """Return four hours of a learner's own: PV power and reading, each even over its hour. [W]"""
    mine = check.numbers_for(seed_word, **RANGES["four_hours"])
    start = pd.date_range("2026-06-21 05:00", periods=4, freq="4h").strftime("%H:%M")
    table = {"PV (W)": [0, 600, 3000, 1000], "reading (W)": [mine.night, mine.morning, mine.noon, mine.late]}
    return pd.DataFrame(table, index=pd.Index(start, name="hour from"))


def check_least(answer, table):
    """Check 3: the least import in four hours of `four_hours`. [kWh]"""
    hour = pd.date_range("2026-06-21", periods=len(table), freq="1h", tz="UTC")
    pv, reading = (pd.Series(table[name].to_numpy(float), hour) for name in ("PV (W)", "reading (W)"))
    sure = certain_import(reading, pv, MARGIN_W)
    least, most = energy_bounds(reading, sure).loc["import"]
    night, above = reading.iloc[0] / 1000.0, (reading - pv)[sure].sum() / 1000.0
    return ASK.number("least", answer, least, most=most, open=most - least, night=night, above=above, nothing=0.0)


def two_snapshots(seed_word):
    """Return PV power and reading before and after a cloud comes, for a house whose load stays the same. [W]"""
    mine = check.numbers_for(seed_word, **RANGES["two_snapshots"])
    load, sun = (mine.large, mine.sun) if mine.direction else (mine.small, 2 * mine.sun)
    pv = [sun, sun - mine.cloud]
    return pd.DataFrame({"PV (W)": pv, "reading (W)": [abs(load - power) for power in pv]}, index=["before", "after"])


def check_load(answer, snapshots):
    """Check 4: the house load that stays the same in `two_snapshots`. [W]"""
    pv, reading = (snapshots[name].to_numpy(float) for name in ("PV (W)", "reading (W)"))
    pairs = {"reading + PV": reading + pv, "PV − reading": pv - reading}
    steady, wrong = sorted(pairs, key=lambda name: abs(pairs[name][1] - pairs[name][0]))
    load = float(pairs[steady].mean())
    return ASK.number("load", answer, load, other=pairs[wrong], reading=reading, wrong=wrong)
