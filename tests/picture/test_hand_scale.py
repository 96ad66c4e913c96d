"""The scale of a picture from one known length, and how sure it leaves what is measured."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from portmap.errors import PictureError, QuantityError
from portmap.picture.hand_placed import hand_placed
from portmap.picture.hand_scale import hand_scaled
from portmap.picture.load import Picture
from portmap.picture.scaled import displacements, place_of
from portmap.picture.screen_copy import screen_copy
from portmap.port import Window, WindowDoubt, window_polygon

SHEET = Picture(pixels=np.zeros((600, 900, 3), np.uint8), name="scan.png", sha256="0" * 64)
ENDS = [[100.0, 500.0], [700.0, 500.0]]
EXACT = 1e-9


def test_the_two_places_lie_the_known_length_apart_and_the_first_where_it_was_said() -> None:
    image = hand_scaled(SHEET, ENDS, 30.0, length_u_mm=0.03, first_at_mm=(-15.0, 2.0))
    first, second = place_of(image, ENDS)
    assert first == pytest.approx([-15.0, 2.0], abs=EXACT)
    assert second == pytest.approx([15.0, 2.0], abs=EXACT)


@given(
    x=st.floats(0, 899),
    y=st.floats(0, 599),
    u=st.floats(0.0, 0.5),
)
def test_the_doubt_of_a_place_follows_the_law_of_propagation(x: float, y: float, u: float) -> None:
    # JCGM 100, 5.1.2 worked by hand: scale s = L / d, so u(s)/s is the root sum of squares of u(L)/L and
    # u(d)/d, u(d) = sqrt(2) u(place); a place lies off by s-errors times its distance from the first mark
    image = hand_scaled(SHEET, ENDS, 30.0, length_u_mm=u, placed_u_px=1.0)
    share = np.hypot(u / 30.0, np.sqrt(2) / 600.0)
    place = place_of(image, [x, y])
    away = place - place_of(image, ENDS[0])
    assert image.doubt is not None
    total = np.sqrt(np.sum(displacements(image.doubt, place) ** 2, axis=0))[0]
    own = image.mm_per_px  # the first mark itself, one pixel each way
    assert total == pytest.approx(np.hypot(share * np.abs(away), own), rel=1e-6, abs=1e-9)


@pytest.mark.parametrize(
    ("ends", "length", "u", "message"),
    [
        pytest.param([[100, 500], [120, 500]], 30.0, 0.1, "20 pixels apart", id="too near each other"),
        pytest.param([[100, 500], [950, 500]], 30.0, 0.1, "outside the picture", id="beside the picture"),
        pytest.param([[100, 500], [float("nan"), 0]], 30.0, 0.1, "two places are needed", id="not a place"),
        pytest.param([[100, 500]], 30.0, 0.1, "two places are needed", id="one place"),
    ],
)
def test_places_that_give_no_scale_are_refused(
    ends: list[list[float]], length: float, u: float, message: str
) -> None:
    with pytest.raises(PictureError, match=message):
        hand_scaled(SHEET, ends, length, length_u_mm=u)


@pytest.mark.parametrize(("length", "u"), [(0.0, 0.1), (float("nan"), 0.1), (30.0, -0.1), (30.0, 31.0)])
def test_lengths_that_are_none_are_refused(length: float, u: float) -> None:
    with pytest.raises(QuantityError, match="mm is no"):
        hand_scaled(SHEET, ENDS, length, length_u_mm=u)


@pytest.mark.parametrize(
    ("ends", "lie", "turned"),
    [
        pytest.param([[100, 500], [700, 505]], "across", True, id="half a degree off level"),
        pytest.param([[700, 500], [100, 500]], "across", False, id="level from right to left"),
        pytest.param([[300, 500], [300, 100]], "up", False, id="upright"),
        pytest.param([[300, 500], [500, 100]], "free", False, id="aslant and said so"),
    ],
)
def test_a_small_turn_is_told(ends: list[list[float]], lie: str, turned: bool) -> None:
    image = hand_scaled(SHEET, ends, 30.0, length_u_mm=0.1, lie=lie)  # type: ignore[arg-type]
    assert ("picture-turned" in {notice.code for notice in image.notices}) == turned
    assert "scaled-by-hand" in {notice.code for notice in image.notices}


@pytest.mark.parametrize("lie", ["across", "up"])
def test_a_line_far_from_how_it_was_said_to_lie_is_refused(lie: str) -> None:
    with pytest.raises(PictureError, match="off it"):
        hand_scaled(SHEET, [[100, 100], [500, 400]], 30.0, length_u_mm=0.1, lie=lie)  # type: ignore[arg-type]


SQUARE = window_polygon([[0, 30], [10, 30], [10, 38], [0, 38]])
TRACED = Window(
    outline=SQUARE, doubt=WindowDoubt(roof_u_mm=0.01, floor_u_mm=0.012, wall_area_u_mm2=0.2, edge_u_mm=0.02)
)


def test_an_outline_that_no_hand_moved_stays_as_sure_as_it_was() -> None:
    turned = window_polygon([[10, 38], [0, 38], [0, 30], [10, 30]])  # the same from another corner
    assert hand_placed(turned, placed_u_mm=0.05, before=TRACED).doubt == TRACED.doubt


def test_only_the_edges_that_a_hand_moved_become_less_sure() -> None:
    doubt = hand_placed(
        window_polygon([[0, 30], [10, 30], [10, 39], [0, 39]]), placed_u_mm=0.05, before=TRACED
    ).doubt
    assert doubt is not None
    assert doubt.roof_u_mm == pytest.approx(np.hypot(0.01, 0.05))
    assert doubt.floor_u_mm == 0.012
    moved = 10 + 2 * 1.0  # the new roof and a millimetre of each side; worked by hand
    assert doubt.wall_area_u_mm2 == pytest.approx(np.hypot(0.2, 0.05 * moved / 2), rel=1e-3)


def test_a_drawn_outline_takes_the_pictures_doubt() -> None:
    image = hand_scaled(SHEET, ENDS, 30.0, length_u_mm=0.3, first_at_mm=(0.0, 20.0), placed_u_px=0.0)
    doubt = hand_placed(SQUARE, placed_u_mm=0.0, places=image.doubt).doubt
    assert doubt is not None
    # a scale that is off by 1 % puts a roof 18 mm above the mark off by 0.18 mm, an area of 80 mm² by 2 %
    assert doubt.roof_u_mm == pytest.approx(0.18, rel=1e-6)
    assert doubt.wall_area_u_mm2 == pytest.approx(1.6, rel=1e-6)


@pytest.mark.parametrize(("rows", "columns"), [(3000, 4000), (5000, 900), (400, 300)])
def test_a_screen_copy_is_small_and_its_edges_stay_in_place(rows: int, columns: int) -> None:
    pixels = np.full((rows, columns, 3), 220, np.uint8)
    pixels[:, columns // 3 :] = 30
    copy = screen_copy(pixels)
    assert max(copy.width_px, copy.height_px) <= 2400
    assert copy.times == pytest.approx(max(1.0, max(rows, columns) / 2400), rel=2e-3)
    assert copy.jpeg[:2] == b"\xff\xd8"
