"""Lesson 09: files are checked, faults found, bills compared; the report holds every section or says why not."""

import re
from dataclasses import replace
from html import escape
from html.parser import HTMLParser

import numpy as np
import pandas as pd
import pytest

from lesson_panels import columns
from solarlib.house import read_house
from solarlib.lessons import own_house as own
from solarlib.lessons import own_house_checks as ask
from solarlib.lessons import own_house_pictures as draw
from solarlib.lessons import own_house_report as tell
from solarlib.lessons.report import Section, page, section_or_reason
from solarlib.quantities import InputError

HOUSES = ("two-storey", "bungalow", "cabin", "southern")


def quiet(_):
    pass


def bring_all(house):
    return [own.bring(name, house, say=quiet) for name in own.SHIPPED]


@pytest.fixture(scope="module")
def house():
    return read_house("two-storey")


@pytest.fixture(scope="module")
def files(house):
    return bring_all(house)


@pytest.fixture(scope="module")
def decoded(files):
    return own.directions(files, say=quiet)


def test_values_that_hardly_can_be_are_in_no_sum(files):
    array, _, sensor, _ = files
    rows = {finding.kind: finding.rows for finding in array.findings}
    assert array.table.loc[rows["factor"], "generation_w"].isna().all() and array.table.loc[rows["stuck"], "generation_w"].isna().all()
    assert own.left_out(array) == len(rows["factor"].union(rows["stuck"]).union(rows["above limit"])) == 96 + 24
    assert own.left_out(sensor) == 1 and array.table["generation_w"].max() < 6000 < array.readings.table["generation_w"].max()


def test_decoded_energy_stands_near_the_meters_registers(files, decoded):
    """The registers are the truth of the made files; a week of decoding without test load is good to a tenth."""
    found, _ = decoded
    counted = own.register_days(files).loc["2026-10-26":"2026-11-01"].sum()
    assert found.days["import_kwh"].sum() == pytest.approx(counted["delivered_kwh"], rel=0.1)
    assert found.days["export_kwh"].sum() == pytest.approx(counted["received_kwh"], rel=0.1)


def test_each_sample_gets_the_power_of_the_window_that_holds_it(files):
    table, window = own.record(files)
    power = files[0].table["generation_w"]
    assert window == pd.Timedelta("15min")
    for time in ("2026-10-26 12:00", "2026-10-26 12:14", "2026-10-31 09:59"):
        at = pd.Timestamp(time, tz=table.index.tz)
        assert table.loc[at, "pv_w"] == power[at.floor("15min")]


def test_periods_run_between_readings_that_stand(files, house):
    periods, file = own.periods_of(files, house.tariff)
    assert file.name == "reads-by-hand.csv" and len(periods) == 7
    joined = periods.iloc[3]  # the reading of 1 July is set aside
    assert (joined["period_start"], joined["period_end"]) == (pd.Timestamp("2026-06-02"), pd.Timestamp("2026-08-01"))
    assert joined["delivered_kwh"] == 99_988 - 98_744 and joined["generation_kwh"] == 23_179 - 22_061
    assert periods["delivered_kwh"].sum() == 1_436 + 100_000 - 97_310
    assert own.house_use(periods).iloc[0] == 561 + 437 - 263


def test_registers_read_each_hour_bill_where_prices_change_with_the_hour(files):
    tariff = read_house("bungalow").tariff
    timed = replace(tariff, credit=replace(tariff.credit, netting="hour"))
    periods, file = own.periods_of(files, timed)
    assert file.name == "meter-registers.csv" and list(periods["period_start"].dt.day) == [12, 1]
    days = own.register_days(files)
    assert periods["delivered_kwh"].sum() == pytest.approx(days["delivered_kwh"].iloc[:-1].sum())
    with pytest.raises(InputError, match="prices change with the hour"):
        own.periods_of(files[3:], timed)


def test_one_example_bill_is_wrong_and_the_comparison_finds_it(files, house):
    periods, _ = own.periods_of(files, house.tariff)
    table = own.compare_bills(periods, own.bills_of(periods, house), own.example_bills(periods, house))
    off = table[table["difference"].abs() > 0.005]
    assert len(off) == 1 and off["difference"].iloc[0] > 5
    day = off["meter read on"].iloc[0]
    assert ask.check_bill(day, table).right is True and ask.check_bill("none", table).right is False
    caption = draw.bill_picture(table).render()[1]
    assert f"{len(table) - 1} of {len(table)} bills agree" in caption and day in caption
    with pytest.raises(InputError, match="bills: found 2020-01-01"):
        own.compare_bills(periods, own.bills_of(periods, house), {"2020-01-01": 3.0})


def test_yields_compare_the_same_days(files, house):
    table = own.yields(files[:3], house)
    model = own.model_days(house)
    power = files[0].table["generation_w"]
    whole = power.groupby(power.index.tz_localize(None).normalize()).count()
    days = [day for day in whole.index if whole[day] >= 0.99 * (100 if day == pd.Timestamp("2026-11-01") else 96)]
    assert table["days"].sum() == len(days)
    assert table["model_kwh"].sum() == pytest.approx(sum(model[(day.month, day.day)] for day in days))
    assert table["yield_h"].iloc[0] == pytest.approx(table["measured_kwh"].iloc[0] / (house.system.rated_power_w / 1000))


