import gzip

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings, strategies as st

from profiles import examples
from solarlib.meter import load
from solarlib.quantities import InputError, energy_kwh, year_index

NEW_YORK = "America/New_York"


@pytest.fixture(scope="module")
def measured():
    return load.measured_year()


@pytest.fixture(scope="module")
def temp_air():
    hours = np.arange(8760)
    celsius = 14 - 12 * np.cos(2 * np.pi * hours / 8760) + 5 * np.sin(2 * np.pi * (hours % 24 - 9) / 24)
    return pd.Series(celsius, pd.date_range("2026-01-01", periods=8760, freq="1h", tz="Etc/GMT+5"))


# ------------------------------------------------------------- the measured year


def test_measured_year_is_a_table_of_days_and_minutes(measured):
    assert measured.shape == (365, 1440)
    assert measured.index[0] == pd.Timestamp("2009-01-01") and measured.index[-1] == pd.Timestamp("2009-12-31")
    assert measured.columns[[0, 61, -1]].tolist() == ["00:00", "01:01", "23:59"]
    assert measured.min(axis=None) > 0


def test_a_reader_cannot_change_the_measured_year_for_others(measured):
    mine = load.measured_year()
    mine.iloc[0, 0] = -1
    assert load.measured_year().equals(measured)


def damage(tmp_path, change):
    with gzip.open(load.MEASURED_FILE, "rt", encoding="utf-8") as file:
        rows = [line.rstrip("\n").split(",") for line in file]
    rows = change(rows) or rows
    path = tmp_path / "load.csv.gz"
    with gzip.open(path, "wt", compresslevel=1, encoding="utf-8") as file:
        file.write("\n".join(",".join(row) for row in rows) + "\n")
    return path


def put(row, column, text):
    def change(rows):
        rows[row][column] = text

    return change


@pytest.mark.parametrize(
    "change",
    [
        put(10, 62, "12x"),
        put(10, 62, "-4"),
        put(10, 62, "1"),
        put(5, 0, "2009-01-06"),
        put(0, 5, "00:05"),
        lambda rows: rows[:-1],
        lambda rows: [row[:-1] for row in rows],
    ],
)
def test_a_file_that_is_not_the_shipped_one_is_refused_by_name(tmp_path, change):
    with pytest.raises(InputError, match=r"^load\.csv\.gz: found a file with the sum .*data/build\.py makes$"):
        load.read_minutes(damage(tmp_path, change))


def test_the_sum_is_the_one_that_the_readme_of_the_data_tells():
    assert load.MEASURED_SHA256 in (load.MEASURED_FILE.parent / "README.md").read_text(encoding="utf-8")


CUT = gzip.compress(b"date,00:00\n" * 50, mtime=0)[:-20]  # a clock in it would name the test anew in each process


@pytest.mark.parametrize("content", [None, b"not gzip", CUT, b""], ids=["none", "not gzip", "cut", "empty"])
def test_missing_or_cut_file_is_one_line(tmp_path, content):
    path = tmp_path / "year.csv.gz"
    if content is not None:
        path.write_bytes(content)
    with pytest.raises(InputError, match=r"^year\.csv\.gz: found .*allowed (is|are) "):
        load.read_minutes(path)


# ------------------------------------------------------------- filling


def test_filling_takes_the_same_weekday(measured):
    filled = load.fill_masked(measured)
    masked = measured.isna()
    assert filled.notna().all(axis=None)
    assert filled.where(~masked).equals(measured)
    june = "2009-06-14"  # a whole day of the long gap
    assert masked.loc[june].all()
    assert filled.loc[june].equals(measured.loc["2009-06-07"].rename(filled.loc[june].name))


