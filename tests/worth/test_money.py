"""Properties and edges of the money modules: what must hold for every cash flow, and what bad input says."""

import doctest

import numpy as np
import pandas as pd
import pytest
from hypothesis import assume, given, settings, strategies as st

from solarlib.bill import accounts as bank
from solarlib.bill.tariff_file import tariff_from_table
from solarlib.quantities import InputError
from solarlib.worth import bill_table, lifetime, money, premium, risk
from solarlib.worth.bill_table import BillTable, tabulate
from solarlib.worth.lifetime import Costs, Event, Loan, cash_flow, figures_of_merit
from solarlib.worth.risk import Rule, Uncertainty, draw_lifetimes, summarise, tornado

quick = settings(deadline=None, max_examples=60)
rates = st.floats(-0.3, 0.5)
amounts = st.floats(-1e4, 1e4).map(lambda x: round(x, 2))
flow_rows = st.lists(amounts, min_size=2, max_size=12)


def test_examples_in_the_docstrings():
    for module in (money, lifetime, bill_table, premium, risk):
        assert doctest.testmod(module).failed == 0
    assert doctest.testmod(money).attempted == 4 and doctest.testmod(premium).attempted == 1


class TestTimeValue:
    @quick
    @given(rates, rates)
    def test_real_and_nominal_are_inverse(self, real, inflation):
        assert money.real_rate(money.nominal_rate(real, inflation), inflation) == pytest.approx(real, abs=1e-12)

    @quick
    @given(flow_rows, rates, st.floats(-3, 3))
    def test_present_value_is_linear_and_year_0_counts_fully(self, flows, rate, factor):
        value = money.net_present_value(rate, flows)
        scale = np.abs(money.discounted(rate, flows)).sum() + 1
        assert money.net_present_value(rate, factor * np.array(flows)) == pytest.approx(
            factor * value, abs=1e-9 * scale
        )
        later = money.net_present_value(rate, [0.0, *flows])
        assert later * (1 + rate) == pytest.approx(value, abs=1e-9 * scale)
        assert money.net_present_value(0.0, flows) == pytest.approx(sum(flows), abs=1e-6)

    @quick
    @given(rates, rates, st.integers(1, 40))
    def test_annuity_factor_is_its_sum(self, rate, growth, periods):
        term_by_term = sum((1 + growth) ** (t - 1) / (1 + rate) ** t for t in range(1, periods + 1))
        assert money.annuity_factor(rate, periods, growth) == pytest.approx(term_by_term, rel=1e-9)

    def test_real_flows_at_the_real_rate_give_the_nominal_value(self):
        real = np.array([-9000.0] + [700.0] * 25)
        nominal = real * 1.03 ** np.arange(26)
        assert money.net_present_value(0.08, nominal) == pytest.approx(
            money.net_present_value(money.real_rate(0.08, 0.03), real)
        )

    def test_rates_per_row(self):
        flows = np.array([[-100.0, 60.0, 60.0], [-50.0, 0.0, 80.0]])
        both = money.net_present_value(np.array([0.1, 0.2]), flows)
        assert both.tolist() == [money.net_present_value(0.1, flows[0]), money.net_present_value(0.2, flows[1])]

    @pytest.mark.parametrize("rate", [-1.0, np.nan, np.inf])
    def test_refused_rate(self, rate):
        with pytest.raises(InputError, match=r"^rate: found .*allowed is a share above -1 \(5 % is 0.05\)$"):
            money.net_present_value(rate, [-1.0, 2.0])

    def test_refused_flows(self):
        with pytest.raises(InputError, match="^flows: found shape"):
            money.payback([1.0, np.nan])
        with pytest.raises(InputError, match="^years: found 0"):
            money.growth_path(0, 0.02)


class TestPayback:
    @quick
    @given(st.floats(100, 1e5), st.floats(1, 1e4))
    def test_level_saving_gives_the_simple_payback(self, cost, saving):
        years = cost / saving
        assume(years < 400)
        flows = np.r_[-cost, np.full(401, saving)]
        assert money.payback(flows) == pytest.approx(money.simple_payback(cost, saving), rel=1e-9)

    @quick
    @given(st.floats(100, 1e5), st.lists(st.floats(0.0, 1e4), min_size=3, max_size=30), st.floats(0, 0.2))
    def test_waiting_for_discounted_money_takes_longer(self, cost, savings, rate):
        flows = np.r_[-cost, savings]
        plain, discounted = money.payback(flows), money.payback(flows, rate)
        assert np.isnan(discounted) or plain <= discounted + 1e-9
        assert np.isnan(plain) == (sum(savings) < cost * (1 - 1e-9))

    @quick
    @given(flow_rows)
    def test_first_and_lasting(self, flows):
        first, lasting = money.payback(flows), money.payback(flows, lasting=True)
        total = np.cumsum(flows)
        if not np.isnan(lasting):
            assert first <= lasting
            assert (total[int(np.ceil(lasting)) :] >= -1e-6).all()
        else:
            assert total[-1] < 0

    def test_a_late_replacement_pushes_the_lasting_payback_back(self):
        flows = [-100.0, 60.0, 60.0, -50.0, 60.0]
        assert money.payback(flows) == pytest.approx(1 + 40 / 60)
        assert money.payback(flows, lasting=True) == pytest.approx(3.5)

    def test_edges(self):
        assert money.payback([0.0, 5.0]) == 0.0
        assert np.isnan(money.payback([-10.0, 5.0]))
        assert np.isnan(money.simple_payback(100.0, 20.0, 20.0))
        many = money.payback(np.array([[-10.0, 5.0, 10.0], [-10.0, 1.0, 1.0]]))
        assert many[0] == 1.5 and np.isnan(many[1])


