"""Checks of roof, shade, converter and circuit; their texts and the predictions stand in ``questions.toml``."""

import math

from solarlib.lessons.roof_circuit.plan import GAP_M, LONG_M, SHORT_M, free_area_m2, roof_plane
from solarlib.lessons.roof_circuit.wires import NOMINAL_V, short_verdict
from solarlib.lessons.tools import check, questions_beside
from solarlib.quantities import texts_beside
from solarlib.roof.circuits import CONTINUOUS, METRIC, METRIC_BREAKERS_A, check_branch, check_busbar, standard_breaker_a
from solarlib.roof.layout import fit_modules

ASK = questions_beside(__file__)
check_dark = ASK.judge("dark")  # 1: how much less the trays give in the darker half of the year [kWh]
check_benefit = ASK.judge("benefit")  # 3: the part of a loss that the choice of converters decides [%]
check_premium = ASK.judge("premium")  # 4: the gain that pays a premium back [%]
check_cure = ASK.judge("cure")  # 5: the cheapest cure for two directions on one tracker
BREAKER_A = 20
STRIP_M = 0.5
METRIC_V = 230.0
METRIC_ENDS = {100: (40, 63), 125: (50, 80), 150: (63, 100)}  # main and busbar instead of a main in the United States
AGAIN = "main + 1.25 × current of all, and main + the next breaker size"
RANGES = texts_beside(__file__, "numbers")  # of a learner's own numbers: lowest, highest, step


def numbers(word, house):
    """Return a learner's own numbers, at the voltage and by the rule of the house; see `check.numbers_for`."""
    mine = check.numbers_for(word, **RANGES)
    mine.trays = mine.pitched - mine.less
    mine.string = round(mine.module + mine.extra, 1)
    mine.metric = house.circuit.system in ("single phase", "three phase")
    mine.factor = 1.0 if mine.metric else CONTINUOUS
    mine.current = round(mine.unit / (METRIC_V if mine.metric else NOMINAL_V), 2)
    mine.most = check_branch(1, mine.current, BREAKER_A, None, (mine.factor,))["units_by_breaker"]
    mine.main, mine.bus = METRIC_ENDS[mine.main] if mine.metric else (mine.main, mine.main)
    mine.units = mine.most + mine.more
    return mine


def check_fit(answer, mine):
    """How many modules one straight grid holds on `mine.eave` by `mine.slope`, the better way of two."""
    free, whole = (roof_plane(mine.eave, mine.slope, strip) for strip in (STRIP_M, 0.0))
    upright, sideways = (fit_modules(free, LONG_M, SHORT_M, way, GAP_M).count for way in (True, False))
    all_free, by_area = (area / (LONG_M * SHORT_M) for area in (mine.eave * mine.slope, free_area_m2(free)))
    areas = {"roof_area": int(all_free), "free_area": int(by_area), "area_ratio": by_area}
    ways = {"other_way": min(upright, sideways), "both_ways": upright + sideways}
    no_strips = fit_modules(whole, LONG_M, SHORT_M, None, GAP_M).count
    return ASK.number("count", answer, max(upright, sideways), **areas, no_strips=no_strips, **ways)


def check_units(answer, mine):
    """Most converters of `mine.current` A on one branch circuit of 20 A, by the sum."""
    exact = BREAKER_A / mine.factor / mine.current
    slips = {
        "all_twenty": () if mine.metric else math.floor(BREAKER_A / mine.current),
        "not_rounded": exact,
        "rounded_up": math.ceil(exact),
        "multiplied": () if mine.metric else math.floor(BREAKER_A * CONTINUOUS / mine.current),
        "reserve": math.floor(BREAKER_A / CONTINUOUS / mine.current) if mine.metric else (),
    }
    return ASK.number("units", answer, mine.most, **slips, usable=BREAKER_A / mine.factor)


def check_busbar_room(answer, mine):
    """What the sum at the busbar says about `mine.units` converters on a panelboard."""
    found = busbar_of(mine)
    by_current, by_breaker, allowed = (found[f"{name}_a"] for name in ("by_current", "by_breaker", "allowed"))
    first = "" if mine.metric else f"main plus 1.25 × current is {by_current:.1f} A, "
    sums = f"{first}main plus breaker {by_breaker:.0f} A, against {allowed:.0f} A"
    again = "main + the next breaker size" if mine.metric else AGAIN
    limit = "the busbar" if mine.metric else "1.2 × busbar"
    return ASK.choose(short_verdict(found), answer, sums=sums, again=again, limit=limit)


def busbar_of(mine):
    """Return the sum of the check: the learner's converters behind one breaker on a panelboard."""
    current = mine.current * mine.units
    if mine.metric:
        breaker = next(size for size in METRIC_BREAKERS_A if size >= current)
        return check_busbar([current], mine.main, mine.bus, [breaker], (METRIC,))
    return check_busbar([current], mine.main, mine.bus, [standard_breaker_a(CONTINUOUS * current)])
