"""Frames without a card, tied to heights that were measured: the exhaust's roof, or another roof or floor.

Overlaps and bore tell everything of the wall but how high it stands and from where x counts. The named window
is traced in an image of its own neighbourhood, unrolled by the poses as they are; then all poses are moved
up and turned as a whole so that its roof (or floor) stands where it was measured and, if an exhaust is named,
x = 0 lies in the middle of that.

What the tie leaves open moves the whole wall, and goes into its doubt. Modes that the overlaps left open are
held where the tie holds the wall.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal, cast

import cv2
import numpy as np
from numpy.typing import NDArray

from portmap.errors import PictureError, QuantityError
from portmap.picture.bare_frames import BareFrames, bare_views
from portmap.picture.bore_shots import BorePoses
from portmap.picture.bore_start import camera_place
from portmap.picture.scaled import PlaceDoubt, ScaledImage, displacements
from portmap.picture.traced import TracedWindow
from portmap.picture.wall_join import CELL_PX, MARGIN, lit_views, shares, wall_pixels
from portmap.picture.wall_light import EVEN_LEVEL
from portmap.picture.wall_sight import wall_sight
from portmap.picture.wall_trace import trace_wall
from portmap.picture.wall_view import WallFrame, nodes_of, shown_by, spread_out
from portmap.quantity import length_mm

__all__ = ["HEIGHT_U_MM", "Tie", "ToldHeight", "height_tie", "tied_doubt", "tied_poses", "told_height"]

Floats = NDArray[np.float64]

HEIGHT_U_MM = 0.05  # standard uncertainty of a height measured in a bore by hand; common practice, no source
_WINDOWS = ("exhaust", "transfer", "boost", "intake")
_STEP_MM = 0.05
_SIDE_SHARE = 0.36  # of a turn, looked at to either side: the windows there share their chamfer
_TALL_SHARE = 0.5  # of the bore, looked at above and below the eye
_NEAR_SHARE = 0.11  # of a turn: a window whose middle is further off is another
_SOFT_MM, _DARK, _LEAST_WINDOW_MM = 0.2, 0.6, 2.5  # of a dark patch; dark as a share of the wall's level
_BRIDGE_MM = 5.0  # between the two halves of a bridged exhaust at most
_LEVEL_SHARE = 0.7  # of the lower half's height that both have in common
_LIFT = 4.0  # bores by which the wall is lifted meanwhile, so that no height is below 0
_CONTRADICT_MM = 0.3


@dataclass(frozen=True, kw_only=True, slots=True)
class ToldHeight:
    """A height that was measured in the bore.

    Parameters
    ----------
    window : str
        exhaust, transfer, boost or intake.
    edge : {'roof', 'floor'}
    height_mm : float
        Above the base face.
    u_mm : float
        Its standard uncertainty.
    frame : int or None
        Number, from 1, of the frame that looks at the window; None for the first.
    """

    window: str
    edge: Literal["roof", "floor"]
    height_mm: float
    u_mm: float = HEIGHT_U_MM
    frame: int | None = None


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Tie:
    """By how much the wall as a whole is moved so that the heights come right.

    Parameters
    ----------
    up_mm : float
    turn_rad : float
        Taken off the wall's angle x/R.
    up_u_mm, across_u_mm : float
        Standard uncertainties of height and x; of x 0 where no window tells it.
    places_mm : ndarray of shape (N, 2)
        Where the wall is held, after it was moved: (x, y) of each height.
    shares : ndarray of shape (N,)
        By how much each height counts.
    middle_mm : float or None
        Height of the exhaust's middle, where x is held; None if no exhaust is named.
    """

    up_mm: float
    turn_rad: float
    up_u_mm: float
    across_u_mm: float
    places_mm: Floats
    shares: Floats
    middle_mm: float | None


def told_height(text: str, *, where: str = "--height") -> ToldHeight:
    """Return the height that somebody typed.

    Parameters
    ----------
    text : str
        Window, edge and length, such as ``exhaust roof 38.2 mm``; then perhaps ``± 0.1 mm`` (95 %), and
        ``at 3`` for a window that frame 3 looks at.
    where : str, optional
        Opens the message of an error.

    Returns
    -------
    ToldHeight

    Raises
    ------
    QuantityError
        If it is not such a height.

    Examples
    --------
    >>> told_height("exhaust roof 38.2 mm")
    ToldHeight(window='exhaust', edge='roof', height_mm=38.2, u_mm=0.05, frame=None)
    >>> told_height("boost floor 1 1/4 in ± 0.004 in at 9").frame
    9
    """
    found = re.fullmatch(
        r"\s*(\w+)\s+(roof|floor)\s+(.+?)(?:\s*(?:±|\+-|\+/-)\s*(.+?))?(?:\s+at\s+(\d+))?\s*",
        text,
        re.IGNORECASE,
    )
    if found is None or found[1].lower() not in _WINDOWS:
        raise QuantityError(
            f"'{text[:60]}' is no height of a window",
            where=where,
            remedy=f'give one such as "exhaust roof 38.2 mm"; windows are {", ".join(_WINDOWS)}',
        )
    window, edge, length, spread, frame = found.groups()
    if window.lower() != "exhaust" and frame is None:
        raise QuantityError(
            f"nobody tells which frame looks at the {window.lower()}",
            where=where,
            remedy=f'add its number: "{text.strip()[:60]} at 9"',
        )
    u = HEIGHT_U_MM if spread is None else length_mm(spread, where=where, sign="positive") / 1.96
    return ToldHeight(
        window=window.lower(),
        edge=cast(Literal["roof", "floor"], edge.lower()),
        height_mm=length_mm(length, where=where, sign="positive"),
        u_mm=u,
        frame=None if frame is None else int(frame),
    )


def height_tie(frames: BareFrames, bore_mm: float, heights: Sequence[ToldHeight]) -> Tie:
    """Return by how much the wall is to be moved so that the windows stand where they were measured.

    Parameters
    ----------
    frames : BareFrames
    bore_mm : float
    heights : sequence of ToldHeight
        At least one.

    Returns
    -------
    Tie

    Raises
    ------
    PictureError
        If a window is not found, or the heights contradict one another.
    """
    if not heights:
        raise PictureError(
            "frames without a card do not tell how high the wall stands",
            where="--height",
            remedy='measure one height and give it: --height "exhaust roof 38.2 mm"',
        )
    lifted = replace(frames, poses=_moved(frames.poses, _LIFT * bore_mm, 0.0))
    seen: dict[tuple[int, str], list[TracedWindow]] = {}
    found = [_measured(lifted, bore_mm, told, seen) for told in heights]
    offs = np.array([told.height_mm - at[1] for told, at in zip(heights, found, strict=True)])
    u = np.array([math.hypot(told.u_mm, at[2]) for told, at in zip(heights, found, strict=True)])
    weights = u**-2 / (u**-2).sum()
    off = float(weights @ offs)
    worst = int(np.argmax(np.abs(offs - off)))
    if abs(offs[worst] - off) > _CONTRADICT_MM + 2 * u[worst]:
        raise PictureError(
            f"the heights contradict one another: the {heights[worst].window} {heights[worst].edge} is"
            f" {abs(offs[worst] - off):.2f} mm away from where the others put it",
            where="--height",
            remedy="measure again, from the base face, and check --bore",
        )
    named = [at for told, at in zip(heights, found, strict=True) if told.window == "exhaust"]
    turn = named[0][0] / (bore_mm / 2) if named else 0.0
    across = [math.remainder(at[0] - turn * bore_mm / 2, math.pi * bore_mm) for at in found]
    return Tie(
        up_mm=_LIFT * bore_mm + off,
        turn_rad=turn,
        up_u_mm=float(1 / math.sqrt((u**-2).sum())),
        across_u_mm=named[0][2] if named else 0.0,
        places_mm=np.column_stack([across, [at[1] + off for at in found]]),
        shares=weights,
        middle_mm=named[0][3] + off if named else None,
    )


def tied_poses(poses: BorePoses, tie: Tie) -> BorePoses:
    """Return poses moved as a whole.

    Parameters
    ----------
    poses : BorePoses
        As `bare_frames` gives them.
    tie : Tie

    Returns
    -------
    BorePoses
        In the frame of the bore.
    """
    return _moved(poses, tie.up_mm, tie.turn_rad)


def tied_doubt(doubt: PlaceDoubt, tie: Tie) -> PlaceDoubt:
    """Return the doubt of a wall that is held at a measured height, with the doubt of that height.

    Parameters
    ----------
    doubt : PlaceDoubt
        Of the tied poses, the wall as a whole held anywhere.
    tie : Tie

    Returns
    -------
    PlaceDoubt
        Two modes more: the wall as a whole up, and round.
    """
    held = displacements(doubt, tie.places_mm)
    modes = doubt.modes_mm.copy()
    modes[..., 1] -= (held[..., 1] @ tie.shares)[:, None, None]
    if tie.middle_mm is not None:
        middle = displacements(doubt, [[0.0, tie.middle_mm]])
        modes[..., 0] -= middle[:, 0, 0][:, None, None]
    whole = np.zeros((2, *modes.shape[1:]))
    whole[0, ..., 1], whole[1, ..., 0] = tie.up_u_mm, tie.across_u_mm
    return PlaceDoubt(
        grid_x_mm=doubt.grid_x_mm, grid_y_mm=doubt.grid_y_mm, modes_mm=np.concatenate([modes, whole])
    )


def _moved(poses: BorePoses, up_mm: float, turn_rad: float) -> BorePoses:
    """Return poses in a frame in which the wall stands higher and its angle x/R is less."""
    c, s = math.cos(turn_rad), math.sin(turn_rad)
    back = np.array([[c, s, 0.0], [-s, c, 0.0], [0.0, 0.0, 1.0]])

    def moved(pose: Floats) -> Floats:
        turned = cv2.Rodrigues(pose[:3])[0] @ back
        return np.concatenate([cv2.Rodrigues(turned)[0].ravel(), pose[3:] - turned[:, 2] * up_mm])

    first = sum(len(guess.free) for guess in poses.lenses)
    slopes = np.eye(len(poses.covariance))
    made = []
    for k, pose in enumerate(poses.poses):
        own = np.concatenate([pose.turn, pose.shift_mm])
        at = moved(own)
        made.append(replace(pose, turn=at[:3], shift_mm=at[3:]))
        for j in range(6):
            step = np.zeros(6)
            step[j] = 1e-6
            block = slice(first + 6 * k, first + 6 * k + 6)
            slopes[block, block.start + j] = (moved(own + step) - moved(own - step)) / 2e-6
    return replace(poses, poses=tuple(made), covariance=slopes @ poses.covariance @ slopes.T)


def _measured(
    frames: BareFrames,
    bore_mm: float,
    told: ToldHeight,
    seen: dict[tuple[int, str], list[TracedWindow]],
) -> tuple[float, float, float, float]:
    """Return x of the window's middle, the edge's height, its uncertainty, and the middle's height.

    What is traced about a frame is kept in `seen`.
    """
    names = [pose.name for pose in frames.poses.poses]
    number = (told.frame or 1) - 1
    if not 0 <= number < len(names):
        raise PictureError(
            f"there is no frame {told.frame} among the {len(names)} that were joined",
            where="--height",
            remedy=f"give the number of the frame that looks at the {told.window}",
        )
    look = cv2.Rodrigues(frames.poses.poses[number].turn)[0][2]
    x = math.atan2(-look[1], look[0]) * bore_mm / 2
    key = (number, str(told.edge))
    if key not in seen:
        seen[key] = _windows(*_neighbourhood(frames, bore_mm, x), x, told.edge)
    windows = seen[key]
    near = [w for w in windows if abs(_middle(w)[0] - x) < _NEAR_SHARE * math.pi * bore_mm]
    if not near:
        raise PictureError(
            f"no window is found where frame {names[number]} looks, so that the {told.window}"
            f" {told.edge} cannot be measured",
            where="--height",
            remedy=f"begin with the frame that looks at it, or give its number:"
            f' "{told.window} {told.edge} {told.height_mm:g} mm at 3"',
        )
    window = _named(near, told.window, x)
    group = [window]
    if told.window == "exhaust":
        group += [w for w in windows if w is not window and _bridged(window, w)]
    bounds = np.array([w.window.outline.bounds for w in group])
    edge = (
        max(group, key=lambda w: w.roof_mm) if told.edge == "roof" else min(group, key=lambda w: w.floor_mm)
    )
    doubt = edge.window.doubt
    height, u = (
        (edge.roof_mm, 0.0 if doubt is None else doubt.roof_u_mm)
        if told.edge == "roof"
        else (edge.floor_mm, 0.0 if doubt is None else doubt.floor_u_mm)
    )
    middle = float(bounds[:, 0].min() + bounds[:, 2].max()) / 2
    return middle, height, u, float(bounds[:, 1].min() + bounds[:, 3].max()) / 2


def _windows(
    image: ScaledImage, coverage: NDArray[np.uint8], x_mm: float, edge: Literal["roof", "floor"]
) -> list[TracedWindow]:
    """Return the windows of a neighbourhood: sought, or if none is near the place, by dark patches there."""
    sight = wall_sight(image, coverage)
    reach = _NEAR_SHARE * math.pi * sight.bore_mm
    hints = [place for place in _dark_places(image) if abs(place[0] - x_mm) < reach]
    for inside in ([], hints) if hints else ([],):
        try:
            found = list(trace_wall(image, sight, part=edge, inside_mm=inside).windows)
        except PictureError:
            found = []  # if neither way finds one the caller says what to do
        if any(abs(_middle(window)[0] - x_mm) < reach for window in found):
            return found
    return []


def _dark_places(image: ScaledImage) -> list[tuple[float, float]]:
    """Return a place inside each dark patch that may be a window: wide, tall, and off the image's border."""
    step, (rows, columns) = image.mm_per_px, image.pixels.shape[:2]
    gray = cv2.GaussianBlur(cv2.cvtColor(image.pixels, cv2.COLOR_RGB2GRAY), (0, 0), _SOFT_MM / step)
    count, labels, boxes, _ = cv2.connectedComponentsWithStats((gray < _DARK * EVEN_LEVEL).astype(np.uint8))
    places = []
    for number in range(1, count):
        left, top, wide, tall = boxes[number, :4]
        inner = left > 1 and top > 1 and left + wide < columns - 1 and top + tall < rows - 1
        if not inner or min(wide, tall) * step < _LEAST_WINDOW_MM:
            continue
        own = np.pad((labels[top : top + tall, left : left + wide] == number).astype(np.uint8), 1)
        row, column = np.unravel_index(np.argmax(cv2.distanceTransform(own, cv2.DIST_L2, 5)), own.shape)
        places.append(
            (
                image.x0_mm + (left + int(column) - 1) * step,
                image.y0_mm - (top + int(row) - 1) * step,
            )
        )
    return places


