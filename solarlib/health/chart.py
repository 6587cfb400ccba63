"""Does a house still behave as it did? A one-sided cumulative sum of the daily log ratio, and three plain messages.

Only losses are watched. The first days fix what is usual (median and a robust scatter, wider on dull days), each later
day is measured against it, and small losses add up until they can no longer be chance. No message is a verdict.

Where the line lies is measured, not computed from a law of chance: healthy houses are drawn in runs of days from the
baselines of the house and its neighbours, each with a baseline of its own to get wrong, and the line is the one that
gives them messages as seldom as asked. How soon a loss shows is measured on the same houses.

Page, "Continuous inspection schemes", Biometrika 41 (1954) 100 (the sum; `from memory`). Kuensch, "The jackknife and
the bootstrap for general stationary observations", Annals of Statistics 17 (1989) 1217 (runs of days; `from memory`).
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from solarlib.quantities import refuse_if, require

MAD_TO_SCATTER = 1.4826  # makes the median absolute deviation of normal values their standard deviation
MEDIAN_ERROR = 1.2533  # standard error of a median beside that of a mean, normal days
# A single day counts as at most so many times the usual scatter, and never as more than carries to the line.
WINSOR = 4.0
LEAST_BASELINE_DAYS = 14
PERSISTS_DAYS = 14
LARGE_LOSS = 0.20
# A chart for less than 1/30 waits for weeks and meets dirt, season and drift of that size. A chart for more than 1/4
# would be slow for anything smaller and gains nothing: such losses show within days on every chart.
LEAST_LOSS, MOST_LOSS = 1 / 30, 1 / 4
ALLOWANCE = (0.25, 2.0)  # a smaller one waits very long, a larger one reacts to single days [scatters]
# Compared days for each false message. A line finds the readings that it was laid on rarer than new ones are, the more
# so the fewer they are: over 300 made houses with 420 readings 1.4 times (tests/health/test_false_messages.py).
FALSE_MESSAGE_DAYS, FLATTERY = 500.0, 170.0
HOUSES, YEAR_DAYS, RUN_DAYS, _SEED = 600, 365, 10, 0  # drawn; days drawn together, as a day resembles the next
_LINES = (0.01, 60.0)  # lowest and highest that is looked for [scatters]
LONGEST_WAIT = 60  # compared days; a chart that needs longer for half of its losses is none


@dataclass(frozen=True)
class Baseline:
    """What is usual, from `days` days: centre and scatter of the log ratio."""

    centre: float
    scatter: float
    days: int


@dataclass(frozen=True)
class Design:
    """Allowance k and threshold h of a chart, in units of the scatter."""

    k: float
    h: float

    @property
    def limit(self):
        """The most that one day counts, in units of the scatter: alone it carries the sum to the line, not above."""
        return min(WINSOR, self.k + (1.0 - 1e-9) * self.h)


def baseline(log_ratio: pd.Series | np.ndarray, wider: pd.Series | np.ndarray | float = 1.0) -> Baseline:
    """Return what is usual in days known to be free of faults.

    Parameters
    ----------
    log_ratio : Series or array, shape (days,)
        NaN: a day set aside.
    wider : array, shape (days,), or 1
        See `wider_by_sky`; the scatter is that of a day with factor 1.

    Returns
    -------
    Baseline
        Median; 1.4826 times the median absolute deviation; days used.

    Raises
    ------
    InputError
        Fewer than 14 usable days, or days that do not scatter at all.
    """
    values = np.asarray(log_ratio, dtype=float)
    count = int(np.isfinite(values).sum())
    refuse_if(count < LEAST_BASELINE_DAYS, "few_days", "baseline", count=count, least=LEAST_BASELINE_DAYS)
    centre = float(np.nanmedian(values))
    scatter = float(MAD_TO_SCATTER * np.nanmedian(np.abs(values - centre) / wider))
    refuse_if(not scatter > 0, "no_scatter", "baseline")
    return Baseline(centre, scatter, count)


def wider_by_sky(log_ratios, sun):
    """Return by which factor, 1 or more, each day scatters wider than a usual one, because it is duller.

    Parameters
    ----------
    log_ratios : DataFrame, shape (baseline days, systems)
        Of each system beside the others.
    sun : Series, shape (days,)
        Middle of the neighbours, any unit; its rows hold those of `log_ratios`.

    Returns
    -------
    Series, shape (days,)
        A power of the sun below that of the middle baseline day. The power, 0 to 1, is the slope of the logarithm of
        the distances from the middle in the baselines of all systems; distances near zero count as a tenth.
    """
    bright = np.log(sun / sun[log_ratios.index].median())
    far = (log_ratios - log_ratios.median()).abs()
    far = np.log((far / far.median()).clip(lower=0.1)).stack()
    level = bright.reindex(far.index.get_level_values(0)).to_numpy()
    slope = np.cov(far, level)[0, 1] / max(level.var(ddof=1), 1e-9) if len(far) > 1 else 0.0
    return np.exp(np.clip(-slope, 0.0, 1.0) * (-bright).clip(lower=0.0))


def standardised(log_ratio, usual, limit=WINSOR, wider=1.0):
    """Return each day's distance from the usual in units of the scatter, cut off at +-`limit`. Any shape; NaN stays."""
    return ((log_ratio - usual.centre) / (usual.scatter * wider)).clip(-limit, limit)


