"""Predictions and checks of lesson 08: per kW, a sum of losses, four shapes, patience, and what washing is worth."""

import numpy as np

from solarlib.health.chart import cusum
from solarlib.lessons.tools import check

CAUSES = {
    "A": ("limit", "The top is flat at one power while more was expected; the shoulders agree."),
    "B": ("dropouts", "The power falls to zero at high sun, comes back within minutes, and is as expected otherwise."),
    "C": ("shade", "One block of hours is low, the others agree."),
    "D": ("dead modules", "Every hour lacks the same share."),
}
WORDS = tuple(sorted(word for word, _ in CAUSES.values()))


def predict_compare():
    """Ask whether a neighbour's larger number means a fault: the vote question."""
    return check.predict(
        "Yesterday your neighbour's array made 30 kWh, yours made 20 kWh. Does something fail at your house?",
        {
            "yes, a third is missing": "kWh grow with the size of an array. How large is each of the two?",
            "no, days differ": "Days differ, but both houses had the same day. The weather is not the reason here.",
            "first divide by the rated power": "Per kW of rated power the two can be compared. Then the roofs still differ.",
        },
        right="first divide by the rated power",
    )


def predict_days():
    """Ask how fast a small lasting loss can be told from chance."""
    return check.predict(
        "One module of 16 stops: 6 % less from now on. The ratio to your neighbours scatters by 3 % from day to day. "
        "When can you tell?",
        {
            "the same day": "One day 6 % low comes about once in six weeks by chance alone. You would worry very often.",
            "within about a week": "A few low days in a row add up. Chance does not keep going one way.",
            "after a year": "Waiting for the yearly total costs a year. Days carry much more than that.",
        },
        right="within about a week",
    )


def predict_shape():
    """Ask what the loss of one dead module looks like within a day."""
    return check.predict(
        "All modules face the same way, each with its own converter; one is dead. Each hour of a clear day is compared with what is "
        "expected. What do you see?",
        {
            "a gap at noon": "At noon the loss in kW is greatest, but so is everything else. Think of shares.",
            "the same share missing in every hour": "One of n modules is missing in each hour alike.",
            "a loss in the morning only": "That would fit something that stands in the way of the morning sun.",
        },
        right="the same share missing in every hour",
    )


def predict_ageing():
    """Ask how long ageing takes to show."""
    return check.predict(
        "Modules lose about 0.5 % a year. You have two years of good daily records. What do they tell about ageing?",
        {
            "the rate, to a tenth of a percent": "Two years give one year-to-year step, and weather, dirt and meter move it by more than 0.5 %.",
            "nothing yet": "One step between two years is mostly chance. Three years give an interval, five a rate.",
            "that the modules do not age": "Not to see a small change is not the same as to see that there is none.",
        },
        right="nothing yet",
    )


def check_per_kw(answer, own_kwh, own_kw, other_kwh, other_kw):
    """Check 1: own yield per kW as percent of the neighbour's. [%]"""
    right = 100.0 * (own_kwh / own_kw) / (other_kwh / other_kw)
    mistakes = {
        100.0 * own_kwh / other_kwh: "These are kWh compared. Divide each by its own rated power first.",
        100.0 * 100.0 / right: "This is the neighbour in percent of you. Put your own yield on top.",
        right - 100.0: "This is the difference. The question asks for your share of the neighbour's yield.",
        right / 100.0: "This is the ratio. Times 100 makes it percent.",
        own_kwh / own_kw: "This is your own yield. Divide it by the neighbour's.",
    }
    return check.number(answer, right, "%", 0.3, check.apart(right, mistakes, 0.3))


def three_days(seed_word):
    """Return a learner's own three days: distance from the usual in scatters (z)."""
    mine = check.numbers_for(seed_word, first=(3, 11, 2), second=(-26, -16, 2), third=(-24, -14, 2))
    return [mine.first / 10, mine.second / 10, mine.third / 10]


def check_sum(answer, z, k=1.0):
    """Check 2: the sum of losses after three days, from 0. [scatters]"""
    right = float(cusum(np.array(z), k)[-1])
    mistakes = {
        -sum(z) - 3 * k: "The sum went below 0 on the first day. Put it back to 0 before you go on.",
        -z[1] - z[2]: "Take the allowance of 1 away on each day.",
        float(cusum(-np.array(z), k)[-1]): "The signs are turned: a day below the usual makes the sum grow.",
        float(cusum(np.array(z), k)[1]): "This is the sum after the second day. Add the third.",
        -z[2] - k: "This is the third day alone. What did the second leave?",
    }
    return check.number(answer, right, "scatters", 0.05, check.apart(right, mistakes, 0.05))


def check_shapes(A=None, B=None, C=None, D=None):
    """Check 3: one word for each case. None or ... is not answered yet; nothing raises for what was typed."""
    given = {case: answer for case, answer in zip("ABCD", (A, B, C, D))}
    words = {
        case: " ".join(answer.lower().split())
        for case, answer in given.items()
        if isinstance(answer, str) and answer.strip()
    }
    if not words:
        return check.Result(None, "Not answered yet. Put one word in quotes for each case.")
    unknown = [case for case, word in words.items() if word not in WORDS]
    if unknown:
        return check.Result(None, f"Case {unknown[0]}: the words are {', '.join(WORDS)}.")
    wrong = [case for case, word in words.items() if word != CAUSES[case][0]]
    if wrong:
        hint = {
            "limit": "a limit cuts the top flat",
            "dropouts": "dropouts go to zero and come back",
            "shade": "shade takes one block of hours",
            "dead modules": "dead modules take the same share of each hour",
        }[words[wrong[0]]]
        return check.Result(
            False,
            f"{len(words) - len(wrong)} of {len(words)} fit. Look at case {wrong[0]} again: {hint}. Does it, there?",
        )
    if len(words) < 4:
        return check.Result(None, f"So far all fit. Case {next(case for case in 'ABCD' if case not in words)} is open.")
    return check.Result(True, "All four fit: " + " ".join(f"{case}: {text}" for case, (_, text) in CAUSES.items()))


def check_patience(answer):
    """Check 4: what two years with 1.5 % less tell."""
    return check.choose(
        answer,
        right="too early",
        feedback={
            "ageing": "Ageing of 1.5 % a year would be much. One step between two years is mostly weather, dirt and chance.",
            "too early": "Yes: before three full years nothing can be told, before five only an interval.",
            "no ageing": "A small change that you cannot see yet may still be there.",
        },
    )


def check_washing(answer, month_kwh, percent, cents):
    """Check 5: what two months of dirt cost. [$]"""
    right = 2 * month_kwh * percent / 100.0 * cents / 100.0
    mistakes = {
        right / 2: "This is one month. The rain comes after two.",
        6 * right: "This is a whole year. The rain comes after two months.",
        100 * right: "These are cents.",
        2 * month_kwh * percent / 100.0: "These are kWh. What does each of them earn?",
        2 * month_kwh * cents / 100.0: "This is all that the array earns. Dirt takes only its share.",
    }
    return check.number(answer, right, "$", 0.02, check.apart(right, mistakes, 0.02))
