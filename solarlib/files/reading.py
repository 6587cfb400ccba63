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
from solarlib.files.clock import DOUBLE, SKIPPED, to_utc, twelve_hours
from solarlib.files.dates import DAY_NS, MISSING, ORDERS, SECOND_NS, DateOrder, looks_like_time, looks_like_unix, turned
from solarlib.files.energies import clean_tables
from solarlib.files.mapping import Mapping, interval_of, mapping_from_toml, zone_of
from solarlib.files.numbers import NumberMarks, as_numbers
from solarlib.files.shapes import Words
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


@dataclass(frozen=True)
class Rows:
    """Rows that are used: their ``line`` numbers, clock readings [ns] in each order of the date that is still possible
    (``walls``), ``offset`` from UTC written beside them [ns], ``values``, an array for each column, and codes of the
    ``words`` in columns without use.
    """

    line: np.ndarray
    walls: tuple
    offset: np.ndarray
    values: tuple
    words: dict


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
    layout, places = _layout(path, mapping)
    tally, marks = Tally(), NumberMarks(layout.path.name, mapping.decimal, mapping.thousands)
    order = DateOrder((mapping.date_order,) if mapping.date_order else ORDERS)
    unused = {at: _title(layout, at) for at in range(layout.width) if at not in {*places[0], *places[1]}}
    words = Words(unused)
    parts = list(_used_rows(layout, mapping, places, tally, marks, order, words, progress))
    tally.notes.insert(0, told("cut", delimiter=layout.delimiter, marks=marks, encoding=layout.encoding))
    codes = {at: np.concatenate([part.words[at] for part in parts]) for at in words.known if parts}
    lines, walls, offsets, columns = _joined(parts, order, layout, places, mapping, tally)
    del parts  # ten million rows need not stand here twice
    moments, zone = _moments(lines, walls, offsets, mapping, layout.path.name, tally)
    words.refuse_mixed(layout.path.name, moments, codes)
    tally.notes += [told("unused", names=", ".join(map(repr, unused.values())))] if unused else []
    lines, moments, columns = _in_order(lines, moments, columns, mapping.keep, tally)
    account = tally.account(layout, [str(column.name) for column in mapping.column], lines)
    _check_head(layout, mapping, account)
    if not len(lines):
        raise refusal("no_row", account.name, worst=_worst(account))
    readings = _tables(moments, zone, columns, mapping, account)
    if progress is not None:
        progress(1.0)
    return readings


def _layout(path, mapping):
    """Return how the file is cut, and the places of the time's and the values' columns."""
    wanted = [*mapping.time, *(column.name for column in mapping.column)]
    is_time = looks_like_unix if mapping.date_order == "unix" else looks_like_time
    layout = sniff(path, mapping.encoding, mapping.delimiter, mapping.header_line, wanted, is_time)
    places = [layout.position(name) for name in wanted]
    refuse_if(len(set(places)) < len(wanted), "column_twice", layout.path.name)
    times, values = places[: len(mapping.time)], places[len(mapping.time) :]
    for line, row in layout.above:  # a header below rows of data: they are rows all the same
        if is_time(" ".join(row[place] for place in times)):
            layout = replace(layout, first_line=line)
            break
    return layout, (times, values)


def _title(layout, at):
    return layout.names[at] if at < len(layout.names) and layout.names[at] else f"column {at + 1}"


def _used_rows(layout, mapping, places, tally, marks, order, words, progress):
    """Yield the `Rows` of the file that have a time and a number, part by part; what has none goes to the tally."""
    marks.look(_cells(layout.sample, places[1]))
    done = 0.0
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
            marks.look(_cells([rows[place] for place in held.tolist()], places[1]))
        count = 1 + int(min((block.end - done) / PART_SHARE, len(rows) / PART_LINES))
        for number, part in enumerate(np.array_split(held, count), 1):
            if part.size:
                held_rows = [rows[place] for place in part.tolist()]
                found = _used(lines[part], held_rows, mapping, places, tally, marks, order)
                at = np.searchsorted(lines[part], found.line).tolist() if words.known else ()
                yield replace(found, words=words.codes([held_rows[place] for place in at]))
            if progress is not None:
                progress(min(0.99, done + (block.end - done) * number / count))
        done = block.end


def _cells(rows, places):
    return (row[place] for row in rows for place in places)


def _used(lines, rows, mapping, places, tally, marks, order):
    """Return those rows of one part that can be used."""
    stamps = [[row[place].strip(' "\t') for row in rows] for place in places[0]]
    stamps = stamps[0] if len(stamps) == 1 else list(map(" ".join, zip(*stamps)))
    walls, offset = dates.moments(dates.text_matrix(stamps), order.orders)
    timed = np.logical_or.reduce([wall != MISSING for wall in walls])
    tally.set_aside("time", lines[~timed])
    texts = [[row[place].strip(' "\t') for row in rows] for place in places[1]]
    columns, odd = zip(*(_numbers(cells, column, marks) for cells, column in zip(texts, mapping.column)))
    some = np.logical_or.reduce([np.isfinite(values) for values in columns])
    tally.set_aside("number", lines[timed & ~some])
    used = timed & some
    for number, (cells, why) in enumerate(zip(texts, odd)):
        for case, here in why.items():
            at = np.flatnonzero(used & here)
            tally.set_cells_aside(case, number, lines[at], (cells[place] for place in at))
    walls = [wall[used] for wall in walls]
    order.look(walls, lines[used], stamps if used.all() else [stamps[place] for place in np.flatnonzero(used)])
    if all((wall == walls[0]).all() for wall in walls[1:]):
        walls = [walls[0]] * len(walls)  # one array for all, as long as the orders agree
    return Rows(lines[used], tuple(walls), offset[used], tuple(values[used] for values in columns), {})


