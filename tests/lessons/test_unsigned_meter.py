"""Lesson 08: its pictures show what the domain modules compute, its checks judge, its sentences are true."""

import re
from dataclasses import replace

import numpy as np
import pytest

from lesson_panels import columns
from solarlib.direction.step_test import certain_import, energy_bounds
from solarlib.house.file import read_house
from solarlib.lessons.unsigned_meter import pictures as um, questions as ask
from solarlib.meter.registers import split, unsigned
from solarlib.quantities import energy_kwh
from solarlib.sky.weather import Place, find_file

NAMES = ("two-storey", "bungalow", "cabin")
WORDS = ("Ada", "n1", "n2", "n3", "n4", "n5", "n6", "n7")


def write_weather(folder, place, lit=True):
    """Write the Greensboro year half a year later, for a place with the same distance from its zone's meridian."""
    header, names, *rows = find_file("723170TYA.CSV").read_text(encoding="utf-8").splitlines()
    cells, names = [row.split(",") for row in rows], names.split(",")
    light = {names.index(f"{part} (W/m^2)") for part in ("GHI", "DNI", "DHI")}
    moved = [
        ",".join(stamp[:2] + [value if lit or column not in light else "0" for column, value in enumerate(row)][2:])
        for stamp, row in zip(cells, cells[182 * 24 :] + cells[: 182 * 24])
    ]
    head = header.split(",")[:3] + ["10", str(place.latitude), str(place.longitude), str(place.altitude_m)]
    path = folder / ("south.csv" if lit else "dark.csv")
    path.write_text("\n".join([",".join(head), ",".join(names), *moved]) + "\n", encoding="utf-8")
    return str(path)


def southern(folder, lit=True):
    """Return the two-storey house moved and turned south of the equator."""
    house, place = read_house("two-storey"), Place("southern plain", -36.1, 145.05, "Australia/Sydney", 273.0)
    turned = tuple(replace(p, surface_azimuth=(180 - p.surface_azimuth) % 360) for p in house.system.planes)
    system = replace(house.system, planes=turned)
    return replace(house, place=place, system=system, weather_file=write_weather(folder, place, lit))


@pytest.fixture(scope="module", params=(*NAMES, "southern"))
def house(request, tmp_path_factory):
    folder = tmp_path_factory.mktemp("weather")
    return southern(folder) if request.param == "southern" else read_house(request.param)


def numbers(caption):
    """Return the numbers of a caption, in order."""
    return [float(word.replace(",", "")) for word in re.findall(r"(?<![\w.])-?\d[\d,]*(?:\.\d+)?", caption)]


def upper_edge(artist):
    """Return the filled curve farthest from zero, point by point."""
    x, y = artist.get_paths()[0].vertices.T
    return {sign: np.max(np.abs(y[np.sign(y) == sign]), initial=0.0) for sign in (1, -1)}


def test_the_days_are_what_their_words_say(house):
    year = um.minute_year(house)
    month = um.sunniest_month(house)
    days = {sky: um.day_of(house, month, sky) for sky in um.SKIES}
    made = {sky: day["generation_w"].sum() for sky, day in days.items()}
    assert made["clear"] >= made["broken"] >= made["dull"]
    moves = {sky: day["generation_w"].diff().abs().sum() for sky, day in days.items()}
    assert moves["broken"] >= max(moves["clear"], moves["dull"])
    number = um.MONTHS.index(month) + 1
    of_month = year[year.index.month == number]["generation_w"]
    assert made["clear"] == pytest.approx(of_month.groupby(of_month.index.day).sum().max())
    for day in days.values():
        assert len(day) == 1440 and day.index[0].hour == 0
        np.testing.assert_allclose(day["net_w"], day["load_w"] - day["generation_w"])
        np.testing.assert_allclose(day["reading_w"], day["net_w"].abs(), atol=6 * house.meter.reading_noise_w + 1)


def test_fold_picture_shows_the_day_and_counts_both_directions(house):
    picture = um.fold_picture(house)
    ax = picture.figure.axes[0]
    caption = picture.update("Jun", "broken", 1.0)
    day = um.day_of(house, "Jun", "broken")
    reading = next(artist for artist in ax.lines if len(artist.get_ydata()) == 1440).get_ydata()
    np.testing.assert_allclose(reading, day["reading_w"] / 1000)
    taken, given = (upper_edge(artist) for artist in ax.collections)
    assert taken[1] == pytest.approx(day["net_w"].clip(lower=0).max() / 1000) and taken[-1] == 0
    assert given[-1] == pytest.approx(-day["net_w"].clip(upper=0).min() / 1000) and given[1] == 0
    near = (day["reading_w"] / 1000 - 1.0).abs() <= 0.1
    minutes = [near.sum(), (near & (day["net_w"] >= 0)).sum(), (near & (day["net_w"] < 0)).sum()]
    assert numbers(caption)[1:] == [1.0, *minutes]
    low, high = ax.get_ylim()
    assert all(low <= d["net_w"].min() / 1000 and d["reading_w"].max() / 1000 <= high for d in um._days(house).values())


