"""A house beside similar systems nearby: the daily log ratio to their median, and what they may be told.

Neighbours share sun, haze and snowfall with a house, so their median removes the weather without any sensor. They do
not share its orientation, so each system is first divided by what a model says its own roof should make.
"""

from functools import lru_cache

import numpy as np
import pandas as pd
from scipy.integrate import quad
from scipy.stats import beta, norm

from solarlib.quantities import InputError, require

GOOD_DAY_H = 1.0  # daily yield below which a ratio says nothing, kWh/kW (`common practice, no source`)
LEAST_GROUP = 5  # systems in a median that is shown (`common practice, no source`)
SNOW_BELOW_C = 0.0
FLOOR = 0.05  # smallest ratio told apart: a dead day counts as this, not as minus infinity
FAR_BELOW = 0.5  # a neighbour at half of the middle of all or less, on a cold day, may lie under snow

PRIVACY = {
    "yield only": "Share what the roof made. Never share what the house bought or sold: it shows when people are away.",
    "per kW": "Divide by the rated power, so that the size of a system does not name its owner.",
    "daily": "Share one number a day. Finer numbers show shade and habits.",
    "no place": "Share no address, no coordinates, no name of the owner.",
    "group": f"Show a median of at least {LEAST_GROUP} systems, never a single one.",
    "consent": "Ask first. Say what is shared and with whom. Delete it when a neighbour says so.",
    "local": "Keep the files on your own machine.",
}


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


def group_median(yields, least=LEAST_GROUP):
    """Return the median of the neighbours of each day, missing where fewer than `least` report.

    Parameters
    ----------
    yields : DataFrame, shape (days, systems)
        Daily yields. [kWh/kW]

    Raises
    ------
    InputError
        There are fewer than `least` systems at all: such a median could give one neighbour away.
    """
    if yields.shape[1] < least:
        raise InputError(f"neighbours: found {yields.shape[1]} systems, allowed are {least} or more")
    return yields.median(axis=1).where(yields.notna().sum(axis=1) >= least)


def meets_group_rule(energies, least=15, most_share=0.15):
    """Tell whether a total may be published under a rule "at least so many, none above such a share".

    The 15/15 numbers are used for customer data in several states of the US (`seen`, a summary); a rule of your own
    place may differ. A handful of friendly neighbours meets none of them: it rests on consent.
    """
    energies = np.asarray(energies, dtype=float)
    return bool(len(energies) >= least and energies.max() <= most_share * energies.sum())


def usable_days(own, neighbours, temp_air=None, snow=None, complete=None):
    """Return for each day why it is set aside; an empty text where it can be compared.

    Parameters
    ----------
    own : Series, shape (days,)
        Daily yield. [kWh/kW]
    neighbours : DataFrame, shape (days, systems)
    temp_air : Series, optional
        Mean air temperature of the day. [degC]
    snow, complete : Series of bool, optional
        Days noted as snowy; days without a missing hour.

    Returns
    -------
    Series of str
        Every day has one answer, so the counts add up to the days.

    Notes
    -----
    Own zeros on good days are NOT set aside: they are the plainest signature of all.
    """
    middle = neighbours.median(axis=1)
    reason = pd.Series("", index=own.index)
    if temp_air is not None:
        under_snow = neighbours.lt(FAR_BELOW * neighbours.max(axis=1), axis=0).any(axis=1) & (temp_air < SNOW_BELOW_C)
        reason = reason.mask(under_snow, "snow possible")
    reason = reason.mask(middle < GOOD_DAY_H, "too little sun")
    if snow is not None:
        reason = reason.mask(snow.astype(bool), "snow noted")
    if complete is not None:
        reason = reason.mask(~complete.astype(bool), "hours missing")
    return reason.mask(own.isna() | middle.isna(), "no reading")


