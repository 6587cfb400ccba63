"""Lines and credits of a year that are settled together, and a carried sum that ends."""

from datetime import date
from decimal import Decimal

import pandas as pd
import pytest
from hypothesis import HealthCheck, assume, given, settings, strategies as st
from without_array import unpaid, without_array

from profiles import examples
from rule_space import assert_invariants, settled_tables, usages
from solarlib.bill.accounts import bills
from solarlib.bill.tariff_file import read_tariff
from solarlib.quantities import InputError

LINES = [
    {"line": "basic", "on": "month", "price": 10},
    {"line": "energy", "on": "import", "price": 0.2},
    {"line": "fund", "on": "import", "price": 0.01, "offset": False},
]
FREE = {"line": "free", "on": "delivered", "price": 0}
CREDIT = {"unit": "money", "netting": "none", "export_price": 0.1, "reset_month": 3, "at_reset": "forfeit"}


def yearly(credit=(), charge=LINES, **more):
    meant = [*(line["line"] for line in charge), "credit.export_price"]
    table = {"name": "year", "settlement": "year", "negative_bill": "pay", "charge": charge, "meant": meant}
    return read_tariff(table | {"credit": CREDIT | dict(credit)} | more)


def months(delivered, received, first="2025-01-01"):
    edges = pd.date_range(first, periods=len(delivered) + 1, freq="MS").date
    spans = {"period_start": edges[:-1], "period_end": edges[1:]}
    return pd.DataFrame(spans | {"delivered_kwh": delivered, "received_kwh": received, "generation_kwh": 2000})


def column(rows, name):
    return [float(row[name]) for row in rows]


# January to April: energy 60, 40, 20, 30 $; credits 10, 30, 40, 5 $; the fund 3, 2, 1, 1.50 $
USAGE = months([300, 200, 100, 150], [100, 300, 400, 50])
# in March 1400 kWh sent: credits 180 $ against 120 $, and 1800 - 600 = 1200 kWh over
SUNNY = months([300, 200, 100, 150], [100, 300, 1400, 50])


def test_energy_and_credits_of_a_year_are_billed_with_the_bill_of_the_reset():
    """120 $ of energy less 80 $ of credits: 40 $ in March; the rest, 10 $ and the fund, each month."""
    rows = bills(USAGE, yearly())
    assert column(rows, "bill") == [13, 12, 11 + 40, 11.5]
    assert column(rows, "deferred") == [60, 40, 20, 30] and column(rows, "deferred_close") == [60, 100, 0, 30]
    assert column(rows, "settled") == [0, 0, 40, 0]
    assert column(rows, "money_bank_close") == [10, 40, 0, 5]
    assert column(rows, "credit_money_applied") == [0, 0, 80, 0] and column(rows, "line energy") == [60, 40, 20, 30]


def test_a_credit_of_the_year_reaches_back_and_forward():
    """The same sums in another order of months: the same year."""
    for order in ([2, 1, 0], [1, 2, 0]):
        delivered, received = ([column[i] for i in order] for column in ([300, 200, 100], [100, 300, 400]))
        assert sum(column(bills(months(delivered, received), yearly()), "bill")) == 76


@pytest.mark.parametrize(
    ("credit", "payout", "lost"),
    [
        ({}, 0, 60),
        ({"at_reset": "donate"}, 0, 60),
        ({"at_reset": "pay"}, 60, 60),
        ({"at_reset": "pay", "payout_share": 0.5}, 30, 60),
        ({"at_reset": "pay if over", "payout_threshold": 60, "below_threshold": "forfeit"}, 60, 60),
        ({"at_reset": "pay if over", "payout_threshold": 60.01, "below_threshold": "forfeit"}, 0, 60),
        ({"at_reset": "pay", "payout_price": 0.03}, 36, 60),
    ],
)
def test_a_surplus_of_the_year_is_lost_or_paid_in_money_or_for_its_kwh(credit, payout, lost):
    rows = bills(SUNNY, yearly(credit))
    assert column(rows, "bill") == [13, 12, 11 - payout, 11.5]
    assert (rows[2]["payout"], rows[2]["credit_money_reset"], rows[2]["settled"]) == (payout, lost, 0)


def test_the_kwh_of_a_year_are_paid_only_where_money_and_kwh_are_over():
    """Credits 18 x 0.1 above energy, but 600 in and 500 out: no kWh to pay."""
    usage = months([300, 200, 100], [100, 300, 100])
    rows = bills(usage, yearly({"at_reset": "pay", "payout_price": 0.03, "export_price": 1}))
    assert (rows[2]["credit_money_reset"], rows[2]["payout"]) == (380, 0)


@pytest.mark.parametrize(("counts", "settled"), [(False, 40), (True, 31)])
def test_additions_to_reach_the_minimum_may_lower_what_is_settled(counts, settled):
    """Minimum 15 $: additions of 2, 3, 4 $, with that of the settlement's own bill; then 3.50 $ for the next year."""
    rows = bills(USAGE, yearly(minimum_bill=15, minimum_counts=counts))
    assert column(rows, "min_bill_topup") == [2, 3, 4, 3.5]
    assert column(rows, "bill") == [15, 15, 15 + settled, 15]


