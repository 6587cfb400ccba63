"""A ladder: rules and decoders for a few days of a house, judged by wrong minutes and energy."""

from functools import lru_cache

import numpy as np
import pandas as pd

from solarlib.direction.decoder import decode
from solarlib.direction.step_test import StepTest, certain_import, log_ratio, rise_or_fall
from solarlib.lessons.load_step.pictures import DAYLIGHT_W, year_in_minutes
from solarlib.meter.load import test_load
from solarlib.meter.registers import unsigned
from solarlib.quantities import energy_kwh

RUNGS: tuple[str, ...] = ("trust the reading", "certain import only", "rise or fall, held", "fold-aware, held")
RUNGS += ("no tests, decoded", "tests, decoded")
DAYS_READ = 8
LEAST_EVIDENCE = 0.5  # below it a fold-aware test changes nothing
SPREAD_W = 50.0  # of one reading: its noise and the unrest of the house
PV_GAIN, PV_NOISE_W = 1.01, 5.0  # of the PV record: no instrument is exact
_SEED = 777


@lru_cache(maxsize=8)
def record_days(house, pv_min):
    """Return the first days of the sunniest month in minutes, and ``pv_w``, a record of means over ``pv_min``. [W]"""
    year = year_in_minutes(house)
    made = year["generation_w"].groupby(year.index.month).sum()
    rows = year[(year.index.month == made.idxmax()) & (year.index.day <= DAYS_READ)]
    noise = np.random.default_rng(_SEED).normal(0.0, PV_NOISE_W, len(rows))
    record = rows["generation_w"] * PV_GAIN + np.where(rows["generation_w"] > 0, noise, 0.0)
    return rows.assign(pv_w=record.clip(lower=0.0).groupby(np.arange(len(rows)) // pv_min).transform("mean"))


@lru_cache(maxsize=32)
def _without_tests(house, noise_w, pv_min):
    """Return P(export) decoded from readings in which no test load ever ran."""
    days = record_days(house, pv_min)
    shown = unsigned(days["net_w"], noise_w, house.meter.reading_step_w, np.random.default_rng([_SEED, 1]))
    table = pd.DataFrame({"reading_w": shown, "pv_w": days["pv_w"]})
    return decode(table, pv_window_s=60 * pv_min, calibrate=False).samples["p_export"].to_numpy()


def signs(house, load_w, every_min, noise_w, pv_min):
    """Return what each rung says of every minute, and the truth.

    Parameters
    ----------
    house : House
    load_w : float
        Test load, on for one minute each time. [W]
    every_min : int
        Time from test to test, by day. [min]
    noise_w : float
        Of one reading. [W]
    pv_min : int
        Length of the means in the PV record. [min]

    Returns
    -------
    (DataFrame of bool, DataFrame)
        True for export: one column a rung; then ``net_w``, ``reading_w``, ``counts`` (daylight, test load off).
    """
    days = record_days(house, pv_min)
    light = days["generation_w"].to_numpy() > DAYLIGHT_W
    minute = np.arange(len(days))
    at = minute[light & (minute % every_min == every_min // 2) & (minute > 0) & (minute < len(days) - 1)]
    test = test_load(days.index, days.index[at], load_w, "60s")
    rng = np.random.default_rng([_SEED, 1])
    step = house.meter.reading_step_w
    shown = unsigned(days["net_w"] + test["power_w"], noise_w, step, rng)
    size, pv = shown.to_numpy(), days["pv_w"].to_numpy()
    said = pd.DataFrame(index=days.index)
    said[RUNGS[0]] = False
    possible = light & ~certain_import(size, pv)  # the rungs above keep what this one knows
    said[RUNGS[1]] = possible
    before, during, after = size[at - 1], size[at], size[at + 1]
    said[RUNGS[2]] = _held(rise_or_fall(before, during), np.full(len(at), True), at, possible)
    judge = StepTest(load_w, dwell_s=60.0, noise_w=max(SPREAD_W, noise_w), reading_step_s=60.0)
    evidence = log_ratio(before, during, judge, after)
    said[RUNGS[3]] = _held(evidence < 0, np.abs(evidence) > LEAST_EVIDENCE, at, possible)
    said[RUNGS[4]] = _without_tests(house, noise_w, pv_min) > 0.5
    table = pd.DataFrame({"reading_w": shown, "pv_w": days["pv_w"], "test_on": test["share_on"]})
    found = decode(table, load_w, pv_window_s=60 * pv_min, calibrate=False)
    said[RUNGS[5]] = found.samples["p_export"].to_numpy() > 0.5
    counts = light & (test["share_on"].to_numpy() == 0)
    truth = days[["net_w"]].assign(reading_w=shown, counts=counts)
    return said, truth


def _held(exports, answered, at, possible):
    """Hold each answer until the next one; import before the first and where export is not possible."""
    if len(at) == 0:
        return np.zeros(len(possible), dtype=bool)
    kept = np.full(len(possible), -1)
    kept[at[answered]] = np.flatnonzero(answered)
    last = np.maximum.accumulate(kept)
    return possible & (last >= 0) & np.where(last >= 0, exports[last], False)


def scores(said, truth):
    """Return wrong minutes [% of daylight] and error of the imported energy [kWh a day] of each rung.

    The energy error is the mean size over the days, by daylight.
    """
    counts, exports = truth["counts"].to_numpy(), said.to_numpy()
    wrong = 100 * np.sum((exports != (truth[["net_w"]].to_numpy() < 0))[counts], axis=0) / max(counts.sum(), 1)
    taken = truth[["reading_w"]].to_numpy() * (counts[:, None] & ~exports)
    taken = np.column_stack([taken, np.clip(truth["net_w"].to_numpy(), 0, None) * counts])
    energy = energy_kwh(pd.DataFrame(taken, truth.index)).to_numpy()
    days = np.add.reduceat(energy, np.flatnonzero(np.diff(truth.index.day, prepend=0)), axis=0)
    error = np.abs(days[:, :-1] - days[:, -1:]).mean(axis=0)
    return pd.DataFrame({"wrong_percent": wrong, "error_kwh": error}, index=said.columns)


def ladder_table(house, cases):
    """Return how far each rung is from the truth, in words, for some cases.

    A case is decoded in about a tenth of a second.

    Parameters
    ----------
    house : House
    cases : dict
        Name of a case -> test load [W], time between tests [min], noise [W], length of the PV record's means [min].

    Returns
    -------
    DataFrame
        A row for each of `RUNGS`, a column for each case: wrong minutes by daylight, error of imported energy a day.
    """
    table = {}
    for name, values in cases.items():
        rows = scores(*signs(house, *values)).itertuples()
        table[name] = {row.Index: f"{row.wrong_percent:.1f} %, {row.error_kwh:.2f} kWh" for row in rows}
    return pd.DataFrame(table)
