"""The whole record: which way the power flowed in every sample, and how surely.

One idea carries it (see `solarlib.direction.likelihood`): the load implied by the right sign behaves like a house. The signs of
neighbouring samples are decided together, by the chain of `solarlib.direction.chain`.
"""

from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from solarlib.direction import calibration, chain
from solarlib.direction.likelihood import COARSE_S
from solarlib.direction.record import read_record
from solarlib.direction.signs import NOISE_W, chain_of, make_scene, two_views
from solarlib.direction.step_test import StepTest, log_ratio
from solarlib.direction.totals import agree, audit, compare, read_registers, sentences
from solarlib.quantities import InputError, require

# For how long a load level is one fact is known within a factor of two only: an error shared by the whole record.
LEVEL_FACTORS = (0.5, 2.0)
TRUST_FACTORS = (0.71, 1.0, 1.41)  # and how far a sample counts beside its neighbours, where PV windows are coarse
CLOCK_SHARE = (
    0.1  # of a PV window: what draws its course within pulls the clock that is found (measured: 5 s of one minute)
)
SURE = 0.9  # a sample is decided when one direction is at least this probable
MIXED_KWH = 0.018  # a day: standard deviation from one-minute samples that hold both directions (measured)


@dataclass(frozen=True)
class Decoded:
    """What `decode` found.

    Parameters
    ----------
    samples : DataFrame, index of the readings
        ``p_export`` (0 to 1, NaN without a reading), ``net_w`` (expected, import positive), ``load_w`` (house use
        without the test load; NaN without PV power) [W], ``import_kwh``, ``export_kwh`` in the sample, ``decided``
        (one direction at least 90 % probable).
    days : DataFrame, local days
        ``import_kwh``, ``export_kwh`` with 90 % intervals (``import_low_kwh`` ...) and ``seen``, the share of the
        day's rows with a reading. Missing time is not made up.
    account : dict
        What the evidence was, by name; `sentences` says it in words.
    """

    samples: pd.DataFrame
    days: pd.DataFrame
    account: dict = field(repr=False)

    def sentences(self):
        """Return the account in plain English, one string a fact."""
        return _sentences(self.account)


def decode(
    readings,
    test_load_w=None,
    *,
    kind="mean",
    pv_window_s=None,
    wh_per_pulse=0.0,
    registers=None,
    use_registers=True,
    calibrate=True,
    draws=100,
    rng=None,
):
    """Decode a record of an unsigned reading.

    Parameters
    ----------
    readings : DataFrame
        As `solarlib.direction.record.read_record` takes it: ``reading_w``, ``pv_w`` and, if a test load ran, ``test_on``.
    test_load_w : float, optional
        What the test load draws; needed where ``test_on`` is not zero. [W]
    kind : str
        ``"mean"`` or ``"snapshot"``.
    pv_window_s : float, optional
        Length of the PV windows; found from the data if left out. [s]
    wh_per_pulse : float
        Energy of one meter pulse if the reading was made by counting pulses in each interval. [Wh]
    registers : DataFrame, optional
        Meter totals: columns ``start``, ``end`` (time stamps), ``delivered_kwh``, ``received_kwh``.
    use_registers : bool
        Make the decoded energy agree with the totals (True) or only compare (False).
    calibrate : bool
        Look for PV clock, PV gain, the test load's watts and its timer in the record.
    draws : int
        Number of possible courses of events behind the daily intervals; 0 leaves the intervals out.
    rng : numpy.random.Generator, optional
        Source of those draws; left out, the same draws are made every time.

    Returns
    -------
    Decoded

    Raises
    ------
    InputError
        For a table that cannot be read, or a test load that ran without its watts.
    """
    record = read_record(readings, kind, pv_window_s)
    if isinstance(draws, bool) or not isinstance(draws, (int, np.integer)):
        raise InputError(f"draws: found {draws!r}, allowed is a whole number from 0 to 100000")
    require(draws, "draws", 0, 100_000)
    load_w = _test_load(record, test_load_w)
    noise_w = max(NOISE_W, pulse_noise_w(wh_per_pulse, record.interval_s))
    account = {"samples": len(readings), "missing": len(readings) - record.rows.size}
    late_s, gain = 0.0, 1.0
    if calibrate:
        record, late_s, load_w = _find_clocks_and_load(record, load_w, noise_w, account)
    scene = make_scene(record, late_s, gain, load_w, noise_w)
    p_state, fine = two_views(scene)
    if calibrate:
        found = _find_clock_and_gain(scene, p_state, late_s, account)
        if found != (late_s, gain):
            scene = make_scene(record, *found, load_w, noise_w)
            p_state, fine = two_views(scene)
    if registers is not None:
        periods = read_registers(registers, readings.index, record.rows, record.hours)
        # Moments do not add up to energy as exactly as means do.
        energies, tolerance = _energies(scene), 0.005 if kind == "snapshot" else 0.001
        verdicts = [compare(period, p_state, energies, tolerance)[0] for period in periods]
        if use_registers:
            p_state = agree(periods, p_state, energies, fine, tolerance)
        account["registers"] = audit(periods, p_state, energies, verdicts)
    samples = _samples(readings, scene, p_state)
    _account(scene, samples["p_export"].to_numpy()[record.rows], account)
    days = _days(readings.index, samples, scene, p_state, fine, draws, rng or np.random.default_rng(0))
    return Decoded(samples, days, account)


