"""One year of weather for a place: a typical-year file on this machine, read into one clean table."""

from dataclasses import dataclass, replace
from datetime import timedelta, timezone
from io import StringIO
from pathlib import Path
from zoneinfo import ZoneInfo, available_timezones

import numpy as np
import pandas as pd
import pvlib

from solarlib.quantities import HOURS_PER_YEAR, check_ranges, refusal, refuse_if, require, texts_beside, year_index
from solarlib.schema import declared, kept, real, text
from solarlib.sky.clock import check_zone, set_right

LIGHT = ("ghi", "dni", "dhi")

_FILES = texts_beside(__file__, "weather")
_STAMPS = ("Date (MM/DD/YYYY)", "Time (HH:MM)")
_ZONES = available_timezones()
_ZONE = replace(kept("the name of a time zone such as 'America/New_York'", _ZONES.__contains__), options=tuple(_ZONES))


@dataclass(frozen=True)
class Place:
    """A point on Earth with its clock.

    Parameters
    ----------
    name : str
    latitude, longitude : float
        North and east are positive. [deg]
    tz : str
        Name of a time zone, e.g. ``"America/New_York"``.
    altitude_m : float
        Height above the sea. [m]
    horizon : sequence of (azimuth, elevation), optional
        What far hills hide, as corners of a line around the place, in any order; straight between them. Nothing in it
        means an open horizon. [deg] Used by `sun.behind_horizon` only.

    Raises
    ------
    InputError
        A number out of range, two corners at one azimuth, or a zone that no clock uses.
    """

    name: str = declared(text())
    latitude: float = declared(real(-90, 90, "deg"), key="latitude_deg")
    longitude: float = declared(real(-180, 180, "deg"), key="longitude_deg")
    tz: str = declared(_ZONE, key="timezone")
    altitude_m: float = declared(real(-430, 6000, "m"), default=0.0)
    horizon: tuple = ()

    def __post_init__(self):
        check_ranges(self, "place")
        try:
            ZoneInfo(self.tz)
        except (KeyError, ValueError, OSError, TypeError):
            raise refusal("no_such_zone", "place.tz", tz=self.tz) from None
        corners = {}
        for azimuth, elevation in self.horizon:
            azimuth = require(azimuth, "horizon azimuth", 0, 360, "deg") % 360.0
            refuse_if(azimuth in corners, "azimuth_twice", "horizon", azimuth=azimuth)
            corners[azimuth] = require(elevation, "horizon elevation", 0, 89, "deg")
        object.__setattr__(self, "horizon", tuple(sorted(corners.items())))


def standard_offset(tz):
    """Return the smaller of the winter and summer offsets from UTC: the one without daylight saving."""
    both = year_index("4344h", tz)[:2]  # 181 days apart: 1 January and 1 July
    return min(timedelta(seconds=when.utcoffset().total_seconds()) for when in both)


def find_file(file):
    """Return the path of a weather file: as given, or in the data folder of pvlib.

    Raises
    ------
    InputError
        No such file in either place.
    """
    shipped = Path(pvlib.__path__[0]) / "data"
    for path in (Path(file), shipped / Path(file).name):
        if path.is_file():
            return path
    found = sorted(p.name for p in shipped.glob("*") if p.suffix.lower() == ".tm2" or p.name[:6].isdigit())
    raise refusal("no_weather_file", "weather file", path=str(file), names=", ".join(found))


def read_weather(file: str | Path, place: Place | None = None) -> pd.DataFrame:
    """Read a typical meteorological year.

    Parameters
    ----------
    file : str or Path
        Path of a TMY3 ``.csv``, TMY2 ``.tm2`` or EPW ``.epw`` file, or the bare name of one that pvlib ships.
    place : Place, optional
        Where the weather will be used. A file from more than 5 degrees of latitude or 7.5 degrees of longitude
        (half an hour of sun) away is refused: it is nearly always a lost minus sign.

    Returns
    -------
    DataFrame, 8760 rows
        ghi, dni, dhi [W/m2], temp_air [degC], wind_speed [m/s]. Labels are the START of each hour of the common
        year `quantities.TYPICAL_YEAR`, in the file's fixed standard time; see `clock.set_right` for a file whose clock
        and sun disagree.

    Raises
    ------
    InputError
        Names the file, the row (of data, from 1) and column, what was found and what is allowed; see also `clock`.

    Notes
    -----
    TMY3 stamps END the hour (01:00 ... 24:00), TMY2 hours 1 ... 24 do too, though pvlib's reader already labels
    the latter 00:00 ... 23:00: row order is what counts, so both files start with the hour from midnight. EPW hours
    1 ... 24 end the hour too; the format takes its light from the hour before the stamp. An EPW column that is
    missing all year, such as the wind of some satellite years, is refused like any other odd value.

    Sources: Wilcox and Marion, *Users Manual for TMY3 Data Sets*, NREL/TP-581-43156, 2008; Marion and Urban,
    *User's Manual for TMY2s*, 1995; EnergyPlus documentation, *Auxiliary Programs*, chapter on weather files (all
    `seen` through pvlib's readers; the stamps of TMY3 and TMY2 proved in the tests by `built here` correlation with the
    sun).
    """
    path = find_file(file)
    kind = {".tm2": 1, ".epw": 2}.get(path.suffix.lower(), 0)
    table, site = (_read_tmy3, _read_tmy2, _read_epw)[kind](path)
    refuse_if(len(table) != HOURS_PER_YEAR, "not_a_year_of_rows", path.name, rows=len(table), hours=HOURS_PER_YEAR)
    if place is not None:
        _check_site(path.name, site, place)
    check_zone(path.name, site["tz"], site["longitude"], site["latitude"])
    columns = {name: _numbers(path.name, table, spec, kind) for name, spec in _FILES["columns"].items()}
    year = pd.DataFrame(columns, year_index("1h", timezone(timedelta(hours=site["tz"]))))
    return set_right(year, path.name, site["latitude"], site["longitude"])


