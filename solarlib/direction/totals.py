"""What the utility's two registers counted, as an audit of a decoded record or as a constraint on it."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from solarlib.direction import chain
from solarlib.quantities import InputError

STEPS = 40
LEAST_SEEN = 0.95  # of a period, for its totals to say something about the samples seen
RATIO_LOW, RATIO_HIGH = 0.8, 1.25  # reading over registers: no instrument is that far off
AGREE, DIFFER, UNSEEN = "agree", "differ", "too little seen"
OTHER_READING, OTHER_DIRECTION = "contradict the reading", "contradict the direction"


@dataclass(frozen=True)
class Period:
    """One meter period: its place among the samples with a reading, its totals, and the share of it that was seen."""

    start: pd.Timestamp
    end: pd.Timestamp
    inside: np.ndarray
    delivered_kwh: float
    received_kwh: float
    seen: float


def read_registers(registers, index, rows, hours):
    """Check a table of meter totals and return its `Period` list.

    Parameters
    ----------
    registers : DataFrame
        Columns ``start``, ``end`` (time stamps with zone), ``delivered_kwh``, ``received_kwh``.
    index : DatetimeIndex
        Of the readings.
    rows : ndarray of int
        Rows of it that have a reading.
    hours : ndarray, shape of ``rows``
        Time that each of them stands for. [h]

    Raises
    ------
    InputError
        For a missing column, a time without zone, an end before its start, a negative total.
    """
    if not isinstance(registers, pd.DataFrame):
        raise InputError(f"registers: found {type(registers).__name__}, allowed is a DataFrame")
    for name in ("start", "end", "delivered_kwh", "received_kwh"):
        if name not in registers:
            raise InputError(f"registers: found no column {name}, allowed are start, end, delivered_kwh, received_kwh")
    periods = []
    for row in registers.itertuples(index=False):
        try:
            start, end = pd.Timestamp(row.start), pd.Timestamp(row.end)
        except (ValueError, TypeError):
            start = end = pd.NaT
        if pd.isna(start) or pd.isna(end) or start.tz is None or end.tz is None or not start < end:
            raise InputError(f"registers: found {row.start} to {row.end}, allowed are times with zone, start first")
        try:
            totals = float(row.delivered_kwh), float(row.received_kwh)
        except (ValueError, TypeError):
            totals = (np.nan, np.nan)
        if not all(np.isfinite(t) and t >= 0 for t in totals):
            raise InputError(
                f"registers: found {row.delivered_kwh} and {row.received_kwh} kWh from {start}, "
                "allowed are numbers of 0 or more"
            )
        inside = np.asarray((index >= start) & (index < end))[rows]
        seen = float(hours[inside].sum() * 3600 / (end - start).total_seconds())
        periods.append(Period(start, end, inside, *totals, min(seen, 1.0)))
    return periods


def compare(period, p_state, energies, tolerance=0.001):
    """Return how a period's totals stand to what was decoded, and how much export its samples should hold.

    The energy that the registers counted and the reading did not is taken as missed, in either direction; so the
    export of the samples seen is known within bounds, and the nearest one is what they should hold. Totals that no
    instrument error explains, or that ask for more than three times the energy in doubt to change sides, are wrong
    themselves or belong to another meter.

    Parameters
    ----------
    period : Period
    p_state : ndarray, shape (n,)
        Probability of state 1.
    energies : tuple of ndarray, each shape (2, n)
        Energy in and out in each state. [kWh]
    tolerance : float
        Share of the period's energy by which the readings themselves may be off.

    Returns
    -------
    (str, float)
        ``"agree"``, ``"differ"``, ``"too little seen"``, ``"contradict the reading"`` or ``"contradict the
        direction"``; the export, NaN unless it differs. [kWh]
    """
    imported, exported = (flow[:, period.inside] for flow in energies)
    p = p_state[period.inside]
    total, unsigned = period.delivered_kwh + period.received_kwh, float((imported + exported).mean(axis=0).sum())
    if period.seen < LEAST_SEEN:
        return UNSEEN, np.nan
    # A missed sample holds at most about four times an average one.
    missed = min(max(total - unsigned, 0.0), 4 * (1 - period.seen) * total)
    if not RATIO_LOW * (total - missed) <= unsigned <= RATIO_HIGH * (total - missed):
        return OTHER_READING, np.nan
    scale, slack = unsigned / max(total - missed, 1e-9), tolerance * total
    low, high = max(period.received_kwh - missed, 0.0) * scale, min(period.received_kwh, total - missed) * scale
    reached = float((exported[0] + p * (exported[1] - exported[0])).sum())
    goal = min(max(reached, low), high)
    if abs(goal - reached) <= slack:
        return AGREE, np.nan
    doubtful = float((np.abs(exported[1] - exported[0]) * np.minimum(p, 1 - p)).sum())
    if abs(goal - reached) > 3 * (doubtful + slack):
        return OTHER_DIRECTION, np.nan
    return DIFFER, goal


def agree(periods, p_state, energies, fine, tolerance=0.001):
    """Return state probabilities that share each period's energy between import and export as its registers do.

    Every sample's weights are tilted towards one direction in proportion to its energy, by one strength a period,
    found by halving. Only periods whose totals differ (see `compare`) are touched.

    Parameters
    ----------
    periods : list of Period
    p_state, energies, tolerance
        As `compare` takes them.
    fine : tuple
        Places and weights of the chain over the samples in doubt.
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
        mine = mask[at]
        verdict, goal = compare(period, out, energies, tolerance)
        if verdict != DIFFER or not mine.any():
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
            if abs(reached - goal) < 1e-4 * max(goal, 1e-6):
                break
    return out


def audit(periods, p_state, energies, verdicts):
    """Return a table of what the registers counted beside what was decoded, one row a period. [kWh]

    ``verdict`` is that of `compare` before anything was adjusted. ``reading_ratio`` is delivered plus received over
    the sum of the unsigned reading: far from 1 it says that the instrument's gain, or the share of time seen, is off.
    """
    imported, exported = energies
    rows = []
    for period, verdict in zip(periods, verdicts, strict=True):
        mask = period.inside
        flow_in = (imported[0] + p_state * (imported[1] - imported[0]))[mask].sum()
        flow_out = (exported[0] + p_state * (exported[1] - exported[0]))[mask].sum()
        total = flow_in + flow_out
        rows.append(
            {
                "start": period.start,
                "end": period.end,
                "seen": period.seen,
                "verdict": verdict,
                "delivered_kwh": period.delivered_kwh,
                "import_kwh": flow_in,
                "received_kwh": period.received_kwh,
                "export_kwh": flow_out,
                "reading_ratio": (period.delivered_kwh + period.received_kwh) / total if total > 0 else np.nan,
            }
        )
    return pd.DataFrame(rows)


def sentences(table):
    """Return what an `audit` found in plain English, one string a period that calls for attention."""
    words = {
        UNSEEN: "less than 95 % of that time was seen",
        OTHER_READING: "their sum is far from what the reading saw",
        OTHER_DIRECTION: "they ask for more to change direction than is in doubt",
    }
    return [
        f"The register totals from {row.start} were not used: {words[row.verdict]}."
        for row in table.itertuples()
        if row.verdict in words
    ]
