"""What instruments see of a net power: two registers, netted energies, pulses, a reading without its sign.

Net power is positive when the house imports. A two-register meter counts energy *delivered* by the utility and
energy *received* from the house; neither ever counts down.
"""

import numpy as np
import pandas as pd

from solarlib.quantities import InputError, check_index, energy_kwh, require

# ---------------------------------------------------------------- registers


def split(net_w):
    """Return the energy delivered and received in each interval.

    Parameters
    ----------
    net_w : Series
        Mean net power, import positive; NaN stays missing. [W]

    Returns
    -------
    DataFrame
        ``delivered_kwh`` and ``received_kwh``, both >= 0. What changes sign inside an interval is already netted.
    """
    energy = energy_kwh(net_w)
    return pd.DataFrame({"delivered_kwh": energy.clip(lower=0), "received_kwh": (-energy).clip(lower=0)})


def net_over(energies, freq):
    """Net delivered against received energy within longer intervals.

    Parameters
    ----------
    energies : DataFrame
        As from `split`. [kWh]
    freq : str
        pandas offset of the netting interval: ``"15min"``, ``"1h"``, ``"1D"``, ``"MS"`` ...

    Returns
    -------
    DataFrame
        ``delivered_kwh`` and ``received_kwh`` by netting interval, at most one of them above zero; missing where
        any interval inside is missing. Longer netting never raises either total and keeps their difference. [kWh]

    Raises
    ------
    InputError
        If ``freq`` is shorter than the data's interval or cuts through it.
    """
    step = check_index(energies.index, "energies")
    offset = pd.tseries.frequencies.to_offset(freq)
    if isinstance(offset, pd.tseries.offsets.Tick) and pd.Timedelta(offset) % step != pd.Timedelta(0):
        raise InputError(f"netting interval: found {freq}, allowed is a whole multiple of the data's {step}")
    bins = (energies["delivered_kwh"] - energies["received_kwh"]).resample(freq)
    net = bins.sum().where(bins.count() == bins.size())
    return pd.DataFrame({"delivered_kwh": net.clip(lower=0), "received_kwh": (-net).clip(lower=0)})


def registers(net_w, digits=5, start=(0.0, 0.0), whole=True):
    """Return what the display of a two-register meter shows.

    Parameters
    ----------
    net_w : Series, shape (n,)
        Mean net power, import positive. [W]
    digits : int
        Digits of each register; it passes from 99...9 to 0.
    start : (float, float)
        Delivered and received registers before the first interval, fractions included. [kWh]
    whole : bool
        Show whole kWh, as a display does; ``False`` keeps the fraction.

    Returns
    -------
    DataFrame, shape (n + 1,)
        ``delivered_kwh`` and ``received_kwh`` read at each interval's ends: labels are instants, first the
        start of the first interval, last the end of the last one.

    Raises
    ------
    InputError
        If a power is missing (the register counted on, nobody knows how far) or ``start`` is off the dial.
    """
    step = check_index(net_w.index, "net_w")
    _complete(net_w)
    dial = _dial(digits)
    instants = net_w.index.append(net_w.index[-1:] + step)
    columns = {}
    for first, (name, energy) in zip(start, split(net_w).items()):
        require(first, f"start of {name}", 0, np.nextafter(dial, 0), "kWh")
        shown = first + np.concatenate([[0.0], np.cumsum(energy.to_numpy(float))])
        # Ten times 0.1 kWh is one kWh: keep the float sum from showing the whole kWh an interval late.
        columns[name] = (np.floor(np.round(shown, 9)).astype(np.int64) if whole else shown) % dial
    return pd.DataFrame(columns, index=instants)


def _complete(net_w):
    if net_w.isna().any():
        raise InputError(f"net_w: found no value at {net_w.index[net_w.isna()][0]}, allowed is a complete record")


def _dial(digits):
    if isinstance(digits, bool) or not isinstance(digits, (int, np.integer)) or not 1 <= digits <= 12:
        raise InputError(f"digits: found {digits!r}, allowed is a whole number from 1 to 12")
    return 10 ** int(digits)


def register_difference(before, after, digits, multiplier=1, at_most_kwh=None):
    """Return the energy between two readings of one register.

    Parameters
    ----------
    before, after : number
        Readings as displayed. [kWh]
    digits : int
        Digits of the register; a reading below the one before it has passed 99...9.
    multiplier : number
        Meter constant that a displayed kWh stands for.
    at_most_kwh : number, optional
        Largest difference of the *display* to believe. The default is half the dial: more than that is far more
        often a register read in the wrong order, or an exchanged meter, than a year of use. [kWh]

    Returns
    -------
    number
        Never negative: a falling register is not export. [kWh]

    Raises
    ------
    InputError
        If a reading is off the dial or the difference is not believable.

    Examples
    --------
    >>> register_difference(99876, 123, digits=5)
    247
    """
    dial = _dial(digits)
    for name, reading in (("reading before", before), ("reading after", after)):
        require(reading, name, 0, np.nextafter(dial, 0), "kWh")
    require(multiplier, "multiplier", 1e-6, 1e6)
    limit = dial / 2 if at_most_kwh is None else require(at_most_kwh, "at_most_kwh", 0, dial, "kWh")
    difference = (after - before) % dial
    if difference > limit:
        raise InputError(
            f"register: found {before:g} then {after:g} kWh, a difference of {difference:g} kWh on {digits} digits; "
            f"allowed is up to {limit:g} kWh: look at the order of the readings, a meter exchange, swapped registers"
        )
    return difference * multiplier


