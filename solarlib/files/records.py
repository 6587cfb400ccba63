"""Tables kept from day to day and bill to bill: sums with the share of the day they rest on, in plain CSV files.

A kept file is never rewritten in place: the new whole file is written beside it and then takes its name, so that a
machine switched off at any moment leaves the old file or the new one. A row that was there in part gives way to the
same row with more of the day or period measured; any other row that comes again with other numbers is reported, and
replaced only where a person says so.
"""

import csv
import glob
import io
import os
import stat
import tempfile
import time
from dataclasses import dataclass
from datetime import date
from pathlib import Path

import numpy as np
import pandas as pd

from solarlib.quantities import InputError, counted

FLOWS = ("generation", "delivered", "received")
COMPLETE_SHARE = 0.99  # of a day's intervals: below, the day is only in part there
DAILY = (
    "date",
    "generation_kwh",
    "delivered_kwh",
    "received_kwh",
    "peak_kw",
    "peak_time",
    "measured_share",
    "quality",
    "note",
)
DECIMALS = {"_kwh": 3, "_kw": 3, "_share": 4, "_h": 3, "_percent": 1, "_usd": 2}


def daily(table, step, notes=None):
    """Sum readings by local day.

    Parameters
    ----------
    table : DataFrame, rising time-zone-aware index, START labels
        ``generation``, ``delivered``, ``received`` as ``_kwh`` [kWh] or ``_w`` [W]; others are passed over.
    step : Timedelta
        Length of an interval.
    notes : dict of date text to text, optional
        Remarks such as snow or guests.

    Returns
    -------
    DataFrame
        Columns `DAILY`, one row a local day from the first to the last. ``measured_share``: part of the day in which
        every flow was measured (a day of 23 or 25 hours is whole at that length). ``quality``: ``complete``, ``part``
        or ``empty``. Sums are of what was measured; a flow never measured that day is empty, never 0.
    """
    step = pd.Timedelta(step)
    names = {flow: f"{flow}{unit}" for flow in FLOWS for unit in ("_kwh", "_w") if f"{flow}{unit}" in table}
    if not names or not isinstance(table.index, pd.DatetimeIndex) or table.index.tz is None or not len(table):
        raise InputError(
            f"readings: found columns {', '.join(map(str, table.columns)) or 'none'}, allowed is a time-zone-aware "
            f"table with one or more of {', '.join(FLOWS)}"
        )
    hours = step / pd.Timedelta(hours=1)
    energy = pd.DataFrame(
        {flow: table[name] * (hours / 1000 if name.endswith("_w") else 1.0) for flow, name in names.items()}
    )
    midnights = table.index.tz_localize(None).normalize()
    days = pd.date_range(midnights[0], midnights[-1], freq="D")
    start = pd.DatetimeIndex(days.append(days[-1:] + pd.Timedelta(days=1))).tz_localize(
        table.index.tz, ambiguous=np.ones(len(days) + 1, bool), nonexistent="shift_forward"
    )
    whole_days = step == pd.Timedelta(days=1)  # on the local clock: 23 or 25 hours are one such day too
    expected = np.ones(len(days)) if whole_days else np.diff(start.as_unit("ns").asi8) / step.value
    grouped = energy.groupby(midnights)
    sums = grouped.sum(min_count=1).reindex(days)
    share = energy.notna().all(axis=1).groupby(midnights).sum().reindex(days, fill_value=0).to_numpy() / expected
    out = pd.DataFrame({"date": days.strftime("%Y-%m-%d")})
    for flow in FLOWS:
        out[f"{flow}_kwh"] = sums[flow].to_numpy() if flow in sums else np.nan
    out["peak_kw"], out["peak_time"] = np.nan, ""
    if "generation" in energy and not whole_days:
        power = energy["generation"].dropna()
        best = power.groupby(power.index.tz_localize(None).normalize()).idxmax()
        at = days.get_indexer(best.index)
        out.loc[at, "peak_kw"] = power[best.to_numpy()].to_numpy() / hours
        out.loc[at, "peak_time"] = [f"{label:%H:%M}" for label in best]
    out["measured_share"] = np.minimum(share, 1.0)
    out["quality"] = np.select(
        [share >= COMPLETE_SHARE, sums.notna().any(axis=1).to_numpy()], ["complete", "part"], "empty"
    )
    out["note"] = [str((notes or {}).get(day, "")) for day in out["date"]]
    return out[list(DAILY)]


