"""Where a table holds what: the time, the values, a day in a row, the words that tell meters and directions apart."""

import re
from dataclasses import dataclass

import numpy as np

from solarlib.files.dates import DAY_NS, HOUR_NS, SECOND_NS
from solarlib.quantities import refuse_if

BARE = ' "\t'  # what may stand around a cell
MOST_WORDS = 20  # of a column that tells meters or directions
EVEN, UNEVEN = 0.8, 0.6  # share of equal steps: of one meter's rows, of several meters' together
LONGEST_DAY_H = 25
LEAST_INSIDE = 4  # rows of one day or hour
FEW_TWICE = 0.02  # of the moments, as a damaged file may have them


@dataclass(frozen=True)
class Places:
    """Places of columns in a row: of the ``times``; for each column of the mapping its ``values``, one or those of a
    day, and its ``wheres``, pairs (place, words); the ``clock`` of `day_clock`; names of the ``unused``.
    """

    times: tuple
    values: tuple
    wheres: tuple
    clock: tuple | None
    unused: dict

    @property
    def counted(self):
        """Whether a row or its number counts intervals of the day, so that no stamp names an end."""
        return self.clock is not None and self.clock[1] == 1

    def since(self, texts):
        """Return the times of day that numbers tell, below 0 where one does not. [ns]"""
        step, first = self.clock
        values = np.array([float(text.replace(",", ".")) if re.fullmatch(_NUMBER, text) else -1.0 for text in texts])
        hours = values // 100 + values % 100 / 60 if step == 0 else (values - first) * (step / HOUR_NS)
        return np.where(hours > LONGEST_DAY_H, -1, np.round(hours * 3600) * SECOND_NS).astype(np.int64)

    def spread(self, lines, rows):
        """Return lines and rows with one value of each column, from rows that may hold a day, and their places."""
        per = len(self.values[0])
        if per == 1:
            return lines, rows, self.times, [place for (place,) in self.values]
        times = range(len(self.times) + 1)  # the last is the number of the interval
        cut = [[*(row[at] for at in self.times), str(k + 1), *(row[day[k]] for day in self.values)]
               for row in rows for k in range(per)]  # fmt: skip
        return np.repeat(lines, per), cut, times, range(len(times), len(times) + len(self.values))

    def kinds(self, rows):
        """Return which columns ask for each row, a bit for each, None where all do."""
        if not any(self.wheres):
            return None
        asked = [[all(row[at].strip(BARE) in words for at, words in where) for row in rows] for where in self.wheres]
        return sum(np.array(one, np.int64) << number for number, one in enumerate(asked))


_NUMBER = r"\d{1,4}(?:[.,]\d{1,6})?"


