"""Every documented form of every key of a tariff, every shipped file and random rules go through a house file.

Each is read and then computes: a year of bills that the engine says too, and every panel and check of the lessons. Or
`read_house` refuses it in words; nothing in between may come out, and nothing is refused later.
"""

import re
import tomllib
import warnings
from collections import Counter
from dataclasses import fields, replace

import nbformat
import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, seed, settings
from ipywidgets import Widget

from lesson_panels import NOTEBOOKS, answered, of_house, recorded, run_cell, working_directory
from profiles import USUAL
from rule_space import sound_tables
from solarlib.bill.accounts import ledger
from solarlib.bill.periods import monthly_periods
from solarlib.bill.tariff import Block, Bucket, Charge, Credit, Tariff
from solarlib.bill.tariff_file import TARIFF_FOLDER
from solarlib.house import bills as house_bills, year_bills
from solarlib.house.file import read_house
from solarlib.house.flows import bring
from solarlib.house.periods import periods_of
from solarlib.house.records import bills_of, sent_bills
from solarlib.lessons.own_house import report
from solarlib.quantities import InputError
from solarlib.schema import Table
from tariff_forms import FORMS, house_file

# A chosen spread through the lessons' pictures: what may be told apart there by its kind.
THROUGH_LESSONS = (
    "export_price by month", "export_price by 24 parts of a day", "export_price by bucket", "export_share", "unit none",
    "cross_bucket by value", "netting quarter hour", "pay if over, else roll", "reset_date 03-31",
    "months_per_bill 12", "demand {'highest': 3, 'one_a_day': True}", "prices of a file on delivered",
    "settlement {'at_reset': 'pay', 'payout_price': 0.03} True", "carried_at_reset pay", "percent of a percentage",
    "netting hour of export", "bucket of half hours",
)  # fmt: skip


# The lessons that read a tariff, by what they share.
LESSONS = {"roof": ("03", "13"), "bank": ("04", "05"), "money": ("06", "07")}


# ---------------------------------------------------------------- is every form there?


def tables_of(table):
    """Yield (kind, table) of a tariff and of each table inside it."""
    if set(table) == {"file"}:
        table = tomllib.loads((TARIFF_FOLDER / f"{table['file']}.toml").read_text(encoding="utf-8"))["tariff"]
    yield Tariff, table
    yield Credit, table.get("credit", {})
    for bucket in table.get("bucket", ()):
        yield Bucket, bucket
    for charge in table["charge"]:
        yield Charge, charge
        for block in charge.get("blocks", ()):
            yield Block, block


def test_every_key_and_every_choice_of_the_declarations_has_a_form():
    given = {
        (kind, key, str(value)) for form in FORMS.values() for kind, at in tables_of(form) for key, value in at.items()
    }
    for kind in (Tariff, Charge, Block, Bucket, Credit):
        for item in fields(kind):
            key, read = item.metadata.get("key", item.name), item.metadata["read"]
            assert any(at[:2] == (kind, key) for at in given), f"{kind.__name__}.{key} has no form"
            for option in () if isinstance(read, Table) else read.options:
                chosen = (kind, key, str(option)) in given or option == item.default
                assert chosen, f"{kind.__name__}.{key} = {option!r} has no form"


# ---------------------------------------------------------------- the yearly bill, by the house and by the engine


def by_the_engine(house, tariff, scale):
    """Return the bill of the settled year from the engine alone, run over the typical year again and again."""
    source = year_bills.source_of(house)
    made, used = year_bills._energies(source, year_bills._step(tariff))
    made, size = scale * made, float(scale > 0)
    net = used - made
    rules = replace(tariff, valid_from=None, valid_to=None, settlement=tariff.settlement if scale else "bill")
    year = monthly_periods(net.clip(lower=0), (-net).clip(lower=0), made, tariff=rules)
    cycle = year_bills.cycle(tariff)
    years = [year.assign(**{
        edge: [day + pd.DateOffset(years=shift) for day in year[edge].dt.tz_localize(None)]
        for edge in ("period_start", "period_end")
    }) for shift in range(-cycle, cycle)]  # fmt: skip
    book = ledger(pd.concat(years, ignore_index=True), rules, **year_bills.ratings(house, size))
    return float(book["bill"].iloc[len(year) * cycle :].sum()) / cycle


