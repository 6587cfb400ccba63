"""Two ledgers of the same bills: the library's and one made apart, in exact fractions, from the rules in words.

Every amount of money agrees within half a cent, every energy exactly, over random rules, readings and intervals. The
long run counts what was drawn: each choice of each declared key, and the shapes named in `SHAPES`.
"""

import re
import tomllib
from collections import Counter
from dataclasses import replace
from datetime import date
from decimal import Decimal
from fractions import Fraction

import numpy as np
import pandas as pd
import pytest
from bill import rule_shapes, second_ledger, second_meter, second_prices
from bill.drawn_rules import wide_rule_sets
from hypothesis import HealthCheck, assume, given, settings, strategies as st

from profiles import examples
from rule_space import intervals, metered
from solarlib.bill.accounts import bills
from solarlib.bill.credits import Lots, cross
from solarlib.bill.periods import longest_step, monthly_periods
from solarlib.bill.tariff_file import TARIFF_FOLDER, read_tariff
from solarlib.quantities import InputError

HALF_A_CENT = Fraction(1, 200)
RATED = {"dc": 4.48, "ac": 3.1}
NO_MATTER = [HealthCheck.too_slow, HealthCheck.filter_too_much, HealthCheck.data_too_large]
TEXTS = ("period_start", "period_end", "days", "estimated", "tariff")


def tried(count):
    """Settings of a test that compares a number of computed ledgers; refused tables do not count."""
    return settings(deadline=None, max_examples=count, suppress_health_check=NO_MATTER)


def differences(rows, seconds):
    """Return (row, column, the library's, the second's) of each value that differs or that one of both has not."""
    assert len(rows) == len(seconds)
    found = []
    for i, (row, second) in enumerate(zip(rows, seconds)):
        for column in {*row, *second} - {*TEXTS}:
            one, other = row.get(column), second.get(column)
            assert one == one, (i, column)
            if one is None or other is None:
                differs = one is not other
            else:
                differs = abs(Fraction(one) - other) > allowed(column)
            if differs:
                found.append((i, column, str(one), None if other is None else float(other)))
    return found


def allowed(column):
    """Half a cent of money, no energy; a step of energy that is shared by days has 28 digits, a mean kW has nine."""
    if column.startswith(("kwh ", "kw ", "limit ")):
        return Fraction(1, 10 ** (8 if column.startswith("kw ") else 15))
    energy = any(word in column for word in ("kwh", "bank", "credit", "crossed")) and "money" not in column
    return 0 if energy and not column.startswith("line ") else HALF_A_CENT


def read_all(tables):
    """Return the tables as tariffs; those that contradict themselves are drawn again."""
    try:
        return [read_tariff(table) for table in tables]
    except InputError:
        assume(False)


def assert_same(periods, tariffs, tables, seconds, ruling, data):
    """Bill the periods by both ledgers, with a drawn opening bank, and compare; return the shapes of what was drawn."""
    opening, closing = {}, data.draw(st.booleans())
    if tariffs[0].credit.unit == "kWh":
        opening = {name: data.draw(st.sampled_from([0, 0, 1, 40, 1500])) for name in tariffs[0].bucket_names}
    ratings = {f"rated_{kind}_kw": kw for kind, kw in RATED.items()}
    try:
        rows = bills(periods, tariffs, opening_kwh=opening or 0, closing=closing, **ratings)
    except InputError:  # rules that need intervals, no rules for that day, banks that do not fit at a join
        assume(False)
    others = second_ledger.ledger(seconds, ruling, second_ledger.Setting(RATED, opening=opening, closing=closing))
    assert not differences(rows, others)
    drawn = rule_shapes.outcomes(others, ruling, closing)
    drawn |= {"opened with kWh"} if any(opening.values()) else set()
    drawn |= {"a period of several months"} if any(period.months > 1 for period in seconds) else set()
    for tariff, table in zip(tariffs, tables):
        drawn |= rule_shapes.shapes(tariff, table) if any(table is rules for rules in ruling) else set()
    return drawn


def compare_registers(tables, data):
    tariffs = read_all(tables)
    periods = data.draw(metered(tariffs[0].bucket_names))
    if len(tables) > 1 and data.draw(st.booleans()):
        tables, tariffs = joined(tables, tariffs, [*periods["period_start"], periods["period_end"].iloc[-1]], data)
    if data.draw(st.booleans()):
        periods["months"] = data.draw(st.lists(st.integers(1, 3), min_size=len(periods), max_size=len(periods)))
    add_columns(periods, tables, tariffs[0].bucket_names, data)
    rows = periods.to_dict("records")
    ruling = second_ledger.ruling_of(tables, [row["period_start"] for row in rows])
    assume(None not in ruling)
    seconds = [second_meter.from_registers(row) for row in rows]
    return assert_same(periods, tariffs, tables, seconds, ruling, data) | {"registers"}


