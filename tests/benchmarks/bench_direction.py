"""How well the direction can be told: the ladder from trusting the reading to chosen steps, on made and measured data.

    python tests/benchmarks/bench_direction.py [--tune] [--days N] [--speed]

House load: measured minutes of one home (data/load_minutes.csv.gz). Sun: the scenario's array under minute clouds
drawn on its hourly weather. Days and clouds are drawn from one seed for tuning (--tune) and another, with days apart
from the first, for scoring; the printed numbers are of the scoring draw. The last block plays the two measured PV
days of data/pv_minutes.csv. With 1000 W on these sunny days "rise or fall" stays below feasibility: the fold misleads
it most where a house exports a little, often. --speed compares the chain with hmmlearn, if that is
installed, and times a whole decode.
"""

import argparse
import sys
import time
from pathlib import Path

import numpy as np
import pandas as pd

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
import chosen_steps

from solarlib.direction import chain, likelihood as evidence, schedule
from solarlib.direction.decoder import decode
from solarlib.direction.step_test import StepTest, certain_import, log_ratio, rise_or_fall
from solarlib.house.file import read_house
from solarlib.house.year import weather
from solarlib.meter.load import fill_masked, measured_year
from solarlib.roof.array import array_power
from solarlib.sky.clouds import minute_weather

SEEDS = {"tune": 11, "score": 2026}
LOAD_W, NOISE_W = 1000.0, 5.0
BUDGETS = (8, 18)  # steps a day on the tuning days; other days ask for up to a third more


def measured_load():
    """Return the measured home's year as (365, 1440), scaled to 20 kWh a day. [W]"""
    values = fill_masked(measured_year()).to_numpy(dtype=float)
    return values * (20_000 / 24 / values.mean())


def made_days(days, part):
    """Return (load, pv), each (1440, days): days of March to October, even dates to tune, odd dates to score. [W]"""
    rng = np.random.default_rng(SEEDS[part])
    house = read_house("two-storey")
    sky = minute_weather(weather(house), house.place, rng)
    sun = array_power(sky, house.place, house.system)["ac_power_w"].to_numpy()[: 365 * 1440].reshape(365, 1440)
    load = measured_load()
    season = np.arange(60, 300)
    ours = season[season % 2 == (0 if part == "tune" else 1)]
    chosen = np.sort(rng.choice(ours, days, replace=False))
    return load[chosen].T, np.maximum(sun[chosen], 0).T


def measured_sun_days():
    """Return (load, pv) of the measured array's second day beside eight measured home days of that season."""
    path = Path(__file__).resolve().parents[2] / "data" / "pv_minutes.csv"
    power = pd.read_csv(path, index_col="time", parse_dates=True)["power_w"]
    day = power[power.index.normalize() == power.index[-1].normalize()].to_numpy()
    load = measured_load()[75:83].T
    return load, np.repeat(day[:, None], load.shape[1], axis=1)


