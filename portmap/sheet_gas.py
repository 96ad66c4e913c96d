"""The build sheet's section about time enough at a speed: guide verdicts, and the blowdown by the gas model.

Guides are marked as such, with how each was come by; the model's figures with ± and what it is not. What
cannot be told says why.
"""

from __future__ import annotations

from collections.abc import Sequence

from portmap.breath import NO_WAVES, breath_document, breath_notices
from portmap.engine import Engine
from portmap.gas_grid import GasError
from portmap.gas_rows import (
    breath_beside,
    change_lines,
    guide_source,
    guides_beside,
    short_first_words,
    speeds_beside,
    switched_off_lines,
)
from portmap.guide import guide_document
from portmap.look import STAGE_STROKES
from portmap.port import PortMap
from portmap.pressure_plot import draw_pressure_plot
from portmap.sheet_parts import Drawing, Prose, Section
from portmap.sheet_rows import SheetTable
from portmap.shown import UnitSystem

__all__ = ["gas_section"]

DRAWS = 60  # for ± (k = 2); a standard deviation is then sure to a tenth of itself
SHOWN = 2  # of the model's figures: residual pressure, and whether the blowdown is done
PLOT_MM = 58.0
_FIRST, _GUIDE = 0.24, 0.26  # shares of the width

_Part = SheetTable | Prose | Drawing


def gas_section(
    engine: Engine, maps: Sequence[PortMap], units: UnitSystem, *, rpm: float, width_mm: float
) -> Section | None:
    """Return where each stage's ports stand beside guides, and what is left of the blowdown's pressure.

    Parameters
    ----------
    engine : Engine
    maps : sequence of PortMap
        One a stage.
    units : UnitSystem
    rpm : float
        Crank speed [rev/min].
    width_mm : float
        Of a page, without its margins [mm].

    Returns
    -------
    Section or None
        None without ports.

    Raises
    ------
    QuantityError
        If the speed is not above 0.

    Examples
    --------
    >>> from portmap.crank import Crank
    >>> from portmap.shown import unit_system
    >>> engine = Engine(bore_mm=46, crank=Crank(stroke_mm=32, rod_mm=58), crown_height_mm=61)
    >>> gas_section(engine, [], unit_system("mm"), rpm=9000.0, width_mm=180.0) is None
    True
    """
    stages: dict[str, PortMap] = {port_map.stage: port_map for port_map in maps if port_map.ports}
    if not stages:
        return None
    guides = {stage: guide_document(engine, port_map, [rpm]) for stage, port_map in stages.items()}
    each = (1 - _FIRST - _GUIDE) / len(stages)
    columns = tuple(range(1, 2 + len(stages)))
    head: tuple[str, ...] = ("figure", "guide (how it was come by)", *stages)
    verdicts = SheetTable(
        rows=(head, *map(tuple, guides_beside(guides))),
        shares=(_FIRST, _GUIDE, *[each] * len(stages)),
        words=columns,
        wrapped=(0, *columns),
    )
    parts: list[_Part] = [verdicts]
    if speeds := speeds_beside(guides):
        rows = (("within its guide at", *stages), *map(tuple, speeds))
        parts.append(SheetTable(rows=rows, shares=(_FIRST, *[each] * len(stages)), words=columns[:-1]))
    first = [f"{stage}: {words}" for stage, found in guides.items() if (words := short_first_words(found))]
    entries = next(iter(guides.values()))["speeds"][0]["guides"]
    sources = dict.fromkeys(guide_source(entry) for entry in entries)
    off = switched_off_lines(next(iter(guides.values())))
    if off:
        off.insert(0, "Switched off, for nobody could verify them; the ports are not held beside them:")
    parts.append(Prose(lines=(*first, "Guides, no permission and no target; their sources stand below.")))
    parts += _modelled(engine, stages, units, rpm, each, width_mm)
    parts.append(Prose(lines=(*sources, *off)))
    return Section(heading=f"Time enough at {rpm:g} rpm: guides, and a model of the gas", parts=tuple(parts))


def _modelled(
    engine: Engine, stages: dict[str, PortMap], units: UnitSystem, rpm: float, each: float, width_mm: float
) -> list[_Part]:
    try:
        document, breaths = breath_document(engine, stages, [rpm], draws=DRAWS)
    except GasError as error:
        why = f"{error.message[:1].upper()}{error.message[1:]}"
        return [Prose(lines=(f"What is left of the blowdown's pressure cannot be told. {why}.",))]
    rows = (("by the gas model", *stages), *map(tuple, breath_beside(document, 0, units)[:SHOWN]))
    table = SheetTable(
        rows=rows, shares=(_FIRST + _GUIDE, *[each] * len(stages)), words=tuple(range(1, len(stages) + 1))
    )
    plot = Drawing(
        words=f"Pressures of cylinder and case against crank degree: {' and '.join(stages)}",
        width_mm=width_mm,
        height_mm=PLOT_MM,
        draw=lambda pen, left, top: draw_pressure_plot(
            pen,
            engine,
            stages,
            breaths,
            units,
            left_mm=left,
            top_mm=top,
            width_mm=width_mm,
            height_mm=PLOT_MM,
        ),
    )
    strokes = ", ".join(f"{name} {STAGE_STROKES[one.stage].words}" for name, one in stages.items())
    told = (
        "Residual pressure: cylinder over case when the first transfer opens; ± (k = 2) covers what the model"
        f" leans on, not whether it is right. {NO_WAVES} Lines: {strokes}."
    )
    doubtful = (f"! {notice.message}" for notice in breath_notices(engine, stages))
    return [table, Prose(lines=(*change_lines(document, units), told, *doubtful)), plot]
