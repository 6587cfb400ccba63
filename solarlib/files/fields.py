"""What the headings of a table say, and its first rows: where its time stands, and which numbers a mapping can name."""

import re
from collections import Counter
from dataclasses import dataclass, replace

import numpy as np

from solarlib.files import dates
from solarlib.files.dates import TIME_LOOKS, looks_like_time, plain_letters, time_places
from solarlib.files.mapping import UNIT_WORDS
from solarlib.files.numbers import MARKS, NUMBER_LIKE
from solarlib.files.shapes import MOST_WORDS, mixed, rising_inside
from solarlib.files.table import sniff
from solarlib.quantities import InputError, texts_beside

LEAST_OF_DAY = 12  # columns with such titles; those of the next have none
DAY_COLUMNS = 24, 25, 48, 50, 96, 100, 144, 288
TITLE_WORDS = texts_beside(__file__, "words")
_LABELS = {words: side for side, text in TITLE_WORDS["labels"].items() for words in re.split(r"[|\n]", text) if words}


@dataclass(frozen=True)
class Field:
    """Numbers that a mapping can name: a column, the columns of a day (up to ``to``), the rows with a word (``where``).

    ``shown`` names it to a person; ``words`` are its title, ``unit`` is what is written in the title or the cells.
    """

    name: str | int
    to: str | int | None
    where: tuple
    shown: str
    words: str
    unit: str | None


def table_of(path):
    """Return the layout of a file, and what tells its times; numbers are taken for times if they rise evenly."""
    wrong = None
    for looks in TIME_LOOKS.values():
        try:
            layout = sniff(path, is_time=lambda row, looks=looks: bool(time_places(row, looks)))
        except InputError as error:
            wrong = wrong or error
            continue
        (place, *_) = _usual(layout, looks)
        shown = [row[place].replace(",", ".") for row in layout.sample if looks(row[place])]
        steps = np.diff(list(map(float, shown))) if looks is not looks_like_time else np.ones(1)
        if len(steps) and (np.abs(steps - np.median(steps)) < 1e-3 * abs(np.median(steps))).mean() > 0.8:
            return layout, looks
    raise wrong


def _usual(layout, looks):
    return Counter(time_places(row, looks) for row in layout.sample[:200]).most_common(1)[0][0]


def times_of(layout, looks):
    """Return the places of the time, the side that a stamp names if the table tells, and what tells it."""
    columns, places = list(zip(*layout.sample)), _usual(layout, looks)
    stamps = list(map(" ".join, zip(*(columns[place] for place in places))))
    if looks is not looks_like_time:
        return places, None, None
    if len(places) == 3 or not any(":" in stamp or re.search(r"\d[h.]\d\d\b", stamp[10:]) for stamp in stamps):
        for place in range(places[-1] + 1, min(places[-1] + 4, layout.width)):
            if not rising_inside(stamps, columns[place]):
                break
            places, stamps = (*places, place), [f"{stamp} {cell}" for stamp, cell in zip(stamps, columns[place])]
            if len(places) == 2:
                break
    title = plain_title(layout.names[places[-1]]) if layout.names else ""
    ends = [place for place in range(places[-1] + 1, layout.width) if all(map(looks, columns[place][:20]))]
    if dates.stamp_range(stamps) or len(ends) == 1 and columns[ends[0]][:-1] == columns[places[0]][1:]:
        return places, "start", "ranges"
    if len(ends) == 1 and columns[places[0]][:-1] == columns[ends[0]][1:]:
        return places, "end", "ranges"
    return places, _LABELS.get(title), "title" if title in _LABELS else None


def plain_title(title):
    """Return a title in plain small letters, one blank for all that is no letter or number."""
    return " ".join(re.sub(r"[^a-z0-9%/]+", " ", plain_letters(title).casefold()).split())


def name_of(layout, place):
    """Return how a mapping names a column: by its title where no other has it, else by its number."""
    title = layout.names[place] if place < len(layout.names) else ""
    return title if title and [*map(plain_title, layout.names)].count(plain_title(title)) == 1 else place + 1


def fields_of(layout, times):
    """Return the columns of numbers; those that hold a day, by their number and their titles if any, are one."""
    columns, names = {at: cells for at, cells in enumerate(zip(*layout.sample)) if at not in times}, layout.names
    filled = {at: [cell for cell in cells if cell] for at, cells in columns.items()}
    able = [at for at, cells in filled.items() if np.mean([*map(_is_number, cells), 0][: len(cells) or 1]) > 0.5]
    for shape in TITLE_WORDS["day"].values():
        day = [at for at in able if not names or re.fullmatch(shape, names[at].strip(), re.IGNORECASE)]
        if (len(day) >= LEAST_OF_DAY if names else len(day) in DAY_COLUMNS) and day[-1] - day[0] == len(day) - 1:
            return [_field(layout, day[0], day[-1], [cell for at in day for cell in filled[at][:50]])]
    return [_field(layout, at, None, filled[at]) for at in able]


def _is_number(text):
    return NUMBER_LIKE.fullmatch(plain_letters(text.translate(MARKS))) is not None


def _field(layout, place, last, cells):
    title, below = (place < len(names) and names[place] or "" for names in (layout.names, layout.below))
    about = f"{'' if last else title} {below}"
    ends = {re.sub(r"^[-+(\d.,' ]+", "", plain_letters(cell)).strip(" )").casefold() for cell in cells[:200]}
    pieces = [*re.split(r"[][()_,;: ]+", about.casefold()), *(ends if len(ends) == 1 else ())]
    unit = next((UNIT_WORDS[piece] for piece in pieces if piece in UNIT_WORDS), None)
    to = None if last is None else name_of(layout, last)
    shown = layout.name(place)
    return Field(name_of(layout, place), to, (), f"{shown} to {to}" if to else shown, "" if last else title, unit)


def apart(layout, fields, look, rows):
    """Return the fields, each word of a column with moments of its own apart, and clock and values of each."""
    walls, columns = rows["wall"], [rows["value", number] for number in range(len(fields))]
    words = {at: list(known) for at, known in look.words.known.items()}
    codes = {at: rows["word", at] for at in words}
    for field, values in zip(fields, columns):  # numbers of meters
        single, code = np.unique(values, return_inverse=True)
        if 1 < len(single) <= MOST_WORDS and field.to is None:
            at = layout.position(field.name)
            codes[at], words[at] = code, [f"{one:.0f}" for one in single]
    for at, code in codes.items():
        groups = [np.sort(walls[code == one]) for one in range(len(words[at]))]
        if mixed([group for group in groups if len(group) > 2]):
            name, split, series = name_of(layout, at), [], []
            for field, values in zip(fields, columns):
                for number, word in enumerate(words[at] if field.name != name else ()):
                    shown = f"{field.shown} where {name} is {word}"
                    split.append(replace(field, where=((name, word),), shown=shown, words=word))
                    series.append((walls[code == number], values[code == number]))
            return split, series
    return fields, [(walls, values) for values in columns]
