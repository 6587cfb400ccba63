"""What the rules of a tariff count beyond the sums of each period: buckets, netting, prices by the hour, demand.

Energies are whole steps of 1e-9 kWh in floats, so every sum of them is exact.
"""

import numpy as np

from solarlib.bill.intervals import MINUTE_NS, MINUTES, buckets, prices_at
from solarlib.bill.tariff import column
from solarlib.files.dates import DAY_NS

STEPS_PER_KWH = 10**9


def by_rules(intervals, cut, values, tariff):
    """Return columns of the table of periods.

    Parameters
    ----------
    intervals : Intervals
    cut : array, shape (periods + 1,)
        Where each period begins, and the end.
    values : dict of arrays
        ``delivered``, ``received``, maybe ``generation`` of each interval. [steps]
    tariff : Tariff
    """
    part, credit = _Part(intervals, cut, values, tariff), tariff.credit
    columns = {}
    for name, array in values.items() if tariff.buckets else ():
        columns |= part.by_bucket(f"{name}_kwh", part.home, array)
    for prefix, netting in tariff.nettings.items():
        if netting in MINUTES:
            _, home, bought, sold = part.nets[netting]
            columns |= part.by_bucket(f"import{prefix}_kwh", home, bought)
            columns |= part.by_bucket(f"export{prefix}_kwh", home, sold)
    if credit.export_price and credit.export_price.by_interval:
        first, home, _, sold = part.nets[credit.netting]
        columns["export_value"] = part.value(credit.export_price, (first, home, sold))
    for charge in tariff.charges:
        if charge.prices and charge.prices.by_interval:
            columns |= part.value_of(charge)
        if charge.on == "demand":
            columns |= part.demand_of(charge)
    return columns


class _Part:
    """Intervals of several periods with what is asked of them more than once."""

    def __init__(self, intervals, cut, values, tariff):
        self.intervals, self.values, self.tariff = intervals, values, tariff
        self.count, self.names = len(cut) - 1, tariff.bucket_names
        self.period = np.repeat(np.arange(self.count), np.diff(cut))
        self.codes = buckets(intervals, tariff) if tariff.buckets else None
        # number of period and bucket of each interval
        self.home = self.period if self.codes is None else self.period * len(self.names) + self.codes
        asked = {netting for netting in tariff.nettings.values() if netting in (*MINUTES, "none")}
        self.nets = {netting: self._netted(netting) for netting in asked}
        self.prices = {}

    def sums(self, home, array):
        """Sum an array by period and bucket: shape (periods, buckets)."""
        return np.bincount(home, array, self.count * len(self.names)).reshape(self.count, -1) / STEPS_PER_KWH

    def by_bucket(self, name, home, array):
        """Return the columns of an energy, one a bucket. [kWh]"""
        return {column(name, key): sums for key, sums in zip(self.names, self.sums(home, array).T)}

    def _netted(self, netting):
        """Return what is bought and what is left over: (place, period and bucket, import, export) of each net energy;
        the place is the number of its first interval. [steps]"""
        delivered, received, every = self.values["delivered"], self.values["received"], slice(None)
        if netting == "none":
            return every, self.home, delivered, received
        first, home, net = every, self.home, delivered - received
        if MINUTES[netting] * MINUTE_NS != self.intervals.step:
            order = self.intervals.groups(MINUTES[netting]) + self.period  # both rise, so their sum tells pairs apart
            order = (order - order[0]) * len(self.names) + (0 if self.codes is None else self.codes)
            first = np.full(int(order.max()) + 1, -1)
            first[order[::-1]] = np.arange(len(order))[::-1]  # of several the first stays
            net = np.bincount(order, net)[first >= 0]
            first = first[first >= 0]
            home = self.home[first]
        return first, home, np.maximum(net, 0.0), np.maximum(-net, 0.0)

    def value(self, prices, energies, bucket=None):
        """Return what energies (place, period and bucket, energy) are worth, by period. [$]"""
        first, home, energy = energies
        if prices not in self.prices:
            self.prices[prices] = prices_at(self.intervals, prices, self.tariff)
        worth = self.sums(home, energy * self.prices[prices][first])
        return worth.sum(axis=1) if bucket is None else worth[:, self.names.index(bucket)]

    def value_of(self, charge):
        """Return {column: what it costs by period} of a line whose price changes inside a day; {} if unknown. [$]"""
        if charge.on in ("import", "export"):
            first, home, bought, sold = self.nets[charge.netting or self.tariff.credit.netting]
            energy = first, home, bought if charge.on == "import" else sold
        else:
            flows = dict(self.values)
            if "generation" in flows:
                flows["use"] = flows["delivered"] + flows["generation"] - flows["received"]
            if charge.on not in flows:
                return {}
            energy = slice(None), self.home, flows[charge.on]
        return {f"value {charge.line}": self.value(charge.prices, energy, charge.bucket)}

    def demand_of(self, charge):
        """Return {column: the mean of the highest windows of each period} of a demand line. [kW]"""
        array, intervals = self.values["delivered"], self.intervals
        order = intervals.groups(charge.window_minutes) + self.period
        starts = np.flatnonzero(np.diff(order, prepend=order[0] - 1))
        home, inside = self.period[starts], None
        if charge.bucket is not None:
            inside = self.codes == self.names.index(charge.bucket)
            array = array * inside
        windows = np.maximum(np.add.reduceat(array, starts), 0.0)
        if inside is not None:  # below zero: no part of the window lies in the bucket
            windows = np.where(np.logical_or.reduceat(inside, starts), windows, -1.0)
        if charge.one_a_day:
            days = np.flatnonzero(np.diff(intervals.wall[starts] // DAY_NS + home, prepend=-1))
            home, windows = home[days], np.maximum.reduceat(windows, days)
        highest = _highest(windows, np.searchsorted(home, np.arange(self.count + 1)), charge.highest)
        name = column(self.tariff.demand_column(charge), charge.bucket)
        return {name: highest * (60.0 / charge.window_minutes / STEPS_PER_KWH)}


def _highest(windows, edges, most):
    """Return the mean of the highest windows between each two edges, of `most` of them or of all that there are."""
    if most == 1:
        return np.maximum(np.maximum.reduceat(windows, edges[:-1]), 0.0)
    tops = (np.sort(windows[start:stop])[-most:] for start, stop in zip(edges, edges[1:]))
    return np.array([top[top >= 0].mean() if (top >= 0).any() else 0.0 for top in tops])
