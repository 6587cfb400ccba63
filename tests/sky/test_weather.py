"""Weather files in, clean hours out; hours in, minutes out."""

from pathlib import Path

import numpy as np
import pandas as pd
import pvlib
import pytest
from hypothesis import given, settings, strategies as st
from hypothesis.extra.numpy import arrays
from scipy.stats import ks_2samp

from solarlib.quantities import TYPICAL_YEAR, InputError
from solarlib.sky import sun
from solarlib.sky.clouds import minute_weather
from solarlib.sky.weather import Place, find_file, read_weather

DATA = Path(__file__).parents[2] / "data"
GREENSBORO = Place("Greensboro", 36.1, -79.95, "America/New_York", 273.0)
GOLDEN = Place("Golden", 39.7423, -105.1785, "America/Denver", 1829.0)
FILES = {
    "723170TYA.CSV": GREENSBORO,
    "703165TY.csv": Place("Sand Point", 55.317, -160.517, "America/Anchorage", 7.0),
    "12839.tm2": Place("Miami", 25.8, -80.2667, "America/New_York", 2.0),
}


# ---------------------------------------------------------------- places and files


@pytest.mark.parametrize(
    "change, word",
    [
        ({"latitude": 91.0}, "latitude"),
        ({"longitude": -200.0}, "longitude"),
        ({"altitude_m": float("nan")}, "altitude"),
        ({"tz": "Mars/Olympus"}, "Mars/Olympus"),
        ({"tz": ""}, "tz"),
        ({"latitude": "36"}, "'36'"),
        ({"horizon": ((90, -5),)}, "horizon elevation"),
        ({"horizon": ((400, 5),)}, "horizon azimuth"),
        ({"horizon": ((0, 5), (360, 6))}, "two elevations at azimuth 0"),
    ],
)
def test_a_place_that_cannot_be_is_refused(change, word):
    values = dict(name="x", latitude=36.0, longitude=-80.0, tz="America/New_York", altitude_m=0.0) | change
    with pytest.raises(InputError, match="allowed is") as caught:
        Place(**values)
    assert word in str(caught.value) and "\n" not in str(caught.value)


@pytest.mark.parametrize("file", FILES)
def test_a_year_has_every_hour_once_in_standard_time(file):
    weather = read_weather(file, FILES[file])
    assert len(weather) == 8760 and not weather.isna().any().any()
    assert weather.index[0] == pd.Timestamp(f"{TYPICAL_YEAR}-01-01 00:00", tz=weather.index.tz)
    assert (np.diff(weather.index.as_unit("s").asi8) == 3600).all()
    assert weather.index[0].utcoffset() == weather.index[4000].utcoffset()
    assert list(weather.columns) == ["ghi", "dni", "dhi", "temp_air", "wind_speed"]


def test_values_stand_in_the_hour_that_the_file_names():
    raw = pd.read_csv(find_file("723170TYA.CSV"), header=1)
    weather = read_weather("723170TYA.CSV")
    row = raw[(raw["Date (MM/DD/YYYY)"].str[:5] == "06/21") & (raw["Time (HH:MM)"] == "14:00")].iloc[0]
    ours = weather.loc[f"{TYPICAL_YEAR}-06-21 13:00:00-05:00"]  # stamped with its end
    assert ours["ghi"] == row["GHI (W/m^2)"] and ours["temp_air"] == row["Dry-bulb (C)"]


def test_tenths_of_the_old_format_become_degrees():
    weather = read_weather("12839.tm2")
    assert 22 < weather["temp_air"].mean() < 26 and 3 < weather["wind_speed"].mean() < 6


@pytest.fixture(scope="module")
def lines():
    return find_file("723170TYA.CSV").read_text(encoding="utf-8").splitlines()


def _write(folder, lines):
    path = folder / "year of mine.csv"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def test_a_readers_own_path_is_read(tmp_path, lines):
    assert read_weather(_write(tmp_path, lines))["ghi"].sum() == read_weather("723170TYA.CSV")["ghi"].sum()


def _cell(lines, row, column, text):
    cells = lines[row + 1].split(",")
    cells[lines[1].split(",").index(column)] = text
    return lines[: row + 1] + [",".join(cells)] + lines[row + 2 :]


