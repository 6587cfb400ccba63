"""Rules that need intervals, each worked by hand on a few of them: half hours, netting of a line, prices, demand."""

from datetime import date
from decimal import Decimal

import numpy as np
import pandas as pd
import pytest

from solarlib.bill.accounts import bills
from solarlib.bill.periods import longest_step, monthly_periods
from solarlib.bill.plausible import KEYS
from solarlib.bill.tariff_file import read_tariff
from solarlib.quantities import InputError

ZONE = "Europe/Berlin"
NONE, HOUR = {"unit": "none", "netting": "none"}, {"unit": "none", "netting": "hour"}


def rules(*charges, credit=NONE, **more):
    """Return a tariff of lines (what they are on, keys), named a, b, c ...; all that is unusual in it is meant."""
    lines = [{"line": chr(97 + i), "on": on} | keys for i, (on, keys) in enumerate(charges)]
    meant = [*(line["line"] for line in lines), *KEYS]
    lines.append({"line": "free", "on": "delivered", "price": 0})
    return read_tariff({"name": "few", "charge": lines, "credit": credit, "meant": meant} | more)


def billed(tariff, delivered, received=0, generation=None, start="2026-03-02", step="30min"):
    """Return the bills of intervals, read at the midnights before and after them."""
    index = pd.date_range(
        start, periods=np.size(delivered) if np.ndim(delivered) else np.size(received), freq=step, tz=ZONE
    )
    last = index[-1].normalize() + pd.DateOffset(days=1)
    whole = pd.date_range(index[0].normalize(), last, freq=step, inclusive="left")
    flows = [np.broadcast_to(values, len(index)) for values in (delivered, received, generation) if values is not None]
    series = [pd.Series(values, index, float).reindex(whole, fill_value=0.0) for values in flows]
    return bills(monthly_periods(*series, reads=[whole[0].date(), last.date()], tariff=tariff), tariff)


def amounts(row, *lines):
    return [float(row[f"line {line}"]) for line in lines]


# ---------------------------------------------------------------- half hours


def test_netting_by_the_half_hour_lies_between_quarter_hour_and_hour():
    """Two hours of quarters: 4 in, 3 out, 2 out, 1 in | 0, 0, 5 in, 5 out.

    Quarters: imports 4+1+5 = 10; halves: (4-3)=1, (1-2)=-1, 0, 0: imports 1; hours: 4-3-2+1 = 0: imports 0.
    """
    delivered, received = [4, 0, 0, 1, 0, 0, 5, 0], [0, 3, 2, 0, 0, 0, 0, 5]
    found = []
    for netting in ("quarter hour", "half hour", "hour"):
        tariff = rules(("import", {"price": 1}), ("export", {"price": 1}), credit=NONE | {"netting": netting})
        (row,) = billed(tariff, delivered, received, start="2026-03-02 10:00", step="15min")
        found.append(amounts(row, "a", "b"))
    assert found == [[10, 10], [1, 1], [0, 0]]


def test_a_bucket_may_begin_and_end_at_half_past():
    """1 kWh in each half hour of a day, 00:30 to 07:30 at night: 14 kWh, 34 by day."""
    night = [{"name": "night", "hours": [[0.5, 7.5]]}, {"name": "day"}]
    lines = [("delivered", {"bucket": name, "price": 1}) for name in ("night", "day")]
    tariff = rules(*lines, bucket=night)
    (row,) = billed(tariff, np.ones(48))
    assert amounts(row, "a", "b") == [14, 34]
    assert longest_step(tariff) == pd.Timedelta(minutes=30)
    with pytest.raises(
        InputError, match="a step of 60 minutes, allowed is 30 minutes or a part of it, .* bucket.hours"
    ):
        billed(tariff, np.ones(24), step="1h")


@pytest.mark.parametrize("hours", [[0.25, 7], [-0.5, 7], [7, 24.5], ["7", 9]])
def test_other_parts_of_an_hour_are_no_border_of_a_bucket(hours):
    with pytest.raises(InputError, match="a number from 0 to 24 in steps of 0.5"):
        rules(("delivered", {"price": 1}), bucket=[{"name": "on", "hours": [hours]}, {"name": "off"}])


