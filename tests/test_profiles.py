"""The profiles change how many examples are tried, and nothing else."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

TESTS = Path(__file__).parent
SAYS = "import profiles; print(profiles.examples(2600), profiles.examples(20), profiles.settings.default.max_examples)"


def said(profile):
    """Return what a new Python says with this profile, None for none."""
    kept = {name: held for name, held in os.environ.items() if name not in ("SOLARLIB_PROFILE", "CI")}
    told = kept if profile is None else kept | {"SOLARLIB_PROFILE": profile}
    return subprocess.run([sys.executable, "-c", SAYS], cwd=TESTS, env=told, capture_output=True, text=True).stdout


@pytest.mark.parametrize(
    "profile, numbers",
    [(None, "2600 20 100"), ("default", "2600 20 100"), ("quick", "130 2 5"), ("long", "26000 200 1000")],
)
def test_how_many_examples(profile, numbers):
    assert said(profile).split() == numbers.split()
