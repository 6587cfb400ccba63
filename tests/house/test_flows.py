"""A house and its owner's files: values taken out, the record for direction with and without step tests,
periods, progress.
"""

from dataclasses import replace
from datetime import date

import numpy as np
import pandas as pd
import pytest

from solarlib.direction.decoder import decode
from solarlib.files.reading import read
from solarlib.house.file import read_house
from solarlib.house.flows import EXAMPLES, bring, measured_in, sun_height
from solarlib.house.periods import periods_of, register_days
from solarlib.house.records import bills_of
from solarlib.house.sensor import directions, sensor_record
from solarlib.quantities import InputError
from solarlib.sky.sun import position

NAMES = ("generation-quarter-hours", "meter-registers", "sensor-week", "reads-by-hand", "neighbours-by-day")


@pytest.fixture(scope="module")
def house():
    return read_house("two-storey")


@pytest.fixture(scope="module")
def files(house):
    return [bring(name, house) for name in NAMES]


@pytest.fixture(scope="module")
def sheet():
    """What the owner wrote, by day of reading."""
    return pd.read_csv(EXAMPLES / "reads-by-hand.csv", sep="\t", index_col="Date")


def test_values_that_hardly_can_be_are_in_no_sum(files):
    array, _, sensor, *_ = files
    rows = {finding.kind: finding.rows for finding in array.findings}
    assert (
        array.table.loc[rows["factor"], "generation_w"].isna().all()
        and array.table.loc[rows["stuck"], "generation_w"].isna().all()
    )
    assert array.left_out == len(rows["factor"].union(rows["stuck"]).union(rows["above limit"])) == 96 + 24
    assert (
        sensor.left_out == 1 and array.table["generation_w"].max() < 6000 < array.readings.table["generation_w"].max()
    )


def test_the_sun_between_the_grid_is_good_enough_for_night_and_day(house):
    index = pd.date_range("2026-06-20", "2026-06-22", freq="1min", tz=house.place.tz, inclusive="left")
    error = (sun_height(index, pd.Timedelta("1min"), house) - position(index, house.place)["elevation"]).abs()
    # Largest error of a chord: step^2 / 8 times the bend of the curve, at noon (3.75 deg)^2 / 8 * pi/180 * cos(lat)
    # cos(declination) / sin(zenith) = 0.10 deg.
    zenith = np.radians(36.1 - 23.44)
    bound = np.degrees(
        np.radians(3.75) ** 2 / 8 * np.cos(np.radians(36.1)) * np.cos(np.radians(23.44)) / np.sin(zenith)
    )
    assert 0.5 * bound < error.max() < 1.05 * bound


def test_reading_tells_how_far_it_is(house):
    told = []
    bring("sensor-week", house, say=lambda words, share=None: told.append((words, share)))
    shares = [share for _, share in told]
    assert (
        shares == sorted(shares)
        and shares[-1] == 1.0
        and {words for words, _ in told}
        >= {"reading sensor-week.csv", "checking sensor-week.csv", "sensor-week.csv is read and checked"}
    )


def test_a_file_without_mapping_is_told(tmp_path, house):
    path = tmp_path / "mine.csv"
    path.write_text("time,power\n2026-01-01 00:00,1\n", encoding="utf-8")
    with pytest.raises(InputError, match="no mapping mine.toml beside it"):
        bring(path, house)


def test_each_sample_gets_the_power_of_the_window_that_holds_it(files):
    table, window, test_load_w, _ = sensor_record(files)
    power = files[0].table["generation_w"]
    assert window == pd.Timedelta("15min") and test_load_w == 750
    for time in ("2026-10-26 12:00", "2026-10-26 12:14", "2026-10-31 09:59"):
        at = pd.Timestamp(time, tz=table.index.tz)
        assert table.loc[at, "pv_w"] == power[at.floor("15min")]


def test_the_step_tests_of_the_file_stand_in_the_record(files):
    table, *_ = sensor_record(files)
    on = table.index[table["test_on"] > 0].tz_localize(None)
    assert set(on.strftime("%H:%M")) == {
        f"{hour:02d}:{minute}" for hour in (8, 10, 12, 14, 16) for minute in (20, 21, 22)
    }
    shares = table["test_on"]
    assert 7 * 15 * 0.9 < len(on) <= 7 * 15 and set(shares.dropna()) == {0.0, 1.0} and 0 < shares.isna().sum() < 200


