"""Tracing on made-up walls whose windows are known polygons, behind chamfers of known width."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shapely
from numpy.typing import NDArray
from shapely.affinity import translate

from portmap.cli import main
from portmap.errors import PictureError
from portmap.picture.camera import Lens
from portmap.picture.scaled import ScaledImage, write_scaled
from portmap.picture.traced import Trace, TracedWindow
from portmap.picture.wall_among import Search, windows_among
from portmap.picture.wall_border import Sought
from portmap.picture.wall_join import CELL_PX, MARGIN, shares
from portmap.picture.wall_notices import WallWindow
from portmap.picture.wall_responses import Responses, edge_responses
from portmap.picture.wall_seek import windows_sought
from portmap.picture.wall_shown import points_on, shown_wall
from portmap.picture.wall_sight import WallSight, drift_at, drift_from, is_wall, sight_document, wall_sight
from portmap.picture.wall_trace import trace_wall
from portmap.picture.wall_view import View, WallFrame, nodes_of, shown_by, spread_out
from portmap.picture.wall_window import How, window_of
from tests.impressions import arched, leaning
from tests.picture.wall_scenes import wall_picture

Floats = NDArray[np.float64]

# the project's aims for bore photos
ROOF_MM = 0.06
AREA_SHARE = 0.006
BRIDGE_MM = 0.25  # both sides together: a chamfer is wider, whose other edge would be the wrong one
CHAMFER_MM = 0.08  # judged by the width that it moves the other edge by: no more than an aim and a bit

BORE = 36.0
EXHAUST = translate(arched(20.0, 10.0, radius=2.5, arch=0.5), 0.0, 24.0)
LEFT = translate(leaning(9.0, 7.0, lean=0.5, radius=1.4, slope=0.03), -27.0, 23.0)
RIGHT = translate(leaning(9.0, 7.0, lean=-0.5, radius=1.4, slope=-0.03), 27.0, 23.0)
BOOST = translate(arched(8.0, 7.0, radius=1.4), np.pi * BORE / 2, 22.0)  # on the seam
WINDOWS = [EXHAUST, LEFT, RIGHT, BOOST]


def search_in(image: ScaledImage, drift: tuple[float, float]) -> Search:
    wall = shown_wall(image, seen_along(image, drift), ())
    return Search(
        wall=wall,
        responses=edge_responses(wall.seen_light, wall.sight.seen, mm_per_px=image.mm_per_px),
        how=How(edge="true", tolerance_mm=0.01, width_mm=0.35),
        turn_mm=np.pi * BORE,
        least_mm2=10.0,
        pointed_at=False,
    )


def measured_from(search: Search, shape: shapely.Polygon) -> WallWindow:
    """Return a window measured from an outline near its own."""
    ring = shapely.get_coordinates(shapely.segmentize(shape, 0.3).exterior)[:-1]
    rough = Sought(outline_px=points_on(search.wall, ring), strength=np.full(len(ring), 9.0))
    return window_of(search.wall, rough, search.how)


def redrawn(window: WallWindow, outline: shapely.Polygon) -> WallWindow:
    """Return a window as if another outline had been measured."""
    own = window.traced
    traced = replace(own, window=replace(own.window, outline=outline), area_mm2=float(outline.area))
    return replace(window, traced=traced)


def scaled(made: tuple, **more: object) -> ScaledImage:
    pixels, step, x0, y0 = made
    return ScaledImage(pixels=pixels, mm_per_px=step, x0_mm=x0, y0_mm=y0, wraps=True, **more)  # type: ignore[arg-type]


def seen_along(image: ScaledImage, drift: tuple[float, float], seen: np.ndarray | None = None) -> WallSight:
    rows, columns = image.pixels.shape[:2]
    x = image.x0_mm + np.linspace(-1, columns, 9) * image.mm_per_px
    y = image.y0_mm - np.linspace(rows, -1, 5) * image.mm_per_px
    return WallSight(
        bore_mm=BORE,
        seen=np.ones((rows, columns), bool) if seen is None else seen,
        x_mm=x,
        y_mm=y,
        drift=np.broadcast_to(np.array(drift), (5, 9, 2)).copy(),
    )


def own_window(found: Trace, shape: shapely.Polygon) -> tuple[TracedWindow, float]:
    """Return the window nearest to a true one round the bore, and how far apart they are."""
    turn = np.pi * BORE

    def away(window: TracedWindow) -> float:
        apart = window.window.outline.centroid.x - shape.centroid.x
        return float(abs((apart + turn / 2) % turn - turn / 2))

    window = min(found.windows, key=away)
    return window, away(window)


def within_aims(found: Trace, shapes: list[shapely.Polygon]) -> list[bool]:
    """Return for each true window whether its area, roof and floor are as sure as the project aims at."""
    good = []
    for shape in shapes:
        window, away = own_window(found, shape)
        assert away < 1.0
        good.append(
            abs(window.area_mm2 / shape.area - 1) < AREA_SHARE
            and abs(window.roof_mm - shape.bounds[3]) < ROOF_MM
            and abs(window.floor_mm - shape.bounds[1]) < ROOF_MM
        )
    return good


def notice(found: Trace, code: str) -> str:
    return " ".join(n.message for n in found.notices if n.code == code)


@pytest.mark.parametrize(
    ("drift", "finish"),
    [
        pytest.param((0.0, 0.0), {"chamfer_mm": 0.4}, id="square on, a dark hole"),
        pytest.param((0.1, 0.5), {"soot": 0.25, "passage": 0.12}, id="from below, sooty, a lit roof"),
        pytest.param((0.0, -0.3), {"streak_x_mm": 9.5, "honing": 0.16}, id="a streak across a border"),
    ],
)
def test_every_window_is_found_at_its_true_edge_and_none_invented(
    drift: tuple[float, float], finish: dict[str, float]
) -> None:
    image = scaled(wall_picture(WINDOWS, drift=drift, seed=3, **finish))  # type: ignore[arg-type]
    found = trace_wall(image, seen_along(image, drift))
    assert len(found.windows) == len(WINDOWS)
    assert all(own_window(found, shape)[1] < 0.3 for shape in WINDOWS)
    assert np.allclose(found.source["chamfer_mm"], finish.get("chamfer_mm", 0.35), atol=CHAMFER_MM)
    assert "true edge" in notice(found, "wall-edge")
    assert "--edge chamfer" in notice(found, "wall-edge")
    if not finish.get("soot"):
        assert all(within_aims(found, WINDOWS))
    # a window on the seam comes whole
    low, _, high, _ = own_window(found, BOOST)[0].window.outline.bounds
    assert high - low == pytest.approx(8.0, abs=2 * ROOF_MM)


@pytest.mark.parametrize(
    ("drift", "finish"),
    [
        pytest.param((0.0, 0.0), {"honing": 0.16}, id="dark, square on"),
        pytest.param((0.0, 1.5), {"passage": 0.3}, id="lit roofs, from below"),
    ],
)
def test_windows_with_a_narrow_bridge_between_stay_two(
    drift: tuple[float, float], finish: dict[str, float]
) -> None:
    half = arched(9.0, 10.0, radius=2.0)
    pair = [translate(half, -5.7, 24.0), translate(half, 5.7, 24.0)]  # 2.4 mm of bridge, 1.7 mm of it wall
    image = scaled(wall_picture(pair, seed=7, **finish, drift=drift))  # type: ignore[arg-type]
    found = trace_wall(image, seen_along(image, drift))
    assert len(found.windows) == 2
    assert all(own_window(found, shape)[1] < 0.3 for shape in pair)
    bridge = found.windows[0].window.outline.distance(found.windows[1].window.outline)
    assert bridge == pytest.approx(2.4, abs=BRIDGE_MM)


@pytest.mark.parametrize(
    ("drift", "finish"),
    [
        pytest.param((0.9, 0.0), {"passage": 0.15}, id="a lit side, from beside"),
        # lit roofs are met in every run by the narrow bridge
        pytest.param((0.0, 1.5), {"passage": 0.15}, id="a lit roof, from below", marks=pytest.mark.long),
    ],
)
def test_a_wide_window_of_a_large_bore_is_one(drift: tuple[float, float], finish: dict[str, float]) -> None:
    wide = translate(arched(42.0, 18.0, radius=6.0), 0.0, 27.0)
    image = scaled(
        wall_picture([wide], bore_mm=70.0, low_mm=18.0, high_mm=54.0, seed=5, **finish, drift=drift)
    )  # type: ignore[arg-type]
    found = trace_wall(image, replace(seen_along(image, drift), bore_mm=70.0))
    assert len(found.windows) == 1
    assert own_window(found, wide)[1] < 0.3
    assert within_aims(found, [wide]) == [True]


def test_the_chamfer_s_edge_is_given_where_the_wall_ends() -> None:
    image = scaled(wall_picture(WINDOWS, chamfer_mm=0.4))
    found = trace_wall(image, seen_along(image, (0.0, 0.0)), wall_edge_name="chamfer", inside_mm=[(0, 29)])
    assert within_aims(found, [EXHAUST.buffer(0.4, quad_segs=32)]) == [True]
    assert "--edge true" in notice(found, "wall-edge")


def test_every_chamfer_s_edge_is_found_without_a_hint() -> None:
    image = scaled(wall_picture(WINDOWS, chamfer_mm=0.4))
    found = trace_wall(image, seen_along(image, (0.0, 0.0)), wall_edge_name="chamfer")
    assert len(found.windows) == len(WINDOWS)
    assert within_aims(found, [shape.buffer(0.4, quad_segs=32) for shape in WINDOWS]) == [True] * 4


def test_a_window_half_seen_is_open_there_or_refused_by_what_is_missing() -> None:
    image = scaled(wall_picture(WINDOWS))
    rows, columns = image.pixels.shape[:2]
    x = image.x0_mm + np.arange(columns) * image.mm_per_px
    y = image.y0_mm - np.arange(rows) * image.mm_per_px
    seen = np.ones((rows, columns), bool)
    seen[np.ix_(y < 25.0, (x > -34) & (x < -27))] = False  # half of the left transfer's floor
    seen[np.ix_(y > 28.0, (x > 26) & (x < 36))] = False  # the right transfer's roof
    image.pixels[~seen] = 150
    sight = seen_along(image, (0.0, 0.0), seen)
    found = trace_wall(image, sight)
    assert len(found.windows) == 3
    assert "no photo shows its floor" in notice(found, "not-seen")
    assert "no photo shows its roof (x " in notice(found, "window-refused")
    (left,) = [w for w in found.windows if w.window.outline.centroid.x < -20]
    assert left.roof_mm == pytest.approx(LEFT.bounds[3], abs=ROOF_MM)
    assert left.window.doubt is not None
    assert left.window.doubt.wall_area_u_mm2 > 1.0  # what the missing corner may hold is in the doubt
    with pytest.raises(PictureError, match="no photo shows its roof"):
        trace_wall(image, sight, inside_mm=[(28, 25)])


def test_a_floor_behind_what_is_seen_is_left_open_and_its_height_unknown() -> None:
    """A lit passage has edges of its own; past them there is no wall, so none of them is a floor."""
    image = scaled(wall_picture(WINDOWS, passage=0.1, drift=(0.0, 1.0), low_mm=20.0))
    rows, columns = image.pixels.shape[:2]
    y = image.y0_mm - np.arange(rows) * image.mm_per_px
    seen = np.broadcast_to((y > 26.0)[:, None], (rows, columns))
    image.pixels[:] = np.where(seen[..., None], image.pixels, 150)
    texture = np.random.default_rng(3).normal(0, 12, image.pixels.shape[:2])
    # soot in the passage, as a floor might look
    dark = (image.pixels[..., 0] < 110) & (y < 28.0)[:, None]
    image.pixels[dark] = np.clip(image.pixels[dark] + 40 + texture[dark, None], 0, 255)
    found = trace_wall(image, seen_along(image, (0.0, 1.0), seen), inside_mm=[(0, 30)])
    (window,) = found.windows
    assert "no photo shows its floor" in notice(found, "not-seen")
    assert window.roof_mm == pytest.approx(EXHAUST.bounds[3], abs=ROOF_MM)
    assert window.floor_mm == pytest.approx(26.0, abs=0.6)  # the end of what is seen
    doubt = window.window.doubt
    assert doubt is not None
    assert abs(window.floor_mm - EXHAUST.bounds[1]) < 1.96 * doubt.floor_u_mm
    assert abs(window.area_mm2 - EXHAUST.area) < 1.96 * doubt.wall_area_u_mm2


@pytest.mark.parametrize(
    ("past_mm", "strip", "sure"),
    [
        pytest.param(0.7, None, False, id="past it nobody knows"),
        pytest.param(0.7, (10.0, 23.55), True, id="a strip lies on wall"),
        pytest.param(0.6, (10.0, 23.45), True, id="a strip lies a quarter of a millimetre past the chamfer"),
    ],
)
def test_a_floor_at_the_end_of_what_is_seen_is_none_that_is_sure(
    past_mm: float, strip: tuple[float, float] | None, sure: bool
) -> None:
    """So near to it an edge in the passage looks the same; beside a strip there is wall."""
    image = scaled(wall_picture(WINDOWS, low_mm=20.0), source={"strip_mm": strip})
    rows, columns = image.pixels.shape[:2]
    y = image.y0_mm - np.arange(rows) * image.mm_per_px
    low = EXHAUST.bounds[1]
    seen = np.broadcast_to((y > low - past_mm)[:, None], (rows, columns))
    image.pixels[:] = np.where(seen[..., None], image.pixels, 150)
    sight = replace(seen_along(image, (0.0, 0.0), seen), strip_mm=wall_sight(image, bore_mm=BORE).strip_mm)
    found = trace_wall(image, sight, inside_mm=[(0, 30)])
    (window,) = found.windows
    assert window.roof_mm == pytest.approx(EXHAUST.bounds[3], abs=ROOF_MM)
    assert window.floor_mm == pytest.approx(low, abs=ROOF_MM)
    assert window.window.doubt is not None
    assert (window.window.doubt.floor_u_mm < 0.2) == sure
    assert ("no photo shows its floor" in notice(found, "not-seen")) != sure


@pytest.mark.parametrize("lit_from_mm", [4.0, 6.0])
def test_a_floor_lit_like_the_wall_at_the_end_of_what_is_seen_is_told(lit_from_mm: float) -> None:
    """The light of a passage comes up to the wall's towards the floor, which lies where the picture ends."""
    image = scaled(wall_picture([EXHAUST], low_mm=18.0, seed=3))
    bare = wall_picture([], low_mm=18.0, seed=4)[0]
    rows, columns = image.pixels.shape[:2]
    x, y = np.meshgrid(
        image.x0_mm + np.arange(columns) * image.mm_per_px, image.y0_mm - np.arange(rows) * image.mm_per_px
    )
    low = EXHAUST.bounds[1]
    like = np.clip((low + lit_from_mm - y) / (lit_from_mm - 1.5), 0.0, 1.0) * (np.abs(x) < 9.7)
    mixed = like[..., None] * bare + (1.0 - like[..., None]) * image.pixels
    seen = y > low
    image.pixels[:] = np.where(seen[..., None], mixed, 150).astype(np.uint8)
    found = trace_wall(image, seen_along(image, (0.0, 0.0), seen))
    (window,) = found.windows
    assert "no photo shows its floor" in notice(found, "not-seen")
    assert window.roof_mm == pytest.approx(EXHAUST.bounds[3], abs=ROOF_MM)
    doubt = window.window.doubt
    assert doubt is not None
    assert abs(window.floor_mm - low) < 1.96 * doubt.floor_u_mm
    assert abs(window.area_mm2 - EXHAUST.area) < 1.96 * doubt.wall_area_u_mm2


