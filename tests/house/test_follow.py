"""The signed file of a file that grows: whatever ends the program, it becomes what one run makes of the same rows."""

import os
import signal
import subprocess
import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from made_records import LOAD_W, made_house
from solarlib import __main__ as door
from solarlib.direction.calibration import Estimate, Repairs
from solarlib.direction.decoder import decode
from solarlib.direction.likelihood import learn_habits
from solarlib.house import follow
from solarlib.house.file import read_house
from solarlib.quantities import InputError

ROOT = Path(__file__).resolve().parents[2]
COLUMN = '[[column]]\nname = "{0}"\nquantity = "{1}"\nunit = "{2}"\n'
ZONE = "America/New_York"


@pytest.fixture(scope="module")
def house():
    return read_house("two-storey")


@pytest.fixture(scope="module")
def record():
    """Two days and a half of readings every ten minutes, across the night on which the clock is put back."""
    readings, truth = made_house(days=3, seed=5, interval_s=600, start="2026-10-31", tz=ZONE)
    return readings.iloc[:370], truth.iloc[:370]


def written(folder, name, table, columns, interval="10min"):
    """Write a mapping and return the path and the bytes of the whole file; ``columns``: name -> (quantity, unit)."""
    text = table[list(columns)].set_axis(table.index.strftime("%Y-%m-%d %H:%M:%S").rename("time")).to_csv()
    mapping = f'zone = "{ZONE}"\ndecimal = "."\ntime = "time"\ninterval = "{interval}"\n'
    mapping += "".join(COLUMN.format(title, *what) for title, what in columns.items())
    (folder / f"{name}.toml").write_text(mapping, encoding="utf-8")
    return folder / f"{name}.csv", text.replace("\r", "").encode("ascii")


@pytest.fixture
def one_file(tmp_path, record):
    table = record[0].round({"reading_w": 0, "pv_w": 1}).assign(heater=record[0]["test_on"] * LOAD_W)
    columns = {"reading_w": ("unsigned", "W"), "pv_w": ("generation", "W"), "heater": ("test_load", "W")}
    return written(tmp_path, "readings", table, columns)


@pytest.fixture
def two_files(tmp_path, record):
    quarter = record[0]["pv_w"].resample("30min").mean().rename("power").round(1).to_frame()
    reading = written(tmp_path, "readings", record[0].round(0), {"reading_w": ("unsigned", "W")})
    return reading, written(tmp_path, "array", quarter, {"power": ("generation", "W")}, "30min")


class Following:
    """One run of `follow`."""

    def __init__(self, house, path, signed, array=None, load_w=0.0, habits=None):
        repairs = Repairs(load=Estimate(load_w, 1.0) if load_w else None)
        self.looks = follow.looks(house, (path, array) if array else (path,), signed, habits, repairs)

    def look(self):
        return next(self.looks)


def one_run(*how, **more):
    assert Following(*how, **more).look() == ""
    return how[2].read_bytes()


def test_signs_power_and_state_of_each_row(house, record, one_file, tmp_path):
    path, whole = one_file
    path.write_bytes(whole)
    one_run(house, path, tmp_path / "signed.csv", load_w=LOAD_W)
    table = pd.read_csv(tmp_path / "signed.csv")
    assert len(table) == len(record[0]) and (pd.to_datetime(table["time"], utc=True) == record[0].index).all()
    seen = table[table["state"] != "missed"]
    expected = (1 - 2 * seen["p_export"]) * seen["reading_w"]
    assert (seen["signed_w"] - expected).abs().max() < 0.51 + 0.001 * seen["reading_w"].max()
    states = {"export": seen["p_export"] >= 0.9, "import": seen["p_export"] <= 0.1}
    assert all((seen["state"] == name).equals(which) for name, which in states.items())
    light, net = (record[0]["pv_w"] > 50).to_numpy(), record[1]["net_w"].to_numpy()
    sure = light & table["state"].isin(["export", "import"]).to_numpy()
    assert ((table["state"] == "export") == (net < 0))[sure].mean() > 0.9 and sure.sum() > 0.5 * light.sum()


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(3))
def test_ended_anywhere_and_started_again_it_is_one_run(house, one_file, tmp_path, seed):
    path, whole = one_file
    path.write_bytes(whole)
    expected = one_run(house, path, tmp_path / "whole.csv")
    rng, signed = np.random.default_rng(seed), tmp_path / "signed.csv"
    running = None
    for cut in [*np.sort(rng.integers(0, len(whole), 12)), len(whole)]:
        path.write_bytes(whole[:cut])  # in the middle of a row as well
        if running is None or rng.random() < 0.6:
            running = Following(house, path, signed)
        running.look()
        if signed.is_file() and rng.random() < 0.5:  # killed while writing
            with signed.open("ab") as file:
                file.truncate(max(0, file.tell() - int(rng.integers(0, 200))))
            running = None
    Following(house, path, signed).look()
    assert signed.read_bytes() == expected


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(2))
def test_two_files_that_grow_at_their_own_pace_give_one_output(house, two_files, tmp_path, seed):
    (path, whole), (array, made) = two_files
    path.write_bytes(whole)
    array.write_bytes(made)
    expected = one_run(house, path, tmp_path / "whole.csv", array)
    rng, signed = np.random.default_rng(seed), tmp_path / "signed.csv"
    cuts = [np.sort(rng.integers(0, len(text), 8)) for text in (whole, made)]
    for first, second in [*zip(*cuts), (len(whole), len(made))]:
        path.write_bytes(whole[:first])
        array.write_bytes(made[:second])
        Following(house, path, signed, array).look()
        assert expected.startswith(signed.read_bytes() if signed.is_file() else b"")
    assert signed.read_bytes() == expected


