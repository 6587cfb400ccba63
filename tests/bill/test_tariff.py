"""Tariffs as data: every shipped file reads; every wrong or contradictory field is named with what is allowed."""

from copy import deepcopy
from datetime import date
from decimal import Decimal

import pytest

from solarlib.bill.contradictions import size_problems
from solarlib.bill.tariff import Tariff
from solarlib.bill.tariff_file import TARIFF_FOLDER, read_tariff, tariff_from_table
from solarlib.quantities import InputError

GOOD = {
    "name": "good",
    "charge": [{"line": "basic", "on": "month", "price": 12.0}, {"line": "energy", "on": "billed", "price": 0.115}],
    "credit": {"unit": "kWh", "reset_month": 3, "at_reset": "forfeit"},
}


def changed(path, value):
    """A copy of the good table with one field set (or removed, for None)."""
    table = deepcopy(GOOD)
    *steps, key = path
    place = table
    for step in steps:
        place = place[step]
    if value is None:
        del place[key]
    else:
        place[key] = value
    return table


@pytest.mark.parametrize("file", sorted(TARIFF_FOLDER.glob("*.toml")), ids=lambda file: file.stem)
def test_every_shipped_tariff_reads_by_its_name_and_says_that_its_prices_are_no_advice(file):
    tariff = read_tariff(file.stem)
    assert isinstance(tariff, Tariff) and tariff == read_tariff(file)
    assert "Check your own tariff sheet." in tariff.note


def test_numbers_are_exact_decimals_also_from_a_table_of_floats():
    tariff = tariff_from_table(GOOD)
    assert tariff.charge("energy").price == Decimal("0.115")
    assert tariff_from_table({"file": "kwh-bank-march"}) == read_tariff("kwh-bank-march")


@pytest.mark.parametrize("table", [{"file": 5}, {"file": "kwh-bank-march", "name": "mine"}])
def test_a_file_name_stands_alone(table):
    with pytest.raises(InputError, match="cabin.toml: tariff.file: .* as the only key"):
        tariff_from_table(table, "cabin.toml: tariff")


@pytest.mark.parametrize(
    "path, value, words",
    [
        (["name"], None, "name: found nothing, allowed is a text that is not empty: this key is needed"),
        (["nmae"], "x", "nmae: found an unknown key, allowed is one of name"),
        (["charge"], {"line": "a"}, "charge: found .* allowed is a list of tables"),
        (["charge"], [], "charge: found no line, allowed is at least one bill line"),
        (
            ["charge", 0, "on"],
            "kilowatt",
            "charge\\[1\\].on: found 'kilowatt', allowed is one of month, day, delivered",
        ),
        (["charge", 0, "price"], "12 dollars", "charge\\[1\\].price: found '12 dollars', allowed is a number"),
        (["charge", 0, "price"], float("nan"), "charge\\[1\\].price: found nan"),
        (["charge", 0, "price"], True, "charge\\[1\\].price: found True"),
        (["charge", 1, "line"], "basic", "the same name twice"),
        (["charge", 1, "blocks"], [{"price": 0.1}], "found more than one of price, blocks and prices"),
        (["charge", 1, "bucket"], "on", "found 'on', allowed is a bucket named"),
        (["charge", 0, "window_minutes"], 15, "found on = 'month', allowed is window_minutes just with on = 'demand'"),
        (["charge", 0, "of"], ["energy"], "of only with on = 'percent'"),
        (["charge", 0, "months"], [0], "a whole number from 1 to 12"),
        (["charge", 0, "valid_from"], "1 January", "a date like 2026-03-31"),
        (["credit", "unit"], "kwh", "credit.unit: found 'kwh', allowed is one of kWh, money, none"),
        (
            ["credit", "reset_month"],
            "March",
            "credit.reset_month: found 'March', allowed is a whole number from 1 to 12",
        ),
        (
            ["credit", "at_reset"],
            None,
            "credit.at_reset: found nothing beside reset_month, allowed is one of forfeit, donate, .*what happens",
        ),
        (
            ["credit", "at_reset"],
            "pay",
            "credit.payout_price: found nothing although kWh are paid out, allowed is a price of a kWh",
        ),
        (["credit", "reset_date"], "03-31", "reset_month, reset_date, allowed is only one of these"),
        (["credit", "reset_date"], "02-29", "not 02-29"),
        (["credit", "export_price"], 0.05, "export_price only with unit = 'money'"),
        (["credit", "export_price"], [0.1] * 11, "12 prices, one for each month"),
        (["credit", "netting"], "bucket", "at least one \\[\\[tariff.bucket\\]\\]"),
        (["credit", "cross_bucket"], "by value", "credit.cross_bucket: found no buckets"),
        (["credit", "life_bills"], 0, "a whole number from 1 to 600"),
        (["credit", "payout_threshold"], 600, "payout_threshold just with at_reset = 'pay if over'"),
        (["credit"], "bank", "credit: found 'bank', allowed is a table"),
        (["credit", "unit"], "none", "at_reset only with a credit"),
        (["credit", "unit"], "money", "exactly one of export_price, export_share, export_lines"),
        (["minimum_of"], ["basic"], "minimum_of only together with minimum_bill"),
        (["valid_from"], "2026-02-30", "a date like"),
        (["bucket"], [{"name": "on", "hours": [[9, 21]]}], "the last bucket, and only the last, without limits"),
        (["bucket"], [{"name": "on", "hours": [[21, 9]]}, {"name": "off"}], "pairs \\[from, to\\] with from < to"),
        (["kwh_decimals"], 7, "a whole number from 0 to 6"),
    ],
)
def test_a_wrong_or_contradictory_field_is_named_with_what_is_allowed(path, value, words):
    with pytest.raises(InputError, match=words) as refusal:
        tariff_from_table(changed(path, value), "cabin.toml: tariff")
    assert str(refusal.value).startswith("cabin.toml: tariff: ") and "\n" not in str(refusal.value)