def cusum(z, k, h=np.inf):
    """Return the one-sided cumulative sum that watches downwards.

    Parameters
    ----------
    z : array, shape (days,) or (days, houses)
        NaN: a day that neither adds nor takes away.
    k : float
    h : float
        After a day above h the sum starts again from 0; default: it never does.

    Returns
    -------
    array, same shape
        The sum of each day before it starts again.
    """
    z = np.asarray(z, dtype=float)
    total, path = np.zeros(z.shape[1:]), np.empty(z.shape)
    for day, value in enumerate(z):
        total = np.where(np.isnan(value), total, np.maximum(0.0, total - value - k))
        path[day] = total
        total = np.where(total > h, 0.0, total)
    return path


def chart(log_ratio, usual, plan, wider=1.0):
    """Return the chart of the days after the baseline.

    Parameters
    ----------
    log_ratio : Series, shape (days,)
        NaN: a day set aside.
    usual : Baseline
    plan : Design
    wider : Series, shape (days,), or 1
        See `wider_by_sky`.

    Returns
    -------
    DataFrame, shape (days, 3)
        cusum; loss: the middle loss (share of energy) since the sum last stood at 0; stage: usual, watch (above h/2),
        look (from a day above h until the sum is 0 again), act (above h for 14 charted days, or above h with a middle
        loss over 20 %).
    """
    total = cusum(standardised(log_ratio, usual, plan.limit, wider).to_numpy(), plan.k)
    plain = (log_ratio - usual.centre).to_numpy(dtype=float)
    loss, stage = np.zeros(len(total)), []
    since, above, called = [], 0, False
    for day, value in enumerate(total):
        called = value > 0.0 and (called or value > plan.h)
        if value == 0.0:
            since, above = [], 0
        elif np.isfinite(plain[day]):
            since.append(plain[day])
            above = above + 1 if value > plan.h else 0
        # The median keeps one day of snow from looking like a large loss.
        loss[day] = -np.expm1(np.median(since)) if since else 0.0
        stage.append(_stage(value / plan.h, called, above, loss[day]))
    return pd.DataFrame({"cusum": total, "loss": loss, "stage": stage}, index=log_ratio.index)


def _stage(level, called, above, loss):
    """Return the stage for the sum in thresholds, a message since 0, the charted days above the line, the loss."""
    if level > 1.0 and (above >= PERSISTS_DAYS or loss > LARGE_LOSS):
        return "act"
    return "look" if called else "watch" if level > 0.5 else "usual"


@dataclass(frozen=True, eq=False)
class Drawn:
    """Healthy houses, drawn from the baselines of real ones.

    Attributes
    ----------
    z : array, shape (days, houses)
        Days after the baseline, in units of the scatter that each house took from its own drawn baseline.
    centre, scatter : arrays, shape (houses,)
        What the drawn baselines gave, in units of the scatter of the baseline they were drawn from.
    """

    z: np.ndarray
    centre: np.ndarray
    scatter: np.ndarray

    def messages(self, plan):
        """Return how many messages each house gets: a sum above the line is one until it stands at 0 again."""
        count = called = np.zeros(self.z.shape[1], dtype=int)
        for total in cusum(self.z.clip(-plan.limit, plan.limit), plan.k):
            new = (total > plan.h) & ~(called := called & (total > 0.0)).astype(bool)
            count, called = count + new, called | new
        return count

    def waits(self, plan, shift):
        """Return after how many compared days each house gets a message when it falls by `shift` scatters at once."""
        z = (self.z - shift / self.scatter).clip(-plan.limit, plan.limit)
        above = cusum(z, plan.k) > plan.h
        counted = np.isfinite(z).cumsum(axis=0)[above.argmax(axis=0), np.arange(z.shape[1])]
        return np.where(above.any(axis=0), counted, np.inf)


