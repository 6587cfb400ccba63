"""The rules of a bill as data: one entry per printed line, one table for what happens to surplus energy.

A tariff is a TOML table that a person can fill in from a bill and its tariff sheet. Nothing here computes money;
this module reads the table, refuses what is wrong or contradictory (naming every such field and what is allowed),
and returns frozen values. All numbers become `decimal.Decimal`, so that 0.115 means exactly 0.115.

Units: $/kWh for lines on energy, $ per month or day for fixed lines, $/kW for ratings and demand, % for taxes.
"$" stands for whatever currency the bill uses.
"""

import tomllib
from dataclasses import dataclass, fields
from datetime import date, timedelta
from decimal import Decimal
from pathlib import Path

from solarlib.quantities import InputError
from solarlib.tariff_fields import (
    Problems, choice, day_of_year, flag, iso_date, listing, number, prices, text, whole,
)

TARIFF_FOLDER = Path(__file__).parents[1] / "data" / "tariffs"
ENERGY = ("delivered", "import", "billed", "received", "use", "generation")  # what a $/kWh line may count
ONS = ("month", "day", *ENERGY, "kw", "demand", "percent")


@dataclass(frozen=True)
class Block:
    """One step of a block price: the kWh above the previous step and up to `up_to_kwh`, at `price` $/kWh."""

    price: Decimal
    up_to_kwh: Decimal | None = None


@dataclass(frozen=True)
class Charge:
    """One printed line of the bill.

    `on` says what is counted: ``month``, ``day``; kWh ``delivered`` (register), ``import`` (after netting),
    ``billed`` (after netting and the bank), ``received``, ``use`` (house use), ``generation``; ``kw`` (rating),
    ``demand`` (highest mean import over `window_minutes`), ``percent`` (of the lines named in `of`).
    A credit in money may reduce the line only if `offset`. `months`, `valid_from`, `valid_to` limit the line to
    part of the time; a period that straddles the limit is shared by days.
    """

    line: str
    on: str
    price: Decimal | None = None
    blocks: tuple[Block, ...] = ()
    blocks_by_days: bool = False
    bucket: str | None = None
    months: tuple[int, ...] = ()
    valid_from: date | None = None
    valid_to: date | None = None
    offset: bool | None = None
    prorate: bool = False
    rating: str = "dc"
    per: str = "month"
    window_minutes: int | None = None
    of: tuple[str, ...] = ()
    after_credit: bool = True


@dataclass(frozen=True)
class Bucket:
    """One time-of-use bucket: local clock hours, kind of day and months. No limits at all: everything else."""

    name: str
    hours: tuple[tuple[int, int], ...] = ()
    days: str = "all"
    months: tuple[int, ...] = ()


@dataclass(frozen=True)
class Credit:
    """What happens to surplus energy: unit, worth, life, reset and closing. See `data/tariffs/README.md`."""

    unit: str = "none"
    netting: str = "period"
    export_price: object = None
    export_factor: Decimal = Decimal(1)
    export_share: Decimal | None = None
    export_lines: tuple[str, ...] = ()
    usable: str = "same bill"
    order: str = "fifo"
    life_bills: int | None = None
    issuing_bill_counts: bool = False
    cross_bucket: str = "none"
    reset_month: int | None = None
    reset_date: tuple[int, int] | None = None
    reset_anniversary: date | None = None
    reset_bills: int | None = None
    reset_first_bill: int | None = None
    reset_every_years: int = 1
    at_reset: str | None = None
    payout_price: Decimal | None = None
    payout_share: Decimal | None = None
    payout_threshold: Decimal | None = None
    below_threshold: str = "roll"
    on_close: str = "forfeit"
    at_end: str = "keep"
    conversion_price: Decimal | None = None
    export_limit_kw: Decimal | None = None

    @property
    def bills_a_credit_lives(self):
        """Number of bills after the issuing bill on which a credit may still be used; None for no limit."""
        return None if self.life_bills is None else self.life_bills - self.issuing_bill_counts

    @property
    def reset_anchor(self):
        """(month, day) that a yearly reset's bill contains: the first of `reset_month`, `reset_date`, or the day
        before the anniversary; None without a yearly reset."""
        if self.reset_month:
            return self.reset_month, 1
        if self.reset_anniversary:
            day = self.reset_anniversary - timedelta(days=1)
            return day.month, min(day.day, 28) if day.month == 2 else day.day
        return self.reset_date


