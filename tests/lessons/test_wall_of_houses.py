"""A wall of unlike houses through every lesson and the report: no error, no empty word, no number that is not theirs.

Numbers in captions are recomputed from the TOML table of the house by a second path that shares no function with the
captions: sums over the hours, light on planes by formula, bills by the second ledger, breakers and strings by hand.
What a control starts with is what the file says.
"""

import html
import math
import re
import tomllib
from copy import copy
from datetime import date
from functools import cache, lru_cache
from pathlib import Path

import numpy as np
import pytest
from bill import second_ledger, second_meter
from hypothesis import settings
from lesson_wall import Run, bad_words, notebook_of

from lesson_panels import NOTEBOOKS
from profiles import USUAL
from solarlib.bill.tariff_file import TARIFF_FOLDER
from solarlib.house.file import read_house
from solarlib.house.flows import EXAMPLES, bring
from solarlib.house.records import sent_bills
from solarlib.house.year import simulate, weather
from solarlib.lessons.own_house import report
from solarlib.sky.sun import position

HOUSES = {path.stem: path for path in sorted((Path(__file__).parents[1] / "houses").glob("*.toml"))}
LESSONS = [path.name[:2] for path in NOTEBOOKS]  # the last reads the example files, of another house
LONGEST_CAPTION = 250
ALL = settings.default.max_examples > USUAL


@cache
def toml(name):
    return tomllib.loads(HOUSES[name].read_text(encoding="utf-8"))


def tariff(name):
    file = TARIFF_FOLDER / f"{toml(name)['tariff']['file']}.toml"
    return tomllib.loads(file.read_text(encoding="utf-8"))["tariff"]


def fitting(lesson):
    """Return the houses that have what a lesson needs: 12 sums the example bill, whose lines must be the tariff's."""
    if lesson != "12":
        return list(HOUSES)
    asked = set(tomllib.loads((EXAMPLES / "bill-of-may.toml").read_text(encoding="utf-8"))["lines"])
    return [name for name in HOUSES if asked <= {charge.get("line") for charge in tariff(name)["charge"]}]


def chosen():
    """Yield (lesson, house): with the profile `long` all; else each lesson with every fourth house, by turns.

    Then the controls go to their ends all together only, in `long` each by itself too.
    """
    for lesson in LESSONS:
        for place, house in enumerate(fitting(lesson)):
            if ALL or (place + int(lesson)) % 4 == 0:
                yield lesson, house


def test_the_wall_is_wide_and_its_rotation_takes_every_house():
    pairs = list(chosen())
    assert len(HOUSES) >= 16 and {house for _, house in pairs} == set(HOUSES)
    assert {lesson for lesson, _ in pairs} == set(LESSONS) and (ALL or len(pairs) < 0.3 * len(HOUSES) * len(LESSONS))
    kinds = [toml(name) for name in HOUSES]
    assert {table["converter"]["kind"] for table in kinds} == {"per module", "central"}
    assert {table.get("circuit", {}).get("system") for table in kinds} == {
        "split phase",
        "single phase",
        "three phase",
        None,
    }
    assert {table.get("circuit", {}).get("joined") for table in kinds} >= {
        "each breaker",
        "one breaker",
        "supply side",
        "socket",
    }
    latitudes = [table["place"]["latitude_deg"] for table in kinds]
    assert min(latitudes) < -40 and max(latitudes) > 66.6 and 0 in latitudes
    assert len({table["tariff"]["file"] for table in kinds}) == len(HOUSES)


# ---------------------------------------------------------------- the second path


@lru_cache(maxsize=4)
def hours(name):
    """Return (made, used) of each hour of the typical year. [kWh]"""
    year = simulate(read_house(HOUSES[name]))
    return year["generation_w"].clip(lower=0) / 1000, year["load_w"] / 1000


