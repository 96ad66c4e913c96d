"""The verbs that keep a job: log, where, pack, unpack."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from portmap.commands.options import AsJson, Force, JobFile, Units
from portmap.commands.screen import answer, table

if TYPE_CHECKING:
    from rich.console import Console

    from portmap.job import Job

__all__ = ["log", "pack", "unpack", "where"]


def log(
    job: JobFile,
    text: Annotated[
        str, typer.Argument(metavar="WORDS", help='The note, as in "parts ordered, waiting".')
    ] = "",
    picture: Annotated[
        list[Path] | None,
        typer.Option(
            "--picture", metavar="FILE", help="A picture to keep with the note. May be given several times."
        ),
    ] = None,
    by: Annotated[
        str | None, typer.Option("--by", metavar="NAME", help="Who; PORTMAP_BY unless told.")
    ] = None,
    state: Annotated[
        str | None,
        typer.Option(
            "--state",
            metavar="WORDS",
            help="The job's state from now on, in your own words: measured, planned, waiting for parts, being"
            " ground, done ...",
        ),
    ] = None,
    date: Annotated[
        str | None,
        typer.Option("--date", metavar="DATE", help="Of the note, as in 2024-05-01; now unless told."),
    ] = None,
    list_: Annotated[
        bool, typer.Option("--list", help="Show the log and the changes; so too if nothing is asked.")
    ] = False,
    back: Annotated[
        int | None,
        typer.Option(
            "--back", metavar="N", min=1, help="The form before the last N changes: what differs from it now."
        ),
    ] = None,
    out: Annotated[
        Path | None, typer.Option("--out", metavar="FILE", help="With --back: write that form to this file.")
    ] = None,
    restore: Annotated[
        bool,
        typer.Option("--restore", help="With --back: make it the job again; how it is now is kept."),
    ] = False,
    force: Force = False,
    as_json: AsJson = False,
) -> None:
    """Write a dated note into a job, or show its log and what it was before each change.

    A picture is copied beside the job. Nothing is taken out of the log, and each change of readings, maps,
    edits or plan keeps the earlier form within the job's file.
    """
    from portmap.job import job_of
    from portmap.job_faults import read_kind
    from portmap.job_pictures import keep_picture
    from portmap.log import noted, time_of
    from portmap.revisions import save_job, writer

    writes = bool(text or picture or state is not None)
    if back is None and (out is not None or restore):
        raise typer.BadParameter("say which earlier form, with --back", param_hint="--back")
    if writes and (back is not None or list_):
        raise typer.BadParameter("a note is written alone", param_hint="--back" if back else "--list")
    document = read_kind(job, "job")
    found = job_of(document)
    if back is not None:
        _back(job, document, back, out, writer(by), restore=restore, force=force, as_json=as_json)
        return
    if writes:
        at = time_of(date)
        pictures = [keep_picture(job, path) for path in picture or ()]
        new = noted(document, text, at=at, by=writer(by), state=state, pictures=pictures)
        save_job(job, document, new, reason="note")
        document, found = new, job_of(new)
    report = _log_document(found, document, written=writes)

    def show(console: Console) -> None:
        if writes:
            console.print(f"Wrote {job}: {_note_words(report['log'][-1])}")
        else:
            _show_log(console, report)

    answer(report, as_json=as_json, show=show)


def where(job: JobFile, units: Units = "mm", as_json: AsJson = False) -> None:
    """Say where a job stands, in five lines: known, decided, ground, next, missing."""
    from dataclasses import asdict

    from portmap.job import read_job
    from portmap.shown import unit_system
    from portmap.standing import standing_of

    found = read_job(job)
    lines = asdict(standing_of(found, unit_system(units)))

    def show(console: Console) -> None:
        for name, words in lines.items():
            console.print(f"{name.capitalize() + ':':<9}{words}", soft_wrap=True)

    answer({"job": found.name, **lines}, as_json=as_json, show=show)


def pack(
    job: JobFile,
    out: Annotated[Path, typer.Option("--out", metavar="FILE", help="The pack, as in saw.portmap.zip.")],
    picture: Annotated[
        list[Path] | None,
        typer.Option("--picture", metavar="FILE", help="A picture to add. May be given several times."),
    ] = None,
    force: Force = False,
    as_json: AsJson = False,
) -> None:
    """Put a job and its pictures into one file, to send or to keep."""
    from portmap.pack import pack_job

    found = pack_job(job, out, extra=picture or (), force=force)
    document = {"pack": str(out), "job": found.job.name, "pictures": [one.name for one in found.pictures]}
    count = len(found.pictures)

    def show(console: Console) -> None:
        console.print(f"Wrote {out}: {found.job.name} and {count} picture{'' if count == 1 else 's'}.")

    answer(document, as_json=as_json, show=show)


def unpack(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="A packed job.")],
    out: Annotated[Path, typer.Option("--out", metavar="DIR", help="A new folder.")],
    as_json: AsJson = False,
) -> None:
    """Check a packed job and write it to a new folder; nothing is written of one that is not sound."""
    from portmap.pack import unpack_job

    found, place = unpack_job(file, out)
    document = {
        "written": str(place),
        "job": found.job.name,
        "pictures": [one.name for one in found.pictures],
        "warnings": [notice.as_dict() for notice in found.notices],
    }
    count = len(found.pictures)

    def show(console: Console) -> None:
        console.print(f"Wrote {place}: {found.job.name} and {count} picture{'' if count == 1 else 's'}.")

    answer(document, as_json=as_json, show=show)


def _back(
    place: Path,
    document: dict[str, Any],
    back: int,
    out: Path | None,
    by: str | None,
    *,
    restore: bool,
    force: bool,
    as_json: bool,
) -> None:
    from portmap.files import write_json
    from portmap.job import job_of
    from portmap.log import shown_time
    from portmap.revisions import changed_parts, earlier_document, revisions_of, save_job

    earlier = earlier_document(document, back)
    revision = revisions_of(document)[-back]
    parts = changed_parts(earlier, document)
    if out is not None:
        job_of(earlier)
        write_json(out, earlier, force=force)
    if restore:
        new = {**earlier, **({"log": document["log"]} if "log" in document else {})}
        save_job(place, document, new, reason=f"back to the form before: {revision.reason}", by=by)
    report = {
        "job": str(place),
        "back": back,
        "at": revision.at,
        "by": revision.by,
        "reason": revision.reason,
        "sha256": revision.sha256,
        "differs": list(parts),
        "written": None if out is None else str(out),
        "restored": restore,
        "form": earlier,
    }

    def show(console: Console) -> None:
        by_words = f" by {revision.by}" if revision.by else ""
        console.print(f"The form before {shown_time(revision.at)}{by_words}: {revision.reason}")
        console.print(f"Now differs in: {', '.join(parts) or 'nothing'}.")
        if out is not None:
            console.print(f"Wrote {out}.")
        if restore:
            console.print(f"Wrote {place}: as it was then; portmap log {place} --back 1 takes this back.")

    answer(report, as_json=as_json, show=show)


def _log_document(found: Job, document: dict[str, Any], *, written: bool) -> dict[str, Any]:
    from portmap.job_faults import document_of
    from portmap.log import state_of, suggested_states
    from portmap.revisions import revisions_of

    state = state_of(found)
    return {
        "job": found.name,
        "written": written,
        "state": None if state is None else {"state": state[0], "since": state[1]},
        "suggested_states": list(suggested_states(found)),
        "log": [document_of(entry) for entry in found.log],
        "changes": [
            {"back": one.back, "at": one.at, "by": one.by, "reason": one.reason, "sha256": one.sha256}
            for one in revisions_of(document)
        ],
    }


def _note_words(entry: dict[str, Any]) -> str:
    pictures = [picture["name"] for picture in entry.get("pictures", ())]
    parts = [
        entry["text"],
        f"state: {entry['state']}" if "state" in entry else "",
        f"with {', '.join(pictures)}" if pictures else "",
    ]
    return "; ".join(part for part in parts if part)


def _show_log(console: Console, report: dict[str, Any]) -> None:
    from portmap.log import shown_time

    state = report["state"]
    console.print(
        f"{report['job']}: {state['state']}, since {state['since'][:10]}"
        if state
        else f"{report['job']}: nobody said in what state it is"
    )
    if report["log"]:
        rows = [
            [shown_time(entry["at"]), entry.get("by") or "", _note_words(entry)] for entry in report["log"]
        ]
        table(console, ["when", "who", "note"], rows, title="Log", left=3, wrapped=2)
    if report["changes"]:
        rows = [
            [str(one["back"]), shown_time(one["at"]), one["by"] or "", one["reason"]]
            for one in reversed(report["changes"])
        ]
        table(console, ["back", "when", "who", "change"], rows, title="Changes", left=4, wrapped=3)