def check_bills(house):
    """A house's yearly bills are numbers, and those of the engine."""
    ours = [house_bills.bill_with_array(house), house_bills.bill_without_array(house)]
    assert np.isfinite(ours).all()
    assert ours == pytest.approx([by_the_engine(house, house.tariff, scale) for scale in (1.0, 0.0)], abs=0.02)
    return ours


@pytest.mark.parametrize("form", FORMS)
def test_every_form_is_read_hashed_and_billed_for_a_year(form, tmp_path):
    house = read_house(house_file(tmp_path, FORMS[form]))
    assert hash(house) == hash(read_house(house_file(tmp_path, FORMS[form])))
    bills = check_bills(house)
    assert -5000 < bills[0] < 20_000 and 0 < bills[1] < 30_000
    dearer = house_bills.at_price_level(house.tariff, 2.0)
    assert hash(dearer) != hash(house.tariff)
    twice = [house_bills.bill_with_array(house, tariff=dearer), house_bills.bill_without_array(house, dearer)]
    if not any(charge.on == "percent" for charge in house.tariff.charges):
        assert twice == pytest.approx([2 * bill for bill in bills], abs=0.5)


@pytest.mark.slow
@pytest.mark.parametrize("form", FORMS)
def test_every_form_has_a_life_of_bills(form, tmp_path):
    house = read_house(house_file(tmp_path, FORMS[form]))
    flow = house_bills.owner_cash_flow(house, house.costs)
    assert len(flow) == house.outlook.years + 1 and np.isfinite(flow.to_numpy(float)).all()
    assert np.isfinite(house_bills.avoided_price(house)) and np.isfinite(house_bills.saving(house)).all()


@pytest.fixture(scope="module")
def meters():
    """The example files of a meter read each hour or so, and of the reads by hand."""
    return [bring(name, read_house("two-storey")) for name in ("generation-quarter-hours", "meter-registers")]


@pytest.mark.slow
@pytest.mark.parametrize("form", FORMS)
def test_every_form_bills_the_example_meter_and_stands_in_the_report(form, tmp_path, meters):
    """The meter is read each hour: a finer rule is refused in words. The array's file ends before: a rule that counts
    what was made or used gives bills with a range, or is refused in words where its price changes with the hour."""
    house = read_house(house_file(tmp_path, FORMS[form]))
    if year_bills._step(house.tariff) < 60:
        with pytest.raises(InputError, match="interval data: found a step of 60 minutes, allowed is "):
            bills_of(periods_of(meters, house.tariffs)[0], house)
        return
    periods, _ = periods_of(meters, house.tariffs)
    made = any(charge.on in ("use", "generation") for charge in house.tariff.charges)
    try:
        book = bills_of(periods, house)
    except InputError as refused:
        assert made and re.search("found nothing, allowed is interval data .* changes with the hour", str(refused))
        return
    low, bill, high = (book[name].astype(float) for name in ("bill_low", "bill", "bill_high"))
    assert len(book) and np.isfinite([low, bill, high]).all() and (low <= bill).all() and (bill <= high).all()
    if made:
        assert (high - low).max() > 0.01
    told = report.money("Bills", house, (periods, meters[1]), sent_bills("bills-sent"))
    assert told.lines and not re.search(r"\bnan\b", "".join(map(str, (told.lines, told.pictures[0][1]))).lower())
    (_, shown), *_ = told.tables
    assert not (shown["computed"] == "nan").any()


def random_tables(count):
    """Return sound tables of rules, drawn the same each time."""
    drawn = []

    @seed(2026)
    @settings(max_examples=count, database=None, deadline=None, suppress_health_check=list(HealthCheck))
    @given(sound_tables())
    def go(table):
        drawn.append(table)

    go()
    return drawn


