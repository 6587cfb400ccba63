"""The instructor's binder tells what is so: links, named checks, what panels say, and each number of the key."""

import re
from pathlib import Path

import nbformat
import numpy as np
import pandas as pd
import pytest

from solarlib.bill import best_reset
from solarlib.direction import predicted_during
from solarlib.health import final_yield, performance_ratio
from solarlib.health.chart import cusum
from solarlib.house import read_house
from solarlib.lessons.array_yield import pictures as yields
from solarlib.lessons.credit_bank import pictures as bank
from solarlib.lessons.load_step import pictures as step
from solarlib.lessons.start import pictures as start
from solarlib.meter import house_use, register_difference, split, unsigned
from solarlib.quantities import energy_kwh
from solarlib.roof import RoofPlane, fit_modules
from solarlib.worth.money import simple_payback

NOTEBOOKS = Path(__file__).resolve().parents[1] / "notebooks"
BINDER = {path.name: path.read_text(encoding="utf-8") for path in sorted((NOTEBOOKS / "teaching").glob("*.md"))}
COVER = (NOTEBOOKS / "TEACHING.md").read_text(encoding="utf-8")
LESSONS = {path.name[:2]: nbformat.read(path, 4) for path in sorted(NOTEBOOKS.glob("[0-9]*.ipynb"))}
CELLS = {number: "\n".join(cell.source for cell in lesson.cells) for number, lesson in LESSONS.items()}
KEY = {row[0]: row[1] for row in re.findall(r"^\| ([MF]\d) \| ([^|]+) \|", BINDER["key.md"], flags=re.MULTILINE)}
QUESTIONS = dict(re.findall(r"\*\*([MF]\d)\.\*\* (.*?)(?=\n\n|\Z)", BINDER["exams.md"], flags=re.DOTALL))
INVENTORY = dict(re.findall(r"\*\*(\d+)\. (.*?)(?=\n\n\*\*|\Z)", BINDER["inventory.md"], flags=re.DOTALL))
LETTERS = dict(re.findall(r"^\| (\d+) \| \d\d \| ([A-D]) \|", BINDER["key.md"], flags=re.MULTILINE))


def numbers(text):
    """Return the numbers of a text in order; a thousands comma and a printed minus are understood."""
    plain = re.sub(r"(?<=\d),(?=\d{3})", "", text).replace("−", "-")
    return [float(number) for number in re.findall(r"-?\d+(?:\.\d+)?", plain)]


def hours(*pairs):
    """Return power minute by minute from pairs of watts and hours."""
    watts = np.concatenate([np.full(round(60 * time), power, float) for power, time in pairs])
    return pd.Series(watts, pd.date_range("2026-06-21", periods=len(watts), freq="1min", tz="UTC"))


# ---------------------------------------------------------------- links and names


@pytest.mark.parametrize("name", sorted(BINDER))
def test_the_cover_leads_to_each_file(name):
    assert f"(teaching/{name})" in COVER


@pytest.mark.parametrize("name", ["../TEACHING.md", *sorted(BINDER)])
def test_links_resolve(name):
    path = (NOTEBOOKS / "teaching" / name).resolve()
    links = re.findall(r"\]\(([^)#:]+)\)", path.read_text(encoding="utf-8"))
    missing = [link for link in links if not (path.parent / link).exists()]
    assert not missing


@pytest.mark.parametrize("name", sorted(BINDER))
def test_each_named_check_stands_in_its_lesson(name):
    for number, listed in re.findall(r"\b(\d\d), checks? ([\d, and]+\d|\d)", BINDER[name]):
        for one in re.findall(r"\d+", listed):
            assert f"**Check {one}.**" in CELLS[number], f"{name}: {number}, check {one}"


def test_each_check_of_each_lesson_belongs_to_an_outcome():
    syllabus = BINDER["syllabus.md"]
    named = {
        (number, one)
        for number, listed in re.findall(r"\b(\d\d), checks? ([\d, and]+\d|\d)", syllabus)
        for one in re.findall(r"\d+", listed)
    }
    there = {(number, one) for number, text in CELLS.items() for one in re.findall(r"\*\*Check (\d+)\.\*\*", text)}
    assert named == there


def test_the_weeks_name_each_lesson_with_its_question_and_the_hours_add_up():
    weeks = re.findall(r"^\| (\d+) \| ([^|]+) \| ([\d.]+) \|", BINDER["syllabus.md"], flags=re.MULTILINE)
    assert [int(week) for week, *_ in weeks] == list(range(1, 13))
    total = sum(float(spent) for *_, spent in weeks)
    assert f"{total:g} hours" in BINDER["syllabus.md"]
    text = " ".join(what for _, what, _ in weeks)
    assert set(re.findall(r"\blesson (\d\d)\b", text)) == set(LESSONS)