def test_pv_power_counts_when_its_window_is_over_and_rows_wait_for_it(house, two_files, tmp_path):
    (path, whole), (array, made) = two_files
    path.write_bytes(whole)
    array.write_bytes(made)
    rows = follow.rows_of(house, (path, array), Repairs())[0]
    table = pd.read_csv(array, index_col=0)["power"]
    for at, of in (("12:00", "11:30"), ("12:10", "11:30"), ("12:20", "12:00")):  # the reading of 12:20 ends at 12:30
        assert rows["pv_w"][pd.Timestamp(f"2026-10-31 {at}", tz=ZONE)] == table[f"2026-10-31 {of}:00"]
    noon = made.index(b"2026-10-31 12:00:00")
    array.write_bytes(made[:noon])
    rows = follow.rows_of(house, (path, array), Repairs())[0]
    assert rows.index[-1] == pd.Timestamp("2026-10-31 12:10", tz=ZONE)  # the next needs the window from 12:00
    assert Following(house, path, tmp_path / "s.csv", array).look() == (
        "Readings wait for the PV power: array.csv is behind."
    )
    path.write_bytes(whole[: whole.index(b"2026-10-31 13:40:00")])  # three windows: not yet worth a word
    assert Following(house, path, tmp_path / "s.csv", array).look() == ""
    path.write_bytes(whole)
    dark = made.index(b"2026-10-31 20:00:00")
    array.write_bytes(made[:dark])
    rows = follow.rows_of(house, (path, array), Repairs())[0]
    assert rows.index[-1].hour < 9 and rows.index[-1].day == 1  # at night none is waited for
    assert (rows["pv_w"].iloc[-20:-10] == 0).all()


def test_what_an_earlier_record_taught_is_used(house, two_files, tmp_path):
    (path, whole), (array, made) = two_files
    path.write_bytes(whole)
    array.write_bytes(made)
    plain = one_run(house, path, tmp_path / "plain.csv", array)
    noon = pd.Timestamp("2026-10-31 12:00", tz=ZONE)
    late = Repairs(late_s=600.0, gain_used=2.0)  # the PV stamps are late: a window is over sooner
    before, after = (follow.rows_of(house, (path, array), repairs)[0]["pv_w"] for repairs in (Repairs(), late))
    shown = pd.read_csv(array, index_col=0)["power"]
    assert before[noon + pd.Timedelta("10min")] == shown["2026-10-31 11:30:00"]
    assert after[noon + pd.Timedelta("10min")] == shown["2026-10-31 12:00:00"] / 2
    habits = learn_habits(np.full(500, 400.0), np.full(500, True), 600.0)
    assert one_run(house, path, tmp_path / "taught.csv", array, habits=habits) != plain


def test_a_file_that_is_replaced_goes_on_and_is_told_once(house, one_file, tmp_path):
    path, whole = one_file
    lines, signed = whole.splitlines(keepends=True), tmp_path / "signed.csv"
    path.write_bytes(b"".join(lines[:200]))
    running = Following(house, path, signed)
    assert running.look() == "" and running.look() == ""
    before = signed.read_bytes()
    path.write_bytes(b"".join([lines[0], *lines[190:]]))  # another file, which begins where the first had not ended
    assert "readings.csv was replaced" in running.look() and running.look() == ""
    after = signed.read_bytes()
    assert after.startswith(before) and after.count(b"\n") == len(lines)
    times = pd.to_datetime(pd.read_csv(signed)["time"], utc=True)
    assert times.is_monotonic_increasing and times.is_unique


def test_rows_that_come_too_late_are_passed_over_in_one_run_and_in_two(house, one_file, tmp_path):
    path, whole = one_file
    lines = whole.splitlines(keepends=True)
    late = [*lines[:100], *lines[101:120], lines[100], *lines[120:]]
    outputs = []
    for name, cuts in (("one", [len(late)]), ("two", [100, 115, len(late)])):
        for cut in cuts:
            path.write_bytes(b"".join(late[:cut]))
            Following(house, path, tmp_path / name).look()
        outputs.append((tmp_path / name).read_bytes())
    assert outputs[0] == outputs[1] and outputs[0].count(b"\n") == len(lines) - 1


