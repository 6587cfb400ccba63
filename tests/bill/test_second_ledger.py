"""Two ledgers of the same bills: the library's and one made apart, in exact fractions, from the rules in words.

Every amount of money agrees within half a cent, every energy exactly, over random rules, readings and intervals.
"""

import tomllib
from fractions import Fraction

import pandas as pd
import pytest
from bill import second_ledger
from hypothesis import HealthCheck, assume, given, settings, strategies as st

from profiles import examples
from rule_space import intervals, metered, rule_sets
from solarlib.bill.accounts import bills
from solarlib.bill.periods import monthly_periods
from solarlib.bill.tariff import TARIFF_FOLDER, read_tariff
from solarlib.quantities import InputError

HALF_A_CENT = Fraction(1, 200)
RATED = {"dc": 4.48, "ac": 3.1}
NO_MATTER = [HealthCheck.too_slow, HealthCheck.filter_too_much, HealthCheck.data_too_large]


def tried(count):
    """Settings of a test that compares a number of computed ledgers; refused tables do not count."""
    return settings(deadline=None, max_examples=count, suppress_health_check=NO_MATTER)


def differences(rows, seconds):
    """Return (row, column, the library's, the second) of each value that differs, by the columns of the second."""
    assert len(rows) == len(seconds)
    found = []
    for i, (row, second) in enumerate(zip(rows, seconds)):
        for column, value in second.items():
            energy = "kwh" in column or ("bank" in column or "credit" in column) and "money" not in column
            if abs(Fraction(row[column]) - value) > (0 if energy else HALF_A_CENT):
                found.append((i, column, str(row[column]), float(value)))
    return found


def read_all(tables):
    """Return the tables as tariffs; those that contradict themselves are drawn again."""
    try:
        return [read_tariff(table) for table in tables]
    except InputError:
        assume(False)


def assert_same(periods, tariffs, tables, seconds, data):
    """Bill the periods by both ledgers, with a drawn opening bank, and compare."""
    opening, closing = {}, data.draw(st.booleans())
    if tariffs[0].credit.unit == "kWh":
        opening = {name: data.draw(st.sampled_from([0, 0, 1, 40, 1500])) for name in tariffs[0].bucket_names}
    ratings = {f"rated_{kind}_kw": kw for kind, kw in RATED.items()}
    try:
        rows = bills(periods, tariffs, opening_kwh=opening or 0, closing=closing, **ratings)
    except InputError:  # rules that need intervals, no rules for that day, banks that do not fit at a join
        assume(False)
    assert not differences(rows, second_ledger.ledger(seconds, tables, RATED, opening, closing))


def compare_registers(tables, data):
    tariffs = read_all(tables)
    periods = data.draw(metered(tariffs[0].bucket_names))
    rows = periods.to_dict("records")
    ruling = [next((t for t in tables if second_ledger.is_valid(t, row["period_start"])), None) for row in rows]
    assume(None not in ruling)
    seconds = [second_ledger.from_registers([row], table)[0] for row, table in zip(rows, ruling)]
    assert_same(periods, tariffs, tables, seconds, data)


def compare_intervals(tables, data):
    table = tables[-1]
    (tariff,) = read_all([table | {"valid_from": "2020-01-01"}])
    zone, minutes, reads, flows = data.draw(intervals())
    kwh = {f"{name}_kwh": series for name, series in flows.items()}
    try:
        periods = monthly_periods(**kwh, reads=reads, tariff=tariff)
    except InputError:  # intervals longer than the rules ask for
        assume(False)
    times = [int(label.timestamp()) for label in flows["delivered"].index]
    values = {name: series.tolist() for name, series in flows.items()}
    seconds = second_ledger.from_intervals(times, minutes, zone, values, reads, table)
    assert_same(periods, [tariff], [table | {"valid_from": "2020-01-01"}], seconds, data)


@pytest.mark.slow
@given(rule_sets(), st.data())
@tried(examples(300))
def test_bills_from_registers_are_those_of_the_second_ledger(tables, data):
    compare_registers(tables, data)


@pytest.mark.slow
@given(rule_sets(), st.data())
@tried(examples(100))
def test_bills_from_intervals_are_those_of_the_second_ledger(tables, data):
    compare_intervals(tables, data)


@pytest.mark.long
@given(rule_sets(), st.data())
@tried(4000)
def test_four_thousand_ledgers_from_registers(tables, data):
    compare_registers(tables, data)


@pytest.mark.long
@given(rule_sets(), st.data())
@tried(1000)
def test_a_thousand_ledgers_from_intervals(tables, data):
    compare_intervals(tables, data)


# ---------------------------------------------------------------- by hand


def a_year(buckets):
    """Two years of two-register readings, a surplus in summer, the same in each bucket."""
    edges = pd.date_range("2023-04-01", periods=25, freq="MS").date
    table = {"period_start": edges[:-1], "period_end": edges[1:], "generation_kwh": 0}
    for name in buckets:
        end = f"_{name}" if name else ""
        sent = [340, 450, 500, 500, 430, 330, 200, 90, 50, 60, 110, 220] * 2
        taken = [300, 190, 160, 200, 210, 190, 320, 550, 760, 780, 650, 500] * 2
        table |= {f"delivered_kwh{end}": taken, f"received_kwh{end}": sent, f"import_kwh{end}": taken}
        table[f"export_kwh{end}"] = sent
        table["generation_kwh"] = pd.Series(sent) * 1.5 + table["generation_kwh"]
        table[f"generation_kwh{end}"] = pd.Series(sent) * 1.5 if name else table["generation_kwh"]
    return pd.DataFrame(table)


def shipped(file):
    """Return a shipped tariff's table and the two ledgers of two years."""
    table = tomllib.loads(file.read_text(encoding="utf-8"))["tariff"]
    tariff = read_tariff(file.stem)
    periods = a_year(tariff.bucket_names)
    rows = bills(periods, tariff, rated_dc_kw=4.48, rated_ac_kw=3.1)
    return table, periods, rows


BY_HOUR = ("hourly-dynamic-price", "time-of-use-hourly-export", "yearly-true-up-minimum")  # no bill from registers
FROM_REGISTERS = [file for file in sorted(TARIFF_FOLDER.glob("*.toml")) if file.stem not in BY_HOUR]


@pytest.mark.parametrize("file", FROM_REGISTERS, ids=lambda file: file.stem)
def test_every_shipped_tariff_makes_the_same_bills_in_both(file):
    table, periods, rows = shipped(file)
    seconds = second_ledger.from_registers(periods.to_dict("records"), table)
    assert not differences(rows, second_ledger.ledger(seconds, [table], RATED))


def test_a_price_that_is_a_tenth_of_a_cent_off_is_seen():
    table, periods, rows = shipped(TARIFF_FOLDER / "kwh-bank-march.toml")
    table["charge"][1]["price"] += 0.001
    seconds = second_ledger.from_registers(periods.to_dict("records"), table)
    found = differences(rows, second_ledger.ledger(seconds, [table], RATED))
    assert {column for _, column, _, _ in found} >= {"bill", "line energy", "bill_without_pv"}
