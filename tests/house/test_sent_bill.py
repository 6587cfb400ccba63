"""A bill that was sent: each line is recomputed, the cause that was put in is named, and none where there are two."""

from dataclasses import replace
from datetime import date, timedelta
from decimal import Decimal

import numpy as np
import pandas as pd
import pytest

from solarlib.bill.accounts import ledger
from solarlib.bill.periods import monthly_periods
from solarlib.bill.tariff_file import tariff_from_table
from solarlib.bill.usage import billing_months
from solarlib.files.reading import Readings
from solarlib.house import sent_bill
from solarlib.house.file import read_house
from solarlib.house.flows import Checked
from solarlib.house.sent_bill import Read, SentBill, check_sent_bill, read_sent_bill
from solarlib.house.year_bills import ratings
from solarlib.quantities import InputError

DAYS = (date(2026, 3, 3), date(2026, 4, 1), date(2026, 5, 4))
BUCKETS = [{"name": "on", "hours": [[7, 21]], "days": "weekdays"}, {"name": "off"}]
HOURS = {
    "name": "Hours netted, two prices",
    "kwh_decimals": 1,
    "bucket": BUCKETS,
    "credit": {"unit": "money", "netting": "hour", "export_price": {"on": "0.071", "off": "0.043"}},
    "charge": [
        {"line": "basic charge", "on": "month", "price": 9},
        {"line": "meter", "on": "day", "price": "0.113"},
        {"line": "on-peak", "on": "import", "bucket": "on", "price": "0.3171"},
        {"line": "off-peak", "on": "import", "bucket": "off", "price": "0.1229"},
        {"line": "public", "on": "delivered", "price": "0.0153"},
        {"line": "tax", "on": "percent", "price": 7},
    ],
}
BANK = {
    "name": "Bank and blocks",
    "kwh_decimals": 0,
    "credit": {"unit": "kWh", "netting": "period", "reset_month": 9, "at_reset": "forfeit"},
    "charge": [
        {"line": "basic charge", "on": "month", "price": 12},
        {
            "line": "energy",
            "on": "billed",
            "blocks": [{"up_to_kwh": 130, "price": "0.1113"}, {"price": "0.1709"}],
            "blocks_by_days": False,
        },
        {"line": "public", "on": "delivered", "price": "0.0247", "valid_to": "2026-04-11"},
        {"line": "public, new", "on": "delivered", "price": "0.0311", "valid_from": "2026-04-11"},
        {"line": "tax", "on": "percent", "price": 5, "of": ["energy"], "after_credit": False},
    ],
}


def exact(thing):
    """A table as TOML gives it: prices as text become exact numbers."""
    if isinstance(thing, dict):
        return {key: exact(value) for key, value in thing.items()}
    if isinstance(thing, list):
        return [exact(value) for value in thing]
    return Decimal(thing) if isinstance(thing, str) and thing.replace(".", "", 1).isdigit() else thing


def rules(table, **changes):
    return tariff_from_table(exact(table | changes))


@pytest.fixture(scope="module")
def meter():
    """Five months of hours, made at random."""
    index = pd.date_range("2026-01-20", "2026-06-10", freq="h", tz="America/New_York", inclusive="left")
    rng = np.random.default_rng(11)
    sun = np.maximum(0.0, np.sin((index.hour - 6) / 12 * np.pi)) * rng.uniform(0.2, 2.6, len(index))
    net = rng.gamma(2.0, 0.55, len(index)) - sun
    drift = rng.uniform(0.0, 0.15, len(index))  # within an hour energy flows both ways
    table = pd.DataFrame(
        {"delivered_kwh": np.maximum(net, 0) + drift, "received_kwh": np.maximum(-net, 0) + drift}, index
    )
    return Checked("meter.csv", Readings(table.round(3), pd.Timedelta("1h"), {}, {}, None), (), table.round(3))


@pytest.fixture(scope="module")
def house():
    return read_house("two-storey")


def counted(meter, tariff, days=DAYS):
    flows = (meter.table[name].loc[str(days[0]) : str(days[-1] - timedelta(days=1))] for name in meter.table)
    return monthly_periods(*flows, reads=days, tariff=tariff)


