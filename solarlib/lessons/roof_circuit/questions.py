"""Questions and checks of lesson 03."""

import math

from solarlib.lessons.roof_circuit.plan import GAP_M, LONG_M, SHORT_M, free_area_m2, roof_plane
from solarlib.lessons.roof_circuit.wires import NOMINAL_V
from solarlib.lessons.tools import check
from solarlib.roof.circuits import CONTINUOUS, WITHIN, check_branch, check_busbar
from solarlib.roof.layout import fit_modules

BREAKER_A = 20
STRIP_M = 0.5


def numbers(word):
    """Return a learner's own numbers; see `check.numbers_for`."""
    mine = check.numbers_for(
        word,
        pitched=(5200, 6200, 100),
        pitched_dark=(41, 44, 1),
        less=(100, 300, 100),
        trays_dark=(35, 38, 1),
        light=(4.0, 6.0, 0.5),
        module=(7.0, 9.0, 0.5),
        extra=(1.0, 3.0, 0.5),
        premium=(300, 600, 50),
        one_percent=(100, 160, 10),
        unit=(250, 370, 20),
        more=(1, 6, 1),
        main=(100, 150, 25),
        eave=(8.0, 12.0, 0.5),
        slope=(4.5, 7.5, 0.5),
    )
    mine.trays = mine.pitched - mine.less
    mine.string = round(mine.module + mine.extra, 1)
    mine.current = round(mine.unit / NOMINAL_V, 2)
    mine.most = check_branch(1, mine.current, BREAKER_A)["units_by_breaker"]
    mine.units = mine.most + mine.more
    return mine


# ---------------------------------------------------------------- part 1: the roof


def predict_roof():
    """Ask what a flatter array changes."""
    return check.predict(
        "The same modules lie almost flat on trays instead of on a pitched roof that faces the noon sun. What changes most?",
        {
            "The year's energy falls by half": "Much of the light comes from a high sun or from the whole sky. Compare the two sums of the year.",
            "The winter's energy": "The low winter sun strikes flat modules at a slant. In summer the sun stands high and little changes.",
            "The summer's energy": "In summer the sun stands high: flat modules face it well. Compare the bars of the bright months.",
            "Nothing": "The sum of the year may be near. Look at the months one by one.",
        },
        right="The winter's energy",
    )


def predict_fit():
    """Ask for the slip that most make on paper: one area divided by another."""
    return check.predict(
        "A roof plane is 10 m × 6 m, 0.5 m stays clear all round. A module is 1.73 m × 1.08 m, clamps between modules take 2 cm. "
        "About how many fit?",
        {
            "32: the area of the roof ÷ a module": "60 m² ÷ 1.87 m² is 32. But the strips stay free, and no module can be cut.",
            "24: the area inside the strips ÷ a module": "45 m² ÷ 1.87 m² is 24. But no module can be cut: what is left of a row stays empty.",
            "20: whole modules in whole rows": "Sideways 5 in a row, 4 rows; upright 8 in a row, 2 rows: 16. The rest of each row stays empty.",
            "16: upright, as modules always lie": "Upright it is 8 in a row, 2 rows. Modules may lie sideways too: 5 in a row, 4 rows.",
        },
        right="20: whole modules in whole rows",
    )


def check_dark(answer, mine):
    """Check 1: how much less the trays give in the darker half of the year. [kWh]"""
    steep, flat = mine.pitched * mine.pitched_dark / 100, mine.trays * mine.trays_dark / 100
    return check.number(
        answer,
        expected=steep - flat,
        unit="kWh",
        tolerance=1.0,
        mistakes=check.apart(
            steep - flat,
            {
                flat - steep: "The question asks how much less the trays give: pitched roof less trays.",
                mine.pitched
                - mine.trays: "This is the whole year. Take the share of the darker half of each roof first.",
                mine.pitched
                * (mine.pitched_dark - mine.trays_dark)
                / 100: "Each roof has its own sum of the year: take each share of its own sum.",
                steep + flat: "A difference is asked for, not a sum.",
                steep: "This is the pitched roof alone. Take off what the trays give in these months.",
                flat: "These are the trays alone. The question asks for the difference.",
            },
            1.0,
        ),
    )


def check_fit(answer, mine):
    """Check 2: how many modules one straight grid holds on `mine.eave` by `mine.slope`, the better way of two."""
    free, whole = (roof_plane(mine.eave, mine.slope, strip) for strip in (STRIP_M, 0.0))
    upright, sideways = (fit_modules(free, LONG_M, SHORT_M, way, GAP_M).count for way in (True, False))
    most = max(upright, sideways)
    return check.number(
        answer,
        expected=most,
        unit="modules",
        tolerance=0.1,
        mistakes=check.apart(
            most,
            {
                int(
                    mine.eave * mine.slope / (LONG_M * SHORT_M)
                ): "One area over another, strips included. Take the strips off, then count whole rows.",
                int(
                    free_area_m2(free) / (LONG_M * SHORT_M)
                ): "One area over another counts pieces of modules. Count whole modules in a row, then whole rows.",
                free_area_m2(free)
                / (LONG_M * SHORT_M): "This is one area over another. Count whole modules in a row, then whole rows.",
                fit_modules(
                    whole, LONG_M, SHORT_M, None, GAP_M
                ).count: "This fills the strips too: take them off on both sides first.",
                min(upright, sideways): "So it is one way. Turn the modules and count again.",
                upright + sideways: "Modules lie one way or the other: take the larger count, not the sum.",
            },
            0.1,
        ),
    )


# ---------------------------------------------------------------- part 2: shade


