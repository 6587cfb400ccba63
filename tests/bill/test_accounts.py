"""The bank and its bills over the whole rule space: invariants, resets, lives of credits, joins, closing."""

from dataclasses import replace
from datetime import date
from decimal import Decimal

import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, event, given, settings, strategies as st
from without_array import without_array

from profiles import examples
from rule_space import assert_invariants, tariff_tables, total_cost, usages
from solarlib.bill.accounts import bills, ledger
from solarlib.bill.tariff_file import read_tariff
from solarlib.quantities import InputError

MANY = settings(
    deadline=None,
    max_examples=examples(2600),
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.filter_too_much],
)
SOME = settings(deadline=None, max_examples=examples(150), suppress_health_check=[HealthCheck.too_slow])
FLAT = [{"line": "basic", "on": "month", "price": 10}, {"line": "energy", "on": "billed", "price": 0.15}]


def flat(credit, charges=FLAT, **more):
    return read_tariff({"name": "flat", "kwh_decimals": 0, "charge": charges, "credit": credit, **more})


def months(delivered, received, first="2025-01-01", generation=None):
    edges = pd.date_range(first, periods=len(delivered) + 1, freq="MS").date
    table = {"period_start": edges[:-1], "period_end": edges[1:], "delivered_kwh": delivered, "received_kwh": received}
    return pd.DataFrame(table if generation is None else table | {"generation_kwh": generation})


def column(rows, name):
    return [row[name] for row in rows]


@given(tariff_tables(), st.data())
@MANY
def test_every_rule_combination_computes_with_all_invariants_or_is_refused_with_a_reason(table, data):
    try:
        tariff = read_tariff(table)
    except InputError as refusal:
        event("refused")
        assert "\n" not in str(refusal) and "allowed is" in str(refusal)
        return
    event("computed")
    periods, closing = data.draw(usages(tariff.bucket_names)), data.draw(st.booleans())
    amounts = st.sampled_from([0, 0, 1, 40, 1500])
    opening = {name: data.draw(amounts) for name in tariff.bucket_names} if tariff.credit.unit == "kWh" else 0
    rows = bills(periods, tariff, rated_dc_kw=4.48, opening_kwh=opening, closing=closing)
    assert_invariants(rows, tariff, closing)
    for name in tariff.bucket_names if opening else ():
        end = f"_{name}" if name else ""
        assert rows[0][f"bank_open{end}"] == opening[name]


def _more(periods, what, name, i):
    """One kWh more in a register, and in the netted flow that it feeds."""
    end, flow = f"_{name}" if name else "", {"delivered": "import", "received": "export"}[what]
    more = periods.copy()
    names = [f"{what}_kwh{end}", f"{flow}_kwh{end}"]
    if what == "received":  # it was generated too, so house use stays as it was
        names += ["generation_kwh"] + ([f"generation_kwh{end}"] if end else [])
    for column in names:
        more.loc[i, column] += 1
    return more


@given(tariff_tables(), st.data())
@settings(
    deadline=None, max_examples=examples(500), suppress_health_check=[HealthCheck.too_slow, HealthCheck.filter_too_much]
)
def test_a_kwh_more_sent_out_never_costs_and_a_kwh_more_drawn_never_pays(table, data):
    """For all rules but the two tested below, which jump: an election by size, and crossing of buckets by value.

    Crossing by value spends many kWh of a bucket that is cheap today for one of another, in whole kWh and at today's
    prices; one more kWh can set that off although the credits would have been worth more later, or paid out.
    """
    try:
        tariff = read_tariff(table)
    except InputError:
        return
    election = tariff.credit.at_reset == "pay if over" and tariff.credit.below_threshold == "roll"
    if election or tariff.credit.cross_bucket == "by value":
        return
    periods = data.draw(usages(tariff.bucket_names))
    what, i = data.draw(st.sampled_from(["delivered", "received"])), data.draw(st.integers(0, len(periods) - 1))
    name = data.draw(st.sampled_from(tariff.bucket_names))
    before, after = (
        total_cost(bills(table, tariff, rated_dc_kw=4.48, closing=True))
        for table in (periods, _more(periods, what, name, i))
    )
    assert after <= before if what == "received" else after >= before