@pytest.mark.parametrize(
    ("charge", "credit", "minutes"),
    [
        (("delivered", {"price": 1}), NONE, 1440),
        (("import", {"price": 1}), HOUR, 60),
        (("import", {"price": 1}), NONE | {"netting": "half hour"}, 30),
        (("import", {"price": 1, "netting": "quarter hour"}), HOUR, 15),
        (("demand", {"price": 1, "window_minutes": 30}), HOUR, 30),
        (("delivered", {"prices": [[0.1] * 24] * 12}), NONE, 60),
        (("delivered", {"prices": [[0.1] * 48] * 12}), NONE, 30),
    ],
)
def test_the_longest_step_is_that_of_the_finest_rule(charge, credit, minutes):
    assert longest_step(rules(charge, credit=credit)) == pd.Timedelta(minutes=minutes)


# ---------------------------------------------------------------- netting of one line


def test_a_line_may_be_netted_over_another_time_than_the_credit():
    """Two hours: 3 in, 2 out in halves of the first; 1 in, 4 out in the second.

    Over the day 4 in, 6 out: import 0, export 2. By hour: import 3-2 = 1, export 4-1 = 3. None: 4 and 6.
    """
    lines = [("import", {"price": 1}), ("import", {"price": 1, "netting": "hour"}), ("export", {"price": 1})]
    lines += [("export", {"price": 1, "netting": "hour"}), ("import", {"price": 1, "netting": "none"})]
    tariff = rules(*lines, credit={"unit": "none", "netting": "period"})
    (row,) = billed(tariff, [3, 0, 1, 0], [0, 2, 0, 4], [0, 2, 0, 4])
    assert amounts(row, *"abcde") == [0, 1, 2, 3, 4]
    assert (row["import_kwh"], row["import_by_hour_kwh"], row["export_by_hour_kwh"]) == (0, 1, 3)
    # without the array the house bought 4 in each import line, and no line counts an export
    assert row["bill"] == 10 and billed(tariff, [3, 0, 1, 0], 0, 0)[0]["bill"] == 12


def test_a_line_netted_by_itself_counts_inside_its_bucket_and_never_touches_the_bank():
    """From 10:30 on is "on": the hour from 10 is cut. Off: 3 in, 5 out before: import 0; on: 2 in: import 2."""
    names = [{"name": "on", "hours": [[10.5, 12]]}, {"name": "off"}]
    charges = [("billed", {"price": 0}), ("import", {"price": 1, "netting": "hour"})]
    charges += [("import", {"price": 1, "netting": "hour", "bucket": "on"})]
    tariff = rules(*charges, credit={"unit": "kWh", "netting": "bucket"}, bucket=names)
    (row,) = billed(tariff, [3, 2], [5, 0], [5, 0], start="2026-03-02 10:00")
    assert amounts(row, "b", "c") == [2, 2] and row["bank_close"] == 2 and row["billed_kwh"] == 2


def test_a_line_with_the_netting_of_the_credit_counts_what_it_counts_without():
    lines = [("import", {"price": 0.13}), ("import", {"price": 0.13, "netting": "hour"})]
    rng = np.random.default_rng(4)
    (row,) = billed(rules(*lines, credit=HOUR), rng.integers(0, 900, 480) / 1000, rng.integers(0, 900, 480) / 1000)
    assert row["line a"] == row["line b"] > 0


def test_registers_alone_do_not_tell_what_is_netted_by_the_hour():
    days = {"period_start": [date(2026, 3, 2)], "period_end": [date(2026, 4, 1)]}
    table = pd.DataFrame(days | {"delivered_kwh": 30, "received_kwh": 10})
    for on in ("import", "export"):
        with pytest.raises(InputError, match="no import_by_hour_kwh, allowed is .*two register readings do not tell"):
            bills(table, rules((on, {"price": 1, "netting": "hour"})))
    (row,) = bills(table, rules(("import", {"price": 1, "netting": "period"})))
    assert row["line a"] == 20


@pytest.mark.parametrize(
    ("keys", "words"),
    [
        ({"on": "day", "netting": "hour"}, "netting only with on = 'import' or 'export'"),
        ({"on": "import", "netting": "bucket"}, "'bucket' without buckets, allowed is at least one"),
    ],
)
def test_a_netting_of_its_own_is_refused_where_it_has_no_meaning(keys, words):
    with pytest.raises(InputError, match=words):
        rules((keys.pop("on"), {"price": 1} | keys))


