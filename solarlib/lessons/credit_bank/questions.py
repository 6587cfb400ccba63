"""Questions and checks of lesson 04, and a bill from a reader's own readings."""

from dataclasses import replace
from datetime import date

import numpy as np
import pandas as pd

from solarlib.bill.accounts import ledger
from solarlib.bill.reset import best_reset, lost_by_reset_month
from solarlib.bill.tariff import tariff_from_table
from solarlib.lessons.credit_bank.rules import MONTHS, ratings, surplus_of
from solarlib.lessons.tools import check
from solarlib.meter.balance import house_use
from solarlib.meter.registers import register_difference
from solarlib.quantities import InputError, require

DIGITS = 5
WHOLE_MONTHS = "January February March April May June July August September October November December".split()


def numbers(word):
    """Return a learner's own numbers; see `check.numbers_for`. The delivered register passes 99999 in every case."""
    mine = check.numbers_for(
        word,
        before=(99_700, 99_890, 1),
        delivered=(310, 390, 1),
        received=(180, 260, 1),
        made=(420, 560, 1),
        shortage=(400, 520, 1),
        sent=(70, 130, 1),
        bank=(120, 240, 1),
        spring=(210, 290, 10),
        summer=(400, 520, 10),
        autumn=(110, 180, 10),
        winter=(700, 900, 10),
    )
    mine.after = (mine.before + mine.delivered) % 10**DIGITS
    mine.received_before, mine.received_after = 20_500, 20_500 + mine.received
    return mine


# ---------------------------------------------------------------- part 1


def predict_use():
    """Ask why the meter shows less than the house used."""
    return check.predict(
        "In a sunny month the delivered register went up by 200 kWh. The family is sure that it used 600 kWh. What is likely?",
        {
            "The meter is wrong": "Meters are tested. Before you doubt it, ask which energy passes through it at all.",
            "400 kWh came straight from the roof": "Energy that the house takes from the array at the same moment never passes the meter.",
            "The array made 600 kWh": "The meter at the street does not know what the array makes. It sees what enters and what leaves.",
            "The other 400 kWh are on the received register": "What is on the received register has left the house. It was not used there.",
        },
        right="400 kWh came straight from the roof",
    )


def check_register(answer, mine):
    """Check 1: the delivered energy across a rollover. [kWh]"""
    expected = register_difference(mine.before, mine.after, DIGITS)
    return check.number(
        answer,
        expected=expected,
        unit="kWh",
        tolerance=0.5,
        mistakes=check.apart(
            expected,
            {
                mine.after
                - mine.before: "A register only counts up. It has passed 99999 and begun again at 0: add 100000.",
                mine.before
                - mine.after: "Later reading less earlier reading. It has passed 99999: add 100000 to the later one.",
                expected - 1: "From 99999 to 00000 is one more kWh.",
                expected
                + 1: "One too many: from 99999 to 00000 is one kWh. Add 100000 to the later reading and subtract.",
                mine.received: "This is the received register.",
            },
            0.5,
        ),
    )


def check_use(answer, mine):
    """Check 2: what the house used. [kWh]"""
    expected = house_use(mine.made, mine.delivered, mine.received).use_kwh
    return check.number(
        answer,
        expected=expected,
        unit="kWh",
        tolerance=0.5,
        mistakes=check.apart(
            expected,
            {
                mine.delivered: "This came from the utility. The house also used energy straight from the array.",
                mine.delivered - mine.received: "This is the net energy of the bill. Add what the array made.",
                mine.delivered
                + mine.made: "A part of what the array made has left the house: take the received energy off.",
                mine.delivered + mine.made + mine.received: "Received energy has left the house: take it off.",
                mine.delivered
                + mine.received: "Received energy has left the house, and the energy used at once is missing.",
                mine.made - mine.received: "This is the part used at once. Add what was delivered.",
            },
            0.5,
        ),
    )


# ---------------------------------------------------------------- part 2


def predict_year():
    """Ask whether a year that sums to zero costs nothing."""
    return check.predict(
        "Over a whole year a house sends out just as many kWh as it takes in. Its tariff banks each kWh. "
        "Is there anything to pay in the year?",
        {
            "No, it is even": "Look at more than the sum: what does each bill hold besides energy, and when is the bank emptied?",
            "Only the basic charge": "That is so if no credit is ever lost. When is the bank emptied, and what is in it then?",
            "The basic charge, and perhaps energy too": "If the bank is emptied while it is full, the next shortage must be bought.",
            "Half of the energy": "A kWh in such a bank pays for a whole kWh. Other tariffs pay less for it: part 3.",
        },
        right="The basic charge, and perhaps energy too",
    )


