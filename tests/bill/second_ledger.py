"""A second ledger, plain and slow, from the rules in words (data/tariffs/README.md): nothing here is solarlib's.

It takes the same table that a person writes in a tariff file and computes in fractions, so nothing is lost before the
rounding that the rules ask for. Each function follows the sentence that its docstring quotes. `second_prices` holds
prices by time, `second_meter` what a period counts, this module the bill: `make_bill` is the order of its steps.
"""

from dataclasses import dataclass, field
from datetime import date, timedelta
from fractions import Fraction
from pathlib import Path

from bill.second_meter import bucket_names, half_up, highest_mean, imports_and_exports, netted, printed_energies
from bill.second_prices import as_date, exact, goes_by_time, mean_price, price_at

KWH_LINES = ("delivered", "import", "billed", "received", "export", "use", "generation")
BOUGHT = ("delivered", "import", "billed", "use")
KINDS = ("fixed", "energy", "nbc", "capacity", "demand", "production")
NONE = Fraction(0)


@dataclass
class Setting:
    """What does not change from bill to bill: ratings in kW, the folder of price files, how the account opens, ends."""

    ratings: dict = field(default_factory=dict)
    folder: Path = Path()
    opening: dict = field(default_factory=dict)
    closing: bool = False


# ---------------------------------------------------------------- credits


class Lots:
    """Credits of one bucket, or of money: [number of the bill that issued them, amount]."""

    def __init__(self):
        self.lots = []

    def total(self, before=None):
        """What is there, or what was issued before a bill."""
        return sum((lot[1] for lot in self.lots if before is None or lot[0] < before), NONE)

    def add(self, bill, amount):
        """Put in what a bill issues."""
        if amount > 0:
            self.lots.append([bill, amount])

    def take(self, amount, order, before=None):
        """ "which credit is used first"."""
        for lot in sorted(self.lots, key=lambda lot: lot[0], reverse=order == "lifo"):
            if before is None or lot[0] < before:
                used = min(lot[1], amount)
                lot[1], amount = lot[1] - used, amount - used
        assert amount == 0
        self.lots = [lot for lot in self.lots if lot[1]]

    def expire(self, bill, credit):
        """ "on how many bills after its own a credit may be used"; `issuing_bill_counts`: "does its own bill count"."""
        if "life_bills" not in credit:
            return NONE
        last = credit["life_bills"] - (1 if credit.get("issuing_bill_counts") else 0)
        gone = sum((lot[1] for lot in self.lots if bill > lot[0] + last), NONE)
        self.lots = [lot for lot in self.lots if bill <= lot[0] + last]
        return gone

    def empty(self):
        """Take out everything."""
        total, self.lots = self.total(), []
        return total


@dataclass
class Account:
    """What one bill hands on to the next."""

    banks: dict = field(default_factory=dict)  # kWh of credit: bucket -> Lots
    money: Lots = field(default_factory=Lots)
    balance: Fraction = NONE  # below zero and carried, as a positive sum
    waiting: Fraction = (
        NONE  # since the last settlement: lines that wait, top-ups of the minimum, kWh sent more than taken
    )
    topups: Fraction = NONE
    net_kwh: Fraction = NONE
    powers: dict = field(default_factory=dict)  # (demand line, "delivered" or "use") -> kW of the bills so far
    bills: int = 0
    first_day: date | None = None


def is_reset(credit, period, first_day, bill):
    """Are the credits emptied after this bill?"""
    if "reset_bills" in credit:  # "instead: after every n bills"; "the first such bill"
        first = credit.get("reset_first_bill", credit["reset_bills"])
        return bill >= first and (bill - first) % credit["reset_bills"] == 0
    if "reset_month" in credit:  # "after the first bill of the year that ends in this month or later"
        month, day = credit["reset_month"], 1
    elif "reset_date" in credit:  # "instead: after the bill that contains this day"
        month, day = map(int, credit["reset_date"].split("-"))
    elif "reset_anniversary" in credit:  # "instead: after the bill before the anniversary"
        eve = as_date(credit["reset_anniversary"]).replace(year=2001) - timedelta(days=1)
        month, day = eve.month, eve.day
    else:
        return False
    years = [y for y in range(period.start.year, period.end.year + 1) if date(y, month, day) in period.days]
    first = first_day.year + (date(first_day.year, month, day) < first_day)
    return any((year - first) % credit.get("reset_every_years", 1) == 0 for year in years)


