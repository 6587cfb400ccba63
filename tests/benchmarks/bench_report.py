"""A one-minute year, two CSV files of 525,600 rows, from file to finished report: under 20 s of wall time.

Run ``python tests/benchmarks/bench_report.py`` for the figures, or give this file to pytest. The year is made (house
model, clouds within the hour); making and writing it is not counted.
"""

import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import pandas as pd

from solarlib.house.file import read_house
from solarlib.house.flows import bring
from solarlib.house.sensor import directions
from solarlib.house.year import simulate
from solarlib.lessons.own_house import report as own_house_report

BAR_S, ROWS = 20.0, 525_600
MAPPING = 'zone = "America/New_York"\ntime = "time"\n[[column]]\nname = "{0}"\nquantity = "{1}"\nunit = "W"\n'


def write_year(folder, house):
    """Write a year of minutes as two files with their mappings; return their paths."""
    rng = np.random.default_rng(9)
    year = simulate(house, "1min", rng)
    assert len(year) == ROWS
    stamps = year.index.strftime("%Y-%m-%dT%H:%M:%S%z")
    reading = np.abs(np.abs(year["net_w"]) + rng.normal(0, 3, ROWS)).round().astype(int)
    paths = []
    for name, quantity, values in (
        ("power_w", "generation", year["generation_w"].clip(lower=0).round().astype(int)),
        ("reading_w", "unsigned", reading),
    ):
        path = Path(folder) / f"{quantity}.csv"
        rows = "\n".join(f"{stamp},{value}" for stamp, value in zip(stamps, values))
        path.write_text(f"time,{name}\n{rows}\n", encoding="utf-8")
        path.with_suffix(".toml").write_text(MAPPING.format(name, quantity), encoding="utf-8")
        paths.append(path)
    return paths


def measure(folder):
    """Return (seconds of wall time by part, report, times of the processor that two plain ``read_csv`` take)."""
    house = read_house("two-storey")
    paths = write_year(folder, house)
    busy = [time.process_time()]
    for path in paths:
        pd.read_csv(path)
    busy.append(time.process_time())
    marks = [("start", time.perf_counter())]
    files = [bring(path, house) for path in paths]
    marks.append(("read and check", time.perf_counter()))
    decoded = directions(files)
    marks.append(("direction", time.perf_counter()))
    report = own_house_report.make(house, files, decoded=decoded)
    report.save(Path(folder) / "report.html")
    marks.append(("report", time.perf_counter()))
    ratio = (time.process_time() - busy[1]) / (busy[1] - busy[0])
    return {name: end - start for (_, start), (name, end) in zip(marks, marks[1:])}, report, ratio


def test_year_in_time(tmp_path):
    seconds, report, _ = measure(tmp_path)
    assert sum(seconds.values()) < BAR_S, seconds
    assert sum(len(section.pictures) for section in report.sections) >= 2


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as folder:
        seconds, report, ratio = measure(folder)
    for name, value in seconds.items():
        print(f"{name:15s} {value:6.2f} s")
    print(f"{'whole':15s} {sum(seconds.values()):6.2f} s (bar {BAR_S:g} s)")
    print(f"{ratio:.1f} times the processor time of two plain pandas.read_csv")
    print(report)
    sys.exit(sum(seconds.values()) >= BAR_S)
