"""Modules on a plan: counts by hand, counts by trying every centimetre, and what must hold for any roof."""

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings, strategies as st

from profiles import examples
from solarlib.quantities import InputError
from solarlib.roof.layout import RoofPlane, fit_modules, up_slope_m

QUICK = settings(deadline=None, max_examples=examples(80))
STRIPS = ("clear_ridge_m", "clear_eave_m", "clear_left_m", "clear_right_m")


def cm(low, high):
    return st.integers(low, high).map(lambda value: value / 100)


@st.composite
def roofs(draw, most_taken=2):
    along, up = draw(cm(200, 1500)), draw(cm(200, 900))
    strips = [draw(cm(0, 120)) for _ in STRIPS]
    taken = []
    for _ in range(draw(st.integers(0, most_taken))):
        left, low = draw(cm(0, int(along * 100) - 20)), draw(cm(0, int(up * 100) - 20))
        taken.append((left, low, min(left + draw(cm(10, 200)), along), min(low + draw(cm(10, 200)), up)))
    return RoofPlane(along, up, *strips, taken=tuple(taken))


@st.composite
def modules(draw):
    length = draw(cm(100, 240))
    return length, draw(cm(60, int(length * 100)))


def overlap(a, b):
    """Return the area that two rectangles share. [m2]"""
    return max(min(a[2], b[2]) - max(a[0], b[0]), 0.0) * max(min(a[3], b[3]) - max(a[1], b[1]), 0.0)


# ---------------------------------------------------------------- by hand (`built here`)


@pytest.mark.parametrize(
    "roof, upright, sideways",
    [
        (
            RoofPlane(10, 6, 0.5, 0.5, 0.5, 0.5),
            16,
            20,
        ),  # 9.02 / 1.10 = 8.2, 5.02 / 1.75 = 2.9; 9.02 / 1.75 = 5.2, 5.02 / 1.10 = 4.6
        (RoofPlane(10, 6), 27, 25),  # 10.02 / 1.10 = 9.1, 6.02 / 1.75 = 3.4; 10.02 / 1.75 = 5.7, 6.02 / 1.10 = 5.5
        (RoofPlane(10, 6, clear_ridge_m=1.0), 18, 20),  # 5.02 up the slope: 2.9 or 4.6
        (RoofPlane(1.08, 1.73), 1, 0),  # one upright module exactly, without a gap at its edges
        (
            RoofPlane(2.18, 3.48),
            4,
            3,
        ),  # 2 x 1.08 + 0.02 and 2 x 1.73 + 0.02 exactly; 1 column, 3 x 1.08 + 2 x 0.02 = 3.28
        (RoofPlane(1.0, 1.0), 0, 0),
        (RoofPlane(3, 3, 2, 2, 2, 2), 0, 0),  # strips that leave nothing
    ],
)
def test_counts_by_hand(roof, upright, sideways):
    assert [fit_modules(roof, 1.73, 1.08, way).count for way in (True, False)] == [upright, sideways]
    assert fit_modules(roof, 1.73, 1.08).count == max(upright, sideways)


def test_a_chimney_takes_the_modules_that_would_reach_into_it():
    open_roof = RoofPlane(5, 4)  # modules 1 x 2 without gaps: 5 columns of 2
    assert fit_modules(open_roof, 2, 1, True, 0).count == 10
    assert fit_modules(replace(open_roof, taken=((2.2, 0.5, 2.8, 1.0),)), 2, 1, True, 0).count == 9
    assert fit_modules(replace(open_roof, taken=((1.8, 1.8, 2.2, 2.2),)), 2, 1, True, 0).count == 6  # at four corners
    assert (
        fit_modules(replace(open_roof, taken=((0, 0, 5, 2),)), 2, 1, True, 0).count == 5
    )  # up to its edge, not into it


def test_the_grid_moves_to_where_most_have_room():
    # A rectangle of 0.5 m at the left edge: from the corner one column of 2 is lost (4 x 2 - 2),
    # from its right edge none.
    roof = RoofPlane(4.5, 4, taken=((0, 0, 0.5, 4),))
    fit = fit_modules(roof, 2, 1, True, 0)
    assert fit.count == 8 and min(box[0] for box in fit.modules) == 0.5


