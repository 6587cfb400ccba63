"""A bill in words: each line, and why a summer bill is not zero."""

from datetime import date

import pandas as pd
import pytest

from solarlib.bill.accounts import ledger
from solarlib.bill.tariff import TARIFF_FOLDER, read_tariff
from solarlib.bill.words import explain
from solarlib.quantities import InputError


def june(tariff):
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
        "The bill for 30 days is 12.00 $. The house sent out 340 kWh more than it took in. "
        "What is charged: basic charge 12.00 $. Surplus energy cannot reduce basic charge: "
        "that is why the bill is not zero."
    )
    assert explain(june(tariff), "energy", tariff) == (
        "The line 'energy' is 0.00 $: it charges the kWh left after netting and after the bank. "
        "It counted 0 kWh at 0.115 $/kWh. Banked kWh reduce it."
    )


def test_a_summer_bill_of_net_billing_names_what_credit_cannot_touch():
    tariff = read_tariff("net-billing-monthly-price")
    words = explain(june(tariff), "bill", tariff)
    assert "A money credit took 22.50 $ off." in words
    assert "Surplus energy cannot reduce fixed charge, non-bypassable" in words
    assert "55.80 $ from energy used at once and 22.50 $ from energy sent out" in explain(
        june(tariff), "saving", tariff
    )


def test_a_minimum_bill_is_named():
    tariff = read_tariff("time-of-use-bank")
    assert "5.00 $ were added to reach the minimum bill." in explain(june(tariff), "bill", tariff)
    assert "Credits used on such a bill save nothing." in explain(june(tariff), "minimum", tariff)


@pytest.mark.parametrize("file", sorted(TARIFF_FOLDER.glob("*.toml")), ids=lambda file: file.stem)
def test_every_line_and_topic_of_every_shipped_tariff_has_its_amount_in_words(file):
    tariff = read_tariff(file)
    row = june(tariff)
    for charge in tariff.charges:
        assert f"{row[f'line {charge.line}']:.2f} $" in explain(row, charge.line, tariff)
    for topic, column in (("bill", "bill"), ("saving", "saving")):
        assert f"{row[column]:.2f} $" in explain(row, topic, tariff)
    for topic in ("bank", "reset", "credit", "minimum", "tax", "payout"):
        assert explain(row, topic, tariff).endswith(".")


def test_an_unknown_line_is_refused_with_the_lines_that_there_are():
    tariff = read_tariff("kwh-bank-march")
    with pytest.raises(InputError, match="found 'fuel', allowed is one of basic charge, energy, bill, bank"):
        explain(june(tariff), "fuel", tariff)
