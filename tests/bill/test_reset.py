"""The reset month: exact loss by month, in many years, what can be spent before a reset."""

import numpy as np
import pytest
from hypothesis import given, settings, strategies as st

from profiles import examples
from solarlib.bill.reset import best_reset, lost_by_reset_month, spendable_kwh
from solarlib.quantities import InputError


def lost_in_sequence(surplus_kwh, reset_month):
    """What each reset takes when the bank is run month by month, the first a January, opening at zero. [kWh]"""
    taken, bank = [], 0.0
    for i, surplus in enumerate(surplus_kwh):
        bank = max(0.0, bank + surplus)
        if i % 12 + 1 == reset_month:
            taken.append(bank)
            bank = 0.0
    return np.array(taken)


surpluses = st.lists(st.integers(-900, 900), min_size=12, max_size=12).map(lambda values: np.array(values, float))


def largest_of_last_months(surplus, reset_month):
    """The law as a class computes it: one sum after the other, backwards from the reset. [kWh]"""
    sums = [0.0]
    for back in range(12):
        sums.append(sums[-1] + surplus[(reset_month - 1 - back) % 12])
    return max(sums)


@given(surpluses)
@settings(deadline=None, max_examples=examples(200))
def test_the_formula_equals_running_the_bank_month_by_month(surplus):
    lost = lost_by_reset_month(surplus)
    for month in range(1, 13):
        assert lost_in_sequence(np.tile(surplus, 3), month)[-1] == lost[month - 1]
        assert largest_of_last_months(surplus, month) == lost[month - 1]


@pytest.mark.parametrize("seasons", [0, 1, 2])
def test_the_law_equals_the_jar_in_thousands_of_years(seasons):
    """Random years, and years of one and of two seasons of surplus; the jar runs three years step by step."""
    rng, month = np.random.default_rng(seasons), np.arange(12)
    swing = np.cos(2 * np.pi * seasons * (month - rng.uniform(0, 12, (4000, 1))) / 12) if seasons else 0.0
    years = np.rint(rng.uniform(-300, 300, (4000, 1)) + 500 * swing + rng.normal(0, 150, (4000, 12)))
    jar, taken = np.zeros((4000, 12)), np.zeros((4000, 12))  # one jar for each month of the reset
    for step in range(36):
        jar = np.maximum(0.0, jar + years[:, [step % 12]])
        taken[:, step % 12] = jar[:, step % 12]
        jar[:, step % 12] = 0.0
    assert (lost_by_reset_month(years) == taken).all()
    two = (np.diff(np.sign(np.c_[years, years[:, 0]]), axis=1) > 0).sum(axis=1)
    assert seasons != 2 or (two >= 2).mean() > 0.5


def test_two_seasons_of_surplus_need_all_sums_not_only_that_since_the_last_start():
    """Spring and autumn surplus with a small shortage between: the bank still holds spring when autumn begins."""
    year = np.array([-400, -300, 100, 500, 600, -200, -100, 200, 500, 300, -100, -300.0])
    lost = lost_by_reset_month(year)
    assert lost[9] == 100 + 500 + 600 - 200 - 100 + 200 + 500 + 300  # October: from March, across the shortage
    assert lost[9] > max(0.0, year.sum(), year[7:10].sum())
    assert lost.tolist() == [largest_of_last_months(year, month) for month in range(1, 13)]


@given(surpluses)
@settings(deadline=None, max_examples=examples(100))
def test_no_month_loses_less_than_the_net_surplus_and_some_month_loses_no_more(surplus):
    table = best_reset(surplus)
    assert table.lost_kwh.min() == max(0.0, surplus.sum())
    assert (table.by_timing_kwh >= 0).all() and (table.by_timing_kwh[table.best] == 0).all()


@given(surpluses, st.integers(1, 12), st.integers(0, 11))
@settings(deadline=None, max_examples=examples(200))
def test_spendable_energy_is_exactly_what_needs_no_purchase(surplus, reset, month):
    """Using it all in one month buys nothing more; using one kWh beyond it buys one kWh more."""

    def bought(extra):
        bank, total = 0.0, 0.0
        for i in range(12):
            m = (reset + i) % 12
            bank += surplus[m] - (extra if m == month else 0.0)
            total += max(0.0, -bank)
            bank = max(0.0, bank)
        return total

    free = spendable_kwh(surplus, reset)[month]
    assert bought(free) == bought(0.0)
    assert bought(free + 1) == bought(0.0) + 1


@pytest.mark.parametrize("wrong", [[1, 2, 3], 5.0, [float("nan")] * 12])
def test_anything_but_twelve_numbers_is_refused(wrong):
    with pytest.raises(InputError, match="12 finite numbers"):
        lost_by_reset_month(wrong)
