"""Pictures of lesson 00: one day and one year of a house with a solar array."""

import numpy as np
import pandas as pd

from solarlib.house.year import roofs_words, simulate, weather
from solarlib.lessons.tools import Picture, figures
from solarlib.meter.registers import split
from solarlib.quantities import counted, day_words, energy_kwh, plane_words, texts_beside
from solarlib.sky.world import WORLD_BAND, WorldTable

CAPTIONS = texts_beside(__file__, "captions")


def facts(house):
    """Return a table of what a house file says, in words. One row a fact."""
    system = house.system
    modules = " and ".join(f"{counted(n, 'module')} of {one.rated_power_w:g} W" for one, n in system.modules.items())
    array = f"{modules}, {system.rated_power_w / 1000:g} kW rated"
    rows = {"place": house.place.name, "clock": f"{house.place.tz} time", "array": array}
    for number, plane in enumerate(system.planes, 1):
        turned = plane_words(plane.surface_tilt, plane.surface_azimuth).replace("°", " degrees")
        kinds = "".join(f" ({one.name})" for one in (plane.module, plane.converter) if one)
        behind = ", ".join(plane.shaders)
        rows[f"plane {number}"] = (
            counted(plane.module_count, "module") + kinds + f", {turned}" + (behind and f", shaded by {behind}")
        )
    rows["converter"] = " and ".join(f"{one.kind}, at most {one.ac_limit_w:g} W each" for one in system.converters)
    rows["house use"] = f"{house.yearly_kwh:,.0f} kWh a year{', by month' * bool(house.monthly_kwh)}"
    rows["test load"] = f"{house.meter.test_load_name}, {house.meter.test_load_w:g} W"
    words = roofs_words(house) + f" The world table is {WORLD_BAND}." * isinstance(house.weather_file, WorldTable)
    if words := words + f" {weather(house).attrs.get('account', '')}".rstrip():
        rows["weather"] = words.strip()
    return pd.DataFrame({"what the file says": rows})


def day_picture(house):
    """Return the picture of one day: day number, share of the array -> power made and used, hour by hour."""
    days = [group for _, group in simulate(house).groupby(lambda time: time.day_of_year)]
    most, used_most = np.max([day[["generation_w", "load_w"]].max() for day in days], axis=0) / 1000.0
    top = max(most, used_most)
    figure, ax = figures.new_figure()
    figures.hours_axis(ax)
    figures.zero_based(ax, 1.12 * max(top, 1.4 * most), "mean power (kW)")  # the control makes the array 1.4 times
    hour = np.arange(25.0)
    made = figures.area(ax, "pv", hour, 0 * hour, 0 * hour, step="post", alpha=0.85)
    used = figures.line(ax, "load", hour, 0 * hour, drawstyle="steps-post", linestyle="-")
    made_name = figures.direct_label(ax, 12, 0, "the array makes", "pv", ha="center", va="bottom")
    used_name = figures.direct_label(ax, 0.3, 0, "the house uses", "load", va="bottom")

    def update(day, size):
        table = days[day - 1]
        factor = size / 100.0
        power = table["generation_w"].to_numpy() * factor / 1000.0
        load = table["load_w"].to_numpy() / 1000.0
        edges = np.arange(len(power) + 1.0)  # 24 hours, 23 or 25 when the clocks change
        made.set_data(edges, 0 * edges, np.append(power, power[-1]))
        used.set_data(edges, np.append(load, load[-1]))
        made_name.set_position((12.5, max(power.max(), load[9:16].max()) + 0.03 * top))
        made_name.set_visible(bool(size))
        used_name.set_position((0.3, load[:6].max() + 0.03 * top))
        energy = split(table["load_w"] - factor * table["generation_w"]).sum()
        date = day_words(table.index[0], "%B")
        return CAPTIONS["day"].format(date=date, size=size, made=power.sum(), used=load.sum(), **energy)

    return Picture(figure, [made, used, made_name, used_name], update)


def year_picture(house):
    """Return the picture of the year: share of the array, share of the use -> kWh made and used in each month."""
    energy = monthly(house)
    months = np.arange(1, 13)
    figure, ax = figures.new_figure()
    figures.months_axis(ax)
    top = 1.14 * 1.4 * max(energy["generation_w"].max(), energy["load_w"].max())
    figures.zero_based(ax, top, "energy (kWh a month)")
    made = figures.bars(ax, "pv", months - 0.2, 0 * months, width=0.38)
    empty = {"color": figures.BACKGROUND, "edgecolor": figures.INK, "linewidth": 2.5}
    used = figures.bars(ax, "load", months + 0.2, 0 * months, width=0.38, **empty)
    # above the tallest bar that the controls allow
    figures.write(ax, CAPTIONS["labels"]["year"], top, va="center")

    def update(size, use):
        generation, load = energy["generation_w"].to_numpy() * size / 100.0, energy["load_w"].to_numpy() * use / 100.0
        figures.set_heights(made, generation)
        figures.set_heights(used, load)
        more, month = int((generation > load).sum()), figures.MONTHS[load.argmax()]
        return CAPTIONS["year"].format(made=generation.sum(), used=load.sum(), more=more, month=month)

    return Picture(figure, [made, used], update)


def monthly(house):
    """Return generation and use of the house in each month of the typical year, 1 to 12. [kWh]"""
    return energy_kwh(simulate(house)[["generation_w", "load_w"]]).groupby(lambda time: time.month).sum()
