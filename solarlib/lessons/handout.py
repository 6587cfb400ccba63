"""Lessons on paper: `python -m solarlib.lessons.handout NOTEBOOK... [--key] [--code]`.

Writes one HTML file beside each notebook's name into the present folder: offline, no script, no request to any
server. It is a worksheet: guesses to mark, lines below tasks, axes to draw on, boxes for answers; with ``--key`` the
teacher's copy, with pictures, hints and answers. Formulas are pictures with their source as alternative text.
"""

import argparse
import base64
import io
import re
import sys
from html import escape
from pathlib import Path

import nbformat
from jinja2 import FileSystemLoader
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from nbconvert.exporters import HTMLExporter

from solarlib.lessons.tools.figures import INK

ORDER = ["image/png", "text/html", "text/markdown", "text/plain"]
FORMULA_PT = 12
FOLDED = re.compile("<details.*?</details>", re.S)
CODE_OR_FORMULA = re.compile(
    r"(?P<code>```.*?```|`[^`\n]*`)|\$\$(?P<display>.+?)\$\$"
    r"|(?<![\\$\w])\$(?P<inline>[^\s$`](?:[^$`\n]*[^\s$`\\])?)\$(?![\d$])",
    re.S,
)


def formula(source, display=False):
    """Return a formula as an HTML picture; what the drawing cannot read stays as its source, in a code font.

    Parameters
    ----------
    source : str
        LaTeX without the dollar signs, of the kind that matplotlib reads.
    display : bool
        On a line of its own.
    """
    words = escape(" ".join(source.split()), quote=True)
    figure = Figure(dpi=200)
    FigureCanvasAgg(figure)
    figure.text(0, 0, f"${' '.join(source.split())}$", fontsize=FORMULA_PT, color=INK)
    drawn = io.BytesIO()
    try:
        figure.savefig(drawn, format="png", bbox_inches="tight", pad_inches=0.03, metadata={"Software": None})
    except ValueError:
        return f"<code>{words}</code>"
    width = round(int.from_bytes(drawn.getvalue()[16:20], "big") * 96 / 200)
    data = base64.b64encode(drawn.getvalue()).decode("ascii")
    image = f'<img class="formula" width="{width}" alt="{words}" src="data:image/png;base64,{data}">'
    return f"<p>{image}</p>" if display else image


def draw_formulas(markdown):
    """Return markdown with its formulas as pictures; code and dollar amounts stay as they are."""

    def draw(found):
        return found["code"] or formula(found["display"] or found["inline"], display=bool(found["display"]))

    return CODE_OR_FORMULA.sub(draw, markdown)


def handout(notebook, title, code=False, key=False):
    """Return the printable page of a notebook whose outputs are stored.

    Parameters
    ----------
    notebook : NotebookNode
    title : str
    code : bool
        Print the worked code too; the code behind panels is never printed.
    key : bool
        Print what is folded away too: pictures after the guess, hints, answers.
    """
    notebook = nbformat.from_dict(notebook)
    for cell in notebook.cells:
        if cell.cell_type == "markdown":
            # formulas first: afterwards no dollar sign is left that could start one
            cell.source = draw_formulas(cell.source)
        elif not code or cell.metadata.get("jupyter", {}).get("source_hidden"):
            cell.metadata["transient"] = {"remove_source": True}
    beside = FileSystemLoader(Path(__file__).parent, encoding="utf-8")
    exporter = HTMLExporter(extra_loaders=[beside], template_file="handout.html.j2")
    exporter.display_data_priority = ORDER
    exporter.exclude_input_prompt = exporter.exclude_output_prompt = exporter.exclude_anchor_links = True
    exporter.require_js_url = exporter.mathjax_url = exporter.mermaid_js_url = ""
    exporter.embed_images = True
    about = {"title": title, "metadata": {"name": title}, "key": key}
    page = re.sub(r' onload="[^"]*"', "", exporter.from_notebook_node(notebook, resources=about)[0])
    return page.replace("<details", "<details open") if key else FOLDED.sub("", page)


def main(arguments):
    """Write the pages; return 0."""
    parser = argparse.ArgumentParser(prog="python -m solarlib.lessons.handout", description="Print lessons on paper.")
    parser.add_argument("notebook", nargs="+", type=Path)
    parser.add_argument("--key", action="store_true", help="the teacher's copy: with pictures, hints and answers")
    parser.add_argument("--code", action="store_true", help="print the worked code too")
    chosen = parser.parse_args(arguments)
    for path in chosen.notebook:
        if not path.is_file():
            parser.error(f"no such notebook: {path}")
        notebook = nbformat.read(path, as_version=4)
        target = Path(f"{path.stem}{'-key' if chosen.key else ''}.html")
        target.write_text(handout(notebook, path.stem, chosen.code, chosen.key), encoding="utf-8", newline="\n")
        print(f"{target} written: open it in a browser and print")
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
