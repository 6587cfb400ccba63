"""Lesson 05, part 4: one change at a time, and many lifetimes drawn at random."""

from dataclasses import replace

import numpy as np

from solarlib.house import bills
from solarlib.lessons.lifetime_value.pictures import OWN, THIRD, WITH_COMMAS, costs_of, priced, rules, signed
from solarlib.lessons.tools.figures import (
    BACKGROUND,
    INK,
    TICK_PT,
    boxes,
    direct_label,
    line,
    move_boxes,
    move_columns,
    new_figure,
    zero_based,
)
from solarlib.lessons.tools.panel import Picture
from solarlib.worth import money
from solarlib.worth.risk import Rule, Uncertainty, draw_lifetimes, summarise, tornado

DRAWS, SEED = 2500, 2026
CHANGE_YEAR = 11
LATER = f"rule from year {CHANGE_YEAR}"


def _changes(house, rule):
    """Return {factor: (value in the base case, {other setting: its words})}, one factor a row of the tornado."""
    view, wear = house.outlook, house.system.degradation_per_year
    growths = [view.price_growth + change for change in (-0.02, 0.02)]
    wears = [wear + 0.005, max(0.0, wear - 0.003)]
    return {
        "billing rule": (rule, {other: other for other in rules(house) if other != rule}),
        LATER: (None, {OWN: OWN} if rule == THIRD else {THIRD: THIRD}),
        "energy price": (1.0, {0.8: "−20 %", 1.2: "+20 %"}),
        "array's price": (100, {125: "+25 %", 75: "−25 %"}),
        "sun and model": (1.0, {0.9: "−10 %", 1.1: "+10 %"}),
        "price growth": (view.price_growth, {growth: _percent(growth, "+") for growth in growths}),
        "years of use": (view.years, {years: f"{years} years" for years in (max(1, view.years - 5), view.years + 5)}),
        "upkeep, repairs": (1.0, {2.0: "twice", 0.0: "none"}),
        "wear of modules": (wear, {other: _percent(other) for other in wears}),
    }


def worth_changes(house, rule=OWN, price=100, rate=None):
    """Return (table, words, base) of `risk.tornado` for the net present value at a discount rate [%]."""
    rate, changes = house.outlook.discount_rate if rate is None else rate / 100.0, _changes(house, rule)
    base = {factor: value for factor, (value, _) in changes.items()}

    def value(**v):
        costs, more = priced(house, price * v["array's price"] / 100.0, v["years of use"]), v["upkeep, repairs"]
        events = tuple(replace(event, cost=more * event.cost) for event in costs.events)
        costs = replace(costs, upkeep_per_year=more * costs.upkeep_per_year, events=events)

        def net(held):
            names = ("price growth", "years of use", "wear of modules", "sun and model", "energy price")
            return bills.net_flow(house, costs, bills.Course(rules(house)[held], *(v[name] for name in names)))

        # a second rule set takes over with an empty bank
        flow, later = net(v["billing rule"]), v[LATER]
        flow = flow if later is None else np.concatenate([flow[:CHANGE_YEAR], net(later)[CHANGE_YEAR:]])
        return float(money.net_present_value(rate, flow))

    table = tornado(value, base, {factor: list(settings) for factor, (_, settings) in changes.items()})
    words = {(factor, s): text for factor, (_, settings) in changes.items() for s, text in settings.items()}
    return table, words, value(**base)


def largest(house):
    """Return the factor that moves the net present value of the house most."""
    return worth_changes(house)[0]["factor"].iloc[0]


def tornado_picture(house):
    """Return the picture of one change at a time: rule, array's price, discount rate -> bars from the base case."""
    settings = [(rule, price, rate) for rule in rules(house) for price in (75, 125) for rate in (0, 10)]
    ends = np.concatenate([worth_changes(house, *setting)[0]["result"] for setting in settings])
    high, low = max(1.0, ends.max()), min(-1.0, ends.min())
    span, count = high - low, len(_changes(house, OWN))
    figure, ax = new_figure(left=0.19, right=0.97, top=0.98)
    ax.set(xlim=(low - 0.2 * span, high + 0.2 * span), ylim=(count - 0.4, -0.6), xlabel="net present value ($)")
    ax.set_yticks(range(count), [""] * count)
    ax.tick_params(axis="y", length=0)
    ax.grid(visible=False)
    ax.axvline(0, color=INK, linewidth=1.2, linestyle=":")
    ax.xaxis.set_major_formatter(WITH_COMMAS)
    worse, better = boxes(ax, "loss"), boxes(ax, "money")
    middle = line(ax, "load", [0, 0], [-0.5, count - 0.5], linestyle="-", linewidth=2.0)
    rows, look = np.arange(count), {"size": TICK_PT, "va": "center"}
    edge = ax.get_xlim()[0] - 0.012 * span
    names = [direct_label(ax, edge, row, "", ha="right", fontweight="normal", **look) for row in rows]
    left = [direct_label(ax, 0, row, "", "loss", ha="right", **look) for row in rows]
    right = [direct_label(ax, 0, row, "", "money", ha="left", **look) for row in rows]

    def update(price, rate, rule):
        table, words, base = worth_changes(house, rule, price, rate)
        middle.set_xdata([base, base])
        reaches = []
        for row, (factor, group) in enumerate(table.groupby("factor", sort=False)):
            names[row].set_text(factor)
            least, most = group.loc[group["result"].idxmin()], group.loc[group["result"].idxmax()]
            for text, end, side in ((left[row], least, -1), (right[row], most, 1)):
                moved = side * (end["result"] - base) > 0
                text.set_text(words[factor, end["setting"]] if moved else "")
                text.set_x((end["result"] if moved else base) + side * 0.01 * span)
            reaches.append((factor, min(least["result"], base), max(most["result"], base)))
        lows, highs = np.array([reach[1:] for reach in reaches]).T
        move_boxes(worse, lows, 0.0 * lows + base, rows - 0.35, rows + 0.35)
        move_boxes(better, 0.0 * highs + base, highs, rows - 0.35, rows + 0.35)
        top, last = reaches[0], reaches[-1]
        return (
            f"Base case at {rate:g} %: {signed(base)}. Moves it most: {top[0]}, {signed(top[1])} to {signed(top[2])}. "
            f"Least: {last[0]}, {signed(last[1])} to {signed(last[2])}."
        )

    return Picture(figure, [worse, better, middle, names, left, right], update, slow=True)