def test_additions_never_turn_what_is_settled_below_zero():
    rows = bills(USAGE, yearly(minimum_bill=60, minimum_counts=True))
    assert column(rows, "settled") == [0, 0, 0, 0] and column(rows, "bill") == [60, 60, 60, 60]


@pytest.mark.parametrize(
    ("stage", "bill"), [("before tax", 15 * 1.1 + 44), ("after tax", 15 + 44), ("after payout", 59)]
)
def test_what_is_settled_is_taxed_as_a_line_of_its_bill(stage, bill):
    """Tax 10 %: of 40 $ 4 $. March: 11 $ and its tax reach 15 $ by an addition before or after the tax."""
    tax = {"line": "tax", "on": "percent", "price": 10}
    rows = bills(USAGE, yearly(charge=[*LINES, tax], minimum_bill=15, minimum_stage=stage))
    assert float(rows[2]["bill"]) == pytest.approx(bill) and rows[3]["bill"] == Decimal(
        "16.5" if "before" in stage else 15
    )


def test_without_an_array_the_year_to_the_settlement_costs_all_that_is_used():
    """January to March: 10 $ each and 21 ct for 300 + 200 + 100 kWh, without the array 5200 kWh more."""
    none, kept = (sum(column(bills(table, yearly())[:3], "bill")) for table in (without_array(USAGE), unpaid(USAGE)))
    assert none == 30 + 0.21 * 5800 and kept == 30 + 0.21 * 600


def test_lines_below_zero_are_a_credit_of_the_year():
    """A price of -0.30 $ in March: 60 + 40 - 30 $ of energy; with -3 $ the year is 200 $ below zero."""
    for price, settled, paid in ((-0.3, 0, 10), (-3, 0, 280)):
        more = {"line": "rebate", "on": "import", "price": price, "months": [3]}
        lines = [LINES[0], LINES[1] | {"months": [1, 2]}, more, FREE]
        rows = bills(USAGE, yearly({"at_reset": "pay"}, lines))
        assert (rows[2]["settled"], rows[2]["payout"]) == (settled, paid)


def test_the_year_is_settled_when_the_account_closes_or_other_rules_follow():
    """February: 100 $ of energy less 40 $."""
    two = USAGE.iloc[:2]
    assert column(bills(two, yearly(), closing=True), "bill") == [13, 12 + 60]
    old = yearly(valid_to="2025-03-01")
    lines = [LINES[0], FREE]
    new = read_tariff({"name": "new", "charge": lines, "credit": {"unit": "none"}, "valid_from": "2025-03-01"})
    assert column(bills(USAGE, [old, new]), "bill") == [13, 72, 10, 10]


def test_credits_that_older_rules_kept_come_into_the_account():
    """January by bills: credits of 100 $, 60 $ used; the 40 $ left lower what is settled in March, 60 - 70 - 40."""
    credit = CREDIT | {"export_price": 1}
    old = {"name": "old", "charge": LINES, "credit": credit, "valid_to": "2025-02-01"}
    old = read_tariff(old | {"meant": ["credit.export_price", "credit.at_reset"]})
    rows = bills(USAGE, [old, yearly({"at_reset": "pay"}, valid_from="2025-02-01")])
    assert (rows[0]["money_bank_close"], rows[2]["settled"], rows[2]["payout"]) == (40, 0, 50)


@pytest.mark.parametrize(
    ("keys", "words"),
    [
        ({"credit": {"unit": "kWh", "reset_month": 3, "at_reset": "forfeit"}}, "settlement: found 'year' with another"),
        ({"credit": {"unit": "money", "export_price": 1}}, "settlement: found 'year' without a yearly reset"),
        ({"credit": CREDIT | {"at_reset": "roll"}}, "at_reset: found 'roll' with settlement = 'year'"),
        ({"credit": CREDIT | {"at_reset": "pay if over", "payout_threshold": 1}}, "below_threshold: found 'roll' with"),
        ({"credit": CREDIT | {"usable": "next bill"}}, "usable: found 'next bill' with settlement"),
        ({"credit": CREDIT | {"life_bills": 12}}, "life_bills: found 12 with settlement"),
        ({"credit": CREDIT | {"on_close": "transfer"}}, "on_close: found 'transfer' with settlement"),
        ({"credit": CREDIT | {"at_reset": "pay", "payout_price": 0}}, "payout_price: found 0 with settlement"),
        ({"credit": CREDIT | {"payout_price": 0.1}}, "payout_share with unit = 'money'"),
        ({"credit": CREDIT | {"at_reset": "pay", "payout_price": 1, "payout_share": 1}}, "payout_share: found 1"),
        ({"minimum_bill": 5, "minimum_of": ["energy"]}, "minimum_of: found energy with settlement = 'year'"),
        ({"charge": [*LINES, {"line": "t", "on": "percent", "price": 1, "of": ["energy"], "after_credit": False}]},
         "of of 't': found energy with settlement = 'year', allowed is lines that are billed each time"),
        ({"settlement": "bill", "minimum_counts": True}, "minimum_counts only with settlement = 'year'"),
        ({"settlement": "bill", "carried_at_reset": "pay"}, "carried_at_reset only with negative_bill = 'carry'"),
    ],
)  # fmt: skip
def test_rules_that_a_settlement_over_a_year_has_no_use_for_are_refused(keys, words):
    with pytest.raises(InputError, match=words):
        read_tariff(
            {"name": "x", "charge": LINES, "credit": CREDIT, "settlement": "year", "negative_bill": "pay"} | keys
        )


