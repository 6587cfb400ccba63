"""Yields and the performance ratio, as IEC 61724-1 and IEC TS 61836 define them (definitions `seen`).

Energies are added first and divided afterwards: the mean of daily ratios is another, wrong, number.
"""

from solarlib.quantities import InputError, energy_kwh

REFERENCE_IRRADIANCE = 1000.0  # W/m2


def reference_yield(poa_global):
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


def array_yield(dc_energy_kwh, rated_power_w):
    """Return direct-current energy per rated power. [kWh, W -> kWh/kW = h]"""
    return _per_kw(dc_energy_kwh, rated_power_w)


def final_yield(ac_energy_kwh, rated_power_w):
    """Return delivered energy per rated power. [kWh, W -> kWh/kW = h]"""
    return _per_kw(ac_energy_kwh, rated_power_w)


def performance_ratio(final_yield_h, reference_yield_h):
    """Return final yield over reference yield. [-]

    Raises
    ------
    InputError
        The reference yield is not above 0: without light there is no ratio.
    """
    if not reference_yield_h > 0:
        raise InputError(f"reference yield: found {reference_yield_h:g} h, allowed is a number above 0 h")
    return final_yield_h / reference_yield_h


def _per_kw(energy, rated_power_w):
    if not rated_power_w > 0:
        raise InputError(f"rated power: found {rated_power_w:g} W, allowed is a number above 0 W")
    return energy / (rated_power_w / 1000.0)
