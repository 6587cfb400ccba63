"""What the utility's two registers counted, as an audit of a decoded record or as a constraint on it."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from solarlib import chain
from solarlib.quantities import InputError

STEPS = 40


@dataclass(frozen=True)
class Period:
    """One meter period: its place among the samples with a reading, its totals, and the share of it that was seen."""

    start: pd.Timestamp
    end: pd.Timestamp
    inside: np.ndarray
    delivered_kwh: float
    received_kwh: float
    seen: float


def read_registers(registers, index, rows):
    """Check a table of meter totals and return its `Period` list.

    Parameters
    ----------
    registers : DataFrame
        Columns ``start``, ``end`` (time stamps with zone), ``delivered_kwh``, ``received_kwh``.
    index : DatetimeIndex
        Of the readings.
    rows : ndarray of int
        Rows of it that have a reading.

    Raises
    ------
    InputError
        For a missing column, a time without zone, an end before its start, a negative total.
    """
    for name in ("start", "end", "delivered_kwh", "received_kwh"):
        if name not in registers:
            raise InputError(f"registers: found no column {name}, allowed are start, end, delivered_kwh, received_kwh")
    periods = []
    for row in registers.itertuples(index=False):
        start, end = pd.Timestamp(row.start), pd.Timestamp(row.end)
        if start.tz is None or end.tz is None or not start < end:
            raise InputError(f"registers: found {row.start} to {row.end}, allowed are times with zone, start first")
        totals = float(row.delivered_kwh), float(row.received_kwh)
        if not all(np.isfinite(t) and t >= 0 for t in totals):
            raise InputError(f"registers: found {totals} kWh from {start}, allowed are numbers of 0 or more")
        within = np.asarray((index >= start) & (index < end))
        inside = within[rows]
        seen = inside.sum() / max(within.sum(), 1)
        periods.append(Period(start, end, inside, *totals, float(seen)))
    return periods


def agree(periods, p_state, energies, fine, tolerance=0.001):
    """Return state probabilities that share each period's energy between import and export as its registers do.

    Every sample's weights are tilted towards one direction in proportion to its energy, by one strength a period,
    found by halving. Periods seen for less than 95 % are left alone, and so are those that agree already as well as
    missed samples let one tell: a quarter of their share, and ``tolerance``.

    Parameters
    ----------
    periods : list of Period
    p_state : ndarray, shape (n,)
        Probability of state 1 before.
    energies : tuple of ndarray, each shape (2, n)
        Energy in and out in each state. [kWh]
    fine : tuple
        Places and weights of the chain over the samples in doubt.
    tolerance : float
        Share of the period's energy by which the readings themselves may be off.
    """
    at, w = fine
    imported, exported = energies
    if at.size == 0:
        return p_state
    outward = (exported[1] - imported[1]) - (exported[0] - imported[0])
    base = np.log(p_state[at].clip(1e-15) / (1 - p_state[at]).clip(1e-15)) - np.log(chain.odds(w))
    out = p_state.copy()
    for period in periods:
        mask = period.inside
        total = period.delivered_kwh + period.received_kwh
        mine = mask[at]
        if period.seen < 0.95 or total <= 0 or not mine.any():
            continue
        goal = (exported[:, mask] + imported[:, mask]).mean(axis=0).sum() * period.received_kwh / total
        reached = (exported[0] + out * (exported[1] - exported[0]))[mask].sum()
        if abs(reached - goal) < (tolerance + (1 - period.seen) / 4) * total:
            continue
        low, high = -200.0, 200.0
        for _ in range(STEPS):
            tilt = (low + high) / 2
            factor = np.exp(np.clip(tilt * outward[at], -20, 20)) * mine + ~mine
            tilted = w.copy()
            tilted[:, 1] *= factor
            odds = base + np.log(chain.odds(chain.floored(tilted)))
            out[at[mine]] = 1 / (1 + np.exp(-np.clip(odds[mine], -40, 40)))
            reached = (exported[0] + out * (exported[1] - exported[0]))[mask].sum()
            low, high = (tilt, high) if reached < goal else (low, tilt)
            if abs(reached - goal) < 1e-4 * max(total, 1e-6):
                break
    return out


def audit(periods, p_state, energies):
    """Return a table of what the registers counted beside what was decoded, one row a period. [kWh]

    ``reading_ratio`` is delivered plus received over the sum of the unsigned reading: far from 1 it says that the
    instrument's gain, or the share of time seen, is off.
    """
    imported, exported = energies
    rows = []
    for period in periods:
        mask = period.inside
        flow_in = (imported[0] + p_state * (imported[1] - imported[0]))[mask].sum()
        flow_out = (exported[0] + p_state * (exported[1] - exported[0]))[mask].sum()
        total = flow_in + flow_out
        rows.append(
            {
                "start": period.start,
                "end": period.end,
                "seen": period.seen,
                "delivered_kwh": period.delivered_kwh,
                "import_kwh": flow_in,
                "received_kwh": period.received_kwh,
                "export_kwh": flow_out,
                "reading_ratio": (period.delivered_kwh + period.received_kwh) / total if total > 0 else np.nan,
            }
        )
    return pd.DataFrame(rows)
