"""Outside checks of irradiance: each beside its source, tolerance and certainty mark.

D&B = Duffie and Beckman, *Solar Engineering of Thermal Processes*.
"""

from pathlib import Path

import numpy as np
import pandas as pd
import pvlib
import pytest
from scipy.integrate import trapezoid

from solarlib.sky import sun
from solarlib.sky.weather import Place, find_file, read_weather

PUBLISHED = Path(__file__).parent / "published"
GREENSBORO = Place("Greensboro", 36.1, -79.95, "America/New_York", 273.0)
SITES = {
    "723170TYA.CSV": GREENSBORO,
    "703165TY.csv": Place("Sand Point", 55.317, -160.517, "America/Anchorage", 7.0),
    "12839.tm2": Place("Miami", 25.8, -80.2667, "America/New_York", 2.0),
}


@pytest.mark.parametrize("zenith, published, share", [(60, 1.994, 0.002), (85, 10.3, 0.002), (90, 38.0, 0.01)])
def test_irr_1_air_mass(zenith, published, share):
    """Kasten and Young, Appl. Opt. 28 (1989) 4735. 38 at the horizon `seen and recomputed`, the others `recomputed, source from memory`."""
    assert pvlib.atmosphere.get_relative_airmass(zenith, "kastenyoung1989") == pytest.approx(published, rel=share)


def test_irr_2_air_mass_by_a_shell():
    """IRAF *airmass* help page: 1.996 at elevation 30 deg; 0.2 %, a spherical shell. `seen and recomputed`."""
    assert pvlib.atmosphere.get_relative_airmass(60) == pytest.approx(1.996, rel=0.002)


def test_irr_3_pressure():
    """FAO Irrigation and Drainage Paper 56 (1998), ex. 2: 81.8 kPa at 1800 m; 0.05, pvlib 0.5 %. `seen and recomputed`."""
    assert 101.3 * ((293 - 0.0065 * 1800) / 293) ** 5.26 == pytest.approx(81.8, abs=0.05)
    assert pvlib.atmosphere.alt2pres(1800) / 1000 == pytest.approx(81.8, rel=0.005)


def test_irr_4_solar_constant():
    """Kopp and Lean, GRL 38 (2011) L01706: 1360.8; Gueymard, Solar Energy (2018): 1361.1; books 1367 W/m2. `seen`.

    This library keeps pvlib's 1366.1, inside the 0.45 % spread: the year's mean of dni_extra, weighted by distance, shows it.
    """
    index = pd.date_range("2026-01-01", periods=365, freq="1D", tz="UTC")
    solar = sun.position(index, GREENSBORO)
    distance = pvlib.solarposition.nrel_earthsun_distance(index + pd.Timedelta(hours=12), delta_t=69.0).to_numpy()
    constant = float((solar["dni_extra"] * distance**2).mean())
    assert constant == pytest.approx(1366.1, abs=1.0) and 1360.8 < constant < 1367.1


def test_irr_5_and_6_standard_spectrum():
    """ASTM G173-03: global 1000.37 (pvlib's documentation, `seen and recomputed`), direct 900.14 and extraterrestrial 1347.93 W/m2
    (`recomputed, source from memory`); 0.01, 0.05.
    """
    table = pvlib.spectrum.get_reference_spectra(standard="ASTM G173-03")
    total = {name: trapezoid(table[name], table.index) for name in table}
    assert total["global"] == pytest.approx(1000.37, abs=0.01)
    assert total["direct"] == pytest.approx(900.14, abs=0.05)
    assert total["extraterrestrial"] == pytest.approx(1347.93, abs=0.05)


def test_irr_7_extraterrestrial_on_new_years_day():
    """Spencer (1971), D&B eq. 1.4.1b, constant 1367: 1414.91 W/m2, 0.01. `seen and recomputed`."""
    assert pvlib.irradiance.get_extra_radiation(1, solar_constant=1367, method="spencer") == pytest.approx(
        1414.91, abs=0.01
    )


