"""Random tariffs and bills for property tests: points of the whole rule space, most coherent, some contradictory."""

from copy import deepcopy
from datetime import date, timedelta
from decimal import Decimal

import numpy as np
import pandas as pd
from hypothesis import strategies as st

from solarlib.bill.plausible import KEYS
from solarlib.bill.tariff import BOUGHT

CENT = Decimal("0.01")


def _maybe(draw, table, key, values, chance=3):
    """Set a key to one of several values in one of `chance` draws."""
    if draw(st.integers(1, chance)) == 1:
        table[key] = draw(st.sampled_from(values))


def meant(table):
    """Say that all that is unusual is meant, and that energy which meets no other line is free."""
    lines = table["charge"] = [line for line in table["charge"] if line["line"] != "free"]
    limits = {"months", "bucket", "valid_from", "valid_to"}
    if all(limits & set(line) for line in lines if line["on"] in BOUGHT):
        lines.append({"line": "free", "on": "delivered", "price": 0})
    return table | {"meant": [*(line["line"] for line in lines), *KEYS]}


@st.composite
def tariff_tables(draw):
    """A table as a person could write it, over all dimensions; now and then two of its rules contradict each other."""
    buckets = draw(st.sampled_from([(), (), ("on", "off"), ("on", "mid", "off")]))
    unit = draw(st.sampled_from(["kWh", "kWh", "money", "money", "none"]))
    table = {"name": "drawn", "kwh_decimals": 0, "negative_bill": draw(st.sampled_from(["carry", "pay", "floor"]))}
    table["charge"] = [
        {"line": "basic", "on": draw(st.sampled_from(["month", "day"])), "price": draw(st.sampled_from([0, 4.37, 12]))}
    ]
    _maybe(draw, table["charge"][0], "offset", [True, False])
    energy_on = {
        "kWh": "billed",
        "money": draw(st.sampled_from(["import", "billed"])),
        "none": draw(st.sampled_from(["import", "use"])),
    }[unit]
    for i, bucket in enumerate(buckets or (None,)):
        charge = {"line": f"energy {bucket or 'all'}", "on": energy_on}
        if bucket:
            charge["bucket"] = bucket
        if draw(st.integers(1, 4)) == 1:
            charge["blocks"] = [{"up_to_kwh": draw(st.sampled_from([50, 300])), "price": 0.09}, {"price": 0.13}]
            charge["blocks_by_days"] = draw(st.booleans())
        else:
            charge["price"] = [0.31, 0.17, 0.095][i]
        _maybe(draw, charge, "months", [[5, 6, 7, 8], [1, 2, 12]], 8)
        table["charge"].append(charge)
    for line, on, price in (
        ("delivery", "delivered", 0.041),
        ("unavoidable", "import", 0.013),
        ("adder", "generation", -0.01),
    ):
        if draw(st.integers(1, 4)) == 1:
            table["charge"].append({"line": line, "on": on, "price": price, "offset": draw(st.booleans())})
    if draw(st.integers(1, 4)) == 1:
        table["charge"].append(
            {
                "line": "capacity",
                "on": "kw",
                "price": 1.37,
                "per": draw(st.sampled_from(["month", "year", "30 days"])),
                "prorate": draw(st.booleans()),
            }
        )
    if draw(st.integers(1, 3)) == 1:
        table["charge"].append({"line": "tax", "on": "percent", "price": 7, "after_credit": draw(st.booleans())})
    if draw(st.integers(1, 3)) == 1:
        table |= {
            "minimum_bill": 15.00,
            "minimum_stage": draw(st.sampled_from(["before tax", "after tax", "after payout"])),
        }
        _maybe(draw, table, "minimum_of", [["basic"]], 4)
    _maybe(draw, table, "round_stage", ["line", "total"], 4)
    if buckets:
        table["bucket"] = [
            {"name": name, "hours": [[9 + 3 * i, 12 + 3 * i]]} for i, name in enumerate(buckets[:-1])
        ] + [{"name": buckets[-1]}]
    credit = table["credit"] = {"unit": unit}
    nettings = ["bucket", "none", "hour"] if buckets else ["period", "none", "hour"]
    credit["netting"] = draw(st.sampled_from([*nettings, nettings[0], nettings[0]]))
    if unit == "money":
        credit |= draw(
            st.sampled_from(
                [
                    {"export_price": 0.031},
                    {"export_price": 0.4},
                    {"export_price": [0.01 * m for m in range(1, 13)]},
                    {"export_share": 0.75},
                    {"export_lines": [f"energy {buckets[0] if buckets else 'all'}"]},
                    {"export_price": dict.fromkeys(buckets, 0.05) if buckets else 0.05},
                ]
            )
        )
        _maybe(draw, credit, "usable", ["same bill", "next bill"])
        _maybe(draw, credit, "export_factor", [1.25])
    if unit != "none":
        credit |= draw(
            st.sampled_from(
                [
                    {},
                    {},
                    {"order": "pool"},
                    {"life_bills": 1},
                    {"life_bills": 2},
                    {"life_bills": 12},
                    {"order": "lifo", "life_bills": 2},
                    {"life_bills": 3, "issuing_bill_counts": True},
                ]
            )
        )
        if draw(st.booleans()):
            credit |= draw(
                st.sampled_from(
                    [
                        {"reset_month": 3},
                        {"reset_month": 10},
                        {"reset_date": "03-31"},
                        {"reset_anniversary": date(2020, 6, 15)},
                        {"reset_bills": 4, "reset_first_bill": 2},
                        {"reset_bills": 1},
                        {"reset_month": 3, "reset_every_years": 2},
                    ]
                )
            )
            credit["at_reset"] = draw(st.sampled_from(["forfeit", "donate", "pay", "pay if over", "roll"]))
        if credit.get("at_reset") == "pay if over":
            credit |= {"payout_threshold": 100, "below_threshold": draw(st.sampled_from(["roll", "forfeit"]))}
        credit["on_close"] = draw(st.sampled_from(["forfeit", "pay", "transfer"]))
        if unit == "kWh" and ("pay" in credit.get("at_reset", "") or credit["on_close"] == "pay"):
            credit["payout_price"] = draw(st.sampled_from([0, 0.037, 0.5]))
    if buckets and unit == "kWh":
        _maybe(draw, credit, "cross_bucket", ["high to low", "by value"], 2)
    if draw(st.integers(1, 25)) == 1:  # a contradiction or a slip
        draw(st.sampled_from([table, credit])).update(
            draw(
                st.sampled_from(
                    [
                        {"reset_month": 13},
                        {"unit": "kwh"},
                        {"typo": 1},
                        {"reset_month": 3, "reset_date": "03-31"},
                        {"export_price": -1},
                        {"cross_bucket": "by value"},
                        {"minimum_of": ["none such"]},
                    ]
                )
            )
        )
    return meant(table)


