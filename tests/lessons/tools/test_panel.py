"""The panel: controls refuse what they should, a redraw equals a full draw, errors are seen, nothing leaks."""

import base64
import io
import sys
from types import SimpleNamespace

import ipywidgets
import numpy as np
import pytest
from hypothesis import given, settings, strategies as st
from PIL import Image

from profiles import examples
from solarlib.lessons.tools import display
from solarlib.lessons.tools.controls import act, choice, own_slider, slider, toggle
from solarlib.lessons.tools.figures import area, bars, direct_label, line, new_figure, zero_based
from solarlib.lessons.tools.panel import MOST_CONTROLS, Picture, explore, show
from solarlib.quantities import InputError

X = np.linspace(0, 1, 50)


def ramp(state=None, slow=False, forget=()):
    """Return a picture with a line, an area, bars and words; ``forget`` leaves some of them out of ``moving``."""
    figure, (left, right) = new_figure(1, 2)
    zero_based(left, 10, "power (kW)")
    zero_based(right, 10, "energy (kWh)")
    left.set_xlim(0, 1)
    moving = {
        "line": line(left, "load", X, X),
        "area": area(left, "pv", X, 0 * X, X),
        "bars": bars(right, "bank", [1, 2], [1, 2]),
        "words": direct_label(left, 0, 0, "PV", "pv"),
    }

    def update(height=5, start=0, cloudy=False, faces="south", state=None):
        if height == 10 and cloudy:
            raise ValueError("too bright\nfor clouds")
        moving["line"].set_data(X, start + X * height / 2)
        moving["area"].set_data(X, 0 * X, X * height)
        for bar, value in zip(moving["bars"], (height, start)):
            bar.set_height(value)
        moving["words"].set_position((0.5, height / 2))
        moving["words"].set_text(f"{height} kW {faces}")
        return f"The line ends at {height} kW, {'cloudy' if cloudy else 'clear'}, {faces}, state {state}."

    return Picture(figure, [artist for name, artist in moving.items() if name not in forget], update, slow, state)


def panel(**how):
    return explore(
        ramp(**how),
        height=slider("Height", 0, 10, 0.5, 5, "kW"),
        start=slider("Start", 0, 4, 1, 1),
        cloudy=toggle("Cloudy", False),
        faces=choice("Faces", ["south", "west"], "south"),
    )


def read(png):
    return np.asarray(Image.open(io.BytesIO(png)).convert("RGB"))


# the picture


@settings(deadline=None, max_examples=examples(15))
@given(moves=st.lists(st.tuples(st.floats(0, 9), st.integers(0, 4)), min_size=1, max_size=4))
def test_a_redraw_equals_a_picture_drawn_from_nothing(moves):
    picture = ramp()
    for height, start in moves:
        moved, _ = picture.render(height=height, start=start)
    fresh, _ = ramp().render(height=moves[-1][0], start=moves[-1][1])
    assert np.array_equal(read(moved), read(fresh))
    assert picture.full_draws == 1


def test_what_is_forgotten_in_moving_is_still_drawn_right():
    picture = ramp(forget=("bars", "words"))
    picture.render(height=2)
    moved, _ = picture.render(height=7)
    fresh, _ = ramp(forget=("bars", "words")).render(height=7)
    assert np.array_equal(read(moved), read(fresh))
    assert picture.full_draws == 2


@pytest.mark.parametrize("caption", [None, "", "short", 5])
def test_a_picture_must_return_its_caption(caption):
    figure, _ = new_figure()
    with pytest.raises(InputError, match="^picture: found the caption .*allowed"):
        show(Picture(figure, [], lambda: caption))


# the controls


@pytest.mark.parametrize(
    "make, message",
    [
        (
            lambda: slider("Tilt", 0, 90, 5, 95, "deg"),
            "slider Tilt: found 95 deg, allowed is a number from 0 to 90 deg",
        ),
        (lambda: slider("Tilt", 0, 90, 7, 0), "allowed is a whole number of steps"),
        (lambda: slider("Tilt", 90, 0, 5, 45), "allowed is a whole number of steps"),
        (lambda: slider("Tilt", 0, 90, 0, 45), "allowed is a whole number of steps"),
        (
            lambda: slider("Use", 0, 100, 1, -1, "kWh"),
            "slider Use: found -1 kWh, allowed is a number from 0 to 100 kWh",
        ),
        (lambda: slider("Use", 0, 100, 1, "x", "kWh"), "slider Use, value: found 'x'"),
        (lambda: choice("Faces", ["south", "west"], "east"), "choice Faces: found 'east', allowed is one of"),
        (lambda: choice("Faces", ["south"], "south"), "choice Faces"),
        (lambda: toggle("Cloudy", 1), "toggle Cloudy: found 1, allowed is True or False"),
        (lambda: slider("A label that is much longer than the room", 0, 1, 1, 0), "found a label of 41 characters"),
        (lambda: act("", None), "found a label of 0 characters"),
    ],
)
def test_a_control_written_wrongly_is_refused_in_one_line(make, message):
    with pytest.raises(InputError) as error:
        make()
    assert message in str(error.value) and "\n" not in str(error.value)


