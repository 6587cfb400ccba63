"""Three bills, years of money, the curve of net present value."""

from dataclasses import replace
from functools import lru_cache
from types import SimpleNamespace

import numpy as np
from matplotlib.ticker import StrMethodFormatter

from solarlib.bill.tariff_file import read_tariff
from solarlib.house import bills
from solarlib.house.file import Growth, PricePath
from solarlib.house.year_bills import basis, year_energies
from solarlib.lessons.tools import Picture, figures
from solarlib.quantities import counted, dollars, in_form, texts_beside
from solarlib.worth import money
from solarlib.worth.lifetime import Costs, Loan

CAPTIONS = texts_beside(__file__, "captions")
OWN, THIRD, UNPAID, SOLD = "own rule", "export at 1/3", "export unpaid", "all sold at 2/3"
SHIPPED_RULES = {"kWh bank": "flat-bank-forfeit", UNPAID: "flat-no-credit", THIRD: "flat-net-billing-5-cents"}
SHIPPED_RULES |= {SOLD: "flat-buy-all-sell-all"}
SHAPE_PRICE = 0.15  # $/kWh of those files
DEALS = ("this house", "all on credit", "large last bill")
LOAN_RATE, LOAN_YEARS = 0.06, 15
STAND_IN_PER_WATT, STAND_IN_UPKEEP_PER_KW = 2.60, 14.0  # invented, like the costs of the shipped houses
WITH_COMMAS = StrMethodFormatter("{x:,.0f}")


def costs_of(house):
    """Return the costs of the house file, or invented ones where it names none."""
    if house.costs is not None:
        return house.costs
    watts, growth = house.system.rated_power_w, house.outlook.inflation
    upkeep = round(STAND_IN_UPKEEP_PER_KW * watts / 1000.0, 2)
    return Costs(installed=round(STAND_IN_PER_WATT * watts, 2), growth=growth, upkeep_per_year=upkeep)


def facts(house):
    """Return what the lesson assumes about money, in sentences."""
    costs, view = costs_of(house), house.outlook
    known = "" if house.costs else "The house file has no table [costs], so these costs are invented. Enter your own.\n"
    later = "".join(f", {event.name} in year {event.year} for {dollars(event.cost, 0)}" for event in costs.events)
    ends = {"sold for": costs.residual, "removed for": costs.removal}
    later += "".join(f", {words} {dollars(amount, 0)} in the last year" for words, amount in ends.items() if amount)
    rates = f"discount rate {100 * view.discount_rate:g} %, inflation {100 * view.inflation:g} % a year"
    since = [f" from {rule.valid_from}" if rule.valid_from else "" for rule in house.tariffs]
    names = [f"rule{day}: {rule.name}; {rule.note or 'no note'}\n" for day, rule in zip(since, house.tariffs)]
    return (
        f"{known}outlay {dollars(costs.outlay, 0)} ({dollars(costs.outlay / house.system.rated_power_w)} per W of "
        f"modules), rebate {dollars(costs.rebate, 0)}, {_credit(costs, view.years)}upkeep "
        f"{dollars(_running(costs), 0)} a year{later}\n"
        f"{counted(view.years, 'year')}; {rates}; prices: {_growth(view)}\n"
        f"{''.join(names)}{basis(house)}"
    ).rstrip("\n")


def _running(costs):
    return costs.upkeep_per_year + costs.insurance_and_tax_per_year


def _credit(costs, years):
    """Say what a tax credit gives back; nothing where there is none."""
    if not costs.tax_credit_share:
        return ""
    whole, used = costs.tax_credit_share * costs.tax_credit_base, costs.tax_credits(years).sum()
    base = f"tax credit {100 * costs.tax_credit_share:g} % of {dollars(costs.tax_credit_base, 0)}"
    return f"{base}: {dollars(whole, 0)}, of which the tax owed lets {dollars(used, 0)} be used, "


def _growth(view):
    """Say how prices go on: all alike, or kinds of them in their own way."""
    rest = f"{100 * view.price_growth:+g} % a year"
    words = []
    for kind, path in vars(view.growth).items():
        rate = rest if path.rate is None else f"{100 * path.rate:+g} % a year"
        held = f"as today for {counted(path.held_years, 'year')}, then " if path.held_years > 1 else ""
        if path != PricePath():
            words.append(f"{kind} {held}{rate if path.then is None else f'${path.then}'}")
    return in_form(", ".join([*words, f"{'all others' if words else 'all'} {rest}"]))


