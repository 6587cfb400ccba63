"""Time and memory of reading: python tests/benchmarks/bench_readings.py [--ten-million]

Prints the time for a year of minutes (525,600 rows in each of two files) beside pandas' own reading of the same files,
in processes of their own, and with the flag the memory that ten million rows take. Needs a minute; not a test.
"""

import argparse
import json
import subprocess
import sys
import tempfile
from pathlib import Path

import numpy as np

STYLES = {  # name: (stamp, delimiter, decimal)
    "year first, commas": ("%Y-%m-%d %H:%M:%S", ",", "."),
    "day first, decimal comma": ("%d.%m.%Y %H:%M", ";", ","),
    "month first, 12 hours": ("%m/%d/%Y %I:%M %p", ",", "."),
}
OURS = """
from solarlib.files.mapping import Column, Mapping
from solarlib.files.reading import read
for path in paths:
    got = read(path, Mapping((Column("value", "net", "W"),), "time", "Etc/GMT+5"))
    assert got.account.rows_used == rows, got.account
"""
THEIRS = """
import pandas as pd
for path in paths:
    assert len(pd.read_csv(path, sep=mark, decimal=decimal{dates})) == rows
"""
RUN = """
import json, resource, sys, time
paths, mark, decimal, stamp, rows = json.loads(sys.argv[1])
import pandas, numpy, solarlib.files.reading
times = []
for _ in range({repeats}):
    start = time.perf_counter()
    {body}
    times.append(time.perf_counter() - start)
print(json.dumps([min(times), resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6]))
"""


def write(path, rows, style, step_s):
    import pandas as pd

    stamp, mark, decimal = style
    rng = np.random.default_rng(5)
    with path.open("w", encoding="utf-8") as file:
        file.write(f"time{mark}value\n")
        for start in range(0, rows, 500_000):
            count = min(500_000, rows - start)
            index = pd.date_range(
                pd.Timestamp("2025-01-01") + pd.Timedelta(seconds=step_s * start), periods=count, freq=f"{step_s}s"
            )
            values = rng.normal(200, 1500, count).round(1)
            pd.DataFrame({"time": index.strftime(stamp), "value": values}).to_csv(
                file, sep=mark, decimal=decimal, header=False, index=False
            )


def run(body, paths, style, rows, repeats=3):
    stamp, mark, decimal = style
    code = RUN.format(repeats=repeats, body=body.strip().replace("\n", "\n    "))
    given = json.dumps([[str(path) for path in paths], mark, decimal, stamp, rows])
    return json.loads(
        subprocess.run([sys.executable, "-c", code, given], check=True, capture_output=True, text=True).stdout
    )


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("--ten-million", action="store_true")
    flag = parser.parse_args().ten_million
    with tempfile.TemporaryDirectory() as folder:
        paths = [Path(folder) / name for name in ("one.csv", "two.csv")]
        for name, style in STYLES.items():
            for path in paths:
                write(path, 525_600, style, 60)
            plain, _ = run(THEIRS.format(dates=""), paths, style, 525_600)
            dated, _ = run(THEIRS.format(dates=", parse_dates=['time'], date_format=stamp"), paths, style, 525_600)
            ours, memory = run(OURS, paths, style, 525_600)
            print(
                f"{name}: ours {ours:.2f} s, pandas {plain:.2f} s without dates ({ours / plain:.1f} x), "
                f"{dated:.2f} s with dates ({ours / dated:.1f} x); peak {memory:.2f} GB"
            )
        if flag:
            style = STYLES["year first, commas"]
            write(paths[0], 10_000_000, style, 1)
            ours, memory = run(OURS, paths[:1], style, 10_000_000, repeats=1)
            print(f"10,000,000 rows: {ours:.1f} s, peak {memory:.2f} GB")


if __name__ == "__main__":
    main()
