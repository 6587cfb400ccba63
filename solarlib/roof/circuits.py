"""Sums about conductors, breakers, voltages and roofs that help to ask good questions; none of them is a design.

Every `check_...` function returns a `Sum`: the values, one of three verdicts, whom to ask, and the sentence that
says who decides. What is not known is `not_decided`, never filled in. `wiring` does the sums of a whole house file.
Not computed, because a sum cannot know it: what a roof carries, how much ballast holds a tray, how far apart
attachments stand, what a conductor carries in its conduit, whether parts are listed together.

Rules of the National Electrical Code are given by article as `seen` in explanations of it, not in its text; article
numbers move between editions. Those of the International Electrotechnical Commission are `from memory`.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from solarlib.quantities import InputError, one_of, require, texts_beside, whole_number

SUMS = texts_beside(__file__, "sums")
WITHIN = "within this check"
OUTSIDE = "outside this check"
_NOT_DECIDED = "not decided here: ask "
ELECTRICIAN = "a licensed electrician"
ENGINEER = "a licensed structural engineer"
WHO_DECIDES = (
    "A sum, not a design: the codes adopted at your place, your utility's rules, the instructions of the equipment, "
    "the authority having jurisdiction, a licensed electrician and, for the roof, a licensed engineer decide."
)

# Ratings of circuit-breakers, of the NEC and of IEC 60898-1. [A]
STANDARD_BREAKERS_A, METRIC_BREAKERS_A = (tuple(SUMS["breakers_a"][code]) for code in ("NEC", "IEC"))
CONTINUOUS = 1.25  # a load of three hours or more; sunshine is one. NEC 210.20(A), 690.8, `seen`
_BUSBAR = 1.2  # what a busbar may see, over its rating: NEC 705.12, `seen`
# Wordings of the rule for a source that feeds a panelboard: what is added up -> most of the busbar's rating.
BY_CURRENT, BY_BREAKERS, ALL_BREAKERS, METRIC = "NEC, by current", "NEC, by breakers", "NEC, all breakers", "IEC"
RULES = (BY_CURRENT, BY_BREAKERS, ALL_BREAKERS, METRIC)
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
    words = SUMS[name]
    rows = tuple((key, value, words["units"][key]) for key, value in values.items())
    return Sum(words["check"].format(**told), rows, verdict, words["reason"].format(**values, **told))


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


def check_branch(
    units: int,
    unit_current_a: float,
    breaker_a: float = 20,
    listed_limit: int | None = None,
    factors: Sequence[float] = (CONTINUOUS,),
) -> Sum:
    """Compare a number of equal converters with what one branch circuit takes.

    Parameters
    ----------
    units : int
    unit_current_a : float
        Rated continuous output current of one, from its data sheet. [A]
    breaker_a : float
        One of `STANDARD_BREAKERS_A` or `METRIC_BREAKERS_A`. [A]
    listed_limit : int, optional
        Most units on the trunk cable by its listing, at this breaker and voltage. Without it no number of units can
        be called within.
    factors : sequence of float
        By which a continuous current may count, by each rule that may be in force.

    Returns
    -------
    Sum
        units, units_by_breaker = floor(breaker / greatest factor / unit current), listed_limit, smaller_of_both,
        needed_a.
    """
    units = whole_number(units, "units", 1, 10_000)
    current = require(unit_current_a, "unit_current_a", 0.01, 4000, "A")
    breaker = one_of(breaker_a, "breaker_a", (*STANDARD_BREAKERS_A, *METRIC_BREAKERS_A))
    by_breaker, most = (math.floor(breaker / factor / current + _SAME_A) for factor in (max(factors), min(factors)))
    listed: int | str
    limit, listed, verdict = by_breaker, "unknown", not_decided(f"{ELECTRICIAN}, with the listing of the trunk cable")
    if listed_limit is not None:
        listed, verdict = whole_number(listed_limit, "listed_limit", 1, 10_000), WITHIN
        limit, most = min(by_breaker, listed), min(most, listed)
    values = {"units": units, "units_by_breaker": by_breaker, "listed_limit": listed, "smaller_of_both": limit}
    values["needed_a"] = max(factors) * units * current
    if units > limit:
        verdict = OUTSIDE if units > most else not_decided(f"{ELECTRICIAN}, which rules are adopted")
    told = {"factor": max(factors), "current_a": current, "breaker_a": breaker_a}
    return summed("branch", verdict, values, **told, cable=SUMS["branch"]["cable"] if units > 1 else "")


def check_busbar(
    currents_a: Sequence[float],
    main_a: float,
    bus_a: float,
    breakers_a: Sequence[float] | None = None,
    rules: Sequence[str] = (BY_CURRENT, BY_BREAKERS),
    far_end: bool | None = True,
    loads_a: Sequence[float] | None = None,
) -> Sum:
    """Compare what an array and the main breaker can bring to a busbar with what the busbar may see.

    Parameters
    ----------
    currents_a : sequence of float
        Rated continuous output currents of all converters that feed the panelboard. [A]
    main_a, bus_a : float
        Main breaker and rating of the busbar, from the label of the panelboard. [A]
    breakers_a : sequence of float, optional
        All breakers through which the array feeds it, a breaker for each branch circuit or one for all. Left out, it
        is unknown; but ONE converter has one, of the next standard size. [A]
    rules : sequence of str
        Those of `RULES` that may be in force. Only what holds by each of them is within.
    far_end : bool, optional
        Do the array's breakers stand at the other end of the busbar than the main? Only there 120 % count. None:
        unknown.
    loads_a : sequence of float, optional
        All breakers of the loads, for the rule "NEC, all breakers". [A]

    Returns
    -------
    Sum
        by_current_a, by_breaker_a, all_breakers_a: what the busbar would see in each wording; allowed_a = 1.2 x
        busbar, or its rating where 120 % do not count; room_a: allowed less main; room_continuous_a: what fits in it;
        back_fed_breaker_a: the array's breakers together, or where they are unknown the next standard size of one
        for all of it. The wordings can differ: then it is not decided here.

    Notes
    -----
    NEC 705.12: main + 1.25 x current (later editions), main + ratings of the back-fed breakers (older editions), with
    the back-fed breakers at the far end from the main; or all breakers but the main within the rating: `seen` in
    explanations. Elsewhere a busbar fed from two sides is rated for both protective devices (IEC 61439-1, IEC
    60364-5-55: `from memory`).
    """
    needed = continuous_current_a(sum(require(current, "currents_a", 0, 10_000, "A") for current in currents_a))
    main, bus = require(main_a, "main_a", 6, 4000, "A"), require(bus_a, "bus_a", 6, 4000, "A")
    if breakers_a is None and len(currents_a) == 1:
        breakers_a = (standard_breaker_a(needed),)
    known = breakers_a is not None
    back_fed = needed if breakers_a is None else float(sum(breakers_a))  # together they are not below what is needed
    seen = {BY_CURRENT: main + needed, BY_BREAKERS: main + back_fed, METRIC: main + back_fed}
    seen[ALL_BREAKERS] = back_fed + sum(loads_a or ())
    answers, shares = set(), {True: (_BUSBAR,), False: (1.0,), None: (1.0, _BUSBAR)}[far_end]
    for rule in (one_of(rule, "rules", RULES) for rule in rules):
        sure = rule == BY_CURRENT or known and (rule != ALL_BREAKERS or loads_a is not None)
        for share in shares if rule in (BY_CURRENT, BY_BREAKERS) else (1.0,):
            fits = seen[rule] <= share * bus + _SAME_A
            answers.add(None if fits and not sure else fits)
    allowed = bus * (max(shares) if {BY_CURRENT, BY_BREAKERS} & set(rules) else 1.0)
    values = {"by_current_a": seen[BY_CURRENT], "by_breaker_a": main + back_fed if known else "unknown"}
    if ALL_BREAKERS in rules:
        values["all_breakers_a"] = seen[ALL_BREAKERS] if known and loads_a else "unknown"
    room = allowed - main
    values |= {"allowed_a": allowed, "room_a": room, "room_continuous_a": max(room, 0.0) / CONTINUOUS}
    one = standard_breaker_a(needed) if needed <= STANDARD_BREAKERS_A[-1] else "none so large"
    values["back_fed_breaker_a"] = back_fed if known else one
    told = _busbar_words(rules, {**values, "main_a": main, "bus_a": bus}, breakers_a, loads_a, far_end)
    return summed("busbar", _of(answers, far_end), values, **told)


def _of(answers, far_end):
    """Return the verdict of several answers, None for one that is not known."""
    if len(answers) == 1 and None not in answers:
        return WITHIN if True in answers else OUTSIDE
    unknown = "which breakers feed the panelboard" if None in answers else "which edition is adopted"
    where = ", and where on the busbar they stand" if far_end is None else ""
    return not_decided(f"{ELECTRICIAN}, {unknown}{where}")


def _busbar_words(rules, values, breakers, loads, far_end):
    """Return the words of a sum at the busbar: what was added by each rule, and what it was compared with."""
    words, metric = SUMS["busbar"], set(rules) == {METRIC}
    told = {name: value if isinstance(value, str) else f"{value:g}" for name, value in values.items()}
    told["by_current_a"] = f"{values['by_current_a']:.2f}"
    told["loads_a"] = "unknown" if loads is None else f"{sum(loads):g}"
    listed = " + ".join(f"{size:g}" for size in breakers or ())
    told["fed"] = f"breakers {listed} A" if len(breakers or ()) > 1 else "breaker" if breakers else "breakers"
    pair = [words["rules"][rule].format(**told) for rule in rules if rule in (BY_CURRENT, BY_BREAKERS)]
    wide = values["allowed_a"] > values["bus_a"]
    place = words["places"]["anywhere" if not wide else "unknown" if far_end is None else "far"]
    limit = words["limits"]["120 %" if wide else "100 %"].format(place=place.format(**told), **told)
    others = [words["rules"][rule].format(**told) for rule in rules if rule in (ALL_BREAKERS, METRIC)]
    sums = "; ".join([", ".join([*pair, limit]), *others] if pair else others)
    return {"sums": sums, "ways": words["ways"]["IEC" if metric else "NEC"], "rule": "" if metric else ", 120 % rule"}
