"""Kept tables: sums with what they rest on, nothing twice, nothing lost, whole at every moment of writing."""

import csv
import os
import signal
import subprocess
import sys
import textwrap
import time

import numpy as np
import pandas as pd
import pytest
from day_rows import daily

from solarlib.files import records
from solarlib.files.records import keep, read_kept, write_whole
from solarlib.quantities import InputError

ZONE = "Europe/Berlin"
STEP = pd.Timedelta("15min")


def readings(start="2026-03-27", end="2026-04-01"):
    index = pd.date_range(start, end, freq=STEP, tz=ZONE, inclusive="left")
    hour = index.hour + index.minute / 60
    power = np.maximum(0, 3000 * np.sin((hour - 6) / 12 * np.pi))
    return pd.DataFrame({"generation_w": power, "delivered_kwh": 0.1, "received_kwh": power / 8000}, index=index)


def test_a_day_of_23_hours_is_complete():
    days = daily(readings(), STEP)
    assert days["date"].tolist() == [f"2026-03-{day}" for day in range(27, 32)]
    assert (days["quality"] == "complete").all() and (days["measured_share"] == 1).all()
    assert days["delivered_kwh"].round(6).tolist() == [9.6, 9.6, 9.2, 9.6, 9.6]  # 96 or 92 quarter hours
    assert days["peak_kw"].iloc[0] == 3.0 and days["peak_time"].iloc[0] == "12:00"
    assert days["generation_kwh"].sum() == pytest.approx(readings()["generation_w"].sum() / 4000)


def test_a_day_in_part_and_an_empty_one_are_marked():
    table = readings()
    table = table[
        ~(
            (table.index >= pd.Timestamp("2026-03-28 12:00", tz=ZONE))
            & (table.index < pd.Timestamp("2026-03-30", tz=ZONE))
        )
    ]
    days = daily(table, STEP, {"2026-03-29": "logger off"})
    assert days["quality"].tolist() == ["complete", "part", "empty", "complete", "complete"]
    assert (
        days["measured_share"].iloc[1] == 0.5
        and days["note"].iloc[2] == "logger off"
        and days["generation_kwh"].isna().iloc[2]
    )


def test_new_days_join_and_a_second_run_writes_nothing(tmp_path):
    path, days = tmp_path / "days.csv", daily(readings(), STEP)
    assert keep(path, days.iloc[:3]).added == ("2026-03-27", "2026-03-28", "2026-03-29")
    change = keep(path, days)
    assert change.added == ("2026-03-30", "2026-03-31") and len(change.alike) == 3
    before = path.stat().st_mtime_ns, path.read_bytes()
    again = keep(path, days)
    assert not again.written and not again.added and (path.stat().st_mtime_ns, path.read_bytes()) == before
    assert np.allclose(read_kept(path)["generation_kwh"], days["generation_kwh"], atol=5e-4)
    assert read_kept(path)["date"].tolist() == days["date"].tolist()


def test_earlier_days_that_come_later_stand_in_order(tmp_path):
    path, days = tmp_path / "days.csv", daily(readings(), STEP)
    keep(path, days.iloc[3:])
    keep(path, days.iloc[:3])
    assert read_kept(path)["date"].tolist() == days["date"].tolist()


def test_other_numbers_are_reported_and_left(tmp_path):
    path, days = tmp_path / "days.csv", daily(readings(), STEP)
    keep(path, days)
    raw = path.read_bytes()
    other = days.copy()
    other.loc[1, "delivered_kwh"] = 12.0
    change = keep(path, other)
    assert change.differing.to_numpy().tolist() == [["2026-03-28", "delivered_kwh", "9.600", "12.000", False]]
    assert path.read_bytes() == raw and not change.written
    assert str(change) == "0 rows added, 4 there already, 1 came with other numbers (left as they were)."


