"""The decoder's scorecard: shipped and made records with known truth, decoded, and scored to a fixed step.

`scorecard.csv` holds the scores; `test_scorecard.py` compares them with today's. Nothing writes it but this command,
when a change of the decoder is wanted:

    python tests/direction/scorecard.py --write
"""

import runpy
import sys
from pathlib import Path

import numpy as np
import pandas as pd

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from made_records import LOAD_W, made_house  # noqa: E402
from solarlib.direction.decoder import decode  # noqa: E402
from solarlib.direction.live import LiveFilter  # noqa: E402
from solarlib.meter.load import measured_year  # noqa: E402

FILE = Path(__file__).with_suffix(".csv")
DATA = Path(__file__).resolve().parents[2] / "data"
# Every column: its unit, and the step from which a number has moved.
STEPS = {
    "signs right (%)": 0.1,  # of the readings by daylight
    "energy right (%)": 0.1,  # of their sum
    "import error (kWh a day)": 0.001,  # mean size over the days
    "days covered (%)": 0.1,  # by the 90 % intervals of import
    "width (kWh)": 0.005,  # of those intervals, mean
    "log loss": 0.001,  # of the stated probabilities by daylight, mean; 0.693 for a coin
    "clock late (s)": 0.2,
    "its error (s)": 0.1,
    "PV gain": 0.0005,
    "its error": 0.0001,
    "test load (W)": 0.2,
    "its error (W)": 0.05,
}
DAYLIGHT_W = 50.0


def seen_late(readings, late_s, gain=1.0):
    """Return a record whose PV clock is late and whose PV instrument shows ``gain`` W for 1 W."""
    second = (readings.index - readings.index[0]).total_seconds().to_numpy()
    return readings.assign(pv_w=np.round(gain * np.interp(second - late_s, second, readings["pv_w"])))


def coarse(readings, window):
    """Return a record whose PV power is known as means over longer windows."""
    return readings.assign(pv_w=readings["pv_w"].groupby(readings.index.floor(window)).transform("mean").round())


