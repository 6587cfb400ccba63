"""The form for a mapping: filled in as far as the file proves, else open, and never written over another."""

import shutil
import tomllib

import pandas as pd
import pytest

from solarlib.files.mapping import QUANTITY_UNITS
from solarlib.files.reading import read
from solarlib.house.flows import EXAMPLES
from solarlib.lessons.own_house.form import AS_SHOWN, LEAVE_OUT, OPEN, Picker

ZONE = "America/New_York"
CHOICES = {  # what a person chooses, so that the form says what the shipped mapping says
    "reads-by-hand": (
        {"date_order": "month first", "zone": ZONE},
        {
            name: {"quantity": quantity, "unit": "kWh", "digits": "5"}
            for name, quantity in {"In": "delivered", "Out": "received", "Array": "generation"}.items()
        },
    ),
    "meter-registers": (
        {"number": "1,234.5", "zone": ZONE},
        {"Register in (kWh)": {"quantity": "delivered"}, "Register out (kWh)": {"quantity": "received"}},
    ),
    "generation-quarter-hours": ({"zone": ZONE, "label": "start"}, {}),
    "sensor-week": ({"label": "start"}, {}),
    "neighbours-by-day": ({"zone": ZONE, "label": "start"}, {name: {"quantity": "neighbour"} for name in "ABCDEFG"}),
}


@pytest.fixture
def form(tmp_path):
    """Make the form for a copy of an example."""

    def make(name):
        shutil.copy(EXAMPLES / f"{name}.csv", tmp_path)
        return Picker(tmp_path / f"{name}.csv", ZONE)

    return make


def choose(picker, name):
    whole, columns = CHOICES[name]
    for key, value in whole.items():
        picker.whole[key].value = value
    for column, part in picker.columns:
        for key, value in columns.get(column, {}).items():
            part[key].value = value


@pytest.mark.parametrize("name", CHOICES)
def test_with_its_choices_the_form_reads_the_file_and_saves_the_mapping(form, name):
    picker = form(name)
    assert bool(picker.still_open) == bool(CHOICES[name][0] or CHOICES[name][1])
    choose(picker, name)
    assert picker.still_open == []
    tomllib.loads(picker.toml)
    answer = picker.read()
    shipped = read(EXAMPLES / f"{name}.csv", EXAMPLES / f"{name}.toml")
    assert f"{shipped.account.rows_read} rows read = {shipped.account.rows_used} used" in answer
    assert picker.save() == f"Saved as {name}.toml, beside the file."
    assert picker.path.with_suffix(".toml").read_text(encoding="utf-8-sig").startswith("form = 1\n")
    own = read(picker.path, picker.path.with_suffix(".toml"))
    if name != "meter-registers":  # there the exchange of the meter must be written by hand
        pd.testing.assert_frame_equal(own.table, shipped.table)
    assert picker.save() == f"{name}.toml holds this mapping."


def test_what_is_open_is_asked_for_and_not_saved(form):
    picker = form("reads-by-hand")
    assert picker.still_open == [
        "order of the date",
        "what In is",
        "what Out is",
        "time zone of the clock",
        "the unit of Array",
    ]
    assert picker.read().startswith("Still to choose: order of the date") and picker.save().startswith(
        "Not saved. Still to choose"
    )
    assert not picker.path.with_suffix(".toml").exists()
    assert "# date_order is still to choose" in picker.toml
    data, _ = picker._repr_mimebundle_()
    assert "Still to choose: order of the date, what In is, what Out is, time zone of the clock" in data["text/plain"]
    for _, part in picker.columns:
        part["quantity"].value = LEAVE_OUT
    picker.whole["date_order"].value = "day first"
    assert picker.still_open == ["time zone of the clock", "what one or more columns are"]


def test_an_order_that_only_later_rows_prove_can_be_left_to_the_file(form):
    picker = form("reads-by-hand")
    choose(picker, "reads-by-hand")
    picker.whole["date_order"].value = AS_SHOWN
    assert picker.still_open == [] and "set date_order" in picker.read()  # no row of this file proves one
    minutes = pd.date_range("2026-01-01", periods=14 * 288, freq="5min")
    rows = "".join(f"{t.month}/{t.day}/{t.year} {t:%H:%M},{number}\n" for number, t in enumerate(minutes))
    picker.path.write_text("Time,Solar (W)\n" + rows, encoding="utf-8")
    later = Picker(picker.path, ZONE)
    assert "order of the date" in later.still_open
    later.whole["zone"].value, later.whole["label"].value = ZONE, "start"
    later.whole["date_order"].value = AS_SHOWN
    assert "dates are read month first" in later.read()


def test_what_has_no_control_stands_in_the_text_as_a_line_to_complete(form):
    picker = form("neighbours-by-day")
    choose(picker, "neighbours-by-day")
    completed = (
        picker.toml.replace("# tilt_deg", "tilt_deg")
        .replace("# azimuth_deg", "azimuth_deg")
        .replace("# multiplier", "multiplier")
    )
    plain, filled = read(picker.path, picker.toml), read(picker.path, completed)
    pd.testing.assert_frame_equal(filled.table, plain.table * 0.2)
    picker = form("sensor-week")
    choose(picker, "sensor-week")
    told = read(picker.path, picker.toml.replace("# multiplier", "multiplier")).table
    pd.testing.assert_series_equal(told["test_load_w"], read(picker.path, picker.toml).table["test_load_w"] * 750)


def test_another_mapping_is_left_as_it_is(form):
    picker = form("generation-quarter-hours")
    choose(picker, "generation-quarter-hours")
    target = picker.path.with_suffix(".toml")
    target.write_text("mine", encoding="utf-8")
    assert "is there already" in picker.save() and target.read_text(encoding="utf-8") == "mine"


def test_a_wrong_choice_is_answered_in_words(form):
    picker = form("sensor-week")
    choose(picker, "sensor-week")
    picker.whole["zone"].value = "Nowhere/At all"
    assert "zone: found 'Nowhere/At all'" in picker.read() and "zone: found" in picker._answer.value
    picker.whole["zone"].value = ZONE
    picker.path.unlink()
    assert "sensor-week.csv" in picker.read()


@pytest.mark.parametrize("quantity", QUANTITY_UNITS)
def test_each_quantity_offers_its_own_units(form, quantity):
    picker = form("sensor-week")
    part = picker.columns[0][1]
    part["quantity"].value = quantity
    assert part["unit"].options == (OPEN, *QUANTITY_UNITS[quantity])
    only = QUANTITY_UNITS[quantity][0] if len(QUANTITY_UNITS[quantity]) == 1 else None
    assert part["unit"].value == (only or ("W" if "W" in QUANTITY_UNITS[quantity] else OPEN))
    picker.close()
