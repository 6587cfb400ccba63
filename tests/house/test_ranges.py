"""Files as they are, with gaps, wrong readings and whatever was measured: periods, bills and days with their ranges."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from solarlib.bill.tariff_file import read_tariff
from solarlib.house.file import read_house
from solarlib.house.flows import bring, completed
from solarlib.house.periods import meters_of, periods_of, register_days
from solarlib.house.records import bills_of, compare_bills, days_of, period_record
from solarlib.quantities import InputError

ZONE = "America/New_York"


@pytest.fixture(scope="module")
def house():
    return read_house("two-storey")


@pytest.fixture(scope="module")
def year():
    """Quarter hours of a made year: an array, a load, and the two registers, which net within the interval. [kWh]"""
    index = pd.date_range("2025-01-01", "2026-01-01", freq="15min", tz=ZONE, inclusive="left")
    rng, hour, day = np.random.default_rng(7), index.hour + index.minute / 60, index.day_of_year
    sky = rng.beta(2, 1.5, 400)[day]
    made = np.maximum(0, np.sin((hour - 6) / 12 * np.pi)) * 5 * sky * rng.uniform(0.7, 1, len(index)) / 4
    load = (rng.gamma(2, 0.3, len(index)) + (hour > 17) * 0.8) / 4
    table = pd.DataFrame({"generation": made, "load": load}, index).round(4)
    net = table["load"] - table["generation"]
    return table.assign(net=net, delivered=net.clip(lower=0), received=(-net).clip(lower=0))


def brought(folder, house, table, *columns, kind="interval", name="mine", digits=""):
    """Write columns of a table as an owner's file with its mapping, and bring it."""
    path = folder / f"{name}.csv"
    part = table[list(columns)]
    part.set_axis(part.index.strftime("%Y-%m-%dT%H:%M:%S%z")).rename_axis("time").to_csv(path)
    lines = [f'zone = "{ZONE}"', 'time = "time"']
    for column in columns:
        lines += ["[[column]]", f'name = "{column}"', f'quantity = "{column}"', 'unit = "kWh"', f'kind = "{kind}"']
        lines += [f"digits = {digits}"] * bool(digits)
    path.with_suffix(".toml").write_text("\n".join(lines), encoding="utf-8")
    return bring(path, house)


def registers(table, step=4):
    """Registers of five digits, read each hour."""
    shown = (table[["delivered", "received"]].cumsum().shift(1, fill_value=0.0) + [98_200.0, 400.0]) % 1e5
    return np.floor(shown.iloc[::step])


def test_twelve_gaps_of_a_quarter_hour_leave_twelve_bills_with_small_ranges(tmp_path, house, year):
    rng = np.random.default_rng(1)
    lost = [rng.choice(year.index[(year.index.month == month)]) for month in range(1, 13)]
    meter = brought(tmp_path, house, year.drop(lost), "delivered", "received")
    periods, _ = periods_of([meter], house.tariff)
    whole, _ = periods_of([brought(tmp_path, house, year, "delivered", "received")], house.tariff)
    assert len(periods) == len(whole) == 12 and "delivered_low_kwh" not in whole
    assert (periods["measured_share"] > 0.999).all()
    for name in ("delivered", "received"):
        low, high = (periods[f"{name}_{edge}_kwh"] for edge in ("low", "high"))
        assert (low <= whole[f"{name}_kwh"] + 1e-6).all() and (whole[f"{name}_kwh"] <= high + 1e-6).all()
        assert (high - low).max() < 1.5
    book, true = bills_of(periods, house), bills_of(whole, house)
    assert (true["bill_low"] == true["bill_high"]).all() and (book["bill_low"] <= book["bill"]).all()
    assert (book["bill_low"] <= true["bill"]).all() and (true["bill"] <= book["bill_high"]).all()
    assert (book["bill_high"] - book["bill_low"]).max() < 3.0
    table = compare_bills(periods, book, {})
    assert {"least", "most"} <= set(table) and "least" not in compare_bills(whole, true, {})
    record = period_record(periods, house)
    assert record["measured_share"].between(0.999, 1).all() and (record["bill_low_usd"] <= record["bill_usd"]).all()


@pytest.mark.parametrize("value", [0.0, 92_345.0, 55_000.0])
def test_one_wrong_register_reading_moves_no_sum(tmp_path, house, year, value):
    shown = registers(year)
    true = periods_of(
        [brought(tmp_path, house, shown, "delivered", "received", kind="counter", digits=5)], house.tariff
    )[0]
    for place in (3_500, 20):
        wrong = shown.copy()
        wrong.iloc[place, 0] = value
        meter = brought(tmp_path, house, wrong, "delivered", "received", kind="counter", digits=5)
        found, _ = periods_of([meter], house.tariff)
        pd.testing.assert_frame_equal(found, true)
        assert bills_of(found, house)["bill"].max() == bills_of(true, house)["bill"].max() < 500
        assert "fit neither those before nor those after" in " ".join(meter.readings.account.notes)
        days, sound = (
            register_days([meter]),
            register_days([brought(tmp_path, house, shown, "delivered", "received", kind="counter", digits=5)]),
        )
        assert (days - sound).abs().max().max() < 1e-6