def test_all_wrong_fields_are_named_at_once():
    table = changed(["credit", "reset_month"], 13) | {"typo": 1}
    with pytest.raises(InputError) as refusal:
        tariff_from_table(table)
    assert "typo: found" in str(refusal.value) and "credit.reset_month: found 13" in str(refusal.value)


@pytest.mark.parametrize(
    "change, words",
    [
        ({"unit": "money", "export_price": 0.1, "payout_price": 0.1}, "payout_share with unit = 'money'"),
        ({"unit": "money", "export_lines": ["basic"]}, "lines with one price per kWh: energy"),
        (
            {"unit": "money", "export_price": [[0.1] * 24] * 12},
            "prices by part of a day with netting = 'period', allowed is netting = hour",
        ),
        ({"unit": "money", "export_price": {"on": 0.1}}, "one price for each of"),
        ({"unit": "kWh", "order": "pool", "life_bills": 12}, "a pool does not know how old its credits are"),
        ({"unit": "kWh", "issuing_bill_counts": True, "life_bills": 1}, "no bill could use the credit"),
        ({"unit": "kWh", "at_end": "convert"}, "credit.conversion_price"),
        ({"unit": "kWh", "reset_first_bill": 3}, "only together with reset_bills"),
        ({"unit": "kWh", "reset_every_years": 2}, "no yearly reset"),
    ],
)
def test_contradictions_between_credit_rules(change, words):
    with pytest.raises(InputError, match=words):
        read_tariff(GOOD | {"credit": change})


