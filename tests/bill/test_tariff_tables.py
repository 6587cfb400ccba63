"""The tables of `data/tariffs/README.md` are what the declared fields say.

Run this file to write them anew: ``python tests/bill/test_tariff_tables.py``.
"""

from dataclasses import MISSING, fields

import pytest

from solarlib.bill.tariff import TARIFF_FOLDER, Block, Bucket, Charge, Credit, Tariff
from solarlib.schema import Table

README = TARIFF_FOLDER / "README.md"
HEADINGS = {
    "`[tariff]`": Tariff,
    "`[[tariff.charge]]`": Charge,
    "`blocks`": Block,
    "`[[tariff.bucket]]`": Bucket,
    "`[tariff.credit]`": Credit,
}


def row(item):
    """Return the row of one declared field."""
    more, default = item.metadata, item.default
    key, words = more.get("key", item.name), more["words"]
    if "only" in more or "exactly" in more:
        other, *values = more.get("only", more.get("exactly"))
        words += f'; {"only" if "only" in more else "just"} with `{other} = "{values[0]}"`'
    if "beside" in more:
        words += f"; with `{more['beside']}`"
    read = more["read"]
    allowed = read.allowed if not isinstance(read, Table) else "tables" if read.many else "a table"
    if default is MISSING:
        allowed += "; needed"
    elif default not in (None, (), "") and not isinstance(read, Table):
        allowed += f"; *{str(default).lower() if isinstance(default, bool) else default}*"
    return f"| `{key}` | {words} | {allowed} |"


def table(kind):
    """Return the table of the keys of one declared class."""
    return "\n".join(["| key | meaning | allowed; *default* |", "|---|---|---|", *map(row, fields(kind))])


def parts(text):
    """Yield (heading, text up to its table, the table, text after it) of each section with a table."""
    for section in text.split("\n## ")[1:]:
        lines = section.splitlines()
        at = [i for i, line in enumerate(lines) if line.startswith("|")]
        if at:
            yield lines[0].split(":")[0], "\n".join(lines[at[0] : at[-1] + 1])


@pytest.mark.parametrize("heading", HEADINGS)
def test_the_readme_holds_the_table_of_the_declarations(heading):
    assert dict(parts(README.read_text(encoding="utf-8")))[heading] == table(HEADINGS[heading])


def test_every_key_has_words_and_every_table_a_kind():
    assert [heading for heading, _ in parts(README.read_text(encoding="utf-8"))] == list(HEADINGS)
    assert all(item.metadata["words"] for kind in HEADINGS.values() for item in fields(kind))


if __name__ == "__main__":
    text = README.read_text(encoding="utf-8")
    for heading, old in parts(text):
        text = text.replace(old, table(HEADINGS[heading]))
    README.write_text(text, encoding="utf-8")
