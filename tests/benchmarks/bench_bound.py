"""How much more the direction could be told: the decoder beside trees that saw the truth of other days.

    python tests/benchmarks/bench_bound.py FOLDER [--blind] [--swap] [--only ID ...]

FOLDER holds records that the project does not carry: ``records.json`` (a list with ``id``, ``timezone``,
``interval_s``, ``reading`` beginning with "mean" or "snapshot", ``test_load_w``, ``pv_window_s``) and for each of
them ``readings_ID.csv.gz`` (time, reading_w, pv_w, test_on) and ``truth_ID.csv.gz`` (time, net_w and import_w with
the test load, load_w without it, pv_true_w). ``--blind`` looks at them as if no test load had ever run: readings
during a test are made anew from load and PV power with 5 W of noise.

Each record is decoded; then trees learn the direction of its daylight readings from the truth of two thirds of its
days and tell the rest, in turn (`FOLDS`). They see what the decoder found and the raw readings around. What they
reach, or the decoder where that is better, stands for what the data hold: the bound. ``closed`` is the share of the
way from the figures of `BEFORE` to the bound that the decoder has gone, over the homes together: the way of a figure
is its mean over the homes.

The split: constants of the decoder were chosen on the homes of `TUNED` alone; the others are judged. ``--swap`` lets
the two change places, to see that the figures stand. Learner, features, folds and seed are fixed here; it uses no
chance but the noise of ``--blind``. ``+-`` is the standard error of a record's import error over its days.
"""

import argparse
import json
from pathlib import Path

import numpy as np
import pandas as pd

from solarlib.direction.decoder import decode

TUNED = ("U1", "U2", "U5", "U8", "T1", "T2", "T3")
FOLDS, ROUNDS, DEPTH, RATE, BINS, RIDGE, SEED = 3, 60, 5, 0.2, 32, 5.0, 5
FIGURES = ("sign %", "energy %", "import error", "log loss")
# The decoder of 25 November 2026 on eight homes, with step tests and blind: sign and energy right [%], mean error of
# a day's import [kWh], log loss. Measured then; blind, on records made without tests instead of looked at so.
BEFORE = {
    False: {
        "U1": (97.9, 99.5, 0.034, 0.114),
        "U2": (98.4, 99.8, 0.039, 0.055),
        "U3": (97.8, 99.0, 0.057, 0.062),
        "U4": (95.7, 97.9, 0.152, 0.120),
        "U5": (97.7, 99.8, 0.021, 0.055),
        "U6": (98.5, 99.7, 0.018, 0.091),
        "U7": (95.5, 97.8, 0.126, 0.133),
        "U8": (86.1, 97.4, 0.376, 0.291),
    },
    True: {
        "U1": (97.1, 99.6, 0.044, 0.067),
        "U2": (96.7, 99.5, 0.077, 0.080),
        "U3": (97.4, 98.9, 0.070, 0.067),
        "U4": (91.0, 95.5, 0.424, 0.192),
        "U5": (97.3, 99.7, 0.037, 0.059),
        "U6": (98.8, 99.9, 0.017, 0.030),
        "U7": (93.0, 95.6, 0.237, 0.184),
        "U8": (73.5, 94.1, 0.864, 0.607),
    },
}


class Trees:
    """Boosted trees for a yes or no: all of one depth, cuts at quantiles, steps along the slope of the log loss."""

    def __init__(self, x, y):
        cuts = np.linspace(0, 1, BINS + 1)[1:-1]
        self.edges = [np.unique(np.quantile(column, cuts)) for column in x.T]
        binned, odds, self.grown = self._binned(x), np.zeros(y.size), []
        for _ in range(ROUNDS):
            p = 1 / (1 + np.exp(-odds))
            tree = self._tree(binned, y - p, p * (1 - p))
            odds += _leaf_of(tree, binned)
            self.grown.append(tree)

    def _binned(self, x):
        return np.stack([np.searchsorted(edges, column) for edges, column in zip(self.edges, x.T, strict=True)])

    def _tree(self, binned, slope, bend):
        node, cuts = np.zeros(slope.size, dtype=np.int64), []
        for depth in range(DEPTH):
            gain, at = zip(*(_best_cut(node * BINS + column, slope, bend, 2**depth) for column in binned), strict=True)
            feature = np.argmax(gain, axis=0)
            cuts.append((feature, np.array(at)[feature, np.arange(2**depth)]))
            node = _below(node, cuts[-1], binned)
        leaf = np.bincount(node, slope, 2**DEPTH) / (np.bincount(node, bend, 2**DEPTH) + RIDGE)
        return cuts, RATE * leaf

    def probability(self, x):
        binned = self._binned(x)
        return 1 / (1 + np.exp(-sum(_leaf_of(tree, binned) for tree in self.grown)))


