"""Columns of numbers to flows: units and signs, registers to energies, columns of one quantity added up."""

import numpy as np
import pandas as pd

from solarlib.files.counters import interval_energy, swapped_readings
from solarlib.files.mapping import clock_reading
from solarlib.files.steps import even_labels, first_moments, moved
from solarlib.files.texts import TEXTS, told
from solarlib.quantities import counted, refuse_if


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
        As from `counters.interval_energy`, for each register. [kWh]
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
