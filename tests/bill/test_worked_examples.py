"""The worked examples of `data/tariffs`, each beside its ledger worked by hand.

Every expected amount is a sum in a comment that a class can do with a pencil, from the rules in words of
`data/tariffs/README.md`; none was copied from a program. Built here: usage, prices and hours are invented.
"""

import re
import tomllib
from dataclasses import replace
from datetime import date
from decimal import Decimal

import pandas as pd
import pytest

from solarlib.bill.accounts import bills
from solarlib.bill.periods import monthly_periods
from solarlib.bill.tariff_file import TARIFF_FOLDER, read_tariff
from solarlib.bill.words import explain
from solarlib.house.bills import life_bills
from solarlib.house.file import HOUSE_FOLDER, read_house
from solarlib.house.year_bills import year_energies

ZONE = "America/New_York"  # its clock is put forward on 8 March 2026, 14 March 2027 and 12 March 2028


def days(*texts):
    return [date.fromisoformat(text) for text in texts]


def firsts(text, count):
    """Return the first day of a month and of the `count` - 1 months after it."""
    return list(pd.date_range(text, periods=count, freq="MS").date)


def metered(reads, **columns):
    """Return billing periods between reads with energies by column, each a list with one number a period. [kWh]"""
    return pd.DataFrame({"period_start": reads[:-1], "period_end": reads[1:], **columns})


def alike(tariff, reads, *patterns):
    """Return billing periods in each of which every day is alike: {local hour: (delivered, received)}. [kWh]"""
    hours = pd.date_range(str(reads[0]), str(reads[-1]), freq="1h", tz=ZONE, inclusive="left")
    spans = list(zip(reads[:-1], reads[1:], patterns, strict=True))
    of_day = {day.date(): p for start, end, p in spans for day in pd.date_range(start, end, inclusive="left")}
    flows = [of_day[day].get(hour, (0, 0)) for day, hour in zip(hours.date, hours.hour)]
    delivered, received = (pd.Series(flow, hours, dtype=float) for flow in zip(*flows))
    return monthly_periods(delivered, received, reads=reads, tariff=tariff)


def assert_ledger(rows, **expected):
    """Compare columns, written with _ for a blank, with amounts written as text and parted by blanks."""
    for name, amounts in expected.items():
        key = next(key for key in rows[0] if key.replace(" ", "_").replace("-", "_") == name)
        assert [row[key] for row in rows] == [Decimal(amount) for amount in amounts.split()], name


def printed(name):
    """Return the bill in the comments at the head of an example: [(name of the line, amount)]."""
    text = (TARIFF_FOLDER / f"{name}.toml").read_text(encoding="utf-8")
    bill = text.split("Your bill looks like this")[1].split("\n#\n")[1]
    found = [re.fullmatch(r"#   (\S+(?: [a-z]\S*)*,?) .*?(-?\d+\.\d\d)", line) for line in bill.splitlines()]
    return [(line[1], Decimal(line[2])) for line in found]


def assert_printed(name, row):
    """The bill in the comments adds up, and what it says of lines that bear the name of a charge is in the ledger."""
    *parts, (last, due) = printed(name)
    assert last == "to pay" and due == row["bill"] and sum(amount for _, amount in parts) == due
    named = {f"line {line}": amount for line, amount in parts if f"line {line}" in row}
    assert named == {key: row[key] for key in row if key.startswith("line ")}


def test_kwh_from_month_to_month_and_cash_once_a_year():
    """Five bills; the year ends with that of April.

    | bill | delivered | received | the rest | carried after it | kWh to pay |
    |---|---|---|---|---|---|
    | February | 400 | 100 | 300 bought | 0 | 300 |
    | March | 200 | 260 | 60 sent out | 60 | 0 |
    | April | 150 | 450 | 300 sent out | 60 + 300 = 360, paid out: 0 | 0 |
    | May | 100 | 400 | 300 sent out | 300 | 0 |
    | June | 1400 | 300 | 1100 bought | 300 pay for 300: 0 | 1100 - 300 = 800 |
    """
    periods = metered(
        firsts("2026-02-01", 6), delivered_kwh=[400, 200, 150, 100, 1400], received_kwh=[100, 260, 450, 400, 300]
    )
    rows = bills(periods, read_tariff("monthly-rollover-yearly-cash"))
    assert_ledger(
        rows,
        billed_kwh="300 0 0 0 800",
        bank_close="0 60 0 300 0",
        line_customer_charge="9 9 9 9 9",
        line_winter_energy="36 0 0 0 0",  # 300 x 0.12
        line_summer_energy="0 0 0 0 98",  # the first 500 x 0.10 = 50.00, the other 300 x 0.16 = 48.00
        payout="0 0 10.80 0 0",  # 360 x 0.03
        bill="45 9 -1.80 9 107",  # 9 + 36; 9; 9 - 10.80, sent to the owner and not carried; 9; 9 + 98
        balance_close="0 0 0 0 0",
    )
    assert_printed("monthly-rollover-yearly-cash", rows[2])


