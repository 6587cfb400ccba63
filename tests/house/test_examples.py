"""The example files tell of one house, carry the faults that data/README.md lists, and the reader finds each."""

import csv
import runpy
import tomllib
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from solarlib.bill.accounts import ledger
from solarlib.files.checks import plausibility
from solarlib.files.days import DAILY
from solarlib.files.reading import read
from solarlib.files.records import read_kept
from solarlib.health.neighbours import group_median, log_ratio_to_median
from solarlib.house.year import house_load, weather
from solarlib.house.year_bills import ratings
from solarlib.roof.array import array_power
from solarlib.roof.parts import Plane
from solarlib.sky.sun import position

DATA = Path(__file__).parents[2] / "data"
FOLDER = DATA / "examples"
ZONE = "America/New_York"
TYPED = "bill-of-may.toml"  # by hand, as an owner types it

pytestmark = pytest.mark.slow  # the house of the examples takes six seconds to make


def balanced(account):
    """Whether all lines and all rows are accounted for."""
    lines = account.head_lines + account.blank_lines + account.rows_read
    return account.lines == lines and account.rows_read == account.rows_used + len(account.set_aside)


@pytest.fixture(scope="module")
def build():
    return runpy.run_path(str(DATA / "build_examples.py"))


@pytest.fixture(scope="module")
def world(build):
    return build["world"]()


def example(name):
    return read(FOLDER / f"{name}.csv", FOLDER / f"{name}.toml")


@pytest.fixture(scope="module")
def kept():
    days = read_kept(FOLDER / "days-kept.csv")
    return days.set_axis(pd.to_datetime(days["date"]))


@pytest.fixture(scope="module")
def neighbours():
    got = example("neighbours-by-day")
    return got, got.table.tz_localize(None).rename(
        columns=lambda name: name.removeprefix("neighbour_").removesuffix("_h")
    )


def test_the_script_makes_the_shipped_files_again(build, world):
    made = build["build"](world)
    assert sorted([*made, TYPED]) == sorted(path.name for path in FOLDER.iterdir())
    for name, content in made.items():
        assert (FOLDER / name).read_bytes() == content, name


def test_the_typed_bill_is_one_of_those_sent_with_the_readings_of_the_sheet():
    typed = tomllib.loads((FOLDER / TYPED).read_text(encoding="utf-8"))
    lines = (FOLDER / "reads-by-hand.csv").read_text(encoding="utf-8-sig").splitlines()
    sheet = {row[0]: row for row in csv.reader(lines, delimiter="\t")}
    for read_on in typed["read"]:
        assert [str(read_on[key]) for key in ("delivered", "received")] == sheet[f"{read_on['date']:%m/%d/%y}"][1:3]
    sent = dict(csv.reader((FOLDER / "bills-sent.csv").read_text(encoding="utf-8").splitlines()))
    closed = typed["read"][-1]["date"].isoformat()
    assert typed["total"] == float(sent[closed]) == round(sum(typed["lines"].values()), 2)


def test_the_year_is_another_one_of_the_same_house_and_climate(world):
    """Days are drawn anew, so months differ from the typical ones, and not by much; the light keeps its hours."""
    house, index = world.house, world.minutes.index
    assert house.system.module_count == 15 and index[0] == pd.Timestamp("2026-03-01", tz=ZONE)
    assert index[-1] == pd.Timestamp("2026-11-15 23:59", tz=ZONE) and not world.minutes.isna().any().any()
    typical = array_power(weather(house), house.place, house.system)["ac_power_w"]
    usual = typical.groupby(typical.index.month).mean()
    made = world.minutes["generation_w"].groupby(index.month).mean()
    ratio = (made / usual)[3:10]
    assert ratio.between(0.85, 1.15).all() and (ratio - 1).abs().max() > 0.02
    quarters = world.minutes["generation_w"].resample("15min").mean()
    down = position(quarters.index, house.place)["elevation"] < -3
    assert down.sum() > 8_000 and quarters[down].max() == 0
    whole_year = world.minutes["load_w"] - world.minutes["test_load_w"]
    assert whole_year.mean() * 8.76 == pytest.approx(house.yearly_kwh, rel=0.15)  # winter days are the dear ones


