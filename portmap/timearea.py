"""Angle-areas and time-areas of the ports over their spans.

Spans: *exhaust* (open to close), *blowdown* (exhaust opens to first transfer opens), *transfer* (open to
close; transfer and boost ports together and each on its own), *intake* (open to close).

angle-area = ∫ A dθ over the span [mm²·deg]; time-area = angle-area / (6·rpm) [mm²·s]; specific time-area
= time-area / swept volume [s/m].

The integral is taken piece by piece between the crank angles at which the controlling edge passes a
corner of an outline. Inside such a piece the area is smooth, so Gauss–Legendre quadrature holds to
rounding. A sum of end-of-degree areas, as done on paper, is some 3 % too high for a blowdown.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from portmap.crank import angle_of_depth, bdc_angle
from portmap.engine import Engine, depth_below_crown, skirt_length
from portmap.errors import Notice, QuantityError
from portmap.port import Port, PortMap
from portmap.timing import State, exhaust_of, first_opening_deg, port_timing, transfers_of
from portmap.window import AreaKind, opened_area, port_profiles

__all__ = [
    "PortAngleArea",
    "Span",
    "SpanName",
    "angle_area",
    "map_spans",
    "specific_time_area",
    "time_area",
]

SpanName = Literal["exhaust", "blowdown", "transfer", "intake"]

Floats = NDArray[np.float64]

PANEL_DEG = 3.0  # pieces are cut to this at most: 8 nodes then leave an error below 1e-13
NODES, WEIGHTS = np.polynomial.legendre.leggauss(8)


@dataclass(frozen=True, kw_only=True, slots=True)
class PortAngleArea:
    """One port's part of a span.

    Parameters
    ----------
    port_id : str
    state : {'opens and closes', 'always open', 'never opens', 'not timed'}
    angle_area_mm2_deg : float
        [mm²·deg]; 0 for a port that never opens.
    share : float
        Of the span's angle-area, 0 to 1; 0 if the span has none.
    """

    port_id: str
    state: State
    angle_area_mm2_deg: float
    share: float


@dataclass(frozen=True, kw_only=True, slots=True)
class Span:
    """A stretch of the revolution and the area that was open in it.

    Parameters
    ----------
    name : {'exhaust', 'blowdown', 'transfer', 'intake'}
    opens_deg, closes_deg : float or None
        Where it begins and ends [deg after true TDC]; None where nothing opens and closes.
    duration_deg : float
        Its length [deg].
    angle_area_mm2_deg : float
        ∫ A dθ of all its ports [mm²·deg].
    mean_area_mm2 : float
        Angle-area over duration [mm²]: the mean against crank angle, not the area at half height. 0 for a
        span that never opens.
    parts : tuple of PortAngleArea
        Each port on its own.
    """

    name: SpanName
    opens_deg: float | None
    closes_deg: float | None
    duration_deg: float
    angle_area_mm2_deg: float
    mean_area_mm2: float
    parts: tuple[PortAngleArea, ...]


def angle_area(
    engine: Engine,
    port: Port,
    from_deg: float,
    to_deg: float,
    *,
    area: AreaKind = "wall",
) -> float:
    """Return ∫ A dθ of one port between two crank angles.

    Parameters
    ----------
    engine : Engine
    port : Port
    from_deg, to_deg : float
        Crank angles after true TDC [deg]; where `to_deg` is the smaller, the span goes through TDC.
    area : {'wall', 'chord', 'directed'}, optional
        Which of the three areas.

    Returns
    -------
    float
        Angle-area [mm²·deg].

    Raises
    ------
    GeometryError
        As `opened_area`.

    Examples
    --------
    >>> from portmap.crank import Crank
    >>> from portmap.port import Window, window_polygon
    >>> engine = Engine(bore_mm=46, crank=Crank(stroke_mm=32, rod_mm=58), crown_height_mm=61)
    >>> shape = window_polygon([[-14, 28], [14, 28], [14, 40], [-14, 40]])
    >>> port = Port(id="e", kind="exhaust", control="crown", windows=(Window(outline=shape),))
    >>> round(angle_area(engine, port, 100, 260), 1)
    32553.3
    """
    return _angle_area(engine, _Same(port), float(from_deg), float(to_deg), area)


class _Same:
    """A port as a key of the cache: the very same object, since to hash its outlines costs more."""

    __slots__ = ("port",)

    def __init__(self, port: Port) -> None:
        self.port = port

    def __hash__(self) -> int:
        return id(self.port)

    def __eq__(self, other: object) -> bool:
        return isinstance(other, _Same) and other.port is self.port


@lru_cache(maxsize=512)
def _angle_area(engine: Engine, same: _Same, from_deg: float, to_deg: float, area: AreaKind) -> float:
    """Return the integral; kept, for while one port's roof is pulled the other ports stay as they are."""
    port = same.port
    end = to_deg if to_deg >= from_deg else to_deg + 360.0
    kinks = _kinks(engine, port)
    turns = np.concatenate([kinks + 360.0 * turn for turn in range(-1, 3)])
    inside = turns[(turns > from_deg) & (turns < end)]
    cuts = np.unique(np.concatenate([[from_deg], inside, [end]]))
    pieces = np.maximum(np.ceil(np.diff(cuts) / PANEL_DEG).astype(int), 1)
    piece = np.repeat(np.arange(len(pieces)), pieces)
    width = (np.diff(cuts) / pieces)[piece]
    number = np.arange(len(piece)) - np.repeat(np.cumsum(pieces) - pieces, pieces)
    middle = cuts[piece] + width * (number + 0.5)
    nodes = middle[:, None] + width[:, None] / 2 * NODES
    areas = opened_area(engine, port, nodes, area=area)
    return float(np.sum(areas @ WEIGHTS * width / 2))


