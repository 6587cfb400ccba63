"""One picture style: colours with one meaning each, sizes that the back row can read, plain drawing words.

A figure is 10.4 x 4.0 inches at 150 dots an inch (1560 x 600 pixels) and is shown 1040 x 400 CSS pixels wide,
so 1 pt is 1.39 CSS pixels. Margins are fixed: a picture never jumps. Nothing here uses pyplot or changes
matplotlib's global settings.
"""

import io
import struct
import textwrap
import zlib
from dataclasses import dataclass
from pathlib import Path

import matplotlib
import numpy as np
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle
from matplotlib.transforms import Affine2D, ScaledTranslation, offset_copy
from PIL import Image

from solarlib.quantities import texts_beside

WIDTH_IN, HEIGHT_IN, DPI = 10.4, 4.0, 150
SHOWN_WIDTH, SHOWN_HEIGHT = 1040, 400  # CSS pixels, 100 an inch

TEXT_PT, TICK_PT, SMALL_PT = 16, 14, 12  # 22, 19 and 17 CSS pixels
BOX_PT = 24  # width of a box that shows its hatch beside its words
BACKGROUND = "#FFFFFF"
INK = "#1A1A1A"  # text and axes
GRID = "#D9D9D9"  # decoration only: carries no meaning, so no contrast bar
PAPER = {"facecolor": BACKGROUND, "edgecolor": "none", "alpha": 0.85, "pad": 1.0}  # lets a name be read across a line


@dataclass(frozen=True)
class Role:
    """What one quantity looks like everywhere: a colour, and a dash and a hatch so that colour is never alone."""

    colour: str
    text: str  # the same hue, dark enough for text
    dash: str | tuple = "-"
    hatch: str = ""


_LOOKS = texts_beside(__file__, "roles")
ROLES = {name: Role(**look | {"dash": (0, look["dash"]) if "dash" in look else "-"}) for name, look in _LOOKS.items()}

_STYLE = matplotlib.rc_params_from_file(Path(__file__).with_name("lesson.mplstyle"), use_default_template=False)
MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")


def new_figure(rows=1, cols=1, left=0.09, right=0.97, bottom=0.19, top=0.93, wspace=0.28, hspace=0.35, **grid):
    """Return an empty figure of the one size and its axes, with margins that stay.

    Parameters
    ----------
    rows, cols : int
        Panels side by side and below each other.
    left, right, bottom, top, wspace, hspace : float
        Margins as shares of the figure, as in matplotlib's grid.
    **grid
        ``width_ratios``, ``height_ratios``, ``sharex``, ``sharey`` as in ``Figure.subplots``.

    Returns
    -------
    (Figure, Axes or ndarray of Axes)
    """
    with matplotlib.rc_context(_STYLE):
        figure = Figure(figsize=(WIDTH_IN, HEIGHT_IN), dpi=DPI, facecolor=BACKGROUND)
        FigureCanvasAgg(figure)
        share = {key: grid.pop(key) for key in ("sharex", "sharey") if key in grid}
        spacing = dict(left=left, right=right, bottom=bottom, top=top, wspace=wspace, hspace=hspace)
        axes = figure.subplots(rows, cols, **share, gridspec_kw=spacing | grid)
    for ax in np.ravel(axes):
        ax.grid(axis="y", color=GRID, linewidth=1.0)
    return figure, axes


def line(ax, role, x, y, **how):
    """Draw a line in the role's colour and dash; return it. ``how`` goes to ``Axes.plot``."""
    style = ROLES[role]
    return ax.plot(x, y, **{"color": style.colour, "linestyle": style.dash, "linewidth": 3.0} | how)[0]


def spot(ax, size=13, marker="o", **how):
    """Draw one mark, at first at zero, in the colour of text; return it (move it with ``set_data``)."""
    return line(ax, "load", [0], [0], linestyle="none", marker=marker, markersize=size, **how)


def area(ax, role, x, low, high, **how):
    """Fill between two curves in the role's colour and hatch; return the artist (move it with ``set_data``)."""
    style = ROLES[role]
    look = {"facecolor": style.colour, "edgecolor": BACKGROUND, "hatch": style.hatch, "linewidth": 0.0}
    return ax.fill_between(x, low, high, **look | how)


def filled(role):
    """Return the look of a bar in the role's colour and hatch, as matplotlib's bars take it."""
    style = ROLES[role]
    return {"color": style.colour, "edgecolor": BACKGROUND, "hatch": style.hatch, "linewidth": 1.0}


def bars(ax, role, x, height, **how):
    """Draw bars that are `filled`; return the container (move bars with ``set_height``)."""
    return ax.bar(x, height, **filled(role) | how)


def set_heights(columns, heights):
    """Give each bar of the container of `bars` its height."""
    for bar, height in zip(columns, heights):
        bar.set_height(height)


def boxes(ax, role, **how):
    """Return one artist for any number of boxes of a role, quicker to paint than a bar each; see `move_boxes`."""
    return area(ax, role, [0, 1], [0, 0], [0, 0], **how)


def move_boxes(filled, left, right, low, high):
    """Make the artist of `boxes` into boxes from ``left`` to ``right`` and ``low`` to ``high``, four arrays."""
    x = np.column_stack([left, left, right, right]).ravel()
    base = np.repeat(np.asarray(low, float), 4)
    filled.set_data(x, base, base + np.outer(np.asarray(high) - low, [0, 1, 1, 0]).ravel())


