"""Billing periods and a tariff in, a ledger out: what was banked, used, lost and paid on every bill.

Order of the steps inside one bill: opening bank; expiry of old credits; netting; the bucket's own bank; new credit;
credits that cross buckets; the printed lines; money credit; reset; minimum, taxes, payout; settlement of a year; carry.
A credit expires before it could be used; a reset comes after the bill of its period and takes its surplus too.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from decimal import Decimal

import numpy as np
import pandas as pd

from solarlib.bill import lines as arithmetic, usage
from solarlib.bill.credits import ZERO, Lots, cross, fill, is_reset
from solarlib.bill.tariff import Tariff, column
from solarlib.quantities import InputError, refusal, refuse_if

EMPTY = (ZERO, ZERO)  # no money credit, nothing carried [$]
TEXT_COLUMNS = ("period_start", "period_end", "days", "estimated", "tariff")


@dataclass
class _State:
    """What one bill hands to the next."""

    kwh: dict
    money: Lots
    balance: Decimal = ZERO
    bill: int = 0
    waiting: Decimal = ZERO  # since the last settlement: lines that wait for it, additions to reach the minimum [$],
    top_ups: Decimal = ZERO
    surplus_kwh: Decimal = ZERO  # and received less delivered energy


def ledger(
    periods: pd.DataFrame,
    tariff: Tariff | Sequence[Tariff],
    *,
    rated_dc_kw: float | None = None,
    rated_ac_kw: float | None = None,
    opening_kwh: float | dict[str, float] = 0,
    opening_money: tuple[Decimal, Decimal] = EMPTY,
    closing: bool = False,
) -> pd.DataFrame:
    """Bill one period after another and return every step of it.

    Parameters
    ----------
    periods : DataFrame, one row a billing period, in order and without gaps
        Columns ``period_start``, ``period_end`` (dates or local midnights of the two reads), ``delivered_kwh``,
        ``received_kwh``; optional ``generation_kwh``; with time-of-use buckets the same with ``_<bucket>``; with
        netting by day or shorter also ``import_kwh`` and ``export_kwh``. `solarlib.bill.periods` makes them.
    tariff : Tariff or sequence of Tariff
        Several rule sets carry ``valid_from`` and ``valid_to``; the one valid on the first day of a period rules
        the whole period.
    rated_dc_kw, rated_ac_kw : float, optional
        Rating of the array, for lines that charge it. [kW]
    opening_kwh : float, or dict of bucket name to float
        In the bank before the first period, as if credited on the bill before it. [kWh]
    opening_money : (credit, carried)
        Money credit before the first period, and the sum below zero that was carried to it. [$]
    closing : bool
        The account ends with the last period.

    Returns
    -------
    DataFrame, same index as `periods`
        Energies in kWh and amounts in $, as floats that are exact to the last printed digit.

    Raises
    ------
    InputError
        If a column is missing, a period does not follow the one before, a reading is impossible, the rule sets do
        not join, or there is an opening bank without rules that bank kWh.
    """
    rows = bills(periods, tariff, rated_dc_kw, rated_ac_kw, opening_kwh, opening_money, closing)
    if isinstance(tariff, Tariff):
        columns = dict(zip(rows[0], zip(*[row.values() for row in rows])))
    else:  # unlike rules have unlike lines
        names = dict.fromkeys(name for row in rows for name in row)
        columns = {name: [row.get(name) for row in rows] for name in names}
    columns = {name: values if name in TEXT_COLUMNS else np.array(values, float) for name, values in columns.items()}
    columns |= {name: periods[name].array for name in ("period_start", "period_end")}
    return pd.DataFrame(columns, index=periods.index)


def bills(periods, tariff, rated_dc_kw=None, rated_ac_kw=None, opening_kwh=0, opening_money=EMPTY, closing=False):
    """Return the ledger as a list of dictionaries with exact `Decimal` values; see `ledger`."""
    rule_sets = (tariff,) if isinstance(tariff, Tariff) else tuple(tariff)
    check_joins(rule_sets)
    rated = {"dc": rated_dc_kw, "ac": rated_ac_kw}
    rated = {key: None if value is None else Decimal(str(value)) for key, value in rated.items()}
    facts = usage.read_rows(periods, lambda first: _valid(rule_sets, first))
    state, rows, before = None, [], None
    for i, (rules, period, readings) in enumerate(facts):
        if before is None or not before.goes_on_as(rules):
            state = _open(rules, state)
        before = rules
        if i == 0:
            fill(state.kwh, opening_kwh, rules, arithmetic.kwh_step(rules))
            state.money.add(0, opening_money[0])
            state.balance = opening_money[1]
        last = i + 1 == len(facts)
        if last:
            ending = rules.credit.on_close if closing else None
        else:
            ending = None if rules.goes_on_as(facts[i + 1][0]) else rules.credit.at_end
        row = _one_bill(rules, period, state, rated, facts[0][1].first, ending)
        if last and closing and state.balance:
            row["bill"] -= state.balance  # money that was carried for the customer is paid out at the end
            row["balance_close"] = state.balance = ZERO
        rows.append(readings | row)
    return rows


def _one_bill(tariff, period, state, rated, service_start, ending):
    """Make one bill and change the state; `ending` says what happens if the rules or the account end here."""
    state.bill += 1
    kwh, period = _use_bank(tariff, period, state)
    amounts = arithmetic.lines(tariff, period, rated)
    row = {"tariff": tariff.name} | kwh | arithmetic.sums_by_kind(tariff, amounts)
    resets = is_reset(tariff.credit, period.first, period.last, service_start, state.bill)
    settles = tariff.settlement == "year" and (resets or ending is not None)
    waits = _wait(tariff, period, state, amounts)
    row |= _use_money(tariff, period, state, amounts, settles)
    action = tariff.credit.at_reset if resets or settles else None
    gone, row["credit_money_reset"], payout, converted = _reset(tariff, state, action, ending)
    for name, amount in gone.items():
        for key in {"", name}:
            row[column("credit_reset", key)] += amount
            row[column("bank_close", key)] -= amount
    due_now = {line: amount for line, amount in amounts.items() if line not in tariff.deferred}
    applied = ZERO if waits else row["credit_money_applied"]
    taxes, row["min_bill_topup"], due = arithmetic.total(tariff, due_now, applied, payout)
    if settles:
        settled = _settled(tariff, state, row)
        taxes, _, due = arithmetic.total(tariff, due_now, applied, payout, (settled, row["min_bill_topup"]))
        waits["settled"], waits["deferred_close"] = settled, ZERO
    state.top_ups = ZERO if settles else state.top_ups + row["min_bill_topup"]
    row["credit_money_added"] += converted
    row["money_bank_close"], row["payout"], row["tax"] = state.money.amount, payout, sum(taxes.values(), ZERO)
    row["balance_open"], row["balance_close"], row["bill"] = _settle(tariff.negative_bill, state, due)
    if tariff.carried_at_reset != "keep":
        row["carried_reset"] = row["balance_close"] if resets else ZERO
        state.balance = row["balance_close"] = row["balance_close"] - row["carried_reset"]
        row["bill"] -= row["carried_reset"] if tariff.carried_at_reset == "pay" else ZERO
    for line, amount in (amounts | taxes).items():
        row[f"line {line}"] = amount
    row.update(waits)
    row.update(arithmetic.block_columns(tariff, period))
    return row


def _wait(tariff, period, state, amounts):
    """Put into the year's account what waits for the settlement; return the columns in $, before one."""
    if tariff.settlement == "bill":
        return {}
    deferred = sum([amounts[line] for line in tariff.deferred], ZERO)
    state.waiting += deferred
    state.surplus_kwh -= period.counted["net", ""]
    return {"deferred": deferred, "deferred_close": state.waiting, "settled": ZERO}


