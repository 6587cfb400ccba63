"""The fields of a table that a person wrote: each reader returns the value or says what is allowed.

`Problems` collects every wrong field before it stops, so that a person corrects a file once, not field by field.
"""

import math
import re
from datetime import date, datetime
from decimal import Decimal

from solarlib.quantities import InputError


class Refused(Exception):
    """A value cannot be used; the text says what is allowed."""


class Problems:
    """The wrong fields of one table, in the order in which they were found."""

    def __init__(self, where):
        self.where = where
        self.found = []

    def add(self, key, found, allowed):
        """Note one wrong field."""
        self.found.append(f"{key}: found {found}, allowed is {allowed}")

    def stop(self):
        """Raise an InputError naming all fields noted so far, in one line; do nothing if there are none."""
        if self.found:
            raise InputError(f"{self.where}: " + "; ".join(self.found))

    def rows(self, value, key):
        """Return a list of tables; note anything else and return an empty list."""
        if isinstance(value, list) and all(isinstance(row, dict) for row in value):
            return value
        self.add(key, repr(value), f"a list of tables, written [[{key}]]")
        return []

    def read(self, table, schema, key, needed=()):
        """Return the values of one table by its schema (key -> reader; None keeps the value for later)."""
        prefix = f"{key}." if key else ""
        if not isinstance(table, dict):
            self.add(key or "table", repr(table), "a table")
            return {}
        values = {}
        for name, value in table.items():
            if name not in schema:
                self.add(f"{prefix}{name}", "an unknown key", f"one of {', '.join(schema)}")
                continue
            try:
                values[name] = value if schema[name] is None else schema[name](value)
            except Refused as refused:
                self.add(f"{prefix}{name}", repr(str(value) if isinstance(value, Decimal) else value), str(refused))
        for name in needed:
            if name not in table:
                self.add(f"{prefix}{name}", "nothing", "a value: this key is needed")
        return values


def number(low, high, unit=""):
    """Reader of a number from `low` to `high`, as an exact Decimal."""

    def read(value):
        fine = isinstance(value, (int, float, Decimal)) and not isinstance(value, bool) and math.isfinite(value)
        if not fine or not low <= value <= high:
            raise Refused(f"a number from {low:g} to {high:g} {unit}".rstrip())
        return Decimal(str(value))

    return read


def whole(low, high):
    """Reader of a whole number from `low` to `high`."""

    def read(value):
        if isinstance(value, bool) or not isinstance(value, int) or not low <= value <= high:
            raise Refused(f"a whole number from {low} to {high}")
        return value

    return read


def text(pattern=r".*\S.*"):
    """Reader of a text that matches `pattern` as a whole."""

    def read(value):
        if not isinstance(value, str) or not re.fullmatch(pattern, value, re.DOTALL):
            raise Refused("a text that is not empty" if pattern == r".*\S.*" else "letters, digits and hyphens only")
        return value

    return read


def choice(*options):
    """Reader of one of several fixed values."""

    def read(value):
        if isinstance(value, bool) or value not in options:
            raise Refused("one of " + ", ".join(map(str, options)))
        return value

    return read


def flag():
    """Reader of true or false."""

    def read(value):
        if not isinstance(value, bool):
            raise Refused("true or false")
        return value

    return read


def iso_date():
    """Reader of a date, as a TOML date or a text YYYY-MM-DD."""

    def read(value):
        if isinstance(value, str):
            try:
                return date.fromisoformat(value)
            except ValueError:
                value = None
        if not isinstance(value, date) or isinstance(value, datetime):
            raise Refused("a date like 2026-03-31")
        return value

    return read


def day_of_year():
    """Reader of a day that returns every year, as text MM-DD; 29 February is not one."""

    def read(value):
        try:
            day = date.fromisoformat(f"2023-{value}")
        except ValueError:
            raise Refused("a month and day like 03-31, not 02-29") from None
        return day.month, day.day

    return read


def listing(reader, length=None):
    """Reader of a list whose items all pass `reader`."""

    def read(value):
        if not isinstance(value, (list, tuple)) or (length is not None and len(value) != length) or not value:
            raise Refused(f"a list of {length or 'one or more'} items")
        try:
            return tuple(reader(item) for item in value)
        except Refused as refused:
            raise Refused(f"a list, each item {refused}") from None

    return read


ENERGY = ("delivered", "import", "billed", "received", "use", "generation")  # what a $/kWh line may count
ONS = ("month", "day", *ENERGY, "kw", "demand", "percent")

BLOCK_FIELDS = {"up_to_kwh": number(0, 1e9, "kWh"), "price": number(-1e3, 1e3, "$/kWh")}
CHARGE_FIELDS = {
    "line": text(),
    "on": choice(*ONS),
    "price": number(-1e5, 1e5),
    "blocks": None,
    "blocks_by_days": flag(),
    "bucket": text(),
    "months": listing(whole(1, 12)),
    "valid_from": iso_date(),
    "valid_to": iso_date(),
    "offset": flag(),
    "prorate": flag(),
    "rating": choice("dc", "ac"),
    "per": choice("month", "year", "30 days"),
    "window_minutes": choice(15, 30, 60),
    "of": listing(text()),
    "after_credit": flag(),
}
BUCKET_FIELDS = {
    "name": text(r"[A-Za-z0-9-]+"),
    "hours": listing(listing(whole(0, 24), 2)),
    "days": choice("all", "weekdays", "weekends"),
    "months": listing(whole(1, 12)),
}
CREDIT_FIELDS = {
    "unit": choice("kWh", "money", "none"),
    "netting": choice("period", "bucket", "day", "hour", "quarter hour", "none"),
    "export_price": None,
    "export_factor": number(0, 10),
    "export_share": number(0, 10),
    "export_lines": listing(text()),
    "usable": choice("same bill", "next bill"),
    "order": choice("fifo", "lifo", "pool"),
    "life_bills": whole(1, 600),
    "issuing_bill_counts": flag(),
    "cross_bucket": choice("none", "high to low", "by value"),
    "reset_month": whole(1, 12),
    "reset_date": day_of_year(),
    "reset_anniversary": iso_date(),
    "reset_bills": whole(1, 600),
    "reset_first_bill": whole(1, 600),
    "reset_every_years": whole(1, 50),
    "at_reset": choice("forfeit", "donate", "pay", "pay if over", "roll"),
    "payout_price": number(0, 1e3, "$/kWh"),
    "payout_share": number(0, 10),
    "payout_threshold": number(0, 1e9),
    "below_threshold": choice("roll", "forfeit"),
    "on_close": choice("forfeit", "pay", "transfer"),
    "at_end": choice("keep", "convert", "forfeit", "pay"),
    "conversion_price": number(0, 1e3, "$/kWh"),
    "export_limit_kw": number(0, 1e6, "kW"),
}
TARIFF_FIELDS = {
    "name": text(),
    "note": text(),
    "charge": None,
    "credit": None,
    "bucket": None,
    "holidays": listing(iso_date()),
    "minimum_bill": number(0, 1e5, "$"),
    "minimum_of": listing(text()),
    "minimum_stage": choice("before tax", "after tax", "after payout"),
    "negative_bill": choice("carry", "pay", "floor"),
    "round_stage": choice("line", "total"),
    "kwh_decimals": whole(0, 6),
    "months_per_bill": whole(1, 12),
    "valid_from": iso_date(),
    "valid_to": iso_date(),
    "size_cap_kw": number(0, 1e6, "kW"),
    "size_cap_rating": choice("dc", "ac"),
    "size_cap_share_of_use": number(0, 10),
}