def move_columns(filled, low, high, place=None, width=0.7):
    """Make the artist of `boxes` into columns around ``place``, by default 1, 2, 3, ... as on `months_axis`."""
    place = np.arange(1.0, np.size(low) + 1) if place is None else np.asarray(place, float)
    move_boxes(filled, place - width / 2, place + width / 2, low, high)


def direct_label(ax, x, y, text, role=None, size=TEXT_PT, **how):
    """Write a bold label beside what it names, in the role's text colour (no legend box); return the text."""
    colour = ROLES[role].text if role else INK
    return ax.text(x, y, text, **{"color": colour, "fontsize": size, "fontweight": "bold", "parse_math": False} | how)


def write(ax, labels, top=1.0, wide=1.0, **how):
    """Write the fixed words of a picture: tables of ``text, x, y`` and how they look, as `direct_label`.

    x counts in ``wide``, y in ``top``. Words that are ``hatched`` stand after a box in colour and hatch of their role.
    """
    for label in labels:
        look = how | label | {"x": label["x"] * wide, "y": label["y"] * top}
        if look.pop("hatched", False):
            corner = ScaledTranslation(look["x"], look["y"], ax.transData)
            size = {"width": BOX_PT, "height": TEXT_PT, "transform": Affine2D().scale(DPI / 72) + corner}
            role = ROLES[look["role"]]
            ax.add_patch(Rectangle((0, -TEXT_PT), **size, fc=role.colour, ec=BACKGROUND, lw=0, hatch=role.hatch))
            look["transform"] = offset_copy(ax.transData, ax.figure, BOX_PT + 6, 0, "points")
        direct_label(ax, **look)


def zero_based(ax, top, label, bottom=0.0):
    """Fix the vertical axis from zero (or below it) to ``top`` and name it with its unit."""
    ax.set(ylim=(min(bottom, 0.0), top), ylabel=label)


def hours_axis(ax, label="hour of the day (local time)", step=3):
    """Fix the horizontal axis to one day, 0 to 24 hours."""
    ax.set(xlim=(0, 24), xlabel=label)
    ax.set_xticks(range(0, 25, step), [f"{hour}:00" if step >= 3 else f"{hour}" for hour in range(0, 25, step)])


def months_axis(ax):
    """Fix the horizontal axis to twelve months, with month ``m`` (1 to 12) centred at x = ``m``."""
    ax.set(xlim=(0.4, 12.6), xticks=range(1, 13), xticklabels=MONTHS)
    ax.tick_params(axis="x", length=0)


def month_labels(ax, size):
    """Return an empty text for each column of `months_axis`, which stands above its height."""
    return [direct_label(ax, month, 0, "", size=size, ha="center", va="bottom") for month in range(1, 13)]


def rows_axis(ax, places, names, ends):
    """Give an axis named rows for lying bars; ``ends``: its lower and upper end."""
    ax.set(ylim=ends, yticks=places, yticklabels=names)
    ax.tick_params(axis="y", length=0)
    ax.grid(visible=False)


def png(figure):
    """Return what the figure's canvas holds now as PNG bytes, in half the time of a general encoder.

    One filter for all rows (each row minus the one above) and the quickest compression: a live picture is sent
    once over a local line, so time counts and size does not.

    References
    ----------
    W3C, Portable Network Graphics (PNG) Specification, second edition (2003): 5 (chunks), 9 (filter type 2, up).
    """
    rows = np.asarray(figure.canvas.buffer_rgba())
    height, width = rows.shape[:2]
    rows = rows.reshape(height, width * 4)
    filtered = np.empty((height, width * 4 + 1), np.uint8)
    filtered[:, 0] = 2
    filtered[0, 1:] = rows[0]
    np.subtract(rows[1:], rows[:-1], out=filtered[1:, 1:])

    def chunk(kind, data):
        return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))

    header = struct.pack(">IIBBBBB", width, height, 8, 6, 0, 0, 0)  # 8 bits a channel, RGBA
    body = zlib.compress(filtered, level=1)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", header) + chunk(b"IDAT", body) + chunk(b"IEND", b"")


def with_caption(picture, caption):
    """Return a picture with its caption in words below it.

    For every place where no live panel runs: a git host, a reopened notebook, paper.

    Parameters
    ----------
    picture : bytes
        PNG of the size of `new_figure`.
    caption : str

    Returns
    -------
    (bytes, int, int)
        Small PNG, and the width and height at which to show it. [CSS px]
    """
    image = Image.open(io.BytesIO(picture)).convert("RGB")
    lines = textwrap.wrap(caption, 112)
    strip = Figure(figsize=(image.width / DPI, 0.12 + 0.24 * len(lines)), dpi=DPI, facecolor=BACKGROUND)
    canvas = FigureCanvasAgg(strip)
    # captions are plain words: a "$" in them is money, never the start of a formula
    strip.text(0.01, 0.98, "\n".join(lines), fontsize=SMALL_PT, color=INK, va="top", parse_math=False)
    canvas.draw()
    words = Image.fromarray(np.asarray(canvas.buffer_rgba())).convert("RGB")
    whole = Image.new("RGB", (image.width, image.height + words.height), BACKGROUND)
    whole.paste(image, (0, 0))
    whole.paste(words, (0, image.height))
    # at most 256 colours, none off by more than a few of 255 steps: a third of the size in the repository
    whole = whole.quantize(256, method=Image.Quantize.MAXCOVERAGE, dither=Image.Dither.NONE)
    small = io.BytesIO()
    whole.save(small, format="PNG", compress_level=6)  # the greatest level takes eight times as long for 5 % less
    return small.getvalue(), SHOWN_WIDTH, round(whole.height * SHOWN_WIDTH / whole.width)
