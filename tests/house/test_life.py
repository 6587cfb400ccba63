"""Bills of a life: the ledger through all years, put together here by hand and compared."""

import copy
import tomllib
from datetime import date
from decimal import Decimal

import numpy as np
import pandas as pd
import pytest

from solarlib.bill.accounts import ledger
from solarlib.bill.periods import monthly_periods
from solarlib.bill.tariff_file import TARIFF_FOLDER, read_tariff, tariff_from_table
from solarlib.house import bills, rules, year_bills
from solarlib.house.file import HOUSE_FOLDER, Growth, PricePath, house_from_table, read_house
from solarlib.house.year import simulate
from solarlib.quantities import InputError, energy_kwh
from solarlib.worth.money import growth_path

BASIC = {"line": "basic", "on": "month", "price": 9.5}
RULES = {
    "kWh bank": {
        "name": "kWh bank",
        "charge": [BASIC, {"line": "energy", "on": "billed", "price": 0.137}],
        "credit": {"unit": "kWh", "reset_month": 3, "at_reset": "pay", "payout_price": 0.031},
    },
    "feed-in, minimum, tax": {
        "name": "feed-in",
        "minimum_bill": 21.0,
        "charge": [
            BASIC,
            {"line": "bought", "on": "import", "price": 0.21},
            {"line": "tax", "on": "percent", "price": 6},
        ],
        "credit": {"unit": "money", "netting": "none", "export_price": 0.07},
    },
    "every second year": {
        "name": "every second year",
        "charge": [BASIC, {"line": "energy", "on": "billed", "price": 0.137}],
        "credit": {"unit": "kWh", "reset_month": 10, "reset_every_years": 2, "at_reset": "forfeit"},
    },
}


def table():
    return tomllib.loads((HOUSE_FOLDER / "two-storey.toml").read_text(encoding="utf-8"))


def house_with(tariff, **outlook):
    own = table() | {"tariff": tariff}
    own["outlook"] = own["outlook"] | outlook
    return house_from_table(own, "mine.toml")


def months_by_hand(house, factors, first):
    """Twelve months a year, each from the hours of the typical year and the generation of its year."""
    year, rows = simulate(house), []
    made, used = energy_kwh(year["generation_w"].clip(lower=0)), energy_kwh(year["load_w"])
    for number, factor in enumerate(factors):
        net = used - factor * made
        sums = monthly_periods(net.clip(lower=0), (-net).clip(lower=0), factor * made).drop(columns="months")
        starts = pd.date_range(f"{first.year + number}-{first.month:02d}-01", periods=13, freq="MS")
        order = np.roll(np.arange(12), 1 - first.month)
        rows.append(sums.iloc[order].assign(period_start=starts[:-1].date, period_end=starts[1:].date))
    return pd.concat(rows, ignore_index=True)


def grown_by_hand(tariff, year, growth, start, end):
    """The table of a tariff with the prices of a year, written anew."""
    own, level = copy.deepcopy(tariff), Decimal(str((1 + growth) ** (year - 1)))
    for charge in own["charge"]:
        charge["price"] = Decimal(str(charge["price"])) * (1 if charge["on"] == "percent" else level)
    for place, key in ((own["credit"], "payout_price"), (own["credit"], "export_price"), (own, "minimum_bill")):
        if key in place:
            place[key] = Decimal(str(place[key])) * level
    dates = {"valid_from": start, "valid_to": end}
    return tariff_from_table(own | {key: day for key, day in dates.items() if day})