@dataclass(frozen=True)
class Tariff:
    """One complete set of rules, valid for periods that start from `valid_from` to before `valid_to`."""

    name: str
    charges: tuple[Charge, ...]
    credit: Credit = Credit()
    buckets: tuple[Bucket, ...] = ()
    holidays: tuple[date, ...] = ()
    minimum_bill: Decimal | None = None
    minimum_of: tuple[str, ...] = ()
    minimum_stage: str = "before tax"
    negative_bill: str = "carry"
    round_stage: str = "line"
    kwh_decimals: int = 3
    months_per_bill: int = 1
    valid_from: date | None = None
    valid_to: date | None = None
    size_cap_kw: Decimal | None = None
    size_cap_rating: str = "ac"
    size_cap_share_of_use: Decimal | None = None
    note: str = ""

    @property
    def bucket_names(self):
        """Names of the time-of-use buckets; one empty name stands for "all hours" when there are none."""
        return tuple(bucket.name for bucket in self.buckets) or ("",)

    def charge(self, line):
        """Return the charge with this line name."""
        return next(charge for charge in self.charges if charge.line == line)


_BLOCK = {"up_to_kwh": number(0, 1e9, "kWh"), "price": number(-1e3, 1e3, "$/kWh")}
_CHARGE = {
    "line": text(), "on": choice(*ONS), "price": number(-1e5, 1e5), "blocks": None, "blocks_by_days": flag(),
    "bucket": text(), "months": listing(whole(1, 12)), "valid_from": iso_date(), "valid_to": iso_date(),
    "offset": flag(), "prorate": flag(), "rating": choice("dc", "ac"), "per": choice("month", "year", "30 days"),
    "window_minutes": choice(15, 30, 60), "of": listing(text()), "after_credit": flag(),
}
_BUCKET = {
    "name": text(r"[A-Za-z0-9-]+"), "hours": listing(listing(whole(0, 24), 2)),
    "days": choice("all", "weekdays", "weekends"), "months": listing(whole(1, 12)),
}
_CREDIT = {
    "unit": choice("kWh", "money", "none"),
    "netting": choice("period", "bucket", "day", "hour", "quarter hour", "none"),
    "export_price": prices(), "export_factor": number(0, 10), "export_share": number(0, 10),
    "export_lines": listing(text()), "usable": choice("same bill", "next bill"),
    "order": choice("fifo", "lifo", "pool"), "life_bills": whole(1, 600), "issuing_bill_counts": flag(),
    "cross_bucket": choice("none", "high to low", "by value"), "reset_month": whole(1, 12),
    "reset_date": day_of_year(), "reset_anniversary": iso_date(), "reset_bills": whole(1, 600),
    "reset_first_bill": whole(1, 600), "reset_every_years": whole(1, 50),
    "at_reset": choice("forfeit", "donate", "pay", "pay if over", "roll"),
    "payout_price": number(0, 1e3, "$/kWh"), "payout_share": number(0, 10), "payout_threshold": number(0, 1e9),
    "below_threshold": choice("roll", "forfeit"), "on_close": choice("forfeit", "pay", "transfer"),
    "at_end": choice("keep", "convert", "forfeit", "pay"), "conversion_price": number(0, 1e3, "$/kWh"),
    "export_limit_kw": number(0, 1e6, "kW"),
}
_TARIFF = {
    "name": text(), "note": text(), "charge": None, "credit": None, "bucket": None, "holidays": listing(iso_date()),
    "minimum_bill": number(0, 1e5, "$"), "minimum_of": listing(text()),
    "minimum_stage": choice("before tax", "after tax", "after payout"),
    "negative_bill": choice("carry", "pay", "floor"), "round_stage": choice("line", "total"),
    "kwh_decimals": whole(0, 6), "months_per_bill": whole(1, 12), "valid_from": iso_date(), "valid_to": iso_date(),
    "size_cap_kw": number(0, 1e6, "kW"), "size_cap_rating": choice("dc", "ac"),
    "size_cap_share_of_use": number(0, 10),
}