class TestInternalRate:
    @quick
    @given(flow_rows)
    def test_every_rate_solves_and_descartes_bounds_their_number(self, flows):
        assume(any(flows))
        found = money.internal_rates(flows)
        assert len(found) <= money.sign_changes(flows)
        for rate in found:
            powers = (1 + rate) ** -np.arange(len(flows), dtype=float)
            assert abs(flows @ powers) <= 2e-9 * (np.abs(flows) @ powers)

    @quick
    @given(st.lists(st.floats(0.02, 3.0), min_size=1, max_size=5))
    def test_finds_the_rates_it_was_made_from(self, growths):
        growths = sorted(round(g, 3) for g in growths)
        assume(all(b - a > 0.05 for a, b in zip(growths, growths[1:])))
        flows = -np.poly(growths)  # zero where 1 + rate is one of them
        np.testing.assert_allclose(money.internal_rates(flows), np.array(growths) - 1, atol=1e-6)

    @quick
    @given(st.floats(1, 1e5), st.lists(st.floats(1.0, 1e4), min_size=1, max_size=40))
    def test_unique_for_an_investment_and_the_value_changes_sign_there(self, cost, savings):
        flows = np.r_[-cost, savings]
        rate = money.internal_rate(flows)
        assert money.net_present_value(rate + 1e-4 * (1 + rate), flows) < 0
        assert money.net_present_value(rate - 1e-4 * (1 + rate), flows) > 0

    def test_none(self):
        assert money.internal_rates([-1.0, -2.0]) == () and money.sign_changes([0.0, 0.0]) == 0
        assert np.isnan(money.internal_rate([0.0, 0.0]))
        assert np.isnan(money.internal_rate([100.0, -110.0]))  # borrowing, not investing
        assert np.isnan(money.internal_rate([0.0, -10.0, 20.0]))  # nothing laid out in year 0
        assert money.internal_rates([-1.0, 2.0, -2.0]) == ()  # two sign changes, no real rate
        assert money.internal_rates([-1.0, 2.0, -1.0]) == pytest.approx((0.0,), abs=1e-6)  # touches zero once
        assert money.internal_rates([-1.0, 2.0, -1.00001]) == ()  # and nearly touches it
        assert money.internal_rates(-np.poly([1.1, 1.1, 1.1])) == pytest.approx((0.1,), abs=1e-4)  # a threefold root

    def test_extreme_rates_of_one_sign_change(self):
        assert money.internal_rate([-1.0, 1e6]) == pytest.approx(1e6 - 1)
        assert money.internal_rate([-1e6, 1.0]) == pytest.approx(1e-6 - 1)
        assert money.internal_rate([-1e-8] + [0.0] * 59 + [1e8]) == pytest.approx(10 ** (16 / 60) - 1)

    @quick
    @given(st.floats(0.001, 0.6), st.floats(-0.95, -0.05), st.floats(1, 1e5))
    def test_a_root_below_zero_never_hides_the_one_above(self, rate, loss, size):
        """Such as every cost at the end of life brings: the flows are made from exactly these two roots."""
        flows = -size * np.poly([1 + rate, 1 + loss])
        assert money.internal_rates(flows) == pytest.approx((loss, rate), abs=1e-6)
        assert money.internal_rate(flows) == pytest.approx(rate, abs=1e-6)

    @quick
    @given(st.floats(500, 2e4), st.floats(50, 3000), st.integers(2, 30), st.floats(0, 3e4))
    def test_whatever_is_paid_at_the_end_an_internal_rate_is_where_the_curve_from_zero_on_is_zero_once(
        self, cost, saving, years, removal
    ):
        flows = np.r_[-cost, np.full(years, saving)]
        flows[-1] -= removal
        found = money.internal_rate(flows)
        curve = np.sign(money.net_present_value(np.linspace(0, 8, 4001), flows))
        crossings = np.count_nonzero(np.diff(curve[curve != 0]))
        if flows.sum() > 1e-6:  # above zero at 0 % and below it far out: an odd number of zeros, and here never three
            assert crossings == 1 or saving > 7 * cost
            assert 0 <= found and money.net_present_value(found, flows) == pytest.approx(0, abs=1e-6 * cost)
        elif crossings:
            assert np.isnan(found)

    def test_signs_that_change_often(self):
        removed = [-16_800.0] + [1_000.0] * 24 + [1_000.0 - 6_000.0]
        assert money.sign_changes(removed) == 2 and money.internal_rate(removed) == max(money.internal_rates(removed))
        repaired = np.array(removed)
        repaired[15] -= 2_100.0  # four changes of sign, still one zero from 0 % on
        assert money.sign_changes(repaired) == 4
        assert money.net_present_value(money.internal_rate(repaired), repaired) == pytest.approx(0, abs=1e-6)
        assert np.isnan(money.internal_rate([-1000.0, 2500.0, -1560.0]))  # 20 % and 30 %
        assert money.internal_rate([-100.0, 0.0, 0.0, 74.0]) < 0  # money is lost: the one root, below zero, stands
        assert np.isnan(money.internal_rate([-100.0, 100.0, 0.0, -7.0]))  # two below zero, none above
        assert money.internal_rate(-np.poly([1.0, 0.4])) == pytest.approx(0, abs=1e-6)  # zero itself counts as above
        assert np.isnan(money.internal_rate(-np.poly([1.0, 1.2])))

    def test_the_curve_over_many_rates(self):
        rates = np.linspace(0, 0.4, 81)
        curve = money.net_present_value(rates, [-1000, 2500, -1560])
        inside = (rates > 0.2001) & (rates < 0.2999)
        assert (curve[inside] > 0).all() and (curve[(rates < 0.1999) | (rates > 0.3001)] < 0).all()