@settings(deadline=None, max_examples=examples(40))
@given(st.integers(0, 2**32 - 1), st.floats(0, 0.6))
def test_filled_minutes_are_never_copied_again(seed, share):
    rng = np.random.default_rng(seed)
    whole = pd.DataFrame(np.arange(28 * 3.0).reshape(28, 3), pd.date_range("2026-01-01", periods=28))
    table = whole.mask(rng.random(whole.shape) < share)
    weekdays = [table[table.index.day_of_week == day] for day in range(7)]
    if any(part.isna().all().any() for part in weekdays):
        with pytest.raises(InputError, match="found no measured week to fill 2026-01"):
            load.fill_masked(table)
        return
    filled = load.fill_masked(table)
    assert filled.where(table.notna()).equals(table)
    for column in table:
        for day in range(7):
            values = filled.loc[filled.index.day_of_week == day, column]
            assert set(values) == set(table.loc[table.index.day_of_week == day, column].dropna())


def test_filling_prefers_the_week_before():
    table = pd.DataFrame({"00:00": [1.0] * 7 + [np.nan] * 7 + [3.0] * 7}, pd.date_range("2026-01-01", periods=21))
    assert load.fill_masked(table)["00:00"].tolist() == [1] * 14 + [3] * 7
    table.iloc[:7] = np.nan
    assert load.fill_masked(table)["00:00"].tolist() == [3] * 21


def test_filling_never_reaches_round_the_ends_of_the_year():
    table = pd.DataFrame({"00:00": [np.nan, *range(1, 21)]}, pd.date_range("2026-01-01", periods=21))
    assert load.fill_masked(table)["00:00"].iloc[0] == 7
    table = pd.DataFrame({"00:00": [*range(20), np.nan]}, pd.date_range("2026-01-01", periods=21))
    assert load.fill_masked(table)["00:00"].iloc[-1] == 13


# ------------------------------------------------------------- the household


@pytest.mark.parametrize(
    "tz", ["UTC", NEW_YORK, "Asia/Kolkata", "Australia/Lord_Howe", "America/St_Johns", "Asia/Kathmandu"]
)
def test_year_is_whole_and_its_energy_exact(tz):
    power = load.household(8600, tz)
    assert power.index.equals(year_index("1min", tz))
    assert power.min() > 0
    assert energy_kwh(power).sum() == pytest.approx(8600, rel=1e-9)


def test_minutes_follow_the_wall_clock_and_the_weekday(measured):
    power = load.household(8600, NEW_YORK)
    factor = power.iloc[0] / measured.iloc[0, 0]
    for moment in ("2026-03-08 03:00", "2026-07-01 18:30", "2026-12-31 23:59"):
        source = measured.loc[moment[:10].replace("2026", "2009"), moment[-5:]]
        assert power[pd.Timestamp(moment, tz=NEW_YORK)] == pytest.approx(source * factor)
    # The skipped hour is absent, the repeated hour is used twice.
    spring = power[(power.index.month == 3) & (power.index.day == 8)]
    assert len(spring) == 23 * 60 and not (spring.index.hour == 2).any()
    autumn = power[(power.index.month == 11) & (power.index.day == 1) & (power.index.hour == 1)]
    assert len(autumn) == 120
    np.testing.assert_array_equal(autumn.iloc[:60], autumn.iloc[60:])


@pytest.mark.parametrize("southern", [False, True])
@pytest.mark.parametrize("year", [2023, 2024, 2025, 2026, 2027, 2028])
def test_each_day_stands_for_the_same_weekday_of_its_season(year, southern):
    days = pd.date_range(f"{year}-01-01", f"{year}-12-31")
    source = load._source_days(np.arange(len(days)), year, southern)
    dates = pd.Timestamp("2009-01-01") + pd.to_timedelta(source, unit="D")
    assert (dates.year == 2009).all()
    assert (dates.day_of_week == days.day_of_week).all()
    apart = (source - np.arange(len(days)) - (182 if southern else 0)) % 364
    assert np.minimum(apart, 364 - apart).max() <= 4


def test_southern_winter_is_in_july(measured):
    north, south = (load.household(8600, "Australia/Adelaide", southern=flag) for flag in (False, True))
    assert energy_kwh(south).sum() == pytest.approx(8600, rel=1e-9)
    january, july = (measured[measured.index.month == month].sum(axis=None) for month in (1, 7))
    assert january > 1.5 * july  # the measured house heats
    for power, winter, summer in ((north, 1, 7), (south, 7, 1)):
        assert power[power.index.month == winter].sum() > 1.5 * power[power.index.month == summer].sum()


