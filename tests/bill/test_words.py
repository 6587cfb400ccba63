"""A bill in words: each line, and why a summer bill is not zero."""

from datetime import date

import pandas as pd
import pytest

from solarlib.bill.accounts import ledger
from solarlib.bill.periods import monthly_periods
from solarlib.bill.tariff_file import TARIFF_FOLDER, read_tariff
from solarlib.bill.words import explain
from solarlib.quantities import InputError, dollars


def hourly_june(tariff):
    """Return the periods of a June in which every day is alike: drawn at 3 and 18 o'clock, sent out at 12 and 17."""
    hours = pd.date_range("2025-06-01", "2025-07-01", freq="1h", tz="UTC", inclusive="left")
    drawn, sent = ({hour: kwh / 60 for hour in at} for kwh, at in ((160, (3, 18)), (500, (12, 17))))
    flows = [pd.Series([flow.get(hour, 0.0) for hour in hours.hour], hours) for flow in (drawn, sent)]
    return monthly_periods(*flows, generation_kwh=680 / 500 * flows[1], tariff=tariff)


def june(tariff):
    prices = [tariff.credit.export_price, *(charge.prices for charge in tariff.charges)]
    if len(tariff.nettings) > 1 or any(price and price.by_interval for price in prices):
        return ledger(hourly_june(tariff), tariff).iloc[0]
    columns = {"period_start": date(2025, 6, 1), "period_end": date(2025, 7, 1)}
    usage = pd.DataFrame([columns | {"delivered_kwh": 160, "received_kwh": 500, "generation_kwh": 680}])
    flows = {"delivered": 160, "received": 500, "generation": 680, "import": 160, "export": 500}
    for name in tariff.bucket_names if tariff.buckets else ():  # as much in each
        parts = {f"{flow}_kwh_{name}": kwh / len(tariff.buckets) for flow, kwh in flows.items()}
        usage = usage.assign(**parts)
    return ledger(usage.assign(import_kwh=160, export_kwh=500), tariff, rated_dc_kw=4.48, rated_ac_kw=4).iloc[0]


def test_a_summer_bill_of_a_kwh_bank_is_the_basic_charge():
    tariff = read_tariff("kwh-bank-march")
    assert explain(june(tariff), "bill", tariff) == (
        "The bill for 30 days is $12.00. The house sent out 340 kWh more than it took in. "
        "What is charged: basic charge $12.00. Surplus energy cannot reduce basic charge: "
        "that is why the bill is not zero."
    )
    assert explain(june(tariff), "energy", tariff) == (
        "The line 'energy' is $0.00: it charges the kWh left after netting and after the bank. "
        "It counted 0 kWh at $0.115/kWh. Banked kWh reduce it."
    )


def test_a_summer_bill_of_net_billing_names_what_credit_cannot_touch():
    tariff = read_tariff("net-billing-monthly-price")
    words = explain(june(tariff), "bill", tariff)
    assert "A money credit took $22.50 off." in words
    assert "Surplus energy cannot reduce fixed charge, non-bypassable" in words


def test_a_minimum_bill_is_named():
    tariff = read_tariff("time-of-use-bank")
    assert "$5.00 were added to reach the minimum bill." in explain(june(tariff), "bill", tariff)


def told(charge, **rules):
    """Return the words about one line, beside a basic line on energy, for an hourly June."""
    lines = [{"line": "energy", "on": "import", "price": 0.1}, {"line": "it", **charge}]
    tariff = read_tariff({"name": "one", "charge": lines, "credit": {"unit": "none", "netting": "period"}} | rules)
    return explain(ledger(hourly_june(tariff), tariff).iloc[0], "it", tariff)


def test_a_line_is_told_with_what_it_counted_and_no_price_that_it_has_not():
    """An hourly June: 160 kWh drawn, 500 sent out, 2.67 kW at most; netted over the month nothing is bought."""
    assert "It counted 160 kWh (netting: hour) at $0.02/kWh." in told(
        {"on": "import", "netting": "hour", "price": 0.02}
    )
    prices = {
        "on": "import",
        "netting": "hour",
        "prices": [[0.1] * 12 + [0.3] * 12] * 12,
    }  # half at 3, half at 18 o'clock
    told_prices = "It counted 160 kWh (netting: hour), at prices that change with the time: $0.2000/kWh in the mean."
    assert told_prices in told(prices)
    steps = {"on": "demand", "window_minutes": 60, "blocks": [{"up_to_kw": 2, "price": 3}, {"price": 9}]}
    assert "It counted 2.67 kW: 2 kW at $3/kW, 0.67 kW at $9/kW." in told(steps)


@pytest.mark.parametrize("file", sorted(TARIFF_FOLDER.glob("*.toml")), ids=lambda file: file.stem)
def test_the_bill_and_every_line_of_every_shipped_tariff_has_its_amount_in_words(file):
    tariff = read_tariff(file)
    row = june(tariff)
    for charge in tariff.charges:
        said = explain(row, charge.line, tariff)
        assert dollars(row[f"line {charge.line}"]) in said and "None" not in said
    assert dollars(row["bill"]) in explain(row, "bill", tariff)


def test_an_unknown_line_is_refused_with_the_lines_that_there_are():
    tariff = read_tariff("kwh-bank-march")
    with pytest.raises(InputError, match="found 'fuel', allowed is one of basic charge, energy, bill"):
        explain(june(tariff), "fuel", tariff)
