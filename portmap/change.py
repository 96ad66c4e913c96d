"""One figure on two sides, its change, and whether that is beyond doubt.

A change is the second side's figure minus the first's. It is beyond doubt when it is larger than two standard
uncertainties of the difference, the root sum of squares of both sides' own; where nobody said how sure a side
is, neither is it known of the change.

References
----------
.. [1] JCGM 100:2008, 5.1.2 and 6.2.1, k = 2 (from memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from portmap.outline_spread import floor_u_mm, roof_u_mm, wall_area_u_mm2
from portmap.port import Port, Window, chord_width, floor_of, roof_of, wall_area
from portmap.shown import COVERAGE

__all__ = [
    "Change",
    "area_change",
    "changed",
    "chord_change",
    "floor_change",
    "roof_change",
    "width_change",
]


@dataclass(frozen=True, kw_only=True, slots=True)
class Change:
    """One figure on both sides.

    Parameters
    ----------
    a, b : float
        In one unit, which the field that holds the change names.
    change : float
        b minus a.
    u_change : float or None
        Standard uncertainty of the change; None if nobody said how sure a side is.
    beyond_doubt : bool or None
        Whether the change is larger than two standard uncertainties; None as `u_change`.
    """

    a: float
    b: float
    change: float
    u_change: float | None = None
    beyond_doubt: bool | None = None


def changed(
    a: float, b: float, u_a: float | None = None, u_b: float | None = None, *, turn: float | None = None
) -> Change:
    """Return a figure on both sides with its change.

    Parameters
    ----------
    a, b : float
        In one unit.
    u_a, u_b : float or None, optional
        Standard uncertainties in it; None if nobody said.
    turn : float or None, optional
        What makes a full turn; the change is then the short way round.

    Returns
    -------
    Change

    Examples
    --------
    >>> changed(40.0, 40.1, 0.03, 0.04).beyond_doubt, changed(40.0, 40.11, 0.03, 0.04).beyond_doubt
    (False, True)
    >>> changed(359.0, 2.0, turn=360.0).change
    3.0
    """
    change = b - a
    if turn is not None:
        change = math.remainder(change, turn)
    u = None if u_a is None or u_b is None else math.hypot(u_a, u_b)
    beyond = None if u is None else abs(change) > COVERAGE * u + 1e-12
    return Change(a=a, b=b, change=change, u_change=u, beyond_doubt=beyond)


def roof_change(a: Port, b: Port) -> Change:
    """Return what changed in a port's roof.

    Parameters
    ----------
    a, b : Port

    Returns
    -------
    Change
        Heights above the base face [mm].

    Examples
    --------
    >>> import shapely
    >>> def made(right, roof):
    ...     window = Window(outline=shapely.box(0, 30, right, roof))
    ...     return Port(id="t", kind="transfer", control="crown", windows=(window,))
    >>> roof_change(made(10, 38), made(10, 39)).change
    1.0
    """
    return changed(roof_of(a), roof_of(b), roof_u_mm(a), roof_u_mm(b))


def floor_change(a: Port, b: Port) -> Change:
    """Return what changed in a port's floor.

    Parameters
    ----------
    a, b : Port

    Returns
    -------
    Change
        Heights above the base face [mm].

    Examples
    --------
    >>> import shapely
    >>> def made(right, roof):
    ...     window = Window(outline=shapely.box(0, 30, right, roof))
    ...     return Port(id="t", kind="transfer", control="crown", windows=(window,))
    >>> floor_change(made(10, 38), made(10, 39)).change
    0.0
    """
    return changed(floor_of(a), floor_of(b), floor_u_mm(a), floor_u_mm(b))


def area_change(a: Port, b: Port) -> Change:
    """Return what changed in a port's wall area.

    Parameters
    ----------
    a, b : Port

    Returns
    -------
    Change
        [mm²].

    Examples
    --------
    >>> import shapely
    >>> def made(right, roof):
    ...     window = Window(outline=shapely.box(0, 30, right, roof))
    ...     return Port(id="t", kind="transfer", control="crown", windows=(window,))
    >>> area_change(made(10, 38), made(10, 39)).change
    10.0
    """
    return changed(wall_area(a), wall_area(b), wall_area_u_mm2(a), wall_area_u_mm2(b))


def width_change(a: Port, b: Port) -> Change:
    """Return what changed in the width of a port's widest window.

    Parameters
    ----------
    a, b : Port

    Returns
    -------
    Change
        Along the wall, bridges and islands not taken off [mm].

    Examples
    --------
    >>> import shapely
    >>> def made(right, roof):
    ...     window = Window(outline=shapely.box(0, 30, right, roof))
    ...     return Port(id="t", kind="transfer", control="crown", windows=(window,))
    >>> width_change(made(10, 38), made(12, 38)).change
    2.0
    """
    return changed(_widest_mm(a), _widest_mm(b), _width_u_mm(a), _width_u_mm(b))


def chord_change(a: Port, b: Port, bore_mm: float) -> Change:
    """Return what changed in the chord of a port's widest window.

    Parameters
    ----------
    a, b : Port
    bore_mm : float
        Of both [mm].

    Returns
    -------
    Change
        Straight across the bore [mm].

    Examples
    --------
    >>> import shapely
    >>> def made(right, roof):
    ...     window = Window(outline=shapely.box(0, 30, right, roof))
    ...     return Port(id="t", kind="transfer", control="crown", windows=(window,))
    >>> round(chord_change(made(10, 38), made(12, 38), 46.0).a, 3)
    9.921
    """
    chords = [float(chord_width(_widest_mm(port), bore_mm)) for port in (a, b)]
    # d(chord)/d(arc) is a cosine: the arc's doubt is never too small for the chord
    return changed(chords[0], chords[1], _width_u_mm(a), _width_u_mm(b))


def _arc_mm(window: Window) -> float:
    return float(window.outline.bounds[2] - window.outline.bounds[0])


def _widest_mm(port: Port) -> float:
    return max(_arc_mm(window) for window in port.windows)


def _width_u_mm(port: Port) -> float | None:
    widest = max(port.windows, key=_arc_mm)
    return None if widest.doubt is None else math.sqrt(2.0) * widest.doubt.edge_u_mm
