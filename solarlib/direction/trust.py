"""Whether a record can be trusted: what is checked before its direction is decoded, what is mended, and what after.

Most of it rests on how the reading answers the sun (see `solarlib.direction.answer`). The bounds were chosen on seven
records of seven homes and what was spoiled in them; the figures for other homes stand with the tests
(tests/direction/test_trust.py).
"""

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from solarlib.direction.answer import BLOCK_S, FEWEST_MOVES, answer_of, jumps
from solarlib.direction.words import DIRECTION_WORDS

KILO_BELOW = 50.0  # a power that never exceeds this in days is in kW
CLEAR = 3.0  # standard errors from which a difference counts
ANSWERS = 3.3  # least score of a sun that the reading answers: see `Answer.score`
CLOCK_LEAST_S = 150.0  # smaller differences are left to the calibration
NEAR_ZERO_W, NEAR_ZERO_SHARE = 60.0, 0.08  # a house passes through zero, a store holds it there
FOLLOWS = 0.3  # watts that the load may add for each watt of sun
LOG_SEEN, STANDS_OUT = 0.08, 7.0  # least share of a log's switchings, and by how many spreads
FEWEST_SWITCHINGS, LONGEST_LOG = 20, 2**17  # samples
LOAD_PARTS = (*np.geomspace(0.3, 0.75, 7), *np.geomspace(1.33, 3.3, 7), 1000.0)
QUARTER_S = 900.0


@dataclass(frozen=True)
class Trust:
    """What was mended in a record, why its direction is not determined, and what could not be checked; in words."""

    mended: tuple[str, ...] = ()
    doubts: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()

    @property
    def verdict(self):
        """Return ``"found"``, ``"found after mending"`` or ``"not determined"``."""
        return "not determined" if self.doubts else "found after mending" if self.mended else "found"

    def sentences(self):
        """Return the verdict in plain English, one string a fact; none for a record that is sound."""
        told = ((words, getattr(self, kind)) for kind, words in DIRECTION_WORDS["trust"]["verdict"].items())
        return [words.format(what="; ".join(facts)) for words, facts in told if facts] + [*self.cautions]

    def adding(self, kind, name, **values):
        """Return the same with one more fact, named as in ``words.toml``."""
        return replace(self, **{kind: (*getattr(self, kind), DIRECTION_WORDS["trust"][kind][name].format(**values))})


def in_watts(readings):
    """Return a table of readings with powers in W, whatever their unit and sign were, and the `Trust` that says so.

    What is no table of numbers is left to `record.read_record`.
    """
    trust = Trust()
    if not isinstance(readings, pd.DataFrame) or len(readings) < 100:
        return readings, trust
    names = ("reading_w", "pv_w") if readings.columns.is_unique else ()
    for name in (name for name in names if name in readings):
        power = pd.to_numeric(readings[name], errors="coerce")
        low, high = power.min(), power.max()
        if name == "pv_w" and low < -KILO_BELOW and -low > 5 * high:
            readings, power, low, high = readings.assign(pv_w=-power), -power, -high, -low
            trust = trust.adding("mended", "negative")
        if 0 < high < KILO_BELOW and (power % 1).gt(0).any():
            readings = readings.assign(**{name: 1000 * power})
            trust = trust.adding("mended", name)
    return readings, trust


def checked(record, load_w, trust):
    """Return (record, test load, trust) after the checks that need no direction, with mended what is surely wrong."""
    top = record.reading_w.max()
    capped = np.count_nonzero(record.reading_w == top)
    if top > 0 and capped > max(10, np.count_nonzero(record.reading_w > 0.9 * top) / 3):
        trust = trust.adding("doubts", "saturated", top=top, count=capped)
    load_w, share, trust = _tests_checked(record, load_w, trust)
    record, trust = _sun_checked(replace(record, test_share=share), trust)
    return record, load_w, trust


def _sun_checked(record, trust):
    if np.ptp(record.time_s) < 72_000:  # the sun may be down all the time
        return record, trust.adding("cautions", "short")
    if not (np.nan_to_num(record.window_pv_w) > 0).any():
        return record, trust.adding("doubts", "no_sun")
    answer = answer_of(record)
    if answer is None:
        trust = trust.adding("cautions", "still")
    elif answer.score < ANSWERS:
        trust = trust.adding("doubts", "no_answer")
    else:
        record, trust = _sun_mended(record, answer, trust)
    power = record.pv_at()[0]
    lit = (record.test_share == 0) & (power > 300)
    if lit.any() and np.mean(record.reading_w[lit] < NEAR_ZERO_W) > NEAR_ZERO_SHARE:
        trust = trust.adding("doubts", "store", share=100 * np.mean(record.reading_w[lit] < NEAR_ZERO_W))
    return record, trust


