"""A record of an unsigned reading, its PV power and the test load's timetable: checked and laid out in arrays."""

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from solarlib.direction.likelihood import roughness
from solarlib.quantities import InputError, in_full, one_of, require

LARGEST_W = 1e6
READING_KINDS = ("mean", "snapshot")
PV_WINDOWS_S = (60, 120, 300, 600, 900, 1800, 3600)
BY_SAMPLE = ("rows", "time_s", "reading_w", "test_share", "untold")  # arrays of a record with a value a sample
_LONGEST_GAP = 3.0  # intervals that a sample of an irregular record stands for at most


@dataclass(frozen=True)
class Record:
    """Arrays of one record; only rows with a reading.

    Parameters
    ----------
    rows : ndarray of int, shape (n,)
        Places of these samples in the table they came from.
    time_s : ndarray, shape (n,)
        Start of each sample. [s]
    reading_w, test_share : ndarray, shape (n,)
        Unsigned reading [W] and the share of it with the test load on.
    untold : ndarray of bool, shape (n,)
        Samples of which nobody says whether the test load ran; its share then stands as 0.
    window_middle_s, window_pv_w : ndarray, shape (k,)
        PV power as means over windows; NaN where not known. [s, W]
    interval_s, window_s : float
        Length of a sample and of a PV window. [s]
    kind : str
        ``"mean"`` over the sample, or ``"snapshot"``.
    midnight_s : float
        Time of the local midnight before the first row. [s]
    """

    rows: np.ndarray
    time_s: np.ndarray
    reading_w: np.ndarray
    test_share: np.ndarray
    untold: np.ndarray
    window_middle_s: np.ndarray
    window_pv_w: np.ndarray
    interval_s: float
    window_s: float
    kind: str
    midnight_s: float = 0.0

    def pv_at(self, late_s=0.0, gain=1.0):
        """Return the PV power at each sample, how rough it is around it, and where it is not known.

        Parameters
        ----------
        late_s : float
            How much the PV clock is behind: its stamps are too late by this. [s]
        gain : float
            What the PV instrument shows for 1 W.

        Returns
        -------
        tuple of ndarray, each of shape (n,)
            Power [W], roughness [W], unknown (bool).
        """
        known, nothing = np.isfinite(self.window_pv_w), np.zeros(self.time_s.size)
        if not known.any():
            return nothing, nothing, np.ones(nothing.size, dtype=bool)
        middle = self.window_middle_s - late_s
        power = np.interp(middle, middle[known], self.window_pv_w[known]) / gain
        at = self.time_s + self.interval_s / 2
        # Matching windows are exact; a clock between two of them mixes both.
        mixing = 1.0
        if self.window_s <= self.interval_s:
            mixing = min(1.0, 2 * abs(late_s / self.window_s - round(late_s / self.window_s)))
        rough = np.interp(at, middle, mixing * roughness(power)) if mixing else nothing
        outside = np.abs(at - (middle[0] + middle[-1]) / 2) > (middle[-1] - middle[0]) / 2 + self.window_s
        unknown = outside | (np.interp(at, middle, known.astype(float)) < 0.5)
        return np.interp(at, middle, power), rough, unknown

    def take(self, keep):
        """Return the record with only some of its samples."""
        return replace(self, **{name: getattr(self, name)[keep] for name in BY_SAMPLE})

    @property
    def hours(self):
        """Time that each sample stands for: one interval, or the time to the next if they come irregularly. [h]

        Missed samples are not made up for.
        """
        steps = self.gap[1:]
        if steps.size == 0 or np.mean(np.abs(steps - np.round(steps)) < 0.02) > 0.9:
            return np.full(self.time_s.size, self.interval_s / 3600)
        ahead = np.append(steps, 1.0)
        return np.minimum(ahead, _LONGEST_GAP) * self.interval_s / 3600

    @property
    def gap(self):
        """Time since the sample before, in samples; 1 when none is missing, and for the first."""
        first = self.time_s[:1] - self.interval_s
        return np.maximum(np.diff(self.time_s, prepend=first) / self.interval_s, 1e-3)


