"""Lesson 12: files are checked, faults found, bills compared; the report holds every section or says why not."""

import re
from dataclasses import replace
from html.parser import HTMLParser

import nbformat
import numpy as np
import pandas as pd
import pytest
from markupsafe import escape

from lesson_panels import columns
from solarlib.files import records
from solarlib.house import health as house_health, records as house_records
from solarlib.house.bills import saving
from solarlib.house.file import read_house
from solarlib.house.flows import EXAMPLES, bring
from solarlib.house.periods import periods_of, register_days
from solarlib.house.sensor import directions
from solarlib.lessons.own_house import pictures as draw, questions as ask, report as tell
from solarlib.lessons.tools.field import answer, decision
from solarlib.lessons.tools.kept import remember
from solarlib.lessons.tools.page import Section, heading, page, plain, section_or_reason, shown
from solarlib.lessons.tools.progress import Progress
from solarlib.quantities import InputError, day_words, dollars

HOUSES = ("two-storey", "bungalow", "cabin", "southern")


def bring_all(house):
    return [bring(name, house) for name in draw.SHIPPED]


@pytest.fixture(scope="module")
def house():
    return read_house("two-storey")


@pytest.fixture(scope="module")
def files(house):
    return bring_all(house)


@pytest.fixture(scope="module")
def decoded(files):
    return directions(files)


@pytest.fixture(scope="module")
def days(files, tmp_path_factory):
    """The kept record with the days of the files."""
    path = tmp_path_factory.mktemp("record") / "days.csv"
    draw.practice_record(path)
    records.keep(path, house_records.days_of(files))
    return records.read_kept(path)


def test_the_day_picture_shows_the_day_and_marks_what_was_found(files, house):
    array = files[0]
    picture = draw.fault_picture(array, house)
    number = tell.fault_days(array, [finding for finding in array.findings if finding.kind == "stuck"])[0]
    caption = picture.render(day=number, marks=True)[1]
    assert "15 October" in caption and "stuck: 24 values" in caption
    day = array.table.loc["2026-10-15", "generation_w"]
    assert (
        f"{day.count()} values. They add up to {day.sum() / 4000:,.1f} kWh" in caption
        and "none of these numbers" in caption
    )
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
    assert f"{found.days['import_kwh'].iloc[0]:.1f} kWh came in" in caption
    unsure = [len(picture.figure.axes[0].lines[1].get_xdata())]
    day = found.samples.iloc[:1440]["p_export"].dropna()
    assert unsure[0] == (np.maximum(day, 1 - day) < 0.9).sum()
    picture.render(day=1, sure=55)
    assert len(picture.figure.axes[0].lines[1].get_xdata()) < unsure[0]


def test_the_yield_picture_shows_both_columns_and_the_usual_range(files, house):
    periods, _ = periods_of(files, house.tariff)
    table = house_health.yields(house, periods)
    picture = draw.yield_picture(table)
    measured, model = (columns(filled)[2] for filled in picture.figure.axes[0].collections[:2])
    assert np.allclose(measured, table["measured_kwh"]) and np.allclose(model, table["model_kwh"])
    rated = house.system.rated_power_w / 1000
    ranges = picture.figure.axes[0].collections[2].get_segments()
    assert np.allclose([[y for _, y in part] for part in ranges], rated * table[["low_h", "high_h"]].to_numpy())
    inside = (table["yield_h"].between(table["low_h"], table["high_h"])).sum()
    assert f"{inside} of {len(table)} lie in the usual range" in picture.render()[1]


