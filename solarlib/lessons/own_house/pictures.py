"""Pictures of lesson 12: a day with faults, one with direction, bills beside bills, yields, days beside neighbours."""

import shutil

import numpy as np
import pandas as pd

from solarlib.files import TITLES
from solarlib.files.checks import LIMIT
from solarlib.house.flows import EXAMPLES, SUN_GRID, bring, file_of, sun_height
from solarlib.house.health import beside_neighbours
from solarlib.lessons.own_house.form import Form
from solarlib.lessons.tools import Picture, figures
from solarlib.lessons.tools.progress import progress
from solarlib.quantities import InputError, day_words, refuse_if, texts_beside

CAPTIONS = texts_beside(__file__, "captions")

SHIPPED = ("generation-quarter-hours", "meter-registers", "sensor-week", "reads-by-hand", "neighbours-by-day")
WORDS = {"generation": "PV", "unsigned": "reading"}  # of a quantity that is not called by its own name
COLOURS = {"generation": "pv", "delivered": "import", "received": "export", "net": "load", "load": "load"}
SAME_USD = 0.01  # bills that differ by no more agree
MOST_BARS = 14  # of a row of periods; more are told in the table


def bring_examples(house):
    """Return the five example files, read and checked, and show a bar of the progress."""
    say = progress("Reading the example files")

    def part(number):
        return lambda words, share: say(words, (number + share) / len(SHIPPED))

    return tuple(bring(name, house, part(number)) for number, name in enumerate(SHIPPED))


def mapping_form(path, house):
    """Return the form for the mapping of one file, with the clock of the house; see `form.Form`."""
    return Form(file_of(path), house.place.tz, lambda index: sun_height(index, 0 * SUN_GRID, house).to_numpy())


def practice_record(path):
    """Write the example's record by day under a name of your own, anew at each call."""
    shutil.copyfile(EXAMPLES / "days-kept.csv", path)


def beside_both(house, days, files):
    """Return the comparison with similar systems, and the same without models of the roofs.

    Where the models and the readings cannot belong together (another house's file was chosen), the second stands for
    both.
    """
    plain = beside_neighbours(house, days, files, model_roofs=False)
    try:
        return beside_neighbours(house, days, files), plain
    except InputError:
        return plain, plain


def days_shown(table):
    """Return the local days of a table, in order."""
    return pd.DatetimeIndex(table.index.tz_localize(None).normalize().unique())


def _one_day(local, day):
    """Return the rows of a day in the order of its clock, and their hours. Where a clock is put back hours repeat."""
    rows = np.flatnonzero(local.normalize() == day)
    hours = ((local[rows] - day) / pd.Timedelta(hours=1)).to_numpy()
    order = np.argsort(hours, kind="stable")
    return rows[order], hours[order]


def fault_picture(file, house):
    """Return the picture of one day of a file: number of the day, with what the checks found or without."""
    refuse_if(file.readings.step is None, "no_interval", file.name)
    name, step = file.readings.table.columns[0], file.readings.step
    kind, unit = TITLES.get(name) or (f"neighbour {file.neighbours[name].name}", "kWh/kW")
    power, kept = (
        table[name] / (1000.0 if unit == "W" else step / pd.Timedelta(hours=1))
        for table in (file.readings.table, file.table)
    )
    local, days = power.index.tz_localize(None), days_shown(file.readings.table)
    marked = {finding.kind: power.index.isin(finding.rows) for finding in file.findings if finding.column == name}
    said, colour = WORDS.get(kind, kind.replace("_", " ")), COLOURS.get(kind, "reading")
    limit = LIMIT.most_of_rated * house.system.rated_power_w / 1000.0
    usual = float(power.where(file.table[name].notna()).max())
    usual = usual if usual > 0 else 1.0
    top = 1.15 * (max(limit, usual) if kind == "generation" else usual)
    figure, ax = figures.new_figure()
    figures.hours_axis(ax)
    figures.zero_based(ax, top, f"{said} power (kW)")
    shown = figures.line(ax, colour, [], [])
    odd = ax.plot([], [], "o", color=figures.ROLES["reading"].colour, markersize=8)[0]
    word = figures.direct_label(ax, 0.3, 0.91 * top, "")
    border = ax.axhline(limit, color=figures.ROLES["loss"].colour, linestyle=":", linewidth=2)
    beyond = "more than this array can give"
    border_word = figures.direct_label(ax, 23.8, limit, beyond, "loss", size=figures.TICK_PT, ha="right", va="bottom")

    def update(day, marks):
        at, hour = _one_day(local, days[day - 1])
        values = power.to_numpy()[at]
        shown.set_data(hour, np.minimum(values, top))
        here = {kind_: rows[at] for kind_, rows in marked.items() if rows[at].any()} if marks else {}
        any_odd = np.any(list(here.values()), axis=0) if here else np.zeros(at.size, bool)
        odd.set_data(hour[any_odd], np.minimum(values, 0.985 * top)[any_odd])
        word.set_text(day_words(days[day - 1]))
        for artist in (border, border_word):
            artist.set_visible(bool(marks) and kind == "generation")
        sound = kept.to_numpy()[at] if marks else values  # what is told as impossible is in no sum
        known, energy = np.isfinite(sound), np.nansum(sound) * (step / pd.Timedelta(hours=1))
        most = CAPTIONS["fault_most"].format(most=np.nanmax(sound)) if known.any() else CAPTIONS["fault_none"]
        said = "; ".join(f"{kind_}: {rows.sum()} values" for kind_, rows in here.items())
        found = CAPTIONS["fault_found" if here else "fault_nothing"].format(said=said) if marks else ""
        return CAPTIONS["fault"].format(day=days[day - 1], known=known.sum(), energy=energy, most=most, found=found)

    return Picture(figure, [shown, odd, word, border, border_word], update)


