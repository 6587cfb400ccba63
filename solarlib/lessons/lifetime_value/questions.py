"""Checks of lesson 05: the saving, paybacks, rates of return, cost of energy, uncertainty, and thirteen typical mistakes."""

import textwrap
from dataclasses import dataclass
from html import escape
from types import SimpleNamespace

from solarlib.house import bills as house_bills
from solarlib.lessons.lifetime_value.pictures import costs_of
from solarlib.lessons.tools import check
from solarlib.quantities import InputError, require
from solarlib.worth.money import discounted, simple_payback


def numbers(word):
    """Return the numbers of a learner's own for the checks of this lesson; see `check.numbers_for`."""
    return check.numbers_for(
        word,
        made=(6000, 9000, 500),
        share=(30, 50, 5),
        price=(0.14, 0.20, 0.01),
        export=(0.04, 0.06, 0.01),
        outlay=(9000, 14000, 500),
        saving=(900, 1300, 50),
        upkeep=(80, 140, 10),
        later=(1000, 3000, 100),
        year=(10, 20, 1),
        rate=(4, 7, 1),
        cost=(9000, 12000, 250),
        energy_nominal=(70_000, 80_000, 1000),
        energy_real=(95_000, 110_000, 1000),
        use=(500, 900, 50),
        credit=(15, 25, 5),
        rebate=(1000, 2000, 250),
        owed=(600, 1200, 100),
        lost=(600, 1500, 100),
        roof=(2000, 4000, 250),
        repair=(1000, 2000, 100),
        size=(4, 7, 1),
        capacity=(3, 6, 1),
    )


# Answers to "what moves the worth most?"; which one is right depends on the house.
MOVER_REPLIES = {
    "the wear of the modules": "Half a percent a year is little beside what rules and prices can do. Find its bar.",
    "the weather and sunshine": "Sun data and weather miss by some percent; over a life much of the weather averages out.",
    "the billing rule": "Another rule can take away most of what exported energy earns, for all years.",
    "prices and their growth": "The first price and its growth go into every year's saving. Compare their bars with that of the rule.",
    "something else": "Read the picture from top to bottom: the longest bar is the answer.",
}


def mover_word(factor):
    """Return which of `MOVER_REPLIES` is right if ``factor`` is the tornado's first row."""
    own = {
        "billing rule": "the billing rule",
        "energy price": "prices and their growth",
        "price growth": "prices and their growth",
        "wear of modules": "the wear of the modules",
        "sun and model": "the weather and sunshine",
    }
    return own.get(factor, "something else")


def _number(answer, expected, unit, tolerance, slips):
    """Judge a number; a slip that lands on the right answer for these numbers is left out."""
    return check.number(answer, expected, unit, tolerance, check.apart(expected, slips, tolerance))


def check_saving(answer, mine):
    """Check 1: what an array saves under a low export price. [$]"""
    own = mine.made * mine.share / 100.0
    out = mine.made - own
    return _number(
        answer,
        own * mine.price + out * mine.export,
        "$",
        1.0,
        {
            mine.made * mine.price: "This is price times generation. Only the self-used part is worth the full price.",
            mine.made * mine.export: "This prices all of it as export. The self-used part saves the full price.",
            own * mine.price: "The exported part is missing: it earns the export price.",
            out * mine.price + own * mine.export: "You exchanged the two parts: which one saves the full price?",
        },
    )


def check_payback(answer, mine):
    """Check 2: simple payback with upkeep. [years]"""
    return _number(
        answer,
        float(simple_payback(mine.outlay, mine.saving, mine.upkeep)),
        "years",
        0.05,
        {
            mine.outlay / mine.saving: "Upkeep is missing: what is left of the first year's saving after it?",
            mine.outlay / (mine.saving + mine.upkeep): "Upkeep lowers what the array earns: subtract it.",
            (mine.saving - mine.upkeep) / mine.outlay: "This is upside down: the outlay over what one year leaves.",
        },
    )


def check_today(answer, mine):
    """Check 3: what a later amount is worth on the day of buying. [$]"""
    rate = mine.rate / 100.0
    return _number(
        answer,
        mine.later / (1 + rate) ** mine.year,
        "$",
        1.0,
        {
            mine.later: "This is the amount in its own year. Divide it by (1 + rate) once for each year.",
            mine.later * (1 + rate) ** mine.year: "Later money is worth less today: divide, do not multiply.",
            mine.later / (1 + rate * mine.year): "Interest earns interest: raise (1 + rate) to the power of the years.",
            mine.later * (1 - rate) ** mine.year: "Divide by 1 + rate; taking the rate off each year gives too little.",
            mine.later / (1 + mine.rate) ** mine.year: "The rate as a plain number: 5 % is 0.05.",
        },
    )


