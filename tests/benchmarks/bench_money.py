"""How long 5,000 Monte Carlo lifetimes of 25 years take: under 2 s of processor time on one core.

Run ``python tests/benchmarks/bench_money.py`` for the figures, or give this file to pytest.
"""

import time

import numpy as np

from solarlib.worth.bill_table import tabulate
from solarlib.worth.lifetime import Costs, Event
from solarlib.worth.risk import Rule, Uncertainty, draw_lifetimes, summarise

DRAWS, YEARS, BAR_S = 5_000, 25, 2.0
MONTHLY_USE = 8000 / 12 * (1 + 0.25 * np.cos(np.arange(12) * np.pi / 6))
MONTHLY_GENERATION = 5625 / 12 * (1 - 0.45 * np.cos(np.arange(12) * np.pi / 6))


def yearly_bill(factor, export_value=0.3, price=0.16, fixed=12.0, minimum=20.0):
    """A year of twelve bills with 40 % self-use, a minimum bill and export paid at a share of the price."""
    made = factor * MONTHLY_GENERATION
    self_used = np.minimum(0.4 * made, MONTHLY_USE)
    monthly = fixed + price * (MONTHLY_USE - self_used) - price * export_value * (made - self_used)
    return float(np.maximum(monthly, minimum).sum())


def saving(table):
    """What a system saves whose bill is a table at year-1 prices, as `risk.Rule` asks."""
    return lambda factors, levels: (yearly_bill(0.0) - table(factors)) * levels


def measure(repeats=5):
    """Return the processor seconds of the draws (best of ``repeats``), of making the tables, and the bills asked."""
    calls = []

    def counted(factor, export_value):
        calls.append(factor)
        return yearly_bill(factor, export_value)

    start = time.process_time()
    rules = [
        Rule(f"export at {value:g} of the price", share, saving(tabulate(lambda f, v=value: counted(f, v))), (1, YEARS))
        for value, share in ((1.0, 0.6), (0.75, 0.2), (0.3, 0.2))
    ]
    table_s = time.process_time() - start
    costs = Costs(9000, upkeep_per_year=67.5, events=(Event("converter", 13, 900), Event("roof work", 18, 1500)))
    uncertainty = Uncertainty(
        yield_persistent_sd=0.06, yield_yearly_sd=0.04, price_sd=0.03, inflation=(0.025, 0.008),
        real_growth=(0.0, 0.01), real_rate=(0.025, 0.005), degradation=(0.006, 0.003),
        upkeep_sd=0.3, event_cost_sd=0.3, event_year_sd=3.0)  # fmt: skip
    best_s = np.inf
    for seed in range(repeats):
        start = time.process_time()
        lifetimes = draw_lifetimes(np.random.default_rng(seed), DRAWS, YEARS, rules, costs, uncertainty)
        summary = summarise(lifetimes)
        best_s = min(best_s, time.process_time() - start)
    assert summary.loc["all", "lifetimes"] == DRAWS and lifetimes["net_present_value"].std() > 0
    return {"draws_s": best_s, "tables_s": table_s, "yearly_bills_asked": len(calls)}


def test_lifetimes_stay_under_the_bar():
    assert measure()["draws_s"] < BAR_S


if __name__ == "__main__":
    figures = measure()
    print(f"{DRAWS} lifetimes of {YEARS} years: {figures['draws_s']:.3f} s on one core (bar {BAR_S:g} s)")
    print(f"three bill tables: {figures['yearly_bills_asked']} yearly bills asked, {figures['tables_s']:.3f} s")
