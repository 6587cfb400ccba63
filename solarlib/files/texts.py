"""What is said of a person's file, in the sentences of ``texts.toml``: what was found in it and what to ask.

`REASONS` (``reasons.toml``) holds the findings of the plausibility checks.
"""

from solarlib.quantities import texts_beside

TEXTS, REASONS = (texts_beside(__file__, name) for name in ("texts", "reasons"))


def told(case, /, **facts):
    """Return the text of a case, its braces filled."""
    return TEXTS[case].format(**facts)
