"""The house plan holds: modules import upward only, no drawing below the lessons, nothing happens on import."""

import ast
import sys
from pathlib import Path

import pytest

PACKAGE = Path(__file__).resolve().parents[1] / "solarlib"

# Floors from the ground up; on each, the rooms; in each room its modules. A module may import from every lower
# floor, and in its own room from the modules that stand before it: so no circle is possible and no arrow runs back.
FLOORS = (
    {"words": ("quantities", "fields")},
    {
        "weather": ("clouds", "weather"),
        "load": ("load",),
        "meter": ("meter", "balance", "periods"),
        "tariff": ("tariff_checks", "tariff"),
        "money": ("money", "premium", "lifetime", "lifetime_risk"),
        "health": ("health", "peers", "run_lengths", "control_chart", "signatures", "ageing", "common_days", "comparison_words", "comparison"),
        "circuits": ("circuits", "voltages", "roof_loads", "roof_layout"),
        "readings": (
            "csv_table", "amounts", "moments", "clock_changes", "counters", "gaps", "mapping", "flows", "account",
            "readings", "suggest", "plausible", "records",
        ),
    },
    {
        "sun": ("sun", "climate"),
        "direction": (
            "detection", "direction", "chain", "evidence", "record", "scene", "calibration", "meter_totals", "decoder",
            "live", "schedule",
        ),
        "bank": ("bill", "credits", "usage", "bank", "explain", "reset", "reset_years"),
    },
    {"array": ("parts", "array"), "diodes": ("diodes",), "obstacles": ("obstacles",)},
    {"house": ("shaded_power", "shade", "rows", "shade_trials", "lifetime_bills", "house_file", "house", "house_bills",
               "house_readings", "house_periods", "house_health", "house_records")},
)
PLACES = {module: (floor, room, order) for floor, rooms in enumerate(FLOORS) for room, modules in rooms.items()
          for order, module in enumerate(modules)}
TOOLS = ("figures", "controls", "display", "explore", "check", "save", "handout", "report", "progress")  # of the lessons, on the top floor
DRAWING = {"matplotlib", "ipywidgets", "IPython", "PIL", "jupyter_client", "nbclient", "nbformat", "nbconvert"}
ALLOWED_OUTSIDE = {"numpy", "pandas", "pvlib", "scipy"}

DOMAIN = sorted(path.stem for path in PACKAGE.glob("*.py") if not path.stem.startswith("__"))
LESSONS = sorted(path.stem for path in (PACKAGE / "lessons").glob("*.py") if not path.stem.startswith("__"))


def imports(path):
    """Return the dotted names a file imports; ``from a import b`` counts as both ``a`` and ``a.b``."""
    names = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path.name}: a relative import"
            assert all(alias.name != "*" for alias in node.names), f"{path.name}: a star import"
            names |= {node.module} | {f"{node.module}.{alias.name}" for alias in node.names}
    return names


def ours(path):
    """Return the modules of this package that a file imports, e.g. ``weather`` or ``lessons.figures``."""
    found = set()
    for name in imports(path):
        parts = name.split(".")
        if parts[0] != "solarlib" or len(parts) < 2:
            continue
        if parts[1] == "lessons":
            if len(parts) > 2 and parts[2] in LESSONS:
                found.add(f"lessons.{parts[2]}")
        else:
            found.add(parts[1])
    return found


def may_import(importer, imported):
    """Tell whether the house plan allows it."""
    (floor, room, order), (other_floor, other_room, other_order) = PLACES[importer], PLACES[imported]
    return other_floor < floor or (other_room == room and other_order < order)


def test_the_rule_itself_can_fail():
    assert may_import("bank", "tariff") and may_import("schedule", "direction") and may_import("house", "array")
    assert not may_import("tariff", "bank") and not may_import("weather", "load")
    assert not may_import("direction", "schedule") and not may_import("money", "money")
    assert len(PLACES) == sum(len(modules) for rooms in FLOORS for modules in rooms.values())


@pytest.mark.parametrize("name", DOMAIN)
def test_a_module_imports_lower_floors_only(name):
    assert name in PLACES, f"{name}: give the new module its room in FLOORS"
    for imported in ours(PACKAGE / f"{name}.py"):
        assert not imported.startswith("lessons"), f"{name} imports {imported}: nothing imports the lessons"
        assert may_import(name, imported), f"{name} {PLACES[name][:2]} imports {imported} {PLACES[imported][:2]}"


@pytest.mark.parametrize("name", DOMAIN)
def test_a_domain_module_neither_draws_nor_talks_to_a_notebook(name):
    outside = {item.split(".")[0] for item in imports(PACKAGE / f"{name}.py")} - {"solarlib"}
    assert not outside & DRAWING
    assert outside <= ALLOWED_OUTSIDE | sys.stdlib_module_names


def lesson_of(name):
    """Return the lesson that a module belongs to: its shortest namesake, e.g. ``start`` for ``start_questions``."""
    return min((other for other in LESSONS if name == other or name.startswith(f"{other}_")), key=len)


def test_the_lessons_modules_import_in_no_circle():
    used = {name: {item.removeprefix("lessons.") for item in ours(PACKAGE / "lessons" / f"{name}.py")} & set(LESSONS)
            for name in LESSONS}
    while used:
        free = [name for name, others in used.items() if not others & set(used)]
        assert free, f"a circle among {sorted(used)}"
        for name in free:
            del used[name]


@pytest.mark.parametrize("name", LESSONS)
def test_a_lesson_module_uses_the_tools_and_no_other_lesson(name):
    path = PACKAGE / "lessons" / f"{name}.py"
    assert not any(item.split(".")[:2] == ["matplotlib", "pyplot"] for item in imports(path))
    for imported in ours(path):
        if imported.startswith("lessons."):
            tool = imported.removeprefix("lessons.")
            assert tool in TOOLS or lesson_of(tool) == lesson_of(name), f"lessons.{name} imports {imported}: lessons do not import each other"
            assert name not in TOOLS or TOOLS.index(tool) < TOOLS.index(name)
        elif name in TOOLS:
            assert imported == "quantities", f"lessons.{name} imports {imported}: the tools know no domain"


def test_the_packages_own_init_imports_nothing():
    for path in (PACKAGE / "__init__.py", PACKAGE / "lessons" / "__init__.py"):
        assert imports(path) == set()


def test_the_front_door_needs_the_standard_library_only():
    names = {name.split(".")[0] for name in imports(PACKAGE / "__main__.py")}
    assert names and names <= sys.stdlib_module_names


@pytest.mark.parametrize("path", sorted(PACKAGE.rglob("*.py")), ids=lambda path: path.stem)
def test_reading_and_writing_files_names_the_encoding(path):
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Call) and getattr(node.func, "id", getattr(node.func, "attr", "")) in (
                "open", "read_text", "write_text"):
            words = {keyword.arg for keyword in node.keywords}
            texts = [arg.value for arg in node.args if isinstance(arg, ast.Constant) and isinstance(arg.value, str)]
            binary = any("b" in text and len(text) <= 3 for text in texts)
            image = ast.unparse(node.func).startswith("Image.") or ast.unparse(node.func) == "webbrowser.open"
            assert binary or image or "encoding" in words, f"{path.name}, line {node.lineno}: no encoding"
