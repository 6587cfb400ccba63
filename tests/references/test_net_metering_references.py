"""Net metering against published rules, one month, a worked year, and a billing fault.

NEM-1  Rollover rules: HRS 269-105 (Hawaii); Florida PSC rule as summarised by DSIRE/OpenEI; K.S.A. 66-1266 and a 2010
       DSIRE summary (Kansas as first enacted). seen
NEM-2  One month: 300 kWh out, 400 kWh in, billed 100 kWh. common practice, no source
NEM-3  A whole year by those rules. built here
NEM-4  A credit given twice: the arithmetic of the fault closes. built here
"""

from datetime import date
from decimal import Decimal

import pandas as pd
import pytest

from solarlib.bill.accounts import bills
from solarlib.bill.tariff_file import read_tariff

LOAD = [800, 700, 650, 600, 650, 850, 950, 950, 750, 600, 650, 800]
PV = [350, 420, 600, 750, 900, 1000, 1050, 1000, 800, 650, 400, 300]
CHARGES = [{"line": "monthly", "on": "month", "price": 12}, {"line": "energy", "on": "billed", "price": 0.14}]


def usage(delivered, received, first="2025-01-01"):
    edges = pd.date_range(first, periods=len(delivered) + 1, freq="MS").date
    return pd.DataFrame(
        {"period_start": edges[:-1], "period_end": edges[1:], "delivered_kwh": delivered, "received_kwh": received}
    )


def rules(credit, charges=CHARGES):
    return read_tariff({"name": "year", "kwh_decimals": 0, "negative_bill": "pay", "charge": charges, "credit": credit})


HAWAII = {"unit": "kWh", "netting": "period", "reset_bills": 12, "at_reset": "forfeit"}
FLORIDA = {"unit": "kWh", "netting": "period", "reset_month": 12, "at_reset": "pay", "payout_price": 0.035}
KANSAS = {"unit": "kWh", "netting": "period", "reset_month": 12, "at_reset": "forfeit"}


def test_hawaii_supplied_less_fed_back_over_the_month_and_less_unused_credits_since_the_reconciliation():
    """NEM-1: a month bills max(0, supplied - fed back - credits unused since the last 12-month reconciliation)."""
    rows = bills(usage(LOAD * 2, PV * 2), rules(HAWAII))
    for i, row in enumerate(rows):
        unused = 0
        for j in range(i - i % 12, i):
            unused = max(0, unused + PV[j % 12] - LOAD[j % 12])
        assert row["billed_kwh"] == max(0, LOAD[i % 12] - PV[i % 12] - unused)


def test_florida_credits_roll_for_up_to_twelve_months_and_the_rest_is_paid_at_avoided_cost():
    rows = bills(usage(LOAD, PV), rules(FLORIDA))
    assert (rows[-1]["credit_reset"], rows[-1]["payout"]) == (50, Decimal("1.75"))


def test_kansas_as_first_enacted_leaves_the_rest_to_the_utility():
    rows = bills(usage(LOAD, PV), rules(KANSAS))
    assert (rows[-1]["credit_reset"], rows[-1]["payout"], rows[-1]["bank_close"]) == (50, 0, 0)


def test_one_month():
    """NEM-2."""
    (row,) = bills(usage([400], [300]), rules(KANSAS))
    assert row["billed_kwh"] == 100


def test_a_year_of_a_kwh_bank():
    """NEM-3: billed 450 280 50 and nothing after; the bank month by month; the energy balance in every month."""
    rows = bills(usage(LOAD, PV), rules({"unit": "kWh", "netting": "period"}))
    assert [row["billed_kwh"] for row in rows] == [450, 280, 50] + [0] * 9
    assert [row["bank_close"] for row in rows] == [0, 0, 0, 150, 400, 550, 650, 700, 750, 800, 550, 50]
    net = billed = 0
    for load, pv, row in zip(LOAD, PV, rows):
        net, billed = net + load - pv, billed + row["billed_kwh"]
        assert net == billed - row["bank_close"]
    assert (net, billed) == (730, 780)


@pytest.mark.parametrize("credit, total", [(KANSAS, "253.20"), (FLORIDA, "251.45")])
def test_a_year_in_money(credit, total):
    """NEM-3: 12 x 12 + 0.14 x 780 = 253.20; Florida pays 50 x 0.035 = 1.75 of it back."""
    assert sum(row["bill"] for row in bills(usage(LOAD, PV), rules(credit))) == Decimal(total)


def test_a_year_without_a_bank():
    """NEM-3: the excess of each month is bought at avoided cost: 144 + 0.14 x 1530 - 0.035 x 800 = 330.20."""
    charges = [CHARGES[0], CHARGES[1] | {"offset": False}]
    credit = {"unit": "money", "netting": "period", "export_price": 0.035, "reset_bills": 1, "at_reset": "pay"}
    rows = bills(usage(LOAD, PV), rules(credit, charges))
    assert sum(row["import_kwh"] for row in rows) == 1530 and sum(row["export_kwh"] for row in rows) == 800
    assert sum(row["bill"] for row in rows) == Decimal("330.20")


def test_a_year_that_starts_in_april():
    """NEM-3: 730 kWh billed, 246.20, nothing left over."""
    rows = bills(usage(LOAD[3:] + LOAD[:3], PV[3:] + PV[:3], "2025-04-01"), rules(KANSAS | {"reset_month": 3}))
    assert sum(row["billed_kwh"] for row in rows) == 730
    assert sum(row["bill"] for row in rows) == Decimal("246.20")
    assert rows[-1]["credit_reset"] == 0


def test_export_enters_the_ledger_once():
    """NEM-4: 6840 kWh sent back against 3452 kWh at the full and 7120 kWh at half the price.

    In full-price kWh the purchases are 3452 + 3560 = 7012 and one credit leaves 172 to pay; credited twice, as the
    utility's program did, the account would have stood at -6668.
    """
    price = Decimal("0.10")
    table = {
        "name": "two services",
        "kwh_decimals": 0,
        "bucket": [{"name": "interruptible", "hours": [[0, 6]]}, {"name": "general"}],
        "charge": [
            {"line": "general", "on": "billed", "bucket": "general", "price": float(price)},
            {"line": "interruptible", "on": "billed", "bucket": "interruptible", "price": float(price / 2)},
        ],
        "credit": {"unit": "kWh", "netting": "bucket", "cross_bucket": "by value"},
    }
    year = pd.DataFrame(
        {
            "period_start": [date(2025, 1, 1)],
            "period_end": [date(2026, 1, 1)],
            "delivered_kwh_general": 3452,
            "received_kwh_general": 6840,
            "delivered_kwh_interruptible": 7120,
            "received_kwh_interruptible": 0,
        }
    )
    (row,) = bills(year, read_tariff(table))
    assert row["bill"] / price == 7012 - 6840 == 172
    assert row["export_kwh"] + row["delivered_kwh_general"] == 6840, "netted and banked together are what was received"
    assert row["credit_added"] <= row["received_kwh"] == 6840
    assert 7012 - 2 * row["received_kwh"] == -6668
