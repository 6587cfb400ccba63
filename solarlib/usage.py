"""One billing period as a bill sees it: a row of a table of periods, checked and turned into exact decimals."""

from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from decimal import ROUND_HALF_UP, Decimal

import math

from solarlib.quantities import InputError
from solarlib.tariff import ENERGY

ZERO = Decimal(0)
REGISTER_SLACK_KWH = 2  # readings in whole kWh of several registers may disagree by this much


@dataclass(frozen=True)
class Period:
    """One billing period.

    `first` and `end` are the dates of the opening and the closing read; the days run from `first` to `last`, the day
    before `end`. `kwh` maps (what is counted, bucket) to energy; the empty bucket name means all hours.
    """

    first: date
    end: date
    kwh: dict
    demand_kw: dict = field(default_factory=dict)
    load_demand_kw: dict = field(default_factory=dict)
    export_value: Decimal | None = None
    partial: bool = False
    with_pv: bool = True

    @property
    def days(self):
        """Number of days."""
        return (self.end - self.first).days

    @property
    def last(self):
        """Last day; it names the bill's month."""
        return self.end - timedelta(days=1)


def read_rows(periods, rules_on):
    """Yield (tariff, Period, readings) for each row of a table of billing periods.

    Parameters
    ----------
    periods : DataFrame
        As `solarlib.bank.ledger` takes it.
    rules_on : callable
        Returns the tariff that is valid on a date.

    Raises
    ------
    InputError
        Names the row, what was found and what is allowed.
    """
    if not len(periods):
        raise InputError("periods: found no row, allowed is one row or more")
    columns = {name: periods[name].tolist() for name in periods.columns}
    for name in ("period_start", "period_end", "delivered_kwh", "received_kwh"):
        if name not in columns and not (name.endswith("kwh") and any(key.startswith(f"{name}_") for key in columns)):
            raise InputError(f"periods: found no column {name}, allowed is a table with it")
    before = None
    for i in range(len(periods)):
        first, end = (_date(columns[name][i], f"periods row {i} {name}") for name in ("period_start", "period_end"))
        if end <= first:
            raise InputError(f"periods row {i}: found the end {end} for the start {first}, allowed is a later day")
        if before is not None and first != before:
            raise InputError(f"periods row {i}: found the start {first}, allowed is {before}, the end of the row before")
        before = end
        tariff = rules_on(first)
        yield tariff, *_read_row(columns, i, first, end, tariff)


def _read_row(columns, i, first, end, tariff):
    where = f"period from {first} to {end}"
    step = Decimal(1).scaleb(-tariff.kwh_decimals)

    def kwh(name):
        return None if name not in columns else _kwh(columns[name][i], step, f"{where}, {name}")

    names = tariff.bucket_names
    by_bucket = {}
    for what in ("delivered", "received", "generation", "import", "export"):
        for name in names:
            by_bucket[what, name] = kwh(f"{what}_kwh_{name}" if name else f"{what}_kwh")
    for what in ("delivered", "received"):
        missing = [f"{what}_kwh_{name}" for name in names if by_bucket[what, name] is None]
        if missing:
            raise InputError(f"{where}: found no {', '.join(missing)}, allowed is a table with one column a bucket")
    _net(by_bucket, names, tariff.credit.netting, where)
    totals = {what: sum((by_bucket[what, name] for name in names), ZERO) for what in ("delivered", "received", "import", "export")}
    if tariff.buckets:
        for what in ("delivered", "received"):
            register = kwh(f"{what}_kwh")
            if register is not None and abs(register - totals[what]) > REGISTER_SLACK_KWH:
                raise InputError(
                    f"{where}: found {what}_kwh {register} but {totals[what]} in the buckets, "
                    f"allowed is a difference up to {REGISTER_SLACK_KWH} kWh"
                )
    totals["generation"] = kwh("generation_kwh")
    _complete(by_bucket, totals, names, where, step)
    for charge in tariff.charges:
        key = (charge.on, charge.bucket or "")
        if charge.on in ("use", "generation") and by_bucket.get(key, totals[charge.on] if not charge.bucket else None) is None:
            raise InputError(f"{where}: found no generation for line {charge.line!r}, allowed is a table with generation_kwh")
    period = Period(
        first, end,
        {key: value for key, value in by_bucket.items() if value is not None}
        | {(what, ""): value for what, value in totals.items() if value is not None},
        {name: _power(columns, i, f"demand_kw_{name}" if name else "demand_kw") for name in {"", *names}},
        {name: _power(columns, i, f"load_demand_kw_{name}" if name else "load_demand_kw") for name in {"", *names}},
        Decimal(str(columns["export_value"][i])) if "export_value" in columns else None,
        bool(columns["partial"][i]) if "partial" in columns else False,
    )
    return period, _readings(columns, i, period, names)