def test_a_window_that_was_taken_for_two_is_one() -> None:
    """Where a passage's dark side meets its lit one there is an edge from roof to floor, but no wall."""
    drift, parted_x = (0.0, 1.5), 3.0
    image = scaled(wall_picture([EXHAUST], seed=5, drift=drift, passage=0.3))
    rows, columns = image.pixels.shape[:2]
    x, y = np.meshgrid(
        image.x0_mm + np.arange(columns) * image.mm_per_px, image.y0_mm - np.arange(rows) * image.mm_per_px
    )
    dark = shapely.contains_xy(EXHAUST, x, y) & (x < parted_x)
    image.pixels[dark] = (0.3 * image.pixels[dark]).astype(np.uint8)
    search = search_in(image, drift)
    low, floor, high, roof = EXHAUST.bounds
    parts = shapely.box(low, floor, parted_x, roof), shapely.box(parted_x, floor, high, roof)
    halves = [measured_from(search, part) for part in parts]
    assert all(half.bordered for half in halves)
    (window,) = windows_among(halves, search)
    left, _, right, _ = window.traced.window.outline.bounds
    assert (left, right) == pytest.approx((low, high), abs=0.5)


@pytest.mark.parametrize("told", [None, [3.0], ["low", "high"], [9.0, 4.0], {"low": 3}])
def test_a_sidecar_that_tells_no_strip_tells_none(told: object) -> None:
    image = scaled(wall_picture(WINDOWS), source={"strip_mm": told})
    assert wall_sight(image, bore_mm=BORE).strip_mm is None


