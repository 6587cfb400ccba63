"""Money and years: the time value of money and the figures of merit of a yearly cash flow.

A cash flow is an array whose LAST axis is the year: entry 0 is the day of buying, entry t is the end of year t.
Positive is to the owner. Rates are yearly shares (0.05 is 5 %). Money is in any one currency. A figure that does
not exist (a payback that never comes, a rate of return that is not unique) is NaN, never a large number.
"""

import numpy as np
from scipy.optimize import brentq

from solarlib.quantities import InputError, refusal, refuse_if

NEAR_ZERO = 1e-6  # a rate so little below zero is zero: what the roots of a polynomial are good to


def _rate(rate, name="rate"):
    rate = np.asarray(rate, dtype=float)
    refuse_if(not np.all(np.isfinite(rate) & (rate > -1)), "rate", name, rate=rate.tolist())
    return rate


def _flows(flows, name="flows", least=2):
    flows = np.asarray(flows, dtype=float)
    if flows.ndim == 0 or flows.shape[-1] < least or not np.all(np.isfinite(flows)):
        raise InputError(f"{name}: found shape {flows.shape}, allowed are {least} or more finite yearly amounts")
    return flows


def real_rate(nominal, inflation):
    """Return the real rate from a nominal one, by Fisher: (1 + nominal)/(1 + inflation) - 1, not the difference."""
    return (_rate(nominal, "nominal") - inflation) / (1 + _rate(inflation, "inflation"))


def growth_path(years, growth):
    """Return the factors 1, (1 + growth), ... of ``years`` years, the first year not yet grown.

    Parameters
    ----------
    years : int
    growth : float or array, shape (...)
        Yearly growth; negative for wear.

    Returns
    -------
    array, shape (..., years)
    """
    refuse_if(years != int(years) or years < 1, "years_of_path", "years", years=years)
    return (1 + _rate(growth, "growth"))[..., None] ** np.arange(int(years))


def discounted(rate, flows):
    """Return each flow divided by (1 + rate)^t, t = 0, 1, 2, ... along the last axis; year 0 is not discounted.

    Parameters
    ----------
    rate : float or array, shape (...)
        Discount rate; nominal for nominal flows, real for flows in today's money.
    flows : array, shape (..., n + 1)
    """
    flows = _flows(flows, least=1)
    return flows / (1 + _rate(rate))[..., None] ** np.arange(flows.shape[-1])


def net_present_value(rate, flows):
    """Return the sum of the `discounted` flows: what the flows are worth on the day of buying.

    Examples
    --------
    >>> round(float(net_present_value(0.08, [-40_000, 5_000, 8_000, 12_000, 30_000])), 5)
    3065.22267
    """
    return discounted(rate, flows).sum(axis=-1)


def tolerance(rate, flows, share):
    """Return what a net present value is good to where incomes are good to a share of them: 0.01 is one percent.

    A net present value no larger than this is about zero: it may as well lie on the other side.
    """
    return share * np.maximum(discounted(rate, flows), 0.0).sum(axis=-1)


def annuity_factor(rate, periods, growth=0.0):
    """Return the present value of 1 at the end of period 1, (1 + growth) at the end of period 2, and so on.

    Parameters
    ----------
    rate, growth : float or array
        Per period. Where they are equal the sum is periods / (1 + rate).
    periods : float or array

    References
    ----------
    Fuller and Petersen, NIST Handbook 135 (1995): its modified uniform present value factor lets the first
    payment grow too, so it is (1 + growth) times this one.
    """
    rate, growth, periods = _rate(rate), _rate(growth, "growth"), np.asarray(periods, dtype=float)
    log_ratio = np.log1p(growth) - np.log1p(rate)
    equal = log_ratio == 0
    step = np.where(equal, 1.0, np.expm1(log_ratio))
    return np.where(equal, periods, np.expm1(periods * log_ratio) / step) / (1 + rate)


def loan_payment(principal, rate, periods):
    """Return the constant payment at the end of each period that repays ``principal``: principal / `annuity_factor`."""
    return principal / annuity_factor(rate, periods)


def loan_balance(principal, rate, payment, periods):
    """Return what is still owed after ``periods`` payments (an array or a fraction is allowed)."""
    periods = np.asarray(periods, dtype=float)
    return (principal - payment * annuity_factor(rate, periods)) * (1 + _rate(rate)) ** periods


def simple_payback(cost, first_year_value, first_year_cost=0.0):
    """Return cost / (value - running cost of year 1) in years; NaN if the first year earns nothing."""
    margin = np.asarray(first_year_value, dtype=float) - first_year_cost
    positive = margin > 0
    return np.where(positive, cost / np.where(positive, margin, 1.0), np.nan)[()]


