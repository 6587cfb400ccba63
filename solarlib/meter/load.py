"""What the house draws: a measured year of minutes scaled to a total, of the year or each month, plus appliances.

The measured year belongs to one house in France. Only its shape is used: when people cook, wash and sleep, how
often the power jumps and how far. Its minutes are wall-clock minutes, so the shape moves with people's clocks.
"""

import calendar
import hashlib
import io
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import numpy as np
import pandas as pd

from solarlib.quantities import TYPICAL_YEAR, check_index, one_of, refusal, refuse_if, require, whole_number, year_index
from solarlib.schema import choice, declared, listing, real, text

MEASURED_FILE = Path(__file__).resolve().parents[2] / "data" / "load_minutes.csv.gz"
MEASURED_SHA256 = "ab81b1671dd86e0eb6282516e4273e4c0ca5bf11dd6bc8b523d437af651a08d5"  # as data/README.md tells it
MINUTES_PER_DAY = 1440
SOUTHERN_SHIFT_DAYS = 26 * 7  # half a year in whole weeks, so that Mondays stay Mondays
APPLIANCE_KINDS = ("timer", "cooling", "heating")


def measured_year():
    """Return the measured household's power in 2009, minute by minute; see `read_minutes`.

    References
    ----------
    G. Hebrail, A. Berard, *Individual household electric power consumption*, UCI Machine Learning Repository
    (2012), CC BY 4.0.
    """
    return read_minutes(MEASURED_FILE)


def read_minutes(file):
    """Return the wide table that ``data/build.py`` makes: a year of power, minute by minute.

    Returns
    -------
    DataFrame, shape (365, 1440)
        One row a date, one column a minute of the civil day ``00:00`` ... ``23:59``; NaN where the source had a
        gap that somebody filled (masked). [W]

    Raises
    ------
    InputError
        If the file is not the one that is shipped, byte for byte.
    """
    name = Path(file).name
    try:
        content = Path(file).read_bytes()
    except OSError as error:
        raise refusal("damaged_year", name, error=error) from None
    found = hashlib.sha256(content).hexdigest()
    refuse_if(found != MEASURED_SHA256, "damaged_year", name, error=f"a file with the sum {found[:12]}...")
    table = pd.read_csv(io.BytesIO(content), compression="gzip", index_col="date", parse_dates=True)
    return table.asfreq("D").astype(float)


