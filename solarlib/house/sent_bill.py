"""A bill that was sent, line by line beside the one computed from readings, and what alone would explain a difference.

The owner types the printed lines into a TOML file (`data/examples/bill-of-may.toml` shows one). The energies come from
a meter read each hour or oftener, if its file covers the days, else from the registers in that file.
"""

from dataclasses import asdict, dataclass, replace
from datetime import date, timedelta
from decimal import Decimal
from functools import partial

import pandas as pd

from solarlib.bill.credits import ZERO
from solarlib.bill.periods import periods_from_reads
from solarlib.bill.tariff import Credit
from solarlib.bill.usage import billing_months
from solarlib.house.flows import file_of
from solarlib.house.periods import periods_between
from solarlib.house.sent_causes import PRINTED, Case, causes, day_of, emptied_on
from solarlib.house.year_bills import ratings
from solarlib.quantities import InputError, dollars, refuse_if, texts_beside
from solarlib.schema import Problems, Reader, Table, choice, declared, flag, iso_date, kept, number, read_toml, whole

HALF_CENT = Decimal("0.005")
BY_REGISTER = ("month", "day", "kw", "delivered", "received", "use", "generation")  # what needs no netting, no hours
_WORDS = texts_beside(__file__, "sent_bill")
_MONEY, _KWH = number(-1e6, 1e6, "$"), number(0, 1e9, "kWh", float)


def _each(reader):
    """Reader of a table whose values all pass `reader`."""
    allowed = f"a table of name = value, each value {reader.allowed}"
    return kept(allowed, lambda value: isinstance(value, dict), lambda value: {n: reader(v) for n, v in value.items()})


_EITHER = Reader(
    "a number of kWh, or a table of one a bucket", lambda it: _each(_KWH)(it) if isinstance(it, dict) else _KWH(it)
)


@dataclass(frozen=True)
class Read:
    """One reading: its day, and what the registers showed, if they are to be used."""

    date: date = declared(iso_date())
    delivered: float | None = declared(_KWH, default=None)
    received: float | None = declared(_KWH, default=None)
    generation: float | None = declared(_KWH, default=None)
    kind: str = declared(choice("actual", "estimated", "exchange out", "exchange in"), default="actual")


@dataclass(frozen=True)
class SentBill:
    """What the owner typed.

    The last two readings close the bill; earlier ones let bank, credit and demand run up to it. `bank_kwh`, `credit`
    and `carried` are what there was before the first reading. `kwh` are energies as printed, by column of a table of
    billing periods; with them only the last period counts. `emptied` says whether the bank was emptied on this bill,
    None what the rules say; `months` how many billing months it counts.
    """

    total: Decimal = declared(_MONEY)
    lines: dict = declared(_each(_MONEY))
    read: tuple[Read, ...] = declared(Table(Read, many=True, name="read"))
    bank_kwh: dict | float = declared(_EITHER, default=0.0)
    credit: Decimal = declared(number(0, 1e6, "$"), default=Decimal(0))
    carried: Decimal = declared(number(0, 1e6, "$"), default=Decimal(0))
    kwh: dict = declared(_each(_KWH), default=None)
    emptied: bool | None = declared(flag(), default=None)
    months: int | None = declared(whole(1, 24), default=None)
    multiplier: Decimal = declared(number(1e-3, 1e4), default=Decimal(1))
    form: int = declared(whole(1, 1), default=1)


@dataclass(frozen=True)
class CheckedBill:
    """A sent bill beside the computed one: a ``table`` of sent and computed by line [$], and what there is to say."""

    table: pd.DataFrame
    sentences: tuple[str, ...]

    def __str__(self):
        return "\n".join([self.table.to_string(float_format="%.2f", na_rep="-"), *self.sentences])


def read_sent_bill(path):
    """Return a `SentBill` from a TOML file, or from the name of an example without its ending."""
    file = file_of(path, ".toml")
    refuse_if(not file.is_file(), "no_sent_bill", path)
    problems = Problems(file.name)
    sent = problems.read(Table(SentBill), read_toml(file, Decimal))
    problems.stop()
    return sent


def check_sent_bill(house, sent, files=()):
    """Return a sent bill beside what the rules of the house make of the readings, and single causes of a difference.

    Parameters
    ----------
    house : House
    sent : SentBill
    files : sequence of flows.Checked
        A meter read each hour or oftener, and the array's file, if there are such.

    Returns
    -------
    CheckedBill
    """
    source, moved, before = _energies(house, sent, files)
    case = Case(house.tariffs, moved(0, 0), sent.bank_kwh, (sent.credit, sent.carried), ratings(house))
    if sent.emptied is not None:
        case = case.each(lambda rules: emptied_on(rules, case.periods, sent.emptied))
    case, amounts, left_out, reason = _as_far_as_known(case, source)
    names = [it.line for rules in house.tariffs for it in rules.charges]
    unknown = [line for line in sent.lines if line not in (*names, *PRINTED)]
    lines = ", ".join([*dict.fromkeys(names), *PRINTED])
    refuse_if(unknown, "unknown_line", "lines", unknown=unknown, lines=lines)
    known = {line: amount for line, amount in sent.lines.items() if not left_out or line in amounts}
    known |= {} if left_out else {"total": sent.total}
    told = [_WORDS["source"][source], *_compared(sent, known, amounts)]
    if "estimated" in {read.kind for read in sent.read[-2:]}:
        told.append(_WORDS["estimated"])
    if left_out:
        told.append(_WORDS["not_checked"].format(lines=", ".join(left_out), reason=reason))
    if not _agree(known, amounts):
        told.append(_explained(case, known, moved, before))
    lines = [line for line in dict.fromkeys([*amounts, *known]) if line in known or amounts[line]]
    table = {"sent": [known.get(line) for line in lines], "computed": [amounts.get(line, ZERO) for line in lines]}
    return CheckedBill(pd.DataFrame(table, index=pd.Index(lines, name="line"), dtype=float), tuple(told))


