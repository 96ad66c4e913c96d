"""What a trace has to say about itself, in plain words.

Codes
-----
``lift-guessed``, ``edge-assumed``, ``left-out``, ``smudges``, ``gaps-filled``, ``outline-bridged``,
``faint``, ``blurred``, ``overexposed``, ``sheet-thickness-unknown``.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from portmap.errors import Notice
from portmap.picture.edge import Side
from portmap.picture.scaled import ScaledImage
from portmap.picture.segment import WEAK_SHARE, Found, Lift
from portmap.picture.sheet_curl import wall_x_factor
from portmap.picture.traced import TracedWindow

__all__ = ["picture_notices", "sheet_notice", "window_notices"]

FAINT = 0.25
BLURRED_MM = 0.25
CLIPPED_SHARE = 0.2
SHEET_MM = 0.1  # office paper
USUAL_BORE_MM = 46.0

_LIFTED: dict[str, str] = {
    "filled": "filled dark",
    "line": "outlined in pencil",
    "cut": "cut out over another colour",
}


def picture_notices(image: ScaledImage, lift: Lift, *, guessed: bool, found: Found) -> list[Notice]:
    """Return what is to be said about the picture as a whole.

    Parameters
    ----------
    image : ScaledImage
        The picture.
    lift : {'filled', 'line', 'cut'}
        The way of lifting.
    guessed : bool
        Whether it was chosen by what was seen.
    found : Found
        What was seen.

    Returns
    -------
    list of Notice
    """
    notices = []
    if guessed:
        notices.append(
            Notice(
                code="lift-guessed",
                message=f"The windows look {_LIFTED[lift]}, so they were traced with --lift {lift}.",
            )
        )
    least = WEAK_SHARE * max((region.darkness for region in found.regions), default=0.0)
    border = [d for d in found.dropped if d.reason == "border" and d.area_mm2 > 5.0 and d.darkness > least]
    if border:
        areas = ", ".join(f"{d.area_mm2:.0f} mm²" for d in sorted(border, key=lambda d: -d.area_mm2)[:4])
        notices.append(
            Notice(
                code="left-out",
                message=f"Left out, since touching the picture's border: "
                f"{_counted(len(border), 'region')} ({areas}).",
            )
        )
    faint = [d for d in found.dropped if d.reason == "faint"]
    if faint:
        places = ", ".join(_place(image, d.column_px, d.row_px) for d in faint[:4])
        notices.append(
            Notice(
                code="smudges",
                message=f"Left out as smudge or stain, being much fainter than the windows: "
                f"{_counted(len(faint), 'region')} (at {places}).",
            )
        )
    if any(d.reason == "frame" for d in found.dropped):
        notices.append(
            Notice(
                code="left-out",
                message="A region that goes round other windows was taken for the sheet's edge.",
            )
        )
    clipped = float(np.mean(image.pixels[::8, ::8].min(axis=2) >= 253))
    if clipped > CLIPPED_SHARE:
        notices.append(
            Notice(
                code="overexposed",
                message=f"{100 * clipped:.0f} % of the picture is burnt out to white, which moves edges; "
                "expose it less.",
            )
        )
    return notices


def window_notices(
    windows: Sequence[TracedWindow], lift: Lift, side: Side, *, edge_told: bool, found: Found | None
) -> list[Notice]:
    """Return what is to be said about the windows.

    Parameters
    ----------
    windows : sequence of TracedWindow
        Those kept.
    lift : {'filled', 'line', 'cut'}
        The way of lifting.
    side : {'inner', 'middle', 'outer'}
        The line's side that was taken.
    edge_told : bool
        Whether the user named it.
    found : Found or None
        What was seen; None if the wall itself was traced.

    Returns
    -------
    list of Notice
    """
    notices = []
    widths = [w.line_width_mm for w in windows if w.line_width_mm is not None]
    if lift == "line" and not edge_told and widths:
        mean = float(np.mean(widths))
        notices.append(
            Notice(
                code="edge-assumed",
                message=f"The port's edge was taken to be the {side} side of the pencil line. The line is "
                f"{mean:.2f} mm wide: its middle lies {mean / 2:.2f} mm off. Say which it is with --edge.",
            )
        )
    gaps = sum(region.filled_gaps for region in found.regions) if found else 0
    if gaps and lift == "filled":
        notices.append(
            Notice(
                code="gaps-filled",
                message=f"{_counted(gaps, 'small light spot')} inside windows counted as gaps in the "
                "rubbing, not as islands of metal.",
            )
        )
    for window in windows:
        if window.seen_share < 0.97:
            notices.append(
                Notice(
                    code="outline-bridged",
                    message=f"Window {window.number}: {100 * (1 - window.seen_share):.0f} % of the outline "
                    "showed no clear edge and was bridged from its neighbours.",
                )
            )
        if window.darkness is not None and window.darkness < FAINT:
            notices.append(
                Notice(
                    code="faint",
                    message=f"Window {window.number} stands out from the sheet by only "
                    f"{100 * window.darkness:.0f} %.",
                )
            )
        if window.blur_mm is not None and window.blur_mm > BLURRED_MM:
            notices.append(
                Notice(
                    code="blurred",
                    message=f"Window {window.number} has soft edges ({window.blur_mm:.2f} mm): out of focus, "
                    "shaken, or not a sharp mark.",
                )
            )
    return notices


def sheet_notice(
    factor: float | None,
    sheet_thickness_mm: float | None,
    bore_mm: float | None,
    windows: Sequence[TracedWindow],
) -> list[Notice]:
    """Return the notice that x was not corrected for the sheet's thickness, and what that could be.

    Parameters
    ----------
    factor : float or None
        What x was multiplied by; None if it was not.
    sheet_thickness_mm, bore_mm : float or None
        As told.
    windows : sequence of TracedWindow
        Those kept.

    Returns
    -------
    list of Notice
        None if x was corrected.
    """
    if factor is not None:
        return []
    bore = bore_mm or USUAL_BORE_MM
    sheet = SHEET_MM if sheet_thickness_mm is None else sheet_thickness_mm
    could = wall_x_factor(bore, sheet) - 1.0
    widest = max(float(w.window.outline.bounds[2] - w.window.outline.bounds[0]) for w in windows)
    missing = [
        name
        for name, value in (("--sheet-thickness", sheet_thickness_mm), ("--bore", bore_mm))
        if value is None
    ]
    return [
        Notice(
            code="sheet-thickness-unknown",
            message=f"Widths are as on the flat sheet. A sheet of {sheet:g} mm in a bore of {bore:g} mm "
            f"shows them {100 * could:.2f} % short ({could * widest:.2f} mm on the widest window); "
            f"give {' and '.join(missing)} to correct it.",
        )
    ]


def _counted(count: int, what: str) -> str:
    return f"{count} {what}{'s' if count != 1 else ''}"


def _place(image: ScaledImage, column: float, row: float) -> str:
    x = image.x0_mm + column * image.mm_per_px
    y = image.y0_mm - row * image.mm_per_px
    return f"x {x:.0f}, y {y:.0f} mm"
