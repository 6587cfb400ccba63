"""People's files: every way of writing a table comes out alike, and every line is accounted for."""

import gzip
import re
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from day_rows import daily

from solarlib.files.checks import plausibility
from solarlib.files.dates import MISSING, moments, time_places
from solarlib.files.energies import interval_energy
from solarlib.files.mapping import Column, Exchange, Mapping, interval_of, mapping_from_toml, zone_of
from solarlib.files.numbers import as_number, as_numbers, number_marks
from solarlib.files.proposal import propose
from solarlib.files.reading import read
from solarlib.files.steps import missing, regular as regular_table
from solarlib.files.table import sniff
from solarlib.quantities import InputError

ZONE = "America/New_York"
INDEX = pd.date_range("2026-05-20", periods=96, freq="15min", tz=ZONE)
VALUES = np.round(np.random.default_rng(3).gamma(2.0, 0.2, 96) + 1000, 3)
PLAIN = Mapping((Column("Energy", "delivered", "kWh", "interval"),), "Time", ZONE)


def regular(got):
    """The even form of a table, and how many of its rows stand off it."""
    even = regular_table(got.table, got.step, got.account.name)
    return even, int((~got.table.index.isin(even.index)).sum())


def checked_without_sun(got):
    """The findings of the checks where nothing is known of the sun."""
    night, elevation = pd.Series(False, got.table.index), pd.Series(0.0, got.table.index)
    return plausibility(got.table, got.step, 5760.0, 20_000.0, night, elevation)


def balanced(account):
    """Whether all lines and all rows are accounted for."""
    lines = account.head_lines + account.blank_lines + account.rows_read
    return account.lines == lines and account.rows_read == account.rows_used + len(account.set_aside)


def written(tmp_path, lines, name="house.csv", encoding="utf-8", end="\n"):
    path = tmp_path / name
    path.write_bytes(end.join([*lines, ""]).encode(encoding))
    return path


def lines_of(stamp="%Y-%m-%d %H:%M", mark=";", index=INDEX, values=VALUES, show=lambda value: f"{value:.3f}"):
    return [f"Time{mark}Energy"] + [f"{time.strftime(stamp)}{mark}{show(value)}" for time, value in zip(index, values)]


def german(value):
    return f"{value:,.3f}".replace(",", "_").replace(".", ",").replace("_", ".")


STYLES = {
    "comma": (dict(mark=","), {}, {}),
    "semicolon, decimal comma": (dict(show=lambda v: f"{v:.3f}".replace(".", ",")), dict(decimal=","), {}),
    "grouped thousands": (dict(show=german), {}, {}),
    "blank thousands": (dict(show=lambda v: f"{v:,.3f}".replace(",", "\u00a0").replace(".", ",")), {}, {}),
    "tab, day first": (dict(mark="\t", stamp="%d.%m.%Y %H:%M:%S"), {}, {}),
    "month first": (dict(mark="|", stamp="%m/%d/%Y %I:%M %p"), {}, {}),
    "two-digit year": (dict(stamp="%d/%m/%y %H:%M"), dict(date_order="day first"), {}),
    "month in words": (dict(stamp="%d %b %Y %H:%M"), {}, {}),
    "with offset": (dict(stamp="%Y-%m-%dT%H:%M:%S%z"), dict(zone=None), {}),
    "packed": (dict(stamp="%Y%m%d%H%M"), {}, {}),
    "unix": (dict(stamp="%s"), dict(date_order="unix", zone=None), {}),
    "utf-8 with mark": ({}, {}, dict(encoding="utf-8-sig")),
    "utf-16": ({}, {}, dict(encoding="utf-16")),
    "utf-16 big end": ({}, dict(encoding="utf-16-be"), dict(encoding="utf-16-be")),
    "windows ends": ({}, {}, dict(end="\r\n")),
    "old ends": ({}, {}, dict(end="\r")),
    "quoted": (dict(mark=",", show=lambda v: '"' + f"{v:.3f}".replace(".", ",") + '"'), dict(decimal=","), {}),
}


@pytest.mark.parametrize("style", STYLES)
def test_every_style_gives_the_same_table(tmp_path, style):
    table, mapping, file = STYLES[style]
    if table.get("stamp") == "%s":
        lines = ["Time;Energy"] + [f"{int(t.timestamp())};{v:.3f}" for t, v in zip(INDEX, VALUES)]
    else:
        lines = lines_of(**table)
    got = read(written(tmp_path, lines, **file), Mapping(**{**vars(PLAIN), **mapping}))
    assert (got.table.index == INDEX).all() and got.table["delivered_kwh"].tolist() == VALUES.tolist()
    assert got.step == pd.Timedelta("15min") and balanced(got.account) and got.account.rows_used == 96


@pytest.mark.parametrize(
    "unit, kind, factor, title",
    [
        ("W", None, 1, "delivered_w"),
        ("kW", None, 1000, "delivered_w"),
        ("Wh", "interval", 0.001, "delivered_kwh"),
        ("kWh", "interval", 1, "delivered_kwh"),
        ("MWh", "interval", 1000, "delivered_kwh"),
    ],
)
def test_units(tmp_path, unit, kind, factor, title):
    got = read(written(tmp_path, lines_of()), Mapping((Column("Energy", "delivered", unit, kind),), "Time", ZONE))
    assert np.allclose(got.table[title], VALUES * factor, rtol=1e-15)


def test_a_date_of_two_meanings_is_asked_for(tmp_path):
    index = pd.date_range("2026-03-04", periods=8, freq="1h", tz=ZONE)
    path = written(tmp_path, lines_of("%d/%m/%Y %H:%M", index=index))
    with pytest.raises(InputError, match=r"'04/03/2026 00:00' in line 2.*day first or month first.*set date_order"):
        read(path, PLAIN)
    for order, month in (("day first", 3), ("month first", 4)):
        got = read(path, Mapping(**{**vars(PLAIN), "date_order": order}))
        assert set(got.table.index.month) == {month}


def test_one_late_day_proves_the_order_and_the_account_says_so(tmp_path):
    index = pd.date_range("2026-03-04", periods=12, freq="1D", tz=ZONE)
    got = read(written(tmp_path, lines_of("%d/%m/%Y", index=index)), PLAIN)
    assert (got.table.index == index).all()
    assert any("day first" in note and "line 11 is not month first" in note for note in got.account.notes)


def test_two_orders_in_one_file_are_refused(tmp_path):
    path = written(tmp_path, ["Time;Energy", "25/03/2026;1.5", "03/26/2026;1.5", "04/05/2026;1.5"])
    with pytest.raises(InputError, match="more than one order"):
        read(path, PLAIN)


def test_a_number_of_two_meanings_is_asked_for(tmp_path):
    lines = ["Time;Energy", "2026-03-25 00:00;1,234", "2026-03-25 00:15;2,345"]
    with pytest.raises(InputError, match="'1,234'.*set decimal"):
        read(written(tmp_path, lines), PLAIN)
    assert (
        read(written(tmp_path, lines), Mapping(**{**vars(PLAIN), "decimal": ","})).table["delivered_kwh"].iloc[0]
        == 1.234
    )


def test_the_marks_of_numbers_may_show_late(tmp_path):
    index = pd.date_range("2026-01-01", periods=6000, freq="15min", tz=ZONE)
    lines = ["Time;Energy"] + [
        f"{time:%Y-%m-%d %H:%M};{'0' if place < 4000 else '1,25'}" for place, time in enumerate(index)
    ]
    got = read(written(tmp_path, lines), PLAIN)
    assert got.account.rows_used == 6000 and got.table["delivered_kwh"].sum() == 2500
    with pytest.raises(InputError, match="'1,250'.*set decimal"):
        read(written(tmp_path, [line.replace("1,25", "1,250") for line in lines]), PLAIN)


