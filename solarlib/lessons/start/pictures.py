"""Pictures and checks of lesson 00: one day and one year of a house with a solar array."""

import numpy as np
import pandas as pd

from solarlib.house.year import simulate
from solarlib.lessons.tools import check
from solarlib.lessons.tools.figures import (
    MONTHS,
    area,
    bars,
    direct_label,
    hours_axis,
    line,
    months_axis,
    new_figure,
    zero_based,
)
from solarlib.lessons.tools.panel import Picture
from solarlib.meter.registers import split
from solarlib.quantities import energy_kwh


def facts(house):
    """Return a table of what a house file says, in words. One row a fact."""
    system = house.system
    rows = {
        "place": house.place.name,
        "clock": f"{house.place.tz} time",
        "array": f"{system.module_count} modules of {system.module.rated_power_w:g} W, {system.rated_power_w / 1000:g} kW rated",
    }
    for number, plane in enumerate(system.planes, 1):
        rows[f"plane {number}"] = (
            f"{plane.module_count} modules, tilt {plane.surface_tilt:g} degrees, facing {plane.surface_azimuth:g} degrees"
        )
    rows["converter"] = f"{system.converter.kind}, at most {system.converter.ac_limit_w:g} W each"
    rows["house use"] = f"{house.yearly_kwh:,.0f} kWh a year"
    rows["test load"] = f"{house.meter.test_load_name}, {house.meter.test_load_w:g} W"
    return pd.DataFrame({"what the file says": rows})


def day_picture(house):
    """Return the picture of one day: day number, share of the array -> power made and used, hour by hour."""
    days = [group for _, group in simulate(house).groupby(lambda time: time.day_of_year)]
    top = max(day[["generation_w", "load_w"]].max().max() for day in days) / 1000.0
    figure, ax = new_figure()
    hours_axis(ax)
    zero_based(ax, 1.12 * max(top, 1.4 * max(day["generation_w"].max() for day in days) / 1000.0), "mean power (kW)")
    hour = np.arange(25.0)
    made = area(ax, "pv", hour, 0 * hour, 0 * hour, step="post", alpha=0.85)
    used = line(ax, "load", hour, 0 * hour, drawstyle="steps-post", linestyle="-")
    made_name = direct_label(ax, 12, 0, "the array makes", "pv", ha="center", va="bottom")
    used_name = direct_label(ax, 0.3, 0, "the house uses", "load", va="bottom")

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
        return (
            f"On {table.index[0].day} {table.index[0]:%B} the array at {size} % of its size makes {power.sum():.1f} kWh and the house uses "
            f"{load.sum():.1f} kWh. Counted hour by hour, {energy['delivered_kwh']:.1f} kWh come from the utility and "
            f"{energy['received_kwh']:.1f} kWh go out to it."
        )

    return Picture(figure, [made, used, made_name, used_name], update)


def year_picture(house):
    """Return the picture of the year: share of the array, share of the use -> kWh made and used in each month."""
    energy = _monthly(house)
    months = np.arange(1, 13)
    figure, ax = new_figure()
    months_axis(ax)
    top = 1.14 * 1.4 * max(energy["generation_w"].max(), energy["load_w"].max())
    zero_based(ax, top, "energy (kWh a month)")
    made = bars(ax, "pv", months - 0.2, 0 * months, width=0.38)
    used = bars(ax, "load", months + 0.2, 0 * months, width=0.38, color="#FFFFFF", edgecolor="#1A1A1A", linewidth=2.5)
    direct_label(ax, 0.6, 0.94 * top, "left: made", "pv", va="center")  # above the tallest bar that the controls allow
    direct_label(ax, 3.2, 0.94 * top, "right: used", "load", va="center")

    def update(size, use):
        values = [energy["generation_w"].to_numpy() * size / 100.0, energy["load_w"].to_numpy() * use / 100.0]
        for container, heights in zip((made, used), values):
            for bar, height in zip(container, heights):
                bar.set_height(height)
        surplus = values[0] - values[1]
        more = int((surplus > 0).sum())
        return (
            f"In the year the array makes {values[0].sum():,.0f} kWh and the house uses {values[1].sum():,.0f} kWh. "
            f"It makes more than the house uses in {more} of 12 months; the house uses most in {MONTHS[values[1].argmax()]}."
        )

    return Picture(figure, [made, used], update)


