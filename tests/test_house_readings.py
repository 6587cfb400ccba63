"""A house and its owner's files: values taken out, the record for direction with and without step tests, periods, progress."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from solarlib.decoder import decode
from solarlib.house import read_house
from solarlib.house_readings import (
    EXAMPLES, bring, directions, has_column, left_out, periods_of, record, register_days, sun_height,
)
from solarlib.quantities import InputError
from solarlib.sun import position

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
    assert array.table.loc[rows["factor"], "generation_w"].isna().all() and array.table.loc[rows["stuck"], "generation_w"].isna().all()
    assert left_out(array) == len(rows["factor"].union(rows["stuck"]).union(rows["above limit"])) == 96 + 24
    assert left_out(sensor) == 1 and array.table["generation_w"].max() < 6000 < array.readings.table["generation_w"].max()


def test_the_sun_between_the_grid_is_good_enough_for_night_and_day(house):
    index = pd.date_range("2026-06-20", "2026-06-22", freq="1min", tz=house.place.tz, inclusive="left")
    error = (sun_height(index, pd.Timedelta("1min"), house) - position(index, house.place)["elevation"]).abs()
    # Largest error of a chord: step^2 / 8 times the bend of the curve, at noon (3.75 deg)^2 / 8 * pi/180 * cos(lat)
    # cos(declination) / sin(zenith) = 0.10 deg.
    zenith = np.radians(36.1 - 23.44)
    bound = np.degrees(np.radians(3.75) ** 2 / 8 * np.cos(np.radians(36.1)) * np.cos(np.radians(23.44)) / np.sin(zenith))
    assert 0.5 * bound < error.max() < 1.05 * bound


def test_reading_tells_how_far_it_is(house):
    told = []
    bring("sensor-week", house, say=lambda words, share=None: told.append((words, share)))
    shares = [share for _, share in told]
    assert shares == sorted(shares) and shares[-1] == 1.0 and {words for words, _ in told} >= {
        "reading sensor-week.csv", "checking sensor-week.csv", "sensor-week.csv is read and checked"}


def test_a_file_without_mapping_is_told(tmp_path, house):
    path = tmp_path / "mine.csv"
    path.write_text("time,power\n2026-01-01 00:00,1\n", encoding="utf-8")
    with pytest.raises(InputError, match="no mapping mine.toml beside it"):
        bring(path, house)


def test_each_sample_gets_the_power_of_the_window_that_holds_it(files):
    table, window, test_load_w = record(files)
    power = files[0].table["generation_w"]
    assert window == pd.Timedelta("15min") and test_load_w == 750
    for time in ("2026-10-26 12:00", "2026-10-26 12:14", "2026-10-31 09:59"):
        at = pd.Timestamp(time, tz=table.index.tz)
        assert table.loc[at, "pv_w"] == power[at.floor("15min")]


def test_the_step_tests_of_the_file_stand_in_the_record(files):
    table, *_ = record(files)
    on = table.index[table["test_on"] > 0].tz_localize(None)
    assert set(on.strftime("%H:%M")) == {f"{hour:02d}:{minute}" for hour in (8, 10, 12, 14, 16) for minute in (20, 21, 22)}
    assert 7 * 15 * 0.9 < len(on) <= 7 * 15 and set(table["test_on"]) == {0.0, 1.0}


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
    table, _, test_load_w = record([array, plain])
    assert test_load_w is None and "test_on" not in table
    assert directions([array, plain])[0].samples["p_export"].notna().any()


def test_files_that_lack_something_say_what(files):
    array, meter, sensor, sheet, neighbours = files
    assert has_column(files, "unsigned_w") and not has_column(files[:2], "unsigned_w")
    with pytest.raises(InputError, match="none with regular readings of unsigned"):
        record([array, meter])
    with pytest.raises(InputError, match="none with regular readings of generation"):
        record([sensor, neighbours])
    late = replace(sensor, table=sensor.table.set_axis(sensor.table.index + pd.Timedelta(days=400)))
    with pytest.raises(InputError, match="allowed are files that overlap"):
        record([array, late])
    with pytest.raises(InputError, match="no two registers read each hour"):
        register_days([array, sheet])
    with pytest.raises(InputError, match="no register of a meter"):
        periods_of([array], read_house("two-storey").tariff)


def test_periods_run_between_readings_that_stand(files, house, sheet):
    periods, file = periods_of(files, house.tariff)
    assert file.name == "reads-by-hand.csv" and len(periods) == 7
    joined = periods.iloc[3]  # the reading of 1 July is set aside
    assert (joined["period_start"], joined["period_end"]) == (pd.Timestamp("2026-06-02"), pd.Timestamp("2026-08-01"))
    for column, name in (("In", "delivered_kwh"), ("Out", "received_kwh"), ("Array", "generation_kwh")):
        assert joined[name] == sheet.loc["08/01/26", column] - sheet.loc["06/02/26", column]
    assert periods["received_kwh"].sum() == sheet["Out"].iloc[-1] - sheet["Out"].iloc[0]
    assert periods["delivered_kwh"].sum() == sheet["In"].iloc[-1] + 100_000 - sheet["In"].iloc[0]  # past 99,999


def test_registers_read_each_hour_bill_where_prices_change_with_the_hour(files):
    tariff = read_house("bungalow").tariff
    timed = replace(tariff, credit=replace(tariff.credit, netting="hour"))
    periods, file = periods_of(files, timed)
    assert file.name == "meter-registers.csv" and list(periods["period_start"].dt.day) == [12, 1]
    days = register_days(files)
    assert periods["delivered_kwh"].sum() == pytest.approx(days["delivered_kwh"].iloc[:-1].sum())
    with pytest.raises(InputError, match="prices change with the hour"):
        periods_of(files[3:], timed)
    assert np.isfinite(periods["received_kwh"]).all()
