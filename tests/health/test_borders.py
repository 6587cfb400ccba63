"""Each border that decides what is told: a case on either side of it, with the numbers written out."""

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from solarlib.health import chart, common_days, comparison, neighbours, shapes, words
from solarlib.health.chart import Baseline, Design
from solarlib.quantities import InputError

DAYS = pd.date_range("2026-03-01", periods=120, freq="D")
PLAIN = Baseline(0.0, 0.01, 60)


def charted(*z, usual=PLAIN):
    """Return the chart of days that lie so many scatters from the usual."""
    return chart.chart(pd.Series(np.array(z) * usual.scatter, DAYS[: len(z)]), usual, Design(0.0, 4.0))


def test_watch_begins_above_half_of_the_line_and_look_above_it():
    assert charted(-1.99)["stage"].tolist() == ["usual"] and charted(-2.01)["stage"].tolist() == ["watch"]
    assert charted(-2.0, -1.99)["stage"].tolist() == ["usual", "watch"]
    assert charted(-2.0, -2.01)["stage"].tolist() == ["usual", "look"]


@pytest.mark.parametrize("loss, stage", [(0.19, "look"), (0.21, "act")])
def test_a_large_loss_is_one_above_a_fifth(loss, stage):
    told = charted(*[np.log1p(-loss) / 0.1] * 4, usual=Baseline(0.0, 0.1, 60))
    assert told["stage"].iloc[-1] == stage and told["loss"].iloc[-1] == pytest.approx(loss)


def test_fourteen_days_above_the_line_persist():
    stages = charted(*[-4.0] * 16)["stage"].tolist()
    assert stages == ["watch", *["look"] * 13, "act", "act"]


def test_a_day_counts_as_at_most_four_scatters_or_what_carries_to_the_line():
    far = pd.Series([-9.0, -3.9, 0.0, 9.0]) * PLAIN.scatter
    assert chart.standardised(far, PLAIN).tolist() == pytest.approx([-4.0, -3.9, 0.0, 4.0])
    assert Design(1.0, 5.0).limit == 4.0 and Design(1.0, 2.0).limit == pytest.approx(3.0, abs=1e-8)
    assert Design(1.0, 2.0).limit < 3.0


def test_the_scatter_is_that_of_normal_days():
    """Nine of ten days at -1, 0 and 1: the median absolute deviation is 1; days that may scatter twice count half."""
    usual = chart.baseline(np.tile([-1.0, 0.0, 1.0], 10))
    assert usual == Baseline(0.0, 1.4826, 30)
    assert chart.baseline(np.tile([-1.0, 0.0, 1.0], 10), wider=2.0).scatter == 1.4826 / 2


def made_watch(usual=PLAIN, widening=1.0, half=4.0, most=9.0):
    """Return a watch whose measured numbers are given."""
    made = SimpleNamespace(usual=usual, plan=Design(1.0, 3.0), loss=1 / 16, widening=widening)
    made.scatter, made.days_to_notice = usual.scatter * widening, lambda loss: (half, most)
    made.is_slow, made.false_message_days, made.false_message_range = False, 500.0, (100.0, 900.0)
    made.houses = SimpleNamespace(z=np.zeros((1, 600)))
    return made


def test_a_wait_of_sixty_days_is_the_longest():
    for shift, slow in ((60, False), (61, True)):
        z = np.full((90, 10), 1.0)
        z[shift - 2 :] = -4.0  # one day alone does not carry over the line
        watch = chart.Watch(PLAIN, Design(1.0, 2.5), 0.0, chart.Drawn(z, np.zeros(10), np.ones(10)), 500.0, (1.0, 2.0))
        assert watch.is_slow is slow and watch.days_to_notice(0.0) == (shift, shift)


@pytest.mark.parametrize("middle, reason", [(0.99, "too little sun"), (1.01, "")])
def test_a_good_day_has_an_hour_of_full_sun(middle, reason):
    table = pd.DataFrame(middle, DAYS[:1], list("abcde"))
    assert neighbours.usable_days(pd.Series(1.0, DAYS[:1]), table).tolist() == [reason]


