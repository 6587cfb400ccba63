"""One billing period as a bill sees it: a row of a table of periods, checked and turned into exact decimals."""

from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from decimal import ROUND_HALF_UP, Decimal

import numpy as np
import pandas as pd

from solarlib.bill.credits import ZERO
from solarlib.bill.tariff import ENERGY
from solarlib.quantities import InputError

DAY = timedelta(days=1)
REGISTER_SLACK_KWH = 2  # readings in whole kWh of several registers may disagree by this much


@dataclass(slots=True)
class Period:
    """One billing period.

    `first` and `end` are the dates of the opening and the closing read; the days run from `first` to `last`, the day
    before `end`, which names the bill's month. `kwh` maps (what is counted, bucket) to energy; the empty bucket name
    means all hours.
    """

    first: date
    end: date
    last: date
    days: int
    kwh: dict
    demand_kw: dict = field(default_factory=dict)
    load_demand_kw: dict = field(default_factory=dict)
    export_value: Decimal | None = None
    partial: bool = False
    with_pv: bool = True


def read_rows(periods, rules_on):
    """Return (tariff, Period, readings) for each row of a table of billing periods.

    Parameters
    ----------
    periods : DataFrame
        As `solarlib.bill.accounts.ledger` takes it.
    rules_on : callable
        Returns the tariff that is valid on a date.

    Raises
    ------
    InputError
        Names the row, what was found and what is allowed.
    """
    if not len(periods):
        raise InputError("periods: found no row, allowed is one row or more")
    columns = {name: _plain(periods[name]) for name in periods.columns}
    for name in ("period_start", "period_end", "delivered_kwh", "received_kwh"):
        if name not in columns and not (name.endswith("kwh") and any(key.startswith(f"{name}_") for key in columns)):
            raise InputError(f"periods: found no column {name}, allowed is a table with it")
    spans = _spans(columns)
    ruling = [rules_on(first) for first, _ in spans]
    rows, start = [], 0
    for stop in range(1, len(spans) + 1):
        if stop == len(spans) or ruling[stop] is not ruling[start]:
            part = {name: values[start:stop] for name, values in columns.items()}
            rows += _read_part(part, spans[start:stop], ruling[start])
            start = stop
    return rows


def _plain(column):
    """Values as a list; times become dates, which is what a bill counts."""
    return (
        column.dt.date if isinstance(column.dtype, (pd.DatetimeTZDtype, np.dtypes.DateTime64DType)) else column
    ).tolist()


def _spans(columns):
    spans, before = [], None
    for i, (start, stop) in enumerate(zip(columns["period_start"], columns["period_end"])):
        first, end = _date(start, f"periods row {i} period_start"), _date(stop, f"periods row {i} period_end")
        if end <= first:
            raise InputError(f"periods row {i}: found the end {end} for the start {first}, allowed is a later day")
        if before is not None and first != before:
            raise InputError(
                f"periods row {i}: found the start {first}, allowed is {before}, the end of the row before"
            )
        before = end
        spans.append((first, end))
    return spans


def _read_part(columns, spans, tariff):
    """Rows under one tariff. Energies are whole multiples of the smallest step, so the sums below are exact."""
    names, scale = tariff.bucket_names, 10**tariff.kwh_decimals

    def steps(name):
        return None if name not in columns else _steps(columns[name], tariff.kwh_decimals, spans, name)

    kwh = {}
    for what in ("delivered", "received", "generation"):
        for name in names:
            kwh[what, name] = steps(f"{what}_kwh_{name}" if name else f"{what}_kwh")
        missing = [f"{what}_kwh_{name}" for name in names if kwh[what, name] is None]
        if missing and what != "generation":
            raise InputError(
                f"period from {spans[0][0]}: found no {', '.join(missing)}, allowed is a table with one column a bucket"
            )
    for name in names:
        kwh["import", name], kwh["export", name] = _net(columns, kwh, name, tariff, spans, steps)
    for what in ("delivered", "received", "import", "export") if tariff.buckets else ():
        same = {"import": "delivered", "export": "received"}.get(what) if tariff.credit.netting == "none" else None
        kwh[what, ""] = kwh[same, ""] if same else sum(kwh[what, name] for name in names)
        if f"{what}_kwh" in columns and what in ("delivered", "received"):
            _agree(what, steps(f"{what}_kwh"), kwh[what, ""], scale, spans)
    made = kwh["generation", ""] = steps("generation_kwh")
    if made is not None:
        _refuse(
            kwh["received", ""] > made + 1,
            spans,
            lambda i: (
                f"found received {kwh['received', ''][i] / scale:g} kWh above generation {made[i] / scale:g} kWh, "
                "allowed is received up to generation (a wrong multiplier, mixed periods or swapped registers?)"
            ),
        )
    kwh = {key: values for key, values in kwh.items() if values is not None}
    for key in [name for what, name in kwh if what == "generation"]:
        kwh["use", key] = kwh["generation", key] - kwh["received", key] + kwh["delivered", key]
    for charge in tariff.charges:
        if charge.on in ("use", "generation") and charge.key not in kwh:
            raise InputError(
                f"period from {spans[0][0]}: found no generation for line {charge.line!r}, "
                "allowed is a table with generation_kwh"
            )
    return _rows(columns, spans, tariff, kwh)


def _agree(what, register, buckets, scale, spans):
    _refuse(
        abs(register - buckets) > REGISTER_SLACK_KWH * scale,
        spans,
        lambda i: (
            f"found {what}_kwh {register[i] / scale:g} but {buckets[i] / scale:g} in the buckets, "
            f"allowed is a difference up to {REGISTER_SLACK_KWH} kWh"
        ),
    )


