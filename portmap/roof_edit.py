"""One change of a port's edge as a porter means it: which edge, what shape, how far.

Frame: the bore frame (`portmap.port`); lengths along the developed wall. What becomes of the window is in
`portmap.roof`.

Families
--------
moved
    The old edge carried straight outward, its sides carried on.
flat
    Level, with corners of a stated radius.
arched
    An arc of a circle with a stated rise; its highest point is the stated height.
blended
    From one height at the end nearer the exhaust to another at the end away from it: an even slope, or a
    step of a stated width.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

from portmap.errors import GeometryError

__all__ = ["Edge", "Family", "RoofEdit"]

Edge = Literal["roof", "floor", "sides"]
Family = Literal["moved", "flat", "arched", "blended"]


@dataclass(frozen=True, kw_only=True, slots=True)
class RoofEdit:
    """One edge of some windows of a port, and what becomes of it.

    Parameters
    ----------
    port : str
        Its id.
    windows : tuple of int, optional
        Numbers of the port's windows as the map has them, from 0; empty for all.
    edge : {'roof', 'floor', 'sides'}, optional
    family : {'moved', 'flat', 'arched', 'blended'}, optional
        Sides are moved or flat.
    by_mm : float or None, optional
        For a moved roof or floor: how far from where it is [mm].
    height_mm : float or None, optional
        Of the new roof's highest point, or of the new floor's lowest, above the base face [mm]. Windows of
        different heights that are moved keep their differences: the highest comes to this height.
    rise_mm : float, optional
        For arched: of the middle over the ends [mm].
    radius_mm : float, optional
        Of the corners, for all but moved [mm].
    drop_mm : float, optional
        For blended: how much less the end away from the exhaust is cut than the one toward it [mm]; minus
        where that one is cut less.
    step_mm : float or None, optional
        For blended: width of the step [mm]; None for an even slope.
    width_mm : float or None, optional
        For sides: the new width along the wall [mm].
    as_one : bool, optional
        One arch, slope or width over all the windows, as over a port with a bridge.
    wish : str, optional
        What was asked for, in words.

    Raises
    ------
    GeometryError
        If a figure that the family needs is missing, or makes no sense with it.

    Examples
    --------
    >>> RoofEdit(port="exhaust", family="arched", height_mm=40.0)
    Traceback (most recent call last):
    portmap.errors.GeometryError: rise_mm: an arched edge needs a rise above 0; say how far its middle ...
    """

    port: str
    windows: tuple[int, ...] = ()
    edge: Edge = "roof"
    family: Family = "moved"
    by_mm: float | None = None
    height_mm: float | None = None
    rise_mm: float = 0.0
    radius_mm: float = 0.0
    drop_mm: float = 0.0
    step_mm: float | None = None
    width_mm: float | None = None
    as_one: bool = False
    wish: str = ""

    def __post_init__(self) -> None:
        """Refuse what does not go together."""
        for message, where, remedy in self._faults():
            raise GeometryError(message, where=where, remedy=remedy)

    def _faults(self) -> Iterable[tuple[str, str, str]]:
        for name in ("by_mm", "height_mm", "rise_mm", "radius_mm", "drop_mm", "step_mm", "width_mm"):
            value = getattr(self, name)
            if value is not None and not math.isfinite(value):
                yield f"{value} is not a length", name, "give a length"
        if len(set(self.windows)) != len(self.windows):
            yield "a window stands there twice", "windows", "name each once"
        if self.edge == "sides":
            if self.family not in ("moved", "flat"):
                yield f"sides cannot be {self.family}", "family", "take moved or flat"
            if self.width_mm is None or not self.width_mm > 0:
                yield "wider sides need a width above 0", "width_mm", "give the new width along the wall"
            if self.by_mm is not None or self.height_mm is not None:
                yield "sides have no height", "height_mm", "give width_mm alone"
        else:
            if self.width_mm is not None:
                yield f"a {self.edge} takes no width", "width_mm", "make an edit of the sides"
            if (self.by_mm is None) == (self.height_mm is None):
                yield f"a {self.edge} needs a height or a distance, one of them", "height_mm", "give one"
            if self.by_mm is not None and self.family != "moved":
                yield f"only a moved {self.edge} goes by a distance", "by_mm", "give height_mm"
        if self.by_mm is not None and not self.by_mm > 0:
            yield (
                f"by {self.by_mm:g} mm no metal is taken, and none can be put back",
                "by_mm",
                "give a length above 0",
            )
        if self.radius_mm < 0 or (self.radius_mm and self.family == "moved"):
            yield (
                "a moved edge keeps its corners" if self.radius_mm > 0 else "a radius cannot be below 0",
                "radius_mm",
                "leave it out, or take a flat, arched or blended edge",
            )
        if self.family == "arched" and not self.rise_mm > 0:
            yield "an arched edge needs a rise above 0", "rise_mm", "say how far its middle stands out"
        if self.family != "arched" and self.rise_mm:
            yield f"a {self.family} edge has no rise", "rise_mm", "leave it out, or take an arched edge"
        if self.family == "blended" and not self.drop_mm:
            yield (
                "a blended edge needs two heights",
                "drop_mm",
                "say how much less the end away from the exhaust is cut, or take a flat one",
            )
        if self.family != "blended" and (self.drop_mm or self.step_mm is not None):
            yield f"a {self.family} edge has one height", "drop_mm", "leave it out, or take a blended edge"
        if self.step_mm is not None and not self.step_mm > 0:
            yield "a step needs a width above 0", "step_mm", "leave it out for an even slope"
