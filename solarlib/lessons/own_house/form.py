"""A form that makes a mapping: what a file proves is filled in, what it leaves open is chosen, and reading is tried."""

import re
import tomllib
from html import escape
from pathlib import Path

import ipywidgets as widgets

from solarlib.files import QUANTITY_UNITS, quoted, read, suggest_mapping, write_whole
from solarlib.files.dates import ORDERS
from solarlib.files.mapping import FILE_UNITS
from solarlib.lessons.tools.controls import STYLE
from solarlib.lessons.tools.display import Shown, bundle
from solarlib.quantities import InputError, texts_beside
from solarlib.schema import FORM

OPEN, AS_SHOWN, LEAVE_OUT, NOT_KNOWN = "choose ...", "as the file shows", "leave out", "not known"

NUMBERS = {"1,234.5": (".", ","), "1.234,5": (",", "."), "1234.5": (".", ""), "1234,5": (",", "")}  # decimal, thousands
_TEXTS = texts_beside(__file__, "form")
_WORDS, HINTS = _TEXTS["words"], _TEXTS["hints"]
_PRE = '<pre style="font-size:14px;line-height:19px;margin:0;white-space:pre-wrap">{}</pre>'


class Picker(Shown):
    """Controls for the mapping of one file.

    Attributes
    ----------
    whole : dict of key to widget
        What holds for the whole file; keys as in `mapping.Mapping`, ``number`` for its marks.
    columns : list of (name, dict of key to widget)
        What holds for one column; keys as in `mapping.Column`.
    said : str
        What reading or saving answered last.
    """

    def __init__(self, path, zone=None):
        self.path, self.said = Path(path), ""
        proposal = suggest_mapping(path, zone)
        table = tomllib.loads(proposal)
        left_open = set(re.findall(r"(?m)^# (\w+) =", proposal.partition("[[column]]")[0]))
        self._time = proposal.partition("\n")[0]
        orders = (*((OPEN,) if "date_order" in left_open else ()), AS_SHOWN, *ORDERS, "unix")
        numbers = (OPEN if "decimal" in left_open else AS_SHOWN, *NUMBERS)
        self._timed = "zone" in table or "zone" in left_open  # else the times tell their clock themselves
        self.whole = {
            "date_order": _choice(orders, table.get("date_order")),
            "zone": widgets.Text(
                value="" if self._timed else zone or "",
                placeholder=f"{zone or 'America/New_York'} or -05:00",
                continuous_update=False,
            ),
            "label": widgets.Dropdown(options={OPEN: OPEN, **_TEXTS["labels"]}),
            "number": _choice(numbers, None),
        }
        self.columns = [(column["name"], self._column(column)) for column in table.get("column", ())]
        self._preview, self._answer = widgets.HTML(), widgets.HTML()
        self._answer.add_class("sl-view")
        self.box = self._arrange()
        for widget in self._all():
            widget.observe(lambda change: self._show(), names="value")
        self._show()

    def _column(self, column):
        quantity = _choice((OPEN, LEAVE_OUT, *QUANTITY_UNITS), column.get("quantity"))
        units = QUANTITY_UNITS.get(column.get("quantity"), FILE_UNITS)
        made = {
            "quantity": quantity,
            "unit": _choice((OPEN, *units), column.get("unit")),
            "kind": widgets.Dropdown(options=_TEXTS["kinds"], value=column.get("kind", "interval")),
            "digits": _choice((NOT_KNOWN, "4", "5", "6", "7", "8"), None),
        }

        def allow(change):
            """A quantity has its own units."""
            before, allowed = made["unit"].value, QUANTITY_UNITS.get(quantity.value, tuple(FILE_UNITS))
            made["unit"].options = (OPEN, *allowed)
            made["unit"].value = before if before in allowed else allowed[0] if len(allowed) == 1 else OPEN

        quantity.observe(allow, names="value")
        return made

    def _all(self):
        return [*self.whole.values(), *(widget for _, part in self.columns for widget in part.values())]

    def _arrange(self):
        for key, widget in self.whole.items():
            widget.description, widget.style.description_width, widget.layout.width = _WORDS[key], "210px", "480px"
        head = widgets.Layout(grid_template_columns="50% 50%", width="100%")
        titles = ("column", "what it is", "unit", "kind", "digits")
        grid = [widgets.HTML(f'<b style="font-size:16px">{title}</b>') for title in titles]
        for name, part in self.columns:
            grid += [widgets.HTML(f'<span style="font-size:16px">{escape(str(name))}</span>'), *part.values()]
            for key, widget in part.items():
                widget.layout.width, widget.tooltip = "95%", f"{key} of {name}"
        table = widgets.GridBox(grid, layout=widgets.Layout(grid_template_columns="26% 20% 13% 25% 16%", width="100%"))
        read, save = (widgets.Button(description=words) for words in ("Read the file", "Save the mapping"))
        read.on_click(lambda _: self.read())
        save.on_click(lambda _: self.save())
        for part in (self._preview, self._answer):
            part.layout = widgets.Layout(width="50%", max_height="260px", overflow="auto")
        style = widgets.HTML(STYLE, layout=widgets.Layout(display="none"))
        whole = widgets.GridBox(list(self.whole.values()), layout=head)
        below = widgets.HBox([self._preview, self._answer])
        box = widgets.VBox([style, whole, table, widgets.HBox([read, save]), below])
        box.add_class("sl-panel")
        return box

    @property
    def still_open(self):
        """What must still be chosen, in words."""
        left = [_WORDS[key].lower() for key in ("date_order", "number") if self.whole[key].value == OPEN]
        used = [(name, part) for name, part in self.columns if part["quantity"].value not in (OPEN, LEAVE_OUT)]
        left += [f"what {name} is" for name, part in self.columns if part["quantity"].value == OPEN]
        left += [_WORDS["zone"].lower()] if self._timed and not self.whole["zone"].value else []
        counted = all(part["kind"].value != "interval" for _, part in used)  # what is read at the moment itself
        left += [_WORDS["label"].lower()] if self.whole["label"].value == OPEN and not counted else []
        left += [] if used else ["what one or more columns are"]
        return left + [f"the unit of {name}" for name, part in used if part["unit"].value == OPEN]

    @property
    def _left(self):
        return f"Still to choose: {', '.join(self.still_open)}."

    @property
    def toml(self):
        """The mapping as TOML text; what is still open stands behind a #."""
        lines = [self._time]
        for key, widget in self.whole.items():
            if widget.value == OPEN:
                lines.append(f"# {key} is still to choose")
            elif key == "number" and widget.value in NUMBERS:
                marks = zip(("decimal", "thousands"), NUMBERS[widget.value])
                lines += [f"{mark} = {quoted(value)}" for mark, value in marks]
            elif widget.value not in (AS_SHOWN, ""):
                lines.append(f"{key} = {quoted(widget.value)}")
        for name, part in self.columns:
            if part["quantity"].value in (OPEN, LEAVE_OUT):
                continue
            unit, quantity = part["unit"].value, part["quantity"].value
            lines += ["[[column]]", f"name = {name if isinstance(name, int) else quoted(name)}"]
            lines.append(f"quantity = {quoted(quantity)}")
            asked = f"# unit of {quoted(str(name))} is still to choose"
            lines.append(asked if unit == OPEN else f"unit = {quoted(unit)}")
            if unit in FILE_UNITS and len(FILE_UNITS[unit][2]) > 1:
                lines.append(f"kind = {quoted(part['kind'].value)}")
                if part["kind"].value == "counter" and part["digits"].value != NOT_KNOWN:
                    lines.append(f"digits = {part['digits'].value}")
            lines += HINTS.get(quantity, ())
        return "\n".join(lines) + "\n"

    def read(self):
        """Try to read the file with the mapping as it is; return the account, or what is wrong, in words."""
        if self.still_open:
            return self._say(self._left)
        try:
            return self._say(str(read(self.path, self.toml).account))
        except InputError as error:
            return self._say(str(error))

    def save(self):
        """Write the mapping beside the file, never over another one; return a sentence that says what was done."""
        target, text = self.path.with_suffix(".toml"), f"form = {FORM}\n{self.toml}"
        if self.still_open:
            return self._say(f"Not saved. {self._left}")
        if target.exists():
            if target.read_text(encoding="utf-8-sig") == text:
                return self._say(f"{target.name} holds this mapping.")
            reason = "is there already, with other words. Rename it first if you want this one."
            return self._say(f"Not saved: {target.name} {reason}")
        try:
            write_whole(target, text)
        except InputError as error:
            return self._say(str(error))
        return self._say(f"Saved as {target.name}, beside the file.")

    def _say(self, words):
        self.said = words
        self._answer.value = f'<div role="status">{_PRE.format(escape(words))}</div>'
        return words

    def _show(self):
        self._preview.value = _PRE.format(escape(self.toml))

    def _repr_mimebundle_(self, include=None, exclude=None):
        left = self._left if self.still_open else "Nothing is left open."
        return bundle(self, f"A form for the mapping of {self.path.name}. {left} As it stands:\n{self.toml}")


def _choice(options, value):
    return widgets.Dropdown(options=options, value=value if value in options else options[0])