@st.composite
def usages(draw, buckets=("",), most=14):
    """Billing periods with whole kWh that hang together: received within generation, imports netted within a period."""
    rng = np.random.default_rng(draw(st.integers(0, 2**32)))
    count = draw(st.integers(1, most))
    days = rng.integers(26, 35, count)
    edges = pd.Timestamp(2023, int(rng.integers(1, 13)), int(rng.integers(1, 29))) + pd.to_timedelta(
        np.concatenate([[0], np.cumsum(days)]), "D"
    )
    table = {
        "period_start": edges[:-1].date,
        "period_end": edges[1:].date,
        "generation_kwh": 0,
        "partial": np.arange(count) == 0,
    }
    scale = rng.choice([3, 60, 900])
    for name in buckets:
        end = f"_{name}" if name else ""
        delivered, received = rng.integers(0, scale, count), rng.integers(0, scale, count) * rng.integers(0, 2, count)
        table[f"delivered_kwh{end}"], table[f"received_kwh{end}"] = delivered, received
        table[f"generation_kwh{end}"] = received + rng.integers(0, scale, count)
        # netting inside the period cancels some of what both registers counted
        cancelled = rng.integers(0, np.minimum(delivered, received) + 1)
        table[f"import_kwh{end}"], table[f"export_kwh{end}"] = delivered - cancelled, received - cancelled
        if name:
            table["generation_kwh"] = table["generation_kwh"] + table[f"generation_kwh{end}"]
    return pd.DataFrame(table)


