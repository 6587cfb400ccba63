"""A house beside its neighbours in one call: how soon, how often wrongly, and in which words."""

import numpy as np
import pandas as pd
import pytest

from solarlib.health import comparison
from solarlib.health.common_days import Systems
from solarlib.health.comparison import compare_with_neighbours
from solarlib.health.shapes import step_level
from solarlib.quantities import InputError, day_words

YEAR, BASE, AFTER, HOUSES = 365, 60, 25, 100
CALM = 4  # a made village without a false alarm: about one in three has one within its 200 charted days
SITE = 0.03 / 1.134  # of one system, so that the ratio to the median of five scatters by 3 %


def village(seed, days=260, count=5, lag_one=0.0, dull=1.5):
    """Return own and neighbours' made daily yields; from `dull` to 6 kWh/kW a day, lasting differences of 5 %."""
    rng = np.random.default_rng(seed)
    noise = rng.standard_normal((days, count + 1))
    for day in range(1, days):
        noise[day] = lag_one * noise[day - 1] + np.sqrt(1 - lag_one**2) * noise[day]
    sun = rng.uniform(np.log(dull), np.log(6.0), (days, 1))
    made = np.exp(sun + 0.05 * rng.standard_normal(count + 1) + SITE * noise)
    table = pd.DataFrame(
        made, pd.date_range("2025-03-01", periods=days), ["own", *(f"n{i}" for i in range(1, count + 1))]
    )
    return table.pop("own"), table


def compare(
    own, neighbours, own_model=None, neighbour_models=None, *, module_count, temp_air=None, snow=None, flat=True
):
    """Compare with the models given, or with models without seasons, or (`flat` is false) with none."""
    if flat and own_model is None and neighbour_models is None:
        own_model, neighbour_models = 0.0 * own.fillna(0.0) + 1.0, 0.0 * neighbours.fillna(0.0) + 1.0
    systems = Systems(own, neighbours, own_model, neighbour_models, temp_air, snow)
    return compare_with_neighbours(systems, module_count)


def with_loss(own, left, first, last=None):
    changed = own.copy()
    changed.iloc[first:last] *= left
    return changed


def all_words(told):
    return " ".join(told.sentences())


def assert_fair_words(told):
    """No verdict; possible reasons wherever the house is told to differ; days add up."""
    text = all_words(told)
    assert not any(word in text.lower() for word in ("fail", "broken", "defect", "fault", "healthy", "nan", "inf "))
    if told.stage in ("look", "act"):
        assert "differs from similar systems; possible reasons are " in text
    else:
        assert "possible reasons" not in text
    assert all(sentence[0].isupper() and sentence.endswith(".") for sentence in told.sentences())
    reasons = told.days["reason"]
    assert f"Of {len(reasons)} days {(reasons == '').sum()} are compared" in text
    assert told.days["ratio_percent"].notna().equals(reasons == "")
    assert (told.days["stage"] == "baseline").sum() >= told.watch.usual.days
    charted = told.days[told.days["stage"] != "baseline"]
    assert charted["level"].to_numpy() == pytest.approx(charted["cusum"].to_numpy() / told.watch.plan.h, nan_ok=True)
    assert (charted["level"][charted["stage"] == "act"] > 1).all()
    assert (charted["level"][charted["stage"] == "look"] > 0).all()  # a message lasts until the sum is 0 again


def test_nothing_wrong_says_what_would_have_been_noticed():
    own, neighbours = village(CALM)
    told = compare(own, neighbours, module_count=16)
    assert told.stage == "usual" and told.begin is told.message is told.step is None and told.evidence == ()
    text = all_words(told)
    half, most = told.watch.days_to_notice(1 / 16)
    assert "Nothing beyond chance was found in 200 compared days" in text
    assert f"6.2 %: after {half:.0f} compared days in half of the cases, after {most:.0f} in nine of ten" in text
    assert_fair_words(told)


def test_half_an_array():
    own, neighbours = village(CALM)
    told = compare(with_loss(own, 0.5, 150), neighbours, module_count=16)
    assert told.stage == "act" and told.step.first_day == own.index[150] and told.message <= own.index[151]
    # The sum may have left 0 by chance on the day before, and one day alone does not carry it over the line.
    assert 0 <= (told.message - told.begin).days <= 2
    assert not [item.reason for item in told.evidence if item.fits and "modules" in item.reason]
    assert told.shifts["this house"] == pytest.approx(np.log(0.5), abs=0.03)
    assert told.shifts.drop("this house").abs().max() < 0.03
    assert "no neighbour moved beyond chance" in all_words(
        told
    ) and "possible reasons are not among those looked for here." in all_words(told)
    assert_fair_words(told)


