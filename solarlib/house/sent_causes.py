"""One bill computed from readings, and single changes of readings, rules or opening sums that may have made another.

Each change is one that happens: a reading on another day, registers in each other's place, a meter constant,
an estimate, another rounding, another price or base, a bank not counted (common practice, no source).
"""

from dataclasses import dataclass, replace
from datetime import timedelta

import pandas as pd

from solarlib.bill.accounts import bills
from solarlib.bill.credits import ZERO
from solarlib.bill.lines import cents
from solarlib.quantities import InputError, texts_beside

MOST_DAYS = 5  # that a reading may have been early or late
CONSTANTS = (2, 10, 20, 40, 60, 80, 100, 1000)  # of meters, left out or counted twice
SIGNS = {"minimum": ("min_bill_topup", 1), "settled": ("settled", 1)}  # printed beside the lines: column, sign
SIGNS |= {"credit": ("credit_money_applied", -1), "payout": ("payout", -1)}
PRINTED = (*SIGNS, "carried")
_UNLIKE = ("period_start", "period_end", "months", "partial", "estimated")  # columns that count no energy
_PAIRS = {"delivered": "received", "received": "delivered", "import": "export", "export": "import"}
_WORDS = texts_beside(__file__, "sent_bill")["causes"]


@dataclass(frozen=True)
class Case:
    """What a bill is computed from: dated rules; billing periods, of which the last is the bill; what was in the bank
    [kWh], and (credit, carried sum) [$], before the first of them; ratings [kW].
    """

    rules: tuple
    periods: pd.DataFrame
    bank_kwh: object
    money: tuple
    rated: dict

    def amounts(self):
        """Return the exact amounts of the last bill, {line: $}: its lines, what else is printed, and ``total``."""
        opening = {"opening_kwh": self.bank_kwh, "opening_money": self.money}
        row = bills(self.periods, self.rules, **opening, **self.rated)[-1]
        amounts = {name.removeprefix("line "): cents(row[name]) for name in row if name.startswith("line ")}
        more = {name: sign * row.get(column, ZERO) for name, (column, sign) in SIGNS.items()}
        more["carried"] = row["balance_close"] - row["balance_open"]
        return amounts | {name: amount for name, amount in more.items() if amount} | {"total": row["bill"]}

    def last(self, **values):
        """Return the case with other values in columns of its last period."""
        last = {name: [*self.periods[name].iloc[:-1], value] for name, value in values.items()}
        return replace(self, periods=self.periods.assign(**last))

    def each(self, change):
        """Return the case with each rule set changed."""
        return replace(self, rules=tuple(map(change, self.rules)))


def causes(case, moved, before):
    """Yield (kind, words, changed case) for each single change; later ones of a kind are variants of its first.

    Parameters
    ----------
    case : Case
    moved : callable
        ``moved(opening, closing)`` returns the periods with the last two readings so many days later.
    before : callable
        ``before()`` returns the energies of as many days before the last period: {column: kWh}.
    """
    yield from _of_days(case, moved)
    yield from _of_energies(case, before)
    yield from _of_rules(case)
    yield from _of_state(case)


def _of_days(case, moved):
    edges = {name: case.periods[name] for name in ("period_start", "period_end")}
    for which, opening, closing in (("opening", 1, 0), ("closing", 0, 1), ("both", 1, 1)):
        for days in (sign * number for number in range(1, MOST_DAYS + 1) for sign in (-1, 1)):
            try:
                periods = moved(opening * days, closing * days)
            except InputError:  # no reading on those days
                continue
            side = _WORDS["side"]["later" if days > 0 else "earlier"]
            said = {"which": _WORDS["which"][which], "days": abs(days), "side": side}
            yield f"{which} {days}", _WORDS["moved"].format(**said), replace(case, periods=periods)
            kept = periods.assign(**edges)
            yield f"{which} {days}", _WORDS["stamped"].format(**said), replace(case, periods=kept)


