"""Checks of lesson 04, and a bill from a reader's own readings; texts and predictions stand in ``questions.toml``."""

from dataclasses import replace
from datetime import date

import numpy as np
import pandas as pd

from solarlib.bill.accounts import ledger
from solarlib.bill.reset import best_reset, lost_by_reset_month
from solarlib.bill.tariff import tariff_from_table
from solarlib.lessons.credit_bank.ledgers import MONTHS, TEXTS, ratings, surplus_of
from solarlib.lessons.tools import check
from solarlib.lessons.tools.asked import questions_beside
from solarlib.meter.balance import house_use
from solarlib.meter.registers import register_difference
from solarlib.quantities import InputError, require

ASK = questions_beside(__file__)
DIGITS = 5
WHOLE_MONTHS = "January February March April May June July August September October November December".split()


def numbers(word):
    """Return a learner's own numbers; see `check.numbers_for`. The delivered register passes 99999 in every case."""
    mine = check.numbers_for(word, **TEXTS["numbers"])
    mine.after = (mine.before + mine.delivered) % 10**DIGITS
    mine.received_before, mine.received_after = 20_500, 20_500 + mine.received
    return mine


def check_register(answer, mine):
    """Check 1: the delivered energy across a rollover. [kWh]"""
    expected = register_difference(mine.before, mine.after, DIGITS)
    slips = {
        "no_rollover": mine.after - mine.before,
        "turned": mine.before - mine.after,
        "one_less": expected - 1,
        "one_more": expected + 1,
        "received": mine.received,
    }
    return ASK.number("rollover", answer, expected, **slips)


def check_use(answer, mine):
    """Check 2: what the house used. [kWh]"""
    slips = {
        "delivered": mine.delivered,
        "net": mine.delivered - mine.received,
        "all_made": mine.delivered + mine.made,
        "all_three": mine.delivered + mine.made + mine.received,
        "both_registers": mine.delivered + mine.received,
        "at_once": mine.made - mine.received,
    }
    return ASK.number("used", answer, house_use(mine.made, mine.delivered, mine.received).use_kwh, **slips)


def check_billed(answer, mine):
    """Check 3: the energy billed after netting and the bank. [kWh]"""
    net, bank = mine.shortage - mine.sent, mine.bank
    slips = {"no_bank": net, "not_netted": mine.shortage - bank, "bank_added": net + bank, "delivered": mine.shortage}
    return ASK.number("billed", answer, net - bank, **slips)


def example_tariff():
    """Return the three-line tariff of check 4: a basic charge, energy, and a part that no surplus reduces."""
    return tariff_from_table(TEXTS["example_tariff"])


def bill_of(mine, bank=None):
    """Return the ledger row of a learner's winter month under `example_tariff`."""
    days = date(2026, 11, 1), date(2026, 12, 1)
    return _one_bill(example_tariff(), days, mine.shortage, mine.sent, mine.bank if bank is None else bank)


def _one_bill(tariff, days, delivered, received, bank, **rated):
    periods = pd.DataFrame(
        {
            "period_start": days[:1],
            "period_end": days[1:],
            "delivered_kwh": [float(delivered)],
            "received_kwh": [float(received)],
        }
    )
    return ledger(periods, tariff, opening_kwh=bank, compare=False, **rated).iloc[0]


def check_bill(answer, mine):
    """Check 4: the bill to the cent. [$]"""
    row, public_price = bill_of(mine), float(example_tariff().charge("public programmes").price)
    basic, energy, public = (row[f"line {charge.line}"] for charge in example_tariff().charges)
    slips = {
        "no_basic": energy + public,
        "no_delivered": basic + energy,
        "no_bank": bill_of(mine, 0)["bill"],
        "public_billed": round(basic + energy + public_price * row["billed_kwh"], 2),
        "public_net": round(basic + energy + public_price * (mine.shortage - mine.sent), 2),
        "one_cent": (row["bill"] + 0.01, row["bill"] - 0.01),
    }
    return ASK.number("bill", answer, row["bill"], **slips)


def check_loss(answer, mine):
    """Check 5: what a reset after the autumn takes. [kWh]"""
    year = np.zeros(12)
    year[[2, 5, 8, 11]] = mine.spring, mine.summer, -mine.autumn, -mine.winter
    slips = {
        "no_autumn": mine.spring + mine.summer,
        "year_sum": year.sum(),
        "bought": -year.sum(),
        "no_spring": mine.summer - mine.autumn,
    }
    return ASK.number("loss", answer, lost_by_reset_month(year)[8], **slips)


def check_reset(answer, house):
    """Check 6: a month after whose bill the bank of this house loses least; its short or its full English name."""
    table = best_reset(surplus_of(house))
    best = list(table.index[table["best"]])
    least = table["lost_kwh"].min()
    replies = {
        month: f"Yes. No other month loses less than {lost:,.0f} kWh."
        if month in best
        else f"{month} loses {lost - least:,.0f} kWh more than the best month. "
        "Which bill is the last one before the months of surplus?"
        for month, lost in table["lost_kwh"].items()
    }
    written = str(answer).strip().lower()
    short = next((month for month, full in zip(MONTHS, WHOLE_MONTHS) if written in (month.lower(), full.lower())), None)
    return check.choose(short or answer, short if short in best else best[0], replies)


# ---------------------------------------------------------------- a reader's own bill


def own_bill(house, days, delivered, received, bank_kwh=0):
    """Return the printed lines of one bill from two pairs of readings, or a sentence that says what is missing.

    Parameters
    ----------
    house : House
    days : (first, last)
        Dates of the two readings, as "2026-03-04".
    delivered, received : (before, after)
        Readings of the registers; None where not filled in. [kWh]
    bank_kwh : float
        In the bank before this bill. [kWh]
    """
    if None in (*days, *delivered, *received, bank_kwh):
        return "Not filled in yet. Put the readings of two dates in place of None and run the cell again."
    try:
        days = [_date(day) for day in days]
        used, sent = (register_difference(*pair, house.meter.digits) for pair in (delivered, received))
        require(bank_kwh, "bank_kwh", 0, 1e6, "kWh")
        credit = house.tariff.credit
        tariff = replace(house.tariff, valid_from=None, valid_to=None, credit=credit.with_reset(None, None))
        row = _one_bill(tariff, days, used, sent, bank_kwh if credit.unit == "kWh" else 0.0, **ratings(house))
    except (InputError, TypeError, ValueError) as error:
        return f"This cannot be used. {error}."
    lines = [f"{charge.line:<28}{row[f'line {charge.line}']:>10.2f} $" for charge in tariff.charges]
    extra = {"added to the minimum bill": row["min_bill_topup"], "credit in money": -row["credit_money_applied"]}
    lines += [f"{name:<28}{amount:>10.2f} $" for name, amount in extra.items() if amount]
    return "\n".join(
        [
            f"{row['days']} days: delivered {used:,} kWh, received {sent:,} kWh, "
            f"from the bank {row['credit_applied']:,.0f} kWh",
            *lines,
            f"{'bill':<28}{row['bill']:>10.2f} $",
            f"in the bank afterwards: {row['bank_close']:,.0f} kWh",
        ]
    )


def _date(text):
    """Return the date of a text, or raise an `InputError`."""
    try:
        return date.fromisoformat(text)
    except (TypeError, ValueError):
        raise InputError(f'days: found {text!r}, allowed is a date in quotes such as "2026-03-04"') from None