def fill_masked(table):
    """Fill masked minutes with the same minutes of the nearest other week, an earlier one first.

    Parameters
    ----------
    table : DataFrame, shape (days, minutes)
        Consecutive dates, NaN where masked, as from `measured_year`. [W]

    Returns
    -------
    DataFrame
        The same table without NaN; only measured minutes are copied, never a filled one again. [W]
    """
    measured = table.to_numpy(float)
    power = measured.copy()
    for weeks in range(1, len(power) // 7 + 1):
        for shift in (-7 * weeks, 7 * weeks):
            days = np.flatnonzero(np.isnan(power).any(axis=1))
            days = days[(days + shift >= 0) & (days + shift < len(power))]
            power[days] = np.where(np.isnan(power[days]), measured[days + shift], power[days])
    left = table.index[np.isnan(power).any(axis=1)]
    refuse_if(len(left), "no_week", "measured year", days=left)
    return pd.DataFrame(power, table.index, table.columns)


@dataclass(frozen=True)
class Appliance:
    """One named appliance on top of the measured household.

    Parameters
    ----------
    name : str
    power_w : float
        Power while it runs. [W]
    kind : 'timer', 'cooling' or 'heating'
    daily_hours : sequence of (start, end)
        Timer only: wall-clock hours from 0 to 24; an end not after its
        start runs past midnight. [h]
    threshold_c : float
        Cooling runs above, heating below this outdoor temperature. [degC]
    yearly_kwh : float
        Cooling and heating only: energy it takes in the year. [kWh]
    cycle_minutes, run_minutes : int
        Cooling and heating only: the thermostat decides once a cycle, for runs of whole multiples of
        ``run_minutes``, which divides ``cycle_minutes``. [min]
    """

    name: str = declared(text())
    power_w: float = declared(real(1, 50_000, "W"))
    kind: str = declared(choice(*APPLIANCE_KINDS))
    daily_hours: tuple = declared(listing(listing(real(0, 24, "h"), 2)), default=())
    threshold_c: float | None = declared(real(-50, 50, "degC"), default=None)
    yearly_kwh: float | None = declared(real(0, 100_000, "kWh"), default=None)
    cycle_minutes: int = 20
    run_minutes: int = 5

    def __post_init__(self):
        where = f"appliance {self.name}"
        require(self.power_w, f"{where}, power_w", 0, 50_000, "W")
        one_of(self.kind, f"{where}, kind", APPLIANCE_KINDS)
        hours = tuple(tuple(pair) for pair in self.daily_hours)
        object.__setattr__(self, "daily_hours", hours)
        if self.kind == "timer":
            wrong = not hours or any(len(pair) != 2 for pair in hours)
            refuse_if(wrong, "daily_hours", f"{where}, daily_hours", hours=hours)
            for hour in (hour for pair in hours for hour in pair):
                require(hour, f"{where}, daily_hours", 0, 24, "h")
            return
        require(self.threshold_c, f"{where}, threshold_c", -50, 50, "degC")
        require(self.yearly_kwh, f"{where}, yearly_kwh", 0, 100_000, "kWh")
        require(self.power_w, f"{where}, power_w", 1, 50_000, "W")
        for name in ("cycle_minutes", "run_minutes"):
            whole_number(getattr(self, name), f"{where}, {name}", 1, MINUTES_PER_DAY)
        run, cycle = self.run_minutes, self.cycle_minutes
        refuse_if(cycle % run, "run_minutes", f"{where}, run_minutes", run=run, cycle=cycle)


def _wall_clock(index):
    """Return the minute of the day and the days since 1 January, both by the wall clock."""
    naive = index.tz_localize(None)
    minutes = np.asarray((naive - pd.Timestamp(year=naive[0].year, month=1, day=1)) // pd.Timedelta(minutes=1))
    return minutes % MINUTES_PER_DAY, minutes // MINUTES_PER_DAY


def _timer_share(appliance, minute):
    on = np.zeros(len(minute), bool)
    for start, end in np.multiply(appliance.daily_hours, 60):
        on |= (minute >= start) & (minute < end) if start < end else (minute >= start) | (minute < end)
    return on.astype(float)


def _temperature_at(times, temp_air, where):
    """Return the hourly temperature that holds at each time; the year's ends meet across a zone's clock change."""
    step = check_index(temp_air.index, "temp_air")
    refuse_if(temp_air.isna().any(), "year_with_gaps", "temp_air", times=temp_air.index[temp_air.isna()])
    position = np.asarray((times - temp_air.index[0]) // step)
    day = int(pd.Timedelta(days=1) / step)
    if position[0] < -day or position[-1] >= len(temp_air) + day:
        found = {"first": temp_air.index[0], "last": temp_air.index[-1]}
        raise refusal("another_year", where, **found, start=times[0], end=times[-1])
    return temp_air.to_numpy(float)[position % len(temp_air)]


def _thermostat_share(appliance, index, temp_air):
    where = f"appliance {appliance.name}"
    refuse_if(temp_air is None, "no_temperature", where, kind=appliance.kind)
    cycles = index[:: appliance.cycle_minutes]
    degrees = _temperature_at(cycles, temp_air, where) - appliance.threshold_c
    degrees = np.maximum(degrees if appliance.kind == "cooling" else -degrees, 0)
    wanted = appliance.yearly_kwh * 60_000 / appliance.power_w / appliance.cycle_minutes  # in whole cycles
    possible = np.count_nonzero(degrees)
    if wanted > possible:
        most_kwh = possible * appliance.cycle_minutes * appliance.power_w / 60_000
        raise refusal(f"too_much_{appliance.kind}", f"{where}, yearly_kwh", it=appliance, most=most_kwh)
    if wanted == 0:
        return np.zeros(len(index))
    # Duty = slope * degrees, at most 1. Bisection on the slope: the sum grows with it.
    low, high = 0.0, 1 / degrees[degrees > 0].min()
    for _ in range(100):
        slope = (low + high) / 2
        low, high = (slope, high) if np.minimum(slope * degrees, 1).sum() < wanted else (low, slope)
    # What a cycle owes but cannot run as a whole multiple of run_minutes is carried to the next cycle.
    owed = np.cumsum(np.minimum(high * degrees, 1)) * appliance.cycle_minutes / appliance.run_minutes
    running = np.diff(np.floor(owed + 1e-6), prepend=0) * appliance.run_minutes
    return (np.arange(appliance.cycle_minutes) < running[:, None]).ravel()[: len(index)].astype(float)


def appliance_power(appliance, index, temp_air=None):
    """Return what one appliance draws in each minute.

    Parameters
    ----------
    appliance : Appliance
    index : DatetimeIndex
        One-minute START labels in local time.
    temp_air : Series or None
        Outdoor temperature over the same year, for cooling and heating. [degC]

    Returns
    -------
    Series
        On-off power, the same on every call. [W]
    """
    if appliance.kind == "timer":
        share = _timer_share(appliance, _wall_clock(index)[0])
    else:
        share = _thermostat_share(appliance, index, temp_air)
    return pd.Series(share * appliance.power_w, index, name=appliance.name)


def _source_days(day, year, southern):
    """Return the measured day that stands for each day of ``year``: same season, same day of the week."""
    offset = (pd.Timestamp(year, 1, 1).weekday() - pd.Timestamp(2009, 1, 1).weekday() + 3) % 7 - 3
    source = day + offset + (SOUTHERN_SHIFT_DAYS if southern else 0)
    # 364 days are 52 weeks: leaving the year at one end and entering at the other keeps the day of the week.
    return np.where(source > 364, source - 364, np.where(source < 0, source + 364, source))


def household(use_kwh, tz, appliances=(), temp_air=None, southern=False):
    """Return the mean power that a house draws in each minute of the typical year, by the local calendar.

    Parameters
    ----------
    use_kwh : float or twelve of them
        Use of the whole house in the year, or in each month of the local calendar, appliances included. [kWh]
    tz : str
        Time zone of the house. The minute that a clock change skips is absent, the hour that it repeats is used
        twice.
    appliances : sequence of Appliance
        They take their share of ``use_kwh``; the measured year, or each month of it, is scaled to the rest.
    temp_air : Series or None
        Outdoor temperature of the same year, needed by cooling and heating appliances. [degC]
    southern : bool
        Move the measured seasons by 26 weeks.

    Returns
    -------
    Series
        One-minute START labels in ``tz``; its energy is ``use_kwh`` to 1e-9. [W]

    Raises
    ------
    InputError
        If the appliances need more than ``use_kwh``, or one of them lacks the temperature.
    """
    by_month = isinstance(use_kwh, tuple)
    name = "monthly_kwh" if by_month else "yearly_kwh"
    wanted = [
        require(kwh, name, 0 if by_month else 1, 1_000_000, "kWh") for kwh in (use_kwh if by_month else (use_kwh,))
    ]
    refuse_if(by_month and len(wanted) != 12, "not_twelve", name, count=len(wanted))
    try:
        index = year_index("1min", tz)
    except (KeyError, ValueError) as error:
        raise refusal("zone", "tz", zone=tz) from error
    minute, day = _wall_clock(index)
    shape = _filled_shape()[_source_days(day, TYPICAL_YEAR, southern), minute]
    extra = np.zeros(len(index))
    for appliance in appliances:
        extra += appliance_power(appliance, index, temp_air).to_numpy()
    part = index.month.to_numpy() - 1 if by_month else np.zeros(len(index), int)
    taken_kwh, shape_kwh = (np.bincount(part, power) / 60_000 for power in (extra, shape))
    for kwh, taken, month in zip(wanted, taken_kwh, calendar.month_name[1:]):
        refuse_if(kwh < taken, "less_than_appliances", name + f", {month}" * by_month, kwh=kwh, taken=taken)
    return pd.Series(shape * ((wanted - taken_kwh) / shape_kwh)[part] + extra, index, name="load_w")


@lru_cache(maxsize=1)
def _filled_shape():
    return fill_masked(measured_year()).to_numpy()


def test_load(index, times, power_w, dwell):
    """Return the power of a test load that is switched on at given times.

    Parameters
    ----------
    index : DatetimeIndex
        Regular START labels with a time zone.
    times : sequence of Timestamp
        Switch-on instants with a time zone, in rising order.
    power_w : float
        Power while on. [W]
    dwell : str or Timedelta
        How long it stays on each time.

    Returns
    -------
    DataFrame
        ``power_w``: mean over the interval [W]; ``share_on``: part of the interval with the load on, 0 to 1.

    Raises
    ------
    InputError
        If two pulses overlap or a value is out of range.
    """
    step = check_index(index)
    require(power_w, "test load power_w", 0, 50_000, "W")
    dwell = pd.Timedelta(dwell)
    refuse_if(not dwell > pd.Timedelta(0), "no_dwell", "test load dwell", dwell=dwell)
    times = pd.DatetimeIndex(times)
    refuse_if(len(times) and times.tz is None, "bare_times", "test load times")
    refuse_if((times[1:] - times[:-1] < dwell).any(), "close_pulses", "test load times", dwell=dwell)
    if len(times) == 0:
        share = np.zeros(len(index))
    else:
        starts = np.asarray((times - index[0]) / step)
        width = dwell / step
        # Time on since the first label, as a broken line through the switching instants.
        corners = np.column_stack([starts, starts + width]).ravel()
        on = np.repeat(np.arange(len(starts) + 1), 2)[1:-1] * width
        share = np.round(np.clip(np.diff(np.interp(np.arange(len(index) + 1), corners, on)), 0, 1), 9)
    return pd.DataFrame({"power_w": share * power_w, "share_on": share}, index)


test_load.__test__ = False  # type: ignore[attr-defined]  # the name is the trade's; it is not a test case
