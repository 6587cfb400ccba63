"""What instruments see of a net power: two registers, pulses, a reading without its sign.

Net power is positive when the house imports. A two-register meter counts energy *delivered* by the utility and
energy *received* from the house; neither ever counts down.
"""

import numpy as np
import pandas as pd

from solarlib.quantities import check_index, energy_kwh, refusal, refuse_if, require, whole_number


def split(net_w: pd.Series) -> pd.DataFrame:
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
    return split_energy(energy_kwh(net_w))


def split_energy(net_kwh):
    """Return the energy delivered and received in each interval from its net energy; see `split`. [kWh]"""
    return pd.DataFrame({"delivered_kwh": net_kwh.clip(lower=0), "received_kwh": (-net_kwh).clip(lower=0)})


def registers(net_kwh, digits=5, start=(0.0, 0.0)):
    """Return what the display of a two-register meter shows, in whole kWh.

    Parameters
    ----------
    net_kwh : Series, shape (n,)
        Net energy of each interval, import positive. [kWh]
    digits : int
        Digits of each register; it passes from 99...9 to 0.
    start : (float, float)
        Delivered and received registers before the first interval, fractions included. [kWh]

    Returns
    -------
    DataFrame, shape (n + 1,)
        ``delivered_kwh`` and ``received_kwh`` read at each interval's ends: labels are instants, first the
        start of the first interval, last the end of the last one.

    Raises
    ------
    InputError
        If an energy is missing (the register counted on, nobody knows how far) or ``start`` is off the dial.
    """
    index, dial = net_kwh.index, _dial(digits)
    instants = index.append(index[-1:] + check_index(index, "net_kwh"))
    refuse_if(net_kwh.isna().any(), "no_complete_record", "net_kwh", times=index[net_kwh.isna()])
    columns = {}
    for first, (name, energy) in zip(start, split_energy(net_kwh).items()):
        require(first, f"start of {name}", 0, np.nextafter(dial, 0), "kWh")
        shown = first + np.concatenate([[0.0], np.cumsum(energy.to_numpy(float))])
        # Ten times 0.1 kWh is one kWh: keep the float sum from showing the whole kWh an interval late.
        columns[name] = np.floor(np.round(shown, 9)).astype(np.int64) % dial
    return pd.DataFrame(columns, index=instants)


def _dial(digits):
    return 10 ** whole_number(digits, "digits", 1, 12)


def register_difference(
    before: float, after: float, digits: int, multiplier: float = 1, at_most_kwh: float | None = None
) -> float:
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
        facts = {"before": before, "after": after, "digits": digits, "difference": difference, "limit": limit}
        raise refusal("register_jump", "register", **facts)
    return difference * multiplier


def pulse_power(wh_per_pulse: float, seconds: float) -> float:
    """Return the mean power when one pulse (or disk turn) takes ``seconds``: 3600 x Wh / s. [W]"""
    require(wh_per_pulse, "wh_per_pulse", 1e-6, 1e6, "Wh")
    return 3600.0 * wh_per_pulse / require(seconds, "seconds", 1e-6, 1e9, "s")


def unsigned(
    net_w: pd.Series, noise_w: float = 0.0, step_w: float = 0.0, rng: np.random.Generator | None = None
) -> pd.Series:
    """Return what a sensor shows that cannot tell import from export.

    Parameters
    ----------
    net_w : Series
        Net power. [W]
    noise_w : float
        Standard deviation of one reading's error. [W]
    step_w : float
        Smallest step of the display; 0 for none. [W]
    rng : numpy.random.Generator
        Needed when ``noise_w`` > 0.

    Returns
    -------
    Series
        One reading an interval of the data, never negative; missing where the power is. [W]

    Notes
    -----
    A reading is ``| |n| + e |`` with ``e`` normal. It has the law of ``|n + e|``: the folded normal.
    """
    require(noise_w, "noise_w", 0, 1e6, "W")
    require(step_w, "step_w", 0, 1e6, "W")
    check_index(net_w.index, "net_w")
    reading = net_w.abs().to_numpy(float)
    if noise_w:
        if rng is None:
            raise refusal("no_generator", "rng", use="when noise_w is above 0")
        reading = np.abs(reading + rng.normal(0.0, noise_w, len(reading)))
    if step_w:
        reading = np.round(reading / step_w) * step_w
    return pd.Series(reading, net_w.index, name="reading_w")
