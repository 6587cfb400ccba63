"""Find every panel of every lesson by itself: run the code cells of the notebooks here and keep what they make."""

import ast
import contextlib
import os
import re
import warnings
from pathlib import Path

import nbformat

from solarlib.lessons.tools import panel as explore
from solarlib.lessons.tools.field import Field

NOTEBOOKS = sorted((Path(__file__).resolve().parents[1] / "notebooks").glob("[0-9]*.ipynb"))


@contextlib.contextmanager
def working_directory(folder):
    """Work in a folder, as a notebook's kernel does."""
    before = Path.cwd()
    os.chdir(folder)
    try:
        yield
    finally:
        os.chdir(before)


def run_cell(source, names, name):
    """Run a cell as a notebook would: the value of a last expression is displayed."""
    tree = ast.parse(source, name)
    last = tree.body.pop() if tree.body and isinstance(tree.body[-1], ast.Expr) else None
    exec(compile(tree, name, "exec"), names)
    if last is None:
        return None
    return eval(compile(ast.Expression(last.value), name, "eval"), names)


@contextlib.contextmanager
def recorded(note):
    """Call ``note`` with each panel that is made inside."""

    class Recorded(explore.Panel):
        def __init__(self, *arguments, **keywords):
            super().__init__(*arguments, **keywords)
            note(self)

    original, explore.Panel = explore.Panel, Recorded
    try:
        yield
    finally:
        explore.Panel = original


def of_house(source, path):
    """Return a cell with its house read from `path` and its blanks filled in."""
    source = source.replace('read_house("two-storey")', f"read_house({str(path)!r})")
    source = source.replace("days = (None, None)", 'days = ("2026-03-04", "2026-04-02")')
    return re.sub(r"^(delivered|received) = \(None, None\)", r"\1 = (100, 400)", source, flags=re.MULTILINE)


def answered(shown):
    """Type an answer into each field of what a cell shows, if it is one: 1, or the first word on offer."""
    if isinstance(shown, Field):
        for part, widget in shown.widgets.items():
            words = list(getattr(widget, "options", ())) or widget.placeholder.split(", ")
            shown.type(**{part: words[0] or "1"}) if part else shown.type(words[0] or "1")
    return shown


def panels_of(path):
    """Return [(cell number, Panel)] of a notebook, in order; no cell may fail or warn."""
    made, names = [], {"__name__": "__main__"}
    with (
        recorded(lambda panel: made.append((index + 1, panel))),
        working_directory(path.parent),
        warnings.catch_warnings(),
    ):
        warnings.simplefilter("error")
        for index, cell in enumerate(nbformat.read(path, as_version=4).cells):
            if cell.cell_type == "code":
                shown = run_cell(cell.source, names, f"{path.name}, cell {index + 1}")
                if hasattr(shown, "_repr_mimebundle_"):
                    shown._repr_mimebundle_()
    return made


def fields_of(path):
    """Return [(cell number, Field)] of a notebook, in order."""
    made, names = [], {"__name__": "__main__"}
    with working_directory(path.parent):
        for index, cell in enumerate(nbformat.read(path, as_version=4).cells):
            if cell.cell_type == "code":
                shown = run_cell(cell.source, names, f"{path.name}, cell {index + 1}")
                made += [(index + 1, shown)] if isinstance(shown, Field) else []
    return made


def columns(filled):
    """Return (left, low, high) of the boxes of one filled artist; see `figures.move_boxes`."""
    points = filled.get_paths()[0].vertices
    count = (len(points) - 3) // 2  # out along the low edge and back along the high one, closed
    low, high = points[1 : count + 1], points[count + 2 : -1][::-1]
    return low[::4, 0], low[1::4, 1], high[1::4, 1]


def css_pixels(points):
    """Return the size of a figure's text in CSS pixels as shown, 100 an inch. [points -> px]"""
    return points / 72.0 * 100.0