def check_two_rates(answer):
    """Check 4: what to judge by when the curve is zero at two rates."""
    return check.choose(
        answer,
        "the curve",
        {
            "the curve": "Yes. Read the curve at your own discount rate: above zero there, the contract is worth it to you.",
            "the higher rate": "It flatters. Between the two zeros the value has one sign, outside the other. What do you read instead?",
            "the lower rate": "It is no safer: below it the value here is negative, above it positive. What do you read instead?",
            "their mean": "The mean of two zeros has no meaning. What shows the value at your own rate?",
        },
    )


def check_levelised(answer, mine):
    """Check 5: the levelised cost that may stand beside today's price. [$/kWh]"""
    return _number(
        answer,
        mine.cost / mine.energy_real,
        "$/kWh",
        0.0005,
        {
            mine.cost / mine.energy_nominal: "This is the nominal cost. Beside today's price stands the real one.",
            mine.energy_real / mine.cost: "This is upside down: costs over energy.",
        },
    )


def check_average(answer):
    """Check 6: which error a long life evens out."""
    return check.choose(
        answer,
        "the weather",
        {
            "the weather": "Yes. Good and bad years take turns, so their sum is surer than each of them.",
            "the model": "A model that is 5 % too high is so in every year of the same life. Compare the two sliders again.",
            "both": "Only errors that change sign from year to year even out. Which of the two does?",
            "none": "Set the error of every year to zero and move only the weather: how wide is the hill?",
        },
    )


@dataclass(frozen=True)
class Results:
    """Several checks in one display, each behind its letter."""

    rows: dict

    @property
    def right(self):
        """How many are right."""
        return sum(result.right is True for result in self.rows.values())

    def _lines(self):
        mark = {True: "Right", False: "Not yet", None: "Open"}
        return [(letter, mark[result.right], result.message) for letter, result in self.rows.items()]

    def _repr_mimebundle_(self, include=None, exclude=None):
        head = f"{self.right} of {len(self.rows)} right."
        if all(result.message == check.NOT_ANSWERED for result in self.rows.values()):
            head, lines = "Not answered yet. Put your answers in place of None and run the cell again.", []
        else:
            lines = self._lines()
        html = "".join(f"<br><b>{letter} {mark}.</b> {escape(words)}" for letter, mark, words in lines)
        return {
            "text/html": '<div style="border-left:2px solid #1A1A1A;padding:4px 12px;font-size:16px;line-height:24px">'
            f"{escape(head)}{html}</div>",
            "text/plain": "\n".join([head, *(f"{letter} {mark}. {words}" for letter, mark, words in lines)]),
        }


def offer(mine):
    """Return five offers with numbers that are to be put right, and what is asked."""
    return _wrapped(
        f"a  A bill has 12 $ basic charge and {mine.use} kWh at {mine.price:.2f} $/kWh: {12 + mine.use * mine.price:.2f} $ in all. "
        "What does one kWh less save, in $?\n"
        f"b  An invented law gives back {mine.credit} % of the outlay after rebate, but at most the tax you owe. Outlay {mine.outlay:,} $, "
        f"rebate {mine.rebate:,} $, tax owed {mine.owed:,} $. What comes back, in $?\n"
        f"c  Outlay {mine.outlay:,} $, {mine.saving:,} $ saved in each of 20 years; converter {mine.repair:,} $ in year 12, modules off and on "
        f"for a new roof {mine.roof:,} $ in year 15. What is left after 20 years, in $ (no growth, no discounting)?\n"
        f"d  {mine.made:,} kWh all go through a kWh bank at {mine.price:.2f} $/kWh, and {mine.lost:,} kWh are lost at the reset. "
        "What does the year save, in $?\n"
        f"e  {mine.saving:,} $ a year are saved on energy, but a capacity charge takes {mine.capacity} $ a month for each of "
        f"{mine.size} kW. What is left a year, in $?"
    )