def test_random_rules_are_read_and_few_are_refused(tmp_path, capsys):
    refused, tables = Counter(), random_tables(200)
    for table in tables:
        try:
            read_house(house_file(tmp_path, table))
        except InputError as error:
            refused[str(error)] += 1
    with capsys.disabled():
        for words, count in refused.most_common():
            print(f"\n{count} refused: {words[:300]}", end="")
    assert len(tables) >= 200 and refused.total() <= 0.05 * len(tables), refused


# ---------------------------------------------------------------- the lessons


def check_lessons(kind, path):
    """Run lessons on a house file: no cell fails, each control goes to its ends, and no caption holds a NaN."""
    panels, told = [], 0
    with recorded(panels.append), working_directory(NOTEBOOKS[0].parent), warnings.catch_warnings():
        warnings.simplefilter("error")
        for notebook in (file for file in NOTEBOOKS if file.name.startswith(LESSONS[kind])):
            names, text = {"__name__": "__main__"}, notebook.read_text(encoding="utf-8")
            told += text.count("explore(") + text.count("system_drawing(house")
            for cell in nbformat.read(notebook, as_version=4).cells:
                if cell.cell_type == "code":
                    answered(run_cell(of_house(cell.source, path), names, notebook.name))
            assert names["house"] == read_house(path)
        for panel in panels:
            for end in (0, -1):
                panel.set(**{name: control.extremes[end] for name, control in panel.controls.items()})
                assert panel.error is None, panel.error
                assert not re.search(r"\bnan\b", panel.caption, re.IGNORECASE), panel.caption
    assert len(panels) == told > 0
    Widget.close_all()


@pytest.mark.slow
@pytest.mark.parametrize(
    ("form", "kind"),
    [(form, kind) for form in THROUGH_LESSONS for kind in LESSONS if kind != "roof" or "price" in form],
)
def test_every_kind_of_rule_runs_through_the_lessons(form, kind, tmp_path):
    check_lessons(kind, house_file(tmp_path, FORMS[form]))


def other_forms():
    """Yield (form, kind) of the forms that no usual run takes: each third, in those of bank and money by turns; with
    the profile `long` all, in both."""
    both = settings.default.max_examples > USUAL
    for turn, form in enumerate(form for form in FORMS if form not in THROUGH_LESSONS):
        yield from ((form, kind) for at, kind in enumerate(("bank", "money")) if both or turn % 6 == 3 * at)


@pytest.mark.long
@pytest.mark.parametrize(("form", "kind"), list(other_forms()))
def test_every_form_runs_through_the_lessons(form, kind, tmp_path):
    check_lessons(kind, house_file(tmp_path, FORMS[form]))


@pytest.mark.long
def test_random_rules_are_billed_and_run_through_the_lessons_and_the_report(tmp_path, meters):
    """Of 200 each fifth is billed, and a quarter of these runs through a lesson by turns; under the profile `long` all
    through both. What is read is billed everywhere, or asks in words for data that the example meter has not."""
    every = settings.default.max_examples > USUAL
    failed, done = [], 0
    for number, table in enumerate(random_tables(200)):
        if not every and number % 5:
            continue
        path = house_file(tmp_path, table)
        try:
            house = read_house(path)
        except InputError:
            continue
        try:
            check_bills(house)
            try:
                periods, _ = periods_of(meters, house.tariffs)
                told = report.money("Bills", house, (periods, meters[1]), sent_bills("bills-sent"))
                assert told.lines
            except InputError as error:
                assert re.search("step of 60 minutes, allowed|found no generation for line", str(error)), error
            for turn, kind in enumerate(("bank", "money")):
                if every or number % 40 == 20 * turn:
                    check_lessons(kind, path)
        except Exception as error:
            failed.append((number, repr(error)))
        done += 1
    assert not failed and done >= (190 if every else 38)
