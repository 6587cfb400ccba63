"""The fields of a table that a person wrote, each declared once: how it is read, what it means, what it needs.

A dataclass of `declared` fields is the form of a table. `Problems` reads a table by it and collects every wrong field
before it stops, so that a person corrects a file once, not field by field. `read_toml` reads the file around it.
"""

import math
import re
import tomllib
from collections.abc import Callable
from dataclasses import MISSING, dataclass, field, fields
from datetime import date, datetime
from decimal import Decimal

from solarlib.quantities import InputError

FORM = 1  # the newest form of house and tariff files that is read


class Refused(Exception):
    """A value cannot be used; the text says what is allowed."""


@dataclass(frozen=True)
class Reader:
    """Reads one value: `convert` returns it as it is used, or raises; `allowed` says in words what may be written."""

    allowed: str
    convert: Callable

    def __call__(self, value):
        """Return the value, or raise `Refused`."""
        try:
            return self.convert(value)
        except InputError:  # it names a place of its own
            raise
        except (ValueError, TypeError, ArithmeticError):
            raise Refused(self.allowed) from None


@dataclass(frozen=True)
class Table:
    """Reads a table inside a table, or with `many` a list of them, into `kind`.

    `readers` are those of its keys, where `kind` is not declared here: key -> (field of `kind`, reader). `start` is the
    number of the first table of a list in messages.
    """

    kind: type
    readers: dict | None = None
    many: bool = False
    start: int = 0

    @property
    def keys(self):
        """Field, reader and whether it is needed of each key: key -> (name, reader, needed)."""
        named = {item.name: item for item in fields(self.kind)}
        about = {name: item.metadata for name, item in named.items()}
        readers = self.readers or {more.get("key", name): (name, more["read"]) for name, more in about.items()}
        return {key: (name, read, named[name].default is MISSING) for key, (name, read) in readers.items()}


def declared(read, words="", default=MISSING, **more):
    """Return a dataclass field that carries its reader and its meaning in words.

    Parameters
    ----------
    read : Reader or Table
    words : str
    default : optional
        Without it the key is needed.
    **more
        ``key``, its name in the table where that is another; what it needs beside it: ``only=(field, value, ...)``
        may be given only then, ``exactly=(field, value)`` just then, ``beside=field`` only together with it.
    """
    return field(default=default, metadata={"read": read, "words": words, **more})


def misplaced(thing):
    """Yield (field, what was found, what is allowed) for each declared field without what it needs beside it."""
    for item in fields(thing):
        value, more = getattr(thing, item.name), item.metadata
        given = value != item.default
        other, *allowed = more.get("only", more.get("exactly", (None,)))
        fits = other is None or getattr(thing, other) in allowed
        if "only" in more and given and not fits:
            words = f"{item.name} only with {other} = {' or '.join(map(repr, allowed))}"
            yield item.name, f"{other} = {getattr(thing, other)!r}", words
        if "exactly" in more and given != fits:
            yield item.name, str(value), f"given exactly when {other} = {allowed[0]!r}"
        if "beside" in more and given and not getattr(thing, more["beside"]):
            yield item.name, f"no {more['beside']}", f"{item.name} only together with {more['beside']}"


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

    def make(self, function, *arguments, **values):
        """Return what a function makes of values that it may refuse; note its InputError and return None."""
        try:
            return function(*arguments, **values)
        except InputError as error:
            self.found.append(str(error))

    def read(self, form, table, where=""):
        """Return what a `Table` makes of a table; note what is wrong and return None."""
        if form.many:
            if not isinstance(table, list) or not all(isinstance(row, dict) for row in table):
                return self.add(where, repr(table), f"a list of tables, written [[{where}]]")
            one = Table(form.kind, form.readers)
            return tuple(self.read(one, row, f"{where}[{i}]") for i, row in enumerate(table, form.start))
        before = len(self.found)
        values = self.values(table, form.keys, where)
        return self.make(form.kind, **values) if len(self.found) == before else None

    def values(self, table, keys, where=""):
        """Return the values of a table by keys of the form key -> (name, reader, needed): a dict by name."""
        if not isinstance(table, dict):
            self.add(where or "table", repr(table), "a table")
            return {}
        values, prefix = {}, f"{where}." if where else ""
        for key, value in table.items():
            if key not in keys:
                self.add(f"{prefix}{key}", "an unknown key", f"one of {', '.join(keys)}")
            elif (made := self._value(keys[key][1], value, f"{prefix}{key}")) is not None:
                values[keys[key][0]] = made
        for key, (_, _, needed) in keys.items():
            if needed and key not in table:
                self.add(f"{prefix}{key}", "nothing", "a value: this key is needed")
        return values

    def _value(self, reader, value, where):
        if isinstance(reader, Table):
            return self.read(reader, value, where)
        try:
            return self.make(reader, value)
        except Refused as refused:
            self.add(where, repr(str(value) if isinstance(value, Decimal) else value), str(refused))


