"""A house and the files its owner brings: read, checked, and put together into a record of direction and into days.

Whatever lacks something raises an `InputError` that says what is missing.
"""

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from solarlib.decoder import decode
from solarlib.mapping import Mapping, mapping_from_toml
from solarlib.periods import monthly_periods
from solarlib.plausible import plausibility
from solarlib.quantities import InputError, counted
from solarlib.readings import Readings, read
from solarlib.sun import position

EXAMPLES = Path(__file__).resolve().parents[1] / "data" / "examples"
SERVICE_W = 48_000.0  # 200 A at 240 V: more than nearly every home's connection carries (common practice, no source)
LEFT_OUT = ("above limit", "factor", "stuck", "negative")  # findings whose rows no sum may use
SUN_GRID = pd.Timedelta(minutes=15)
DAY = pd.Timedelta(days=1)
LONG_PERIOD = pd.Timedelta(days=20)  # registers read this seldom are read for a bill
LEAST_TEST_W = 10.0  # a test load below is a mark that says 1 for "on", or too small for any sensor
READ_SHARE = 0.8  # of the time of bringing a file; the rest is for the checks
FLOWS = ("delivered_kwh", "received_kwh", "generation_kwh")


@dataclass(frozen=True)
class Checked:
    """One file.

    Attributes
    ----------
    name : str
    readings : Readings
    findings : tuple of Finding
    table : DataFrame
        Without the values that hardly can be.
    roofs : dict of column title to (tilt, azimuth)
        Of similar systems, where the mapping tells them. [deg]
    """

    name: str
    readings: Readings
    findings: tuple
    table: pd.DataFrame
    roofs: dict


def silent(words, share=None):
    """Take a word of progress, and say nothing."""


def file_of(name):
    """Return the path of a file; the name of an example, without its ending, stands for that one."""
    shipped = EXAMPLES / f"{name}.csv"
    return shipped if Path(name).name == str(name) and shipped.is_file() else Path(name)


def bring(path, house, mapping=None, say=silent):
    """Read one file and look for what hardly can be.

    Parameters
    ----------
    path : path
        A CSV file, or the name of an example file without its ending.
    house : House
    mapping : path or TOML text, optional
        Default: the ``.toml`` beside the file.
    say : callable
        ``say(words, share)`` is told the step that runs and the share of it that is done, 0 to 1.

    Returns
    -------
    Checked
    """
    path = file_of(path)
    mapping = path.with_suffix(".toml") if mapping is None else mapping
    if isinstance(mapping, Path) and not mapping.is_file():
        raise InputError(f"{path.name}: found no mapping {mapping.name} beside it, allowed is a file of that name or TOML text")
    mapping = mapping if isinstance(mapping, Mapping) else mapping_from_toml(mapping)
    readings = read(path, mapping, lambda share: say(f"reading {path.name}", READ_SHARE * share))
    say(f"checking {path.name}", READ_SHARE)
    roofs = {column.title: (column.tilt_deg, column.azimuth_deg) for column in mapping.column if column.tilt_deg is not None}
    file = checked(readings, house, roofs)
    say(f"{path.name} is read and checked", 1.0)
    return file


def checked(readings, house, roofs=None):
    """Return readings with what the plausibility checks say about them; see `plausible.plausibility`."""
    findings = ()
    if readings.step is not None and readings.table.index.tz is not None:
        high = sun_height(readings.table.index, readings.step, house)
        findings = plausibility(
            readings.table, readings.step, house.system.rated_power_w, SERVICE_W, high < -3.0, high)
    table = readings.table.copy()
    for finding in findings:
        if finding.kind in LEFT_OUT and finding.column in table:
            table.loc[finding.rows, finding.column] = np.nan
    return Checked(readings.account.name, readings, findings, table, roofs or {})


def sun_height(index, step, house):
    """Return the sun's elevation (no refraction) in the middle of each interval, interpolated in a grid of 15 minutes. [deg]

    Readings may have gaps, which a computed position may not. A straight line over 15 minutes is about 0.1 deg off at noon
    in middle latitudes; where the sun passes the zenith, 2 deg. Enough to tell night from day.
    """
    half = pd.Timedelta(step) / 2
    grid = pd.date_range(index[0].floor("D") - SUN_GRID, index[-1] + pd.Timedelta(days=1), freq=SUN_GRID)
    high = position(grid, house.place)["elevation"].to_numpy()
    at = (grid + SUN_GRID / 2).as_unit("ns").asi8
    return pd.Series(np.interp((index + half).as_unit("ns").asi8, at, high), index)


def left_out(file):
    """Return how many values the checks took out of the sums."""
    return int((file.readings.table.notna() & file.table.isna()).to_numpy().sum())


def with_column(files, *columns):
    """Return the first of the files whose table has one of the columns, and that column's name."""
    for column in columns:
        for file in files:
            if column in file.table and file.readings.step is not None:
                return file, column
    names = " or ".join(dict.fromkeys(column.rsplit("_", 1)[0].replace("_", " ") for column in columns))
    raise InputError(f"files: found none with regular readings of {names}, allowed is a file whose mapping names that quantity")


