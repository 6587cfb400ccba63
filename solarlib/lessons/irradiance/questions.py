"""Checks of lesson 01: what is right, and the wrong value of each slip. Texts: questions.toml beside this module."""

from solarlib.lessons.irradiance.pictures import noon_side, yearly_irradiation
from solarlib.lessons.tools import check, questions_beside
from solarlib.quantities import texts_beside

ASK = questions_beside(__file__)
check_sum = ASK.judge("sum")  # 1: 3 hours at `strong` and 4 hours at `weak` [W/m2 -> kWh/m2]
check_noon = ASK.judge("late")  # 2: minutes by which the sun is late, 4 a degree west less the equation of time [min]
check_beam = ASK.judge("beam")  # 3: the beam on a plane, beam x cos(angle) [W/m2]


def numbers(word):
    """Return the numbers of a learner's own for the checks of this lesson; see `check.numbers_for`."""
    return check.numbers_for(word, **texts_beside(__file__, "numbers"))


def predict_west(house):
    """Ask what a roof that faces west keeps; the right answer is the place's own."""
    share = yearly_irradiation(house, 30, 270) / yearly_irradiation(house, 30, noon_side(house.place))
    half, most, nearly_all = ASK.entries["west"]["options"]
    return ASK.predict("west", half if share < 0.7 else most if share <= 0.9 else nearly_all)


def check_year(answer, house, mine):
    """Check 4: the share that a plane gets of a plane of the same tilt toward the noon sun. [%]"""
    planes = (mine.tilt, noon_side(house.place)), (0, 0), (mine.tilt, mine.facing)
    best, flat, own = (yearly_irradiation(house, *plane) for plane in planes)
    share = 100 * own / best
    slips = {"lost": 100 - share, "turned_round": 100 * best / own, "over_flat": 100 * own / flat}
    return ASK.number("year", answer, share, **slips, fraction=share / 100)
