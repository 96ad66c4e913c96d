"""A good job's ports carried to another casting of the same kind: repeat build.

What is carried is the outline of the good job's ports, its ground map or else its proposed one. Castings
differ, and so do gaskets, cranks and pistons, so the heights are tied anew to the new casting's own datum:

degrees
    Every height comes to where the new engine's piston uncovers it at the same crank angle: the crown edge,
    or the skirt edge for ports that the skirt opens. Beyond the piston's travel, distances stay.
mm, datum crown
    Every height stays as far below the crown edge at TDC.
mm, datum base
    Every height stays as far above the base face.
mm, datum ports
    The good job's stock ports are laid on the new casting's (`portmap.registration`), and the outlines go
    with them: the same metal comes off, wherever the core lay.

Metal can't be put back, so the proposed outline is the new casting's own together with the carried one. What
the new casting has open beyond the carried line is what it cannot give, and is listed.

The doubt of the transfer is that of both crown heights, or of the laying-on, as a root sum of squares with
the outline's own; a crown height fitted from the same readings as the ports makes it smaller than this. The
proposed line carries the good job's part of it, for the new crown's part is in every timing of the new job.

Glossary
--------
carried
    Where the good job's window comes to lie on the new casting.
proposed
    The new casting's own window and the carried one together.
already open
    What of the new casting's window lies beyond the carried line.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import shapely

from portmap.carried import Datum, Way, carried_map, doubted_map, together_with
from portmap.crank import bdc_angle
from portmap.engine import Engine, crown_height_at
from portmap.errors import GeometryError, JobError, Notice
from portmap.job import Job, engine_of, port_map_of
from portmap.matching import laid_flat, matched_ports, scaled_round
from portmap.port import Port, PortMap, edges_of
from portmap.registration import Registration, fitted_registration
from portmap.roof_metal import taking
from portmap.shop_limits import breaches, limits_of
from portmap.shopwork import Build
from portmap.stated_spread import opening_u_deg
from portmap.timing import port_timing
from portmap.wall_change import Place, area_beyond, named_mm, places_beyond

__all__ = ["Repeat", "RepeatedPort", "repeated"]

SAME_BORE = 0.01  # of the bore: an oversize piston, not another engine; common practice, no source


@dataclass(frozen=True, kw_only=True, slots=True)
class RepeatedPort:
    """What became of one port.

    Parameters
    ----------
    id : str
        On the new casting.
    id_good : str or None
        On the good job; None for a port that only the new casting has.
    carried : bool
        Whether anything of it is proposed.
    good_opens_deg, stock_opens_deg, carried_opens_deg, proposed_opens_deg : float or None
        On the good engine; on the new one as it is, along the carried line, and as proposed [deg]; None where
        the piston does not open it.
    opens_u_deg : float or None
        Standard uncertainty of the proposed opening [deg]; None if nobody said how sure its parts are.
    deepest_mm, area_mm2 : float
        To be ground away: at its deepest [mm], and on the wall [mm²].
    already_open : tuple of Place
        Where the new casting is past the carried line, the deepest first.
    """

    id: str
    id_good: str | None
    carried: bool
    good_opens_deg: float | None = None
    stock_opens_deg: float | None = None
    carried_opens_deg: float | None = None
    proposed_opens_deg: float | None = None
    opens_u_deg: float | None = None
    deepest_mm: float = 0.0
    area_mm2: float = 0.0
    already_open: tuple[Place, ...] = ()


@dataclass(frozen=True, kw_only=True, slots=True)
class Repeat:
    """A good job's ports on a new casting.

    Parameters
    ----------
    way : {'degrees', 'mm'}
    datum : {'crown', 'base', 'ports'}
    stage : str
        Which of the good job's maps was carried.
    registration : Registration or None
        How the good job's ports were laid on the new casting's; None for the other datums.
    carried : PortMap
    proposed : PortMap
        Of stage ``proposed``.
    ports : tuple of RepeatedPort
    u_mm : float or None
        Standard uncertainty of the transfer's height alone [mm]; None if nobody said how sure it is.
    notices : tuple of Notice
    """

    way: Way
    datum: Datum
    stage: str
    registration: Registration | None
    carried: PortMap
    proposed: PortMap
    ports: tuple[RepeatedPort, ...]
    u_mm: float | None
    notices: tuple[Notice, ...]


def repeated(good: Job, new: Job, *, way: Way = "degrees", datum: Datum = "crown") -> Repeat:
    """Return a good job's ports carried to another casting.

    Parameters
    ----------
    good : Job
        With a ground or a proposed map.
    new : Job
        With a stock or a ground map.
    way : {'degrees', 'mm'}, optional
        Keep the timing, or the millimetres.
    datum : {'crown', 'base', 'ports'}, optional
        What millimetres count from; degrees count from the crown edge in any case.

    Returns
    -------
    Repeat

    Raises
    ------
    JobError
        If a job has no such map.
    GeometryError
        If the bores differ by more than an oversize, or the castings' ports cannot be laid on one another.

    Examples
    --------
    >>> from portmap.job import job_of
    >>> def made(crown, **roofs):
    ...     windows = {stage: [[-14, 28], [14, 28], [14, roof], [-14, roof]] for stage, roof in roofs.items()}
    ...     ports = {stage: {"id": "e", "kind": "exhaust", "control": "crown",
    ...                      "windows": [{"outline_mm": outline}]} for stage, outline in windows.items()}
    ...     return job_of({"format": "portmap-job", "version": 1, "name": "saw",
    ...         "engine": {"bore_mm": 46, "stroke_mm": 32, "rod_mm": 58, "crown_height_mm": crown},
    ...         "cylinder": {"base_gasket_mm": 0},
    ...         "maps": [{"stage": stage, "ports": [port]} for stage, port in ports.items()]})
    >>> found = repeated(made(61, stock=40, ground=41), made(61.3, stock=40.1))
    >>> found.proposed.ports[0].windows[0].outline.bounds[3], found.ports[0].deepest_mm
    (41.3, 1.2)
    """
    good_engine, new_engine = engine_of(good), engine_of(new)
    bore, good_bore = new_engine.bore_mm, good_engine.bore_mm
    if not abs(bore - good_bore) <= SAME_BORE * good_bore:
        raise GeometryError(
            f"the bores differ, {good_bore:g} and {bore:g} mm: this is another engine, not another casting",
            where="--on",
            remedy="name a job of the same bore, or use portmap plan for this one",
        )
    if way == "degrees":
        datum = "crown"
    stage = _stage(good, ("ground", "proposed"), "carry", "map the ports as ground, or propose a roof")
    own = _stage(new, ("stock", "ground"), "put it on", "trace its ports first")
    wished = scaled_round(port_map_of(good, stage), bore / good_bore)
    start = port_map_of(new, own)
    notices: list[Notice] = list(_engine_notices(good, new, good_engine, new_engine))
    registration = None
    if datum == "ports":
        before = _stage(good, ("stock",), "lay on the new casting's", "take the crown or the base as datum")
        laid = scaled_round(port_map_of(good, before), bore / good_bore)
        registration = fitted_registration(start, laid, bore)
        notices += registration.notices
    carried, left = carried_map(
        wished, good_engine, new_engine, way=way, datum=datum, registration=registration
    )
    notices += left
    u_mm = _transfer_u_mm(good_engine, new_engine, datum, registration)
    if u_mm is None:
        message = "Nobody said how sure the crown heights are: the doubt shown is that of the outlines alone."
        notices.append(Notice(code="transfer-doubt-unknown", message=message))
    if datum == "crown" and (part := _crown_u_mm(good_engine)) is not None:
        carried = doubted_map(carried, part)
    proposed, said = together_with(start, carried, new_engine)
    notices += said
    notices += _breached(new, new_engine, start, proposed)
    goods = {port.id: port for port in port_map_of(good, stage).ports}
    return Repeat(
        way=way,
        datum=datum,
        stage=stage,
        registration=registration,
        carried=carried,
        proposed=proposed,
        ports=tuple(_ports(start, carried, proposed, goods, good_engine, new_engine)),
        u_mm=u_mm,
        notices=tuple(dict.fromkeys(notices)),
    )


def _stage(job: Job, wanted: tuple[str, ...], what: str, remedy: str) -> str:
    there = {entry.stage for entry in job.maps if entry.ports}
    found = next((stage for stage in wanted if stage in there), None)
    if found is None:
        raise JobError(f"{job.name}: there is no {' or '.join(wanted)} map to {what}", remedy=remedy)
    return found


def _engine_notices(good: Job, new: Job, good_engine: Engine, new_engine: Engine) -> Iterator[Notice]:
    if good_engine.bore_mm != new_engine.bore_mm:
        message = (
            f"The bores are {good_engine.bore_mm:g} and {new_engine.bore_mm:g} mm: the outlines were carried"
            " as far round in degrees."
        )
        yield Notice(code="bores-differ", message=message)
    if not math.isclose(good_engine.crank.stroke_mm, new_engine.crank.stroke_mm, rel_tol=1e-9):
        message = (
            f"The strokes are {good_engine.crank.stroke_mm:g} and {new_engine.crank.stroke_mm:g} mm: check"
            " that this is the same kind of engine."
        )
        yield Notice(code="strokes-differ", message=message)
    there, here = good.cylinder.wall_thickness_mm, new.cylinder.wall_thickness_mm
    if there is not None and here is None:
        message = f"The good job's wall was {there:g} mm thick; nobody measured this one's."
        yield Notice(code="wall-unknown", message=message)
    elif there is not None and here is not None and here < there:
        message = f"The wall is thinner than the good job's: {here:g} against {there:g} mm."
        yield Notice(code="wall-thinner", message=message)


def _transfer_u_mm(
    good: Engine, new: Engine, datum: Datum, registration: Registration | None
) -> float | None:
    """Return how sure the transfer's height is [mm], apart from the outlines."""
    if datum == "base":
        return 0.0
    if registration is not None:
        return math.sqrt(registration.covariance[1][1])
    parts = [_crown_u_mm(one) for one in (good, new)]
    known = [part for part in parts if part is not None]
    return math.hypot(*known) if len(known) == len(parts) else None


