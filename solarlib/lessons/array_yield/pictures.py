"""Pictures of lesson 02: heat, the converter's limit, the loss stair of a year, yields by month."""

from dataclasses import replace
from functools import lru_cache
from types import SimpleNamespace

import numpy as np
from matplotlib.ticker import MaxNLocator, StrMethodFormatter

from solarlib.health.yields import final_yield, performance_ratio, reference_yield
from solarlib.house.year import light_words, plain_words, roofs_words, weather, weather_at
from solarlib.lessons.tools import Picture, figures
from solarlib.quantities import energy_kwh, texts_beside
from solarlib.roof.array import array_power, loss_steps
from solarlib.roof.parts import Plane, cell_temperature
from solarlib.sky.clouds import minute_weather
from solarlib.sky.sun import clear_sky, noon_side

CAPTIONS = texts_beside(__file__, "captions")
LIMITS = range(50, 115, 5)  # the converter's limits to choose from, % of the label
CLOUD_SEED = 2026
STAIR = texts_beside(__file__, "stair")


def start_values(house):
    """Return the house's own values, the limit in whole percent of the label."""
    system, plane = house.system, house.system.largest_plane
    coefficient = round(-100 * system.module.temperature_coefficient_per_c, 6)
    dirt, limit = round(100 * _dirt(system.losses), 6), _own_limit(system)
    turned = {"tilt": plane.surface_tilt, "azimuth": plane.surface_azimuth}
    return SimpleNamespace(coefficient=coefficient, dirt=dirt, age=system.age_years, limit=limit, **turned)


def heat_picture(house):
    """Return the picture of one module: air, wind, light, mounting -> its power over the light on it."""
    module = house.system.module
    rated = module.rated_power_w
    light = np.linspace(0.0, 1200.0, 121)
    figure, ax = figures.new_figure()
    ax.set(xlim=(0, 1200), xticks=range(0, 1201, 200), xlabel="light on the module (W/m²)")
    figures.zero_based(ax, 1.45 * rated, "power of one module (W)")
    figures.line(ax, "loss", light, rated * light / 1000.0)
    gap = figures.area(ax, "loss", light, 0 * light, 0 * light, alpha=0.6)
    real = figures.line(ax, "pv", light, 0 * light)
    point = figures.spot(ax, clip_on=False)
    by_label = figures.direct_label(ax, 1150, rated, "by the label", "loss", ha="right")
    by_heat = figures.direct_label(ax, 1150, rated, "at its temperature", "pv", ha="right")

    def update(air, wind, light_now, mounting):
        power = module.power_w(light, cell_temperature(light, air, wind, mounting))
        cells = float(cell_temperature(light_now, air, wind, mounting))
        now, label = float(module.power_w(light_now, cells)), rated * light_now / 1000.0
        gap.set_data(light, power, rated * light / 1000.0)
        real.set_data(light, power)
        point.set_data([light_now], [now])
        hot = now <= label
        above, below = (by_label, by_heat) if hot else (by_heat, by_label)
        above.set(position=(1130, max(1.13 * rated, power[113]) + 0.04 * rated), va="bottom")
        below.set(position=(1180, min(0.86 * rated, power[86]) - 0.03 * rated), va="top")  # free of the steep curve
        off, side = 100 * abs(now - label) / label, "less" if hot else "more"
        return CAPTIONS["heat"].format(cells=cells, now=now, off=off, side=side)

    return Picture(figure, [gap, real, point, by_label, by_heat], update)


