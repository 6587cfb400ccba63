"""What the utility's two registers counted, as an audit of a decoded record or as a constraint on it."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from solarlib.direction import chain
from solarlib.direction.record import check_columns
from solarlib.direction.signs import expected, probability
from solarlib.direction.words import DIRECTION_WORDS
from solarlib.quantities import counted, refuse_if

COLUMNS = ("start", "end", "delivered_kwh", "received_kwh")
HALVINGS = 40
LEAST_SEEN = 0.95  # of a period, for its totals to say something about the samples seen
FILLED_SHARE = 0.15  # of the power around a gap: its mean differs by so much from that of its ends (measured)
RATIO_LOW, RATIO_HIGH = 0.8, 1.25  # reading over registers: no instrument is that far off
AGREE, DIFFER, UNSEEN = "agree", "differ", "too little seen"
OTHER_READING, OTHER_DIRECTION = "contradict the reading", "contradict the direction"


@dataclass(frozen=True)
class MeterPeriod:
    """One meter period: its place among the samples with a reading, its totals, and the share of it that was seen.

    ``missed_h``, one longer than its samples, is the time without a reading before each and after the last. [h]
    """

    start: pd.Timestamp
    end: pd.Timestamp
    inside: np.ndarray
    delivered_kwh: float
    received_kwh: float
    seen: float
    missed_h: np.ndarray
    rounding_kwh: float = 0.0


def read_registers(registers, index, rows, hours):
    """Check a table of meter totals and return its `MeterPeriod` list.

    Parameters
    ----------
    registers : DataFrame
        Columns ``start``, ``end`` (time stamps with zone), ``delivered_kwh``, ``received_kwh`` and, if the totals are
        rounded, ``rounding_kwh``, by how much each may be off for that.
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
    check_columns(registers, "registers", COLUMNS, ", ".join(COLUMNS))
    periods, begins = [], (index[rows] - index[0]).total_seconds().to_numpy() / 3600
    registers = registers if "rounding_kwh" in registers else registers.assign(rounding_kwh=0.0)
    for row in registers[[*COLUMNS, "rounding_kwh"]].itertuples(index=False):
        start, end = (pd.to_datetime(value, errors="coerce") for value in row[:2])
        wrong = pd.isna(start) or pd.isna(end) or start.tz is None or end.tz is None or not start < end
        refuse_if(wrong, "times_of_registers", "registers", start=row.start, end=row.end)
        totals = pd.to_numeric(pd.Series(row[2:]), errors="coerce")
        told = {"delivered": row.delivered_kwh, "received": row.received_kwh, "start": start}
        refuse_if(not totals.between(0, np.inf, inclusive="left").all(), "totals_of_registers", "registers", **told)
        inside = np.asarray((index >= start) & (index < end))[rows]
        seen = float(hours[inside].sum() * 3600 / (end - start).total_seconds())
        edges = [(time - index[0]).total_seconds() / 3600 for time in (start, end)]
        ends = np.concatenate([edges[:1], (begins + hours)[inside]])
        missed_h = np.maximum(np.append(begins[inside], edges[1]) - ends, 0)
        delivered_kwh, received_kwh, rounding_kwh = totals
        counts = delivered_kwh, received_kwh, min(seen, 1.0), missed_h, rounding_kwh
        periods.append(MeterPeriod(start, end, inside, *counts))
    return periods


def filled(period, flows_kwh, hours):
    """Return what flowed in and out in the gaps of a period, and the standard deviation of what went out. [kWh]

    The power goes evenly from that of the last sample to that of the next; it may have changed all at once at any
    time of the gap, and a share of all power around is anybody's guess.

    Parameters
    ----------
    period : MeterPeriod
    flows_kwh : ndarray, shape (2, n)
        Energy in and out of each sample. [kWh]
    hours : ndarray, shape (n,)
        Time that each sample stands for. [h]
    """
    power = np.pad(flows_kwh / hours, ((0, 0), (1, 1)), mode="edge")
    middle, jump = (power[:, 1:] + power[:, :-1]) / 2, np.diff(power[1])
    spread = period.missed_h * np.sqrt(np.square(jump) / 12 + np.square(FILLED_SHARE * middle.sum(axis=0)))
    return *(middle @ period.missed_h), float(np.sqrt(np.square(spread).sum()))