def _settled(tariff, state, row):
    """Close the year's account, of which credits paid their part already; return what is left to be paid. [$]"""
    settled = max(ZERO, state.waiting) - row["credit_money_applied"]
    if tariff.minimum_counts:
        settled -= min(settled, state.top_ups + row["min_bill_topup"])
    state.waiting = state.surplus_kwh = ZERO
    return settled


_BANK = ("bank_open", "credit_added", "credit_applied", "crossed_in", "crossed_out", "credit_expired", "credit_reset",
         "bank_close", "billed_kwh")  # fmt: skip


def _use_bank(tariff, period, state):
    """Expiry, netting, the bucket's own bank, new credit, crossing.

    Returns
    -------
    (columns in kWh before a reset, the period with what is left to be billed)
    """
    counted, names = period.counted, tariff.bucket_names
    if tariff.credit.unit != "kWh":
        columns = {column(key, name): ZERO for name in tariff.every_bucket for key in _BANK}
        return columns | {column("billed_kwh", name): counted["billed", name] for name in tariff.every_bucket}, period
    banks, billed = {}, {}
    for name in names:
        lots, added, wanted = state.kwh[name], counted["export", name], counted["import", name]
        opened, expired, applied = lots.amount, lots.expire(state.bill), lots.take(wanted)
        lots.add(state.bill, added)
        billed[name] = wanted - applied
        banks[name] = {"bank_open": opened, "credit_added": added, "credit_applied": applied, "credit_expired": expired}
    into, out = _cross(tariff, period, state, billed)
    for name, bank in banks.items():
        billed[name] -= into[name]
        bank |= {"crossed_in": into[name], "crossed_out": out[name], "billed_kwh": billed[name]}
        bank |= {"bank_close": state.kwh[name].amount, "credit_reset": ZERO}
    whole = {key: sum([bank[key] for bank in banks.values()], ZERO) for key in _BANK}
    row = {column(key, name): bank[key] for name, bank in ({"": whole} | banks).items() for key in _BANK}
    left = {("billed", name): kwh for name, kwh in billed.items()} | {("billed", ""): whole["billed_kwh"]}
    return row, replace(period, counted=counted | left)