def lifetimes(house, chance=0, persistent=0, yearly=0, growth=1.0):
    """Return drawn lifetimes; see `risk.draw_lifetimes`. All arguments in %; `chance` is that of the rule THIRD."""
    view = house.outlook
    inflation = view.inflation
    doubt = Uncertainty(
        persistent / 100.0,
        yearly / 100.0,
        price_sd=0.03,
        inflation=(inflation, 0.005),
        upkeep_sd=0.3,
        event_cost_sd=0.3,
        real_growth=(float(money.real_rate(view.price_growth, inflation)), growth / 100.0),
        real_rate=(float(money.real_rate(view.discount_rate, inflation)), 0.0),
        degradation=(house.system.degradation_per_year, 0.002),
        event_year_sd=2.0,
    )
    other = rules(house)[THIRD]
    own, third, none = bills.bill_table(house), bills.bill_table(house, other), bills.bill_without_array(house)
    # each rule has its own bill without array: what a lifetime needs is the difference of the two
    gap = none - bills.bill_without_array(house, other)
    both = [Rule(OWN, 1 - chance / 100.0, own), Rule(THIRD, chance / 100.0, lambda factor: third(factor) + gap)]
    return draw_lifetimes(np.random.default_rng(SEED), DRAWS, view.years, none, both, costs_of(house), doubt)


def risk_picture(house):
    """Return the picture of many lifetimes: chance, persistent, yearly, growth -> net present values by rule."""
    wide = lifetimes(house, 50, 15, 15, 2.0)["net_present_value"]
    edges = np.linspace(*np.quantile(wide, (0.005, 0.995)), 41)
    width, middle = edges[1] - edges[0], (edges[1:] + edges[:-1]) / 2
    figure, ax = new_figure(left=0.1)
    ax.set(xlim=(edges[0], edges[-1]), xlabel="net present value of a lifetime ($)")
    ax.xaxis.set_major_formatter(WITH_COMMAS)
    narrow = [lifetimes(house, chance, growth=0.5) for chance in (0, 100)]
    top = 1.25 * max(_shares(table, edges).sum(axis=0).max() for table in narrow)
    zero_based(ax, top, "lifetimes (% a bar)")
    ax.axvline(0, color=INK, linewidth=2.0)
    own, other = boxes(ax, "money", hatch=""), boxes(ax, "export")
    look = {"ha": "center", "va": "bottom", "bbox": {"facecolor": BACKGROUND, "edgecolor": "none", "pad": 1.5}}
    names = [direct_label(ax, 0, 0, words, role, **look) for words, role in ((OWN, "money"), (THIRD, "export"))]

    def update(chance, persistent, yearly, growth):
        table = lifetimes(house, chance, persistent, yearly, growth)
        parts = _shares(table, edges)
        move_columns(own, 0.0 * parts[0], parts[0], middle, 0.94 * width)
        move_columns(other, parts[0], parts.sum(axis=0), middle, 0.94 * width)
        for name, part, lift in zip(names, parts, (0.02, 0.12)):
            at = int(np.argmax(part))
            name.set_visible(bool(part.max() > 0))
            near = parts[:, max(0, at - 4) : at + 5].sum(axis=0).max()
            name.set_position((np.clip(middle[at], edges[4], edges[-5]), min(near + lift * top, 0.92 * top)))
        found = summarise(table).loc["all"]
        return (
            f"{DRAWS:,} lifetimes: worth below zero in {100 * found['share_losing']:.0f} %. Of ten, nine lie between "
            f"{signed(found['net_present_value_5'])} and {signed(found['net_present_value_95'])}; "
            f"paid back between {_late(found['payback_5'])} and {_late(found['payback_95'])}."
        )

    return Picture(figure, [own, other, names], update, slow=True)


def _shares(table, edges):
    """Return the share of lifetimes in each bin for the two rules; what lies outside counts at the ends. [%]"""
    worth = np.clip(table["net_present_value"].to_numpy(), edges[0], edges[-1])
    chosen = [worth[(table["rule"] == rule).to_numpy()] for rule in (OWN, THIRD)]
    return np.array([100.0 * np.histogram(part, edges)[0] / len(table) for part in chosen])


def _late(years):
    return "never" if np.isinf(years) else f"{years:.0f} years"


def _percent(share, sign=""):
    return f"{100 * share:{sign}.1f} %".replace("-", "−")
