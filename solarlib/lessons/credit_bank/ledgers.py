"""The energies of a house by month, its register readings, and the rules its bills follow."""

from dataclasses import replace
from functools import lru_cache

import numpy as np
import pandas as pd

from solarlib.bill import spendable_kwh
from solarlib.bill.accounts import ledger
from solarlib.bill.reset import lost_by_reset_month, why_no_law
from solarlib.bill.tariff_file import read_tariff
from solarlib.house import year_bills
from solarlib.lessons.tools.figures import MONTHS
from solarlib.meter.registers import registers
from solarlib.quantities import texts_beside

NEVER = "never"
HALF_CENT = 0.005
TEXTS = texts_beside(__file__, "texts")
OTHER_RULES = TEXTS["other_rules"]  # to compare bills: words on the buttons -> name as for `tariff_named`


def months(house, size=100, tariff=None):
    """Return the bills of the typical year for an array size in percent, by default twelve; see `year_bills.months`."""
    return year_bills.months(house, size / 100.0, tariff)


def two_years(house, size=100, start="Jan", tariff=None):
    """Return the typical year twice, bill by bill; before the bill with the month `start` there is no array.

    Computed once for all resets of a tariff, which change no energy: do not change it.
    """
    kept = tariff and replace(tariff, credit=tariff.credit.with_reset(None, None))
    return _two_years(house, size, start, kept)


@lru_cache(maxsize=256)
def _two_years(house, size, start, tariff):
    after, before = months(house, size, tariff), months(house, 0, tariff)
    first = MONTHS.index(start) * len(after) // 12
    return year_bills.two_years(pd.concat([before.iloc[:first], after.iloc[first:]]), after)


@lru_cache(maxsize=256)
def surplus_of(house, size=100):
    """Return received minus delivered energy of the twelve months, January first. [kWh]"""
    table = months(house, size)
    return (table["received_kwh"] - table["delivered_kwh"]).to_numpy()


@lru_cache(maxsize=8)
def sizes(house):
    """Return the largest array size of this lesson: one that makes about 15 % more than the house uses. [%]"""
    made, used = (energy.sum() for energy in year_bills.hourly(house))
    return int(np.clip(10 * round(11.5 * used / made), 120, 300)) if made > 0 else 200


def steps(house):
    """Return every array size that the controls of this lesson can take. [%]"""
    return range(0, sizes(house) + 1, 5)


def bank_rules(house):
    """Return the rules of parts 2 and 4: the house's own if they bank kWh, else a shipped kWh bank."""
    tariff = house.tariff if house.tariff.credit.unit == "kWh" else read_tariff("kwh-bank-march")
    return replace(tariff, valid_from=None, valid_to=None)


def made_minutes(house):
    """Return what `simulate` takes beside the house: nothing for hours, made minutes for rules finer than that."""
    finer = year_bills.basis(house, bank_rules(house))
    return ("1min", np.random.default_rng(year_bills.CLOUDS)) if finer else ()


def reset_of(house):
    """Return the month whose bill empties the bank, the first of them if several do, as a short name, or "never"."""
    tariff = bank_rules(house)
    credit = tariff.credit
    if credit.at_reset in (None, "roll"):
        return NEVER
    if credit.reset_bills:
        return MONTHS[((credit.reset_first_bill or credit.reset_bills) * tariff.months_per_bill - 1) % 12]
    return MONTHS[credit.reset_anchor[0] - 1]


def reset_choices(house):
    """Return the months after whose bill the bank may be emptied; "never" too if that is the house's own rule."""
    return [*MONTHS] + [NEVER] * (reset_of(house) == NEVER)


def without_reset(house):
    """Return a sentence where the house's own rule empties no bank, else nothing."""
    if house.tariff.credit.unit != "kWh":
        return " This house's own rule keeps no kWh."
    return " This house's own rule never empties the bank." if reset_of(house) == NEVER else ""


def yearly_reset(house, month):
    """Return `bank_rules` with the bank emptied each year after the bill that holds this month."""
    tariff, action = bank_rules(house), bank_rules(house).credit.at_reset
    kept = "forfeit" if action in (None, "roll") else action
    return replace(tariff, credit=tariff.credit.with_reset(MONTHS.index(month) + 1, kept))


