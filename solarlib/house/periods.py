"""Energies of a house between readings, by day and by billing period, from whatever files hold them."""

import numpy as np
import pandas as pd

from solarlib.bill.periods import monthly_periods
from solarlib.files.steps import DAY, even_index
from solarlib.house.flows import power_w
from solarlib.quantities import InputError, counted

LONG_PERIOD = pd.Timedelta(days=20)  # registers read this seldom are read for a bill
FLOWS = ("delivered_kwh", "received_kwh", "generation_kwh")


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
        if (
            file.readings.step is not None
            and file.readings.step <= pd.Timedelta(hours=1)
            and set(FLOWS[:2]) <= set(flows)
        ):
            by_day = {flow: flows[flow].groupby(flows[flow].index.tz_localize(None).normalize()) for flow in FLOWS[:2]}
            return pd.DataFrame(
                {flow: part.sum(min_count=1).where(part.count() == part.size()) for flow, part in by_day.items()}
            )
    raise InputError("files: found no meter read each hour or oftener, allowed is a file with delivered and received")


def read_periods(file):
    """Return one row a billing period from registers that are read once a month or so.

    A period runs between two readings that every register shares; a reading set aside joins two periods.
    """
    flows = register_flows(file)
    bounds = [{*part.index, *part["end"]} for part in file.readings.intervals.values()]
    edges = sorted(set.intersection(*bounds)) if bounds else []
    if len(edges) < 2 or not set(FLOWS[:2]) <= set(flows):
        raise InputError(
            f"{file.name}: found no two readings of a register in and a register out, allowed are two or more"
        )
    rows = []
    for first, last in zip(edges[:-1], edges[1:]):
        inside = {flow: energy[(energy.index >= first) & (energy.index < last)] for flow, energy in flows.items()}
        rows.append(
            {
                "period_start": first.tz_localize(None).normalize(),
                "period_end": last.tz_localize(None).normalize(),
                **{flow: energy.sum(skipna=False) for flow, energy in inside.items()},
            }
        )
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
    often = [
        f
        for f in with_registers
        if f not in seldom and f.readings.step <= (DAY if not buckets else pd.Timedelta(hours=1))
    ]
    if not often:
        raise InputError(
            "files: found a meter read too seldom, allowed for this tariff is one read each hour: its prices change with the hour"
            if buckets
            else "files: found a meter read every few days, allowed is one read each month, or each day or oftener"
        )
    file = often[0]
    flows = [
        flow.reindex(even_index(flow.index, file.readings.step), fill_value=0.0)
        for flow in (register_flows(file)[name] for name in FLOWS[:2])
    ]  # the fill is between readings: see register_flows
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
        raise InputError(
            f"{name}: found no month without a missing value ({counted(len(at), 'interval')} in all), allowed is one or more"
        )
    return best


def _made_in(periods, file):
    """Return what an array's file tells of the energy of each period, NaN where it does not cover it. [kWh]"""
    made, step = register_flows(file)["generation_kwh"], file.readings.step
    if step is None or step > DAY:
        return pd.Series(np.nan, periods.index)
    spans = [part for name, part in file.readings.intervals.items() if name.startswith("generation (")]
    last = made.index[-1] + (pd.DateOffset(days=1) if step == DAY else step)
    known = [
        made.index[0] <= start
        and last >= end
        and not any(((part.index < edge) & (part["end"] > edge)).any() for part in spans for edge in (start, end))
        for start, end in zip(periods["period_start"], periods["period_end"])
    ]
    return _between(periods, made).where(known)


def _between(periods, flow):
    """Return the sum of a flow within each period, NaN where a value is missing or none is there."""
    inside = [
        flow[(flow.index >= start) & (flow.index < end)]
        for start, end in zip(periods["period_start"], periods["period_end"])
    ]
    return pd.Series([part.sum(skipna=False) if len(part) else np.nan for part in inside], periods.index)