def places_of(layout, mapping):
    """Return the `Places` of a mapping in a table.

    Raises
    ------
    InputError
        A column is not there, is used twice, or the columns of a day are no day.
    """
    times = tuple(map(layout.position, mapping.time))
    firsts = [layout.position(column.name) for column in mapping.column]
    lasts = [layout.position(column.to) if column.to else at for at, column in zip(firsts, mapping.column)]
    values = tuple(tuple(range(first, last + 1)) for first, last in zip(firsts, lasts))
    wheres = tuple(tuple((layout.position(of), words) for of, words in column.where) for column in mapping.column)
    held, twice = {place for row in values for place in row}, len({*times}) < len(times)
    twice |= len({*zip(values, wheres)}) < len(values) or not held.isdisjoint(times)
    refuse_if(twice, "column_twice", layout.path.name)
    counts = {len(row) for row in values}
    day = max(counts) if max(counts) % 25 else max(counts) * 24 // 25
    odd = len(counts) > 1 or counts == {0} or counts != {1} and (day < 12 or 1440 % day)
    refuse_if(odd, "columns_of_day", layout.path.name, counts=" and ".join(map(str, sorted(counts))))
    clock = day_clock([row[times[1]] for row in layout.sample]) if len(times) == 2 else None
    taken = {*times, *held, *(place for where in wheres for place, _ in where)}
    unused = {place: layout.name(place) for place in range(layout.width) if place not in taken}
    return Places(times, values, wheres, clock if counts == {1} else (DAY_NS // day, 1), unused)


def day_clock(texts):
    """Return how a column of numbers tells the time of day: the length of one [ns] and the first number; else None.

    1 to 24, 48 or 96 count intervals (and so do those of an hour more, or less, on days of 25 or 23 hours); other
    numbers up to 24 are hours. A length of 0 stands for hours and minutes in one number, such as 1430.
    """
    if not texts or not all(re.fullmatch(_NUMBER, text) for text in texts):
        return None
    parts = {text.replace(",", ".").partition(".")[2] for text in texts}
    minutes = {int(part) for part in parts if len(part) == 2}
    if minutes - {0, 25, 50, 75} and max(minutes) < 60:
        return None  # 14.30 is a text
    values = np.array([float(text.replace(",", ".")) for text in texts])
    low, high, whole = values.min(), values.max(), not (values % 1).any()
    for day in (24, 48, 96, 144, 288, 1440) if whole and low == 1 else ():
        if high in (day, day * 23 // 24, day * 25 // 24) and (high > 24 or high != 23):
            return DAY_NS // day, 1
    if whole and 100 <= high <= 2400 and (values % 100 < 60).all():
        return 0, 0
    return (HOUR_NS, 0) if high <= 24 else None


def rising_inside(stamps, texts):
    """Tell whether whole numbers rise within each of the days or hours that stamps name, as a time of day does."""
    if not all(re.fullmatch(r"\d{1,4}(?:[.,]\d{1,2})?", text) for text in texts):
        return False
    starts = [0, *(place for place in range(1, len(stamps)) if stamps[place] != stamps[place - 1]), len(stamps)]
    values = np.array([float(text.replace(",", ".")) for text in texts])
    rising = [(np.diff(values[first:last]) > 0).mean() for first, last in zip(starts, starts[1:]) if last - first > 1]
    return np.median(np.diff(starts)) >= LEAST_INSIDE and len(rising) > 0 and np.mean(rising) > 0.9


class Words:
    """The words in columns without use, as long as they are few: meters or directions that share a table."""

    def __init__(self, names):
        self.names, self.known = names, {place: {} for place in names}

    def codes(self, rows):
        """Return, for each column with few words, the code of each row's, by ("word", place)."""
        found = {}
        for place, known in tuple(self.known.items()):
            words = [known.setdefault(row[place].strip(BARE), len(known)) for row in rows]
            found["word", place] = np.array(words, np.int32)
            if len(known) > MOST_WORDS:
                del self.known[place], found["word", place]
        return found

    def refuse_mixed(self, name, moments, rows, here):
        """Refuse rows of several meters or directions as those of one: each word has moments of its own."""
        for place, known in self.known.items() if len(moments) else ():
            groups = [np.sort(moments[here & (rows["word", place] == code)]) for code in known.values()]
            if mixed([group for group in groups if len(group) > 2]):
                words = ", ".join(map(repr, known))
                refuse_if(True, "mixed", name, column=self.names[place], words=words, first=next(iter(known)))


def mixed(groups):
    """Tell whether several series of rising moments are even each by itself, but not together."""
    together = np.sort(np.concatenate([np.zeros(0, np.int64), *groups]))
    if len(groups) < 2 or (np.diff(together) == 0).mean() <= FEW_TWICE and _evenness(together) >= UNEVEN:
        return False
    alone = not any((np.diff(group) == 0).mean() > FEW_TWICE for group in groups)
    return alone and (np.median([_evenness(group) for group in groups]) > EVEN)


def _evenness(moments):
    steps = np.diff(moments)
    middle = np.median(steps) if len(steps) else 0
    return (steps == middle).mean() if middle > 0 else 0.0
