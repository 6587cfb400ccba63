"""A bar with words for work that takes a while: it stands in the cell at once and moves as the work goes on."""

from html import escape

import ipywidgets as widgets
from IPython.display import display

from solarlib.lessons.tools.display import Shown, bundle


class Progress(Shown):
    """Shows what runs. Calling it with words and the share done, 0 to 1, moves the bar.

    Attributes
    ----------
    box : widget
    words : str
        The step that runs.
    share : float
        What the bar shows, 0 to 1.
    """

    def __init__(self, title):
        self.title = title
        self._bar = widgets.FloatProgress(min=0.0, max=1.0, layout=widgets.Layout(width="260px"))
        self._bar.style.bar_color = "#767676"  # seen on a light and on a dark ground
        self._told = widgets.HTML()
        self.box = widgets.HBox([self._bar, self._told])
        self(title)

    def __call__(self, words, share=None):
        self.words, self.share = words, self._bar.value if share is None else share
        self._told.value = f'<span role="status" style="font-size:16px">{escape(words)}</span>'
        self._bar.value = self.share

    def _repr_mimebundle_(self, include=None, exclude=None):
        return bundle(self, f"{self.title}: a bar shows how far it is.")


def progress(title):
    """Show a bar in this cell; return what the work tells its steps to.

    Examples
    --------
    ``say = progress("Reading my files")``, then ``bring("my.csv", house, say=say)``.
    """
    bar = Progress(title)
    display(bar)
    return bar