def test_a_zone_is_asked_for(tmp_path):
    with pytest.raises(InputError, match="set zone"):
        read(written(tmp_path, lines_of()), Mapping(**{**vars(PLAIN), "zone": None}))


def test_dirt_is_set_aside_with_line_reason_and_text(tmp_path):
    lines = ["Report of my meter", "", *lines_of()]
    lines[5] = "2026-05-20 00:30;error"
    lines[6] = "2026-05-20 00:45;3.1;extra"
    lines[7] = "not a date;3.1"
    lines.insert(9, lines[8])
    lines.insert(10, lines[8].split(";")[0] + ";7777")
    lines.insert(11, "")
    lines += ["Total;99999"]
    got = read(written(tmp_path, lines), PLAIN)
    aside = got.account.set_aside
    assert list(zip(aside["line"], aside["text"])) == [
        (6, lines[5]),
        (7, lines[6]),
        (8, lines[7]),
        (10, lines[9]),
        (11, lines[10]),
        (len(lines), lines[-1]),
    ]
    assert [reason.split(" ")[0] for reason in aside["reason"]] == ["no", "another", "no", "repeats", "the", "no"]
    assert (
        balanced(got.account)
        and got.account.rows_used == 93
        and got.account.blank_lines == 1
        and got.account.head_lines == 3
    )
    assert "missing: 3 intervals of 15 min, in 1 gap" in got.account.notes
    table, off = regular(got)
    assert off == 0 and len(table) == 96 and table["delivered_kwh"].isna().sum() == 3


def test_single_cells_without_a_number_are_listed(tmp_path):
    lines = ["Time;In;Out", "2026-05-20 00:00;1.5;oops", "2026-05-20 00:15;;2.5", "2026-05-20 00:30;1.5;2.5"]
    mapping = Mapping(
        (Column("In", "delivered", "kWh", "interval"), Column("Out", "received", "kWh", "interval")), "Time", ZONE
    )
    got = read(written(tmp_path, lines), mapping)
    assert got.account.cells_set_aside.to_numpy().tolist() == [
        [2, "Out", "not a number", "oops"],
        [3, "In", "empty", ""],
    ]
    assert got.account.rows_used == 3 and got.table["received_kwh"].isna().tolist() == [True, False, False]


@pytest.mark.parametrize("keep, value", [("first", 1.0), ("last", 2.0)])
def test_which_of_two_is_used_is_a_choice(tmp_path, keep, value):
    lines = ["Time;Energy", "2026-05-20 00:00;1.0", "2026-05-20 00:15;1.5", "2026-05-20 00:00;2.0"]
    got = read(written(tmp_path, lines), Mapping(**{**vars(PLAIN), "keep": keep}))
    assert got.table["delivered_kwh"].tolist() == [value, 1.5] and len(got.account.set_aside) == 1


def clock_lines(day, offsets, step="30min", zone=ZONE):
    index = pd.date_range(f"{day} 00:00", f"{day} 04:00", freq=step, tz=zone)
    return index, lines_of(index=index, values=np.arange(len(index)) + 0.5)


def test_the_autumn_hour_is_told_apart_by_order(tmp_path):
    index, lines = clock_lines("2026-11-01", 2)
    got = read(written(tmp_path, lines), PLAIN)
    assert (got.table.index == index).all() and got.account.rows_used == len(index)
    turned = read(written(tmp_path, [lines[0], *lines[:0:-1]]), PLAIN)  # newest first
    assert turned.table.equals(got.table)
    beside = sorted(lines[1:], key=lambda line: line.split(";")[0])  # sorted by clock, each label twice
    assert read(written(tmp_path, [lines[0], *beside]), PLAIN).table.equals(got.table)


def test_an_autumn_hour_that_stands_there_once_is_set_aside(tmp_path):
    _, lines = clock_lines("2026-11-01", 2)
    once = list(dict.fromkeys(line.split(";")[0] for line in lines[1:]))
    got = read(written(tmp_path, [lines[0], *(f"{time};1.5" for time in once)]), PLAIN)
    assert (
        got.account.set_aside["line"].tolist() == [4, 5]
        and "twice in autumn" in got.account.set_aside["reason"].iloc[0]
    )


def test_a_row_in_the_hour_that_spring_skips_is_asked_about(tmp_path):
    """It proves that the clock is not changed, unless the file fills in this one hour: then it is set aside."""
    naive = pd.date_range("2026-03-08 00:00", "2026-03-08 04:00", freq="30min")
    lines = lines_of(index=naive, values=np.full(len(naive), 0.5))
    with pytest.raises(
        InputError, match="a row at '2026-03-08 02:00' in line 6, a time that the clock of America/New_York skips"
    ):
        read(written(tmp_path, lines), PLAIN)
    got = read(written(tmp_path, lines), Mapping(**{**vars(PLAIN), "padded": True}))
    assert got.account.set_aside["text"].tolist() == ["2026-03-08 02:00;0.500", "2026-03-08 02:30;0.500"]
    fixed = read(written(tmp_path, lines), Mapping(**{**vars(PLAIN), "zone": "-05:00"}))
    assert fixed.account.rows_used == len(naive)


def test_columns_by_number_without_a_header_and_blanks_between(tmp_path):
    lines = [f"{time:%Y-%m-%d}  {time:%H:%M}   {value:.1f}" for time, value in zip(INDEX, VALUES)]
    got = read(written(tmp_path, lines), Mapping((Column(3, "net", "W"),), (1, 2), ZONE, delimiter=" "))
    assert (got.table.index == INDEX).all() and got.table["net_w"].tolist() == [
        float(f"{value:.1f}") for value in VALUES
    ]
    assert got.account.head_lines == 0


def test_irregular_readings_keep_their_true_times(tmp_path):
    rng = np.random.default_rng(6)
    index = pd.DatetimeIndex(INDEX[0] + pd.to_timedelta(np.cumsum(rng.integers(40, 4000, 60)), unit="s"))
    got = read(written(tmp_path, lines_of("%Y-%m-%d %H:%M:%S", index=index)), PLAIN)
    assert (got.table.index == index).all() and got.step is None
    with pytest.raises(InputError, match="common step"):
        regular(got)


def test_a_row_off_the_grid_is_counted(tmp_path):
    lines = lines_of()
    lines.insert(10, "2026-05-20 02:07;0.5")
    got = read(written(tmp_path, lines), PLAIN)
    even, off = regular(got)
    assert off == 1 and (even.index == INDEX).all() and len(got.table) == 97


def test_thousands_of_shapes_do_not_hide_a_sound_row(tmp_path):
    rng = np.random.default_rng(7)
    odd = ["".join(map(chr, rng.integers(97, 123, rng.integers(3, 20)))) + ";1.5" for _ in range(5000)]
    sound = lines_of()
    got = read(written(tmp_path, [*sound[:50], *odd, *sound[50:]]), PLAIN)
    assert got.account.rows_used == 96 and len(got.account.set_aside) == 5000


def test_labels_at_the_end_move_to_the_start(tmp_path):
    got = read(written(tmp_path, lines_of()), Mapping(**{**vars(PLAIN), "label": "end"}))
    assert (got.table.index == INDEX - pd.Timedelta("15min")).all()


