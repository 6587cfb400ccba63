"""A second ledger, plain and slow, from the rules in words (data/tariffs/README.md): nothing here is solarlib's.

It takes the same table that a person writes in a tariff file and computes in fractions, so nothing is lost before the
rounding that the rules ask for. The steps of one bill, in this order:

1.  The rule set is the one valid on the first day of the period.
2.  Energies are rounded half up to the digits of the bill. Import and export: the two registers subtracted over the
    netting time, within a bucket; over a whole period it is the rounded registers that are subtracted.
3.  Credits whose life has ended are written off.
4.  kWh credits of earlier bills pay for imports of their own bucket. Then the new credits are added: exports in kWh, or
    their worth in money (money of the next bill waits).
5.  kWh credits, the new ones too, pay for imports of other buckets, if they may; what is left is billed.
6.  Lines are priced, each rounded (or only the bill). Lines limited in time are shared by days.
7.  Money credits pay for the lines that they may reduce.
8.  The minimum, asked for before tax, and the percentages; or the percentages first.
9.  Reset: after this bill, with its own surplus, credits are emptied, paid (in whole cents) or rolled on. Then, on the
    last bill before other rules, what is left is kept, converted to money, paid or forfeited; then closing.
10. Payouts are taken off, the minimum of the stage "after payout" is added.
11. Below zero the bill is carried to the next, paid out, or dropped.
"""

from datetime import date, datetime, timedelta
from fractions import Fraction
from zoneinfo import ZoneInfo

KWH_LINES = ("delivered", "import", "billed", "received", "use", "generation")
FLOWS = ("delivered", "received", "generation", "import", "export")


# ---------------------------------------------------------------- numbers, days


def exact(value):
    """Return a number as it is written, 0.1 as one tenth."""
    return Fraction(str(value))


def half_up(value, digits):
    """Round to a number of digits, ties away from zero."""
    whole = (abs(value) * 10**digits + Fraction(1, 2)) // 1
    return Fraction(whole if value >= 0 else -whole, 10**digits)


def as_date(value):
    """Return a day given as a date or as text."""
    return date.fromisoformat(value) if isinstance(value, str) else value


def days_from(start, end):
    """Return every day from `start` to before `end`."""
    return [start + timedelta(days=i) for i in range((end - start).days)]


def bucket_names(rules):
    """Return the names of the time-of-use buckets; one without a name where there are none."""
    return [bucket["name"] for bucket in rules.get("bucket", [])] or [""]


# ---------------------------------------------------------------- from meters to periods


def from_registers(rows, rules):
    """Return periods from register differences: dictionaries with the columns of the documented table."""
    names, periods = bucket_names(rules), []
    for row in rows:
        period = {"start": row["period_start"], "end": row["period_end"], "partial": bool(row.get("partial", False))}
        for flow, unit in [*((flow, "kwh") for flow in FLOWS), ("demand", "kw"), ("load_demand", "kw")]:
            columns = {name: f"{flow}_{unit}_{name}" if name else f"{flow}_{unit}" for name in names}
            if all(column in row for column in columns.values()):
                period[flow] = {name: exact(row[column]) for name, column in columns.items()}
        if "generation_kwh" in row:
            period["all_generation"] = exact(row["generation_kwh"])
        periods.append(period)
    return periods


def bucket_of(local, rules):
    """Return the first bucket that fits a local time."""
    free = local.weekday() >= 5 or local.date() in {as_date(day) for day in rules.get("holidays", [])}
    for bucket in rules.get("bucket", []):
        hours = bucket.get("hours", [[0, 24]])
        kind = {"all": True, "weekdays": not free, "weekends": free}[bucket.get("days", "all")]
        if kind and local.month in bucket.get("months", range(1, 13)) and any(a <= local.hour < b for a, b in hours):
            return bucket["name"]
    return ""


