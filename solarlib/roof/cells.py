"""Cells in partial shade: curve of a cell, bypassed section, module, string; what one tracker gets out of it.

Every part in series carries the same current, so curves are kept as voltages on a common grid of currents and simply
added. A shaded cell turned backwards follows Bishop's curve; the bypass diode holds a section at a small drop.
In a module of half cells each section is two strings of them in parallel behind one diode: at the same voltage their
currents add. Left out: the diode's own curve.
"""

from collections import namedtuple
from dataclasses import dataclass, replace

import numpy as np
import pvlib

from solarlib.quantities import check_ranges, refuse_if, require

SeriesPower = namedtuple("SeriesPower", "even_w apart_w best_w")

_CHUNK = 256  # instants at once, so that a year fits into the processor's cache
_FORWARD = np.concatenate([np.linspace(0.0, 0.6, 13)[1:-1], np.linspace(0.6, 1.02, 180)])  # of the open-circuit voltage
# Of the breakdown voltage, and of a photocurrent.
_BACKWARD = np.concatenate([[0.0, 0.001, 0.004, 0.01], np.linspace(0.02, 0.9, 90), 1.0 - np.geomspace(0.09, 1e-4, 40)])
_NEAR_KNEE = np.concatenate([np.linspace(0.80, 0.90, 9), np.linspace(0.905, 1.0, 36), [1.005, 1.01]])
_EVEN = np.linspace(0.0, 1.02, 41)
_BEYOND = np.linspace(0.05, 1.05, 12)
# Of a photocurrent, of half cells: what is driven through the darker half moves its knee; and backward through it.
_FINE = np.concatenate([-np.geomspace(1.0, 1e-3, 40), np.linspace(0.0, 1.02, 409)])


@dataclass(frozen=True)
class Cell:
    """One solar cell at 1000 W/m2 and 25 degC; the defaults are a generic 6-inch silicon cell (`built here`).

    Parameters
    ----------
    photocurrent_a, saturation_current_a : float
        [A]
    ideality : float
        [-]
    series_ohm, shunt_ohm : float
        The shunt is kept constant: a shaded cell leaks as it does in the light. [ohm]
    breakdown_factor, breakdown_v, breakdown_exponent : float
        Of the curve backwards. [-, V (negative), -]
    current_per_c : float
        Change of the photocurrent per degree, as a share. [1/K]

    Notes
    -----
    Forward: single diode, its temperature by De Soto, Klein and Beckman, Solar Energy 80 (2006) 78. Backward: Bishop,
    Solar Cells 25 (1988) 73. Both by pvlib (`seen`).
    """

    photocurrent_a: float = 9.4
    saturation_current_a: float = 1.26e-10
    ideality: float = 1.0
    series_ohm: float = 0.0055
    shunt_ohm: float = 10.0
    breakdown_factor: float = 0.002
    breakdown_v: float = -18.0
    breakdown_exponent: float = 3.7
    current_per_c: float = 0.0005

    def __post_init__(self):
        check_ranges(self, "cell")

    def scaled(self, factor):
        """Return a cell of `factor` times the area: the same voltages at `factor` times the currents."""
        light_a, dark_a = self.photocurrent_a * factor, self.saturation_current_a * factor
        series, shunt = self.series_ohm / factor, self.shunt_ohm / factor
        return replace(self, photocurrent_a=light_a, saturation_current_a=dark_a, series_ohm=series, shunt_ohm=shunt)


