"""A first mapping for an unknown file, from its first rows: what is certain, and what a person must confirm."""

import re
from collections import Counter
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from solarlib.files import dates
from solarlib.files.dates import MISSING, ORDERS, TIME_LOOKS, DateOrder, looks_like_time, text_matrix, time_places
from solarlib.files.mapping import FILE_UNITS, QUANTITY_UNITS, UNIT_WORDS
from solarlib.files.numbers import as_numbers, number_marks
from solarlib.files.table import plain, sniff
from solarlib.files.texts import TEXTS, told
from solarlib.quantities import InputError, texts_beside

_WORDS = texts_beside(__file__, "words")
_NEUTRAL = {*_WORDS["neutral"].split(), *UNIT_WORDS}
_KNOWN = {words: quantity for quantity, text in _WORDS["quantities"].items() for words in re.split(r"[|\n]", text)}
EVEN_WITHIN = 0.15  # of the middle step: months of 28 to 31 days, read a day or two early or late
CLEARLY_FEWER = 2  # uneven steps under one order than under the other
LEAST_RISING = 6  # numbers that must rise for a register
_MARKS = str.maketrans("", "", ",. '")


@dataclass(frozen=True)
class Suggestion:
    """``toml``: a mapping to copy and correct; ``certain``, ``confirm``: sentences."""

    toml: str
    certain: tuple
    confirm: tuple

    def __str__(self):
        certain, confirm = ([f"- {line}" for line in lines] for lines in (self.certain, self.confirm))
        return "\n".join([self.toml, "Certain:", *certain, "To confirm:", *confirm])


def suggest_mapping(path: str | Path, zone: str | None = None) -> Suggestion:
    """Look at the first rows of a file and propose how to read it.

    Parameters
    ----------
    path : path
    zone : str, optional
        Time zone of the house.

    Returns
    -------
    Suggestion
        Its ``toml`` needs the lines that ``confirm`` names to be looked at; a key that must be set and is not known
        stands there behind a ``#``.

    Raises
    ------
    InputError
        No table with a date is found.
    """
    try:
        layout, is_time = sniff(path, is_time=time_places), looks_like_time
    except InputError:
        layout, is_time = sniff(path, is_time=lambda row: any(map(TIME_LOOKS["unix"], row))), TIME_LOOKS["unix"]
    texts = list(zip(*layout.sample))
    times = _time_columns(texts, is_time)
    values = [place for place, column in enumerate(texts) if place not in times and _share_numbers(column) > 0.5]
    marks = number_marks([text for place in values for text in texts[place]])
    guesses = Counter(quantity for title in layout.names if (quantity := _guess(title)) not in (None, "neighbour"))
    twice = [quantity for quantity, count in guesses.items() if count > 1]
    parts = [
        _Part(certain=(told("cut_for_certain", delimiter=layout.delimiter, encoding=layout.encoding),)),
        *_of_times(layout, times, texts, is_time, zone),
        _of_marks(*marks),
        *(_of_column(layout, place, texts[place], marks, twice) for place in values),
    ]
    if not values:
        parts.append(_Part(confirm=(told("no_numbers"),)))
    certain, confirm = (tuple(said for part in parts for said in getattr(part, key)) for key in ("certain", "confirm"))
    return Suggestion("\n".join(line for part in parts for line in part.lines) + "\n", certain, confirm)


@dataclass(frozen=True)
class _Part:
    """What one look at a file gives: lines of the mapping, what is certain, what is to confirm."""

    lines: tuple = ()
    certain: tuple = ()
    confirm: tuple = ()


def _time_columns(texts, is_time):
    """Return the places of the time, or of date and time of day that stand beside each other."""
    shares = [np.mean([is_time(text) for text in column]) for column in texts]
    place = int(np.argmax([share > 0.5 for share in shares]))
    here, beside = texts[place], texts[place + 1] if place + 1 < len(texts) else ()
    dates = shares[place] > 0.5 and not any(":" in text for text in here[:50])
    if dates and any(":" in text for text in beside):
        if np.mean([is_time(f"{date} {clock}") for date, clock in zip(here, beside)]) > 0.5:
            return [place, place + 1]
    return [place]


def _of_times(layout, times, texts, is_time, zone):
    """Yield what is found about the time: its columns, the order of its dates, its zone, its label."""
    names = [_name(layout, place) for place in times]
    yield _Part((f"time = {names[0] if len(names) == 1 else '[' + ', '.join(names) + ']'}",))
    if is_time is not looks_like_time:
        yield _Part(('date_order = "unix"',), confirm=(told("unix"),))
    else:
        stamps = [" ".join(row) for row in zip(*(texts[place] for place in times))]
        walls, offset = dates.moments(text_matrix(stamps))
        yield _of_order(stamps, walls)
        if (offset == MISSING).any():
            line = f"zone = {quoted(zone)}" if zone else '# zone = "America/New_York"'
            yield _Part((line,), confirm=(told("which_zone"),))
    yield _Part(confirm=(told("which_end"),))