def _net(columns, kwh, name, tariff, spans, steps):
    """Energy to pay for and energy in excess: netted here over the period, or taken from finer netting."""
    delivered, received = kwh["delivered", name], kwh["received", name]
    difference, netting = delivered - received, tariff.credit.netting
    if netting in ("period", "bucket"):
        return np.maximum(difference, 0), np.maximum(-difference, 0)
    if netting == "none":
        return delivered, received
    column = f"import_kwh_{name}" if name else "import_kwh"
    if column not in columns:
        raise InputError(
            f"period from {spans[0][0]}: found no {column}, allowed is a table netted by {netting}: "
            "solarlib.bill.periods makes it from interval data"
        )
    # rounding may neither leave a part of the difference unexplained nor buy more than was delivered
    bought = np.minimum(np.maximum(steps(column), difference), delivered)
    return bought, bought - difference


def _rows(columns, spans, tariff, kwh):
    """Put the columns together, one row a period."""
    names, decimals = tariff.bucket_names, tariff.kwh_decimals
    unlike = {id(values): values for values in kwh.values()}  # without netting some columns are the same
    made = {key: _decimals(values, decimals) for key, values in unlike.items()}
    exact = {key: made[id(values)] for key, values in kwh.items()}
    readings = {}
    for what in ("delivered", "received", "generation", "use", "import", "export"):
        for name in ("", *names) if tariff.buckets else ("",):
            if (what, name) in exact:
                readings[f"{what}_kwh_{name}" if name else f"{what}_kwh"] = exact[what, name]
    if ("generation", "") in kwh:
        readings["self_consumed_kwh"] = _decimals(kwh["generation", ""] - kwh["received", ""], decimals)
    for name in ("", *names) if tariff.buckets else ("",):
        net = kwh["delivered", name] - kwh["received", name]
        readings[f"net_kwh_{name}" if name else "net_kwh"] = _decimals(net, decimals)
    texts = {name: columns[name] for name in ("period_start", "period_end", "estimated") if name in columns}
    powers = {
        kind: {name: _numbers(columns, f"{kind}_{name}" if name else kind) for name in {"", *names}}
        for kind in ("demand_kw", "load_demand_kw")
    }
    export_value, partial = _numbers(columns, "export_value"), columns.get("partial")
    rows = []
    for i, ((first, end), values, shown) in enumerate(zip(spans, zip(*exact.values()), zip(*readings.values()))):
        period = Period(
            first,
            end,
            end - DAY,
            (end - first).days,
            dict(zip(exact, values)),
            {name: power[i] for name, power in powers["demand_kw"].items() if power},
            {name: power[i] for name, power in powers["load_demand_kw"].items() if power},
            export_value[i] if export_value else None,
            bool(partial[i]) if partial else False,
        )
        row = {name: column[i] for name, column in texts.items()}
        row["days"] = period.days
        row.update(zip(readings, shown))
        rows.append((tariff, period, row))
    return rows


def without_pv(tariff, period):
    """Return three versions of a period for comparison, or None where house use is unknown.

    Returns
    -------
    tuple of Period
        The same house use with no array; with an array whose exports earn nothing, without and with the lines that
        exist because of the array.
    """
    names = {"", *tariff.bucket_names}
    if any(("use", name) not in period.kwh for name in names):
        return None
    if any(charge.on == "demand" for charge in tariff.charges) and set(period.load_demand_kw) != names:
        return None
    zero = {(what, name): ZERO for what in (*ENERGY, "export") for name in names}

    def bought(what):
        return {(key, name): period.kwh[what, name] for key in ("delivered", "import", "billed") for name in names}

    use = {("use", name): period.kwh["use", name] for name in names}
    made = {("generation", name): period.kwh.get(("generation", name), ZERO) for name in names}
    span = (period.first, period.end, period.last, period.days)
    none = Period(*span, zero | bought("use") | use, period.load_demand_kw, {}, None, period.partial, False)
    kept = Period(*span, zero | bought("delivered") | use, period.demand_kw, {}, None, period.partial, False)
    charged = Period(*span, kept.kwh | made, period.demand_kw, {}, None, period.partial, True)
    return none, kept, charged


def _date(value, where):
    if isinstance(value, datetime):  # a pandas Timestamp is one
        return value.date()
    if isinstance(value, date):
        return value
    raise InputError(f"{where}: found {value!r}, allowed is a date or a local midnight")


def _steps(values, decimals, spans, name):
    """Round energies half up to whole steps of 10 ** -decimals kWh, as integers."""
    array = np.asarray(values, float)
    _refuse(
        ~(np.isfinite(array) & (array >= -1e-9)),
        spans,
        lambda i: f"{name}: found {values[i]}, allowed is a number of kWh that is not negative",
    )
    scaled = np.maximum(array, 0.0) * 10.0**decimals
    steps = np.floor(scaled + 0.5)
    for i in np.flatnonzero(np.abs(scaled - np.floor(scaled) - 0.5) < 1e-6):  # ties are decided in decimals
        steps[i] = int(Decimal(str(values[i])).scaleb(decimals).quantize(Decimal(1), ROUND_HALF_UP))
    return steps.astype(np.int64)


def _refuse(wrong, spans, words):
    if wrong.any():
        i = int(np.argmax(wrong))
        raise InputError(f"period from {spans[i][0]} to {spans[i][1]}, {words(i)}")


def _decimals(steps, decimals):
    if not decimals:
        return list(map(Decimal, steps.tolist()))
    return [Decimal(step).scaleb(-decimals) for step in steps.tolist()]


def _numbers(columns, name):
    return [Decimal(str(value)) for value in columns[name]] if name in columns else None