DARK = {12: (1, 3), 18: (6, 0), 23: (6, 0)}
BRIGHT = {12: (1, 9), 18: (2, 0), 23: (3, 0)}
BRIGHTER = {12: (1, 11), 18: (0, 1), 23: (4, 0)}
MILD = {12: (1, 5), 18: (3, 0), 23: (5, 0)}
THIRTY_DAYS = days("2026-01-01", "2026-01-31", "2026-03-02", "2026-04-01", "2026-05-01", "2026-05-31")


def test_a_year_is_settled_with_the_minimum_that_was_paid_meanwhile():
    """Bills of 30 days, every day alike; that of April contains 1 April and settles. The peak is from 16:00 to 21:00.

    | kWh a day | peak | off-peak, the two registers | off-peak | bought hour by hour |
    |---|---|---|---|---|
    | January | 6 | 1 + 6 less 3 | 4 | 6 + 6 = 12 (at noon 3 - 1 = 2 go out) |
    | February | 2 | 1 + 3 less 9 | -5 | 2 + 3 = 5 |
    | March | -1 | 1 + 4 less 11 | -6 | 4 |
    | April | 3 | 1 + 5 less 5 | 1 | 3 + 5 = 8 |
    | May, as January | 6 | | 4 | 12 |

    | $ | peak x 30 x 0.30 | off-peak x 30 x 0.20 | sum | hourly x 30 x 0.02 | up to 10.00 |
    |---|---|---|---|---|---|
    | January | 54 | 24 | 78 | 7.20 | 2.80 |
    | February | 18 | -30 | -12 | 3.00 | 7.00 |
    | March | -9 | -36 | -45 | 2.40 | 7.60 |
    | April | 27 | 6 | 33 | 4.80 | 5.20 |
    | together | | | 78 - 12 - 45 + 33 = 54 | | 2.80 + 7.00 + 7.60 + 5.20 = 22.60 |
    """
    tariff = read_tariff("yearly-true-up-minimum")
    rows = bills(alike(tariff, THIRTY_DAYS, DARK, BRIGHT, BRIGHTER, MILD, DARK), tariff)
    assert_ledger(
        rows,
        line_non_bypassable_charges="7.20 3.00 2.40 4.80 7.20",
        line_peak_energy="54 18 0 27 54",
        line_off_peak_energy="24 0 0 6 24",
        credit_money_added="0 30 45 0 0",  # February 30; March 9 + 36
        min_bill_topup="2.80 7.00 7.60 5.20 2.80",
        settled="0 0 0 31.40 0",  # 54.00 - 22.60
        payout="0 0 0 0 0",
        bill="10 10 10 41.40 10",  # 10.00 + 31.40; the new year starts from nothing
    )
    said = [explain(row, "bill", tariff) for row in rows]
    assert "$78.00 of charges and $0.00 of credits went to the account" in said[0]
    assert "peak energy" not in said[0] and "Settled for the year: $31.40." in said[3]
    assert_printed("yearly-true-up-minimum", {key: rows[3][key] for key in ("bill", "line non-bypassable charges")})


def test_a_year_with_more_credits_than_charges_pays_its_surplus_kwh():
    """The two bills of March and April alone: -45 + 33 = -12 is not paid in money, but by kWh.

    Received 30 x (11 + 1) + 30 x 5 = 510 kWh, delivered 30 x (1 + 4) + 30 x (1 + 3 + 5) = 420: 90 x 0.04 = 3.60.
    """
    tariff = read_tariff("yearly-true-up-minimum")
    rows = bills(alike(tariff, THIRTY_DAYS[2:5], BRIGHTER, MILD), tariff)
    assert_ledger(rows, settled="0 0", min_bill_topup="7.60 5.20", payout="0 3.60", bill="10 6.40")  # 10.00 - 3.60
    assert (rows[1]["settled"], rows[1]["payout"]) == (0, Decimal("3.60"))


