"""Instruments that disagree: PV clock and gain, the test load's own watts and its timer, found from the record itself.

None of these needs to know the direction beforehand: a change of the sun moves the reading by as much whichever way
the power flows, and what the house does at night is certain.
"""

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from scipy.ndimage import maximum_filter1d, uniform_filter1d

from solarlib.direction.record import after, before
from solarlib.direction.step_test import certain_import

LAGS_S = np.arange(-180.0, 181.0, 5.0)
SHIFTS_S = 300.0  # how far a timer is looked for
ENOUGH = 60_000  # samples for clocks: whole days spread over the record
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
    timer_late_s : float
        Lateness of the test load's timer. [s]
    load : Estimate, optional
        The test load, if it ran. [W]
    """

    clock: Estimate | None = None
    gain: Estimate | None = None
    late_s: float = 0.0
    gain_used: float = 1.0
    timer_late_s: float = 0.0
    load: Estimate | None = None


def repairs_alone(record, load_w, noise_w):
    """Return the record with its timer put right, and the `Repairs` that need no signs."""
    clock, timer, load = pv_clock_late(record), 0.0, None
    late_s = clock.value if clock and clock.clearly_off(3.0) else 0.0
    if record.test_share.any():
        timer = timer_late(record, load_w)
        record = replace(record, test_share=shifted_share(record, timer))
        load = load_watts(record, record.pv_at(late_s)[0], load_w, noise_w)
    return record, Repairs(_told(clock, record), late_s=late_s, timer_late_s=timer, load=load)


def repairs_by_signs(record, net_w, p_export, repairs, load_w):
    """Return `Repairs` with the PV clock and gain refined, once most signs are known.

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
    clock, gain = pv_clock_and_gain(record, net_w - record.test_share * load_w, p_export, repairs.late_s)
    repairs = replace(repairs, gain=gain)
    if clock and abs(clock.value - repairs.late_s) < 60 and clock.error < 10:
        late_s = clock.value if clock.clearly_off(2.0) else 0.0
        repairs = replace(repairs, clock=_told(clock, record), late_s=late_s)
    if gain and gain.error < 0.01 and 0.8 < gain.value < 1.25 and gain.clearly_off(0.004, usual=1.0):
        repairs = replace(repairs, gain_used=gain.value)
    return repairs


def _told(clock, record):
    """Return a clock with what scatter alone does not show of its error."""
    return clock and replace(clock, error=float(np.hypot(clock.error, CLOCK_SHARE * record.window_s)))


