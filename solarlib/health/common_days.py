"""Which days and which neighbours carry a comparison: dates matched, gaps named, every system at its own usual level."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from solarlib.health import neighbours as peers
from solarlib.health.chart import LEAST_BASELINE_DAYS
from solarlib.quantities import InputError

BASELINE_SHARE = 2 / 3  # most of the usable days that may be baseline; the others are compared with it
TOO_FEW = f"fewer than {peers.LEAST_GROUP} neighbours"
NO_MODEL = (
    "No model of the roofs was given: where they face elsewhere than the own, the ratio drifts over the seasons, often by more "
    "than one module."
)


@dataclass(frozen=True)
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


def common_days(own, neighbours, own_model=None, neighbour_models=None, temp_air=None, snow=None, baseline_days=60):
    """Return what can be compared. Parameters and errors as `comparison.compare`.

    Notes
    -----
    Each neighbour is divided by its own usual level beside the others, from the baseline. So the median does not jump
    when a neighbour has a gap, and a sick one moves it by half a rank of the scatter, not of the lasting differences.
    """
    own, neighbours, notes = _matched(own, neighbours)
    index = own.index
    temp_air, snow = _on(temp_air, index, "air temperature"), _on(snow, index, "snow")
    own_model, models = _on(own_model, index, "own model"), _on(neighbour_models, index, "neighbours' models")
    if models is not None:
        models = models[[name for name in models if name in neighbours]]
    missing = peers.log_ratio(
        own, neighbours, own_model, models
    ).isna()  # also refuses models that do not belong together
    reason = _reasons(own, neighbours, temp_air, snow).mask(lambda why: (why == "") & missing, "no reading or no model")
    if models is None:
        notes.append(NO_MODEL)
        house, others = own, neighbours
    else:
        house, others = own / own_model.where(own_model > 0), neighbours / models.where(models > 0)
    return CommonDays(*_levelled(house, others, reason, baseline_days, notes), tuple(notes))


def _matched(own, neighbours):
    """Return both on the own days, in order, without neighbours that cannot be compared, and what was left out."""
    for data, name in ((own, "own yields"), (neighbours, "neighbours")):
        if not isinstance(data.index, pd.DatetimeIndex) or data.index.has_duplicates:
            raise InputError(f"{name}: found an index that is not one date a day, allowed are dates, each once")
    own = own.sort_index().astype(float)
    outside = neighbours.index.difference(own.index) if str(own.index.tz) == str(neighbours.index.tz) else []
    notes = [f"{len(outside)} days of the neighbours lie outside the own record."] if len(outside) else []
    neighbours = _on(neighbours, own.index, "neighbours").astype(float)
    if (own < 0).any() or (neighbours < 0).any(axis=None) or np.isinf(own).any() or np.isinf(neighbours).any(axis=None):
        raise InputError("daily yields: found a negative or an infinite one, allowed are numbers from 0 on, in kWh/kW")
    if neighbours.columns.has_duplicates:
        raise InputError("neighbours: found the same name twice, allowed is each system once")
    peers.group_median(neighbours)  # refuses a group that is too small
    stuck = [name for name in neighbours if neighbours[name].nunique() < 2]
    notes += [f"Left out, without readings that differ from day to day: {', '.join(map(str, stuck))}."] if stuck else []
    return own, _without(neighbours, stuck, "readings that differ from day to day"), notes


def _on(data, index, name):
    """Return data on the days of an index; refuse dates that have no chance to match."""
    if data is None:
        return None
    if not isinstance(data.index, pd.DatetimeIndex) or str(data.index.tz) != str(index.tz):
        raise InputError(
            f"{name}: found dates of another kind or time zone, allowed are dates like those of the own yields"
        )
    if not data.index.isin(index).any():
        raise InputError(f"{name}: found no day of the own record, allowed are the same days")
    return data.reindex(index)


def _without(systems, names, what):
    """Return the systems that have `what`; refuse too small a group of them."""
    left = systems.drop(columns=names)
    if left.shape[1] < peers.LEAST_GROUP:
        raise InputError(
            f"neighbours: found {left.shape[1]} systems with {what}, allowed are {peers.LEAST_GROUP} or more"
        )
    return left


def _reasons(own, neighbours, temp_air, snow):
    """Return `neighbours.usable_days` with the neighbours' side of missing readings told apart."""
    reason = peers.usable_days(own, neighbours, temp_air, None if snow is None else snow.eq(True))
    reason = reason.mask(own.notna() & neighbours.isna().all(axis=1), "no reading of the neighbours")
    return reason.mask((reason == "") & peers.group_median(neighbours).isna(), TOO_FEW)


def _levelled(house, others, reason, wanted, notes):
    """Return house and neighbours at level 1 in the baseline, the reasons, and the baseline's last day.

    A neighbour with readings on less than half of the baseline has no level and is left out, which `notes` then says.
    """
    while True:
        usable = reason.index[reason == ""]
        count = min(wanted, int(BASELINE_SHARE * len(usable)))
        if count < LEAST_BASELINE_DAYS:
            needed = int(np.ceil(LEAST_BASELINE_DAYS / BASELINE_SHARE))
            raise InputError(f"usable days: found {len(usable)} of {len(reason)}, allowed are {needed} or more")
        first = usable[:count]
        late = [name for name in others if 2 * (others.loc[first, name] > 0).sum() < count]
        if not late:
            break
        notes.append(f"Left out, with readings on less than half of the baseline days: {', '.join(map(str, late))}.")
        others = _without(others, late, "readings on half of the baseline days")
        reason = reason.mask((reason == "") & peers.group_median(others).isna(), TOO_FEW)
    others = others / others.loc[first].where(others.loc[first] > 0).median()
    others = others / np.exp(
        pd.Series({name: peers.log_ratio(others[name], others).loc[first].median() for name in others})
    )
    usual = (house / others.median(axis=1)).loc[first].median()
    if not usual > 0:
        raise InputError(
            "own yields: found none on most of the baseline days, allowed are days of a house that makes power"
        )
    return house / usual, others, reason, first[-1]
