"""Questions as data: a lesson's predictions and checks are read from the ``questions.toml`` beside its modules.

A teacher edits or translates the texts there without Python. What a number should be, and the wrong value that each
slip gives, are sums in the file, or the lesson's module computes them. Four kinds of entry, one table each::

    [fold]                                  # a prediction
    ask = "What does the sensor show?"
    right = "both times: 1 kWh"             # left out where the call tells it
    [fold.options]                          # in the order shown: answer on offer = reply to it
    "both times: 1 kWh" = "Only the size is seen."
    "once: 0.5 kWh" = "The current flows in both hours."

    [kept]                                  # a sum of a learner's own numbers, judged by `Questions.judge`
    unit = "kWh"                            # "" for a bare number
    tolerance = 0.01
    right = "made * share / 100"            # see `typed.worked_out`
    other = "You have {made} kWh and {share} %. Which of them is not yet in your answer?"  # to all other wrong numbers
    [kept.slips]                            # sum of a slip = reply; `right` may stand in it
    "made - right" = "This is what is sent out."

    [sum]                                   # a number that the lesson computes
    unit = "kWh"
    tolerance = 0.01                        # left out where the call tells it
    [sum.slips]                             # name of a slip = reply; the call gives each name its wrong value
    first = "This is the first part only."

    [average]                               # a word to choose
    right = "the weather"
    [average.replies]                       # word that may be chosen = reply
    "the weather" = "Yes."
    "chance" = "Look again."

A text may hold ``{names}``, filled by `str.format` with what the call hands on, as in ``{load_w:.0f} W``.
"""

import string
import tomllib
from collections.abc import Callable, Mapping
from pathlib import Path

import numpy as np

from solarlib.lessons.tools import check
from solarlib.lessons.tools.typed import formula, worked_out
from solarlib.quantities import InputError
from solarlib.schema import Problems, Refused, number


def _fields(text):
    """Return the names in the braces of a text."""
    return {name for _, name, _, _ in string.Formatter().parse(text) if name is not None}


def _text(value):
    """Reader of a text whose braces hold names."""
    try:
        if all(name.isidentifier() for name in _fields(value)):
            return value
    except (TypeError, ValueError):
        pass
    raise Refused("a text, with nothing but names in braces: {load_w} or {load_w:.0f}")


def _texts(least):
    """Reader of a table of at least so many texts, each with a key that is a text like it."""

    def read(value):
        if not isinstance(value, dict) or len(value) < least:
            raise Refused(f"a table of {least} or more texts")
        for key in value:
            try:
                _text(key), _text(value[key])
            except Refused as refused:
                raise Refused(f"in {key!r} {refused}") from None
        return value

    return read


def _sum(value):
    """Reader of a sum of named numbers."""
    try:
        formula(_text(value))
    except (InputError, AttributeError) as error:
        raise Refused(str(error)) from None
    return value


KINDS = {  # the fields of each kind of entry, and which of them are needed
    "a prediction": ({"ask": _text, "options": _texts(2), "right": _text}, ("ask", "options")),
    "a word to choose": ({"right": _text, "replies": _texts(2)}, ("replies",)),
    "a number": ({"unit": _text, "tolerance": number(1e-12, 1e12), "other": _text, "slips": _texts(1)}, ("unit",)),
    "a sum": (
        {"unit": _text, "tolerance": number(1e-12, 1e12), "right": _sum, "other": _text, "slips": _texts(1)},
        ("unit", "tolerance", "right"),
    ),
}


def _kind(table):
    """Tell the kind of an entry by the keys that no other kind has."""
    keys = set(table) if isinstance(table, dict) else set()
    if keys & {"ask", "options"}:
        return "a prediction"
    return "a word to choose" if "replies" in keys else "a sum" if "right" in keys else "a number"