def test_irr_8_bird_clear_sky():
    """Bird and Hulstrom, SERI/TR-642-761 (1981), D. Myers's spreadsheet (published/README.md): 0.05 W/m2. `seen and recomputed`."""
    sheet = pd.read_csv(PUBLISHED / "bird_clear_sky.csv")
    assert len(sheet) == 16
    found = pvlib.clearsky.bird(
        sheet["zenith"],
        sheet["airmass"],
        aod380=0.15,
        aod500=0.1,
        precipitable_water=1.5,
        ozone=0.3,
        pressure=84000,
        dni_extra=sheet["dni_extra"],
        asymmetry=0.85,
        albedo=0.2,
    )
    for name in ("dni", "ghi", "dhi"):
        np.testing.assert_allclose(found[name], sheet[name], atol=0.05)
    # the row that is printed in words: zenith 63.2849, 807.58, 454.63, 91.58
    row = sheet[(sheet["zenith"] - 63.2849).abs() < 1e-4].iloc[0]
    assert (row["dni"], row["ghi"], row["dhi"]) == pytest.approx((807.58, 454.63, 91.58), abs=0.005)


def test_irr_8_our_clear_sky_is_of_that_size():
    """Ineichen's sky (ours) against Bird's for the same sheet's air: 8 %; another model with a turbidity of its own. `built here`."""
    sheet = pd.read_csv(PUBLISHED / "bird_clear_sky.csv")
    high = sheet[sheet["zenith"] < 68]
    place = Place("sheet", 40.0, -105.0, "America/Denver", 1550.0)
    ours = sun.clear_sky(pd.date_range("2015-01-01 11:00", periods=4, freq="1h", tz="-07:00"), place)
    assert ours["ghi"].max() == pytest.approx(high["ghi"].max(), rel=0.08)


def test_irr_9_clear_day():
    """FAO 56 ex. 18: Ra 41.09, 100 m: 30.90 MJ/m2; 0.005. `seen and recomputed`."""
    assert (0.75 + 2e-5 * 100) * 41.09 == pytest.approx(30.90, abs=0.005)


def test_irr_10_light_from_sunshine_hours():
    """FAO 56 ex. 10 (Angstrom): 14.45 MJ/m2; 0.005. `seen and recomputed`."""
    assert (0.25 + 0.50 * 7.1 / 10.9) * 25.1 == pytest.approx(14.45, abs=0.005)


@pytest.mark.parametrize("kt, share", [(0.10, 0.991), (0.2199, 0.980), (0.433, 0.787), (0.50, 0.659), (0.801, 0.165)])
def test_irr_11_diffuse_share(kt, share):
    """Erbs, Klein and Duffie, Solar Energy 28 (1982) 293; 1e-3. `recomputed, source from memory`."""
    assert _erbs(kt) == pytest.approx(share, abs=1e-3)


def _erbs(kt):
    top = pvlib.irradiance.get_extra_radiation(100)  # sun at the zenith on day 100
    return float(pvlib.irradiance.erbs(kt * top, 0.0, 100)["dhi"]) / (kt * top)


def test_irr_11_pieces_join():
    assert _erbs(0.22 - 1e-6) == pytest.approx(_erbs(0.22 + 1e-6), abs=5e-4)
    assert _erbs(0.80 - 1e-6) == pytest.approx(_erbs(0.80 + 1e-6), abs=5e-4)


def _february_case():
    """D&B ex. 2.15.1: latitude 40, slope 60 south, 20 February 9 to 10 h, I = 1.04 MJ/m2, ground 0.60."""
    phi, delta, tilt, omega = (
        np.radians(40),
        float(pvlib.solarposition.declination_cooper69(51)),
        np.radians(60),
        np.radians(-37.5),
    )
    cos_zenith = np.cos(phi) * np.cos(delta) * np.cos(omega) + np.sin(phi) * np.sin(delta)
    cos_aoi = np.cos(phi - tilt) * np.cos(delta) * np.cos(omega) + np.sin(phi - tilt) * np.sin(delta)
    a, b = np.radians(-45), np.radians(-30)
    normal = 1367 * (1 + 0.033 * np.cos(2 * np.pi * 51 / 365))
    top = (
        12
        * 3600
        / np.pi
        * normal
        * (np.cos(phi) * np.cos(delta) * (np.sin(b) - np.sin(a)) + (b - a) * np.sin(phi) * np.sin(delta))
        / 1e6
    )
    kt = 1.04 / top
    share = 0.9511 - 0.1604 * kt + 4.388 * kt**2 - 16.638 * kt**3 + 12.336 * kt**4
    return dict(
        top=top,
        kt=kt,
        share=share,
        rb=cos_aoi / cos_zenith,
        zenith=np.degrees(np.arccos(cos_zenith)),
        cos_zenith=cos_zenith,
    )