def _kinks(engine: Engine, port: Port) -> Floats:
    """Return the angles at which the controlling edge passes a corner, and the dead centres."""
    corners = np.concatenate([profile.heights_mm for profile in port_profiles(port, engine.bore_mm)])
    depth = depth_below_crown(engine, corners)
    if port.control == "skirt":
        depth = depth - skirt_length(engine)
    elif port.control == "pocket" and port.pocket is not None:
        edges = (port.pocket.top_below_crown_mm, port.pocket.bottom_below_crown_mm)
        depth = np.concatenate([depth - edge for edge in edges])
    elif port.control == "none":
        depth = np.empty(0)
    passed = [angle_of_depth(engine.crank, depth, rising=rising) for rising in (False, True)]
    angles = np.concatenate([*passed, [0.0, bdc_angle(engine.crank)]])
    return np.asarray(angles[np.isfinite(angles)])


def time_area(angle_area_mm2_deg: ArrayLike, rpm: ArrayLike) -> Floats:
    """Return the time-area at given speeds.

    Angle-area / (6·rpm): at N rev/min the crank turns 6·N degrees a second.

    Parameters
    ----------
    angle_area_mm2_deg : array_like of shape (...)
        Angle-area [mm²·deg].
    rpm : array_like of shape (...)
        Crank speed [rev/min].

    Returns
    -------
    ndarray of shape (...)
        Time-area [mm²·s].

    Raises
    ------
    QuantityError
        If a speed is not above 0.

    Examples
    --------
    >>> time_area(300.0 * 160.0, 7000.0).round(4)
    np.float64(1.1429)
    """
    speed = np.asarray(rpm, np.float64)
    if not np.all((speed > 0) & np.isfinite(speed)):
        raise QuantityError("a speed must be above 0 rpm", where="rpm", remedy="give for instance 9000")
    return np.asarray(np.asarray(angle_area_mm2_deg, np.float64) / (6.0 * speed))


def specific_time_area(time_area_mm2_s: ArrayLike, swept_cm3: float) -> Floats:
    """Return time-area over swept volume.

    Parameters
    ----------
    time_area_mm2_s : array_like of shape (...)
        Time-area [mm²·s].
    swept_cm3 : float
        Swept volume of the one cylinder [cm³].

    Returns
    -------
    ndarray of shape (...)
        Specific time-area [s/m]. In s·cm²/cm³ it is a hundredth of this figure.

    Raises
    ------
    QuantityError
        If the volume is not above 0.

    References
    ----------
    .. [1] Blair, Design and Simulation of Two-Stroke Engines (R-161), 1996, ch. 6, for the definition
       (from memory).

    Examples
    --------
    >>> specific_time_area(time_area(300.0 * 160.0, 7000.0), 125.0).round(8)
    np.float64(0.00914286)
    """
    if not 0 < swept_cm3 < np.inf:
        raise QuantityError(
            f"{swept_cm3:g} cm³ is not a swept volume", where="swept_cm3", remedy="check the bore"
        )
    return np.asarray(np.asarray(time_area_mm2_s, np.float64) / swept_cm3)