def _of_order(stamps, walls):
    """Say in which order dates are written, as far as the first rows prove it."""
    order = DateOrder()
    order.look(walls, np.arange(1, len(stamps) + 1))
    left = {name: wall for name, wall, against in zip(ORDERS, walls, order.against) if not against}
    if not left:
        return _Part((_choice("date_order", ORDERS),), confirm=(told("mixed_orders"),))
    if len(left) == 1 or not order.differ:
        return _Part(certain=(told("order", order=TEXTS["order_names"][next(iter(left))]),))
    asked = told("two_orders", text=stamps[order.differ - 1], ways=" or ".join(left), spacings=_spacings(left))
    return _Part((_choice("date_order", left),), confirm=(asked,))


def _choice(key, options):
    return f"# {key} = " + " or ".join(quoted(option) for option in options)


def _spacings(walls):
    """Say how far rows stand apart under each order, and which alone makes them clearly more even, if one does."""
    steps = {order: np.diff(wall[wall != MISSING]) for order, wall in walls.items()}
    if min(map(len, steps.values())) < 2:
        return ""
    said, odd = [], {}
    for order, step in steps.items():
        middle = float(np.median(step))
        odd[order] = int((np.abs(step - middle) > EVEN_WITHIN * abs(middle)).sum())
        facts = {"order": order, "even": len(step) - odd[order], "all": len(step), "length": _length(middle)}
        said.append(told("steps" if 2 * odd[order] < len(step) else "uneven", **facts))
    best, second = sorted(odd, key=odd.get)[:2]
    if odd[second] - odd[best] >= CLEARLY_FEWER:
        said.append(told("more_even", order=best))
    return f" ({'; '.join(said)})"


def _length(step):
    """Return a length [ns] in words."""
    for name, size in (("day", 86_400e9), ("hour", 3600e9), ("minute", 60e9), ("second", 1e9)):
        if abs(step) >= size or name == "second":
            return f"{abs(step) / size:.3g} {name}{'' if abs(step) == size else 's'}"


def _share_numbers(column):
    texts = (text.translate(_MARKS).lstrip("+-") for text in column)
    return np.mean([text.isascii() and text.isdigit() for text in texts])


def _of_marks(point, group, proved):
    """Say how numbers are written."""
    if not proved:
        return _Part((f'# decimal = "{point}"',), confirm=(told("which_marks"),))
    return _Part(certain=(f"decimals are written with {point!r}{f', thousands with {group!r}' if group else ''}",))


def _guess(title):
    """Return the quantity of which a title is the name, in any of the languages of ``words.toml``; else None."""
    title = re.sub(r"[\[(][^])]*[])]", "", dates.plain_letters(title).casefold())
    words = re.sub(r"[^a-z]+", " ", title).split()
    return _KNOWN.get(" ".join(word for word in words if word not in _NEUTRAL) or title)


def _of_column(layout, place, texts, marks, twice):
    """Propose what one column of numbers is: its quantity, unit and kind."""
    title = layout.names[place] if place < len(layout.names) else ""
    shown, word = title or f"column {place + 1}", plain(title)
    pieces = word.translate(str.maketrans("()[]_", "     ")).split()
    unit = next((UNIT_WORDS[text] for text in sorted(UNIT_WORDS, key=len, reverse=True) if text in pieces), None)
    able = [quantity for quantity, units in QUANTITY_UNITS.items() if unit is None or unit in units]
    hits = [_guess(title)] if _guess(title) in able and _guess(title) not in twice else []
    lines, confirm = ["", "[[column]]", f"name = {_name(layout, place)}"], []
    if hits or len(able) == 1:
        able, why = [(hits or able)[0]], "name" if hits else "unit"
        lines.append(f'quantity = "{able[0]}"')
        confirm.append(told("quantity", column=shown, quantity=able[0], why=why))
    else:
        lines.append('# quantity = "unsigned"' if "unsigned" in able else _choice("quantity", able))
        confirm.append(told("which_quantity", column=shown))
    units = [unit] if unit else QUANTITY_UNITS[able[0]]
    if unit:
        lines.append(f'unit = "{unit}"')
    else:
        lines.append(f'# unit = "{"kWh" if "kWh" in units else units[0]}"')
        confirm.append(told("which_unit", column=shown))
    if any(len(FILE_UNITS[one][2]) > 1 for one in units):
        kind, why = ("counter", "hardly ever fall") if _rises(texts, marks) else ("interval", "rise and fall")
        lines.append(f'kind = "{kind}"')
        confirm.append(told("kind", column=shown, kind=kind, why=why))
    if able == ["neighbour"]:
        confirm.append(told("roof", column=shown))
    return _Part(tuple(lines), confirm=tuple(confirm))


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
