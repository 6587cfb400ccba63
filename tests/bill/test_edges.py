"""Constants and comparisons of a bill, each at the value where it turns."""

from datetime import date
from decimal import Decimal

import pandas as pd
import pytest

from solarlib.bill.accounts import bills
from solarlib.bill.contradictions import contradictions
from solarlib.bill.credits import Lots, cross, is_reset
from solarlib.bill.tariff import Charge, Credit
from solarlib.bill.tariff_file import read_tariff
from solarlib.quantities import InputError

D = Decimal
TWO = [{"name": "on", "hours": [[7, 11]]}, {"name": "off"}]
BASIC, BILLED = {"line": "basic", "on": "month", "price": 10}, {"line": "energy", "on": "billed", "price": 0.15}


def tariff(*charges, credit=None, **keys):
    return {"name": "edge", "charge": [BASIC, BILLED, *charges], "credit": credit or {"unit": "kWh"}} | keys


def month(first=date(2025, 1, 1), end=date(2025, 2, 1), **columns):
    given = {"period_start": first, "period_end": end, "delivered_kwh": 0.0, "received_kwh": 0.0} | columns
    return pd.DataFrame({name: [value] for name, value in given.items()})


def bill(table, **keys):
    (row,) = bills(month(**keys), read_tariff(table), rated_dc_kw=3, rated_ac_kw=2)
    return row


# ---------------------------------------------------------------- credits


def test_what_crosses_by_value_is_never_worth_less_where_it_comes_from():
    """1.5 kWh at 0.2 $ pay for 1 kWh at 0.3 $: 5 kWh need 7.5, which are 8 whole ones."""
    banks = {"on": Lots(), "off": Lots()}
    banks["off"].add(1, D(10))
    price = {"on": D("0.3"), "off": D("0.2")}
    into, out = cross(("on", "off"), "by value", price, banks, {"on": D(5), "off": D(0)}, D(1))
    assert (into["on"], out["off"], banks["off"].amount) == (5, 8, 2)
    banks["off"].add(1, D(8))  # 10 kWh pay for 6.67, so for 6, which need 9
    into, out = cross(("on", "off"), "by value", price, banks, {"on": D(50), "off": D(0)}, D(1))
    assert (into["on"], out["off"], banks["off"].amount) == (6, 9, 1)


def test_credit_crosses_from_dear_to_cheap_only_and_not_where_a_price_is_zero():
    for rule, price, moved in (
        ("high to low", {"on": D("0.2"), "off": D("0.3")}, 4),
        ("high to low", {"on": D("0.3"), "off": D("0.2")}, 0),
        ("by value", {"on": D("0.3"), "off": D(0)}, 0),
        ("by value", {"on": D(0), "off": D("0.3")}, 0),
    ):
        banks = {"on": Lots(), "off": Lots()}
        banks["off"].add(1, D(10))
        into, _ = cross(("on", "off"), rule, price, banks, {"on": D(4), "off": D(0)}, D(1))
        assert into["on"] == moved, (rule, price)


@pytest.mark.parametrize("price", ["0", "0.2"])
@pytest.mark.parametrize("giver, taker", [("on", "off"), ("off", "on")])
def test_credit_does_not_cross_high_to_low_where_both_prices_are_the_same(giver, taker, price):
    banks = {"on": Lots(), "off": Lots()}
    banks[giver].add(1, D(10))
    same, billed = dict.fromkeys(banks, D(price)), {giver: D(0), taker: D(4)}
    into, out = cross(("on", "off"), "high to low", same, banks, billed, D(1))
    assert (into[taker], out[giver], banks[giver].amount) == (0, 0, 10)


