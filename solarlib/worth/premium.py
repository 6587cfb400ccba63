"""What a little more yield is worth: the sum behind the choice of a dearer converter.

Over `YEARS` years at nominal yearly shares: money elsewhere earns `DISCOUNT_RATE`, prices grow by `PRICE_GROWTH`, the
modules wear by `DEGRADATION`. Failures, watching each module and rapid shutdown are not in it.
"""

import numpy as np
import numpy.typing as npt

from solarlib.quantities import require
from solarlib.worth.money import annuity_factor

YEARS, DISCOUNT_RATE, PRICE_GROWTH, DEGRADATION = 25, 0.05, 0.025, 0.005


def value_of_gain(gain: npt.ArrayLike, yearly_kwh: float, price_per_kwh: float) -> npt.NDArray[np.float64]:
    """Return what a share more of energy in each year is worth on the day of buying.

    Parameters
    ----------
    gain : float or array
        0.01 is one percent more than `yearly_kwh`; from `shade.ShadeLoss.module_gain`.
    yearly_kwh : float
        Energy of the first year without the gain. [kWh]
    price_per_kwh : float
        What one more kWh is worth in the first year: the price it replaces, or the credit it earns.

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
    growth = (1.0 + PRICE_GROWTH) * (1.0 - DEGRADATION) - 1.0
    return np.asarray(gain, dtype=float)[()] * yearly * price * float(annuity_factor(DISCOUNT_RATE, YEARS, growth))


def gain_needed(yearly_kwh: float, price_per_kwh: float, premium: float) -> float:
    """Return the share of energy that pays a premium, the extra price on the day of buying, back within the years.

    NaN if energy is worth nothing. Parameters as for `value_of_gain`.
    """
    whole = float(value_of_gain(1.0, yearly_kwh, price_per_kwh))
    return require(premium, "premium", -1e9, 1e9) / whole if whole > 0 else np.nan
