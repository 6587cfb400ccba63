"""The house plan holds: folders are rooms, imports run down only, faces hand on what lessons teach,
nothing draws below the lessons.
"""

import ast
import json
import sys
from pathlib import Path

PACKAGE = Path(__file__).resolve().parents[1] / "solarlib"

# Floors from the ground up. A room knows the floors below it and never another room of its own floor.
FLOORS = (
    ("quantities",),
    ("schema",),
    ("sky", "meter", "files", "direction", "health", "worth"),
    ("roof", "bill"),
    ("house",),
    ("lessons",),
)
FLOOR = {room: floor for floor, rooms in enumerate(FLOORS) for room in rooms}
ROOMS = [room for room in FLOOR if (PACKAGE / room).is_dir() and room != "lessons"]
OUTSIDE = {"numpy", "pandas", "pvlib", "scipy"}  # what a domain room may use beside the standard library
DOOR = {"__init__", "__main__", "setup"}  # files of the package itself, in no room


def tree(path):
    return ast.parse(path.read_text(encoding="utf-8"))


def name_of(path):
    """Return the dotted name of a module of this package, e.g. ``bill.tariff``; a face bears the name of its room."""
    parts = path.relative_to(PACKAGE).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


MODULES = {
    name_of(path): path
    for path in sorted(PACKAGE.rglob("*.py"))
    if (path.parent != PACKAGE or path.stem not in DOOR) and "jupyter" not in path.parts
}


def imports(path):
    """Return the dotted names a file imports; ``from a import b`` counts as ``a.b`` where that is a module,
    else as ``a``.
    """
    names = set()
    for node in ast.walk(tree(path)):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0 and all(alias.name != "*" for alias in node.names), (
                f"{path}: a relative or star import"
            )
            whole = {f"{node.module}.{alias.name}" for alias in node.names}
            modules = {name for name in whole if name.removeprefix("solarlib.") in MODULES}
            names |= modules | ({node.module} if len(modules) < len(node.names) else set())
    return names


def ours(path):
    """Return the modules of this package that a file imports."""
    return {name.removeprefix("solarlib.") for name in imports(path) if name.split(".")[0] == "solarlib"}


def may_import(importer, imported):
    """Tell whether the floors allow it: the same room, or one of a lower floor."""
    room, other = importer.split(".")[0], imported.split(".")[0]
    return room == other or FLOOR[other] < FLOOR[room]


def in_a_circle(names, used):
    """Return the modules that import each other in a circle, and those that need them."""
    left = {name: set(used(name)) & set(names) - {name} for name in names}
    while free := [name for name, others in left.items() if not others & set(left)]:
        for name in free:
            del left[name]
    return set(left)


def test_the_rule_itself_can_fail():
    assert (
        may_import("bill.accounts", "meter.registers")
        and may_import("house.year", "sky")
        and may_import("files.dates", "files.table")
    )
    assert (
        not may_import("bill.tariff", "roof.array")
        and not may_import("sky.sun", "house")
        and not may_import("quantities", "schema")
    )
    assert not may_import("health.chart", "files.records") and not may_import("files.table", "bill")
    circle = {"a": {"b"}, "b": {"c"}, "c": {"b"}, "d": set()}
    assert in_a_circle(circle, circle.get) == {"a", "b", "c"} and in_a_circle("bd", circle.get) == set()


def test_imports_run_down_only_and_in_no_circle():
    for name, path in MODULES.items():
        assert name.split(".")[0] in FLOOR, f"{name}: no such room in FLOORS"
        for imported in ours(path):
            assert may_import(name, imported), f"{name} imports {imported}"
    whole = [name for name in MODULES if name not in ROOMS and MODULES[name].stem != "__init__"]
    assert not in_a_circle(whole, lambda name: ours(MODULES[name]))


def test_a_domain_room_neither_draws_nor_talks_to_a_notebook():
    for name, path in MODULES.items():
        if not name.startswith("lessons"):
            outside = {item.split(".")[0] for item in imports(path)} - {"solarlib"}
            assert outside <= OUTSIDE | sys.stdlib_module_names, f"{name} imports {outside}"


