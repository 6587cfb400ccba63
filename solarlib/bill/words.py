"""A bill in words: what a line counts, why it has the amount it has, and why a bill is not zero."""

import pandas as pd

from solarlib.bill.tariff import Tariff
from solarlib.quantities import InputError

COUNTED = {
    "month": "each month",
    "day": "each day",
    "delivered": "every kWh that the utility delivered, whatever was sent back",
    "import": "the kWh bought after netting",
    "billed": "the kWh left after netting and after the bank",
    "received": "every kWh that the utility received",
    "use": "every kWh that the house used, from whatever source",
    "generation": "every kWh that the array generated",
    "kw": "the rating of the array",
    "demand": "the highest power drawn from the utility",
    "percent": "a share of other lines",
}
QUANTITY = {
    "delivered": "delivered_kwh",
    "import": "import_kwh",
    "billed": "billed_kwh",
    "received": "received_kwh",
    "use": "use_kwh",
    "generation": "generation_kwh",
}
AT_RESET = {
    "forfeit": "is lost",
    "donate": "is given to a fund",
    "pay": "is paid out",
    "pay if over": "is paid out if it reaches the threshold",
    "roll": "stays in the bank",
    None: "stays in the bank",
}


def explain(row: pd.Series | dict, line: str, tariff: Tariff) -> str:
    """Say in plain words why one number of a ledger row is what it is.

    Parameters
    ----------
    row : Series or dict
        One row of `solarlib.bill.accounts.ledger`.
    line : str
        The name of a bill line, or one of ``bill``, ``bank``, ``reset``, ``credit``, ``minimum``, ``tax``, ``payout``,
        ``saving``.
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
    topics = {
        "bill": _bill,
        "bank": _bank,
        "reset": _reset,
        "credit": _credit,
        "minimum": _minimum,
        "tax": _tax,
        "payout": _payout,
        "saving": _saving,
    }
    names = [charge.line for charge in tariff.charges]
    if line in names:
        return _line(row, tariff.charge(line), tariff)
    if line in topics:
        return topics[line](row, tariff)
    raise InputError(f"line: found {line!r}, allowed is one of {', '.join([*names, *topics])}")


def _money(value):
    return f"{float(value):.2f} $"


def _kwh(value):
    return f"{float(value):,.2f}".rstrip("0").rstrip(".") + " kWh"


def _line(row, charge, tariff):
    amount = row[f"line {charge.line}"]
    words = [f"The line {charge.line!r} is {_money(amount)}: it charges {COUNTED[charge.on]}."]
    if charge.on in QUANTITY:
        kwh = row[QUANTITY[charge.on] + (f"_{charge.bucket}" if charge.bucket else "")]
        where = f" in the hours called {charge.bucket!r}" if charge.bucket else ""
        if charge.blocks:
            parts = [
                f"{_kwh(row[f'kwh {charge.line} {n}'])} at {block.price} $/kWh"
                for n, block in enumerate(charge.blocks, 1)
                if row[f"kwh {charge.line} {n}"]
            ]
            words.append(f"It counted {_kwh(kwh)}{where}: {', '.join(parts) or 'none'}.")
        else:
            words.append(f"It counted {_kwh(kwh)}{where} at {charge.price} $/kWh.")
    elif charge.on == "percent":
        lines = (
            " and ".join(charge.of)
            if charge.of
            else "all other lines" + (" less the credit" if charge.after_credit else "")
        )
        words.append(f"It is {charge.price} % of {lines}.")
    else:
        unit = {
            "month": "a month",
            "day": f"a day for {row['days']} days",
            "kw": f"a kW and {charge.per}",
            "demand": "a kW",
        }
        words.append(f"The price is {charge.price} $ {unit[charge.on]}.")
    if charge.months or charge.valid_from or charge.valid_to:
        words.append("It applies to part of the time only; a bill across the change is shared by days.")
    words.append(_reducible(charge, tariff))
    return " ".join(words)


def _reducible(charge, tariff):
    unit = tariff.credit.unit
    if charge.on == "billed" and unit == "kWh":
        return "Banked kWh reduce it."
    if unit == "money" and charge.offsettable:
        return "The money credit may reduce it."
    if charge.on == "percent":
        return "No credit reduces it directly."
    return "No surplus energy can reduce it." if unit != "none" else "This tariff gives no credit that could reduce it."


def _bill(row, tariff):
    net, bill = row["net_kwh"], row["bill"]
    words = [f"The bill for {row['days']} days is {_money(bill)}."]
    if net < 0:
        words.append(f"The house sent out {_kwh(-net)} more than it took in.")
    else:
        words.append(f"The house took in {_kwh(net)} more than it sent out.")
    if row["credit_applied"] + row["crossed_in"]:
        words.append(f"The bank paid for {_kwh(row['credit_applied'] + row['crossed_in'])}.")
    if row["credit_money_applied"]:
        words.append(f"A money credit took {_money(row['credit_money_applied'])} off.")
    left = [(charge.line, row[f"line {charge.line}"]) for charge in tariff.charges if row[f"line {charge.line}"] > 0]
    if bill > 0:
        words.append("What is charged: " + ", ".join(f"{line} {_money(amount)}" for line, amount in left) + ".")
        stuck = [
            charge.line
            for charge in tariff.charges
            if row[f"line {charge.line}"] > 0
            and charge.on != "percent"
            and not (charge.on == "billed" and tariff.credit.unit == "kWh")
            and not (tariff.credit.unit == "money" and charge.offsettable)
        ]
        if net < 0 and stuck:
            words.append(f"Surplus energy cannot reduce {', '.join(stuck)}: that is why the bill is not zero.")
        if tariff.credit.unit == "money" and net < 0 and not row["money_bank_close"]:
            words.append("The credit is used up: a kWh sent out earns less than a kWh bought costs, or came too early.")
    if row["min_bill_topup"]:
        words.append(f"{_money(row['min_bill_topup'])} were added to reach the minimum bill.")
    if row["payout"]:
        words.append(f"{_money(row['payout'])} were paid out for credits.")
    if row["balance_close"]:
        words.append(f"{_money(row['balance_close'])} are carried to the next bill for the customer.")
    return " ".join(words)


def _bank(row, tariff):
    if tariff.credit.unit == "money":
        return (
            f"The money bank opened at {_money(row['money_bank_open'])}; {_money(row['credit_money_expired'])} lapsed,"
            f" {_money(row['credit_money_added'])} came in, {_money(row['credit_money_applied'])} were used,"
            f" {_money(row['credit_money_reset'])} were taken at the reset; it closes at"
            f" {_money(row['money_bank_close'])}."
        )
    if tariff.credit.unit == "none":
        return "This tariff keeps no credits."
    return (
        f"The bank opened at {_kwh(row['bank_open'])}; {_kwh(row['credit_expired'])} lapsed,"
        f" {_kwh(row['credit_added'])} came in, {_kwh(row['credit_applied'] + row['crossed_out'])} were used,"
        f" {_kwh(row['credit_reset'])} were taken at the reset; it closes at {_kwh(row['bank_close'])}."
    )


def _reset(row, tariff):
    kwh, money = row["credit_reset"], row["credit_money_reset"]
    if kwh or money:
        what = _kwh(kwh) if kwh else _money(money)
        got = f"{_money(row['payout'])} were paid for it." if row["payout"] else "Nothing was paid for it."
        return f"The credits were emptied with this bill: {what}. {got}"
    return (
        f"Nothing was taken from the credits on this bill; at a reset what is left {AT_RESET[tariff.credit.at_reset]}."
    )


def _credit(row, tariff):
    unit = tariff.credit.unit
    if unit == "none":
        return "This tariff gives no credit for surplus energy."
    if unit == "kWh":
        return (
            f"{_kwh(row['credit_added'])} of surplus went to the bank, and"
            f" {_kwh(row['credit_applied'] + row['crossed_in'])} from it were used."
        )
    later = " It can be used from the next bill on." if tariff.credit.usable == "next bill" else ""
    return (
        f"{_kwh(row['export_kwh'])} of surplus earned {_money(row['credit_money_added'])};"
        f" {_money(row['credit_money_applied'])} of credit were used.{later}"
    )


def _minimum(row, tariff):
    if tariff.minimum_bill is None:
        return "This tariff has no minimum bill."
    if not row["min_bill_topup"]:
        return f"The minimum of {_money(tariff.minimum_bill)} was reached without an addition."
    return (
        f"{_money(row['min_bill_topup'])} were added to reach the minimum of {_money(tariff.minimum_bill)}. "
        "Credits used on such a bill save nothing."
    )


def _tax(row, tariff):
    lines = [charge for charge in tariff.charges if charge.on == "percent"]
    if not lines:
        return "This tariff has no line that is a percentage."
    return " ".join(_line(row, charge, tariff) for charge in lines)


def _payout(row, tariff):
    if not row["payout"]:
        return "Nothing was paid out with this bill."
    price = tariff.credit.payout_price
    how = f" at {price} $/kWh" if price is not None and row["credit_reset"] else ""
    what = _kwh(row["credit_reset"]) if row["credit_reset"] else _money(row["credit_money_reset"])
    return f"{_money(row['payout'])} were paid out for {what}{how}."


def _saving(row, tariff):
    if "saving" not in row or row["saving"] != row["saving"]:
        return "The saving needs the energy that the array generated in each period."
    charged = f", less {_money(row['pv_charges'])} charged because of the array" if row["pv_charges"] else ""
    return (
        f"Without the array the bill would be {_money(row['bill_without_pv'])}; the saving is {_money(row['saving'])}:"
        f" {_money(row['value_of_self_consumption'])} from energy used at once and {_money(row['value_of_export'])}"
        f" from energy sent out{charged}."
    )
