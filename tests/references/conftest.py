"""Shipped data that checks of the library and of the data share."""

from pathlib import Path

import pandas as pd
import pytest

DATA = Path(__file__).parents[2] / "data"


@pytest.fixture(scope="module")
def array_w():
    table = pd.read_csv(DATA / "pv_minutes.csv", index_col="time")
    table.index = pd.to_datetime(table.index)
    assert len(table) == 2607
    assert (table.index[1:] - table.index[:-1] == pd.Timedelta("60s")).all()
    assert table.index[0].utcoffset() == pd.Timedelta(hours=-7)
    return table["power_w"]