def price_of_kwh(rules, name, period, ons, lines=None):
    """ "A retail price is the sum of the lines that count" a kWh of a bucket."""
    return sum(
        exact(line["price"]) * time_share(line, period)
        for line in rules["charge"]
        if line["on"] in ons and line.get("bucket", name) == name and (lines is None or line["line"] in lines)
    )


def expire_credits(account, credit):
    """ "Credits whose life has ended are written off."."""
    gone = {name: bank.expire(account.bills, credit) for name, bank in account.banks.items()}
    return gone, account.money.expire(account.bills, credit)


def use_banks(account, rules, energies):
    """ "kWh credits of earlier bills pay for imports of their own bucket. Then the surplus of this bill is added"."""
    credit, added, used, billed = rules.get("credit", {}), {}, {}, dict(energies["import"])
    for name, bank in account.banks.items():
        used[name] = min(bank.total(), billed[name])
        bank.take(used[name], credit.get("order", "fifo"))
        billed[name] -= used[name]
        added[name] = energies["export"][name] if credit.get("unit") == "kWh" else NONE
        bank.add(account.bills, added[name])
    return added, used, billed


def cross(account, rules, billed, period):
    """Credit of one bucket pays in another. Returns what went in and out, by bucket.

    "it may cross into other buckets at once, those with the dearest price first, but pays in its own bucket from the
    next bill on."
    """
    banks, credit = account.banks, rules.get("credit", {})
    rule, order = credit.get("cross_bucket", "none"), credit.get("order", "fifo")
    into, out = dict.fromkeys(banks, NONE), dict.fromkeys(banks, NONE)
    if rule == "none":
        return into, out
    price = {name: price_of_kwh(rules, name, period, ("billed",)) for name in banks}
    step = Fraction(1, 10 ** rules.get("kwh_decimals", 3))
    for target in sorted(banks, key=lambda name: -price[name]):
        for source in sorted(banks, key=lambda name: -price[name]):
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


def worth_of_exports(rules, period, exported, folder):
    """ "Money credits, rounded bucket by bucket and never below zero"; of hourly prices one sum over all hours."""
    credit, names = rules["credit"], bucket_names(rules)
    price, factor = credit.get("export_price"), exact(credit.get("export_factor", 1))
    if "export_price" in credit and goes_by_time(price):
        moments = netted(period.intervals, credit["netting"])
        worth = sum((kwh * price_at(price, local, rules, folder) for local, _, _, kwh in moments), NONE)
        return [max(worth * factor, NONE)]
    if "export_lines" in credit:  # "instead: sum of these lines' prices"
        prices = {n: price_of_kwh(rules, n, period, KWH_LINES, credit["export_lines"]) for n in names}
    elif "export_share" in credit:  # "instead: share of the retail price"
        retail = ("import", "billed", "delivered")
        prices = {n: exact(credit["export_share"]) * price_of_kwh(rules, n, period, retail) for n in names}
    else:
        prices = {name: mean_price(price, period.days, name) for name in names}
    return [exported[name] * max(prices[name], NONE) * factor for name in names]


# ---------------------------------------------------------------- lines


def time_share(line, period):
    """ "a line [...] that holds on some days counts by days"."""
    first, last = as_date(line.get("valid_from", date.min)), as_date(line.get("valid_to", date.max))
    held = [day for day in period.days if day.month in line.get("months", range(1, 13)) and first <= day < last]
    return Fraction(len(held), len(period.days))


def counted_kwh(line, rules, period, energies):
    """kWh of a line, by step 1 of the rules.

    "A line with a `netting` of its own follows the same rule; banks follow `credit.netting`."
    """
    on = line["on"]
    if "netting" in line and on in ("import", "export"):
        kwh = imports_and_exports(period, rules, line["netting"])[on == "export"]
    elif "bucket" not in line and on in energies.get("all", {}):  # the meter of the array prints its own total
        return energies["all"][on]
    else:
        kwh = energies[on]
    return kwh[line["bucket"]] if "bucket" in line else sum(kwh.values())


