"""The step of a known test load, its fold at zero, noise and time."""

from functools import lru_cache

import numpy as np
import pandas as pd

from solarlib.direction import step_test
from solarlib.house.year import simulate
from solarlib.lessons.tools import Picture, choice, figures, own_slider, slider
from solarlib.quantities import in_form, texts_beside

CAPTIONS = texts_beside(__file__, "captions")
DWELLS_S, READING_STEP_S = (10, 30, 60, 150, 300), 10.0  # of the table of noise and time
UNREST = {"calm": 1.0, "usual": 25.0, "restless": 400.0}  # how the house wanders. [W2/s]
DAYLIGHT_W = 50.0
LAMP_W = 100.0
_SEED = 7


@lru_cache(maxsize=2)
def year_in_minutes(house):
    """Return the typical year of a house in minutes, with made clouds; see `year.simulate`. Computed once. [W]"""
    return simulate(house, "1min", np.random.default_rng(_SEED))


def mark(ax, marker="D", size=13, colour=figures.ROLES["reading"].colour):
    """Draw a single point, still without a place, that stands out from what lies below it."""
    look = {"markersize": size, "color": colour, "linestyle": "none", "markeredgecolor": figures.BACKGROUND}
    return ax.plot([], [], marker=marker, **look)[0]


def reach_w(house):
    """Return the largest test load, and the largest net power either way, of the first two pictures. [W]"""
    return max(2000, 500 * int(np.ceil(1.2 * house.meter.test_load_w / 500)))


def load_slider(house):
    """Return the slider of the test load, starting at the load of the house file. [W]"""
    return own_slider("Test load", 100, reach_w(house), 50, house.meter.test_load_w, "W")


def load_choice(house, *more_w):
    """Return the choice between a lamp, the test load of the house file, and more loads by their watts. [W]"""
    own = float(house.meter.test_load_w)
    words = {f"lamp, {LAMP_W:.0f} W": LAMP_W, f"{house.meter.test_load_name}, {own:.0f} W": own}
    return choice("Test load", words | {f"{watts:.0f} W": float(watts) for watts in more_w}, own)


def net_slider(house, start):
    """Return the slider of the net power before the test. [W]"""
    return slider("Net power", -reach_w(house), reach_w(house), 50, start, "W")


def step_picture(house):
    """Return the picture of one step: net power, test load -> net power and reading before, during and after."""
    reach = reach_w(house)
    top = 2 * reach
    figure, ax = figures.new_figure(left=0.1)
    ax.set(xlim=(0, 3), xticks=range(4), xlabel="minutes from the first reading")
    figures.zero_based(ax, 1.42 * top, "power (W)", bottom=-1.35 * reach)
    ax.axhline(0, color=figures.INK, linewidth=1.2)
    edge, flat = np.array([0.0, 1.0, 1.0, 2.0, 2.0, 3.0]), np.zeros(6)
    taken = figures.area(ax, "import", edge, flat, flat, hatch="")
    given = figures.area(ax, "export", edge, flat, flat, hatch="")
    shown = figures.line(ax, "reading", edge, flat, linestyle="-", linewidth=4.0)
    figures.write(ax, CAPTIONS["labels"]["step"], top, va="top")
    figures.write(ax, CAPTIONS["labels"]["switched"], reach, size=14, ha="center", va="bottom")
    values = [figures.direct_label(ax, x, 0, "", "reading", ha="center", va="bottom") for x in (0.5, 1.5, 2.5)]

    def update(net, load):
        steps = np.array([net, net + load, net], dtype=float)
        power, size = np.repeat(steps, 2), np.repeat(np.abs(steps), 2)
        taken.set_data(edge, flat, np.maximum(power, 0))
        given.set_data(edge, np.minimum(power, 0), flat)
        shown.set_data(edge, size)
        for text, value in zip(values, np.abs(steps)):
            text.set(y=value + 0.04 * top, text=f"{value:.0f} W")
        before, during = np.abs(steps[:2])
        moved = "stays" if during == before else "rises" if during > before else "falls"
        said = {"before": before, "during": during, "moved": moved}
        return CAPTIONS["step"].format(direction=_direction(net), load=load, **said)

    return Picture(figure, [taken, given, shown, *values], update)


