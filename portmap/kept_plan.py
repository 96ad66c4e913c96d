"""A recipe that was kept in a job, and what its wishes come to as roofs are marked out.

Roofs and floors are marked where a proposed map has them; the rest of the kept work, such as a cut of the
base or another gasket, counts as done.

Glossary
--------
kept
    Chosen from a plan's recipes and written into the job.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from portmap.demands import demands_of, miss_of, wished_figure
from portmap.job_schema import OperationEntry, PlanEntry
from portmap.operation import Operation
from portmap.port import PortMap, edges_of
from portmap.recipe import Outcome
from portmap.shopwork import Build, after
from portmap.wishes import wishes_of

__all__ = ["MARKED", "kept_outcomes", "kept_plan"]

MARKED = ("grind_roof", "grind_floor")  # what a proposed map shows


def kept_plan(recipe: Mapping[str, Any], *, date: str) -> PlanEntry:
    """Return a recipe as a job keeps it.

    Parameters
    ----------
    recipe : mapping
        One of ``recipes`` of `portmap.plan_document.plan_document`.
    date : str
        When it was chosen, as in 2026-11-25.

    Returns
    -------
    PlanEntry

    Examples
    --------
    >>> recipe = {"wishes": [{"wish": "squish 0.5 mm"}], "steps": ["Turn."],
    ...           "operations": [{"operation": "cut_base", "amount_mm": 0.1}]}
    >>> kept_plan(recipe, date="2026-11-25").operations[0].amount_mm
    0.1
    """
    return PlanEntry(
        wishes=tuple(wish["wish"] for wish in recipe["wishes"]),
        operations=tuple(
            OperationEntry(operation=piece["operation"], amount_mm=piece["amount_mm"], port=piece.get("port"))
            for piece in recipe["operations"]
        ),
        steps=tuple(recipe["steps"]),
        kept=date,
    )


def kept_outcomes(plan: PlanEntry, start: Build, proposed: PortMap) -> tuple[Outcome, ...]:
    """Return what the wishes of a kept plan come to with the roofs of a proposed map.

    Parameters
    ----------
    plan : PlanEntry
    start : Build
        What stands on the bench before any work.
    proposed : PortMap
        With the roofs and floors as they are marked out.

    Returns
    -------
    tuple of Outcome
        Before is as it stands now, after is with the proposed edges and all the plan's other work.

    Raises
    ------
    PortmapError
        If a wish cannot be read, or work cannot be done to this engine.

    Examples
    --------
    >>> from portmap.crank import Crank
    >>> from portmap.engine import Engine
    >>> from portmap.port import Port, Window, window_polygon
    >>> engine = Engine(bore_mm=46, crank=Crank(stroke_mm=32, rod_mm=58), crown_height_mm=61)
    >>> def ports(roof):
    ...     shape = window_polygon([[-14, 28], [14, 28], [14, roof], [-14, roof]])
    ...     port = Port(id="e", kind="exhaust", control="crown", windows=(Window(outline=shape),))
    ...     return PortMap(stage="stock", ports=(port,))
    >>> start = Build(engine=engine, edges=tuple(edges_of(port) for port in ports(39).ports))
    >>> plan = PlanEntry(wishes=("exhaust opens 100",), operations=())
    >>> [round(outcome.miss, 2) for outcome in kept_outcomes(plan, start, ports(40))]
    [0.0]
    """
    demands = demands_of(wishes_of(plan.wishes), start.engine, start.edges, port_map=start.port_map)
    marked = {port.id: edges_of(port) for port in proposed.ports}
    edges = tuple(marked.get(edge.id, edge) for edge in start.edges)
    other = (
        Operation(operation=piece.operation, amount_mm=piece.amount_mm, port=piece.port)
        for piece in plan.operations
        if piece.operation not in MARKED
    )
    port_map = start.port_map
    if port_map is not None:
        outlines = {port.id: port for port in proposed.ports}
        port_map = replace(port_map, ports=tuple(outlines.get(port.id, port) for port in port_map.ports))
    now = after(Build(engine=start.engine, edges=edges, port_map=port_map), *other)
    found = []
    for demand in demands:
        before, figure = (
            wished_figure(demand, one.engine, one.edges, port_map=one.port_map) for one in (start, now)
        )
        found.append(Outcome(demand=demand, before=before, after=figure, miss=miss_of(demand, figure)))
    return tuple(found)
