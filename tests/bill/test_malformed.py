"""Tariff files as people write them at home, each with a fault or two: every fault is told with its key, what was
found, what is allowed and the likely cause.
"""

import pytest

from solarlib.bill.tariff_file import read_tariff, tariff_from_table
from solarlib.house.file import HOUSE_FOLDER, read_house
from solarlib.quantities import InputError

BASE = """form = 1
[tariff]
name = "Power at home"
minimum_bill = 14.00
holidays = [2026-12-25]
valid_from = 2026-01-01

[[tariff.bucket]]
name = "on"
hours = [[7, 11], [17, 21]]
days = "weekdays"

[[tariff.bucket]]
name = "off"

[[tariff.charge]]
line = "basic charge"
on = "month"
price = 12.00

[[tariff.charge]]
line = "day energy"
on = "billed"
bucket = "on"
price = 0.28

[[tariff.charge]]
line = "night energy"
on = "billed"
bucket = "off"
blocks = [{ up_to_kwh = 500, price = 0.09 }, { price = 0.13 }]

[[tariff.charge]]
line = "sales tax"
on = "percent"
price = 7

[tariff.credit]
unit = "kWh"
netting = "bucket"
reset_month = 3
at_reset = "pay"
payout_price = 0.04
"""
MONEY = ('unit = "kWh"', 'unit = "money"\nexport_price = 0.05\n'), ("payout_price = 0.04\n", "")
NO_HOURS = (
    BASE[BASE.index("[[tariff.bucket]]") : BASE.index('[[tariff.charge]]\nline = "basic')], "",
), ('bucket = "on"\n', ""), ('bucket = "off"\n', ""), ('netting = "bucket"', 'netting = "period"')  # fmt: skip

