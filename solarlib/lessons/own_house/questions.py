"""Predictions and checks of lesson 09: rows, faults, use, a wrong bill, a change beside neighbours, what is not told."""

from dataclasses import replace

import numpy as np
import pandas as pd

from solarlib.lessons.tools import check
from solarlib.meter.balance import house_use


def predict_date():
    """Ask what a program should do with a date of two meanings."""
    return check.predict(
        "A file holds one row only. Its date is 03/04/2026. What should a program do?",
        {
            "take it as 3 April": "Many countries write the day first, many do not. A wrong guess moves the energy by a month.",
            "take it as March 4": "Many files write the month first, many do not. A wrong guess moves the energy by a month.",
            "ask the owner": "The file cannot prove either. Only the person who wrote it knows.",
        },
        right="ask the owner",
    )


def predict_worst():
    """Ask which fault spoils a month's sum the most: the vote question."""
    return check.predict(
        "Which fault spoils the sum of a month of PV readings the most?",
        {
            "one row stands there twice": "That adds one quarter of an hour: at most about a kWh for a house.",
            "one day in W, the others in kW": "That day counts a thousand times. It is larger than all other days together.",
            "a value that stays the same for hours": "It can be wrong for those hours, but it is a possible power of the array.",
        },
        right="one day in W, the others in kW",
    )


def predict_meter():
    """Ask which number counts where sensor and meter differ."""
    return check.predict(
        "A sensor without direction and the meter differ by 2 kWh in one day. Which one decides the bill?",
        {
            "the sensor: it reads every minute": "It reads often, but it does not know the direction. That part is an estimate.",
            "the registers of the meter": "The utility bills what its registers count. The sensor tells when it happened.",
            "the mean of both": "A bill is not a mean. The two numbers are not equally sure.",
        },
        right="the registers of the meter",
    )


def predict_health():
    """Ask what an energy below a model tells."""
    return check.predict(
        "In one month the array gives 10 % less than a model of a typical year. What does that show?",
        {
            "a fault of the array": "Look at the weather first. A dull month does the same to a sound array.",
            "the model is wrong": "It may be, but it was made for a typical month, and this month was another one.",
            "nothing by itself": "Weather alone can do that. Light measured there, or similar arrays nearby, would tell more.",
        },
        right="nothing by itself",
    )


def check_aside(answer, file):
    """Judge the number of rows set aside."""
    account = file.readings.account
    mistakes = {
        float(account.rows_used): "That is the number of rows used.",
        float(account.rows_read): "These are all rows read.",
        float(account.rows_read + account.rows_used): "Subtract them: the rows set aside are not among those used.",
    }
    right = float(account.rows_read - account.rows_used)
    return check.number(answer, right, "rows", 0.5, check.apart(right, mistakes, 0.5))


def days_with(file, kind):
    """Return the days of the month on which a kind of fault was found."""
    found = [finding.rows for finding in file.findings if finding.kind == kind]
    return sorted({int(day) for rows in found for day in rows.tz_localize(None).day})


def _absent(kind):
    return check.choose(
        None, "yes", {"yes": f"The checks found nothing of the kind {kind!r} in this file.", "no": "Go on."}
    )


def check_slip(answer, file):
    """Judge the day on which the unit slipped."""
    days = days_with(file, "factor")
    if not days:
        return _absent("factor")
    hints = {
        float(day): 'Not on this day. Switch the marks on and look for the word "factor".'
        for day in range(1, 32)
        if day != days[0]
    }
    hints |= {
        float(day): "On this day a value stays the same. The unit is right."
        for day in days_with(file, "stuck")
        if day not in days
    }
    return check.number(answer, float(days[0]), "", 0.5, hints)


def check_use(answer, periods):
    """Judge what the house used in the first period."""
    row = periods.iloc[0]
    made, inward, outward = (float(row[name]) for name in ("generation_kwh", "delivered_kwh", "received_kwh"))
    right = float(house_use(made, inward, outward, tolerance_kwh=1.0).use_kwh)
    wrong = {
        made + inward + outward: "What was received left the house: subtract it.",
        inward - outward: "That is the net energy at the meter. The house also used power straight from the array.",
        inward: "That is what came in only.",
        made: "That is what the array made only.",
    }
    return check.number(answer, right, "kWh", 1.0, check.apart(right, wrong, 1.0))


def check_bill(answer, compared):
    """Judge which bill is off."""
    off = compared.dropna(subset=["difference"])
    off = off[off["difference"].abs() > 0.01]
    days = list(compared["meter read on"])
    if off.empty:
        return check.choose(
            answer, "none", {"none": "Yes: all bills agree.", **{day: "This bill agrees to the cent." for day in days}}
        )
    right = off.loc[off["difference"].abs().idxmax(), "meter read on"]
    replies = {day: "This bill is nearer to the computed one. Look for the largest difference." for day in days}
    replies["none"] = "One pair of columns is not of equal height."
    return check.choose(
        answer,
        right,
        replies | {right: "Yes. Ask the utility for the readings behind this bill, before you pay or complain."},
    )


def check_message(answer, comparison):
    """Judge how many days after 31 August of the same year the message came."""
    if comparison.message is None:
        return check.choose(
            None, "yes", {"yes": "No message came in these days: nothing to count here.", "no": "Go on."}
        )
    months_end = pd.Timestamp(comparison.message.year, 8, 31)
    right = float((comparison.message - months_end).days)
    begin = float((comparison.begin - months_end).days)
    wrong = {begin: "On that day the sum left zero. The message came when it passed the line."}
    return check.number(answer, right, "days", 0.5, check.apart(right, wrong, 0.5))


def check_module(answer, comparison, modules):
    """Judge the share of one module, and compare it with the change that was found."""
    right = 100.0 / modules
    wrong = {
        1.0 / modules: "That is the share as a number. Times 100 it is percent.",
        float(modules): "That is the number of modules. One of them is which part?",
    }
    reply = check.number(answer, right, "%", 0.1, check.apart(right, wrong, 0.1))
    step = comparison.step
    if reply.right is not True or step is None:
        return reply
    fits = abs(step.change - np.log1p(-1.0 / modules)) <= 2.0 * step.error
    return replace(
        reply,
        message=f"{reply.message} The change is {100 * np.expm1(step.change):+.1f} %, with a standard error of {100 * step.error:.1f}: "
        f"one module {'fits' if fits else 'does not fit'} within twice that. A fit is no proof.",
    )


def check_gap(answer):
    """Judge what is needed for a performance ratio."""
    return check.choose(
        answer,
        "light",
        {
            "light": "Yes: the ratio compares the yield with the light on the modules, so the light must be measured.",
            "a bill": "A bill tells energy at the meter. It knows nothing of the sun.",
            "a faster sensor": "More readings of power do not tell how much light there was.",
        },
    )
