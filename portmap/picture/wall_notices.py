"""What a trace on the bore wall has to say about itself, and what keeps a window from counting.

Codes
-----
``lift-guessed``, ``wall-edge``, ``not-seen``, ``window-refused``, ``no-partner``, ``sight-unknown``.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from portmap.errors import Notice
from portmap.picture.traced import TracedWindow
from portmap.picture.wall_sight import WallSight

__all__ = ["WallWindow", "missing_part", "partner_notice", "wall_notices"]

SLANT = 0.7  # a border whose normal rises more steeply than 45° is roof or floor
PART_SHARE = 0.03  # of a roof or floor that may be open and yet count as seen
PART_MM = 0.3  # along it: the foot of a side that ends where a floor is not seen is not told


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class WallWindow:
    """A window with what only the wall tells of it.

    Parameters
    ----------
    traced : TracedWindow
    chamfer_mm, chamfer_u_mm : float
        Width of its chamfer and the standard uncertainty of that.
    wall_away_mm : float
        How far out of its outline the wall ends: the chamfer's width, or 0 if that edge is given.
    ring_mm, normals : ndarray of shape (N, 2)
        Its border point for point, with outward normals (x, y).
    hidden : ndarray of shape (N,) and dtype bool
        Where no photo shows it.
    sight_known : bool
        Whether the photos' poses are known.
    bordered : bool
        Whether edges could be fitted along most of its border.
    """

    traced: TracedWindow
    chamfer_mm: float
    chamfer_u_mm: float
    wall_away_mm: float
    ring_mm: NDArray[np.float64]
    normals: NDArray[np.float64]
    hidden: NDArray[np.bool_]
    sight_known: bool
    bordered: bool = True


def _hidden_parts(window: WallWindow) -> dict[str, NDArray[np.bool_]]:
    """Return the named parts of the border that photos do not wholly show, each with its hidden points."""
    up, right = window.normals[:, 1], window.normals[:, 0]
    parts = {
        "roof": up > SLANT,
        "floor": up < -SLANT,
        "left side": (np.abs(up) <= SLANT) & (right < 0),
        "right side": (np.abs(up) <= SLANT) & (right >= 0),
    }
    found = {}
    for name, own in parts.items():
        gone = own & window.hidden
        if gone.sum() > PART_SHARE * own.sum() and np.ptp(window.ring_mm[gone, _axis(name)]) > PART_MM:
            found[name] = gone
    return found


def _axis(name: str) -> int:
    return 0 if name in {"roof", "floor"} else 1


def _stretch(window: WallWindow, gone: NDArray[np.bool_], name: str) -> str:
    axis = _axis(name)
    low, high = window.ring_mm[gone, axis].min(), window.ring_mm[gone, axis].max()
    return f"{name} ({'xy'[axis]} {low:.1f} to {high:.1f} mm)"


def missing_part(window: WallWindow, part: Literal["roof", "floor", "whole"]) -> str | None:
    """Return what keeps a window from counting, in words; None if nothing does.

    Parameters
    ----------
    window : WallWindow
    part : {'roof', 'floor', 'whole'}
        What photos must show of it.

    Returns
    -------
    str or None
    """
    parts = _hidden_parts(window)
    wanted = {name: gone for name, gone in parts.items() if part in {"whole", name}}
    if not wanted:
        return None
    low, _, high, _ = window.traced.window.outline.bounds
    words = ", ".join(_stretch(window, gone, name) for name, gone in wanted.items())
    return f"the window at x {(low + high) / 2:.1f} mm: no photo shows its {words}"


def wall_notices(
    windows: Sequence[WallWindow],
    refused: Sequence[tuple[WallWindow, str]],
    edge: Literal["true", "chamfer"],
    sight: WallSight,
    *,
    guessed: bool,
    whole: bool,
) -> list[Notice]:
    """Return what is to be said about windows traced on the wall.

    Parameters
    ----------
    windows : sequence of WallWindow
        Those kept, numbered.
    refused : sequence of tuple
        Those that photos do not show enough of, with the words why.
    edge : {'true', 'chamfer'}
        Which edge was taken.
    sight : WallSight
        How the wall was seen.
    guessed : bool
        Whether the way of lifting was chosen here.
    whole : bool
        Whether windows were sought all round, and not only where the user said.

    Returns
    -------
    list of Notice
    """
    notices = []
    if guessed:
        notices.append(
            Notice(
                code="lift-guessed",
                message="The picture was unrolled from photos of the wall: it was traced with --lift wall.",
            )
        )
    notices.append(_edge_notice(windows, edge))
    for window in windows:
        parts = _hidden_parts(window)
        if parts:
            words = ", ".join(_stretch(window, gone, name) for name, gone in parts.items())
            notices.append(
                Notice(
                    code="not-seen",
                    message=f"Window {window.traced.number}: no photo shows its {words}. What is "
                    "drawn there is a guess, not measured; the area is as doubtful as that makes it.",
                )
            )
    for _, words in refused:
        notices.append(Notice(code="window-refused", message=f"Left out {words}."))
    if whole and not sight.seen.all():
        share = 1.0 - float(sight.seen.mean())
        if share > 0.02:
            notices.append(
                Notice(
                    code="not-seen",
                    message=f"{100 * share:.0f} % of the picture shows no wall: windows that lie there are "
                    "not among these.",
                )
            )
    if any(not window.sight_known for window in windows):
        notices.append(
            Notice(
                code="sight-unknown",
                message="From where the wall was seen is not known, so it was taken for seen square on; what "
                "a chamfer hides or shows aslant stands in the doubt.",
            )
        )
    return notices


def partner_notice(x_mm: float, place_mm: tuple[float, float]) -> Notice:
    """Return what is to be said of a window without one opposite.

    Parameters
    ----------
    x_mm : float
        Of its middle.
    place_mm : tuple of float
        Where the other's middle would be.

    Returns
    -------
    Notice
    """
    x, y = place_mm
    return Notice(
        code="no-partner",
        message=f"The window at x {x_mm:.1f} mm has none opposite, about x {x:.1f}, y {y:.1f} mm. If the "
        f'bore has one there it was not found: --inside "{x:.1f},{y:.1f}" traces it by itself.',
    )


def _edge_notice(windows: Sequence[WallWindow], edge: Literal["true", "chamfer"]) -> Notice:
    widths = np.array([window.chamfer_mm for window in windows])
    outlines = [window.traced.window.outline for window in windows]
    shares = [
        100 * width * outline.length / outline.area for width, outline in zip(widths, outlines, strict=True)
    ]
    spread = f"{widths.min():.2f} to {widths.max():.2f}" if np.ptp(widths) > 0.01 else f"{widths.mean():.2f}"
    least, most = f"{min(shares):.1f}", f"{max(shares):.1f}"
    differ = most if least == most else f"{least} to {most}"
    other = "upper edge of the chamfer" if edge == "true" else "true edge behind the chamfer"
    taken = (
        "true edge of each window, behind its chamfer," if edge == "true" else "upper edge of each chamfer"
    )
    way, size = ("out", "more") if edge == "true" else ("in", "less")
    option = "chamfer" if edge == "true" else "true"
    return Notice(
        code="wall-edge",
        message=f"The {taken} was taken. The chamfers are {spread} mm wide: the {other} lies so much further "
        f"{way}, which makes roofs and floors differ by as much and areas {differ} % "
        f"{size}; --edge {option} takes it.",
    )