def printed(house, tariff, periods, **opening):
    """What a utility prints on the last bill of these periods, by its own rules."""
    row = ledger(periods, tariff, **ratings(house), **opening).iloc[-1]
    lines = {charge.line: row[f"line {charge.line}"] for charge in tariff.charges}
    more = {"credit": -row["credit_money_applied"], "minimum": row["min_bill_topup"], "payout": -row["payout"]}
    more["carried"] = row["balance_close"] - row["balance_open"]
    lines |= {name: amount for name, amount in more.items() if amount}
    return {name: Decimal(f"{amount:.2f}") for name, amount in lines.items()}, Decimal(f"{row['bill']:.2f}")


def sent(bill, days=DAYS, **more):
    return SentBill(total=bill[1], lines=bill[0], read=tuple(Read(day) for day in days), **more)


def last(periods, **values):
    return periods.assign(**{name: [*periods[name].iloc[:-1], value] for name, value in values.items()})


def said(house, tariff, bill, meter):
    return str(check_sent_bill(replace(house, tariff=tariff), bill, (meter,)))


@pytest.mark.parametrize("table", [HOURS, BANK], ids=["hours", "bank"])
def test_a_right_bill_agrees_line_by_line(house, meter, table):
    tariff = rules(table)
    found = check_sent_bill(
        replace(house, tariff=tariff), sent(printed(house, tariff, counted(meter, tariff))), (meter,)
    )
    assert "All lines agree to the cent." in found.sentences and len(found.sentences) == 2
    assert found.table["sent"].tolist() == found.table["computed"].tolist()
    assert set(found.table.index) >= {charge.line for charge in tariff.charges} - {"public, new", "public"}


MOVED = [
    ((-2, 0), "the opening reading 2 days earlier"),
    ((0, 3), "the closing reading 3 days later"),
    ((1, 1), "both readings 1 days later"),
]


@pytest.mark.parametrize("table", [HOURS, BANK], ids=["hours", "bank"])
@pytest.mark.parametrize("by, words", MOVED)
def test_a_reading_on_another_day(house, meter, table, by, words):
    tariff = rules(table)
    days = DAYS[0], DAYS[1] + timedelta(days=by[0]), DAYS[2] + timedelta(days=by[1])
    wrong = sent(printed(house, tariff, counted(meter, tariff, days)))
    assert f"This alone would explain every line: {words}" in said(house, tariff, wrong, meter)


def test_a_reading_on_another_day_with_the_days_of_the_bill_as_printed(house, meter):
    tariff = rules(HOURS)
    late = counted(meter, tariff, (*DAYS[:2], DAYS[2] + timedelta(days=2)))
    stamped = late.assign(period_end=counted(meter, tariff)["period_end"])
    words = said(house, tariff, sent(printed(house, tariff, stamped)), meter)
    assert "the closing reading 2 days later, while the days of the bill stayed" in words


def energies(periods, factor):
    return {name: periods[name].iloc[-1] * factor for name in periods if "_kwh" in name}


def swapped(periods, one, two):
    row = periods.iloc[-1]
    return last(periods, **{one: row[two], two: row[one]})


CHANGED = {
    "energies times 10, a meter constant counted once too often": lambda p: last(p, **energies(p, 10)),
    "energies divided by 40, a meter constant left out": lambda p: last(p, **energies(p, 1 / 40)),
    "monthly amounts counted 2 times": lambda p: p.assign(months=[1, 2]),
}


@pytest.mark.parametrize("words", CHANGED)
def test_energies_that_went_wrong(house, meter, words):
    tariff = rules(HOURS)
    wrong = printed(house, tariff, CHANGED[words](counted(meter, tariff)))
    assert words in said(house, tariff, sent(wrong), meter)