def read_tariff(source):
    """Read a tariff from a TOML file, a shipped file's bare name, or a table.

    Parameters
    ----------
    source : path, str or dict
        ``"kwh-bank-march"`` means ``data/tariffs/kwh-bank-march.toml``.

    Returns
    -------
    Tariff

    Raises
    ------
    InputError
        One line that names the file, each wrong or contradictory field, what was found and what is allowed.
    """
    if isinstance(source, dict):
        return tariff_from_table(source)
    path = Path(source)
    if path.suffix != ".toml":
        path = TARIFF_FOLDER / f"{path}.toml"
    if not path.is_file():
        shipped = ", ".join(sorted(file.stem for file in TARIFF_FOLDER.glob("*.toml")))
        raise InputError(f"tariff file {source}: not found, allowed is a path to a .toml file or one of {shipped}")
    try:
        with path.open("rb") as file:
            table = tomllib.load(file, parse_float=Decimal)
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise InputError(f"{path.name}: found text that is not TOML ({error}), allowed is a TOML table") from None
    if set(table) != {"tariff"}:
        raise InputError(f"{path.name}: found the keys {', '.join(table) or 'none'}, allowed is one table [tariff]")
    return tariff_from_table(table["tariff"], f"{path.name}: tariff")


def tariff_from_table(table, where="tariff"):
    """Return the tariff that a table describes, e.g. the ``[tariff]`` table of a house file.

    Parameters
    ----------
    table : dict
        Keys as in `data/tariffs/README.md`; or the single key ``file`` naming a shipped tariff.
    where : str
        Opens each message, e.g. ``"cabin.toml: tariff"``.

    Raises
    ------
    InputError
        Names each wrong or contradictory field and what is allowed.
    """
    if isinstance(table, dict) and set(table) == {"file"}:
        return read_tariff(table["file"])
    problems = Problems(where)
    values = problems.read(table, _TARIFF, "", ("name", "charge"))
    charges = tuple(
        _charge(row, f"charge[{i}]", problems) for i, row in enumerate(problems.rows(values.pop("charge", []), "charge"))
    )
    buckets = tuple(
        Bucket(**{"name": "?", **problems.read(row, _BUCKET, f"bucket[{i}]", ("name",))})
        for i, row in enumerate(problems.rows(values.pop("bucket", []), "bucket"))
    )
    credit = Credit(**problems.read(values.pop("credit", {}), _CREDIT, "credit", ("unit",)))
    problems.stop()
    tariff = Tariff(charges=charges, buckets=buckets, credit=credit, **values)
    for key, found, allowed in contradictions(tariff):
        problems.add(key, found, allowed)
    problems.stop()
    return tariff


def _charge(row, key, problems):
    values = problems.read(row, _CHARGE, key, ("line", "on"))
    blocks = tuple(
        Block(**{"price": Decimal(0), **problems.read(block, _BLOCK, f"{key}.blocks[{i}]", ("price",))})
        for i, block in enumerate(problems.rows(values.pop("blocks", []), f"{key}.blocks"))
    )
    return Charge(**{"line": "?", "on": "month", **values}, blocks=blocks)


def contradictions(tariff):
    """Yield (field, what was found, what is allowed) for every rule that contradicts another.

    A tariff made in code rather than read from a table can be checked with `checked`.
    """
    lines = [charge.line for charge in tariff.charges]
    for i, charge in enumerate(tariff.charges):
        for key, found, allowed in _charge_contradictions(charge, tariff, lines):
            yield f"charge[{i}].{key} (line {charge.line!r})", found, allowed
    if not lines:
        yield "charge", "no line", "at least one bill line"
    for line in tariff.minimum_of:
        if line not in lines:
            yield "minimum_of", repr(line), f"names of lines: {', '.join(lines)}"
    if tariff.minimum_of and tariff.minimum_bill is None:
        yield "minimum_of", "no minimum_bill", "minimum_of only together with minimum_bill"
    if tariff.valid_from and tariff.valid_to and tariff.valid_from >= tariff.valid_to:
        yield "valid_to", str(tariff.valid_to), f"a date after valid_from, {tariff.valid_from}"
    yield from _bucket_contradictions(tariff)
    for key, found, allowed in _credit_contradictions(tariff.credit, tariff):
        yield f"credit.{key}", found, allowed


