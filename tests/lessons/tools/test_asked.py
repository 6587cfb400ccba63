"""Questions read from a file: the same replies as from Python, every fault of the file told in words."""

import ast
import json
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from solarlib.lessons.tools import check
from solarlib.lessons.tools.asked import questions_beside, read_questions
from solarlib.quantities import InputError

ROOT = Path(__file__).resolve().parents[3]
LESSONS = ROOT / "solarlib" / "lessons"

FILE = """
[fold]
ask = "What is shown?"
right = "south"
[fold.options]
"north" = "No: <b>."
"south" = "Yes."

[load]
ask = "A load of {load_w:.0f} W starts. What is shown?"
[load.options]
"{load_w:.0f} W" = "From {before} W on."
"nothing" = "Look again."

[sum]
unit = "kWh"
tolerance = 0.1
[sum.slips]
first = "This is the first part only."
second = "This is the second part only, of {days} days."

[bare]
unit = ""

[why]
right = "the weather"
[why.replies]
"the weather" = "Yes."
"chance" = "No."
"""


@pytest.fixture
def written(tmp_path):
    def write(text):
        (tmp_path / "questions.toml").write_text(text, encoding="utf-8")
        return questions_beside(str(tmp_path / "questions.py"))

    return write


@pytest.fixture
def ask(written):
    return written(FILE)


def shown(displayed):
    """Return what a display says, without the names of its widgets."""
    data = displayed._repr_mimebundle_()
    return data[0]["text/plain"] if isinstance(data, tuple) else data


def test_a_prediction_is_the_one_of_check(ask):
    question = ask.predict("fold")
    assert shown(question) == shown(check.predict("What is shown?", {"north": "No: <b>.", "south": "Yes."}, "south"))
    assert (question.right, list(question.options)) == ("south", ["north", "south"])
    question.buttons.value = "north"
    assert question.reply == "Not so. No: <b>."


@pytest.mark.parametrize("right", ["750 W", "{load_w:.0f} W"])
def test_braces_are_filled_with_the_numbers_of_the_call(ask, right):
    question = ask.predict("load", right=right, load_w=750.2, before=200)
    assert question.question == "A load of 750 W starts. What is shown?"
    assert question.options == {"750 W": "From 200 W on.", "nothing": "Look again."} and question.right == "750 W"


@pytest.mark.parametrize("answer", [None, ..., "x", 5.0, 2.0, 3.0, 3.04, 10.0, 5.2, 4.85, -5, 400])
def test_a_number_is_judged_as_by_check(ask, answer):
    hints = {2.0: "This is the first part only.", 3.0: "This is the second part only, of 7 days."}
    result = ask.number("sum", answer, 5.0, first=2.0, second=3.0, days=7)
    assert result == check.number(answer, 5.0, "kWh", 0.1, hints)
    assert shown(result) == shown(check.number(answer, 5.0, "kWh", 0.1, hints))


def test_a_slip_that_lands_on_the_answer_is_left_out_and_may_have_several_values_or_none(ask):
    assert ask.number("sum", 5.0, 5.0, first=5.1, second=5.0, days=7).right is True
    for wrong in (2.0, 3.0):
        assert "first part" in ask.number("sum", wrong, 5.0, first=np.array([2.0, 3.0]), second=[], days=7).message


def test_the_tolerance_of_the_call_comes_before_that_of_the_file(ask):
    assert ask.number("sum", 5.15, 5.0, within=0.2, first=1, second=2, days=7).right is True
    assert ask.number("sum", 5.15, 5.0, first=1, second=2, days=7).right is False
    assert ask.number("bare", 5.15, 5.0, within=0.2).message == "5.15 is right (to within 0.2)."
    with pytest.raises(InputError, match="bare: found no tolerance, allowed is one in the file or in the call"):
        ask.number("bare", 5.15, 5.0)


KEPT = """
[kept]
unit = "kWh"
tolerance = 0.5
right = "made * share / 100"
[kept.slips]
"made" = "This is all of it."
"made - right" = "This is what is sent out."

[why]
right = "the weather"
[why.replies]
"the weather" = "Yes."
"chance" = "No."
"""


@pytest.mark.parametrize(
    "given, handed", [((), (SimpleNamespace(made=900, share=40),)), (("made", "share"), (900, 40))]
)
def test_a_sum_of_the_file_judges_an_answer_by_the_numbers_handed_on(written, given, handed):
    judge = written(KEPT).judge("kept", *given)
    assert judge(360, *handed).right
    assert "all of it" in str(judge("900 kWh", *handed))
    assert "sent out" in str(judge(540, *handed))
    assert judge(None, *handed).right is None