def test_a_netting_over_the_period_is_one_over_the_bucket_where_there_are_buckets():
    names = [{"name": "on", "hours": [[7, 9]]}, {"name": "off"}]
    with pytest.raises(InputError, match="netting of 'a': found 'period' with buckets, allowed is bucket"):
        rules(("import", {"price": 1, "netting": "period"}), bucket=names)


# ---------------------------------------------------------------- prices that change inside a day


TABLE = [[round(0.01 * month + 0.001 * hour, 3) for hour in range(24)] for month in range(1, 13)]
WEEKENDS = [[0.5] * 24] * 12


def test_a_table_by_month_and_hour_prices_each_interval_of_each_kind_of_line():
    """31 March 22:00 to 1 April 02:00, 1 kWh in each half hour: 2 x (0.052 + 0.053) + 2 x (0.04 + 0.041) = 0.372."""
    ons = ("delivered", "import", "use")
    tariff = rules(*((on, {"prices": TABLE}) for on in ons), credit=HOUR)
    (row,) = billed(tariff, np.ones(8), 0, 0, start="2026-03-31 22:00")
    assert amounts(row, "a", "b", "c") == [0.37, 0.37, 0.37]
    tariff = rules(
        *((on, {"prices": TABLE, "factor": -1}) for on in ("received", "export", "generation")),
        credit=HOUR,
        negative_bill="pay",
    )
    (row,) = billed(tariff, 0, np.ones(8), np.ones(8), start="2026-03-31 22:00")
    assert amounts(row, "a", "b", "c") == [-0.37, -0.37, -0.37]


def test_a_priced_use_is_the_same_with_and_without_the_array():
    """2 kWh used at 0.05 and at 0.05, 1 of them made by the array: 0.10 $ each way; no saving."""
    tariff = rules(("use", {"prices": [[0.05] * 24] * 12}))
    (row,) = billed(tariff, [1, 1], 0, [0, 0])
    (other,) = billed(tariff, [0, 1], 0, [1, 0])
    for bill in (row, other):
        assert bill["bill"] == Decimal("0.10")


def test_weekends_and_holidays_have_prices_of_their_own():
    """1 kWh at 12:00 on Friday 27 March, 0.042, Saturday and Sunday, 0.5 each, and Monday, a holiday, 0.5 or at 13:00
    of the clock that was set forward, 0.043."""
    flow = np.zeros(192)
    flow[24::48] = 1
    prices = {"weekdays": TABLE, "weekends": WEEKENDS}
    for holidays, cost in ((["2026-03-30"], 1.54), (["2026-04-01"], 1.09)):
        (row,) = billed(rules(("delivered", {"prices": prices}), holidays=holidays), flow[:190], start="2026-03-27")
        assert amounts(row, "a") == [cost]


def test_half_hours_may_have_prices_and_no_price_lies_below_the_least():
    """Halves of an hour at 0.2 and -0.1: 1 kWh each, 0.1; not below 0: 0.2; a price once left at -0.1 as written."""
    row = [0.2, -0.1] * 24
    for least, cost in (({}, 0.1), ({"least": 0}, 0.2), ({"least": -0.05}, 0.15)):
        prices = {"weekdays": [row] * 12, "weekends": [row] * 12} | least
        assert amounts(billed(rules(("delivered", {"prices": prices})), [1, 1])[0], "a") == [cost]


def test_a_credit_by_the_half_hour_is_one_sum_and_never_below_zero():
    """2 kWh at 0.1, 1 kWh at -0.05: 0.15; with 5 kWh at -0.05 below zero: nothing."""
    row = [0.1, -0.05] * 24
    credit = {"unit": "money", "netting": "half hour", "export_price": [row] * 12}
    for sent, worth in (([2, 1], "0.15"), ([2, 5], "0")):
        (bill,) = billed(rules(("import", {"price": 1}), credit=credit), 0, sent)
        assert bill["credit_money_added"] == Decimal(worth)


