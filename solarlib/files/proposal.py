"""How to read an unknown file: what it proves, what its words propose, and what only a person can tell.

A word never decides alone against the numbers, and two columns of one quantity are never added without a question.
"""

import json
import re
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from itertools import product
from pathlib import Path

import numpy as np
import pandas as pd

from solarlib.files import dates, proofs
from solarlib.files.clock import counts_hours, offset_text, winter_offset
from solarlib.files.dates import DAY_NS, MISSING, ORDERS, TIME_LOOKS, plain_letters
from solarlib.files.fields import TITLE_WORDS, apart, fields_of, name_of, plain_title, table_of, times_of
from solarlib.files.mapping import FILE_UNITS, QUANTITY_UNITS, UNIT_WORDS, Column, Mapping, zone_of
from solarlib.files.numbers import as_number
from solarlib.files.reading import scan
from solarlib.files.table import Layout
from solarlib.files.texts import TEXTS, told
from solarlib.quantities import InputError, refusal, refuse_if

LEAVE_OUT = "leave out"
NUMBERS = {"1,234.5": (".", ","), "1.234,5": (",", "."), "1234.5": (".", ""), "1234,5": (",", "")}  # decimal, thousands
_NEUTRAL = {*TITLE_WORDS["neutral"].split(), *UNIT_WORDS}
_KNOWN = {words: q for q, text in TITLE_WORDS["quantities"].items() for words in re.split(r"[|\n]", text) if words}


@dataclass(frozen=True)
class Point:
    """One thing that must be known to read a file.

    Attributes
    ----------
    key : str
        ``date_order``, ``number``, ``zone``, ``label``; of a field ``quantity``, ``unit``, ``kind`` or
        ``sign``.
    field : int or None
        Place among `Proposal.fields`.
    state : str
        ``"proved"``, ``"proposed"`` by a word, ``"open"``, or ``"answered"`` by a person.
    value : object
        None where it is open.
    why : str
        What proves or proposes it, or what was found where it is open.
    question : str
        In plain words.
    answers : tuple of (value, words)
        Those that are possible; empty where a text must be typed.
    """

    key: str
    field: int | None
    state: str
    value: object
    why: str
    question: str
    answers: tuple


@dataclass(frozen=True)
class Proposal:
    """How a file may be read.

    Attributes
    ----------
    path, zone, sun, given
        As for `propose`.
    layout : Layout
        How the file is cut into cells.
    time : tuple
        Names of its columns.
    fields : tuple of Field
    points : dict of (key, field) to Point
        In the order in which to ask.
    """

    path: Path
    zone: str | None
    sun: Callable | None
    given: dict
    layout: Layout
    time: tuple
    fields: tuple
    points: dict

    @property
    def open(self) -> tuple:
        """The points that a person must answer."""
        return tuple(point for point in self.points.values() if point.state == "open")

    def value(self, key: str, field: int | None = None):
        """Return the value of a point, None where it is open or not needed."""
        return self.points[key, field].value if (key, field) in self.points else None

    def answered(self, key: str, answer, field: int | None = None) -> "Proposal":
        """Return the proposal with one more answer; other points may be proved by it."""
        return propose(self.path, self.zone, self.sun, {**self.given, (key, field): answer})

    @property
    def toml(self) -> str:
        """The mapping as text, without what is open."""
        known = {"time": self.time} | {key: point.value for (key, field), point in self.points.items() if field is None}
        known |= dict(zip(("decimal", "thousands"), NUMBERS.get(known.pop("number"), ())))
        lines = [f"{key} = {written(value)}" for key, value in known.items() if value]
        return "\n".join(lines + [line for place in range(len(self.fields)) for line in self._column(place)]) + "\n"

    def _column(self, place):
        field = self.fields[place]
        quantity, unit, kind, sign = (self.value(key, place) for key in ("quantity", "unit", "kind", "sign"))
        if quantity in (None, LEAVE_OUT):
            return []
        keys = {"name": field.name, "quantity": quantity, "to": field.to, "unit": unit}
        keys |= {f"where.{written(str(column))}": word for column, word in field.where}
        keys |= {"kind": unit and len(FILE_UNITS[unit][2]) > 1 and kind, "multiplier": sign == -1 and -1}
        hints = [line for word in (quantity, kind) for line in TEXTS["hints"].get(word, ())]
        return ["[[column]]", *(f"{key} = {written(value)}" for key, value in keys.items() if value), *hints]