def _numbers(texts, column, marks):
    """Return the numbers of some cells, and for each case of having none where it holds."""
    values, empty = as_numbers(texts, marks.decimal, marks.thousands, column.unit)
    odd = {"empty": empty, "no_number": np.isnan(values) & ~empty}
    if column.digits is not None:
        odd["off_dial"] = (values < 0) | (values >= 10.0**column.digits)
        values = np.where(odd["off_dial"], np.nan, values)
    return values, odd


def _joined(parts, order, layout, places, mapping, tally):
    """Return line numbers, clock readings, offsets and columns of all rows, in the order of the date that is proved."""

    def stamp(line):
        cells = split_line(line_texts(layout, [line])[line], layout.delimiter)
        return " ".join(cells[place] for place in places[0] if place < len(cells))

    which, proof = order.decide(layout.path.name, stamp) if parts else (0, None)
    tally.notes += [proof] if proof else []
    whole = np.zeros(0, np.int64)
    lines, offsets = (np.concatenate([whole, *(getattr(part, name) for part in parts)]) for name in ("line", "offset"))
    walls = np.concatenate([whole, *(part.walls[which] for part in parts)])
    if any(part.walls[0] is not part.walls[-1] for part in parts):
        at = turned([np.concatenate([part.walls[way] for part in parts]) for way in range(len(ORDERS))], which)
        refuse_if(at, "turned", layout.path.name, line=lines[at])
    refuse_if(twelve_hours(walls), "twelve_hours", layout.path.name)
    intervals = any(column.kind != "counter" for column in mapping.column)
    if order.ends and mapping.label == "start" and intervals:
        raise refusal("ends", layout.path.name, line=order.ends, text=stamp(order.ends))
    columns = [np.concatenate([np.zeros(0), *(part.values[n] for part in parts)]) for n in range(len(places[1]))]
    return lines, walls, offsets, columns


def _moments(lines, walls, offsets, mapping, name, tally):
    """Return the moments in UTC and the zone to show them in; rows that have none go to the tally."""
    zone = None if mapping.zone is None else zone_of(mapping.zone)
    bare = offsets == MISSING
    moments = np.where(bare, MISSING, walls - offsets)
    refuse_if(zone is None and bare.any(), "no_zone", name, lines=lines[bare])
    if bare.all() and not (walls % DAY_NS).any():  # dates only: a day begins where its first moment is
        moments = first_moments(walls, zone).as_unit("ns").asi8.copy()
    elif bare.any():
        moments[bare], verdict, resolved = to_utc(walls[bare], zone)
        skipped = lines[bare][verdict == SKIPPED]
        refuse_if(skipped.size and not mapping.padded, "skipped_hour", name, lines=[*skipped, 0], zone=zone)
        tally.set_aside("skipped", skipped)
        tally.set_aside("twice", lines[bare][verdict == DOUBLE])
        if resolved:
            tally.notes.append(told("both_passes", rows=counted(resolved, "row")))
    if zone is None:
        known = np.unique(offsets)
        minutes = int(known[0]) // (60 * SECOND_NS) if len(known) == 1 else 0
        zone = zone_of(f"{'-' if minutes < 0 else '+'}{abs(minutes) // 60:02d}:{abs(minutes) % 60:02d}")
    return moments, zone


def _in_order(lines, moments, columns, keep, tally):
    """Return rising moments, each once; repeated ones go to the tally, ``keep`` says which of two is used."""
    known = moments != MISSING
    if not known.all():
        lines, moments, columns = lines[known], moments[known], [column[known] for column in columns]
    steps = np.diff(moments)
    if (steps > 0).all():
        return lines, moments, columns
    if (steps < 0).all():
        tally.notes.append(told("newest_first"))
    elif (steps < 0).any():
        tally.notes.append(told("in_order", rows=counted(int((steps < 0).sum()), "row stands", "rows stand")))
    order = np.lexsort((lines if keep == "first" else -lines, moments))
    lines, moments, columns = lines[order], moments[order], [column[order] for column in columns]
    again = np.r_[False, np.diff(moments) == 0]
    head = np.maximum.accumulate(np.where(again, 0, np.arange(len(again))))
    same = np.logical_and.reduce([(c == c[head]) | (np.isnan(c) & np.isnan(c[head])) for c in columns])
    tally.set_aside("repeat", lines[again & same])
    tally.set_aside("conflict", lines[again & ~same])
    return lines[~again], moments[~again], [column[~again] for column in columns]


def _check_head(layout, mapping, account):
    """Refuse a file whose rows stand above its header in another width: they would pass for lines of a title."""
    if mapping.header_line is not None:
        return
    head = line_texts(layout, range(1, account.head_lines + 1)).values()
    dated = sum(any(map(looks_like_time, split_line(text, layout.delimiter))) for text in head)
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
