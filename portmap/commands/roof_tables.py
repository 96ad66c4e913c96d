"""What the verb roof shows to a person."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from portmap.commands.screen import say, show_basis, table
from portmap.roof_rows import METAL_VOLUME_UNITS, metal_volume_text, roof_change_rows

if TYPE_CHECKING:
    from rich.console import Console

    from portmap.roof_edit import RoofEdit
    from portmap.shown import UnitSystem

__all__ = ["edit_rows", "show_change", "show_tried"]

DASH = "–"


def edit_rows(edits: Sequence[RoofEdit], system: UnitSystem, first: int = 0) -> list[dict[str, Any]]:
    """Return edits as JSON and tables have them.

    Parameters
    ----------
    edits : sequence of RoofEdit
    system : UnitSystem
        For the words.
    first : int, optional
        The first one's number.

    Returns
    -------
    list of dict
        ``number``, what the job holds of it, and ``words``.

    Examples
    --------
    >>> from portmap.roof_edit import RoofEdit
    >>> from portmap.shown import unit_system
    >>> edit_rows([RoofEdit(port="e", by_mm=0.5)], unit_system("mm"))[0]["words"]
    'e, roof: moved, up by 0.50 mm'
    """
    from portmap.roof_figures import edit_words
    from portmap.roof_job import edit_document

    return [
        {"number": number, **edit_document(edit), "words": edit_words(edit, system)}
        for number, edit in enumerate(edits, first)
    ]


def show_tried(console: Console, document: dict[str, Any], system: UnitSystem) -> None:
    """Print a table of roofs to choose from.

    Parameters
    ----------
    console : rich.console.Console
    document : dict
        With ``tried`` as `portmap.roof_figures.tried_roofs` gives it, and what it was asked for.
    system : UnitSystem
    """
    edge = document["edge"]
    console.print(f"{document['job']}, {document['port']} {edge}, {document['shape']}; nothing is written")
    possible = [row for row in document["tried"] if row["possible"]]
    spans = [span["span"] for span in possible[0]["spans"]] if possible else []
    ringed = any(row["ring"] is not None for row in possible)
    ground = any(row["to_grind_mm3"] is not None for row in possible)
    columns = [
        "opens",
        f"{edge}, {system.length}",
        f"{'up' if edge == 'roof' else 'down'}, {system.length}",
        "open for",
    ]
    columns += ["blowdown", *(f"{name}, {system.time_area}" for name in spans), f"to grind, {system.area}"]
    columns += [METAL_VOLUME_UNITS[system.name]] * ground + ["ring"] * ringed
    lines = []
    for row in possible:
        amounts = {span["span"]: system.time_areas(span["time_area_mm2_s"]) for span in row["spans"]}
        line = [
            _degrees(row["asked_deg"]),
            system.lengths(row["roof_mm" if edge == "roof" else "floor_mm"]),
            system.lengths(row["moved_mm"]),
            _degrees(row["duration_deg"]),
            _degrees(row["blowdown_deg"]),
            *(amounts.get(name, DASH) for name in spans),
            system.areas(row["to_grind_mm2"]),
        ]
        if ground:
            line.append(metal_volume_text(row["to_grind_mm3"], system).split()[0])
        if ringed:
            line.append(row["ring"] or DASH)
        lines.append(line)
    if lines:
        title = f"Time-areas at {document['rpm']:g} rpm, {document['area']} area"
        table(console, columns, lines, title=title, left=0)
    _show_ring_of_tried(console, possible)
    for row in document["tried"]:
        if not row["possible"]:
            console.print(f"{row['asked_deg']:g}° is not possible: {row['why']}.")
    show_basis(console, document)
    console.print(document["care"])


def _show_ring_of_tried(console: Console, possible: Sequence[dict[str, Any]]) -> None:
    """Print which rules of ring safety are not met, and at which openings."""
    found: dict[tuple[str, str], list[float]] = {}
    for row in possible:
        for one in row["ring_verdicts"]:
            angles = found.setdefault((one["grade"], one["what"]), [])
            if row["asked_deg"] not in angles:
                angles.append(row["asked_deg"])
    for (grade, what), angles in sorted(found.items()):
        where = "all" if len(angles) == len(possible) else ", ".join(f"{angle:g}°" for angle in angles)
        console.print(f"Ring, {grade}: {what} ({where}).")


def _show_ring(console: Console, ring: dict[str, Any]) -> None:
    doubtful = [one for one in ring["verdicts"] if one["grade"] != "fine"]
    if ring["verdicts"]:
        counts = ", ".join(f"{count} {grade}" for grade, count in ring["counts"].items() if count)
        console.print(f"Ring safety of the proposed port, by rules that are a guide: {counts}.")
    for one in doubtful:
        console.print(f"  Window {one['window']}, x {one['x_mm']:.1f} mm: {one['words']}")


def _degrees(value: float | None) -> str:
    return DASH if value is None else f"{value:.1f}°"


def show_change(console: Console, report: dict[str, Any], path: Path, system: UnitSystem) -> None:
    """Print what a proposed map does to a port.

    Parameters
    ----------
    console : rich.console.Console
    report : dict
        What `portmap.roof_figures.roof_document` gives, and the job's edits.
    path : Path
        Of the job.
    system : UnitSystem
    """
    before = report["before"]
    console.print(f"{report['job']}, {report['port']}: {before['stage']} against proposed")
    for edit in report["taken_back"]:
        console.print(f"Taken back: {edit['words']}")
    first_new = len(report["edits"]) - report["added"]
    for edit in report["edits"]:
        mark = "new  " if edit["number"] >= first_new else "     "
        console.print(f"  {mark}{edit['number']}  {edit['words']}")
    table(console, ["", before["stage"], "proposed", "change"], roof_change_rows(report, system))
    console.print("± is k = 2 (about 95 %), from the outlines alone; a drawn edge has no doubt of its own.")
    ground = report["to_grind"]
    if ground["windows"]:
        volume = ground["volume_mm3"]
        wall = ground["wall_thickness_mm"]
        thick = "" if wall is None else f"{system.lengths(wall)} {system.length} thick"
        amount = "" if volume is None else f", {metal_volume_text(volume, system)} of a wall {thick}"
        console.print(
            f"To be ground: {system.areas(ground['area_mm2'])} {system.area},"
            f" {system.lengths(ground['deepest_mm'])} {system.length} at the deepest{amount}."
        )
        if volume is None:
            say("note: no volume, since nobody said how thick the wall is; give --wall")
    else:
        console.print("Nothing is to be ground at this port.")
    _show_ring(console, report["ring"])
    show_basis(console, report)
    console.print(report["care"])
    console.print(f"Wrote {path}." if report["written"] else "Nothing was written.")
