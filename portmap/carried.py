"""The outlines of one casting carried to another: their heights tied anew, and joined with what is there.

Frame: the bore frame of the casting that they come to. See `portmap.repeat`.

Glossary
--------
carried
    Where a window of the good job comes to lie on the new casting.
bent
    Carried by a crank of other sizes, so that a straight side becomes a curve.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Callable
from dataclasses import replace
from typing import Literal

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import Polygon

from portmap.crank import angle_of_depth, bdc_angle, piston_depth, travel
from portmap.engine import Engine, crown_height_at, depth_below_crown
from portmap.errors import Notice
from portmap.matching import at_turn, matched_ports, matched_windows
from portmap.port import Port, PortMap, Window
from portmap.registration import Registration, moved_map
from portmap.roof_wish import wall_top

__all__ = ["Datum", "Way", "carried_map", "doubted_map", "together_with"]

Floats = NDArray[np.float64]
Way = Literal["degrees", "mm"]
Datum = Literal["crown", "base", "ports"]

SPECK_MM2 = 1e-6  # an area below this is rounding, not metal
LONGEST_SIDE_MM = 0.5  # of an outline that is bent


def carried_map(
    port_map: PortMap,
    good: Engine,
    new: Engine,
    *,
    way: Way,
    datum: Datum = "crown",
    registration: Registration | None = None,
) -> tuple[PortMap, tuple[Notice, ...]]:
    """Return a map with its heights tied to another engine's datum.

    Parameters
    ----------
    port_map : PortMap
        On the good engine's bore, x already scaled to the new one's.
    good, new : Engine
    way : {'degrees', 'mm'}
    datum : {'crown', 'base', 'ports'}, optional
    registration : Registration or None, optional
        For ``ports``.

    Returns
    -------
    PortMap
        Without the ports that cannot be carried so.
    tuple of Notice
        Why those were left.

    Examples
    --------
    >>> from portmap.crank import Crank
    >>> window = Window(outline=shapely.box(-14, 28, 14, 40))
    >>> port = Port(id="e", kind="exhaust", control="crown", windows=(window,))
    >>> crank = Crank(stroke_mm=32, rod_mm=58)
    >>> good, new = (Engine(bore_mm=46, crank=crank, crown_height_mm=height) for height in (61, 61.5))
    >>> found, _ = carried_map(PortMap(stage="ground", ports=(port,)), good, new, way="degrees")
    >>> found.ports[0].windows[0].outline.bounds
    (-14.0, 28.5, 14.0, 40.5)
    """
    if way == "mm" and datum == "ports":
        return moved_map(port_map, registration or Registration(method="base")), ()
    up = float(depth_below_crown(new, 0.0) - depth_below_crown(good, 0.0)) if datum == "crown" else 0.0
    ports, notices = [], []
    for port in port_map.ports:
        if way == "mm":
            ports.append(_mapped(port, lambda y: y + up, bent=False))
            continue
        if port.control not in ("crown", "skirt"):
            message = (
                f"Port {port.id} has no timing of the piston's edge to keep: carried in mm from the crown."
            )
            notices.append(Notice(code="carried-in-mm", message=message))
            ports.append(_mapped(port, lambda y: y + up, bent=False))
            continue
        skirted = port.control == "skirt"
        first, last = (one.skirt_length_mm if skirted else 0.0 for one in (good, new))
        if first is None or last is None:
            message = f"Port {port.id} was left: its degrees need both skirts' lengths."
            notices.append(Notice(code="not-carried", message=message))
            continue
        ports.append(
            _mapped(
                port,
                functools.partial(_same_degree_height, good=good, new=new, skirts_mm=(first, last)),
                bent=good.crank != new.crank,
            )
        )
    return replace(port_map, ports=tuple(ports)), tuple(notices)


def _same_degree_height(y: Floats, *, good: Engine, new: Engine, skirts_mm: tuple[float, float]) -> Floats:
    """Return the heights at which the new piston's edge stands when the good one's stands at `y`."""
    depth = np.asarray(depth_below_crown(good, y + skirts_mm[0]), np.float64)
    there, here = travel(good.crank), travel(new.crank)
    inside = np.clip(depth, 0.0, there)
    reached = np.asarray(piston_depth(new.crank, angle_of_depth(good.crank, inside)), np.float64)
    # the crank's own ends are met to the last digit, and beyond them distances stay
    reached = np.where(depth <= 0.0, depth, np.where(depth >= there, here + depth - there, reached))
    return np.asarray(depth_below_crown(new, 0.0) - reached - skirts_mm[1])


def _mapped(port: Port, height: Callable[[Floats], Floats], *, bent: bool) -> Port:
    """Return a port whose heights go through a function; long sides are cut where that is no plain shift."""

    def moved(window: Window) -> Window:
        outline = shapely.segmentize(window.outline, LONGEST_SIDE_MM) if bent else window.outline
        shape = shapely.transform(outline, lambda at: np.column_stack([at[:, 0], height(at[:, 1])]))
        return replace(window, outline=shapely.geometry.polygon.orient(shape))

    return replace(port, windows=tuple(moved(window) for window in port.windows))


def doubted_map(port_map: PortMap, u_mm: float) -> PortMap:
    """Return a map whose stated doubts of height have grown.

    Parameters
    ----------
    port_map : PortMap
    u_mm : float
        Standard uncertainty to add, as a root sum of squares [mm].

    Returns
    -------
    PortMap
        Windows of which nobody said how sure they are stay so.

    Examples
    --------
    >>> from portmap.port import WindowDoubt
    >>> doubt = WindowDoubt(roof_u_mm=0.03, floor_u_mm=0.03, wall_area_u_mm2=0.1, edge_u_mm=0.03)
    >>> window = Window(outline=shapely.box(-14, 28, 14, 40), doubt=doubt)
    >>> port = Port(id="e", kind="exhaust", control="crown", windows=(window,))
    >>> found = doubted_map(PortMap(stage="ground", ports=(port,)), 0.04)
    >>> round(found.ports[0].windows[0].doubt.roof_u_mm, 9)
    0.05
    """

    def grown(window: Window) -> Window:
        doubt = window.doubt
        if doubt is None:
            return window
        return replace(
            window,
            doubt=replace(
                doubt,
                roof_u_mm=math.hypot(doubt.roof_u_mm, u_mm),
                floor_u_mm=math.hypot(doubt.floor_u_mm, u_mm),
                edge_u_mm=math.hypot(doubt.edge_u_mm, u_mm),
            ),
        )

    ports = (replace(port, windows=tuple(map(grown, port.windows))) for port in port_map.ports)
    return replace(port_map, ports=tuple(ports))


def together_with(start: PortMap, carried: PortMap, engine: Engine) -> tuple[PortMap, tuple[Notice, ...]]:
    """Return a casting's own windows and the carried ones together.

    Parameters
    ----------
    start : PortMap
        The casting as it is.
    carried : PortMap
        On the same bore.
    engine : Engine
        Of the casting.

    Returns
    -------
    PortMap
        Of stage ``proposed``, with the ports of `start`.
    tuple of Notice
        What could not be had, and why.

    Examples
    --------
    >>> from portmap.crank import Crank
    >>> def made(stage, roof):
    ...     window = Window(outline=shapely.box(-14, 28, 14, roof))
    ...     port = Port(id="e", kind="exhaust", control="crown", windows=(window,))
    ...     return PortMap(stage=stage, ports=(port,))
    >>> engine = Engine(bore_mm=46, crank=Crank(stroke_mm=32, rod_mm=58), crown_height_mm=61)
    >>> found, _ = together_with(made("stock", 40), made("ground", 41), engine)
    >>> found.ports[0].windows[0].outline.bounds
    (-14.0, 28.0, 14.0, 41.0)
    """
    bore = engine.bore_mm
    notices: list[Notice] = []
    matches = matched_ports(start, carried, bore)
    partner = {match.a.id: match.b for match in matches.both}
    for name in matches.only_b:
        message = f"The new casting has no port {name}: it is not proposed."
        notices.append(Notice(code="no-such-port", message=message))
    top = wall_top(engine)
    ports = []
    for port in start.ports:
        wish = partner.get(port.id)
        if wish is None:
            message = f"The good job has no port for {port.id}: it stays as it is."
            notices.append(Notice(code="port-stays", message=message))
            ports.append(port)
            continue
        # below the crown edge at BDC a floor gives nothing, however low the good job's is
        least = (
            float(crown_height_at(engine, bdc_angle(engine.crank))) if port.control == "crown" else -math.inf
        )
        windows = list(port.windows)
        pairs = matched_windows(port, wish, bore)
        if len(pairs) < max(len(windows), len(wish.windows)):
            message = (
                f"Port {port.id} has not as many windows here ({len(windows)}) as in the good job"
                f" ({len(wish.windows)}): those without a counterpart stay as they are."
            )
            notices.append(Notice(code="windows-differ", message=message))
        for i, j in pairs:
            name = f"window {i} of {port.id}"
            windows[i], said = _together(windows[i], wish.windows[j], bore, top, least, name)
            notices += said
        ports.append(replace(port, windows=tuple(windows)))
    found = PortMap(stage="proposed", ports=tuple(ports))
    return _kept_apart(start, found, bore, notices), tuple(notices)


def _together(
    own: Window, wish: Window, bore_mm: float, top: tuple[float, str], least_mm: float, name: str
) -> tuple[Window, list[Notice]]:
    """Return a window with what the carried one adds to it between a least height and the wall's top."""
    notices: list[Notice] = []
    middle = float(own.outline.bounds[0] + own.outline.bounds[2]) / 2
    shape = at_turn(wish.outline, middle, math.pi * bore_mm)
    left, low, right, high = shape.bounds
    if low < least_mm < high:
        shape = shape.intersection(shapely.box(left - 1.0, least_mm, right + 1.0, high + 1.0))
    if high > top[0]:
        limit = max(top[0], float(own.outline.bounds[3]))
        message = (
            f"The roof of {name} would come to {high:.2f} mm, and {top[1]} is at {top[0]:.2f} mm: it is"
            f" proposed to {limit:.2f} mm alone."
        )
        notices.append(Notice(code="above-the-top", message=message))
        shape = shape.intersection(shapely.box(left - 1.0, min(low, limit) - 1.0, right + 1.0, limit))
    if not shapely.intersects(own.outline, shape):
        message = f"The carried outline of {name} does not meet the window: it stays as it is."
        return own, [*notices, Notice(code="does-not-meet", message=message)]
    whole = shapely.union(own.outline, shape)
    parts = [part for part in shapely.get_parts(whole) if isinstance(part, Polygon) and part.area > SPECK_MM2]
    if len(parts) != 1:
        message = f"The carried outline of {name} would leave metal that hangs on nothing: it stays as it is."
        return own, [*notices, Notice(code="does-not-meet", message=message)]
    holes = [ring for ring in parts[0].interiors if Polygon(ring).area > SPECK_MM2]
    outline = shapely.geometry.polygon.orient(
        shapely.remove_repeated_points(Polygon(parts[0].exterior, holes), 1e-6)
    )
    # where nothing is to be ground the window's own doubt stands, elsewhere that of the line to grind to
    grown = outline.area - own.outline.area > SPECK_MM2
    return Window(outline=outline, doubt=wish.doubt if grown else own.doubt), notices


def _kept_apart(start: PortMap, found: PortMap, bore_mm: float, notices: list[Notice]) -> PortMap:
    """Return the map with the ports left as they are whose new windows would meet another port's."""
    round_mm = math.pi * bore_mm
    ports = list(found.ports)
    for i, one in enumerate(found.ports):
        for j in range(i + 1, len(found.ports)):
            if any(_meet(a, b, round_mm) for a in one.windows for b in found.ports[j].windows):
                message = (
                    f"Ports {one.id} and {found.ports[j].id} would meet, and the metal between them must"
                    " stay: both stay as they are."
                )
                notices.append(Notice(code="would-meet", message=message))
                ports[i], ports[j] = start.ports[i], start.ports[j]
    return replace(found, ports=tuple(ports))


def _meet(first: Window, second: Window, round_mm: float) -> bool:
    middle = float(first.outline.bounds[0] + first.outline.bounds[2]) / 2
    image = at_turn(second.outline, middle, round_mm)
    return bool(shapely.intersection(first.outline, image).area > SPECK_MM2)
