"""The controls that a panel may have: each is a description in plain values, made into a widget by the panel.

Only kinds that work by keyboard inside a notebook are offered: sliders, selection sliders, toggle buttons,
check boxes and push buttons. (Drop-downs and radio buttons lose their arrow keys there.)
"""

import math
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import partial
from html import escape
from pathlib import Path

import ipywidgets as widgets

from solarlib.quantities import InputError, refuse_if, require

BUTTONS_WIDTH_PX = 780
CHARACTER_PX = 9  # a wide one of 16 px text
LONGEST_LABEL = 32

FOLDER = Path(__file__).parent
# Larger than a notebook's own 13 px, in the theme's colours, labels above their tracks, one column in a narrow view, a
# visible focus, and a fixed height wherever the words change.
STYLE = f"<style>\n{(FOLDER / 'panel.css').read_text(encoding='utf-8')}</style>"
# Sliders and toggle buttons come without a spoken name and state: give them those from the visible words.
SPEAK = escape((FOLDER / "panel.js").read_text(encoding="utf-8").replace("\n", ""))
# A one-pixel picture whose arrival runs SPEAK where there is no other picture.
SPOKEN_DOT = (
    '<img alt="" width="1" height="1" style="position:absolute" src="data:image/gif;base64,'
    'R0lGODlhAQABAIAAAAAAAP///yH5BAEAAAAALAAAAAABAAEAAAIBRAA7" onload="' + SPEAK + '">'
)


@dataclass(frozen=True)
class Control:
    """One control: its words, its start value, the values that tests must try, and how to make its widget."""

    label: str
    value: object
    extremes: tuple
    allowed: str
    accept: Callable = field(repr=False)  # value -> value as the widget holds it, or InputError's reason as None
    make: Callable = field(repr=False)  # () -> widget
    wide: bool = False  # needs a row of its own

    def check(self, value, name):
        """Return the value as the widget holds it, or raise an InputError that names the control."""
        accepted = self.accept(value)
        refuse_if(accepted is None, "value_of_control", f"control {name}", value=value, allowed=self.allowed)
        return accepted


@dataclass(frozen=True)
class Act:
    """A push button: its words and what it does to the panel's state."""

    label: str
    callback: Callable = field(repr=False)


def _words(label, unit=""):
    text = f"{label} ({unit})" if unit else label
    wrong = not isinstance(label, str) or not 2 <= len(text) <= LONGEST_LABEL
    refuse_if(wrong, "label_of_control", f"control {text!r}", length=len(text), most=LONGEST_LABEL)
    return text


def _decimals(*numbers):
    """Return how many decimals the numbers are written with, at most six."""
    return max(len(f"{number:.6f}".rstrip("0").partition(".")[2]) for number in numbers)


def slider(label, low, high, step, value, unit=""):
    """Describe a slider from ``low`` to ``high``; whole numbers throughout give whole numbers. [unit]"""
    words, where = _words(label, unit), f"slider {label}"
    for number, name in ((low, "low"), (high, "high"), (step, "step"), (value, "value")):
        require(number, f"{where}, {name}")
    steps = (high - low) / step if step > 0 else 0.0
    uneven = steps < 1 or not math.isclose(steps, round(steps), abs_tol=1e-6)
    refuse_if(uneven, "steps_of_slider", where, low=low, high=high, step=step)
    require(value, where, low, high, unit)
    whole = all(isinstance(number, int) for number in (low, high, step, value))
    decimals = _decimals(low, step, value)

    def accept(found):
        try:
            number = require(found, label, low, high)
        except InputError:
            return None
        if whole:
            return int(number) if number == int(number) else None
        return round(number, decimals)

    kind, shown = (widgets.IntSlider, "d") if whole else (widgets.FloatSlider, f".{decimals}f")
    make = partial(kind, min=low, max=high, step=step, value=value, description=words, readout_format=shown)

    allowed = f"a {'whole ' if whole else ''}number from {low:g} to {high:g} {unit}".rstrip()
    return Control(words, value, (low, value, high), allowed, accept, make)


def own_slider(label, low, high, step, value, unit=""):
    """Describe a slider that starts at a reader's own value: its range grows until it holds it, its step divides it."""
    held = [round(1e6 * number) for number in (low, high, step, require(value, f"slider {label}"))]
    low, high = min(held[0], held[3]), max(held[1], held[3])
    step = math.gcd(held[2], high - low, held[3] - low)
    millionths = low, high, step, held[3]
    whole = all(number % 1_000_000 == 0 for number in millionths)
    return slider(label, *(n // 1_000_000 if whole else n / 1e6 for n in millionths), unit)


def choice(label, options, value):
    """Describe a choice: buttons if they fit on one row, else a slider that steps through the words.

    Parameters
    ----------
    label : str
    options : sequence of str, or dict of str to any value
        Words shown; with a dict the picture gets the value behind the words.
    value : object
        Start value: one of the values.
    """
    words = _words(label)
    pairs = list(options.items()) if isinstance(options, dict) else [(str(option), option) for option in options]
    values = [held for _, held in pairs]
    refuse_if(len(pairs) < 2 or value not in values, "start_of_choice", f"choice {label}", value=value, values=values)
    width = sum(CHARACTER_PX * len(shown) + 26 for shown, _ in pairs)
    on_one_row = width <= BUTTONS_WIDTH_PX

    def accept(found):
        return found if found in values else None

    kind = widgets.ToggleButtons if on_one_row else widgets.SelectionSlider
    make = partial(kind, options=pairs, value=value, description=words)

    return Control(words, value, tuple(values), f"one of {values}", accept, make, wide=on_one_row and width > 270)


def toggle(label, value):
    """Describe a check box, on (True) or off (False)."""
    refuse_if(not isinstance(value, bool), "start_of_toggle", f"toggle {label}", value=value)
    words = _words(label)

    def accept(found):
        return found if isinstance(found, bool) else None

    make = partial(widgets.Checkbox, value=value, description=words, indent=False)
    return Control(words, value, (False, True), "True or False", accept, make)


def act(label, callback):
    """Describe a push button that changes the panel's state and redraws.

    Parameters
    ----------
    label : str
    callback : callable
        Called as ``callback(state, values)``: ``state`` is the panel's own copy of the picture's state dict, to be
        changed in place; ``values`` holds the present values of the controls.
    """
    return Act(_words(label), callback)