def pulse_noise_w(wh_per_pulse, interval_s):
    """Return the spread of a power counted in whole pulses: the two roundings at its ends. [W]"""
    return float(np.sqrt(1 / 6) * 3600 * require(float(wh_per_pulse), "wh_per_pulse", 0, 1e5, "Wh") / interval_s)


def _test_load(record, test_load_w):
    if test_load_w is not None:
        return require(test_load_w, "test_load_w", 1, 20_000, "W")
    if record.test_share.any():
        raise InputError("test_load_w: found nothing while test_on says that the load ran, allowed is its power in W")
    return 0.0


def _find_clocks_and_load(record, load_w, noise_w, account):
    """Return the record with its timer put right, the PV clock's lateness if it is sure, and the test load's watts."""
    late, error = calibration.pv_clock_late(record)
    _tell_clock(account, late, error, record)
    late_s = late if np.isfinite(late) and abs(late) > max(2 * error, 3.0) else 0.0
    if record.test_share.any():
        timer = calibration.timer_late(record, load_w)
        record = calibration.with_timer(record, timer)
        load_w, error_w, count = calibration.test_load(record, record.pv_at(late_s)[0], load_w, noise_w)
        account.update(timer_late_s=timer, test_load_w=load_w, test_load_error_w=error_w, test_load_switchings=count)
    return record, late_s, load_w


def _find_clock_and_gain(scene, p_state, late_s, account):
    """Return the PV clock and gain, refined by the signs found: (late_s, gain) as far as they are known well."""
    p_export, net = _outcome(scene, p_state)
    late, late_error, gain, error = calibration.pv_clock_and_gain(
        scene.record, net, p_export, scene.test_load_w, late_s
    )
    if np.isfinite(late) and abs(late - late_s) < 60 and late_error < 10:
        _tell_clock(account, late, late_error, scene.record)
        late_s = late if abs(late) > max(2 * late_error, 2.0) else 0.0
    account["pv_gain"], account["pv_gain_error"] = gain, error
    known = np.isfinite(gain) and error < 0.01 and 0.8 < gain < 1.25
    return late_s, (gain if known and abs(gain - 1) > max(2 * error, 0.004) else 1.0)


def _tell_clock(account, late_s, error_s, record):
    """Write what was found of the PV clock into the account, with what scatter alone does not show of its error."""
    account["pv_clock_late_s"], account["pv_clock_error_s"] = (
        late_s,
        float(np.hypot(error_s, CLOCK_SHARE * record.window_s)),
    )


def _outcome(scene, p_state):
    """Return P(export) and the expected net power of each sample. [-, W]"""
    into, out = scene.imported_w, scene.exported_w
    outward = np.where(out == into, 0.5, out > into)
    net = into - out
    return (1 - p_state) * outward[0] + p_state * outward[1], (1 - p_state) * net[0] + p_state * net[1]


def _energies(scene):
    """Return energy in and out of each sample in each state, shapes (2, n). [kWh]"""
    scale = scene.record.hours / 1000
    return scene.imported_w * scale, scene.exported_w * scale


