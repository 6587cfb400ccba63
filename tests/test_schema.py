"""Fields of a table are declared once, read, and every wrong one is told with what is allowed."""

from dataclasses import dataclass
from datetime import date, datetime
from decimal import Decimal

import pytest

from solarlib.quantities import InputError
from solarlib.schema import (
    Problems,
    Refused,
    Table,
    choice,
    day_of_year,
    declared,
    flag,
    iso_date,
    listing,
    misplaced,
    number,
    percent,
    read_toml,
    text,
    whole,
)


@pytest.mark.parametrize(
    ("reader", "value", "result"),
    [
        (number(0, 1), 0.1, Decimal("0.1")),
        (number(0, 1), 0, Decimal(0)),
        (number(0, 1), Decimal("1"), Decimal(1)),
        (number(-5, 5, "W", float), -2.5, -2.5),
        (percent(0, 50), 5, 0.05),
        (whole(1, 12), 12, 12),
        (whole(1, 12), 1, 1),
        (text(), "a b", "a b"),
        (choice(15, 30), Decimal("15.0"), 15),
        (flag(), False, False),
        (iso_date(), "2026-03-31", date(2026, 3, 31)),
        (iso_date(), date(2026, 3, 31), date(2026, 3, 31)),
        (day_of_year(), "03-31", (3, 31)),
        (listing(whole(0, 24), 2), [7, 11], (7, 11)),
        (listing(listing(whole(0, 24), 2)), [[0, 24]], ((0, 24),)),
    ],
)
def test_a_value_is_read_as_it_is_used(reader, value, result):
    assert reader(value) == result and type(reader(value)) is type(result)


@pytest.mark.parametrize(
    ("reader", "values", "allowed"),
    [
        (number(0, 1, "kW"), [-1e-9, 1.0000001, float("nan"), float("inf"), True, "1", None, [1], 10**400], "kW"),
        (percent(0, 50), [50.1, -0.1, "5 %"], "a number from 0 to 50 %"),
        (whole(1, 12), [0, 13, 2.0, True, "3", Decimal(3)], "a whole number from 1 to 12"),
        (text(), ["", "  ", 5, None], "a text that is not empty"),
        (choice(15, 30), [20, True, "15", [15], {}], "one of 15, 30"),
        (flag(), [0, 1, "true"], "true or false"),
        (iso_date(), ["31.3.2026", 20260331, datetime(2026, 3, 31)], "a date like 2026-03-31"),
        (day_of_year(), ["02-29", "3/31", 331, None], "a month and day like 03-31, not 02-29"),
        (listing(whole(0, 24), 2), [[7], [7, 8, 9], [7, 25], 7, "78", []], "a list of 2 items, each item a whole"),
    ],
)
def test_any_other_value_is_refused_with_what_is_allowed(reader, values, allowed):
    for value in values:
        with pytest.raises(Refused, match=allowed):
            reader(value)


@dataclass(frozen=True)
class Wheel:
    size: Decimal = declared(number(1, 30), "in inches")

    def __post_init__(self):
        if self.size == 13:
            raise InputError("wheel: found 13, allowed is another size")


@dataclass(frozen=True)
class Cart:
    name: str = declared(text())
    wheels: tuple = declared(Table(Wheel, many=True), default=(), key="wheel")
    spare: Wheel | None = declared(Table(Wheel), default=None)
    load: str = declared(choice("hay", "milk"), default="hay")
    cans: int | None = declared(whole(1, 9), default=None, exactly=("load", "milk"))
    lid: bool = declared(flag(), default=False, only=("load", "milk"))
    seal: str = declared(text(), default="", beside="cans")


def read(table):
    problems = Problems("here")
    made = problems.read(Table(Cart), table)
    problems.stop()
    return made


def test_a_table_becomes_its_class_with_tables_inside():
    made = read({"name": "mine", "wheel": [{"size": 20}, {"size": 21}], "spare": {"size": 1}})
    assert made == Cart("mine", (Wheel(Decimal(20)), Wheel(Decimal(21))), Wheel(Decimal(1)))


