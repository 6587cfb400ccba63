"""Which month the bank's year should end in: a closed form, two monthly data sets, and years of random weather.

Source: tables worked out for this project independently of solarlib; the closed form was derived there and checked
against direct simulation. built here
"""

import csv
from datetime import date, timedelta
from pathlib import Path

import numpy as np
import pytest

from solarlib.bill.reset import best_reset, lost_by_reset_month, sinusoid_loss, sinusoid_season
from solarlib.bill.reset_years import draw_years, loss_spread

with (Path(__file__).parent / "ledgers" / "L0_data.csv").open(encoding="utf-8", newline="") as file:
    MONTHLY = list(csv.DictReader(file))[:12]

DAYS = np.array([31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31])
ENDS = np.cumsum(DAYS) / 365
LONGEST_DAY = (date(2025, 6, 21) - date(2025, 1, 1)).days / 365


def monthly(column):
    return np.array([float(row[column]) for row in MONTHLY])


# a; energy of the surplus and of the deficit season, least and greatest loss over A; first and last day of least loss
CLOSED_FORM = [
    (-0.6, 0.0775, 0.6775, 0, 0.0775, "10-13", "04-28"),
    (-0.4, 0.1441, 0.5441, 0, 0.1441, "11-16", "04-15"),
    (-0.2, 0.2247, 0.4247, 0, 0.2247, "12-24", "04-02"),
    (-0.1, None, None, 0, 0.270, "01-19", "03-28"),
    (0.0, 0.3183, 0.3183, 0, 0.3183, "03-22", "03-22"),
    (0.1, None, None, 0.100, 0.370, "03-16", "05-23"),
    (0.2, 0.4247, 0.2247, 0.200, 0.4247, "03-10", "06-17"),
    (0.4, 0.5441, 0.1441, 0.400, 0.5441, "02-26", "07-25"),
    (0.6, 0.6775, 0.0775, 0.600, 0.6775, "02-12", "08-29"),
]


@pytest.mark.parametrize("a, surplus, deficit, least, greatest, first, last", CLOSED_FORM)
def test_seasons_and_losses_of_a_sinusoid(a, surplus, deficit, least, greatest, first, last):
    """Printed to four digits (three where the seasons are not printed), so half a unit of the last."""
    got = sinusoid_season(a, 1.0)
    if surplus is not None:
        assert got == pytest.approx((surplus, deficit), abs=0.00005)
    losses = sinusoid_loss(np.arange(0, 1, 1e-5), a, 1.0, LONGEST_DAY)
    assert losses.min() == pytest.approx(least, abs=1e-9)
    assert losses.max() == pytest.approx(greatest, abs=0.0005 if surplus is None else 0.00005)


@pytest.mark.parametrize("a, first, last", [(row[0], row[5], row[6]) for row in CLOSED_FORM])
def test_dates_with_the_least_loss(a, first, last):
    """A reset on any day between the printed dates costs no more than the least; one two days outside does.

    The printed days are rounded from times of the year; a day either way is their accuracy.
    """
    day = timedelta(days=1)
    begin, end = date.fromisoformat(f"2025-{first}"), date.fromisoformat(f"2025-{last}")

    def extra(when):
        time = (when - date(2025, 1, 1)).days / 365
        return float(sinusoid_loss(time, a, 1.0, LONGEST_DAY)) - max(0.0, a)

    inside = [begin + k * day for k in range(1, (end - begin).days % 365)]
    assert all(extra(when) < 1e-12 for when in inside)
    assert extra(begin - 2 * day) > 1e-6 and extra(end + 3 * day) > 1e-6


LEDGER = {
    "A": [0, 0, 0, 40, 300, 640, 940, 1160, 1300, 1180, 720, 10],
    "B": [890, 690, 690, 690, 690, 920, 1280, 1560, 1760, 1780, 1580, 1230],
}
FITTED = {
    "A": [0, 0, 0, 15, 226, 589, 990, 1272, 1324, 1099, 636, 0],
    "B": [915, 736, 690, 690, 690, 880, 1293, 1608, 1752, 1708, 1508, 1209],
}


@pytest.mark.parametrize("letter, best", [("A", ["Jan", "Feb", "Mar"]), ("B", ["Feb", "Mar", "Apr", "May"])])
def test_losses_of_two_houses_by_reset_month(letter, best):
    surplus = -monthly(f"N_{letter}")
    assert lost_by_reset_month(surplus).tolist() == LEDGER[letter]
    table = best_reset(surplus)
    assert list(table.index[table.best]) == best


@pytest.mark.parametrize("letter, ratio, season", [("A", -0.24, 1336), ("B", 0.16, 1759)])
def test_losses_of_the_sinusoids_fitted_to_them(letter, ratio, season):
    """The printed fit: daily rates at mid-month, weighted by days; resets at the ends of the months. Whole kWh."""
    middles = ENDS - DAYS / 730
    shapes = np.column_stack([np.ones(12), np.cos(2 * np.pi * middles), np.sin(2 * np.pi * middles)])
    weight = np.sqrt(DAYS)
    mean, even, odd = np.linalg.lstsq(
        shapes * weight[:, None], -monthly(f"N_{letter}") * 365 / DAYS * weight, rcond=None
    )[0]
    amplitude, peak = np.hypot(even, odd), np.arctan2(odd, even) / (2 * np.pi)
    assert mean / amplitude == pytest.approx(ratio, abs=0.005)
    assert sinusoid_season(mean, amplitude)[0] == pytest.approx(season, abs=0.5)
    assert sinusoid_loss(ENDS, mean, amplitude, peak) == pytest.approx(np.array(FITTED[letter]), abs=0.5001)


def test_losses_over_years_of_random_weather_and_use():
    """House A: 4 % a year and 8 % a month on generation, 5 % a year and 5 % a month on use.

    Printed from 4,000 draws: March 0, April 50 (one year in ten 119), December 133 (424), September 1,309. Three
    standard errors of such a mean and of such a quantile are allowed.
    """
    rng = np.random.default_rng(20)
    years = draw_years(monthly("G_A"), monthly("L_A"), rng, 40_000)
    table, lost = loss_spread(years, levels=(0.9,)), lost_by_reset_month(years)
    printed = {"Mar": (0, None), "Apr": (50, 119), "Sep": (1309, None), "Dec": (133, 424)}
    for month, (mean, one_in_ten) in printed.items():
        column = lost[:, list(table.index).index(month)]
        assert table.loc[month, "mean"] == pytest.approx(mean, abs=max(0.5, 3 * column.std() / np.sqrt(4000)))
        if one_in_ten:
            error = np.ptp(np.quantile(column, 0.9 + np.array([-3, 3]) * np.sqrt(0.09 / 4000))) / 2
            assert table.loc[month, 0.9] == pytest.approx(one_in_ten, abs=error)
