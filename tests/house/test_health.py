"""What a house's array should have given: its typical days on any date, its usual range,
shapes of clear days, neighbours.
"""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from solarlib.files import records
from solarlib.house import health as hh
from solarlib.house.file import read_house
from solarlib.house.flows import EXAMPLES, Checked, bring
from solarlib.house.records import days_of
from solarlib.house.year import weather
from solarlib.quantities import InputError, energy_kwh
from solarlib.roof.array import array_power


@pytest.fixture(scope="module")
def house():
    return read_house("two-storey")


@pytest.fixture(scope="module")
def array(house):
    return bring("generation-quarter-hours", house)


@pytest.fixture(scope="module")
def neighbours(house):
    return bring("neighbours-by-day", house)


def file_like(file, power):
    """Return the array's file with other power."""
    table = pd.DataFrame({"generation_w": power})
    return Checked(file.name, replace(file.readings, table=table), (), table)


def without_roof(file, *titles):
    """Return a file of similar systems that does not tell the roofs of some of them."""
    told = {title: replace(file.neighbours[title], tilt_deg=None, azimuth_deg=None) for title in titles}
    return replace(file, neighbours=file.neighbours | told)


def test_typical_days_are_those_of_the_model_for_each_rated_kw(house):
    table = hh.typical_yields(house, {"own": house.system, "flat": hh.one_roof(house.system, 0.0, 180.0)})
    made = energy_kwh(array_power(weather(house), house.place, house.system)["ac_power_w"])
    assert len(table) == 365 and table["own"].sum() == pytest.approx(made.sum() / 6.45)
    flat = hh.one_roof(house.system, 0.0, 180.0)
    assert [plane.surface_tilt for plane in flat.planes] == [0.0] and flat.module == house.system.module
    december = table[table.index.month == 12].sum()
    assert december["flat"] < december["own"]  # a tilted roof wins in winter


def test_a_typical_year_stands_on_any_date():
    typical = pd.Series(np.arange(365.0), pd.date_range("2023-01-01", periods=365, freq="D", tz="-05:00"))
    days = pd.DatetimeIndex(["2026-01-01", "2024-02-28", "2024-02-29", "2024-03-01", "2027-12-31"])
    assert hh.on_days(typical, days).tolist() == [0, 58, 58, 59, 364]
    assert hh.season(typical * 0 + 3.0).eq(3.0).all() and len(hh.season(typical)) == 365
    bump = hh.season((typical == 100.0) * 31.0)
    assert bump[bump > 1e-9].index.equals(typical.index[85:116]) and bump.max() == pytest.approx(1.0)


def test_the_usual_range_holds_eight_of_ten_made_months(house):
    """Months of the typical year's April and a fortnight around it, in runs of a week:
    another mixture than the range's own.
    """
    april = pd.date_range("2026-04-01", "2026-05-01", freq="D", inclusive="left")
    low, high = hh.yield_band(house, april)
    assert (low, high) == pytest.approx((126.568, 148.578), rel=1e-4)  # as written down; drawn from a fixed seed
    typical = hh.typical_yields(house, {"own": house.system})["own"]
    season, around = hh.season(typical), pd.date_range("2026-03-18", "2026-05-14", freq="D")
    relative = (hh.on_days(typical, around) / hh.on_days(season, around)).to_numpy()
    rng = np.random.default_rng(4)
    begins = rng.integers(0, len(relative) - 6, (400, 5))
    made = relative[begins[:, :, None] + np.arange(7)].reshape(400, -1)[:, :30] @ hh.on_days(season, april).to_numpy()
    share = ((made > low) & (made < high)).mean()
    assert 0.72 < share < 0.88  # 0.8, four standard errors of 400 made months on either side
    year = hh.yield_band(house, pd.date_range("2026-01-01", periods=365, freq="D"))
    assert year[0] < typical.sum() < year[1] and year[1] / year[0] < high / low  # a year differs less than a month


def test_yields_come_from_registers_or_else_from_complete_days(house, array):
    days = days_of([array])
    table = hh.yields(house, days=days)
    whole = days[days["quality"] == "complete"]
    assert table["days"].sum() == len(whole) and table["measured_kwh"].sum() == pytest.approx(
        whole["generation_kwh"].sum()
    )
    typical = hh.typical_yields(house, {"own": house.system})["own"] * 6.45
    assert table["model_kwh"].sum() == pytest.approx(hh.on_days(typical, pd.DatetimeIndex(whole["date"])).sum())
    assert table["yield_h"].iloc[0] == pytest.approx(table["measured_kwh"].iloc[0] / 6.45)
    periods = pd.DataFrame(
        {
            "period_start": [pd.Timestamp("2026-03-01")],
            "period_end": [pd.Timestamp("2026-04-01")],
            "generation_kwh": [700.0],
        }
    )
    assert hh.yields(house, periods, days)["days"].tolist() == [31]
    unknown = pd.concat([periods, periods.assign(generation_kwh=np.nan)], ignore_index=True)
    assert hh.yields(house, unknown, days)["days"].tolist() == [31]
    assert len(hh.yields(house, unknown.iloc[1:], days)) == len(
        table
    )  # nothing known of the periods: the months of the record
    with pytest.raises(InputError, match="no period and no whole day"):
        hh.yields(house, days=days[:0])


