"""The panel itself in a real browser, on a notebook of its own: names, errors in place, buttons, no jump,
no stale view.
"""

import io

import nbformat
import numpy as np
import pytest
from PIL import Image

SOURCE = """
import numpy as np
from solarlib.lessons.tools import check
from solarlib.lessons.tools import act, choice, explore, slider, toggle
from solarlib.lessons.tools.panel import Picture
from solarlib.lessons.tools.figures import line, new_figure, zero_based

def ramp():
    figure, ax = new_figure()
    zero_based(ax, 10, "power (kW)")
    ax.set_xlim(0, 1)
    curve = line(ax, "pv", [0, 1], [0, 0])
    def update(state, height, broken, side="left"):
        if broken:
            raise ValueError("the cloud <b>broke</b> it")
        curve.set_data([0, 1], [0, height])
        return f"The line ends at {height} kW on the {side}; the button was pressed {state['presses']} times."
    return Picture(figure, [curve], update, state={"presses": 0})

def press(state, values):
    state["presses"] += 1
"""
PANEL = """explore(ramp(), height=slider("Height", 0, 10, 1, 5, "kW"), broken=toggle("Break it", False),
        side=choice("Side", ["left", "right"], "left"), press=act("Press once", press))"""
ALIVE = "import ipywidgets\nlen(ipywidgets.widgets.widget._instances)"
QUESTION = 'check.predict("Is it?", {"yes": "Look again.", "no": "Look at the line."}, right="yes")'
# every frame for two seconds: height of the panel, and whether a picture with pixels is there
WATCH = """panel => { window.seen = []; const end = performance.now() + 2000;
  const look = () => { const img = panel.querySelector('.sl-view img');
    window.seen.push([panel.offsetHeight, Boolean(img && img.complete && img.naturalWidth === 1560)]);
    if (performance.now() < end) requestAnimationFrame(look); else window.watched = true; }; look(); }"""


@pytest.fixture
def lesson(open_lesson, lab):
    cells = [nbformat.v4.new_code_cell(text.strip()) for text in (SOURCE, QUESTION, PANEL, ALIVE)]
    metadata = {"kernelspec": {"display_name": "Python 3", "language": "python", "name": "python3"}}
    nbformat.write(nbformat.v4.new_notebook(cells=cells, metadata=metadata), lab.root / "panel.ipynb")
    opened = open_lesson("panel.ipynb")
    opened.run_all()
    return opened


def test_the_settings_of_the_lessons(browser, lab):
    page = browser.new_page(viewport={"width": 1280, "height": 720})
    page.goto(f"{lab.base}/?token={lab.token}")
    page.wait_for_function("() => window.jupyterapp && window.jupyterapp.shell.currentWidget", timeout=60_000)
    page.wait_for_timeout(1500)  # pop-ups come late
    assert "/doc/tree/notebooks/00-start-here.ipynb" in page.url
    assert page.locator(".jp-Dialog, .Toastify__toast").count() == 0
    width = page.locator(".jp-WindowedPanel-outer").evaluate("panel => panel.clientWidth")
    assert width >= 1100  # the side bar is closed: 1040 for a picture, and its margins
    status = page.request.get(f"{lab.base}/api/terminals?token={lab.token}").status
    assert status == 404
    page.close()


def test_spoken_names_and_states(lesson):
    panel = lesson.page.locator(".sl-panel:not(.sl-question):not(.sl-answer)")
    assert panel.locator(".noUi-handle").get_attribute("aria-label") == "Height (kW)"
    pressed = panel.locator(".widget-toggle-buttons button").evaluate_all(
        "buttons => buttons.map(button => [button.textContent, button.getAttribute('aria-pressed')])"
    )
    assert pressed == [["left", "true"], ["right", "false"]]
    panel.get_by_role("button", name="right").press("Space")
    panel.get_by_text("on the right").wait_for()
    lesson.page.wait_for_timeout(400)
    assert panel.get_by_role("button", name="right").get_attribute("aria-pressed") == "true"
    assert lesson.seen_errors() == []


def test_prediction_tells_nothing_before_a_choice(lesson):
    question = lesson.page.locator(".sl-question")
    assert "Look" not in question.inner_text()
    assert lesson.too_wide() == []
    question.get_by_role("button", name="no").press("Enter")
    question.get_by_text("Not so. Look at the line.").wait_for()
    question.get_by_role("button", name="yes").press("Enter")
    question.get_by_text("That is right. Look again.").wait_for()
    question.evaluate("box => box.style.maxWidth = box.style.width = '3000px'")
    assert lesson.too_wide()  # so the check of the width can fail