def test_decoded_energy_stands_near_the_meters_registers(files):
    """The registers are the truth of the made files."""
    found, table = directions(files)
    counted = register_days(files).loc["2026-10-26":"2026-11-01"].sum()
    assert found.days["import_kwh"].sum() == pytest.approx(counted["delivered_kwh"], rel=0.1)
    assert found.days["export_kwh"].sum() == pytest.approx(counted["received_kwh"], rel=0.1)
    assert any("step tests" in sentence for sentence in found.sentences())
    without = decode(table.drop(columns="test_on"), pv_window_s=900)
    assert found.samples["decided"].sum() > without.samples["decided"].sum()  # the tests tell something


def test_a_sensor_without_step_tests_is_decoded_all_the_same(files):
    array, _, sensor, *_ = files
    plain = replace(sensor, table=sensor.table.drop(columns="test_load_w"))
    table, _, test_load_w, _ = sensor_record([array, plain])
    assert test_load_w is None and "test_on" not in table
    assert directions([array, plain])[0].samples["p_export"].notna().any()


def test_files_that_lack_something_say_what(files):
    array, meter, sensor, sheet, neighbours = files
    assert measured_in(files, "unsigned").quantity == "unsigned" and measured_in(files[:2], "unsigned") is None
    with pytest.raises(InputError, match="none with regular readings of unsigned"):
        sensor_record([array, meter])
    with pytest.raises(InputError, match="none with regular readings of generation"):
        sensor_record([sensor, neighbours])
    late = replace(sensor, table=sensor.table.set_axis(sensor.table.index + pd.Timedelta(days=400)))
    with pytest.raises(InputError, match="allowed are files that overlap"):
        sensor_record([array, late])
    with pytest.raises(InputError, match="no meter read each hour"):
        register_days([array, sheet])
    with pytest.raises(InputError, match="no meter, allowed is a file with both"):
        periods_of([array], read_house("two-storey").tariff)


def test_periods_run_between_readings_that_stand(files, house, sheet):
    periods, file = periods_of(files, house.tariff)
    assert file.origin == "reads-by-hand.csv" and len(periods) == 7
    joined = periods.iloc[3]  # the reading of 1 July is set aside
    assert (joined["period_start"], joined["period_end"]) == (pd.Timestamp("2026-06-02"), pd.Timestamp("2026-08-01"))
    for column, name in (("In", "delivered_kwh"), ("Out", "received_kwh"), ("Array", "generation_kwh")):
        assert joined[name] == sheet.loc["08/01/26", column] - sheet.loc["06/02/26", column]
    assert periods["received_kwh"].sum() == sheet["Out"].iloc[-1] - sheet["Out"].iloc[0]
    assert periods["delivered_kwh"].sum() == sheet["In"].iloc[-1] + 100_000 - sheet["In"].iloc[0]  # past 99,999


def written(folder, name, table, columns, kind="interval", unit="kWh"):
    """Write a table as an owner would, with its mapping; return the path."""
    path = folder / f"{name}.csv"
    table.set_axis(table.index.tz_localize(None).rename("time")).to_csv(path)
    lines = ['zone = "America/New_York"', 'date_order = "year first"', 'time = "time"']
    for column in columns:
        lines += ["[[column]]", f'name = "{column}"', f'quantity = "{column}"', f'unit = "{unit}"', f'kind = "{kind}"']
    path.with_suffix(".toml").write_text("\n".join(lines), encoding="utf-8")
    return path


@pytest.fixture(scope="module")
def hours():
    """Hours of March to May 2026 with some energy each; the clock changes on 8 March."""
    index = pd.date_range("2026-03-01", "2026-06-01", freq="1h", tz="America/New_York", inclusive="left")
    wave = 0.5 + 0.25 * np.sin(np.arange(len(index)) / 7.0)
    return pd.DataFrame({"delivered": wave.round(3), "received": (1.0 - wave).round(3)}, index)