@pytest.mark.parametrize("name", RULES)
def test_a_life_is_the_engine_run_by_hand_through_its_300_months(name):
    house, first, years, growth = house_with(RULES[name]), date(2026, 1, 1), 25, 0.025
    before = 2 if "second" in name else 1
    factors = growth_path(years, -0.005)
    rated = {"rated_dc_kw": 6.45, "rated_ac_kw": 5.49}
    edges = [None, *(date(2026 + year, 1, 1) for year in range(1, years)), None]
    sets = [grown_by_hand(RULES[name], year, growth, *edges[year - 1 : year + 1]) for year in range(1, years + 1)]
    begin = first.replace(year=first.year - before)
    billed = []
    for shares in (0.0 * factors, factors):
        periods = months_by_hand(house, [shares[0]] * before + shares.tolist(), begin)
        book = ledger(periods, sets, **rated)
        billed.append(book["bill"].to_numpy()[12 * before :].reshape(years, 12).sum(axis=1))
    for found, by_hand in zip(bills.life_bills(house), billed):
        np.testing.assert_allclose(found, by_hand, atol=1e-6)
    flow = bills.owner_cash_flow(house, house.costs)
    np.testing.assert_allclose(flow["bill_with_pv"].iloc[1:], billed[1], atol=1e-6)


def test_a_reset_every_second_year_alternates():
    house = house_with(RULES["every second year"])
    flat = bills.Course(price_growth=0.0, degradation=0.0, yield_factor=1.15)
    with_array = bills.life_bills(house, flat)[1]
    odd, even = with_array[0], with_array[1]
    assert abs(odd - even) > 20  # what stays in the bank pays for the autumn of one year only
    assert with_array[::2] == pytest.approx(odd, abs=0.05) and with_array[1::2] == pytest.approx(even, abs=0.05)
    assert bills.bill_with_array(house, 1.15) == pytest.approx((odd + even) / 2, abs=0.05)


@pytest.mark.parametrize(
    ("credit", "each", "over", "years"),
    [
        ({"reset_month": 3, "at_reset": "forfeit"}, 1, 1, 1),
        ({"reset_month": 3, "at_reset": "forfeit", "reset_every_years": 2}, 1, 1, 2),
        ({"reset_month": 3, "at_reset": "forfeit", "reset_every_years": 2}, 1, 30, 4),
        ({"reset_bills": 12, "at_reset": "forfeit"}, 1, 1, 1),
        ({"reset_bills": 18, "at_reset": "forfeit"}, 1, 1, 3),
        ({"reset_bills": 4, "at_reset": "forfeit"}, 6, 1, 2),
        ({"life_bills": 13}, 1, 1, 2),
        ({"life_bills": 12}, 1, 1, 1),
        ({"life_bills": 12}, 2, 1, 2),
        ({}, 1, 13, 2),
    ],
)
def test_after_how_many_years_bills_repeat(credit, each, over, years):
    peak = {"line": "peak", "on": "demand", "price": 0.1, "window_minutes": 60, "over_bills": over}
    own = RULES["kWh bank"] | {"credit": {"unit": "kWh"} | credit, "months_per_bill": each}
    house = house_with(own | {"charge": [*own["charge"], peak]})
    assert year_bills.cycle(house.tariff) == years
    flat = bills.Course(price_growth=0.0, degradation=0.0, years=3 * years, yield_factor=1.1)
    again = bills.life_bills(house, flat)[1].reshape(3, years)
    assert again[1] == pytest.approx(again[0], abs=0.03) and again[2] == pytest.approx(again[0], abs=0.03)
    assert bills.bill_with_array(house, 1.1) == pytest.approx(again[0].mean(), abs=0.03)


@pytest.mark.parametrize("count", [2, 3, 4, 6, 12])
def test_bills_of_several_months_have_the_sums_of_their_months(count):
    one, several = (house_with(RULES["kWh bank"] | {"months_per_bill": n}) for n in (1, count))
    flat = bills.Course(price_growth=0.0, degradation=0.0)
    assert bills.life_bills(several, flat)[0] == pytest.approx(bills.life_bills(one, flat)[0], abs=0.01)
    assert bills.bill_without_array(several) == pytest.approx(bills.bill_without_array(one), abs=0.01)
    table = year_bills.months(several, tariff=several.tariff)
    assert len(table) == 12 // count and set(table["months"]) == {count}
    whole = year_bills.months(one)[["delivered_kwh", "received_kwh", "generation_kwh"]].sum()
    assert table[list(whole.index)].sum().to_numpy() == pytest.approx(whole.to_numpy(), abs=1e-6)
    again = year_bills.two_years(table)
    assert len(again) == 24 // count and again["period_end"].iloc[-1] == pd.Timestamp("2028-01-01", tz=house_zone())