def total_cost(rows):
    """What a customer pays over all bills, less what the utility still holds for them."""
    return sum(row["bill"] for row in rows) - rows[-1]["balance_close"]


def assert_invariants(rows, tariff, closing):
    """Everything that must hold for any rules whatever."""
    for name in tariff.bucket_names:
        end = f"_{name}" if name else ""
        for row in rows:
            taken = sum(
                row[f"{key}{end}"] for key in ("credit_applied", "crossed_out", "credit_expired", "credit_reset")
            )
            assert row[f"bank_open{end}"] + row[f"credit_added{end}"] - taken == row[f"bank_close{end}"]
            assert (
                row[f"billed_kwh{end}"]
                == row[f"import_kwh{end}"] - row[f"credit_applied{end}"] - row[f"crossed_in{end}"]
            )
            assert row[f"import_kwh{end}"] - row[f"export_kwh{end}"] == row[f"net_kwh{end}"]
            assert row[f"credit_added{end}"] <= row[f"export_kwh{end}"] <= row[f"received_kwh{end}"], (
                "export enters once"
            )
            keys = (
                "bank_open",
                "credit_added",
                "credit_applied",
                "crossed_in",
                "crossed_out",
                "credit_expired",
                "credit_reset",
                "bank_close",
                "billed_kwh",
                "import_kwh",
                "export_kwh",
            )
            assert all(row[f"{key}{end}"] >= 0 for key in keys)
    for row, after in zip(rows, rows[1:]):
        for key in ("bank", "money_bank", "balance"):
            assert row[f"{key}_close"] == after[f"{key}_open"]
    added, left = sum(row["credit_added"] for row in rows), rows[-1]["bank_close"]
    assert rows[0]["bank_open"] + added == left + sum(
        row[key] for row in rows for key in ("credit_applied", "crossed_out", "credit_expired", "credit_reset")
    )
    for row in rows:
        taken = row["credit_money_applied"] + row["credit_money_expired"] + row["credit_money_reset"]
        assert row["money_bank_open"] + row["credit_money_added"] - taken == row["money_bank_close"]
        assert (
            min(
                row[key]
                for key in (
                    "money_bank_open",
                    "credit_money_added",
                    "credit_money_applied",
                    "credit_money_expired",
                    "credit_money_reset",
                    "money_bank_close",
                    "payout",
                    "min_bill_topup",
                    "balance_close",
                )
            )
            >= 0
        )
        lines = sum(row[f"line {charge.line}"] for charge in tariff.charges if charge.line not in tariff.deferred)
        credit = -row["settled"] if tariff.settlement == "year" else row["credit_money_applied"]
        due = lines + row["min_bill_topup"] - credit - row["payout"]
        assert row["bill"] == row["bill"].quantize(CENT)
        if tariff.round_stage == "line":
            assert all(
                row[f"line {charge.line}"] == row[f"line {charge.line}"].quantize(CENT) for charge in tariff.charges
            )
        paid = row["bill"] + row["balance_open"] - row["balance_close"]
        paid -= row["carried_reset"] if tariff.carried_at_reset == "forfeit" else 0
        if closing and row is rows[-1]:
            paid = None if tariff.negative_bill == "carry" else paid
        if paid is not None:
            floor = 0 if tariff.negative_bill == "floor" else due
            assert abs(paid - max(due, floor)) < CENT if tariff.round_stage == "total" else paid == max(due, floor)
        if tariff.minimum_bill is not None and tariff.minimum_stage == "after payout" and not tariff.minimum_of:
            assert due >= tariff.minimum_bill
    if closing:
        assert rows[-1]["bank_close"] == rows[-1]["money_bank_close"] == rows[-1]["balance_close"] == 0