@lru_cache(maxsize=8)
def rules(house):
    """Return {words: tariff} of four billing rules; the shipped ones at the price level of the house. None: its own."""
    second = UNPAID if house.tariff.credit.unit == "kWh" else "kWh bank"
    level = round(max(bills.avoided_price(house), 0.0) / SHAPE_PRICE, 6)
    others = {words: read_tariff(SHIPPED_RULES[words]) for words in (second, THIRD, SOLD)}
    return {OWN: None} | {words: bills.at_price_level(tariff, level) for words, tariff in others.items()}


def start_values(house):
    """Return (least, most, step, start) of sliders that start at the outlook of the house, whose values all hold."""
    view = house.outlook

    def around(share, low, high):
        start = _stepped(share)
        return min(low, float(np.floor(start))), max(high, float(np.ceil(start))), 0.1, start

    return SimpleNamespace(
        growth=around(view.price_growth, -2.0, 5.0),
        rate=around(view.discount_rate, 0.0, 12.0),
        curve_rate=around(view.discount_rate, 0.0, 20.0),
        growth_of="Growth of all prices" if view.growth == Growth() else "Growth, other prices",
    )


def exact(value, own):
    """Return a slider's value [%] as a share: that of the house file, `own`, where it stands at its step."""
    return own if abs(value - _stepped(own)) < 1e-6 else value / 100.0


def _stepped(share):
    return round(100 * share, 1)


# ---------------------------------------------------------------- three bills

BARS = ("bill without array", "self-used energy", "exported energy", "bill with array", "price × generation")
BAR_ROLES = ("money", "pv", "export", "money", "loss")


def saving_picture(house):
    """Return the picture of a year's bills: size, rule -> bill without, what two parts save, bill with; price x kWh."""
    tariffs, price, none = rules(house), bills.avoided_price(house), bills.bill_without_array(house)
    made = year_energies(house)["generation"]
    low = min(0.0, *(bills.bill_with_array(house, 1.0, tariff, 2.0) for tariff in tariffs.values()))
    span = max(none, 2.0 * price * made, 1.0) - low
    figure, ax = figures.new_figure(left=0.215, right=0.97, top=0.98)
    ax.set(xlim=(low - 0.03 * span, low + 1.2 * span), xlabel="money in the first year ($)")
    figures.rows_axis(ax, range(5), BARS, (4.6, -0.6))
    ax.axvline(0, color=figures.INK, linewidth=1.2)
    ax.xaxis.set_major_formatter(WITH_COMMAS)
    rows = [ax.barh(row, 0.0, height=0.66, **figures.filled(role))[0] for row, role in enumerate(BAR_ROLES)]
    words = [figures.direct_label(ax, 0, row, "", role, va="center") for row, role in enumerate(BAR_ROLES)]

    def update(size, rule):
        own, out, saved = bills.saving(house, tariffs[rule], size / 100.0)
        without, claim = bills.bill_without_array(house, tariffs[rule]), price * made * size / 100.0
        middle, left = without - own, without - saved
        spans = ((0, without), (middle, without), (left, middle), (0, left), (0, claim))
        for box, text, role, (start, end) in zip(rows, words, BAR_ROLES, spans):
            box.set(x=start, width=end - start)
            text.set_text(dollars(start - end if role in ("pv", "export") else end, 0))
            text.set_x(max(start, end, 0.0) + 0.012 * span)
        amounts = {"without": without, "left": left, "saved": saved, "own": own, "out": out}
        told = {name: dollars(amount, 0) for name, amount in amounts.items()}
        return CAPTIONS["saving"].format(**told)

    return Picture(figure, [rows, words], update, slow=True)


# ---------------------------------------------------------------- years of money


def priced(house, price, years=None):
    """Return the costs with another price of the array [% of the file's], and only the events of so many years."""
    costs = costs_of(house)
    events = tuple(event for event in costs.events if years is None or event.year <= years)
    installed = costs.installed * price / 100.0
    rebate = min(costs.rebate, installed + costs.fees + costs.roof_and_panelboard_work)
    share = costs.tax_credit_share if years is None or costs.tax_credit_year <= years else 0.0
    return replace(costs, installed=installed, rebate=rebate, events=events, tax_credit_share=share)


