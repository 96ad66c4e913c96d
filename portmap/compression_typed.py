"""What somebody typed of a starter and of a decompression hole or valve, and the pressures that were read.

The texts come from a command line or a form.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace

from portmap.atmosphere import Air, air
from portmap.compression import PA_PER_BAR, GaugeReading, Starter
from portmap.errors import QuantityError
from portmap.job_schema import Job
from portmap.port import PortEdges
from portmap.quantity import length_mm
from portmap.readings import Reading, reading_doubt, readings_of
from portmap.rope import PULLEY_RADIUS_GUESS_MM, Bleed
from portmap.shopwork import Build
from portmap.timing import edge_depths

__all__ = ["build_with_hole", "gauge_readings", "typed_starter"]

HOLE = "the decompression hole"

Text = str | None


def build_with_hole(build: Build, valve: Text, hole: Text, hole_roof: Text) -> Build:
    """Return the build with a decompression hole among its ports, so that work moves it as it moves them.

    Parameters
    ----------
    build : Build
    valve, hole, hole_roof : str or None
        Diameter of a valve in the head; diameter of a hole in the wall and the height of its upper edge.

    Returns
    -------
    Build

    Raises
    ------
    QuantityError
        If a text is no length, or a valve and a hole are told at once, or a hole without its place.

    Examples
    --------
    >>> from portmap.crank import Crank
    >>> from portmap.engine import Engine
    >>> engine = Engine(bore_mm=46, crank=Crank(stroke_mm=32, rod_mm=58), crown_height_mm=61)
    >>> build_with_hole(Build(engine=engine, edges=()), None, "2", "45").edges[0].roof_mm
    45.0
    """
    if valve is not None and (hole is not None or hole_roof is not None):
        raise QuantityError(
            "a valve and a hole at once are not computed", where="--valve", remedy="give one of them"
        )
    if hole_roof is None:
        if hole is not None:
            raise QuantityError(
                "where the hole is covered is not known",
                where="--hole",
                remedy="give --hole-roof, the height of its upper edge above the base face",
            )
        return build
    height = length_mm(hole_roof, where="--hole-roof")
    edges = PortEdges(id=HOLE, kind="other", control="crown", roof_mm=height)
    return replace(build, edges=(*build.edges, edges))


def typed_starter(build: Build, pulley: Text, valve: Text, hole: Text) -> Starter:
    """Return how the engine is pulled, from what was typed.

    Parameters
    ----------
    build : Build
        As `build_with_hole` gives it.
    pulley, valve, hole : str or None
        Diameters; the pulley to the middle of the rope.

    Returns
    -------
    Starter

    Raises
    ------
    QuantityError
        If a text is no length, or the hole is never covered.

    Examples
    --------
    >>> from portmap.crank import Crank
    >>> from portmap.engine import Engine
    >>> engine = Engine(bore_mm=46, crank=Crank(stroke_mm=32, rod_mm=58), crown_height_mm=61)
    >>> typed_starter(Build(engine=engine, edges=()), "80 mm", None, None).pulley_radius_mm
    40.0
    """

    def area(text: Text, where: str) -> float | None:
        return None if text is None else math.pi / 4 * length_mm(text, where=where, sign="positive") ** 2

    bleed = None if valve is None else Bleed(area_mm2=area(valve, "--valve"))
    for edges in build.edges:
        if edges.id == HOLE:
            depth, _ = edge_depths(build.engine, edges)
            if not depth > 0:
                raise QuantityError(
                    f"a hole {edges.roof_mm:g} mm above the base face is above the crown at TDC and never"
                    " covered",
                    where="--hole-roof",
                    remedy="measure from the base face, or give --valve",
                )
            bleed = Bleed(closes_at_depth_mm=depth, area_mm2=area(hole, "--hole"))
    if pulley is None:
        return Starter(pulley_radius_mm=PULLEY_RADIUS_GUESS_MM, pulley_assumed=True, bleed=bleed)
    return Starter(pulley_radius_mm=length_mm(pulley, where="--pulley", sign="positive") / 2, bleed=bleed)


def gauge_readings(job: Job, stage: str | None, typed_pa: float | None, at: Air) -> Iterator[GaugeReading]:
    """Return the cranking pressures that were read.

    Parameters
    ----------
    job : Job
    stage : str or None
        As in `portmap.readings.readings_of`.
    typed_pa : float or None
        One more, typed here [Pa].
    at : Air
        Where those were read that say nothing of their altitude.

    Returns
    -------
    iterator of GaugeReading
    """
    if typed_pa is not None:
        one = Reading(kind="cranking_pressure", value=typed_pa / PA_PER_BAR)
        yield GaugeReading(gauge_pa=typed_pa, u_pa=reading_doubt(one) * PA_PER_BAR, air=at, name="as typed")
    for number, one in enumerate(readings_of(job, stage)):
        if one.kind == "cranking_pressure":
            where = at if one.altitude_m is None else air(altitude_m=one.altitude_m)
            yield GaugeReading(
                gauge_pa=one.value * PA_PER_BAR,
                u_pa=reading_doubt(one) * PA_PER_BAR,
                air=where,
                name=f"readings[{number}]",
            )
