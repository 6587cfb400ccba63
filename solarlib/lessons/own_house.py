"""Lesson 09: from a house file and the reader's own CSV files to checked tables, direction, periods, bills and yields.

Each step is a function of what it is given. Whatever lacks something raises an `InputError` that says what is missing.
"""

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from solarlib.bank import ledger
from solarlib.decoder import decode
from solarlib.health import final_yield
from solarlib.house import simulate
from solarlib.house_bills import ratings
from solarlib.periods import monthly_periods
from solarlib.plausible import plausibility
from solarlib.quantities import InputError, energy_kwh
from solarlib.readings import Readings, read
from solarlib.records import daily
from solarlib.sun import position

EXAMPLES = Path(__file__).resolve().parents[2] / "data" / "examples"
SHIPPED = ("generation-quarter-hours", "meter-registers", "sensor-week", "reads-by-hand")
SERVICE_W = 48_000.0  # 200 A at 240 V: more than nearly every home's connection carries (common practice, no source)
LEFT_OUT = ("above limit", "factor", "stuck", "negative")  # findings whose rows no sum may use
SUN_GRID = pd.Timedelta(minutes=15)
LONG_PERIOD = pd.Timedelta(days=20)  # registers read this seldom are read for a bill
FLOWS = ("delivered_kwh", "received_kwh", "generation_kwh")


@dataclass(frozen=True)
class Checked:
    """One file: its ``readings``, the ``findings``, and ``table`` without the values that hardly can be."""

    name: str
    readings: Readings
    findings: tuple
    table: pd.DataFrame


def bring(path, house, mapping=None, say=print):
    """Read one file and look for what hardly can be.

    Parameters
    ----------
    path : path
        A CSV file, or the name of an example file without its ending.
    house : House
    mapping : path or TOML text, optional
        Default: the ``.toml`` beside the file.
    say : callable
        Gets a line of progress.

    Returns
    -------
    Checked
    """
    path = EXAMPLES / f"{path}.csv" if str(path) in SHIPPED else Path(path)
    mapping = path.with_suffix(".toml") if mapping is None else mapping
    if isinstance(mapping, Path) and not mapping.is_file():
        raise InputError(f"{path.name}: found no mapping {mapping.name} beside it, allowed is a file of that name or TOML text")
    say(f"reading {path.name}")
    readings = read(path, mapping)
    return checked(readings, house)


def checked(readings, house):
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
    return Checked(readings.account.name, readings, findings, table)


def sun_height(index, step, house):
    """Return the sun's elevation in the middle of each interval, interpolated in a grid of 15 minutes. [deg]"""
    half = pd.Timedelta(step) / 2
    grid = pd.date_range(index[0].floor("D"), index[-1] + pd.Timedelta(days=1), freq=SUN_GRID)
    high = position(grid, house.place)["apparent_elevation"].to_numpy()
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
    names = " or ".join(column.rsplit("_", 1)[0] for column in dict.fromkeys(columns))
    raise InputError(f"files: found none with regular readings of {names}, allowed is a file whose mapping names that quantity")


def regular(series, step):
    """Return a series with a row for every interval; missing ones are NaN."""
    return series.reindex(pd.date_range(series.index[0], series.index[-1], freq=step))


def record(files):
    """Return the reading without direction beside the array's power, as `decoder.decode` takes it."""
    sensor, name = with_column(files, "unsigned_w")
    array, made = with_column(files, "generation_w", "generation_kwh")
    reading = regular(sensor.table[name], sensor.readings.step)
    power = regular(array.table[made], array.readings.step)
    if made.endswith("_kwh"):
        power = power * (1000.0 / (array.readings.step / pd.Timedelta(hours=1)))
    start = power.index.as_unit("ns").asi8
    at = reading.index.as_unit("ns").asi8
    place = np.searchsorted(start, at, side="right") - 1
    inside = (place >= 0) & (at < start[-1] + array.readings.step.value)
    if not inside.any():
        raise InputError(f"{sensor.name}: found no time that {array.name} holds too, allowed are files that overlap")
    pv = np.where(inside, power.to_numpy()[np.maximum(place, 0)], np.nan)
    return pd.DataFrame({"reading_w": reading.to_numpy(), "pv_w": pv}, reading.index)[inside], array.readings.step


def directions(files, say=print):
    """Return what `decoder.decode` finds in the record, and the record itself."""
    table, window = record(files)
    say(f"finding the direction of {len(table)} readings")
    return decode(table, pv_window_s=window.total_seconds()), table


def register_flows(file):
    """Return energy between readings, a Series for each flow, labelled with the reading that opens it. [kWh]

    Energy over two intervals (a reading between was set aside) stands at the first.
    """
    flows = {}
    for name, part in file.readings.intervals.items():
        flow = f"{name.split(' (')[0]}_kwh"
        flows[flow] = flows[flow].add(part["energy_kwh"]) if flow in flows else part["energy_kwh"]
    return flows


