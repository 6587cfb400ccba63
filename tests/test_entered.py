"""Nothing stands in the library that nobody enters."""

import ast
from types import SimpleNamespace

import entered

# Public names that nothing enters yet, each with the capability that will wire it. The list is to become empty.
WAITING: dict[str, str] = {}


def made(**modules):
    """Return a search over modules given as text, entered through ``door``."""
    found = entered.Search({name: entered.Module(name, ast.parse(text), False) for name, text in modules.items()}, {})
    tree = ast.parse(modules["door"])
    found.read(tree, known=entered.Module("", tree, False).known)
    return found


def test_the_search_follows_names_and_finds_what_nobody_enters():
    found = made(
        door="from solarlib.a import used, Thing\nused()\nThing().seen()",
        a="from solarlib import b\nLIMIT = 3\ndef used(): return b.helper() + LIMIT\ndef dead(): return used()\n"
        "class Thing:\n    def seen(self): return 1\n    def hidden(self): return 2\n",
        b="def helper(): return 1\ndef lost(): return helper()\n",
    )
    assert entered.never_entered(
        SimpleNamespace(modules={n: m for n, m in found.modules.items() if n != "door"}, entered=found.entered)
    ) == ["a.dead", "a.Thing.hidden", "b.lost"]


def test_nothing_stands_in_the_library_that_nobody_enters_but_what_waits():
    found = entered.search()
    options = {name for name in entered.options_never_set(found) if name.split("(")[0] not in WAITING}
    assert {*entered.never_entered(found), *options} == set(WAITING)
