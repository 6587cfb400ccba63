"""Roof, shade, converter, circuit: pictures show what the rooms compute, checks judge, words approve nothing."""

import re
from dataclasses import replace

import numpy as np
import pytest
from made_circuits import UNLIKE, branch_holds, house_table, joint_holds, made, rise_share

import lesson_panels
from profiles import examples
from solarlib.house.file import HOUSE_FOLDER, house_from_table, read_house
from solarlib.house.year import weather
from solarlib.lessons.roof_circuit import (
    pictures as roof_circuit,
    plan as roof_circuit_plan,
    questions as roof_circuit_checks,
    wires as roof_circuit_wires,
)
from solarlib.lessons.tools import explore, own_slider, slider
from solarlib.quantities import counted, energy_kwh
from solarlib.roof.array import array_power
from solarlib.roof.circuits import ENGINEER, OUTSIDE, WITHIN, check_branch, check_busbar
from solarlib.roof.layout import RoofPlane, fit_modules
from solarlib.roof.loads import velocity_pressure
from solarlib.roof.obstacles import Obstacle, usual_layout
from solarlib.roof.parts import Plane
from solarlib.roof.shade import shade_hours, year_loss
from solarlib.roof.wiring import branch_sum, circuit_sums, joint_sum
from solarlib.schema import read_toml

NAMES = sorted(file.stem for file in HOUSE_FOLDER.glob("*.toml"))


@pytest.fixture(params=NAMES)
def house(request):
    return read_house(request.param)


@pytest.fixture
def two_storey():
    return read_house("two-storey")


def lengths(container, way="height"):
    return np.array([getattr(bar, f"get_{way}")() for bar in container])


# ---------------------------------------------------------------- part 1


def test_roof_picture_shows_both_roofs(house):
    picture, start = roof_circuit.roof_picture(house), roof_circuit.start_values(house)
    caption = picture.update(tilt=start.tilt, azimuth=start.azimuth, distance=1.6)
    pitched, trays = picture.figure.axes[0].containers
    plane = Plane(house.system.module_count, start.tilt, start.azimuth, "roof")
    year = array_power(weather(house), house.place, replace(house.system, planes=(plane,)))["ac_power_w"]
    assert lengths(pitched) == pytest.approx(energy_kwh(year).groupby(year.index.month).sum().to_numpy())
    table = roof_circuit.roof_table(house)
    (of_pitched, dark_pitched), (of_trays, dark_trays) = table.to_numpy()
    gap, side = re.search(r"the trays make ([\d,]+) kWh (less|more)", caption).groups()
    gap = int(gap.replace(",", "")) * {"less": 1, "more": -1}[side]
    assert abs(gap - (dark_pitched - dark_trays)) <= 1  # the table rounds each
    assert f"it is {lengths(trays).sum():,.0f} against {energy_kwh(year).sum():,.0f} kWh." in caption
    assert (of_pitched, of_trays) == (round(lengths(pitched).sum()), round(lengths(trays).sum()))


def test_flat_trays_give_less_of_their_year_in_the_dark_half(house):
    table = roof_circuit.roof_table(house)
    pitched, trays = table.iloc[:, 1] / table["year_kwh"]
    assert trays < pitched
    dark = "Oct_Mar" if house.place.latitude >= 0 else "Apr_Sep"
    assert table.columns[1].startswith(dark)


def test_rows_farther_apart_lose_less_and_never_gain(house):
    losses = [roof_circuit.row_loss(house, distance) for distance in (1.2, 2.0)]
    assert 0 <= losses[1] < losses[0] < 0.25
    open_kwh = energy_kwh(roof_circuit.roof_year(house, 10, roof_circuit.noon_side(house.place), "tray")).sum()
    near, far = (energy_kwh(roof_circuit.tray_year(house, distance)).sum() for distance in (1.2, 2.0))
    assert near < far <= open_kwh


