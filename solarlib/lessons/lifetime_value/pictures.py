"""Pictures of lesson 05: three bills, years of money, the curve of net present value."""

import textwrap
from dataclasses import replace
from functools import lru_cache
from types import SimpleNamespace

import numpy as np
from matplotlib.ticker import StrMethodFormatter

from solarlib.bill.tariff import read_tariff
from solarlib.house import bills as house_bills
from solarlib.lessons.tools.figures import (
    BACKGROUND,
    INK,
    ROLES,
    TICK_PT,
    boxes,
    direct_label,
    line,
    move_columns,
    new_figure,
    zero_based,
)
from solarlib.lessons.tools.panel import Picture
from solarlib.worth import money
from solarlib.worth.lifetime import DEFINITIONS, INCENTIVE_CAUTION, Costs, Loan

OWN, THIRD, UNPAID, SOLD = "own rule", "export at 1/3", "export unpaid", "all sold at 2/3"
SHAPES = {
    "kWh bank": "flat-bank-forfeit",
    UNPAID: "flat-no-credit",
    THIRD: "flat-net-billing-5-cents",
    SOLD: "flat-buy-all-sell-all",
}
SHAPE_PRICE = 0.15  # $/kWh of those files
DEALS = ("this house", "all on credit", "large last bill")
LOAN_RATE, LOAN_YEARS = 0.06, 15
STAND_IN_PER_WATT, STAND_IN_UPKEEP_PER_KW = 2.60, 14.0  # invented, like the costs of the shipped houses
WITH_COMMAS = StrMethodFormatter("{x:,.0f}")


def costs_of(house):
    """Return the costs of the house file, or invented ones where it names none."""
    if house.costs is not None:
        return house.costs
    return Costs(
        installed=round(STAND_IN_PER_WATT * house.system.rated_power_w, 2),
        growth=house.outlook.inflation,
        upkeep_per_year=round(STAND_IN_UPKEEP_PER_KW * house.system.rated_power_w / 1000.0, 2),
    )


def facts(house):
    """Return what the lesson assumes about money, in sentences."""
    costs, view = costs_of(house), house.outlook
    known = "" if house.costs else "The house file has no table [costs], so these costs are invented. Enter your own.\n"
    later = "".join(f", {event.name} in year {event.year} {event.cost:,.0f} $" for event in costs.events)
    return (
        f"{known}outlay {costs.outlay:,.0f} $ ({costs.outlay / house.system.rated_power_w:.2f} $ per W of modules), rebate {costs.rebate:,.0f} $, "
        f"upkeep {costs.upkeep_per_year + costs.insurance_and_tax_per_year:,.0f} $ a year{later}\n"
        f"{view.years} years; discount rate {100 * view.discount_rate:g} %, price growth {100 * view.price_growth:g} %, "
        f"inflation {100 * view.inflation:g} % a year\nrule: {house.tariff.name}; {house.tariff.note}"
    )


def paybacks(merit):
    """Return the four paybacks of `lifetime.figures_of_merit`, each with its definition."""
    names = [name for name in DEFINITIONS if name.endswith("payback")]
    return "\n".join(f"{name.replace('_', ' '):19} {when(merit[name]):>10}: {DEFINITIONS[name]}" for name in names)


def break_even(house):
    """Say how much of the energy must be self-used if each exported kWh earns a third of the price."""
    price, kwh = house_bills.avoided_price(house), house_bills.year_energies(house)
    if not (price > 0 and kwh["generation"] > 0):
        return "No break-even share: this array makes nothing, or a kWh has no price."
    share = house_bills.break_even_share(house, price / 3.0, costs_of(house))
    words = (
        f"{share:.0%}"
        if 0 <= share <= 1
        else "more than there is: it never pays"
        if share > 1
        else "nothing: it always pays"
    )
    return f"{THIRD}: break-even share {words} (now {kwh['self_used'] / kwh['generation']:.0%} are self-used)"


def caution():
    """Return the caution on incentives in short lines."""
    return textwrap.fill(INCENTIVE_CAUTION, 100)


