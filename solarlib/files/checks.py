"""What in a record cannot be so, or hardly: each finding names the rows and several possible reasons, never a verdict.

The sun itself is not computed here: whoever knows the place passes a mask of nights and the sun's elevation.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from solarlib.files.steps import DAY
from solarlib.quantities import InputError, counted, require

MOST_YIELD = 12.0  # more than any roof gives in a day [kWh/kW] (common practice, no source)
MOST_LIGHT = 1500.0  # more than falls on a plane, beside bright clouds too [W/m2] (common practice, no source)


@dataclass(frozen=True)
class Finding:
    """``kind`` short name; ``column``; ``rows`` labels concerned; ``found`` one sentence; ``reasons`` possible ones."""

    kind: str
    column: str
    rows: pd.DatetimeIndex
    found: str
    reasons: tuple

    def __str__(self):
        return f"{self.column}: {self.found} Possible reasons: {'; '.join(self.reasons)}."


def plausibility(table, step, rated_power_w=None, service_power_w=None, night=None, elevation=None, tolerance_kwh=0.0):
    """Look for what hardly can be.

    Parameters
    ----------
    table : DataFrame
        As `readings.Readings.table`. Of a test load only its limits are looked at: it is 0 or steady by intent.
        Temperatures are passed over.
    step : Timedelta
        Length of an interval.
    rated_power_w : float, optional
        Rated power of the array. [W]
    service_power_w : float, optional
        What the house's connection can carry. [W]
    night : Series of bool, index of `table`, optional
        True where the sun is down in the whole interval.
    elevation : Series, index of `table`, optional
        Elevation of the sun at mid-interval. [deg]
    tolerance_kwh : float
        How far received may pass generation in an interval. [kWh]

    Returns
    -------
    tuple of Finding
        Empty where nothing was found; that is no proof that all is well.
    """
    step = pd.Timedelta(step)
    if not step > pd.Timedelta(0):
        raise InputError(f"step: found {step}, allowed is a length above 0")
    for name, series in (("night", night), ("elevation", elevation)):
        if series is not None and not series.index.equals(table.index):
            raise InputError(f"{name}: found another index than the table's, allowed is the same index")
    watts = {
        name: table[name].to_numpy(float) * (1.0 if name.endswith("_w") else 1000.0 / (step / pd.Timedelta(hours=1)))
        for name in table.columns
        if name.endswith(("_w", "_kwh"))
    }
    found = []
    for name, power in watts.items():
        found += _limits(table.index, name, power, rated_power_w, service_power_w)
        if name == "test_load_w":
            continue
        found += _constant(table.index, name, power, step)
        found += _factor(table.index, name, power, rated_power_w, step)
        found += _only_rises(table.index, name, power)
    for name in table.columns:
        if name.startswith("neighbour_") and name.endswith("_h"):
            found += _yield(table.index, name, table[name].to_numpy(float))
        elif name == "light_w_m2":
            found += _light(table.index, name, table[name].to_numpy(float))
    found += _flows(table.index, watts, step, tolerance_kwh)
    generation = next((power for name, power in watts.items() if name.startswith("generation")), None)
    if generation is not None:
        name = next(name for name in watts if name.startswith("generation"))
        if night is not None:
            found += _night(table.index, name, generation, night.to_numpy(bool), rated_power_w)
        if elevation is not None:
            found += _hours(table.index, name, generation, elevation.to_numpy(float))
    return tuple(found)


def _rows(index, flags):
    return index[np.flatnonzero(flags)]


def _yield(index, name, energy):
    """Look for days of a neighbour above what any roof gives. [kWh/kW]"""
    day, at = np.unique(_days(index), return_inverse=True)
    sums = np.bincount(at, np.nan_to_num(energy), len(day))
    above = sums > MOST_YIELD
    if not above.any():
        return []
    return [
        Finding(
            "above limit",
            name,
            _rows(index, above[at]),
            f"{counted(above.sum(), 'day')} above {MOST_YIELD:g} kWh/kW, up to {sums.max():.4g} kWh/kW.",
            (
                "energy that was not divided by the rated power",
                "Wh in place of kWh",
                "a rated power that is too small",
                "several days in one after a gap",
                "a counter read as the energy of a day",
            ),
        )
    ]


def _light(index, name, light):
    above = light > MOST_LIGHT
    if not above.any():
        return []
    return [
        Finding(
            "above limit",
            name,
            _rows(index, above),
            f"{counted(above.sum(), 'interval')} above {MOST_LIGHT:g} W/m2, up to {np.nanmax(light):.0f} W/m2.",
            (
                "a sensor or an amplifier that is out of order",
                "a wrong multiplier, or a reading in mV",
                "another quantity in this column",
                "a mirror or a bright wall that shines on the sensor",
            ),
        )
    ]


def _limits(index, name, power, rated, service):
    found = []
    own = name.startswith(("generation", "received"))
    limit = (
        require(rated, "rated_power_w", 1, 1e9, "W") * 1.2
        if own and rated is not None
        else (require(service, "service_power_w", 1, 1e9, "W") if not own and service is not None else None)
    )
    above = power > limit if limit is not None else np.zeros(0, bool)
    if above.any():
        found.append(
            Finding(
                "above limit",
                name,
                _rows(index, above),
                f"{counted(above.sum(), 'interval')} above {limit:g} W, up to {np.nanmax(power):.0f} W.",
                (
                    "another unit than the mapping says",
                    "a wrong multiplier",
                    "a counter read as interval energy",
                    "several intervals in one after a gap",
                    "a rated power that is not this system's",
                ),
            )
        )
    if not name.startswith(("net", "generation")):
        below = power < 0
        if below.any():
            found.append(
                Finding(
                    "negative",
                    name,
                    _rows(index, below),
                    f"{counted(below.sum(), 'interval')} below 0.",
                    ("a net reading under another name", "a sign turned round", "registers in wrong order"),
                )
            )
    return found


def _runs(flags):
    edges = np.flatnonzero(np.diff(np.r_[0, flags.astype(np.int8), 0]))
    return edges[::2], edges[1::2]


def _constant(index, name, power, step):
    known = power[np.isfinite(power)]
    if known.size < 24:
        return []
    reasons = (
        "a logger that repeats its last value",
        "a sensor or a connection that has failed",
        "a gap that was filled in",
        "a constant load" if not name.startswith("generation") else "a converter that stands still",
    )
    if known.min() == known.max():
        return [Finding("constant", name, index, f"all {known.size} values are {known[0]:g} W.", reasons)]
    if len(np.unique(known[:20_000])) < 20:
        return []  # so coarse that equal neighbours mean nothing
    same = np.r_[False, (power[1:] == power[:-1]) & (power[1:] != 0)]
    starts, ends = _runs(same)
    least = max(10, int(np.ceil(pd.Timedelta(hours=3) / step)))
    long = ends - starts >= least
    if not long.any():
        return []
    rows = np.concatenate([np.arange(a - 1, b) for a, b in zip(starts[long], ends[long])])
    return [
        Finding(
            "stuck",
            name,
            index[rows],
            f"{counted(long.sum(), 'stretch', 'stretches')} of {least} and more equal values, the longest of {int((ends - starts).max()) + 1}.",
            reasons,
        )
    ]


def _days(index):
    local = index.tz_localize(None).as_unit("ns").asi8
    return local // DAY.value


def _factor(index, name, power, rated, step):
    reasons = (
        "W and kW (or Wh and kWh) changed places",
        "a decimal mark taken for a thousands mark",
        "a logger or firmware that changed its unit",
    )
    size = np.abs(power)
    frame = pd.Series(np.where(size > 0, size, np.nan)).groupby(_days(index)).quantile(0.9)
    frame = frame.dropna()
    away = np.log10(frame / frame.median())
    # A flow that the sun or an absence can bring to nothing (received, delivered, net) may be small without any fault.
    small = name.startswith(("generation", "load"))
    odd = [day for day in frame.index if 2.3 < away[day] < 3.7 or (small and -3.7 < away[day] < -2.3)]
    if odd and len(frame) >= 5:
        return [
            Finding(
                "factor",
                name,
                _rows(index, np.isin(_days(index), odd)),
                f"{counted(len(odd), 'day differs', 'days differ')} by a factor near 1000 from the others.",
                reasons + ("a day almost without power",),
            )
        ]
    if rated is not None and name.startswith("generation"):
        top = np.nanquantile(size, 0.999) if np.isfinite(size).any() else 0.0
        if top > 30 * rated or 0 < top < rated / 300:
            word = "above" if top > rated else "below"
            return [
                Finding(
                    "factor",
                    name,
                    index,
                    f"the highest powers, {top:g} W, lie far {word} the rated {rated:g} W.",
                    reasons,
                )
            ]
    return []


def _only_rises(index, name, power):
    known = power[np.isfinite(power)]
    if known.size < 50 or (np.diff(known) < 0).any() or len(np.unique(known)) < 20:
        return []
    return [
        Finding(
            "only rises",
            name,
            index,
            f"{known.size} values that never fall.",
            ('a counter read as interval values (kind = "counter")', "sorted values"),
        )
    ]


def _flows(index, watts, step, tolerance):
    generation, received, delivered = (
        next((power for name, power in watts.items() if name.startswith(word)), None)
        for word in ("generation", "received", "delivered")
    )
    if generation is None or received is None:
        return []
    to_kwh = step / pd.Timedelta(hours=1) / 1000
    over = received * to_kwh > np.maximum(generation, 0) * to_kwh + tolerance + 1e-9
    if not over.any():
        return []
    reasons = [
        "registers swapped",
        "clocks of the two meters apart",
        "a wrong multiplier",
        "a second source behind the meter",
    ]
    extra = ""
    both = np.isfinite(received) & np.isfinite(generation)
    if delivered is not None:
        fits = (delivered <= np.maximum(generation, 0) + tolerance / to_kwh)[over].mean()
        extra = f" In {fits:.0%} of them delivered would fit."
        if fits < 0.5:
            reasons = reasons[1:] + reasons[:1]
    return [
        Finding(
            "received above generation",
            "received",
            _rows(index, over),
            f"{over.sum()} of {counted(both.sum(), 'interval')} with more received than generated.{extra}",
            tuple(reasons),
        )
    ]


def _night(index, name, power, night, rated):
    top = np.nanquantile(power, 0.999) if np.isfinite(power).any() else 0.0
    limit = 0.01 * (rated if rated is not None else max(top, 1.0))
    shining = night & (power > limit)
    if not shining.any():
        return []
    return [
        Finding(
            "generation at night",
            name,
            _rows(index, shining),
            f"{counted(shining.sum(), 'interval')} above {limit:.0f} W with the sun down.",
            (
                "a clock or zone that is off",
                "a battery that discharges through the same meter",
                "another quantity in this column",
                "day and month exchanged",
            ),
        )
    ]


def _split(values, near, width):
    """Place close to `near` that parts the values into two stretches, each close to its own median."""
    low, high = max(0, near - width), min(len(values), near + width)
    part = values[low:high]
    costs = [
        np.abs(part[:i] - np.median(part[:i])).sum() + np.abs(part[i:] - np.median(part[i:])).sum()
        for i in range(2, len(part) - 1)
    ]
    return low + 2 + int(np.argmin(costs))


def _hours(index, name, power, elevation):
    """Compare the middle of each day's energy with the middle of the sun's day."""
    days = _days(index)
    day, at = np.unique(days, return_inverse=True)
    clock = (index.tz_localize(None).as_unit("ns").asi8 % DAY.value) / 3.6e12
    weight = np.where(np.isfinite(power), np.maximum(power, 0), 0.0)
    light = np.where(np.isfinite(power), np.maximum(np.sin(np.radians(elevation)), 0), 0.0)

    def middle(w):
        with np.errstate(invalid="ignore", divide="ignore"):
            return np.bincount(at, w * clock) / np.bincount(at, w)

    energy = np.bincount(at, weight)
    off = np.where(
        energy > 0.25 * np.median(energy[energy > 0]) if (energy > 0).any() else False,
        middle(weight) - middle(light),
        np.nan,
    )
    good = np.flatnonzero(np.isfinite(off))
    if good.size < 7:
        return []
    found, shift = [], off[good]
    typical = float(np.median(shift))
    if abs(typical) > 0.75:
        found.append(
            Finding(
                "hours off",
                name,
                index,
                f"the middle of the day's energy lies {typical:+.1f} h from the sun's.",
                (
                    "a zone or summer time that is wrong",
                    "labels at the other end of the interval",
                    "an array that faces east or west",
                    "shade in the morning or evening",
                    "longitude with the wrong sign",
                ),
            )
        )
    if good.size >= 14:
        width = min(14, good.size // 2)
        jumps = np.array(
            [
                np.median(shift[i : i + width]) - np.median(shift[i - width : i])
                for i in range(width, good.size - width + 1)
            ]
        )
        best = int(np.argmax(np.abs(jumps)))
        if abs(jumps[best]) > 0.6:
            place = good[_split(shift, best + width, width)]
            found.append(
                Finding(
                    "hours jump",
                    name,
                    _rows(index, at >= place),
                    f"from {pd.Timestamp(day[place] * DAY.value):%Y-%m-%d} on the day's energy lies {jumps[best]:+.1f} h later than before.",
                    (
                        "a clock change that the logger does or does not follow",
                        "a clock that was set",
                        "new shade on one side",
                    ),
                )
            )
    return found
