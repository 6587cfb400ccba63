"""Lesson 11: its pictures show what the domain modules compute, its checks judge, its sentences are true."""

import re
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy.stats import norm

from solarlib.health import chart as control_chart, neighbours, shapes
from solarlib.health.ageing import change_a_year
from solarlib.house.file import read_house
from solarlib.lessons.system_health import pictures as sh, questions as ask
from solarlib.lessons.tools.check import NOT_ANSWERED

NAMES = ("two-storey", "bungalow", "cabin", "southern")
WORDS = ("Ada", "n1", "n2", "n3", "n4", "n5", "n6", "n7")


@pytest.fixture(scope="module", params=NAMES)
def house(request):
    return read_house(request.param)


def numbers(caption):
    """Return the numbers of a caption, in order."""
    return [float(word) for word in re.findall(r"(?<![\w.])[+-]?\d+(?:\.\d+)?", caption)]


@pytest.mark.parametrize("roofs", sh.ROOFS)
def test_neighbours_are_five_and_every_year_is_whole(house, roofs):
    own, others, own_model, models = sh.daily_yields(house, roofs)
    assert others.shape == models.shape == (365, 5) and len(own) == len(own_model) == 365
    assert not any(table.isna().any(axis=None) for table in (others, models, own.to_frame(), own_model.to_frame()))
    assert 1.0 < own.mean() < 7.0
    assert neighbours.group_median(others).notna().all()


def test_measure_picture_shows_the_days_and_the_move_of_their_middle(house):
    picture = sh.measure_picture(house)
    ax = picture.figure.axes[0]
    share = 1 - 1 / house.system.module_count
    for measure in sh.COMPARED:
        well, ill = (sh.compared(house, measure, dead, "like mine") for dead in (0, 1))
        caption = picture.update(measure, 1, "like mine")
        assert np.array_equal(ax.lines[0].get_ydata(), ill.to_numpy(), equal_nan=True)
        after = ill.index.month >= sh.FIRST_MONTH
        np.testing.assert_allclose((ill / well)[after].dropna(), share)
        np.testing.assert_allclose((ill / well)[~after].dropna(), 1.0)
        late = ill[after].iloc[: sh.COMPARED_DAYS].median()
        assert f"moves by {sh._signed(late - 100)} %" in caption and f"{sh._signed(-100 * (1 - share))} %" in caption


def test_only_the_corrected_ratio_moves_by_the_dead_module_and_little_else(house):
    """What the lesson says: with the roofs alike, the corrected ratio stays within 1.5 % of what was put in."""
    for dead in (0, 1):
        values = sh.compared(house, "ratio, roofs corrected", dead, "like mine")
        late = values[values.index.month >= sh.FIRST_MONTH].iloc[: sh.COMPARED_DAYS].median()
        assert late - 100 == pytest.approx(-100 * dead / house.system.module_count, abs=1.5)
    spread = {}
    for measure in ("kWh per kW", "ratio, roofs corrected"):
        values = sh.compared(house, measure, 0, "like mine")
        spread[measure] = values[values.index.month < sh.FIRST_MONTH].std()
    assert spread["ratio, roofs corrected"] < 0.4 * spread["kWh per kW"]


def test_chart_picture_counts_messages_of_the_domain_chart(house):
    picture = sh.chart_picture(house)
    watch = control_chart.watch_for(sh.quiet_days(5), 1 / house.system.module_count, 365)
    plan = watch.plan
    for dead, luck in ((0, 3), (1, 4), (3, 5)):
        caption = picture.update(dead, 5, 365, luck)
        days = sh.chart_days(house, dead, 5, luck)
        usual = control_chart.baseline(days.iloc[:60])
        level = control_chart.cusum(
            control_chart.standardised(days.iloc[60:], usual, plan.limit).to_numpy(), plan.k, plan.h
        )
        shown = picture.figure.axes[1].lines[3].get_ydata()
        np.testing.assert_allclose(shown, np.minimum(level / plan.h, 1.97))
        late = np.flatnonzero(level[60:] > plan.h)
        if dead:
            assert f"brings a message after {late[0] + 1} day" in caption
            _, most = watch.days_to_notice(dead / house.system.module_count)
            assert f"A loss of {100 * dead / house.system.module_count:.1f} %" in caption
            assert f"nine in ten have one after {most:.0f} days" in caption
        else:
            assert f"nothing changes, and the next 60 days bring {sh._false(len(late))}" in caption
        early = (level[:60] > plan.h).sum()
        assert f"Before the change the chart sends {sh._false(early)}." in caption


@pytest.mark.parametrize("count", [1, 2, 3])
def test_an_array_of_few_modules_is_told_in_words(count):
    """A balcony's array: three dead modules are all there is, or more."""
    whole = read_house("two-storey")
    plane = replace(whole.system.planes[0], module_count=count)
    house = replace(whole, system=replace(whole.system, planes=(plane,)))
    measure, days, shape = sh.measure_picture(house), sh.chart_picture(house), sh.shape_picture(house)
    told = [measure.update(what, dead, "mixed") for what in sh.COMPARED for dead in (0, 3)]
    told += [days.update(dead, 3, 1000, 1) for dead in (0, 1, 2, 3)] + [shape.update("D", "summer")]
    assert not any(re.search(r"\b(nan|inf)\b", text) for text in told)
    assert "A loss of 100.0 %" in told[11] and "between 0.50 and 0.50" in told[12] or count == 3
    assert sh.lost(house, 3) == 1.0 and sh.lost(house, 0) == 0.0


