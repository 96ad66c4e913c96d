"""The area of a port that the piston has opened, exact, against height and crank angle.

Each window is prepared once (see `portmap.profile`); the piston then sets two heights between which the
port lies open, and the opened area is what the windows have between them.

Glossary
--------
opened area
    The part that the controlling edge has uncovered: above the crown edge, below the skirt edge, or
    between the edges of a pocket. A port with control ``none`` is always wholly open.
wall area, chord area
    As in `portmap.profile`.
directed area
    Chord area × cosine of the passage's tilt.
"""

from __future__ import annotations

import math
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from portmap.engine import Engine, crown_height_at, skirt_height_at
from portmap.errors import GeometryError
from portmap.port import Port, floor_of, roof_of
from portmap.profile import Profile, area_below, chord_area_below, moment_below, window_profile
from portmap.timing import open_depths

__all__ = [
    "AreaKind",
    "area_between",
    "open_band",
    "opened_area",
    "opened_centroid_height",
    "opened_height",
    "port_area",
    "port_profiles",
]

AreaKind = Literal["wall", "chord", "directed"]

Floats = NDArray[np.float64]


def port_profiles(port: Port, bore_mm: float) -> tuple[Profile, ...]:
    """Return each of a port's windows prepared for look-up.

    Parameters
    ----------
    port : Port
    bore_mm : float
        Bore [mm].

    Returns
    -------
    tuple of Profile

    Raises
    ------
    GeometryError
        As `window_profile`, with the window's number.

    Examples
    --------
    >>> from portmap.port import Window, window_polygon
    >>> shape = window_polygon([[0, 30], [10, 30], [10, 38], [0, 38]])
    >>> port = Port(id="t", kind="transfer", control="crown", windows=(Window(outline=shape),))
    >>> len(port_profiles(port, 46.0))
    1
    """
    profiles = []
    for number, window in enumerate(port.windows):
        try:
            profiles.append(window_profile(window, bore_mm))
        except GeometryError as error:
            raise error.at(f"port {port.id}.windows[{number}]") from None
    return tuple(profiles)


def open_band(engine: Engine, port: Port, angle_deg: ArrayLike) -> tuple[Floats, Floats]:
    """Return the heights between which the piston leaves the port open.

    Parameters
    ----------
    engine : Engine
    port : Port
    angle_deg : array_like of shape (...)
        Crank angle after true TDC [deg].

    Returns
    -------
    tuple of ndarray
        Lower and upper height above the base face [mm]: of shape (...) where a piston edge sets it, a
        single infinity where nothing covers.

    Raises
    ------
    GeometryError
        If the skirt's length or the pocket is needed and not known.

    Examples
    --------
    >>> from portmap.crank import Crank
    >>> from portmap.port import Window, window_polygon
    >>> engine = Engine(bore_mm=46, crank=Crank(stroke_mm=32, rod_mm=58), crown_height_mm=61)
    >>> shape = window_polygon([[0, 30], [10, 30], [10, 38], [0, 38]])
    >>> port = Port(id="t", kind="transfer", control="crown", windows=(Window(outline=shape),))
    >>> open_band(engine, port, 180)
    (array(29.), array(inf))
    """
    angle = np.asarray(angle_deg, np.float64)
    everything = np.array(np.inf)
    if port.control == "none":
        return np.full(angle.shape, -np.inf), everything
    low, high = open_depths(engine, port)
    crown = crown_height_at(engine, angle)
    if port.control == "crown":
        return crown, everything
    if port.control == "skirt":
        return -everything, skirt_height_at(engine, angle)
    # at depth `low` the pocket's lower edge meets the roof, at depth `high` its upper edge the floor
    edge = float(crown_height_at(engine, 0.0))
    below = edge - roof_of(port) - low
    above = edge - floor_of(port) - high
    return crown - below, crown - above


def opened_area(
    engine: Engine,
    port: Port,
    angle_deg: ArrayLike,
    *,
    area: AreaKind = "wall",
) -> Floats:
    """Return the area of a port that the piston has opened.

    Parameters
    ----------
    engine : Engine
    port : Port
    angle_deg : array_like of shape (...)
        Crank angle after true TDC [deg].
    area : {'wall', 'chord', 'directed'}, optional
        Which of the three areas.

    Returns
    -------
    ndarray of shape (...)
        Area [mm²].

    Raises
    ------
    GeometryError
        As `window_profile` and `open_band`, or if the directed area is asked for and the passage's tilt
        is not known.

    Examples
    --------
    >>> from portmap.crank import Crank
    >>> from portmap.port import Window, window_polygon
    >>> engine = Engine(bore_mm=46, crank=Crank(stroke_mm=32, rod_mm=58), crown_height_mm=61)
    >>> shape = window_polygon([[-14, 28], [14, 28], [14, 40], [-14, 40]])
    >>> port = Port(id="e", kind="exhaust", control="crown", windows=(Window(outline=shape),))
    >>> opened_area(engine, port, [90, 120, 180]).round(1)
    array([  0., 131., 308.])
    """
    low, high = open_band(engine, port, angle_deg)
    return area_between(port, engine.bore_mm, low, high, area=area)


