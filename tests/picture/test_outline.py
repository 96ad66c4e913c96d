"""Smoothing, fitted roofs and simplification of known rings."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import example, given, settings
from hypothesis import strategies as st

from portmap.picture.edge import Edge, evenly_spaced, outward_normals
from portmap.picture.outline import fitted_extreme, ring_area, simplified, smoothed_outline, with_run
from portmap.picture.outline_doubt import outline_doubt
from tests.impressions import arched, leaning

SPACING_MM = 0.08
NOISE_MM = 0.01
# the design's aims for flat photos
BIAS_MM = 0.005
HEIGHT_MM = 0.02


def ring_of(shape: shapely.Polygon) -> np.ndarray:
    ring = np.asarray(shapely.orient_polygons(shape).exterior.coords)[:-1]
    return evenly_spaced(ring, SPACING_MM)


@pytest.mark.parametrize(
    ("shape", "bias_mm"),
    [
        pytest.param(arched(28, 12, radius=3), BIAS_MM, id="level"),
        pytest.param(arched(28, 12, radius=3, arch=1.5), BIAS_MM, id="arched"),
        # the highest place is where the straight roof runs into the corner, which smoothing flattens
        pytest.param(leaning(12, 9, lean=1, radius=2, slope=0.05), NOISE_MM, id="tilted"),
        pytest.param(arched(6, 6, radius=1.5), BIAS_MM, id="small"),
    ],
)
def test_a_noisy_roof_is_found_without_bias(shape: shapely.Polygon, bias_mm: float) -> None:
    true, off, topmost = shape.bounds[3], [], []
    for seed in range(20):
        g = np.random.default_rng(seed)
        ring = ring_of(shape)
        normals = outward_normals(ring, 2.0)
        noisy = ring + g.normal(scale=NOISE_MM, size=len(ring))[:, None] * normals
        smooth = smoothed_outline(noisy, normals, np.ones(len(ring), bool))
        fits = fitted_extreme(smooth, 1), fitted_extreme(smooth, -1)
        off.append(with_run(smooth, fits)[:, 1].max() - true)
        topmost.append(noisy[:, 1].max() - true)
    assert np.mean(topmost) > 2 * abs(np.mean(off))  # the topmost point is biased up
    assert abs(np.mean(off)) < bias_mm
    assert np.quantile(np.abs(off), 0.9) < HEIGHT_MM


@example(tolerance=0.09375, width=25.0, height=6.0, arch=0.5)
@given(
    tolerance=st.floats(0.002, 0.1),
    width=st.floats(8, 34),
    height=st.floats(6, 14),
    arch=st.floats(0, 1.5),
)
@settings(max_examples=40, deadline=None)
def test_fewer_points_keep_area_and_heights(
    tolerance: float, width: float, height: float, arch: float
) -> None:
    """Law: simplification keeps area, roof and floor, and stays within its tolerance."""
    ring = ring_of(arched(width, height, radius=1.8, arch=arch))
    fewer = simplified(ring, tolerance)
    assert len(fewer) < len(ring)
    assert ring_area(fewer) == pytest.approx(ring_area(ring), rel=1e-5)
    assert (fewer[:, 1].min(), fewer[:, 1].max()) == (ring[:, 1].min(), ring[:, 1].max())
    polygon = shapely.Polygon(fewer)
    away = shapely.distance(polygon.exterior, shapely.points(ring))
    assert away.max() <= tolerance + 1e-9


def test_what_draws_a_border_piece_by_piece_scatters_its_area_as_stated() -> None:
    """Moves of a border that are alike along 2 mm, drawn at random, against the doubt of their size."""
    ring, drawn_mm, alike_mm = ring_of(arched(28, 12, radius=3)), 0.02, 2.0
    normals, count = outward_normals(ring, 2.0), len(ring)
    smooth = smoothed_outline(ring, normals, np.ones(count, bool), misfit_mm=np.full(count, drawn_mm))
    fits = fitted_extreme(smooth, 1), fitted_extreme(smooth, -1)
    edge = Edge(
        points_px=ring / 0.05,
        normals=normals,
        seen=np.ones(count, bool),
        blur_px=1.0,
        contrast=1.0,
        tone_px=0.0,
        misfit_px=np.full(count, drawn_mm / 0.05),
    )
    stated = outline_doubt(smooth, ring, fits, edge, mm_per_px=0.05, places=None, alike_mm=alike_mm)
    g, wide = np.random.default_rng(3), round(alike_mm / SPACING_MM)
    areas = []
    for _ in range(400):
        noise = np.fft.ifft(np.fft.fft(g.normal(size=count)) * np.fft.fft(np.ones(wide), count)).real
        moved = ring + (drawn_mm / np.sqrt(wide) * noise)[:, None] * normals
        areas.append(shapely.Polygon(moved).area)
    assert np.std(areas) == pytest.approx(stated.wall_area_u_mm2, rel=0.12)
