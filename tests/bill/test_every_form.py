"""Every documented form of every key of a tariff goes through a house file, a year of bills and the lessons.

Each works, or is refused by an `InputError` in words; nothing else may come out.
"""

import ast
import re
import warnings
from datetime import date

import nbformat
import pytest

from lesson_panels import NOTEBOOKS, run_cell, working_directory
from solarlib.bill.tariff import TARIFF_FOLDER
from solarlib.house import bills as house_bills
from solarlib.house.file import HOUSE_FOLDER, read_house
from solarlib.lessons.tools import panel as explore
from solarlib.quantities import InputError

BANK = {"unit": "kWh", "netting": "period"}
EMPTIED = BANK | {"reset_month": 3, "at_reset": "forfeit"}
MONEY = {"unit": "money", "netting": "period", "export_price": 0.05}
HOURS = MONEY | {"netting": "hour"}
TWO = [{"name": "on", "hours": [[7, 11], [17, 21]], "days": "weekdays"}, {"name": "off"}]
BASIC, BILLED = {"line": "basic", "on": "month", "price": 10}, {"line": "energy", "on": "billed", "price": 0.15}
BY_BUCKET = [{"line": f"energy {b}", "on": "billed", "bucket": b, "price": p} for b, p in (("on", 0.3), ("off", 0.1))]
BLOCKS = [{"up_to_kwh": 500, "price": 0.09}, {"price": 0.13}]


def tariff(credit=BANK, charge=(), bucket=(), **keys):
    """A small tariff with a few keys set."""
    lines = [BASIC, *(BY_BUCKET if bucket else [BILLED]), *charge]
    return {"name": "form", "charge": lines, "credit": credit} | ({"bucket": bucket} if bucket else {}) | keys


def line(**keys):
    """A tariff with one more line."""
    return tariff(charge=[{"line": "more", "price": 0.02} | keys])


def forms():
    """Yield (name, table) for each documented form of each key; the shipped files come by name."""
    for file in sorted(TARIFF_FOLDER.glob("*.toml")):
        yield file.stem, {"file": file.stem}
    for key, values in {
        "note": ["Check it."],
        "kwh_decimals": [0, 6],
        "months_per_bill": [2, 12],
        "negative_bill": ["carry", "pay", "floor"],
        "round_stage": ["line", "total"],
        "holidays": [[date(2026, 7, 4)]],
        "size_cap_kw": [5],
        "size_cap_rating": ["dc", "ac"],
        "size_cap_share_of_use": [1.2],
        "valid_from": [date(2025, 1, 1), "2025-01-01"],
        "valid_to": [date(2035, 1, 1)],
    }.items():
        for value in values:
            yield f"{key} {value}", tariff(**{key: value})
    for stage in ("before tax", "after tax", "after payout"):
        tax = [{"line": "tax", "on": "percent", "price": 7}]
        yield f"minimum_bill {stage}", tariff(charge=tax, minimum_bill=20, minimum_stage=stage)
    yield "minimum_of", tariff(minimum_bill=20, minimum_of=["basic"])
    for on in ("day", "delivered", "import", "received", "generation"):
        yield f"on {on}", line(on=on)
    yield "on use", {"name": "form", "charge": [BASIC | {"on": "use", "price": 0.1}], "credit": {"unit": "none"}}
    for per, rating in (("month", "dc"), ("year", "ac"), ("30 days", "dc")):
        yield f"on kw per {per}", line(on="kw", per=per, rating=rating, prorate=True)
    for minutes in (15, 30, 60):
        yield f"window_minutes {minutes}", line(on="demand", window_minutes=minutes)
    yield "percent of", line(on="percent", price=2, of=["energy"])
    yield "percent before credit", line(on="percent", price=2, after_credit=False)
    for by_days in (True, False):
        yield (
            f"blocks_by_days {by_days}",
            tariff(charge=[{"line": "more", "on": "billed", "blocks": BLOCKS, "blocks_by_days": by_days}]),
        )
    yield "months of a line", line(on="billed", months=[6, 7])
    yield "a line's dates", line(on="billed", valid_from=date(2026, 3, 10), valid_to=date(2026, 9, 20))
    yield "prorate", line(on="month", prorate=True)
    for offset in (True, False):
        yield f"offset {offset}", tariff(MONEY, [{"line": "more", "on": "day", "price": 0.1, "offset": offset}])
    by_bucket = BANK | {"netting": "bucket"}
    for days in ("all", "weekdays", "weekends"):
        buckets = [TWO[0] | {"days": days, "months": [6, 7, 8]}, TWO[1]]
        yield f"bucket {days}", tariff(by_bucket, bucket=buckets, holidays=["2026-07-03"])
    for rule in ("high to low", "by value"):
        yield f"cross_bucket {rule}", tariff(by_bucket | {"cross_bucket": rule}, bucket=TWO)
    yield "unit none", tariff({"unit": "none"})
    for netting in ("period", "day", "hour", "quarter hour", "none"):
        yield f"netting {netting}", tariff(MONEY | {"netting": netting})
    yield "export_price by month", tariff(MONEY | {"export_price": [0.01 * month for month in range(1, 13)]})
    yield "export_price by hour", tariff(HOURS | {"export_price": [[0.01 * hour for hour in range(24)]] * 12})
    yield "export_price by bucket", tariff(HOURS | {"export_price": {"on": 0.1, "off": 0.05}}, bucket=TWO)
    share = {"unit": "money", "export_factor": 1.25, "export_share": 0.5}
    yield "export_share", tariff(share)
    yield "export_lines", tariff({"unit": "money", "export_lines": ["energy"], "usable": "next bill"})
    for order in ("fifo", "lifo"):
        yield f"order {order}", tariff(BANK | {"order": order, "life_bills": 6, "issuing_bill_counts": True})
    yield "order pool", tariff(BANK | {"order": "pool"})
    for reset in (
        {"reset_month": 3},
        {"reset_date": "03-31"},
        {"reset_anniversary": date(2020, 6, 15)},
        {"reset_bills": 4, "reset_first_bill": 2},
        {"reset_month": 3, "reset_every_years": 2},
    ):
        yield " ".join(f"{key} {value}" for key, value in reset.items()), tariff(BANK | reset | {"at_reset": "forfeit"})
    for action in ("forfeit", "donate", "roll"):
        yield f"at_reset {action}", tariff(EMPTIED | {"at_reset": action})
    yield "at_reset pay", tariff(EMPTIED | {"at_reset": "pay", "payout_price": 0.04})
    yield "payout_share", tariff(MONEY | {"reset_month": 3, "at_reset": "pay", "payout_share": 0.5})
    for below in ("roll", "forfeit"):
        over = {"at_reset": "pay if over", "payout_price": 0.04, "payout_threshold": 600, "below_threshold": below}
        yield f"pay if over, else {below}", tariff(EMPTIED | over)
    for close in ("forfeit", "transfer"):
        yield f"on_close {close}", tariff(BANK | {"on_close": close})
    yield "on_close pay", tariff(BANK | {"on_close": "pay", "payout_price": 0.04})
    yield "at_end convert", tariff(BANK | {"at_end": "convert", "conversion_price": 0.1})
    yield "at_end pay", tariff(BANK | {"at_end": "pay", "payout_price": 0.04})
    yield "at_end forfeit", tariff(BANK | {"at_end": "forfeit"})
    yield "export_limit_kw", tariff(BANK | {"export_limit_kw": 2})
    yield from forms_of_shorter_times()


