"""Random tariffs with every rule of the vocabulary: `rule_space`'s, and what is not drawn there.

`price_files` writes the files of prices that the drawn tables name.
"""

from copy import deepcopy
from datetime import date, datetime, timedelta, timezone
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory
from zoneinfo import ZoneInfo

from hypothesis import strategies as st

from rule_space import _maybe, meant, rule_sets

SHORT = {60: ("hour", "half hour", "quarter hour", "none"), 30: ("half hour", "quarter hour", "none")}


# ---------------------------------------------------------------- files of prices

FOLDER = TemporaryDirectory()  # goes with the process
FILES = {  # name: (first local moment, hours, minutes a row, zone of offsets or None, form of time)
    "hours-2024": (datetime(2024, 1, 1), 366 * 24, 60, None),
    "halves-2023": (datetime(2023, 1, 1), 365 * 24, 30, None),
    "hours-to-june": (datetime(2022, 4, 1), 457 * 24, 60, None),
    "hours-utc": (datetime(2023, 12, 30, tzinfo=timezone.utc), 370 * 24, 60, None),
    "halves-offset": (datetime(2022, 12, 31, tzinfo=timezone.utc), 368 * 24, 30, "America/New_York"),
    "hours-turned": (datetime(2023, 3, 1, tzinfo=timezone.utc), 400 * 24, 60, "Europe/Berlin"),
}
TURNED = "hours-turned"  # local time without offset: an hour of March is missing, one of October doubled