def area_between(
    port: Port, bore_mm: float, low_mm: ArrayLike, high_mm: ArrayLike, *, area: AreaKind = "wall"
) -> Floats:
    """Return the area of all of a port's windows between two heights.

    Parameters
    ----------
    port : Port
    bore_mm : float
        Bore [mm].
    low_mm, high_mm : array_like, broadcast to shape (...)
        Heights above the base face [mm]; infinite for no limit.
    area : {'wall', 'chord', 'directed'}, optional
        Which of the three areas.

    Returns
    -------
    ndarray of shape (...)
        Area [mm²]; 0 where `high_mm` is not above `low_mm`.

    Raises
    ------
    GeometryError
        As `port_profiles`, or if the directed area is asked for and the passage's tilt is not known.

    Examples
    --------
    >>> from portmap.port import Window, window_polygon
    >>> shape = window_polygon([[0, 30], [10, 30], [10, 38], [0, 38]])
    >>> port = Port(id="t", kind="transfer", control="crown", windows=(Window(outline=shape),))
    >>> area_between(port, 46.0, [31.0, 34.0], np.inf)
    array([70., 40.])
    """
    below = area_below if area == "wall" else chord_area_below
    total = np.zeros(np.broadcast(low_mm, high_mm).shape)
    for profile in port_profiles(port, bore_mm):
        total = total + (below(profile, high_mm) - below(profile, low_mm))
    if area == "directed":
        if port.tilt_deg is None:
            raise GeometryError(
                "the directed area needs the passage's tilt",
                where=f"port {port.id}.tilt_deg",
                remedy="give the angle between the passage and square to the window, or ask for chord",
            )
        total = total * math.cos(math.radians(port.tilt_deg))
    return np.asarray(np.maximum(total, 0.0))


def port_area(port: Port, bore_mm: float, *, area: AreaKind = "wall") -> float:
    """Return the area of the whole port.

    Parameters
    ----------
    port : Port
    bore_mm : float
        Bore [mm].
    area : {'wall', 'chord', 'directed'}, optional
        Which of the three areas.

    Returns
    -------
    float
        Area [mm²].

    Raises
    ------
    GeometryError
        As `opened_area`.

    Examples
    --------
    >>> from portmap.port import Window, window_polygon
    >>> shape = window_polygon([[0, 30], [10, 30], [10, 38], [0, 38]])
    >>> port = Port(id="t", kind="transfer", control="crown", windows=(Window(outline=shape),))
    >>> port_area(port, 46.0), round(port_area(port, 46.0, area="chord"), 3)
    (80.0, 79.37)
    """
    return float(area_between(port, bore_mm, -np.inf, np.inf, area=area))


def opened_height(engine: Engine, port: Port, angle_deg: ArrayLike) -> Floats:
    """Return how much of the port's height the piston has opened.

    Parameters
    ----------
    engine : Engine
    port : Port
    angle_deg : array_like of shape (...)
        Crank angle after true TDC [deg].

    Returns
    -------
    ndarray of shape (...)
        Height [mm], from floor to roof of the port as a whole. The opened area divided by it is the
        effective width of what is open.

    Examples
    --------
    >>> from portmap.crank import Crank
    >>> from portmap.port import Window, window_polygon
    >>> engine = Engine(bore_mm=46, crank=Crank(stroke_mm=32, rod_mm=58), crown_height_mm=61)
    >>> shape = window_polygon([[-14, 28], [14, 28], [14, 40], [-14, 40]])
    >>> port = Port(id="e", kind="exhaust", control="crown", windows=(Window(outline=shape),))
    >>> opened_height(engine, port, 180)
    array(11.)
    """
    low, high = open_band(engine, port, angle_deg)
    return np.asarray(np.maximum(np.minimum(high, roof_of(port)) - np.maximum(low, floor_of(port)), 0.0))


def opened_centroid_height(engine: Engine, port: Port, angle_deg: ArrayLike) -> Floats:
    """Return the centroid's height of the opened wall area.

    Parameters
    ----------
    engine : Engine
    port : Port
    angle_deg : array_like of shape (...)
        Crank angle after true TDC [deg].

    Returns
    -------
    ndarray of shape (...)
        Height above the base face [mm]; NaN where the port is shut, since nothing has a centroid then.

    Examples
    --------
    >>> from portmap.crank import Crank
    >>> from portmap.port import Window, window_polygon
    >>> engine = Engine(bore_mm=46, crank=Crank(stroke_mm=32, rod_mm=58), crown_height_mm=61)
    >>> shape = window_polygon([[-14, 28], [14, 28], [14, 40], [-14, 40]])
    >>> port = Port(id="e", kind="exhaust", control="crown", windows=(Window(outline=shape),))
    >>> opened_centroid_height(engine, port, [90, 180])
    array([ nan, 34.5])
    """
    low, high = open_band(engine, port, angle_deg)
    moment = area = np.zeros(np.broadcast(low, high).shape)
    for profile in port_profiles(port, engine.bore_mm):
        moment = moment + (moment_below(profile, high) - moment_below(profile, low))
        area = area + (area_below(profile, high) - area_below(profile, low))
    return np.asarray(np.divide(moment, area, out=np.full_like(area, np.nan), where=area > 0))
