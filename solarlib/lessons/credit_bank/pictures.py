"""Pictures of lesson 04: two registers, the bank, twelve bills, what each reset month loses, in one year and many."""

import numpy as np

from solarlib.bill.reset import best_reset, lost_by_reset_month
from solarlib.bill.reset_years import loss_spread, times_best
from solarlib.lessons.credit_bank import ledgers
from solarlib.lessons.tools.figures import (
    BACKGROUND,
    INK,
    MONTHS,
    ROLES,
    SMALL_PT,
    TICK_PT,
    boxes,
    direct_label,
    line,
    months_axis,
    move_boxes,
    move_columns,
    new_figure,
    zero_based,
)
from solarlib.lessons.tools.panel import Picture
from solarlib.meter.balance import house_use
from solarlib.meter.registers import register_difference

DRAWINGS = 5
_TAKEN = {"pay": "paid out", "pay if over": "taken", "donate": "given away"}


def _two_rows(**grid):
    """Return a figure with two rows of twelve months."""
    figure, (upper, lower) = new_figure(2, 1, left=0.1, top=0.96, bottom=0.09, hspace=0.22, **grid)
    for ax in (upper, lower):
        months_axis(ax)
    upper.set_xticklabels([])
    return figure, upper, lower


def _on_columns(ax, size):
    """Return a text for each month's column."""
    return [direct_label(ax, month, 0, "", size=size, ha="center", va="bottom") for month in range(1, 13)]


def _surplus_boxes(house, ax, left):
    """Give an axis room for the surplus of every month and array size; return boxes for surplus and shortage."""
    values = np.concatenate([ledgers.surplus_of(house, size) for size in ledgers.steps(house)])
    high = max(values.max(), 1.0)
    ax.axhline(0, color=INK, linewidth=1.2)
    zero_based(ax, 1.7 * high, "month (kWh)", bottom=1.1 * min(values.min(), -1.0))
    direct_label(ax, left, 1.62 * high, "up: surplus, down: shortage", size=TICK_PT, va="top")
    return [boxes(ax, role) for role in ("export", "import")]


def _register_rows(top):
    """Return figure, axis and the texts of delivered, received, at once, use and generation in three rows."""
    figure, ax = new_figure(left=0.24, bottom=0.17, top=0.97)
    ax.set(xlim=(0, top), xlabel="energy in the month (kWh)", ylim=(-0.4, 2.85))
    ax.set_yticks([0, 1, 2], ["array makes =\nat once + received", "meter counts", "house uses =\ndelivered + at once"])
    ax.tick_params(axis="y", length=0)
    ax.grid(False)
    places = zip((1.25, 1.25, 0.25, 2, 0), ("import", "export", "pv", None, None), strict=True)
    names = [direct_label(ax, 0.005 * top, y, "", role, va="bottom" if y % 1 else "center") for y, role in places]
    names[1].set_ha("right")
    return figure, ax, names


def register_picture(house):
    """Return the picture of one month's registers: month, size -> delivered, received, used at once, house use."""
    digits = house.meter.digits
    shown = {
        size: {name: column.to_numpy() for name, column in ledgers.reading_sheet(house, size).items()}
        for size in ledgers.steps(house)
    }
    top = 1.2 * max(
        ledgers.months(house, size)[["delivered_kwh", "generation_kwh"]].sum(axis=1).max()
        for size in ledgers.steps(house)
    )
    figure, ax, names = _register_rows(top)
    # each energy stands in two rows: what is above each other is the same
    delivered_boxes, own_boxes, received_boxes = (boxes(ax, role) for role in ("import", "pv", "export"))

    def update(month, size):
        at = MONTHS.index(month)
        before, after = ({key: int(values[at + i]) for key, values in shown[size].items()} for i in (0, 1))
        delivered, received, made = (
            register_difference(before[key], after[key], digits, at_most_kwh=10**digits) for key in before
        )
        home = house_use(made, delivered, received, tolerance_kwh=1)
        own = max(0, home.self_consumed_kwh)
        for filled, rows, left, right in (
            (delivered_boxes, (2, 1), 0, delivered),
            (own_boxes, (2, 0), delivered, delivered + own),
            (received_boxes, (1, 0), delivered + own, delivered + own + received),
        ):
            low = np.array(rows) - 0.21
            move_boxes(filled, np.array([left, left]), np.array([right, right]), low, low + 0.42)
        end = delivered + own + received
        words = (
            f"delivered {delivered:,}",
            f"received {received:,}",
            f"at once {own:,}",
            f"{home.use_kwh:,} kWh",
            f"{made:,} kWh",
        )
        places = (0, max(end, 0.5 * top), delivered, delivered + own, end)
        for name, text, place in zip(names, words, places):
            name.set(text=text, x=place + (0 if name is names[1] else 0.008 * top))

        def span(key):
            return f"from {before[key]:0{digits}d} to {after[key]:0{digits}d}"

        return (
            f"{month}, {size} %: delivered goes {span('delivered')}: {delivered:,} kWh; "
            f"received {span('received')}: {received:,} kWh. "
            f"With {made:,} kWh from the array, the house used {home.use_kwh:,} kWh, {own:,} of them at once."
        )

    return Picture(figure, [delivered_boxes, own_boxes, received_boxes, names], update)


