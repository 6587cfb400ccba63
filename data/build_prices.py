"""Make the invented hourly prices in data/tariffs/hourly-dynamic-price.csv. Nothing here is measured.

    python data/build_prices.py

The price of an hour is a level of its month, a morning and an evening peak, less on weekends, less while the sun is
high in bright months, less on windy days; a windy day is likely to be followed by another. Some bright windy hours come
out below zero, as they do on a real exchange. Needs the standard library only.
"""

from datetime import datetime, timedelta
from pathlib import Path
from random import Random

FILE = Path(__file__).parent / "tariffs" / "hourly-dynamic-price.csv"
YEAR, SEED = 2026, 20260101
LEVEL = (0.125, 0.120, 0.105, 0.095, 0.085, 0.085, 0.090, 0.095, 0.105, 0.110, 0.120, 0.130)  # of a month [$/kWh]
PEAK = {7: 0.03, 8: 0.04, 9: 0.02, 17: 0.03, 18: 0.06, 19: 0.07, 20: 0.04, 21: 0.02}  # above it [$/kWh]
NIGHT = {hour: -0.03 for hour in range(6)}
SUN = {9: 0.3, 10: 0.6, 11: 0.8, 12: 1.0, 13: 1.0, 14: 0.9, 15: 0.6, 16: 0.3}  # share of the fall below
SUN_FALL = (0.01, 0.02, 0.05, 0.08, 0.09, 0.08, 0.07, 0.06, 0.05, 0.03, 0.01, 0.01)  # of a month [$/kWh]
WEEKEND, WIND, KEPT = -0.02, 0.05, 0.6  # [$/kWh]; the largest swing of the wind [$/kWh]; what a day keeps of it


def prices():
    """Return (time, price) of each hour of the year by a clock that is never changed. [$/kWh]"""
    random, wind, rows = Random(SEED), 0.0, []
    day = datetime(YEAR, 1, 1)
    while day.year == YEAR:
        wind = KEPT * wind + (1 - KEPT) * (2 * random.random() - 1)
        for hour in range(24):
            price = LEVEL[day.month - 1] + PEAK.get(hour, 0.0) + NIGHT.get(hour, 0.0) - WIND * wind
            price += (WEEKEND if day.weekday() >= 5 else 0.0) - SUN_FALL[day.month - 1] * SUN.get(hour, 0.0)
            rows.append((day + timedelta(hours=hour), price + 0.01 * (2 * random.random() - 1)))
        day += timedelta(days=1)
    return rows


def build():
    """Return the content of the file."""
    lines = [f"{time:%Y-%m-%dT%H:%M},{round(price, 4) + 0.0:.4f}" for time, price in prices()]  # no -0.0000
    return "\n".join(["time,price", *lines, ""]).encode("utf-8")


if __name__ == "__main__":
    FILE.write_bytes(build())
