"""Two roofs through the year, and what an obstacle costs."""

import math
from dataclasses import replace
from functools import lru_cache
from types import SimpleNamespace

import numpy as np
import pandas as pd
from matplotlib.ticker import MaxNLocator

from solarlib.house.bills import avoided_price
from solarlib.house.year import house_load, light_words, plain_words, weather, weather_at
from solarlib.lessons.tools import Picture, figures
from solarlib.quantities import TYPICAL_YEAR, counted, energy_kwh, plane_words, texts_beside
from solarlib.roof.array import array_power
from solarlib.roof.obstacles import ModuleLayout, Obstacle, usual_layout
from solarlib.roof.parts import Plane
from solarlib.roof.shade import row_hours, shade_hours, year_loss
from solarlib.sky.sun import noon_side, position

CAPTIONS = texts_beside(__file__, "captions")
TRAY_TILT = 10
ROW = ModuleLayout(2, 1, portrait=False)  # a front row, and one behind it for all others; long side across
DISTANCES = (1.2, 1.4, 1.6, 1.8, 2.0)  # front edge to front edge. [m]
USUAL_DISTANCE = 1.6  # of the table. [m]
WIDEST, TALLEST = 90, 45  # obstacle. [deg]


def start_values(house):
    """Return the house's largest plane as values of the controls: tilt and direction. [deg]"""
    plane = house.system.largest_plane
    return SimpleNamespace(tilt=plane.surface_tilt, azimuth=plane.surface_azimuth % 360)


# ---------------------------------------------------------------- bars that lie


def lying_bars(ax, places, looks):
    """Draw a bar and its number in each row, (role, hatch) one a row; return both, for `move_lying_bars`."""
    look, drawn, words = {"height": 0.6, "edgecolor": figures.BACKGROUND}, [], []
    for place, (role, hatch) in zip(places, looks):
        drawn.append(ax.barh(place, 0.0, facecolor=figures.ROLES[role].colour, hatch=hatch, **look))
        words.append(figures.direct_label(ax, 0, place, "", role, va="center"))
    return drawn, words


def move_lying_bars(drawn, words, values, gap, rightmost=math.inf):
    """Give bars their lengths, and put each number ``gap`` beside its bar, at ``rightmost`` at the most."""
    for bar, word, value in zip(drawn, words, values):
        bar[0].set_width(value)
        word.set(x=min(value, rightmost) + gap, text=f"{value:.1f}")


# ---------------------------------------------------------------- pitched roof or trays


def roof_year(house, tilt, azimuth, mounting="roof"):
    """Return what all modules of the house on one plane give the house in each hour of a typical year. [W]"""
    system = replace(house.system, planes=(Plane(house.system.module_count, tilt, azimuth, mounting),))
    return array_power(weather(house), house.place, system)["ac_power_w"]


def tray_year(house, distance):
    """Return the same on trays of 10 degrees that face the noon sun, with the shadow of each row on the next. [W]"""
    hours = _row_hours(house.weather_file, house.place, house.system.albedo, distance)
    open_w = hours["unshaded_w"].to_numpy()
    pair = np.divide(hours["per_module_w"].to_numpy(), open_w, out=np.ones(len(open_w)), where=open_w > 0)
    kept = np.clip(2.0 * pair - 1.0, 0.0, 1.0)  # of the two rows only one is shaded
    return roof_year(house, TRAY_TILT, noon_side(house.place), "tray") * kept


def row_loss(house, distance):
    """Return the share of a year's energy that the row in front takes from a row behind it, one converter a module."""
    return 2.0 * year_loss(_row_hours(house.weather_file, house.place, house.system.albedo, distance)).module_loss


def monthly_kwh(power):
    """Return twelve monthly energies. [kWh]"""
    return energy_kwh(power).groupby(power.index.month).sum().to_numpy()