def read_record(table, kind="mean", pv_window_s=None):
    """Check a table of readings and return a `Record`.

    Parameters
    ----------
    table : DataFrame, increasing time-zone-aware index of interval starts
        ``reading_w`` unsigned power (NaN = missed), ``pv_w`` mean of the PV window that holds the row (NaN = not
        known) and, if there is a test load, ``test_on``, the share of the reading with it on. Spacing may vary.
    kind : str
        ``"mean"`` over the interval or ``"snapshot"`` inside it.
    pv_window_s : float, optional
        Length of the PV windows; found from the data if left out. [s]

    Raises
    ------
    InputError
        For a missing column, an index without zone or order, no reading at all, values that cannot be.
    """
    one_of(kind, "kind", READING_KINDS)
    index = _check_table(table)
    reading = _column(table, "reading_w", low=-50.0)
    pv = _column(table, "pv_w", low=-1000.0)
    share = _column(table, "test_on", low=0.0, high=1.0) if "test_on" in table else np.zeros(reading.size)
    if not np.isfinite(reading).any():
        raise InputError("reading_w: found no reading at all, allowed is one or more")
    time_s = (index.asi8 - index.asi8[0]) * pd.Timedelta(1, index.unit).total_seconds()
    interval_s = float(np.median(np.diff(time_s))) if time_s.size > 1 else 60.0
    offset_s = (index[0] - index[0].normalize()).total_seconds()  # windows follow the local clock
    if pv_window_s is None:
        pv_window_s = _find_window(time_s + offset_s, pv, interval_s)
    window_s = require(pv_window_s, "pv_window_s", 0.1, 86_400, "s")
    if window_s <= interval_s:
        middle, windows = time_s + interval_s / 2, pv
    else:
        middle, windows = _windows(time_s + offset_s, pv, window_s)
        middle = middle - offset_s
    seen = np.flatnonzero(np.isfinite(reading))
    time_s, size, share = time_s[seen], np.maximum(reading[seen], 0.0), share[seen]
    arrays = seen, time_s, size, np.nan_to_num(share), np.isnan(share), middle, windows
    return Record(*arrays, interval_s, window_s, kind, -offset_s)


def check_columns(table, where, needed, allowed):
    """Raise `InputError` if something is no table, or lacks one of the columns needed; ``allowed`` names them all."""
    if not isinstance(table, pd.DataFrame):
        raise InputError(f"{where}: found {type(table).__name__}, allowed is a DataFrame")
    for name in needed:
        if name not in table:
            raise InputError(f"{where}: found no column {name}, allowed are {allowed}")


def _check_table(table):
    check_columns(table, "readings", ("reading_w", "pv_w"), "reading_w, pv_w and test_on")
    index = table.index
    if not isinstance(index, pd.DatetimeIndex) or index.tz is None:
        raise InputError("readings: found an index without a time zone, allowed is a time-zone-aware DatetimeIndex")
    twice = table.columns[table.columns.duplicated()]
    if twice.size:
        raise InputError(f"readings: found two columns {twice[0]}, allowed is each name once")
    if index.hasnans:
        raise InputError("readings: found a row without a time, allowed is a time for every row")
    back = np.flatnonzero(np.diff(index.asi8) <= 0)
    if back.size:
        raise InputError(f"readings: found {index[back[0] + 1]} after {index[back[0]]}, allowed is increasing time")
    return index


def _column(table, name, low, high=LARGEST_W):
    try:
        values = table[name].to_numpy(dtype=float)
    except (TypeError, ValueError):
        raise InputError(f"{name}: found text, allowed are numbers (or nothing where missing)") from None
    wrong = np.flatnonzero((values < low) | (values > high))
    if wrong.size:
        found = f"{in_full(values[wrong[0]])} at {table.index[wrong[0]]} ({wrong.size} such)"
        if name == "reading_w" and wrong.size > 0.005 * values.size and values[wrong].max() < 0:
            found += "; a sensor that shows negative power HAS a direction: it needs no decoding"
        raise InputError(f"{name}: found {found}, allowed is {in_full(low)} to {in_full(high)}")
    return values


def before(values):
    """Return the value of the sample before each; the first has its own."""
    return np.concatenate([values[..., :1], values[..., :-1]], axis=-1)


def after(values):
    """Return the value of the sample after each; the last has its own."""
    return np.concatenate([values[..., 1:], values[..., -1:]], axis=-1)


def _windows(clock_s, pv, window_s):
    number = np.floor(clock_s / window_s + 1e-9).astype(np.int64)
    span = np.arange(number[0], number[-1] + 1)
    mean = pd.Series(pv).groupby(number).mean().reindex(span).to_numpy()
    return (span + 0.5) * window_s, mean


def _find_window(clock_s, pv, interval_s):
    """Return the longest usual window within which the PV power never changes, or the interval."""
    found = interval_s
    for window_s in (usual for usual in PV_WINDOWS_S if usual > interval_s):
        number = np.floor(clock_s / window_s + 1e-9)
        inside = (np.diff(number) == 0) & np.isfinite(pv[1:]) & np.isfinite(pv[:-1]) & (np.abs(pv[1:]) > 20)
        windows = np.unique(number[1:][inside]).size
        if windows > 4 and np.count_nonzero(np.diff(pv)[inside]) < 0.05 * windows:
            found = float(window_s)
    return found
