"""Each unit is about 40 minutes by the model of `lesson_units`, begins with what was before and ends with practice."""

import math
import re
from pathlib import Path

import nbformat
import numpy as np
import pytest
from lesson_units import NOTEBOOKS, minutes_of, stated, tasks_of, text_of

from solarlib.bill.reset import best_reset
from solarlib.direction import predicted_during
from solarlib.meter import house_use
from solarlib.roof import RoofPlane, check_branch, fit_modules, up_slope_m
from solarlib.worth.money import simple_payback

LEAST, MOST = 36, 44
UNITS = (
    "04-two-registers",
    "05-credit-bank",
    "06-lifetime-value",
    "07-read-the-offer",
    "09-load-step",
    "10-whole-days",
    "03-roof-and-shade",
    "13-converter-and-circuit",
)
README = (Path(__file__).resolve().parents[2] / "README.md").read_text(encoding="utf-8")
ORDER = re.findall(r"^\| \[\d\d\]\(notebooks/([\w-]+)\.ipynb\)", README, flags=re.MULTILINE)
TIMED = (*UNITS, "01-irradiance", "02-array-yield", "08-unsigned-meter", "11-system-health")
COVER = (NOTEBOOKS / "TEACHING.md").read_text(encoding="utf-8")
every_unit = pytest.mark.parametrize("name", UNITS)


def solved(name):
    """Return the answers to the exercises of a unit, by number."""
    cells = nbformat.read(NOTEBOOKS / f"{name}.ipynb", as_version=4).cells
    text = next(cell.source for cell in cells if "## On your own\n" in cell.source).split("## On your own\n")[1]
    return dict(re.findall(r"(?:^|\s)([123]): (.*?)(?=\s[123]: |$)", re.search(r"Answers</summary>(.*?)</", text)[1]))


def exercise(name, number):
    """Return the numbers of an exercise, thousands joined and minus signs understood."""
    text = re.search(rf"^\*\*{number}\. (.*?)$", text_of(NOTEBOOKS / f"{name}.ipynb"), flags=re.MULTILINE)[1]
    return [float(found) for found in re.findall(r"-?\d+(?:\.\d+)?", text.replace(",", "").replace("−", "-"))]


@pytest.mark.parametrize("name", TIMED)
def test_the_minutes_of_a_unit_are_those_of_the_model(name):
    path = NOTEBOOKS / f"{name}.ipynb"
    assert LEAST <= stated(path) <= MOST and abs(minutes_of(path) - stated(path)) <= 1, minutes_of(path)
    parts = re.search(r"^\*\*Time:\*\* \d+ minutes \((.*)\)$", text_of(path), flags=re.MULTILINE)[1]
    assert sum(map(int, re.findall(r"\d+", parts))) == stated(path)
    assert re.search(rf"{name}\.ipynb\) \| .* \| {stated(path)} \|$", README, flags=re.MULTILINE)
    told = re.search(rf"^## {name[:2]} .*?\*\*(?:Minutes|Time)\W+(\d+)", COVER, flags=re.MULTILINE | re.DOTALL)
    assert int(told[1]) == stated(path) and len(tasks_of(path)) >= 3


@every_unit
def test_a_unit_asks_what_was_before_and_leaves_three_exercises(name):
    text = text_of(NOTEBOOKS / f"{name}.ipynb")
    title, outcomes = text.split("\n")[0], text.split("**You will be able to**")[1].split("##")[0]
    assert title.startswith("# ") and title.endswith("?")
    assert 2 <= len(re.findall(r"^\d\. .*\((?:check|exit|exercise)", outcomes, flags=re.MULTILINE)) <= 4
    assert re.findall(r"^- \*\*(\w)\)\*\*", text.split("## Three questions from before")[1], flags=re.MULTILINE) == [
        *"abc"
    ]
    alone = text.split("## On your own\n")[1].split("## On your own house")[0]
    assert re.findall(r"^\*\*(\d)\. ", alone, flags=re.MULTILINE) == ["1", "2", "3"]
    assert "Find the mistake" in alone and "Explain it" in alone and set(solved(name)) == {"1", "2", "3"}
    assert "Exit question" in text and "**Cautions.**" in text and "## Sources" in text


@every_unit
def test_a_unit_rests_on_earlier_ones_and_leads_to_the_next(name):
    text = text_of(NOTEBOOKS / f"{name}.ipynb")
    before, after = text.split("**You will be able to**")[0], text.split("## What you can do now")[1]
    held = re.findall(r"\]\(([\w-]+)\.ipynb\)", before)
    assert held and all(ORDER.index(one) < ORDER.index(name) for one in held)
    assert re.findall(r"Next: \[.*\]\(([\w-]+)\.ipynb\)", after) == ORDER[ORDER.index(name) + 1 :][:1]


# ---------------------------------------------------------------- what the exercises say is right


def test_the_bungalow_at_its_meter():
    before, after, sent, sent_after, made = exercise("04-two-registers", 1)[2:]
    found = house_use(made, after - before, sent_after - sent)
    assert f"= {found.use_kwh:.0f} kWh" in solved("04-two-registers")["1"]
    assert f"= {found.self_consumed_kwh:.0f} came straight" in solved("04-two-registers")["1"]


