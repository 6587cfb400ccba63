"""What a little more yield is worth: the sum behind the choice of a dearer converter."""

import numpy as np

from solarlib.quantities import InputError, require
from solarlib.worth.money import annuity_factor, net_present_value


def value_of_gain(gain, yearly_kwh, price_per_kwh, years=25, discount_rate=0.05, price_growth=0.025, degradation=0.005):
    """Return what a share more of energy in each year is worth on the day of buying.

    Parameters
    ----------
    gain : float or array
        0.01 is one percent more than `yearly_kwh`; from `shade.ShadeLoss.module_gain`.
    yearly_kwh : float
        Energy of the first year without the gain. [kWh]
    price_per_kwh : float
        What one more kWh is worth in the first year: the price it replaces, or the credit it earns.
    years : int
    discount_rate, price_growth, degradation : float
        Nominal yearly shares.

    Returns
    -------
    float or array
        In the currency of the price.

    Examples
    --------
    >>> round(value_of_gain(0.01, 5625, 0.16))
    154
    """
    yearly, price = require(yearly_kwh, "yearly_kwh", 0, 1e9, "kWh"), require(price_per_kwh, "price_per_kwh", 0, 100)
    years = require(years, "years", 1, 60, "years")
    growth = (1.0 + price_growth) * (1.0 - require(degradation, "degradation", 0, 0.5)) - 1.0
    return np.asarray(gain, dtype=float)[()] * yearly * price * float(annuity_factor(discount_rate, years, growth))


def choice_value(
    gain,
    yearly_kwh,
    price_per_kwh,
    premium,
    later=None,
    years=25,
    discount_rate=0.05,
    price_growth=0.025,
    degradation=0.005,
):
    """Return what the dearer choice is worth: `value_of_gain` less the premium, less what it costs more later.

    Parameters
    ----------
    gain, yearly_kwh, price_per_kwh, years, discount_rate, price_growth, degradation
        As for `value_of_gain`.
    premium : float
        Extra price on the day of buying; negative if cheaper.
    later : dict of year -> amount, optional
        Extra expense at the end of a year, in the money of that year; negative where it saves one.

    Returns
    -------
    float or array
        Positive: worth it, by these numbers alone. Failures, watching each module, rapid shutdown are not in it.
    """
    value = value_of_gain(gain, yearly_kwh, price_per_kwh, years, discount_rate, price_growth, degradation)
    return value - _costs(premium, later, years, discount_rate)


def gain_needed(
    yearly_kwh, price_per_kwh, premium, later=None, years=25, discount_rate=0.05, price_growth=0.025, degradation=0.005
):
    """Return the share of energy that pays the premium back within the years; NaN if energy is worth nothing.

    Parameters as for `choice_value`.
    """
    whole = value_of_gain(1.0, yearly_kwh, price_per_kwh, years, discount_rate, price_growth, degradation)
    return _costs(premium, later, years, discount_rate) / whole if whole > 0 else np.nan


def _costs(premium, later, years, discount_rate):
    flows = np.zeros(int(years) + 1)
    flows[0] = require(premium, "premium", -1e9, 1e9)
    for year, amount in (later or {}).items():
        if year != int(year) or not 1 <= year <= years:
            raise InputError(f"later: found year {year!r}, allowed is a whole number from 1 to {int(years)}")
        flows[int(year)] += require(amount, "later", -1e9, 1e9)
    return float(net_present_value(discount_rate, flows))