class TestLevelisedCost:
    @quick
    @given(st.floats(0.01, 0.15), st.floats(0.0, 0.05), st.floats(0, 0.02))
    def test_a_price_equal_to_it_earns_exactly_nothing(self, rate, inflation, wear):
        energy = 5000 * money.growth_path(25, -wear)
        costs = np.r_[9000.0, 70 * money.growth_path(25, inflation)]
        nominal = money.levelised_cost(costs, energy, rate)
        assert money.net_present_value(rate, np.r_[0, nominal * energy] - costs) == pytest.approx(0, abs=1e-6)
        real = money.levelised_cost(costs, energy, rate, inflation)
        income = real * energy * (1 + inflation) ** np.arange(1, 26)  # today's price, growing with inflation
        assert money.net_present_value(rate, np.r_[0, income] - costs) == pytest.approx(0, abs=1e-6)
        assert real <= nominal + 1e-12

    def test_refused_energy(self):
        with pytest.raises(InputError, match="^energy_kwh: found 3 years for 3 costs"):
            money.levelised_cost([1.0, 1.0, 1.0], [1.0, 1.0, 1.0], 0.05)
        assert money.levelised_cost([6.0, 0.0, 0.0], [0.0, 30.0], 0.0) == pytest.approx(0.2)  # a year may give nothing


class TestLoan:
    @quick
    @given(st.floats(100, 1e5), st.floats(0, 0.3), st.integers(1, 30), st.sampled_from([1, 4, 12]), st.floats(0, 1e3))
    def test_schedule(self, amount, rate, years, per_year, fee):
        loan = Loan(amount, rate, years, fee, per_year)
        schedule = loan.schedule()
        assert schedule["principal"].sum() == pytest.approx(amount + fee)
        paid = schedule["interest"] + schedule["principal"]
        np.testing.assert_allclose(paid, loan.payment * per_year)
        assert (schedule["interest"] >= -1e-6).all() and schedule["balance"].iloc[-1] == 0
        yearly = money.growth_path(2, rate / per_year)[1]
        owed, by_hand = amount + fee, []
        for _ in range(years * per_year):
            owed = owed * yearly - loan.payment
            by_hand.append(owed)
        np.testing.assert_allclose(schedule["balance"], by_hand[per_year - 1 :: per_year], atol=1e-5)

    @pytest.mark.parametrize(
        ("values", "message"),
        [((-1.0, 0.05, 10), "^loan.amount: found -1"), ((1.0, 5.0, 10), "^loan.rate: found 5"),
         ((1.0, 0.05, 2.5), "^loan.years: found 2.5"), ((1.0, 0.05, 10, 0.0, 0), "^loan.payments_per_year: found 0")],
    )  # fmt: skip
    def test_refused(self, values, message):
        with pytest.raises(InputError, match=message):
            Loan(*values)


FULL = Costs(9000, fees=300, roof_and_panelboard_work=700, rebate=500,
             tax_credit_share=0.3, tax_credit_year=2, tax_owed=2000, upkeep_per_year=60, insurance_and_tax_per_year=40,
             events=(Event("converter", 12, 900), Event("roof", 18, 1500)),
             residual=300, removal=1000, growth=0.025)  # fmt: skip


