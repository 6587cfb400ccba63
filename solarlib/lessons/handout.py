"""Lessons on paper: `python -m solarlib.lessons.handout NOTEBOOK... [--key] [--code]`.

Writes one HTML file beside each notebook's name into the present folder: offline, no script, no request to any
server. It is a worksheet: guesses to mark, lines below tasks, axes to draw on, boxes for answers; with ``--key`` the
teacher's copy, with pictures, hints and answers.
"""

import argparse
import re
import sys
from pathlib import Path

import nbformat
from jinja2 import FileSystemLoader
from nbconvert.exporters import HTMLExporter

ORDER = ["image/png", "text/html", "text/markdown", "text/plain"]
DOLLAR = re.compile(r"(?P<code>`[^`]*`)|\\?\$")  # of an amount: no formula begins with it
FOLDED = re.compile("<details.*?</details>", re.S)


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
            cell.source = DOLLAR.sub(lambda found: found["code"] or "&#36;", cell.source)
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
