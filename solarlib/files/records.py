"""Tables kept from day to day and bill to bill, in plain CSV files.

A kept file is never rewritten in place: the new whole file is written beside it and then takes its name, so that a
machine switched off at any moment leaves the old file or the new one. A row that was there in part gives way to the
same row with more of the day or period measured; any other row that comes again with other numbers is reported, and
left as it was. Programs that change one file at the same time take turns.

The number of the form stands in the header line as the name of a last, empty column, ``form 1``: spreadsheets and older
programs carry it along. A file without one is of the first form; a newer form is refused.
"""

import csv
import glob
import io
import os
import stat
import tempfile
import time
from collections import Counter
from collections.abc import Callable
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from datetime import date
from pathlib import Path

import numpy as np
import pandas as pd

from solarlib.quantities import counted, refusal, refuse_if

FORM_WORD, KNOWN_FORM = "form ", "form 1"
FORMULA = ("=", "+", "-", "@")  # a text that begins so is a formula to a spreadsheet
LEFT_S = 3600  # age at which half a file is taken for one that a killed run left
LOCK_S = 10.0  # that one and the same lock has stood when its program is taken for killed
DECIMALS = {"_kwh": 3, "_kw": 3, "_share": 4, "_h": 3, "_percent": 1, "_usd": 2}


@dataclass(frozen=True)
class Change:
    """What `keep` did: keys added, keys that were there alike, and rows that came with other numbers."""

    added: tuple
    alike: tuple
    completed: tuple  # keys of rows that were there in part and of which more is measured now
    differing: pd.DataFrame  # key, column, kept, offered, replaced; every changed cell, those of completed rows too
    written: bool

    def __str__(self):
        text = f"{counted(len(self.added), 'row')} added, {len(self.alike)} there already"
        if self.completed:
            text += f", {len(self.completed)} completed"
        other = self.differing.loc[~self.differing["replaced"].astype(bool), "key"].nunique()
        if other:
            text += f", {other} came with other numbers (left as they were)"
        return text + "."


def keep(path: str | Path, table: pd.DataFrame) -> Change:
    """Add new rows to a kept CSV file, or begin it. A run that brings nothing new writes nothing.

    Parameters
    ----------
    path : path
    table : DataFrame
        As from `days.by_day`; the first column is the key, one row a key. A kept note stays unless the new row has one.

    Raises
    ------
    InputError
        The file is no such table or of a newer form, or cannot be written; it is then left as it was.
    """
    path, key = Path(path), table.columns[0]
    new = [{name: _cell(name, value) for name, value in row.items()} for row in table.to_dict("records")]
    refuse_if(len({row[key] for row in new}) < len(new), "key_twice", path.name, key=key)
    while True:
        with _alone(path) as held:
            columns, rows = _load(path, key) if os.path.exists(path) else ([], [])
            rows, change = _joined(rows, new, key)
            names = [name for name in dict.fromkeys([*columns, *table.columns]) if not name.startswith(FORM_WORD)]
            text = io.StringIO()
            writer = csv.DictWriter(text, [*names, KNOWN_FORM], restval="", extrasaction="ignore", lineterminator="\n")
            writer.writeheader()
            writer.writerows(sorted(rows, key=lambda row: row[key]))
            if not change.written or write_whole(path, text.getvalue(), held):
                return change


def _joined(rows, new, key):
    """Return the rows of a kept file with the new ones among them, and the `Change` that this is."""
    places = {row[key]: row for row in rows}
    added, alike, completed, differing = [], [], [], []
    for row in new:
        old = places.get(row[key])
        if old is None:
            rows.append(row)
            added.append(row[key])
            continue
        odd = [name for name, value in row.items() if _differs(name, old.get(name, ""), value)]
        more = bool(odd) and (_more_measured(old, row) or not any(old.get(name) for name in odd))
        differing += [(row[key], name, old.get(name, ""), row[name], more) for name in odd]
        if more:
            completed.append(row[key])
            old.update({name: row[name] for name in odd})
        elif not odd:
            alike.append(row[key])
    cells = pd.DataFrame(differing, columns=["key", "column", "kept", "offered", "replaced"])
    return rows, Change(tuple(added), tuple(alike), tuple(completed), cells, bool(added or completed))


@contextmanager
def _alone(path):
    """Wait for the turn to change a kept file; give a check whether it is still this program's.

    A lock stands beside the file meanwhile. One that stands unchanged for `LOCK_S` is of a program that was killed.
    """
    lock, mine, seen = path.with_name(f".{path.name}.lock"), f"{os.getpid()} since {time.time_ns()}", None
    try:
        while True:
            try:
                with lock.open("x", encoding="utf-8") as file:
                    file.write(mine)
                break
            except FileExistsError:
                if (now := _token(lock)) != seen:
                    seen, since = now, time.monotonic()
                elif time.monotonic() - since > LOCK_S:
                    lock.unlink(missing_ok=True)
                time.sleep(0.01)
    except (OSError, ValueError) as error:
        raise refusal("unwritten", path.name, error=getattr(error, "strerror", None) or error) from None
    try:
        yield lambda: _token(lock) == mine
    finally:
        if _token(lock) == mine:
            lock.unlink(missing_ok=True)


