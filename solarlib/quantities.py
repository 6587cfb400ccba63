"""Shared words and conversions: interval energy and mean power, time-index checks, the error type.

Conventions of the whole library, stated once: an index is time-zone aware and regular, its labels name the
START of each interval, power is the mean over the interval in W, energy is the kWh inside the interval.
"""

import math
import re
import tomllib
from datetime import date, tzinfo
from pathlib import Path

import numpy as np
import pandas as pd

TYPICAL_YEAR = 2026  # the common year whose calendar labels every typical year (weather, load)
HOURS_PER_YEAR = 8760
_FORMS = (  # of an amount or a number in a text, and how it is written
    (r"(?<![\w.,])(\d+(?:,\d{3})*(?:\.\d+)?) \$(?![\w$])", r"$\1"),
    (r"\$([-+−])(?=\d)", r"\1$"),
    (r"(?<![\w.,)-])-(?=\$?\.?\d)", "−"),
    (r"(?<=\d)%", " %"),
    (r"(?<![\w.,])[-−](?=\$?0(?:[.,]0*)?(?![\d.,]*\d))", ""),
)


class InputError(ValueError):
    """Something a person typed or supplied cannot be used.

    The message is one line that names where, what was found and what is allowed. A notebook shows this line alone.
    Of a table, `problems` holds (key, words) of each wrong key.
    """

    where = ""
    problems: tuple = ()

    def _render_traceback_(self):
        return [f"{type(self).__name__}: {self}"]


def require(value: object, name: str, low: float = -math.inf, high: float = math.inf, unit: str = "") -> float:
    """Return ``value`` as a float if it is a finite number from ``low`` to ``high``.

    Parameters
    ----------
    value : number
        Booleans and text are refused.
    name : str
        Where the value stands, e.g. ``"load.yearly_kwh"``; it opens the message.
    low, high : float
        Allowed range, both ends included. [unit]
    unit : str
        Unit for the message.

    Raises
    ------
    InputError
        Names the place, the value and the allowed range.
    """
    unit_text = f" {unit}" if unit else ""
    allowed = f"a number from {in_full(low)} to {in_full(high)}{unit_text}"
    if isinstance(value, bool) or not isinstance(value, (int, float, np.integer, np.floating)):
        raise InputError(f"{name}: found {value!r}, allowed is {allowed}")
    if not (math.isfinite(value) and low <= value <= high):
        raise InputError(f"{name}: found {in_full(value)}{unit_text}, allowed is {allowed}")
    return float(value)


def whole_number(value: object, name: str, low: int, high: int) -> int:
    """Return a whole number from `low` to `high`, or refuse it with `InputError`."""
    if isinstance(value, bool) or not isinstance(value, (int, np.integer)) or not low <= value <= high:
        raise InputError(f"{name}: found {value!r}, allowed is a whole number from {low} to {high}")
    return int(value)


def check_ranges(thing: object, where: str) -> None:
    """Refuse a thing with a field out of its range, which stands under `where` in ``ranges.toml``."""
    for name, bounds in _RANGES[where].items():
        check, known = (whole_number, bounds[:2]) if "whole" in bounds else (require, bounds)
        check(getattr(thing, name), f"{where}.{name}", *known)


def one_of(value, name: str, allowed):
    """Return a value that is among those allowed, or refuse it with `InputError`."""
    refuse_if(value not in tuple(allowed), "one_of", name, value=value, allowed=", ".join(map(str, allowed)))
    return value


def check_index(index: pd.DatetimeIndex, name: str = "time") -> pd.Timedelta:
    """Return the step of a regular, time-zone-aware index.

    Parameters
    ----------
    index : DatetimeIndex, shape (n,), n >= 2
    name : str
        Where the index comes from, for the message.

    Returns
    -------
    Timedelta
        The constant distance of two labels.

    Raises
    ------
    InputError
        If the index has no zone, fewer than two labels, or is not evenly spaced and increasing.
    """
    refuse_if(not isinstance(index, pd.DatetimeIndex) or index.tz is None, "no_time_zone", name)
    refuse_if(len(index) < 2, "few_labels", name, count=len(index))
    steps = np.diff(index.asi8)
    odd = np.flatnonzero((steps != steps[0]) | (steps <= 0))
    if odd.size:
        at = odd[0]
        raise refusal("uneven_index", name, after=index[at + 1], before=index[at], step=index[1] - index[0])
    return index[1] - index[0]