@lru_cache(maxsize=8)
def light_kwh(name, tilt, azimuth):
    """Return the light of the year on a plane by the formula of Hay and Davies. [kWh/m2]"""
    house = read_house(HOUSES[name])
    sky = weather(house)
    sun = position(sky.index, house.place)
    zenith, turn, b = (np.radians(x) for x in (sun["apparent_zenith"], sun["azimuth"] - azimuth, tilt))
    toward = np.maximum(np.cos(zenith) * np.cos(b) + np.sin(zenith) * np.sin(b) * np.cos(turn), 0)
    beam = sky["dni"] * toward
    share = sky["dni"] / sun["dni_extra"]
    around = sky["dhi"] * share * toward / np.maximum(np.cos(zenith), 0.01745)
    dome = sky["dhi"] * (1 - share) * (1 + np.cos(b)) / 2
    ground = sky["ghi"] * toml(name)["weather"].get("albedo", 0.2) * (1 - np.cos(b)) / 2
    return float((beam + around + dome + ground).sum() / 1000)


def planes(table):
    """Return the planes of a table, a pair as two, each with the rated power of its modules and its converter."""
    found = []
    for plane in table["plane"]:
        kinds = {
            kind: next(
                one for one in (table[kind], *table.get(f"other_{kind}", ())) if one.get("name") == plane.get(kind)
            )
            for kind in ("module", "converter")
        }
        one = plane | {"rated_w": kinds["module"]["rated_power_w"], "on": kinds["converter"]}
        if plane.get("pair"):
            half = one | {"module_count": plane["module_count"] // 2}
            found += [half, half | {"azimuth_deg": (plane["azimuth_deg"] + 180) % 360}]
        else:
            found.append(one)
    return found


def behind_one_w(table):
    if table["converter"]["kind"] == "per module":
        return table["module"]["rated_power_w"]
    return sum(plane["module_count"] * plane["rated_w"] for plane in planes(table) if plane["on"] == table["converter"])


def rated_kw(table):
    return sum(plane["module_count"] * plane["rated_w"] for plane in planes(table)) / 1000


def rated_ac_kw(table):
    each = sum(p["module_count"] * p["on"]["ac_limit_w"] for p in planes(table) if p["on"]["kind"] == "per module")
    for_all = {str(p["on"]): p["on"]["ac_limit_w"] for p in planes(table) if p["on"]["kind"] == "central"}
    return (each + sum(for_all.values())) / 1000


def largest(table):
    return max(planes(table), key=lambda plane: plane["module_count"])


@lru_cache(maxsize=4)
def two_bills(name, part=1.0):
    """Return a settled year's bills without array and with a part of it, second ledger; None if hours do not tell."""
    rules = {key: value for key, value in tariff(name).items() if key not in ("valid_from", "valid_to")}
    if any(charge.get("window_minutes", 60) < 60 for charge in rules["charge"]) or "quarter" in str(rules):
        return None
    made, used = hours(name)
    times = [int(label.timestamp()) for label in made.index]
    firsts, months = second_meter.reads_by_month(date(2026, 1, 1), date(2027, 1, 1), rules.get("months_per_bill", 1))
    totals = []
    for size in (0, part):
        net, held = used - size * made, rules if size else rules | {"settlement": "bill"}
        flows = {"delivered": net.clip(lower=0), "received": (-net).clip(lower=0), "generation": size * made}
        flows = {register: series.tolist() for register, series in flows.items()}
        ruling = [held] * len(months)
        year = second_meter.from_intervals(times, 60, toml(name)["place"]["timezone"], flows, firsts, ruling, months)
        periods = [moved(period, shift) for shift in (-1, 0) for period in year]
        ratings = {"dc": size * rated_kw(toml(name)), "ac": size * rated_ac_kw(toml(name))}
        rows = second_ledger.ledger(periods, 2 * ruling, second_ledger.Setting(ratings, TARIFF_FOLDER))
        totals.append(float(sum(row["bill"] for row in rows[len(year) :])))
    return totals


def moved(period, years):
    """Return a billing period of another year."""
    other = copy(period)
    other.start, other.end = (day.replace(year=day.year + years) for day in (period.start, period.end))
    return other


def amps_of(one, circuit):
    """Return what a converter feeds to each of its lines."""
    lines = len(one["phases"].split()) if circuit["system"] == "three phase" else 0
    volts = circuit["voltage_v"] * {0: 1.0, 1: 1 / math.sqrt(3), 2: 1.0, 3: math.sqrt(3)}[lines]
    return one.get("current_a", one["output_w"] / volts)


def busbar_by_hand(table):
    """Return (sums, allowed, verdict) at a busbar by the rules that may be in force; None if it is not the case."""
    circuit = table.get("circuit", {})
    if circuit.get("joined") not in ("each breaker", "one breaker") or not {
        "main_a",
        "busbar_a",
        "branch",
        "system",
    } <= set(circuit):
        return None
    held = [{"output_w": table["converter"]["ac_limit_w"]} | one for one in circuit["branch"]]
    three = circuit["system"] == "three phase"
    lines = [
        [one for one in held if not three or line in one["phases"]] for line in ("L1", "L2", "L3")[: 3 if three else 1]
    ]
    main, bus, far = circuit["main_a"], circuit["busbar_a"], circuit.get("far_end")
    open_rules = ["NEC, by current", "NEC, by breakers"] + ["IEC"] * (circuit["system"] != "split phase")
    rules = [circuit["rule"]] if "rule" in circuit else open_rules
    worst = None
    for on in lines:
        amps = sum(one["converters"] * amps_of(one, circuit) for one in on)
        fed = circuit["array_breaker_a"] if circuit["joined"] == "one breaker" else sum(one["breaker_a"] for one in on)
        if fed < 1.25 * amps and rules != ["IEC"]:
            return None  # the breaker itself is the question
        sums = [main + (1.25 * amps if rule == "NEC, by current" else fed) for rule in rules]
        shares = {True: [1.2], False: [1.0], None: [1.0, 1.2]}[far]
        fits = {
            total <= share * bus for rule, total in zip(rules, sums) for share in (shares if "NEC" in rule else [1.0])
        }
        verdict = (
            "not decided here" if len(fits) > 1 else "within this check" if fits == {True} else "outside this check"
        )
        allowed = (1.0 if rules == ["IEC"] else max(shares)) * bus
        if worst is None or amps > worst[0]:
            worst = amps, sums, allowed, verdict
    if worst[3].startswith("within") and not all("current_a" in one for one in held):
        return *worst[1:3], "not decided here"  # output over voltage may be too little
    return worst[1:]


# ---------------------------------------------------------------- what a control starts with


def own_values(lesson, table):
    """Return what the controls of a lesson start with by their names, from the table of the file."""
    plane, view = largest(table), table.get("outlook", {})
    limit = 100 * table["converter"]["ac_limit_w"] / behind_one_w(table)
    losses, age = table.get("losses", {}), table.get("age", {}).get("years", 0)
    dirt = round(float(np.mean(losses.get("soiling_percent_by_month", losses.get("soiling_percent", 2.0)))), 6)
    if lesson == "02":
        coefficient = -table["module"]["temperature_coefficient_percent_per_c"]
        roof = {"tilt": plane["tilt_deg"], "azimuth": plane["azimuth_deg"]}
        return {"coefficient": coefficient, "dirt": dirt, "age": age, "limit": limit} | roof
    if lesson == "03":
        return {"tilt": plane["tilt_deg"], "azimuth": plane["azimuth_deg"] % 360}
    if lesson == "13":
        return {"share": 100 * rated_ac_kw(table) / rated_kw(table)}
    if lesson in ("06", "07"):
        return {"growth": view.get("price_growth_percent", 2.5), "rate": view.get("discount_rate_percent", 5)}
    return {"load": table["meter"]["test_load_w"]} if lesson == "09" else {}


OF_NO_HOUSE = {("02", "mounting"), ("02", "minutes")}  # a control of each panel with values of its own


def check_starts(lesson, run, table):
    """Each control that begins with the house begins at its value, its widget holds it, and its steps reach it."""
    own = own_values(lesson, table)
    for cell, panel in run.panels:
        if {(lesson, name) for name in panel.controls} & OF_NO_HOUSE:
            continue
        for name, control in panel.controls.items():
            widget = panel.widgets[name]
            if hasattr(widget, "step"):
                steps = (control.value - widget.min) / widget.step
                assert abs(steps - round(steps)) < 1e-6, f"cell {cell}, {name}: {control.value} is on no step"
            if own.get(name) is None:
                continue
            assert control.make().value == control.value
            close = 0.5 if name in ("limit", "share") else 1e-9  # in whole percent; the sums take the file's own
            same = control.value == own[name] or abs(control.value - own[name]) < close
            assert same, f"cell {cell}, {name}: {control.value}, in the file {own[name]}"


# ---------------------------------------------------------------- numbers of captions


USD = r"(−?\$[\d,.]*\d)"


def numbers(pattern, text):
    """Return the numbers of the groups of a pattern in a text."""
    found = re.search(pattern, text)
    assert found, f"no {pattern} in: {text}"
    return [float(group.replace(",", "").replace("$", "").replace("−", "-")) for group in found.groups()]


def caption(run, word):
    """Return what the panel says at its start whose caption holds a word."""
    texts = [text for where, text in run.texts if "{" not in where and not re.match("Predict|Drawing of", text)]
    found = [text for text in texts if word in text]
    assert found, word
    return found[0]


def check_00(run, name, table):
    made, used = hours(name)
    told = numbers(
        r"makes ([\d,]+) kWh and the house uses ([\d,]+) kWh.*? in (\d+) of 12", caption(run, "of 12 months")
    )
    more = (made.groupby(made.index.month).sum() > used.groupby(used.index.month).sum()).sum()
    use = table["load"].get("yearly_kwh") or sum(table["load"]["monthly_kwh"])
    assert told == [round(made.sum()), use, more]


def check_01(run, name, table):
    printed = caption(run, "kWh/m2 in the year")
    told = re.findall(r"tilt ([\d.]+), facing ([\d.]+): ([\d,]+) kWh/m2", printed)
    assert [(float(t), float(a)) for t, a, _ in told] == [(p["tilt_deg"], p["azimuth_deg"]) for p in planes(table)]
    for tilt, azimuth, light in told:
        assert float(light.replace(",", "")) == pytest.approx(light_kwh(name, float(tilt), float(azimuth)), abs=0.51)


def check_02(run, name, table):
    made = hours(name)[0].sum()
    said = r"make ([\d,]+) kWh a year, but ([\d,]+) kWh reach the house: (\d+) %"
    by_label, reach, share = numbers(said, caption(run, "reach the house"))
    label = sum(
        light_kwh(name, plane["tilt_deg"], plane["azimuth_deg"]) * plane["module_count"] * plane["rated_w"] / 1000
        for plane in planes(table)
    )
    assert by_label == pytest.approx(label, rel=1e-4, abs=0.6)
    assert reach == pytest.approx(made, abs=0.51) and share == round(100 * reach / label)
    light = light_kwh(name, largest(table)["tilt_deg"], largest(table)["azimuth_deg"])
    assert numbers(r"from ([\d,]+) h of test light", caption(run, "of test light"))[0] == pytest.approx(light, abs=0.51)
    cells = 25 + 600 / (19.14 + 1.04 * 3)  # Faiman's roof mounting, 3 m/s
    coefficient = table["module"]["temperature_coefficient_percent_per_c"] / 100
    power = 0.6 * table["module"]["rated_power_w"] * (1 + coefficient * (cells - 25))
    assert numbers(r"at (\d+) °C, so the module gives (\d+) W", caption(run, "The cells are at")) == [
        round(cells),
        round(power),
    ]


def check_13(run, name, table):
    if by_hand := busbar_by_hand(table):
        sums, allowed, verdict = by_hand
        told = caption(run, "Busbar").splitlines()[0]
        words = " or ".join(dict.fromkeys(f"{amps:.0f}" for amps in sums))
        assert f"{words} A against {allowed:.0f} A: {verdict}" in told, (by_hand, told)
    strings = table.get("circuit", {}).get("strings", {})
    if "record_low_c" in strings:
        page, cold = " ".join(caption(run, "voltages of a string").split()), strings["record_low_c"] - 25
        for count in set(strings["modules"]):
            volts = count * strings["open_circuit_v"] * (1 + strings["open_circuit_percent_per_c"] / 100 * cold)
            assert f"degC {volts:.0f} V against {strings['limit_v']} V" in page
            verdict = "within" if volts <= strings["limit_v"] else "outside"
            assert f"voltages of a string, {count} modules: {verdict}" in page


def check_04(run, name, table):
    if bills := two_bills(name, 0.6):  # where the panel starts
        told = numbers(rf"year costs {USD}, and without an array {USD}\.", caption(run, "without an array"))
        assert told == pytest.approx(bills[::-1], abs=0.02)


def check_06(run, name, table):
    made, used = hours(name)
    pair = r"self-used ([\d,]+) of ([\d,]+) kWh"
    assert numbers(pair, caption(run, "one kWh less")) == [round(np.minimum(made, used).sum()), round(made.sum())]
    if bills := two_bills(name):
        told = numbers(rf"bill is {USD}, with it {USD}\. So {USD} are saved", caption(run, "are saved"))
        assert told == pytest.approx([*bills, bills[0] - bills[1]], abs=0.52)
    outlay = sum(table["costs"].get(key, 0) for key in ("installed", "fees", "roof_and_panelboard_work"))
    told = numbers(rf"outlay {USD} \({USD} per W", caption(run, "outlay"))
    assert told == [outlay, pytest.approx(outlay / rated_kw(table) / 1000, abs=0.0051)]


NUMBERS = {"00": check_00, "01": check_01, "02": check_02, "04": check_04, "06": check_06, "13": check_13}


@pytest.mark.long
@pytest.mark.parametrize(("lesson", "name"), list(chosen()))
def test_a_lesson_of_a_house(lesson, name):
    table, run = toml(name), Run(notebook_of(lesson), HOUSES[name], each=ALL)
    page = notebook_of(lesson).read_text(encoding="utf-8")
    told = sum(map(page.count, ("explore(", "show(pictures", "system_drawing(house")))
    assert len(run.panels) == told > 0 and run.names["house"] == read_house(HOUSES[name])
    assert list(run.faults()) == []
    assert max(len(panel.caption) for _, panel in run.panels) <= LONGEST_CAPTION
    check_starts(lesson, run, table)
    NUMBERS.get(lesson, lambda *_: None)(run, name, table)


# ---------------------------------------------------------------- the report


def texts_of(page):
    """Yield every text of a page, and those that stand for its pictures."""
    page = re.sub(r"<(style|head).*?</\1>", "", page, flags=re.DOTALL)
    yield from re.findall(r'alt="([^"]*)"', page)
    yield from (html.unescape(text).strip() for text in re.split(r"<[^>]*>", page) if text.strip())


@pytest.mark.long
@pytest.mark.parametrize("name", [name for place, name in enumerate(HOUSES) if ALL or place % 3 == 1])
def test_the_report_of_a_house(name):
    house = read_house(HOUSES[name])
    files = [bring(file, house) for file in ("generation-quarter-hours", "meter-registers", "reads-by-hand")]
    made = report.make(house, files, sent_bills(EXAMPLES / "bills-sent.csv"))
    assert len(made.sections) == 9
    assert [(kind, text) for text in texts_of(made.html) for kind in bad_words(text)] == []
    assert len(list(texts_of(made.html))) > 100