@cache
def price_file(name):
    """Write one file of prices, some below zero, and return its path."""
    start, hours, minutes, zone = FILES[name]
    path = Path(FOLDER.name) / f"{name}.csv"
    lines = ["time,other,price"]
    for i in range(hours * 60 // minutes):
        time = start + timedelta(minutes=minutes * i)
        time = time.astimezone(ZoneInfo(zone)) if zone else time
        time = time.replace(tzinfo=None) if name == TURNED else time
        lines.append(f"{time.isoformat()},1,{(i * 7919 % 263 - 40) / 1000}")
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


# ---------------------------------------------------------------- prices


@st.composite
def prices_by_time(draw, minutes):
    """Prices of one of the forms that go by time, one for each so many minutes."""
    a, b = draw(st.sampled_from([(7, 11), (3, 5), (1, 13)]))

    def table(shift):
        parts = 24 * 60 // minutes
        return [[((a * m + b * h + shift) % 29 - 6) / 100 for h in range(parts)] for m in range(12)]

    form = draw(st.sampled_from(["table", "kinds", "file", "file"]))
    if form == "table":
        return table(0)
    if form == "kinds":
        prices = {"weekdays": table(0), "weekends": table(draw(st.integers(1, 9)))}
    else:
        names = [name for name, (_, _, step, _) in FILES.items() if step == minutes]
        prices = {"file": str(price_file(draw(st.sampled_from(names)))), "column": "price"}
    _maybe(draw, prices, "least", [0, 0.013, -0.02], 3)
    return prices


def months_of_prices(draw):
    """One price, or one a month."""
    return draw(st.sampled_from([0.0217, [round(0.011 * m + 0.007, 3) for m in range(1, 13)]]))


def fitting(netting, minutes):
    """Is a netting time within that of a price?"""
    return netting in SHORT[minutes]


# ---------------------------------------------------------------- lines


def add_lines(draw, table, by_time, names):
    """Lines on exports, of their own netting, with prices of their own, of demand, of taxes on taxes."""
    whole = "bucket" if names else "period"
    nettings = [whole, "none", "day", "hour", "half hour", "quarter hour"]
    lines, credit = table["charge"], table["credit"]

    def maybe(line, chance=4):
        if draw(st.integers(1, chance)) == 1:
            if names and line["on"] != "percent":
                _maybe(draw, line, "bucket", names, 4)
            lines.append(line)
            return line

    if maybe({"line": "left over", "on": "export", "price": draw(st.sampled_from([-0.0211, -0.43]))}, 3):
        _maybe(draw, lines[-1], "netting", nettings, 1)
    if maybe({"line": "own netting", "on": "import", "price": 0.0173}, 3):
        _maybe(draw, lines[-1], "netting", nettings, 1)
    ons = ["delivered", "import", "received", "export", "generation"]
    ons += ["use"] * 4 if credit["unit"] == "none" else []
    if maybe({"line": "own blocks", "on": draw(st.sampled_from([*ons, "billed"]))}, 2):
        lines[-1] |= {"blocks": [{"up_to_kwh": 40, "price": 0.031}, {"price": 0.017}]}
        if lines[-1]["on"] in ("import", "export"):
            _maybe(draw, lines[-1], "netting", nettings, 2)
    if maybe({"line": "by month", "on": draw(st.sampled_from(ons)), "prices": months_of_prices(draw)}, 2):
        _maybe(draw, lines[-1], "factor", [-1, 0.5, 1.19], 2)
    if by_time and maybe({"line": "by hour", "on": draw(st.sampled_from(ons))}, 1):
        minutes = draw(st.sampled_from([60, 30]))
        lines[-1]["prices"] = draw(prices_by_time(minutes))
        _maybe(draw, lines[-1], "factor", [-1, 0.5, 1.19], 2)
        if lines[-1]["on"] in ("import", "export"):
            own = not fitting(credit.get("netting", "period"), minutes) or draw(st.booleans())
            lines[-1] |= {"netting": draw(st.sampled_from(SHORT[minutes]))} if own else {}
    for name in ("demand", "peak", "second peak"):
        line = next((line for line in lines if line["line"] == name), None)
        line = line or maybe({"line": name, "on": "demand", "price": 2.13, "window_minutes": 60}, 6)
        if line:
            widen_demand(draw, line)
    if maybe({"line": "surtax", "on": "percent", "price": 4, "after_credit": False}):
        taxes = [line["line"] for line in lines if line["on"] == "percent"][:-1]
        lines[-1]["of"] = ["basic", *taxes] if taxes and draw(st.integers(1, 4)) > 1 else ["basic"]
        if draw(st.booleans()):
            lines.append({"line": "tax on it", "on": "percent", "price": 11, "of": ["surtax"], "after_credit": False})


def widen_demand(draw, line):
    """Keys of a demand line."""
    _maybe(draw, line, "highest", [2, 3, 5], 2)
    _maybe(draw, line, "one_a_day", [True], 2)
    _maybe(draw, line, "window_minutes", [15, 30, 60], 2)
    _maybe(draw, line, "over_bills", [2, 3, 12], 3)
    _maybe(draw, line, "least_kw", [0.7, 3.5, 8], 3)
    if draw(st.integers(1, 3)) == 1:
        price = line.pop("price", 2)
        line["blocks"] = [{"up_to_kw": draw(st.sampled_from([0.5, 3])), "price": price}, {"price": price + 1.37}]


# ---------------------------------------------------------------- the whole table


def without_contradictions(table):
    """Take out what `rule_space` draws now and then and no tariff may have, so that few draws are refused."""
    credit, lines = table["credit"], table["charge"]
    retail = [line for line in lines if line["on"] in ("delivered", "import", "billed")]
    if credit.get("unit") != "none":
        table["charge"] = lines = [line for line in lines if line["on"] != "use"]
    if credit.get("cross_bucket", "none") != "none" or {"export_share", "export_lines"} & set(credit):
        for line in retail:
            if line.pop("blocks", line.pop("prices", None)):
                line.pop("blocks_by_days", line.pop("factor", None))
                line["price"] = 0.21
    if credit.get("unit") != "kWh" and credit.get("at_end") == "convert":
        credit["at_end"] = "forfeit"
        credit.pop("conversion_price", None)
    if "pay" not in (credit.get("on_close"), credit.get("at_end"), credit.get("at_reset", "")[:3]):
        credit.pop("payout_share", None)


def widen(draw, table, by_time):
    """Add the rules that `rule_space` does not draw to one of its tables."""
    names, credit = [bucket["name"] for bucket in table.get("bucket", [])], table["credit"]
    if by_time and credit["unit"] != "none" and draw(st.booleans()):
        for key in [key for key in credit if key not in ("netting", "export_limit_kw")]:
            del credit[key]
        credit |= {"unit": "money", "export_price": 0.031}
    if names and by_time and draw(st.integers(1, 3)) == 1:
        table["bucket"][0]["hours"] = draw(st.sampled_from([[[0.5, 7.5]], [[6.5, 9], [17, 20.5]]]))
    if by_time:
        _maybe(draw, credit, "netting", ["half hour", "hour"], 4)
    add_lines(draw, table, by_time, names)
    if draw(st.integers(1, 20)) > 1:
        without_contradictions(table)
    if credit["unit"] == "money" and by_time and draw(st.integers(1, 4)) > 1:
        minutes = draw(st.sampled_from([60, 30]))
        for key in ("export_share", "export_lines"):
            credit.pop(key, None)
        credit |= {"export_price": draw(prices_by_time(minutes)), "netting": draw(st.sampled_from(SHORT[minutes]))}
    if credit["unit"] == "money" and draw(st.integers(1, 2)) == 1:
        settle_by_year(draw, table)
    elif credit["unit"] == "none" and draw(st.integers(1, 3)) > 1:
        credit |= draw(st.sampled_from([{"reset_month": 3}, {"reset_date": "03-31"}, {"reset_bills": 2}]))
        end_carried(draw, table)
    elif any(key.startswith("reset_") for key in credit) and draw(st.integers(1, 2)) == 1:
        end_carried(draw, table)
    if by_time and draw(st.integers(1, 3)) == 1:
        without_parts_of_hours(table)


def end_carried(draw, table):
    """Let a sum that was carried end at the reset, and be there."""
    table |= {
        "carried_at_reset": draw(st.sampled_from(["keep", "forfeit", "forfeit", "pay", "pay"])),
        "negative_bill": "carry",
    }
    if draw(st.integers(1, 5)) > 1:
        table["charge"].append({"line": "rebate", "on": "month", "price": -90})


def without_parts_of_hours(table):
    """Take out what needs intervals below an hour."""
    things = [table["credit"], *table["charge"]]
    for thing in things:
        if thing.get("netting") in ("half hour", "quarter hour"):
            thing["netting"] = "hour"
        if "window_minutes" in thing:
            thing["window_minutes"] = 60
        for key in ("export_price", "prices"):
            if f"{thing.get(key)}".count("halves"):
                thing[key] = thing[key] | {"file": str(price_file("hours-2024"))}
            elif isinstance(thing.get(key), dict) and "weekdays" in thing[key]:
                thing[key] |= {kind: [row[:24] for row in thing[key][kind]] for kind in ("weekdays", "weekends")}
            elif isinstance(thing.get(key), list) and isinstance(thing[key][0], list):
                thing[key] = [row[:24] for row in thing[key]]
    for bucket in table.get("bucket", []):
        if any(hour % 1 for pair in bucket.get("hours", []) for hour in pair):
            bucket["hours"] = [[7, 20]]


def settle_by_year(draw, table):
    """Make a tariff with a credit in money settle over a year."""
    credit = table["credit"]
    for key in ("usable", "life_bills", "issuing_bill_counts", "on_close", "at_end", "order", "payout_share"):
        credit.pop(key, None)
    for key in [key for key in credit if "reset" in key or "threshold" in key]:
        del credit[key]
    table["settlement"] = "year"
    if draw(st.integers(1, 3)) > 1:
        counts = draw(st.sampled_from([True, True, True, False]))
        table |= {"minimum_bill": draw(st.sampled_from([15, 60])), "minimum_counts": counts}
    resets = [{"reset_month": 3}, {"reset_month": 10}, {"reset_date": "03-31"}]
    actions = ["forfeit", "donate", "pay", "pay", "pay if over", "pay if over"]
    credit |= draw(st.sampled_from([*resets, {"reset_anniversary": date(2020, 6, 15)}]))
    credit["at_reset"] = draw(st.sampled_from(actions))
    if credit["at_reset"] == "pay if over":
        credit |= {"payout_threshold": draw(st.sampled_from([1.5, 30])), "below_threshold": "forfeit"}
    if "pay" in credit["at_reset"]:
        credit |= draw(st.sampled_from([{}, {"payout_share": 0.5}, {"payout_price": 0.037}, {"payout_price": 0.037}]))
    # so that there is a surplus to pay for, or more to settle than was added to reach the minimum
    price = -90 if "payout_price" in credit else draw(st.sampled_from([-90, -90, 0, 90]))
    table["charge"].append({"line": "waiting", "on": "month", "price": price, "offset": True})
    deferred = {
        line["line"] for line in table["charge"] if line.get("offset", line["on"] in ("delivered", "import", "billed"))
    }
    for line in table["charge"]:
        if set(line.get("of", [])) & deferred:
            del line["of"]
    if set(table.get("minimum_of", [])) & deferred:
        del table["minimum_of"]


@st.composite
def wide_rule_sets(draw, by_time=False):
    """Tables as `rule_space` draws them, in a row, with the other rules of the vocabulary too."""
    tables = draw(rule_sets())
    for table in tables:
        widen(draw, table, by_time)
    if draw(st.integers(1, 3)) == 1:
        tables.append(dearer(draw, tables[-1]))
    for old, new in zip(tables, tables[1:]):
        if "settlement" in old:
            old["credit"].pop("at_end", None)
        old["valid_to"] = new["valid_from"]
    return [meant(table) for table in tables]


def dearer(draw, table):
    """The same rules at other prices from some day on."""
    new = deepcopy(table)
    new["valid_from"] = table.get("valid_from", date(2023, 5, 1)) + timedelta(days=draw(st.integers(20, 200)))
    new["charge"][0]["price"] = 7.31
    for line in new["charge"]:
        if line["on"] != "percent" and "price" in line:
            line["price"] = round(line["price"] * 1.31, 5)
    return new