def limit_picture(house):
    """Return the picture of the limit: limit, kind of day, minutes or hours -> one day, and the loss of a year."""
    label, converter = house.system.module.rated_power_w, house.system.converter
    days, hour, kept = _days(house), np.arange(1440) / 60.0, _kept_words(house.system)
    lost = [100 * limit_share(house, limit) for limit in LIMITS]
    figure, (left, right) = figures.new_figure(1, 2, width_ratios=(1.5, 1), wspace=0.24, left=0.08)
    figures.hours_axis(left, "hour of the day (standard time)", step=6)
    figures.zero_based(left, 118, "power (% of the label)")
    figures.zero_based(right, 1.15 * max(lost), "year's loss by the limit (%)")
    right.set(xlim=(48, 112), xticks=range(50, 111, 10), xlabel="limit (% of the label)")
    figures.line(right, "loss", list(LIMITS), lost)
    figures.direct_label(right, 66, 0.6 * max(lost), "lost in the year", "loss")
    point = figures.spot(right, clip_on=False)
    out = figures.area(left, "pv", [0, 1], [0, 0], [0, 0], alpha=0.85)
    taken = figures.area(left, "loss", [0, 1], [0, 0], [0, 0])
    stop = figures.line(left, "load", [0, 24], [0, 0], linestyle="-", linewidth=2.0)
    stop_name = figures.direct_label(left, 0.3, 0, "limit", va="bottom")
    out_name = figures.direct_label(left, 0.3, 0, "passed on", "pv", va="bottom")
    taken_name = figures.direct_label(left, 23.8, 0, "above it: lost", "loss", ha="right", va="bottom")

    def update(limit, day, minutes):
        offered = days[day, minutes]
        one = replace(converter, ac_limit_w=limit / 100.0 * label)
        accepted = np.minimum(offered, one.rated_input_w)
        given = one.ac_power_w(offered) * 100.0 / label
        above = given + (offered - accepted) * 100.0 / label
        out.set_data(hour, 0 * hour, given)
        taken.set_data(hour, given, above)
        stop.set_data([0, 24], [limit, limit])
        stop_name.set_position((0.3, limit + 1))
        taken_name.set_position((23.8, limit + 1))
        out_name.set_position((0.3, given[: 6 * 60].max() + 2))
        year = float(np.interp(limit, LIMITS, lost))
        point.set_data([limit], [year])
        share = 100 * (1.0 - float(accepted.sum() / offered.sum())) if offered.sum() > 0 else 0.0
        said = {"offered": offered.sum() / 60_000, "share": share, "year": year}
        means = ("Minute by minute" if minutes else "In hourly means") + ", in no shade" * house.system.shaded
        return CAPTIONS["limit"].format(means=means, kept=kept, **said)

    return Picture(figure, [out, taken, stop, stop_name, taken_name, out_name, point], update)


def stair_picture(house):
    """Return the picture of the year's losses: coefficient, dirt, age, limit -> from light to delivered energy."""
    names, light = [*_rows(house), "to the house"], _stair(house, house.system)[1][0]
    more = _kept_words(house.system) + roofs_words(house)
    figure, ax = figures.new_figure(left=0.235, right=0.97, top=0.985)
    figures.rows_axis(ax, range(len(names)), names, (len(names) - 0.4, -0.6))
    ax.set(xlim=(0, 1.2 * light), xlabel="energy in a typical year (kWh)")
    ax.xaxis.set_major_locator(MaxNLocator(6, steps=[1, 2, 2.5, 5, 10]))
    ax.xaxis.set_major_formatter(StrMethodFormatter("{x:,.0f}"))
    roles = ["sun", *["loss"] * (len(names) - 2), "pv"]
    boxes, words = [], []
    for row, role in enumerate(roles):
        boxes += ax.barh(row, 0.0, height=0.72, **figures.filled(role))
        side = "right" if role == "loss" else "left"
        words.append(figures.direct_label(ax, 0, row, "", role, size=figures.TICK_PT, va="center", ha=side))

    def update(coefficient, dirt, age, limit):
        change, left = _stair(house, _changed(house.system, coefficient, dirt, age, limit))
        for row, role in enumerate(roles):
            start, end = (left[row], left[row - 1]) if role == "loss" else (0.0, left[min(row, len(left) - 1)])
            boxes[row].set(x=start, width=end - start)
            size, share = f"{end - start:,.0f} kWh", f", {100 * (end - start) / left[0]:.1f} %"
            beside = start - 0.012 * light if role == "loss" else end + 0.012 * light
            words[row].set(text=size + share if row else size, x=beside)
        most, energies = int(np.argmin(change[1:])) + 1, {"light": left[0], "left": left[-1], "lost": -change.min()}
        share = 100 * left[-1] / left[0]
        return CAPTIONS["stair"].format(step=names[most], share=share, more=more, **energies)

    return Picture(figure, [boxes, words], update, slow=True)


