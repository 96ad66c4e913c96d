"""The verb that plans work: plan."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING, Annotated, Any

import typer

from portmap.commands.options import AsJson, JobFile, Stage, Units, Why
from portmap.commands.screen import answer, show_basis, table
from portmap.commands.work import CARE

if TYPE_CHECKING:
    from pathlib import Path

    from rich.console import Console

    from portmap.job_schema import Job
    from portmap.planner import Plan
    from portmap.shown import UnitSystem

__all__ = ["plan"]

MOST_RECIPES = 20
UNCHECKED = "not-checked"  # code of what a limit could not be held against for want of a figure


def plan(
    job: JobFile,
    want: Annotated[
        list[str] | None,
        typer.Option(
            "--want",
            metavar="WISH",
            help='A figure wanted: "squish 0.5 mm", "squish 0.45 to 0.6 mm", "exhaust opens 100 ± 0.5",'
            ' "blowdown at least 20", "intake opens 76" (before TDC), "exhaust duration 160", "cranking at'
            ' most 11 bar", "compression ratio at most 7" (trapped), "head volume 6 cm3"; at a speed,'
            ' "residual pressure at most 0.6 bar at 9000 rpm", "blowdown time-area at least 0.03 mm2 s at'
            ' 9000 rpm". May be repeated.',
        ),
    ] = None,
    have: Annotated[
        str | None,
        typer.Option(
            "--have",
            metavar="TOOLS",
            help="Tools at hand, of grinder, lathe, files; or none. All unless told.",
        ),
    ] = None,
    gaskets: Annotated[
        str | None,
        typer.Option(
            "--gaskets",
            metavar="SIZES",
            help="Base gaskets on hand, as 0,0.3,0.5; 0 is none. The one fitted now unless told.",
        ),
    ] = None,
    step: Annotated[
        str | None,
        typer.Option(
            "--step",
            metavar="SIZE",
            help="What you can hold: 0.05 mm unless told; or by tool, as lathe 0.02 mm; grinder 0.1 mm.",
        ),
    ] = None,
    recipes: Annotated[
        int, typer.Option("--recipes", min=1, max=MOST_RECIPES, help="How many recipes at most.")
    ] = 5,
    middle: Annotated[
        bool,
        typer.Option(
            "--middle",
            help="Aim at the middle of each wish: the same work, more metal, better odds. Unless told, the"
            " least metal that does.",
        ),
    ] = False,
    character: Annotated[
        str | None,
        typer.Option(
            "--character",
            metavar="NAME",
            help="Start from what is commonly aimed at: steady, quick or cold. A guide, with no source.",
        ),
    ] = None,
    assume_case: Annotated[
        bool,
        typer.Option(
            "--assume-case",
            help="For a residual pressure: take a usual case volume, marked as assumed.",
        ),
    ] = False,
    keep: Annotated[
        int | None,
        typer.Option("--keep", metavar="NUMBER", min=1, help="Keep this recipe in the job, for the sheet."),
    ] = None,
    stage: Stage = None,
    why: Why = None,
    units: Units = "mm",
    as_json: AsJson = False,
) -> None:
    """Recipes that reach what is wanted: which work, how much of it, in working order, best first.

    Ranked by what is missed, tools, set-ups, metal taken and room left. If nothing reaches it all: what comes
    nearest, what stands in the way, and what would free it.
    """
    from dataclasses import replace

    from portmap.breath import engine_with_case
    from portmap.job import read_job
    from portmap.job_review import job_notices
    from portmap.plan_document import plan_document
    from portmap.planner import planned
    from portmap.quantity import lengths_mm
    from portmap.shop import shop_of
    from portmap.shop_limits import limits_of
    from portmap.shopwork import build_of
    from portmap.shown import unit_system

    if not want and character is None:
        raise typer.BadParameter('name a wish, as in "squish 0.5 mm", or a character', param_hint="--want")
    read = read_job(job)
    build = build_of(read, stage)
    if assume_case:
        build = replace(build, engine=engine_with_case(build.engine))
    wishes, notices = _wished(want or [], character, build.edges)
    shop = shop_of(
        have=have,
        gaskets_mm=None if gaskets is None else lengths_mm(gaskets, where="--gaskets", sign="not negative"),
        step=step,
        limits=limits_of(read),
    )
    system = unit_system(units)
    if read.maps or stage is not None:
        notices = (*job_notices(read, stage), *notices)
    with _solver_kept_quiet():
        found = planned(build, wishes, shop, count=recipes, steady=middle)
        document = plan_document(found, shop, notices=notices, system=system)
    document = {
        "job": read.name,
        "stage": None if build.port_map is None else build.port_map.stage,
        "middle": middle,
        **document,
    }
    if keep is not None:
        _keep(job, read, document["recipes"], keep, why)
        document["kept"] = keep

    def show(console: Console) -> None:
        ports = "ports from readings" if build.port_map is None else f"{build.port_map.stage} ports"
        console.print(f"{read.name}, {ports}")
        _show_wishes(console, document, system)
        if not found.possible:
            _show_why_not(console, document, system)
        if len(found.recipes) > 1:
            _show_side_by_side(console, found, system)
        if found.possible and not middle:
            console.print(
                "Amounts are the least that do; --middle aims at the middle of each wish instead.\n"
            )
        for number, recipe in enumerate(document["recipes"], 1):
            _show_recipe(console, number, recipe, found, system)
        _show_unchecked(console, found)
        show_basis(console, document)
        console.print(CARE)
        if keep is not None:
            console.print(f"Kept recipe {keep} in {job}.")

    answer(document, as_json=as_json, show=show)


def _keep(place: Path, job: Job, recipes: Sequence[dict[str, Any]], number: int, why: str | None) -> None:
    """Write the job with a recipe in it."""
    from datetime import date

    from portmap.errors import QuantityError
    from portmap.kept_plan import kept_plan
    from portmap.revisions import reason_of, save_job, writer

    if number > len(recipes):
        raise QuantityError(
            f"there is no recipe {number}, only {len(recipes)}",
            where="--keep",
            remedy="name one that is shown",
        )
    chosen = kept_plan(recipes[number - 1], date=date.today().isoformat())
    changed = job.model_copy(update={"plan": chosen})
    save_job(place, job, changed, reason=reason_of(f"recipe {number} kept", why), by=writer())


def _wished(want: Sequence[str], character: str | None, edges: Sequence[Any]) -> tuple[Any, Any]:
    from portmap.characters import character_of, with_character
    from portmap.wishes import wish_of, wishes_of

    if character is None:
        return wishes_of(want), ()
    typed = tuple(dict.fromkeys(wish_of(text) for text in want))
    return with_character(typed, character_of(character), edges)


@contextmanager
def _solver_kept_quiet() -> Iterator[None]:
    """Send what the solver's own C code prints to standard error: standard output is for the answer alone."""
    sys.stdout.flush()
    kept = os.dup(1)
    try:
        os.dup2(2, 1)
        yield
    finally:
        os.dup2(kept, 1)
        os.close(kept)


