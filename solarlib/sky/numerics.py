"""Two small tools of this room: a ratio that knows the dark, and the place where a rising function has a value."""

import numpy as np


def ratio(part, whole, least=0.0, otherwise=0.0):
    """Return ``part / whole`` (arrays of one shape) where the whole is above ``least``, elsewhere ``otherwise``."""
    return np.divide(part, whole, out=np.full_like(part, otherwise), where=whole > least)


def where_reaches(rising, wanted, low, high, steps):
    """Return where a rising function has the wanted value, or just above, by halving ``low`` to ``high`` in ``steps``.

    Numbers, or arrays of one shape; the function works on all of them at once.
    """
    for _ in range(steps):
        middle = 0.5 * (low + high)
        under = rising(middle) < wanted
        low, high = np.where(under, middle, low), np.where(under, high, middle)
    return high
