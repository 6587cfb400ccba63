"""Checks of the switch test and of whole days; the texts of its predictions and checks stand in ``questions.toml``."""

import numpy as np

from solarlib.direction.step_test import HYPOTHESES, predicted_during
from solarlib.lessons.tools import check, questions_beside

ASK = questions_beside(__file__)
check_mean = ASK.judge("mean", "noise", "count")  # the noise of a mean of so many readings [W]
check_doubt = ASK.judge("doubt")  # what to do when the test does not know
check_clock = ASK.judge("clock", "late")  # by how many minutes the clock of the PV record is late


def my_reading(house, seed_word):
    """Return a reading of a learner's own, larger than the test load of the house. [W]"""
    extra = check.numbers_for(seed_word, extra=(200, 1500, 50)).extra
    return house.meter.test_load_w + extra


def check_during(answer, house, before_w):
    """The reading during the test of an exporting house, from ``before_w``. [W]"""
    load = house.meter.test_load_w
    importing, exporting, _ = (float(watts) for watts in predicted_during(before_w, load))
    slips = {"importing": importing, "before": before_w, "load": load, "signed": -exporting}
    return ASK.number("during", answer, exporting, **slips)


def my_test(house, seed_word):
    """Return (before, during) of a step test of a learner's own, one of the three cases, without noise. [W]"""
    load = house.meter.test_load_w
    mine = check.numbers_for(seed_word, case=(0, 2, 1), share=(10, 40, 2))
    size = load * (1 + 0.02 * mine.share) if mine.case == 1 else 0.01 * mine.share * load
    size = float(round(size))
    return size, float(predicted_during(size, load)[mine.case])


def _true_case(house, test):
    before, during = test
    return HYPOTHESES[int(np.argmin(np.abs(predicted_during(before, house.meter.test_load_w) - during)))]


def check_case(answer, house, test):
    """Which of the three hypotheses fits ``test``."""
    return ASK.choose(_true_case(house, test), answer)


def check_net(answer, house, test):
    """The net power before ``test``, import positive. [W]"""
    before, during = test
    net = before if _true_case(house, test) == "importing" else -before
    return ASK.number("net", answer, net, sign=-net, during=during, size=-during)


def my_noise(seed_word):
    """Return noise of one reading [W] and a number of readings, of a learner's own."""
    mine = check.numbers_for(seed_word, noise=(20, 80, 10), root=(2, 5, 1))
    return mine.noise, mine.root**2


def my_clock(seed_word):
    """Return by how many minutes a clock of a learner's own is late."""
    return check.numbers_for(seed_word, late=(21, 69, 1)).late
