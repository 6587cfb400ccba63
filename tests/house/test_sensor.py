"""What ties a record's energy to a meter: totals between moments at which both registers are known."""

import numpy as np
import pandas as pd
import pytest

from solarlib.house.file import read_house
from solarlib.house.flows import bring
from solarlib.house.sensor import directions, meter_totals, sensor_record, smallest_step

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
