"""Cells to numbers: signs, decimal commas, grouped thousands; whatever is no number stays apart from what is empty."""

import re
from functools import lru_cache

import numpy as np

LARGEST = 1e15  # no meter shows more; such a text is a damaged cell
EMPTY_WORDS = ("", "-", "--", "nan", "na", "n/a", "null", "none", "#n/a")


def numbers(block, start, end, encoding, decimal=".", thousands=""):
    """Return the numbers in cells, and which cells are empty.

    Parameters
    ----------
    block : Block
    start, end : ndarray of int
        Where each cell stands in the block.
    decimal : str
        ``"."`` or ``","``.
    thousands : str
        Mark between groups of three digits, or empty; a blank stands for every kind of blank, and for an apostrophe
        nothing else does.

    Returns
    -------
    ndarray of float, ndarray of bool
        NaN where a cell holds no number; True where it holds nothing (or a word such as NaN).
    """
    count = len(start)
    length = end - start
    mantissa, places = np.zeros(count), np.zeros(count, np.int64)
    digits, points = np.zeros(count, np.int64), np.zeros(count, np.int64)
    fine = (length > 0) & (length <= 17)
    last = len(block.data) - 1
    first = block.data[np.minimum(start, last)]
    signed = (first == 45) | (first == 43)
    at = start + signed
    for _ in range(int(np.minimum(length, 17).max(initial=0))):
        inside = at < end
        byte = block.data[np.minimum(at, last)]
        digit = byte - 48  # unsigned: everything that is no digit lands above 9
        is_digit = (digit < 10) & inside
        is_point = (byte == ord(decimal)) & inside
        fine &= is_digit | is_point | ~inside
        mantissa = np.where(is_digit, mantissa * 10 + digit, mantissa)
        digits += is_digit
        places += is_digit & (points > 0)
        points += is_point
        at = at + 1
    fine &= (points <= 1) & (digits > 0) & (digits <= 15)  # 15 digits and a power of ten divide to the nearest float
    values = np.where(fine, mantissa / 10.0**places, np.nan)
    values = np.where((first == 45) & fine, -values, values)
    empty = length <= 0
    odd = np.flatnonzero(~fine & ~empty)
    for row, text in zip(odd.tolist(), block.texts(start[odd], end[odd], encoding) if odd.size else ()):
        value = number(text, decimal, thousands)
        empty[row] = value is None
        values[row] = np.nan if value is None else value
    return values, empty


@lru_cache(maxsize=8)
def _grammar(decimal, thousands):
    mark = r"[ \u00a0\u202f\u2009]" if thousands == " " else re.escape(thousands)
    whole = rf"\d{{1,3}}(?:{mark}\d{{3}})+|\d+" if thousands else r"\d+"
    return re.compile(
        rf"([-+\u2212]?)((?:{whole})?)(?:{re.escape(decimal)}(\d*))?(?:[eE]([-+]?\d{{1,3}}))?", re.ASCII
    ), mark


def number(text, decimal=".", thousands=""):
    """Return the number a text holds, NaN if it is another text, None if it stands for nothing."""
    text = text.strip()
    if text.casefold() in EMPTY_WORDS:
        return None
    grammar, mark = _grammar(decimal, thousands)
    match = grammar.fullmatch(text)
    if match is None or not (match[2] or match[3]):
        return np.nan
    whole = re.sub(mark, "", match[2]) if thousands else match[2]
    value = float(f"{whole or 0}.{match[3] or 0}e{match[4] or 0}")
    return np.nan if value > LARGEST else -value if match[1] in ("-", "\u2212") else value


def number_marks(texts):
    """Tell how numbers are written: (decimal, thousands, proved).

    ``proved`` is False where every separator could be either, as in 1,234.
    """
    decimal, thousands, doubtful = set(), set(), set()
    for text in texts:
        body = text.strip().lstrip("+-\u2212")
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