def test_a_gap_in_a_register_is_exact_over_it(tmp_path, house, year):
    shown = registers(year)
    true = periods_of(
        [brought(tmp_path, house, shown, "delivered", "received", kind="counter", digits=5)], house.tariff
    )[0]
    holed = shown.drop(shown.index[4_000:4_100])  # four days in June
    found = periods_of(
        [brought(tmp_path, house, holed, "delivered", "received", kind="counter", digits=5)], house.tariff
    )[0]
    pd.testing.assert_frame_equal(found.drop(columns="measured_share"), true.drop(columns="measured_share"))


def test_a_wrong_reading_by_hand_joins_two_periods(tmp_path, house):
    index = pd.DatetimeIndex([f"2026-{month:02d}-01" for month in range(1, 8)]).tz_localize(ZONE)
    sheet = pd.DataFrame({"delivered": [9_300.0, 9_900, 10_400, 18_800, 11_200, 11_500, 11_900]}, index)
    sheet["received"] = np.arange(7) * 300.0 + 50
    meter = brought(tmp_path, house, sheet, "delivered", "received", kind="counter", digits=5)
    periods, _ = periods_of([meter], house.tariff)
    assert periods["delivered_kwh"].tolist() == [600, 500, 800, 300, 400] and "delivered_low_kwh" not in periods
    assert np.isfinite(bills_of(periods, house)["bill"]).all()


@pytest.mark.parametrize(
    "files",
    [
        (("load", "generation"),),
        (("load",), ("generation",)),
        (("net",), ("generation",)),
        (("delivered", "net"), ("generation",)),
    ],
)
def test_what_is_missing_follows_from_what_is_there(tmp_path, house, year, files):
    brought_files = [brought(tmp_path, house, year, *part, name=f"file{at}") for at, part in enumerate(files)]
    periods, meter = periods_of(brought_files, house.tariff)
    true = year.groupby(year.index.month).sum()
    for name in ("delivered", "received", "generation"):
        assert periods[f"{name}_kwh"].to_numpy() == pytest.approx(true[name].to_numpy(), abs=1e-6)
    assert "file0.csv" in meter.origin and ("netted" in meter.origin) == ("delivered" not in files[0])
    record = period_record(periods, house, days_of(brought_files))
    assert record["use_kwh"].to_numpy() == pytest.approx(true["load"].to_numpy(), abs=1e-6)
    assert (record["quality"] == "complete").all() and meters_of(brought_files)


def test_generation_follows_from_the_load_and_the_meter(tmp_path, house, year):
    meter = brought(tmp_path, house, year, "delivered", "received", name="meter")
    load = brought(tmp_path, house, year, "load", name="load")
    periods, _ = periods_of([meter, load], house.tariff)
    assert periods["generation_kwh"].sum() == pytest.approx(year["generation"].sum())
    assert "generation" not in meter.flows and "generation_kwh" not in periods_of([meter], house.tariff)[0]
    hourly = year[["load"]].resample("1h").sum()  # of another step: between the moments that both share
    periods, _ = periods_of([meter, brought(tmp_path, house, hourly, "load", name="hours")], house.tariff)
    assert periods["generation_kwh"].sum() == pytest.approx(year["generation"].sum())


def test_gaps_of_one_file_are_gaps_of_what_follows_from_it(tmp_path, house, year):
    holed = year.drop(year.index[5_000:5_004])
    both = [
        brought(tmp_path, house, holed, "load", name="load"),
        brought(tmp_path, house, year, "generation", name="made"),
    ]
    periods, meter = periods_of(both, house.tariff)
    true = year.groupby(year.index.month).sum()["delivered"].to_numpy()
    assert len(periods) == 12 and (~meter.measured).sum() == 1
    assert (periods["delivered_low_kwh"] <= true + 1e-6).all() and (true <= periods["delivered_high_kwh"] + 1e-6).all()


def test_bills_by_the_hour_have_ranges_that_hold_what_was_there(tmp_path, house, year):
    rules = read_house("bungalow").tariff
    timed = replace(rules, credit=replace(rules.credit, netting="hour"))
    home = replace(house, tariff=timed)
    rng = np.random.default_rng(3)
    at = rng.integers(0, len(year) - 8, 20)
    holed = year.drop(year.index[np.unique(at[:, None] + np.arange(8))])
    periods, _ = periods_of([brought(tmp_path, home, holed, "delivered", "received")], timed)
    whole, _ = periods_of([brought(tmp_path, home, year, "delivered", "received")], timed)
    book, true = bills_of(periods, home), bills_of(whole, home)
    assert len(periods) == 12 and (book["bill_low"] < book["bill_high"]).any()
    inside = (book["bill_low"] - 0.005 <= true["bill"]) & (true["bill"] <= book["bill_high"] + 0.005)
    assert inside.mean() >= 0.9 and (book["bill_high"] - book["bill_low"]).max() < 12