def forms_of_shorter_times():
    """Yield the forms of keys that need intervals or a whole year."""
    hours, none = [[0.15 + 0.005 * hour for hour in range(24)]] * 12, {"unit": "none", "netting": "hour"}
    halves = [{"name": "on", "hours": [[7.5, 20.5]]}, {"name": "off"}]
    yield "netting half hour", tariff(MONEY | {"netting": "half hour"})
    yield "hours at half past", tariff(HOURS, bucket=halves)
    yield "netting of a line", tariff(MONEY, [{"line": "more", "on": "import", "price": 0.02, "netting": "hour"}])
    yield "on export", tariff(MONEY | {"netting": "hour"}, [{"line": "more", "on": "export", "price": 0.01}])
    for name, prices in (
        ("one", 0.2),
        ("by month", [0.01 * month for month in range(12, 24)]),
        ("by hour", hours),
        ("by half hour", [[price for price in row for _ in (0, 1)] for row in hours]),
        ("by kind of day", {"weekdays": hours, "weekends": hours, "least": 0.2}),
    ):
        own = {"line": "own", "on": "import", "prices": prices}
        netting = none | {"netting": "half hour" if name == "by half hour" else "hour"}
        yield f"prices {name}", {"name": "form", "charge": [BASIC, own], "credit": netting}
    cheap = [[0.005 * hour for hour in range(24)]] * 12
    yield "export_price by kind of day", tariff(HOURS | {"export_price": {"weekdays": cheap, "weekends": cheap}})
    for key, value in (("highest", 3), ("one_a_day", True), ("over_bills", 12), ("least_kw", 2)):
        yield f"{key} {value}", line(on="demand", window_minutes=60, **{key: value})
    steps = [{"up_to_kw": 3, "price": 2}, {"price": 5}]
    peak = {"line": "more", "on": "demand", "window_minutes": 60, "blocks": steps}
    yield "up_to_kw", tariff(charge=[peak])
    taxes = [{"line": "fee", "on": "percent", "price": 3}, {"line": "tax", "on": "percent", "price": 7, "of": ["fee"]}]
    yield "of a percentage", tariff(charge=taxes)
    year = MONEY | {"netting": "hour", "reset_month": 3, "at_reset": "pay"}
    yield "settlement year", tariff(year, settlement="year")
    yield "minimum_counts", tariff(year, settlement="year", minimum_bill=15, minimum_counts=True)
    yield "settlement year, kWh paid", tariff(year | {"payout_price": 0.04}, settlement="year")
    for ends in ("forfeit", "pay"):
        sold = {"line": "sold", "on": "received", "price": -0.05}
        reset = {"unit": "none", "reset_month": 3}
        bought = {"line": "energy", "on": "delivered", "price": 0.15}
        yield (
            f"carried_at_reset {ends}",
            {"name": "form", "charge": [BASIC, bought, sold], "credit": reset} | {"carried_at_reset": ends},
        )


