"""A person's readings: from a file and a few lines of mapping to clean tables and a complete account.

Every row of the table is either used or set aside, with its line number, its text and the reason; the numbers add up.
Nothing is filled in, corrected or guessed: what cannot be known from the file is asked for, as an `InputError` that
names the key to set.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pandas as pd

from solarlib.files import dates
from solarlib.files.account import Account, Tally
from solarlib.files.clock import DOUBLE, SKIPPED, counted_moments, counts_hours, offset_text, to_utc, twelve_hours
from solarlib.files.dates import DAY_NS, MISSING, ORDERS, SECOND_NS, TIME_LOOKS, DateOrder, time_places
from solarlib.files.energies import clean_tables
from solarlib.files.mapping import Mapping, interval_of, mapping_from_toml, zone_of
from solarlib.files.numbers import NumberMarks, as_numbers
from solarlib.files.shapes import BARE, Words, places_of
from solarlib.files.steps import common_step, first_moments, missing
from solarlib.files.table import blocks, cells_of, line_texts, sniff, split_line
from solarlib.files.texts import told
from solarlib.quantities import counted, refusal, refuse_if

PART_SHARE, PART_LINES = 0.02, 1000  # of a file between two words of progress, and no less


@dataclass(frozen=True)
class Readings:
    """Clean tables of one file.

    Attributes
    ----------
    table : DataFrame
        Rising time-zone-aware index of true times, START labels (a register's label is the moment of its reading);
        columns such as ``net_w`` [W, mean over the interval], ``delivered_kwh`` [kWh in the interval], ``test_load_w``
        [W], ``neighbour_Mill_h`` [kWh/kW in the interval, which is h], ``light_w_m2`` [W/m2], ``cell_temperature_c``
        and ``air_temperature_c`` [degC]. NaN is missing. Energy of a counter stands at the reading that opens the
        interval. Warning: where readings of a counter are missing or set aside, the energy between the sound readings
        around them belongs to no single row. It is NaN here and stands in `intervals` alone, so a sum of this column
        is less than the counter ran.
    step : Timedelta or None
        The interval: given, or the commonest distance of two rows; None where fewer than half the rows keep one.
    registers : dict of Column to Series
        Each register as read, by its column in the mapping; empty without counters. [kWh]
    intervals : dict of Column to DataFrame
        For each register, by its column in the mapping, what `energies.interval_energy` tells.
    account : Account
    """

    table: pd.DataFrame
    step: pd.Timedelta | None
    registers: dict
    intervals: dict
    account: Account


def read(path: str | Path, mapping: Mapping | str, progress: Callable | None = None) -> Readings:
    """Read one file.

    Parameters
    ----------
    path : path
    mapping : Mapping, or path or text of TOML
    progress : callable, optional
        Called with the share done, 0 to 1, after every 2 % of the file (or 1000 lines, if that is more), and with
        exactly 1.0 when all is done.

    Returns
    -------
    Readings

    Raises
    ------
    InputError
        The file holds no table, lacks a column, leaves something open that the mapping must say, or no row of it can
        be used.
    """
    mapping = mapping if isinstance(mapping, Mapping) else mapping_from_toml(mapping)
    look, rows = scan(path, mapping, progress)
    moments, zone = _moments(rows, look)
    lines, moments, columns = _in_order(rows, moments, look)
    names = [str(column.name) for column in mapping.column]
    used = sum(int(np.isfinite(values).sum()) for values in columns)
    account = look.tally.account(look.layout, names, lines, used, look.places.unused)
    _check_head(look.layout, mapping, account)
    if not len(lines):
        raise refusal("no_row", account.name, worst=_worst(account))
    if look.places.counted:
        mapping = replace(mapping, label="start")
    readings = _tables(moments, zone, columns, mapping, account)
    if progress is not None:
        progress(1.0)
    return readings


def scan(path, mapping, progress=None, units=None):
    """Return what is known of a file and its rows, before their times are told from a clock; see `read`.

    Of the rows that are used an array for each thing: ``line`` numbers in the file, ``wall`` clock readings [ns],
    ``offset`` from UTC written beside them [ns], (``value``, number of the column); where there are such, ``since`` the
    time of day that a number tells [ns], ``kind`` of the row by its `where`, (``word``, place) codes of other words.
    """
    layout, places = _layout(path, mapping)
    look = _Look(layout, mapping, places, units or [column.unit for column in mapping.column])
    parts = list(look.parts(progress)) or [look.used(np.zeros(0, np.int64), [])]
    look.tally.notes.insert(0, told("cut", delimiter=layout.delimiter, marks=look.marks, encoding=layout.encoding))
    return look, _joined(parts, look)  # ten million rows need not stand here twice


def _layout(path, mapping):
    """Return how the file is cut, and the `Places` of its columns."""
    named = ((column.name, column.to, *dict(column.where)) for column in mapping.column)
    wanted = [*mapping.time, *(name for names in named for name in names if name)]
    looks = TIME_LOOKS.get(mapping.date_order, TIME_LOOKS[None])
    split = len(mapping.time) > 2  # year, month, day and more

    def is_time(row):
        return sum(cell.isdigit() for cell in row) > 2 if split else bool(time_places(row, looks))

    layout = sniff(path, mapping.encoding, mapping.delimiter, mapping.header_line, wanted, is_time)
    places = places_of(layout, mapping)
    for line, row in layout.above:  # a header below rows of data: they are rows all the same
        if is_time([row[place] for place in places.times]):
            layout = replace(layout, first_line=line)
            break
    return layout, places


class _Look:
    """One reading of a file: what is known of it, and what is gathered on the way."""

    def __init__(self, layout, mapping, places, units):
        self.layout, self.mapping, self.places, self.name = layout, mapping, places, layout.path.name
        self.words, self.tally = Words({} if len(places.values[0]) > 1 else places.unused), Tally()
        self.units = units
        self.marks = NumberMarks(self.name, mapping.decimal, mapping.thousands)
        self.order = DateOrder(mapping.date_order)

    def parts(self, progress):
        """Yield the `Rows` of the file that have a time and a number, part by part; the others go to the tally."""
        layout, tally, marks, done = self.layout, self.tally, self.marks, 0.0
        marks.look(self.cells(layout.sample))
        for block in blocks(layout):
            rows = cells_of(block.texts, layout)
            lines = np.arange(block.first, block.first + len(rows))
            below = lines >= layout.first_line
            widths = np.array([-1 if row is None else len(row) for row in rows])
            blank, fits = widths == -1, widths == layout.width
            tally.lines += len(rows)
            tally.blank += int((below & blank).sum())
            tally.read += int((below & ~blank).sum())
            tally.set_aside("cells", lines[below & ~blank & ~fits])
            held = np.flatnonzero(below & fits)
            if marks.open:
                marks.look(self.cells([rows[place] for place in held.tolist()]))
            count = 1 + int(min((block.end - done) / PART_SHARE, len(rows) / PART_LINES))
            for number, part in enumerate(np.array_split(held, count), 1):
                if part.size:
                    yield self.used(lines[part], [rows[place] for place in part.tolist()])
                if progress is not None:
                    progress(min(0.99, done + (block.end - done) * number / count))
            done = block.end

    def cells(self, rows):
        """Yield the cells of the values."""
        return (row[place] for row in rows for column in self.places.values for place in column)

    def used(self, lines, rows):
        """Return those rows of one part that can be used."""
        order, tally = self.order, self.tally
        kind = self.places.kinds(rows)
        lines, rows, times, values = self.places.spread(lines, rows)
        columns = [[row[place].strip(BARE) for row in rows] for place in times]
        since = self.places.since(columns.pop()) if self.places.clock else None
        stamps = dates.joined_stamps(columns)
        walls, offset = dates.moments(dates.text_matrix(stamps), order.orders)
        if since is not None:
            walls = [np.where((since < 0) | (wall == MISSING), MISSING, wall + since) for wall in walls]
        timed = np.logical_or.reduce([wall != MISSING for wall in walls[order.only]])
        tally.set_aside("time", lines[~timed])
        texts = [[row[place].strip(BARE) for row in rows] for place in values]
        about = zip(texts, self.units, self.mapping.column)
        columns, odd = zip(*(_numbers(cells, self.marks, unit, column.digits) for cells, unit, column in about))
        if kind is not None:
            kind = np.repeat(kind, len(self.places.values[0]))
            tally.set_aside("unasked", lines[timed & (kind == 0)])
            mine = [kind >> number & 1 == 1 for number in range(len(columns))]
            columns = [np.where(one, cells, np.nan) for one, cells in zip(mine, columns)]
            odd = [{case: here & one for case, here in why.items()} for one, why in zip(mine, odd)]
            timed &= kind > 0
        some = np.logical_or.reduce([np.isfinite(cells) for cells in columns])
        tally.set_aside("number", lines[timed & ~some])
        used = timed & some
        for number, (cells, why) in enumerate(zip(texts, odd)):
            for case, here in why.items():
                at = np.flatnonzero(used & here)
                tally.set_cells_aside(case, number, lines[at], (cells[place] for place in at))
        if not used.all():
            rows, stamps = ([one for one, good in zip(all_, used) if good] for all_ in (rows, stamps))
        found = {"line": lines, "offset": offset} | {("value", number): cells for number, cells in enumerate(columns)}
        found |= ({} if since is None else {"since": since}) | ({} if kind is None else {"kind": kind})
        walls, found = [wall[used] for wall in walls], {key: array[used] for key, array in found.items()}
        order.look(walls, found["line"], stamps)
        if all((wall == walls[0]).all() for wall in walls[1:]):
            walls = [walls[0]] * len(walls)  # one array for all, as long as the orders agree
        return walls, found | self.words.codes(rows)

    def stamp(self, line):
        """Return the text of the time in a line."""
        cells = split_line(line_texts(self.layout, [line])[line], self.layout.delimiter)
        return " ".join(cells[place] for place in self.places.times if place < len(cells))


def _numbers(texts, marks, unit, digits):
    """Return the numbers of some cells, and for each case of having none where it holds."""
    values, empty = as_numbers(texts, marks.decimal, marks.thousands, unit)
    odd = {"empty": empty, "no_number": np.isnan(values) & ~empty}
    if digits is not None:
        odd["off_dial"] = (values < 0) | (values >= 10.0**digits)
        values = np.where(odd["off_dial"], np.nan, values)
    return values, odd


def _joined(parts, look):
    """Return the rows of the whole file, in the order of the date that is proved."""
    which, proof = look.order.decide(look.name, look.stamp)
    look.tally.notes += [proof] if proof else []
    rows = {key: np.concatenate([part[key] for _, part in parts]) for key in parts[-1][1]}
    if any(walls[0] is not walls[-1] for walls, _ in parts):
        at = dates.turned([np.concatenate([walls[way] for walls, _ in parts]) for way in range(len(ORDERS))], which)
        refuse_if(at, "turned", look.name, line=rows["line"][at])
    rows["wall"] = np.concatenate([walls[which] for walls, _ in parts])
    refuse_if(twelve_hours(rows["wall"]), "twelve_hours", look.name)
    return rows


def _moments(rows, look):
    """Return the moments in UTC and the zone to show them in; rows that have none go to the tally."""
    mapping, walls, offsets, lines, name = look.mapping, rows["wall"], rows["offset"], rows["line"], look.name
    tally = look.tally
    zone = None if mapping.zone is None else zone_of(mapping.zone)
    bare = offsets == MISSING
    moments = np.where(bare, MISSING, walls - offsets)
    refuse_if(zone is None and bare.any(), "no_zone", name, lines=lines[bare])
    intervals = not look.places.counted and any(not column.counts for column in mapping.column)
    if intervals and mapping.label == "start" and look.order.ends:
        raise refusal("ends", name, line=look.order.ends, text=look.stamp(look.order.ends))
    if look.places.counted and bare.all() and counts_hours(walls, rows["since"], zone):
        moments, after = counted_moments(walls, rows["since"], zone)
        tally.set_aside("beyond", lines[moments >= after])
        moments = np.where(moments >= after, MISSING, moments)
    elif bare.all() and not (walls % DAY_NS).any():  # dates only: a day begins where its first moment is
        moments = first_moments(walls, zone).as_unit("ns").asi8.copy()
    elif bare.any():
        moments[bare], verdict, resolved = to_utc(walls[bare], zone)
        skipped = lines[bare][verdict == SKIPPED]
        if len(skipped) and not mapping.padded:
            raise refusal("skipped_hour", name, line=skipped[0], text=look.stamp(int(skipped[0])), zone=zone)
        tally.set_aside("skipped", skipped)
        tally.set_aside("twice", lines[bare][verdict == DOUBLE])
        if resolved:
            tally.notes.append(told("both_passes", rows=counted(resolved, "row")))
    if zone is None:
        known = np.unique(offsets)
        minutes = int(known[0]) // (60 * SECOND_NS) if len(known) == 1 else 0
        zone = zone_of(offset_text(minutes))
    return moments, zone


def _in_order(rows, moments, look):
    """Return rising moments, each once; repeated ones go to the tally, ``keep`` says which of two is used."""
    tally, known = look.tally, moments != MISSING
    moments, rows = moments[known], {key: array[known] for key, array in rows.items()}
    if look.mapping.keep == "rising" and len(moments):
        late = np.r_[False, moments[1:] <= np.maximum.accumulate(moments)[:-1]]
        tally.set_aside("late", rows["line"][late])
        moments, rows = moments[~late], {key: array[~late] for key, array in rows.items()}
    lines, columns = rows["line"], [rows["value", number] for number in range(len(look.places.values))]
    kind = rows.get("kind", np.zeros(len(lines), np.int8))
    for one in np.unique(kind) if look.words.known else ():
        look.words.refuse_mixed(look.name, moments, rows, kind == one)
    steps = np.diff(moments)
    if (steps > 0).all():
        return lines, moments, columns
    if (steps < 0).all():
        tally.notes.append(told("newest_first"))
    elif (steps < 0).any():
        tally.notes.append(told("in_order", rows=counted(int((steps < 0).sum()), "row stands", "rows stand")))
    order = np.lexsort((lines if look.mapping.keep == "first" else -lines, kind, moments))
    lines, moments, kind, columns = lines[order], moments[order], kind[order], [column[order] for column in columns]
    again = np.r_[False, (np.diff(moments) == 0) & (np.diff(kind) == 0)]
    head = np.maximum.accumulate(np.where(again, 0, np.arange(len(again))))
    same = np.logical_and.reduce([(c == c[head]) | (np.isnan(c) & np.isnan(c[head])) for c in columns])
    tally.set_aside("repeat", lines[again & same])
    tally.set_aside("conflict", lines[again & ~same])
    single, at = np.unique(moments, return_inverse=True)
    wide = [np.full(len(single), np.nan) for _ in columns]  # rows of several directions at one moment are put together
    for new, old in zip(wide, columns):
        held = ~again & np.isfinite(old)
        new[at[held]] = old[held]
    return lines[~again], single, wide


def _check_head(layout, mapping, account):
    """Refuse a file whose rows stand above its header in another width: they would pass for lines of a title."""
    if mapping.header_line is not None:
        return
    head = line_texts(layout, range(1, account.head_lines + 1)).values()
    dated = sum(bool(time_places(split_line(text, layout.delimiter))) for text in head)
    refuse_if(dated > account.rows_read, "head", account.name, dated=dated, it=layout, header=layout.header_line or 1)


def _tables(moments, zone, columns, mapping, account):
    """Return the `Readings`: energies and powers, at true times."""
    index = pd.DatetimeIndex(moments.view("datetime64[ns]"), tz="UTC").tz_convert(zone)
    step = interval_of(mapping.interval) if mapping.interval else common_step(index)
    table, registers, intervals, notes = clean_tables(index, step, columns, mapping, account.name)
    gaps = missing(index, step)
    if step is None:
        notes.append(told("no_step"))
    elif len(gaps):
        lost, minutes = counted(int(gaps["intervals"].sum()), "interval"), step / pd.Timedelta(minutes=1)
        notes.append(told("missing", intervals=lost, minutes=minutes, gaps=counted(len(gaps), "gap")))
    return Readings(table, step, registers, intervals, replace(account, notes=(*account.notes, *notes)))


def _worst(account):
    if not len(account.set_aside):
        return told("no_rows")
    reason = account.set_aside["reason"].value_counts().index[0]
    first = account.set_aside[account.set_aside["reason"] == reason].iloc[0]
    return told("most_rows", reason=reason, line=first["line"], text=first["text"][:80])