def test_one_module_of_the_larger_plane_is_lost(build, world):
    house = world.house
    sky = build["minute_sky"](house)
    large, small = (
        array_power(sky, house.place, replace(house.system, planes=(plane,)))["ac_power_w"].to_numpy()
        for plane in house.system.planes
    )
    assert house.system.planes[0].module_count == 10
    for day, share in (("2026-09-17", 1.0), ("2026-09-18", 0.9), ("2026-11-15", 0.9)):
        rows = world.minutes.index.strftime("%Y-%m-%d") == day
        made = world.minutes["generation_w"].to_numpy()[rows]
        assert made.sum() > 60_000 and np.allclose(made, share * large[rows] + small[rows])


def test_the_generation_file(world):
    got = example("generation-quarter-hours")
    account = got.account
    assert balanced(account) and (account.rows_read, account.rows_used, account.head_lines) == (3346, 3341, 4)
    texts = account.set_aside["text"]
    assert texts.str.endswith("no answer").sum() == 3 and texts.str.startswith("Sum;").sum() == 1
    assert (account.set_aside["reason"] == "repeats an earlier row").sum() == 1
    assert "15 modules" in (FOLDER / "generation-quarter-hours.csv").read_text(encoding="cp1252").splitlines()[1]
    every = pd.date_range("2026-10-12", "2026-11-16", freq="15min", tz=ZONE, inclusive="left")
    high = position(every, world.house.place)["elevation"].reindex(got.table.index)
    checks = plausibility(got.table, got.step, world.house.system.rated_power_w, 48_000, high < -3, high)
    found = {finding.kind: finding for finding in checks}
    assert set(found) == {"above limit", "stuck", "factor"}
    assert found["stuck"].rows[0] == pd.Timestamp("2026-10-15 10:00", tz=ZONE) and len(found["stuck"].rows) == 24
    assert set(found["factor"].rows.strftime("%m-%d")) == {"10-20"}
    true = world.minutes["generation_w"].resample("15min").mean().reindex(got.table.index)
    sound = ~got.table.index.isin(found["stuck"].rows) & ~got.table.index.isin(found["factor"].rows)
    assert np.abs(got.table["generation_w"] - true)[sound].max() <= 0.5 + 1e-6  # written to the W
    gone = every.difference(got.table.index)
    assert len(gone) == 3 + 20 and gone[gone.day == 28].strftime("%H:%M").tolist()[::19] == ["08:00", "12:45"]


def test_the_register_file(world):
    got = example("meter-registers")
    assert balanced(got.account) and got.account.rows_used == 841 and not len(got.account.set_aside)
    inward, outward = got.intervals.values()
    assert inward["how"].value_counts().to_dict() == {"difference": 836, "rollover": 1, "passed over": 1, "exchange": 1}
    assert outward["how"].value_counts().to_dict() == {"difference": 837, "passed over": 1, "exchange": 1}
    assert f"{inward.index[inward['how'] == 'rollover'][0]:%Y-%m-%d}" == "2026-10-13"
    assert f"{outward.index[outward['how'] == 'exchange'][0]:%Y-%m-%d %H:%M}" == "2026-11-05 10:00"
    notes = " ".join(got.account.notes)
    assert (
        "1 reading looks as if the two registers were swapped, the first at 2026-10-19 07:00" in notes
        and "rolled over" in notes
    )
    minutes = world.minutes[got.table.index[0] : got.table.index[-1]].iloc[:-1]
    net = (minutes["load_w"] - minutes["generation_w"]) / 60_000
    for found, kwh in ((inward, net.clip(lower=0).sum()), (outward, (-net).clip(lower=0).sum())):
        assert found["energy_kwh"].sum() == pytest.approx(kwh, abs=2)  # whole kWh, read at four ends


def test_the_sensor_file(world):
    got = example("sensor-week")
    assert balanced(got.account) and len(got.account.set_aside) == 1 and "T" in got.account.set_aside["text"].iloc[0]
    assert any("stands before an older one" in note for note in got.account.notes)
    found = plausibility(
        got.table[["unsigned_w"]],
        got.step,
        5760,
        20_000,
        *(pd.Series(value, got.table.index) for value in (False, 0.0)),
    )
    assert [finding.kind for finding in found] == ["above limit"] and len(found[0].rows) == 1
    true = (world.minutes["load_w"] - world.minutes["generation_w"]).abs().reindex(got.table.index)
    noise_w = world.house.meter.reading_noise_w
    error = (got.table["unsigned_w"] - true).drop(found[0].rows)
    assert error.abs().max() < 6 * noise_w + 0.5 and error.std() == pytest.approx(noise_w, rel=0.05)
    gaps = np.diff(got.table.index) / pd.Timedelta("1min")
    assert gaps.max() == 91 and 0.98 < len(got.table) / (7 * 1440 + 60 - 90) < 0.995


