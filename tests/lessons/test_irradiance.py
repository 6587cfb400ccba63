"""Lesson 01: pictures show what `sun` and `weather` compute, here and south of the equator; the checks name slips."""

from dataclasses import replace
from types import SimpleNamespace

import nbformat
import numpy as np
import pandas as pd
import pytest

from lesson_panels import NOTEBOOKS, run_cell
from solarlib.house.file import HOUSE_FOLDER, read_house
from solarlib.house.year import weather
from solarlib.lessons.irradiance import pictures as irradiance, questions as ask
from solarlib.lessons.tools.check import NOT_ANSWERED
from solarlib.lessons.tools.field import Field
from solarlib.lessons.tools.figures import MONTHS
from solarlib.lessons.tools.panel import Panel, show
from solarlib.quantities import HOURS_PER_YEAR
from solarlib.sky import sun
from solarlib.sky.weather import Place, find_file

HOUSES = sorted(path.stem for path in HOUSE_FOLDER.glob("*.toml"))


@pytest.fixture(scope="module")
def south(tmp_path_factory):
    """Return a house that is the mirror image of the worked one: half a year later, as far south."""
    lines = find_file("723170TYA.CSV").read_text(encoding="utf-8").splitlines()
    rows = [line.split(",", 2) for line in lines[2:]]
    half = HOURS_PER_YEAR // 2 // 24 * 24  # whole days, so that noon stays noon
    values = np.roll([row[2] for row in rows], half)
    head = lines[0].split(",")
    head[4] = f"-{head[4]}"
    path = tmp_path_factory.mktemp("south") / "south.csv"
    text = [",".join(head), lines[1], *(f"{row[0]},{row[1]},{rest}" for row, rest in zip(rows, values))]
    path.write_text("\n".join(text) + "\n", encoding="utf-8")
    return replace(
        read_house("two-storey"), weather_file=str(path), place=Place("south", -36.1, -79.95, "America/Lima", 273.0)
    )


@pytest.fixture(params=[*HOUSES, "south"])
def house(request):
    return request.getfixturevalue("south") if request.param == "south" else read_house(request.param)


def in_plane(house, tilt, azimuth):
    sky = weather(house)
    return sun.plane_of_array(sky, sun.position(sky.index, house.place), tilt, azimuth, house.system.albedo)


@pytest.mark.slow
def test_the_bars_of_a_day_hold_the_days_energy(house):
    picture = irradiance.day_picture(house)
    local = weather(house)["ghi"].tz_convert(house.place.tz)
    for day in (1, 67, 172, 305, 365):  # 67 and 305 are days on which many clocks change
        panel = show(picture, day=day, until=24)
        bars = picture.figure.axes[0].containers[0]
        heights = np.array([bar.get_height() for bar in bars])
        energy = local[local.index.day_of_year == day].sum() / 1000
        assert heights.sum() == pytest.approx(energy, abs=1e-9)
        assert f"{energy:.1f} kWh had fallen on each square metre of flat ground by 24:00" in panel.caption
        assert max(heights) < picture.figure.axes[0].get_ylim()[1]
    noon = show(picture, day=172, until=12).caption
    assert f"{heights_of(local, 172)[:12].sum():.1f} kWh had fallen" in noon and "by 12:00" in noon


def heights_of(local, day):
    return local[local.index.day_of_year == day].to_numpy() / 1000


def test_the_cloudless_line_is_the_models(house):
    picture = irradiance.day_picture(house)
    panel = show(picture, day=172, until=24)
    index = pd.date_range("2026-06-21", "2026-06-22", freq="10min", tz=house.place.tz, inclusive="left")
    expected = sun.clear_sky(index, house.place)["ghi"] / 1000
    shown = picture.figure.axes[0].lines[0]
    np.testing.assert_allclose(shown.get_ydata(), expected, atol=1e-9)
    assert shown.get_xdata()[0] == pytest.approx(5 / 60)  # the sun of an interval stands at its middle
    assert f"would have given {expected.sum() / 6:.1f} kWh/m²" in panel.caption


def test_the_path_is_the_suns_and_the_beam_is_the_planes(house):
    picture = irradiance.path_picture(house)
    side = irradiance.noon_side(house.place)
    panel = show(picture, day=80, hour=12, tilt=30, azimuth=side)
    when = pd.date_range("2026-03-21 12:00", periods=2, freq="10min", tz=house.place.tz)
    there = sun.position(when, house.place).iloc[0]
    clear = sun.clear_sky(when, house.place)
    light = sun.plane_of_array(clear, sun.position(when, house.place), 30, side, house.system.albedo).iloc[0]
    assert f"stands {there['apparent_elevation']:.0f}° high, {light['aoi']:.0f}° off" in panel.caption
    assert f"catches {100 * light['poa_direct'] / clear['dni'].iloc[0]:.0f} % of the beam" in panel.caption
    spot = next(line for line in picture.figure.axes[0].lines if line.get_marker() == "o")
    turn = (there["azimuth"] - side + 180) % 360 - 180
    assert (spot.get_xdata()[0], spot.get_ydata()[0]) == pytest.approx((turn, there["apparent_elevation"]))
    assert abs(turn) < 60  # the noon sun stands in the middle of the map, on both halves of the Earth