def test_a_minimum_never_pushes_what_is_settled_below_zero():
    """April alone, and an April in which little was bought."""
    tariff = read_tariff("yearly-true-up-minimum")
    april = bills(alike(tariff, THIRTY_DAYS[3:5], MILD), tariff)
    assert_ledger(april, settled="27.80", bill="37.80")  # 33.00 - 5.20; 10.00 + 27.80
    # off-peak 1 + 1 less 1 = 1 a day: 30 x 0.20 = 6.00; hour by hour 1 a day: 30 x 0.02 = 0.60; up to the minimum 9.40,
    # which is more than 6.00: nothing is settled and nothing comes back
    little = bills(alike(tariff, THIRTY_DAYS[3:5], {12: (1, 1), 23: (1, 0)}), tariff)
    assert_ledger(little, line_off_peak_energy="6", min_bill_topup="9.40", settled="0", payout="0", bill="10")


def test_charges_above_credits_are_settled_although_more_kwh_went_out_than_came_in():
    """April alone: peak 10 a day, 300 x 0.30 = 90; off-peak 12 a day go out, 360 x 0.20 = 72; hourly 300 x 0.02 = 6.

    90 - 72 = 18 less the 4.00 that the minimum added: 14.00; the 60 kWh sent out above those bought are paid all the
    same, at 0.04: 2.40.
    """
    tariff = read_tariff("yearly-true-up-minimum")
    rows = bills(alike(tariff, THIRTY_DAYS[3:5], {12: (0, 12), 18: (10, 0)}), tariff)
    assert_ledger(rows, min_bill_topup="4", settled="14", payout="2.40", bill="21.60")  # 6 + 4 + 14 - 2.40


def test_export_values_by_month_hour_and_kind_of_day():
    """Four bills of about a week, every day alike within each; 7 September, a holiday, counts as a weekend day.

    First and second bill, a day: bought 4 at 2:00 (off-peak) and 3 at 20:00 (peak); sent out 4 at 12:00 and 1 at 18:00.
    From the table, August: 12:00 0.05 and 18:00 0.60 on weekdays, 0.04 and 0.10 on weekends; September: 0.06 and
    0.80 on weekdays, 0.05 and 0.12 on weekends.
    """
    tariff = read_tariff("time-of-use-hourly-export")
    reads = days("2026-08-24", "2026-08-31", "2026-09-08", "2026-09-15", "2026-09-22")  # Mon, Mon, Tue, Tue, Tue
    week = {2: (4, 0), 12: (0, 4), 18: (0, 1), 20: (3, 0)}
    rows = bills(alike(tariff, reads, week, week, {2: (1, 0), 12: (0, 10), 18: (0, 2)}, {20: (4, 0)}), tariff)
    assert_ledger(
        rows,
        line_base_charge="24 24 24 24",  # of one month on each bill
        line_non_bypassable_charges="1.47 1.68 0.21 0.84",  # 49 x 0.03; 56 x 0.03; 7 x 0.03; 28 x 0.03
        line_peak_energy="10.50 12 0 14",  # 21 x 0.50; 24 x 0.50; 28 x 0.50
        line_off_peak_energy="8.40 9.60 2.10 0",  # 28 x 0.30; 32 x 0.30; 7 x 0.30
        # a weekday in August 4 x 0.05 + 1 x 0.60 = 0.80, a weekend day 4 x 0.04 + 1 x 0.10 = 0.26:
        #     5 x 0.80 + 2 x 0.26 = 4.52
        # a weekday in September 4 x 0.06 + 1 x 0.80 = 1.04, a weekend day or holiday 4 x 0.05 + 1 x 0.12 = 0.32:
        #     31 August 0.80, 1 to 4 September 4 x 1.04 = 4.16, 5 to 7 September 3 x 0.32 = 0.96: 5.92
        # 10 and 2 kWh: a weekday 0.60 + 1.60 = 2.20, a weekend day 0.50 + 0.24 = 0.74: 5 x 2.20 + 2 x 0.74 = 12.48
        credit_money_added="4.52 5.92 12.48 0",
        credit_money_applied="4.52 5.92 2.10 10.38",  # on the third bill no more than its energy; 12.48 - 2.10 = 10.38
        money_bank_close="0 0 10.38 0",
        # 24 + 1.47 + 18.90 - 4.52; 24 + 1.68 + 21.60 - 5.92; 24 + 0.21 + 2.10 - 2.10; 24 + 0.84 + 14 - 10.38
        bill="39.85 41.36 24.21 28.46",
    )
    assert_printed("time-of-use-hourly-export", rows[0])


