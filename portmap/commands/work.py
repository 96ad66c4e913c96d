"""The verb that shows what work does: work."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Annotated, Any

import typer

from portmap.commands.options import AsJson, JobFile, Stage, Units
from portmap.commands.screen import answer, show_basis, table

if TYPE_CHECKING:
    from rich.console import Console

    from portmap.port import PortEdges
    from portmap.shown import UnitSystem

__all__ = ["work"]

CARE = (
    "Care: glasses and a mask (aluminium, nickel and silicon-carbide dust), every plating edge chamfered, on"
    " the lathe clamp on the bore; measure between cuts. New timing can bring overspeed; emissions rules and"
    " local codes apply, and licensed practice decides where they do."
)


def work(
    job: JobFile,
    do: Annotated[
        list[str] | None,
        typer.Option(
            "--do",
            metavar="WORK",
            help='A piece of work, in working order: "cut_base 0.5 mm", "grind_roof exhaust 20 thou",'
            ' "base_gasket 0". May be given several times.',
        ),
    ] = None,
    effects: Annotated[
        bool,
        typer.Option("--table", help="Show what a little of each kind of work does to each figure."),
    ] = False,
    stage: Stage = None,
    units: Units = "mm",
    as_json: AsJson = False,
) -> None:
    """Show what gasket, cuts, trims and grinding do to every figure: before, after and change.

    The new thickness is told of base_gasket and sealant.
    What is taken off is told of cut_base, cut_crown, cut_rim, cut_band, trim_skirt.
    The port, then what is taken off, is told of grind_roof, grind_floor,
    file_pocket_top, file_pocket_bottom.

    Limits of work are common practice unless the job sets its own.
    """
    from portmap.effects import work_document
    from portmap.job import read_job
    from portmap.job_review import job_notices
    from portmap.operation import parse_operation
    from portmap.shop_limits import breaches, limits_of
    from portmap.shopwork import after, build_of
    from portmap.shown import unit_system

    if not do and not effects:
        raise typer.BadParameter(
            'name some work, as in "cut_base 0.5 mm", or ask for --table', param_hint="--do"
        )
    pieces = tuple(parse_operation(text, where="--do") for text in do or ())
    read = read_job(job)
    build = build_of(read, stage)
    limits = limits_of(read)
    now = after(build, *pieces)
    notices = job_notices(read, stage) if read.maps or stage is not None else ()
    system = unit_system(units)
    beyond = breaches(build, now, limits, system=system) if pieces else ()
    found = work_document(build, pieces, beyond, table=effects, notices=notices, system=system)
    document = {"job": read.name, "stage": None if build.port_map is None else build.port_map.stage, **found}

    def show(console: Console) -> None:
        ports = "ports from readings" if build.port_map is None else f"{build.port_map.stage} ports"
        console.print(f"{read.name}, {ports}")
        if pieces:
            _show_work(console, document, system)
            _show_figures(console, document["figures"], system)
        if effects:
            _show_effects(console, document["effects"], build.edges, system)
        show_basis(console, document)
        if any(piece["needs"] for piece in document["operations"]):
            console.print(CARE)

    answer(document, as_json=as_json, show=show)


def _show_work(console: Console, document: dict[str, Any], system: UnitSystem) -> None:
    from portmap.operation import kind_of

    rows = []
    for number, piece in enumerate(document["operations"], 1):
        kind = kind_of(piece["operation"])
        name = " ".join(part for part in (piece["operation"], piece.get("port")) if part)
        amount = f"{system.lengths(piece['amount_mm'])} {system.length}"
        rows.append([str(number), name, kind.words, " or ".join(piece["needs"]) or "no tool", amount])
    table(console, ["", "work", "which is to", "with", "amount"], rows, left=4)


def _show_figures(
    console: Console,
    figures: Mapping[str, Mapping[str, float | None]],
    system: UnitSystem,
) -> None:
    from portmap.work_rows import change_rows

    table(console, ["figure", "before", "after", "change"], change_rows(figures, system))
    console.print(
        "± is two standard uncertainties: of the readings and outlines, not of how truly the work is done."
    )


def _show_effects(
    console: Console, effects: Sequence[Mapping[str, Any]], edges: Sequence[PortEdges], system: UnitSystem
) -> None:
    """Print what a tenth of a millimetre of each work does, and ten thou; of areas in the chosen units."""
    from portmap.work_rows import effect_tables

    for each in effect_tables(effects, edges, system):
        table(console, each.columns, each.rows, title=each.title)
        if each.idle:
            console.print(f"Nothing here is changed by {', '.join(each.idle)}.")