def test_a_counter_rolls_over_only_with_digits_and_an_exchange_needs_its_entry(tmp_path):
    lines = ["Time;Energy"] + [
        f"2026-05-{day} 12:00;{value}" for day, value in zip(range(10, 16), (99_980, 99_995, 12, 40, 3, 9))
    ]
    counter = dict(name="Energy", quantity="delivered", unit="kWh", kind="counter")
    path = written(tmp_path, lines)
    bare = read(path, Mapping((Column(**counter),), "Time", ZONE))
    assert bare.table["delivered_kwh"].dropna().tolist() == [15, 28, 6] and "needs digits" in " ".join(
        bare.account.notes
    )
    swap = Exchange("2026-05-13 18:00", 45, 1)
    full = read(path, Mapping((Column(**counter, digits=5, exchange=(swap,)),), "Time", ZONE))
    assert full.table["delivered_kwh"].dropna().tolist() == [15, 17, 28, 7, 6]
    assert next(iter(full.intervals.values()))["how"].tolist() == [
        "difference",
        "rollover",
        "difference",
        "exchange",
        "difference",
    ]


def test_a_dial_ends_in_its_own_unit_and_what_is_off_it_is_listed(tmp_path):
    lines = ["Time;Energy"] + [
        f"2026-05-{10 + place} 12:00;{value}" for place, value in enumerate((99_000, 99_900, 123456, 400, 900))
    ]
    column = Column("Energy", "delivered", "Wh", "counter", digits=5, multiplier=2)
    got = read(written(tmp_path, lines), Mapping((column,), "Time", ZONE))
    assert got.account.set_aside["text"].tolist() == ["2026-05-12 12:00;123456"]
    assert got.intervals[column]["energy_kwh"].round(9).tolist() == [1.8, 1.0, 1.0]


def test_energy_over_a_gap_does_not_land_in_one_interval(tmp_path):
    lines = ["Time;Energy"] + [f"2026-05-20 {hour:02d}:00;{100 + hour}" for hour in (0, 1, 2, 3, 7, 8)]
    got = read(written(tmp_path, lines), Mapping((Column("Energy", "delivered", "kWh", "counter"),), "Time", ZONE))
    assert got.table["delivered_kwh"].tolist()[:5] == [1, 1, 1, pytest.approx(np.nan, nan_ok=True), 1]
    assert next(iter(got.intervals.values()))["energy_kwh"].sum() == 8


def test_registers_of_two_tariffs_are_added(tmp_path):
    lines = ["Time;Day;Night"] + [f"2026-05-20 {hour:02d}:00;{10 + hour};{50 + 2 * hour}" for hour in range(5)]
    columns = [Column(name, "delivered", "kWh", "counter") for name in ("Day", "Night")]
    assert read(written(tmp_path, lines), Mapping(tuple(columns), "Time", ZONE)).table["delivered_kwh"].tolist()[
        :4
    ] == [3, 3, 3, 3]


def test_readings_in_each_others_place_are_passed_over_and_told(tmp_path):
    values = [(100 + 10 * day, 500 + 4 * day) for day in range(6)]
    values[3] = values[3][::-1]
    lines = ["Time;In;Out"] + [f"2026-05-{day:02d} 12:00;{a};{b}" for day, (a, b) in enumerate(values, 1)]
    columns = [Column(*column, "kWh", "counter") for column in (("In", "delivered"), ("Out", "received"))]
    got = read(written(tmp_path, lines), Mapping(tuple(columns), "Time", ZONE))
    assert "1 reading looks as if the two registers were swapped, the first at 2026-05-04" in " ".join(
        got.account.notes
    )
    assert [part["energy_kwh"].tolist() for part in got.intervals.values()] == [[10, 10, 20, 10], [4, 4, 8, 4]]


def test_a_fall_beyond_half_the_dial_is_no_rollover():
    index = pd.date_range("2026-05-01", periods=3, freq="1D", tz="UTC")
    got = interval_energy(pd.Series([400.0, 100.0, 101.0], index), digits=3)
    assert got["how"].tolist() == ["unknown fall", "difference"] and np.isnan(got["energy_kwh"].iloc[0])
    with pytest.raises(InputError, match="5000 kWh, allowed is 0 to below 1000"):
        interval_energy(pd.Series([5000.0, 5001.0, 5002.0], index), digits=3)


@pytest.mark.parametrize(
    "text, value",
    [
        ("1.5", 1.5),
        ("-2", -2),
        ("+.5", 0.5),
        ("1e-3", 1e-3),
        ("1.2.3", np.nan),
        ("1 2", np.nan),
        ("abc", np.nan),
        ("", None),
        ("NaN", None),
        ("1_000", np.nan),
        ("\u0661", np.nan),
        ("1e999", np.nan),
        ("1e300", np.nan),
        ("9" * 20, np.nan),
    ],
)
def test_numbers(text, value):
    got = as_number(text)
    assert got is None if value is None else (np.isnan(got) if np.isnan(value) else got == value)


@pytest.mark.parametrize(
    "texts, marks",
    [
        (["1.5", "2.25"], (".", "", True)),
        (["1,5"], (",", "", True)),
        (["1.234,5"], (",", ".", True)),
        (["1,234.5"], (".", ",", True)),
        (["1,234,567"], (".", ",", True)),
        (["1 234,5"], (",", " ", True)),
        (["1,234"], (".", "", False)),
        (["12", "7"], (".", "", True)),
        (["0,123", "1,234"], (",", "", True)),
        (["1'234.5"], (".", "'", True)),
    ],
)
def test_marks_of_numbers(texts, marks):
    assert number_marks(texts) == marks


MAPPING = (
    f'zone = "{ZONE}"\ntime = "Time"\n'
    '[[column]]\nname = "Energy"\nquantity = "delivered"\nunit = "kWh"\nkind = "interval"\n'
)


def test_a_mapping_is_a_few_lines(tmp_path):
    (tmp_path / "map.toml").write_text(MAPPING, encoding="utf-8")
    assert mapping_from_toml(MAPPING) == mapping_from_toml(tmp_path / "map.toml") == PLAIN


@pytest.mark.parametrize(
    "old, new, message",
    [
        ('"kWh"', '"kwh"', "column.1..unit: found 'kwh', allowed is one of W, kW, Wh, kWh, MWh, kWh/kW, W/m2, degC"),
        ("zone =", "zones =", "zones: found an unknown key, allowed is one of column, time, zone"),
        (ZONE, "Mars/Base", "zone: found 'Mars/Base'"),
        ('kind = "interval"', "", "kind: found None"),
        ("[[column]]", "[column]", "list of tables"),
        ("time =", 'label = "middle"\ntime =', "label: found 'middle'"),
        ("time =", 'delimiter = ";;"\ntime =', "delimiter"),
        ("time =", 'encoding = "zip"\ntime =', "encoding"),
        ('"Time"', "true", "time: found True"),
        ("zone =", "zone", "zone: found .*allowed is key = value .the equals sign is missing"),
        ("time =", 'interval = "3 weeks"\ntime =', "interval"),
        ('name = "Energy"', "", "column.1..name: found nothing, allowed is a name or a number from 1: this key is"),
        ("zone =", "form = 2\nzone =", "mapping, line 1: found form = 2, allowed is form = 1"),
        ("zone =", "header_line = 0\nzone =", "header_line: found 0, allowed is a whole number from 1 to 10000"),
        ("zone =", 'thousands = ","\ndecimal = ","\nzone =', "thousands: found ',' like decimal"),
        (ZONE, "+14:01", "zone: found .\\+14:01., allowed is a name such as America/New_York"),
        (ZONE, "", "zone: found '', allowed is a name"),
        (
            '"Time"',
            '["a", "b", "c", "d", "e", "f", "g"]',
            "time: found .*allowed is a column name or number, or a list of up to six",
        ),
    ],
)
def test_a_wrong_mapping_is_told(old, new, message):
    with pytest.raises(InputError, match=message.replace("[", r"\[")) as error:
        mapping_from_toml(MAPPING.replace(old, new))
    assert "\n" not in str(error.value)


