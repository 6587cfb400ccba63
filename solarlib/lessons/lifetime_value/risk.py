"""One change at a time, and a life in poor sun."""

from dataclasses import replace

import numpy as np

from solarlib.house import bills
from solarlib.house.rules import kinds_of
from solarlib.lessons.lifetime_value import pictures
from solarlib.lessons.lifetime_value.pictures import (
    OWN,
    SOLD,
    THIRD,
    costs_of,
    exact,
    priced,
    rules,
    signed,
    start_values,
)
from solarlib.lessons.tools import Picture, figures
from solarlib.quantities import in_form
from solarlib.worth import money
from solarlib.worth.risk import tornado

CHANGE_YEAR, MORE_YEARS = 11, 5
LATER, EXPORT_GROWTH = f"rule from year {CHANGE_YEAR}", "export growth"


def _changes(house, rule):
    """Return {factor: (value in the base case, {other setting: its words})}, one factor a row of the tornado."""
    view, wear = house.outlook, house.system.degradation_per_year
    growths = [view.price_growth + change for change in (-0.02, 0.02)]
    wears, lives = [wear + 0.005, max(0.0, wear - 0.003)], [max(1, view.years - MORE_YEARS), view.years + MORE_YEARS]
    tariff = rules(house)[rule]
    exports = any("export" in kinds_of(each) for each in ((tariff,) if tariff else house.tariffs))
    return {
        "billing rule": (rule, {other: other for other in rules(house) if other != rule}),
        **({EXPORT_GROWTH: (view.growth.export, _export_paths(view))} if exports else {}),
        LATER: (None, {SOLD: SOLD} if rule == THIRD else {THIRD: THIRD}),
        "energy price": (1.0, {0.8: "−20 %", 1.2: "+20 %"}),
        "array's price": (100, {125: "+25 %", 75: "−25 %"}),
        "sun and model": (1.0, {0.9: "−10 %", 1.1: "+10 %"}),
        "price growth": (view.price_growth, {growth: _percent(growth, "+") for growth in growths}),
        "years of use": (view.years, {years: f"{years} years" for years in lives}),
        "upkeep, repairs": (1.0, {2.0: "twice", 0.0: "none"}),
        "wear of modules": (wear, {other: _percent(other) for other in wears}),
    }


def _export_paths(view):
    """Return {other way for export prices to go on: its words}."""
    path = view.growth.export
    if path.then is not None:
        return {replace(path, then=factor * path.then): f"then ${factor * path.then}" for factor in (0, 2)}
    rate = view.price_growth if path.rate is None else path.rate
    return {replace(path, rate=rate + change): _percent(rate + change, "+") for change in (-0.02, 0.02)}


def changed_rules(house, rule, later, growth=None):
    """Return the tariffs of a life for `bills.Course`: one of `rules`, and another from `CHANGE_YEAR` on."""
    tariffs = rules(house)
    if later is None:
        return tariffs[rule]
    if tariffs[rule] is not None:  # held until then, in place of the house's own
        begin = replace(house.outlook, first_day=bills.first_day(house))
        house = replace(house, tariff=tariffs[rule], later=(), outlook=begin)
    return bills.rules_from(house, tariffs[later], CHANGE_YEAR, bills.Course(price_growth=growth))


def worth_changes(house, rule=OWN, price=100, rate=None):
    """Return (table, words, base) of `risk.tornado` for the net present value at a discount rate, a share."""
    rate, changes = house.outlook.discount_rate if rate is None else rate, _changes(house, rule)
    base = {factor: value for factor, (value, _) in changes.items()}

    def value(**v):
        costs, more = priced(house, price * v["array's price"] / 100.0, v["years of use"]), v["upkeep, repairs"]
        events = tuple(replace(event, cost=more * event.cost) for event in costs.events)
        costs = replace(costs, upkeep_per_year=more * costs.upkeep_per_year, events=events)
        paths = replace(house.outlook.growth, export=v.get(EXPORT_GROWTH, house.outlook.growth.export))
        lived = replace(house, outlook=replace(house.outlook, growth=paths))
        flow = bills.spent(costs, v["years of use"]).copy()
        flow[1:] += _savings(lived, v)
        return float(money.net_present_value(rate, flow))

    table = tornado(value, base, {factor: list(settings) for factor, (_, settings) in changes.items()})
    words = {(factor, s): text for factor, (_, settings) in changes.items() for s, text in settings.items()}
    return table, words, value(**base)


