"""Registers that count up, turned into energy between two readings: rollovers, exchanged meters, swapped registers.

A register that falls has rolled over, was exchanged, was reset or was read from another register. Only what is known
(the digits, the declared exchange) is used; any other fall leaves its interval without energy and is reported.
"""

import numpy as np
import pandas as pd

from solarlib.quantities import refusal, refuse_if


def interval_energy(register, digits=None, exchanges=()):
    """Return the energy between successive readings of one register.

    Parameters
    ----------
    register : Series, rising time-zone-aware index of reading times
        As displayed; missing readings are passed over. Energies come out in the display's unit, here kWh.
    digits : int, optional
        Digits before the decimal mark; the register passes from 99...9 to 0. A rollover of up to half the dial is
        believed.
    exchanges : sequence of (time, old_last, new_first)
        Aware time of a meter exchange and the two meters' registers then. [kWh]

    Returns
    -------
    DataFrame
        Index: reading that opens the interval. ``end``: reading that closes it. ``energy_kwh``: NaN where unknown.
        ``how``: ``"difference"``, ``"rollover"``, ``"exchange"`` or ``"unknown fall"``.

    Raises
    ------
    InputError
        A reading is off the dial, or the register differs from a declared exchange in the wrong direction.
    """
    register = register.dropna()
    values = register.to_numpy(float)
    if digits is not None and values.size and (values.max() >= 10.0**digits or values.min() < 0):
        odd = values[(values >= 10.0**digits) | (values < 0)][0]
        raise refusal("off_dial", "register", odd=odd, dial=10.0**digits, digits=digits)
    index = register.index
    energy, how = np.diff(values), np.full(max(0, len(values) - 1), "difference", dtype=object)
    opened = index.as_unit("ns").asi8
    taken = np.zeros(len(energy), bool)
    for time, old_last, new_first in exchanges:
        at = int(np.searchsorted(opened, pd.Timestamp(time).as_unit("ns").value, side="right")) - 1
        if not 0 <= at < len(energy):
            continue
        refuse_if(taken[at], "two_exchanges", "exchange", first=index[at], last=index[at + 1])
        taken[at], how[at] = True, "exchange"
        energy[at] = _up(values[at], old_last, digits) + _up(new_first, values[at + 1], digits)
        if not energy[at] >= 0:
            pairs = {"before": values[at], "old_last": old_last, "new_first": new_first, "after": values[at + 1]}
            raise refusal("exchange", f"exchange at {time}", **pairs)
    fell = (energy < 0) & ~taken
    if digits is not None:
        dial = 10.0**digits
        rolled = fell & (energy + dial <= dial / 2)
        energy, how[rolled] = np.where(rolled, energy + dial, energy), "rollover"
        fell &= ~rolled
    how[fell] = "unknown fall"
    energy = np.where(fell, np.nan, energy)
    return pd.DataFrame({"end": index[1:], "energy_kwh": energy, "how": how}, index=index[:-1])


def _up(before, after, digits):
    """Energy from one reading to a later one of the same meter; a fall is a rollover only where digits are known."""
    if after >= before:
        return after - before
    return after - before + 10.0**digits if digits is not None else np.nan


def swapped_readings(first, second):
    """Find readings in which two registers were written in each other's place.

    Parameters
    ----------
    first, second : Series, same rising index
        Two registers that count up. [kWh]

    Returns
    -------
    DatetimeIndex
        Readings at which both registers leave their course and each fits the other's.

    Notes
    -----
    Reading i is swapped when, put back, both registers stay between their last sound reading and count up, while as
    written one of them falls. A whole file with the names exchanged shows no fall: see `plausible`.
    """
    refuse_if(not first.index.equals(second.index), "indexes", "registers")
    a, b = first.to_numpy(float), second.to_numpy(float)
    found, sound = [], None
    for place in np.flatnonzero(np.isfinite(a) & np.isfinite(b)).tolist():
        now = (a[place], b[place])
        if sound is not None and (now[0] < sound[0] or now[1] < sound[1]) and now[1] >= sound[0] and now[0] >= sound[1]:
            straight = abs(now[0] - sound[0]) + abs(now[1] - sound[1])
            crossed = abs(now[1] - sound[0]) + abs(now[0] - sound[1])
            if crossed < straight:
                found.append(place)
                now = now[::-1]
        sound = now
    return first.index[found]