def _net(by_bucket, names, netting, where):
    """Energy to pay for and energy in excess: netted here over the period, or taken from finer netting."""
    for name in names:
        delivered, received = by_bucket["delivered", name], by_bucket["received", name]
        if netting in ("period", "bucket"):
            bought, excess = max(delivered - received, ZERO), max(received - delivered, ZERO)
        elif netting == "none":
            bought, excess = delivered, received
        else:
            bought = by_bucket["import", name]
            if bought is None:
                raise InputError(
                    f"{where}: found no import_kwh{'_' + name if name else ''}, allowed is a table netted by {netting}: "
                    "solarlib.periods makes it from interval data"
                )
            bought = max(bought, delivered - received)  # rounding must not leave the difference unexplained
            excess = bought - (delivered - received)
            if bought > delivered:
                bought, excess = delivered, received
        by_bucket["import", name], by_bucket["export", name] = bought, excess


def _complete(by_bucket, totals, names, where, step):
    """House use where generation is known; refuse more export than generation."""
    for name in names:
        made = by_bucket["generation", name] if name else totals["generation"]
        by_bucket["use", name] = None if made is None else made - by_bucket["received", name] + by_bucket["delivered", name]
    made = totals["generation"]
    totals["use"] = None if made is None else made - totals["received"] + totals["delivered"]
    if made is not None and totals["received"] > made + step:
        raise InputError(
            f"{where}: found received {totals['received']} kWh above generation {made} kWh, allowed is received up to "
            "generation (a wrong multiplier, mixed periods or swapped registers?)"
        )


def _readings(columns, i, period, names):
    row = {"period_start": columns["period_start"][i], "period_end": columns["period_end"][i], "days": period.days}
    if "estimated" in columns:
        row["estimated"] = columns["estimated"][i]
    kwh = period.kwh
    for what in ("delivered", "received", "generation", "use", "import", "export"):
        if (what, "") in kwh:
            row[f"{what}_kwh"] = kwh[what, ""]
        row |= {f"{what}_kwh_{name}": kwh[what, name] for name in names if name and (what, name) in kwh}
    if ("generation", "") in kwh:
        row["self_consumed_kwh"] = kwh["generation", ""] - kwh["received", ""]
    row["net_kwh"] = kwh["delivered", ""] - kwh["received", ""]
    row |= {f"net_kwh_{name}": kwh["delivered", name] - kwh["received", name] for name in names if name}
    return row


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
    if any(charge.on == "demand" for charge in tariff.charges) and None in period.load_demand_kw.values():
        return None
    zero = {(what, name): ZERO for what in (*ENERGY, "export") for name in names}

    def bought(what):
        return {(key, name): period.kwh[what, name] for key in ("delivered", "import", "billed") for name in names}

    use = {("use", name): period.kwh["use", name] for name in names}
    made = {("generation", name): period.kwh.get(("generation", name), ZERO) for name in names}
    none = Period(period.first, period.end, zero | bought("use") | use, period.load_demand_kw, {}, None, period.partial, False)
    kept = Period(period.first, period.end, zero | bought("delivered") | use, period.demand_kw, {}, None, period.partial, False)
    charged = Period(period.first, period.end, kept.kwh | made, period.demand_kw, {}, None, period.partial, True)
    return none, kept, charged


def _date(value, where):
    if isinstance(value, datetime):  # a pandas Timestamp is one
        return value.date()
    if isinstance(value, date):
        return value
    raise InputError(f"{where}: found {value!r}, allowed is a date or a local midnight")


def _kwh(value, step, where):
    if isinstance(value, bool) or not math.isfinite(value) or value < -1e-9:
        raise InputError(f"{where}: found {value}, allowed is a number of kWh that is not negative")
    return Decimal(str(value)).quantize(step, ROUND_HALF_UP) if value > 0 else ZERO


def _power(columns, i, name):
    return Decimal(str(columns[name][i])) if name in columns else None