# ---------------------------------------------------------------- part 2: the bank


def bank_picture(house):
    """Return the picture of two years: size, first month, reset -> the bank, and each month's surplus or shortage."""
    largest, place = ledgers.sizes(house), np.arange(1, 25)
    most = max(
        ledgers.book_of(house, ledgers.rules_with_reset(house, reset), largest)[["bank_close", "credit_reset"]]
        .sum(axis=1)
        .max()
        for reset in ledgers.reset_choices(house)
    )
    top = 1.3 * max(most, 1.0)
    figure, (upper, lower) = new_figure(2, 1, left=0.1, top=0.97, bottom=0.17, hspace=0.12, height_ratios=(1.25, 1))
    for ax in (upper, lower):
        ax.set_xlim(0.4, 24.6)
        ax.set_xticks(place, [month[0] for month in MONTHS] * 2 if ax is lower else [])
        ax.tick_params(axis="x", length=0)
        ax.axvline(12.5, color=INK, linewidth=1.2, linestyle=":")
    lower.set_xlabel("first year" + 40 * " " + "second year")
    zero_based(upper, top, "bank (kWh)")
    out, short = _surplus_boxes(house, lower, 0.6)
    level = line(upper, "bank", [0], [0], linestyle="-")
    direct_label(upper, 0.6, 0.97 * top, "in the bank", "bank", va="top")
    drops = [direct_label(upper, 0, 0, "", size=TICK_PT, va="bottom", ha="center") for _ in range(2)]

    def update(size, start, reset):
        rules = ledgers.rules_with_reset(house, reset)
        book = ledgers.book_of(house, rules, size, start)
        surplus, gone = -book["net_kwh"].to_numpy(), book["credit_reset"].to_numpy()
        move_columns(out, 0.0 * surplus, np.maximum(surplus, 0.0))
        move_columns(short, np.minimum(surplus, 0.0), 0.0 * surplus)
        full = book["bank_close"].to_numpy() + gone
        level.set_data(
            np.repeat(place, 3) + np.tile([-0.5, 0.5, 0.5], 24),
            np.column_stack([book["bank_open"], full, book["bank_close"]]).ravel(),
        )
        word = _TAKEN.get(rules.credit.at_reset, "lost")
        at = np.flatnonzero(gone > 0)
        for i, text in enumerate(drops):
            text.set_visible(i < len(at))
            if i < len(at):
                text.set_text(f"{gone[at[i]]:,.0f} {word}")
                text.set_position(
                    (np.clip(at[i] + 1.5, 2.2, 22.8), full[max(0, at[i] - 2) : at[i] + 2].max() + 0.02 * top)
                )
        first, second = (
            f"{year['billed_kwh'].sum():,.0f} kWh bought, bills {year['bill'].sum():,.2f} $."
            for year in (book.iloc[:12], book.iloc[12:])
        )
        return (
            f"First year: {first} Second year: received less delivered {surplus[12:].sum():+,.0f} kWh, "
            f"at the reset {gone[12:].sum():,.0f} kWh {word}, {second}"
        )

    return Picture(figure, [out, short, level, drops], update)


# ---------------------------------------------------------------- part 3: the bill


