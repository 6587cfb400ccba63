"""What an exported kWh earns in money: the four forms that a table may take, read into one value."""

from dataclasses import dataclass, replace
from decimal import Decimal

import numpy as np

from solarlib.schema import Reader, Refused, number

_SINGLE = number(0, 1e3, "$/kWh")


@dataclass(frozen=True)
class ExportPrice:
    """Money credit for an exported kWh.

    `prices` holds one price; or one for each of `buckets`; or 12, January first; or 288, those of the 24 local hours
    of January first. [$/kWh]
    """

    prices: tuple[Decimal, ...]
    buckets: tuple[str, ...] = ()

    @property
    def by_month(self):
        """Whether each month has a price of its own."""
        return not self.buckets and len(self.prices) == 12

    @property
    def by_hour(self):
        """Whether each local hour of each month has a price of its own."""
        return not self.buckets and len(self.prices) == 12 * 24

    def price(self, bucket="", days_by_month=()):
        """Return the price in one bucket over a period with these days in each month; not for hours. [$/kWh]"""
        if self.buckets:
            return self.prices[self.buckets.index(bucket)]
        if not self.by_month:
            return self.prices[0]
        weighted = (price * days for price, days in zip(self.prices, days_by_month))
        return sum(weighted, Decimal(0)) / sum(days_by_month)

    def at(self, month, hour):
        """Return the prices at numbers of months, 1 to 12, and local hours, 0 to 23; two arrays. [$/kWh]"""
        return np.array(self.prices, float).reshape(12, 24)[month - 1, hour]

    def scaled(self, scale):
        """Return the value with a function applied to each price."""
        return replace(self, prices=tuple(map(scale, self.prices)))


def _read(value):
    if isinstance(value, dict):
        return ExportPrice(tuple(map(_SINGLE, value.values())), tuple(value)) if value else _SINGLE(value)
    if not isinstance(value, list):
        return ExportPrice((_SINGLE(value),))
    lists = [item for item in value if isinstance(item, list)]
    if len(value) != 12 or any(len(item) != 24 for item in lists):
        raise Refused("12 prices, one for each month, or 12 lists of 24, one for each hour")
    if lists and len(lists) != 12:
        raise Refused("12 prices or 12 lists of 24, not a mixture")
    return ExportPrice(tuple(map(_SINGLE, sum(lists, []) or value)))


EXPORT_PRICE = Reader(
    "one price; 12, one a month; 12 lists of 24, one a month and local hour; or one a bucket, "
    "`{ on = 0.1, off = 0.05 }`",
    _read,
)
