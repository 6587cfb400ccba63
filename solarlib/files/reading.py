"""A person's readings: from a file and a few lines of mapping to clean tables and a complete account.

Every row of the table is either used or set aside, with its line number, its text and the reason; the numbers add up.
Nothing is filled in, corrected or guessed: what cannot be known from the file is asked for, as an `InputError` that
names the key to set.
"""

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from solarlib.files.account import (
    CELL_REASONS,
    CELLS,
    CONFLICT,
    EMPTY,
    GAP,
    NO_NUMBER,
    NUMBER,
    OFF_DIAL,
    REASONS,
    REPEAT,
    TEXTS_KEPT,
    TIME,
    TWICE,
    Account,
)
from solarlib.files.clock import FINE, SKIPPED, to_utc
from solarlib.files.dates import (
    DAY,
    MISSING,
    ORDERS,
    SECOND,
    DateOrder,
    cell_matrix,
    looks_like_time,
    moments as moments_of,
)
from solarlib.files.energies import flows
from solarlib.files.mapping import Mapping, interval_of, mapping_from_toml, zone_of
from solarlib.files.numbers import number_marks, numbers as numbers_of
from solarlib.files.steps import common_step, first_moments, missing
from solarlib.files.table import blocks, line_texts, sniff, split_line
from solarlib.quantities import InputError, counted

PART_BYTES = 1 << 16


@dataclass(frozen=True)
class Readings:
    """Clean tables of one file.

    Attributes
    ----------
    table : DataFrame
        Rising time-zone-aware index of true times, START labels (a register's label is the moment of its reading);
        columns such as ``net_w`` [W, mean over the interval], ``delivered_kwh`` [kWh in the interval], ``test_load_w``
        [W], ``neighbour_Mill_h`` [kWh/kW in the interval, which is h], ``light_w_m2`` [W/m2], ``cell_temperature_c`` and
        ``air_temperature_c`` [degC]. NaN is missing. Energy of a counter stands at the reading that opens the interval.
        Warning: where readings of a counter are missing or set aside, the energy between the sound readings around
        them belongs to no single row. It is NaN here and stands in `intervals` alone, so a sum of this column is less
        than the counter ran.
    step : Timedelta or None
        The interval: given, or the commonest distance of two rows; None where fewer than half the rows keep one.
    registers : DataFrame
        Registers as read [kWh], columns named by the file; empty without counters.
    intervals : dict of str to DataFrame
        For each register what `counters.interval_energy` tells.
    account : Account
    """

    table: pd.DataFrame
    step: pd.Timedelta | None
    registers: pd.DataFrame
    intervals: dict
    account: Account