# name of the fault: (edits of the base file, (key, what was found, what is allowed, the likely cause) of each fault)
FILES = {
    # ------------------------------------------------------------ letters that TOML does not know
    "decimal comma": ([("0.28", "0,28")], ("line 25, price", "price = 0,28", "a decimal point", "Write 0.28")),
    "decimal comma in a step": (
        [("price = 0.09", "price = 0,09")], ("line 31, price", "0,09", "a decimal point", "Write 0.09")),
    "thousands and comma": (
        [("14.00", "1.400,00")], ("line 4, minimum_bill", "1.400,00", "nothing between thousands", "write 1400.00")),
    "no digit before the point": ([("0.28", ".28")], ("price", "price = .28", "digit before the point", "write 0.28")),
    "curly quotes": ([('"month"', "“month”")], ("line 18, on", "“month”", "straight quotes", 'write " instead of “')),
    "low quotes": ([('"on"\nhours', "„on“\nhours")], ("line 9, name", "„on“", "straight quotes", 'instead of „')),
    "no-break blank": ([("price = 7", "price\u00a0= 7")], ("line 36", "= 7", "ordinary blanks", "copied from")),
    "long minus": ([("= 7", "= −7")], ("line 36, price", "−7", "an ordinary minus", "write -7")),
    "percent sign": ([("= 7", "= 7 %")], ("line 36, price", "7 %", "a number alone", "write 7")),
    "dollar sign": ([("= 12.00", "= $12.00")], ("price", "$12.00", "a number alone", "write 12.00")),
    "unit behind": ([("= 0.28", "= 0.28 €/kWh")], ("price", "0.28 €/kWh", "a number alone", "write 0.28")),
    "cents": ([("= 0.28", "= 28 ct")], ("price", "28 ct", "in $ and not in cents", "28 cents are 28 / 100")),
    # ------------------------------------------------------------ marks of TOML
    "no quotes": ([('"billed"\nbucket = "on"', 'billed\nbucket = "on"')],
                  ("line 23, on", "on = billed", "text in quotes", 'write "billed"')),
    "quote not closed": ([('"basic charge"', '"basic charge')],
                         ("line 17, line", '"basic charge', "both ends", "quote is")),
    "no equals sign": ([("minimum_bill = ", "minimum_bill ")], ("line 4, minimum_bill", "minimum_bill 14.00",
                       "key = value", "minimum_bill = 14.00")),
    "colon": ([("reset_month =", "reset_month:")], ("line 41, reset_month", "reset_month: 3", "key = value", "colon")),
    "two equals signs": ([("reset_month =", "reset_month ==")], ("line 41, reset_month", "== 3", "key = value", "= 3")),
    "header with one bracket": ([("[tariff.credit]", "[tariff.credit")],
                                ("line 38", "[tariff.credit", "name of a table in brackets", "a bracket is missing")),
    "header of a list in single brackets": (
        [("[[tariff.charge]]", "[tariff.charge]")],
        ("line 21, tariff.charge", "[tariff.charge]", "[[tariff.charge]], in double brackets", "several")),
    "table twice": ([("payout_price = 0.04\n", "payout_price = 0.04\n[tariff.credit]\n")],
                    ("line 44, tariff.credit", "[tariff.credit]", "each table once", "join the two")),
    "key twice": ([("= 7\n", "= 7\nprice = 5\n")], ("line 37, price", "price = 5", "each key once", "stands above")),
    "list not closed": ([("[17, 21]]", "[17, 21]")], ("line 10, hours", "[17, 21]", "a list in", "bracket is missing")),
    "comment of another language": ([("form = 1", "form = 1\n// mine")], ("line 2", "// mine", "after #", "# opens")),
    "capital truth": ([("= 7\n", "= 7\nafter_credit = True\n")],
                      ("line 37, after_credit", "= True", "true or false", "write true")),
    "two on one line": ([('line = "sales tax"\n', 'line = "sales tax", ')],
                        ("line 34, line", '"sales tax", on', "one key a line", "on goes on a line of its own")),
    # ------------------------------------------------------------ dates, months, hours
    "date with slashes": ([("2026-01-01", "1/31/2026")], ("valid_from", "1/31/2026", "like 2026-03-31", "2026-01-31")),
    "date with points": ([("2026-01-01", "31.1.2026")], ("valid_from", "31.1.2026", "like 2026-03-31", "2026-01-31")),
    "date in words": ([("2026-01-01", '"1. März 2026"')], ("valid_from", "1. März", "like 2026", "31 March 2026 is")),
    "no such day": ([("2026-01-01", '"2026-02-30"')], ("line 6, valid_from", "2026-02-30", "a date", "no such day")),
    "mistyped year": ([("2026-01-01", "2206-01-01")], ("line 6, valid_from", "2206-01-01", "a date", "year mistyped")),
    "German month": ([("= 3\n", '= "März"\n')], ("line 41, credit.reset_month", "'März'", "1 to 12", "write 3")),
    "French month": ([("= 3\n", "= août\n")], ("line 41, reset_month", "= août", "1 to 12", "write 8")),
    "months from to": ([('"sales tax"\n', '"sales tax"\nmonths = "6-8"\n')],
                       ("line 35, charge[4].months", "'6-8'", "from 1 to 12", "6 to 8 is [6, 7, 8]")),
    "reset date bare": ([("reset_month = 3", "reset_date = 03-31")],
                        ("line 41, reset_date", "03-31", "a month and day", 'in quotes: "03-31"')),
    "reset on 29 February": ([("reset_month = 3", 'reset_date = "02-29"')],
                             ("credit.reset_date", "'02-29'", "not 02-29", "the day before")),
    "hours with a dash": ([("[[7, 11], [17, 21]]", '"7-21"')],
                          ("line 10, bucket[1].hours", "'7-21'", "from 0 to 24", "[[7, 21]]")),
    "hours bare": ([("[[7, 11], [17, 21]]", "22-6")], ("line 10, hours", "22-6", "in pairs", "[[0, 6], [22, 24]]")),
    "hours over midnight": ([("[17, 21]", "[22, 6]")],
                            ("line 10, bucket[1].hours of 'on'", "[22, 6]", "from < to", "Write [0, 6], [22, 24]")),
    "one pair of hours": ([("[[7, 11], [17, 21]]", "[7, 21]")],
                          ("line 10, bucket[1].hours", "[7, 21]", "a list", "a list of pairs: [[7, 21]]")),
    # ------------------------------------------------------------ keys and words
    "misspelt key": ([("payout_price", "payoutprice")],
                     ("line 43, credit.payoutprice", "an unknown key", "one of unit", "is 'payout_price' meant?")),
    "key in the wrong table": ([("netting =", 'note = "mine"\nnetting =')],
                               ("line 40, credit.note", "an unknown key", "one of unit", "note belongs to [tariff]")),
    "key of the credit in the tariff": (
        [("minimum_bill = 14.00", "export_limit_kw = 5")],
        ("line 4, export_limit_kw", "an unknown key", "one of name", "belongs to [tariff.credit]")),
    "line on consumption": ([('"billed"\nbucket = "on"', '"consumption"\nbucket = "on"')],
                            ("charge[2].on", "'consumption'", "one of month", "bought energy is 'delivered'")),
    "unit in dollars": ([('"kWh"', '"$"')], ("line 39, credit.unit", "'$'", "one of kWh, money", "is 'money'")),
    "unit in small letters": ([('"kWh"', '"kwh"')], ("credit.unit", "'kwh'", "one of kWh", "is 'kWh' meant?")),
    "netting each month": ([('netting = "bucket"', 'netting = "monthly"')],
                           ("credit.netting", "'monthly'", "one of period", "from read to read is 'period'")),
    "bucket misspelt": ([('bucket = "off"', 'bucket = "night"')],
                        ("line 30, charge[3].bucket of 'night energy'", "'night'", "bucket]]: on, off", "misspelt")),
    "unknown form": ([("form = 1", "form = 3")], ("line 1", "form = 3", "form = 1", "needs a newer solarlib")),
    "number in quotes": ([("= 0.28", '= "0,28"')], ("charge[2].price", "'0,28'", "a number", "Write 0.28")),
    "text without quotes for a list": ([("= 7\n", '= 7\nafter_credit = false\nof = "basic charge"\n')],
                                       ("line 38, charge[4].of", "'basic charge'", "a list", '["basic charge"]')),
    # ------------------------------------------------------------ what is hardly meant
    "price in cents": ([("= 0.28", "= 28")],
                       ("line 25, charge[2].price of 'day energy'", "28", "0 to 1 $/kWh", "is that 28 cents, 0.28?")),
    "tax as a share": ([("= 7", "= 0.07")], ("charge[4].price of 'sales tax'", "0.07", "1 to 40 %", "a share, 7 %")),
    "negative price": ([("= 0.28", "= -0.28")], ("charge[2].price of 'day energy'", "-0.28", "above zero", "minus")),
    "fixed amount in cents": ([("= 12.00", "= 1200")],
                              ("charge[1].price of 'basic charge'", "1200", "from 0 to 150", "1200 cents, 12?")),
    "payout above retail": ([("= 0.04", "= 0.4")], ("credit.payout_price", "0.4", "dearest bought kWh, 0.28", "0.004")),
    "share in percent": ([*MONEY, ("export_price = 0.05", "export_share = 7.5"),
                          ("blocks = [{ up_to_kwh = 500, price = 0.09 }, { price = 0.13 }]", "price = 0.1")],
                         ("credit.export_share", "7.5", "from 0.05 to 1", "is that 7.5 %, 0.075?")),
    "offset of nothing": ([('"sales tax"\n', '"fee"\non = "day"\nprice = 0.1\noffset = true\n'
                            '[[tariff.charge]]\nline = "tax"\n')],
                          ("charge[4].offset of 'fee'", "offset without effect", "unit = 'money'", "leave it out")),
    "reset that never comes": ([("2026-01-01", "2026-04-02\nvalid_to = 2026-12-01")],
                               ("credit.at_reset", "a reset without effect", "empties something", "no day of a reset")),
    "minimum in cents": ([("14.00", "1400")], ("line 4, minimum_bill", "1400", "from 0.5 to 150", "1400 cents, 14?")),
    "no line at night": ([('bucket = "off"\n', 'bucket = "on"\n')],
                         ("charge", "no line for energy in bucket 'off'", "price = 0", "is a line missing")),
    "winter missing": ([('bucket = "on"\n', 'bucket = "on"\nmonths = [4, 5, 6, 7, 8, 9]\n')],
                       ("charge", "in bucket 'on' in Jan, Feb, Mar, Oct, Nov, Dec", "a line on", "its months too few")),
    "line that ends": ([("price = 0.28", "price = 0.28\nvalid_to = 2026-07-01")],
                       ("charge", "in bucket 'on' from 2026-07-01", "a line on", "is a line missing")),
    # ------------------------------------------------------------ what contradicts
    "nothing said of the reset": ([('at_reset = "pay"\npayout_price = 0.04\n', "")],
                                  ("credit.at_reset", "nothing beside reset_month", "one of forfeit", "what happens")),
    "no date of the reset": ([("reset_month = 3\n", "")],
                             ("credit.at_reset", "'pay' without a reset", "reset_month", "when are the credits em")),
    "no price of the payout": ([("payout_price = 0.04\n", "")],
                               ("credit.payout_price", "nothing although", "a price of a kWh", "what does it pay")),
    "netting over all hours": ([('netting = "bucket"', 'netting = "period"')],
                               ("credit.netting", "'period' with buckets", "bucket, day", "netting = 'bucket'")),
    "no bucket for the rest": ([('[[tariff.bucket]]\nname = "off"\n', ""), ('bucket = "off"\n', "")],
                               ("bucket", "no bucket without hours", "the last bucket", "missing at the end?")),
    "dates exchanged": ([("2026-01-01", "2026-07-01\nvalid_to = 2026-01-01")],
                        ("valid_to", "2026-01-01", "after valid_from", "are the two dates exchanged?")),
    "eleven prices": ([*MONEY, ("export_price = 0.05", "export_price = [0.1, 0.1]")],
                      ("line 40, credit.export_price", "[0.1, 0.1]", "12 prices", "from January on")),
    "decimal commas in a list": (
        [*MONEY, ("= 0.05", f"= [{', '.join(['0,062'] * 12)}]")],
        ("line 40, export_price", "[0,062, 0,062", "decimal points", "Write 0.062")),
    # ------------------------------------------------------------ two at once
    "commas and quotes": ([("0.28", "0,28"), ('"month"', "”month”")],
                          ("line 25, price", "0,28", "a decimal point", "Write 0.28"),
                          ("line 18, on", "”month”", "straight quotes", "instead of ”")),
    "a typo and a tax as a share": ([("payout_price", "payout_prise"), ("= 7", "= 0.07")],
                                    ("credit.payout_prise", "an unknown key", "one of unit", "is 'payout_price'"),
                                    ("charge[4].price of 'sales tax'", "0.07", "1 to 40 %", "7 %")),
    "cents and no rule for the night": ([("= 0.28", "= 28"), ('bucket = "off"\n', 'bucket = "on"\n')],
                                        ("charge[2].price of 'day energy'", "28", "$/kWh", "28 cents"),
                                        ("charge", "no line for energy in bucket 'off'", "a line on", "missing")),
    "contradiction and cents": ([("reset_month = 3\n", ""), ("= 12.00", "= 1200")],
                                ("credit.at_reset", "'pay' without a reset", "reset_month", "when are"),
                                ("charge[1].price of 'basic charge'", "1200", "$ a month", "1200 cents")),
}  # fmt: skip


