"""From readings to what a billing period counts, from the rules in words: days, buckets, netting, windows.

Part of the second ledger; see `second_ledger`. A period made of readings of the registers holds their columns; one made
of intervals holds each interval, and every sum is a loop over them. Energies are fractions of a kWh.
"""

from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from fractions import Fraction
from zoneinfo import ZoneInfo

from bill.second_prices import exact, is_free

REGISTERS = ("delivered", "received", "generation")
BY_HOUR = ("hour", "half hour", "quarter hour", "none")


def half_up(value, digits):
    """ "rounded half up": to a number of digits, ties away from zero."""
    whole = (abs(value) * 10**digits + Fraction(1, 2)) // 1
    return Fraction(whole if value >= 0 else -whole, 10**digits)


def days_from(start, end):
    """Every day from `start` to before `end`."""
    return [start + timedelta(days=i) for i in range((end - start).days)]


def bucket_names(rules):
    """The names of the time-of-use buckets; one without a name where there are none."""
    return [bucket["name"] for bucket in rules.get("bucket", [])] or [""]


@dataclass
class Interval:
    """One interval of the meter: the local time at its start, its bucket, kWh by each register."""

    local: datetime
    bucket: str
    delivered: Fraction
    received: Fraction
    generation: Fraction

    @property
    def use(self):
        """What the house used."""
        return self.delivered + self.generation - self.received


@dataclass
class Period:
    """A billing period: its days, and either the columns of its readings or its intervals."""

    start: date
    end: date
    months: int
    partial: bool = False
    columns: dict | None = None
    intervals: list = field(default_factory=list)
    curtailed: Fraction = Fraction(0)

    @property
    def days(self):
        """Every day of the period."""
        return days_from(self.start, self.end)


# ---------------------------------------------------------------- periods


def months_by_days(start, end):
    """ "else as its days divided by 30.4375, rounded half up, one at least"."""
    return max(1, int(half_up(Fraction((end - start).days) / exact("30.4375"), 0)))


def from_registers(row):
    """A period of one row of readings.

    "A period counts as so many months as its column `months` says".
    """
    start, end = row["period_start"], row["period_end"]
    months = int(row["months"]) if "months" in row else months_by_days(start, end)
    return Period(start, end, months, bool(row.get("partial", False)), row)


def reads_by_month(first, last, months_per_bill):
    """(reads, months of each period) where no reads are given: `first` and `last` are the firsts of two months.

    "it puts calendar months together when periods are made from intervals without dates of reading, from the first
    month of the data on; the last group has the months that are left."
    """
    firsts = [day for day in days_from(first, last + timedelta(days=1)) if day.day == 1]
    reads = firsts[:-1:months_per_bill] + firsts[-1:]
    return reads, [firsts.index(b) - firsts.index(a) for a, b in zip(reads, reads[1:])]


def from_intervals(times, minutes, zone, flows, reads, ruling, months=None):
    """Periods of intervals: unix seconds of their starts, {register: kWh as written}, reads, rules of each period."""
    periods = [Period(start, end, months_by_days(start, end)) for start, end in zip(reads, reads[1:])]
    for period, number in zip(periods, months or []):
        period.months = number
    for i, time in enumerate(times):
        local = datetime.fromtimestamp(time, ZoneInfo(zone))
        number = next((n for n, p in enumerate(periods) if p.start <= local.date() < p.end), None)
        if number is not None:
            kwh, lost = limited(ruling[number], minutes, *(exact(flows[register][i]) for register in REGISTERS))
            periods[number].intervals.append(Interval(local, bucket_of(local, ruling[number]), *kwh))
            periods[number].curtailed += lost
    return periods


def limited(rules, minutes, delivered, received, generation):
    """`export_limit_kw`: "more is lost, not banked". Returns the three registers, and what is lost."""
    credit, lost = rules.get("credit", {}), Fraction(0)
    if "export_limit_kw" in credit:
        lost = max(received - exact(credit["export_limit_kw"]) * Fraction(minutes, 60), Fraction(0))
    return (delivered, received - lost, generation - lost), lost


def bucket_of(local, rules):
    """ "The first bucket that fits takes the hour; the last has no limits and takes the rest."."""
    free, hour = is_free(local.date(), rules), Fraction(local.hour * 60 + local.minute, 60)
    for bucket in rules.get("bucket", []):
        hours = [(exact(a), exact(b)) for a, b in bucket.get("hours", [[0, 24]])]
        kind = {"all": True, "weekdays": not free, "weekends": free}[bucket.get("days", "all")]
        if kind and local.month in bucket.get("months", range(1, 13)) and any(a <= hour < b for a, b in hours):
            return bucket["name"]
    return ""


# ---------------------------------------------------------------- energies


def register(period, which, rules):
    """kWh of one register by bucket, before rounding; None where there is none."""
    names = bucket_names(rules)
    if period.columns is None:
        return {n: sum((getattr(i, which) for i in period.intervals if i.bucket == n), Fraction(0)) for n in names}
    columns = {name: f"{which}_kwh_{name}" if name else f"{which}_kwh" for name in names}
    if all(column in period.columns for column in columns.values()):
        return {name: exact(period.columns[column]) for name, column in columns.items()}


