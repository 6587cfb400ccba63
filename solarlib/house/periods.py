"""Energies of a house by day and by billing period, from the flows of its files, each with its range."""

from collections.abc import Sequence
from datetime import date

import numpy as np
import pandas as pd

from solarlib.bill.periods import monthly_periods
from solarlib.bill.tariff import Tariff
from solarlib.files.days import LEAST_MEASURED, by_day
from solarlib.files.flow import Flow
from solarlib.files.steps import ONE_DAY, ONE_HOUR, first_moments
from solarlib.house.flows import Checked, completed
from solarlib.house.year_bills import shape_of
from solarlib.quantities import counted, refusal, refuse_if

LONG_PERIOD = pd.Timedelta(days=20)  # registers read this seldom are read for a bill
METER = ("delivered", "received")
CASES = (("even_low", "even_high"), ("late", "early"))  # how what is known of no single hour may lie in hours


def sources(files: Sequence[Checked]) -> list[dict]:
    """Return the flows of each file, and last those that follow from all files together."""
    first = {name: flow for file in reversed(files) for name, flow in file.flows.items()}
    return [file.flows for file in files] + [completed(first, files[0].house) if files else {}]


def meters_of(files: Sequence[Checked]) -> list[dict]:
    """Return the flows of each source that tells what came in and went out."""
    return _meters(sources(files))


def _meters(told):
    return [flows for flows in told if set(METER) <= set(flows)]


def _step(meter):
    """Return the usual time between the readings of a meter."""
    return pd.Timedelta(np.median(meter["delivered"].hours), "h")


def register_days(files: Sequence[Checked]) -> pd.DataFrame:
    """Return energy delivered and received by local day, from a meter read at least once an hour. [kWh]

    A day is NaN where what is missing could make a difference that matters.
    """
    meters = [meter for meter in meters_of(files) if _step(meter) <= ONE_HOUR]
    refuse_if(not meters, "no_hourly_meter", "files")
    days = by_day({name: meters[0][name] for name in METER})
    sound = days[["delivered_kwh", "received_kwh"]].where(days["quality"] == "complete")
    return sound.set_axis(pd.DatetimeIndex(days["date"]).rename(None))


def periods_of(files: Sequence[Checked], tariff: Tariff | Sequence[Tariff]) -> tuple[pd.DataFrame, Flow]:
    """Return billing periods and the delivered energy they come from: registers read for the bill, else a meter often.

    Of a meter read each hour or day, periods are calendar months, or as many together as the tariff in force bills
    together, cut at the ends of the file. Of dated tariffs each period has what the one of its first day needs. A month
    of which less than half was measured has no bill, so the longest run of others is used.

    Returns
    -------
    DataFrame
        ``period_start``, ``period_end``, ``delivered_kwh``, ``received_kwh``, ``generation_kwh`` where a file tells
        of it (NaN for a period of which it tells less than half), what the tariff needs beside them, and
        ``measured_share`` of the time in which both registers are known. Where a value is missing, also the least and
        the most of each energy, ``delivered_low_kwh`` and so on, and under a tariff that needs hours what it needs in
        each of some cases, ``case 1 import_kwh`` and so on.
    Flow
    """
    told = sources(files)
    meters = _meters(told)
    refuse_if(not meters, "no_meter", "files")
    sets = (tariff,) if isinstance(tariff, Tariff) else tuple(tariff)
    by_hour = any(map(shape_of, sets))
    seldom = [meter for meter in meters if _step(meter) >= LONG_PERIOD]
    if seldom and not by_hour:
        meter = seldom[0]
        own = [flow.edges.asi8 for name, flow in meter.items() if name in (*METER, "generation")]
        moments = meter["delivered"].edges
        moments = moments[np.logical_and.reduce([np.isin(moments.asi8, edges) for edges in own])]
        refuse_if(len(moments) < 2, "few_readings", meter["delivered"].origin)
        table = _whole_run(_energies(meter, moments, told), meter)
    else:
        often = [meter for meter in meters if _step(meter) <= (ONE_HOUR if by_hour else ONE_DAY)]
        refuse_if(not often, "not_each_hour" if by_hour else "not_each_day", "files")
        meter = often[0]
        days = _months(meter["delivered"])
        run = _whole_run(_energies(meter, first_moments(days, meter["delivered"].edges.tz), ()), meter)
        reads = _bill_days([*run["period_start"], run["period_end"].iloc[-1]], sets)
        table = _billed(meter, reads, sets, told, by_hour)
    return table, meter["delivered"]