def _charge_contradictions(charge, tariff, lines):
    if lines.count(charge.line) > 1:
        yield "line", "the same name twice", "one name per line"
    if (charge.price is None) == (not charge.blocks):
        yield "price", "both price and blocks" if charge.blocks else "neither price nor blocks", "exactly one of the two"
    if charge.blocks:
        limits = [block.up_to_kwh for block in charge.blocks]
        if charge.on not in ENERGY:
            yield "blocks", f"on = {charge.on!r}", f"blocks only on {', '.join(ENERGY)}"
        if limits[-1] is not None or None in limits[:-1] or any(a >= b for a, b in zip(limits[:-1], limits[1:-1])):
            yield "blocks", "limits " + ", ".join(map(str, limits)), "up_to_kwh rising, and none on the last block"
    elif charge.blocks_by_days:
        yield "blocks_by_days", "no blocks", "blocks_by_days only with blocks"
    if charge.bucket is not None:
        if charge.bucket not in tariff.bucket_names:
            yield "bucket", repr(charge.bucket), "a bucket named in [[bucket]]"
        if charge.on not in (*ENERGY, "demand"):
            yield "bucket", f"on = {charge.on!r}", "a bucket only on energy or demand"
    if (charge.on == "demand") != (charge.window_minutes is not None):
        yield "window_minutes", str(charge.window_minutes), "given exactly when on = 'demand'"
    if charge.on == "percent":
        if charge.price is not None and not -100 <= charge.price <= 100:
            yield "price", str(charge.price), "a percentage from -100 to 100"
        if charge.of and charge.after_credit and tariff.credit.unit == "money":
            yield "of", "after_credit = true", "after_credit = false when the taxed lines are named one by one"
        if charge.offset:
            yield "offset", "true on a percentage", "false: a tax on the bill after credit uses after_credit"
        if charge.months or charge.valid_from or charge.valid_to:
            yield "months", "a limit in time on a percentage", "a sequence of tariffs with valid_from"
    elif charge.of:
        yield "of", f"on = {charge.on!r}", "of only with on = 'percent'"
    taxable = [other.line for other in tariff.charges if other.on != "percent"]
    for line in charge.of:
        if line not in taxable:
            yield "of", repr(line), f"lines that are no percentage: {', '.join(taxable)}"
    if charge.valid_from and charge.valid_to and charge.valid_from >= charge.valid_to:
        yield "valid_to", str(charge.valid_to), f"a date after valid_from, {charge.valid_from}"
    if charge.prorate and charge.on not in ("month", "kw"):
        yield "prorate", f"on = {charge.on!r}", "prorate only on month or kw"
    if charge.on == "use" and tariff.credit.unit != "none":
        yield "on", "'use' with a credit", "credit.unit = 'none': house use already contains what was generated"


def _bucket_contradictions(tariff):
    if tariff.buckets:
        names = [bucket.name for bucket in tariff.buckets]
        rest = [not bucket.hours and bucket.days == "all" and not bucket.months for bucket in tariff.buckets]
        if len(set(names)) < len(names):
            yield "bucket", ", ".join(names), "one name per bucket"
        if rest != [False] * (len(rest) - 1) + [True]:
            yield "bucket", "no or several buckets without limits", "the last, and only the last, takes every other hour"
        for bucket in tariff.buckets:
            if any(start >= end for start, end in bucket.hours):
                yield f"bucket {bucket.name!r}.hours", str(bucket.hours), "pairs [from, to] with from < to, in hours 0 to 24"
        if tariff.credit.netting == "period":
            yield "credit.netting", "'period' with buckets", "bucket, day, hour, quarter hour or none"
    elif tariff.credit.netting == "bucket":
        yield "credit.netting", "'bucket' without buckets", "at least one [[bucket]]"
    elif tariff.credit.cross_bucket != "none":
        yield "credit.cross_bucket", "no buckets", "none"