def bill_picture(house):
    """Return the picture of twelve bills: size, month, rules -> what energy costs, and what no surplus reduces."""
    tariffs = {words: ledgers.tariff_named(house, name) for words, name in ledgers.OTHER_RULES.items()}
    top = 1.22 * max(
        ledgers.book_of(house, tariff, size)["bill"].max()
        for tariff in tariffs.values()
        for size in ledgers.steps(house)
    )
    figure, ax = new_figure(bottom=0.1)
    months_axis(ax)
    zero_based(ax, top, "bill ($ a month)")
    fixed = boxes(ax, "money", hatch="")
    energy = boxes(ax, "import")
    direct_label(ax, 0.55, 0.97 * top, "upper part: energy bought", "import", va="top")
    direct_label(ax, 12.45, 0.97 * top, "lower part: all other lines", "money", va="top", ha="right")
    sums = _on_columns(ax, TICK_PT)
    mark = line(ax, "load", [0], [0], marker="v", markersize=12, linestyle="none")

    def update(size, month, rules):
        tariff = tariffs[rules]
        year = ledgers.book_of(house, tariff, size).iloc[12:]
        bought = np.maximum(0.0, (year["energy"] - year["credit_money_applied"]).to_numpy())
        other = np.maximum(0.0, year["bill"].to_numpy() - bought)
        move_columns(fixed, 0 * other, other)
        move_columns(energy, other, other + bought)
        for text, bill, height in zip(sums, year["bill"], other + bought):
            text.set(text=f"{bill:.0f}", y=height + 0.01 * top)
        chosen = MONTHS.index(month)
        mark.set_data([chosen + 1], [other[chosen] + bought[chosen] + 0.12 * top])
        row = year.iloc[chosen]
        words = [f"{charge.line} {row[f'line {charge.line}']:.2f}" for charge in tariff.charges][:4]
        if row["credit_money_applied"]:
            words.append(f"credit {-row['credit_money_applied']:.2f}")
        without = ledgers.book_of(house, tariff, 0)["bill"].iloc[12:].sum()
        if len(tariff.charges) > 4:
            words.append("...")
        return (
            f"{month}, {size} %: {', '.join(words)}; bill {row['bill']:.2f} $. "
            f"The year costs {year['bill'].sum():,.2f} $, without an array {without:,.2f} $."
        )

    return Picture(figure, [fixed, energy, sums, mark], update)


# ---------------------------------------------------------------- part 4: the reset month


def reset_picture(house):
    """Return the picture of the reset: size, month -> surplus of each month, kWh lost for each possible reset."""
    price = ledgers.energy_price(house)
    extremes = [ledgers.surplus_of(house, size) for size in ledgers.steps(house)]
    top = 1.35 * max(best_reset(values)["lost_kwh"].max() for values in extremes) or 1.0
    figure, upper, lower = _two_rows()
    out, short = _surplus_boxes(house, upper, 0.5)
    zero_based(lower, top, "lost (kWh)")
    always = boxes(lower, "loss", hatch="")
    timing = boxes(lower, "loss", facecolor=BACKGROUND, edgecolor=ROLES["loss"].colour, linewidth=1.0)
    direct_label(lower, 0.5, 0.97 * top, "filled: lost with any month", "loss", size=TICK_PT, va="top")
    direct_label(lower, 12.3, 0.97 * top, "hatched: lost by the date", "loss", size=TICK_PT, va="top", ha="right")
    numbers = _on_columns(lower, SMALL_PT)
    tables = {}
    cuts = [line(ax, "bank", [0, 0], ax.get_ylim(), linestyle="-") for ax in (upper, lower)]

    def update(size, reset):
        surplus = ledgers.surplus_of(house, size)
        if size not in tables:
            tables[size] = best_reset(surplus)
        table = tables[size]
        lost, by_date = table["lost_kwh"].to_numpy(), table["by_timing_kwh"].to_numpy()
        move_columns(out, 0.0 * surplus, np.maximum(surplus, 0.0))
        move_columns(short, np.minimum(surplus, 0.0), 0.0 * surplus)
        move_columns(always, 0.0 * lost, lost - by_date)
        move_columns(timing, lost - by_date, lost)
        for text, value in zip(numbers, lost):
            text.set(text=f"{value:,.0f}", visible=value >= 0.5, y=value + 0.015 * top)
        chosen = MONTHS.index(reset)
        for cut in cuts:
            cut.set_xdata([chosen + 1.5, chosen + 1.5])
        least = max(0.0, surplus.sum())
        good = _listed(table.index[table["best"]])
        return (
            f"{size} %, emptied after the {reset} bill: {lost[chosen]:,.0f} kWh a year are lost, "
            f"{by_date[chosen]:,.0f} of them by the date, worth {by_date[chosen] * price:,.2f} $ at {price:g} $/kWh. "
            f"With any month {least:,.0f} kWh are lost. Least: {good}."
            f"{ledgers.without_reset(house)}"
        )

    return Picture(figure, [out, short, always, timing, numbers, cuts], update)