def test_the_sum_is_import_plus_export_and_the_error_is_one_or_two_exports(house):
    day = um.day_of(house, "Jun", "broken")
    energy, total = split(day["net_w"]).sum(), energy_kwh(unsigned(day["net_w"])).sum()
    assert total == pytest.approx(energy.sum())
    assert total - (energy["delivered_kwh"] - energy["received_kwh"]) == pytest.approx(2 * energy["received_kwh"])


@pytest.mark.parametrize("size", (0, 100, 140))
def test_month_picture_shows_the_registers(house, size):
    picture = um.sum_picture(house)
    caption = picture.update("Jun", size)
    (_, _, low), (_, under, high) = (columns(filled) for filled in picture.figure.axes[0].collections)
    june = um.minute_year(house).loc["2026-06"]
    energy = split(june["load_w"] - size / 100 * june["generation_w"]).sum()
    assert low[5] == under[5] == pytest.approx(energy["delivered_kwh"])
    assert high[5] - under[5] == pytest.approx(energy["received_kwh"])
    total, came, went, used = numbers(caption)
    assert total == came + went and went == round(energy["received_kwh"])
    assert used == pytest.approx(june["load_w"].sum() / 60_000, abs=0.51)
    assert high.max() < 0.8 * picture.figure.axes[0].get_ylim()[1]
    assert size or high == pytest.approx(low)


def test_certain_picture_shows_true_bounds_and_wrong_ones_without_a_margin(house):
    picture = um.certain_picture(house)
    ranges = picture.figure.axes[1].patches
    wrong_without_margin = 0
    for month in um.MONTHS:
        for sky in um.SKIES:
            day = um.day_of(house, month, sky)
            energy = split(day["net_w"]).sum().to_numpy()
            caption = picture.update(month, sky, 0, 3)
            sure = certain_import(day["reading_w"], day["generation_w"], 40.0, 0.03)
            bounds = energy_bounds(day["reading_w"], sure)
            told = [100 * sure.mean(), *bounds.loc["import"], energy[0]]
            assert "wrong" not in caption
            np.testing.assert_allclose(numbers(caption)[1:], told, atol=0.501)
            for bar, true, (least, most) in zip(ranges, energy, bounds.to_numpy()):
                assert bar.get_y() == pytest.approx(least)
                assert bar.get_y() + bar.get_height() >= most - 1e-9
                noise = 24 * house.meter.reading_noise_w / 1000  # folded noise only adds, less than its spread [kWh]
                assert least - noise <= true <= most + noise
            sure = certain_import(day["reading_w"], 0.9 * day["generation_w"], 40.0, 0.0)
            wrong = int((sure & (day["net_w"] < 0)).sum())
            assert bool(wrong) == (f"wrong in {wrong} minute" in picture.update(month, sky, -10, 0))
            wrong_without_margin += wrong
            assert "wrong" not in picture.update(month, sky, -10, 12)
    assert wrong_without_margin > 0


def test_the_wrong_candidate_is_twice_the_pv_power_less_the_load(house):
    day = um.day_of(house, um.sunniest_month(house), "broken")
    reading = day["net_w"].abs()
    wrong = np.where(day["net_w"] > 0, day["generation_w"] - reading, day["generation_w"] + reading)
    np.testing.assert_allclose(wrong, 2 * day["generation_w"] - day["load_w"])


def test_candidates_picture_shows_both_loads_and_names_the_calmer(house):
    picture = um.candidates_picture(house)
    ax = picture.figure.axes[0]
    sun, importing, exporting, load = (
        np.asarray(artist.get_ydata()) for artist in _after(picture, ax, "broken", 11, 0, True)
    )
    day = um.day_of(house, um.sunniest_month(house), "broken").iloc[660:840]
    np.testing.assert_allclose(sun, day["generation_w"] / 1000)
    np.testing.assert_allclose(load, day["load_w"] / 1000)
    either = np.where(day["net_w"] >= 0, importing, exporting)
    np.testing.assert_allclose(either, load, atol=house.meter.reading_step_w / 1000)
    possible = np.isfinite(exporting)
    caption = picture.update("broken", 11, 0, True)
    calmer = "importing" if um.mean_change(importing, possible) < um.mean_change(exporting, possible) else "exporting"
    assert f"Calmer: {calmer}." in caption and "In truth" in caption
    assert "In truth" not in picture.update("broken", 11, 0, False) and not ax.lines[-1].get_visible()
    assert "only reading + PV" in picture.update("broken", 0, 5, False)


