"""A movement put into a map is found again, whatever was ground meanwhile.

The movements are put in with shapely's own affine functions, which the code under test does not use.
"""

import math

import numpy as np
import pytest
import shapely
from shapely.affinity import rotate, translate

from portmap.errors import GeometryError
from portmap.port import Port, PortMap, Window, WindowDoubt
from portmap.registration import BASE, Registration, fitted_registration, moved_map, place_u_mm

BORE_MM = 54.0
FOUND_MM = 0.005  # what the issue asks for
FARTHEST_MM = math.pi * BORE_MM / 2


def rounded(left: float, floor: float, right: float, roof: float, radius: float = 2.0):
    """A window with corner radii."""
    inside = shapely.box(left + radius, floor + radius, right - radius, roof - radius)
    return inside.buffer(radius, quad_segs=12)


def cylinder(stage: str, raised: dict[str, float] | None = None) -> PortMap:
    """Seven invented windows in five ports, some of their roofs raised."""
    more = raised or {}
    made = {
        "exhaust": ("exhaust", [(-18.0, 30.0, 18.0, 45.0)]),
        "main left": ("transfer", [(-48.0, 30.0, -26.0, 40.0)]),
        "main right": ("transfer", [(26.0, 30.0, 48.0, 40.0)]),
        "rear": ("transfer", [(-66.0, 30.0, -53.0, 39.5), (53.0, 30.0, 66.0, 39.5)]),
        "boost": ("boost", [(78.0, 30.0, 91.0, 41.0)]),
    }
    return PortMap(
        stage=stage,
        ports=tuple(
            Port(
                id=name,
                kind=kind,
                control="crown",
                windows=tuple(
                    Window(outline=rounded(left, floor, right, roof + more.get(name, 0.0)))
                    for left, floor, right, roof in boxes
                ),
            )
            for name, (kind, boxes) in made.items()
        ),
    )


def laid_askew(port_map: PortMap, dx: float, dy: float, turn_deg: float) -> PortMap:
    """The map as it comes from a sheet that must be moved by (dx, dy) after a turn to lie right."""
    return PortMap(
        stage=port_map.stage,
        ports=tuple(
            Port(
                id=port.id,
                kind=port.kind,
                control=port.control,
                windows=tuple(
                    Window(
                        outline=rotate(translate(window.outline, -dx, -dy), -turn_deg, origin=(0.0, 0.0)),
                        doubt=window.doubt,
                    )
                    for window in port.windows
                ),
            )
            for port in port_map.ports
        ),
    )


RAISED = {
    "nothing ground": {},
    "exhaust raised": {"exhaust": 1.6},
    "mains and exhaust raised alike": {"exhaust": 1.2, "main left": 1.2, "main right": 1.2},
    "all roofs raised alike": dict.fromkeys(("exhaust", "main left", "main right", "rear", "boost"), 1.5),
    "all roofs raised, each its own way": {
        "exhaust": 2.4,
        "main left": 0.7,
        "main right": 0.9,
        "rear": 0.3,
        "boost": 0.2,
    },
}
MOVED = [(0.0, 0.0, 0.0), (0.31, -0.22, 0.0), (-0.8, 0.6, 0.4), (1.5, 0.35, -0.8), (0.02, 0.4, 1.0)]


@pytest.mark.parametrize("moved", MOVED, ids=str)
@pytest.mark.parametrize("raised", RAISED.values(), ids=RAISED.keys())
def test_a_known_movement_is_found_to_five_thousandths(raised, moved):
    stock, ground = cylinder("stock"), cylinder("ground", raised)
    found = fitted_registration(stock, laid_askew(ground, *moved), BORE_MM)
    assert found.dx_mm == pytest.approx(moved[0], abs=FOUND_MM)
    assert found.dy_mm == pytest.approx(moved[1], abs=FOUND_MM)
    assert math.radians(found.turn_deg - moved[2]) * FARTHEST_MM == pytest.approx(0.0, abs=FOUND_MM)


def test_the_map_moved_lies_where_it_belongs():
    stock, ground = cylinder("stock"), cylinder("ground", RAISED["exhaust raised"])
    askew = laid_askew(ground, 0.4, -0.3, 0.5)
    back = moved_map(askew, fitted_registration(stock, askew, BORE_MM))
    for port, truth in zip(back.ports, ground.ports, strict=True):
        for window, true in zip(port.windows, truth.windows, strict=True):
            assert window.outline.hausdorff_distance(true.outline) < FOUND_MM


def test_a_notch_and_a_slip_do_not_pull():
    stock = cylinder("stock")
    ground = cylinder("ground", {"exhaust": 1.0})
    slipped = [Window(outline=ground.ports[0].windows[0].outline.union(shapely.box(3.0, 45.0, 5.5, 46.4)))]
    ports = (
        Port(id="exhaust", kind="exhaust", control="crown", windows=tuple(slipped)),
        *ground.ports[1:],
    )
    found = fitted_registration(
        stock, laid_askew(PortMap(stage="ground", ports=ports), 0.25, 0.15, -0.3), BORE_MM
    )
    assert (found.dx_mm, found.dy_mm) == pytest.approx((0.25, 0.15), abs=FOUND_MM)


