"""The overlay: a picture that opens, with each outline, its number and its figures where they belong."""

import io
from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from numpy.typing import NDArray
from PIL import Image
from shapely import Polygon, affinity

from portmap.picture.overlay import overlay_png
from portmap.picture.scaled import ScaledImage
from portmap.picture.traced import Trace, TracedWindow
from portmap.port import Window, WindowDoubt

MM_PER_PX = 0.1
PLACE_MM = MM_PER_PX / 4  # one pixel of an overlay that shows the picture four times as large
X0_MM, Y0_MM = -40.0, 60.0  # of the centre of the picture's first pixel
BOX = Polygon([(-9.95, 32.05), (6.05, 32.05), (6.05, 42.05), (-9.95, 42.05)])  # on pixel borders
PAPER, GRAPHITE, RULE = 190, 60, (200, 0, 0)
RULES_MM = (-15.0, 12.0, 28.0, 46.0)  # left, right, low, high: red lines whose places are known
CONTRAST = 3.0  # for graphics: WCAG 2.1, 1.4.11
TEXT_CONTRAST = 4.5  # for text: WCAG 2.1, 1.4.3


def scene(mm_per_px: float = MM_PER_PX) -> ScaledImage:
    """A dark window on paper among four red rules, oblong and off the middle."""
    rows, columns = round(50 / mm_per_px), round(70 / mm_per_px)
    x = X0_MM + np.arange(columns) * mm_per_px
    y = (Y0_MM - np.arange(rows) * mm_per_px)[:, None]
    low_x, low_y, high_x, high_y = BOX.bounds
    pixels = np.full((rows, columns, 3), PAPER, np.uint8)
    pixels[(x > low_x) & (x < high_x) & (y > low_y) & (y < high_y)] = GRAPHITE
    left, right, low, high = RULES_MM
    across = (np.abs(x - left) < mm_per_px / 2) | (np.abs(x - right) < mm_per_px / 2)
    along = (np.abs(y - low) < mm_per_px / 2) | (np.abs(y - high) < mm_per_px / 2)
    pixels[across | along] = RULE
    return ScaledImage(pixels=pixels, mm_per_px=mm_per_px, x0_mm=X0_MM, y0_mm=Y0_MM)


def traced(shape: Polygon, number: int = 1, doubt: WindowDoubt | None = None) -> TracedWindow:
    return TracedWindow(
        number=number,
        window=Window(outline=shape, doubt=doubt),
        roof_mm=shape.bounds[3],
        floor_mm=shape.bounds[1],
        roof_degree=0,
        floor_degree=0,
        area_mm2=shape.area,
        darkness=0.6,
        blur_mm=0.05,
        line_width_mm=None,
        seen_share=1.0,
    )


def trace_of(*windows: TracedWindow, **source: object) -> Trace:
    return Trace(windows=windows, lift="filled", source=source)


def opened(png: bytes) -> NDArray[np.int16]:
    assert png.startswith(b"\x89PNG\r\n\x1a\n")  # W3C PNG, 5.2
    with Image.open(io.BytesIO(png)) as picture:
        assert (picture.format, picture.mode) == ("PNG", "RGB")
        return np.asarray(picture, np.int16)


def yellow(pixels: NDArray[np.int16]) -> NDArray[np.bool_]:
    return (pixels[..., 0] > 180) & (pixels[..., 1] > 160) & (pixels[..., 2] < 120)


def red(pixels: NDArray[np.int16]) -> NDArray[np.bool_]:
    return (pixels[..., 0] > 120) & (pixels[..., 1] < 70) & (pixels[..., 2] < 70)


def middles(marked: NDArray[np.bool_], axis: int, share: float) -> list[float]:
    """Return the middles of the runs of lines of pixels that are marked over at least that share."""
    found = np.flatnonzero(marked.mean(axis=axis) >= share)
    return [float(run.mean()) for run in np.split(found, np.flatnonzero(np.diff(found) > 1) + 1)]