def bills(years=25, price=0.16, use=8000.0, made=5625.0):
    def bill(factor):
        return 120 + price * (use - made * factor)

    path = money.growth_path(years, -0.005)
    level = money.growth_path(years, 0.025)
    return bill(0 * path) * level, bill(path) * level, made * path


class TestCashFlow:
    def test_every_column_by_hand(self):
        without, with_pv, _ = bills()
        table = cash_flow(without, with_pv, FULL, Loan(5000, 0.06, 10, fee=200))
        grown = 1.025 ** np.arange(25)
        assert table.loc[0, "investment"] == -10_000 and table["investment"].sum() == -10_000
        assert (
            table.loc[0, "incentives"] == 500 and table.loc[2, "incentives"] == 2000
        )  # 0.3 x 9500, capped by tax owed
        np.testing.assert_allclose(table.loc[1:, "saving"], without - with_pv)
        np.testing.assert_allclose(table.loc[1:, "upkeep"], -60 * grown)
        np.testing.assert_allclose(table.loc[1:, "insurance_and_tax"], -40 * grown)
        assert table.loc[12, "events"] == pytest.approx(-900 * grown[11])
        assert table.loc[18, "events"] == pytest.approx(-1500 * grown[17])
        assert (table["events"] != 0).sum() == 2
        assert table.loc[25, "end_of_life"] == pytest.approx(-700 * grown[24])
        assert table.loc[0, "loan"] == 5000 and table["principal"].sum() == pytest.approx(-5200)
        assert (table.loc[11:, ["interest", "principal"]] == 0).all().all()
        np.testing.assert_allclose(table["net"], table[list(lifetime.CASH_FLOWS)].sum(axis=1))
        np.testing.assert_allclose(table["cumulative"], np.cumsum(table["net"]))

    def test_incentives_are_zero_unless_given(self):
        without, with_pv, _ = bills()
        assert (cash_flow(without, with_pv, Costs(9000))["incentives"] == 0).all()

    def test_a_rebate_lowers_what_the_credit_applies_to(self):
        assert Costs(10_000, rebate=1000, tax_credit_share=0.3).tax_credit == pytest.approx(2700)

    def test_the_law_says_what_the_credit_counts(self):
        def base(**values):
            return Costs(10_000, 400, 1_600, rebate=1000, **values).tax_credit_base

        assert base() == 11_000 and base(rebate_lowers_tax_credit=False) == 12_000
        assert base(eligible_installed=0.8) == 9_000 and base(eligible_fees=0.0) == 10_600
        assert base(eligible_roof_and_panelboard_work=0.25) == 9_800
        shares = dict.fromkeys((f"eligible_{cost}" for cost in lifetime.OUTLAYS), 0.0)
        assert base(**shares) == 0  # a rebate above what is eligible gives no credit below zero

    @quick
    @given(st.floats(0, 6000), st.integers(0, 4), st.integers(0, 6), st.integers(4, 12))
    def test_a_credit_is_used_as_the_tax_of_each_year_lets(self, owed, first, carry, years):
        costs = Costs(10_000, tax_credit_share=0.5, tax_credit_year=first, tax_owed=owed, tax_credit_carry_years=carry)
        used, left = costs.tax_credits(years), 5000.0
        for year, amount in enumerate(used):
            may = first <= year <= first + carry
            assert amount == pytest.approx(min(left, owed) if may else 0.0)
            left -= amount
        assert used.sum() <= costs.tax_credit + 1e-9
        if first + carry <= years:
            assert used.sum() == pytest.approx(costs.tax_credit) == pytest.approx(5000.0 - left)

    def test_a_carried_credit_in_the_flow(self):
        costs = Costs(
            10_000, rebate=500, tax_credit_share=0.4, tax_credit_year=1, tax_owed=1500, tax_credit_carry_years=5
        )
        table = cash_flow([0.0] * 9, [0.0] * 9, costs)
        assert table["incentives"].tolist() == [500, 1500, 1500, 800, 0, 0, 0, 0, 0, 0]

    def test_fixed_charges_do_not_count_as_saved(self):
        without, with_pv, energy = bills()
        np.testing.assert_allclose(without - with_pv, 0.16 * energy * money.growth_path(25, 0.025))

    def test_a_loan_at_the_discount_rate_changes_no_value(self):
        without, with_pv, _ = bills()
        plain, financed = (
            cash_flow(without, with_pv, FULL, loan) for loan in (None, Loan(8000, 0.05, 12, payments_per_year=1))
        )
        assert money.net_present_value(0.05, financed["net"]) == pytest.approx(
            money.net_present_value(0.05, plain["net"])
        )

    def test_fully_financed_has_no_internal_rate_and_no_first_payback(self):
        without, with_pv, energy = bills()
        result = figures_of_merit(cash_flow(without, with_pv, Costs(9000), Loan(9000, 0.07, 10)), 0.05, energy)
        assert (
            np.isnan(result["internal_rate"]) and result["cumulative_payback"] == 0 and result["lasting_payback"] > 10
        )
        assert result["simple_payback"] == pytest.approx(10.0)

    def test_figures(self):
        without, with_pv, energy = bills()
        table = cash_flow(without, with_pv, FULL)
        result = figures_of_merit(table, 0.05, energy, 0.025)
        told = [line.strip() for line in figures_of_merit.__doc__.splitlines()]
        assert all(name in told for name in result.index)
        costs_value = result["levelised_cost_nominal"] * money.net_present_value(0.05, np.r_[0, energy])
        saved_value = money.net_present_value(0.05, table["saving"])
        assert saved_value - costs_value == pytest.approx(result["net_present_value"])
        assert result["simple_payback"] == pytest.approx(7500 / (900 - 100))
        assert result["gross_saving"] == pytest.approx((without - with_pv).sum())
        bare = figures_of_merit(table, 0.05)
        assert bare[["levelised_cost_nominal", "levelised_cost_real"]].isna().all()

    @quick
    @given(st.floats(0.01, 0.12), st.floats(0, 2e4), st.floats(0.02, 0.5))
    def test_a_rate_above_the_discount_rate_means_value_above_zero(self, rate, installed, price):
        assume(installed > 1)
        without, with_pv, _ = bills(price=price)
        result = figures_of_merit(cash_flow(without, with_pv, Costs(installed, upkeep_per_year=50)), rate)
        assume(abs(result["net_present_value"]) > 1e-6)
        assert (result["internal_rate"] > rate) == (result["net_present_value"] > 0) or np.isnan(
            result["internal_rate"]
        )
        assert np.isnan(result["discounted_payback"]) == (result["net_present_value"] < 0)

    @pytest.mark.parametrize(
        ("make", "message"),
        [
            (lambda: Costs(-1.0), "^costs.installed: found -1"),
            (lambda: Costs(100, rebate=101), "^costs.rebate: found 101, allowed is at most the outlay 100"),
            (lambda: Costs(100, tax_credit_share=30), "^costs.tax_credit_share: found 30"),
            (lambda: Costs(100, tax_credit_year=1.5), "^costs.tax_credit_year: found 1.5"),
            (lambda: Costs(100, tax_owed=-1), "^costs.tax_owed: found -1"),
            (lambda: Costs(100, eligible_fees=70), "^costs.eligible_fees: found 70"),
            (lambda: Costs(100, tax_credit_carry_years=3), "^costs.tax_credit_carry_years: found 3 without tax_owed"),
            (lambda: Costs(100, growth=2.5), "^costs.growth: found 2.5"),
            (lambda: Event("converter", 0, 5), "^costs.events 'converter' year: found 0"),
            (lambda: Event("converter", 3, -5), "^costs.events 'converter' cost: found -5"),
            (lambda: cash_flow([1.0], [1.0, 2.0], Costs(1)), "^bills: found shapes"),
            (lambda: cash_flow([1.0], [np.nan], Costs(1)), "^bills: found shapes"),
            (lambda: cash_flow([1.0], [1.0], FULL), "^costs.tax_credit_year: found year 2"),
            (
                lambda: cash_flow([1.0], [1.0], Costs(1, events=(Event("roof", 2, 1),))),
                "^costs.events 'roof': found year 2",
            ),
            (lambda: cash_flow([1.0], [1.0], Costs(1), Loan(1, 0.1, 2)), "^loan.years: found 2"),
        ],
    )
    def test_refused(self, make, message):
        with pytest.raises(InputError, match=message) as caught:
            make()
        assert "allowed" in str(caught.value) and "\n" not in str(caught.value)


