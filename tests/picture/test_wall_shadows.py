"""Shadows behind an edge, against the exponentially modified normal distribution that SciPy has."""

import numpy as np
import pytest
from scipy.stats import exponnorm

from portmap.picture.wall_shadows import SHADOWS_MM, shadows

OUTWARD_MM = np.linspace(-1.5, 1.5, 61)


def seen(blur_mm: float, edge_mm: float = 0.0) -> np.ndarray:
    return shadows((OUTWARD_MM[None] - edge_mm) / blur_mm, np.array([[blur_mm]]))


@pytest.mark.parametrize("blur_mm", [0.02, 0.06, 0.15, 0.4])
def test_a_shadow_is_half_an_exponential_blurred(blur_mm):
    shadow = seen(blur_mm)[0]
    for length, own in zip(SHADOWS_MM, shadow[:, 0], strict=True):
        # the distribution of a normal's and an exponential's sum; here the exponential reaches inward
        expected = length * exponnorm.pdf(-OUTWARD_MM, length / blur_mm, scale=blur_mm)
        assert own == pytest.approx(expected, abs=1e-9)


@pytest.mark.parametrize("blur_mm", [0.02, 0.06, 0.15, 0.4])
def test_its_changes_are_its_differences(blur_mm):
    step = 1e-5
    _, by_edge, by_blur = seen(blur_mm)
    assert by_edge == pytest.approx((seen(blur_mm, step)[0] - seen(blur_mm, -step)[0]) / (2 * step), abs=1e-5)
    assert by_blur == pytest.approx(
        (seen(blur_mm + step)[0] - seen(blur_mm - step)[0]) / (2 * step), abs=1e-5
    )