def test_a_day_that_was_there_in_part_is_completed_and_never_cut_back(tmp_path):
    path, table = tmp_path / "days.csv", readings()
    days = daily(table, STEP)
    early = daily(table.iloc[:-50], STEP, {"2026-03-31": "so far"})
    assert early["quality"].iloc[-1] == "part"
    keep(path, early)
    change = keep(path, days)
    assert change.completed == ("2026-03-31",) and change.differing["replaced"].all() and "1 completed" in str(change)
    kept = read_kept(path)
    assert kept["delivered_kwh"].iloc[-1] == 9.6 and kept["note"].iloc[-1] == "so far"
    raw = path.read_bytes()
    again = keep(path, early)  # an older, shorter file comes once more
    assert not again.written and not again.completed and len(again.differing) and path.read_bytes() == raw


def test_what_a_person_wrote_into_the_file_stays(tmp_path):
    path, days = tmp_path / "days.csv", daily(readings(), STEP)
    keep(path, days.iloc[:3])
    head, *rows = list(csv.reader(path.read_text(encoding="utf-8-sig").splitlines()))
    assert head[-2:] == ["note", "form 1"]
    rows[0][head.index("delivered_kwh")], rows[1][head.index("note")] = "9.6", "gäste"
    text = "".join(f"{','.join(row)},{mine}\n" for row, mine in zip([head, *rows], ("mine", "x", "7", "x")))
    path.write_text(text, encoding="utf-8-sig")
    change = keep(path, days)
    assert len(change.alike) == 3 and not len(change.differing)
    kept = read_kept(path)
    assert kept["note"].tolist() == ["", "gäste", "", "", ""] and kept["mine"].tolist() == ["x", "7", "x", "", ""]


def test_a_file_of_the_first_form_is_read_with_and_without_its_number_and_a_newer_one_refused(tmp_path):
    path, days = tmp_path / "days.csv", daily(readings(), STEP)
    keep(path, days)
    numbered = path.read_text(encoding="utf-8-sig")
    assert numbered.splitlines()[0].endswith(",note,form 1")
    bare = "".join(line.removesuffix(",form 1").removesuffix(",") + "\n" for line in numbered.splitlines())
    bare = bare.replace("complete\n", "complete,\n")
    path.write_text(bare, encoding="utf-8")
    assert list(read_kept(path).columns) == list(days.columns) and len(keep(path, days).alike) == 5
    assert path.read_text(encoding="utf-8") == bare  # nothing new: not written
    path.write_text(bare.replace("9.600", "9.500"), encoding="utf-8")
    extra = days.iloc[-1:].assign(date="2026-04-01")
    keep(path, extra)
    assert path.read_text(encoding="utf-8-sig").splitlines()[0].endswith(",note,form 1")
    path.write_text(numbered.replace("form 1", "form 2"), encoding="utf-8")
    for use in (read_kept, lambda path: keep(path, days)):
        with pytest.raises(InputError, match="found 'form 2' in its first line, allowed is form 1: a newer version"):
            use(path)


def test_a_day_is_complete_where_what_is_missing_makes_no_difference():
    """A quarter of an hour of the night or of an even load matters to no sum, four hours of the day do."""
    table = readings("2026-03-01", "2026-04-01")
    table["generation_w"] *= np.random.default_rng(1).uniform(0.2, 1.0, 32)[table.index.day]
    at = table.index.get_indexer(pd.DatetimeIndex([f"2026-03-{day} 12:00" for day in (10, 12, 14)]).tz_localize(ZONE))
    holed = table.drop(table.index[[at[0], *range(at[1] - 8, at[1] + 8), *range(at[2] - 40, at[2] - 30)]])
    days = daily(holed, STEP).set_index("date")
    assert days["quality"][days["quality"] != "complete"].index.tolist() == ["2026-03-12"]
    assert days["measured_share"].loc["2026-03-10"] == pytest.approx(95 / 96)
    whole = daily(table, STEP).set_index("date")
    assert days["generation_kwh"].loc["2026-03-10"] == pytest.approx(
        whole["generation_kwh"].loc["2026-03-10"], rel=0.02
    )
    measured = table.loc["2026-03-12", "generation_w"].drop(table.index[at[1] - 8 : at[1] + 8]).sum() / 4000
    assert days["generation_kwh"].loc["2026-03-12"] == pytest.approx(measured)  # of a part, what was measured