def with_holes(readings, share, seed):
    """Return a record with single rows and one stretch of three hours missing, another one empty."""
    kept = np.random.default_rng(seed).random(len(readings)) >= share
    kept[2100:2280] = False
    return readings.assign(reading_w=readings["reading_w"].mask(np.arange(len(readings)) // 150 == 24))[kept]


def daily_registers(truth):
    """Return what the meter counts of each day: whole watt-hours."""
    hours = (truth.index[1] - truth.index[0]) / pd.Timedelta("1h")
    delivered = truth["import_w"].groupby(truth.index.normalize()).sum() * hours / 1000
    received = (truth["import_w"] - truth["net_w"]).groupby(truth.index.normalize()).sum() * hours / 1000
    table = pd.DataFrame({"delivered_kwh": delivered.round(3), "received_kwh": received.round(3)})
    return table.assign(start=table.index, end=table.index + pd.DateOffset(days=1))


def sensor_week():
    """Return (readings, truth) of the shipped week: minutes, four short tests a day, PV quarters of an hour."""
    build = runpy.run_path(str(DATA / "build_examples.py"))
    world = build["world"]().minutes.loc[slice(*build["SENSOR_WEEK"])]
    net = world["load_w"] - world["generation_w"]
    truth = pd.DataFrame({"net_w": net, "import_w": net.clip(lower=0), "pv_w": world["generation_w"]})
    sensor = pd.read_csv(DATA / "examples/sensor-week.csv").iloc[:-1]  # its last line is cut off
    sensor.index = pd.to_datetime(sensor.pop("time"), utc=True).dt.tz_convert(net.index.tz)
    sensor = sensor[sensor["reading_w"] < 1e6].sort_index()
    lines = (DATA / "examples/generation-quarter-hours.csv").read_text(encoding="cp1252").splitlines()
    cells = dict(line.split(";")[:2] for line in lines if line.count(";") == 1)  # twice told: the same both times
    power = pd.to_numeric(pd.Series(cells).str.replace(",", "."), errors="coerce") * 1000
    power.index = pd.to_datetime(power.index, format="%d.%m.%Y %H:%M", errors="coerce")
    power = power[power.index.notna()]
    pv = power.reindex(sensor.index.tz_localize(None).floor("15min")).to_numpy()
    on = sensor["test_load_w"] / sensor["test_load_w"].max()
    readings = pd.DataFrame({"reading_w": sensor["reading_w"], "pv_w": pv, "test_on": on})
    return readings, truth.loc[readings.index]


def measured_days():
    """Return (readings, truth) of three measured days of load beside the one measured day of sun, no tests."""
    sun = pd.read_csv(DATA / "pv_minutes.csv", index_col="time", parse_dates=True)["power_w"].iloc[-1440:]
    load = measured_year().to_numpy(dtype=float)[76:79] * 0.6
    pv = np.tile(np.maximum(sun.to_numpy(), 0), 3)
    net = pd.Series(load.ravel() - pv, pd.date_range("2026-03-18", periods=pv.size, freq="1min", tz="Etc/GMT+7"))
    noise = np.random.default_rng(4).normal(0, 4, net.size)
    readings = pd.DataFrame({"reading_w": np.round(np.abs(np.abs(net) + noise)), "pv_w": np.round(pv)})
    return readings, pd.DataFrame({"net_w": net, "import_w": net.clip(lower=0), "pv_w": pv})


def records():
    """Yield (name, readings, truth, options of `decode`) of every record."""
    week, truth = sensor_week()
    yield "shipped sensor week, PV 15 min, tests", week, truth, {"test_load_w": 750.0, "pv_window_s": 900}
    yield "measured load and sun, minutes, no tests", *measured_days(), {}
    readings, truth = made_house(days=4, seed=21)
    yield "minutes, tests", readings, truth, {"test_load_w": LOAD_W}
    timer = seen_late(readings, 40, 1.04).assign(test_on=np.roll(readings["test_on"], -2))
    yield "minutes, PV 40 s late and +4 %, timer 2 min late", timer, truth, {"test_load_w": 0.93 * LOAD_W}
    pulses = readings["reading_w"].cumsum() / 60
    counted = readings.assign(reading_w=np.diff(np.floor(pulses), prepend=0) * 60)
    yield "minutes, whole pulses of 1 Wh, tests", counted, truth, {"test_load_w": LOAD_W, "wh_per_pulse": 1.0}
    holes = with_holes(readings, 0.3, seed=5)
    yield "minutes, three in ten missing, tests", holes, truth.loc[holes.index], {"test_load_w": LOAD_W}
    yield "minutes, PV 15 min, tests", coarse(readings, "15min"), truth, {"test_load_w": LOAD_W}
    readings, truth = made_house(days=4, seed=22, test_every=0)
    yield "minutes, no tests", readings, truth, {}
    quarters = coarse(readings, "15min")
    yield "minutes, PV 15 min, no tests", quarters, truth, {}
    registers = daily_registers(truth)
    yield "minutes, PV 15 min, no tests, registers by day", quarters, truth, {"registers": registers}
    readings, truth = made_house(days=8, seed=23, interval_s=300)
    yield "five minutes, tests of a minute", readings, truth, {"test_load_w": LOAD_W}
    readings, truth = made_house(days=2, seed=24, interval_s=10, kind="snapshot")
    late = seen_late(readings, -30)
    yield "10-s snapshots, PV 30 s early, tests", late, truth, {"test_load_w": LOAD_W, "kind": "snapshot"}
    readings, truth = made_house(days=2, seed=25, interval_s=10, test_every=0)
    yield "10-s means, PV 5 min, no tests", coarse(readings, "5min"), truth, {}


def score(p_export, readings, truth):
    """Return the scores of stated probabilities, import of a day apart."""
    lit = (truth["pv_w"] > DAYLIGHT_W) & p_export.notna()
    p, export, size = p_export[lit], truth["net_w"][lit] < 0, readings["reading_w"][lit]
    right = (p > 0.5) == export
    stated = np.where(export, p, 1 - p).clip(1e-6, 1)
    return {
        "signs right (%)": 100 * right.mean(),
        "energy right (%)": 100 * (size * right).sum() / size.sum(),
        "log loss": -np.log(stated).mean(),
    }


def of_record(readings, truth, options):
    """Return the scores of one record, decoded."""
    found = decode(readings, **options)
    seen = found.samples["p_export"].notna()
    hours = pd.Series(readings.index).diff().median() / pd.Timedelta("1h")
    true = (truth["import_w"] * hours / 1000)[seen].groupby(truth.index[seen].date).sum().to_numpy()
    days = found.days[found.days["seen"] > 0]
    low, high = days["import_low_kwh"].to_numpy(), days["import_high_kwh"].to_numpy()
    repairs = found.account.repairs
    clock, gain, load = repairs.clock, repairs.gain, repairs.load
    return score(found.samples["p_export"], readings, truth) | {
        "import error (kWh a day)": np.abs(days["import_kwh"].to_numpy() - true).mean(),
        "days covered (%)": 100 * np.mean((low <= true) & (true <= high)),
        "width (kWh)": (high - low).mean(),
        "clock late (s)": clock and clock.value,
        "its error (s)": clock and clock.error,
        "PV gain": gain and gain.value,
        "its error": gain and gain.error,
        "test load (W)": load and load.value,
        "its error (W)": load and load.error,
    }


def of_live(window_s):
    """Return the scores of the live filter on three days, PV known at the end of its window."""
    readings, truth = made_house(days=3, seed=26)
    if window_s > 60:
        late = window_s // 60
        readings["pv_w"] = coarse(readings, f"{window_s}s")["pv_w"].shift(late, fill_value=0)
    live = LiveFilter(LOAD_W, pv_window_s=window_s)
    rows = readings[["reading_w", "pv_w", "test_on"]].to_numpy()
    return score(pd.Series([live.update(*row) for row in rows], readings.index), readings, truth)


def scorecard():
    """Return the whole table, a row a record, columns as in `STEPS`; empty where a record has no such number."""
    rows = {name: of_record(readings, truth, options) for name, readings, truth, options in records()}
    rows |= {f"live, minutes, PV {window_s // 60} min, tests": of_live(window_s) for window_s in (60, 900)}
    return pd.DataFrame.from_dict(rows, orient="index", columns=list(STEPS)).astype(float).rename_axis("record")


def stored():
    """Return the table of the file."""
    return pd.read_csv(FILE, index_col="record")


def moved(old, new):
    """Return where two tables differ by a step or more, or one of them has no number."""
    step = pd.Series(STEPS)
    return ((old - new).abs() >= step) | (old.isna() != new.isna())


def side_by_side(old, new):
    """Return both tables as text, line by line ``old -> new`` with a star where the number moved."""
    stars, lines = moved(old, new), []
    for name in new.index:
        lines.append(name)
        for column in STEPS:
            if stars.loc[name, column] or np.isfinite(new.loc[name, column]):
                star = "  *" if stars.loc[name, column] else ""
                lines.append(f"    {column:26s}{old.loc[name, column]:12.4f} -> {new.loc[name, column]:12.4f}{star}")
    return "\n".join(lines)


def write():
    """Write today's scores, a tenth of a step exact."""
    table = scorecard()
    for column, step in STEPS.items():
        table[column] = table[column].round(int(np.ceil(-np.log10(step))) + 1)
    table.to_csv(FILE, lineterminator="\n")
    return table


if __name__ == "__main__":
    if sys.argv[1:] != ["--write"]:
        sys.exit("usage: python tests/direction/scorecard.py --write")
    print(write().T.to_string())
