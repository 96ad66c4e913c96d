"""The verb that sets two maps side by side: compare."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal

import typer

from portmap.commands.options import AsJson, Force, Units
from portmap.commands.screen import answer, waiting

if TYPE_CHECKING:
    from portmap.compare import Comparison
    from portmap.compared_files import ReadSide
    from portmap.port import Stage
    from portmap.shown import UnitSystem

__all__ = ["compare"]

StageName = Literal["stock", "proposed", "ground"]

PICTURES = {".png": "png", ".svg": "svg"}
PLOTS = {**PICTURES, ".pdf": "pdf"}


def compare(
    first: Annotated[Path, typer.Argument(metavar="A", help="A job file, or a map file.")],
    second: Annotated[
        Path | None,
        typer.Argument(metavar="B", help="The other one; left away, two stages of the one job are compared."),
    ] = None,
    stages: Annotated[
        str | None,
        typer.Option(
            "--stages",
            metavar="A,B",
            help="Two stages of one job, as in stock,ground; its first and last unless told.",
        ),
    ] = None,
    stage_a: Annotated[
        StageName | None,
        typer.Option("--stage-a", help="Which map of A; of a map file, what it shows. Stock unless told."),
    ] = None,
    stage_b: Annotated[
        StageName | None,
        typer.Option(
            "--stage-b",
            help="Which map of B, stock unless told; of a map file, what it shows, ground unless told.",
        ),
    ] = None,
    register: Annotated[
        Literal["base", "fit"],
        typer.Option(
            "--register",
            help="How B comes to lie on A: by the base face that both heights count from, or fitted on"
            " edges that were not ground.",
        ),
    ] = "base",
    bore: Annotated[
        str | None, typer.Option("--bore", metavar="LENGTH", help="Bore of map files, which do not tell it.")
    ] = None,
    rpm: Annotated[str, typer.Option("--rpm", metavar="SPEED", help="For time-areas.")] = "9000",
    degrees_only: Annotated[
        bool, typer.Option("--degrees-only", help="Compare timing alone; for cylinders of different bores.")
    ] = False,
    picture: Annotated[
        Path | None,
        typer.Option("--picture", metavar="FILE", help="Draw both on the wall laid flat: .svg or .png."),
    ] = None,
    plot: Annotated[
        Path | None,
        typer.Option("--plot", metavar="FILE", help="Plot areas against degrees: .png, .svg or .pdf."),
    ] = None,
    units: Units = "mm",
    force: Force = False,
    as_json: AsJson = False,
) -> None:
    """Compare two stages, jobs or maps, port by port, each change with its doubt.

    Where B is ground and a proposed map is known: what is still to be taken, and where the cutter went past
    the line. Left against right, too.
    """
    from portmap.compare import compared, compared_degrees
    from portmap.comparison_document import comparison_document
    from portmap.errors import Notice, QuantityError
    from portmap.files import check_free, write_together
    from portmap.quantity import length_mm, speeds_rpm
    from portmap.shown import unit_system

    speeds = speeds_rpm(rpm, where="--rpm")
    if len(speeds) != 1:
        raise QuantityError(f"{len(speeds)} speeds were given", where="--rpm", remedy="give one")
    bore_mm = None if bore is None else length_mm(bore, where="--bore", sign="positive")
    for place, forms, option in ((picture, PICTURES, "--picture"), (plot, PLOTS, "--plot")):
        if place is not None:
            _check_form(place, forms, option)
            check_free(place, force=force)
            _check_not_read(place, first, second)
    _check_apart(picture, plot)
    a, b = _sides(first, second, stages, stage_a, stage_b, bore_mm)
    if degrees_only:
        if register == "fit":
            raise QuantityError(
                "where degrees alone are compared nothing is laid on anything",
                where="--register",
                remedy="leave it away",
            )
        found = compared_degrees(a.side, b.side)
    else:
        found = compared(a.side, b.side, register=register, rpm=speeds[0], wish=b.wish or a.wish)
    document = comparison_document(found)
    said: dict[Notice, None] = {}
    for letter, one in (("A", a), ("B", b)):
        for notice in one.notices:
            said[Notice(code=notice.code, message=f"{letter}: {notice.message}")] = None
    document["warnings"] = [notice.as_dict() for notice in said] + document["warnings"]
    system = unit_system(units)
    with waiting("Drawing"):
        files = _drawings(found, picture, plot, system)
    if files:
        write_together(files, force=force)
    document |= {
        "picture": None if picture is None else str(picture),
        "plot": None if plot is None else str(plot),
    }

    def show(console: Any) -> None:
        from portmap.commands.compare_tables import show_comparison

        show_comparison(console, found, system)
        for place in files:
            console.print(f"Wrote {place}.")

    answer(document, as_json=as_json, show=show)


def _sides(
    first: Path,
    second: Path | None,
    stages: str | None,
    stage_a: Stage | None,
    stage_b: Stage | None,
    bore_mm: float | None,
) -> tuple[ReadSide, ReadSide]:
    from portmap.compared_files import read_side, stages_in
    from portmap.errors import JobError, QuantityError

    if stages is not None:
        if stage_a is not None or stage_b is not None:
            raise QuantityError(
                "it says the same as --stage-a and --stage-b", where="--stages", remedy="give one of them"
            )
        stage_a, stage_b = _two_stages(stages)
    if second is None:
        known = stages_in(first)
        if len(known) < 2 and stage_a is None and stage_b is None:
            has = f"has {known[0]} ports alone" if known else "is a map, or a job without one"
            raise JobError(
                f"the file {has}", where=str(first), remedy="name a second file to compare it with"
            )
        if known:
            stage_a, stage_b = stage_a or known[0], stage_b or known[-1]
        second = first
    return (
        read_side(first, stage=stage_a, bore_mm=bore_mm),
        read_side(second, stage=stage_b, bore_mm=bore_mm, map_stage="ground"),
    )


def _two_stages(text: str) -> tuple[Stage, Stage]:
    from typing import get_args

    from portmap.errors import QuantityError
    from portmap.job_faults import quoted
    from portmap.port import Stage

    names = [name.strip() for name in text.split(",")]
    known: dict[str, Stage] = {stage: stage for stage in get_args(Stage)}
    if len(names) != 2 or not all(name in known for name in names):
        raise QuantityError(
            f"{quoted(text)} is not two stages", where="--stages", remedy="give for instance stock,ground"
        )
    return known[names[0]], known[names[1]]


def _check_form(place: Path, forms: dict[str, str], option: str) -> None:
    from portmap.errors import OutputError

    if place.suffix.lower() not in forms:
        endings = " or ".join(sorted(forms))
        raise OutputError(
            f"{option} draws no such file", where=str(place), remedy=f"let its name end in {endings}"
        )


def _check_not_read(place: Path, *read: Path | None) -> None:
    """Refuse to write over what is read, even when forced."""
    from portmap.errors import OutputError

    for given in read:
        if given is not None and given.exists() and place.exists() and place.samefile(given):
            raise OutputError("this file is read", where=str(place), remedy="name another one to write")


def _check_apart(picture: Path | None, plot: Path | None) -> None:
    from portmap.errors import OutputError

    if picture is not None and plot is not None and picture.resolve() == plot.resolve():
        raise OutputError(
            "picture and plot cannot be one file", where=str(plot), remedy="name another one for the plot"
        )


def _drawings(
    found: Comparison, picture: Path | None, plot: Path | None, system: UnitSystem
) -> dict[Path, bytes]:
    files: dict[Path, bytes] = {}
    if picture is not None:
        from portmap.comparison_picture import comparison_picture

        form: Any = PICTURES[picture.suffix.lower()]
        files[picture] = comparison_picture(found, form, units=system)
    if plot is not None:
        from portmap.comparison_plot import comparison_plot

        form = PLOTS[plot.suffix.lower()]
        files[plot] = comparison_plot(found, form, units=system)
    return files