def test_feed_in_by_hours_a_charge_on_midday_exports_and_tax_on_charges_only():
    """Three quarters. Free at midday: 3 x 150 = 450 kWh on each bill.

    | bill | days | bought | midday | evening | other | feed-in at 0.04, 0.12, 0.05 |
    |---|---|---|---|---|---|---|
    | January to March | 90 | 100 | 2450 | 500 | 400 | 98 + 60 + 20 = 178 |
    | April to June | 91 | 400 | 400 | 50 | 60 | 16 + 6 + 3 = 25 |
    | July to September | 92 | 700 | 450 | 20 | 32 | 18 + 2.40 + 1.60 = 22 |
    """
    tariff = read_tariff("time-varying-feed-in-two-way")
    periods = metered(
        days("2026-01-01", "2026-04-01", "2026-07-01", "2026-10-01"),
        months=[3, 3, 3],
        delivered_kwh_midday=[20, 50, 100],
        delivered_kwh_evening=[50, 250, 400],
        delivered_kwh_other=[30, 100, 200],
        received_kwh_midday=[2450, 400, 450],
        received_kwh_evening=[500, 50, 20],
        received_kwh_other=[400, 60, 32],
    )
    rows = bills(periods, tariff)
    assert_ledger(
        rows,
        line_supply_charge="90 91 92",
        line_usage="30 120 210",  # 0.30 x 100, 400, 700
        line_export_charge="40 0 0",  # (2450 - 450) x 0.02; 400 and 450 are free
        line_sales_tax="16 21.10 30.20",  # a tenth of 90 + 30 + 40 = 160; of 211; of 302
        credit_money_added="178 25 22",
        balance_open="0 2 0",
        bill="0 205.10 310.20",  # 176 - 178 = -2, carried; 211 + 21.10 - 25 - 2; 302 + 30.20 - 22
        balance_close="2 0 0",
    )
    assert_printed("time-varying-feed-in-two-way", rows[1])


def test_a_fixed_feed_in_price_on_one_bill_a_year():
    """Half a year, a year and a leap year: 6, 12 and 12 months."""
    periods = metered(
        days("2026-07-01", "2027-01-01", "2028-01-01", "2029-01-01"),
        delivered_kwh=[1000, 2000, 500],
        received_kwh=[1500, 4000, 6000],
    )
    rows = bills(periods, read_tariff("fixed-feed-in-twenty-years"))
    assert_ledger(
        rows,
        line_base_price="72 144 144",  # 12.00 x 6, 12, 12
        line_energy="300 600 150",  # 0.30 x 1000, 2000, 500
        credit_money_added="120 320 480",  # 0.08 x 1500, 4000, 6000
        bill="252 424 -186",  # 372 - 120; 744 - 320; 294 - 480, paid to the owner
        balance_close="0 0 0",
    )
    assert_printed("fixed-feed-in-twenty-years", rows[1])


def test_the_price_held_for_twenty_years_is_said_in_a_house_file_as_the_example_says(tmp_path):
    """Nothing else changes from year 20 to 21: each kWh fed in earns 0.08 - 0.03 = 0.05 less."""
    text = (TARIFF_FOLDER / "fixed-feed-in-twenty-years.toml").read_text(encoding="utf-8")
    growth = "\n".join(re.findall(r"^#   (\[outlook.growth\]|\w+ = .*)$", text, re.MULTILINE))
    house = (HOUSE_FOLDER / "two-storey.toml").read_text(encoding="utf-8")
    house = re.sub(
        r"\[tariff\].*?(?=\n\[costs\])", '[tariff]\nfile = "fixed-feed-in-twenty-years"\n', house, flags=re.DOTALL
    )
    for key, value in {"degradation_percent_per_year": 0.5, "price_growth_percent": 2.5}.items():
        assert f"\n{key} = {value}" in house
        house = house.replace(f"\n{key} = {value}", f"\n{key} = 0.0")
    (tmp_path / "mine.toml").write_text(f"{house}\n{growth}\n", encoding="utf-8")
    mine = read_house(tmp_path / "mine.toml")
    path = mine.outlook.growth
    assert (path.export.held_years, path.export.then, path.energy.rate) == (20, Decimal("0.03"), 0.025)
    level = replace(mine, outlook=replace(mine.outlook, growth=replace(path, energy=replace(path.energy, rate=0.0))))
    energy, paid = year_energies(level), life_bills(level)[1]
    fed_in = energy["generation"] - energy["self_used"]
    assert paid[20] - paid[19] == pytest.approx(0.05 * fed_in, abs=0.06)  # a bill counts whole kWh and cents
    assert paid[:20] == pytest.approx(paid[0], abs=0.01) and paid[20:] == pytest.approx(paid[20], abs=0.01)