def test_noon_of_the_shortest_day_stands_low(house, monkeypatch):
    _, height = roof_circuit.winter_noon(house)
    assert 1 <= height < 90 - abs(house.place.latitude)
    sky = weather(house)
    monkeypatch.setattr(roof_circuit, "weather", lambda _: sky)  # only its time zone is asked for
    polar = replace(house, place=replace(house.place, latitude=80.0 * np.sign(house.place.latitude)))
    assert roof_circuit.winter_noon(polar)[1] == 1.0


@pytest.mark.parametrize(
    "along, up, strip, chimney", [(10, 6, 0.5, False), (10, 6, 0.5, True), (14, 8, 0.0, True), (4, 2.5, 0.1, False)]
)
def test_plan_words_tell_the_modules_that_fit(house, along, up, strip, chimney):
    words = roof_circuit_plan.plan_words(house, along, up, strip, chimney)
    room = ((along / 2 - 0.5, 0.65 * up - 0.5, along / 2 + 0.5, 0.65 * up + 0.5),) if chimney else ()
    plane = RoofPlane(along, up, strip, strip, strip, strip, room)
    counts = [fit_modules(plane, 1.73, 1.08, upright, 0.02).count for upright in (True, False)]
    power = max(counts) * house.system.module.rated_power_w / 1000
    assert f"{counts[0]} modules upright, {counts[1]} sideways" in words and f"are {power:.1f} kW" in words
    area = (along - 2 * strip) * (up - 2 * strip) - len(room)
    assert words.endswith(f"it would be {int(area / (1.73 * 1.08))}.")


def test_roof_without_room_gets_a_sentence(house):
    words = roof_circuit_plan.plan_words(house, along=4, up=2, strip=1.0, chimney=True)
    assert "no module of 1.73 m × 1.08 m has room" in words


def test_free_area_takes_off_the_part_of_the_chimney_inside_the_strips():
    assert roof_circuit_plan.free_area_m2(roof_circuit_plan.roof_plane(10, 6, 0.5, True)) == pytest.approx(44)
    assert roof_circuit_plan.free_area_m2(roof_circuit_plan.roof_plane(4, 2, 0.5, True)) == pytest.approx(
        3 - 0.7
    )  # 0.8 to 1.5 m
    assert roof_circuit_plan.free_area_m2(roof_circuit_plan.roof_plane(4, 2, 1.0, True)) == 0


def test_prediction_of_the_count_names_what_the_sums_give():
    plane = roof_circuit_plan.roof_plane(10, 6, 0.5)
    upright, sideways = (fit_modules(plane, 1.73, 1.08, way).count for way in (True, False))
    numbers = [int(option.split(":")[0]) for option in roof_circuit_checks.ASK.predict("fit").options]
    assert numbers == [int(60 / (1.73 * 1.08)), int(45 / (1.73 * 1.08)), sideways, upright]
    assert (roof_circuit_plan.LONG_M, roof_circuit_plan.SHORT_M) == pytest.approx((1.73, 1.08))


# ---------------------------------------------------------------- part 2


def test_shade_picture_shows_the_three_numbers(house):
    picture, plane = roof_circuit.shade_picture(house), house.system.largest_plane
    caption = picture.update(aside=30, width=40, height=30)
    wall = Obstacle(
        ((plane.surface_azimuth + 10, 30), (plane.surface_azimuth + 50, 30)), roof_circuit.shade_distance(house)
    )
    system = replace(house.system, planes=(plane,))
    whole = year_loss(shade_hours(weather(house), house.place, system, ((wall,),)))
    bars = [container[0].get_width() for container in picture.figure.axes[1].containers]
    expected = [100 * whole.light_lost, 100 * whole.module_loss, 100 * whole.string_loss]
    assert bars == pytest.approx(expected, abs=0.02)
    assert all(f"{value:.1f} %" in caption for value in bars) and bars[2] >= bars[1]