@dataclass(frozen=True)
class DiodeModule:
    """A module of equal cells in series, in sections that a bypass diode protects.

    Parameters
    ----------
    cell : Cell
    sections, cells_per_section : int
        3 sections of 20 cells is common practice.
    bypass_v : float
        Drop of a conducting bypass diode. [V]
    halves : int
        2 where each cell is two half cells, in strings of ``cells_per_section`` side by side; otherwise 1.
    """

    cell: Cell = Cell()
    sections: int = 3
    cells_per_section: int = 20
    bypass_v: float = 0.5
    halves: int = 1

    def __post_init__(self):
        check_ranges(self, "diode_module")

    @property
    def cells(self):
        """Cells in series, two halves counted as one."""
        return self.sections * self.cells_per_section

    @property
    def rated_power_w(self):
        """Most power at 1000 W/m2 and 25 degC. [W]"""
        return float(series_power_w(self, [[1000.0]], self.even_counts(1), [[25.0]]).apart_w[0])

    def even_counts(self, n):
        """Return the counts of one module in n instants whose cells all see the same light, as of `module_curves`."""
        return np.full((n, 1, self.sections * self.halves, 1), self.cells_per_section)

    def scaled_to(self, rated_power_w):
        """Return the module with larger or smaller cells that have the wanted rated power."""
        wanted = require(rated_power_w, "rated_power_w", 1, 2000, "W")
        return replace(self, cell=self.cell.scaled(wanted / self.rated_power_w))


def cell_voltage(cell, irradiance, temp_cell, current_a):
    """Return the voltage of a cell that carries a current.

    Parameters
    ----------
    cell : Cell
    irradiance : array, shape (n, l)
        Light on the cell, l levels in each of n instants. [W/m2]
    temp_cell : array, shape (n, l) or (n, 1)
        [degC]
    current_a : array, shape (n, k)
        Rising along the last axis. [A]

    Returns
    -------
    array, shape (n, l, k)
        Negative where the cell is driven backwards. [V]
    """
    light, dark, thermal = _constants(cell, irradiance, temp_cell)
    open_v = thermal * np.log1p(light / dark)
    ends = 0.01 + open_v[..., None]  # so that the curve reaches below zero current even in the dark
    backward = np.broadcast_to(cell.breakdown_v * _BACKWARD[::-1], ends.shape[:-1] + _BACKWARD.shape)
    beyond = (open_v.max(axis=-1, keepdims=True) - open_v)[..., None] * _BEYOND  # where a brighter half drives it
    diode_v = np.concatenate([backward, ends * _FORWARD, 1.02 * ends + beyond], axis=-1)
    forward = light[..., None], dark[..., None], cell.series_ohm, cell.shunt_ohm, thermal[..., None]
    turned = {"breakdown_factor": cell.breakdown_factor, "breakdown_exp": cell.breakdown_exponent}
    turned["breakdown_voltage"] = cell.breakdown_v
    current, voltage, _ = pvlib.singlediode.bishop88(diode_v, *forward, **turned)
    result = np.empty(light.shape + current_a.shape[-1:])
    for i, level in np.ndindex(light.shape):
        result[i, level] = np.interp(current_a[i], current[i, level, ::-1], voltage[i, level, ::-1])
    return result


def current_grid(cell, irradiance, temp_cell, halves=1):
    """Return currents that resolve the knee of each level of light: (n, k) for inputs as of `cell_voltage`. [A]

    With two halves also the knees of unlike ones, and negative ones: what the brighter half drives through the other.
    """
    light = _constants(cell, irradiance, temp_cell)[0]
    most = light.max(axis=1, keepdims=True)
    if halves == 2:
        one, other = np.triu_indices(light.shape[1])
        light = (light[:, one] + light[:, other]) / 2.0
    near = (light[..., None] * _NEAR_KNEE).reshape(len(light), -1)
    return np.sort(np.concatenate([near, most * (_FINE if halves == 2 else _EVEN)], axis=1), axis=1)


