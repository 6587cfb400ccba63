"""Every documented form of every key of a tariff, as tables that a person could write, and house files around them."""

import re
from datetime import date, datetime, timedelta

from solarlib.bill.tariff_file import TARIFF_FOLDER
from solarlib.house.file import HOUSE_FOLDER

BANK = {"unit": "kWh", "netting": "period"}
EMPTIED = BANK | {"reset_month": 3, "at_reset": "forfeit"}
MONEY = {"unit": "money", "netting": "period", "export_price": 0.05}
HOURS = MONEY | {"netting": "hour"}
TWO = [{"name": "on", "hours": [[7, 11], [17, 21]], "days": "weekdays"}, {"name": "off"}]
BASIC, BILLED = {"line": "basic", "on": "month", "price": 10}, {"line": "energy", "on": "billed", "price": 0.15}
BY_BUCKET = [{"line": f"energy {b}", "on": "billed", "bucket": b, "price": p} for b, p in (("on", 0.3), ("off", 0.1))]
MORE, DEMAND = {"line": "more", "price": 0.02}, {"on": "demand", "price": 3, "window_minutes": 60}
BLOCKS = [{"up_to_kwh": 500, "price": 0.09}, {"price": 0.13}]


def tariff(credit=BANK, charge=(), bucket=(), **keys):
    """A small tariff with a few keys set."""
    lines = [BASIC, *(BY_BUCKET if bucket else [BILLED]), *charge]
    return {"name": "form", "charge": lines, "credit": credit} | ({"bucket": bucket} if bucket else {}) | keys


def line(**keys):
    """A tariff with one more line."""
    return tariff(charge=[MORE | keys])


def priced(on, prices, **keys):
    """A tariff with a line whose prices change; a house that sells all it makes where the line counts all use."""
    charge = [{"line": "more", "on": on, "prices": prices} | keys]
    return tariff({"unit": "none"}, charge) if on == "use" else tariff(MONEY | {"netting": "hour"}, charge)


def interval_prices():
    """Yield (name, prices) of each form of prices that change inside a day."""
    for parts in (24, 48):
        lists = [[round(0.002 * (month + part / parts), 5) for part in range(parts)] for month in range(12)]
        yield f"by {parts} parts of a day", lists
        apart = {"weekdays": lists, "weekends": lists[::-1]}
        yield f"of weekends by {parts}", apart
        yield f"not below by {parts}", apart | {"least": 0.01}
    yield "of a file", {"file": "prices.csv", "column": "price", "least": 0}


