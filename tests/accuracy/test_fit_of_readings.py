"""The study of fits, small enough for the long run.

The whole study and its table: ``python -m tests.accuracy.study_fit``, see RESULTS.md.
"""

import numpy as np
import pytest

from tests.accuracy.study_fit import Tally, score, table_of


@pytest.mark.long
def test_intervals_cover_and_slips_are_named():
    tally = Tally()
    for number in range(300):
        score(tally, number, 41)
    print(table_of(tally, 41, sum(tally.seconds)))
    scores = np.concatenate([np.array(each) for each in tally.scores.values()])
    assert 0.93 < np.mean(np.abs(scores) <= 1.96) < 0.97
    # figures hang together: the mean of all scatters by no less than one figure's own, 1/√300
    assert abs(scores.mean()) < 3 / np.sqrt(300)
    for slip in (12, 20):
        named = [verdict.startswith("named") for verdict in tally.found[slip]]
        assert np.mean(named) > 0.98
    assert tally.alarms / 300 < 0.03
    assert all(tally.wheels)
