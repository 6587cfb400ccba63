"""Checks of lesson 11: what is right, and the wrong value of each slip. Texts: questions.toml beside this module."""

import numpy as np

from solarlib.health.chart import cusum
from solarlib.lessons.tools import check, questions_beside

ASK = questions_beside(__file__)
check_per_kw = ASK.judge("per_kw", "own_kwh", "own_kw", "other_kwh", "other_kw")  # 1: own yield beside another's [%]
check_patience = ASK.judge("patience")  # 4: what two years of records tell about ageing
check_washing = ASK.judge("washing", "month_kwh", "percent", "cents")  # 5: what two months of dirt cost [$]
CAUSES = {"A": "limit", "B": "dropouts", "C": "shade", "D": "dead modules"}  # of the cases of `pictures.case_day`

ALLOWANCE = 1.0  # of a day, as the question tells it [scatters]


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


def check_shapes(A, B, C, D):
    """Check 3: one word for each case; nothing raises for what was typed."""
    fits, hints = ASK.entries["causes"]["replies"], ASK.entries["hints"]["replies"]
    rows = {}
    for (case, cause), typed in zip(CAUSES.items(), (A, B, C, D)):
        replies = {word: f"Look again: {hints[word]}. Does it, there?" for word in sorted(CAUSES.values())}
        rows[case] = check.choose(typed, cause, replies | {cause: fits[cause]})
    return check.Results(rows)
