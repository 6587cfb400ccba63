"""Self-checks: a prediction before the picture, a number or a word after it, each answered with what helps next.

A blank is never an error, a slip that has a name is named, and no message gives the expected answer away.
"""

import hashlib
import math
from dataclasses import dataclass
from fractions import Fraction
from html import escape
from types import SimpleNamespace

import ipywidgets as widgets
import numpy as np

from solarlib.lessons.tools.controls import SPOKEN_DOT, STYLE
from solarlib.lessons.tools.display import Shown, bundle
from solarlib.lessons.tools.kept import NOBODY, recalled, remember
from solarlib.lessons.tools.typed import numbers_in
from solarlib.quantities import InputError, in_form, require, texts_beside

NOT_ANSWERED = "Not answered yet. Type your answer and press Enter."

# How far off a wrong answer is, as a factor, and the slip that does this.
SLIPS = [(float(Fraction(times)), said) for times, said in texts_beside(__file__, "slips").items()]
MARK = {True: "Right", False: "Not yet", None: "Open"}
_LOOK = "border-left:{}px solid currentColor;padding:4px 12px;font-size:16px;line-height:24px"
FRAME = f'<div style="{_LOOK}" class="tex2jax_ignore mathjax_ignore">{{}}</div>'


@dataclass(frozen=True)
class Result:
    """What a check says.

    Attributes
    ----------
    right : bool or None
        None while there is no answer that can be judged.
    message : str
        One or two sentences for the learner.
    unit : str
        What a number is wanted in. Not used by words.
    words : tuple of str
        The words to choose from; empty where a number is wanted.
    """

    right: bool | None
    message: str
    unit: str = ""
    words: tuple = ()

    def __post_init__(self):
        object.__setattr__(self, "message", in_form(self.message))

    def __str__(self):
        return self.message

    def html(self):
        """Return the reply as HTML: a line down its left side, a thick one if the answer is right."""
        return FRAME.format(6 if self.right else 2, f"<b>{MARK[self.right]}.</b> {escape(self.message)}")

    def _repr_mimebundle_(self, include=None, exclude=None):
        return {"text/html": self.html(), "text/plain": f"{MARK[self.right]}. {self.message}"}


@dataclass(frozen=True)
class Results:
    """Several checks in one display, each behind its letter."""

    rows: dict

    @property
    def right(self):
        """How many are right."""
        return sum(result.right is True for result in self.rows.values())

    def __str__(self):
        if all(row.message == NOT_ANSWERED for row in self.rows.values()):
            return NOT_ANSWERED
        head = f"{self.right} of {len(self.rows)} right."
        return "\n".join([head, *(f"{letter}: {MARK[row.right]}. {row}" for letter, row in self.rows.items())])

    def html(self):
        """Return the replies as HTML."""
        return FRAME.format(6 if self.right == len(self.rows) else 2, escape(str(self)).replace("\n", "<br>"))

    def _repr_mimebundle_(self, include=None, exclude=None):
        return {"text/html": self.html(), "text/plain": str(self)}


def _unanswered(answer):
    return answer is None or answer is ... or (isinstance(answer, str) and not answer.strip())


def _not_a_number(answer):
    """Return a sentence about an answer that is not one finite number, or None."""
    if isinstance(answer, tuple):
        return "This check needs one number. If you typed a decimal comma, use a point: 3.5, not 3,5."
    if isinstance(answer, (bool, np.bool_)) or not isinstance(answer, (int, float, np.integer, np.floating)):
        return f"This check needs one number; found {type(answer).__name__}."
    if not math.isfinite(answer):
        return "This check needs a finite number: somewhere there was a division by zero or a missing value."
    return None