@lru_cache(maxsize=64)
def rules_with_reset(house, reset):
    """Return `bank_rules` with the bank emptied after another month's bill, as often as there, or never."""
    tariff, own = bank_rules(house), bank_rules(house).credit
    if reset == NEVER:
        return replace(tariff, credit=own.with_reset(None, None))
    yearly = yearly_reset(house, reset)
    if not own.reset_bills:
        return replace(yearly, credit=replace(yearly.credit, reset_every_years=own.reset_every_years))
    number = -(-(MONTHS.index(reset) + 1) // tariff.months_per_bill)  # of the bill that holds this month
    first = (number - 1) % own.reset_bills + 1
    return replace(tariff, credit=replace(own, reset_first_bill=first, at_reset=yearly.credit.at_reset))


@lru_cache(maxsize=1024)
def book_of(house, tariff, size=100, start="Jan"):
    """Return the ledger of two years under a tariff; see `accounts.ledger`. Computed once: do not change it."""
    return ledger(two_years(house, size, start, tariff), tariff, **ratings(house, size))


def second_year(house, tariff, size=100):
    """Return the bills of the second year of `book_of`."""
    book = book_of(house, tariff, size)
    return book.iloc[len(book) // 2 :]


@lru_cache(maxsize=2048)
def settled(house, tariff, size=100):
    """Return kWh taken at resets, what is paid out for them, and the bills: of a mean year, after the bank settled."""
    years, book = year_bills.cycle(tariff), book_of(house, tariff, size)
    if years > 1:
        year, edges = months(house, size, tariff), ("period_start", "period_end")
        each = (pd.DateOffset(years=number) for number in range(2 * years))
        every = [year.assign(**{edge: year[edge] + later for edge in edges}) for later in each]
        book = ledger(pd.concat(every, ignore_index=True), tariff, **ratings(house, size))
    rows = book.iloc[len(book) // 2 :]
    return tuple(float(rows[name].sum()) / years for name in ("credit_reset", "payout", "bill"))


@lru_cache(maxsize=128)
def by_reset(house, size=100):
    """Return what a reset after each month's bill does under `bank_rules`, from the bills of that house.

    Returns
    -------
    DataFrame, 12 rows labelled Jan to Dec
        ``taken_kwh`` at the resets of a mean year, ``payout`` for it, ``bill``, the sum of the bills, ``dearer``, what
        they are above the lowest of the twelve, and ``best``, true where that is less than half a cent.
    """
    found = [settled(house, rules_with_reset(house, month), size) for month in MONTHS]
    table = pd.DataFrame(found, index=list(MONTHS), columns=["taken_kwh", "payout", "bill"])
    dearer = table["bill"] - table["bill"].min()
    return table.assign(dearer=dearer, best=dearer < HALF_CENT)


def ratings(house, size=100):
    """Return the array's ratings for a size in percent; see `year_bills.ratings`. [kW]"""
    return year_bills.ratings(house, size / 100.0)


def reading_sheet(house, size=100):
    """Return what the registers show on the first day of each month and after the year. [whole kWh]

    The delivered register is set so that it passes 99...9 within the third month.
    """
    made, used = year_bills.hourly(house)
    made = made * size / 100.0
    digits = house.meter.digits
    own = months(house)["delivered_kwh"].to_numpy()
    start = (-int(own[0] + own[1] + 0.5 * own[2]) % 10**digits, 4321 % 10**digits)
    instants = [*months(house)["period_start"], months(house)["period_end"].iloc[-1]]
    sheet = registers(used - made, digits, start).loc[instants]
    sheet["generation_kwh"] = registers(-made, digits)["received_kwh"].loc[instants]
    sheet.columns = ["delivered", "received", "generation"]
    sheet.index = [f"1 {month}" for month in MONTHS] + ["end of Dec"]
    return sheet


def tariff_named(house, name):
    """Return the house file's own tariff ("own") or a shipped one by its name, valid in every year."""
    return replace(house.tariff if name == "own" else read_tariff(name), valid_from=None, valid_to=None)


def pencil(surplus_kwh, reset="Dec"):
    """Return the twelve bills before a reset as a class reckons them: running sums in whole kWh, an empty jar first."""
    order = [(MONTHS.index(reset) + 1 + i) % 12 for i in range(12)]
    surplus = np.diff(np.rint(np.cumsum([0.0, *np.asarray(surplus_kwh)[order]]))).astype(int)
    total = np.cumsum(surplus)
    jar = total - np.minimum(0, np.minimum.accumulate(total))
    bought = np.diff(np.maximum(0, np.maximum.accumulate(-total)), prepend=0)
    backwards = np.cumsum(surplus[::-1])[::-1]
    names = ("surplus", "jar after", "bought", f"sum to {reset}")
    return pd.DataFrame(dict(zip(names, (surplus, jar, bought, backwards))), index=[MONTHS[month] for month in order])


def law(house):
    """Say whether the law of the last twelve months holds for a house's rules, and what more follows where it does.

    See `reset.lost_by_reset_month` and `reset.spendable_kwh`.
    """
    broken = [TEXTS["why_no_law"][condition] for condition in why_no_law(rules_with_reset(house, "Dec"))]
    if broken:
        return f"The largest sum is not what these rules take: {'; '.join(broken)}. Only the bills tell."
    surplus = surplus_of(house)
    lost = lost_by_reset_month(surplus)
    worst = int(lost.argmax())
    spare = spendable_kwh(surplus, worst + 1)[worst]
    return f"Before the worst reset, {MONTHS[worst]}, {spare:,.0f} kWh can be used without buying any."