def _crown_u_mm(engine: Engine) -> float | None:
    return None if engine.doubt is None else engine.doubt.u("crown_height_mm")


def _breached(new: Job, engine: Engine, start: PortMap, proposed: PortMap) -> Iterator[Notice]:
    """Yield the limits of work that the proposed ports go beyond, such as too narrow a bridge."""
    before, now = (
        Build(engine=engine, edges=tuple(edges_of(port) for port in port_map.ports), port_map=port_map)
        for port_map in (start, proposed)
    )
    for breach in breaches(before, now, limits_of(new)):
        if breach.grade != "not checked":
            yield breach.notice()
    wall = engine.wall_thickness_mm
    for port, new_port in zip(start.ports, proposed.ports, strict=True):
        for old, window in zip(port.windows, new_port.windows, strict=True):
            take = taking(old, window)
            if wall is not None and take is not None and take.deepest_mm > wall:
                message = (
                    f"Port {port.id} is to be ground {take.deepest_mm:.2f} mm deep, and the wall is"
                    f" {wall:g} mm thick there."
                )
                yield Notice(code="deeper-than-the-wall", message=message)


def _ports(
    start: PortMap,
    carried: PortMap,
    proposed: PortMap,
    goods: Mapping[str, Port],
    good: Engine,
    new: Engine,
) -> Iterator[RepeatedPort]:
    partner = {match.a.id: match.b for match in matched_ports(start, carried, new.bore_mm).both}
    for own, final in zip(start.ports, proposed.ports, strict=True):
        wish = partner.get(own.id)
        if wish is None:
            opens = _opens(new, own)
            yield RepeatedPort(
                id=own.id, id_good=None, carried=False, stock_opens_deg=opens, proposed_opens_deg=opens
            )
            continue
        first, line = laid_flat(own, wish, new.bore_mm)
        if own.control == "crown":  # what the piston hides at BDC is never open
            left, _, right, high = first.bounds
            first = first.intersection(shapely.box(left - 1.0, _bdc_height_mm(new), right + 1.0, high + 1.0))
        takes = [
            take
            for old, window in zip(own.windows, final.windows, strict=True)
            if (take := taking(old, window)) is not None
        ]
        round_mm = math.pi * new.bore_mm
        yield RepeatedPort(
            id=own.id,
            id_good=wish.id,
            carried=bool(takes),
            good_opens_deg=_opens(good, goods[wish.id]),
            stock_opens_deg=_opens(new, own),
            carried_opens_deg=_opens(new, wish),
            proposed_opens_deg=_opens(new, final),
            opens_u_deg=_opens_u(new, final),
            deepest_mm=max((take.deepest_mm for take in takes), default=0.0),
            area_mm2=sum(take.area_mm2 for take in takes),
            already_open=places_beyond(
                own.id,
                line,
                area_beyond(line, first),
                least_mm=named_mm(own, wish),
                round_mm=round_mm,
            ),
        )


def _bdc_height_mm(engine: Engine) -> float:
    return float(crown_height_at(engine, bdc_angle(engine.crank)))


def _opens(engine: Engine, port: Port) -> float | None:
    try:
        openings = port_timing(engine, port).openings
    except GeometryError:  # a length that its timing needs is not known
        return None
    return openings[0].opens_deg if openings else None


def _opens_u(engine: Engine, port: Port) -> float | None:
    return None if _opens(engine, port) is None else opening_u_deg(engine, port)