def has_column(files, *columns):
    """Tell whether any file has regular readings under one of the columns."""
    return any(column in file.table and file.readings.step is not None for file in files for column in columns)


def regular(series, step):
    """Return a series with a row for every interval; missing ones are NaN. Days are those of the local clock."""
    return series.reindex(_grid(series.index, step))


def _grid(index, step):
    return pd.date_range(index[0], index[-1], freq="D" if step == DAY else step)


def power_w(file, column):
    """Return a column of a file as regular mean power. [W]"""
    values = regular(file.table[column], file.readings.step)
    return values if column.endswith("_w") else values * (1000.0 / (file.readings.step / pd.Timedelta(hours=1)))


def record(files):
    """Return what `decoder.decode` takes: the reading without direction beside the array's power and the test load.

    Returns
    -------
    table : DataFrame
        ``reading_w``, ``pv_w`` [W], and ``test_on`` (share of the interval) where a file has a test load.
    window : Timedelta
        Length of the intervals of the array's file.
    test_load_w : float or None
        The greatest power of the test load. [W]
    """
    sensor, name = with_column(files, "unsigned_w")
    array, made = with_column(files, "generation_w", "generation_kwh")
    reading = regular(sensor.table[name], sensor.readings.step)
    window = array.readings.step
    pv, inside = _at(power_w(array, made), window, reading.index)
    if not inside.any():
        raise InputError(f"{sensor.name}: found no time that {array.name} holds too, allowed are files that overlap")
    table = pd.DataFrame({"reading_w": reading.to_numpy(), "pv_w": pv}, reading.index)
    test_load_w = None
    if has_column(files, "test_load_w"):
        tests, _ = with_column(files, "test_load_w")
        on, _ = _at(regular(tests.table["test_load_w"], tests.readings.step), tests.readings.step, reading.index)
        if np.nanmax(on, initial=0.0) > 0:
            test_load_w = float(np.nanmax(on))
            if test_load_w < LEAST_TEST_W:
                raise InputError(f"{tests.name}: found a test load of at most {test_load_w:g} W, allowed is what it draws, {LEAST_TEST_W:g} W "
                                 "or more: where the file marks \"on\" by 1, set multiplier = its watts for that column")
            table["test_on"] = np.nan_to_num(on) / test_load_w
    return table[inside], window, test_load_w


def _at(values, step, index):
    """Return, for each label of an index, the value of the interval that holds it, and whether there is one."""
    start, at = values.index.as_unit("ns").asi8, index.as_unit("ns").asi8
    place = np.searchsorted(start, at, side="right") - 1
    inside = (place >= 0) & (at < start[-1] + step.value)
    return np.where(inside, values.to_numpy()[np.maximum(place, 0)], np.nan), inside


def directions(files, say=silent):
    """Return what `decoder.decode` finds in the record, and the record itself."""
    table, window, test_load_w = record(files)
    say(f"finding the direction of {len(table)} readings", 0.1)
    found = decode(table, test_load_w, pv_window_s=window.total_seconds())
    say(f"the direction of {len(table)} readings is found", 1.0)
    return found, table


def register_flows(file):
    """Return energy between readings of registers, or of regular intervals, a Series for each flow. [kWh]

    Energy between readings is labelled with the reading that opens it: over two intervals (a reading between was set
    aside) it stands at the first. Of regular intervals a missing one is NaN.
    """
    flows = {}
    for name, part in file.readings.intervals.items():
        flow = f"{name.split(' (')[0]}_kwh"
        flows[flow] = flows[flow].add(part["energy_kwh"]) if flow in flows else part["energy_kwh"]
    step = file.readings.step
    for flow in FLOWS if step is not None and step <= DAY else ():
        for column in (flow, flow.replace("_kwh", "_w")):
            if flow not in flows and column in file.table:
                flows[flow] = power_w(file, column) * (step / pd.Timedelta(hours=1) / 1000.0)
    return flows


def register_days(files):
    """Return energy delivered and received by local day, from a meter read at least once an hour; NaN where some is missing. [kWh]"""
    for file in files:
        flows = register_flows(file)
        if file.readings.step is not None and file.readings.step <= pd.Timedelta(hours=1) and set(FLOWS[:2]) <= set(flows):
            by_day = {flow: flows[flow].groupby(flows[flow].index.tz_localize(None).normalize()) for flow in FLOWS[:2]}
            return pd.DataFrame({flow: part.sum(min_count=1).where(part.count() == part.size()) for flow, part in by_day.items()})
    raise InputError("files: found no meter read each hour or oftener, allowed is a file with delivered and received")