def read_toml(path, parse_float=float):
    """Return the table of a TOML file, or raise an InputError that names the file; see `toml_table`."""
    try:
        text = path.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError as error:
        found = f"a character that is not UTF-8 at byte {error.start}"
        raise InputError(f"{path.name}: found {found}, allowed is a UTF-8 text") from None
    return toml_table(text, path.name, parse_float)


def toml_table(text, where, parse_float=float):
    """Return the table of a TOML text, or raise an InputError.

    An older form is read; one that is not known is refused with the line to change.
    """
    try:
        table = tomllib.loads(text, parse_float=parse_float)
    except tomllib.TOMLDecodeError as error:
        allowed = "a TOML text: key = value, text in quotes"
        raise InputError(f"{where}: found text that is not TOML ({error}), allowed is {allowed}") from None
    form = table.get("form", 1)
    if type(form) is not int or not 1 <= form <= FORM:
        rows = (i for i, row in enumerate(text.splitlines(), 1) if re.match(r"\s*[\"']?form[\"']?\s*=", row))
        known = "form = 1" if FORM == 1 else f"form = 1 to {FORM}"
        newer = "a file of a newer form needs a newer solarlib"
        raise InputError(f"{where}, line {next(rows, 1)}: found form = {form!r}, allowed is {known}; {newer}")
    return table


def kept(allowed, fits, convert=lambda value: value):
    """Reader of a value that `fits`: kept as it is written, or as `convert` makes it."""

    def read(value):
        if not fits(value):
            raise ValueError
        return convert(value)

    return Reader(allowed, read)


def number(low, high, unit="", kind=Decimal):
    """Reader of a number from `low` to `high`, made by `kind` from its text: an exact Decimal, a float, a share."""

    def fits(value):
        known = isinstance(value, (int, float, Decimal)) and not isinstance(value, bool)
        return known and math.isfinite(value) and low <= value <= high

    return kept(f"a number from {low:g} to {high:g} {unit}".rstrip(), fits, lambda value: kind(str(value)))


def percent(low, high):
    """Reader of a number in percent from `low` to `high`, as a share: 5 is 0.05."""
    return number(low, high, "%", lambda value: float(value) / 100.0)


def whole(low, high):
    """Reader of a whole number from `low` to `high`."""
    return kept(f"a whole number from {low} to {high}", lambda value: type(value) is int and low <= value <= high)


def text(pattern=r".*\S.*", allowed="a text that is not empty"):
    """Reader of a text that matches `pattern` as a whole."""
    return kept(allowed, lambda value: re.fullmatch(pattern, value, re.DOTALL))


def choice(*options):
    """Reader of one of several fixed values."""
    allowed = "one of " + ", ".join(map(str, options))
    return kept(allowed, lambda value: not isinstance(value, bool), lambda value: options[options.index(value)])


def flag():
    """Reader of true or false."""
    return kept("true or false", lambda value: isinstance(value, bool))


def iso_date():
    """Reader of a date, as a TOML date or a text YYYY-MM-DD."""

    def convert(value):
        return value if isinstance(value, date) and not isinstance(value, datetime) else date.fromisoformat(value)

    return Reader("a date like 2026-03-31", convert)


def day_of_year():
    """Reader of a day that returns every year, as text MM-DD; 29 February is not one."""

    def convert(value):
        day = date.fromisoformat(f"2023-{value}")
        return day.month, day.day

    return Reader("a month and day like 03-31, not 02-29", convert)


def listing(reader, length=None):
    """Reader of a list whose items all pass `reader`."""

    def fits(value):
        return isinstance(value, (list, tuple)) and len(value) > 0 and length in (None, len(value))

    allowed = f"a list of {length or 'one or more'} items, each item {reader.allowed}"
    return kept(allowed, fits, lambda value: tuple(map(reader.convert, value)))