def test_half_hour_zone_makes_whole_local_hours():
    power = load.household(8600, "Asia/Kolkata")
    hourly = power.resample("1h").mean()
    assert len(hourly) == 8760 and (hourly.index.minute == 0).all()
    assert energy_kwh(hourly).sum() == pytest.approx(8600, rel=1e-9)


def test_shape_of_the_day_is_a_household_s():
    power = load.household(8600, NEW_YORK)
    by_hour = power.groupby(power.index.hour).mean()
    assert by_hour[[2, 3, 4]].max() < 0.6 * by_hour.mean()
    assert by_hour[[19, 20, 21]].min() > 1.3 * by_hour.mean()


@pytest.mark.parametrize(
    "arguments, message",
    [
        ((0, NEW_YORK), "yearly_kwh: found 0 kWh, allowed is a number from 1 to"),
        ((8600, "Mars/Olympus"), "tz: found 'Mars/Olympus', allowed is an IANA zone name"),
    ],
)
def test_household_refuses(arguments, message):
    with pytest.raises(InputError, match=message):
        load.household(*arguments)


# ------------------------------------------------------------- appliances


def test_appliances_take_their_share_of_the_yearly_use(temp_air):
    appliances = [
        load.Appliance("pump", 700, "timer", daily_hours=[(9, 12), (23, 1.5)]),
        load.Appliance("air conditioner", 2500, "cooling", threshold_c=21, yearly_kwh=1300),
        load.Appliance("heater", 1500, "heating", threshold_c=12, yearly_kwh=2000),
    ]
    total = load.household(9000, NEW_YORK, appliances=appliances, temp_air=temp_air)
    assert energy_kwh(total).sum() == pytest.approx(9000, rel=1e-9)
    parts = [load.appliance_power(item, total.index, temp_air) for item in appliances]
    rest = total - sum(parts)
    assert rest.min() > 0
    plain = load.household(9000, NEW_YORK)
    ratio = rest / plain
    assert ratio.max() - ratio.min() < 1e-9  # what is left has the measured shape
    assert energy_kwh(parts[1]).sum() == pytest.approx(1300, abs=2500 * 5 / 60_000 + 1e-6)
    assert energy_kwh(parts[2]).sum() == pytest.approx(2000, abs=1500 * 5 / 60_000 + 1e-6)
    again = load.household(9000, NEW_YORK, appliances=appliances, temp_air=temp_air)
    assert again.equals(total)


def test_timer_follows_the_wall_clock_past_midnight():
    pump = load.Appliance("pump", 700, "timer", daily_hours=[(9, 12), (23, 1.5)])
    power = load.appliance_power(pump, year_index("1min", NEW_YORK))
    hour = power.index.hour + power.index.minute / 60
    on = ((hour >= 9) & (hour < 12)) | (hour >= 23) | (hour < 1.5)
    np.testing.assert_array_equal(power, np.where(on, 700.0, 0.0))
    always = load.Appliance("router", 9, "timer", daily_hours=[(0, 24)])
    assert (load.appliance_power(always, power.index) == 9).all()


@pytest.mark.parametrize("kind, threshold", [("cooling", 20.0), ("heating", 8.0)])
def test_thermostat_runs_in_proportion_to_the_temperature(kind, threshold, temp_air):
    machine = load.Appliance("machine", 2000, kind, threshold_c=threshold, yearly_kwh=1500)
    index = year_index("1min", "Etc/GMT+5")
    power = load.appliance_power(machine, index, temp_air)
    assert set(power.unique()) == {0.0, 2000.0}
    beyond = (temp_air - threshold) * (1 if kind == "cooling" else -1)
    hourly_share = power.resample("1h").mean().to_numpy() / 2000
    # An hour may also run off what the hour before owed: less than one run of 5 minutes.
    assert hourly_share[beyond.to_numpy() <= 0].max() <= 5 / 60 + 1e-9
    slope = hourly_share[beyond > 3].sum() / beyond[beyond > 3].sum()
    np.testing.assert_allclose(hourly_share, np.clip(slope * beyond, 0, 1), atol=5 / 60 + 0.02)
    # Whole runs: every switch-on begins on a cycle of 20 minutes and lasts a multiple of 5.
    edges = np.flatnonzero(np.diff(np.r_[0, power.to_numpy() > 0, 0].astype(int)))
    starts, ends = edges[::2], edges[1::2]
    assert (starts % 20 == 0).all() and ((ends - starts) % 5 == 0).all()


