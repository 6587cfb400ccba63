"""Pictures and checks of lesson 01: sunlight in a day, on a tilted plane, part by part and in a year."""

from functools import lru_cache

import numpy as np
import pandas as pd

from solarlib.house.year import light_words, weather
from solarlib.lessons.tools import Picture, figures
from solarlib.lessons.tools.figures import MONTHS
from solarlib.quantities import day_words, plane_words, texts_beside, year_index
from solarlib.sky.sun import clear_sky, noon_side, plane_of_array, position, solar_noon

CAPTIONS = texts_beside(__file__, "captions")
COMPASS = {"N": 0, "NE": 45, "E": 90, "SE": 135, "S": 180, "SW": 225, "W": 270, "NW": 315}
KINDS = ("clearest day", "middle day", "dullest day")
TILTS = np.arange(0, 91, 5)
_TROPIC = 23.44  # latitude where the sun stands overhead on one day of the year. [deg]
AZIMUTHS = np.arange(0, 360, 15)
_OUTLINE = {"color": figures.INK, "linewidth": 2.0}  # what is only compared with: no meaning of its own, so no colour
_PAPER = figures.PAPER | {"alpha": 0.8}


def noon_words(place):
    """Say where the noon side is: between the tropics the noon sun changes sides within the year."""
    side = noon_side(place)
    if abs(place.latitude) > _TROPIC:
        return f"the noon side here is {side}"
    return f"here the noon sun stands at {side} for most of the year, at {180 - side} in the rest"


def yearly_irradiation(house, surface_tilt, surface_azimuth):
    """Return the in-plane irradiation of the typical year. [kWh/m2]"""
    return float(_monthly(house, _daylight(house), surface_tilt, surface_azimuth).sum())


def day_picture(house):
    """Return the picture of one day on flat ground: day, hour -> irradiance of each hour, energy until that hour."""
    days = _by_day(weather(house).tz_convert(house.place.tz))
    clear = _cloudless(house.place)
    top = max(day["ghi"].max() for day in (*days, *clear)) / 1000.0
    figure, ax = figures.new_figure()
    figures.hours_axis(ax)
    figures.zero_based(ax, 1.2 * top, "irradiance (kW/m²)")
    columns = figures.bars(ax, "sun", np.arange(24) + 0.5, np.zeros(24), width=1.0, hatch="", linewidth=2.0)
    gold = figures.ROLES["sun"].colour
    sky = ax.plot([], [], linestyle="--", **_OUTLINE)[0]
    date = figures.direct_label(ax, 0.3, 1.07 * top, "", "sun")
    sky_name = figures.direct_label(ax, 0, 0, "cloudless sky")

    def update(day, until):
        table, ideal = days[day - 1], clear[day - 1]
        height = np.zeros(24)
        height[table.index.hour] = table["ghi"].to_numpy() / 1000.0
        for hour, bar in enumerate(columns):
            left = hour + table.index.minute[0] / 60.0  # a clock may be half an hour off the file's hours
            face, edge = (gold, figures.BACKGROUND) if left < until else (figures.BACKGROUND, gold)
            bar.set(height=height[hour], x=left, facecolor=face, edgecolor=edge)
        sky.set_data(_clock(ideal.index), ideal["ghi"] / 1000.0)
        energy, possible = table["ghi"].sum() / 1000.0, ideal["ghi"].sum() / 6000.0  # 6 rows an hour
        peak = int(ideal["ghi"].to_numpy().argmax())
        sky_name.set_position((min(_clock(ideal.index)[peak] + 2.2, 18.5), ideal["ghi"].max() / 1000.0))
        sky_name.set_visible(possible > 0)
        said = {"date": day_words(table.index[0], "%B"), "energy": energy, "possible": possible}
        date.set_text(f"■ {said['date']} ({_zone(table.index[len(table) // 2])})")
        if not possible:
            return CAPTIONS["day_without_sun"].format(**said)
        share = round(100 * (1 - energy / possible))
        lost = f"clouds took {share} %" if share >= 3 else "clouds took almost nothing"
        return CAPTIONS["day"].format(so_far=height[:until].sum(), until=until, lost=lost, **said)

    return Picture(figure, [columns, sky, date, sky_name], update)


