"""A photo of the board before and after its lens is taken out, side by side, for a person to judge.

Along the rows and columns of corners that lie farthest out a straight line is drawn from end to end. In the
photo as taken the corners leave it; with the lens taken out they must lie on it.
"""

from __future__ import annotations

import io
from collections.abc import Iterator, Sequence
from pathlib import Path

import cv2
import numpy as np
from matplotlib import get_data_path
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from portmap.picture.board_view import BoardView
from portmap.picture.camera import Lens, rays, resized, seen_px

__all__ = ["shown_view", "straightened", "straightened_png"]

Floats = NDArray[np.float64]

LINE, DOT, INK, PAPER = (213, 94, 0), (0, 114, 178), (30, 30, 30), (255, 255, 255)  # Okabe and Ito 2008
PANEL_PX = 1000  # width of each of the two pictures
_WIDEST_DEG = 62.0  # from the axis: a flat picture of more would be all rim
_LEAST_IN_LINE = 4
_LINES = 4  # of each direction


def shown_view(views: Sequence[BoardView]) -> BoardView:
    """Return the view that shows a lens best: with corners farthest from the middle of the picture.

    Parameters
    ----------
    views : sequence of BoardView
        At least one.

    Returns
    -------
    BoardView
    """

    def reach(view: BoardView) -> float:
        middle = (np.array(view.size_px) - 1) / 2
        return float(np.mean(np.sort(np.hypot(*(view.pixels_px - middle).T))[-20:]) / max(view.size_px))

    return max(views, key=reach)


def straightened(lens: Lens) -> Lens:
    """Return the lens without distortion that shows about the same picture.

    Parameters
    ----------
    lens : Lens

    Returns
    -------
    Lens
        A pinhole of the same size; what lies more than 62° from the axis is not shown.

    Examples
    --------
    >>> wide = Lens(model="fisheye", size_px=(640, 480), fx_px=300, fy_px=300, cx_px=320, cy_px=240,
    ...             distortion=(0, 0, 0, 0))
    >>> straightened(wide).distortion
    (0.0, 0.0, 0.0, 0.0, 0.0)
    """
    across, down = lens.size_px
    sides = np.array([[0, lens.cy_px], [across - 1, lens.cy_px], [lens.cx_px, 0], [lens.cx_px, down - 1]])
    look = rays(lens, sides)
    off = np.degrees(np.arctan2(np.hypot(look[:, 0], look[:, 1]), look[:, 2]))
    off = np.minimum(np.where(np.isfinite(off), off, _WIDEST_DEG), _WIDEST_DEG)
    reach = np.tan(np.radians(off))
    focal = float(max((across - 1) / (reach[0] + reach[1]), (down - 1) / (reach[2] + reach[3])))
    return Lens(
        model="pinhole",
        size_px=lens.size_px,
        fx_px=focal,
        fy_px=focal,
        cx_px=float((across - 1) + focal * (reach[0] - reach[1])) / 2,
        cy_px=float((down - 1) + focal * (reach[2] - reach[3])) / 2,
        distortion=(0.0,) * 5,
    )