def test_the_neighbour_picture_replays_the_days(files, house, days):
    beside = house_health.beside_neighbours(house, days, files)
    plain = house_health.beside_neighbours(house, days, files, model_roofs=False)
    picture = draw.neighbour_picture(beside, plain)
    dots, total, mark = picture.moving
    last = len(beside.days)
    caption = picture.render(day=last, roofs=True)[1]
    assert f'first message came on {day_words(beside.message, "%B")}; now it is "{beside.stage}"' in caption
    assert np.allclose(dots.get_ydata(), beside.days["ratio_percent"].clip(70.5, 119.5), equal_nan=True)
    place = beside.days.index.get_loc(beside.message)
    assert mark.get_xdata()[0] == place + 1
    before = picture.render(day=place, roofs=True)[1]  # the day before the message
    assert "No message" in before and len(mark.get_xdata()) == 0 and len(total.get_xdata()) == place
    assert "only tell what is usual" in picture.render(day=20, roofs=True)[1]
    picture.render(day=last, roofs=False)
    assert np.allclose(dots.get_ydata(), plain.days["ratio_percent"].clip(70.5, 119.5), equal_nan=True)
    assert ask.check_message((beside.message - pd.Timestamp(beside.message.year, 8, 31)).days, beside).right is True
    assert ask.check_message(200, beside).right is False
    reply = ask.check_module(100 / house.system.module_count, beside, house.system.module_count)
    assert reply.right is True and "one module fits" in reply.message
    assert "Times 100" in ask.check_module(1 / house.system.module_count, beside, house.system.module_count).message
    assert ask.check_module(..., beside, 15).right is None


def test_the_bar_moves_with_the_work(house, monkeypatch):
    bar = Progress("Reading the example files")
    monkeypatch.setattr(draw, "progress", lambda words: bar)
    draw.bring_examples(house)
    assert bar.share == 1.0 and bar.words == "neighbours-by-day.csv is read and checked"
    data, _ = bar._repr_mimebundle_()
    assert data["text/plain"] == "Reading the example files: a bar shows how far it is."
    assert "&lt;b&gt;" in Progress("<b>")._told.value
    bar.close()


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
@pytest.mark.slow
def test_the_report_of_each_house_is_one_page_without_a_network(name, tmp_path):
    house = read_house(name)
    files = bring_all(house)
    told = []
    report = tell.make(
        house,
        files,
        house_records.sent_bills(EXAMPLES / "bills-sent.csv"),
        say=lambda words, share=None: told.extend([] if share is None else [share]),
    )
    found = Page(report.html)
    assert len(found.headings) == len(report.sections) + 1 == 10
    assert told == sorted(told) and told[0] == 0 and told[-1] == 1
    few_days = "usable days: found" in report.html  # in Alaska few of these made days are long enough
    assert len(found.pictures) == 6 and all(len(held["alt"]) > 20 for held in found.pictures)
    assert ("beside similar systems nearby, was not determined: usable days" in report.html) == few_days
    assert all(address.startswith(("data:image/png;base64,", "#part-")) for address in found.addresses)
    captions = re.findall("<figcaption>(.*?)</figcaption>", report.html)
    assert len(captions) == 6 and not {held["alt"] for held in found.pictures} & set(captions)
    assert report.html.count("<main>") == 1 and "counter(page)" in report.html and "<th scope=row" in report.html
    words = re.sub(r"<style>.*?</style>|<[^>]*>|base64,\S*", " ", report.html, flags=re.DOTALL)
    assert not re.search(r"[a-z]_(?:kwh|kw|w|h|c|m2|usd|percent)\b|\d%|(?<=[\s(])-[\d.]|\d{2}:00[+-]\d\d:", words)
    assert "://" not in report.html and "<script" not in report.html and "@media print" in report.html
    assert 'charset="utf-8"' in report.html and not re.search(r">(nan|NaT|None)<", report.html)
    assert ("Do file and house belong together?" in report.html) == (house.place.tz != "America/New_York")
    assert '<th scope="col">delivered (kWh)</th>' in report.html and "_kwh" not in report.html
    for sentence in report.missing:
        told = escape(plain(sentence.split(": ", 1)[1]))
        assert report.html.count(told) >= 2  # in its section and at the end
    assert "my.html" in report.save(tmp_path / "my.html")
    assert (tmp_path / "my.html").read_text(encoding="utf-8-sig") == report.html  # the mark helps old programs


@pytest.mark.parametrize("left", range(5))
@pytest.mark.slow
def test_each_missing_file_is_told_and_nothing_fails(files, house, left):
    report = tell.make(house, [file for place, file in enumerate(files) if place != left])
    assert len(report.sections) == 9
    gaps = " ".join(report.missing)
    words = {
        0: "generation",
        1: "No comparison with the meter",
        2: "unsigned",
        3: "The bills: No bill was given",  # periods then come from the meter's hours
        4: "no file of similar systems",
    }
    assert words[left] in gaps


