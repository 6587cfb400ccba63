"""The rules of a bill as data: one entry per printed line, one table for what happens to surplus energy.

A tariff is a TOML table that a person can fill in from a bill and its tariff sheet. Nothing here computes money;
this module reads the table, refuses what is wrong or contradictory (naming every such field and what is allowed),
and returns frozen values. All numbers become `decimal.Decimal`, so that 0.115 means exactly 0.115.

Units: $/kWh for lines on energy, $ per month or day for fixed lines, $/kW for ratings and demand, % for taxes.
"$" stands for whatever currency the bill uses.
"""

import tomllib
from dataclasses import dataclass
from datetime import date, timedelta
from decimal import Decimal
from functools import cached_property
from pathlib import Path

from solarlib.bill.contradictions import contradictions
from solarlib.bill.export_price import ExportPrice, export_price
from solarlib.quantities import InputError
from solarlib.schema import BLOCK_FIELDS, BUCKET_FIELDS, CHARGE_FIELDS, CREDIT_FIELDS, TARIFF_FIELDS, Problems

TARIFF_FOLDER = Path(__file__).resolve().parents[2] / "data" / "tariffs"
KINDS = {
    "month": "fixed",
    "day": "fixed",
    "kw": "capacity",
    "demand": "demand",
    "percent": "tax",
    "generation": "production",
    "received": "production",
}


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

    @cached_property
    def key(self):
        """(what is counted, bucket); the empty bucket name means all hours."""
        return self.on, self.bucket or ""

    @cached_property
    def limited(self):
        """Whether the line applies to part of the time only."""
        return bool(self.months or self.valid_from or self.valid_to)

    @cached_property
    def offsettable(self):
        """Whether a money credit may reduce the line; by default only lines on bought energy."""
        return self.on in ("delivered", "import", "billed", "use") if self.offset is None else self.offset

    @cached_property
    def kind(self):
        """Ledger column that the line is summed into."""
        return KINDS.get(self.on, "energy" if self.offsettable else "nbc")


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
    export_price: ExportPrice | None = None
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

    @cached_property
    def bucket_names(self):
        """Names of the time-of-use buckets; one empty name stands for "all hours" when there are none."""
        return tuple(bucket.name for bucket in self.buckets) or ("",)

    @cached_property
    def amounts(self):
        """The charges that are no percentage."""
        return tuple(charge for charge in self.charges if charge.on != "percent")

    @cached_property
    def percentages(self):
        """The charges that are a percentage of others."""
        return tuple(charge for charge in self.charges if charge.on == "percent")

    def charge(self, line):
        """Return the charge with this line name."""
        return next(charge for charge in self.charges if charge.line == line)


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
    if isinstance(table, dict) and "file" in table:
        if len(table) > 1 or not isinstance(table["file"], str):
            raise InputError(
                f"{where}.file: found {table['file']!r} with {len(table) - 1} other key(s), "
                "allowed is the name of a shipped tariff as the only key"
            )
        return read_tariff(table["file"])
    problems = Problems(where)
    values = problems.read(table, TARIFF_FIELDS, "", ("name", "charge"))
    charges = tuple(
        _charge(row, f"charge[{i}]", problems)
        for i, row in enumerate(problems.rows(values.pop("charge", []), "charge"))
    )
    buckets = tuple(
        Bucket(**{"name": "?", **problems.read(row, BUCKET_FIELDS, f"bucket[{i}]", ("name",))})
        for i, row in enumerate(problems.rows(values.pop("bucket", []), "bucket"))
    )
    fields = CREDIT_FIELDS | {"export_price": export_price}
    credit = Credit(**problems.read(values.pop("credit", {}), fields, "credit", ("unit",)))
    problems.stop()
    return _without_contradictions(Tariff(charges=charges, buckets=buckets, credit=credit, **values), problems)


def _charge(row, key, problems):
    values = problems.read(row, CHARGE_FIELDS, key, ("line", "on"))
    blocks = tuple(
        Block(**{"price": Decimal(0), **problems.read(block, BLOCK_FIELDS, f"{key}.blocks[{i}]", ("price",))})
        for i, block in enumerate(problems.rows(values.pop("blocks", []), f"{key}.blocks"))
    )
    return Charge(**{"line": "?", "on": "month", **values}, blocks=blocks)


def checked(tariff):
    """Return `tariff` itself, or raise an InputError naming every contradiction in it."""
    return _without_contradictions(tariff, Problems("tariff"))


def _without_contradictions(tariff, problems):
    for key, found, allowed in contradictions(tariff):
        problems.add(key, found, allowed)
    problems.stop()
    return tariff