class Bench:
    """One set of days with its readings, truth and scores."""

    def __init__(self, load, pv, rng):
        self.net, self.pv, self.rng = load - pv, pv, rng
        self.habits = habits_of(self.net, pv)
        self.samples_a_day, self.days = pv.shape
        step = pd.Timedelta(days=1) / self.samples_a_day
        self.index = pd.date_range("2026-05-01", periods=pv.size, freq=step, tz="Etc/GMT+5")

    def table(self, seen, pv_w=None, tested=True):
        """Lay the days end to end as one record."""
        table = pd.DataFrame(
            {"reading_w": seen["reading_w"].T.ravel(), "pv_w": np.round(self.pv).T.ravel() if pv_w is None else pv_w},
            self.index,
        )
        return table.assign(test_on=seen["test_on"].T.ravel()) if tested else table

    def coarse_pv(self, freq):
        """Return the PV power as means over longer windows."""
        power = pd.Series(self.pv.T.ravel(), self.index)
        return power.groupby(self.index.floor(freq)).transform("mean").round().to_numpy()

    def play(self, **how):
        return chosen_steps.run_live(self.net, self.pv, LOAD_W, self.rng, noise_w=NOISE_W, habits=self.habits, **how)

    def registers(self, seen):
        """Return what the meter counted over the whole record."""
        net = self.net + LOAD_W * seen["test_on"]
        end = self.index[-1] + (self.index[1] - self.index[0])
        hours = 24 / self.samples_a_day
        delivered, received = (np.clip(sign * net, 0, None).sum() * hours / 1000 for sign in (1, -1))
        return pd.DataFrame(
            {"start": [self.index[0]], "end": [end], "delivered_kwh": [delivered], "received_kwh": [received]}
        )

    def scores(self, p_export, seen, days=None):
        """Return sign %, energy %, mean daily import error [kWh], its total [%], coverage of 90 % intervals [%]."""
        p = np.asarray(p_export).reshape(self.days, -1).T
        net = self.net + LOAD_W * seen["test_on"]
        u, day, kwh = seen["reading_w"], self.pv > 50, 24 / self.samples_a_day / 1000
        right = (p > 0.5) == (net < 0)
        true_in = np.clip(net, 0, None).sum(axis=0) * kwh
        error = (u * (1 - p)).sum(axis=0) * kwh - true_in
        covered = np.nan
        if days is not None:
            low, high = days["import_low_kwh"].to_numpy(), days["import_high_kwh"].to_numpy()
            covered = 100 * np.mean((low <= true_in) & (true_in <= high))
        total = 100 * error.sum() / true_in.sum()
        by_energy = 100 * (u * right)[day].sum() / u[day].sum()
        return 100 * right[day].mean(), by_energy, np.abs(error).mean(), total, covered

    def decoded(self, seen, pv_w=None, tested=True, **how):
        found = decode(self.table(seen, pv_w, tested), LOAD_W if tested else None, **how)
        return self.scores(found.samples["p_export"], seen, found.days), found.account


def held(bench, seen, evidence_for_import):
    """Hold each test's answer until the next that says something; never against certain import, nor by night."""
    u, tested = seen["reading_w"], seen["test_on"] > 0
    out = np.zeros(u.shape, dtype=bool)
    now = np.zeros(bench.days, dtype=bool)
    for t in range(1, len(u) - 1):
        ratio = evidence_for_import(u[t - 1], u[t], u[t + 1])
        now = np.where(tested[t] & (np.abs(ratio) > 1), ratio < 0, now) & (bench.pv[t] > 20)
        out[t] = now
    return (out & ~certain_import(u, bench.pv)).astype(float)


def ladder(bench, threshold_wh):
    """Return the rungs from trusting the reading to chosen steps, each with its scores."""
    seen, untested = bench.play(fixed_every=10), bench.play()
    u, test = seen["reading_w"], StepTest(LOAD_W, 60, 60.0, 60)
    simple = {
        "trusting the reading": np.zeros(u.shape),
        "feasibility": (~certain_import(u, bench.pv)).astype(float),
        "rise or fall, held": held(bench, seen, lambda b, x, a: np.where(rise_or_fall((b + a) / 2, x), -9, 9)),
        "fold-aware, held": held(bench, seen, lambda b, x, a: log_ratio(b, x, test, a)),
    }
    rows = {name: bench.scores(p.T.ravel(), seen) for name, p in simple.items()}
    rows["passive"], _ = bench.decoded(untested, tested=False)
    rows["fused, a step every 10 min"], _ = bench.decoded(seen)
    for wh in threshold_wh.values():
        chosen = bench.play(chooser=chosen_steps.Chooser(wh))
        count = chosen["test_on"].sum() / bench.days
        kwh = schedule.step_cost_kwh(LOAD_W, 60, count)
        rows[f"fused, chosen steps ({count:.1f} a day, {kwh:.2f} kWh)"], _ = bench.decoded(chosen)
        rows["  the same live"] = bench.scores(chosen["p_export"].T.ravel(), chosen)
        rows["  the same with registers"], _ = bench.decoded(chosen, registers=bench.registers(chosen))
        print_rows(rows)
        rows = {}