def _best_cut(place, slope, bend, nodes):
    """Return, for each node, how much the best cut of one feature gains, and where it is."""
    size = nodes * BINS
    g, h = (np.bincount(place, part, size).reshape(nodes, BINS).cumsum(axis=1) for part in (slope, bend))
    rest_g, rest_h = g[:, -1:] - g, h[:, -1:] - h
    gain = np.where((h > 1) & (rest_h > 1), g**2 / (h + RIDGE) + rest_g**2 / (rest_h + RIDGE), -1.0)
    at = gain.argmax(axis=1)
    return gain[np.arange(nodes), at], np.where(gain.max(axis=1) > 0, at, BINS)


def _below(node, cut, binned):
    feature, at = cut
    return 2 * node + (binned[feature[node], np.arange(node.size)] > at[node])


def _leaf_of(tree, binned):
    cuts, leaf = tree
    node = np.zeros(binned.shape[1], dtype=np.int64)
    for cut in cuts:
        node = _below(node, cut, binned)
    return leaf[node]


def record_of(folder, told, blind):
    """Return a record beside its truth, with or without its step tests."""
    name = told["id"]
    readings = pd.read_csv(folder / f"readings_{name}.csv.gz")
    table = readings.merge(pd.read_csv(folder / f"truth_{name}.csv.gz"), on="time", how="left")
    table.index = pd.DatetimeIndex(pd.to_datetime(table["time"], utc=True)).tz_convert(told["timezone"])
    if blind:
        net = table["load_w"] - table["pv_true_w"]
        noise = np.random.default_rng(SEED).normal(0, 5, len(table))
        anew, moved = (net + noise).abs().round(), (table["net_w"] - net).abs() > 20
        testing = (table["test_on"] > 0) & table["reading_w"].notna()
        table["reading_w"] = table["reading_w"].mask(testing, anew)
        moved |= table["test_on"] > 0
        table["net_w"], table["import_w"] = table["net_w"].mask(moved, net), table["import_w"].mask(moved, net.clip(0))
        table["test_on"] = 0.0
    return table


def decoded(table, told, blind):
    """Return what the decoder finds."""
    kind = "snapshot" if told["reading"].startswith("snapshot") else "mean"
    columns = ["reading_w", "pv_w"] if blind else ["reading_w", "pv_w", "test_on"]
    load_w = None if blind else told["test_load_w"]
    return decode(table[columns], load_w, kind=kind, pv_window_s=told["pv_window_s"])


def features(table, told, samples):
    """Return what the trees see of each sample: what was found, the readings, loads implied, and all that around."""
    p = samples["p_export"].clip(1e-9, 1 - 1e-9)
    odds, u, pv = np.log(p / (1 - p)), table["reading_w"], table["pv_w"]
    on, load_w = table["test_on"], told["test_load_w"]
    loads = u + pv - on * load_w, pv - u - on * load_w
    hour = pd.Series(table.index.hour + table.index.minute / 60, table.index)
    seen, minute = [odds, u, pv, *loads, u - pv, on, hour], max(1, round(60 / told["interval_s"]))
    for away in (1, 2, 3, 5 * minute, 15 * minute):
        for place in (away, -away):
            seen += [u.shift(place) - u, odds.shift(place), pv.shift(place) - pv]
    for reach in (2, 7, 20, 60):
        around = {"window": 2 * reach * minute + 1, "center": True, "min_periods": 1}
        seen += [odds.rolling(**around).mean(), u.rolling(**around).std(), pv.rolling(**around).std()]
        for load in loads:
            seen += [load.rolling(**around).median() - load, load.rolling(**around).min()]
            seen += [samples["load_w"].rolling(**around).median() - load]
    for place in (1, -1):
        step = on.shift(place) - on
        answer = ((u.shift(place) - u) / (step * load_w)).where(step.abs() > 0.5)
        seen += [answer, answer.ffill() if place == 1 else answer.bfill()]
    return np.stack([part.to_numpy(float) for part in seen], axis=1)


