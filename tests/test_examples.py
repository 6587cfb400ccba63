"""The example files carry the faults that data/README.md lists, and the reader finds each of them."""

import runpy
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from solarlib.plausible import plausibility
from solarlib.readings import read

DATA = Path(__file__).parent.parent / "data"
FOLDER = DATA / "examples"
ZONE = "America/New_York"


@pytest.fixture(scope="module")
def build():
    return runpy.run_path(str(DATA / "build_examples.py"))


@pytest.fixture(scope="module")
def truth(build):
    return build["minutes"](np.random.default_rng(20261012))


def example(name):
    return read(FOLDER / f"{name}.csv", FOLDER / f"{name}.toml")


def test_the_script_makes_the_shipped_files_again(build):
    made = build["build"]()
    assert sorted(made) == sorted(path.name for path in FOLDER.iterdir())
    for name, content in made.items():
        assert (FOLDER / name).read_bytes() == content, name


def test_the_generation_file(truth):
    got = example("generation-quarter-hours")
    account = got.account
    assert account.balanced and (account.rows_read, account.rows_used, account.head_lines) == (3346, 3341, 4)
    texts = account.set_aside["text"]
    assert texts.str.endswith("no answer").sum() == 3 and texts.str.startswith("Sum;").sum() == 1
    assert (account.set_aside["reason"] == "repeats an earlier row").sum() == 1
    found = {finding.kind: finding for finding in plausibility(got.table, got.step, 5760.0)}
    assert set(found) == {"above limit", "stuck", "factor"}
    assert found["stuck"].rows[0] == pd.Timestamp("2026-10-15 10:00", tz=ZONE) and len(found["stuck"].rows) == 24
    assert set(found["factor"].rows.strftime("%m-%d")) == {"10-20"}
    true = truth["generation_w"].resample("15min").mean().reindex(got.table.index)
    sound = ~got.table.index.isin(found["stuck"].rows) & ~got.table.index.isin(found["factor"].rows)
    assert np.abs(got.table["generation_w"] - true)[sound].max() <= 0.5 + 1e-6  # written to the W


def test_the_register_file(truth):
    got = example("meter-registers")
    assert got.account.balanced and got.account.rows_used == 841 and not len(got.account.set_aside)
    inward, outward = got.intervals.values()
    assert inward["how"].value_counts().to_dict() == {"difference": 837, "rollover": 1, "exchange": 1}
    assert outward["how"].value_counts().to_dict() == {"difference": 838, "exchange": 1}
    notes = " ".join(got.account.notes)
    assert "1 readings look as if the two registers were swapped, the first at 2026-10-19 07:00" in notes and "rolled over" in notes
    net = (truth["load_w"] - truth["generation_w"])[: got.table.index[-1]].iloc[:-1] / 60_000
    for found, kwh in ((inward, net.clip(lower=0).sum()), (outward, (-net).clip(lower=0).sum())):
        assert found["energy_kwh"].sum() == pytest.approx(kwh, abs=2)  # whole kWh, read at four ends


def test_the_sensor_file(truth):
    got = example("sensor-week")
    assert got.account.balanced and len(got.account.set_aside) == 1 and "T" in got.account.set_aside["text"].iloc[0]
    assert any("stand before an older one" in note for note in got.account.notes)
    found = plausibility(got.table, got.step, service_power_w=20_000)
    assert [finding.kind for finding in found] == ["above limit"] and len(found[0].rows) == 1
    true = (truth["load_w"] - truth["generation_w"]).abs().reindex(got.table.index)
    assert (got.table["unsigned_w"] - true).drop(found[0].rows).abs().max() < 20  # six times its noise of 3 W, and rounding


def test_the_file_written_by_hand():
    got = example("reads-by-hand")
    assert got.account.balanced and got.step is None and got.account.rows_used == 9
    delivered = got.intervals["delivered (In)"]
    assert delivered["how"].tolist() == ["difference", "difference", "difference", "difference", "rollover", "difference", "difference"]
    assert delivered["energy_kwh"].sum() == 101_436 - 97_310
    assert "2026-07-01" in " ".join(note for note in got.account.notes if "swapped" in note)
