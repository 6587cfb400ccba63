"""Pictures of lesson 09: a day of readings with its faults, a day with direction, bills beside bills, yields beside a model."""

import numpy as np
import pandas as pd

from solarlib.lessons.explore import Picture
from solarlib.lessons.figures import (
    ROLES, TICK_PT, area, boxes, direct_label, hours_axis, line, move_columns, new_figure, zero_based,
)
from solarlib.quantities import InputError

NAMES = {"generation": "PV", "unsigned": "reading", "delivered": "delivered", "received": "received", "net": "net", "load": "load"}
COLOURS = {"generation": "pv", "unsigned": "reading", "delivered": "import", "received": "export", "net": "load", "load": "load"}
MOST_BARS = 14  # of a row of periods; more are told in the table


def days_of(table):
    """Return the local days of a table, in order."""
    return pd.DatetimeIndex(table.index.tz_localize(None).normalize().unique())


def fault_picture(file, house):
    """Return the picture of one day of a file: number of the day, with what the checks found or without."""
    if file.readings.step is None:
        raise InputError(f"{file.name}: found no constant interval, allowed is a file of regular readings for this picture")
    name = file.readings.table.columns[0]
    kind, step = name.rsplit("_", 1)[0], file.readings.step
    power = file.readings.table[name] / (1000.0 if name.endswith("_w") else step / pd.Timedelta(hours=1))
    local, days = power.index.tz_localize(None), days_of(file.readings.table)
    marked = {finding.kind: power.index.isin(finding.rows) for finding in file.findings if finding.column == name}
    limit = 1.2 * house.system.rated_power_w / 1000.0
    usual = float(power.where(file.table[name].notna()).max())
    usual = usual if usual > 0 else 1.0
    top = 1.15 * (max(limit, usual) if kind == "generation" else usual)
    figure, ax = new_figure()
    hours_axis(ax)
    zero_based(ax, top, f"{NAMES.get(kind, kind)} power (kW)")
    shown = line(ax, COLOURS.get(kind, "reading"), [], [])
    odd = ax.plot([], [], "o", color=ROLES["reading"].colour, markersize=8)[0]
    word = direct_label(ax, 0.3, 0.91 * top, "")
    border = ax.axhline(limit, color=ROLES["loss"].colour, linestyle=":", linewidth=2)
    border_word = direct_label(ax, 23.8, limit, "more than this array can give", "loss", size=TICK_PT, ha="right", va="bottom")

    def update(day, marks):
        at = np.flatnonzero(local.normalize() == days[day - 1])
        values = power.to_numpy()[at]
        hour = (local[at] - days[day - 1]) / pd.Timedelta(hours=1)
        order = np.argsort(hour, kind="stable")
        shown.set_data(hour[order], np.minimum(values, top)[order])
        here = {kind_: rows[at] for kind_, rows in marked.items() if rows[at].any()} if marks else {}
        any_odd = np.any(list(here.values()), axis=0) if here else np.zeros(at.size, bool)
        odd.set_data(hour[any_odd], np.minimum(values, 0.985 * top)[any_odd])
        word.set_text(f"{days[day - 1]:%d %B %Y}")
        for artist in (border, border_word):
            artist.set_visible(bool(marks) and kind == "generation")
        known = np.isfinite(values)
        energy = np.nansum(values) * (step / pd.Timedelta(hours=1))
        words = f"{days[day - 1]:%d %B}: {known.sum()} values, {energy:,.1f} kWh"
        words += f", at most {np.nanmax(values):,.2f} kW." if known.any() else ", none is known."
        if not marks:
            return words
        said = "; ".join(f"{kind_}: {rows.sum()} values" for kind_, rows in here.items())
        return f"{words} The checks found {said}." if here else f"{words} The checks found nothing on this day."

    return Picture(figure, [shown, odd, word, border, border_word], update)


