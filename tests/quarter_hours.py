"""Make the table of measured quarter hours from the wheel that carries their minutes.

    PYTHONPATH=. python tests/quarter_hours.py FOLDER

FOLDER holds pvlib-0.10.5 (`pip download --no-deps`); it is read, not installed. The table
`references/published/quarter_hours.csv` holds means of 15 minutes, labelled by their start in UTC, of whole days:

- Payerne, 16 to 30 June 2016: Baseline Surface Radiation Network (the earlier half of that month served to find the
  constants of `solarlib.sky.clouds`, these days only to round them);
- Tucson, 18 October 2018, University of Arizona, Measurement and Instrumentation Data Center, and Alamosa, 1 January
  2016, Surface Radiation Network: never looked at before.
"""

import io
import sys
import tempfile
import zipfile
from pathlib import Path

import pandas as pd
import pvlib

TABLE = Path(__file__).parent / "references" / "published" / "quarter_hours.csv"
LIGHT = ["ghi", "dni", "dhi"]


def minutes(wheel):
    """Yield the name of each place and its minutes in UTC: ghi, dni, dhi [W/m2]."""
    with zipfile.ZipFile(wheel) as archive:

        def unpacked(name):
            return archive.read(f"pvlib/data/{name}")

        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / "bsrn-pay0616.dat.gz"
            path.write_bytes(unpacked(path.name))
            yield "Payerne", pvlib.iotools.read_bsrn(path)[0].loc["2016-06-16":, LIGHT]
        raw = pd.read_csv(io.BytesIO(unpacked("midc_raw_20181018.txt")))
        names = ["Global Horiz (platform) [W/m^2]", "Direct Normal [W/m^2]", "Diffuse Horiz [W/m^2]"]
        day = pd.date_range("2018-10-18", periods=1440, freq="1min", tz="Etc/GMT+7").tz_convert("UTC")
        yield "Tucson", raw[names].set_axis(day).set_axis(LIGHT, axis=1)
        rows = unpacked("surfrad-slv16001.dat").decode("latin-1").splitlines()[2:]
        cells = pd.DataFrame([row.split() for row in rows]).astype(float)
        day = pd.date_range("2016-01-01", periods=1440, freq="1min", tz="UTC")
        yield "Alamosa", cells[[8, 12, 14]].set_axis(day).set_axis(LIGHT, axis=1)  # the form `seen` in pvlib's reader


def quarter_hours(wheel):
    """Return the table."""
    parts = []
    for name, table in minutes(wheel):
        table = table.astype(float).interpolate(limit=5).clip(lower=0.0)
        for _, day in table.groupby(table.index.normalize() if name == "Payerne" else 0 * table["ghi"].to_numpy()):
            if len(day) == 1440 and not day.isna().any(axis=None):
                means = day.resample("15min").mean().round(1)
                parts.append(means.assign(place=name, time=means.index.strftime("%Y-%m-%dT%H:%MZ")))
    return pd.concat(parts)[["place", "time", *LIGHT]]


if __name__ == "__main__":
    made = quarter_hours(next(Path(sys.argv[1]).glob("pvlib-0.10.5*.whl")))
    made.to_csv(TABLE, index=False, lineterminator="\n")
    print(f"{len(made) // 96} days to {TABLE.name}")