def test_a_line_in_one_bucket_prices_its_hours_alone():
    names = [{"name": "on", "hours": [[10, 11]]}, {"name": "off"}]
    tariff = rules(
        *(("import", {"prices": TABLE, "bucket": name}) for name in ("on", "off")), bucket=names, credit=HOUR
    )
    (row,) = billed(tariff, [1000] * 4, start="2026-03-02 10:00")
    assert amounts(row, "a", "b") == [80, 82]


def test_one_price_and_one_a_month_need_no_intervals_and_are_shared_by_days():
    """16 January to 15 February: 16 days at 0.1, 14 at 0.4 in 30: mean 0.24; times 50 kWh = 12; one price: 10."""
    days = {"period_start": [date(2026, 1, 16)], "period_end": [date(2026, 2, 15)]}
    table = pd.DataFrame(days | {"delivered_kwh": 50, "received_kwh": 0})
    monthly = [0.1, 0.4] + [0] * 10
    lines = [("import", {"prices": monthly}), ("import", {"prices": 0.2}), ("import", {"prices": 0.2, "factor": -0.5})]
    (row,) = bills(table, rules(*lines, ("import", {"prices": monthly, "months": [1]}), credit={"unit": "none"}))
    assert amounts(row, *"abcd") == [12, 10, -5, 6.4]
    (row,) = bills(table.assign(generation_kwh=50), rules(("generation", {"prices": monthly}), credit={"unit": "none"}))
    assert row["bill"] == 12


def test_prices_that_change_inside_a_day_need_intervals():
    days = {"period_start": [date(2026, 3, 2)], "period_end": [date(2026, 4, 1)]}
    table = pd.DataFrame(days | {"delivered_kwh": 30, "received_kwh": 10})
    with pytest.raises(InputError, match="value a: found nothing, allowed is interval data of the meter: the price of"):
        bills(table, rules(("delivered", {"prices": TABLE})))
    with pytest.raises(InputError, match="no generation for line 'a'"):
        billed(rules(("use", {"prices": TABLE})), [1, 1])


@pytest.mark.parametrize(
    ("charge", "credit", "words"),
    [
        ({"on": "import", "prices": TABLE}, {"netting": "day"}, "of a day with netting = 'day .of credit.netting.'"),
        ({"on": "import", "prices": [[0.1] * 48] * 12}, HOUR, "allowed is netting = half hour, quarter hour, none"),
        ({"on": "export", "prices": TABLE, "netting": "day"}, HOUR, "netting = 'day', allowed is netting = hour, half"),
        ({"on": "billed", "prices": TABLE}, NONE, "on = 'billed', allowed is prices only on delivered, import"),
        ({"on": "day", "prices": TABLE}, NONE, "on = 'day', allowed is prices only on"),
        ({"on": "import", "prices": {"on": 1}}, NONE, "one a bucket, allowed is a line with bucket and price"),
        ({"on": "import", "prices": TABLE, "price": 1}, NONE, "more than one of price, blocks and prices"),
        ({"on": "import", "price": 1, "factor": 2}, NONE, "factor only together with prices"),
        ({"on": "import", "prices": TABLE, "factor": 11}, NONE, "a number from -10 to 10"),
        ({"on": "import", "prices": [0.1] * 11}, NONE, "12 prices, one for each month, or 12 lists of 24 or 48"),
        ({"on": "import", "prices": [[0.1] * 24] * 11 + [1]}, NONE, "and no mixture"),
        ({"on": "import", "prices": [[0.1] * 24] * 11 + [[0.1] * 48]}, NONE, "12 lists of 24, .* or all of 48"),
        ({"on": "import", "prices": {"weekdays": TABLE}}, NONE, "both weekdays and weekends"),
        ({"on": "import", "prices": {"weekdays": TABLE, "weekends": TABLE[1:]}}, NONE, "12 lists of 24"),
        ({"on": "import", "prices": 1001}, NONE, "a number from 0 to 1000 "),
    ],
)
def test_prices_that_cannot_be_used_are_refused_in_words(charge, credit, words):
    with pytest.raises(InputError, match=words):
        rules((charge.pop("on"), charge), credit=NONE | credit)


