"""The form of a file in a real JupyterLab: only what is open is asked, with buttons."""

MOST_ACTIONS = 10


class Owner:
    """Presses buttons in a panel and counts."""

    def __init__(self, panel):
        self.panel, self.actions = panel, 0

    def answer(self, question, words):
        """Press the button of an answer."""
        asked = self.panel.locator(".sl-question > .widget-vbox", has_text=question)
        asked.locator("button", has_text=words).first.click()
        self.actions += 1

    def press(self, words):
        self.panel.get_by_role("button", name=words).first.click()
        self.actions += 1


def test_an_owner_answers_what_is_open(open_lesson, tmp_path):
    lesson = open_lesson("notebooks/12-own-house.ipynb")
    lesson.live()
    page = lesson.page
    form = Owner(page.locator(".sl-panel", has_text="reads-by-hand.csv").first)
    form.press("Read the file")
    form.panel.get_by_text("Still to choose: In which order").wait_for()
    form.answer("In which order are day, month", "month first")
    for column, words in (("In", "bought from the grid"), ("Out", "sold to the grid")):
        form.answer(f"What does {column} measure?", words)
        form.answer(f"In which unit is {column}?", "kWh")
    form.answer("In which unit is Array?", "kWh")
    form.press("Read the file")
    form.panel.get_by_text("9 rows read = 9 used + 0 set aside").wait_for()
    assert form.panel.locator("select, input[type=text]").count() == 0
    page.screenshot(path=str(tmp_path / "form.png"))
    assert form.actions <= MOST_ACTIONS
    assert lesson.seen_errors() == []
