"""Distances of edges, held to shapely's own."""

import math

import numpy as np
import pytest
import shapely
from shapely.affinity import rotate, scale, translate

from portmap.edge_distance import edge_apart, edge_feet, edge_lines, edge_points

ROUNDING_MM = 1e-9
DENSIFIED_MM = 0.02  # shapely is given steps of about this length

BOX = shapely.box(0, 0, 10, 6)
BRIDGED = BOX.difference(shapely.box(4, 1, 5, 5))
ROUND = shapely.Point(3, 3).buffer(4, quad_segs=40)

PAIRS = {
    "a raised roof": (BOX, shapely.box(0, 0, 10, 7.25)),
    "turned": (BOX, rotate(BOX, 3.0)),
    "an island gone": (BRIDGED, BOX),
    "round holes": (ROUND, translate(ROUND, 0.4, 0.1)),
    "round against square": (ROUND, BOX),
    "larger": (BRIDGED, scale(BRIDGED, 1.04, 1.1)),
    "two parts": (shapely.union(BOX, translate(ROUND, 20, 0)), translate(BOX, 0.2, 0)),
}


@pytest.mark.parametrize("pair", PAIRS.values(), ids=PAIRS.keys())
def test_hausdorff_is_that_of_shapely(pair):
    first, second = (shape.boundary for shape in pair)
    share = DENSIFIED_MM / max(first.length, second.length)
    expected = shapely.hausdorff_distance(first, second, densify=share)
    found = edge_apart(*pair)
    assert found.hausdorff_mm == pytest.approx(expected, abs=DENSIFIED_MM)
    at = shapely.Point(found.at_mm)
    assert max(at.distance(first), at.distance(second)) == pytest.approx(found.hausdorff_mm, abs=ROUNDING_MM)
    assert edge_apart(*reversed(pair)).hausdorff_mm == pytest.approx(found.hausdorff_mm, abs=ROUNDING_MM)


@pytest.mark.parametrize("pair", PAIRS.values(), ids=PAIRS.keys())
def test_the_mean_is_that_of_many_places(pair):
    first, second = (shape.boundary for shape in pair)

    def along(line, other) -> float:
        share = (np.arange(20_000) + 0.5) / 20_000
        places = shapely.line_interpolate_point(shapely.get_parts(line)[:, None], share, normalized=True)
        lengths = shapely.length(shapely.get_parts(line))
        return float(np.sum(shapely.distance(places, other).mean(axis=1) * lengths))

    expected = (along(first, second) + along(second, first)) / (first.length + second.length)
    assert edge_apart(*pair).mean_mm == pytest.approx(expected, abs=2e-3)


@pytest.mark.parametrize("shape", [BOX, BRIDGED, ROUND, PAIRS["two parts"][0]])
def test_feet_are_as_near_as_shapely_finds(shape):
    random = np.random.default_rng(3)
    places = random.uniform((-4, -4), (30, 12), (2000, 2))
    distance, feet, _ = edge_feet(edge_lines([shape]), places)
    expected = shapely.distance(shapely.points(places), shape.boundary)
    np.testing.assert_allclose(distance, expected, atol=1e-3, rtol=0)  # a corner's own sides, not all sides
    np.testing.assert_allclose(np.hypot(*(places - feet).T), distance, atol=ROUNDING_MM, rtol=0)
    assert shapely.distance(shapely.points(feet), shape.boundary).max() < ROUNDING_MM


def test_a_place_is_measured_to_the_window_of_its_label_alone():
    lines = edge_lines([BOX, translate(BOX, 12, 0)])
    places = np.array([[11.0, 3.0], [11.5, 3.0]])
    for label, expected in ((0, [1.0, 1.5]), (1, [1.0, 0.5])):
        np.testing.assert_allclose(edge_feet(lines, places, label)[0], expected, atol=ROUNDING_MM)


@pytest.mark.parametrize("shape", [BOX, BRIDGED, shapely.Polygon(BOX.exterior.coords[::-1])])
def test_normals_point_into_the_metal(shape):
    points = edge_points(shape, 0.37)  # so that none falls on a corner
    assert float(points.length_mm.sum()) == pytest.approx(shape.boundary.length)
    outside = points.places + 0.01 * points.normals
    assert not shapely.contains_xy(shape, outside[:, 0], outside[:, 1]).any()
    inside = points.places - 0.01 * points.normals
    assert shapely.contains_xy(shape, inside[:, 0], inside[:, 1]).all()
    assert np.hypot(*points.normals.T) == pytest.approx(1.0)


def test_a_map_against_itself_is_nothing():
    found = edge_apart(BRIDGED, BRIDGED)
    assert (found.hausdorff_mm, found.mean_mm) == (0.0, 0.0)
    assert math.isfinite(found.at_mm[0])