def scattered(port_map: PortMap, sigma: float, random: np.random.Generator) -> PortMap:
    """Every corner off by a draw of its own, as tracing leaves it, along an evenly cut edge."""

    def off(window: Window) -> Window:
        corners = shapely.get_coordinates(shapely.segmentize(window.outline, 0.3))[:-1]
        shape = shapely.Polygon(corners + random.normal(0.0, sigma, corners.shape))
        doubt = WindowDoubt(roof_u_mm=sigma, floor_u_mm=sigma, wall_area_u_mm2=0.1, edge_u_mm=sigma)
        return Window(outline=shape, doubt=doubt)

    return PortMap(
        stage=port_map.stage,
        ports=tuple(
            Port(
                id=port.id,
                kind=port.kind,
                control=port.control,
                windows=tuple(off(window) for window in port.windows),
            )
            for port in port_map.ports
        ),
    )


@pytest.mark.parametrize("seed", range(6))
def test_with_scatter_the_truth_lies_within_the_doubt_told(seed):
    random = np.random.default_rng(seed)
    stock = scattered(cylinder("stock"), 0.015, random)
    ground = scattered(cylinder("ground", RAISED["exhaust raised"]), 0.015, random)
    found = fitted_registration(stock, laid_askew(ground, 0.3, -0.2, 0.35), BORE_MM)
    u = np.sqrt(np.diag(np.asarray(found.covariance)))
    error = np.array([found.dx_mm - 0.3, found.dy_mm + 0.2, math.radians(found.turn_deg - 0.35)])
    assert np.all(np.abs(error) < 3 * u)  # k = 3: 99.7 % of a normal law
    assert np.all(u[:2] < 0.02)
    assert np.all(np.abs(error[:2]) < 0.01)


def test_a_window_across_the_back_is_fitted_where_it_lies():
    stock = cylinder("stock")
    turned = PortMap(
        stage="ground",
        ports=(
            *stock.ports[:-1],
            Port(
                id="boost",
                kind="boost",
                control="crown",
                windows=(
                    Window(outline=translate(stock.ports[-1].windows[0].outline, -math.pi * BORE_MM, 0.0)),
                ),
            ),
        ),
    )
    found = fitted_registration(stock, turned, BORE_MM)
    assert (found.dx_mm, found.dy_mm, found.turn_deg) == pytest.approx((0.0, 0.0, 0.0), abs=1e-9)
    assert found.agreeing_share == pytest.approx(1.0)


def test_a_round_hole_tells_no_turn():
    hole = PortMap(
        stage="stock",
        ports=(
            Port(
                id="h",
                kind="other",
                control="crown",
                windows=(Window(outline=shapely.Point(0.0, 30.0).buffer(4.0, quad_segs=64)),),
            ),
        ),
    )
    found = fitted_registration(hole, laid_askew(hole, 0.3, 0.2, 0.0), BORE_MM)
    moved = moved_map(laid_askew(hole, 0.3, 0.2, 0.0), found).ports[0].windows[0].outline
    assert moved.centroid.distance(shapely.Point(0.0, 30.0)) < FOUND_MM
    assert [notice.code for notice in found.notices] == ["registration-loose"]


def test_maps_of_unlike_cylinders_are_refused():
    other = PortMap(
        stage="stock",
        ports=(
            Port(
                id="exhaust",
                kind="exhaust",
                control="crown",
                windows=(Window(outline=shapely.Point(0.0, 37.0).buffer(9.0)),),
            ),
        ),
    )
    with pytest.raises(GeometryError, match="of the edges agree, too little"):
        fitted_registration(cylinder("stock"), other, BORE_MM)
    with pytest.raises(GeometryError, match="the maps share no window"):
        fitted_registration(cylinder("stock"), PortMap(stage="ground", ports=()), BORE_MM)


def test_two_ways_that_fit_alike_are_told():
    raised = dict.fromkeys(RAISED["all roofs raised alike"], 1.5)
    found = fitted_registration(cylinder("stock"), cylinder("ground", raised), BORE_MM)
    assert [notice.code for notice in found.notices] == ["registration-two-ways"]
    assert "−1.50" in found.notices[0].message or "-1.50" in found.notices[0].message


def test_the_doubt_of_a_place_grows_with_its_distance():
    skew = Registration(method="fit", covariance=((1e-4, 0.0, 0.0), (0.0, 1e-4, 0.0), (0.0, 0.0, 1e-6)))
    assert place_u_mm(skew, 0.0, 0.0) == pytest.approx((0.01, 0.01))
    # by hand: √(1e-4 + 60²·1e-6) and √(1e-4 + 40²·1e-6)
    assert place_u_mm(skew, 60.0, 40.0) == pytest.approx((0.041231, 0.060828), abs=1e-6)
    assert moved_map(cylinder("stock"), BASE) == cylinder("stock")
