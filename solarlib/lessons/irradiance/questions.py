"""Checks of lesson 01: the predictions with a reply to each answer, the checks with their named slips."""

import numpy as np

from solarlib.lessons.irradiance.pictures import noon_side, yearly_irradiation
from solarlib.lessons.tools import check


def numbers(word):
    """Return the numbers of a learner's own for the checks of this lesson; see `check.numbers_for`."""
    return check.numbers_for(
        word,
        strong=(700, 950, 50),
        weak=(200, 350, 50),
        degrees=(2, 8, 1),
        equation=(3, 15, 2),
        beam=(600, 900, 50),
        angle=(20, 70, 5),
        tilt=(20, 50, 5),
        facing=(240, 300, 15),
    )


def predict_day():
    """Ask for the energy of a day with 1 kW/m2 at noon: power is not energy."""
    return check.predict(
        question="On a cloudless summer day the sunlight on flat ground reaches nearly 1 kW/m² at noon. "
        "How much energy falls on one square metre in the whole day?",
        options={
            "about 1 kWh": "That would be one hour at noon strength. The sun shines much longer than one hour.",
            "5 to 9 kWh": "The strength rises and falls, so the long day counts like 5 to 9 hours at noon strength.",
            "24 kWh": "That would be noon strength for 24 hours. In the morning and evening the light is weak, at night there is none.",
            "1 kW": "A kW says how strong the light is at one moment. How much has fallen in a day is an energy, in kWh.",
        },
        right="5 to 9 kWh",
    )


def predict_noon():
    """Ask when the sun is highest by the clock."""
    return check.predict(
        question="When is the sun highest, by the clock on the kitchen wall?",
        options={
            "at 12:00 sharp, every day": "Clocks follow a zone that is many kilometres wide, and in many places daylight saving time too.",
            "in the middle of the afternoon": "It is hottest then, because ground and air need hours to warm up. That comes later than the highest sun.",
            "at a time that shifts with the date": "It depends on the place in the time zone, on the date, and on daylight saving time.",
        },
        right="at a time that shifts with the date",
    )


def predict_dull():
    """Ask whether a tilt helps under clouds."""
    return check.predict(
        question="A grey day, no sun to be seen. One plane lies flat, another leans 45° toward the noon sun. Which one gets more light?",
        options={
            "the tilted one, by far": "Leaning toward the sun helps to catch its beam. Is there a beam on such a day?",
            "nearly the same; flat is a little ahead": "The light comes from the whole sky, and the flat plane sees all of it.",
            "neither gets any": "You can read a book outside at noon on a grey day. Clouds weaken the light and spread it; they do not stop it.",
        },
        right="nearly the same; flat is a little ahead",
    )


def predict_west(house):
    """Ask what a roof that faces west keeps; the right answer is the place's own."""
    share = yearly_irradiation(house, 30, 270) / yearly_irradiation(house, 30, noon_side(house.place))
    words = ("about half", "70 to 90 %", "more than 90 %")
    right = words[0] if share < 0.7 else words[1] if share <= 0.9 else words[2]
    return check.predict(
        question="Two roofs lean by 30°. One faces the noon sun, the other faces west. What does the west roof get in a year, "
        "compared with the first?",
        options={
            words[
                0
            ]: "Half would fit a wall that sees only the afternoon. This roof leans back: it sees most of the sky, and the sun "
            "for most of the day.",
            words[1]: "It loses some of the beam, but hardly any of the light from the sky.",
            words[
                2
            ]: "The sky light is nearly the same, but the beam strikes at a poorer angle in the strong hours around noon.",
        },
        right=right,
    )


def check_sum(answer, mine):
    """Check 1: 3 hours at `mine.strong` and 4 hours at `mine.weak`. [W/m2 -> kWh/m2]"""
    strong, weak = mine.strong, mine.weak
    energy = (3 * strong + 4 * weak) / 1000.0
    mistakes = {
        (strong + weak) / 1000.0: "Each strength lasts for some hours: multiply by the hours before you add.",
        7 * (strong + weak) / 1000.0: "This is both at once for 7 hours. Take 3 hours of one and 4 hours of the other.",
        3 * strong / 1000.0: "The 4 weak hours are missing.",
    }
    return check.number(answer, expected=energy, unit="kWh/m²", tolerance=0.02, mistakes=mistakes)


def check_noon(answer, mine):
    """Check 2: minutes by which the sun is late, 4 a degree west of the meridian less the equation of time. [min]"""
    degrees_west, equation = mine.degrees, mine.equation
    late = 4 * degrees_west - equation
    return check.number(
        answer,
        expected=late,
        unit="minutes",
        tolerance=0.5,
        mistakes={
            4 * degrees_west + equation: "Look at the sign: a sundial that is ahead brings noon earlier, so subtract.",
            degrees_west - equation: "The sun needs 4 minutes for each degree.",
            4 * degrees_west: "This is the part of the place. The equation of time is missing.",
        },
    )


def check_beam(answer, mine):
    """Check 3: the beam on a plane, beam x cos(angle). [W/m2]"""
    beam, angle = mine.beam, mine.angle
    caught, turned = (beam * f(np.radians(angle)) for f in (np.cos, np.sin))
    mistakes = {
        beam: "That is the beam straight at the sun. The plane is turned away from it.",
        turned: "This is the sine. The share that counts is the cosine: 1 at 0°, 0 at 90°.",
        beam * np.cos(angle): "Your cosine took the angle in radians. Use degrees.",
        beam * (1 - angle / 90): "The loss does not grow evenly with the angle: it starts slowly. Use the cosine.",
    }
    return check.number(answer, expected=caught, unit="W/m²", tolerance=3, mistakes=check.apart(caught, mistakes, 3))


def check_year(answer, house, mine):
    """Check 4: the share that a plane gets of a plane of the same tilt toward the noon sun. [%]"""
    tilt, azimuth = mine.tilt, mine.facing
    best, flat, own = (
        yearly_irradiation(house, *plane) for plane in ((tilt, noon_side(house.place)), (0, 0), (tilt, azimuth))
    )
    share = 100 * own / best
    mistakes = {
        100 - share: "This is what is lost. The question asks what is left.",
        100 * best / own: "Divided the wrong way round: the year of your plane comes first.",
        100 * own / flat: "This compares with flat ground. Compare with the plane that faces the noon sun.",
        share / 100: "This is the share as a fraction. In percent it is 100 times as much.",
    }
    return check.number(answer, expected=share, unit="%", tolerance=0.6, mistakes=check.apart(share, mistakes, 0.6))
