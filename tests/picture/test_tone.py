"""Light, bands and mixtures."""

from __future__ import annotations

import numpy as np
import pytest

from portmap.picture.mark_colours import mixed_share
from portmap.picture.tone import LUMA, linear_light, linear_light_of_value, value_of_light

# IEC 61966-2-1:1999, the transfer function worked by hand at its ends and its joint (from memory).
SRGB = [(0.0, 0.0), (0.04045, 0.0031308), (0.5, 0.2140411), (1.0, 1.0)]


@pytest.mark.parametrize(("value", "light"), SRGB)
def test_light_is_that_of_the_standard(value: float, light: float) -> None:
    assert float(linear_light_of_value(np.array(value))) == pytest.approx(light, abs=1e-6)
    assert float(value_of_light(np.array(light))) / 255 == pytest.approx(value, abs=1e-5)


@pytest.mark.parametrize("band", [LUMA, (1.0, 0.0, 0.0), (0.2, 0.3, 0.5)])
def test_a_grey_has_the_same_light_in_every_band(band: tuple[float, float, float]) -> None:
    grey = np.full((3, 4, 3), 120, np.uint8)
    assert linear_light(grey, band) == pytest.approx(linear_light(grey, LUMA), abs=1e-6)


@pytest.mark.parametrize("mark", [(0.1, 0.2, 0.5), (0.45, 0.08, 0.08), (0.1, 0.1, 0.1)])
def test_a_mixture_is_found_again_from_its_luma(mark: tuple[float, float, float]) -> None:
    first, sheet = np.array(mark), np.array([0.8, 0.79, 0.75])
    part = np.linspace(0, 1, 11)
    values = value_of_light(first + part[:, None] * (sheet - first)) / 255
    light = linear_light_of_value(values @ np.array(LUMA))
    share = (light - light[0]) / (light[-1] - light[0])
    assert mixed_share(share, first, sheet) == pytest.approx(part, abs=1e-3)
