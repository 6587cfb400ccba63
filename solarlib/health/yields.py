"""Yields and the performance ratio, as IEC 61724-1 and IEC TS 61836 define them (definitions `seen`).

Energies are added first and divided afterwards: the mean of daily ratios is another, wrong, number.
"""

import numpy as np
import pandas as pd

from solarlib.quantities import energy_kwh, refuse_if

REFERENCE_IRRADIANCE = 1000.0  # W/m2
REFERENCE_C = 25.0  # of the cells


def reference_yield(poa_global: pd.Series) -> float:
    """Return the hours at 1000 W/m2 that bring the same light.

    Parameters
    ----------
    poa_global : Series, regular aware index
        Irradiance on the plane. [W/m2]

    Returns
    -------
    float
        [h]
    """
    return float(energy_kwh(poa_global).sum()) * 1000.0 / REFERENCE_IRRADIANCE


def final_yield(ac_energy_kwh: float, rated_power_w: float) -> float:
    """Return delivered energy per rated power. [kWh, W -> kWh/kW = h]"""
    refuse_if(not rated_power_w > 0, "no_rated_power", "rated power", watts=rated_power_w)
    return ac_energy_kwh / (rated_power_w / 1000.0)


def performance_ratio(final_yield_h: float, reference_yield_h: float) -> float:
    """Return final yield over reference yield. [-]

    Raises
    ------
    InputError
        The reference yield is not above 0: without light there is no ratio.
    """
    refuse_if(not reference_yield_h > 0, "no_reference", "reference yield", hours=reference_yield_h)
    return final_yield_h / reference_yield_h


def corrected_performance_ratio(ac_power_w, poa_global, temp_cell, rated_power_w, coefficient_per_c):
    """Return the performance ratio without the effect of temperature: brought to the test conditions.

    Parameters
    ----------
    ac_power_w : array, shape (n,)
        Delivered power. [W]
    poa_global, temp_cell : array, shape (n,)
        Light on the plane [W/m2] and cell temperature [degC] of the same intervals.
    rated_power_w : float
    coefficient_per_c : float
        Change of power per degree, negative. [1/degC]

    Returns
    -------
    float
        Sum of energy over sum of P0 (G / 1000) (1 + coefficient (T - 25)). Intervals with a missing value are
        left out of both sums.

    Raises
    ------
    InputError
        There is no light.

    Notes
    -----
    IEC 61724-1 (formula `from memory`).
    """
    power, light, warm = (np.asarray(values, dtype=float) for values in (ac_power_w, poa_global, temp_cell))
    there = np.isfinite(power) & np.isfinite(light) & np.isfinite(warm)
    power, light, warm = power[there], light[there], warm[there]
    refuse_if(not light.sum() > 0, "no_light", "light on the plane")
    expected = light / REFERENCE_IRRADIANCE * (1.0 + coefficient_per_c * (warm - REFERENCE_C))
    return float(final_yield(power.sum() / 1000.0, rated_power_w) / expected.sum())