class TestBills:
    def test_yield_path(self):
        np.testing.assert_allclose(money.growth_path(3, -0.01), [1, 0.99, 0.99**2])

    @quick
    @given(st.floats(0.35, 0.95), st.lists(st.floats(0.3, 1.3), min_size=1, max_size=20))
    def test_table_of_a_bent_bill_is_right_within_twice_its_tolerance(self, bend, factors):
        calls = []

        def bill(factor):  # falls until a minimum bill
            calls.append(factor)
            return 180.0 + 1120.0 * max(bend - factor, 0.0)

        table = tabulate(bill, 0.3, 1.3, tolerance=0.5)
        assert len(calls) == len(set(calls)) == table.factors.size <= 40
        for factor in [bend, *factors]:
            assert table(factor) == pytest.approx(bill(factor), abs=1.0)

    def test_a_straight_bill_takes_few_points(self):
        assert tabulate(lambda factor: 900 - 800 * factor).factors.size == 17

    def test_a_jump_is_a_steep_line_and_right_beside_it(self):
        table = tabulate(lambda factor: 500.0 * (factor < 0.777), 0.5, 1.0)
        assert table(np.array([0.5, 0.7769, 0.7771, 1.0])).tolist() == [500.0, 500.0, 0.0, 0.0]
        assert table.factors.size < 40

    @pytest.mark.parametrize("factor", [0.4, 1.6, np.nan])
    def test_no_extrapolation(self, factor):
        with pytest.raises(InputError, match="^generation factor: found .* allowed is 0.5 to 1.5"):
            BillTable(np.array([0.5, 1.5]), np.array([1.0, 2.0]))(np.array([1.0, factor]))

    def test_a_bill_that_is_not_finite_is_refused(self):
        with pytest.raises(InputError, match="^bill table: found a bill that is not finite"):
            tabulate(lambda factor: np.nan if factor == 0.75 else 1.0)