@pytest.mark.parametrize(
    "low, warm, reason", [(1.9, -0.1, "snow possible"), (2.1, -0.1, ""), (1.9, 0.1, ""), (1.9, np.nan, "")]
)
def test_snow_is_possible_where_it_freezes_and_one_roof_makes_less_than_half_of_the_best(low, warm, reason):
    table = pd.DataFrame([[4.0, 4.0, 3.0, 3.0, low]], DAYS[:1])
    got = neighbours.usable_days(pd.Series(4.0, DAYS[:1]), table, pd.Series(warm, DAYS[:1]))
    assert got.tolist() == [reason]


def test_a_dead_day_counts_as_a_twentieth():
    table = pd.DataFrame(4.0, DAYS[:3], list("abcde"))
    got = neighbours.log_ratio_to_median(pd.Series([0.0, 0.1, 0.3], DAYS[:3]), table)
    assert got.tolist() == pytest.approx(np.log([0.05, 0.05, 0.075]))


@pytest.mark.parametrize("days, baseline", [(120, 60), (90, 60), (60, 40), (30, 20)])
def test_the_baseline_is_sixty_days_or_two_thirds(days, baseline):
    assert len(common_days._baseline_days(pd.Series("", DAYS[:days]))) == baseline


def test_the_least_shift_is_half_of_the_loss_watched_for_or_what_chance_makes():
    table, around = pd.DataFrame(0.0, DAYS, list("abcdef")), pd.Series(0.0, DAYS[:80])
    calm = made_watch(Baseline(0.0, 1e-6, 60))
    assert comparison._least_shift(calm, around, DAYS[60], table) == 1 / 32
    loud = made_watch(Baseline(0.0, 0.1, 60), widening=1.5)
    rank = 0.1 * 1.2533 / 5
    chance = 3.0 * 1.2533 * 0.15 * np.sqrt(1 / 60 + 1 / 20)
    assert comparison._least_shift(loud, around, DAYS[60], table) == pytest.approx(chance + rank, rel=1e-3)


def test_reasons_beside_the_house_have_their_borders():
    step, shifts = shapes.Step(DAYS[60], -0.10, 0.01), pd.Series({"this house": -0.10, "a": 0.0, "b": 0.0, "c": 0.0})

    def fits(slow=False, **moved):
        told = comparison._not_this_house(step, pd.concat([shifts.drop(list(moved)), pd.Series(moved)]), 0.05, slow)
        assert told[1].fits is slow
        return told[0].fits

    assert not fits() and not fits(a=0.06) and fits(a=0.06, b=0.06)
    assert not fits(a=-0.09) and fits(a=-0.11) and not fits(slow=True)


@pytest.mark.parametrize("over, slow", [(1, False), (8, False), (25, True), (60, True)])
def test_a_fall_over_weeks_is_no_step(over, slow):
    fall = ((np.arange(120) - 60) / over).clip(0, 1)
    days = pd.Series(0.03 * np.random.default_rng(over).standard_normal(120) - 0.10 * fall, DAYS)
    days.iloc[[5, 90]] = np.nan, 1.0
    assert shapes.is_gradual(days) is slow


def test_messages_that_ended_are_earlier_ones():
    sums = pd.DataFrame({"cusum": [0.0, 3.0, 5.0, 1.0, 0.0, 2.0, 4.5, 6.0, 5.0]}, DAYS[:9])
    assert comparison._last_message(sums, 4.0) == (DAYS[5], DAYS[6], DAYS[7], [DAYS[2]])
    assert comparison._last_message(sums, 7.0) == (None, None, None, [])


def test_a_size_fits_within_two_errors_and_beyond_two_from_nothing():
    def fitting(change, error, modules=16):
        return [item.reason for item in shapes.parts_lost(shapes.Step(DAYS[0], change, error), modules) if item.fits]

    one = np.log(15 / 16)
    assert fitting(one - 0.0199, 0.01) == ["1 of 16 modules without power"] and fitting(one - 0.0201, 0.01) == []
    assert fitting(np.log(1 - 1 / 48), 0.005) == ["one section of one of 16 modules"]
    assert fitting(-0.0199, 0.01) == [] and fitting(-0.0201, 0.01) == ["one section of one of 16 modules"]
    assert len(shapes.parts_lost(shapes.Step(DAYS[0], -0.1, 0.01), 3)) == 3


