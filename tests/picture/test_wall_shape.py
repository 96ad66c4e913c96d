"""A window's border as four sides and four corners; the truth is plain geometry by shapely."""

import math
from dataclasses import replace

import cv2
import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st

from portmap.picture.edge import evenly_spaced
from portmap.picture.wall_search import Sighting
from portmap.picture.wall_shape import drawn, held_to, moves_of, shape_of
from portmap.picture.wall_shape_search import shaped
from tests.impressions import arched, leaning

PX_PER_MM = 20.0
NOISE = 0.03  # of the wall's light


def in_pixels(shape: shapely.Polygon, middle=(500.0, 400.0)) -> np.ndarray:
    """Return the ring of a window in pixels, rows down."""
    ring = shapely.get_coordinates(shape.exterior)[:-1] * PX_PER_MM
    middle_px = (ring.min(axis=0) + ring.max(axis=0)) / 2
    return (ring - middle_px) * [1, -1] + middle


def painted(ring: np.ndarray, *, floor_contrast: float, seed: int) -> np.ndarray:
    """Return a wall with a dark window, soft edged, whose lower part is nearly as bright as the wall."""
    row = np.mgrid[0:800, 0:1000][0]
    window = shapely.Polygon(ring)
    cover = cv2.fillPoly(np.zeros(row.shape), [np.rint(ring).astype(np.int32)], 1.0)
    edge = cv2.polylines(np.zeros(row.shape, np.uint8), [np.rint(ring).astype(np.int32)], True, 1, 17)
    y, x = np.nonzero(edge)
    places = shapely.points(x, y)
    off = np.where(shapely.contains(window, places), -1.0, 1.0) * shapely.distance(window.exterior, places)
    cover[y, x] = 1 / (1 + np.exp(1.7 * off / 1.5))  # about a Gaussian's step
    low, high = ring[:, 1].min(), ring[:, 1].max()
    dark = 0.25 + (floor_contrast - 0.25) * np.clip((row - low) / (high - low) * 3 - 1.5, 0, 1)
    rng = np.random.default_rng(seed)
    texture = rng.normal(0, 1, row.shape)
    spectrum = np.fft.rfft2(texture)
    fy, fx = np.fft.fftfreq(800)[:, None], np.fft.rfftfreq(1000)[None]
    texture = np.fft.irfft2(spectrum * np.exp(-((fx**2 + fy**2) * 6.0**2) * 2 * math.pi**2), row.shape)
    light = 0.4 * (1 - dark * cover) * (1 + NOISE * texture / texture.std())
    return light.astype(np.float32)


def square_on(light: np.ndarray) -> list[Sighting]:
    return [
        Sighting(
            light=light,
            drift=lambda points, normals: np.zeros(len(points)),
            away_mm=lambda points: np.full(len(points), 20.0),
            counts=lambda points: np.ones(len(points)),
            radius_mm=20.0,
        )
    ]


WINDOWS = {
    "exhaust, arched": arched(30, 14, radius=3, arch=1.0, narrower=0.8),
    "transfer, leaning": leaning(12, 9, lean=0.6, radius=1.4, slope=0.05),
    "straight": arched(16, 10, radius=2.0),
    "round ends": arched(16, 8, radius=3.6),
}


@pytest.mark.parametrize("name", WINDOWS)
def test_outline_of_a_fitted_shape_is_the_window(name):
    ring = in_pixels(WINDOWS[name])
    start = shape_of(ring)
    assert start is not None
    outline = drawn(start)
    assert outline is not None
    found = shapely.Polygon(outline.points_px)
    assert found.is_valid
    # as it starts: as near as the light leads on from
    off = shapely.distance(shapely.Polygon(ring).exterior, shapely.points(outline.points_px))
    assert np.quantile(off, 0.9) < 0.3 * PX_PER_MM
    # normals point out, and are of length 1
    assert np.hypot(*outline.normals.T) == pytest.approx(np.ones(len(off)))
    assert not shapely.contains(found.buffer(-0.2), shapely.points(outline.points_px + outline.normals)).any()


@pytest.mark.parametrize("name", WINDOWS)
def test_shape_follows_the_light_also_along_a_faint_floor(name):
    ring = in_pixels(WINDOWS[name])
    light = painted(ring, floor_contrast=0.06, seed=3)
    rough = shapely.Polygon(ring).buffer(2.5).exterior
    start = shape_of(shapely.get_coordinates(rough)[:-1])
    ((found, _),) = shaped(square_on(light), [start], mm_per_px=1 / PX_PER_MM, width_mm=0.0)
    outline = drawn(found)
    window = shapely.Polygon(outline.points_px)
    truth = shapely.Polygon(ring)
    # 0.05 mm, a pixel of the search
    assert window.bounds == pytest.approx(truth.bounds, abs=0.05 * PX_PER_MM)
    assert window.area == pytest.approx(truth.area, rel=0.01)


def test_starts_that_lead_to_one_outline_are_one_shape_and_hopeless_ones_none():
    ring = in_pixels(WINDOWS["straight"])
    light = painted(ring, floor_contrast=0.3, seed=4)
    start = shape_of(ring)
    beside = replace(start, sides=start.sides + np.array([3.0, 0.0, 0.0]))
    nowhere = replace(start, sides=start.sides + np.array([[90.0, 0.0, 0.0], *([[0.0] * 3] * 3)]))
    found = shaped(square_on(light), [start, beside, nowhere], mm_per_px=1 / PX_PER_MM, width_mm=0.0)
    assert len(found) == 1
    assert shapely.Polygon(found[0][1].points_px).bounds == pytest.approx(
        shapely.Polygon(ring).bounds, abs=0.05 * PX_PER_MM
    )


def test_a_triangle_has_no_four_sides():
    ring = evenly_spaced(np.array([[100.0, 100.0], [300.0, 100.0], [200.0, 300.0]]), 1.0)
    assert shape_of(ring) is None


@pytest.fixture(scope="module")
def outlined():
    start = shape_of(in_pixels(WINDOWS["straight"]))
    outline = drawn(start)
    return outline, moves_of(start, outline)


def test_moves_are_continuous_round_the_window(outlined):
    _, moves = outlined
    # a pixel along the border changes no move by more than the slope of the steepest, 2 over half a side
    assert np.abs(np.diff(np.vstack([moves, moves[:1]]), axis=0)).max() < 0.08


@given(figures=st.lists(st.floats(-3, 3), min_size=16, max_size=16))
def test_what_is_wanted_evenly_is_given(outlined, figures):
    _, moves = outlined
    figures = np.array(figures)
    figures[2:12:3] = 0.0  # bows are held a little
    wanted = moves @ figures
    assert held_to(moves, wanted, np.full(len(wanted), 4.0), PX_PER_MM) == pytest.approx(wanted, abs=0.02)


@pytest.mark.parametrize(("told", "kept"), [(40.0, (0.8, 1.0)), (0.002, (0.0, 0.2))], ids=["sure", "unsure"])
def test_a_wave_is_kept_where_it_is_sure(outlined, told, kept):
    outline, moves = outlined
    wave = np.where(outline.part == 0, np.sin(outline.along * 9.0), 0.0)  # 0.05 mm over some 5 mm
    found = held_to(moves, wave, np.full(len(wave), told), PX_PER_MM)
    roof = (outline.part == 0) & (np.abs(outline.along) < 0.6)
    share = float(np.std(found[roof]) / np.std(wave[roof]))
    assert kept[0] <= share <= kept[1]
