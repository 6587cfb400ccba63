"""Checks of registers, bill and bank, and a bill from a reader's own readings; texts: ``questions.toml``."""

from datetime import date

import numpy as np
import pandas as pd

from solarlib.bill.accounts import ledger
from solarlib.bill.reset import lost_by_reset_month
from solarlib.bill.tariff_file import tariff_from_table
from solarlib.house import bring
from solarlib.house.sent_bill import check_sent_bill, read_sent_bill
from solarlib.lessons.credit_bank.ledgers import TEXTS, by_reset
from solarlib.lessons.tools import check, questions_beside
from solarlib.lessons.tools.field import own_judge
from solarlib.meter.registers import register_difference

ASK = questions_beside(__file__)
check_use = ASK.judge("used")  # what the house used [kWh]
check_billed = ASK.judge("billed")  # the energy billed after netting and the bank [kWh]
DIGITS = 5


def numbers(word):
    """Return a learner's own numbers; see `check.numbers_for`. The delivered register passes 99999 in every case."""
    mine = check.numbers_for(word, **TEXTS["numbers"])
    mine.after = (mine.before + mine.delivered) % 10**DIGITS
    mine.received_before, mine.received_after = 20_500, 20_500 + mine.received
    return mine


def check_register(answer, mine):
    """The delivered energy across a rollover. [kWh]"""
    expected = register_difference(mine.before, mine.after, DIGITS)
    slips = {"no_rollover": mine.after - mine.before, "turned": mine.before - mine.after, "received": mine.received}
    return ASK.number("rollover", answer, expected, one_less=expected - 1, one_more=expected + 1, **slips)


def example_tariff():
    """Return the three-line tariff of the check: a basic charge, energy, and a part that no surplus reduces."""
    return tariff_from_table(TEXTS["example_tariff"])


def bill_of(mine, bank=None):
    """Return the ledger row of a learner's winter month under `example_tariff`."""
    span = {"period_start": [date(2026, 11, 1)], "period_end": [date(2026, 12, 1)]}
    periods = pd.DataFrame(span | {"delivered_kwh": [float(mine.shortage)], "received_kwh": [float(mine.sent)]})
    opening = mine.bank if bank is None else bank
    return ledger(periods, example_tariff(), opening_kwh=opening).iloc[0]


def check_bill(answer, mine):
    """The bill to the cent. [$]"""
    row, public_price = bill_of(mine), float(example_tariff().charge("public programmes").price)
    basic, energy, public = (row[f"line {charge.line}"] for charge in example_tariff().charges)
    other_kwh = {"public_billed": row["billed_kwh"], "public_net": mine.shortage - mine.sent}
    slips = {"no_basic": energy + public, "no_delivered": basic + energy, "no_bank": bill_of(mine, 0)["bill"]}
    slips |= {name: round(basic + energy + public_price * kwh, 2) for name, kwh in other_kwh.items()}
    return ASK.number("bill", answer, row["bill"], **slips, one_cent=(row["bill"] + 0.01, row["bill"] - 0.01))


def check_loss(answer, mine):
    """What a reset after the autumn takes. [kWh]"""
    year = np.zeros(12)
    year[[2, 5, 8, 11]] = mine.spring, mine.summer, -mine.autumn, -mine.winter
    left_out = {"no_autumn": mine.spring + mine.summer, "no_spring": mine.summer - mine.autumn}
    lost = lost_by_reset_month(year)[8]
    return ASK.number("loss", answer, lost, year_sum=year.sum(), bought=-year.sum(), **left_out)


def check_reset(answer, house):
    """A month whose reset costs this house least; its short or its full English name."""
    table = by_reset(house)
    best = list(table.index[table["best"]])
    texts = table["best"].map({True: TEXTS["reset"]["best"], False: TEXTS["reset"]["dearer"]})
    replies = {month: texts[month].format(month=month, **row) for month, row in table.iterrows()}
    return check.choose(answer, best, replies)


# ---------------------------------------------------------------- a reader's own bill


def own_bill(house, path, files):
    """Return a bill that was sent beside the one computed, in words, or a sentence that says what is missing.

    Parameters
    ----------
    house : House
    path : path
        A file such as `data/examples/bill-of-may.toml`; None where not filled in.
    files : sequence of paths, or text
        CSV files of the meter, and of the array, each with its mapping beside it; a comma between names in a text.
    """
    named = [file.strip() for file in files.split(",")] if isinstance(files, str) else files or ()
    if path is None:
        return "Not filled in yet. Type the name of your file and press Enter."
    return str(check_sent_bill(house, read_sent_bill(path), [bring(file, house) for file in named]))


own_paper = own_judge(own_bill, file_of_the_bill=None, files_of_meter_and_array=None)