def test_a_change_is_looked_for_beside_sixty_days_and_from_a_week_before(monkeypatch):
    seen = []

    def watched_step(*asked):
        seen.append(asked)
        return step_level(*asked)

    monkeypatch.setattr(comparison, "step_level", watched_step)
    own, neighbours = village(CALM)
    told = compare(with_loss(own, 0.5, 150), neighbours, module_count=16)
    ((around, least_days, within),) = seen
    assert (around.index < told.begin).sum() == 60 and around.index[-1] == told.low_until and least_days == 5
    assert within == (around.index[53], told.message)
    assert told.recent.first_day == own.index[-14]


@pytest.mark.slow
def test_the_size_of_the_change_holds_the_truth_about_as_often_as_it_says():
    """Two errors would be 0.95 if the first day were known beforehand. Twenty-five days of loss each."""
    inside, fitting = [], []
    for seed in range(60):
        own, neighbours = village(1000 + seed, 160)
        one = compare(with_loss(own, 15 / 16, 135), neighbours, module_count=16)
        if one.stage in ("look", "act") and one.step.first_day >= own.index[132]:
            inside.append(abs(one.step.change - np.log(15 / 16)) <= 2 * one.step.error)
            fitting.append(any(item.fits and item.reason.startswith("1 of 16") for item in one.evidence))
    assert len(inside) > 0.75 * 60 and np.mean(inside) >= 0.85 and np.mean(fitting) >= 0.85


def test_a_house_that_makes_nothing_needs_no_size():
    own, neighbours = village(CALM)
    told = compare(with_loss(own, 0.0, 150), neighbours, module_count=16)
    assert told.stage == "act" and "the whole system without power for days" in all_words(told)
    assert f"the second {day_words(own.index[151])}" in all_words(told)
    assert_fair_words(told)
    short = compare(with_loss(own, 0.0, 30, 32), neighbours, module_count=16)  # within the baseline
    assert short.stage == "usual" and "the house made nothing" in all_words(short)


@pytest.mark.slow
def test_a_sick_neighbour_is_named_and_does_not_alarm_the_own_chart():
    """Ten villages. The median of the others falls a little, so the own ratio rises: no calm chart may alarm."""
    calm = 0
    for seed in range(1, 11):
        own, neighbours = village(seed)
        before = compare(own, neighbours, module_count=16)
        neighbours.loc[neighbours.index[150] :, "n3"] *= 0.75
        told = compare(own, neighbours, module_count=16)
        rise = np.log(told.days["ratio_percent"] / before.days["ratio_percent"]).iloc[150:]
        assert (rise >= -1e-12).all() and rise.mean() < 0.02  # 25 % over five would be 5.8 %
        if before.message is None:
            calm += 1
            assert told.message is None and "n3 by −2" in all_words(told)
            assert told.shifts.drop("n3").abs().max() < 0.05 and told.shifts["n3"] == pytest.approx(
                np.log(0.75), abs=0.05
            )
        assert_fair_words(told)
    assert calm >= 5


def test_days_too_wide_for_a_chart_are_told_as_such():
    own, neighbours = village(CALM)
    wide = np.exp(0.5 * np.random.default_rng(1).standard_normal(len(own)))
    told = compare(own * wide, neighbours, module_count=60)
    assert told.stage == "cannot tell" and told.message is told.step is None and told.days["level"].isna().all()
    assert "too late to be of use" in all_words(told) and "possible reasons" not in all_words(told)
    assert_fair_words(told)


@pytest.mark.parametrize("stronger", [0.12, -0.12])
def test_without_models_of_the_roofs_a_healthy_roof_of_another_season_brings_no_message(stronger):
    own, neighbours = village(CALM)
    turned = own * (1 + stronger * np.sin(2 * np.pi * np.arange(len(own)) / 365))
    told = compare(turned, neighbours, module_count=16, flat=False)
    assert set(told.days["stage"]) == {"baseline", "cannot tell"} and told.message is None
    assert "not every roof is known" in all_words(told) and not told.evidence
    assert_fair_words(told)
    dead = compare(with_loss(own, 0.0, 150), neighbours, module_count=16, flat=False)
    assert "the house made nothing" in all_words(dead)


