"""What is checked here: each test of this folder calls solarlib, none in dependencies/ does, every ledger is used."""

import ast
from pathlib import Path

import pytest

FOLDER = Path(__file__).parent
TESTS = FOLDER.parent
CHECKS = sorted(set(FOLDER.glob("test_*.py")) - {Path(__file__)})
AUDIT = sorted(FOLDER.glob("dependencies/test_*.py"))


def modules_of(tree):
    """Return {name: module that it is imported from} of a file."""
    names = {}
    for node in tree.body:
        if isinstance(node, (ast.Import, ast.ImportFrom)):
            for alias in node.names:
                module = node.module if isinstance(node, ast.ImportFrom) else alias.name
                names[(alias.asname or alias.name).split(".")[0]] = module
    return names


def is_ours(module):
    """Tell whether a module is solarlib's, or a helper of the tests that uses it."""
    helper = TESTS / f"{module}.py"
    if not helper.is_file():
        return module.split(".")[0] == "solarlib"
    return any(map(is_ours, modules_of(ast.parse(helper.read_text(encoding="utf-8"))).values()))


def calls_solarlib(source):
    """Return {test function: whether it, or anything of its file that it reaches, uses a name from solarlib}."""
    tree = ast.parse(source)
    ours = {name for name, module in modules_of(tree).items() if is_ours(module)}
    uses = {}
    for node in tree.body:
        if isinstance(node, (ast.FunctionDef, ast.ClassDef)):
            fixtures = {word.arg for word in ast.walk(node) if isinstance(word, ast.arg)}
            uses[node.name] = fixtures | {word.id for word in ast.walk(node) if isinstance(word, ast.Name)}
        elif isinstance(node, ast.Assign):
            names = {word.id for word in ast.walk(node.value) if isinstance(word, ast.Name)}
            uses |= {
                word.id: names for target in node.targets for word in ast.walk(target) if isinstance(word, ast.Name)
            }

    def reached(name):
        seen, ahead = set(), [name]
        while ahead:
            if (name := ahead.pop()) not in seen:
                seen.add(name)
                ahead += uses.get(name, ())
        return seen

    return {name: not ours.isdisjoint(reached(name)) for name in uses if name.startswith("test")}


def test_the_rule_itself_can_fail():
    source = """
import numpy as np
from solarlib.bill import ledger as book
from lesson_panels import made
CASE = book(1)
def helper(): return CASE
def test_a(): helper()
def test_b(): np.ones(3)
def test_c(): made()
def test_d(CASE): pass
"""
    assert calls_solarlib(source) == {"test_a": True, "test_b": False, "test_c": True, "test_d": True}


@pytest.mark.parametrize("path", CHECKS, ids=lambda path: path.stem)
def test_every_check_calls_solarlib(path):
    calls = calls_solarlib(path.read_text(encoding="utf-8"))
    assert calls and [name for name in calls if not calls[name]] == [], "an audit of a dependency: see README.md"


@pytest.mark.parametrize("path", AUDIT, ids=lambda path: path.stem)
def test_the_audit_of_dependencies_never_calls_solarlib(path):
    calls = calls_solarlib(path.read_text(encoding="utf-8"))
    assert calls and [name for name in calls if calls[name]] == [], "a check of ours: see README.md"


def test_every_shipped_ledger_is_reproduced():
    names = {path.stem for path in (FOLDER / "ledgers").glob("*.csv")}
    text = (FOLDER / "test_ledgers.py").read_text(encoding="utf-8")
    assert [name for name in sorted(names) if f'"{name}"' not in text] == []
    assert len(names) == 17