def read_periods(file):
    """Return one row a billing period from registers that are read once a month or so.

    A period runs between two readings that every register shares; a reading set aside joins two periods.
    """
    flows = register_flows(file)
    bounds = [{*part.index, *part["end"]} for part in file.readings.intervals.values()]
    edges = sorted(set.intersection(*bounds)) if bounds else []
    if len(edges) < 2 or not set(FLOWS[:2]) <= set(flows):
        raise InputError(f"{file.name}: found no two readings of a register in and a register out, allowed are two or more")
    rows = []
    for first, last in zip(edges[:-1], edges[1:]):
        inside = {flow: energy[(energy.index >= first) & (energy.index < last)] for flow, energy in flows.items()}
        rows.append({"period_start": first.tz_localize(None).normalize(), "period_end": last.tz_localize(None).normalize(),
                     **{flow: energy.sum(skipna=False) for flow, energy in inside.items()}})
    return pd.DataFrame(rows)


def periods_of(files, tariff):
    """Return billing periods and the file they come from: registers read for the bill, else a meter read each hour or day.

    Of the latter, periods are calendar months, cut at the ends of the file. A month with a value missing has no bill,
    so the longest run of months without one is used. ``generation_kwh`` is NaN for a period that the array's file does not
    cover in full.
    """
    with_registers = [file for file in files if set(FLOWS[:2]) <= set(register_flows(file))]
    if not with_registers:
        raise InputError("files: found no meter, allowed is a file with both delivered and received")
    seldom = [f for f in with_registers if f.readings.step is None or f.readings.step >= LONG_PERIOD]
    buckets = bool(getattr(tariff, "buckets", ())) or getattr(tariff.credit, "netting", "period") != "period"
    if seldom and not buckets:
        return read_periods(seldom[0]), seldom[0]
    often = [f for f in with_registers if f not in seldom and f.readings.step <= (DAY if not buckets else pd.Timedelta(hours=1))]
    if not often:
        raise InputError("files: found a meter read too seldom, allowed for this tariff is one read each hour: its prices change with the hour"
                         if buckets else "files: found a meter read every few days, allowed is one read each month, or each day or oftener")
    file = often[0]
    flows = [flow.reindex(_grid(flow.index, file.readings.step), fill_value=0.0)
             for flow in (register_flows(file)[name] for name in FLOWS[:2])]  # the fill is between readings: see register_flows
    local = flows[0].index.tz_localize(None)
    days = pd.date_range(local[0].ceil("D"), (local[-1] + file.readings.step).floor("D"), freq="D")
    if len(days) < 2:
        raise InputError(f"{file.name}: found no whole day of the meter, allowed is one or more")
    reads = _longest_run(flows, sorted({days[0], days[-1], *days[days.day == 1]}), file.name)
    inside = (local >= reads[0]) & (local < reads[-1])
    if file.readings.step == DAY:  # some have 23 or 25 hours
        edges = pd.DatetimeIndex(reads).tz_localize(flows[0].index.tz)
        table = pd.DataFrame({"period_start": edges[:-1], "period_end": edges[1:]})
        table = table.assign(**{name: _between(table, flow) for name, flow in zip(FLOWS, flows)})
    else:
        table = monthly_periods(*(flow[inside] for flow in flows), reads=reads, tariff=tariff)
    made = [_made_in(table, other) for other in (file, *files) if "generation_kwh" in register_flows(other)]
    table = table.assign(generation_kwh=made[0]) if made and made[0].notna().any() else table
    return table.assign(**{edge: table[edge].dt.tz_localize(None) for edge in ("period_start", "period_end")}), file


def _longest_run(flows, reads, name):
    """Return the longest run of dates with no value missing between them; the later one of equals."""
    missing = pd.concat(flows, axis=1).isna().any(axis=1)
    at = missing[missing].index.tz_localize(None)
    broken = [((at >= start) & (at < end)).any() for start, end in zip(reads, reads[1:])]
    best, run = [], []
    for date, gap in zip(reads, [*broken, True]):
        run.append(date)
        if gap:
            best, run = max(run, best, key=len), []
    if len(best) < 2:
        raise InputError(f"{name}: found no month without a missing value ({counted(len(at), 'interval')} in all), allowed is one or more")
    return best


def _made_in(periods, file):
    """Return what an array's file tells of the energy of each period, NaN where it does not cover it. [kWh]"""
    made, step = register_flows(file)["generation_kwh"], file.readings.step
    if step is None or step > DAY:
        return pd.Series(np.nan, periods.index)
    spans = [part for name, part in file.readings.intervals.items() if name.startswith("generation (")]
    last = made.index[-1] + (pd.DateOffset(days=1) if step == DAY else step)
    known = [made.index[0] <= start and last >= end
             and not any(((part.index < edge) & (part["end"] > edge)).any() for part in spans for edge in (start, end))
             for start, end in zip(periods["period_start"], periods["period_end"])]
    return _between(periods, made).where(known)


def _between(periods, flow):
    """Return the sum of a flow within each period, NaN where a value is missing or none is there."""
    inside = [flow[(flow.index >= start) & (flow.index < end)] for start, end in zip(periods["period_start"], periods["period_end"])]
    return pd.Series([part.sum(skipna=False) if len(part) else np.nan for part in inside], periods.index)