def bound_of(table, told, samples):
    """Return P(export) as trees tell it that learned on other days."""
    x = features(table, told, samples)
    x = np.where(np.isfinite(x), x, -1e5)
    lit, export = daylight(table), (table["net_w"] < 0).to_numpy(float)
    day, p = pd.factorize(table["time"].str[:10])[0], samples["p_export"].to_numpy().copy()
    for fold in range(FOLDS):
        learned, told_now = lit & (day % FOLDS != fold), lit & (day % FOLDS == fold)
        p[told_now] = Trees(x[learned], export[learned]).probability(x[told_now])
    return p


def daylight(table):
    """True where there is a reading and sun."""
    return (table["reading_w"].notna() & table["pv_w"].notna() & (table["pv_true_w"] > 50)).to_numpy()


def figures(table, told, p):
    """Return the `FIGURES`, and the standard error of the third over the days."""
    lit, export, u = daylight(table), (table["net_w"] < 0).to_numpy(), table["reading_w"].to_numpy()
    right = (p > 0.5) == export
    stated = np.where(export, p, 1 - p)[lit].clip(1e-6, 1)
    error = (u * (1 - p) - table["import_w"]) * told["interval_s"] / 3.6e6
    days = error[table["reading_w"].notna()].groupby(table["time"].str[:10]).sum().abs()
    by_energy = (u * right)[lit].sum() / u[lit].sum()
    told_by = 100 * right[lit].mean(), 100 * by_energy, days.mean(), -np.log(stated).mean()
    return np.array(told_by), days.std() / np.sqrt(len(days))


def closed(homes, blind):
    """Return for each figure the share of the way from `BEFORE` to the bound, over homes: (today, bound) by name."""
    known = [name for name in homes if name in BEFORE[blind]]
    if not known:
        return None
    before = np.mean([BEFORE[blind][name] for name in known], axis=0)
    today, bound = (np.mean([homes[name][k] for name in known], axis=0) for k in (0, 1))
    better = np.array([np.maximum, np.maximum, np.minimum, np.minimum])
    bound = np.array([pick(a, b) for pick, a, b in zip(better, today, bound, strict=True)])
    return (today - before) / (bound - before)


def main(arguments=None):
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("--blind", action="store_true", help="as if no test load had run")
    parser.add_argument("--swap", action="store_true", help="judge the homes that were tuned on")
    parser.add_argument("--only", nargs="*", default=(), metavar="ID")
    options = parser.parse_args(arguments)
    homes = {}
    print(f"{'':6s}{'decoder: ' + ', '.join(FIGURES):>52s}{'bound':>32s}")
    for told in json.loads((options.folder / "records.json").read_text(encoding="utf-8")):
        name = told["id"]
        if options.only and name not in options.only or (name in TUNED) != options.swap:
            continue
        table = record_of(options.folder, told, options.blind)
        samples = decoded(table, told, options.blind).samples
        today, error = figures(table, told, samples["p_export"].to_numpy())
        bound, _ = figures(table, told, bound_of(table, told, samples))
        homes[name] = today, bound
        text = ["{:8.2f} {:8.2f} {:8.3f} {:8.3f}".format(*each) for each in (today, bound)]
        print(f"{name:6s}{text[0]} (+- {error:.3f})   {text[1]}", flush=True)
    share = closed(homes, options.blind)
    if share is not None:
        print("closed: " + ", ".join(f"{name} {100 * part:.0f} %" for name, part in zip(FIGURES, share, strict=True)))


if __name__ == "__main__":
    main()