def payback(flows, rate=0.0, lasting=False):
    """Return when the running sum of the discounted flows first reaches zero, linear inside the year.

    Parameters
    ----------
    flows : array, shape (..., n + 1)
    rate : float or array, shape (...)
        0 gives the cumulative payback, a discount rate the discounted payback.
    lasting : bool
        If true, the time after which the sum never falls below zero again (a late replacement can push it back).

    Returns
    -------
    float or array, shape (...)
        NaN where the sum never gets there. [years]

    Examples
    --------
    >>> float(payback([-100.0, 40.0, 40.0, 40.0]))
    2.5
    """
    flows = discounted(rate, flows)
    total = np.cumsum(flows, axis=-1)
    # A sum that is zero in truth may end a rounding error below it; a payback must not hang on that.
    paid = total >= -1e-12 * np.cumsum(np.abs(flows), axis=-1)
    if lasting:
        paid = np.logical_and.accumulate(paid[..., ::-1], axis=-1)[..., ::-1]
    year = np.argmax(paid, axis=-1)
    before = np.maximum(year - 1, 0)[..., None]
    short = -np.take_along_axis(total, before, axis=-1)[..., 0]
    earned = np.take_along_axis(flows, year[..., None], axis=-1)[..., 0]
    inside = np.clip(short / np.where(earned > 0, earned, 1.0), 0.0, 1.0)
    return np.where(paid.any(axis=-1), np.where(year > 0, year - 1 + inside, 0.0), np.nan)[()]


def sign_changes(flows):
    """Return how often consecutive non-zero flows differ in sign; above 1 the internal rate may not be unique."""
    flows = _flows(flows)
    return int(np.count_nonzero(np.diff(np.sign(flows[flows != 0]))))


def internal_rates(flows):
    """Return every rate above -1 at which the net present value is zero, in rising order.

    Parameters
    ----------
    flows : array, shape (n + 1,)

    Returns
    -------
    tuple of float
        Empty without a change of sign. By Descartes' rule there are at most `sign_changes` of them. Where several
        exist, two closer than 1e-4 count as one: a curve that only touches zero cannot be resolved finer.

    Examples
    --------
    >>> [round(rate, 6) for rate in internal_rates([-1000, 2500, -1560])]
    [0.2, 0.3]
    """
    flows = _flows(flows)
    used = np.flatnonzero(flows)
    changes = sign_changes(flows)
    if changes == 0:
        return ()
    terms = flows[used[0] : used[-1] + 1] / np.abs(flows).max()  # neither time nor size shifts a root

    def value(log_growth):  # bounded form of the sum, so that no power overflows
        powers = -log_growth * np.arange(terms.size)
        return float(terms @ np.exp(powers - powers.max()))

    if changes == 1:
        reach = 1.0
        while value(-reach) * value(reach) > 0:
            reach *= 2
        return (float(np.expm1(brentq(value, -reach, reach, xtol=1e-15, rtol=1e-15))),)
    growths = np.roots(terms)  # (1 + r)^n * NPV is a polynomial in 1 + r with the flows as coefficients
    growths = growths[(growths.real > 0) & (np.abs(growths.imag) < 1e-2 * np.abs(growths))].real
    kept = []
    for growth in np.sort(growths):
        powers = growth ** -np.arange(terms.size, dtype=float)
        is_root = abs(terms @ powers) <= 1e-9 * (np.abs(terms) @ powers)
        if is_root and (not kept or growth - kept[-1] > 1e-4 * growth):
            kept.append(growth)
    return tuple(float(growth - 1) for growth in kept)


def internal_rate(flows):
    """Return the internal rate of return: the one rate, at or above zero, at which the net present value is zero.

    Roots below zero belong to money that shrinks elsewhere; they count only where no other root exists, so that a cost
    at the end of life (which always brings such a root) leaves the rate of an investment what it is. NaN if no rate or
    more than one is left, and if year 0 is no outlay: a system paid wholly by a loan invests nothing, and a rate of
    return on nothing means nothing. Show `net_present_value` over many rates instead.

    Examples
    --------
    >>> round(internal_rate([-100.0, 60.0, 60.0, -5.0]), 4)  # the other root is a loss of 92 % a year
    0.1029
    """
    flows = _flows(flows)
    rates = internal_rates(flows)
    rates = [rate for rate in rates if rate > -NEAR_ZERO] or rates
    return rates[0] if len(rates) == 1 and flows[0] < 0 else np.nan


def levelised_cost(costs, energy_kwh, rate, inflation=0.0):
    """Return the levelised cost of energy: discounted costs over discounted energy.

    Parameters
    ----------
    costs : array, shape (n + 1,)
        Nominal costs of years 0 ... n, positive. [money]
    energy_kwh : array, shape (n,)
        Energy of years 1 ... n. [kWh]
    rate : float
        NOMINAL discount rate.
    inflation : float
        0 gives the nominal figure, to set against a levelised nominal price; the inflation rate gives the real
        figure, to set against today's price.

    Returns
    -------
    float
        [money/kWh]

    References
    ----------
    Short, Packey and Holt (1995), NREL/TP-462-5173.
    """
    costs, energy = _flows(costs, "costs"), _flows(energy_kwh, "energy_kwh", least=1)
    if costs.shape[-1] != energy.shape[-1] + 1 or not np.all(energy >= 0) or not np.any(energy > 0):
        raise refusal("years_of_energy", "energy_kwh", years=energy.shape[-1], costs=costs.shape[-1])
    energy = np.concatenate([np.zeros_like(energy[..., :1]), energy], axis=-1)
    return net_present_value(rate, costs) / net_present_value(real_rate(rate, inflation), energy)