def path_picture(house):
    """Return the picture of sun and plane: day, clock hour, tilt, azimuth -> path of the sun, beam on the plane."""
    clear, middle = _cloudless(house.place), noon_side(house.place)
    figure, (left, right) = figures.new_figure(1, 2, left=0.075, right=0.965, wspace=0.2, width_ratios=(1.1, 1))
    _compass_axis(left, middle, 45, "direction")
    figures.zero_based(left, 95, "height above horizon (°)")
    left.set_yticks(range(0, 91, 30))
    for number, name in ((172, "21 June"), (355, "21 Dec")):
        x, y = _path(clear[number - 1], middle)
        left.plot(x, y, linestyle=":", **_OUTLINE)
        if np.isfinite(y).any():  # no polar night
            top = int(np.nanargmax(y))
            look = {"size": 12, "ha": "center", "va": "bottom" if y[top] < 80 else "top"}
            figures.direct_label(left, x[top], y[top] + (1 if y[top] < 80 else -2), name, **look)
    figures.hours_axis(right, "clock (local time)", step=6)
    top = max(day["dni"].max() for day in clear) / 1000.0
    figures.zero_based(right, 1.25 * top, "beam (kW/m²)")
    path = figures.line(left, "sun", [], [], linestyle="-")
    spot = figures.line(left, "sun", [], [], marker="o", markersize=17, markeredgecolor=figures.INK)
    pv = figures.ROLES["pv"].colour
    target = figures.spot(left, 15, "X", color=pv, markeredgecolor=figures.BACKGROUND)
    look = {"size": 13, "ha": "center", "va": "top", "bbox": _PAPER}
    target_name = figures.direct_label(left, 0, 0, "plane looks here", "pv", **look)
    on_plane = figures.area(right, "sun", [0, 1], [0, 0], [0, 0], hatch="")
    straight = right.plot([], [], linestyle="--", **_OUTLINE)[0]
    now = right.plot([], [], linestyle="-", **_OUTLINE)[0]
    figures.write(right, CAPTIONS["labels"]["path"], top, size=14)

    def update(day, hour, tilt, azimuth):
        table = clear[day - 1]
        clock = _clock(table.index)
        light = plane_of_array(table, table, tilt, azimuth, house.system.albedo)
        path.set_data(*_path(table, middle))
        row = min(int(np.searchsorted(clock, hour)), len(clock) - 1)
        there, (caught, angle) = table.iloc[row], light[["poa_direct", "aoi"]].iloc[row]
        height, beam = there["apparent_elevation"], there["dni"]
        spot.set_data([_turn(there["azimuth"] - middle)], [height])
        spot.set_visible(height > 0)
        x = _turn(azimuth - middle)
        target.set_data([x], [90 - tilt])
        target_name.set_position((np.clip(x, -115, 115), 90 - tilt - 6 if tilt < 75 else 90 - tilt + 18))
        on_plane.set_data(clock, 0 * clock, light["poa_direct"] / 1000.0)
        straight.set_data(clock, table["dni"] / 1000.0)
        now.set_data([hour, hour], [0, top])
        said = {"date": day_words(table.index[0], "%B"), "height": height, "angle": angle}
        said["noon"] = _hhmm(solar_noon(table, house.place))
        if height <= 0 or beam == 0:
            return CAPTIONS["below_horizon"].format(**said)
        seen = CAPTIONS["in_front" if caught else "behind"].format(share=100 * caught / beam)
        return CAPTIONS["path"].format(seen=seen, **said)

    return Picture(figure, [path, spot, target, target_name, on_plane, straight, now], update)


