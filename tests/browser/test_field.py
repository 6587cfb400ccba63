"""Fields and gates in a real browser: typed, judged on Enter, kept when the page is opened again."""

import nbformat
import pytest

FIELD = """
from solarlib.lessons.tools import answer, check

def check_sum(given):
    return check.number(given, 26.3, "kWh", 0.05, {2.63: "Ten times too little: count the days again."})

answer(check_sum)
"""
NAME = "from solarlib.lessons.tools import first_name\nme = answer(first_name, label='Your first name')\nme"
WORDS = """
def check_season(given):
    return check.choose(given, "summer", {"summer": "Yes, then.", "winter": "Look again."})

answer(check_season)
"""
GUESS = 'guess = check.predict("How high?", {"5 kW": "Yes.", "7 kW": "It ends lower."}, right="5 kW")\nguess'
PANEL = """
from solarlib.lessons.tools import explore, slider
from solarlib.lessons.tools.panel import Picture
from solarlib.lessons.tools.figures import line, new_figure, zero_based

def ramp():
    figure, ax = new_figure()
    zero_based(ax, 10, "power (kW)")
    curve = line(ax, "pv", [0, 1], [0, 0])
    def update(height):
        curve.set_data([0, 1], [0, height])
        return f"The line ends at {height} kW, as it was to be guessed."
    return Picture(figure, [curve], update)

explore(ramp(), after=guess, height=slider("Height", 0, 10, 1, 5, "kW"))
"""


@pytest.fixture
def lesson(open_lesson, lab):
    cells = [nbformat.v4.new_code_cell(text.strip()) for text in (FIELD, NAME, WORDS, GUESS, PANEL)]
    metadata = {"kernelspec": {"display_name": "Python 3", "language": "python", "name": "python3"}}
    nbformat.write(nbformat.v4.new_notebook(cells=cells, metadata=metadata), lab.root / "field.ipynb")
    opened = open_lesson("field.ipynb")
    opened.run_all()
    return opened


def test_fields_and_gate(lesson, open_lesson, tmp_path):
    page = lesson.page
    number, word, season = (page.locator(".sl-answer").nth(i) for i in range(3))
    box = number.get_by_label("Answer (kWh)")
    for typed, said in (("2.63", "Ten times too little"), ("July", "in figures"), ("26,3 kWh", "26.3 kWh is right")):
        box.fill(typed)
        box.press("Enter")
        number.locator("[aria-live=polite]").get_by_text(said).wait_for()
        assert page.evaluate("document.activeElement.tagName") == "INPUT"  # the focus stays
    word.get_by_label("Your first name").fill("Ann")
    word.get_by_label("Your first name").press("Enter")
    word.get_by_text("when the lesson runs again").wait_for()
    season.get_by_role("button", name="winter").press("Enter")
    season.locator("[aria-live=polite]").get_by_text("Look again.").wait_for()

    panel = page.locator(".sl-panel", has=page.locator(".noUi-handle"))
    panel.get_by_text("Make your guess above").wait_for()
    height, closed = panel.evaluate("box => box.offsetHeight"), panel.locator("img").get_attribute("src")
    panel.locator(".noUi-handle").press("ArrowRight")
    page.wait_for_timeout(600)
    assert panel.locator("img").get_attribute("src") == closed and "ends at" not in panel.inner_text()
    page.locator(".sl-question").get_by_role("button", name="7 kW").press("Enter")
    panel.get_by_text("ends at 6 kW").wait_for()
    assert panel.get_by_text("Your guess: 7 kW").is_visible()
    assert abs(panel.evaluate("box => box.offsetHeight") - height) <= 1
    page.screenshot(path=str(tmp_path / "field.png"))
    assert lesson.seen_errors() == [] and lesson.too_wide() == []

    again = open_lesson("field.ipynb")
    again.run_all()
    number, word, season = (again.page.locator(".sl-answer").nth(i) for i in range(3))
    assert number.get_by_label("Answer (kWh)").input_value() == "26,3 kWh"
    number.get_by_text("26.3 kWh is right").wait_for()
    assert word.get_by_label("Your first name").input_value() == "Ann"
    season.get_by_text("Look again.").wait_for()
    again.page.get_by_text("Your guess: 7 kW").wait_for()
    assert again.seen_errors() == []
