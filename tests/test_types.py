"""The hints on what rooms hand on: each function of a face has them, and a type checker finds no fault."""

import importlib
import inspect
from pathlib import Path

import pytest
from mypy import api

PACKAGE = Path(__file__).resolve().parents[1] / "solarlib"
ROOMS = sorted(path.parent.name for path in PACKAGE.glob("*/__init__.py") if path.parent.name != "lessons")


@pytest.mark.parametrize("room", ROOMS)
def test_each_function_of_a_face_has_hints(room):
    face = importlib.import_module(f"solarlib.{room}")
    handed_on = {name: thing for name, thing in vars(face).items() if not name.startswith("_")}
    for name, thing in handed_on.items():
        if inspect.isfunction(inspect.unwrap(thing)):
            told = inspect.signature(thing)
            bare = [word for word, value in told.parameters.items() if value.annotation is value.empty]
            assert not bare, f"solarlib.{room}.{name}: no hint on {', '.join(bare)}"
            assert told.return_annotation is not told.empty, f"solarlib.{room}.{name}: no hint on what it returns"


@pytest.mark.slow
def test_the_hints_hold(tmp_path):
    words = [
        "--ignore-missing-imports",
        "--exclude=jupyter",
        "--no-error-summary",
        f"--cache-dir={tmp_path}",
        str(PACKAGE),
    ]
    said, wrong, _ = api.run(words)
    assert not said and not wrong, said + wrong