# ---------------------------------------------------------------- quantities that are no flow of the house


@pytest.mark.parametrize(
    "quantity, unit, title, factor",
    [
        ("test_load", "W", "test_load_w", 1),
        ("test_load", "kW", "test_load_w", 1000),
        ("neighbour", "kWh/kW", "neighbour_Energy_h", 1),
        ("light", "W/m2", "light_w_m2", 1),
        ("cell_temperature", "degC", "cell_temperature_c", 1),
        ("air_temperature", "degC", "air_temperature_c", 1),
    ],
)
def test_a_quantity_has_its_units_and_its_column(tmp_path, quantity, unit, title, factor):
    values = VALUES - 1000.25  # temperatures below 0 are as good as others
    path = written(tmp_path, lines_of(values=values))
    got = read(path, Mapping((Column("Energy", quantity, unit),), "Time", ZONE))
    assert got.table.columns.tolist() == [title] and (values < 0).any()
    assert np.allclose(got.table[title], np.round(values, 3) * factor, rtol=1e-12)


@pytest.mark.parametrize(
    "quantity, unit, allowed",
    [
        ("test_load", "kWh", "W, kW"),
        ("neighbour", "kWh", "kWh/kW"),
        ("light", "W", "W/m2"),
        ("cell_temperature", "W", "degC"),
        ("air_temperature", "W", "degC"),
        ("load", "kWh/kW", "W, kW, Wh, kWh, MWh"),
        ("generation", "degC", "W, kW, Wh, kWh, MWh"),
    ],
)
def test_a_unit_of_another_quantity_is_told_with_both(quantity, unit, allowed):
    with pytest.raises(InputError) as error:
        Column("Roof", quantity, unit)
    assert str(error.value) == f"column 'Roof': unit: found {unit!r}, allowed is for {quantity} one of {allowed}"


@pytest.mark.parametrize(
    "keys, message",
    [
        (
            dict(quantity="load", unit="W", tilt_deg=30, azimuth_deg=180),
            "column 'Roof': tilt_deg: found quantity = 'load', allowed is tilt_deg only with quantity = 'neighbour'; "
            "azimuth_deg: found quantity = 'load', allowed is azimuth_deg only with quantity = 'neighbour'",
        ),
        (dict(tilt_deg=0), "column 'Roof': tilt_deg, azimuth_deg: found one alone, allowed is both, or neither"),
        (dict(azimuth_deg=0), "column 'Roof': tilt_deg, azimuth_deg: found one alone, allowed is both, or neither"),
        (
            dict(tilt_deg=91, azimuth_deg=-1),
            "column[1].tilt_deg: found 91, allowed is a number from 0 to 90 deg (from the horizontal: 0 is flat, 90 a "
            "wall); column[1].azimuth_deg: found -1, allowed is a number from 0 to 360 deg (clockwise from north: if "
            "it counts from south, add 180)",
        ),
        (
            dict(tilt_deg=90, azimuth_deg="south"),
            "column[1].azimuth_deg: found 'south', allowed is a number from 0 to 360 deg (degrees clockwise from "
            "north: north 0, east 90, south 180, west 270)",
        ),
        (dict(kind="counter"), "column 'Roof': kind: found 'counter', allowed is for kWh/kW one of interval"),
        (dict(multiplier=0), "column 'Roof': multiplier: found 0, allowed is a number that keeps the energy"),
        (
            dict(exchange=[{"time": "soon", "old_last": -1, "new_first": 0}], digits=2),
            "column[1].exchange[1].time: found 'soon', allowed is a text such as 2026-05-31 14:30; "
            "column[1].exchange[1].old_last: found -1, allowed is a number from 0 to 1e+15; "
            "column[1].digits: found 2, allowed is a whole number from 3 to 12",
        ),
        (
            dict(exchange=[{"time": "2026-05-31", "old_last": 1, "new_first": 0}]),
            "column 'Roof': exchange: found kind = 'interval', allowed is exchange only with kind = 'counter'",
        ),
    ],
)
def test_all_that_is_wrong_in_a_mapping_is_told_at_once(keys, message):
    column = {"name": "Roof", "quantity": "neighbour", "unit": "kWh/kW", **keys}
    lines = [f"{key} = {toml(value)}" for key, value in column.items()]
    with pytest.raises(InputError) as error:
        mapping_from_toml("\n".join(["[[column]]", *lines]))
    assert re.sub(r"line \d+, ", "", str(error.value)) == f"mapping: {message}"
    assert str(error.value).startswith("mapping: column 'Roof'") or "line " in str(error.value)


def toml(value):
    if isinstance(value, list):
        return f"[{', '.join('{' + ', '.join(f'{k} = {toml(v)}' for k, v in row.items()) + '}' for row in value)}]"
    return repr(value)


@pytest.mark.parametrize("text, minutes", [("+14:00", 840), ("-09:30", -570), ("-14:00", -840)])
def test_a_fixed_offset_is_a_zone_up_to_14_hours(text, minutes):
    assert zone_of(text).utcoffset(None) == pd.Timedelta(minutes=minutes)


@pytest.mark.parametrize("text", ["1s", "1D"])
def test_an_interval_is_a_second_to_a_day(text):
    assert interval_of(text) == pd.Timedelta(text)
    for beyond in ("999ms", "86401s"):
        with pytest.raises(ValueError):
            interval_of(beyond)


def test_neighbours_keep_apart_and_say_their_roofs(tmp_path):
    toml = f'zone = "{ZONE}"\ntime = 1\n' + "".join(
        f'[[column]]\nname = {name}\nquantity = "neighbour"\nunit = "kWh/kW"\n{roof}'
        for name, roof in (('"Mill"', "tilt_deg = 0\nazimuth_deg = 360\n"), ('"Old school"', ""), ("4", ""))
    )
    lines = ["Day;Mill;Old school;Hill", "2026-05-20;3.5;4.25;", "2026-05-21;0;1.5;2", "2026-05-22;4;4.5;5"]
    got = read(written(tmp_path, lines), toml)
    assert got.table.columns.tolist() == ["neighbour_Mill_h", "neighbour_Old school_h", "neighbour_4_h"]
    assert got.table["neighbour_Mill_h"].tolist() == [3.5, 0, 4] and got.table["neighbour_4_h"].isna().tolist() == [
        True,
        False,
        False,
    ]
    mapping = mapping_from_toml(toml)
    assert [(column.tilt_deg, column.azimuth_deg) for column in mapping.column] == [
        (0, 360),
        (None, None),
        (None, None),
    ]


@pytest.mark.parametrize(
    "names, quantity, unit, message",
    [
        ((3, "3"), "neighbour", "kWh/kW", "column: found neighbour_3_h 2 times"),
        (("a", "b"), "light", "W/m2", "column: found light_w_m2 2 times"),
        (("a", "b", "c"), "cell_temperature", "degC", "column: found cell_temperature_c 3 times"),
        (("a", "b"), "air_temperature", "degC", "column: found air_temperature_c 2 times"),
    ],
)
def test_what_is_no_power_or_energy_is_not_added_up(names, quantity, unit, message):
    with pytest.raises(InputError) as error:
        Mapping(tuple(Column(name, quantity, unit) for name in names), "Time", ZONE)
    assert (
        str(error.value) == f"mapping: {message}, allowed is one column for it: only powers and energies are added up"
    )