def test_a_meter_and_an_array_with_single_gaps_lose_no_day_of_use(tmp_path, house, year):
    rng = np.random.default_rng(4)
    lost = year.index[rng.choice(len(year), 56, replace=False)]
    files = [
        brought(tmp_path, house, year, "delivered", "received", name="meter"),
        brought(tmp_path, house, year.drop(lost), "generation", name="array"),
    ]
    days = days_of(files)
    assert len(days) == 365 and (days["quality"] == "complete").mean() > 0.97
    true = year["generation"].groupby(year.index.strftime("%Y-%m-%d")).sum()
    whole = days[days["quality"] == "complete"].set_index("date")["generation_kwh"]
    assert (whole - true[whole.index]).abs().max() < 0.6
    periods, _ = periods_of(files, house.tariff)
    assert periods["generation_kwh"].notna().all()
    assert (periods["generation_low_kwh"] <= true.groupby(true.index.str[:7]).sum().to_numpy() + 1e-6).all()


def test_values_called_impossible_are_in_no_sum(tmp_path, house, year):
    wrong = year.copy()
    wrong.iloc[20_000:20_003, wrong.columns.get_loc("delivered")] = [5_000.0, 700.0, 90.0]
    file = brought(tmp_path, house, wrong, "delivered", "received", "generation")
    assert file.left_out == 3 and "above limit" in {finding.kind for finding in file.findings}
    periods, _ = periods_of([file], house.tariff)
    true = year.groupby(year.index.month).sum()
    assert (periods["delivered_kwh"].to_numpy() - true["delivered"].to_numpy()).max() < 2
    assert np.abs(periods["generation_kwh"].to_numpy() - true["generation"].to_numpy()).max() < 2
    assert days_of([file])["generation_kwh"].min() >= 0


def test_files_without_a_meter_are_refused(tmp_path, house, year):
    with pytest.raises(InputError, match="no meter"):
        periods_of([brought(tmp_path, house, year, "generation")], house.tariff)
    assert meters_of([]) == [] and completed({}, None) == {}


def test_a_bill_that_pays_for_what_was_made_has_the_range_of_a_gap_of_the_array(tmp_path, house, year):
    home = replace(house, tariff=read_tariff("buy-all-sell-all"))
    meter = brought(tmp_path, house, year, "delivered", "received", name="meter")
    sunny = (year.index.month == 6) & (year.index.day > 17)
    holed = year[~sunny].assign(generation=year["generation"])
    periods, _ = periods_of([meter, brought(tmp_path, house, holed, "generation", name="array")], home.tariff)
    true = periods_of([meter, brought(tmp_path, house, year, "generation", name="whole")], home.tariff)[0]
    assert (periods["generation_kwh"] >= periods["received_kwh"] - 1e-9).all()
    book, right = bills_of(periods, home), bills_of(true, home)["bill"]
    wide = book["bill_high"] - book["bill_low"] > 0.01
    assert wide.tolist() == [month == 5 for month in range(12)]
    assert (book["bill_low"] <= right + 0.005).all() and (right <= book["bill_high"] + 0.005).all()


def test_an_array_that_was_not_measured_while_it_fed_made_at_least_what_went_out(tmp_path, house, year):
    """Half a month of sun is missing, the measured half was dark: no bill is refused, whatever its lines charge."""
    dull = year.copy()
    first = (year.index.month == 6) & (year.index.day <= 16)
    dull.loc[first, ["generation", "received"]] = 0.0
    gap = (year.index.month == 6) & ~first
    files = [
        brought(tmp_path, house, dull, "delivered", "received", name="meter"),
        brought(tmp_path, house, dull[~gap], "generation", name="array"),
    ]
    periods, _ = periods_of(files, house.tariff)
    assert len(periods) == 12 and (periods["generation_low_kwh"] >= periods["received_kwh"] - 1e-6).all()
    assert np.isfinite(bills_of(periods, house)["bill"]).all()


def test_a_bill_by_the_hour_says_that_hours_within_a_gap_of_a_register_are_not_known(tmp_path, house, year):
    """The register tells the sum over the gap; how it lay in hours of other prices, and what netted, it does not."""
    rules = replace(house.tariff, credit=replace(house.tariff.credit, netting="hour"))
    home = replace(house, tariff=rules)
    shown = (year[["delivered", "received"]].cumsum().shift(1, fill_value=0.0) + [98_200.0, 400.0]).iloc[::4]
    at = shown.index[(shown.index.month == 6) & (shown.index.day == 12)]
    files = [
        brought(tmp_path, home, part.round(3) % 1e5, "delivered", "received", kind="counter", digits=5, name=name)
        for name, part in (("holed", shown.drop(at[6:20])), ("whole", shown))
    ]
    found, true = (periods_of([file], rules)[0] for file in files)
    book, right = bills_of(found, home), bills_of(true, home)
    assert (right["bill_low"] == right["bill_high"]).all() and "case 4 import_kwh" in found
    imports = found.filter(regex="^(case . )?import_kwh$").iloc[5]
    assert imports.min() <= true["import_kwh"].iloc[5] <= imports.max() and imports.max() - imports.min() > 1
    assert (book["bill_low"] <= right["bill"] + 0.005).all() and (right["bill"] <= book["bill_high"] + 0.005).all()
