"""Made records of a house whose truth is known, and made step tests, for the tests of the room of direction."""

import numpy as np
import pandas as pd

from solarlib.direction import chain

LOAD_W = 1000.0


def made_house(days=4, seed=1, test_every=10, interval_s=60, kind="mean", start="2026-06-01", tz="Europe/Paris"):
    """Return (readings, truth) of a house with a switching load, broken clouds and, if wanted, a test load.

    Made at 10 s: a base load, a compressor, random appliances; a clear-sky bell times a wandering cloud cover.
    """
    rng = np.random.default_rng(seed)
    n = days * 8640
    second = np.arange(n) * 10
    hour = second % 86_400 / 3600
    bell = np.clip(np.sin((hour - 5.5) / 15 * np.pi), 0, None) * ((hour > 5.5) & (hour < 20.5))
    knots = np.cumsum(rng.normal(0, 0.35, n // 12 + 2))
    cover = 1 / (1 + np.exp(-3 * np.sin(np.interp(np.arange(n) / 12, np.arange(knots.size), knots))))
    pv = 5000 * bell**1.2 * (0.25 + 0.75 * cover)
    load = 150 + 90 * ((second // 10 + rng.integers(0, 99)) % 190 < 70) + rng.normal(0, 2, n)
    for begin in rng.integers(0, n, 40 * days):
        load[begin : begin + rng.integers(6, 300)] += rng.choice([60, 300, 900, 1800, 2500])
    test = ((second // 60) % test_every == 0) & (hour > 5) & (hour < 21) if test_every else np.zeros(n, bool)
    net = load - pv + LOAD_W * test
    group = interval_s // 10
    index = pd.date_range(start, periods=n // group, freq=f"{interval_s}s", tz=tz)

    def mean(values):
        return values.reshape(-1, group).mean(axis=1)

    size = mean(np.abs(net)) if kind == "mean" else np.abs(net[group - 1 :: group])
    share = mean(test.astype(float)) if kind == "mean" else test[group - 1 :: group].astype(float)
    minute_pv = np.repeat(pv.reshape(-1, 6).mean(axis=1), 6)
    readings = pd.DataFrame(
        {
            "reading_w": np.round(np.abs(size + rng.normal(0, 4, index.size))),
            "pv_w": np.round(mean(minute_pv)),
            "test_on": share,
        },
        index,
    )
    truth = pd.DataFrame({"net_w": mean(net), "import_w": mean(np.clip(net, 0, None)), "pv_w": mean(pv)}, index)
    truth["load_w"] = mean(load)
    return readings, truth


def sign_right(decoded, truth):
    day = (truth["pv_w"] > 50) & decoded.samples["p_export"].notna()
    return ((decoded.samples["p_export"] > 0.5) == (truth["net_w"] < 0))[day].mean()


def simulate_test(net_w, test, rng):
    """Return the window means (before, during, after) that an unsigned instrument shows in step tests.

    Parameters
    ----------
    net_w : float or array, shape (n,)
        Net power without the test load at the start of the before window. [W]
    test : StepTest
        Its drift moves the house as a random walk through the three windows.
    rng : numpy.random.Generator

    Returns
    -------
    tuple of ndarray
        Each of the shape of ``net_w``. [W]
    """
    net_w = np.asarray(net_w, dtype=float)
    count, fine = test.readings, 8 if test.drift_w2_per_s else 1
    wander_sd = np.sqrt(test.drift_w2_per_s * test.dwell_s / (count * fine))
    walk = rng.normal(0.0, wander_sd, (*net_w.shape, 3 * count * fine))
    net = net_w[..., None] + np.cumsum(walk, axis=-1)
    net[..., count * fine : 2 * count * fine] += test.load_w
    size = np.abs(net).reshape(*net_w.shape, 3 * count, fine).mean(axis=-1)
    readings = size + rng.normal(0.0, test.noise_w, size.shape)
    means = readings.reshape(*net_w.shape, 3, count).mean(axis=-1)
    return means[..., 0], means[..., 1], means[..., 2]


def smoothed(w):
    """Return the probability of state 1 of a chain at each step, given everything seen."""
    return chain.odds(w) / (1 + chain.odds(w))


def filtered(w):
    """Return the odds of state 1 of a chain at each step, given everything up to it."""
    return np.array([chain.odds(w[:, :, : end + 1])[-1] for end in range(w.shape[2])])
