"""How far wires move a voltage, and what heat and cold make of a string's; see `circuits` for what a finding is."""

import math

from solarlib.quantities import InputError, require
from solarlib.roof.circuits import OUTSIDE, WITHIN, Finding, count

# Annealed copper by its international standard (1913): resistivity at 20 degC and its change per degree. [ohm m, 1/K]
_COPPER_OHM_M, _COPPER_PER_C = 1.7241e-8, 0.00393


def awg_area_mm2(gauge):
    """Return the cross-section of an American wire gauge: diameter 0.127 mm x 92^((36 - gauge)/39). [mm2]

    Examples
    --------
    >>> round(awg_area_mm2(12), 2)
    3.31
    """
    return math.pi / 4 * (0.127 * 92 ** ((36 - require(gauge, "gauge", 0, 40)) / 39)) ** 2


def copper_ohm_per_km(area_mm2, temperature_c=75.0):
    """Return the direct-current resistance of ONE solid copper conductor. [ohm/km]

    Examples
    --------
    >>> round(copper_ohm_per_km(awg_area_mm2(10)), 2)
    3.99
    """
    area = require(area_mm2, "area_mm2", 0.05, 1000, "mm2")
    warm = 1.0 + _COPPER_PER_C * (require(temperature_c, "temperature_c", -60, 150, "degC") - 20.0)
    return _COPPER_OHM_M * warm / area * 1e9


def two_wire_change_v(current_a, ohm_per_km, length_m):
    """Return how far the voltage moves along a circuit of two equal conductors: 2 x I x R' x length, out AND back. [V]"""
    return 2.0 * current_a * ohm_per_km * length_m / 1000.0


def chain_change_v(unit_current_a, units, spacing_m, ohm_per_km):
    """Return how far the voltage moves along a chain of equal units fed at its end: the k-th piece carries k units. [V]"""
    return two_wire_change_v(unit_current_a, ohm_per_km, spacing_m) * units * (units + 1) / 2.0


def check_voltage_rise(
    unit_current_a,
    units,
    spacing_m,
    chain_mm2,
    run_m,
    run_mm2,
    voltage_v=240.0,
    fed_at="end",
    chain_limit=0.01,
    total_limit=0.02,
):
    """Add up how far a chain of converters pushes the voltage up above that of the service.

    Parameters
    ----------
    unit_current_a : float
        [A]
    units : int
    spacing_m : float
        Between neighbours on the trunk cable. [m]
    chain_mm2, run_mm2 : float
        Copper cross-sections of trunk and home run; `awg_area_mm2`. [mm2]
    run_m : float
        Length of the home run, one way. [m]
    voltage_v : float
        Nominal. [V]
    fed_at : str
        "end" or "middle" of the chain.
    chain_limit, total_limit : float
        Targets as shares of the voltage; 1 and 2 % are `common practice, no source`.

    Returns
    -------
    Finding
        chain_v, run_v, total_v, chain_share, total_share. A source raises the voltage: at a service already 5 %
        above nominal a converter that trips at 110 % has 5 % left for wires and neighbours (`from memory`: ANSI
        C84.1, IEEE 1547).
    """
    if fed_at not in ("end", "middle"):
        raise InputError(f"fed_at: found {fed_at!r}, allowed is 'end' or 'middle'")
    units = count(units, "units")
    current, volt = (
        require(unit_current_a, "unit_current_a", 0, 1000, "A"),
        require(voltage_v, "voltage_v", 10, 1000, "V"),
    )
    spacing, run = require(spacing_m, "spacing_m", 0, 100, "m"), require(run_m, "run_m", 0, 1000, "m")
    half = units if fed_at == "end" else (units + 1) // 2  # the longer half governs
    chain = chain_change_v(current, half, spacing, copper_ohm_per_km(chain_mm2))
    home = two_wire_change_v(current * units, copper_ohm_per_km(run_mm2), run)
    shares = chain / volt, (chain + home) / volt
    return Finding(
        "voltage rise of a branch circuit",
        (
            ("chain_v", chain, "V"),
            ("run_v", home, "V"),
            ("total_v", chain + home, "V"),
            ("chain_share", shares[0], "of nominal"),
            ("total_share", shares[1], "of nominal"),
        ),
        WITHIN if shares[0] <= chain_limit and shares[1] <= total_limit else OUTSIDE,
        f"{100 * shares[0]:.2f} % on the chain, {100 * shares[1]:.2f} % in all, against targets of {100 * chain_limit:g} and "
        f"{100 * total_limit:g} % (common practice), copper at 75 degC. The service's own voltage at noon must be measured by "
        "a professional.",
    )


def check_string_voltage(
    modules,
    open_circuit_v,
    operating_v,
    open_circuit_per_c,
    operating_per_c,
    coldest_c,
    hottest_cell_c,
    limit_v,
    tracker_low_v,
    tracker_high_v,
):
    """Compare a string's highest and lowest voltages with what its converter takes.

    Parameters
    ----------
    modules : int
        In series.
    open_circuit_v, operating_v : float
        Of one module at 25 degC, from its data sheet. [V]
    open_circuit_per_c, operating_per_c : float
        Change per degree as a share, negative; the maximum power's may stand in for the operating voltage's. [1/K]
    coldest_c, hottest_cell_c : float
        Record low of the air (cells at dawn have its temperature); cell temperature on the hottest roof. [degC]
    limit_v : float
        Smaller of the converter's limit and the code's for the building (600 V for dwellings in the United States:
        `from memory`). [V]
    tracker_low_v, tracker_high_v : float
        Window of the tracker. [V]

    Returns
    -------
    Finding
        cold_open_circuit_v, cold_operating_v, hot_operating_v.
    """
    number = count(modules, "modules")
    for name, value in (("open_circuit_per_c", open_circuit_per_c), ("operating_per_c", operating_per_c)):
        require(value, name, -0.01, 0, "1/K")
    cold, hot = (
        require(coldest_c, "coldest_c", -90, 25, "degC"),
        require(hottest_cell_c, "hottest_cell_c", 25, 120, "degC"),
    )
    open_v, run_v = (
        require(open_circuit_v, "open_circuit_v", 0.1, 500, "V"),
        require(operating_v, "operating_v", 0.1, 500, "V"),
    )
    limit, low = require(limit_v, "limit_v", 1, 2000, "V"), require(tracker_low_v, "tracker_low_v", 0, 2000, "V")
    high = require(tracker_high_v, "tracker_high_v", low, 2000, "V")
    highest = number * open_v * (1.0 + open_circuit_per_c * (cold - 25.0))
    cold_run, hot_run = (number * run_v * (1.0 + operating_per_c * (t - 25.0)) for t in (cold, hot))
    return Finding(
        "voltages of a string",
        (("cold_open_circuit_v", highest, "V"), ("cold_operating_v", cold_run, "V"), ("hot_operating_v", hot_run, "V")),
        WITHIN if highest <= limit and hot_run >= low and cold_run <= high else OUTSIDE,
        f"open circuit at {cold:g} degC {highest:.0f} V against {limit:g} V; operating {hot_run:.0f} V (cells at {hot:g} degC) to "
        f"{cold_run:.0f} V (at {cold:g} degC) against the tracker's {low:g} to {high:g} V. A limit crossed once in the cold can "
        "destroy the converter.",
    )
