"""Sums about conductors, breakers, voltages and roofs that help to ask good questions; none of them is a design.

Every `check_...` function returns a `Sum`: the values, one of three verdicts, whom to ask, and the sentence that
says who decides. Breaker sizes and rules are those of practice in the United States; elsewhere, read the values and
leave the verdict aside. Not computed, because a sum cannot know it: what a roof carries, how much ballast holds a
tray, how far apart attachments stand, what a conductor carries in its conduit, whether parts are listed together.

Rules of the National Electrical Code are given by article as `seen` in explanations of it, not in its text; article
numbers move between editions.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from solarlib.quantities import InputError, one_of, require, texts_beside, whole_number

_SUMS = texts_beside(__file__, "sums")
WITHIN = "within this check"
OUTSIDE = "outside this check"
_NOT_DECIDED = "not decided here: ask "
ELECTRICIAN = "a licensed electrician"
ENGINEER = "a licensed structural engineer"
WHO_DECIDES = (
    "A sum, not a design: the codes adopted at your place, your utility's rules, the instructions of the equipment, "
    "the authority having jurisdiction, a licensed electrician and, for the roof, a licensed engineer decide."
)

# NEC 240.6(A), `seen` in a list of it. [A]
STANDARD_BREAKERS_A = (
    *(15, 20, 25, 30, 35, 40, 45, 50, 60, 70, 80, 90, 100),
    *(110, 125, 150, 175, 200, 225, 250, 300, 350, 400, 450, 500, 600),
)
CONTINUOUS = 1.25  # a load of three hours or more; sunshine is one. NEC 210.20(A), 690.8, `seen`
_BUSBAR = 1.2  # what a busbar may see, over its rating: NEC 705.12, `seen`
_SAME_A = 1e-9  # currents that differ by less are the same


@dataclass(frozen=True)
class Sum:
    """What one sum found.

    Parameters
    ----------
    check : str
        What was summed.
    values : tuple of (name, value, unit)
    verdict : str
        "within this check", "outside this check" or "not decided here: ask ...".
    reason : str
        One sentence: what was compared with what, by which rule.
    """

    check: str
    values: tuple
    verdict: str
    reason: str

    def __post_init__(self):
        if self.verdict not in (WITHIN, OUTSIDE) and not self.verdict.startswith(_NOT_DECIDED):
            raise InputError(f"sum.verdict: found {self.verdict!r}, allowed is {WITHIN}, {OUTSIDE}, {_NOT_DECIDED}...")

    def __getitem__(self, name: str):
        return {key: value for key, value, _ in self.values}[name]

    def __str__(self):
        rows = [f"  {name}: {_text(value)} {unit}".rstrip() for name, value, unit in self.values]
        return "\n".join([f"{self.check}: {self.verdict}", *rows, f"  {self.reason}", f"  {WHO_DECIDES}"])


def _text(value):
    if not isinstance(value, float):
        return str(value)
    return f"{value:.3g}" if abs(value) < 100 else f"{value:.0f}"


def summed(name, verdict, values, **told):
    """Return the `Sum` of a name in ``sums.toml``; its values and what is ``told`` beside them fill the reason."""
    words = _SUMS[name]
    rows = tuple((key, value, words["units"][key]) for key, value in values.items())
    return Sum(words["check"], rows, verdict, words["reason"].format(**values, **told))


def not_decided(whom=ELECTRICIAN):
    """Return the verdict that sends a question to a person."""
    return f"{_NOT_DECIDED}{whom}"


def continuous_current_a(current_a):
    """Return 1.25 times a continuous current: what conductor and breaker must be rated for at the least. [A]"""
    return CONTINUOUS * require(current_a, "current_a", 0, 10_000, "A")


def standard_breaker_a(rating_a):
    """Return the smallest standard breaker that is not below a rating. [A]

    Examples
    --------
    >>> standard_breaker_a(1.25 * 7600 / 240)
    40
    """
    rating = require(rating_a, "rating_a", 0, STANDARD_BREAKERS_A[-1], "A")
    return next(size for size in STANDARD_BREAKERS_A if size >= rating - _SAME_A)


def check_branch(units: int, unit_current_a: float, breaker_a: float = 20, listed_limit: int | None = None) -> Sum:
    """Compare a number of equal converters with what one branch circuit takes.

    Parameters
    ----------
    units : int
    unit_current_a : float
        Rated continuous output current of one, from its data sheet. [A]
    breaker_a : float
        One of `STANDARD_BREAKERS_A`. [A]
    listed_limit : int, optional
        Most units on the trunk cable by its listing, at this breaker and voltage. Without it no number of units can
        be called within.

    Returns
    -------
    Sum
        units, units_by_breaker = floor(breaker / 1.25 / unit current), listed_limit, smaller_of_both, needed_a.
    """
    units = whole_number(units, "units", 1, 10_000)
    current = require(unit_current_a, "unit_current_a", 0.01, 1000, "A")
    by_breaker = math.floor(one_of(breaker_a, "breaker_a", STANDARD_BREAKERS_A) / CONTINUOUS / current + _SAME_A)
    listed: int | str
    limit, listed, verdict = by_breaker, "unknown", not_decided(f"{ELECTRICIAN}, with the listing of the trunk cable")
    if listed_limit is not None:
        listed, verdict = whole_number(listed_limit, "listed_limit", 1, 10_000), WITHIN
        limit = min(by_breaker, listed)
    values = {"units": units, "units_by_breaker": by_breaker, "listed_limit": listed, "smaller_of_both": limit}
    values["needed_a"] = CONTINUOUS * units * current
    verdict = OUTSIDE if units > limit else verdict
    return summed("branch", verdict, values, current_a=current, breaker_a=breaker_a)


def check_busbar(currents_a: Sequence[float], main_a: float, bus_a: float) -> Sum:
    """Compare back-fed current and main breaker with 120 % of the busbar, in both wordings of the rule.

    Parameters
    ----------
    currents_a : sequence of float
        Rated continuous output currents of all converters that feed the panelboard. [A]
    main_a, bus_a : float
        Main breaker and rating of the busbar, from the label of the panelboard. [A]

    Returns
    -------
    Sum
        by_current_a and by_breaker_a: what the busbar would see in each wording; allowed_a = 1.2 x busbar;
        room_a: allowed less main; room_continuous_a: the current that fits in it; back_fed_breaker_a: the next
        standard size above 1.25 times the current. The wordings can differ: then it is not decided here.

    Notes
    -----
    NEC 705.12: main + 1.25 x current (later editions), main + rating of the back-fed breaker (older editions), with
    the back-fed breaker at the far end from the main. `seen` in explanations.
    """
    needed = continuous_current_a(sum(require(current, "currents_a", 0, 10_000, "A") for current in currents_a))
    main, bus = require(main_a, "main_a", 15, 600, "A"), require(bus_a, "bus_a", 15, 1200, "A")
    breaker = float(standard_breaker_a(needed))
    by_current, by_breaker, allowed = main + needed, main + breaker, _BUSBAR * bus
    verdict = {0: OUTSIDE, 1: not_decided(f"{ELECTRICIAN}, which edition is adopted"), 2: WITHIN}
    fits = sum(seen <= allowed + _SAME_A for seen in (by_current, by_breaker))
    room_a = allowed - main
    values = {"by_current_a": by_current, "by_breaker_a": by_breaker, "allowed_a": allowed, "room_a": room_a}
    values |= {"room_continuous_a": max(room_a, 0.0) / CONTINUOUS, "back_fed_breaker_a": breaker}
    return summed("busbar", verdict[fits], values, main_a=main, bus_a=bus)
