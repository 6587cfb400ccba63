"""A first mapping for an unknown file, from its first rows: what is certain, and what a person must confirm."""

from dataclasses import dataclass

import numpy as np

from solarlib.files.dates import MISSING, ORDERS, DateOrder, looks_like_time, moments
from solarlib.files.mapping import FILE_UNITS, QUANTITY_UNITS
from solarlib.files.numbers import as_number, number_marks
from solarlib.files.table import plain, sniff
from solarlib.quantities import InputError

# Words of column names, in the order in which they are tried; a quantity that lacks the unit of the column is passed over.
TITLE_WORDS = (
    ("light", ("irradiance", "poa", " light ")),
    (
        "cell_temperature",
        ("cell temp", "module temp", "panel temp", "cell_temp", "module_temp", "temp_cell", "temp_module"),
    ),
    ("air_temperature", ("temperature", "air temp", "air_temp", "temp_air", "ambient")),
    ("test_load", (" test ", "test load", "test_load")),
    ("neighbour", ("neighbour", "neighbor")),
    ("received", ("received", "export", " out ", "to grid", "fed in", "feed-in", "feed in", "surplus")),
    ("delivered", ("delivered", "import", " in ", "from grid", "purchase", "drawn")),
    ("generation", ("generation", "generated", "production", "produced", "pv", "solar", "yield", "array")),
    ("net", ("net",)),
    ("load", ("load", "use", "usage", "consumption", "consumed", "house", "demand")),
    ("test_load", ("heater",)),
    ("unsigned", ("reading", "magnitude", "power", "meter")),
)
UNIT_WORDS = {
    **{plain(unit): unit for unit in FILE_UNITS},
    "w/m\u00b2": "W/m2",
    "w/m^2": "W/m2",
    "\u00b0c": "degC",
    "kwh/kwp": "kWh/kW",
}
EVEN_WITHIN = 0.15  # of the middle step: months of 28 to 31 days, read a day or two early or late
_ORDER_NAMES = {"year first": "year-month-day", "day first": "day-month-year", "month first": "month-day-year"}


@dataclass(frozen=True)
class Suggestion:
    """``toml``: a mapping to copy and correct; ``certain``, ``confirm``: sentences; ``rows``: the first of the table."""

    toml: str
    certain: tuple
    confirm: tuple
    rows: tuple

    def __str__(self):
        return "\n".join(
            [
                self.toml,
                "Certain:",
                *(f"- {line}" for line in self.certain),
                "To confirm:",
                *(f"- {line}" for line in self.confirm),
            ]
        )


def suggest_mapping(path, zone=None):
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
        layout = sniff(path, is_time=looks_like_time)
        unix = False
    except InputError:
        layout = sniff(path, is_time=_is_unix_text)
        unix = True
    sample = layout.sample
    texts = list(zip(*sample))
    certain = [f"cells are split at {layout.delimiter!r}, text is {layout.encoding}"]
    confirm, lines = [], []
    times = _time_columns(texts, unix)
    names = [_name(layout, place) for place in times]
    lines.append(f"time = {names[0] if len(names) == 1 else '[' + ', '.join(names) + ']'}")
    stamps = [" ".join(texts[place][row] for place in times) for row in range(len(sample))]
    bare = _orders(stamps, unix, lines, certain, confirm)
    if bare:
        lines.append(f"zone = {quoted(zone)}" if zone else '# zone = "America/New_York"')
        confirm.append("the times carry no offset: which zone is the clock in, and is it changed for summer time?")
    confirm.append('label: does a time name the start of its interval (taken) or its end (label = "end")?')
    values = [place for place, column in enumerate(texts) if place not in times and _share_numbers(column) > 0.5]
    point, group, proved = number_marks([text for place in values for text in texts[place]])
    if proved:
        certain.append(f"decimals are written with {point!r}" + (f", thousands with {group!r}" if group else ""))
    else:
        lines.append(f'# decimal = "{point}"')
        confirm.append("numbers hold one mark before three digits: set decimal and thousands")
    if not values:
        confirm.append("no column of numbers was found in the first rows")
    for place in values:
        lines += _column(layout, place, texts[place], point, group, confirm)
    return Suggestion("\n".join(lines) + "\n", tuple(certain), tuple(confirm), sample[:5])


def _is_unix_text(text):
    return text.isascii() and text.isdigit() and len(text) in (10, 13)


def _time_columns(texts, unix):
    test = _is_unix_text if unix else looks_like_time
    shares = [np.mean([test(text) for text in column]) for column in texts]
    place = int(np.argmax([share > 0.5 for share in shares]))
    if (
        not unix
        and shares[place] > 0.5
        and place + 1 < len(texts)
        and not any(":" in text for text in texts[place][:50])
    ):
        both = [f"{a} {b}" for a, b in zip(texts[place], texts[place + 1])]
        if any(":" in text for text in texts[place + 1]) and np.mean([test(text) for text in both]) > 0.5:
            return [place, place + 1]
    return [place]


