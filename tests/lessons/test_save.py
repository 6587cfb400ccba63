"""Storing outputs: two runs differ in nothing, a failing lesson is named and left alone; and the printed page."""

from html.parser import HTMLParser
from pathlib import Path

import nbformat
import pytest

from solarlib.lessons import handout, save
from solarlib.lessons.tools import panel

pytestmark = pytest.mark.slow  # each starts kernels
SETUP = """from solarlib.lessons.tools import check, explore, slider
from solarlib.lessons.tools.panel import Picture
from solarlib.lessons.tools.figures import line, new_figure

figure, ax = new_figure()
curve = line(ax, "pv", [0, 1], [0, 0])

def update(height):
    curve.set_data([0, 1], [0, height])
    return f"The line ends at a height of {height} kW & not \\"higher\\"."
"""
CELLS = [
    SETUP,
    "# Panel: a line\nexplore(Picture(figure, [curve], update), height=slider('Height', 0, 1, 1, 1))",
    "check.predict('Is it?', {'yes': 'Look again.', 'no': 'Look at it.'}, right='yes')",
    "print('half'); 1 / 3",
]
WORDS = "# Title\n\nIt costs \\$5 or $6, **from $7 to $8**, `$x$`.\n\n![A roof seen from the street](none.png)"


def write(path, sources, words=WORDS):
    cells = [nbformat.v4.new_markdown_cell(words), *map(nbformat.v4.new_code_cell, sources)]
    for index, cell in enumerate(cells):
        cell["id"] = f"cell-{index}"
        if cell.source.startswith("# Panel"):
            cell.metadata["jupyter"] = {"source_hidden": True}
    nbformat.write(
        nbformat.v4.new_notebook(cells=cells, metadata={"language_info": {"name": "python", "version": "3.0"}}), path
    )
    return path


@pytest.fixture(scope="module")
def stored(tmp_path_factory):
    path = write(tmp_path_factory.mktemp("a b é") / "01-line.ipynb", CELLS)
    assert save.main([str(path)]) == 0
    return path


def test_two_runs_differ_in_nothing(stored, capsys):
    before = stored.read_bytes()
    assert save.main([str(stored)]) == 0
    assert "unchanged" in capsys.readouterr().out
    assert stored.read_bytes() == before


def test_what_is_stored(stored):
    notebook = nbformat.read(stored, as_version=4)
    nbformat.validate(notebook)
    panel, question, number = (cell.outputs for cell in notebook.cells[2:])
    assert set(panel[0].data) == {"image/png", "text/plain"}
    assert panel[0].data["text/plain"] == 'The line ends at a height of 1 kW & not "higher".'
    assert set(question[0].data) == {"text/plain"}
    assert (number[0].text, number[1].data["text/plain"][:6]) == ("half\n", "0.3333")
    assert [cell.execution_count for cell in notebook.cells[1:]] == [1, 2, 3, 4]
    assert notebook.metadata == {"kernelspec": save.KERNEL, "language_info": {"name": "python"}}
    assert notebook.cells[2].metadata == {"jupyter": {"source_hidden": True}}


@pytest.mark.parametrize(
    "source, reason",
    [
        ("x = 1\n1 / 0", "ZeroDivisionError: division by zero"),
        ("import warnings\nwarnings.warn('old way')", "writes a warning"),
    ],
)
def test_a_lesson_that_fails_is_named_and_left_alone(tmp_path, capsys, source, reason):
    path = write(tmp_path / "02-broken.ipynb", ["a = 1", source, "b = 2"])
    before = path.read_bytes()
    assert save.main([str(path)]) == 1
    said = capsys.readouterr().err
    assert f"02-broken.ipynb, cell 3 ({source.splitlines()[0]})" in said and reason in said
    assert path.read_bytes() == before
    assert list(tmp_path.iterdir()) == [path]


def test_a_missing_lesson_is_named(capsys):
    assert save.main(["no-such.ipynb"]) == 2
    assert "no-such.ipynb" in capsys.readouterr().err


class Page(HTMLParser):
    """The words of a page, the alternative text of its pictures, and what it would fetch."""

    def __init__(self, html):
        super().__init__()
        self.words, self.pictures, self.fetched, self.scripts = "", [], [], 0
        self.feed(html)

    def handle_starttag(self, tag, attributes):
        held = dict(attributes)
        self.scripts += tag == "script"
        self.fetched += [held[key] for key in ("src", "srcset") if key in held and not held[key].startswith("data:")]
        self.fetched += [held["href"]] if tag == "link" else []
        if tag == "img":
            self.pictures.append(held.get("alt"))

    def handle_data(self, data):
        self.words += data


def test_the_printed_page_is_whole_and_alone(stored, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    assert handout.main([str(stored)]) == 0
    page = Page((tmp_path / "01-line.html").read_text(encoding="utf-8"))
    assert (page.scripts, page.fetched) == (0, ["none.png"])  # the picture that the lesson itself names
    assert page.pictures == ["A roof seen from the street", 'The line ends at a height of 1 kW & not "higher".']
    assert "( ) yes" in page.words and "Look again" not in page.words  # the question without its replies
    assert "1 / 3" not in page.words and "$5 or $6, from $7 to $8, $x$." in page.words


def test_the_printed_page_may_show_worked_code_but_no_panels_code(stored):
    page = Page(handout.handout(nbformat.read(stored, as_version=4), "line", code=True))
    assert "def update" in page.words and "# Panel" not in page.words


@pytest.mark.parametrize("name", ["00-start-here", "05-credit-bank"])
def test_a_worksheet_tells_no_answer_and_the_key_tells_all(name):
    path = Path(__file__).resolve().parents[2] / "notebooks" / f"{name}.ipynb"
    notebook = nbformat.read(path, as_version=4)
    outputs = [output.data for cell in notebook.cells for output in cell.get("outputs", []) if "data" in output]
    captions = [data["text/plain"] for data in outputs if "After your guess" in data.get("text/html", "")]
    answers = [cell for cell in notebook.cells if "<summary>Answer" in cell.source]
    sheet, key = (handout.handout(notebook, name, key=key) for key in (False, True))
    assert len(captions) >= 1 and len(answers) >= 2
    assert "<details" not in sheet and "onload" not in sheet and 'class="name"' in sheet
    assert key.count("<details open") >= len(captions) + len(answers) and 'class="name"' not in key
    for caption in captions:
        assert caption not in Page(sheet).pictures and caption in Page(key).pictures
    assert Page(sheet).pictures.count(panel.CLOSED) == len(captions)


def test_printed_text_is_stored_in_one_piece():
    pieces = [nbformat.v4.new_output("stream", name="stdout", text=text) for text in ("one\n", "two\n")]
    other = nbformat.v4.new_output("stream", name="stderr", text="three\n")
    notebook = nbformat.v4.new_notebook(cells=[nbformat.v4.new_code_cell("print()", outputs=[*pieces, other])])
    save.normalise(notebook)
    assert [(item.name, item.text) for item in notebook.cells[0].outputs] == [
        ("stdout", "one\ntwo\n"),
        ("stderr", "three\n"),
    ]