def test_all_bought_all_sold_and_the_carried_sum_ends_in_december():
    """Use = generation + delivered - received.

    | bill | generation | delivered | received | use |
    |---|---|---|---|---|
    | October | 700 | 200 | 500 | 400 |
    | November | 600 | 300 | 400 | 500 |
    | December | 680 | 320 | 500 | 500 |
    | January | 300 | 400 | 100 | 600 |
    """
    periods = metered(
        firsts("2026-10-01", 5),
        delivered_kwh=[200, 300, 320, 400],
        received_kwh=[500, 400, 500, 100],
        generation_kwh=[700, 600, 680, 300],
    )
    tariff = read_tariff("buy-all-sell-all")
    rows = bills(periods, tariff)
    assert_ledger(
        rows,
        line_house_use="48 60 60 72",  # 0.12 x 400, 500, 500, 600
        line_value_of_solar="-70 -60 -68 -30",  # 0.10 x 700, 600, 680, 300
        balance_open="0 14 6 0",
        # 8 + 48 - 70 = -14, carried; 8 + 60 - 60 - 14 = -6, carried; 8 + 60 - 68 - 6 = -6, lost; 8 + 72 - 30 = 50
        bill="0 0 0 50",
        balance_close="14 6 0 0",
    )
    assert_printed("buy-all-sell-all", rows[1])
    assert "$6.00 that would have been carried to the next bill end here." in explain(rows[2], "bill", tariff)


def round_prices(folder, year=2026):
    """Copy the example and lay beside it prices that a pencil can take: those of each day alike. Return the tariff."""
    name = "hourly-dynamic-price"
    of_hour = [0.05] * 6 + [0.10] * 6 + [-0.02] * 2 + [0.10] * 4 + [0.30] * 3 + [0.10] * 3
    hours = pd.date_range(str(year), periods=365 * 24, freq="1h")
    rows = [f"{time:%Y-%m-%dT%H:%M},{of_hour[time.hour]}" for time in hours]
    (folder / f"{name}.csv").write_text("\n".join(["time,price", *rows, ""]), encoding="utf-8")
    text = (TARIFF_FOLDER / f"{name}.toml").read_text(encoding="utf-8")
    (folder / f"{name}.toml").write_text(text, encoding="utf-8")
    return read_tariff(folder / f"{name}.toml")


TEN_DAYS = days("2026-03-01", "2026-03-11", "2026-03-21", "2026-03-31")
PATTERNS = ({3: (2, 0), 12: (1, 5), 15: (0, 3), 19: (4, 0)}, {12: (5, 0), 19: (1, 0)}, {3: (2, 0), 15: (0, 30)})


def test_a_price_for_each_hour_and_a_tax_on_a_tax(tmp_path):
    """Three bills of ten days, every day alike. Prices: 0.05 at 3:00, -0.02 at noon, 0.10 at 15:00, 0.30 at 19:00.

    | bill | bought: kWh and $ a day | sent out: $ a day |
    |---|---|---|
    | 1 | 2 and 4: 0.10 + 1.20 = 1.30 | at noon 5 - 1 = 4 earn nothing; 3 x 0.10 = 0.30 |
    | 2 | 5 and 1: -0.10 + 0.30 = 0.20 | |
    | 3 | 2: 0.10 | 30 x 0.10 = 3.00 |
    """
    tariff = round_prices(tmp_path)
    rows = bills(alike(tariff, TEN_DAYS, *PATTERNS), tariff)
    assert_ledger(
        rows,
        line_base_fee="5 5 5",
        line_energy="13 2 1",  # ten days
        line_markup="1.20 1.20 0.40",  # 0.02 x 60, 60, 20
        line_grid_fee="4.80 4.80 1.60",  # 0.08 x 60, 60, 20
        line_electricity_tax="1.42 0.32 0.14",  # a tenth of 13 + 1.20 = 14.20; of 3.20; of 1.40
        # a fifth of 5 + 13 + 1.20 + 4.80 + 1.42 = 25.42: 5.084; of 5 + 2 + 1.20 + 4.80 + 0.32 = 13.32: 2.664;
        # of 5 + 1 + 0.40 + 1.60 + 0.14 = 8.14: 1.628
        line_value_added_tax="5.08 2.66 1.63",
        credit_money_added="3 0 30",
        bill="27.50 15.98 -20.23",  # 25.42 + 5.08 - 3.00; 13.32 + 2.66; 8.14 + 1.63 - 30.00, paid to the owner
    )
    assert_printed("hourly-dynamic-price", rows[0])


