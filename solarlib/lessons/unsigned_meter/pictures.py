"""Pictures of lesson 08: a reading without direction, what its sum says, what is certain, two possible loads."""

from functools import lru_cache

import numpy as np
import pandas as pd

from solarlib.direction.step_test import certain_import, energy_bounds
from solarlib.house.year import simulate
from solarlib.lessons.tools import Picture, figures
from solarlib.lessons.tools.figures import MONTHS
from solarlib.meter.registers import split, unsigned
from solarlib.quantities import counted, day_words, energy_kwh, texts_beside

CAPTIONS = texts_beside(__file__, "captions")
SKIES = ("clear", "broken", "dull")
SIZES = tuple(range(0, 141, 20))  # array sizes of the month picture. [%]
WINDOW_MIN = 180
MARGIN_W = 40.0
_SEED = 6  # of the clouds and of the sensor's noise: the same lesson on every machine
_MINUTE = np.arange(1440)


@lru_cache(maxsize=2)
def minute_year(house):
    """Return the typical year of a house in minutes, with made clouds; see `year.simulate`. Computed once. [W]"""
    return simulate(house, "1min", np.random.default_rng(_SEED))


def day_of(house, month, sky):
    """Return the clear, broken or dull day of a month: ``generation_w, load_w, net_w, reading_w`` each minute.

    Parameters
    ----------
    month : str
        One of `MONTHS`.
    sky : str
        ``"clear"``: the day of the month with most PV energy; ``"dull"``: with least; ``"broken"``: the one on
        which PV power changes most from minute to minute.

    Returns
    -------
    DataFrame, 1440 rows
        ``reading_w`` is what the sensor of the house file shows of ``net_w``. [W]
    """
    return _days(house)[month, sky].copy()


@lru_cache(maxsize=2)
def _days(house):
    year, chosen = minute_year(house), {}
    dates = year.index.normalize()
    for number, month in enumerate(MONTHS, 1):
        rows = year[year.index.month == number]
        # days on which the clocks change have 23 or 25 hours and would not fit the axis
        days = [day for _, day in rows.groupby(dates[year.index.month == number]) if len(day) == 1440]
        energy = [day["generation_w"].sum() for day in days]
        restless = [day["generation_w"].diff().abs().sum() for day in days]
        for sky, place in zip(SKIES, (np.argmax(energy), np.argmax(restless), np.argmin(energy))):
            chosen[month, sky] = days[int(place)].assign(reading_w=_reading(house, days[int(place)]["net_w"]))
    return chosen


def _reading(house, net_w, noise_w=None):
    noise_w = house.meter.reading_noise_w if noise_w is None else noise_w
    return unsigned(net_w, noise_w=noise_w, step_w=house.meter.reading_step_w, rng=np.random.default_rng(_SEED))


def sunniest_month(house):
    """Return the month in which the array makes most, by its short name."""
    made = minute_year(house)["generation_w"]
    return MONTHS[int(made.groupby(made.index.month).sum().to_numpy().argmax())]


def fold_picture(house):
    """Return the picture of a day folded at zero: month, sky, level -> net power, the reading, and who shares it."""
    days = _days(house)
    most = max(day["net_w"].max() for day in days.values()) / 1000.0
    least = min(day["net_w"].min() for day in days.values()) / 1000.0
    top = 1.25 * max(most, -least)
    figure, ax = figures.new_figure()
    figures.hours_axis(ax)
    figures.zero_based(ax, top, "power (kW)", bottom=min(1.3 * least, -0.2 * top))
    ax.axhline(0, color=figures.INK, linewidth=1.2)
    hour, flat = _MINUTE / 60.0, np.zeros(1440)
    taken = figures.area(ax, "import", hour, flat, flat, hatch="")
    given = figures.area(ax, "export", hour, flat, flat, hatch="")
    shown = figures.line(ax, "reading", hour, flat, linewidth=1.6, linestyle="-")
    mark = ax.plot([0, 24], [0, 0], color=figures.INK, linewidth=2.0, linestyle="--")[0]
    figures.write(ax, CAPTIONS["labels"]["fold"], top, va="top")
    figures.direct_label(ax, 0.2, 0.96 * ax.get_ylim()[0], "■ export, below zero", "export", va="bottom")

    def update(month, sky, level):
        day = days[month, sky]
        net, reading = day["net_w"].to_numpy() / 1000.0, day["reading_w"].to_numpy() / 1000.0
        taken.set_data(hour, flat, np.maximum(net, 0.0))
        given.set_data(hour, np.minimum(net, 0.0), flat)
        shown.set_data(hour, reading)
        mark.set_ydata([level, level])
        near = np.abs(reading - level) <= 0.1
        total, outward = int(near.sum()), int((near & (net < 0)).sum())
        minutes = {"near": counted(total, "minute"), "inward": total - outward, "outward": outward}
        return CAPTIONS["fold"].format(date=_date(day), level=level, **minutes)

    return Picture(figure, [taken, given, shown, mark], update)