def house_zone():
    return read_house("two-storey").place.tz


def test_a_capacity_charge_billed_once_a_year_is_charged_once():
    house = house_with({"file": "capacity-charge-year"})
    assert bills.bill_with_array(house) == pytest.approx(477.63, abs=0.005)
    flat = bills.Course(price_growth=0.0, degradation=0.0)
    assert bills.life_bills(house, flat)[1] == pytest.approx(477.63, abs=0.005)


def test_yearly_bills_from_july_are_shared_by_months_and_lose_nothing():
    """A bill across the new year: the yearly sums are those of a life that begins with the bill."""
    yearly = RULES["kWh bank"] | {"months_per_bill": 12}
    from_july = house_with(yearly | {"valid_from": date(2027, 7, 1)})
    assert bills.first_day(from_july) == date(2027, 7, 1)
    flat = bills.Course(price_growth=0.0, degradation=0.0, years=4)
    whole = bills.life_bills(house_with(yearly), flat)[0][0]
    assert bills.life_bills(from_july, flat)[0] == pytest.approx([whole] * 4, abs=0.01)
    # monthly bills for nine months, then yearly ones: April to March, of which each year has three and nine months
    later = [RULES["kWh bank"], yearly | {"name": "yearly", "valid_from": date(2026, 10, 1)}]
    found = bills.life_bills(house_with(later), flat)[0]
    assert found[1:] == pytest.approx([whole] * 3, abs=0.01)


def test_prices_go_on_by_kind():
    growth = {"fixed": 0.0, "energy": 0.04, "export": {"held_years": 3, "then": 0.03}}
    own = {"unit": "money", "netting": "none", "export_price": 0.08}
    house = house_with(RULES["feed-in, minimum, tax"] | {"credit": own, "minimum_bill": 0}, growth=growth)
    flat = bills.Course(degradation=0.0, years=6)
    made, used = year_bills.hourly(house)
    bought, sold = (used - made).clip(lower=0).sum(), (made - used).clip(lower=0).sum()
    year = np.arange(6)
    energy, export = 0.21 * 1.04**year, np.where(year < 3, 0.08, 0.03)
    without, with_array = bills.life_bills(house, flat)
    assert without == pytest.approx(1.06 * (114 + energy * used.sum()), abs=0.5)
    assert with_array == pytest.approx(1.06 * (114 + energy * bought - export * sold), abs=0.5)
    slower = bills.life_bills(house, bills.Course(price_growth=0.0, degradation=0.0, years=6))[1]
    assert slower == pytest.approx(with_array)  # each kind has a growth of its own


def test_held_prices_grow_after_their_years_and_a_later_tariff_from_its_own_year():
    path = PricePath(rate=0.1, held_years=3)
    assert [rules.level_of(path, 0.5, year) for year in (1, 3, 4, 5)] == pytest.approx([1, 1, 1.1, 1.21])
    assert [rules.level_of(PricePath(), 0.5, year) for year in (1, 2, 3)] == pytest.approx([1, 1.5, 2.25])
    first, later = RULES["kWh bank"], copy.deepcopy(RULES["kWh bank"]) | {"name": "later", "valid_from": "2029-01-01"}
    later["charge"][1] = later["charge"][1] | {"price": 0.5}
    life = rules.life(house_with([first, later]).tariffs, Growth(), 0.02, date(2026, 1, 1), 6)
    prices = [float(each.charge("energy").price) for each in life.dated]
    assert prices == pytest.approx([0.137, 0.137 * 1.02, 0.137 * 1.02**2, 0.5, 0.5 * 1.02, 0.5 * 1.02**2])
    assert (life.dated[0].valid_from, life.dated[-1].valid_to) == (None, None)