def test_gaps_count_between_modules_only():
    assert fit_modules(RoofPlane(10, 2), 2, 1, True, 0.0).count == 10
    assert fit_modules(RoofPlane(10, 2), 2, 1, True, 0.1).count == 9  # 9 + 8 x 0.1 = 9.8
    assert fit_modules(RoofPlane(1, 5), 1, 1, True, 0.5).count == 3  # 1 + 0.5 + 1 + 0.5 + 1 = 4, one more 5.5


def test_of_equal_ways_the_upright_one():
    assert fit_modules(RoofPlane(2, 2), 2, 1, None, 0).upright is True
    assert fit_modules(RoofPlane(2, 1), 2, 1, None, 0).upright is False


def test_a_designer_can_place_more():
    # Five squares of 1 x 1 and modules of 2 x 1 in a wheel around the middle: four fit, a grid of one way holds three.
    square = RoofPlane(3, 3)
    wheel = [(0, 0, 2, 1), (2, 0, 3, 2), (1, 2, 3, 3), (0, 1, 1, 3)]
    assert all(0 <= min(box) and max(box) <= 3 for box in wheel)
    assert all(overlap(a, b) == 0 for i, a in enumerate(wheel) for b in wheel[:i])
    assert fit_modules(square, 2, 1, None, 0).count == 3
    # The lower row has room from 0.5 m on, the upper one up to 3 m: each holds three squares of 1 m, one grid five.
    roof = RoofPlane(3.5, 2, taken=((0, 0, 0.5, 1), (3, 1, 3.5, 2)))
    rows = [(0.5 + i, 0, 1.5 + i, 1) for i in range(3)] + [(i, 1, i + 1, 2) for i in range(3)]
    assert all(overlap(box, taken) == 0 and box[2] <= 3.5 for box in rows for taken in roof.taken)
    assert fit_modules(roof, 1, 1, True, 0).count == 5 < len(rows)


def test_slope_of_a_plan():
    assert up_slope_m(5, 0) == 5 and up_slope_m(5, 60) == pytest.approx(10)
    assert up_slope_m(4, 30) == pytest.approx(4 * 2 / math.sqrt(3))


# ---------------------------------------------------------------- for any roof


@QUICK
@given(roofs(), modules(), st.booleans(), cm(0, 10))
def test_no_module_reaches_into_a_strip_a_taken_rectangle_or_another(roof, module, upright, gap):
    fit = fit_modules(roof, *module, upright, gap)
    left, low, right, top = roof.free
    size = module[::-1] if upright else module
    for box in fit.modules:
        assert (box[2] - box[0], box[3] - box[1]) == pytest.approx(size)
        assert left - 1e-5 <= box[0] and box[2] <= right + 1e-5 and low - 1e-5 <= box[1] and box[3] <= top + 1e-5
        assert all(overlap(box, other) < 1e-4 for other in roof.taken)
    for i, box in enumerate(fit.modules):
        grown = (box[0] - gap + 1e-5, box[1] - gap + 1e-5, box[2] + gap - 1e-5, box[3] + gap - 1e-5)
        assert all(overlap(grown, other) == 0 for other in fit.modules[:i])


@QUICK
@given(roofs(most_taken=1), modules(), cm(0, 10))
def test_never_more_area_than_is_free(roof, module, gap):
    left, low, right, top = roof.free
    free = max(right - left, 0) * max(top - low, 0) - sum(overlap(roof.free, box) for box in roof.taken)
    assert fit_modules(roof, *module, None, gap).count * module[0] * module[1] <= free + 1e-4


@QUICK
@given(roofs(), modules(), st.booleans(), st.sampled_from(STRIPS), cm(1, 150))
def test_more_room_kept_free_never_gives_more(roof, module, upright, strip, more):
    wider = replace(roof, **{strip: getattr(roof, strip) + more})
    before = fit_modules(roof, *module, upright).count
    assert fit_modules(wider, *module, upright).count <= before
    for i, (left, low, right, high) in enumerate(roof.taken):
        grown = (left, low, min(right + more, roof.along_eave_m), high)
        taken = roof.taken[:i] + (grown,) + roof.taken[i + 1 :]
        assert fit_modules(replace(roof, taken=taken), *module, upright).count <= before
        assert fit_modules(replace(roof, taken=roof.taken[:i] + roof.taken[i + 1 :]), *module, upright).count >= before


