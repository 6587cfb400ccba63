"""Lesson 04: the energies of a house by month, its register readings, and the rules its bills follow."""

from dataclasses import replace
from functools import lru_cache

import numpy as np
import pandas as pd

from solarlib.bill.accounts import ledger
from solarlib.bill.reset import fit_sinusoid, lost_by_reset_month, sinusoid_season
from solarlib.bill.reset_years import years_from_days
from solarlib.bill.tariff import read_tariff
from solarlib.house import bills as house_bills
from solarlib.lessons.tools.figures import MONTHS
from solarlib.meter.registers import registers
from solarlib.quantities import texts_beside

NEVER = "never"
MADE_YEARS = 30
# Rules to compare in part 3: words on the buttons -> name of the tariff, see `tariff_named`.
OTHER_RULES = {
    "house file": "own",
    "fee on delivered": "flat-bank-unavoidable-part",
    "export at 0.05": "flat-net-billing-5-cents",
    "capacity, tax": "days-blocks-capacity",
}
TEXTS = texts_beside(__file__, "texts")


@lru_cache(maxsize=512)
def months(house, size=100, tariff=None):
    """Return the twelve months of the typical year for an array size in percent; see `bills.months`."""
    return house_bills.months(house, size / 100.0, tariff)


def two_years(house, size=100, start="Jan", tariff=None):
    """Return the typical year twice, month by month; before the month `start` of the first year there is no array."""
    if tariff is not None and not _needs_hours(tariff):
        tariff = None  # the monthly sums are enough, and known already
    after, before = months(house, size, tariff), months(house, 0, tariff)
    first = MONTHS.index(start)
    return house_bills.two_years(pd.concat([before.iloc[:first], after.iloc[first:]]), after)


def _needs_hours(tariff):
    credit = tariff.credit
    return bool(
        tariff.buckets
        or credit.netting not in ("period", "none")
        or credit.export_limit_kw is not None
        or (credit.export_price and credit.export_price.by_interval)
        or any(charge.on == "demand" for charge in tariff.charges)
    )


@lru_cache(maxsize=256)
def surplus_of(house, size=100):
    """Return received minus delivered energy of the twelve months, January first. [kWh]"""
    table = months(house, size)
    return (table["received_kwh"] - table["delivered_kwh"]).to_numpy()


@lru_cache(maxsize=64)
def _drawn(house, drawing):
    """Return (generation, use) of `MADE_YEARS` years, each with its months. [kWh], (years, 12)"""
    days = np.stack([energy.resample("D").sum().to_numpy() for energy in house_bills.hourly(house)])
    return years_from_days(days, np.random.default_rng(drawing), MADE_YEARS)


def made_years(house, size=100, drawing=1):
    """Return the surplus of years put together from the days of the typical year; see `reset_years.years_from_days`.

    `drawing` names the draw. [kWh], (years, 12)
    """
    made, used = _drawn(house, drawing)
    return made * size / 100.0 - used


@lru_cache(maxsize=8)
def sizes(house):
    """Return the largest array size of this lesson: one that makes about 15 % more than the house uses. [%]"""
    made, used = (energy.sum() for energy in house_bills.hourly(house))
    return int(np.clip(10 * round(11.5 * used / made), 120, 300)) if made > 0 else 200


def steps(house):
    """Return every array size that the controls of this lesson can take. [%]"""
    return range(0, sizes(house) + 1, 5)


def bank_rules(house):
    """Return the rules of parts 2 and 4: the house's own if they bank kWh, else a shipped kWh bank."""
    tariff = house.tariff if house.tariff.credit.unit == "kWh" else read_tariff("kwh-bank-march")
    return replace(tariff, valid_from=None, valid_to=None)


def reset_of(house):
    """Return the month after whose bill the bank is emptied, as a short name, or "never"."""
    credit = bank_rules(house).credit
    emptied = credit.reset_anchor and credit.at_reset not in (None, "roll")
    return MONTHS[credit.reset_anchor[0] - 1] if emptied else NEVER


def reset_choices(house):
    """Return the months after whose bill the bank may be emptied; "never" too if that is the house's own rule."""
    return [*MONTHS] + [NEVER] * (reset_of(house) == NEVER)


def without_reset(house):
    """Return a sentence where the house's own rule empties no bank, else nothing."""
    if house.tariff.credit.unit != "kWh":
        return " This house's own rule keeps no kWh."
    return " This house's own rule never empties the bank." if reset_of(house) == NEVER else ""


@lru_cache(maxsize=64)
def rules_with_reset(house, reset):
    """Return `bank_rules` with the bank emptied after another month's bill, or never."""
    tariff = bank_rules(house)
    action = tariff.credit.at_reset
    month = None if reset == NEVER else MONTHS.index(reset) + 1
    return replace(tariff, credit=tariff.credit.with_reset(month, "forfeit" if action in (None, "roll") else action))


@lru_cache(maxsize=1024)
def book_of(house, tariff, size=100, start="Jan"):
    """Return the ledger of two years under a tariff; see `accounts.ledger`. Computed once: do not change it."""
    return ledger(two_years(house, size, start, tariff), tariff, compare=False, **ratings(house, size))


def ratings(house, size=100):
    """Return the array's ratings for a size in percent; see `bills.ratings`. [kW]"""
    return house_bills.ratings(house, size / 100.0)


def facts(house):
    """Return a table of what the tariff of a house file says. One row a fact."""
    tariff, credit = house.tariff, house.tariff.credit
    rows = {"rules": tariff.name}
    for charge in tariff.charges:
        prices = [charge.price] if charge.price is not None else [block.price for block in charge.blocks]
        rows[charge.line] = f"{' then '.join(f'{float(price):g}' for price in prices)} {TEXTS['for_each'][charge.on]}"
    rows["surplus"] = {"kWh": "goes into a bank of kWh", "money": "earns money", "none": "earns nothing"}[credit.unit]
    if credit.unit == "kWh":
        rows["bank emptied after"] = f"the {reset_of(house)} bill" if reset_of(house) != NEVER else NEVER
    else:
        rows["parts 2 and 4 use"] = bank_rules(house).name
    rows["note"] = tariff.note or "Check your own tariff sheet."
    return pd.DataFrame({"what the house file says": rows})


def energy_price(house):
    """Return the price of one more kWh bought after netting and the bank: the dearest block of each line. [$/kWh]"""
    lines = [charge for charge in bank_rules(house).charges if charge.on == "billed"]
    first = next((charge.bucket for charge in lines if charge.bucket), None)
    prices = [
        max(block.price for block in charge.blocks) if charge.blocks else charge.price
        for charge in lines
        if charge.bucket in (None, first)
    ]
    return float(sum(prices))


def reading_sheet(house, size=100):
    """Return what the registers show on the first day of each month and after the year. [whole kWh]

    The delivered register is set so that it passes 99...9 within the third month.
    """
    made, used = house_bills.hourly(house)
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


def smooth_year(surplus_kwh):
    """Say what the worst date loses when the surplus is smoothed to one wave a year; see `reset.sinusoid_loss`."""
    mean, swing, _ = fit_sinusoid(surplus_kwh)
    if abs(mean) >= swing:
        return "Smoothed to one wave, this year never changes between surplus and shortage, so no date would matter."
    season, lost = sinusoid_season(mean, swing)[0], lost_by_reset_month(surplus_kwh)
    return (
        f"Smoothed to one wave, the worst date loses {season:,.0f} kWh and the best {max(0.0, mean):,.0f} kWh; "
        f"month by month it is {lost.max():,.0f} and {lost.min():,.0f} kWh."
    )
