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