def test_prediction_of_shade_holds_in_every_trial(house):
    for aside, width, height in ((30, 40, 30), (0, 60, 40), (-60, 90, 30)):
        loss = roof_circuit.shade_loss(house, aside, width, height)
        assert 0 <= loss.benefit < 0.5 * loss.string_loss  # "a smaller part of it"
        assert loss.light_lost <= loss.module_loss <= loss.string_loss


def test_wall_stands_outside_the_array_of_any_size(house):
    for count in (1, 2, 7, 40, 120):
        big = replace(house, system=replace(house.system, planes=(Plane(count, 30, 180),)))
        layout = usual_layout(count)
        assert (
            roof_circuit.shade_distance(big)
            > np.hypot(layout.columns * layout.width_m, layout.rows * layout.length_m) / 2
        )


# ---------------------------------------------------------------- part 3


def test_choice_picture_shows_the_losses(house):
    picture = roof_circuit_wires.choice_picture(house)
    caption = picture.update(share=60, turn=180, days=73)
    bars = [container[0].get_width() for container in picture.figure.axes[0].containers]
    losses = roof_circuit_wires.choice_losses(house, 60, 180, 73)
    assert bars == pytest.approx([100 * value for pair in losses.values() for value in pair])
    assert losses["one failure"] == pytest.approx((0.2 / house.system.module_count, 0.2))
    assert losses["limit"][1] <= losses["limit"][0]  # halves that peak at different hours share one limit
    more = [100 * abs(losses[name][1] - losses[name][0]) for name in ("directions", "one failure", "limit")]
    assert (
        "{:.1f} % more of the year by the directions and {:.1f} % more by the failure, but {:.1f} %".format(*more)
        in caption
    )
    assert ("Left out: shade" in caption) == house.system.shaded


def test_predictions_of_the_choice_hold(house):
    straight, turned = (roof_circuit_wires.choice_losses(house, 85, turn, 0) for turn in (0, 90))
    assert straight["directions"] == (0.0, pytest.approx(0.0, abs=1e-3))
    assert turned["directions"][1] > 0.01
    assert straight["limit"][0] == pytest.approx(straight["limit"][1], abs=1e-9)


# ---------------------------------------------------------------- part 4


@pytest.fixture(params=UNLIKE)
def unlike(request):
    return request.param, UNLIKE[request.param], house_from_table(UNLIKE[request.param])


def findings(house, **change):
    """Return the sums of one branch and of where it meets the house, for other values of the house file."""
    circuit, branch, array = roof_circuit_wires.changed(house, **change)
    return branch_sum(circuit, branch), joint_sum(circuit, array)


def lines_of(table):
    """Return [(converters, W, A or None)] of each branch of a house file, by hand; all on one where none is told."""
    made, told = table["converter"], table["circuit"].get("branch", [])
    many = table["plane"][0]["module_count"] if made["kind"] == "per module" else 1
    branches = [(one["converters"], one.get("output_w", made["ac_limit_w"]), one.get("current_a")) for one in told]
    volts = table["circuit"].get("voltage_v")
    return branches or [(many, made["ac_limit_w"], volts and made["ac_limit_w"] / volts)]


def check_words(table, caption, page):
    """Check every number and verdict of caption and page against the house file, summed by hand."""
    told, lines = table["circuit"], lines_of(table)
    count, watts, amps = max(lines, key=lambda one: one[0] * one[1])
    assert caption.startswith(f"{count} × {watts:g} W = {count * watts / 1000:.1f} kW")
    if amps:
        assert f": {count * amps:.1f} A, × " in caption
    else:
        assert not re.search(r"[0-9] A", caption)
    array = table["plane"][0]["module_count"] if table["converter"]["kind"] == "per module" else 1
    assert f"{counted(array, 'converter')} of {table['converter']['ac_limit_w']:g} W" in page
    if "voltage_v" in told:
        assert f"service: {told['system']}, {told['voltage_v']} V" in page
    else:
        assert "service: not known, not known" in page
    if "main_a" in told and "each" in told["joined"] and told.get("rule") != "IEC" and all(line[2] for line in lines):
        both = told["main_a"] + 1.25 * sum(n * a for n, _, a in lines)
        assert f"= {both:.2f} A" in page or told.get("rule", "").endswith("breakers")
    for verdict in (WITHIN, OUTSIDE, "not decided here"):
        assert (verdict in caption) <= (verdict in page)