OTHER_RULES = {
    "energies rounded to 0 decimals of a kWh": (HOURS, {"kwh_decimals": 0}),
    "'tax' taken of the lines without the credit": (
        HOURS,
        {"charge": [*HOURS["charge"][:-1], HOURS["charge"][-1] | {"after_credit": False}]},
    ),
    "monthly amounts counted as days / 30": (
        HOURS,
        {"charge": [{"line": "basic charge", "on": "day", "price": "0.3"}, *HOURS["charge"][1:]]},
    ),
    "limits of the blocks of 'energy'": (
        BANK,
        {"charge": [BANK["charge"][0], BANK["charge"][1] | {"blocks_by_days": True}, *BANK["charge"][2:]]},
    ),
    "'tax' taken of all lines": (BANK, {"charge": [*BANK["charge"][:4], {"line": "tax", "on": "percent", "price": 5}]}),
}


@pytest.mark.parametrize("words", OTHER_RULES)
def test_rules_read_in_another_way(house, meter, words):
    table, changes = OTHER_RULES[words]
    wrong = printed(house, rules(table, **changes), counted(meter, rules(table)))
    assert words in said(house, rules(table), sent(wrong), meter)


def test_rounding_of_the_total(house, meter):
    tariff, total = rules(HOURS), rules(HOURS, round_stage="total")
    ends = [DAYS[2] + timedelta(days=more) for more in range(12)]
    for days in ((*DAYS[:2], end) for end in ends):
        right, wrong = (printed(house, it, counted(meter, tariff, days)) for it in (tariff, total))
        if right != wrong:
            assert "only the total rounded to cents" in said(house, tariff, sent(wrong, days), meter)
            return
    pytest.fail("no bill in which it matters")


def test_rules_of_before_a_change(house, meter):
    old, new = rules(HOURS, name="old", valid_to="2026-04-01"), rules(HOURS, name="new", valid_from="2026-04-01")
    lines = [replace(it, price=it.price + Decimal("0.02")) if it.bucket else it for it in new.charges]
    new = replace(new, charges=tuple(lines))
    own = replace(house, tariff=old, later=(new,))
    table = counted(meter, new)
    right = printed(house, replace(new, valid_from=None), table)
    assert "All lines agree" in str(check_sent_bill(own, sent(right), (meter,)))
    wrong = printed(house, replace(old, valid_to=None), table)
    words = str(check_sent_bill(own, sent(wrong), (meter,)))
    assert "This alone would explain every line: the rules 'old' instead." in words


def test_an_opening_reading_moves_energy_between_two_bills(house):
    tariff = rules(BANK)
    periods = pd.DataFrame({"period_start": DAYS[:2], "period_end": DAYS[1:], "delivered_kwh": [360.0, 660.0]})
    periods["received_kwh"] = [500.0, 330.0]  # 20 and 10 kWh a day in the second, the first fills the bank
    shown = np.cumsum([[100.0, 100.0], *periods[["delivered_kwh", "received_kwh"]].to_numpy()], axis=0)
    moved = periods.assign(delivered_kwh=[320.0, 700.0], received_kwh=[480.0, 350.0])
    early = DAYS[1] - timedelta(days=2)
    moved = moved.assign(period_end=[early, DAYS[2]], period_start=[DAYS[0], early])
    bill = with_registers(printed(house, tariff, moved), list(zip(DAYS, *shown.T)))
    assert "the opening reading 2 days earlier" in str(check_sent_bill(replace(house, tariff=tariff), bill))


def test_what_there_was_before(house, meter):
    tariff = rules(BANK)
    bill = printed(house, tariff, counted(meter, tariff))
    words = said(house, tariff, sent(bill, bank_kwh=4000.0), meter)
    assert "nothing in the bank before" in words
    tariff = rules(HOURS)
    opening = printed(house, tariff, counted(meter, tariff, DAYS[1:]), opening_money=(Decimal(2), Decimal(30)))
    assert opening[0]["carried"] == -30
    right = sent(opening, DAYS[1:], credit=Decimal(2), carried=Decimal(30))
    assert "All lines agree" in said(house, tariff, right, meter)
    without = printed(house, tariff, counted(meter, tariff, DAYS[1:]), opening_money=(Decimal(2), Decimal(0)))
    wrong = replace(right, lines=without[0], total=without[1])
    assert "explain every line: nothing carried from before." in said(house, tariff, wrong, meter)