def check_offer(mine, a, b, c, d, e):
    """Check 7: five typical mistakes with numbers."""
    base = mine.outlay - mine.rebate
    share = mine.credit / 100.0
    lifetime = 20 * mine.saving - mine.outlay
    return Results(
        {
            "a": _number(
                a,
                mine.price,
                "$",
                0.0005,
                {
                    (12 + mine.use * mine.price)
                    / mine.use: "This is the average. The basic charge stays; only the price of the kWh goes."
                },
            ),
            "b": _number(
                b,
                min(share * base, mine.owed),
                "$",
                0.5,
                {
                    share
                    * mine.outlay: "The rebate lowers what the share is taken of; then compare with the tax owed.",
                    share * base: "More than the tax owed does not come back in this law.",
                    share * base + mine.rebate: "The rebate is apart: the question is what the tax office gives back.",
                },
            ),
            "c": _number(
                c,
                lifetime - mine.repair - mine.roof,
                "$",
                1.0,
                {
                    lifetime: "Converter and roof work are forgotten.",
                    lifetime - mine.repair: "The roof work is forgotten.",
                    lifetime - mine.roof: "The converter is forgotten.",
                    lifetime + mine.outlay: "The outlay is forgotten.",
                },
            ),
            "d": _number(
                d,
                (mine.made - mine.lost) * mine.price,
                "$",
                1.0,
                {
                    mine.made * mine.price: "The kWh lost at the reset pay for nothing.",
                    mine.lost * mine.price: "This is what the reset takes. What is left?",
                },
            ),
            "e": _number(
                e,
                mine.saving - 12 * mine.capacity * mine.size,
                "$",
                1.0,
                {
                    mine.saving: "The capacity charge is forgotten.",
                    mine.saving - mine.capacity * mine.size: "The charge comes every month: twelve times a year.",
                    mine.saving - 12 * mine.capacity: "The charge counts for each kW.",
                },
            ),
        }
    )


def _wrapped(text):
    return "\n".join(textwrap.fill(line, 100, subsequent_indent="   ") for line in text.splitlines())


CLAIMS = (
    "f  'Prices grow 6 % a year for 25 years; inflation is 2 %.'\n"
    "g  'Growth 2.5 % with inflation in it, so I discount at the real 2.4 %.'\n"
    "h  'Costs: the outlay, and all payments of the loan that pays it.'\n"
    "i  'All on credit, so the return on my money is 60 %.'\n"
    "j  'Last year, a sunny one, gave 9,000 kWh. Times 25 years: 225,000 kWh.'"
)


CLAIM_WORDS = ("mixed", "no meaning", "not typical", "too steep", "twice")


def check_claims(f, g, h, i, j):
    """Check 8: five typical mistakes in words, each of `CLAIM_WORDS` for one."""

    def said(answer, right, why, ask):
        return check.choose(answer, right, {word: why if word == right else ask for word in CLAIM_WORDS})

    return Results(
        {
            "f": said(
                f,
                "too steep",
                "Yes. Growth far above inflation cannot go on for ever; try a range.",
                "By year 25 the price would be four times as high, against goods at 1.6 times. Is that a base case?",
            ),
            "g": said(
                g,
                "mixed",
                "Yes. Nominal flows take a nominal rate; a real rate goes with flows in today's money.",
                "Is inflation in the flows? And is it in the rate?",
            ),
            "h": said(
                h,
                "twice",
                "Yes. Count the outlay less the loan, then the payments; or the outlay alone.",
                "The loan pays the outlay. Who pays the loan?",
            ),
            "i": said(
                i,
                "no meaning",
                "Yes. Nothing of your own is invested, so there is no rate on it. Use the net present value.",
                "How much of your own money was put in at the start?",
            ),
            "j": said(
                j,
                "not typical",
                "Yes. Take a typical year and let the modules wear.",
                "What kind of year was it? And do modules give the same in year 25?",
            ),
        }
    )


