"""The front door says clear words in every place where the first start can fail, and repairs what is half done."""

import ast
import configparser
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from solarlib import __main__ as door

ROOT = Path(__file__).parents[1]
FILES = (
    "requirements.txt",
    "solarlib/__init__.py",
    "solarlib/__main__.py",
    "solarlib/constraints.txt",
    "solarlib/front_door.toml",
    "solarlib/pyproject.toml",
    "solarlib/setup.py",
    "tests/requirements.txt",
)


@pytest.fixture
def clone(tmp_path):
    """A copy of what the front door needs, on a path with blanks and letters beyond ASCII."""
    folder = tmp_path / "mein Häuschen & más"
    for name in FILES:
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        shutil.copy(ROOT / name, folder / name)
    return folder


def run(folder, *words, prelude="", **environment):
    """Run the front door of a clone with a fresh Python; return (exit code, all it said)."""
    code = (
        f"import sys, os, runpy; sys.path.insert(0, os.getcwd()); sys.argv = ['solarlib', *{list(words)}]\n{prelude}\n"
    )
    code += "runpy.run_module('solarlib', run_name='__main__', alter_sys=True)"
    base = sys._base_executable
    done = subprocess.run(
        [base, "-I", "-X", "utf8", "-c", code],
        cwd=folder,
        env=dict(os.environ, **environment),
        capture_output=True,
        encoding="utf-8",
        timeout=120,
    )
    return done.returncode, done.stdout + done.stderr


def test_needs_only_the_standard_library_and_old_syntax():
    source = (ROOT / "solarlib/__main__.py").read_text(encoding="utf-8")
    tree = ast.parse(source, feature_version=(3, 4))
    assert not [node for node in ast.walk(tree) if isinstance(node, (ast.JoinedStr, ast.AnnAssign, ast.NamedExpr))]
    names = {alias.name for node in ast.walk(tree) if isinstance(node, ast.Import) for alias in node.names}
    assert names <= sys.stdlib_module_names
    assert not [node for node in ast.walk(tree) if isinstance(node, ast.ImportFrom)]


@pytest.mark.parametrize("version", [(3, 9, 18), (3, 14, 0)])
def test_a_python_out_of_the_tested_range_gets_one_sentence_with_what_to_type(clone, version):
    code, said = run(clone, "lab", prelude=f"sys.version_info = {version}")
    assert code == 1
    assert said.startswith(f"These lessons run on Python 3.11, 3.12 or 3.13; this is Python {version[0]}.{version[1]}.")
    assert "3.13 -m solarlib lab" in said and said.count("\n") == 1


@pytest.mark.parametrize("words", [(), ("labs",), ("tests", "-q")])
def test_wrong_words_get_the_right_ones(clone, words):
    code, said = run(clone, *words)
    assert code == 2
    assert all(f"-m solarlib {word}" in said for word in ("lab", "show", "follow", "check", "test", "save"))
    assert not (clone / ".venv").exists()


def test_no_venv_module(clone):
    code, said = run(clone, "lab", prelude="sys.modules['ensurepip'] = None")
    assert code == 1 and "sudo apt install python3-venv" in said and "Traceback" not in said


def test_no_disk(clone):
    prelude = "import shutil; shutil.disk_usage = lambda path: shutil._ntuple_diskusage(10, 9, 1)"
    code, said = run(clone, "lab", prelude=prelude)
    assert code == 1 and "The disk is full. Free about 1.2 GB" in said and not (clone / ".venv").exists()


NOWHERE = {
    "PIP_CONFIG_FILE": os.devnull,
    "PIP_INDEX_URL": "http://127.0.0.1:9/simple",
    "PIP_RETRIES": "0",
    "PIP_NO_CACHE_DIR": "1",
}


@pytest.mark.slow
def test_no_network_is_named_and_leaves_no_stamp(clone):
    code, said = run(clone, "lab", **NOWHERE)
    assert code == 1
    assert "The packages could not be fetched: no network" in said and "Traceback" not in said
    assert (clone / ".venv" / "install-log.txt").exists() and not (clone / ".venv" / "installed.txt").exists()