def test_the_headings_named_in_the_run_sheets_stand_in_the_lessons():
    rows = re.findall(r"\| (\d\d), panel \*([^*]+)\*", BINDER["sessions.md"])
    assert len(rows) >= 8
    for number, heading in rows:
        assert re.search(rf"^## \d {re.escape(heading)}$", CELLS[number], flags=re.MULTILINE), heading


@pytest.mark.parametrize("length", [60, 120])
def test_the_minutes_of_a_run_sheet_follow_each_other(length):
    sheets = re.split(r"^## ", BINDER["sessions.md"], flags=re.MULTILINE)
    sheet = next(part for part in sheets if part.startswith(f"{length} minutes"))
    spans = [(int(a), int(b)) for a, b in re.findall(r"^\| (\d+)–(\d+) \|", sheet, flags=re.MULTILINE)]
    assert spans[0][0] == (0 if length == 60 else 15) and spans[-1][1] == length
    assert all(end == begin for (_, end), (begin, _) in zip(spans, spans[1:]))


# ---------------------------------------------------------------- what the panels say at the settings of the run sheets


DAY = (start.day_picture, "00")
YEAR = (start.year_picture, "00")
RESET = (bank.reset_picture, "05")
FOLD = (step.branch_picture, "09")
STEP = (step.step_picture, "09")
HEAT = (yields.heat_picture, "02")
SETTINGS = {
    "A1": (DAY, "Day of the year 172, Array size 100 %", {"day": 172, "size": 100}),
    "A2": (DAY, "Day of the year 355, Array size 100 %", {"day": 355, "size": 100}),
    "A3": (YEAR, "Array size 100 %, House use 100 %", {"size": 100, "use": 100}),
    "A4": (YEAR, "Array size 50 %, House use 100 %", {"size": 50, "use": 100}),
    "B1": (RESET, "Array size 100 %, Emptied after Dec", {"size": 100, "reset": "Dec"}),
    "B2": (RESET, "Array size 100 %, Emptied after Sep", {"size": 100, "reset": "Sep"}),
    "B3": (RESET, "Array size 100 %, Emptied after Mar", {"size": 100, "reset": "Mar"}),
    "B4": ((bank.register_picture, "04"), "Array size 100 %, Month Jul", {"size": 100, "month": "Jul"}),
    "C1": (FOLD, "Net power −300 W, Test load 750 W", {"net": -300, "load": 750}),
    "C2": (FOLD, "Net power −1000 W, Test load 750 W", {"net": -1000, "load": 750}),
    "C3": (STEP, "Net power 1500 W, Test load 750 W", {"net": 1500, "load": 750}),
    "C4": (STEP, "Net power −1500 W, Test load 750 W", {"net": -1500, "load": 750}),
    "D1": (
        HEAT,
        "Air 35 °C, Wind 1 m/s, Light 1000 W/m², Mounting roof rails",
        {"air": 35, "wind": 1, "light_now": 1000, "mounting": "roof"},
    ),
    "D2": (
        HEAT,
        "Air 35 °C, Wind 10 m/s, Light 1000 W/m², Mounting roof rails",
        {"air": 35, "wind": 10, "light_now": 1000, "mounting": "roof"},
    ),
}


@pytest.mark.parametrize("name", sorted(SETTINGS))
def test_a_panel_says_what_the_run_sheet_lets_expect(name):
    (picture, lesson), words, values = SETTINGS[name]
    row = f"| **{name}** | {lesson} | {words} | "
    assert row in BINDER["sessions.md"]
    heard = BINDER["sessions.md"].split(row)[1].split(" |\n")[0].split(", ")
    told = picture(read_house("two-storey")).update(**values)
    assert heard and all(re.search(rf"(?<![\d,.]){re.escape(value)}", told) for value in heard), told


def test_the_controls_of_the_settings_have_these_names():
    labels = {}
    for number in ("00", "02", "04", "05"):
        labels[number] = set(re.findall(r'=(?:own_)?(?:slider|choice|toggle)\("([^"]+)"', CELLS[number]))
    for (_, lesson), words, _ in SETTINGS.values():
        for part in words.split(", "):
            assert lesson == "09" or any(part.startswith(label + " ") for label in labels[lesson]), part
    house = read_house("two-storey")
    assert (step.net_slider(house, -300).label, step.load_slider(house).label) == ("Net power (W)", "Test load (W)")


def test_each_setting_is_used_and_each_used_setting_is_there():
    plan = BINDER["sessions.md"].split("## Settings")[0]
    assert set(re.findall(r"\*\*([A-D]\d)\*\*", plan)) == set(SETTINGS)


# ---------------------------------------------------------------- the key


def surplus():
    """Return the twelve bills of M6 as the question prints them."""
    return numbers(QUESTIONS["M6"].split("kWh:")[1].split(". All")[0].replace("\n", " "))


def best_months(year):
    """Return the months that lose nothing."""
    table = best_reset(year)
    return list(table.index[table["lost_kwh"] == 0])