@lru_cache(maxsize=2)
def month_sums(house):
    """Return size in percent -> a table of 12 months: delivered, received and use. [kWh]"""
    year = minute_year(house)
    first = np.flatnonzero(np.diff(year.index.month, prepend=0))
    tables = {}
    for size in SIZES:
        net_w = year["load_w"] - size / 100.0 * year["generation_w"]
        energy = split(net_w).set_axis(["delivered", "received"], axis=1).assign(use=year["load_w"] / 60_000.0)
        tables[size] = pd.DataFrame(np.add.reduceat(energy.to_numpy(), first), MONTHS, energy.columns)
    return tables


def sum_picture(house):
    """Return the picture of the sensor's sum: month, size of the array -> delivered and received, month by month."""
    tables = month_sums(house)
    top = 1.3 * max(table["delivered"].add(table["received"]).max() for table in tables.values())
    months = np.arange(1, 13)
    figure, ax = figures.new_figure()
    figures.months_axis(ax)
    figures.zero_based(ax, top, "energy (kWh a month)")
    low, high = figures.boxes(ax, "import", hatch=""), figures.boxes(ax, "export")
    use = figures.line(ax, "load", months, 0.0 * months, marker="D", markersize=8, linestyle="none")
    bracket = ax.plot([], [], color=figures.ROLES["reading"].colour, linewidth=4.0)[0]
    total = figures.direct_label(ax, 1, 0, "", "reading", ha="center", va="bottom", bbox=figures.PAPER)
    figures.write(ax, CAPTIONS["labels"]["sum"], top, va="top")

    def update(month, size):
        table, at = tables[size], MONTHS.index(month)
        delivered, received = table["delivered"].to_numpy(), table["received"].to_numpy()
        figures.move_columns(low, 0.0 * delivered, delivered, width=0.62)
        figures.move_columns(high, delivered, delivered + received, width=0.62)
        use.set_data(months, table["use"])
        came, went = round(delivered[at]), round(received[at])  # whole kWh, as the display of a meter shows
        whole = came + went
        edge = at + 1 + 0.36
        bracket.set_data([edge - 0.05, edge, edge, edge - 0.05], [0, 0, whole, whole])
        total.set_position((np.clip(at + 1, 1.5, 11.5), whole + 0.015 * top))
        total.set_text(f"sum {whole:,}")
        return CAPTIONS["sum"].format(month=month, came=came, went=went, whole=whole, used=table["use"].iloc[at])

    return Picture(figure, [low, high, use, bracket, total], update)