def written(edits):
    """Return the base file with each text replaced once (a header in single brackets: everywhere)."""
    text = BASE
    for old, new in edits:
        assert old in text, old
        text = text.replace(old, new) if old == "[[tariff.charge]]" else text.replace(old, new, 1)
    return text


def parts(message, key):
    """Return (what was found, what is allowed and why) of the problem of a key."""
    (words,) = [words for words in message.split("; ") if words.partition(": found ")[0].endswith(key)]
    found, _, allowed = words.partition(": found ")[2].partition(", allowed is ")
    return found, allowed


def test_the_base_file_is_right_and_there_are_sixty_others(tmp_path):
    assert read_tariff(stored(tmp_path, [])).charge("day energy").bucket == "on"
    assert read_tariff(stored(tmp_path, NO_HOURS)).bucket_names == ("",)
    assert len(FILES) >= 60


def stored(folder, edits, marked=False):
    (folder / "mine.toml").write_text("\ufeff" * marked + written(edits), encoding="utf-8")
    return folder / "mine.toml"


@pytest.mark.parametrize("fault", FILES)
def test_each_fault_is_told_with_its_key_value_what_is_allowed_and_the_likely_cause(fault, tmp_path):
    edits, *told = FILES[fault]
    with pytest.raises(InputError) as refused:
        read_tariff(stored(tmp_path, edits))
    message = str(refused.value)
    assert message.startswith("mine.toml") and "\n" not in message and "Decimal(" not in message
    if fault == "unknown form":
        message = message.replace("mine.toml, ", "mine.toml: ").replace("; a file", " (a file")
    for key, value, allowed, cause in told:  # each key is named with the line of the file where that is known
        found, rest = parts(message.split(": ", 1)[1].removeprefix("tariff: "), key)
        assert value in found and allowed in rest and cause in rest, message
    assert len(message.split("; ")) == len(told), message


