"""The rules of a bill as data: one entry per printed line, one table for what happens to surplus energy.

Nothing here computes money; this module declares each key of a tariff once. All numbers become `decimal.Decimal`, so
that 0.115 means exactly 0.115. What each key means stands in the tables of `data/tariffs/README.md`, whose other
columns are printed from the declarations; `tariff_file` reads by them.

Units: $/kWh for lines on energy, $ per month or day for fixed lines, $/kW for ratings and demand, % for taxes.
"$" stands for whatever currency the bill uses.
"""

from dataclasses import dataclass, fields, replace
from datetime import date, timedelta
from decimal import Decimal
from functools import cached_property, lru_cache
from operator import attrgetter

from solarlib.bill.prices import PRICES, Prices
from solarlib.schema import Table, choice, day_of_year, declared, flag, iso_date, kept, listing, number, text, whole

ENERGY = ("delivered", "import", "billed", "received", "export", "use", "generation")  # what a $/kWh line may count
BOUGHT, RETAIL = ("delivered", "import", "billed", "use"), ("delivered", "import", "billed")
SOLD = ("received", "export", "generation")
RESETS = ("reset_month", "reset_date", "reset_anniversary", "reset_bills")  # keys that say when credits are emptied
KINDS = {"month": "fixed", "day": "fixed", "kw": "capacity", "demand": "demand", "percent": "tax"}
KINDS |= dict.fromkeys(SOLD, "production")


def column(quantity, bucket=""):
    """Return the name of a column of periods and bills: ``import_kwh`` for all hours, ``import_kwh_on`` in a bucket."""
    return f"{quantity}_{bucket}" if bucket else quantity


_LINES, _MONTHS = listing(text()), listing(whole(1, 12))
_PER_KWH, _FACTOR = number(0, 1e3, "$/kWh"), number(0, 10)
_NETTING = choice("period", "bucket", "day", "hour", "half hour", "quarter hour", "none")


def _halves(hour):
    return int(hour) if hour % 1 == 0 else float(hour)


_DEMAND = ("on", "demand")  # where some keys belong
_CLOCK = kept("a number from 0 to 24 in steps of 0.5", lambda value: 0 <= value <= 24 and 2 * value % 1 == 0, _halves)


@dataclass(frozen=True)
class Block:
    """One step of a block price: what lies above the previous step and up to its own limit, at `price`."""

    price: Decimal = declared(number(-1e3, 1e3))
    up_to_kwh: Decimal | None = declared(number(0, 1e9, "kWh"), default=None)
    up_to_kw: Decimal | None = declared(number(0, 1e6, "kW"), default=None)

    @property
    def limit(self):
        """Where the step ends, None on the last. [kWh or kW]"""
        return self.up_to_kwh if self.up_to_kw is None else self.up_to_kw


