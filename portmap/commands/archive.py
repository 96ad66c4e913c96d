"""The verbs of the archive: add, list, show, get, verify, export, import, backup."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal

import typer

from portmap.commands.archive_tables import found_cells, show_figures
from portmap.commands.options import AsJson, Force
from portmap.commands.screen import answer, say, table, waiting

if TYPE_CHECKING:
    from collections.abc import Callable

    from rich.console import Console

    from portmap.archive import Archive, Entry
    from portmap.archive_search import Found
    from portmap.job_schema import PictureEntry

__all__ = ["Db", "Number", "Pictures", "add", "backup", "export", "get", "import_", "list_", "show", "verify"]

Db = Annotated[
    str | None,
    typer.Option(
        "--db",
        metavar="URL",
        help="The archive: an SQLite file or postgresql://USER@HOST/NAME; PORTMAP_DB unless told, else"
        " archive.db in your data folder.",
    ),
]
Pictures = Annotated[
    str | None,
    typer.Option(
        "--pictures",
        metavar="URL",
        help="Its pictures: a folder or a store's URL; PORTMAP_PICTURES unless told, else where they are.",
    ),
]
Number = Annotated[int, typer.Argument(metavar="ID", help="The job's number in the archive.")]


def add(
    job: Annotated[list[Path], typer.Argument(metavar="JOB...", help="Job files or packed jobs.")],
    onto: Annotated[
        int | None,
        typer.Option("--as", metavar="ID", help="It is a later form of this job; earlier forms are kept."),
    ] = None,
    by: Annotated[
        str | None, typer.Option("--by", metavar="NAME", help="Who; PORTMAP_BY unless told.")
    ] = None,
    why: Annotated[str | None, typer.Option("--why", metavar="WORDS", help="Why it is added.")] = None,
    db: Db = None,
    pictures: Pictures = None,
    as_json: AsJson = False,
) -> None:
    """Add jobs to the archive, each with its pictures; all of a job or nothing of it."""
    from portmap.archive import add_job, opened_archive
    from portmap.revisions import writer

    if onto is not None and len(job) != 1:
        raise typer.BadParameter("it goes with one job", param_hint="--as")
    rows: list[dict[str, Any]] = []
    with opened_archive(db, pictures_url=pictures) as archive:
        for path in job:
            document, picture_bytes = _source(path)
            reason = (why or "").strip() or "added"
            done = add_job(archive, document, picture_bytes, onto=onto, by=writer(by), reason=reason)
            rows.append({"file": str(path), "new": done.new, **_row(done.entry)})
            if done.namesakes and onto is None:
                first = done.namesakes[0]
                say(
                    f"note: job {first} has the same name; if this is a later form of it, use"
                    f" portmap archive add {path} --as {first}"
                )
        where = archive.where

    def show_added(console: Console) -> None:
        for row in rows:
            word = f"Added job {row['id']}" if row["new"] else f"There already: job {row['id']}"
            form = f", form {row['form']}" if row["form"] > 1 else ""
            console.print(f"{word}{form}: {row['name']}.")

    answer({"archive": where, "jobs": rows}, as_json=as_json, show=show_added)


def list_(
    words: Annotated[
        str, typer.Argument(metavar="WORDS", help="Words in names, notes and kinds; all must be there.")
    ] = "",
    bore: Annotated[
        str | None, typer.Option("--bore", metavar="RANGE", help="In mm: 45..47, 45.., ..47 or 46.")
    ] = None,
    stroke: Annotated[str | None, typer.Option("--stroke", metavar="RANGE", help="In mm.")] = None,
    figure: Annotated[
        list[str] | None,
        typer.Option(
            "--figure",
            metavar="NAME=RANGE",
            help="Any figure that archive show lists, as in exhaust.opens_deg=96..100 or"
            " stock.blowdown_deg=15.. May be given several times.",
        ),
    ] = None,
    since: Annotated[str | None, typer.Option("--since", metavar="DAY", help="As in 2024-05-01.")] = None,
    until: Annotated[str | None, typer.Option("--until", metavar="DAY", help="As in 2024-05-31.")] = None,
    like: Annotated[
        str | None,
        typer.Option("--like", metavar="JOB|ID", help="Those with the most similar ports to this job's."),
    ] = None,
    stage: Annotated[
        Literal["stock", "proposed", "ground"], typer.Option("--stage", help="With --like: which maps.")
    ] = "stock",
    limit: Annotated[int, typer.Option("--limit", min=1, max=10_000, help="How many at most.")] = 50,
    db: Db = None,
    pictures: Pictures = None,
    as_json: AsJson = False,
) -> None:
    """Find jobs in the archive: by words, figures and days, or by the shape of their ports."""
    from portmap.archive import opened_archive
    from portmap.archive_search import Search, archive_count, range_of, searched, similar
    from portmap.log import time_of

    ranges = [range_of(text) for text in figure or ()]
    for name, text in (("bore_mm", bore), ("stroke_mm", stroke)):
        if text is not None:
            ranges.append(range_of(text, figure=name))
    days = [None if day is None else time_of(day)[:10] for day in (since, until)]
    if like is not None and (words or ranges or since or until):
        raise typer.BadParameter("it looks for a shape alone", param_hint="--like")
    with opened_archive(db, pictures_url=pictures, create=False) as archive:
        if like is not None:
            found = similar(archive, _cells(archive, like, stage), stage=stage, limit=limit)
        else:
            search = Search(words=words, ranges=tuple(ranges), since=days[0], until=days[1], limit=limit)
            found = searched(archive, search)
        count, where = archive_count(archive), archive.where
    document = {"archive": where, "count": count, "jobs": [_found_row(one) for one in found]}

    def show_found(console: Console) -> None:
        if found:
            heads = ["ID", "day", "name", "state", "bore × stroke [mm]", *(["likeness"] if like else [])]
            rows = [found_cells(one, with_likeness=like is not None) for one in found]
            table(console, heads, rows, left=4, wrapped=2)
        console.print(f"{len(found)} of {count} jobs.")

    answer(document, as_json=as_json, show=show_found)


def show(
    number: Number,
    db: Db = None,
    pictures: Pictures = None,
    as_json: AsJson = False,
) -> None:
    """Show an archived job: where it stands, its figures, pictures and forms."""
    from dataclasses import asdict

    from portmap.archive import archived_document, entry_of, forms_of, opened_archive
    from portmap.archive_facts import job_figures
    from portmap.job import job_of
    from portmap.job_pictures import pictures_of
    from portmap.log import shown_time
    from portmap.shown import unit_system
    from portmap.standing import standing_of

    with opened_archive(db, pictures_url=pictures, create=False) as archive:
        entry, forms = entry_of(archive, number), forms_of(archive, number)
        job = job_of(archived_document(archive, number))
    values = job_figures(job)
    standing = asdict(standing_of(job, unit_system("mm")))
    document = {
        **_row(entry),
        "standing": standing,
        "figures": values,
        "pictures": [picture.name for picture in pictures_of(job)],
        "forms": [asdict(one) for one in forms],
    }

    def show_entry(console: Console) -> None:
        console.print(f"Job {entry.id}: {entry.name}, since {entry.day}", style="bold")
        for name, text in standing.items():
            console.print(f"{name.capitalize() + ':':<9}{text}", soft_wrap=True)
        show_figures(console, values)
        rows = [[str(one.number), shown_time(one.kept_at), one.kept_by or "", one.reason] for one in forms]
        table(console, ["form", "when", "who", "why"], rows, left=4, wrapped=3)

    answer(document, as_json=as_json, show=show_entry)


def get(
    number: Number,
    out: Annotated[
        Path,
        typer.Option(
            "--out", metavar="FILE", help="A job file, with its pictures beside it; or a .zip pack."
        ),
    ],
    form: Annotated[
        int | None, typer.Option("--form", metavar="N", help="An earlier form; the newest unless told.")
    ] = None,
    force: Force = False,
    db: Db = None,
    pictures: Pictures = None,
    as_json: AsJson = False,
) -> None:
    """Get a job back out of the archive, as it was added."""
    from portmap.archive import archived_document, opened_archive, picture_content
    from portmap.archive_folders import write_entry
    from portmap.files import check_free, write_whole
    from portmap.job import job_of
    from portmap.job_pictures import pictures_of
    from portmap.pack import pack_bytes

    check_free(out, force=force)
    with opened_archive(db, pictures_url=pictures, create=False) as archive:
        if out.suffix.lower() == ".zip":
            found = archived_document(archive, number, form=form)
            named = pictures_of(job_of(found))
            content = pack_bytes(found, [(one, picture_content(archive, one)) for one in named])
            write_whole(out, content, force=force)
            count = len(named)
        else:
            count = write_entry(archive, number, out, form=form, force=force)
    document = {"id": number, "written": str(out), "pictures": count}
    words = f"Wrote {out}, with {_count(count, 'picture')}."
    answer(document, as_json=as_json, show=lambda console: console.print(words))


def verify(
    quick: Annotated[bool, typer.Option("--quick", help="Do not read the pictures, compare sizes.")] = False,
    db: Db = None,
    pictures: Pictures = None,
    as_json: AsJson = False,
) -> None:
    """Look whether the archive holds all that it says: exit 0 if so, else 1 with every fault."""
    from dataclasses import asdict

    from portmap.archive import opened_archive
    from portmap.archive_health import archive_health

    with opened_archive(db, pictures_url=pictures, create=False) as archive, waiting("Reading the archive"):
        health = archive_health(archive, quick=quick)
        where = archive.where
    document = {"archive": where, "sound": not health.problems, **asdict(health)}

    def show_health(console: Console) -> None:
        jobs, forms = _count(health.jobs, "job"), _count(health.forms, "form")
        console.print(f"{where}: {jobs} in {forms}, {_count(health.pictures, 'picture')}.")
        if health.loose:
            loose = _count(len(health.loose), "picture")
            console.print(f"{loose} in the store for no job: an addition was cut off. No harm.")
        for problem in health.problems:
            console.print(f"{problem.code}: {problem.message}", soft_wrap=True)
        if not health.problems:
            console.print("All of it is there and unchanged.")

    answer(document, as_json=as_json, show=show_health)
    if health.problems:
        raise typer.Exit(1)


def export(
    out: Annotated[Path, typer.Option("--out", metavar="DIR", help="A new folder.")],
    db: Db = None,
    pictures: Pictures = None,
    as_json: AsJson = False,
) -> None:
    """Write every job to a plain folder of its own, with its pictures and earlier forms."""
    from portmap.archive import opened_archive
    from portmap.archive_folders import export_archive

    with opened_archive(db, pictures_url=pictures, create=False) as archive, waiting("Writing"):
        count = export_archive(archive, out)
    words = f"Wrote {_count(count, 'job')} to {out}."
    answer({"written": str(out), "jobs": count}, as_json=as_json, show=lambda console: console.print(words))


def import_(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="What portmap archive export wrote.")],
    db: Db = None,
    pictures: Pictures = None,
    as_json: AsJson = False,
) -> None:
    """Add every job of exported folders; one that fails is named and does not stop the others."""
    from portmap.archive import opened_archive
    from portmap.archive_folders import import_folders

    with opened_archive(db, pictures_url=pictures) as archive, waiting("Reading"):
        done = import_folders(archive, folder)
    document = {
        "added": list(done.added),
        "known": list(done.known),
        "failed": [{"folder": name, "why": why} for name, why in done.failed],
        "warnings": [{"code": "not-imported", "message": f"{name}: {why}"} for name, why in done.failed],
    }
    words = (
        f"Added or brought up to date: {_count(len(done.added), 'job')}. There already: {len(done.known)}."
    )
    answer(document, as_json=as_json, show=lambda console: console.print(words))
    if done.failed:
        raise typer.Exit(1)


def backup(
    out: Annotated[Path, typer.Option("--out", metavar="DIR", help="A new folder.")],
    db: Db = None,
    pictures: Pictures = None,
    as_json: AsJson = False,
) -> None:
    """Copy the whole archive to a folder, while others may be using it."""
    from portmap.archive import opened_archive
    from portmap.archive_health import archive_backup

    with opened_archive(db, pictures_url=pictures, create=False) as archive, waiting("Copying"):
        count = archive_backup(archive, out)
    words = f"Wrote {out}: the database and {_count(count, 'picture')}."
    answer(
        {"written": str(out), "pictures": count}, as_json=as_json, show=lambda console: console.print(words)
    )


def _source(path: Path) -> tuple[dict[str, Any], Callable[[PictureEntry], bytes]]:
    """Return a job's document and where its pictures' bytes come from."""
    from portmap.job_faults import read_kind
    from portmap.pack import job_picture_bytes, packed_picture_bytes, read_pack

    if path.suffix.lower() == ".zip":
        return read_pack(path).document, lambda picture: packed_picture_bytes(path, picture)
    return read_kind(path, "job"), lambda picture: job_picture_bytes(path, picture)


def _cells(archive: Archive, like: str, stage: str) -> bytes:
    """Return the shape of a job's ports, of a file or of an archived job."""
    from portmap.archive import archived_document
    from portmap.archive_facts import shapes_of
    from portmap.errors import JobError
    from portmap.job import job_of
    from portmap.job_faults import read_kind

    document = archived_document(archive, int(like)) if like.isdigit() else read_kind(like, "job")
    shapes = shapes_of(job_of(document))
    if stage not in shapes:
        raise JobError(
            f"the job has no {stage} map whose shape could be looked for",
            where="--like",
            remedy=f"add --stage {next(iter(shapes))}" if shapes else "trace its ports first",
        )
    return shapes[stage]


def _row(entry: Entry) -> dict[str, Any]:
    from dataclasses import asdict

    return {**asdict(entry), "kinds": list(entry.kinds)}


def _count(number: int, what: str) -> str:
    return f"{number} {what}{'' if number == 1 else 's'}"


def _found_row(found: Found) -> dict[str, Any]:
    row = _row(found.entry)
    return row if found.likeness is None else {**row, "likeness": found.likeness}