@pytest.mark.parametrize("left, word", ((0, "generation"), (2, "unsigned")))
def test_a_direction_found_before_is_not_told_without_its_files(files, house, decoded, left, word):
    section = tell.make(house, [file for place, file in enumerate(files) if place != left], decoded=decoded).sections[6]
    assert not section.lines and f"regular readings of {word}" in section.missing[0]


def test_a_direction_of_other_days_is_refused(files, house, decoded):
    found, record = decoded
    other = record.set_axis(record.index - pd.Timedelta(days=60))
    section = tell.make(house, files, decoded=(found, other)).sections[6]
    assert section.missing == (
        "decoded: found a direction of other days than those of sensor-week.csv, allowed is one found from these files",
    )


def test_periods_that_a_long_gap_cuts_off_are_told_and_a_short_one_has_a_range(files, house):
    array, meter, *_ = files
    section = tell.periods("Billing periods", house, periods_of([array, meter], house.tariff), None, None)
    shown = section.tables[0][1]
    made = array.table["generation_w"].loc["2026-11-01":"2026-11-14"].sum() / 4000
    counted = register_days([meter]).loc["2026-11-01":"2026-11-14"].sum()
    assert section.missing == () and shown["use_kwh"].iloc[1] == pytest.approx(
        made + counted["delivered_kwh"] - counted["received_kwh"], abs=0.06
    )
    low, high = (shown[f"generation_{edge}_kwh"].iloc[0] for edge in ("low", "high"))
    assert 5 < high - low < 60 and low < shown["generation_kwh"].iloc[0] < high  # a day in W is left out
    step = meter.readings.step
    flows = pd.DataFrame(
        {"delivered_kwh": 1.0, "received_kwh": 0.5},
        pd.date_range("2026-10-01", "2026-11-16", freq="1h", tz=house.place.tz),
    )
    flows.loc["2026-10-02":"2026-10-25"] = np.nan
    hours = replace(meter, readings=replace(meter.readings, table=flows, intervals={}, step=step), table=flows)
    section = tell.periods("Billing periods", house, periods_of([hours], house.tariff), None, None)
    assert any(
        sentence.startswith("Periods before 2026-11-01: ") and "less than half" in sentence
        for sentence in section.missing
    )
    assert any("file of the array that covers them" in sentence for sentence in section.missing)


def test_a_bill_within_the_range_of_the_computed_one_is_not_said_to_differ(house):
    days = pd.DatetimeIndex(["2026-05-01", "2026-06-01", "2026-07-01"])
    table = pd.DataFrame({"period_start": days[:-1], "period_end": days[1:], "measured_share": [0.9, 1.0]})
    table = table.assign(delivered_kwh=[600.0, 500.0], received_kwh=0.0)
    ranged = table.assign(delivered_low_kwh=[590.0, 500.0], delivered_high_kwh=[615.0, 500.0])
    sent = house_records.bills_of(table.assign(delivered_kwh=[612.0, 500.0]), house)["bill"].round(2)
    sent = dict(zip(["2026-06-01", "2026-07-01"], sent))
    assert tell._bills_found(house, ranged, sent, whom := []).startswith("None of the 2 bills") and whom == []
    assert "1 of 2" in tell._bills_found(house, table, sent, whom) and len(whom) == 1
    over = sent | {"2026-06-01": sent["2026-06-01"] + 5}
    assert "1 of 2" in tell._bills_found(house, ranged, over, [])


