"""The verb that says how sure results are, what they owe that to, and what to measure again: spread."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any

import typer

from portmap.commands.options import AsJson, JobFile, Stage, Units
from portmap.commands.screen import answer, show_basis, table

if TYPE_CHECKING:
    from rich.console import Console

    from portmap.shown import UnitSystem

__all__ = ["spread"]

UNLESS_TOLD = 10_000


def spread(
    job: JobFile,
    of: Annotated[
        list[str] | None,
        typer.Option(
            "--of",
            metavar="RESULT",
            help='Which result: blowdown, "exhaust opens", squish, "trapped ratio"; may be given several'
            " times. All of them, briefly, unless told.",
        ),
    ] = None,
    draws: Annotated[
        int, typer.Option("--draws", metavar="COUNT", help="How many draws at random, 100 to 1000000.")
    ] = UNLESS_TOLD,
    seed: Annotated[
        int, typer.Option("--seed", metavar="NUMBER", help="The same number gives the same draws.", min=0)
    ] = 1,
    rpm: Annotated[
        str | None,
        typer.Option("--rpm", metavar="SPEED", help="A speed, for specific time-areas, such as 9000."),
    ] = None,
    stage: Stage = None,
    units: Units = "mm",
    as_json: AsJson = False,
) -> None:
    """How sure each result is, by draws at random and by first order, and which reading to repeat.

    A result's ± is two standard uncertainties; its interval holds 95 of 100 draws. Figures that nobody
    doubted aloud take the doubt of the tool that would have read them: common practice, no source.
    """
    from portmap.doubts import doubts_of
    from portmap.errors import QuantityError
    from portmap.job import read_job
    from portmap.job_review import job_notices
    from portmap.quantity import speeds_rpm
    from portmap.reading_causes import reading_causes
    from portmap.shopwork import build_of
    from portmap.shown import unit_system
    from portmap.spread_document import spread_document

    if not 100 <= draws <= 1_000_000:
        raise QuantityError(
            f"{draws} draws are out of range", where="--draws", remedy="give 100 to 1000000, usually 10000"
        )
    speeds = None if rpm is None else speeds_rpm(rpm, where="--rpm")
    if speeds is not None and len(speeds) != 1:
        raise QuantityError(f"{len(speeds)} speeds at once", where="--rpm", remedy="give one, such as 9000")
    read = read_job(job)
    build = build_of(read, stage)
    doubts = doubts_of(build)
    behind, said = reading_causes(read, doubts, stage=stage)
    document = {
        "job": read.name,
        **spread_document(
            build,
            of or ["all"],
            doubts=doubts if behind is None else behind.doubts,
            causes=None if behind is None else behind.causes,
            candidates=None if behind is None else behind.candidates,
            count=draws,
            seed=seed,
            rpm=None if speeds is None else float(speeds[0]),
            notices=(*(job_notices(read, stage) if read.maps else ()), *said),
        ),
    }
    system = unit_system(units)

    def show(console: Console) -> None:
        ports = f", {document['stage']} ports" if document["stage"] else ""
        console.print(f"{read.name}{ports}; {draws} draws, seed {seed}")
        _show_results(console, document, system)
        for result in document["results"] if of else ():
            _show_budget(console, result, system)
        show_basis(console, document)

    answer(document, as_json=as_json, show=show)


def _show_results(console: Console, document: dict[str, Any], system: UnitSystem) -> None:
    from portmap.spread_rows import result_rows

    percent = f"{100 * document['coverage']:g} %"
    columns = ["result", "value", "", f"{percent} by draws", f"{percent} by first order", "agree"]
    table(console, columns, result_rows(document, system))


def _show_budget(console: Console, result: dict[str, Any], system: UnitSystem) -> None:
    from portmap.spread_rows import budget_rows, gain_lines, unit_sign

    sign, rows = unit_sign(result["unit"], system), budget_rows(result, system)
    ending = f", {sign}" if sign else ""
    columns = ["figure or reading", "its doubt is", "±", f"moves the result by{ending}", "of the variance"]
    title = f"What the doubt of {result['words']} comes from"
    if rows:
        table(console, columns, rows, title=title, left=2)
    else:
        console.print(title, style="bold")
    for line in gain_lines(result, system):
        console.print(f"  {line}")
    console.print(result["advice"], soft_wrap=True)