def from_intervals(times, minutes, zone, flows, reads, rules):
    """Return periods from intervals: unix seconds of their starts, length, zone, {flow: energies as written}, reads."""
    names, credit = bucket_names(rules), rules.get("credit", {"unit": "none"})
    window = next((line["window_minutes"] for line in rules["charge"] if line["on"] == "demand"), None)
    most = exact(credit["export_limit_kw"]) * Fraction(minutes, 60) if "export_limit_kw" in credit else None
    periods = []
    for start, end in zip(reads, reads[1:]):
        sums = {flow: dict.fromkeys(names, Fraction(0)) for flow in FLOWS}
        periods.append({"start": start, "end": end, "partial": False, "export_worth": Fraction(0), **sums})
    netted, peaks = {}, {}
    for i, time in enumerate(times):
        local = datetime.fromtimestamp(time, ZoneInfo(zone))
        number = next((n for n, p in enumerate(periods) if p["start"] <= local.date() < p["end"]), None)
        if number is None:
            continue
        period, name = periods[number], bucket_of(local, rules)
        delivered, received, generation = (exact(flows[flow][i]) for flow in ("delivered", "received", "generation"))
        lost = max(received - most, Fraction(0)) if most is not None else Fraction(0)
        received, generation = received - lost, generation - lost
        period["delivered"][name] += delivered
        period["received"][name] += received
        period["generation"][name] += generation
        day, hour = local.date(), (local.date(), local.hour, local.utcoffset())
        quarter = (*hour, local.minute // 15)
        span = {"day": day, "hour": hour, "quarter hour": quarter}.get(credit.get("netting", "period"), i)
        pair = netted.setdefault((number, name, span), [Fraction(0), Fraction(0), local])
        pair[0] += delivered
        pair[1] += received
        if window:
            loads = peaks.setdefault((number, name, hour, local.minute // window), [Fraction(0), Fraction(0)])
            loads[0] += delivered
            loads[1] += delivered + generation - received
    price = credit.get("export_price")
    by_hour = isinstance(price, list) and isinstance(price[0], list)
    for (number, name, _), (delivered, received, local) in netted.items():
        both = credit.get("netting") == "none"
        imported, exported = (
            (delivered, received) if both else (max(delivered - received, 0), max(received - delivered, 0))
        )
        periods[number]["import"][name] += imported
        periods[number]["export"][name] += exported
        if by_hour:
            periods[number]["export_worth"] += exported * exact(price[local.month - 1][local.hour])
    for number, period in enumerate(periods):
        for key, which in (("demand", 0), ("load_demand", 1)):
            found = {name: [v[which] for k, v in peaks.items() if k[:2] == (number, name)] for name in names}
            period[key] = {
                name: max(values, default=Fraction(0)) * 60 / (window or 60) for name, values in found.items()
            }
        period["all_generation"] = sum(period["generation"].values())
        if not by_hour:
            del period["export_worth"]
    return periods


def rounded_energies(period, rules):
    """Step 2: energies as printed on the bill, by bucket."""
    digits, names = rules.get("kwh_decimals", 3), bucket_names(rules)
    netting = rules.get("credit", {}).get("netting", "period")
    shown = {flow: {name: half_up(period[flow][name], digits) for name in names} for flow in FLOWS if flow in period}
    if netting == "none":
        shown["import"], shown["export"] = dict(shown["delivered"]), dict(shown["received"])
    elif netting in ("period", "bucket"):
        net = {name: shown["delivered"][name] - shown["received"][name] for name in names}
        shown["import"] = {name: max(net[name], Fraction(0)) for name in names}
        shown["export"] = {name: max(-net[name], Fraction(0)) for name in names}
    else:  # imports less exports are the registers' difference, in printed digits too
        net = {name: shown["delivered"][name] - shown["received"][name] for name in names}
        shown["import"] = {name: max(shown["import"][name], net[name]) for name in names}
        shown["export"] = {name: shown["import"][name] - net[name] for name in names}
    if "generation" in shown:
        used = {n: shown["delivered"][n] + shown["generation"][n] - shown["received"][n] for n in names}
        shown["use"] = used
        made = half_up(period["all_generation"], digits)
        whole = sum(shown["delivered"].values()) + made - sum(shown["received"].values())
        shown["all"] = {"generation": made, "use": whole}
    return shown


# ---------------------------------------------------------------- credits


class Lots:
    """Credits of one bucket, or of money: [number of the bill that issued them, amount]."""

    def __init__(self):
        self.lots = []

    def total(self, before=None):
        """What is there, or what was issued before a bill."""
        return sum((lot[1] for lot in self.lots if before is None or lot[0] < before), Fraction(0))

    def add(self, bill, amount):
        if amount > 0:
            self.lots.append([bill, amount])

    def take(self, amount, order, before=None):
        """Use an amount, oldest or newest first."""
        for lot in sorted(self.lots, key=lambda lot: lot[0], reverse=order == "lifo"):
            if before is None or lot[0] < before:
                used = min(lot[1], amount)
                lot[1], amount = lot[1] - used, amount - used
        assert amount == 0
        self.lots = [lot for lot in self.lots if lot[1]]

    def expire(self, bill, credit):
        """Write off what may not be used on this bill: issued on k, used until bill k + life."""
        if "life_bills" not in credit:
            return Fraction(0)
        last = credit["life_bills"] - (1 if credit.get("issuing_bill_counts") else 0)
        gone = sum((lot[1] for lot in self.lots if bill > lot[0] + last), Fraction(0))
        self.lots = [lot for lot in self.lots if bill <= lot[0] + last]
        return gone

    def empty(self):
        total, self.lots = self.total(), []
        return total


def is_reset(credit, start, end, first_day, bill):
    """Are the credits emptied after this bill?"""
    if "reset_bills" in credit:
        first = credit.get("reset_first_bill", credit["reset_bills"])
        return bill >= first and (bill - first) % credit["reset_bills"] == 0
    if "reset_month" in credit:
        month, day = credit["reset_month"], 1
    elif "reset_date" in credit:
        month, day = map(int, credit["reset_date"].split("-"))
    elif "reset_anniversary" in credit:
        eve = as_date(credit["reset_anniversary"]).replace(year=2001) - timedelta(days=1)
        month, day = eve.month, eve.day
    else:
        return False
    years = [y for y in range(start.year, end.year + 1) if start <= date(y, month, day) < end]
    first = first_day.year + (date(first_day.year, month, day) < first_day)
    return any((year - first) % credit.get("reset_every_years", 1) == 0 for year in years)


def price_of_kwh(rules, name, period, ons, lines=None):
    """Sum of the prices of the lines that count a kWh of a bucket."""
    return sum(
        exact(line["price"]) * time_share(line, period)
        for line in rules["charge"]
        if line["on"] in ons and line.get("bucket", name) == name and (lines is None or line["line"] in lines)
    )


def cross(rules, banks, billed, period):
    """Step 5: credit of one bucket pays in another. Returns what went in and out, by bucket."""
    names, digits = list(banks), rules.get("kwh_decimals", 3)
    rule, order = rules["credit"].get("cross_bucket", "none"), rules["credit"].get("order", "fifo")
    into, out = dict.fromkeys(names, Fraction(0)), dict.fromkeys(names, Fraction(0))
    if rule == "none":
        return into, out
    price = {name: price_of_kwh(rules, name, period, ("billed",)) for name in names}
    step = Fraction(1, 10**digits)
    for target in sorted(names, key=lambda name: -price[name]):
        for source in sorted(names, key=lambda name: -price[name]):
            if source == target or (rule == "high to low" and price[source] <= price[target]):
                continue
            if rule == "by value" and (price[source] <= 0 or price[target] <= 0):
                continue
            ratio = Fraction(1) if rule == "high to low" else price[target] / price[source]  # kWh out for one kWh in
            moved = min(billed[target], banks[source].total() / ratio // step * step)
            taken = -(-moved * ratio // step) * step
            banks[source].take(taken, order)
            billed[target] -= moved
            into[target] += moved
            out[source] += taken
    return into, out


def worth_of_exports(rules, period, exported):
    """Step 4: money credits for the exports of a period by bucket, before rounding."""
    credit, names = rules["credit"], bucket_names(rules)
    price, all_days = credit.get("export_price"), days_from(period["start"], period["end"])
    factor = exact(credit.get("export_factor", 1))
    if "export_worth" in period:
        return [period["export_worth"] * factor]
    if "export_lines" in credit:
        prices = {n: price_of_kwh(rules, n, period, KWH_LINES, credit["export_lines"]) for n in names}
    elif "export_share" in credit:
        retail = ("import", "billed", "delivered")
        prices = {n: exact(credit["export_share"]) * price_of_kwh(rules, n, period, retail) for n in names}
    elif isinstance(price, dict):
        prices = {name: exact(price[name]) for name in names}
    elif isinstance(price, list):
        mean = sum(exact(price[day.month - 1]) for day in all_days) / len(all_days)
        prices = dict.fromkeys(names, mean)
    else:
        prices = dict.fromkeys(names, exact(price))
    return [exported[name] * max(prices[name], Fraction(0)) * factor for name in names]


# ---------------------------------------------------------------- lines


def time_share(line, period):
    """Share of the days of a period on which a line holds."""
    first, last = as_date(line.get("valid_from", date.min)), as_date(line.get("valid_to", date.max))
    days = days_from(period["start"], period["end"])
    held = [day for day in days if day.month in line.get("months", range(1, 13)) and first <= day < last]
    return Fraction(len(held), len(days))


def in_blocks(line, kwh, length, share, digits):
    """Price of an energy in steps; shared by days, so are the limits, which are energies of the bill and rounded so."""
    kwh, done, cost = kwh * share, Fraction(0), Fraction(0)
    for block in line["blocks"]:
        upper = exact(block["up_to_kwh"]) if "up_to_kwh" in block else None
        if upper is not None:
            upper = half_up(upper * length * share, digits)
        until = kwh if upper is None else min(kwh, upper)
        cost += max(until - done, 0) * exact(block["price"])
        done = max(done, until)
    return cost


def line_cost(line, rules, period, energies, ratings):
    """Step 6: a line that is no percentage, before rounding."""
    days = (period["end"] - period["start"]).days
    months = max(1, int(days / 30.4375 + 0.5))
    on, names = line["on"], [line["bucket"]] if "bucket" in line else bucket_names(rules)
    if on in KWH_LINES:
        apart = "bucket" not in line and on in energies.get("all", {})  # the meter of the array prints its own total
        kwh = energies["all"][on] if apart else sum(energies[on][name] for name in names)
        if "blocks" in line:
            length = Fraction(days, 30) if line.get("blocks_by_days") else Fraction(months)
            return in_blocks(line, kwh, length, time_share(line, period), rules.get("kwh_decimals", 3))
        else:
            cost = exact(line["price"]) * kwh
    elif on == "demand":
        cost = exact(line["price"]) * months * max(energies["demand"][name] for name in names)
    elif on == "day":
        cost = exact(line["price"]) * days
    else:
        if on == "kw" and line.get("per") == "30 days":
            times = Fraction(days, 30)
        else:
            times = Fraction(months, 12 if line.get("per") == "year" else 1)
            if line.get("prorate") and period["partial"]:
                times = min(times, times * days / (30 * months))
        rating = exact(ratings[line.get("rating", "dc")]) if on == "kw" else 1
        cost = exact(line["price"]) * times * rating
    return cost * time_share(line, period)


def is_offset(line):
    """May a money credit reduce a line?"""
    return line.get("offset", line["on"] in ("delivered", "import", "billed", "use"))


def priced(rules, period, energies, ratings, available):
    """Steps 6 to 8: lines, credit used, minimum and tax. Returns (lines, applied, topup)."""
    by_line = rules.get("round_stage", "line") == "line"
    cents = (lambda value: half_up(value, 2)) if by_line else (lambda value: value)
    plain = [line for line in rules["charge"] if line["on"] != "percent"]
    costs = {line["line"]: cents(line_cost(line, rules, period, energies, ratings)) for line in plain}
    reducible = sum(costs[line["line"]] for line in plain if is_offset(line))
    applied = min(available, max(reducible, Fraction(0)))
    lines_only, topup, extra = sum(costs.values()), Fraction(0), Fraction(0)
    if rules.get("minimum_stage", "before tax") == "before tax":
        topup = missing(rules, costs, applied)
        extra = missing(rules, costs, Fraction(0))  # of lines on which no credit is used
    for line in rules["charge"]:
        if line["on"] != "percent":
            continue
        if "of" in line:
            base = sum(costs[name] for name in line["of"])
        elif line.get("after_credit", True):
            base = lines_only + topup - applied
        else:
            base = lines_only + extra
        costs[line["line"]] = cents(base * exact(line["price"]) / 100)
    if rules.get("minimum_stage") in ("after tax", "after payout"):
        topup = missing(rules, costs, applied)
    return costs, applied, topup


def missing(rules, costs, applied, taxes=True, payout=Fraction(0)):
    """What lacks to the minimum bill."""
    if "minimum_bill" not in rules:
        return Fraction(0)
    lines = {line["line"]: line for line in rules["charge"]}
    named = rules.get("minimum_of", [name for name in costs if lines[name]["on"] != "percent"])
    counted = sum(costs[name] for name in named)
    counted -= min(applied, max(sum(costs[name] for name in named if is_offset(lines[name])), Fraction(0)))
    if taxes:
        counted += sum(cost for name, cost in costs.items() if lines[name]["on"] == "percent")
    return max(exact(rules["minimum_bill"]) - counted + payout, Fraction(0))


# ---------------------------------------------------------------- the ledger


def payout_of(credit, kwh, money):
    """Worth of credits that are paid, before rounding."""
    return kwh * exact(credit.get("payout_price", 0)) + money * exact(credit.get("payout_share", 1))


def ledger(periods, rule_sets, ratings=None, opening=None, closing=False):
    """Return a list of dictionaries, a bill each: columns as the documented ledger, in fractions."""
    rows, banks, money, balance = [], {}, Lots(), Fraction(0)
    ruling = [next(rules for rules in rule_sets if is_valid(rules, period["start"])) for period in periods]
    for number, (period, rules) in enumerate(zip(periods, ruling), 1):
        credit, names = rules.get("credit", {"unit": "none"}), bucket_names(rules)
        unit, order, digits = credit["unit"], credit.get("order", "fifo"), rules.get("kwh_decimals", 3)
        cents = (lambda v: half_up(v, 2)) if rules.get("round_stage", "line") == "line" else (lambda v: v)
        if set(banks) != set(names):
            banks = {name: Lots() for name in names}
        if number == 1:
            for name, amount in (opening or {}).items():
                banks[name].add(0, half_up(exact(amount), digits))
        opened = {name: bank.total() for name, bank in banks.items()}
        row = {"money_bank_open": money.total(), "balance_open": balance, "payout": Fraction(0)}
        lost, lost_money, converted = dict.fromkeys(names, Fraction(0)), Fraction(0), Fraction(0)
        energies = rounded_energies(period, rules)
        expired = {name: bank.expire(number, credit) for name, bank in banks.items()}
        expired_money = money.expire(number, credit)
        added = {name: energies["export"][name] if unit == "kWh" else Fraction(0) for name in names}
        added_money = Fraction(0)
        if unit == "money":
            added_money = sum(cents(worth) for worth in worth_of_exports(rules, period, energies["export"]))
        money.add(number, added_money)
        used, billed = {}, dict(energies["import"])
        for name in names:
            used[name] = min(banks[name].total(), billed[name])
            banks[name].take(used[name], order)
            billed[name] -= used[name]
            banks[name].add(number, added[name])
        into, out = cross(rules, banks, billed, period) if unit == "kWh" else (lost, lost)
        if unit != "kWh":
            into = out = dict.fromkeys(names, Fraction(0))
        before = number if unit == "money" and credit.get("usable") == "next bill" else None
        counted = energies | {"billed": billed, "demand": period.get("demand")}
        available = money.total(before)
        costs, applied, topup = priced(rules, period, counted, ratings, available)
        money.take(applied, order, before)
        reset_now = is_reset(credit, period["start"], period["end"], periods[0]["start"], number)
        actions = [credit.get("at_reset", "forfeit")] if reset_now else []
        if number < len(periods) and ruling[number] is not rules:
            actions.append(credit.get("at_end", "keep"))
        if closing and number == len(periods):
            actions.append(credit.get("on_close", "forfeit"))
        for action in actions:
            left = sum((bank.total() for bank in banks.values()), Fraction(0)) + money.total()
            if action == "pay if over":
                action = "pay" if left >= exact(credit["payout_threshold"]) else credit.get("below_threshold", "roll")
            if action in ("roll", "keep"):
                continue
            gone = {name: bank.empty() for name, bank in banks.items()}
            gone_money = money.empty()
            lost = {name: lost[name] + gone[name] for name in names}
            lost_money += gone_money
            if action == "pay":
                row["payout"] += half_up(payout_of(credit, sum(gone.values()), gone_money), 2)
            if action == "convert":
                converted = half_up(sum(gone.values()) * exact(credit["conversion_price"]), 2)
                money.add(number, converted)
        if rules.get("minimum_stage") == "after payout":
            topup = missing(rules, costs, applied, payout=row["payout"])
        due = half_up(sum(costs.values()) + topup - applied - row["payout"], 2)
        row["bill"] = due - balance
        negative = rules.get("negative_bill", "carry")
        if negative == "carry" and not (closing and number == len(periods)):
            balance, row["bill"] = max(-row["bill"], Fraction(0)), max(row["bill"], Fraction(0))
        else:
            balance = Fraction(0)
            row["bill"] = max(row["bill"], Fraction(0)) if negative == "floor" else row["bill"]
        row |= {
            "balance_close": balance, "credit_money_added": converted + added_money, "credit_money_applied": applied,
            "credit_money_expired": expired_money, "credit_money_reset": lost_money, "money_bank_close": money.total(),
            "credit_money_available": available, "min_bill_topup": topup,
            "tax": sum((costs[line["line"]] for line in rules["charge"] if line["on"] == "percent"), Fraction(0)),
            **{f"line {name}": cost for name, cost in costs.items()},
        }  # fmt: skip
        by_bucket = {
            "bank_open": opened, "credit_added": added, "credit_applied": used, "crossed_in": into,
            "crossed_out": out, "credit_expired": expired, "credit_reset": lost, "billed_kwh": billed,
            "bank_close": {name: bank.total() for name, bank in banks.items()},
            **{f"{flow}_kwh": energies[flow] for flow in (*FLOWS, "use") if flow in energies},
        }  # fmt: skip
        for key, values in by_bucket.items():
            row[key] = sum(values.values(), Fraction(0))
            row |= {f"{key}_{name}": value for name, value in values.items() if name}
        if "use" in energies:
            row["generation_kwh"], row["use_kwh"] = energies["all"]["generation"], energies["all"]["use"]
            row |= compared(rules, period, energies, ratings, row["bill"])
        rows.append(row)
    return rows


def compared(rules, period, energies, ratings, bill):
    """The same house without an array; with one that only spares purchases; with that and the lines for having it."""
    names, used, whole = bucket_names(rules), energies["use"], energies["all"]
    none, bills = dict.fromkeys(names, Fraction(0)), []
    for which, demand, array in (
        ("use", "load_demand", False),
        ("delivered", "demand", False),
        ("delivered", "demand", True),
    ):
        bought = energies[which]
        total = whole["use"] if which == "use" else sum(bought.values())
        flows = {"delivered": bought, "import": bought, "billed": bought, "use": used, "received": none}
        flows |= {"generation": energies["generation"] if array else none, "demand": period.get(demand)}
        flows["all"] = dict.fromkeys(("delivered", "import", "billed"), total) | {"use": whole["use"]}
        flows["all"]["generation"] = whole["generation"] if array else Fraction(0)
        costs, _, topup = priced(rules, period, flows, ratings if array else {"dc": 0, "ac": 0}, Fraction(0))
        bills.append(half_up(sum(costs.values()) + topup, 2))
    without, spared, charged = bills
    return {
        "bill_without_pv": without, "saving": without - bill, "value_of_self_consumption": without - spared,
        "pv_charges": charged - spared, "value_of_export": charged - bill,
    }  # fmt: skip


def is_valid(rules, day):
    """Is a rule set valid on a day?"""
    return as_date(rules.get("valid_from", date.min)) <= day < as_date(rules.get("valid_to", date.max))