def test_thermostat_meets_a_zone_whose_year_begins_an_hour_before_the_weather(temp_air):
    sydney = temp_air.copy()
    sydney.index = pd.date_range("2026-01-01", periods=8760, freq="1h", tz="Etc/GMT-10")
    heater = load.Appliance("heater", 1500, "heating", threshold_c=12, yearly_kwh=2000)
    total = load.household(9000, "Australia/Sydney", appliances=[heater], temp_air=sydney, southern=True)
    assert energy_kwh(total).sum() == pytest.approx(9000, rel=1e-9)
    # Summer time in January: the local year begins with the last hour of the standard-time year.
    sydney.iloc[0], sydney.iloc[-1] = 30.0, -30.0
    power = load.appliance_power(heater, total.index, sydney)
    assert (power.iloc[:60] > 0).any() and (power.iloc[60:120] == 0).all()


@pytest.mark.parametrize(
    "options, message",
    [
        ({"kind": "magic"}, "appliance x, kind: found 'magic', allowed is one of timer, cooling, heating"),
        ({"kind": "timer"}, r"appliance x, daily_hours: found \(\), allowed are"),
        ({"kind": "timer", "daily_hours": [(9, 25)]}, "appliance x, daily_hours: found 25 h"),
        ({"kind": "cooling", "yearly_kwh": 100}, "appliance x, threshold_c: found None"),
        ({"kind": "cooling", "threshold_c": 20}, "appliance x, yearly_kwh: found None"),
        (
            {"kind": "cooling", "threshold_c": 20, "yearly_kwh": 5, "run_minutes": 7},
            "appliance x, run_minutes: found 7",
        ),
        (
            {"kind": "cooling", "threshold_c": 20, "yearly_kwh": 5, "run_minutes": 0},
            "appliance x, run_minutes: found 0",
        ),
        ({"kind": "timer", "daily_hours": [(9, 10)], "power_w": -1}, "appliance x, power_w: found -1 W"),
    ],
)
def test_appliance_refuses(options, message):
    with pytest.raises(InputError, match=message):
        load.Appliance(**{"name": "x", "power_w": 1000, **options})


def test_impossible_appliances_are_named(temp_air):
    cooling = {"name": "x", "power_w": 1000, "kind": "cooling", "threshold_c": 20}
    with pytest.raises(InputError, match="appliance x: found no outdoor temperature"):
        load.household(8600, NEW_YORK, appliances=[load.Appliance(**cooling, yearly_kwh=100)])
    with pytest.raises(InputError, match=r"appliance x, yearly_kwh: found 8000 kWh, allowed is up to \d+ kWh"):
        load.household(8600, NEW_YORK, appliances=[load.Appliance(**cooling, yearly_kwh=8000)], temp_air=temp_air)
    with pytest.raises(InputError, match="yearly_kwh: found 500 kWh, allowed is at least the 900 kWh"):
        load.household(500, NEW_YORK, appliances=[load.Appliance(**cooling, yearly_kwh=900)], temp_air=temp_air)
    with pytest.raises(
        InputError, match="appliance x: found temperatures from 2025-12-30 00:00.* allowed is the year 2026-01-01"
    ):
        early = temp_air.set_axis(temp_air.index - pd.Timedelta(days=2))
        load.household(8600, NEW_YORK, [load.Appliance(**cooling, yearly_kwh=900)], early)
    gap = temp_air.copy()
    gap.iloc[100] = np.nan
    with pytest.raises(InputError, match="temp_air: found no value at 2026-01-05 04:00"):
        load.household(8600, NEW_YORK, appliances=[load.Appliance(**cooling, yearly_kwh=900)], temp_air=gap)