CHANGES = {
    "none": lambda power, hour: power,
    "a clock that is off": lambda power, hour: pd.Series(np.roll(power, 4), power.index),
    "new shade in one part of the day": lambda power, hour: power.where((hour < 9) | (hour >= 12), 0.6 * power),
    "a limit of power, by rating or by rule": lambda power, hour: power.clip(upper=0.7 * power.max()),
    "the converter leaves the grid at times": lambda power, hour: power.where(~((hour >= 12) & (hour < 12.5)), 0.0),
}


@pytest.mark.parametrize("fault", CHANGES)
def test_clear_days_show_the_shape_that_was_put_in(house, array, fault):
    """Ten days of the model's own cloudless power, hazy by up to 5 %, and one cloudy day that must not count."""
    index = pd.date_range("2026-05-01", periods=11 * 96, freq="15min", tz=house.place.tz)
    power = hh._cloudless(index, house)
    haze = np.repeat(1.0 - 0.05 * np.random.default_rng(5).random(11), 96)
    haze[-96:] = 0.4
    hour = index.hour + index.minute / 60.0
    evidence, clear = hh.shapes([file_like(array, CHANGES[fault](power * haze, hour))], house)
    fitting = [item.reason for item in evidence if item.fits]
    assert clear == 10 and (fitting == [] if fault == "none" else fault in fitting)


def test_a_clear_day_makes_85_percent_of_the_best(house, array):
    index = pd.date_range("2026-05-01", periods=5 * 96, freq="15min", tz=house.place.tz)
    haze = np.repeat([1.0, 0.86, 0.84, 0.95, 0.5], 96)
    assert hh.shapes([file_like(array, hh._cloudless(index, house) * haze)], house)[1] == 3


def test_shapes_need_clear_days_and_short_intervals(house, array):
    index = pd.date_range("2026-05-01", periods=2 * 96, freq="15min", tz=house.place.tz)
    with pytest.raises(InputError, match="found 2 days clear enough, allowed are 3 or more"):
        hh.shapes([file_like(array, hh._cloudless(index, house))], house)
    hourly = pd.date_range("2026-05-01", periods=5 * 24, freq="1h", tz=house.place.tz)
    whole = file_like(array, hh._cloudless(hourly, house))
    whole = replace(whole, readings=replace(whole.readings, step=pd.Timedelta("1h")))
    assert hh.shapes([whole], house)[1] == 5  # an hour is short enough
    coarse = file_like(array, pd.Series(1.0, pd.date_range("2026-05-01", periods=9, freq="3h", tz=house.place.tz)))
    with pytest.raises(InputError, match="allowed are intervals up to an hour"):
        hh.shapes([replace(coarse, readings=replace(coarse.readings, step=pd.Timedelta("3h")))], house)


def test_neighbours_of_several_files_stand_beside_each_other_once(neighbours, array):
    table, roofs = hh.neighbours_of([array, neighbours])
    assert list(table.columns) == [f"neighbour {letter}" for letter in "ABCDEFG"] and set(roofs) == set(table.columns)
    assert table.index.tz is None and len(table) == 260
    with pytest.raises(InputError, match="found neighbour A in two files"):
        hh.neighbours_of([neighbours, neighbours])
    with pytest.raises(InputError, match="no file of similar systems"):
        hh.neighbours_of([array])


def test_the_comparison_takes_snow_and_roofs_into_account(house, neighbours):
    days = records.read_kept(EXAMPLES / "days-kept.csv")
    beside = hh.beside_neighbours(house, days, [neighbours])
    assert beside.days.loc["2026-03-02", "reason"] == "snow noted"
    no_roofs = without_roof(neighbours, *neighbours.neighbours)
    untold = hh.beside_neighbours(house, days, [no_roofs])
    assert untold.stage == "cannot tell" and any("not every roof is known" in told for told in untold.sentences())
    assert beside.stage != "cannot tell"
    most = without_roof(neighbours, "neighbour_B_h")
    assert (
        "No roof was modelled, because that of neighbour B is not told."
        in hh.beside_neighbours(house, days, [most]).notes
    )
    cold = pd.DataFrame(
        {"air_temperature_c": -5.0}, pd.date_range("2026-03-01", periods=48, freq="1h", tz=house.place.tz)
    )
    air = Checked("air.csv", replace(neighbours.readings, table=cold, step=pd.Timedelta("1h")), (), cold)
    assert hh.beside_neighbours(house, days, [neighbours, air]).days["reason"].notna().all()


def test_ageing_waits_for_four_years(house):
    days = records.read_kept(EXAMPLES / "days-kept.csv")
    assert "an interval needs 4 or more" in hh.ageing(house, days).text
    index = pd.date_range("2020-01-01", "2024-12-31", freq="D")
    typical = hh.on_days(hh.season(hh.typical_yields(house, {"own": house.system})["own"]), index)
    worn = (
        typical
        * 6.45
        * 0.99 ** (np.arange(len(index)) / 365.25)
        * np.exp(0.02 * np.random.default_rng(1).standard_normal(len(index)))
    )
    long = pd.DataFrame(
        {"date": index.strftime("%Y-%m-%d"), "generation_kwh": worn.to_numpy(), "quality": "complete", "note": ""}
    )
    told = hh.ageing(house, long)
    assert told.low < -0.01 < told.high and told.high - told.low < 0.006
