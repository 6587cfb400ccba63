"""Every worked ledger, cell by cell: each from a tariff written as data, to the cent and the kWh.

Source: worked tables beside this file (see ledgers/README.md), made independently of solarlib. built here
Capacity charges of the last two tests: published examples of Flanders and Alabama. seen and recomputed
"""

import csv
import json
from dataclasses import replace
from datetime import date
from decimal import Decimal
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from without_array import unpaid, without_array

from solarlib.bill.accounts import bills, ledger
from solarlib.bill.periods import monthly_periods, periods_from_reads
from solarlib.bill.reset import MONTHS
from solarlib.bill.tariff_file import read_tariff

FOLDER = Path(__file__).parent / "ledgers"
SUMMARY = json.loads((FOLDER / "summary.json").read_text(encoding="utf-8"))
EXACT = {
    "D": "delivered_kwh",
    "R": "received_kwh",
    "N": "net_kwh",
    "bank open": "bank_open",
    "added": "credit_added",
    "applied": "credit_applied",
    "bank close": "bank_close",
    "billed": "billed_kwh",
    "bill $": "bill",
}


def table(name):
    """Rows of a shipped table as dictionaries of text."""
    with (FOLDER / f"{name}.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def house(letter, first, years=1):
    """Twelve calendar months of the shipped meter data from a named month on, dated from 2025."""
    rows = table("L0_data")[:12]
    start = MONTHS.index(first)
    rows = (rows[start:] + rows[:start]) * years
    edges = pd.date_range(f"2025-{start + 1:02}-01", periods=12 * years + 1, freq="MS").date
    return pd.DataFrame(
        {
            "period_start": edges[:-1],
            "period_end": edges[1:],
            "delivered_kwh": [int(row[f"D_{letter}"]) for row in rows],
            "received_kwh": [int(row[f"R_{letter}"]) for row in rows],
            "generation_kwh": [int(row[f"G_{letter}"]) for row in rows],
        }
    )


def two_houses(first, second, month):
    """A year of one house, then a year of the other, as the two-year tables have it."""
    rows = pd.concat([house(first, month), house(second, month)], ignore_index=True)
    edges = pd.date_range(rows.period_start[0], periods=25, freq="MS").date
    return rows.assign(period_start=edges[:-1], period_end=edges[1:])


def month_label(row):
    return f"{row['period_start']:%b}"


def compare(name, rows, columns, label, closing=()):
    """Assert that every cell of a shipped table equals the engine's exact value.

    `columns` maps the header to a ledger column or a function of the row; blank cells say nothing. In the total row a
    column is summed, except those in `closing`, which stand for the last row.
    """
    shipped = table(name)
    header = list(shipped[0])
    assert set(header[1:]) <= set(columns), "every column is compared"
    value = {key: (lambda row, c=columns[key]: row[c] if isinstance(c, str) else c(row)) for key in header[1:]}
    body = [line for line in shipped if line[header[0]] != "total"]
    assert len(body) == len(rows)
    for line, row in zip(body, rows):
        assert line[header[0]] == label(row)
        for key in header[1:]:
            if line[key]:
                assert Decimal(line[key]) == value[key](row), f"{name}, {line[header[0]]}, {key}"
    for line in shipped[len(body) :]:
        for key in header[1:]:
            if line[key]:
                got = value[key](rows[-1]) if key in closing else sum(value[key](row) for row in rows)
                assert Decimal(line[key]) == got, f"{name}, total, {key}"


def year_label(row):
    month = row["period_start"]
    return f"{month:%b} Y{month.year - 2024}"


def test_meter_arithmetic_of_both_houses():
    """Self-consumed, house use and net energy follow from the registers and the generation meter."""
    plain = read_tariff("flat-no-credit")
    for letter in "AB":
        rows = bills(house(letter, "Jan"), plain)
        columns = {
            f"{short}_{letter}": name
            for short, name in (
                ("G", "generation_kwh"),
                ("D", "delivered_kwh"),
                ("R", "received_kwh"),
                ("S", "self_consumed_kwh"),
                ("L", "use_kwh"),
                ("N", "net_kwh"),
            )
        }
        for line, row in zip(table("L0_data"), rows):
            assert line["month"] == month_label(row)
            assert {key: Decimal(line[key]) for key in columns} == {key: row[name] for key, name in columns.items()}
        total = table("L0_data")[12]
        assert {key: Decimal(total[key]) for key in columns} == {
            key: sum(row[name] for row in rows) for key, name in columns.items()
        }


def test_kwh_bank_with_a_march_reset():
    rows = bills(two_houses("A", "B", "Apr"), read_tariff("kwh-bank-march"))
    compare(
        "L1_kwh_bank_march",
        rows,
        EXACT
        | {
            "N=D−R": "net_kwh",
            "expired": "credit_reset",
            "billed kWh": "billed_kwh",
            "basic $": "fixed",
            "energy $": "energy",
        },
        year_label,
    )
    assert sum(row["bill"] for row in rows) == Decimal(SUMMARY["L1"]["total_bill"])
    assert rows[-1]["credit_reset"] == SUMMARY["L1"]["forfeited"]


def test_two_month_bills_with_a_reset_every_second_year():
    """The table prints a loss at the start of the bill after the reset; the bill before it shows its bank whole."""
    shipped = table("L2_two_year_bank")
    edges = pd.date_range("2025-05-01", periods=20, freq="2MS").date
    periods = pd.DataFrame(
        {
            "period_start": edges[:-1],
            "period_end": edges[1:],
            "delivered_kwh": [int(row["supplied"] or 0) for row in shipped],
            "received_kwh": [int(row["injected"] or 0) for row in shipped],
        }
    )
    rows = bills(periods, read_tariff("kwh-bank-two-years"))
    for i, row in enumerate(rows):
        row |= {"label": f"P{i + 1}" + " start" * (i == 18), "before": rows[i - 1]["credit_reset"] if i else 0}
    compare(
        "L2_two_year_bank",
        rows,
        {
            "supplied": "delivered_kwh",
            "injected": "received_kwh",
            "net": "net_kwh",
            "expired at start": "before",
            "bank open": "bank_open",
            "added": "credit_added",
            "applied": "credit_applied",
            "billed kWh": "billed_kwh",
            "bank close": lambda row: row["bank_close"] + row["credit_reset"],
        },
        lambda row: row["label"],
    )
    expected = SUMMARY["L2"]
    assert (rows[0]["billed_kwh"], rows[1]["billed_kwh"], rows[1]["bank_close"]) == (
        expected["P1_billed"],
        expected["P2_billed"],
        expected["P2_bank"],
    )
    assert (rows[5]["credit_reset"], rows[17]["credit_reset"]) == (expected["expired_P7"], expected["expired_P19"])


def test_money_credit_usable_on_the_next_bill():
    rows = bills(two_houses("B", "A", "Jan"), read_tariff("fuel-credit-next-bill"))
    compare(
        "L3_avoided_fuel_money",
        rows,
        EXACT
        | {
            "billed kWh": "billed_kwh",
            "charges $": lambda row: row["fixed"] + row["energy"],
            "credit available": "credit_money_available",
            "credit applied": "credit_money_applied",
            "credit lapsed": "credit_money_expired",
            "new credit": "credit_money_added",
            "credit carried": "money_bank_close",
        },
        year_label,
    )
    assert sum(row["bill"] for row in rows) == Decimal(SUMMARY["L3"]["total_bill"])
    assert sum(row["credit_money_expired"] for row in rows) == Decimal(SUMMARY["L3"]["lapsed"])


def test_money_credit_that_outlives_its_twelve_bills():
    rows = bills(two_houses("B", "B", "Jan"), read_tariff("fuel-credit-energy-only"))
    compare(
        "L3b_fixed_not_offset",
        rows,
        EXACT
        | {
            "energy $": "energy",
            "credit available": "credit_money_available",
            "applied": "credit_money_applied",
            "lapsed": "credit_money_expired",
            "new credit": "credit_money_added",
            "carried": "money_bank_close",
        },
        year_label,
    )
    assert sum(row["bill"] for row in rows) == Decimal(SUMMARY["L3b"]["total_bill"])
    assert sum(row["credit_money_expired"] for row in rows) == Decimal(SUMMARY["L3b"]["lapsed"])


def test_money_credit_of_listed_parts():
    tariff = read_tariff("listed-parts-credit")
    rows = bills(house("A", "Apr"), tariff)
    compare(
        "L4_money_credit_components",
        rows,
        EXACT
        | {
            "net kWh": "import_kwh",
            "excess kWh": "export_kwh",
            "customer $": "fixed",
            "energy $": "energy",
            "new credit": "credit_money_added",
            "applied": "credit_money_applied",
            "carried $": "money_bank_close",
        },
        month_label,
        closing={"carried $"},
    )
    expected = SUMMARY["L4"]
    assert sum(tariff.charge(line).price for line in tariff.credit.export_lines) == Decimal(expected["credit_rate"])
    assert sum(charge.price for charge in tariff.charges if charge.on == "billed") == Decimal(expected["full_rate"])
    assert sum(row["bill"] for row in rows) == Decimal(expected["total_bill"])
    assert rows[-1]["money_bank_close"] == Decimal(expected["carried"])


@pytest.mark.parametrize("letter, name", [("A", "L5A_supply_only_netting"), ("B", "L5B_supply_only_netting")])
def test_supply_only_netting(letter, name):
    rows = bills(house(letter, "Apr"), read_tariff("supply-only-netting"))
    compare(
        name,
        rows,
        EXACT
        | {
            "supply kWh": "billed_kwh",
            "cust $": "fixed",
            "delivery $": "line delivery",
            "supply $": "line supply",
            "kWh cashed": "credit_reset",
            "payment $": "payout",
        },
        month_label,
        closing={"bank close"},
    )
    assert sum(row["bill"] for row in rows) == Decimal(SUMMARY[f"L5{letter}"]["total_bill"])


@pytest.mark.parametrize(
    "name, file, key",
    [("L6_tou_none", "time-of-use-bank", "L6_none"), ("L6_tou_on_to_off", "time-of-use-bank-crossing", "L6_on_to_off")],
)
def test_time_of_use_banks(name, file, key):
    shipped = table(name)[:12]
    edges = pd.date_range("2025-12-01", periods=13, freq="MS").date
    periods = pd.DataFrame(
        {"period_start": edges[:-1], "period_end": edges[1:]}
        | {
            f"{what}_kwh_{bucket}": [int(row[f"{short} {bucket}"]) for row in shipped]
            for what, short in (("delivered", "D"), ("received", "R"))
            for bucket in ("on", "off")
        }
    )
    rows = bills(periods, read_tariff(file))
    columns = {
        "crossed": "crossed_in",
        "on $": "line on-peak energy",
        "off $": "line off-peak energy",
        "subtotal (min 14)": lambda row: row["fixed"] + row["energy"] + row["min_bill_topup"],
        "kWh settled": "credit_reset",
        "settle $": "payout",
        "bill $": "bill",
    }
    for short, what in (
        ("D", "delivered_kwh"),
        ("R", "received_kwh"),
        ("N", "net_kwh"),
        ("billed", "billed_kwh"),
        ("bank", "bank_close"),
    ):
        columns |= {f"{short} {bucket}": f"{what}_{bucket}" for bucket in ("on", "off")}
    compare(name, rows, columns, month_label)
    assert sum(row["bill"] for row in rows) == Decimal(SUMMARY[key]["total_bill"])


def test_net_billing_with_a_monthly_export_price():
    tariff = read_tariff("net-billing-monthly-price")
    rows = bills(house("A", "Apr"), tariff)
    compare(
        "L7_net_billing",
        rows,
        EXACT
        | {
            "fixed $": "fixed",
            "NBC $": "nbc",
            "import $": "energy",
            "export credit": "credit_money_added",
            "export price": lambda row: tariff.credit.export_price.values[row["period_start"].month - 1],
            "applied": "credit_money_applied",
            "carried $": "money_bank_close",
        },
        month_label,
        closing={"carried $"},
    )
    expected = {key: Decimal(value) for key, value in SUMMARY["L7"].items()}
    periods = house("A", "Apr")
    none, kept, bill = (
        sum(row["bill"] for row in bills(table, tariff)) for table in (without_array(periods), unpaid(periods), periods)
    )
    applied = sum(row["credit_money_applied"] for row in rows)
    assert [bill, none, none - bill, none - kept, kept - bill, applied] == [
        expected[key]
        for key in (
            "total_bill",
            "no_PV_bill",
            "saving",
            "of_which_self_consumption",
            "export_applied",
            "export_applied",
        )
    ]
    assert rows[-1]["money_bank_close"] == expected["left_at_true_up"]


QUARTERS = {
    "delivered": [0.6, 0.55, 0.5, 0.2, 0.0, 0.05, 0.3, 0.0, 0.0, 0.0, 0.4, 0.0, 0.1, 0.35, 0.45, 0.6],
    "received": [0.0, 0.0, 0.05, 0.1, 0.35, 0.2, 0.05, 0.55, 0.7, 0.65, 0.1, 0.45, 0.2, 0.05, 0.0, 0.0],
}


@pytest.mark.parametrize("row, netting", [(0, "none"), (1, "quarter hour"), (2, "hour"), (3, "period")])
def test_one_window_netted_over_four_intervals(row, netting):
    """Two registers read each quarter of an hour for four hours, billed as one day."""
    tariff = read_tariff("netting-interval")
    tariff = replace(tariff, credit=replace(tariff.credit, netting=netting), negative_bill="pay")
    index = pd.date_range("2025-06-02 08:00", periods=16, freq="15min", tz="Etc/GMT+5")
    flows = {name: pd.Series(values, index) for name, values in QUARTERS.items()}
    periods = monthly_periods(flows["delivered"], flows["received"], tariff=tariff)
    periods["period_end"] = periods["period_start"] + pd.Timedelta(days=1)
    (bill,) = bills(periods, tariff)
    shipped = table("L8_netting_interval")[row]
    values = {
        "import kWh": bill["import_kwh"],
        "export kWh": bill["export_kwh"],
        "difference": bill["import_kwh"] - bill["export_kwh"],
        "import $": bill["energy"],
        "export $": bill["credit_money_added"],
        "net $": bill["bill"],
    }
    assert {key: Decimal(shipped[key]) for key in values} == values
    assert [Decimal(text) for text in SUMMARY["L8"][shipped["netting interval"]]] == [
        values["import kWh"],
        values["export kWh"],
        values["net $"],
    ]


def test_real_read_dates_rollover_blocks_capacity_and_tax():
    dates = [
        "2023-09-14",
        "2023-10-03",
        "2023-11-02",
        "2023-12-04",
        "2024-01-04",
        "2024-02-02",
        "2024-03-04",
        "2024-04-03",
        "2024-05-02",
        "2024-06-04",
        "2024-07-03",
        "2024-08-02",
        "2024-09-03",
    ]
    reads = pd.DataFrame(
        {
            "date": dates,
            "delivered": [10000, 10135, 10545, 11210, 12005, 12690, 13195, 13520, 13735, 13905, 14100, 14310, 14510],
            "received": [99500, 99690, 99890, 99985, 40, 105, 310, 635, 1080, 1620, 2150, 2665, 3080],
        }
    )
    rows = bills(periods_from_reads(reads, digits=5), read_tariff("days-blocks-capacity"), rated_dc_kw=4.48)
    compare(
        "L9_real_dates",
        rows,
        EXACT
        | {
            "days": "days",
            "block-1 limit": "limit energy 1",
            "kWh blk 1": "kwh energy 1",
            "kWh blk 2": "kwh energy 2",
            "basic $": "fixed",
            "energy $": "energy",
            "capacity $": "capacity",
            "tax $": "tax",
        },
        lambda row: f"{row['period_start']}→{row['period_end']}",
        closing={"bank close"},
    )
    assert sum(row["bill"] for row in rows) == Decimal(SUMMARY["L9"]["total_bill"])
    assert (sum(row["days"] for row in rows), rows[-1]["bank_close"]) == (SUMMARY["L9"]["days"], SUMMARY["L9"]["bank"])


def test_the_choice_of_the_annualised_period():
    """Rows are named by the first month of the year; the reset follows the bill of the month before."""
    tariff = read_tariff("annualised-bank")
    for line in table("L10_anniversary_choice"):
        reset = MONTHS.index(line["first month"]) or 12
        rules = replace(tariff, credit=tariff.credit.with_reset(reset, tariff.credit.at_reset))
        got = []
        for letter in "AB":
            rows = bills(house(letter, line["first month"]), rules)
            left, paid, cost = (sum(row[key] for row in rows) for key in ("credit_reset", "payout", "bill"))
            got += [f"{left:.0f}", f"{paid:.2f}", f"{cost - rows[-1]['balance_close']:.2f}"]
        assert got == list(line.values())[1:]
        assert [got[0], got[2], got[3], got[5]] == [str(value) for value in SUMMARY["L10"][line["first month"]]]


@pytest.mark.parametrize("name, first, reset", [("L10b_Apr", "Apr", 3), ("L10b_Oct", "Oct", 9)])
def test_full_ledger_of_an_annualised_period(name, first, reset):
    tariff = read_tariff("annualised-bank")
    tariff = replace(tariff, credit=replace(tariff.credit, reset_month=reset))
    rows = bills(house("B", first), tariff)
    compare(
        name, rows, EXACT | {"energy $": "energy", "settled kWh": "credit_reset", "settle $": "payout"}, month_label
    )
    assert sum(row["bill"] for row in rows) == Decimal(SUMMARY[name])


MATRIX = {
    "kWh bank, forfeit after Mar": "flat-bank-forfeit",
    "kWh bank, pay 0.04 after Mar": "flat-bank-paid",
    "monthly netting, excess at 75 % of retail": "flat-share-of-retail",
    "kWh bank, NBC 0.03 on all delivered": "flat-bank-unavoidable-part",
    "net billing, export 0.15 (= retail)": "flat-net-billing-15-cents",
    "net billing, export 0.05": "flat-net-billing-5-cents",
    "net billing, export 0.00": "flat-net-billing-0-cents",
    "buy-all sell-all, 0.10 on generation": "flat-buy-all-sell-all",
}


def test_the_same_year_under_every_rule():
    shipped = {line["rule"]: line for line in table("L11_matrix")}
    assert set(shipped) == {"no PV", *MATRIX}
    for letter in "AB":
        for rule, file in MATRIX.items():
            rows = bills(house(letter, "Apr"), read_tariff(file))
            none = sum(row["bill"] for row in bills(without_array(house(letter, "Apr")), read_tariff(file)))
            bill, lost = (sum(row[key] for row in rows) for key in ("bill", "credit_reset"))
            left = f"{lost} kWh / {rows[-1]['money_bank_close']:.2f} $"
            line = shipped[rule]
            assert (
                Decimal(line[f"{letter} year bill $"]),
                Decimal(line[f"{letter} saving $"]),
                line[f"{letter} left over"],
            ) == (bill, none - bill, left), rule
            assert none == Decimal(shipped["no PV"][f"{letter} year bill $"])


def test_capacity_charge_published_for_flanders():
    """2.9 kW x 87 a kW and year = 252.30."""
    period = pd.DataFrame(
        {
            "period_start": [date(2025, 1, 1)],
            "period_end": [date(2026, 1, 1)],
            "delivered_kwh": [3000],
            "received_kwh": [2000],
        }
    )
    (bill,) = bills(period, read_tariff("capacity-charge-year"), rated_ac_kw=2.9)
    assert bill["capacity"] == Decimal("252.30")


def test_capacity_charge_published_for_alabama():
    """5 kW x 5.41 = 27.05, x 5.42 = 27.10 a month, 325.20 a year; 4.48 kW: 291.38 a year, 37 % of the saving."""
    tariff = read_tariff("capacity-charge-month")
    five = bills(house("A", "Apr"), tariff, rated_dc_kw=5)
    assert {row["capacity"] for row in five} == {Decimal("27.10")}
    assert sum(row["capacity"] for row in five) == Decimal("325.20")
    cheaper = replace(tariff, charges=(tariff.charges[0], replace(tariff.charges[1], price=Decimal("5.41"))))
    assert bills(house("A", "Apr"), cheaper, rated_dc_kw=5)[0]["capacity"] == Decimal("27.05")
    exact = 12 * Decimal("4.48") * tariff.charge("capacity charge").price
    assert round(exact, 2) == Decimal("291.38") and round(100 * exact / Decimal("790.50")) == 37
    printed = sum(row["capacity"] for row in bills(house("A", "Apr"), tariff, rated_dc_kw=4.48))
    assert printed == 12 * Decimal("24.28") == Decimal("291.36")  # twelve rounded lines are two cents less


def test_floats_of_the_ledger_are_the_exact_values():
    rows = bills(two_houses("A", "B", "Apr"), read_tariff("kwh-bank-march"))
    book = ledger(two_houses("A", "B", "Apr"), read_tariff("kwh-bank-march"))
    for name in ("bill", "energy", "bank_close"):
        assert book[name].tolist() == [float(row[name]) for row in rows]
    assert book["bill"].dtype == np.float64
