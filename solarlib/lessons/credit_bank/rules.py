"""What the tariff of a house file says, in words and in numbers."""

import numpy as np
import pandas as pd

from solarlib.bill.contradictions import size_problems
from solarlib.house import year_bills
from solarlib.lessons.credit_bank.ledgers import NEVER, TEXTS, bank_rules, ratings, reset_of
from solarlib.lessons.tools.figures import MONTHS
from solarlib.quantities import counted, in_form


def facts(house):
    """Return a table of what the tariff of a house file says. One row a fact."""
    tariff = house.tariff
    rows = {"rules": tariff.name} | {charge.line: _price_in_words(charge, tariff.credit) for charge in tariff.charges}
    rows["surplus"] = _surplus_in_words(tariff)
    if tariff.months_per_bill != 1:
        rows["a bill"] = f"covers {tariff.months_per_bill} months"
    if tariff.settlement == "year":
        month = MONTHS[tariff.credit.reset_anchor[0] - 1]
        rows["surplus, lines it can pay"] = f"settled once a year, with the {month} bill"
    if tariff.credit.unit == "kWh":
        rows["bank emptied after"] = _times_in_words(house)
    else:
        rows["parts 2 and 4 use"] = bank_rules(house).name
    if tariff.size_cap_kw is not None or tariff.size_cap_share_of_use is not None:
        year = year_bills.year_energies(house)
        sums = {"yearly_generation_kwh": year.generation, "yearly_use_kwh": year.use}
        problems = size_problems(tariff, **ratings(house), **sums)
        rows["size of the array"] = " ".join(problems) or "inside the limit of these rules"
    if tariff.valid_from or tariff.valid_to:
        rows["these rules hold"] = f"from {tariff.valid_from or 'the start'} to before {tariff.valid_to or 'any end'}"
    if house.later:
        rows["later rules"] = f"{counted(len(house.later), 'set')} in the file, not shown in this lesson"
    if year_bills.basis(house, tariff):
        rows["made from"] = year_bills.basis(house, tariff)
    rows["note"] = tariff.note or "Check your own tariff sheet."
    return pd.DataFrame({"what the house file says": rows})


def _price_in_words(charge, credit):
    """Say what a line costs, for what, and when."""
    counts = "import" if charge.on == "billed" and credit.unit != "kWh" else charge.on
    if counts == "import" and (charge.netting or credit.netting) == "none":
        counts = "delivered"
    when = {
        f" each {charge.per}": charge.on == "kw",
        f" in {charge.bucket}": charge.bucket,
        ", some months only": charge.months,
        f", from {charge.valid_from}": charge.valid_from,
        f", until {charge.valid_to}": charge.valid_to,
    }
    unit = "" if charge.on == "percent" else "$"
    price = (" then " if charge.blocks else " to ").join(f"{unit}{price:g}" for price in _prices(charge))
    return in_form(f"{price} {TEXTS['for_each'][counts]}{''.join(words for words, so in when.items() if so)}")


def _prices(charge):
    """Return every price of a line: one, that of each block, or those of its tables."""
    return _of_table(charge.prices, charge.factor) or [float(part.price) for part in charge.blocks or [charge]]


def _of_table(prices, factor):
    """Return the lowest and the highest of prices times a factor, or one if they are the same."""
    every = [*prices.values, *np.frombuffer(prices.by_clock)] if prices else []
    return sorted({float(factor) * float(price) for price in (min(every), max(every))}) if every else []


def _surplus_in_words(tariff):
    """Say what becomes of surplus energy: by the credit, and by lines that pay for it."""
    credit, said = tariff.credit, []
    if credit.unit == "kWh":
        said.append(TEXTS["surplus"]["kWh"])
    elif credit.unit == "money":
        earned = _of_table(credit.export_price, credit.export_factor)
        share = [100 * float(credit.export_share * credit.export_factor)] if credit.export_share is not None else []
        lines = {"lines": " and ".join(credit.export_lines)} if credit.export_lines else {}
        name = "price" if earned else "share" if share else "lines"
        worth = " to ".join(f"{'$' if earned else ''}{value:g}" for value in earned or share)
        said += [TEXTS["surplus"][name].format(worth, **lines)] if max(earned or share or [1]) > 0 else []
    for charge in tariff.amounts:
        if charge.on in TEXTS["sold"] and min(_prices(charge)) < 0:
            said.append(f"{TEXTS['sold'][charge.on]} by the line {charge.line!r}")
    return "; ".join(said) or TEXTS["surplus"]["none"]


def _times_in_words(house):
    """Say after which bills the house's own rule empties the bank."""
    credit, month = house.tariff.credit, reset_of(house)
    if month == NEVER:
        return NEVER
    if credit.reset_bills:
        return f"every {credit.reset_bills} bills, such as that of {month}" if credit.reset_bills > 1 else "every bill"
    return f"the {month} bill" + f", every {credit.reset_every_years} years" * (credit.reset_every_years > 1)
