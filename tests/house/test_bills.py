"""Yearly bills of a house with and without its array, and the owner's cash flow from them."""

import numpy as np
import pandas as pd
import pytest

from solarlib.bill.accounts import ledger
from solarlib.bill.periods import monthly_periods
from solarlib.bill.tariff_file import read_tariff
from solarlib.house import bills, year_bills
from solarlib.house.file import read_house
from solarlib.house.year import simulate
from solarlib.quantities import InputError, energy_kwh
from solarlib.worth import money
from solarlib.worth.lifetime import Costs, Event, Loan, figures_of_merit

NAMES = ("two-storey", "bungalow", "cabin")


@pytest.fixture(params=NAMES)
def house(request):
    return read_house(request.param)


@pytest.fixture
def two_storey():
    return read_house("two-storey")


def energies(house):
    year = simulate(house)
    return energy_kwh(year["generation_w"].clip(lower=0)), energy_kwh(year["load_w"])


def test_net_billing_is_the_sum_of_its_two_channels(house):
    made, used = energies(house)
    tariff = read_tariff("flat-net-billing-5-cents")
    bought, sold = (used - made).clip(lower=0).sum(), (made - used).clip(lower=0).sum()
    assert bills.bill_with_array(house, 1.0, tariff) == pytest.approx(
        120 + 0.15 * bought - 0.05 * sold, abs=1.5
    )  # whole kWh
    assert bills.bill_without_array(house, tariff) == pytest.approx(120 + 0.15 * used.sum(), abs=1.0)
    parts = bills.saving(house, tariff)
    assert parts["exported"] == pytest.approx(0.05 * sold, abs=1.0)
    assert parts["self_consumed"] == pytest.approx(0.15 * np.minimum(made, used).sum(), abs=1.5)


def test_all_sold_pays_for_generation_whatever_is_used_at_once(house):
    made, used = energies(house)
    tariff = read_tariff("flat-buy-all-sell-all")
    assert bills.bill_with_array(house, 1.0, tariff) == pytest.approx(
        120 + 0.15 * used.sum() - 0.10 * made.sum(), abs=1.5
    )


def test_settled_year_is_what_four_years_in_a_row_end_in(house):
    made, used = energies(house)
    bought, sold = (used - made).clip(lower=0), (made - used).clip(lower=0)
    year = monthly_periods(bought, sold, made, tariff=house.tariff)
    edges = pd.date_range("2026-01-01", periods=49, freq="MS").date
    four = pd.concat([year] * 4, ignore_index=True).assign(period_start=edges[:-1], period_end=edges[1:])
    yearly = ledger(four, house.tariff)["bill"].to_numpy().reshape(4, 12).sum(axis=1)
    assert bills.bill_with_array(house) == pytest.approx(yearly[1]) == pytest.approx(yearly[3])
    assert bills.bill_with_array(house, 0.0) == pytest.approx(bills.bill_without_array(house))


def test_parts_add_up_and_more_array_never_costs_more(house):
    for size in (0.25, 1.0, 2.0):
        parts = bills.saving(house, size=size)
        assert parts["self_consumed"] + parts["exported"] == pytest.approx(parts["saving"])
    falling = [bills.bill_with_array(house, factor) for factor in (0, 0.3, 0.7, 1.0, 1.5, 3.0)]
    assert np.all(np.diff(falling) <= 0.01)


def test_ratings_grow_with_the_size_and_not_with_the_weather(two_storey):
    tariff = read_tariff("capacity-charge-month")
    base = bills.bill_with_array(two_storey, 1e-6, tariff, 1.0) - bills.bill_without_array(two_storey, tariff)
    twice = bills.bill_with_array(two_storey, 1e-6, tariff, 2.0) - bills.bill_without_array(two_storey, tariff)
    assert base > 1 and twice == pytest.approx(2 * base, rel=0.01)


def test_avoided_price_is_the_price_of_the_energy_line(house):
    energy = [charge.price for charge in house.tariff.charges if charge.on == "billed"]
    assert bills.avoided_price(house) == pytest.approx(float(energy[0]), rel=1e-3)


def test_energies(house):
    made, used = energies(house)
    found = year_bills.year_energies(house)
    assert found["generation"] == pytest.approx(made.sum()) and found["use"] == pytest.approx(house.yearly_kwh)
    assert 0 < found["self_used"] < min(found["generation"], found["use"])


def test_price_level_scales_every_price(two_storey):
    for name in (
        "flat-net-billing-5-cents",
        "net-billing-monthly-price",
        "flat-buy-all-sell-all",
        "days-blocks-capacity",
    ):
        tariff = read_tariff(name)
        dearer = bills.at_price_level(tariff, 2.0)
        for get in (bills.bill_without_array, lambda h, t: bills.bill_with_array(h, 1.0, t)):
            assert get(two_storey, dearer) == pytest.approx(2 * get(two_storey, tariff), abs=0.5)


def test_net_flow_is_the_column_net_of_the_cash_flow(house):
    costs = Costs(
        9000, 300, rebate=500, upkeep_per_year=50, events=(Event("repair", 9, 800.0),), residual=100, growth=0.02
    )
    course = bills.Course(
        tariff=read_tariff("flat-share-of-retail"),
        price_growth=0.03,
        years=12,
        degradation=0.01,
        yield_factor=0.9,
        price_factor=1.1,
        loan=Loan(4000, 0.06, 8),
    )
    table = bills.owner_cash_flow(house, costs, course)
    assert bills.net_flow(house, costs, course) == pytest.approx(table["net"].to_numpy(), abs=1e-9)
    plain = bills.owner_cash_flow(house, house.costs)
    assert bills.net_flow(house, house.costs) == pytest.approx(plain["net"].to_numpy(), abs=1e-9)


def test_cash_flow_of_the_file_without_wear_or_growth_repeats_the_first_year(house):
    flow = bills.owner_cash_flow(house, house.costs, bills.Course(price_growth=0.0, degradation=0.0))
    saved = bills.saving(house)["saving"]
    assert flow["saving"].iloc[1:].to_numpy() == pytest.approx(saved, abs=2.0)
    assert flow.loc[0, "net"] == -house.costs.outlay and len(flow) == house.outlook.years + 1
    merit = figures_of_merit(flow, 0.05)
    running = house.costs.upkeep_per_year
    assert merit["simple_payback"] == pytest.approx(money.simple_payback(house.costs.outlay, saved, running), rel=0.01)


def test_generation_wears_and_follows_the_weather(house):
    course = bills.Course(years=10, degradation=0.01, yield_factor=0.9)
    path = bills.owner_cash_flow(house, Costs(1000.0), course)["generation_kwh"]
    assert path[0] == 0 and path.size == 11
    assert path[1] == pytest.approx(0.9 * year_bills.year_energies(house)["generation"])
    assert path[10] == pytest.approx(path[1] * 0.99**9)


@pytest.mark.parametrize("wrong", [dict(factor=-0.1), dict(factor=3.1), dict(size=0)])
def test_wrong_factors_are_refused(two_storey, wrong):
    with pytest.raises(InputError):
        bills.bill_with_array(two_storey, **wrong)