class Questions:
    """The questions of one lesson, by name.

    Parameters
    ----------
    where : str
        Lesson and file, for messages.
    tables : mapping of str to dict
        The entries as they stand in the file.

    Raises
    ------
    InputError
        Names the file and every wrong entry and key, what was found and what is allowed.
    """

    def __init__(self, where: str, tables: Mapping[str, object]):
        problems = Problems(where)
        self.where, self.kinds, self.entries = where, {name: _kind(table) for name, table in tables.items()}, {}
        for name, kind in self.kinds.items():
            readers, needed = KINDS[kind]
            keys = {key: (key, read, key in needed) for key, read in readers.items()}
            entry = self.entries[name] = problems.values(tables[name], keys, name)
            options = entry.get("options") or entry.get("replies")
            if options and entry.get("right", min(options)) not in options:
                problems.add(f"{name}.right", repr(entry["right"]), f"one of {list(options)}")
            for slip in entry.get("slips", {}) if kind == "a sum" else ():
                try:
                    _sum(slip)
                except Refused as refused:
                    problems.add(f"{name}.slips", repr(slip), str(refused))
        problems.stop()

    def predict(self, name: str, right: str | None = None, **numbers) -> check.Prediction:
        """Return a question to be answered before the picture is seen; see `check.predict`.

        Parameters
        ----------
        name : str
            The entry.
        right : str, optional
            The right option, where it depends on the numbers.
        **numbers
            What the braces of the entry's texts are filled with.

        Raises
        ------
        InputError
            Names the file and the entry: an entry that is not there, a number too many or missing, a wrong `right`.
        """
        return check.predict(*self._options(name, "a prediction", "options", right, numbers))

    def choose(self, name: str, answer: object, right: str | None = None, **numbers) -> check.Result:
        """Judge a chosen word; see `check.choose`, and `predict` for the parameters and errors."""
        _, replies, right = self._options(name, "a word to choose", "replies", right, numbers)
        return check.choose(answer, right, replies)

    def number(self, name: str, answer: object, expected: float, within: float | None = None, **slips) -> check.Result:
        """Judge a number; see `check.number`.

        Parameters
        ----------
        name : str
            The entry.
        answer : object
            What the learner typed.
        expected : float
            [unit of the entry]
        within : float, optional
            Tolerance, where it depends on the numbers. [unit of the entry]
        **slips : float or sequence of float
            The wrong value of each slip of the entry (several, or none, as a sequence), and what else its texts hold
            in braces. A slip that lands on the right answer for these numbers is left out. [unit of the entry]

        Raises
        ------
        InputError
            Names the file and the entry: an entry that is not there, a slip too many or missing, no tolerance.
        """
        entry = self._entry(name, "a number")
        hints, tolerance = entry.get("slips", {}), entry.get("tolerance") if within is None else within
        if tolerance is None:
            raise InputError(f"{self.where}: {name}: found no tolerance, allowed is one in the file or in the call")
        written = entry["unit"], entry.get("other", ""), *hints.values()
        unit, other, *texts = self._filled(name, slips, *written, besides=hints)
        reply = dict(zip(hints, texts))
        mistakes = {float(wrong): reply[slip] for slip in slips if slip in hints for wrong in np.ravel(slips[slip])}
        tolerance = float(tolerance)
        return check.number(answer, expected, unit, tolerance, check.apart(expected, mistakes, tolerance), other)

    def judge(self, name: str, *given: str) -> Callable[..., check.Result]:
        """Return the judge of a check that the file holds whole: a word to choose, or a sum.

        Parameters
        ----------
        name : str
            The entry.
        *given : str
            What the judge is handed besides the answer: the names of numbers. Without any it takes an object that has
            them as attributes, such as `check.numbers_for` makes, or nothing where a word is chosen.

        Returns
        -------
        callable
            ``judged(answer, *given)`` returns a `check.Result`.
        """

        def judged(answer, *values):
            if self.kinds[name] == "a word to choose":
                return self.choose(name, answer)
            numbers = dict(zip(given, values)) if given else vars(values[0])
            entry = self._entry(name, "a sum")
            try:
                right = worked_out(entry["right"], numbers)
                known, other = numbers | {"right": right}, entry.get("other", "").format(**numbers)
                slips = {worked_out(slip, known): reply.format(**numbers) for slip, reply in entry["slips"].items()}
            except (InputError, LookupError, ValueError) as error:
                raise InputError(f"{self.where}: {name}: {error}") from None
            tolerance = float(entry["tolerance"])
            return check.number(answer, right, entry["unit"], tolerance, check.apart(right, slips, tolerance), other)

        if self.kinds.get(name) not in ("a sum", "a word to choose"):
            self._entry(name, "a sum")
        judged.__name__, judged.__module__ = f"check_{name}", f"{Path(self.where).parent}.questions"
        return judged

    def judges(self, **names: str) -> Callable[..., check.Results]:
        """Return the judge of several checks of one object together, by the letter of each; see `judge`."""
        judges = {letter: self.judge(name) for letter, name in names.items()}

        def judged(mine, *answers, **by_letter):
            answers = dict(zip(judges, answers)) | by_letter
            return check.Results({letter: judges[letter](answers[letter], mine) for letter in judges})

        judged.__name__, judged.__module__ = "_".join(names.values()), f"{Path(self.where).parent}.questions"
        return judged

    def _entry(self, name, kind):
        """Return an entry, which must be of this kind."""
        if self.kinds.get(name) != kind:
            allowed = [other for other in self.kinds if self.kinds[other] == kind]
            raise InputError(f"{self.where}: found {name!r} asked for as {kind}, allowed is one of {allowed}")
        return self.entries[name]

    def _filled(self, name, numbers, *texts, besides=()):
        """Return texts of an entry with their braces filled; the call must hand on exactly what they need."""
        needed = set(besides).union(*map(_fields, texts))
        if needed != set(numbers):
            found = f"{sorted(numbers)} handed on by the call"
            raise InputError(f"{self.where}: {name}: found {found}, allowed is {sorted(needed)}")
        try:
            return [text.format(**numbers) for text in texts]
        except (TypeError, ValueError) as error:
            raise InputError(f"{self.where}: {name}: found {error}, allowed is a format that fits the value") from None

    def _options(self, name, kind, key, right, numbers):
        """Return (question, options with their replies, right option) of an entry, all braces filled."""
        entry = self._entry(name, kind)
        written = entry[key]
        ask, *texts = self._filled(name, numbers, entry.get("ask", ""), *written, *written.values())
        shown, replies = texts[: len(written)], texts[len(written) :]
        right = dict(zip(written, shown)).get(entry.get("right") if right is None else right, right)
        if right not in shown or len(set(shown)) < len(shown):
            raise InputError(f"{self.where}: {name}: found {right!r} as right, allowed is one of {shown}, all unlike")
        return ask, dict(zip(shown, replies)), right


def read_questions(path: Path) -> Questions:
    """Read a file of questions.

    Parameters
    ----------
    path : Path
        A TOML file in the folder of its lesson.

    Raises
    ------
    InputError
        Names lesson and file, each wrong entry, what was found and what is allowed.
    """
    where = f"{path.parent.name}/{path.name}"
    try:
        return Questions(where, tomllib.loads(path.read_text(encoding="utf-8-sig")))
    except FileNotFoundError:
        raise InputError(f"{where}: found no such file, allowed is one beside the lesson's modules") from None
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise InputError(f"{where}: found {error}, allowed is a TOML text in UTF-8") from None


def questions_beside(module_file: str) -> Questions:
    """Read the ``questions.toml`` in the folder of a module; pass the module's ``__file__``. See `read_questions`."""
    return read_questions(Path(module_file).with_name("questions.toml"))