def test_what_pays_for_exports_becomes_one_price_and_charges_stay():
    lines = [{"line": "sold", "on": "received", "price": -0.1}, {"line": "grid", "on": "received", "price": 0.01}]
    own = {"name": "sold", "charge": [{"line": "energy", "on": "delivered", "price": 0.2}, *lines]}
    after = rules.paying(tariff_from_table(own | {"credit": {"unit": "none", "netting": "none"}}), Decimal("0.03"))
    assert [charge.price for charge in after.charges] == [Decimal("0.2"), Decimal("-0.03"), Decimal("0.01")]


@pytest.mark.parametrize(("at_end", "more"), [("forfeit", {}), ("convert", {"conversion_price": 0.05})])
def test_a_later_tariff_takes_over_as_the_file_says(at_end, more):
    bank = {"unit": "kWh", "at_end": at_end} | more
    later = RULES["feed-in, minimum, tax"] | {"valid_from": date(2028, 7, 1)}
    house = house_with([RULES["kWh bank"] | {"credit": bank}, later])
    flat = bills.Course(price_growth=0.0, degradation=0.0, years=4)
    periods = months_by_hand(house, [1.0] * 5, date(2025, 1, 1))
    book = ledger(periods, house.tariffs)
    assert at_end == "forfeit" or book["credit_money_added"].iloc[41] > 1
    by_hand = book["bill"].to_numpy()[12:].reshape(4, 12).sum(axis=1)
    np.testing.assert_allclose(bills.life_bills(house, flat)[1], by_hand, atol=1e-6)


def test_other_rules_from_a_year_on_have_the_prices_of_that_year():
    house, other = read_house("two-storey"), read_tariff("flat-net-billing-5-cents")
    own, changed = (
        bills.life_bills(house, bills.Course(tariff)) for tariff in (None, bills.rules_from(house, other, 11))
    )
    always = bills.life_bills(house, bills.Course(other))
    assert changed[0][:10] == pytest.approx(own[0][:10]) and changed[1][:10] == pytest.approx(own[1][:10])
    assert changed[0][10:] == pytest.approx(always[0][10:], abs=0.01)
    assert changed[1][11:] == pytest.approx(always[1][11:], abs=0.01)  # its credits of money begin at nothing
    assert bills.rules_from(house, other, 1) == (other,)


def test_new_prices_are_not_other_rules():
    """A yearly account, a mean of demands over bills and a bank go on when only prices change."""
    demand = {"line": "peak", "on": "demand", "price": 3.0, "window_minutes": 60, "over_bills": 12}
    own = {"name": "peak", "charge": [{"line": "energy", "on": "billed", "price": 0.1}, demand]}
    house = house_with(own | {"credit": {"unit": "kWh"}})
    mean = float(year_bills.months(house, tariff=house.tariff)["demand_kw"].mean())
    flat = bills.Course(degradation=0.0, years=3)
    without_energy = house_with(own | {"charge": [own["charge"][0] | {"price": 0}, demand], "credit": {"unit": "kWh"}})
    found = bills.life_bills(without_energy, flat)[1]
    assert found == pytest.approx(12 * 3.0 * mean * 1.025 ** np.arange(3), rel=2e-3)


@pytest.mark.parametrize("name", sorted(file.stem for file in TARIFF_FOLDER.glob("*.toml")))
def test_a_tariff_written_twice_is_one_tariff(name):
    """Nothing is settled, paid out or forgotten where the second table says the same as the first."""
    again = [{"file": name}, {"file": name, "valid_from": date(2028, 1, 1)}]
    one, two = house_with(again[0]), house_with(again)
    if one.tariff.credit.at_end == "keep" and year_bills._step(one.tariff) == 60:
        still = bills.Course(price_growth=0.0, years=4)
        np.testing.assert_allclose(bills.life_bills(two, still)[1], bills.life_bills(one, still)[1], atol=1e-6)