def test_an_election_that_cashes_a_large_bank_can_make_a_kwh_more_sent_out_costly():
    """An exception to the rule above: 599 kWh roll on and are used at 0.15, 600 kWh are cashed at 0.04."""
    rules = flat(
        {"unit": "kWh", "reset_month": 3, "at_reset": "pay if over", "payout_threshold": 600, "payout_price": 0.04},
        negative_bill="pay",
    )
    small, large = (total_cost(bills(months([0, 700], [sent, 0], first="2025-03-01"), rules)) for sent in (599, 600))
    assert (small, large) == (Decimal("35.15"), Decimal("101.00"))


def test_crossing_by_value_in_whole_kwh_jumps_where_the_payout_is_dearer_than_energy():
    """Another exception: two off-peak kWh buy nothing and are paid 1.00; three buy one on-peak kWh worth 0.30."""
    table = {
        "name": "two buckets",
        "kwh_decimals": 0,
        "negative_bill": "pay",
        "meant": ["credit.payout_price"],
        "bucket": [{"name": "on", "hours": [[9, 21]]}, {"name": "off"}],
        "charge": [
            {"line": "on", "on": "billed", "bucket": "on", "price": 0.30},
            {"line": "off", "on": "billed", "bucket": "off", "price": 0.10},
        ],
        "credit": {
            "unit": "kWh",
            "netting": "bucket",
            "cross_bucket": "by value",
            "reset_bills": 1,
            "at_reset": "pay",
            "payout_price": 0.5,
        },
    }
    usage = (
        months([1], [0]).assign(delivered_kwh_on=1, received_kwh_on=0, delivered_kwh_off=0).drop(columns="received_kwh")
    )
    rows = [bills(usage.assign(received_kwh_off=sent), read_tariff(table))[0] for sent in (2, 3)]
    assert column(rows, "crossed_out") == [0, 3] and column(rows, "crossed_in") == [0, 1]
    assert column(rows, "bill") == [Decimal("-0.70"), 0]


def test_a_credit_does_not_raise_its_own_tax_through_the_minimum_bill():
    """Tax before credit is on max(lines, minimum), whatever part of it a credit pays."""
    charges = [
        FLAT[0] | {"price": 0},
        FLAT[1] | {"on": "import"},
        {"line": "tax", "on": "percent", "price": 7, "after_credit": False},
    ]
    for sent, bill in ((0, "19.26"), (50, "17.76"), (400, "16.26")):
        credit = {"unit": "money", "netting": "none", "export_price": 0.03}
        (row,) = bills(months([120], [sent]), flat(credit, charges, minimum_bill=15))
        assert (row["tax"], row["bill"]) == (Decimal("1.26"), Decimal(bill))


def test_a_rule_that_looks_generous_can_raise_the_bill():
    """On-peak credit that crosses into a bill which the minimum sets anyway is wasted, and missed at the payout."""
    table = {
        "name": "two buckets",
        "kwh_decimals": 0,
        "minimum_bill": 14,
        "negative_bill": "pay",
        "bucket": [{"name": "on", "hours": [[9, 21]]}, {"name": "off"}],
        "charge": [
            {"line": "on", "on": "billed", "bucket": "on", "price": 0.28},
            {"line": "off", "on": "billed", "bucket": "off", "price": 0.095},
        ],
        "credit": {"unit": "kWh", "netting": "bucket", "reset_bills": 1, "at_reset": "pay", "payout_price": 0.038},
    }
    usage = months([0], [0]).assign(
        delivered_kwh_on=0,
        received_kwh_on=90,
        delivered_kwh_off=50,
        received_kwh_off=0,
        delivered_kwh=50,
        received_kwh=90,
    )
    costs = []
    for rule in ("none", "high to low"):
        table["credit"]["cross_bucket"] = rule
        costs.append(bills(usage, read_tariff(table))[0]["bill"])
    assert costs == [Decimal("10.58"), Decimal("12.48")]


@given(usages(most=12), st.integers(1, 40))
@SOME
def test_a_kwh_bank_and_a_money_bank_agree_when_export_earns_the_retail_price(periods, price):
    """Retail and export price in whole cents, no reset, fixed charge not offset: the same bill every time."""
    charges = [FLAT[0], {"line": "energy", "on": "billed", "price": price / 100}]
    kwh = bills(periods, flat({"unit": "kWh"}, charges))
    money = bills(periods, flat({"unit": "money", "export_price": price / 100}, charges))
    assert column(kwh, "bill") == column(money, "bill")