@st.composite
def wide_tables(draw):
    """A drawn table with the rarer keys too: digits, months, dates, percentages of lines, demand, holidays, payouts."""
    table = draw(tariff_tables())
    names = [bucket["name"] for bucket in table.get("bucket", [])]
    _maybe(draw, table, "kwh_decimals", [0, 1, 2, 3], 2)
    for line, keys in (
        ("demand", {"on": "demand", "price": 3.17, "window_minutes": draw(st.sampled_from([15, 30, 60]))}),
        ("peak", {"on": "demand", "price": 1.9, "window_minutes": 60, "bucket": names[0] if names else ""}),
        (
            "inverter",
            {"on": "kw", "price": 0.77, "rating": "ac", "per": draw(st.sampled_from(["month", "year", "30 days"]))},
        ),
        ("sent", {"on": "received", "price": 0.0075}),
        ("made", {"on": "generation", "price": -0.0143, "bucket": names[-1] if names else ""}),
        ("rider", {"on": "import", "price": -0.0033}),
        ("levy", {"on": "use", "price": 0.0021}),
        ("part", {"on": "month", "price": 7.77, "prorate": True}),
        ("local tax", {"on": "percent", "price": 2.5, "of": ["basic"], "after_credit": False}),
    ):
        if draw(st.integers(1, 8)) == 1:
            charge = {"line": line} | {key: value for key, value in keys.items() if value != ""}
            if charge["on"] != "percent":
                _maybe(draw, charge, "offset", [True, False])
            table["charge"].append(charge)
    for charge in table["charge"]:
        if charge["on"] != "percent":
            _maybe(draw, charge, "months", [[1, 2, 3], [10, 11, 12], [6]], 12)
            _maybe(draw, charge, "valid_from", [date(2023, 5, 7), date(2024, 2, 29)], 14)
            _maybe(draw, charge, "valid_to", [date(2024, 3, 10), date(2024, 7, 1)], 14)
    if names:
        _maybe(draw, table["bucket"][0], "days", ["weekdays", "weekends"])
        _maybe(draw, table["bucket"][0], "months", [[3, 4, 5, 6], [11, 12, 1]])
        _maybe(draw, table, "holidays", [["2024-03-11", "2024-11-04"]])
    credit = table["credit"]
    _maybe(draw, credit, "netting", ["day", "hour", "quarter hour", "none"], 4)
    if credit["unit"] == "money":
        if isinstance(credit.get("export_price"), dict):
            credit["export_price"] = dict(zip(names, [0.0731, 0.0417, 0.0293])) or 0.05
        elif draw(st.integers(1, 6)) == 1 and "export_price" in credit and credit["netting"] in ("hour", "none"):
            credit["export_price"] = [[(7 * m + h) / 1000 for h in range(24)] for m in range(12)]
        _maybe(draw, credit, "payout_share", [0.5, 0.333])
    if "payout_threshold" in credit:
        credit["payout_threshold"] = draw(st.sampled_from([1.5, 30, 100]))
    _maybe(draw, credit, "export_limit_kw", [0.5, 1.2], 6)
    return meant(table)


def _without_slips(table):
    """Take out what contradicts itself in a drawn table, and return it."""
    credit, lines = table["credit"], table["charge"]
    slips = ("reset_month", "reset_date", "unit", "typo", "export_price", "cross_bucket")
    table = {key: value for key, value in table.items() if key not in slips}
    if table.get("minimum_of") == ["none such"] or "minimum_bill" not in table:
        table.pop("minimum_of", None)
    credit.pop("typo", None)
    for key in ("minimum_of", "reset_date") if "reset_month" in credit else ("minimum_of",):
        credit.pop(key, None)
    if credit["unit"] == "kwh":
        worth = {"export_price", "export_share", "export_lines"} & set(credit)
        credit["unit"] = "money" if worth else "kWh" if any(line["on"] == "billed" for line in lines) else "none"
    if credit.get("reset_month") == 13:
        credit["reset_month"] = 3
    if credit["unit"] != "none":
        lines = table["charge"] = [line for line in lines if line["on"] != "use"]
    if "pay" not in (*str(credit.get("at_reset")).split(), credit.get("on_close"), credit.get("at_end")):
        credit.pop("payout_share", None)
    if any("blocks" in line for line in lines):
        credit.pop("cross_bucket", None)
        if credit["unit"] == "money":
            for key in ("export_share", "export_lines"):
                credit.pop(key, None)
            credit.setdefault("export_price", 0.05)
    if credit["unit"] != "kWh":
        credit.pop("cross_bucket", None)
    if credit.get("export_price") == -1:
        credit["export_price"] = 0.05
    return table


