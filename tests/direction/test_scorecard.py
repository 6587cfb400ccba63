"""The decoder's numbers stay as they are written down, until they are written anew on purpose."""

import numpy as np
import pandas as pd
import pytest
from direction import scorecard


@pytest.mark.slow
def test_the_decoder_scores_as_written_down():
    old, new = scorecard.stored(), scorecard.scorecard()
    assert list(old.index) == list(new.index) and list(old.columns) == list(new.columns)
    stars = scorecard.moved(old, new)
    assert not stars.any(axis=None), (
        f"{stars.sum().sum()} numbers moved (old -> new):\n{scorecard.side_by_side(old, new)}\n"
        "If that is wanted: python tests/direction/scorecard.py --write"
    )


def test_a_number_that_moves_by_its_step_is_found_and_shown():
    old = pd.DataFrame([dict.fromkeys(scorecard.STEPS, 1.0)] * 2, index=["a", "b"])
    new = old.copy()
    new.loc["a", "signs right (%)"] = 1.099
    assert not scorecard.moved(old, new).any(axis=None)
    new.loc["b", "width (kWh)"], new.loc["a", "log loss"] = 0.99, np.nan
    assert scorecard.moved(old, new).to_numpy().sum() == 2
    told = [line for line in scorecard.side_by_side(old, new).splitlines() if line.endswith("*")]
    assert len(told) == 2 and told[1].split() == ["width", "(kWh)", "1.0000", "->", "0.9900", "*"]


@pytest.mark.parametrize("name", scorecard.stored().index)
def test_what_is_written_down_is_plausible(name):
    """Whoever writes a worse decoder down on purpose is asked once more."""
    row = scorecard.stored().loc[name]
    assert row["signs right (%)"] > 85 and row["energy right (%)"] > 90 and row["log loss"] < 0.4