@pytest.mark.parametrize(
    "spoil, words",
    [
        (lambda x: x[:-24], ["8736 rows", "8760"]),
        (lambda x: x[2:], ["row 0", "header"]),
        (lambda x: ["a,b,c,d,e"] + x[1:], ["row 0", "a,b,c,d,e"]),
        (lambda x: [x[0], x[1].replace("DNI (W/m^2)", "beam")] + x[2:], ["no column 'DNI (W/m^2)'"]),
        (lambda x: _cell(x, 12, "GHI (W/m^2)", "-9900"), ["row 12", "GHI (W/m^2)", "-9900", "0 to 1500"]),
        (lambda x: _cell(x, 4000, "Dry-bulb (C)", "warm"), ["row 4000", "Dry-bulb (C)", "warm", "-90 to 60"]),
        (lambda x: _cell(x, 7, "Wspd (m/s)", ""), ["row 7", "Wspd (m/s)"]),
        (lambda x: x[:100] + [x[101], x[100]] + x[102:], ["row 99", "date and time"]),
        (lambda x: [], ["allowed"]),
    ],
)
def test_an_odd_file_is_refused_with_file_row_and_column(tmp_path, lines, spoil, words):
    with pytest.raises(InputError) as caught:
        read_weather(_write(tmp_path, spoil(lines)))
    message = str(caught.value)
    assert "year of mine.csv" in message and "\n" not in message and "allowed" in message
    assert [w for w in words if w not in message] == [], message


def test_other_files_are_refused(tmp_path):
    with pytest.raises(InputError, match="nothing at 'nowhere.csv'.*723170TYA.CSV"):
        read_weather("nowhere.csv")
    odd = tmp_path / "picture.csv"
    odd.write_bytes(bytes(range(256)) * 10)
    with pytest.raises(InputError, match="picture.csv"):
        read_weather(odd)
    odd.rename(odd.with_suffix(".tm2"))
    with pytest.raises(InputError, match="picture.tm2.*TMY2"):
        read_weather(odd.with_suffix(".tm2"))


def test_a_lost_minus_sign_is_found():
    with pytest.raises(InputError, match="longitude -79.95.*within 5 deg"):
        read_weather("723170TYA.CSV", Place("x", 36.1, 79.95, "America/New_York"))


# ---------------------------------------------------------------- EPW


@pytest.fixture(scope="module")
def epw():
    """Return the lines of an EPW file with the values of Greensboro's TMY3 file: 8 of head, 8760 of 35 fields."""
    weather = read_weather("723170TYA.CSV")
    head = ["LOCATION,Grünberg,NC,USA,made here,0,36.10,-79.95,-5.0,273.0", *(f"HEAD {n}" for n in range(2, 9))]
    rows = []
    for number, row in enumerate(weather.itertuples()):
        fields = ["0"] * 35
        fields[:6] = ["1999", str(row.Index.month), str(row.Index.day), str(number % 24 + 1), "60", "?"]
        fields[6], fields[9], fields[21], fields[32] = str(row.temp_air), "99000", str(row.wind_speed), "0.2"
        fields[13:16] = [str(row.ghi), str(row.dni), str(row.dhi)]
        rows.append(",".join(fields))
    return head + rows


def _write_epw(folder, lines, encoding="utf-8"):
    path = folder / "mine.epw"
    path.write_text("\n".join(lines) + "\n", encoding=encoding)
    return path


@pytest.mark.parametrize("encoding", ["utf-8", "latin-1"])
def test_an_epw_file_gives_the_same_hours_as_the_tmy3_file_it_was_made_from(tmp_path, epw, encoding):
    weather = read_weather(_write_epw(tmp_path, epw, encoding), GREENSBORO)
    source = read_weather("723170TYA.CSV")
    pd.testing.assert_index_equal(weather.index, source.index)
    for name in ("ghi", "dni", "dhi", "temp_air", "wind_speed"):
        np.testing.assert_allclose(weather[name], source[name])


def _field(lines, row, field, text):
    fields = lines[row + 7].split(",")
    fields[field] = text
    return lines[: row + 7] + [",".join(fields)] + lines[row + 8 :]


