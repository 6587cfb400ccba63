"""Which rows of a table belong together: the words that tell several meters or directions apart."""

import numpy as np

from solarlib.quantities import refuse_if

MOST_WORDS = 20  # of a column that tells meters or directions
EVEN, UNEVEN = 0.8, 0.6  # share of equal steps: of one meter's rows, of several meters' together
FEW_TWICE = 0.02  # of the moments, as a damaged file may have them


class Words:
    """The words in columns without use, as long as they are few: meters or directions that share a table."""

    def __init__(self, names):
        self.names, self.known = names, {place: {} for place in names}

    def codes(self, rows):
        """Return, for each column with few words, the code of each row's."""
        found = {}
        for place, known in tuple(self.known.items()):
            found[place] = np.array([known.setdefault(row[place].strip(), len(known)) for row in rows], np.int32)
            if len(known) > MOST_WORDS:
                del self.known[place]
        return found

    def refuse_mixed(self, name, moments, codes):
        """Refuse rows of several meters or directions as those of one: each word has moments of its own."""
        for place, known in self.known.items() if len(moments) else ():
            groups = [np.sort(moments[codes[place] == code]) for code in known.values()]
            if mixed([group for group in groups if len(group) > 2]):
                words = ", ".join(map(repr, known))
                refuse_if(True, "mixed", name, column=self.names[place], words=words)


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
