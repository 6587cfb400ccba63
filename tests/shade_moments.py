"""One moment of one string in any shade, through the library's own way from light to the three numbers."""

import numpy as np
import pandas as pd

from solarlib.roof.cells import DiodeModule
from solarlib.roof.shade import count_kinds, operate, year_loss

FULL_W = 1000.0  # light without shade, the reference of every loss. [W/m2]


def shade_moment(light, temp_cell=50.0, module=None):
    """Return the three numbers for given light on each cell, shape (modules, sections, cells). [W/m2, degC]

    Light above the whole, from scatter of the modules, leaves `module_gain` true, but none of the losses.
    """
    values = {"direct": FULL_W, "rest": 0.0, "temp_cell": temp_cell}
    one = {name: np.array([value]) for name, value in values.items()}
    shares = count_kinds(np.asarray(light, dtype=float)[None] / FULL_W)
    return year_loss(pd.DataFrame(operate([one], [shares], module or DiodeModule())))