def _middle(window: TracedWindow) -> tuple[float, float]:
    low, floor, high, roof = window.window.outline.bounds
    return (low + high) / 2, (floor + roof) / 2


def _named(windows: Sequence[TracedWindow], name: str, x: float) -> TracedWindow:
    """Return the window that a name means where several stand near a place."""
    if name == "intake":
        return min(windows, key=lambda w: _middle(w)[1])
    if name == "boost":
        return max(windows, key=lambda w: _middle(w)[1])
    return max(windows, key=lambda w: w.area_mm2 / (1 + abs(_middle(w)[0] - x)))


def _bridged(one: TracedWindow, other: TracedWindow) -> bool:
    """Return whether two windows are the halves of one that a bridge parts."""
    a, b = one.window.outline.bounds, other.window.outline.bounds
    gap = max(a[0], b[0]) - min(a[2], b[2])
    both = min(a[3], b[3]) - max(a[1], b[1])
    return bool(0 <= gap < _BRIDGE_MM and both > _LEVEL_SHARE * min(a[3] - a[1], b[3] - b[1]))


def _neighbourhood(frames: BareFrames, bore_mm: float, x_mm: float) -> tuple[ScaledImage, NDArray[np.uint8]]:
    """Return an image of the wall about a place, not all round, and where it is seen."""
    radius, side = bore_mm / 2, _SIDE_SHARE * math.pi * bore_mm
    views = bare_views(frames, frames.poses)
    low, high = _seen_range(frames, bore_mm, x_mm)
    frame = WallFrame(
        bore_mm=bore_mm,
        step_mm=_STEP_MM,
        columns=round(2 * side / _STEP_MM),
        rows=math.floor((high - low) / _STEP_MM) + 1,
        left_mm=x_mm - side,
        top_mm=high,
    )
    nodes = nodes_of(frame, CELL_PX, MARGIN)
    shown = [shown_by(view, radius, nodes.places_mm) for view in views]
    with np.errstate(over="ignore"):  # a pinhole's formula runs off without end beside its picture
        lit = lit_views(views, shown, nodes, radius)
        share = shares(shown, nodes, lit)
        pixels = wall_pixels(views, frame, share, [each.gain for each in lit], nodes)
    whole = slice(0, frame.rows), slice(0, frame.columns)
    seen = spread_out(share.sum(axis=0), nodes, *whole) > 0.5
    pixels[~seen] = round(EVEN_LEVEL)
    lens = frames.poses.lenses[0].lens
    facts = [
        {
            "name": pose.name,
            "lens": pose.lens,
            "size_px": list(lens.size_px),
            "turn_rad": pose.turn.tolist(),
            "shift_mm": pose.shift_mm.tolist(),
        }
        for pose in frames.poses.poses
    ]
    known = {
        "model": lens.model,
        "fx_px": lens.fx_px,
        "fy_px": lens.fy_px,
        "cx_px": lens.cx_px,
        "cy_px": lens.cy_px,
        "distortion": list(lens.distortion),
    }
    image = ScaledImage(
        pixels=pixels,
        mm_per_px=frame.step_mm,
        x0_mm=frame.left_mm,
        y0_mm=frame.top_mm,
        source={"bore_mm": bore_mm, "covered_share": 1.0, "lenses": [known], "pictures": facts},
    )
    return image, np.where(seen, 255, 0).astype(np.uint8)


def _seen_range(frames: BareFrames, bore_mm: float, x_mm: float) -> tuple[float, float]:
    """Return from where to where in y the wall is seen straight below and above a place."""
    radius = bore_mm / 2
    views = bare_views(frames, frames.poses)
    eye = float(np.median([camera_place(view.turn, view.shift_mm)[2] for view in views]))
    y = eye + np.arange(-_TALL_SHARE * bore_mm, _TALL_SHARE * bore_mm, 0.25)
    places = np.column_stack([np.full_like(y, x_mm), y])
    there = y[np.max([shown_by(view, radius, places).worth for view in views], axis=0) > 0]
    if len(there) < 4:
        raise PictureError("no frame shows the wall where the height was measured", where="--height")
    return float(there.min()), float(there.max())
