"""25 years of hourly energy billed monthly, time-of-use net billing: under 30 times one numpy pass over the hours.

The yardstick, measured in the same run, is the cumulative sum of the same hours. Billed means: sorted by local clock
into buckets and periods, netted, priced in decimals, credits carried, a ledger row for each bill. The table that
`ledger` makes of these rows is timed apart.

Run ``python tests/benchmarks/bench_bank.py`` for the figures, or give this file to pytest.
"""

import time

import numpy as np
import pandas as pd

from solarlib.bill.accounts import bills, ledger
from solarlib.bill.periods import monthly_periods
from solarlib.bill.tariff import read_tariff

BAR = 30.0
TARIFF = {
    "name": "time-of-use net billing",
    "bucket": [{"name": "on", "hours": [[16, 21]], "days": "weekdays"}, {"name": "off"}],
    "charge": [
        {"line": "basic", "on": "month", "price": 15},
        {"line": "on", "on": "import", "bucket": "on", "price": 0.4},
        {"line": "off", "on": "import", "bucket": "off", "price": 0.2},
        {"line": "unavoidable", "on": "import", "price": 0.03, "offset": False},
    ],
    "credit": {
        "unit": "money",
        "netting": "none",
        "export_price": {"on": 0.1, "off": 0.05},
        "reset_month": 3,
        "at_reset": "pay",
    },
}


def processor_ms(action, repeats):
    """Return the least processor time of `action`. [ms]"""
    best = np.inf
    for _ in range(repeats):
        start = time.process_time()
        action()
        best = min(best, time.process_time() - start)
    return 1000 * best


def measure():
    """Return processor times of the yardstick, the periods, the bills, the ledger table [ms], and hours billed."""
    index = pd.date_range("2026-01-01", "2051-01-01", freq="1h", tz="America/New_York", inclusive="left")
    rng = np.random.default_rng(1)
    delivered, received = (pd.Series(rng.uniform(0, 1, len(index)), index) for _ in range(2))
    hours, tariff = delivered.to_numpy(), read_tariff(TARIFF)
    periods = monthly_periods(delivered, received, tariff=tariff)
    assert len(bills(periods, tariff, compare=False)) == 25 * 12
    return {
        "cumulative sum": processor_ms(lambda: np.cumsum(hours), 50),
        "periods": processor_ms(lambda: monthly_periods(delivered, received, tariff=tariff), 20),
        "bills": processor_ms(lambda: bills(periods, tariff, compare=False), 20),
        "ledger": processor_ms(lambda: ledger(periods, tariff, compare=False), 20),
        "hours": len(index),
    }


def test_hours_are_billed_in_less_than_thirty_passes():
    times = measure()
    assert times["periods"] + times["bills"] < BAR * times["cumulative sum"]


if __name__ == "__main__":
    times = measure()
    pass_ms = times["cumulative sum"]
    print(f"{times['hours']} hours: cumulative sum {pass_ms:.2f} ms")
    for names in (("periods", "bills"), ("periods", "ledger")):
        parts = " + ".join(f"{name} {times[name]:.1f}" for name in names)
        print(f"{parts} ms = {sum(times[name] for name in names) / pass_ms:.0f} passes (bar {BAR:g})")
