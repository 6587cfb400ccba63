"""What in a record cannot be so, or hardly: each finding names the rows and several possible reasons, never a verdict.

The sun itself is not computed here: whoever knows the place passes a mask of nights and the sun's elevation. The
reasons are text, in ``reasons.toml`` beside this module, the limits numbers in ``limits.toml``.
"""

from dataclasses import dataclass
from types import SimpleNamespace

import numpy as np
import pandas as pd

from solarlib.files.mapping import TITLES
from solarlib.files.steps import ONE_DAY, ONE_HOUR
from solarlib.files.texts import REASONS
from solarlib.quantities import counted, texts_beside

LIMIT = SimpleNamespace(**texts_beside(__file__, "limits"))


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


def _finding(case, column, rows, reasons=None, **facts):
    known = REASONS[case]
    return Finding(known["kind"], column, rows, known["found"].format(**facts), tuple(reasons or known["reasons"]))


def _where(case, series, mask, **facts):
    """Yield the finding of a case if a mask holds anywhere; its sentence is told how often, and the highest value."""
    if mask.any():
        facts = {"many": counted(mask.sum(), "interval"), "most": series.max()} | facts
        yield _finding(case, series.name, series.index[mask], **facts)


def plausibility(table, step, rated_power_w, service_power_w, night, elevation):
    """Look for what hardly can be.

    Parameters
    ----------
    table : DataFrame
        As `readings.Readings.table`. Of a test load only its limits are looked at: it is 0 or steady by intent.
        Temperatures are passed over.
    step : Timedelta
        Length of an interval.
    rated_power_w : float
        Rated power of the array. [W]
    service_power_w : float
        What the house's connection can carry. [W]
    night : Series of bool, index of `table`
        True where the sun is down in the whole interval.
    elevation : Series, index of `table`
        Elevation of the sun at mid-interval. [deg]

    Returns
    -------
    tuple of Finding
        Empty where nothing was found; that is no proof that all is well.
    """
    watts, found = {}, []
    for title in table.columns:
        quantity, unit = TITLES.get(title, ("neighbour", "kWh/kW"))
        series = table[title].astype(float)
        if unit in ("W", "kWh"):
            power = series if unit == "W" else series * (1000.0 / (step / ONE_HOUR))
            watts.setdefault(quantity, power.rename(title))
            found += _of_power(power, quantity, step, rated_power_w, service_power_w)
        elif quantity in ("neighbour", "light"):
            bright = _where("light_above", series, series > LIMIT.most_light, limit=LIMIT.most_light)
            found += _yield(series) if quantity == "neighbour" else bright
    if {"generation", "received"} <= set(watts):
        found += _flows(watts, step)
    if "generation" in watts:
        made, limit = watts["generation"], LIMIT.night_share * rated_power_w
        found += _where("night", made, night.to_numpy(bool) & (made > limit), limit=limit)
        found += _hours(made, elevation.to_numpy(float))
    return tuple(found)


def _of_power(power, quantity, step, rated, service):
    """Look at one power by itself. [W]"""
    yield from _limits(power, quantity, rated, service)
    if quantity != "test_load":
        yield from _constant(power, quantity, step)
        yield from _factor(power, quantity, rated)
        yield from _only_rises(power)


def _yield(energy):
    """Look for days of a neighbour above what any roof gives. [kWh/kW]"""
    day, at = np.unique(_days(energy.index), return_inverse=True)
    sums = np.bincount(at, np.nan_to_num(energy), len(day))
    above = sums > LIMIT.most_yield
    facts = {"many": counted(above.sum(), "day"), "limit": LIMIT.most_yield, "most": sums.max()}
    return _where("yield_above", energy, above[at], **facts)


def _limits(power, quantity, rated, service):
    limit = LIMIT.most_of_rated * rated if quantity in ("generation", "received") else service
    yield from _where("power_above", power, power > limit, limit=limit)
    if quantity not in ("net", "generation"):
        yield from _where("negative", power, power < 0)


def _constant(power, quantity, step):
    known, values = power.dropna().to_numpy(), power.to_numpy()
    if known.size < 24:
        return
    reasons = list(REASONS["constant"]["reasons"])
    if quantity == "generation":
        reasons[-1] = "a converter that stands still"
    if known.min() == known.max():
        yield _finding("constant", power.name, power.index, reasons, count=known.size, value=known[0])
        return
    if len(np.unique(known[:20_000])) < LIMIT.fine_values:
        return
    same = np.r_[False, (values[1:] == values[:-1]) & (values[1:] != 0)]
    edges = np.flatnonzero(np.diff(np.r_[0, same.astype(np.int8), 0]))
    starts, ends = edges[::2], edges[1::2]
    least = max(LIMIT.stuck_rows, int(np.ceil(LIMIT.stuck_h * ONE_HOUR / step)))
    long = ends - starts >= least
    if long.any():
        rows = np.concatenate([np.arange(a - 1, b) for a, b in zip(starts[long], ends[long])])
        many, longest = counted(long.sum(), "stretch", "stretches"), int((ends - starts).max()) + 1
        yield _finding("stuck", power.name, power.index[rows], reasons, many=many, least=least, longest=longest)