def periods_between(files: Sequence[Checked], days: Sequence[date], sets: Sequence[Tariff]) -> pd.DataFrame:
    """Return billing periods between given days of reading, of the first meter whose file holds all hours of them."""
    reads = [pd.Timestamp(day) for day in days]
    told = sources(files)
    for meter in [it for it in _meters(told) if _step(it) <= ONE_HOUR]:
        table = _billed(meter, reads, sets, told, any(map(shape_of, sets)))
        if (table["measured_share"] > 1 - 1e-9).all():
            unknown = "generation_kwh" in table and table["generation_kwh"].isna().any()
            return table.drop(columns=["measured_share", *["generation_kwh"] * unknown])
    raise refusal("no_whole_meter", "files", first=days[0], last=days[-1])


def _months(flow):
    """Return the first and the last whole day of a flow, and each first of a month between."""
    first, last = flow.edges[0].tz_localize(None).ceil("D"), flow.edges[-1].tz_localize(None).floor("D")
    days = pd.date_range(first, last, freq="D")
    refuse_if(len(days) < 2, "no_whole_day", flow.origin)
    return pd.DatetimeIndex(sorted({days[0], days[-1], *days[days.day == 1]}))


def _bill_days(reads, sets):
    """Return the first days of months on which bills of the tariffs begin, and the last day."""
    chosen, left = [], 0
    for day in reads[:-1]:
        if left <= 0:
            chosen.append(day)
            left = sets[_ruling(day, sets)].months_per_bill
        left -= 1
    return [*chosen, reads[-1]]


def _ruling(day, sets):
    """Return the number of the tariff that is valid on a day, 0 where none is: the bill then says so."""
    return next((i for i, rules in enumerate(sets) if rules.holds_on(day.date())), 0)


def _energies(meter, moments, others):
    """Return the energies between moments, with their ranges where these matter, and the measured share."""
    days = moments.tz_localize(None).normalize()
    table = pd.DataFrame({"period_start": days[:-1], "period_end": days[1:]}, moments[:-1])
    told = {name: meter[name].sums(moments) for name in METER}
    share = np.minimum(*(part["measured"] for part in told.values()))
    made = [flows["generation"].sums(moments) for flows in (meter, *others) if "generation" in flows]
    made = [part.where(part["inside"] & (part["measured"] >= LEAST_MEASURED)) for part in made]
    if any(part["kwh"].notna().any() for part in made):
        told["generation"] = part = max(made, key=lambda part: part["kwh"].count())
        for edge in ("low", "kwh"):  # what went out was made before
            out = told["received"][edge]
            part[edge] = part[edge].mask(out.between(part[edge], part["high"]), out)
    ranges = {}
    for name, part in told.items():
        table[f"{name}_kwh"] = part["kwh"]
        if (part["high"] > part["low"]).any():
            ranges |= {f"{name}_{edge}_kwh": part[edge] for edge in ("low", "high")}
    return table.assign(**ranges, measured_share=share).reset_index(drop=True)


def _whole_run(table, meter):
    """Return the longest run of periods of which enough was measured; the later one of equals."""
    enough = table["measured_share"] >= LEAST_MEASURED
    runs = [part for _, part in table[enough].groupby((~enough).cumsum()[enough])]
    lost = counted(int((~meter["delivered"].measured).sum()), "gap")
    refuse_if(not runs, "no_whole_month", meter["delivered"].origin, lost=lost)
    return max(reversed(runs), key=len).reset_index(drop=True)


def _billed(meter, reads, sets, told, by_hour):
    """Return periods between reads with all that the tariff of the first day of each needs."""
    moments = first_moments(pd.DatetimeIndex(reads), meter["delivered"].edges.tz)
    table = _energies(meter, moments, told)
    if not by_hour:
        return table
    grid = pd.date_range(moments[0], moments[-1], freq=_step(meter))
    parts = [meter[name].sums(grid).clip(lower=0.0) for name in METER]
    unsure = any((part[low] != part[high]).any() for part in parts for low, high in CASES)
    cases = [("", "kwh", "kwh")]
    for low, high in CASES if unsure else ():
        cases += [(f"case {len(cases)} ", high, low), (f"case {len(cases) + 1} ", low, high)]
    for prefix, inward, outward in cases:
        flows = parts[0][inward], parts[1][outward]
        tables = [monthly_periods(*flows, reads=reads, tariff=rules) for rules in sets]
        rows = [tables[_ruling(day, sets)].iloc[[i], 2:] for i, day in enumerate(reads[:-1])]
        table = table.assign(**pd.concat(rows, ignore_index=True).add_prefix(prefix))
    return table
