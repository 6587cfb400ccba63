"""Numbers: what rounding does to a signal."""

import numpy as np
import pytest


def test_det_11_rounding():
    """Widrow's rounding noise, 10/sqrt(12) = 2.887 W - seen and recomputed; fails for a signal that sits still."""
    signal = np.random.default_rng(11).uniform(0, 1e4, 1_000_000)
    assert (np.round(signal, -1) - signal).std() == pytest.approx(10 / np.sqrt(12), rel=0.005)
    still = np.full(1000, 1003.0)
    assert (np.round(still, -1) - still).std() == 0
