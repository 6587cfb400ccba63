"""One display in several forms, and the end of what a cell showed before.

A notebook shows the richest form that it can: the live widget; else the still picture; else the words. Running a
cell again closes the widgets of its earlier run: otherwise each run would keep a figure alive until the kernel ends.
"""

import base64

import pandas as pd
from IPython import get_ipython

pd.set_option("display.max_colwidth", None)  # a text in a table of a lesson is never cut
pd.set_option("display.html.use_mathjax", False)  # a "$" in it is money, never the start of a formula
_shown: dict = {}  # notebook cell -> (execution, what it has shown)


class Shown:
    """What a cell shows as widgets, all of them in its ``box``."""

    def close(self):
        """End the widgets."""
        close_all(self.box)


def bundle(owner, text, still=None, html=None):
    """Return (data, metadata) of one display.

    Parameters
    ----------
    owner : Shown
    text : str
        Plain text; the one form that tests of notebooks compare.
    still : (bytes, int, int), optional
        PNG, and width and height at which to show it. [CSS px]
    html : str, optional
        What a page shows where widgets do not run.
    """
    _close_earlier(owner)
    data = {key: held for key, held in owner.box._repr_mimebundle_().items() if key.endswith("widget-view+json")}
    metadata = {}
    if still is not None:
        picture, width, height = still
        data["image/png"] = base64.b64encode(picture).decode("ascii")
        metadata["image/png"] = {"width": width, "height": height}
    return data | ({"text/html": html} if html else {}) | {"text/plain": text}, metadata


def close_all(widget):
    """Close a widget and all that it holds, with their layouts and styles."""
    for child in getattr(widget, "children", ()):
        close_all(child)
    widget.unobserve_all()
    for part in (widget.layout, getattr(widget, "style", None), widget):
        if part is not None:
            part.close()


def _close_earlier(owner):
    kernel = getattr(get_ipython(), "kernel", None)
    parent = kernel.get_parent() if kernel else {}
    cell, run = parent.get("metadata", {}).get("cellId"), parent.get("header", {}).get("msg_id")
    if cell is None:
        return
    if cell in _shown and _shown[cell][0] != run:
        for old in _shown.pop(cell)[1]:
            old.close()
    owners = _shown.setdefault(cell, (run, []))[1]
    if owner not in owners:
        owners.append(owner)