def test_every_start_and_page_holds_what_the_house_file_tells(unlike):
    name, table, house = unlike
    words = roof_circuit_wires.circuit_words(house)
    page = " ".join(roof_circuit_wires.question_list(circuit_sums(house.circuit, house.system), house).split())
    check_words(table, words, page)
    assert {
        "forty-eight": "Busbar with 4 other branches, 192 or 200 A against 150 A: outside this check.",
        "balcony": "Connection to the house, 20 A against 21 A: within this check.",
        "three-phase": "Busbar, 83 A against 125 A: within this check.",
        "two strings": "Busbar, 215 A against 240 A: within this check.",
        "carport": "Busbar with 2 other branches, 140 A against 150 A: within this check.",
        "supply side": "Connection to the house with 3 other branches, 70 A against 200 A: within this check.",
        "nothing told": "Connection to the house: not decided here (unknown: joined, system, voltage_v).",
    }[name] in words


def test_random_house_files_keep_their_numbers():
    rng = np.random.default_rng(7)
    for seed in range(examples(60)):
        *array, circuit = made(seed)
        table = house_table(*array, circuit, tilt=round(rng.uniform(0, 90), 1), azimuth=round(rng.uniform(0, 359), 1))
        house = house_from_table(table)
        start = roof_circuit.start_values(house)
        assert (start.tilt, start.azimuth) == (table["plane"][0]["tilt_deg"], table["plane"][0]["azimuth_deg"])
        for name, value, ends in (("tilt", start.tilt, (15, 60, 5)), ("azimuth", start.azimuth, (0, 355, 5))):
            control = own_slider(name, *ends, value)
            assert control.value == pytest.approx(value) and control.make().value == pytest.approx(value)
        branch = max(circuit["branch"], key=lambda one: one["converters"] * one["output_w"])
        caption = roof_circuit_wires.circuit_words(house)
        assert caption.startswith(f"{branch['converters']} × {branch['output_w']:g} W = ")
        assert f" with a {branch['breaker_a']:g} A breaker" in caption
        chain, met = findings(house)
        assert [one.verdict for one in (chain, met)] == [
            WITHIN if branch_holds(branch, circuit) else OUTSIDE,
            WITHIN if joint_holds(circuit) else OUTSIDE,
        ], (seed, caption)
        assert f"{chain.verdict}. " in caption and caption.endswith(f"{met.verdict}.")
        page = [(one.check.split(",")[0], one.verdict) for one in circuit_sums(house.circuit, house.system)]
        assert (met.check.split(",")[0], met.verdict) in page


@pytest.mark.parametrize("key", ["system", "joined", "main_a", "busbar_a", "far_end"])
def test_what_the_file_leaves_out_reaches_no_verdict(key):
    table = house_table(15, "per module", 366, dict(read_toml(HOUSE_FOLDER / "two-storey.toml")["circuit"]))
    assert "within this check." in roof_circuit_wires.circuit_words(house_from_table(table))
    del table["circuit"][key]
    house = house_from_table(table)
    caption = roof_circuit_wires.circuit_words(house)
    assert "within" not in caption and "not decided here" in caption
    found = [
        one for one in circuit_sums(house.circuit, house.system) if "busbar" in one.check or "connect" in one.check
    ]
    assert [one.verdict.split(":")[0] for one in found] == ["not decided here"]


