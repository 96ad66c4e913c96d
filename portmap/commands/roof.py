"""The verb that proposes new edges of ports: roof."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from portmap.commands.options import Area, AsJson, JobFile, Units, Why
from portmap.commands.roof_tables import edit_rows, show_change, show_tried
from portmap.commands.screen import answer

if TYPE_CHECKING:
    from rich.console import Console

    from portmap.errors import Notice
    from portmap.job_schema import Job
    from portmap.port import PortMap
    from portmap.roof_draft import TypedRoof, WishName
    from portmap.roof_edit import RoofEdit
    from portmap.shown import UnitSystem
    from portmap.window import AreaKind

__all__ = ["roof"]


def roof(
    job: JobFile,
    port: Annotated[str | None, typer.Option("--port", metavar="ID", help="Which port.")] = None,
    window: Annotated[
        list[str] | None,
        typer.Option(
            "--window",
            metavar="N",
            help="Which of its windows, from 0, mirrored ones last; all unless told. May be given several"
            " times, or as 0,1.",
        ),
    ] = None,
    opens: Annotated[
        str | None,
        typer.Option(
            "--opens", metavar="ANGLE", help="Crank angle at which the port is to open, as in 100 deg."
        ),
    ] = None,
    raised: Annotated[
        str | None,
        typer.Option("--raise", metavar="LENGTH", help="How far the roof is to rise, as in 0.5 mm."),
    ] = None,
    height: Annotated[
        str | None,
        typer.Option("--height", metavar="LENGTH", help="Of the new roof's highest point above the base."),
    ] = None,
    time_area: Annotated[
        str | None,
        typer.Option(
            "--time-area",
            metavar="VALUE",
            help="Of the port's span at --rpm: 0.55 mm2 s, or 0.0105 s/m for a specific one.",
        ),
    ] = None,
    blowdown_time_area: Annotated[
        str | None,
        typer.Option(
            "--blowdown-time-area", metavar="VALUE", help="Of the blowdown at --rpm, as in 0.05 mm2 s."
        ),
    ] = None,
    area_at: Annotated[
        str | None,
        typer.Option("--area-at", metavar='"ANGLE AREA"', help='Opened area: "110 deg 120 mm2".'),
    ] = None,
    shape: Annotated[
        Literal["moved", "flat", "arched", "blended"],
        typer.Option(
            "--shape",
            help="The old roof moved up; flat; an arc of a circle; or from one height to another.",
        ),
    ] = "moved",
    rise: Annotated[
        str | None, typer.Option("--rise", metavar="LENGTH", help="For arched: of the middle over the ends.")
    ] = None,
    radius: Annotated[
        str | None, typer.Option("--radius", metavar="LENGTH", help="Of the corners; 0 unless told.")
    ] = None,
    drop: Annotated[
        str | None,
        typer.Option(
            "--drop",
            metavar="LENGTH",
            help="For blended: how much lower the end away from the exhaust is; with a minus, the end toward"
            " it.",
        ),
    ] = None,
    step: Annotated[
        str | None,
        typer.Option("--step", metavar="LENGTH", help="For blended: a step this wide, not an even slope."),
    ] = None,
    floor: Annotated[
        str | None, typer.Option("--floor", metavar="LENGTH", help="How far the floor is to go down.")
    ] = None,
    width: Annotated[
        str | None,
        typer.Option(
            "--width",
            metavar="WIDTH",
            help='Wider sides: "chord 70 %" of the bore, "chord 32 mm" straight across, "arc 33 mm" along the'
            " wall.",
        ),
    ] = None,
    as_one: Annotated[
        bool | None,
        typer.Option(
            "--as-one/--each",
            help="One arch, slope or width over all the windows, with the bridges between them kept; as one"
            " for an exhaust unless told.",
        ),
    ] = None,
    tried: Annotated[
        str | None,
        typer.Option(
            "--try", metavar="ANGLES", help="Show what roofs of this shape would do: FROM:TO:STEP, or a list."
        ),
    ] = None,
    rpm: Annotated[str, typer.Option("--rpm", metavar="SPEED", help="For time-areas.")] = "9000",
    area: Area = "wall",
    wall: Annotated[
        str | None,
        typer.Option(
            "--wall", metavar="LENGTH", help="Thickness of the wall at the port; the job's unless told."
        ),
    ] = None,
    undo: Annotated[bool, typer.Option("--undo", help="Take the last edit back.")] = False,
    clear: Annotated[
        bool, typer.Option("--clear", help="Take all edits back, and the proposed map with them.")
    ] = False,
    listed: Annotated[bool, typer.Option("--list", help="Show the job's edits.")] = False,
    dry_run: Annotated[bool, typer.Option("--dry-run", help="Show all, write nothing.")] = False,
    why: Why = None,
    units: Units = "mm",
    force: Annotated[
        bool, typer.Option("--force", help="Replace a proposed map that was not made by the job's edits.")
    ] = False,
    as_json: AsJson = False,
) -> None:
    """Propose a new edge of a port: how the proposed map differs, and what is to be ground.

    Edits are kept in the job in their order and make its proposed map out of the stock one; only metal that
    can be taken is taken. Of a port that the skirt opens, --opens, --height and the areas mean its floor.
    """
    from portmap.job import engine_of, job_of
    from portmap.job_faults import read_kind
    from portmap.job_review import job_notices
    from portmap.quantity import length_mm, speeds_rpm
    from portmap.revisions import reason_of, save_job, writer
    from portmap.ring_rules import ring_rules
    from portmap.roof_draft import TypedRoof, typed_edits
    from portmap.roof_figures import roof_document
    from portmap.roof_job import edits_of, proposal_of, start_of, with_edits
    from portmap.shown import unit_system

    wishes: dict[WishName, str | None] = {
        "opens": opens,
        "raise": raised,
        "height": height,
        "time-area": time_area,
        "blowdown-time-area": blowdown_time_area,
        "area-at": area_at,
    }
    told = [(name, text) for name, text in wishes.items() if text is not None]
    _check_usage(
        [*(name for name, _ in told), *["try"] * (tried is not None)],
        port,
        floor is not None or width is not None,
        alone=[name for name, on in (("--undo", undo), ("--clear", clear), ("--list", listed)) if on],
    )
    system = unit_system(units)
    document = read_kind(job, "job")
    found = job_of(document)
    edits = edits_of(found)
    if listed:
        _list(found, edits, system, as_json=as_json)
        return
    engine, start = engine_of(found), start_of(found)
    speeds = speeds_rpm(rpm, where="--rpm")
    if len(speeds) != 1:
        raise typer.BadParameter("name one speed", param_hint="--rpm")
    wall_mm = None if wall is None else length_mm(wall, where="--wall", sign="positive")
    notices: tuple[Notice, ...] = ()
    if undo or clear:
        name, new_edits = _last(edits).port, () if clear else edits[:-1]
    else:
        name = port or ""
        typed = TypedRoof(
            port=name,
            windows=tuple(window or ()),
            shape=shape,
            rise=rise,
            radius=radius,
            drop=drop,
            step=step,
            wish=told[0] if told else None,
            floor=floor,
            width=width,
            as_one=as_one,
        )
        before = proposal_of(found, edits) if edits else start
        if tried is not None:
            _try(found, before, typed, tried, speeds[0], area, wall_mm, system, as_json=as_json)
            return
        made, notices = typed_edits(engine, before, typed, rpm=speeds[0], area=area)
        new_edits = (*edits, *made)
    new_document = with_edits(document, new_edits, replace_foreign=force)
    figures = roof_document(
        engine,
        start,
        proposal_of(found, new_edits),
        name,
        rpm=speeds[0],
        area=area,
        wall_mm=wall_mm,
        doubts=True,
        rules=ring_rules(found.limits),
        notices=(*job_notices(found, start.stage), *notices),
    )
    if not dry_run:
        what = "edits taken back" if undo or clear else f"new edge of {name}"
        save_job(job, document, new_document, reason=reason_of(what, why), by=writer())
    report = {
        "job": found.name,
        "written": not dry_run,
        "taken_back": edit_rows(edits[len(new_edits) :], system, len(new_edits)),
        "edits": edit_rows(new_edits, system),
        "added": max(len(new_edits) - len(edits), 0),
        **figures,
    }
    answer(report, as_json=as_json, show=lambda console: show_change(console, report, job, system))


def _check_usage(told: Sequence[str], port: str | None, more: bool, *, alone: Sequence[str]) -> None:
    if len(alone) > 1:
        raise typer.BadParameter(f"it does not go with {alone[0]}", param_hint=alone[1])
    if alone:
        if told or more:
            raise typer.BadParameter("it goes with no wish for an edge", param_hint=alone[0])
        return
    if port is None:
        raise typer.BadParameter("name a port, as in exhaust", param_hint="--port")
    if len(told) > 1:
        raise typer.BadParameter(
            f"only one of --{' and --'.join(told)} can set a height", param_hint=f"--{told[1]}"
        )
    if not told and not more:
        raise typer.BadParameter(
            "say what is wanted: --opens, --raise, --height, --time-area, --blowdown-time-area, --area-at,"
            " --floor, --width or --try",
            param_hint="--opens",
        )
    if "try" in told and more:
        raise typer.BadParameter("it goes with a roof alone", param_hint="--try")


def _last(edits: tuple[RoofEdit, ...]) -> RoofEdit:
    from portmap.errors import JobError

    if not edits:
        raise JobError("the job has no edit to take back", where="edits", remedy="see portmap roof --list")
    return edits[-1]


def _list(found: Job, edits: tuple[RoofEdit, ...], system: UnitSystem, *, as_json: bool) -> None:
    rows = edit_rows(edits, system)

    def show(console: Console) -> None:
        console.print(f"{found.name}: {len(edits)} edit{'' if len(edits) == 1 else 's'}")
        for edit in rows:
            console.print(f"  {edit['number']}  {edit['words']}")

    answer({"job": found.name, "edits": rows}, as_json=as_json, show=show)


def _try(
    found: Job,
    before: PortMap,
    typed: TypedRoof,
    angles: str,
    rpm: float,
    area: AreaKind,
    wall_mm: float | None,
    system: UnitSystem,
    *,
    as_json: bool,
) -> None:
    from portmap.job import engine_of
    from portmap.job_review import job_notices
    from portmap.quantity import angles_deg
    from portmap.ring_rules import ring_rules
    from portmap.roof_draft import drafted_edit
    from portmap.roof_figures import CARE_LINE, tried_roofs

    engine, edit = engine_of(found), drafted_edit(before, typed)
    asked = angles_deg(angles, where="--try")
    rules = ring_rules(found.limits)
    rows = tried_roofs(engine, before, edit, asked, rpm=rpm, area=area, wall_mm=wall_mm, rules=rules)
    document = {
        "job": found.name,
        "port": edit.port,
        "edge": edit.edge,
        "shape": edit.family,
        "rpm": rpm,
        "area": area,
        "tried": rows,
        "care": CARE_LINE,
        "assumed": list(engine.assumed),
        "fitted": list(engine.fitted),
        "warnings": [notice.as_dict() for notice in job_notices(found, None)],
    }
    answer(document, as_json=as_json, show=lambda console: show_tried(console, document, system))