@pytest.mark.parametrize(
    "text, message",
    [
        ("", "the columns none"),
        ("date;x\n2026-01-01;1\n", "split at commas"),
        ("date,x\n01/02/2026,1\n", "'01/02/2026' as date"),
        ("date,x\n2026-01-01,1\n2026-01-01,2\n", "twice"),
        ("date,x\n2026-01-01\n", "row 2 of 1 cells"),
        ('date,x\n"2026-01-01,1\n', "found"),
    ],
)
def test_a_file_that_is_no_kept_table_is_left_alone(tmp_path, text, message):
    path = tmp_path / "days.csv"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(InputError, match=message):
        keep(path, daily(readings(), STEP))
    assert path.read_text(encoding="utf-8") == text


class Fault(OSError):
    def __init__(self):
        super().__init__(28, "No space left on device")


@pytest.mark.parametrize("what", ["write", "fsync", "replace", "mkstemp", "chmod"])
def test_a_failure_while_writing_leaves_the_old_file_and_no_other(tmp_path, monkeypatch, what):
    path, days = tmp_path / "days.csv", daily(readings(), STEP)
    keep(path, days.iloc[:3])
    raw = path.read_bytes()

    def fail(*args, **kwargs):
        raise Fault()

    if what == "write":
        monkeypatch.setattr(records, "open", lambda handle, *a, **k: (os.close(handle), fail()), raising=False)
    elif what == "mkstemp":
        monkeypatch.setattr(records.tempfile, what, fail)
    else:
        monkeypatch.setattr(records.os, what, fail)
    with pytest.raises(InputError, match="No space left.*the file is as it was"):
        keep(path, days)
    monkeypatch.undo()
    assert path.read_bytes() == raw and [item.name for item in tmp_path.iterdir()] == ["days.csv"]
    assert keep(path, days).added == ("2026-03-30", "2026-03-31")


STEPS = ("mkstemp", "write", "flush", "fsync", "chmod", "replace", "after")
KILLED = textwrap.dedent("""
    import os, signal, sys
    from solarlib.files import records
    path, moment = sys.argv[1:]
    def die(*a, **k):
        os.kill(os.getpid(), signal.SIGKILL)
    class Slow:
        def __init__(self, file): self.file = file
        def __enter__(self): return self
        def __exit__(self, *a): self.file.close()
        def fileno(self): return self.file.fileno()
        def write(self, text):
            if moment == "write":  # half of it has reached the disk
                self.file.write(text[: len(text) // 2]); self.file.flush(); die()
            self.file.write(text)
        def flush(self):
            if moment == "flush": die()
            self.file.flush()
    records.open = lambda *a, **k: Slow(open(*a, **k))
    real = os.replace
    if moment == "mkstemp": records.tempfile.mkstemp = die
    if moment in ("fsync", "chmod", "replace"): setattr(os, moment, die)
    if moment == "after": os.replace = lambda *a: (real(*a), die())
    records.write_whole(path, "date,x\\n" + "2026-01-02,2\\n" * 5000)
""")


@pytest.mark.parametrize("moment", STEPS)
@pytest.mark.long
def test_killed_at_any_step_of_writing_the_file_is_whole(tmp_path, moment):
    path = tmp_path / "days.csv"
    write_whole(path, "date,x\n2026-01-01,1\n")
    old, new = path.read_text(encoding="utf-8-sig"), "date,x\n" + "2026-01-02,2\n" * 5000
    done = subprocess.run([sys.executable, "-c", KILLED, str(path), moment], check=False)
    assert done.returncode == -signal.SIGKILL
    assert path.read_text(encoding="utf-8-sig") == (new if moment == "after" else old)


