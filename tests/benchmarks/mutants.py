"""Would a test notice? Draws small faults at random and tells which of them no test of the project finds.

    .venv/bin/python tests/benchmarks/mutants.py [--seed 7] [--count 60] [--room bill] [--list]

Each fault changes one place of a copy of the project: a number is doubled, a comparison or an operator exchanged.
Every room gets the same quota. First the tests of the module and of the room are run, then, for what survives, those
of the rooms that use it, of its lessons and the checks against the outside world, in the quick profile. Slow: minutes
for a fault that survives. What can hardly matter is not drawn: docstrings, messages, decorators, type hints.
"""

import argparse
import ast
import os
import random
import shutil
import subprocess
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
ROOMS = ("sky", "meter", "files", "direction", "health", "worth", "roof", "bill", "house", "lessons")
KINDS = ("constant", "comparison", "operator")
# The tests of the rooms and lessons that use a room, in the order in which they are asked.
USERS = {
    "sky": ["house", "roof", "lessons/test_irradiance.py", "lessons/test_array_yield.py", "references"],
    "meter": ["house", "bill", "lessons/test_unsigned_meter.py", "lessons/test_start.py", "references"],
    "files": ["house", "lessons/test_own_house.py"],
    "direction": ["house", "lessons/test_unsigned_meter.py", "lessons/test_load_step.py", "references"],
    "health": ["house", "lessons/test_system_health.py", "lessons/test_own_house.py", "references"],
    "worth": ["house", "lessons/test_lifetime_value.py", "references"],
    "roof": ["house", "lessons/test_roof_circuit.py", "lessons/test_array_yield.py", "references"],
    "bill": ["house", "lessons/test_credit_bank.py", "references"],
    "house": ["lessons"],
    "lessons": [],
}
COMPARED = {ast.Lt: ast.LtE, ast.LtE: ast.Lt, ast.Gt: ast.GtE, ast.GtE: ast.Gt, ast.Eq: ast.NotEq, ast.NotEq: ast.Eq}
OPERATED = {ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.Div, ast.Div: ast.Mult, ast.FloorDiv: ast.Div}
JOINED = {ast.And: ast.Or, ast.Or: ast.And}


def spared(tree):
    """Return the nodes that no fault is put into: decorators, hints, messages of errors, docstrings and other texts."""
    roots = []
    for node in ast.walk(tree):
        roots += getattr(node, "decorator_list", [])
        roots += [node.annotation] if getattr(node, "annotation", None) is not None else []
        roots += [node.returns] if getattr(node, "returns", None) is not None else []
        roots += [node] if isinstance(node, (ast.Raise, ast.JoinedStr)) else []
    return {id(part) for root in roots for part in ast.walk(root)}


def places(path):
    """Return (number of the node in the walk, kind) of every place of a file where a fault can be put."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    kept, found = spared(tree), []
    for number, node in enumerate(ast.walk(tree)):
        if id(node) in kept:
            continue
        if isinstance(node, ast.Constant) and type(node.value) in (int, float):
            found.append((number, "constant"))
        elif isinstance(node, ast.Compare) and type(node.ops[0]) in COMPARED:
            found.append((number, "comparison"))
        elif isinstance(node, ast.BinOp) and type(node.op) in OPERATED and not texts(node):
            found.append((number, "operator"))
        elif isinstance(node, ast.BoolOp):
            found.append((number, "operator"))
    return found


def texts(node):
    """Tell whether an operator joins texts."""
    parts = (node.left, node.right)
    return any(isinstance(part, (ast.JoinedStr, ast.List, ast.Tuple)) or isinstance(getattr(part, "value", None), str)
               for part in parts)  # fmt: skip


def mutated(path, number):
    """Return the text of a file with a fault at one place, its line, and what became of it."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    node = next(node for at, node in enumerate(ast.walk(tree)) if at == number)
    before = ast.unparse(node)
    if isinstance(node, ast.Constant):
        node.value = {0: 1, 1: 2}.get(node.value, node.value * 2)
    elif isinstance(node, ast.Compare):
        node.ops[0] = COMPARED[type(node.ops[0])]()
    elif isinstance(node, ast.BoolOp):
        node.op = JOINED[type(node.op)]()
    else:
        node.op = OPERATED[type(node.op)]()
    return ast.unparse(tree), node.lineno, f"{before[:60]} -> {ast.unparse(node)[:60]}"