@pytest.mark.parametrize(
    "values, message",
    [
        ({"height": 11}, "control height: found 11, allowed is a number from 0 to 10 kW"),
        ({"height": "5"}, "control height: found '5'"),
        ({"height": float("nan")}, "control height: found nan"),
        ({"start": 1.5}, "control start: found 1.5, allowed is a whole number from 0 to 4"),
        ({"faces": "east"}, "control faces: found 'east', allowed is one of ['south', 'west']"),
        ({"cloudy": 1}, "control cloudy: found 1, allowed is True or False"),
        ({"tilt": 3}, "control tilt: found no such control, allowed is one of ['height', 'start', 'cloudy', 'faces']"),
    ],
)
def test_a_value_out_of_range_is_refused_and_changes_nothing(values, message):
    shown = panel()
    before = shown.values
    with pytest.raises(InputError) as error:
        shown.set(**{"cloudy": True} | values if "cloudy" not in values else values)
    assert message in str(error.value)
    assert shown.values == before


@pytest.mark.parametrize(
    "controls, message",
    [
        ({"height": 5}, "control height: found 5, allowed is slider"),
        ({f"c{i}": toggle("On", True) for i in range(MOST_CONTROLS + 1)}, "found 5 controls, allowed are 4"),
        ({"go": act("Go", print)}, "a picture without state"),
        (
            {
                name: choice(name, ["some quite long words", "and other long words"], "and other long words")
                for name in ("faces", "height", "start", "cloudy")
            },
            "found 4 rows of controls, allowed are 3",
        ),
    ],
)
def test_a_panel_written_wrongly_is_refused(controls, message):
    with pytest.raises(InputError, match=message):
        explore(ramp(), **controls)


def test_whole_numbers_stay_whole_and_steps_stay_tidy():
    shown = panel().set(start=3, height=0.1 + 0.2)
    assert isinstance(shown.values["start"], int)
    assert shown.values["height"] == 0.3
    assert isinstance(panel().widgets["height"], ipywidgets.FloatSlider)
    assert isinstance(explore(ramp(), height=slider("Height", 0, 9, 1, 5)).widgets["height"], ipywidgets.IntSlider)


def test_a_choice_gives_the_value_behind_the_words():
    shown = explore(ramp(), height=choice("Height", {"low": 1, "high": 9}, 9))
    assert isinstance(shown.widgets["height"], ipywidgets.ToggleButtons)
    assert "9 kW" in shown.caption and "1 kW" in shown.set(height=1).caption
    many = explore(ramp(), height=choice("Height", {f"a height of {i} kilowatts": i for i in range(9)}, 3))
    assert isinstance(many.widgets["height"], ipywidgets.SelectionSlider)
    assert "8 kW" in many.set(height=8).caption


def test_a_slow_picture_waits_for_the_slider_to_be_let_go_and_says_so():
    assert panel().widgets["height"].continuous_update
    slow = explore(ramp(slow=True), height=slider("Height", 0, 10, 1, 5))
    assert not slow.widgets["height"].continuous_update
    assert any("is computed anew" in getattr(part, "value", "") for part in slow.box.children)


def test_the_longest_label_and_its_value_fit_above_the_narrowest_track():
    """That of two columns just before they become one, 860 px wide."""
    from matplotlib import get_data_path
    from PIL import ImageFont

    wide = ImageFont.truetype(f"{get_data_path()}/fonts/ttf/DejaVuSans.ttf", 16)  # one of the widest text fonts in use
    for words in ("Level", "Rows of the trays apart", "Right of straight ahead, upward"):
        shown = explore(ramp(), height=slider(words[:28], 0, 10, 1, 5, "m"))
        assert len(shown.controls["height"].label) <= 32
        assert wide.getlength(shown.controls["height"].label) + wide.getlength("10,000") <= (860 - 32) / 2


def test_push_buttons_must_fit_on_one_row():
    buttons = {f"go{i}": act("Go on for another five minutes", print) for i in range(5)}
    with pytest.raises(InputError, match="found push buttons 1480 pixels wide, allowed are 1040"):
        explore(ramp(state={}), **buttons)
    assert len(explore(ramp(state={}), **dict(list(buttons.items())[:3])).buttons) == 3


# the panel


def test_a_moved_widget_redraws_picture_and_caption_together():
    shown = panel()
    assert shown.caption == "The line ends at 5.0 kW, clear, south, state None."
    before = shown._view.value
    shown.widgets["height"].value = 7.5
    assert shown.caption.startswith("The line ends at 7.5 kW")
    assert shown._view.value != before
    assert shown._view.value.count("The line ends at 7.5 kW, clear, south, state None.") == 2  # alt text and sentence


def test_one_display_in_three_forms():
    data, metadata = panel()._repr_mimebundle_()
    assert set(data) == {"application/vnd.jupyter.widget-view+json", "image/png", "text/plain"}
    assert data["text/plain"] == "The line ends at 5.0 kW, clear, south, state None."
    size = Image.open(io.BytesIO(base64.b64decode(data["image/png"]))).size
    assert size[0] == 1560 and metadata["image/png"]["width"] == 1040
    assert panel()._repr_mimebundle_()[0]["image/png"] == data["image/png"]