def test_the_day_picture_shows_the_day_and_marks_what_was_found(files, house):
    array = files[0]
    picture = draw.fault_picture(array, house)
    number = tell.fault_days(array, [finding for finding in array.findings if finding.kind == "stuck"])[0]
    caption = picture.render(day=number, marks=True)[1]
    assert "15 October" in caption and "stuck: 24 values" in caption
    shown, odd = picture.figure.axes[0].lines[:2]
    true = array.readings.table.loc["2026-10-15", "generation_w"].to_numpy() / 1000
    assert np.allclose(shown.get_ydata(), true) and len(odd.get_xdata()) == 24
    picture.render(day=number, marks=False)
    assert len(odd.get_xdata()) == 0
    with pytest.raises(InputError, match="no constant interval"):
        draw.fault_picture(files[3], house)


def test_the_direction_picture_shows_sure_flows_only(decoded):
    found, record = decoded
    picture = draw.direction_picture(found, record)
    caption = picture.render(day=1, sure=90)[1]
    assert f"{found.days['import_kwh'].iloc[0]:.1f} kWh in" in caption
    unsure = [len(picture.figure.axes[0].lines[1].get_xdata())]
    day = found.samples.iloc[:1440]["p_export"].dropna()
    assert unsure[0] == (np.maximum(day, 1 - day) < 0.9).sum()
    picture.render(day=1, sure=55)
    assert len(picture.figure.axes[0].lines[1].get_xdata()) < unsure[0]


def test_the_yield_picture_shows_both_columns(files, house):
    table = own.yields(files, house)
    picture = draw.yield_picture(table)
    measured, model = (columns(filled)[2] for filled in picture.figure.axes[0].collections)
    assert np.allclose(measured, table["measured_kwh"]) and np.allclose(model, table["model_kwh"])


class Page(HTMLParser):
    """Collects what a page holds."""

    def __init__(self, text):
        super().__init__()
        self.pictures, self.headings, self.addresses, self._in = [], [], [], None
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        found = dict(attrs)
        self.addresses += [found[key] for key in ("src", "href", "action") if key in found]
        if tag == "img":
            self.pictures.append(found)
        self._in = tag

    def handle_data(self, data):
        if self._in == "h2" and data.strip():
            self.headings.append(data)


@pytest.mark.parametrize("name", HOUSES)
def test_the_report_of_each_house_is_one_page_without_a_network(name, tmp_path):
    house = read_house(name)
    files = bring_all(house)
    periods, _ = own.periods_of(files, house.tariff)
    report = tell.make(house, files, own.example_bills(periods, house), say=quiet)
    found = Page(report.html)
    assert len(found.headings) == len(report.sections) + 1 == 8
    assert len(found.pictures) == 5 and all(len(held["alt"]) > 20 for held in found.pictures)
    assert all(address.startswith("data:image/png;base64,") for address in found.addresses)
    assert "://" not in report.html and "<script" not in report.html and "@media print" in report.html
    assert 'charset="utf-8"' in report.html and not re.search(r">(nan|NaT|None)<", report.html)
    assert ("Do file and house belong together?" in report.html) == (house.place.tz != "America/New_York")
    assert "<th scope=\"col\">delivered (kWh)</th>" in report.html and "_kwh" not in report.html
    for sentence in report.missing:
        assert report.html.count(escape(sentence.split(": ", 1)[1])) == 2  # in its section and at the end
    assert "my.html" in report.save(tmp_path / "my.html")
    assert (tmp_path / "my.html").read_text(encoding="utf-8-sig") == report.html  # the mark helps old programs


@pytest.mark.parametrize("left", range(4))
def test_each_missing_file_is_told_and_nothing_fails(files, house, left):
    report = tell.make(house, [file for place, file in enumerate(files) if place != left], say=quiet)
    assert len(report.sections) == 7
    gaps = " ".join(report.missing)
    assert {0: "generation", 1: "No comparison with the meter", 2: "unsigned", 3: "house use"}[left] in gaps


def test_no_file_at_all_gives_seven_reasons(house):
    report = tell.make(house, [], say=quiet)
    assert [len(section.missing) for section in report.sections][0] == 1 and len(report.missing) >= 6
    assert "found none" in report.html


def test_a_page_escapes_what_a_file_holds():
    table = pd.DataFrame({"a<b": ["<script>x</script>", np.nan]})
    text = page("T & U", [Section("One", ("a < b",), (("c", table),)), section_or_reason("Two", _refuse)])
    assert "<script" not in text and "a &lt; b" in text and "not known" in text and "Two: file: found x" in text
    with pytest.raises(InputError, match="found nothing in it"):
        Section("empty")
    with pytest.raises(ZeroDivisionError):  # a fault of the program is no reason
        section_or_reason("Three", lambda title: 1 / 0)


def _refuse(title):
    raise InputError("file: found x, allowed is y")


def test_a_file_without_mapping_is_told(tmp_path, house):
    path = tmp_path / "mine.csv"
    path.write_text("time,power\n2026-01-01 00:00,1\n", encoding="utf-8")
    with pytest.raises(InputError, match="no mapping mine.toml beside it"):
        own.bring(path, house, say=quiet)


def test_checks_judge(files, house):
    array, sheet = files[0], files[3]
    periods, _ = own.periods_of(files, house.tariff)
    assert ask.check_aside(5, array).right is True and ask.check_aside(3341, array).right is False
    assert ask.check_slip(20, array).right is True and "stays the same" in ask.check_slip(15, array).message
    assert ask.check_stuck(6, array).right is True and "make an hour" in ask.check_stuck(24, array).message
    assert ask.check_slip(20, sheet).right is None
    assert ask.check_use(735, periods).right is True and "subtract" in ask.check_use(1261, periods).message
    assert ask.check_gap("light").right is True and ask.check_gap("a bill").right is False
    for question in (ask.predict_date(), ask.predict_worst(), ask.predict_meter(), ask.predict_health()):
        assert len(question.options) == 3