def register_days(files):
    """Return energy delivered and received by local day, from registers read at least once an hour. [kWh]"""
    for file in files:
        flows = register_flows(file)
        if file.readings.step is not None and file.readings.step <= pd.Timedelta(hours=1) and set(FLOWS[:2]) <= set(flows):
            table = pd.DataFrame({flow: flows[flow] for flow in FLOWS[:2]})
            return table.groupby(table.index.tz_localize(None).normalize()).sum(min_count=1)
    raise InputError("files: found no two registers read each hour or oftener, allowed is a file with such registers")


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
    """Return billing periods and the file they come from: registers read for the bill, else those read each hour."""
    with_registers = [file for file in files if set(FLOWS[:2]) <= set(register_flows(file))]
    if not with_registers:
        raise InputError("files: found no register of a meter, allowed is a file with delivered and received (kind = \"counter\")")
    seldom = [f for f in with_registers if f.readings.step is None or f.readings.step >= LONG_PERIOD]
    buckets = bool(getattr(tariff, "buckets", ())) or getattr(tariff.credit, "netting", "period") != "period"
    if seldom and not buckets:
        return read_periods(seldom[0]), seldom[0]
    often = [f for f in with_registers if f not in seldom]
    if not often:
        raise InputError("files: found registers read once a month, allowed for this tariff are registers read each hour: "
                         "its prices change with the hour")
    file = often[0]
    known = register_flows(file)
    if any(known[name].isna().any() for name in FLOWS[:2]):
        raise InputError(f"{file.name}: found a register that falls for a reason that is not known, allowed are registers without one")
    flows = [regular(known[name], file.readings.step).fillna(0.0) for name in FLOWS[:2]]
    local = flows[0].index.tz_localize(None)
    days = pd.date_range(local[0].ceil("D"), (local[-1] + file.readings.step).floor("D"), freq="D")
    reads = sorted({days[0], days[-1], *days[days.day == 1]})
    return monthly_periods(*flows, reads=reads, tariff=tariff), file


def bills_of(periods, house, tariff=None):
    """Return the ledger of the periods; see `bank.ledger`."""
    return ledger(periods, tariff or house.tariff, **ratings(house))


def example_bills(periods, house):
    """Return bills such as the utility might have sent, {day of reading: amount}; one of them has a mistake."""
    book = bills_of(periods, house)["bill"].round(2)
    wrong = periods.copy()
    row = int((periods["received_kwh"].to_numpy() > 0).argmax() + min(1, len(periods) - 1))
    for name in periods.columns:
        if name.startswith(("received_kwh", "export_kwh")):
            wrong.loc[wrong.index[row], name] = 0.0
    paid = book.copy()
    paid.iloc[row] = bills_of(wrong, house)["bill"].round(2).iloc[row]
    return {f"{day:%Y-%m-%d}": float(value) for day, value in zip(periods["period_end"], paid)}


def compare_bills(periods, book, paid):
    """Return a table: day of reading, computed bill, bill sent, difference."""
    days = [f"{day:%Y-%m-%d}" for day in periods["period_end"]]
    unknown = sorted(set(paid) - set(days))
    if unknown:
        raise InputError(f"bills: found {unknown[0]}, allowed are the days of reading {', '.join(days)}")
    table = pd.DataFrame({"meter read on": days, "computed": book["bill"].to_numpy(float).round(2)})
    table["sent"] = [paid.get(day, np.nan) for day in days]
    table["difference"] = (table["sent"] - table["computed"]).round(2) + 0.0
    return table


def model_days(house):
    """Return what the house model makes on each (month, day) of its typical year. [kWh]"""
    made = energy_kwh(simulate(house)["generation_w"].clip(lower=0))
    days = made.groupby([made.index.month, made.index.day]).sum()
    return days.reindex(pd.MultiIndex.from_product([range(1, 13), range(1, 32)])).ffill()


def yields(files, house):
    """Return measured and modelled energy of the array by period.

    Returns
    -------
    DataFrame
        ``from``, ``to`` (not included), ``days`` used, ``measured_kwh``, ``model_kwh`` of the same days of a typical
        year, ``yield_h`` [kWh/kW], ``ratio``.
    """
    model = model_days(house)
    rows = []
    for file in files:
        if file.readings.step is None and "generation_kwh" in file.table:
            periods = read_periods(file)
            for start, end, made in zip(periods["period_start"], periods["period_end"], periods["generation_kwh"]):
                rows.append((start, end, pd.date_range(start, end, freq="D", inclusive="left"), made))
    if not rows:
        file, _ = with_column(files, "generation_w", "generation_kwh")
        kept = daily(file.table, file.readings.step)
        whole = kept[kept["quality"] == "complete"].assign(day=lambda t: pd.to_datetime(t["date"]))
        for _, month in whole.groupby(whole["day"].dt.to_period("M")):
            rows.append((month["day"].iloc[0], month["day"].iloc[-1] + pd.Timedelta(days=1),
                         pd.DatetimeIndex(month["day"]), month["generation_kwh"].sum()))
    if not rows:
        raise InputError("generation: found no whole day, allowed is one or more days without a gap")
    table = pd.DataFrame({
        "from": [start for start, *_ in rows], "to": [end for _, end, *_ in rows],
        "days": [len(days) for *_, days, _ in rows], "measured_kwh": [float(made) for *_, made in rows],
        "model_kwh": [float(model.loc[[(d.month, d.day) for d in days]].sum()) for *_, days, _ in rows]})
    table["yield_h"] = [final_yield(made, house.system.rated_power_w) for made in table["measured_kwh"]]
    return table.assign(ratio=table["measured_kwh"] / table["model_kwh"].where(table["model_kwh"] > 0))


def house_use(periods):
    """Return what the house used in each period: generation + delivered - received. [kWh]"""
    if "generation_kwh" not in periods:
        raise InputError("house use: found no generation of these periods, allowed is a register of the array read on the same days")
    return periods["generation_kwh"] + periods["delivered_kwh"] - periods["received_kwh"]
