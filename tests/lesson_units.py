"""Count the words and the minutes of each unit: `python tests/lesson_units.py` prints both, with what the page states.

The minutes are a model, not a measurement: 130 words a minute, of the page and of what its cells print; one minute for
a guess, a setting to make and describe, a word to choose, a question from before and a missing number; two for a number
that a check asks for and for an exercise. What is folded, as an answer or for the curious, counts nowhere.
"""

import re
from pathlib import Path

import nbformat

NOTEBOOKS = Path(__file__).resolve().parents[1] / "notebooks"
WORDS_A_MINUTE = 130
FOLDED = r"<details><summary>(Answer|For the curious).*?</details>"


def words_in(text):
    """Return the words of a text."""
    return re.findall(r"[A-Za-z0-9][\w'’.,%-]*", text)


def text_of(path):
    """Return the text of a unit, with hints and sources; answers and what is for the curious are folded away."""
    cells = nbformat.read(path, as_version=4).cells
    text = "\n\n".join(cell.source for cell in cells if cell.cell_type == "markdown")
    return re.sub(FOLDED, "", text, flags=re.DOTALL)


def printed_by(path):
    """Return what the cells of a unit print and show as text."""
    shown = [out for cell in nbformat.read(path, as_version=4).cells for out in cell.get("outputs", ())]
    return "\n".join(out.get("text") or out["data"].get("text/plain", "") for out in shown)


def tasks_of(path):
    """Return the tasks of a unit: each is a setting to make and to describe."""
    parts = re.split(r"^(?=#)", text_of(path), flags=re.MULTILINE)
    explored = [part for part in parts if re.match(r"#+ .*Explore", part)]
    return [task for part in explored for task in re.findall(r"^\d\. (.*)$", part, flags=re.MULTILINE)]


def answers_of(path):
    """Return (numbers, words) that the checks of a unit ask for, but those for the curious and of an own house."""
    count, curious = [0, 0], False
    for cell in nbformat.read(path, as_version=4).cells:
        if cell.cell_type == "markdown" and re.search(r"^## ", cell.source, flags=re.MULTILINE):
            curious = "## For the curious" in cell.source
        if cell.cell_type == "code" and not curious and re.search(r"\banswer\(questions(?!\.own_)", cell.source):
            chosen = any("Choose from" in out.get("data", {}).get("text/plain", "") for out in cell.outputs)
            count[chosen] += len("".join(re.findall(r'parts="(\w+)"', cell.source))) or 1
    return count


def minutes_of(path):
    """Return the minutes of a unit by the model."""
    text = text_of(path)
    guesses = sum(".predict(" in cell.source for cell in nbformat.read(path, as_version=4).cells)
    before = len(re.findall(r"^- \*\*[abc]\)\*\*", text, flags=re.MULTILINE))
    alone = len(re.findall(r"^\*\*[123]\. ", text, flags=re.MULTILINE))
    reading = (len(words_in(text)) + len(words_in(printed_by(path)))) / WORDS_A_MINUTE
    typed, chosen = answers_of(path)
    short = guesses + len(tasks_of(path)) + before + text.count("**?**") + chosen
    return reading + short + 2 * (typed + alone)


def stated(path):
    """Return the minutes that a page states."""
    return int(re.search(r"^\*\*Time:?\*\*:? (\d+) minutes", text_of(path), flags=re.MULTILINE)[1])


if __name__ == "__main__":
    print(f"{'unit':<30}{'words':>6}{'minutes':>9}{'stated':>8}")
    for unit in sorted(NOTEBOOKS.glob("[0-9]*.ipynb")):
        print(f"{unit.stem:<30}{len(words_in(text_of(unit))):>6}{minutes_of(unit):>9.1f}{stated(unit):>8}")