ENDLESS = textwrap.dedent("""
    import sys
    from solarlib.files import records
    count = 0
    while True:
        count += 1
        records.write_whole(sys.argv[1], f"date,x\\n" + f"2026-01-01,{count}\\n" * 20000 + "end,0\\n")
        if count == 1: print("started", flush=True)
""")


@pytest.mark.long
def test_killed_at_a_chance_moment_the_file_is_whole(tmp_path):
    rng, path = np.random.default_rng(8), tmp_path / "days.csv"
    for _ in range(8):
        process = subprocess.Popen([sys.executable, "-c", ENDLESS, str(path)], stdout=subprocess.PIPE, text=True)
        try:
            assert process.stdout.readline() == "started\n"
            time.sleep(rng.uniform(0, 0.03))
        finally:
            process.kill()
            process.wait()
            process.stdout.close()
        lines = path.read_text(encoding="utf-8-sig").splitlines()
        assert len(lines) == 20_002 and lines[-1] == "end,0" and len(set(lines[1:-1])) == 1


def test_what_a_killed_run_left_is_cleared_away_later(tmp_path):
    left = tmp_path / ".days.csv.abc.part"
    left.write_text("half", encoding="utf-8")
    runs = tmp_path / ".days.csv.def.part"  # of a run 50 minutes ago, which may still be at work
    runs.write_text("half", encoding="utf-8")
    now = time.time()
    os.utime(left, (now - 3700, now - 3700))
    os.utime(runs, (now - 3000, now - 3000))
    write_whole(tmp_path / "days.csv", "date,x\n")
    assert sorted(item.name for item in tmp_path.iterdir()) == [".days.csv.def.part", "days.csv"]


def test_a_file_keeps_its_rights_and_a_link_its_target(tmp_path):
    target = tmp_path / "target.csv"
    target.write_text("old", encoding="utf-8")
    target.chmod(0o600)
    (tmp_path / "link.csv").symlink_to(target)
    write_whole(tmp_path / "link.csv", "new")
    assert target.read_text(encoding="utf-8-sig") == "new" and (tmp_path / "link.csv").is_symlink()
    assert target.stat().st_mode & 0o777 == 0o600


def test_days_as_they_come_are_whole_at_23_and_25_hours_and_have_no_peak():
    index = pd.DatetimeIndex(pd.date_range("2026-03-01", "2026-11-30", freq="D", tz="America/New_York"))
    days = daily(pd.DataFrame({"generation_kwh": np.arange(1.0, len(index) + 1)}, index), "1D")
    assert (days["quality"] == "complete").all() and (days["measured_share"] == 1.0).all()
    assert days["generation_kwh"].sum() == len(index) * (len(index) + 1) / 2 and days["peak_kw"].isna().all()


@pytest.mark.parametrize("cell", ['"26,354"', "26.354 kWh", "nan", "inf", "1_000"])
def test_a_damaged_number_is_told_with_row_and_column(tmp_path, cell):
    path = tmp_path / "days.csv"
    path.write_text(f"date,x_kwh\n2026-01-01,\n2026-01-02,{cell}\n", encoding="utf-8")
    with pytest.raises(InputError) as refused:
        read_kept(path)
    plain = cell.strip('"')
    assert f"days.csv: found {plain!r} in row 3, column x_kwh" in str(refused.value)
    path.write_text("date,x_kwh\n2026-01-01, 1.5 \n2026-01-02,\n", encoding="utf-8")
    assert read_kept(path)["x_kwh"].tolist() == [1.5, pytest.approx(np.nan, nan_ok=True)]