def propose(path: Path, zone: str | None = None, sun: Callable | None = None, given: dict | None = None) -> Proposal:
    """Look at a file and propose how to read it.

    Parameters
    ----------
    path : path
    zone : str, optional
        Time zone of the house.
    sun : callable, optional
        Elevation of the sun over the house at each time of a DatetimeIndex. [deg]
    given : dict of (key, field) to answer, optional
        What a person answered; see `Point`.

    Raises
    ------
    InputError
        The file cannot be read, by what it is.
    """
    asks = _Asks(given or {})
    layout, looks = table_of(path)
    times, label, why = times_of(layout, looks)
    names = tuple(name_of(layout, place) for place in times)
    fields = fields_of(layout, times)
    look, rows = _scanned(layout, names, fields, asks, looks)
    fields, series = apart(layout, fields, look, rows)
    told_of = tuple((clock, proofs.told_of_intervals(values)) for clock, values in series)
    dark = [proofs.nothing_at_night(*pair, winter_offset(zone) / 60 if zone else 0) for pair in told_of]
    _ask_columns(asks, fields, series, dark)
    flows = [number for number in range(len(fields)) if asks.points["quantity", number].value != LEAVE_OUT]
    kinds = [asks.points.get(("kind", number)) for number in flows]
    if all(kind.value in ("counter", "pulse") if kind else proofs.rises(series[n][1]) for n, kind in zip(flows, kinds)):
        label, why = "start", "counter"
    _ask_clock(asks, (zone, sun), look, rows, [(*told_of[number], dark[number]) for number in flows], (label, why))
    return Proposal(path, zone, sun, asks.given, layout, names, tuple(fields), asks.points)


class _Asks:
    """Gathers points; what was answered is not asked again."""

    def __init__(self, given):
        self.given, self.points = given, {}

    def __call__(self, key, answers, value=None, why=None, field=None, by="proved", **facts):
        state = "answered" if (key, field) in self.given else "open" if value is None else by
        value, words = self.given.get((key, field), value), TEXTS["answers"]
        if not isinstance(answers, dict):
            answers = {one: words.get(f"{key} {one}", str(one)) for one in answers}
        question, reason = (TEXTS[part].get(name or "", "") for part, name in (("questions", key), ("whys", why)))
        question, reason = (text.format(**facts) for text in (question, reason))
        self.points[key, field] = Point(key, field, state, value, reason, question, tuple(answers.items()))
        return value


def _scanned(layout, names, fields, asks, looks):
    """Return what the whole file says; ask for the order of dates and the marks of numbers if it does not tell them."""
    refuse_if(not fields, "no_numbers", layout.path.name)
    order = next(key for key, value in TIME_LOOKS.items() if value is looks)
    told_order, number = order or asks.given.get(("date_order", None)), asks.given.get(("number", None))
    columns = tuple(Column(field.name, "unsigned", "W", to=field.to) for field in fields)
    orders = (told_order,) if told_order else (None, *ORDERS)
    wrong = refusal("no_row", layout.path.name, worst=told("no_rows_at_all"))
    for guess, shown in product(orders, (number,) if number else (None, "1234.5", "1234,5")):
        try:
            marks = dict(zip(("decimal", "thousands"), NUMBERS.get(shown, ())))
            known = Mapping(columns, names, "UTC", guess, "end", padded=True, **marks)
            look, rows = scan(layout.path, known, units=[field.unit for field in fields])
            if len(rows["line"]) >= look.tally.read / 2:
                break
        except InputError as error:
            wrong = error
    else:
        raise wrong
    stamps = dates.joined_stamps([[row[place] for row in layout.sample] for place in look.places.times])
    ways = dict(zip(ORDERS, dates.moments(dates.text_matrix(stamps))[0])) if guess and not order else {}
    ways = {way: _days(way, walls) for way, walls in ways.items() if (walls != MISSING).all()}
    asks("date_order", ways or (order or "",), None if ways else order or "", stamp=stamps[0])
    mark = next((cell for row in layout.sample for cell in row if re.search(r"\d[.,]\d{3}$", cell)), "")
    read = {as_number(mark, *marks): one for one, marks in reversed(NUMBERS.items())} if shown and mark else {}
    meant = {one: told("means", text=mark, value=value) for value, one in read.items() if value == value}
    asks("number", meant or (tuple(NUMBERS) if shown else ("",)), None if shown else "", text=mark)
    return look, rows


def _days(order, walls):
    """Say on which days the first rows and the last fall under an order of the date."""
    days = [f"{day:%d %B %Y}".lstrip("0") for day in pd.DatetimeIndex(walls.astype("datetime64[ns]"))]
    return told("days", order=order, first=", ".join(dict.fromkeys(days[:3])), last=days[-1])