def test_values_that_cannot_be_are_missed_and_a_log_that_ends_is_no_off(house, one_file, tmp_path):
    path, whole = one_file
    lines = [line.split(b",") for line in whole.splitlines()]
    for at, column, text in ((90, 1, b"-500"), (91, 1, b"9e9"), (92, 3, b"")):
        lines[at][column] = text
    path.write_bytes(b"\n".join(map(b",".join, lines)) + b"\n")
    one_run(house, path, tmp_path / "signed.csv")
    table = pd.read_csv(tmp_path / "signed.csv")
    assert table.index[table["state"] == "missed"].tolist() == [89, 90, 91]


def test_what_keeps_it_waiting_is_told(house, one_file, tmp_path):
    path, whole = one_file
    nowhere = tmp_path / "no-such-folder" / "signed.csv"
    running = Following(house, path, tmp_path / "signed.csv")
    assert running.look().startswith("Waiting. readings.csv: found no text")
    path.write_bytes(whole[:60])  # the header and a half row
    assert running.look().startswith("Waiting. readings.csv: found ")
    path.unlink()
    path.mkdir()  # whatever the system refuses, as it may while a file is replaced
    assert running.look().startswith("Waiting. ")
    path.rmdir()
    assert not (tmp_path / "signed.csv").exists()
    path.write_bytes(whole[:200])
    assert running.look() == "" and (tmp_path / "signed.csv").read_bytes().count(b"\n") == whole[:200].count(b"\n")
    writing = Following(house, path, nowhere)
    assert "no-such-folder" in writing.look()
    nowhere.parent.mkdir()
    assert writing.look() == "" and nowhere.read_bytes() == (tmp_path / "signed.csv").read_bytes()


def test_a_strangers_file_is_left_alone(house, one_file, tmp_path):
    path, whole = one_file
    path.write_bytes(whole)
    (tmp_path / "signed.csv").write_text("my notes\n", encoding="utf-8")
    assert Following(house, path, tmp_path / "signed.csv").look() == (
        "Waiting. signed.csv: found a file of another kind, allowed is none yet, or one that follow wrote"
    )
    assert (tmp_path / "signed.csv").read_text(encoding="utf-8") == "my notes\n"


@pytest.mark.parametrize(
    "mapping",
    [
        'interval = "1h"\n' + COLUMN.format("m", "net", "kWh") + 'kind = "counter"',
        'interval = "1h"\n' + COLUMN.format("m", "net", "W") + 'where = { meter = "A" }',
        COLUMN.format("m", "net", "W"),
    ],
)
def test_counters_rows_of_several_meters_and_mappings_without_interval_are_refused(tmp_path, mapping):
    (tmp_path / "readings.toml").write_text(mapping, encoding="utf-8")
    with pytest.raises(InputError, match="no interval, a counter, pulses, or a where"):
        follow.grown(tmp_path / "readings.csv")


def test_an_earlier_record_gives_habits_load_clock_and_gain():
    readings, truth = made_house(days=4, seed=1)
    readings = readings.assign(pv_w=1.03 * readings["pv_w"])
    habits, repairs = follow.learned(decode(readings, 1.05 * LOAD_W), readings)
    assert repairs.load.value == pytest.approx(LOAD_W, rel=0.01) and repairs.gain_used == pytest.approx(1.03, abs=0.01)
    assert habits.samples > 1500 and habits.base_w == pytest.approx(150, abs=40)
    with pytest.raises(InputError, match="needs a look first"):
        follow.learned(decode(readings.assign(pv_w=0.0), LOAD_W), readings)


@pytest.mark.slow
@pytest.mark.skipif(os.name == "nt", reason="sends Ctrl+C as POSIX does")
def test_the_word_says_what_it_does_and_ends_with_a_sentence(one_file, tmp_path):
    path, whole = one_file
    path.write_bytes(whole)
    signed = tmp_path / "signed.csv"
    command = [sys.executable, "-u", *door.follow([])[1:], "two-storey", "readings.csv", "signed.csv"]
    place = {"cwd": tmp_path, "env": os.environ | {"PYTHONPATH": str(ROOT)}, "encoding": "utf-8"}
    run = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, **place)
    assert run.stdout.readline().startswith("Following readings.csv")
    for _ in range(600):
        if signed.is_file() and signed.read_bytes().count(b"\n") == whole.count(b"\n"):
            break
        try:
            run.wait(0.1)
        except subprocess.TimeoutExpired:
            pass
    run.send_signal(signal.SIGINT)
    said, wrong = run.communicate(timeout=60)
    assert said.strip().startswith("Stopped.") and not wrong and run.returncode == 0


def test_what_cannot_be_followed_ends_with_one_sentence(one_file, tmp_path):
    with pytest.raises(SystemExit, match="^house file: found nothing at 'no-such-house'"):
        follow.main(["no-such-house", str(one_file[0]), str(tmp_path / "signed.csv")])