@st.composite
def sound_tables(draw):
    """A drawn table without a slip, and with the rules on demand, on parts of a day and on single lines."""
    table = _without_slips(draw(wide_tables()))
    names, lines = [bucket["name"] for bucket in table.get("bucket", [])], table["charge"]
    table["months_per_bill"] = draw(st.sampled_from([1, 1, 1, 2, 3, 4, 6, 12]))
    by_month = [round(0.01 * month, 2) for month in range(1, 13)]
    by_hour = [[round(0.001 * (month + hour), 3) for hour in range(24)] for month in range(12)]
    apart = {"weekdays": by_hour, "weekends": by_hour[::-1], "least": 0.005}
    more = [
        {"line": "peaks", "on": "demand", "price": 2, "window_minutes": 60, "highest": 3, "one_a_day": True},
        {"line": "year's peak", "on": "demand", "price": 2, "window_minutes": 60, "over_bills": 12, "least_kw": 3},
        {"line": "steps", "on": "demand", "window_minutes": 60, "blocks": [{"up_to_kw": 4, "price": 1}, {"price": 3}]},
        {"line": "by hours", "on": "import", "netting": "hour", "price": 0.02},
        {"line": "over", "on": "export", "netting": "half hour", "price": -0.01},
        {"line": "dynamic", "on": "delivered", "prices": apart},
        {"line": "paid", "on": "received", "prices": by_month, "factor": -1},
        {"line": "fee", "on": "percent", "price": 2, "of": ["basic"], "after_credit": False},
        {"line": "fee's tax", "on": "percent", "price": 5, "of": ["fee"], "after_credit": False},
    ]  # fmt: skip
    drawn = [line for line in more if draw(st.integers(1, 6)) == 1]
    lines += [line for line in drawn if line["line"] != "fee's tax" or more[-2] in drawn]
    if names and draw(st.integers(1, 3)) == 1:
        table["bucket"][0]["hours"] = [[8.5, 11], [17, 19.5]]
    credit = table["credit"]
    yearly = {"reset_month", "reset_date"} & set(credit)
    if credit["unit"] == "money" and yearly and draw(st.integers(1, 2)) == 1:
        price, netting = credit.get("export_price", 0.05), credit["netting"]
        table["credit"] = {"unit": "money", "netting": netting, "export_price": price, "reset_month": 4}
        table["credit"]["at_reset"] = draw(st.sampled_from(["forfeit", "donate", "pay"]))
        table |= {"settlement": "year", "minimum_counts": draw(st.booleans())}
        for line in lines:
            line.pop("of", None)
        table.pop("minimum_of", None)
    if table["negative_bill"] == "carry" and yearly:
        table["carried_at_reset"] = draw(st.sampled_from(["keep", "forfeit", "pay"]))
    return meant(table)


@st.composite
def settled_tables(draw):
    """A drawn table whose credits are money and are settled once a year, or whose carried sum ends at the reset."""
    table = draw(tariff_tables())
    table["credit"] = credit = {"unit": "money", "netting": table["credit"]["netting"], "export_price": 0.07}
    _maybe(draw, credit, "export_price", [0.3, [0.02 * month for month in range(12)]], 2)
    credit |= draw(
        st.sampled_from([{"reset_month": 3}, {"reset_date": "10-31"}, {"reset_anniversary": date(2020, 6, 15)}])
    )
    table["charge"] = [line for line in table["charge"] if line.get("on") != "use"]
    for line, keys in (
        ("own", {"on": "import", "price": 0.011, "netting": "none"}),
        ("left over", {"on": "export", "price": 0.004}),
        ("back", {"on": "received", "prices": 0.03, "factor": -0.5}),
        ("rebate", {"on": "import", "price": -0.4, "offset": True}),
        ("fee", {"on": "percent", "price": 3, "of": ["basic"], "after_credit": False}),
        ("tax on it", {"on": "percent", "price": 11, "of": ["fee"], "after_credit": False}),
    ):
        if draw(st.integers(1, 3)) == 1 or line == "tax on it" and table["charge"][-1]["line"] == "fee":
            table["charge"].append({"line": line} | keys)
    if draw(st.integers(1, 4)) == 1:
        table |= {"negative_bill": "carry", "carried_at_reset": draw(st.sampled_from(["keep", "forfeit", "pay"]))}
        credit["at_reset"] = "forfeit"
    if draw(st.integers(1, 4)) > 1:
        table |= {"settlement": "year", "minimum_counts": draw(st.booleans())}
        ends = [{"at_reset": action} for action in ("forfeit", "donate", "pay")]
        ends += [{"at_reset": "pay", "payout_share": 0.333}, {"at_reset": "pay", "payout_price": 0.0437}]
        ends += [{"at_reset": "pay if over", "payout_threshold": 30, "below_threshold": "forfeit"}]
        credit |= draw(st.sampled_from(ends))
    return meant(table)