def test_another_year_takes_the_price_of_the_same_day_and_clock(tmp_path):
    """2027 costs what 2026 did, though its clock is put forward on another day; 29 February costs what the 28th did."""
    tariff = round_prices(tmp_path)
    year_later = [day.replace(year=2027) for day in TEN_DAYS]
    rows = bills(alike(tariff, year_later, *PATTERNS), tariff)
    assert_ledger(rows, line_energy="13 2 1", bill="27.50 15.98 -20.23")
    leap = bills(alike(tariff, days("2028-02-28", "2028-03-01"), {3: (2, 0)}), tariff)  # two days, 2 x 2 x 0.05
    assert_ledger(leap, line_energy="0.20", line_markup="0.08")


def test_the_shipped_prices_are_taken_by_their_own_hour():
    """Rows of the file; the price of a row is that of the hour that begins then. 4 and 5 July 2026, in $/kWh:

    00:00 0.0341 and 0.0599; 13:00 -0.0107 and 0.0080; 23:00 0.0691 and 0.0918.
    """
    tariff = read_tariff("hourly-dynamic-price")
    rows = bills(alike(tariff, days("2026-07-04", "2026-07-06"), {0: (10, 0), 13: (0, 100), 23: (1, 0)}), tariff)
    # 10 x (0.0341 + 0.0599) + 1 x (0.0691 + 0.0918) = 0.94 + 0.1609 = 1.1009; 100 x (0 + 0.0080)
    assert_ledger(rows, line_energy="1.10", credit_money_added="0.80")


def test_the_bill_of_the_readme_is_what_its_lines_make():
    """In 700, out 60: 11.50 + 700 x 0.062 + 640 x 0.081 + 700 x 0.0021 = 108.21; 6 % of it 6.4926."""
    text = (TARIFF_FOLDER / "README.md").read_text(encoding="utf-8")
    table = tomllib.loads(re.search(r"```toml\n(.*?)```", text, re.DOTALL)[1], parse_float=Decimal)["tariff"]
    (row,) = bills(metered(firsts("2026-01-01", 2), delivered_kwh=[700], received_kwh=[60]), read_tariff(table))
    bill = text.split("A bill, invented:")[1].split("Credit carried")[0]
    lines = re.findall(r"^    (\S+(?: \w+)*)  .*?([\d.]+)$", bill, re.MULTILINE)
    named = {"Amount due": "bill"}
    assert {named.get(line, f"line {line}"): Decimal(amount) for line, amount in lines} == {
        key: row[key] for key in row if key.startswith("line ") or key == "bill"
    }


EXAMPLES = (
    "monthly-rollover-yearly-cash", "yearly-true-up-minimum", "time-of-use-hourly-export",
    "time-varying-feed-in-two-way", "fixed-feed-in-twenty-years", "buy-all-sell-all", "hourly-dynamic-price",
)  # fmt: skip


@pytest.mark.parametrize("name", EXAMPLES)
def test_an_example_shows_a_bill_then_its_lines_and_names_source_and_mark(name):
    text = (TARIFF_FOLDER / f"{name}.toml").read_text(encoding="utf-8")
    comments = text.split("form = 1")[0]
    order = [
        comments.index(words) for words in ("Your bill looks like this", "so write these lines:", "Rule shape after")
    ]
    assert order == sorted(order) and "invented" in comments[order[-1] :]
    assert "from memory" in comments or "seen" in comments
    assert sum(amount for _, amount in printed(name)[:-1]) == printed(name)[-1][1]