def test_two_test_loads_are_added(tmp_path):
    lines = ["Time;A;B", "2026-05-20 10:00;750;0", "2026-05-20 10:01;750;500", "2026-05-20 10:02;0;0"]
    got = read(written(tmp_path, lines), Mapping(tuple(Column(name, "test_load", "W") for name in "AB"), "Time", ZONE))
    assert got.table["test_load_w"].tolist() == [750, 1250, 0]


@pytest.mark.parametrize("with_mark, delimiter", [(13, ","), (14, ";")])
def test_a_mark_in_seven_of_ten_lines_is_the_one_between_cells(tmp_path, with_mark, delimiter):
    lines = [f"2026-05-{day:02d} 00:00{';1,5' if day <= with_mark else ',1.5'}" for day in range(1, 21)]
    assert sniff(written(tmp_path, lines), is_time=time_places).delimiter == delimiter


def test_energy_past_a_row_without_a_reading_lands_in_no_row_where_no_step_is_known(tmp_path):
    times = ("00:00", "00:07", "01:00", "03:30", "03:41")
    shown = ("100;5", "101;", "103;8", "104;8", "106;9")
    lines = ["Time;In;Out", *(f"2026-05-20 {time};{row}" for time, row in zip(times, shown))]
    columns = (Column("In", "delivered", "kWh", "counter"), Column("Out", "received", "kWh", "counter"))
    got = read(written(tmp_path, lines), Mapping(columns, "Time", ZONE))
    assert got.step is None and got.table["delivered_kwh"].tolist()[:4] == [1, 2, 1, 2]
    assert got.table["received_kwh"].fillna(-1).tolist() == [-1, -1, 0, 1, -1]
    assert got.intervals[columns[1]]["energy_kwh"].tolist() == [3, 0, 1]


def test_a_number_beyond_any_meter_is_no_number_however_it_is_written():
    values, empty = as_numbers(["1000000000000000", "1000000000000001", "-2000000000000000", "7"], ".", "")
    assert values[[0, 3]].tolist() == [1e15, 7] and np.isnan(values[[1, 2]]).all() and not empty.any()


# ---------------------------------------------------------------- days of 23 and 25 hours

DAYS = pd.date_range("2026-01-01", "2026-12-31", freq="D", tz=ZONE)
NEIGHBOUR = Mapping((Column("Energy", "neighbour", "kWh/kW"),), "Time", ZONE)


def day_lines(days=DAYS):
    return lines_of("%Y-%m-%d", index=days, values=np.arange(len(days)) / 100.0)


def test_days_across_both_clock_changes_are_all_there(tmp_path):
    got = read(written(tmp_path, day_lines()), NEIGHBOUR)
    assert (got.table.index == DAYS).all() and got.step == pd.Timedelta("1D") and got.account.rows_used == 365
    assert not any("missing" in note or "step" in note for note in got.account.notes)
    even, off = regular(got)
    assert (
        off == 0
        and (even.index == DAYS).all()
        and even["neighbour_Energy_h"].tolist() == got.table["neighbour_Energy_h"].tolist()
    )


@pytest.mark.parametrize("day, hours", [("2026-03-08", 23), ("2026-11-01", 25)])
def test_a_missing_day_is_missed_at_a_clock_change_too(tmp_path, day, hours):
    days = DAYS[DAYS != pd.Timestamp(day, tz=ZONE)]
    got = read(written(tmp_path, day_lines(days)), NEIGHBOUR)
    gap = missing(got.table.index, got.step).iloc[0]
    assert (gap["start"], gap["intervals"]) == (pd.Timestamp(day, tz=ZONE), 1) and gap["end"] - gap[
        "start"
    ] == pd.Timedelta(hours=hours)
    even, off = regular(got)
    assert (
        off == 0
        and (even.index == DAYS).all()
        and even.index[even["neighbour_Energy_h"].isna()].tolist() == [gap["start"]]
    )


def test_days_named_by_their_end_start_at_midnight(tmp_path):
    got = read(written(tmp_path, day_lines()), Mapping(**{**vars(NEIGHBOUR), "label": "end"}))
    assert (got.table.index == DAYS.shift(-1)).all() and (got.table.index.hour == 0).all()


def test_three_days_around_a_clock_change_keep_a_step(tmp_path):
    assert read(written(tmp_path, day_lines(DAYS[65:68])), NEIGHBOUR).step == pd.Timedelta("1D")


def test_a_register_read_each_midnight_has_energy_on_every_day(tmp_path):
    counter = Mapping((Column("Energy", "delivered", "kWh", "counter"),), "Time", ZONE)
    assert read(written(tmp_path, day_lines()), counter).table["delivered_kwh"].notna().sum() == 364


def test_rows_that_keep_24_hours_are_left_in_true_time(tmp_path):
    index = pd.date_range("2026-02-20 05:00", periods=40, freq="24h", tz="UTC")
    got = read(
        written(tmp_path, lines_of("%Y-%m-%dT%H:%M%z", index=index, values=np.full(40, 0.5))),
        Mapping(**{**vars(NEIGHBOUR), "label": "end"}),
    )
    assert got.step == pd.Timedelta("1D") and (got.table.index == index - pd.Timedelta("24h")).all()
    assert str(got.table.index.tz) == ZONE and not any("missing" in note for note in got.account.notes)
    even, off = regular(got)
    assert off == 0 and len(even) == 40 and even["neighbour_Energy_h"].notna().all()


def test_a_zone_that_changes_its_clock_at_midnight_loses_no_day(tmp_path):
    zone = "America/Havana"  # 0:00 is skipped in March and shown twice in November
    got = read(written(tmp_path, day_lines()), Mapping(**{**vars(NEIGHBOUR), "zone": zone}))
    assert got.account.rows_used == 365 and not any("missing" in note for note in got.account.notes)
    assert got.table.index[66] == pd.Timestamp("2026-03-08 01:00", tz=zone)
    even, off = regular(got)
    assert off == 0 and even["neighbour_Energy_h"].notna().sum() == 365


@pytest.mark.parametrize(
    "content, message",
    [
        (b"", "no text"),
        (b"\n\n \n", "no text"),
        (b"a;b\n1;2\n", "no row with a date"),
        (b"Time;Energy\n2026-05-20 00:00;x\n", "no row that can be used"),
        (b"Time;Power\n2026-05-20 00:00;1\n", "'Energy' in no header line"),
        (b"Time;Energy;Energy\n2026-05-20 00:00;1;2\n", "more than once"),
    ],
)
def test_what_is_no_table_is_told(tmp_path, content, message):
    path = tmp_path / "odd.csv"
    path.write_bytes(content)
    with pytest.raises(InputError, match=message):
        read(path, PLAIN)


def test_a_file_that_is_not_there_is_told_with_the_folder(tmp_path):
    with pytest.raises(InputError, match="nowhere.csv: found no file of this name in the folder") as error:
        read(tmp_path / "nowhere.csv", PLAIN)
    assert str(tmp_path) in str(error.value)


