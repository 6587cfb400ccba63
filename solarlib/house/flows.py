"""A house and the files its owner brings: read, checked, and put together into the record that tells direction.

Whatever lacks something raises an `InputError` that says what is missing.
"""

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pandas as pd

from solarlib.direction.decoder import decode
from solarlib.files.checks import plausibility
from solarlib.files.mapping import Mapping, mapping_from_toml
from solarlib.files.reading import Readings, read
from solarlib.files.steps import regular
from solarlib.quantities import InputError
from solarlib.sky.sun import position

EXAMPLES = Path(__file__).resolve().parents[2] / "data" / "examples"
SERVICE_W = 48_000.0  # 200 A at 240 V: more than nearly every home's connection carries (common practice, no source)
LEFT_OUT = ("above limit", "factor", "stuck", "negative")  # findings whose rows no sum may use
SUN_GRID = pd.Timedelta(minutes=15)
LEAST_TEST_W = 10.0  # a test load below is a mark that says 1 for "on", or too small for any sensor
READ_SHARE = 0.8  # of the time of bringing a file; the rest is for the checks


@dataclass(frozen=True)
class Checked:
    """One file.

    Attributes
    ----------
    name : str
    readings : Readings
    findings : tuple of Finding
    table : DataFrame
        Without the values that hardly can be.
    roofs : dict of column title to (tilt, azimuth)
        Of similar systems, where the mapping tells them. [deg]
    """

    name: str
    readings: Readings
    findings: tuple
    table: pd.DataFrame
    roofs: dict


def silent(words, share=None):
    """Take a word of progress, and say nothing."""


def file_of(name):
    """Return the path of a file; the name of an example, without its ending, stands for that one."""
    shipped = EXAMPLES / f"{name}.csv"
    return shipped if Path(name).name == str(name) and shipped.is_file() else Path(name)


def bring(path, house, mapping=None, say=silent):
    """Read one file and look for what hardly can be.

    Parameters
    ----------
    path : path
        A CSV file, or the name of an example file without its ending.
    house : House
    mapping : path or TOML text, optional
        Default: the ``.toml`` beside the file.
    say : callable
        ``say(words, share)`` is told the step that runs and the share of it that is done, 0 to 1.

    Returns
    -------
    Checked
    """
    path = file_of(path)
    mapping = path.with_suffix(".toml") if mapping is None else mapping
    if isinstance(mapping, Path) and not mapping.is_file():
        raise InputError(
            f"{path.name}: found no mapping {mapping.name} beside it, allowed is a file of that name or TOML text"
        )
    mapping = mapping if isinstance(mapping, Mapping) else mapping_from_toml(mapping)
    readings = read(path, mapping, lambda share: say(f"reading {path.name}", READ_SHARE * share))
    say(f"checking {path.name}", READ_SHARE)
    roofs = {
        column.title: (column.tilt_deg, column.azimuth_deg) for column in mapping.column if column.tilt_deg is not None
    }
    file = checked(readings, house, roofs)
    say(f"{path.name} is read and checked", 1.0)
    return file


def checked(readings, house, roofs=None):
    """Return readings with what the plausibility checks say about them; see `checks.plausibility`."""
    findings = ()
    if readings.step is not None and readings.table.index.tz is not None:
        high = sun_height(readings.table.index, readings.step, house)
        findings = plausibility(readings.table, readings.step, house.system.rated_power_w, SERVICE_W, high < -3.0, high)
    table = readings.table.copy()
    for finding in findings:
        if finding.kind in LEFT_OUT and finding.column in table:
            table.loc[finding.rows, finding.column] = np.nan
    return Checked(readings.account.name, readings, findings, table, roofs or {})