def generated(period):
    """kWh of the meter of the array, which knows no buckets; None where there is none."""
    if period.columns is None:
        return sum((i.generation for i in period.intervals), Fraction(0))
    return exact(period.columns["generation_kwh"]) if "generation_kwh" in period.columns else None


def span(local, netting):
    """What a moment is netted together with: a day, an hour or a part of one, by local clock."""
    hour = (local.date(), local.hour, local.utcoffset())
    parts = {"day": local.date(), "hour": hour}
    parts |= {"half hour": (*hour, local.minute // 30), "quarter hour": (*hour, local.minute // 15)}
    return (parts | {"none": local.timestamp()})[netting]


def netted(intervals, netting):
    """(first moment, bucket, imports, exports) of each netting time.

    "over what time the two registers are subtracted before pricing": within a bucket, by local clock.
    """
    spans = {}
    for i in intervals:
        pair = spans.setdefault((i.bucket, span(i.local, netting)), [i.local, Fraction(0), Fraction(0)])
        pair[1] += i.delivered
        pair[2] += i.received
    for (bucket, _), (local, delivered, received) in spans.items():
        if netting == "none":
            yield local, bucket, delivered, received
        else:
            yield local, bucket, max(delivered - received, Fraction(0)), max(received - delivered, Fraction(0))


def imports_and_exports(period, rules, netting):
    """(imports, exports) by bucket as printed.

    "Over a period or bucket the two rounded registers are subtracted; for shorter netting the imports are rounded and
    the exports are what leaves the registers' difference unchanged."
    """
    digits, names = rules.get("kwh_decimals", 3), bucket_names(rules)
    taken, sent = ({n: half_up(kwh, digits) for n, kwh in register(period, r, rules).items()} for r in REGISTERS[:2])
    if netting == "none":
        return taken, sent
    net = {name: taken[name] - sent[name] for name in names}
    least = {name: max(net[name], Fraction(0)) for name in names}
    if netting in ("period", "bucket"):
        imports = least
    else:
        usual = netting == rules.get("credit", {}).get("netting", "period")
        column = "import" if usual else f"import_by_{netting.replace(' ', '_')}"
        found = register(period, column, rules) if period.columns else dict.fromkeys(names, Fraction(0))
        for _, bucket, kwh, _ in netted(period.intervals, netting):
            found[bucket] += kwh
        imports = {name: max(half_up(found[name], digits), least[name]) for name in names}
    return imports, {name: imports[name] - net[name] for name in names}


def printed_energies(period, rules):
    """ "Energies are rounded half up to `kwh_decimals`": flow -> bucket -> kWh; "all" -> what one meter counts."""
    digits, names = rules.get("kwh_decimals", 3), bucket_names(rules)
    shown = {}
    for which in REGISTERS:
        kwh = register(period, which, rules)
        if kwh is not None:
            shown[which] = {name: half_up(kwh[name], digits) for name in names}
    netting = rules.get("credit", {}).get("netting", "period")
    shown["import"], shown["export"] = imports_and_exports(period, rules, netting)
    shown["net"] = {n: shown["delivered"][n] - shown["received"][n] for n in names}
    if "generation" in shown:
        shown["use"] = {n: shown["generation"][n] + shown["net"][n] for n in names}
    if (made := generated(period)) is not None:
        made = half_up(made, digits)
        shown["all"] = {"generation": made, "use": made + sum(shown["net"].values())}
    return shown


# ---------------------------------------------------------------- demand


def windows(period, minutes, bucket, power):
    """(local day, kW) of each window: "the highest mean import" is one of these; `power` is "delivered" or "use"."""
    sums = {}
    for i in period.intervals:
        if bucket in (None, i.bucket):
            key = (i.local.date(), i.local.hour, i.local.utcoffset(), i.local.minute // minutes)
            sums[key] = sums.get(key, Fraction(0)) + getattr(i, power)
    return [(key[0], kwh * 60 / minutes) for key, kwh in sums.items()]


def demand_column(line, rules):
    """The column of a period made of readings.

    "`demand_kw`, or where demand lines ask different things names such as `demand_60min_highest_3_a_day_kw`"
    """
    end = f"_{line['bucket']}" if "bucket" in line else ""
    asked = [
        (other["window_minutes"], other.get("highest", 1), other.get("one_a_day", False))
        for other in rules["charge"]
        if other["on"] == "demand"
    ]
    if len(set(asked)) == 1:
        return f"demand_kw{end}"
    highest = f"_highest_{line['highest']}" if line.get("highest", 1) > 1 else ""
    a_day = "_a_day" if line.get("one_a_day") else ""
    return f"demand_{line['window_minutes']}min{highest}{a_day}_kw{end}"


def highest_mean(line, period, rules, power):
    """kW of a demand line.

    "Demand: the mean of the `highest` windows, `one_a_day` if so (of fewer if there are fewer)"; "A line with a bucket
    counts what was imported in the bucket over the whole window."
    """
    if period.columns is not None:
        return exact(period.columns[("load_" if power == "use" else "") + demand_column(line, rules)])
    found = windows(period, line["window_minutes"], line.get("bucket"), power)
    if line.get("one_a_day"):
        best = {}
        for day, kw in found:
            best[day] = max(kw, best.get(day, kw))
        found = list(best.items())
    top = sorted((kw for _, kw in found), reverse=True)[: line.get("highest", 1)]
    return sum(top) / len(top) if top else Fraction(0)
