"""Made homes for the chart of days: heavy tails, days that resemble the day before, dull days that scatter wider.

Nothing of the library stands in here. All numbers are invented; the kinds are those in which a chart of independent
normal days errs. Seeds up to 99 may be looked at while the chart is changed, those from 100 on are kept for its tests.
"""

import numpy as np
import pandas as pd
from scipy.signal import lfilter
from scipy.stats import norm

TAILS, LAG, SKY_LAG, SCATTER, NEIGHBOURS = 4, 0.3, 0.4, 0.03, 6
KINDS = {  # scatter of a day by its clearness (0 to 1): factors to the usual one
    "power of the clearness": lambda clear: (clear / 0.7) ** -0.7,
    "two kinds of days": lambda clear: np.where(clear < 0.6, 2.0, 1.0),
    "the same on each day": lambda clear: np.ones_like(clear),
}


def alike(rng, shape, lag, draw):
    """Return unit noise, each row resembling the one before."""
    return lfilter([np.sqrt(1 - lag**2)], [1, -lag], draw(rng, (shape[0] + 60, *shape[1:])), axis=0)[60:]


def heavy(rng, shape):
    return rng.standard_t(TAILS, shape) / np.sqrt(TAILS / (TAILS - 2))


def home(seed, days, kind="power of the clearness", loss=0.0, loss_day=None, season=0.0):
    """Return own yields, neighbours' yields, and the models of both; shapes (days,) and (days, 6). [kWh/kW]

    `season`: the own roof is so much weaker around 21 June than its model knows, and stronger in December.
    """
    rng = np.random.default_rng(seed)
    dates = pd.date_range("2025-03-01", periods=days) + pd.Timedelta(days=0 if season else int(rng.integers(365)))
    turn = np.cos(2 * np.pi * (dates.day_of_year.to_numpy() - 172) / 365)
    best = 4.5 + 2.0 * turn
    clear = 0.25 + 0.75 * norm.cdf(alike(rng, (days,), SKY_LAG, np.random.Generator.standard_normal)) ** 0.6
    each = SCATTER / 1.13 * KINDS[kind](clear)[:, None] * alike(rng, (days, NEIGHBOURS + 1), LAG, heavy)
    made = pd.DataFrame(np.exp(each + 0.05 * rng.standard_normal(NEIGHBOURS + 1)), dates)
    made = made.mul(best * clear, axis=0)
    made[0] *= np.exp(-season * turn)
    if loss_day is not None:
        made.iloc[loss_day:, 0] *= 1.0 - loss
    model = pd.DataFrame(np.repeat(best[:, None], NEIGHBOURS + 1, axis=1), dates)
    return made[0], made.drop(columns=0), model[0], model.drop(columns=0)
