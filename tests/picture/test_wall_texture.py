"""What the wall's texture tells of a window that is lit like the wall: textures of plain noise, made here."""

import cv2
import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from portmap.picture.edge import evenly_spaced, outward_normals
from portmap.picture.wall_border import sides_of
from portmap.picture.wall_texture import ending, likeness, texture_of, wall_around

PX_PER_MM = 20.0
LEVEL, CONTRAST = 0.3, 0.06  # of the light; texture's standard deviation, the same on both sides
WIDE, HIGH = 14.0, 9.0  # mm


def hatched(rng: np.random.Generator, size: tuple[int, int]) -> np.ndarray:
    """Return marks that cross at about 60°, as a hone leaves them, of standard deviation 1."""
    total = np.zeros(size)
    for turn in (30.0, -30.0):
        long = gaussian_filter(rng.standard_normal((2 * size[0], 2 * size[1])), (1.5, 60.0))
        middle = (size[1], size[0])
        around = cv2.getRotationMatrix2D(middle, turn, 1.0)
        turned = cv2.warpAffine(long, around, (2 * size[1], 2 * size[0]), borderMode=cv2.BORDER_REFLECT)
        total += turned[size[0] // 2 :, size[1] // 2 :][: size[0], : size[1]]
    return total / total.std()


def drawn_out(rng: np.random.Generator, size: tuple[int, int]) -> np.ndarray:
    """Return a rough surface drawn out along the bore, of standard deviation 1."""
    rough = gaussian_filter(rng.standard_normal(size), (30.0, 4.0))
    return rough / rough.std()


def box(left: float, top: float, right: float, bottom: float) -> np.ndarray:
    corners = np.array([[left, top], [right, top], [right, bottom], [left, bottom]]) * PX_PER_MM
    return evenly_spaced(corners, 1.0)


@pytest.fixture(scope="module")
def scene():
    """Return the light of a wall with a window that is as bright as it, and the window's outline."""
    rng = np.random.default_rng(4)
    size = (round((HIGH + 12) * PX_PER_MM), round((WIDE + 12) * PX_PER_MM))
    light = LEVEL * (1 + CONTRAST * hatched(rng, size))
    own = (
        slice(round(6 * PX_PER_MM), round((6 + HIGH) * PX_PER_MM)),
        slice(round(6 * PX_PER_MM), round((6 + WIDE) * PX_PER_MM)),
    )
    light[own] = (LEVEL * (1 + CONTRAST * drawn_out(rng, size)))[own]
    light *= 1 + 0.01 * rng.standard_normal(size)
    return light.astype(np.float32), box(6, 6, 6 + WIDE, 6 + HIGH)


def texture(light: np.ndarray):
    return texture_of(light, np.ones(light.shape, bool), mm_per_px=1 / PX_PER_MM)


def test_wall_and_window_are_told_apart_though_they_are_as_bright(scene):
    light, ring = scene
    like = likeness(texture(light), ring)
    window = np.zeros(light.shape, np.uint8)
    cv2.fillPoly(window, [np.rint(ring).astype(np.int32)], 1)
    small = cv2.resize(window, None, fx=1 / like.factor, fy=1 / like.factor, interpolation=cv2.INTER_AREA)
    inside = small[like.origin[1] :, like.origin[0] :][: like.told.shape[0], : like.told.shape[1]] > 0
    assert np.mean(like.told[inside] < 0) > 0.85
    assert np.mean(like.told[~inside] > 0) > 0.85


@pytest.mark.parametrize("taken_mm", [0.0, 1.5, 2.25], ids=["right", "1.5 mm too high", "2.25 mm too high"])
def test_a_floor_that_was_taken_too_high_is_found_where_the_texture_ends(scene, taken_mm):
    light, _ = scene
    taken = box(6, 6, 6 + WIDE, 6 + HIGH - taken_mm)
    normals = outward_normals(taken, 4.0)
    found = ending(likeness(texture(light), taken), taken, normals, sides_of(normals)[1])
    # the texture is looked at in strips a millimetre wide: half of that
    assert found == pytest.approx(taken_mm, abs=0.5)


def test_an_outline_with_wall_around_it_is_worth_more_than_one_within_the_window(scene):
    light, ring = scene
    like = likeness(texture(light), ring)
    within = box(6, 6, 6 + WIDE, 4 + HIGH)
    right, wrong = (wall_around(like, each, outward_normals(each, 4.0)).mean() for each in (ring, within))
    assert right > wrong + 1.0


def test_a_wall_without_a_window_tells_of_none(scene):
    light, ring = scene
    wall = LEVEL * (1 + CONTRAST * hatched(np.random.default_rng(9), light.shape))
    like = likeness(texture(wall.astype(np.float32)), ring)
    normals = outward_normals(ring, 4.0)
    assert ending(like, ring, normals, sides_of(normals)[1]) == 0.0
    assert abs(wall_around(like, ring, normals).mean()) < 1.0


def test_too_little_of_it_teaches_nothing(scene):
    light, _ = scene
    assert likeness(texture(light), box(6, 6, 7.5, 7.5)) is None
