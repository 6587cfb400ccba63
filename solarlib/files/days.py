"""A row for each local day: its energies, what share of it was measured, and whether it can be used."""

import numpy as np
import pandas as pd

from solarlib.files.flow import Flow
from solarlib.files.steps import first_moments

KEPT_FLOWS = ("generation", "delivered", "received")
DAILY = ("date", *(f"{flow}_kwh" for flow in KEPT_FLOWS), "peak_kw", "peak_time", "measured_share", "quality", "note")
LEAST_MEASURED = 0.5  # of a day or a period: below, it is told in part only


def by_day(flows: dict[str, Flow], notes: dict | None = None) -> pd.DataFrame:
    """Sum flows by local day.

    Parameters
    ----------
    flows : dict of quantity to Flow
        One or more of `KEPT_FLOWS`.
    notes : dict of date text to text, optional
        Remarks such as snow or guests.

    Returns
    -------
    DataFrame
        Columns `DAILY`, one row a local day from the first to the last. ``measured_share``: part of the day in which
        every flow was measured (a day of 23 or 25 hours is whole at that length). ``quality``: ``complete`` where what
        is missing can make no difference that matters (`Flow.sums`), ``part`` or ``empty``. Sums of complete days are
        the likeliest, of others what was measured; a flow never measured that day is empty, never 0.
    """
    clocks = [flow.edges.tz_localize(None) for flow in flows.values()]
    first, last = min(clock[0] for clock in clocks).normalize(), max(clock[-1] for clock in clocks).ceil("D")
    moments = first_moments(pd.date_range(first, last, freq="D"), next(iter(flows.values())).edges.tz)
    sums = {name: flow.sums(moments) for name, flow in flows.items()}
    share = np.min([part["measured"] for part in sums.values()], axis=0)
    whole = np.all([part["sound"] for part in sums.values()], axis=0) & (share >= LEAST_MEASURED)
    some = np.any([part["measured"] > 0 for part in sums.values()], axis=0)
    out = pd.DataFrame(np.nan, moments[:-1], DAILY).assign(date=moments[:-1].strftime("%Y-%m-%d"), peak_time="")
    for name, part in sums.items():
        out[f"{name}_kwh"] = part["kwh"].where(whole, part["known"].where(part["measured"] > 0))
    made = flows.get("generation")
    if made is not None and made.measured.any() and np.median(made.hours) < 23:
        power = pd.Series(made.kwh / made.hours, made.edges[:-1])[made.measured]
        best = power.groupby(power.index.normalize()).idxmax()
        out.loc[best.index, "peak_kw"] = power[best].to_numpy()
        out.loc[best.index, "peak_time"] = best.dt.strftime("%H:%M")
    out["measured_share"], out["quality"] = share, np.select([whole, some], ["complete", "part"], "empty")
    return out.assign(note=[(notes or {}).get(day, "") for day in out["date"]]).reset_index(drop=True)