def _use_money(tariff, period, state, amounts, settles):
    """Expiry, new credit, use of credit; return the columns in $ before a reset."""
    credit, money, added = tariff.credit, state.money, ZERO
    opened, expired = money.amount, money.expire(state.bill)
    if credit.unit == "money":
        added = arithmetic.export_worth(tariff, period)
    if tariff.settlement == "bill":
        wanted = arithmetic.creditable(tariff, amounts)
    else:
        wanted = max(ZERO, state.waiting) if settles else ZERO
        added += max(ZERO, -state.waiting) if settles else ZERO  # lines below zero are a credit
    if credit.usable == "same bill":
        money.add(state.bill, added)
    available = money.amount
    applied = money.take(wanted) if available else ZERO
    if credit.usable == "next bill":
        money.add(state.bill, added)
    return {
        "money_bank_open": opened,
        "credit_money_available": available,
        "credit_money_added": added,
        "credit_money_applied": applied,
        "credit_money_expired": expired,
    }


def _cross(tariff, period, state, billed):
    rule, names = tariff.credit.cross_bucket, tariff.bucket_names
    if rule == "none":
        return dict.fromkeys(names, ZERO), dict.fromkeys(names, ZERO)
    energy = [charge for charge in tariff.charges if charge.on == "billed"]
    price = {name: arithmetic.retail_price(energy, name, period) for name in names}
    return cross(names, rule, price, state.kwh, billed, arithmetic.kwh_step(tariff))


def _reset(tariff, state, action, ending):
    """Empty the banks if a reset, the end of the rules or the end of the account asks for it.

    Returns
    -------
    (kWh removed by bucket, money credit removed, payout, money credit made out of kWh)
    """
    credit = tariff.credit
    if action == "pay if over":
        left = state.money.amount if credit.unit == "money" else sum(lots.amount for lots in state.kwh.values())
        action = "pay" if left >= credit.payout_threshold else credit.below_threshold
    if action in (None, "roll") and ending not in (None, "keep"):
        action = ending
    if action in (None, "roll"):
        return {}, ZERO, ZERO, ZERO
    gone = {name: state.kwh[name].empty() for name in tariff.bucket_names}
    money_gone, kwh_gone = state.money.empty(), sum(gone.values(), ZERO)
    payout = converted = ZERO
    if action == "pay":
        share = Decimal(1) if credit.payout_share is None else credit.payout_share
        if credit.unit == "money" and credit.payout_price is not None:  # of a year: its kWh are paid instead
            kwh_gone, share = max(ZERO, state.surplus_kwh), ZERO
        payout = arithmetic.cents(money_gone * share + kwh_gone * (credit.payout_price or ZERO))
    elif action == "convert":
        converted = arithmetic.cents(kwh_gone * credit.conversion_price)
        state.money.add(state.bill, converted)
    return gone, money_gone, payout, converted


def _settle(negative_bill, state, due):
    """Turn the sum of a bill into what was carried, is carried now for the customer, and is paid."""
    opened = state.balance
    if due < 0 and negative_bill == "floor":
        due = ZERO
    due -= opened
    state.balance = ZERO if negative_bill == "pay" else max(ZERO, -due)
    due += state.balance
    return opened, state.balance, due


def _valid(rule_sets, first):
    for rules in rule_sets:
        if rules.holds_on(first):
            return rules
    spans = "; ".join(f"{rules.name}: {rules.valid_from or '...'} to {rules.valid_to or '...'}" for rules in rule_sets)
    raise InputError(f"period starting {first}: found no rule set valid on that day, allowed are days inside {spans}")


def check_joins(rule_sets):
    """Refuse rule sets that do not follow one another, or whose credits the next one cannot take over as written."""
    for old, new in zip(rule_sets, rule_sets[1:]):
        where = f"rule sets {old.name!r} and {new.name!r}"
        refuse_if(not old.valid_to or old.valid_to != new.valid_from, "not_joined", where, old=old, new=new)
        other_buckets = new.credit.unit == "kWh" and set(old.bucket_names) != set(new.bucket_names)
        unlike = old.credit.unit != new.credit.unit or other_buckets
        if old.credit.at_end == "keep" and old.credit.unit != "none" and unlike and old.settlement == "bill":
            raise refusal("kept_credit", where)
        refuse_if(old.credit.at_end == "convert" and new.credit.unit != "money", "converted_credit", where, new=new)


def _open(tariff, old):
    """State at the start of a rule set: empty, or what the rules before handed over."""
    old, credit = old or _State({}, Lots()), tariff.credit
    rule = credit.order, credit.bills_a_credit_lives
    lots = {name: old.kwh[name].lots if name in old.kwh else () for name in tariff.bucket_names}
    kwh = {name: Lots(*rule, left) for name, left in lots.items()}
    return _State(kwh, Lots(*rule, old.money.lots), old.balance, old.bill)
