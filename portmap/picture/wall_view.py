"""What each photo shows of the bore's wall: where every place of it is seen, and how well.

The wall image's pixel (column c, row r) lies at x = left + c·step, y = top − r·step [mm]; its columns go once
round, so that the last is followed by the first. Fields over it are worked out at *nodes*, the middles of
square cells of some pixels, and spread between them; a margin of cells is kept on each side.

Glossary
--------
aslant
    The angle between the sight line and the wall's normal.
worth
    How well a photo shows a place: pixels a millimetre in the direction in which it shows least, less where
    the sight is far aslant, falling to nothing toward the edges of what it shows.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from portmap.picture.bore_start import camera_place
from portmap.picture.camera import Lens, seen_px
from portmap.picture.lens_doubt import seen_and_place_slopes, seen_and_slopes

__all__ = [
    "Nodes",
    "Shown",
    "View",
    "WallFrame",
    "all_shown",
    "nodes_of",
    "pixel_map",
    "shown_by",
    "spread_out",
    "wall_in_bore",
    "wall_slopes",
]

Floats = NDArray[np.float64]
Floats32 = NDArray[np.float32]

_EDGE_SHARE = 0.1  # of a photo's short side: over that its worth falls to nothing toward the edge
_RIM_MM = 0.6  # the sight line must pass the open end's rim by that much
_AHEAD = 0.05  # cosine from the lens's axis; OpenCV's fisheye formula is wrong from 90° on
_STEEPEST_DEG = 83.0  # aslant: the wall is not used beyond
_STEEP_DEG = 76.0  # from here on its worth falls


@dataclass(frozen=True, kw_only=True, slots=True)
class WallFrame:
    """Where the pixels of a wall image lie.

    Parameters
    ----------
    bore_mm : float
    step_mm : float
        Size of a pixel; the turn is a whole number of them.
    columns, rows : int
    left_mm, top_mm : float
        Place of the first pixel's centre.
    """

    bore_mm: float
    step_mm: float
    columns: int
    rows: int
    left_mm: float
    top_mm: float

    @classmethod
    def of(cls, bore_mm: float, step_mm: float, low_mm: float, high_mm: float) -> WallFrame:
        """Return the frame of a whole turn, its pixels as near to `step_mm` as a whole number of them allows.

        Parameters
        ----------
        bore_mm, step_mm : float
        low_mm, high_mm : float
            From where to where it reaches in y [mm].

        Returns
        -------
        WallFrame
            The seam lies opposite the exhaust centre line.

        Examples
        --------
        >>> frame = WallFrame.of(46.0, 0.05, 0.0, 50.0)
        >>> frame.columns, frame.rows, round(frame.columns * frame.step_mm / math.pi, 9)
        (2890, 1000, 46.0)
        """
        turn = math.pi * bore_mm
        columns = round(turn / step_mm)
        step = turn / columns
        rows = math.floor((high_mm - low_mm) / step + 1e-9) + 1
        return cls(
            bore_mm=bore_mm,
            step_mm=step,
            columns=columns,
            rows=rows,
            left_mm=-turn / 2,
            top_mm=high_mm,
        )


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class View:
    """A photo with its pose.

    Parameters
    ----------
    name : str
    pixels : ndarray of shape (M, N, 3) and dtype uint8
        As it was read.
    lens : Lens
        Of the photo turned right, if it is mirrored.
    turn, shift_mm : ndarray of shape (3,)
        From the bore's frame to the camera's.
    mirrored : bool
    ends_mm : tuple of float
        Heights of the lower and the upper open end; infinite if unknown.
    """

    name: str
    pixels: NDArray[np.uint8]
    lens: Lens
    turn: Floats
    shift_mm: Floats
    mirrored: bool = False
    ends_mm: tuple[float, float] = (-math.inf, math.inf)


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Nodes:
    """Places at which fields over a wall image are worked out.

    Parameters
    ----------
    cell_px, margin : int
        Side of a cell; cells kept on each side.
    x_mm : ndarray of shape (W,)
    y_mm : ndarray of shape (V,)
        Descending, as rows go.
    """

    cell_px: int
    margin: int
    x_mm: Floats
    y_mm: Floats

    @property
    def places_mm(self) -> Floats:
        """Return (x, y) of each node, row by row, shape (V·W, 2)."""
        x, y = np.meshgrid(self.x_mm, self.y_mm)
        return np.stack([x.ravel(), y.ravel()], axis=1)

    @property
    def shape(self) -> tuple[int, int]:
        """Return rows and columns of nodes."""
        return len(self.y_mm), len(self.x_mm)


def nodes_of(frame: WallFrame, cell_px: int, margin: int = 1) -> Nodes:
    """Return the nodes of a wall image.

    Parameters
    ----------
    frame : WallFrame
    cell_px : int
    margin : int, optional
        Cells kept on each side, past the seam too; at least one.

    Returns
    -------
    Nodes

    Examples
    --------
    >>> nodes_of(WallFrame.of(46.0, 0.05, 0.0, 50.0), 32).shape
    (34, 93)
    """
    across = np.arange(-margin, math.ceil(frame.columns / cell_px) + margin)
    down = np.arange(-margin, math.ceil(frame.rows / cell_px) + margin)
    middle = (cell_px - 1) / 2
    return Nodes(
        cell_px=cell_px,
        margin=margin,
        x_mm=np.asarray(frame.left_mm + (across * cell_px + middle) * frame.step_mm),
        y_mm=np.asarray(frame.top_mm - (down * cell_px + middle) * frame.step_mm),
    )


def spread_out(field: NDArray[np.float32], nodes: Nodes, rows: slice, columns: slice) -> Floats32:
    """Return the part of a field that a tile of the wall image covers, linear between nodes.

    Parameters
    ----------
    field : ndarray of shape (V, W) or (V, W, C) and dtype float32
        At the nodes.
    nodes : Nodes
    rows, columns : slice
        The tile; its start a multiple of the cell.

    Returns
    -------
    ndarray
        Of the tile's size.
    """
    cell_px, more = nodes.cell_px, nodes.margin - 1
    top, bottom = rows.start // cell_px + more, math.ceil(rows.stop / cell_px) + 2 + more
    left, right = columns.start // cell_px + more, math.ceil(columns.stop / cell_px) + 2 + more
    part = np.ascontiguousarray(field[top:bottom, left:right])
    size = (part.shape[1] * cell_px, part.shape[0] * cell_px)
    whole = cv2.resize(part, size, interpolation=cv2.INTER_LINEAR)
    return np.asarray(
        whole[cell_px : cell_px + rows.stop - rows.start, cell_px : cell_px + columns.stop - columns.start]
    )


def wall_in_bore(radius_mm: float, places_mm: Floats) -> Floats:
    """Return where places of the wall stand in the bore.

    Parameters
    ----------
    radius_mm : float
    places_mm : ndarray of shape (N, 2)
        (x, y).

    Returns
    -------
    ndarray of shape (N, 3)
        (X, Y, Z) [mm].

    Examples
    --------
    >>> wall_in_bore(20.0, np.array([[0.0, 5.0], [10 * math.pi, 7.0]])).round(9)
    array([[ 20.,  -0.,   5.],
           [  0., -20.,   7.]])
    """
    turn = places_mm[:, 0] / radius_mm
    return np.stack([radius_mm * np.cos(turn), -radius_mm * np.sin(turn), places_mm[:, 1]], axis=1)


def pixel_map(view: View, radius_mm: float, places_mm: Floats) -> Floats:
    """Return where a photo as it was read shows places of the wall.

    Parameters
    ----------
    view : View
    radius_mm : float
    places_mm : ndarray of shape (N, 2)

    Returns
    -------
    ndarray of shape (N, 2)
        (column, row) [px]; NaN for places behind a pinhole camera.
    """
    seen = seen_px(view.lens, view.turn, view.shift_mm, wall_in_bore(radius_mm, places_mm))
    if view.mirrored:
        seen[:, 0] = view.lens.size_px[0] - 1 - seen[:, 0]
    return seen


def wall_slopes(view: View, radius_mm: float, places_mm: Floats) -> tuple[Floats, Floats, Floats, Floats]:
    """Return where a photo turned right shows places of the wall, and how that changes.

    Parameters
    ----------
    view : View
    radius_mm : float
    places_mm : ndarray of shape (N, 2)

    Returns
    -------
    ndarray of shape (N, 2)
        (column, row) [px].
    ndarray of shape (N, 2, 2)
        Slopes along x and y of the wall [px/mm].
    ndarray of shape (N, 2, 6)
        Slopes along the pose's figures.
    ndarray of shape (N, 2, F)
        Slopes along the lens's figures.
    """
    places = wall_in_bore(radius_mm, places_mm)
    seen, pose, figures = seen_and_slopes(view.lens, view.turn, view.shift_mm, places)
    turned = cv2.Rodrigues(view.turn)[0]
    # slopes along X, Y, Z: one product is far faster than one for each place
    in_bore = (np.ascontiguousarray(pose[..., 3:]).reshape(-1, 3) @ turned).reshape(-1, 2, 3)
    return seen, _along_wall(in_bore, places / radius_mm), pose, figures


def _along_wall(in_bore: Floats, outward: Floats) -> Floats:
    """Return slopes along x and y of the wall, shape (N, 2, 2), from those along X, Y and Z of the bore."""
    made = np.empty((len(in_bore), 2, 2))
    made[..., 0] = outward[:, 1, None] * in_bore[..., 0] - outward[:, 0, None] * in_bore[..., 1]
    made[..., 1] = in_bore[..., 2]
    return made


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Shown:
    """How well a photo shows each of some places.

    Parameters
    ----------
    worth : ndarray of shape (N,)
        0 where it does not.
    aslant_deg : ndarray of shape (N,)
    px_per_mm : ndarray of shape (N,)
        In the direction in which it shows least.
    """

    worth: Floats
    aslant_deg: Floats
    px_per_mm: Floats


def shown_by(view: View, radius_mm: float, places_mm: Floats) -> Shown:
    """Return how well a photo shows places of the wall.

    Parameters
    ----------
    view : View
    radius_mm : float
    places_mm : ndarray of shape (N, 2)

    Returns
    -------
    Shown
    """
    places = wall_in_bore(radius_mm, places_mm)
    eye = camera_place(view.turn, view.shift_mm)
    back = eye - places
    far = np.sqrt(np.einsum("ni,ni->n", back, back))
    facing = -np.einsum("ni,ni->n", back[:, :2], places[:, :2]) / (radius_mm * far)
    aslant = np.degrees(np.arccos(np.clip(facing, -1.0, 1.0)))
    size = view.lens.size_px
    ahead = -back @ cv2.Rodrigues(view.turn)[0][2] / far
    possible = np.flatnonzero((aslant < _STEEPEST_DEG) & (ahead > _AHEAD))
    worth, least = np.zeros(len(places)), np.zeros(len(places))
    if len(possible):
        places, ahead = places[possible], ahead[possible]
        seen, in_bore = seen_and_place_slopes(view.lens, view.turn, view.shift_mm, places)
        column, row = seen.T
        inside = np.minimum(np.minimum(column, size[0] - 1.0 - column), np.minimum(row, size[1] - 1.0 - row))
        least[possible] = _least_stretch(_along_wall(in_bore, places / radius_mm))
        share = np.clip(inside / (_EDGE_SHARE * min(size)), 0.0, 1.0)
        share *= _within_field(view.lens, ahead)
        share *= np.clip(_past_rim(view, eye, radius_mm, places) / _RIM_MM, 0.0, 1.0)
        share *= np.clip((_STEEPEST_DEG - aslant[possible]) / (_STEEPEST_DEG - _STEEP_DEG), 0.0, 1.0)
        worth[possible] = least[possible] * share
    return Shown(worth=worth, aslant_deg=aslant, px_per_mm=least)


def all_shown(views: Sequence[View], radius_mm: float, places_mm: Floats) -> list[Shown]:
    """Return how well each of several photos shows places of the wall.

    Parameters
    ----------
    views : sequence of View
    radius_mm : float
    places_mm : ndarray of shape (N, 2)

    Returns
    -------
    list of Shown
    """
    with ThreadPoolExecutor(max_workers=max(1, cv2.getNumThreads())) as pool:
        return list(pool.map(lambda view: shown_by(view, radius_mm, places_mm), views))


def _least_stretch(slopes: Floats) -> Floats:
    """Return the smaller singular value of 2 × 2 matrices, shape (N,)."""
    (a, b), (c, d) = np.moveaxis(slopes, 0, -1)
    both, difference = a * a + b * b + c * c + d * d, np.abs(a * d - b * c)
    return np.asarray(
        np.sqrt(np.maximum(0.0, (both - np.sqrt(np.maximum(0.0, both**2 - 4 * difference**2))) / 2))
    )


def _within_field(lens: Lens, ahead: Floats) -> Floats:
    """Return 1 for directions that a lens's picture reaches, 0 beyond, a short step between."""
    across = max(lens.cx_px, lens.size_px[0] - 1 - lens.cx_px) / lens.fx_px
    down = max(lens.cy_px, lens.size_px[1] - 1 - lens.cy_px) / lens.fy_px
    corner = math.hypot(across, down)
    # a pinhole's distortion may fold back outside the picture, and show the same pixels again
    limit = math.atan(1.5 * corner) if lens.model == "pinhole" else math.acos(_AHEAD)
    angle = np.arccos(np.clip(ahead, -1.0, 1.0))
    return np.clip((limit - angle) / 0.02, 0.0, 1.0)


def _past_rim(view: View, eye: Floats, radius_mm: float, places: Floats) -> Floats:
    """Return by how much the sight lines pass the rim of the open end that they come in by [mm]."""
    low, high = view.ends_mm
    level = low if eye[2] < low else high if eye[2] > high else None
    if level is None:
        return np.full(len(places), np.inf)
    x, y, z = places.T
    share = (level - z) / (eye[2] - z)
    crossing = np.hypot(x + share * (eye[0] - x), y + share * (eye[1] - y))
    # a place on the rim itself is seen past no rim
    return np.asarray(np.maximum(radius_mm - crossing, _RIM_MM * (np.abs(z - level) < 0.3)))
