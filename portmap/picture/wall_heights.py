"""A height that was measured in the bore, as it is typed, and where photos show the edge that it is of.

The neighbourhood of the window is unrolled by the poses as they are and traced; a bridged window counts as
one. What is found goes into the adjustment of photos with a card (`seen_heights`), or ties frames without one
(`bare_height`).
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, cast

import cv2
import numpy as np
from numpy.typing import NDArray

from portmap.errors import PictureError, QuantityError
from portmap.picture.bore_shots import SeenHeight
from portmap.picture.bore_start import camera_place
from portmap.picture.scaled import ScaledImage
from portmap.picture.traced import TracedWindow
from portmap.picture.unroll_frame import seen_wall
from portmap.picture.wall_join import joined
from portmap.picture.wall_light import EVEN_LEVEL
from portmap.picture.wall_sight import sight_document, wall_sight
from portmap.picture.wall_trace import trace_wall
from portmap.picture.wall_view import View, WallFrame, shown_by, wall_slopes
from portmap.quantity import length_mm

__all__ = [
    "HEIGHT_U_MM",
    "HeightsSeen",
    "SeenEdge",
    "ToldHeight",
    "agreed_off",
    "edge_seen",
    "seen_heights",
    "told_height",
]

Floats = NDArray[np.float64]

HEIGHT_U_MM = 0.05  # standard uncertainty of a height measured in a bore by hand; common practice, no source
CARD_OFF_MM = 5.0  # a card laid by hand is not further off its height than that (judgement)
_WINDOWS = ("exhaust", "transfer", "boost", "intake")
_STEP_MM = 0.05
_SIDE_SHARE = 0.36  # of a turn, looked at to either side: the windows there share their chamfer
_LONG_SHARE = 2.0  # of the bore: hardly a cylinder is taller
_LEAST_SEEN = 4  # places up the bore, for the wall to be seen there
_TALL_SHARE = 0.5  # of the bore, looked at above and below the eye
_NEAR_SHARE = 0.11  # of a turn: a window whose middle is further off is another
_SOFT_MM, _DARK, _LEAST_WINDOW_MM = 0.2, 0.6, 2.5  # of a dark patch; dark as a share of the wall's level
_BRIDGE_MM = 5.0  # between the two halves of a bridged exhaust at most
_LEVEL_SHARE = 0.7  # of the lower half's height that both have in common
_ON_EDGE_MM = 0.03
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


@dataclass(frozen=True, kw_only=True, slots=True)
class SeenEdge:
    """Where photos show an edge whose height was measured.

    Parameters
    ----------
    middle_mm : tuple of float
        Of the window, (x, y).
    place_mm : tuple of float
        Of the edge, by the poses as they are.
    u_mm : float
        Standard uncertainty of its height as it was traced.
    """

    middle_mm: tuple[float, float]
    place_mm: tuple[float, float]
    u_mm: float


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


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class HeightsSeen:
    """Where photos with a card show the places whose height was measured.

    Parameters
    ----------
    photos : dict of str to SeenHeight
        By the name of the photo that shows each best.
    off_mm, u_mm : float
        By how much the card alone has these places higher than they were measured, in the mean, and the
        standard uncertainty of that by measuring.
    """

    photos: dict[str, SeenHeight]
    off_mm: float
    u_mm: float


def seen_heights(
    views: Sequence[View],
    bore_mm: float,
    heights: Sequence[ToldHeight],
    strip_mm: tuple[float, float] | None = None,
) -> HeightsSeen:
    """Return where photos of a bore with a card show the places whose height was measured.

    Parameters
    ----------
    views : sequence of View
    bore_mm : float
    heights : sequence of ToldHeight
    strip_mm : tuple of float, optional
        From where to where a strip hides the wall.

    Returns
    -------
    HeightsSeen

    Raises
    ------
    PictureError
        If a window is not found, or the heights contradict one another.
    """
    found: dict[str, list[tuple[float, ...]]] = {}
    traced: dict[tuple[float, str], list[TracedWindow]] = {}
    offs, doubts = [], []
    for told in heights:
        about = 0.0 if told.window == "exhaust" else None
        edge = edge_seen(
            views, bore_mm, told, x_mm=about, traced=traced, strip_mm=strip_mm, card_off_mm=CARD_OFF_MM
        )
        place = np.array([edge.place_mm])
        worths = [float(shown_by(view, bore_mm / 2, place).worth[0]) for view in views]
        best = views[int(np.argmax(worths))]
        pixel, slopes, _, _ = wall_slopes(best, bore_mm / 2, place)
        u = math.hypot(told.u_mm, edge.u_mm)
        offs.append(edge.place_mm[1] - told.height_mm)
        doubts.append(u)
        row = (place[0, 0] / (bore_mm / 2), told.height_mm, u, *pixel[0], *slopes[0, :, 1])
        found.setdefault(best.name, []).append(row)
    made = {}
    for name, rows in found.items():
        table = np.array(rows)
        made[name] = SeenHeight(
            angle_rad=table[:, 0],
            height_mm=table[:, 1],
            u_mm=table[:, 2],
            pixels_px=table[:, 3:5],
            up_px=table[:, 5:7],
        )
    off, u_mm, _ = agreed_off(heights, np.array(offs), np.array(doubts))
    return HeightsSeen(photos=made, off_mm=off, u_mm=u_mm)


def agreed_off(heights: Sequence[ToldHeight], offs: Floats, u: Floats) -> tuple[float, float, Floats]:
    """Return by how much the wall is off by all heights together, how sure that is, and each one's share.

    Parameters
    ----------
    heights : sequence of ToldHeight
    offs, u : ndarray of shape (N,)
        By how much it is off by each, and the standard uncertainty of that [mm].

    Returns
    -------
    float, float, ndarray of shape (N,)

    Raises
    ------
    PictureError
        If one is far from where the others put it.
    """
    shares = u**-2 / (u**-2).sum()
    off = float(shares @ offs)
    worst = int(np.argmax(np.abs(offs - off)))
    if abs(offs[worst] - off) > _CONTRADICT_MM + 2 * u[worst]:
        raise PictureError(
            f"the heights contradict one another: the {heights[worst].window} {heights[worst].edge} is"
            f" {abs(offs[worst] - off):.2f} mm away from where the others put it",
            where="--height",
            remedy="measure again, from the base face, and check --bore",
        )
    return off, float(1 / math.sqrt((u**-2).sum())), shares


def edge_seen(
    views: Sequence[View],
    bore_mm: float,
    told: ToldHeight,
    *,
    x_mm: float | None = None,
    traced: dict[tuple[float, str], list[TracedWindow]] | None = None,
    strip_mm: tuple[float, float] | None = None,
    card_off_mm: float = math.inf,
) -> SeenEdge:
    """Return where photos show the edge of the window whose height was measured.

    Parameters
    ----------
    views : sequence of View
        The photos with their poses.
    bore_mm : float
    told : ToldHeight
        The photo that it names looks at the window.
    x_mm : float, optional
        Where the window's middle is about, if no photo is named; where the first looks unless told.
    traced : dict, optional
        What was traced before about a place; added to.
    strip_mm : tuple of float, optional
        From where to where a strip hides the wall.
    card_off_mm : float, optional
        How far off its height the edge may stand, where a card tells that roughly.

    Returns
    -------
    SeenEdge

    Raises
    ------
    PictureError
        If there is no such photo, or no window where it looks.
    """
    number = (told.frame or 1) - 1
    if not 0 <= number < len(views):
        raise PictureError(
            f"there is no photo {told.frame} among the {len(views)} that were joined",
            where="--height",
            remedy=f"give the number of the photo that looks at the {told.window}",
        )
    look = cv2.Rodrigues(views[number].turn)[0][2]
    x = math.atan2(-look[1], look[0]) * bore_mm / 2
    if told.frame is None and x_mm is not None:
        x = x_mm
    known = {} if traced is None else traced
    key = (round(x, 3), str(told.edge))
    if key not in known:
        known[key] = _windows(*_neighbourhood(views, bore_mm, x, strip_mm), x, told.edge)
    windows = [w for w in known[key] if abs(_edge_mm(w, told.edge) - told.height_mm) < card_off_mm]
    near = [w for w in windows if abs(_middle(w)[0] - x) < _NEAR_SHARE * math.pi * bore_mm]
    if not near:
        raise PictureError(
            f"no window that shows its {told.edge} is found "
            + (f"where {views[number].name} looks" if told.frame or x_mm is None else f"about x {x:.0f} mm")
            + f", so that the {told.window} {told.edge} cannot be measured",
            where="--height",
            remedy="give the number of the photo that looks at it, or the height of an edge that photos show:"
            f' "{told.window} {told.edge} {told.height_mm:g} mm at 3"',
        )
    window = _named(near, told.window, x)
    group = [window]
    if told.window == "exhaust":
        group += [w for w in windows if w is not window and _bridged(window, w)]
    bounds = np.array([w.window.outline.bounds for w in group])
    outermost = max if told.edge == "roof" else min
    edge = outermost(group, key=lambda w: _edge_mm(w, told.edge))
    height, doubt = _edge_mm(edge, told.edge), edge.window.doubt
    u = 0.0 if doubt is None else (doubt.roof_u_mm if told.edge == "roof" else doubt.floor_u_mm)
    corners = np.asarray(edge.window.outline.exterior.coords)
    ours = np.abs(corners[:, 1] - height) < _ON_EDGE_MM
    return SeenEdge(
        middle_mm=(
            float(bounds[:, 0].min() + bounds[:, 2].max()) / 2,
            float(bounds[:, 1].min() + bounds[:, 3].max()) / 2,
        ),
        place_mm=(float(corners[ours, 0].mean()) if ours.any() else _middle(edge)[0], height),
        u_mm=u,
    )


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


def _edge_mm(window: TracedWindow, edge: Literal["roof", "floor"]) -> float:
    return window.roof_mm if edge == "roof" else window.floor_mm


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


def _neighbourhood(
    views: Sequence[View], bore_mm: float, x_mm: float, strip_mm: tuple[float, float] | None
) -> tuple[ScaledImage, NDArray[np.uint8]]:
    """Return an image of the wall about a place, not all round, and where it is seen."""
    side = _SIDE_SHARE * math.pi * bore_mm
    low, high = _seen_range(views, bore_mm, x_mm)
    frame = WallFrame(
        bore_mm=bore_mm,
        step_mm=_STEP_MM,
        columns=round(2 * side / _STEP_MM),
        rows=math.floor((high - low) / _STEP_MM) + 1,
        left_mm=x_mm - side,
        top_mm=high,
    )
    wall = joined(views, frame)
    seen = seen_wall(frame, wall.nodes, wall.share, strip_mm)
    wall.pixels[~seen] = round(EVEN_LEVEL)
    image = ScaledImage(
        pixels=wall.pixels,
        mm_per_px=frame.step_mm,
        x0_mm=frame.left_mm,
        y0_mm=frame.top_mm,
        source={
            "bore_mm": bore_mm,
            "covered_share": 1.0,
            "sight": sight_document(views, wall.share, wall.nodes, bore_mm / 2),
        },
    )
    return image, np.where(seen, 255, 0).astype(np.uint8)


def _seen_range(views: Sequence[View], bore_mm: float, x_mm: float) -> tuple[float, float]:
    """Return from where to where in y the wall is seen straight below and above a place.

    Near the eye, as scopes see it; a camera outside the bore sees it from the base face on.
    """
    eye = float(np.median([camera_place(view.turn, view.shift_mm)[2] for view in views]))
    reach = _TALL_SHARE * bore_mm
    for low, high in ((eye - reach, eye + reach), (0.0, _LONG_SHARE * bore_mm)):
        y = np.arange(low, high, _STEP_MM)
        places = np.column_stack([np.full_like(y, x_mm), y])
        there = y[np.max([shown_by(view, bore_mm / 2, places).worth for view in views], axis=0) > 0]
        if len(there) >= _LEAST_SEEN:
            return float(there.min()), float(there.max())
    raise PictureError(
        f"no photo shows the wall about x {x_mm:.0f} mm, where the height was measured",
        where="--height",
        remedy="give the height of an edge that photos show",
    )
