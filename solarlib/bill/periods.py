"""From interval energies or register readings to one row a billing period, which `bank` bills.

Periods run from read to read, never by calendar months unless the reads fall there. A read date means 00:00 of that
local day. Energy is summed by local clock hour for time-of-use buckets, so a day of 23 or 25 hours keeps its sum.
"""

from collections.abc import Sequence
from datetime import date

import numpy as np
import pandas as pd

from solarlib.bill.tariff import Tariff, column
from solarlib.meter.registers import register_difference
from solarlib.quantities import InputError, check_index

NS = 1_000_000_000
HOUR_NS = 3600 * NS
_DAY_NS = 24 * HOUR_NS
NETTING_NS = {"hour": HOUR_NS, "quarter hour": HOUR_NS // 4}


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
        day of every calendar month in the data.
    tariff : Tariff, optional
        Adds what its rules need: energy by bucket, netted imports and exports, demand, the export limit.

    Returns
    -------
    DataFrame
        ``period_start, period_end, delivered_kwh, received_kwh`` and, where asked for, ``generation_kwh``, the same
        with ``_<bucket>``, ``import_kwh``, ``export_kwh``, ``export_value`` ($), ``demand_kw``, ``load_demand_kw``,
        ``curtailed_kwh``.

    Raises
    ------
    InputError
        If indexes differ, a value is missing or negative, reads do not rise or leave the data.
    """
    index = delivered_kwh.index
    step = check_index(index, "delivered_kwh")
    flows = {"delivered": delivered_kwh, "received": received_kwh}
    if generation_kwh is not None:
        flows["generation"] = generation_kwh
    values = {name: _values(series, index, f"{name}_kwh") for name, series in flows.items()}
    edges = _edges(index, step, reads)
    utc = index.as_unit("ns").asi8
    cut = np.searchsorted(utc, edges.as_unit("ns").asi8)
    values = {name: array[cut[0] : cut[-1]] for name, array in values.items()}
    table = {"period_start": edges[:-1], "period_end": edges[1:]}
    if tariff is not None and tariff.credit.export_limit_kw is not None:
        limit = float(tariff.credit.export_limit_kw) * (step / pd.Timedelta(hours=1))
        lost = np.maximum(values["received"] - limit, 0.0)
        values["received"] = values["received"] - lost
        if "generation" in values:
            values["generation"] = values["generation"] - lost
        table["curtailed_kwh"] = np.add.reduceat(lost, cut[:-1] - cut[0])
    for name, array in values.items():
        table[f"{name}_kwh"] = np.add.reduceat(array, cut[:-1] - cut[0])
    if tariff is not None:
        table |= _by_rules(index[cut[0] : cut[-1]], step, cut - cut[0], values, tariff)
    return pd.DataFrame(table)


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
        found = f"{len(reads)} rows of kind {', '.join(odd or map(str, dict.fromkeys(kinds)))}"
        allowed = "two or more, actual or estimated, with exchange out and exchange in between them"
        raise InputError(f"reads: found {found}, allowed are {allowed}")
    values = {name: reads[name].tolist() for name in registers}
    dates = [pd.Timestamp(day).date() for day in reads["date"]]
    rows, start, sums = [], 0, dict.fromkeys(registers, 0)
    for i in range(1, len(reads)):
        if (kinds[i] == "exchange in") != (kinds[i - 1] == "exchange out"):
            found = f"{kinds[i]} after {kinds[i - 1]} on {dates[i]}"
            raise InputError(f"reads: found {found}, allowed is exchange in right after exchange out")
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


def _codes(index, step, tariff):
    utc = index.as_unit("ns").asi8
    segments = _clock_segments(index, utc)
    step = step // pd.Timedelta(1, "ns")
    first = int(utc[0] + segments[0][2]) // _DAY_NS
    table = _day_table(first, int(utc[-1] + segments[-1][2]) // _DAY_NS - first + 2, tariff).ravel()
    codes = np.empty(len(index), np.int8)
    for start, stop, offset in segments:
        since = int(utc[start]) + offset - first * _DAY_NS
        if HOUR_NS % step:
            codes[start:stop] = table[(since + step * np.arange(stop - start)) // HOUR_NS]
        else:  # whole intervals an hour: no lookup label by label
            hour, count = since // HOUR_NS, HOUR_NS // step
            skip = since % HOUR_NS // step
            hours = table[hour : hour + (skip + stop - start - 1) // count + 1]
            codes[start:stop] = (np.repeat(hours, count) if count > 1 else hours)[skip : skip + stop - start]
    return codes


def _clock_segments(index, utc):
    """Parts of an index inside which the local clock is not changed: [(start, stop, offset from UTC in ns)]."""

    def offsets(labels):
        return index[labels].tz_localize(None).as_unit("ns").asi8 - utc[labels]

    stride = max(1, 3 * _DAY_NS // int(utc[1] - utc[0])) if len(utc) > 1 else 1  # no zone turns back within three days
    sample = np.append(np.arange(0, len(index) - 1, stride), len(index) - 1)
    seen = offsets(sample)
    changed = np.flatnonzero(np.diff(seen))
    near = (sample[changed][:, None] + np.arange(stride + 1)).ravel()  # labels of the stretches in which it changed
    near = np.unique(near[near < len(index)])
    exact = offsets(near)
    turns = np.flatnonzero((np.diff(exact) != 0) & (np.diff(near) == 1)) + 1
    starts = [0, *near[turns].tolist()]
    return list(zip(starts, [*starts[1:], len(utc)], [int(seen[0]), *exact[turns].tolist()]))


def _wall_ns(index):
    """Local clock readings as nanoseconds since 1970-01-01 00:00 on that clock."""
    wall = index.as_unit("ns").asi8.copy()
    for start, stop, offset in _clock_segments(index, wall):
        wall[start:stop] += offset
    return wall


def _day_table(start, count, tariff):
    """Bucket of each hour of `count` days; the first bucket that takes an hour keeps it. [days, 24]"""
    days = np.arange(start, start + count)
    weekend = (days + 3) % 7 >= 5  # day 0, 1 January 1970, was a Thursday
    if tariff.holidays:
        weekend |= np.isin(days, np.array(tariff.holidays, dtype="datetime64[D]").astype(int))
    table = np.full((count, 24), len(tariff.buckets) - 1, np.int8)  # the last bucket takes every other hour
    for code in reversed(range(len(tariff.buckets) - 1)):
        bucket = tariff.buckets[code]
        taken = {"all": np.ones(count, bool), "weekdays": ~weekend, "weekends": weekend}[bucket.days]
        if bucket.months:
            month = days.astype("datetime64[D]").astype("datetime64[M]").astype(int) % 12 + 1
            taken = taken & np.isin(month, bucket.months)
        hours = np.zeros(24, bool)
        for first, end in bucket.hours or ((0, 24),):
            hours[int(first) : int(end)] = True
        table[np.ix_(taken, hours)] = code
    return table


def _by_rules(index, step, cut, values, tariff):
    """Columns that the rules of a tariff need beyond the sums of each period; `cut` are the edges of the periods."""
    names, count = tariff.bucket_names, len(cut) - 1
    codes = _codes(index, step, tariff) if tariff.buckets else np.zeros(len(index), np.int8)
    columns = {}
    for code, key in enumerate(names) if tariff.buckets else ():
        chosen = codes == code
        for name, array in values.items():
            columns[f"{name}_kwh_{key}"] = np.add.reduceat(array * chosen, cut[:-1])
    netting, worth = tariff.credit.netting, tariff.credit.export_price
    hourly = worth is not None and worth.by_interval
    finer = netting in ("day", "hour", "quarter hour")
    if not finer and not hourly and all(charge.on != "demand" for charge in tariff.charges):
        return columns
    period = np.repeat(np.arange(count), np.diff(cut))
    exported, home, local = values["received"], period, index.tz_localize(None) if hourly else None
    price = np.frombuffer(worth.by_clock).reshape(12, 2, 24)[local.month - 1, 0, local.hour] if hourly else None
    if finer:
        order = (_group(index, step, netting) + period) * len(names) + codes  # group and period both rise: the sum
        order -= order.min()  # tells any two pairs of them apart
        size = int(order.max()) + 1
        net = np.bincount(order, values["delivered"] - values["received"], size)
        home, key = np.zeros(size, int), np.zeros(size, int)
        home[order], key[order] = period, codes
        for what, sign in (("import", 1), ("export", -1)):
            sums = np.bincount(home * len(names) + key, np.maximum(sign * net, 0.0), count * len(names))
            for i, name in enumerate(names):
                columns[column(f"{what}_kwh", name)] = sums[i :: len(names)]
        exported = np.maximum(-net, 0.0)
        if hourly:
            each, price = price, np.zeros(size)
            price[order] = each
    if hourly:
        columns["export_value"] = np.bincount(home, exported * price, count)
    return columns | _demand(index, step, period, count, codes, values, tariff)


def _demand(index, step, period, count, bucket, values, tariff):
    """Highest mean import over the demand window, by period and bucket. [kW]"""
    windows = {charge.window_minutes for charge in tariff.charges if charge.on == "demand"}
    if not windows:
        return {}
    if len(windows) > 1:
        raise InputError(f"window_minutes: found {sorted(windows)}, allowed is one window for all demand lines")
    minutes = windows.pop()
    order = _group(index, step, minutes) + period
    order -= order.min()
    flows = {"demand_kw": values["delivered"]}
    if "generation" in values:
        flows["load_demand_kw"] = values["delivered"] + values["generation"] - values["received"]
    columns = {}
    for name, array in flows.items():
        peak = np.zeros((count, len(tariff.bucket_names)))
        np.maximum.at(peak, (period, bucket), np.bincount(order, array)[order] * 60.0 / minutes)
        columns |= {column(name, key): peak[:, i] for i, key in enumerate(tariff.bucket_names)}
        columns[name] = peak.max(axis=1)
    return columns


def _group(index, step, netting):
    """Number of the netting interval of each label: local days, or hours and parts of them that the clock change
    does not merge."""
    wall = _wall_ns(index)
    if netting == "day":
        return wall // _DAY_NS
    length = NETTING_NS.get(netting) or netting * 60 * NS
    if step > pd.Timedelta(length, "ns"):
        allowed = f"a step up to {pd.Timedelta(length, 'ns')} for this tariff"
        raise InputError(f"interval data: found a step of {step}, allowed is {allowed}")
    utc = index.as_unit("ns").asi8
    turns = np.cumsum(np.diff(wall - utc, prepend=wall[0] - utc[0]) != 0)  # a turn by half an hour cuts an hour short
    return (utc + (wall - utc) % length) // length + turns


def _edges(index, step, reads):
    if reads is None:
        start, stop = index[0], index[-1] + step
        month = np.timedelta64(1, "M")
        months = np.arange(np.datetime64(f"{start:%Y-%m}") + month, np.datetime64(f"{stop:%Y-%m}") + month)
        firsts = _local(pd.DatetimeIndex(months.astype("datetime64[s]")), index.tz)
        inside = firsts.as_unit("ns").asi8
        inside = inside[inside < stop.value]
        edges = np.concatenate([[start.value], inside, [stop.value]])
        return pd.DatetimeIndex(edges.astype("datetime64[ns]"), tz="UTC").tz_convert(index.tz)
    edges = pd.DatetimeIndex([pd.Timestamp(read) for read in reads])
    edges = _local(edges, index.tz) if edges.tz is None else edges.tz_convert(index.tz)
    if len(edges) < 2 or not (np.diff(edges.as_unit("ns").asi8) > 0).all():
        raise InputError(f"reads: found {[str(read) for read in reads]}, allowed are two or more rising dates")
    if edges[0] < index[0] or edges[-1] > index[-1] + step:
        allowed = f"dates inside the data, {index[0]} to {index[-1] + step}"
        raise InputError(f"reads: found {edges[0]} to {edges[-1]}, allowed are {allowed}")
    return edges


def _local(midnights, tz):
    """Give local midnights their zone; where a clock change skips or repeats midnight, the day starts with it."""
    return midnights.tz_localize(tz, ambiguous=np.ones(len(midnights), bool), nonexistent="shift_forward")


def _values(series, index, name):
    if series.index is not index and not series.index.equals(index):
        raise InputError(f"{name}: found another index than delivered_kwh, allowed is the same index")
    values = series.to_numpy(float)
    bad = ~(values >= 0)
    if bad.any():
        found = f"{values[bad][0]} at {index[bad][0]}"
        raise InputError(f"{name}: found {found}, allowed are numbers that are not negative")
    return values