def _of_energies(case, before):
    row = case.periods.iloc[-1].drop([name for name in _UNLIKE if name in case.periods])
    energy = {name: row[name] for name in row.index if "_kwh" in name}

    def swapped(name):
        what, rest = name.split("_", 1)
        return f"{_PAIRS.get(what, what)}_{rest}"

    yield "swapped", _WORDS["swapped"], case.last(**{name: energy.get(swapped(name), 0.0) for name in energy})
    unsent = {name: 0.0 for name in row.index if name.startswith(("received", "export"))}
    unsent |= {name: energy[name.replace("import", "delivered")] for name in energy if name.startswith("import_")}
    yield "unsent", _WORDS["unsent"], case.last(**unsent)
    for constant in CONSTANTS:
        for kind, factor in (("constant", constant), ("no_constant", 1 / constant)):
            yield f"{kind} {constant}", _WORDS[kind].format(constant=constant), case.last(**row * factor)
    try:
        yield "estimated", _WORDS["estimated"], case.last(**before())
    except InputError:  # nothing is known of the time before
        pass


def _of_rules(case):
    rules, last = case.rules[-1], case.periods.iloc[-1]
    stage = "total" if rules.round_stage == "line" else "line"
    yield "stage", _WORDS[f"round_{stage}"], case.each(lambda it: replace(it, round_stage=stage))
    for digits in {0, 1, 2, 3} - {rules.kwh_decimals}:
        changed = case.each(lambda it: replace(it, kwh_decimals=digits))  # noqa: B023
        yield f"decimals {digits}", _WORDS["decimals"].format(digits=digits), changed
    for months in {1, 2, 3} - {last["months"]}:
        yield f"months {months}", _WORDS["months"].format(months=months), case.last(months=months)
    yield "by days", _WORDS["by_days"], case.each(lambda it: _lines(it, _by_days))
    for charge in rules.charges:
        for kind, change in _of_line(charge).items():
            changed = case.each(lambda it: _lines(it, lambda other: _changed(other, charge.line, change)))  # noqa: B023
            yield f"{kind} {charge.line}", _WORDS[kind].format(line=charge.line), changed
    for other in case.rules if len(case.rules) > 1 else ():
        alone = (replace(other, valid_from=None, valid_to=None),)
        yield f"rules {other.name}", _WORDS["rules"].format(name=other.name), replace(case, rules=alone)


def _of_line(charge):
    """Return what else a line may have been taken to be: {kind: changed fields}."""
    if charge.blocks and charge.on != "demand":
        return {"blocks": {"blocks_by_days": not charge.blocks_by_days}}
    if charge.on == "percent":
        return {"of_all": {"of": ()}} if charge.of else {"base": {"after_credit": not charge.after_credit}}
    return {}


def _changed(charge, line, change):
    return replace(charge, **change) if charge.line == line else charge


def _lines(rules, change):
    return replace(rules, charges=tuple(map(change, rules.charges)))


def _by_days(charge):
    """A monthly amount as a thirtieth of it for each day."""
    if charge.on == "month":
        return replace(charge, on="day", price=charge.price / 30, prorate=False)
    return replace(charge, per="30 days") if charge.on == "kw" and charge.per == "month" else charge


def _of_state(case):
    credit, carried = case.money
    yield "bank", _WORDS["no_bank"], replace(case, bank_kwh=0)
    yield "credit", _WORDS["no_credit"], replace(case, money=(ZERO, carried))
    yield "carried", _WORDS["no_carried"], replace(case, money=(credit, ZERO))
    yield "emptied", _WORDS["emptied"], case.each(lambda it: emptied_on(it, case.periods, True))
    yield "kept", _WORDS["kept"], case.each(lambda it: emptied_on(it, case.periods, False))


def emptied_on(rules, periods, emptied):
    """Return rules by which the credits are emptied on the last bill of the periods, or on none of them."""
    credit = rules.credit.with_reset(None, None)
    if not emptied or credit.unit == "none":
        return replace(rules, credit=credit)
    last = day_of(periods["period_end"].iloc[-1]) - timedelta(days=1)
    action = "forfeit" if rules.credit.at_reset in (None, "roll") else rules.credit.at_reset
    day = last.month, min(last.day, 28) if last.month == 2 else last.day
    return replace(rules, credit=replace(credit, reset_date=day, at_reset=action))


def day_of(time):
    """Return the date of a day, or of a local time."""
    return pd.Timestamp(time).date()