@pytest.mark.parametrize("name", sorted(file.stem for file in TARIFF_FOLDER.glob("*.toml")))
def test_every_shipped_rule_may_be_the_rule_of_a_house(name):
    house = house_with({"file": name, "valid_from": date(2026, 1, 1)})
    without, with_array = bills.life_bills(house, bills.Course(years=2))
    assert np.isfinite(with_array).all() and without[0] > with_array[0] > -2000
    whole = read_tariff(name)
    made, used = year_bills.hourly(house)
    if year_bills._step(whole) == 60:  # what is counted for the shape is what is counted for the rules
        net = used - made
        by_rules = monthly_periods(net.clip(lower=0), (-net).clip(lower=0), made, tariff=whole)
        mine = year_bills.months(house, tariff=whole)
        columns = [column for column in by_rules if column in mine.columns[2:]]
        assert {"delivered_kwh", "received_kwh"} <= set(columns)
        needed = set(by_rules) - {"period_start", "period_end"}
        assert needed <= set(mine)
        np.testing.assert_allclose(mine[columns].to_numpy(float), by_rules[columns].to_numpy(float), atol=1e-6)


def test_rules_finer_than_an_hour_are_billed_from_made_minutes_and_say_so():
    fine = copy.deepcopy(RULES["feed-in, minimum, tax"])
    fine["credit"]["netting"] = "quarter hour"
    house, coarse = house_with(fine), house_with(RULES["feed-in, minimum, tax"])
    assert year_bills.basis(house).startswith("This rule is finer than an hour: its bills come from quarter hours")
    assert year_bills.basis(coarse) == "" and "half hours" in year_bills.basis(coarse, half_hours())
    minutes = simulate(house, "1min", np.random.default_rng(year_bills.CLOUDS))
    net = (minutes["load_w"] - minutes["generation_w"].clip(lower=0)).to_numpy().reshape(-1, 15).sum(axis=1) / 60_000
    sums = year_bills.months(house, tariff=house.tariff)
    assert sums["import_kwh"].sum() == pytest.approx(np.maximum(net, 0).sum(), abs=1e-3)
    assert sums["export_kwh"].sum() == pytest.approx(np.maximum(-net, 0).sum(), abs=1e-3)
    hours = year_bills.months(house)
    assert sums["delivered_kwh"].sum() > hours["delivered_kwh"].sum()
    assert sums["generation_kwh"].sum() == pytest.approx(hours["generation_kwh"].sum(), rel=0.02)


def half_hours():
    own = copy.deepcopy(RULES["feed-in, minimum, tax"])
    own["credit"]["netting"] = "half hour"
    return tariff_from_table(own)


