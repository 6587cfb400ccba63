"""Modules of half cells: two strings in parallel in each section, by a second solution and by what must hold."""

import numpy as np
import pytest
import second_shade

from solarlib.roof.cells import DiodeModule, series_power_w
from solarlib.roof.obstacles import ModuleLayout
from solarlib.roof.shade import count_kinds

HALF, WHOLE = DiodeModule(halves=2), DiodeModule()


def best(module, shares, full=800.0, dim=0.2, heat=45.0):
    """Return what one module gives with shares of the direct light on its cells, shape (sections, cells). [W]"""
    kinds, counts = count_kinds(np.asarray(shares, dtype=float)[None, None])
    levels = full * (dim + (1 - dim) * kinds)[None]
    return float(series_power_w(module, levels, counts, np.full(levels.shape, heat)).apart_w[0])


@pytest.mark.parametrize("dim", [0.02, 0.2, 0.6])
@pytest.mark.parametrize("dark", [(10, 0, 0), (20, 20, 0), (3, 0, 7), (1, 1, 1)])
def test_a_half_in_the_shade_is_what_a_second_solution_finds(dark, dim):
    """So many half cells of the lower half of each section in the shade; 3e-4 by 1500 voltages and currents."""
    shares = np.ones((6, 20))
    for section, count in enumerate(dark):
        shares[2 * section + 1, :count] = 0.0
    lights = 800.0 * (dim + (1 - dim) * shares.reshape(3, 2, 20))
    assert best(HALF, shares, dim=dim) == pytest.approx(second_shade.half_cut_power(HALF, lights, 45.0), rel=3e-4)


def test_without_shade_half_cells_are_whole_cells():
    assert best(HALF, np.ones((6, 20))) == pytest.approx(best(WHOLE, np.ones((3, 20))), rel=1e-4)
    assert HALF.rated_power_w == pytest.approx(WHOLE.rated_power_w, rel=1e-4)
    everywhere = np.zeros((6, 20)), np.zeros((3, 20))
    assert best(HALF, everywhere[0]) == pytest.approx(best(WHOLE, everywhere[1]), rel=1e-4)


def test_a_shaded_lower_half_leaves_half_the_module():
    """Of whole cells the same shadow drives every section into its diode, or down to the dim light."""
    half, whole = np.ones((6, 20)), np.ones((3, 2, 10))
    half[1::2], whole[:, :, 5:] = 0.0, 0.0
    lit = best(HALF, np.ones((6, 20)))
    assert best(HALF, half, dim=0.1) == pytest.approx(lit * (1 + 0.1) / 2, rel=0.03)
    assert best(WHOLE, whole.reshape(3, 20), dim=0.1) < 0.25 * lit


def test_half_cells_lie_in_their_half():
    cells = ModuleLayout(2, 3, half_cut=True).cells()
    assert cells.shape == (6, 6, 20, 2)
    one = cells[0, :, :, 1] - cells[0, ..., 1].mean()
    assert (one[0::2] < 0).all() and (one[1::2] > 0).all()
    assert cells.reshape(-1, 2).mean(axis=0) == pytest.approx([0, 0], abs=1e-12)
    assert np.ptp(cells[0, 0, :, 0]) < 0.2  # a section is two columns, as of whole cells
    whole = ModuleLayout(2, 3).cells()
    assert np.sort(np.unique(np.round(whole[..., 0], 9))) == pytest.approx(np.unique(np.round(cells[..., 0], 9)))
