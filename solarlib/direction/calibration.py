"""Instruments that disagree: PV clock and gain and the test load's own watts, found from the record itself.

None of these needs to know the direction beforehand: a change of the sun moves the reading by as much whichever way
the power flows, and what the house does at night is certain.
"""

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from solarlib.direction.answer import MOVES_W, Sun, changes_of
from solarlib.direction.record import after, before
from solarlib.direction.step_test import certain_import

LAGS_S = np.arange(-240.0, 241.0, 15.0)
CLOCK_DAYS, GAIN_DAYS, FEWEST_CHANGES = 30, 60, 60
GROUPS = 12  # parts of a record that are left out in turn, to tell the error of a clock
CLOCK_SHARE = 0.1  # of a PV window: what draws its course within pulls the clock that is found (5 s of one minute)
STATED_SHARE = 0.05  # how well a stated test load is known
LEAST_SWITCHINGS = 5


@dataclass(frozen=True)
class Estimate:
    """A number found, its standard error, and from how many cases (0 where that is not told)."""

    value: float
    error: float
    count: int = 0

    def clearly_off(self, least, usual=0.0):
        """True if it differs from the usual value by two standard errors, and by ``least``."""
        return abs(self.value - usual) > max(2 * self.error, least)


@dataclass(frozen=True)
class Repairs:
    """What disagrees between the instruments of a record.

    Parameters
    ----------
    clock, gain : Estimate, optional
        Lateness of the PV clock [s] and what the PV instrument shows for 1 W, as far as found.
    late_s, gain_used : float
        What the record is put right by: only what is well known and clearly off.
    load : Estimate, optional
        The test load, if it ran. [W]
    """

    clock: Estimate | None = None
    gain: Estimate | None = None
    late_s: float = 0.0
    gain_used: float = 1.0
    load: Estimate | None = None


def repairs_alone(record, load_w, noise_w):
    """Return the `Repairs` that need no signs."""
    clock, load = pv_clock_late(record), None
    late_s = clock.value if clock and clock.clearly_off(3.0) else 0.0
    if record.test_share.any():
        load = load_watts(record, record.pv_at(late_s)[0], load_w, noise_w)
    return Repairs(_told(clock, record), late_s=late_s, load=load)


