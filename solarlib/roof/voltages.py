"""How far wires move a voltage, and what heat and cold make of a string's; see `circuits` for what a `Sum` is."""

import math

from solarlib.quantities import one_of, require, whole_number
from solarlib.roof.circuits import ELECTRICIAN, OUTSIDE, WITHIN, not_decided, summed

# Annealed copper by its international standard (1913): resistivity at 20 degC and its change per degree. [ohm m, 1/K]
_COPPER_OHM_M, _COPPER_PER_C = 1.7241e-8, 0.00393
# Resistance over that of copper: aluminium conducts as 61 % of the standard at 20 degC and changes by 0.00403 per
# degree, so 1.647 at 75 degC (IEC 60889, `from memory`).
_METALS = {"copper": 1.0, "aluminium": 1.647}
# A metric size is a name: by the greatest resistance that IEC 60228 allows it (`from memory`: 4.61 ohm/km for 4 mm2
# at 20 degC), 0.93 to 0.95 of it conducts like pure copper; the least counts.
_METRIC_SHARE = 0.93
_STRING_UNKNOWN = f"{ELECTRICIAN}, with the data sheets of modules and converter and the record cold of the place"
_WIRE_C = 75.0  # of a conductor that carries its current: the temperature of the code's tables. [degC]
_CHAIN_LIMIT, _TOTAL_LIMIT = 0.01, 0.02  # targets as shares of the voltage: `common practice, no source`


def awg_area_mm2(gauge):
    """Return the cross-section of an American wire gauge: diameter 0.127 mm x 92^((36 - gauge)/39). [mm2]

    Examples
    --------
    >>> round(awg_area_mm2(12), 2)
    3.31
    """
    return math.pi / 4 * (0.127 * 92 ** ((36 - require(gauge, "gauge", 0, 40)) / 39)) ** 2


def copper_ohm_per_km(area_mm2):
    """Return the direct-current resistance of ONE solid copper conductor at 75 degC. [ohm/km]

    Examples
    --------
    >>> round(copper_ohm_per_km(awg_area_mm2(10)), 2)
    3.99
    """
    area = require(area_mm2, "area_mm2", 0.05, 1000, "mm2")
    return _COPPER_OHM_M * (1.0 + _COPPER_PER_C * (_WIRE_C - 20.0)) / area * 1e9


def as_copper_mm2(wire):
    """Return the copper cross-section with the resistance of a wire like "10 AWG copper" or "16 mm2 aluminium". [mm2]

    Examples
    --------
    >>> round(as_copper_mm2("16 mm2 aluminium"), 1)
    9.0
    """
    size, system, metal = wire.split()
    return (awg_area_mm2(float(size)) if system == "AWG" else _METRIC_SHARE * float(size)) / _METALS[metal]


def two_wire_change_v(current_a, ohm_per_km, length_m):
    """Return how far the voltage moves along a circuit of two conductors, out AND back: 2 x I x R' x length. [V]"""
    return 2.0 * current_a * ohm_per_km * length_m / 1000.0


def chain_change_v(unit_current_a, units, spacing_m, ohm_per_km):
    """Return how far the voltage moves along a chain of equal units fed at its end: piece k carries k units. [V]"""
    return two_wire_change_v(unit_current_a, ohm_per_km, spacing_m) * units * (units + 1) / 2.0


def longest_chain(units, fed_at):
    """Return how many of the units stand behind one another: all, or the longer half of a chain fed in its middle."""
    return units if one_of(fed_at, "fed_at", ("end", "middle")) == "end" else (units + 1) // 2