FORMS = dict(forms())
# A chosen spread through the lessons' pictures: what may be told apart there by its kind.
THROUGH_LESSONS = (
    "export_price by month", "export_price by hour", "export_price by bucket", "export_share", "unit none",
    "cross_bucket by value", "netting quarter hour", "pay if over, else roll", "reset_date 03-31",
)  # fmt: skip


def toml(value):
    """Return a value as TOML, tables written inline."""
    if isinstance(value, dict):
        return "{" + ", ".join(f"{key} = {toml(item)}" for key, item in value.items()) + "}"
    if isinstance(value, (list, tuple)):
        return "[" + ", ".join(map(toml, value)) + "]"
    return str(value).lower() if isinstance(value, (bool, date)) else repr(value)


@pytest.fixture
def house_file(tmp_path):
    """Return a function: the name of a form -> the path of the worked scenario's file with that tariff."""
    text = (HOUSE_FOLDER / "two-storey.toml").read_text(encoding="utf-8")
    before, after = text.split("[place]")[0], re.sub(r"\[tariff\].*?(?=\n\[costs\])", "", text, flags=re.DOTALL)

    def write(form):
        path = tmp_path / "mine.toml"
        rest = after.removeprefix(before)
        path.write_text(f"{before}\ntariff = {toml(FORMS[form])}\n\n{rest}", encoding="utf-8")
        return path

    return write


@pytest.mark.parametrize("form", FORMS)
def test_every_form_is_read_hashed_and_billed_for_a_year_or_refused_in_words(form, house_file):
    house = read_house(house_file(form))
    assert hash(house) == hash(read_house(house_file(form)))
    dearer = house_bills.at_price_level(house.tariff, 2.0)
    assert hash(dearer) != hash(house.tariff)
    try:
        bills = [house_bills.bill_with_array(house), house_bills.bill_without_array(house)]
        twice = [house_bills.bill_with_array(house, tariff=dearer), house_bills.bill_without_array(house, dearer)]
    except InputError as refused:
        assert form in ("netting quarter hour", "window_minutes 15", "window_minutes 30")
        assert "interval data: found a step of 60 minutes, allowed is" in str(refused)
        return
    assert -5000 < bills[0] < 10_000 and 0 < bills[1] < 20_000
    percent = any(charge.on == "percent" for charge in house.tariff.charges)
    if not percent:
        assert twice == pytest.approx([2 * bill for bill in bills], abs=0.5)


def answered(source, path):
    """Return a cell with its house read from `path` and its blanks filled in."""
    source = source.replace('read_house("two-storey")', f"read_house({str(path)!r})")
    source = re.sub(r"^(answer_\d) = (None|\.\.\.)$", r"\1 = 1", source, flags=re.MULTILINE)
    source = source.replace("days = (None, None)", 'days = ("2026-03-04", "2026-04-02")')
    source = source.replace("answer_6 = 1\nquestions.check_reset", 'answer_6 = "Mar"\nquestions.check_reset')
    return re.sub(r"^(delivered|received) = \(None, None\)", r"\1 = (100, 400)", source, flags=re.MULTILINE)


def names_of(source):
    """Return the names that a cell gives to others."""
    return {node.id for node in ast.walk(ast.parse(source)) if isinstance(node, ast.Name)}


@pytest.mark.parametrize(
    ("form", "lesson"),
    [(form, lesson) for form in THROUGH_LESSONS for lesson in ("03", "04", "05") if lesson != "03" or "price" in form],
)
@pytest.mark.slow
def test_every_kind_of_rule_runs_through_the_lessons_or_is_refused_in_words(form, lesson, house_file, monkeypatch):
    path, panels, refused, ran = house_file(form), [], set(), 0

    class Recorded(explore.Panel):
        def __init__(self, *arguments, **keywords):
            super().__init__(*arguments, **keywords)
            panels.append(self)

    monkeypatch.setattr(explore, "Panel", Recorded)
    (notebook,) = (file for file in NOTEBOOKS if file.name.startswith(lesson))
    names = {"__name__": "__main__"}
    with working_directory(notebook.parent), warnings.catch_warnings():
        warnings.simplefilter("error")
        for cell in nbformat.read(notebook, as_version=4).cells:
            if cell.cell_type != "code":
                continue
            source = answered(cell.source, path)
            try:
                run_cell(source, names, notebook.name)
                ran += 1
            except InputError as error:
                assert "allowed" in str(error)
                refused |= names_of(source)
            except NameError as error:  # a cell before it, which makes the name, was refused
                assert error.name in refused
        for panel in panels:
            for end in (0, -1):
                panel.set(**{name: control.extremes[end] for name, control in panel.controls.items()})
                assert panel.error is None or isinstance(panel.error, InputError), panel.error
    assert ran > 10 and (panels or refused)
    assert "house" in names and str(names["house"].tariff.name) == FORMS[form]["name"]