def read(path, mapping, progress=None):
    """Read one file.

    Parameters
    ----------
    path : path
    mapping : Mapping, or path or text of TOML
    progress : callable, optional
        Called with the share done, 0 to 1, after every 2 % of the file's bytes (or 64 kB, if that is more), and with
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
    wanted = [*mapping.time, *(column.name for column in mapping.column)]
    is_time = _is_unix if mapping.date_order == "unix" else looks_like_time
    layout = sniff(path, mapping.encoding, mapping.delimiter, mapping.header_line, wanted, is_time)
    places = [layout.position(name) for name in mapping.time], [layout.position(c.name) for c in mapping.column]
    if len({*places[0], *places[1]}) < len(wanted):
        raise InputError(f"{layout.path.name}: found one column used twice, allowed is each column once")
    for line, row in layout.above:  # a header below rows of data: they are rows all the same
        if is_time(" ".join(row[place] for place in places[0])):
            layout = replace(layout, first_line=line)
            break
    rows = _Rows(layout, mapping, places)
    total = max(1, layout.path.stat().st_size)
    # A block holds UTF-8; in the file a character may take two or four bytes.
    wide, done = len("00".encode(layout.encoding)) - len("0".encode(layout.encoding)), 0
    for block in blocks(layout):
        rows.late_marks(block)
        for part in _parts(block, max(PART_BYTES, total // 50) // wide):
            rows.take(part)
            done += (int(part.line_end[-1]) - int(part.line_start[0])) * wide
            if progress is not None:
                progress(min(0.99, done / total))
    readings = rows.finish()
    if progress is not None:
        progress(1.0)
    return readings


def _parts(block, size):
    """Yield a block in runs of whole lines of about so many bytes."""
    cuts = np.searchsorted(block.line_end, np.arange(size, len(block.data), size))
    edges = np.unique([0, *cuts, len(block.lines)])
    for start, end in zip(edges[:-1], edges[1:]):
        yield replace(
            block,
            **{
                key: getattr(block, key)[start:end]
                for key in ("lines", "line_start", "line_end", "blank", "fits", "first")
            },
        )


def _is_unix(text):
    return text.strip().isascii() and text.strip().isdigit() and len(text.strip()) in (9, 10, 13)


class _Rows:
    """Rows as they come, block by block; `finish` makes the tables and the account."""

    def __init__(self, layout, mapping, places):
        self.layout, self.mapping, (self.time_places, self.value_places) = layout, mapping, places
        self.orders = (mapping.date_order,) if mapping.date_order else ORDERS
        self.order = DateOrder(self.orders)
        self.marks_open = False
        self.decimal, self.thousands = self._marks([row[place] for row in layout.sample for place in self.value_places])
        self.lines, self.walls, self.offsets, self.values = [], [], [], []
        self.aside, self.odd_cells = [], []  # (reason, lines); (column, reason, lines)
        self.total = self.blank = 0

    def _marks(self, texts):
        """Decimal and thousands marks: given, or proved by texts; with texts that hold none the question stays open."""
        given, group = self.mapping.decimal, self.mapping.thousands
        if given is not None:
            return given, group or ""
        texts = [text for text in texts if text.strip(" +-.,'0123456789eE\u00a0\u202f") == ""]
        self.marks_open = not any("," in text or "." in text for text in texts)
        point, found, proved = number_marks(texts)
        if not proved:
            example = next(text for text in texts if "," in text or "." in text)
            raise InputError(
                f"{self.layout.path.name}: found numbers such as {example!r}, in which the mark may stand before decimals "
                'or between thousands; allowed is one meaning: set decimal = "." or decimal = ",", and thousands'
            )
        return point, found if group is None else group

    def late_marks(self, block):
        """The first rows of a dark week may be bare zeros: look for the first numbers of a block that show a mark."""
        fit = np.flatnonzero((block.lines >= self.layout.first_line) & block.fits) if self.marks_open else ()
        for place in self.value_places if len(fit) else ():
            start, end = block.cell(place, fit)
            shown = cell_matrix(block, [(start, end)])
            rows = np.flatnonzero(((shown == 44) | (shown == 46)).any(axis=1))[:2000]
            if rows.size:
                texts = block.texts(start[rows], end[rows], self.layout.encoding)
                self.decimal, self.thousands = self._marks(texts)
                if not self.marks_open:
                    return

    def take(self, block):
        """Take in one block of lines."""
        self.total += len(block.lines)
        table = block.lines >= self.layout.first_line
        self.blank += int((block.blank & table).sum())
        table &= ~block.blank
        self._set_aside(CELLS, block.lines[table & ~block.fits])
        rows = np.flatnonzero(table & block.fits)
        if not rows.size:
            return
        lines = block.lines[rows]
        spans = [block.cell(place, rows) for place in self.time_places]
        walls, offset = moments_of(cell_matrix(block, spans), self.orders)
        timed = np.logical_or.reduce([wall != MISSING for wall in walls])
        self._set_aside(TIME, lines[~timed])
        numbers, nothing = [], []
        cut = [block.cell(place, rows) for place in self.value_places]
        for start, end in cut:
            values, empty = numbers_of(block, start, end, self.layout.encoding, self.decimal, self.thousands)
            column = self.mapping.column[len(numbers)]
            odd = np.where(empty, EMPTY, NO_NUMBER)
            if column.digits is not None:
                odd = np.where(np.isfinite(values), OFF_DIAL, odd)
                values = np.where((values >= 0) & (values < 10.0**column.digits), values, np.nan)
            numbers.append(values)
            nothing.append(odd)
        some = np.logical_or.reduce([np.isfinite(values) for values in numbers])
        self._set_aside(NUMBER, lines[timed & ~some])
        used = timed & some
        for number, (values, why) in enumerate(zip(numbers, nothing)):
            odd = used & ~np.isfinite(values)
            for reason in np.unique(why[odd]).tolist():
                self.odd_cells.append((number, reason, lines[odd & (why == reason)]))
        self.order.look([wall[used] for wall in walls], lines[used])
        self.lines.append(lines[used])
        alike = all((wall == walls[0]).all() for wall in walls[1:])
        self.walls.append([walls[0][used]] * len(walls) if alike else [wall[used] for wall in walls])
        self.offsets.append(offset[used])
        self.values.append([values[used] for values in numbers])

    def _set_aside(self, reason, lines):
        if len(lines):
            self.aside.append((reason, lines))

    def finish(self):
        """Return the `Readings`."""
        name = self.layout.path.name
        self.notes = [
            f"cells are split at {self.layout.delimiter!r}, decimals written with {self.decimal!r}"
            + (f", thousands with {self.thousands!r}" if self.thousands else "")
            + f", text is {self.layout.encoding}"
        ]
        which = 0
        if self.lines:
            which, proof = self.order.decide(name, self._time_text)
            self.notes += [proof] if proof else []
        lines = np.concatenate([np.zeros(0, np.int64), *self.lines])
        walls = np.concatenate([np.zeros(0, np.int64), *(block[which] for block in self.walls)])
        offsets = np.concatenate([np.zeros(0, np.int64), *self.offsets])
        columns = [
            np.concatenate([np.zeros(0), *(block[number] for block in self.values)])
            for number in range(len(self.value_places))
        ]
        self.lines = self.walls = self.offsets = self.values = ()  # ten million rows need not stand here twice
        moments, zone = self._moments(lines, walls, offsets)
        del walls, offsets
        keep = moments != MISSING
        if not keep.all():
            lines, moments, columns = lines[keep], moments[keep], [column[keep] for column in columns]
        lines, moments, columns = self._in_order(lines, moments, columns)
        account = self._account(lines)
        self._check_head(account)
        if not len(lines):
            raise InputError(f"{name}: found no row that can be used, allowed is one or more; " + _worst(account))
        return self._tables(moments, zone, columns, account)

    def _time_text(self, line):
        from_file = line_texts(self.layout, [line])[line]
        found = split_line(from_file, self.layout.delimiter)
        return " ".join(found[place] for place in self.time_places if place < len(found))

    def _moments(self, lines, walls, offsets):
        """Moments in UTC and the zone to show them in; rows that have none are set aside."""
        zone = None if self.mapping.zone is None else zone_of(self.mapping.zone)
        bare = offsets == MISSING
        moments = np.where(bare, MISSING, walls - offsets)
        if zone is None and bare.any():
            raise InputError(
                f"{self.layout.path.name}: found times without offset from UTC (line {lines[bare][0]}), allowed is a zone "
                'for them: set zone = "America/New_York" or the like, or an offset such as "-05:00"'
            )
        if bare.all() and not (walls % DAY).any():  # dates only: a day begins where its first moment is
            moments = first_moments(walls, zone).as_unit("ns").asi8.copy()
        elif bare.any():
            utc, verdict, resolved = to_utc(walls[bare], zone)
            moments[bare] = utc
            self._set_aside(GAP, lines[bare][verdict == SKIPPED])
            self._set_aside(TWICE, lines[bare][(verdict != FINE) & (verdict != SKIPPED)])
            if resolved:
                self.notes.append(
                    f"{counted(resolved, 'row')} of hours that the clock shows twice, told apart by their order"
                )
        if zone is None:
            known = np.unique(offsets)
            minutes = int(known[0]) // (60 * SECOND) if len(known) == 1 else 0
            zone = zone_of(f"{'-' if minutes < 0 else '+'}{abs(minutes) // 60:02d}:{abs(minutes) % 60:02d}")
        return moments, zone

    def _in_order(self, lines, moments, columns):
        """Rising moments, each once."""
        steps = np.diff(moments)
        if (steps > 0).all():
            return lines, moments, columns
        if (steps < 0).all():
            self.notes.append("rows stand newest first; they were turned round")
        elif (steps < 0).any():
            self.notes.append(
                f"{counted(int((steps < 0).sum()), 'row stands', 'rows stand')} before an older one; all were put in order"
            )
        order = np.lexsort((lines if self.mapping.keep == "first" else -lines, moments))
        lines, moments, columns = lines[order], moments[order], [column[order] for column in columns]
        again = np.r_[False, np.diff(moments) == 0]
        if again.any():
            head = np.maximum.accumulate(np.where(again, 0, np.arange(len(again))))
            same = np.logical_and.reduce([(c == c[head]) | (np.isnan(c) & np.isnan(c[head])) for c in columns])
            self._set_aside(REPEAT, lines[again & same])
            self._set_aside(CONFLICT, lines[again & ~same])
            lines, moments, columns = lines[~again], moments[~again], [column[~again] for column in columns]
        return lines, moments, columns

    def _account(self, used):
        reasons = np.concatenate([np.zeros(0, np.int64), *(np.full(len(lines), r) for r, lines in self.aside)])
        lines = np.concatenate([np.zeros(0, np.int64), *(lines for _, lines in self.aside)])
        order = np.argsort(lines, kind="stable")
        lines, reasons = lines[order], reasons[order]
        odd = [(line, number, reason) for number, reason, rows in self.odd_cells for line in rows[:TEXTS_KEPT].tolist()]
        kept = np.isin([line for line, _, _ in odd], used) if odd else []
        odd = sorted(row for row, keep in zip(odd, kept) if keep)
        texts = line_texts(self.layout, np.r_[lines[:TEXTS_KEPT], [line for line, _, _ in odd]].astype(np.int64))
        head = min(self.layout.first_line - 1, self.total)
        aside = pd.DataFrame(
            {
                "line": lines,
                "reason": pd.Categorical.from_codes(reasons, REASONS).remove_unused_categories(),
                "text": [texts.get(line, "") for line in lines[:TEXTS_KEPT].tolist()]
                + [""] * max(0, len(lines) - TEXTS_KEPT),
            }
        )
        aside["reason"] = aside["reason"].astype(object)
        cut = [(line, number, reason, split_line(texts[line], self.layout.delimiter)) for line, number, reason in odd]
        cells_aside = pd.DataFrame(
            [
                (
                    line,
                    self._title(number),
                    CELL_REASONS[reason],
                    row[self.value_places[number]] if self.value_places[number] < len(row) else "",
                )
                for line, number, reason, row in cut
            ],
            columns=["line", "column", "reason", "text"],
        )
        if sum(len(rows) for _, _, rows in self.odd_cells) > len(odd) and len(odd) >= TEXTS_KEPT:
            self.notes.append(f"of the cells without a number only {len(odd)} are listed")
        return Account(
            self.layout.path.name,
            self.total,
            head,
            self.blank,
            len(used) + len(lines),
            len(used),
            aside,
            cells_aside,
            tuple(self.notes),
        )

    def _check_head(self, account):
        """Refuse a file whose rows stand above its header in another width: they would pass for lines of a title."""
        if self.mapping.header_line is not None or not account.head_lines:
            return
        head = line_texts(self.layout, np.arange(1, account.head_lines + 1)).values()
        dated = sum(any(map(looks_like_time, split_line(text, self.layout.delimiter))) for text in head)
        if dated > account.rows_read:
            raise InputError(
                f"{account.name}: found {dated} lines with a date above the first row in line {self.layout.first_line}, "
                f"more than below it, allowed is a header above its rows: put it there, or set header_line = {self.layout.header_line or 1}"
            )

    def _title(self, number):
        return str(self.mapping.column[number].name)

    def _tables(self, moments, zone, columns, account):
        index = pd.DatetimeIndex(moments.view("datetime64[ns]"), tz="UTC").tz_convert(zone)
        given = self.mapping.interval
        step = interval_of(given) if given else common_step(index)
        table, registers, intervals, notes = flows(index, step, columns, self.mapping, account.name)
        gaps = missing(index, step)
        if step is None:
            notes.append("the rows keep no common step; each stands at its true time")
        elif len(gaps):
            notes.append(
                f"missing: {counted(int(gaps['intervals'].sum()), 'interval')} of {step / pd.Timedelta(minutes=1):g} min, in {counted(len(gaps), 'gap')}"
            )
        return Readings(table, step, registers, intervals, replace(account, notes=(*account.notes, *notes)))


def _worst(account):
    if not len(account.set_aside):
        return "the file ends with its header"
    reason = account.set_aside["reason"].value_counts().index[0]
    first = account.set_aside[account.set_aside["reason"] == reason].iloc[0]
    return f"most rows have {reason}, as line {first['line']}: {first['text'][:80]!r}"