@pytest.mark.parametrize(
    "spoil, words",
    [
        (lambda x: _field(x, 12, 13, "9999"), ["row 12", "'ghi'", "9999", "0 to 1500"]),
        (lambda x: _field(x, 8760, 6, "99.9"), ["row 8760", "'temp_air'", "99.9"]),
        (lambda x: _field(x, 3, 21, "999"), ["row 3", "'wind_speed'"]),
        (lambda x: x[:-24], ["8736 rows", "8760"]),
        (lambda x: x[:100] + [x[101], x[100]] + x[102:], ["row 93", "month, day and hour", "'1/4/22'"]),
        (lambda x: ["nothing"], ["no EPW"]),
        (lambda x: x[1:], ["no EPW"]),
        (lambda x: [x[0].replace("-79.95", "79.95"), *x[1:]], ["longitude 79.95"]),
    ],
)
def test_an_odd_epw_file_is_refused_with_file_row_and_column(tmp_path, epw, spoil, words):
    with pytest.raises(InputError) as caught:
        read_weather(_write_epw(tmp_path, spoil(epw)), GREENSBORO)
    message = str(caught.value)
    assert "mine.epw" in message and "\n" not in message and "allowed" in message
    assert [w for w in words if w not in message] == [], message


# ---------------------------------------------------------------- minutes


def _closure(made, clear):
    up = clear["dni"].to_numpy() > 0
    cos_zenith = (clear["ghi"] - clear["dhi"]).to_numpy()[up] / clear["dni"].to_numpy()[up]
    return (made["ghi"] - made["dhi"]).to_numpy()[up] - made["dni"].to_numpy()[up] * cos_zenith


@pytest.fixture(scope="module", params=["723170TYA.CSV", "12839.tm2"])
def year(request):
    place = FILES[request.param]
    hourly = read_weather(request.param, place)
    return hourly, place, minute_weather(hourly, place, np.random.default_rng(7))


@pytest.mark.slow
def test_a_year_of_minutes_keeps_the_hours(year):
    hourly, place, made = year
    means = made.to_numpy().reshape(8760, 60, 5).mean(axis=1)
    for column, got in zip(made.columns, means.T):
        if column in ("ghi", "temp_air", "wind_speed"):
            np.testing.assert_allclose(got, hourly[column], rtol=1e-9, atol=1e-9)
    moved = means[:, 2] - hourly["dhi"]
    assert abs(moved).sum() / hourly["dhi"].sum() < 0.005  # low sun, and dhi above ghi, as the docstring says
    assert (abs(moved) > 1).mean() < 0.04
    # 2 %: the docstring's 0.8 to 1.7 %, light of the lowest sun that no position explains
    assert means[:, 1].sum() == pytest.approx(hourly["dni"].sum(), rel=0.02)


@pytest.mark.slow
def test_minutes_are_possible_light(year):
    hourly, place, made = year
    clear = sun.clear_sky(made.index, place)
    assert abs(_closure(made, clear)).max() < 1e-9
    assert (made[["ghi", "dni", "dhi", "wind_speed"]].to_numpy() >= 0).all()
    dark = np.repeat(hourly["ghi"].to_numpy() == 0, 60)
    assert (made.loc[dark, ["ghi", "dni", "dhi"]].to_numpy() == 0).all()
    assert (made["dni"].to_numpy()[clear["dni"].to_numpy() == 0] == 0).all()
    # Cloud edges brighten the light: the highest of 29 measured summer days in Payerne was 1404 W/m2, and a whole
    # year of a sunnier place may exceed that, but not the light outside the atmosphere by much.
    assert 1100 < made["ghi"].max() < 1650


def test_the_same_generator_gives_the_same_minutes():
    hourly = read_weather("723170TYA.CSV").iloc[4000:4048]
    first, again, other = (minute_weather(hourly, GREENSBORO, np.random.default_rng(s)) for s in (1, 1, 2))
    pd.testing.assert_frame_equal(first, again)
    assert abs(first["ghi"] - other["ghi"]).max() > 50


