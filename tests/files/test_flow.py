"""Energies with gaps: sums between bounds that hold what was there."""

import numpy as np
import pandas as pd
import pytest

from solarlib.files.flow import flow_of, joined

ZONE = "America/New_York"
LIMITS = (0.0, 10.0)


def made(days=60, step="15min", seed=1):
    """A made flow with sun and clouds, its edges, and the starts of its days. [kWh]"""
    edges = pd.date_range("2026-02-15", periods=days + 1, freq="D", tz=ZONE)
    edges = pd.date_range(edges[0], edges[-1], freq=step)
    rng = np.random.default_rng(seed)
    hour, day = edges[:-1].hour + edges[:-1].minute / 60, edges[:-1].day_of_year
    clear = rng.beta(2, 1, 400)[day] * rng.uniform(0.6, 1.0, len(edges) - 1)
    kwh = np.maximum(0, np.sin((hour - 6) / 12 * np.pi)) * 6 * clear * (pd.Timedelta(step) / pd.Timedelta("1h"))
    return edges, np.asarray(kwh), pd.date_range(edges[0], edges[-1], freq="D")


def test_without_a_gap_sums_are_exact_and_have_no_range():
    edges, kwh, days = made()
    sums = flow_of(edges, kwh, LIMITS, "x").sums(days)
    true = pd.Series(kwh, edges[:-1]).groupby(edges[:-1].normalize()).sum()
    assert np.allclose(sums["kwh"], true, atol=1e-8) and (sums["low"] == sums["high"]).all()
    assert (sums["measured"] == 1).all() and sums["inside"].all() and sums["sound"].all()


@pytest.mark.parametrize("size", [1, 2, 8, 24, 96])
def test_ranges_of_gaps_hold_what_was_there(size):
    """19 of 20 days with a gap: bounds are the extremes of some 250 like intervals, of a day's length of 28."""
    held = total = 0
    for seed in range(12):
        edges, kwh, days = made(seed=seed)
        holed, rng = kwh.copy(), np.random.default_rng(seed)
        for start in rng.integers(0, len(kwh) - size, 6):
            holed[start : start + size] = np.nan
        sums = flow_of(edges, holed, LIMITS, "x").sums(days)
        true = np.add.reduceat(kwh, np.searchsorted(edges.asi8, days[:-1].asi8))
        gap = sums["measured"].to_numpy() < 1
        fits = (sums["low"] <= true + 1e-6) & (true <= sums["high"] + 1e-6)
        held, total = held + fits[gap].sum(), total + gap.sum()
        assert fits[~gap].all() and (sums["low"] <= sums["kwh"]).all() and (sums["kwh"] <= sums["high"]).all()
    assert total > 50 and held >= 0.95 * total


def test_a_small_gap_has_a_small_range():
    edges, kwh, days = made()
    holed = kwh.copy()
    holed[30 * 96 + 48] = np.nan  # noon
    row = flow_of(edges, holed, LIMITS, "x").sums(days).iloc[30]
    assert 0 < row["high"] - row["low"] < 1.0 and row["measured"] == pytest.approx(95 / 96)
    assert row["known"] == pytest.approx(np.nansum(holed[30 * 96 : 31 * 96]))


def test_where_nothing_is_like_a_gap_the_limits_bound_it():
    edges, kwh, days = made(days=2)
    kwh[96 : 96 + 96] = np.nan
    bare = flow_of(edges, kwh, LIMITS, "x").sums(days).iloc[1]
    assert (bare["low"], bare["high"]) == (0.0, 240.0)
    nothing = flow_of(edges, np.full(len(kwh), np.nan), LIMITS, "x").sums(days)
    assert (nothing["high"] == 240).all() and not nothing["sound"].any() and (nothing["measured"] == 0).all()


def test_what_is_known_for_a_longer_time_is_exact_over_it_and_bounded_within():
    edges = pd.DatetimeIndex(["2026-05-01", "2026-05-11", "2026-06-11"]).tz_localize(ZONE)
    flow = flow_of(edges, [100.0, 310.0], LIMITS, "x")
    whole = flow.sums(edges[[0, 2]]).iloc[0]
    assert (whole["low"], whole["kwh"], whole["high"], whole["measured"]) == (410, 410, 410, 1)
    months = flow.sums(pd.DatetimeIndex(["2026-05-01", "2026-06-01", "2026-06-11"]).tz_localize(ZONE))
    assert months["kwh"].tolist() == pytest.approx([310, 100]) and months["low"].tolist() == [100, 0]
    assert months["high"].tolist() == [410, 310] and months["measured"].iloc[0] == pytest.approx(10 / 31)
    assert not flow.sums(pd.DatetimeIndex(["2026-04-01", "2026-05-11"]).tz_localize(ZONE))["inside"].any()


def test_two_flows_are_joined_between_shared_moments():
    edges, kwh, _ = made(days=30)
    fine, coarse = flow_of(edges, kwh, LIMITS, "a"), flow_of(edges[::4], np.full(len(kwh) // 4, 2.0), LIMITS, "b")
    found = joined(fine, coarse, 1, LIMITS, "both")
    assert len(found.kwh) == len(kwh) // 4 and np.allclose(found.kwh, 2 + kwh.reshape(-1, 4).sum(axis=1), atol=1e-8)
    holed = kwh.copy()
    holed[1000] = np.nan
    found = joined(flow_of(edges, holed, LIMITS, "a"), coarse, 1, LIMITS, "both")
    assert (~found.measured).sum() == 1 and not found.measured[250]
    assert joined(fine, flow_of(edges[:5] + pd.Timedelta("7min"), kwh[:4], LIMITS, "b"), 1, LIMITS, "x") is None