def _read_tmy3(path):
    try:
        with path.open(encoding="utf-8") as lines:
            first = lines.readline().rstrip("\n").split(",")
            table = pd.read_csv(lines, header=0, dtype=str)
    except (UnicodeDecodeError, pd.errors.ParserError, pd.errors.EmptyDataError):
        raise refusal("no_tmy3_table", path.name) from None
    try:
        offset, latitude, longitude, _ = (float(text) for text in first[3:])  # exactly seven fields
    except ValueError:
        raise refusal("no_tmy3_header", f"{path.name}, row 0", header=",".join(first)[:60]) from None
    missing = [c for c in _STAMPS if c not in table.columns]
    refuse_if(missing, "no_tmy3_column", path.name, columns=missing)
    stamps = table[_STAMPS[0]].str[:5] + " " + table[_STAMPS[1]].str.zfill(5)
    _check_stamps(path.name, stamps.fillna(""), "{:02d}/{:02d} {:02d}:00", "date and time")
    return table, {"tz": offset, "latitude": latitude, "longitude": longitude}


def _check_stamps(name, found, words, columns):
    """Refuse stamps (texts of month, day and the hour that ends) that are not every hour of a common year in order."""
    refuse_if(len(found) != HOURS_PER_YEAR, "not_a_year_of_rows", name, rows=len(found), hours=HOURS_PER_YEAR)
    days = pd.date_range("2026-01-01", periods=365)  # any common year: only month and day are compared
    expected = [words.format(d.month, d.day, hour) for d in days for hour in range(1, 25)]
    for row, (got, wanted) in enumerate(zip(found, expected), 1):
        refuse_if(got != wanted, "odd_stamp", f"{name}, row {row}, columns {columns}", got=got, wanted=wanted)


def _read_tmy2(path):
    try:
        head, *rows = path.read_text(encoding="latin-1").splitlines()
        offset, ns, *angles, _ = head.split()[-8:]  # N 25 48 W 80 16
        latitude, longitude = (float(angles[at]) + float(angles[at + 1]) / 60.0 for at in (0, 3))
        site = {"tz": float(offset), "latitude": latitude * (1 if ns == "N" else -1)}
        site["longitude"] = longitude * (1 if angles[2] == "E" else -1)
    except (ValueError, IndexError):
        raise refusal("no_tmy2_table", path.name) from None
    return pd.DataFrame({name: [row[slice(*at)] for row in rows] for name, at in _FILES["tmy2"].items()}), site


def _read_epw(path):
    fields = _FILES["epw"]
    text = path.read_text(encoding="utf-8", errors="replace")  # names of towns in any code page do no harm
    try:
        table = pd.read_csv(StringIO(text), header=None, skiprows=8, usecols=sorted(fields.values()), low_memory=False)
        word, *_, latitude, longitude, offset, _ = text.split("\n", 1)[0].split(",")
        site = {"tz": float(offset), "latitude": float(latitude), "longitude": float(longitude)}
        if word != "LOCATION":
            raise ValueError
    except ValueError:  # pandas's own errors are of this kind
        raise refusal("no_epw_table", path.name) from None
    table = table.rename(columns={at: name for name, at in fields.items()})
    stamps = [f"{month}/{day}/{hour}" for month, day, hour in zip(table["month"], table["day"], table["hour"])]
    _check_stamps(path.name, stamps, "{}/{}/{}", "month, day and hour")
    return table, site


def _numbers(name, table, spec, kind):
    """Return one checked column as floats in our unit."""
    column, factor, (low, high) = spec["names"][kind], spec["factors"][kind], spec["range"]
    refuse_if(column not in table.columns, "no_weather_column", name, column=column)
    values = pd.to_numeric(table[column], errors="coerce").to_numpy(dtype=float) * factor
    odd = np.flatnonzero(~((values >= low) & (values <= high)))
    if odd.size:
        found = {"value": table[column].iloc[odd[0]], "low": low, "high": high}
        raise refusal("odd_weather", f"{name}, row {odd[0] + 1}, column {column!r}", **found)
    return values


def _check_site(name, site, place):
    north = site["latitude"] - place.latitude
    east = (site["longitude"] - place.longitude + 180.0) % 360.0 - 180.0
    told = {"site": site, "place": place, "cause": _misread(site, place)}
    refuse_if(abs(north) > 5.0 or abs(east) > 7.5, "station_from_afar", name, **told)


def _misread(site, place):
    """Return the likely cause why a place is far from its station, in brackets."""
    north, east, told = place.latitude, place.longitude, (site["latitude"], site["longitude"])
    spots = {(east, north): "are they swapped", (north, -east): "is west negative", (-north, east): "is south negative"}
    for spot, words in spots.items():
        if np.abs(np.subtract(spot, told)).max() <= 5.0:
            return f" ({words}?)"
    return " (no file of your place? Twelve monthly means of an atlas do, see data/houses/southern.toml)"
