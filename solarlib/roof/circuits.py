"""Sums about conductors, breakers, voltages and roofs that help to ask good questions; none of them is a design.

Every `check_...` function returns a `Finding`: the values, one of three verdicts, whom to ask, and the sentence that
says who decides. Breaker sizes and rules are those of practice in the United States; elsewhere, read the values and
leave the verdict aside. Not computed, because a sum cannot know it: what a roof carries, how much ballast holds a
tray, how far apart attachments stand, what a conductor carries in its conduit, whether parts are listed together.

Rules of the National Electrical Code are given by article as `seen` in explanations of it, not in its text; article
numbers move between editions.
"""

import math
from dataclasses import dataclass

from solarlib.quantities import InputError, require

WITHIN = "within this check"
OUTSIDE = "outside this check"
_NOT_DECIDED = "not decided here: ask "
ELECTRICIAN = "a licensed electrician"
ENGINEER = "a licensed structural engineer"
WHO_DECIDES = (
    "A sum, not a design: the codes adopted at your place, your utility's rules, the instructions of the equipment, the "
    "authority having jurisdiction, a licensed electrician and, for the roof, a licensed engineer decide."
)

# NEC 240.6(A), `seen` in a list of it. [A]
STANDARD_BREAKERS_A = (
    15,
    20,
    25,
    30,
    35,
    40,
    45,
    50,
    60,
    70,
    80,
    90,
    100,
    110,
    125,
    150,
    175,
    200,
    225,
    250,
    300,
    350,
    400,
    450,
    500,
    600,
)
CONTINUOUS = 1.25  # a load of three hours or more; sunshine is one. NEC 210.20(A), 690.8, `seen`


@dataclass(frozen=True)
class Finding:
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
            raise InputError(
                f"finding.verdict: found {self.verdict!r}, allowed is {WITHIN}, {OUTSIDE}, {_NOT_DECIDED}..."
            )

    def __getitem__(self, name):
        for key, value, _ in self.values:
            if key == name:
                return value
        raise KeyError(name)

    def __str__(self):
        rows = [f"  {name}: {_text(value)} {unit}".rstrip() for name, value, unit in self.values]
        return "\n".join([f"{self.check}: {self.verdict}", *rows, f"  {self.reason}", f"  {WHO_DECIDES}"])


def _text(value):
    if not isinstance(value, float):
        return str(value)
    return f"{value:.3g}" if abs(value) < 100 else f"{value:.0f}"


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
    return next(size for size in STANDARD_BREAKERS_A if size >= rating - 1e-9)


def check_breaker(currents_a, breaker_a):
    """Compare a breaker with the continuous currents that flow through it.

    Parameters
    ----------
    currents_a : sequence of float
        Rated continuous output currents of the converters on it, from their data sheets. [A]
    breaker_a : float
        [A]

    Returns
    -------
    Finding
        current_a, needed_a (1.25 times the sum), next_standard_a, breaker_a.
    """
    total = sum(require(current, "currents_a", 0, 10_000, "A") for current in currents_a)
    breaker = _breaker(breaker_a)
    needed = continuous_current_a(total)
    size = standard_breaker_a(needed)
    return Finding(
        "breaker of one branch circuit",
        (
            ("current_a", total, "A"),
            ("needed_a", needed, "A"),
            ("next_standard_a", size, "A"),
            ("breaker_a", breaker, "A"),
        ),
        WITHIN if breaker >= needed - 1e-9 else OUTSIDE,
        f"1.25 x {total:.2f} A = {needed:.2f} A against a breaker of {breaker:g} A (NEC 690.8, 690.9). The conductor, and the "
        "largest breaker that the converter allows, are other questions.",
    )


def check_branch(units, unit_current_a, breaker_a=20, listed_limit=None):
    """Compare a number of equal converters with what one branch circuit takes.

    Parameters
    ----------
    units : int
    unit_current_a : float
        Rated continuous output current of one, from its data sheet. [A]
    breaker_a : float
        [A]
    listed_limit : int, optional
        Most units on the trunk cable by its listing, at this breaker and voltage. Without it no number of units can
        be called within.

    Returns
    -------
    Finding
        units, units_by_breaker = floor(breaker / 1.25 / unit current), listed_limit, smaller_of_both.
    """
    units = count(units, "units")
    current, breaker = require(unit_current_a, "unit_current_a", 0.01, 1000, "A"), _breaker(breaker_a)
    by_breaker = math.floor(breaker / CONTINUOUS / current + 1e-9)
    limit = by_breaker if listed_limit is None else min(by_breaker, count(listed_limit, "listed_limit"))
    if units > limit:
        verdict = OUTSIDE
    else:
        verdict = (
            WITHIN if listed_limit is not None else not_decided(f"{ELECTRICIAN}, with the listing of the trunk cable")
        )
    return Finding(
        "converters on one branch circuit",
        (
            ("units", units, ""),
            ("units_by_breaker", by_breaker, ""),
            ("listed_limit", "unknown" if listed_limit is None else int(listed_limit), ""),
            ("smaller_of_both", limit, ""),
            ("needed_a", CONTINUOUS * units * current, "A"),
        ),
        verdict,
        f"1.25 x {units} x {current:.3g} A = {CONTINUOUS * units * current:.2f} A against {breaker:g} A; the smaller of this sum and "
        "the listing of the trunk cable counts.",
    )