@given(usages(most=12), st.integers(1, 40))
@SOME
def test_a_flat_saving_is_self_consumption_plus_credit_used_plus_payout(periods, price):
    rules = flat(
        {"unit": "money", "netting": "none", "export_price": 0.05, "reset_bills": 5, "at_reset": "pay"},
        [FLAT[0], {"line": "energy", "on": "import", "price": price / 100}],
        negative_bill="pay",
        meant=["credit.export_price"],
    )
    for row, none in zip(bills(periods, rules), bills(without_array(periods), rules)):
        earned = row["self_consumed_kwh"] * price / 100 + row["credit_money_applied"] + row["payout"]
        assert none["bill"] - row["bill"] == earned


@pytest.mark.parametrize("life, counts, lapsed", [(12, False, 13), (12, True, 12), (1, False, 2)])
def test_a_credit_of_bill_k_is_written_off_while_the_bill_after_its_life_is_made(life, counts, lapsed):
    """Issued on bill 1; life 12: usable on bills 2 to 13, gone on bill 14 (index 13)."""
    rules = flat({"unit": "kWh", "life_bills": life, "issuing_bill_counts": counts})
    rows = bills(months([0] * 16, [50] + [0] * 15), rules)
    assert [i for i, row in enumerate(rows) if row["credit_expired"]] == [lapsed]
    used = bills(months([0] * lapsed + [80], [50] + [0] * lapsed), rules)[-1]
    just_in_time = bills(months([0] * (lapsed - 1) + [80], [50] + [0] * (lapsed - 1)), rules)[-1]
    assert (used["credit_applied"], just_in_time["credit_applied"]) == (0, 50)


@pytest.mark.parametrize(
    "credit", [{}, {"life_bills": 3}, {"life_bills": 2, "order": "lifo"}, {"reset_month": 4, "at_reset": "forfeit"}]
)
def test_an_opening_bank_is_the_surplus_of_a_bill_before_the_first(credit):
    rules = flat({"unit": "kWh", **credit})
    delivered, received = [90, 0, 20, 300, 0, 10], [0, 80, 0, 0, 40, 0]
    whole = bills(months([0, *delivered], [150, *received], "2024-12-01"), rules)[1:]
    opened = bills(months(delivered, received), rules, opening_kwh=150)
    assert opened == whole and opened[0]["bank_open"] == 150


def test_an_opening_bank_is_filled_by_bucket_and_rounded_as_the_bill_is():
    table = {
        "name": "two",
        "kwh_decimals": 0,
        "charge": [{"line": "energy", "on": "billed", "price": 0.1}],
        "credit": {"unit": "kWh", "netting": "bucket"},
        "bucket": [{"name": "on", "hours": [[16, 21]]}, {"name": "off"}],
    }
    rules = read_tariff(table)
    usage = pd.DataFrame(
        {
            "period_start": [date(2025, 1, 1)],
            "period_end": [date(2025, 2, 1)],
            "delivered_kwh_on": [30],
            "received_kwh_on": [0],
            "delivered_kwh_off": [50],
            "received_kwh_off": [0],
        }
    )
    row = bills(usage, rules, opening_kwh={"off": 20.5})[0]
    assert [row[key] for key in ("bank_open_on", "bank_open_off", "bank_open", "billed_kwh")] == [0, 21, 21, 59]
    for wrong, words in ((5, "an amount for each of on, off"), ({"night": 5}, "'night', allowed is on, off")):
        with pytest.raises(InputError, match=words):
            bills(usage, rules, opening_kwh=wrong)


@pytest.mark.parametrize(
    "credit, opening, words",
    [
        ({"unit": "kWh"}, -1, "opening_kwh: found -1"),
        ({"unit": "kWh"}, {"on": 5}, "there are no buckets"),
        ({"unit": "kWh"}, float("nan"), "opening_kwh"),
        ({"unit": "money", "export_price": 0.05}, 10, "allowed is 0: 'flat' banks no kWh"),
        ({"unit": "none"}, {"": 10}, "banks no kWh"),
    ],
)
def test_an_impossible_opening_bank_is_refused(credit, opening, words):
    with pytest.raises(InputError, match=words) as refusal:
        ledger(months([10], [0]), flat(credit, FLAT), opening_kwh=opening)
    assert "\n" not in str(refusal.value)