def predict_shade():
    """Ask what a converter for each module gets back of the shade (the vote question)."""
    return check.predict(
        "A wall shades a part of an array for some hours. A seller offers a converter for each module instead of one for the string. "
        "How much of the shade's loss does it win back?",
        {
            "All of it": "No converter makes light. What did not reach the cells is lost with both kinds.",
            "A smaller part of it": "It wins back only what shaded modules take from the others. The light, and losses inside a module, stay lost.",
            "Nothing": "Modules in a string share one current, so shaded ones hold others back. That part can be won back.",
            "It depends on the brand": "First look at what any converter can do. The picture shows it without brands.",
        },
        right="A smaller part of it",
    )


def check_benefit(answer, mine):
    """Check 3: the part of a loss that the choice of converters decides. [%]"""
    return check.number(
        answer,
        expected=mine.string - mine.module,
        unit="%",
        tolerance=0.05,
        mistakes=check.apart(
            mine.string - mine.module,
            {
                mine.string: "This is the whole loss of the string. A part of it is lost with a converter a module too.",
                mine.string - mine.light: "You compared with the light. Compare the two ways of operating the modules.",
                mine.module - mine.light: "This is lost inside the modules, with both kinds of converter.",
                mine.module: "This is lost even with a converter a module: no choice wins it back.",
            },
            0.05,
        ),
    )


def check_premium(answer, mine):
    """Check 4: the gain that pays a premium back. [%]"""
    needed = mine.premium / mine.one_percent
    return check.number(
        answer,
        expected=needed,
        unit="%",
        tolerance=0.05,
        mistakes=check.apart(
            needed,
            {
                mine.one_percent
                / mine.premium: "This is upside down: how many times does the value of one percent go into the premium?",
                needed / 100: "In percent, please: 0.03 is 3 %.",
                mine.premium - mine.one_percent: "This is money. Divide the premium by what one percent is worth.",
            },
            0.05,
        ),
    )


# ---------------------------------------------------------------- part 3: which converter


def predict_choice():
    """Ask when one converter for all is the weaker choice."""
    return check.predict(
        "No shade falls on the roof. Where does a converter for each module give clearly more energy?",
        {
            "Always: small ones are better": "Without shade, and with all modules facing one way, the difference is near zero. See the picture at 0°.",
            "Modules face two ways, one string": "In one string the darker half holds the brighter half back. Two trackers would cure it too.",
            "Never: they are just dearer": "Turn the second half of the modules in the picture and watch the second pair of bars.",
            "On the hottest days": "Heat takes power from the modules, whatever stands behind them.",
        },
        right="Modules face two ways, one string",
    )


def check_cure(answer):
    """Check 5: the cheapest cure for two directions on one tracker."""
    return check.choose(
        answer,
        "a second tracker",
        {
            "a second tracker": "Yes. Each direction gets its own string and tracker; many central converters have two. Ask before you pay for more.",
            "a converter a module": "This cures it too, but first ask for the price of the other cure.",
            "more modules": "The brighter half would still be held back by the darker half.",
            "a larger converter": "The limit is not what loses here: look at the first pair of bars.",
        },
    )


# ---------------------------------------------------------------- part 4: circuits


def predict_branch():
    """Ask the trap: a sum of kilowatts that sounds small."""
    return check.predict(
        "16 converters of 250 W make 4.0 kW. A circuit of 20 A at 240 V carries 4.8 kW. Is one branch circuit enough by the sum?",
        {
            "Yes: 4.0 is less than 4.8": "Sun shines for hours: the current is continuous and counts 1.25 times. Look at the second bar.",
            "No: it needs two": "16.7 A × 1.25 = 20.8 A, more than 20 A. So 15 at most by this sum, and the listing may say fewer.",
            "Yes: they never all give full power": "On a clear cool noon they do, all at the same time. The rating counts, not the usual day.",
            "No: each needs its own circuit": "Several may share one: as many as breaker and listing allow.",
        },
        right="No: it needs two",
    )


def check_units(answer, mine):
    """Check 6: most converters of `mine.current` A on one branch circuit of 20 A, by the sum."""
    loose = math.floor(BREAKER_A / mine.current)
    exact = BREAKER_A / CONTINUOUS / mine.current
    return check.number(
        answer,
        expected=mine.most,
        unit="converters",
        tolerance=0.1,
        mistakes=check.apart(
            mine.most,
            {
                loose: "You used all 20 A. A continuous current may use only 20 ÷ 1.25 = 16 A.",
                exact: "Only whole converters count: round down.",
                math.ceil(exact): "Round down: one more would go above the 16 A.",
                math.floor(BREAKER_A * CONTINUOUS / mine.current): "Divide the 20 A by 1.25; do not multiply.",
            },
            0.1,
        ),
    )


def check_busbar_room(answer, mine):
    """Check 7: what the 120 % sum says about `mine.units` converters on a panelboard."""
    finding = busbar_of(mine)
    right = finding.verdict if finding.verdict == WITHIN else finding.verdict.partition(": ask")[0]
    again = "Do both again: main + 1.25 × current of all, and main + the next breaker size."
    replies = {
        "within this check": f"For this word neither sum may be above 1.2 × busbar. {again}",
        "outside this check": f"For this word both sums must be above 1.2 × busbar. {again}",
        "not decided here": f"This word is for two sums that disagree. {again}",
    }
    replies[right] = (
        f"Yes. Main plus 1.25 × current is {finding['by_current_a']:.1f} A, main plus breaker {finding['by_breaker_a']:.0f} A, against "
        f"{finding['allowed_a']:.0f} A. The sum approves nothing: others decide, and there may be other ways to connect."
    )
    return check.choose(answer, right, replies)


def busbar_of(mine):
    """Return the finding of check 7: the learner's converters on a panelboard whose busbar has the rating of its main."""
    return check_busbar([mine.current] * mine.units, mine.main, mine.main)
