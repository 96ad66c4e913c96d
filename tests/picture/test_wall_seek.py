"""Windows sought on a wall of many: each is found once, also where boxes over two of them look as firm."""

import numpy as np
import pytest
import shapely

from portmap.picture.tone import LUMA, linear_light
from portmap.picture.wall_border import FAINT_SIDE, Sought, firm_all_round
from portmap.picture.wall_responses import edge_responses
from portmap.picture.wall_seek import windows_sought
from tests.impressions import arched
from tests.picture.wall_scenes import wall_picture

BORE_MM = 50.0
LIGHTS = {
    "dark": {"passage": 0.02},
    "dark, hardly honed": {"passage": 0.02, "honing": 0.03},
    "lit, chamfers bright": {"passage": 0.3, "chamfer": 0.9},
}
NEAR_MM = 1.0  # as near as the search of the edge leads on from


def in_place(shape: shapely.Polygon, x_mm: float, roof_mm: float) -> shapely.Polygon:
    low, _, high, top = shape.bounds
    return shapely.affinity.translate(shape, x_mm - (low + high) / 2, roof_mm - top)


def seven_windows() -> list[shapely.Polygon]:
    """Return two exhausts beside each other, two transfers on each side and a boost: an invented bore."""
    exhaust, transfer = arched(13, 12, radius=3.0), arched(11, 7.5, radius=1.5)
    second, boost = arched(8, 7.5, radius=1.5), arched(9, 7.5, radius=1.5)
    put = [in_place(exhaust, x, 38.0) for x in (-8.5, 8.5)]
    put += [in_place(transfer, x, 34.5) for x in (-35.0, 35.0)]
    put += [in_place(second, x, 34.5) for x in (-48.0, 48.0)]
    return [*put, in_place(boost, 66.0, 34.5)]


def boxes_of(found: list[Sought], step: float, left_mm: float, top_mm: float) -> list[shapely.Polygon]:
    boxes = []
    for each in found:
        x, y = left_mm + each.outline_px[:, 0] * step, top_mm - each.outline_px[:, 1] * step
        boxes.append(shapely.box(x.min(), y.min(), x.max(), y.max()))
    return boxes


@pytest.mark.parametrize("light", LIGHTS.values(), ids=LIGHTS)
def test_each_of_many_windows_is_found_and_none_over_two(light: dict[str, float]) -> None:
    windows = seven_windows()
    drift = (0.0, 0.4) if light["passage"] < 0.1 else (0.0, 1.9)
    pixels, step, left_mm, top_mm = wall_picture(windows, bore_mm=BORE_MM, drift=drift, seed=2, **light)
    light_there = linear_light(pixels, LUMA)
    responses = edge_responses(light_there, np.ones(pixels.shape[:2], bool), mm_per_px=step)
    found = boxes_of(windows_sought(responses), step, left_mm, top_mm)
    for window in windows[:-1]:  # the boost lies over the picture's end
        end = shapely.box(*window.buffer(0.35).bounds)
        near = [np.abs(np.subtract(box.bounds, end.bounds)).max() for box in found]
        assert min(near) < NEAR_MM
    for box in found:
        assert sum(box.intersection(window).area > 0.3 * window.area for window in windows) < 2


@pytest.mark.parametrize("honing", [0.1, 0.25])
@pytest.mark.parametrize("seed", [0, 2])
def test_halves_of_an_exhaust_are_both_sought_though_their_passages_are_lit_to_one_height(
    seed, honing
) -> None:
    """A level line across both, and honing that crosses the bridge, make a firm box over it."""
    half = arched(18, 18, radius=2.6)
    halves = [in_place(half, x, 40.0) for x in (-10.4, 10.4)]
    pixels, step, left_mm, top_mm = wall_picture(
        halves, bore_mm=70.0, low_mm=12.0, chamfer_mm=0.28, honing=honing, seed=seed, passage=0.02
    )
    x = left_mm + np.arange(pixels.shape[1]) * step
    y = top_mm - np.arange(pixels.shape[0]) * step
    for low, _, high, roof in (each.bounds for each in halves):
        lit = np.ix_((y > roof - 7.5) & (y < roof - 0.6), (x > low + 0.6) & (x < high - 0.6))
        pixels[lit] = np.minimum(pixels[lit].astype(int) + 55, 255).astype(np.uint8)
    responses = edge_responses(linear_light(pixels, LUMA), np.ones(pixels.shape[:2], bool), mm_per_px=step)
    ends = [shapely.box(*each.buffer(0.28).bounds) for each in halves]
    found = boxes_of(windows_sought(responses), step, left_mm, top_mm)
    for end in ends:
        assert min(np.abs(np.subtract(box.bounds, end.bounds)).max() for box in found) < NEAR_MM


def test_no_window_is_sought_wider_than_one_can_be() -> None:
    pixels, step, *_ = wall_picture([in_place(arched(34.0, 12, radius=3.0), 0.0, 38.0)], bore_mm=BORE_MM)
    responses = edge_responses(linear_light(pixels, LUMA), np.ones(pixels.shape[:2], bool), mm_per_px=step)

    def widest(found: list[Sought]) -> float:
        return max((float(np.ptp(each.outline_px[:, 0])) * step for each in found), default=0.0)

    assert widest(windows_sought(responses)) == pytest.approx(34.7, abs=NEAR_MM)
    assert widest(windows_sought(responses, widest_mm=30.0)) < 31.0


def border(roof: float, floor: float, left: float, right: float) -> Sought:
    """Return the border of a square, of a strength on each of its sides."""
    t = np.linspace(0, 100, 100, endpoint=False)
    end, start = np.full(100, 100.0), np.zeros(100)
    sides = [(t, start), (end, t), (100 - t, end), (start, 100 - t)]
    outline = np.vstack([np.stack(side, axis=1) for side in sides])
    return Sought(outline_px=outline, strength=np.repeat([roof, right, floor, left], 100))


@pytest.mark.parametrize(
    ("strengths", "firm"),
    [
        ((10, 10, 10, 10), True),
        ((10, FAINT_SIDE + 0.2, 10, 9), True),
        ((10, FAINT_SIDE - 0.3, 10, 9), False),
        ((6, FAINT_SIDE + 0.2, 6, 6), False),
        ((10, 10, 10, 3), False),
        ((0, 8, 8, 8), True),
    ],
    ids=["firm", "floor faint", "floor gone", "all weak", "no right side", "roof not seen"],
)
def test_a_border_is_firm_by_its_sides(strengths: tuple[float, float, float, float], firm: bool) -> None:
    assert firm_all_round(border(*strengths)) is firm