@pytest.mark.slow
def test_an_update_without_network_leaves_the_older_environment_in_use(clone):
    (clone / "notebooks").mkdir()
    (clone / "solarlib" / "jupyter").mkdir()
    base = [sys._base_executable, "-m", "venv", "--without-pip", str(clone / ".venv")]
    subprocess.run(base, check=True, timeout=60)
    stamp, kept = clone / ".venv" / "installed.txt", clone / ".venv" / "of the older one"
    stamp.write_text("another recipe", encoding="utf-8")
    kept.touch()
    code, said = run(clone, "save", **NOWHERE)
    assert "no network" in said and "Nothing is lost" in said and "Traceback" not in said.split("Nothing is lost")[0]
    assert kept.exists() and stamp.read_text(encoding="utf-8") == "another recipe"
    assert not (clone / ".venv.old").exists() and (clone / ".venv" / "install-log.txt").exists()
    assert "No module named" in said or code != 0  # the word went on with what is there

    # a power cut in the midst of an update: what is half made goes, what waits aside comes back
    (clone / ".venv").rename(clone / ".venv.old")
    (clone / ".venv").mkdir()
    run(clone, "save", **NOWHERE)
    assert kept.exists() and not (clone / ".venv.old").exists()


def test_ctrl_c_during_an_update_puts_the_older_environment_back(tmp_path, monkeypatch):
    monkeypatch.setattr(door, "VENV", str(tmp_path / ".venv"))
    monkeypatch.setattr(door, "OLD", str(tmp_path / ".venv.old"))
    monkeypatch.setattr(door, "LOG", str(tmp_path / ".venv" / "install-log.txt"))
    monkeypatch.setattr(door, "is_installed", lambda packages, stamp: False)

    def interrupted():
        (tmp_path / ".venv.old").mkdir()
        (tmp_path / ".venv.old" / "kept").touch()
        (tmp_path / ".venv").mkdir()
        raise KeyboardInterrupt

    monkeypatch.setattr(door, "make_environment", interrupted)
    with pytest.raises(KeyboardInterrupt):
        door.make_ready(with_tools=False)
    assert (tmp_path / ".venv" / "kept").exists() and not (tmp_path / ".venv.old").exists()


def test_a_moved_folder_needs_no_new_environment(tmp_path, monkeypatch):
    before = door.wanted_stamp("requirements.txt")
    moved = tmp_path / "moved"
    for name in FILES:
        (moved / name).parent.mkdir(parents=True, exist_ok=True)
        shutil.copy(ROOT / name, moved / name)
    monkeypatch.setattr(door, "ROOT", str(moved))
    assert door.wanted_stamp("requirements.txt") == before
    monkeypatch.setattr(door, "VENV", str(tmp_path / "environment"))
    subprocess.run([sys._base_executable, "-m", "venv", "--without-pip", door.VENV], check=True, timeout=60)
    door.settings_into_environment()
    asked = [door.venv_python(), "-I", "-c", "import solarlib; print(solarlib.__file__)"]
    found = subprocess.run(asked, capture_output=True, encoding="utf-8", timeout=60, cwd=tmp_path)
    assert found.stdout.strip() == str(moved / "solarlib" / "__init__.py"), found.stderr


@pytest.mark.parametrize(("word", "file"), [("4", "04"), ("04", "04"), ("04-two-registers", "04"), (None, "00")])
def test_a_lesson_is_named_by_its_number(word, file):
    assert door.lesson([word] if word else [])[:2] == file


def test_a_lesson_that_is_not_there_is_told_with_those_that_are():
    with pytest.raises(SystemExit, match="Found the lesson 44.*\n.*00-start-here"):
        door.lesson(["44"])


def test_from_another_folder_the_library_does_not_hide_pythons_own_modules(tmp_path):
    done = subprocess.run(
        [sys._base_executable, "-X", "utf8", str(ROOT / "solarlib"), "help"],
        cwd=tmp_path,
        capture_output=True,
        encoding="utf-8",
        timeout=60,
    )
    assert done.returncode == 0 and "-m solarlib lab" in done.stdout and done.stderr == ""


@pytest.mark.parametrize(
    ("log", "sentence"),
    [
        (
            "ERROR: Could not install packages due to an OSError: [Errno 28] No space left on device",
            "The disk is full.",
        ),
        ("Failed to establish a new connection: [Errno -3] Temporary failure in name resolution", "no network"),
        ("ERROR: [Errno 13] Permission denied: '/srv/x'", "may not be written"),
        ("error: something else", "the last lines above"),
    ],
)
def test_a_failed_installation_is_explained(log, sentence):
    assert sentence in door.explain_failure(log)


def test_only_a_whole_environment_counts_as_installed(tmp_path, monkeypatch):
    monkeypatch.setattr(door, "VENV", str(tmp_path / ".venv"))
    stamp, packages = tmp_path / ".venv" / "installed.txt", "requirements.txt"
    assert not door.is_installed(packages, str(stamp))
    python = Path(door.venv_python())
    python.parent.mkdir(parents=True)
    python.touch()
    assert not door.is_installed(packages, str(stamp))  # interrupted before the stamp, which is written last
    stamp.write_text(door.wanted_stamp(packages), encoding="utf-8")
    assert door.is_installed(packages, str(stamp))
    assert not door.is_installed("tests/requirements.txt", str(stamp))  # tools are told apart from lessons
    stamp.write_text("another recipe", encoding="utf-8")
    assert not door.is_installed(packages, str(stamp))


