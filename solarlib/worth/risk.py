"""How sure is the worth of a PV system: the yield of many years, and one factor at a time.

Two kinds of not knowing are kept apart. A PERSISTENT error (long-term sunshine, the model, the price level) has the
same sign in every year of one lifetime and never averages out. YEARLY weather differs from year to year and does.
"""

from collections.abc import Sequence

import numpy as np
import pandas as pd
from scipy.special import ndtri

from solarlib.quantities import refuse_if


def relative_sd(persistent_sds: Sequence[float], yearly_sd: float, years: float = 1) -> float:
    """Return the relative standard deviation of the mean yearly yield over ``years`` years.

    Parameters
    ----------
    persistent_sds : sequence of float
        Independent errors that are the same every year, e.g. resource and model.
    yearly_sd : float
        Independent from year to year; shrinks with the square root of the years.
    years : float or array
    """
    persistent = np.sum(np.square(np.asarray(persistent_sds, dtype=float)))
    return np.sqrt(persistent + np.square(yearly_sd) / np.asarray(years, dtype=float))


def exceeded_yield(median_yield: float, sd: float, probability: float) -> float:
    """Return the yield exceeded with ``probability`` when its relative standard deviation is ``sd``.

    A probability of 0.5 gives P50, 0.9 gives P90: normal spread, P90 = P50 (1 - 1.2816 sd).
    """
    return median_yield * (1 + ndtri(1 - np.asarray(probability, dtype=float)) * sd)


def tornado(evaluate, base, alternatives):
    """Return what happens when one factor at a time leaves the base case.

    Parameters
    ----------
    evaluate : callable
        ``evaluate(**values)`` returns the figure of merit, e.g. the net present value.
    base : dict
        Name and value of every factor.
    alternatives : dict
        Name of a factor and the settings to try, usually (low, high).

    Returns
    -------
    DataFrame
        One row a setting: factor, setting, result, change (from the base case). The factor with the widest range of
        results, the base included, comes first.
    """
    unknown = [name for name in alternatives if name not in base]
    refuse_if(unknown, "unknown_factor", "alternatives", unknown=unknown, known=", ".join(base))
    start = evaluate(**base)
    rows = []
    for name, settings in alternatives.items():
        results = [evaluate(**{**base, name: setting}) for setting in settings]
        reach = max([start, *results]) - min([start, *results])
        rows += [(reach, name, s, result, result - start) for s, result in zip(settings, results, strict=True)]
    rows.sort(key=lambda row: -row[0])  # stable: the settings of one factor keep their order
    return pd.DataFrame([row[1:] for row in rows], columns=["factor", "setting", "result", "change"])