def _monthly(house):
    return energy_kwh(simulate(house)[["generation_w", "load_w"]]).groupby(lambda time: time.month).sum()


def same_hour_share(house):
    """Return the part of the year's generation that the house uses in the same hour. [0 to 1]"""
    year = energy_kwh(simulate(house))
    return float(year[["generation_w", "load_w"]].min(axis=1).sum() / year["generation_w"].sum())


def predict_power():
    """Ask for the difference of power and energy."""
    return check.predict(
        "An array gives 4 kW from 11:00 to 13:00 without a change. What has it made in that time?",
        {
            "4 kW": "A kW is a rate, like the speed of a car: it says how fast energy flows, not how much has flowed.",
            "8 kW": "The time was counted, but the result is an amount of energy, and that has the unit kWh.",
            "8 kWh": "Energy is power times time: 4 kW for 2 hours is 8 kWh.",
            "2 kWh": "Energy grows with time: two hours at 4 kW make more than one hour at 4 kW, so multiply.",
        },
        right="8 kWh",
    )


def predict_share(house):
    """Ask how much of the generation is used at once; the right answer is the house's own."""
    share = same_hour_share(house)
    words = ("almost all of it, more than 80 %", "a part of it, 20 to 80 %", "hardly any, less than 20 %")
    right = words[0] if share > 0.8 else words[1] if share >= 0.2 else words[2]
    replies = {
        words[0]: "The array makes most around noon; what counts is how much the house uses in those hours.",
        words[1]: "The house uses energy by day and by night, the array makes it only by day.",
        words[2]: "Even a small load that never stops, like a refrigerator, uses some of it all day long.",
    }
    return check.predict(
        "How much of what the array makes in a year does the house use in the same hour?", replies, right
    )


def check_day(answer, house):
    """Check 1: the energy made on day 172 with the array as it is. [kWh]"""
    day = energy_kwh(simulate(house)).groupby(lambda time: time.day_of_year).sum().loc[172]
    return check.number(
        answer,
        expected=day["generation_w"],
        unit="kWh",
        tolerance=0.06,
        mistakes={round(day["load_w"], 2): "This is what the house uses. The question asks what the array makes."}
        if abs(day["load_w"] - day["generation_w"]) > 0.5
        else None,
    )


def check_heater(answer, house, hours):
    """Check 2: the energy of the test load in some hours. [kWh]"""
    power = house.meter.test_load_w
    return check.number(
        answer,
        expected=power / 1000.0 * hours,
        unit="kWh",
        tolerance=0.005,
        mistakes={power * hours: "This is in Wh. A kWh is 1000 Wh, so divide by 1000."},
    )


def check_month(answer, house):
    """Check 3: the month in which the array makes most beyond what the house uses."""
    energy = _monthly(house)
    surplus = energy["generation_w"] - energy["load_w"]
    best, most = MONTHS[int(surplus.argmax())], MONTHS[int(energy["generation_w"].argmax())]
    replies = dict.fromkeys(MONTHS, "Compare the two bars of each month: where does the filled one stand out most?")
    replies[most] = "In this month the array makes most, but the house uses more then, too. Look at the difference."
    replies[best] = (
        "Here the array makes most beyond what the house uses. This energy can fill a credit bank (lesson 04)."
        if surplus.max() > 0
        else "Right, though there is no surplus: in every month the house uses more. Here it comes nearest."
    )
    return check.choose(answer, best, replies)