def ruled(pixels: NDArray[np.int16]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return (slope, start) of x and y in mm over columns and rows, from the red rules alone."""
    columns, rows = middles(red(pixels), 0, 0.5), middles(red(pixels), 1, 0.5)
    assert (len(columns), len(rows)) == (2, 2)
    return np.polyfit(columns, RULES_MM[:2], 1), np.polyfit(rows, RULES_MM[:1:-1], 1)


def outline_mm(pixels: NDArray[np.int16]) -> tuple[float, float, float, float]:
    """Return the drawn box (low x, low y, high x, high y) from where its yellow lines lie."""
    x_of, y_of = ruled(pixels)
    columns, rows = middles(yellow(pixels), 0, 0.2), middles(yellow(pixels), 1, 0.2)
    assert (len(columns), len(rows)) == (2, 2)
    low_x, high_x = np.polyval(x_of, columns)
    high_y, low_y = np.polyval(y_of, rows)
    return low_x, low_y, high_x, high_y


def luminance(value: NDArray[np.float64]) -> NDArray[np.float64]:
    """Relative luminance of sRGB: WCAG 2.1, definitions."""
    share = np.asarray(value) / 255
    light = np.where(share <= 0.04045, share / 12.92, ((share + 0.055) / 1.055) ** 2.4)
    return light @ np.array([0.2126, 0.7152, 0.0722])


def contrast(one: NDArray[np.float64], other: NDArray[np.float64]) -> float:
    high, low = sorted([float(luminance(one)), float(luminance(other))], reverse=True)
    return (high + 0.05) / (low + 0.05)


@cache
def overlaid(number: int = 1) -> NDArray[np.int16]:
    """The overlay of the scene's window as traced, under that number."""
    return opened(overlay_png(scene(), trace_of(traced(BOX, number))))


MOVED = {
    "as traced": (BOX, {}),
    "x corrected for curl": (affinity.scale(BOX, 1.05, 1, origin=(0, 0)), {"wall_x_factor": 1.05}),
    "mirrored": (affinity.scale(BOX, -1, 1, origin=(0, 0)), {"mirrored": True}),
    "mirrored and corrected": (
        affinity.scale(BOX, -1.05, 1, origin=(0, 0)),
        {"mirrored": True, "wall_x_factor": 1.05},
    ),
}


@pytest.mark.parametrize(("shape", "source"), MOVED.values(), ids=MOVED)
def test_the_outline_lies_on_the_window_in_the_picture(shape, source):
    drawn = outline_mm(opened(overlay_png(scene(), trace_of(traced(shape), **source))))
    np.testing.assert_allclose(drawn, BOX.bounds, rtol=0, atol=PLACE_MM)


def test_a_picture_mirrored_before_it_was_traced_is_not_mirrored_again():
    image = replace(scene(), source={"mirrored": True})
    drawn = outline_mm(opened(overlay_png(image, trace_of(traced(BOX), mirrored=True))))
    np.testing.assert_allclose(drawn, BOX.bounds, rtol=0, atol=PLACE_MM)


@pytest.mark.parametrize("mm_per_px", [0.02, 0.05, 0.1, 0.5])
def test_the_size_is_that_of_the_windows_and_at_most_2200_wide(mm_per_px):
    pixels = opened(overlay_png(scene(mm_per_px), trace_of(traced(BOX))))
    shown_mm = 16.0 + 2 * 12.0  # the window and its margins
    assert pixels.shape[1] <= 2200
    wanted = min(2200, 4 * shown_mm / mm_per_px)  # not more than four pixels for one
    assert pixels.shape[1] == pytest.approx(wanted, abs=8)  # a pixel at each border, four times
    assert pixels.shape[0] >= pixels.shape[1] * (10 + 24 - 0.2) / shown_mm


def test_the_picture_is_changed_at_the_outline_and_label_only():
    pixels = overlaid()
    x_of, y_of = ruled(pixels)
    rows, columns = np.mgrid[: pixels.shape[0], : pixels.shape[1]]
    x, y = np.polyval(x_of, columns), np.polyval(y_of, rows)
    low_x, low_y, high_x, high_y = BOX.bounds
    depth = np.minimum.reduce([x - low_x, high_x - x, y - low_y, high_y - y])  # in the window, from its edge
    # the rim is a seventh of a letter wide, 0.13 mm; half of it and a pixel's blur lie inside
    assert np.all(np.abs(pixels[depth > 0.3] - GRAPHITE) <= 2)
    above = (y > high_y + 0.3) & (y < RULES_MM[3] - 0.3) & (x > low_x) & (x < high_x)
    assert np.all(np.abs(pixels[above] - PAPER) <= 2)
    at_edge = np.abs(depth) < PLACE_MM
    assert yellow(pixels)[at_edge].mean() > 0.95


def test_the_number_is_drawn_beside_its_window():
    """Two overlays that differ in the number alone differ in a spot as large as a figure, near the window."""
    one, eight = (overlaid(n) for n in (1, 8))
    rows, columns = np.nonzero(np.abs(one - eight).max(axis=-1) > 40)
    letter = one.shape[1] / 56
    assert 0.3 * letter < np.ptp(rows) <= 1.2 * letter
    assert np.ptp(columns) <= 1.2 * letter
    x_of, y_of = ruled(one)
    assert BOX.bounds[0] <= np.polyval(x_of, columns.mean()) <= BOX.bounds[2]
    assert 0 < BOX.bounds[1] - np.polyval(y_of, rows.mean()) < 4 * letter * abs(y_of[0])


def test_roof_floor_and_area_stand_in_the_label():
    plain = overlaid()
    letter = plain.shape[1] / 56
    changes = {"roof_mm": 42.66, "floor_mm": 31.16, "area_mm2": 166.6}
    middle_rows = []
    for name, value in changes.items():
        other = opened(overlay_png(scene(), trace_of(replace(traced(BOX), **{name: value}))))
        assert other.shape == plain.shape
        rows = np.nonzero(np.abs(other - plain).max(axis=-1) > 40)[0]
        assert 0.3 * letter < np.ptp(rows) <= 1.5 * letter  # in one line of the label
        middle_rows.append(rows.mean())
    assert np.all(np.diff(middle_rows) == pytest.approx(1.25 * letter, abs=0.4 * letter))


def test_a_doubt_makes_the_label_wider():
    doubt = WindowDoubt(roof_u_mm=0.05, floor_u_mm=0.05, wall_area_u_mm2=1.0, edge_u_mm=0.1)
    without, with_it = (
        (np.abs(opened(overlay_png(scene(), trace_of(traced(BOX, doubt=d)))) - 255).max(axis=-1) == 0).sum()
        for d in (None, doubt)
    )
    assert with_it > 1.2 * without


def test_each_of_two_windows_has_its_label_over_no_outline():
    shapes = [BOX, affinity.translate(BOX, 18.0, 0.0)]
    pixels = opened(overlay_png(scene(), trace_of(*(traced(s, n) for n, s in enumerate(shapes, 1)))))
    one = opened(overlay_png(scene(), trace_of(*(traced(s, n) for n, s in ((1, shapes[0]), (3, shapes[1]))))))
    columns = np.nonzero(np.abs(one - pixels).max(axis=-1) > 40)[1]
    assert columns.mean() > pixels.shape[1] / 2  # the second number, at the right-hand window
    assert len(middles(yellow(pixels), 0, 0.15)) == 4


def test_an_island_is_drawn_too():
    island = Polygon(BOX.exterior.coords, [Polygon([(-4, 35), (0, 35), (0, 39), (-4, 39)]).exterior.coords])
    plain, holed = overlaid(), opened(overlay_png(scene(), trace_of(traced(island))))
    x_of, y_of = ruled(plain)
    column, row = round((-4 - x_of[1]) / x_of[0]), round((37 - y_of[1]) / y_of[0])
    assert yellow(holed)[row, column - 1 : column + 2].any()
    assert not yellow(plain)[row, column - 1 : column + 2].any()


@pytest.mark.parametrize("ground", [0, 30, 60, 118, 190, 255])
def test_the_line_shows_in_black_and_white_on_every_ground(ground):
    image = scene()
    image = replace(image, pixels=np.full_like(image.pixels, ground))
    pixels = opened(overlay_png(image, trace_of(traced(BOX))))
    gray = np.repeat(np.asarray(Image.fromarray(pixels.astype(np.uint8)).convert("L"))[..., None], 3, axis=2)
    row = round(12.0 / PLACE_MM + 5.0 / PLACE_MM)  # through the window's middle height
    across = gray[row, round(11.0 / PLACE_MM) : round(13.0 / PLACE_MM)]
    line, rim = across.max(axis=0), across.min(axis=0)
    if ground == 255:
        line = gray[row, np.flatnonzero(yellow(pixels)[row])[0]]
    around = np.full(3, float(ground))
    assert contrast(line, rim) >= CONTRAST
    assert max(contrast(line, around), contrast(rim, around)) >= CONTRAST


def test_label_and_number_contrast_in_black_and_white():
    one, eight = (overlaid(n) for n in (1, 8))
    changed = np.abs(one - eight).max(axis=-1) > 200
    gray = np.repeat(np.asarray(Image.fromarray(eight.astype(np.uint8)).convert("L"))[..., None], 3, axis=2)
    assert contrast(gray[changed].max(axis=0), gray[changed].min(axis=0)) >= TEXT_CONTRAST


def test_a_window_over_the_seam_of_a_wall_is_drawn_whole():
    flat = scene()
    turn = flat.pixels.shape[1] * MM_PER_PX
    # the same wall, cut through the window: its left part stands at the right end
    cut = round((BOX.centroid.x - X0_MM) / MM_PER_PX)
    wall = replace(flat, pixels=np.roll(flat.pixels, -cut, axis=1), wraps=True)
    moved = affinity.translate(BOX, -cut * MM_PER_PX)
    for turns in (0.0, turn):  # told from the one or the other end
        shown = overlay_png(wall, trace_of(traced(affinity.translate(moved, turns))))
        whole = overlay_png(flat, trace_of(traced(BOX)))
        here, there = (np.asarray(Image.open(io.BytesIO(data)).convert("RGB")) for data in (shown, whole))
        yellow = [
            int((np.abs(part.astype(int) - (240, 228, 66)).sum(axis=2) < 30).sum()) for part in (here, there)
        ]
        assert yellow[0] == pytest.approx(yellow[1], rel=0.02)
