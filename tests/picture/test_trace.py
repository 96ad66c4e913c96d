"""Tracing of made-up scaled images whose windows are known polygons."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from shapely.affinity import translate

from portmap.map_file import map_of, traced_document
from portmap.picture.scaled import PlaceDoubt, ScaledImage
from portmap.picture.trace import Trace, trace
from tests.impressions import arched, leaning
from tests.picture.flat_scenes import BACKING, Scene

# aims of the design, for clean edges
HAUSDORFF_PX = 2.0
MEAN_PX = 0.3
AREA_SHARE = 0.0015
HEIGHT_MM = 0.02
BIAS_MM = 0.005

EXHAUST = translate(arched(30.0, 12.0, radius=3.0, arch=1.2), 0.0, 24.0)
LEVEL = translate(arched(14.0, 9.0, radius=2.0), 28.0, 22.0)
TILTED = translate(leaning(12.0, 9.0, lean=1.0, radius=1.8, slope=0.05), -28.0, 21.0)
WINDOWS = [TILTED, EXHAUST, LEVEL]


def scene(**place: float) -> Scene:
    return Scene(**{"x0": -42.0, "y0": 12.0, "width": 84.0, "height": 34.0, **place})


def drawn(lift: str, **mark: float | str) -> Scene:
    made = scene()
    for shape in WINDOWS:
        if lift == "filled":
            made.rub(shape)
        elif lift == "line":
            made.pencil(shape, **mark)  # type: ignore[arg-type]
        else:
            made.lay(shape, BACKING)
    return made


def assert_windows(found: Trace, shapes: list[shapely.Polygon], mm_per_px: float) -> None:
    assert [w.number for w in found.windows] == list(range(1, len(shapes) + 1))
    for window, true in zip(found.windows, shapes, strict=True):
        outline = window.window.outline
        ring = true.exterior
        away = [
            ring.distance(point) for point in shapely.points(shapely.segmentize(outline, 0.2).exterior.coords)
        ]
        assert np.mean(away) < MEAN_PX * mm_per_px
        assert outline.hausdorff_distance(true) < HAUSDORFF_PX * mm_per_px
        assert outline.area == pytest.approx(true.area, rel=AREA_SHARE)
        assert window.roof_mm == pytest.approx(true.bounds[3], abs=HEIGHT_MM)
        assert window.floor_mm == pytest.approx(true.bounds[1], abs=HEIGHT_MM)


@pytest.mark.parametrize(
    ("lift", "mark"),
    [
        pytest.param("filled", {}, id="rubbed dark"),
        pytest.param("cut", {}, id="cut out over blue"),
        pytest.param("line", {"side": "inner"}, id="inner side of a pencil line"),
        pytest.param("line", {"side": "middle"}, id="middle of a pencil line"),
        pytest.param("line", {"side": "outer"}, id="outer side of a pencil line"),
        pytest.param("line", {"side": "inner", "width": 0.3}, id="thin pencil line"),
    ],
)
@pytest.mark.parametrize("told", [True, False], ids=["told", "found out"])
def test_windows_are_found_where_they_are(lift: str, mark: dict, told: bool) -> None:
    image = drawn(lift, **mark).image(blur_px=1.1)
    found = trace(image, lift=lift if told else None, edge=mark.get("side"))
    assert found.lift == lift
    assert ("lift-guessed" in {n.code for n in found.notices}) == (not told)
    assert_windows(found, WINDOWS, image.mm_per_px)


@pytest.mark.parametrize("blur_px", [0.5, 1.0, 2.0])
def test_the_edge_does_not_move_with_the_blur(blur_px: float) -> None:
    image = drawn("filled").image(blur_px=blur_px)
    assert_windows(trace(image, lift="filled"), WINDOWS, image.mm_per_px)


def test_shadow_and_falling_light_do_not_move_the_edge() -> None:
    made = drawn("filled")
    made.shade(across=0.5, spot=0.4)
    image = made.image()
    assert_windows(trace(image, lift="filled"), WINDOWS, image.mm_per_px)


@pytest.mark.parametrize(
    "colour",
    [pytest.param(None, id="blue"), pytest.param(np.array([0.55, 0.55, 0.55]), id="grey")],
)
@pytest.mark.parametrize("lift", ["filled", "line"])
def test_ruled_paper_does_not_move_the_edge(lift: str, colour: np.ndarray | None) -> None:
    made = scene()
    made.rule(pitch=5.0, colour=colour)
    for shape in WINDOWS:
        made.rub(shape) if lift == "filled" else made.pencil(shape)
    image = made.image()
    assert_windows(trace(image, lift=lift, edge="inner"), WINDOWS, image.mm_per_px)


def test_roofs_are_fitted_and_not_the_topmost_point() -> None:
    off = []
    for seed in range(4):
        made = scene()
        shapes = [translate(arched(12.0, 8.0, radius=2.0), x, 22.0 + 0.021 * seed) for x in (-25, 0, 25)]
        for shape in shapes:
            made.rub(shape, grain=0.05, seed=seed)
        found = trace(made.image(noise=4.0, seed=seed), lift="filled")
        assert [w.roof_degree for w in found.windows] != [None] * 3
        off += [w.roof_mm - s.bounds[3] for w, s in zip(found.windows, shapes, strict=True)]
    assert abs(np.mean(off)) < BIAS_MM


def test_roof_and_floor_are_the_outlines_own_bounds() -> None:
    found = trace(drawn("filled").image(), lift="filled")
    for window in found.windows:
        assert window.window.outline.bounds[1::2] == (window.floor_mm, window.roof_mm)


def test_datum_line_border_and_smudge_are_no_windows() -> None:
    made = drawn("filled")
    made.lay(shapely.box(-50, 14.0, 50, 14.3), np.array([0.1, 0.1, 0.1]))  # datum line
    made.lay(shapely.box(-45, 10, -38, 50), np.array([0.05, 0.05, 0.05]))  # a shadowed border
    made.lay(shapely.box(8, 40, 20, 44), np.array([0.6, 0.6, 0.57]))  # a smudge
    found = trace(made.image(), lift="filled")
    assert len(found.windows) == 3
    assert {"left-out", "smudges"} <= {n.code for n in found.notices}


def test_a_broken_pencil_line_is_bridged_and_told() -> None:
    made = scene()
    made.pencil(LEVEL)
    made.lay(shapely.box(27.6, 30.5, 28.4, 32.0), np.array([0.8, 0.79, 0.75]))  # a gap of 0.8 mm in the roof
    found = trace(made.image(), lift="line", edge="inner")
    (window,) = found.windows
    assert window.area_mm2 == pytest.approx(LEVEL.area, rel=2 * AREA_SHARE)
    assert window.seen_share < 1.0


def test_the_line_s_side_is_said_when_it_was_not_told() -> None:
    (told,) = [n for n in trace(drawn("line").image(), lift="line").notices if n.code == "edge-assumed"]
    assert "inner side" in told.message
    assert "--edge" in told.message


def test_an_unknown_thickness_is_told_with_what_it_could_be() -> None:
    image = drawn("filled").image()
    (told,) = [n for n in trace(image, lift="filled").notices if n.code == "sheet-thickness-unknown"]
    assert "0.22 %" in told.message  # 23/(23 − 0.05) − 1
    assert trace(image, lift="filled").source["wall_x_factor"] is None
    known = trace(image, lift="filled", bore_mm=46.0, sheet_thickness_mm=0.1)
    assert "sheet-thickness-unknown" not in {n.code for n in known.notices}
    assert known.source["wall_x_factor"] == pytest.approx(1.00218, abs=1e-5)


def test_doubt_of_the_picture_s_places_enters_roof_and_area() -> None:
    image = drawn("filled").image()
    rise = np.zeros((2, 2, 2, 2))
    rise[0, :, :, 1] = 0.05  # everything up by 0.05 mm
    rise[1, :, 0, 0], rise[1, :, 1, 0] = -0.042, 0.042  # 0.1 % wider over 84 mm
    doubt = PlaceDoubt(grid_x_mm=np.array([-42.0, 42.0]), grid_y_mm=np.array([12.0, 46.0]), modes_mm=rise)
    with_doubt = ScaledImage(
        pixels=image.pixels,
        mm_per_px=image.mm_per_px,
        x0_mm=image.x0_mm,
        y0_mm=image.y0_mm,
        source=image.source,
        doubt=doubt,
    )
    plain, more = (trace(i, lift="filled").windows[1] for i in (image, with_doubt))
    assert plain.window.doubt is not None
    assert more.window.doubt is not None
    assert more.window.doubt.roof_u_mm == pytest.approx(
        np.hypot(plain.window.doubt.roof_u_mm, 0.05), rel=0.01
    )
    added = np.sqrt(more.window.doubt.wall_area_u_mm2**2 - plain.window.doubt.wall_area_u_mm2**2)
    assert added == pytest.approx(0.001 * plain.area_mm2, rel=0.02)


def test_a_window_across_the_seam_of_a_wrapped_picture_is_one() -> None:
    made = scene(x0=0.0)
    made.rub(translate(LEVEL, 0.0, 0.0))
    image = made.image()
    rolled = ScaledImage(
        pixels=np.roll(image.pixels, image.pixels.shape[1] - round(28.0 / image.mm_per_px), axis=1),
        mm_per_px=image.mm_per_px,
        x0_mm=0.0,
        y0_mm=image.y0_mm,
        wraps=True,
    )
    (window,) = trace(rolled, lift="filled").windows
    assert window.area_mm2 == pytest.approx(LEVEL.area, rel=AREA_SHARE)


def test_what_was_traced_goes_into_a_map_file() -> None:
    found = trace(drawn("filled").image(), lift="filled")
    document = traced_document(
        {w.number: w.window for w in found.windows}, source=found.source, notices=found.notices
    )
    assert [port.id for port in map_of(document).ports] == ["1", "2", "3"]
