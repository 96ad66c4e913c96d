"""Which ports and windows of two maps are the same ones.

Ports are matched by their names first, then by kind and place. A window traced twice seldom has the same
number twice, so that a name counts only where the two ports lie over one another, or where nothing else
does. Places wrap: x and x + π·bore are one place.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Literal, TypeAlias

import numpy as np
import shapely
from shapely import MultiPolygon, Polygon
from shapely.affinity import scale, translate

from portmap.port import Port, PortMap

__all__ = [
    "MatchedBy",
    "PortMatch",
    "PortMatches",
    "at_turn",
    "laid_flat",
    "matched_ports",
    "matched_windows",
    "scaled_round",
    "shared_part",
    "wall_shape",
]

Shape: TypeAlias = Polygon | MultiPolygon
MatchedBy = Literal["name", "place"]

_LEAST_COMMON = 0.2  # of the smaller port's area: under this two ports are neighbours, not one port


@dataclass(frozen=True, kw_only=True, slots=True)
class PortMatch:
    """One port as two maps have it.

    Parameters
    ----------
    a, b : Port
    by : {'name', 'place'}
    """

    a: Port
    b: Port
    by: MatchedBy


@dataclass(frozen=True, kw_only=True, slots=True)
class PortMatches:
    """The ports that two maps share, and those that only one has.

    Parameters
    ----------
    both : tuple of PortMatch
        In the order of the first map.
    only_a, only_b : tuple of str
        Names.
    """

    both: tuple[PortMatch, ...]
    only_a: tuple[str, ...]
    only_b: tuple[str, ...]


def at_turn(outline: Polygon, x_mm: float, round_mm: float) -> Polygon:
    """Return a window's image whose middle is nearest to a place.

    Parameters
    ----------
    outline : shapely.Polygon
    x_mm : float
        The place [mm].
    round_mm : float
        π·bore [mm].

    Returns
    -------
    shapely.Polygon
        The same one if it lies there already.

    Examples
    --------
    >>> at_turn(shapely.box(60, 0, 70, 5), -70.0, 144.0).bounds
    (-84.0, 0.0, -74.0, 5.0)
    """
    turns = round((sum(outline.bounds[::2]) / 2 - x_mm) / round_mm)
    return translate(outline, -turns * round_mm, 0.0) if turns else outline


def _middle(outline: Polygon) -> float:
    return float(outline.bounds[0] + outline.bounds[2]) / 2


def wall_shape(port: Port, x_mm: float, round_mm: float) -> Shape:
    """Return all of a port on the wall, laid flat round a place.

    Parameters
    ----------
    port : Port
    x_mm : float
        The middle of the strip of wall [mm]; it reaches half a turn to both sides.
    round_mm : float
        π·bore [mm].

    Returns
    -------
    shapely.Polygon or shapely.MultiPolygon
        Its area is that of the windows; one that runs over the strip's end is in it in two parts.

    Examples
    --------
    >>> from portmap.port import Window
    >>> window = Window(outline=shapely.box(60, 0, 80, 5))
    >>> port = Port(id="in", kind="intake", control="skirt", windows=(window,))
    >>> wall_shape(port, 0.0, 144.0).bounds, wall_shape(port, 0.0, 144.0).area
    ((-72.0, 0.0, 72.0, 5.0), 100.0)
    """
    images: list[shapely.Geometry] = []
    left, right = x_mm - round_mm / 2, x_mm + round_mm / 2
    for window in port.windows:
        image = at_turn(window.outline, x_mm, round_mm)
        low, floor, high, roof = image.bounds
        if low >= left and high <= right:
            images.append(image)
            continue
        strip = shapely.box(left, floor - 1, right, roof + 1)
        images += [translate(image, turn * round_mm, 0.0).intersection(strip) for turn in (-1, 0, 1)]
    return images[0] if len(images) == 1 else shapely.union_all(images)


def laid_flat(a: Port, b: Port, bore_mm: float) -> tuple[Shape, Shape]:
    """Return all of a port as two maps have it, on one strip of wall.

    Parameters
    ----------
    a, b : Port
    bore_mm : float
        Of both [mm].

    Returns
    -------
    tuple of shapely.Polygon or shapely.MultiPolygon
        From back to back of the bore if no window runs across the back, else round the middle of the first
        port's first window.

    Examples
    --------
    >>> from portmap.port import Window
    >>> windows = [Window(outline=shapely.box(x, 0, x + 9, 5)) for x in (60.0, 61.0 - 46 * math.pi)]
    >>> made = [Port(id="in", kind="intake", control="skirt", windows=(one,)) for one in windows]
    >>> [round(shape.bounds[0], 6) for shape in laid_flat(*made, 46.0)]
    [60.0, 61.0]
    """
    round_mm = math.pi * bore_mm
    images = [at_turn(window.outline, 0.0, round_mm) for port in (a, b) for window in port.windows]
    whole = all(max(-image.bounds[0], image.bounds[2]) <= round_mm / 2 for image in images)
    middle = 0.0 if whole else _middle(images[0])
    return wall_shape(a, middle, round_mm), wall_shape(b, middle, round_mm)


def _common(a: Port, b: Port, round_mm: float) -> float:
    """Return the common area as a share of the smaller port's."""
    middle = _middle(a.windows[0].outline)
    first, second = (wall_shape(port, middle, round_mm) for port in (a, b))
    if not shapely.box(*first.bounds).intersects(shapely.box(*second.bounds)):
        return 0.0
    return float(first.intersection(second).area / min(first.area, second.area))