def years_picture(house):
    """Return the picture of many made years: size, drawing -> how often each reset month loses least, what it loses."""
    place, count = np.arange(1, 13), ledgers.MADE_YEARS
    ends = [
        loss_spread(ledgers.made_years(house, ledgers.sizes(house), drawing))[0.9].max()
        for drawing in range(1, DRAWINGS + 1)
    ]
    top = 1.35 * max(*ends, lost_by_reset_month(ledgers.surplus_of(house, ledgers.sizes(house))).max(), 1.0)
    figure, upper, lower = _two_rows(height_ratios=(1, 1.4))
    zero_based(upper, 1.75 * count, "years")
    upper.set_yticks(range(0, count + 1, 10))
    zero_based(lower, top, "lost (kWh)", bottom=-0.06 * top)
    lower.axhline(0, color=INK, linewidth=1.2)
    often = boxes(upper, "bank", hatch="")
    words = f"of {count} made years: in how many no month loses less"
    direct_label(upper, 0.5, 1.7 * count, words, "bank", size=TICK_PT, va="top")
    numbers = _on_columns(upper, SMALL_PT)
    spread = boxes(lower, "loss", hatch="")
    middle = line(lower, "load", [0], [0], linestyle="none", marker="_", markersize=26, markeredgewidth=3.0)
    circle = {"marker": "o", "markersize": 8, "markerfacecolor": BACKGROUND, "markeredgewidth": 2.0}
    typical = line(lower, "load", [0], [0], linestyle="none", **circle)
    direct_label(lower, 0.5, 0.97 * top, "box: 8 of 10 years, dash: the middle one", "loss", size=TICK_PT, va="top")
    direct_label(lower, 12.3, 0.97 * top, "circle: typical year", size=TICK_PT, va="top", ha="right")

    def update(size, drawing):
        years = ledgers.made_years(house, size, drawing)
        table, best = loss_spread(years), times_best(years)
        move_columns(often, np.zeros(12), best.to_numpy())
        for text, times in zip(numbers, best):
            text.set(text=f"{times}", y=times + 0.02 * count)
        move_columns(spread, table[0.1].to_numpy(), table[0.9].to_numpy(), width=0.5)
        middle.set_data(place, table[0.5].to_numpy())
        typical.set_data(place, lost_by_reset_month(ledgers.surplus_of(house, size)))
        good = best.index[best == best.max()]
        least, worst = table.loc[good, "mean"].idxmin(), table["mean"].idxmax()
        if table["mean"].max() < 0.5:
            return f"{size} %: no made year loses anything, whatever the month.{ledgers.without_reset(house)}"
        return (
            f"{size} %: in {best.max()} of {count} made years no month loses less than {_listed(good)}. "
            f"Of ten years, eight lose {_range(table.loc[least])} after {least}, "
            f"but {_range(table.loc[worst])} after {worst}.{ledgers.without_reset(house)}"
        )

    return Picture(figure, [often, numbers, spread, middle, typical], update)


def _range(row):
    """Return the range of eight years of ten in words."""
    return f"{row[0.1]:,.0f} to {row[0.9]:,.0f} kWh" if row[0.9] >= 0.5 else "nothing"


def _listed(chosen):
    """Name months in a few words."""
    if len(chosen) == 12:
        return "all months"
    if len(chosen) < 7:
        return ", ".join(chosen)
    return "all but " + ", ".join(month for month in MONTHS if month not in chosen)
