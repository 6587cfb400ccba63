"""Tables of measured or downloaded light: any year, unit, stamp, clock and heading comes out as the same hours."""

import re
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from solarlib.quantities import InputError
from solarlib.sky import sun
from solarlib.sky.clock import minutes_off
from solarlib.sky.measured import HourlyFile, read_hours
from solarlib.sky.weather import Place, read_weather

HERE = Place("Greensboro", 36.1, -79.95, "America/New_York", 273.0)
TRUE = read_weather("723170TYA.CSV", HERE)


def real_year(year=2023, step="1h"):
    """Return the typical year's values on the true moments of a real year in UTC; finer rows share the hour's value."""
    index = pd.date_range(f"{year}-01-01 05:00", f"{year + 1}-01-01 05:00", freq="1h", inclusive="left", tz="UTC")
    rows = np.arange(len(index)) if len(index) == 8760 else np.r_[: 59 * 24, 58 * 24 : 8760]
    table = TRUE.iloc[rows].set_axis(index)
    return (
        table.resample(step)
        .ffill()
        .reindex(
            pd.date_range(
                index[0], periods=len(index) * 60 // int(pd.Timedelta(step) / pd.Timedelta("1min")), freq=step
            )
        )
        .ffill()
    )


def written(folder, table, stamps, heads, sep=",", above=(), encoding="utf-8", decimal="."):
    """Write a table as a person's file: stamps as texts, columns under the given headings."""
    body = pd.DataFrame({"Time": stamps} | {head: table[column].to_numpy() for column, head in heads.items()})
    text = body.to_csv(index=False, sep=sep, decimal=decimal, lineterminator="\n")
    path = Path(folder) / "light.csv"
    path.write_bytes("".join([*(f"{line}\n" for line in above), text]).encode(encoding))
    return HourlyFile(str(path))


THREE = {"ghi": "GHI (W/m2)", "dni": "DNI (W/m2)", "dhi": "DHI (W/m2)", "temp_air": "Temp", "wind_speed": "Wind speed"}


def agrees(year, light=0.001):
    assert len(year) == 8760 and not year.isna().any().any() and list(year) == [*TRUE]
    assert year.index[0].utcoffset() == pd.Timedelta(hours=-5) and year.index[0].minute == 0
    apart = abs(year["ghi"].to_numpy() - TRUE["ghi"].to_numpy())
    assert np.mean(apart) < 3 and year["ghi"].sum() == pytest.approx(TRUE["ghi"].sum(), rel=light)
    assert abs(minutes_off(year, HERE.latitude, HERE.longitude)) < 4


@pytest.mark.parametrize("year", [2021, 2023, 2024])
@pytest.mark.parametrize("stamp", ["start", "middle", "end"])
@pytest.mark.parametrize("clock", ["UTC", "Etc/GMT+5", "America/New_York", "Asia/Karachi"])
def test_zone_stamp_side_and_summer_time_come_from_the_sun(tmp_path, year, stamp, clock):
    table = real_year(year)
    moments = table.index + {"start": 0, "middle": 0.5, "end": 1}[stamp] * pd.Timedelta(hours=1)
    stamps = moments.tz_convert(clock).strftime("%Y-%m-%d %H:%M")
    agrees(read_hours(written(tmp_path, table, stamps, THREE), HERE))


@pytest.mark.parametrize(
    "form", ["%d/%m/%Y %H:%M", "%m/%d/%Y %H:%M", "%d.%m.%Y %H:%M:%S", "%Y%m%d:%H%M", "%Y-%m-%dT%H:%M:%SZ", "%Y%m%d%H"]
)
def test_times_are_written_in_many_ways(tmp_path, form):
    table = real_year()
    agrees(read_hours(written(tmp_path, table, table.index.strftime(form), THREE), HERE))


