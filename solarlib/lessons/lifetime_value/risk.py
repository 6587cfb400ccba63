"""One change at a time, and a life in poor sun."""

from dataclasses import replace

import pandas as pd

from solarlib.house import bills
from solarlib.lessons.lifetime_value import pictures
from solarlib.lessons.lifetime_value.pictures import OWN, SOLD, THIRD, costs_of, priced, rules, signed
from solarlib.quantities import in_form
from solarlib.worth import money
from solarlib.worth.risk import tornado

CHANGE_YEAR, MORE_YEARS = 11, 5
LATER = f"rule from year {CHANGE_YEAR}"


def _changes(house, rule):
    """Return {factor: (value in the base case, {other setting: its words})}, one factor a row of the tornado."""
    view, wear = house.outlook, house.system.degradation_per_year
    growths = [view.price_growth + change for change in (-0.02, 0.02)]
    wears, lives = [wear + 0.005, max(0.0, wear - 0.003)], [max(1, view.years - MORE_YEARS), view.years + MORE_YEARS]
    return {
        "billing rule": (rule, {other: other for other in rules(house) if other != rule}),
        LATER: (None, {SOLD: SOLD} if rule == THIRD else {THIRD: THIRD}),
        "energy price": (1.0, {0.8: "−20 %", 1.2: "+20 %"}),
        "array's price": (100, {125: "+25 %", 75: "−25 %"}),
        "sun and model": (1.0, {0.9: "−10 %", 1.1: "+10 %"}),
        "price growth": (view.price_growth, {growth: _percent(growth, "+") for growth in growths}),
        "years of use": (view.years, {years: f"{years} years" for years in lives}),
        "upkeep, repairs": (1.0, {2.0: "twice", 0.0: "none"}),
        "wear of modules": (wear, {other: _percent(other) for other in wears}),
    }


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
        flow = bills.spent(costs, v["years of use"]).copy()
        flow[1:] += _savings(house, v)
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


def changes_table(house, rule=OWN, rate=None):
    """Return the net present value after one change at a time in words: the factor that moves it most comes first.

    Parameters
    ----------
    house : House
    rule : str
        One of `pictures.rules`.
    rate : float, optional
        Discount rate, a share; default: that of the house file.
    """
    rate = house.outlook.discount_rate if rate is None else rate
    table, words, base = worth_changes(house, rule, 100, rate)
    near = max(pictures.near_zero(house, 100, rate, each) for each in (rule, OWN))
    rows = {"nothing": [signed(base, near)] * 2}
    for factor, group in table.groupby("factor", sort=False):
        ends = group.loc[group["result"].idxmin()], group.loc[group["result"].idxmax()]
        rows[factor] = [f"{signed(end['result'], near)} ({words[factor, end['setting']]})" for end in ends]
    return pd.DataFrame.from_dict(rows, orient="index", columns=["least", "most"])


def worth_at(house, factor):
    """Return in words the net present value of the array if every year makes so much of the typical year's yield."""
    flow = bills.net_flow(house, costs_of(house), bills.Course(yield_factor=factor))
    return pictures.worth(flow, bills.good_to(house), house.outlook.discount_rate)


def _percent(share, sign=""):
    return in_form(f"{100 * share:{sign}.1f} %")