def roof_picture(house):
    """Return the picture of two roofs: tilt and direction of the pitched one, distance of trays -> months."""
    place, use, low = np.arange(1, 13), monthly_kwh(house_load(house)), _dark_months(house)
    trays = {distance: monthly_kwh(tray_year(house, distance)) for distance in DISTANCES}
    losses = {distance: row_loss(house, distance) for distance in DISTANCES}
    steep = [monthly_kwh(roof_year(house, tilt, noon_side(house.place))).max() for tilt in (0, 15, 30, 60)]
    most = max(*steep, trays[DISTANCES[-1]].max(), 1.0)
    top = 1.3 * max(most, min(use.max(), 2.0 * most))  # a house that uses more still than that: no line
    free = plain_words(house.system)
    figure, ax = figures.new_figure(bottom=0.1)
    figures.months_axis(ax)
    figures.zero_based(ax, top, "energy to the house (kWh)")
    left = figures.bars(ax, "pv", place - 0.2, 0 * place, width=0.38, hatch="")
    hatched = {"hatch": "//", "color": figures.BACKGROUND, "edgecolor": figures.ROLES["pv"].colour}
    right = figures.bars(ax, "pv", place + 0.2, 0 * place, width=0.38, **hatched)
    own = figures.line(ax, "load", place, use, marker="o", markersize=8, zorder=5)
    own.set_visible(bool(use.max() < 0.86 * top))
    figures.write(ax, CAPTIONS["labels"]["roofs"], top, va="center")
    if own.get_visible():
        figures.direct_label(ax, 6.5, 0.86 * top, "dots: house use", va="center", ha="center", size=figures.TICK_PT)

    def update(tilt, azimuth, distance):
        pitched, flat = monthly_kwh(roof_year(house, tilt, azimuth)), trays[distance]
        figures.set_heights([*left, *right], [*pitched, *flat])
        less = (pitched - flat)[low].sum()
        sums = {"pitched": pitched.sum(), "flat": flat.sum(), "row": 100 * losses[distance], "gap": abs(less)}
        words = {
            "dark": _dark_words(house),
            "side": "less" if less >= 0 else "more",
            "light": light_words(house, (1, tilt, azimuth)) + free,
        }
        return CAPTIONS["roofs"].format(**sums, **words)

    return Picture(figure, [left, right, own], update, slow=True)


def roof_table(house):
    """Return one row a roof: kWh of the year, of the darker half."""
    start = start_values(house)
    pitched, trays = roof_year(house, start.tilt, start.azimuth), tray_year(house, USUAL_DISTANCE)
    roofs = {
        f"pitched, {plane_words(start.tilt, start.azimuth)}": monthly_kwh(pitched),
        f"trays {TRAY_TILT} deg, rows {USUAL_DISTANCE:g} m apart": monthly_kwh(trays),
    }
    dark, months = f"{_dark_words(house).replace(' to ', '_')}_kwh", _dark_months(house)
    table = {name: {"year_kwh": made.sum(), dark: made[months].sum()} for name, made in roofs.items()}
    return pd.DataFrame.from_dict(table, orient="index").round(0).astype(int)


def winter_noon(house):
    """Return direction and elevation of the sun on the shortest day, two hours before noon by the sun. [deg]"""
    sun = _sun_on_21st(house, 12 if house.place.latitude >= 0 else 6)
    before = sun.iloc[max(int(sun["apparent_elevation"].argmax()) - 24, 0)]
    return float(before["azimuth"]), max(float(before["apparent_elevation"]), 1.0)


def _sun_on_21st(house, month):
    day = pd.date_range(f"{TYPICAL_YEAR}-{month}-21", periods=288, freq="5min", tz=weather(house).index.tz)
    return position(day, house.place)


def _dark_words(house):
    return "Oct to Mar" if house.place.latitude >= 0 else "Apr to Sep"


def _dark_months(house):
    """Return the indices of the darker half of the year, January 0."""
    return np.array([9, 10, 11, 0, 1, 2]) if house.place.latitude >= 0 else np.arange(3, 9)


@lru_cache(maxsize=32)
def _row_hours(weather_file, place, albedo, distance):
    sky = weather_at(weather_file, place)
    plane = Plane(2, TRAY_TILT, noon_side(place), "tray")
    return row_hours(sky, place, plane, ROW, distance, albedo)


# ---------------------------------------------------------------- shade


def shade_distance(house):
    """Return how far the obstacle of this lesson stands from the middle of the largest plane. [m]"""
    plane = house.system.largest_plane
    layout = plane.layout or usual_layout(plane.module_count)
    reach = math.hypot(layout.columns * layout.width_m, layout.rows * layout.length_m) / 2.0
    return max(8, math.ceil(1.6 * reach))


def shade_loss(house, aside, width, height):
    """Return the three numbers of a year for an obstacle before the house's largest plane.

    Parameters
    ----------
    house : House
    aside, width, height : float
        Degrees to the right of straight ahead (negative: left); wide; high, all from the middle of the plane. [deg]
    """
    return _shade_loss(house.weather_file, house.place, house.system, _obstacle(house, aside, width, height))


def open_kwh(house):
    """Return what the house's largest plane gives without shade: its share of the house's typical year. [kWh]"""
    plane = replace(house.system.largest_plane, obstacles=(), layout=None, row_pitch_m=None)
    system = replace(house.system, planes=(plane,))
    return float(energy_kwh(array_power(weather(house), house.place, system)["ac_power_w"]).sum())


