"""The reset month: exact loss by month, in many years, what can be spent before a reset."""

import numpy as np
import pytest
from hypothesis import given, settings, strategies as st

from profiles import examples
from solarlib.bill import reset
from solarlib.bill.reset import best_reset, lost_by_reset_month, spendable_kwh, times_best, years_from_days
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


DAY_OF_MONTH = np.concatenate([np.arange(days) for days in (31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31)])
MONTH_OF_DAY = np.cumsum(DAY_OF_MONTH == 0) - 1


def test_made_years_take_only_days_of_the_month_and_keep_its_mean():
    years = years_from_days(MONTH_OF_DAY.astype(float), np.random.default_rng(1), 40)
    assert years.shape == (40, 12)
    assert (years == np.arange(12) * np.bincount(MONTH_OF_DAY)).all()
    daily = np.random.default_rng(2).gamma(2.0, 5.0, 365)
    typical = np.bincount(MONTH_OF_DAY, daily)
    many = years_from_days(daily, np.random.default_rng(3), 20_000)
    assert many.mean(axis=0) == pytest.approx(typical, abs=4 * many.std(axis=0).max() / np.sqrt(20_000))


def test_quantities_of_made_years_stay_together():
    daily = np.random.default_rng(2).gamma(2.0, 5.0, 365)
    both = years_from_days(np.stack([daily, 3.0 * daily]), np.random.default_rng(3), 7)
    assert both.shape == (2, 7, 12) and both[1] == pytest.approx(3.0 * both[0])
    assert both[0] == pytest.approx(years_from_days(daily, np.random.default_rng(3), 7))


def test_longer_runs_keep_the_memory_of_the_days(monkeypatch):
    """Single days: the spread of a sum of independent days. A whole month as one run: always the same sum."""
    wave = np.sin(2 * np.pi * DAY_OF_MONTH / 31.0)
    five = years_from_days(wave, np.random.default_rng(4), 4000)[:, 0].std()
    monkeypatch.setattr(reset, "_RUN_DAYS", 1)
    spread = [years_from_days(wave, np.random.default_rng(4), 4000)[:, 0].std(), five]
    assert spread[0] == pytest.approx(np.sqrt(31) * wave[:31].std(), rel=0.05)
    assert spread[1] > 1.8 * spread[0]
    monkeypatch.setattr(reset, "_RUN_DAYS", 28)
    whole = years_from_days(wave, np.random.default_rng(4), 50)[:, 1]
    assert whole == pytest.approx(np.full(50, wave[31:59].sum()))


def test_months_without_memory_lose_in_sequence_what_they_lose_as_years():
    """Unlike years in a row: a bank year then mixes two calendar years,
    which changes nothing where months are independent.
    """
    daily = 9.0 * np.cos(2 * np.pi * (np.arange(365) - 170) / 365) + np.random.default_rng(6).normal(0, 6, 365)
    years = years_from_days(daily, np.random.default_rng(7), 6000)
    lost = lost_by_reset_month(years)
    for month in (3, 6, 9, 12):
        taken = lost_in_sequence(years.ravel(), month)[1:]
        for level in (0.1, 0.5, 0.9):
            assert np.quantile(taken, level) == pytest.approx(np.quantile(lost[:, month - 1], level), abs=12), (
                month,
                level,
            )


def test_how_often_each_month_is_best_is_counted_year_by_year(monkeypatch):
    def best(years):
        return times_best(lost_by_reset_month(years))

    years = np.random.default_rng(5).normal(0, 200, (50, 12))
    by_hand = sum(best_reset(year)["best"].astype(int) for year in years)
    assert (best(np.full((3, 12), -1.0)) == 3).all()
    near = np.zeros(12)
    near[[5, 6, 11]] = 10.0, -9.0, -1.0  # after June 10 kWh are lost, from July to November 1 kWh, else none
    assert best(near[None]).tolist() == [1, 1, 1, 1, 1, 0, 1, 1, 1, 1, 1, 1]
    near[[6, 11]] = -8.99, -1.01
    assert best(near[None]).tolist() == [1, 1, 1, 1, 1, 0, 0, 0, 0, 0, 0, 1]
    monkeypatch.setattr(reset, "NEAR_KWH", 1e-9)
    assert best(years).tolist() == by_hand.tolist()


@pytest.mark.parametrize("wrong", [[1.0] * 366, 3.0, [float("nan")] * 365])
def test_anything_but_a_year_of_days_is_refused(wrong):
    with pytest.raises(InputError, match="365 finite numbers"):
        years_from_days(wrong, np.random.default_rng(1), 2)


@pytest.mark.parametrize("wrong", [[1, 2, 3], 5.0, [float("nan")] * 12])
def test_anything_but_twelve_numbers_is_refused(wrong):
    with pytest.raises(InputError, match="12 finite numbers"):
        lost_by_reset_month(wrong)