def test_what_the_page_says_was_left_out_is_in_no_number_of_the_page(tmp_path, house):
    """One file of quarter hours with four values that cannot be: the printed sums are those of all other rows."""
    index = pd.date_range("2026-04-01", "2026-06-01", freq="15min", tz=house.place.tz, inclusive="left")
    rng, hour = np.random.default_rng(5), index.hour + index.minute / 60
    clear = rng.uniform(0.3, 1.0, 61)[np.asarray(index.day_of_year) - 91] * rng.uniform(0.7, 1.0, len(index))
    made = np.maximum(0, np.sin((hour - 6) / 12 * np.pi)) * clear
    table = pd.DataFrame({"generation": made, "delivered": 0.1 + 0.1 * (hour > 18), "received": 0.4 * made}, index)
    wrong, odd = table.round(4), {"2026-04-10 12:00": 4_000.0, "2026-04-11 12:00": 900.0, "2026-05-05 09:00": 77.0}
    for moment, value in odd.items():
        wrong.loc[pd.Timestamp(moment, tz=house.place.tz), "delivered"] = value
    wrong.loc[pd.Timestamp("2026-05-20 12:00", tz=house.place.tz), "generation"] = 3_000.0
    lines = [f'zone = "{house.place.tz}"', 'time = "time"']
    for name in table:
        lines += ["[[column]]", f'name = "{name}"', f'quantity = "{name}"', 'unit = "kWh"', 'kind = "interval"']
    (tmp_path / "mine.toml").write_text("\n".join(lines), encoding="utf-8")
    wrong.set_axis(wrong.index.strftime("%Y-%m-%dT%H:%M:%S%z")).rename_axis("time").to_csv(tmp_path / "mine.csv")
    file = bring(tmp_path / "mine.csv", house)
    page = tell.make(house, [file])
    names = [section.title for section in page.sections]
    assert "they count as gaps: mine.csv, 4 values." in " ".join(page.sections[0].cautions)
    shown = page.sections[names.index("Billing periods")].tables[0][1]
    true = table.groupby(table.index.month).sum()
    for name in table:
        low, high = (shown.get(f"{name}_{edge}_kwh", shown[f"{name}_kwh"]) for edge in ("low", "high"))
        assert (low.to_numpy() <= true[name].to_numpy() + 0.06).all()
        assert (true[name].to_numpy() <= high.to_numpy() + 0.06).all() and (high - low).max() < 2
    for section in page.sections[1:-1]:  # the last one counts rows
        for _, cells in section.tables:
            numbers = cells.select_dtypes("number").to_numpy(float)
            assert not (np.abs(numbers) > 1_500).any(), section.title


def test_without_values_left_out_the_page_does_not_speak_of_any(house):
    meter = bring("reads-by-hand", house)
    assert meter.left_out == 0 and "Left out" not in " ".join(tell.faults("x", [meter], house).cautions)


def test_no_file_at_all_gives_a_reason_in_every_section(house):
    report = tell.make(house, [])
    assert [bool(section.missing) for section in report.sections] == [False] + 8 * [True]  # no fault in no file
    assert "not determined: " in report.first.lines[0] and len(report.first.lines) == 2 and not report.first.pictures
    assert "found none" in report.html


def test_the_report_with_the_kept_record_tells_the_change(files, house, days):
    report = tell.make(house, files, days=days)
    section = next(section for section in report.sections if section.title.startswith("Beside"))
    words = " ".join(section.lines)
    assert 'Since 7 October 2026 the house stands at "act" (the message came on 24 September 2026)' in words
    assert "differs from similar systems; possible reasons are" in words and not re.search("fail|broken|defect", words)
    reasons = section.tables[0][1]
    assert set(reasons["the numbers say"]) == {"fits", "does not fit"}
    assert reasons.loc[reasons["the numbers say"] == "fits", "possible reason"].str.contains("1 of 15 modules").any()
    assert any("Ageing" in line and "an interval needs 4 or more" in line for line in report.missing)


