"""From intervals and registers to billing periods: read dates, buckets, clock changes, netting, demand."""

from datetime import date
from decimal import ROUND_HALF_UP, Decimal

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings, strategies as st

from profiles import examples
from solarlib.bill.accounts import bills, ledger
from solarlib.bill.intervals import Intervals, buckets
from solarlib.bill.periods import monthly_periods, periods_from_reads
from solarlib.bill.tariff_file import read_tariff
from solarlib.quantities import InputError, check_index, year_index

NEW_YORK = "America/New_York"


def tariff(netting="none", buckets=(), holidays=(), charges=(), **credit):
    energy = [{"line": f"energy {b['name']}", "on": "import", "bucket": b["name"], "price": 0.2} for b in buckets]
    table = {
        "name": "test",
        "charge": [*(energy or [{"line": "energy", "on": "import", "price": 0.2}]), *charges],
        "credit": {"unit": "money", "netting": netting, "export_price": 0.05} | credit,
        "meant": ["credit.export_price"],
    }
    return read_tariff(
        table | ({"bucket": list(buckets)} if buckets else {}) | ({"holidays": list(holidays)} if holidays else {})
    )


PEAK = (
    {"name": "on", "hours": [[7, 11], [17, 21]], "days": "weekdays", "months": [6, 7, 8, 9]},
    {"name": "weekend", "days": "weekends"},
    {"name": "off"},
)


def flows(index, seed=3):
    rng = np.random.default_rng(seed)
    net = rng.normal(0, 1, len(index))
    shared = rng.uniform(0, 0.2, len(index))
    delivered = pd.Series(np.maximum(net, 0) + shared, index)
    received = pd.Series(np.maximum(-net, 0) + shared, index)
    return delivered, received, received + rng.uniform(0, 1, len(index))


def test_calendar_months_of_a_year_with_clock_changes_sum_to_the_whole():
    delivered, received, generation = (series.round(6) for series in flows(year_index("1h", NEW_YORK)))
    table = monthly_periods(delivered, received, generation)
    assert len(table) == 12 and [start.month for start in table.period_start] == list(range(1, 13))
    for name, series in (("delivered", delivered), ("received", received), ("generation", generation)):
        assert table[f"{name}_kwh"].sum() == pytest.approx(series.sum(), rel=1e-12)
    march = delivered[delivered.index.month == 3]
    assert len(march) == 31 * 24 - 1 and table.delivered_kwh[2] == pytest.approx(march.sum(), rel=1e-12)


def test_periods_run_from_read_to_read():
    index = pd.date_range("2024-01-01", "2024-04-01", freq="1h", tz=NEW_YORK, inclusive="left")
    one = pd.Series(1.0, index)
    table = monthly_periods(one, one, reads=["2024-01-03", "2024-02-02", date(2024, 3, 4), pd.Timestamp("2024-04-01")])
    assert table.delivered_kwh.tolist() == [30 * 24, 31 * 24, 28 * 24 - 1], "29 February inside, one hour lost in March"
    assert [row["days"] for row in bills(table, read_tariff("flat-no-credit"))] == [30, 31, 28]


def test_a_read_on_a_day_that_has_no_midnight_opens_with_that_day():
    index = pd.date_range("2026-04-01", "2026-05-10", freq="1h", tz="Africa/Cairo", inclusive="left")
    one = pd.Series(1.0, index)
    table = monthly_periods(one, one, reads=["2026-04-01", "2026-04-24", "2026-05-01"])
    assert table.delivered_kwh.tolist() == [23 * 24, 7 * 24 - 1]
    assert table.period_start.dt.date.tolist() == [date(2026, 4, 1), date(2026, 4, 24)]


