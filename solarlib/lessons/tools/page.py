"""One printable page: sections with words, tables and pictures in a single HTML file that needs no network.

Every section is there, or says why it is not. Pictures are inside the file (data URIs) with their caption as
alternative text. The page forbids itself every connection.
"""

import base64
from dataclasses import dataclass
from pathlib import Path

import pandas as pd
from jinja2 import Environment, FileSystemLoader

from solarlib.quantities import InputError, refuse_if, unsigned_zero

UNITS = {"kwh": "kWh", "kw": "kW", "w": "W", "h": "h", "percent": "%", "usd": "$"}  # last word of a column's name


@dataclass(frozen=True)
class Section:
    """One part of a report.

    Attributes
    ----------
    title : str
    lines : tuple of str
        Sentences.
    tables : tuple of (str, DataFrame)
        Caption and cells, which are shown as they are: round them before.
    pictures : tuple of (bytes, str)
        PNG and caption.
    cautions : tuple of str
    missing : tuple of str
        What could not be determined, and what is needed for it.
    """

    title: str
    lines: tuple = ()
    tables: tuple = ()
    pictures: tuple = ()
    cautions: tuple = ()
    missing: tuple = ()

    def __post_init__(self):
        something = self.lines or self.tables or self.pictures or self.missing
        refuse_if(not something, "nothing_in_section", f"section {self.title!r}")


def section_or_reason(title, make, *arguments):
    """Return ``make(title, *arguments)``, or a section that says why it cannot be made.

    Only an `InputError` is a reason; any other error is a fault of the program and is raised.
    """
    try:
        return make(title, *arguments)
    except InputError as error:
        return Section(title, missing=(str(error),))


def heading(name):
    """Return a column's name in words, e.g. ``delivered (kWh)`` for ``delivered_kwh``."""
    words, _, last = str(name).rpartition("_")
    return f"{words} ({UNITS[last]})".replace("_", " ") if words and last in UNITS else str(name).replace("_", " ")


def is_words(cell):
    """Tell whether a cell holds words, which stand left and may break; numbers, dates and shares stand right."""
    return isinstance(cell, str) and any(letter.isalpha() for letter in cell)


def shown(cell):
    """Return a cell's text."""
    return "not known" if pd.isna(cell) else str(cell)


def page(title, sections):
    """Return the whole report as HTML text, made by the template ``page.html.j2`` beside this module.

    Parameters
    ----------
    title : str
    sections : sequence of Section
        The gaps of all of them are gathered once more at the end.
    """
    folder = FileSystemLoader(Path(__file__).parent, encoding="utf-8")
    templates = Environment(loader=folder, autoescape=True, trim_blocks=True, lstrip_blocks=True)
    templates.filters |= {"heading": heading, "shown": shown}
    templates.filters["base64"] = lambda data: base64.b64encode(data).decode("ascii")
    templates.tests["words"] = is_words
    text = templates.get_template("page.html.j2").render(title=title, sections=sections)
    return unsigned_zero(text) + "\n"
