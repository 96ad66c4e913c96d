"""The scale of a picture without a card: two places in it that lie a known length apart.

For a photo square to the wall or the sheet, a scan, or a drawing. The scale comes from one length alone, so
all that is measured in the picture shares its doubt; how far the camera looked aslant nobody can tell, and a
notice says so.

Glossary
--------
lie
    How the line between the two places lies on the wall: across (level), up, or free; the picture is taken to
    be turned by so much that it does. Only told, not corrected: beyond a small turn the picture must be
    turned before.
"""

from __future__ import annotations

import math
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from portmap.errors import Notice, PictureError, QuantityError
from portmap.picture.load import Picture
from portmap.picture.scaled import PlaceDoubt, ScaledImage

__all__ = ["Lie", "hand_scaled"]

Lie = Literal["across", "up", "free"]

PLACED_U_PX = 1.0  # how well a hand puts a cross on a mark with a loupe; common practice, no source
LEAST_PX = 50.0  # between the two places: nearer than that, the hand decides the scale
LARGEST_TURN_DEG = 1.5


def hand_scaled(
    picture: Picture,
    places_px: ArrayLike,
    length_mm: float,
    *,
    length_u_mm: float,
    first_at_mm: tuple[float, float] = (0.0, 0.0),
    lie: Lie = "free",
    placed_u_px: float = PLACED_U_PX,
) -> ScaledImage:
    """Return a picture with the scale that two places in it give.

    Parameters
    ----------
    picture : Picture
        Seen square to the wall or the sheet.
    places_px : array_like of shape (2, 2)
        The two places (column, row) [px], pixel centres at integers.
    length_mm : float
        Between them [mm], along the wall.
    length_u_mm : float
        Its standard uncertainty [mm].
    first_at_mm : tuple of float, optional
        Where the first place is on the wall, (x, y) [mm].
    lie : {'across', 'up', 'free'}, optional
        How the line lies on the wall.
    placed_u_px : float, optional
        Standard uncertainty of each place, each way [px].

    Returns
    -------
    ScaledImage
        With the scale's doubt as a mode that grows from the first place, and the first place's own two.

    Raises
    ------
    PictureError
        If the places are not two in the picture, or too near each other, or lie too far aslant.
    QuantityError
        If length or doubt make no sense.

    Examples
    --------
    >>> import numpy as np
    >>> sheet = Picture(pixels=np.zeros((800, 900, 3), np.uint8), name="scan.png", sha256="0" * 64)
    >>> image = hand_scaled(sheet, [[100, 700], [700, 700]], 30.0, length_u_mm=0.03, first_at_mm=(-15.0, 0.0))
    >>> image.mm_per_px, image.x0_mm, image.y0_mm
    (0.05, -20.0, 35.0)
    """
    places = np.asarray(places_px, np.float64)
    rows, columns = picture.pixels.shape[:2]
    if places.shape != (2, 2) or not np.isfinite(places).all():
        raise PictureError("two places are needed", where=picture.name, remedy="mark both ends of the length")
    if (places < -0.5).any() or (places > [columns - 0.5, rows - 0.5]).any():
        raise PictureError("a place lies outside the picture", where=picture.name, remedy="mark it again")
    if not 0 < length_mm <= 10_000:
        raise QuantityError(f"{length_mm:g} mm is no length", where="length", remedy="give it above 0")
    if not 0 <= length_u_mm < length_mm:
        raise QuantityError(
            f"{length_u_mm:g} mm is no doubt of {length_mm:g} mm", where="length", remedy="give it 0 or more"
        )
    along = places[1] - places[0]
    apart = float(np.hypot(*along))
    if not apart >= LEAST_PX:
        raise PictureError(
            f"the two places are {apart:.0f} pixels apart",
            where=picture.name,
            remedy=f"take a longer known length, at least {LEAST_PX:.0f} pixels",
        )
    step = length_mm / apart
    notices = [*picture.notices, *_lie_notices(picture.name, along, lie)]
    relative_u = math.hypot(length_u_mm / length_mm, math.sqrt(2) * placed_u_px / apart)
    x0, y0 = first_at_mm[0] - step * places[0, 0], first_at_mm[1] + step * places[0, 1]
    grid_x = x0 + step * np.array([0.0, columns - 1.0])
    grid_y = y0 - step * np.array([rows - 1.0, 0.0])
    here = np.stack(np.meshgrid(grid_x, grid_y), axis=-1)
    shift = np.zeros_like(here)
    modes = np.stack(
        [
            relative_u * (here - np.asarray(first_at_mm)),
            shift + np.array([placed_u_px * step, 0.0]),
            shift + np.array([0.0, placed_u_px * step]),
        ]
    )
    return ScaledImage(
        pixels=picture.pixels,
        mm_per_px=step,
        x0_mm=float(x0),
        y0_mm=float(y0),
        source={
            "file": picture.name,
            "sha256": picture.sha256,
            "scale": "by hand",
            "places_px": places.tolist(),
            "length_mm": length_mm,
            "length_u_mm": length_u_mm,
            "first_at_mm": list(first_at_mm),
            "scale_u_share": relative_u,
        },
        doubt=PlaceDoubt(grid_x_mm=grid_x, grid_y_mm=grid_y, modes_mm=modes),
        notices=(
            *notices,
            Notice(
                code="scaled-by-hand",
                message=f"The scale comes from one length of {length_mm:g} mm and is sure to"
                f" {200 * relative_u:.2f} % (k = 2), if the picture was taken square on: without a card"
                " nobody can tell.",
            ),
        ),
    )


def _lie_notices(name: str, along_px: NDArray[np.float64], lie: Lie) -> list[Notice]:
    """Refuse a line that lies far from what was said, and tell of a small turn."""
    if lie == "free":
        return []
    level = math.degrees(math.atan2(along_px[1], along_px[0]))
    turn = level if lie == "across" else level - 90.0
    turn = (turn + 90.0) % 180.0 - 90.0
    if abs(turn) > LARGEST_TURN_DEG:
        raise PictureError(
            f"the line was said to lie {'level' if lie == 'across' else 'upright'}, but is {abs(turn):.1f}°"
            " off it",
            where=name,
            remedy="turn the picture first, or say that it lies neither way",
        )
    if abs(turn) < 0.1:
        return []
    return [
        Notice(
            code="picture-turned",
            message=f"The picture seems turned by {abs(turn):.1f}°: heights on its left and right differ by"
            f" {abs(math.tan(math.radians(turn))) * 50:.2f} mm over 50 mm.",
        )
    ]
