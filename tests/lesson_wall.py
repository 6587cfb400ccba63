"""A lesson run on any house file: every panel, every control at its ends, and every text that a reader then sees."""

import contextlib
import io
import re
import warnings

import matplotlib
import nbformat

from lesson_panels import NOTEBOOKS, answered, of_house, recorded, run_cell, working_directory
from solarlib.lessons.tools.field import Field

THINGS = "modules|units|converters|years|months|days|hours|bills|planes|rows|pictures|tables"
BAD = {
    "a number that is none": r"(?<![\w-])(?:[-−+]?(?i:nan|inf|infinity|nat)|None(?! of ))(?![\w-])",
    "a zero with a sign": r"(?<![\w.,])[-−]\s?[$]?0(?:[.,]0+)?(?![\d.,]*\d)",
    "a number of a computer": r"\d[eE][-+]?\d\d?(?!\w)|\d\.\d{7}",
    "one of many": rf"(?<![\d.,/×])\b1 +(?:{THINGS})\b",
    "a hole": r"(?<!\n {2})\(\s*\)|\(\s*[,;]|[,;:]\s*(?:\.(?!\.)|\))|(?<!\.)\.\.(?!\.)|\{\w*\}|\w\s,",
    "a text cut off": r"\w\.\.\.\s*(?:\n|$)",
    "the name of a thing": r"<[\w.]+ object|\bdtype|Timedelta|\bnp\.",
}
UNANSWERED = re.compile(r"in place of None")


def bad_words(text):
    """Yield the kinds of words in a text that no reader should see."""
    for kind, pattern in BAD.items():
        if re.search(pattern, UNANSWERED.sub("", text)):
            yield kind


def settings_of(panel, each):
    """Yield the settings of a sweep: the start, with `each` every control at its ends, all of them together."""
    controls = panel.controls
    start = {name: control.value for name, control in controls.items()}
    yield start
    for name, control in controls.items() if each else ():
        for value in {control.extremes[0], control.extremes[-1]} - {control.value}:
            yield start | {name: value}
    if len(controls) > 1 or controls and not each:
        for end in (0, -1):
            yield {name: control.extremes[end] for name, control in controls.items()}


class Run:
    """What a lesson made of a house: its names, its panels as (cell, Panel), its texts as (where, text)."""

    def __init__(self, notebook, path, each=True):
        self.each = each
        self.names, self.panels, self.texts, self.errors = {"__name__": "__main__"}, [], [], []
        with (
            recorded(lambda panel: self.panels.append((self.cell, panel))),
            working_directory(notebook.parent),
            warnings.catch_warnings(),
        ):
            warnings.simplefilter("error")
            for index, cell in enumerate(nbformat.read(notebook, as_version=4).cells):
                if cell.cell_type == "code":
                    self.cell = index + 1
                    self._run(of_house(cell.source, path), f"{notebook.name}, cell {index + 1}")
            for number, panel in self.panels:
                self._sweep(number, panel)

    def _run(self, source, name):
        printed = io.StringIO()
        with contextlib.redirect_stdout(printed):
            shown = answered(run_cell(source, self.names, name))
        told = shown._repr_mimebundle_() if hasattr(shown, "_repr_mimebundle_") else None
        plain = (told[0] if isinstance(told, tuple) else told or {}).get("text/plain", "" if told else repr(shown))
        out = re.sub(r"<\S+Progress object at \w+>\n", "", printed.getvalue())  # a bar that only a kernel shows
        texts = out, plain, str(shown.result) if isinstance(shown, Field) else ""
        self.texts += [(f"cell {self.cell}", text) for text in texts if text and text != "None"]

    def _sweep(self, number, panel):
        for setting in settings_of(panel, self.each):
            panel.set(**setting)
            where = f"cell {number}, {setting}"
            if panel.error is not None:
                self.errors.append((where, repr(panel.error)))
                continue
            self.texts.append((where, panel.caption))
            for text in panel.picture.figure.findobj(matplotlib.text.Text):
                if text.get_visible() and text.get_text().strip():
                    self.texts.append((f"{where}, in the picture", text.get_text()))

    def faults(self):
        """Yield (kind, where, text) of each text that no reader should see."""
        for where, reason in self.errors:
            yield "an error", where, reason
        for where, text in self.texts:
            for kind in bad_words(text):
                yield kind, where, text


def notebook_of(number):
    (found,) = (path for path in NOTEBOOKS if path.name.startswith(number))
    return found