def price_file(folder, times, prices, head="time,price"):
    """Write a file of prices and return the table that names it."""
    rows = [f"{time},{price}" for time, price in zip(times, prices)]
    (folder / "prices.csv").write_text("\n".join([head, *rows]) + "\n", encoding="utf-8")
    return {"file": str(folder / "prices.csv"), "column": "price"}


def local_times(index):
    return [f"{time:%Y-%m-%dT%H:%M}" for time in index]


@pytest.mark.parametrize("offset", [False, True])
@pytest.mark.parametrize("freq", ["1h", "30min"])
def test_a_file_of_prices_holds_for_its_own_year_and_by_the_clock_for_others(tmp_path, offset, freq):
    """Each row has its own price: the kWh of one interval is billed at the row of its time, or of the same clock time.

    2025 is held from 1 January. 2026 takes 2025; 29 February 2028 the 28th; the hour that the clock skipped on 30
    March 2025 the row before; the doubled hour of 26 October its two rows.
    """
    index = pd.date_range("2025-01-01", "2026-01-01", freq=freq, tz=ZONE, inclusive="left")
    times = [time.isoformat() for time in index] if offset else local_times(index)
    prices = np.arange(len(index)) / 100
    tariff = rules(("delivered", {"prices": price_file(tmp_path, times, prices)}))
    held = pd.Series(prices, index)
    twice = index[(index >= "2025-10-26 00:00+02:00") & (index < "2025-10-26 04:00+01:00")]
    for day, clock, at in (
        ("2025-06-03", "14:30", "2025-06-03 14:30"),
        ("2026-06-03", "14:30", "2025-06-03 14:30"),
        ("2024-12-31", "23:30", "2025-12-31 23:30"),
        ("2028-02-29", "08:00", "2025-02-28 08:00"),
        ("2026-03-30", "02:30", "2025-03-30 01:30"),
    ):
        (row,) = billed(tariff, [1, 0], start=f"{day} {clock}")
        assert float(row["line a"]) == held.asof(pd.Timestamp(at, tz=ZONE)), day
    both = pd.date_range("2025-10-26", "2025-10-27", freq="30min", tz=ZONE, inclusive="left")
    kwh = pd.Series(np.isin(both, twice), both, float)
    (row,) = bills(monthly_periods(kwh, kwh * 0, reads=["2025-10-26", "2025-10-27"], tariff=tariff), tariff)
    assert float(row["line a"]) == pytest.approx(held[twice].sum(), abs=0.005)


def test_a_file_may_lack_the_doubled_hour_and_be_longer_than_a_year(tmp_path):
    """Local times without the second passage of 26 October 2025; the last twelve months hold for 2027."""
    index = pd.date_range("2025-03-01", "2026-06-01", freq="1h", inclusive="left")
    prices = np.arange(len(index)) / 100
    tariff = rules(("delivered", {"prices": price_file(tmp_path, local_times(index), prices)}))
    for start, at in (
        ("2027-04-15 10:00", "2026-04-15 10:00"),
        ("2027-07-15 10:00", "2025-07-15 10:00"),
        ("2025-04-15 10:00", "2025-04-15 10:00"),
        ("2025-10-26 02:00+01:00", "2025-10-26 02:00"),
    ):
        first = pd.Timestamp(start)
        first = first.tz_localize(ZONE) if first.tz is None else first.tz_convert(ZONE)
        whole = pd.date_range(first.normalize(), first.normalize() + pd.DateOffset(days=1), freq="1h", inclusive="left")
        kwh = pd.Series(whole == first, whole, float)
        reads = [whole[0].date(), whole[0].date() + pd.Timedelta(days=1)]
        (row,) = bills(monthly_periods(kwh, kwh * 0, reads=reads, tariff=tariff), tariff)
        assert float(row["line a"]) == prices[index.get_loc(pd.Timestamp(at))], start


YEAR = local_times(pd.date_range("2025-01-01", "2026-01-01", freq="1h", inclusive="left"))