def test_energies_by_the_hour_make_periods_and_the_arrays_own_file_gives_the_generation(tmp_path, house, hours):
    meter = bring(written(tmp_path, "utility", hours, hours.columns), house)
    quarters = pd.date_range("2026-04-01", "2026-06-01", freq="15min", tz="America/New_York", inclusive="left")
    made = pd.DataFrame({"generation": 0.1 + 0.001 * (np.arange(len(quarters)) % 50)}, quarters).drop(quarters[4000])
    array = bring(written(tmp_path, "array", made, made.columns), house)
    periods, file = periods_of([array, meter], house.tariff)
    assert file.origin == "utility.csv" and list(periods["period_start"].dt.month) == [3, 4, 5]
    assert periods["period_start"].dt.tz is None
    monthly = hours.groupby(hours.index.month).sum()
    for name in ("delivered", "received"):
        assert list(periods[f"{name}_kwh"]) == pytest.approx(list(monthly[name]), abs=1e-9)
    # March is not in the array's file; in May one value is missing, which has a range and is near the others.
    assert np.isnan(periods["generation_kwh"].iloc[0])
    may = made.loc[made.index.month == 5, "generation"].sum()
    low, high = (periods[f"generation_{edge}_kwh"].iloc[2] for edge in ("low", "high"))
    assert low <= may + 0.125 <= high <= low + 0.1  # the values are 0.1 to 0.149
    april = made.loc[made.index.month == 4, "generation"].sum()
    assert periods["generation_kwh"].iloc[1] == pytest.approx(april, abs=1e-6)
    days = register_days([meter])
    assert days["delivered_kwh"].loc["2026-03-08"] == pytest.approx(hours.loc["2026-03-08", "delivered"].sum())


def test_a_month_of_which_less_than_half_was_measured_has_no_bill(tmp_path, house, hours):
    gap = hours.loc["2026-04-10":"2026-04-25"].index
    torn = bring(written(tmp_path, "torn", hours.drop(gap), hours.columns), house)
    periods, _ = periods_of([torn], house.tariff)
    assert list(periods["period_start"].dt.month) == [5]  # of the two whole runs of one month, the later
    assert np.isnan(register_days([torn])["delivered_kwh"].loc["2026-04-14"])
    part = bring(written(tmp_path, "part", hours.iloc[30:40], hours.columns), house)
    with pytest.raises(InputError, match="no whole day of the meter"):
        periods_of([part], house.tariff)
    broken = hours.loc["2026-04-02":"2026-04-28"].drop(gap)
    with pytest.raises(InputError, match="no month of which half"):
        periods_of([bring(written(tmp_path, "broken", broken, hours.columns), house)], house.tariff)


def test_registers_read_each_midnight_count_across_the_change_of_the_clock(tmp_path, house, hours):
    counted = hours.cumsum().shift(1, fill_value=0.0).add(1000.0)
    midnights = counted[counted.index.hour == 0]
    meter = bring(written(tmp_path, "midnights", midnights, hours.columns, kind="counter"), house)
    periods, _ = periods_of([meter], house.tariff)
    monthly = hours.groupby(hours.index.month).sum()
    assert list(periods["delivered_kwh"].iloc[:2]) == pytest.approx(list(monthly["delivered"].iloc[:2]), abs=1e-6)
    assert periods["period_end"].iloc[-1] == pd.Timestamp("2026-05-31")  # the last reading
    timed = replace(house.tariff, credit=replace(house.tariff.credit, netting="hour"))
    with pytest.raises(InputError, match="read too seldom"):
        periods_of([meter], timed)
    weekly = bring(written(tmp_path, "weekly", midnights.iloc[::7], hours.columns, kind="counter"), house)
    with pytest.raises(InputError, match="every few days"):
        periods_of([weekly], house.tariff)


def test_a_test_load_that_is_only_marked_is_asked_for(files):
    array, _, sensor, *_ = files
    marked = replace(sensor, table=sensor.table.assign(test_load_w=sensor.table["test_load_w"] / 750.0))
    with pytest.raises(InputError, match="at most 1 W.*set multiplier"):
        sensor_record([array, marked])


