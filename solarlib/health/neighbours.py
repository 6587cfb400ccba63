"""A house beside similar systems nearby: the daily log ratio to their median, and what they may be told.

Neighbours share sun, haze and snowfall with a house, so their median removes the weather without any sensor. They do
not share its orientation, so each system is first divided by what a model says its own roof should make.
"""

import numpy as np
import pandas as pd

from solarlib.health.words import HEALTH_WORDS
from solarlib.quantities import refuse_if, require

GOOD_DAY_H = 1.0  # daily yield below which a ratio says nothing, kWh/kW (`common practice, no source`)
LEAST_GROUP = 5  # systems in a median that is shown (`common practice, no source`)
TOO_FEW = f"fewer than {LEAST_GROUP} neighbours"
SNOW_BELOW_C = 0.0
FAR_BELOW = 0.5  # a neighbour at half of the most or less, on a cold day, may lie under snow
LEAST_RATIO = 0.05  # smallest ratio told apart: a dead day counts as this, not as minus infinity

PRIVACY = {name: rule.format(least=LEAST_GROUP) for name, rule in HEALTH_WORDS["privacy"].items()}


def daily_yield(energy_kwh, rated_power_w):
    """Return what may be shared: daily energy per rated power. [kWh of any interval, W -> kWh/kW per local day]

    Parameters
    ----------
    energy_kwh : Series, regular aware index, START labels
        A day with a missing interval is missing.
    rated_power_w : float
    """
    rated = require(rated_power_w, "rated power", 1e-6, 1e9, "W")
    days = energy_kwh.groupby(energy_kwh.index.normalize())
    return days.sum(min_count=1).where(days.count() == days.size()) * (1000.0 / rated)


def group_median(yields: pd.DataFrame) -> pd.Series:
    """Return the median of the neighbours of each day, missing where fewer than five report.

    Parameters
    ----------
    yields : DataFrame, shape (days, systems)
        Daily yields. [kWh/kW]

    Raises
    ------
    InputError
        There are fewer than five systems at all: such a median could give one neighbour away.
    """
    refuse_if(yields.shape[1] < LEAST_GROUP, "small_group", "neighbours", count=yields.shape[1], least=LEAST_GROUP)
    return yields.median(axis=1).where(yields.notna().sum(axis=1) >= LEAST_GROUP)


def usable_days(own, neighbours, temp_air=None, snow=None):
    """Return for each day why it is set aside; an empty text where it can be compared.

    Parameters
    ----------
    own : Series, shape (days,)
        Daily yield. [kWh/kW]
    neighbours : DataFrame, shape (days, systems)
    temp_air : Series, optional
        Mean air temperature of the day. [degC]
    snow : Series of bool, optional
        Days noted as snowy.

    Returns
    -------
    Series of str
        Every day has one answer, so the counts add up to the days.

    Notes
    -----
    Own zeros on good days are NOT set aside: they are the plainest signature of all.
    """
    middle = neighbours.median(axis=1)
    reason = pd.Series("", own.index)
    if temp_air is not None:
        under_snow = neighbours.lt(FAR_BELOW * neighbours.max(axis=1), axis=0).any(axis=1)
        reason = reason.mask(under_snow & (temp_air < SNOW_BELOW_C), "snow possible")
    reason = reason.mask(middle < GOOD_DAY_H, "too little sun")
    if snow is not None:
        reason = reason.mask(snow.eq(True), "snow noted")
    reason = reason.mask(middle.isna(), "no reading of the neighbours").mask(own.isna(), "no reading")
    return reason.mask((reason == "") & group_median(neighbours).isna(), TOO_FEW)


def per_model(own, neighbours, own_model=None, neighbour_models=None):
    """Return (own, neighbours), each divided by what a model expects of its roof, as it is where no models are given.

    Parameters
    ----------
    own, neighbours : Series, shape (days,), and DataFrame, shape (days, systems)
        Daily yields. [kWh/kW]
    own_model, neighbour_models : Series and DataFrame, optional
        In any unit: only the shape over the year matters. The models may come from a typical year: the ratio of two
        roofs of one place changes with the season much more than with the year.

    Raises
    ------
    InputError
        One model without the other, or neighbours that stand in other columns than their models.
    """
    refuse_if((own_model is None) != (neighbour_models is None), "one_model", "models")
    if own_model is None:
        return own, neighbours
    refuse_if(list(neighbour_models.columns) != list(neighbours.columns), "other_systems", "models")
    return own / own_model.where(own_model > 0), neighbours / neighbour_models.where(neighbour_models > 0)


def log_ratio_to_median(
    own: pd.Series,
    neighbours: pd.DataFrame,
    own_model: pd.Series | None = None,
    neighbour_models: pd.DataFrame | None = None,
) -> pd.Series:
    """Return the logarithm of the daily ratio of a house to the median of its neighbours.

    Parameters and errors are those of `per_model`, by which each system is divided before the median is taken.

    Returns
    -------
    Series
        0: as the neighbours; -0.0645: one sixteenth less; a dead day counts as the smallest ratio told apart. NaN
        where a reading is missing.
    """
    own, neighbours = per_model(own, neighbours, own_model, neighbour_models)
    ratio = own / neighbours.median(axis=1).where(lambda middle: middle > 0)
    return np.log(ratio.clip(lower=LEAST_RATIO))


def pair_shifts(yields, change):
    """Return how far each system moved against the median of all others at a date.

    One system that moved is that system's matter; if all but one moved together, the one is the odd one out; if they
    moved apart, the set was changed.

    Parameters
    ----------
    yields : DataFrame, shape (days, systems)
        Daily yields, all systems, three or more. [kWh/kW]
    change : Timestamp
        First day of the new state.

    Returns
    -------
    Series
        Change of the median log ratio of each system.
    """
    refuse_if(yields.shape[1] < 3, "few_systems", "systems", count=yields.shape[1])
    ratios = pd.DataFrame({name: log_ratio_to_median(yields[name], yields.drop(columns=name)) for name in yields})
    return ratios[ratios.index >= change].median() - ratios[ratios.index < change].median()