def test_circuit_words_are_the_findings_in_the_librarys_words(two_storey):
    for units, breaker, main, bus in ((14, 20, 100, 100), (10, 20, 100, 125), (4, 15, 200, 225)):
        change = {"converters": units, "breaker_a": breaker, "main_a": main, "busbar_a": bus}
        words = roof_circuit_wires.circuit_words(two_storey, **change)
        chain = check_branch(units, 1.53, breaker)
        met = check_busbar([1.53] * (units + 5), main, bus, [breaker, 20])  # the other branch of the house has five
        ends = f"{met['by_current_a']:.0f} or {met['by_breaker_a']:.0f} A against {1.2 * bus:.0f} A"
        assert f"× 1.25 = {chain['needed_a']:.1f} A. Branch with a {breaker} A breaker" in words
        assert f"): {chain.verdict.partition(': ask')[0]}. Busbar with 1 other branch, {ends}: " in words
        assert words.endswith(f"{met.verdict.partition(': ask')[0]}.")


def test_a_current_told_for_another_output_counts_in_proportion(two_storey):
    chain, _ = findings(two_storey, converters=16, output_w=250.0)
    assert roof_circuit_wires.own_branch(two_storey).current_a == 1.53
    assert chain["needed_a"] == pytest.approx(1.25 * 16 * 1.53 * 250 / 366)


def test_the_trap_of_the_prediction(two_storey):
    small = {"main_a": 100, "busbar_a": 100}
    chain, _ = findings(two_storey, converters=16, output_w=250.0, breaker_a=20, **small)
    assert chain.verdict == OUTSIDE and chain["units_by_breaker"] == 15
    twelve = {"converters": 12, "output_w": 300.0}
    chain, met = findings(two_storey, **twelve, breaker_a=20, main_a=100, busbar_a=125)
    assert chain.verdict.startswith("not decided here: ask") and met.verdict == WITHIN
    assert findings(two_storey, **twelve, breaker_a=20, **small)[1].verdict == OUTSIDE
    assert findings(two_storey, **twelve, breaker_a=15, **small)[0].verdict == OUTSIDE


def test_no_branch_is_within_without_the_listing_of_its_cable(two_storey):
    for units in range(2, 25):
        chain, _ = findings(two_storey, converters=units, output_w=250.0, breaker_a=20)
        assert chain.verdict != WITHIN


@pytest.mark.parametrize("name", ["two-storey", "southern", "carport", "three-phase"])
def test_rise_in_words_is_what_a_sum_piece_by_piece_finds(name):
    house = house_from_table(UNLIKE[name]) if name in UNLIKE else read_house(name)
    own, supply = roof_circuit_wires.own_branch(house), vars(house.circuit)
    for change in ({}, {"run_m": 40.0}, {"run_m": 40.0, "run": "6 AWG copper"}, {"run_m": 40.0, "fed_at": "middle"}):
        told, words = vars(replace(own, **change)), roof_circuit_wires.rise_of(house, **change)
        unknown = [key for key in ("run_m", "run", "spacing_m", "trunk", "fed_at") if told[key] is None]
        if own.converters > 1 and unknown:
            assert words == f"not decided here (unknown: {', '.join(unknown)})"
            continue
        share = 100 * rise_share(told, supply)
        assert float(re.search(r"([0-9.]+) %", words)[1]) == pytest.approx(share, rel=2e-3, abs=0.006)
        assert words.endswith(WITHIN if share <= 2 else OUTSIDE), (change, words)
    without = replace(house, circuit=replace(house.circuit, voltage_v=None))
    assert "not decided here (unknown: " in roof_circuit_wires.rise_of(without) and "voltage_v" in (
        roof_circuit_wires.rise_of(without)
    )