def log_ratio(own, neighbours, own_model=None, neighbour_models=None):
    """Return the logarithm of the daily ratio of a house to the median of its neighbours.

    Parameters
    ----------
    own : Series, shape (days,)
    neighbours : DataFrame, shape (days, systems)
        Daily yields. [kWh/kW]
    own_model, neighbour_models : Series and DataFrame, optional
        What a model expects of each roof, in any unit: only its shape over the year matters. Each system is divided
        by its own before the median is taken. The model may come from a typical year: the ratio of two roofs of one
        place changes with the season much more than with the year.

    Returns
    -------
    Series
        0: as the neighbours; -0.0645: one sixteenth less; a dead day counts as the smallest ratio told apart. NaN where a
        reading is missing.

    Raises
    ------
    InputError
        One model without the other, or neighbours that stand in other columns than their models.
    """
    if (own_model is None) != (neighbour_models is None):
        raise InputError("models: found one side only, allowed are both the house's and the neighbours', or none")
    if own_model is not None:
        if list(neighbour_models.columns) != list(neighbours.columns):
            raise InputError("models: found other systems than among the neighbours, allowed are the same columns")
        own = _per(own, own_model)
        neighbours = _per(neighbours, neighbour_models)
    ratio = own / neighbours.median(axis=1).where(lambda middle: middle > 0)
    return np.log(ratio.clip(lower=FLOOR))


def clear_day_envelope(yields, upper=0.9, days=31):
    """Return what a clear day of each season gives: an upper quantile over the weeks around it.

    Parameters
    ----------
    yields : Series, one row a day, in order
        A year or more; NaN days are left out. [kWh/kW]
    upper : float
        Quantile. In a dull winter few days are clear and the envelope is low.
    days : int
        Length of the window, odd.

    Returns
    -------
    Series
        A day far below it was cloudy, or something is wrong; a day near it was clear and all is well.
    """
    return yields.rolling(days, center=True, min_periods=days // 3).quantile(require(upper, "upper", 0, 1))


def module_ratios(energies):
    """Return each module's energy over the median of its roof plane: the sharpest comparison, where modules are metered.

    Parameters
    ----------
    energies : DataFrame, shape (days, modules)
        Modules of one plane and one kind only, three or more. [kWh]

    Returns
    -------
    DataFrame
        1: as the others; 0: no power. NaN on days without energy.
    """
    if energies.shape[1] < 3:
        raise InputError(f"modules: found {energies.shape[1]}, allowed are three or more of one plane")
    middle = energies.median(axis=1)
    return energies.div(middle.where(middle > 0), axis=0)


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
    if yields.shape[1] < 3:
        raise InputError(f"systems: found {yields.shape[1]}, allowed are three or more")
    shifts = {}
    for name in yields:
        ratio = log_ratio(yields[name], yields.drop(columns=name))
        shifts[name] = ratio[ratio.index >= change].median() - ratio[ratio.index < change].median()
    return pd.Series(shifts)


@lru_cache(maxsize=64)
def scatter_factor(count):
    """Return how much wider a ratio to a median scatters than one system: sqrt(1 + variance of the median).

    Parameters
    ----------
    count : int
        Neighbours, an odd number; their scatter is normal and equal to the own.
    """
    count = int(require(count, "neighbours", 1, 999))
    if count % 2 == 0:
        raise InputError(f"neighbours: found {count}, allowed is an odd number")
    middle = beta((count + 1) / 2, (count + 1) / 2)
    variance = quad(lambda u: norm.ppf(u) ** 2 * middle.pdf(u), 0, 1)[0]
    return float(np.sqrt(1.0 + variance))


@lru_cache(maxsize=64)
def sick_neighbour_shift(count, loss, scatter):
    """Return how far one sick neighbour of an odd `count` moves the mean and the median of the logarithms.

    Parameters
    ----------
    count : int
        Odd, 3 or more.
    loss : float
        Of the sick one, large beside the scatter, so that it always stands lowest.
    scatter : float
        Standard deviation of one system's log yield.

    Returns
    -------
    tuple of float
        (mean, median), negative. The median depends on the scatter: it moves half a rank among the healthy ones.
    """
    count = int(require(count, "neighbours", 3, 999))
    if count % 2 == 0:
        raise InputError(f"neighbours: found {count}, allowed is an odd number")
    rank = (count - 1) // 2  # of the middle one among the count - 1 healthy
    order = beta(rank, count - rank)
    return float(np.log1p(-loss) / count), float(scatter * quad(lambda u: norm.ppf(u) * order.pdf(u), 0, 1)[0])


def _per(measured, model):
    """Divide by the model where it expects anything."""
    return measured / model.where(model > 0)