def test_an_outline_round_two_windows_and_the_wall_between_them_is_left_out(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Each of both is worth a little more than the outline round both, no more."""
    bridge = 2.4
    left = translate(arched(13.0, 8.0, radius=1.4), -6.5 - bridge / 2, 24.0)
    right = translate(arched(9.0, 8.0, radius=1.4), 4.5 + bridge / 2, 24.0)
    image = scaled(wall_picture([left, right]))
    search = search_in(image, (0.0, 0.0))
    outlines = [measured_from(search, shape) for shape in (left, right)]
    both = left.union(right).convex_hull
    spanning = redrawn(outlines[0], both)
    monkeypatch.setattr(
        "portmap.picture.wall_among.window_worth",
        lambda _, window: 1.75 if window.traced.area_mm2 > 0.9 * both.area else 2.06,
    )
    found = windows_among([*outlines, spanning], search)
    assert sorted(each.traced.area_mm2 for each in found) == pytest.approx([right.area, left.area], rel=0.01)


def test_of_one_window_an_upper_and_a_lower_part_are_not_two(monkeypatch: pytest.MonkeyPatch) -> None:
    """Both are worth a little more than the whole outline, as what lies in a passage may be."""
    image = scaled(wall_picture([EXHAUST]))
    search = search_in(image, (0.0, 0.0))
    whole = measured_from(search, EXHAUST)
    low, floor, high, roof = EXHAUST.bounds
    cut = (roof + 2.0 * floor) / 3.0
    bands = shapely.box(low, floor, high, cut - 0.8), shapely.box(low, cut + 0.8, high, roof)
    parts = [redrawn(whole, EXHAUST.intersection(band)) for band in bands]
    monkeypatch.setattr(
        "portmap.picture.wall_among.window_worth",
        lambda _, window: 1.75 if window.traced.area_mm2 > 0.9 * EXHAUST.area else 2.06,
    )
    (found,) = windows_among([whole, *parts], search)
    assert found.traced.area_mm2 == pytest.approx(EXHAUST.area, rel=0.01)


@pytest.mark.parametrize(
    ("wall_mm", "whole_worth", "count"),
    [(0.5, 2.2, 1), (0.5, 1.9, 2), (1.5, 3.1, 1), (1.5, 2.9, 2)],
)
def test_what_has_hardly_any_wall_between_is_one_if_that_is_worth_more(
    wall_mm: float, whole_worth: float, count: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Halves are worth 2. With more wall between the whole must be worth far more: bridges are as narrow."""
    search = search_in(scaled(wall_picture([EXHAUST])), (0.0, 0.0))
    whole = measured_from(search, EXHAUST)
    low, floor, high, roof = EXHAUST.bounds
    half = wall_mm / 2 + whole.wall_away_mm
    bands = shapely.box(low, floor, 1.0 - half, roof), shapely.box(1.0 + half, floor, high, roof)
    parts = [redrawn(whole, EXHAUST.intersection(band)) for band in bands]
    monkeypatch.setattr(
        "portmap.picture.wall_among.window_worth",
        lambda _, window: whole_worth if window.traced.area_mm2 > 0.9 * EXHAUST.area else 2.0,
    )
    assert len(windows_among(parts, search)) == count


def test_a_part_that_is_worth_more_than_its_whole_partner_is_tried_as_a_whole(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    search = search_in(scaled(wall_picture(WINDOWS, seed=5)), (0.0, 0.0))
    exhaust, left, right, boost = (measured_from(search, shape) for shape in WINDOWS)
    low, floor, high, roof = RIGHT.bounds
    upper = redrawn(right, RIGHT.intersection(shapely.box(low, (floor + 2 * roof) / 3, high, roof)))

    def worth(_: object, window: WallWindow) -> float:
        if window.traced.window.outline.centroid.x < LEFT.bounds[2]:
            return 1.07
        return 1.52 if window.traced.area_mm2 > 0.9 * RIGHT.area else 1.18

    monkeypatch.setattr("portmap.picture.wall_among.window_worth", worth)
    found = windows_among([exhaust, left, upper, boost], search)
    assert sorted(each.traced.area_mm2 for each in found) == pytest.approx(
        sorted(shape.area for shape in WINDOWS), rel=0.01
    )


def test_windows_do_not_overlap_there_is_wall_between_them() -> None:
    """Corners set too far, at the next window's edge, lead to that edge until both are looked at."""
    bridge = 3.0
    left = translate(arched(9.0, 8.0, radius=1.4), -6.0, 24.0)
    right = translate(arched(9.0, 8.0, radius=1.4), 3.0 + bridge, 24.0)
    image = scaled(wall_picture([left, right]))
    low, floor, high, roof = left.bounds
    rough = shapely.box(low, floor, high + bridge + 0.2, roof)
    found = trace_wall(image, seen_along(image, (0.0, 0.0)), rough=[rough, right.envelope])
    assert within_aims(found, [left, right]) == [True, True]


def test_places_inside_and_rough_corners_lead_to_the_edge() -> None:
    image = scaled(wall_picture(WINDOWS, seed=5))
    sight = seen_along(image, (0.0, 0.0))
    bow = np.array([[0.8, -0.6], [-0.7, 0.5], [0.4, 0.7], [-0.6, -0.7]])
    corners = np.array([[22.6, 23], [31.4, 23], [31.4, 30], [22.6, 30]]) + bow
    found = trace_wall(
        image, sight, inside_mm=[(BOOST.centroid.x - np.pi * BORE, 25)], rough=[shapely.Polygon(corners)]
    )
    assert len(found.windows) == 2
    for shape in (RIGHT, BOOST):
        window, away = own_window(found, shape)
        assert away < 0.3
        assert window.roof_mm == pytest.approx(shape.bounds[3], abs=ROOF_MM)
    assert found.source["hints"] == {"inside": 1, "rough": 1}


@pytest.mark.parametrize(
    ("hint", "words"),
    [
        pytest.param({"inside_mm": [(0.0, 80.0)]}, "lies outside the picture", id="place outside"),
        pytest.param(
            {"rough": [shapely.box(-5, 30, 5, 60)]}, "reaches out of the picture", id="rough outside"
        ),
        pytest.param(
            {"rough": [shapely.box(-48, 12, -40, 19)]}, "no border is seen near", id="rough on bare wall"
        ),
    ],
)
def test_a_hint_that_leads_nowhere_is_refused(hint: dict, words: str) -> None:
    image = scaled(wall_picture([EXHAUST], honing=0.05))
    with pytest.raises(PictureError, match=words):
        trace_wall(image, seen_along(image, (0.0, 0.0)), **hint)


def test_a_window_without_one_opposite_is_told_with_the_place_to_point_at() -> None:
    image = scaled(wall_picture([EXHAUST, LEFT, BOOST], bore_mm=BORE, seed=5))
    found = trace_wall(image, seen_along(image, (0.0, 0.0)))
    assert len(found.windows) == 3
    said = notice(found, "no-partner")
    told = [float(each) for each in said.split('"')[1].split(",")]
    assert told == pytest.approx([-LEFT.centroid.x, LEFT.centroid.y], abs=0.3)


def missed_on_the_right(left_over: shapely.Polygon | None, step: float, x0: float, y0: float) -> Any:
    """Return a search that misses the right window, or finds no more than a part of it."""

    def sought(responses: Responses, **more: Any) -> list[Sought]:
        def place(shape: shapely.Polygon) -> Floats:
            return (shapely.get_coordinates(shape.exterior)[:-1] - [x0, y0]) / [step, -step]

        turn = np.pi * BORE
        copies = [translate(RIGHT, away, 0.0) for away in (0.0, turn)]
        found = [
            each
            for each in windows_sought(responses, **more)
            if not any(
                shapely.Polygon(each.outline_px).intersects(shapely.Polygon(place(one))) for one in copies
            )
        ]
        if left_over is not None:
            found.append(Sought(outline_px=place(left_over), strength=np.full(len(place(left_over)), 9.0)))
        return found

    return sought


@pytest.mark.parametrize("upper_mm", [None, 3.2], ids=["missed", "only its upper part found"])
def test_a_window_that_was_missed_is_found_opposite_its_partner(upper_mm: float | None, monkeypatch) -> None:
    made = wall_picture(WINDOWS, bore_mm=BORE, seed=5)
    image = scaled(made)
    part = None
    if upper_mm is not None:
        low, _, high, roof = RIGHT.bounds
        part = shapely.segmentize(RIGHT.intersection(shapely.box(low, roof - upper_mm, high, roof)), 0.3)
    view_x0 = shown_wall(image, seen_along(image, (0.0, 0.0)), ()).view.x0_mm
    search = missed_on_the_right(part, made[1], view_x0, made[3])
    monkeypatch.setattr("portmap.picture.wall_rough.windows_sought", search)
    found = trace_wall(image, seen_along(image, (0.0, 0.0)))
    assert len(found.windows) == len(WINDOWS)
    assert all(within_aims(found, WINDOWS))
    assert not any(each.code == "no-partner" for each in found.notices)


@pytest.mark.parametrize("widths_mm", [[0.7, 0.35], [0.35, 0.7]], ids=["wrong first", "right first"])
def test_of_two_widths_that_chamfers_may_have_the_one_is_taken_that_is_worth_more(
    widths_mm: list[float], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("portmap.picture.wall_trace.chamfer_widths", lambda *_: widths_mm)
    image = scaled(wall_picture([EXHAUST, LEFT], chamfer_mm=0.35, seed=5))
    found = trace_wall(image, seen_along(image, (0.0, 0.0)))
    assert within_aims(found, [EXHAUST, LEFT]) == [True, True]
    assert np.allclose(found.source["chamfer_mm"], 0.35, atol=CHAMFER_MM)


def test_one_window_that_is_sure_of_its_chamfer_tells_the_others_theirs() -> None:
    """Of four windows three were measured as if they had hardly a chamfer, unsure of that."""
    image = scaled(wall_picture(WINDOWS, chamfer_mm=0.35, seed=5))
    search = search_in(image, (0.0, 0.0))
    measured = [measured_from(search, shape) for shape in WINDOWS]
    mistaken = [replace(each, chamfer_mm=0.03, chamfer_u_mm=0.1) for each in measured[1:]]
    found = windows_among([measured[0], *mistaken], search)
    assert len(found) == len(WINDOWS) >= 4
    assert np.allclose([each.chamfer_mm for each in found], 0.35, atol=CHAMFER_MM)


def test_a_bare_wall_shows_no_window() -> None:
    image = scaled(wall_picture([], soot=0.5, streak_x_mm=5.0, honing=0.16))
    with pytest.raises(PictureError, match="no window found: nothing has firm edges all round"):
        trace_wall(image, seen_along(image, (0.0, 0.0)))


def black_wall(frame: WallFrame, source: dict[str, Any]) -> ScaledImage:
    return ScaledImage(
        pixels=np.zeros((frame.rows, frame.columns, 3), np.uint8),
        mm_per_px=frame.step_mm,
        x0_mm=frame.left_mm,
        y0_mm=frame.top_mm,
        wraps=True,
        source=source,
    )


def test_the_sight_is_that_of_the_photos_poses() -> None:
    """A camera on the axis 60 mm below the base face sees (0, y) along a drift of (0, (y + 60)/R)."""
    frame = WallFrame.of(BORE, 0.1, 0.0, 30.0)
    nodes = nodes_of(frame, CELL_PX, MARGIN)
    # looks along +Z: the camera's axes are X, Y, Z moved
    view = View(
        name="a",
        pixels=np.zeros((900, 1200, 3), np.uint8),
        lens=Lens(
            model="pinhole",
            size_px=(1200, 900),
            fx_px=900.0,
            fy_px=900.0,
            cx_px=599.5,
            cy_px=449.5,
            distortion=(0.0,) * 5,
        ),
        turn=np.zeros(3),
        shift_mm=np.array([0.0, 0.0, 60.0]),
    )
    share = shares([shown_by(view, BORE / 2, nodes.places_mm)], nodes)
    source = {
        "bore_mm": BORE,
        "covered_share": 1.0,
        # as its file gives it back
        "sight": json.loads(json.dumps(sight_document([view], share, nodes, BORE / 2))),
    }
    image = black_wall(frame, source)
    assert is_wall(image)
    drift = drift_at(wall_sight(image), np.array([[0.0, 10.0], [20.0, 20.0]]))
    np.testing.assert_allclose(drift, [[0.0, 70 / 18], [0.0, 80 / 18]], atol=0.01)
    for broken in ({"x_mm": [0, 1]}, {**source["sight"], "x_mm": [3, 2, 1]}, "none"):
        other = replace(image, source={**source, "sight": broken})
        assert np.isnan(drift_at(wall_sight(other), np.array([[0.0, 10.0]]))).all()


def test_the_sight_is_of_the_photos_that_the_pixels_are_of() -> None:
    """Up to both ends of the picture: past an end photos are shared out otherwise, which is no matter."""
    frame = WallFrame.of(BORE, 0.05, 0.0, 30.0)
    nodes = nodes_of(frame, CELL_PX, MARGIN)
    first = np.tile(0.5 + 0.4 * np.cos(6 * nodes.x_mm / BORE), (nodes.shape[0], 1))
    first[:, : MARGIN - 1] = first[:, 1 - MARGIN :] = 0.0
    share = np.stack([first, 1.0 - first]).astype(np.float32)
    lens = Lens(
        model="pinhole", size_px=(8, 6), fx_px=6.0, fy_px=6.0, cx_px=3.5, cy_px=2.5, distortion=(0.0,) * 5
    )
    eyes = np.array([[8.0, 0.0, -50.0], [-8.0, 4.0, -50.0]])
    views = [
        View(name="a", pixels=np.zeros((6, 8, 3), np.uint8), lens=lens, turn=np.zeros(3), shift_mm=-eye)
        for eye in eyes
    ]
    sight = sight_document(views, share, nodes, BORE / 2)
    image = black_wall(frame, {"bore_mm": BORE, "covered_share": 1.0, "sight": sight})
    every = [spread_out(part, nodes, slice(0, frame.rows), slice(0, frame.columns)) for part in share]
    column = np.arange(frame.columns)
    row = np.full(frame.columns, 200)
    places = np.stack([frame.left_mm + column * frame.step_mm, frame.top_mm - row * frame.step_mm], axis=1)
    wanted = sum(
        own[row, column][:, None] * drift_from(eye, BORE / 2, places)
        for own, eye in zip(every, eyes, strict=True)
    )
    np.testing.assert_allclose(drift_at(wall_sight(image), places), wanted, atol=0.02)


def test_the_verb_traces_a_wall_and_says_what_it_took(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    image = scaled(wall_picture([EXHAUST]), source={"bore_mm": BORE, "covered_share": 1.0})
    write_scaled(image, tmp_path / "wall.png")
    out = tmp_path / "map.json"
    code = main(["trace", str(tmp_path / "wall.png"), "--out", str(out), "--json", "--inside", "0,29"])
    shown = capsys.readouterr()
    assert code == 0, shown.err
    answer = json.loads(shown.out)
    assert answer["lift"] == "wall"
    assert {"lift-guessed", "wall-edge", "sight-unknown"} <= {w["code"] for w in answer["warnings"]}
    assert answer["windows"][0]["roof_mm"] == pytest.approx(EXHAUST.bounds[3], abs=ROOF_MM)
    assert json.loads(out.read_text())["source"]["edge"] == "true"


@pytest.mark.parametrize(
    ("options", "words"),
    [
        pytest.param(["--inside", "12"], "is no place", id="no place"),
        pytest.param(["--edge", "inner"], "a side of a pencil line", id="a pencil line's side"),
        pytest.param(["--rough", "rough.png"], "rough outlines are a drawing", id="rough picture"),
        pytest.param(["--marked", "wall"], "lifted sheets only", id="marked"),
        pytest.param(["--lift", "filled", "--need", "roof"], "images of the wall only", id="need on a sheet"),
        pytest.param(["--lift", "filled", "--edge", "true"], "is an edge of the wall", id="true on a sheet"),
    ],
)
def test_options_that_mean_nothing_there_are_refused_in_one_line(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], options: list[str], words: str
) -> None:
    image = ScaledImage(
        pixels=np.full((60, 400, 3), 150, np.uint8),
        mm_per_px=0.2,
        x0_mm=-40.0,
        y0_mm=20.0,
        wraps=True,
        source={"bore_mm": 25.46, "covered_share": 1.0},
    )
    write_scaled(image, tmp_path / "wall.png")
    out = tmp_path / "map.json"
    assert main(["trace", str(tmp_path / "wall.png"), "--out", str(out), *options]) == 1
    said = capsys.readouterr().err
    assert words in said
    assert len(said.strip().splitlines()) == 1
    assert not out.exists()