class TestThroughTheBillEngine:
    """A kWh bank emptied after March: one table stands for the engine run through twenty-five uneven years."""

    TARIFF = {
        "name": "kWh bank",
        "charge": [{"line": "basic", "on": "month", "price": 12.0}, {"line": "energy", "on": "billed", "price": 0.16}],
        "credit": {"unit": "kWh", "netting": "period", "reset_month": 3, "at_reset": "forfeit"},
    }

    def bills(self, factors, first_month):
        """Yearly sums of the engine's bills; each year of twelve months begins with ``first_month``."""
        starts = pd.date_range(f"2027-{first_month:02d}-01", periods=12 * len(factors) + 1, freq="MS")
        season = np.cos((starts[:-1].month.to_numpy() - 1) * np.pi / 6)
        use = 700 * (1 + 0.2 * season)
        made = np.repeat(factors, 12) * 640 * (1 - 0.5 * season)
        self_used = np.minimum(0.4 * made, use)
        periods = pd.DataFrame({"period_start": starts[:-1], "period_end": starts[1:],
                                "delivered_kwh": use - self_used, "received_kwh": made - self_used})  # fmt: skip
        return bank.ledger(periods, tariff_from_table(self.TARIFF))["bill"].to_numpy().reshape(-1, 12).sum(axis=1)

    def compare(self, first_month):
        """The table less the engine for twenty-five uneven years, and what the system saves in them."""
        table = tabulate(lambda factor: self.bills([factor, factor], first_month)[1], tolerance=0.1)
        assert table.factors.size < 60
        uneven = money.growth_path(25, -0.005) * (1 + 0.04 * np.random.default_rng(2).standard_normal(25))
        engine = self.bills(np.r_[uneven[0], uneven], first_month)[1:]
        return table(uneven) - engine, 25 * table(0.0) - engine.sum()

    def test_years_that_begin_after_the_reset_are_exact(self):
        off, _ = self.compare(first_month=4)
        assert np.abs(off).max() < 2 * 0.1 + 2 * 12 * 0.005  # the table's own error, and twelve rounded bills twice

    def test_credit_that_crosses_the_new_year_shifts_single_years_and_hardly_the_sum(self):
        off, saved = self.compare(first_month=1)
        assert np.abs(off).max() > 5 and abs(off.sum()) < 0.01 * saved


def flat_bill(factor, export_value=1.0):
    return 0.16 * (8000 - 5625 * factor * (0.4 + 0.6 * export_value))


def flat_rule(name="retail", probability=1.0, export_value=1.0, from_years=(1, 1)):
    return Rule(name, probability, lambda f, level: level * (1280 - flat_bill(f, export_value)), from_years)