def test_a_bank_emptied_on_this_bill(house, meter):
    tariff = rules(BANK, credit=BANK["credit"] | {"at_reset": "pay", "payout_price": "0.031"})
    emptied = rules(BANK, credit=BANK["credit"] | {"at_reset": "pay", "payout_price": "0.031", "reset_month": 5})
    periods = last(counted(meter, tariff), received_kwh=900.0)
    bill = printed(house, emptied, periods)
    assert bill[0]["payout"] < 0
    typed = sent(bill, kwh={name: periods[name].iloc[-1] for name in ("delivered_kwh", "received_kwh")})
    assert "the credits emptied on this bill" in said(house, tariff, typed, meter)
    assert "All lines agree" in said(house, tariff, replace(typed, emptied=True), meter)


def test_an_estimate_from_the_time_before(house, meter):
    tariff = rules(HOURS)
    length = DAYS[2] - DAYS[1]
    before = counted(meter, tariff, (DAYS[1] - length, DAYS[1])).iloc[-1]
    wrong = last(counted(meter, tariff), **{name: before[name] for name in before.index if "_kwh" in name})
    assert "an estimate: as much a day" in said(house, tariff, sent(printed(house, tariff, wrong)), meter)


TWO = [
    lambda tariff, p: (tariff, last(p, **energies(p, 1.013))),
    lambda tariff, p: (replace(tariff, round_stage="total"), last(p, **energies(p, 10))),
    lambda tariff, p: (rules(OTHER_RULES["monthly amounts counted as days / 30"][1] | {"name": "x"} | {
        key: HOURS[key] for key in ("kwh_decimals", "bucket", "credit")}), CHANGED[next(iter(CHANGED))](p)),
    lambda tariff, p: (replace(tariff, kwh_decimals=0), p.assign(months=[1, 2])),
]  # fmt: skip


@pytest.mark.parametrize("two", TWO)
def test_no_cause_is_invented_where_two_mistakes_overlap(house, meter, two):
    tariff = rules(HOURS)
    wrong = printed(house, *two(tariff, counted(meter, tariff)))
    words = said(house, tariff, sent(wrong), meter)
    assert "single causes explains every line" in words and "would explain every line:" not in words


def test_random_mistakes_of_a_line_have_no_cause(house, meter):
    tariff, rng = rules(HOURS), np.random.default_rng(3)
    lines, total = printed(house, tariff, counted(meter, tariff))
    for _ in range(10):
        more = {name: amount + Decimal(int(rng.integers(1, 400))) / 100 for name, amount in lines.items()}
        words = said(house, tariff, sent((more, total + sum(more.values()) - sum(lines.values()))), meter)
        assert "single causes explains every line" in words
        for name in lines:
            assert f"{name}: ${more[name] - lines[name]:,.2f} more than computed." in words


def test_lines_that_do_not_make_the_total_are_told(house, meter):
    tariff = rules(HOURS)
    lines, total = printed(house, tariff, counted(meter, tariff))
    words = said(house, tariff, sent((lines, total + 1)), meter)
    assert f"The printed lines add up to ${total:,.2f}, not to the total of ${total + 1:,.2f}." in words
    assert "total: $1.00 more than computed." in words


# ---------------------------------------------------------------- registers only


def with_registers(bill, rows, **more):
    return SentBill(total=bill[1], lines=bill[0], read=tuple(Read(*row) for row in rows), **more)


def test_registers_with_an_exchanged_meter_and_an_estimate(house):
    tariff = rules(BANK)
    rows = [
        (DAYS[0], 99_700.0, 500.0),
        (DAYS[1], 60.0, 610.0),
        (date(2026, 4, 20), 170.0, 700.0, None, "exchange out"),
        (date(2026, 4, 20), 5.0, 3.0, None, "exchange in"),
        (DAYS[2], 305.0, 81.0, None, "estimated"),
    ]
    periods = pd.DataFrame({"period_start": DAYS[:2], "period_end": DAYS[1:], "delivered_kwh": [360.0, 410.0]})
    periods["received_kwh"] = [110.0, 168.0]
    bill = printed(house, tariff, periods)
    own = replace(house, tariff=tariff)
    found = check_sent_bill(own, with_registers(bill, rows))
    assert "All lines agree to the cent." in found.sentences and "is an estimate" in found.sentences[-1]
    more = {name: [periods[name][0], round(periods[name][1] * 34 / 33)] for name in ("delivered_kwh", "received_kwh")}
    late = periods.assign(period_end=[DAYS[1], date(2026, 5, 5)], **more)
    words = str(check_sent_bill(own, with_registers(printed(house, tariff, late), rows)))
    assert "the closing reading 1 days later" in words


