"""Windows, ports and port maps in the bore frame.

The frame is the casting's own: x [mm] runs along the wall around the bore, 0 at the exhaust centre
line, to the right as seen from the bore axis; it wraps, so that x and x + π·bore are one place. y [mm]
is the height above the base face, toward the head.

Glossary
--------
window
    One opening in the wall: a shapely polygon on the developed wall. Its holes are metal (islands).
port
    One or several windows that serve one purpose; metal between two of them is a bridge.
roof, floor
    A window's greatest and least y.
control
    The piston edge that opens and closes the port: crown, skirt, a pocket in the skirt, or none.
stage
    Whether a map shows the cylinder as it came (stock), as wished (proposed) or as cut (ground).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
import shapely
from numpy.typing import ArrayLike, NDArray
from shapely import Polygon
from shapely.affinity import scale as _scaled
from shapely.affinity import translate as _moved

from portmap.errors import GeometryError

__all__ = [
    "Control",
    "Kind",
    "Pocket",
    "Port",
    "PortEdges",
    "PortMap",
    "Stage",
    "Window",
    "WindowDoubt",
    "centre_x",
    "chord_width",
    "edges_of",
    "floor_of",
    "join_across_wrap",
    "mirrored_pairs",
    "mirrored_window",
    "roof_of",
    "turned_window",
    "wall_area",
    "window_polygon",
]

Kind = Literal["exhaust", "transfer", "boost", "intake", "strato", "other"]
Control = Literal["crown", "skirt", "pocket", "none"]
Stage = Literal["stock", "proposed", "ground"]

USUAL_CONTROL: dict[Kind, Control] = {
    "exhaust": "crown",
    "transfer": "crown",
    "boost": "crown",
    "intake": "skirt",
    "strato": "pocket",
    "other": "crown",
}


@dataclass(frozen=True, kw_only=True, slots=True)
class WindowDoubt:
    """Standard uncertainties (k = 1) of a traced or measured window.

    Parameters
    ----------
    roof_u_mm, floor_u_mm : float
        Of the heights of roof and floor [mm], datum included.
    wall_area_u_mm2 : float
        Of the wall area [mm²].
    edge_u_mm : float
        Of the place of a single outline point, square to the edge [mm].
    """

    roof_u_mm: float
    floor_u_mm: float
    wall_area_u_mm2: float
    edge_u_mm: float


@dataclass(frozen=True, kw_only=True, slots=True)
class Window:
    """One opening in the bore wall.

    Parameters
    ----------
    outline : shapely.Polygon
        On the developed wall, bore frame [mm], exterior anticlockwise. Make it with `window_polygon`.
    doubt : WindowDoubt or None
        How sure the outline is; None if nobody said.
    """

    outline: Polygon
    doubt: WindowDoubt | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class Pocket:
    """A recess in the skirt that joins an air channel to the transfers while it passes the window.

    Parameters
    ----------
    top_below_crown_mm, bottom_below_crown_mm : float
        Depths of the recess's upper and lower edge below the crown edge [mm].
    """

    top_below_crown_mm: float
    bottom_below_crown_mm: float


@dataclass(frozen=True, kw_only=True, slots=True)
class Port:
    """Windows that serve one purpose.

    Parameters
    ----------
    id : str
        The port's name in its map.
    kind : {'exhaust', 'transfer', 'boost', 'intake', 'strato', 'other'}
    control : {'crown', 'skirt', 'pocket', 'none'}
    windows : tuple of Window
        At least one.
    tilt_deg : float or None
        Angle between the passage and the window's radial direction [deg]; None if unknown.
    pocket : Pocket or None
        Needed when `control` is 'pocket'.
    kind_guessed : bool
        Whether the kind was guessed from the position and not stated by the user.
    """

    id: str
    kind: Kind
    control: Control
    windows: tuple[Window, ...]
    tilt_deg: float | None = None
    pocket: Pocket | None = None
    kind_guessed: bool = False


@dataclass(frozen=True, kw_only=True, slots=True)
class PortMap:
    """All ports of a cylinder at one stage.

    Parameters
    ----------
    stage : {'stock', 'proposed', 'ground'}
    ports : tuple of Port
    """

    stage: Stage
    ports: tuple[Port, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class PortEdges:
    """The heights alone of a port: all that its timing asks for, from an outline or from readings.

    Parameters
    ----------
    id : str
    kind : {'exhaust', 'transfer', 'boost', 'intake', 'strato', 'other'}
    control : {'crown', 'skirt', 'pocket', 'none'}
    roof_mm, floor_mm : float or None
        Above the base face [mm]; None if nobody knows.
    pocket : Pocket or None
        Needed when `control` is 'pocket'.
    roof_u_mm, floor_u_mm : float or None
        Standard uncertainties [mm]; None if nobody said.
    """

    id: str
    kind: Kind
    control: Control
    roof_mm: float | None = None
    floor_mm: float | None = None
    pocket: Pocket | None = None
    roof_u_mm: float | None = None
    floor_u_mm: float | None = None


def edges_of(port: Port) -> PortEdges:
    """Return the heights of a port from its outlines.

    Parameters
    ----------
    port : Port

    Returns
    -------
    PortEdges
        Of the window that reaches highest, and of the one that reaches lowest.

    Examples
    --------
    >>> shape = window_polygon([[0, 30], [10, 30], [10, 38], [0, 38]])
    >>> edges = edges_of(Port(id="a", kind="transfer", control="crown", windows=(Window(outline=shape),)))
    >>> edges.roof_mm, edges.floor_mm
    (38.0, 30.0)
    """
    highest = max(port.windows, key=lambda window: float(window.outline.bounds[3]))
    lowest = min(port.windows, key=lambda window: float(window.outline.bounds[1]))
    return PortEdges(
        id=port.id,
        kind=port.kind,
        control=port.control,
        roof_mm=float(highest.outline.bounds[3]),
        floor_mm=float(lowest.outline.bounds[1]),
        pocket=port.pocket,
        roof_u_mm=None if highest.doubt is None else highest.doubt.roof_u_mm,
        floor_u_mm=None if lowest.doubt is None else lowest.doubt.floor_u_mm,
    )


def window_polygon(outline_mm: ArrayLike, holes_mm: tuple[ArrayLike, ...] = ()) -> Polygon:
    """Return a checked window shape.

    Parameters
    ----------
    outline_mm : array_like of shape (N, 2)
        Corners (x, y) in the bore frame [mm], in either sense, the first not repeated; N at least 3.
    holes_mm : tuple of array_like of shape (M, 2), optional
        Islands of metal inside.

    Returns
    -------
    shapely.Polygon
        Valid, exterior anticlockwise, holes clockwise.

    Raises
    ------
    GeometryError
        If a figure is not finite, there are fewer than three corners, the shape has no area, or it
        crosses itself (with the place).

    Examples
    --------
    >>> window_polygon([[0, 30], [10, 30], [10, 38], [0, 38]]).area
    80.0
    >>> window_polygon([[0, 30], [10, 38], [10, 30], [0, 38]])
    Traceback (most recent call last):
    portmap.errors.GeometryError: the outline crosses itself near x 5.0 mm, y 34.0 mm; redraw that place
    """
    rings = [_ring(outline_mm, "")]
    rings += [_ring(hole, f"holes_mm[{number}]") for number, hole in enumerate(holes_mm)]
    shape = Polygon(rings[0], rings[1:])
    if not shape.convex_hull.area > 0:
        raise GeometryError("the outline encloses no area", remedy="redraw it")
    if not shape.is_valid:
        why = shapely.is_valid_reason(shape)
        what, _, place = why.partition("[")
        word = (
            "crosses itself" if "intersection" in what.lower() else f"is not a shape ({what.strip().lower()})"
        )
        x, y = (float(part) for part in place.rstrip("]").split()[:2])
        raise GeometryError(f"the outline {word} near x {x:.1f} mm, y {y:.1f} mm", remedy="redraw that place")
    return shapely.geometry.polygon.orient(shape)


def _ring(points_mm: ArrayLike, where: str) -> NDArray[np.float64]:
    points = np.asarray(points_mm, np.float64)
    if points.ndim != 2 or points.shape[1] != 2 or len(points) < 3:
        raise GeometryError("an outline needs at least three corners [x, y]", where=where, remedy="redraw it")
    if not np.isfinite(points).all():
        bad = int(np.argmin(np.isfinite(points).all(axis=1)))
        raise GeometryError("a corner is not a number", where=f"{where}[{bad}]", remedy="mend that corner")
    return points


def roof_of(port: Port) -> float:
    """Return the height of the port's highest point.

    Parameters
    ----------
    port : Port

    Returns
    -------
    float
        Height above the base face [mm].

    Examples
    --------
    >>> shape = window_polygon([[0, 30], [10, 30], [10, 38], [0, 38]])
    >>> roof_of(Port(id="a", kind="transfer", control="crown", windows=(Window(outline=shape),)))
    38.0
    """
    return max(float(window.outline.bounds[3]) for window in port.windows)


def floor_of(port: Port) -> float:
    """Return the height of the port's lowest point.

    Parameters
    ----------
    port : Port

    Returns
    -------
    float
        Height above the base face [mm].

    Examples
    --------
    >>> shape = window_polygon([[0, 30], [10, 30], [10, 38], [0, 38]])
    >>> floor_of(Port(id="a", kind="transfer", control="crown", windows=(Window(outline=shape),)))
    30.0
    """
    return min(float(window.outline.bounds[1]) for window in port.windows)


def wall_area(port: Port) -> float:
    """Return the area of all the port's windows on the developed wall.

    Parameters
    ----------
    port : Port

    Returns
    -------
    float
        Area [mm²], islands of metal taken off.

    Examples
    --------
    >>> shape = window_polygon([[0, 30], [10, 30], [10, 38], [0, 38]])
    >>> wall_area(Port(id="a", kind="transfer", control="crown", windows=(Window(outline=shape),)))
    80.0
    """
    return float(sum(window.outline.area for window in port.windows))


def centre_x(window: Window, bore_mm: float) -> float:
    """Return where the window's mean radial direction meets the wall.

    The direction is that of ∫(cos φ, sin φ) dA over the window, φ = x/R, so that it is the same wherever
    the wrap falls.

    Parameters
    ----------
    window : Window
    bore_mm : float
        Bore [mm].

    Returns
    -------
    float
        x [mm], continuous with the window's own x.

    Raises
    ------
    GeometryError
        If the window goes so far round that it has no direction.

    Examples
    --------
    >>> round(centre_x(Window(outline=window_polygon([[0, 30], [10, 30], [10, 38], [0, 38]])), 46.0), 6)
    5.0
    """
    radius = bore_mm / 2
    middle = float(sum(window.outline.bounds[::2])) / 2
    cosine = sine = 0.0
    for ring in (window.outline.exterior, *window.outline.interiors):
        points = np.asarray(ring.coords)
        phi, y = (points[:, 0] - middle) / radius, points[:, 1]
        # Green's theorem with exact edge integrals: ∬ f(φ) dA = R ∮ F(φ) dy, F the antiderivative of f
        mean, half = (phi[1:] + phi[:-1]) / 2, (phi[1:] - phi[:-1]) / 2
        smooth = np.sinc(half / np.pi) * np.diff(y)
        cosine += radius * float(np.sum(np.sin(mean) * smooth))
        sine -= radius * float(np.sum(np.cos(mean) * smooth))
    if not math.hypot(cosine, sine) > 1e-9 * window.outline.area:
        raise GeometryError("the window goes round the bore and faces no one way", remedy="split it")
    return middle + radius * math.atan2(sine, cosine)


def chord_width(arc_mm: ArrayLike, bore_mm: float) -> NDArray[np.float64]:
    """Return the straight width across an arc of the bore.

    Parameters
    ----------
    arc_mm : array_like of shape (...)
        Width along the wall [mm].
    bore_mm : float
        Bore [mm].

    Returns
    -------
    ndarray of shape (...)
        Chord [mm].

    References
    ----------
    .. [1] Machinery's Handbook, segments of circles: chord = D·sin(arc/D) (from memory).

    Examples
    --------
    >>> chord_width(41.871465, 54.0).round(4)
    np.float64(37.8)
    """
    return np.asarray(bore_mm * np.sin(np.asarray(arc_mm, np.float64) / bore_mm))


def turned_window(window: Window, x_mm: float) -> Window:
    """Return the window moved round the bore.

    Parameters
    ----------
    window : Window
    x_mm : float
        How far to the right, along the wall [mm].

    Returns
    -------
    Window

    Examples
    --------
    >>> turned_window(Window(outline=window_polygon([[0, 0], [4, 0], [0, 4]])), 10).outline.bounds
    (10.0, 0.0, 14.0, 4.0)
    """
    return replace(window, outline=_moved(window.outline, x_mm, 0.0))


def mirrored_window(window: Window) -> Window:
    """Return the window's image on the other side of the exhaust centre line.

    Parameters
    ----------
    window : Window

    Returns
    -------
    Window
        With x and −x exchanged.

    Examples
    --------
    >>> mirrored_window(Window(outline=window_polygon([[1, 0], [4, 0], [1, 4]]))).outline.bounds
    (-4.0, 0.0, -1.0, 4.0)
    """
    flipped = _scaled(window.outline, -1.0, 1.0, origin=(0.0, 0.0))
    return replace(window, outline=shapely.geometry.polygon.orient(flipped))


def join_across_wrap(windows: tuple[Window, ...], bore_mm: float) -> tuple[Window, ...]:
    """Return windows with the halves joined that an unrolled picture cut at its edge.

    Parameters
    ----------
    windows : tuple of Window
        Any of them may touch x = ±π·bore/2.
    bore_mm : float
        Bore [mm].

    Returns
    -------
    tuple of Window
        Each centred within ±π·bore/2; a joined one takes the larger doubt of its halves.

    Examples
    --------
    >>> half = 46 * math.pi / 2
    >>> left = Window(outline=window_polygon([[-half, 20], [-half + 5, 20], [-half + 5, 30], [-half, 30]]))
    >>> right = Window(outline=window_polygon([[half - 5, 20], [half, 20], [half, 30], [half - 5, 30]]))
    >>> [round(w.outline.area, 6) for w in join_across_wrap((left, right), 46.0)]
    [100.0]
    """
    round_mm = math.pi * bore_mm
    touch_mm = 1e-6 * bore_mm
    kept: list[Window] = []
    for window in windows:
        low, high = window.outline.bounds[0], window.outline.bounds[2]
        for number, other in enumerate(kept):
            if (
                abs(high - round_mm / 2) <= touch_mm
                and abs(other.outline.bounds[0] + round_mm / 2) <= touch_mm
            ):
                first, second = window, turned_window(other, round_mm)
            elif (
                abs(low + round_mm / 2) <= touch_mm
                and abs(other.outline.bounds[2] - round_mm / 2) <= touch_mm
            ):
                first, second = other, turned_window(window, round_mm)
            else:
                continue
            seam = shapely.union(
                *(_at_seam(side.outline, round_mm / 2, touch_mm) for side in (first, second))
            )
            if isinstance(seam, Polygon):
                kept[number] = Window(
                    outline=shapely.geometry.polygon.orient(seam), doubt=_larger(first.doubt, second.doubt)
                )
                break
        else:
            kept.append(window)
    return tuple(_within_one_turn(window, round_mm) for window in kept)


def _at_seam(shape: Polygon, seam_mm: float, touch_mm: float) -> Polygon:
    """Return the shape with corners that rounding put beside the seam set exactly on it."""

    def put(points: NDArray[np.float64]) -> NDArray[np.float64]:
        near = np.abs(points[:, 0] - seam_mm) <= touch_mm
        return np.column_stack([np.where(near, seam_mm, points[:, 0]), points[:, 1]])

    return shapely.transform(shape, put)


def _within_one_turn(window: Window, round_mm: float) -> Window:
    turns = round(sum(window.outline.bounds[::2]) / 2 / round_mm)
    return turned_window(window, -turns * round_mm) if turns else window


def _larger(first: WindowDoubt | None, second: WindowDoubt | None) -> WindowDoubt | None:
    if first is None or second is None:
        return first or second
    return WindowDoubt(
        roof_u_mm=max(first.roof_u_mm, second.roof_u_mm),
        floor_u_mm=max(first.floor_u_mm, second.floor_u_mm),
        wall_area_u_mm2=first.wall_area_u_mm2 + second.wall_area_u_mm2,
        edge_u_mm=max(first.edge_u_mm, second.edge_u_mm),
    )


def mirrored_pairs(port_map: PortMap, bore_mm: float) -> tuple[tuple[str, int, str, int], ...]:
    """Return which windows face each other across the exhaust centre line.

    Two windows of one kind are a pair when the mirror image of one lies over most of the other (common
    area at least half of the larger).

    Parameters
    ----------
    port_map : PortMap
    bore_mm : float
        Bore [mm]; images are compared wherever the wrap falls.

    Returns
    -------
    tuple of (str, int, str, int)
        Port and window number on the left (x below 0), then on the right; best match first come.

    Examples
    --------
    >>> right = Window(outline=window_polygon([[20, 20], [30, 20], [30, 30], [20, 30]]))
    >>> port = Port(id="t", kind="transfer", control="crown", windows=(right, mirrored_window(right)))
    >>> mirrored_pairs(PortMap(stage="stock", ports=(port,)), 46.0)
    (('t', 1, 't', 0),)
    """
    round_mm = math.pi * bore_mm
    lefts: list[tuple[str, int, Kind, Window]] = []
    rights: list[tuple[str, int, Kind, Window]] = []
    for port in port_map.ports:
        for number, window in enumerate(port.windows):
            place = _within_one_turn(window, round_mm)
            middle = sum(place.outline.bounds[::2]) / 2
            (lefts if middle < 0 else rights).append((port.id, number, port.kind, place))
    found: list[tuple[float, str, int, str, int]] = []
    for port_id, number, kind, left in lefts:
        image = mirrored_window(left).outline
        for other_id, other_number, other_kind, right in rights:
            common = image.intersection(right.outline).area / max(image.area, right.outline.area)
            if kind == other_kind and common >= 0.5:
                found.append((-common, port_id, number, other_id, other_number))
    pairs: list[tuple[str, int, str, int]] = []
    used: set[tuple[str, str, int]] = set()
    for _, port_id, number, other_id, other_number in sorted(found):
        ends = {("left", port_id, number), ("right", other_id, other_number)}
        if not ends & used:
            used |= ends
            pairs.append((port_id, number, other_id, other_number))
    return tuple(pairs)
