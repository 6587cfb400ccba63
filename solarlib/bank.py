"""Billing periods and a tariff in, a ledger out: what was banked, used, lost and paid on every bill.

Order of the steps inside one bill: opening bank; expiry of old credits; netting; the bucket's own bank; new credit;
credits that cross buckets; the printed lines; money credit; reset; minimum, taxes, payout; carry. A credit expires
before it could be used; a reset comes after the bill of its period and takes that period's own surplus too.
"""

from dataclasses import dataclass
from decimal import Decimal

import pandas as pd

from solarlib import bill as arithmetic
from solarlib.bill import ZERO, cents
from solarlib.credits import Lots, cross, is_reset
from solarlib.quantities import InputError
from solarlib.tariff import Tariff
from solarlib.usage import read_rows, without_pv

TEXT_COLUMNS = ("period_start", "period_end", "days", "estimated", "tariff")


@dataclass
class _State:
    """What one bill hands to the next."""

    kwh: dict
    money: Lots
    balance: Decimal = ZERO
    bill: int = 0


def ledger(periods, tariff, *, rated_dc_kw=None, rated_ac_kw=None, closing=False, compare=True):
    """Bill one period after another and return every step of it.

    Parameters
    ----------
    periods : DataFrame, one row a billing period, in order and without gaps
        Columns ``period_start``, ``period_end`` (dates or local midnights of the two reads), ``delivered_kwh``,
        ``received_kwh``; optional ``generation_kwh``; with time-of-use buckets the same with ``_<bucket>``; with
        netting by day or shorter also ``import_kwh`` and ``export_kwh``. `solarlib.periods` makes them.
    tariff : Tariff or sequence of Tariff
        Several rule sets carry ``valid_from`` and ``valid_to``; the one valid on the first day of a period rules
        the whole period.
    rated_dc_kw, rated_ac_kw : float, optional
        Rating of the array, for lines that charge it. [kW]
    closing : bool
        The account ends with the last period.
    compare : bool
        Also compute the bills without the array, where ``generation_kwh`` is given.

    Returns
    -------
    DataFrame, same index as `periods`
        Energies in kWh and amounts in $, as floats that are exact to the last printed digit.

    Raises
    ------
    InputError
        If a column is missing, a period does not follow the one before, a reading is impossible, or the rule sets
        do not join.
    """
    rows = bills(periods, tariff, rated_dc_kw=rated_dc_kw, rated_ac_kw=rated_ac_kw, closing=closing, compare=compare)
    table = pd.DataFrame(rows, index=periods.index)
    return table.astype({name: float for name in table.columns if name not in TEXT_COLUMNS})


def bills(periods, tariff, *, rated_dc_kw=None, rated_ac_kw=None, closing=False, compare=True):
    """Return the ledger as a list of dictionaries with exact `Decimal` values; see `ledger`."""
    rule_sets = (tariff,) if isinstance(tariff, Tariff) else tuple(tariff)
    _check_joins(rule_sets)
    rated = {
        key: None if value is None else Decimal(str(value)) for key, value in (("dc", rated_dc_kw), ("ac", rated_ac_kw))
    }
    facts = list(read_rows(periods, lambda first: _valid(rule_sets, first)))
    state, rows, before = None, [], None
    for i, (rules, period, readings) in enumerate(facts):
        if rules is not before:
            state, before = _open(rules, state), rules
        last = i + 1 == len(facts)
        if last:
            ending = rules.credit.on_close if closing else None
        else:
            ending = rules.credit.at_end if facts[i + 1][0] is not rules else None
        row = _one_bill(rules, period, state, rated, facts[0][1].first, ending)
        if last and closing and state.balance:
            row["bill"] -= state.balance  # money that was carried for the customer is paid out at the end
            row["balance_close"] = state.balance = ZERO
        rows.append(readings | row | (_compare(rules, period, row, rated) if compare else {}))
    return rows