def test_registers_under_rules_that_need_hours_check_what_they_can(house, meter):
    tariff = rules(HOURS)
    lines, total = printed(house, tariff, counted(meter, tariff))
    table = counted(meter, tariff)
    reads = np.cumsum([[1000.0, 2000.0], *table[["delivered_kwh", "received_kwh"]].to_numpy()], axis=0)
    bill = with_registers((lines | {"meter": lines["meter"] + 1}, total), list(zip(DAYS, *reads.T)))
    found = check_sent_bill(replace(house, tariff=tariff), bill)
    assert set(found.table.index) == {"basic charge", "meter", "public"}
    words = str(found)
    assert "Not checked: on-peak, off-peak, tax, total." in words and "meter: $1.00 more than computed." in words
    assert found.table.loc["public", "computed"] == pytest.approx(float(lines["public"]), abs=0.01)


def test_typed_energies_by_bucket_stand_for_registers(house, meter):
    tariff = rules(HOURS, credit=HOURS["credit"] | {"netting": "bucket"})
    table = counted(meter, tariff)
    names = [f"{what}_kwh_{bucket}" for what in ("delivered", "received") for bucket in ("on", "off")]
    typed = {name: table[name].iloc[-1] for name in names}
    found = check_sent_bill(replace(house, tariff=tariff), sent(printed(house, tariff, table.iloc[1:]), kwh=typed))
    assert "Energies as printed on the bill." in found.sentences and "All lines agree to the cent." in found.sentences


def test_the_example_names_what_was_put_in(house):
    words = str(check_sent_bill(house, read_sent_bill("bill-of-may")))
    assert "energy: $58.73 more than computed." in words
    assert "This alone would explain every line: received energy not counted." in words


@pytest.mark.parametrize(
    "text, words",
    [
        ("total = 1\n[lines]\n", "read: found nothing"),
        ('total = "a"\nread = []\n[lines]\n', "total: found 'a'"),
        ("total = 1\nread = []\nbank = 3\n[lines]\n", "bank: found an unknown key"),
        ('total = 1\nread = []\n[lines]\nenergy = "x"\n', "lines: found"),
    ],
)
def test_a_file_that_cannot_be_read_is_refused_in_words(tmp_path, text, words):
    path = tmp_path / "mine.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(InputError, match=f"mine.toml: .*{words}"):
        read_sent_bill(path)


def test_what_is_missing_is_said(house):
    bill = SentBill(Decimal(1), {}, (Read(DAYS[0]), Read(DAYS[1])))
    with pytest.raises(InputError, match="or both registers with each date"):
        check_sent_bill(house, bill)
    with pytest.raises(InputError, match="two days of reading"):
        check_sent_bill(house, replace(bill, read=bill.read[:1]))
    odd = SentBill(Decimal(1), {"fee": Decimal(1)}, (Read(DAYS[0], 1.0, 1.0), Read(DAYS[1], 2.0, 2.0)))
    with pytest.raises(InputError, match="lines: found 'fee', allowed are those of the tariff and the bill: basic"):
        check_sent_bill(house, odd)
    with pytest.raises(InputError, match="found no such file"):
        read_sent_bill("nowhere.toml")


def test_a_period_counts_its_days_across_a_change_of_the_clock():
    edges = pd.DatetimeIndex(["2026-02-13", "2026-03-31"], tz="America/New_York")  # 46 days, an hour short
    table, sent = pd.DataFrame({"period_start": edges[:1], "period_end": edges[1:]}), SentBill(Decimal(1), {}, ())
    assert sent_bill._with_months(table, sent)["months"].tolist() == [billing_months(46)] == [2]
    assert sent_bill._with_months(table, replace(sent, months=1))["months"].tolist() == [1]
