"""What a comparison tells stays words, whatever number stands in it."""

import re
from dataclasses import fields, replace

import numpy as np
import pandas as pd
import pytest

from solarlib.health import words
from solarlib.health.chart import Baseline, Design, Drawn, Watch
from solarlib.health.comparison import Comparison
from solarlib.health.shapes import Step
from solarlib.quantities import InputError, day_words

DAYS = pd.date_range("2026-03-01", periods=100, freq="D")
HOUSES = Drawn(np.random.default_rng(1).standard_normal((40, 30)), np.zeros(30), np.ones(30))
ODD = (np.inf, -np.inf, np.nan, 0.0, -1.0, 1e300, 1e-300)


def told(stage, step=True):
    """Return a comparison of 100 days, 60 of them the baseline; `stage` from day 80 on."""
    stages = ["baseline"] * 60 + ["usual"] * 20 + [stage] * 20
    table = pd.DataFrame({"ratio_percent": 100.0, "reason": "", "stage": stages}, DAYS)
    begin, message, low_until = (DAYS[[80, 82, 95]]) if step else (None, None, None)
    return Comparison(
        days=table,
        watch=Watch(Baseline(0.0, 0.03, 60), Design(1.0, 2.7), 1 / 16, HOUSES, 500.0, (120.0, 3000.0)),
        begin=begin,
        message=message,
        low_until=low_until,
        step=Step(DAYS[80], -0.07, 0.01) if step else None,
        cannot="",
        recent=Step(DAYS[86], -0.07, 0.01),
        evidence=(),
        shifts=pd.Series({"this house": -0.07, "n1": 0.01}),
        notes=(),
    )


def numeric(thing):
    """Return the names of the numbers in a dataclass."""
    return [field.name for field in fields(thing) if isinstance(getattr(thing, field.name), (int, float))]


def with_one_odd(whole, value):
    """Yield the comparison with each of its numbers in turn replaced."""
    watch = whole.watch
    for name in numeric(watch):
        yield name, replace(whole, watch=replace(watch, **{name: value}))
    for part in ("usual", "plan"):
        for name in numeric(getattr(watch, part)):
            odd = replace(getattr(watch, part), **{name: value})
            yield f"{part}.{name}", replace(whole, watch=replace(watch, **{part: odd}))
    for ends in ((value, 3000.0), (120.0, value), (value, value)):
        yield "false_message_range", replace(whole, watch=replace(watch, false_message_range=ends))
    for part in ("step", "recent") if whole.step else ("recent",):
        for name in numeric(getattr(whole, part)):
            yield f"{part}.{name}", replace(whole, **{part: replace(getattr(whole, part), **{name: value})})
    yield "ratio_percent", replace(whole, days=whole.days.assign(ratio_percent=value))


@pytest.mark.parametrize("stage, step", [("act", True), ("usual", True), ("usual", False), ("watch", False)])
@pytest.mark.parametrize("value", ODD)
def test_no_number_ends_the_sentences_or_is_printed_as_a_sign(stage, step, value):
    plain = told(stage, step)
    assert not numeric(plain) and len(list(with_one_odd(plain, 1.0))) == (15 if step else 13)
    for name, odd in with_one_odd(plain, value):
        text = " ".join(odd.sentences())
        assert not re.search(r"(?i)\b(inf|nan|nat|none)\b|\d{13}|e[+-]\d", text), (name, text)
        assert len(odd.sentences()) >= len(words.HEALTH_WORDS["limits"]) + 3


@pytest.mark.parametrize("value", ODD)
def test_shifts_that_are_no_numbers_are_told_in_words(value):
    shifts = pd.Series({"this house": -0.07, "n1": 0.01, "n2": 0.2, "n3": 0.0})
    for name in shifts.index:
        odd = shifts.copy()
        odd[name] = value
        for least in (0.05, value):
            for is_message in (True, False):
                text = " ".join(words.shifts_told(odd, least, is_message))
                assert not re.search(r"(?i)\b(inf|nan)\b|\d{13}", text), (name, text)


def test_messages_are_no_verdicts():
    messages = words.HEALTH_WORDS["messages"]
    assert list(messages) == ["usual", "watch", "look", "act"]
    for text in messages.values():
        assert not any(word in text for word in ("fail", "broken", "defect", "healthy", "fault"))
    assert all("differs from similar systems" in text for stage, text in messages.items() if stage != "usual")


def test_a_day_that_is_not_known_is_told_as_such():
    whole = told("act")
    for name in ("begin", "message", "low_until"):
        assert "NaT" not in " ".join(replace(whole, **{name: pd.NaT}).sentences())
    assert day_words(pd.NaT) == "an unknown day" and day_words(DAYS[0]) == "1 March 2026"


def test_long_and_unknown_waits():
    """A loss far below the scatter never shows in the year of the drawn houses."""
    plain = told("usual", False)
    wide = replace(plain.watch, usual=Baseline(0.0, 0.5, 60), plan=Design(1.25, 40.0))
    assert wide.days_to_notice(wide.loss) == (np.inf, np.inf)
    never = "6.2 %: after more than 365 compared days in half of the cases"
    assert never in " ".join(replace(plain, watch=wide).sentences())
    quiet = replace(wide, usual=Baseline(0.0, 1e-5, 60), plan=Design(1.25, 1.7))  # a half is 70,000 scatters
    assert "50.0 %: after 2 compared days in half" in " ".join(replace(plain, watch=quiet).sentences())
    with pytest.raises(InputError, match="scatter"):
        replace(wide, usual=Baseline(0.0, 0.0, 60)).days_to_notice(0.1)
    assert words.share(np.inf) == "more than 1000000 %" and words.share(-1e9, "+") == "less than -1000000 %"
    assert words.in_percent(np.log(0.9)) == "-10.0 %" and words.in_percent(0.0) == "+0.0 %"
    assert words.in_percent(np.inf) == "more than +1000000 %" and words.in_percent(-np.inf) == "-100.0 %"
    assert words.in_percent(np.nan) == words.share(np.nan) == "an unknown share"
