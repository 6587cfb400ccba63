"""What ties a record's energy to a meter: totals between moments at which both registers are known."""

import numpy as np
import pandas as pd
import pytest

from made_records import LOAD_W, made_house, sign_right
from solarlib.direction.decoder import decode
from solarlib.house.file import read_house
from solarlib.house.flows import bring
from solarlib.house.sensor import counted_power, directions, meter_totals, sensor_record, smallest_step

NAMES = ("generation-quarter-hours", "meter-registers", "sensor-week", "reads-by-hand")


@pytest.fixture(scope="module")
def house():
    return read_house("two-storey")


@pytest.fixture(scope="module")
def files(house):
    return [bring(name, house) for name in NAMES]


def test_totals_run_between_local_midnights_and_know_their_digits(files):
    totals = meter_totals(files, sensor_record(files)[0].index)
    assert len(totals) == 7 and (totals["start"].dt.hour == 0).all() and (totals["rounding_kwh"] == 1).all()
    assert (totals["end"] - totals["start"]).dt.total_seconds().iloc[-1] == 25 * 3600  # the clock changes
    assert totals["delivered_kwh"].tolist()[:2] == [14, 12] and totals["received_kwh"].tolist()[:2] == [13, 4]


def test_files_without_both_registers_inside_the_record_bind_nothing(files):
    index = sensor_record(files)[0].index
    assert meter_totals([files[0], files[2]], index) is None  # no meter
    assert meter_totals([files[3]], index) is None  # one reading a month
    year = pd.date_range("2026-03-02", "2026-11-01", freq="1h", tz=index.tz)
    months = meter_totals([files[3]], year)
    assert (months["start"].iloc[0], len(months)) == (pd.Timestamp("2026-04-01", tz=index.tz), 6)


def written(folder, house, table, kind, unit="kWh"):
    """Bring a table of a meter as a file of its own; its columns are quantities."""
    path = folder / f"meter-{kind}.csv"
    table.set_axis(table.index.strftime("%Y-%m-%dT%H:%M%z").rename("time")).to_csv(path)
    columns = [f'[[column]]\nname = "{c}"\nquantity = "{c}"\nunit = "{unit}"\nkind = "{kind}"' for c in table]
    path.with_suffix(".toml").write_text("\n".join(['time = "time"', *columns]), encoding="utf-8")
    return bring(path, house)


@pytest.mark.parametrize("kind", ["interval", "counter"])
def test_a_total_with_an_unknown_part_is_left_out(tmp_path, house, kind):
    index = pd.date_range("2026-05-01", "2026-05-05", freq="1h", tz="UTC")
    energy = pd.DataFrame({"delivered": 0.5, "received": 0.25}, index)
    shown = energy.cumsum() if kind == "counter" else energy
    if kind == "counter":
        shown.loc["2026-05-02 12:00":] -= 30.0  # the register falls: what it counted in that hour is not known
    else:
        shown.loc["2026-05-02 12:00", "received"] = np.nan
    totals = meter_totals([written(tmp_path, house, shown, kind)], index[:-1])
    assert totals["start"].dt.day.tolist() == [1, 3, 4]
    assert totals["delivered_kwh"].tolist() == [12.0] * 3 and totals["received_kwh"].tolist() == [6.0] * 3


def test_the_step_of_a_display():
    assert smallest_step(pd.Series([3.0, np.nan, 3.2, 3.1, 3.1])) == pytest.approx(0.1)
    assert smallest_step(pd.Series([3.0, 3.0])) == 0.0


def test_the_owners_meter_narrows_the_ranges_and_the_account_says_by_how_much(files):
    free, _ = directions([files[0], files[2]])
    tied, _ = directions(files)
    widths = [(found.days["import_high_kwh"] - found.days["import_low_kwh"]) for found in (free, tied)]
    assert (widths[1] <= widths[0] + 1e-9).all()
    assert tied.account.narrowed == pytest.approx([width.mean() for width in widths], abs=0.01)
    told = [sentence for sentence in tied.sentences() if "totals change" in sentence]
    assert len(told) == 1 and f"{widths[1].mean():.2f} kWh, on average" in told[0]
    assert not any("totals" in sentence for sentence in free.sentences())