def add_columns(periods, tables, names, data):
    """Add what lines ask for that registers cannot tell: demands of several kinds, imports by nettings of their own."""
    rng = np.random.default_rng(data.draw(st.integers(0, 2**32)))
    for table in tables:
        for line in table["charge"]:
            if line["on"] == "demand":
                column = second_meter.demand_column(line, table)
                periods[column] = rng.integers(0, 900, len(periods)) / 100
                periods[f"load_{column}"] = rng.integers(900, 1900, len(periods)) / 100
            for name in names if line.get("netting", "period") not in ("period", "bucket", "none") else ():
                end = f"_{name}" if name else ""
                taken, sent = (periods[f"{register}_kwh{end}"] for register in ("delivered", "received"))
                least = (taken - sent).clip(lower=0)
                netted = (least + (taken - least) * rng.random(len(periods))).round(3)
                periods[f"import_by_{line['netting'].replace(' ', '_')}_kwh{end}"] = netted


def compare_intervals(tables, data):
    tariffs = read_all(tables)
    zone, minutes, reads, flows = data.draw(intervals())
    tables, tariffs = joined(tables, tariffs, reads, data)
    ruling = second_ledger.ruling_of(tables, reads[:-1])
    kwh = {f"{name}_kwh": series for name, series in flows.items()}
    try:
        made = [
            monthly_periods(**kwh, reads=pair, tariff=tariffs[tables.index(rules)])
            for rules, *pair in zip(ruling, reads, reads[1:])
        ]
    except InputError:  # intervals longer than the rules ask for
        assume(False)
    times = [int(label.timestamp()) for label in flows["delivered"].index]
    values = {name: series.tolist() for name, series in flows.items()}
    seconds = second_meter.from_intervals(times, minutes, zone, values, reads, ruling)
    for frame, second in zip(made, seconds):
        assert abs(frame.get("curtailed_kwh", pd.Series([0.0]))[0] - float(second.curtailed)) < 1e-9
    drawn = assert_same(pd.concat(made, ignore_index=True), tariffs, tables, seconds, ruling, data)
    return drawn | {f"intervals of {minutes}", f"zone {zone}"} | turns(flows["delivered"].index)


def turns(index):
    """Return whether the clock is set forward or back between two labels."""
    steps = pd.Series(index.tz_localize(None)).diff().dropna()
    found = {"clock set back"} if (steps < index.freq).any() else set()
    return found | ({"clock set forward"} if (steps > index.freq).any() else set())


def joined(tables, tariffs, reads, data):
    """Return as many tables, and tariffs, as there are periods, one after another, each from the day of a read."""
    days = sorted(data.draw(st.permutations(reads[1:-1]))[: min(len(tables), len(reads) - 1) - 1])
    dates = [
        {"valid_from": first, "valid_to": last}
        for first, last in zip([date(2020, 1, 1), *days], [*days, date(2030, 1, 1)])
    ]
    return (
        [table | limits for table, limits in zip(tables, dates)],
        [replace(tariff, **limits) for tariff, limits in zip(tariffs, dates)],
    )


@pytest.mark.slow
@given(wide_rule_sets(), st.data())
@tried(examples(300))
def test_bills_from_registers_are_those_of_the_second_ledger(tables, data):
    compare_registers(tables, data)


@pytest.mark.slow
@given(wide_rule_sets(by_time=True), st.data())
@tried(examples(100))
def test_bills_from_intervals_are_those_of_the_second_ledger(tables, data):
    compare_intervals(tables, data)


