"""How hard property tests try: `SOLARLIB_PROFILE=quick|default|long`, or pytest's `--hypothesis-profile`.

`quick` tries a twentieth of the examples, for the loop while editing (`python3 -m solarlib check`); `long` tries ten
times as many. What is asserted is the same in each.
"""

import os

from hypothesis import settings

USUAL = 100  # hypothesis's own number of examples

settings.register_profile("quick", max_examples=USUAL // 20, deadline=None)
settings.register_profile("long", max_examples=USUAL * 10, deadline=None)
if "SOLARLIB_PROFILE" in os.environ:
    settings.load_profile(os.environ["SOLARLIB_PROFILE"])


def examples(usual):
    """Return how many examples a test tries that usually tries ``usual``: ``@settings(max_examples=examples(200))``."""
    return max(2, usual * settings.default.max_examples // USUAL)