def _savings(house, v):
    """Return the savings of years 1 ... n for values of the factors: the ledger runs through all bills. [$]"""
    tariff = changed_rules(house, v["billing rule"], v[LATER], v["price growth"])
    names = ("price growth", "years of use", "wear of modules", "sun and model", "energy price")
    without, with_array = bills.life_bills(house, bills.Course(tariff, *(v[name] for name in names)))
    return without - with_array


def largest(house):
    """Return the factor that moves the net present value of the house most."""
    return worth_changes(house)[0]["factor"].iloc[0]


def tornado_picture(house):
    """Return the picture of one change at a time: rule, array's price, discount rate -> bars from the base case."""
    least, most = np.array(start_values(house).rate[:2]) / 100.0
    settings = [(rule, price, rate) for rule in rules(house) for price in (75, 125) for rate in (least, most)]
    ends = np.concatenate([worth_changes(house, *setting)[0]["result"] for setting in settings])
    high, low = max(1.0, ends.max()), min(-1.0, ends.min())
    span, count = high - low, max(len(_changes(house, rule)) for rule in rules(house))
    figure, ax = figures.new_figure(left=0.19, right=0.97, top=0.98)
    ax.set(xlim=(low - 0.2 * span, high + 0.2 * span), xlabel="net present value ($)")
    figures.rows_axis(ax, range(count), [""] * count, (count - 0.4, -0.6))
    ax.axvline(0, color=figures.INK, linewidth=1.2, linestyle=":")
    ax.xaxis.set_major_formatter(pictures.WITH_COMMAS)
    worse, better = figures.boxes(ax, "loss"), figures.boxes(ax, "money")
    middle = figures.line(ax, "load", [0, 0], [-0.5, count - 0.5], linestyle="-", linewidth=2.0)
    rows, look = np.arange(count), {"size": figures.TICK_PT, "va": "center"}
    edge = ax.get_xlim()[0] - 0.012 * span
    names = [figures.direct_label(ax, edge, row, "", ha="right", fontweight="normal", **look) for row in rows]
    left = [figures.direct_label(ax, 0, row, "", "loss", ha="right", **look) for row in rows]
    right = [figures.direct_label(ax, 0, row, "", "money", ha="left", **look) for row in rows]

    def update(price, rate, rule):
        rate = exact(rate, house.outlook.discount_rate)
        table, words, base = worth_changes(house, rule, price, rate)
        middle.set_xdata([base, base])
        reaches = []
        for artist in (*names, *left, *right):  # a row may have nothing to say under this rule
            artist.set_text("")
        for row, (factor, group) in enumerate(table.groupby("factor", sort=False)):
            names[row].set_text(factor)
            least, most = group.loc[group["result"].idxmin()], group.loc[group["result"].idxmax()]
            for text, end, side in ((left[row], least, -1), (right[row], most, 1)):
                moved = side * (end["result"] - base) > 0
                text.set_text(words[factor, end["setting"]] if moved else "")
                text.set_x((end["result"] if moved else base) + side * 0.01 * span)
            reaches.append((factor, min(least["result"], base), max(most["result"], base)))
        drawn = [reach[1:] for reach in reaches] + [(base, base)] * (count - len(reaches))
        lows, highs = np.array(drawn).T
        figures.move_boxes(worse, lows, 0.0 * lows + base, rows - 0.35, rows + 0.35)
        figures.move_boxes(better, 0.0 * highs + base, highs, rows - 0.35, rows + 0.35)
        near = max(pictures.near_zero(house, price, rate, each) for each in (rule, OWN))
        top, last = (
            f"{name}, {signed(a, near)} to {signed(b, near)}" if b - a >= 1 else f"{name}, not at all"
            for name, a, b in (reaches[0], reaches[-1])
        )
        return f"Base case at {100 * rate:g} %: {signed(base, near)}. Moves it most: {top}. Least: {last}."

    return Picture(figure, [worse, better, middle, names, left, right], update, slow=True)


def worth_at(house, factor):
    """Return in words the net present value of the array if every year makes so much of the typical year's yield."""
    flow = bills.net_flow(house, costs_of(house), bills.Course(yield_factor=factor))
    return pictures.worth(flow, bills.good_to(house), house.outlook.discount_rate)


def _percent(share, sign=""):
    return in_form(f"{100 * share:{sign}.1f} %")
