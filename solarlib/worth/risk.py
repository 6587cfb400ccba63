"""How sure is the worth of a PV system: one factor at a time, and many lifetimes drawn at random.

Two kinds of not knowing are kept apart. A PERSISTENT error (long-term sunshine, the model, the price level) has the
same sign in every year of one lifetime and never averages out. YEARLY weather differs from year to year and does.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.special import ndtri

from solarlib.quantities import InputError, refuse_if, require, whole_number
from solarlib.worth import money


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


@dataclass(frozen=True)
class Rule:
    """One billing rule: the present one, or one that may take over.

    Parameters
    ----------
    name : str
    probability : float
    saving : callable
        ``saving(factors, levels)`` returns the nominal saving of years 1 ... n, for two arrays, shape (draws, n):
        generation over that of the new system, and prices over those of year 1. [money]
    from_years : (int, int)
        First and last of the years at whose beginning it may take over, all alike; (1, 1): it holds from the start.
    """

    name: str
    probability: float
    saving: Callable
    from_years: tuple[int, int] = (1, 1)

    def __post_init__(self):
        first, last = self.from_years
        whole_number(first, f"rule {self.name!r}: first of from_years", 1, 100)
        whole_number(last, f"rule {self.name!r}: last of from_years", first, 100)


@dataclass(frozen=True)
class Uncertainty:
    """How far each input may be from the expected one. Pairs are (mean, standard deviation); spreads are normal.

    Parameters
    ----------
    yield_persistent_sd, yield_yearly_sd : float
        Relative, of the yearly generation.
    price_sd : float
        Relative and persistent, of every price in the tariff.
    inflation, real_growth, real_rate : (float, float)
        One draw of inflation carries the growth of prices, the growth of costs and the discount rate together, so
        that these three are correlated as they should be.
    degradation : (float, float)
        Per year; a drawn value below zero counts as zero.
    upkeep_sd, event_cost_sd : float
        Relative and persistent, of the yearly running costs and of each later expense.
    event_year_sd : float
        Of the year of each later expense, rounded to whole years; beyond the last year it does not happen. [years]
    """

    yield_persistent_sd: float = 0.0
    yield_yearly_sd: float = 0.0
    price_sd: float = 0.0
    inflation: tuple = (0.0, 0.0)
    real_growth: tuple = (0.0, 0.0)
    real_rate: tuple = (0.0, 0.0)
    degradation: tuple = (0.0, 0.0)
    upkeep_sd: float = 0.0
    event_cost_sd: float = 0.0
    event_year_sd: float = 0.0

    def __post_init__(self):
        for name, value in vars(self).items():
            if name.endswith("_sd"):
                require(value, f"uncertainty.{name}", 0, 50)
            else:
                require(value[0], f"uncertainty.{name} mean", -0.5, 1)
                require(value[1], f"uncertainty.{name} standard deviation", 0, 0.2)


def draw_lifetimes(rng, draws, years, rules, costs, uncertainty):
    """Draw many lifetimes of one system.

    Parameters
    ----------
    rng : numpy.random.Generator
    draws, years : int
    rules : sequence of Rule
        The first holds until another one takes over; each lifetime draws one, and the year in which it does. The
        probabilities add up to 1. One that would come after the last year leaves the first in force.
    costs : solarlib.worth.lifetime.Costs
        Expected costs. ``costs.growth`` is replaced by the drawn inflation.
    uncertainty : Uncertainty

    Returns
    -------
    DataFrame, one row a lifetime
        rule (the last in force), from_year (of the life, in which it took over), mean_yield_factor, price_factor,
        price_growth, rate, degradation (drawn); first_year_saving, gross_saving, net_saving, net_present_value
        [money]; cumulative_payback, discounted_payback, NaN where it never comes [years].
    """
    chances = np.array([rule.probability for rule in rules], dtype=float)
    if chances.size == 0 or np.any(chances < 0) or abs(chances.sum() - 1) > 1e-9:
        raise InputError(f"rules: found probabilities {chances.tolist()}, allowed are shares that add up to 1")
    draws = int(require(draws, "draws", 1, 1_000_000))
    costs.check_years(years)
    one, u = (draws, 1), uncertainty
    which, since = _changes(rng, rules, chances, draws, years)
    weather = _factor(rng, u.yield_persistent_sd, one) * _factor(rng, u.yield_yearly_sd, (draws, years))
    price, inflation = _factor(rng, u.price_sd, one), _normal(rng, u.inflation, one)
    growth = money.nominal_rate(_normal(rng, u.real_growth, one), inflation)
    rate = money.nominal_rate(_normal(rng, u.real_rate, one), inflation)[:, 0]
    degradation = np.maximum(_normal(rng, u.degradation, one), 0.0)

    made = weather * money.growth_path(years, -degradation)[:, 0]
    saving = _saved(rules, which, since, made, price * money.growth_path(years, growth)[:, 0])
    flows = np.full((draws, years + 1), costs.rebate - costs.outlay)
    flows[:, 1:] = saving - _spent(rng, costs, u, money.growth_path(years, inflation)[:, 0])
    flows += costs.tax_credits(years)
    rule = pd.Categorical.from_codes(which, [rule.name for rule in rules])
    drawn = {"price_factor": price[:, 0], "price_growth": growth[:, 0], "rate": rate, "degradation": degradation[:, 0]}
    savings = {"first_year_saving": saving[:, 0], "gross_saving": saving.sum(axis=1), "net_saving": flows.sum(axis=1)}
    paybacks = {"cumulative_payback": money.payback(flows), "discounted_payback": money.payback(flows, rate)}
    table = {"rule": rule, "from_year": since, "mean_yield_factor": made.mean(axis=1)} | drawn | savings
    return pd.DataFrame(table | {"net_present_value": money.net_present_value(rate, flows)} | paybacks)


def _normal(rng, pair, shape):
    """Draw from a normal law of (mean, standard deviation)."""
    return pair[0] + pair[1] * rng.standard_normal(shape)


def _factor(rng, sd, shape):
    """Draw a factor around 1 that is never negative."""
    return np.maximum(_normal(rng, (1.0, sd), shape), 0.0)


def _changes(rng, rules, chances, draws, years):
    """Draw the last rule of each lifetime and the year in which it takes over."""
    which = rng.choice(chances.size, size=draws, p=chances)
    first, last = np.array([rule.from_years for rule in rules])[which].T
    since = rng.integers(first, last, endpoint=True)
    which[since > years] = 0
    return which, np.where(which == 0, 1, since)


def _saved(rules, which, since, made, levels):
    """Return the nominal savings: by the first rule, and by each lifetime's own from its year on. [money]"""
    saved = np.array(rules[0].saving(made, levels), dtype=float)
    year = np.arange(1, made.shape[1] + 1)
    for number, rule in enumerate(rules[1:], 1):
        chosen = which == number
        if chosen.any():
            later = year >= since[chosen, None]
            saved[chosen] = np.where(later, rule.saving(made[chosen], levels[chosen]), saved[chosen])
    return saved