def counting(folder, house, name, stamps, **columns):
    """Bring a file; of each column: unit, kind and numbers. Its name, as far as a dash, is the quantity."""
    table = pd.DataFrame({"time": stamps.strftime("%Y-%m-%dT%H:%M:%S.%f%z")})
    lines = ['time = "time"']
    for column, (unit, kind, numbers) in columns.items():
        table[column] = numbers
        lines.append(f'[[column]]\nname = "{column}"\nquantity = "{column}"\nunit = "{unit}"\nkind = "{kind}"')
    table.to_csv(folder / f"{name}.csv", index=False)
    (folder / f"{name}.toml").write_text("\n".join(lines), encoding="utf-8")
    return bring(folder / f"{name}.csv", house)


def test_pulses_by_hand(tmp_path, house):
    """A pulse every 10 s, then every 20 s, of 1 Wh: 360 W and 180 W; nothing is known beyond the first and the last."""
    start = pd.Timestamp("2026-06-01", tz="UTC")
    stamps = start + pd.to_timedelta([*range(30, 121, 10), *range(140, 241, 20), *range(1500, 1600, 15)], "s")
    for kind, numbers in (("pulse", 1), ("counter", range(50, 50 + len(stamps)))):
        power = counted_power([counting(tmp_path, house, kind, stamps, unsigned=("Wh", kind, numbers))]).series
        assert power.index[0] == start + pd.Timedelta("1min")
        assert power.to_numpy()[:3] == pytest.approx([360, 180, 180]) and power.to_numpy()[-1] == pytest.approx(240)
        assert power.iloc[3:-1].isna().all()  # no pulse for more than a quarter of an hour: nobody knows why


def test_stamped_pulses_tell_more_than_counted_ones(tmp_path, house):
    readings, truth = made_house(days=2, seed=2)
    wh, index = 7.2, readings.index
    energy = np.concatenate([[0.0], np.cumsum(readings["reading_w"].to_numpy() / 60)])
    second = np.interp(np.arange(wh, energy[-1], wh), energy, 60.0 * np.arange(energy.size))
    stamps = index[0] + pd.to_timedelta(np.round(second, 6), unit="s")
    tests = ("W", "mean", LOAD_W * readings["test_on"].to_numpy())
    array = counting(
        tmp_path, house, "array", index, generation=("W", "mean", readings["pv_w"].to_numpy()), test_load=tests
    )
    stamped = counting(tmp_path, house, "stamped", stamps, unsigned=("Wh", "pulse", wh))
    counts = np.diff(np.floor(energy / wh)) * wh
    counted = counting(tmp_path, house, "counted", index, unsigned=("Wh", "interval", counts))
    assert sensor_record([counted, array])[3] == pytest.approx(wh) and sensor_record([stamped, array])[3] == 0
    found = [directions([file, array])[0] for file in (stamped, counted)]
    assert sum(found[0].days[["import_kwh", "export_kwh"]].sum()) == pytest.approx(energy[-1] / 1000, rel=0.01)
    signs = [sign_right(one, truth.reindex(one.samples.index)) for one in found]
    assert signs[0] > signs[1] > 0.85


def test_a_mapping_that_says_that_powers_are_moments_has_them_decoded_so(tmp_path, house):
    readings, _ = made_house(days=1, interval_s=30, kind="snapshot", seed=6)
    reading, sun = (("W", "mean", readings[name].to_numpy()) for name in ("reading_w", "pv_w"))
    file = counting(tmp_path, house, "sensor", readings.index, unsigned=reading, generation=sun)
    assert not file.snapshot
    mapping = tmp_path / "sensor.toml"
    mapping.write_text("snapshot = true\n" + mapping.read_text(encoding="utf-8"), encoding="utf-8")
    found, table = directions([bring(tmp_path / "sensor.csv", house)])
    for kind, alike in (("snapshot", True), ("mean", False)):
        told = decode(table, kind=kind, pv_window_s=30.0).days
        assert np.allclose(found.days.to_numpy(), told.to_numpy()) == alike
