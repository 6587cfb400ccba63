"""A timetable for a plug-in timer, as a page of its own to print: times, cost and cautions."""

from pathlib import Path

import pandas as pd

from solarlib.direction.schedule import step_cost_kwh
from solarlib.files import write_whole
from solarlib.house import avoided_price
from solarlib.lessons.load_step.pictures import CAPTIONS
from solarlib.lessons.tools.page import Section, page


def timer_page(house, times, on_min, path):
    """Write the page for the test load of a house; return a sentence that says what it costs and where it is.

    Parameters
    ----------
    times : list of str
        As from `schedule.timetable`.
    on_min : int
        How long the load stays on each time. [min]
    path : path
        Of the page.
    """
    words, load_w = CAPTIONS["timer"], house.meter.test_load_w
    used_kwh = 365.25 / 12 * step_cost_kwh(load_w, 60 * on_min, len(times))
    told = {"used": used_kwh, "cost": used_kwh * avoided_price(house), "on": on_min, "count": len(times)}
    told |= {"load": load_w, "name": house.meter.test_load_name, "path": Path(path).name}
    ends = (pd.to_datetime(times, format="%H:%M") + pd.Timedelta(minutes=on_min)).strftime("%H:%M")
    lines = tuple(line.format(**told) for line in words["lines"])
    table = words["table"].format(**told), pd.DataFrame({"on at": times, "off at": ends})
    sheet = Section(words["title"], lines, (table,), cautions=tuple(words["cautions"]))
    write_whole(Path(path), page(house.name, [sheet]))
    return words["written"].format(**told)
