"""The verbs about readings at the bench: read, fit."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from portmap.commands.options import AsJson, Force, JobFile, Stage, Units, Why
from portmap.commands.screen import answer, table

if TYPE_CHECKING:
    from rich.console import Console

    from portmap.fit import Fit
    from portmap.job import Job
    from portmap.shown import UnitSystem

__all__ = ["fit", "read"]

DASH = "–"
SIGNS = {"deg": "°", "mm": "\u00a0mm", "cm3": "\u00a0cm³", "bar": "\u00a0bar"}  # kept on one line
DECIMALS = {"deg": 2, "mm": 3, "cm3": 2, "bar": 2}


def read(
    job: JobFile,
    add: Annotated[
        list[str] | None,
        typer.Option(
            "--add",
            metavar="WORDS",
            help='A reading in plain words, as in "exhaust opens 104 deg, gasket 0.5 mm". May be given'
            " several times.",
        ),
    ] = None,
    csv_in: Annotated[
        Path | None, typer.Option("--csv-in", metavar="FILE", help="Add the readings of a CSV table.")
    ] = None,
    csv_out: Annotated[
        Path | None, typer.Option("--csv-out", metavar="FILE", help="Write all readings as a CSV table.")
    ] = None,
    remove: Annotated[
        list[int] | None,
        typer.Option(
            "--remove", metavar="NUMBER", help="Take this reading out first. May be given several times."
        ),
    ] = None,
    list_: Annotated[
        bool, typer.Option("--list", help="Only list them; so too if nothing is asked.")
    ] = False,
    stage: Stage = None,
    why: Why = None,
    force: Force = False,
    as_json: AsJson = False,
) -> None:
    """Take readings at the bench into a job, or list those that it has.

    Degrees count from TDC onward; an intake that opens at 75 is taken to open 75 degrees before TDC, and
    what was so understood is said. A reading's doubt is its tool's unless you add one, as in "± 0.3".
    """
    from dataclasses import asdict
    from datetime import date

    from portmap.files import check_free, write_whole
    from portmap.fit_document import readings_document
    from portmap.job import read_job
    from portmap.reading_list import with_readings
    from portmap.reading_table import reading_csv
    from portmap.readings import readings_of
    from portmap.revisions import reason_of, save_job, writer

    if list_ and (add or csv_in or remove):
        raise typer.BadParameter("--list changes nothing: leave it out, or the others")
    if csv_out is not None:
        check_free(csv_out, force=force)
    before = read_job(job)
    after, taken = with_readings(
        before,
        typed=add or [],
        table=csv_in,
        removed=remove or [],
        stage=stage,
        today=date.today().isoformat(),
    )
    added = [{**asdict(each), "said": list(each.said)} for each in taken]
    readings = readings_of(after, stage)
    changed = after.readings != before.readings
    if changed:
        what = f"readings: {len(added)} added, {len(set(remove or []))} taken out"
        save_job(job, before, after, reason=reason_of(what, why), by=writer())
    if csv_out is not None:
        write_whole(csv_out, reading_csv(readings).encode(), force=force)
    document: dict[str, Any] = {
        "job": str(job),
        "name": after.name,
        "written": changed,
        "added": added,
        "removed": sorted(set(remove or [])),
        "csv": None if csv_out is None else str(csv_out),
        "readings": readings_document(after, stage),
    }

    def show(console: Console) -> None:
        for each in added:
            console.print(f"Understood: {each['words']}.{''.join(f' {one}' for one in each['said'])}")
        _show_readings(console, document)
        if changed:
            count = len(document["readings"])
            console.print(f"Wrote {job}: {count} reading{'' if count == 1 else 's'}.")
        if csv_out is not None:
            console.print(f"Wrote {csv_out}.")

    answer(document, as_json=as_json, show=show)


def fit(
    job: JobFile,
    write: Annotated[
        bool, typer.Option("--write", help="Put the figures found, and how sure they are, into the job.")
    ] = False,
    without: Annotated[
        list[int] | None,
        typer.Option(
            "--without", metavar="NUMBER", help="Leave this reading out. May be given several times."
        ),
    ] = None,
    stage: Stage = None,
    why: Why = None,
    units: Units = "mm",
    as_json: AsJson = False,
) -> None:
    """Find the engine behind a job's readings: all of them at once, weighted by their doubts.

    Says what is measured, fitted and assumed, how each reading agrees with all the others, which does not
    belong, and what is still open with the reading that would settle it.
    """
    from portmap.commands.screen import waiting
    from portmap.fit import fit_readings
    from portmap.fit_document import fit_document
    from portmap.fitted_job import fitted_job
    from portmap.job import read_job
    from portmap.revisions import reason_of, save_job, writer
    from portmap.shown import unit_system

    found = read_job(job)
    with waiting("Fitting"):
        result = fit_readings(found, stage=stage, without=without or [])
    if write:
        reason = reason_of("figures fitted from the readings", why)
        save_job(job, found, fitted_job(found, result, stage=stage), reason=reason, by=writer())
    document = {"job": found.name, "written": str(job) if write else None, **fit_document(result)}
    system = unit_system(units)

    def show(console: Console) -> None:
        console.print(f"{found.name}: {_counts(found, result)}")
        _show_figures(console, document, system)
        _show_misfits(console, document, system)
        _show_agreement(console, document, result, found, without or [])
        if write:
            console.print(f"Wrote {job}.")

    answer(document, as_json=as_json, show=show)


def _show_readings(console: Console, document: dict[str, Any]) -> None:
    from portmap.shown import COVERAGE, number_text

    if not document["readings"]:
        console.print(f"{document['name']} has no readings.")
        return
    rows = [
        [
            str(each["number"]),
            each["words"],
            f"± {number_text(COVERAGE * each['u'], DECIMALS[each['unit']])}{SIGNS[each['unit']]}"
            f"{' stated' if each['u_from'] == 'stated' else ''}",
            each["with"],
            each.get("date") or DASH,
        ]
        for each in document["readings"]
    ]
    columns = ["no.", "reading", "doubt (k = 2)", "read with", "date"]
    table(console, columns, rows, title=f"{document['name']}: readings", left=2, wrapped=1)
    console.print("A tool's doubt is common practice, no source; add your own as in ± 0.3.")


def _counts(job: Job, result: Fit) -> str:
    used = sum(misfit.number is not None for misfit in result.misfits)
    left = f", {len(result.left_out)} left out" if result.left_out else ""
    return (
        f"{used} reading{'' if used == 1 else 's'} fitted{left};"
        f" {result.determined} of {result.unknown} figures settled."
    )


def _show_figures(console: Console, document: dict[str, Any], system: UnitSystem) -> None:
    from portmap.shown import number_text, with_doubt

    rows = []
    for each in document["figures"]:
        length = each["unit"] == "mm"
        shown = (
            system.lengths(each["value"], each["u"]) if length else with_doubt(each["value"], each["u"], 2)
        )
        stated = each["stated"]
        before = DASH if stated is None else system.lengths(stated) if length else number_text(stated, 2)
        unit = system.length if length else "cm³"
        rows.append([each["words"], each["basis"], f"{shown} {unit}", before])
    columns = ["figure", "basis", "found ± (k = 2)", "job before"]
    table(console, columns, rows, title="The engine behind the readings", left=2, wrapped=0)
    console.print(
        "Measured: only its own statement tells of it. Fitted: readings do. Assumed: nobody measured it, or"
        " it hangs on what nobody measured."
    )


def _show_misfits(console: Console, document: dict[str, Any], system: UnitSystem) -> None:
    from portmap.shown import number_text

    def plain(value: float | None, decimals: int) -> str:
        return DASH if value is None else number_text(value, decimals)

    wrong: dict[object, str] = {}
    for suspect in document["suspects"]:
        blamed = [*suspect["numbers"], *suspect["figures"]]
        how = "does not belong" if len(blamed) == 1 else "contradicts others"
        wrong |= dict.fromkeys(blamed, how)
    rows = []
    for each in document["readings"]:
        length = each["misfit_mm"]
        if length is not None:
            off = number_text(length * system.per_mm, system.length_decimals + 1)
        else:
            off = f"{number_text(each['misfit'], 2)}{SIGNS[each['unit']]}"
        verdict = wrong.get(each["number"] or each["figure"])
        rows.append(
            [
                "" if each["number"] is None else str(each["number"]),
                f"{each['words']}{f': {verdict}' if verdict else ''}",
                plain(each["misfit_deg"], 2),
                off,
                plain(each["studentised"], 1),
                f"{100 * each['checked']:.0f} %",
            ]
        )
    columns = ["no.", "reading", "off, °", f"off, {system.length}", "in doubts", "checked"]
    table(console, columns, rows, title="How each reading agrees with the others", left=2, wrapped=1)
    console.print(
        "In doubts: misfit over its own standard doubt; beyond about 3.5 it does not belong. Checked: how"
        " much of a slip in it the others would show."
    )


def _show_agreement(
    console: Console, document: dict[str, Any], result: Fit, job: Job, without: list[int]
) -> None:
    from portmap.fit_document import strongest_correlations
    from portmap.shown import number_text

    agreement = document["agreement"]
    if agreement["chance"] is not None:
        console.print(
            f"All together: chi-square {agreement['chi_square']:.1f} for"
            f" {agreement['degrees_of_freedom']:.1f} degrees of freedom; good readings give more in"
            f" {_of_hundred(agreement['chance'])} of 100 cases."
        )
    else:
        console.print("No reading checks another: none of them could be seen to be wrong.")
    for each in document["open"]:
        console.print(f"Still open: {each['words']}. To settle it: {each['settle']}.")
    pairs = [
        f"{first} and {second} ({number_text(size, 2)})"
        for first, second, size in strongest_correlations(result)[:4]
    ]
    if pairs:
        console.print(f"Move together (correlation): {'; '.join(pairs)}.")
    for number in document["left_out"]:
        console.print(f"Not in the fit: reading {number}, {_why_left_out(job, number, without)}.")


def _why_left_out(job: Job, number: int, without: list[int]) -> str:
    if number in without:
        return "left out as asked"
    return {
        "cranking_pressure": "a cranking pressure, which portmap compression compares",
        "gasket": "a gasket before its crush, which says only that it is no thicker now",
    }.get(job.readings[number - 1].kind, "a gasket that is not fitted")


def _of_hundred(chance: float) -> str:
    return f"{100 * chance:.0f}" if chance > 0.015 else "1" if chance > 0.005 else "fewer than 1"
