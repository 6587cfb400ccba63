"""How the lessons speak: what of the rules of DEVELOPERS.md, "The voice", a test can hold.

A lesson that is not written that way yet stands in `WAITING`.
"""

import re
import tomllib
from pathlib import Path

import nbformat
import pytest
from lesson_units import text_of, words_in

ROOT = Path(__file__).resolve().parents[2]
MOST_WORDS, MOST_SHORT, LONGEST_TASK = 1500, 0.15, 110  # a task stands in one line above its picture
FRAGMENTS = r"Good to \d|Write down:|[Bb]ack to your prediction|[Cc]ompare your prediction|Was your prediction"
LEFT_OUT = r"\b(simply|obviously|of course|smart|users?|learners?|the reader)\b|!(?!\[)"
SETTING = r"(Jan|Feb|Mar|Apr|May|Jun|Jul|Aug|Sep|Oct|Nov|Dec|Day \d|Size \d|\d|The start|Limit|Tilt|Load)\b"
WAITING = ()
LESSONS = [
    (path, ROOT / "solarlib" / "lessons" / package)
    for path in sorted((ROOT / "notebooks").glob("[0-9]*.ipynb"))
    if path.name[:2] not in WAITING
    for package in re.findall(r"from solarlib\.lessons\.(\w+) import", path.read_text(encoding="utf-8"))[:1]
]
pytestmark = pytest.mark.parametrize("path, folder", LESSONS, ids=[path.stem for path, _ in LESSONS])


def questions_of(folder):
    """Return the entries of a lesson's questions, by name."""
    return tomllib.loads((folder / "questions.toml").read_text(encoding="utf-8"))


def texts_of(folder):
    """Yield every text of a lesson's questions and captions."""
    held = [questions_of(folder), tomllib.loads((folder / "captions.toml").read_text(encoding="utf-8"))]
    while held:
        one = held.pop()
        if isinstance(one, str):
            yield one
        elif isinstance(one, (dict, list)):
            held += one.values() if isinstance(one, dict) else one


def test_a_unit_is_short_and_its_sentences_are_not(path, folder):
    text = text_of(path)
    assert len(words_in(text)) <= MOST_WORDS
    sentences = [part.split() for part in re.split(r"(?<=[.!?:])\s+", re.sub(r"[*#>`]", "", text))]
    sentences = [sentence for sentence in sentences if len(sentence) > 1]
    short = [" ".join(sentence) for sentence in sentences if len(sentence) < 5]
    assert len(short) <= MOST_SHORT * len(sentences), short


def test_no_fragment_and_no_word_that_talks_down(path, folder):
    for text in (text_of(path), *texts_of(folder)):
        for rule in (FRAGMENTS, LEFT_OUT):
            found = re.search(rule, text)
            assert not found, text[max(0, found.start() - 40) : found.end() + 40]


def test_a_task_is_one_line_that_says_what_to_do(path, folder):
    for cell in nbformat.read(path, as_version=4).cells:
        if cell.cell_type == "markdown" and re.search(r"^## .*Explore", cell.source, flags=re.M):
            for task in re.findall(r"^\d\. (.*)$", cell.source, flags=re.M):
                assert len(task) <= LONGEST_TASK and not re.match(SETTING, task), task


def test_guesses_are_of_one_length_and_each_is_answered_on_its_own(path, folder):
    for name, entry in questions_of(folder).items():
        options = entry.get("options", {})
        if options:
            lengths = sorted(map(len, options))
            assert lengths[-1] <= 1.5 * lengths[0] + 4, f"{name}: {list(options)}"
            assert len(set(options.values())) == len(options) >= 3, name


def test_a_wrong_number_is_told_what_the_question_gives(path, folder):
    for name, entry in questions_of(folder).items():
        if "unit" in entry:
            assert entry.get("other", "").endswith("?"), f"{name}: a reply to any other number asks for what is missing"