@QUICK
@given(roofs(), modules(), st.booleans(), cm(0, 60))
def test_turning_roof_and_module_changes_nothing(roof, module, upright, gap):
    turned = RoofPlane(
        roof.up_slope_m,
        roof.along_eave_m,
        clear_ridge_m=roof.clear_right_m,
        clear_eave_m=roof.clear_left_m,
        clear_left_m=roof.clear_eave_m,
        clear_right_m=roof.clear_ridge_m,
        taken=tuple((low, left, high, right) for left, low, right, high in roof.taken),
    )
    assert fit_modules(roof, *module, upright, gap).count == fit_modules(turned, *module, not upright, gap).count


def by_trying(roof, wide, high, step_x, step_y):
    """Count as slowly and plainly as can be: every place of the grid on whole decimetres, every square a number."""
    blocked = np.ones((round(10 * roof.along_eave_m), round(10 * roof.up_slope_m)), bool)
    left, low, right, top = (round(10 * edge) for edge in roof.free)
    if right > left and top > low:
        blocked[left:right, low:top] = False
    for box in roof.taken:
        a, b, c, d = (round(10 * edge) for edge in box)
        blocked[a:c, b:d] = True
    best = 0
    for start_x in range(step_x):
        for start_y in range(step_y):
            count = 0
            for x in range(start_x, blocked.shape[0] - wide + 1, step_x):
                for y in range(start_y, blocked.shape[1] - high + 1, step_y):
                    count += not blocked[x : x + wide, y : y + high].any()
            best = max(best, count)
    return best


@settings(deadline=None, max_examples=examples(25))
@given(st.data())
def test_same_as_trying_every_place(data):
    def tenth(low, high):
        return data.draw(st.integers(low, high)) / 10

    along, up = tenth(10, 40), tenth(10, 30)
    taken = []
    for _ in range(data.draw(st.integers(0, 3))):
        left, low = tenth(0, int(10 * along) - 1), tenth(0, int(10 * up) - 1)
        taken.append((left, low, min(left + tenth(1, 12), along), min(low + tenth(1, 12), up)))
    roof = RoofPlane(along, up, *(tenth(0, 4) for _ in range(4)), taken=tuple(taken))
    wide, high, gap = data.draw(st.integers(3, 9)), data.draw(st.integers(3, 9)), data.draw(st.integers(0, 2))
    found = fit_modules(roof, max(wide, high) / 10, min(wide, high) / 10, high >= wide, gap / 10).count
    assert found == by_trying(roof, wide, high, wide + gap, high + gap)


# ---------------------------------------------------------------- what cannot be


@pytest.mark.parametrize(
    "call, words",
    [
        (lambda: RoofPlane(0, 6), r"roof\.along_eave_m: found 0 m, allowed is a number from 0\.5 to 200 m"),
        (lambda: RoofPlane(10, math.nan), r"roof\.up_slope_m: found nan"),
        (lambda: RoofPlane(10, 6, clear_left_m=-0.1), r"roof\.clear_left_m: found -0\.1 m"),
        (lambda: RoofPlane(10, 6, taken=((1, 1, 1, 2),)), r"roof\.taken: found .* inside the plane of 10 m x 6 m"),
        (lambda: RoofPlane(10, 6, taken=((9, 1, 11, 2),)), r"roof\.taken"),
        (lambda: RoofPlane(10, 6, taken=(1, 2, 3, 4)), r"roof\.taken"),
        (lambda: RoofPlane(10, 6, taken=((1, 2, math.nan, 4),)), r"roof\.taken"),
        (lambda: RoofPlane(10, 6, taken="none"), r"roof\.taken"),
        (
            lambda: fit_modules(RoofPlane(10, 6), 1.0, 1.7),
            r"module_width_m: found 1\.7 m, allowed is a number from 0\.2 to 1 m",
        ),
        (lambda: fit_modules(RoofPlane(10, 6), 0, 0), r"module_length_m"),
        (lambda: fit_modules(RoofPlane(10, 6), 1.7, 1.1, gap_m=-1), r"gap_m"),
        (lambda: fit_modules(RoofPlane(10, 6), 1.7, 1.1, gap_m="2"), r"gap_m"),
        (lambda: fit_modules(RoofPlane(10, 6), 1.7, 1.1, "sideways"), r"upright: found 'sideways'"),
        (lambda: up_slope_m(5, 90), r"surface_tilt: found 90 deg"),
    ],
)
def test_impossible_input_gets_one_line(call, words):
    with pytest.raises(InputError, match=words) as caught:
        call()
    assert "\n" not in str(caught.value)