@pytest.mark.parametrize(
    ("factor", "unit", "step"),
    [
        (1, "W/m2", "1h"),
        (0.001, "kW/m2", "1h"),
        (1, "Wh/m2", "1h"),
        (0.001, "kWh/m²", "1h"),
        (3.6, "kJ/m2", "1h"),
        (0.0036, "MJ/m^2", "1h"),
        (0.25, "Wh/m2", "15min"),
        (0.3, "kJ/m2", "5min"),
    ],
)
def test_the_unit_is_read_from_the_heading_and_checked_with_the_sun(tmp_path, factor, unit, step):
    table = real_year(2023, step)
    light = table.assign(**{c: table[c] * factor for c in ("ghi", "dni", "dhi")})
    heads = {"ghi": f"Global [{unit}]", "dni": f"Direct normal [{unit}]", "dhi": f"Diffuse [{unit}]"}
    stamps = table.index.strftime("%Y-%m-%d %H:%M")
    year = read_hours(written(tmp_path, light, stamps, heads), HERE)
    np.testing.assert_allclose(year["ghi"].sum(), TRUE["ghi"].sum(), rtol=0.001)
    if step == "1h":  # and without its unit, as long as an hour tells
        year = read_hours(written(tmp_path, light, stamps, {"ghi": "GHI", "dni": "DNI", "dhi": "DHI"}), HERE)
        np.testing.assert_allclose(year["ghi"].sum(), TRUE["ghi"].sum(), rtol=0.001)
    wrong = {"W/m2": "kWh/m2", "kW/m2": "W/m2"}.get(unit)
    if wrong:
        with pytest.raises(InputError, match=f"light.csv: found .* read in {wrong}.*allowed is .*would fit: .*W.*/m2"):
            read_hours(written(tmp_path, light, stamps, {"ghi": f"GHI {wrong}", "dni": "DNI", "dhi": "DHI"}), HERE)


def test_year_month_day_hour_in_columns_of_their_own(tmp_path):
    table = real_year(2020).tz_convert("Etc/GMT+5")
    parts = {part: getattr(table.index, part.lower()) for part in ("Year", "Month", "Day", "Hour", "Minute")}
    body = pd.DataFrame(
        parts | {"GHI": table["ghi"].to_numpy(), "DNI": table["dni"].to_numpy(), "DHI": table["dhi"].to_numpy()}
    )
    path = tmp_path / "light.csv"
    above = "Source,Time Zone,GHI Units,Clearsky GHI Units\nours,-5,w/m2,w/m2\n"  # lines of a table's own facts
    path.write_text(above + body.to_csv(index=False).replace("DHI\n", "DHI,,,\n"), encoding="utf-8")
    agrees(read_hours(HourlyFile(str(path)), HERE))


def test_a_european_file_with_a_head_in_utf16(tmp_path):
    table = real_year()
    stamps = table.index.tz_convert("America/New_York").strftime("%d.%m.%Y %H:%M")
    above = ("Messstation;;;;", "Höhe 273 m;;;;")
    file = written(tmp_path, table, stamps, THREE, ";", above, "utf-16", ",")
    agrees(read_hours(file, HERE))


@pytest.mark.parametrize("columns", [("ghi",), ("ghi", "dhi"), ("ghi", "dni")])
def test_what_is_missing_is_computed_or_made_and_told(tmp_path, columns):
    table = real_year()
    stamps = table.index.strftime("%Y-%m-%d %H:%M")
    year = read_hours(written(tmp_path, table, stamps, {c: THREE[c] for c in columns}), HERE)
    agrees(year)
    alone = columns == ("ghi",)
    assert year.attrs["told"] == (("Beam by estimate.",) if alone else ())
    account = year.attrs["account"]
    assert ("by estimate" in account) == alone and "temp_air and wind_speed not in it" in account
    if len(columns) > 1:
        assert year["dhi"].sum() == pytest.approx(TRUE["dhi"].sum(), rel=0.03)
    assert -5 < year["temp_air"].mean() - TRUE["temp_air"].mean() < 5


def test_gaps_are_filled_from_days_beside_and_counted_and_too_many_refused(tmp_path):
    table = real_year()
    stamps = table.index.strftime("%Y-%m-%d %H:%M")
    few = np.r_[0:300, 340:5000, 5001:8760]
    year = read_hours(written(tmp_path, table.iloc[few], stamps[few], THREE), HERE)
    assert "41 hours missing" in year.attrs["account"] and len(year) == 8760 and not year.isna().any().any()
    half = slice(0, 5000)
    with pytest.raises(InputError, match=r"light.csv: found 57% of a year \(5,000 rows read\), allowed is"):
        read_hours(written(tmp_path, table.iloc[half], stamps[half], THREE), HERE)
    with pytest.raises(InputError, match="rows 0 days 03:00:00 apart"):
        read_hours(written(tmp_path, table.iloc[::3], stamps[::3], THREE), HERE)