def sun_height(index, step, house):
    """Return the sun's elevation (no refraction) in the middle of each interval, interpolated in a grid of 15 minutes. [deg]

    Readings may have gaps, which a computed position may not. A straight line over 15 minutes is about 0.1 deg off at noon
    in middle latitudes; where the sun passes the zenith, 2 deg. Enough to tell night from day.
    """
    half = pd.Timedelta(step) / 2
    grid = pd.date_range(index[0].floor("D") - SUN_GRID, index[-1] + pd.Timedelta(days=1), freq=SUN_GRID)
    high = position(grid, house.place)["elevation"].to_numpy()
    at = (grid + SUN_GRID / 2).as_unit("ns").asi8
    return pd.Series(np.interp((index + half).as_unit("ns").asi8, at, high), index)


def left_out(file):
    """Return how many values the checks took out of the sums."""
    return int((file.readings.table.notna() & file.table.isna()).to_numpy().sum())


def with_column(files, *columns):
    """Return the first of the files whose table has one of the columns, and that column's name."""
    for column in columns:
        for file in files:
            if column in file.table and file.readings.step is not None:
                return file, column
    names = " or ".join(dict.fromkeys(column.rsplit("_", 1)[0].replace("_", " ") for column in columns))
    raise InputError(
        f"files: found none with regular readings of {names}, allowed is a file whose mapping names that quantity"
    )


def has_column(files, *columns):
    """Tell whether any file has regular readings under one of the columns."""
    return any(column in file.table and file.readings.step is not None for file in files for column in columns)


def evenly(file, column):
    """Return a column of a file with a row for every interval; missing ones are NaN. See `steps.regular`."""
    return regular(replace(file.readings, table=file.table[[column]]))[0][column]


def power_w(file, column):
    """Return a column of a file as regular mean power. [W]"""
    values = evenly(file, column)
    return values if column.endswith("_w") else values * (1000.0 / (file.readings.step / pd.Timedelta(hours=1)))


def record(files):
    """Return what `decoder.decode` takes: the reading without direction beside the array's power and the test load.

    Returns
    -------
    table : DataFrame
        ``reading_w``, ``pv_w`` [W], and ``test_on`` (share of the interval) where a file has a test load.
    window : Timedelta
        Length of the intervals of the array's file.
    test_load_w : float or None
        The greatest power of the test load. [W]
    """
    sensor, name = with_column(files, "unsigned_w")
    array, made = with_column(files, "generation_w", "generation_kwh")
    reading = evenly(sensor, name)
    window = array.readings.step
    pv, inside = _at(power_w(array, made), window, reading.index)
    if not inside.any():
        raise InputError(f"{sensor.name}: found no time that {array.name} holds too, allowed are files that overlap")
    table = pd.DataFrame({"reading_w": reading.to_numpy(), "pv_w": pv}, reading.index)
    test_load_w = None
    if has_column(files, "test_load_w"):
        tests, _ = with_column(files, "test_load_w")
        on, _ = _at(evenly(tests, "test_load_w"), tests.readings.step, reading.index)
        if np.nanmax(on, initial=0.0) > 0:
            test_load_w = float(np.nanmax(on))
            if test_load_w < LEAST_TEST_W:
                raise InputError(
                    f"{tests.name}: found a test load of at most {test_load_w:g} W, allowed is what it draws, {LEAST_TEST_W:g} W "
                    'or more: where the file marks "on" by 1, set multiplier = its watts for that column'
                )
            table["test_on"] = np.nan_to_num(on) / test_load_w
    return table[inside], window, test_load_w


def _at(values, step, index):
    """Return, for each label of an index, the value of the interval that holds it, and whether there is one."""
    start, at = values.index.as_unit("ns").asi8, index.as_unit("ns").asi8
    place = np.searchsorted(start, at, side="right") - 1
    inside = (place >= 0) & (at < start[-1] + step.value)
    return np.where(inside, values.to_numpy()[np.maximum(place, 0)], np.nan), inside


def directions(files, say=silent):
    """Return what `decoder.decode` finds in the record, and the record itself."""
    table, window, test_load_w = record(files)
    say(f"finding the direction of {len(table)} readings", 0.1)
    found = decode(table, test_load_w, pv_window_s=window.total_seconds())
    say(f"the direction of {len(table)} readings is found", 1.0)
    return found, table
