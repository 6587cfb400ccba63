"""Two registers, the bank, twelve bills, what each reset month loses."""

import numpy as np

from solarlib.house import year_bills
from solarlib.lessons.credit_bank import ledgers
from solarlib.lessons.tools import Picture, figures
from solarlib.lessons.tools.figures import MONTHS
from solarlib.meter.balance import house_use
from solarlib.meter.registers import register_difference
from solarlib.quantities import dollars, texts_beside

CAPTIONS = texts_beside(__file__, "captions")


def _taken(tariff, payout):
    """Return what happens to the kWh that a reset takes."""
    return "paid out" if payout else "given away" if tariff.credit.at_reset == "donate" else "lost"


def _two_rows(**grid):
    """Return a figure with two rows of twelve months."""
    figure, (upper, lower) = figures.new_figure(2, 1, left=0.1, top=0.96, bottom=0.09, hspace=0.22, **grid)
    for ax in (upper, lower):
        figures.months_axis(ax)
    upper.set_xticklabels([])
    return figure, upper, lower


def _middles(count, months=12):
    """Return the places of a number of bills on an axis of months that begins with 1."""
    return 0.5 + (np.arange(count) + 0.5) * months / count


def _surplus_boxes(house, ax, left, each=1):
    """Give an axis room for the surplus of `each` months and any array size; return boxes for surplus and shortage."""
    values = np.array([ledgers.surplus_of(house, size) for size in ledgers.steps(house)]).reshape(-1, each).sum(axis=1)
    high = max(values.max(), 1.0)
    ax.axhline(0, color=figures.INK, linewidth=1.2)
    label = "month (kWh)" if each == 1 else "bill (kWh)"
    figures.zero_based(ax, 1.7 * high, label, bottom=1.1 * min(values.min(), -1.0))
    figures.direct_label(ax, left, 1.62 * high, "up: surplus, down: shortage", size=figures.TICK_PT, va="top")
    return [figures.boxes(ax, role) for role in ("export", "import")]


def _register_rows(top):
    """Return figure, axis and the texts of delivered, received, at once, use and generation in three rows."""
    figure, ax = figures.new_figure(left=0.24, bottom=0.17, top=0.97)
    ax.set(xlim=(0, top), xlabel="energy in the month (kWh)")
    rows = ["array makes =\nat once + received", "meter counts", "house uses =\ndelivered + at once"]
    figures.rows_axis(ax, range(3), rows, (-0.4, 2.85))
    places = zip((1.25, 1.25, 0.25, 2, 0), ("import", "export", "pv", None, None), strict=True)
    names = [
        figures.direct_label(ax, 0.005 * top, y, "", role, va="bottom" if y % 1 else "center") for y, role in places
    ]
    names[1].set_ha("right")
    return figure, ax, names


def register_picture(house):
    """Return the picture of one month's registers: month, size -> delivered, received, used at once, house use."""
    digits = house.meter.digits
    shown = {size: ledgers.reading_sheet(house, size) for size in ledgers.steps(house)}
    years = (ledgers.months(house, size) for size in shown)
    top = 1.2 * max((months["delivered_kwh"] + months["generation_kwh"]).max() for months in years)
    figure, ax, names = _register_rows(top)
    # each energy stands in two rows: what is above each other is the same
    parts = [figures.boxes(ax, role) for role in ("import", "pv", "export")]

    def update(month, size):
        at = MONTHS.index(month)
        before, after = shown[size].iloc[at : at + 2].astype(int).to_dict("records")
        counts = [register_difference(before[key], after[key], digits, at_most_kwh=10**digits) for key in before]
        delivered, received, made = counts
        home = house_use(made, delivered, received, tolerance_kwh=1)
        own = max(0, home.self_consumed_kwh)
        edges = np.cumsum([0, delivered, own, received])
        for filled, rows, left, right in zip(parts, ((2, 1), (2, 0), (1, 0)), edges, edges[1:]):
            low = np.array(rows) - 0.21
            figures.move_boxes(filled, np.full(2, left), np.full(2, right), low, low + 0.42)
        words = [f"delivered {delivered:,}", f"received {received:,}", f"at once {own:,}"]
        words += [f"{home.use_kwh:,} kWh", f"{made:,} kWh"]
        places = (0, max(edges[3], 0.5 * top), *edges[1:])
        for name, text, place in zip(names, words, places):
            name.set(text=text, x=place + (0 if name is names[1] else 0.008 * top))

        shown_kwh = {"delivered": delivered, "received": received, "used": home.use_kwh, "own": own}
        return CAPTIONS["register"].format(month=month, **shown_kwh)

    return Picture(figure, [parts, names], update)