# ---------------------------------------------------------------- a carried sum


SOLD = [{"line": "basic", "on": "month", "price": 10}, {"line": "sold", "on": "received", "price": -0.1}, FREE]


@pytest.mark.parametrize(
    ("rule", "due", "carried", "reset"),
    [
        ("keep", [0, 0, 0, 0], [0, 20, 50, 45], [0, 0, 0, 0]),
        ("forfeit", [0, 0, 0, 5], [0, 20, 0, 0], [0, 0, 50, 0]),
        ("pay", [0, 0, -50, 5], [0, 20, 0, 0], [0, 0, 50, 0]),
    ],
)
def test_a_carried_sum_is_kept_lost_or_paid_at_the_reset(rule, due, carried, reset):
    """Bills of 0, -20, -30 and 5 $ before what was carried."""
    when = {} if rule == "keep" else {"reset_month": 3}
    table = {"name": "sold", "charge": SOLD, "credit": {"unit": "none"} | when, "carried_at_reset": rule}
    rows = bills(USAGE, read_tariff(table))
    assert column(rows, "bill") == due and column(rows, "balance_close") == carried
    assert [float(row.get("carried_reset", 0)) for row in rows] == reset


def test_a_sum_carried_beside_credits_ends_with_their_reset():
    """kWh credits are emptied in March, and with them the 20 $ and 30 $ that were carried."""
    credit = {"unit": "kWh", "netting": "none", "reset_date": "03-31", "at_reset": "forfeit"}
    lines = [*SOLD, {"line": "energy", "on": "billed", "price": 0}]
    rows = bills(USAGE, read_tariff({"name": "b", "charge": lines, "credit": credit, "carried_at_reset": "forfeit"}))
    assert (rows[2]["carried_reset"], rows[2]["bank_close"], rows[3]["balance_open"]) == (50, 0, 0)


@pytest.mark.parametrize(
    ("keys", "words"),
    [
        ({}, "carried_at_reset: found 'pay', allowed is a reset rule in .credit. that says when"),
        ({"credit": {"unit": "none", "reset_month": 3, "at_reset": "pay"}}, "credit.at_reset: found unit = 'none'"),
        ({"credit": {"unit": "none", "reset_month": 3}, "carried_at_reset": "keep"}, "reset_month only with a credit"),
    ],
)
def test_a_carried_sum_needs_a_time_of_reset(keys, words):
    with pytest.raises(InputError, match=words):
        read_tariff({"name": "x", "charge": SOLD, "carried_at_reset": "pay"} | keys)


def test_the_first_day_of_a_reset_is_counted_with_the_bill_that_holds_it():
    table = {"name": "s", "charge": SOLD, "credit": {"unit": "none", "reset_anniversary": date(2020, 3, 1)}}
    rows = bills(USAGE, read_tariff(table | {"carried_at_reset": "forfeit"}))
    assert column(rows, "carried_reset") == [0, 20, 0, 0] and column(rows, "balance_close") == [0, 0, 30, 25]


# ---------------------------------------------------------------- random rules


@given(settled_tables(), st.data())
@settings(
    deadline=None, max_examples=examples(200), suppress_health_check=[HealthCheck.too_slow, HealthCheck.filter_too_much]
)
def test_what_is_billed_is_all_lines_less_credits_and_what_was_lost_of_them(table, data):
    """And all that must hold for any rules: see `assert_invariants`."""
    try:
        tariff = read_tariff(table)
    except InputError:
        assume(False)
    rows = bills(data.draw(usages(tariff.bucket_names)), tariff, rated_dc_kw=4.48, closing=True)
    assert_invariants(rows, tariff, True)
    if tariff.settlement == "bill" or tariff.negative_bill != "pay" or tariff.round_stage == "total":
        return
    billed = sum(row["bill"] for row in rows)
    lines = sum(row[f"line {charge.line}"] for row in rows for charge in tariff.charges)
    paid, lost, added = (sum(row[name] for row in rows) for name in ("payout", "credit_money_reset", "min_bill_topup"))
    years, waiting = [], Decimal(0)  # of each year: its deferred lines
    for row in rows:
        waiting += row["deferred"]
        if row["deferred_close"] == 0:
            years, waiting = [*years, waiting], Decimal(0)
    rebates = sum(max(Decimal(0), -year) for year in years)
    credits_ = sum(row["credit_money_added"] for row in rows) - rebates
    whole = lines + added - credits_ + lost - paid
    lowered = whole - billed  # by what the minimum had added
    assert 0 <= lowered <= (added if tariff.minimum_counts else 0)