def _token(lock):
    """Return whose turn it is, an empty text where nobody's."""
    with suppress(OSError):
        return lock.read_text(encoding="utf-8")
    return ""


def read_kept(path: str | Path) -> pd.DataFrame:
    """Return a kept file as a DataFrame; numbers are numbers, everything else is text.

    Raises
    ------
    InputError
        The file is no such table, or of a newer form, or holds no number where one belongs.
    """
    columns, rows = _load(Path(path), None)
    frame = pd.DataFrame(rows, columns=[name for name in columns if not name.startswith(FORM_WORD)])
    for name in frame:
        if name.endswith(tuple(DECIMALS)) or name in ("days", "usable_days"):
            for number, cell in enumerate(frame[name], 2):
                damaged = cell.strip() and not np.isfinite(_number(cell))
                refuse_if(damaged, "no_number", Path(path).name, row=number, column=name, cell=cell)
            frame[name] = [_number(cell) for cell in frame[name]]
        else:
            frame[name] = frame[name].str.replace("^'(?=[=+@-])", "", regex=True)
    return frame


def write_whole(path: str | Path, text: str, held: Callable = lambda: True) -> bool:
    """Write a text file so that at every moment the name holds the whole old file or the whole new one.

    Parameters
    ----------
    path : path
    text : str
    held : callable, optional
        Tells, when all is written, whether it may still take the name; if not, the old file stays.

    Returns
    -------
    bool
        Whether the new file has the name now.

    Raises
    ------
    InputError
        It cannot be written; the old file is untouched and no other file is left.
    """
    path, temporary = Path(path), None
    try:
        target = path.resolve()
        if target.is_symlink():  # Python before 3.13 raises by itself
            raise OSError("a link to itself")
        for left in target.parent.glob(f".{glob.escape(path.name)}.*.part"):  # of a run that was killed, not that runs
            if time.time() - left.stat().st_mtime > LEFT_S:
                left.unlink(missing_ok=True)
        mode = stat.S_IMODE(path.stat().st_mode) if path.exists() else 0o644
        handle, temporary = tempfile.mkstemp(prefix=f".{path.name}.", suffix=".part", dir=target.parent)
        # The mark before the text tells a spreadsheet that it is UTF-8.
        with open(handle, "w", encoding="utf-8-sig", newline="") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        os.chmod(temporary, mode)
        if not held():
            return False
        os.replace(temporary, target)
        return True
    except (OSError, ValueError, RuntimeError) as error:  # a path that holds a NUL; a link to itself
        raise refusal("unwritten", path.name, error=getattr(error, "strerror", None) or error) from None
    finally:
        if temporary is not None:
            Path(temporary).unlink(missing_ok=True)


def _cell(name, value):
    if isinstance(value, (float, np.floating)):
        if np.isnan(value):
            return ""
        places = next((count for end, count in DECIMALS.items() if name.endswith(end)), 6)
        return f"{round(float(value), places) + 0.0:.{places}f}"
    text = "\n".join(str(value).replace("\0", "").splitlines())  # a lone return would end the line of the file
    return f"'{text}" if text.startswith(FORMULA) else text


def _differs(name, kept, offered):
    """Compare cells as numbers where both are: a spreadsheet writes 1.50 as 1.5. An empty note takes nothing away."""
    if kept == offered or (name == "note" and not offered):
        return False
    return not _number(kept) == _number(offered)


def _more_measured(kept, offered):
    """Tell whether a row rests on more of its day or period than the kept one."""
    shares = [name for name in ("measured_share", "usable_days") if name in kept and name in offered]
    return any(_number(offered[name]) > _number(kept[name] or 0) for name in shares)


def _number(text):
    """Return the number in a cell, NaN where there is none."""
    try:
        return np.nan if "_" in str(text) else float(text)
    except ValueError:
        return np.nan


def _load(path, key):
    """Return the columns and the rows of a kept file, as text."""
    try:
        text = path.read_text(encoding="utf-8-sig")
        rows = [row for row in csv.reader(io.StringIO(text, newline=""), strict=True) if row]
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        raise refusal("unread", path.name, error=" ".join(str(error).split())) from None
    columns = rows[0] if rows else []
    form = next((name for name in columns if name.startswith(FORM_WORD)), KNOWN_FORM)
    refuse_if(form != KNOWN_FORM, "new_form", path.name, form=form, known=KNOWN_FORM)
    wide = next((number for number, row in enumerate(rows, 1) if len(row) != len(columns)), None)
    if not columns or (key is not None and columns[0] != key) or len(set(columns)) < len(columns) or wide:
        found = f"row {wide} of {len(rows[wide - 1])} cells" if wide else f"the columns {', '.join(columns) or 'none'}"
        raise refusal("no_table", path.name, what=found, key=key or "its names")
    first, records = columns[0], [dict(zip(columns, row)) for row in rows[1:]]
    keys = Counter(row[first] for row in records)
    twice = next((item for item, count in keys.items() if count > 1), None)
    refuse_if(twice is not None, "row_twice", path.name, key=twice, name=first)
    odd = next((item for item in keys if first in ("date", "period_start") and not _is_day(item)), None)
    refuse_if(odd is not None, "no_date", path.name, key=odd, name=first)
    return columns, records


def _is_day(text):
    try:
        return date.fromisoformat(text).isoformat() == text
    except ValueError:
        return False
