"""The study of spread, small enough for every run, and larger for the long one.

The whole study and its table: ``python -m tests.accuracy.study_spread``, see RESULTS.md.
"""

import numpy as np
import pytest

from tests.accuracy.study_spread import study


def coverage(rows) -> float:
    return float(np.mean([row[0] for row in rows]))


def test_intervals_of_a_few_engines_hold_the_truth():
    found, _ = study(30, 71)
    # 95 % less four standard deviations of a share of thirty
    for name, rows in found.items():
        assert coverage(rows) >= 0.95 - 4 * np.sqrt(0.95 * 0.05 / len(rows)), name


@pytest.mark.long
def test_intervals_of_five_hundred_engines_hold_the_truth_as_often_as_they_say():
    found, _ = study(500, 72)
    for name, rows in found.items():
        # the aim is 93 to 97 %; three standard deviations of a share of 500 are 2.9 %
        assert abs(coverage(rows) - 0.95) <= 3 * np.sqrt(0.95 * 0.05 / len(rows)), name