def drawn(count, seed, only=None):
    """Return [(room, file, place)]: each room the same quota, of numbers, comparisons and operators in turn."""
    rng, chosen = random.Random(seed), []
    for room in ROOMS:
        files = [path for path in sorted((ROOT / "solarlib" / room).rglob("*.py")) if path.name != "__init__.py"]
        by_kind = {
            kind: [(path, at) for path in files for at, other in places(path) if other == kind] for kind in KINDS
        }
        for turn in range(count // len(ROOMS)):
            path, number = rng.choice(by_kind[KINDS[turn % len(KINDS)]])
            chosen.append((room, path.relative_to(ROOT), number))
    return [fault for fault in chosen if only in (None, fault[0])]


def killed(copy, targets):
    """Tell which of the targets (folders or files of tests) first fails in the copy, or None."""
    environment = dict(os.environ, PYTHONPATH=str(copy), SOLARLIB_PROFILE="quick", PYTHONDONTWRITEBYTECODE="1")
    for target in targets:
        if (copy / "tests" / target).exists():
            plain = "addopts=--import-mode=importlib -p no:cacheprovider"  # no lessons, no doctests
            command = [sys.executable, "-m", "pytest", "-q", "-x", "-o", plain, "-m", "not long", f"tests/{target}"]
            code = subprocess.run(command, cwd=copy, env=environment, capture_output=True, timeout=1800).returncode
            if code not in (0, 1, 2, 5):
                raise SystemExit(f"pytest could not run tests/{target}: exit code {code}")
            if code in (1, 2):  # a test fails, or cannot be collected any more
                return target
    return None


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seed", type=int, default=7)
    parser.add_argument("--count", type=int, default=60)
    parser.add_argument("--room", choices=ROOMS)
    parser.add_argument("--list", action="store_true", help="print the faults, run nothing")
    asked = parser.parse_args()
    faults, found = drawn(asked.count, asked.seed, asked.room), Counter()
    with tempfile.TemporaryDirectory() as folder:
        copy = Path(folder) / "copy"
        shutil.copytree(ROOT, copy, ignore=shutil.ignore_patterns(".venv", ".git", "__pycache__"))
        for target in [] if asked.list else sorted({fault[0] for fault in faults} - {"lessons"}):
            if killed(copy, [target]):
                raise SystemExit(f"tests/{target} fails without any fault")
        for room, path, number in faults:
            text, line, what = mutated(ROOT / path, number)
            if asked.list:
                print(f"{path}:{line}  {what}")
                continue
            began = time.monotonic()
            (copy / path).write_text(text, encoding="utf-8")
            lesson = [f"lessons/test_{path.parts[2]}.py"] if room == "lessons" and path.parts[2] != "tools" else []
            own = ["/".join([*path.parts[1:-1], f"test_{path.stem}.py"])]  # the likeliest first: seen in seconds
            by = killed(copy, lesson or [*own, room, *USERS[room]])
            shutil.copy(ROOT / path, copy / path)
            found[room, by is not None] += 1
            told = f"killed by {by}" if by else "SURVIVED"
            print(f"{told:36} {path}:{line}  {what}  ({time.monotonic() - began:.0f} s)", flush=True)
    for room in ROOMS:
        if found[room, True] + found[room, False]:
            print(f"{room:10} {found[room, True]} of {found[room, True] + found[room, False]} killed")
    if found:
        print(f"all        {sum(n for (_, dead), n in found.items() if dead)} of {sum(found.values())} killed")


if __name__ == "__main__":
    main()
