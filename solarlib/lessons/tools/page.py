"""One printable page: a first sheet and sections, in a single HTML file that needs no network.

Every section is there, or says why it is not. Pictures are inside the file (data URIs). All texts and numbers pass
through `plain`, so that they have one form. The page forbids itself every connection.
"""

import base64
import re
from dataclasses import dataclass
from pathlib import Path

import pandas as pd
from jinja2 import Environment, FileSystemLoader
from markupsafe import Markup

from solarlib.quantities import InputError, day_words, in_form, refuse_if

# Last word of a column's name; what is not its name in words.
UNITS = {"kwh": "kWh", "kw": "kW", "w": "W", "h": "kWh/kW", "c": "°C", "m2": "W/m²", "percent": "%", "usd": "$"}
WORDS = {"unsigned": "reading without direction", "light_w": "light", "neighbour_ratio": "ratio to similar systems"}
FORMS = (  # beside `in_form`: of a date or a column's name in a text, and how it is written
    (r"(\d{4}-\d\d-\d\d \d\d:\d\d):\d\d(?:[+-]\d\d:\d\d)?", r"\1"),
    (r"\b(?<!\.)([a-z]\w*_(?:kwh|kw|w|h|c|m2|percent|usd))\b(?!\.\w)", lambda found: heading(found[1])),
    (r"(?<=\d) %", "\u00a0%"),
    (r"(?<![\w.,;:'−-])\d{4,}(?= (?:W|kW|kWh|rows|samples|values|days)\b)", lambda found: f"{int(found[0]):,}"),
)


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
    alt : str
        What the pictures show, where the caption tells what is seen in them.
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
    alt: str = ""

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
    return (
        f"{WORDS.get(words, words)} ({UNITS[last]})".replace("_", " ")
        if words and last in UNITS
        else str(name).replace("_", " ")
    )


def plain(text):
    """Return a text with its numbers, dates and names of columns in the form of the page; other things unchanged."""
    if not isinstance(text, str) or isinstance(text, Markup):
        return text
    text = in_form(text)
    for found, form in FORMS:
        text = re.sub(found, form, text)
    return text


def is_words(cell):
    """Tell whether a cell holds words, which stand left and may break; numbers, dates and shares stand right."""
    return isinstance(cell, str) and any(letter.isalpha() for letter in cell)


def shown(cell):
    """Return a cell's text: a day as people write it; a number that was rounded before with thousands."""
    if pd.isna(cell):
        return "not known"
    if isinstance(cell, str) and re.fullmatch(r"\d{4}-\d\d-\d\d", cell):
        return day_words(pd.Timestamp(cell))
    return f"{cell:,}" if isinstance(cell, (int, float)) and not isinstance(cell, bool) else str(cell)


def page(title, sections, first=None):
    """Return the whole report as HTML text, made by the template ``page.html.j2`` beside this module.

    Parameters
    ----------
    title : str
    sections : sequence of Section
        The gaps of all of them are gathered once more at the end.
    first : Section, optional
        The first sheet, which leads to the others.
    """
    folder = FileSystemLoader(Path(__file__).parent, encoding="utf-8")
    templates = Environment(loader=folder, autoescape=True, trim_blocks=True, lstrip_blocks=True, finalize=plain)
    templates.filters |= {"heading": heading, "shown": shown}
    templates.filters["base64"] = lambda data: Markup(base64.b64encode(data).decode("ascii"))
    templates.tests["words"] = is_words
    return templates.get_template("page.html.j2").render(title=title, sections=sections, first=first) + "\n"