@lru_cache(maxsize=8)
def rules(house):
    """Return {words: tariff} of four billing rules; the shipped ones at the price level of the house. None: its own."""
    second = UNPAID if house.tariff.credit.unit == "kWh" else "kWh bank"
    level = round(max(house_bills.avoided_price(house), 0.0) / SHAPE_PRICE, 6)
    return {OWN: None} | {
        words: house_bills.at_price_level(read_tariff(SHAPES[words]), level) for words in (second, THIRD, SOLD)
    }


def start_values(house):
    """Return price growth and discount rate of the house (once in half steps), inside the controls. [%]"""
    growth, rate = 100 * house.outlook.price_growth, 100 * house.outlook.discount_rate
    return SimpleNamespace(
        growth=float(np.clip(round(growth, 1), -2, 5)),
        rate=float(np.clip(round(rate, 1), 0, 12)),
        half_rate=float(np.clip(round(2 * rate) / 2, 0, 10)),
    )


# ---------------------------------------------------------------- part 1: three bills


def saving_picture(house):
    """Return the picture of one year's bills: size, rule -> bill without, what two parts save, bill with; price x kWh."""
    tariffs, energies = rules(house), house_bills.year_energies(house)
    price = house_bills.avoided_price(house)
    none = house_bills.bill_without_array(house)
    names = ("bill without array", "self-used energy", "exported energy", "bill with array", "price × generation")
    roles = ("money", "pv", "export", "money", "loss")
    low = min(house_bills.bill_with_array(house, 1.0, tariff, 2.0) for tariff in tariffs.values())
    span = max(none, 2.0 * price * energies["generation"], 1.0) - min(low, 0.0)
    figure, ax = new_figure(left=0.215, right=0.97, top=0.98)
    ax.set(
        xlim=(min(low, 0.0) - 0.03 * span, min(low, 0.0) + 1.2 * span),
        ylim=(4.6, -0.6),
        xlabel="money in the first year ($)",
    )
    ax.set_yticks(range(5), names)
    ax.tick_params(axis="y", length=0)
    ax.grid(visible=False)
    ax.axvline(0, color=INK, linewidth=1.2)
    ax.xaxis.set_major_formatter(WITH_COMMAS)
    rows = [
        ax.barh(row, 0.0, height=0.66, facecolor=ROLES[role].colour, hatch=ROLES[role].hatch, edgecolor=BACKGROUND)[0]
        for row, role in enumerate(roles)
    ]
    words = [direct_label(ax, 0, row, "", role, va="center") for row, role in enumerate(roles)]

    def update(size, rule):
        parts = house_bills.saving(house, tariffs[rule], size / 100.0)
        without = house_bills.bill_without_array(house, tariffs[rule])
        own, out, saved = parts["self_consumed"], parts["exported"], parts["saving"]
        claim = price * energies["generation"] * size / 100.0
        spans = (
            (0, without),
            (without - own, without),
            (without - saved, without - own),
            (0, without - saved),
            (0, claim),
        )
        for box, text, role, (start, end) in zip(rows, words, roles, spans):
            box.set_x(start)
            box.set_width(end - start)
            sign = "−" if role in ("pv", "export") and end - start > 0 else ""
            text.set_text(f"{sign}{abs(end - start) if role != 'money' else end:,.0f} $".replace("-", "−"))
            text.set_x(max(start, end, 0.0) + 0.012 * span)
        return (
            f"{_capital(rule)}, {size} % of the array: {without:,.0f} $ without and {without - saved:,.0f} $ with it, saved {saved:,.0f} $: "
            f"{own:,.0f} $ by self-used and {out:,.0f} $ by exported energy. Price times generation would claim {claim:,.0f} $."
        )

    return Picture(figure, [rows, words], update, slow=True)


# ---------------------------------------------------------------- part 2: years of money


def priced(house, price, years=None):
    """Return the costs with another price of the array [% of the file's], and only the events of so many years."""
    costs = costs_of(house)
    events = tuple(event for event in costs.events if years is None or event.year <= years)
    installed = costs.installed * price / 100.0
    rebate = min(costs.rebate, installed + costs.fees + costs.roof_and_panelboard_work)
    return replace(costs, installed=installed, rebate=rebate, events=events)


