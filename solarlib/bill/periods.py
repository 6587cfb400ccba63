"""From interval energies or register readings to one row a billing period, which `bank` bills.

Periods run from read to read, never by calendar months unless the reads fall there. A read date means 00:00 of that
local day. Energy is summed by local clock hour for time-of-use buckets, so a day of 23 or 25 hours keeps its sum.
"""

from collections.abc import Sequence
from datetime import date

import numpy as np
import pandas as pd

from solarlib.bill.intervals import MINUTES, Intervals
from solarlib.bill.sums import STEPS_PER_KWH, by_rules
from solarlib.bill.tariff import Tariff
from solarlib.files.steps import first_moments
from solarlib.meter.registers import register_difference
from solarlib.quantities import InputError, check_index, refusal, refuse_if


def monthly_periods(
    delivered_kwh: pd.Series,
    received_kwh: pd.Series,
    generation_kwh: pd.Series | None = None,
    reads: Sequence[date | str] | None = None,
    tariff: Tariff | None = None,
) -> pd.DataFrame:
    """Sum interval energies into billing periods.

    Parameters
    ----------
    delivered_kwh, received_kwh : Series, one regular time-zone-aware index, START labels
        Energy from and to the utility in each interval. [kWh]
    generation_kwh : Series, optional
        What the array generated. [kWh]
    reads : sequence of dates, optional
        Days on which the meter is read (at 00:00 local time); the first opens the first period. Default: the first
        day of every calendar month in the data, or of every so many as the tariff bills together.
    tariff : Tariff, optional
        Adds what its rules need: energy by bucket, netted imports and exports, what energy priced by the hour is
        worth, demand, the export limit.

    Returns
    -------
    DataFrame
        ``period_start, period_end, delivered_kwh, received_kwh`` and, where asked for, ``generation_kwh``, the same
        with ``_<bucket>``, ``import_kwh``, ``export_kwh``, ``export_value`` and ``value <line>`` ($), ``demand_kw``,
        ``curtailed_kwh``; without reads ``months``, the billing months of each period. Energies
        are whole steps of 1e-9 kWh, so that their sums are exact.

    Raises
    ------
    InputError
        If indexes differ, a value is missing or negative, reads do not rise or leave the data, or the intervals are
        longer than a rule of the tariff allows.
    """
    index = delivered_kwh.index
    step = check_index(index, "delivered_kwh")
    flows = {"delivered": delivered_kwh, "received": received_kwh}
    if generation_kwh is not None:
        flows["generation"] = generation_kwh
    values = {name: _values(series, index, f"{name}_kwh") for name, series in flows.items()}
    tariff = tariff or Tariff("no rules", ())
    _check_step(step, tariff)
    edges, months = _edges(index, step, reads, tariff.months_per_bill)
    cut = np.searchsorted(index.as_unit("ns").asi8, edges.as_unit("ns").asi8)
    values = {name: array[cut[0] : cut[-1]] for name, array in values.items()}
    table = {"period_start": edges[:-1], "period_end": edges[1:]} | ({} if months is None else {"months": months})
    if tariff.credit.export_limit_kw is not None:
        limit = round(float(tariff.credit.export_limit_kw) * (step / pd.Timedelta(hours=1)) * STEPS_PER_KWH)
        lost = np.maximum(values["received"] - limit, 0.0)
        values["received"] = values["received"] - lost
        if "generation" in values:
            values["generation"] = values["generation"] - lost
        table["curtailed_kwh"] = np.add.reduceat(lost, cut[:-1] - cut[0]) / STEPS_PER_KWH
    for name, array in values.items():
        table[f"{name}_kwh"] = np.add.reduceat(array, cut[:-1] - cut[0]) / STEPS_PER_KWH
    intervals = Intervals(index[cut[0] : cut[-1]], step // pd.Timedelta(1, "ns"))
    return pd.DataFrame(table | by_rules(intervals, cut - cut[0], values, tariff))


def longest_step(tariff: Tariff) -> pd.Timedelta:
    """Return the longest interval from which the tariff can be billed, a day at most; shorter ones must divide it."""
    return pd.Timedelta(min([MINUTES["day"], *(minutes for minutes, _ in _needs(tariff))]), "min")


def _needs(tariff):
    """Yield (minutes, key) for every rule that needs intervals of that length, or of one that divides it."""
    credit, halves = tariff.credit, [time for bucket in tariff.buckets for pair in bucket.hours for time in pair]
    if halves:
        yield 30 if any(time % 1 for time in halves) else 60, "bucket.hours"
    rules = [("credit.", credit.netting, credit.export_price, None)]
    rules += [(f"line {c.line!r} ", c.netting, c.prices, c.window_minutes) for c in tariff.charges]
    for where, netting, prices, window in rules:
        if netting in MINUTES:
            yield MINUTES[netting], f"{where}netting"
        if prices and prices.by_interval:
            yield prices.minutes, f"{where}export_price" if where == "credit." else f"{where}prices"
        if window:
            yield window, f"{where}window_minutes"


def _check_step(step, tariff):
    for minutes, key in _needs(tariff):
        if pd.Timedelta(minutes, "min") % step:
            raise refusal("long_step", "interval data", step=step / pd.Timedelta(1, "min"), minutes=minutes, key=key)


def periods_from_reads(reads, digits=5, multiplier=1):
    """Turn register readings, as a meter reader notes them, into billing periods.

    Parameters
    ----------
    reads : DataFrame, in order of date
        ``date``, ``delivered``, ``received``, optional ``generation`` (displayed kWh), optional ``kind``: ``actual``
        (default), ``estimated``, and for an exchanged meter a row ``exchange out`` (old meter's last reading)
        followed by ``exchange in`` (new meter's first); an exchange does not close a period.
    digits : int
        Digits of the registers; a reading below the one before it has passed 99...9.
    multiplier : number
        kWh that one displayed kWh stands for.

    Returns
    -------
    DataFrame
        ``period_start, period_end, delivered_kwh, received_kwh[, generation_kwh]``, ``estimated``: true where the
        closing reading is an estimate, which the next actual reading makes good.
    """
    registers = [name for name in ("delivered", "received", "generation") if name in reads]
    kinds = list(reads["kind"]) if "kind" in reads else ["actual"] * len(reads)
    odd = sorted(set(kinds) - {"actual", "estimated", "exchange out", "exchange in"})
    if odd or len(reads) < 2 or kinds[0].startswith("exchange") or kinds[-1].startswith("exchange"):
        raise refusal("reads", "reads", count=len(reads), kinds=", ".join(odd or map(str, dict.fromkeys(kinds))))
    values = {name: reads[name].tolist() for name in registers}
    dates = [pd.Timestamp(day).date() for day in reads["date"]]
    rows, start, sums = [], 0, dict.fromkeys(registers, 0)
    for i in range(1, len(reads)):
        if (kinds[i] == "exchange in") != (kinds[i - 1] == "exchange out"):
            raise refusal("meter_exchange", "reads", kind=kinds[i], before=kinds[i - 1], date=dates[i])
        if kinds[i] == "exchange in":
            continue
        for name in registers:
            sums[name] += register_difference(values[name][i - 1], values[name][i], digits, multiplier)
        if kinds[i] != "exchange out":
            row = {"period_start": dates[start], "period_end": dates[i]}
            row |= {f"{name}_kwh": kwh for name, kwh in sums.items()}
            rows.append(row | {"estimated": kinds[i] == "estimated"})
            start, sums = i, dict.fromkeys(registers, 0)
    return pd.DataFrame(rows)


def _edges(index, step, reads, group):
    """Return the edges of the periods, and without reads the number of calendar months in each."""
    start, stop = index[0], index[-1] + step
    if reads is None:
        months = pd.date_range(f"{start:%Y-%m}-01", stop.tz_localize(None), freq="MS")[1:]
        inside = first_moments(months, index.tz).as_unit("ns").asi8
        inside = inside[inside < stop.value]
        chosen = inside[group - 1 :: group]
        counts = np.full(len(chosen) + 1, group)
        counts[-1] = len(inside) + 1 - group * len(chosen)
        edges = np.concatenate([[start.value], chosen, [stop.value]])
        return pd.DatetimeIndex(edges.astype("datetime64[ns]"), tz="UTC").tz_convert(index.tz), counts
    edges = pd.DatetimeIndex([pd.Timestamp(read) for read in reads])
    edges = first_moments(edges, index.tz) if edges.tz is None else edges.tz_convert(index.tz)
    if len(edges) < 2 or not (np.diff(edges.as_unit("ns").asi8) > 0).all():
        raise InputError(f"reads: found {[str(read) for read in reads]}, allowed are two or more rising dates")
    outside = edges[0] < start or edges[-1] > stop
    refuse_if(outside, "reads_outside", "reads", first=edges[0], last=edges[-1], start=start, end=stop)
    return edges, None


def _values(series, index, name):
    """Return energies as whole steps: floats that hold integers, whose sums are exact up to nine million kWh."""
    refuse_if(series.index is not index and not series.index.equals(index), "unlike_index", name)
    values = series.to_numpy(float)
    bad = ~(values >= 0)
    refuse_if(bad.any(), "negative_energy", name, values=values[bad], times=index[bad])
    return np.rint(values * STEPS_PER_KWH)
