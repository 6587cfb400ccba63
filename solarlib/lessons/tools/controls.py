"""The controls that a panel may have: each is a description in plain values, made into a widget by the panel.

Only kinds that work by keyboard inside a notebook are offered: sliders, selection sliders, toggle buttons,
check boxes, bounded number fields and push buttons. (Drop-downs and radio buttons lose their arrow keys there.)
"""

import math
from collections.abc import Callable
from dataclasses import dataclass, field
from html import escape

import ipywidgets as widgets

from solarlib.quantities import InputError, require

LABEL_WIDTH_PX, BUTTONS_WIDTH_PX = 236, 780
CHARACTER_PX = 9  # a wide one of 16 px text
LONGEST_LABEL = 32

# Larger than a notebook's own 13 px, a visible focus, and a fixed height wherever the words change.
STYLE = """<style>
.sl-panel{width:1040px;max-width:100%;overflow:hidden}
.sl-panel .widget-label,.sl-panel .widget-readout,.sl-panel button,.sl-panel input,.sl-panel select,.sl-panel label
 {font-size:16px!important;color:#1A1A1A}
.sl-panel .widget-label{text-align:left!important}
.sl-panel .widget-readout{min-width:64px;width:auto}
.sl-panel button:focus-visible,.sl-panel .noUi-handle:focus-visible,.sl-panel input:focus-visible
 {outline:3px solid #005A9C!important;outline-offset:1px}
.sl-panel .mod-active{outline:2px solid #1A1A1A;outline-offset:-2px;font-weight:bold}
.sl-wide{grid-column:1/-1!important}
.sl-panel:not(.sl-question) .widget-toggle-buttons{display:flex;align-items:center}
.sl-panel:not(.sl-question) .widget-toggle-buttons .widget-label{flex:none}
.sl-view{margin:0!important;width:100%}
.sl-panel .widget-toggle-buttons button,.sl-panel .jupyter-button{width:auto!important;padding:0 10px}
.sl-panel input[type=checkbox]{margin-left:4px}
.sl-view img{display:block;max-width:100%;height:auto}
.sl-view p,.sl-note{font-size:16px;line-height:22px;margin:4px 0 0 0;color:#1A1A1A}
.sl-view p{min-height:44px}
.sl-alert{box-sizing:border-box;width:1040px;max-width:100%;height:448px;padding:24px;border:3px solid #1A1A1A;
 font-size:18px;line-height:26px;overflow:auto}
.sl-question p{font-size:17px;line-height:24px;margin:2px 0;color:#1A1A1A}
.sl-question .widget-toggle-buttons{display:block}
.sl-question button{display:block;width:100%!important;height:auto!important;min-height:32px;text-align:left;
 white-space:normal!important;line-height:22px;padding:4px 12px;margin:4px 0}
</style>"""

# Sliders and toggle buttons come without a spoken name and state: give them those from the visible words.
SPEAK = escape(
    """(function(me){var say=function(){var panel=me.closest('.sl-panel');if(!panel)return;
panel.querySelectorAll('.noUi-handle').forEach(function(handle){var row=handle.closest('.widget-inline-hbox');
if(!row)return;var name=row.querySelector('.widget-label'),value=row.querySelector('.widget-readout');
if(name)handle.setAttribute('aria-label',name.textContent);
if(value)handle.setAttribute('aria-valuetext',value.textContent)});
panel.querySelectorAll('.widget-toggle-buttons').forEach(function(row){var name=row.querySelector('.widget-label');
var box=row.querySelector('button');box=box&&box.parentElement;if(!box)return;box.setAttribute('role','group');
if(name&&name.textContent)box.setAttribute('aria-label',name.textContent);
box.querySelectorAll('button').forEach(function(button){
button.setAttribute('aria-pressed',button.classList.contains('mod-active'))})});
var view=panel.querySelector('.sl-view .widget-html-content');if(view)view.setAttribute('aria-live','polite')};
say();setTimeout(say,250)})(this)""".replace("\n", "")
)
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
        if accepted is None:
            raise InputError(f"control {name}: found {value!r}, allowed is {self.allowed}")
        return accepted


@dataclass(frozen=True)
class Act:
    """A push button: its words and what it does to the panel's state."""

    label: str
    callback: Callable = field(repr=False)


def _words(label, unit=""):
    text = f"{label} ({unit})" if unit else label
    if not isinstance(label, str) or not 2 <= len(text) <= LONGEST_LABEL:
        raise InputError(f"control {text!r}: found a label of {len(text)} characters, allowed are 2 to {LONGEST_LABEL}")
    return text


def label_width(controls):
    """Return the width that holds every label of a panel, the same for all of them. [px]"""
    return max(LABEL_WIDTH_PX, *(CHARACTER_PX * len(control.label) + 4 for control in controls))


def _decimals(*numbers):
    """Return how many decimals the numbers are written with, at most six."""
    return max(len(f"{number:.6f}".rstrip("0").partition(".")[2]) for number in numbers)


def _range(kind, label, low, high, step, value, unit, make):
    """Check a numeric range once and return its control; ``make`` gets the widget class's keywords."""
    words = _words(label, unit)
    for number, name in ((low, "low"), (high, "high"), (step, "step"), (value, "value")):
        require(number, f"{kind} {label}, {name}")
    steps = (high - low) / step if step > 0 else 0.0
    if steps < 1 or not math.isclose(steps, round(steps), abs_tol=1e-6):
        raise InputError(f"{kind} {label}: found {low:g} to {high:g} by {step:g}, allowed is a whole number of steps")
    require(value, f"{kind} {label}", low, high, unit)
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

    allowed = f"a {'whole ' if whole else ''}number from {low:g} to {high:g}{f' {unit}' if unit else ''}"
    keywords = dict(min=low, max=high, step=step, value=value, description=words)
    return Control(words, value, (low, value, high), allowed, accept, lambda: make(whole, decimals, keywords))


def slider(label, low, high, step, value, unit=""):
    """Describe a slider from ``low`` to ``high``; whole numbers throughout give whole numbers. [unit]"""

    def make(whole, decimals, keywords):
        kind = widgets.IntSlider if whole else widgets.FloatSlider
        return kind(**keywords, readout_format="d" if whole else f".{decimals}f")

    return _range("slider", label, low, high, step, value, unit, make)


def number(label, low, high, step, value, unit=""):
    """Describe a field to type a number into, kept between ``low`` and ``high``. [unit]"""

    def make(whole, decimals, keywords):
        return (widgets.BoundedIntText if whole else widgets.BoundedFloatText)(**keywords)

    return _range("number", label, low, high, step, value, unit, make)


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
    if len(pairs) < 2 or value not in values:
        raise InputError(f"choice {label}: found {value!r}, allowed is one of {values}")
    width = sum(CHARACTER_PX * len(shown) + 26 for shown, _ in pairs)

    def make():
        kind = widgets.ToggleButtons if width <= BUTTONS_WIDTH_PX else widgets.SelectionSlider
        return kind(options=pairs, value=value, description=words)

    wide = 270 < width <= BUTTONS_WIDTH_PX
    return Control(
        words, value, tuple(values), f"one of {values}", lambda found: found if found in values else None, make, wide
    )


def toggle(label, value):
    """Describe a check box, on (True) or off (False)."""
    if not isinstance(value, bool):
        raise InputError(f"toggle {label}: found {value!r}, allowed is True or False")
    words = _words(label)
    return Control(
        words,
        value,
        (False, True),
        "True or False",
        lambda found: found if isinstance(found, bool) else None,
        lambda: widgets.Checkbox(value=value, description=words, indent=False),
    )


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