@st.composite
def rule_sets(draw):
    """One table, or two of which the second follows the first on some day, with another price and other credits."""
    old = draw(wide_tables())
    if draw(st.integers(1, 3)) > 1 or old["credit"]["unit"] == "none":
        return [old]
    new, day = deepcopy(old), date(2023, 4, 1) + timedelta(days=draw(st.integers(0, 330)))
    old["valid_to"], new["valid_from"], new["name"] = day, day, "following"
    new["charge"][0]["price"] = 6.25
    _maybe(draw, new["credit"], "life_bills", [1, 3, 12])
    at_end = old["credit"]["at_end"] = draw(st.sampled_from(["keep", "forfeit", "pay", "convert"]))
    if at_end == "pay" and old["credit"]["unit"] == "kWh":
        old["credit"]["payout_price"] = 0.0437
    if at_end == "convert":
        old["credit"]["conversion_price"] = 0.0319
        new["credit"] = {"unit": "money", "netting": new["credit"]["netting"], "export_price": 0.0271}
        _maybe(draw, new["credit"], "usable", ["next bill"])
    return [old, new]


@st.composite
def metered(draw, buckets=("",)):
    """Billing periods as `usages` draws them, in kWh or parts of it, with the highest powers of each period."""
    table, scale = draw(usages(buckets)), draw(st.sampled_from([1, 1, 0.1, 0.01, 0.001]))
    rng = np.random.default_rng(draw(st.integers(0, 2**32)))
    for column in [name for name in table if "_kwh" in name]:
        table[column] = (table[column] * scale).round(3)
    columns = [f"demand_kw_{name}" if name else "demand_kw" for name in buckets]
    table[columns] = rng.integers(0, 900, (len(table), len(columns))) / 100
    table["demand_kw"] = table[columns].max(axis=1)
    return table


ZONES = (
    "America/New_York", "Europe/Berlin", "Africa/Cairo", "Australia/Lord_Howe", "Asia/Kolkata", "UTC",
)  # fmt: skip
DAYS_OF_CHANGE = (
    date(2024, 2, 26), date(2024, 3, 8), date(2024, 3, 28), date(2024, 4, 4), date(2024, 4, 24), date(2024, 9, 30),
    date(2024, 10, 24), date(2024, 10, 31), date(2024, 12, 27),
)  # fmt: skip


@st.composite
def intervals(draw):
    """A zone, minutes an interval, read dates round a change of the clock, month or year, three series of energies."""
    zone, minutes = draw(st.sampled_from(ZONES)), draw(st.sampled_from([15, 15, 30, 60]))
    reads = [draw(st.sampled_from(DAYS_OF_CHANGE))]
    for days in draw(st.lists(st.integers(1, 6), min_size=1, max_size=4)):
        reads.append(reads[-1] + timedelta(days=days))
    ends = [pd.Timestamp(day, tz=None).tz_localize(zone, nonexistent="shift_forward") for day in (reads[0], reads[-1])]
    index = pd.date_range(*ends, freq=f"{minutes}min", inclusive="left")
    rng, step = np.random.default_rng(draw(st.integers(0, 2**32))), draw(st.sampled_from([1, 10, 50]))  # step in Wh
    count = len(index)
    delivered, received, rest = (rng.integers(0, most // step, count) * step for most in (900, 1500, 700))
    delivered, received = delivered * rng.integers(0, 2, count), received * rng.integers(0, 2, count)
    flows = {"delivered": delivered, "received": received, "generation": received + rest}
    return zone, minutes, reads, {name: pd.Series(wh / 1000, index) for name, wh in flows.items()}
