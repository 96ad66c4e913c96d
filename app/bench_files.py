"""What is taken to the bench, as the content of files: scribe table, template, build sheet."""

from __future__ import annotations

import hashlib
from typing import Literal

from portmap.app.store import OpenJob
from portmap.errors import JobError
from portmap.job import Job, engine_of, map_entry_of, port_map_of
from portmap.job_review import job_notices
from portmap.scribe import ScribeRow, scribe_map_rows
from portmap.scribe_table import ScribeFormat, scribe_bytes
from portmap.shown import UnitSystem

__all__ = ["scribe_file", "scribe_marks", "sheet_file", "template_file"]


def _marked_stage(job: Job) -> str:
    stages = [entry.stage for entry in job.maps]
    return "proposed" if "proposed" in stages else map_entry_of(job).stage


def scribe_marks(job: Job, step_mm: float = 1.0) -> tuple[ScribeRow, ...]:
    """Return the marks along every edge that the proposed map moves; of all roofs if there is none.

    Parameters
    ----------
    job : Job
    step_mm : float, optional
        Along the wall [mm].

    Returns
    -------
    tuple of ScribeRow

    Raises
    ------
    PortmapError
        As `portmap.scribe.scribe_map_rows`.
    """
    stage = _marked_stage(job)
    started = stage == "proposed" and any(entry.stage == "stock" for entry in job.maps)
    start = port_map_of(job, "stock") if started else None
    return scribe_map_rows(engine_of(job), port_map_of(job, stage), step_mm, start=start)


def scribe_file(job: Job, kind: ScribeFormat, system: UnitSystem) -> bytes:
    """Return the scribe table as a file.

    Parameters
    ----------
    job : Job
    kind : {'pdf', 'csv', 'json'}
    system : UnitSystem

    Returns
    -------
    bytes
    """
    engine = engine_of(job)
    basis = [
        *(f"Nobody measured, so assumed: {words}." for words in engine.assumed),
        *(f"Fitted from readings: {words}." for words in engine.fitted),
    ]
    return scribe_bytes(kind, scribe_marks(job), job.name, _marked_stage(job), basis=basis, units=system.name)


def template_file(opened: OpenJob, kind: Literal["pdf", "svg", "dxf"]) -> bytes:
    """Return the sheet that goes round the wall at true size.

    Parameters
    ----------
    opened : OpenJob
    kind : {'pdf', 'svg', 'dxf'}

    Returns
    -------
    bytes

    Raises
    ------
    PortmapError
        If the ports cannot be laid on a sheet.
    """
    from portmap.template import wall_sheet
    from portmap.template_dxf import template_dxf
    from portmap.template_lay import TemplateRecord, lay_on
    from portmap.template_pdf import template_pdf
    from portmap.template_svg import template_svg

    job = opened.job
    engine = engine_of(job)
    lay, said = lay_on(engine)
    stages = [entry.stage for entry in job.maps]
    notices = (*said, *(notice for stage in stages for notice in job_notices(job, stage)))
    record = TemplateRecord(
        name=job.name,
        engine=engine,
        port_maps=tuple(port_map_of(job, stage) for stage in stages),
        date=job.created or "",
        file_sha256=hashlib.sha256(_content(opened)).hexdigest(),
        notices=tuple(dict.fromkeys(notices)),
    )
    sheet = wall_sheet(record, lay, paper="A4" if kind == "pdf" else None)
    return {"pdf": template_pdf, "svg": template_svg, "dxf": template_dxf}[kind](sheet)


def sheet_file(opened: OpenJob, system: UnitSystem) -> bytes:
    """Return the build sheet.

    Parameters
    ----------
    opened : OpenJob
    system : UnitSystem

    Returns
    -------
    bytes
        PDF.

    Raises
    ------
    PortmapError
        If the job has no map.
    """
    from portmap.job_sheet import sheet_record
    from portmap.sheet import sheet_pdf

    return sheet_pdf(sheet_record(opened.job, _content(opened)), units=system.name)


def _content(opened: OpenJob) -> bytes:
    try:
        return opened.path.read_bytes()
    except OSError as error:
        raise JobError(
            f"cannot be read ({error.strerror})", where=opened.path.name, remedy="save the job first"
        ) from error
