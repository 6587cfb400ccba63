"""Outside checks of module, converter and yields: each beside its source, tolerance and certainty mark."""

from pathlib import Path

import numpy as np
import pandas as pd
import pvlib
import pytest

from solarlib.health import yields as health
from solarlib.roof.array import Converter, Module, cell_temperature

PUBLISHED = Path(__file__).parent / "published"


def test_mod_1_rating_conditions():
    """IEC 61215, 61853: 1000 W/m2 and 25 degC rate a module; NOCT at 800 W/m2, 20 degC, 1 m/s, open back. `seen`.

    NOCT of modules 33, 48, 58 degC (best, typical, worst; usually credited to Ross and Smokler 1986): our open rack must lie in it,
    though the library's wind is that at 10 m.
    """
    assert Module(430.0).power_w(1000.0, 25.0) == pytest.approx(430.0, rel=1e-12)
    assert health.REFERENCE_IRRADIANCE == 1000.0
    assert 33 < cell_temperature(800.0, 20.0, 1.0, "rack") < 48


def test_mod_2_hot_module():
    """Masters, *Renewable and Efficient Electric Power Systems* (2004), ch. 8: NOCT 47, 30 degC, 1 kW/m2: 64 degC, 36.7 V, 121 W.

    0.5 degC, 0.1 V, 0.5 W (the book rounds first). `recomputed, source from memory`.
    """
    cell = pvlib.temperature.ross(1000.0, 30.0, noct=47.0)
    assert cell == pytest.approx(64, abs=0.5)
    assert 42.8 * (1 - 0.0037 * (cell - 25)) == pytest.approx(36.7, abs=0.1)
    assert Module(150.0, -0.005).power_w(1000.0, cell) == pytest.approx(121, abs=0.5)


def test_mod_3_power_at_cell_temperature():
    """opensourcesolar.org wiki, ex. 1: 200 W, 35 degC, -0.48 %/K: 190.4 W; 0.01. `seen and recomputed`."""
    assert Module(200.0, -0.0048).power_w(1000.0, 35.0) == pytest.approx(190.4, abs=0.01)


CEC = {0.10: 0.04, 0.20: 0.05, 0.30: 0.12, 0.50: 0.21, 0.75: 0.53, 1.00: 0.05}
EURO = {0.05: 0.03, 0.10: 0.06, 0.20: 0.13, 0.30: 0.10, 0.50: 0.48, 1.00: 0.20}


def _weighted(weights, efficiency):
    return sum(share * efficiency(load) for load, share in weights.items())


def test_mod_4_weights():
    """Bower et al., Sandia/CEC inverter test protocol (2004); JRC Ispra: each set sums to 1. `seen and recomputed`."""
    assert sum(CEC.values()) == pytest.approx(1.0, abs=1e-12) and sum(EURO.values()) == pytest.approx(1.0, abs=1e-12)


def test_mod_5_weighted_efficiency():
    """Numbers `built here`: efficiencies at 5 ... 100 %: CEC 96.534, Euro 96.194 %; 1e-3 points."""
    table = dict(zip((0.05, 0.10, 0.20, 0.30, 0.50, 0.75, 1.00), (90, 94, 96, 96.5, 96.8, 96.7, 96.3)))
    assert _weighted(CEC, table.get) == pytest.approx(96.534, abs=1e-3)
    assert _weighted(EURO, table.get) == pytest.approx(96.194, abs=1e-3)
    assert abs(_weighted(EURO, table.get) - 96.534) > 0.1  # swapped sets must not pass


def test_mod_5_our_curve_follows_that_table():
    """Our three-parameter curve through the table's 10, 50, 100 % points: the other four within 0.7 points, the weights within 0.2."""
    converter = Converter("central", 5000.0, 0.94, 0.968, 0.963)

    def efficiency(load):
        dc = load * converter.rated_input_w
        return float(100 * converter.ac_power_w(dc) / dc)

    for load, published in ((0.05, 90.0), (0.20, 96.0), (0.30, 96.5), (0.75, 96.7)):
        assert efficiency(load) == pytest.approx(published, abs=0.7)
    assert _weighted(CEC, efficiency) == pytest.approx(96.534, abs=0.2)
    assert _weighted(EURO, efficiency) == pytest.approx(96.194, abs=0.2)