def test_a_year_without_a_sunny_day_is_told_in_words(monkeypatch):
    house = read_house("two-storey")
    monkeypatch.setattr(sh, "compared", lambda *settings: sh.daily_yields(house)[0] * np.nan)
    assert "no day has enough sun to be compared" in sh.measure_picture(house).update(sh.COMPARED[0], 1, "like mine")


def test_a_small_loss_may_bring_no_message():
    house = read_house("two-storey")
    told = [sh.chart_picture(house).update(1, 8, 1000, luck) for luck in range(1, 21)]
    assert all("no message in 60 days" in text or "a message after" in text for text in told)


@pytest.mark.parametrize("season", ["summer", "spring"])
def test_each_case_carries_the_evidence_of_its_cause(house, season):
    found = {}
    for case in sh.CASES:
        own, expected = sh.case_day(house, case, season)
        tests = {
            "limit": shapes.flat_top,
            "dropouts": shapes.midday_dropouts,
            "shade": shapes.shade_block,
            "dead modules": shapes.same_all_day,
        }
        found[case] = [word for word, test in tests.items() if test(own, expected).fits]
        assert ask.CAUSES[case] in found[case], (case, found)
    assert found["D"] == ["dead modules"] and found["A"] != found["B"] != found["C"]
    assert shapes.hour_shift(*sh.case_day(house, "example", season)).fits


def test_shape_picture_shows_the_case(house):
    picture = sh.shape_picture(house)
    for case in sh.CASES:
        caption = picture.update(case, "summer")
        own, expected = sh.case_day(house, case)
        ax, side = picture.figure.axes
        np.testing.assert_allclose(ax.lines[0].get_ydata(), own / 1000)
        ratio = shapes.hourly_ratio(own, expected)
        np.testing.assert_allclose(side.lines[-1].get_ydata(), ratio)
        assert f"between {ratio.min():.2f} and {ratio.max():.2f}" in caption
        assert ratio.max() < side.get_ylim()[1] and max(own.max(), expected.max()) / 1000 < ax.get_ylim()[1]
        assert not any(word in caption for word in ask.CAUSES.values())  # the caption does not tell the answer


def test_ageing_table_tells_the_intervals_of_the_domain():
    table = sh.ageing_table(-0.005, 0.02)
    assert list(table.index) == [f"{years} years" for years in range(4, 11)] and table.shape[1] == sh.LUCKS
    for years, luck in ((4, 1), (10, 5)):
        found = change_a_year(sh.made_record(years, -0.005, 0.02, luck))
        ends = [float(word.replace("−", "-")) for word in table.loc[f"{years} years", f"luck {luck}"].split(" to ")]
        assert ends == pytest.approx([100 * found.low, 100 * found.high], abs=0.051)


def test_records_of_two_years_tell_nothing():
    assert change_a_year(sh.made_record(2)).low is None
    assert isinstance(sh.made_record(3), pd.Series)


@pytest.mark.parametrize("word", WORDS)
def test_individual_checks_know_right_and_named_wrong(word):
    assert ask.check_per_kw(100 * (20 / 4) / (30 / 7.5), 20, 4, 30, 7.5).right is True
    assert "With how many kW" in ask.check_per_kw(100 * 20 / 30, 20, 4, 30, 7.5).message
    z = ask.three_days(word)
    first = max(0, 0 - z[0] - 1)
    second = max(0, first - z[1] - 1)
    assert ask.check_losses(max(0, second - z[2] - 1), z).right is True
    assert first == 0 and second > 0
    wrong = ask.check_losses(-sum(z) - 3, z)
    assert wrong.right is False and "below 0" in wrong.message
    assert ask.check_washing(2 * 500 * 0.03 * 0.20, 500, 3, 20).right is True
    assert "kWh" in ask.check_washing(30.0, 500, 3, 20).message


def test_four_shapes_are_judged_together_and_no_answer_is_an_error():
    assert str(ask.check_shapes(*[None] * 4)) == str(ask.check_shapes(..., None, " ", None)) == NOT_ANSWERED
    assert ask.check_shapes("limit", "dropouts", " Shade ", "dead  modules").right == 4
    mixed = ask.check_shapes("dropouts", "limit", "shade", "dead modules")
    assert mixed.right == 2 and "dropouts go to zero" in mixed.rows["A"].message and mixed.rows["A"].right is False
    assert "Choose one of these words" in ask.check_shapes("cloud", None, None, None).rows["A"].message
    assert ask.check_shapes("limit", None, None, None).rows["B"].right is None


def test_patience():
    assert ask.ASK.choose("patience", "years differ").right is True
    assert ask.ASK.choose("patience", "days differ").right is False
    assert ask.ASK.choose("patience", None).right is None


@pytest.mark.parametrize("name", ["compare", "days", "shape", "ageing"])
def test_predictions_reply_to_each_option(name):
    question = ask.ASK.predict(name)
    assert len(question.options) >= 3 and len(set(question.options.values())) == len(question.options)
    assert question.right in question.options


def test_a_day_two_scatters_low_comes_once_in_six_weeks():
    """Said in the reply to the second prediction: a loss of 6 % at a scatter of 3 %."""
    assert 1 / norm.sf(2.0) / 7 == pytest.approx(6, abs=0.5)
