"""Readings of a clock on the wall, turned into moments: the hour that spring skips and the hour that autumn repeats.

In the repeated hour the order of the rows tells the two passes apart. Where it does not, the rows are set aside: an
hour's energy in the wrong hour is worse than an hour that is known to be missing.
"""

import numpy as np
import pandas as pd

from solarlib.files.dates import DAY_NS, HOUR_NS, MISSING
from solarlib.files.steps import first_moments

FINE, SKIPPED, DOUBLE = 0, 1, 2


def to_utc(walls, zone):
    """Turn clock readings into moments.

    Parameters
    ----------
    walls : ndarray of int64, shape (n,), in the order of the file
        Clock readings in ns since 1970-01-01 00:00 of that clock, none missing.
    zone : tzinfo
        Time zone of the clock.

    Returns
    -------
    moments : ndarray of int64, shape (n,)
        ns since 1970-01-01 00:00 UTC; `MISSING` where `verdict` is not `FINE`.
    verdict : ndarray of int8
        `FINE`; `SKIPPED` where no clock ever showed this; `DOUBLE` where it showed it twice and the file does not
        tell which.
    passes : int
        Rows of repeated hours that the order of the file resolved.
    """
    verdict = np.zeros(len(walls), np.int8)
    if not len(walls):
        return walls.copy(), verdict, 0
    summer, winter = (_localized(walls, zone, pass_) for pass_ in (True, False))
    verdict[summer == MISSING] = SKIPPED
    utc, resolved = summer.copy(), 0
    twice = np.flatnonzero(summer != winter)
    if twice.size:
        backward = np.median(np.sign(np.diff(walls))) < 0 if len(walls) > 2 else False
        order = twice[::-1] if backward else twice  # newest first: the second pass stands first
        for day in np.unique(walls[twice] // DAY_NS).tolist():
            rows = order[walls[order] // DAY_NS == day]
            second = _second_pass(walls, rows, backward)
            if second is None:
                verdict[rows], utc[rows] = DOUBLE, MISSING
            else:
                utc[rows[second]] = winter[rows[second]]
                resolved += len(rows)
    return utc, verdict, resolved


def _second_pass(walls, rows, backward):
    """Tell which rows of one repeated hour belong to its second pass; None where nothing tells."""
    here = walls[rows]
    back = np.diff(here) < 0
    if back.sum() == 1:
        return np.cumsum(np.r_[False, back]) == 1
    labels, counts = np.unique(here, return_counts=True)
    if back.any() or (counts != 2).any():
        return None
    # Each label stands there twice, one beside the other. In a file that doubles its rows this tells nothing.
    first, last = int(rows.min()), int(rows.max())
    near = np.concatenate([walls[max(0, first - 20) : first], walls[last + 1 : last + 21]])
    near = near[np.abs(near - here[0]) < DAY_NS // 4]
    if len(np.unique(near)) < len(near):
        return None
    return np.arange(len(rows)) % 2 == 1


def _localized(walls, zone, summer):
    naive = pd.DatetimeIndex(walls.view("datetime64[ns]"))
    aware = naive.tz_localize(zone, ambiguous=np.full(len(walls), summer), nonexistent="NaT")
    return aware.as_unit("ns").asi8


def counts_hours(walls, since, zone):
    """Tell whether numbers of intervals count on through the hour that spring skips: that day ends an hour early.

    Parameters
    ----------
    walls, since : ndarray of int64
        Clock readings as if each day had 24 hours, and the part of them since midnight. [ns]
    zone : tzinfo
    """
    last = pd.Series(since).groupby(walls - since).max()
    lost = (walls - since)[_localized(walls, zone, True) == MISSING]
    return bool((last[lost] < last.median()).all() if lost.size else (since >= DAY_NS).any())


def counted_moments(walls, since, zone):
    """Return moments as so much time since midnight, and where their days end. [ns]"""
    first, after = (first_moments(walls - since + days * DAY_NS, zone).as_unit("ns").asi8 for days in (0, 1))
    return first + since, after


def offset_text(minutes):
    """Return an offset from UTC as it is written, such as -05:00."""
    hours, rest = divmod(abs(int(minutes)), 60)
    return f"{'-' if minutes < 0 else '+'}{hours:02d}:{rest:02d}"


def winter_offset(zone):
    """Return the offset from UTC that the clock of a zone keeps in winter. [min]"""
    return min(pd.Timestamp(day, tz=zone).utcoffset().total_seconds() // 60 for day in ("2026-01-01", "2026-07-01"))


def twelve_hours(walls):
    """Tell whether clock readings stand twice a day and never above 12: morning and afternoon look alike."""
    hours = walls // HOUR_NS % 24
    if not len(walls) or hours.max() > 12 or hours.min() < 1 or not ((hours == 12).any() and (hours == 1).any()):
        return False
    return len(np.unique(walls)) < 0.75 * len(walls)