def test_two_zero_days_need_sun_and_next_to_nothing():
    best = pd.Series([10.0, 3.1, 2.9, 10.0], DAYS[:4])
    assert shapes.zero_days(0.019 * best, best) == DAYS[1]
    assert shapes.zero_days(0.021 * best, best) is None
    assert shapes.zero_days(best * [1, 1, 0, 0], best) is None  # the third day is too dark to count
    assert shapes.zero_days(best * [1, 0, 1, 0], best) == DAYS[3]
    at_the_border = pd.Series([10.0, 3.0, 10.0, 10.0], DAYS[:4])
    assert shapes.zero_days(at_the_border * [1, 0, 0, 1], at_the_border) is None


HOURS = pd.date_range("2026-06-21", periods=24, freq="1h", tz="UTC")
SUN = pd.Series(np.clip(np.sin((np.arange(24) - 5.5) / 13 * np.pi), 0.0, None) * 1000.0, HOURS)


def test_an_hour_counts_with_a_seventh_of_the_best_light():
    ratio = shapes.hourly_ratio(SUN, SUN)
    assert ratio.index.tolist() == [hour for hour in range(24) if SUN.iloc[hour] > 150.0]
    assert shapes.hourly_ratio(SUN.where(SUN > 600.0, 160.0), SUN.where(SUN > 600.0, 160.0)).size == 24
    assert shapes.hourly_ratio(SUN.where(SUN > 600.0, 140.0), SUN.where(SUN > 600.0, 140.0)).size < 12


@pytest.mark.parametrize("low, same, shaded", [(0.965, True, False), (0.955, False, False), (0.935, False, True)])
def test_how_much_an_hour_must_lack(low, same, shaded):
    own = SUN.where(SUN.index.hour != 10, low * SUN)
    assert (shapes.same_all_day(own, SUN).fits, shapes.shade_block(own, SUN).fits) == (same, shaded)


@pytest.mark.parametrize("hours, fits", [(range(7, 13), True), (range(7, 14), False), ((8, 10), False)])
def test_shade_is_one_block_of_at_most_six_tenths_of_the_hours(hours, fits):
    """Of eleven bright hours six are 0.55, seven 0.64; the upper quarter stays free."""
    own = SUN.where(~SUN.index.hour.isin(hours), 0.8 * SUN)
    assert len(shapes.hourly_ratio(SUN, SUN)) == 11 and shapes.shade_block(own, SUN).fits is fits


@pytest.mark.parametrize("count, spread, fits", [(5, 1.2, False), (6, 1.2, True), (6, 1.03, False), (6, 1.06, True)])
def test_a_limit_is_reached_six_times_while_more_is_expected(count, spread, fits):
    expected = pd.Series(np.r_[np.linspace(1000.0, 1000.0 * spread, count), [500.0] * 3], HOURS[: count + 3])
    own = pd.Series(np.r_[[900.0, *[892.0] * (count - 1)], [480.0] * 3], expected.index)
    assert shapes.flat_top(own, expected).fits is fits and f"power: {count};" in shapes.flat_top(own, expected).text
    assert not shapes.flat_top(own.replace(892.0, 890.0), expected).fits  # more than 1 % below the top


@pytest.mark.parametrize("out, otherwise, fits", [(4, 0.71, True), (4, 0.69, False), (6, 1.0, False), (0, 1.0, False)])
def test_dropouts_are_less_than_half_of_the_bright_intervals_of_a_sound_system(out, otherwise, fits):
    expected = pd.Series([1000.0] * 10 + [590.0] * 4, HOURS[:14])
    own = pd.Series([49.0] * out + [1000.0 * otherwise] * (10 - out) + [0.0] * 4, expected.index)
    told = shapes.midday_dropouts(own, expected)
    assert told.fits is fits and f"{out} of 10 bright" in told.text
    assert not shapes.midday_dropouts(own.replace(49.0, 51.0), expected).fits


