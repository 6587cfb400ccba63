"""Instruments that disagree: PV clock and gain, the test load's own watts and its timer, found from the record itself.

None of these needs to know the direction beforehand: a change of the sun moves the reading by as much whichever way
the power flows, and what the house does at night is certain.
"""

from dataclasses import replace

import numpy as np
import pandas as pd

from solarlib.direction.step_test import certain_import

LAGS_S = np.arange(-180.0, 181.0, 5.0)
ENOUGH = 60_000  # samples for clocks: whole days spread over the record


def pv_clock_late(record):
    """Return how late the PV clock is, and the standard error of that. [s]

    The size of changes over a minute of the reading and of the PV power are correlated at every lag; the highest
    correlation wins. NaN where PV windows are longer than five minutes or nothing moves.

    Parameters
    ----------
    record : solarlib.direction.record.Record
    """
    if record.window_s > 300 or record.time_s.size < 500:
        return np.nan, np.nan
    record = _some_days(record)
    span = max(1, round(60 / record.interval_s))
    whole = np.abs(_change(record.time_s, span) - span * record.interval_s) < 1
    usable = _undisturbed(record.test_share, span) & whole
    reading = _smooth(record.reading_w, span)
    seen = np.minimum(np.abs(_change(reading, span)), 3000.0)
    power, _, unknown = record.pv_at()
    usable &= (power > 50) & ~unknown
    if usable.sum() < 300:
        return np.nan, np.nan
    seen = seen[usable]
    seen = np.minimum(seen, np.quantile(seen, 0.98))
    group = np.minimum((np.arange(seen.size) * 12) // seen.size, 11)
    sun = record.known_windows()
    sums = np.stack([_lag_sums(record, sun, lag, span, usable, seen, group) for lag in LAGS_S], axis=-1)
    best = _peak(sums.sum(axis=1))
    parts = np.array([_peak(np.delete(sums, g, axis=1).sum(axis=1)) for g in range(12)])
    error = np.sqrt(11 / 12 * np.sum((parts - parts.mean()) ** 2))
    return float(best), float(max(error, 1.0))


def pv_clock_and_gain(record, net_w, p_export, test_load_w, roughly_late_s):
    """Return how late the PV clock is and what the PV instrument shows for 1 W, once most signs are known.

    The change of the net power from window to window is a mix of the changes of neighbouring PV windows, in parts
    that tell by how much the two clocks differ: their centre is the lateness, their sum the inverse of the gain.

    Parameters
    ----------
    record : solarlib.direction.record.Record
    net_w, p_export : ndarray, shape (n,)
        Decoded net power and probability of export. [W]
    test_load_w, roughly_late_s : float

    Returns
    -------
    tuple of float
        Lateness, its standard error [s], gain, its standard error; NaN if too little is seen. NaN gain for windows
        above two minutes, inside which signs may mix, and for snapshots: a moment does not know what its minute did.
    """
    cell_s = max(record.window_s, record.interval_s)
    net = _cells(record, net_w - record.test_share * test_load_w, p_export, cell_s)
    origin = record.window_middle_s[0] - record.window_s / 2
    number = np.floor((record.window_middle_s - origin) / cell_s).astype(np.int64) + round(origin / cell_s)
    sun = pd.Series(record.window_pv_w).groupby(number).mean().diff()
    middle = round(roughly_late_s / cell_s)
    spread = np.arange(middle - 2, middle + 3)
    columns = np.stack([sun.reindex(net.index + j).to_numpy() for j in spread], axis=1)
    change = (net - net.shift(1)).where(np.diff(net.index, prepend=-1) == 1).to_numpy()
    good = np.isfinite(change) & np.isfinite(columns).all(axis=1) & (np.abs(columns).max(axis=1) > 100)
    if good.sum() < 200:
        return (np.nan,) * 4
    columns, change = columns[good], change[good]
    weight = np.ones(change.size)
    for _ in range(15):
        root = np.sqrt(weight)[:, None]
        parts = np.linalg.lstsq(columns * root, change * root[:, 0], rcond=None)[0]
        miss = change - columns @ parts
        scale = max(np.median(np.abs(miss)) / 0.6745, 1.0)
        weight = 1 / (1 + (miss / (2 * scale)) ** 2) ** 2
    if not -1.5 < parts.sum() < -0.5:
        return (np.nan,) * 4
    late = float(parts @ spread / parts.sum() * cell_s)
    inverse = np.linalg.pinv(columns.T @ (weight[:, None] * columns))
    spread_of_parts = inverse @ (columns.T @ ((weight**2 * miss**2)[:, None] * columns)) @ inverse
    toward_late = (spread * cell_s - late) / parts.sum()
    late_error = float(np.sqrt(toward_late @ spread_of_parts @ toward_late))
    late_error = max(late_error, 0.5, 0.02 * cell_s)
    if record.kind == "snapshot" or cell_s > 120:
        return late, late_error, np.nan, np.nan
    gain = float(-1 / parts.sum())
    return late, late_error, gain, float(gain**2 * np.sqrt(spread_of_parts.sum()))


def _cells(record, values, p_export, cell_s):
    """Return means over clock cells that are seen nearly whole, without the test load, with signs beyond doubt."""
    # Cells are those of the PV windows, whose first one need not start with the record.
    origin = record.window_middle_s[0] - record.window_s / 2
    cell = np.floor((record.time_s - origin) / cell_s + 1e-6).astype(np.int64)
    cell += round(origin / cell_s)
    sure = (np.abs(2 * p_export - 1) > 0.98) & (record.test_share < 0.02)
    frame = pd.DataFrame({"mean": values[sure], "count": 1.0}).groupby(cell[sure]).agg({"mean": "mean", "count": "sum"})
    return frame.loc[frame["count"] >= 0.7 * cell_s / record.interval_s, "mean"]


def test_load(record, power_w, stated_w, noise_w=0.0):
    """Return the test load's watts, their standard error, and how many switchings told.

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
    u, share = record.reading_w, record.test_share
    if u.size < 3 or noise_w > 0.02 * stated_w:
        return float(stated_w), 0.05 * stated_w, 0
    sure = certain_import(u, power_w)
    middle = np.zeros(u.size, dtype=bool)
    middle[1:-1] = sure[1:-1] & sure[:-2] & sure[2:] & (record.gap[1:-1] < 1.5) & (record.gap[2:] < 1.5)
    rise = np.zeros(u.size)
    extra = np.zeros(u.size)
    rise[1:-1] = u[1:-1] - (u[:-2] + u[2:]) / 2 + (power_w[1:-1] - (power_w[:-2] + power_w[2:]) / 2)
    extra[1:-1] = share[1:-1] - (share[:-2] + share[2:]) / 2
    told = middle & (extra > 0.5)
    # A dwell longer than a sample shows itself at its edges instead.
    edge = np.zeros(u.size, dtype=bool)
    edge[1:] = sure[1:] & sure[:-1] & (record.gap[1:] < 1.5) & (np.abs(np.diff(share)) > 0.9)
    step = np.diff(u, prepend=u[0]) + np.diff(power_w, prepend=power_w[0])
    change = np.diff(share, prepend=share[0])
    values = np.concatenate([rise[told] / extra[told], step[edge & ~told] / change[edge & ~told]])
    values = values[np.abs(values / stated_w - 1) < 0.4]
    if values.size < 5:
        return float(stated_w), 0.05 * stated_w, int(values.size)
    centre = np.median(values)
    error = 1.2533 * max(np.median(np.abs(values - centre)) / 0.6745, 1.0) / np.sqrt(values.size)
    trust = (0.05 * stated_w) ** 2 / ((0.05 * stated_w) ** 2 + error**2)
    return float(stated_w + trust * (centre - stated_w)), float(np.sqrt(trust) * error), int(values.size)


def timer_late(record, test_load_w, furthest_s=300.0):
    """Return how late the load's timer is against its timetable, 0 where the data do not clearly say so. [s]

    The reading jumps whenever the test load switches, whichever way the power flows; the shift at which its jumps
    fit the timetable best is taken if they fit far better than without a shift.
    """
    record = _some_days(record)
    share = record.test_share
    if test_load_w is None or np.count_nonzero(np.diff(share)) < 10:
        return 0.0
    size = np.minimum(np.abs(np.diff(record.reading_w)), 1.2 * test_load_w)
    size = np.where(record.gap[1:] < 1.5, size - np.median(size), 0.0)
    shifts = np.arange(-furthest_s, furthest_s + 1, record.interval_s / 2)
    fits = []
    for shift in shifts:
        jump = np.abs(np.diff(shifted_share(record, shift)))
        fits.append(np.sum(jump * size) / np.sqrt(max(np.sum(jump**2), 1e-9)))
    fits = np.array(fits)
    chance = np.std(fits[np.abs(shifts) > 60]) if furthest_s > 60 else 0.0
    best = int(np.argmax(fits))
    here = fits[np.argmin(np.abs(shifts))]
    return float(shifts[best]) if fits[best] > 1.25 * here + 2 * chance else 0.0


def with_timer(record, late_s):
    """Return the record with its timetable moved by ``late_s``."""
    return replace(record, test_share=shifted_share(record, late_s)) if late_s else record


def shifted_share(record, late_s):
    """Return the share of each sample with the test load on if its timer is late by ``late_s``."""
    if late_s == 0:
        return record.test_share
    edges = np.append(record.time_s, record.time_s[-1] + record.interval_s)
    # On-time summed over samples; a missing stretch counts as off.
    before = np.concatenate([[0.0], np.cumsum(record.test_share * record.interval_s)])
    ends = record.time_s + record.interval_s
    knots = np.stack([edges[:-1], ends], axis=1).ravel()
    values = np.stack([before[:-1], before[1:]], axis=1).ravel()
    start = record.time_s - late_s
    on_s = np.interp(start + record.interval_s, knots, values) - np.interp(start, knots, values)
    return np.clip(on_s / record.interval_s, 0.0, 1.0)


def _some_days(record):
    if record.time_s.size <= ENOUGH:
        return record
    every = int(np.ceil(record.time_s.size / ENOUGH))
    return record.take(np.floor(record.time_s / 86_400).astype(np.int64) % every == 0)


def _change(values, span):
    out = np.zeros(values.size)
    out[span:] = values[span:] - values[:-span]
    return out


def _smooth(values, span):
    if span == 1:
        return values
    return np.convolve(np.pad(values, (span // 2, span - 1 - span // 2), mode="edge"), np.ones(span) / span, "valid")


def _undisturbed(share, span):
    """True where neither end of a change over ``span`` samples touches the test load."""
    busy = np.convolve(share > 0, np.ones(2 * span + 1), "same") > 0
    out = ~busy
    out[span:] &= ~busy[:-span]
    out[:span] = False
    return out


def _lag_sums(record, sun, lag_s, span, usable, seen, group):
    power = np.interp(record.time_s + record.interval_s / 2 + lag_s, *sun)
    moved = np.abs(_change(power, span))[usable]
    moved = np.minimum(moved, np.quantile(moved, 0.98))
    terms = (np.ones(seen.size), seen, moved, seen**2, moved**2, seen * moved)
    return np.stack([np.bincount(group, term, 12) for term in terms])


def _peak(sums):
    """Return the lag of the highest correlation, refined by a parabola."""
    n, x, y, xx, yy, xy = sums
    spread = np.sqrt(np.maximum((xx - x * x / n) * (yy - y * y / n), 1e-9))
    fit = (xy - x * y / n) / spread
    k = int(np.clip(np.argmax(fit), 1, LAGS_S.size - 2))
    bend = fit[k - 1] - 2 * fit[k] + fit[k + 1]
    shift = 0.5 * (fit[k - 1] - fit[k + 1]) / bend if bend < 0 else 0.0
    return LAGS_S[k] + np.clip(shift, -1, 1) * (LAGS_S[1] - LAGS_S[0])