def test_a_packed_file_is_read_and_a_cut_one_refused(tmp_path):
    path = tmp_path / "house.csv.gz"
    whole = gzip.compress("\n".join([*lines_of(), ""]).encode())
    path.write_bytes(whole)
    got = read(path, PLAIN)
    assert got.table["delivered_kwh"].tolist() == VALUES.tolist() and balanced(got.account)
    for size in (len(whole) // 2, len(whole) - 9):
        path.write_bytes(whole[:size])
        with pytest.raises(InputError, match="ends or breaks in the middle"):
            read(path, PLAIN)


@pytest.mark.parametrize(
    "content, what",
    [
        (b"%PDF-1.7\n%\xe2\xe3\n1 0 obj", "a PDF page"),
        (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(600), "an old workbook"),
        (b"PK\x03\x04" + bytes(100), "a workbook"),
        (b'[{"time": "2026-01-01T00:00", "kwh": 1.5}]', "JSON"),
        (b'{\n "2026-01-01T00:00": 1.5\n}', "JSON"),
        (b"<html><td>2026-01-01 00:00</td><td>1.5</td></html>", "a web page"),
        (b"<?xml version='1.0'?>\n<r t='2026-01-01'>1</r>", "a web page or XML"),
        (b"SQLite format 3\0" + bytes(100), "a database"),
        (b"\x89PNG\r\n\x1a\n" + bytes(50), "a picture"),
        (b"PAR1" + bytes(50), "a table for programs"),
        (b"\x28\xb5\x2f\xfd" + bytes(30), "a packed file"),
        (b"{\\rtf1 text}", "a text with layout"),
    ],
)
def test_what_is_no_text_is_told_by_what_it_is(tmp_path, content, what):
    path = tmp_path / "odd.csv"
    path.write_bytes(content)
    for look in (lambda: read(path, PLAIN), lambda: propose(path, ZONE)):
        with pytest.raises(InputError, match=f"found {what}.*allowed is a table of text"):
            look()


@pytest.mark.parametrize("apart", [0, 7])
@pytest.mark.parametrize("blocks", [False, True])
def test_two_meters_in_one_table_are_refused(tmp_path, apart, blocks):
    rows = [
        (meter, f"{time + pd.Timedelta(minutes=shift):%Y-%m-%d %H:%M};{meter};{value:.3f}")
        for time, value in zip(INDEX, VALUES)
        for meter, shift in (("4711", 0), ("4712", apart))
    ]
    rows = sorted(rows, key=lambda row: row[0]) if blocks else rows
    path = written(tmp_path, ["Time;Meter;Energy", *(text for _, text in rows)])
    with pytest.raises(InputError, match="'Meter' holds '4711', '4712', each with times of its own"):
        read(path, PLAIN)


def test_marks_of_quality_and_an_exchanged_meter_are_one_table(tmp_path):
    rows = [
        f"{time:%Y-%m-%d %H:%M};{'4711' if n < 40 else '4712'};{'AE'[n % 7 == 0]};{value:.3f}"
        for n, (time, value) in enumerate(zip(INDEX, VALUES))
    ]
    got = read(written(tmp_path, ["Time;Meter;Quality;Energy", *rows]), PLAIN)
    assert got.account.rows_used == 96 and "columns without use: 'Meter', 'Quality'" in got.account.notes


def test_rows_above_the_header_are_not_lost_in_silence(tmp_path):
    lines = lines_of()
    path = written(
        tmp_path, [*lines[1:], lines[0], "2026-05-21 00:00;1.5;" + lines[1]]
    )  # the one row below is two in one
    with pytest.raises(
        InputError,
        match="found 96 lines with a date above the first row in line 98, more than below it, "
        "allowed is a header above",
    ):
        read(path, PLAIN)
    assert read(path, Mapping(**{**vars(PLAIN), "header_line": 97})).account.rows_used == 1  # as the mapping says


def test_progress_of_a_small_file_ends_with_one(tmp_path):
    seen = []
    read(written(tmp_path, lines_of()), PLAIN, progress=seen.append)
    assert seen == sorted(seen) and seen[-1] == 1.0 and seen.count(1.0) == 1


@pytest.mark.slow
@pytest.mark.parametrize("encoding, rows", [("utf-8", 150_000), ("utf-16", 75_000)])
def test_progress_comes_at_least_every_2_percent(tmp_path, encoding, rows):
    """Bytes that were read between two calls, from the stamps of the rows: 4 MB, so blocks are 25 % of the file."""
    index = pd.date_range("2026-01-01", periods=rows, freq="1min", tz="UTC")
    line = "{0};{1:.3f}".format
    path = written(
        tmp_path,
        ["Time;Energy", *map(line, index.strftime("%Y-%m-%d %H:%M:%S"), np.arange(rows) % 10 + 0.25)],
        encoding=encoding,
    )
    assert path.stat().st_size > 3.8e6
    seen = []
    got = read(path, Mapping(**{**vars(PLAIN), "zone": "UTC"}), progress=seen.append)
    assert got.account.rows_used == rows and balanced(got.account) and (np.diff(got.table.index.asi8) > 0).all()
    assert max(np.diff([0.0, *seen])) < 0.022 and min(np.diff(seen)) >= 0 and seen[-1] == 1.0
    assert 45 <= len(seen) <= 80


def test_progress_is_not_done_where_a_file_is_refused(tmp_path):
    seen = []
    with pytest.raises(InputError, match="set zone"):
        read(written(tmp_path, lines_of()), Mapping(**{**vars(PLAIN), "zone": None}), progress=seen.append)
    assert 1.0 not in seen


def test_the_marks_of_numbers_are_looked_for_beyond_one_part(tmp_path):
    """After 190 kB of zeros stand numbers of two meanings; a part ends among them, what settles them comes later."""
    shown = ["0"] * 10_000 + ["1,250"] * 1_000 + ["1,25"] * 5_000
    index = pd.date_range("2026-01-01", periods=len(shown), freq="1min", tz=ZONE)
    got = read(
        written(tmp_path, ["Time;Energy", *map("{0};{1}".format, index.strftime("%Y-%m-%d %H:%M"), shown)]), PLAIN
    )
    assert got.table["delivered_kwh"].sum() == 7_500


MONTHS = {
    "es": "enero febrero marzo abril mayo junio julio agosto septiembre octubre noviembre diciembre",
    "fr": "janv. f\u00e9vr. mars avril mai juin juil. ao\u00fbt sept. oct. nov. d\u00e9c.",
    "de": "Januar Februar M\u00e4rz April Mai Juni Juli August September Oktober November Dezember",
    "nl": "jan feb mrt apr mei jun jul aug sep okt nov dec",
    "it": "gennaio febbraio marzo aprile maggio giugno luglio agosto settembre ottobre novembre dicembre",
    "pt": "janeiro fevereiro mar\u00e7o abril maio junho julho agosto setembro outubro novembro dezembro",
    "sv": "januari februari mars april maj juni juli augusti september oktober november december",
}


@pytest.mark.parametrize("language", MONTHS)
def test_months_of_eight_languages(tmp_path, language):
    link = " de " if language in ("es", "pt") else " "
    days = pd.date_range("2026-01-05", periods=360, freq="1D", tz=ZONE)
    names = MONTHS[language].split()
    lines = ["Time;Energy"] + [f"{t.day}{link}{names[t.month - 1]}{link}{t.year};1.5" for t in days]
    got = read(written(tmp_path, lines), PLAIN)
    assert (got.table.index == days).all() and got.account.rows_used == 360


# ---------------------------------------------------------------- what was read wrong without a word


def test_thousands_and_decimals_of_one_kind_are_not_confused():
    """1.234 beside 0,5 is a thousand and more, though each alone would pass for a number with a point."""
    assert as_numbers(["1.234", "0,5"], ",", ".")[0].tolist() == [1234.0, 0.5]


@pytest.mark.parametrize(
    "text, unit, value",
    [
        ("1.5 kWh", "kWh", 1.5),
        ("950 Wh", "kWh", 0.95),
        ("1.5 kW", "kWh", np.nan),
        ("1.5 kg", "kWh", np.nan),
        ("(1.5)", None, -1.5),
        ("1.5-", None, -1.5),
        ("(-1.5)", None, np.nan),
        ("1\u2019234.5", None, 1234.5),
    ],
)
def test_numbers_as_people_write_them(text, unit, value):
    assert as_number(text, ".", "'", unit) == pytest.approx(value, nan_ok=True)


def test_a_decimal_comma_in_a_file_of_commas_is_refused(tmp_path):
    with pytest.raises(InputError, match="2 names in the header and rows with more cells.*decimal commas"):
        read(written(tmp_path, lines_of(mark=",", show=lambda value: f"{value:.3f}".replace(".", ","))), PLAIN)


def test_an_end_of_the_day_proves_the_label(tmp_path):
    ends = [f"{(time + pd.Timedelta('15min')):%Y-%m-%d %H:%M}" for time in INDEX]
    ends[-1] = f"{INDEX[-1]:%Y-%m-%d} 24:00"
    path = written(tmp_path, ["Time;Energy"] + [f"{text};1.5" for text in ends])
    with pytest.raises(InputError, match="24:00' in line 97, which can only end an interval"):
        read(path, PLAIN)
    assert (read(path, Mapping(**{**vars(PLAIN), "label": "end"})).table.index == INDEX).all()


def test_an_order_that_changes_midway_is_refused(tmp_path):
    index = pd.date_range("2026-03-20", periods=40, freq="1D", tz=ZONE)
    texts = [f"{t:%d/%m/%Y}" if n < 14 else f"{t:%m/%d/%Y}" for n, t in enumerate(index)]
    texts = [text for text in texts if int(text[3:5]) <= 12]
    with pytest.raises(InputError, match="order seems to change"):
        read(written(tmp_path, ["Time;Energy"] + [f"{text};1.5" for text in texts]), PLAIN)


def test_half_a_clock_is_refused(tmp_path):
    with pytest.raises(InputError, match="a clock of 24 hours, or AM and PM"):
        read(written(tmp_path, lines_of("%Y-%m-%d %I:%M")), PLAIN)


# ---------------------------------------------------------------- files that were damaged

SEEDS = 25
FILES_A_SEED = 100
FORMS = (
    ("%Y-%m-%d %H:%M", ";", {}),
    ("%d.%m.%Y %H:%M", "\t", {}),
    ("%m/%d/%Y %I:%M %p", ",", {"date_order": "month first"}),
    ("%d/%m/%y %H:%M", "|", {"date_order": "day first", "decimal": "."}),
    ("%Y-%m-%dT%H:%M:%S%z", ",", {"delimiter": ","}),
)
JUNK = (
    b"",
    b"\n",
    b"\r\n",
    b"\r",
    b";",
    b",",
    b"\t",
    b'"',
    b"'",
    b"\0",
    b"\xff\xfe",
    b"\xef\xbb\xbf",
    b"NaN",
    b"-",
    b"--",
    b" ",
    b"1e308",
    b"9" * 40,
    b"29.02.2026",
    b"2026-11-01 01:30",
    b"24:00",
    b"Total",
    "\u20ac".encode(),
    b"\x80",
    b"+05:30",
    b"1.2.3",
    b"(",
    b"%s",
    b"\x1a",
)


def damage(raw, rng):
    """Return the bytes of a file after one to four accidents."""
    for _ in range(rng.integers(1, 5)):
        lines = raw.split(b"\n")
        place, line = int(rng.integers(0, len(raw) + 1)), int(rng.integers(0, len(lines)))
        kind = rng.integers(0, 9)
        if kind == 0:
            raw = raw[:place] + JUNK[rng.integers(len(JUNK))] + raw[place:]
        elif kind == 1:
            raw = raw[:place] + raw[place + int(rng.integers(1, 30)) :]
        elif kind == 2:
            raw = raw[:place] + bytes(rng.integers(0, 256, rng.integers(1, 4)).astype(np.uint8)) + raw[place + 1 :]
        elif kind == 3:
            raw = b"\n".join([*lines[: line + 1], *lines[line:]])
        elif kind == 4:
            rng.shuffle(lines)
            raw = b"\n".join(lines)
        elif kind == 5:
            raw = raw[:place]
        elif kind == 6:
            raw = raw.replace(
                *((b".", b","), (b";", b","), (b"\n", b"\r\n"), (b" ", b""), (b"0", b""))[rng.integers(5)]
            )
        elif kind == 7:
            raw = b"\n".join([*lines[:line], JUNK[rng.integers(len(JUNK))], *lines[line:]])
        else:
            raw = raw[::-1] if rng.random() < 0.1 else b"\n".join(lines[::-1])
    return raw


# What a file holds: step, columns, and how its values are drawn.
CONTENTS = (
    ("15min", (Column("Energy", "delivered", "kWh", "interval"),), lambda rng, n: rng.gamma(2.0, 0.2, (n, 1)) + 0.01),
    (
        "1D",
        (
            Column("Mill", "neighbour", "kWh/kW", tilt_deg=30, azimuth_deg=170),
            Column("Old school", "neighbour", "kWh/kW"),
        ),
        lambda rng, n: rng.uniform(0.0, 7.0, (n, 2)),
    ),
    (
        "15min",
        (
            Column("Reading", "unsigned", "W"),
            Column("Heater", "test_load", "W"),
            Column("Air", "air_temperature", "degC"),
        ),
        lambda rng, n: np.c_[rng.gamma(2.0, 400.0, n), 750.0 * (rng.random(n) < 0.2), rng.normal(0.0, 8.0, n)],
    ),
)


def sound_file(rng):
    """Return a mapping, the lines of a file, and the moment and values of each line below its header."""
    stamp, mark, keys = FORMS[rng.integers(len(FORMS))]
    step, columns, draw = CONTENTS[rng.integers(len(CONTENTS))]
    autumn = rng.random() < 0.5
    if step == "1D":
        stamp = stamp.replace("T", " ").split(" ")[0]
        index = pd.date_range("2026-10-20" if autumn else "2026-02-25", periods=30, freq="D", tz=ZONE)
    else:
        index = pd.date_range("2026-10-31 20:00" if autumn else "2026-03-07 22:00", periods=30, freq=step, tz=ZONE)
    values = np.round(draw(rng, len(index)), 2)
    lines = [mark.join(["Time", *(column.name for column in columns)])] + [
        mark.join([f"{time.strftime(stamp)}", *(f"{value:.2f}" for value in row)]) for time, row in zip(index, values)
    ]
    mapping = Mapping(columns, "Time", ZONE, **keys)
    return mapping, lines, dict(zip((line.encode() for line in lines[1:]), zip(index, values))), "%z" in stamp


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(SEEDS))
def test_a_damaged_file_is_accounted_for_or_refused(tmp_path, seed):
    """Each line as it was before the damage is in the table with its numbers, or set aside under its line number."""
    rng = np.random.default_rng(seed)
    path, read_ones = tmp_path / "damaged.csv", dict.fromkeys(("delivered", "neighbour", "unsigned"), 0)
    for _ in range(FILES_A_SEED):
        mapping, sound, known, with_offset = sound_file(rng)
        path.write_bytes(damage("\n".join([*sound, ""]).encode(), rng))
        try:
            got = read(path, mapping)
        except InputError as error:
            assert "\n" not in str(error) and "found" in str(error) and "allowed" in str(error)
            continue
        read_ones[mapping.column[0].quantity] += 1
        account = got.account
        assert balanced(account) and account.rows_used == len(got.table) and account.set_aside["line"].is_unique
        assert got.table.columns.tolist() == [column.title for column in mapping.column]
        raw = path.read_bytes()
        if b"\n" not in raw:
            continue
        lines = raw.split(b"\n")
        lines = lines[:-1] if not lines[-1] else lines
        assert account.lines == len(lines)
        aside, rows = set(account.set_aside["line"]), dict(zip(got.table.index, got.table.to_numpy()))
        for number_, line in enumerate(lines, 1):
            time, values = known.get(line.removesuffix(b"\r"), (None, None))
            if time is None or number_ in aside:
                continue
            inside = rows.get(time)
            if inside is None:  # a repeated local hour whose rows were shuffled may fall on its other pass
                inside = rows.get(time + pd.Timedelta("1h"), rows.get(time - pd.Timedelta("1h")))
            assert inside is not None, f"line {number_} {line!r} is lost"
            ambiguous = time.month == 11 and time.tz_localize(None).hour == 1 and not with_offset
            assert ambiguous or (inside == values).all()
        if got.step is not None:
            even, off = regular(got)
            assert even.notna().to_numpy().sum() <= got.table.notna().to_numpy().sum() and off < len(got.table)
            checked_without_sun(got)
    assert (
        min(read_ones.values()) > FILES_A_SEED // 20 and sum(read_ones.values()) > FILES_A_SEED // 4
    )  # else it proves nothing