def draw_houses(log_ratios):
    """Return healthy houses drawn from the baselines of real ones.

    Parameters
    ----------
    log_ratios : array, shape (days, systems)
        Of each system beside the others, divided by `wider_by_sky`. NaN: a day without a reading.

    Returns
    -------
    Drawn
        Each house is drawn from one system, in runs of days of the same calendar; systems take turns.
    """
    days, systems = np.shape(log_ratios)
    rng = np.random.default_rng(_SEED)
    runs = -(-(days + YEAR_DAYS) // RUN_DAYS)
    begin = rng.integers(0, days, (runs, 1, HOUSES))
    row = (begin + np.arange(RUN_DAYS)[:, None]) % days
    made = np.asarray(log_ratios)[row.reshape(-1, HOUSES)[: days + YEAR_DAYS], np.arange(HOUSES) % systems]
    centre = np.nanmedian(made[:days], axis=0)
    scatter = MAD_TO_SCATTER * np.nanmedian(np.abs(made[:days] - centre), axis=0)
    return Drawn((made[days:] - centre) / scatter, centre, scatter)


@dataclass(frozen=True, eq=False)
class Watch:
    """A chart that watches a house.

    Attributes
    ----------
    usual, plan : Baseline, Design
    loss : float
        The chart is made for it. [share]
    houses : Drawn
        What the line was laid on.
    false_message_days : float
        Compared days for each false message: those of the drawn houses, less what a line finds its own days too rare.
    false_message_range : tuple of float
        Least and most of that by the system that the days were drawn from.
    """

    usual: Baseline
    plan: Design
    loss: float
    houses: Drawn
    false_message_days: float
    false_message_range: tuple

    @property
    def widening(self):
        """Return by which factor a middle of days errs more than one of normal days that do not resemble each other."""
        return max(1.0, float(self.houses.centre.std() * np.sqrt(self.usual.days) / MEDIAN_ERROR))

    @property
    def scatter(self):
        """Return the scatter that errors are made of: that of a day times `widening`."""
        return self.usual.scatter * self.widening

    def days_to_notice(self, loss):
        """Return after how many compared days half, and nine of ten, of the drawn houses get a message for a loss.

        It may be infinite.
        """
        waits = self.houses.waits(self.plan, shift_of_loss(loss) / require(self.usual.scatter, "scatter", 1e-9, 1e9))
        return tuple(float(wait) for wait in np.quantile(waits, [0.5, 0.9], method="higher"))

    @property
    def is_slow(self):
        """Tell whether half of the losses that the chart is made for are noticed too late to be of use."""
        return self.days_to_notice(self.loss)[0] > LONGEST_WAIT


def watch_for(
    log_ratios: pd.DataFrame,
    loss: float,
    false_message_days: float = FALSE_MESSAGE_DAYS,
    wider: pd.Series | np.ndarray | float = 1.0,
) -> Watch:
    """Return a chart that watches a house for a loss, its line laid on the baselines of the house and its neighbours.

    Parameters
    ----------
    log_ratios : DataFrame, shape (baseline days, systems)
        Of each system beside the others; the first is the house. NaN: a day without a reading.
    loss : float
        Share of the energy to notice; one dead module of 16 is 1/16. Held to what a chart is good for.
    false_message_days : float
        Wanted: compared days for each false message, as a mean over houses.
    wider : Series, shape (baseline days,), or 1
        See `wider_by_sky`.

    Raises
    ------
    InputError
        As `baseline`.
    """
    loss = float(np.clip(require(loss, "loss", 0, 1), LEAST_LOSS, MOST_LOSS))
    table = np.asarray(log_ratios, dtype=float)
    usual = baseline(table[:, 0], wider)
    even = (table - np.nanmedian(table, axis=0)) / np.reshape(wider, (-1, 1))
    scatter = MAD_TO_SCATTER * np.nanmedian(np.abs(even), axis=0)
    even = even[:, scatter > 0] / scatter[scatter > 0]
    houses = draw_houses(even)
    k = float(np.clip(0.5 * shift_of_loss(loss) / usual.scatter, *ALLOWANCE))
    flattery = 1.0 + FLATTERY / np.isfinite(even).sum()
    wanted = np.isfinite(houses.z).sum(axis=0).sum() / (
        flattery * require(false_message_days, "false messages", 10, 1e6, "days")
    )
    low, high = _LINES
    while high - low > 0.01:
        middle = 0.5 * (low + high)
        low, high = (middle, high) if houses.messages(Design(k, middle)).sum() > wanted else (low, middle)
    plan, systems = Design(k, high), np.arange(HOUSES) % even.shape[1]
    found, days = (
        np.bincount(systems, counts) for counts in (houses.messages(plan), np.isfinite(houses.z).sum(axis=0))
    )
    rare = days / np.maximum(found, 1.0) / flattery
    told = float(days.sum() / max(found.sum(), 1.0) / flattery)
    return Watch(usual, plan, loss, houses, told, (float(rare.min()), float(rare.max())))


def shift_of_loss(loss):
    """Return how far a loss moves the logarithm of the ratio (a positive number). [share -> log ratio]

    A loss of all counts as 99.9 %: its logarithm would be infinite.
    """
    return float(-np.log1p(-min(require(loss, "loss", 0, 1), 0.999)))
