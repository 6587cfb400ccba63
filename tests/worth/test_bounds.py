"""Every limit of the money modules at its edge: the edge itself is taken, what lies beyond is refused."""

import numpy as np
import pytest

from solarlib.quantities import InputError
from solarlib.worth import money, premium
from solarlib.worth.lifetime import Costs, Event, Loan, cash_flow
from solarlib.worth.risk import relative_sd


def costs(**values):
    return Costs(**({"installed": 9000.0} | values))


def loan(**values):
    return Loan(**({"amount": 1200.0, "rate": 0.06, "years": 10} | values))


@pytest.mark.parametrize(
    "make, name, low, high, beyond",
    [
        (lambda v: Event("roof", v, 10.0), "year", 1, 100, 1),
        (lambda v: costs(tax_credit_year=v), "tax_credit_year", 0, 100, 1),
        (lambda v: costs(tax_credit_share=v), "tax_credit_share", 0, 1, 0.001),
        (lambda v: costs(tax_credit_carry_years=v, tax_owed=1.0), "tax_credit_carry_years", 0, 100, 1),
        (lambda v: costs(eligible_installed=v), "eligible_installed", 0, 1, 0.001),
        (lambda v: costs(eligible_roof_and_panelboard_work=v), "eligible_roof_and_panelboard_work", 0, 1, 0.001),
        (lambda v: costs(growth=v), "growth", -0.5, 0.5, 0.001),
        (lambda v: costs(rebate=v), "rebate", 0, 9000, 0.01),
        (lambda v: loan(rate=v), "rate", 0, 1, 0.001),
        (lambda v: loan(years=v), "years", 1, 100, 1),
        (lambda v: loan(payments_per_year=v), "payments_per_year", 1, 366, 1),
        (lambda v: premium.value_of_gain(0.01, v, 0.16), "yearly_kwh", 0, 1e9, 1),
        (lambda v: premium.value_of_gain(0.01, 5000.0, v), "price_per_kwh", 0, 100, 0.01),
        (lambda v: premium.gain_needed(5000.0, 0.16, v), "premium", -1e9, 1e9, 1),
    ],
)
def test_the_edges_are_taken_and_no_more(make, name, low, high, beyond):
    for edge in (low, high):
        make(edge)
    for wrong in (low - beyond, high + beyond):
        with pytest.raises(InputError, match=name):
            make(wrong)


@pytest.mark.parametrize(
    "name",
    ["installed", "fees", "roof_and_panelboard_work", "rebate", "upkeep_per_year", "insurance_and_tax_per_year",
     "residual", "removal", "tax_owed"],
)  # fmt: skip
def test_no_cost_is_below_zero(name):
    costs(**{name: 0.0})
    with pytest.raises(InputError, match=f"costs.{name}"):
        costs(**{name: -0.01})


def test_what_costs_have_when_nothing_is_said():
    plain = Costs(9000.0)
    assert plain.outlay == 9000 and plain.tax_credit == 0 and plain.tax_credit_year == 1
    table = cash_flow([100.0, 100.0], [40.0, 40.0], plain)
    assert table["net"].tolist() == [-9000, 60, 60]


def test_the_last_year_is_the_last_that_may_cost():
    costs(events=(Event("roof", 2, 1.0),)).check_years(2)
    costs(tax_credit_share=0.1, tax_credit_year=2).check_years(2)
    costs(tax_credit_year=3).check_years(2)  # a credit of nothing has no date
    flows = np.full(10, 1.0)
    cash_flow(flows, flows, costs(), loan())
    for late in (costs(events=(Event("roof", 3, 1.0),)), costs(tax_credit_share=0.1, tax_credit_year=3)):
        with pytest.raises(InputError, match="found year 3, allowed is up to the last year, 2"):
            late.check_years(2)


def test_a_loan_is_paid_each_month():
    assert loan(rate=0.0, years=1).payment == pytest.approx(100.0, rel=1e-12)
    assert loan(rate=0.0, years=1, fee=12.0).payment == pytest.approx(101.0, rel=1e-12)
    schedule = loan(rate=0.0, years=2, amount=2400.0).schedule()
    assert schedule["principal"].tolist() == pytest.approx([1200, 1200]) and schedule["balance"].tolist() == [1200, 0]


def test_a_sum_that_is_zero_in_truth_is_paid_back_and_one_that_is_short_is_not():
    assert money.payback([-0.3, 0.1, 0.1, 0.1]) == pytest.approx(3.0, abs=1e-12)
    assert np.isnan(money.payback([-0.3, 0.1, 0.1, 0.1 - 1e-9]))
    assert money.payback([-10.0, 10.0]) == 1.0 and money.payback([-10.0, 0.0, 10.0]) == 2.0


def test_rates_just_above_a_total_loss_are_taken():
    assert money.net_present_value(-0.5, [1.0, 1.0]) == 3.0
    assert money.growth_path(1, 0.3).tolist() == [1.0] and money.growth_path(3, 1.0).tolist() == [1, 2, 4]
    with pytest.raises(InputError, match="years: found 2.5"):
        money.growth_path(2.5, 0.0)


def test_two_rates_apart_are_two_and_two_together_one():
    apart, together = (money.internal_rates(-np.poly([1.1, 1.1 + gap])) for gap in (1e-3, 1e-5))
    assert apart == pytest.approx((0.1, 0.101), abs=1e-6) and together == pytest.approx((0.1,), abs=1e-4)


def test_spread_of_one_year_is_the_default():
    assert relative_sd([0.03], 0.04) == pytest.approx(0.05, rel=1e-12)
