"""Each text of a refusal is raised somewhere, with just the facts that its braces ask for."""

import ast
import tomllib
from pathlib import Path
from string import Formatter

import pytest

import solarlib
from solarlib.quantities import InputError, refusal, refuse_if

ROOT = Path(solarlib.__file__).parent
ROOMS = tomllib.loads((ROOT / "refusals.toml").read_text(encoding="utf-8"))
TEXTS = {case: text for room in ROOMS.values() for case, text in room.items()}
TREES = [ast.parse(path.read_text(encoding="utf-8")) for path in ROOT.rglob("*.py")]
CALLS = [node for tree in TREES for node in ast.walk(tree) if isinstance(node, ast.Call)]


def asked(text):
    """The names in the braces of a text, without what is taken out of them."""
    return {field.partition("[")[0].partition(".")[0] for _, field, _, _ in Formatter().parse(text) if field}


def test_no_case_stands_in_two_rooms():
    assert len(TEXTS) == sum(map(len, ROOMS.values()))


def test_each_refusal_has_a_text_and_gets_its_facts():
    places = {"refusal": 0, "refuse_if": 1}  # of the case among the arguments
    named = [(call, places[call.func.id]) for call in CALLS if getattr(call.func, "id", "") in places]
    named = [(call, call.args[place]) for call, place in named if isinstance(call.args[place], ast.Constant)]
    assert len(named) > 120
    for call, case in named:
        given = {keyword.arg for keyword in call.keywords}
        assert None in given or given == asked(TEXTS[case.value]), case.value


def test_no_text_is_never_raised():
    words = {node.value for tree in TREES for node in ast.walk(tree) if isinstance(node, ast.Constant)}
    words |= {"too_much_cooling", "too_much_heating"}  # the kind of an appliance is filled in
    assert set(TEXTS) <= words


@pytest.mark.parametrize("case", TEXTS)
def test_a_text_says_what_is_allowed(case):
    assert "allowed " in TEXTS[case] or case == "no_week"


def test_a_refusal_names_where_what_was_found_and_what_is_allowed():
    error = refusal("off_dial", "register", odd=100000.5, dial=1e5, digits=5)
    assert isinstance(error, InputError)
    refuse_if(False, "no_text", "empty.csv")
    with pytest.raises(InputError, match="empty.csv: found no text, allowed is a table with one row a line"):
        refuse_if(True, "no_text", "empty.csv")
    assert str(error) == "register: found 100000 kWh, allowed is 0 to below 100000 kWh for 5 digits"
