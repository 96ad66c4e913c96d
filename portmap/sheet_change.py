"""The build sheet's before and after: figures side by side, the outlines on one wall, the opened areas.

Before is the earliest stage that the job has a map of, after the latest; the proposed map stands between them
where there are all three. Figures that are the same to the digits shown are left out and counted.
"""

from __future__ import annotations

from portmap.area_plot import draw_area_plot
from portmap.compare import Comparison, Side, compared
from portmap.comparison_rows import port_rows, span_rows
from portmap.engine import Engine
from portmap.look import STAGE_STROKES
from portmap.port import PortMap
from portmap.sheet_parts import Drawing, Part, Prose, Section
from portmap.sheet_rows import SheetTable
from portmap.shown import UnitSystem
from portmap.wall_drawing import draw_wall, wall_plan

__all__ = ["change_section"]

ORDER = ("stock", "proposed", "ground")
WALL_MM, PLOT_MM = 84.0, 62.0  # on paper: with a table of usual length all of it stands on one page

Row = tuple[str, str, str, str, str, str]  # port, figure, before, after, change, beyond doubt


def change_section(
    engine: Engine, maps: tuple[PortMap, ...], units: UnitSystem, *, width_mm: float, rpm: float
) -> Section | None:
    """Return what changed between the job's stages.

    Parameters
    ----------
    engine : Engine
    maps : tuple of PortMap
        One a stage.
    units : UnitSystem
    width_mm : float
        Of the page, without its margins [mm].
    rpm : float
        For the time-areas [rev/min].

    Returns
    -------
    Section or None
        None where there is but one stage.

    Raises
    ------
    QuantityError
        If the speed is not above 0.
    """
    if len(maps) < 2:
        return None
    ordered = sorted(maps, key=lambda one: ORDER.index(one.stage))
    sides = [Side(name=one.stage, port_map=one, bore_mm=engine.bore_mm, engine=engine) for one in ordered]
    whole = compared(sides[0], sides[-1], rpm=rpm)
    between = compared(sides[0], sides[1], rpm=rpm) if len(sides) > 2 else None
    latest, earlier = ordered[-1], tuple(reversed(ordered[:-1]))
    rows, same = _rows(whole, between, units)
    parts: list[Part] = [rows] if rows is not None else []
    parts.append(Prose(lines=_words(whole, ordered, same=same, rpm=rpm)))
    parts += [
        _wall(engine, latest, earlier, units, width_mm),
        _plot(engine, latest, earlier, units, width_mm),
    ]
    return Section(heading=f"Before and after: {ordered[0].stage} against {latest.stage}", parts=tuple(parts))


def _named(found: Comparison, units: UnitSystem) -> list[Row]:
    """Return every figure of a comparison, its port's name in each row."""
    rows = [row for port in found.ports for row in port_rows(port, units)]
    rows += span_rows(found, units)
    named: list[Row] = []
    name = ""
    for port, figure, a, b, change, sure in rows:
        name = port or name
        named.append((name, figure, a, b, change, sure))
    return named


def _rows(whole: Comparison, between: Comparison | None, units: UnitSystem) -> tuple[SheetTable | None, int]:
    """Return the figures that changed, if any did, and how many did not."""
    before, after = whole.a.port_map.stage, whole.b.port_map.stage
    wished = {row[:2]: row[3] for row in _named(between, units)} if between is not None else None
    head = ("port or span", "figure", before, "proposed", after, "change\n± (k = 2)", "beyond\ndoubt")
    rows: list[tuple[str, ...]] = [head]
    same = 0
    for name, figure, a, b, change, sure in _named(whole, units):
        proposed = a if wished is None else wished.get((name, figure), "–")
        row = (name, figure, a, proposed, b, change, sure)
        if a == b == proposed:
            same += 1
        elif row not in rows:  # of one exhaust, port and span have some figures in common
            rows.append(row)
    if len(rows) == 1:
        return None, same
    if wished is not None:
        shares = (0.15, 0.22, 0.12, 0.12, 0.12, 0.17, 0.1)
        return SheetTable(rows=tuple(rows), shares=shares, words=(1, 6)), same
    short = tuple((*row[:3], *row[4:]) for row in rows)
    return SheetTable(rows=short, shares=(0.18, 0.24, 0.14, 0.14, 0.19, 0.11), words=(1, 5)), same


def _words(whole: Comparison, maps: list[PortMap], *, same: int, rpm: float) -> tuple[str, ...]:
    lines = []
    if same:
        figures = "1 figure is" if same == 1 else f"{same} figures are"
        lines.append(f"{figures} the same to the digits shown, and left out.")
    stages = ", ".join(f"{one.stage} {STAGE_STROKES[one.stage].words}" for one in maps)
    lines.append(f"Time-areas at {rpm:g} rev/min, of the wall area. Lines: {stages}.")
    for names, stage in ((whole.only_a, maps[0].stage), (whole.only_b, maps[-1].stage)):
        if names:
            lines.append(f"Only in the {stage} map, compared with nothing: {', '.join(names)}.")
    return (" ".join(lines), *(f"! {notice.message}" for notice in whole.notices))


def _wall(
    engine: Engine, latest: PortMap, earlier: tuple[PortMap, ...], units: UnitSystem, width_mm: float
) -> Drawing:
    plan = wall_plan(engine, latest, width_mm=width_mm, height_mm=WALL_MM, others=earlier)
    stages = " and ".join(one.stage for one in (latest, *earlier))
    return Drawing(
        words=f"The ports on the bore wall laid flat: {stages}",
        width_mm=width_mm,
        height_mm=plan.height_mm,
        draw=lambda pen, left, top: draw_wall(
            pen,
            plan,
            engine,
            latest,
            units,
            left_mm=left,
            top_mm=top,
            width_mm=width_mm,
            others=earlier,
        ),
    )


def _plot(
    engine: Engine, latest: PortMap, earlier: tuple[PortMap, ...], units: UnitSystem, width_mm: float
) -> Drawing:
    stages = " and ".join(one.stage for one in (latest, *earlier))
    return Drawing(
        words=f"Opened area of each port against crank degree: {stages}",
        width_mm=width_mm,
        height_mm=PLOT_MM,
        draw=lambda pen, left, top: draw_area_plot(
            pen,
            engine,
            latest,
            units,
            left_mm=left,
            top_mm=top,
            width_mm=width_mm,
            height_mm=PLOT_MM,
            others=earlier,
        ),
    )
