"""The form of a file asks only for what the file leaves open."""

import re
import shutil
import tomllib

import ipywidgets as widgets
import pandas as pd
import pytest

from solarlib.files.mapping import QUANTITY_UNITS
from solarlib.files.proposal import LEAVE_OUT
from solarlib.files.reading import read
from solarlib.house import read_house
from solarlib.house.flows import EXAMPLES
from solarlib.lessons.own_house.form import Form
from solarlib.lessons.own_house.pictures import mapping_form

HOUSE = read_house("two-storey")
FLOWS = ("delivered", "received", "generation")
CHOICES = {  # what a person answers, so that the form says what the shipped mapping says
    "reads-by-hand": {
        ("date_order", None): "month first",
        **{("quantity", number): quantity for number, quantity in enumerate(FLOWS[:2])},
        **{("unit", number): "kWh" for number in range(3)},
    },
    "meter-registers": {("number", None): "1,234.5", ("quantity", 0): "delivered", ("quantity", 1): "received"},
    "generation-quarter-hours": {("label", None): "start"},
    "sensor-week": {("label", None): "start"},
    "neighbours-by-day": {("quantity", number): "neighbour" for number in range(7)},
}


@pytest.fixture
def form(tmp_path):
    """Make the form for a copy of an example."""

    def make(name):
        shutil.copy(EXAMPLES / f"{name}.csv", tmp_path)
        return mapping_form(tmp_path / f"{name}.csv", HOUSE)

    return make


def click(made, name):
    """Press the buttons of the answers, as long as something is asked."""
    for spot, value in CHOICES[name].items():
        made.buttons[spot].value = value


def pressed(box, words):
    """Press the push button with these words."""
    button = next(one for one in walk(box) if isinstance(one, widgets.Button) and one.description == words)
    button.click()


def walk(widget):
    yield widget
    for child in getattr(widget, "children", ()):
        yield from walk(child)


@pytest.mark.parametrize("name", CHOICES)
def test_with_its_answers_the_form_reads_the_file_and_saves_the_mapping(form, name):
    made = form(name)
    assert made.still_open
    click(made, name)
    assert made.still_open == [] and set(made.buttons) == set(CHOICES[name])  # nothing else is asked
    assert not any(isinstance(one, (widgets.Dropdown, widgets.Text)) for one in walk(made.box))
    tomllib.loads(made.proposal.toml)
    pressed(made.box, "Read the file")
    shipped = read(EXAMPLES / f"{name}.csv", EXAMPLES / f"{name}.toml")
    assert f"{shipped.account.rows_read} rows read = {shipped.account.rows_used} used" in made.said
    pressed(made.box, "Save the mapping")
    pressed(made.box, "Save the mapping")  # the same words once more
    assert made.said == f"Saved as {name}.toml, beside the file."
    assert made.path.with_suffix(".toml").read_text(encoding="utf-8-sig").startswith("form = 1\n")
    own = read(made.path, made.path.with_suffix(".toml"))
    if name not in ("meter-registers", "reads-by-hand"):  # exchange and digits must be written by hand
        pd.testing.assert_frame_equal(own.table, shipped.table)


def test_what_is_open_is_asked_for_and_the_reason_is_told(form):
    made = form("reads-by-hand")
    assert made.still_open[:2] == [
        "In which order are day, month and year written, as in 03/01/26?",
        "What does In measure?",
    ]
    assert made.save().startswith("Still to choose") and not made.path.with_suffix(".toml").exists()
    assert made.read().startswith("Still to choose: In which order") and made.said in made.answered.value
    assert "date_order" not in made.proposal.toml
    data, _ = made._repr_mimebundle_()
    assert "Still to choose: In which order" in data["text/plain"]
    assert "its title says so" in made._known.value and "<td>03/01/26</td>" in made._head.value
    for number in range(3):
        made.answer("quantity", number, LEAVE_OUT)
    assert made.answer("date_order", None, "day first").still_open == []
    assert "column" in made.read()  # none is left to be read


def test_every_point_can_be_changed(form):
    made = form("generation-quarter-hours")
    assert set(made.buttons) == {("label", None)}
    pressed(made.box, "Change a point")
    assert {("quantity", 0), ("unit", 0)} <= set(made.buttons)
    made.buttons["quantity", 0].value = "delivered"
    made.buttons["unit", 0].value = "W"
    assert 'quantity = "delivered"' in made.proposal.toml and 'unit = "W"' in made.proposal.toml
    pressed(made.box, "Change a point")
    assert len(made._questions.children) == 3  # the open one, and what was answered


def test_what_has_no_control_stands_in_the_text_as_a_line_to_complete(form):
    made = form("neighbours-by-day")
    click(made, "neighbours-by-day")
    completed = re.sub("# (tilt_deg|azimuth_deg|multiplier)", r"\1", made.proposal.toml)
    plain, filled = read(made.path, made.proposal.toml), read(made.path, completed)
    pd.testing.assert_frame_equal(filled.table, plain.table * 0.2)
    made = form("sensor-week")
    click(made, "sensor-week")
    told = read(made.path, made.proposal.toml.replace("# multiplier", "multiplier")).table
    pd.testing.assert_series_equal(told["test_load_w"], read(made.path, made.proposal.toml).table["test_load_w"] * 750)


def test_another_mapping_is_left_as_it_is(form):
    made = form("generation-quarter-hours")
    click(made, "generation-quarter-hours")
    target = made.path.with_suffix(".toml")
    target.write_text("mine", encoding="utf-8")
    assert "rename it first" in made.save()
    assert target.read_text(encoding="utf-8") == "mine"


def test_a_wrong_zone_is_answered_in_words(form):
    made = Form(form("generation-quarter-hours").path)
    made.answer("label", None, "start")
    assert any("clock" in asked for asked in made.still_open)
    made.buttons["zone", None].value = "Nowhere/At all"
    assert "zone: found 'Nowhere/At all'" in made.read() and "zone: found" in made.answered.value
    made.buttons["zone", None].value = "America/New_York"
    assert "rows read" in made.read()


@pytest.mark.parametrize("quantity", QUANTITY_UNITS)
def test_each_quantity_offers_its_own_units(form, quantity):
    made = form("reads-by-hand").answer("date_order", None, "month first").answer("quantity", 0, quantity)
    point = made.proposal.points["unit", 0]
    assert [value for value, _ in point.answers] == QUANTITY_UNITS[quantity]
    assert (point.value is None) == (len(point.answers) > 1)