def _orders(stamps, unix, lines, certain, confirm):
    """Say in which order dates are written; return whether the stamps lack an offset."""
    if unix:
        lines.append('date_order = "unix"')
        confirm.append("the time looks like seconds since 1970 (UTC)")
        return False
    wide = max(map(len, stamps))
    table = np.zeros((len(stamps), wide), np.uint8)
    for row, text in enumerate(stamps):
        raw = np.frombuffer(text.encode("ascii", "replace"), np.uint8)
        table[row, : len(raw)] = raw
    walls, offset = moments(table)
    order = DateOrder(ORDERS)
    order.look(walls, np.arange(1, len(stamps) + 1))
    open_ = [place for place, against in enumerate(order.against) if not against]
    if not open_:
        confirm.append("the dates are written in more than one order: set date_order")
        lines.append(_choice("date_order", ORDERS))
    elif len(open_) == 1 or not order.differ:
        certain.append(f"dates are {_ORDER_NAMES[ORDERS[open_[0]]]}")
    else:
        lines.append(_choice("date_order", [ORDERS[place] for place in open_]))
        confirm.append(
            f"the date {stamps[order.differ - 1]!r} can be read "
            + " or ".join(ORDERS[place] for place in open_)
            + ": set date_order"
            + _spacings({ORDERS[place]: walls[place] for place in open_})
        )
    return bool((offset == MISSING).any())


def _choice(key, options):
    return f"# {key} = " + " or ".join(quoted(option) for option in options)


def _spacings(walls):
    """Say how far rows stand apart under each order, and which order alone makes them clearly more even, if one does."""
    steps = {order: np.diff(wall[wall != MISSING]) for order, wall in walls.items()}
    if min(map(len, steps.values())) < 2:
        return ""
    middle = {order: float(np.median(step)) for order, step in steps.items()}
    odd = {
        order: int((np.abs(step - middle[order]) > EVEN_WITHIN * abs(middle[order])).sum())
        for order, step in steps.items()
    }
    told = "; ".join(
        f"{order}: "
        + (
            f"{len(step) - odd[order]} of {len(step)} steps are about {_length(middle[order])}"
            if 2 * odd[order] < len(step)
            else "uneven steps"
        )
        for order, step in steps.items()
    )
    best, second = sorted(odd, key=odd.get)[:2]
    return (
        f" ({told}" + f"; is it {best}, which makes the rows more even in time?" * (odd[second] - odd[best] >= 2) + ")"
    )


def _length(step):
    """Return a length [ns] in words."""
    for name, size in (("day", 86_400e9), ("hour", 3600e9), ("minute", 60e9), ("second", 1e9)):
        if abs(step) >= size or name == "second":
            return f"{abs(step) / size:.3g} {name}" + "s" * (abs(step) != size)


def _share_numbers(column):
    texts = [text.replace(",", "").replace(".", "").replace(" ", "").replace("'", "").lstrip("+-") for text in column]
    return np.mean([text.isascii() and text.isdigit() for text in texts])


def _column(layout, place, texts, point, group, confirm):
    title = layout.names[place] if place < len(layout.names) else ""
    word = plain(title)
    pieces = word.translate(str.maketrans("()[]_", "     ")).split()
    unit = next((UNIT_WORDS[text] for text in sorted(UNIT_WORDS, key=len, reverse=True) if text in pieces), None)
    able = [quantity for quantity, units in QUANTITY_UNITS.items() if unit is None or unit in units]
    hits = [quantity for quantity, words in TITLE_WORDS if quantity in able and any(w in f" {word} " for w in words)]
    values = np.array(
        [v for v in (as_number(text, point, group) for text in texts) if v is not None and np.isfinite(v)]
    )
    steps = np.diff(values)  # a register rises nearly always, and by little beside what it shows
    rising = (
        len(values) > 5
        and (steps >= 0).mean() > 0.7
        and np.median(values) > 10 * np.median(np.abs(steps))
        and ((steps >= 0).mean() > 0.97 or (steps < 0).sum() <= 2)
        and steps.any()
    )
    name = _name(layout, place)
    lines = ["", "[[column]]", f"name = {name}"]
    shown = title or f"column {place + 1}"
    if hits or len(able) == 1:
        quantity, why = (hits[0], "name") if hits else (able[0], "unit")
        able = [quantity]
        lines.append(f'quantity = "{quantity}"')
        confirm.append(f"{shown!r} is taken for {quantity} because of its {why}")
    else:
        lines.append('# quantity = "unsigned"' if "unsigned" in able else _choice("quantity", able))
        confirm.append(f"what {shown!r} measures (remove the column from the mapping if it is not needed)")
    units = [unit] if unit else QUANTITY_UNITS[able[0]]
    if unit:
        lines.append(f'unit = "{unit}"')
    else:
        lines.append(f'# unit = "{"kWh" if "kWh" in units else units[0]}"')
        confirm.append(f"the unit of {shown!r}")
    if any(len(FILE_UNITS[one][2]) > 1 for one in units):
        kind = "counter" if rising else "interval"
        lines.append(f'kind = "{kind}"')
        confirm.append(
            f"{shown!r} is taken for kind {kind!r} because its numbers "
            + ("hardly ever fall" if rising else "rise and fall")
        )
    if able == ["neighbour"]:
        confirm.append(f"the roof of {shown!r}, if you know it: set tilt_deg and azimuth_deg (180 is south)")
    return lines


def _name(layout, place):
    title = layout.names[place] if place < len(layout.names) else ""
    unique = [plain(name) for name in layout.names].count(plain(title)) == 1
    return quoted(title) if title and unique else str(place + 1)


def quoted(text):
    """Return a text as TOML writes it."""
    safe = text.replace("\\", "\\\\").replace('"', '\\"')
    return '"' + "".join(c if c.isprintable() else f"\\u{ord(c):04x}" for c in safe) + '"'
