"""What an owner keeps: days of several files in one row, periods with their range and ratio, bills beside bills."""

import pandas as pd
import pytest
from day_rows import daily

from solarlib.bill.accounts import ledger
from solarlib.files import records
from solarlib.files.days import DAILY, by_day
from solarlib.house import health as house_health
from solarlib.house.file import read_house
from solarlib.house.flows import EXAMPLES, bring
from solarlib.house.periods import periods_of
from solarlib.house.records import bills_of, compare_bills, days_of, period_record, sent_bills
from solarlib.house.year_bills import ratings
from solarlib.quantities import InputError


@pytest.fixture(scope="module")
def house():
    return read_house("two-storey")


@pytest.fixture(scope="module")
def files(house):
    return [
        bring(name, house)
        for name in ("generation-quarter-hours", "meter-registers", "sensor-week", "reads-by-hand", "neighbours-by-day")
    ]


def test_a_day_of_two_files_is_one_row(files):
    array, meter, *_ = files
    days = days_of([array, meter])
    assert list(days.columns) == list(DAILY) and len(days) == 35 and days["date"].is_unique
    alone = by_day({"generation": array.flows["generation"]}).set_index("date")
    assert (days.set_index("date")["generation_kwh"] - alone["generation_kwh"]).abs().max() == 0
    counted = daily(meter.table, meter.readings.step).set_index("date")  # of single hours alone
    beside = days.set_index("date")["delivered_kwh"] - counted["delivered_kwh"]
    swapped = beside.index == "2026-10-19"  # where a reading was passed over: known from those around it
    assert (beside[~swapped].abs() < 1e-9).all() and beside[swapped].between(0, 3).all()
    row = days.set_index("date").loc["2026-10-20"]  # a day in W: taken out of the array's file, whole in the meter's
    assert row["quality"] != "complete" and row["measured_share"] == 0.0 and row["delivered_kwh"] > 0
    assert (days["note"] == "").all() and days["peak_time"].map(type).eq(str).all()
    with pytest.raises(InputError, match="no regular readings of generation or registers"):
        days_of(files[3:])


def test_new_days_join_the_kept_record_once(files, tmp_path):
    path = tmp_path / "mine.csv"
    path.write_bytes((EXAMPLES / "days-kept.csv").read_bytes())
    before = len(records.read_kept(path))
    new = days_of(files[:2])
    assert len(records.keep(path, new).added) == 35
    again = records.keep(path, new)
    assert not again.written and len(again.alike) == 35 and len(records.read_kept(path)) == before + 35


def test_the_record_by_period_adds_up(files, house):
    periods, _ = periods_of(files, house.tariff)
    days = records.read_kept(EXAMPLES / "days-kept.csv")
    beside = house_health.beside_neighbours(house, days, files)
    table = period_record(periods, house, days, beside)
    assert len(table) == len(periods) and table["period_start"].iloc[0] == "2026-03-01"
    assert (
        table["use_kwh"] - (table["generation_kwh"] + table["delivered_kwh"] - table["received_kwh"])
    ).abs().max() < 1e-9
    assert (table["self_consumed_kwh"] + table["received_kwh"] - table["generation_kwh"]).abs().max() < 1e-9
    book = ledger(periods, house.tariff, **ratings(house))
    assert list(table["bill_usd"]) == list(book["bill"]) and list(table["bank_kwh"]) == list(book["bank_close"])
    assert (table["yield_low_h"] < table["yield_high_h"]).all()
    assert table["yield_h"].iloc[0] == pytest.approx(
        periods["generation_kwh"].iloc[0] / (house.system.rated_power_w / 1000)
    )
    inside = days[(days["date"] >= "2026-04-01") & (days["date"] < "2026-05-01") & (days["quality"] == "complete")]
    assert table["usable_days"].iloc[1] == len(inside)
    assert table["quality"].iloc[1] == ("complete" if len(inside) == 30 else f"{30 - len(inside)} of 30 days unusable")
    ratio = beside.days["ratio_percent"].loc["2026-04-01":"2026-04-30"].median()
    assert table["neighbour_ratio_percent"].iloc[1] == pytest.approx(ratio)


def test_what_is_not_known_is_empty_in_the_kept_file(files, house, tmp_path):
    periods, _ = periods_of(files, house.tariff)
    table = period_record(periods.drop(columns="generation_kwh"), house)
    assert table[["generation_kwh", "use_kwh", "yield_h", "usable_days", "neighbour_ratio_percent"]].isna().all().all()
    path = tmp_path / "periods.csv"
    assert len(records.keep(path, table).added) == 7
    back = records.read_kept(path)
    assert back["use_kwh"].isna().all() and back["bill_usd"].round(2).tolist() == table["bill_usd"].round(2).tolist()
    holed = periods.assign(generation_kwh=periods["generation_kwh"].where(periods.index != 2))  # one period not covered
    assert list(bills_of(holed, house)["bill"]) == list(bills_of(periods, house)["bill"])
    assert period_record(holed, house)["use_kwh"].isna().tolist() == (periods.index == 2).tolist()
    whole = period_record(periods, house)
    assert len(records.keep(path, whole).completed) == 7  # what was empty gives way
    assert records.read_kept(path)["use_kwh"].notna().all()


def test_one_bill_that_was_sent_is_wrong_and_the_comparison_finds_it(files, house):
    periods, _ = periods_of(files, house.tariff)
    sent = sent_bills(EXAMPLES / "bills-sent.csv")
    table = compare_bills(periods, bills_of(periods, house), sent)
    off = table[table["difference"].abs() > 0.005]
    assert len(table) == len(sent) == 7 and len(off) == 1 and off["difference"].iloc[0] > 5
    row = off.index[0]
    zero = periods.copy()
    zero.loc[row, "received_kwh"] = 0.0  # the bill was made as if nothing had been received
    assert off["sent"].iloc[0] == pytest.approx(bills_of(zero, house)["bill"].iloc[row], abs=0.005)
    with pytest.raises(InputError, match="bills: found 2020-01-01"):
        compare_bills(periods, bills_of(periods, house), {"2020-01-01": 3.0})


@pytest.mark.parametrize(
    "text, message",
    (
        ("period_end,amount\n2026-04-01,3\n", "allowed are period_end, bill_usd"),
        ("period_end,bill_usd\n2026-04-01,three\n", "found .three. in row 2, column bill_usd"),
        ("period_end,bill_usd\n2026-04-01,\n", "found no amount for 2026-04-01"),
        ("period_end,bill_usd\n2026-04-01,3\n2026-04-01,4\n", "twice"),
        ("", "found"),
    ),
)
def test_a_file_of_bills_that_cannot_be_read_says_why(tmp_path, text, message):
    path = tmp_path / "bills.csv"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(InputError, match=message):
        sent_bills(path)


def test_days_without_any_reading_stay_out_of_sums(files):
    array, meter, *_ = files
    days = days_of([array, meter])
    part = days[days["quality"] == "part"]
    assert len(part) and part["measured_share"].between(0, 0.99).all()
    assert pd.to_datetime(days["date"]).diff().dropna().eq(pd.Timedelta(days=1)).all()
