"""What is said of a person's file, in the sentences of ``texts.toml``: why it is refused, what was found, what to ask.

`REASONS` (``reasons.toml``) holds the findings of the plausibility checks.
"""

from solarlib.quantities import InputError, texts_beside

TEXTS, REASONS = (texts_beside(__file__, name) for name in ("texts", "reasons"))


def told(case, /, **facts):
    """Return the text of a case, its braces filled."""
    return TEXTS[case].format(**facts)


def refusal(case, name, /, **facts):
    """Return the error that says what was found in the file of a name and what is allowed."""
    return InputError(f"{name}: found " + TEXTS["refusals"][case].format(**facts))