def module_curves(module, levels, counts, temp_cell):
    """Return the voltage of each module of a string over a common current.

    Parameters
    ----------
    module : DiodeModule
    levels : array, shape (n, l)
        The levels of light that occur in each instant. [W/m2]
    counts : array, shape (n, m, s, l)
        Cells at each level in each of the s sections of m modules; of half cells, in both halves of each section.
    temp_cell : array, shape (n, l) or (n, 1)
        Of the cells at each level. [degC]

    Returns
    -------
    current_a : array, shape (n, k)
        [A]
    voltage_v : array, shape (n, m, k)
        [V]
    cell_v : array, shape (n, l, k)
        Of a cell at each level. [V]
    """
    counts = np.asarray(counts)
    n, modules, sections, kinds = counts.shape
    strings, cells = module.sections * module.halves, module.cells_per_section
    wrong = sections != strings or (counts.sum(axis=-1) != cells).any()
    refuse_if(wrong, "unlike_module", "counts", sections=strings, cells=cells)
    current = current_grid(module.cell, levels, temp_cell, module.halves)
    cells = cell_voltage(module.cell, levels, temp_cell, current)
    added = np.matmul(counts.reshape(n, modules * sections, kinds).astype(float), cells)
    if module.halves == 2:
        pairs = n, modules * module.sections, 2, -1
        added = _in_parallel(current, added.reshape(pairs), counts.reshape(pairs))
    np.maximum(added, -module.bypass_v, out=added)
    return current, added.reshape(n, modules, module.sections, -1).sum(axis=2), cells


def _in_parallel(current, halves, counts):
    """Return the voltage of two strings of half cells in parallel, over the current of both: (n, p, 2, k) -> (n, p, k).

    A half cell at half the current has the voltage of the whole cell at all of it, so the current of both is the mean.
    """
    joined, known = halves[:, :, 0].copy(), {}
    for i, j in np.argwhere((counts[:, :, 0] != counts[:, :, 1]).any(axis=-1)):
        same = i, counts[i, j].tobytes()  # pairs alike are solved once
        if same not in known:
            volts = np.union1d(*halves[i, j])
            mean = sum(np.interp(volts, half[::-1], current[i, ::-1]) for half in halves[i, j]) / 2.0
            known[same] = np.interp(current[i], mean[::-1], volts[::-1])
        joined[i, j] = known[same]
    return joined


def series_power_w(module, levels, counts, temp_cell):
    """Return what a row of modules gives in two ways of being operated.

    Parameters
    ----------
    module, levels, counts, temp_cell
        As for `module_curves`.

    Returns
    -------
    SeriesPower
        even_w: array, shape (n, l): one module whose cells all see that level. Arrays, shape (n,): apart_w: each
        module at its own best point; best_w: the whole string at its best point, which a tracker
        that searches nearby alone can miss. The voltage limits of a converter are not drawn: see
        `voltages.check_string_voltage`. [W]
    """
    levels, counts = np.asarray(levels, dtype=float), np.asarray(counts)
    temp_cell = np.broadcast_to(np.asarray(temp_cell, dtype=float), levels.shape)
    parts = []
    for start in range(0, len(levels), _CHUNK):
        part = slice(start, start + _CHUNK)
        current, voltage, cells = module_curves(module, levels[part], counts[part], temp_cell[part])
        even = module.cells * (current[:, None, :] * cells).max(axis=2)
        apart = (current[:, None, :] * voltage).max(axis=2).sum(axis=1)
        power = current * voltage.sum(axis=1)
        parts.append((even, apart, power.max(axis=1)))
    if not parts:
        return SeriesPower(np.zeros(levels.shape), np.zeros(0), np.zeros(0))
    return SeriesPower(*(np.maximum(np.concatenate(column), 0.0) for column in zip(*parts)))


def _constants(cell, irradiance, temp_cell):
    """Return photocurrent, saturation current and ideality x thermal voltage in light and heat."""
    thermal_25 = cell.ideality * 8.617333262e-5 * 298.15
    lit, heat = np.maximum(np.asarray(irradiance, dtype=float), 1e-9), np.asarray(temp_cell, dtype=float)
    known = cell.photocurrent_a, cell.saturation_current_a, cell.shunt_ohm, cell.series_ohm
    per_c = cell.current_per_c * cell.photocurrent_a
    light, dark, _, _, thermal = pvlib.pvsystem.calcparams_desoto(lit, heat, per_c, thermal_25, *known)
    return light, np.broadcast_to(dark, light.shape), np.broadcast_to(thermal, light.shape)
