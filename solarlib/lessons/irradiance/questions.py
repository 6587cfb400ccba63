"""Checks of lesson 01: what is right, and the wrong value of each slip. Texts: questions.toml beside this module."""

import numpy as np

from solarlib.lessons.irradiance.pictures import noon_side, yearly_irradiation
from solarlib.lessons.tools import check, questions_beside
from solarlib.quantities import texts_beside

ASK = questions_beside(__file__)


def numbers(word):
    """Return the numbers of a learner's own for the checks of this lesson; see `check.numbers_for`."""
    return check.numbers_for(word, **texts_beside(__file__, "numbers"))


def predict_west(house):
    """Ask what a roof that faces west keeps; the right answer is the place's own."""
    share = yearly_irradiation(house, 30, 270) / yearly_irradiation(house, 30, noon_side(house.place))
    half, most, nearly_all = ASK.entries["west"]["options"]
    return ASK.predict("west", half if share < 0.7 else most if share <= 0.9 else nearly_all)


def check_sum(answer, mine):
    """Check 1: 3 hours at `mine.strong` and 4 hours at `mine.weak`. [W/m2 -> kWh/m2]"""
    both, first, second = (mine.strong + mine.weak) / 1000.0, 3 * mine.strong / 1000.0, 4 * mine.weak / 1000.0
    return ASK.number("sum", answer, first + second, no_hours=both, both_for_7_h=7 * both, strong_only=first)


def check_noon(answer, mine):
    """Check 2: minutes by which the sun is late, 4 a degree west of the meridian less the equation of time. [min]"""
    place, ahead = 4 * mine.degrees, mine.equation
    slips = {"added": place + ahead, "one_minute": mine.degrees - ahead, "place_only": place}
    return ASK.number("late", answer, place - ahead, **slips)


def check_beam(answer, mine):
    """Check 3: the beam on a plane, beam x cos(angle). [W/m2]"""
    beam, angle = mine.beam, mine.angle
    caught, turned = (beam * f(np.radians(angle)) for f in (np.cos, np.sin))
    radians, even = beam * np.cos(angle), beam * (1 - angle / 90)
    return ASK.number("beam", answer, caught, straight=beam, sine=turned, radians=radians, even_loss=even)


def check_year(answer, house, mine):
    """Check 4: the share that a plane gets of a plane of the same tilt toward the noon sun. [%]"""
    planes = (mine.tilt, noon_side(house.place)), (0, 0), (mine.tilt, mine.facing)
    best, flat, own = (yearly_irradiation(house, *plane) for plane in planes)
    share = 100 * own / best
    slips = {"lost": 100 - share, "turned_round": 100 * best / own, "over_flat": 100 * own / flat}
    return ASK.number("year", answer, share, **slips, fraction=share / 100)
