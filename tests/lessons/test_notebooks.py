"""The form of every lesson: stored outputs are whole and clean, cells are short, headings and captions are there."""

import re
import statistics
from pathlib import Path

import nbformat
import pytest

from solarlib.lessons import save

NOTEBOOKS = sorted((Path(__file__).resolve().parents[2] / "notebooks").glob("[0-9]*.ipynb"))
LONGEST_CELL, LONGEST_MEDIAN, LONGEST_SETUP, SHORTEST_CAPTION = 15, 12, 5, 20
pytestmark = pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)


def cells(path, kind):
    """Return [(number, cell)] of one kind."""
    return [
        (index + 1, cell)
        for index, cell in enumerate(nbformat.read(path, as_version=4).cells)
        if cell.cell_type == kind
    ]


def lines(cell):
    """Return a code cell's lines that are not blank."""
    return [line for line in cell.source.splitlines() if line.strip()]


def headings(path):
    """Return [(level, words)] of all headings, those in code fences left out."""
    text = "\n".join(re.sub(r"```.*?```", "", cell.source, flags=re.S) for _, cell in cells(path, "markdown"))
    return [(len(marks), words) for marks, words in re.findall(r"^(#{1,6})\s+(.*)$", text, flags=re.M)]


def test_stored_as_the_save_command_stores(path):
    notebook = nbformat.read(path, as_version=4)
    nbformat.validate(notebook)
    assert notebook.metadata.kernelspec.name == "python3"
    again = nbformat.read(path, as_version=4)
    save.normalise(again)
    assert again == notebook, "outputs not written by `python3 -m solarlib save`"
    assert path.read_text(encoding="utf-8") == nbformat.writes(notebook) + "\n"


def test_every_cell_has_run_in_order_and_clean(path):
    counts = [cell.execution_count for _, cell in cells(path, "code") if cell.source.strip()]
    assert counts == list(range(1, len(counts) + 1))
    for number, cell in cells(path, "code"):
        for output in cell.outputs:
            assert output.output_type != "error", f"cell {number}"
            assert output.get("name") != "stderr", f"cell {number}"


def test_every_picture_has_its_words(path):
    for number, cell in cells(path, "code"):
        for output in cell.outputs:
            if "image/png" in output.get("data", {}):
                words = output["data"]["text/plain"]
                assert len(words) >= SHORTEST_CAPTION and not words.startswith("<"), f"cell {number}: {words}"
    for number, cell in cells(path, "markdown"):
        for words in re.findall(r"!\[(.*?)\]\(", cell.source):
            assert len(words) >= SHORTEST_CAPTION, f"cell {number}: alternative text {words!r}"
        assert "<img" not in cell.source, f"cell {number}: write ![words](file)"


def test_no_output_tells_where_it_was_made(path):
    for number, cell in cells(path, "code"):
        shown = "\n".join(
            str(output.get("text", ""))
            + "\n".join(str(held) for mime, held in output.get("data", {}).items() if mime.startswith("text/"))
            for output in cell.outputs
        )
        assert not re.search(r"0x[0-9a-f]{6,}|/home/|/tmp/|/root/|[A-Z]:\\\\|ipykernel_\d", shown), (
            f"cell {number}: {shown[:200]}"
        )


def test_code_cells_are_short_and_plain(path):
    code = [(number, cell) for number, cell in cells(path, "code")]
    sizes = [len(lines(cell)) for _, cell in code]
    assert statistics.median(sizes) <= LONGEST_MEDIAN
    for number, cell in code:
        assert 1 <= len(lines(cell)) <= LONGEST_CELL, f"cell {number} has {len(lines(cell))} lines"
        for found in re.findall(
            r"import \*|^\s*[%!].*|\binput\(|sys\.path|pip install|https?://\S+", cell.source, flags=re.M
        ):
            pytest.fail(f"cell {number}: {found!r} has no place in a lesson's code")
    number, setup = code[0]
    assert len(lines(setup)) <= LONGEST_SETUP and "import" in setup.source, f"cell {number} is the set-up cell"


def test_a_panels_code_is_hidden_behind_a_sentence_and_answers_with_it(path):
    for number, cell in cells(path, "code"):
        hidden = cell.metadata.get("jupyter", {}).get("source_hidden", False)
        named = bool(re.match(r"# (Panel|Field): .{7,}", cell.source))
        assert hidden == named, f"cell {number}: code is hidden if its first line is `# Panel: ...` or `# Field: ...`"
        if not hidden:
            assert not re.search(r"\b(explore|predict|answer)\(", cell.source), f"cell {number}: begin with `# ...`"
            assert not re.search(r"\b(expected|right)\s*=", cell.source), f"cell {number} shows the answer"


def test_headings(path):
    found = headings(path)
    levels = [level for level, _ in found]
    assert levels.count(1) == 1 and levels[0] == 1
    assert all(later - earlier <= 1 for earlier, later in zip(levels, levels[1:])), f"a level is skipped: {found}"
    assert len({words for _, words in found}) == len(found), "two headings with the same words"


def test_a_dollar_is_money_and_starts_no_formula(path):
    """Pages of lessons draw no formulas, so that two amounts in one paragraph are not joined to one."""
    for number, cell in cells(path, "markdown"):
        assert not re.search(r"\\\$|\$(?![\d\"])", cell.source), f"cell {number}: a formula is written in words"


def test_links_lead_somewhere(path):
    for number, cell in cells(path, "markdown"):
        for target in re.findall(r"\]\(([^)#\s]+)[^)]*\)", cell.source):
            if not re.match(r"[a-z]+:", target):
                assert (path.parent / target).exists(), f"cell {number}: {target}"
