"""One billing period as a bill sees it: a row of a table of periods, checked and turned into exact decimals."""

from dataclasses import dataclass
from datetime import date, datetime, timedelta
from decimal import Decimal

import numpy as np
import pandas as pd

from solarlib.bill.tariff import column
from solarlib.quantities import InputError, refusal, refuse_if, whole_number

DAY = timedelta(days=1)
DAYS_OF_A_MONTH = 30.4375  # a twelfth of 365.25
KWH_SHOWN = ("delivered", "received", "generation", "use", "import", "export", "self_consumed", "net")
FINE_DECIMALS = 7  # a sum of 35,040 floats, 12 MWh in all, lies less than half of 1e-7 kWh off: n * 2**-53 * sum
SUM_DECIMALS = 9  # of a mean power in kW and a worth in $: what a sum of floats loses lies far below
REGISTER_SLACK_KWH = 2  # readings in whole kWh of several registers may disagree by this much


@dataclass(frozen=True, slots=True)
class Period:
    """One billing period and what was counted in it.

    `first` and `end` are the dates of the opening and the closing read; the days run from `first` to `last`, the day
    before `end`, which names the bill's month; it counts as `months` billing months. `counted` maps (what is counted,
    bucket) to an exact amount of energy [kWh] and ``export_value`` [$], the empty bucket name means all hours; and
    (``demand``, line) to kW, (``value``, line) to $.
    """

    first: date
    end: date
    counted: dict
    months: int = 1
    partial: bool = False

    @property
    def last(self):
        """Last day of the period."""
        return self.end - DAY

    @property
    def days(self):
        """Number of days between the reads."""
        return (self.end - self.first).days


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
    refuse_if(not len(periods), "no_periods", "periods")
    columns = {name: _plain(periods[name]) for name in periods.columns}
    for name in ("period_start", "period_end", "delivered_kwh", "received_kwh"):
        if name not in columns and not (name.endswith("kwh") and any(key.startswith(f"{name}_") for key in columns)):
            raise InputError(f"periods: found no column {name}, allowed is a table with it")
    spans = _spans(columns)
    ruling = [rules_on(first) for first, _ in spans]
    starts = [i for i, rules in enumerate(ruling) if i == 0 or not ruling[i - 1].goes_on_as(rules)]
    rows = []
    for start, stop in zip(starts, [*starts[1:], len(spans)]):
        part = {name: values[start:stop] for name, values in columns.items()}
        part = {name: values for name, values in part.items() if not pd.isna(values).all()}  # of other rules
        facts = _read_part(part, spans[start:stop], ruling[start])
        rows += [(rules, *fact) for rules, fact in zip(ruling[start:stop], facts)]
    return rows


def _plain(column):
    """Values as a list; times become dates, which is what a bill counts."""
    timed = isinstance(column.dtype, (pd.DatetimeTZDtype, np.dtypes.DateTime64DType))
    return (column.dt.date if timed else column).tolist()


def _spans(columns):
    spans, before = [], None
    for i, (start, stop) in enumerate(zip(columns["period_start"], columns["period_end"])):
        first, end = _date(start, f"periods row {i} period_start"), _date(stop, f"periods row {i} period_end")
        refuse_if(end <= first, "end_of_period", f"periods row {i}", end=end, first=first)
        refuse_if(before not in (None, first), "start_of_period", f"periods row {i}", first=first, before=before)
        before = end
        spans.append((first, end))
    return spans


def _read_part(columns, spans, tariff):
    """Rows under one tariff. Energies are whole multiples of the smallest step, so the sums below are exact."""
    steps = _metered(columns, spans, tariff)
    for prefix, netting in tariff.nettings.items():
        bought, sold = f"import{prefix}", f"export{prefix}"
        for name in tariff.bucket_names:
            steps[bought, name], steps[sold, name] = _net(columns, spans, steps, name, tariff, (bought, netting))
        for what, register in ((bought, "delivered"), (sold, "received")) if tariff.buckets else ():
            parts = [steps[what, name] for name in tariff.bucket_names]
            steps[what, ""] = steps[register, ""] if netting == "none" else sum(parts)
    for name in tariff.every_bucket:
        net = steps["net", name] = steps["delivered", name] - steps["received", name]
        if ("generation", name) in steps:
            steps["use", name] = steps["generation", name] + net
    if ("generation", "") in steps:
        steps["self_consumed", ""] = steps["generation", ""] - steps["received", ""]
    made = [it for it in tariff.charges if it.on in ("use", "generation")]
    unmade = [it.line for it in made if (it.on, it.bucket or "") not in steps]
    refuse_if(unmade, "no_generation", f"period from {spans[0][0]}", lines=unmade)
    return _rows(columns, spans, tariff, steps)


