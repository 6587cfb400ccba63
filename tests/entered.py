"""Which public names of the library does anything enter: a lesson, a word of the front door, a data script?

A name is entered when a lesson's cell, a script in `data/` or a word of the front door uses it, directly or through
other names. It is told from the source alone: names by their imports, methods by their name. Run it for a list:

    python tests/entered.py [room]
"""

import ast
import json
import sys
from collections import defaultdict
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
DOORS = ("lessons.save:main", "lessons.handout:main", "house.follow:main")  # `save`, the page to print, `follow`
METHODS = ast.FunctionDef | ast.AsyncFunctionDef
HOOKS = {"format_field"}  # methods that the standard library calls by their name, beside those that end in "_"


class Module:
    """The names that one module defines, and what each of them uses."""

    def __init__(self, name, tree, is_face):
        self.name, self.known, self.defined, self.loose = name, {}, {}, []
        for node in ast.walk(tree):
            if isinstance(node, ast.ImportFrom) and (node.module or "").split(".")[0] == "solarlib":
                for alias in node.names:
                    place = f"{node.module}.{alias.name}".removeprefix("solarlib.")
                    self.known[alias.asname or alias.name] = place
        for node in tree.body if not is_face else ():
            for name in names_of(node):
                self.defined[name] = node
            if not names_of(node) and not isinstance(node, (ast.Import, ast.ImportFrom)):
                self.loose.append(node)


def is_hook(method):
    """Tell whether Python or a library calls a method by its name."""
    return method.name.endswith("_") or method.name in HOOKS


def names_of(node):
    """Return the names that a statement of a module defines."""
    if isinstance(node, METHODS | ast.ClassDef):
        return [node.name]
    targets = node.targets if isinstance(node, ast.Assign) else [getattr(node, "target", None)]
    return [
        name.id for target in targets if target is not None for name in ast.walk(target) if isinstance(name, ast.Name)
    ]


def modules_of(folder):
    """Return the modules of the package by dotted name, and the faces: (room, name) -> dotted name."""
    modules, faces = {}, {}
    for path in sorted(folder.rglob("*.py")):
        parts = path.relative_to(folder).with_suffix("").parts
        is_face = parts[-1] == "__init__"
        module = Module(
            ".".join(parts[:-1] if is_face else parts), ast.parse(path.read_text(encoding="utf-8")), is_face
        )
        if is_face:
            faces |= {f"{module.name}.{name}": place for name, place in module.known.items()}
        elif parts[0] not in ("jupyter", "setup", "__main__"):
            modules[module.name] = module
    return modules, faces


class Search:
    """Follow names from where people enter."""

    def __init__(self, modules, faces):
        self.modules, self.faces = modules, faces
        self.entered, self.attributes, self.imported = set(), set(), set()
        self.waiting = defaultdict(list)  # a method's name -> the methods of entered classes that bear it

    def place(self, dotted):
        """Return the (module, name) that a dotted name stands for, or (module, None)."""
        dotted = self.faces.get(dotted, dotted)
        if dotted in self.modules:
            return dotted, None
        module, _, name = dotted.rpartition(".")
        return (module, name) if module in self.modules else (None, None)

    def enter(self, module, name):
        """A name is used: so is all that its definition uses."""
        if module not in self.modules:
            return
        if module not in self.imported:
            self.imported.add(module)
            for node in self.modules[module].loose:
                self.read(node, module)
        if name is None or (module, name) in self.entered:
            return
        node = self.modules[module].defined.get(name)
        if node is None:
            if name in self.modules[module].known:
                self.enter(*self.place(self.modules[module].known[name]))
            return
        self.entered.add((module, name))
        if not isinstance(node, ast.ClassDef):
            self.read(node, module)
            return
        for part in node.body:
            if isinstance(part, METHODS) and not is_hook(part):
                for decorator in part.decorator_list:
                    self.read(decorator, module)
                self.method(module, name, part)
            else:
                self.read(part, module)
        for outer in [*node.bases, *node.decorator_list]:
            self.read(outer, module)

    def method(self, module, owner, node):
        if node.name in self.attributes:
            self.entered.add((module, f"{owner}.{node.name}"))
            self.read(node, module)
        else:
            self.waiting[node.name].append((module, owner, node))

    def read(self, tree, module=None, known=None):
        """Enter every name that a piece of code uses."""
        known = self.modules[module].known if known is None else known
        for node in ast.walk(tree):
            if isinstance(node, ast.Attribute):
                self.attribute(node, known)
            elif isinstance(node, ast.Name) and node.id in known:
                self.enter(*self.place(known[node.id]))
            elif isinstance(node, ast.Name) and module and node.id in self.modules[module].defined:
                self.enter(module, node.id)

    def attribute(self, node, known):
        if isinstance(node.value, ast.Name) and node.value.id in known:
            self.enter(*self.place(f"{known[node.value.id]}.{node.attr}"))
        if node.attr not in self.attributes:
            self.attributes.add(node.attr)
            for module, owner, method in self.waiting.pop(node.attr, []):
                self.method(module, owner, method)


