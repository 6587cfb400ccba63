"""The three views of a lesson: what a host does in front of a room, and what a reader cannot spoil."""

import pytest

LESSON = "notebooks/00-start-here.ipynb"
SOURCE = ".jp-Notebook.jp-mod-editMode, .jp-MarkdownCell:not(.jp-mod-rendered)"  # a cell open to be edited


@pytest.fixture
def lesson(open_lesson, lab):
    for kept in lab.root.glob("notebooks/my-answers/*"):  # of other tests: a guess made before opens its picture
        kept.unlink()
    opened = open_lesson(LESSON, view="large")
    opened.live()
    return opened


def stop(page):
    page.wait_for_timeout(200)
    return page.evaluate("document.body.dataset.stop")


def step(page, times=1):
    for _ in range(times):
        page.keyboard.press("PageDown")
    return stop(page)


def test_hands_open_the_picture_and_answers_are_held_back(lesson):
    page = lesson.page
    assert stop(page) == "title" and page.get_by_role("heading", level=1).is_visible()
    assert [step(page) for _ in range(3)] == ["picture", "caption", "question"]  # first the drawing of the system
    question, panel = page.locator(".sl-question").first, page.locator(".sl-panel:has(.sl-controls)").first
    assert step(page) == "hands"
    assert step(page) == "hands"  # nobody has guessed: the picture stays closed, and the page says why
    assert question.get_by_text("Type the hands for at least one answer").is_visible()
    rows = question.locator(".sl-tally label")
    for hands, row in zip((2, 9, 1, 0), rows.all()):
        row.locator("input").fill(str(hands))
    assert question.get_by_text("12 hands").is_visible()
    widths = rows.locator("i").evaluate_all("bars => bars.map(bar => parseFloat(bar.style.width))")
    assert widths == pytest.approx([100 * hands / 12 for hands in (2, 9, 1, 0)], abs=0.01)
    guess = rows.nth(1).locator("span").inner_text()
    assert step(page) == "picture"
    panel.get_by_text(f"Your guess: {guess}").wait_for()
    caption = panel.locator(".sl-view p").last
    assert not caption.is_visible() and not question.is_visible()
    assert step(page) == "caption" and caption.is_visible()
    assert step(page) == "reply"
    assert question.get_by_text("Not so.").or_(question.get_by_text("That is right.")).is_visible()
    assert step(page) == "check"
    field = page.locator(".sl-now input[type=text]")
    field.fill("nb")  # keys that step elsewhere are letters in a field
    assert stop(page) == "check" and field.input_value() == "nb"
    page.keyboard.press("PageUp")
    assert stop(page) == "reply"
    page.keyboard.press("Escape")
    page.wait_for_timeout(300)
    assert page.evaluate("document.body.dataset.view") == "page" and question.is_visible()
    assert lesson.seen_errors() == []


def test_no_key_and_no_double_click_changes_a_page(lesson):
    page = lesson.page
    page.locator(".sl-strip").get_by_role("button", name="As a page").click()
    cells = "() => window.jupyterapp.shell.currentWidget.content.widgets.length"
    before = page.evaluate(cells)
    page.locator(".jp-MarkdownCell").nth(1).click()
    for key in ("d", "d", "x", "a", "b", "m", "Enter"):
        page.keyboard.press(key)
    page.locator(".jp-MarkdownCell").nth(1).dblclick()
    page.wait_for_timeout(300)
    assert page.evaluate(cells) == before and page.locator(SOURCE).count() == 0
    page.locator(".sl-strip").get_by_role("button", name="With code").click()
    page.locator(".jp-MarkdownCell").nth(1).dblclick()
    page.locator(SOURCE).wait_for()  # so that the check can fail


def test_a_reload_finds_the_place_the_view_and_the_answers(lesson):
    page = lesson.page
    page.locator(".sl-strip").get_by_role("button", name="As a page").click()
    panel = page.locator(".sl-panel:has(.sl-controls)").first
    panel.get_by_role("button", name="Next task").press("Enter")
    assert panel.locator(".sl-task").get_by_text("2 of 3").is_visible()
    assert not panel.locator(".sl-task").get_by_text("1 of 3").is_visible()
    page.locator(".sl-question").first.locator("button").first.press("Enter")
    panel.scroll_into_view_if_needed()
    page.wait_for_timeout(300)
    place = "() => window.jupyterapp.shell.currentWidget.content.outerNode.scrollTop"
    before = page.evaluate(place)
    assert before > 300
    page.reload()
    lesson.live()
    assert page.evaluate("document.body.dataset.view") == "page"
    assert abs(page.evaluate(place) - before) < 150
    panel.get_by_text("Your guess:").wait_for()
    assert lesson.seen_errors() == []


def test_run_again_begins_anew_and_a_failing_cell_is_told(lesson):
    page = lesson.page
    page.locator(".sl-strip").get_by_role("button", name="With code").click()
    page.evaluate("""() => { const notebook = window.jupyterapp.shell.currentWidget.content;
        notebook.widgets.filter(cell => cell.model.type === 'code')[1].model.sharedModel.setSource('1 / 0'); }""")
    page.locator(".sl-strip").get_by_role("button", name="Run again").click()
    page.locator("[data-lesson=stopped]").wait_for(timeout=60_000)
    assert "its message stands below it" in page.locator(".sl-strip [role=status]").inner_text()
    assert page.get_by_text("ZeroDivisionError").first.is_visible()


def test_at_200_percent_the_words_of_a_picture_are_twice_as_large(open_lesson, tmp_path):
    """WCAG 2.1, 1.4.4 and 1.4.10: the page never scrolls sideways; the picture does, in its own region, when asked."""
    lesson = open_lesson(LESSON, view="page", zoom=2)
    lesson.live()
    page, panel = lesson.page, lesson.page.locator(".sl-panel:has(.sl-controls)").first
    page.locator(".sl-question").first.locator("button").first.press("Enter")
    panel.get_by_text("Your guess:").wait_for()
    picture, view = panel.locator(".sl-view img"), panel.locator(".sl-view")
    button = panel.get_by_role("button", name="Larger picture")
    assert lesson.too_wide() == [] and picture.evaluate("img => img.offsetWidth") < 640
    button.press("Enter")
    assert picture.evaluate("img => [img.offsetWidth, img.offsetHeight]") == [1040, 400]
    others = [box for box in lesson.too_wide() if "sl-view" not in box]
    assert others == [] and button.get_attribute("aria-pressed") == "true"
    panel.get_by_role("region", name="Picture").focus()
    for _ in range(6):
        page.keyboard.press("ArrowRight")
    page.wait_for_timeout(500)
    moved = view.evaluate("box => box.scrollLeft")
    assert moved > 100
    caption = panel.locator(".sl-view p").last
    assert caption.evaluate("box => box.getBoundingClientRect().left") >= 0
    before = picture.get_attribute("src")
    panel.locator(".noUi-handle").first.press("ArrowRight")
    page.wait_for_function(
        "([img, src]) => document.contains(img) ? img.src !== src : true", arg=[picture.element_handle(), before]
    )
    page.wait_for_timeout(300)
    assert view.evaluate("box => box.scrollLeft") == moved  # a redraw keeps the place
    page.screenshot(path=str(tmp_path / "larger.png"))
    button.press("Enter")
    assert lesson.too_wide() == [] and panel.get_by_role("region", name="Picture").count() == 0
    page.set_viewport_size({"width": 1280, "height": 720})
    assert not button.is_visible()
    assert lesson.seen_errors() == []