@pytest.mark.parametrize("order, lapsed", [("fifo", 0), ("lifo", 30)])
def test_the_oldest_credit_is_used_first_unless_the_rules_say_newest(order, lapsed):
    rules = flat({"unit": "kWh", "life_bills": 2, "order": order})
    rows = bills(months([0, 0, 40, 0], [30, 50, 0, 0]), rules)
    assert sum(column(rows, "credit_expired")) == lapsed


def test_closing_the_account_pays_forfeits_or_hands_over_the_bank():
    usage = months([0, 100], [300, 0])
    for on_close, paid in (("forfeit", "0.00"), ("transfer", "0.00"), ("pay", "8.00")):
        credit = {"unit": "kWh", "on_close": on_close} | ({"payout_price": 0.04} if on_close == "pay" else {})
        last = bills(usage, flat(credit), closing=True)[-1]
        assert (last["credit_reset"], last["bank_close"], last["payout"]) == (200, 0, Decimal(paid))
        assert bills(usage, flat(credit))[-1]["bank_close"] == 200, "an account that goes on keeps its bank"


def test_a_negative_bill_is_carried_paid_or_dropped():
    usage = months([0, 100], [2000, 0])
    credit = {"unit": "money", "export_price": 0.05, "reset_bills": 1, "at_reset": "pay"}
    paid = {rule: column(bills(usage, flat(credit, negative_bill=rule)), "bill") for rule in ("carry", "pay", "floor")}
    assert paid == {"carry": [0, 0], "pay": [-90, 25], "floor": [0, 25]}
    carried = bills(usage, flat(credit, negative_bill="carry"), closing=True)
    assert column(carried, "balance_close") == [90, 0] and column(carried, "bill") == [0, -65]


def join(at_end, unit="kWh", **more):
    old = flat({"unit": "kWh", "at_end": at_end, **more}, valid_to="2025-03-01")
    new_credit = {"unit": unit} | ({"export_price": 0.05} if unit == "money" else {})
    return [old, flat(new_credit, valid_from="2025-03-01")]


def test_rule_sets_follow_each_other_and_the_bank_is_kept_converted_paid_or_lost_at_the_join():
    usage = months([0, 0, 100], [200, 0, 0])
    kept = bills(usage, join("keep"))
    assert column(kept, "bank_close") == [200, 200, 100] and kept[2]["billed_kwh"] == 0
    money = bills(usage, join("convert", "money", conversion_price=0.10))
    assert money[1]["credit_money_added"] == 20 and column(money, "bank_close") == [200, 0, 0]
    assert money[2]["credit_money_applied"] == 15 and money[2]["money_bank_close"] == 5
    assert bills(usage, join("pay", payout_price=0.04))[1]["payout"] == 8
    lost = bills(usage, join("forfeit"))
    assert lost[1]["credit_reset"] == 200 and lost[2]["billed_kwh"] == 100


def test_rule_sets_that_do_not_join_are_refused():
    usage = months([0, 0, 100], [200, 0, 0])
    with pytest.raises(InputError, match="at_end = 'keep' although unit or buckets differ"):
        bills(usage, join("keep", "money"))
    old, new = join("keep")
    with pytest.raises(InputError, match="allowed is the same day"):
        bills(usage, [old, replace(new, valid_from=date(2025, 4, 1))])
    with pytest.raises(InputError, match="no rule set valid on that day"):
        bills(usage, old)


def test_a_reset_falls_once_a_year_wherever_in_the_month_the_meter_is_read():
    """Reads that leave a calendar month without a bill of its own, or give it two, neither skip nor double a reset."""
    rules = flat({"unit": "kWh", "reset_month": 3, "at_reset": "forfeit"})
    for edges in (
        ["2025-01-30", "2025-03-01", "2025-04-02", "2025-05-01"],
        ["2025-02-02", "2025-03-03", "2025-03-31", "2025-05-01"],
    ):
        days = [date.fromisoformat(day) for day in edges]
        usage = pd.DataFrame(
            {"period_start": days[:-1], "period_end": days[1:], "delivered_kwh": 0, "received_kwh": 10}
        )
        assert sum(row["credit_reset"] > 0 for row in bills(usage, rules)) == 1


def test_a_line_that_starts_inside_a_period_is_shared_by_days():
    charges = [
        {"line": "old", "on": "billed", "price": 0.10, "valid_to": "2025-01-11"},
        {"line": "new", "on": "billed", "price": 0.20, "valid_from": "2025-01-11"},
        {"line": "winter", "on": "day", "price": 1, "months": [1]},
    ]
    (row,) = bills(months([310], [0]), flat({"unit": "kWh"}, charges))
    assert (row["line old"], row["line new"], row["line winter"]) == (Decimal("10.00"), Decimal("42.00"), 31)