@dataclass(frozen=True)
class Charge:
    """One printed line of the bill.

    `on` says what is counted: ``month``, ``day``; kWh ``delivered`` (register), ``import`` (after netting),
    ``billed`` (after netting and the bank), ``received``, ``export`` (left over after netting), ``use`` (house use),
    ``generation``; ``kw`` (rating), ``demand`` (highest mean imports over `window_minutes`), ``percent`` (of the lines
    named in `of`).
    A credit in money may reduce the line only if `offset`. `months`, `valid_from`, `valid_to` limit the line to
    part of the time; a period that straddles the limit is shared by days.
    """

    line: str = declared(text())
    on: str = declared(choice("month", "day", *ENERGY, "kw", "demand", "percent"))
    price: Decimal | None = declared(number(-1e5, 1e5), default=None)
    blocks: tuple[Block, ...] = declared(Table(Block, many=True), default=())
    blocks_by_days: bool = declared(flag(), default=False, beside="blocks")
    prices: Prices | None = declared(PRICES, default=None)
    factor: Decimal = declared(number(-10, 10), default=Decimal(1), beside="prices")
    netting: str | None = declared(_NETTING, default=None, only=("on", "import", "export"))
    bucket: str | None = declared(text(), default=None)
    months: tuple[int, ...] = declared(_MONTHS, default=())
    valid_from: date | None = declared(iso_date(), default=None)
    valid_to: date | None = declared(iso_date(), default=None)
    offset: bool | None = declared(flag(), default=None)
    prorate: bool = declared(flag(), default=False)
    rating: str = declared(choice("dc", "ac"), default="dc")
    per: str = declared(choice("month", "year", "30 days"), default="month")
    window_minutes: int | None = declared(choice(15, 30, 60), default=None, exactly=("on", "demand"))
    highest: int = declared(whole(1, 100), default=1, only=_DEMAND)
    one_a_day: bool = declared(flag(), default=False, only=_DEMAND)
    over_bills: int = declared(whole(1, 60), default=1, only=_DEMAND)
    least_kw: Decimal | None = declared(number(0, 1e6, "kW"), default=None, only=_DEMAND)
    of: tuple[str, ...] = declared(_LINES, default=(), only=("on", "percent"))
    after_credit: bool = declared(flag(), default=True)

    @cached_property
    def limited(self):
        """Whether the line applies to part of the time only."""
        return bool(self.months or self.valid_from or self.valid_to)

    @cached_property
    def offsettable(self):
        """Whether a money credit may reduce the line; by default only lines on bought energy."""
        return self.on in BOUGHT if self.offset is None else self.offset

    @cached_property
    def kind(self):
        """Ledger column that the line is summed into."""
        return KINDS.get(self.on, "energy" if self.offsettable else "nbc")


@dataclass(frozen=True)
class Bucket:
    """One time-of-use bucket: local clock hours, kind of day and months. No limits at all: everything else."""

    name: str = declared(text(r"[A-Za-z0-9-]+", "letters, digits and hyphens only"))
    hours: tuple[tuple[float, float], ...] = declared(listing(listing(_CLOCK, 2)), default=())
    days: str = declared(choice("all", "weekdays", "weekends"), default="all")
    months: tuple[int, ...] = declared(_MONTHS, default=())

    @property
    def unlimited(self):
        """Whether the bucket takes every hour that no other takes."""
        return not self.hours and self.days == "all" and not self.months


