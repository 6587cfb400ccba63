"""Lesson 00: the pictures show what the house's simulation gives; the checks name slips, on every house."""

from types import SimpleNamespace

import pytest

from solarlib.house.file import HOUSE_FOLDER, read_house
from solarlib.house.year import simulate
from solarlib.lessons.start import pictures, questions
from solarlib.lessons.tools.figures import MONTHS
from solarlib.lessons.tools.panel import show
from solarlib.quantities import energy_kwh


@pytest.fixture(params=sorted(path.stem for path in HOUSE_FOLDER.glob("*.toml")))
def house(request):
    return read_house(request.param)


def monthly(house):
    return energy_kwh(simulate(house)[["generation_w", "load_w"]]).groupby(lambda time: time.month).sum()


def test_a_day_holds_its_energy_and_what_crosses_the_meter_closes(house):
    picture = pictures.day_picture(house)
    day = energy_kwh(simulate(house)).groupby(lambda time: time.day_of_year).get_group(172)
    for size in (0, 100, 140):
        caption = show(picture, day=172, size=size).caption
        made, used = day["generation_w"] * size / 100, day["load_w"]
        assert f"makes {made.sum():.1f} kWh and the house uses {used.sum():.1f} kWh" in caption
        assert f"{(used - made).clip(lower=0).sum():.1f} kWh come from the utility" in caption
        assert f"{(made - used).clip(lower=0).sum():.1f} kWh go out" in caption


def test_the_bars_of_the_year_are_the_months(house):
    picture = pictures.year_picture(house)
    energy = monthly(house)
    caption = show(picture, size=50, use=60).caption
    made, used = ([bar.get_height() for bar in container] for container in picture.figure.axes[0].containers)
    assert made == pytest.approx(list(0.5 * energy["generation_w"])) and used == pytest.approx(
        list(0.6 * energy["load_w"])
    )
    more = sum(m > u for m, u in zip(made, used))
    assert (
        f"in {more} of 12 months the array makes more, and the house uses most in {MONTHS[used.index(max(used))]}."
        in caption
    )


def test_the_names_lie_above_every_bar_and_nothing_made_has_no_name(house):
    picture = pictures.year_picture(house)
    ax = picture.figure.axes[0]
    show(picture, size=140, use=140)
    tallest = max(bar.get_height() for container in ax.containers for bar in container)
    ax.figure.draw_without_rendering()
    for name in ax.texts:
        assert ax.transData.inverted().transform(name.get_window_extent())[0, 1] > tallest
        assert name.get_window_extent().y1 < ax.get_window_extent().y1
    day = pictures.day_picture(house)
    show(day, day=355, size=0)
    assert [text.get_visible() for text in day.figure.axes[0].texts] == [False, True]


def test_check_1(house):
    day = energy_kwh(simulate(house)).groupby(lambda time: time.day_of_year).sum().loc[172]
    assert questions.check_day(None, house).right is None
    for read in (1.0, 0.991, 1.009):  # from the caption, or from the picture within 1 %
        assert questions.check_day(round(day["generation_w"] * read, 2), house).right is True
    assert questions.check_day(round(day["generation_w"] * 0.97, 1), house).right is False
    if abs(day["load_w"] - day["generation_w"]) > 0.02 * day["generation_w"]:
        assert "what the house uses" in questions.check_day(round(day["load_w"], 1), house).message


def test_check_2(house):
    power = house.meter.test_load_w
    assert questions.check_heater(power / 1000 * 4, house, 4).right is True
    assert questions.check_heater(None, house, 4).right is None
    assert "Wh" in questions.check_heater(power * 4, house, 4).message
    assert "4 hours" in questions.check_heater(power / 1000, house, 4).message
    assert "divided" in questions.check_heater(power / 4000, house, 4).message
    assert "not yet in your answer" in questions.check_heater(power / 1000 * 4 + 3.3, house, 4).message


def test_check_3_takes_the_largest_difference_not_the_highest_bar(house):
    energy = monthly(house)
    surplus = energy["generation_w"] - energy["load_w"]
    best, most = MONTHS[surplus.argmax()], MONTHS[energy["generation_w"].argmax()]
    assert [month for month in MONTHS if questions.check_month(month, house).right] == [best]
    assert questions.check_month(None, house).right is None and questions.check_month("Juli y", house).right is None
    assert questions.check_month("July", house) == questions.check_month("Jul", house)
    assert "fill a credit bank" in questions.check_month(best, house).message
    if most != best:
        assert "Look at the difference" in questions.check_month(most, house).message


def test_check_3_does_not_promise_a_surplus_where_there_is_none(house, monkeypatch):
    energy = monthly(house)
    monkeypatch.setattr(questions, "monthly", lambda house: energy.assign(load_w=energy["load_w"] + 10_000))
    best = MONTHS[(energy["generation_w"] - energy["load_w"]).argmax()]
    result = questions.check_month(best, SimpleNamespace())
    assert result.right is True and "no surplus" in result.message


def test_the_share_used_at_once_decides_the_prediction(house):
    year = energy_kwh(simulate(house))
    crossed = (year["generation_w"] - year["load_w"]).clip(lower=0).sum()
    share = 1 - crossed / year["generation_w"].sum()
    assert questions.same_hour_share(house) == pytest.approx(share)
    bands = {
        "less than 25 %": (0, 0.25),
        "25 to 50 %": (0.25, 0.5),
        "50 to 75 %": (0.5, 0.75),
        "more than 75 %": (0.75, 1.01),
    }
    low, high = bands[questions.predict_share(house).right]
    assert low <= share < high and set(bands) == set(questions.ASK.entries["share"]["options"])