def number(answer, expected, unit, tolerance, mistakes=None, other=""):
    """Judge a number; never raises for what a learner typed.

    Parameters
    ----------
    answer : object
        A number, or a text as `typed.numbers_in` reads it: where a comma may mean two things, the reading that is right
        counts. None, ``...`` or blank text counts as not answered.
    expected : float
        [unit]
    unit : str
        Of the answer; a text may hold it, or one like it.
    tolerance : float
        Largest accepted distance from ``expected``, greater than 0, both ends included. [unit]
    mistakes : dict of float to str, optional
        Wrong values and the hint for each; they come before the general slips (sign, 1000, 100, 2, 10, 60).
    other : str, optional
        What to say to any other wrong value that is not near the right one: what the question gives.

    Returns
    -------
    Result

    Raises
    ------
    InputError
        If the check itself is written wrongly, e.g. a mistake that the tolerance would accept as right.
    """
    mistakes = mistakes or {}
    require(expected, "check.number, expected")
    require(tolerance, "check.number, tolerance", low=1e-12)
    for wrong in mistakes:
        if abs(wrong - expected) <= tolerance:
            allowed = f"values farther than {tolerance:g} from the answer"
            raise InputError(f"check.number, mistakes: found {wrong:g}, allowed are {allowed}")
    if _unanswered(answer):
        return Result(None, NOT_ANSWERED, unit)
    if isinstance(answer, str):
        try:
            readings = numbers_in(answer, unit)
        except InputError as error:
            return Result(None, str(error), unit)
        results = [number(reading, expected, unit, tolerance, mistakes, other) for reading in readings]
        return next((result for result in results if result.right), results[0])
    problem = _not_a_number(answer)
    if problem:
        return Result(None, problem, unit)
    found = float(answer)
    said = f"{found:,.10g} {unit.removesuffix('s') if found == 1 else unit}".strip()
    if abs(found - expected) <= tolerance * (1 + 1e-9):
        return Result(True, f"{said} is right (to within {tolerance:g} {unit}).".replace(" )", ")"))
    near = [(abs(found - wrong), hint) for wrong, hint in mistakes.items() if abs(found - wrong) <= tolerance]
    if near:
        return Result(False, f"{said}: {min(near)[1]}")
    if expected:
        for factor, hint in SLIPS:
            if abs(found - factor * expected) <= abs(factor) * tolerance:
                return Result(False, f"{said}: {hint}")
    counted = tolerance == 0.5 and float(expected).is_integer()  # a whole number: nothing was rounded on the way
    if abs(found - expected) <= 3 * tolerance:
        advice = "it is one too many or too few: count once more" if counted else "keep more digits on the way"
        return Result(False, f"{said} is close, but not within {tolerance:g} {unit}: {advice}.".replace(" :", ":"))
    other = other or f"Go back one step and {'count once more' if counted else 'check its unit'}."
    return Result(False, f"{said} is too {'high' if found > expected else 'low'}. {other}")


def apart(expected, mistakes, tolerance):
    """Return the mistakes of `number` without those that give (nearly) the right answer for these numbers.

    Where each learner or house has numbers of its own, a slip can happen to land on the answer.
    """
    return {wrong: hint for wrong, hint in mistakes.items() if abs(wrong - expected) > 1.01 * tolerance}


def choose(answer, right, feedback):
    """Judge a chosen word; never raises for what a learner typed.

    Parameters
    ----------
    answer : object
        What the learner typed; capitals and outer blanks do not matter, and the first letters will do.
    right : str or list of str
        One or more right words.
    feedback : dict of str to str
        What to say for each word that may be chosen, the right ones included.
    """
    right = [right] if isinstance(right, str) else right
    if not {*right} <= {*feedback} or len(feedback) < 2:
        raise InputError(f"check.choose: found {right!r} as right, allowed is one of {list(feedback)} (two or more)")
    if _unanswered(answer):
        return Result(None, NOT_ANSWERED, words=tuple(feedback))
    typed = " ".join(str(answer).lower().split()).strip(".,'\"")
    near = [option for option in feedback if _begins(option.strip().lower(), typed)]
    option = next(
        (option for option in feedback if option.strip().lower() == typed), near[0] if len(near) == 1 else None
    )
    if option is None:
        return Result(None, f"Choose one of these words: {', '.join(feedback)}.", words=tuple(feedback))
    return Result(option in right, feedback[option])


