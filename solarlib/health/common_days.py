"""Which days and neighbours carry a comparison: dates matched, gaps named, every system at its own usual level."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from solarlib.health.chart import LEAST_BASELINE_DAYS
from solarlib.health.neighbours import LEAST_GROUP, TOO_FEW, group_median, log_ratio_to_median, per_model, usable_days
from solarlib.health.words import sentence
from solarlib.quantities import InputError, refuse_if

BASELINE_DAYS = 60  # first usable days, taken as usual; fewer where the record is short
BASELINE_SHARE = 2 / 3  # most of the usable days that may be baseline; the others are compared with it


@dataclass(frozen=True, eq=False)
class Systems:
    """A house and similar systems nearby, day by day.

    Attributes
    ----------
    own : Series, shape (days,)
        Daily yield, index of dates, with or without a time zone. NaN: no reading. [kWh/kW]
    neighbours : DataFrame, shape (days, systems)
        The same for five or more systems, on dates of the same zone.
    own_model, neighbour_models : Series and DataFrame, optional
        What each roof is expected to make, in any unit; see `neighbours.per_model`.
    temp_air, snow : Series, optional
        See `neighbours.usable_days`.
    """

    own: pd.Series
    neighbours: pd.DataFrame
    own_model: pd.Series | None = None
    neighbour_models: pd.DataFrame | None = None
    temp_air: pd.Series | None = None
    snow: pd.Series | None = None


@dataclass(frozen=True, eq=False)
class CommonDays:
    """A house and its neighbours on the days of the own record.

    Attributes
    ----------
    house, others : Series and DataFrame
        Daily yields by what a model expects of each roof (where models were given) and by the usual level of each
        system beside the others, so 1 is usual on a usual day.
    reason : Series of str
        Why a day is set aside, or empty.
    baseline_end : Timestamp
        The last day of the baseline.
    notes : tuple of str
        Sentences about what was left out.
    """

    house: pd.Series
    others: pd.DataFrame
    reason: pd.Series
    baseline_end: pd.Timestamp
    notes: tuple


def common_days(systems):
    """Return what can be compared of some `Systems`. Errors as `comparison.compare_with_neighbours`.

    Notes
    -----
    Each neighbour is divided by its own usual level beside the others, from the baseline. So the median does not jump
    when a neighbour has a gap, and a sick one moves it by half a rank of the scatter, not of the lasting differences.
    """
    own, neighbours, notes = _matched(systems.own, systems.neighbours)
    warm, snow = _on(systems.temp_air, own.index, "air temperature"), _on(systems.snow, own.index, "snow")
    own_model = _on(systems.own_model, own.index, "own model")
    models = _on(systems.neighbour_models, own.index, "neighbours' models")
    if models is not None:
        models = models[[name for name in models if name in neighbours]]
    house, others = per_model(own, neighbours, own_model, models)
    missing = log_ratio_to_median(house, others).isna()
    reason = usable_days(own, neighbours, warm, snow)
    return _levelled(house, others, reason.mask((reason == "") & missing, "no reading or no model"), notes)


def _matched(own, neighbours):
    """Return both on the own days, in order, without neighbours that cannot be compared, and what was left out."""
    for data, name in ((own, "own yields"), (neighbours, "neighbours")):
        refuse_if(not isinstance(data.index, pd.DatetimeIndex) or data.index.has_duplicates, "no_dates", name)
    own = own.sort_index().astype(float)
    aligned = _on(neighbours, own.index, "neighbours").astype(float)
    outside = len(neighbours.index.difference(own.index))
    notes = [sentence("outside", count=outside)] if outside else []
    if any(((data < 0) | np.isinf(data)).to_numpy().any() for data in (own, aligned)):
        raise InputError("daily yields: found a negative or an infinite one, allowed are numbers from 0 on, in kWh/kW")
    refuse_if(aligned.columns.has_duplicates, "system_twice", "neighbours")
    group_median(aligned)  # refuses a group that is too small
    stuck = [name for name in aligned if aligned[name].nunique() < 2]
    if stuck:
        notes.append(sentence("stuck", names=", ".join(map(str, stuck))))
    return own, _without(aligned, stuck, "readings that differ from day to day"), notes


def _on(data, index, name):
    """Return data on the days of an index; refuse dates that have no chance to match."""
    if data is None:
        return None
    refuse_if(not isinstance(data.index, pd.DatetimeIndex) or str(data.index.tz) != str(index.tz), "unlike_dates", name)
    refuse_if(not data.index.isin(index).any(), "no_own_day", name)
    return data.reindex(index)


def _without(systems, names, what):
    """Return the systems that have `what`; refuse too small a group of them."""
    left = systems.drop(columns=names)
    refuse_if(left.shape[1] < LEAST_GROUP, "few_with", "neighbours", count=left.shape[1], what=what, least=LEAST_GROUP)
    return left


def _levelled(house, others, reason, notes):
    """Return the systems at level 1 in the baseline.

    A neighbour with readings on less than half of the baseline has no level and is left out, which `notes` then says.
    """
    while True:
        first = _baseline_days(reason)
        late = [name for name in others if 2 * (others.loc[first, name] > 0).sum() < len(first)]
        if not late:
            break
        notes.append(sentence("late", names=", ".join(map(str, late))))
        others = _without(others, late, "readings on half of the baseline days")
        reason = reason.mask((reason == "") & group_median(others).isna(), TOO_FEW)
    others = others / others.loc[first].where(others.loc[first] > 0).median()
    beside = {name: log_ratio_to_median(others[name], others).loc[first].median() for name in others}
    others = others / np.exp(pd.Series(beside))
    usual = (house / others.median(axis=1)).loc[first].median()
    refuse_if(not usual > 0, "no_own_yield", "own yields")
    return CommonDays(house / usual, others, reason, first[-1], tuple(notes))


def _baseline_days(reason):
    """Return the first usable days, never more than two thirds of them."""
    usable = reason.index[reason == ""]
    count = min(BASELINE_DAYS, int(BASELINE_SHARE * len(usable)))
    facts = {"count": len(usable), "all": len(reason), "least": int(np.ceil(LEAST_BASELINE_DAYS / BASELINE_SHARE))}
    refuse_if(count < LEAST_BASELINE_DAYS, "few_of_all", "usable days", **facts)
    return usable[:count]
