"""The study of flat photos, small enough for every run, and larger for the long one.

The whole study and its table: ``python -m tests.accuracy.study_flat_photos``, see RESULTS.md.
"""

import numpy as np
import pytest

from tests.accuracy.study_flat_photos import AREA_PERCENT, BIAS_MM, HEIGHT_MM, study


def share_within(errors: list[float], limit: float) -> float:
    return float(np.mean(np.abs(errors) <= limit))


@pytest.mark.long  # every run has picture/test_flatten, test_trace and test_trace_scenes, and the demo
def test_three_photos_one_for_each_way_of_lifting():
    _, rows = study(3, 77, say=lambda line: None)
    assert {row.lift for row in rows} == {"filled", "line", "cut"}
    assert share_within([row.roof_mm for row in rows], HEIGHT_MM) >= 0.9
    assert share_within([row.floor_mm for row in rows], HEIGHT_MM) >= 0.9
    assert share_within([row.area_percent for row in rows], 2 * AREA_PERCENT) >= 0.9  # a dozen windows


@pytest.mark.long
def test_thirty_photos_reach_the_design_s_aims():
    text, rows = study(30, 78)
    print(text)
    assert share_within([row.roof_mm for row in rows], HEIGHT_MM) >= 0.9
    assert share_within([row.floor_mm for row in rows], HEIGHT_MM) >= 0.9
    # nine in ten, less the scatter of 120 windows
    assert share_within([row.area_percent for row in rows], AREA_PERCENT) >= 0.85
    # the mean of some 120 roofs scatters by a third of the aim
    assert abs(np.mean([row.roof_mm for row in rows])) < BIAS_MM