def test_of_two_years_the_later_counts(tmp_path):
    two = pd.concat([real_year(2022) * 0.5, real_year(2023)])
    agrees(read_hours(written(tmp_path, two, two.index.strftime("%Y-%m-%d %H:%M"), THREE), HERE))


@pytest.mark.parametrize(
    ("heads", "stamp", "columns", "words"),
    [
        ({"ghi": "light"}, "%Y-%m-%d %H:%M", (), "no heading of the light.*hourly_columns"),
        ({"ghi": "light"}, "%Y-%m-%d %H:%M", (("ghi", "light"),), None),
        ({"ghi": "GHI"}, "day %j", (), "found 'day 183' under 'Time', allowed is a time"),
        (
            {"ghi": "GHI", "dni": "DHI", "dhi": "DNI"},
            "%Y-%m-%d %H:%M",
            (),
            "light.csv, light: found ghi - dhi that is not",
        ),
        (
            {"dhi": "GHI", "ghi": "DHI"},
            "%Y-%m-%d %H:%M",
            (),
            "found 0.4.. of a cloudless day's light on its bright days",
        ),
        (
            {"dni": "GHI", "ghi": "DNI"},
            "%Y-%m-%d %H:%M",
            (),
            "found 2.0. of a cloudless day's light on its bright days",
        ),
        ({"ghi": "GHI"}, "%Y-%m-%d %H:%M", (("temp_air", "T1"),), "found no heading 't1' for temp_air, .* Time, GHI"),
        ({"ghi": "Clear sky GHI", "dni": "Global tilted"}, "%Y-%m-%d %H:%M", (), "found no heading of the light"),
    ],
)
def test_what_cannot_be_read_is_told_with_what_would_do(tmp_path, heads, stamp, columns, words):
    table = real_year()
    file = written(tmp_path, table, table.index.strftime(stamp), heads)
    file = HourlyFile(file.path, columns)
    if words is None:
        assert read_hours(file, HERE)["ghi"].sum() == pytest.approx(TRUE["ghi"].sum(), rel=0.001)
        return
    with pytest.raises(InputError, match=words) as caught:
        read_hours(file, HERE)
    assert "\n" not in str(caught.value)


def test_the_seasons_of_a_table_must_fit_and_a_missing_file_is_named(tmp_path):
    table = real_year()
    file = written(tmp_path, table, table.index.strftime("%Y-%m-%d %H:%M"), THREE)
    with pytest.raises(InputError, match="light.csv: found the seasons of a place north"):
        read_hours(file, Place("x", -36.1, -79.95, "America/Lima"))
    with pytest.raises(InputError, match="hourly file: found nothing at 'nowhere.csv'"):
        read_hours(HourlyFile("nowhere.csv"), HERE)


def said_of(rows, account):
    """Return rows read, used, and all others that the account reports."""
    read, used = (
        int(re.search(rf"([0-9,]+)(?: rows)? {word}", account)[1].replace(",", "")) for word in ("read", "used")
    )
    others = re.findall(r"([0-9,]+) (?:of a time that|without a|of a sensor|of hours|of 29|of an earlier)", account)
    return read, used, sum(int(number.replace(",", "")) for number in others)


@pytest.mark.parametrize("clock", ["UTC", "America/New_York"])
def test_every_row_is_used_or_reported(tmp_path, clock):
    """Thirteen months to a leap year's end, and of each fault a known number of rows."""
    table = pd.concat([real_year(2023).iloc[-800:], real_year(2024)])
    texts = np.array(table.index.tz_convert(clock).strftime("%Y-%m-%d %H:%M").tolist(), dtype=object)
    table = table[["ghi", "dni", "dhi"]].astype(object)
    texts[2000:2007] = "no time"
    table.iloc[3000:3012, 0] = "error"
    table.iloc[4000:4030, :] = 411.5
    table.iloc[5000, 0], table.iloc[5100:5104, 1] = 40000.0, -999.0
    file = written(tmp_path, table, texts, {c: THREE[c] for c in table})
    doubled = pd.read_csv(file.path).iloc[6000:6010]
    body = Path(file.path).read_text(encoding="utf-8") + doubled.to_csv(index=False, header=False) + ";sum;;\n\n"
    Path(file.path).write_text(body, encoding="utf-8")
    account = read_hours(file, HERE).attrs["account"]
    read, used, others = said_of(table, account)
    assert read == used + others == 800 + 8784 + 11, account
    again = 10 + (clock != "UTC")
    for words in ("8 without a time", "12 without a number", "30 of a sensor that stood", "5 of hours whose light"):
        assert words in account, account
    assert f"{again} of a time that is there again" in account and "24 of 29 February" in account
    assert f"{60 + (clock != 'UTC')} hours missing" in account or f"{54 + (clock != 'UTC')} hours missing" in account


