"""The drawing of the system: each unit has its own, its words do not touch, and its sentences name what is heavy."""

import itertools
import re
from dataclasses import replace
from pathlib import Path

import pytest

from solarlib.house import read_house
from solarlib.lessons.tools import system_drawing
from solarlib.lessons.tools.drawing import DRAWING, QUIET
from solarlib.lessons.tools.figures import BACKGROUND, INK

NOTEBOOKS = Path(__file__).resolve().parents[3] / "notebooks"
NAMES = {  # how a sentence may call a part
    "light": "light",
    "array": "array",
    "dc": "wire down",
    "converter": "converter",
    "ac": "its line",
    "panelboard": "panelboard",
    "test_load": "test load|all that uses|Switch",
    "other_loads": "loads|all that uses",
    "supply": "line",
    "clamp": "clamp",
    "meter": "meter",
    "reading": "dotted line",
    "book": "book",
}


@pytest.fixture(scope="module", params=DRAWING["units"])
def drawn(request):
    unit = request.param
    panel = system_drawing(read_house("two-storey"), unit)
    return DRAWING["units"][unit], panel


def test_words_stay_apart_and_in_the_frame(drawn):
    figure = drawn[1].picture.figure
    places = [(text.get_text(), text.get_window_extent()) for text in figure.axes[0].texts]
    assert len(places) >= 12
    for text, box in places:
        assert figure.bbox.x0 <= box.x0 and box.x1 <= figure.bbox.x1, text
    for (text, box), (other, near) in itertools.combinations(places, 2):
        assert not box.overlaps(near), (text, other)


def test_the_sentences_name_each_heavy_part_and_where_to_read(drawn):
    about, panel = drawn
    found = re.search("In heavy lines today: (.*)", panel.caption).group(1)
    if "my own" not in str(about) and len(about["lit"]) < 4:
        assert [part for part in about["lit"] if not re.search(NAMES[part], found)] == []
    digits = [DRAWING["places"][place][0] for place in about.get("places", ())]
    shown = [text.get_text() for text in panel.picture.figure.axes[0].texts]
    assert [digit for digit in "1234" if digit in shown] == digits
    assert ("+" in shown) == about.get("sign", False)


def test_only_weight_tells_heavy_from_quiet(drawn):
    axes = drawn[1].picture.figure.axes[0]
    assert {line.get_color() for line in axes.lines} == {INK, QUIET}
    assert {text.get_color() for text in axes.texts} == {INK}
    filled = {patch.get_facecolor()[:3] for patch in axes.patches if patch.get_fill()}
    assert all(len(set(colour)) == 1 for colour in filled)  # grey from black to white
    assert BACKGROUND == "#FFFFFF"


def test_its_numbers_are_those_of_the_house():
    house = read_house("cabin")
    shown = [text.get_text() for text in system_drawing(house, "saving").picture.figure.axes[0].texts]
    assert f"test load, {house.meter.test_load_w:g} W" in shown
    assert any(f"{house.system.rated_power_w / 1000:g} kW" in text for text in shown)
    assert shown.count("0" * house.meter.digits) == 2


def test_each_page_has_the_drawing_of_its_unit_and_asks_for_one_line():
    pages = [path.read_text(encoding="utf-8") for path in sorted(NOTEBOOKS.glob("[0-9]*.ipynb"))]
    drawn = [re.findall(r'system_drawing\(house, \\"(.*?)\\"\)', page) for page in pages]
    asked = [re.findall(r'answer\(decision, \\"(.*?)\\"', page) for page in pages]
    assert drawn == asked and sorted(sum(drawn, [])) == sorted(DRAWING["units"])
    assert all(about["household"].startswith("The Weavers wrote: ") for about in DRAWING["units"].values())


def test_eight_digits_fit_their_window():
    house = read_house("two-storey")
    house = replace(house, meter=replace(house.meter, digits=8))
    axes = system_drawing(house, "two registers").picture.figure.axes[0]
    (left, _), (right, _) = axes.transData.transform([(612, 298), (708, 298)])
    windows = [text.get_window_extent() for text in axes.texts if text.get_text() == "00000000"]
    assert len(windows) == 2 and all(left < box.x0 and box.x1 < right for box in windows)
