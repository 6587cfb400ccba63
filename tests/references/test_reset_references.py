"""Which month the bank's year should end in: a closed form, two monthly data sets, and years of random weather.

Source: tables worked out for this project independently of solarlib; the closed form was derived there and checked
against direct simulation. built here
"""

import csv
from pathlib import Path

import numpy as np
import pytest

from solarlib.bill.reset import best_reset, loss_spread, lost_by_reset_month, sinusoid_season

with (Path(__file__).parent / "ledgers" / "L0_data.csv").open(encoding="utf-8", newline="") as file:
    MONTHLY = list(csv.DictReader(file))[:12]

DAYS = np.array([31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31])
ENDS = np.cumsum(DAYS) / 365


def monthly(column):
    return np.array([float(row[column]) for row in MONTHLY])


# a; energy of the surplus and of the deficit season, greatest loss over A, which is that of the surplus season
CLOSED_FORM = [
    (-0.6, 0.0775, 0.6775, 0.0775),
    (-0.4, 0.1441, 0.5441, 0.1441),
    (-0.2, 0.2247, 0.4247, 0.2247),
    (-0.1, None, None, 0.270),
    (0.0, 0.3183, 0.3183, 0.3183),
    (0.1, None, None, 0.370),
    (0.2, 0.4247, 0.2247, 0.4247),
    (0.4, 0.5441, 0.1441, 0.5441),
    (0.6, 0.6775, 0.0775, 0.6775),
]


@pytest.mark.parametrize("a, surplus, deficit, greatest", CLOSED_FORM)
def test_seasons_and_greatest_loss_of_a_sinusoid(a, surplus, deficit, greatest):
    """Printed to four digits (three where the seasons are not printed), so half a unit of the last."""
    got = sinusoid_season(a, 1.0)
    if surplus is not None:
        assert got == pytest.approx((surplus, deficit), abs=0.00005)
    assert got[0] == pytest.approx(greatest, abs=0.0005 if surplus is None else 0.00005)


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


@pytest.mark.parametrize("letter, ratio, season", [("A", -0.24, 1336), ("B", 0.16, 1759)])
def test_seasons_of_the_sinusoids_fitted_to_them(letter, ratio, season):
    """The printed fit: daily rates at mid-month, weighted by days. Whole kWh."""
    middles = ENDS - DAYS / 730
    shapes = np.column_stack([np.ones(12), np.cos(2 * np.pi * middles), np.sin(2 * np.pi * middles)])
    weight = np.sqrt(DAYS)
    mean, even, odd = np.linalg.lstsq(
        shapes * weight[:, None], -monthly(f"N_{letter}") * 365 / DAYS * weight, rcond=None
    )[0]
    amplitude = np.hypot(even, odd)
    assert mean / amplitude == pytest.approx(ratio, abs=0.005)
    assert sinusoid_season(mean, amplitude)[0] == pytest.approx(season, abs=0.5)


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
    table = loss_spread(lost)
    printed = {"Mar": (0, None), "Apr": (50, 119), "Sep": (1309, None), "Dec": (133, 424)}
    for month, (mean, one_in_ten) in printed.items():
        column = lost[:, list(table.index).index(month)]
        assert table.loc[month, "mean"] == pytest.approx(mean, abs=max(0.5, 3 * column.std() / np.sqrt(4000)))
        if one_in_ten:
            error = np.ptp(np.quantile(column, 0.9 + np.array([-3, 3]) * np.sqrt(0.09 / 4000))) / 2
            assert table.loc[month, 0.9] == pytest.approx(one_in_ten, abs=error)