def worth_by_time(line, rules, period, folder):
    """ "Tables by hour or half hour and files are priced interval by interval, by the local clock"; "a netted interval
    has the price of its first moment."
    """
    on, worth = line["on"], NONE
    if on in ("import", "export"):
        netting = line.get("netting", rules.get("credit", {}).get("netting", "period"))
        moments = [(local, name, pair[on == "export"]) for local, name, *pair in netted(period.intervals, netting)]
    else:
        moments = [(i.local, i.bucket, getattr(i, on)) for i in period.intervals]
    for local, name, kwh in moments:
        if line.get("bucket", name) == name:
            worth += kwh * price_at(line["prices"], local, rules, folder)
    return worth


def steps(blocks, limit, amount, times=1, digits=None):
    """(limit, amount in it, price) of each step; "limits in kWh are rounded as energies are"."""
    done, found = NONE, []
    for block in blocks:
        upper = exact(block[limit]) * times if limit in block else None
        if upper is not None and digits is not None:
            upper = half_up(upper, digits)
        until = amount if upper is None else min(amount, upper)
        found.append((upper, max(until - done, NONE), exact(block["price"])))
        done = max(done, until)
    return found


def kwh_steps(line, rules, period, kwh):
    """Steps of an energy: limits count times the months, or days / 30; "its block limits too" are shared by days."""
    share = time_share(line, period)
    length = Fraction(len(period.days), 30) if line.get("blocks_by_days") else Fraction(period.months)
    return steps(line["blocks"], "up_to_kwh", kwh * share, length * share, rules.get("kwh_decimals", 3))


def energy_cost(line, rules, period, energies, folder):
    """A line on kWh, before rounding."""
    if "prices" in line and goes_by_time(line["prices"]):
        cost = worth_by_time(line, rules, period, folder)
        return cost * exact(line.get("factor", 1)) * time_share(line, period)
    kwh = counted_kwh(line, rules, period, energies)
    if "blocks" in line:
        return sum(amount * price for _, amount, price in kwh_steps(line, rules, period, kwh))
    if "prices" in line:
        price = mean_price(line["prices"], period.days, "") * exact(line.get("factor", 1))
    else:
        price = exact(line["price"])
    return kwh * price * time_share(line, period)


def billed_kw(line, powers):
    """The kW that a demand line charges, `powers` being its values on this bill and those before.

    "the mean with those of bills before under the same rules (`over_bills`); `least_kw`": "at least this is charged".
    """
    recent = powers[-line.get("over_bills", 1) :]
    return max(sum(recent) / len(recent), exact(line.get("least_kw", 0)))


def demand_cost(line, period, powers):
    """The order is "(`over_bills`); `least_kw`; `blocks`; the months."."""
    kw = billed_kw(line, powers)
    if "blocks" in line:  # "each kW at the price of its step"
        cost = sum(amount * price for _, amount, price in steps(line["blocks"], "up_to_kw", kw))
    else:
        cost = kw * exact(line["price"])
    return cost * period.months * time_share(line, period)


def fixed_cost(line, period, ratings):
    """ "Amounts a month (`month`, `kw`, `demand`) [...] count times the months of the period"; `per`, `prorate`."""
    days = len(period.days)
    if line["on"] == "day":
        times = Fraction(days)
    elif line.get("per") == "30 days":
        times = Fraction(days, 30)
    else:
        times = Fraction(period.months, 12 if line.get("per") == "year" else 1)
        if line.get("prorate") and period.partial:  # "scale a first part month (column `partial`) by days / 30"
            times = min(times, times * days / (30 * period.months))
    rating = exact(ratings[line.get("rating", "dc")]) if line["on"] == "kw" else 1
    return exact(line["price"]) * times * rating * time_share(line, period)


def is_offset(line):
    """ "may a money credit reduce it? Else only what counts delivered, import, billed or use"."""
    return line.get("offset", line["on"] in BOUGHT)


def kind_of(line):
    """The column that a line is summed into."""
    kinds = {"month": "fixed", "day": "fixed", "kw": "capacity", "demand": "demand", "percent": "tax"}
    kinds |= dict.fromkeys(("received", "generation", "export"), "production")
    return kinds.get(line["on"], "energy" if is_offset(line) else "nbc")


def is_deferred(line, rules):
    """ "With `settlement = "year"` the lines that a money credit may reduce (`deferred`) [...] wait"."""
    return rules.get("settlement") == "year" and line["on"] != "percent" and is_offset(line)


def cents(amount, rules):
    """ "where cents are rounded": line by line, or only the total."""
    return half_up(amount, 2) if rules.get("round_stage", "line") == "line" else amount


