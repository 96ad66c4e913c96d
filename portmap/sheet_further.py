"""What follows the build sheet's first page, for the customer, for the bench, or for both.

The customer has what changed, what was done, the photos and lines for handing over; the bench has the
readings with their doubts, ratios, what each work does, guides and the gas model, the plan's steps and lines
to write on as well.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from portmap.engine import Engine
from portmap.errors import Notice
from portmap.job_schema import Job
from portmap.port import PortMap
from portmap.sheet_bench import BenchFigures, bench_sections
from portmap.sheet_change import change_section
from portmap.sheet_gas import gas_section
from portmap.sheet_lines import code_section, hand_over_section, lines_section
from portmap.sheet_log import done_section, plan_section
from portmap.sheet_parts import Photo, Prose, Section
from portmap.sheet_photos import photo_numbers
from portmap.shown import UnitSystem

__all__ = ["Further", "Reader", "further_sections"]

Reader = Literal["customer", "bench", "all"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Further:
    """What the further pages are made from.

    Parameters
    ----------
    reader : {'customer', 'bench', 'all'}
    job : Job
        For its plan, edges and log.
    maps : tuple of PortMap
        One a stage.
    photos : tuple of Photo
    bench : BenchFigures or None
        None where the bench's figures are not asked for.
    """

    reader: Reader
    job: Job
    maps: tuple[PortMap, ...]
    photos: tuple[Photo, ...] = ()
    bench: BenchFigures | None = None


def further_sections(
    further: Further,
    engine: Engine,
    units: UnitSystem,
    *,
    name: str,
    file_sha256: str,
    rpm: float,
    width_mm: float,
    notices: tuple[Notice, ...] = (),
) -> tuple[Section, ...]:
    """Return the sections that follow the first page.

    Parameters
    ----------
    further : Further
    engine : Engine
    units : UnitSystem
    name : str
        Of the job.
    file_sha256 : str
        Of its file; empty without one.
    rpm : float
        For time-areas before and after [rev/min].
    width_mm : float
        Of a page, without its margins [mm].
    notices : tuple of Notice, optional
        Warnings that the first page does not tell in full.

    Returns
    -------
    tuple of Section
        Only those that have something to say.
    """
    customer, bench = further.reader != "bench", further.reader != "customer"
    found: list[Section | None] = [
        change_section(engine, further.maps, units, width_mm=width_mm, rpm=rpm),
        plan_section(further.job, units, steps=bench),
        done_section(further.job, photo_numbers(further.job)),
    ]
    if further.photos:
        found.append(Section(heading="Photos", parts=(further.photos,)))
    if bench and further.bench is not None:
        found += bench_sections(further.bench, units)
        found.append(gas_section(engine, further.maps, units, rpm=rpm, width_mm=width_mm))
    if notices:
        lines = tuple(f"! {notice.message}" for notice in notices)
        found.append(Section(heading="Warnings that travel with this job", parts=(Prose(lines=lines),)))
    if bench:
        found.append(lines_section())
    if customer:
        found.append(hand_over_section())
    found.append(code_section(name, file_sha256))
    return tuple(section for section in found if section is not None)