def computed():
    """Work each item from the numbers that its question prints."""
    asked = {name: numbers(text) for name, text in QUESTIONS.items()}
    found = {}
    watts, time = asked["M1"]
    found["M1"] = [energy_kwh(hours((watts, time))).sum()]
    strong, long, weak, short = (asked["M2"][i] for i in (0, 1, 2, 3))
    found["M2"] = [energy_kwh(hours((strong, long), (weak, short))).sum()]
    rated, made, light = asked["M3"]
    own = final_yield(made, 1000 * rated)
    found["M3"] = [own, round(performance_ratio(own, light), 2)]
    eave, slope, strip, long, short, gap = asked["M4"]
    edges = {f"clear_{side}_m": strip for side in ("ridge", "eave", "left", "right")}
    roof = RoofPlane(eave, slope, **edges)
    found["M4"] = [fit_modules(roof, module_length_m=long, module_width_m=short, gap_m=gap).count]
    delivered = register_difference(99820, 140, 5)
    assert "99820" in QUESTIONS["M5"] and "00140" in QUESTIONS["M5"] and "3100\nto 3350" in QUESTIONS["M5"]
    found["M5"] = [house_use(asked["M5"][-1], delivered, register_difference(3100, 3350, 5)).use_kwh]
    found["M6"] = [best_reset(surplus())["lost_kwh"]["Dec"]]
    made, out, price, export = asked["F1"]
    found["F1"] = [house_use(made, 0.0, out).self_consumed_kwh * price + out * export]
    found["F2"] = [float(simple_payback(*asked["F2"]))]
    inward, in_hours, outward, out_hours = asked["F3"]
    net = hours((inward, in_hours), (-outward, out_hours))
    sides = split(net).sum()
    found["F3"] = [energy_kwh(unsigned(net)).sum(), sides["delivered_kwh"] - sides["received_kwh"]]
    before, load, during = asked["F4"]
    case = int(np.argmin(abs(predicted_during(before, load) - during)))
    assert predicted_during(before, load)[case] == during
    found["F4"] = [before if case == 0 else -before]
    rated, made, others = asked["F5"]
    found["F5"] = [round(100 * final_yield(made, 1000 * rated) / others, 1)]
    found["F6"] = [cusum(np.array(asked["F6"][-3:]), asked["F6"][1])[-1]]
    return found


def test_each_number_of_the_key_is_what_the_library_finds():
    found = computed()
    assert set(found) == set(KEY)
    for name, values in found.items():
        assert numbers(KEY[name]) == pytest.approx(values, abs=1e-9), name


def test_the_months_of_m6_lose_nothing():
    months = best_months(surplus())
    assert months and KEY["M6"].split(";")[1].strip() == " or ".join(months)


def test_each_question_has_an_answer():
    models = set(re.findall(r"^\*\*([MF]\d), model\.\*\*", BINDER["key.md"], flags=re.MULTILINE))
    assert set(QUESTIONS) == set(KEY) | models and not set(KEY) & models
    assert len(QUESTIONS) * 5 == 2 * 40


def test_the_inventory_has_twelve_items_and_each_letter_is_right_three_times():
    assert list(INVENTORY) == list(LETTERS) == [str(number) for number in range(1, 13)]
    assert sorted(LETTERS.values()) == sorted("ABCD" * 3)
    assert all(re.findall(r"^- ([A-D])\.", text, flags=re.MULTILINE) == list("ABCD") for text in INVENTORY.values())


def option(item):
    """Return the text of the right answer of an item."""
    return re.search(rf"^- {LETTERS[item]}\. (.*)$", INVENTORY[item], flags=re.MULTILINE)[1]


def test_the_right_answers_of_the_inventory_are_what_the_library_finds():
    right = {
        "1": energy_kwh(hours((2000, 6 / 60))).sum(),
        "3": house_use(600.0, 180.0, 350.0).use_kwh,
        "4": 2 * (0.16 - 0.06),
        "7": energy_kwh(unsigned(hours((1200, 2), (-800, 3)))).sum(),
    }
    for item, value in right.items():
        assert numbers(option(item)) == pytest.approx([value]), item
    assert predicted_during(300, 800)[2] == 500 and option("8").startswith("It sent out 300 W")
    assert final_yield(21, 5600) > final_yield(28, 8000) and option("9").startswith("Q")
    sunny = np.isin(np.arange(1, 13), range(3, 8))
    years = [best_reset(np.where(sunny, kwh, -100.0)) for kwh in (50.0, 100.0, 140.0, 300.0)]
    surely = set.intersection(*(set(table.index[table["best"]]) for table in years))
    assert option("5")[:3] in surely and {"Jul", "Dec"}.isdisjoint(surely)


def test_the_pages_for_learners_hold_no_key():
    for name in ("inventory.md", "exams.md"):
        assert not re.search(r"\*Key|model\.\*\*", BINDER[name])