def check_voltage_rise(unit_current_a, units, spacing_m, chain_mm2, run_m, run_mm2, voltage_v=240.0, fed_at="end"):
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

    Returns
    -------
    Sum
        chain_v, run_v, total_v, chain_share, total_share. A source raises the voltage: at a service already 5 %
        above nominal a converter that trips at 110 % has 5 % left for wires and neighbours (`from memory`: ANSI
        C84.1, IEEE 1547).
    """
    units = whole_number(units, "units", 1, 10_000)
    current = require(unit_current_a, "unit_current_a", 0, 1000, "A")
    volt = require(voltage_v, "voltage_v", 10, 1000, "V")
    spacing, run = require(spacing_m, "spacing_m", 0, 100, "m"), require(run_m, "run_m", 0, 1000, "m")
    chain = chain_change_v(current, longest_chain(units, fed_at), spacing, copper_ohm_per_km(chain_mm2))
    home = two_wire_change_v(current * units, copper_ohm_per_km(run_mm2), run)
    on_chain, in_all = chain / volt, (chain + home) / volt
    values = {"chain_v": chain, "run_v": home, "total_v": chain + home, "chain_share": on_chain, "total_share": in_all}
    percents = {"chain_percent": 100 * on_chain, "total_percent": 100 * in_all}
    limits = {"chain_limit": 100 * _CHAIN_LIMIT, "total_limit": 100 * _TOTAL_LIMIT, "wire_c": _WIRE_C}
    within = on_chain <= _CHAIN_LIMIT and in_all <= _TOTAL_LIMIT
    return summed("rise", WITHIN if within else OUTSIDE, values, **percents, **limits)


def check_string_voltage(modules, open_circuit_v, operating_v, change_per_c, cell_c, limit_v, tracker_v):
    """Compare a string's highest and lowest voltages with what its converter takes.

    Parameters
    ----------
    modules : int
        In series.
    open_circuit_v, operating_v : float
        Of one module at 25 degC, from its data sheet. [V]
    change_per_c : (float, float)
        Of the open-circuit and of the operating voltage per degree, as shares, negative; the maximum power's may stand
        in for the operating voltage's. [1/K]
    cell_c : (float, float)
        Coldest: the record low of the air (cells at dawn have its temperature). Hottest: cells on the hottest roof.
        [degC]
    limit_v : float
        Smaller of the converter's limit and the code's for the building (600 V for dwellings in the United States:
        `from memory`). [V]
    tracker_v : (float, float)
        Window of the tracker. [V]

    Returns
    -------
    Sum
        cold_open_circuit_v, cold_operating_v, hot_operating_v: nan where None stands for something unknown; then it
        is outside if what is known says so, and else not decided.
    """
    number = whole_number(modules, "modules", 1, 10_000)
    cold = _known(cell_c[0], "cell_c, coldest", -90, 25, "degC")
    hot = _known(cell_c[1], "cell_c, hottest", 25, 120, "degC")
    open_per_c, run_per_c = (_known(change, "change_per_c", -0.01, 0, "1/K") for change in change_per_c)
    open_v = _known(open_circuit_v, "open_circuit_v", 0.1, 500, "V")
    run_v = _known(operating_v, "operating_v", 0.1, 500, "V")
    limit, low = _known(limit_v, "limit_v", 1, 2000, "V"), _known(tracker_v[0], "tracker_v, low", 0, 2000, "V")
    high = _known(tracker_v[1], "tracker_v, high", 0.0 if math.isnan(low) else low, 2000, "V")
    highest = number * open_v * (1.0 + open_per_c * (cold - 25.0))
    cold_run, hot_run = (number * run_v * (1.0 + run_per_c * (heat - 25.0)) for heat in (cold, hot))
    values = {"cold_open_circuit_v": highest, "cold_operating_v": cold_run, "hot_operating_v": hot_run}
    limits = {"cold_c": cold, "hot_c": hot, "limit_v": limit, "low_v": low, "high_v": high}
    told = limits | {"open_v": highest, "cold_v": cold_run, "hot_v": hot_run}
    shown = {name: "unknown" if math.isnan(value) else f"{value:.0f}" for name, value in told.items()}
    verdict = WITHIN if highest <= limit and hot_run >= low and cold_run <= high else not_decided(_STRING_UNKNOWN)
    outside = highest > limit or hot_run < low or cold_run > high  # of what is unknown (nan) neither holds
    return summed("string", OUTSIDE if outside else verdict, values, **shown)


def _known(value, *range_and_unit):
    """Return a number in its range, or nan for None, which is unknown."""
    return math.nan if value is None else require(value, *range_and_unit)
