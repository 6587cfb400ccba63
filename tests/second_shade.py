"""A second solution of partial shade, cell by cell: rays from each cell, and the diode equation by bisection.

It takes from the library its numbers only (places of cells, light, constants of a cell), none of its ways: no grid of
currents, no counting of kinds, no outline that is turned for each cell.
"""

import math

import numpy as np

BOLTZMANN = 8.617333262e-5  # [eV/K]


def blocked(thing, place, azimuth, elevation):
    """Tell whether one cell, metres (east, north, up) from the plane's middle, has the sun behind an obstacle.

    The outline stands on a circle around the plane's middle: the ray meets it where |place + s * way| is the radius.
    """
    low, high = thing.points[0][0], thing.points[-1][0]
    if math.isinf(thing.distance_m):
        seen, s, up = azimuth, 1.0, 0.0
        reach = 1.0
    else:
        way = np.array([math.sin(math.radians(azimuth)), math.cos(math.radians(azimuth))])
        b, c = float(way @ place[:2]), float(place[:2] @ place[:2]) - thing.distance_m**2
        s, reach = -b + math.sqrt(b * b - c), thing.distance_m
        hit = place[:2] + s * way
        seen, up = math.degrees(math.atan2(hit[0], hit[1])), place[2]
    seen = low + (seen - low) % 360.0
    if seen > high:
        return False
    top = reach * math.tan(math.radians(np.interp(seen, *np.array(thing.points).T)))
    return up + s * math.tan(math.radians(elevation)) < top


def shares(plane, azimuth, elevation, month):
    """Return the share of direct light of each cell, shape (modules, sections, cells)."""
    cells = plane.cells()
    found = np.ones(cells.shape[:-1]).ravel()
    for number, place in enumerate(plane.places(cells)):
        for thing in plane.obstacles:
            if blocked(thing, place, azimuth, elevation):
                through = thing.bare_passes if month in thing.bare_months else thing.passes
                found[number] = min(found[number], through)
    return found.reshape(cells.shape[:-1])


def _flows(cell, light, heat):
    """Return the function from a diode's voltage to what the cell gives. [V -> A]"""
    thermal = cell.ideality * BOLTZMANN * (heat + 273.15)
    gap = 1.121 * (1 - 0.0002677 * (heat - 25.0))
    dark = cell.saturation_current_a * ((heat + 273.15) / 298.15) ** 3
    dark *= math.exp(1.121 / (BOLTZMANN * 298.15) - gap / (BOLTZMANN * (heat + 273.15)))
    photo = light / 1000.0 * cell.photocurrent_a * (1 + cell.current_per_c * (heat - 25.0))

    def flows(diode_v):
        more = cell.breakdown_factor * (1 - diode_v / cell.breakdown_v) ** -cell.breakdown_exponent
        return photo - dark * np.expm1(diode_v / thermal) - diode_v / cell.shunt_ohm * (1 + more)

    return flows


def _voltage(cell, current, light, heat):
    """Return a cell's voltage at a current, by bisection on the diode's voltage. [V]"""
    flows = _flows(cell, light, heat)
    low, high = np.full(np.shape(current), cell.breakdown_v * (1 - 1e-9)), np.full(np.shape(current), 0.95)
    for _ in range(70):
        middle = (low + high) / 2
        over = flows(middle) < current
        low, high = np.where(over, low, middle), np.where(over, middle, high)
    return low - current * cell.series_ohm


def section_voltage(module, lights, heat, current):
    """Return the voltage of a section whose cells in series have these lights. [V]"""
    kinds, counts = np.unique(lights, return_counts=True)
    added = sum(count * _voltage(module.cell, current, kind, heat) for kind, count in zip(kinds, counts))
    return np.maximum(added, -module.bypass_v)


def _string_current(module, lights, heat, volts):
    """Return the current at which cells in series have these voltages together, by bisection. [A]"""
    kinds, counts = np.unique(lights, return_counts=True)
    most = 2.0 * module.cell.photocurrent_a
    low, high = np.full(volts.shape, -most), np.full(volts.shape, most)
    for _ in range(50):
        middle = (low + high) / 2
        over = sum(c * _voltage(module.cell, middle, kind, heat) for kind, c in zip(kinds, counts)) > volts
        low, high = np.where(over, middle, low), np.where(over, high, middle)
    return low


def half_cut_power(module, lights, heat, points=1500):
    """Return the best power of one module of half cells, lights (sections, 2, cells). [W]

    Half cells at half the current are whole cells at all of it: both strings' currents add, each of half the area.
    """
    volts = np.linspace(-module.bypass_v, 0.72 * module.cells_per_section, points)
    curves = [sum(_string_current(module, half, heat, volts) / 2 for half in section) for section in lights]
    current = np.linspace(0.0, max(curve.max() for curve in curves), points)
    added = sum(np.interp(current, curve[::-1], volts[::-1]) for curve in curves)
    return float((current * added).max())


def powers(module, lights, heat, points=1500):
    """Return (each module at its best, the string at its best) for lights (modules, sections, cells). [W]"""
    most = 1.06 * module.cell.photocurrent_a * lights.max() / 1000.0
    current = np.linspace(0.0, most, points)
    known = {}
    for part in lights.reshape(-1, lights.shape[-1]):
        known.setdefault(tuple(np.sort(part)), None)
    known = {part: section_voltage(module, np.array(part), heat, current) for part in known}
    curves = [sum(known[tuple(np.sort(part))] for part in one) for one in lights]
    return sum((current * curve).max() for curve in curves), (current * sum(curves)).max()
