"""How the reading answers the sun: whatever the direction, a change of the PV power moves it by as much.

So a wrong unit, a wrong clock and another house's PV power show without any direction known.
"""

from dataclasses import dataclass
from functools import cached_property

import numpy as np

REACH_S, COARSE_STEP_S, FINE_STEP_S = 12 * 3600.0, 300.0, 60.0  # clocks: how far is looked, and how finely
BLOCK_S = 10_800.0  # stretches that are taken as independent of each other
MOVES_W, FEWEST_MOVES = 40.0, 30  # changes of the sun that can be checked, and how many are needed
GAINS = np.geomspace(1 / 1280, 8, 41)
GAIN_RANGE, CLEAR_GAIN = (0.72, 1.4), 2.5  # an instrument's own error; beyond, something else is wrong
JUMP_ERRORS = 2.3


@dataclass(frozen=True)
class Changes:
    """Changes of the reading from one cell of the clock to the next, without the test load.

    Parameters
    ----------
    start_s : ndarray, shape (n,)
        Where the later cell begins. [s]
    change_w, sum_w : ndarray, shape (n,)
        Size of the change of the reading, if both have one direction, and if they have two. [W]
    block : ndarray of int, shape (n,)
        Number of the stretch of three hours.
    cell_s : float
    """

    start_s: np.ndarray
    change_w: np.ndarray
    sum_w: np.ndarray
    block: np.ndarray
    cell_s: float

    @cached_property
    def usual_w(self):
        """Size of an ordinary change. [W]"""
        return (np.median(self.change_w) + 5) / 2

    def misfit(self, sun_w):
        """Return how badly changes of the sun explain those of the reading; robust, 0 for exactly. Shape (n,)."""
        left = np.minimum(np.abs(self.change_w - sun_w), np.abs(self.sum_w - sun_w))
        return np.log1p(np.square(left / self.usual_w))

    def errors(self, gain):
        """Return by how many standard errors a gain in fit, shape (n,), differs from none."""
        sums = np.bincount(self.block, gain)
        return float(sums.sum() / (np.sqrt(np.square(sums).sum()) + 1e-9))


