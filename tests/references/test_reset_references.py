"""Which month the bank's year should end in: two monthly data sets, and years of random weather.

Source: tables worked out for this project independently of solarlib. built here
"""

import csv
from pathlib import Path

import numpy as np
import pytest

from solarlib.bill.reset import best_reset, lost_by_reset_month

with (Path(__file__).parent / "ledgers" / "L0_data.csv").open(encoding="utf-8", newline="") as file:
    MONTHLY = list(csv.DictReader(file))[:12]

MONTHS = ["Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"]


def monthly(column):
    return np.array([float(row[column]) for row in MONTHLY])


LEDGER = {
    "A": [0, 0, 0, 40, 300, 640, 940, 1160, 1300, 1180, 720, 10],
    "B": [890, 690, 690, 690, 690, 920, 1280, 1560, 1760, 1780, 1580, 1230],
}


@pytest.mark.parametrize("letter, best", [("A", ["Jan", "Feb", "Mar"]), ("B", ["Feb", "Mar", "Apr", "May"])])
def test_losses_of_two_houses_by_reset_month(letter, best):
    surplus = -monthly(f"N_{letter}")
    assert lost_by_reset_month(surplus).tolist() == LEDGER[letter]
    table = best_reset(surplus)
    assert list(table.index[table.best]) == best


def test_losses_over_years_of_random_weather_and_use():
    """House A: 4 % a year and 8 % a month on generation, 5 % a year and 5 % a month on use.

    Printed from 4,000 draws: March 0, April 50 (one year in ten 119), December 133 (424), September 1,309. Three
    standard errors of such a mean and of such a quantile are allowed.
    """
    rng = np.random.default_rng(20)

    def scattered(typical, of_year, of_month):
        year = 1 + of_year * rng.standard_normal((40_000, 1))
        return np.maximum(typical * year * (1 + of_month * rng.standard_normal((40_000, 12))), 0.0)

    years = scattered(monthly("G_A"), 0.04, 0.08) - scattered(monthly("L_A"), 0.05, 0.05)
    lost = lost_by_reset_month(years)
    printed = {"Mar": (0, None), "Apr": (50, 119), "Sep": (1309, None), "Dec": (133, 424)}
    for month, (mean, one_in_ten) in printed.items():
        column = lost[:, MONTHS.index(month)]
        assert column.mean() == pytest.approx(mean, abs=max(0.5, 3 * column.std() / np.sqrt(4000)))
        if one_in_ten:
            error = np.ptp(np.quantile(column, 0.9 + np.array([-3, 3]) * np.sqrt(0.09 / 4000))) / 2
            assert np.quantile(column, 0.9) == pytest.approx(one_in_ten, abs=error)