# ---------------------------------------------------------------- the bank


def bank_picture(house):
    """Return the picture of two years: size, first month, reset -> the bank, and each month's surplus or shortage."""
    largest = ledgers.sizes(house)
    half = len(ledgers.book_of(house, ledgers.bank_rules(house))) // 2
    each, place = 12 // half, _middles(2 * half, 24)
    rules = [ledgers.rules_with_reset(house, reset) for reset in ledgers.reset_choices(house)]
    books = [ledgers.book_of(house, each_rule, largest) for each_rule in rules]
    top = 1.3 * max(1.0, *((book["bank_close"] + book["credit_reset"]).max() for book in books))
    grid = {"hspace": 0.12, "height_ratios": (1.25, 1)}
    figure, (upper, lower) = figures.new_figure(2, 1, left=0.1, top=0.97, bottom=0.17, **grid)
    for ax in (upper, lower):
        ax.set_xlim(0.4, 24.6)
        ax.set_xticks(range(1, 25), [month[0] for month in MONTHS] * 2 if ax is lower else [])
        ax.tick_params(axis="x", length=0)
        ax.axvline(12.5, color=figures.INK, linewidth=1.2, linestyle=":")
    lower.set_xlabel("first year" + 40 * " " + "second year")
    figures.zero_based(upper, top, "bank (kWh)")
    out, short = _surplus_boxes(house, lower, 0.6, each)
    level = figures.line(upper, "bank", [0], [0], linestyle="-")
    figures.direct_label(upper, 0.6, 0.97 * top, "in the bank", "bank", va="top")
    drops = [figures.direct_label(upper, 0, 0, "", size=figures.TICK_PT, va="bottom", ha="center") for _ in range(2)]

    def update(size, start, reset):
        rules = ledgers.rules_with_reset(house, reset)
        book = ledgers.book_of(house, rules, size, start)
        surplus, gone = -book["net_kwh"].to_numpy(), book["credit_reset"].to_numpy()
        figures.move_columns(out, 0.0 * surplus, np.maximum(surplus, 0.0), place, each - 0.3)
        figures.move_columns(short, np.minimum(surplus, 0.0), 0.0 * surplus, place, each - 0.3)
        full = book["bank_close"].to_numpy() + gone
        steps = np.repeat(place, 3) + each * np.tile([-0.5, 0.5, 0.5], len(place))
        level.set_data(steps, np.column_stack([book["bank_open"], full, book["bank_close"]]).ravel())
        for text in drops:
            text.set_text("")
        for text, at in zip(drops, np.flatnonzero(gone > 0)):
            x, height = np.clip(place[at] + 0.5 * each, 2.2, 22.8), full[max(0, at - 2) : at + 2].max() + 0.02 * top
            text.set(text=f"{gone[at]:,.0f} {_taken(rules, book['payout'].iloc[at])}", x=x, y=height)
        first, second = book["bill"].to_numpy().reshape(2, half).sum(axis=1)
        sums = {"first": first, "second": second, "surplus": surplus[half:].sum(), "gone": gone[half:].sum()}
        word = _taken(rules, book["payout"].iloc[half:].sum())
        return CAPTIONS["bank"].format(word=word, own_rule=ledgers.without_reset(house), **sums)

    return Picture(figure, [out, short, level, drops], update)


# ---------------------------------------------------------------- the bill