def direction_picture(decoded, record):
    """Return the picture of one day with direction: number of the day, how sure a direction must be."""
    samples, days = decoded.samples, days_shown(record)
    local = record.index.tz_localize(None)
    net = samples["net_w"].to_numpy() / 1000.0
    export = samples["p_export"].to_numpy()
    certainty = np.maximum(export, 1.0 - export)
    most = np.nan_to_num(record["pv_w"]).max() / 1000.0, np.quantile(np.abs(np.nan_to_num(net)), 0.999)
    top = 1.15 * max(0.5, *map(float, most))
    figure, ax = figures.new_figure()
    figures.hours_axis(ax)
    figures.zero_based(ax, top, "power (kW)", bottom=-top)
    inward, outward = (figures.area(ax, role, [0, 1], [0, 0], [0, 0]) for role in ("import", "export"))
    sun = figures.line(ax, "pv", [], [])
    open_marks = ax.plot([], [], "|", color=figures.ROLES["reading"].colour, markersize=9)[0]
    figures.write(ax, CAPTIONS["labels"]["direction"], top)
    above = {"transform": ax.transAxes, "size": figures.TICK_PT}
    date = figures.direct_label(ax, 0.5, 1.03, "", ha="center", **above)

    def update(day, sure):
        at, hour = _one_day(local, days[day - 1])
        known = np.isfinite(export[at])
        ready = known & (certainty[at] >= sure / 100.0)
        flow = np.where(ready, net[at], 0.0)
        inward.set_data(hour, 0 * hour, np.clip(flow, 0, top))
        outward.set_data(hour, np.clip(flow, -top, 0), 0 * hour)
        sun.set_data(hour, record["pv_w"].to_numpy()[at] / 1000.0)
        unsure = known & ~ready
        open_marks.set_data(hour[unsure], np.zeros(unsure.sum()))
        date.set_text(day_words(days[day - 1]))
        row = decoded.days.loc[decoded.days.index.astype(str).str.startswith(f"{days[day - 1]:%Y-%m-%d}")].iloc[0]
        share = 100 * unsure.sum() / max(1, known.sum())
        return CAPTIONS["direction"].format(day=days[day - 1], share=share, sure=sure, **row)

    return Picture(figure, [inward, outward, sun, open_marks, date], update)


def bill_picture(table):
    """Return the still picture of bills computed and bills sent; `table` as from `records.compare_bills`."""
    table = table.tail(MOST_BARS)
    pairs = (("computed", "money", table["computed"]), ("sent", "reading", table["sent"]))
    figure, _ = _pairs(table["meter read on"].str[2:], "bill ($)", *pairs)
    off = table.dropna(subset=["sent"])
    words = CAPTIONS["no_bills"].format(count=len(table))
    if len(off):
        gaps = off["difference"].abs()
        worst, same = off.loc[gaps.idxmax()], int((gaps <= SAME_USD).sum())
        said = {"same": same, "count": len(off), "day": day_words(pd.Timestamp(worst["meter read on"]))}
        words = CAPTIONS["bills"].format(computed=worst["computed"], sent=worst["sent"], **said)
    return Picture(figure, [], lambda: words)


def yield_picture(table):
    """Return the still picture of measured and typical energy; `table` as from `health.yields`."""
    table = table.tail(MOST_BARS)
    per_hour = table["measured_kwh"] / table["yield_h"].where(table["yield_h"] > 0)
    low, high = (np.nan_to_num(table[name] * per_hour.median()) for name in ("low_h", "high_h"))
    pairs = (("measured", "pv", table["measured_kwh"]), ("typical year", "sun", table["model_kwh"]))
    figure, ax = _pairs(table["to"].dt.strftime("%y-%m-%d"), "energy (kWh)", *pairs, over=high)
    at, middle, half = np.arange(1.0, len(table) + 1) + 0.2, (low + high) / 2, (high - low) / 2
    ax.errorbar(at, middle, half, fmt="none", ecolor=figures.INK, elinewidth=2.5, capsize=7)
    _above(ax, 0.78, "I usual range")
    whole, model = table["measured_kwh"].sum(), table["model_kwh"].sum()
    share = f"{100 * whole / model:.0f} % of" if model > 0 else "with no light in"
    inside = int(table["yield_h"].between(table["low_h"], table["high_h"]).sum())
    said = {"made": whole, "days": table["days"].sum(), "share": share}
    words = CAPTIONS["yields"].format(inside=inside, count=len(table), **said)
    return Picture(figure, [], lambda: words)