def sellers_numbers(house):
    """Return the numbers of three sellers' claims about a house, as they are printed: whole dollars, cents a watt.

    ``outlay`` [$], ``dc_kw`` and ``ac_kw`` [kW], ``per_ac`` [$/W of the converters] and ``other_per_dc``, a made offer between that
    and the price per watt of modules; ``sold`` [year], ``before`` and ``after``, what the savings to that year and later are worth
    today [$]; ``bill`` without an array and ``empty``, the bill of a year without a single kWh [$].
    """
    costs, rated, view = costs_of(house), house_bills.ratings(house), house.outlook
    outlay, dc_kw, ac_kw = round(costs.outlay), rated["rated_dc_kw"], rated["rated_ac_kw"]
    per_ac, per_dc = (outlay / (1000.0 * kw) for kw in (ac_kw, dc_kw))
    other = (per_ac + per_dc) / 2 if abs(per_ac - per_dc) > 0.02 * per_dc else 1.1 * per_dc
    worth = discounted(view.discount_rate, house_bills.owner_cash_flow(house, costs)["saving"].to_numpy())
    sold = max(1, round(0.4 * view.years))
    return SimpleNamespace(
        outlay=outlay,
        dc_kw=dc_kw,
        ac_kw=ac_kw,
        per_ac=round(per_ac, 2),
        other_per_dc=round(other, 2),
        sold=sold,
        years=view.years,
        before=round(worth[: sold + 1].sum()),
        after=round(worth[sold + 1 :].sum()),
        bill=round(house_bills.bill_without_array(house)),
        empty=round(house_bills.bill_without_array(house, load=0.0)),
    )


def sellers(house):
    """Return three sellers' claims about this house, and what is asked. The first is wrong unless both ratings are alike."""
    n = sellers_numbers(house)
    cheaper = "mine" if n.per_ac < n.other_per_dc else "theirs"
    return _wrapped(
        f"p  'Mine: {n.outlay:,} $, modules {n.dc_kw:g} kW (DC), converters {n.ac_kw:g} kW (AC), so {n.per_ac:.2f} $ per watt. Theirs: "
        f"{n.other_per_dc:.2f} $ per watt of modules. So {cheaper} is cheaper.'  Which price per watt of mine may stand beside theirs, in $?\n"
        f"q  'You sell the house after {n.sold} of {n.years} years. All the array's savings are worth {n.before + n.after:,} $ today. And the "
        f"buyer pays more for the house, exactly what the later savings are worth: {n.after:,} $ today. Together "
        f"{n.before + 2 * n.after:,} $.'  What do you get, in $ of today?\n"
        f"r  'Your bill is {n.bill:,} $ a year. The array makes all that you use, so it saves {n.bill:,} $.'  A year in which not one kWh is "
        f"used costs {n.empty:,} $. What can it save at most, in $ a year (surplus is not paid out)?"
    )


def check_sellers(house, p, q, r):
    """Check 9: DC and AC watts, a resale premium beside the savings, and the part of a bill that no kWh saves."""
    n = sellers_numbers(house)
    everything = n.before + n.after
    return Results(
        {
            "p": _number(
                p,
                n.outlay / (1000.0 * n.dc_kw),
                "$",
                0.006,
                {
                    n.per_ac: "This is per watt of the converters (AC). Theirs is per watt of modules (DC): use the same watts for both.",
                    n.other_per_dc: "This is their price. Divide the outlay of mine by its own modules.",
                },
            ),
            "q": _number(
                q,
                everything,
                "$",
                1.0,
                {
                    everything
                    + n.after: "Counted twice: after the sale the later savings are the buyer's. You get them or the premium, not both.",
                    n.before: "Here the buyer does pay for the later savings. (No buyer has to: a premium is a hope, savings are on bills.)",
                    n.after: "This is the premium alone. Whose are the savings before the sale?",
                    n.before - n.after: "The buyer pays you, not you the buyer.",
                },
            ),
            "r": _number(
                r,
                n.bill - n.empty,
                "$",
                1.0,
                {
                    n.bill: "More than the energy part: basic charge or minimum bill stay, however much the array makes.",
                    n.empty: "This is what stays to be paid. What is left to save?",
                    n.bill + n.empty: "What stays to be paid lowers the saving: subtract it.",
                },
            ),
        }
    )


def own_offer(outlay, saving, upkeep=0.0):
    """Return a sentence about the reader's own offer."""
    if outlay is None or saving is None:
        return "Not filled in yet. Put your own numbers in place of None and run the cell again."
    try:
        years = float(
            simple_payback(
                require(outlay, "outlay", 0, 1e9, "$"),
                require(saving, "saving", -1e9, 1e9, "$"),
                require(upkeep or 0.0, "upkeep", 0, 1e9, "$"),
            )
        )
    except InputError as error:
        return f"This cannot be used. {error}."
    if years != years:
        return "Upkeep takes all of the saving: the outlay never comes back."
    return f"Simple payback: {years:.1f} years. It knows no later repairs, no growth and no interest: put the offer into the house file for those."
