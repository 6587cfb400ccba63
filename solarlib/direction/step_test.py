"""Which way does the power flow? One step test with a known load, seen by an instrument that shows no sign.

Net power n is positive when the house imports; the instrument shows its size u. A test load of L watts raises n by
L. Three things can be true, and each predicts what the instrument shows next:

- importing: u rises by L;
- exporting at least L: u falls by L;
- exporting less than L: the test load pushes the house through zero, and u becomes L minus what it was. Here, in
  the fold, a small export makes the reading RISE. The size before and after add up to L.

The general theory stands in `solarlib.direction.detection`.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy.special import ndtr

from solarlib.direction.detection import both_below, normal_density
from solarlib.quantities import check_ranges, energy_kwh, refuse_if, require

HYPOTHESES = ("importing", "exporting", "pushed through zero")
OTHER_SWITCHING = 0.06  # probability that something else in the house switches during a test ...
OTHER_RANGE_W = 6000.0  # ... and the width of the flat density of such a disturbance


@dataclass(frozen=True)
class StepTest:
    """A test load and how it is used.

    Parameters
    ----------
    load_w : float
        What the test load draws. [W]
    dwell_s : float
        How long it stays on; the windows before and after are as long. [s]
    noise_w : float
        Standard deviation of one reading. `log_likelihoods` takes every change beyond this spread (and the drift) for
        other switching, which tells nothing. So give it the instrument's noise together with the house's ordinary
        unrest from reading to reading, for minutes about 25 to 60 W; the sensor's few watts alone would make most
        tests of a real house seem disturbed. [W]
    reading_step_s : float
        Time between two readings. [s]
    drift_w2_per_s : float
        How fast the rest of the house wanders: variance gained a second by a random walk. [W2/s]
    use_after : bool
        Compare with the mean of before and after (True) or with before only (False).
    """

    load_w: float
    dwell_s: float = 60.0
    noise_w: float = 10.0
    reading_step_s: float = 10.0
    drift_w2_per_s: float = 0.0
    use_after: bool = True

    def __post_init__(self):
        check_ranges(self, "StepTest")
        dwell, step = self.dwell_s, self.reading_step_s
        refuse_if(dwell < step, "short_dwell", "StepTest.dwell_s", dwell=dwell, step=step)

    @property
    def readings(self):
        """Whole readings inside one window."""
        return int(self.dwell_s / self.reading_step_s + 1e-9)

    @property
    def change_sd_w(self):
        """Standard deviation of the measured change (during minus reference). [W]"""
        drift = self.drift_w2_per_s
        return float(change_sd(self.noise_w, self.readings, self.dwell_s, drift, use_after=self.use_after))

    @property
    def during_sd_w(self):
        """Standard deviation of the mean reading during the step, its noise alone. [W]"""
        return self.noise_w / np.sqrt(self.readings)

    @property
    def separation(self):
        """Test load over the standard deviation of the measured change."""
        return self.load_w / self.change_sd_w


def change_sd(noise_w, readings, dwell_s=0.0, drift_w2_per_s=0.0, use_after=True):
    """Return the standard deviation of mean(during) minus its reference, windows of equal length.

    With ``use_after`` the reference is the mean of before and after: noise 1.5 s^2/n, drift qT/4, and a linear ramp
    cancels. Without, the reference is before only: 2 s^2/n and 2qT/3. [W]
    """
    noise, drift = (1.5, 0.25) if use_after else (2.0, 2 / 3)
    return np.sqrt(noise * np.square(noise_w) / readings + drift * drift_w2_per_s * np.asarray(dwell_s, dtype=float))


def best_dwell(noise_w, reading_step_s, drift_w2_per_s):
    """Return (dwell_s, change_sd_w): the dwell at which noise and drift balance, and the spread reached there.

    Longer averages noise away, shorter gives the house less time to change. Before and after are both looked at.
    """
    require(drift_w2_per_s, "drift_w2_per_s", 1e-12, 1e6, "W2/s")
    noise = np.square(noise_w) * reading_step_s
    dwell_s = np.sqrt(6 * noise / drift_w2_per_s)
    return float(dwell_s), float(change_sd(noise_w, dwell_s / reading_step_s, dwell_s, drift_w2_per_s))


def predicted_during(before_w: ArrayLike, load_w: ArrayLike) -> np.ndarray:
    """Return what the instrument will show, were each of `HYPOTHESES` true: shape (..., 3). [W]"""
    before_w = np.asarray(before_w, dtype=float)
    return np.stack([before_w + load_w, before_w - load_w, load_w - before_w], axis=-1)


def log_likelihoods(before_w, during_w, test, after_w=None):
    """Return the log-likelihood of the readings under each of `HYPOTHESES`.

    Each window's mean is taken as the size of the net power plus normal noise; the unknown size before the step is
    integrated over the range that the hypothesis allows (any, L or more, less than L). With probability
    `OTHER_SWITCHING` something else switched, and the reading during the step says nothing: so no single
    test can ever be certain.

    Parameters
    ----------
    before_w, during_w, after_w : float or array
        Window means; ``after_w`` only if ``test.use_after``. [W]
    test : StepTest

    Returns
    -------
    ndarray, shape (..., 3)
    """
    reference = np.asarray(before_w, dtype=float)
    if test.use_after and after_w is not None:
        reference = (reference + after_w) / 2
    during = np.asarray(during_w, dtype=float)
    load, during_var = test.load_w, test.during_sd_w**2
    sd = test.change_sd_w
    reference_sd = np.sqrt(sd**2 - during_var)
    # Both windows inform the size before: weights by variance, and the spread that remains.
    weight, joint_sd = during_var / sd**2, reference_sd * np.sqrt(during_var) / sd

    def size(from_during):
        return weight * reference + (1 - weight) * from_during

    def above(centre, spread, limit):
        return ndtr((centre - limit) / spread)

    positive, beyond = above(reference, reference_sd, 0.0), above(reference, reference_sd, load)
    stays, crosses = size(during + load), size(load - during)
    inside = np.clip(above(crosses, joint_sd, 0.0) - above(crosses, joint_sd, load), 0.0, 1.0)
    rises = normal_density(during - reference - load, sd) * above(size(during - load), joint_sd, 0.0)
    falls = normal_density(during - reference + load, sd) * above(stays, joint_sd, load)
    matches = rises, falls, normal_density(during + reference - load, sd) * inside
    allowed = [positive, beyond, np.clip(positive - beyond, 0.0, 1.0)]
    disturbed = OTHER_SWITCHING / OTHER_RANGE_W
    total = [(1 - OTHER_SWITCHING) * m + disturbed * a for m, a in zip(matches, allowed, strict=True)]
    return np.log(np.maximum(np.stack(total, axis=-1), 1e-300))


def posterior(before_w: ArrayLike, during_w: ArrayLike, test: StepTest, after_w: ArrayLike | None = None) -> np.ndarray:
    """Return the probability of each of `HYPOTHESES` after one step test, all alike before it; sums to one.

    Parameters
    ----------
    before_w, during_w, after_w, test
        As `log_likelihoods` takes them.

    Returns
    -------
    ndarray, shape (..., 3)
    """
    log_like = log_likelihoods(before_w, during_w, test, after_w)
    weight = np.exp(log_like - log_like.max(axis=-1, keepdims=True))
    return weight / weight.sum(axis=-1, keepdims=True)


def log_ratio(before_w: ArrayLike, during_w: ArrayLike, test: StepTest, after_w: ArrayLike | None = None) -> np.ndarray:
    """Return the evidence of one test for importing against exporting (either kind): positive speaks for import."""
    log_like = log_likelihoods(before_w, during_w, test, after_w)
    return log_like[..., 0] - np.logaddexp(log_like[..., 1], log_like[..., 2])


def rise_or_fall(before_w, during_w):
    """Return True where the naive rule says exporting: the reading fell. Wrong in the fold; kept for contrast."""
    return np.asarray(during_w) < np.asarray(before_w)


def error_probability(net_w, test):
    """Return the chance that the fold-aware test gets the sign wrong.

    Of the readings before (b) and during (d) those are nearer to import, d = b + L, than to export, d = |b - L|,
    for which d exceeds both b and L. Far from the fold that is the change alone, Q(L / its spread); in the fold the
    reading during, Q(u / its spread), a coin toss at zero. Between them both count, and import is mistaken oftener.
    `posterior`, which adds up the two ways of exporting, errs as much to a tenth over both directions together.

    Parameters
    ----------
    net_w : float or array
        Net power without the test load while the test runs. [W]
    """
    net_w = np.asarray(net_w, dtype=float)
    during_w = np.abs(net_w + test.load_w)
    above_load, rise = (during_w - test.load_w) / test.during_sd_w, (during_w - np.abs(net_w)) / test.change_sd_w
    told_import = both_below(above_load, rise, test.during_sd_w / test.change_sd_w)
    return np.where(net_w > 0, 1 - told_import, told_import)


def certain_import(
    reading_w: ArrayLike, pv_w: ArrayLike, margin_w: float = 40.0, margin_share: float = 0.03
) -> np.ndarray:
    """Return True where the house must be importing: it cannot send out more than the sun delivers.

    Parameters
    ----------
    reading_w, pv_w : float or array
        Unsigned reading and PV power; NaN is never certain. [W]
    margin_w, margin_share : float
        Doubt about the two instruments: certain only above ``pv * (1 + margin_share) + margin_w``. At night (no PV
        power) every reading above the margin is import. [W, -]
    """
    return np.asarray(reading_w, dtype=float) > np.asarray(pv_w, dtype=float) * (1 + margin_share) + margin_w


def energy_bounds(reading_w: pd.Series, importing: ArrayLike) -> pd.DataFrame:
    """Return what the energies imported and exported can be when the direction is known in some intervals only.

    Parameters
    ----------
    reading_w : Series
        Unsigned reading with a regular, time-zone-aware index; its direction does not change within an interval. [W]
    importing : array of bool
        True where the house is known to import, see `certain_import`; anywhere else either direction is possible.

    Returns
    -------
    DataFrame
        Rows ``import`` and ``export``, columns ``least_kwh`` and ``most_kwh``. Both are attained at once: least of
        one with most of the other, since they always add up to the sum of the readings. ``most_kwh`` is NaN where a
        reading is missing. [kWh]
    """
    energy = energy_kwh(reading_w)
    sure = energy.where(np.asarray(importing, dtype=bool), 0.0)
    least, most, rest = sure.sum(), energy.sum(skipna=False), (energy - sure).sum(skipna=False)
    return pd.DataFrame({"least_kwh": [least, 0.0], "most_kwh": [most, rest]}, index=["import", "export"])