def test_the_bungalow_loses_in_three_months_only():
    lost = best_reset(np.array(exercise("05-credit-bank", 1)))["lost_kwh"]
    assert lost[lost > 0].to_dict() == {"Mar": 1, "Apr": 128, "May": 50}
    assert "only March, April and May take anything: 1, 128 and 50 kWh" in solved("05-credit-bank")["1"]


def test_the_missing_numbers_are_sums_from_the_right():
    text = text_of(NOTEBOOKS / "05-credit-bank.ipynb").replace(",", "").replace("−", "-")
    rows = re.findall(r"\| surplus \|(.*)\|\n\| sum to \w+ \|(.*)\|", text)
    (answers,) = re.findall(r"<details><summary>Answers</summary>(June: .*?)</", page("05-credit-bank"))
    assert len(rows) == 2
    for surplus, sums in rows:
        kwh, told = [int(cell) for cell in surplus.split("|")], [cell.strip() for cell in sums.split("|")]
        shift = int(told[-1]) - kwh[-1]
        found = np.cumsum(kwh[::-1])[::-1] + shift
        for one, cell in zip(found, told):
            assert str(one) in answers.replace(",", "").replace("−", "-") if "?" in cell else int(cell) == one


def page(name):
    """Return the whole text of a unit, with what is folded."""
    cells = nbformat.read(NOTEBOOKS / f"{name}.ipynb", as_version=4).cells
    return "\n\n".join(cell.source for cell in cells if cell.cell_type == "markdown")


def test_money_of_the_exercises():
    outlay, made, at_once, price, export, upkeep = exercise("06-lifetime-value", 1)
    saved = at_once * price + (made - at_once) * export
    said = solved("06-lifetime-value")["1"]
    assert f"= {saved:.0f} dollars" in said and f"= {simple_payback(outlay, saved, upkeep):.0f} years" in said
    assert f"${1000 / 1.05**14:.0f} put away today" in solved("06-lifetime-value")["3"]
    cost, nominal, real, price = exercise("07-read-the-offer", 1)
    assert f"= {cost / real:.2f} dollars" in solved("07-read-the-offer")["1"] and cost / real < price < cost / nominal
    assert exercise("07-read-the-offer", 2)[-1] == round(800 * 1.06**24)


def test_watts_of_the_exercises():
    load, before, during = exercise("09-load-step", 1)
    predicted = [float(watts) for watts in predicted_during(before, load)]
    assert predicted.index(during) == 2 and f"sent out {before:.0f} W" in solved("09-load-step")["1"]
    before, load, during = (exercise("09-load-step", 2)[place] for place in (1, 3, 4))
    assert predicted_during(before, load)[2] == during and f"{before + load:,.0f} W" in solved("09-load-step")["2"]
    lamp, spread, tests = exercise("10-whole-days", 1)
    mean = spread / math.sqrt(tests)
    assert f"= {mean:.0f} W, which goes {lamp / mean:.1f} times" in solved("10-whole-days")["1"]
    _, noise, _, count, *_ = exercise("10-whole-days", 2)
    assert f"it jitters by {noise / math.sqrt(count):.0f} W" in solved("10-whole-days")["2"]


def test_the_missing_numbers_of_the_noise():
    text = text_of(NOTEBOOKS / "10-whole-days.ipynb")
    counts = [int(n) for n in re.search(r"readings in the mean \|(.*)\|", text)[1].split("|")]
    told = [cell.strip() for cell in re.search(r"jitter of the mean .*?\|(.*)\|", text)[1].split("|")]
    found = [60 / math.sqrt(count) for count in counts]
    assert [cell for one, cell in zip(found, told) if "?" not in cell and float(cell) != one] == []
    missing = [f"{one:.0f}" for one, cell in zip(found, told) if "?" in cell]
    assert f"{missing[0]}, {missing[1]} and {missing[2]} W" in page("10-whole-days")


def test_modules_and_amps_of_the_exercises():
    eave, slope, strip, long, short, gap = exercise("03-roof-and-shade", 1)
    edges = {f"clear_{side}_m": strip for side in ("ridge", "eave", "left", "right")}
    best = fit_modules(RoofPlane(eave, slope, **edges), module_length_m=long, module_width_m=short, gap_m=gap)
    assert f"so {best.count} modules, {best.way}" in solved("03-roof-and-shade")["1"]
    _, depth, _, tilt, *_ = exercise("03-roof-and-shade", 2)
    assert f"= {up_slope_m(depth, tilt):.1f} m" in solved("03-roof-and-shade")["2"]
    count, amps, breaker = exercise("13-converter-and-circuit", 1)
    said = check_branch(int(count), amps, breaker)
    assert f"= {said['needed_a']:.1f} A" in solved("13-converter-and-circuit")["1"] and "outside" not in said.verdict
    found = [n for n in range(1, 20) if check_branch(n, 1.6, 20).verdict != "outside this check"]
    assert f"= {max(found)} converters" in solved("13-converter-and-circuit")["2"]
