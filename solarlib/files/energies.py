"""Columns of numbers to flows: units and signs, registers to energies, columns of one quantity added up.

A register that falls has rolled over, was exchanged, was reset or was read from another register. Only what is known
(the digits, the declared exchange) is used; any other fall leaves its interval without energy and is reported.
"""

import numpy as np
import pandas as pd

from solarlib.files.mapping import clock_reading
from solarlib.files.steps import even_labels, first_moments, moved
from solarlib.files.texts import TEXTS, told
from solarlib.quantities import counted, refusal, refuse_if

MOST_KW = 48.0  # 200 A at 240 V: more than nearly every home's connection carries (common practice, no source)


def clean_tables(index, step, columns, mapping, name):
    """Return the clean tables of a file.

    Parameters
    ----------
    index : DatetimeIndex, rising
        Stamps as the file has them.
    step : Timedelta or None
    columns : list of ndarray of float
        Numbers of the file, in the order of ``mapping.column``.
    mapping : Mapping
    name : str
        Of the file, for messages.

    Returns
    -------
    table : DataFrame
        START labels, columns such as ``net_w`` [W] and ``delivered_kwh`` [kWh]; see `mapping.Column.title`.
    registers : dict of Column to Series
        Registers as read. [kWh]
    intervals : dict of Column to DataFrame
        As from `interval_energy`, for each register. [kWh]
    notes : list of str
    """
    table, intervals, notes, odd = {}, {}, [], {}
    starts = _starts(index, step, mapping, name)
    columns = {column: _converted(values, column) for values, column in zip(columns, mapping.column)}
    registers = {column: pd.Series(values, index) for column, values in columns.items() if column.counts}
    for column, values in columns.items():
        if column.counts:
            shown = registers[column] / column.factor  # as displayed: a dial ends in its own unit
            exchanges, most = _exchanges(column, index.tz), MOST_KW / column.factor
            found = interval_energy(shown, column.digits, exchanges, most)
            odd[column.quantity] = shown.dropna().index.difference(found.index).difference(found["end"])
            found["energy_kwh"] *= column.factor
            intervals[column] = found
            values = _on_rows(found, index, step)
            notes += _falls(found, column.name)
        table[column.title] = table[column.title] + values if column.title in table else values
    swapped = odd.get("delivered", index[:0]).intersection(odd.get("received", index[:0]))
    if len(swapped):
        rows = counted(len(swapped), "reading looks", "readings look")
        notes.insert(0, told("swapped", readings=rows, first=swapped[0]))
    return pd.DataFrame(table, index=starts), registers, intervals, notes


def _starts(index, step, mapping, name):
    """Stamps at the start of their interval; a register's stay where they are."""
    counters = [column.counts for column in mapping.column]
    if mapping.label == "start" or all(counters):
        return index
    refuse_if(any(counters), "kinds", name)
    refuse_if(step is None, "no_step_for_end", name)
    return moved(index, step, -1)


def _exchanges(column, zone):
    times = first_moments(np.array([clock_reading(row.time) for row in column.exchange], np.int64), zone)
    return [(time, row.old_last, row.new_first) for time, row in zip(times, column.exchange)]


def _on_rows(found, index, step):
    """Energy of each interval that runs from one row of the table to the next (and has the common step, if any)."""
    values = np.full(len(index), np.nan)
    opens, ends = (part.as_unit("ns").asi8 for part in (found.index, pd.DatetimeIndex(found["end"])))
    at, to = (np.searchsorted(index.as_unit("ns").asi8, part) for part in (opens, ends))
    fine = at + 1 == to
    if step is not None:
        labels, _ = even_labels(index, step)
        fine &= labels[to] - labels[at] == step.value
    values[at[fine]] = found["energy_kwh"].to_numpy()[fine]
    return values


def _falls(found, name):
    for how, what in TEXTS["falls"].items():
        rows = found[found["how"] == how]
        if len(rows):
            more = f" and {len(rows) - 1} more times" if len(rows) > 1 else ""
            yield told("fell", name=name, what=what, first=rows.index[0], more=more)


def _converted(values, column):
    """Numbers of the file in W or kWh, pulses as the register that they drive; Wh / 1000 is exact to the last digit."""
    values = pd.Series(values).cumsum().to_numpy() if column.kind == "pulse" else values
    return values * column.multiplier / 1000.0 if column.unit == "Wh" else values * column.factor