def test_the_sun_below_the_horizon_and_behind_the_plane_are_said_in_words(house):
    picture = irradiance.path_picture(house)
    assert "below the horizon" in show(picture, day=80, hour=0, tilt=30, azimuth=180).caption
    behind = show(picture, day=80, hour=13, tilt=90, azimuth=(irradiance.noon_side(house.place) + 180) % 360)
    assert "shines on the back of the plane, which catches no beam" in behind.caption


def test_the_parts_of_a_day_are_those_of_plane_of_array(house):
    picture = irradiance.parts_picture(house)
    side = irradiance.noon_side(house.place)
    for month, kind in (("Jun", "clearest day"), ("Dec", "dullest day")):
        panel = show(picture, month=month, kind=kind, azimuth=side)
        when = pd.Timestamp(f"{panel.caption.split('On ')[1].split(',')[0]} 2026")
        assert MONTHS[when.month - 1] == month
        rows = slice((when.day_of_year - 1) * 24, when.day_of_year * 24)
        day = in_plane(house, 45, side).iloc[rows].sum() / 1000
        assert f"between flat and wall gets {day['poa_global']:.1f} kWh/m²" in panel.caption
        assert f"{100 * day['poa_direct'] / day['poa_global']:.0f} % of it is beam" in panel.caption
        top = picture.figure.axes[0].collections[2].get_paths()[0].vertices[:, 1].max()
        flat = weather(house)["ghi"].iloc[rows].sum() / 1000
        assert top >= day["poa_global"] - 1e-9 and f"Flat ground gets {flat:.1f} kWh/m²" in panel.caption


def test_the_dull_day_hardly_rewards_a_tilt_and_the_clear_one_does(house):
    energy, _ = irradiance._parts(house)
    day = energy[irradiance.noon_side(house.place)].sum(axis=1)  # tilt, month, kind
    slopes = irradiance.TILTS <= 45
    winter = 11 if house.place.latitude > 0 else 5
    dull, clear = (day[slopes, winter, kind] / day[0, winter, kind] for kind in (2, 0))
    assert dull.min() > 0.8 and dull.max() < 1.1 and clear.max() > 1.3


@pytest.mark.slow
def test_the_year_is_the_sum_of_its_hours_and_so_are_the_months(house):
    picture = irradiance.year_picture(house)
    for tilt, azimuth in ((0, 0), (30, 270), (90, 345)):
        panel = show(picture, tilt=tilt, azimuth=azimuth)
        hourly = in_plane(house, tilt, azimuth)["poa_global"] / 1000
        months = hourly.groupby(hourly.index.month).sum()
        shown = [bar.get_height() for bar in picture.figure.axes[0].containers[0]]
        np.testing.assert_allclose(shown, months, rtol=1e-12)
        assert f"{hourly.sum():,.0f} kWh/m² in the year" in panel.caption
        assert irradiance.yearly_irradiation(house, tilt, azimuth) == pytest.approx(hourly.sum())


@pytest.mark.slow
def test_the_curve_closes_and_peaks_on_the_noon_side_and_the_planes_stand_where_they_are(house):
    picture = irradiance.year_picture(house)
    show(picture, tilt=30, azimuth=90)
    right = picture.figure.axes[1]
    curve = next(line for line in right.lines if len(line.get_xdata()) == 25 and line.get_linewidth() == 3)
    x, y = curve.get_xdata(), curve.get_ydata()
    assert list(x[[0, -1]]) == [-180, 180] and y[0] == y[-1] == min(y) and abs(x[y.argmax()]) <= 30
    spot = next(line for line in right.lines if line.get_marker() == "o")
    assert spot.get_ydata()[0] == pytest.approx(irradiance.yearly_irradiation(house, 30, 90))
    assert np.interp(spot.get_xdata()[0], x, y) == pytest.approx(spot.get_ydata()[0])
    planes = [line for line in right.lines if line.get_marker() == "D"]
    assert [float(line.get_ydata()[0]) for line in planes] == pytest.approx(
        [in_plane(house, p.surface_tilt, p.surface_azimuth)["poa_global"].sum() / 1000 for p in house.system.planes]
    )