def test_irr_12_even_sky():
    """D&B ex. 2.15.1 (statement seen, answer not): I0 2.34, kT 0.445, Rb 1.71; beam 0.42, sky 0.60, ground 0.16, total 1.17 MJ/m2; 0.01.

    `built here`.
    """
    case = _february_case()
    assert (case["top"], case["kt"], case["rb"]) == pytest.approx((2.34, 0.445, 1.71), abs=0.01)
    diffuse = case["share"] * 1.04
    parts = ((1.04 - diffuse) * case["rb"], diffuse * (1 + 0.5) / 2, 1.04 * 0.60 * (1 - 0.5) / 2)
    assert parts == pytest.approx((0.42, 0.60, 0.16), abs=0.01) and sum(parts) == pytest.approx(1.17, abs=0.01)
    sky = pvlib.irradiance.isotropic(60, diffuse) + pvlib.irradiance.get_ground_diffuse(60, 1.04, albedo=0.60)
    assert sky + parts[0] == pytest.approx(1.17, abs=0.01)


def test_irr_13_brighter_skies():
    """D&B ex. 2.16.1, 2.16.2 (statements seen): HDKR 1.28, Perez 1.37 MJ/m2; 0.01, 0.03. Our Hay-Davies must lie between even sky and HDKR.

    `built here`.
    """
    case = _february_case()
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


@pytest.mark.parametrize(
    "file, sums",
    [
        ("723170TYA.CSV", (1566.20, 1476.55, 682.22)),
        ("703165TY.csv", (829.24, 819.21, 460.95)),
        ("12839.tm2", (1792.62, 1504.92, 809.50)),
    ],
)
def test_irr_14_yearly_sums(file, sums):
    """TMY3 (Wilcox and Marion 2008) and TMY2 files as pvlib carries them; 0.01 kWh/m2. `built here`: regression on published files."""
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
    """North Carolina's resource sheet (studylib.net 7329575, after Perez 2002, Marion and Wilcox 1994): latitude tilt 4.37 to 5.15, mean
    4.88 kWh/m2/day; inside, and within 6 % of the mean. `seen and recomputed`.
    """
    weather = read_weather("723170TYA.CSV")
    light = sun.plane_of_array(weather, sun.position(weather.index, GREENSBORO), 36.1, 180, 0.2)["poa_global"]
    daily = float(light.sum()) / 1000 / 365
    assert 4.37 < daily < 5.15 and daily == pytest.approx(4.88, rel=0.06)


def _etr():
    return pd.read_csv(find_file("723170TYA.CSV"), header=1)[["ETR (W/m^2)", "ETRN (W/m^2)"]].to_numpy(dtype=float).T


def test_irr_16_the_file_agrees_with_the_sun():
    """TMY3 file of Greensboro: its ETR sum 3027.69 kWh/m2 within 0.3 %; closure bias < 0.5, rms < 1.5 W/m2. `seen and recomputed`.

    The closure is asked on the days on which the file's hours happened (rms 1.47). On the common year's labels the leap cycle
    turns the declination by up to a day and the rms becomes 1.68: a price of the typical year, not an error of the sun.
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
def test_irr_17_labels_start_the_hour(file):
    """Which end of the hour a stamp names: TMY3 user manual; pvlib's readers. `built here`.

    After reading, light on the flat must follow the sun half an hour after the label best: the peak of the correlation shows it.
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
    """The TMY3 file's own ETR against our sun at the middle of the labelled hour: 0.9996, at the stamp 0.9873. `built here`."""
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