def judged(period, p_state, energies, hours, tolerance=0.001):
    """Return how a period's totals stand to what was decoded, and how much export its samples should hold.

    What flowed in the gaps is `filled` and taken off the totals; the samples seen share the rest. Where the gaps leave
    more doubt than the decoded days have, they stay nearly as they are. Totals that no instrument error explains, or
    that ask for more than three times the energy in doubt to change sides, are wrong or of another meter.

    Parameters
    ----------
    period : MeterPeriod
    p_state : ndarray, shape (n,)
        Probability of state 1.
    energies : tuple of ndarray, each shape (2, n)
        Energy in and out in each state. [kWh]
    hours : ndarray, shape (n,)
        Time that each sample stands for. [h]
    tolerance : float
        Share of the period's energy by which the readings themselves may be off.

    Returns
    -------
    (str, float, float)
        ``"agree"``, ``"differ"``, ``"too little seen"``, ``"contradict the reading"`` or ``"contradict the
        direction"``; the export, NaN unless it differs; the standard deviation of what the totals say of it. [kWh]
    """
    if period.seen < LEAST_SEEN:
        return UNSEEN, np.nan, np.nan
    imported, exported = (flow[:, period.inside] for flow in energies)
    p, total = p_state[period.inside], period.delivered_kwh + period.received_kwh
    flows = np.stack([expected(flow, p) for flow in (imported, exported)])
    missed_in, missed_out, sd = filled(period, flows, hours[period.inside])
    unsigned, rest = float((imported + exported).mean(axis=0).sum()), total - missed_in - missed_out
    if not RATIO_LOW * rest <= unsigned <= RATIO_HIGH * rest:
        return OTHER_READING, np.nan, np.nan
    sd, reached = float(np.hypot(np.hypot(tolerance * total, sd), period.rounding_kwh)), float(flows[1].sum())
    away = np.clip((period.received_kwh - missed_out) * unsigned / max(rest, 1e-9), 0, unsigned) - reached
    doubtful = float((np.abs(exported[1] - exported[0]) * np.minimum(p, 1 - p)).sum())
    if abs(away) > 3 * (doubtful + sd):
        return OTHER_DIRECTION, np.nan, np.nan
    own_sd = doubtful / np.sqrt(max((period.end - period.start) / pd.Timedelta("1D"), 1.0))  # days err by themselves
    away *= own_sd**2 / max(own_sd**2 + sd**2, 1e-12)
    return (AGREE, np.nan, sd) if abs(away) <= tolerance * total else (DIFFER, reached + away, sd)


def agreeing(periods, p_state, energies, hours, fine, tolerance=0.001):
    """Return state probabilities that share each period's energy between import and export as its registers do.

    Every sample's weights are tilted towards one direction in proportion to its energy, by one strength a period,
    found by halving. Only periods whose totals differ (see `judged`) are touched.

    Parameters
    ----------
    periods : list of MeterPeriod
    p_state, energies, hours, tolerance
        As `judged` takes them.
    fine : tuple
        Places and weights of the chain over the samples in doubt.
    """
    at, w = fine
    imported, exported = energies
    if at.size == 0:
        return p_state
    outward = ((exported[1] - imported[1]) - (exported[0] - imported[0]))[at]
    base = np.log(p_state[at].clip(1e-15) / (1 - p_state[at]).clip(1e-15)) - np.log(chain.odds(w))
    out = p_state.copy()
    for period in periods:
        mine = period.inside[at]
        verdict, goal, _ = judged(period, out, energies, hours, tolerance)
        if verdict != DIFFER or not mine.any():
            continue
        low, high = -200.0, 200.0
        for _ in range(HALVINGS):
            tilt = (low + high) / 2
            tilted = w.copy()
            tilted[:, 1] *= np.exp(np.clip(tilt * outward, -20, 20)) * mine + ~mine
            out[at[mine]] = probability(base + np.log(chain.odds(chain.floored(tilted))))[mine]
            reached = expected(exported, out)[period.inside].sum()
            low, high = (tilt, high) if reached < goal else (low, tilt)
            if abs(reached - goal) < 1e-4 * max(goal, 1e-6):
                break
    return out


def audit(periods, p_state, energies, verdicts):
    """Return a table of what the registers counted beside what was decoded, one row a period. [kWh]

    ``verdict`` is that of `judged` before anything was adjusted. ``reading_ratio`` is delivered plus received over
    the sum of the unsigned reading: far from 1 it says that the instrument's gain, or the share of time seen, is off.
    """
    flows = [expected(flow, p_state) for flow in energies]
    rows = []
    for period, verdict in zip(periods, verdicts, strict=True):
        taken, given = (flow[period.inside].sum() for flow in flows)
        told = period.start, period.end, period.seen, verdict, period.delivered_kwh, taken, period.received_kwh, given
        counted = period.delivered_kwh + period.received_kwh
        rows.append((*told, counted / (taken + given) if taken + given > 0 else np.nan))
    names = "start end seen verdict delivered_kwh import_kwh received_kwh export_kwh reading_ratio"
    return pd.DataFrame(rows, columns=names.split())


def left_unused(table):
    """Return what an `audit` found in plain English, one string a reason for which totals could not be used."""
    words = DIRECTION_WORDS["registers"]
    parts = table[table["verdict"].isin(words["why"])].groupby("verdict", sort=False)
    told = ((counted(len(part), "period"), part["start"].iloc[0], words["why"][why]) for why, part in parts)
    return [words["unused"].format(periods=periods, start=start, why=why) for periods, start, why in told]
