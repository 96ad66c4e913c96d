"""The main job from photo to build sheet, done on the sample photographs, and how near it came to the truth.

Every step calls what its verb calls and names that verb, so that a reader can do the same by hand in the
folder of the demo. The samples are made up, their truth is known: `portmap.demo_truth` compares.
"""

from __future__ import annotations

import json
import time
from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

from portmap.demo_steps import Run, Step, made_folder, traced_photo
from portmap.demo_truth import (
    COMPARED_RPM,
    Comparison,
    check_not_broken,
    figure_comparisons,
    window_comparisons,
)

if TYPE_CHECKING:
    from portmap.engine import Engine
    from portmap.job import Job
    from portmap.picture.trace import Trace
    from portmap.port import PortMap
    from portmap.samples import Samples

__all__ = ["run_demo"]

RPM = (6000.0, 8000.0, 10000.0, 12000.0)


def run_demo(
    folder: Path, *, force: bool = False, tell: Callable[[Step], None] = lambda step: None
) -> dict[str, Any]:
    """Do the main job on the samples in a folder.

    Parameters
    ----------
    folder : Path
        Where all results go; made if it does not exist.
    force : bool, optional
        Use a folder that holds files, and replace those of the same names.
    tell : callable, optional
        Called with each `Step` when it is done.

    Returns
    -------
    dict
        ``folder``; ``seconds``; ``steps``; ``comparison``: for every figure ``photo``, ``port``,
        ``figure``, ``measured``, ``u``, ``true``, ``off``, ``inside``; ``inside``, how many of ``of``;
        ``warnings``.

    Raises
    ------
    OutputError
        If the folder holds files and `force` is not set, or cannot be written.
    PortmapError
        If a step fails, or a figure is so far off that something must be broken.
    """
    from portmap.samples import samples

    begun = time.perf_counter()
    run = Run(made_folder(folder, force=force), force=force, tell=tell)
    sample = samples()
    _put_samples(run, sample)
    _print_card(run)
    comparisons: list[Comparison] = []
    traces: dict[str, Trace] = {}
    for photo in sample.photos:
        traces[photo.file] = traced_photo(run, photo, sample)
        comparisons += window_comparisons(photo.file, traces[photo.file], sample.windows)
    main = sample.photos[0].file
    job = _make_job(run, traces[main], sample)
    engine, port_map = _figures(run, job)
    comparisons += figure_comparisons(main, engine, port_map, sample.windows)
    _print_sheet(run)
    check_not_broken(comparisons)
    warnings = [
        {"code": notice.code, "message": f"{name}: {notice.message}"}
        for name, trace in traces.items()
        for notice in trace.notices
    ]
    return {
        "folder": str(folder),
        "seconds": time.perf_counter() - begun,
        "steps": run.told(),
        "comparison": [each.as_dict() for each in comparisons],
        "inside": sum(each.inside for each in comparisons),
        "of": len(comparisons),
        "warnings": warnings,
    }


def _put_samples(run: Run, sample: Samples) -> None:
    def work() -> tuple[str, list[Path]]:
        files = [run.write(photo.file, photo.data) for photo in sample.photos]
        engine = json.dumps(sample.engine, indent=1, ensure_ascii=False) + "\n"
        files.append(run.write("engine.json", engine.encode()))
        size = sum(len(photo.data) for photo in sample.photos) / 1e6
        return (
            f"{len(sample.photos)} made-up photos of a made-up engine, {size:.1f} MB, and its engine file",
            files,
        )

    run.do("Take the samples", "", work)


def _print_card(run: Run) -> None:
    def work() -> tuple[str, list[Path]]:
        from portmap.picture.card import flat_card
        from portmap.picture.card_drawing import card_pdf

        return "the card on which the sheets were photographed", [
            run.write("card.pdf", card_pdf(flat_card("A4")))
        ]

    run.do("Print the card", "portmap card flat --out card.pdf", work)


def _make_job(run: Run, trace: Trace, sample: Samples) -> Job:
    from portmap.assign import assignment_of
    from portmap.files import read_json
    from portmap.job import read_job, write_job
    from portmap.job_new import new_job
    from portmap.job_review import reviewed
    from portmap.map_file import read_map

    stem = sample.photos[0].file.replace(".", "-")
    says = [
        f"{window.number}={known.kind}:{known.id}"
        for window, known in zip(trace.windows, sample.windows, strict=True)
    ]

    def making() -> tuple[str, list[Path]]:
        job, _ = new_job(
            read_map(run.folder / f"{stem}-map.json"),
            read_json(run.folder / "engine.json"),
            assignments=[assignment_of(text) for text in says],
            created=date.today().isoformat(),
        )
        return f"{job.name}: {', '.join(port.id for port in job.maps[0].ports)}", [
            write_job(run.folder / "job.json", job, force=run.force)
        ]

    def checking() -> tuple[str, list[Path]]:
        notices = reviewed(read_job(run.folder / "job.json"))
        words = "; ".join(notice.message for notice in notices)
        return f"the file is sound. {words}" if words else "the file is sound, nothing is doubtful", []

    assign = " ".join(f"--assign {text}" for text in says)
    run.do(
        "Make the job",
        f"portmap new --map {stem}-map.json --engine engine.json {assign} --out job.json",
        making,
    )
    run.do("Check the job", "portmap check job.json", checking)
    return read_job(run.folder / "job.json")


def _figures(run: Run, job: Job) -> tuple[Engine, PortMap]:
    from portmap.area_table import area_csv
    from portmap.figures import timearea_document, timing_document
    from portmap.job import engine_of, port_map_of
    from portmap.shown import with_doubt

    engine, port_map = engine_of(job), port_map_of(job)

    def timing() -> tuple[str, list[Path]]:
        document = timing_document(engine, port_map)
        parts = [
            f"{port['id']} {with_doubt(port['opens_deg'], port['opens_u_deg'], 2)}°"
            for port in document["ports"]
        ]
        blowdown = with_doubt(document["blowdown_deg"], document["blowdown_u_deg"], 2)
        return f"opens: {', '.join(parts)}; blowdown {blowdown}°", []

    def areas() -> tuple[str, list[Path]]:
        return "opened area against degree and height", [
            run.write("areas.csv", area_csv(engine, port_map).encode())
        ]

    def timeareas() -> tuple[str, list[Path]]:
        spans = timearea_document(engine, port_map, (COMPARED_RPM,))["spans"]
        parts = [f"{span['span']} {1000 * span['specific_s_per_m']:.2f}" for span in spans]
        return f"specific, in 10⁻³ s/m at {COMPARED_RPM:g} rpm: {', '.join(parts)}", []

    run.do("Timings", "portmap timing job.json", timing)
    run.do("Areas", "portmap areas job.json --csv areas.csv", areas)
    run.do("Time-areas", f"portmap timearea job.json --rpm {COMPARED_RPM:g}", timeareas)
    return engine, port_map


def _print_sheet(run: Run) -> None:
    def work() -> tuple[str, list[Path]]:
        from portmap.job import read_job
        from portmap.job_sheet import sheet_record
        from portmap.sheet import sheet_pdf

        file = run.folder / "job.json"
        record = sheet_record(read_job(file), file.read_bytes())
        return "pages to keep with the cylinder", [run.write("sheet.pdf", sheet_pdf(record, rpm=RPM))]

    run.do("Build sheet", "portmap sheet job.json --out sheet.pdf", work)