def resets(credit, count, first=(2025, 1)):
    start = date(*first, 1)
    edges = [date(first[0] + (first[1] - 1 + i) // 12, (first[1] - 1 + i) % 12 + 1, 1) for i in range(count + 1)]
    spans = [(edges[i], date.fromordinal(edges[i + 1].toordinal() - 1)) for i in range(count)]
    return [i + 1 for i, span in enumerate(spans) if is_reset(credit, *span, start, i + 1)]


@pytest.mark.parametrize(
    ("keys", "bills_with_reset"),
    [
        ({"reset_bills": 4}, [4, 8, 12, 16, 20, 24, 28]),
        ({"reset_bills": 4, "reset_first_bill": 2}, [2, 6, 10, 14, 18, 22, 26, 30]),
        ({"reset_bills": 1, "reset_first_bill": 29}, [29, 30]),
        ({"reset_month": 3}, [3, 15, 27]),
        ({"reset_month": 3, "reset_every_years": 2}, [3, 27]),
        ({"reset_date": (12, 31)}, [12, 24]),
        ({"reset_anniversary": date(2020, 6, 1)}, [5, 17, 29]),
        ({"reset_anniversary": date(2020, 6, 2)}, [6, 18, 30]),
        ({"reset_anniversary": date(2020, 3, 1)}, [2, 14, 26]),
        ({}, []),
    ],
)
def test_bills_of_thirty_months_after_which_credits_are_emptied(keys, bills_with_reset):
    assert resets(Credit("kWh", **keys), 30) == bills_with_reset


def test_years_between_resets_are_counted_from_the_first_one_after_the_start():
    """Started in May 2025: the first March bill is that of 2026."""
    assert resets(Credit("kWh", reset_month=3, reset_every_years=2), 40, (2025, 5)) == [11, 35]


def test_the_anchor_of_an_anniversary_is_the_day_before():
    assert Credit("kWh", reset_anniversary=date(2020, 3, 1)).reset_anchor == (2, 28)  # 29 February is not every year
    assert Credit("kWh", reset_anniversary=date(2021, 3, 1)).reset_anchor == (2, 28)
    assert Credit("kWh", reset_anniversary=date(2020, 1, 1)).reset_anchor == (12, 31)
    assert Credit("kWh", reset_month=4, reset_date=(5, 6)).reset_anchor == (4, 1)


def test_the_life_of_a_credit_counts_its_own_bill_where_the_rules_say_so():
    assert Credit("kWh", life_bills=12).bills_a_credit_lives == 12
    assert Credit("kWh", life_bills=12, issuing_bill_counts=True).bills_a_credit_lives == 11
    assert Credit("kWh").bills_a_credit_lives is None


def test_a_reset_is_moved_or_taken_away_whatever_it_was():
    old = Credit("kWh", reset_bills=4, reset_first_bill=2, at_reset="roll")
    moved = old.with_reset(9, "forfeit")
    assert moved == Credit("kWh", reset_month=9, at_reset="forfeit")
    assert Credit("kWh", reset_date=(3, 31), reset_every_years=2, at_reset="pay").with_reset(None, None) == Credit(
        "kWh"
    )


# ---------------------------------------------------------------- readings


@pytest.mark.parametrize(("buckets", "fine"), [(98.0, True), (102.0, True), (97.999, False), (102.001, False)])
def test_registers_and_their_buckets_may_differ_by_two_kwh(buckets, fine):
    lines = [{"line": b, "on": "billed", "bucket": b, "price": 0.1} for b in ("on", "off")]
    table = {"name": "two", "charge": lines, "bucket": TWO, "credit": {"unit": "kWh", "netting": "bucket"}}
    columns = {"delivered_kwh_on": buckets - 40, "delivered_kwh_off": 40.0, "received_kwh_on": 0, "received_kwh_off": 0}
    if fine:
        assert bill(table, delivered_kwh=100.0, **columns)["delivered_kwh"] == D(str(buckets))
    else:
        with pytest.raises(InputError, match="allowed is a difference up to 2 kWh"):
            bill(table, delivered_kwh=100.0, **columns)


def test_received_may_exceed_generation_by_the_last_digit_of_the_bill():
    assert bill(tariff(), received_kwh=10.001, generation_kwh=10.0)["received_kwh"] == D("10.001")
    with pytest.raises(InputError, match="received 10.002 kWh above generation 10 kWh"):
        bill(tariff(), received_kwh=10.002, generation_kwh=10.0)


def test_a_hair_below_zero_is_zero_and_more_is_refused():
    assert bill(tariff(), delivered_kwh=-1e-9)["delivered_kwh"] == 0
    with pytest.raises(InputError, match="delivered_kwh: found -1e-08"):
        bill(tariff(), delivered_kwh=-1e-8)


@pytest.mark.parametrize(
    ("kwh", "decimals", "shown"),
    [(2.5, 0, 3), (2.4999, 0, 2), (0.125, 2, "0.13"), (1.005, 2, "1.01"), (0.0004, 3, 0), (0.0005, 3, "0.001")]
    + [(2.4999999, 0, 2), (2.49999996, 0, 3), (5e-7, 6, "0.000001"), (4e-7, 6, 0)],  # what a sum of floats may be off
)
def test_energy_is_rounded_half_up_in_decimals(kwh, decimals, shown):
    assert bill(tariff(kwh_decimals=decimals), delivered_kwh=kwh)["delivered_kwh"] == D(shown)


# ---------------------------------------------------------------- lines


def test_every_kind_of_line_has_its_price_its_column_and_its_credit():
    lines = {
        "delivered": ("energy", 30, "3.00"),
        "import": ("energy", 20, "2.00"),
        "use": ("energy", 70, "7.00"),
        "received": ("production", 10, "1.00"),
        "generation": ("production", 50, "5.00"),
        "day": ("fixed", 31, "3.10"),
        "month": ("fixed", 1, "0.10"),
    }
    for on, (kind, _, cost) in lines.items():
        credit = {"unit": "none"} if on == "use" else {"unit": "money", "export_price": 0}
        charges = [{"line": "x", "on": on, "price": 0.1}, {"line": "free", "on": "delivered", "price": 0}]
        table = {"name": "one", "charge": charges, "credit": credit, "meant": ["x"]}
        row = bill(table, delivered_kwh=30, received_kwh=10, generation_kwh=50)
        assert (row["line x"], row[kind]) == (D(cost), D(cost)), on
        assert Charge("x", on, D(1)).offsettable == (on in ("delivered", "import", "use")), on
    assert Charge("x", "billed", D(1)).offsettable and Charge("x", "billed", D(1)).kind == "energy"
    assert Charge("x", "import", D(1), offset=False).kind == "nbc"
    kinds = {on: Charge("x", on, D(1)).kind for on in ("kw", "demand", "percent")}
    assert kinds == {"kw": "capacity", "demand": "demand", "percent": "tax"}


@pytest.mark.parametrize(
    ("charge", "cost"),
    [
        ({"on": "kw", "price": 2}, "6.00"),
        ({"on": "kw", "price": 2, "rating": "ac"}, "4.00"),
        ({"on": "kw", "price": 24, "per": "year"}, "6.00"),
        ({"on": "kw", "price": 30, "per": "30 days"}, "93.00"),
        ({"on": "kw", "price": 2, "months": [2]}, "0.00"),
        (
            {"on": "billed", "blocks": [{"up_to_kwh": 30, "price": 0.1}, {"price": 0.2}], "blocks_by_days": True},
            "16.90",
        ),
        ({"on": "billed", "blocks": [{"up_to_kwh": 30, "price": 0.1}, {"price": 0.2}]}, "17.00"),
        ({"on": "billed", "blocks": [{"up_to_kwh": 100, "price": 0.1}, {"price": 0.2}]}, "10.00"),
        ({"on": "demand", "price": 2, "window_minutes": 15}, "9.00"),
        ({"on": "percent", "price": 10}, "2.50"),
        ({"on": "percent", "price": 10, "of": ["basic"]}, "1.00"),
        ({"on": "day", "price": 1, "valid_from": date(2025, 1, 31)}, "1.00"),
        ({"on": "day", "price": 1, "valid_to": date(2025, 1, 2)}, "1.00"),
        ({"on": "day", "price": 1, "valid_from": date(2025, 2, 1)}, "0.00"),
    ],
)
def test_the_price_of_one_line_for_a_month_of_31_days(charge, cost):
    row = bill(tariff({"line": "x"} | charge), delivered_kwh=100, demand_kw=4.5)
    assert row["line x"] == D(cost)


def test_half_a_cent_is_rounded_up_also_where_a_share_of_days_has_no_end_as_a_decimal():
    """0.77 $ a kW and year, 3 kW, bills of two months: 0.385 $, on 27 of 33 days 0.315 $."""
    line = {"line": "x", "on": "kw", "price": 0.77, "per": "year", "months": [10, 11, 12]}
    row = bill(tariff(line), first=date(2023, 9, 25), end=date(2023, 10, 28), months=2)
    assert row["line x"] == D("0.32")


def test_a_percentage_may_be_of_lines_and_of_rounded_percentages_above_it():
    """10 + 15 = 25 $; fee 3.3 % of 25: 0.83 (0.825); tax 10 % of 15 and 0.83: 1.58; 50 % of the tax alone: 0.79."""
    fee = {"line": "fee", "on": "percent", "price": 3.3}
    tax = {"line": "tax", "on": "percent", "price": 10, "of": ["energy", "fee"]}
    more = {"line": "more", "on": "percent", "price": 50, "of": ["tax"]}
    row = bill(tariff(fee, tax, more, meant=["more"]), delivered_kwh=100)
    assert [row[f"line {name}"] for name in ("fee", "tax", "more")] == [D("0.83"), D("1.58"), D("0.79")]
    assert (row["tax"], row["bill"]) == (D("3.20"), D("28.20"))
    for wrong in ([tax, fee], [tax | {"of": ["tax"]}]):
        with pytest.raises(InputError, match="lines, percentages only if they stand above: basic, energy"):
            bill(tariff(*wrong))


@pytest.mark.parametrize(("days", "cost"), [(15, "6.00"), (30, "12.00"), (31, "12.00"), (29, "11.60")])
def test_a_part_month_is_a_thirtieth_a_day_and_never_more_than_a_month(days, cost):
    table = tariff({"line": "x", "on": "month", "price": 12, "prorate": True})
    end = date.fromordinal(date(2025, 1, 1).toordinal() + days)
    assert bill(table, end=end, partial=True)["line x"] == D(cost)


# ---------------------------------------------------------------- contradictions


MONEY = {"unit": "money", "export_price": 0.05}
PERCENT = {"line": "x", "on": "percent", "price": 7}
BROKEN = [
    (tariff(BASIC), {"charge[1].line of 'basic'", "charge[3].line of 'basic'"}, "the same name twice"),
    (tariff({"line": "x", "on": "day"}), {"charge[3].price of 'x'"}, "none of price, blocks and prices"),
    (tariff(PERCENT | {"price": 100.1}), {"charge[3].price of 'x'"}, "100.1"),
    (tariff(PERCENT | {"price": -100.1}), {"charge[3].price of 'x'"}, "-100.1"),
    (tariff(PERCENT | {"months": [1]}), {"charge[3].months of 'x'"}, "a limit in time on a percentage"),
    (tariff(PERCENT | {"of": ["energy"]}, credit=MONEY), {"charge[3].of of 'x'"}, "after_credit = true"),
    (tariff({"line": "x", "on": "day", "price": 1, "of": ["basic"]}), {"charge[3].of of 'x'"}, "on = 'day'"),
    (tariff({"line": "x", "on": "kw", "price": 1, "bucket": "on"},
            bucket=TWO, credit={"unit": "kWh", "netting": "day"}),
     {"charge[3].bucket of 'x'"}, "on = 'kw'"),
    (tariff({"line": "x", "on": "day", "price": 1, "blocks_by_days": True}), {"charge[3].blocks_by_days of 'x'"},
     "no blocks"),
    (tariff({"line": "x", "on": "billed", "blocks": [{"up_to_kwh": 50, "price": 1}]}), {"charge[3].blocks of 'x'"},
     "limits 50"),
    (tariff({"line": "x", "on": "billed", "blocks": [{"up_to_kwh": 50, "price": 1}, {"up_to_kwh": 50, "price": 1},
                                                     {"price": 1}]}),
     {"charge[3].blocks of 'x'"}, "limits 50, 50, None"),
    (tariff(valid_from="2026-01-01", valid_to="2026-01-01"), {"valid_to"}, "2026-01-01"),
    (tariff(minimum_bill=5, minimum_of=["none"]), {"minimum_of"}, "'none'"),
    (tariff(bucket=[TWO[0], TWO[0], TWO[1]], credit={"unit": "kWh", "netting": "day"}), {"bucket"}, "on, on, off"),
    (tariff(bucket=TWO), {"credit.netting"}, "'period' with buckets"),
    (tariff(bucket=[{"name": "on", "hours": [[7, 7]]}, TWO[1]], credit={"unit": "kWh", "netting": "day"}),
     {"bucket[1].hours of 'on'"}, "[7, 7]"),
    (tariff(credit=MONEY | {"export_share": 0.5}), {"credit.export_price"}, "export_price, export_share"),
    (tariff(credit={"unit": "none", "life_bills": 3}), {"credit.life_bills"}, "unit = 'none'"),
    (tariff(credit={"unit": "none", "reset_month": 3}), {"credit.reset_month"}, "unit = 'none'"),
    (tariff(credit={"unit": "kWh", "at_reset": "roll"}), {"credit.at_reset"}, "'roll' without a reset"),
    (tariff(credit={"unit": "kWh", "usable": "next bill"}), {"credit.usable"}, "unit = 'kWh'"),
    (tariff(credit=MONEY | {"payout_share": 0.5}), {"credit.payout_share"}, "0.5"),
    (tariff(credit=MONEY | {"at_end": "convert", "conversion_price": 0.1}),
     {"credit.at_end"}, "'convert' with unit = 'money'"),
    (tariff(credit=MONEY | {"cross_bucket": "by value", "netting": "day"}, bucket=TWO), {"credit.cross_bucket"},
     "unit = 'money'"),
    (tariff({"line": "x", "on": "billed", "blocks": [{"price": 1}]}, bucket=TWO,
            credit={"unit": "kWh", "netting": "day", "cross_bucket": "by value"}),
     {"credit.cross_bucket"}, "block prices"),
    (tariff({"line": "x", "on": "import", "blocks": [{"price": 1}]}, credit={"unit": "money", "export_share": 1}),
     {"credit.export_share"}, "blocks or prices"),
    (tariff(credit={"unit": "money", "export_price": {"on": 0.1, "night": 0.1}, "netting": "day"}, bucket=TWO),
     {"credit.export_price"}, "buckets on, night"),
    (tariff(credit={"unit": "kWh", "reset_bills": 2, "reset_every_years": 2, "at_reset": "roll"}),
     {"credit.reset_every_years"}, "no yearly reset"),
]  # fmt: skip


@pytest.mark.parametrize(("table", "keys", "found"), BROKEN)
def test_a_contradiction_is_told_once_and_alone(table, keys, found):
    with pytest.raises(InputError) as refused:
        read_tariff(table)
    told = str(refused.value).removeprefix("tariff: ").split("; ")
    assert {words.split(": found ")[0] for words in told} == keys and len(told) == len(keys)
    assert all(words.split(": found ")[1].startswith(f"{found}, allowed is ") for words in told)


@pytest.mark.parametrize(
    "table",
    [
        tariff(PERCENT | {"price": 100}, meant=["x"]),
        tariff(PERCENT | {"price": -100}, meant=["x"]),
        tariff(PERCENT | {"of": ["energy"], "after_credit": False}, credit=MONEY),
        tariff(valid_from="2026-01-01", valid_to="2026-01-02"),
        tariff({"line": "x", "on": "demand", "price": 1, "window_minutes": 60, "bucket": "on"}, bucket=TWO,
               credit={"unit": "kWh", "netting": "bucket"}),
        tariff(credit={"unit": "kWh", "life_bills": 2, "issuing_bill_counts": True}),
        tariff(credit={"unit": "kWh", "reset_date": "03-31", "reset_every_years": 2, "at_reset": "roll"}),
        tariff(credit={"unit": "money", "export_price": [[0.1] * 24] * 12, "netting": "none"}),
    ],
)  # fmt: skip
def test_rules_on_the_right_side_of_each_limit_are_read(table):
    assert not list(contradictions(read_tariff(table)))