def test_a_set_that_changed_is_told():
    own, neighbours = village(3)
    neighbours.loc[neighbours.index[150] :, ["n1", "n2", "n3"]] *= 1.25
    told = compare(own, neighbours, module_count=16)
    assert told.stage == "act" and "the set has changed" in all_words(told)
    assert "neighbours that changed" in [item.reason for item in told.evidence if item.fits]
    assert_fair_words(told)


def test_what_came_back_is_told_though_the_sum_falls_slowly():
    own, neighbours = village(CALM)
    told = compare(with_loss(own, 0.85, 150, 210), neighbours, module_count=16)
    assert told.stage == "act" and abs((told.low_until - own.index[209]).days) <= 2
    assert told.step.change == pytest.approx(np.log(0.85), abs=3 * told.step.error)
    assert "it falls slowly" in all_words(told) and "which chance explains" in all_words(told)
    assert_fair_words(told)
    brief = compare(with_loss(own, 0.85, 150, 158), neighbours, module_count=16)
    assert brief.stage == "usual" and f"The message of {day_words(brief.message)} has ended" in all_words(brief)
    assert_fair_words(brief)


def test_one_odd_day_brings_no_message_and_one_from_two_days_says_so():
    own, neighbours = village(CALM, days=161)
    assert compare(with_loss(own, 0.5, 160), neighbours, module_count=16).message is None
    told = compare(with_loss(own, 0.5, 159), neighbours, module_count=16)
    assert told.stage == "act" and "rests on 2 compared days only" in all_words(told)
    assert_fair_words(told)


def test_too_few_days_say_how_many_are_needed_and_a_short_record_has_a_shorter_baseline():
    own, neighbours = village(1)
    assert compare(own.iloc[:30], neighbours, module_count=16).watch.usual.days == 20
    assert compare(own.iloc[:21], neighbours, module_count=16).watch.usual.days == 14
    with pytest.raises(InputError, match="found 20 of 20, allowed are 21 or more"):
        compare(own.iloc[:20], neighbours, module_count=16)
    with pytest.raises(InputError, match="found 0 of 260, allowed are 21 or more"):
        compare(own, neighbours, module_count=16, snow=pd.Series(True, own.index))


def test_small_groups_are_refused():
    own, neighbours = village(1)
    with pytest.raises(InputError, match="found 4 systems, allowed are 5 or more"):
        compare(own, neighbours.iloc[:, :4], module_count=16)
    constant = neighbours.copy()
    constant["n2"] = 4.0
    with pytest.raises(InputError, match="found 4 systems with readings that differ"):
        compare(own, constant, module_count=16)
    with pytest.raises(InputError, match="found 0 systems"):
        compare(own, 0 * neighbours + 4.0, module_count=16)
    late = neighbours.copy()
    late.iloc[:100, 0] = np.nan
    late["n6"] = neighbours["n1"]
    with pytest.raises(InputError, match="usable days|half of the baseline"):
        compare(own, late.drop(columns="n6").iloc[:110], module_count=16)
    told = compare(own, late, module_count=16)
    assert "readings on less than half of the baseline days: n1." in all_words(told) and "n1" not in told.shifts


def test_every_day_given_is_used_or_set_aside_with_a_reason():
    own, neighbours = village(2, dull=0.6)
    own.iloc[70] = np.nan
    neighbours.iloc[90] = np.nan
    neighbours.iloc[100:110, 2] = np.nan
    warm = pd.Series(10.0, own.index)
    warm.iloc[120] = -5.0
    neighbours.iloc[120] = [5.0, 5.0, 5.0, 5.0, 1.0]
    snow = pd.Series(False, own.index)
    snow.iloc[130] = True
    told = compare(own.iloc[:250], neighbours.iloc[:240], module_count=16, temp_air=warm, snow=snow)
    reasons = told.days["reason"]
    assert reasons.iloc[[70, 90, 120, 130]].tolist() == [
        "no reading",
        "no reading of the neighbours",
        "snow possible",
        "snow noted",
    ]
    assert set(reasons.iloc[100:110]) <= {
        "fewer than 5 neighbours",
        "too little sun",
    } and "fewer than 5 neighbours" in set(reasons)
    assert set(reasons.iloc[240:]) == {"no reading of the neighbours"} and len(reasons) == 250
    first = next(sentence for sentence in told.sentences() if sentence.startswith("Of "))
    numbers = [int(part.split()[0]) for part in first.split(": ")[1].split(", ")]
    assert sum(numbers) == (reasons != "").sum() and f"{sum(numbers)} are set aside" in first
    assert_fair_words(told)
    longer = compare(own.iloc[10:], neighbours, module_count=16)
    assert "10 days of the neighbours lie outside the own record." in longer.notes


