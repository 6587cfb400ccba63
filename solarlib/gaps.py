"""How evenly a record stands in time: its commonest step, what is missing between its rows, and its even form."""

import numpy as np
import pandas as pd

from solarlib.quantities import InputError


def common_step(index):
    """Return the commonest distance of two labels, or None where fewer than half of all keep it."""
    steps = np.diff(index.as_unit("ns").asi8)
    if not steps.size:
        return None
    middle = np.median(steps)
    return pd.Timedelta(int(middle), "ns") if (steps == middle).mean() >= 0.5 else None


def missing(index, step):
    """Return the gaps of a record: ``start`` and ``end`` of each, and the ``intervals`` that are missing.

    Parameters
    ----------
    index : DatetimeIndex, rising
    step : Timedelta or None
        None: nothing can be said, the table is empty.
    """
    labels = index.as_unit("ns").asi8
    steps = np.diff(labels)
    length = step.value if step is not None else np.iinfo(np.int64).max
    wide = np.flatnonzero(steps >= 2 * length) if step is not None else np.zeros(0, int)
    start = (labels[wide] + length).view("datetime64[ns]") if wide.size else np.zeros(0, "datetime64[ns]")
    return pd.DataFrame({
        "start": pd.DatetimeIndex(start, tz="UTC").tz_convert(index.tz),
        "end": index[wide + 1],
        "intervals": steps[wide] // length - 1,
    })


def regular(readings):
    """Return the table on an even index, NaN where nothing was read, and how many rows stand off it.

    Returns
    -------
    DataFrame, int

    Raises
    ------
    InputError
        The readings keep no common step.
    """
    step, index = readings.step, readings.table.index
    if step is None:
        raise InputError(f"{readings.account.name}: found rows without a common step, allowed is one: set interval")
    labels = index.as_unit("ns").asi8
    # The offset that most labels have on the step's grid: a first row that stands askew must not push all others off it.
    offset = pd.Series(labels % step.value).mode().iloc[0]
    on = labels % step.value == offset
    kept = readings.table[on]
    if (labels[on][-1] - labels[on][0]) // step.value > 50 * len(labels) + 10_000_000:
        raise InputError(f"{readings.account.name}: found {index[0]} to {index[-1]} in steps of {step}, allowed is a record "
                         "that is not nearly all gaps: look for a mistyped year")
    even = pd.date_range(kept.index[0], kept.index[-1], freq=step, unit="ns")
    return kept.reindex(even), int((~on).sum())