def certain_picture(house):
    """Return the picture of what is certain: month, sky, error and margin in percent -> a day decided or not."""
    days = _days(house)
    top = 1.28 * max(day[["reading_w", "generation_w"]].max().max() for day in days.values()) / 1000.0
    reach = 1.08 * max(energy_kwh(day["reading_w"]).sum() for day in days.values())
    figure, (ax, side) = figures.new_figure(1, 2, left=0.075, right=0.985, wspace=0.22, width_ratios=(2.7, 1))
    figures.hours_axis(ax)
    figures.zero_based(ax, top, "power (kW)")
    figures.zero_based(side, 1.12 * reach, "kWh this day")
    side.set(xlim=(-0.6, 1.6), xticks=[0, 1], xticklabels=["import", "export"])
    hour, flat = _MINUTE / 60.0, np.zeros(1440)
    open_part = figures.area(ax, "reading", hour, flat, flat)
    sure_part = figures.area(ax, "import", hour, flat, flat, hatch="")
    sun = figures.line(ax, "pv", hour, flat, linewidth=2.0)
    figures.write(ax, CAPTIONS["labels"]["certain"], top, va="top")
    ranges = [figures.bars(side, role, [x], [0.0], width=0.5)[0] for x, role in enumerate(("import", "export"))]
    truth = side.plot([0, 1], [0, 0], "D", markersize=11, color=figures.INK, markeredgecolor=figures.BACKGROUND)[0]
    figures.direct_label(side, -0.5, 1.1 * reach, "◆ true value", va="top", size=14)

    def update(month, sky, error, margin):
        day = days[month, sky]
        record, reading = day["generation_w"] * (1 + error / 100.0), day["reading_w"]
        sure = certain_import(reading, record, MARGIN_W, margin / 100.0)
        bounds = energy_bounds(reading, sure)
        came, went = split(day["net_w"]).sum()
        sure_part.set_data(hour, flat, np.where(sure, reading, 0.0) / 1000.0)
        open_part.set_data(hour, flat, np.where(sure, 0.0, reading) / 1000.0)
        sun.set_data(hour, record / 1000.0)
        for bar, (least, most) in zip(ranges, bounds.to_numpy()):
            bar.set(y=least, height=max(most - least, 0.006 * reach))
        truth.set_ydata([came, went])
        wrong = int((sure & (day["net_w"].to_numpy() < 0)).sum())
        least, most = bounds.loc["import"]
        said = {"time": 100 * sure.mean(), "wrong": counted(wrong, "minute"), "came": came}
        told = CAPTIONS["certain_wrong" if wrong else "certain"]
        return told.format(date=_date(day), least=least, most=most, **said)

    return Picture(figure, [open_part, sure_part, sun, ranges, truth], update)


def candidates_picture(house):
    """Return the picture of two house loads: sky, start hour, noise, truth -> three hours of both candidates."""
    days = {sky: _days(house)[sunniest_month(house), sky] for sky in SKIES}
    top = 1.32 * max(max(2 * day["generation_w"].max(), day["load_w"].max()) for day in days.values()) / 1000.0
    figure, ax = figures.new_figure()
    ax.set(xlim=(0, WINDOW_MIN), xticks=range(0, WINDOW_MIN + 1, 30), xlabel="minutes from the start")
    figures.zero_based(ax, top, "power (kW)")
    minute = np.arange(WINDOW_MIN)
    pv = figures.line(ax, "pv", minute, 0.0 * minute, linewidth=2.0)
    if_import = figures.line(ax, "import", minute, 0.0 * minute, linewidth=2.5)
    dotted = {"linestyle": "-", "linewidth": 2.5, "marker": "o", "markevery": 15, "markersize": 8}
    if_export = figures.line(ax, "export", minute, 0.0 * minute, **dotted)
    true_load = figures.line(ax, "load", minute, 0.0 * minute, linestyle=(0, (1, 1)), linewidth=3.5)
    figures.write(ax, CAPTIONS["labels"]["candidates"], top, va="top", bbox=figures.PAPER)
    truth_name = figures.direct_label(ax, 112, 0.88 * top, "··· true house load", "load", va="top", bbox=figures.PAPER)

    def update(sky, start, noise, truth):
        day = days[sky].iloc[60 * start : 60 * start + WINDOW_MIN]
        sun, reading = day["generation_w"].to_numpy(), _reading(house, day["net_w"], noise).to_numpy()
        loads = {"importing": reading + sun, "exporting": np.where(sun >= reading, sun - reading, np.nan)}
        pv.set_data(minute, sun / 1000.0)
        for artist, values in zip((if_import, if_export, true_load), (*loads.values(), day["load_w"])):
            artist.set_data(minute, values / 1000.0)
        true_load.set_visible(truth)
        truth_name.set_visible(truth)
        told = CAPTIONS["candidates_truth"].format(outward=100 * (day["net_w"] < 0).mean()) if truth else ""
        said = {"date": _date(day), "start": start, "told": told}
        possible = np.isfinite(loads["exporting"])
        if possible.sum() < 2:
            return CAPTIONS["candidates_one"].format(**said)
        step = {name: mean_change(values, possible) for name, values in loads.items()}
        return CAPTIONS["candidates"].format(
            pv=mean_change(sun, possible), calmer=min(step, key=step.get), **step, **said
        )

    return Picture(figure, [pv, if_import, if_export, true_load, truth_name], update)


def mean_change(power_w, kept):
    """Return the mean size of the change from one minute to the next, where both are kept. [W]"""
    pairs = kept[1:] & kept[:-1]
    return float(np.abs(np.diff(power_w))[pairs].mean()) if pairs.any() else 0.0


def _date(day):
    return day_words(day.index[0], "%B")