@pytest.mark.parametrize(("offset", "used"), [("+14:00", 2), ("-14:00", 2), ("+14:01", 1), ("-15:00", 1)])
def test_an_offset_that_no_clock_has_makes_no_time(tmp_path, offset, used):
    lines = ["Time;Energy", "2026-03-01 00:00+01:00;1.5", f"2026-03-02 00:00{offset};2.5"]
    got = read(written(tmp_path, lines), 'time = "Time"\n' + MAPPING[MAPPING.index("[[") :])
    assert got.account.rows_used == used and balanced(got.account)
    assert got.account.set_aside["reason"].tolist() == ["no date and time that can be read"] * (2 - used)


EXAMPLES = Path(__file__).parents[2] / "data" / "examples"


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(4))
def test_damaged_examples_go_through_every_step_or_are_refused(tmp_path, seed):
    """Registers, two columns, UTF-16, quotes, unproved dates: proposal, reading, even form, checks, daily sums."""
    rng, path, whole = np.random.default_rng(100 + seed), tmp_path / "damaged.csv", 0
    named = [(file.with_suffix(".csv"), file) for file in sorted(EXAMPLES.glob("*.toml"))]
    files = [(table.read_bytes()[:3000], file) for table, file in named if table.is_file()]
    for _ in range(100):
        raw, toml = files[rng.integers(len(files))]
        path.write_bytes(damage(raw, rng))
        got = None
        for step in range(3):
            try:
                if step == 0:
                    assert propose(path, ZONE).toml
                elif step == 1:
                    got = read(path, toml)
                    assert balanced(got.account) and got.account.rows_used == len(got.table)
                elif got is not None and got.step is not None:
                    even, off = regular(got)
                    assert even.notna().to_numpy().sum() <= got.table.notna().to_numpy().sum() and off < len(got.table)
                    checked_without_sun(got)
                    if any(name.startswith(("generation", "delivered", "received")) for name in got.table):
                        daily(got.table, got.step)
                    whole += 1
            except InputError as error:
                assert "\n" not in str(error) and "found" in str(error) and "allowed" in str(error)
    assert whole > 20


