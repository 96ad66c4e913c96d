"""What was planned and what was done, for the build sheet: kept plan, proposed edges, bench log."""

from __future__ import annotations

from collections.abc import Mapping

from portmap.job_pictures import stored_name
from portmap.job_schema import Job, LogEntry
from portmap.log import shown_time, state_of
from portmap.repeat_rows import made_of_words
from portmap.roof_figures import edit_words
from portmap.roof_job import edits_of
from portmap.sheet_parts import Part, Prose, Section
from portmap.sheet_rows import SheetTable
from portmap.shown import UnitSystem

__all__ = ["done_section", "plan_section"]

MOST_LETTERS = 1500  # of a row: a longer note goes on in the next, so that a page can break it


def plan_section(job: Job, units: UnitSystem, *, steps: bool) -> Section | None:
    """Return what was planned.

    Parameters
    ----------
    job : Job
    units : UnitSystem
    steps : bool
        Whether the steps are told in working order too.

    Returns
    -------
    Section or None
        None if nothing was decided.
    """
    rows: list[tuple[str, str]] = []
    if job.plan is not None:
        kept = f" (kept {job.plan.kept})" if job.plan.kept else ""
        rows += [("wished", f"{'; '.join(job.plan.wishes) or 'nothing'}{kept}")]
        rows += [("work", words) for words in _work(job, units)]
        if steps:
            rows += [(f"step {number}", words) for number, words in enumerate(job.plan.steps, 1)]
    rows += [("new edge", edit_words(edit, units)) for edit in edits_of(job)]
    rows += _repeat_rows(job)
    if not rows:
        return None
    table = SheetTable(rows=(("plan", ""), *_broken(rows)), shares=(0.1, 0.9), words=(1,), wrapped=(1,))
    return Section(heading="What was planned", parts=(table,))


def _repeat_rows(job: Job) -> list[tuple[str, str]]:
    """Return whose ports the proposed map carries over, and what was said of it."""
    rows = []
    for entry in job.maps:
        made_of = made_of_words(entry.source) if entry.stage == "proposed" else None
        if made_of is not None:
            rows.append(("repeat", f"{made_of[0].upper()}{made_of[1:]}."))
            rows += [("", warning.message) for warning in entry.warnings]
    return rows


def _work(job: Job, units: UnitSystem) -> list[str]:
    if job.plan is None:
        return []
    return [
        f"{piece.operation.replace('_', ' ')}{f' of {piece.port}' if piece.port else ''}:"
        f" {units.lengths(piece.amount_mm)} {units.length}"
        for piece in job.plan.operations
    ]


def done_section(job: Job, numbers: Mapping[str, int]) -> Section | None:
    """Return what was done and noted.

    Parameters
    ----------
    job : Job
    numbers : mapping of str to int
        Of the sheet's photos, by the stored name of their picture.

    Returns
    -------
    Section or None
        None if nothing was noted.
    """
    parts: list[Part] = []
    state = state_of(job)
    if state is not None:
        parts.append(Prose(lines=(f"State: {state[0]}, since {shown_time(state[1])}.",)))
    if job.notes and job.notes.strip():
        parts.append(Prose(lines=tuple(_pieces(f"Notes: {job.notes}"))))
    if job.log:
        rows = [row for entry in job.log for row in _note_rows(entry, numbers)]
        head = ("when", "who", "what", "state from\nthen on", "photos")
        parts.append(
            SheetTable(
                rows=(head, *rows),
                shares=(0.16, 0.1, 0.5, 0.16, 0.08),
                words=(1, 2, 3, 4),
                wrapped=(2, 3),
            )
        )
    return Section(heading="What was done and noted", parts=tuple(parts)) if parts else None


def _note_rows(entry: LogEntry, numbers: Mapping[str, int]) -> list[tuple[str, ...]]:
    photos = [numbers[name] for picture in entry.pictures if (name := stored_name(picture)) in numbers]
    named = ", ".join(str(number) for number in photos)
    first, *more = _pieces(entry.text) or [""]
    rows: list[tuple[str, ...]] = [(shown_time(entry.at), entry.by or "", first, entry.state or "", named)]
    return [*rows, *(("", "", piece, "", "") for piece in more)]


def _broken(rows: list[tuple[str, str]]) -> list[tuple[str, ...]]:
    """Return rows of name and words, long words gone on in rows without a name."""
    return [
        (name if place == 0 else "", piece)
        for name, words in rows
        for place, piece in enumerate(_pieces(words) or [""])
    ]


def _pieces(text: str) -> list[str]:
    """Return a text in pieces that a page can hold, cut between words where there are any."""
    rest, pieces = " ".join(text.split()), []
    while len(rest) > MOST_LETTERS:
        end = rest.rfind(" ", MOST_LETTERS // 2, MOST_LETTERS)
        end = MOST_LETTERS if end < 0 else end
        pieces.append(rest[:end])
        rest = rest[end:].lstrip()
    return [*pieces, rest] if rest else pieces
