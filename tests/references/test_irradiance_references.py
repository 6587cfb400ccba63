"""Outside checks of irradiance: each beside its source, tolerance and certainty mark.

D&B = Duffie and Beckman, *Solar Engineering of Thermal Processes*.
"""

from pathlib import Path

import numpy as np
import pandas as pd
import pvlib
import pytest

from solarlib.sky import sun
from solarlib.sky.weather import Place, find_file, read_weather
from worked_cases import february_case

PUBLISHED = Path(__file__).parent / "published"
GREENSBORO = Place("Greensboro", 36.1, -79.95, "America/New_York", 273.0)
SITES = {
    "723170TYA.CSV": GREENSBORO,
    "703165TY.csv": Place("Sand Point", 55.317, -160.517, "America/Anchorage", 7.0),
    "12839.tm2": Place("Miami", 25.8, -80.2667, "America/New_York", 2.0),
}


def test_irr_4_solar_constant():
    """Kopp and Lean, GRL 38 (2011) L01706: 1360.8; Gueymard, Solar Energy (2018): 1361.1; books 1367 W/m2. `seen`.

    This library keeps pvlib's 1366.1, inside the 0.45 % spread: the year's mean of dni_extra, weighted by distance,
    shows it.
    """
    index = pd.date_range("2026-01-01", periods=365, freq="1D", tz="UTC")
    solar = sun.position(index, GREENSBORO)
    distance = pvlib.solarposition.nrel_earthsun_distance(index + pd.Timedelta(hours=12), delta_t=69.0).to_numpy()
    constant = float((solar["dni_extra"] * distance**2).mean())
    assert constant == pytest.approx(1366.1, abs=1.0) and 1360.8 < constant < 1367.1


def test_irr_8_our_clear_sky_is_of_that_size():
    """Ineichen's sky (ours) against Bird's for the same sheet's air: 8 %; a model with a turbidity of its own.

    `built here`.
    """
    sheet = pd.read_csv(PUBLISHED / "bird_clear_sky.csv")
    high = sheet[sheet["zenith"] < 68]
    place = Place("sheet", 40.0, -105.0, "America/Denver", 1550.0)
    ours = sun.clear_sky(pd.date_range("2015-01-01 11:00", periods=4, freq="1h", tz="-07:00"), place)
    assert ours["ghi"].max() == pytest.approx(high["ghi"].max(), rel=0.08)


def test_irr_13_brighter_skies():
    """D&B ex. 2.16.1, 2.16.2 (statements seen): HDKR 1.28, Perez 1.37 MJ/m2; 0.01, 0.03.

    Our Hay-Davies must lie between even sky and HDKR. `built here`.
    """
    case = february_case()
    phi, delta = 40.0, float(np.degrees(pvlib.solarposition.declination_cooper69(51)))
    azimuth = 180 - np.degrees(
        np.arccos(
            (np.cos(np.radians(case["zenith"])) * np.sin(np.radians(phi)) - np.sin(np.radians(delta)))
            / (np.sin(np.radians(case["zenith"])) * np.cos(np.radians(phi)))
        )
    )
    to_w = 1e6 / 3600
    ghi, dhi = 1.04 * to_w, case["share"] * 1.04 * to_w
    dni = (ghi - dhi) / case["cos_zenith"]
    normal = case["top"] * to_w / case["cos_zenith"]
    common = dict(surface_tilt=60, surface_azimuth=180, solar_zenith=case["zenith"], solar_azimuth=azimuth)
    base = dni * case["rb"] * case["cos_zenith"] + pvlib.irradiance.get_ground_diffuse(60, ghi, albedo=0.60)
    hdkr = base + pvlib.irradiance.reindl(dhi=dhi, dni=dni, ghi=ghi, dni_extra=normal, **common)
    airmass = pvlib.atmosphere.get_relative_airmass(case["zenith"])
    perez = base + pvlib.irradiance.perez(dhi=dhi, dni=dni, dni_extra=normal, airmass=airmass, **common)
    assert hdkr / to_w == pytest.approx(1.28, abs=0.01)
    assert perez / to_w == pytest.approx(1.37, abs=0.03)
    index = pd.DatetimeIndex(["2026-02-20 09:00"], tz="UTC")
    weather = pd.DataFrame({"ghi": ghi, "dni": dni, "dhi": dhi}, index)
    solar = pd.DataFrame({"apparent_zenith": case["zenith"], "azimuth": azimuth, "dni_extra": normal}, index)
    ours = float(sun.plane_of_array(weather, solar, 60, 180, albedo=0.60)["poa_global"].iloc[0]) / to_w
    assert ours == pytest.approx(1.251, abs=0.01)
    assert 1.171 < ours < hdkr / to_w < perez / to_w


@pytest.mark.slow
@pytest.mark.parametrize(
    "file, sums",
    [
        ("723170TYA.CSV", (1566.20, 1476.55, 682.22)),
        ("703165TY.csv", (829.24, 819.21, 460.95)),
        ("12839.tm2", (1792.62, 1504.92, 809.50)),
    ],
)
def test_irr_14_yearly_sums(file, sums):
    """TMY3 (Wilcox and Marion 2008) and TMY2 files as pvlib has them; 0.01 kWh/m2. `built here`: published files."""
    assert tuple(read_weather(file)[["ghi", "dni", "dhi"]].sum() / 1000) == pytest.approx(sums, abs=0.01)


