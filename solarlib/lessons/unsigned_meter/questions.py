"""Predictions and checks of lesson 06: what the sensor shows, its sum, what is certain, which load is the true one."""

import pandas as pd

from solarlib.direction.step_test import certain_import, energy_bounds
from solarlib.lessons.tools import check
from solarlib.lessons.unsigned_meter.pictures import MARGIN_W
from solarlib.meter.balance import house_use


def predict_fold():
    """Ask what is left of an import and an equal export."""
    return check.predict(
        "A house takes 500 W from the utility for one hour, then sends out 500 W for one hour. What does a sensor without "
        "direction show, and what does it add up to?",
        {
            "+500 W, then −500 W: 0 kWh": "This sensor shows no minus sign, so nothing in its sum can cancel.",
            "500 W, then 0 W: 0.5 kWh": "The current flows in both hours, and the sensor sees its size in both.",
            "500 W both times: 1 kWh": "Only the size is seen. The true net energy of the two hours is zero.",
        },
        right="500 W both times: 1 kWh",
    )


def predict_sum():
    """Ask what the readings of a month add up to."""
    return check.predict(
        "In one month the utility's meter counts 300 kWh delivered and 400 kWh received. What do the readings of a sensor "
        "without direction add up to?",
        {
            "100 kWh": "That is the net of the month without its sign. But the sign is lost in every minute, not at the end.",
            "300 kWh": "That would be a sensor which sees the import only. This one also shows a reading during export.",
            "700 kWh": "It adds both: 300 + 400. That is far from the import and farther from the net.",
        },
        right="700 kWh",
    )


def predict_certain():
    """Ask for the direction of a reading above the PV power: the vote question."""
    return check.predict(
        "The array makes 2 kW. The sensor shows 3 kW. Which way does the power flow?",
        {
            "in: the house imports": "The house cannot send out more than the array makes. 3 kW is more than 2 kW, so it flows in.",
            "out: the house exports": "The sun shines, but could 3 kW flow out of a house whose array makes 2 kW?",
            "no one can know": "Often true, but not here. How much could this house send out at most?",
        },
        right="in: the house imports",
    )


def predict_candidates():
    """Ask what tells the two possible house loads apart."""
    return check.predict(
        "The array makes 3.0 kW, the sensor shows 1.2 kW. The house draws 4.2 kW (if it imports) or 1.8 kW (if it exports). "
        "What helps to tell?",
        {
            "take the smaller one": "Often a good guess, but a guess. A house with a heater or an oven on can draw 4.2 kW.",
            "a more exact sensor": "Even a perfect reading fits both: 4.2 − 3.0 and 3.0 − 1.8 are both 1.2 kW.",
            "watch while clouds pass": "The true load does not care about clouds. The wrong candidate moves with them.",
        },
        right="watch while clouds pass",
    )


def check_sum(answer, import_w, export_w):
    """Check 1: the sum of a sensor over 2 hours of import and 3 hours of export. [kWh]"""
    first, second = 2 * import_w / 1000.0, 3 * export_w / 1000.0
    mistakes = {
        first: "This is the first part only. The sensor counts on while the house exports.",
        second: "This is the second part only. The sensor counted in the first two hours, too.",
        first - second: "This is the net. The sensor cannot subtract, as it does not know the direction.",
        second - first: "This is the size of the net. The sign is lost in each reading, not at the end.",
        (import_w + export_w) / 1000.0: "These are kW added. Multiply each by its hours first.",
    }
    return check.number(answer, first + second, "kWh", 0.01, check.apart(first + second, mistakes, 0.01))


def check_use(answer, unsigned_kwh, received_kwh, generation_kwh):
    """Check 2: the use of a house from the sensor's sum, the received register and the generation. [kWh]"""
    delivered = unsigned_kwh - received_kwh
    use = house_use(generation_kwh, delivered, received_kwh).use_kwh
    mistakes = {
        unsigned_kwh: "This is the sum of the readings: import plus export. It is not what the house used.",
        delivered: "This is what came in. The house also used energy straight from its array.",
        unsigned_kwh + generation_kwh: "Here the export counts as if the house had used it. Two parts must go.",
        delivered + generation_kwh: "Nearly: the part of the generation that went out was not used in the house.",
        generation_kwh - received_kwh: "This is what the house used straight from its array. What came in is missing.",
    }
    return check.number(answer, use, "kWh", 0.5, check.apart(use, mistakes, 0.5))


def four_hours(seed_word):
    """Return four hours of a learner's own: PV power and reading, each even over its hour. [W]"""
    mine = check.numbers_for(
        seed_word, night=(300, 600, 50), morning=(1000, 1400, 50), noon=(1500, 2400, 100), late=(500, 800, 50)
    )
    start = pd.date_range("2026-06-21 05:00", periods=4, freq="4h").strftime("%H:%M")
    table = {"PV (W)": [0, 600, 3000, 1000], "reading (W)": [mine.night, mine.morning, mine.noon, mine.late]}
    return pd.DataFrame(table, index=pd.Index(start, name="hour from"))


def check_least(answer, table):
    """Check 3: the least import in four hours of `four_hours`. [kWh]"""
    hour = pd.date_range("2026-06-21", periods=len(table), freq="1h", tz="UTC")
    pv, reading = (pd.Series(table[name].to_numpy(float), hour) for name in ("PV (W)", "reading (W)"))
    sure = certain_import(reading, pv, MARGIN_W)
    bounds = energy_bounds(reading, sure)
    least, most = bounds.loc["import"]
    mistakes = {
        most: "This is the most that can have come in. Leave out the hours in which either direction is possible.",
        most - least: "These are the hours that could be either way: the most that can have gone out.",
        reading.iloc[0]
        / 1000.0: "The night is certain, but it is not the only hour. Where else is the reading above the PV power?",
        (reading - pv)[sure].sum() / 1000.0: "The whole reading comes in, not only what is above the PV power.",
        0.0: "Some hours are certain: compare each reading with the PV power.",
    }
    return check.number(answer, least, "kWh", 0.01, check.apart(least, mistakes, 0.01))


def two_snapshots(seed_word):
    """Return PV power and reading before and after a cloud comes, for a house whose load stays the same. [W]"""
    mine = check.numbers_for(
        seed_word,
        direction=(0, 1, 1),
        large=(1800, 2200, 50),
        small=(400, 900, 50),
        sun=(1600, 1700, 20),
        cloud=(300, 500, 20),
    )
    load, sun = (mine.large, mine.sun) if mine.direction else (mine.small, 2 * mine.sun)
    pv = [sun, sun - mine.cloud]
    return pd.DataFrame({"PV (W)": pv, "reading (W)": [abs(load - power) for power in pv]}, index=["before", "after"])


def check_load(answer, snapshots):
    """Check 4: the house load that stays the same in `two_snapshots`. [W]"""
    pv, reading = (snapshots[name].to_numpy(float) for name in ("PV (W)", "reading (W)"))
    pairs = {"reading + PV": reading + pv, "PV − reading": pv - reading}
    steady = min(pairs, key=lambda name: abs(pairs[name][1] - pairs[name][0]))
    wrong = next(name for name in pairs if name != steady)
    load = float(pairs[steady].mean())
    mistakes = {
        value: f"This is {wrong}. Compute it before and after the cloud: does it stay the same?"
        for value in pairs[wrong]
    } | {value: "This is the reading. The question asks for the load of the house." for value in reading}
    return check.number(answer, load, "W", 2, check.apart(load, mistakes, 2))
