"""Outlines after grinding, against areas worked by hand and against a column-by-column sweep."""

import numpy as np
import pytest
from shapely import LineString, Point, Polygon

from portmap.errors import GeometryError
from portmap.grinding import ground_port, ground_window, lowered_port
from portmap.port import Port, Window, WindowDoubt, roof_of, window_polygon
from tests.gallery import WINDOWS, box, port

AREA_SHARE = 1e-9  # of the area: coordinates of some 50 mm hold 1e-14 of themselves, over some 2,000 unions
COLUMN_MM = 1e-7  # a column meets nearly level sides of some outlines, where rounding of y runs far in x


def swept_column(window: Window, x: float, up_mm: float) -> float:
    """Open length of one upright column after every open stretch of it was moved by `up_mm`, islands kept."""
    low, high = window.outline.bounds[1] - abs(up_mm) - 1, window.outline.bounds[3] + abs(up_mm) + 1
    column = LineString([(x, low), (x, high)])

    def stretches(shape: Polygon) -> list[tuple[float, float]]:
        part = column.intersection(shape)
        lines = [line for line in getattr(part, "geoms", [part]) if isinstance(line, LineString)]
        ends = (sorted(y for _, y in line.coords) for line in lines if not line.is_empty)
        return sorted((end[0], end[-1]) for end in ends)

    merged: list[list[float]] = []
    for first, last in stretches(Polygon(window.outline.exterior)):
        first, last = (first, last + up_mm) if up_mm > 0 else (first + up_mm, last)
        if merged and first <= merged[-1][1]:
            merged[-1][1] = max(merged[-1][1], last)
        else:
            merged.append([first, last])
    islands = sum(
        last - first for ring in window.outline.interiors for first, last in stretches(Polygon(ring))
    )
    return sum(last - first for first, last in merged) - islands


@pytest.mark.parametrize("up_mm", [0.3, 4.0, -0.3, -4.0], ids=["roof", "roof far", "floor", "floor far"])
@pytest.mark.parametrize("name", WINDOWS)
def test_every_column_of_the_wall_is_open_where_the_old_opening_passed(name: str, up_mm: float) -> None:
    window = WINDOWS[name]
    ground = ground_window(window, up_mm)
    assert ground.outline.is_valid
    left, _, right, _ = window.outline.bounds
    for share in np.linspace(0.03123, 0.97345, 23):
        x = left + share * (right - left)
        bottom, top = ground.outline.bounds[1] - 1, ground.outline.bounds[3] + 1
        found = LineString([(x, bottom), (x, top)]).intersection(ground.outline).length
        assert found == pytest.approx(swept_column(window, x, up_mm), abs=COLUMN_MM)


def test_an_upright_rectangle_gains_its_width_times_the_depth() -> None:
    ground = ground_window(box(-14, 28, 14, 40), 0.5)
    assert ground.outline.bounds == (-14, 28, 14, 40.5)
    assert ground.outline.area == pytest.approx(28 * 12.5, rel=AREA_SHARE)


def test_a_round_window_gains_its_width_times_the_depth() -> None:
    circle = Window(outline=Polygon(Point(0, 30).buffer(5, quad_segs=64).exterior))  # 10 mm wide
    assert ground_window(circle, 0.7).outline.area == pytest.approx(circle.outline.area + 7, rel=AREA_SHARE)


def test_islands_of_metal_stay_where_they_are() -> None:
    ground = ground_window(WINDOWS["bridged"], 0.5)
    assert [Polygon(ring).bounds for ring in ground.outline.interiors] == [(-1.5, 29, 1.5, 39)]
    assert ground.outline.area == pytest.approx(32 * 12.5 - 30, rel=AREA_SHARE)


def test_an_overhang_closes_only_as_far_as_the_cutter_goes() -> None:
    # a C open to the right: arms 2 mm high, 4 mm of metal between them
    arms = window_polygon([[0, 30], [10, 30], [10, 32], [2, 32], [2, 36], [10, 36], [10, 38], [0, 38]])
    ground = ground_window(Window(outline=arms), 1.0)
    assert ground.outline.area == pytest.approx(48 + 10 + 8, rel=AREA_SHARE)
    assert ground_window(Window(outline=arms), 5.0).outline.area == pytest.approx(10 * 13, rel=AREA_SHARE)


def test_every_window_of_a_port_is_ground_by_the_same_amount() -> None:
    two = port(box(-14, 28, -2, 40), box(2, 28, 14, 39))
    ground = ground_port(two, 0.4)
    assert [window.outline.bounds[3] for window in ground.windows] == pytest.approx([40.4, 39.4])
    assert roof_of(ground) == pytest.approx(40.4)


def test_a_doubt_goes_along_and_nothing_ground_is_nothing_changed() -> None:
    doubt = WindowDoubt(roof_u_mm=0.01, floor_u_mm=0.01, wall_area_u_mm2=0.2, edge_u_mm=0.02)
    window = Window(outline=box(0, 0, 5, 5).outline, doubt=doubt)
    assert ground_window(window, 0.2).doubt == doubt
    assert ground_window(window, 0.0) == window


def test_a_cut_base_lowers_outlines_as_they_are() -> None:
    lowered = lowered_port(port(WINDOWS["bridged"]), 0.5)
    assert lowered.windows[0].outline.bounds == (-16, 27.5, 16, 39.5)
    assert lowered.windows[0].outline.area == pytest.approx(WINDOWS["bridged"].outline.area)


def test_an_island_as_wide_as_the_window_is_refused_with_the_window_named() -> None:
    shape = window_polygon([[0, 0], [10, 0], [10, 10], [0, 10]])
    cut = Polygon(shape.exterior, [[(0, 4), (10, 4), (10, 5), (0, 5)]])
    broken = Port(id="e", kind="exhaust", control="crown", windows=(Window(outline=cut),))
    with pytest.raises(GeometryError, match=r"port e\.windows\[0\].*several openings"):
        ground_port(broken, 0.5)