def parts_picture(house):
    """Return the picture of beam, sky and ground light: month, kind of day, azimuth -> a day's energy against tilt."""
    energy, days = _parts(house)
    top = 1.08 * max(table.sum(axis=1).max() for table in energy.values())
    figure, ax = figures.new_figure(right=0.87)
    ax.set(xlim=(0, 90), xlabel="tilt of the plane (0° is flat, 90° is a wall)")
    ax.set_xticks(range(0, 91, 15), [f"{tilt}°" for tilt in range(0, 91, 15)])
    figures.zero_based(ax, top, "energy (kWh/m² a day)")
    flat = 0.0 * TILTS
    roles = {"beam": "sun", "sky": "sky", "ground": "ground"}
    layers = [
        figures.area(ax, role, TILTS, flat, flat, hatch="" if role == "sun" else figures.ROLES[role].hatch)
        for role in roles.values()
    ]
    names = [figures.direct_label(ax, 91.5, 0, name, role, va="center", clip_on=False) for name, role in roles.items()]

    def update(month, kind, azimuth):
        parts = energy[azimuth][:, :, MONTHS.index(month), KINDS.index(kind)]  # tilt, part
        edges = np.vstack([flat, np.cumsum(parts, axis=1).T])
        low = -np.inf
        for layer, name, under, over in zip(layers, names, edges[:-1], edges[1:]):
            layer.set_data(TILTS, under, over)
            low = max((under[-1] + over[-1]) / 2, low + 0.085 * top, 0.04 * top)
            name.set_position((91.5, low))
        total = edges[-1]
        best = int(total.argmax())
        day = days[MONTHS.index(month)][KINDS.index(kind)]
        said = {"date": day_words(day, "%B"), "month": month, "best": TILTS[best]}
        if not total.max() > 0:
            return CAPTIONS["parts_without_sun"].format(**said)
        said |= dict(zip(roles, 100 * parts[9] / max(total[9], 1e-9)), kind=kind)
        return CAPTIONS["parts"].format(flat=total[0], steep=total[9], **said)

    return Picture(figure, [layers, names], update)


def year_picture(house):
    """Return the picture of a plane's year: tilt, azimuth -> months, and the yearly sum against azimuth."""
    light = _daylight(house)
    table = np.array([[_monthly(house, light, tilt, azimuth) for azimuth in AZIMUTHS] for tilt in TILTS])
    year, middle = table.sum(axis=2), noon_side(house.place)
    row, column = np.unravel_index(year.argmax(), year.shape)
    best_plane = plane_words(TILTS[row], AZIMUTHS[column])
    order = np.append(np.argsort(_turn(AZIMUTHS - middle), kind="stable"), 0)
    order[-1] = order[0]  # the circle closes: its first direction stands at both ends
    x = np.append(np.sort(_turn(AZIMUTHS - middle)), 180)
    figure, (left, right) = figures.new_figure(1, 2, left=0.08, right=0.985, wspace=0.24)
    figures.months_axis(left)
    left.set(xticklabels=[name[0] for name in MONTHS], xlabel="month")
    figures.zero_based(left, 1.2 * table.max(), "kWh/m² a month")
    _compass_axis(right, middle, 90, "direction the plane faces")
    figures.zero_based(right, 1.18 * year.max(), "kWh/m² a year")
    columns = figures.bars(left, "sun", np.arange(1, 13), np.zeros(12), width=0.8, hatch="")
    left.step(np.arange(0.5, 13), np.append(table[0, 0], table[0, 0, -1]), where="post", linestyle="--", **_OUTLINE)
    figures.direct_label(left, 0.7, 1.1 * table.max(), "- - flat ground", size=14)
    for row, name, turn, drop in ((0, "flat", 174, 0.02), (len(TILTS) - 1, "wall", -174, -0.1)):
        values, side = year[row][order], "right" if turn > 0 else "left"
        right.plot(x, values, linestyle="--", **_OUTLINE)
        figures.direct_label(right, turn, values[0] + drop * year.max(), name, size=14, ha=side)
    for number, plane in enumerate(house.system.planes, 1):
        turn = float(_turn(plane.surface_azimuth - middle))
        value = yearly_irradiation(house, plane.surface_tilt, plane.surface_azimuth)
        right.plot(turn, value, marker="D", markersize=9, color=figures.INK)
        at = np.clip(turn, -145, 145), value + 0.03 * year.max()
        figures.direct_label(right, *at, f"plane {number}", size=12, ha="center", va="bottom")
    curve = figures.line(right, "sun", x, 0 * x, linestyle="-")
    spot = figures.line(right, "sun", [], [], marker="o", markersize=15, markeredgecolor=figures.INK)
    name = figures.direct_label(right, 174, 0, "", "sun", size=14, ha="right", bbox=_PAPER)

    def update(tilt, azimuth):
        row, column = int(np.searchsorted(TILTS, tilt)), int(np.searchsorted(AZIMUTHS, azimuth))
        figures.set_heights(columns, table[row, column])
        values = year[row][order]
        curve.set_data(x, values)
        spot.set_data([_turn(azimuth - middle)], [year[row, column]])
        name.set_text(f"tilt {tilt}°")
        below = values[-1] - 0.12 * year.max()
        clear_of_wall = below > np.interp(105, x, year[-1][order])
        name.set_position((174, below if clear_of_wall else np.interp(105, x, values) + 0.02 * year.max()))
        whole, light = year[row, column], light_words(house, (1, tilt, azimuth))
        return CAPTIONS["year"].format(light=light, whole=whole, share=100 * whole / year.max(), best=best_plane)

    return Picture(figure, [columns, curve, spot, name], update)


