"""25 years of hours billed under example tariffs: at most 1.5 times plain numpy sums that do the same.

The yardstick, measured in the same run, makes of the same two or three series the same sums by period and bucket:
local clock, netting, prices by the hour, highest windows, one energy bill; nothing is rounded, carried or checked.
Billed means: local clock, periods, netting, prices in decimals, credits carried, one exact row a bill.

Run ``python tests/benchmarks/bench_bank.py`` for the figures, or give this file to pytest.
"""

import time

import numpy as np
import pandas as pd

from solarlib.bill.accounts import bills
from solarlib.bill.periods import longest_step, monthly_periods
from solarlib.bill.tariff_file import read_tariff

BAR = 1.5
MINUTE_NS = 60_000_000_000
DAY_NS = 1440 * MINUTE_NS
ZONE = "America/New_York"
SHORT = {"hour": 60, "half hour": 30, "quarter hour": 15}
EXAMPLES = (
    "monthly-rollover-yearly-cash", "yearly-true-up-minimum", "time-of-use-hourly-export",
    "time-varying-feed-in-two-way", "fixed-feed-in-twenty-years", "buy-all-sell-all", "hourly-dynamic-price",
)  # fmt: skip
OTHERS = {
    "time-of-use net billing": {
        "bucket": [{"name": "on", "hours": [[16, 21]], "days": "weekdays"}, {"name": "off"}],
        "charge": [
            {"line": "basic", "on": "month", "price": 15},
            {"line": "on", "on": "import", "bucket": "on", "price": 0.4},
            {"line": "off", "on": "import", "bucket": "off", "price": 0.2},
            {"line": "unavoidable", "on": "import", "price": 0.03, "offset": False},
        ],
        "credit": {"unit": "money", "netting": "none", "export_price": {"on": 0.1, "off": 0.05}},
    },
    "two nettings, half hours": {
        "charge": [
            {"line": "energy", "on": "import", "price": 0.3},
            {"line": "unavoidable", "on": "import", "price": 0.03, "netting": "half hour"},
        ],
        "credit": {"unit": "none", "netting": "hour"},
    },
    "three highest, one a day": {
        "charge": [
            {"line": "energy", "on": "delivered", "price": 0.1},
            {"line": "peak", "on": "demand", "price": 9, "window_minutes": 60, "highest": 3, "one_a_day": True},
        ]
    },
}


def seconds(actions, repeats=7):
    """Return the least processor time of each action, taken in turn so that all see the same machine. [s]"""
    best = np.full(len(actions), np.inf)
    for _ in range(repeats):
        for i, action in enumerate(actions):
            start = time.process_time()
            action()
            best[i] = min(best[i], time.process_time() - start)
    return best


def plain(flows, tariff):
    """Make the sums that a bill under the tariff needs, with numpy and pandas as they come."""
    index = flows[0].index
    delivered, received = (series.to_numpy() for series in flows[:2])
    local = index.tz_localize(None)
    month = (local.year * 12 + local.month).to_numpy()
    month = month - month[0]
    count = month[-1] + 1
    code = plain_buckets(local, tariff)
    key = month * len(tariff.bucket_names) + code
    sums = [np.bincount(key, series.to_numpy()) for series in flows]
    for netting in {tariff.credit.netting, *(charge.netting for charge in tariff.charges)}:
        if netting in (*SHORT, "day"):
            sums += plain_netted(index, local, key, delivered - received, netting)
    prices = [(tariff.credit.export_price, received)]
    for charge in tariff.charges:
        prices.append((charge.prices, received if charge.on in ("received", "export", "generation") else delivered))
        if charge.on == "demand":
            sums.append(plain_demand(index, local, month, count, delivered, charge))
    sums += [
        np.bincount(month, energy * plain_prices(local, used)) for used, energy in prices if used and used.by_clock
    ]
    energy = [charge for charge in tariff.charges if charge.price is not None and charge.on != "percent"]
    return sums, [float(charge.price) * sums[0] for charge in energy]