def _begins(option, typed):
    """Tell whether one of two words begins with the other, as July and Jul do."""
    whole = typed.isalpha() and typed.startswith(option)
    return min(len(option), len(typed)) >= 3 and (whole or option.startswith(typed))


class Prediction(Shown):
    """A question with answers to choose from; each answer has its own reply, shown only once it is chosen.

    Attributes
    ----------
    reply : str
        What the learner sees after choosing; empty before.
    """

    def __init__(self, question, options, right):
        if right not in options or len(options) < 2:
            allowed = f"one of {list(options)} (two or more)"
            raise InputError(f"check.predict: found {right!r} as right, allowed is {allowed}")
        self.question, self.options, self.right = question, dict(options), right
        word = recalled("learner").get("first name") or NOBODY  # so that neighbours do not see the same order
        self.reply = ""
        shuffled = sorted(options, key=lambda option: hashlib.sha256(f"{word}|{option}".encode()).digest())
        self.buttons = widgets.ToggleButtons(options=shuffled, value=None)
        self._reply = widgets.HTML('<p style="min-height:48px"></p>')
        self._reply.add_class("sl-view")
        title = widgets.HTML(f"{STYLE}<p><b>Predict:</b> {escape(question)}</p>{SPOKEN_DOT}")
        self.box = widgets.VBox([title, self.buttons, self._reply])
        self.box.add_class("sl-panel")
        self.box.add_class("sl-question")
        self.buttons.observe(self._choose, names="value")
        guessed = recalled("guesses").get(question)
        self.buttons.value = guessed if guessed in options else None

    def _choose(self, change):
        option = change["new"]
        if option is None:
            return
        remember("guesses", {self.question: option})
        self.reply = f"{'That is right.' if option == self.right else 'Not so.'} {self.options[option]}"
        self._reply.value = f'<p style="min-height:48px">{escape(self.reply)}</p>{SPOKEN_DOT}'

    def _repr_mimebundle_(self, include=None, exclude=None):
        lines = [f"Predict: {self.question}", *(f"  ( ) {option}" for option in self.buttons.options)]
        return bundle(self, "\n".join(lines))


def predict(question, options, right):
    """Return a question to be answered before the picture is seen.

    Parameters
    ----------
    question : str
    options : dict of str to str
        Each answer on offer and the reply to it. A wrong answer should be a real belief, its reply what to look for.
    right : str
        One of the options; it is told only to those who chose it.
    """
    return Prediction(question, options, right)


def numbers_for(seed_word, **ranges):
    """Return numbers of a learner's own: the same for the same word on every machine, different for most others.

    Parameters
    ----------
    seed_word : str
        For example a first name; capitals and outer blanks do not matter.
    **ranges : (low, high, step)
        One range a number, both ends included.

    Returns
    -------
    SimpleNamespace
        One attribute a range: an int if low and step are whole, else a float.

    Notes
    -----
    Each number comes straight from SHA-256 of the word and the number's name, so neither the order of the ranges
    nor the version of any library changes it.

    Examples
    --------
    >>> numbers_for("Sunny", tilt=(10, 40, 5)) == numbers_for(" sunny", tilt=(10, 40, 5))
    True
    """
    word = str(seed_word).strip().lower()
    numbers = {}
    for name, (low, high, step) in ranges.items():
        steps = round((high - low) / step) if step > 0 else -1
        if steps < 1:
            raise InputError(f"numbers_for, {name}: found {(low, high, step)}, allowed is (low, high, step) with steps")
        digest = hashlib.sha256(f"{word}|{name}".encode("utf-8")).digest()
        value = low + step * (int.from_bytes(digest[:8], "big") % (steps + 1))
        numbers[name] = value if isinstance(value, int) else round(value, 9)
    return SimpleNamespace(**numbers)