def _by_day(table):
    return [day for _, day in table.groupby(table.index.day_of_year)]


@lru_cache(maxsize=4)
def _cloudless(place):
    """Return a table for each local day: cloudless irradiance and the sun's position, every 10 minutes."""
    index = year_index("10min", place.tz)
    return _by_day(pd.concat([clear_sky(index, place), position(index, place)], axis=1))


def _daylight(house):
    """Return weather and sun of the typical year without the dark hours, which add nothing to a sum."""
    sky = weather(house)
    table = pd.concat([sky[["ghi", "dni", "dhi"]], position(sky.index, house.place)], axis=1)
    return table[sky[["ghi", "dni", "dhi"]].sum(axis=1) > 0]


def _monthly(house, light, tilt, azimuth):
    """Return the in-plane irradiation of each month, from `_daylight`. [kWh/m2]"""
    hourly = plane_of_array(light, light, tilt, azimuth, house.system.albedo)["poa_global"].to_numpy()
    return np.bincount(light.index.month - 1, hourly, minlength=12) / 1000.0


def _parts(house):
    """Return azimuth -> energy of beam, sky and ground light [kWh/m2 a day], and the first label of each day used.

    Each table has shape (tilts, 3 parts, 12 months, 3 kinds of day); a day is clear or dull by its share of the
    irradiation of a cloudless sky.
    """
    sky = weather(house)
    ideal = clear_sky(sky.index, house.place)["ghi"].to_numpy().reshape(365, 24).sum(axis=1)
    share = sky["ghi"].to_numpy().reshape(365, 24).sum(axis=1) / np.maximum(ideal, 1.0)
    months = sky.index.month.to_numpy()[::24]
    chosen = np.empty((12, 3), dtype=int)
    for month in range(12):
        days = np.flatnonzero(months == month + 1)
        ranked = days[np.argsort(share[days], kind="stable")]
        chosen[month] = ranked[[-1, len(ranked) // 2, 0]]
    rows = (chosen.reshape(-1, 1) * 24 + np.arange(24)).ravel()
    light, solar = sky.iloc[rows], position(sky.index, house.place).iloc[rows]
    energy = {}
    for azimuth in COMPASS.values():
        planes = [plane_of_array(light, solar, tilt, azimuth, house.system.albedo) for tilt in TILTS]
        hourly = np.array([plane[["poa_direct", "poa_sky_diffuse", "poa_ground_diffuse"]].T for plane in planes])
        energy[azimuth] = hourly.reshape(len(TILTS), 3, 12, 3, 24).sum(axis=-1) / 1000.0
    return energy, [[sky.index[day * 24] for day in month] for month in chosen]


def _path(day, middle):
    """Return turn from the noon side and height of the sun, broken where it sets or leaves the map's edge. [deg]"""
    turn, height = _turn(day["azimuth"].to_numpy() - middle), day["apparent_elevation"].to_numpy()
    seam = np.append(np.abs(np.diff(turn)) > 180, False)
    return turn, np.where((height < 0) | seam, np.nan, height)


def _turn(degrees):
    """Return an angle as -180 to 180, so that a map has the noon sun in its middle. [deg]"""
    return (np.asarray(degrees, dtype=float) + 180.0) % 360.0 - 180.0


def _compass_axis(ax, middle, step, label):
    """Fix the horizontal axis to all directions, with the noon side (azimuth ``middle``) in its middle."""
    turns = range(-180, 181, step)
    ax.set(xlim=(-180, 180), xticks=turns, xticklabels=[_compass(middle + turn) for turn in turns], xlabel=label)


def _compass(azimuth):
    return list(COMPASS)[round(float(azimuth) % 360 / 45) % 8]


def _clock(index):
    return (index.hour + index.minute / 60.0).to_numpy() + 1 / 12  # the middle of 10 minutes


def _hhmm(hour):
    return f"{int(hour + 1 / 120):02d}:{int((hour + 1 / 120) * 60) % 60:02d}"


def _zone(time):
    """Return the distance of the clock from universal time, e.g. UTC-4; it shows daylight time."""
    offset = time.utcoffset() / pd.Timedelta(hours=1)
    return f"UTC{offset:+g}"