def kwh_price(house):
    """Return what one kWh less on the bill saves. [in the currency of the tariff]"""
    return float(avoided_price(house))


def shade_picture(house):
    """Return the picture of shade: an obstacle's place, width, height -> the sky, and three numbers of a year."""
    ahead = house.system.largest_plane.surface_azimuth
    figure, (sky, numbers) = figures.new_figure(1, 2, width_ratios=(1.25, 1), left=0.08, right=0.985, wspace=0.52)
    _draw_sky(sky, house, ahead)
    thing = figures.area(sky, "load", [0, 1], [0, 0], [0, 0], hatch="", alpha=0.8)
    rows, own = (2, 1, 0), own_shade_words(house)
    figures.rows_axis(numbers, rows, ["light lost", "converter\nfor each", "one string"], (-0.6, 2.7))
    top = 120 * max(shade_loss(house, 0, WIDEST, TALLEST).string_loss, 0.01)
    numbers.set(xlim=(0, top), xlabel="lost in a year (%)")
    numbers.xaxis.set_major_locator(MaxNLocator(5))
    boxes, words = lying_bars(numbers, rows, (("sun", "--"), ("loss", ""), ("loss", "xx")))

    def update(aside, width, height):
        loss = shade_loss(house, aside, width, height)
        edges = [aside - width / 2, aside - width / 2, aside + width / 2, aside + width / 2]
        thing.set_data(edges, [0, 0, 0, 0], [0, height, height, 0])
        values = [100 * share for share in (loss.light_lost, loss.module_loss, loss.string_loss)]
        move_lying_bars(boxes, words, values, 0.02 * top)
        shares = dict(zip(("light", "module", "string", "choice"), (*values, 100 * loss.benefit)))
        return CAPTIONS["shade"].format(own=own, **shares)

    return Picture(figure, [thing, boxes, words], update, slow=True)


def own_shade_words(house):
    """Say what the house file's own obstacles take from its largest plane: a trial leaves them out."""
    plane = house.system.largest_plane
    if not plane.shaders:
        return ""
    own = _shade_loss(house.weather_file, house.place, house.system, *plane.obstacles, rows=True)
    shares = {"light": 100 * own.light_lost, "module": 100 * own.module_loss, "string": 100 * own.string_loss}
    names, dotted = ", ".join(plane.shaders), " (dotted)" * bool(plane.obstacles)
    names = names if len(names) < 30 else counted(len(plane.shaders), "thing")
    return CAPTIONS["own_shade"].format(names=names + dotted, **shares)


def _draw_sky(ax, house, ahead):
    """Draw the sun's way on the longest and shortest day and the house's own obstacles, as seen from the array."""
    for thing in house.system.largest_plane.obstacles:
        side, up = np.array([(thing.points[0][0], 0.0), *thing.points, (thing.points[-1][0], 0.0)]).T
        for turn in (-360.0, 0.0, 360.0, 720.0):  # an azimuth may go past north
            ax.plot(side - ahead - turn, up, color=figures.INK, linestyle=":", linewidth=2.0)
    ax.set(xlim=(-120, 120), xlabel=f"direction; the wall is {shade_distance(house)} m away (°)")
    ax.set_xticks(range(-90, 91, 45), ["90 left", "45", "ahead", "45", "90 right"])
    figures.zero_based(ax, 90, "height above the horizon (°)")
    for month, name in ((6, "21 Jun"), (12, "21 Dec")):
        sun = _sun_on_21st(house, month)
        sun = sun.assign(side=(sun["azimuth"] - ahead + 180) % 360 - 180).sort_values("side")
        side, seen = sun["side"].to_numpy(), sun["apparent_elevation"].where(sun["apparent_elevation"] > 0).to_numpy()
        figures.line(ax, "sun", side, seen)
        inside = np.where(abs(side) < 100, seen, np.nan)
        if np.isfinite(inside).any():
            best = int(np.nanargmax(inside))
            at = side[best], min(inside[best] + 2, 80)
            figures.direct_label(ax, *at, name, "sun", size=figures.TICK_PT, ha="center", va="bottom")


def _obstacle(house, aside, width, height):
    middle = house.system.largest_plane.surface_azimuth + aside
    return Obstacle(((middle - width / 2, height), (middle + width / 2, height)), float(shade_distance(house)))


@lru_cache(maxsize=64)
def _shade_loss(weather_file, place, system, *obstacles, rows=False):
    plane = system.largest_plane if rows else replace(system.largest_plane, row_pitch_m=None)
    one = replace(system, planes=(plane,), module=plane.module or system.module)
    return year_loss(shade_hours(weather_at(weather_file, place), place, one, (obstacles,)))