class TestRisk:
    def test_without_uncertainty_every_lifetime_is_the_cash_flow(self):
        costs = Costs(9000, rebate=400, tax_credit_share=0.1, upkeep_per_year=50, insurance_and_tax_per_year=17.5,
                      removal=500, events=(Event("converter", 13, 900),), growth=0.025)  # fmt: skip
        u = Uncertainty(inflation=(0.025, 0), real_growth=(0.01, 0), real_rate=(0.03, 0), degradation=(0.005, 0))
        drawn = draw_lifetimes(np.random.default_rng(1), 3, 25, [flat_rule()], costs, u)
        path, growth = money.growth_path(25, -0.005), money.nominal_rate(0.01, 0.025)
        level = money.growth_path(25, growth)
        table = cash_flow(1280 * level, flat_bill(path) * level, costs)
        expected = figures_of_merit(table, float(money.nominal_rate(0.03, 0.025)))
        for name in ("net_present_value", "gross_saving", "net_saving", "cumulative_payback", "discounted_payback"):
            np.testing.assert_allclose(drawn[name], expected[name], rtol=1e-12)
        np.testing.assert_allclose(drawn["first_year_saving"], 900.0)

    def test_persistent_error_stays_and_yearly_weather_averages_out(self):
        def spread(**u):
            drawn = draw_lifetimes(np.random.default_rng(7), 4000, 25, [flat_rule()], Costs(9000), Uncertainty(**u))
            return drawn["mean_yield_factor"].std()

        # The relative standard error of a standard deviation of 4,000 draws is 1.1 %; five of them are allowed.
        assert spread(yield_persistent_sd=0.06) == pytest.approx(0.06, rel=0.056)
        assert spread(yield_yearly_sd=0.06) == pytest.approx(0.06 / 5, rel=0.056)
        both = risk.relative_sd([0.06], 0.04, 25)
        assert spread(yield_persistent_sd=0.06, yield_yearly_sd=0.04) == pytest.approx(both, rel=0.056)

    def test_inflation_moves_growth_and_rate_together(self):
        u = Uncertainty(inflation=(0.025, 0.01), real_growth=(0.0, 0.002), real_rate=(0.025, 0.002))
        drawn = draw_lifetimes(np.random.default_rng(3), 2000, 20, [flat_rule()], Costs(9000), u)
        # The common variance is 0.01^2 of 0.01^2 + 0.002^2: a correlation of 0.96.
        assert drawn["price_growth"].corr(drawn["rate"]) == pytest.approx(1 / 1.04, abs=0.01)

    def test_rules_come_with_their_probability_and_the_same_seed_repeats(self):
        rules = [flat_rule("retail", 0.6), flat_rule("low", 0.4, 0.3), flat_rule("never", 0.0)]
        u = Uncertainty(yield_persistent_sd=0.05)
        one, two = (draw_lifetimes(np.random.default_rng(9), 5000, 25, rules, Costs(9000), u) for _ in range(2))
        pd.testing.assert_frame_equal(one, two)
        summary = summarise(one)
        assert list(summary.index) == ["retail", "low", "all"] and summary.loc["all", "lifetimes"] == 5000
        assert summary.loc["retail", "lifetimes"] == pytest.approx(3000, abs=5 * np.sqrt(5000 * 0.24))
        assert summary.loc["low", "net_present_value_95"] < summary.loc["retail", "net_present_value_5"]
        weighted = summary.iloc[:2]["share_losing"] @ summary.iloc[:2]["lifetimes"] / 5000
        assert summary.loc["all", "share_losing"] == pytest.approx(weighted)

    @pytest.mark.parametrize("year", [1, 2, 11, 25, 26])
    def test_a_rule_that_takes_over_in_a_year_leaves_the_years_before_as_they_were(self, year):
        """Bills before the year by the old rule, from it on by the new one; year 26 of 25 never comes."""
        costs, u = Costs(9000, growth=0.02), Uncertainty(inflation=(0.02, 0), degradation=(0.005, 0))
        rules = [flat_rule(probability=0.0), flat_rule("low", 1.0, 0.3, (year, year))]
        drawn = draw_lifetimes(np.random.default_rng(1), 4, 25, rules, costs, u)
        made, level = money.growth_path(25, -0.005), money.growth_path(25, 0.02)
        old, new = ((1280 - flat_bill(made, value)) * level for value in (1.0, 0.3))
        flow = np.r_[-9000, np.where(np.arange(1, 26) < year, old, new)]
        np.testing.assert_allclose(drawn["net_saving"], flow.sum())
        np.testing.assert_allclose(drawn["net_present_value"], money.net_present_value(0.02, flow))
        np.testing.assert_allclose(drawn["cumulative_payback"], money.payback(flow))
        assert set(drawn["rule"]) == {"low" if year <= 25 else "retail"}
        assert set(drawn["from_year"]) == {year if year <= 25 else 1}

    def test_the_year_of_a_change_is_drawn_evenly_and_its_mean_worth_is_the_mean_over_the_years(self):
        rules = [flat_rule(probability=0.4), flat_rule("low", 0.6, 0.3, (6, 30))]
        drawn = draw_lifetimes(np.random.default_rng(8), 20_000, 25, rules, Costs(9000), Uncertainty())
        changed = drawn.loc[drawn["rule"] == "low", "from_year"]
        # of the years 6 to 30 five lie beyond the life: 0.6 x 20/25 of the lives change; five standard errors
        assert len(changed) / 20_000 == pytest.approx(0.48, abs=5 * np.sqrt(0.25 / 20_000))
        counts = changed.value_counts()
        assert set(counts.index) == set(range(6, 26)) and counts.min() > 480 - 5 * np.sqrt(480)
        assert (drawn.loc[drawn["rule"] == "retail", "from_year"] == 1).all()
        lost = 0.16 * 5625 * 0.6 * 0.7  # a year under the other rule, without wear, growth or discount
        off = drawn.loc[drawn["rule"] == "low", "net_saving"] - (25 * 900 - 9000)
        np.testing.assert_allclose(off, -lost * (26 - changed))

    def test_a_payback_that_never_comes_is_infinite_in_the_quantiles(self):
        drawn = draw_lifetimes(np.random.default_rng(2), 50, 5, [flat_rule()], Costs(9000), Uncertainty())
        assert drawn["cumulative_payback"].isna().all()
        assert summarise(drawn).loc["all", "payback_5"] == np.inf

    def test_spread_of_each_other_input(self):
        plain = Costs(9000)

        def drawn(costs=plain, **u):
            return draw_lifetimes(np.random.default_rng(6), 4000, 2, [flat_rule()], costs, Uncertainty(**u))

        price = drawn(price_sd=0.05)
        np.testing.assert_allclose(price["first_year_saving"], 900 * price["price_factor"])
        assert price["price_factor"].std() == pytest.approx(0.05, rel=0.056)
        upkeep = drawn(Costs(9000, upkeep_per_year=60, insurance_and_tax_per_year=40), upkeep_sd=0.3)
        spent = upkeep["gross_saving"] - 9000 - upkeep["net_saving"]
        assert spent.mean() == pytest.approx(200, abs=5) and spent.std() == pytest.approx(60, rel=0.06)
        wear = drawn(degradation=(0.0, 0.01))["degradation"]
        assert (wear >= 0).all() and (wear == 0).mean() == pytest.approx(0.5, abs=5 * np.sqrt(0.25 / 4000))

    def test_an_event_may_fall_beyond_the_last_year(self):
        costs = Costs(9000, events=(Event("converter", 10, 1000),))
        drawn = draw_lifetimes(np.random.default_rng(4), 4000, 10, [flat_rule()], costs, Uncertainty(event_year_sd=2.0))
        paid = drawn["gross_saving"] - 9000 - drawn["net_saving"]
        assert set(paid.round(6)) == {0.0, 1000.0}
        assert (paid > 1).mean() == pytest.approx(0.5987, abs=5 * np.sqrt(0.24 / 4000))  # normal: below year 10.5

    def test_refused(self):
        with pytest.raises(InputError, match="^rules: found probabilities"):
            draw_lifetimes(np.random.default_rng(1), 5, 5, [flat_rule(probability=0.9)], Costs(1), Uncertainty())
        with pytest.raises(InputError, match="^draws: found 0"):
            draw_lifetimes(np.random.default_rng(1), 0, 5, [flat_rule()], Costs(1), Uncertainty())
        with pytest.raises(InputError, match="^costs.tax_credit_year: found year 2"):
            draw_lifetimes(np.random.default_rng(1), 5, 1, [flat_rule()], FULL, Uncertainty())
        for years in ((0, 4), (5, 4), (1, 2.5)):
            with pytest.raises(InputError, match="^rule 'retail': (first|last) of from_years: found"):
                flat_rule(from_years=years)
        with pytest.raises(InputError, match="^uncertainty.price_sd: found -1"):
            Uncertainty(price_sd=-1.0)
        with pytest.raises(InputError, match="^uncertainty.inflation mean: found 2.5"):
            Uncertainty(inflation=(2.5, 0.0))

    def test_tornado(self):
        table = tornado(lambda a, b, c: 10 * a + b + 0 * c, dict(a=1, b=1, c=1), {"c": [0, 2], "b": [5], "a": [0, 2]})
        assert table.to_dict("list") == {
            "factor": ["a", "a", "b", "c", "c"], "setting": [0, 2, 5, 0, 2],
            "result": [1, 21, 15, 11, 11], "change": [-10, 10, 4, 0, 0],
        }  # fmt: skip
        with pytest.raises(InputError, match="^alternatives: found 'd', allowed are the factors a, b"):
            tornado(lambda a, b: a, dict(a=1, b=1), {"d": [1]})


