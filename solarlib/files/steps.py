"""How evenly a record stands in time: its commonest step, what is missing between its rows, and its even form.

A day of the local clock has 23 or 25 hours where the clock is changed. Rows a day apart are therefore counted on the
clock of their zone, if they keep its time of day; all other rows in true time.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from solarlib.quantities import refusal, refuse_if

ONE_DAY, ONE_HOUR = pd.Timedelta(days=1), pd.Timedelta(hours=1)
CLOCK_CHANGE = ONE_HOUR  # how far a local day may differ from 24 h


def even_labels(index, step):
    """Return labels that are a step apart where no row is missing, and whether they are the local clock's.

    Parameters
    ----------
    index : DatetimeIndex, time-zone aware, shape (n,)
    step : Timedelta

    Returns
    -------
    labels : ndarray of int64, shape (n,)
        ns since 1970 in UTC; of the local clock for a step of a day, unless rows keep 24 h better than the time of day.
    by_clock : bool
    """
    true = index.as_unit("ns").asi8
    if step != ONE_DAY:
        return true, False
    clock = index.tz_localize(None).as_unit("ns").asi8
    usual = pd.Series(clock % ONE_DAY.value).mode().iloc[0] if clock.size else 0
    # On a day whose clock skips this time of day, the next moment stands for it.
    named = clock - clock % ONE_DAY.value + usual
    clock = np.where(first_moments(named, index.tz) == index, named, clock)
    by_clock = bool((np.diff(clock) == ONE_DAY.value).sum() >= (np.diff(true) == ONE_DAY.value).sum())
    return (clock, True) if by_clock else (true, False)


def first_moments(labels, zone):
    """Return the moments of clock readings, times or ns: the first of two, and the next where the clock skips one."""
    return pd.DatetimeIndex(labels).tz_localize(zone, ambiguous=np.ones(len(labels), bool), nonexistent="shift_forward")


def moved(index, step, count):
    """Return the index with each label moved by a number of steps; a step of a day keeps the local time of day."""
    labels, by_clock = even_labels(index, step)
    return first_moments(labels + count * step.value, index.tz) if by_clock else index + count * step


def common_step(index):
    """Return the commonest distance of two labels, or None where fewer than half of all keep it."""
    steps = np.diff(index.as_unit("ns").asi8)
    if not steps.size:
        return None
    if abs(np.median(steps) - ONE_DAY.value) <= CLOCK_CHANGE.value:
        steps = np.diff(even_labels(index, ONE_DAY)[0])
    middle = np.median(steps)
    return pd.Timedelta(int(middle), "ns") if (steps == middle).mean() >= 0.5 else None


def missing(index, step):
    """Return the gaps of a record: ``start`` and ``end`` of each, and the ``intervals`` that are missing.

    Parameters
    ----------
    index : DatetimeIndex, rising
    step : Timedelta or None
        None: nothing can be said, the table is empty.
    """
    if step is None:
        return pd.DataFrame({"start": index[:0], "end": index[:0], "intervals": np.zeros(0, np.int64)})
    labels, _ = even_labels(index, step)
    steps = np.diff(labels)
    wide = np.flatnonzero(steps >= 2 * step.value)
    lost = steps[wide] // step.value - 1
    return pd.DataFrame({"start": moved(index, step, 1)[wide], "end": index[wide + 1], "intervals": lost})


def even_index(index, step):
    """Return every label from the first to the last, a step apart; steps of a day follow the local clock."""
    labels, by_clock = even_labels(index, step)
    if by_clock:
        return first_moments(np.arange(labels[0], labels[-1] + step.value, step.value), index.tz)
    return pd.date_range(index[0], index[-1], freq=step, unit="ns")


def regular(values, step, name):
    """Return a table or a column on an even index, NaN where nothing was read; rows that stand off it are left out.

    Parameters
    ----------
    values : DataFrame or Series, rising time-zone-aware index
    step : Timedelta or None
    name : str
        Of the file, for messages.

    Raises
    ------
    InputError
        There is no step, or nearly all would be gaps.
    """
    refuse_if(step is None, "no_step", name)
    labels, _ = even_labels(values.index, step)
    # The offset that most labels have on the step's grid: a first row that stands askew must not push all others off.
    offset = pd.Series(labels % step.value).mode().iloc[0]
    kept, labels = values[labels % step.value == offset], labels[labels % step.value == offset]
    if (labels[-1] - labels[0]) // step.value > 50 * len(values) + 10_000_000:
        raise refusal("all_gaps", name, first=values.index[0], last=values.index[-1], step=step)
    return kept.reindex(even_index(kept.index, step))


@dataclass(frozen=True, eq=False)
class Measured:
    """A measured quantity.

    Attributes
    ----------
    series : Series
        Rising time-zone-aware index, START labels at true times; NaN is missing.
    step : Timedelta
        Length of an interval.
    quantity, unit : str
        As in `mapping.QUANTITY_UNITS`; the unit is W (mean over the interval), kWh (in the interval), kWh/kW, W/m2 or
        degC.
    origin : str
        Name of the file.
    """

    series: pd.Series
    step: pd.Timedelta
    quantity: str
    unit: str
    origin: str

    def even(self) -> pd.Series:
        """Return the series with a row for every interval; missing ones are NaN. See `regular`."""
        return regular(self.series, self.step, self.origin)

    @property
    def watts(self) -> float:
        """The mean power that 1 W, or 1 kWh in an interval, is. [W]"""
        return 1.0 if self.unit == "W" else 1000.0 / (self.step / ONE_HOUR)

    def power_w(self) -> pd.Series:
        """Return the even mean power of a power or an energy. [W]"""
        return self.even() * self.watts

    def energy_kwh(self) -> pd.Series:
        """Return the energy in each even interval of a power or an energy. [kWh]"""
        return self.even() if self.unit == "kWh" else self.even() * (self.step / ONE_HOUR / 1000.0)