# ------------------------------------------------------------- the test load


@settings(deadline=None, max_examples=examples(60))
@given(
    st.lists(st.integers(0, 3000), min_size=1, max_size=12, unique=True),
    st.integers(1, 200),
    st.sampled_from([10, 60, 300]),
)
def test_pulses_cover_the_right_part_of_each_interval(seconds, dwell, step):
    index = pd.date_range("2026-06-21 12:00", periods=3600 // step, freq=f"{step}s", tz=NEW_YORK)
    starts = sorted(seconds)
    times = [index[0] + pd.Timedelta(seconds=second) for second in starts]
    if (np.diff(starts) < dwell).any():
        with pytest.raises(InputError, match="closer than their dwell"):
            load.test_load(index, times, 750, f"{dwell}s")
        return
    pulses = load.test_load(index, times, 750, f"{dwell}s")
    on = np.zeros(3600)  # second by second
    for start in starts:
        on[start : start + dwell] = 1
    np.testing.assert_allclose(pulses["share_on"], on.reshape(-1, step).mean(axis=1), atol=1e-9)
    np.testing.assert_allclose(pulses["power_w"], 750 * pulses["share_on"])


def test_aligned_pulse_is_exactly_on_and_no_pulse_is_off():
    index = pd.date_range("2026-06-21 12:00", periods=5, freq="1min", tz=NEW_YORK)
    assert load.test_load(index, [index[2]], 750, "60s")["share_on"].tolist() == [0, 0, 1, 0, 0]
    assert load.test_load(index, [], 750, "60s")["power_w"].tolist() == [0] * 5


@pytest.mark.parametrize(
    "times, dwell, message",
    [
        (["2026-06-21 12:00"], "60s", "test load times: found times without a time zone"),
        ([], "0s", "test load dwell: found 0 days 00:00:00"),
    ],
)
def test_test_load_refuses(times, dwell, message):
    index = pd.date_range("2026-06-21 12:00", periods=5, freq="1min", tz=NEW_YORK)
    with pytest.raises(InputError, match=message):
        load.test_load(index, times, 750, dwell)


MONTHS = (560, 490, 500, 550, 710, 980, 1190, 1160, 860, 560, 480, 0)


@pytest.mark.parametrize("tz", [NEW_YORK, "Australia/Lord_Howe", "Asia/Kathmandu"])
def test_twelve_uses_are_the_use_of_each_month_of_the_local_calendar(tz):
    heater = load.Appliance("water heater", 2000, "timer", daily_hours=((5, 6),))
    with pytest.raises(InputError, match="monthly_kwh, December: found 0 kWh, allowed is at least the 62 kWh that"):
        load.household(MONTHS, tz, appliances=[heater])
    months = (*MONTHS[:-1], 62.0)
    for appliances in ([], [heater]):
        power = load.household(months, tz, appliances=appliances)
        found = energy_kwh(power).groupby(power.index.month).sum()
        np.testing.assert_allclose(found, months, rtol=1e-9)
    plain, shaped = load.household(8600, tz), load.household(months, tz)
    july = plain.index.month == 7
    ratio = (shaped / plain)[july]
    assert ratio.std() < 1e-9 and ratio.mean() == pytest.approx(1190 * 1000 / energy_kwh(plain[july]).sum() / 1000)


def test_uses_of_months_are_twelve():
    with pytest.raises(InputError, match="monthly_kwh: found 11 numbers, allowed are 12, January to December"):
        load.household(MONTHS[:-1], NEW_YORK)
    with pytest.raises(InputError, match="monthly_kwh: found -1 kWh, allowed is a number from 0"):
        load.household((-1, *MONTHS[1:]), NEW_YORK)