def _sun_mended(record, answer, trust):
    if abs(answer.late_s) > CLOCK_LEAST_S and answer.late_errors > CLEAR:
        trust = trust.adding("mended", "clock", late=answer.late_s / 60)
        record = replace(record, window_middle_s=record.window_middle_s - answer.late_s)
    if answer.gain != 1.0:
        trust = trust.adding("mended", "gain", gain=answer.gain)
        record = replace(record, window_pv_w=record.window_pv_w / answer.gain)
    if jumps(record):
        trust = trust.adding("doubts", "clock_jumps")
    return record, trust


def _tests_checked(record, load_w, trust):
    """Return (test load, shares, trust): the log of the tests moved to where the reading shows them, or left out."""
    share = record.test_share
    if np.count_nonzero(np.abs(np.diff(share[: LONGEST_LOG // 2])) > 0.5) < FEWEST_SWITCHINGS:
        return load_w, share, trust
    place = np.round((record.time_s - record.time_s[0]) / record.interval_s).astype(np.int64)
    told_w = load_w
    seen, late = _log_seen(record, place, load_w)
    if seen < 0.3:
        most, at, other_w = max((*_log_seen(record, place, part * load_w), part * load_w) for part in LOAD_PARTS)
        if most > 1.5 * seen:
            seen, late, told_w = most, at, other_w
    if seen < LOG_SEEN:
        return load_w, np.zeros(share.size), trust.adding("mended", "log_unseen")
    if told_w != load_w:
        trust = trust.adding("mended", "load", stated=load_w, seen=told_w)
    if late:
        share = pd.Series(share, place).reindex(place - late).fillna(0.0).to_numpy()
        trust = trust.adding("mended", "log_late", late=-late * record.interval_s / 60)
    return told_w, share, trust


def _log_seen(record, place, load_w):
    """Return the share of a log's switchings that the reading shows, and how many samples after it if minutes.

    Jumps of about the load's size are compared with the log at every shift of up to two hours; 0 if none stands out.
    """
    place = place[: np.searchsorted(place, LONGEST_LOG)]
    close, jump = np.diff(place) == 1, np.abs(np.diff(record.reading_w[: place.size]))
    switched = np.abs(np.diff(record.test_share[: place.size]))
    usual_w = load_w * switched[switched > 0.5].mean()  # a sample may hold a part of the test
    size = np.exp(-np.square((jump - usual_w) / (0.2 * usual_w)))
    seen, told = np.zeros((2, 2 ** int(np.ceil(np.log2(place[-1] + 1)) + 1)))  # room for any shift
    seen[place[1:]] = np.where(close, size - size[close].mean(), 0.0)
    told[place[1:]] = np.where(close & (switched > 0.5), switched, 0.0)
    fit = np.fft.irfft(np.fft.rfft(seen) * np.conj(np.fft.rfft(told)))
    reach = int(min(7200 / record.interval_s, seen.size // 4))
    fit = np.concatenate([fit[-reach:], fit[: reach + 1]])
    usual, low = np.quantile(fit, [0.4, 0.1])
    chance = np.sqrt(np.mean(np.square(seen)) * np.sum(np.square(told)))  # were they independent
    best = int(np.argmax(fit))
    if fit[best] - usual < STANDS_OUT * max(usual - low, chance) + 1e-9:
        return 0.0, 0
    late = best - reach if fit[best] - usual > 1.25 * (fit[reach] - usual) else 0
    return float((fit[best] - usual) / told.sum()), late


def contradicted(trust, load_w, power_w, record, agree, conflict):
    """Return a `Trust` with what the decoded record itself speaks against its direction.

    Parameters
    ----------
    trust : Trust
    load_w, power_w : ndarray, shape (n,)
        Decoded load of the house and PV power. [W]
    record : Record
    agree, conflict : int
        Step tests that alone clearly agree with the direction, or contradict it.
    """
    if conflict > 3 + 0.06 * (agree + conflict):
        trust = trust.adding("doubts", "tests", conflict=conflict, loud=agree + conflict)
    quiet = record.test_share == 0
    cell = np.floor((record.time_s - record.midnight_s) / QUARTER_S).astype(np.int64)
    mean = pd.DataFrame({"load": load_w, "sun": power_w})[quiet].groupby(cell[quiet]).mean()
    change = mean.diff()[np.diff(mean.index, prepend=-1) == 1]
    change = change[(change["sun"].abs() > 60) & (mean["sun"].reindex(change.index) > 100)]
    if len(change) < FEWEST_MOVES:
        return trust
    top = np.clip(change["load"], -3000, 3000) * change["sun"], change["sun"] ** 2
    block = pd.factorize(change.index // (BLOCK_S // QUARTER_S))[0]
    part = [np.bincount(block, each) for each in top]
    slope = part[0].sum() / part[1].sum()
    left = np.square(part[0] - slope * part[1]).sum() ** 0.5 / part[1].sum()
    if slope > FOLLOWS and slope > CLEAR * left:
        trust = trust.adding("doubts", "follows", watts=100 * slope)
    return trust