def test_mod_6_single_diode_points():
    """High-precision set of pvlib's test data (published/README.md), 32 curves; 1e-7 relative. `seen and recomputed`."""
    table = pd.read_csv(PUBLISHED / "single_diode_points.csv")
    assert len(table) == 32
    thermal = 1.380649e-23 * 298.15 / 1.602176634e-19
    found = pvlib.pvsystem.singlediode(
        table["photocurrent"],
        table["saturation_current"],
        table["resistance_series"],
        table["resistance_shunt"],
        table["n"] * table["cells_in_series"] * thermal,
        method="lambertw",
    )
    for column in ("v_oc", "i_sc", "p_mp"):
        np.testing.assert_allclose(found[column], table[column], rtol=1e-7)
    for column in ("v_mp", "i_mp"):  # the flat top: where it lies is known to the root of the tolerance only
        np.testing.assert_allclose(found[column], table[column], rtol=1e-6)


def test_mod_6_as_printed():
    """First curve: Voc 39.7481073799, Isc 0.9996667777, Pmp 28.7148160456; 1e-7. `seen and recomputed`."""
    row = pd.read_csv(PUBLISHED / "single_diode_points.csv").iloc[0]
    assert (row["v_oc"], row["i_sc"], row["v_mp"], row["i_mp"], row["p_mp"]) == pytest.approx(
        (39.7481073799, 0.9996667777, 33.9368943155, 0.8461238609, 28.7148160456), rel=1e-10
    )


def _reflection(angle, n=1.526):
    """Mean reflection of both polarisations at one surface (Fresnel)."""
    if angle == 0:
        return ((n - 1) / (n + 1)) ** 2
    a = np.radians(angle)
    b = np.arcsin(np.sin(a) / n)
    return 0.5 * ((np.sin(b - a) / np.sin(b + a)) ** 2 + (np.tan(b - a) / np.tan(b + a)) ** 2)


def test_mod_9_reflection_and_incidence():
    """D&B ex. 5.1.1: 0.0434 and 0.093 at 0 and 60 deg; Souka and Safwat, ASHRAE 93: 0.950, 0.904 at 60 and 70 deg; 5e-4.

    `recomputed, source from memory`. This library's physical law gives 0.946 and 0.860: ASHRAE's is too kind past 65 deg.
    """
    assert (_reflection(0), _reflection(60)) == pytest.approx((0.0434, 0.0934), abs=5e-4)
    assert (float(pvlib.iam.ashrae(60)), float(pvlib.iam.ashrae(70))) == pytest.approx((0.950, 0.904), abs=5e-4)
    assert (float(pvlib.iam.physical(60)), float(pvlib.iam.physical(70))) == pytest.approx((0.946, 0.860), abs=1e-3)
    # pvlib's law is this reflection and 8 mm/m of absorption, relative to the normal: Beer over the longer path
    path = np.exp(-0.008 / np.cos(np.arcsin(np.sin(np.radians(60)) / 1.526))) / np.exp(-0.008)
    assert (1 - _reflection(60)) / (1 - _reflection(0)) * path == pytest.approx(float(pvlib.iam.physical(60)), abs=1e-3)


def test_mod_10_yields():
    """Definitions: IEC TS 61836, IEC 61724-1 (`seen`); numbers `built here`: 5 kW, 20 kWh AC, 21.5 kWh DC, 5.0 kWh/m2."""
    index = pd.date_range("2026-06-21", periods=24, freq="1h", tz="UTC")
    light = pd.Series(0.0, index)
    light.iloc[8:18] = 500.0
    reference = health.reference_yield(light)
    array, final = health.array_yield(21.5, 5000.0), health.final_yield(20.0, 5000.0)
    assert (reference, array, final) == pytest.approx((5.0, 4.3, 4.0), abs=1e-12)
    assert (reference - array, array - final) == pytest.approx((0.7, 0.3), abs=1e-12)
    assert health.performance_ratio(final, reference) == pytest.approx(0.80, abs=1e-12)


def test_mod_10_the_index_step_counts():
    index = pd.date_range("2026-06-21", periods=4, freq="15min", tz="UTC")
    assert health.reference_yield(pd.Series(1000.0, index)) == pytest.approx(1.0)