def conditions(bench):
    """Print the harder conditions: coarse PV, with and without registers; PV clock and gain wrong."""
    seen, untested = bench.play(fixed_every=10), bench.play()
    quarter = bench.coarse_pv("15min")
    rows = {
        "PV 15 min, passive": bench.decoded(untested, quarter, tested=False)[0],
        "PV 15 min, passive, with registers": bench.decoded(
            untested, quarter, tested=False, registers=bench.registers(untested)
        )[0],
        "PV 15 min, a step every 10 min": bench.decoded(seen, quarter)[0],
    }
    power = bench.pv.T.ravel()
    for late_min, gain in ((1, 1.0), (-1, 1.0), (0, 0.95), (0, 1.06), (1, 0.97)):
        rows[f"PV late {60 * late_min} s, gain {gain}: left alone"], _ = bench.decoded(
            seen, np.roll(power, late_min) * gain, calibrate=False
        )
        row, account = bench.decoded(seen, np.roll(power, late_min) * gain)
        clock, gain = account.repairs.clock, account.repairs.gain
        rows[f"  found {clock.value:.1f} s, {gain.value:.4f}, repaired"] = row
    print_rows(rows)


def snapshots(load, pv, rng):
    """Print 10-second snapshots with 30-second steps: minute loads, and sun between minutes with its own flicker."""
    at = np.arange(8640) / 6 - 0.5
    days = pv.shape[1]
    fine = np.stack([np.interp(at, np.arange(1440), pv[:, d]) for d in range(days)], axis=1)
    rough = np.repeat(np.abs(np.gradient(pv, axis=0)), 6, axis=0) * 0.7
    flicker = np.zeros(fine.shape)
    for t in range(1, len(fine)):
        flicker[t] = 0.49 * flicker[t - 1] + np.sqrt(1 - 0.49**2) * rng.normal(size=days)
    sun = np.maximum(fine + np.where(fine > 0, rough * flicker, 0), 0)
    bench = Bench(np.repeat(load, 6, axis=0) + rng.normal(0, 3, sun.shape), sun, rng)
    test = np.broadcast_to(((np.arange(8640) % 60) < 3)[:, None] & (sun > 30), sun.shape).astype(float)
    reading = np.round(np.abs(bench.net + LOAD_W * test + rng.normal(0, NOISE_W, sun.shape)))
    row, _ = bench.decoded({"reading_w": reading, "test_on": test}, bench.coarse_pv("1min"), kind="snapshot")
    print_rows({"10-s snapshots, a 30-s step every 10 min": row})


def habits_of(net, pv):
    """Return the house's habits from its nights."""
    night = pv < 3
    load = np.where(night, net, np.nan)
    follows = night & np.concatenate([np.zeros((1, night.shape[1]), dtype=bool), night[:-1]])
    return evidence.learn_habits(load.T[night.T], follows.T[night.T])


def thresholds(budgets, days):
    """Return the thresholds that meet the budgets on the tuning days."""
    bench = Bench(*made_days(days, "tune"), np.random.default_rng(SEEDS["tune"]))

    def steps_a_day(wh):
        return bench.play(chooser=chosen_steps.Chooser(wh))["test_on"].sum() / days

    return {budget: threshold_for(budget, steps_a_day) for budget in budgets}


def threshold_for(budget, steps_a_day, low_wh=0.5, high_wh=500.0):
    """Return the threshold that leads to at most so many steps a day, by halving a logarithmic range. [Wh]"""
    for _ in range(6):
        middle = float(np.sqrt(low_wh * high_wh))
        low_wh, high_wh = (middle, high_wh) if steps_a_day(middle) > budget else (low_wh, middle)
    return high_wh