def _samples(readings, scene, p_state):
    record = scene.record
    p_export, net = _outcome(scene, p_state)
    into, out = _energies(scene)
    columns = {
        "p_export": p_export,
        "net_w": net,
        "load_w": np.where(scene.unknown, np.nan, net + scene.power_w - record.test_share * scene.test_load_w),
        "import_kwh": (1 - p_state) * into[0] + p_state * into[1],
        "export_kwh": (1 - p_state) * out[0] + p_state * out[1],
    }
    table = np.full((len(readings), len(columns)), np.nan)
    table[record.rows] = np.stack(list(columns.values()), axis=1)
    samples = pd.DataFrame(table, index=readings.index, columns=list(columns))
    samples["decided"] = (samples["p_export"] - 0.5).abs() >= SURE - 0.5
    return samples


def _days(index, samples, scene, p_state, fine, draws, rng):
    """Return energies per local day with 90 % intervals from possible courses of events.

    Measured on 2236 days apart from tuning: they hold 92 % of them, 85 % of the 123 that were read every ten seconds.
    """
    number, names = pd.factorize(index.tz_localize(None).normalize())
    total = samples[["import_kwh", "export_kwh"]].groupby(number).sum()
    days = pd.DataFrame(total.to_numpy(), index=pd.DatetimeIndex(names, name="date"), columns=total.columns)
    day = number[scene.record.rows]
    days["seen"] = np.bincount(day, minlength=len(names)) / np.bincount(number, minlength=len(names))
    if draws:
        imported = _drawn_imports(day, len(names), scene, p_state, fine, draws, rng)
        imported += rng.normal(size=imported.shape) * _inside_samples(day, len(names), scene)
        # Quantiles between which one more draw would fall 90 % of the time, however few there are.
        low, high = np.quantile(imported, [0.05, 0.95], axis=0, method="weibull")
        low, high = np.minimum(low, 0), np.maximum(high, 0)
        # What one course of events imports more it exports less.
        used = days["import_kwh"] + days["export_kwh"]
        days["import_low_kwh"] = np.maximum(days["import_kwh"] + low, 0)
        days["import_high_kwh"] = np.minimum(days["import_kwh"] + high, used)
        days["export_low_kwh"] = np.maximum(days["export_kwh"] - high, 0)
        days["export_high_kwh"] = np.minimum(days["export_kwh"] - low, used)
    return days


def _drawn_imports(day, day_count, scene, p_state, fine, draws, rng):
    """Return by how much each drawn course of events imports more than is expected, shape (draws, days). [kWh]"""
    at, w = fine
    drawn = np.zeros((draws, day_count))
    if at.size == 0:
        return drawn
    # Nights are certain and add no spread.
    share = np.where(scene.dark, 0.0, _energies(scene)[0])[:, at]
    more, day = share[1] - share[0], day[at]
    # Neighbouring samples share their errors, so each tells less than its weight says. The probabilities allow for that
    # (see `two_views`) and are right about as often as they state; the draws must not be surer.
    trust = chain.power_of_equal_doubt(w, np.abs(more), p_state[at])
    chains = _possible_chains(scene, w, trust)
    expected = [np.bincount(day, chain.smooth(weights) * more, day_count) for weights in chains]
    if not scene.tested:  # a wrong weight of the levels moves all days the same way
        expected = [np.mean(expected, axis=0)] * len(chains)
    paths = [chain.sample_paths(weights, draws, rng) for weights in chains]
    for course in range(draws):
        which = course % len(chains)
        drawn[course] = np.bincount(day, next(paths[which]) * more, day_count) - expected[which]
    return drawn


def _possible_chains(scene, w, trust):
    """Return weights of the chains that draws come from in turn: what a whole record may have in common."""
    if not scene.tested:  # the answer then leans on the load's level
        others = [chain_of(scene, level_factor=factor)[1] for factor in LEVEL_FACTORS]
        return [weights**trust for weights in (w, *others)]
    if scene.record.window_s > COARSE_S:  # what a window hides lasts from sample to sample
        return [w ** (factor * trust) for factor in TRUST_FACTORS]
    return [w**trust]