def code_of(path):
    """Return the code that a person runs: a script, or the cells of a lesson."""
    text = path.read_text(encoding="utf-8")
    if path.suffix == ".ipynb":
        cells = [cell for cell in json.loads(text)["cells"] if cell["cell_type"] == "code"]
        text = "\n".join("".join(cell["source"]) for cell in cells)
    return ast.parse(text)


def search(root=ROOT):
    """Return the search after every door of the project was followed."""
    found = Search(*modules_of(root / "solarlib"))
    for path in [*sorted(root.glob("notebooks/*.ipynb")), *sorted(root.glob("data/*.py"))]:
        tree = code_of(path)
        found.read(tree, known=Module("", tree, False).known)
    for door in DOORS:
        found.enter(*door.split(":"))
    return found


def never_entered(found=None):
    """Return the dotted names, methods included, that nothing enters; a private name belongs to those who use it."""
    found = found or search()
    names = []
    for module in found.modules.values():
        for name, node in module.defined.items():
            if (module.name, name) not in found.entered:
                names.append(f"{module.name}.{name}")
            elif isinstance(node, ast.ClassDef):
                methods = [part.name for part in node.body if isinstance(part, METHODS) and not is_hook(part)]
                names += [
                    f"{module.name}.{name}.{part}"
                    for part in methods
                    if (module.name, f"{name}.{part}") not in found.entered
                ]
    return names


def options_never_set(found=None):
    """Return the optional parameters of functions that no call outside tests sets, as ``module.function(option)``."""
    found = found or search()
    set_names, most = defaultdict(set), defaultdict(int)
    trees = [ast.parse(path.read_text(encoding="utf-8")) for path in (ROOT / "solarlib").rglob("*.py")]
    trees += [code_of(path) for path in [*ROOT.glob("notebooks/*.ipynb"), *ROOT.glob("data/*.py")]]
    for tree in trees:
        for call in (node for node in ast.walk(tree) if isinstance(node, ast.Call)):
            name = getattr(call.func, "id", getattr(call.func, "attr", None))
            words = {keyword.arg for keyword in call.keywords}
            set_names[name] |= words | ({"*"} if None in words else set())
            starred = any(isinstance(value, ast.Starred) for value in call.args)
            most[name] = max(most[name], 99 if starred else len(call.args))
    unset = []
    for module in found.modules.values():
        for owner, node in functions_of(module):
            names = [argument.arg for argument in node.args.args if argument.arg not in ("self", "cls")]
            optional = names[len(names) - len(node.args.defaults) :] if node.args.defaults else []
            optional += [a.arg for a, value in zip(node.args.kwonlyargs, node.args.kw_defaults) if value is not None]
            called = owner or node.name
            for name in optional:
                by_place = name in names and names.index(name) < most[called]
                if not by_place and name not in set_names[called] and "*" not in set_names[called]:
                    unset.append(f"{module.name}.{called}({name})")
    return unset


def functions_of(module):
    """Yield (class name for a constructor else None, function) of every function and method of a module."""
    for node in module.defined.values():
        for part in [node] if isinstance(node, METHODS) else getattr(node, "body", []):
            if isinstance(part, METHODS) and (part.name == "__init__" or not is_hook(part)):
                yield (node.name if part.name == "__init__" else None), part


if __name__ == "__main__":
    room = sys.argv[1] if len(sys.argv) > 1 else ""
    result = search()
    for title, names in (
        ("entered by nothing", never_entered(result)),
        ("options that nobody sets", options_never_set(result)),
    ):
        names = [name for name in names if name.startswith(room)]
        print(f"{len(names)} {title}", *names, sep="\n  ")
