"""Energies of a house between readings, by day and by billing period, from whatever files hold them."""

from collections.abc import Sequence
from datetime import date

import numpy as np
import pandas as pd

from solarlib.bill.periods import monthly_periods
from solarlib.bill.tariff import Tariff
from solarlib.files.steps import ONE_DAY, ONE_HOUR, even_index
from solarlib.house.flows import Checked
from solarlib.house.year_bills import shape_of
from solarlib.quantities import counted, refusal, refuse_if

LONG_PERIOD = pd.Timedelta(days=20)  # registers read this seldom are read for a bill
METER = ("delivered_kwh", "received_kwh")
BILLED_FLOWS = (*METER, "generation_kwh")


def energies(file):
    """Return energy between readings of registers, or of regular intervals, a Series for each of `BILLED_FLOWS`. [kWh]

    Energy between readings is labelled with the reading that opens it: over two intervals (a reading between was set
    aside) it stands at the first. Of regular intervals a missing one is NaN.
    """
    flows, step = {}, file.readings.step
    for column, part in file.readings.intervals.items():
        flow = f"{column.quantity}_kwh"
        flows[flow] = flows[flow].add(part["energy_kwh"]) if flow in flows else part["energy_kwh"]
    for flow in BILLED_FLOWS if step is not None and step <= ONE_DAY else ():
        found = file.measured(flow) or file.measured(flow.replace("_kwh", "_w"))
        if flow not in flows and found is not None:
            flows[flow] = found.energy_kwh()
    return flows


def register_days(files: Sequence[Checked]) -> pd.DataFrame:
    """Return energy delivered and received by local day, from a meter read at least once an hour. [kWh]

    A day with a missing value is NaN.
    """
    meters = _meters(files, ONE_HOUR)
    refuse_if(not meters, "no_hourly_meter", "files")
    flows = energies(meters[0])
    by_day = {flow: flows[flow].groupby(flows[flow].index.tz_localize(None).normalize()) for flow in METER}
    whole = {flow: part.sum(min_count=1).where(part.count() == part.size()) for flow, part in by_day.items()}
    return pd.DataFrame(whole)


def _meters(files, longest):
    """Return the files of a meter that was read at least as often as each `longest`."""
    regular = [file for file in files if file.readings.step is not None and file.readings.step <= longest]
    return [file for file in regular if set(METER) <= set(energies(file))]


def read_periods(file):
    """Return one row a billing period from registers that are read once a month or so.

    A period runs between two readings that every register shares; a reading set aside joins two periods.
    """
    flows = energies(file)
    bounds = [{*part.index, *part["end"]} for part in file.readings.intervals.values()]
    edges = sorted(set.intersection(*bounds)) if bounds else []
    refuse_if(len(edges) < 2 or not set(METER) <= set(flows), "few_readings", file.name)
    table = pd.DataFrame({"period_start": edges[:-1], "period_end": edges[1:]})
    table = table.assign(**{name: between(table, flow) for name, flow in flows.items()})
    return table.assign(**{edge: table[edge].dt.tz_localize(None).dt.normalize() for edge in table.columns[:2]})


def periods_of(files: Sequence[Checked], tariff: Tariff | Sequence[Tariff]) -> tuple[pd.DataFrame, Checked]:
    """Return billing periods and the file they come from: registers read for the bill, else a meter read often.

    Of a meter read each hour or day, periods are calendar months, or as many together as the tariff in force bills
    together, cut at the ends of the file. Of dated tariffs each period has what the one of its first day needs. A
    month with a value missing has no bill, so the longest run of months without one is used. ``generation_kwh`` is NaN
    for a period that the array's file does not cover in full.
    """
    meters = [file for file in files if set(METER) <= set(energies(file))]
    refuse_if(not meters, "no_meter", "files")
    sets = (tariff,) if isinstance(tariff, Tariff) else tuple(tariff)
    by_hour = any(map(shape_of, sets))
    seldom = [file for file in meters if file.readings.step is None or file.readings.step >= LONG_PERIOD]
    if seldom and not by_hour:
        return read_periods(seldom[0]), seldom[0]
    often = _meters(files, ONE_HOUR if by_hour else ONE_DAY)
    refuse_if(not often, "not_each_hour" if by_hour else "not_each_day", "files")
    table = _with_generation(_months(often[0], sets), (often[0], *files), any)
    return table.assign(**{edge: table[edge].dt.tz_localize(None) for edge in ("period_start", "period_end")}), often[0]


