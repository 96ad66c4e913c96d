"""What a plan is looked for in: the engine on every gasket, and what one step of each piece of work moves.

How far each piece of work moves each measure is read off `portmap.shopwork` itself, by doing one step of it.
Measures and the rooms left to limits go in straight lines, so a move does the same on every gasket.

Glossary
--------
stand
    The engine on one gasket before any work.
room
    What is left to a hard limit [mm].
hard limit
    A limit of grade ``limit``, and that of squish where no wish names squish: no recipe breaks it. One that
    was broken before the work may not get worse. Other limits become warnings.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence, Set
from dataclasses import dataclass, replace

from portmap.errors import GeometryError
from portmap.operation import Operation, kind_of
from portmap.plan_moves import Bench, Move
from portmap.recipe import SETUPS
from portmap.shop import TIERS, Shop
from portmap.shop_limits import ShopLimit, limit_margins
from portmap.shopwork import Build, after
from portmap.wish_bounds import Demand, measures_of

__all__ = ["Stand", "hard_limits", "moves_of", "rooms_left", "stands_of"]

GASKET_STEP_MM = 0.05  # between thicknesses that are looked for where none on hand will do
ANY_GASKET_MM = 2.0

Rooms = dict[tuple[str, str], float]


@dataclass(frozen=True, kw_only=True, slots=True)
class Stand:
    """An engine on one gasket, and what may be done to it.

    Parameters
    ----------
    build : Build
        Without outlines.
    gasket : Operation or None
        What changed the gasket; None for the one fitted now.
    bench : Bench
    moves : tuple of Move
    """

    build: Build
    gasket: Operation | None
    bench: Bench
    moves: tuple[Move, ...]


def rooms_left(plain: Build, now: Build, hard: tuple[ShopLimit, ...]) -> Rooms:
    """Return the room left to each hard limit that can be known.

    Parameters
    ----------
    plain : Build
        Before any work, without outlines.
    now : Build
        After some.
    hard : tuple of ShopLimit

    Returns
    -------
    dict of (str, str) to float
        By limit and place [mm]; below 0 where it is broken.

    Examples
    --------
    >>> from portmap.crank import Crank
    >>> from portmap.engine import Engine
    >>> engine = Engine(bore_mm=46, crank=Crank(stroke_mm=32, rod_mm=58), crown_height_mm=61)
    >>> rooms_left(Build(engine=engine, edges=()), Build(engine=engine, edges=()), ())
    {}
    """
    return {
        (margin.limit.name, margin.where): margin.margin_mm
        for margin in limit_margins(plain, now, hard)
        if margin.margin_mm is not None
    }


def moves_of(
    plain: Build, shop: Shop, hard: tuple[ShopLimit, ...], wanted: Set[str], *, traced: bool
) -> tuple[Move, ...]:
    """Return what the tools on hand can do that counts for a wish or makes room at a limit.

    Parameters
    ----------
    plain : Build
        Without outlines.
    shop : Shop
    hard : tuple of ShopLimit
    wanted : set of str
        Measures that any wish is about.
    traced : bool
        Whether a wish needs whole outlines: which moves such a figure heeds is known only from its tangents.

    Returns
    -------
    tuple of Move

    Examples
    --------
    >>> from portmap.crank import Crank
    >>> from portmap.engine import Engine
    >>> from portmap.shop import shop_of
    >>> engine = Engine(bore_mm=46, crank=Crank(stroke_mm=32, rod_mm=58), crown_height_mm=61,
    ...                 squish_band_height_mm=61.5)
    >>> found = moves_of(Build(engine=engine, edges=()), shop_of(have="lathe"), (), {"squish"}, traced=False)
    >>> [move.name for move in found]
    ['cut_base', 'cut_band', 'cut_crown']
    """
    measures, start = measures_of(plain.engine, plain.edges), rooms_left(plain, plain, hard)
    moves = []
    for name, port in _candidates(plain, shop):
        move = _move(plain, shop, hard, measures, start, name, port)
        if move is None:
            continue
        counts = wanted & move.effects.keys() or (traced and move.effects)
        if counts or any(room > 0 for room in move.rooms):
            moves.append(move)
    return tuple(moves)


def _candidates(plain: Build, shop: Shop) -> list[tuple[str, str | None]]:
    """Return the work that the tools on hand can do to this engine."""
    found: list[tuple[str, str | None]] = []
    for name in SETUPS:
        if not set(kind_of(name).needs) & set(shop.tools):
            continue
        if not kind_of(name).takes_port:
            found.append((name, None))
            continue
        control = ("crown", "pocket") if name == "grind_roof" else ("skirt", "pocket")
        found += [(name, port.id) for port in plain.edges if port.control in control]
    return found


def _move(
    plain: Build,
    shop: Shop,
    hard: tuple[ShopLimit, ...],
    measures: Mapping[str, float],
    start: Rooms,
    name: str,
    port: str | None,
) -> Move | None:
    """Return what one step of some work does, None if a length that it needs is not known."""
    tool = next(tool for tool in kind_of(name).needs if tool in shop.tools)
    step = shop.steps_mm[tool]
    try:
        worked = after(plain, Operation(operation=name, amount_mm=step, port=port))
    except GeometryError:
        return None
    moved = measures_of(worked.engine, worked.edges)
    effects = {measure: _clean((moved[measure] - was) / step) for measure, was in measures.items()}
    now = rooms_left(plain, worked, hard)
    return Move(
        name=name,
        port=port,
        step_mm=step,
        most=math.floor(shop.most_mm / step + 1e-9),
        tier=TIERS[tool],
        setup=SETUPS[name],
        effects={measure: effect for measure, effect in effects.items() if effect != 0.0},
        rooms=tuple(_clean((now[key] - room) / step) for key, room in start.items()),
    )


def stands_of(
    plain: Build, shop: Shop, hard: tuple[ShopLimit, ...], moves: tuple[Move, ...], *, any_gasket: bool
) -> list[Stand]:
    """Return the engine on each gasket that is on hand.

    Parameters
    ----------
    plain : Build
        Without outlines.
    shop : Shop
    hard : tuple of ShopLimit
    moves : tuple of Move
        From `moves_of`.
    any_gasket : bool
        As if every thickness up to `ANY_GASKET_MM` were on hand: one stand without a gasket, one more move.

    Returns
    -------
    list of Stand
        That of the gasket which is fitted now first: of two recipes that are otherwise alike it wins.

    Examples
    --------
    >>> from portmap.crank import Crank
    >>> from portmap.engine import Engine
    >>> from portmap.shop import shop_of
    >>> engine = Engine(bore_mm=46, crank=Crank(stroke_mm=32, rod_mm=58), crown_height_mm=61,
    ...                 base_gasket_mm=0.4)
    >>> shop = shop_of(gaskets_mm=(0.3, 0.4))
    >>> found = stands_of(Build(engine=engine, edges=()), shop, (), (), any_gasket=False)
    >>> [stand.build.engine.base_gasket_mm for stand in found]
    [0.4, 0.3]
    """
    start = rooms_left(plain, plain, hard)
    if any_gasket:
        return [_with_any_gasket(_stand(plain, hard, moves, start, 0.0), plain, hard)]
    fitted, on_hand = plain.engine.base_gasket_mm, shop.gaskets_mm
    sizes = [fitted] if on_hand is None else sorted(on_hand, key=lambda size: (abs(size - fitted), size))
    return [_stand(plain, hard, moves, start, size) for size in sizes]


def _stand(
    plain: Build, hard: tuple[ShopLimit, ...], moves: tuple[Move, ...], start: Rooms, gasket_mm: float
) -> Stand:
    gasket = None
    if abs(gasket_mm - plain.engine.base_gasket_mm) > 1e-9:
        gasket = Operation(operation="base_gasket", amount_mm=gasket_mm)
    build = plain if gasket is None else after(plain, gasket)
    # a limit that is broken already must only not get worse
    left = tuple(room - min(start[key], 0.0) for key, room in rooms_left(plain, build, hard).items())
    measures = measures_of(build.engine, build.edges)
    bench = Bench(crank=build.engine.crank, measures=measures, rooms=left)
    return Stand(build=build, gasket=gasket, bench=bench, moves=moves)


def _with_any_gasket(stand: Stand, plain: Build, hard: tuple[ShopLimit, ...]) -> Stand:
    thicker = after(stand.build, Operation(operation="base_gasket", amount_mm=1.0))
    was, now = (measures_of(one.engine, one.edges) for one in (stand.build, thicker))
    rooms, left = (rooms_left(plain, one, hard) for one in (stand.build, thicker))
    move = Move(
        name="base_gasket",
        port=None,
        step_mm=GASKET_STEP_MM,
        most=round(ANY_GASKET_MM / GASKET_STEP_MM),
        tier=0,
        setup="gasket",
        effects={measure: _clean(now[measure] - was[measure]) for measure in was},
        rooms=tuple(_clean(left[key] - room) for key, room in rooms.items()),
    )
    return replace(stand, moves=(*stand.moves, move))


def hard_limits(limits: Sequence[ShopLimit], demands: Sequence[Demand]) -> tuple[ShopLimit, ...]:
    """Return the limits that no recipe may break.

    Parameters
    ----------
    limits : sequence of ShopLimit
    demands : sequence of Demand

    Returns
    -------
    tuple of ShopLimit

    Examples
    --------
    >>> from portmap.shop_limits import usual_limits
    >>> [limit.name for limit in hard_limits(usual_limits(), ())][:5]
    ['base_flange', 'crown_thickness', 'ring_land', 'strike', 'squish']
    """
    named = any(demand.quantity == "squish" for demand in demands)
    return tuple(
        limit
        for limit in limits
        if limit.bound_mm is not None and (limit.grade == "limit" or (limit.name == "squish" and not named))
    )


def _clean(slope: float) -> float:
    """Return a slope without the rounding of the subtraction it comes from."""
    return round(slope, 9)