def test_the_test_load_runs_five_times_a_day_and_the_meter_counts_it(world):
    on = example("sensor-week").table["test_load_w"]
    assert set(on.unique()) == {0.0, world.house.meter.test_load_w} and world.house.meter.test_load_w == 750
    true = world.minutes["test_load_w"]
    starts = true.index[(true > 0) & (true.shift(fill_value=0.0) == 0)]
    assert len(starts) == 35 and sorted(set(starts.strftime("%H:%M"))) == ["08:20", "10:20", "12:20", "14:20", "16:20"]
    assert (true > 0).sum() == 35 * 3 and (on == true.reindex(on.index)).all()
    usual = house_load(world.house).reindex(true.index)
    assert np.allclose(world.minutes["load_w"], usual + true)  # the registers run on load_w: test_the_register_file


def test_the_file_written_by_hand():
    got = example("reads-by-hand")
    assert balanced(got.account) and got.step is None and got.account.rows_used == 9
    delivered = next(part for column, part in got.intervals.items() if column.quantity == "delivered")
    assert delivered["how"].tolist() == ["difference"] * 3 + ["passed over"] + ["difference"] * 2 + ["rollover"]
    assert delivered["energy_kwh"].sum() == 326 + 100_000 - 97_371
    assert "2026-07-01" in " ".join(note for note in got.account.notes if "swapped" in note)


def registers(name):
    """The registers of an example as read, a column each."""
    return pd.DataFrame({column.quantity: series for column, series in example(name).registers.items()})


def test_sheet_and_hourly_registers_are_one_meter():
    by_hand, hourly = registers("reads-by-hand"), registers("meter-registers")
    both = by_hand.index.intersection(hourly.index)
    assert list(both) == [pd.Timestamp("2026-11-01", tz=ZONE)]
    for quantity in ("delivered", "received"):
        assert by_hand.loc[both[0], quantity] == hourly.loc[both[0], quantity]
    earlier, begun = by_hand.loc[pd.Timestamp("2026-10-01", tz=ZONE)], hourly.iloc[0]
    assert all(0 < begun[quantity] - earlier[quantity] < 300 for quantity in ("delivered", "received"))


def test_the_house_used_something_in_every_period(build, world):
    read = build["sheet"](world).diff().iloc[1:] % 100_000
    use = read["generation"] + read["delivered"] - read["received"]
    assert use.between(300, 1000).all()


def test_the_kept_record_names_its_gaps_and_days(kept):
    assert (
        tuple(read_kept(FOLDER / "days-kept.csv").columns) == DAILY
        and len(kept) == 225
        and kept.index[-1] == pd.Timestamp("2026-10-11")
    )
    assert (FOLDER / "days-kept.csv").read_bytes().startswith(b"\xef\xbb\xbfdate,")
    assert kept["date"][kept["quality"] == "empty"].tolist() == ["2026-06-20", "2026-06-21", "2026-09-04", "2026-09-05"]
    assert kept["date"][kept["quality"] == "part"].tolist() == ["2026-04-24", "2026-08-15"]
    assert kept["generation_kwh"].isna().sum() == 4 and kept[["delivered_kwh", "received_kwh"]].isna().all().all()
    notes = kept["note"][kept["note"] != ""]
    assert notes.to_dict() == {
        pd.Timestamp("2026-03-02"): "snow",
        pd.Timestamp("2026-07-04"): "guests",
        pd.Timestamp("2026-08-27"): "washed by rain",
    }


def test_the_kept_record_agrees_with_the_arrays_register(kept):
    array = registers("reads-by-hand")["generation"].tz_localize(None)
    whole = 0
    for (start, first), (end, last) in zip(array.items(), array.iloc[1:].items()):
        days = kept[(kept.index >= start) & (kept.index < end)]
        if len(days) == (end - start).days and (days["quality"] == "complete").all():
            assert days["generation_kwh"].sum() == pytest.approx(last - first, abs=1.1)  # two whole kWh, days to the Wh
            whole += 1
    assert whole == 3  # March, May, July; the others hold days that are not whole, or later ones


