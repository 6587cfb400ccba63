"""The one still drawing of house, array, converter, meter, sensor and utility, with the parts of a unit in heavy lines.

Its places, its words and what each unit is about stand in ``drawing.toml``. Only line weight changes from unit to
unit, so the drawing says the same on a grey printer.
"""

import numpy as np
from matplotlib.patches import Circle

from solarlib.lessons.tools import figures
from solarlib.lessons.tools.panel import Picture, show
from solarlib.quantities import counted, texts_beside

QUIET = "#767676"  # 4.5 to 1 on white
DRAWING = texts_beside(__file__, "drawing")


def system_drawing(house, unit):
    """Return the drawing for a unit of the course: put it on the last line of a cell.

    Parameters
    ----------
    house : House
        Gives the array, the test load and the digits of the meter their numbers.
    unit : str
        One of the units in ``drawing.toml``.
    """
    system, meter, about = house.system, house.meter, DRAWING["units"][unit]
    said = {"modules": counted(system.module_count, "module"), "rated_kw": system.rated_power_w / 1000}
    said |= {"test_load": f"test load, {meter.test_load_w:g} W", "digits": "0" * meter.digits}
    figure, ax = figures.new_figure(left=0, right=1, bottom=0, top=1)
    ax.set(xlim=(0, figures.SHOWN_WIDTH), ylim=(figures.SHOWN_HEIGHT, 0), xticks=[], yticks=[])
    ax.spines[:].set_visible(False)
    for name, part in DRAWING["parts"].items():
        _draw(ax, part, name in about["lit"], said)
    if about.get("sign"):
        _draw(ax, DRAWING["sign"], False, said)
    for place in about.get("places", ()):
        digit, x, y = DRAWING["places"][place]
        _draw(ax, {"rings": [[x, y, 11]], "words": [[digit, x, y, "center"]]}, False, said)
    return show(Picture(figure, [], lambda: about["words"]))


def _draw(ax, part, lit, said):
    look = {"color": figures.INK, "linewidth": 2.2} if lit else {"color": QUIET, "linewidth": 1.1}
    for points in part.get("strokes", []):
        ax.plot(*np.transpose(points), **look)
    for points in part.get("dotted", []):
        ax.plot(*np.transpose(points), linestyle=(0, (1, 2.5)), **look)
    for points in part.get("filled", []):
        ax.fill(*np.transpose(points), facecolor=figures.INK if lit else figures.BACKGROUND, edgecolor=look["color"])
    for x, y, radius in part.get("rings", []):
        ax.add_patch(Circle((x, y), radius, fill=False, edgecolor=look["color"], linewidth=look["linewidth"]))
    for text, x, y, held in part.get("words", []):
        weight = "bold" if lit else "normal"
        figures.direct_label(ax, x, y, text.format(**said), None, 12, ha=held, va="center", fontweight=weight)