def test_follow_runs_where_it_was_typed_and_all_else_in_the_project(tmp_path, monkeypatch):
    monkeypatch.setattr(door, "make_ready", lambda with_tools: None)
    monkeypatch.setattr(door, "run", lambda command, folder: (command[-2:], Path(folder)))
    monkeypatch.chdir(tmp_path)
    assert door.main(["follow", "readings.csv", "signed.csv"]) == (["readings.csv", "signed.csv"], tmp_path)
    assert door.main(["save"])[1] == ROOT


def test_only_words_that_test_install_the_tools(monkeypatch):
    installed = []
    monkeypatch.setattr(door, "is_installed", lambda packages, stamp: False)
    monkeypatch.setattr(door, "make_environment", lambda: None)
    monkeypatch.setattr(door, "install", lambda packages, stamp: installed.append(packages))
    monkeypatch.setattr(door, "settings_into_environment", lambda: None)
    monkeypatch.setattr(door, "say", lambda *words: None)
    door.make_ready(with_tools=False)
    assert installed == ["requirements.txt"]
    door.make_ready(with_tools=True)
    assert installed == ["requirements.txt", "requirements.txt", "tests/requirements.txt"]


def test_only_test_all_runs_what_takes_very_long(monkeypatch):
    assert door.test(["tests/bill"])[-3:] == ["-m", "not long", "tests/bill"]
    assert door.test(["--all", "-x"])[-1] == "-x" and "not long" not in door.test(["--all", "-x"])


def test_check_stops_at_the_first_slip_of_form(monkeypatch):
    asked = []
    monkeypatch.setattr(door, "run", lambda command: asked.append(command) or len(asked) - 1)
    monkeypatch.setenv("SOLARLIB_PROFILE", "")
    with pytest.raises(SystemExit) as stop:
        door.check([])
    assert stop.value.code == 1 and [command[3] for command in asked] == ["check", "format"]
    monkeypatch.setattr(door, "run", lambda command: 0)
    assert "not slow and not long" in door.check([]) and os.environ["SOLARLIB_PROFILE"] == "quick"


def test_check_leaves_the_long_rounds_to_test_unless_they_are_named(monkeypatch):
    monkeypatch.setattr(door, "run", lambda command: 0)
    monkeypatch.setenv("SOLARLIB_PROFILE", "")
    assert door.check([])[-len(door.QUICK) :] == door.QUICK and door.QUICK[0] == "tests"
    left_out = [word.partition("=")[2] for word in door.QUICK if word.startswith("--ignore")]
    assert len(left_out) == 4 and all(list(ROOT.glob(pattern)) for pattern in left_out)
    assert door.check(["-x", "-k", "bank"])[-len(door.QUICK) - 3 :] == [*door.QUICK, "-x", "-k", "bank"]
    for named in ("tests/lessons", "tests/test_front_door.py::test_no_disk"):
        assert door.check([named])[-2:] == ["not slow and not long", named]


def test_the_quick_round_changes_only_what_runs_notebooks_and_examples_in_docstrings():
    usual = configparser.ConfigParser(interpolation=None)
    usual.read(ROOT / ".pytest.ini", encoding="utf-8")
    quick = door.QUICK[-1].removeprefix("--override-ini=addopts=").removesuffix(" -p no:nbval")
    kept = [word for word in usual["pytest"]["addopts"].split() if "nbval" not in word and word != "--doctest-modules"]
    assert quick.split() == kept


def test_without_a_screen_no_browser_is_started(monkeypatch):
    monkeypatch.setenv("SSH_CONNECTION", "10.0.0.1 1 10.0.0.2 22")
    monkeypatch.delenv("DISPLAY", raising=False)
    assert not door.has_browser()


def test_the_environment_is_the_pinned_one():
    from importlib.metadata import version

    pins = (ROOT / "solarlib/constraints.txt").read_text(encoding="utf-8").splitlines()
    asked = [
        [line for line in (ROOT / name).read_text(encoding="utf-8").splitlines() if line and line[0].isalpha()]
        for name in ("requirements.txt", "tests/requirements.txt")
    ]
    assert min(map(len, asked)) >= 7
    for line in sum(asked, []):
        name = line.split("<")[0]
        wanted = [pin.split(";")[0].strip().partition("==")[2] for pin in pins if pin.startswith(f"{name}==")]
        assert version(name) in wanted, f"{name}: installed {version(name)}, pinned {wanted}"