def test_page_to_take_along_asks_everybody_and_approves_nothing(unlike):
    _, _, house = unlike
    sums = circuit_sums(house.circuit, house.system)
    page = roof_circuit_wires.question_list([*sums, velocity_pressure(51)], house)
    words = " ".join(page.split())
    for whom, questions in roof_circuit_wires.whom_to_ask().items():
        assert f"Ask {whom}:" in words and all(" ".join(text.split()) in words for text in questions.values())
    assert f"not decided here: ask {ENGINEER}" in words
    for one in sums:
        assert f"{one.check}: {one.verdict} {one.reason}" in words
    for refused in ("approved", "compliant", "safe", "✓", "OK"):
        assert refused not in page
    assert max(map(len, page.splitlines())) <= 130


@pytest.mark.parametrize("name", UNLIKE)
def test_other_values_of_the_circuit_give_sentences_for_unlike_houses(name):
    house = house_from_table(UNLIKE[name])
    for change in (
        {"converters": 1},
        {"converters": 24, "output_w": 480.0},
        {"breaker_a": 32, "main_a": 63, "busbar_a": 63},
        {"breaker_a": None, "main_a": None},
        {"conductor_a": 16, "service_a": 100},
    ):
        words = roof_circuit_wires.circuit_words(house, **change)
        assert 20 <= len(words) <= 250, words
        assert not {"nan", "None", "inf"} & set(words.replace(",", " ").split())


@pytest.mark.long
@pytest.mark.parametrize("name", UNLIKE)
def test_the_whole_lesson_runs_for_unlike_houses(name, tmp_path, monkeypatch):
    """Every cell of both notebooks, with another house in place of the scenario."""
    house = house_from_table(UNLIKE[name])
    monkeypatch.setattr("solarlib.house.read_house", lambda _: house)
    units = [path for path in lesson_panels.NOTEBOOKS if path.name[:2] in ("03", "13")]
    found = [panel for path in units for panel in lesson_panels.panels_of(path)]
    assert len(found) >= 3 and all(panel.error is None for _, panel in found)


def test_questions_name_somebody_to_ask():
    asked = roof_circuit_wires.whom_to_ask()
    topics = [topic for questions in asked.values() for topic in questions]
    assert len(set(topics)) == len(topics) >= 15 and ENGINEER in asked
    assert all(text.endswith("?") for questions in asked.values() for text in questions.values())
    assert {"rapid shutdown", "ballast or attachments", "roof strength", "grounding"} <= set(topics)
    for refused in ("approved", "compliant", "safe", "certified", "guaranteed"):
        assert not any(refused in text for questions in asked.values() for text in questions.values())


def test_pictures_of_small_and_large_arrays_give_sentences(two_storey):
    for count in (1, 60):
        house = replace(two_storey, system=replace(two_storey.system, planes=(Plane(count, 10, 90, "tray"),)))
        panel = explore(
            roof_circuit.shade_picture(house),
            aside=slider("Aside", -90, 90, 10, 0),
            width=slider("Width", 10, 90, 10, 90),
            height=slider("Height", 5, 45, 5, 45),
        )
        assert panel.error is None and "The choice decides" in panel.caption
        assert "The row in front takes" in roof_circuit.roof_picture(house).update(tilt=15, azimuth=0, distance=1.2)


# ---------------------------------------------------------------- checks


def by_the_formula(mine, strip=0.5):
    """Return the modules (upright, sideways) by the formula of the lesson: whole ones in a row, times whole rows."""
    along, up = mine.eave - 2 * strip, mine.slope - 2 * strip
    row = [
        int((length + 0.02) / (side + 0.02) + 1e-9)
        for length, side in ((along, 1.08), (up, 1.73), (along, 1.73), (up, 1.08))
    ]
    return row[0] * row[1], row[2] * row[3]


def right_answers(mine):
    return {
        roof_circuit_checks.check_fit: max(by_the_formula(mine)),
        roof_circuit_checks.check_dark: mine.pitched * mine.pitched_dark / 100 - mine.trays * mine.trays_dark / 100,
        roof_circuit_checks.check_benefit: mine.string - mine.module,
        roof_circuit_checks.check_premium: mine.premium / mine.one_percent,
        roof_circuit_checks.check_units: int((20 if mine.metric else 16) / mine.current),
    }