def _ask_columns(asks, fields, series, dark):
    """Ask what the fields are: by their words, as far as their numbers agree."""
    found = [_guess(field, values, night) for field, (_, values), night in zip(fields, series, dark)]
    twice = Counter(quantity for quantity, _ in found if quantity not in (None, LEAVE_OUT, "neighbour"))
    for number, (field, (_, values), (quantity, why)) in enumerate(zip(fields, series, found)):
        if twice[quantity] > 1:
            quantity, why = None, "twice"
        able = [one for one, units in QUANTITY_UNITS.items() if field.unit in (None, *units)]
        facts = {"field": number, "column": field.shown, "unit": field.unit}
        state = "proved" if why == "unit" else "proposed"
        quantity = asks("quantity", [*able, LEAVE_OUT], quantity, why, by=state, **facts)
        if quantity in (None, LEAVE_OUT):  # first of all what it is
            continue
        units = QUANTITY_UNITS[quantity]
        unit = field.unit or (units[0] if len(units) == 1 else None)
        unit = asks("unit", units, unit, "unit" if field.unit else None, **facts)
        if any(len(FILE_UNITS[one][2]) > 1 for one in ([unit] if unit else units)):
            kind = "counter" if proofs.rises(values) else "interval" if len(np.unique(values)) > 1 else None
            asks("kind", ("interval", "counter", "pulse"), kind, f"numbers {kind}", **facts)
        below = quantity in _FLOWS and (values < 0).any() and not (values > 0).any()
        if below or quantity == "net":
            asks("sign", (1, -1), -1 if below else None, "all_below" if below else None, **facts)


def _guess(field, values, night):
    """Return the quantity that words and numbers of a field propose, and why."""
    bracket, title = re.search(r"[\[(]([^])]*)[])]", field.words), field.words
    if bracket and plain_letters(bracket[1]).casefold() in TITLE_WORDS["other_units"].split():
        return LEAVE_OUT, "other_unit"
    if bracket and bracket[1].casefold() in UNIT_WORDS:
        title = title.replace(bracket[0], "")
    if np.isfinite(values).any() and not np.nan_to_num(values).any():
        return LEAVE_OUT, "nothing"
    able = [one for one, units in QUANTITY_UNITS.items() if field.unit in units]
    if len(able) == 1:
        return able[0], "unit"
    text = re.sub(rf"\b(in|en) (?=({'|'.join(map(re.escape, UNIT_WORDS))})$)", "", plain_title(title))
    words = " ".join(word for word in text.split() if word not in _NEUTRAL and not word.isdigit())
    quantity = _KNOWN.get(words)
    if quantity is None or able and quantity not in able:
        return None, "no_word"
    if night is (quantity not in ("generation", "received", "light")) and quantity in _FLOWS:
        return None, "at_night" if night else "by_night"
    both = quantity in _FLOWS and (values < 0).mean() > 0.01 < (values > 0).mean()
    return (None, "both_signs") if both else (quantity, "word")


_FLOWS = ("generation", "received", "delivered", "load", "light")


def _ask_clock(asks, house, look, rows, series, label):
    """Ask for the clock and for the side that its stamps name, as far as neither the file nor the sun tells."""
    (zone, sun), (side, why), walls = house, label, rows["wall"]
    daily = not (walls % DAY_NS).any()
    if look.order.ends:
        side, why = "end", "ends"
    elif why != "counter" and (look.places.counted or daily):
        side, why = "start", "counted"
    side = asks.given.get(("label", None), side)
    labels, chosen = (side,) if side else ("start", "end"), asks.given.get(("zone", None))
    zones = [] if zone is None else [one for one in _zones(zone) if chosen in (None, one)]
    if (rows["offset"] != MISSING).all() or daily and zone:
        asks("zone", (), zone or "", "counted" if daily else "offsets")
    elif not zones:
        asks("zone", (), None, "no_place")
    elif look.places.counted and any(counts_hours(walls, rows["since"], zone_of(name)) for name in zones):
        asks("zone", zones, zone if len(zones) > 1 else zones[0], "counts")
    else:
        plain = series[0][0] if series else walls, None
        clock, made = next(((clock, values) for clock, values, night in series if night), plain)
        step = int(np.median(np.abs(np.diff(clock)))) if len(clock) > 1 else DAY_NS
        pairs, ruled = proofs.clocks(clock, step, {name: zone_of(name) for name in zones}, made, sun, labels)
        able, sides = (tuple(dict.fromkeys(part)) for part in zip(*pairs))
        if len(sides) < len(labels):
            labels, why = sides, "sun"
        asks("zone", able, able[0] if len(able) == 1 else None, (*ruled, None)[0], zone=zone)
    by = "proposed" if why == "title" else "proved"
    asks("label", ("start", "end"), labels[0] if len(labels) == 1 else None, why, by=by)


def _zones(zone):
    """Return the clocks that a logger in a zone may keep: the changed one, the same without its change, UTC."""
    fixed = offset_text(winter_offset(zone))
    return list(dict.fromkeys((zone, fixed, *(["UTC"] if fixed != "+00:00" else []))))


def written(value: object) -> str:
    """Return a text, a number or a list of them (one alone without brackets) as TOML writes it."""
    one = value[0] if isinstance(value, tuple) and len(value) == 1 else value
    return json.dumps(one, ensure_ascii=False).replace("\x7f", "\\u007f")  # TOML writes them as JSON does
