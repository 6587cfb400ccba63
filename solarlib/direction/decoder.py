"""The whole record: which way the power flowed in every sample, and how surely.

One idea carries it (see `solarlib.direction.likelihood`): the load implied by the right sign behaves like a house. The
signs of neighbouring samples are decided together, by the chain of `solarlib.direction.chain`.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from solarlib.direction.calibration import Repairs, repairs_alone, repairs_by_signs
from solarlib.direction.likelihood import NOISE_W, Instrument
from solarlib.direction.record import read_record
from solarlib.direction.signs import expected, make_scene, of_interval, two_views
from solarlib.direction.step_test import StepTest, log_ratio
from solarlib.direction.totals import agreeing, audit, judged, left_unused, read_registers
from solarlib.direction.trust import Trust, checked, contradicted, in_watts
from solarlib.direction.words import DIRECTION_WORDS
from solarlib.quantities import InputError, require

DECIDED = 0.9  # a sample is decided when one direction is at least this probable
DOUBT = 1.1  # half a 90 % interval beside the energy that is expected to be told the wrong way (measured, see `_days`)
LEAST_KWH = 0.01  # half the narrowest interval
NORMAL_90 = 1.645  # half a 90 % interval of a normal number beside its standard deviation
MIXED_KWH = 0.018  # a day: standard deviation from one-minute samples that hold both directions (measured)
TOLERANCE = {"mean": 0.001, "snapshot": 0.005}  # of a total: moments do not add up as exactly as means do
FEW_NIGHTS = 500  # samples below which the house's habits are mostly assumed


@dataclass(frozen=True)
class Found:
    """What the evidence of a record was; `sentences` says it in words.

    Parameters
    ----------
    samples, missing, daylight, undecided, pv_unknown, night_samples : int
        Rows; those without a reading; readings by daylight; those of them without a decision; readings whose PV power
        is not known; readings that the house's habits were learned from.
    steps, steps_agree, steps_conflict : int
        Step tests; those that by themselves clearly agree with the result, or contradict it.
    untold : int
        Readings of which nobody says whether the test load ran.
    repairs : Repairs
    registers : DataFrame, optional
        From `totals.audit`.
    trust : Trust
        Whether the record can be believed, and what was mended in it first.
    narrowed : tuple of float
        Mean width of a day's range without and with the registers' totals, where any are used. [kWh]
    """

    samples: int
    missing: int
    daylight: int
    undecided: int
    pv_unknown: int
    night_samples: int
    steps: int
    steps_agree: int
    steps_conflict: int
    untold: int
    repairs: Repairs
    registers: pd.DataFrame | None = None
    trust: Trust = Trust()
    narrowed: tuple = ()

    def sentences(self):
        """Return the account in plain English, one string a fact: those of ``words.toml`` that apply."""
        repairs, known = self.repairs, self.samples - self.missing
        share = 100 * self.undecided / max(self.daylight, 1)
        clear = self.steps_agree + self.steps_conflict
        learned = repairs.load and repairs.load.count
        applies = {"undecided": self.daylight, "pv_unknown": self.pv_unknown, "steps": self.steps, "load": learned}
        applies |= {"few_nights": self.night_samples < FEW_NIGHTS, "no_steps": not self.steps, "untold": self.untold}
        applies |= {"clock": repairs.late_s, "gain": repairs.gain, "registers": self.narrowed}
        told = [text for name, text in DIRECTION_WORDS["account"].items() if applies.get(name, True)]
        told = [text.format(found=self, repairs=repairs, known=known, share=share, clear=clear) for text in told]
        return self.trust.sentences() + told + (left_unused(self.registers) if self.registers is not None else [])


@dataclass(frozen=True, repr=False)
class Decoded:
    """What `decode` found.

    Parameters
    ----------
    samples : DataFrame, index of the readings
        ``p_export`` (0 to 1, NaN without a reading; of the mean over the interval, also of a snapshot), ``net_w``
        (expected, import positive), ``load_w`` (house use without the test load; NaN without PV power) [W],
        ``import_kwh``, ``export_kwh`` in the sample, ``decided`` (one direction at least 90 % probable).
    days : DataFrame, local days
        ``import_kwh``, ``export_kwh`` with 90 % intervals (``import_low_kwh`` ...) and ``seen``, the share of the
        day's rows with a reading. Missing time is not made up.
    account : Found
        What the evidence was.
    """

    samples: pd.DataFrame
    days: pd.DataFrame
    account: Found

    def __repr__(self):
        return "\n".join([self.days.round(2).to_string(), *self.sentences()])

    def sentences(self) -> list[str]:
        """Return the account in plain English, one string a fact."""
        return self.account.sentences()


def decode(
    readings: pd.DataFrame,
    test_load_w: float | None = None,
    *,
    kind: str = "mean",
    pv_window_s: float | None = None,
    wh_per_pulse: float = 0.0,
    registers: pd.DataFrame | None = None,
    calibrate: bool = True,
) -> Decoded:
    """Decode a record of an unsigned reading.

    Parameters
    ----------
    readings : DataFrame
        As `record.read_record` takes it: ``reading_w``, ``pv_w`` and, if a test load ran, ``test_on``.
    test_load_w : float, optional
        What the test load draws; needed where ``test_on`` is not zero. [W]
    kind : str
        ``"mean"`` or ``"snapshot"``.
    pv_window_s : float, optional
        Length of the PV windows; found from the data if left out. [s]
    wh_per_pulse : float
        Energy of one meter pulse if the reading was made by counting pulses in each interval. [Wh]
    registers : DataFrame, optional
        Meter totals that the decoded energy is to agree with: columns ``start``, ``end`` (time stamps),
        ``delivered_kwh``, ``received_kwh`` and perhaps ``rounding_kwh``; see `totals.read_registers`.
    calibrate : bool
        Check the record, mend what is surely wrong in it, and look for PV clock, PV gain and the test load's watts.

    Raises
    ------
    InputError
        For a table that cannot be read, or a test load that ran without its watts.
    """
    readings, trust = in_watts(readings) if calibrate else (readings, Trust())
    record = read_record(readings, kind, pv_window_s)
    load_w, repairs = _test_load(record, test_load_w), Repairs()
    noise_w = max(NOISE_W, pulse_noise_w(wh_per_pulse, record.interval_s))
    if calibrate:
        record, load_w, trust = checked(record, load_w, trust)
        repairs = repairs_alone(record, load_w, noise_w)
        load_w = repairs.load.value if repairs.load else load_w
    instrument = Instrument(record.interval_s, record.window_s, noise_w, load_w)
    scene = make_scene(record, instrument, repairs.late_s)
    p_state, fine = two_views(scene)
    if calibrate:
        net_w, p_export = _net(scene, p_state), _export(scene, p_state)
        repairs = repairs_by_signs(record, net_w, p_export, repairs, load_w)
        if repairs.gain_used != 1.0:
            scene = make_scene(record, instrument, repairs.late_s, repairs.gain_used)
            p_state, fine = two_views(scene)
    table, bound, p_free = None, [], p_state
    narrowed: tuple[float, ...] = ()
    if registers is not None:
        periods = read_registers(registers, readings.index, record.rows, record.hours)
        known = scene.energies_kwh, record.hours
        told = [judged(period, p_state, *known, TOLERANCE[kind]) for period in periods]
        free = _days(_samples(readings, scene, p_state), scene, p_state, [], trust)
        p_state = agreeing(periods, p_state, *known, fine, TOLERANCE[kind])
        table = audit(periods, p_state, scene.energies_kwh, [verdict for verdict, *_ in told])
        bound = [(period.inside, sd) for period, (*_, sd) in zip(periods, told, strict=True) if np.isfinite(sd)]
    samples = _samples(readings, scene, p_state)
    tests = _tests_alone(scene, _export(scene, p_state))
    if calibrate:
        load_seen = samples["load_w"].to_numpy()[record.rows]
        trust = contradicted(trust, load_seen, scene.power_w, record, *tests[1:])
    if trust.doubts:
        samples["decided"] = False
    days = _days(samples, scene, p_free, bound, trust)
    if bound:
        narrowed = tuple(float((each["import_high_kwh"] - each["import_low_kwh"]).mean()) for each in (free, days))
    return Decoded(samples, days, _account(samples, scene, tests, repairs, table, trust, narrowed))


def pulse_noise_w(wh_per_pulse, interval_s):
    """Return the spread of a power counted in whole pulses: the two roundings at its ends. [W]"""
    return float(np.sqrt(1 / 6) * 3600 * require(float(wh_per_pulse), "wh_per_pulse", 0, 1e5, "Wh") / interval_s)


def _test_load(record, test_load_w):
    if test_load_w is not None:
        return require(test_load_w, "test_load_w", 1, 20_000, "W")
    if record.test_share.any():
        raise InputError("test_load_w: found nothing while test_on says that the load ran, allowed is its power in W")
    return 0.0


def _export(scene, p_state):
    """Return P(export) of each sample."""
    into, out = scene.states.imported_w, scene.states.exported_w
    return expected(np.where(out == into, 0.5, out > into), p_state)


def _net(scene, p_state):
    """Return the expected net power of each sample, the test load included. [W]"""
    return expected(scene.states.imported_w - scene.states.exported_w, p_state)


def _samples(readings, scene, p_state):
    record, net = scene.record, _net(scene, p_state)
    load = net + scene.power_w - record.test_share * scene.instrument.test_load_w
    taken, given = (expected(flow, p_state) for flow in scene.energies_kwh)
    p_export = _export(scene, p_state)
    if record.kind == "snapshot":
        p_export = of_interval(p_export, record)
    columns = {"p_export": p_export, "net_w": net, "load_w": np.where(scene.unknown, np.nan, load)}
    columns |= {"import_kwh": taken, "export_kwh": given}
    samples = pd.DataFrame(columns, index=readings.index[record.rows]).reindex(readings.index)
    samples["decided"] = (samples["p_export"] - 0.5).abs() >= DECIDED - 0.5
    return samples


def _days(samples, scene, p_free, bound, trust):
    """Return energies per local day with 90 % intervals.

    Every sample may be told the wrong way with a known probability, and neighbours err together; so the spread of a
    day follows the energy that is expected to be wrong. `DOUBT` was chosen on 256 days of seven measured homes, with
    step tests and without, of which it holds 91 %. On 120 days of 24 made records (minutes, PV of one to fifteen) it
    holds 91 %, on 98 days of four homes that no constant was chosen on 81 %: 51 of 56 on three of them, but 28 of 42
    on the fourth, a heat pump in winter under PV of fifteen minutes. There the days are surer told than they are.

    Where a day of the seven fails, a whole stretch of minutes was told wrongly and surely: a load switched by twice the
    reading, which then shows much the same. Of the energy told with 98 % and more, four times as much was wrong as was
    expected with step tests, 1.6 times without. What a house's own nights show of it, played under its sun, did not
    foretell which homes fail, so no width is learned from them.
    """
    number, names = pd.factorize(samples.index.tz_localize(None).normalize())
    total = samples[["import_kwh", "export_kwh"]].groupby(number).sum()
    days = pd.DataFrame(total.to_numpy(), index=pd.DatetimeIndex(names, name="date"), columns=total.columns)
    day = number[scene.record.rows]
    days["seen"] = np.bincount(day, minlength=len(names)) / np.bincount(number, minlength=len(names))
    (in_0, in_1), _ = scene.energies_kwh
    wrong = np.abs(in_1 - in_0) * np.minimum(p_free, 1 - p_free)  # as before any totals were known
    half = DOUBT * np.bincount(day, wrong, len(names))
    inside = NORMAL_90 * _inside_samples(day, len(names), scene)
    for period, sd in bound:  # the errors of its days add up to nothing, as surely as its totals are known
        part = DOUBT * np.bincount(day, wrong * period, len(names))
        tied = part**4 / max(np.sum(part**2) + (NORMAL_90 * sd) ** 2, 1e-12)
        half = np.sqrt(np.maximum(half**2 - tied, 0))
    half = np.sqrt(half**2 + inside**2 + LEAST_KWH**2)
    # What is imported more is exported less.
    used = days["import_kwh"] + days["export_kwh"]
    for flow in ("import", "export"):
        days[f"{flow}_low_kwh"] = 0.0 if trust.doubts else np.maximum(days[f"{flow}_kwh"] - half, 0)
        days[f"{flow}_high_kwh"] = used if trust.doubts else np.minimum(days[f"{flow}_kwh"] + half, used)
    return days


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


def _account(samples, scene, tests, repairs, registers, trust, narrowed):
    """Return what was found in the samples of a record, and what its step tests say by themselves."""
    p_export, light = samples["p_export"].to_numpy()[scene.record.rows], ~scene.dark
    undecided = light & (np.abs(p_export - 0.5) < DECIDED - 0.5)
    counts = [int(np.count_nonzero(which)) for which in (light, undecided, scene.unknown)]
    missing, untold = len(samples) - scene.record.rows.size, int(np.count_nonzero(scene.record.untold))
    return Found(
        len(samples), missing, *counts, scene.habits.samples, *tests, untold, repairs, registers, trust, narrowed
    )


def _tests_alone(scene, p_export):
    """Return how many step tests there are, and how many alone agree with the directions around them or conflict."""
    share, u = scene.record.test_share, scene.record.reading_w
    on = share > 0
    first = np.flatnonzero(on & ~np.concatenate([[False], on[:-1]]))
    last = np.flatnonzero(on & ~np.concatenate([on[1:], [False]]))
    steps, fully = int(first.size), share >= 0.98
    count, total = (np.concatenate([[0.0], np.cumsum(fully * x)]) for x in (1.0, u))
    usable = (count[last + 1] > count[first]) & (first > 0) & (last < share.size - 1)
    if not usable.any():
        return steps, 0, 0
    first, last = first[usable], last[usable]
    during = (total[last + 1] - total[first]) / (count[last + 1] - count[first])
    test = StepTest(scene.instrument.test_load_w, 1.0, max(25.0, scene.instrument.noise_w), 1.0)
    ratio = log_ratio(u[first - 1], during, test, u[last + 1])
    around = (p_export[first - 1] + p_export[last + 1]) / 2
    loud, outward = (np.abs(ratio) > 2) & (np.abs(around - 0.5) > 0.25), (ratio < 0) == (around > 0.5)
    return steps, int(np.count_nonzero(loud & outward)), int(np.count_nonzero(loud & ~outward))