@pytest.mark.parametrize("minutes, fits", [(20, False), (30, True)])
def test_a_clock_is_off_from_four_tenths_of_an_hour_on(minutes, fits):
    fine = SUN.resample("5min").interpolate()
    own = pd.Series(np.roll(fine, minutes // 5), fine.index)
    told = shapes.hour_shift(own, fine)
    assert told.fits == fits and told.value == pytest.approx(minutes / 60, abs=0.01)


def test_a_step_has_the_error_of_two_medians():
    """Days at -1, 0 and 1 around their levels: the median absolute deviation is 1."""
    days = pd.Series(np.tile([-1.0, 0.0, 1.0], 20) - 50.0 * (np.arange(60) >= 30), DAYS[:60])
    step = shapes.step_level(days, 5, (DAYS[0], DAYS[59]))
    assert (step.first_day, step.change) == (DAYS[30], -50.0)
    assert step.error == pytest.approx(1.2533 * 1.4826 * np.sqrt(2 / 30))
    assert shapes.step_level(days, 5, (DAYS[31], DAYS[40])).first_day == DAYS[31]


def test_an_impossible_module_count_is_refused():
    for count in (0, 10001, np.nan):
        with pytest.raises(InputError, match="module count"):
            comparison.compare_with_neighbours(None, count)


def test_words_have_their_borders():
    assert words._size(shapes.Step(DAYS[0], np.log(0.099), 0.1)) == "the whole yield, or nearly"
    size = "-89.9 % (between -91.7 % and -87.7 %, two standard errors)"
    assert words._size(shapes.Step(DAYS[0], np.log(0.101), 0.1)) == size
    assert words._wait(365) == "365" and words._wait(366) == "more than 365"
    assert words._compared("1") == "1 compared day" and words._compared("2") == "2 compared days"


def test_most_neighbours_are_more_than_half_of_them():
    step = shapes.Step(DAYS[60], -0.10, 0.01)
    for moved, most in ((2, False), (3, True)):
        shifts = pd.Series({"this house": -0.1, **{f"n{i}": 0.06 * (i < moved) for i in range(4)}})
        assert comparison._not_this_house(step, shifts, 0.05, True)[0].fits is most
        assert ("the set has changed" in " ".join(words.shifts_told(shifts, 0.05, True))) is most


@pytest.mark.parametrize(
    "compared, few, odd", [(2, True, True), (3, True, False), (29, True, False), (30, False, False)]
)
def test_a_change_on_few_days_says_so(compared, few, odd):
    ratio = pd.DataFrame({"ratio_percent": 90.0}, DAYS)
    told = SimpleNamespace(days=ratio, stage="act", begin=DAYS[60], low_until=DAYS[59 + compared])
    told.step = told.recent = shapes.Step(DAYS[100], -0.1, 0.01)
    text = " ".join(words._change_told(told))
    assert ("too large" in text, "one odd reading" in text) == (few, odd)


@pytest.mark.parametrize("error, back", [(0.0101, True), (0.0099, False)])
def test_a_level_is_back_within_two_errors(error, back):
    told = SimpleNamespace(days=pd.DataFrame({"ratio_percent": 90.0}, DAYS), stage="act", begin=DAYS[60])
    told.low_until, told.step = DAYS[95], shapes.Step(DAYS[60], -0.1, 0.01)
    told.recent = shapes.Step(DAYS[106], -0.02, error)
    assert ("which chance explains" in " ".join(words._change_told(told))) is back


@pytest.mark.parametrize("missing, left_out", [(30, False), (31, True)])
def test_a_neighbour_needs_readings_on_half_of_the_baseline(missing, left_out):
    made = 4.0 * np.exp(0.03 * np.random.default_rng(3).standard_normal((120, 7)))
    table = pd.DataFrame(made, DAYS, ["own", *"abcdef"])
    own = table.pop("own")
    table.iloc[:missing, 0] = np.nan
    assert ("a" not in common_days.common_days(common_days.Systems(own, table)).others) is left_out