def direction_picture(decoded, record):
    """Return the picture of one day with direction: number of the day, how sure a direction must be."""
    samples, days = decoded.samples, days_of(record)
    local = record.index.tz_localize(None)
    net = samples["net_w"].to_numpy() / 1000.0
    export = samples["p_export"].to_numpy()
    certainty = np.maximum(export, 1.0 - export)
    top = 1.15 * max(0.5, float(np.nan_to_num(record["pv_w"]).max()) / 1000.0,
                     float(np.quantile(np.abs(np.nan_to_num(net)), 0.999)))
    figure, ax = new_figure()
    hours_axis(ax)
    zero_based(ax, top, "power (kW)", bottom=-top)
    inward, outward = area(ax, "import", [0, 1], [0, 0], [0, 0]), area(ax, "export", [0, 1], [0, 0], [0, 0])
    sun = line(ax, "pv", [], [])
    open_marks = ax.plot([], [], "|", color=ROLES["reading"].colour, markersize=9)[0]
    direct_label(ax, 0.3, 0.8 * top, "in", "import")
    direct_label(ax, 0.3, -0.88 * top, "out", "export")
    direct_label(ax, 23.7, 0.8 * top, "PV", "pv", ha="right")
    direct_label(ax, 23.7, -0.88 * top, "| not sure", "reading", ha="right")
    date = direct_label(ax, 12, 0.86 * top, "", ha="center", size=TICK_PT)

    def update(day, sure):
        at = np.flatnonzero(local.normalize() == days[day - 1])
        hour = ((local[at] - days[day - 1]) / pd.Timedelta(hours=1)).to_numpy()
        at = at[np.argsort(hour, kind="stable")]
        hour = np.sort(hour)
        known = np.isfinite(export[at])
        ready = known & (certainty[at] >= sure / 100.0)
        flow = np.where(ready, net[at], 0.0)
        inward.set_data(hour, 0 * hour, np.clip(flow, 0, top))
        outward.set_data(hour, np.clip(flow, -top, 0), 0 * hour)
        sun.set_data(hour, record["pv_w"].to_numpy()[at] / 1000.0)
        unsure = known & ~ready
        open_marks.set_data(hour[unsure], np.zeros(unsure.sum()))
        date.set_text(f"{days[day - 1]:%d %B %Y}")
        row = decoded.days.loc[decoded.days.index.astype(str).str.startswith(f"{days[day - 1]:%Y-%m-%d}")].iloc[0]
        share = unsure.sum() / max(1, known.sum())
        return (
            f"{days[day - 1]:%d %B}: {row['import_kwh']:.1f} kWh in (90 % range {row['import_low_kwh']:.1f} to "
            f"{row['import_high_kwh']:.1f}), {row['export_kwh']:.1f} kWh out ({row['export_low_kwh']:.1f} to "
            f"{row['export_high_kwh']:.1f}). {100 * share:.0f} % of the readings are less than {sure} % sure."
        )

    return Picture(figure, [inward, outward, sun, open_marks, date], update)


def bill_picture(table):
    """Return the still picture of bills computed and bills sent; `table` as from `own_house.compare_bills`."""
    table = table.tail(MOST_BARS)
    figure, ax = _pairs(table["meter read on"].str[2:], table["computed"], table["sent"], "bill ($)", ("computed", "money"), ("sent", "reading"))
    off = table.dropna(subset=["sent"])
    if off.empty:
        words = f"{len(table)} computed bills, no bill sent to compare with: type yours in."
    else:
        worst = off.loc[off["difference"].abs().idxmax()]
        same = int((off["difference"].abs() <= 0.01).sum())
        words = (f"{same} of {len(off)} bills agree to the cent. The largest difference is ${abs(worst['difference']):.2f}: read on "
                 f"{worst['meter read on']}, computed ${worst['computed']:.2f}, sent ${worst['sent']:.2f}.")
    return Picture(figure, [], lambda: words)


def yield_picture(table):
    """Return the still picture of measured and modelled energy; `table` as from `own_house.yields`."""
    table = table.tail(MOST_BARS)
    names = [f"{day:%y-%m-%d}" for day in table["to"]]
    figure, ax = _pairs(names, table["measured_kwh"], table["model_kwh"], "energy (kWh)", ("measured", "pv"), ("typical year", "sun"))
    whole, model = table["measured_kwh"].sum(), table["model_kwh"].sum()
    share = f"{100 * whole / model:.0f} % of" if model > 0 else "with no light in"
    return Picture(figure, [], lambda: (
        f"The array gave {whole:,.0f} kWh in {table['days'].sum()} days, {share} what the model gives for the same days of a "
        f"typical year ({model:,.0f} kWh). The real weather was another."))


def _pairs(names, first, second, label, first_word, second_word):
    figure, ax = new_figure(bottom=0.2, top=0.86)
    place = np.arange(1.0, len(first) + 1)
    values = np.nan_to_num(np.r_[first, second].astype(float))
    zero_based(ax, 1.12 * max(values.max(), 1.0), label, bottom=min(0.0, 1.12 * values.min()))
    ax.set_xlim(0.4, max(len(place), 3) + 0.6)
    step = 1 if len(place) <= 8 else 2
    ax.set_xticks(place[::step], list(names)[::step])
    ax.set_xlabel("period that ends at the reading of (year-month-day)")
    for (word, role), heights, shift, x in ((first_word, first, -0.2, 0.0), (second_word, second, 0.2, 0.35)):
        height = np.nan_to_num(np.asarray(heights, float))
        filled = boxes(ax, role)
        move_columns(filled, np.minimum(height, 0), np.maximum(height, 0), place + shift, 0.36)
        side = "left" if shift < 0 else "right"
        ax.text(x, 1.04, f"{side}: {word}", transform=ax.transAxes, fontsize=TICK_PT, fontweight="bold", color=ROLES[role].text)
    return figure, ax