def _after(picture, ax, *values):
    picture.update(*values)
    return ax.lines[:4]


def test_movement_tells_when_clouds_pass(house):
    """In three hours around noon of broken sky, the calmer candidate is the direction of most minutes."""
    right = total = 0
    for month in um.MONTHS:
        day = um.day_of(house, month, "broken").iloc[660:840]
        pv, reading = day["generation_w"].to_numpy(), day["reading_w"].to_numpy()
        possible, outward = pv >= reading, (day["net_w"] < 0).to_numpy()
        if possible.sum() < 60 or not 0.2 < abs(outward[possible].mean() - 0.5) <= 0.5:
            continue  # the night of the far north, or a window of both directions
        total += 1
        calmer_out = um.mean_change(pv - reading, possible) < um.mean_change(pv + reading, possible)
        right += calmer_out == (outward[possible].mean() > 0.5)
    assert total >= 4 and right >= 0.9 * total


def test_predictions_reply_to_each_option():
    for name in ("fold", "month", "certain", "candidates"):
        question = ask.ASK.predict(name)
        assert len(question.options) >= 3 and len(set(question.options.values())) == len(question.options)


@pytest.mark.parametrize("word", WORDS)
def test_checks_judge_the_learners_own_numbers(word):
    table, snapshots = ask.four_hours(word), ask.two_snapshots(word)
    pv, reading = table["PV (W)"], table["reading (W)"]
    least = reading[reading > pv + 40].sum() / 1000
    assert ask.check_least(least, table).right
    for wrong in (reading.sum() / 1000, reading.iloc[0] / 1000, (reading - pv)[reading > pv].sum() / 1000):
        judged = ask.check_least(wrong, table)
        assert judged.right is False and "too" not in judged.message.split(":")[0]
    assert (snapshots["reading (W)"] <= snapshots["PV (W)"]).all(), "either direction has to be possible"
    plus, minus = (snapshots["PV (W)"] + s * snapshots["reading (W)"] for s in (1, -1))
    true, false = (plus, minus) if plus.diff().iloc[1] == 0 else (minus, plus)
    assert true.diff().iloc[1] == 0 and abs(false.diff().iloc[1]) > 500
    assert ask.check_load(true.iloc[0], snapshots).right
    assert "does it stay the same" in ask.check_load(false.iloc[1], snapshots).message
    assert ask.check_load(None, snapshots).right is None and ask.check_least(..., table).right is None


def test_both_directions_occur_in_check_4():
    exporting = [bool((ask.two_snapshots(word).eval("`PV (W)` - `reading (W)`").diff().iloc[1] == 0)) for word in WORDS]
    assert set(exporting) == {True, False}


def test_check_1_and_2_name_the_slips():
    assert ask.check_sensor_sum(2 * 0.4 + 3 * 1.2, 400, 1200).right
    assert "net" in ask.check_sensor_sum(0.8 - 3.6, 400, 1200).message
    assert "import alone" in ask.check_sensor_sum(0.8, 400, 1200).message
    assert ask.check_use_by_sensor(500 + 450 - 350, 800, 350, 500).right  # delivered 450
    assert "sum of the readings" in ask.check_use_by_sensor(800, 800, 350, 500).message
    assert "went out" in ask.check_use_by_sensor(950, 800, 350, 500).message
    for total in range(700, 901, 50):
        for out in range(250, 401, 50):
            for made in range(500, 651, 50):
                assert ask.check_use_by_sensor(made + total - 2 * out, total, out, made).right
    for inward in range(300, 901, 100):
        for outward in range(1000, 2001, 100):
            assert ask.check_sensor_sum(None, inward, outward).right is None


def test_summer_is_in_december_south_of_the_equator(tmp_path):
    assert um.sunniest_month(southern(tmp_path)) in ("Nov", "Dec", "Jan")


def test_a_year_without_sun_gives_sentences(tmp_path):
    dark = southern(tmp_path, lit=False)
    assert um.minute_year(dark)["generation_w"].max() == 0
    assert "in 0 it went out" in um.fold_picture(dark).update("Jun", "clear", 1.0)
    assert "wrong" not in um.certain_picture(dark).update("Dec", "dull", -10, 0)
    assert "and 0 kWh went out" in um.sum_picture(dark).update("Jan", 140)
    assert "only reading + PV" in um.candidates_picture(dark).update("clear", 21, 200, True)