def check_busbar(currents_a, main_a, bus_a, breaker_a=None):
    """Compare back-fed current and main breaker with 120 % of the busbar, in both wordings of the rule.

    Parameters
    ----------
    currents_a : sequence of float
        Rated continuous output currents of all converters that feed the panelboard. [A]
    main_a, bus_a : float
        Main breaker and rating of the busbar, from the label of the panelboard. [A]
    breaker_a : float, optional
        Back-fed breaker; default the next standard size above 1.25 times the current. [A]

    Returns
    -------
    Finding
        by_current_a and by_breaker_a: what the busbar would see in each wording; allowed_a = 1.2 x busbar;
        room_a: allowed less main. The wordings can differ: then it is not decided here.

    Notes
    -----
    NEC 705.12: main + 1.25 x current (later editions), main + rating of the back-fed breaker (older editions), with
    the back-fed breaker at the far end from the main. `seen` in explanations.
    """
    total = sum(require(current, "currents_a", 0, 10_000, "A") for current in currents_a)
    main, bus = require(main_a, "main_a", 15, 600, "A"), require(bus_a, "bus_a", 15, 1200, "A")
    needed = continuous_current_a(total)
    breaker = float(standard_breaker_a(needed)) if breaker_a is None else _breaker(breaker_a)
    if breaker < needed - 1e-9:
        raise InputError(f"breaker_a: found {breaker:g} A, allowed is at least 1.25 x {total:g} A = {needed:.2f} A")
    by_current, by_breaker, allowed = main + needed, main + breaker, 1.2 * bus
    fits = [load <= allowed + 1e-9 for load in (by_current, by_breaker)]
    verdict = (
        WITHIN if all(fits) else OUTSIDE if not any(fits) else not_decided(f"{ELECTRICIAN}, which edition is adopted")
    )
    return Finding(
        "busbar of the panelboard, 120 % rule",
        (
            ("by_current_a", by_current, "A"),
            ("by_breaker_a", by_breaker, "A"),
            ("allowed_a", allowed, "A"),
            ("room_a", allowed - main, "A"),
            ("room_continuous_a", max(allowed - main, 0.0) / CONTINUOUS, "A"),
            ("back_fed_breaker_a", breaker, "A"),
        ),
        verdict,
        f"main {main:g} A + 1.25 x current = {by_current:.2f} A, main + breaker = {by_breaker:g} A, against 1.2 x {bus:g} A = {allowed:g} A "
        "(NEC 705.12), for a breaker at the far end of the busbar; a panelboard fed in its middle needs care. There are other "
        "ways to connect: a smaller main, the sum of all breakers, ahead of the main, another panelboard, listed power control.",
    )


def source_conductor_a(short_circuit_a):
    """Return 1.25 (sunlight above 1000 W/m2) x 1.25 (continuous) x short-circuit current; NEC 690.8, `from memory`. [A]"""
    return CONTINUOUS**2 * require(short_circuit_a, "short_circuit_a", 0, 1000, "A")


def _breaker(breaker_a):
    size = require(breaker_a, "breaker_a", STANDARD_BREAKERS_A[0], STANDARD_BREAKERS_A[-1], "A")
    if size not in STANDARD_BREAKERS_A:
        raise InputError(
            f"breaker_a: found {size:g} A, allowed is a standard size: {', '.join(map(str, STANDARD_BREAKERS_A))}"
        )
    return size


def count(value, name):
    """Return a whole number from 1 to 10000, or refuse it with `InputError`."""
    if isinstance(value, bool) or value != int(require(value, name, 1, 10_000)):
        raise InputError(f"{name}: found {value!r}, allowed is a whole number from 1 to 10000")
    return int(value)