def plain_lines(rules, period, energies, account, setting):
    """ "Lines are priced": line -> amount, of all that are no percentage."""
    costs = {}
    for line in rules["charge"]:
        if line["on"] in KWH_LINES:
            cost = energy_cost(line, rules, period, energies, setting.folder)
        elif line["on"] == "demand":
            cost = demand_cost(line, period, account.powers[line["line"]])
        elif line["on"] == "percent":
            continue
        else:
            cost = fixed_cost(line, period, setting.ratings)
        costs[line["line"]] = cents(cost, rules)
    return costs


# ---------------------------------------------------------------- sums of a bill


def lacking(rules, billed, applied, taxes=None, payout=NONE):
    """What lacks to the minimum, from the billed lines, the credit used and the taxes, if they count.

    "With `minimum_of` a credit counts as used on those lines first."
    """
    if "minimum_bill" not in rules:
        return NONE
    named = [
        line for line in rules["charge"] if line["line"] in billed and line["line"] in rules.get("minimum_of", billed)
    ]
    counted = sum(billed[line["line"]] for line in named)
    counted -= min(applied, max(sum(billed[line["line"]] for line in named if is_offset(line)), NONE))
    return max(exact(rules["minimum_bill"]) - counted - sum((taxes or {}).values()) + payout, NONE)


def percentages(rules, billed, added, applied, untouched):
    """Taxes: line -> amount. `added` is the top-up, and what is settled; `untouched` the same without credit.

    "of the lines less the money credit"; "A percentage `of` another counts its amount."
    """
    taxes = {}
    for line in rules["charge"]:
        if line["on"] != "percent":
            continue
        if "of" in line:
            base = sum((billed | taxes)[name] for name in line["of"])
        elif line.get("after_credit", True):
            base = sum(billed.values()) + added - applied
        else:
            base = sum(billed.values()) + untouched
        taxes[line["line"]] = cents(base * exact(line["price"]) / 100, rules)
    return taxes


def total(rules, billed, applied, payout=NONE, account_due=None):
    """(taxes, top-up, settled) of a bill. `account_due` tells what is settled with this bill's top-up.

    "The minimum before tax, then the percentages; or the percentages, then the minimum "after tax", which counts all of
    them."; "the minimum "after payout" is asked for after them [the payouts]."
    """
    stage = rules.get("minimum_stage", "before tax")
    if stage == "before tax":
        topup, untouched = lacking(rules, billed, applied), lacking(rules, billed, NONE)
        settled = account_due(topup) if account_due else NONE
        return percentages(rules, billed, topup + settled, applied, untouched + settled), topup, settled
    taxes = percentages(rules, billed, NONE, applied, NONE)
    topup = lacking(rules, billed, applied, taxes, payout if stage == "after payout" else NONE)
    settled = account_due(topup) if account_due else NONE
    return percentages(rules, billed, settled, applied, settled), topup, settled


# ---------------------------------------------------------------- the year's account


def is_settlement(rules, actions):
    """ "the bill on which the yearly reset falls, the last bill before other rules, or that of the closed account"."""
    return rules.get("settlement") == "year" and bool(actions)


def lines_below_zero(account):
    """ "Deferred lines whose sum of the year is below zero count as credit." Returns it."""
    below, account.waiting = max(-account.waiting, NONE), max(account.waiting, NONE)
    account.money.add(account.bills, below)
    return below


def due_of_year(account, rules, topup):
    """What is billed of the year's account, with this bill's top-up.

    "what is left to pay is the column `settled`, less the year's additions to reach the minimum if `minimum_counts`,
    never below zero by that"; "its own addition counts with those of the year".
    """
    due = max(account.waiting - account.money.total(), NONE)
    return max(due - account.topups - topup, NONE) if rules.get("minimum_counts") else due


def paid_of_year(account, rules):
    """What is paid of a surplus of the year's account.

    "What is left of the credits is lost, given, paid (times `payout_share`), or with `payout_price` the year's kWh
    received above those delivered are paid, whether credits are left or not"; "the threshold of "pay if over" is asked
    of what is left of the credits".
    """
    credit, surplus = rules["credit"], max(account.money.total() - account.waiting, NONE)
    paid = credit["at_reset"] == "pay"
    if credit["at_reset"] == "pay if over":
        paid = surplus >= exact(credit["payout_threshold"])
    if not paid:
        return NONE
    if exact(credit.get("payout_price", 0)) > 0:
        return half_up(max(account.net_kwh, NONE) * exact(credit["payout_price"]), 2)
    return half_up(surplus * exact(credit.get("payout_share", 1)), 2)


