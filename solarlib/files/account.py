"""What became of every line of a file: used, or set aside for a reason that a person can check by its line number."""

from dataclasses import dataclass

import pandas as pd

from solarlib.quantities import counted

REASONS = (
    "another number of cells than the table has columns",
    "no date and time that can be read",
    "no number in any of the columns",
    "a local time that the clock skips in spring (if this clock is never changed, set zone to an offset)",
    "a local time that the clock shows twice in autumn, and the order of the rows does not tell which",
    "repeats an earlier row",
    "the same moment as an earlier row, with other numbers",
)
CELLS, TIME, NUMBER, GAP, TWICE, REPEAT, CONFLICT = range(len(REASONS))
CELL_REASONS = ("empty", "not a number", "off the dial of this register")
EMPTY, NO_NUMBER, OFF_DIAL = range(len(CELL_REASONS))
TEXTS_KEPT = 100_000  # beyond this many rows the account gives line numbers without the text


@dataclass(frozen=True)
class Account:
    """What became of each line of a file.

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

    @property
    def balanced(self):
        """Whether all lines and all rows are accounted for."""
        return (
            self.lines == self.head_lines + self.blank_lines + self.rows_read
            and self.rows_read == self.rows_used + len(self.set_aside)
        )

    def __str__(self):
        parts = [f"{self.name}: {self.rows_read} rows read = {self.rows_used} used + {len(self.set_aside)} set aside"]
        for reason, rows in self.set_aside.groupby("reason", sort=False):
            first = rows.iloc[0]
            parts.append(f"  {counted(len(rows), 'row')}: {reason}; first is line {first['line']}: {first['text']!r}")
        for (column, reason), rows in self.cells_set_aside.groupby(["column", "reason"], sort=False):
            parts.append(
                f"  {counted(len(rows), 'cell')} of {column}: {reason}; first is in line {rows.iloc[0]['line']}"
            )
        return "\n".join(parts + [f"  {note}" for note in self.notes])
