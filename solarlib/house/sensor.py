"""The record that tells direction, put together from an owner's files: reading, array, test load, meter.

Whatever lacks something raises an `InputError` that says what is missing.
"""

from collections.abc import Callable, Sequence

import numpy as np
import pandas as pd

from solarlib.direction.decoder import Decoded, decode
from solarlib.files.flow import flow_of
from solarlib.files.steps import Measured
from solarlib.house.flows import Checked, first_measured, limits_kw, measured_in, silent
from solarlib.house.periods import METER
from solarlib.quantities import refuse_if

MINUTE, LONGEST_PULSE = pd.Timedelta(minutes=1), pd.Timedelta(minutes=15)
LEAST_TEST_W = 10.0  # a test load below is a mark that says 1 for "on", or too small for any sensor


def sensor_record(files):
    """Return what `decoder.decode` takes: the reading without direction beside the array's power and the test load.

    Returns
    -------
    table : DataFrame
        ``reading_w``, ``pv_w`` [W], and ``test_on`` (share of the interval, NaN where not known) where a
        file has a test load.
    window : Timedelta
        Length of the intervals of the array's file.
    test_load_w : float or None
        The greatest power of the test load. [W]
    step_wh : float
        The smallest step of a reading that comes as an energy, as whole pulses do. [Wh]
    """
    sensor, array = counted_power(files) or first_measured(files, "unsigned"), first_measured(files, "generation")
    reading, step_wh = sensor.power_w(), 1000 * smallest_step(sensor.series) if sensor.unit == "kWh" else 0.0
    pv, inside = _at(array.power_w(), array.step, reading.index)
    refuse_if(not inside.any(), "no_common_time", sensor.origin, other=array.origin)
    table = pd.DataFrame({"reading_w": reading.to_numpy(), "pv_w": pv}, reading.index)
    test_load_w, tests = None, measured_in(files, "test_load")
    if tests is not None:
        on, _ = _at(tests.even(), tests.step, reading.index)
        if np.nanmax(on, initial=0.0) > 0:
            test_load_w = float(np.nanmax(on))
            refuse_if(test_load_w < LEAST_TEST_W, "small_test_load", tests.origin, most=test_load_w, least=LEAST_TEST_W)
            table["test_on"] = on / test_load_w  # missing: nobody says whether it ran
    return table[inside], array.step, test_load_w, step_wh


def counted_power(files):
    """Return the power between the moments at which a counter without direction was read, None without any.

    Energy grows evenly between two pulses. That tells far more than counting the pulses of each interval, whose
    rounding hides what the sun and the test load do. Nothing is told where none came for `LONGEST_PULSE`.
    """
    for file in files:
        for column, part in file.readings.intervals.items():
            if column.quantity == "unsigned" and file.readings.step is None:
                end = pd.DatetimeIndex(part["end"])
                known = part["energy_kwh"].where(end - part.index < LONGEST_PULSE)
                flow = flow_of(part.index.append(end[-1:]), known, limits_kw(None)["load"], file.name)
                sums = flow.sums(pd.date_range(flow.edges[0].ceil(MINUTE), flow.edges[-1], freq=MINUTE))
                power = 60_000 * sums["kwh"].where(sums["even_high"] - sums["even_low"] < 1e-8)
                return Measured(power, MINUTE, "unsigned", "W", file.name)
    return None


def _at(values, step, index):
    """Return, for each label of an index, the value of the interval that holds it, and whether there is one."""
    start, at = values.index.as_unit("ns").asi8, index.as_unit("ns").asi8
    place = np.searchsorted(start, at, side="right") - 1
    inside = (place >= 0) & (at < start[-1] + step.value)
    return np.where(inside, values.to_numpy()[np.maximum(place, 0)], np.nan), inside


def meter_totals(files, index):
    """Return what a meter counted within a record, as `decoder.decode` takes it; None where no file tells.

    Totals run from one local midnight to the next, or from reading to reading where none is read at midnight.

    Parameters
    ----------
    files : sequence of Checked
    index : DatetimeIndex
        Regular START labels of the record.
    """
    for file in [file for file in files if set(METER) <= set(file.flows)]:
        flows = [file.flows[name] for name in METER]
        edges = flows[0].edges[np.isin(flows[0].edges.asi8, flows[1].edges.asi8)].tz_convert(index.tz)
        edges = edges[(edges >= index[0]) & (edges <= index[-1] + (index[1] - index[0]))]
        midnights = edges[edges == edges.normalize()]
        edges = midnights if len(midnights) > 1 else edges
        if len(edges) < 2:
            continue
        table = pd.DataFrame({"rounding_kwh": _rounding_kwh(file)}, edges[:-1])
        for name, sums in zip(METER, (flow.sums(edges) for flow in flows)):
            table[f"{name}_kwh"] = sums["kwh"].where(sums["measured"] > 1 - 1e-9)
        return table.assign(start=edges[:-1], end=edges[1:]).dropna().reset_index(drop=True)
    return None


def _rounding_kwh(file):
    """Return by how much a total may be off because of the digits shown: one step of the registers. [kWh]"""
    shown = [part for column, part in file.readings.registers.items() if column.quantity in METER]
    return max(smallest_step(part) for part in shown or [pd.Series(file.flows[name].kwh) for name in METER])


def smallest_step(values):
    """Return the smallest difference of two values: the step of a display, next to nothing without one."""
    steps = np.diff(np.unique(np.round(values.dropna(), 9)))
    return float(steps.min()) if steps.size else 0.0


def directions(files: Sequence[Checked], say: Callable = silent) -> tuple[Decoded, pd.DataFrame]:
    """Return what `decoder.decode` finds in the record, and the record itself.

    A meter's file among them ties the energies to its registers.
    """
    table, window, test_load_w, step_wh = sensor_record(files)
    say(f"finding the direction of {len(table)} readings", 0.1)
    totals = meter_totals(files, table.index)
    kind = "snapshot" if any(file.snapshot and file.measured("unsigned_w") for file in files) else "mean"
    window_s = window.total_seconds()
    found = decode(table, test_load_w, kind=kind, pv_window_s=window_s, registers=totals, wh_per_pulse=step_wh)
    say(f"the direction of {len(table)} readings is found", 1.0)
    return found, table
