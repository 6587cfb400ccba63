"""What a person types as a number: units, commas, currency signs, sums; and what is refused with a sentence."""

import math

import pytest
from hypothesis import given, settings, strategies as st

from profiles import examples
from solarlib.lessons.tools.typed import LONGEST, numbers_in
from solarlib.quantities import InputError


@pytest.mark.parametrize(
    "text, unit, expected",
    [
        ("26.3 kWh", "kWh", 26.3),
        ("26.3kwh", "kWh", 26.3),
        ("26,3", "kWh", 26.3),
        ("0,125", "kWh", 0.125),
        (" 26.3. ", "kWh", 26.3),
        (",5", "kWh", 0.5),
        ("1,234.5", "$", 1234.5),
        ("1.234,5", "kWh", 1234.5),
        ("1 234 567", "kWh", 1_234_567),
        ("1\u202f234", "kWh", 1234),
        ("1'234", "kWh", 1234),
        ("1,234,567", "kWh", 1_234_567),
        ("$46.88", "$", 46.88),
        ("46.88 $", "$", 46.88),
        ("46.88 dollars", "$", 46.88),
        ("12 cents", "$", 0.12),
        ("12 cents/kWh", "$/kWh", 0.12),
        ("26300 Wh", "kWh", 26.3),
        ("1.2 kW", "W", 1200),
        ("3 kWh/m²", "kWh/m²", 3),
        ("3 kWh/m2", "kWh/m²", 3),
        ("45 %", "%", 45),
        ("45 %", "", 0.45),
        ("1 module", "modules", 1),
        ("−5 min", "minutes", -5),
        ("0.75 x 4", "kWh", 3),
        ("0.75 × 4 − 1", "kWh", 2),
        ("2^3", "", 8),
        ("2**3", "", 8),
        ("2000 / 1.05^15", "$", 2000 / 1.05**15),
        ("(3 + 4) * 2", "kWh", 14),
        ("2.4 kWh + 1.2 kWh", "kWh", 3.6),
        ("= 3 + 4", "kWh", 7),
        ("007", "kWh", 7),
        ("430 * cos(60)", "W", 215),
        ("sqrt(16)", "W", 4),
        ("1e3", "W", 1000),
    ],
)
def test_what_is_read(text, unit, expected):
    assert numbers_in(text, unit)[0] == pytest.approx(expected, rel=1e-12)


def test_a_comma_before_three_digits_may_mean_two_things():
    assert numbers_in("1,234", "kWh") == [1234.0, 1.234]
    assert numbers_in("1,234 + 1", "kWh") == [1235.0, 2.234]
    assert numbers_in("0,234", "kWh") == [0.234]


@pytest.mark.parametrize(
    "text, unit, words",
    [
        ("July", "kWh", "needs a number of kWh"),
        ("x", "", "needs a number, in figures"),
        ("", "kWh", "needs a number"),
        ("$5", "kWh", "'$' is not read here: the answer is wanted in kWh"),
        ("3 apples", "", "wanted without a unit"),
        ("about 26", "kWh", "'about'"),
        ("26 27", "kWh", "not one number"),
        ("(3", "kWh", "not one number"),
        ("2(3)", "kWh", "not one number"),
        ("3 / 0", "kWh", "not one number"),
        ("9^9^9^9", "kWh", "not one number"),
        ("1e400", "kWh", "needs a number"),
        ("1e300 * 1e300", "kWh", "no finite result"),
        ("750 W * 4", "kWh", "'w' is not read here"),
        ("750 Wh * 4", "kWh", "the result is in kWh, and"),
        ("45 % + 3", "", "the result is without a unit, and"),
        ("__import__('os')", "kWh", "needs a number"),
        ("1.2.3", "kWh", "not one number"),
        ("1" * (LONGEST + 1), "kWh", "characters long"),
    ],
)
def test_what_is_refused_with_a_sentence(text, unit, words):
    with pytest.raises(InputError) as refused:
        numbers_in(text, unit)
    assert words in str(refused.value)


@pytest.mark.slow
@settings(deadline=None, max_examples=examples(500))
@given(text=st.text(max_size=30) | st.text("0123456789.,+-*/^() xkWh$%", max_size=30))
def test_nothing_typed_raises_anything_else_and_what_is_read_is_finite(text):
    try:
        assert all(math.isfinite(value) for value in numbers_in(text, "kWh"))
    except InputError as refused:
        assert str(refused)[0].isupper() or str(refused)[0] in "'\""


@settings(deadline=None, max_examples=examples(200))
@given(value=st.floats(-1e9, 1e9).map(lambda x: round(x, 3)))
def test_a_number_as_it_is_printed_reads_back(value):
    assert numbers_in(f"{value:,.3f} kWh", "kWh")[0] == pytest.approx(value, abs=1e-9)