def test_registers_read_each_hour_bill_where_prices_change_with_the_hour(files):
    tariff = read_house("bungalow").tariff
    timed = replace(tariff, credit=replace(tariff.credit, netting="hour"))
    periods, file = periods_of(files, timed)
    assert file.origin == "meter-registers.csv" and list(periods["period_start"].dt.day) == [12, 1]
    days = register_days(files)
    assert periods["delivered_kwh"].sum() == pytest.approx(days["delivered_kwh"].iloc[:-1].sum())
    with pytest.raises(InputError, match="prices change with the hour"):
        periods_of(files[3:], timed)
    assert np.isfinite(periods["received_kwh"]).all()


@pytest.mark.parametrize("watts, fine", [(9.9, False), (10.0, True)])
def test_a_test_load_is_at_least_ten_watts(files, watts, fine):
    array, _, sensor, *_ = files
    weak = replace(sensor, table=sensor.table.assign(test_load_w=sensor.table["test_load_w"] * watts / 750.0))
    if fine:
        assert sensor_record([array, weak])[2] == pytest.approx(10.0)
    else:
        with pytest.raises(InputError, match="at most 9.9 W, allowed is what it draws, 10 W or more"):
            sensor_record([array, weak])


def test_periods_of_dated_tariffs_have_what_the_rules_of_their_first_day_need(tmp_path, house, hours):
    meter = bring(written(tmp_path, "utility", hours, hours.columns), house)
    plain, april = house.tariff, date(2026, 4, 1)
    credit = replace(plain.credit, netting="hour")
    hourly = replace(plain, name="hourly", credit=credit, months_per_bill=2, valid_from=april)
    table, _ = periods_of([meter], (replace(plain, valid_to=april), hourly))
    assert list(table["period_start"].dt.month) == [3, 4] and table["period_end"].iloc[-1] == pd.Timestamp("2026-06-01")
    assert table["import_kwh"].isna().tolist() == [True, False]
    assert table["delivered_kwh"].sum() == pytest.approx(hours["delivered"].sum())
    net = (hours["delivered"] - hours["received"]).loc["2026-04":]
    assert table["import_kwh"].iloc[1] == pytest.approx(net.clip(lower=0).sum())
    both = replace(house, tariff=replace(plain, valid_to=april), later=(hourly,))
    assert bills_of(table, both)["tariff"].tolist() == [plain.name, "hourly"]


@pytest.mark.parametrize("value", [0.0, 92_345.0, 55_000.0])
def test_one_wrong_register_reading_changes_no_period_and_no_bill(tmp_path, house, hours, value):
    counted = ((hours.cumsum().shift(1, fill_value=0.0) + [98_900.0, 400.0]) % 1e5).round(1)

    def billed(table):
        path = written(tmp_path, "wrong", table, hours.columns, kind="counter")
        mapping = path.with_suffix(".toml").read_text(encoding="utf-8").replace("kind =", "digits = 5\nkind =")
        path.with_suffix(".toml").write_text(mapping, encoding="utf-8")
        meter = bring(path, house)
        periods, _ = periods_of([meter], house.tariff)
        return periods, bills_of(periods, house)["bill"].tolist(), " ".join(meter.readings.account.notes)

    true, bills, _ = billed(counted)
    counted.iloc[1234, 0] = value
    periods, wrong, notes = billed(counted)
    assert periods["delivered_kwh"].tolist() == pytest.approx(true["delivered_kwh"].tolist()) and wrong == bills
    assert "fit neither those before nor those after" in notes


@pytest.mark.parametrize("name", ["loop.csv", "no\0thing.csv"])
def test_a_path_that_can_be_no_file_is_refused_in_one_line(tmp_path, name):
    """Reading and bringing ask alike; a link to itself raises by itself on some versions of Python."""
    (tmp_path / "loop.csv").symlink_to(tmp_path / "loop.csv")
    mapping = 'zone = "UTC"\n[[column]]\nname = "x"\nquantity = "generation"\nunit = "W"\n'
    for ask in (lambda path: bring(path, read_house("two-storey")), lambda path: read(path, mapping)):
        with pytest.raises(InputError) as refused:
            ask(tmp_path / name)
        assert "allowed is a file that" in str(refused.value) and "\n" not in str(refused.value)