def close_year(account):
    """ "the credits of the year pay for its deferred lines". Returns those that paid, and those that were left."""
    applied = min(account.money.total(), max(account.waiting, NONE))
    left = account.money.empty() - applied
    account.waiting = account.topups = account.net_kwh = NONE
    return applied, left


# ---------------------------------------------------------------- reset, end, close


def ends(account, rules, period, following, setting):
    """What is to be done with credits after this bill: at its reset, before other rules, when the account closes."""
    credit, actions = rules.get("credit", {}), []
    if is_reset(credit, period, account.first_day, account.bills):
        actions.append(credit.get("at_reset", "forfeit"))
    if following is not None and not goes_on(rules, following):
        actions.append(credit.get("at_end", "keep"))
    if setting.closing and following is None:
        actions.append(credit.get("on_close", "forfeit"))
    return actions


def empty_credits(account, rules, actions):
    """ "Reset with this bill's own surplus; then, on the last bill before other rules or of the account, what is left
    is kept, converted, paid or lost. Payouts are in whole cents".

    Returns kWh lost by bucket, money lost, money made of kWh, payout.
    """
    credit = rules.get("credit", {})
    lost, lost_money, converted, payout = dict.fromkeys(account.banks, NONE), NONE, NONE, NONE
    for action in actions:
        if action == "pay if over":  # "this much or more is paid, kWh or $"
            left = sum((bank.total() for bank in account.banks.values()), NONE) + account.money.total()
            over = left >= exact(credit["payout_threshold"])
            action = "pay" if over else credit.get("below_threshold", "roll")
        if action in ("roll", "keep"):
            continue
        gone, gone_money = {name: bank.empty() for name, bank in account.banks.items()}, account.money.empty()
        lost, lost_money = {name: lost[name] + gone[name] for name in lost}, lost_money + gone_money
        kwh = sum(gone.values(), NONE)
        if action == "pay":
            share = exact(credit.get("payout_share", 1))
            payout += half_up(kwh * exact(credit.get("payout_price", 0)) + gone_money * share, 2)
        if action == "convert":
            converted = half_up(kwh * exact(credit["conversion_price"]), 2)
            account.money.add(account.bills, converted)
    return lost, lost_money, converted, payout


def below_zero(account, rules, due, reset, last):
    """The bill, and what ended of a sum below zero. "Below zero the bill is carried, paid or dropped."

    "`carried_at_reset` says what becomes of what is carried, this bill's sum too, at the reset"; "A sum that rules
    before carried goes on under rules that drop what is below zero, until it is used".
    """
    negative, carried, at_reset = rules.get("negative_bill", "carry"), account.balance, rules.get("carried_at_reset")
    if negative == "floor":  # drops what is below zero of its own; what earlier rules carried goes on until it is used
        due = max(due, NONE)
    bill, account.balance = due - carried, NONE
    if reset and negative == "carry" and at_reset in ("forfeit", "pay"):
        return (bill if at_reset == "pay" else max(bill, NONE)), max(-bill, NONE)
    if negative == "pay" or last:
        return bill, NONE
    account.balance = max(-bill, NONE)
    return max(bill, NONE), NONE


# ---------------------------------------------------------------- the ledger


def is_valid(rules, day):
    """Is a rule set valid on a day?"""
    return as_date(rules.get("valid_from", date.min)) <= day < as_date(rules.get("valid_to", date.max))


def ruling_of(tables, days):
    """ "credit rules are those of the period's first day"; None where none are valid."""
    return [next((rules for rules in tables if is_valid(rules, day)), None) for day in days]


def ledger(periods, ruling, setting):
    """Return a list of dictionaries, a bill each: columns as the documented ledger, in fractions."""
    account, rows = Account(first_day=periods[0].start), []
    for number, (period, rules) in enumerate(zip(periods, ruling)):
        if number == 0 or not goes_on(ruling[number - 1], rules):
            open_rules(account, rules, setting.opening if number == 0 else {})
        following = ruling[number + 1] if number + 1 < len(periods) else None
        rows.append(make_bill(account, period, rules, following, setting))
    return rows