def _agree(known, amounts):
    return all(abs(amount - amounts.get(line, ZERO)) < HALF_CENT for line, amount in known.items())


def _compared(sent, known, amounts):
    """Say whether the printed lines make the total, and which lines differ by how much."""
    printed = sum(sent.lines.values(), ZERO)
    if sent.lines and abs(printed - sent.total) >= HALF_CENT:
        yield _WORDS["sum"].format(sum=dollars(printed), total=dollars(sent.total))
    if _agree(known, amounts):
        yield _WORDS["agrees"]
    for line, amount in known.items():
        more = amount - amounts.get(line, ZERO)
        if abs(more) >= HALF_CENT:
            yield _WORDS["more" if more > 0 else "less"].format(line=line, by=dollars(abs(more)))


def _explained(case, known, moved, before):
    """Name the single causes that make every line agree, or say that there is none."""
    found, tried = {}, set()
    for kind, words, changed in causes(case, moved, before):
        tried.add(kind)
        try:
            if _agree(known, changed.amounts()):
                found.setdefault(kind, words)
        except InputError:  # rules that do not allow it
            continue
    name = "none" if not found else "one" if len(found) == 1 else "several"
    return _WORDS[name].format(words="; ".join(found.values()), count=len(tried))


def _as_far_as_known(case, source):
    """Return the case, its amounts, and the lines that these readings do not tell with the reason.

    Without readings of intervals only lines are left that need neither netting nor hours.
    """
    try:
        return case, case.amounts(), [], ""
    except InputError as error:
        if source == "intervals":
            raise
        reason = str(error)
    told = set(BY_REGISTER) - (set() if "generation_kwh" in case.periods else {"use", "generation"})

    def plain(rules):
        lines = tuple(it for it in rules.charges if it.on in told and not it.bucket and not it.prices)
        more = {"buckets": (), "minimum_bill": None, "minimum_of": (), "settlement": "bill", "carried_at_reset": "keep"}
        return replace(rules, charges=lines, credit=Credit("none"), **more)

    reduced = replace(case.each(plain), bank_kwh=0, money=(ZERO, ZERO))
    amounts = reduced.amounts()
    left_out = [it.line for it in case.rules[-1].charges if it.line not in amounts]
    return reduced, {line: amount for line, amount in amounts.items() if line != "total"}, [*left_out, "total"], reason


def _energies(house, sent, files):
    """Return where the energies come from, and the functions `moved` and `before` of `causes`."""
    days = [read.date for read in sent.read if not read.kind.startswith("exchange")]
    refuse_if(len(days) < 2, "few_days_read", "read", count=len(days))
    length = days[-1] - days[-2]

    def between(opening, closing):
        ends = days[-2] + timedelta(days=opening), days[-1] + timedelta(days=closing)
        return _with_months(periods_between(files, [*days[:-2], *ends], house.tariffs), sent)

    def earlier():
        row = periods_between(files, [days[-2] - length, days[-2]], house.tariffs).iloc[-1]
        return {name: row[name] for name in row.index if "_kwh" in name}

    try:
        if sent.kwh is None:
            between(0, 0)
            return "intervals", between, earlier
    except InputError as error:
        if any(read.delivered is None or read.received is None for read in sent.read):
            raise InputError(f"{error}; or both registers with each date") from None
    table = _with_months(_registers(house, sent, days), sent)
    return ("printed" if sent.kwh else "registers"), partial(_moved, table), partial(_before, table)


def _registers(house, sent, days):
    """Return billing periods from the registers, or from the energies as printed."""
    if sent.kwh is not None:
        ends = {"period_start": [days[-2]], "period_end": [days[-1]]}
        return pd.DataFrame(ends | {name: [kwh] for name, kwh in sent.kwh.items()})
    reads = pd.DataFrame([asdict(read) for read in sent.read]).dropna(axis=1)
    return periods_from_reads(reads, house.meter.digits, float(sent.multiplier))


def _with_months(table, sent):
    """Return periods with the number of billing months that each counts; of the last as the owner says."""
    spans = zip(map(day_of, table["period_start"]), map(day_of, table["period_end"]))
    months = [billing_months((end - start).days) for start, end in spans]
    return table.assign(months=[*months[:-1], sent.months or months[-1]])


def _moved(table, opening, closing):
    """Return periods with the last two readings so many days later, by the daily mean of the last period."""
    row, moved = table.iloc[-1], {}
    days = (row["period_end"] - row["period_start"]).days
    for name in (name for name in table if "_kwh" in name):
        by = [(closing - opening) * row[name] / days, opening * row[name] / days]  # of the last, of the one before
        rounded = round if float(row[name]).is_integer() else float
        each = [float(rounded(kwh + more)) for kwh, more in zip(table[name].iloc[::-1], by)]
        moved[name] = [*table[name].iloc[: -len(each)], *reversed(each)]
    starts = [*table["period_start"].iloc[:-1], row["period_start"] + timedelta(days=opening)]
    ends = [*starts[1:], row["period_end"] + timedelta(days=closing)]
    return table.assign(period_start=starts, period_end=ends, **moved)


def _before(table):
    """Return the last period's energies as an estimate from the daily mean of the one before, in whole kWh."""
    refuse_if(len(table) < 2, "no_period_before", "read")
    days = [(row["period_end"] - row["period_start"]).days for _, row in table.iloc[-2:].iterrows()]
    return {name: float(round(table[name].iloc[-2] * days[1] / days[0])) for name in table if "_kwh" in name}