def _direction(net_w):
    if net_w == 0:
        return "Net power is 0 W"
    return f"The house {'imports' if net_w > 0 else 'exports'} {abs(net_w):.0f} W"


def branches(load_w, reach):
    """Return the three courses of a test of ``load_w`` up to a net power: name -> (net before, reading during). [W]"""
    ends = {"importing": (0.0, reach), "pushed through zero": (-load_w, 0.0), "exporting": (-reach, -load_w)}
    nets = {name: np.linspace(*net, 9) for name, net in ends.items()}
    return {name: (net, np.abs(net + load_w)) for name, net in nets.items()}


def branch_picture(house):
    """Return the picture of the fold: net power, test load -> reading before and during, and three lines to tell by."""
    reach = reach_w(house)
    top = 2 * reach
    figure, (left, right) = figures.new_figure(1, 2, left=0.09, right=0.965, wspace=0.3)
    left.set(xlim=(-reach, reach), xlabel="net power before the test (W)")
    for ax, low in ((left, -reach), (right, 0)):
        ticks = np.linspace(low, reach, 5)
        ax.set_xticks(ticks, [in_form(f"{tick:.0f}") for tick in ticks])
    right.set(xlim=(0, reach), xlabel="reading before (W)")
    for ax in (left, right):
        figures.zero_based(ax, 1.2 * top, "reading during (W)")
    left.axvline(0, color=figures.INK, linewidth=1.2)
    looks = {
        "importing": {"role": "import", "linestyle": "-"},
        "pushed through zero": {"role": "export", "linestyle": "-", "marker": "o", "markersize": 7},
        "exporting": {"role": "export", "linestyle": (0, (2, 1))},
    }
    curves = {name: [figures.line(ax, x=[], y=[], **look) for ax in (left, right)] for name, look in looks.items()}
    points = [mark(ax) for ax in (left, right)]
    figures.write(left, CAPTIONS["labels"]["branch_left"], top, reach, va="top")
    figures.write(right, CAPTIONS["labels"]["branch_right"], top, reach, va="top", size=14)

    def update(net, load):
        for name, (before, during) in branches(load, reach).items():
            curves[name][0].set_data(before, during)
            curves[name][1].set_data(np.abs(before), during)
        before, during = float(abs(net)), float(abs(net + load))
        points[0].set_data([net], [during])
        points[1].set_data([before], [during])
        said = {"direction": _direction(net), "during": during, "sum": before + during, "importing": before + load}
        return CAPTIONS["branch"].format(verdict=_verdict(net, load), **said)

    return Picture(figure, [*(curve for pair in curves.values() for curve in pair), *points], update)


def _verdict(net_w, load_w):
    if net_w == 0:
        return "both lines meet here"
    return "importing" if net_w > 0 else "pushed through zero" if -net_w < load_w else "exporting"


def noise_table(load_w, noise_w):
    """Return how far the measured change spreads and how often one test is wrong, for times on and kinds of houses.

    The sensor gives a reading every `READING_STEP_S`. The last row is the time on at which noise and the wandering of
    the house balance.

    Parameters
    ----------
    load_w, noise_w : float
        Test load; noise of one reading. [W]
    """

    def told(dwell_s, drift):
        test = step_test.StepTest(load_w, dwell_s, noise_w, READING_STEP_S, drift)
        return f"{test.change_sd_w:.0f} W, wrong {one_in(float(step_test.error_probability(1e9, test)))}"

    rows = {f"{dwell} s on": [told(dwell, drift) for drift in UNREST.values()] for dwell in DWELLS_S}
    best = [step_test.best_dwell(noise_w, READING_STEP_S, drift)[0] for drift in UNREST.values()]
    rows["best time"] = [f"{dwell_s:.0f} s" for dwell_s in best]
    return pd.DataFrame(rows.values(), list(rows), [f"{kind} house" for kind in UNREST])


def one_in(chance):
    """Return a chance in words: ``"once in 40"``, or ``"less than once in a million"``."""
    if chance < 1e-6:
        return "less than once in a million"
    return f"once in {1 / chance:,.1f}" if chance > 0.1 else f"once in {float(f'{1 / chance:.2g}'):,.0f}"