def test_a_file_with_a_byte_order_mark_is_the_same_file(tmp_path):
    plain = read_tariff(stored(tmp_path, []))
    assert read_tariff(stored(tmp_path, [], marked=True)) == plain
    house = (HOUSE_FOLDER / "two-storey.toml").read_text(encoding="utf-8")
    (tmp_path / "house.toml").write_text("\ufeff" + house, encoding="utf-8")
    assert read_house(tmp_path / "house.toml") == read_house("two-storey")


def test_tabs_are_blanks(tmp_path):
    assert read_tariff(stored(tmp_path, [("price = 7", "\tprice\t=\t7\t# percent")])) == read_tariff(
        stored(tmp_path, [])
    )


@pytest.mark.parametrize("header", ["[tariff", "[[tariff"])
def test_a_fault_inside_a_house_file_names_that_file_its_line_and_the_whole_key(header, tmp_path):
    house = (HOUSE_FOLDER / "two-storey.toml").read_text(encoding="utf-8")
    before, after = house[: house.index("[tariff]")], house[house.index("[costs]") :]
    rules = written([("form = 1\n", ""), ("= 0.28", "= 28"), ("unit = ", "units = ")])
    rules = rules.replace("[tariff]", f"{header}]{']' * header.count('[[')}")
    (tmp_path / "house.toml").write_text(before + rules + after, encoding="utf-8")
    with pytest.raises(InputError) as refused:
        read_house(tmp_path / "house.toml")
    name = "tariff[1]" if header == "[[tariff" else "tariff"
    at = (before + rules)[: (before + rules).index("price = 28")].count("\n") + 1
    assert str(refused.value).startswith("house.toml: line ")
    assert f"line {at}, {name}.charge[2].price of 'day energy': found 28" in str(refused.value)
    assert f"{name}.credit.units: found an unknown key" in str(refused.value)