@pytest.mark.parametrize("step", ["0.01", "0.05", "0.001", "0.1"])
def test_a_month_of_small_readings_is_rounded_half_up_as_its_exact_sum_is(step):
    """200 months of quarter hours; many an exact sum ends in a five, and a sum of binary fractions lies beside it."""
    index = pd.date_range("2010-01-01", "2026-09-01", freq="15min", tz=NEW_YORK, inclusive="left")
    counts = pd.Series(np.random.default_rng(7).integers(0, 6, len(index)), index)
    start = pd.date_range("2010-01-01", "2026-09-01", freq="MS", tz=NEW_YORK)
    months = np.add.reduceat(counts.to_numpy(), index.searchsorted(start[:-1]))
    exact = [int(count) * Decimal(step) for count in months]
    table = monthly_periods(counts * float(step), counts * float(step))
    assert len(table) == 200
    for decimals, last in enumerate(("1", "0.1", "0.01")):
        rules = read_tariff(
            {"name": "fine", "kwh_decimals": decimals, "charge": [{"line": "x", "on": "delivered", "price": 1}]}
        )
        rows = bills(table, rules)
        due = [kwh.quantize(Decimal(last), ROUND_HALF_UP) for kwh in exact]
        assert [row["delivered_kwh"] for row in rows] == due and [row["received_kwh"] for row in rows] == due