def test_everything_wrong_is_told_at_once_by_its_place():
    table = {"nmae": "x", "wheel": [{"size": 40}, {"size": 13}, {}], "spare": 5, "load": "iron"}
    with pytest.raises(InputError) as refused:
        read(table)
    assert str(refused.value) == (
        "here: nmae: found an unknown key, allowed is one of name, wheel, spare, load, cans, lid, seal (is 'name' "
        "meant?); wheel[1].size: found 40, allowed is a number from 1 to 30; wheel: found 13, allowed is another size; "
        "wheel[3].size: found nothing, allowed is a number from 1 to 30: this key is needed; spare: found 5, allowed "
        "is a table, written [spare]; load: found 'iron', allowed is one of hay, milk; name: found nothing, allowed is "
        "a text that is not empty: this key is needed"
    )
    with pytest.raises(InputError, match="table: found 'cart', allowed is a table"):
        read("cart")
    for rows in ({"size": 3}, [3]):
        with pytest.raises(InputError, match=r"wheel: found .*, allowed is a list of tables, written \[\[wheel\]\]"):
            read({"name": "x", "wheel": rows})


def test_what_a_field_needs_beside_it_is_told():
    assert list(misplaced(Cart("x"))) == list(misplaced(Cart("x", load="milk", cans=3, lid=True, seal="wax"))) == []
    assert list(misplaced(Cart("x", load="milk"))) == [
        ("cans", "nothing", "a whole number from 1 to 9: it is needed with load = 'milk'")
    ]
    assert list(misplaced(Cart("x", cans=2))) == [("cans", "load = 'hay'", "cans just with load = 'milk'")]
    assert list(misplaced(Cart("x", lid=True))) == [("lid", "load = 'hay'", "lid only with load = 'milk'")]
    assert list(misplaced(Cart("x", seal="wax"))) == [("seal", "no cans", "seal only together with cans")]


def test_a_file_is_read_with_or_without_its_form(tmp_path):
    file = tmp_path / "a.toml"
    for words in ("x = 0.1\n", "form = 1\nx = 0.1\n", "\ufeff# first\nform=1\nx = 0.1\n"):
        file.write_text(words, encoding="utf-8")
        assert read_toml(file)["x"] == 0.1 and read_toml(file, Decimal)["x"] == Decimal("0.1")


@pytest.mark.parametrize(
    ("words", "message"),
    [
        ("x = 1\nform = 2\n", "a.toml, line 2: found form = 2, allowed is form = 1; a file of a newer form needs"),
        ("# a\n\n'form' = 'x'\n", "a.toml, line 3: found form = 'x', allowed is form = 1"),
        ("form = 0\n", "line 1: found form = 0"),
        ("x = two words\n", r'a.toml: line 1, x: found x = two words, allowed is text in quotes \(write "two words"\)'),
    ],
)
def test_a_file_of_another_form_or_none_is_refused(words, message, tmp_path):
    (tmp_path / "a.toml").write_text(words, encoding="utf-8")
    with pytest.raises(InputError, match=message):
        read_toml(tmp_path / "a.toml")


@pytest.mark.parametrize(
    "words, found",
    [
        ("x = " + "[" * 5000, "5,000 levels"),
        ("x = " + "[" * 5000 + "]" * 5000, "5,000 levels"),
        ("x = " + "{y = " * 300 + "1" + "}" * 300, "300 levels"),
        (".".join("a" * 50_000) + " = 1", "49,999 levels"),
        ("[" + " . ".join(["'a'"] * 50_000) + "]", "49,999 levels"),
        ("x = " + "9" * 20_000, "20,000 digits of a number"),
        ("x = 9" + "_9" * 5000, "5,001 digits of a number"),
        ("x = 1\n" + "#" * 1_000_001, "1,000,007 letters"),
    ],
)
def test_a_text_that_is_too_large_is_refused_in_one_line(words, found, tmp_path):
    (tmp_path / "a.toml").write_text(words, encoding="utf-8")
    with pytest.raises(InputError) as refused:
        read_toml(tmp_path / "a.toml")
    assert str(refused.value).startswith(f"a.toml: found {found}, allowed are ") and "\n" not in str(refused.value)


def test_brackets_and_stops_in_texts_and_remarks_are_no_levels(tmp_path):
    (tmp_path / "a.toml").write_text(f'x = "{"[." * 500}" # {"{." * 500}\ny = [{"0.1, " * 400}]', encoding="utf-8")
    assert len(read_toml(tmp_path / "a.toml")["y"]) == 400