def straightened_png(pixels: NDArray[np.uint8], view: BoardView, lens: Lens) -> bytes:
    """Return a photo as taken and with the lens taken out, side by side, as a PNG.

    Parameters
    ----------
    pixels : ndarray of shape (M, N, 3) and dtype uint8
        The photo that `view` was found in, RGB; turned right if it is mirrored.
    view : BoardView
    lens : Lens

    Returns
    -------
    bytes
        A PNG of about 2,000 px width.
    """
    lens = resized(lens, (pixels.shape[1], pixels.shape[0]))
    flat = straightened(lens)
    seen = view.pixels_px.copy()
    if view.size_px != lens.size_px:
        seen = (seen + 0.5) * np.array(lens.size_px) / np.array(view.size_px) - 0.5
    look = rays(lens, seen)
    front = np.isfinite(look).all(axis=1) & (np.nan_to_num(look[:, 2]) > 0.2)
    still = np.zeros(3)
    corners = np.full_like(seen, np.nan)
    corners[front] = seen_px(flat, still, still, look[front])
    lines = list(_lines(view, front))
    panels = (
        ("as taken", pixels, seen),
        ("the lens taken out", _seen_flat(pixels, lens, flat), corners),
    )
    font = ImageFont.truetype(str(Path(get_data_path()) / "fonts" / "ttf" / "DejaVuSans.ttf"), 26)
    gap, foot = 24, 56
    scale = PANEL_PX / pixels.shape[1]
    height = round(pixels.shape[0] * scale)
    canvas = Image.new("RGB", (2 * PANEL_PX + 3 * gap, height + gap + foot), PAPER)
    draw = ImageDraw.Draw(canvas)
    for k, (words, picture, places) in enumerate(panels):
        small = Image.fromarray(picture).resize((PANEL_PX, height), Image.Resampling.LANCZOS)
        _draw_lines(small, (places + 0.5) * scale - 0.5, lines)
        left = gap + k * (PANEL_PX + gap)
        canvas.paste(small, (left, gap))
        leaves = max((_bow(places[line]) for line in lines), default=0.0)
        told = f"{words}: corners leave a straight line by up to {leaves:.1f} pixels"
        draw.text((left, gap + height + 12), told, fill=INK, font=font)
    stream = io.BytesIO()
    canvas.save(stream, "PNG", compress_level=3)
    return stream.getvalue()


def _seen_flat(pixels: NDArray[np.uint8], lens: Lens, flat: Lens) -> NDArray[np.uint8]:
    """Return the picture that the lens without distortion would have made; white where nothing was seen."""
    across, down = flat.size_px
    u, v = np.meshgrid(np.arange(across, dtype=np.float64), np.arange(down, dtype=np.float64))
    places = np.stack([(u - flat.cx_px) / flat.fx_px, (v - flat.cy_px) / flat.fy_px, np.ones_like(u)], -1)
    found = seen_px(lens, np.zeros(3), np.zeros(3), places.reshape(-1, 3)).astype(np.float32)
    maps = found.reshape(down, across, 2)
    out = cv2.remap(
        np.ascontiguousarray(pixels),
        maps[:, :, 0],
        maps[:, :, 1],
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_CONSTANT,
        borderValue=PAPER,
    )
    return np.asarray(out, np.uint8)


def _lines(view: BoardView, front: NDArray[np.bool_]) -> Iterator[NDArray[np.intp]]:
    """Give the numbers of the corners in the outer rows and columns, in order."""
    for along in (0, 1):
        across = view.places_mm[:, 1 - along].round(6)
        whole = []
        for level in np.unique(across):
            line = np.flatnonzero((across == level) & front)
            if len(line) >= _LEAST_IN_LINE:
                whole.append(line[np.argsort(view.places_mm[line, along])])
        if len(whole) > _LINES:
            step = np.unique(np.linspace(0, len(whole) - 1, _LINES).round().astype(int))
            whole = [whole[k] for k in step]
        yield from whole


def _bow(line: Floats) -> float:
    """Return how far points leave the straight line from the first to the last."""
    start, end = line[0], line[-1]
    along = (end - start) / max(float(np.linalg.norm(end - start)), 1e-9)
    return float(np.abs((line - start) @ np.array([-along[1], along[0]])).max())


def _draw_lines(picture: Image.Image, places: Floats, lines: Sequence[NDArray[np.intp]]) -> None:
    draw = ImageDraw.Draw(picture)
    for line in lines:
        ends = [tuple(places[line[0]].tolist()), tuple(places[line[-1]].tolist())]
        draw.line(ends, fill=LINE, width=2)
    for line in lines:
        for x, y in places[line].tolist():
            draw.ellipse((x - 4, y - 4, x + 4, y + 4), outline=DOT, width=2)