def test_the_mirror_house_of_the_south_has_the_worked_houses_sky_light_and_loss(south):
    """Half a year later and as far south the sun is the same, but for the Earth's distance and the equation of time."""
    north = read_house("two-storey")
    share = [
        irradiance.yearly_irradiation(h, 30, 270) / irradiance.yearly_irradiation(h, 30, irradiance.noon_side(h.place))
        for h in (north, south)
    ]
    assert share[0] == pytest.approx(share[1], abs=0.02)


def test_predictions_stand_on_numbers_of_the_place(house):
    midsummer = 172 if house.place.latitude > 0 else 355
    table = irradiance._cloudless(house.place)[midsummer - 1]["ghi"]
    assert 5 < table.sum() / 6000 < 9 and 0.8 < table.max() / 1000 < 1.15
    for question in (*(ask.ASK.predict(name) for name in ("day", "noon", "dull")), ask.predict_west(house)):
        assert len(question.options) >= 3 and question.reply == ""
        assert len(set(question.options.values())) == len(question.options)
    share = irradiance.yearly_irradiation(house, 30, 270) / irradiance.yearly_irradiation(
        house, 30, irradiance.noon_side(house.place)
    )
    assert (0.7 <= share <= 0.9) == (ask.predict_west(house).right == "70 to 90 %")


def judged(question, right, wrong):
    """Assert that a blank stays open, the right answer is taken, and each wrong one is named."""
    assert question(None).right is None and question(...).right is None
    assert question(right).right is True
    for value, words in wrong.items():
        result = question(value)
        assert result.right is False and words in result.message, (value, result.message)


def test_check_1():
    judged(
        lambda a: ask.check_sum(a, SimpleNamespace(strong=800, weak=300)),
        3.6,
        {1.1: "multiply by the hours", 7.7: "both at once", 2.4: "4 weak hours", 3600: "1000 times too large"},
    )


def test_check_2():
    judged(
        lambda a: ask.check_noon(a, SimpleNamespace(degrees=5, equation=9)),
        11,
        {29: "sign", -4: "4 minutes", 20: "equation of time is missing"},
    )


def test_check_3():
    judged(
        lambda a: ask.check_beam(a, SimpleNamespace(beam=800, angle=60)),
        400,
        {800: "straight at the sun", 693: "sine", -762: "radians", 267: "not grow evenly"},
    )


def test_check_4(house):
    side, mine = irradiance.noon_side(house.place), SimpleNamespace(tilt=40, facing=255)
    own, best, flat = (irradiance.yearly_irradiation(house, *p) for p in ((40, 255), (40, side), (0, 0)))
    share = 100 * own / best
    judged(
        lambda a: ask.check_year(a, house, mine),
        share,
        {100 - share: "lost", 100 * best / own: "wrong way round", share / 100: "fraction", 100 * own / flat: "flat"},
    )
    read_off = 100 * round(own) / round(best)  # a learner reads whole kWh/m2 from the caption
    assert ask.check_year(read_off, house, mine).right


def test_numbers_of_ones_own_never_make_a_check_fail(house):
    for word in ("Ada", "Ben", "Chi", "Dora", "Eli", "Fay", "Gus", "Hana", "Ivo", "Jo"):
        mine = ask.numbers(word)
        year = ask.check_year(1, house, mine)
        checks = (ask.check_sum(0, mine), ask.check_noon(99, mine), ask.check_beam(1, mine), year)
        assert [result.right for result in checks] == [False] * 4
        assert mine.tilt in irradiance.TILTS and mine.facing in irradiance.AZIMUTHS  # the panel shows just these


@pytest.mark.slow
def test_the_whole_lesson_runs_for_any_house(house):
    names = {"__name__": "__main__"}
    path = next(path for path in NOTEBOOKS if path.stem == "01-irradiance")
    code = [cell.source for cell in nbformat.read(path, as_version=4).cells if cell.cell_type == "code"]
    assert sum("read_house(" in source for source in code) == 1
    shown = []
    for source in code:
        shown.append(run_cell(source, names, path.name))
        if "read_house(" in source:
            names["house"] = house
    panels = [held for held in shown if isinstance(held, Panel)]
    drawing, *panels = panels  # the drawing of the system stands first
    assert drawing.controls == {} and len(panels) == 4
    assert all(panel.error is None and len(panel.caption) <= 250 for panel in panels)
    fields = [held for held in shown if isinstance(held, Field)]
    open_ones = [str(held.result) == NOT_ANSWERED for held in fields]  # the first asks for a name, the last for a line
    assert open_ones == [False, *[True] * 4, False]
    for source in code:  # a learner goes back to any check: no later cell has taken its numbers
        if "check_" in source:
            assert run_cell(source, names, path.name).result.right is None