def pv_clock_late(record):
    """Return how late the PV clock is; None where PV windows are longer than five minutes or nothing moves. [s]

    The size of changes over a minute of the reading and of the PV power are correlated at every lag; the highest
    correlation wins.

    Parameters
    ----------
    record : solarlib.direction.record.Record
    """
    if record.window_s > 300 or record.time_s.size < 500:
        return None
    record = _some_days(record)
    span = max(1, round(60 / record.interval_s))
    whole = np.abs(_change(record.time_s, span) - span * record.interval_s) < 1
    usable = _undisturbed(record.test_share, span) & whole
    reading = uniform_filter1d(record.reading_w, span, mode="nearest")
    seen = np.minimum(np.abs(_change(reading, span)), 3000.0)
    power, _, unknown = record.pv_at()
    usable &= (power > 50) & ~unknown
    if usable.sum() < 300:
        return None
    seen = seen[usable]
    seen = np.minimum(seen, np.quantile(seen, 0.98))
    group = np.minimum((np.arange(seen.size) * GROUPS) // seen.size, GROUPS - 1)
    known = np.isfinite(record.window_pv_w)
    sun = record.window_middle_s[known], record.window_pv_w[known]
    at_s = record.time_s + record.interval_s / 2
    sums = []
    for lag in LAGS_S:
        moved = np.abs(_change(np.interp(at_s + lag, *sun), span))[usable]
        moved = np.minimum(moved, np.quantile(moved, 0.98))
        terms = (np.ones(seen.size), seen, moved, seen**2, moved**2, seen * moved)
        sums.append([np.bincount(group, term, GROUPS) for term in terms])
    sums = np.moveaxis(np.array(sums), 0, -1)
    parts = np.array([_peak(np.delete(sums, g, axis=1).sum(axis=1)) for g in range(GROUPS)])
    error = np.sqrt((GROUPS - 1) / GROUPS * np.sum((parts - parts.mean()) ** 2))
    return Estimate(float(_peak(sums.sum(axis=1))), float(max(error, 1.0)))


def pv_clock_and_gain(record, net_w, p_export, roughly_late_s):
    """Return how late the PV clock is [s] and what the PV instrument shows for 1 W, once most signs are known.

    The change of the net power from window to window is a mix of the changes of neighbouring PV windows, in parts
    that tell by how much the two clocks differ: their centre is the lateness, their sum the inverse of the gain.

    Parameters
    ----------
    record : solarlib.direction.record.Record
    net_w, p_export : ndarray, shape (n,)
        Decoded net power without the test load and probability of export. [W]
    roughly_late_s : float

    Returns
    -------
    tuple of Estimate
        None if too little is seen. No gain for windows above two minutes, inside which signs may mix, and for
        snapshots: a moment does not know what its minute did.
    """
    cell_s = max(record.window_s, record.interval_s)
    spread = np.arange(-2, 3) + round(roughly_late_s / cell_s)
    columns, change = _window_changes(record, _cells(record, net_w, p_export, cell_s), cell_s, spread)
    if change.size < 200:
        return None, None
    weight = np.ones(change.size)
    for _ in range(15):
        root = np.sqrt(weight)[:, None]
        parts = np.linalg.lstsq(columns * root, change * root[:, 0], rcond=None)[0]
        miss = change - columns @ parts
        scale = max(np.median(np.abs(miss)) / 0.6745, 1.0)
        weight = 1 / (1 + (miss / (2 * scale)) ** 2) ** 2
    if not -1.5 < parts.sum() < -0.5:
        return None, None
    late = float(parts @ spread / parts.sum() * cell_s)
    inverse = np.linalg.pinv(columns.T @ (weight[:, None] * columns))
    spread_of_parts = inverse @ (columns.T @ ((weight**2 * miss**2)[:, None] * columns)) @ inverse
    toward_late = (spread * cell_s - late) / parts.sum()
    late_error = float(np.sqrt(toward_late @ spread_of_parts @ toward_late))
    clock, gain = Estimate(late, max(late_error, 0.5, 0.02 * cell_s)), float(-1 / parts.sum())
    if record.kind == "snapshot" or cell_s > 120:
        return clock, None
    return clock, Estimate(gain, float(gain**2 * np.sqrt(spread_of_parts.sum())))


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


def timer_late(record, test_load_w):
    """Return how late the load's timer is against its timetable, 0 where the data do not clearly say so. [s]

    The reading jumps whenever the test load switches, whichever way the power flows; the shift at which its jumps
    fit the timetable best is taken if they fit far better than without a shift.
    """
    record = _some_days(record)
    share = record.test_share
    if np.count_nonzero(np.diff(share)) < 10:
        return 0.0
    size = np.minimum(np.abs(np.diff(record.reading_w)), 1.2 * test_load_w)
    size = np.where(record.gap[1:] < 1.5, size - np.median(size), 0.0)
    shifts = np.arange(-SHIFTS_S, SHIFTS_S + 1, record.interval_s / 2)
    jumps = (np.abs(np.diff(shifted_share(record, shift_s))) for shift_s in shifts)
    fits = np.array([np.sum(jump * size) / np.sqrt(max(np.sum(jump**2), 1e-9)) for jump in jumps])
    chance = np.std(fits[np.abs(shifts) > 60])
    best, here = int(np.argmax(fits)), fits[np.argmin(np.abs(shifts))]
    return float(shifts[best]) if fits[best] > 1.25 * here + 2 * chance else 0.0


def shifted_share(record, late_s):
    """Return the share of each sample with the test load on if its timer is late by ``late_s``."""
    if late_s == 0:
        return record.test_share
    # On-time summed over samples; a missing stretch counts as off.
    total = np.concatenate([[0.0], np.cumsum(record.test_share * record.interval_s)])
    knots = np.stack([record.time_s, record.time_s + record.interval_s], axis=1).ravel()
    values = np.stack([total[:-1], total[1:]], axis=1).ravel()
    start = record.time_s - late_s
    on_s = np.interp(start + record.interval_s, knots, values) - np.interp(start, knots, values)
    return np.clip(on_s / record.interval_s, 0.0, 1.0)


def _some_days(record):
    if record.time_s.size <= ENOUGH:
        return record
    every = int(np.ceil(record.time_s.size / ENOUGH))
    return record.take(np.floor(record.time_s / 86_400).astype(np.int64) % every == 0)


def _change(values, span):
    """Return the change over ``span`` samples; 0 for the first ones."""
    return np.concatenate([np.zeros(span), values[span:] - values[:-span]])


def _undisturbed(share, span):
    """True where neither end of a change over ``span`` samples touches the test load."""
    busy = maximum_filter1d(share > 0, 2 * span + 1, mode="constant")
    return np.concatenate([np.zeros(span, dtype=bool), ~(busy[span:] | busy[:-span])])


def _peak(sums):
    """Return the lag of the highest correlation, refined by a parabola."""
    n, x, y, xx, yy, xy = sums
    spread = np.sqrt(np.maximum((xx - x * x / n) * (yy - y * y / n), 1e-9))
    fit = (xy - x * y / n) / spread
    k = int(np.clip(np.argmax(fit), 1, LAGS_S.size - 2))
    bend = fit[k - 1] - 2 * fit[k] + fit[k + 1]
    shift = 0.5 * (fit[k - 1] - fit[k + 1]) / bend if bend < 0 else 0.0
    return LAGS_S[k] + np.clip(shift, -1, 1) * (LAGS_S[1] - LAGS_S[0])