def test_two_panels_of_one_picture_keep_their_own_pictures():
    picture = ramp()
    first = explore(picture, height=slider("Height", 0, 10, 1, 2))
    alone = first._repr_mimebundle_()[0]["image/png"]
    explore(picture, height=slider("Height", 0, 10, 1, 9))
    assert first._repr_mimebundle_()[0]["image/png"] == alone


def test_show_is_the_same_picture_without_controls():
    still, live = show(ramp(), height=7), explore(ramp(), height=slider("Height", 0, 10, 1, 7))
    assert (still.caption, still._png) == (live.caption, live._png)
    assert not still.controls


def test_an_error_is_shown_kept_and_gone_again():
    shown = panel().set(cloudy=True)
    assert shown.error is None
    shown.widgets["height"].value = 10
    assert isinstance(shown.error, ValueError)
    assert 'role="alert"' in shown._view.value and "ValueError: too bright for clouds" in shown._view.value
    assert "<img" not in shown._view.value
    shown.set(height=9)
    assert shown.error is None and "<img" in shown._view.value


def test_an_error_at_the_first_drawing_fails_the_cell():
    with pytest.raises(ValueError, match="too bright"):
        explore(ramp(), height=slider("Height", 0, 10, 1, 10), cloudy=toggle("Cloudy", True))


def test_words_are_escaped():
    figure, _ = new_figure()
    shown = show(Picture(figure, [], lambda: 'A "quoted" <b>bold</b> caption & more'))
    assert "<b>bold" not in shown._view.value
    assert 'alt="A &quot;quoted&quot; &lt;b&gt;bold' in shown._view.value


# push buttons


def count(state, values):
    state["presses"] += 1
    state["height"] = values["height"]
    if values["height"] == 9:
        raise InputError("height: found 9, allowed is less")


def test_a_button_changes_the_panels_own_state():
    picture = ramp(state={"presses": 0})
    first, second = (explore(picture, height=slider("Height", 0, 10, 1, 5), go=act("Go on", count)) for _ in "ab")
    first.press("go").press("go")
    assert first.state == {"presses": 2, "height": 5} and second.state == picture.state == {"presses": 0}
    assert "'presses': 2" in first.caption
    first.buttons["go"].click()
    assert first.state["presses"] == 3
    assert first.set(height=9).press("go").error.args == ("height: found 9, allowed is less",)
    assert "height: found 9, allowed is less" in first._view.value
    with pytest.raises(InputError, match="button stop: found no such button"):
        first.press("stop")


# nothing leaks


def test_no_pyplot_and_no_open_figures():
    panel().set(height=3)
    if "matplotlib.pyplot" in sys.modules:
        assert sys.modules["matplotlib.pyplot"].get_fignums() == []


@pytest.mark.slow
def test_running_a_cell_again_closes_what_it_had_shown(monkeypatch):
    parent = {"metadata": {"cellId": "a cell"}, "header": {"msg_id": "run 1"}}
    kernel = SimpleNamespace(get_parent=lambda: parent)
    monkeypatch.setattr(display, "get_ipython", lambda: SimpleNamespace(kernel=kernel))
    monkeypatch.setattr(display, "_shown", {})
    alive = ipywidgets.widgets.widget._instances
    counts, shown = [], []
    for run in range(4):
        parent["header"]["msg_id"] = f"run {run}"
        for _ in range(2):
            shown.append(panel())
            shown[-1]._repr_mimebundle_()
        counts.append(len(alive))
    assert counts[1:] == counts[:1] * 3
    assert shown[-1].set(height=4).error is None  # the panels of the last run live
    assert shown[-2].set(height=4).error is None
    assert shown[0].box.comm is None and shown[-1].box.comm is not None


@pytest.mark.parametrize(
    "ends, value, held",
    [
        ((15, 60, 5), 30, (15, 60, 5)),
        ((15, 60, 5), 27, (15, 60, 1)),
        ((15, 60, 5), 90, (15, 90, 5)),
        ((15, 60, 5), 0, (0, 60, 5)),
        ((15, 60, 5), 22.5, (15, 60, 2.5)),
        ((0.2, 0.6, 0.01), 0.345, (0.2, 0.6, 0.005)),
        ((200, 480, 10), 366, (200, 480, 2)),
        ((1000, 10_000, 100), 800, (800, 10_000, 100)),
        ((1, 24, 1), 48, (1, 48, 1)),
        ((-2, 5, 0.1), -4.25, (-4.25, 5, 0.05)),
    ],
)
def test_a_slider_for_a_reader_grows_until_it_holds_the_value(ends, value, held):
    control = own_slider("Own", *ends, value)
    widget = control.make()
    assert control.value == value == pytest.approx(widget.value)
    assert (widget.min, widget.max, widget.step) == pytest.approx(held)