def test_a_clear_day_stays_calm_and_a_half_clear_hour_does_not():
    hours = pd.date_range("2026-06-21", periods=24, freq="1h", tz="-05:00")
    index = pd.date_range(hours[0], periods=1440, freq="1min")
    clear = sun.clear_sky(index, GREENSBORO)
    hourly = clear.resample("1h").mean()
    calm = minute_weather(hourly, GREENSBORO, np.random.default_rng(3))
    high = (clear["ghi"] > 200).to_numpy()
    # 3 %: hour steps between straight lines (1 %) and the calm sky light's 2 % of a fifth
    assert abs(calm["ghi"] / clear["ghi"] - 1.0)[high].max() < 0.03
    half = hourly.copy()
    half["ghi"] = hourly["ghi"] - 0.5 * (hourly["ghi"] - hourly["dhi"])
    half["dni"] = 0.5 * hourly["dni"]
    half["dhi"] = hourly["dhi"]
    broken = minute_weather(half, GREENSBORO, np.random.default_rng(3))
    share = (broken["dni"] / clear["dni"])[high]
    assert ((share < 0.1) | (share > 0.8)).mean() > 0.6  # on or off, seldom half


@settings(max_examples=12, deadline=None)
@given(
    ghi=arrays(float, 24, elements=st.floats(0, 1300)),
    diffuse=arrays(float, 24, elements=st.floats(0, 1.5)),
    latitude=st.floats(-70, 70),
    day=st.integers(1, 365),
    seed=st.integers(0, 2**20),
)
def test_any_hours_are_kept_whatever_the_sun_does(ghi, diffuse, latitude, day, seed):
    place = Place("anywhere", latitude, 0.0, "UTC", 100.0)
    hours = pd.date_range("2026-01-01", periods=24, freq="1h", tz="UTC") + pd.Timedelta(days=day - 1)
    hourly = pd.DataFrame(
        {"ghi": ghi, "dni": ghi, "dhi": ghi * diffuse, "temp_air": ghi / 50 - 10, "wind_speed": ghi / 300}, hours
    )
    made = minute_weather(hourly, place, np.random.default_rng(seed))
    means = made.to_numpy().reshape(24, 60, 5).mean(axis=1)
    for i, column in ((0, "ghi"), (3, "temp_air"), (4, "wind_speed")):
        np.testing.assert_allclose(means[:, i], hourly[column], rtol=1e-9, atol=1e-9)
    assert (made[["ghi", "dni", "dhi"]].to_numpy() >= 0).all()
    assert abs(_closure(made, sun.clear_sky(made.index, place))).max(initial=0) < 1e-9


def test_input_that_does_not_fit_is_refused():
    hourly = read_weather("723170TYA.CSV").iloc[:24]
    for bad, words in (
        (hourly.drop(columns="dhi"), "weather: found no column 'dhi'"),
        (hourly.iloc[::2], "step of 0 days 02:00:00, allowed is 1h"),
        (hourly.assign(ghi=-1.0), "row 1.*-1.0.*from 0 W/m2"),
        (hourly.assign(dni=np.nan), "row 1"),
    ):
        with pytest.raises(InputError, match=words):
            minute_weather(bad, GREENSBORO, np.random.default_rng(0))


# ---------------------------------------------------------------- made minutes against measured ones


def _measured(name):
    table = pd.read_csv(DATA / name)
    return table.set_index(pd.DatetimeIndex(pd.to_datetime(table.pop("time"))))


def _five_minute_days():
    """Yield measured five-minute ghi, hourly weather, cloudless minutes and the usable hours, for both winters."""
    table = _measured("sky_five_minutes.csv.gz")
    for first, days in (("2019-02-01", 5), ("2022-01-01", 4)):
        index = pd.date_range(first, periods=288 * days, freq="5min", tz=table.index.tz)
        block = table.reindex(index)
        full = block.notna().all(axis=1).to_numpy().reshape(-1, 12).all(axis=1)
        block = block.fillna(0.0).clip(lower=0.0)
        hourly = block.resample("1h").mean()
        hourly["dhi"] = hourly[["ghi", "dhi"]].min(axis=1)
        clear = sun.clear_sky(pd.date_range(index[0], periods=5 * len(index), freq="1min"), GOLDEN)
        lowest = clear["ghi"].to_numpy().reshape(-1, 60).min(axis=1)
        yield block["ghi"].to_numpy(), hourly, clear, full & (lowest > 80.0)


