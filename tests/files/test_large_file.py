"""Ten million rows are read within 1.2 GB, every row accounted for."""

import json
import subprocess
import sys

import numpy as np
import pandas as pd
import pytest

ROWS, MOST_GB = 10_000_000, 1.2
READ = """
import json, pathlib, resource, sys
from solarlib.files.mapping import Column, Mapping
from solarlib.files.reading import read
got = read(sys.argv[1], Mapping((Column("value", "net", "W"),), "time", "Etc/GMT+5"))
status = pathlib.Path("/proc/self/status")  # Linux hands a process's peak on to its children in `ru_maxrss`
if status.exists():
    memory = int(status.read_text().split("VmHWM:")[1].split()[0]) / 1e6
else:
    memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / (1e9 if sys.platform == "darwin" else 1e6)
account = got.account
balanced = account.lines == account.head_lines + account.blank_lines + account.rows_read
balanced &= account.rows_read == account.rows_used + len(account.set_aside)
print(json.dumps([account.rows_read, account.rows_used, balanced, float(got.table["net_w"].sum()), memory]))
"""


def write(path):
    """Write a row a second, fixed width; return the sum of the values. [W]"""
    times = pd.date_range("2025-01-01", periods=86_400, freq="s").strftime("%H:%M:%S").to_numpy("S8")
    days = pd.date_range("2025-01-01", periods=1 + ROWS // 86_400, freq="D").strftime("%Y-%m-%d").to_numpy("S10")
    total, value = 0.0, np.arange(86_400) * 7 % 9000 + 1000  # four digits
    digits = value.astype("S4").view(np.uint8).reshape(-1, 4)
    with path.open("wb") as file:
        file.write(b"time,value\n")
        for number, day in enumerate(days):
            count = min(86_400, ROWS - 86_400 * number)
            rows = np.empty((86_400, 25), np.uint8)
            rows[:, :10], rows[:, 10], rows[:, 11:19] = (
                np.frombuffer(day, np.uint8),
                32,
                times.view(np.uint8).reshape(-1, 8),
            )
            rows[:, 19], rows[:, 20:24], rows[:, 24] = 44, digits, 10
            file.write(rows[:count].tobytes())
            total += float(value[:count].sum())
    return total


@pytest.mark.long
def test_ten_million_rows_within_the_memory(tmp_path):
    pytest.importorskip("resource")  # not on Windows
    path = tmp_path / "large.csv"
    total = write(path)
    done = subprocess.run([sys.executable, "-c", READ, str(path)], capture_output=True, text=True, check=True)
    path.unlink()
    rows_read, rows_used, balanced, found, memory_gb = json.loads(done.stdout)
    assert (rows_read, rows_used, balanced) == (ROWS, ROWS, True) and found == total
    assert memory_gb < MOST_GB
