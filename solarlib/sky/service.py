"""A year of light from a public weather service: asked only when the house file says so, and asked once.

What leaves the machine: latitude and longitude, rounded to 0.01 degree (about 1 km), and the year. Nothing else does.
"""

from dataclasses import dataclass
from pathlib import Path

import pvlib

from solarlib.quantities import InputError, refusal
from solarlib.sky.measured import HourlyFile, read_hours
from solarlib.sky.weather import Place

CONSENT = "send my latitude and longitude"
URL = pvlib.iotools.nasa_power.URL  # a public service of hourly weather from satellites and a reanalysis
FOLDER = Path.home() / ".cache" / "solarlib"
_COLUMNS = ["ghi", "dni", "dhi", "temp_air", "wind_speed"]


@dataclass(frozen=True)
class Download:
    """The light of a real year from a public service as a source of weather."""

    year: int


def downloaded(source: Download, place: Place):
    """Return the year as `measured.read_hours` does; the answer is kept as a table and never asked for twice.

    Raises
    ------
    InputError
        No connection, or an answer that holds no year of light; see also `measured.read_hours`.
    """
    spot = round(place.latitude, 2), round(place.longitude, 2)
    path = FOLDER / f"light-{source.year}-{spot[0]:.2f}-{spot[1]:.2f}.csv"
    host = URL.split("/")[2]
    if not path.is_file():
        days = f"{source.year}-01-01", f"{source.year}-12-31"
        try:
            table, _ = pvlib.iotools.get_nasa_power(*spot, *days, parameters=_COLUMNS, url=URL)
            text = table[_COLUMNS].rename_axis("time").to_csv(date_format="%Y-%m-%dT%H:%M:%SZ")
        except (OSError, KeyError, TypeError, ValueError) as error:  # no line, a refusal, an answer of another form
            raise refusal("no_download", "download", host=host, error=type(error).__name__) from None
        FOLDER.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="utf-8")
    try:
        year = read_hours(HourlyFile(str(path)), place)
    except InputError:
        path.unlink()  # a year that the service does not have whole yet may be asked for again
        raise
    sent = f"Latitude {spot[0]:g} and longitude {spot[1]:g} were sent to {host} once; its answer is kept"
    year.attrs["account"] = f"{sent} in {path.parent}. {year.attrs['account']}"
    return year
