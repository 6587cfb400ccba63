"""The tables of `data/tariffs/README.md` are what the declared fields say; what a key means stands there alone.

Run this file to write them anew, meanings kept: ``python tests/bill/test_tariff_tables.py``.
"""

import re
from dataclasses import MISSING, fields

import pytest

from solarlib.bill.tariff import Block, Bucket, Charge, Credit, Tariff
from solarlib.bill.tariff_file import TARIFF_FOLDER, read_tariff
from solarlib.schema import Table

README = TARIFF_FOLDER / "README.md"
HEADINGS = {
    "`[tariff]`": Tariff,
    "`[[tariff.charge]]`": Charge,
    "`blocks`": Block,
    "`[[tariff.bucket]]`": Bucket,
    "`[tariff.credit]`": Credit,
}
# Where a group of keys begins, by the first of them: a long table is easier to search in parts.
GROUPS = {
    Tariff: {
        "name": "What it is made of",
        "minimum_bill": "A minimum bill",
        "negative_bill": "A bill below zero",
        "settlement": "A year that is settled at once",
        "round_stage": "Digits",
        "months_per_bill": "When it holds",
        "size_cap_kw": "How large an array may be",
        "meant": "What a reader should know",
    },
    Charge: {
        "line": "Every line has these",
        "blocks": "Instead of one price: steps",
        "prices": "Instead of one price: by month, by hour, from a file",
        "netting": "Netted over another time than the rest",
        "bucket": "Only for a part of the time",
        "offset": "What else changes it",
        "rating": "For the rating of the array",
        "window_minutes": "For the highest demand",
        "of": "For a percentage",
    },
    Credit: {
        "unit": "Every rule has these",
        "export_price": "What a kWh earns in money",
        "order": "How long a credit lasts and where it pays",
        "reset_month": "The end of the year: when",
        "at_reset": "The end of the year: what happens",
        "on_close": "When the account or the rules end",
        "export_limit_kw": "A limit of power",
    },
}


def meanings(old):
    """Return what each key of a table means, with what it needs beside it: {key: words}."""
    return dict(re.findall(r"(?m)^\| `(\w+)` \| (.+?) \| ", old))


def needs(more):
    """Return what a declared field needs beside it, in words."""
    words = f"; with `{more['beside']}`" if "beside" in more else ""
    if "only" in more or "exactly" in more:
        other, *values = more.get("only", more.get("exactly"))
        values = " or ".join(f'"{value}"' for value in values)
        words = f"; {'only' if 'only' in more else 'just'} with `{other} = {values}`" + words
    return words


def row(item, told):
    """Return the row of one declared field; `told` as from `meanings`."""
    more, default = item.metadata, item.default
    key = more.get("key", item.name)
    words = told.get(key, "?").removesuffix(needs(more)) + needs(more)
    read = more["read"]
    allowed = read.allowed if not isinstance(read, Table) else "tables" if read.many else "a table"
    if default is MISSING:
        allowed += "; needed"
    elif default not in (None, (), "") and not isinstance(read, Table):
        allowed += f"; *{str(default).lower() if isinstance(default, bool) else default}*"
    return f"| `{key}` | {words} | {allowed} |"


def table(kind, old):
    """Return the table of the keys of one declared class, a long one in groups under headings; meanings as in `old`."""
    told, lines, head = meanings(old), [], ["| key | meaning | allowed; *default* |", "|---|---|---|"]
    for item in fields(kind):
        group = GROUPS.get(kind, {}).get(item.metadata.get("key", item.name))
        if group:
            lines += [*([""] if lines else []), f"### {group}", "", *head]
        lines += [*([] if lines else head), row(item, told)]
    return "\n".join(lines)


def files():
    """Return the table of the shipped files, each with the name of its rule."""
    names = {file.name: read_tariff(file).name for file in sorted(TARIFF_FOLDER.glob("*.toml"))}
    return "\n".join(["| file | rule |", "|---|---|", *(f"| `{file}` | {name} |" for file, name in names.items())])


def files_in(text):
    """Return the table of the files in the text of the README."""
    return text.split("\n## The files\n\n")[1].split("\n\n## ")[0]


def parts(text):
    """Yield (heading, the table with the headings of its groups) of each section with a table of keys."""
    for section in text.split("\n## ")[1:]:
        lines = section.splitlines()
        at = [i for i, line in enumerate(lines) if line.startswith(("|", "###"))]
        if at and any(line.startswith("| key |") for line in lines):
            yield lines[0].split(":")[0], "\n".join(lines[at[0] : at[-1] + 1])


@pytest.mark.parametrize("heading", HEADINGS)
def test_the_readme_holds_the_table_of_the_declarations(heading):
    old = dict(parts(README.read_text(encoding="utf-8")))[heading]
    assert old == table(HEADINGS[heading], old)


def test_every_group_begins_with_a_key_and_the_first_with_the_first():
    for kind, groups in GROUPS.items():
        keys = [item.metadata.get("key", item.name) for item in fields(kind)]
        assert next(iter(groups)) == keys[0] and set(groups) <= set(keys)


def test_the_readme_names_every_shipped_file_and_its_rule():
    assert files_in(README.read_text(encoding="utf-8")) == files()


def test_the_words_on_a_bill_lead_to_keys_and_choices_that_there_are():
    text = README.read_text(encoding="utf-8").split("### Words on a bill")[1].split("\n## ")[0]
    items = {item.metadata.get("key", item.name): item for kind in HEADINGS.values() for item in fields(kind)}
    found = re.findall(r"`(\w+)(?: = (\S+))?`", text)
    assert len(found) > 30
    for key, value in found:
        value = value.strip('"')
        assert key in items and (value in ("", "false") or value in items[key].metadata["read"].allowed), (key, value)


def test_every_key_has_words_and_every_table_a_kind():
    tables = dict(parts(README.read_text(encoding="utf-8")))
    assert list(tables) == list(HEADINGS)
    for heading, kind in HEADINGS.items():
        told = meanings(tables[heading])
        assert list(told) == [item.metadata.get("key", item.name) for item in fields(kind)]
        for item in fields(kind):
            words = told[item.metadata.get("key", item.name)].removesuffix(needs(item.metadata))
            assert len(words) > 5 and not words.startswith((";", "?")), (heading, item.name)


def test_a_key_without_a_meaning_is_seen():
    old = table(Block, "")
    assert meanings(old)["price"] == "?" and old.count("| ? ") == 3


if __name__ == "__main__":
    text = README.read_text(encoding="utf-8")
    for heading, old in parts(text):
        text = text.replace(old, table(HEADINGS[heading], old))
    README.write_text(text.replace(files_in(text), files()), encoding="utf-8")
