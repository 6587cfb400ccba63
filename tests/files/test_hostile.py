"""Files as people have them: by an honest mapping.

Nothing is read wrong, no value is lost, nothing ends in an error that does not say what to do.
"""

import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from solarlib.files.reading import read
from solarlib.quantities import InputError

sys.path.insert(0, str(Path(__file__).parent))
import hostile

CASES = list(hostile.cases())
HERE = [pytest.param(case, id=case.title) for case in CASES]


def written(folder, case):
    path = folder / case.name
    path.write_bytes(case.content)
    return path


def energies(readings):
    """The energies of a table by quantity. [kWh]"""
    hours = readings.step / pd.Timedelta("1h")
    columns = {
        title.rsplit("_", 1)[0]: series * hours / 1000 if title.endswith("_w") else series
        for title, series in readings.table.items()
    }
    return pd.DataFrame(columns)


def assert_true(case, readings):
    """Each value is told at its moment, and none is missing without being told."""
    account, got = readings.account, energies(readings)
    assert account.lines == account.head_lines + account.blank_lines + account.rows_read
    for quantity, truth in case.truth.items():
        have, truth = got[quantity].dropna(), truth.dropna()
        assert have.index.isin(truth.index).all(), f"{quantity} at other moments"
        assert np.allclose(have, truth[have.index], atol=2e-3), quantity
        assert len(truth) - len(have) <= case.lost, f"{quantity}: {len(truth) - len(have)} values lost"


def test_there_are_enough():
    assert len(CASES) >= 150 and len({case.title for case in CASES}) == len(CASES)


@pytest.mark.parametrize("case", HERE)
def test_by_an_honest_mapping(tmp_path, case):
    path = written(tmp_path, case)
    if not case.refused:
        return assert_true(case, read(path, case.mapping))
    with pytest.raises(InputError, match=case.refused) as error:
        read(path, case.mapping)
    assert "\n" not in str(error.value) and "allowed" in str(error.value)


SEEDS, FILES_A_SEED = 20, 100


@pytest.mark.long
@pytest.mark.parametrize("seed", range(SEEDS))
def test_damaged_ones_are_read_or_refused(tmp_path, seed):
    """2,000 files with accidents: each is refused in one line, or read with an account that adds up."""
    from test_reading import damage

    rng, read_ones = np.random.default_rng(1000 + seed), 0
    for _ in range(FILES_A_SEED):
        case = CASES[rng.integers(len(CASES))]
        path = tmp_path / case.name
        path.write_bytes(damage(case.content[:4000], rng))
        try:
            account = read(path, case.mapping).account
        except InputError as error:
            assert "\n" not in str(error) and "found" in str(error) and "allowed" in str(error)
            continue
        read_ones += 1
        assert account.lines == account.head_lines + account.blank_lines + account.rows_read
        assert account.rows_read == account.rows_used + len(account.set_aside)
    assert read_ones > FILES_A_SEED // 4  # else it proves nothing