@pytest.mark.parametrize(
    ("times", "change", "words"),
    [
        (YEAR[:-1], {}, "prices.csv column time: found 364 days, allowed is a whole year"),
        (YEAR[:500] + YEAR[503:], {}, "prices.csv row 502 column time: found 2025-01-21T23:00 after 2025-01-21T19:00"),
        (YEAR[:500] + YEAR[501:600] + YEAR[601:], {}, "row 601 column time: found 2025-01-26T01:00 after"),
        (["1 May", *YEAR[1:]], {}, "row 2 column time: found '1 May', allowed is a time like 2026-03-29T14:00"),
        (["2025-01-01T00:07", *YEAR[1:]], {}, "row 2 column time: found '2025-01-01T00:07'"),
        (YEAR[:-1] + [YEAR[-1] + "+01:00"], {}, "found times with and without an offset"),
        (YEAR[::2], {}, "found rows 120 minutes apart, allowed is 30 or 60"),
        (YEAR[:1], {}, "found rows 0 minutes apart"),
        ([], {}, "column time: found no row"),
        (YEAR, {"head": "time,cost"}, "prices.csv row 1: found time, cost, allowed is a row with time and price"),
        (YEAR, {"prices": ["0.1", "0,1"]}, "row 3 column price: found '0,1', allowed is a number .* decimal point"),
        (YEAR, {"prices": ["0.1", "x"]}, "row 3 column price: found 'x'"),
        (YEAR, {"prices": ["0.1", ""]}, "row 3 column price: found ''"),
        (YEAR, {"prices": ["0.1", "nan"]}, "row 3 column price: found 'nan'"),
    ],
)
def test_a_file_of_prices_that_cannot_be_used_is_refused_with_row_and_column(tmp_path, times, change, words):
    prices = [*change.get("prices", ()), *["0.2"] * len(times)][: len(times)]
    table = price_file(tmp_path, times, prices, change.get("head", "time,price"))
    with pytest.raises(InputError, match=words):
        rules(("delivered", {"prices": table}))


def test_a_file_of_prices_stands_beside_the_file_that_names_it(tmp_path):
    price_file(tmp_path, YEAR, ["0.25"] * len(YEAR))
    text = """tariff = { name = "x", charge = [{ line = "a", on = "delivered", prices = { file = "prices.csv",
        column = "price" } }] }"""
    (tmp_path / "mine.toml").write_text(" ".join(text.split()), encoding="utf-8")
    tariff = read_tariff(tmp_path / "mine.toml")
    assert amounts(billed(tariff, [4])[0], "a") == [1] and hash(tariff) == hash(read_tariff(tmp_path / "mine.toml"))
    with pytest.raises(
        InputError, match="prices.csv: found no such file, allowed is one beside the file that names it"
    ):
        rules(("delivered", {"prices": {"file": "prices.csv", "column": "price"}}))
    dearer = tariff.charge("a").prices.scaled(lambda price: 2 * price)
    assert set(np.frombuffer(dearer.by_clock)) == {0.5}


# ---------------------------------------------------------------- demand


def demand(keys, delivered, start="2026-03-02 10:00", generation=None, received=0, bucket=(), **more):
    line = ("demand", {"window_minutes": 60} | ({} if "blocks" in keys else {"price": 1}) | keys)
    more |= {"bucket": bucket} if bucket else {}
    return billed(rules(line, **more), delivered, received, generation, start=start)[0]


@pytest.mark.parametrize(
    ("keys", "kw"),
    [
        ({}, 7),
        ({"highest": 2}, 6.5),
        ({"highest": 3}, 5.67),
        ({"highest": 2, "one_a_day": True}, 5.5),
        ({"highest": 3, "one_a_day": True}, 4),
        ({"highest": 100, "one_a_day": True}, 4),
        ({"least_kw": 6.9}, 7),
        ({"least_kw": 7.1}, 7.1),
        ({"window_minutes": 30}, 10),
        ({"window_minutes": 30, "highest": 2, "one_a_day": True}, 9),
    ],
)
def test_the_mean_of_the_highest_windows(keys, kw):
    """Hours of Monday: 7, 6, 4; Tuesday 4; Wednesday 1. Halves of the first: 5 and 2 kWh are 10 and 4 kW; Tuesday 4, 0.

    Three highest hours: (7+6+4)/3 = 5.67; one a day (7+4)/2, (7+4+1)/3, no fourth. Halves one a day: (10 + 8)/2.
    """
    flow = np.zeros(100)
    flow[:6], flow[48], flow[96] = [5, 2, 3, 3, 2, 2], 4, 1
    assert amounts(demand(keys, flow), "a") == [kw]


