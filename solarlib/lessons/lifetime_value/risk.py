"""Lesson 05, part 4: one change at a time, and many lifetimes drawn at random."""

from dataclasses import replace

import numpy as np

from solarlib.house import bills
from solarlib.house.rules import kinds_of
from solarlib.lessons.lifetime_value import pictures
from solarlib.lessons.lifetime_value.pictures import OWN, SOLD, THIRD, exact, priced, rules, signed, start_values
from solarlib.lessons.tools import Picture, figures
from solarlib.worth import money
from solarlib.worth.risk import Rule, Uncertainty, draw_lifetimes, summarise, tornado

DRAWS, SEED = 2500, 2026
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
        return {replace(path, then=factor * path.then): f"then {factor * path.then} $" for factor in (0, 2)}
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


def lifetimes(house, chance=0, since=1, persistent=0, yearly=0):
    """Return drawn lifetimes, all else as unsure as the house file says; see `risk.draw_lifetimes`.

    Parameters
    ----------
    chance : float
        That the rule `THIRD` takes over. [%]
    since : int
        First year of the life in which it may; that and each later one are alike.
    persistent, yearly : float
        Standard deviation of the generation, of every year and from year to year. [%]
    """
    view, doubt = house.outlook, house.outlook.spread
    means = (float(money.real_rate(rate, view.inflation)) for rate in (view.price_growth, view.discount_rate))
    real_growth, real_rate = zip(means, (doubt.price_growth, doubt.discount_rate))
    inflation, wear = (view.inflation, doubt.inflation), (house.system.degradation_per_year, doubt.wear)
    errors = exact(persistent, doubt.yield_every_year, 0.5), exact(yearly, doubt.weather, 0.5), doubt.prices
    unsure = Uncertainty(*errors, inflation, real_growth, real_rate, wear, doubt.costs, doubt.costs, doubt.event_years)
    chance, last = exact(chance, doubt.rule_change, 1.0), max(since, view.years)
    own, third = bills.life_table(house), bills.life_table(house, rules(house)[THIRD])
    both = [Rule(OWN, 1 - chance, own.saving), Rule(THIRD, chance, third.saving, (since, last))]
    return draw_lifetimes(np.random.default_rng(SEED), DRAWS, view.years, both, pictures.costs_of(house), unsure)


def risk_picture(house):
    """Return the picture of many lifetimes: chance, since, persistent, yearly -> net present values by rule."""
    years = house.outlook.years
    wide = lifetimes(house, 50, 1, 15, 15)["net_present_value"]
    edges = np.linspace(*np.quantile(wide, (0.005, 0.995)), 41)
    width, middle = edges[1] - edges[0], (edges[1:] + edges[:-1]) / 2
    figure, ax = figures.new_figure(left=0.1)
    ax.set(xlim=(edges[0], edges[-1]), xlabel="net present value of a lifetime ($); end bars hold all beyond")
    ax.xaxis.set_major_formatter(pictures.WITH_COMMAS)
    narrow = [lifetimes(house, chance) for chance in (0, 100)]
    top = 1.25 * max(_shares(table, edges).sum(axis=0).max() for table in narrow)
    figures.zero_based(ax, top, "lifetimes (% a bar)")
    ax.axvline(0, color=figures.INK, linewidth=2.0)
    own, other = figures.boxes(ax, "money", hatch=""), figures.boxes(ax, "export")
    look = {"ha": "center", "va": "bottom", "bbox": {"facecolor": figures.BACKGROUND, "edgecolor": "none", "pad": 1.5}}
    names = [figures.direct_label(ax, 0, 0, words, role, **look) for words, role in ((OWN, "money"), (THIRD, "export"))]

    def update(chance, since, persistent, yearly):
        table = lifetimes(house, chance, since, persistent, yearly)
        parts = _shares(table, edges)
        figures.move_columns(own, 0.0 * parts[0], parts[0], middle, 0.94 * width)
        figures.move_columns(other, parts[0], parts.sum(axis=0), middle, 0.94 * width)
        for name, part, lift in zip(names, parts, (0.02, 0.12)):
            at = int(np.argmax(part))
            name.set_visible(bool(part.max() > 0))
            near = parts[:, max(0, at - 4) : at + 5].sum(axis=0).max()
            name.set_position((np.clip(middle[at], edges[4], edges[-5]), min(near + lift * top, 0.92 * top)))
        found, changed = summarise(table).loc["all"], int((table["rule"] == THIRD).sum())
        when = f"year {years}" if since == years else f"a year from {since} to {years}"
        which = f"{changed:,} change to {THIRD} in {when}" if changed else "no rule changes"
        low, high = (signed(found[f"net_present_value_{share}"]) for share in (5, 95))
        said = {"losing": 100 * found["share_losing"], "back": _back(found["payback_5"], found["payback_95"])}
        return pictures.CAPTIONS["lifetimes"].format(draws=DRAWS, which=which, low=low, high=high, **said)

    return Picture(figure, [own, other, names], update, slow=True)


def _shares(table, edges):
    """Return the share of lifetimes in each bin for the two rules; what lies outside counts at the ends. [%]"""
    worth = np.clip(table["net_present_value"].to_numpy(), edges[0], edges[-1])
    chosen = [worth[(table["rule"] == rule).to_numpy()] for rule in (OWN, THIRD)]
    return np.array([100.0 * np.histogram(part, edges)[0] / len(table) for part in chosen])


def _back(soon, late):
    """Say when nine of ten lives are paid back, from two quantiles. [years]"""
    if np.isinf(soon):
        return "hardly one is ever paid back"
    return f"paid back between {soon:.0f} years and {'never' if np.isinf(late) else f'{late:.0f} years'}"


def _percent(share, sign=""):
    return f"{100 * share:{sign}.1f} %".replace("-", "−")
