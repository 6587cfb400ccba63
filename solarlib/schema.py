"""The fields of a table that a person wrote, each declared once: how it is read, what it means, what it needs.

A dataclass of `declared` fields is the form of a table. `Problems` reads a table by it and collects every wrong field
before it stops, so that a person corrects a file once, not field by field. `read_toml` reads the file around it. What
people write instead of what is asked for, and what is said about it, stands in ``schema.toml``.
"""

import math
import re
import tomllib
from collections import Counter
from collections.abc import Callable
from dataclasses import MISSING, dataclass, field, fields, replace
from datetime import date, datetime
from decimal import Decimal
from difflib import get_close_matches
from itertools import accumulate

from solarlib.quantities import InputError, in_full, refusal, refuse_if, texts_beside

FORM = 1  # the newest form of house and tariff files that is read
_YEARS = (1970, 2100)  # of a date that a person writes: any other is a slip
_LONGEST = 80  # letters of a value that is printed back
_MOST = {"letters": 1_000_000, "levels": 100, "digits of a number": 1000}  # of a text that a person writes

_WORDS = texts_beside(__file__, "schema")


class Refused(Exception):
    """A value cannot be used; the text says what is allowed."""


@dataclass(frozen=True)
class Reader:
    """Reads one value: `convert` returns it as it is used, or raises; `allowed` says in words what may be written.

    `options` are the values that may be written, where these can be named.
    """

    allowed: str
    convert: Callable
    options: tuple = ()

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

    Its keys are the declared fields of `kind`, and `others` that fill in no field: key -> reader. `name` is that of the
    table, where it is not the whole file.
    """

    kind: type
    others: dict | None = None
    many: bool = False
    name: str = ""

    @property
    def keys(self):
        """Field, reader and whether it is needed of each key: key -> (name, reader, needed)."""
        about = [(item, item.metadata) for item in fields(self.kind) if "read" in item.metadata]
        known = {more.get("key", it.name): (it.name, more["read"], it.default is MISSING) for it, more in about}
        return known | {key: (key, read, False) for key, read in (self.others or {}).items()}

    def places(self, name):
        """Yield (key, the header of its table) for each key of the table and of the tables inside it."""
        for key, (_, reader, _) in self.keys.items():
            yield key, f"[[{name}]]" if self.many else f"[{name}]" if name else "the top of the file"
            if isinstance(reader, Table):
                yield from reader.places(f"{name}.{key}" if name else key)


class Lined(dict):
    """A table as a file holds it, with `lines`: the number of the line on which each of its keys stands."""

    lines: dict = {}

    def inside(self, key):
        """Return a table inside this one, with the lines of its own keys."""
        made = Lined(self[key]) if isinstance(self[key], dict) else self[key]
        made.lines = {name.removeprefix(f"{key}."): line for name, line in self.lines.items()}
        return made


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
        if given and not fits:
            words = f"{'only' if 'only' in more else 'just'} with {other} = {' or '.join(map(repr, allowed))}"
            yield item.name, f"{other} = {getattr(thing, other)!r}", f"{item.name} {words}"
        if "exactly" in more and fits and not given:
            yield item.name, "nothing", f"{more['read'].allowed}: it is needed with {other} = {allowed[0]!r}"
        if "beside" in more and given and not getattr(thing, more["beside"]):
            yield item.name, f"no {more['beside']}", f"{item.name} only together with {more['beside']}"


def shown(value):
    """Return a value as a person writes it; a long one is cut."""
    if isinstance(value, (list, tuple)):
        text = f"[{', '.join(map(shown, value))}]"
    elif isinstance(value, dict):
        text = f"{{ {', '.join(f'{key} = {shown(item)}' for key, item in value.items())} }}"
    else:
        text = str(value) if isinstance(value, (Decimal, date)) else repr(value)
    return text if len(text) <= _LONGEST else f"{text[: _LONGEST - 3]}..."


def nearest(name, names):
    """Return the question whether one of several names was meant, in brackets, or nothing."""
    known = {str(other).lower(): other for other in names}
    close = isinstance(name, str) and get_close_matches(name.lower(), known, 1)
    return f" (is {known[close[0]]!r} meant?)" if close else ""


def hint(wanted, value):
    """Return the likely cause why a value, as it is shown, is not what is wanted, in brackets, or nothing."""
    for row in _WORDS["value"]:
        found = re.search(row["want"], wanted) and re.search(row["found"], value)
        if found:
            return f" ({row['say'].format(*found.groups())})"
    return ""


class Problems:
    """The wrong fields of one table, in the order in which they were found.

    With the table and its form a message tells the line of the file, and where a misplaced key belongs.
    """

    def __init__(self, where, form=None, table=None):
        self.where = where
        self.found = []
        self.lines = getattr(table, "lines", {})
        self.name = f"{form.name}." if form and form.name else ""
        self.places = tuple(form.places(form.name)) if form else ()

    def add(self, key, found, allowed):
        """Note one wrong field."""
        self.found.append((key, f": found {found}, allowed is {allowed}"))

    def stop(self):
        """Raise an InputError naming all fields noted so far, in one line; do nothing if there are none.

        The error carries them as `problems`, and as `where` whose they are.
        """
        if self.found:
            told = "; ".join(f"{self._line(key)}{key}{text}" for key, text in self.found)
            error = InputError(f"{self.where}: {told}")
            error.where, error.problems = self.where, tuple(self.found)
            raise error

    def _line(self, key):
        """Return the number of the line of a key, or of what it stands in, in words; nothing where it is not known."""
        spot = key.split(" ")[0]
        while spot and spot not in self.lines:
            spot = re.sub(r"(\[\d+\]|\.?[^.\[\]]+)$", "", spot)
        return f"line {self.lines[spot]}, " if spot else ""

    def make(self, function, *arguments, key="", **values):
        """Return what a function makes of values that it may refuse; note its InputError and return None.

        What is wrong inside a table `key` of the same file is noted by its whole name.
        """
        try:
            return function(*arguments, **values)
        except InputError as error:
            inside = error.problems if error.where == key else ()
            named = [(f"{key}.{name}".replace(".[", "[") if name else "", text) for name, text in inside]
            self.found += named or [("", str(error))]

    def read(self, form, table, where=""):
        """Return what a `Table` makes of a table; note what is wrong and return None."""
        if form.many:
            if not isinstance(table, list) or not all(isinstance(row, dict) for row in table):
                return self.add(where, shown(table), f"a list of tables, written [[{self.name}{where}]]")
            one = Table(form.kind, form.others)
            return tuple(self.read(one, row, f"{where}[{i}]") for i, row in enumerate(table, 1))
        before = len(self.found)
        values = self.values(table, form.keys, where)
        return self.make(form.kind, **values) if len(self.found) == before else None

    def values(self, table, keys, where=""):
        """Return the values of a table by keys of the form key -> (name, reader, needed): a dict by name."""
        if not isinstance(table, dict):
            self.add(where or "table", shown(table), f"a table, written [{self.name}{where}]")
            return {}
        values, prefix = {}, f"{where}." if where else ""
        for key, value in table.items():
            if key not in keys:
                homes = " or ".join(dict.fromkeys(place for name, place in self.places if name == key))
                cause = f" ({key} belongs to {homes})" if homes else nearest(key, keys)
                self.add(f"{prefix}{key}", "an unknown key", f"one of {', '.join(keys)}{cause}")
            elif (made := self._value(keys[key][1], value, f"{prefix}{key}")) is not None:
                values[keys[key][0]] = made
        for key, (_, reader, needed) in keys.items():
            if needed and key not in table:
                allowed = getattr(reader, "allowed", "a table" if isinstance(reader, Table) else "a value")
                self.add(f"{prefix}{key}", "nothing", f"{allowed}: this key is needed")
        return values

    def _value(self, reader, value, where):
        if isinstance(reader, Table):
            return self.read(reader, value, where)
        try:
            return self.make(reader, value, key=where)
        except Refused as refused:
            cause = hint(f"{refused}\n{where}", shown(value)) or nearest(value, getattr(reader, "options", ()))
            self.add(where, shown(value), f"{refused}{cause}")


def read_toml(path, parse_float=float):
    """Return the table of a TOML file, or raise an InputError that names the file; see `toml_table`."""
    try:
        text = path.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError as error:
        raise refusal("not_utf_8", path.name, byte=error.start) from None
    return toml_table(text, path.name, parse_float)


def toml_table(text, where, parse_float=float):
    """Return the table of a TOML text, or raise an InputError that names each line that cannot be read.

    An older form is read; one that is not known is refused with the line to change.
    """
    text = text.removeprefix("\ufeff")
    for what, count in _sizes(text):
        refuse_if(count > _MOST[what], "too_large", where, count=count, what=what, most=_MOST[what])
    try:
        table = Lined(tomllib.loads(text, parse_float=parse_float))
        table.lines = _lines(text)
    except tomllib.TOMLDecodeError as error:
        problems = Problems(where)
        for slip in _slips(text, str(error)):
            problems.add(*slip)
        problems.stop()
    form, known = table.get("form", 1), "form = 1" if FORM == 1 else f"form = 1 to {FORM}"
    if type(form) is not int or not 1 <= form <= FORM:
        raise refusal("unknown_form", f"{where}, line {table.lines.get('form', 1)}", form=form, known=known)
    return table


def _sizes(text):
    """Yield how large a TOML text is in each of the ways that are limited; strings and remarks have no levels."""
    yield "letters", len(text)
    bare = re.sub(r'"(?:\\.|[^"\\\n])*"|\'[^\'\n]*\'|#[^\n]*', "", text)
    opened = accumulate((mark in "[{") - (mark in "]}") for mark in re.findall(r"[\[\]{}]", bare))
    dotted = (part.count(".") for part in re.split(r"[,=\[\]{}\n]", bare))
    yield "levels", max([*opened, *dotted])
    yield "digits of a number", max(map(len, re.findall(r"\d+", bare.replace("_", ""))), default=0)


def _lines(text):
    """Return the number of the line on which each key and each header of a TOML text stands, by its whole name."""
    lines, counts, place = {}, Counter(), ""
    for number, row in enumerate(text.splitlines(), 1):
        if head := re.match(r"\s*(\[\[?)([^\[\]]+)\]", row):
            parts, place = [part.strip(" \"'") for part in head[2].split(".")], ""
            for part in parts:
                place = f"{place}.{part}".lstrip(".")
                counts[place] += head[1] == "[[" and part is parts[-1]
                place += f"[{counts[place]}]" if counts[place] else ""
            lines[place] = number
        elif key := re.match(r"\s*[\"']?([\w-]+)[\"']?\s*=", row):
            lines.setdefault(f"{place}.{key[1]}".lstrip("."), number)
    return lines


def _slips(text, error):
    """Yield (where, what was found, what is allowed) of each line of a text that is not TOML and why, as far as known.

    `error` is what the parser says of the first one.
    """
    rows, known = text.splitlines(), False
    at = re.search(r"at line (\d+)", error)
    first = int(at[1]) if at else len(rows)
    for number, row in enumerate(rows, 1):
        found = re.sub(r"\s#.*", "", row).strip()
        spot = f"{found}\n{''.join(rows[number : number + 1])}"
        for slip in [] if number != first and _parses(row) else _WORDS["slip"]:
            match = re.search(slip["line"], spot)
            if match and ("error" not in slip or number == first and re.search(slip["error"], error)):
                part = match.groupdict(default="")
                key, value = part.get("key", ""), part.get("value", "")
                cause = hint(slip.get("want", key), value) or f" ({slip['say'].format(**part)})"
                yield f"line {number}{', ' * bool(key)}{key}", found, slip["allowed"].format(**part) + cause
                known = True
                break
    if not known:
        yield f"line {first}", rows[first - 1].strip(), f"a TOML text: key = value, text in quotes ({error})"


def _parses(row):
    try:
        return tomllib.loads(row) is not None
    except tomllib.TOMLDecodeError:
        return False


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

    return kept(
        f"a number from {in_full(low)} to {in_full(high)} {unit}".rstrip(), fits, lambda value: kind(str(value))
    )


def real(low, high, unit=""):
    """Reader of a number from `low` to `high` as a float."""
    return number(low, high, unit, float)


def percent(low, high, unit="%"):
    """Reader of a number in percent from `low` to `high`, as a share: 5 is 0.05."""
    return number(low, high, unit, lambda value: float(value) / 100.0)


def none_or(reader):
    """Reader of 0 or what `reader` takes: a smaller number above 0 is a slip of its unit."""
    zero = number(0, 0, kind=float)
    return Reader(f"0, or {reader.allowed}", lambda value: (zero if value == 0 else reader).convert(value))


def whole(low, high):
    """Reader of a whole number from `low` to `high`."""
    return kept(f"a whole number from {low} to {high}", lambda value: type(value) is int and low <= value <= high)


def text(pattern=r".*\S.*", allowed="a text that is not empty"):
    """Reader of a text that matches `pattern` as a whole."""
    return kept(allowed, lambda value: re.fullmatch(pattern, value, re.DOTALL))


def choice(*options):
    """Reader of one of several fixed values."""
    allowed = "one of " + ", ".join(map(str, options))
    reader = kept(allowed, lambda value: not isinstance(value, bool), lambda value: options[options.index(value)])
    return replace(reader, options=options)


def flag():
    """Reader of true or false."""
    return kept("true or false", lambda value: isinstance(value, bool))


def iso_date():
    """Reader of a date of our times, as a TOML date or a text YYYY-MM-DD."""

    def convert(value):
        day = value if isinstance(value, date) and not isinstance(value, datetime) else date.fromisoformat(value)
        if not _YEARS[0] <= day.year <= _YEARS[1]:
            raise ValueError
        return day

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
