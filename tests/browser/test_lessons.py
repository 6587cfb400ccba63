"""Every lesson in a real JupyterLab: it runs by itself and stays at its top, its first slider works by keyboard, each
panel fits the window with its task; as a page no code is seen; large, every stop can be read from the back row.
"""

from pathlib import Path

import pytest

LESSONS = sorted(path.name for path in (Path(__file__).resolve().parents[2] / "notebooks").glob("[0-9]*.ipynb"))
HIGHEST_PANEL_PX = 600  # of the 608 that JupyterLab leaves of a window 720 high
LEAST_LARGE_PX = 27  # 2.5 % of 1080
CODE_OR_FRAME = (
    ".jp-CodeCell .jp-Cell-inputWrapper, .jp-NotebookPanel-toolbar, #jp-menu-panel, .jp-SideBar, .jp-InputPrompt"
)
# of the stop that is shown: where it ends, where the strip begins, the smallest words, and what they are
STOP = """() => { let ends = 0, least = [Infinity, ''];
  for (const cell of document.querySelectorAll('.sl-now')) {
    const zoom = parseFloat(getComputedStyle(cell).zoom), walk = document.createTreeWalker(cell, NodeFilter.SHOW_TEXT);
    ends = Math.max(ends, cell.getBoundingClientRect().bottom);
    while (walk.nextNode()) { const box = walk.currentNode.parentElement, words = walk.currentNode.textContent.trim();
      if (!words || box.tagName === 'STYLE' || !box.getClientRects().length) continue;
      const px = parseFloat(getComputedStyle(box).fontSize) * zoom; if (px < least[0]) least = [px, words]; }
    for (const img of cell.querySelectorAll('.sl-view img')) { if (img.width < 100) continue;
      const px = 12 / 72 * 100 * img.getBoundingClientRect().width / 1040;
      if (px < least[0]) least = [px, 'picture']; } }
  const strip = document.querySelector('.sl-strip').getBoundingClientRect().top;
  return {ends, strip, px: least[0], words: least[1]}; }"""
PLACE = """() => { const notebook = window.jupyterapp.shell.currentWidget.content;
  return [notebook.activeCellIndex, notebook.outerNode.scrollTop]; }"""


@pytest.mark.parametrize("name", LESSONS)
def test_lesson(name, open_lesson, tmp_path):
    lesson = open_lesson(f"notebooks/{name}")
    lesson.live()
    page = lesson.page
    assert page.evaluate(PLACE) == [0, 0]
    page.screenshot(path=str(tmp_path / f"{name}.png"))
    assert lesson.seen_errors() == []
    assert lesson.too_wide() == []

    heights = page.evaluate(
        "[...document.querySelectorAll('.sl-panel:not(.sl-question)')].map(box => box.offsetHeight)"
    )
    assert heights and max(heights) <= HIGHEST_PANEL_PX
    assert page.locator(".sl-panel > .sl-task").count() >= len(page.locator(".sl-panel .sl-controls").all()) - 2

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

    page.locator(".sl-strip").get_by_role("button", name="As a page").click()
    page.wait_for_timeout(300)
    assert [box for box in page.locator(CODE_OR_FRAME).all() if box.is_visible()] == []
    assert lesson.too_wide() == []
    page.set_viewport_size({"width": 1920, "height": 1080})
    page.locator(".sl-strip").get_by_role("button", name="Large").click()
    last = int(page.locator(".sl-stop span").inner_text().split(":")[0].split(" of ")[1])
    kinds = []
    for _ in range(last):
        page.wait_for_timeout(150)
        kinds.append(page.evaluate("document.body.dataset.stop"))
        found = page.evaluate(STOP)
        assert found["px"] >= LEAST_LARGE_PX, (kinds, found)
        assert kinds[-1] not in ("question", "hands", "picture", "caption") or found["ends"] <= found["strip"], (
            kinds,
            found,
        )
        page.keyboard.press("PageDown")
    assert {"title", "question", "hands", "picture", "caption", "reply", "check"} == set(kinds)
    assert lesson.seen_errors() == []