def interval_energy(register, digits=None, exchanges=(), most_kw=None):
    """Return the energy between successive readings of one register.

    Parameters
    ----------
    register : Series, rising time-zone-aware index of reading times
        As displayed; missing readings are passed over. Energies come out in the display's unit, here kWh.
    digits : int, optional
        Digits before the decimal mark; the register passes from 99...9 to 0. A rollover of up to half the dial is
        believed.
    exchanges : sequence of (time, old_last, new_first)
        Aware time of a meter exchange and the two meters' registers then. [kWh]
    most_kw : float, optional
        Mean power that no interval passes, but for the last digit of the display; without it any rise is believed.

    Returns
    -------
    DataFrame
        Index: reading that opens the interval. ``end``: reading that closes it. ``energy_kwh``: NaN where unknown.
        ``how``: ``"difference"``, ``"rollover"``, ``"exchange"``, ``"unknown fall"``, ``"too much"``, or ``"passed
        over"`` where readings between, a few that fit neither before nor after them, were not used.

    Raises
    ------
    InputError
        A reading is off the dial, or the register differs from a declared exchange in the wrong direction.
    """
    register = register.dropna()
    values, index = register.to_numpy(float), register.index
    if digits is not None and values.size and (values.max() >= 10.0**digits or values.min() < 0):
        odd = values[(values >= 10.0**digits) | (values < 0)][0]
        raise refusal("off_dial", "register", odd=odd, dial=10.0**digits, digits=digits)
    moments, exchanged = index.as_unit("ns").asi8, np.zeros(len(values), bool)
    counted_on = values.copy()  # as if the first meter had stayed
    for time, old_last, new_first in exchanges:
        at = int(np.searchsorted(moments, pd.Timestamp(time).as_unit("ns").value, side="right"))
        if not 0 < at < len(values):
            continue
        refuse_if(exchanged[at], "two_exchanges", "exchange", first=index[at - 1], last=index[at])
        exchanged[at] = True
        counted_on[at:] += old_last - new_first
        pairs = {"before": values[at - 1], "old_last": old_last, "new_first": new_first, "after": values[at]}
        falls = digits is None and (old_last < values[at - 1] or values[at] < new_first)
        refuse_if(falls, "exchange", f"exchange at {time}", **pairs)

    def energy(before, after):
        """Return energy from one reading to a later one, whether the dial was passed, and whether it can be so."""
        rise = counted_on[after] - counted_on[before]
        rise = np.where(np.abs(rise) < 1e-9 * (1 + np.abs(counted_on[after])), 0.0, rise)
        most = np.inf if most_kw is None else most_kw * (moments[after] - moments[before]) / 3.6e12 + last_digit
        rolled = (rise < 0) & (digits is not None)
        rise = np.where(rolled, rise + 10.0 ** (digits or 0), rise)
        return rise, rolled, (rise >= 0) & (rise <= np.where(rolled, np.minimum(most, 10.0 ** (digits or 0) / 2), most))

    units = (unit for unit in (1.0, 0.1, 0.01) if np.allclose(values, np.round(values / unit) * unit, 0, 1e-6))
    last_digit = next(units, 0.001)
    kept = _fitting(len(values), lambda before, after: energy(before, after)[2])
    used = np.flatnonzero(kept)
    kwh, rolled, fine = energy(used[:-1], used[1:])
    crossed = np.diff(np.cumsum(exchanged)[used]) > 0
    choices = [~fine & (rolled | (kwh < 0)), ~fine, np.diff(used) > 1, crossed, rolled]
    how = np.select(choices, ["unknown fall", "too much", "passed over", "exchange", "rollover"], "difference")
    table = {"end": index[used[1:]], "energy_kwh": np.where(fine, kwh, np.nan), "how": how.astype(object)}
    return pd.DataFrame(table, index=index[used[:-1]])


def _fitting(count, fits):
    """Return which readings to use: where one does not fit after another, the fewest are passed over that mend it."""
    used, most = np.ones(count, bool), max(1, count // 10)
    broken = np.flatnonzero(~fits(np.arange(count - 1), np.arange(1, count))) if count > 1 else []
    for at in broken if len(broken) <= max(10, count // 20) else []:
        for reach in sorted({1, min(10, most), min(100, most)}):
            before = at - np.arange(min(reach, at) + 1)
            after = at + 1 + np.arange(min(reach, count - at - 2) + 1)
            places = np.add.outer(np.arange(len(before)), np.arange(len(after)))
            good = fits(before[:, None], after[None, :]) & used[before][:, None] & (places <= reach)
            if good.any():
                i, j = np.unravel_index(np.where(good, places, count).argmin(), good.shape)
                used[before[i] + 1 : after[j]] = False
                break
    return used