def by_period(days, reads):
    """Sum daily rows by billing period.

    Parameters
    ----------
    days : DataFrame
        As from `daily`.
    reads : sequence of dates
        Days on which the meter is read (at 00:00); the first opens the first period.

    Returns
    -------
    DataFrame
        ``period_start``, ``period_end`` (not included), ``days``, ``usable_days``, ``generation_kwh``,
        ``delivered_kwh``, ``received_kwh``, ``self_consumed_kwh``, ``use_kwh``, ``net_kwh``, ``quality``. Energies
        are sums of the complete days; ``quality`` is ``complete`` or tells how many days are unusable.
    """
    edges = [f"{pd.Timestamp(read):%Y-%m-%d}" for read in reads]
    if len(edges) < 2 or any(a >= b for a, b in zip(edges, edges[1:])):
        raise InputError(f"reads: found {', '.join(edges) or 'none'}, allowed are two or more rising dates")
    day, rows = days["date"].astype(str), []
    for start, end in zip(edges, edges[1:]):
        length = (pd.Timestamp(end) - pd.Timestamp(start)).days
        inside = days[(day >= start) & (day < end) & (days["quality"] == "complete")]
        flows = {flow: _sum(inside[f"{flow}_kwh"]) for flow in FLOWS}
        g, d, r = (flows[flow] for flow in FLOWS)
        bad = length - len(inside)
        rows.append(
            {
                "period_start": start,
                "period_end": end,
                "days": length,
                "usable_days": len(inside),
                **{f"{flow}_kwh": value for flow, value in flows.items()},
                "self_consumed_kwh": g - r,
                "use_kwh": d + g - r,
                "net_kwh": d - r,
                "quality": "complete" if not bad else f"{bad} of {length} days unusable",
            }
        )
    return pd.DataFrame(rows)


def _sum(values):
    return float(values.sum()) if len(values) and values.notna().all() else np.nan


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
        other = self.differing[~self.differing["key"].isin(self.completed)]
        if len(other):
            rows = other["key"].nunique()
            kept = rows - other.loc[other["replaced"].astype(bool), "key"].nunique()
            text += f", {rows} came with other numbers ({kept} left as they were, {rows - kept} replaced as asked)"
        return text + "."


def keep(path, table, replace=()):
    """Add new rows to a kept CSV file, or begin it.

    Parameters
    ----------
    path : path
    table : DataFrame
        As from `daily` or `by_period`; the first column is the key, one row a key.
    replace : sequence of str
        Keys whose kept numbers give way to new ones. A kept note stays unless the new row has one.

    Returns
    -------
    Change
        A run that brings nothing new writes nothing.

    Raises
    ------
    InputError
        The file is no such table, or cannot be written; it is then left as it was.
    """
    path = Path(path)
    key = table.columns[0]
    new = _as_text(table)
    if len({row[key] for row in new}) < len(new):
        raise InputError(f"{path.name}: found a {key} twice among the new rows, allowed is one row each")
    columns, kept = _load(path, key) if path.exists() else (list(table.columns), [])
    columns = columns + [name for name in table.columns if name not in columns]
    places = {row[key]: row for row in kept}
    added, alike, completed, differing = [], [], [], []
    for row in new:
        old = places.get(row[key])
        if old is None:
            kept.append(row)
            added.append(row[key])
            continue
        odd = [
            name
            for name, value in row.items()
            if not _equal(old.get(name, ""), value) and not (name == "note" and not value)
        ]
        if not odd:
            alike.append(row[key])
        more = bool(odd) and _more_measured(old, row)
        completed += [row[key]] * more
        for name in odd:
            differing.append((row[key], name, old.get(name, ""), row[name], more or row[key] in replace))
            if differing[-1][-1]:
                old[name] = row[name]
    change = any(row[-1] for row in differing) or bool(added)
    if change:
        kept.sort(key=lambda row: row[key])
        text = io.StringIO()
        writer = csv.DictWriter(text, columns, restval="", lineterminator="\n")
        writer.writeheader()
        writer.writerows(kept)
        write_whole(path, text.getvalue())
    return Change(
        tuple(added),
        tuple(alike),
        tuple(completed),
        pd.DataFrame(differing, columns=["key", "column", "kept", "offered", "replaced"]),
        change,
    )


