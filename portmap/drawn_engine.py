"""Many engines at once, as draws make them: depths, angles and degrees of one number a draw.

Everything broadcasts over a last axis of draws; lengths in mm, angles in degrees after true TDC.

Glossary
--------
short of a depth
    The degrees of a turn for which the piston stands higher than that depth.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from portmap.crank import angle_at
from portmap.port import Port, PortEdges

__all__ = ["DrawnEngine", "drawn_depths", "travels", "uncovered_degrees"]

Floats = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class DrawnEngine:
    """The figures of many engines, each an array of one number a draw.

    Parameters
    ----------
    rows : mapping of str to ndarray of shape (M,)
        Every figure that is drawn, by its name, in its unit.
    bore, stroke, rod, offset : ndarray of shape (M,)
        [mm].
    crown : ndarray of shape (M,)
        The crown edge above the base face at TDC [mm].
    skirt : ndarray of shape (M,) or None
        Crown edge to skirt edge [mm].
    bottom : ndarray of shape (M,)
        The piston's travel [mm].
    """

    rows: Mapping[str, Floats]
    bore: Floats
    stroke: Floats
    rod: Floats
    offset: Floats
    crown: Floats
    skirt: Floats | None
    bottom: Floats

    def angle(self, depth: Floats, *, rising: bool = False) -> Floats:
        """Return the crank angle at which each piston stands at a depth [deg]."""
        return angle_at(self.stroke, self.rod, self.offset, depth, rising=rising)

    def degrees_short_of(self, depth: Floats) -> Floats:
        """Return for how much of a turn the piston is less deep.

        Twice the angle between the throw and the line from crank axis to wrist pin, by the law of cosines.
        Near a dead centre it loses digits that a difference of two `angle_at` would keep, down to some 1e-6
        of a degree, and costs a quarter.
        """
        throw = self.stroke / 2
        top = np.sqrt((self.rod + throw - self.offset) * (self.rod + throw + self.offset))
        line_squared = self.offset**2 + (top - np.clip(depth, 0.0, self.bottom)) ** 2
        cosine = (throw**2 - self.rod**2 + line_squared) / (2 * throw * np.sqrt(line_squared))
        cosine = np.where(depth <= 0, 1.0, np.where(depth >= self.bottom, -1.0, cosine))
        return np.asarray(np.degrees(2 * np.arccos(np.clip(cosine, -1.0, 1.0))))


def travels(stroke_mm: ArrayLike, rod_mm: ArrayLike, pin_offset_mm: ArrayLike) -> Floats:
    """Return how far the piston moves, for many mechanisms.

    Parameters
    ----------
    stroke_mm, rod_mm, pin_offset_mm : array_like of shape (...)
        As in `portmap.crank.Crank` [mm].

    Returns
    -------
    ndarray of the broadcast shape
        Travel [mm], as `portmap.crank.travel`.

    Examples
    --------
    >>> travels([10, 10], 15, [0, 3]).round(6)
    array([10.      , 10.234328])
    """
    throw = np.asarray(stroke_mm, np.float64) / 2
    rod, offset = np.asarray(rod_mm, np.float64), np.asarray(pin_offset_mm, np.float64)
    top = np.sqrt((rod + throw - offset) * (rod + throw + offset))
    return np.asarray(top - np.sqrt((rod - throw - offset) * (rod - throw + offset)))


def drawn_depths(edges: PortEdges, drawn: DrawnEngine) -> tuple[Floats, Floats] | None:
    """Return the least and the greatest depth with any of a port open.

    Parameters
    ----------
    edges : PortEdges
    drawn : DrawnEngine

    Returns
    -------
    tuple of ndarray of shape (M,), or None
        [mm], as `portmap.timing.edge_depths`; None where a height, the skirt or the pocket is not known, or
        nothing covers the port.

    Examples
    --------
    >>> one = np.ones(1)
    >>> drawn = DrawnEngine(rows={}, bore=46 * one, stroke=32 * one, rod=58 * one, offset=0 * one,
    ...                     crown=61 * one, skirt=None, bottom=32 * one)
    >>> drawn_depths(PortEdges(id="e", kind="exhaust", control="crown", roof_mm=40.0), drawn)
    (array([21.]), array([inf]))
    """
    roof, floor = (
        drawn.rows.get(f"{end}_mm:{edges.id}", usual)
        for end, usual in (("roof", edges.roof_mm), ("floor", edges.floor_mm))
    )
    limit = np.full(drawn.crown.shape, np.inf)
    if edges.control == "crown" and roof is not None:
        return drawn.crown - roof, limit
    if edges.control == "skirt" and floor is not None and drawn.skirt is not None:
        return -limit, drawn.crown - floor - drawn.skirt
    pocket = edges.pocket
    if edges.control == "pocket" and pocket is not None and roof is not None and floor is not None:
        return (
            drawn.crown - roof - pocket.bottom_below_crown_mm,
            drawn.crown - floor - pocket.top_below_crown_mm,
        )
    return None


def uncovered_degrees(port: Port, depth_mm: Floats, drawn: DrawnEngine) -> Floats | None:
    """Return for how much of a turn places of a port lie open.

    Parameters
    ----------
    port : Port
    depth_mm : ndarray of shape (..., M)
        Of the places, below the crown edge at TDC [mm].
    drawn : DrawnEngine

    Returns
    -------
    ndarray of shape (..., M), or None
        [deg]; None where the skirt or the pocket is needed and not known.

    Examples
    --------
    >>> from portmap.port import Window, window_polygon
    >>> one = np.ones(1)
    >>> drawn = DrawnEngine(rows={}, bore=46 * one, stroke=32 * one, rod=58 * one, offset=0 * one,
    ...                     crown=61 * one, skirt=None, bottom=32 * one)
    >>> window = Window(outline=window_polygon([[0, 30], [10, 30], [10, 38], [0, 38]]))
    >>> port = Port(id="t", kind="transfer", control="crown", windows=(window,))
    >>> uncovered_degrees(port, np.array([[21.6], [32.0]]), drawn).ravel().round(2)
    array([155.05,   0.  ])
    """
    if port.control == "crown":
        return 360.0 - drawn.degrees_short_of(depth_mm)
    if port.control == "skirt":
        return None if drawn.skirt is None else drawn.degrees_short_of(depth_mm - drawn.skirt)
    if port.control == "pocket":
        pocket = port.pocket
        if pocket is None:
            return None
        return drawn.degrees_short_of(depth_mm - pocket.top_below_crown_mm) - drawn.degrees_short_of(
            depth_mm - pocket.bottom_below_crown_mm
        )
    return np.full(depth_mm.shape, 360.0)
