"""The field of a check and the gate of a panel: typed as people do, kept, closed until there is a guess."""

import re

import ipywidgets as widgets
import pytest

from lesson_panels import NOTEBOOKS, fields_of
from solarlib.lessons.tools import answer, check, explore, first_name, slider
from solarlib.lessons.tools.field import own_judge
from solarlib.lessons.tools.figures import line, new_figure, zero_based
from solarlib.lessons.tools.panel import CLOSED, Picture


@pytest.fixture
def folder(tmp_path, monkeypatch):
    monkeypatch.setenv("SOLARLIB_ANSWERS", str(tmp_path / "kept"))
    return tmp_path / "kept"


def sum_of(answer, first=2.4, second=1.2):
    return check.number(answer, first + second, "kWh", 0.01, {first: "This is the first part."})


def season(answer):
    return check.choose(answer, "summer", {"summer": "Yes.", "winter": "Look again."})


def month(answer):
    return check.choose(answer, ["Mar", "Apr"], {m: f"It is {m}." for m in "Jan Feb Mar Apr May Jun Jul Aug".split()})


def both(a=None, b=None):
    return check.Results({"a": sum_of(a), "b": season(b)})


def test_a_number_is_typed_and_judged(folder):
    field = answer(sum_of, 2.4, 1.2)
    assert field.widgets[""].description == "Answer (kWh)" and not field.widgets[""].continuous_update
    assert field.result.right is None and "press Enter" in field._reply.value
    assert field.type("3,6 kWh").result.right is True and "<b>Right.</b>" in field._reply.value
    assert field.type("2.4").result.message == "2.4 kWh: This is the first part."
    assert field.type("2.4 + 1.2").result.right is True
    assert "in figures" in field.type("July").result.message and field.result.right is None
    assert field.type("").result.right is None
    assert sum_of(3.6).right is True  # the same check from code


def test_the_right_reading_of_a_comma_counts(folder):
    assert answer(sum_of, 1.0, 0.234).type("1,234").result.right is True
    assert answer(sum_of, 1000, 234).type("1,234").result.right is True


def test_words_are_chosen_or_typed_by_their_first_letters(folder):
    few, many = answer(season), answer(month)
    assert isinstance(few.widgets[""], widgets.ToggleButtons) and few.type("winter").result.right is False
    assert isinstance(many.widgets[""], widgets.Text) and many.widgets[""].placeholder.startswith("Jan, Feb")
    assert many.type("April").result.right is True and many.type(" mar ").result.right is True
    assert many.type("July").result.right is False
    assert many.type("ju").result.right is None and many.type("Ma").result.right is None
    assert many.type("April and May").result.right is None


def test_parts_are_judged_together_each_with_its_reply(folder):
    field = answer(both, parts="ab")
    assert list(field.widgets) == ["a", "b"] and field.widgets["a"].description == "Answer a (kWh)"
    field.type("3.6")
    assert [row.right for row in field.result.rows.values()] == [True, None]
    field.type(b="summer")
    assert field.result.right == 2 and "border-left:6px" in field._reply.value


def test_what_was_typed_is_there_again_for_the_same_question_only(folder):
    answer(sum_of, 2.4, 1.2).type("3.6")
    again = answer(sum_of, 2.4, 1.2)
    assert again.widgets[""].value == "3.6" and again.result.right is True
    assert answer(sum_of, 2.4, 5.0).widgets[""].value == ""
    (file,) = folder.iterdir()
    (key,) = re.findall(r'"(\w{16})"', file.read_text(encoding="utf-8"))
    for damage in ("", "[]", f'{{"{key}": 3}}', f'{{"{key}": {{"": 3, "b": "4"}}}}', "\x00"):
        file.write_text(damage, encoding="utf-8")
        assert answer(sum_of, 2.4, 1.2).widgets[""].value == ""


def test_a_folder_that_cannot_be_written_breaks_nothing(tmp_path, monkeypatch):
    (tmp_path / "file").write_text("in the way")
    monkeypatch.setenv("SOLARLIB_ANSWERS", str(tmp_path / "file" / "below"))
    assert answer(sum_of, 2.4, 1.2).type("3.6").result.right is True


def test_what_is_stored_and_printed_is_the_empty_field(folder):
    for field in (answer(sum_of, 2.4, 1.2).type("3.6"), answer(both, parts="ab").type("3.6", "summer")):
        data = field._repr_mimebundle_()[0]
        assert "3.6" not in data["text/plain"] + data["text/html"] and "Answer" in data["text/html"]
        assert "____" in data["text/plain"] and "Right" not in data["text/html"]