def repairs_by_signs(record, net_w, p_export, repairs, load_w):
    """Return `Repairs` with the PV gain, once most signs are known.

    Parameters
    ----------
    record : solarlib.direction.record.Record
    net_w, p_export : ndarray, shape (n,)
        Decoded net power and probability of export. [W]
    repairs : Repairs
        Found so far.
    load_w : float
        Test load. [W]
    """
    day = np.floor(record.time_s / 86_400).astype(np.int64)
    some = day % (1 + np.ptp(day) // GAIN_DAYS) == 0
    net_w = (net_w - record.test_share * load_w)[some]
    gain = pv_gain(record.take(some), net_w, p_export[some], repairs.late_s)
    repairs = replace(repairs, gain=gain)
    if gain and gain.error < 0.01 and 0.7 < gain.value < 1.45 and gain.clearly_off(0.004, usual=1.0):
        repairs = replace(repairs, gain_used=gain.value)
    return repairs


def _told(clock, record):
    """Return a clock with what scatter alone does not show of its error."""
    return clock and replace(clock, error=float(np.hypot(clock.error, CLOCK_SHARE * record.window_s)))


def pv_clock_late(record):
    """Return how late the PV clock is, None where too little moves. [s]

    The clock wins at which the changes of the PV power explain those of the reading best, whatever its direction.

    Parameters
    ----------
    record : solarlib.direction.record.Record
    """
    changes = changes_of(record, max(60.0, record.window_s, record.interval_s), CLOCK_DAYS)
    if changes.change_w.size < FEWEST_CHANGES or not np.isfinite(record.window_pv_w).any():
        return None
    sun = Sun(record, changes, LAGS_S[1] - LAGS_S[0])
    if np.count_nonzero(sun.changes() > MOVES_W) < FEWEST_CHANGES:
        return None
    group = np.arange(changes.change_w.size) * GROUPS // changes.change_w.size
    sums = np.array([np.bincount(group, changes.misfit(sun.changes(lag)), GROUPS) for lag in LAGS_S])
    whole = sums.sum(axis=1)
    parts = np.array([_lowest(whole - part) for part in sums.T])
    error = np.sqrt((GROUPS - 1) / GROUPS * np.sum((parts - parts.mean()) ** 2))
    return Estimate(_lowest(whole), float(max(error, 1.0)))


def pv_gain(record, net_w, p_export, late_s):
    """Return what the PV instrument shows for 1 W, once most signs are known.

    The change of the net power from window to window is a mix of the changes of neighbouring PV windows, in parts
    whose sum is the inverse of the gain.

    Parameters
    ----------
    record : solarlib.direction.record.Record
    net_w, p_export : ndarray, shape (n,)
        Decoded net power without the test load and probability of export. [W]
    late_s : float
        How late the PV clock is. [s]

    Returns
    -------
    Estimate
        None if too little is seen, for windows above two minutes, inside which signs may mix, and for snapshots: a
        moment does not know what its minute did.
    """
    cell_s = max(record.window_s, record.interval_s)
    if record.kind == "snapshot" or cell_s > 120:
        return None
    spread = np.arange(-2, 3) + round(late_s / cell_s)
    columns, change = _window_changes(record, _cells(record, net_w, p_export, cell_s), cell_s, spread)
    if change.size < 200:
        return None
    weight = np.ones(change.size)
    for _ in range(15):
        root = np.sqrt(weight)[:, None]
        parts = np.linalg.lstsq(columns * root, change * root[:, 0], rcond=None)[0]
        miss = change - columns @ parts
        scale = max(np.median(np.abs(miss)) / 0.6745, 1.0)
        weight = 1 / (1 + (miss / (2 * scale)) ** 2) ** 2
    if not -1.5 < parts.sum() < -0.5:
        return None
    inverse = np.linalg.pinv(columns.T @ (weight[:, None] * columns))
    spread_of_parts = inverse @ (columns.T @ ((weight**2 * miss**2)[:, None] * columns)) @ inverse
    return Estimate(float(-1 / parts.sum()), float(np.sqrt(spread_of_parts.sum()) / parts.sum() ** 2))


def _window_changes(record, net, cell_s, spread):
    """Return the changes of the PV power around each cell, a column a place of ``spread``, and of the net power. [W]"""
    number = _cell_of(record, record.window_middle_s, cell_s)
    sun = pd.Series(record.window_pv_w).groupby(number).mean().diff()
    columns = np.stack([sun.reindex(net.index + j).to_numpy() for j in spread], axis=1)
    change = net.diff().where(np.diff(net.index, prepend=-1) == 1).to_numpy()
    good = np.isfinite(change) & np.isfinite(columns).all(axis=1) & (np.abs(columns).max(axis=1) > 100)
    return columns[good], change[good]


def _cells(record, values, p_export, cell_s):
    """Return means over clock cells that are seen nearly whole, without the test load, with signs beyond doubt."""
    cell = _cell_of(record, record.time_s, cell_s)
    sure = (np.abs(2 * p_export - 1) > 0.98) & (record.test_share < 0.02)
    frame = pd.DataFrame({"mean": values[sure], "count": 1.0}).groupby(cell[sure]).agg({"mean": "mean", "count": "sum"})
    return frame.loc[frame["count"] >= 0.7 * cell_s / record.interval_s, "mean"]


def _cell_of(record, time_s, cell_s):
    """Return the number of the cell that holds each time: cells begin with the first PV window. [s]"""
    origin = record.window_middle_s[0] - record.window_s / 2
    return np.floor((time_s - origin) / cell_s + 1e-6).astype(np.int64) + round(origin / cell_s)


def load_watts(record, power_w, stated_w, noise_w=0.0):
    """Return the test load's watts, and how many switchings told.

    Only where import is certain before, during and after. The stated value counts as one switching known to 5 %.
    A reading whose noise exceeds 2 % of the test load (whole pulses) teaches nothing.

    Parameters
    ----------
    record : solarlib.direction.record.Record
    power_w : ndarray, shape (n,)
        PV power. [W]
    stated_w, noise_w : float
        Stated test load and noise of one reading. [W]
    """
    stated = Estimate(float(stated_w), STATED_SHARE * stated_w)
    u, share = record.reading_w, record.test_share
    if u.size < 3 or noise_w > 0.02 * stated_w:
        return stated
    sure, close, load = certain_import(u, power_w), record.gap < 1.5, u + power_w
    together = np.concatenate([[False], sure[1:] & sure[:-1] & close[1:]])  # with the sample before
    middle = together & np.append(together[1:], False)
    extra = share - (before(share) + after(share)) / 2
    told = middle & (extra > 0.5)
    # A dwell longer than a sample shows itself at its edges instead.
    edge = together & (np.abs(share - before(share)) > 0.9) & ~told
    rise = load - (before(load) + after(load)) / 2
    step, change = load - before(load), share - before(share)
    values = np.concatenate([rise[told] / extra[told], step[edge] / change[edge]])
    values = values[np.abs(values / stated_w - 1) < 0.4]
    if values.size < LEAST_SWITCHINGS:
        return replace(stated, count=int(values.size))
    centre = np.median(values)
    # The standard error of a median is 1.2533 times that of a mean.
    error = 1.2533 * max(np.median(np.abs(values - centre)) / 0.6745, 1.0) / np.sqrt(values.size)
    trust = stated.error**2 / (stated.error**2 + error**2)
    return Estimate(float(stated_w + trust * (centre - stated_w)), float(np.sqrt(trust) * error), int(values.size))


def _lowest(misfit):
    """Return the lag of the least misfit, refined by a parabola. [s]"""
    k = int(np.clip(np.argmin(misfit), 1, LAGS_S.size - 2))
    bend = misfit[k - 1] - 2 * misfit[k] + misfit[k + 1]
    shift = 0.5 * (misfit[k - 1] - misfit[k + 1]) / bend if bend > 0 else 0.0
    return float(LAGS_S[k] + np.clip(shift, -1, 1) * (LAGS_S[1] - LAGS_S[0]))