def check_billed(answer, mine):
    """Check 3: the energy billed after netting and the bank. [kWh]"""
    expected = mine.shortage - mine.sent - mine.bank
    return check.number(
        answer,
        expected=expected,
        unit="kWh",
        tolerance=0.5,
        mistakes=check.apart(
            expected,
            {
                mine.shortage - mine.sent: "This is the net energy. The bank pays for a part of it.",
                mine.shortage - mine.bank: "First net the month: delivered less received.",
                mine.shortage - mine.sent + mine.bank: "The bank pays for energy: take it off.",
                mine.shortage: "This is the delivered energy. Take off what was received, then what the bank pays.",
            },
            0.5,
        ),
    )


# ---------------------------------------------------------------- part 3


def predict_zero():
    """Ask for the bill of a month without bought energy."""
    return check.predict(
        "In a sunny month the house sends out more than it takes in, and its bank holds kWh from before. What does the bill say?",
        {
            "0.00 $": "No energy is bought, but some lines of a bill do not count energy at all.",
            "Less than 0: the utility pays": "A kWh bank keeps kWh, not money. They lower later energy lines.",
            "The lines that surplus cannot reduce": "A basic charge, a minimum bill or a charge on each delivered kWh stays.",
        },
        right="The lines that surplus cannot reduce",
    )


def example_tariff():
    """Return the three-line tariff of check 4: a basic charge, energy, and a part that no surplus reduces."""
    return tariff_from_table(
        {
            "name": "Three lines",
            "kwh_decimals": 0,
            "credit": {"unit": "kWh", "netting": "period"},
            "charge": [
                {"line": "basic charge", "on": "month", "price": 11.75},
                {"line": "energy", "on": "billed", "price": 0.1183},
                {"line": "public programmes", "on": "delivered", "price": 0.0247},
            ],
        }
    )


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
    row = bill_of(mine)
    basic, energy, public = (row[f"line {charge.line}"] for charge in example_tariff().charges)
    one_cent = "One cent off: round each line to cents first, half a cent up, then add."
    return check.number(
        answer,
        expected=row["bill"],
        unit="$",
        tolerance=0.004,
        mistakes=check.apart(
            row["bill"],
            {
                energy + public: "The basic charge is missing.",
                basic + energy: "The line on delivered energy is missing.",
                bill_of(mine, 0)["bill"]: "The bank has not paid yet: take its kWh off before the energy line.",
                round(
                    basic + energy + 0.0247 * row["billed_kwh"], 2
                ): "The last line counts all delivered kWh, whatever was sent back.",
                round(
                    basic + energy + 0.0247 * (mine.shortage - mine.sent), 2
                ): "The last line counts all delivered kWh, not the net ones.",
                row["bill"] + 0.01: one_cent,
                row["bill"] - 0.01: one_cent,
            },
            0.004,
        ),
    )


# ---------------------------------------------------------------- part 4


def predict_month():
    """Ask for the best month to empty the bank (the vote)."""
    return check.predict(
        "A house has a surplus in each month from April to September and a shortage from October to March. The bank is emptied "
        "once a year, and what is left is lost. After which bill should that be?",
        {
            "December, the year ends then": "In December the bank still holds what January to March will need.",
            "September, the bank is fullest then": "Then everything that was saved for the winter is gone just before the winter.",
            "March": "By then the winter has used the bank, and the next surplus has not begun.",
            "It makes no difference": "The year's sum is the same, but a credit that is gone cannot pay for a later month.",
        },
        right="March",
    )


def check_loss(answer, mine):
    """Check 5: what a reset after the autumn takes. [kWh]"""
    year = np.zeros(12)
    year[[2, 5, 8, 11]] = mine.spring, mine.summer, -mine.autumn, -mine.winter
    expected = lost_by_reset_month(year)[8]
    return check.number(
        answer,
        expected=expected,
        unit="kWh",
        tolerance=0.5,
        mistakes=check.apart(
            expected,
            {
                mine.spring + mine.summer: "The autumn has used a part of it before the reset.",
                mine.spring
                + mine.summer
                - mine.autumn
                - mine.winter: "The bank cannot fall below zero: start it empty, and let the winter come first.",
                mine.winter
                - mine.spring
                - mine.summer
                + mine.autumn: "This is bought in the winter. What is in the bank at the end of autumn?",
                mine.summer - mine.autumn: "The surplus of spring is in the bank as well.",
            },
            0.5,
        ),
    )


def check_reset(answer, house):
    """Check 6: a month after whose bill the bank of this house loses least; its short or its full English name."""
    table = best_reset(surplus_of(house))
    best = list(table.index[table["best"]])
    replies = {
        month: f"Yes. No other month loses less than {table.loc[month, 'lost_kwh']:,.0f} kWh."
        if month in best
        else f"{month} loses {table.loc[month, 'lost_kwh'] - table['lost_kwh'].min():,.0f} kWh more than the best month. "
        "Which bill is the last one before the months of surplus?"
        for month in MONTHS
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
            f"{row['days']} days: delivered {used:,} kWh, received {sent:,} kWh, from the bank {row['credit_applied']:,.0f} kWh",
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
