"""The picture style: contrast, sizes, fixed margins, and PNG bytes that any reader understands."""

import io

import matplotlib
import numpy as np
import pytest
from matplotlib.colors import to_rgb
from PIL import Image

from lesson_panels import css_pixels
from solarlib.lessons.tools import figures

TEXT_RATIO, GRAPHIC_RATIO = 4.5, 3.0  # WCAG 2.1: 1.4.3 and 1.4.11


def contrast(colour, other=figures.BACKGROUND):
    """Return the contrast ratio of two colours, 1 to 21.

    W3C, Web Content Accessibility Guidelines 2.1 (2018), definitions of relative luminance and contrast ratio.
    """

    def luminance(name):
        rgb = np.array(to_rgb(name))
        linear = np.where(rgb <= 0.03928, rgb / 12.92, ((rgb + 0.055) / 1.055) ** 2.4)
        return float(linear @ [0.2126, 0.7152, 0.0722])

    low, high = sorted((luminance(colour), luminance(other)))
    return (high + 0.05) / (low + 0.05)


@pytest.mark.parametrize(
    "pair, ratio", [(("#000000", "#FFFFFF"), 21.0), (("#FFFFFF", "#FFFFFF"), 1.0), (("#777777", "#FFFFFF"), 4.48)]
)
def test_contrast_of_known_pairs(pair, ratio):
    # W3C, Understanding WCAG 2.1, success criterion 1.4.3 (2018): black on white is 21:1, #777777 on white is
    # 4.47 or 4.48:1 (the well-known grey that just fails); certainty: recomputed, source from memory
    assert contrast(*pair) == pytest.approx(ratio, abs=0.01)
    assert contrast(*reversed(pair)) == contrast(*pair)


@pytest.mark.parametrize("name", figures.ROLES)
def test_colours_are_readable(name):
    role = figures.ROLES[name]
    assert contrast(role.colour) >= GRAPHIC_RATIO
    assert contrast(role.text) >= TEXT_RATIO


def test_colour_is_never_alone():
    dashes = [str(role.dash) for role in figures.ROLES.values()]
    hatches = [role.hatch for name, role in figures.ROLES.items() if name != "load"]  # load is a line
    assert len(set(dashes)) == len(dashes)
    assert len(set(hatches)) == len(hatches)


def test_text_is_large_enough_for_the_back_row():
    assert css_pixels(figures.SMALL_PT) >= 14
    figure, axes = figures.new_figure(1, 2, width_ratios=(2, 1))
    axes[0].set_title("title")
    figures.zero_based(axes[0], 5, "power (kW)")
    figures.hours_axis(axes[0])
    figures.months_axis(axes[1])
    figures.direct_label(axes[0], 1, 1, "PV", "pv")
    figure.canvas.draw()
    texts = [text for text in figure.findobj(matplotlib.text.Text) if text.get_text()]
    assert len(texts) > 20
    assert min(css_pixels(text.get_fontsize()) for text in texts) >= 14


def test_the_look_of_an_axis_has_the_sizes_and_colours_of_all_words():
    _, ax = figures.new_figure()
    figures.zero_based(ax, 5, "power (kW)")
    assert ax.xaxis.label.get_fontsize() == ax.yaxis.label.get_fontsize() == figures.TEXT_PT
    assert {label.get_fontsize() for label in ax.get_xticklabels() + ax.get_yticklabels()} == {figures.TICK_PT}
    spine = ax.spines["left"]
    assert to_rgb(spine.get_edgecolor()) == to_rgb(ax.yaxis.label.get_color()) == to_rgb(figures.INK)
    assert (spine.get_linewidth(), ax.get_axisbelow(), ax.spines["top"].get_visible()) == (1.2, True, False)


def test_a_figure_leaves_matplotlib_as_it_was():
    before = dict(matplotlib.rcParams)
    figures.new_figure(2, 2)
    assert dict(matplotlib.rcParams) == before


def test_axes_are_fixed():
    figure, ax = figures.new_figure()
    figures.zero_based(ax, 7, "power (kW)")
    figures.hours_axis(ax)
    figures.line(ax, "pv", [0, 50], [-3, 100])
    assert (ax.get_xlim(), ax.get_ylim()) == ((0, 24), (0, 7))
    figures.months_axis(ax)
    assert [label.get_text() for label in ax.get_xticklabels()] == list(figures.MONTHS)
    figures.zero_based(ax, 7, "net power (kW)", bottom=-2)
    assert ax.get_ylim() == (-2, 7)


def test_line_area_and_bars_take_the_role_and_can_be_moved():
    _, ax = figures.new_figure()
    line = figures.line(ax, "import", [0, 1], [0, 1], linewidth=5)
    assert (line.get_color(), line.get_linewidth()) == (figures.ROLES["import"].colour, 5)
    area = figures.area(ax, "export", [0, 1], [0, 0], [1, 1])
    area.set_data([0, 1], [0, 0], [2, 3])
    assert area.get_hatch() == figures.ROLES["export"].hatch
    assert area.get_paths()[0].get_extents().y1 == 3
    bars = figures.bars(ax, "bank", [1, 2], [3, 4])
    assert [bar.get_height() for bar in bars] == [3, 4]
    assert bars[0].get_hatch() == figures.ROLES["bank"].hatch


def test_boxes_are_one_artist_in_the_look_of_bars():
    figure, ax = figures.new_figure()
    ax.set(xlim=(0.4, 3.6), ylim=(0, 8))
    ax.axis("off")
    how = {"hatch": "", "linewidth": 0.0}
    filled = figures.boxes(ax, "bank", **how)
    figures.move_columns(filled, np.array([0, 1, 2.0]), np.array([3, 4, 7.0]), width=0.5)
    figure.canvas.draw()
    at_once = np.array(figure.canvas.buffer_rgba())
    filled.remove()
    figures.bars(ax, "bank", [1, 2, 3], [3, 3, 5], bottom=[0, 1, 2], width=0.5, **how)
    figure.canvas.draw()
    one_by_one = np.array(figure.canvas.buffer_rgba())
    assert (one_by_one != 255).any()
    # edges that fall inside a pixel are drawn a little softer in one of the two
    assert (np.abs(at_once.astype(int) - one_by_one).max(axis=2) > 0).mean() < 0.005


def test_png_holds_exactly_what_was_drawn():
    figure, ax = figures.new_figure()
    figures.line(ax, "pv", np.arange(50), np.random.default_rng(1).random(50))
    figure.canvas.draw()
    read = Image.open(io.BytesIO(figures.png(figure)))
    assert read.size == (1560, 600)
    assert np.array_equal(np.asarray(read), np.asarray(figure.canvas.buffer_rgba()))


def test_caption_is_written_below_the_picture():
    figure, _ = figures.new_figure()
    figure.canvas.draw()
    picture = figures.png(figure)
    data, width, height = figures.with_caption(picture, "It costs $5 to $6 a month. " * 8)
    image = np.asarray(Image.open(io.BytesIO(data)).convert("L"))
    assert image.shape[1] == 1560 and width == 1040
    assert height == pytest.approx(image.shape[0] / 1.5, abs=0.5)
    assert (image[600:] < 128).sum() > 1000  # ink below the picture
    assert (image[600:, -8:] > 200).all()  # and none that runs over the edge
    assert figures.with_caption(picture, "It costs $5.")[2] < height
    assert figures.with_caption(picture, "It costs $5.")[0] == figures.with_caption(picture, "It costs $5.")[0]