# Largest error of a meter in percent of the energy it shows. ANSI C12.20 names its classes by that figure; the
# European directive 2014/32/EU (annex V, 5 to 30 degC) names them A, B, C: (from Imin to Itr, from Itr to Imax).
ANSI_CLASS_PERCENT = (0.1, 0.2, 0.5)
EUROPEAN_CLASS_PERCENT = {"A": (3.5, 3.5), "B": (2.0, 2.0), "C": (1.0, 0.7)}


# ---------------------------------------------------------------- pulses and disk turns


def pulse_wh(pulses_per_kwh):
    """Return the energy of one pulse. An older meter prints it directly, as Kh, the Wh of one disk turn. [Wh]"""
    return 1000.0 / require(pulses_per_kwh, "pulses_per_kwh", 1e-3, 1e6)


def pulse_power(wh_per_pulse, seconds, pulses=1):
    """Return the mean power when ``pulses`` pulses (or disk turns) take ``seconds``: 3600 x Wh x pulses / s. [W]"""
    require(wh_per_pulse, "wh_per_pulse", 1e-6, 1e6, "Wh")
    require(pulses, "pulses", 0, 1e9)
    return 3600.0 * wh_per_pulse * pulses / require(seconds, "seconds", 1e-6, 1e9, "s")


def pulse_seconds(wh_per_pulse, power_w):
    """Return the time between two pulses (or of one disk turn) at a steady power. [s]"""
    require(wh_per_pulse, "wh_per_pulse", 1e-6, 1e6, "Wh")
    return 3600.0 * wh_per_pulse / require(power_w, "power_w", 1e-6, 1e9, "W")


def _counted(net_w, wh_per_pulse, start_wh):
    """Return a direction-blind count in pulses, fractions included: before the first interval, then at each end."""
    step = check_index(net_w.index, "net_w")
    _complete(net_w)
    require(wh_per_pulse, "wh_per_pulse", 1e-6, 1e6, "Wh")
    require(start_wh, "start_wh", 0, np.nextafter(wh_per_pulse, 0), "Wh")
    watt_hours = net_w.abs().to_numpy(float) * (step / pd.Timedelta(hours=1))
    # Rounded, so that ten times 0.1 is one pulse and both functions below agree on it.
    return np.round((start_wh + np.concatenate([[0.0], np.cumsum(watt_hours)])) / wh_per_pulse, 9)


def pulse_counts(net_w, wh_per_pulse, start_wh=0.0):
    """Return how many pulses a direction-blind meter gives in each interval.

    Parameters
    ----------
    net_w : Series
        Mean net power; the pulse output sees only its magnitude. [W]
    wh_per_pulse : float
        [Wh]
    start_wh : float
        What the counter holds towards its next pulse at the start. [Wh]

    Returns
    -------
    Series of int
    """
    counted = _counted(net_w, wh_per_pulse, start_wh)
    return pd.Series(np.diff(np.floor(counted)).astype(np.int64), net_w.index, name="pulses")


def pulse_times(net_w, wh_per_pulse, start_wh=0.0):
    """Return the instant of every pulse of a direction-blind meter; power is steady within an interval.

    Parameters are those of `pulse_counts`.

    Returns
    -------
    DatetimeIndex
    """
    counted = _counted(net_w, wh_per_pulse, start_wh)
    levels = np.arange(1, int(np.floor(counted[-1])) + 1)
    interval = np.searchsorted(counted, levels, side="left") - 1
    share = (levels - counted[interval]) / (counted[interval + 1] - counted[interval])
    start = net_w.index.as_unit("ns")
    return start[interval] + pd.to_timedelta(np.rint(share * (start[1] - start[0]).value).astype(np.int64), unit="ns")


# ---------------------------------------------------------------- a reading without its sign


def unsigned(net_w, noise_w=0.0, step_w=0.0, rng=None, interval=None, snapshot=False):
    """Return what a sensor shows that cannot tell import from export.

    Parameters
    ----------
    net_w : Series
        Net power, as finely as it is known. [W]
    noise_w : float
        Standard deviation of one reading's error. [W]
    step_w : float
        Smallest step of the display; 0 for none. [W]
    rng : numpy.random.Generator
        Needed when ``noise_w`` > 0.
    interval : str or Timedelta, optional
        Time between readings, a whole multiple of the data's step; the default is the data's step.
    snapshot : bool
        ``False``: the mean of the magnitude over the interval, not the magnitude of the mean, so import and
        export inside one interval add up. ``True``: the magnitude at the interval's start.

    Returns
    -------
    Series
        One reading an interval, START labels, never negative; missing where any value it needs is missing. [W]

    Notes
    -----
    A reading is ``| |n| + e |`` with ``e`` normal. For a snapshot this has the law of ``|n + e|``: the folded
    normal.
    """
    require(noise_w, "noise_w", 0, 1e6, "W")
    require(step_w, "step_w", 0, 1e6, "W")
    step = check_index(net_w.index, "net_w")
    ratio = 1.0 if interval is None else pd.Timedelta(interval) / step
    if ratio < 1 or ratio != int(ratio):
        raise InputError(f"reading interval: found {interval}, allowed is a whole multiple of the data's {step}")
    ratio = int(ratio)
    rows = len(net_w) // ratio
    fine = net_w.abs().to_numpy(float)[: rows * ratio].reshape(rows, ratio)
    reading = fine[:, 0] if snapshot else fine.mean(axis=1)
    if noise_w:
        if rng is None:
            raise InputError("rng: found None, allowed is a numpy random Generator when noise_w is above 0")
        reading = np.abs(reading + rng.normal(0.0, noise_w, rows))
    if step_w:
        reading = np.round(reading / step_w) * step_w
    return pd.Series(reading, net_w.index[: rows * ratio : ratio], name="reading_w")