def month_picture(house):
    """Return the picture of the months: tilt, direction, dirt, age -> reference yield, final yield, their ratio."""
    months = np.arange(1, 13)
    facing = noon_side(house.place)
    flat_to_wall = [_monthly(house, _one_plane(house.system, tilt, facing, 0, 0))[0].max() for tilt in range(0, 91, 15)]
    top = 1.3 * max(flat_to_wall)
    words = plain_words(house.system)
    figure, ax = figures.new_figure(bottom=0.1)
    figures.months_axis(ax)
    figures.zero_based(ax, top, "yield (h, kWh/kW)")
    light = figures.bars(ax, "sun", months - 0.2, 0 * months, width=0.38)
    made = figures.bars(ax, "pv", months + 0.2, 0 * months, width=0.38)
    ratios = figures.month_labels(ax, figures.TICK_PT)
    figures.write(ax, CAPTIONS["labels"]["months"], top, size=figures.TICK_PT, va="center")

    def update(tilt, azimuth, dirt, age):
        system = _one_plane(house.system, tilt, azimuth, dirt, age)
        y_r, y_f = _monthly(house, system)
        figures.set_heights([*light, *made], [*y_r, *y_f])
        ratio = np.array([performance_ratio(f, r) if r > 0 else np.nan for f, r in zip(y_f, y_r)])
        for text, value, height in zip(ratios, ratio, np.maximum(y_r, y_f)):
            text.set(text="" if np.isnan(value) else f"{value:.2f}", y=height + 0.01 * top)
        if not y_r.sum() > 0:
            return CAPTIONS["months_without_light"]
        low, high = int(np.nanargmin(ratio)), int(np.nanargmax(ratio))
        ends = {"low": figures.MONTHS[low], "least": ratio[low], "high": figures.MONTHS[high]}
        said = {"light": y_r.sum(), "made": y_f.sum()}
        roof = light_words(house, (1, tilt, azimuth)) + words
        return CAPTIONS["months"].format(ratio=performance_ratio(y_f.sum(), y_r.sum()), roof=roof, **said, **ends)

    return Picture(figure, [light, made, ratios], update, slow=True)


def limit_share(house, limit):
    """Return the share of a year's direct-current energy that the limit [% of the label] takes. [0 to 1]"""
    return _limit_share(house.weather_file, house.place, _limited(house.system, limit))


def largest_step(house):
    """Return the name of the stair's largest loss for the house as its file says."""
    change, _ = _stair(house, house.system)
    return list(_rows(house))[int(np.argmin(change[1:])) + 1]


def _days(house):
    """Return {(kind of day, by the minute): direct-current power of one module in the minutes of the day}. [W]"""
    system, sky = house.system, weather(house)
    system = replace(system, planes=(system.largest_plane.alone(1),))
    day = np.arange(len(sky)) // 24
    made = np.bincount(day, array_power(sky, house.place, system)["dc_power_w"].to_numpy())
    clear = np.bincount(day, clear_sky(sky.index, house.place)["ghi"].to_numpy())
    clearness = np.bincount(day, sky["ghi"].to_numpy()) / np.maximum(clear, 1.0)
    mixed = np.abs(clearness - 0.65) < 0.1
    chosen = {
        "brightest day": int(made.argmax()),
        "sun and clouds": int(np.where(mixed, made, 0.0).argmax()),
        "dullest day": int(np.where(made > 0, made, np.inf).argmin()),
    }
    days = {}
    for name, number in chosen.items():
        hourly = sky.iloc[24 * number : 24 * number + 24]
        fine = minute_weather(hourly, house.place, np.random.default_rng(CLOUD_SEED))
        by_hour, by_minute = (array_power(table, house.place, system)["dc_power_w"] for table in (hourly, fine))
        days[name, False] = np.repeat(by_hour.to_numpy(), 60)  # an hourly mean is a step, drawn from minute to minute
        days[name, True] = by_minute.to_numpy()
    return days


