"""A first mapping for an unknown file, from its first rows: what it leaves open stands behind a #."""

import re
from collections import Counter
from pathlib import Path

import numpy as np

from solarlib.files import dates
from solarlib.files.dates import MISSING, ORDERS, TIME_LOOKS, DateOrder, looks_like_time, text_matrix, time_places
from solarlib.files.mapping import FILE_UNITS, QUANTITY_UNITS, UNIT_WORDS
from solarlib.files.numbers import as_numbers, number_marks
from solarlib.files.table import plain, sniff
from solarlib.quantities import InputError, texts_beside

_WORDS = texts_beside(__file__, "words")
_NEUTRAL = {*_WORDS["neutral"].split(), *UNIT_WORDS}
_KNOWN = {words: quantity for quantity, text in _WORDS["quantities"].items() for words in re.split(r"[|\n]", text)}
LEAST_RISING = 6  # numbers that must rise for a register
_MARKS = str.maketrans("", "", ",. '")


def suggest_mapping(path: str | Path, zone: str | None = None) -> str:
    """Look at the first rows of a file and propose how to read it.

    Parameters
    ----------
    path : path
    zone : str, optional
        Time zone of the house.

    Returns
    -------
    str
        A mapping in TOML, to be looked at; a key that must be set and is not known stands there behind a ``#``.

    Raises
    ------
    InputError
        No table with a date is found.
    """
    try:
        layout, looks = sniff(path, is_time=time_places), looks_like_time
    except InputError:
        looks = TIME_LOOKS["unix"]
        layout = sniff(path, is_time=lambda row: time_places(row, looks))
    texts = list(zip(*layout.sample))
    (times, _), *_ = Counter(time_places(row, looks) for row in layout.sample).most_common(1)
    values = [place for place, column in enumerate(texts) if place not in times and _share_numbers(column) > 0.5]
    marks = number_marks([text for place in values for text in texts[place]])
    guesses = Counter(quantity for title in layout.names if (quantity := _guess(title)) not in (None, "neighbour"))
    twice = [quantity for quantity, count in guesses.items() if count > 1]
    lines = _of_times(layout, times, texts, looks, zone) + ([] if marks[2] else [f'# decimal = "{marks[0]}"'])
    lines += [line for place in values for line in _of_column(layout, place, texts[place], marks, twice)]
    return "\n".join(lines) + "\n"


def _of_times(layout, times, texts, looks, zone):
    """Return lines for the time: its columns, the order of its dates where the first rows leave it open, its zone."""
    names = [_name(layout, place) for place in times]
    lines = [f"time = {names[0] if len(names) == 1 else '[' + ', '.join(names) + ']'}"]
    if looks is not looks_like_time:
        return [*lines, 'date_order = "unix"']
    stamps, order = dates.joined_stamps([texts[place] for place in times]), DateOrder()
    walls, offset = dates.moments(text_matrix(stamps))
    order.look(walls, np.arange(1, len(stamps) + 1))
    left = [name for name, against in zip(ORDERS, order.against) if not against]
    lines += [] if len(left) == 1 or left and not order.differ else [_choice("date_order", left or ORDERS)]
    return lines + ([f"zone = {quoted(zone)}" if zone else '# zone = "America/New_York"'] if MISSING in offset else [])


def _choice(key, options):
    return f"# {key} = " + " or ".join(quoted(option) for option in options)


def _share_numbers(column):
    texts = (text.translate(_MARKS).lstrip("+-") for text in column)
    return np.mean([text.isascii() and text.isdigit() for text in texts])


def _guess(title):
    """Return the quantity of which a title is the name, in any of the languages of ``words.toml``; else None."""
    title = re.sub(r"[\[(][^])]*[])]", "", dates.plain_letters(title).casefold())
    words = re.sub(r"[^a-z]+", " ", title).split()
    return _KNOWN.get(" ".join(word for word in words if word not in _NEUTRAL) or title)


def _of_column(layout, place, texts, marks, twice):
    """Return lines for one column of numbers: its quantity, unit and kind."""
    title = layout.names[place] if place < len(layout.names) else ""
    pieces = plain(title).translate(str.maketrans("()[]_", "     ")).split()
    unit = next((UNIT_WORDS[text] for text in sorted(UNIT_WORDS, key=len, reverse=True) if text in pieces), None)
    able = [quantity for quantity, units in QUANTITY_UNITS.items() if unit is None or unit in units]
    able = [_guess(title)] if _guess(title) in able and _guess(title) not in twice else able
    open_ = '# quantity = "unsigned"' if "unsigned" in able else _choice("quantity", able)
    units = [unit] if unit else QUANTITY_UNITS[able[0]]
    lines = ["", "[[column]]", f"name = {_name(layout, place)}"]
    lines.append(f'quantity = "{able[0]}"' if len(able) == 1 else open_)
    lines.append(f'unit = "{unit}"' if unit else f'# unit = "{"kWh" if "kWh" in units else units[0]}"')
    if any(len(FILE_UNITS[one][2]) > 1 for one in units):
        lines.append(f'kind = "{"counter" if _rises(texts, marks) else "interval"}"')
    return lines


def _rises(texts, marks):
    """Tell whether numbers are a register's: they rise nearly always, and by little beside what it shows."""
    values, _ = as_numbers(texts, *marks[:2])
    values = values[np.isfinite(values)]
    steps = np.diff(values)
    if len(values) < LEAST_RISING or not steps.any() or np.median(values) <= 10 * np.median(np.abs(steps)):
        return False
    return (steps >= 0).mean() > 0.97 or ((steps < 0).sum() <= 2 and (steps >= 0).mean() > 0.7)


def _name(layout, place):
    """Return how the mapping names a column: by its title where no other has it, else by its number."""
    title = layout.names[place] if place < len(layout.names) else ""
    unique = [plain(name) for name in layout.names].count(plain(title)) == 1
    return quoted(title) if title and unique else str(place + 1)


def quoted(text: str) -> str:
    """Return a text as TOML writes it."""
    safe = text.replace("\\", "\\\\").replace('"', '\\"')
    return '"' + "".join(c if c.isprintable() else f"\\u{ord(c):04x}" for c in safe) + '"'