def hours(index: pd.DatetimeIndex) -> float:
    """Return the length of each interval of a regular index. [h]"""
    return check_index(index) / pd.Timedelta(hours=1)


def texts_beside(module_file, name):
    """Return the texts of a TOML file beside a module, which can be edited or translated without the code.

    Parameters
    ----------
    module_file : str
        ``__file__`` of the module.
    name : str
        Of the file, without ``.toml``.
    """
    return tomllib.loads(Path(module_file).with_name(f"{name}.toml").read_text(encoding="utf-8-sig"))


_RANGES = texts_beside(__file__, "ranges")
_REFUSALS = {case: text for room in texts_beside(__file__, "refusals").values() for case, text in room.items()}


def refusal(case: str, where: object, /, **facts: object) -> InputError:
    """Return the error that says where, what was found and what is allowed: a case of ``refusals.toml``, filled in."""
    return InputError(f"{where}: found " + _REFUSALS[case].format(**facts))


def refuse_if(wrong: object, case: str, where: object, /, **facts: object) -> None:
    """Raise the `refusal` of a case if something is wrong; its facts must be there also where nothing is."""
    if wrong:
        raise refusal(case, where, **facts)


def in_full(value: object) -> str:
    """Return a number as a person writes it, a large one with marks: 0.05, 50000, 1,000,000."""
    short = f"{value:g}"
    return f"{value:,.10g}" if "e+" in short else short


def counted(number: int, one: str, more: str | None = None) -> str:
    """Return a number with its noun: ``counted(1, "day")`` is 1 day, ``counted(3, "fox", "foxes")`` is 3 foxes."""
    return f"{number} {one if number == 1 else more or one + 's'}"


def in_form(text: str) -> str:
    """Return a text with its amounts and signs in the one form of all texts: −$12.00, −7.5 %, no minus on a zero."""
    for found, form in _FORMS:
        text = re.sub(found, form, text)
    return text


def dollars(amount: float, digits: int = 2) -> str:
    """Return an amount of money as text: $231.07, −$5.00, and $1,200 with no digits."""
    return "not known" if pd.isna(amount) else in_form(f"${float(amount):,.{digits}f}")


def day_words(day: date, form: str = "%B %Y") -> str:
    """Return a day as it stands in a sentence: 4 September 2026, and 4 September in the form ``%B``."""
    return "an unknown day" if pd.isna(day) else f"{day.day} {day:{form}}"


def plane_words(surface_tilt: float, surface_azimuth: float) -> str:
    """Return how a plane lies, in words: a flat one faces nowhere. [deg]"""
    return f"tilt {surface_tilt:g}°, facing {surface_azimuth:g}°" if surface_tilt else "flat"


def energy_kwh(power_w):
    """Return the energy in each interval from the mean power over it.

    Parameters
    ----------
    power_w : Series or DataFrame, regular time-zone-aware index
        Mean power; NaN means missing, never zero. [W]

    Returns
    -------
    Series or DataFrame
        Same index. [kWh]

    Examples
    --------
    >>> index = pd.date_range("2026-06-21", periods=2, freq="15min", tz="UTC")
    >>> energy_kwh(pd.Series([400.0, 1000.0], index)).tolist()
    [0.1, 0.25]
    """
    return power_w * (hours(power_w.index) / 1000.0)


def power_w(energy_kwh):
    """Return the mean power over each interval from the energy in it: the inverse of `energy_kwh`. [W]"""
    return energy_kwh * (1000.0 / hours(energy_kwh.index))


def year_index(freq: str, tz: str | tzinfo) -> pd.DatetimeIndex:
    """Return the START labels of all intervals of the local calendar year `TYPICAL_YEAR`.

    Parameters
    ----------
    freq : str
        pandas offset, e.g. ``"1h"`` or ``"1min"``.
    tz : str or tzinfo
        Time zone; a year with clock changes still has evenly spaced labels.
    """
    start, end = (pd.Timestamp(year=y, month=1, day=1, tz=tz) for y in (TYPICAL_YEAR, TYPICAL_YEAR + 1))
    return pd.date_range(start, end, freq=freq, inclusive="left")
