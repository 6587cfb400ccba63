"""Energy of one quantity from moment to moment, and between which bounds it lies where it was not measured.

A gap is never left out and never filled in silence: it is an interval like others, with the least and the most that it
can hold. Between two readings of a register that is what the register counted; else it is what like hours of the days
around brought, or how they differ from the hours beside them; and where these do not tell, what the limits allow.

The days and hours that count as like were chosen on one made year. On a measured year of load and three other made
houses (quarter hours; 60 days for each of seven flows), the range of a day with a gap of up to six hours held the truth
on 97 to 100 % of the days, that of a day without any reading on 92 to 98 %.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from solarlib.files.steps import ONE_DAY, moved

_HOUR_NS = 3.6e12
NEAR_DAYS, NEAR_H, LEAST_LIKE = 14, 1.0, 20  # days and hours around a gap whose like intervals tell of it, and how many
SOUND_SHARE, SOUND_KWH = 0.05, 0.1  # a sum whose range is no wider is as good as measured


@dataclass(frozen=True, eq=False)
class Flow:
    """Energy of one quantity in intervals that follow one another.

    Attributes
    ----------
    edges : DatetimeIndex, shape (n + 1,)
        The moments between the intervals, rising.
    kwh, low, high : ndarray, shape (n,)
        Energy of each interval, the least and the most that it can be.
    measured : ndarray of bool, shape (n,)
        Where all three are alike because somebody measured it.
    origin : str
        The file, or what it was derived from and how.
    """

    edges: pd.DatetimeIndex
    kwh: np.ndarray
    low: np.ndarray
    high: np.ndarray
    measured: np.ndarray
    origin: str

    @property
    def hours(self):
        """Length of each interval. [h]"""
        return np.diff(self.edges.asi8) / _HOUR_NS

    def sums(self, moments: pd.DatetimeIndex) -> pd.DataFrame:
        """Return the energy between successive moments, as far as the record goes.

        Returns
        -------
        DataFrame, labels are the moments that open the spans
            ``kwh``, an interval across a moment shared evenly; ``low`` of whole intervals alone, ``high`` of all that
            are touched; ``even_low`` and ``even_high`` with the range shared evenly too; ``early`` and ``late`` with
            all of an interval across moments in its first or its last span; ``known`` [kWh] what was measured of it,
            ``measured`` the share of the time in which it was; ``inside`` whether the record covers all of the time,
            ``sound`` whether the range is small.
        """
        edges, at = self.edges.asi8, moments.as_unit("ns").asi8
        after = np.minimum(np.searchsorted(edges, at), len(self.kwh))
        before = np.maximum(np.searchsorted(edges, at, side="right") - 1, 0)
        inner = (np.minimum(after[:-1], before[1:]), before[1:])
        columns = {"known": self.kwh * self.measured, "measured": self.hours * self.measured}
        columns |= {"low": self.low, "high": self.high, "kwh": self.kwh}
        total = {name: np.r_[0.0, np.cumsum(values)] for name, values in columns.items()}
        found = {name: total[name][inner[1]] - total[name][inner[0]] for name in ("known", "measured", "low")}
        found["high"] = total["high"][after[1:]] - total["high"][before[:-1]]
        found |= {"early": np.diff(total["kwh"][after]), "late": np.diff(total["kwh"][before])}
        for name, part in (("kwh", "kwh"), ("even_low", "low"), ("even_high", "high")):
            found[name] = np.diff(np.interp(at, edges, total[part]))
        table = pd.DataFrame(found, moments[:-1]).round(9)
        table["measured"] /= np.diff(at) / _HOUR_NS
        table["inside"] = (at[:-1] >= edges[0]) & (at[1:] <= edges[-1])
        slack = np.maximum(SOUND_SHARE * table["kwh"].abs(), SOUND_KWH)
        return table.assign(sound=table["inside"] & (table["high"] - table["low"] <= slack))


def flow_of(edges, known, limits_kw, origin) -> Flow:
    """Return the flow of energies of which some are not known (NaN).

    Parameters
    ----------
    edges : DatetimeIndex, shape (n + 1,), time-zone aware
    known : ndarray, shape (n,)
        [kWh]
    limits_kw : (float, float)
        The least and the most mean power that can be.
    origin : str
    """
    edges, known = edges.as_unit("ns"), np.asarray(known, float)
    gap, hours = np.isnan(known), np.diff(edges.asi8) / _HOUR_NS
    if not gap.any():
        return Flow(edges, known, known, known, ~gap, origin)
    new_day = np.diff(edges[:-1].tz_localize(None).as_unit("ns").asi8 // ONE_DAY.value) != 0
    keep = ~gap | np.r_[True, ~gap[:-1] | new_day]  # where an interval, or a gap within a day, begins
    begins = np.flatnonzero(keep)
    sizes, span, kwh = np.diff(np.r_[begins, len(known)]), np.add.reduceat(hours, begins), np.nan_to_num(known)[keep]
    low, high, usual = kwh.copy(), kwh.copy(), kwh.sum() / max(hours[~gap].sum(), 1e-9)
    like = _Like(known, hours)
    for place in np.flatnonzero(gap[keep]):
        bounds = np.array(limits_kw) * span[place]
        found = like.bounds(begins[place], sizes[place]) or (bounds[0], usual * span[place], bounds[1])
        low[place], kwh[place], high[place] = np.clip(found, *bounds)
    return Flow(edges[np.r_[keep, True]], kwh, low, high, ~gap[keep], origin)


class _Like:
    """What intervals like those of a gap held, on the days around and at hours near its own."""

    def __init__(self, known, hours):
        step = np.median(hours)
        self.sums, self.gaps = (np.r_[0, np.cumsum(part)] for part in (np.nan_to_num(known), np.isnan(known)))
        days, near = np.r_[-NEAR_DAYS:0, 1 : NEAR_DAYS + 1] * max(1, round(24 / step)), int(NEAR_H / step)
        hours_near = np.arange(-near, near + 1, max(1, near // 4))  # of minutes some, not all 121
        self.shifts = (days[:, None] + hours_near).ravel() if np.allclose(hours, step) else days[:0]
        self.beside = max(1, near // 2)

    def bounds(self, begin, size):
        """Return the least, the middle and the most of a gap, None where there are too few like it. [kWh]"""
        found = [self._from(begin, size, beside) for beside in (0, self.beside)]
        return min(filter(None, found), key=lambda it: it[2] - it[0], default=None)

    def _from(self, begin, size, beside):
        """Return the same from like intervals, with `beside` from how they differ from as many on either side."""
        at = np.r_[begin, begin + self.shifts]
        at = at[(at >= beside) & (at + size + beside < len(self.sums))]
        sides = ((at - beside, at), (at + size, at + size + beside))
        whole = sum(self.gaps[end] - self.gaps[start] for start, end in sides) == 0
        outer = sum(self.sums[end] - self.sums[start] for start, end in sides) * size / max(1, 2 * beside)
        fits = whole & (self.gaps[at + size] == self.gaps[at])
        if fits.sum() < LEAST_LIKE or at[0] != begin or not whole[0]:
            return None
        like = (self.sums[at + size] - self.sums[at] - outer)[fits]
        return tuple(outer[0] + np.array([like.min(), like.mean(), like.max()]))


def flow_of_table(measured, limits_kw) -> Flow:
    """Return the flow of one column of regular readings; see `steps.Measured`."""
    energy = measured.energy_kwh()
    edges = energy.index.append(moved(energy.index, measured.step, 1)[-1:])
    return flow_of(edges, energy, limits_kw, measured.origin)


def joined(first: Flow, second: Flow, sign: int, limits_kw: tuple, origin: str) -> Flow | None:
    """Return the sum (sign 1) or difference (-1) of two flows between the moments that both share, None without any."""
    edges = first.edges[np.isin(first.edges.asi8, second.edges.asi8)]
    if len(edges) < 2:
        return None
    known = [part.sums(edges) for part in (first, second)]
    one, two = (part["kwh"].where((part["measured"] > 1 - 1e-9) & part["inside"]) for part in known)
    return flow_of(
        edges, (one + sign * two).clip(lower=limits_kw[0] * np.diff(edges.asi8) / _HOUR_NS), limits_kw, origin
    )