def plain_buckets(local, tariff):
    code = np.full(len(local), max(0, len(tariff.buckets) - 1))
    hour, weekday, month = (values.to_numpy() for values in (local.hour, local.day_of_week, local.month))
    for number, bucket in reversed(list(enumerate(tariff.buckets[:-1]))):
        inside = np.zeros(len(local), bool)
        for first, end in bucket.hours or ((0, 24),):
            inside |= (hour >= first) & (hour < end)
        if bucket.days != "all":
            inside &= (weekday < 5) == (bucket.days == "weekdays")
        if bucket.months:
            inside &= np.isin(month, bucket.months)
        code[inside] = number
    return code


def plain_netted(index, local, key, net, netting):
    group = local.as_unit("ns").asi8 // (DAY_NS if netting == "day" else SHORT[netting] * MINUTE_NS)
    if netting != "day":  # a doubled hour nets apart
        group = index.as_unit("ns").asi8 // (SHORT[netting] * MINUTE_NS)
    _, start = np.unique(group * (key.max() + 1) + key, return_index=True)
    start.sort()
    each = np.add.reduceat(net, start)
    return [np.bincount(key[start], np.maximum(sign * each, 0)) for sign in (1, -1)]


def plain_demand(index, local, month, count, delivered, charge):
    window = index.as_unit("ns").asi8 // (charge.window_minutes * MINUTE_NS)
    start = np.flatnonzero(np.diff(window, prepend=window[0] - 1))
    power, home, day = np.add.reduceat(delivered, start), month[start], local.as_unit("ns").asi8[start] // DAY_NS
    if charge.one_a_day:
        first = np.flatnonzero(np.diff(day, prepend=day[0] - 1))
        power, home = np.maximum.reduceat(power, first), home[first]
    return [np.sort(power[home == number])[-charge.highest :].mean() for number in range(count)]


def plain_prices(local, prices):
    if not prices.times:
        table = np.frombuffer(prices.by_clock).reshape(12, 2, -1)
        hour, weekend = local.hour.to_numpy(), (local.day_of_week.to_numpy() >= 5).astype(int)
        return table[local.month.to_numpy() - 1, weekend, hour * table.shape[2] // 24]
    times, values = np.frombuffer(prices.times, np.int64), np.frombuffer(prices.by_clock)
    file = pd.DatetimeIndex(times.astype("datetime64[m]"))
    table = np.zeros((13, 32, 24))
    table[file.month, file.day, file.hour] = values
    return table[local.month, local.day, local.hour]


def measured(tariff):
    """Return hours billed and the processor times of the plain sums, of the periods and of the bills. [s]"""
    step = min(longest_step(tariff), pd.Timedelta("1h"))
    index = pd.date_range("2026-01-01", "2051-01-01", freq=step, tz=ZONE, inclusive="left")
    rng = np.random.default_rng(1)
    flows = [pd.Series(rng.uniform(0, 1, len(index)).round(3), index) for _ in range(2)]
    if any(charge.on in ("generation", "use") for charge in tariff.charges):
        flows.append(flows[1] + 1.0)
    periods = monthly_periods(*flows, tariff=tariff)
    rated = {"rated_dc_kw": 5.0, "rated_ac_kw": 4.0}
    times = seconds(
        [
            lambda: plain(flows, tariff),
            lambda: monthly_periods(*flows, tariff=tariff),
            lambda: bills(periods, tariff, **rated),
        ]
    )
    return len(index), times


def tariffs():
    """Yield the example tariffs that there are, and some rules of their own."""
    for name in EXAMPLES:
        yield name, read_tariff(name)
    for name, table in OTHERS.items():
        yield name, read_tariff({"name": name} | table)


def test_25_years_are_billed_in_one_and_a_half_times_the_plain_sums():
    ratios = {name: times[1:].sum() / times[0] for name, tariff in tariffs() for _, times in [measured(tariff)]}
    assert max(ratios.values()) < BAR, ratios


if __name__ == "__main__":
    print(f"{'rules':32}{'intervals':>10}{'plain':>9}{'periods':>9}{'bills':>9} ms{'ratio':>7} (bar {BAR})")
    for name, tariff in tariffs():
        count, times = measured(tariff)
        parts = "".join(f"{1000 * each:9.1f}" for each in times)
        print(f"{name:32}{count:10}{parts}   {times[1:].sum() / times[0]:7.2f}")