def _kinds_agree(a: Port, b: Port) -> bool:
    return a.kind == b.kind or "other" in (a.kind, b.kind)


def matched_ports(a: PortMap, b: PortMap, bore_mm: float) -> PortMatches:
    """Return which ports of two maps are the same.

    Parameters
    ----------
    a, b : PortMap
    bore_mm : float
        Of both [mm].

    Returns
    -------
    PortMatches

    Examples
    --------
    >>> from portmap.port import Window
    >>> def made(name, left):
    ...     window = Window(outline=shapely.box(left, 20, left + 10, 30))
    ...     return Port(id=name, kind="transfer", control="crown", windows=(window,))
    >>> stock = PortMap(stage="stock", ports=(made("1", 20), made("2", 40)))
    >>> ground = PortMap(stage="ground", ports=(made("1", 41), made("2", 20)))
    >>> [(match.a.id, match.b.id, match.by) for match in matched_ports(stock, ground, 46.0).both]
    [('1', '2', 'place'), ('2', '1', 'place')]
    """
    round_mm = math.pi * bore_mm
    common = np.array(
        [
            [_common(one, other, round_mm) if _kinds_agree(one, other) else 0.0 for other in b.ports]
            for one in a.ports
        ]
    ).reshape(len(a.ports), len(b.ports))
    same = np.array([[one.id == other.id for other in b.ports] for one in a.ports], bool).reshape(
        common.shape
    )
    found: dict[int, tuple[int, MatchedBy]] = {}
    used: set[int] = set()

    def take(rows: list[tuple[int, int]], by: MatchedBy) -> None:
        for i, j in rows:
            if i not in found and j not in used:
                found[i] = (j, by)
                used.add(j)

    over = common >= _LEAST_COMMON
    take(_best_first(common, over & same), "name")
    take(_best_first(common, over), "place")
    agree = np.array([[_kinds_agree(one, other) for other in b.ports] for one in a.ports], bool)
    take(_best_first(common, same & agree.reshape(common.shape)), "name")
    return PortMatches(
        both=tuple(PortMatch(a=a.ports[i], b=b.ports[j], by=by) for i, (j, by) in sorted(found.items())),
        only_a=tuple(port.id for i, port in enumerate(a.ports) if i not in found),
        only_b=tuple(port.id for j, port in enumerate(b.ports) if j not in used),
    )


def _best_first(common: np.ndarray, allowed: np.ndarray) -> list[tuple[int, int]]:
    places = [(int(i), int(j)) for i, j in np.argwhere(allowed)]
    return sorted(places, key=lambda place: -float(common[place]))


def matched_windows(a: Port, b: Port, bore_mm: float) -> tuple[tuple[int, int], ...]:
    """Return which windows of a port are the same in two maps.

    Parameters
    ----------
    a, b : Port
    bore_mm : float
        Of both [mm].

    Returns
    -------
    tuple of (int, int)
        Numbers in `a` and in `b`, by place: the largest common area first, then the nearest middles.

    Examples
    --------
    >>> from portmap.port import Window
    >>> left, right = (Window(outline=shapely.box(x, 20, x + 10, 30)) for x in (-30, 20))
    >>> made = [Port(id="t", kind="transfer", control="crown", windows=pair)
    ...         for pair in ((left, right), (right, left))]
    >>> matched_windows(*made, 46.0)
    ((0, 1), (1, 0))
    """
    ranked = sorted(_window_ranks(a, b, math.pi * bore_mm))
    taken: list[tuple[int, int]] = []
    for _, _, i, j in ranked:
        if all(i != one and j != other for one, other in taken):
            taken.append((i, j))
    return tuple(sorted(taken))


def _window_ranks(a: Port, b: Port, round_mm: float) -> Iterator[tuple[float, float, int, int]]:
    for i, first in enumerate(a.windows):
        for j, second in enumerate(b.windows):
            middle = _middle(first.outline)
            image = at_turn(second.outline, middle, round_mm)
            common = 0.0
            if len(a.windows) * len(b.windows) > 1:
                common = float(first.outline.intersection(image).area)
            yield -common, abs(_middle(image) - middle), i, j


def shared_part(one: Polygon, other: Polygon) -> float:
    """Return what two outlines have in common, of what they cover together.

    Parameters
    ----------
    one, other : shapely.Polygon

    Returns
    -------
    float
        From 0 to 1.

    Examples
    --------
    >>> from shapely import box
    >>> shared_part(box(0, 0, 4, 3), box(1, 0, 5, 3))
    0.6
    """
    return float(one.intersection(other).area / one.union(other).area)


def scaled_round(port_map: PortMap, factor: float) -> PortMap:
    """Return a map with every window as far round, in degrees, on a bore of another size.

    Parameters
    ----------
    port_map : PortMap
    factor : float
        The other bore over its own.

    Returns
    -------
    PortMap
        Heights stay.

    Examples
    --------
    >>> from portmap.port import Window
    >>> window = Window(outline=shapely.box(20, 20, 30, 30))
    >>> port = Port(id="t", kind="transfer", control="crown", windows=(window,))
    >>> scaled_round(PortMap(stage="stock", ports=(port,)), 1.5).ports[0].windows[0].outline.bounds
    (30.0, 20.0, 45.0, 30.0)
    """
    ports = tuple(
        replace(
            port,
            windows=tuple(
                replace(window, outline=scale(window.outline, factor, 1.0, origin=(0.0, 0.0)))
                for window in port.windows
            ),
        )
        for port in port_map.ports
    )
    return replace(port_map, ports=ports)