@pytest.mark.parametrize(
    "note", ["=1+1", "+cmd|' /C calc'!A0", "-2", "@SUM(A1)", "a\rb", "a\r\nb", "'quoted", '"', "\0x"]
)
def test_a_note_is_no_formula_and_comes_back(tmp_path, note):
    path = tmp_path / "days.csv"
    days = daily(readings(), STEP, {"2026-03-28": note})
    keep(path, days)
    assert b"\r" not in path.read_bytes()
    cells = [cell for row in csv.reader(path.read_text(encoding="utf-8-sig").splitlines()) for cell in row]
    assert not [cell for cell in cells if cell.startswith(("=", "+", "-", "@")) and cell != "-2"]
    assert read_kept(path)["note"][1] == note.replace("\r\n", "\n").replace("\r", "\n").replace("\0", "")
    assert len(keep(path, days).alike) == 5  # the second time it is the same note


# ---------------------------------------------------------------- programs side by side


ADDING = textwrap.dedent("""
    import sys
    import pandas as pd
    from solarlib.files import records
    path, name, count = sys.argv[1:]
    for number in range(int(count)):
        day = pd.DataFrame({"key": [f"{name}-{number:03d}"], "x_kwh": [float(number)]})
        assert records.keep(path, day).written
        print(day["key"][0], flush=True)
""")


def adding(path, name, count):
    return subprocess.Popen(
        [sys.executable, "-c", ADDING, str(path), name, str(count)], stdout=subprocess.PIPE, text=True
    )


def test_two_programs_at_once_lose_nothing(tmp_path):
    path = tmp_path / "days.csv"
    running = [adding(path, name, 60) for name in ("a", "b")]
    promised = [line for process in running for line in process.communicate()[0].split()]
    assert len(promised) == 120 and sorted(read_kept(path)["key"]) == sorted(promised)
    assert [item.name for item in tmp_path.iterdir()] == ["days.csv"]


@pytest.mark.long
def test_every_row_promised_before_a_kill_is_there_two_hundred_times(tmp_path, monkeypatch):
    rng, path = np.random.default_rng(3), tmp_path / "days.csv"
    monkeypatch.setattr(records, "LOCK_S", 0.1)
    promised, first = [], subprocess.Popen([sys.executable, "-c", "pass"])
    first.wait()
    for number in range(200):
        process = adding(path, f"{number:03d}", 1000)
        promised.append(process.stdout.readline().strip())
        time.sleep(rng.uniform(0, 0.02))
        process.kill()
        promised += process.communicate()[0].split()
        keep(path, pd.DataFrame({"key": [f"{number:03d}-between"], "x_kwh": [1.0]}))
        promised.append(f"{number:03d}-between")
    assert set(filter(None, promised)) <= set(read_kept(path)["key"])


def test_a_lock_that_a_killed_program_left_holds_up_for_a_while_only(tmp_path, monkeypatch):
    path = tmp_path / "days.csv"
    monkeypatch.setattr(records, "LOCK_S", 0.2)
    lock = tmp_path / ".days.csv.lock"
    lock.write_text("of another program", encoding="utf-8")
    begun = time.monotonic()
    assert keep(path, daily(readings(), STEP)).written and time.monotonic() - begun > 0.2 and not lock.exists()


def test_a_turn_that_was_taken_over_meanwhile_is_done_again(tmp_path, monkeypatch):
    path, days = tmp_path / "days.csv", daily(readings(), STEP)
    real, taken = os.fsync, []

    def slow(handle):  # the machine slept here; another program took its turn and ended
        real(handle)
        if not taken:
            taken.append(True)
            (tmp_path / ".days.csv.lock").unlink()
            keep(path, days.iloc[:2])

    monkeypatch.setattr(records.os, "fsync", slow)
    assert keep(path, days.iloc[2:]).added == tuple(days["date"].iloc[2:])
    assert read_kept(path)["date"].tolist() == days["date"].tolist()


@pytest.mark.parametrize("name", ["no\0thing.csv", "loop.csv", "no folder/days.csv"])
def test_a_path_that_can_be_no_file_is_not_written(tmp_path, name):
    (tmp_path / "loop.csv").symlink_to(tmp_path / "loop.csv")
    with pytest.raises(InputError) as refused:
        write_whole(tmp_path / name, "x")
    assert "\n" not in str(refused.value) and "while writing" in str(refused.value)
