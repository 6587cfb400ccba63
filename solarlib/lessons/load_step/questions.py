"""Predictions and checks of lesson 07: what the sensor shows in a step test, which way it was, noise, doubt."""

import numpy as np

from solarlib.direction.step_test import HYPOTHESES, predicted_during
from solarlib.lessons.tools import check


def predict_step():
    """Ask what a known load does to the reading of an exporting house."""
    return check.predict(
        "A house exports 2000 W. Its sensor, which shows no direction, reads 2000 W. Then a heater of 750 W starts in the house. "
        "What does the sensor show now?",
        {
            "2750 W: the heater adds to it": "So it would be while importing. Here the heater takes some of what was going out.",
            "2000 W: it sees the grid, not heaters": "The heater changes what is left for the grid, and that is what the sensor sees.",
            "1250 W: less is left to go out": "The heater uses 750 W of the 2000 W, and 1250 W still go out.",
        },
        right="1250 W: less is left to go out",
    )


def predict_fold():
    """Ask for the reading when the test load is larger than the export: the vote question."""
    return check.predict(
        "The house exports only 200 W, and the sensor reads 200 W. The heater of 750 W starts. What does the sensor show?",
        {
            "950 W: 200 + 750": "Net power was −200 W, not +200 W. Start from there and add 750 W.",
            "0 W: the export is used up": "The export is used up, but the heater still lacks 550 W. Where do they come from?",
            "550 W: it rises": "200 W come from the array, 550 W from the utility. The reading rises although the house exported.",
        },
        right="550 W: it rises",
    )


def predict_noise():
    """Ask what averaging does to noise."""
    return check.predict(
        "One reading jitters by about 40 W. You take the mean of four readings. By how much does the mean jitter?",
        {
            "40 W: it is the same sensor": "Chance errors partly cancel in a mean: some are too high, some too low.",
            "20 W": "Jitter falls with the square root of the number of readings: the root of four is two.",
            "10 W: a quarter": "Only if errors cancelled perfectly. They do so by chance, so the gain is the square root of four.",
        },
        right="20 W",
    )


def predict_size():
    """Ask whether a bigger test load is better."""
    return check.predict(
        "You judge by one rule: the reading rises, so the house imports; it falls, so the house exports. Which test load makes this rule best?",
        {
            "the largest you have": "It beats the noise, but a large load pushes more exports through zero. There the rule is wrong.",
            "the smallest you have": "It seldom pushes an export through zero. But noise and other appliances then hide the step.",
            "one in between": "A small step is hidden by other changes. A large one pushes more exports through zero, where the rule fails.",
        },
        right="one in between",
    )


def my_reading(house, seed_word):
    """Return a reading of a learner's own, larger than the test load of the house. [W]"""
    extra = check.numbers_for(seed_word, extra=(200, 1500, 50)).extra
    return house.meter.test_load_w + extra


def check_during(answer, house, before_w):
    """Check 1: the reading during the test of an exporting house, from ``before_w``. [W]"""
    load = house.meter.test_load_w
    importing, exporting, _ = predicted_during(before_w, load)
    mistakes = {
        float(importing): "So it would be while importing. The house exports: the test load leaves less to go out.",
        float(before_w): "The sensor does see the test load: it changes what is left to go out.",
        float(load): "This is the test load alone. How much of the export is left?",
        -float(exporting): "This is the net power, with its sign. The sensor shows the size.",
    }
    return check.number(answer, float(exporting), "W", 1, check.apart(exporting, mistakes, 1))


def my_test(house, seed_word):
    """Return (before, during) of a step test of a learner's own, one of the three cases, without noise. [W]"""
    load = house.meter.test_load_w
    mine = check.numbers_for(seed_word, case=(0, 2, 1), share=(10, 40, 2))
    size = {0: 0.01 * mine.share * load, 1: load * (1 + 0.02 * mine.share), 2: 0.01 * mine.share * load}[mine.case]
    size = float(round(size))
    return size, float(predicted_during(size, load)[mine.case])


def _true_case(house, test):
    before, during = test
    return int(np.argmin(np.abs(predicted_during(before, house.meter.test_load_w) - during)))


def check_case(answer, house, test):
    """Check 2: which of the three hypotheses fits ``test``."""
    replies = {
        "importing": "Add the test load to the reading before. Is that the reading during?",
        "exporting": "Take the test load from the reading before. Is that the reading during?",
        "pushed through zero": "Add the readings before and during. Is the sum the test load?",
    }
    right = HYPOTHESES[_true_case(house, test)]
    replies[right] = {
        "importing": "Yes: before plus the test load gives the reading during.",
        "exporting": "Yes: before less the test load gives the reading during.",
        "pushed through zero": "Yes: before and during add up to the test load. The house exported before, and imports during the test.",
    }[right]
    return check.choose(answer, right, replies)


def check_net(answer, house, test):
    """Check 3: the net power before ``test``, import positive. [W]"""
    before, during = test
    sign = 1 if _true_case(house, test) == 0 else -1
    mistakes = {
        -sign
        * before: "The size is right. Import counts as positive, export as negative: which was it before the test?",
        during: "This is the reading during the test. The question asks for the time before.",
        -during: "This is the size during the test. The question asks for the time before.",
    }
    return check.number(answer, sign * before, "W", 1, check.apart(sign * before, mistakes, 1))


def my_noise(seed_word):
    """Return noise of one reading [W] and a number of readings, of a learner's own."""
    mine = check.numbers_for(seed_word, noise=(20, 80, 10), root=(2, 5, 1))
    return mine.noise, mine.root**2


def check_mean(answer, noise_w, count):
    """Check 4: the noise of a mean of ``count`` readings. [W]"""
    mistakes = {
        noise_w / count: "You divided by the number of readings. Noise falls only with its square root.",
        noise_w * np.sqrt(count): "You multiplied. A mean jitters less than one reading.",
        float(noise_w): "This is one reading. The mean of several jitters less.",
    }
    expected = noise_w / np.sqrt(count)
    return check.number(answer, float(expected), "W", 0.2, check.apart(expected, mistakes, 0.2))


def check_doubt(answer):
    """Check 5: what to do when the test does not know."""
    return check.choose(
        answer,
        "test again",
        {
            "take the likelier": "It is hardly likelier. A kettle may have switched in that minute.",
            "longer test": "A longer time on gives other appliances more time to switch.",
            "test again": "Yes. Two tests seldom meet a disturbance both times, and their evidence adds up.",
        },
    )
