"""Checks of lesson 12: rows, faults, use, a wrong bill, a change beside neighbours; their texts stand beside them."""

from dataclasses import replace

import numpy as np
import pandas as pd

from solarlib.lessons.own_house.pictures import SAME_USD
from solarlib.lessons.tools import check, questions_beside
from solarlib.meter.balance import house_use
from solarlib.quantities import texts_beside

ASK = questions_beside(__file__)


def check_aside(answer, file):
    """Judge the number of rows set aside."""
    used, read = file.readings.account.rows_used, file.readings.account.rows_read
    return ASK.number("aside", answer, float(read - used), used=used, read=read, both=read + used)


def days_with(file, kind):
    """Return the days of the month on which a kind of fault was found."""
    found = [finding.rows for finding in file.findings if finding.kind == kind]
    return sorted({int(day) for rows in found for day in rows.tz_localize(None).day})


def check_slip(answer, file):
    """Judge the day on which the unit slipped."""
    days, stuck = days_with(file, "factor"), days_with(file, "stuck")
    if not days:
        return ASK.choose("no_such_finding", None, kind="factor")
    stuck = [day for day in stuck if day not in days]
    other = [day for day in range(1, 32) if day != days[0] and day not in stuck]
    return ASK.number("slip", answer, float(days[0]), other=other, stuck=stuck)


def check_use(answer, periods):
    """Judge what the house used in the first period."""
    row = periods.iloc[0]
    made, inward, outward = (float(row[name]) for name in ("generation_kwh", "delivered_kwh", "received_kwh"))
    right = float(house_use(made, inward, outward, tolerance_kwh=1.0).use_kwh)
    slips = {"all": made + inward + outward, "net": inward - outward, "came_in": inward, "made": made}
    return ASK.number("use", answer, right, **slips)


def check_bill(answer, compared):
    """Judge which bill is off; the answers on offer are the days of reading."""
    off = compared.dropna(subset=["difference"])
    off = off[off["difference"].abs() > SAME_USD]
    right = "none" if off.empty else off.loc[off["difference"].abs().idxmax(), "meter read on"]
    texts = texts_beside(__file__, "replies")["all_agree" if off.empty else "one_is_off"]
    replies = dict.fromkeys(compared["meter read on"], texts["other"]) | {"none": texts["none"]}
    return check.choose(answer, right, replies | {right: texts["right"]})


def check_message(answer, comparison):
    """Judge how many days after 31 August of the same year the message came."""
    if comparison.message is None:
        return ASK.choose("no_message", None)
    months_end = pd.Timestamp(comparison.message.year, 8, 31)
    begin = (comparison.begin - months_end).days
    return ASK.number("message", answer, float((comparison.message - months_end).days), begin=begin)


def check_module(answer, comparison, modules):
    """Judge the share of one module, and compare it with the change that was found."""
    reply = ASK.number("module", answer, 100.0 / modules, share=1.0 / modules, count=modules)
    step = comparison.step
    if reply.right is not True or step is None:
        return reply
    fits = abs(step.change - np.log1p(-1.0 / modules)) <= 2.0 * step.error
    change = f"{100 * np.expm1(step.change):+.1f} %, with a standard error of {100 * step.error:.1f}"
    words = f"one module {'fits' if fits else 'does not fit'} within twice that. A fit is no proof."
    return replace(reply, message=f"{reply.message} The change is {change}: {words}")


def check_gap(answer):
    """Judge what is needed for a performance ratio."""
    return ASK.choose("gap", answer)
