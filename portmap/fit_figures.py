"""The figures that a fit looks for: what each starts from, what is said of it, and how firmly.

Every figure is held by something. A figure measured for the job counts as one more reading, with its tool's
usual doubt; an outline's height with the outline's own. What was assumed (a guessed rod, a pin offset nobody
spoke of) is held within a stated doubt. What comes from readings alone is held so loosely that any reading
of it prevails; where no reading says anything of it, it stays where it was and counts as assumed.

A figure that an earlier fit found is not a reading: its readings are still there, and count once.

Glossary
--------
centre
    The value by which a figure is held.
hold
    By what: ``measured``, ``assumed``, or ``loose`` where nothing is known beside the readings.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from portmap.crank import ROD_RATIO_GUESS, Crank, piston_depth
from portmap.job import PLAIN_NAMES, Job
from portmap.port import PortEdges
from portmap.readings import Reading, reading_doubt, timed_edge
from portmap.tools import assumptions, tool_doubt, tools

__all__ = [
    "ENGINE_FIGURES",
    "Figure",
    "Hold",
    "edges_read",
    "figures_of",
    "gasket_figure",
    "mean_doubt",
    "used_in_fit",
]

Hold = Literal["measured", "assumed", "loose"]

# name, where it stands in the job, and the reading that gives it outright
ENGINE_FIGURES: tuple[tuple[str, str, str | None], ...] = (
    ("bore_mm", "engine", "bore"),
    ("stroke_mm", "engine", "stroke"),
    ("rod_mm", "engine", "rod"),
    ("pin_offset_mm", "engine", "pin_offset"),
    ("crown_height_mm", "engine", "crown_height"),
    ("skirt_length_mm", "engine", "skirt_length"),
    ("head_volume_cm3", "engine", "head_volume"),
    ("case_volume_cm3", "engine", "case_volume"),
    ("base_gasket_mm", "cylinder", "gasket_crushed"),
    ("squish_band_height_mm", "cylinder", "squish_band_height"),
    ("squish_band_width_mm", "cylinder", None),
    ("deck_height_mm", "cylinder", "deck_height"),
)

SAME_GASKET_MM = 0.05  # a gasket so near to the cylinder's own is that one; others differ by 0.1 mm or more
LOOSE_MM = 50.0  # how loosely a length is held that only readings tell of
LOOSE_SHARE = 0.5  # and a figure that has had a value, of that value


@dataclass(frozen=True, kw_only=True, slots=True)
class Figure:
    """One figure of the engine or of a port.

    Parameters
    ----------
    name : str
        As in `portmap.engine.EngineDoubt`; ``gasket_mm:0.8`` is a gasket that was fitted while reading.
    words : str
        In plain words.
    unit : str
        ``mm`` or ``cm3``.
    centre, centre_u : float
        By what it is held, and how firmly (k = 1), in that unit.
    hold : {'measured', 'assumed', 'loose'}
    stated : float or None
        What the job says; None if nothing.
    """

    name: str
    words: str
    unit: str
    centre: float
    centre_u: float
    hold: Hold
    stated: float | None = None


def used_in_fit(reading: Reading) -> bool:
    """Return whether a reading says something of the engine's figures.

    Parameters
    ----------
    reading : Reading

    Returns
    -------
    bool
        Not so for a gasket before its crush, nor for a cranking pressure, which leans on more than lengths
        and volumes; both are compared with the fit afterwards.

    Examples
    --------
    >>> used_in_fit(Reading(kind="gasket", value=0.5)), used_in_fit(Reading(kind="squish", value=0.6))
    (False, True)
    """
    return reading.kind not in ("gasket", "cranking_pressure")


def gasket_figure(reading: Reading, base_gasket_mm: float | None) -> str | None:
    """Return which figure is the gasket that was fitted while reading.

    Parameters
    ----------
    reading : Reading
    base_gasket_mm : float or None
        The cylinder's own [mm]; None if it has none.

    Returns
    -------
    str or None
        None without a gasket.

    Examples
    --------
    >>> gasket_figure(Reading(kind="squish", value=0.6, gasket_mm=0.8), 0.5)
    'gasket_mm:0.8'
    """
    fitted = reading.gasket_mm
    if fitted is None:
        return None if base_gasket_mm is None else "base_gasket_mm"
    if fitted == 0:
        return None
    if base_gasket_mm is not None and abs(fitted - base_gasket_mm) <= SAME_GASKET_MM:
        return "base_gasket_mm"
    return f"gasket_mm:{fitted:g}"


def figures_of(job: Job, readings: Sequence[Reading], ports: dict[str, PortEdges]) -> tuple[Figure, ...]:
    """Return the figures that a job and its readings are about.

    Parameters
    ----------
    job : Job
    readings : sequence of Reading
        Those that are to be fitted.
    ports : dict of str to PortEdges
        From `portmap.readings.reading_ports`.

    Returns
    -------
    tuple of Figure
        The engine's first, then gaskets, then the ports' heights.

    Examples
    --------
    >>> from portmap.job import job_of
    >>> job = job_of({"format": "portmap-job", "version": 1, "name": "saw", "maps": [],
    ...               "engine": {"bore_mm": 46, "stroke_mm": 32, "crown_height_mm": 61}})
    >>> [(figure.name, figure.hold) for figure in figures_of(job, (), {})][1:3]
    [('stroke_mm', 'measured'), ('rod_mm', 'assumed')]
    """
    found: dict[str, Figure] = {}
    for name, _, kind in ENGINE_FIGURES:
        figure = _engine_figure(job, name, kind, readings)
        if figure is not None:
            found[name] = figure
    _add_gaskets(found, readings)
    _add_unstated(found, readings, ports)
    _add_heights(found, readings, ports, {port.id for entry in job.maps for port in entry.ports})
    return tuple(found.values())


def _basis(job: Job, name: str) -> str:
    return {**job.engine.basis, **job.cylinder.basis}.get(name, "measured")


def _engine_figure(job: Job, name: str, kind: str | None, readings: Sequence[Reading]) -> Figure | None:
    """Return a figure that the job states, or that is always assumed."""
    entry = job.engine if name in type(job.engine).model_fields else job.cylinder
    stated: float | None = getattr(entry, name)
    words, unit = PLAIN_NAMES[name][0], "cm3" if name.endswith("cm3") else "mm"
    basis = _basis(job, name)
    read = [reading.value for reading in readings if reading.kind == kind and reading.gasket_mm is None]

    def figure(centre: float, centre_u: float, hold: Hold) -> Figure:
        return Figure(
            name=name, words=words, unit=unit, centre=centre, centre_u=centre_u, hold=hold, stated=stated
        )

    if name == "rod_mm":
        stroke, ratio = job.engine.stroke_mm, job.engine.rod_ratio
        if stated is None or (ratio is not None and basis != "measured"):
            guess = (ROD_RATIO_GUESS if ratio is None else ratio) * stroke
            return figure(guess, assumptions().rod_ratio_u * stroke, "assumed")
    if name == "pin_offset_mm" and (basis != "measured" or name not in entry.model_fields_set):
        return figure(0.0, assumptions().pin_offset_u_mm, "assumed")
    if name == "base_gasket_mm" and not stated:
        if read and name not in entry.model_fields_set:
            return figure(read[0], LOOSE_SHARE * abs(read[0]), "loose")
        return None  # none fitted: nothing to find
    if stated is None:
        return None if not read else figure(read[0], LOOSE_SHARE * abs(read[0]) or LOOSE_MM, "loose")
    if basis == "measured":
        tool = "burette" if unit == "cm3" else "caliper"
        return figure(stated, tool_doubt(tools()[tool]), "measured")
    if basis == "assumed":
        return figure(stated, assumptions().figure_share_u * abs(stated), "assumed")
    return figure(stated, LOOSE_SHARE * abs(stated) or LOOSE_MM, "loose")


def _add_gaskets(found: dict[str, Figure], readings: Sequence[Reading]) -> None:
    own = found.get("base_gasket_mm")
    crushed = {
        gasket_figure(reading, own.centre if own else None)
        for reading in readings
        if reading.kind == "gasket_crushed"
    }
    for reading in readings:
        name = gasket_figure(reading, own.centre if own else None)
        if name is None or name in found or reading.gasket_mm is None:
            continue
        size = reading.gasket_mm
        known = name in crushed  # then the reading tells, and the name is only a name
        found[name] = Figure(
            name=name,
            words=f"gasket called {size:g} mm",
            unit="mm",
            centre=size,
            centre_u=max(0.3 * size, 0.1) if known else tool_doubt(tools()["caliper"]),
            hold="loose" if known else "measured",
            stated=size,
        )


def _add_unstated(found: dict[str, Figure], readings: Sequence[Reading], ports: dict[str, PortEdges]) -> None:
    """Add the figures that a reading leans on though neither the job nor a reading states them."""
    kinds = {reading.kind for reading in readings}
    crown = found["crown_height_mm"].centre
    skirts = any(
        reading.kind in ("opens", "closes") and ports[reading.port or ""].control == "skirt"
        for reading in readings
    )
    squish = next((reading.value for reading in readings if reading.kind == "squish"), 0.0)
    for name, needed, start in (
        ("deck_height_mm", bool(kinds & {"roof_from_deck", "floor_from_deck"}), crown),
        ("squish_band_height_mm", "squish" in kinds, crown + squish),
        ("skirt_length_mm", skirts, 1.1 * found["stroke_mm"].centre),
    ):
        if needed and name not in found:
            found[name] = Figure(
                name=name,
                words=PLAIN_NAMES[name][0],
                unit="mm",
                centre=start,
                centre_u=LOOSE_MM,
                hold="loose",
            )


def _add_heights(
    found: dict[str, Figure],
    readings: Sequence[Reading],
    ports: dict[str, PortEdges],
    mapped: set[str],
) -> None:
    """Add the heights that readings are about, and those of ports without an outline."""
    read = {(reading.port, edge) for reading in readings for edge in edges_read(reading, ports)}
    for port in ports.values():
        for edge, stated, u_mm in (
            ("roof", port.roof_mm, port.roof_u_mm),
            ("floor", port.floor_mm, port.floor_u_mm),
        ):
            touched = (port.id, edge) in read
            outlined = port.id in mapped
            if not touched and (outlined or stated is None):
                continue
            hold: Hold = "loose"
            if stated is not None and (outlined or not touched):
                centre, hold = stated, "measured"
                centre_u = u_mm or (
                    assumptions().outline_u_mm if outlined else tool_doubt(tools()["caliper"])
                )
            else:
                centre = _start(port, edge, readings, found) if stated is None else stated
                centre_u = LOOSE_MM
            name = f"{edge}_mm:{port.id}"
            found[name] = Figure(
                name=name,
                words=f"{port.id} {edge}",
                unit="mm",
                centre=centre,
                centre_u=centre_u,
                hold=hold,
                stated=stated,
            )


def edges_read(reading: Reading, ports: dict[str, PortEdges]) -> tuple[str, ...]:
    """Return which edges of its port a reading tells of.

    Parameters
    ----------
    reading : Reading
    ports : dict of str to PortEdges

    Returns
    -------
    tuple of str
        ``roof``, ``floor``, or both for a pocket's degree; none for a reading of no port.

    Examples
    --------
    >>> ports = {"a": PortEdges(id="a", kind="intake", control="skirt")}
    >>> edges_read(Reading(kind="opens", port="a", value=285.0), ports)
    ('floor',)
    """
    if reading.port is None:
        return ()
    if reading.kind in ("opens", "closes"):
        edge = timed_edge(ports[reading.port])
        return ("roof", "floor") if edge is None else (edge,)
    return (reading.kind.split("_")[0],)


def _start(port: PortEdges, edge: str, readings: Sequence[Reading], found: dict[str, Figure]) -> float:
    """Return a height near to what the first reading of it says; which, does not matter in the end."""
    crown = found["crown_height_mm"].centre
    own = found.get("base_gasket_mm")
    for reading in readings:
        if reading.port != port.id or edge not in edges_read(reading, {port.id: port}):
            continue
        gasket = gasket_figure(reading, own.centre if own else None)
        top = crown - (found[gasket].centre if gasket else 0.0)
        if reading.kind.endswith("_height"):
            return reading.value
        if reading.kind.endswith("_from_deck"):
            return found["deck_height_mm"].centre - reading.value
        if reading.kind.endswith("_depth"):
            return top - reading.value
        crank = Crank(
            stroke_mm=found["stroke_mm"].centre,
            rod_mm=found["rod_mm"].centre,
            pin_offset_mm=found["pin_offset_mm"].centre,
        )
        depth = float(piston_depth(crank, reading.value))
        if port.control == "skirt":
            return top - found["skirt_length_mm"].centre - depth
        return top - depth
    return crown / 2


def mean_doubt(reading: Reading, crank: Crank) -> float:
    """Return how sure a reading is, with what the wheel adds to a depth at a degree.

    Parameters
    ----------
    reading : Reading
    crank : Crank
        Near to the engine's own.

    Returns
    -------
    float
        Standard uncertainty in the reading's unit.

    Examples
    --------
    >>> crank = Crank(stroke_mm=32, rod_mm=58)
    >>> round(mean_doubt(Reading(kind="depth_at", at_deg=90, value=18.25), crank), 3)
    0.07
    """
    if reading.kind != "depth_at" or reading.at_deg is None:
        return reading_doubt(reading)
    step = 0.01
    around = piston_depth(crank, [reading.at_deg - step, reading.at_deg + step])
    return reading_doubt(reading, mm_per_deg=abs(float(around[1] - around[0])) / (2 * step))