def test_a_gap_of_a_neighbour_does_not_move_the_ratio():
    """Lasting differences of 20 %: without each neighbour's own level the median would jump by several percent."""
    own, neighbours = village(5, count=6)
    neighbours *= np.array([0.8, 0.85, 0.9, 1.1, 1.2, 1.3])
    whole = compare(own, neighbours, module_count=16)
    neighbours.iloc[150:, 0] = np.nan
    gap = compare(own, neighbours, module_count=16)
    moved = (gap.days["ratio_percent"] - whole.days["ratio_percent"]).iloc[150:]
    assert abs(moved.mean()) < 0.5 and gap.stage == whole.stage
    plain = [
        table.median(axis=1).iloc[150:].mean() for table in (neighbours.drop(columns="n1"), neighbours.fillna(0.0))
    ]
    assert plain[0] / plain[1] > 1.05


def test_models_take_the_season_out_and_their_units_do_not_matter():
    own, neighbours = village(6)
    season = pd.Series(1 + 0.25 * np.sin(2 * np.pi * np.arange(len(own)) / 300), own.index)
    turned = own * season
    flat = 0 * neighbours + 7000.0 * np.arange(1, 6)
    plain, told = (
        compare(turned, neighbours, module_count=16),
        compare(turned, neighbours, season * 0.01, flat, module_count=16),
    )
    assert plain.message is not None and "act" not in set(plain.days["stage"])
    assert "a season or a slow change that no model takes out" in [item.reason for item in plain.evidence if item.fits]
    assert told.message is None
    assert told.days["ratio_percent"].to_numpy() == pytest.approx(
        compare(own, neighbours, module_count=16).days["ratio_percent"].to_numpy()
    )
    with pytest.raises(InputError, match="one side only"):
        compare(own, neighbours, season, module_count=16, flat=False)
    with pytest.raises(InputError, match="other systems"):
        compare(own, neighbours, season, flat.drop(columns="n2"), module_count=16)


def test_dates_that_cannot_match_are_refused():
    own, neighbours = village(1)
    aware = own.tz_localize("America/New_York")
    with pytest.raises(InputError, match="^neighbours: found dates of another kind or time zone"):
        compare(aware, neighbours, module_count=16)
    same = compare(aware, neighbours.tz_localize("America/New_York"), module_count=16)
    assert same.days["level"].to_numpy() == pytest.approx(
        compare(own, neighbours, module_count=16).days["level"].to_numpy(), nan_ok=True
    )
    with pytest.raises(InputError, match="^neighbours: found no day of the own record"):
        compare(own, neighbours.shift(1000, freq="D"), module_count=16)
    with pytest.raises(InputError, match="^own yields: .*each once"):
        compare(pd.concat([own, own]), neighbours, module_count=16)
    with pytest.raises(InputError, match="negative or an infinite"):
        compare(-own, neighbours, module_count=16)
    with pytest.raises(InputError, match="same name twice"):
        compare(own, pd.concat([neighbours, neighbours], axis=1), module_count=16)
    with pytest.raises(InputError, match="found none on most of the baseline days"):
        compare(0 * own, neighbours, module_count=16)
    shuffled = compare(own.sample(frac=1, random_state=1), neighbours.sample(frac=1, random_state=2), module_count=16)
    assert shuffled.days.equals(compare(own, neighbours, module_count=16).days)


@pytest.mark.parametrize("modules, watched_loss", [(1, 1 / 4), (3, 1 / 4), (16, 1 / 16), (60, 1 / 30)])
def test_the_loss_watched_for_stays_within_sense(modules, watched_loss):
    told = compare(*village(1), module_count=modules)
    assert told.watch.loss == pytest.approx(watched_loss)
    assert f"lasting loss of {100 * watched_loss:.1f} %" in all_words(told)