def forms():
    """Yield (name, table) for each documented form of each key; the shipped files come by name."""
    for file in sorted(TARIFF_FOLDER.glob("*.toml")):
        yield file.stem, {"file": file.stem}
    for key, values in {
        "note": ["Check it."],
        "kwh_decimals": [0, 6],
        "months_per_bill": [1, 2, 3, 4, 6, 12],
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
    for on in ("day", "delivered", "import", "received", "export", "generation"):
        yield f"on {on}", line(on=on)
    yield "on use", {"name": "form", "charge": [BASIC | {"on": "use", "price": 0.1}], "credit": {"unit": "none"}}
    for per, rating in (("month", "dc"), ("year", "ac"), ("30 days", "dc")):
        yield f"on kw per {per}", line(on="kw", per=per, rating=rating, prorate=True)
    for minutes in (15, 30, 60):
        yield f"window_minutes {minutes}", line(on="demand", window_minutes=minutes)
    for keys in ({"highest": 3}, {"highest": 3, "one_a_day": True}, {"over_bills": 12}, {"least_kw": 4}):
        yield f"demand {keys}", line(**DEMAND | keys)
    steps = [{"up_to_kw": 5, "price": 4}, {"price": 9}]
    yield "demand by steps", tariff(charge=[{"line": "more", "on": "demand", "window_minutes": 60, "blocks": steps}])
    fee = {"line": "fee", "on": "percent", "price": 3}
    yield "percent of a percentage", tariff(charge=[fee, fee | {"line": "tax", "of": ["energy", "fee"]}])
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
    for netting in ("period", "day", "hour", "half hour", "quarter hour", "none"):
        yield f"netting {netting}", tariff(MONEY | {"netting": netting})
        for on in ("import", "export"):
            yield f"netting {netting} of {on}", line(on=on, netting=netting)
    yield "netting bucket of import", tariff(by_bucket, [MORE | {"on": "import", "netting": "bucket"}], bucket=TWO)
    yield "bucket of half hours", tariff(by_bucket, bucket=[TWO[0] | {"hours": [[0.5, 7.5]]}, TWO[1]])
    yield "bucket of a demand line", tariff(by_bucket, [MORE | DEMAND | {"bucket": "on"}], bucket=TWO)
    yield "export_price by month", tariff(MONEY | {"export_price": [0.01 * month for month in range(1, 13)]})
    yield "export_price by hour", tariff(HOURS | {"export_price": [[0.01 * hour for hour in range(24)]] * 12})
    for name, prices in interval_prices():
        yield f"export_price {name}", tariff(MONEY | {"netting": "quarter hour", "export_price": prices})
        for on in ("delivered", "received", "use", "generation"):
            yield f"prices {name} on {on}", priced(on, prices)
        for on in ("import", "export"):
            yield f"prices {name} on {on}", priced(on, prices, netting="quarter hour")
    yield "prices by month", priced("import", [0.01 * month for month in range(1, 13)])
    yield "prices and factor", priced("received", 0.05, factor=-1)
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
    yield "at_end keep", tariff(BANK | {"at_end": "keep"})
    yield "meant", tariff(charge=[MORE | {"on": "month", "price": 500}], meant=["more"])
    settled = {"settlement": "year", "minimum_bill": 15, "negative_bill": "pay"}
    for action in ({"at_reset": "forfeit"}, {"at_reset": "donate"}, {"at_reset": "pay", "payout_share": 0.5},
                   {"at_reset": "pay", "payout_price": 0.03},
                   {"at_reset": "pay if over", "payout_threshold": 50, "below_threshold": "forfeit"}):  # fmt: skip
        for counts in (True, False):
            credit = MONEY | {"reset_month": 3} | action
            yield f"settlement {action} {counts}", tariff(credit, **settled, minimum_counts=counts)
    sold = {"line": "sold", "on": "received", "price": -0.1}
    for rule in ("keep", "forfeit", "pay"):
        reset = {"unit": "none", "reset_date": "03-31"} if rule != "keep" else {"unit": "none"}
        yield f"carried_at_reset {rule}", tariff(reset, [sold], carried_at_reset=rule)
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
HOUSE = (HOUSE_FOLDER / "two-storey.toml").read_text(encoding="utf-8")


def toml(value):
    """Return a value as TOML, tables written inline."""
    if isinstance(value, dict):
        return "{" + ", ".join(f"{key} = {toml(item)}" for key, item in value.items()) + "}"
    if isinstance(value, (list, tuple)):
        return "[" + ", ".join(map(toml, value)) + "]"
    return str(value).lower() if isinstance(value, (bool, date)) else repr(value)


def house_file(folder, table):
    """Write the worked scenario's file with another tariff, and a file of prices beside it; return its path."""
    head, rest = HOUSE.split("[place]")
    rest = re.sub(r"\[tariff\].*?(?=\n\[costs\])", "", rest, flags=re.DOTALL)
    path = folder / "mine.toml"
    path.write_text(f"{head}\ntariff = {toml(table)}\n\n[place]{rest}", encoding="utf-8")
    hours = (datetime(2025, 1, 1) + timedelta(hours=hour) for hour in range(8760))
    rows = [f"{hour.isoformat()},{0.01 + 0.001 * hour.hour:.3f}" for hour in hours]
    (folder / "prices.csv").write_text("\n".join(["time,price", *rows]), encoding="utf-8")
    return path