@dataclass(frozen=True)
class Credit:
    """What happens to surplus energy: unit, worth, life, reset and closing."""

    unit: str = declared(choice("kWh", "money", "none"))
    netting: str = declared(_NETTING, default="period")
    export_price: Prices | None = declared(PRICES, default=None, only=("unit", "money"))
    export_factor: Decimal = declared(_FACTOR, default=Decimal(1), only=("unit", "money"))
    export_share: Decimal | None = declared(_FACTOR, default=None, only=("unit", "money"))
    export_lines: tuple[str, ...] = declared(_LINES, default=(), only=("unit", "money"))
    usable: str = declared(choice("same bill", "next bill"), default="same bill", only=("unit", "money"))
    order: str = declared(choice("fifo", "lifo", "pool"), default="fifo")
    life_bills: int | None = declared(whole(1, 600), default=None)
    issuing_bill_counts: bool = declared(flag(), default=False)
    cross_bucket: str = declared(choice("none", "high to low", "by value"), default="none")
    reset_month: int | None = declared(whole(1, 12), default=None)
    reset_date: tuple[int, int] | None = declared(day_of_year(), default=None)
    reset_anniversary: date | None = declared(iso_date(), default=None)
    reset_bills: int | None = declared(whole(1, 600), default=None)
    reset_first_bill: int | None = declared(whole(1, 600), default=None, beside="reset_bills")
    reset_every_years: int = declared(whole(1, 50), default=1)
    at_reset: str | None = declared(choice("forfeit", "donate", "pay", "pay if over", "roll"), default=None)
    payout_price: Decimal | None = declared(_PER_KWH, default=None)
    payout_share: Decimal | None = declared(_FACTOR, default=None, only=("unit", "money"))
    payout_threshold: Decimal | None = declared(number(0, 1e9), default=None, exactly=("at_reset", "pay if over"))
    below_threshold: str = declared(choice("roll", "forfeit"), default="roll")
    on_close: str = declared(choice("forfeit", "pay", "transfer"), default="forfeit")
    at_end: str = declared(choice("keep", "convert", "forfeit", "pay"), default="keep")
    conversion_price: Decimal | None = declared(_PER_KWH, default=None, exactly=("at_end", "convert"))
    export_limit_kw: Decimal | None = declared(number(0, 1e6, "kW"), default=None)

    @property
    def worth(self):
        """Names of the keys that say what a money credit is worth, as far as given."""
        names = ("export_price", "export_share", "export_lines")
        return [name for name in names if getattr(self, name) not in (None, ())]

    @property
    def resets(self):
        """Names of the keys that say when the credits are emptied, as far as given."""
        return [name for name in RESETS if getattr(self, name)]

    @property
    def bills_a_credit_lives(self):
        """Number of bills after the issuing bill on which a credit may still be used; None for no limit."""
        return None if self.life_bills is None else self.life_bills - self.issuing_bill_counts

    @cached_property
    def reset_anchor(self):
        """(month, day) that a yearly reset's bill contains: the first of `reset_month`, `reset_date`, or the day
        before the anniversary; None without a yearly reset."""
        if self.reset_month:
            return self.reset_month, 1
        if self.reset_anniversary:
            day = self.reset_anniversary - timedelta(days=1)
            return day.month, min(day.day, 28) if day.month == 2 else day.day
        return self.reset_date

    def with_reset(self, month, action):
        """Return the credit with its yearly reset after this month's bill, 1 to 12, or with none for (None, None)."""
        cleared = dict.fromkeys(self.resets) | {"reset_first_bill": None, "reset_every_years": 1}
        return replace(self, **cleared | {"reset_month": month, "at_reset": action if month else None})


