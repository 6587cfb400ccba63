"""Every control of every panel of every lesson, at its least, start and greatest value, and all of them together.

The panels are found by running the lessons: a new lesson, or a new panel in one, is tested without a word here.
"""

import re
import sys
import warnings
from functools import cache

import matplotlib
import numpy as np
import pytest
from matplotlib.colors import to_rgba

from lesson_panels import NOTEBOOKS, css_pixels, panels_of
from solarlib.lessons.tools import figures

LONGEST_CAPTION = 250  # two lines under the picture
MOST_NUMBERS = 4  # in a caption; a date is none, and the lines of a bill are a list
FEW_NUMBERS = ("00", "01", "02", "03", "04", "05", "11", "13")  # lessons whose captions keep to them
DATE = r"\b\d{1,2} (?:January|February|March|April|May|June|July|August|September|October|November|December)\b"
pytestmark = pytest.mark.slow


@cache
def panels(path):
    return panels_of(path)


def settings_of(panel):
    """Yield every setting that a sweep must try."""
    controls = panel.controls
    start = {name: control.value for name, control in controls.items()}
    for name, control in controls.items():
        for value in control.extremes:
            yield start | {name: value}
    for end in (0, -1):
        yield {name: control.extremes[end] for name, control in controls.items()}
    yield start


def check_drawn(panel, setting):
    assert panel.error is None, f"at {setting}: {panel.error!r}"
    assert 20 <= len(panel.caption) <= LONGEST_CAPTION, (
        f"at {setting}, {len(panel.caption)} characters: {panel.caption}"
    )
    words = panel.caption.lower().replace(",", " ").replace(".", " ").replace(";", " ").split()
    assert not {"nan", "inf", "-inf", "none", "nat"} & set(words), f"at {setting}: {panel.caption}"


def check_few_numbers(path, panel):
    numbers = re.findall(r"\d[\d,.:]*", re.sub(DATE + r"|(?<=\d): .*?(?=\. The year)", "", panel.caption))
    assert path.name[:2] not in FEW_NUMBERS or len(numbers) <= MOST_NUMBERS, panel.caption


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_every_control_at_every_extreme(path):
    found = panels(path)
    assert any(panel.controls for _, panel in found), "a lesson without a panel"
    for cell, panel in found:
        check_drawn(panel, f"cell {cell}, start")
        captions = set()
        for setting in settings_of(panel):
            with warnings.catch_warnings():
                warnings.simplefilter("error")
                panel.set(**setting)
            check_drawn(panel, f"cell {cell}, {setting}")
            check_few_numbers(path, panel)
            captions.add(panel.caption)
        assert len(captions) > 1 or not panel.controls, f"cell {cell}: no control changes the caption"
        for name in panel.acts:
            for press in range(3):
                panel.press(name)
                check_drawn(panel, f"cell {cell}, button {name}, press {press + 1}")


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_every_control_changes_what_is_seen(path):
    for cell, panel in panels(path):
        if panel.acts:
            continue  # a live exercise may answer to a control only after a button
        start = {name: control.value for name, control in panel.controls.items()}
        for name, control in panel.controls.items():
            # some controls answer only beside certain values of the others: try them at their ends too
            for others in (start, *({o: held.extremes[end] for o, held in panel.controls.items()} for end in (0, -1))):
                pictures = {panel.set(**(others | {name: value}))._png for value in control.extremes}
                if len(pictures) > 1:
                    break
            else:
                pytest.fail(f"cell {cell}: control {name} changes nothing in the picture")


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_text_is_large_enough_and_nothing_is_left_open(path):
    for cell, panel in panels(path):
        figure = panel.picture.figure
        assert figure.canvas.get_width_height() == (1560, 600), f"cell {cell}"
        for text in figure.findobj(matplotlib.text.Text):
            if text.get_text().strip() and text.get_visible():
                size = css_pixels(text.get_fontsize())
                assert size >= 14, f"cell {cell}: {text.get_text()!r} is {size:.1f} px, allowed is 14 px or more"
        assert all(ax.get_legend() is None for ax in figure.axes), f"cell {cell}: label directly, without a legend box"
    if "matplotlib.pyplot" in sys.modules:
        assert sys.modules["matplotlib.pyplot"].get_fignums() == []


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_a_move_paints_only_what_moves(path):
    for cell, panel in panels(path):
        if panel.picture.slow:
            continue
        before = panel.picture.full_draws
        for setting in list(settings_of(panel))[:8]:
            panel.set(**setting)
        assert panel.picture.full_draws == before, f"cell {cell}: `update` changes something that is not in `moving`"


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_a_square_beside_a_word_is_as_plain_as_what_it_names(path):
    """In grey two plain squares are the same: a hatched area needs words that are ``hatched``."""
    roles = {to_rgba(role.text): to_rgba(role.colour) for role in figures.ROLES.values()}
    for cell, panel in panels(path):
        for ax in panel.picture.figure.axes:
            filled = [area for area in (*ax.collections, *ax.patches) if area.get_hatch()]
            hatched = {tuple(colour) for area in filled for colour in np.reshape(area.get_facecolor(), (-1, 4))}
            for text in ax.texts:
                if text.get_text().startswith("■"):
                    colour = roles.get(to_rgba(text.get_color()))
                    assert colour not in hatched, f"cell {cell}: {text.get_text()!r}: its areas are hatched"