def speed(samples=525_600):
    """Print the time of our chain, and of hmmlearn's where it is installed, on the same stationary chain."""
    rng = np.random.default_rng(1)
    start, transition = np.array([0.5, 0.5]), np.array([[0.97, 0.03], [0.05, 0.95]])
    emission = np.array([[0.6, 0.3, 0.1], [0.2, 0.3, 0.5]])
    seen = rng.integers(0, 3, samples)
    w = transition[:, :, None] * emission[None][:, :, seen]
    w[:, :, 0] = start * emission[:, seen[0]]
    rounds = {"solarlib.direction.chain.odds": lambda: chain.odds(w)}
    try:
        from hmmlearn import _hmmc, hmm
    except ImportError:
        print("hmmlearn is not installed: no comparison")
    else:
        model = hmm.CategoricalHMM(2, implementation="scaling")
        model.startprob_, model.transmat_, model.emissionprob_ = start, transition, emission
        column, likelihood = seen[:, None], np.ascontiguousarray(emission[:, seen].T)

        def kernel():
            _, forward, scale = _hmmc.forward_scaling(start, transition, likelihood)
            return forward * _hmmc.backward_scaling(start, transition, likelihood, scale)

        rounds["hmmlearn predict_proba"] = lambda: model.predict_proba(column)
        rounds["hmmlearn forward and backward alone"] = kernel
    best = dict.fromkeys(rounds, np.inf)
    for _ in range(7):
        for name, job in rounds.items():
            begin = time.perf_counter()
            job()
            best[name] = min(best[name], time.perf_counter() - begin)
    for name, seconds in best.items():
        print(f"{name:40s} {1000 * seconds:7.1f} ms for {samples} samples")
    return best


def whole_decode(bench, days=365):
    """Print the CPU time of a whole decode of a year of minutes with tests: the bench's days again and again."""
    table = bench.table(bench.play(fixed_every=10))
    year = table.iloc[np.arange(days * bench.samples_a_day) % len(table)]
    year.index = pd.date_range("2026-01-01", periods=len(year), freq="1min", tz="Etc/GMT+5")
    begin = time.process_time()
    decode(year, LOAD_W)
    print(f"a year of minutes decoded, checks and intervals included: {time.process_time() - begin:.2f} s CPU")


def print_rows(rows):
    for name, row in rows.items():
        print(f"{name:52s}" + "{:7.2f} {:7.2f} {:8.3f} {:7.2f} {:7.0f}".format(*row), flush=True)


def main(arguments):
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--tune", action="store_true", help="score the tuning days instead")
    parser.add_argument("--days", type=int, default=60)
    parser.add_argument("--speed", action="store_true", help="only the speed of the chain and of a whole decode")
    options = parser.parse_args(arguments)
    if options.speed:
        speed()
        whole_decode(Bench(*made_days(20, "score"), np.random.default_rng(SEEDS["score"])))
        return
    part = "tune" if options.tune else "score"
    chosen = thresholds(BUDGETS, options.days)
    print("thresholds from the tuning days:", {budget: round(wh, 1) for budget, wh in chosen.items()})
    made, rng = made_days(options.days, part), np.random.default_rng(SEEDS[part] + 1)
    head = f"{'':52s}{'sign %':>7s} {'energy%':>7s} {'kWh/day':>8s} {'total%':>7s} {'covers%':>7s}"
    print(f"\n{options.days} made days ({part})\n{head}")
    bench = Bench(*made, rng)
    ladder(bench, chosen)
    conditions(bench)
    snapshots(made[0][:, :20], made[1][:, :20], rng)
    print(f"\nmeasured sun, 8 home days\n{head}")
    ladder(Bench(*measured_sun_days(), rng), chosen)


if __name__ == "__main__":
    main(sys.argv[1:])
