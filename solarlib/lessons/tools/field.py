"""The field in which a check is answered: written as people write, judged on Enter, the reply beside it."""

import hashlib
from dataclasses import dataclass
from functools import wraps
from html import escape

import ipywidgets as widgets

from solarlib.lessons.tools.check import FRAME, NOT_ANSWERED, Result, Results
from solarlib.lessons.tools.controls import SPOKEN_DOT, STYLE
from solarlib.lessons.tools.display import Shown, bundle
from solarlib.lessons.tools.drawing import DRAWING
from solarlib.lessons.tools.kept import NOBODY, recalled, remember
from solarlib.lessons.tools.typed import numbers_in
from solarlib.quantities import InputError, in_form

BLANK = "______________"
MOST_BUTTONS = 6  # words to choose from; of more one is typed
NEW_NAME = "Your own numbers come when the lesson runs again."
NO_NAME = "Type your first name and press Enter."
LINE_KEPT = "Kept: the report of your own house prints this line."


class Field(Shown):
    """A check with its field, or with one field for each of its parts.

    Parameters
    ----------
    judge : callable
        ``judge(answer, *given)``, or with parts ``judge(*given, **{part: answer})``: returns a `check.Result` or
        `check.Results`. Called with None it tells what may be typed: a number of a unit, or one of some words.
    given : tuple
        What the check is about.
    parts : iterable of str
        Names of answers that are judged together.
    label : str
        What stands before a field.

    Attributes
    ----------
    result : Result or Results
        What the check says to what stands in the field.
    widgets : dict of str to widget
        By part; of a check without parts the key is "".
    """

    def __init__(self, judge, given, parts, label):
        self._judge, self._given, self._parts = judge, given, tuple(parts or getattr(judge, "parts", ()))
        empty = self._judged(dict.fromkeys(self._parts or [""]))
        rows = empty.rows if self._parts else {"": empty}
        self.widgets = {part: _input(f"{label} {part}".strip(), result) for part, result in rows.items()}
        self._choices = sorted({", ".join(result.words) for result in rows.values() if result.words})
        self._lesson = judge.__module__.removesuffix(".questions").rpartition(".")[2]
        about = f"{getattr(judge, '__name__', '')} {given!r}"
        self._key = hashlib.sha256(about.encode()).hexdigest()[:16]
        self._reply = widgets.HTML()
        self._reply.add_class("sl-view")
        style = widgets.HTML(STYLE, layout=widgets.Layout(display="none"))
        self.box = widgets.VBox([style, *self.widgets.values(), self._reply])
        self.box.add_class("sl-panel")
        self.box.add_class("sl-answer")
        typed = recalled(self._lesson).get(self._key)
        if isinstance(typed, dict):
            self.type(**typed)
            self._show()
        else:
            self._tell(empty)
        for widget in self.widgets.values():
            widget.observe(self._changed, names="value")

    def type(self, *texts, **by_part):
        """Type texts as a person would, one a field or by part, and return the field."""
        for part, text in {**dict(zip(self.widgets, texts)), **by_part}.items():
            widget = self.widgets.get(part)
            if isinstance(text, str) and text in getattr(widget, "options", [text]) and widget:
                widget.value = text
        return self

    def _changed(self, change):
        self._show()
        remember(self._lesson, {self._key: {part: widget.value or "" for part, widget in self.widgets.items()}})

    def _show(self):
        self._tell(self._judged({part: widget.value for part, widget in self.widgets.items()}))

    def _tell(self, result):
        self.result = result
        self._reply.value = self.result.html() + SPOKEN_DOT

    def _judged(self, answers):
        return self._judge(*self._given, **answers) if self._parts else self._judge(answers[""], *self._given)

    def __str__(self):
        return self.widgets[""].value.strip() or NOBODY

    def _repr_mimebundle_(self, include=None, exclude=None):
        names = [widget.description for widget in self.widgets.values()]
        choose = [f"Choose from: {words}." for words in self._choices]
        html = [f'<p>{escape(name)}: <span style="border:1px solid">{"&emsp;" * 8}</span></p>' for name in names]
        html += [f"<p>{escape(words)}</p>" for words in choose]
        return bundle(self, "\n".join([*(f"{name}: {BLANK}" for name in names), *choose]), html="".join(html))


def _input(label, result):
    """Return the widget for one answer: buttons for a few words, else a line to type on."""
    if result.words and len(result.words) <= MOST_BUTTONS:
        return widgets.ToggleButtons(options=list(result.words), value=None, description=label)
    name = f"{label} ({result.unit})" if result.unit else label
    return widgets.Text(
        description=name.replace("_", " "), placeholder=", ".join(result.words), continuous_update=False
    )


def answer(judge, *given, parts=(), label="Answer"):
    """Return the field of a check: put it on the last line of a cell.

    Examples
    --------
    ``answer(questions.check_use, mine)``; from code the same check is ``questions.check_use(830, mine)``.
    """
    return Field(judge, given, parts, label)


@dataclass(frozen=True)
class Told(Results):
    """What is said to a reader's own numbers and words: none of them is right or wrong."""

    said: str

    def __str__(self):
        return self.said

    def html(self):
        """Return it as HTML; a table keeps its columns."""
        look = "white-space:pre-wrap" + ";font-family:var(--jp-code-font-family,monospace)" * ("   " in self.said)
        return FRAME.format(2, f'<div style="{look}">{escape(in_form(self.said))}</div>')


def own_judge(tell, **units):
    """Return the judge of a field for what a reader has at home.

    Parameters
    ----------
    tell : callable
        ``tell(*given, *theirs)`` returns what is said; None stands for what is not typed yet.
    **units : str or None
        The unit of each number, in the order of `tell`; None where words are typed. The names are seen, with blanks.
    """

    @wraps(tell)
    def judge(*given, **typed):
        rows = {name: Result(None, NOT_ANSWERED, unit or "") for name, unit in units.items()}
        texts = {name: (typed.get(name) or "").strip() or None for name in units}
        try:
            said = tell(*given, *(_theirs(text, units[name]) for name, text in texts.items()))
        except InputError as error:
            said = f"This cannot be used. {error}."
        return Told(rows, said)

    judge.parts = tuple(units)
    return judge


def first_name(answer):
    """Keep a learner's first name, from which the numbers of the checks and the order of guesses are made."""
    if answer:
        remember("learner", {"first name": answer})
    return Result(None, NEW_NAME if answer else NO_NAME)


def _theirs(text, unit):
    return numbers_in(text, unit)[0] if text and unit else text


def decision(answer, unit):
    """Keep what a reader decides at the end of a unit: a line that the report of their house prints."""
    if answer is not None:  # a line that is taken away is none
        remember("decisions", {unit: answer})
    return Result(None, LINE_KEPT if answer else DRAWING["units"][unit]["household"])
