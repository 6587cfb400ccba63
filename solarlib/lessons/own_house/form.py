"""The question form of one file: what the file proves is told, what it leaves open is asked with buttons."""

from html import escape
from pathlib import Path

import ipywidgets as widgets
import pandas as pd

from solarlib.files import propose, read, write_whole
from solarlib.lessons.tools.controls import SPOKEN_DOT, STYLE
from solarlib.lessons.tools.display import Shown, bundle
from solarlib.quantities import InputError, refuse_if, texts_beside
from solarlib.schema import FORM

FIRST_ROWS, FIRST_COLUMNS = 3, 8  # of a file that are shown
_WORDS = texts_beside(__file__, "form")
_PRE = '<pre style="font-size:14px;line-height:19px;margin:0;max-height:260px;overflow:auto">{}</pre>'


class Form(Shown):
    """One file: its first rows, what is known and why, and a row of buttons for each open question.

    Attributes
    ----------
    proposal : Proposal
        As it stands, with what was answered; see `files.proposal`.
    buttons : dict of (key, field) to widget
        Of each question that stands in the form.
    """

    def __init__(self, path, zone=None, sun=None):
        self.path, self.said, self.buttons, self._asked, self._all = Path(path), "", {}, {}, False
        self.proposal = propose(path, zone, sun)
        self._head, self._known, self.answered = (widgets.HTML() for _ in range(3))
        self.answered.add_class("sl-view")
        self._questions = widgets.VBox(layout=widgets.Layout(max_height="260px", overflow="auto"))
        self._questions.add_class("sl-question")
        change, read_it, save = (widgets.Button(description=_WORDS[key]) for key in ("change", "read", "save"))
        change.on_click(lambda _: self.ask_all())
        read_it.on_click(lambda _: self.read())
        save.on_click(lambda _: self.save())
        self.box = widgets.VBox(
            [self._head, self._questions, self._known, widgets.HBox([change, read_it, save]), self.answered]
        )
        self.box.add_class("sl-panel")
        first = pd.DataFrame(self.proposal.layout.sample[:FIRST_ROWS]).rename(columns=self.proposal.layout.name)
        table = first.iloc[:, :FIRST_COLUMNS].to_html(index=False, border=0)
        self._head.value = f"{STYLE}<h3>{escape(self.path.name)}</h3>{table}"
        self._show()

    def _show(self):
        points = [point for point in self.proposal.points.values() if point.state == "open" or len(point.answers) != 1]
        asked = [point for point in points if self._all or point.state in ("open", "answered")]
        self._questions.children = [self._question(point) for point in asked]
        known = (p for p in self.proposal.points.values() if p.value)
        told = (f"{p.question} {dict(p.answers).get(p.value, p.value)} {p.why and f'({p.why})'}" for p in known)
        lines = "".join(f"<li>{escape(line)}</li>" for line in told)
        toml = _PRE.format(escape(self.proposal.toml))
        self._known.value = f"<details><summary>{_WORDS['known']}</summary><ul>{lines}</ul>{toml}</details>{SPOKEN_DOT}"

    def _question(self, point):
        """Return the words of a point and its buttons; what stands there stays."""
        spot = point.key, point.field
        if spot not in self._asked:
            why = f" ({point.why})" if point.why else ""
            words = widgets.HTML(f"<p><b>{escape(point.question)}</b>{escape(why)}</p>")
            made = widgets.ToggleButtons() if point.answers else widgets.Text(continuous_update=False)
            self.buttons[spot] = made
            self._asked[spot] = widgets.VBox([words, made], layout=widgets.Layout(flex="none"))  # never squeezed
        made = self.buttons[spot]
        made.unobserve_all("value")
        if point.answers:
            made.options = [(said, value) for value, said in point.answers]
        made.value = point.value if point.answers else point.value or ""
        made.observe(lambda change: self.answer(*spot, change["new"]), names="value")
        return self._asked[spot]

    def answer(self, key, field, value):
        """Answer one question, as its button does, and return the form."""
        if value is not None:
            self.proposal = self.proposal.answered(key, value, field)
            self._show()
        return self

    def ask_all(self):
        """Ask for what is proved or proposed as well, so that it can be changed; or no longer."""
        self._all = not self._all
        self._show()

    @property
    def still_open(self):
        """What must still be answered, in plain words."""
        return [point.question for point in self.proposal.open]

    @property
    def left(self):
        """The same in one sentence."""
        return _WORDS["left"].format(questions=" ".join(self.still_open)) if self.still_open else _WORDS["none_left"]

    def read(self):
        """Read the file with the mapping as it is; return the account, or what is wrong, in words."""
        try:
            return self._say(self.left if self.still_open else str(read(self.path, self.proposal.toml).account))
        except InputError as error:
            return self._say(str(error))

    def save(self):
        """Write the mapping beside the file, never over another one; return a sentence that says what was done."""
        target, text = self.path.with_suffix(".toml"), f"form = {FORM}\n{self.proposal.toml}"
        there = target.exists() and target.read_text(encoding="utf-8-sig") != text
        try:
            refuse_if(there, "another_mapping", self.path.name, name=target.name)
            if not self.still_open:
                write_whole(target, text)
        except InputError as error:
            return self._say(str(error))
        return self._say(self.left if self.still_open else _WORDS["saved"].format(name=target.name))

    def _say(self, words):
        self.said, self.answered.value = words, f'<div role="status">{_PRE.format(escape(words))}</div>'
        return words

    def _repr_mimebundle_(self, include=None, exclude=None):
        return bundle(self, _WORDS["alone"].format(name=self.path.name, left=self.left, toml=self.proposal.toml))