def test_the_first_sheet_tells_what_was_found_what_it_costs_and_whom_to_ask(files, house, days):
    sent = house_records.sent_bills(EXAMPLES / "bills-sent.csv")
    report = tell.make(house, files, sent, days=days)
    change, odd, bills, shares, *asks = report.first.lines
    comparison = house_health.beside_neighbours(house, days, files)
    share = 1 - np.exp(comparison.step.change)
    kwh, usd = house_health.cost_a_year(house, share)
    made = house_health.typical_yields(house, {"own": house.system})["own"].sum() * house.system.rated_power_w / 1000
    assert kwh == pytest.approx(share * made)
    assert usd == pytest.approx(saving(house)["saving"] - saving(house, size=1 - share)["saving"])
    assert f"gives {100 * share:.1f} % less" in change and f"{kwh:,.0f} kWh (" in change and dollars(usd) in change
    low, high = (float(amount) for amount in re.search(r"\(\$([\d.]+) to \$([\d.]+)\)", change).groups())
    assert low < usd < high and "fit: 1 of 15 modules" in change
    assert "generation-quarter-hours.csv (3)" in odd and "1 of 7; most the one read on 1 May 2026" in bills
    periods, _ = periods_of(files, house.tariffs)
    made, inward, outward = periods[["generation_kwh", "delivered_kwh", "received_kwh"]].sum()
    assert f"made, {100 * (made - outward) / made:.0f} % (" in shares
    assert (
        f"used, {100 * (made - outward) / (made - outward + inward):.0f} % (" in shares
        and "7 billing periods" in shares
    )
    assert [line.split()[:3] for line in asks] == [
        ["Ask", "the", "installer"],
        ["Look", "yourself,", "from"],
        ["Ask", "the", "utility"],
    ]
    table = dict(report.first.tables[0][1].itertuples(index=False))
    assert table["rated power"] == "6.45 kW of 15 modules" and "tilt 27°, azimuth 200°" in table["plane 1"]
    assert table["readings from"] == "1 March 2026 to 15 November 2026"


def test_the_lines_of_the_decision_sheet_are_kept_and_printed_in_the_order_of_the_units(monkeypatch, tmp_path):
    monkeypatch.setenv("SOLARLIB_ANSWERS", str(tmp_path))
    assert tell.decisions() == ()
    first, second = "bank and reset", "how much light"
    field = answer(decision, first, label="My line")
    assert "The Weavers wrote" in field.result.html()
    field.type("Reset in April <b>").close()
    answer(decision, second, label="My line").type("West is good enough")
    remember("decisions", {"no such unit": "lost", "saving": "  "})
    ((caption, table),) = tell.decisions()
    assert table.values.tolist() == [[second, "West is good enough"], [first, "Reset in April <b>"]]
    sheet = page("a house", [Section("one", lines=("a line",))], Section("first", tables=((caption, table),)))
    assert "Reset in April &lt;b&gt;" in sheet and "<b>" not in sheet.split("What I decided")[1].split("</table>")[0]
    answer(decision, second, label="My line").type("")  # taken away again
    ((_, table),) = tell.decisions()
    assert table.values.tolist() == [[first, "Reset in April <b>"]]


def test_shares_of_periods_by_hand_and_no_more_sent_than_made():
    table = pd.DataFrame(
        {"period_start": [1, 2, 3], "generation_kwh": [100.0, 0.0, np.nan], "delivered_kwh": [60.0, 50.0, 9.0]}
    )
    table["received_kwh"] = [60.0, 0.0, 9.0]
    shares = house_health.own_shares(table)
    assert shares.loc["all"].tolist() == pytest.approx([0.4, 40 / 150]) and shares.loc[1].tolist() == [0.4, 0.4]
    assert np.isnan(shares.loc[2, "self_consumption"]) and shares.loc[2, "self_sufficiency"] == 0.0
    with pytest.raises(InputError, match="more energy sent than made"):
        house_health.own_shares(table.assign(received_kwh=101.0))
    with pytest.raises(InputError, match="no period"):
        house_health.own_shares(table.iloc[2:])


@pytest.mark.parametrize(
    "text, told",
    [
        ("generation_w: -3.5 (47%)", "generation (W): −3.5 (47\u00a0%)"),
        ("neighbour_E_h, unsigned_w.", "neighbour E (kWh/kW), reading without direction (W)."),
        ("from 2026-10-19 07:00:00-04:00 on", "from 2026-10-19 07:00 on"),
        ("up to 4273975 W", "up to 4,273,975 W"),
        ("my_array_w.csv, 2026-10-19.csv, 12-14, a-3", "my_array_w.csv, 2026-10-19.csv, 12-14, a-3"),
        ("$-5.00, -0.0 %", "−$5.00, 0.0\u00a0%"),
    ],
)
def test_numbers_dates_and_names_have_one_form(text, told):
    assert plain(text) == told
    assert shown("2026-09-01") == "1 September 2026" and shown("a 2026-09-01") == "a 2026-09-01"
    assert shown(1234.5) == "1,234.5"
    assert heading("delivered_kwh") == "delivered (kWh)"