def test_a_mean_of_highest_demands_over_bills_of_two_months():
    peak = {"line": "peak", "on": "demand", "price": 3, "window_minutes": 60, "highest": 3, "one_a_day": True}
    own = {"name": "peaks", "charge": [{"line": "energy", "on": "import", "price": 0.1}, peak], "months_per_bill": 2}
    house = house_with(own)
    made, used = year_bills.hourly(house)
    bought = (used - made).clip(lower=0)
    days = bought.groupby(bought.index.date).max()
    pairs = days.groupby([(day.month - 1) // 2 for day in days.index])
    highest = [top.nlargest(3).mean() for _, top in pairs]
    table = year_bills.months(house, tariff=house.tariff)
    assert table["demand_kw"].tolist() == pytest.approx(highest) and table["months"].tolist() == [2] * 6
    assert table["delivered_kwh"].sum() == pytest.approx(bought.sum())
    net = made - used
    energy = sum(max(0.0, -net[net.index.month.isin((month, month + 1))].sum()) for month in range(1, 12, 2))
    assert bills.bill_with_array(house) == pytest.approx(0.1 * energy + 2 * 3 * sum(highest), abs=0.05)
    # a life from April on: from April, June ... on, the last from February to the end of March
    turned = days.groupby([(day.month - 4) % 12 // 2 for day in days.index])
    april = 0.1 * sum(max(0.0, -net[((net.index.month - 4) % 12) // 2 == pair].sum()) for pair in range(6))
    april += 2 * 3 * sum(top.nlargest(3).mean() for _, top in turned)
    flat = bills.Course(price_growth=0.0, degradation=0.0, years=3)
    found = bills.life_bills(house_with(own, first_day=date(2027, 4, 1)), flat)[1]
    assert found == pytest.approx([april] * 3, abs=0.1)


@pytest.mark.parametrize(("count", "first"), [(2, 2), (3, 12), (4, 3), (6, 8), (12, 5)])
def test_highest_demands_of_bills_across_the_new_year(count, first):
    """Bills that begin in any month: a demand alone is the mean of the highest hours of all their months together."""
    peak = {"line": "peak", "on": "demand", "price": 3, "window_minutes": 60, "highest": 2}
    own = {"name": "peaks", "charge": [{"line": "energy", "on": "delivered", "price": 0}, peak]}
    house = house_with(own | {"months_per_bill": count}, first_day=date(2027, first, 1))
    made, used = year_bills.hourly(house)
    number = (used.index.month - first) % 12 // count
    without, with_array = bills.life_bills(house, bills.Course(price_growth=0.0, degradation=0.0, years=2))
    for found, bought in ((without, used), (with_array, (used - made).clip(lower=0))):
        by_hand = 3 * count * sum(top.nlargest(2).mean() for _, top in bought.groupby(number))
        assert found == pytest.approx([by_hand] * 2, abs=0.1)


def test_a_file_of_prices_lies_beside_the_house_file(tmp_path):
    hours = pd.date_range("2026-01-01", "2027-01-01", freq="1h", inclusive="left")
    prices = np.where(hours.hour < 12, 0.05, 0.20)
    rows = "\n".join(f"{hour:%Y-%m-%dT%H:%M},{price}" for hour, price in zip(hours, prices))
    (tmp_path / "prices.csv").write_text(f"time,price\n{rows}\n", encoding="utf-8")
    text = (HOUSE_FOLDER / "two-storey.toml").read_text(encoding="utf-8")
    price = 'prices = { file = "prices.csv", column = "price" }'
    text = text.replace("price = 0.135", price).replace('on = "billed"', 'on = "delivered"')
    text = (
        text.replace('unit = "kWh"', 'unit = "none"').replace("reset_month = 3", "").replace('at_reset = "forfeit"', "")
    )
    text = text.replace('netting = "period"', 'netting = "none"')
    (tmp_path / "mine.toml").write_text(text, encoding="utf-8")
    house = read_house(tmp_path / "mine.toml")
    _, used = year_bills.hourly(house)
    worth = (used * np.where(used.index.hour < 12, 0.05, 0.20)).sum()
    assert bills.bill_without_array(house) == pytest.approx(144 + worth, abs=0.1)
    without = bills.life_bills(house, bills.Course(years=3))[0]
    assert without == pytest.approx((144 + worth) * 1.025 ** np.arange(3), abs=0.2)


def test_energies_are_made_once_for_a_house_whatever_its_rules():
    house = read_house("two-storey")
    other = house_with(RULES["every second year"])
    assert year_bills.hourly(house)[0] is year_bills.hourly(other)[0]


@pytest.mark.parametrize(
    ("tariff", "outlook", "message"),
    [
        (
            [RULES["kWh bank"], RULES["kWh bank"]],
            {},
            r"tariff\[2\].valid_from: found nothing, allowed is the first day",
        ),
        ([], {}, "tariff: found none, allowed is a table"),
        (
            [RULES["kWh bank"], {"file": "kwh-bank-march", "valid_from": "soon"}],
            {},
            r"tariff\[2\].*valid_from: found 'soon'",
        ),
        (
            [
                RULES["kWh bank"] | {"valid_to": date(2028, 1, 1)},
                {"file": "kwh-bank-march", "valid_from": date(2029, 1, 1)},
            ],
            {},
            "found valid_to 2028-01-01 and valid_from 2029-01-01, allowed is the same day",
        ),
        (
            [
                RULES["kWh bank"] | {"valid_from": date(2030, 1, 1)},
                {"file": "kwh-bank-march", "valid_from": date(2029, 1, 1)},
            ],
            {},
            r"tariff\[1\].valid_to: found 2029-01-01, allowed is a date after valid_from, 2030-01-01",
        ),
        (
            [RULES["kWh bank"], {"file": "flat-net-billing-5-cents", "valid_from": date(2029, 1, 1)}],
            {},
            "credit.at_end = 'keep' although unit or buckets differ",
        ),
        (
            RULES["kWh bank"],
            {"growth": {"energy": 2.5}},
            r"outlook.growth.energy: found 2.5, allowed is a share a year",
        ),
        (RULES["kWh bank"], {"growth": {"fixed": {"held_years": 3, "then": 9}}}, "outlook.growth.fixed: found"),
        (RULES["kWh bank"], {"growth": {"export": 0.0}}, "outlook.growth.export: found no such price in the tariff"),
        (RULES["kWh bank"], {"growth": {"sun": 0.0}}, "outlook.growth.sun: found an unknown key"),
        (RULES["kWh bank"], {"first_day": "April"}, "outlook.first_day: found 'April', allowed is a date"),
    ],
)
def test_dated_tariffs_and_growth_that_make_no_sense_are_refused(tariff, outlook, message):
    with pytest.raises(InputError, match=message) as caught:
        house_with(tariff, **outlook)
    assert str(caught.value).startswith("mine.toml: ") and "\n" not in str(caught.value)


def test_dated_tariffs_are_read_in_order():
    house = house_with([RULES["kWh bank"], {"file": "kwh-bank-march", "valid_from": date(2029, 5, 1)}])
    assert [each.name for each in house.tariffs] == ["kWh bank", read_tariff("kwh-bank-march").name]
    assert house.tariff is house.tariffs[0] and house.tariff.valid_to == date(2029, 5, 1)
    assert hash(house) and bills.first_day(house) == date(2026, 1, 1)
    dated = house_with(RULES["kWh bank"] | {"valid_from": date(2027, 4, 15)})
    assert bills.first_day(dated) == date(2027, 4, 1)
    assert bills.first_day(house_with(RULES["kWh bank"], first_day=date(2031, 9, 30))) == date(2031, 9, 1)


def test_a_price_level_scales_money_and_nothing_else():
    own = copy.deepcopy(RULES["kWh bank"])
    own["credit"] |= {"at_reset": "pay if over", "payout_threshold": 600}
    level = bills.at_price_level(tariff_from_table(own), 1.5)
    assert level.credit.payout_threshold == 600 and level.credit.payout_price == Decimal("0.0465")
    paid = {"unit": "money", "netting": "hour", "reset_month": 3, "at_reset": "pay if over", "payout_threshold": 40}
    hours = [[0.04] * 12 + [0.1] * 12] * 12
    monthly = {"line": "monthly", "on": "import", "prices": [0.1] * 11 + [0.3]}
    tax = {"line": "tax", "on": "percent", "price": 7}
    table = own | {"minimum_bill": 8, "charge": [monthly, tax], "credit": paid | {"export_price": hours}}
    level = bills.at_price_level(tariff_from_table(table), 1.5)
    assert (level.credit.payout_threshold, level.minimum_bill, level.charge("tax").price) == (60, 12, 7)
    assert level.charge("monthly").prices.values == (Decimal("0.15"),) * 11 + (Decimal("0.45"),)
    assert set(np.frombuffer(level.credit.export_price.by_clock)) == {0.06, 0.15}
