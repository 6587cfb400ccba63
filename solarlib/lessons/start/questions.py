"""Predictions and checks of lesson 00: power and energy, one day, the test load, the months."""

from solarlib.house.year import simulate
from solarlib.lessons.start.pictures import monthly
from solarlib.lessons.tools import check, questions_beside
from solarlib.lessons.tools.figures import MONTHS
from solarlib.quantities import energy_kwh, texts_beside

ASK = questions_beside(__file__)


def same_hour_share(house):
    """Return the part of the year's generation that the house uses in the same hour. [0 to 1]"""
    year = energy_kwh(simulate(house))
    return float(year[["generation_w", "load_w"]].min(axis=1).sum() / year["generation_w"].sum())


def predict_share(house):
    """Ask how much of the generation is used at once; the right answer is the house's own."""
    share, words = same_hour_share(house), list(ASK.entries["share"]["options"])
    return ASK.predict("share", words[max(0, 3 - int(4.0 * share))])


def check_day(answer, house):
    """Check 1: the energy made on day 172 with the array as it is. [kWh]"""
    day = energy_kwh(simulate(house)).groupby(lambda time: time.day_of_year).sum().loc[172]
    made = day["generation_w"]
    return ASK.number("day", answer, made, within=max(0.05, round(made / 100.0, 2)), used=day["load_w"])


def check_heater(answer, house, hours):
    """Check 2: the energy of the test load in some hours. [kWh]"""
    watts = house.meter.test_load_w
    slips = {"watt_hours": watts * hours, "kw": watts / 1000.0, "divided": watts / 1000.0 / hours}
    return ASK.number("heater", answer, watts / 1000.0 * hours, **slips, watts=watts, hours=hours)


def check_month(answer, house):
    """Check 3: the month in which the array makes most beyond what the house uses."""
    energy = monthly(house)
    surplus = energy["generation_w"] - energy["load_w"]
    best, most = MONTHS[int(surplus.argmax())], MONTHS[int(energy["generation_w"].argmax())]
    texts = texts_beside(__file__, "replies")
    replies = dict.fromkeys(MONTHS, texts["other"]) | {most: texts["most_made"]}
    return check.choose(answer, best, replies | {best: texts["best" if surplus.max() > 0 else "nearest"]})