@pytest.mark.parametrize("name", ["two-storey", "southern"])
def test_checks_are_well_formed_for_many_learners(name):
    verdicts, house = set(), read_house(name)
    for word in range(300):
        mine = roof_circuit_checks.numbers(f"learner {word}", house)
        assert mine.light < mine.module < mine.string and mine.trays < mine.pitched
        for judge, answer in right_answers(mine).items():
            assert answer > 0 and judge(answer, mine).right is True
            assert judge(None, mine).right is None and judge(..., mine).right is None
        verdict = roof_circuit_checks.busbar_of(mine).verdict.partition(": ask")[0]
        verdicts.add(verdict)
        amps = mine.current * mine.units
        if mine.metric:  # 230 V, one breaker of 20, 25 or 32 A, main and it within the busbar
            fed = 20 if amps <= 20 else 25 if amps <= 25 else 32
            assert mine.current == round(mine.unit / 230, 2) and mine.bus > mine.main
            assert verdict == (WITHIN if mine.main + fed <= mine.bus else OUTSIDE)
        assert roof_circuit_checks.check_busbar_room(verdict, mine).right is True
    assert {WITHIN, OUTSIDE} <= verdicts


@pytest.mark.parametrize(
    "judge, slip, hint",
    [
        (roof_circuit_checks.check_dark, lambda m: m.pitched - m.trays, "whole year"),
        (roof_circuit_checks.check_dark, lambda m: m.trays * m.trays_dark / 100, "trays alone"),
        (roof_circuit_checks.check_fit, lambda m: int(m.eave * m.slope / (1.73 * 1.08)), "strips included"),
        (roof_circuit_checks.check_fit, lambda m: int((m.eave - 1) * (m.slope - 1) / (1.73 * 1.08)), "counts pieces"),
        (roof_circuit_checks.check_fit, lambda m: max(by_the_formula(m, 0)), "on both sides"),
        (roof_circuit_checks.check_fit, lambda m: min(by_the_formula(m)), "Turn the modules"),
        (roof_circuit_checks.check_benefit, lambda m: m.string, "whole loss"),
        (roof_circuit_checks.check_benefit, lambda m: m.string - m.light, "compared with the light"),
        (roof_circuit_checks.check_premium, lambda m: m.one_percent / m.premium, "upside down"),
        (roof_circuit_checks.check_premium, lambda m: m.premium - m.one_percent, "Divide"),
        (roof_circuit_checks.check_units, lambda m: int(20 / m.current), "16 A"),
        (roof_circuit_checks.check_units, lambda m: int(25 / m.current), "do not multiply"),
    ],
)
def test_slips_are_named(judge, slip, hint):
    mine = roof_circuit_checks.numbers("Robin", read_house("two-storey"))
    found = judge(slip(mine), mine)
    assert found.right is False and hint in found.message


def test_words_of_the_checks():
    mine = roof_circuit_checks.numbers("Robin", read_house("two-storey"))
    assert roof_circuit_checks.check_cure("a second tracker").right is True
    assert roof_circuit_checks.check_cure("more modules").right is False
    wrong = {"within this check", "outside this check", "not decided here"} - {
        roof_circuit_checks.busbar_of(mine).verdict.partition(": ask")[0]
    }
    for word in wrong:
        found = roof_circuit_checks.check_busbar_room(word, mine)
        assert found.right is False and " A" not in found.message  # the sums are the learner's


@pytest.mark.parametrize("name", ["roof", "fit", "shade", "choice", "branch"])
def test_each_prediction_has_one_right_answer_and_own_replies(name):
    question, replies = roof_circuit_checks.ASK.predict(name), []
    for option in question.options:
        question.buttons.value = option
        replies.append(question.reply)
    assert sum(reply.startswith("That is right.") for reply in replies) == 1
    assert len(set(replies)) == len(replies) >= 4