def _held(hourly, clear):
    """The simplest other way to make minutes: hold the hour's clear-sky index."""
    whole = clear["ghi"].to_numpy().reshape(-1, 60)
    mean = whole.mean(axis=1)
    index = np.divide(hourly["ghi"].to_numpy(), mean, out=np.zeros_like(mean), where=mean > 0)
    return (whole * index[:, None]).ravel()


def _compare(make):
    """Return the clear-sky indices and five-minute changes, measured and made."""
    index, changes = ([], []), ([], [])
    for measured, hourly, clear, good in _five_minute_days():
        whole = clear["ghi"].to_numpy().reshape(-1, 5).mean(axis=1)
        chosen = np.repeat(good, 12)
        joined = chosen & np.roll(chosen, 1)
        for i, values in enumerate((measured, make(hourly, clear).reshape(-1, 5).mean(axis=1))):
            index[i].append(values[chosen] / whole[chosen])
            changes[i].append(abs(np.diff(values, prepend=0.0))[joined])
    return tuple(np.concatenate(part) for part in index), tuple(np.concatenate(part) for part in changes)


def _change_ratios(changes):
    levels = [0.5, 0.9, 0.95, 0.99]
    return np.quantile(changes[1], levels) / np.quantile(changes[0], levels)


@pytest.mark.parametrize("seed", range(3))
def test_made_light_is_distributed_like_measured_light(seed):
    """Measured: data/sky_five_minutes.csv.gz (NREL, Golden, see data/README.md), `seen and recomputed`.

    55 hours are usable. Two draws of 55 independent hours from one law differ by 1.36 * sqrt(2 / 55) = 0.26 once in
    20 times (Kolmogorov and Smirnov); made minutes know each hour's mean, so 0.15 is asked. Changes: a factor of
    1.75 either way, because the 99 % point of 55 hours rests on seven values; a sky without clouds misses it by far.
    """
    index, changes = _compare(
        lambda hourly, clear: minute_weather(hourly, GOLDEN, np.random.default_rng(seed))["ghi"].to_numpy()
    )
    assert len(index[0]) == 55 * 12
    assert ks_2samp(*index).statistic < 0.15
    assert ks_2samp(*changes).statistic < 0.15
    ratios = _change_ratios(changes)
    assert ratios.max() < 1.75 and ratios.min() > 1 / 1.75, ratios


def test_the_comparison_can_fail():
    index, changes = _compare(_held)
    assert ks_2samp(*changes).statistic > 0.15
    assert _change_ratios(changes).min() < 1 / 1.75


def test_a_measured_clear_day_comes_out_calm():
    """Measured: data/sky_minutes.csv.gz (NREL, Golden, 20 January 2022, a clear day), `seen and recomputed`.

    The station gives global light only, so the beam is Maxwell's estimate (1987, pvlib's disc). 0.15 as above, for a
    single day; the median change is asked within a factor of 2, and no minute may be as restless as a cloudy one.
    """
    measured = _measured("sky_minutes.csv.gz")["ghi"]
    clear = sun.clear_sky(measured.index, GOLDEN)
    ghi = measured.clip(lower=0.0).resample("1h").mean()
    zenith = sun.position(ghi.index, GOLDEN)["zenith"]
    dni = pvlib.irradiance.disc(ghi, zenith, ghi.index.day_of_year.to_numpy())["dni"]
    dhi = (ghi - dni * np.cos(np.radians(zenith))).clip(lower=0.0)
    made = minute_weather(pd.DataFrame({"ghi": ghi, "dni": dni, "dhi": dhi}), GOLDEN, np.random.default_rng(1))["ghi"]
    high = np.repeat((clear["ghi"].to_numpy().reshape(-1, 60) > 80).all(axis=1), 60)
    assert high.sum() >= 7 * 60
    assert ks_2samp((measured / clear["ghi"])[high], (made / clear["ghi"])[high]).statistic < 0.15
    steps = [abs(np.diff(values.to_numpy(), prepend=0.0))[high] for values in (measured, made)]
    assert 0.5 < np.median(steps[1]) / np.median(steps[0]) < 2.0
    assert np.quantile(steps[1], 0.99) < 40.0