def test_irr_14_months():
    weather = read_weather("723170TYA.CSV")
    daily = (
        weather["ghi"].groupby(weather.index.month).sum()
        / 1000
        / weather.index.to_series().groupby(weather.index.month).count()
        * 24
    )
    expected = [2.41, 3.06, 4.25, 5.41, 5.64, 6.25, 6.08, 5.61, 4.43, 3.59, 2.43, 2.24]
    assert list(daily) == pytest.approx(expected, abs=0.01)


def test_irr_15_state_map():
    """A solar resource sheet of North Carolina, its map after Perez et al., "A new operational model for
    satellite-derived irradiances", Solar Energy 73 (2002) 307, and Marion and Wilcox, NREL/TP-463-5607 (1994):
    latitude tilt 4.37 to 5.15, mean 4.88 kWh/m2/day; inside, and within 6 % of the mean. `seen and recomputed`.
    """
    weather = read_weather("723170TYA.CSV")
    light = sun.plane_of_array(weather, sun.position(weather.index, GREENSBORO), 36.1, 180, 0.2)["poa_global"]
    daily = float(light.sum()) / 1000 / 365
    assert 4.37 < daily < 5.15 and daily == pytest.approx(4.88, rel=0.06)


def _etr():
    return pd.read_csv(find_file("723170TYA.CSV"), header=1)[["ETR (W/m^2)", "ETRN (W/m^2)"]].to_numpy(dtype=float).T


def test_irr_16_the_file_agrees_with_the_sun():
    """TMY3 file of Greensboro: its ETR sum 3027.69 kWh/m2 within 0.3 %; closure bias < 0.5, rms < 1.5 W/m2.

    The closure is asked on the days on which the file's hours happened (rms 1.47). On the common year's labels the
    leap cycle turns the declination by up to a day and the rms becomes 1.68: a price of the typical year, not an error
    of the sun. `seen and recomputed`.
    """
    weather = read_weather("723170TYA.CSV")
    flat, _ = _etr()
    assert flat.sum() / 1000 == pytest.approx(3027.69, abs=0.01)
    solar = sun.position(weather.index, GREENSBORO)
    ours = (solar["dni_extra"] * np.cos(np.radians(solar["zenith"])).clip(lower=0)).sum() / 1000
    assert ours == pytest.approx(flat.sum() / 1000, rel=0.003)
    raw = pd.read_csv(find_file("723170TYA.CSV"), header=1)
    days = pd.to_datetime(raw["Date (MM/DD/YYYY)"], format="%m/%d/%Y").dt.tz_localize("-05:00")
    middle = pd.DatetimeIndex(
        days + pd.to_timedelta(raw["Time (HH:MM)"].str[:2].astype(int), unit="h") - pd.Timedelta(minutes=30)
    )
    cos_zenith = np.cos(
        np.radians(pvlib.solarposition.get_solarposition(middle, 36.1, -79.95, altitude=273.0)["zenith"].to_numpy())
    )
    gap = (weather["ghi"] - weather["dni"] * cos_zenith - weather["dhi"]).to_numpy()[cos_zenith > 0]
    assert abs(gap.mean()) < 0.5 and np.sqrt((gap**2).mean()) < 1.5


@pytest.mark.parametrize("file", SITES)
@pytest.mark.slow
def test_irr_17_labels_start_the_hour(file):
    """Which end of the hour a stamp names: TMY3 user manual; pvlib's readers. `built here`.

    After reading, light on the flat must follow the sun half an hour after the label best, by the peak of the
    correlation.
    """
    weather, place = read_weather(file), SITES[file]
    light = weather["ghi"].to_numpy()
    day = np.arange(8760) // 24
    agreement = {}
    for minutes in (-30, 0, 30, 60, 90):
        middle = weather.index + pd.Timedelta(minutes=minutes) - pd.Timedelta(minutes=30)
        height = np.cos(np.radians(sun.position(middle, place)["zenith"])).clip(lower=0).to_numpy()
        # the daily mean of the light takes the weather out: what is left is where in the day it fell
        scale = np.bincount(day, light) / np.maximum(np.bincount(day, height), 1e-9)
        agreement[minutes] = np.corrcoef(light, scale[day] * height)[0, 1]
    assert max(agreement, key=agreement.get) == 30, agreement


def test_irr_17_extraterrestrial_light_of_the_file():
    """The TMY3 file's ETR against our sun at the middle of the labelled hour: 0.9996, at the stamp 0.9873.

    `built here`.
    """
    weather = read_weather("723170TYA.CSV")
    flat, normal = _etr()
    shape = np.divide(flat, normal, out=np.zeros_like(flat), where=normal > 0)
    for shift, expected in ((0, 0.9996), (30, 0.9873), (-30, 0.9873)):
        index = weather.index + pd.Timedelta(minutes=shift)
        height = np.cos(np.radians(sun.position(index, GREENSBORO)["zenith"])).clip(lower=0)
        assert np.corrcoef(shape, height)[0, 1] == pytest.approx(expected, abs=0.003)
    assert (
        np.corrcoef(shape, np.cos(np.radians(sun.position(weather.index, GREENSBORO)["zenith"])).clip(lower=0))[0, 1]
        > 0.999
    )