def test_button_by_keyboard_and_a_new_start_when_the_cell_runs_again(lesson):
    panel = lesson.page.locator(".sl-panel:not(.sl-question):not(.sl-answer)")
    alive = lesson.page.locator(".jp-OutputArea").last.inner_text().split()[-1]
    for _ in range(2):
        panel.get_by_role("button", name="Press once").press("Enter")
    panel.locator("p", has_text="pressed 2 times").wait_for()
    lesson.run_all()
    panel.locator("p", has_text="pressed 0 times").wait_for()
    assert panel.count() == 1
    assert (
        lesson.page.locator(".jp-OutputArea").last.inner_text().split()[-1] == alive
    )  # the first run's widgets are closed
    assert int(alive) > 10
    assert lesson.seen_errors() == []


def test_an_error_is_shown_in_place_with_its_reason_and_goes_away(lesson):
    panel = lesson.page.locator(".sl-panel:not(.sl-question):not(.sl-answer)")
    height = panel.evaluate("box => box.offsetHeight")
    panel.get_by_role("checkbox").press("Space")
    alert = panel.get_by_role("alert")
    alert.wait_for()
    assert "ValueError: the cloud <b>broke</b> it" in alert.inner_text()
    assert abs(panel.evaluate("box => box.offsetHeight") - height) <= 1
    panel.get_by_role("checkbox").press("Space")
    panel.locator("img").wait_for()
    assert alert.count() == 0


def test_no_blank_frame_no_jump_and_the_last_value_wins(lesson):
    panel = lesson.page.locator(".sl-panel:not(.sl-question):not(.sl-answer)")
    handle = panel.locator(".noUi-handle")
    handle.focus()
    panel.evaluate(WATCH)
    for key in ["ArrowRight"] * 5 + ["ArrowLeft"] * 10 + ["ArrowRight"] * 8:
        lesson.page.keyboard.press(key)
        lesson.page.wait_for_timeout(30)
    panel.locator("p", has_text="ends at 8 kW").wait_for()
    lesson.page.wait_for_function("() => window.watched")
    seen = lesson.page.evaluate("() => window.seen")
    assert len(seen) > 20
    assert len({height for height, _ in seen}) == 1
    assert all(there for _, there in seen)


def test_saved_and_reopened_it_shows_the_picture(lesson, open_lesson):
    lesson.page.evaluate("() => window.jupyterapp.commands.execute('docmanager:save')")
    lesson.page.wait_for_function("() => !window.jupyterapp.shell.currentWidget.context.model.dirty")
    lesson.page.evaluate("() => window.jupyterapp.shell.currentWidget.sessionContext.shutdown()")
    again = open_lesson("panel.ipynb")
    picture = again.page.locator(".jp-OutputArea img")
    picture.wait_for()
    assert picture.evaluate("img => [img.naturalWidth, img.width]") == [1560, 1040]
    assert "Is it?" in again.page.locator(".jp-OutputArea").nth(1).inner_text()
    assert again.seen_errors() == []


# of each visible text of the panels: its contrast with the first ground that is painted behind it (WCAG 2.1, 1.4.3)
CONTRASTS = """() => {
  const rgb = text => { const [r, g, b, a = 1] = text.match(/[\\d.]+/g).map(Number); return [r, g, b, a]; };
  const light = ([r, g, b]) => { const part = [r, g, b].map(c => c / 255).map(
    c => c <= 0.04045 ? c / 12.92 : ((c + 0.055) / 1.055) ** 2.4);
    return 0.2126 * part[0] + 0.7152 * part[1] + 0.0722 * part[2]; };
  const ground = box => { for (; box; box = box.parentElement) { const at = rgb(getComputedStyle(box).backgroundColor);
    if (at[3] > 0.99) return at; } return [255, 255, 255]; };
  const found = [], walk = document.createTreeWalker(document.querySelector('.jp-Notebook'), NodeFilter.SHOW_TEXT);
  while (walk.nextNode()) { const box = walk.currentNode.parentElement, words = walk.currentNode.textContent.trim();
    if (!words || !box.closest('.sl-panel') || box.tagName === 'STYLE' || !box.getClientRects().length) continue;
    const [one, two] = [light(rgb(getComputedStyle(box).color)), light(ground(box))].sort((a, b) => a - b);
    found.push([words.slice(0, 30), (two + 0.05) / (one + 0.05)]); }
  return found; }"""