def test_a_lesson_uses_the_tools_and_no_other_lesson():
    for name, path in MODULES.items():
        if name.startswith("lessons."):
            assert not any(item.startswith("matplotlib.pyplot") for item in imports(path)), name
            for imported in ours(path):
                lesson, other = name.split(".")[1], (imported.split(".") + [""])[1]
                if imported.startswith("lessons."):
                    assert other in ("tools", lesson), f"{name} imports {imported}: lessons do not import each other"
                else:
                    assert lesson != "tools" or imported in ("quantities", "schema"), (
                        f"{name} imports {imported}: tools know no domain"
                    )


def face_of(room):
    """Return the names that a room hands on, and check that its face is nothing but that."""
    title, *body = tree(MODULES[room]).body
    assert isinstance(title.value, ast.Constant) and all(isinstance(line, ast.ImportFrom) for line in body), room
    assert {line.module.split(".")[1] for line in body} <= {room}, f"{room}: a face knows its own room only"
    return [alias.name for line in body for alias in line.names]


def taken_by_lessons():
    """Return (room, name) of everything that a lesson's page or module imports from a room."""
    pages = [json.loads(path.read_text(encoding="utf-8")) for path in (PACKAGE.parent / "notebooks").glob("*.ipynb")]
    cells = ["".join(cell["source"]) for page in pages for cell in page["cells"] if cell["cell_type"] == "code"]
    trees = [ast.parse("\n".join(cells)), *(tree(path) for path in (PACKAGE / "lessons").rglob("*.py"))]
    lines = [node for whole in trees for node in ast.walk(whole) if isinstance(node, ast.ImportFrom)]
    ours = [node for node in lines if (node.module or "").startswith("solarlib.")]
    return {(node.module.split(".")[1], alias.name) for node in ours for alias in node.names}


def test_faces_hand_on_what_lessons_teach():
    taken = taken_by_lessons()
    for room in ROOMS:
        names, modules = face_of(room), {path.stem for path in (PACKAGE / room).glob("*.py")}
        assert 5 <= len(names) <= 12, f"{room}: {len(names)} names"
        assert not set(names) & modules, f"{room}: a name of the face hides a module"
        assert {(room, name) for name in names} <= taken, f"{room}: a name that no lesson takes"
    for path in (PACKAGE / "__init__.py", PACKAGE / "lessons" / "__init__.py"):
        assert imports(path) == set()


def test_the_front_door_needs_the_standard_library_only():
    names = {name.split(".")[0] for name in imports(PACKAGE / "__main__.py")}
    assert names and names <= sys.stdlib_module_names


def test_reading_and_writing_files_names_the_encoding():
    for path in sorted(PACKAGE.rglob("*.py")):
        for node in ast.walk(tree(path)):
            if isinstance(node, ast.Call) and getattr(node.func, "id", getattr(node.func, "attr", "")) in (
                "open",
                "read_text",
                "write_text",
            ):
                words = {keyword.arg for keyword in node.keywords}
                texts = [arg.value for arg in node.args if isinstance(arg, ast.Constant) and isinstance(arg.value, str)]
                binary = any("b" in text and len(text) <= 3 for text in texts)
                image = ast.unparse(node.func).startswith("Image.") or ast.unparse(node.func) == "webbrowser.open"
                assert binary or image or "encoding" in words, f"{path.name}, line {node.lineno}: no encoding"


def public_names(path):
    """Return the functions, classes and constants without a leading underscore that a module defines."""
    names = set()
    for node in tree(path).body:
        if isinstance(node, (ast.FunctionDef, ast.ClassDef)):
            names.add(node.name)
        elif isinstance(node, (ast.Assign, ast.AnnAssign)):
            targets = node.targets if isinstance(node, ast.Assign) else [node.target]
            parts = [part for target in targets for part in ast.walk(target) if isinstance(part, ast.Name)]
            names |= {part.id for part in parts if isinstance(part.ctx, ast.Store)}
    return {name for name in names if not name.startswith("_")}


def test_a_public_name_means_one_thing():
    homes = {}
    for module, path in MODULES.items():
        if not module.startswith("lessons") and path.stem != "__init__":
            for name in public_names(path):
                homes.setdefault(name, []).append(module)
    assert homes["InputError"] == ["quantities"] and homes["Place"] == ["sky.weather"] and homes["DAY_NS"]
    assert not {name: modules for name, modules in homes.items() if len(modules) > 1}