def changes_of(record, cell_s, most_days):
    """Return the `Changes` of a record, of some of its days if there are more."""
    cell = np.floor((record.time_s - record.midnight_s) / cell_s).astype(np.int64)
    first, later = cell[0], np.empty(0, dtype=np.int64)
    for used in ((record.test_share == 0) & ~record.untold, np.ones(cell.size, dtype=bool)):
        if later.size > 0.5 * cell.size * record.interval_s / cell_s:
            break  # else the reading is too slow to have many without the test load
        count = np.bincount(cell[used] - first, minlength=2)
        mean = np.bincount(cell[used] - first, record.reading_w[used], minlength=2) / np.maximum(count, 1)
        whole = count >= 0.45 * cell_s / record.interval_s
        later = np.flatnonzero(whole[1:] & whole[:-1]) + 1
    start_s = (first + later) * cell_s
    day = np.floor(start_s / 86_400).astype(np.int64)
    later = later[day % max(1, -(-int(np.ptp(day) + 1) // most_days)) == 0] if later.size else later
    start_s = (first + later) * cell_s
    change, both = np.abs(mean[later] - mean[later - 1]), mean[later] + mean[later - 1]
    return Changes(start_s + record.midnight_s, change, both, np.floor(start_s / BLOCK_S).astype(np.int64), cell_s)


class Sun:
    """Sizes of the changes of the PV power over the cells of some `Changes`, whatever its clock. [W]

    Parameters
    ----------
    record : Record
    changes : Changes
    step_s : float
        How finely clocks can be told. [s]
    """

    def __init__(self, record, changes, step_s=FINE_STEP_S):
        known, window_s = np.isfinite(record.window_pv_w), record.window_s
        middle_s, power = record.window_middle_s[known], record.window_pv_w[known]
        every_s = np.arange(middle_s[0], middle_s[-1] + 1.5 * window_s, window_s)  # rows may be missing
        power = np.interp(every_s[:-1], middle_s, power)
        edges = every_s - window_s / 2
        self.cells = max(1, round(changes.cell_s / step_s))  # steps of a cell
        self.step_s = changes.cell_s / self.cells
        self.reach = 2 * self.cells + int(1.2 * REACH_S / self.step_s)
        start_s, end_s = changes.start_s[0], changes.start_s[-1]
        grid_s = start_s + self.step_s * np.arange(-self.reach, round((end_s - start_s) / self.step_s) + self.reach)
        self.energy = np.interp(grid_s, edges, np.concatenate([[0.0], np.cumsum(power)]) * window_s)
        self.at = np.round((changes.start_s - start_s) / self.step_s).astype(np.int64) + self.reach
        self.cell_s = changes.cell_s

    def changes(self, late_s=0.0):
        """Return them with the PV clock taken as late by so much, to the step."""
        at, energy = self.at + round(late_s / self.step_s), self.energy
        return np.abs(energy[at + self.cells] - 2 * energy[at] + energy[at - self.cells]) / self.cell_s


@dataclass(frozen=True)
class Answer:
    """How the reading answers the sun, at the PV clock and gain that fit it best.

    Parameters
    ----------
    late_s, gain : float
        Lateness of the PV clock [s]; what the PV instrument shows for 1 W.
    late_errors : float
        By how many standard errors that clock fits better than the one told.
    left : float
        Misfit beside that without any sun: 0 if the sun explains all.
    sharp : float
        By how many standard errors the clock fits better than clocks around it.
    """

    late_s: float
    gain: float
    late_errors: float
    left: float
    sharp: float

    @property
    def score(self):
        """Return one number for both signs of an answer: little left unexplained, and a sharply told clock."""
        return self.sharp + 10 * (0.85 - self.left)


def answer_of(record):
    """Return the `Answer` of a record's reading to its sun, None where too little moves to tell."""
    cell_s = max(record.window_s, record.interval_s)
    wide, fine = changes_of(record, max(300.0, cell_s), 30), changes_of(record, max(60.0, cell_s), 14)
    if fine.change_w.size < FEWEST_MOVES:
        return None
    lags, around = np.arange(-REACH_S, REACH_S + 1, COARSE_STEP_S), np.arange(-10, 11) * FINE_STEP_S
    far, sun = Sun(record, wide), Sun(record, fine)

    def fit(late_s, gain=1.0):
        return fine.misfit(sun.changes(late_s) / gain)

    # A sun in another unit moves far too little, or too much, to tell its clock as it is.
    ratio = np.quantile(sun.changes(), 0.98) / max(np.quantile(fine.change_w, 0.98), 1e-3)
    tried = []
    for gain in (1.0, ratio, 4 * ratio, 16 * ratio) if 0 < ratio < 0.1 or ratio > 10 else (1.0,):
        far_s = lags[np.argmin([wide.misfit(far.changes(late_s) / gain).mean() for late_s in lags])]
        tried += [(fit(late_s, gain).mean(), late_s) for late_s in (*around, *(far_s + around))]
    late_s, gains = min(tried)[1], GAINS
    sun_w, plain = sun.changes(late_s), fit(late_s)
    for _ in range(2):
        gain = gains[np.argmin([fine.misfit(sun_w / gain).mean() for gain in gains])]
        gains = gain * np.geomspace(0.75, 1 / 0.75, 13)
    scaled = fit(late_s, gain)
    gain_errors = fine.errors(plain - scaled)
    if gain_errors < CLEAR_GAIN or GAIN_RANGE[0] < gain < GAIN_RANGE[1]:
        gain, scaled = 1.0, plain
    moves = sun_w / min(gain, 1.0) > MOVES_W
    if np.count_nonzero(moves) < FEWEST_MOVES:
        return None
    aside = max(1200.0, 2 * record.window_s) / 2
    sides = np.mean([fit(late_s + k * aside, gain) for k in (-4, -3, -2, 2, 3, 4)], axis=0)
    left = scaled[moves].mean() / fine.misfit(0.0)[moves].mean()
    late_errors, sharp = fine.errors(fit(0.0, gain) - scaled), fine.errors(sides - scaled)
    return Answer(float(late_s), float(gain), late_errors, float(left), sharp)


def jumps(record):
    """Return True if from some time on, or until then, a PV clock an hour off fits better than that of the rest."""
    wide = changes_of(record, max(300.0, record.window_s, record.interval_s), 400)
    sun = Sun(record, wide)
    for late_s in (-3600.0, 3600.0):
        gain = np.bincount(wide.block - wide.block[0], wide.misfit(sun.changes()) - wide.misfit(sun.changes(late_s)))
        for way in (1, -1):
            run, spread = np.cumsum(gain[::way]), np.sqrt(np.cumsum(gain[::way] ** 2)) + 1e-9
            if np.max(run / spread) > JUMP_ERRORS:
                return True
    return False
