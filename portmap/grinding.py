"""What a window becomes when its roof or floor is ground straight up or down.

The bore frame is that of `portmap.port`. A cutter that is led along the whole roof by an even amount
carries every edge of the opening with it, the sides' upper ends too: the new opening is all that the old
one passes over on its way. Islands of metal are not touched by it and stay as they are.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import shapely
from shapely import Polygon
from shapely.affinity import translate

from portmap.errors import GeometryError
from portmap.port import Port, Window

__all__ = ["ground_port", "ground_window", "lowered_port"]

SPECK = 1e-9  # share of the area below which a hole that the union leaves is rounding, not metal


def ground_window(window: Window, up_mm: float) -> Window:
    """Return a window whose roof is ground up, or whose floor is ground down, by an even amount.

    The union of the outline at every place between where it was and `up_mm` higher, without the islands.

    Parameters
    ----------
    window : Window
    up_mm : float
        How far [mm]; plus grinds the roof up, minus the floor down.

    Returns
    -------
    Window
        Its doubt is that of the old outline.

    Raises
    ------
    GeometryError
        If what is left is not one opening.

    Examples
    --------
    >>> from portmap.port import window_polygon
    >>> window = Window(outline=window_polygon([[0, 30], [10, 30], [10, 38], [0, 38]]))
    >>> ground_window(window, 0.5).outline.bounds, ground_window(window, -0.5).outline.bounds
    ((0.0, 30.0, 10.0, 38.5), (0.0, 29.5, 10.0, 38.0))
    """
    if up_mm == 0:
        return window
    shape = window.outline
    ends = np.asarray(shape.exterior.coords)
    start, end = ends[:-1], ends[1:]
    leans = start[:, 0] != end[:, 0]  # an upright side sweeps over itself alone
    lift = np.array([0.0, up_mm])
    swept = np.stack([start, end, end + lift, start + lift, start], axis=1)[leans]
    whole = shapely.union_all([Polygon(shape.exterior), *shapely.polygons(swept)])
    islands = [Polygon(ring) for ring in shape.interiors]
    if islands:
        whole = shapely.difference(whole, shapely.union_all(islands))
    if not isinstance(whole, Polygon):
        raise GeometryError(
            f"ground by {abs(up_mm):g} mm it falls into several openings",
            where="outline_mm",
            remedy="take less, or check its islands of metal",
        )
    holes = [ring for ring in whole.interiors if Polygon(ring).area > SPECK * whole.area]
    outline = shapely.geometry.polygon.orient(Polygon(whole.exterior, holes))
    return replace(window, outline=outline)


def ground_port(port: Port, up_mm: float) -> Port:
    """Return a port every window of which is ground by the same amount.

    Parameters
    ----------
    port : Port
    up_mm : float
        As in `ground_window` [mm].

    Returns
    -------
    Port

    Raises
    ------
    GeometryError
        As `ground_window`, with the window's number.

    Examples
    --------
    >>> from portmap.port import roof_of, window_polygon
    >>> shape = window_polygon([[0, 30], [10, 30], [10, 38], [0, 38]])
    >>> port = Port(id="t", kind="transfer", control="crown", windows=(Window(outline=shape),))
    >>> roof_of(ground_port(port, 0.4))
    38.4
    """
    windows = []
    for number, window in enumerate(port.windows):
        try:
            windows.append(ground_window(window, up_mm))
        except GeometryError as error:
            raise error.at(f"port {port.id}.windows[{number}]") from None
    return replace(port, windows=tuple(windows))


def lowered_port(port: Port, down_mm: float) -> Port:
    """Return a port as it stands above a base face that was cut.

    Parameters
    ----------
    port : Port
    down_mm : float
        What the base lost [mm].

    Returns
    -------
    Port

    Examples
    --------
    >>> from portmap.port import roof_of, window_polygon
    >>> shape = window_polygon([[0, 30], [10, 30], [10, 38], [0, 38]])
    >>> port = Port(id="t", kind="transfer", control="crown", windows=(Window(outline=shape),))
    >>> roof_of(lowered_port(port, 0.5))
    37.5
    """
    windows = tuple(
        replace(window, outline=translate(window.outline, 0.0, -down_mm)) for window in port.windows
    )
    return replace(port, windows=windows)