def _one_bill(tariff, period, state, rated, service_start, ending):
    """Make one bill and change the state; `ending` says what happens if the rules or the account end here."""
    credit, names = tariff.credit, tariff.bucket_names
    banks = credit.unit == "kWh"
    state.bill += 1
    opened = {name: state.kwh[name].amount for name in names}
    expired = {name: state.kwh[name].expire(state.bill) for name in names}
    bought = {name: period.kwh["import", name] for name in names}
    applied = {name: state.kwh[name].take(bought[name]) for name in names}
    billed = {name: bought[name] - applied[name] for name in names}
    added = {name: period.kwh["export", name] if banks else ZERO for name in names}
    for name in names:
        state.kwh[name].add(state.bill, added[name])
    crossed_in, crossed_out = _cross(tariff, period, state, billed)
    billed = {name: billed[name] - crossed_in[name] for name in names}
    period.kwh.update({("billed", name): billed[name] for name in names})
    period.kwh["billed", ""] = sum(billed.values(), ZERO)

    amounts = arithmetic.lines(tariff, period, rated)
    money, new_money = state.money, ZERO
    money_opened, money_expired = money.amount, money.expire(state.bill)
    if credit.unit == "money":
        new_money = arithmetic.export_worth(tariff, period)
    if credit.usable == "same bill":
        money.add(state.bill, new_money)
    money_available = money.amount
    money_applied = money.take(arithmetic.creditable(tariff, amounts))
    if credit.usable == "next bill":
        money.add(state.bill, new_money)

    gone, money_gone, payout, converted = _reset(tariff, period, state, service_start, ending)
    taxes, top_up, due = arithmetic.total(tariff, amounts, money_applied, payout)
    row = {"tariff": tariff.name}
    row |= _by_bucket(names, {
        "bank_open": opened, "credit_added": added, "credit_applied": applied, "crossed_in": crossed_in,
        "crossed_out": crossed_out, "credit_expired": expired, "credit_reset": gone,
        "bank_close": {name: state.kwh[name].amount for name in names}, "billed_kwh": billed,
    })
    row |= arithmetic.sums_by_kind(tariff, amounts)
    row |= {
        "min_bill_topup": top_up, "money_bank_open": money_opened, "credit_money_available": money_available,
        "credit_money_added": new_money + converted, "credit_money_applied": money_applied,
        "credit_money_expired": money_expired, "credit_money_reset": money_gone, "money_bank_close": money.amount,
        "payout": payout, "tax": sum(taxes.values(), ZERO),
    }
    row |= _settle(tariff.negative_bill, state, due)
    row |= {f"line {line}": value for line, value in (amounts | taxes).items()}
    return row | arithmetic.block_columns(tariff, period)


def _cross(tariff, period, state, billed):
    rule = tariff.credit.cross_bucket
    energy = [charge for charge in tariff.charges if charge.on == "billed"]
    price = {} if rule == "none" else {
        name: arithmetic.retail_price(energy, name, period) for name in tariff.bucket_names
    }
    return cross(tariff.bucket_names, rule, price, state.kwh, billed, arithmetic.kwh_step(tariff))


def _reset(tariff, period, state, service_start, ending):
    """Empty the banks if a reset, the end of the rules or the end of the account asks for it.

    Returns
    -------
    (kWh removed by bucket, money credit removed, payout, money credit made out of kWh)
    """
    credit = tariff.credit
    action = None
    if is_reset(credit, period.first, period.last, service_start, state.bill):
        action = credit.at_reset
        if action == "pay if over":
            left = state.money.amount if credit.unit == "money" else sum((lots.amount for lots in state.kwh.values()), ZERO)
            action = "pay" if left >= credit.payout_threshold else credit.below_threshold
    if action in (None, "roll") and ending not in (None, "keep"):
        action = ending
    if action in (None, "roll"):
        return dict.fromkeys(tariff.bucket_names, ZERO), ZERO, ZERO, ZERO
    gone = {name: state.kwh[name].empty() for name in tariff.bucket_names}
    money_gone, kwh_gone = state.money.empty(), sum(gone.values(), ZERO)
    payout = converted = ZERO
    if action == "pay":
        share = Decimal(1) if credit.payout_share is None else credit.payout_share
        payout = cents(money_gone * share + kwh_gone * (credit.payout_price or ZERO))
    elif action == "convert":
        converted = cents(kwh_gone * credit.conversion_price)
        state.money.add(state.bill, converted)
    return gone, money_gone, payout, converted


