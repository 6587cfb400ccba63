"""Checks of lesson 02: heat, the converter's limit, losses in a row, yields and the performance ratio."""

import numpy as np

from solarlib.health.yields import final_yield
from solarlib.house.year import weather
from solarlib.lessons.tools import check
from solarlib.quantities import InputError, energy_kwh, require
from solarlib.roof.array import array_power


def numbers(word):
    """Return the numbers of a learner's own for the checks of this lesson; see `check.numbers_for`."""
    return check.numbers_for(
        word,
        label=(380, 460, 5),
        cells=(48, 72, 1),
        offered=(330, 430, 5),
        limit=(300, 390, 6),
        glass=(2, 4, 1),
        heat=(5, 10, 1),
        rest=(8, 14, 1),
        size=(4.5, 5.0, 0.5),
        energy=(5400, 6200, 100),
        light=(1600, 1800, 50),
    )


# Answers to "which step takes most?"; which one is right depends on the house.
STEP_REPLIES = {
    "dirt on the glass": "Dirt is what people see. Rain washes most of it off; compare its bar with the others.",
    "heat": "Heat acts in every bright hour. How much it takes depends on how hot, still and bright the place is.",
    "the wires": "Wires are warm and visible, so people suspect them. In a well-made array they lose one or two percent.",
    "the converter itself": "It works whenever there is light and takes a few percent each time.",
    "another step": "Each step stands in the stair below. Look for its longest grey bar.",
}


def step_word(name):
    """Return which of `STEP_REPLIES` is right if ``name`` is the stair's largest step."""
    own = {"dirt": "dirt on the glass", "heat": "heat", "converter itself": "the converter itself"}
    return own.get(name, "another step")


def check_heat(answer, mine):
    """Check 1: power of a module of `mine.label` W with cells at `mine.cells` degC in 1000 W/m2. [W]"""

    def power(per_degree, degrees):
        return mine.label * (1 - per_degree * degrees)

    return check.number(
        answer,
        expected=power(0.0034, mine.cells - 25),
        unit="W",
        tolerance=1.0,
        mistakes={
            power(0.0034, mine.cells): "The label holds at 25 °C. Only the degrees above 25 count.",
            power(-0.0034, mine.cells - 25): "Heat takes power away: the sign must be minus.",
            power(0.34, mine.cells - 25): "0.34 % is 0.0034 as a plain number.",
            mine.label * 0.0034 * (mine.cells - 25): "This is the loss. The question asks what is left.",
        },
    )


def check_limit(answer, mine):
    """Check 2: output of a 96.5 % converter with `mine.limit` W when the module offers `mine.offered` W. [W]"""
    after_loss = 0.965 * mine.offered
    expected = min(after_loss, mine.limit)
    slips = {
        after_loss: "This is more than the converter can give: compare with its limit.",
        mine.offered: "This goes in. A part is lost inside, and the limit may stop more.",
        mine.limit: "The limit is not reached: first take the loss inside the converter, then compare.",
        0.965 * mine.limit: "The limit is already the power that comes out. Take the loss from what goes in.",
    }
    return check.number(answer, expected=expected, unit="W", tolerance=0.5, mistakes=check.apart(expected, slips, 0.5))


def check_peaks(answer):
    """Check 3: what hourly means do to the energy that the limit takes."""
    return check.choose(
        answer,
        "too small",
        {
            "too small": "Yes. A mean over the hour is lower than the peaks inside it, and only the peaks are cut.",
            "too large": "Look at a day with sun and clouds, first as hours, then as minutes: which one is cut more?",
            "exact": "The energy of the hour is right, but the cut is not: a peak inside the hour has vanished in the mean.",
        },
    )


def check_chain(answer, mine):
    """Check 4: what is left of 10 000 kWh after three losses [%] in a row. [kWh]"""
    losses = (mine.glass, mine.heat, mine.rest)
    left = 10_000 * float(np.prod([1 - loss / 100 for loss in losses]))
    return check.number(
        answer,
        expected=left,
        unit="kWh",
        tolerance=5.0,
        mistakes={
            10_000
            * (1 - sum(losses) / 100): "You added the losses. Each one takes its share of what is left: multiply.",
            10_000 - left: "This is lost in all. The question asks what is left.",
        },
    )


def check_yield(answer, mine):
    """Check 5: final yield of `mine.energy` kWh from `mine.size` kW. [kWh/kW]"""
    return check.number(
        answer,
        expected=mine.energy / mine.size,
        unit="kWh/kW",
        tolerance=1.0,
        mistakes={
            mine.energy: "This is the energy. Divide it by the rated power.",
            mine.energy * mine.size: "Divide by the rated power; do not multiply.",
            mine.energy / mine.light: "The light comes in check 6. Here divide by the rated power.",
        },
    )


def check_ratio(answer, mine):
    """Check 6: performance ratio for that yield and a reference yield of `mine.light` hours. [-]"""
    ratio = mine.energy / mine.size / mine.light
    return check.number(
        answer,
        expected=ratio,
        unit="",
        tolerance=0.006,
        mistakes={
            1 / ratio: "This is upside down: final yield over reference yield.",
            mine.energy / mine.light: "You used the energy. Divide it by the rated power first.",
            100 * ratio: "As a plain number, not in percent: 80 % is 0.80.",
        },
    )


def compare(house, made_kwh, rated_kw):
    """Return a sentence that sets a year's energy of the reader's own array beside the typical year of the house."""
    if made_kwh is None or rated_kw is None:
        return "Not filled in yet. Put your own two numbers in place of None and run the cell again."
    try:
        own = final_yield(
            require(made_kwh, "made_kwh", 0, 1e7, "kWh"), 1000.0 * require(rated_kw, "rated_kw", 0.01, 1e4, "kW")
        )
    except InputError as error:
        return f"This cannot be used. {error}."
    typical = final_yield(
        float(energy_kwh(array_power(weather(house), house.place, house.system)["ac_power_w"]).sum()),
        house.system.rated_power_w,
    )
    if not typical > 0:
        return f"Your array made {own:,.0f} kWh/kW."
    said = (
        f"Your array made {own:,.0f} kWh/kW. The typical year of this house file gives {typical:,.0f} kWh/kW. "
        f"The ratio is {own / typical:.2f}."
    )
    if 0.1 < own / typical < 10:
        return said
    return f"{said} That is far off: is made_kwh a whole year in kWh, and rated_kw in kW (not W)?"
