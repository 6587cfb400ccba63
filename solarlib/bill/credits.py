"""Credits between bills: dated lots and their life, crossing of time-of-use buckets, and when a reset falls."""

from datetime import date
from decimal import ROUND_CEILING, ROUND_FLOOR, ROUND_HALF_UP, Decimal

from solarlib.quantities import InputError, refuse_if, require

ZERO = Decimal(0)
HAIR = Decimal("1e-15")  # far below a step of energy or a cent, far above what a share of days loses in its 28th digit


class Lots:
    """Credits of one unit in one bucket.

    Parameters
    ----------
    order : str
        ``"fifo"`` uses the oldest lot first, ``"lifo"`` the newest, ``"pool"`` does not tell lots apart.
    life : int or None
        A credit issued on bill k may be used on bills k+1 to k+life; None for no limit.
    """

    def __init__(self, order="fifo", life=None, lots=()):
        self.order, self.life = order, life
        self.lots = [list(lot) for lot in lots]  # [number of the issuing bill, amount left], oldest first
        self.amount = sum((left for _, left in lots), ZERO)  # everything that is left

    def add(self, bill, amount):
        """Store a credit issued on this bill."""
        if amount > 0:
            self.lots.append([bill, amount])
            self.amount += amount

    def expire(self, bill):
        """Write off, while this bill is made, what is past its life; return the amount."""
        gone = ZERO
        while self.life is not None and self.lots and bill - self.lots[0][0] > self.life:
            gone += self.lots.pop(0)[1]
        self.amount -= gone
        return gone

    def take(self, wanted):
        """Use up to `wanted`; return the amount used."""
        used = min(self.amount, wanted)
        self.amount -= used
        left, end = used, -1 if self.order == "lifo" else 0
        while left:
            lot = self.lots[end]
            if lot[1] > left:
                lot[1] -= left
                break
            left -= self.lots.pop(end)[1]
        return used

    def empty(self):
        """Remove everything; return the amount."""
        gone, self.lots, self.amount = self.amount, [], ZERO
        return gone


def fill(kwh, opening_kwh, tariff, step):
    """Put into the banks of each bucket what was there before the first bill, as credits of bill 0.

    Parameters
    ----------
    kwh : dict of Lots
        By bucket, changed in place. [kWh]
    opening_kwh : float or dict of bucket name to float
        A single amount is for a tariff without buckets. [kWh]
    tariff : Tariff
    step : Decimal
        Smallest amount of energy on a bill. [kWh]
    """
    allowed = ", ".join(name for name in kwh if name)
    if not isinstance(opening_kwh, dict):
        refuse_if(allowed and opening_kwh, "opening_by_bucket", "opening_kwh", given=opening_kwh, buckets=allowed)
        opening_kwh = {} if allowed else {"": opening_kwh}
    for name, amount in opening_kwh.items():
        if name not in kwh:
            raise InputError(f"opening_kwh: found {name!r}, allowed is {allowed or 'one amount: there are no buckets'}")
        amount = require(amount, f"opening_kwh {name}".rstrip(), 0, 1e9, "kWh")
        refuse_if(amount and tariff.credit.unit != "kWh", "no_kwh_bank", "opening_kwh", kwh=amount, name=tariff.name)
        kwh[name].add(0, Decimal(str(amount)).quantize(step, ROUND_HALF_UP))


def cross(names, rule, price, kwh, billed, step):
    """Let kWh credits of one time-of-use bucket pay for energy in another.

    Parameters
    ----------
    names : sequence of str
        Buckets.
    rule : str
        ``"high to low"``: 1 kWh of a dearer bucket for 1 kWh of a cheaper one; ``"by value"``: any
        bucket for any other, in proportion to the prices.
    price : dict
        Price of each bucket. [$/kWh]
    kwh : dict of Lots
        Banks, changed in place. [kWh]
    billed : dict
        Energy still to be paid for. [kWh]
    step : Decimal
        Smallest amount of energy on a bill. [kWh]

    Returns
    -------
    (into, out) : dicts
        kWh that arrive in and that leave each bucket.
    """
    into, out = dict.fromkeys(names, ZERO), dict.fromkeys(names, ZERO)
    rank = {name: price[name].quantize(HAIR) for name in names}
    dearest = sorted(names, key=lambda name: -rank[name])
    for giver in dearest:
        cheaper = [name for name in dearest if rank[name] < rank[giver]]
        for taker in cheaper if rule == "high to low" else [name for name in dearest if name != giver]:
            wanted = billed[taker] - into[taker]
            if rule == "high to low":
                moved = got = kwh[giver].take(wanted)
            elif price[giver] > 0 and price[taker] > 0:
                # whole steps, rounded so that what goes out is never worth less than what comes in
                ratio = price[taker] / price[giver]
                got = min(wanted, (kwh[giver].amount / ratio).quantize(HAIR).quantize(step, ROUND_FLOOR))
                moved = kwh[giver].take((got * ratio).quantize(HAIR).quantize(step, ROUND_CEILING))
            else:
                continue
            out[giver] += moved
            into[taker] += got
    return into, out


def is_reset(credit, first, last, service_start, bill):
    """Whether the credits are reset after the bill whose days run from `first` to `last`.

    A yearly reset falls on the bill that contains the anchor day of `Credit.reset_anchor`. For `reset_month` that
    is the first bill whose last day lies in that month or later, so that no year is skipped and none resets twice,
    wherever in the month the meter is read.
    """
    if credit.reset_bills:
        start = credit.reset_first_bill or credit.reset_bills
        return bill >= start and (bill - start) % credit.reset_bills == 0
    if credit.reset_anchor is None:
        return False
    month, day = credit.reset_anchor
    for year in {first.year, last.year}:
        if first <= date(year, month, day) <= last:
            first_year = service_start.year + (date(service_start.year, month, day) < service_start)
            return (year - first_year) % credit.reset_every_years == 0
    return False