def test_light_that_no_sun_brings_is_refused(tmp_path):
    table, rng = real_year(), np.random.default_rng(1)
    stamps = table.index.strftime("%Y-%m-%d %H:%M")
    dead = table["ghi"].where(np.arange(8760) // 1000 != 4, 0.0)
    for ghi, words in (
        (200.0, "8,760 of a sensor that stood still"),
        (rng.uniform(0, 400, 8760), "light that does not follow the sun|light at night|of a cloudless day"),
        (table["ghi"].to_numpy() + 30.0, "light at night or beyond that above the air, [1-9]"),
        (dead, r"found 8\d% of a year .*of a sensor that stood still"),
    ):
        with pytest.raises(InputError, match=words):
            read_hours(written(tmp_path, table.assign(ghi=ghi), stamps, {"ghi": "GHI"}), HERE)
    two = {"ghi": "GHI", "dhi": "DHI"}
    with pytest.raises(InputError, match="sky light that is more than all light, 1.*columns swapped"):
        read_hours(written(tmp_path, table.assign(dhi=1.2 * table["ghi"] + 20 * (table["ghi"] > 0)), stamps, two), HERE)
    with pytest.raises(InputError, match="beam on flat ground that is more than all light, .*columns swapped"):
        read_hours(
            written(
                tmp_path,
                table.assign(dni=table["dni"] + 300 * (table["dni"] > 0)),
                stamps,
                {"ghi": "GHI", "dni": "DNI"},
            ),
            HERE,
        )


def test_a_clock_changed_in_summer_needs_a_place_that_changes_it(tmp_path):
    table = real_year()
    stamps = table.index.tz_convert("America/New_York").strftime("%Y-%m-%d %H:%M")
    with pytest.raises(InputError, match="found a clock that is changed by about (5|6). minutes in summer, .*Etc/GMT"):
        read_hours(written(tmp_path, table, stamps, {"ghi": "GHI"}), Place("x", 36.1, -79.95, "Etc/GMT+5", 273.0))


def test_a_southern_place_beyond_the_date_line_by_its_changed_clock(tmp_path):
    place = Place("far south east", -41.3, 174.8, "Pacific/Auckland", 10.0)
    index = pd.date_range("2023-01-01", periods=8760, freq="1h", tz="Etc/GMT-12")
    sky = sun.clear_sky(index, place)
    stamps = (index + pd.Timedelta(hours=1)).tz_convert(place.tz).strftime("%d/%m/%Y %I:%M %p")
    year = read_hours(written(tmp_path, sky, stamps, {"ghi": "GHI", "dhi": "DHI"}, ";", decimal=","), place)
    assert abs(year["ghi"].to_numpy() - sky["ghi"].to_numpy()).mean() < 0.2
    assert "its clock is changed in summer" in year.attrs["account"] and year.index[0].utcoffset() == pd.Timedelta(
        "12h"
    )


def test_units_of_temperature_and_wind_are_those_of_their_headings(tmp_path):
    table = real_year()
    stamps = table.index.strftime("%Y-%m-%d %H:%M")
    other = table.assign(temp_air=table["temp_air"] * 1.8 + 32, wind_speed=table["wind_speed"] * 3.6)
    heads = {"ghi": "GHI", "temp_air": "Temperature (°F)", "wind_speed": "Wind speed (km/h)"}
    year = read_hours(written(tmp_path, other, stamps, heads), HERE)
    for column in ("temp_air", "wind_speed"):
        assert year[column].mean() == pytest.approx(TRUE[column].mean(), rel=1e-3)
    with pytest.raises(InputError, match="mean temperature .2. K from that of the world table"):
        read_hours(written(tmp_path, table.assign(temp_air=table["temp_air"] + 25), stamps, THREE), HERE)
    poor = read_hours(written(tmp_path, table.assign(temp_air=-999.0, dni=-999.0), stamps, THREE), HERE)
    assert "temp_air not in it: made" in poor.attrs["account"] and poor.attrs["told"] == ()
    assert poor["dni"].sum() == pytest.approx(TRUE["dni"].sum(), rel=0.02)