def test_a_first_part_month_is_prorated_only_where_the_line_says_so():
    charges = [
        FLAT[1],
        {"line": "whole", "on": "month", "price": 12},
        {"line": "part", "on": "month", "price": 12, "prorate": True},
    ]
    usage = pd.DataFrame(
        {
            "period_start": [date(2025, 1, 17)],
            "period_end": [date(2025, 2, 1)],
            "delivered_kwh": 0,
            "received_kwh": 0,
            "partial": True,
        }
    )
    (row,) = bills(usage, flat({"unit": "kWh"}, charges))
    assert (row["line whole"], row["line part"]) == (12, 6)


def test_cents_are_rounded_half_up_line_by_line_and_not_in_binary():
    """0.535 x 5 = 2.675 lies lower in binary; 0.533 x 5 = 2.665 would go to the even cent below."""
    (row,) = bills(months([5], [0]), flat({"unit": "kWh"}, [{"line": "a", "on": "billed", "price": 0.533}]))
    assert row["bill"] == Decimal("2.67")
    charges = [{"line": "a", "on": "billed", "price": 0.535}, {"line": "b", "on": "billed", "price": 0.535}]
    (row,) = bills(months([5], [0]), flat({"unit": "kWh"}, charges))
    assert (row["line a"], row["bill"]) == (Decimal("2.68"), Decimal("5.36"))
    (row,) = bills(months([5], [0]), flat({"unit": "kWh"}, charges, round_stage="total"))
    assert row["bill"] == Decimal("5.35")


@pytest.mark.parametrize(
    "change, words",
    [
        ({"received_kwh": [500, 0]}, "received 500 kWh above generation 300 kWh"),
        ({"delivered_kwh": [-1, 0]}, "delivered_kwh: found -1"),
        ({"delivered_kwh": [float("nan"), 0]}, "delivered_kwh: found nan"),
        ({"period_start": [date(2025, 1, 1), date(2025, 2, 2)]}, "found the start 2025-02-02, allowed is 2025-02-01"),
        ({"period_end": [date(2025, 1, 1), date(2025, 3, 1)]}, "found the end 2025-01-01 for the start 2025-01-01"),
        ({"period_start": ["2025-01-01", date(2025, 2, 1)]}, "allowed is a date or a local midnight"),
    ],
)
def test_impossible_readings_are_refused_by_name(change, words):
    usage = months([10, 20], [300, 0], generation=[300, 50]).assign(**change)
    with pytest.raises(InputError, match=words):
        bills(usage, flat({"unit": "kWh"}))


def test_missing_columns_and_ratings_are_named():
    usage = months([10], [5])
    with pytest.raises(InputError, match="no column received_kwh"):
        bills(usage.drop(columns="received_kwh"), flat({"unit": "kWh"}))
    with pytest.raises(InputError, match="no import_kwh"):
        bills(usage, flat({"unit": "kWh", "netting": "hour"}))
    with pytest.raises(InputError, match="rated_dc_kw"):
        bills(usage, flat({"unit": "kWh"}, [*FLAT, {"line": "capacity", "on": "kw", "price": 1}]))
    with pytest.raises(InputError, match="no generation for line 'all'"):
        bills(usage, flat({"unit": "none"}, [{"line": "all", "on": "use", "price": 0.1}]))
    assert "use_kwh" not in bills(usage, flat({"unit": "kWh"}))[0], "house use is unknown without a generation meter"


def test_two_buckets_must_add_up_to_the_register():
    rules = read_tariff("time-of-use-bank")
    usage = months([100], [0]).assign(delivered_kwh_on=40, delivered_kwh_off=50, received_kwh_on=0, received_kwh_off=0)
    for rounded in (rules, replace(rules, kwh_decimals=1)):
        with pytest.raises(InputError, match="100 but 90 in the buckets"):
            bills(usage, rounded)


def test_the_ledger_is_a_table_of_floats_that_keeps_the_index():
    usage = months([10, 20], [300, 0]).set_axis(["one", "two"])
    book = ledger(usage, flat({"unit": "kWh"}))
    assert list(book.index) == ["one", "two"] and book["bill"].dtype == np.float64
    assert book.loc["two", "bank_close"] == 270.0