def _metered(columns, spans, tariff):
    """What the registers counted: {(what, bucket): steps}; the whole is the sum of the buckets."""
    steps, scale = {}, 10**tariff.kwh_decimals
    for what in ("delivered", "received", "generation"):
        keys = {(what, name): column(f"{what}_kwh", name) for name in tariff.every_bucket}
        given = {key: name for key, name in keys.items() if name in columns}
        steps |= {key: _steps(columns[name], tariff.kwh_decimals, spans, name) for key, name in given.items()}
        missing = [keys[what, name] for name in tariff.bucket_names if (what, name) not in steps]
        if what == "generation":
            continue
        refuse_if(missing, "no_buckets", f"period from {spans[0][0]}", columns=", ".join(missing))
        whole = sum(steps[what, name] for name in tariff.bucket_names)
        register, steps[what, ""] = steps.get((what, ""), whole), whole
        kwh = {"whole": register / scale, "sum": whole / scale, "most": REGISTER_SLACK_KWH}
        _refuse(abs(register - whole) > REGISTER_SLACK_KWH * scale, "buckets_apart", spans, f"{what}_kwh", **kwh)
    if ("generation", "") in steps:
        made, received = steps["generation", ""], steps["received", ""]
        kwh = {"received": received / scale, "made": made / scale}
        _refuse(received > made + 1, "received_above_made", spans, "generation_kwh", **kwh)
    return steps


def _net(columns, spans, steps, name, tariff, rule):
    """Energy to pay for and energy in excess: netted here over the period, or taken from finer netting."""
    delivered, received = steps["delivered", name], steps["received", name]
    difference, (what, netting) = delivered - received, rule
    if netting in ("period", "bucket"):
        return np.maximum(difference, 0), np.maximum(-difference, 0)
    if netting == "none":
        return delivered, received
    key = column(f"{what}_kwh", name)
    refuse_if(key not in columns, "not_netted", f"period from {spans[0][0]}", column=key, netting=netting)
    # rounding may neither leave a part of the difference unexplained nor buy more than was delivered
    bought = np.minimum(np.maximum(_steps(columns[key], tariff.kwh_decimals, spans, key), difference), delivered)
    return bought, bought - difference


def _rows(columns, spans, tariff, steps):
    """Put the columns together, one row a period."""
    every = tariff.every_bucket
    kinds = [*KWH_SHOWN, *(f"{what}{prefix}" for prefix in tariff.nettings if prefix for what in ("import", "export"))]
    steps = {(what, name): steps[what, name] for what in kinds for name in every if (what, name) in steps}
    unlike = {id(values): values for values in steps.values()}  # without netting some columns are the same
    made = {key: [Decimal(n).scaleb(-tariff.kwh_decimals) for n in array.tolist()] for key, array in unlike.items()}
    exact = {key: made[id(values)] for key, values in steps.items()}
    exact |= {("billed", name): exact["import", name] for name in every}  # until a bank pays for a part
    for key, (name, over) in _from_intervals(tariff).items():
        if name in columns:
            refuse_if(pd.isna(columns[name]).any(), "empty_cell", f"period from {spans[0][0]}", column=name)
            values = [Decimal(str(round(value, SUM_DECIMALS))) for value in columns[name]]
            exact[key] = [sum(values[max(0, i - over + 1) : i + 1]) / min(i + 1, over) for i in range(len(values))]
    shown = [column(f"{what}_kwh", name) for what, name in steps]  # the first of `exact`
    texts = [name for name in ("period_start", "period_end", "estimated") if name in columns]
    partial = columns.get("partial", [False] * len(spans))
    months = [whole_number(given, "periods months", 1, 1200) for given in columns.get("months", ())]
    months = months or [billing_months((end - first).days) for first, end in spans]
    rows = []
    for i, (span, counted) in enumerate(zip(spans, zip(*exact.values()))):
        period = Period(*span, dict(zip(exact, counted)), months[i], bool(partial[i]))
        row = {name: columns[name][i] for name in texts} | {"days": period.days}
        row.update(zip(shown, counted))
        rows.append((period, row))
    return rows


def _from_intervals(tariff):
    """Return what only interval data tell: {(what, line): (column, bills of which it is the mean)}."""
    found = {("export_value", ""): ("export_value", 1)}
    for charge in tariff.charges:
        if charge.on == "demand":
            found["demand", charge.line] = column(tariff.demand_column(charge), charge.bucket or ""), charge.over_bills
        elif charge.prices and charge.prices.by_interval:
            found["value", charge.line] = f"value {charge.line}", 1
    return found


def billing_months(days):
    """Return how many months a period of so many days counts on a bill: over the mean month, half up, one or more."""
    return max(1, int(days / DAYS_OF_A_MONTH + 0.5))


def _date(value, where):
    if isinstance(value, date):  # a datetime is one, and a pandas Timestamp too
        return value.date() if isinstance(value, datetime) else value
    raise InputError(f"{where}: found {value!r}, allowed is a date or a local midnight")


def _steps(values, decimals, spans, name):
    """Round energies half up to whole steps of 10 ** -decimals kWh, as integers: ties are decided on integers too."""
    array = np.asarray(values, float)
    _refuse(~(np.isfinite(array) & (array >= -1e-9)), "no_energy", spans, name, kwh=values)
    fine, unit = np.rint(array * 10.0**FINE_DECIMALS).astype(np.int64), 10 ** (FINE_DECIMALS - decimals)
    return (fine + unit // 2) // unit


def _refuse(wrong, case, spans, name, **values):
    """Raise for the first period in which the column of a name is wrong, with the values of that period."""
    if wrong.any():
        i = int(np.argmax(wrong))
        facts = {key: np.broadcast_to(value, wrong.shape)[i] for key, value in values.items()}
        raise refusal(case, f"period from {spans[i][0]} to {spans[i][1]}, {name}", **facts)