@dataclass(frozen=True)
class Tariff:
    """One complete set of rules, valid for periods that start from `valid_from` to before `valid_to`."""

    name: str = declared(text())
    charges: tuple[Charge, ...] = declared(Table(Charge, many=True), key="charge")
    credit: Credit = declared(Table(Credit), default=Credit("none"))
    buckets: tuple[Bucket, ...] = declared(Table(Bucket, many=True), default=(), key="bucket")
    holidays: tuple[date, ...] = declared(listing(iso_date()), default=())
    minimum_bill: Decimal | None = declared(number(0, 1e5, "$"), default=None)
    minimum_of: tuple[str, ...] = declared(_LINES, default=(), beside="minimum_bill")
    minimum_stage: str = declared(choice("before tax", "after tax", "after payout"), default="before tax")
    negative_bill: str = declared(choice("carry", "pay", "floor"), default="carry")
    carried_at_reset: str = declared(choice("keep", "forfeit", "pay"), default="keep", only=("negative_bill", "carry"))
    settlement: str = declared(choice("bill", "year"), default="bill")
    minimum_counts: bool = declared(flag(), default=False, only=("settlement", "year"))
    round_stage: str = declared(choice("line", "total"), default="line")
    kwh_decimals: int = declared(whole(0, 6), default=3)
    months_per_bill: int = declared(choice(1, 2, 3, 4, 6, 12), default=1)
    valid_from: date | None = declared(iso_date(), default=None)
    valid_to: date | None = declared(iso_date(), default=None)
    size_cap_kw: Decimal | None = declared(number(0, 1e6, "kW"), default=None)
    size_cap_rating: str = declared(choice("dc", "ac"), default="ac")
    size_cap_share_of_use: Decimal | None = declared(_FACTOR, default=None)
    meant: tuple[str, ...] = declared(_LINES, default=())
    note: str = declared(text(), default="")

    @cached_property
    def bucket_names(self):
        """Names of the time-of-use buckets; one empty name stands for "all hours" when there are none."""
        return tuple(bucket.name for bucket in self.buckets) or ("",)

    @cached_property
    def every_bucket(self):
        """The empty name, for all hours, and the names of the buckets."""
        return ("", *(bucket.name for bucket in self.buckets))

    @cached_property
    def amounts(self):
        """The charges that are no percentage."""
        return tuple(charge for charge in self.charges if charge.on != "percent")

    @cached_property
    def percentages(self):
        """The charges that are a percentage of others."""
        return tuple(charge for charge in self.charges if charge.on == "percent")

    @cached_property
    def deferred(self):
        """Names of the lines that wait for the settlement of the year."""
        return tuple(charge.line for charge in self.amounts if self.settlement == "year" and charge.offsettable)

    @cached_property
    def nettings(self):
        """Over what time energy is netted, by what that adds to names of columns: nothing if it is the credit's."""
        own = {charge.netting for charge in self.charges} - {None, self.credit.netting}
        return {"": self.credit.netting} | {f"_by_{netting.replace(' ', '_')}": netting for netting in sorted(own)}

    @cached_property
    def counted(self):
        """What each line counts: (quantity, bucket), or ("demand" or "value", line) where that is of its own."""
        return {charge.line: self._counted(charge) for charge in self.charges}

    def _counted(self, charge):
        if charge.on == "demand" or charge.prices and charge.prices.by_interval:
            return "demand" if charge.on == "demand" else "value", charge.line
        return self.netted(charge), charge.bucket or ""

    def netted(self, charge):
        """Return the name of the energy that a line counts; with a netting of its own, its name says so."""
        prefix = next(prefix for prefix, netting in self.nettings.items() if charge.netting in (None, netting))
        return f"{charge.on}{prefix}"

    def demand_column(self, charge):
        """Return the name of the column that holds the demand of a line: short where all lines ask the same."""
        rules = {(one.window_minutes, one.highest, one.one_a_day) for one in self.charges if one.on == "demand"}
        if len(rules) == 1:
            return "demand_kw"
        most = f"_highest_{charge.highest}" if charge.highest > 1 else ""
        return f"demand_{charge.window_minutes}min{most}{'_a_day' if charge.one_a_day else ''}_kw"

    def goes_on_as(self, other):
        """Tell whether rules that follow are these with other prices: banks, accounts and demands then go on."""
        if self is other or self.credit.at_end != "keep" or len(self.charges) != len(other.charges):
            return self is other
        return (
            _alike(self, other, _DATED)
            and _alike(self.credit, other.credit, _PAID)
            and all(_alike(*both, _PRICED) and _same_steps(*both) for both in zip(self.charges, other.charges))
        )

    def holds_on(self, day):
        """Tell whether a period that starts on a day is billed by these rules."""
        return (self.valid_from or date.min) <= day < (self.valid_to or date.max)

    def charge(self, line):
        """Return the charge with this line name."""
        return next(charge for charge in self.charges if charge.line == line)


_DATED = ("name", "note", "meant", "charges", "credit", "minimum_bill", "valid_from", "valid_to")
_PAID = ("export_price", "export_share", "export_lines", "export_factor", "at_end", "conversion_price",
         "payout_price", "payout_share", "payout_threshold")  # fmt: skip
_PRICED = ("price", "prices", "factor", "blocks")


def _alike(one, other, but):
    rest = _rest(type(one), but)
    return rest(one) == rest(other)


@lru_cache
def _rest(kind, but):
    return attrgetter(*[item.name for item in fields(kind) if item.name not in but])


def _same_steps(one, other):
    """Tell whether two lines count alike: with the same steps, and both or none by the hour."""
    by_hour = [bool(line.prices and line.prices.by_interval) for line in (one, other)]
    return by_hour[0] == by_hour[1] and [b.limit for b in one.blocks] == [b.limit for b in other.blocks]