def map_spans(
    engine: Engine, port_map: PortMap, *, area: AreaKind = "wall"
) -> tuple[tuple[Span, ...], tuple[Notice, ...]]:
    """Return the spans of a map, and what there is to say of them.

    Parameters
    ----------
    engine : Engine
    port_map : PortMap
    area : {'wall', 'chord', 'directed'}, optional
        Which of the three areas.

    Returns
    -------
    spans : tuple of Span
        Those of exhaust, blowdown, transfer and intake for which the map has ports.
    notices : tuple of Notice
        Ports that never open or never close, and a blowdown that is none.

    Raises
    ------
    GeometryError
        As `angle_area`.

    Examples
    --------
    >>> from portmap.crank import Crank
    >>> from portmap.port import Window, window_polygon
    >>> engine = Engine(bore_mm=46, crank=Crank(stroke_mm=32, rod_mm=58), crown_height_mm=61)
    >>> shape = window_polygon([[-14, 28], [14, 28], [14, 40], [-14, 40]])
    >>> port = Port(id="e", kind="exhaust", control="crown", windows=(Window(outline=shape),))
    >>> spans, _ = map_spans(engine, PortMap(stage="stock", ports=(port,)))
    >>> spans[0].name, round(spans[0].angle_area_mm2_deg, 1)
    ('exhaust', 32553.3)
    """
    exhaust, transfers = exhaust_of(port_map), transfers_of(port_map)
    intake = tuple(port for port in port_map.ports if port.kind == "intake")
    spans = []
    notices = list(_state_notices(engine, (*exhaust, *transfers, *intake)))
    groups: tuple[tuple[SpanName, tuple[Port, ...]], ...] = (
        ("exhaust", exhaust),
        ("transfer", transfers),
        ("intake", intake),
    )
    for name, ports in groups:
        if ports:
            spans.append(_whole_span(engine, name, ports, area))
    begins, ends = first_opening_deg(engine, exhaust), first_opening_deg(engine, transfers)
    if begins is not None and ends is not None:
        if ends > begins:
            amounts = [angle_area(engine, port, begins, ends, area=area) for port in exhaust]
            span = _span(engine, "blowdown", exhaust, amounts, begins, ends, ends - begins)
            spans.insert(1, span)
        else:
            notices.append(
                Notice(
                    code="no-blowdown",
                    message=f"A transfer opens {begins - ends:.1f}° before the exhaust: no blowdown is left.",
                )
            )
    return tuple(spans), tuple(notices)


def _state_notices(engine: Engine, ports: tuple[Port, ...]) -> list[Notice]:
    found = []
    for port in ports:
        state = port_timing(engine, port).state
        if state == "never opens":
            message = f"Port {port.id} is never uncovered: check crown height, gasket and the port's heights."
            found.append(Notice(code="never-opens", message=message))
        elif state == "always open":
            message = (
                f"Port {port.id} is never wholly covered: check crown height, gasket and the port's heights."
            )
            found.append(Notice(code="never-closes", message=message))
    return found


def _whole_span(
    engine: Engine,
    name: SpanName,
    ports: tuple[Port, ...],
    area: AreaKind,
) -> Span:
    """Return the span from the first of the ports opening to the last closing."""
    timings = [port_timing(engine, port) for port in ports]
    amounts = []
    for port, timing in zip(ports, timings, strict=True):
        stretches = [(opening.opens_deg, opening.closes_deg) for opening in timing.openings]
        if timing.state in ("always open", "not timed"):
            stretches = [(0.0, 360.0)]
        amounts.append(sum(angle_area(engine, port, begins, ends, area=area) for begins, ends in stretches))
    longest = max(timings, key=lambda timing: timing.duration_deg)
    opens = longest.openings[0].opens_deg if longest.openings else None
    closes = longest.openings[-1].closes_deg if longest.openings else None
    return _span(engine, name, ports, amounts, opens, closes, longest.duration_deg)


def _span(
    engine: Engine,
    name: SpanName,
    ports: tuple[Port, ...],
    amounts: list[float],
    opens: float | None,
    closes: float | None,
    duration: float,
) -> Span:
    total = float(sum(amounts))
    parts = tuple(
        PortAngleArea(
            port_id=port.id,
            state=port_timing(engine, port).state,
            angle_area_mm2_deg=amount,
            share=amount / total if total > 0 else 0.0,
        )
        for port, amount in zip(ports, amounts, strict=True)
    )
    return Span(
        name=name,
        opens_deg=opens,
        closes_deg=closes,
        duration_deg=duration,
        angle_area_mm2_deg=total,
        mean_area_mm2=total / duration if duration > 0 else 0.0,
        parts=parts,
    )
