"""What several tests of daily charts need: the day of the first alarm of drawn charts."""

import numpy as np


def first_alarm(path, h):
    """Return the number of the day (1 is the first) on which each column first passes h; infinite where none does."""
    above = np.asarray(path) > h
    return np.where(above.any(axis=0), above.argmax(axis=0) + 1.0, np.inf)