@lru_cache(maxsize=512)
def flow_at(house, price=100, growth=None, rule=OWN, loan=None):
    """Return the net flow for a price [% of the file's] and a yearly price growth [%]; see `bills.net_flow`."""
    growth = None if growth is None else exact(growth, house.outlook.price_growth)
    course = bills.Course(rules(house)[rule], growth, loan=loan)
    return bills.net_flow(house, priced(house, price), course)


def _years_axes(years, sums, yearly):
    """Return a figure with each year's money above and the running sum below, wide enough for all settings."""
    figure, axes = figures.new_figure(2, 1, left=0.115, top=0.97, bottom=0.17, hspace=0.1, height_ratios=(1, 1.9))
    words, below = ("a year ($)", "so far ($)"), (0.06, 0.18)
    for ax, values, label, gap in zip(axes, (yearly, sums), words, below):
        top, bottom = max(values.max(), 1.0), min(values.min(), 0.0)
        figures.zero_based(ax, top + 0.12 * (top - bottom), label, bottom - gap * (top - bottom))
        ax.axhline(0, color=figures.INK, linewidth=1.2)
        ax.set(xlim=(-0.6, years + 0.6), xticks=range(0, years + 1, max(1, years // 5)))
        ax.tick_params(axis="x", labelbottom=ax is axes[1])
        ax.yaxis.set_major_formatter(WITH_COMMAS)
    axes[1].set_xlabel("years after buying")
    return figure, axes


def flow_picture(house):
    """Return the picture of the years: price, growth, discount, rule -> a year's money, two running sums, paybacks."""
    years, costs = house.outlook.years, costs_of(house)
    tariffs, growths = rules(house), start_values(house).growth[:2]
    ends = [flow_at(house, price, growth, rule) for price in (50, 150) for growth in growths for rule in tariffs]
    sums = np.cumsum(ends, axis=1)
    high, low = max(sums.max(), 1.0), min(sums.min(), -1.0)
    figure, (upper, lower) = _years_axes(years, np.array([low, *sums.ravel()]), np.array(ends)[:, 1:])
    flows = {rule: bills.owner_cash_flow(house, costs, bills.Course(tariff)) for rule, tariff in tariffs.items()}
    year = np.arange(years + 1)
    rows = figures.boxes(upper, "money", hatch="")
    first = figures.direct_label(upper, 0.6, upper.get_ylim()[1], "", "money", size=figures.TICK_PT, va="top")
    curves = [figures.line(lower, role, year, 0.0 * year) for role in ("money", "loss")]
    curves[0].set_linestyle("-")
    marks = [figures.spot(lower, 12, shape) for shape in ("o", "s")]
    sides = (("running sum", "money", "bottom"), ("discounted", "loss", "top"))
    names = [figures.direct_label(lower, years, 0, words, role, ha="right", va=va) for words, role, va in sides]

    def update(price, growth, rate, rule):
        flow, rate = flow_at(house, price, growth, rule), exact(rate, house.outlook.discount_rate)
        now, good = money.discounted(rate, flow), bills.good_to(house, tariffs[rule])
        figures.move_columns(rows, 0.0 * flow, np.where(year > 0, flow, 0.0), year)
        first.set_text(f"year 0, not drawn: {signed(flow[0])}")
        for curve, name, values, side in zip(curves, names, (flow, now), (1, -1)):
            total = np.cumsum(values)
            curve.set_data(year, total)
            edge = side * (side * total[int(0.8 * years) :]).max()
            name.set_position((years, np.clip(edge + side * 0.03 * (high - low), low, high)))
        back = (money.payback(flow), money.payback(flow, rate))
        for mark, at in zip(marks, back):
            mark.set_data([0 if np.isnan(at) else at], [0])
            mark.set_visible(not np.isnan(at))
        paid = priced(house, price)
        outlay = paid.outlay - paid.rebate - paid.tax_credits(years).sum()
        simple = money.simple_payback(outlay, flows[rule].loc[1, "saving"], _running(paid))
        soon, lasting, late = (paid_back(flow, good, *how) for how in ((0.0,), (0.0, True), (rate,)))
        paybacks = {"simple": when(simple), "soon": soon, "lasting": lasting, "late": late, "rate": 100 * rate}
        return CAPTIONS["flow"].format(today=worth(flow, good, rate), **paybacks)

    return Picture(figure, [rows, first, curves, marks, names], update)


def _capital(words):
    return words[0].upper() + words[1:]


def signed(amount, tolerance=0.0):
    """Return an amount of money in words: with its sign, and about zero where it is less than what it is good to."""
    words = ("+" if round(amount) > 0 else "") + dollars(amount, 0)
    return f"about zero ({words})" if abs(amount) < tolerance else words


def worth(flow, share, rate=0.0):
    """Return the net present value of a flow in words, its incomes being good to a share; see `bills.good_to`."""
    return signed(float(money.net_present_value(rate, flow)), float(money.tolerance(rate, flow, share)))


def near_zero(house, price, rate, rule=OWN):
    """Return below what the net present value of the house under one of `rules` is about zero. [$]"""
    share = bills.good_to(house, rules(house)[rule])
    return float(money.tolerance(rate, flow_at(house, price, None, rule), share))


def when(years):
    """Return a payback in words."""
    return "never" if np.isnan(years) else f"{years + 0.0:.1f} years"


def paid_back(flow, share, rate=0.0, lasting=False):
    """Say when a flow is paid back: about when, where incomes a share less would never pay it back but more do."""
    more, less = (money.payback(flow + side * share * np.maximum(flow, 0.0), rate, lasting) for side in (1, -1))
    about = np.isnan(less) and not np.isnan(more)
    return f"about {more:.0f} years" if about else when(money.payback(flow, rate, lasting))


# ---------------------------------------------------------------- net present value


def deal_flow(house, deal):
    """Return the flow of one of `DEALS`; the last is an invented contract of the same outlay."""
    if deal == "large last bill":
        return costs_of(house).outlay * np.array([-1.0, *[0.20] * 19, 0.20 - 3.30])
    if deal == "this house":
        return flow_at(house)
    costs = costs_of(house)
    return flow_at(house, loan=Loan(costs.outlay - costs.rebate, LOAN_RATE, min(LOAN_YEARS, house.outlook.years)))


def curve_picture(house):
    """Return the picture of net present value over the discount rate: rate, deal -> curve and where it is zero."""
    least, most = start_values(house).curve_rate[:2]
    rates = np.linspace(least, most, 161)
    outlay, own_good = max(costs_of(house).outlay, 1.0), bills.good_to(house)
    figure, ax = figures.new_figure(left=0.1)
    ax.set(xlim=(least, most), xlabel="discount rate (% a year)")
    figures.zero_based(ax, 150, "net present value (% of outlay)", -80)
    ax.set_yticks(range(-50, 151, 50))
    ax.yaxis.label.set_size(figures.TICK_PT)
    ax.axhline(0, color=figures.INK, linewidth=1.5)
    curve = figures.line(ax, "money", rates, 0 * rates, linestyle="-")
    here = figures.line(ax, "money", [0, 0], [-80, 150], linewidth=2.0)
    zeros = figures.spot(ax)

    def update(rate, deal):
        flow = deal_flow(house, deal)
        curve.set_data(rates, 100.0 * money.net_present_value(rates / 100.0, flow) / outlay)
        here.set_xdata([rate, rate])
        rate = 100 * exact(rate, house.outlook.discount_rate)
        told = worth(flow, 0.0 if deal == DEALS[2] else own_good, rate / 100.0)
        roots = [100 * root for root in money.internal_rates(flow)]
        shown = [root for root in roots if least <= root <= most and flow[0] < 0]
        zeros.set_data(shown or [0], [0] * max(len(shown), 1))
        zeros.set_visible(bool(shown))
        said = f"{_capital(deal)}, at a discount rate of {rate:g} %, is worth {told} today."
        return f"{said} {_rate_words(flow, roots)}"

    return Picture(figure, [curve, here, zeros], update)


def _rate_words(flow, roots):
    """Say where the curve is zero [%], and whether that is an internal rate of return."""
    if flow[0] >= 0:
        return "Nothing is paid at the start, so there is no internal rate of return."
    if not roots:
        return "The curve is never zero: no internal rate."
    one = 100 * money.internal_rate(flow)
    zeros = [one] if not np.isnan(one) else [root for root in roots if root > -100 * money.NEAR_ZERO] or roots
    told = " and ".join(in_form(f"{root:.1f} %") for root in zeros)
    if np.isnan(one):
        return f"The curve is zero at {told}: there is no one internal rate. Read the curve."
    return f"The curve is zero once{' from 0 % on' if len(roots) > 1 else ''}, at {told}: the internal rate of return."
