"""How ports look wherever they are drawn: hue by kind, line by stage.

The hues are those of Okabe and Ito, which people with any common colour blindness tell apart. The stage
shows in the line and not in the hue. A port is never known by its hue alone: its name stands with it.

References
----------
.. [1] M. Okabe, K. Ito, Color Universal Design, 2008 (values from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

from portmap.port import Kind, Stage

__all__ = ["KIND_COLOURS", "STAGE_STROKES", "Stroke", "rgb"]

KIND_COLOURS: dict[Kind, str] = {
    "exhaust": "#D55E00",
    "transfer": "#009E73",
    "boost": "#56B4E9",
    "intake": "#0072B2",
    "strato": "#CC79A7",
    "other": "#7F7F7F",
}


@dataclass(frozen=True, kw_only=True, slots=True)
class Stroke:
    """A line's breadth and its dashes on paper.

    Parameters
    ----------
    width_mm : float
        Breadth [mm].
    dash_mm : tuple of float
        Lengths of dash and gap [mm]; empty for a solid line.
    words : str
        What it looks like, for a legend.
    """

    width_mm: float
    dash_mm: tuple[float, ...]
    words: str


STAGE_STROKES: dict[Stage, Stroke] = {
    "stock": Stroke(width_mm=0.3, dash_mm=(), words="thin line"),
    "proposed": Stroke(width_mm=0.4, dash_mm=(2.0, 1.2), words="dashed line"),
    "ground": Stroke(width_mm=0.7, dash_mm=(), words="thick line"),
}


def rgb(colour: str, *, tint: float = 1.0) -> tuple[float, float, float]:
    """Return a hue's shares of red, green and blue.

    Parameters
    ----------
    colour : str
        Such as ``#D55E00``.
    tint : float, optional
        1 for the hue itself, toward 0 for white.

    Returns
    -------
    tuple of float
        0 to 1 each.

    Examples
    --------
    >>> rgb("#009E73", tint=0.0)
    (1.0, 1.0, 1.0)
    """
    red, green, blue = (1.0 - tint * (1.0 - int(colour[at : at + 2], 16) / 255.0) for at in (1, 3, 5))
    return red, green, blue
