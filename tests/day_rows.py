"""A row a day from a clean table, as several tests of kept records want it."""

import pandas as pd

from solarlib.files.days import KEPT_FLOWS, by_day
from solarlib.files.flow import flow_of_table
from solarlib.files.steps import Measured


def daily(table, step, notes=None):
    """Return `by_day` of a table with columns such as ``generation_w`` and ``delivered_kwh``."""
    titles = {f"{flow}_{unit.lower()}": (flow, unit) for flow in KEPT_FLOWS for unit in ("W", "kWh")}
    parts = [Measured(table[title], pd.Timedelta(step), *what, "") for title, what in titles.items() if title in table]
    return by_day({part.quantity: flow_of_table(part, (-1e4, 1e4)) for part in parts}, notes)