def _behind_one(system):
    """Return the rated power behind one [converter], of several kinds that of [module]. [W]"""
    behind = system.behind_one_w(system.converter)
    return behind[0] if len(behind) == 1 else system.module.rated_power_w


def _kept_words(system):
    """Say what no slider moves of a house with several kinds."""
    return " Other kinds stay as they are." * system.mixed


def _limited(system, limit):
    return replace(system, converter=replace(system.converter, ac_limit_w=limit / 100.0 * _behind_one(system)))


def _own_limit(system):
    return round(100 * system.converter.ac_limit_w / _behind_one(system))


def _changed(system, coefficient, dirt, age, limit):
    """Return a system with other values; where the limit is its own in whole percent, that one itself."""
    limited = system if limit == _own_limit(system) else _limited(system, limit)
    module = replace(system.module, temperature_coefficient_per_c=-coefficient / 100.0)
    return _used(replace(limited, module=module), dirt, age)


def _one_plane(system, tilt, azimuth, dirt, age):
    plane = Plane(system.module_count, tilt, azimuth, system.largest_plane.mounting)
    return _used(replace(system, planes=(plane,)), dirt, age)


def _used(system, dirt, age):
    """Return a system with so much dirt on its glass, in the months' own proportions [%], at an age [years]."""
    more = dirt / 100.0 / (_dirt(system.losses) or 1.0)
    months = tuple(min(0.5, more * share) for share in system.losses.soiling_by_month)
    losses = replace(system.losses, soiling=dirt / 100.0, soiling_by_month=months)
    return replace(system, losses=losses, age_years=float(age))


def _dirt(losses):
    """Return the house's own dirt, as a mean of twelve months where these are told. [0 to 1]"""
    return float(np.mean(losses.soiling_by_month or losses.soiling))


def _rows(house):
    """Return the rows of the stair, as STAIR, with shade and snow where the house file tells of them."""
    rows = dict(STAIR)
    if house.system.losses.snow_by_month:
        rows = {("snow and dirt" if name == "dirt" else name): steps for name, steps in rows.items()}
        rows["snow and dirt"] = ("snow on the glass", "dirt on the glass")
    names = list(rows)
    if house.system.shaded:
        names.insert(names.index("heat") + 1, "shade")
    return {name: rows.get(name, (name,)) for name in names}


def _stair(house, system):
    """Return (change, energy left) for each row of the stair. [kWh]"""
    table = loss_steps(weather(house), house.place, system).set_index("step")["change_kwh"]
    change = np.array([sum(table[step] for step in steps) for steps in _rows(house).values()])
    return change, np.cumsum(change)


@lru_cache(maxsize=64)
def _limit_share(weather_file, place, system):
    table = loss_steps(weather_at(weather_file, place), place, system).set_index("step")
    taken = max(0.0, -table.loc["limit of the converter", "change_kwh"])  # never "-0.00 %"
    before = table.loc["limit of the converter", "energy_kwh"] + taken
    return taken / before if before > 0 else 0.0


def _monthly(house, system):
    """Return reference yield [h] and final yield [kWh/kW] of the twelve months."""
    year = array_power(weather(house), house.place, system)
    months, rated = [month for _, month in year.groupby(year.index.month)], system.rated_power_w
    y_r = np.array([reference_yield(month["poa_global"]) for month in months])
    return y_r, np.array([final_yield(float(energy_kwh(month["ac_power_w"]).sum()), rated) for month in months])
