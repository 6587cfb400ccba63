"""Which shapes of rules a tariff has, so that a shape that random tests never draw is seen.

`declared_shapes` are read from the declarations of the keys: each choice of a key, and each other key given. To them
come the combinations that bills compute in ways of their own; see `combined_shapes`.
"""

from dataclasses import fields
from itertools import product

from rule_space import ZONES
from solarlib.bill.tariff import Bucket, Charge, Credit, Tariff

TABLES = {"": Tariff, "charge.": Charge, "bucket.": Bucket, "credit.": Credit}
NOT_BILLED = {"name", "note", "meant", "size_cap_kw", "size_cap_rating", "size_cap_share_of_use", "charge", "charges"}
NOT_BILLED |= {"months_per_bill"}  # only made periods have it: see test_second_ledger.test_months_that_are_put_together

COUNTED = ("delivered", "import", "billed", "received", "export", "use", "generation")
PRICED = ("price", "blocks", "prices by month", "prices by clock")
NETTINGS = ("period", "bucket", "day", "hour", "half hour", "quarter hour", "none")
FORMS = ("table 60", "table 30", "kinds of day 60", "kinds of day 30", "file 60", "file 30")


def _options(item):
    """Return the choices of a declared key, none if it is free."""
    allowed = getattr(item.metadata["read"], "allowed", "")
    return {"true or false": ["False", "True"]}.get(allowed) or (
        allowed.removeprefix("one of ").split(", ") if allowed.startswith("one of ") else []
    )


def declared_shapes():
    """Return every choice of every declared key, and every key that is free."""
    return {
        f"{prefix}{item.name} = {option}" if option else f"{prefix}{item.name}"
        for prefix, kind in TABLES.items()
        for item in fields(kind)
        for option in _options(item) or [""]
        if item.name not in NOT_BILLED
    }


def combined_shapes():
    """Return the combinations that are asked for beside the keys."""
    lines = {f"{on} by {form}" for on, form in product(COUNTED, PRICED)} - {"billed by prices by month"}
    lines -= {"billed by prices by clock"}
    lines |= {f"demand by {form}" for form in ("price", "blocks")}
    lines |= {f"{on} netted over {time}" for on, time in product(("import", "export"), NETTINGS)}
    prices = {f"{where} {form}" for where, form in product(("line", "credit"), (*FORMS, "least", "one a month"))}
    return lines | prices | {"credit one a bucket", "buckets by half hours", "tax on a tax", "windows of two lengths"}


def outcome_shapes():
    """Return what must have happened on some bill, and what readings and sets of rules must have been like."""
    happened = {"settled above zero", "a surplus of a year paid by share", "a surplus of a year paid by kWh"}
    happened |= {"a surplus of a year lost", "top-ups lowered what is settled", "settled at a close"}
    happened |= {"settled before other rules", "a carried sum lost at a reset", "a carried sum paid at a reset"}
    happened |= {"a demand of several bills", "a period of several months", "a credit expired", "a credit crossed"}
    sets = {"one set of rules", "other rules follow", "the same rules at other prices", "three sets"}
    made = {"registers", "intervals of 15", "intervals of 30", "intervals of 60", "clock set forward", "clock set back"}
    return happened | sets | made | {f"zone {zone}" for zone in ZONES} | {"opened with kWh", "closed"}


def outcomes(rows, ruling, closing):
    """Return what happened on these bills, from the rows of the second ledger."""
    found, topups = {"closed"} if closing else set(), 0
    for i, (row, rules) in enumerate(zip(rows, ruling)):
        topups, credit = topups + row["min_bill_topup"], rules.get("credit", {})
        following = ruling[i + 1] if i + 1 < len(rows) else None
        wanted = {
            "settled above zero": row.get("settled", 0) > 0,
            "top-ups lowered what is settled": row.get("settled", 0) > 0 and topups and rules.get("minimum_counts"),
            "a surplus of a year lost": "settled" in row and row["credit_money_reset"] > 0 == row["payout"],
            "a surplus of a year paid by kWh": "settled" in row and row["payout"] and credit.get("payout_price"),
            "a surplus of a year paid by share": "settled" in row and row["payout"] and "payout_price" not in credit,
            "settled at a close": "settled" in row and closing and i + 1 == len(rows),
            "settled before other rules": "settled" in row and following and following["name"] != rules["name"],
            "a carried sum lost at a reset": row.get("carried_reset") and rules["carried_at_reset"] == "forfeit",
            "a carried sum paid at a reset": row.get("carried_reset") and rules["carried_at_reset"] == "pay",
            "a credit expired": row["credit_expired"] or row["credit_money_expired"],
            "a credit crossed": row["crossed_out"],
            "a demand of several bills": i and any(line.get("over_bills", 1) > 1 for line in rules["charge"]),
            "other rules follow": following and following["name"] != rules["name"],
            "the same rules at other prices": following and following["name"] == rules["name"] and following != rules,
        }
        found |= {name for name, so in wanted.items() if so}
        topups = 0 if row.get("settled") else topups
    sets = len({id(rules) for rules in ruling})
    return found | ({"one set of rules"} if sets == 1 else {"three sets"} if sets == 3 else set())


def shapes(tariff, table):
    """Return the shapes of one tariff; `table` is what it was read from."""
    found = set()
    things = [("", tariff), ("credit.", tariff.credit)]
    things += [("charge.", charge) for charge in tariff.charges] + [("bucket.", bucket) for bucket in tariff.buckets]
    for prefix, thing in things:
        for item in fields(thing):
            value = getattr(thing, item.name)
            if _options(item):
                found.add(f"{prefix}{item.name} = {value}")
            elif value != item.default:
                found.add(f"{prefix}{item.name}")
    for line in table["charge"]:
        found |= _of_line(line, tariff)
    if "export_price" in table["credit"]:
        found |= {f"credit {form}" for form in _of_prices(table["credit"]["export_price"])}
    if any(hour % 1 for bucket in tariff.buckets for pair in bucket.hours for hour in pair):
        found.add("buckets by half hours")
    if len({charge.window_minutes for charge in tariff.charges if charge.on == "demand"}) > 1:
        found.add("windows of two lengths")
    return found


def _of_line(line, tariff):
    forms = _of_prices(line["prices"]) if "prices" in line else set()
    by = next(key for key in ("price", "blocks", "prices") if key in line)
    by = {"prices": "prices by month" if forms <= {"one", "one a month"} else "prices by clock"}.get(by, by)
    found = {f"{line['on']} by {by}"} | {f"line {form}" for form in forms}
    if "netting" in line:
        found.add(f"{line['on']} netted over {line['netting']}")
    if any(tariff.charge(name).on == "percent" for name in line.get("of", [])):
        found.add("tax on a tax")
    return found


def _of_prices(prices):
    if isinstance(prices, dict):
        least = {"least"} & set(prices)
        if "file" in prices:
            return least | {f"file {30 if 'halves' in prices['file'] else 60}"}
        return (
            least | {f"kinds of day {1440 // len(prices['weekdays'][0])}"} if "weekdays" in prices else {"one a bucket"}
        )
    if not isinstance(prices, list):
        return {"one"}
    return {f"table {1440 // len(prices[0])}"} if isinstance(prices[0], list) else {"one a month"}
