"""A house whose file tells of shade: a lesson that shows its yield shows the shade, or says that it leaves it out."""

import re
from dataclasses import replace

import pytest
from made_roofs import BEECH, CHIMNEY, table

from solarlib.house.file import house_from_table, read_house
from solarlib.house.flows import bring
from solarlib.house.records import days_of
from solarlib.house.year import shade_share, weather
from solarlib.lessons.array_yield import pictures as array_yield, questions as array_yield_questions
from solarlib.lessons.own_house.report import health
from solarlib.lessons.roof_circuit import pictures as roof_circuit
from solarlib.lessons.start.pictures import facts
from solarlib.roof.array import loss_steps
from solarlib.roof.shade import shade_hours, year_loss


@pytest.fixture(scope="module")
def house():
    return house_from_table(table(CHIMNEY, BEECH))


def test_the_stair_has_a_step_for_shade_where_there_is_shade(house):
    own = array_yield.start_values(house)
    start = {name: getattr(own, name) for name in ("coefficient", "dirt", "age", "limit")}
    for one, rows in ((house, 1), (read_house("two-storey"), 0)):
        picture = array_yield.stair_picture(one)
        picture.update(**start)
        names = [text.get_text() for text in picture.figure.axes[0].get_yticklabels()]
        assert names.count("shade") == rows
    picture = array_yield.stair_picture(house)
    picture.update(**start)
    steps = loss_steps(weather(house), house.place, house.system).set_index("step")["change_kwh"]
    box = [container[0] for container in picture.figure.axes[0].containers][names.index("heat") + 1]
    assert box.get_width() == pytest.approx(-steps["shade"], rel=1e-6) and box.get_width() > 100
    assert array_yield.largest_step(house) == "heat"
    assert array_yield_questions.predict_step(house) is not None


def test_pictures_that_leave_the_shade_out_say_so(house):
    own = array_yield.start_values(house)
    month = dict(tilt=27, azimuth=200, dirt=own.dirt, age=0)
    words = "Left out: shade."
    assert words in array_yield.month_picture(house).update(**month)
    assert words not in array_yield.month_picture(read_house("two-storey")).update(**month)
    roofs = roof_circuit.roof_picture(house).update(tilt=27, azimuth=200, distance=1.6)
    assert roofs.endswith(words)


def test_the_shade_picture_names_the_houses_own_obstacles_with_their_numbers(house):
    picture = roof_circuit.shade_picture(house)
    caption = picture.update(aside=30, width=40, height=30)
    plane = house.system.largest_plane
    alone = replace(house.system, planes=(plane,))
    own = year_loss(shade_hours(weather(house), house.place, alone, (plane.obstacles,)))
    said = r"Left out: chimney, beech \(dotted\); they take ([\d.]+), ([\d.]+), ([\d.]+) %"
    told = re.search(said, caption)
    assert [float(value) for value in told.groups()] == pytest.approx(
        [100 * own.light_lost, 100 * own.module_loss, 100 * own.string_loss], abs=0.051
    )
    dotted = [line for line in picture.figure.axes[0].lines if line.get_linestyle() == ":"]
    assert any(abs(line.get_xdata() - 15).min() < 3 and line.get_ydata().max() > 21 for line in dotted)


def test_facts_and_report_tell_the_shade(house):
    assert facts(house).loc["plane 1"].iloc[0].endswith("shaded by chimney, beech")
    assert "shaded" not in facts(read_house("two-storey")).loc["plane 1"].iloc[0]
    lost = health("x", (), house, None, days_of([bring("generation-quarter-hours", house)])).lines
    assert any(f"{shade_share(house):.1%} of its energy" in line for line in lost)
