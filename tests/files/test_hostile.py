"""Files as people have them: by an honest mapping and by the proposal, answering only what it asks.

Nothing is read wrong, no value is lost, nothing ends in an error that does not say what to do.
"""

import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from solarlib.files.proposal import NUMBERS, propose
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


class Person:
    """Knows the house, and answers what is asked."""

    def __init__(self, case):
        self.known = {"number": "", "date_order": "", "label": "start", **case.known}
        self.columns = {(str(name), str(keys.get("where", {}))): keys for name, keys in case.known["columns"]}

    def knows(self, proposal, point):
        """What the person knows of a point, or what is proposed where it does not matter."""
        if point.field is None:
            return self.known[point.key]
        field = proposal.fields[point.field]
        keys = self.columns.get((str(field.name), str({str(name): word for name, word in field.where})))
        if keys is None:
            return "leave out" if point.key == "quantity" else point.value
        return keys.get("multiplier", 1) if point.key == "sign" else keys.get(point.key, point.value)

    def answers(self, proposal):
        """Answer what is open, one question after the other; what was filled in must be so."""
        for _ in range(40):
            for point in proposal.points.values():
                free = point.value == "" or point.key == "zone" and "themselves" in point.why
                if point.state in ("proved", "proposed") and not free and point.why[:6] not in ("a date", "regist"):
                    assert point.value == self.knows(proposal, point), point
            if not proposal.open:
                return proposal
            point = proposal.open[0]
            answer = self.knows(proposal, point)
            if point.key == "number" and answer not in dict(point.answers):  # of two that mean the same one is asked
                answer = next(one for one in dict(point.answers) if NUMBERS[one][0] == NUMBERS[answer][0])
            assert not point.answers or answer in dict(point.answers), f"{answer} is not on offer: {point}"
            proposal = proposal.answered(point.key, answer, point.field)
        raise AssertionError("a dead end")


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


@pytest.mark.slow
@pytest.mark.parametrize("case", [case for case in HERE if "careless" not in case.id])
def test_by_the_proposal(tmp_path, case):
    path = written(tmp_path, case)
    if case.refused:
        with pytest.raises(InputError, match=case.refused):
            propose(path, hostile.ZONE, hostile.elevation)
        return
    zone = case.known["zone"] if "/" in case.known["zone"] else hostile.ZONE
    proposal = Person(case).answers(propose(path, zone, hostile.elevation))
    assert_true(case, read(path, proposal.toml))


SEEDS, FILES_A_SEED = 20, 100


@pytest.mark.long
@pytest.mark.parametrize("seed", range(SEEDS))
def test_damaged_ones_are_read_or_refused(tmp_path, seed):
    """2,000 files with accidents, a fifth by the proposal too: refused in one line, or read with a whole account."""
    from test_reading import damage

    rng, read_ones = np.random.default_rng(1000 + seed), 0
    for number in range(FILES_A_SEED):
        case = CASES[rng.integers(len(CASES))]
        path = tmp_path / case.name
        path.write_bytes(damage(case.content[:4000], rng))
        for step in ("honest", "proposal")[: 1 + (number % 5 == 0)]:
            try:
                if step == "proposal":
                    proposal = propose(path, hostile.ZONE, hostile.elevation)
                    for _ in range(2 * len(proposal.points) + 2):
                        if not proposal.open:
                            break
                        point = proposal.open[0]
                        answer = (point.answers or ((hostile.ZONE, ""),))[0][0]
                        proposal = proposal.answered(point.key, answer, point.field)
                    assert not proposal.open, f"a dead end: {proposal.open[0]}"
                mapping = case.mapping if step == "honest" else proposal.toml
                account = read(path, mapping).account
            except InputError as error:
                assert "\n" not in str(error) and "found" in str(error) and "allowed" in str(error)
                continue
            read_ones += 1
            assert account.lines == account.head_lines + account.blank_lines + account.rows_read
            assert account.rows_read == account.rows_used + len(account.set_aside)
    assert read_ones > FILES_A_SEED // 4  # else it proves nothing