def _months(file, sets):
    """Return what bills by calendar month need, from a meter read each day or oftener."""
    step, flows = file.readings.step, _even_flows(file)
    local = flows[0].index.tz_localize(None)
    days = pd.date_range(local[0].ceil("D"), (local[-1] + step).floor("D"), freq="D")
    refuse_if(len(days) < 2, "no_whole_day", file.name)
    reads = _longest_run(flows, sorted({days[0], days[-1], *days[days.day == 1]}), file.name)
    reads = _bill_days(reads, sets)
    if step < ONE_DAY:
        return _by_rules(flows, reads, sets)
    edges = pd.DatetimeIndex(reads).tz_localize(flows[0].index.tz)  # some days have 23 or 25 hours
    table = pd.DataFrame({"period_start": edges[:-1], "period_end": edges[1:]})
    return table.assign(**{name: between(table, flow) for name, flow in zip(METER, flows)})


def _ruling(day, sets):
    """Return the number of the tariff that is valid on a day, 0 where none is: the bill then says so."""
    return next((i for i, rules in enumerate(sets) if rules.holds_on(day.date())), 0)


def _bill_days(reads, sets):
    """Return the first days of months on which bills of the tariffs begin, and the last day."""
    chosen, left = [], 0
    for day in reads[:-1]:
        if left <= 0:
            chosen.append(day)
            left = sets[_ruling(day, sets)].months_per_bill
        left -= 1
    return [*chosen, reads[-1]]


def _even_flows(file):
    """Return both energies of a meter with a row for each interval; its fill is between readings: see `energies`."""
    step, found = file.readings.step, energies(file)
    return [found[name].reindex(even_index(found[name].index, step), fill_value=0.0) for name in METER]


def _by_rules(flows, reads, sets):
    """Return periods between reads, each with what the tariff of its first day needs, from hours or shorter."""
    local = flows[0].index.tz_localize(None)
    inside = (local >= reads[0]) & (local < reads[-1])
    tables = [monthly_periods(*(flow[inside] for flow in flows), reads=reads, tariff=rules) for rules in sets]
    rows = [tables[_ruling(day, sets)].iloc[[i]] for i, day in enumerate(reads[:-1])]
    return pd.concat(rows, ignore_index=True)


def periods_between(files: Sequence[Checked], days: Sequence[date], sets: Sequence[Tariff]) -> pd.DataFrame:
    """Return billing periods between given days of reading, of the first meter whose file holds all hours of them."""
    reads = [pd.Timestamp(day) for day in days]
    for file in _meters(files, ONE_HOUR):
        flows, step = _even_flows(file), file.readings.step
        local = flows[0].index.tz_localize(None)
        known = pd.concat(flows, axis=1).notna().all(axis=1)[(local >= reads[0]) & (local < reads[-1])].all()
        if known and local[0] <= reads[0] and reads[-1] <= local[-1] + step:
            return _with_generation(_by_rules(flows, reads, sets), (file, *files), all)
    raise refusal("no_whole_meter", "files", first=days[0], last=days[-1])


def _longest_run(flows, reads, name):
    """Return the longest run of dates with no value missing between them; the later one of equals."""
    missing = pd.concat(flows, axis=1).isna().any(axis=1)
    at = missing[missing].index.tz_localize(None)
    broken = [((at >= start) & (at < end)).any() for start, end in zip(reads, reads[1:])]
    best, run = [], []
    for day, gap in zip(reads, [*broken, True]):
        run.append(day)
        if gap:
            best, run = max(run, best, key=len), []
    refuse_if(len(best) < 2, "no_whole_month", name, lost=counted(len(at), "interval"))
    return best


def _with_generation(periods, files, enough):
    """Return periods with what the first file that tells made in each, where `enough` (any, all) of them are known."""
    made = [_made_in(periods, file) for file in files if "generation_kwh" in energies(file)]
    return periods.assign(generation_kwh=made[0]) if made and enough(made[0].notna()) else periods


def _made_in(periods, file):
    """Return what an array's file tells of the energy of each period, NaN where it does not cover it. [kWh]"""
    made, step = energies(file)["generation_kwh"], file.readings.step
    if step is None or step > ONE_DAY:
        return pd.Series(np.nan, periods.index)
    spans = [part for column, part in file.readings.intervals.items() if column.quantity == "generation"]
    last = made.index[-1] + (pd.DateOffset(days=1) if step == ONE_DAY else step)
    known = (periods["period_start"] >= made.index[0]) & (periods["period_end"] <= last)
    for part in spans:
        for edge in ("period_start", "period_end"):
            known &= np.array([not ((part.index < at) & (part["end"] > at)).any() for at in periods[edge]])
    return between(periods, made).where(known)


def between(periods, flow, edges=("period_start", "period_end")):
    """Return the sum of a flow within each period, NaN where a value is missing or none is there."""
    spans = zip(*(periods[edge] for edge in edges))
    inside = [flow[(flow.index >= start) & (flow.index < end)] for start, end in spans]
    return pd.Series([part.sum(skipna=False) if len(part) else np.nan for part in inside], periods.index)
