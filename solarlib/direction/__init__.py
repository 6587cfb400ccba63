"""Which way the power flows, from a reading that shows no sign."""

from solarlib.direction.decoder import decode
from solarlib.direction.detection import decide, expected_steps, fixed_steps
from solarlib.direction.step_test import (
    HYPOTHESES,
    StepTest,
    certain_import,
    energy_bounds,
    log_ratio,
    posterior,
    predicted_during,
)

__all__ = [
    "HYPOTHESES",
    "StepTest",
    "certain_import",
    "decide",
    "decode",
    "energy_bounds",
    "expected_steps",
    "fixed_steps",
    "log_ratio",
    "posterior",
    "predicted_during",
]
