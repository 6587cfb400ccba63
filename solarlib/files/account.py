"""What became of every line of a file: used, or set aside for a reason that a person can check by its line number."""

from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from solarlib.files.table import line_texts
from solarlib.files.texts import told
from solarlib.quantities import counted

TEXTS_KEPT = 100_000  # beyond this many rows the account gives line numbers without the text


@dataclass(frozen=True)
class Account:
    """What became of each line of a file; an account that does not add up cannot be made.

    Attributes
    ----------
    name : str
        Of the file.
    lines, head_lines, blank_lines : int
        All lines; those up to the header line or before the first row; empty ones below.
    rows_read, rows_used : int
    set_aside : DataFrame
        ``line``, ``reason``, ``text`` of each row that is not used.
    cells_set_aside : DataFrame
        ``line``, ``column``, ``reason``, ``text`` of single cells without a number, in rows that are used.
    notes : tuple of str
        What was found out about the file and what was done with it.
    """

    name: str
    lines: int
    head_lines: int
    blank_lines: int
    rows_read: int
    rows_used: int
    set_aside: pd.DataFrame
    cells_set_aside: pd.DataFrame
    notes: tuple

    def __post_init__(self):
        rows = self.rows_used + len(self.set_aside)
        if (self.lines, self.rows_read) != (self.head_lines + self.blank_lines + self.rows_read, rows):
            raise ArithmeticError(f"{self.name}: an account that does not add up, {self}")

    def __str__(self):
        parts = [f"{self.name}: {self.rows_read} rows read = {self.rows_used} used + {len(self.set_aside)} set aside"]
        for reason, rows in self.set_aside.groupby("reason", sort=False):
            first = rows.iloc[0]
            parts.append(f"  {counted(len(rows), 'row')}: {reason}; first is line {first['line']}: {first['text']!r}")
        for (column, reason), rows in self.cells_set_aside.groupby(["column", "reason"], sort=False):
            first = rows.iloc[0]["line"]
            parts.append(f"  {counted(len(rows), 'cell')} of {column}: {reason}; first is in line {first}")
        return "\n".join(parts + [f"  {note}" for note in self.notes])


@dataclass
class Tally:
    """Counts what becomes of the lines while a file is read; `account` closes it."""

    lines: int = 0
    blank: int = 0
    read: int = 0  # rows
    rows: list = field(default_factory=list)  # (reason, line numbers)
    cells: list = field(default_factory=list)  # (line, number of the column, reason, text), the first of them
    notes: list = field(default_factory=list)

    def set_aside(self, case, lines):
        """Note rows that are not used, by their line numbers; a case of ``texts.toml`` says why."""
        if len(lines):
            self.rows.append((told(case), np.asarray(lines, np.int64)))

    def set_cells_aside(self, case, column, lines, texts):
        """Note single cells without a number; beyond `TEXTS_KEPT` they are not listed, and a note says so."""
        room, reason = TEXTS_KEPT - len(self.cells), told(case)
        self.cells += [(line, column, reason, text) for line, text in zip(lines[:room].tolist(), texts)]
        note = told("cells_cut", kept=TEXTS_KEPT)
        if len(lines) > room and note not in self.notes:
            self.notes.append(note)

    def account(self, layout, titles, lines, values, unused):
        """Return the `Account`.

        ``titles`` of the columns, ``lines`` of the readings that are used, how many ``values`` they hold, names of the
        columns that are ``unused``. A line of which one value is used is no row set aside: its other values are cells.
        """
        used = lines if (np.diff(lines) > 0).all() else np.unique(lines)
        parts = [pd.DataFrame({"line": rows, "reason": reason}) for reason, rows in self.rows]
        rows = pd.concat([pd.DataFrame({"line": np.zeros(0, np.int64), "reason": ""}), *parts])
        kept = np.isin(rows["line"], used)
        self.cells += [(line, 0, reason, "") for line, reason in zip(rows["line"][kept].tolist(), rows["reason"][kept])]
        aside = rows[~kept].drop_duplicates("line").sort_values("line", ignore_index=True)
        texts = line_texts(layout, aside["line"].head(TEXTS_KEPT).tolist())
        aside["text"] = aside["line"].map(texts).astype(object).fillna("")
        cells = pd.DataFrame(sorted(self.cells), columns=["line", "column", "reason", "text"])
        cells["column"] = cells["column"].map(dict(enumerate(titles)))
        cells = cells[np.isin(cells["line"].to_numpy(np.int64), used)].reset_index(drop=True)
        if values != len(used) or len(cells):
            self.notes.append(told("values", used=values, aside=len(cells)))
        if unused:
            self.notes.append(told("unused", names=", ".join(map(repr, unused.values()))))
        counts = self.lines, min(layout.first_line - 1, self.lines), self.blank, self.read, len(used)
        return Account(layout.path.name, *counts, aside, cells, tuple(self.notes))