def test_any_other_wrong_number_is_told_what_the_question_gives(written):
    told = 'other = "You have {made} kWh and {share} %. Which is not yet in it?"\n[kept.slips]'
    judge, mine = written(KEPT.replace("[kept.slips]", told)).judge("kept"), SimpleNamespace(made=900, share=40)
    assert str(judge(123, mine)) == "123 kWh is too low. You have 900 kWh and 40 %. Which is not yet in it?"
    assert "all of it" in str(judge(900, mine)) and "close" in str(judge(361, mine)) and judge(360, mine).right
    with pytest.raises(InputError, match="kept: 'wrong'"):
        written(KEPT.replace("[kept.slips]", told.replace("{made}", "{wrong}"))).judge("kept")(1, mine)
    told = 'other = "You have {days} days."\n[sum.slips]'
    sum_ = written(FILE.replace("[sum.slips]", told)).number
    assert str(sum_("sum", 7.1, 5.0, first=2, second=3, days=7)) == "7.1 kWh is too high. You have 7 days."


def test_judges_of_one_object_answer_together_and_a_word_needs_no_numbers(written):
    ask, mine = written(KEPT), SimpleNamespace(made=900, share=40)
    assert ask.judges(a="kept", b="kept")(mine, 360, b=540).right == 1
    assert ask.judge("why")("chance").right is False


@pytest.mark.parametrize("sum_", ["made.__class__", "[made]", "made *", "'a'.upper()"])
def test_a_sum_that_is_more_than_a_sum_is_refused_with_its_entry(written, sum_):
    for told in ("made * share / 100", "made - right"):
        with pytest.raises(InputError, match="kept"):
            written(KEPT.replace(told, sum_))


def test_a_sum_of_numbers_that_are_not_there_is_refused_with_what_is(written):
    with pytest.raises(InputError, match="kept: found 'made . share / 100'.*allowed is a sum of made, part"):
        written(KEPT).judge("kept")(1, SimpleNamespace(made=900, part=40))


def test_a_word_is_judged_as_by_check(ask):
    for answer in (None, "", "the Weather", "chance", "luck"):
        assert ask.choose("why", answer) == check.choose(
            answer, "the weather", {"the weather": "Yes.", "chance": "No."}
        )
    assert ask.choose("why", "chance", right="chance").right is True


@pytest.mark.parametrize(
    "call, words",
    [
        (lambda ask: ask.predict("flod"), "found 'flod' asked for as a prediction, allowed is one of .'fold', 'load'."),
        (lambda ask: ask.predict("why"), "found 'why' asked for as a prediction"),
        (lambda ask: ask.choose("fold", "x"), "found 'fold' asked for as a word to choose, .* one of .'why'."),
        (lambda ask: ask.number("fold", 1, 1.0), "found 'fold' asked for as a number, .* one of .'sum', 'bare'."),
        (
            lambda ask: ask.number("sum", 1, 1.0, first=2),
            "sum: found .'first'. handed on .* allowed is .'days', 'first', 'second'.",
        ),
        (lambda ask: ask.number("bare", 1, 1.0, within=0.1, first=2), "bare: found .'first'. .* allowed is .."),
        (lambda ask: ask.predict("fold", load=2), "fold: found .'load'. handed on by the call, allowed is .."),
        (lambda ask: ask.predict("load", "nothing", load_w="a", before=1), "load: found .* a format that fits"),
        (lambda ask: ask.predict("load", load_w=1, before=1), "load: found None as right, allowed is one of .'1 W'"),
        (lambda ask: ask.choose("why", "chance", right="luck"), "why: found 'luck' as right, .* one of .'the w"),
    ],
)
def test_a_call_that_does_not_fit_the_file_is_refused_in_words(ask, call, words):
    with pytest.raises(InputError, match=r"/questions.toml: " + words):
        call(ask)