def test_a_first_name_of_ones_own(folder):
    me = answer(first_name, label="Your first name")
    assert str(me) == "your first name" and "Type your first name" in me.result.message
    assert str(me.type(" Ann ")) == "Ann" == str(answer(first_name)) and "runs again" in me.result.message


def test_a_readers_own_numbers_are_told_of_and_not_judged(folder):
    def tell(house, energy, size, name):
        return f"{house}: {energy} from {size}\n   {name}" if energy and size else "Not filled in yet."

    field = answer(own_judge(tell, energy_of_a_year="kWh", size="kW", name=None), "a<b", label="Your")
    assert [widget.description for widget in field.widgets.values()] == [
        "Your energy of a year (kWh)",
        "Your size (kW)",
        "Your name",
    ]
    assert str(field.result) == "Not filled in yet." and not field.result.right
    field.type("4 MWh", "4 + 1", " mine ")
    assert str(field.result) == "a<b: 4000.0 from 5.0\n   mine" and "Right" not in field._reply.value
    assert "a&lt;b: 4000.0" in field._reply.value and "pre-wrap" in field._reply.value
    assert "in figures" in str(field.type("many").result) and not field.result.right


def picture():
    figure, ax = new_figure()
    zero_based(ax, 10, "power (kW)")
    ax.set_xlim(0, 1)
    (still,) = ax.plot([0, 1], [9, 9])
    curve = line(ax, "pv", [0, 1], [0, 0])

    def update(height):
        curve.set_data([0, 1], [0, height])
        return f"The line ends at {height} kW, as one had to guess."

    return Picture(figure, [curve], update)


def gated():
    guess = check.predict("How high?", {"5 kW": "Yes.", "7 kW": "Less."}, right="5 kW")
    return guess, explore(picture(), after=guess, height=slider("Height", 0, 10, 1, 5, "kW"))


def test_a_panel_shows_axes_only_until_there_is_a_guess(folder):
    guess, panel = gated()
    closed = panel._view.value
    assert CLOSED in closed and "ends at" not in closed
    assert panel.set(height=9)._view.value == closed  # nothing to be seen by moving a control
    guess.buttons.value = "7 kW"
    assert "Your guess: 7 kW" in panel._view.value and "ends at 9 kW" in panel._view.value
    panel.set(height=3)
    assert "Your guess: 7 kW" in panel._view.value and "ends at 3 kW" in panel._view.value


def test_the_empty_picture_is_the_same_whatever_the_data(folder):
    other = picture()
    other.render(height=9)
    assert other.empty() == picture().empty() != picture().render(height=9)[0]
    before = other.render(height=4)[0]
    other.empty()
    assert other.render(height=4)[0] == before


def test_what_is_stored_of_a_closed_panel_folds_the_data_away(folder):
    guess, panel = gated()
    data = panel._repr_mimebundle_()[0]
    guess.buttons.value = "7 kW"
    assert data["text/plain"] == panel.caption and "image/png" not in data
    before, folded = data["text/html"].split("<details>")
    assert CLOSED in before and "ends at" not in before and "ends at 5 kW" in folded
    assert folded.startswith("<summary>After your guess</summary>")


def test_a_guess_is_there_again_and_its_options_stand_in_the_learners_order(folder):
    options = {f"{n} kW": "Look." for n in range(6)}
    orders = set()
    for name in ("Ann", "Bo", "Chi", "Dan"):
        answer(first_name).type(name)
        orders.add(check.predict("Which?", options, right="2 kW").buttons.options)
    assert len(orders) > 1 and all(sorted(order) == sorted(options) for order in orders)
    check.predict("Which?", options, right="2 kW").buttons.value = "4 kW"
    again = check.predict("Which?", options, right="2 kW")
    assert again.buttons.value == "4 kW" and again.reply == "Not so. Look."


SLIPS = [
    "",
    "26.3 kWh",
    "26,3",
    "$1,234",
    "July",
    "twenty six",
    "26 27",
    "0.75 x 4 + 1",
    "WINTER",
    "(3",
    "3 apples",
    "½",
]


@pytest.mark.slow
@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_slips_in_every_field_of_every_lesson_get_an_answer(path, folder):
    fields = fields_of(path)
    assert len(fields) >= 3
    for cell, field in fields:
        for slip in SLIPS:
            field.type(*[slip] * len(field.widgets))
            said = str(field.result)
            assert said.strip() and "Error" not in said, f"cell {cell}, {slip!r}: {said}"
        field.type(*[""] * len(field.widgets))
        assert not field.result.right, f"cell {cell}: still right when empty"