class TestPremium:
    def test_the_value_of_a_gain_by_hand_and_the_gain_that_just_pays(self):
        years = np.arange(1, 26)
        by_hand = (0.03 * 5600 * 0.16 * (1.025 * 0.995) ** (years - 1) / 1.05**years).sum()
        assert premium.value_of_gain(0.03, 5600.0, 0.16) == pytest.approx(by_hand, rel=1e-12)
        needed = premium.gain_needed(5600.0, 0.16, 450.0)
        assert premium.value_of_gain(needed, 5600.0, 0.16) == pytest.approx(450.0, rel=1e-12)
        assert premium.value_of_gain(np.array([0.0, 0.01]), 5600.0, 0.16)[0] == 0
        assert np.isnan(premium.gain_needed(5600.0, 0.0, 450.0))

    @pytest.mark.parametrize(
        ("call", "message"),
        [
            (lambda: premium.value_of_gain(0.01, -1.0, 0.16), "^yearly_kwh: found -1 kWh"),
            (lambda: premium.value_of_gain(0.01, 5000.0, 101.0), "^price_per_kwh: found 101, allowed is .* 0 to 100$"),
            (lambda: premium.gain_needed(5000.0, 0.16, np.inf), "^premium: found inf"),
        ],
    )
    def test_refused(self, call, message):
        with pytest.raises(InputError, match=message):
            call()