def test_steps_of_a_demand_are_priced_each_by_its_kw_and_counted_times_the_months():
    """7 kW: 5 at 4 $, 2 at 9 $ are 38 $."""
    row = demand({"blocks": [{"up_to_kw": 5, "price": 4}, {"price": 9}]}, [5, 2])
    assert row["line a"] == 38 and (row["limit a 1"], row["kw a 1"], row["kw a 2"]) == (5, 5, 2)


def test_a_demand_over_bills_is_the_mean_of_this_and_those_before():
    """Windows of 6, 3, 9 and 1 kW on four days: means over three bills 6, 4.5, 6, 4.33; not below 5 kW."""
    index = pd.date_range("2026-03-02", "2026-03-06", freq="1h", tz=ZONE, inclusive="left")
    kwh = pd.Series(0.0, index)
    kwh.iloc[::24] = [6, 3, 9, 1]
    lines = [("demand", {"window_minutes": 60, "price": 1, "over_bills": 3} | keys) for keys in ({}, {"least_kw": 5})]
    tariff = rules(*lines)
    reads = [date(2026, 3, day) for day in range(2, 7)]
    rows = bills(monthly_periods(kwh, kwh * 0, kwh * 0, reads, tariff), tariff)
    assert [amounts(row, "a", "b") for row in rows] == [[6, 6], [4.5, 5], [6, 6], [4.33, 5]]


def test_lines_may_have_several_windows_and_buckets():
    """Halves 5, 1 | 4, 4 kWh from 10:00; on from 10:30. Hours 6, 8; in on: 1 of the first hour, 8."""
    names = [{"name": "on", "hours": [[10.5, 12]]}, {"name": "off"}]
    lines = [{"window_minutes": 60}, {"window_minutes": 30}, {"window_minutes": 60, "bucket": "off"}]
    lines += [{"window_minutes": 60, "bucket": "on"}, {"window_minutes": 60, "bucket": "on", "highest": 2}]
    tariff = rules(*(("demand", {"price": 1} | keys) for keys in lines), bucket=names)
    (row,) = billed(tariff, [5, 1, 4, 4], 0, 0, start="2026-03-02 10:00")
    assert amounts(row, *"abcde") == [8, 10, 5, 8, 4.5]
    table = pd.DataFrame({"period_start": [date(2026, 3, 2)], "period_end": [date(2026, 4, 1)]})
    registers = table.assign(
        delivered_kwh_on=1, delivered_kwh_off=1, received_kwh_on=0, received_kwh_off=0, demand_kw=3
    )
    with pytest.raises(
        InputError, match="demand_60min_kw: found nothing, allowed is the highest import power, .* line"
    ):
        bills(registers, tariff)


@pytest.mark.parametrize(
    ("keys", "words"),
    [
        ({"highest": 0}, "a whole number from 1 to 100"),
        ({"over_bills": 61}, "a whole number from 1 to 60"),
        ({"blocks": [{"up_to_kwh": 5, "price": 1}, {"price": 2}]}, "up_to_kwh with on = 'demand', allowed is up_to_kw"),
        ({"blocks": [{"up_to_kw": 5, "price": 1}]}, "limits 5, allowed is limits that rise"),
        ({"blocks": [{"price": 1}], "blocks_by_days": True}, "false: demand is not scaled by days"),
    ],
)
def test_demand_rules_that_cannot_be_used_are_refused(keys, words):
    with pytest.raises(InputError, match=words):
        demand(keys, [1, 1])


@pytest.mark.parametrize("key", ["highest", "one_a_day", "over_bills", "least_kw"])
def test_demand_rules_stand_on_demand_lines_alone(key):
    with pytest.raises(InputError, match=f"{key} only with on = 'demand'"):
        rules(("delivered", {"price": 1, key: True if key == "one_a_day" else 2}))
    with pytest.raises(InputError, match="up_to_kw with on = 'delivered', allowed is up_to_kw on demand"):
        rules(("delivered", {"blocks": [{"up_to_kw": 5, "price": 1}, {"price": 2}]}))