def _spent(rng, costs, u, grown):
    """Draw what each year costs; ``grown`` is the path of the cost level. [money], (draws, years)"""
    draws, years = grown.shape
    spent = (costs.upkeep_per_year + costs.insurance_and_tax_per_year) * _factor(rng, u.upkeep_sd, (draws, 1)) * grown
    spent[:, -1] += (costs.removal - costs.residual) * grown[:, -1]
    for event in costs.events:
        cost = event.cost * _factor(rng, u.event_cost_sd, draws)
        year = np.maximum(np.rint(_normal(rng, (event.year, u.event_year_sd), draws)).astype(int), 1)
        happens = np.flatnonzero(year <= years)
        spent[happens, year[happens] - 1] += cost[happens] * grown[happens, year[happens] - 1]
    return spent


def summarise(lifetimes):
    """Return the spread of drawn lifetimes, for each rule and for all together.

    Where rules differ much the spread of all has several humps: show the rows of the rules, not one mean.

    Parameters
    ----------
    lifetimes : DataFrame
        As `draw_lifetimes` returns it.

    Returns
    -------
    DataFrame indexed by rule, last row ``all``
        lifetimes (count); net_present_value 5, 50 and 95 % quantiles; share_losing (net present value below 0);
        cumulative payback 5, 50 and 95 % quantiles, infinite where so many never pay back.
    """
    rows = {}
    for name, group in [*lifetimes.groupby("rule", observed=True), ("all", lifetimes)]:
        worth, payback = group["net_present_value"], group["cumulative_payback"].fillna(np.inf)
        row = {"lifetimes": len(group), "share_losing": (worth < 0).mean()}
        for percent in (5, 50, 95):
            row[f"net_present_value_{percent}"] = worth.quantile(percent / 100)
            # a quantile between two lifetimes cannot be interpolated to infinity
            row[f"payback_{percent}"] = payback.quantile(percent / 100, interpolation="higher")
        rows[name] = row
    return pd.DataFrame.from_dict(rows, orient="index").rename_axis("rule")