def neighbour_picture(comparison, uncorrected=None):
    """Return the picture of days beside similar systems: day number, seasons of the roofs taken out or not.

    Parameters
    ----------
    comparison : comparison.Comparison
    uncorrected : Comparison, optional
        The same without models of the roofs, shown where ``roofs`` is false.
    """
    days = comparison.days
    x = np.arange(1.0, len(days) + 1)
    start = int((days["stage"] == "baseline").sum())
    figure, (ax, below) = figures.new_figure(2, 1, hspace=0.12, sharex=True, top=0.97)
    ax.set(xlim=(0.0, len(days) + 1.0), ylim=(70, 120), ylabel="ratio (%)")
    figures.zero_based(below, 2.0, "sum")
    first = days.index.to_series().groupby(days.index.to_period("M")).first()
    at = days.index.get_indexer(first[first.dt.day <= 3]) + 1.0
    step = max(1, -(-len(at) // 9))
    below.set_xticks(at[::step], [f"{day:%b %y}" for day in first[first.dt.day <= 3]][::step])
    below.set_xlabel("month")
    for panel in (ax, below):
        panel.axvline(start + 0.5, color=figures.INK, linewidth=1.2)
    ax.axhline(100, color=figures.INK, linewidth=1.2)
    below.axhline(1.0, color="#5F5F5F", linewidth=2.0, linestyle="--")
    dots = figures.line(ax, "pv", [], [], linestyle="none", marker="o", markersize=4.5)
    total = figures.line(below, "reading", [], [], linestyle="-")
    mark = below.plot([], [], color=figures.INK, linestyle="none", marker="D", markersize=9, clip_on=False)[0]
    figures.direct_label(ax, 1, 71, "baseline", va="bottom", size=14)
    figures.direct_label(ax, start + 2, 71, "later days", va="bottom", size=14)
    figures.write(below, CAPTIONS["labels"]["losses"], va="bottom", size=14)

    def update(day, roofs=True):
        shown = comparison if roofs or uncorrected is None else uncorrected
        table = shown.days.iloc[:day]
        dots.set_data(x[:day], table["ratio_percent"].clip(70.5, 119.5))
        level = table["level"].ffill()
        total.set_data(x[:day], np.minimum(level, 1.97))
        above = np.flatnonzero(level > 1.0)
        mark.set_data(x[above[:1]], np.minimum(level.iloc[above[:1]], 1.97))
        last, stage = table.index[-1], table["stage"].iloc[-1]
        recent = table["ratio_percent"].dropna().tail(14)
        first = table.index[above[0]] if len(above) else None
        told = "baseline" if stage == "baseline" else "message" if len(above) else "no_message"
        told = CAPTIONS[f"neighbours_{told}"].format(first=first, stage=stage)
        known = table["ratio_percent"].count()
        said = {"last": last, "known": known, "recent": len(recent), "middle": recent.median()}
        return CAPTIONS["neighbours"].format(told=told, **said)

    return Picture(figure, [dots, total, mark], update)


def _pairs(names, label, first, second, over=()):
    """Draw two columns beside each other for each name; ``first`` and ``second`` are (word, role, heights)."""
    figure, ax = figures.new_figure(bottom=0.2, top=0.86)
    place = np.arange(1.0, len(names) + 1)
    values = np.nan_to_num(np.r_[first[2], second[2], over].astype(float))
    figures.zero_based(ax, 1.12 * max(values.max(), 1.0), label, bottom=min(0.0, 1.12 * values.min()))
    ax.set(xlim=(0.4, max(len(place), 3) + 0.6), xlabel="period that ends at the reading of (year-month-day)")
    step = 1 if len(place) <= 8 else 2
    ax.set_xticks(place[::step], list(names)[::step])
    for (word, role, heights), side, shift, x in ((first, "left", -0.2, 0.0), (second, "right", 0.2, 0.35)):
        height = np.nan_to_num(np.asarray(heights, float))
        figures.move_columns(figures.boxes(ax, role), np.minimum(height, 0), np.maximum(height, 0), place + shift, 0.36)
        _above(ax, x, f"{side}: {word}", role)
    return figure, ax


def _above(ax, x, words, role=None):
    return figures.direct_label(ax, x, 1.04, words, role, size=figures.TICK_PT, transform=ax.transAxes)
