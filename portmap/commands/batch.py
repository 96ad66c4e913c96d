"""The verb for many photos or jobs at once: batch."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal

import typer

from portmap.commands.options import AsJson, Marked, Stage
from portmap.commands.screen import answer, table

if TYPE_CHECKING:
    from rich.console import Console

    from portmap.batch_work import Orders

__all__ = ["batch"]

MOST_WORKERS = 256
SHOWN_FAILURES = 20  # on the screen; the summary has them all


def batch(
    folder: Annotated[
        Path, typer.Argument(metavar="FOLDER", help="Of photos or jobs; folders in it are looked into too.")
    ],
    do: Annotated[
        str | None,
        typer.Option(
            "--do",
            metavar="STEPS",
            help="Some of flatten, trace, areas. Photos are flattened and traced; areas are taken of what was"
            " traced, and of jobs. Without flatten, scaled images are traced.",
        ),
    ] = None,
    sweep: Annotated[
        list[str] | None,
        typer.Option(
            "--sweep",
            metavar="WISH",
            help='Plan every job for each value of a wish, as in "exhaust opens 96:104:2". May be repeated:'
            " then for each combination.",
        ),
    ] = None,
    want: Annotated[
        list[str] | None,
        typer.Option("--want", metavar="WISH", help="With --sweep: a wish that all plans share."),
    ] = None,
    out: Annotated[
        Path | None,
        typer.Option(
            "--out", metavar="DIR", help="Folder of the results; FOLDER-batch beside it unless told."
        ),
    ] = None,
    workers: Annotated[
        int | None,
        typer.Option(
            "--workers",
            metavar="N",
            min=1,
            max=MOST_WORKERS,
            help="How many at once; one for each core unless told. A large photo takes a worker about 1 GB.",
        ),
    ] = None,
    threads: Annotated[
        bool,
        typer.Option(
            "--threads",
            help="Workers in one process: quicker to start, less memory; one that dies ends the batch.",
        ),
    ] = False,
    scheduler: Annotated[
        str | None,
        typer.Option(
            "--scheduler",
            metavar="ADDRESS",
            help="Use the workers of a Dask cluster, as in tcp://bench:8786; portmap must be on them.",
        ),
    ] = None,
    bar_measured: Annotated[
        str | None,
        typer.Option("--bar-measured", metavar="LENGTH[,LENGTH]", help="Of all photos, as for flatten."),
    ] = None,
    mm_per_px: Annotated[
        str | None, typer.Option("--mm-per-px", metavar="LENGTH", help="Pixel size, as for flatten.")
    ] = None,
    marked: Marked = "axis",
    sheet_thickness: Annotated[
        str | None, typer.Option("--sheet-thickness", metavar="LENGTH", help="Of the lifted sheets.")
    ] = None,
    bore: Annotated[
        str | None, typer.Option("--bore", metavar="LENGTH", help="Bore that all sheets were lifted from.")
    ] = None,
    lift: Annotated[
        Literal["filled", "line", "cut"] | None, typer.Option("--lift", help="As for trace.")
    ] = None,
    edge: Annotated[
        Literal["inner", "middle", "outer"] | None, typer.Option("--edge", help="As for trace.")
    ] = None,
    expect: Annotated[
        int | None, typer.Option("--expect", metavar="N", min=1, help="How many windows each must have.")
    ] = None,
    have: Annotated[
        str | None, typer.Option("--have", metavar="TOOLS", help="Tools at hand, as for plan.")
    ] = None,
    gaskets: Annotated[
        str | None, typer.Option("--gaskets", metavar="SIZES", help="Base gaskets on hand, as for plan.")
    ] = None,
    step: Annotated[
        str | None, typer.Option("--step", metavar="SIZE", help="What you can hold, as for plan.")
    ] = None,
    middle: Annotated[
        bool, typer.Option("--middle", help="Aim at the middle of each wish, as for plan.")
    ] = False,
    stage: Stage = None,
    as_json: AsJson = False,
) -> None:
    """Flatten, trace and measure many photos or jobs at once, or plan a family of jobs for many wishes.

    One that fails stops no other. Run the same again, and what is done is not done again. The results do not
    depend on the number of workers. Exit code 1 if any failed.
    """
    import os

    from portmap.batch import batch as batched
    from portmap.batch_family import cases_of
    from portmap.batch_work import Orders, steps_of
    from portmap.batch_workers import Workers
    from portmap.commands.picture import _bars
    from portmap.quantity import length_mm, lengths_mm

    if (do is None) == (not sweep):
        raise typer.BadParameter("name steps, or wishes to sweep with --sweep", param_hint="--do")
    if scheduler is not None and (workers is not None or threads):
        raise typer.BadParameter("the workers are those of the cluster", param_hint="--scheduler")
    _check_meant(
        bool(sweep),
        photos={
            "--bar-measured": bar_measured,
            "--mm-per-px": mm_per_px,
            "--sheet-thickness": sheet_thickness,
            "--bore": bore,
            "--lift": lift,
            "--edge": edge,
            "--expect": expect,
        },
        plans={"--want": want, "--have": have, "--gaskets": gaskets, "--step": step, "--middle": middle},
    )

    def length(text: str | None, option: str, sign: Literal["positive", "not negative"]) -> float | None:
        return None if text is None else length_mm(text, where=option, sign=sign)

    orders = Orders(
        steps=() if do is None else steps_of(do),
        bar_measured_mm=None if bar_measured is None else _bars(bar_measured),
        mm_per_px=length(mm_per_px, "--mm-per-px", "positive"),
        marked=marked,
        sheet_thickness_mm=length(sheet_thickness, "--sheet-thickness", "not negative"),
        lift=lift,
        edge=edge,
        expect=expect,
        bore_mm=length(bore, "--bore", "positive"),
        stage=stage,
        wants=tuple(want or ()),
        have=have,
        gaskets_mm=None if gaskets is None else lengths_mm(gaskets, where="--gaskets", sign="not negative"),
        step=step,
        middle=middle,
    )
    _check_plan(orders)
    home = folder.resolve()
    place = out or home.with_name(f"{home.name}-batch")
    with _standard_output_kept(), _progress() as tell:
        found = batched(
            folder,
            place,
            orders,
            cases=cases_of(sweep) if sweep else (),
            workers=Workers(
                count=workers or os.cpu_count() or 1,
                how="threads" if threads else "processes",
                scheduler=scheduler,
            ),
            tell=tell,
        )
    failures = [record for record in found.records if record.error is not None]
    document: dict[str, Any] = {
        "out": str(place),
        "summary": str(found.summary),
        "parquet": None if found.parquet is None else str(found.parquet),
        "pieces": len(found.records),
        "done": len(found.records) - len(failures),
        "done_before": found.kept,
        "left_out": found.left_out,
        "failed": [
            {"item": each.item, **({"case": each.case} if sweep else {}), "error": each.error}
            for each in failures
        ],
        "warnings": [notice.as_dict() for notice in found.notices],
    }

    def show(console: Console) -> None:
        _show(console, document)

    answer(document, as_json=as_json, show=show)
    if failures:
        raise typer.Exit(1)


def _check_meant(study: bool, *, photos: dict[str, object], plans: dict[str, object]) -> None:
    """Refuse options that mean nothing for what is done."""
    from portmap.errors import QuantityError

    for name, value in (photos if study else plans).items():
        if value not in (None, False, []):
            for_what = "photos" if study else "a study with --sweep"
            raise QuantityError(f"this is for {for_what} only", where=name, remedy="leave it away here")


def _check_plan(orders: Orders) -> None:
    """Refuse wishes and tools that no job could do with, before any work."""
    from portmap.shop import shop_of
    from portmap.wishes import wishes_of

    if orders.wants:
        wishes_of(orders.wants)
    shop_of(have=orders.have, gaskets_mm=orders.gaskets_mm, step=orders.step)


def _show(console: Console, document: dict[str, Any]) -> None:
    before = f", {document['done_before']} of them before" if document["done_before"] else ""
    console.print(f"Done: {document['done']} of {document['pieces']}{before}.")
    failures = document["failed"]
    if failures:
        said = list(dict.fromkeys(each["error"] for each in failures))  # a broken job fails in every case
        shown = [[str(number), error] for number, error in enumerate(said[:SHOWN_FAILURES], 1)]
        table(console, ["failed", "why"], shown, left=2, wrapped=1)
        if len(said) > SHOWN_FAILURES:
            console.print(f"and {len(said) - SHOWN_FAILURES} more, in the summary.")
    written = document["summary"] + (f" and {document['parquet']}" if document["parquet"] else "")
    console.print(f"Wrote {written}.")


@contextmanager
def _standard_output_kept() -> Iterator[None]:
    """Send what the solver's own C code prints, here or in a worker, to standard error."""
    import os

    sys.stdout.flush()
    kept = os.dup(1)
    try:
        os.dup2(2, 1)
        yield
    finally:
        os.dup2(kept, 1)
        os.close(kept)


@contextmanager
def _progress() -> Iterator[Callable[[int, int, str], None]]:
    """Show a bar on a terminal; elsewhere nothing."""
    if not sys.stderr.isatty():
        yield lambda done, total, item: None
        return
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

    bar = Progress(
        TextColumn("{task.description}", markup=False),
        BarColumn(),
        MofNCompleteColumn(),
        TimeRemainingColumn(),
        console=Console(stderr=True, markup=False, highlight=False),
    )
    with bar:
        task = bar.add_task("Starting", total=None)
        yield lambda done, total, item: bar.update(
            task, completed=done, total=total, description=(item or "Starting")[-40:]
        )
