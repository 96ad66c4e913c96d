"""The editor by mouse: every gesture and every button, over a picture whose edges are known."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import TYPE_CHECKING

import numpy as np
import pytest
from shapely import Polygon

from tests.app.editor_page import EditorPage, desktop

if TYPE_CHECKING:
    from playwright.sync_api import Browser

PX_MM = 0.05  # of the picture in editor_alone.py
DARK = (10.0, 26.0, 24.0, 41.3)  # its dark rectangle: left, low, right, high [mm]
START = [[10.4, 26.2], [23.6, 26.2], [23.6, 40.9], [10.4, 40.9]]
HALF_PX_MM = 0.5 * PX_MM
SCREEN_MM = 0.07  # half a screen pixel at the scale that shows the whole picture
ROUNDING_MM = 2e-5  # files hold hundred-thousandths


@pytest.fixture(scope="module")
def page(browser: Browser, editor_url: str) -> Iterator[EditorPage]:
    context = desktop(browser)
    yield EditorPage(context, editor_url)
    context.close()


@pytest.fixture
def ed(page: EditorPage) -> Iterator[EditorPage]:
    page.begin_anew()
    assert page.ring() == START
    yield page
    assert page.faults == []


def chosen(ed: EditorPage) -> EditorPage:
    ed.click(17, 33)
    assert ed.ask("return e.chosen.id;") == "1"
    return ed


def area(ring: list[list[float]]) -> float:
    return float(Polygon(ring).area)


def test_a_dragged_corner_is_one_step_and_reaches_the_program(ed: EditorPage) -> None:
    chosen(ed).drag((23.6, 40.9), (22.0, 39.0), keys="Alt")
    assert ed.ring()[2] == pytest.approx([22.0, 39.0], abs=SCREEN_MM)
    assert ed.steps == 1
    ed.told(f"seq {ed.ask('return e.seq;')} changed True")
    assert float(ed.areas.split("1:")[1].split()[0]) == pytest.approx(area(ed.ring()), abs=1e-3)


@pytest.mark.parametrize(
    ("corner", "way", "axis", "edge"),
    [
        pytest.param((24.3, 33.0), (0.35, 0.0), 0, DARK[2], id="from outside to the right edge"),
        pytest.param((23.6, 33.0), (0.15, 0.3), 0, DARK[2], id="from inside to the right edge"),
        pytest.param((17.0, 41.0), (0.0, 0.6), 1, DARK[3], id="to the upper edge"),
        pytest.param((17.0, 26.2), (0.3, -0.5), 1, DARK[1], id="to the lower edge"),
        pytest.param((10.4, 33.0), (-0.7, 0.0), 0, DARK[0], id="to the left edge"),
    ],
)
def test_a_dragged_corner_lands_on_the_pictures_edge_within_half_a_pixel(
    ed: EditorPage, corner: tuple[float, float], way: tuple[float, float], axis: int, edge: float
) -> None:
    x, y = corner
    place = (min(max(x, 10.4), 23.6), min(max(y, 26.2), 40.9))
    side = {(1, True): 2, (1, False): 0, (0, True): 1, (0, False): 3}[axis, corner[axis] > (17, 33)[axis]]
    chosen(ed).put_ring(0, [*START[: side + 1], list(place), *START[side + 1 :]])
    ed.look_at(*place, 30)
    ed.drag(place, (place[0] + way[0], place[1] + way[1]))
    assert ed.ring()[side + 1][axis] == pytest.approx(edge, abs=HALF_PX_MM)


def test_alt_keeps_a_corner_off_the_edge(ed: EditorPage) -> None:
    chosen(ed).look_at(23.6, 40.9, 30)
    ed.drag((23.6, 40.9), (23.3, 40.4), keys="Alt")
    assert ed.ring()[2] == pytest.approx([23.3, 40.4], abs=SCREEN_MM)


def test_lay_on_edge_takes_a_rough_outline_to_the_edge_all_round(ed: EditorPage) -> None:
    shares = np.arange(1, 12)[:, None] / 12
    sides = zip(START, START[1:] + START[:1], strict=True)
    rough = np.vstack([np.array(a) + shares * np.subtract(b, a) for a, b in sides])
    chosen(ed).put_ring(0, rough.tolist())
    ed.press("Lay on edge")
    left, low, right, high = DARK
    off = [min(abs(x - left), abs(x - right), abs(y - low), abs(y - high)) for x, y in ed.ring()]
    assert max(off) < HALF_PX_MM
    assert np.std(off) < 0.1 * PX_MM
    assert ed.status == "An edge was found at 44 of 44 corners."


@pytest.mark.parametrize("how", ["button", "double click"])
def test_a_corner_is_added_on_a_side(ed: EditorPage, how: str) -> None:
    chosen(ed)
    if how == "button":
        ed.press("Add corners")
        ed.click(17, 26.2)
    else:
        ed.page.mouse.dblclick(*ed.at(17, 26.2))
    assert len(ed.ring()) == 5
    assert ed.ring()[1] == pytest.approx([17.0, 26.2], abs=SCREEN_MM)
    assert ed.steps == 1


def test_corners_are_removed_but_three_stay(ed: EditorPage) -> None:
    chosen(ed).click(23.6, 40.9)
    ed.press("Remove corner")
    assert len(ed.ring()) == 3
    ed.press("Remove corner")
    assert len(ed.ring()) == 3
    assert ed.status == "Choose a corner first; three must stay."


def test_a_whole_outline_moves_without_changing_shape(ed: EditorPage) -> None:
    before = ed.ring()
    chosen(ed).press("Whole outline")
    ed.drag((17, 33), (19, 30))
    by = np.array(ed.ring()) - np.array(before)
    assert by == pytest.approx(np.tile([2.0, -3.0], (4, 1)), abs=SCREEN_MM)
    assert np.ptp(by, axis=0) == pytest.approx([0, 0], abs=ROUNDING_MM)


def test_neighbours_follow_a_corner_less_the_farther_they_are(ed: EditorPage) -> None:
    ed.click(-20, 30)
    ed.page.locator("[data-field=pull]").select_option("4")
    before = np.array(ed.ring(1))
    top = int(np.argmax(before[:, 1]))
    ed.drag(tuple(before[top]), (before[top][0], before[top][1] + 1.5), keys="Alt")
    moved = np.array(ed.ring(1)) - before
    along = np.linalg.norm(before - before[top], axis=1)
    assert moved[top][1] == pytest.approx(1.5, abs=SCREEN_MM)
    assert np.all(moved[along > 4.0] == 0)
    near = moved[(along < 3.5) & (along > 0)][:, 1]
    assert np.all((near > 0) & (near < moved[top][1]))


def test_a_stretch_is_straightened(ed: EditorPage) -> None:
    ed.click(-20, 30)
    ring = ed.ring(1)
    ed.page.mouse.click(*ed.at(*ring[10]))
    ed.drag(tuple(ring[20]), tuple(ring[20]), keys="Shift")
    ed.press("Straighten")
    assert len(ed.ring(1)) == len(ring) - 9
    assert ring[10] in ed.ring(1)
    assert ring[20] in ed.ring(1)


def test_a_stretch_can_be_chosen_without_the_keyboard(ed: EditorPage) -> None:
    ed.click(-20, 30)
    ring = ed.ring(1)
    ed.click(*ring[10])
    ed.press("Stretch up to…")
    ed.click(*ring[20])
    assert ed.status == "11 corners chosen."


def test_smoothing_takes_ripples_out_and_keeps_the_area(ed: EditorPage) -> None:
    ed.click(-20, 30)
    turns = np.arange(80) * 2 * np.pi / 80
    circle = 6 * np.column_stack([np.cos(turns), np.sin(turns)])
    rippled = circle * (1 + 0.01 * (-1) ** np.arange(80))[:, None] + [-20, 30]
    ed.put_ring(1, rippled.tolist())
    ed.press("Smooth")
    radius = np.hypot(*(np.array(ed.ring(1)) - [-20, 30]).T)
    assert np.ptp(radius) < 0.1 * 0.12  # of the ripple's height
    assert radius.mean() == pytest.approx(6.0, rel=0.002)


@pytest.mark.parametrize("radius", [1.0, 3.5])
def test_a_rounded_corner_takes_off_what_plane_geometry_says(ed: EditorPage, radius: float) -> None:
    before = area(ed.ring())
    chosen(ed).click(23.6, 40.9)
    ed.type_into("radius", str(radius))
    ed.press("Round")
    gone = (1 - math.pi / 4) * radius**2  # a square corner less a quarter of a circle
    assert before - area(ed.ring()) == pytest.approx(gone, rel=0.01)
    far = np.hypot(*(np.array(ed.ring()) - [23.6 - radius, 40.9 - radius]).T)
    assert np.sum(np.abs(far - radius) < 1e-3) >= 5


def test_a_radius_too_large_is_refused(ed: EditorPage) -> None:
    chosen(ed).click(23.6, 40.9)
    ed.type_into("radius", "30")
    ed.press("Round")
    assert "No arc of that radius fits" in ed.status
    assert ed.steps == 0


@pytest.mark.parametrize("how", ["across", "upright"])
def test_a_bridge_leaves_metal_of_its_width(ed: EditorPage, how: str) -> None:
    before = area(ed.ring())
    chosen(ed).type_into("bridgewidth", "2.5")
    if how == "across":
        ed.press("Bridge across")
        ed.drag((17.0, 24.5), (17.3, 43.0))  # within five degrees of upright: upright is meant
    else:
        ed.press("Bridge upright")
    assert ed.count == 3
    left, right = sorted((ed.ring(0), ed.ring(1)), key=lambda r: min(p[0] for p in r))
    assert min(p[0] for p in right) - max(p[0] for p in left) == pytest.approx(2.5, abs=ROUNDING_MM)
    assert before - area(left) - area(right) == pytest.approx(2.5 * 14.7, abs=0.01)
    ed.told(f"{ed.ask('return e.windows[1].id;')}:")


def test_a_bridge_that_misses_is_refused(ed: EditorPage) -> None:
    chosen(ed).press("Bridge across")
    ed.drag((0, 24.5), (0, 43.0))
    assert ed.count == 2
    assert ed.status == "That line doesn't go across the chosen window just once."


def test_the_mirror_image_stands_across_the_centre_line(ed: EditorPage) -> None:
    chosen(ed).press("Mirror left to right")
    assert ed.count == 3
    mirror = sorted([-x, y] for x, y in ed.ring(2))
    assert mirror == sorted(ed.ring(0))
    chosen(ed).drag((23.6, 40.9), (22.0, 39.0), keys="Alt")
    ed.press("Mirror left to right")
    assert ed.count == 3  # the one that stands there became the mirror image
    assert sorted([-x, y] for x, y in ed.ring(2)) == sorted(ed.ring(0))


def test_a_window_is_drawn_point_by_point(ed: EditorPage) -> None:
    ed.press("Draw new")
    for x, y in [(-5, 10), (5, 10), (5, 18), (-5, 18), (-5, 10)]:
        ed.click(x, y)
    assert ed.count == 3
    assert area(ed.ring(2)) == pytest.approx(80.0, rel=0.02)
    ed.told(f"{ed.ask('return e.windows[2].id;')}:")


def test_an_island_is_drawn_inside_the_chosen_window(ed: EditorPage) -> None:
    chosen(ed).press("Draw new")
    for x, y in [(14, 30), (20, 30), (20, 36)]:
        ed.click(x, y)
    ed.press("Close drawn outline")
    assert ed.count == 2
    assert len(ed.ring(0, 1)) == 3
    ed.told(f"1:{area(ed.ring()) - area(ed.ring(0, 1)):.4f}")


def test_an_outline_is_removed_and_comes_back(ed: EditorPage) -> None:
    chosen(ed).press("Remove outline")
    assert ed.count == 1
    ed.press("Back")
    assert ed.count == 2
    ed.press("Forward")
    assert ed.count == 1


def test_measuring_tells_millimetres_and_degrees(ed: EditorPage) -> None:
    ed.press("Measure")
    ed.drag((5.0, 20.0), (8.0, 24.0), keys="Alt")
    length = float(ed.status.split(" mm")[0])
    assert length == pytest.approx(5.0, abs=2 * SCREEN_MM)
    ed.told("measured ((")
    # worked by hand for stroke 54, rod 105: depth 61 - y = 27(1 - cos t) + 105 - sqrt(105^2 - (27 sin t)^2)
    shown = [float(word.rstrip("°;,")) for word in ed.status.split() if "°" in word]
    for angle, height in zip(sorted(shown[:2]), (24.0, 20.0), strict=True):
        t = math.radians(angle)
        depth = 27 * (1 - math.cos(t)) + 105 - math.sqrt(105**2 - (27 * math.sin(t)) ** 2)
        assert 61 - depth == pytest.approx(height, abs=SCREEN_MM + 0.03)  # and a twentieth of a degree


def test_points_stick_to_the_zero_lines(ed: EditorPage) -> None:
    chosen(ed).drag((10.4, 26.2), (0.3, 0.4))
    assert ed.ring()[0] == [0, 0]
    ed.press("Stick to zero lines")
    ed.drag((0, 0), (0.5, 0.6))
    assert ed.ring()[0] == pytest.approx([0.5, 0.6], abs=SCREEN_MM)


def test_the_wheel_zooms_to_the_cursor(ed: EditorPage) -> None:
    u, v = (round(part) for part in ed.at(17, 33))  # browsers tell the wheel's place in whole pixels
    under = (
        "const b = e.stage.getBoundingClientRect(); return e.toWall([given[0] - b.left, given[1] - b.top]);"
    )
    place = ed.ask(under, [u, v])
    ed.page.mouse.move(u, v)
    scale = ed.ask("return e.view.scale;")
    for _ in range(4):
        ed.page.mouse.wheel(0, -200)
    ed.page.wait_for_timeout(100)
    ed.frame()
    assert ed.ask("return e.view.scale;") > 3 * scale
    assert ed.ask(under, [u, v]) == pytest.approx(place, abs=1e-6)
    ed.press("All in view")
    assert ed.ask("return e.view.scale;") == pytest.approx(scale)


def test_dragging_beside_corners_moves_the_picture(ed: EditorPage) -> None:
    place = ed.at(0, 50)
    ed.drag((0, 50), (6, 45))
    assert np.subtract(ed.at(0, 50), place) == pytest.approx(np.subtract(ed.at(6, 45), ed.at(0, 50)), abs=1.0)
    assert ed.steps == 0


def test_an_outline_that_crosses_itself_is_told_at_once_and_by_the_program(ed: EditorPage) -> None:
    chosen(ed).drag((23.6, 40.9), (5.0, 30.0), keys="Alt")
    assert "exhaust crosses itself near" in ed.status
    ed.told("crosses itself near x")