TRACKS = """() => [...document.querySelectorAll('.sl-panel .widget-hslider')].map(row => {
  const [track, label, shown] = ['.slider-container', '.widget-label', '.widget-readout'].map(
    part => row.querySelector(part).getBoundingClientRect());
  return [track.width, label.bottom <= track.top + 2, label.right <= shown.left + 1]; })"""


@pytest.mark.parametrize(("width", "least_px"), [(1280, 300), (960, 300), (820, 300), (640, 200)])
def test_tracks_stay_wide_below_their_labels_in_any_window(lesson, width, least_px):
    lesson.page.set_viewport_size({"width": width, "height": 720})
    lesson.page.wait_for_timeout(500)
    tracks = lesson.page.evaluate(TRACKS)
    assert tracks and all(px >= least_px and above and apart for px, above, apart in tracks), tracks
    assert lesson.too_wide() == []


@pytest.mark.parametrize("theme", ["JupyterLab Light", "JupyterLab Dark"])
def test_all_words_can_be_read_in_both_themes(lesson, theme):
    lesson.page.evaluate("name => window.jupyterapp.commands.execute('apputils:change-theme', {theme: name})", theme)
    lesson.page.wait_for_timeout(1500)
    lesson.page.locator(".sl-question").get_by_role("button", name="no").press("Enter")
    lesson.page.locator(".sl-question").get_by_text("Not so.").wait_for()
    contrasts = lesson.page.evaluate(CONTRASTS)
    dark = lesson.page.evaluate("() => document.body.dataset.jpThemeLight")
    assert dark == ("true" if "Light" in theme else "false") and len(contrasts) > 5
    assert not [found for found in contrasts if found[1] < 4.5], contrasts


def far_from_ground(box):
    """Return where the pixels of a box have 3:1 or more with its corner (WCAG 2.1, 1.4.11), and the pixels."""
    pixels = np.asarray(Image.open(io.BytesIO(box.screenshot())).convert("RGB")) / 255
    part = np.where(pixels <= 0.04045, pixels / 12.92, ((pixels + 0.055) / 1.055) ** 2.4)
    light = part @ (0.2126, 0.7152, 0.0722)
    pair = np.stack([light, np.full_like(light, light[0, 0])])
    return (pair.max(axis=0) + 0.05) / (pair.min(axis=0) + 0.05) >= 3, pixels


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_sliders_buttons_and_focus_are_seen_in_colours_of_the_readers_own(lesson, scheme):
    page = lesson.page
    page.emulate_media(forced_colors="active", color_scheme=scheme)
    panel = page.locator(".sl-panel:not(.sl-question):not(.sl-answer)")
    track, handle = panel.locator(".slider-container"), panel.locator(".noUi-handle")
    seen, before = far_from_ground(track)
    left, right = np.flatnonzero(seen.any(axis=0))[[0, -1]]
    assert right - left > 300 and seen[:, left:right].any(axis=0).all()  # no gap from end to end
    assert far_from_ground(handle)[0].any(axis=0).all()
    handle.focus()
    page.keyboard.press("ArrowRight")
    page.keyboard.press("ArrowLeft")
    page.wait_for_timeout(600)
    assert handle.evaluate("box => getComputedStyle(box).outlineStyle") == "solid"
    assert np.abs(far_from_ground(track)[1] - before).max(axis=2).sum() > 20  # a ring of pixels came
    buttons = panel.locator(".widget-toggle-buttons button")
    grounds = buttons.evaluate_all("all => all.map(box => getComputedStyle(box).backgroundColor)")
    assert grounds[0] != grounds[1]  # the pressed one
    assert lesson.seen_errors() == []


def test_nothing_moves_by_itself_for_who_asks_for_less_motion(lesson):
    moving = """() => [...document.querySelectorAll('.sl-panel, .sl-panel *')].filter(box => {
        const look = getComputedStyle(box), times = look.transitionDuration + ',' + look.animationDuration;
        return times.split(',').some(time => parseFloat(time) > 0); }).map(box => box.className)"""
    tapped = "() => document.querySelector('.noUi-target').classList.add('noUi-state-tap')"  # a press on the track
    lesson.page.evaluate(tapped)
    assert lesson.page.evaluate(moving)  # so that the check can fail
    lesson.page.emulate_media(reduced_motion="reduce")
    assert lesson.page.evaluate(moving) == []