@lru_cache(maxsize=512)
def net_flow(house, price=100, growth=None, rule=OWN):
    """Return the yearly net flow for a price [% of the file's] and a yearly price growth [%]; see `bills.net_flow`."""
    growth = house.outlook.price_growth if growth is None else growth / 100.0
    return house_bills.net_flow(house, priced(house, price), rules(house)[rule], growth)


def flow_picture(house):
    """Return the picture of the years: price, growth, discount, rule -> each year's money, two running sums, paybacks."""
    years, step = house.outlook.years, max(1, house.outlook.years // 5)
    ends = [net_flow(house, price, growth, rule) for price in (50, 150) for growth in (-2, 5) for rule in rules(house)]
    sums = np.cumsum(ends, axis=1)
    high, low = max(sums.max(), 1.0), min(sums.min(), -1.0)
    later = np.array(ends)[:, 1:]
    figure, (upper, lower) = new_figure(2, 1, left=0.115, top=0.97, bottom=0.17, hspace=0.1, height_ratios=(1, 1.9))
    for ax, top, bottom in ((upper, later.max(), later.min()), (lower, high, low)):
        room = max(top, 1.0) - min(bottom, 0.0)
        words, below = ("a year ($)", 0.06) if ax is upper else ("so far ($)", 0.18)
        zero_based(ax, max(top, 1.0) + 0.12 * room, words, min(bottom, 0.0) - below * room)
        ax.axhline(0, color=INK, linewidth=1.2)
        ax.set_xlim(-0.6, years + 0.6)
        ax.set_xticks(range(0, years + 1, step))
        ax.tick_params(axis="x", labelbottom=ax is lower)
        ax.yaxis.set_major_formatter(WITH_COMMAS)
    lower.set_xlabel("years after buying")
    first_saving = {
        rule: house_bills.owner_cash_flow(house, costs_of(house), tariff).loc[1, "saving"]
        for rule, tariff in rules(house).items()
    }
    year = np.arange(years + 1)
    rows = boxes(upper, "money", hatch="")
    first = direct_label(upper, 0.6, upper.get_ylim()[1], "", "money", size=TICK_PT, va="top")
    plain = line(lower, "money", year, 0.0 * year, linestyle="-")
    worth = line(lower, "loss", year, 0.0 * year)
    marks = [
        line(lower, role, [0], [0], marker=shape, markersize=12, linestyle="none", color=INK)
        for role, shape in (("money", "o"), ("loss", "s"))
    ]
    names = [
        direct_label(lower, years, 0, words, role, ha="right", va=va)
        for words, role, va in (("running sum", "money", "bottom"), ("discounted", "loss", "top"))
    ]

    def update(price, growth, rate, rule):
        flow = net_flow(house, price, growth, rule)
        now = money.discounted(rate / 100.0, flow)
        move_columns(rows, 0.0 * flow, np.where(year > 0, flow, 0.0), year)
        first.set_text(f"year 0, not drawn: {signed(flow[0])}")
        for curve, name, values, side in ((plain, names[0], flow, 1), (worth, names[1], now, -1)):
            total = np.cumsum(values)
            curve.set_data(year, total)
            at = int(0.8 * years)
            edge = total[at:].max() if side > 0 else total[at:].min()
            name.set_position((years, np.clip(edge + side * 0.03 * (high - low), low, high)))
        back = (money.payback(flow), money.payback(flow, rate / 100.0))
        for mark, at in zip(marks, back):
            mark.set_data([0 if np.isnan(at) else at], [0])
            mark.set_visible(not np.isnan(at))
        costs = priced(house, price)
        running = costs.upkeep_per_year + costs.insurance_and_tax_per_year
        simple = money.simple_payback(costs.outlay - costs.rebate, first_saving[rule], running)
        return (
            f"{_capital(rule)}, price {price} %: simple payback {when(simple)}, running sum {when(back[0])} (for good: "
            f"{when(money.payback(flow, lasting=True))}), discounted at {rate:g} % {when(back[1])}. "
            f"Net {signed(flow.sum())} in all, worth {signed(now.sum())} today."
        )

    return Picture(figure, [rows, first, plain, worth, marks, names], update)


def _capital(words):
    return words[0].upper() + words[1:]


def signed(amount):
    """Return an amount of money in words, with its sign."""
    return f"{amount:+,.0f} $".replace("-", "−")


def when(years):
    """Return a payback in words."""
    return "never" if np.isnan(years) else f"{years:.1f} years"


# ---------------------------------------------------------------- part 3: net present value


def deal_flow(house, deal, price=100, growth=None):
    """Return the flow of one of `DEALS`; the last is an invented contract of the same outlay."""
    if deal == "large last bill":
        return costs_of(house).outlay * np.array([-1.0, *[0.20] * 19, 0.20 - 3.30])
    if deal == "this house":
        return net_flow(house, price, growth)
    costs = priced(house, price)
    loan = Loan(costs.outlay - costs.rebate, LOAN_RATE, min(LOAN_YEARS, house.outlook.years))
    growth = house.outlook.price_growth if growth is None else growth / 100.0
    return house_bills.net_flow(house, costs, price_growth=growth, loan=loan)


def curve_picture(house):
    """Return the picture of net present value over the discount rate: price, growth, rate, deal -> curve and zeros."""
    rates = np.linspace(0, 20, 161)
    outlay = max(costs_of(house).outlay, 1.0)
    figure, ax = new_figure(left=0.1)
    ax.set(xlim=(0, 20), xlabel="discount rate (% a year)")
    ax.set_xticks(range(0, 21, 2))
    zero_based(ax, 150, "net present value (% of outlay)", -80)
    ax.set_yticks(range(-50, 151, 50))
    ax.yaxis.label.set_size(TICK_PT)
    ax.axhline(0, color=INK, linewidth=1.5)
    curve = line(ax, "money", rates, 0 * rates, linestyle="-")
    here = line(ax, "money", [0, 0], [-80, 150], linewidth=2.0)
    zeros = line(ax, "load", [0], [0], marker="o", markersize=13, linestyle="none")
    name = direct_label(ax, 0, 146, "", "money", va="top")
    found = [direct_label(ax, 0, 4, "", va="bottom", ha="center") for _ in range(2)]

    def update(price, growth, rate, deal):
        flow = deal_flow(house, deal, price, growth)
        values = 100.0 * money.npv_curve(flow, rates / 100.0).to_numpy() / outlay
        curve.set_data(rates, values)
        here.set_xdata([rate, rate])
        worth = float(money.net_present_value(rate / 100.0, flow))
        name.set_text(f"at {rate:g} %: {signed(worth)}")
        name.set(x=rate + (0.2 if rate < 14 else -0.2), ha="left" if rate < 14 else "right")
        roots = [100 * root for root in money.internal_rates(flow)]
        shown = [root for root in roots if 0 <= root <= 20 and flow[0] < 0][:2]
        zeros.set_data(shown or [0], [0] * max(len(shown), 1))
        zeros.set_visible(bool(shown))
        for text, root in zip(found, [*shown, None, None]):
            text.set_visible(root is not None)
            if root is not None:
                text.set_text(f"{root:.1f} %")
                rising = (
                    values[min(np.searchsorted(rates, root), 160)] > values[max(np.searchsorted(rates, root) - 1, 0)]
                )
                text.set(x=np.clip(root + 0.9, 1.0, 19.0), y=-5 if rising else 5, va="top" if rising else "bottom")
        return (
            f"{_capital(deal)}, discount rate {rate:g} %: net present value {signed(worth)}. {_rate_words(flow, roots)}"
        )

    return Picture(figure, [curve, here, zeros, name, found], update)


def _rate_words(flow, roots):
    """Say whether an internal rate of return exists."""
    if flow[0] >= 0:
        return "Nothing is paid at the start, so there is no internal rate of return."
    if len(roots) > 1:
        zeros = " and ".join(f"{root:.1f} %" for root in roots)
        return f"The curve is zero at {zeros}: there is no one internal rate. Read the curve."
    if not roots:
        return "The curve is never zero: no internal rate."
    return f"The curve is zero once, at {roots[0]:.1f} %: the internal rate of return."