@pytest.mark.parametrize(
    "charge, words",
    [
        ({"line": "tax", "on": "percent", "price": 120}, "a percentage from -100 to 100"),
        (
            {"line": "tax", "on": "percent", "price": 7, "of": ["none such"]},
            "lines, percentages only if they stand above: basic, energy",
        ),
        (
            {"line": "tax", "on": "percent", "price": 7, "offset": True},
            "a tax on the bill after credit uses after_credit",
        ),
        (
            {"line": "x", "on": "billed", "blocks": [{"up_to_kwh": 9, "price": 1}, {"up_to_kwh": 5, "price": 1}]},
            "none on the last block",
        ),
        ({"line": "x", "on": "month", "blocks": [{"price": 1}]}, "blocks only on delivered"),
        ({"line": "x", "on": "use", "price": 0.1}, "house use already contains what was generated"),
        ({"line": "x", "on": "day", "price": 1, "prorate": True}, "prorate only on month or kw"),
        (
            {"line": "x", "on": "day", "price": 1, "valid_from": date(2026, 2, 1), "valid_to": date(2026, 1, 1)},
            "a date after valid_from",
        ),
        ({"line": "x", "on": "demand", "price": 1, "window_minutes": 20}, "one of 15, 30, 60"),
    ],
)
def test_contradictions_inside_a_line(charge, words):
    with pytest.raises(InputError, match=words):
        read_tariff(GOOD | {"charge": [*GOOD["charge"], charge]})


def test_a_kwh_bank_without_a_line_that_it_could_reduce_is_refused():
    with pytest.raises(InputError, match="at least one line that a kWh credit can reduce"):
        read_tariff(GOOD | {"charge": GOOD["charge"][:1]})


def test_a_missing_or_broken_file_is_named(tmp_path):
    with pytest.raises(InputError, match="tariff.file: found nothing at 'no-such', allowed is .* kwh-bank-march"):
        read_tariff("no-such")
    broken = tmp_path / "broken.toml"
    broken.write_text("[tariff\n", encoding="utf-8")
    with pytest.raises(InputError, match=r"broken.toml: line 1: found \[tariff, .* \(a bracket is missing\)"):
        read_tariff(broken)
    broken.write_text("[place]\n", encoding="utf-8")
    with pytest.raises(InputError, match="broken.toml: found the keys place, allowed is one table"):
        read_tariff(broken)


def test_size_limits_by_rating_and_by_share_of_use():
    tariff = read_tariff(GOOD | {"size_cap_kw": 5, "size_cap_rating": "ac", "size_cap_share_of_use": 1.2})
    assert size_problems(tariff, rated_dc_kw=6, rated_ac_kw=5, yearly_generation_kwh=6000, yearly_use_kwh=5000) == []
    found = size_problems(tariff, rated_ac_kw=5.5, yearly_generation_kwh=6001, yearly_use_kwh=5000)
    assert found == ["5.5 kW AC is above the limit of 5 kW.", "6,001 kWh a year is above 120 % of the use, 6,000 kWh."]


@pytest.mark.parametrize(
    ("change", "goes_on"),
    [
        ({"name": "new sheet", "valid_from": "2027-01-01", "minimum_bill": 9}, True),
        ({"charge": [{"line": "energy", "on": "billed", "price": 0.2}]}, True),
        ({"charge": [{"line": "power", "on": "billed", "price": 0.1}]}, False),
        (
            {
                "charge": [
                    {"line": "energy", "on": "billed", "blocks": [{"up_to_kwh": 300, "price": 0.1}, {"price": 0.2}]}
                ]
            },
            False,
        ),
        (
            {
                "charge": [
                    {"line": "energy", "on": "billed", "price": 0.1},
                    {"line": "basic", "on": "month", "price": 1},
                ]
            },
            False,
        ),
        ({"credit": {"unit": "kWh", "reset_month": 4, "at_reset": "forfeit"}}, False),
        ({"credit": {"unit": "kWh", "reset_month": 3, "at_reset": "forfeit", "on_close": "transfer"}}, False),
        ({"kwh_decimals": 0}, False),
    ],
)
def test_new_prices_and_dates_are_no_other_rules(change, goes_on):
    own = {"name": "bank", "charge": [{"line": "energy", "on": "billed", "price": 0.1}]}
    own |= {"credit": {"unit": "kWh", "reset_month": 3, "at_reset": "forfeit"}}
    old, new = tariff_from_table(own), tariff_from_table(own | change)
    assert old.goes_on_as(old) and old.goes_on_as(new) == goes_on
    ends = tariff_from_table(own | {"credit": own["credit"] | {"at_end": "forfeit"}})
    assert not ends.goes_on_as(new) and ends.goes_on_as(ends)
