"""The panel of a lesson: controls, one picture, one sentence - live, still and in words in one object.

`explore` shows a picture with controls, `show` shows it still. Both give a notebook one display with three
forms of the same thing: the live panel, the picture with its caption, and the caption alone as plain text.
The figure is built once; a redraw restores its background and paints only what moves.
"""

import base64
import copy
from html import escape

import ipywidgets as widgets

from solarlib.lessons.tools.controls import CHARACTER_PX, SPEAK, STYLE, Act, Control
from solarlib.lessons.tools.display import Shown, bundle
from solarlib.lessons.tools.figures import SHOWN_HEIGHT, SHOWN_WIDTH, png, with_caption
from solarlib.quantities import InputError, in_form

MOST_CONTROLS, MOST_ROWS = 4, 3
SHOWN = SHOWN_WIDTH, SHOWN_HEIGHT
SHORTEST_CAPTION = 20
CLOSED = "Make your guess above. Then the picture shows its data."
SLOW = '<p class="sl-note">Each change is computed anew: let the slider go, then wait a moment.</p>'


def _flatten(artists):
    """Return the artists of nested lists and containers in drawing order."""
    flat = []
    for artist in artists:
        flat.extend([artist] if hasattr(artist, "set_animated") else _flatten(artist))
    return sorted(flat, key=lambda artist: artist.get_zorder())


class Picture:
    """A figure built once, the artists that move on it, and the function that moves them.

    Parameters
    ----------
    figure : Figure
        From `figures.new_figure`, with limits and labels already fixed.
    moving : iterable of artists (containers and nested lists welcome)
        What ``update`` changes, words included. They are painted above everything that stays.
    update : callable
        ``update(**values)`` gives the moving artists their data and RETURNS the caption: one sentence with the
        numbers and units shown. With a ``state`` it is called as ``update(state=..., **values)``.
    slow : bool
        True for a picture that recomputes a year, or many: it then redraws when a slider is let go, and says so.
    state : dict, optional
        Start of what push buttons change; every panel works on its own copy.

    Notes
    -----
    If ``update`` changes something that is not in ``moving``, the whole figure is drawn anew: right, but slower.
    """

    def __init__(self, figure, moving, update, slow=False, state=None):
        self.figure, self.update, self.slow, self.state = figure, update, slow, state
        self.moving = _flatten(moving)
        for artist in self.moving:
            artist.set_animated(True)
        self.full_draws = 0  # how often the whole figure was drawn: 1 for a picture that moves well
        self._background = None

    def empty(self):
        """Return PNG bytes of the axes alone: nothing in them tells what the picture is going to show."""
        inside = [
            artist
            for axes in self.figure.axes
            for artist in (*axes.lines, *axes.collections, *axes.patches, *axes.images, *axes.texts)
            if artist.get_visible()
        ]
        for artist in inside:
            artist.set_visible(False)
        self.figure.canvas.draw()
        for artist in inside:
            artist.set_visible(True)
        self._background = None
        return png(self.figure)

    def render(self, **values):
        """Return (PNG bytes, caption) for these values of the controls."""
        caption = self.update(**values)
        for artist in self.moving:
            if hasattr(artist, "set_text"):
                artist.set_text(in_form(artist.get_text()))
        if not isinstance(caption, str) or len(caption.strip()) < SHORTEST_CAPTION:
            allowed = f"a sentence of {SHORTEST_CAPTION} or more characters"
            raise InputError(f"picture: found the caption {caption!r}, allowed is {allowed}")
        canvas = self.figure.canvas
        # animated artists do not make their figure stale, so this sees a change of anything that should stay
        if self._background is None or self.figure.stale:
            canvas.draw()
            self._background = canvas.copy_from_bbox(self.figure.bbox)
            self.full_draws += 1
        else:
            canvas.restore_region(self._background)
        for artist in self.moving:
            self.figure.draw_artist(artist)
        return png(self.figure), in_form(" ".join(caption.split()))


def _reason(error):
    """Return one line that says what went wrong, for a reader."""
    words = " ".join(str(error).split()) or "no reason given"
    return words if isinstance(error, InputError) else f"{type(error).__name__}: {words}"