def goes_on(rules, following):
    """Do the same rules follow at other prices? Then nothing ends.

    "where a later one has new prices only, nothing is settled and banks go on"; a set that tells what
    happens `at_end` ends.
    """
    ended = rules.get("credit", {}).get("at_end", "keep") != "keep"
    return rules is following or (not ended and without_prices(rules) == without_prices(following))


def without_prices(rules):
    """A table of rules without its prices, dates and name; which lines are priced by time stays."""
    left = {key: value for key, value in rules.items() if key not in ("valid_from", "valid_to", "name", "minimum_bill")}
    left["charge"] = []
    for line in rules["charge"]:
        kept = {key: value for key, value in line.items() if key not in ("price", "prices", "factor")}
        if "blocks" in line:
            kept["blocks"] = [
                {key: value for key, value in block.items() if key != "price"} for block in line["blocks"]
            ]
        left["charge"].append(kept | {"by time": "prices" in line and goes_by_time(line["prices"])})
    paid = ("payout_price", "payout_share", "payout_threshold", "conversion_price", "at_end")
    earned = ("export_price", "export_share", "export_lines", "export_factor")
    left["credit"] = {key: value for key, value in rules.get("credit", {}).items() if key not in (*paid, *earned)}
    return left


def open_rules(account, rules, opening):
    """Banks for the buckets of rules that begin; what is in them comes along, or from before the first bill."""
    if set(account.banks) != set(bucket_names(rules)):
        account.banks = {name: Lots() for name in bucket_names(rules)}
    for name, amount in opening.items():
        account.banks[name].add(0, half_up(exact(amount), rules.get("kwh_decimals", 3)))
    account.powers.clear()


def make_bill(account, period, rules, following, setting):
    """One bill, in the order of the steps of the rules."""
    account.bills += 1
    row = {"money_bank_open": account.money.total(), "balance_open": account.balance}
    energies = printed_energies(period, rules)
    opened = banks_of(account)
    expired, row["credit_money_expired"] = expire_credits(account, rules.get("credit", {}))
    added, used, billed = use_banks(account, rules, energies)
    into, out = cross(account, rules, billed, period)
    energies["billed"] = billed
    note_powers(account, rules, period)
    costs = plain_lines(rules, period, energies, account, setting)
    row["credit_money_added"] = add_money(account, rules, period, energies, setting)
    row["credit_money_available"], row["credit_money_applied"] = use_money(account, rules, costs)
    lost, taxes = finish(account, rules, period, costs, row, energies, ends(account, rules, period, following, setting))
    carry(account, rules, period, row, setting.closing and following is None)
    row |= {f"line {name}": cost for name, cost in (costs | taxes).items()}
    for kind in KINDS:
        row[kind] = sum((costs[line["line"]] for line in rules["charge"] if kind_of(line) == kind), NONE)
    row |= printed_steps(rules, period, energies, account) | printed_nettings(rules, period)
    row |= by_bucket(
        bank_open=opened, credit_added=added, credit_applied=used, crossed_in=into, crossed_out=out,
        credit_expired=expired, credit_reset=lost, billed_kwh=billed, bank_close=banks_of(account),
        **{f"{flow}_kwh": kwh for flow, kwh in energies.items() if flow not in ("billed", "all")},
    )  # fmt: skip
    if "use" in energies:
        row["generation_kwh"], row["use_kwh"] = energies["all"]["generation"], energies["all"]["use"]
        row["self_consumed_kwh"] = row["generation_kwh"] - row["received_kwh"]
    return row


def banks_of(account):
    """kWh in each bank."""
    return {name: bank.total() for name, bank in account.banks.items()}


def add_money(account, rules, period, energies, setting):
    """The money credit for this bill's exports."""
    if rules.get("credit", {}).get("unit") != "money":
        return NONE
    worth = worth_of_exports(rules, period, energies["export"], setting.folder)
    earned = sum(cents(amount, rules) for amount in worth)
    account.money.add(account.bills, earned)
    return earned


