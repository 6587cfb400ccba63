"""A PV record with a wrong clock, found by eye, and by the program."""

import numpy as np
import pandas as pd

from solarlib.lessons.load_step.ladder import record_days
from solarlib.lessons.load_step.pictures import CAPTIONS
from solarlib.lessons.tools import Picture, figures
from solarlib.quantities import day_words

REACH_MIN, SHOWN_MIN = 90, 180  # how far the clock can be moved, and how long the picture is


def late_record(house, late_min):
    """Return the readings of some days, and their PV power by a clock that is late by so many minutes. [W]"""
    days = record_days(house, 1)
    late = days["pv_w"].shift(late_min).fillna(0.0)
    return pd.DataFrame({"reading_w": days["net_w"].abs().round(), "pv_w": late})


def clock_picture(house, late_min):
    """Return the picture of a wrong clock: minutes that it is moved back -> PV power and both candidates for the load.

    It shows the three hours in which the PV power of the record moves most, of those that begin at a full hour.
    """
    rows = late_record(house, late_min)
    sun, reading = rows["pv_w"].to_numpy(), rows["reading_w"].to_numpy()
    moves = np.abs(np.diff(sun, prepend=0.0)).reshape(-1, 60).sum(axis=1)
    begin = 60 * (2 + int(np.argmax(moves[2:-4] + moves[3:-3] + moves[4:-2])))
    shown, minute = slice(begin, begin + SHOWN_MIN), np.arange(SHOWN_MIN)
    top = 1.35 * (reading[shown].max() + sun[begin - REACH_MIN : begin + SHOWN_MIN + REACH_MIN].max())
    figure, ax = figures.new_figure()
    ax.set(xlim=(0, SHOWN_MIN), xticks=range(0, SHOWN_MIN + 1, 30), xlabel="minutes from the start")
    figures.zero_based(ax, top, "power (W)")
    pv = figures.line(ax, "pv", minute, 0.0 * minute, linewidth=2.0)
    lines = [figures.line(ax, role, minute, 0.0 * minute, linewidth=2.5) for role in ("import", "export")]
    figures.write(ax, CAPTIONS["labels"]["clock"], top, va="top", bbox=figures.PAPER)

    def update(moved):
        moved_sun = sun[begin + moved : begin + moved + SHOWN_MIN]
        loads = reading[shown] + moved_sun, np.where(moved_sun >= reading[shown], moved_sun - reading[shown], np.nan)
        pv.set_data(minute, moved_sun)
        for line, load in zip(lines, loads):
            line.set_data(minute, load)
        inward, outward = (float(np.nanmean(np.abs(np.diff(load)))) for load in loads)
        start = rows.index[begin]
        told = {"date": day_words(start, "%B"), "start": f"{start:%H:%M}", "moved": moved}
        return CAPTIONS["clock"].format(inward=inward, outward=outward, **told)

    return Picture(figure, [pv, *lines], update)