class Panel(Shown):
    """A picture with its controls, as shown in one notebook cell.

    Attributes
    ----------
    controls : dict of str to Control
        By keyword, in the order of the call; their widgets are in ``widgets``.
    acts : dict of str to Act
        The push buttons.
    state : dict or None
        What the push buttons change.
    caption : str
        The sentence under the picture.
    error : Exception or None
        Why the picture could not be drawn at the last change; the reader sees its reason in the picture's place.
    """

    def __init__(self, picture, controls, fixed=None, after=None):
        self.picture, self._fixed, self._after = picture, fixed or {}, after
        self.acts = {name: control for name, control in controls.items() if isinstance(control, Act)}
        self.controls = {name: control for name, control in controls.items() if name not in self.acts}
        self._check()
        self.state = copy.deepcopy(picture.state)
        self.error, self.caption, self._png = None, "", None
        self.widgets = {name: control.make() for name, control in self.controls.items()}
        self.buttons = {name: widgets.Button(description=button.label) for name, button in self.acts.items()}
        self._view = widgets.HTML()
        self._view.add_class("sl-view")
        self.box = self._arrange()
        self._empty = picture.empty() if after else None
        self._redraw(first=True)
        if after:
            after.buttons.observe(self._changed, names="value")
        for widget in self.widgets.values():
            widget.observe(self._changed, names="value")
        for name, button in self.buttons.items():
            button.on_click(lambda _, name=name: self.press(name))

    def _check(self):
        for name, control in self.controls.items():
            if not isinstance(control, Control):
                allowed = "slider, choice, toggle or act(...)"
                raise InputError(f"explore, control {name}: found {control!r}, allowed is {allowed}")
        if len(self.controls) > MOST_CONTROLS:
            raise InputError(f"explore: found {len(self.controls)} controls, allowed are {MOST_CONTROLS} at most")
        if self.acts and self.picture.state is None:
            raise InputError("explore: found a push button and a picture without state, allowed is Picture(state={})")
        px = sum(CHARACTER_PX * len(button.label) + 26 for button in self.acts.values())
        if px > SHOWN_WIDTH:
            found = f"push buttons {px} pixels wide"
            raise InputError(f"explore: found {found}, allowed are {SHOWN_WIDTH}: use fewer words")
        cells = 0
        for control in self.controls.values():
            cells = (cells + cells % 2 + 2) if control.wide else cells + 1
        rows = (cells + 1) // 2 + bool(self.acts) + self.picture.slow
        if rows > MOST_ROWS:
            raise InputError(f"explore: found {rows} rows of controls, allowed are {MOST_ROWS}: shorten or drop one")

    def _arrange(self):
        """Return the box of the whole panel: controls in two columns, push buttons, picture."""
        for name, widget in self.widgets.items():
            widget.layout.width, widget.layout.margin = "98%", "1px 0"
            if self.controls[name].wide:
                widget.add_class("sl-wide")
            if hasattr(widget, "continuous_update"):
                widget.continuous_update = not self.picture.slow
        parts = [widgets.HTML(STYLE, layout=widgets.Layout(display="none"))]
        if self.widgets:
            parts.append(widgets.GridBox(list(self.widgets.values())))
            parts[-1].add_class("sl-controls")
        if self.buttons:
            parts.append(widgets.HBox(list(self.buttons.values())))
        if self.picture.slow and self.widgets:
            parts.append(widgets.HTML(SLOW))
        box = widgets.VBox([*parts, self._view])
        box.add_class("sl-panel")
        return box

    @property
    def values(self):
        """The present values of the controls, by keyword."""
        return {name: control.check(self.widgets[name].value, name) for name, control in self.controls.items()}

    def set(self, **values):
        """Set controls as a person would, redraw once and return the panel.

        Raises
        ------
        InputError
            For a name or a value that the panel does not allow. (A picture that fails is seen in ``error``.)
        """
        for name in values:
            if name not in self.controls:
                raise InputError(f"control {name}: found no such control, allowed is one of {list(self.controls)}")
        accepted = {name: self.controls[name].check(value, name) for name, value in values.items()}
        for name, value in accepted.items():
            self.widgets[name].unobserve(self._changed, names="value")
            self.widgets[name].value = value
            self.widgets[name].observe(self._changed, names="value")
        self._redraw()
        return self

    def press(self, name):
        """Do what the push button does, redraw and return the panel."""
        if name not in self.acts:
            raise InputError(f"button {name}: found no such button, allowed is one of {list(self.acts)}")
        self._redraw(act=self.acts[name].callback)
        return self

    def _changed(self, change):
        self._redraw()

    def _redraw(self, act=None, first=False):
        try:
            values = self._fixed | self.values
            if act:
                act(self.state, values)
            if self.state is not None:
                values = {"state": self.state} | values
            self._png, self.caption = self.picture.render(**values)
            self.error = None
        except Exception as error:  # whatever went wrong, the reader is told why, in the picture's place
            if first:
                raise
            self.error = error
            self._view.value = f'<div class="sl-alert" role="alert"><b>No picture.</b> {escape(_reason(error))}</div>'
            return
        guess = self._after.buttons.value if self._after else ""
        png, caption = (self._empty, "") if guess is None else (self._png, self.caption)
        told = CLOSED if guess is None else f"Your guess: {guess}"
        head = f'<p class="sl-guess">{escape(told)}</p>' if self._after else ""
        self._view.value = f"{head}{_image((png, *SHOWN), caption or told)}<p>{escape(caption)}</p>"

    def _repr_mimebundle_(self, include=None, exclude=None):
        still = with_caption(self._png, self.caption)
        if self._after is None:
            return bundle(self, self.caption, still)
        folded = f"<details><summary>After your guess</summary>{_image(still, self.caption)}</details>"
        closed = _image(with_caption(self._empty, CLOSED), CLOSED)
        return bundle(self, self.caption, html=closed + folded)


def _image(picture, words):
    """Return (PNG, width, height) as an HTML image that speaks its words. [CSS px]"""
    png_bytes, width, height = picture
    data = base64.b64encode(png_bytes).decode("ascii")
    size = f'width="{width}" height="{height}" onload="{SPEAK}"'
    return f'<img alt="{escape(words)}" {size} src="data:image/png;base64,{data}">'


def explore(picture, after=None, **controls):
    """Return the live panel of a picture: put it on the last line of a cell.

    Parameters
    ----------
    picture : Picture
    after : Prediction, optional
        Until it is answered the panel shows axes and controls, and no data.
    **controls : slider, choice, toggle or act
        At most four (push buttons apart), shown in this order; ``picture.update`` gets their values by these names.

    Raises
    ------
    InputError
        For a control that is none, too many of them, or a start value out of range.
    """
    return Panel(picture, controls, after=after)


def show(picture, **values):
    """Return the picture for these values, still: the same display without controls."""
    return Panel(picture, {}, values)
