"""Cells to numbers: signs, decimal commas, grouped thousands; whatever is no number stays apart from what is empty."""

import re
from functools import lru_cache
from itertools import islice

import numpy as np
import pandas as pd

from solarlib.files.mapping import FILE_UNITS, UNIT_WORDS
from solarlib.quantities import refuse_if

MARKED_TEXTS = 2000  # with a mark, looked at in one block to tell decimals from thousands
LARGEST_NUMBER = 1e15  # no meter shows more; such a text is a damaged cell
NUMBER_LIKE = re.compile(r" *[-+(]?[\d.,' \u00a0\u202f\u2009]*\d[eE\d+-]*\)? ?(?:[kM]?[Ww]h?)? *")
_MARKED = re.compile(r"\d[.,'\u2019\u02bc\u00b4`]|[.,]\d|\d[ \u00a0\u202f\u2009]\d")
_PLAIN = set("0123456789+-.\n")  # numbers of these characters alone mean to Python what they mean to everybody
MARKS = str.maketrans(dict.fromkeys("\u2019\u02bc\u00b4`", "'") | {"\u2212": "-"})  # as they are typed
EMPTY_WORDS = ("", "-", "--", "nan", "na", "n/a", "null", "none", "#n/a")


def as_numbers(texts, decimal, thousands, unit=None):
    """Return the numbers in texts, and which texts stand for nothing.

    Parameters
    ----------
    texts : list of str
    decimal : str
        ``"."`` or ``","``.
    thousands : str
        Mark between groups of three digits, or empty; a blank stands for every kind of blank, and for an apostrophe
        nothing else does.
    unit : str, optional
        Of the column; a cell may name it, or another of its kind.

    Returns
    -------
    ndarray of float, ndarray of bool
        NaN where a text holds no number; True where it holds nothing (or a word such as NaN).
    """
    text = "\n".join(texts)
    plain = text.replace(decimal, ".") if decimal == "." or "." not in text else ""
    if plain and set(plain) <= _PLAIN:
        try:
            values = np.array([float(text) for text in plain.split("\n")])
        except ValueError:
            values = np.array([np.inf])
        if np.abs(values).max() <= LARGEST_NUMBER:
            return values, np.zeros(len(values), bool)
    at, single = pd.factorize(np.array(texts, object))
    read = [as_number(text, decimal, thousands, unit) for text in single]
    return np.array(read, float)[at], np.array([value is None for value in read], bool)[at]


@lru_cache(maxsize=8)
def _grammar(decimal, thousands):
    mark = r"[ \u00a0\u202f\u2009]" if thousands == " " else re.escape(thousands)
    whole = rf"\d{{1,3}}(?:{mark}\d{{3}})+|\d+" if thousands else r"\d+"
    number = rf"([-+]?)((?:{whole})?)(?:{re.escape(decimal)}(\d*))?(?:[eE]([-+]?\d{{1,3}}))?(-?)"
    return re.compile(rf"(\()?{number}(?(1)\)) ?([a-z].*)?", re.ASCII | re.IGNORECASE), mark


def as_number(text, decimal=".", thousands="", unit=None):
    """Return the number a text holds, NaN if it is another text, None if it stands for nothing.

    A sign may stand behind it; brackets are a minus, as in accounts. A unit behind it is that of the column, or one
    that tells the same quantity.
    """
    text = text.strip().translate(MARKS)
    if text.casefold() in EMPTY_WORDS:
        return None
    grammar, mark = _grammar(decimal, thousands)
    match = grammar.fullmatch(text)
    if match is None or not (match[3] or match[4]) or sum(map(bool, match.group(1, 2, 6))) > 1:
        return np.nan
    whole = re.sub(mark, "", match[3]) if thousands else match[3]
    value = float(f"{whole or 0}.{match[4] or 0}e{match[5] or 0}")
    if match[7]:
        told, own = (FILE_UNITS.get(UNIT_WORDS.get(str(one).casefold()), (0, None)) for one in (match[7], unit))
        value = value * told[0] / own[0] if told[1] == own[1] and own[0] else np.inf
    return np.nan if value > LARGEST_NUMBER else -value if "-" in (match[2], match[6]) or match[1] else value


def number_marks(texts):
    """Tell how numbers are written: (decimal, thousands, proved).

    ``proved`` is False where every separator could be either, as in 1,234.
    """
    decimal, thousands, doubtful = set(), set(), set()
    for text in texts:
        body = re.sub(r"^[-+(]+|[-)]?( ?[a-zA-Z].*)?$", "", text.strip().translate(MARKS))
        marks = re.findall(r"[.,' \u00a0\u202f]", body)
        if not re.fullmatch(r"[\d.,' \u00a0\u202f]*\d", body) or not marks:
            continue
        kinds = [" " if mark.isspace() else mark for mark in marks]
        if len(set(kinds)) > 1:
            thousands.add(kinds[0])
            decimal.add(kinds[-1])
        elif kinds[0] in "' " or len(kinds) > 1:
            thousands.add(kinds[0])
        elif re.fullmatch(r"[1-9]\d{0,2}[.,]\d{3}", body):
            doubtful.add(kinds[0])
        else:
            decimal.add(kinds[0])
    decimal, thousands = decimal & set(".,"), thousands - decimal
    if len(decimal) > 1 or len(thousands) > 1:
        return ".", "", False
    point = next(iter(decimal), "," if "." in thousands else ".")
    group = next(iter(thousands), "")
    proved = bool(decimal) or not doubtful or (doubtful == thousands)
    if decimal and doubtful - decimal and not thousands:
        group = next(iter(doubtful - decimal))
    return point, group, proved


class NumberMarks:
    """How a file writes its numbers: as given, or as the first texts that show a mark prove it.

    The first rows of a dark week may be bare zeros, so the question stays open until a mark is seen.
    """

    def __init__(self, where, decimal=None, thousands=None):
        self.where, self.group = where, thousands
        self.open = decimal is None
        self.decimal, self.thousands = decimal or ".", thousands or ""

    def look(self, texts):
        """Take in some texts.

        Raises
        ------
        InputError
            They show a mark that may stand before decimals or between thousands.
        """
        shown = (text for text in texts if not text.isdigit() and _MARKED.search(text)) if self.open else ()
        shown = [text for text in islice(shown, MARKED_TEXTS) if NUMBER_LIKE.fullmatch(text.translate(MARKS))]
        if not shown:
            return
        self.decimal, found, proved = number_marks(shown)
        refuse_if(not proved, "marks", self.where, text=shown[0])
        self.thousands, self.open = found if self.group is None else self.group, False

    def __str__(self):
        thousands = f", thousands with {self.thousands!r}" if self.thousands else ""
        return f"decimals written with {self.decimal!r}{thousands}"