def _settle(negative_bill, state, due):
    """Turn the sum of a bill into what is paid now and what is carried for the customer."""
    opened = state.balance
    if due < 0 and negative_bill == "floor":
        due = ZERO
    due -= opened
    state.balance = ZERO if negative_bill == "pay" else max(ZERO, -due)
    due += state.balance
    return {"balance_open": opened, "balance_close": state.balance, "bill": due}


def _compare(tariff, period, row, rated):
    """Bills of the same house without the array, and what the two uses of its energy saved.

    saving = value_of_self_consumption + value_of_export - pv_charges, to the cent: from no array, to an array
    whose exports earn nothing, to the array as billed; ``pv_charges`` are lines that exist because of the array.
    """
    plain = without_pv(tariff, period)
    if plain is None:
        return {}
    none, kept = (
        arithmetic.total(tariff, arithmetic.lines(tariff, facts, rated))[2] for facts in plain[:2]
    )
    charged = arithmetic.total(tariff, arithmetic.lines(tariff, plain[2], rated))[2]
    return {
        "bill_without_pv": none, "saving": none - row["bill"], "value_of_self_consumption": none - kept,
        "pv_charges": charged - kept, "value_of_export": charged - row["bill"],
    }


def _by_bucket(names, columns):
    """Totals, and with time-of-use buckets one column a bucket."""
    flat = {}
    for key, values in columns.items():
        flat[key] = sum(values.values(), ZERO)
        flat |= {f"{key}_{name}": value for name, value in values.items() if name}
    return flat


def _valid(rule_sets, first):
    for rules in rule_sets:
        if (rules.valid_from is None or rules.valid_from <= first) and (rules.valid_to is None or first < rules.valid_to):
            return rules
    spans = "; ".join(f"{rules.name}: {rules.valid_from or '...'} to {rules.valid_to or '...'}" for rules in rule_sets)
    raise InputError(f"period starting {first}: found no rule set valid on that day, allowed are days inside {spans}")


def _check_joins(rule_sets):
    for old, new in zip(rule_sets, rule_sets[1:]):
        where = f"rule sets {old.name!r} and {new.name!r}"
        if old.valid_to is None or old.valid_to != new.valid_from:
            raise InputError(f"{where}: found valid_to {old.valid_to} and valid_from {new.valid_from}, allowed is the same day")
        if old.credit.at_end == "keep" and old.credit.unit != "none":
            if old.credit.unit != new.credit.unit or (new.credit.unit == "kWh" and set(old.bucket_names) != set(new.bucket_names)):
                raise InputError(
                    f"{where}: found credit.at_end = 'keep' although unit or buckets differ, "
                    "allowed is convert (kWh to money), pay or forfeit"
                )
        if old.credit.at_end == "convert" and new.credit.unit != "money":
            raise InputError(f"{where}: found credit.at_end = 'convert' before unit = {new.credit.unit!r}, allowed is unit = 'money'")


def _open(tariff, old):
    """State at the start of a rule set: empty, or what the rules before handed over."""
    credit = tariff.credit
    if old is None:
        return _State({name: _lots(credit) for name in tariff.bucket_names}, _lots(credit))
    kwh = {name: _lots(credit, old.kwh[name].lots if name in old.kwh else ()) for name in tariff.bucket_names}
    return _State(kwh, _lots(credit, old.money.lots), old.balance, old.bill)


def _lots(credit, lots=()):
    store = Lots(credit.order, credit.bills_a_credit_lives)
    store.lots = [list(lot) for lot in lots]
    return store