def _show_wishes(console: Console, document: dict[str, Any], system: UnitSystem) -> None:
    console.print("Wanted:")
    for wish in document["wishes"]:
        port = wish["port"]
        meant = "" if port is None or port in wish["understood"] else f", port {port}"
        guide = f" (guide: {wish['character']})" if "character" in wish else ""
        console.print(f"  {wish['understood']}{meant}{guide}")
    tools = ", ".join(document["have"]) or "no tools"
    sizes = ", ".join(
        f"{system.lengths(size)} {system.length}" if size else "none" for size in document["gaskets_mm"]
    )
    steps = {tool: size for tool, size in document["steps_mm"].items() if tool in document["have"]}
    if len(set(steps.values())) == 1:
        held = f"; work held to {_step(next(iter(steps.values())), system)}"
    else:
        held = "".join(f"; {tool} held to {_step(size, system)}" for tool, size in steps.items())
    console.print(f"With {tools}; base gasket: {sizes}{held}.")


def _step(size_mm: float, system: UnitSystem) -> str:
    return f"{size_mm * system.per_mm:.3g} {system.length}"


def _show_why_not(console: Console, document: dict[str, Any], system: UnitSystem) -> None:
    console.print("\nNo work known here reaches all of that at once.", style="bold")
    if document["recipes"]:
        misses = document["recipes"][0]["misses"]
        console.print("The nearest misses: " + "; ".join(miss["words"] for miss in misses) + ".")
    if document["binds"]:
        console.print("In the way: " + "; ".join(document["binds"]) + ".")
    if len(document["wishes"]) > 1:
        for group in document["conflicts"]:
            quoted = " and ".join(f'"{text}"' for text in group)
            why = "cannot be had by itself" if len(group) == 1 else "cannot be had together"
            console.print(f"With what is on hand, {quoted} {why}.")
    from portmap.recipe_rows import work_words

    if not document["frees"]:
        console.print(
            "No one thing that was tried frees it: tool, gasket, finer step, limit, or a wish less."
        )
        return
    console.print("What would free it:")
    for free in document["frees"]:
        console.print(f"  {free['words']}: {work_words(free['operations'], system)}")


def _show_side_by_side(console: Console, found: Plan, system: UnitSystem) -> None:
    from portmap.recipe_rows import recipe_rows

    heads = ["", "work", "needs", "set-ups", "metal", "missed", "chance of all"]
    table(console, heads, recipe_rows(found, system), left=3)


def _show_recipe(
    console: Console, number: int, recipe: dict[str, Any], found: Plan, system: UnitSystem
) -> None:
    from portmap.recipe_rows import outcome_rows

    parts = found.recipes[number - 1]
    nearest = "" if found.possible else ", misses " + str(len(parts.misses))
    console.print(f"Recipe {number}: {', '.join(parts.needs) or 'no tool needed'}{nearest}", style="bold")
    if parts.more_than_needed:
        console.print("(More work than another recipe on the same gasket, for the same ends.)")
    table(console, ["wanted", "now", "after", "", "chance"], outcome_rows(parts, system), left=1)
    for place, step in enumerate(recipe["steps"], 1):
        console.print(f"  {place}. {step}")
    if parts.tightest is not None and parts.margin_mm is not None:
        room = f"{system.lengths(parts.margin_mm)} {system.length}"
        console.print(f"  Room left to the nearest limit: {room} ({parts.tightest}).")
    for notice in parts.notices:
        if not notice.code.startswith(UNCHECKED):
            console.print(f"  {notice.message}")
    console.print()


def _show_unchecked(console: Console, found: Plan) -> None:
    """Print once what no recipe could be checked for, and for which recipes that counts."""
    recipes: dict[str, list[int]] = {}
    for number, recipe in enumerate(found.recipes, 1):
        for notice in recipe.notices:
            if notice.code.startswith(UNCHECKED):
                recipes.setdefault(notice.message, []).append(number)
    for message, numbers in recipes.items():
        which = "" if len(numbers) == len(found.recipes) else f"Recipe {', '.join(map(str, numbers))}: "
        console.print(f"{which}{message}")
