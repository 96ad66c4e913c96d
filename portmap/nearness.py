"""How near a ground map came to its wish: what is still to be taken, and what was taken past the line.

Both are areas on the wall and never negative: metal that stands where the wish has none is to be taken, and
metal that is gone where the wish has some was taken past the line. One does not make up for the other.

Glossary
--------
wish
    The proposed map.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from portmap.matching import laid_flat, matched_ports
from portmap.port import PortMap
from portmap.wall_change import Place, Shape, Tallest, area_beyond, named_mm, places_beyond, tallest_of

__all__ = ["Nearness", "PortNearness", "nearness_of"]


@dataclass(frozen=True, kw_only=True, slots=True)
class PortNearness:
    """How near a ground port came to its wish.

    Parameters
    ----------
    id : str
        In the wish.
    to_take, past : shapely.Polygon or shapely.MultiPolygon
        Still to be taken, and taken past the line [mm].
    tallest : Tallest or None
        Largest height still to be taken; None if there is nothing.
    to_take_places, past_places : tuple of Place
        The deepest first; those too shallow to be told from doubt are not among them.
    """

    id: str
    to_take: Shape
    past: Shape
    tallest: Tallest | None
    to_take_places: tuple[Place, ...]
    past_places: tuple[Place, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class Nearness:
    """How near a ground map came to its wish.

    Parameters
    ----------
    ports : tuple of PortNearness
    only_wish, only_ground : tuple of str
        Names of ports that the other one lacks.
    """

    ports: tuple[PortNearness, ...]
    only_wish: tuple[str, ...]
    only_ground: tuple[str, ...]


def nearness_of(wish: PortMap, ground: PortMap, bore_mm: float) -> Nearness:
    """Return what of a wish is still to be taken, and what was taken outside of it.

    Parameters
    ----------
    wish, ground : PortMap
        In one frame.
    bore_mm : float
        Of both [mm].

    Returns
    -------
    Nearness

    Examples
    --------
    >>> import shapely
    >>> from portmap.port import Port, Window
    >>> def made(stage, roof):
    ...     window = Window(outline=shapely.box(0, 30, 10, roof))
    ...     port = Port(id="t", kind="transfer", control="crown", windows=(window,))
    ...     return PortMap(stage=stage, ports=(port,))
    >>> port, = nearness_of(made("proposed", 38), made("ground", 37.5), 46.0).ports
    >>> port.to_take.area, port.tallest.height_mm, port.past.area
    (5.0, 0.5, 0.0)
    """
    matches = matched_ports(wish, ground, bore_mm)
    found = []
    for match in matches.both:
        line, reached = laid_flat(match.a, match.b, bore_mm)
        to_take, past = area_beyond(reached, line), area_beyond(line, reached)
        named = named_mm(match.a, match.b)
        found.append(
            PortNearness(
                id=match.a.id,
                to_take=to_take,
                past=past,
                tallest=tallest_of(to_take),
                to_take_places=places_beyond(
                    match.a.id, reached, to_take, least_mm=named, round_mm=math.pi * bore_mm
                ),
                past_places=places_beyond(match.a.id, line, past, least_mm=named, round_mm=math.pi * bore_mm),
            )
        )
    return Nearness(ports=tuple(found), only_wish=matches.only_a, only_ground=matches.only_b)