def test_measured_light_gives_a_performance_ratio(files, house):
    """Light made from the power itself: the ratio that went in comes out, and so does the one at 25 degrees."""
    array = files[0]
    power, rated = array.table["generation_w"], house.system.rated_power_w
    coefficient = house.system.module.temperature_coefficient_per_c
    warm = pd.Series(np.linspace(10.0, 45.0, len(power)), power.index)
    light = power / rated * 1000.0 / (0.8 * (1.0 + coefficient * (warm - 25.0)))
    table = pd.DataFrame({"light_w_m2": light, "cell_temperature_c": warm})
    sun = replace(array, name="light.csv", table=table, readings=replace(array.readings, table=table))
    found = house_health.performance([array, sun], house)
    assert found["corrected"] == pytest.approx(0.8)
    assert found["performance_ratio"] == pytest.approx(power.sum() / rated / (light[power.notna()].sum() / 1000.0))
    assert found["hours"] == power.notna().sum() / 4
    report = tell.make(house, [array, sun])
    assert "Brought to cells of 25 degrees: 0.80" in report.html and "it needs light" not in report.html
    cold = replace(sun, table=table[["light_w_m2"]], readings=replace(sun.readings, table=table[["light_w_m2"]]))
    assert house_health.performance([array, cold], house)["corrected"] is None


def test_a_page_escapes_what_a_file_holds():
    table = pd.DataFrame({"a<b": ["<script>x</script>", np.nan]})
    sections = [Section("One", ("a < b",), (("c", table),)), section_or_reason("Two", _refuse)]
    text = page("T & U", sections, Section("In short", ("<b>",)))
    assert "<script" not in text and "a &lt; b" in text and "not known" in text and "Two: file: found x" in text
    with pytest.raises(InputError, match="found nothing in it"):
        Section("empty")
    with pytest.raises(ZeroDivisionError):  # a fault of the program is no reason
        section_or_reason("Three", lambda title: 1 / 0)


def _refuse(title):
    raise InputError("file: found x, allowed is y")


def test_checks_judge(files, house):
    array, sheet = files[0], files[3]
    periods, _ = periods_of(files, house.tariff)
    assert ask.check_aside(5, array).right is True and ask.check_aside(3341, array).right is False
    assert ask.check_slip(20, array).right is True and "stays the same" in ask.check_slip(15, array).message
    assert all('the word "factor"' in ask.check_slip(day, array).message for day in (9, 21, 31))
    assert ask.check_slip(20, sheet).right is None
    made, inward, outward = periods[["generation_kwh", "delivered_kwh", "received_kwh"]].iloc[0]
    assert ask.check_use(made + inward - outward, periods).right is True
    assert "subtract" in ask.check_use(made + inward + outward, periods).message
    assert ask.check_gap("light").right is True and ask.check_gap("energy").right is False
    for question in map(ask.ASK.predict, ("date", "worst", "meter", "health")):
        assert len(question.options) == 3


def test_the_lines_for_the_own_house_run(house, tmp_path, monkeypatch, capsys):
    """The cell of the lesson for a reader's own files, run on copies of the example files."""
    notebook = nbformat.read(EXAMPLES.parents[1] / "notebooks" / "12-own-house.ipynb", as_version=4)
    lines = next(cell.source for cell in notebook.cells if "our-days.csv" in cell.source)
    lines = lines.replace("own = []", 'own = ["array.csv", "meter.csv"]').replace("= {}", '= {"2026-04-01": 22.67}')
    for name, shipped in (("array", "generation-quarter-hours"), ("meter", "meter-registers")):
        for ending in (".csv", ".toml"):
            (tmp_path / f"{name}{ending}").write_bytes((EXAMPLES / f"{shipped}{ending}").read_bytes())
    monkeypatch.chdir(tmp_path)
    known = {}
    setup = next(cell.source for cell in notebook.cells if cell.cell_type == "code")
    exec(setup, known)
    for _ in range(2):
        exec(lines, dict(known))
    said = capsys.readouterr().out
    assert "35 rows added, 0 there already." in said and "0 rows added, 35 there already." in said
    assert "our-report.html" in said and len(records.read_kept("our-periods.csv")) >= 1
    assert "bills: found 2026-04-01" in (tmp_path / "our-report.html").read_text(
        encoding="utf-8-sig"
    )  # another year's bill