# ---------------------------------------------------------------- one text at a time, against Python's own reading


@pytest.mark.parametrize(
    "stamp, order",
    [
        ("%Y-%m-%d %H:%M:%S", "year first"),
        ("%y/%m/%d %H:%M:%S", "year first"),
        ("%d.%m.%Y %H:%M:%S", "day first"),
        ("%m/%d/%y %I:%M:%S %p", "month first"),
        ("%d-%b-%Y %H:%M:%S", "day first"),
        ("%B %d, %Y %H:%M:%S", "month first"),
        ("%Y%m%dT%H%M%S", "day first"),
        ("%Y-%m-%dT%H:%M:%S.%f", "year first"),
    ],
)
def test_moments_agree_with_the_calendar_of_numpy(stamp, order):
    rng = np.random.default_rng(11)
    seconds = rng.integers(946_684_800, 4_102_444_800, 500)  # 2000 to 2099
    times = pd.to_datetime(seconds, unit="s")
    texts = [text.encode() for text in times.strftime(stamp)]
    wide = max(map(len, texts))
    table = np.frombuffer(b"".join(text.ljust(wide, b"\0") for text in texts), np.uint8).reshape(-1, wide)
    (walls,), offset = moments(table, (order,))
    assert (walls == seconds * 1_000_000_000).all() and (offset == MISSING).all()


@pytest.mark.parametrize(
    "text",
    [
        "2026-02-29",
        "2026-13-01",
        "2026-00-10",
        "2026-01-01 24:01",
        "2026-01-01 12:60",
        "1.5.2",
        "20261301",
        "12:30",
        "2026-01-01 13:00 PM",
        "2026-01-01x",
        "32/01/2026",
        "1e5",
        "2026-1",
        "01/Foo/2026",
    ],
)
def test_what_is_no_moment(text):
    raw = np.frombuffer(text.encode(), np.uint8)[None, :]
    walls, _ = moments(raw)
    assert all(wall[0] == MISSING for wall in walls)


def test_the_end_of_a_day_may_be_written_24():
    (wall,), _ = moments(np.frombuffer(b"2026-02-28 24:00", np.uint8)[None, :], ("year first",))
    assert pd.Timestamp(wall[0]) == pd.Timestamp("2026-03-01")


def test_numbers_are_read_to_the_last_digit(tmp_path):
    rng = np.random.default_rng(2)
    texts = [f"{value:.{rng.integers(0, 12)}f}" for value in rng.normal(0, 1, 300) * 10.0 ** rng.integers(-3, 9, 300)]
    index = pd.date_range("2026-05-20", periods=300, freq="15min", tz=ZONE)
    lines = ["Time;Energy"] + [f"{time:%Y-%m-%d %H:%M};{text}" for time, text in zip(index, texts)]
    got = read(written(tmp_path, lines), Mapping(**{**vars(PLAIN), "decimal": "."}))
    assert got.table["delivered_kwh"].tolist() == [float(text) for text in texts]


def test_a_weekday_before_the_date_is_passed_over_and_a_file_without_times_names_the_forms(tmp_path):
    path = tmp_path / "days.csv"
    mapping = f'zone = "{ZONE}"\n[[column]]\nname = "kWh"\nquantity = "generation"\nunit = "kWh"\nkind = "interval"\n'
    path.write_text('time,kWh\n"Thursday, January 1, 2026",3\n"Fri, Jan 2 2026 14:00",4\n', encoding="utf-8")
    assert list(read(path, mapping).table.index) == [
        pd.Timestamp("2026-01-01", tz=ZONE),
        pd.Timestamp("2026-01-02 14:00", tz=ZONE),
    ]
    path.write_text("time,kWh\nyesterday,3\ntoday,4\n", encoding="utf-8")
    with pytest.raises(InputError, match='3/31/2026 2:30 PM, or as one number with date_order = "serial"'):
        read(path, mapping)