def test_snow_lies_on_the_house_and_on_most_neighbours(world, kept, neighbours):
    _, yields = neighbours
    snow = ["2026-03-02", "2026-03-03"]
    assert (kept.loc[snow, "generation_kwh"] < 2.5).all() and (kept.loc["2026-03-04", "generation_kwh"] > 15)
    assert (yields.loc[snow].lt(0.6).sum(axis=1) >= 5).all() and yields.loc[snow, "F"].min() > 0.4
    cold = world.sky["temp_air"].groupby(world.sky.index.strftime("%Y-%m-%d")).mean()
    assert (cold[snow] < 0).all()


def test_the_neighbours_file_loads_whole(build, neighbours):
    got, yields = neighbours
    assert balanced(got.account) and got.account.rows_used == 260 and not len(got.account.set_aside)
    assert list(yields) == list("ABCDEFG") and got.step == pd.Timedelta(days=1)
    assert yields["F"].isna().sum() == 31 and yields.loc["2026-08", "F"].isna().all()
    assert yields.drop(columns="F").notna().all().all() and build["NEIGHBOURS"]["G"] == (25, 90)
    assert (FOLDER / "neighbours-by-day.csv").stat().st_size < 40_000 and (
        FOLDER / "days-kept.csv"
    ).stat().st_size < 40_000


def test_the_neighbours_faults_can_be_seen(neighbours):
    _, yields = neighbours
    others = yields.drop(columns=["C", "E"]).median(axis=1)
    slip = (yields["E"] / others)[others > 0.5]
    assert slip.index[slip > 4].strftime("%m-%d").tolist() == [f"05-{day:02d}" for day in range(5, 14)]
    sick = np.log(yields["C"] / others)[others > 1]
    loss = sick["2026-07-10":"2026-08-20"].median() - sick["2026-05-25":"2026-07-09"].median()
    assert loss == pytest.approx(np.log(0.75), abs=0.04)


def test_the_house_falls_by_one_module_in_fifteen_against_its_neighbours(build, world, kept, neighbours):
    """Each roof's season is taken out by the typical year; the change is read over half a year and three weeks."""
    _, yields = neighbours
    house, typical = world.house, weather(world.house)

    def model(system):
        power = array_power(typical, house.place, system)["ac_power_w"]
        days = power.groupby(power.index.strftime("%m-%d")).sum().rolling(31, center=True, min_periods=1).mean()
        return days.reindex(yields.index.strftime("%m-%d")).set_axis(yields.index) / system.rated_power_w

    models = pd.DataFrame(
        {name: model(replace(house.system, planes=(Plane(1, *roof),))) for name, roof in build["NEIGHBOURS"].items()}
    )
    power = world.minutes["generation_w"].tz_localize(None)
    own = power.groupby(power.index.normalize()).sum() / 60 / house.system.rated_power_w
    ratio = log_ratio_to_median(own, yields, model(house.system), models)[group_median(yields) > 1]
    shift = ratio["2026-09-18":"2026-10-31"].median() - ratio["2026-08-01":"2026-09-17"].median()
    assert shift == pytest.approx(
        np.log(14 / 15), abs=0.02
    )  # a daily scatter of 3 % over some forty days on either side
    whole = kept["quality"] == "complete"
    assert np.allclose(
        own.reindex(kept.index)[whole] * house.system.rated_power_w / 1000, kept["generation_kwh"][whole], atol=6e-4
    )


def test_one_of_the_bills_is_wrong(world):
    """The sheet as it is read, billed by the house's tariff: every bill but one agrees to the cent."""
    got = example("reads-by-hand")
    ends = sorted(set.intersection(*({*part.index, *part["end"]} for part in got.intervals.values())))
    flows = {f"{column.quantity}_kwh": part["energy_kwh"] for column, part in got.intervals.items()}
    periods = pd.DataFrame(
        [
            {
                "period_start": a.tz_localize(None),
                "period_end": b.tz_localize(None),
                **{name: flow[(flow.index >= a) & (flow.index < b)].sum() for name, flow in flows.items()},
            }
            for a, b in zip(ends, ends[1:])
        ]
    )
    sent = pd.read_csv(FOLDER / "bills-sent.csv", parse_dates=["period_end"])
    assert len(sent) == 7 and sent["period_end"].tolist() == periods["period_end"].tolist()
    book = ledger(periods, world.house.tariff, **ratings(world.house))["bill"]
    off = (sent["bill_usd"] - book).round(2)
    assert off.index[off != 0].tolist() == [1] and off[1] == pytest.approx(
        0.135 * periods["delivered_kwh"][1], abs=0.006
    )