def test_what_is_unusual_and_meant_is_read():
    lines = [{"line": "energy", "on": "import", "price": 31}, {"line": "tax", "on": "percent", "price": 0.5}]
    table = {"name": "yen", "charge": lines, "minimum_bill": 2000}
    with pytest.raises(InputError, match="Yen and rupees have such sizes") as refused:
        tariff_from_table(table)
    assert len(str(refused.value).split("; ")) == 3
    assert tariff_from_table(table | {"meant": ["energy", "tax", "minimum_bill"]}).charge("energy").price == 31
    with pytest.raises(InputError, match=r"meant: found 'enrgy', .* \(is 'energy' meant\?\)"):
        tariff_from_table(table | {"meant": ["enrgy", "energy", "tax", "minimum_bill"]})


@pytest.mark.parametrize(
    ("charge", "more"),
    [
        ([{"line": "energy", "on": "delivered", "price": 0}], {}),
        ([{"line": "energy", "on": "use", "price": 0.15}], {}),
        ([{"line": "old", "on": "import", "price": 0.15, "valid_to": "2026-07-01"},
          {"line": "new", "on": "import", "price": 0.16, "valid_from": "2026-07-01"}], {}),
        ([{"line": "summer", "on": "import", "price": 0.15, "months": [4, 5, 6, 7, 8, 9]},
          {"line": "winter", "on": "import", "price": 0.12, "months": [10, 11, 12, 1, 2, 3]}], {}),
        ([{"line": "spring", "on": "import", "price": 0.15, "months": [3, 4, 5]}],
         {"valid_from": "2026-03-01", "valid_to": "2026-06-01"}),
    ],
)  # fmt: skip
def test_energy_that_always_meets_a_line_is_covered(charge, more):
    assert tariff_from_table({"name": "covered", "charge": charge} | more)


@pytest.mark.parametrize(
    ("charge", "more", "where"),
    [
        ([{"line": "basic", "on": "month", "price": 9}], {}, "at any time"),
        ([{"line": "old", "on": "import", "price": 0.15, "valid_to": "2026-07-01"},
          {"line": "new", "on": "import", "price": 0.16, "valid_from": "2026-08-01"}], {},
         "in Jul from 2026-07-01 before 2026-08-01"),
        ([{"line": "spring", "on": "import", "price": 0.15, "months": [3, 4]}],
         {"valid_from": "2026-03-01", "valid_to": "2026-06-01"}, "in May"),
    ],
)  # fmt: skip
def test_energy_that_meets_no_line_is_told_with_months_and_days(charge, more, where):
    with pytest.raises(InputError, match=f"charge: found no line for energy {where}"):
        tariff_from_table({"name": "bare", "charge": charge} | more)


def test_a_bucket_that_no_hour_is_left_for_is_told():
    buckets = [{"name": "day", "hours": [[0, 24]]}, {"name": "high", "hours": [[17, 21]]}, {"name": "rest"}]
    charge = [{"line": "energy", "on": "import", "price": 0.2}]
    with pytest.raises(
        InputError, match=r"bucket\[2\]: found no hour left for 'high'.*bucket\[3\]: found no hour left"
    ):
        tariff_from_table(
            {"name": "three", "charge": charge, "bucket": buckets, "credit": {"unit": "none", "netting": "day"}}
        )
