"""Checks of lesson 08: what is right, and the wrong value of each slip. Texts: questions.toml beside this module."""

import numpy as np

from solarlib.health.chart import cusum
from solarlib.lessons.tools import check, questions_beside

ASK = questions_beside(__file__)
CAUSES = {"A": "limit", "B": "dropouts", "C": "shade", "D": "dead modules"}  # of the cases of `pictures.case_day`

ALLOWANCE = 1.0  # of a day, as the question tells it [scatters]


def check_per_kw(answer, own_kwh, own_kw, other_kwh, other_kw):
    """Check 1: own yield per kW as percent of the neighbour's. [%]"""
    own = own_kwh / own_kw
    right = 100.0 * own / (other_kwh / other_kw)
    slips = {"kwh": 100.0 * own_kwh / other_kwh, "turned": 100.0 * 100.0 / right, "difference": right - 100.0}
    return ASK.number("per_kw", answer, right, **slips, ratio=right / 100.0, own=own)


def three_days(seed_word):
    """Return a learner's own three days: distance from the usual in scatters (z)."""
    mine = check.numbers_for(seed_word, first=(3, 11, 2), second=(-26, -16, 2), third=(-24, -14, 2))
    return [mine.first / 10, mine.second / 10, mine.third / 10]


def check_losses(answer, z):
    """Check 2: the sum of losses after three days, from 0. [scatters]"""
    k = ALLOWANCE
    _, second, right = map(float, cusum(np.array(z), k))
    turned = float(cusum(-np.array(z), k)[-1])
    slips = {"below_zero": -sum(z) - 3 * k, "no_allowance": -z[1] - z[2], "signs": turned}
    return ASK.number("sum", answer, right, **slips, second=second, third=-z[2] - k)


def check_shapes(A=None, B=None, C=None, D=None):
    """Check 3: one word for each case. None or ... is not answered yet; nothing raises for what was typed."""
    typed = {case: answer for case, answer in zip("ABCD", (A, B, C, D)) if isinstance(answer, str) and answer.strip()}
    words = {case: " ".join(answer.lower().split()) for case, answer in typed.items()}
    if not words:
        return check.Result(None, "Not answered yet. Put one word in quotes for each case.")
    unknown = [case for case, word in words.items() if word not in CAUSES.values()]
    if unknown:
        return check.Result(None, f"Case {unknown[0]}: the words are {', '.join(sorted(CAUSES.values()))}.")
    wrong = [case for case, word in words.items() if word != CAUSES[case]]
    if wrong:
        fitting, hint = len(words) - len(wrong), ASK.entries["hints"]["replies"][words[wrong[0]]]
        told = f"{fitting} of {len(words)} fit. Look at case {wrong[0]} again: {hint}. Does it, there?"
        return check.Result(False, told)
    if len(words) < 4:
        return check.Result(None, f"So far all fit. Case {next(case for case in CAUSES if case not in words)} is open.")
    texts = ASK.entries["causes"]["replies"]
    return check.Result(True, "All four fit: " + " ".join(f"{case}: {texts[word]}" for case, word in CAUSES.items()))


def check_washing(answer, month_kwh, percent, cents):
    """Check 5: what two months of dirt cost. [$]"""
    dirt_kwh = 2 * month_kwh * percent / 100.0
    right, everything = dirt_kwh * cents / 100.0, 2 * month_kwh * cents / 100.0
    slips = {"one_month": right / 2, "whole_year": 6 * right, "cents": 100 * right}
    return ASK.number("washing", answer, right, **slips, kwh=dirt_kwh, all=everything)