def codes_of(index, rules):
    """The number of the time-of-use bucket of each interval."""
    return buckets(Intervals(index, check_index(index) // pd.Timedelta(1, "ns")), rules)


def test_clock_changes_are_found_at_their_minute_in_fine_data():
    index = pd.date_range("2026-02-20", "2026-04-01", freq="15min", tz=NEW_YORK, inclusive="left")
    night = ({"name": "night", "hours": [[0, 3]]}, {"name": "day"})
    codes = codes_of(index, tariff(buckets=night))
    assert (codes == np.where(index.hour < 3, 0, 1)).all()
    odd = pd.date_range("2026-02-20 00:10", periods=1500, freq="40min", tz=NEW_YORK)
    assert (codes_of(odd, tariff(buckets=night)) == np.where(odd.hour < 3, 0, 1)).all()


def test_buckets_follow_the_local_clock_weekdays_months_and_holidays():
    index = pd.date_range("2026-07-01", "2026-07-08", freq="1h", tz=NEW_YORK, inclusive="left")
    rules = tariff(buckets=PEAK, holidays=["2026-07-03"])
    codes = pd.Series(codes_of(index, rules), index)
    for label, code in codes.items():
        free = label.weekday() >= 5 or label.date() == date(2026, 7, 3)
        expected = 1 if free else 0 if label.hour in (7, 8, 9, 10, 17, 18, 19, 20) else 2
        assert code == expected, label
    assert (codes_of(pd.date_range("2026-01-05 08:00", periods=2, freq="1h", tz=NEW_YORK), rules) == 2).all(), (
        "no peak in winter"
    )


@pytest.mark.parametrize("day, hours", [("2026-03-08", 23), ("2026-11-01", 25)])
def test_a_day_of_23_or_25_hours_keeps_its_sum_in_the_buckets(day, hours):
    start = pd.Timestamp(day, tz=NEW_YORK)
    index = pd.date_range(start, start + pd.DateOffset(days=1), freq="1h", inclusive="left")
    assert len(index) == hours
    night = ({"name": "night", "hours": [[0, 6]]}, {"name": "day"})
    one = pd.Series(1.0, index)
    table = monthly_periods(one, one * 0, tariff=tariff(buckets=night))
    assert table.delivered_kwh_night[0] == hours - 18 and table.delivered_kwh_day[0] == 18
    hourly = monthly_periods(one, one * 0, tariff=tariff("hour"))
    assert hourly.import_kwh[0] == hours, "the repeated hour is two hours"


@given(st.integers(0, 2**32), st.booleans())
@settings(deadline=None, max_examples=examples(40))
def test_netting_over_longer_intervals_never_raises_import_or_export(seed, with_buckets):
    """Import less export is the same for every interval; each alone grows as the interval shrinks."""
    index = pd.date_range("2026-10-25", "2026-11-08", freq="15min", tz=NEW_YORK, inclusive="left")
    delivered, received, _ = flows(index, seed)
    reads = ["2026-10-25", "2026-11-01", "2026-11-08"]
    longest = "bucket" if with_buckets else "period"
    before = None
    for netting in (longest, "day", "hour", "half hour", "quarter hour", "none"):
        rules = tariff(netting, PEAK if with_buckets else ())
        book = ledger(monthly_periods(delivered, received, reads=reads, tariff=rules), rules)
        assert np.allclose(book.import_kwh - book.export_kwh, book.net_kwh, atol=1e-9)
        assert np.allclose(
            book.net_kwh, [(delivered - received)[a:b].sum() for a, b in ((0, 672), (672, None))], atol=0.01
        )
        if before is not None:
            assert (book.import_kwh >= before.import_kwh - 0.01).all() and (
                book.export_kwh >= before.export_kwh - 0.01
            ).all()
        before = book


def test_a_clock_set_forward_by_half_an_hour_leaves_a_short_hour_of_its_own():
    """Lord Howe, 6 October 2024: 01:00 to 02:00 is followed by 02:30 to 03:00, which nets and peaks alone."""
    index = pd.date_range("2024-10-06 01:00", periods=8, freq="15min", tz="Australia/Lord_Howe")
    assert f"{index[4]:%H:%M}" == "02:30"
    delivered, received = np.array([1.0, 1, 0, 0, 0, 0, 0, 0]), np.array([0.0, 0, 0, 0, 2, 0, 0, 0])
    rules = tariff("hour", charges=[{"line": "peak", "on": "demand", "price": 1, "window_minutes": 60}])
    table = monthly_periods(pd.Series(delivered, index), pd.Series(received, index), tariff=rules)
    assert (table.import_kwh[0], table.export_kwh[0], table.demand_kw[0]) == (2, 2, 2)
    more = monthly_periods(pd.Series(delivered + received, index), pd.Series(0.0, index), tariff=rules)
    assert more.demand_kw[0] == 2, "two kWh in each of two hours"


def test_an_hourly_export_table_prices_every_hour_by_local_clock():
    index = pd.date_range("2026-06-30 22:00", periods=4, freq="1h", tz=NEW_YORK)
    prices = [[month + hour / 100 for hour in range(24)] for month in range(12)]
    received = pd.Series([1.0, 2.0, 3.0, 4.0], index)
    rules = tariff("hour", export_price=prices)
    table = monthly_periods(received * 0, received, tariff=rules)
    assert table.export_value.tolist() == pytest.approx([5.22 + 2 * 5.23, 3 * 6.00 + 4 * 6.01])
    unnetted = tariff("none", export_price=prices)
    assert monthly_periods(received * 0, received, tariff=unnetted).export_value.tolist() == pytest.approx(
        table.export_value
    )
    last = pd.Timestamp("2026-08-01", tz=NEW_YORK)
    (july,) = bills(table.iloc[[1]].assign(period_end=last), rules)
    assert july["credit_money_added"] == Decimal("42.04")


def test_demand_is_the_highest_mean_over_the_window_and_of_the_house_alone_without_the_array():
    index = pd.date_range("2026-01-01", periods=8, freq="15min", tz="Etc/GMT+5")
    delivered = pd.Series([0, 1.0, 0, 0, 0.5, 0.6, 0, 0], index)
    generation = pd.Series([0, 0, 0, 0, 0, 0, 2.0, 2.0], index)
    received = pd.Series([0, 0, 0, 0, 0, 0, 0.5, 0.0], index)
    for minutes, peak, house in ((15, 4.0, 8.0), (30, 2.2, 7.0), (60, 1.1, 4.6)):
        rules = tariff(charges=[{"line": "demand", "on": "demand", "price": 3, "window_minutes": minutes}])
        table = monthly_periods(delivered, received, generation, tariff=rules)
        alone = monthly_periods(delivered + generation - received, received * 0, tariff=rules)
        assert (table.demand_kw[0], alone.demand_kw[0]) == pytest.approx((peak, house))
        (row,) = bills(table.assign(period_end=date(2026, 2, 1)), rules)
        assert float(row["demand"]) == pytest.approx(3 * peak)


@pytest.mark.parametrize(("count", "shown"), [(14075, "140.8"), (14074, "140.7")])
def test_half_a_digit_is_rounded_up_however_the_intervals_that_sum_to_it_add_up(count, shown):
    """140.75 kWh counted in steps of 0.01: the floats add up to 140.7499..., the meter stands at the half."""
    index = pd.date_range("2026-01-01", periods=31 * 24, freq="1h", tz="Etc/GMT+5")
    parts = np.full(len(index), count // len(index)) + (np.arange(len(index)) < count % len(index))
    delivered = pd.Series(parts / 100, index)
    rules = read_tariff(
        {
            "name": "test",
            "kwh_decimals": 1,
            "charge": [
                {"line": "energy", "on": "import", "price": 0.2},
                {"line": "peak", "on": "demand", "price": 1.9, "window_minutes": 60},
            ],
            "credit": {"unit": "none", "netting": "hour"},
        }
    )
    table = monthly_periods(delivered, delivered * 0, reads=["2026-01-01", "2026-02-01"], tariff=rules)
    assert delivered.sum() < count / 100 == table.delivered_kwh[0], "a sum of floats lies below, one of steps does not"
    (row,) = bills(table, rules)
    assert row["delivered_kwh"] == row["import_kwh"] == Decimal(shown)


def test_a_demand_of_several_intervals_is_priced_at_its_decimal_value():
    """0.50, 0.82, 0.57 and 0.06 kWh are 1.95 kW, 3.705 $ at 1.90 $; the floats add up to 1.9499..."""
    index = pd.date_range("2026-01-01", periods=4, freq="15min", tz="Etc/GMT+5")
    rules = tariff(charges=[{"line": "peak", "on": "demand", "price": 1.9, "window_minutes": 60}])
    (row,) = bills(
        monthly_periods(pd.Series([0.50, 0.82, 0.57, 0.06], index), pd.Series(0.0, index), tariff=rules).assign(
            period_end=date(2026, 2, 1)
        ),
        rules,
    )
    assert row["line peak"] == Decimal("3.71")


def test_an_export_limit_loses_energy_instead_of_banking_it():
    index = pd.date_range("2026-06-01", periods=4, freq="30min", tz="Etc/GMT+5")
    received = pd.Series([0.2, 1.0, 3.0, 0.75], index)
    table = monthly_periods(received * 0, received, received + 1, tariff=tariff(export_limit_kw=1.5))
    assert (table.received_kwh[0], table.curtailed_kwh[0], table.generation_kwh[0]) == pytest.approx((2.45, 2.5, 6.45))


def test_bad_series_and_reads_are_refused_by_name():
    index = pd.date_range("2026-06-01", periods=48, freq="1h", tz="Etc/GMT+5")
    one = pd.Series(1.0, index)
    with pytest.raises(InputError, match="received_kwh: found another index"):
        monthly_periods(one, one[1:])
    with pytest.raises(InputError, match="generation_kwh: found nan at 2026-06-01 05:00"):
        monthly_periods(one, one, one.where(np.arange(48) != 5))
    with pytest.raises(InputError, match="delivered_kwh: found -1.0"):
        monthly_periods(-one, one)
    with pytest.raises(InputError, match="reads: .* allowed are dates inside the data"):
        monthly_periods(one, one, reads=["2026-05-31", "2026-06-02"])
    with pytest.raises(InputError, match="two or more rising dates"):
        monthly_periods(one, one, reads=["2026-06-02", "2026-06-01"])
    with pytest.raises(
        InputError, match="a step of 60 minutes, allowed is 15 minutes or a part of it, which credit.ne"
    ):
        monthly_periods(one, one, tariff=tariff("quarter hour"))


def test_an_exchanged_meter_gives_two_pairs_of_readings_in_one_period():
    reads = pd.DataFrame(
        {
            "date": ["2025-01-01", "2025-01-20", "2025-01-20", "2025-02-01", "2025-03-01"],
            "kind": ["actual", "exchange out", "exchange in", "estimated", "actual"],
            "delivered": [99900, 50, 10, 110, 300],
            "received": [500, 520, 0, 5, 60],
        }
    )
    table = periods_from_reads(reads)
    assert table.delivered_kwh.tolist() == [150 + 100, 190] and table.received_kwh.tolist() == [20 + 5, 55]
    assert table.estimated.tolist() == [True, False]
    assert bills(table, read_tariff("kwh-bank-march"))[0]["estimated"], "the ledger keeps the mark"
    for wrong in (reads.drop(index=2), reads.iloc[:3], reads.assign(kind="guessed"), reads.iloc[:1]):
        with pytest.raises(InputError, match="exchange"):
            periods_from_reads(wrong)
    assert periods_from_reads(reads.iloc[[0, 1]].assign(kind="actual"), multiplier=40).delivered_kwh[0] == 6000


# ---------------------------------------------------------------- billing months


def test_bills_of_several_months_are_made_in_groups_from_the_first_month_of_the_data():
    """October 2025 to August 2026 in threes: Oct-Dec, Jan-Mar, Apr-Jun and the rest, Jul-Aug."""
    index = pd.date_range("2025-10-01", "2026-09-01", freq="1h", tz=NEW_YORK, inclusive="left")
    one = pd.Series(1.0, index)
    table = monthly_periods(one, one, tariff=read_tariff({"name": "x", "charge": MONTHLY, "months_per_bill": 3}))
    assert [start.month for start in table.period_start] == [10, 1, 4, 7]
    assert table.months.tolist() == [3, 3, 3, 2]
    assert [row["line basic"] for row in bills(table, read_tariff({"name": "x", "charge": MONTHLY}))] == [
        30,
        30,
        30,
        20,
    ]


MONTHLY = [{"line": "basic", "on": "month", "price": 10}, {"line": "energy", "on": "delivered", "price": 0}]


@pytest.mark.parametrize(
    ("days", "months"), [(1, 1), (45, 1), (46, 2), (59, 2), (61, 2), (76, 2), (77, 3), (365, 12), (366, 12), (730, 24)]
)
def test_a_period_counts_the_months_that_its_days_come_nearest_to(days, months):
    """45 days are 1.48 months of 30.4375 days, 46 are 1.51; 76 are 2.497, 77 are 2.53."""
    spans = {"period_start": [date(2025, 1, 1)], "period_end": [date(2025, 1, 1) + pd.Timedelta(days=days)]}
    table = pd.DataFrame(spans | {"delivered_kwh": 0, "received_kwh": 0})
    rules = read_tariff({"name": "x", "charge": MONTHLY})
    assert bills(table, rules)[0]["line basic"] == 10 * months
    assert bills(table.assign(months=5), rules)[0]["line basic"] == 50, "a column says it"
    for wrong in (0, 1.5):
        with pytest.raises(InputError, match="periods months: found .* allowed is a whole number from 1"):
            bills(table.assign(months=wrong), rules)


def test_amounts_a_month_and_limits_of_blocks_count_times_the_months_of_the_period():
    """61 days are 2 months: 2 x 10 $; 300 kWh a month at 0.10 $, 600 of the 1000 kWh, the rest at 0.20 $."""
    lines = [
        MONTHLY[0],
        {"line": "energy", "on": "delivered", "blocks": [{"up_to_kwh": 300, "price": 0.1}, {"price": 0.2}]},
        {"line": "array", "on": "kw", "price": 1.5},
        {"line": "peak", "on": "demand", "price": 3, "window_minutes": 60},
    ]
    spans = {"period_start": [date(2025, 1, 1)], "period_end": [date(2025, 3, 3)]}
    table = pd.DataFrame(spans | {"delivered_kwh": 1000, "received_kwh": 0, "demand_kw": 4.0})
    (row,) = bills(table, read_tariff({"name": "x", "charge": lines}), rated_dc_kw=2)
    found = [row[f"line {name}"] for name in ("basic", "energy", "array", "peak")]
    assert found == [20, 140, 6, 24] and row["limit energy 1"] == 600
