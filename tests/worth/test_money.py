"""Properties and edges of the money modules: what must hold for every cash flow, and what bad input says."""

import doctest

import numpy as np
import pytest
from hypothesis import assume, given, settings, strategies as st

from solarlib.quantities import InputError
from solarlib.worth import lifetime, money, premium, risk
from solarlib.worth.lifetime import Costs, Event, Loan, cash_flow, figures_of_merit
from solarlib.worth.risk import tornado

quick = settings(deadline=None, max_examples=60)
rates = st.floats(-0.3, 0.5)
amounts = st.floats(-1e4, 1e4).map(lambda x: round(x, 2))
flow_rows = st.lists(amounts, min_size=2, max_size=12)


def test_examples_in_the_docstrings():
    for module in (money, lifetime, premium, risk):
        assert doctest.testmod(module).failed == 0
    assert doctest.testmod(money).attempted == 4 and doctest.testmod(premium).attempted == 1


class TestTimeValue:
    @quick
    @given(rates, rates)
    def test_real_and_nominal_are_inverse(self, real, inflation):
        assert money.real_rate((1 + real) * (1 + inflation) - 1, inflation) == pytest.approx(real, abs=1e-12)

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


class TestRisk:
    def test_yield_path(self):
        np.testing.assert_allclose(money.growth_path(3, -0.01), [1, 0.99, 0.99**2])

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
