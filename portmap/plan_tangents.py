"""Figures that need whole outlines, taken along tangents so that a linear programme can seek them.

A line is right at its own work and there has the figures' slopes along each move, read off by doing a little
more of it. Everything else about such figures is in `portmap.traced_figures`.

Glossary
--------
piece
    A kind of work, and the port that it is done to.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from portmap.errors import GeometryError
from portmap.operation import Operation
from portmap.plan_moves import Bench, Move
from portmap.recipe import in_working_order
from portmap.shopwork import Build, after
from portmap.traced_figures import traced_figures
from portmap.wish_bounds import Demand, traced_measure

__all__ = ["Line", "along", "lines_at"]

Piece = tuple[str, str | None]

TANGENT_MM = 0.1  # of work, over which a slope is taken


@dataclass(frozen=True, kw_only=True, slots=True)
class Line:
    """Traced figures at some work, and what each move does to them there.

    Parameters
    ----------
    amounts : dict of (str, str or None) to float
        The work, by piece [mm].
    figures : dict of str to float
        By measure.
    slopes : dict of (str, str or None) to dict of str to float
        By piece, then by measure, for one millimetre taken.
    """

    amounts: Mapping[Piece, float]
    figures: Mapping[str, float]
    slopes: Mapping[Piece, Mapping[str, float]]


def lines_at(
    build: Build, demands: Sequence[Demand], points: Sequence[tuple[Sequence[Operation], Sequence[Move]]]
) -> list[Line]:
    """Return the figures of demands at several pieces of work, and what some moves do to them there.

    Parameters
    ----------
    build : Build
        Before any work, with its outlines.
    demands : sequence of Demand
        About figures that need outlines.
    points : sequence of (sequence of Operation, sequence of Move)
        Work in working order, and the moves whose slopes are wanted there. All are judged in one go.

    Returns
    -------
    list of Line
        A slope is 0 where no more of a move can be done.

    Raises
    ------
    GasError, GeometryError
        As `traced_figures`.

    Examples
    --------
    >>> from portmap.crank import Crank
    >>> from portmap.engine import Engine
    >>> from portmap.port import Port, PortMap, Window, edges_of, window_polygon
    >>> from portmap.wishes import wish_of
    >>> engine = Engine(bore_mm=46, crank=Crank(stroke_mm=32, rod_mm=58), crown_height_mm=61)
    >>> shape = window_polygon([[-14, 28], [14, 28], [14, 40], [-14, 40]])
    >>> port = Port(id="e", kind="exhaust", control="crown", windows=(Window(outline=shape),))
    >>> build = Build(engine=engine, edges=(edges_of(port),), port_map=PortMap(stage="stock", ports=(port,)))
    >>> wish = wish_of("exhaust time-area at least 0.7 mm2 s at 9000 rpm")
    >>> line = lines_at(build, [Demand(wish=wish, port=None, low=0.7, high=math.inf)], [((), ())])[0]
    >>> round(line.figures["time_area:exhaust:9000"], 4)
    0.6028
    """
    builds = []
    for work, moves in points:
        builds.append(after(build, *work))
        builds += [_nudged(build, work, move) for move in moves]
    outlined = [(one.engine, one.port_map) for one in builds if one.port_map is not None]
    columns = {traced_measure(one.wish): traced_figures(one.wish, outlined) for one in demands}
    found, place = [], 0
    for work, moves in points:
        figures = {measure: column[place] for measure, column in columns.items()}
        slopes = {}
        for number, move in enumerate(moves, place + 1):
            rise = {measure: column[number] - figures[measure] for measure, column in columns.items()}
            slopes[move.name, move.port] = {
                measure: each / TANGENT_MM if math.isfinite(each) else 0.0 for measure, each in rise.items()
            }
        amounts = {(one.operation, one.port): one.amount_mm for one in work}
        found.append(Line(amounts=amounts, figures=figures, slopes=slopes))
        place += 1 + len(moves)
    return found


def _nudged(build: Build, work: Sequence[Operation], move: Move) -> Build:
    """Return what work with a little more of one move leaves; without that where it cannot be done."""
    amounts = {(one.operation, one.port): one.amount_mm for one in work}
    fitted = build.engine.base_gasket_mm if move.name == "base_gasket" else 0.0
    amounts[move.name, move.port] = amounts.get((move.name, move.port), fitted) + TANGENT_MM
    more = [
        Operation(operation=name, amount_mm=amount, port=port) for (name, port), amount in amounts.items()
    ]
    try:
        return after(build, *in_working_order(more, [port.id for port in build.edges]))
    except GeometryError:
        return after(build, *work)


def along(bench: Bench, moves: Sequence[Move], line: Line) -> tuple[Bench, tuple[Move, ...]]:
    """Return a bench and its moves with the traced figures along a line.

    Parameters
    ----------
    bench : Bench
    moves : sequence of Move
    line : Line

    Returns
    -------
    bench : Bench
    moves : tuple of Move

    Examples
    --------
    >>> from portmap.crank import Crank
    >>> bench = Bench(crank=Crank(stroke_mm=32, rod_mm=58), measures={}, rooms=())
    >>> cut = Move(name="cut_base", port=None, step_mm=0.05, most=40, tier=2, setup="lathe",
    ...            effects={}, rooms=())
    >>> piece = ("cut_base", None)
    >>> line = Line(amounts={piece: 0.5}, figures={"x": 3.0}, slopes={piece: {"x": 2.0}})
    >>> along(bench, [cut], line)[0].measures
    {'x': 2.0}
    """
    start = {
        measure: figure
        - sum(slopes[measure] * line.amounts.get(piece, 0.0) for piece, slopes in line.slopes.items())
        for measure, figure in line.figures.items()
    }
    leaned = tuple(
        replace(move, effects={**move.effects, **line.slopes.get((move.name, move.port), {})})
        for move in moves
    )
    return replace(bench, measures={**bench.measures, **start}), leaned