def bill_picture(house):
    """Return the picture of twelve bills: size, month, rules -> what energy costs, and what no surplus reduces."""
    tariffs = {words: ledgers.tariff_named(house, name) for words, name in ledgers.OTHER_RULES.items()}
    books = (ledgers.book_of(house, tariff, size) for tariff in tariffs.values() for size in ledgers.steps(house))
    top = 1.22 * max(book["bill"].max() for book in books)
    figure, ax = figures.new_figure(bottom=0.1)
    figures.months_axis(ax)
    figures.zero_based(ax, top, "bill ($)")
    fixed = figures.boxes(ax, "money", hatch="")
    energy = figures.boxes(ax, "import")
    figures.write(ax, CAPTIONS["labels"]["bill"], top, va="top")
    sums = figures.month_labels(ax, figures.TICK_PT)
    mark = figures.spot(ax, 12, "v")

    def update(size, month, rules):
        tariff = tariffs[rules]
        year = ledgers.second_year(house, tariff, size)
        each, place = 12 // len(year), _middles(len(year))
        paid = year["energy"] - year["credit_money_applied"] + year.get("settled", 0.0)
        bought = np.maximum(0.0, paid.to_numpy())
        other = np.maximum(0.0, year["bill"].to_numpy() - bought)
        figures.move_columns(fixed, 0 * other, other, place, each - 0.3)
        figures.move_columns(energy, other, other + bought, place, each - 0.3)
        for text in sums:
            text.set_visible(False)
        for text, bill, height, x in zip(sums, year["bill"], other + bought, place):
            text.set(text=f"{bill:.0f}", y=height + 0.01 * top, x=x, visible=True)
        chosen = MONTHS.index(month) // each
        mark.set_data([place[chosen]], [other[chosen] + bought[chosen] + 0.12 * top])
        row = year.iloc[chosen]
        words = [f"{charge.line} {dollars(row[f'line {charge.line}'])}" for charge in tariff.charges][:4]
        more = {"credit": -row["credit_money_applied"], "settled for the year": row.get("settled", 0.0)}
        more |= {"to reach the minimum": row["min_bill_topup"], "paid out": -row["payout"]}
        words += [f"{name} {dollars(amount)}" for name, amount in more.items() if amount]
        without = ledgers.second_year(house, tariff, 0)["bill"].sum()
        if len(tariff.charges) > 4:
            words.append("...")
        bills = {"bill": row["bill"], "year": year["bill"].sum(), "without": without}
        named = f"The {month} bill" if each == 1 else f"The bill with {month}"
        return CAPTIONS["bill"].format(named=named, lines=", ".join(words), **bills)

    return Picture(figure, [fixed, energy, sums, mark], update)


# ---------------------------------------------------------------- the reset month


def reset_picture(house):
    """Return the picture of the reset: size, month -> surplus of each month, what each possible reset takes."""
    top = 1.35 * max(ledgers.by_reset(house, ledgers.sizes(house))["taken_kwh"].max(), 1.0)
    figure, upper, lower = _two_rows()
    out, short = _surplus_boxes(house, upper, 0.5)
    figures.zero_based(lower, top, "taken (kWh)")
    always = figures.boxes(lower, "loss", hatch="")
    empty = {"facecolor": figures.BACKGROUND, "edgecolor": figures.ROLES["loss"].colour, "linewidth": 1.0}
    timing = figures.boxes(lower, "loss", **empty)
    figures.write(lower, CAPTIONS["labels"]["reset"], top, size=figures.TICK_PT, va="top")
    numbers = figures.month_labels(lower, figures.SMALL_PT)
    cuts = [figures.line(ax, "bank", [0, 0], ax.get_ylim(), linestyle="-") for ax in (upper, lower)]

    def update(size, reset):
        surplus, table = ledgers.surplus_of(house, size), ledgers.by_reset(house, size)
        taken = table["taken_kwh"].to_numpy()
        figures.move_columns(out, 0.0 * surplus, np.maximum(surplus, 0.0))
        figures.move_columns(short, np.minimum(surplus, 0.0), 0.0 * surplus)
        figures.move_columns(always, 0.0 * taken, np.full(12, taken.min()))
        figures.move_columns(timing, np.full(12, taken.min()), taken)
        for text, value in zip(numbers, taken):
            text.set(text=f"{value:,.0f}", visible=value >= 0.5, y=value + 0.015 * top)
        for cut in cuts:
            cut.set_xdata([MONTHS.index(reset) + 1.5] * 2)
        row, least = table.loc[reset], taken.min()
        bills = "reset_alike" if table["best"].all() else "reset_best" if row["best"] else "reset_dearer"
        said = {"reset": reset, "word": _taken(ledgers.rules_with_reset(house, reset), row["payout"])}
        said["bills"] = CAPTIONS[bills].format(lowest=_listed(table.index[table["best"]]), **row)
        return CAPTIONS["reset"].format(least=least, own_rule=ledgers.without_reset(house), **said, **row)

    slow = year_bills.cycle(ledgers.bank_rules(house)) > 1
    return Picture(figure, [out, short, always, timing, numbers, cuts], update, slow=slow)


def _listed(chosen):
    """Name months in a few words."""
    if len(chosen) == 12:
        return "any month"
    if len(chosen) < 7:
        return ", ".join(chosen)
    return "any month but " + ", ".join(month for month in MONTHS if month not in chosen)
