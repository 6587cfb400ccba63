"""The rules of a life: dated tariffs one after another, each with the prices of the year.

Prices grow by kind. The year of a life counts from its first day; year 1 has the prices of the file. A tariff that
comes later has its prices in money of the year in which it begins, and they go on growing from there.
"""

from dataclasses import dataclass, replace
from datetime import date
from decimal import Decimal
from functools import cached_property, lru_cache

from solarlib.bill.prices import Prices
from solarlib.bill.tariff import SOLD, Tariff

PRICE_KINDS = ("energy", "fixed", "demand", "export", "payout")
_KIND = {"month": "fixed", "day": "fixed", "kw": "fixed", "demand": "demand"}
_KIND |= dict.fromkeys(SOLD, "export")


@dataclass(frozen=True)
class Piece:
    """A rule set in one year of a life.

    `tariff` has the prices that it begins with, `levels` are those of the year over them, by kind of price. It holds
    from `start` to before `end` (None: open, at the ends of a life).
    """

    tariff: Tariff
    levels: dict[str, float]
    start: date | None
    end: date | None


@dataclass(frozen=True, eq=False)
class Life:
    """The rules of a life, in pieces one after another."""

    pieces: tuple[Piece, ...]

    @cached_property
    def dated(self):
        """The pieces as rule sets that `accounts.bills` takes, one a year.

        Within one tariff only prices change and all credits are kept; its own `at_end` holds where another follows.
        """
        sets = []
        for piece, after in zip(self.pieces, [*self.pieces[1:], None]):
            grown = at_levels(piece.tariff, piece.levels)
            goes_on = after is None or after.tariff.valid_from == piece.tariff.valid_from
            credit = replace(grown.credit, at_end="keep") if goes_on else grown.credit
            sets.append(replace(grown, credit=credit, valid_from=piece.start, valid_to=piece.end))
        return tuple(sets)


def scaled(tariff, scale):
    """Return a tariff with each price as ``scale(kind, price)`` makes it; kWh, kW and percentages stay."""

    def level(kind, price):
        return None if price is None else scale(kind, price)

    def series(kind, prices):
        return prices and prices.scaled(lambda price: scale(kind, price))

    def line(charge):
        kind = _KIND.get(charge.on, "energy")
        blocks = tuple(replace(block, price=scale(kind, block.price)) for block in charge.blocks)
        made = {"price": level(kind, charge.price), "prices": series(kind, charge.prices), "blocks": blocks}
        return charge if charge.on == "percent" else replace(charge, **made)

    credit = tariff.credit
    money = {name: level("payout", getattr(credit, name)) for name in ("payout_price", "conversion_price")}
    if credit.unit == "money":
        money["payout_threshold"] = level("payout", credit.payout_threshold)
    money["export_price"] = series("export", credit.export_price)
    charges = tuple(map(line, tariff.charges))
    least = level("fixed", tariff.minimum_bill)
    return replace(tariff, charges=charges, credit=replace(credit, **money), minimum_bill=least)


def at_levels(tariff, levels):
    """Return a tariff with the prices of each of `PRICE_KINDS` times its level."""
    exact = {kind: Decimal(str(level)) for kind, level in levels.items()}
    return scaled(tariff, lambda kind, price: price * exact[kind])


def kinds_of(tariff):
    """Return which of `PRICE_KINDS` of prices a tariff has."""
    found = set()
    scaled(tariff, lambda kind, price: found.add(kind) or price)
    return found


def paying(tariff, price):
    """Return a tariff in which all that pays for exported energy is one price. [$/kWh]"""
    credit = tariff.credit
    if credit.unit == "money":
        one = credit.export_price.scaled(lambda _: price) if credit.export_price else Prices((price,))
        credit = replace(credit, export_share=None, export_lines=(), export_price=one, export_factor=Decimal(1))

    def paid(old):
        return -price if old is not None and old < 0 else old

    def line(charge):
        if _KIND.get(charge.on) != "export":
            return charge
        if charge.prices and charge.factor < 0:
            return replace(charge, prices=charge.prices.scaled(lambda _: price), factor=Decimal(-1))
        blocks = tuple(replace(block, price=paid(block.price)) for block in charge.blocks)
        return replace(charge, price=paid(charge.price), blocks=blocks)

    return replace(tariff, credit=credit, charges=tuple(map(line, tariff.charges)))


def level_of(path, growth, year):
    """Return the price of a kind in a year of the life over that of year 1.

    Parameters
    ----------
    path : file.PricePath
    growth : float
        Of all prices, for a path without a rate of its own.
    """
    return (1.0 + (growth if path.rate is None else path.rate)) ** max(0, year - path.held_years)


def levels_of(paths, growth, year):
    """Return the level of each of `PRICE_KINDS` in a year; `paths` as for `life`, `growth` as for `level_of`."""
    return {kind: level_of(getattr(paths, kind), growth, year) for kind in PRICE_KINDS}


@lru_cache(maxsize=256)
def life(tariffs, paths, growth, first, years):
    """Return the `Life` of rules, each with its prices of each year.

    Parameters
    ----------
    tariffs : tuple of Tariff
        In order of date. What ends before the first day does not count; the first goes back and the last goes on
        without end.
    paths : file.Growth
        How each kind of price goes on.
    growth : float
        Yearly growth of prices whose path has no rate.
    first : date
        First day of the life.
    years : int
    """
    starts = [first.replace(year=first.year + year) for year in range(years + 1)]
    ruling = [rules for rules in tariffs if rules.valid_to is None or rules.valid_to > first] or tariffs[-1:]
    found = []
    for number, rules in enumerate(ruling):
        opens = first if number == 0 else max(first, rules.valid_from)
        closes = starts[-1] if number == len(ruling) - 1 else rules.valid_to
        begin = 0
        for year, span in enumerate(zip(starts, starts[1:]), 1):
            start, end = max(span[0], opens), min(span[1], closes)
            if start < end:
                begin = begin or year
                found.append(Piece(*_priced(rules, paths, growth, begin, year), start, end))
    found[0] = replace(found[0], start=None)
    found[-1] = replace(found[-1], end=None)
    return Life(tuple(found))


def _priced(rules, paths, growth, begin, year):
    """Return a tariff and the levels of its prices in a year of the life, after it began in another."""
    then, now = (levels_of(paths, growth, each) for each in (begin, year))
    levels = {kind: now[kind] / then[kind] for kind in PRICE_KINDS}
    if paths.export.then is not None and year > paths.export.held_years:
        return paying(rules, paths.export.then), levels | {"export": 1.0}
    return rules, levels
