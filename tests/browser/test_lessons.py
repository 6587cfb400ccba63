"""Every lesson in a real JupyterLab: it runs, its first slider works by keyboard, it fits a projector's page."""

from pathlib import Path

import pytest

LESSONS = sorted(path.name for path in (Path(__file__).resolve().parents[2] / "notebooks").glob("[0-9]*.ipynb"))
HIGHEST_PANEL_PX = 600


@pytest.mark.parametrize("name", LESSONS)
def test_lesson(name, open_lesson, tmp_path):
    lesson = open_lesson(f"notebooks/{name}")
    lesson.run_all()
    page = lesson.page
    page.screenshot(path=str(tmp_path / f"{name}.png"))
    assert lesson.seen_errors() == []
    assert lesson.too_wide() == []

    heights = page.evaluate(
        "[...document.querySelectorAll('.sl-panel:not(.sl-question)')].map(box => box.offsetHeight)"
    )
    assert heights and max(heights) <= HIGHEST_PANEL_PX

    panel = page.locator(".sl-panel", has=page.locator(".noUi-handle")).first
    handle, picture = panel.locator(".noUi-handle").first, panel.locator(".sl-view img")
    if panel.locator(".sl-guess").count():  # it shows no data before the guess above it
        assert panel.locator(".sl-view p").last.inner_text().strip() == ""
        for question in page.locator(".sl-question").all():
            question.locator("button").first.press("Enter")
        panel.get_by_text("Your guess:").wait_for()
    assert handle.get_attribute("aria-label").strip()
    before = [picture.get_attribute(key) for key in ("src", "alt")]
    at_top = float(handle.get_attribute("aria-valuenow")) >= float(handle.get_attribute("aria-valuemax"))
    handle.focus()
    page.keyboard.press("ArrowLeft" if at_top else "ArrowRight")
    page.wait_for_function(
        "([box, src]) => box.querySelector('.sl-view img').src !== src",
        arg=[panel.element_handle(), before[0]],
        timeout=20_000,
    )
    after = [picture.get_attribute(key) for key in ("src", "alt")]
    assert after[0] != before[0] and after[1] != before[1]
    assert panel.locator(".sl-view p").last.inner_text().strip() == after[1]
    page.screenshot(path=str(tmp_path / f"{name}-moved.png"))
    assert lesson.seen_errors() == []
