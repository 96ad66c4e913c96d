"""The verb that carries a good job's ports to another casting: archive repeat."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from portmap.commands.archive import Db, Number, Pictures
from portmap.commands.archive_tables import show_repeated
from portmap.commands.options import AsJson, Units, Why
from portmap.commands.screen import answer

if TYPE_CHECKING:
    from rich.console import Console

__all__ = ["repeat"]


def repeat(
    number: Number,
    on: Annotated[Path, typer.Option("--on", metavar="NEWJOB", help="The job of the new casting.")],
    way: Annotated[
        Literal["degrees", "mm"], typer.Option("--by", help="Keep the timing, or the millimetres.")
    ] = "degrees",
    datum: Annotated[
        Literal["crown", "base", "ports"],
        typer.Option(
            "--datum",
            help="With --by mm: below the crown edge at TDC, above the base face, or as the castings' own"
            " ports lie on one another.",
        ),
    ] = "crown",
    form: Annotated[
        int | None, typer.Option("--form", metavar="N", help="An earlier form; the newest unless told.")
    ] = None,
    marks: Annotated[
        Path | None,
        typer.Option("--marks", metavar="FILE", help="Write the 1:1 sheet to grind to as well, a PDF on A4."),
    ] = None,
    dry_run: Annotated[bool, typer.Option("--dry-run", help="Show all, write nothing.")] = False,
    why: Why = None,
    units: Units = "mm",
    force: Annotated[
        bool, typer.Option("--force", help="Replace the new job's proposed map, and FILE.")
    ] = False,
    db: Db = None,
    pictures: Pictures = None,
    as_json: AsJson = False,
) -> None:
    """Carry a good job's ports to another casting, as its proposed map; say what it cannot give."""
    from portmap.archive import archived_document, entry_of, opened_archive
    from portmap.files import check_free
    from portmap.job import job_of
    from portmap.job_faults import read_kind
    from portmap.repeat import repeated
    from portmap.repeat_document import repeat_document, with_repeat
    from portmap.revisions import reason_of, save_job, writer
    from portmap.roof_figures import CARE_LINE
    from portmap.shown import unit_system

    if way == "degrees" and datum != "crown":
        raise typer.BadParameter("it goes with --by mm", param_hint="--datum")
    if marks is not None:
        if dry_run:
            raise typer.BadParameter("with --dry-run nothing is written", param_hint="--marks")
        check_free(marks, force=force)
    system = unit_system(units)
    document = read_kind(on, "job")
    new = job_of(document)
    with opened_archive(db, pictures_url=pictures, create=False) as archive:
        entry = entry_of(archive, number)
        good = job_of(archived_document(archive, number, form=form))
    found = repeated(good, new, way=way, datum=datum)
    source = {"uid": entry.uid, "job": good.name, "form": form or entry.form}
    if not dry_run:
        changed = with_repeat(document, found, source=source, replace_proposed=force)
        reason = reason_of(f"repeat of archived job {number}", why)
        save_job(on, document, changed, reason=reason, by=writer())
    if marks is not None:
        _write_marks(on, marks, force=force)
    report = {
        "id": number,
        "good": good.name,
        "job": new.name,
        "written": not dry_run,
        "marks": None if marks is None else str(marks),
        **repeat_document(found),
        "care": CARE_LINE,
    }

    def show_repeat(console: Console) -> None:
        kept = "degrees kept" if way == "degrees" else f"millimetres kept from the {datum}"
        console.print(f"{good.name} ({found.stage}) on {new.name}: {kept}.", style="bold")
        show_repeated(console, found, system)
        console.print(CARE_LINE)
        if marks is not None:
            console.print(f"Wrote {on} and {marks}. Print it at 100 % and measure both bars: 100.0 mm.")
        elif not dry_run:
            console.print(f"Wrote {on}. Marks to grind to: portmap template {on}")

    answer(report, as_json=as_json, show=show_repeat)


def _write_marks(job: Path, place: Path, *, force: bool) -> None:
    """Write the sheet that goes into the bore, in pages to be joined if the paper is too small for it."""
    from portmap.files import write_whole
    from portmap.job import read_job
    from portmap.job_template import template_record
    from portmap.template import wall_sheet
    from portmap.template_lay import lay_on
    from portmap.template_pdf import template_pdf

    record = template_record(read_job(job), job.read_bytes())
    lay, _ = lay_on(record.engine)
    write_whole(place, template_pdf(wall_sheet(record, lay, paper="A4", tiles=True)), force=force)
