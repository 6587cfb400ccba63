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
    table, intervals, notes = {}, {}, []
    starts = _starts(index, step, mapping, name)
    columns = {column: _converted(values, column) for values, column in zip(columns, mapping.column)}
    registers = {column: pd.Series(values, index) for column, values in columns.items() if column.kind == "counter"}
    swapped = _swaps(registers)
    if len(swapped):
        rows = counted(len(swapped), "reading looks", "readings look")
        notes.append(told("swapped", readings=rows, first=swapped[0]))
    for column, values in columns.items():
        if column.kind == "counter":
            shown = registers[column] / column.factor  # as displayed: a dial ends in its own unit
            doubted = index.isin(swapped) & (column.quantity in ("delivered", "received"))
            found = interval_energy(shown.mask(doubted), column.digits, _exchanges(column, index.tz))
            found["energy_kwh"] *= column.factor
            intervals[column] = found
            values = _on_rows(found, index, step)
            notes += _falls(found, column.name)
        table[column.title] = table[column.title] + values if column.title in table else values
    return pd.DataFrame(table, index=starts), registers, intervals, notes


def _starts(index, step, mapping, name):
    """Stamps at the start of their interval; a register's stay where they are."""
    counters = [column.kind == "counter" for column in mapping.column]
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
    """Numbers of the file in W or kWh; Wh are divided by 1000, which is exact to the last digit."""
    return values * column.multiplier / 1000.0 if column.unit == "Wh" else values * column.factor


def _swaps(registers):
    pair = [[series for column, series in registers.items() if column.quantity == q] for q in ("delivered", "received")]
    one_each = len({column.quantity for column in registers}) == len(registers)
    if not all(pair) or not one_each:
        return pd.DatetimeIndex([])  # with two registers for a quantity the other's partner is not known
    return swapped_readings(*(series for (series,) in pair))


def interval_energy(register, digits=None, exchanges=()):
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

    Returns
    -------
    DataFrame
        Index: reading that opens the interval. ``end``: reading that closes it. ``energy_kwh``: NaN where unknown.
        ``how``: ``"difference"``, ``"rollover"``, ``"exchange"`` or ``"unknown fall"``.

    Raises
    ------
    InputError
        A reading is off the dial, or the register differs from a declared exchange in the wrong direction.
    """
    register = register.dropna()
    values = register.to_numpy(float)
    if digits is not None and values.size and (values.max() >= 10.0**digits or values.min() < 0):
        odd = values[(values >= 10.0**digits) | (values < 0)][0]
        raise refusal("off_dial", "register", odd=odd, dial=10.0**digits, digits=digits)
    index = register.index
    energy, how = np.diff(values), np.full(max(0, len(values) - 1), "difference", dtype=object)
    opened = index.as_unit("ns").asi8
    taken = np.zeros(len(energy), bool)
    for time, old_last, new_first in exchanges:
        at = int(np.searchsorted(opened, pd.Timestamp(time).as_unit("ns").value, side="right")) - 1
        if not 0 <= at < len(energy):
            continue
        refuse_if(taken[at], "two_exchanges", "exchange", first=index[at], last=index[at + 1])
        taken[at], how[at] = True, "exchange"
        energy[at] = _up(values[at], old_last, digits) + _up(new_first, values[at + 1], digits)
        if not energy[at] >= 0:
            pairs = {"before": values[at], "old_last": old_last, "new_first": new_first, "after": values[at + 1]}
            raise refusal("exchange", f"exchange at {time}", **pairs)
    fell = (energy < 0) & ~taken
    if digits is not None:
        dial = 10.0**digits
        rolled = fell & (energy + dial <= dial / 2)
        energy, how[rolled] = np.where(rolled, energy + dial, energy), "rollover"
        fell &= ~rolled
    how[fell] = "unknown fall"
    energy = np.where(fell, np.nan, energy)
    return pd.DataFrame({"end": index[1:], "energy_kwh": energy, "how": how}, index=index[:-1])


def _up(before, after, digits):
    """Energy from one reading to a later one of the same meter; a fall is a rollover only where digits are known."""
    if after >= before:
        return after - before
    return after - before + 10.0**digits if digits is not None else np.nan


def swapped_readings(first, second):
    """Find readings in which two registers were written in each other's place.

    Parameters
    ----------
    first, second : Series, same rising index
        Two registers that count up. [kWh]

    Returns
    -------
    DatetimeIndex
        Readings at which both registers leave their course and each fits the other's.

    Notes
    -----
    Reading i is swapped when, put back, both registers stay between their last sound reading and count up, while as
    written one of them falls. A whole file with the names exchanged shows no fall: see `plausible`.
    """
    refuse_if(not first.index.equals(second.index), "indexes", "registers")
    a, b = first.to_numpy(float), second.to_numpy(float)
    found, sound = [], None
    for place in np.flatnonzero(np.isfinite(a) & np.isfinite(b)).tolist():
        now = (a[place], b[place])
        if sound is not None and (now[0] < sound[0] or now[1] < sound[1]) and now[1] >= sound[0] and now[0] >= sound[1]:
            straight = abs(now[0] - sound[0]) + abs(now[1] - sound[1])
            crossed = abs(now[1] - sound[0]) + abs(now[0] - sound[1])
            if crossed < straight:
                found.append(place)
                now = now[::-1]
        sound = now
    return first.index[found]