def _inside_samples(day, day_count, scene):
    """Return the spread of each day's energy because of what happens inside a sample. [kWh]

    Means may hold both directions. Snapshots miss what comes between them: a load that switches between two moments
    does so anywhere, an error of its step times an even number from -1/2 to 1/2 of the interval.
    """
    record = scene.record
    if record.kind == "mean":
        return np.full(day_count, MIXED_KWH * (record.interval_s / 60) ** 0.75)
    step = np.diff(record.reading_w, prepend=record.reading_w[:1])
    return np.sqrt(np.bincount(day, step**2 / 12, day_count)) * record.interval_s / 3.6e6


def _account(scene, p_export, account):
    """Add to the account what was decided, and what each step test says by itself against it."""
    day_time = ~scene.dark
    account.update(
        daylight=int(np.count_nonzero(day_time)),
        undecided=int(np.count_nonzero(day_time & (np.abs(p_export - 0.5) < SURE - 0.5))),
        pv_unknown=int(np.count_nonzero(scene.unknown)),
        night_samples=scene.habits.samples,
        base_load_w=scene.habits.base_w,
    )
    share, u = scene.record.test_share, scene.record.reading_w
    on = share > 0
    first = np.flatnonzero(on & ~np.concatenate([[False], on[:-1]]))
    last = np.flatnonzero(on & ~np.concatenate([on[1:], [False]]))
    account.update(steps=int(first.size), steps_agree=0, steps_conflict=0)
    fully = share >= 0.98
    count, total = (np.concatenate([[0.0], np.cumsum(fully * x)]) for x in (1.0, u))
    whole = count[last + 1] > count[first]
    inside = whole & (first > 0) & (last < share.size - 1)
    first, last = first[inside], last[inside]
    if first.size:
        during = (total[last + 1] - total[first]) / (count[last + 1] - count[first])
        test = StepTest(scene.test_load_w, 1.0, max(25.0, scene.noise_w), 1.0)
        ratio = log_ratio(u[first - 1], during, test, u[last + 1])
        around = (p_export[first - 1] + p_export[last + 1]) / 2
        loud = (np.abs(ratio) > 2) & (np.abs(around - 0.5) > 0.25)
        account["steps_agree"] = int(np.count_nonzero(loud & ((ratio < 0) == (around > 0.5))))
        account["steps_conflict"] = int(np.count_nonzero(loud & ((ratio < 0) != (around > 0.5))))


def _sentences(account):
    a, found = account, []
    known = a["samples"] - a["missing"]
    found.append(f"{known} of {a['samples']} samples have a reading; {a['daylight']} of them are in daylight.")
    if a["daylight"]:
        share = 100 * a["undecided"] / a["daylight"]
        found.append(f"{a['undecided']} daylight samples ({share:.1f} %) stay undecided: less than 90 % sure.")
    if a["pv_unknown"]:
        found.append(f"The PV power of {a['pv_unknown']} samples is not known: their direction rests on little.")
    if a["night_samples"] < 500:
        found.append(f"Only {a['night_samples']} night samples: the house's habits are mostly assumed, not learned.")
    if a["steps"]:
        silent = a["steps"] - a["steps_agree"] - a["steps_conflict"]
        found.append(
            f"{a['steps']} step tests: {a['steps_agree']} alone agree with the result, {a['steps_conflict']} "
            f"contradict it, {silent} say nothing alone."
        )
    else:
        found.append("No step tests: the direction rests on the sun's changes and the house's habits alone.")
    if np.isfinite(a.get("pv_clock_late_s", np.nan)):
        found.append(f"PV clock late by {a['pv_clock_late_s']:.0f} s (standard error {a['pv_clock_error_s']:.1f} s).")
    if np.isfinite(a.get("pv_gain", np.nan)):
        found.append(f"The PV instrument shows {a['pv_gain']:.3f} W for 1 W (standard error {a['pv_gain_error']:.3f}).")
    if a.get("timer_late_s"):
        found.append(f"The test load's timer is late by {a['timer_late_s']:.0f} s against its timetable.")
    if a.get("test_load_switchings"):
        found.append(
            f"The test load draws {a['test_load_w']:.0f} W (standard error {a['test_load_error_w']:.1f} W, from "
            f"{a['test_load_switchings']} switchings while import was certain)."
        )
    return found + (sentences(a["registers"]) if "registers" in a else [])