def load(path):
    """Return a kept file as a DataFrame; numbers are numbers, everything else is text."""
    path = Path(path)
    columns, rows = _load(path, None)
    frame = pd.DataFrame(rows, columns=columns)
    for name in columns:
        if name.endswith(tuple(DECIMALS)) or name in ("days", "usable_days"):
            frame[name] = pd.to_numeric(frame[name].replace("", np.nan).astype(object), errors="coerce").astype(float)
    return frame


def write_whole(path, text):
    """Write a text file so that at every moment the name holds the whole old file or the whole new one.

    Raises
    ------
    InputError
        It cannot be written; the old file is untouched and no other file is left.
    """
    path, temporary = Path(path), None
    try:
        for left in path.resolve().parent.glob(
            f".{glob.escape(path.name)}.*.part"
        ):  # of a run that was killed, not of one that runs
            if time.time() - left.stat().st_mtime > 3600:
                left.unlink(missing_ok=True)
        mode = stat.S_IMODE(path.stat().st_mode) if path.exists() else 0o644
        handle, temporary = tempfile.mkstemp(prefix=f".{path.name}.", suffix=".part", dir=path.resolve().parent)
        with open(
            handle, "w", encoding="utf-8-sig", newline=""
        ) as file:  # the mark tells a spreadsheet that it is UTF-8
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        os.chmod(temporary, mode)
        os.replace(temporary, path.resolve())
        temporary = None
    except OSError as error:
        raise InputError(
            f"{path.name}: found {error.strerror or error} while writing, allowed is a folder with room and the "
            "right to write; the file is as it was"
        ) from None
    finally:
        if temporary is not None:
            Path(temporary).unlink(missing_ok=True)


def _as_text(table):
    rows = []
    for record in table.to_dict("records"):
        rows.append({name: _cell(name, value) for name, value in record.items()})
    return rows


def _cell(name, value):
    if isinstance(value, (float, np.floating)):
        if np.isnan(value):
            return ""
        places = next((count for end, count in DECIMALS.items() if name.endswith(end)), 6)
        return f"{round(float(value), places) + 0.0:.{places}f}"
    return str(value)


def _equal(kept, offered):
    """Compare cells as numbers where both are: a spreadsheet writes 1.50 as 1.5."""
    if kept == offered:
        return True
    try:
        return float(kept) == float(offered)
    except ValueError:
        return False


def _more_measured(kept, offered):
    """Tell whether a row rests on more of its day or period than the kept one."""
    for name in ("measured_share", "usable_days"):
        if name in kept and name in offered:
            try:
                return float(offered[name]) > float(kept[name] or 0)
            except ValueError:
                return False
    return False


def _load(path, key):
    try:
        text = path.read_text(encoding="utf-8-sig")
        rows = list(csv.reader(io.StringIO(text, newline=""), strict=True))
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        raise InputError(
            f"{path.name}: found {' '.join(str(error).split())}, allowed is a table kept by this course, in UTF-8"
        ) from None
    columns = rows[0] if rows else []
    rows = [row for row in rows if row]
    wide = next((number for number, row in enumerate(rows, 1) if len(row) != len(columns)), None)
    if not columns or (key is not None and columns[0] != key) or len(set(columns)) < len(columns) or wide:
        found = f"row {wide} of {len(rows[wide - 1])} cells" if wide else f"the columns {', '.join(columns) or 'none'}"
        raise InputError(
            f"{path.name}: found {found}, allowed is a table split at commas that begins with {key or 'its names'}; "
            "a spreadsheet may have saved it with other marks or dates"
        )
    records = [dict(zip(columns, row)) for row in rows[1:]]
    keys = [row[columns[0]] for row in records]
    if len(set(keys)) < len(keys):
        twice = next(item for item in keys if keys.count(item) > 1)
        raise InputError(f"{path.name}: found {twice!r} twice, allowed is one row for each {columns[0]}")
    odd = next((item for item in keys if columns[0] in ("date", "period_start") and not _is_day(item)), None)
    if odd is not None:
        raise InputError(
            f"{path.name}: found {odd!r} as {columns[0]}, allowed is a date such as 2026-03-31; a spreadsheet may have changed it"
        )
    return columns, records


def _is_day(text):
    try:
        return len(text) == 10 and bool(date.fromisoformat(text)) and text[4] == text[7] == "-"
    except ValueError:
        return False