@pytest.mark.long
def test_ledgers_of_every_shape():
    """Each shape of the vocabulary is drawn; prints how often, the rarest first.

    1,500 ledgers, under the profile `long` 5,000 and each shape at least fifty times.
    """
    drawn, (cases, least) = Counter(), (5000, 50) if examples(100) > 100 else (1500, 1)

    @given(wide_rule_sets(), st.data())
    @tried(cases * 3 // 5)
    def registers(tables, data):
        drawn.update(compare_registers(tables, data))

    @given(wide_rule_sets(by_time=True), st.data())
    @tried(cases * 2 // 5)
    def by_intervals(tables, data):
        drawn.update(compare_intervals(tables, data))

    registers()
    by_intervals()
    asked = rule_shapes.declared_shapes() | rule_shapes.combined_shapes() | rule_shapes.outcome_shapes()
    counts = {shape: drawn[shape] for shape in sorted(asked, key=lambda shape: drawn[shape])}
    print(*(f"{count:6} {shape}" for shape, count in counts.items()), sep="\n")
    assert not {shape: count for shape, count in counts.items() if count < least}


# ---------------------------------------------------------------- the words


def quotations():
    """Yield (function, quoted words) of the docstrings of the second ledger; [...] stands for words left out."""
    for module in (second_prices, second_meter, second_ledger):
        for name, thing in vars(module).items():
            text = (
                " ".join((thing.__doc__ or "").split()) if getattr(thing, "__module__", "") == module.__name__ else ""
            )
            for quoted in re.findall(r'"((?:[^"]|"[a-z ]+")+?)"(?=[\s.;,:)\]]|$)', text):
                for part in re.split(r"\[[^]]*\]", quoted):
                    yield f"{module.__name__}.{name}", part.strip(" .;,")


def test_each_rule_that_the_second_ledger_quotes_stands_in_the_words():
    words = " ".join((TARIFF_FOLDER / "README.md").read_text(encoding="utf-8").split())
    quoted = list(quotations())
    assert len({name for name, _ in quoted}) > 35
    assert not [(name, part) for name, part in quoted if part not in words]


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


def made_hours(start="2023-03-01", end="2024-05-01"):
    """A zone and hourly registers of an invented house: more sun at noon and in summer, more use in the evening."""
    index = pd.date_range(start, end, freq="h", tz="Europe/Berlin", inclusive="left")
    sun = np.clip(np.sin((index.hour - 6) / 12 * np.pi), 0, None) * (2.1 - 1.3 * np.cos(index.day_of_year / 58.1))
    use = 0.3 + 0.9 * (index.hour >= 18) + 0.2 * (index.day_of_week >= 5)
    kwh = {
        "delivered": np.clip(use - sun, 0, None),
        "received": np.clip(sun - use, 0, None) + 0.01,
        "generation": sun + 0.01,
    }
    return {name: pd.Series(np.round(values, 3), index) for name, values in kwh.items()}


def by_registers(tariff, table):
    """Return both ledgers of two years of readings."""
    periods = a_year(tariff.bucket_names)
    rows = bills(periods, tariff, rated_dc_kw=4.48, rated_ac_kw=3.1)
    made = [second_meter.from_registers(row) for row in periods.to_dict("records")]
    return rows, second_ledger.ledger(made, [table] * len(made), second_ledger.Setting(RATED, TARIFF_FOLDER))


def by_hours(tariff, table):
    """Return both ledgers of fourteen months of hours, in the periods that are made without reads."""
    flows = made_hours()
    periods = monthly_periods(*flows.values(), tariff=tariff)
    rows = bills(periods, tariff, rated_dc_kw=4.48, rated_ac_kw=3.1)
    reads, months = second_meter.reads_by_month(date(2023, 3, 1), date(2024, 5, 1), table.get("months_per_bill", 1))
    times = [int(label.timestamp()) for label in flows["delivered"].index]
    values, ruling = {name: series.tolist() for name, series in flows.items()}, [table] * len(months)
    made = second_meter.from_intervals(times, 60, "Europe/Berlin", values, reads, ruling, months)
    return rows, second_ledger.ledger(made, ruling, second_ledger.Setting(RATED, TARIFF_FOLDER))


def table_of(file):
    """Return the table of a shipped tariff."""
    return tomllib.loads(file.read_text(encoding="utf-8"))["tariff"]


FILES = sorted(TARIFF_FOLDER.glob("*.toml"))
BY_HOUR = [file for file in FILES if longest_step(read_tariff(file.stem)) < pd.Timedelta(days=1)]


@pytest.mark.parametrize("file", [file for file in FILES if file not in BY_HOUR], ids=lambda file: file.stem)
def test_every_shipped_tariff_makes_the_same_bills_in_both(file):
    assert not differences(*by_registers(read_tariff(file.stem), table_of(file)))


@pytest.mark.slow
@pytest.mark.parametrize("file", BY_HOUR, ids=lambda file: file.stem)
def test_every_shipped_tariff_by_hours_makes_the_same_bills_in_both(file):
    assert not differences(*by_hours(read_tariff(file.stem), table_of(file)))


@pytest.mark.slow
@pytest.mark.parametrize("months", [1, 2, 3, 4, 6, 12])
def test_months_that_are_put_together(months):
    table = table_of(TARIFF_FOLDER / "days-blocks-capacity.toml") | {"months_per_bill": months}
    rows, seconds = by_hours(read_tariff(table), table)
    assert len(rows) == -(-14 // months)
    assert not differences(rows, seconds)


def two_sets_in_one_table():
    """A day each under two rule sets whose lines have the same names and count other things; periods of both in one."""
    index = pd.date_range("2024-03-01", "2024-03-03", freq="h", tz="UTC", inclusive="left")
    kwh = [pd.Series(value, index) for value in (1.0, 0.5, 1.5)]
    tables = [
        {"name": on, "charge": [{"line": "energy", "on": "import", "price": 0.2}, {"line": "hourly", "on": on}]}
        for on in ("received", "import")
    ]
    for table, prices in zip(tables, (-0.1, 0.1)):
        table["charge"][1]["prices"] = [[prices] * 24] * 12
        table["credit"] = {"unit": "none", "netting": "none"}
    tables[0]["valid_to"] = tables[1]["valid_from"] = date(2024, 3, 2)
    tariffs, reads = read_all(tables), [date(2024, 3, day) for day in (1, 2, 3)]
    made = [monthly_periods(*kwh, reads=pair, tariff=t) for t, *pair in zip(tariffs, reads, reads[1:])]
    return pd.concat(made, ignore_index=True), tariffs


def test_what_other_rules_count_in_the_same_table_is_no_part_of_a_bill():
    periods, tariffs = two_sets_in_one_table()
    assert "value hourly" in periods
    rows = bills(periods, tariffs)
    # 24 kWh in and 12 kWh back
    assert [str(row["bill"]) for row in rows] == ["3.60", "7.20"]


def test_a_row_that_lacks_what_its_rules_count_is_refused():
    periods, tariffs = two_sets_in_one_table()
    periods.loc[1, "value hourly"] = np.nan
    with pytest.raises(InputError, match="value hourly: found nothing"):
        bills(periods, tariffs)


def test_a_row_that_lacks_a_price_beside_one_that_has_it_is_refused():
    periods, (_, tariff) = two_sets_in_one_table()
    periods.loc[0, "value hourly"] = np.nan
    with pytest.raises(InputError, match="no value hourly in a row"):
        bills(periods, replace(tariff, valid_from=None))


@pytest.mark.parametrize("blocks", [False, True])
def test_half_a_cent_of_a_mean_of_three_powers_goes_up(blocks):
    demand = {"line": "demand", "on": "demand", "window_minutes": 60, "highest": 3}
    demand |= {"blocks": [{"up_to_kw": 0.5, "price": 2.13}, {"price": 2.13}]} if blocks else {"price": 2.13}
    table = {"name": "mean", "charge": [{"line": "free", "on": "delivered", "price": 0}, demand]}
    row = {"period_start": date(2024, 1, 1), "period_end": date(2024, 2, 1), "delivered_kwh": 1.0, "received_kwh": 0.0}
    rows = bills(pd.DataFrame([row | {"demand_kw": 2.5 / 3}]), read_tariff(table | {"meant": ["demand"]}))
    assert str(rows[0]["line demand"]) == "1.78"  # 2.5 kW / 3 at 2.13 $ are 1.775 $


@pytest.mark.parametrize("share", [Decimal(17) / 29, Decimal(22) / 29, Decimal(4) / 30])
def test_credit_crosses_in_whole_steps_at_prices_that_are_shares_of_days(share):
    step, banks = Decimal("0.1"), {"on": Lots(), "off": Lots()}
    banks["off"].add(1, Decimal(6))
    price = {"on": 2 * share, "off": share}  # twice as dear, but in the 28th digit
    into, out = cross(("on", "off"), "by value", price, banks, {"on": Decimal(5), "off": Decimal(0)}, step)
    assert (into["on"], out["off"]) == (3, 6)
    banks["on"].add(1, Decimal(3))
    into, out = cross(("on", "off"), "by value", price, banks, {"on": Decimal(0), "off": Decimal(9)}, step)
    assert (into["off"], out["on"]) == (6, 3)


def test_two_shares_that_make_one_price_do_not_cross():
    price = {"on": Decimal(2) / 29 + Decimal(14) / 29, "off": Decimal(16) / 29}
    assert price["on"] != price["off"]
    banks = {"on": Lots(), "off": Lots()}
    for bank in banks.values():
        bank.add(1, Decimal(6))
    into, _ = cross(("on", "off"), "high to low", price, banks, {"on": Decimal(5), "off": Decimal(5)}, Decimal(1))
    assert sum(into.values()) == 0


def test_a_price_that_is_a_tenth_of_a_cent_off_is_seen():
    file = TARIFF_FOLDER / "kwh-bank-march.toml"
    table = table_of(file)
    table["charge"][1]["price"] += 0.001
    found = differences(*by_registers(read_tariff(file.stem), table))
    assert {column for _, column, _, _ in found} >= {"bill", "line energy"}
