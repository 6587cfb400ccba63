"""Checks of money: the saving, paybacks, rates of return, cost of energy, uncertainty, and typical mistakes."""

import textwrap

from solarlib.house import bills
from solarlib.lessons.lifetime_value.pictures import paid_back, when
from solarlib.lessons.tools import check, questions_beside
from solarlib.lessons.tools.field import own_judge
from solarlib.quantities import in_form, require, texts_beside
from solarlib.worth.lifetime import figures_of_merit
from solarlib.worth.money import simple_payback

ASK = questions_beside(__file__)
check_saving = ASK.judge("saving")  # 1: what an array saves under a low export price [$]
check_payback = ASK.judge("payback")  # 2: simple payback with upkeep [years]
check_today = ASK.judge("today")  # 3: what a later amount is worth on the day of buying [$]
check_two_rates = ASK.judge("two_rates")  # 4: what to judge by where a curve is zero at two rates
check_levelised = ASK.judge("levelised")  # 5: the levelised cost that may stand beside today's price [$/kWh]
check_average = ASK.judge("average")  # 6: what evens out over a long life
# 7: five typical mistakes with numbers [$]
check_offer = ASK.judges(a="offer_a", b="offer_b", c="offer_c", d="offer_d", e="offer_e")
TEXTS = texts_beside(__file__, "texts")


def numbers(word):
    """Return the numbers of a learner's own for the checks of this lesson; see `check.numbers_for`."""
    return check.numbers_for(word, **TEXTS["numbers"])


def mover_word(factor):
    """Return the right option of the prediction "mover" if ``factor`` is the tornado's first row."""
    return TEXTS["movers"].get(factor, "something else")


def paybacks(house, table):
    """Return the four paybacks of a house's `lifetime.cash_flow` in words, each with its definition."""
    rate, share, flow = house.outlook.discount_rate, bills.good_to(house), table["net"].to_numpy()
    told = {
        "simple_payback": when(figures_of_merit(table, rate)["simple_payback"]),
        "cumulative_payback": paid_back(flow, share),
        "lasting_payback": paid_back(flow, share, lasting=True),
        "discounted_payback": paid_back(flow, share, rate),
    }
    rows = TEXTS["paybacks"].items()
    return "\n".join(f"{name.replace('_', ' '):19} {told[name]:>14}: {words}" for name, words in rows)


def offer(mine):
    """Return five offers with numbers that are to be put right, and what is asked."""
    return _wrapped(TEXTS["offer"].format(bill=12 + mine.use * mine.price, **vars(mine)))


def _wrapped(text):
    lines = text.strip("\n").splitlines()
    return "\n".join(textwrap.fill(in_form(line), 100, subsequent_indent="   ") for line in lines)


CLAIMS = "\n".join(f"{letter}  '{claim['says']}'" for letter, claim in TEXTS["claims"].items())
CLAIM_WORDS = sorted(claim["right"] for claim in TEXTS["claims"].values())


def check_claims(f, g, h, i, j):
    """Five typical mistakes in words, each of `CLAIM_WORDS` for one."""
    rows = {}
    for answer, (letter, claim) in zip((f, g, h, i, j), TEXTS["claims"].items()):
        replies = {word: claim["why" if word == claim["right"] else "ask"] for word in CLAIM_WORDS}
        rows[letter] = check.choose(answer, claim["right"], replies)
    return check.Results(rows)


def caution():
    """Return the caution on incentives in short lines."""
    return textwrap.fill(TEXTS["caution"].strip(), 100)


def own_offer(outlay, saving, upkeep):
    """Return a sentence about the reader's own offer."""
    if outlay is None or saving is None:
        return TEXTS["own_offer"]["open"]
    paid, saved = require(outlay, "outlay", 0, 1e9, "$"), require(saving, "saving", -1e9, 1e9, "$")
    years = float(simple_payback(paid, saved, require(upkeep or 0.0, "upkeep", 0, 1e9, "$")))
    if years != years:
        return TEXTS["own_offer"]["never"]
    return TEXTS["own_offer"]["paid"].format(years=years)


own_payback = own_judge(own_offer, price_after_rebates="$", saving_of_the_first_year="$", upkeep_a_year="$")
