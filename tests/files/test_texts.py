"""Each sentence of the room's text file is said somewhere, with just the facts that its braces ask for."""

import ast
from pathlib import Path
from string import Formatter

from solarlib.files import texts

CALLS = [
    node
    for path in Path(texts.__file__).parent.glob("*.py")
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
    if isinstance(node, ast.Call)
]
SENTENCES = {case: text for case, text in texts.TEXTS.items() if isinstance(text, str)}


def called(*names):
    """The calls of some functions whose case is a literal, each with its case."""
    for call in CALLS:
        if getattr(call.func, "id", getattr(call.func, "attr", "")) in names:
            if isinstance(call.args[0], ast.Constant):
                yield call.args[0].value, call


def fields(text):
    return {field.partition("[")[0] for _, field, _, _ in Formatter().parse(text) if field}


def test_a_case_has_a_sentence_and_gets_its_facts():
    found = list(called("told"))
    assert len(found) > 12  # what a proposal asks stands in tables of its own: test_proposal.py
    for case, call in found:
        given = {keyword.arg for keyword in call.keywords}
        assert None in given or given == fields(SENTENCES[case]), case


def test_no_sentence_is_never_said():
    words = {node.value for call in CALLS for node in ast.walk(call) if isinstance(node, ast.Constant)}
    words |= {"empty", "no_number", "off_dial"}  # of single cells, by `reading._numbers`
    assert {*SENTENCES} <= words


def test_a_sentence_is_filled():
    assert texts.told("proof", order="day first", against="x") == "dates are read day first: x"