def _days(index):
    """Return the number of each label's local day since 1970."""
    return index.tz_localize(None).as_unit("ns").asi8 // ONE_DAY.value


def _factor(power, quantity, rated):
    size, days = power.abs().to_numpy(), _days(power.index)
    usual = pd.Series(np.where(size > 0, size, np.nan)).groupby(days).quantile(0.9).dropna()
    away, (least, most) = np.log10(usual / usual.median()), LIMIT.factor_decades
    # A flow that the sun or an absence can bring to nothing (received, delivered, net) may be small without any fault.
    small = quantity in ("generation", "load")
    odd = usual.index[((away > least) & (away < most)) | (small & (away > -most) & (away < -least))]
    if len(odd) and len(usual) >= LIMIT.least_days:
        many = counted(len(odd), "day differs", "days differ")
        yield from _where("factor_of_days", power, np.isin(days, odd), many=many)
    elif quantity == "generation" and np.isfinite(size).any():
        top = np.nanquantile(size, 0.999)
        if top > LIMIT.times_rated * rated or 0 < top < rated / LIMIT.parts_of_rated:
            side = "above" if top > rated else "below"
            yield _finding("factor", power.name, power.index, top=top, side=side, rated=rated)


def _only_rises(power):
    known = power.dropna().to_numpy()
    if known.size >= 50 and (np.diff(known) >= 0).all() and len(np.unique(known)) >= LIMIT.fine_values:
        yield _finding("only_rises", power.name, power.index, count=known.size)


def _flows(watts, step):
    """Compare what the meter received with what the array made. [W]"""
    generation, received, delivered = (watts.get(name) for name in ("generation", "received", "delivered"))
    most = generation.clip(lower=0)
    over = (received - most) * (step / ONE_HOUR / 1000.0) > 1e-9
    if not over.any():
        return
    extra, reasons = "", list(REASONS["received_above"]["reasons"])
    if delivered is not None:
        fits = (delivered <= most)[over].mean()
        extra = f" In {fits:.0%} of them delivered would fit."
        if fits < 0.5:
            reasons = reasons[1:] + reasons[:1]
    both = counted((received.notna() & generation.notna()).sum(), "interval")
    yield _finding("received_above", "received", received.index[over], reasons, over=over.sum(), both=both, extra=extra)


def _split(values, near, width):
    """Place close to `near` that parts the values into two stretches, each close to its own median."""
    low = max(0, near - width)
    part = values[low : near + width]

    def spread(values):
        return np.abs(values - np.median(values)).sum()

    return low + 2 + int(np.argmin([spread(part[:i]) + spread(part[i:]) for i in range(2, len(part) - 1)]))


def _hours(power, elevation):
    """Compare the middle of each day's energy with the middle of the sun's day."""
    index, known = power.index, np.isfinite(power.to_numpy())
    day, at = np.unique(_days(index), return_inverse=True)
    clock = (index.tz_localize(None).as_unit("ns").asi8 % ONE_DAY.value) / ONE_HOUR.value
    weight = np.where(known, np.maximum(power, 0), 0.0)
    light = np.where(known, np.maximum(np.sin(np.radians(elevation)), 0), 0.0)
    energy = np.bincount(at, weight)
    if not (energy > 0).any():
        return
    with np.errstate(invalid="ignore", divide="ignore"):
        middle, noon = (np.bincount(at, w * clock) / np.bincount(at, w) for w in (weight, light))
    good = np.flatnonzero(np.isfinite(middle - noon) & (energy > LIMIT.dim_share * np.median(energy[energy > 0])))
    if good.size < LIMIT.least_sun_days:
        return
    shift = (middle - noon)[good]
    typical = float(np.median(shift))
    if abs(typical) > LIMIT.hours_off:
        yield _finding("hours_off", power.name, index, hours=typical)
    if good.size >= LIMIT.least_jump_days:
        width = min(14, good.size // 2)
        medians = np.median(np.lib.stride_tricks.sliding_window_view(shift, width), axis=1)
        jumps = medians[width:] - medians[:-width]
        best = int(np.argmax(np.abs(jumps)))
        if abs(jumps[best]) > LIMIT.hours_jump:
            place = good[_split(shift, best + width, width)]
            date = pd.Timestamp(day[place] * ONE_DAY.value)
            yield _finding("hours_jump", power.name, index[at >= place], date=date, hours=jumps[best])
