"""A bill in words: what a line counts, why it has the amount it has, and why a bill is not zero.

The sentences stand in ``words.toml``.
"""

import string

import pandas as pd

from solarlib.bill.tariff import ENERGY, Tariff, column
from solarlib.quantities import InputError, dollars, in_form, texts_beside

_WORDS = texts_beside(__file__, "words")
COUNTED = _WORDS["counted"]


class _Amounts(string.Formatter):
    """Fills sentences in which ``{bill:$}`` is an amount of money and ``{net:kWh}`` one of energy."""

    def format_field(self, value, unit):
        if unit == "$":
            return dollars(value)
        if unit in ("kWh", "kW"):
            return f"{float(value):,.2f}".rstrip("0").rstrip(".") + f" {unit}"
        return str(value)


def _said(topic, name, row=(), **parts):
    """Return a sentence of ``words.toml``, filled from a row of the ledger and from `parts`."""
    return in_form(_Amounts().vformat(_WORDS[topic][name], (), dict(row) | parts))


def explain(row: pd.Series | dict, line: str, tariff: Tariff) -> str:
    """Say in plain words why one number of a ledger row is what it is.

    Parameters
    ----------
    row : Series or dict
        One row of `solarlib.bill.accounts.ledger`.
    line : str
        The name of a bill line, or ``bill`` for all of it.
    tariff : Tariff
        The rules that the row was billed by.

    Returns
    -------
    str
        One to five sentences.

    Raises
    ------
    InputError
        If there is no such line; the message names those that there are.
    """
    names = [charge.line for charge in tariff.charges]
    if line in names:
        return _line(row, tariff.charge(line), tariff)
    if line == "bill":
        return _bill(row, tariff)
    raise InputError(f"line: found {line!r}, allowed is one of {', '.join([*names, 'bill'])}")


def _line(row, charge, tariff):
    words = [_said("line", "amount", charge=charge, amount=row[f"line {charge.line}"], counted=COUNTED[charge.on])]
    if charge.on in ENERGY or charge.blocks:
        words.append(_count(row, charge, tariff))
    else:
        lines = " and ".join(charge.of) or _said("line", "all_less_credit" if charge.after_credit else "all")
        words.append(_said("line", charge.on, charge=charge, days=row["days"], lines=lines))
    words += [_said("line", "limited")] if charge.limited else []
    words += [_said("line", "deferred")] if charge.line in tariff.deferred else []
    return " ".join([*words, _said("line", _reducible(charge, tariff))])


def _count(row, charge, tariff):
    """What a line on energy, or one in blocks, counted and at which prices."""
    where = _said("line", "where", charge=charge) if charge.bucket else ""
    where += _said("line", "netted", charge=charge) if charge.netting else ""
    if charge.blocks:
        unit = "kw" if charge.on == "demand" else "kwh"
        parts = [(row[f"{unit} {charge.line} {n}"], block.price) for n, block in enumerate(charge.blocks, 1)]
        blocks = ", ".join(_said("line", f"block_{unit}", part=part, price=price) for part, price in parts if part)
        return _said("line", f"blocks_{unit}", sum=sum(part for part, _ in parts), where=where, blocks=blocks or "none")
    kwh, amount = row[column(f"{tariff.netted(charge)}_kwh", charge.bucket)], row[f"line {charge.line}"]
    mean = _said("line", "mean", price=f"{amount / kwh:.4f}") if kwh and not charge.limited else ""
    return _said("line", "prices" if charge.prices else "energy", charge=charge, kwh=kwh, where=where, mean=mean)


def _reducible(charge, tariff):
    unit = tariff.credit.unit
    if charge.on == "billed" and unit == "kWh":
        return "by_bank"
    if unit == "money" and charge.offsettable:
        return "by_money"
    if charge.on == "percent":
        return "by_nothing_itself"
    return "by_nothing" if unit != "none" else "no_credit"


def _bill(row, tariff):
    net, used = row["net_kwh"], row["credit_applied"] + row["crossed_in"]
    due_now = [charge for charge in tariff.charges if charge.line not in tariff.deferred]
    charged = [charge for charge in due_now if row[f"line {charge.line}"] > 0]
    each = ", ".join(_said("bill", "charge", line=charge.line, amount=row[f"line {charge.line}"]) for charge in charged)
    amounts = [charge for charge in charged if charge.on != "percent"]
    stuck = [charge.line for charge in amounts if _reducible(charge, tariff) not in ("by_bank", "by_money")]
    due, sent, year = row["bill"] > 0, net < 0, tariff.settlement == "year"
    told = {
        "amount": True,
        "sent": sent,
        "taken": not sent,
        "bank": used,
        "money": row["credit_money_applied"] and not year,
        "charged": due,
        "stuck": due and sent and stuck,
        "used_up": due and sent and tariff.credit.unit == "money" and not row["money_bank_close"] and not year,
        "year": year,
        "settled": year and row["settled"],
        "minimum": row["min_bill_topup"],
        "payout": row["payout"],
        "carried": row["balance_close"],
        f"carried_{tariff.carried_at_reset}": tariff.carried_at_reset != "keep" and row["carried_reset"],
    }
    parts = {"net": abs(net), "used": used, "charged": each, "stuck": ", ".join(stuck)}
    return " ".join(_said("bill", name, row, **parts) for name, so in told.items() if so)