def finish(account, rules, period, costs, row, energies, actions):
    """Reset, minimum, taxes, payout, settlement: from the lines to what is due. Returns (kWh lost by bucket, taxes)."""
    deferred = {name: cost for name, cost in costs.items() if is_deferred(line_of(rules, name), rules)}
    paying = {name: cost for name, cost in costs.items() if name not in deferred}
    by_year = rules.get("settlement") == "year"
    account.waiting += sum(deferred.values())
    account.net_kwh -= sum(energies["net"].values()) if by_year else 0
    lost, converted, account_due, settling = (
        dict.fromkeys(account.banks, NONE),
        NONE,
        None,
        is_settlement(rules, actions),
    )
    if settling:
        below = lines_below_zero(account)
        row |= {key: row[key] + below for key in ("credit_money_added", "credit_money_available")}
        row["payout"] = paid_of_year(account, rules)
        account_due = lambda topup: due_of_year(account, rules, topup)  # noqa: E731
    elif by_year:
        row["payout"] = row["credit_money_reset"] = NONE
    else:
        lost, row["credit_money_reset"], converted, row["payout"] = empty_credits(account, rules, actions)
    applied = row["credit_money_applied"]
    taxes, topup, settled = total(rules, paying, applied, row["payout"], account_due)
    account.topups += topup if by_year else 0
    if settling:
        row["credit_money_applied"], row["credit_money_reset"] = close_year(account)
    sums = sum(paying.values()) + sum(taxes.values()) + topup + settled - applied - row["payout"]
    row |= {
        "due": half_up(sums, 2), "min_bill_topup": topup, "tax": sum(taxes.values(), NONE),
        "money_bank_close": account.money.total(), "credit_money_added": row["credit_money_added"] + converted,
    }  # fmt: skip
    if by_year:
        row |= {"settled": settled, "deferred": sum(deferred.values(), NONE), "deferred_close": account.waiting}
    return lost, taxes


def carry(account, rules, period, row, last):
    """The bill, and what is carried to the next."""
    reset = is_reset(rules.get("credit", {}), period, account.first_day, account.bills)
    row["bill"], ended = below_zero(account, rules, row.pop("due"), reset, last)
    row["balance_close"] = account.balance
    if rules.get("carried_at_reset", "keep") != "keep":
        row["carried_reset"] = ended


def line_of(rules, name):
    """The line with a name."""
    return next(line for line in rules["charge"] if line["line"] == name)


def note_powers(account, rules, period):
    """Keep the values of demand lines."""
    for line in rules["charge"]:
        if line["on"] == "demand":
            account.powers.setdefault(line["line"], []).append(highest_mean(line, period, rules, "delivered"))


def use_money(account, rules, costs):
    """ "Money credits [...] pay for the lines that they may reduce."; `usable`: "a money credit's first bill"."""
    credit = rules.get("credit", {})
    before = account.bills if credit.get("usable") == "next bill" else None
    available = account.money.total(before)
    if rules.get("settlement") == "year":
        return available, NONE
    reducible = sum(costs[line["line"]] for line in rules["charge"] if line["on"] != "percent" and is_offset(line))
    applied = min(available, max(reducible, NONE))
    account.money.take(applied, credit.get("order", "fifo"), before)
    return available, applied


def printed_steps(rules, period, energies, account):
    """The columns of block prices: where each step ends, and how much lies in it."""
    row = {}
    for line in rules["charge"]:
        name, unit, found = line["line"], "kw" if line["on"] == "demand" else "kwh", []
        if "blocks" in line and unit == "kwh":
            found = kwh_steps(line, rules, period, counted_kwh(line, rules, period, energies))
        elif "blocks" in line:
            found = steps(line["blocks"], "up_to_kw", billed_kw(line, account.powers[name]))
        for number, (limit, amount, _) in enumerate(found, 1):
            row |= {f"limit {name} {number}": limit, f"{unit} {name} {number}": amount}
    return row


def printed_nettings(rules, period):
    """The columns of imports and exports by the nettings that lines have of their own."""
    row, usual = {}, rules.get("credit", {}).get("netting", "period")
    for netting in {line["netting"] for line in rules["charge"] if "netting" in line} - {usual}:
        imports, exports = imports_and_exports(period, rules, netting)
        words = netting.replace(" ", "_")
        row |= by_bucket(**{f"import_by_{words}_kwh": imports, f"export_by_{words}_kwh": exports})
    return row


def by_bucket(**columns):
    """Columns of the sums over all buckets, and of each bucket."""
    row = {}
    for key, values in columns.items():
        row[key] = sum(values.values(), NONE)
        row |= {f"{key}_{name}": value for name, value in values.items() if name}
    return row