def _credit_contradictions(credit, tariff):
    worth = [key for key in ("export_price", "export_share", "export_lines") if getattr(credit, key) not in (None, ())]
    resets = [key for key in ("reset_month", "reset_date", "reset_anniversary", "reset_bills") if getattr(credit, key)]
    given = {field.name for field in fields(credit) if getattr(credit, field.name) != field.default}
    if credit.unit == "money" and len(worth) != 1:
        yield "export_price", ", ".join(worth) or "no worth", "exactly one of export_price, export_share, export_lines"
    if credit.unit != "money":
        for key in sorted(given & {"export_price", "export_share", "export_lines", "export_factor", "payout_share", "usable"}):
            yield key, f"unit = {credit.unit!r}", f"{key} only with unit = 'money'"
    if credit.unit == "none":
        for key in sorted(given & {"life_bills", "order", "cross_bucket", "at_reset", "payout_price", *resets}):
            yield key, "unit = 'none'", f"{key} only with a credit"
    if len(resets) > 1:
        yield "reset_month", ", ".join(resets), "only one of these"
    if bool(resets) != (credit.at_reset is not None) and credit.unit != "none":
        yield "at_reset", "given" if credit.at_reset else "missing", "given exactly when there is a reset rule"
    if credit.reset_first_bill and not credit.reset_bills:
        yield "reset_first_bill", "no reset_bills", "only together with reset_bills"
    if credit.reset_every_years > 1 and not ({"reset_month", "reset_date", "reset_anniversary"} & set(resets)):
        yield "reset_every_years", "no yearly reset", "only with reset_month, reset_date or reset_anniversary"
    pays = credit.at_reset in ("pay", "pay if over") or "pay" in (credit.on_close, credit.at_end)
    if credit.unit == "kWh" and pays != (credit.payout_price is not None):
        yield "payout_price", str(credit.payout_price), "given exactly when something is paid out (at_reset, on_close, at_end)"
    if credit.unit == "money" and credit.payout_price is not None:
        yield "payout_price", str(credit.payout_price), "payout_share with unit = 'money'"
    if credit.payout_share is not None and not pays:
        yield "payout_share", str(credit.payout_share), "only when something is paid out (at_reset, on_close, at_end)"
    if (credit.at_reset == "pay if over") != (credit.payout_threshold is not None):
        yield "payout_threshold", str(credit.payout_threshold), "given exactly when at_reset = 'pay if over'"
    if credit.issuing_bill_counts and (credit.life_bills or 1) < 2:
        yield "issuing_bill_counts", f"life_bills = {credit.life_bills}", "life_bills of 2 or more, else no bill could use the credit"
    if (credit.at_end == "convert") != (credit.conversion_price is not None):
        yield "conversion_price", str(credit.conversion_price), "given exactly when at_end = 'convert'"
    if credit.at_end == "convert" and credit.unit != "kWh":
        yield "at_end", f"'convert' with unit = {credit.unit!r}", "convert only from kWh to money"
    if credit.cross_bucket != "none" and credit.unit != "kWh":
        yield "cross_bucket", f"unit = {credit.unit!r}", "none: money crosses buckets by itself"
    billed = [charge for charge in tariff.charges if charge.on == "billed"]
    if credit.unit == "kWh" and not billed:
        yield "unit", "'kWh' but no line on = 'billed'", "at least one line that a kWh credit can reduce"
    if credit.cross_bucket != "none" and any(charge.blocks for charge in billed):
        yield "cross_bucket", "block prices", "none: with blocks no bucket has one price"
    if credit.export_share is not None and any(c.blocks for c in tariff.charges if c.on in ("import", "billed", "delivered")):
        yield "export_share", "block prices", "export_price or export_lines: with blocks there is no single retail price"
    priced = [charge.line for charge in tariff.charges if charge.on in ("import", "billed", "delivered") and not charge.blocks]
    for line in credit.export_lines:
        if line not in priced:
            yield "export_lines", repr(line), f"lines with one price per kWh: {', '.join(priced) or 'there are none'}"
    if isinstance(credit.export_price, dict) and set(credit.export_price) != {b.name for b in tariff.buckets}:
        yield "export_price", f"buckets {', '.join(credit.export_price)}", f"one price for each of {', '.join(tariff.bucket_names)}"
    if isinstance(credit.export_price, tuple) and isinstance(credit.export_price[0], tuple):
        if credit.netting not in ("hour", "quarter hour", "none"):
            yield "export_price", f"an hourly table with netting = {credit.netting!r}", "netting by hour, quarter hour or none"


def checked(tariff):
    """Return `tariff` itself, or raise an InputError naming every contradiction in it."""
    problems = Problems("tariff")
    for key, found, allowed in contradictions(tariff):
        problems.add(key, found, allowed)
    problems.stop()
    return tariff