@pytest.mark.parametrize(
    "change, words",
    [
        (('right = "south"', 'right = "east"'), "fold.right: found 'east', allowed is one of .'north', 'south'."),
        (('ask = "What is shown?"', ""), "fold.ask: found nothing, allowed is a value"),
        (('ask = "What is shown?"', 'aks = "What?"'), "fold.aks: found an unknown key, allowed is one of ask, options"),
        (('"north" = "No: <b>."', ""), "fold.options: found .* allowed is a table of 2 or more texts"),
        (('"north" = "No: <b>."', '"north" = 3'), "fold.options: found .* allowed is in 'north' a text"),
        (('unit = "kWh"', ""), "sum.unit: found nothing, allowed is a value"),
        (("tolerance = 0.1", "tolerance = 0"), "sum.tolerance: found .* allowed is a number from"),
        (("tolerance = 0.1", 'tolerance = "0.1"'), "sum.tolerance: found .* allowed is a number from"),
        (("of {days} days", "of {} days"), "sum.slips: found .* in 'second' a text, with nothing but"),
        (("of {days} days", "of {days days"), "sum.slips: found .* in 'second' a text, with nothing but"),
        (("{before} W", "{load.__class__} W"), "load.options: found .* allowed is in '{load_w:.0f} W' a text"),
        (("[sum]", "[sum"), "found Expected .* allowed is a TOML text in UTF-8"),
        (("[why]", "[sum]"), "found Cannot declare .* allowed is a TOML text in UTF-8"),
        (("\n[fold]\n", "\nlost = 3\n[fold]\n"), "lost: found 3, allowed is a table"),
    ],
)
def test_a_fault_of_the_file_is_told_with_entry_and_what_is_allowed(written, change, words):
    assert change[0] in FILE
    with pytest.raises(InputError, match=r"/questions.toml: (.*; )?" + words):
        written(FILE.replace(*change))


def test_all_faults_are_told_at_once_and_a_missing_file_in_words(written, tmp_path):
    with pytest.raises(InputError, match="fold.right: .*; bare.unit: "):
        written(FILE.replace('right = "south"', 'right = "east"').replace('unit = ""', ""))
    with pytest.raises(InputError, match="other.toml: found no such file"):
        read_questions(tmp_path / "other.toml")
    (tmp_path / "questions.toml").write_bytes(b'[a]\nunit = "\xff"')
    with pytest.raises(InputError, match="allowed is a TOML text in UTF-8"):
        read_questions(tmp_path / "questions.toml")


def test_two_options_that_become_the_same_are_refused(written):
    ask = written('[a]\nask = "Which?"\n[a.options]\n"{low} W" = "x"\n"{high} W" = "y"')
    with pytest.raises(InputError, match="a: found '5 W' as right, allowed is one of .'5 W', '5 W'., all unlike"):
        ask.predict("a", right="{low} W", low=5, high=5)


# ---------------------------------------------------------------- all lessons


def asked_in(code):
    """Return (verb, name) of each question that code asks; None for a name that is computed."""
    found = set()
    for node in ast.walk(ast.parse(code)):
        verb = ast.unparse(node.func).rpartition("ASK.")[2] if isinstance(node, ast.Call) else ""
        if verb in ("predict", "number", "choose", "judge"):
            found.add((verb, node.args[0].value if isinstance(node.args[0], ast.Constant) else None))
        elif verb == "judges":
            found |= {("judge", keyword.value.value) for keyword in node.keywords}
        elif isinstance(node, ast.Subscript) and ast.unparse(node.value).endswith("ASK.entries"):
            found.add((None, node.slice.value))  # texts taken one by one
    return found


def code_of(notebook):
    cells = json.loads(notebook.read_text(encoding="utf-8"))["cells"]
    return "\n".join("".join(cell["source"]) for cell in cells if cell["cell_type"] == "code")


VERBS = {"a prediction": "predict", "a number": "number", "a sum": "judge", "a word to choose": "choose"}


@pytest.mark.parametrize("path", sorted(LESSONS.glob("*/questions.toml")), ids=lambda path: path.parent.name)
def test_every_question_of_a_lesson_is_asked_and_every_question_asked_is_there(path):
    lesson = path.parent.name
    sources = [module.read_text(encoding="utf-8") for module in path.parent.glob("*.py")]
    sources += [
        code for code in map(code_of, sorted((ROOT / "notebooks").glob("*.ipynb"))) if f"lessons.{lesson}" in code
    ]
    there = {(VERBS[kind], name) for name, kind in read_questions(path).kinds.items()}
    asked = set().union(*map(asked_in, sources))
    asked = {("choose" if verb == "judge" and ("choose", name) in there else verb, name) for verb, name in asked}
    computed = {verb for verb, name in asked if name is None}
    taken = {question for question in there if (None, question[1]) in asked}
    written = {(verb, name) for verb, name in asked if None not in (verb, name)}
    assert written <= there
    assert {(verb, name) for verb, name in there - written - taken if verb not in computed} == set()
