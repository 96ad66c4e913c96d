"""Figures for the screen, as pure functions of the library's values: plotly figures and nothing else.

A port's hue tells its kind and a line's breadth and dashes tell its stage, as everywhere in portmap. No line
is known by its hue alone: its name stands at it, and stages are named in the legend. Backgrounds are
white in a light theme, so that a page prints as it looks; on a dark one they let the page through.

Glossary
--------
ink
    Colours of what is not a port: words, axes, grid.
label
    The name of a line, set at the place of the line where there is most room.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import plotly.graph_objects as go
from numpy.typing import NDArray
from plotly.subplots import make_subplots

from portmap.engine import Engine
from portmap.figures import timeable
from portmap.look import KIND_COLOURS, STAGE_STROKES
from portmap.planner import Plan
from portmap.port import Kind, Port, PortMap, Stage, floor_of, roof_of
from portmap.recipe import figure_text
from portmap.shown import COVERAGE, PSI_BAR, UnitSystem, number_text
from portmap.timearea import map_spans, time_area
from portmap.timing import exhaust_of, first_opening_deg, transfers_of
from portmap.window import AreaKind, area_between, opened_area
from portmap.wish_bounds import Demand
from portmap.wishes import UNITS, Quantity, amount_text

__all__ = [
    "Against",
    "budget_figure",
    "opened_figure",
    "recipes_figure",
    "stage_dash",
    "stage_width_px",
    "time_area_figure",
]

Floats = NDArray[np.float64]
Against = Literal["degree", "height"]

PX_PER_MM = 5.0  # breadth of lines: stock 1.5, proposed 2, ground 3.5 px
STEP_DEG = 0.5
HEIGHT_STEPS = 200
EDGE = 0.09  # of the figure's breadth, where a name would be cut
LABEL_PLACES = 9  # along a line, of which the one with most room takes its name
SPAN_KINDS: dict[str, Kind] = {
    "exhaust": "exhaust",
    "blowdown": "exhaust",
    "transfer": "transfer",
    "intake": "intake",
}
SPAN_MARKS = {"exhaust": "circle", "blowdown": "diamond", "transfer": "square", "intake": "triangle-up"}
BUDGET_ROWS = 8  # of the largest shares; the rest is summed


@dataclass(frozen=True, kw_only=True, slots=True)
class Ink:
    words: str
    grid: str
    paper: str
    soft: str
    behind: str


INKS = {
    False: Ink(
        words="#1B1F24",
        grid="#D9DDE2",
        paper="#FFFFFF",
        soft="rgba(27,31,36,0.10)",
        behind="rgba(255,255,255,0.8)",
    ),
    True: Ink(
        words="#F2F4F6",
        grid="#3A424C",
        paper="rgba(0,0,0,0)",
        soft="rgba(242,244,246,0.14)",
        behind="rgba(14,17,23,0.7)",
    ),
}


@dataclass(frozen=True, kw_only=True, slots=True)
class _Line:
    name: str
    kind: Kind
    stage: Stage
    x: Floats
    y: Floats


def stage_dash(stage: Stage) -> str:
    """Return a stage's dashes as plotly takes them.

    Examples
    --------
    >>> stage_dash("stock"), stage_dash("proposed")
    ('solid', '10px,6px')
    """
    dashes = STAGE_STROKES[stage].dash_mm
    return ",".join(f"{PX_PER_MM * each:g}px" for each in dashes) or "solid"


def stage_width_px(stage: Stage) -> float:
    """Return the breadth of a stage's lines [px].

    Examples
    --------
    >>> stage_width_px("ground")
    3.5
    """
    return PX_PER_MM * STAGE_STROKES[stage].width_mm


def opened_figure(
    engine: Engine,
    port_maps: Sequence[PortMap],
    *,
    system: UnitSystem,
    against: Against = "degree",
    area: AreaKind = "wall",
    together: bool = False,
    at_deg: float | None = None,
    dark: bool = False,
) -> go.Figure:
    """Return the opened area of each port, against crank degree or against the height of the piston's edge.

    Parameters
    ----------
    engine : Engine
    port_maps : sequence of PortMap
        One for each stage to be drawn.
    system : UnitSystem
    against : {'degree', 'height'}, optional
        Degrees after true TDC; or how high above the base face the edge stands that opens the port.
    area : {'wall', 'chord', 'directed'}, optional
        Which of the three areas.
    together : bool, optional
        One line for all ports of a kind.
    at_deg : float or None, optional
        Where the crank stands, marked by a line; against degrees only.
    dark : bool, optional
        For a dark page.

    Returns
    -------
    plotly.graph_objects.Figure
        Ports whose timing nobody can know are left out.

    Examples
    --------
    >>> from portmap.crank import Crank
    >>> from portmap.port import Window, window_polygon
    >>> from portmap.shown import unit_system
    >>> engine = Engine(bore_mm=46, crank=Crank(stroke_mm=32, rod_mm=58), crown_height_mm=61)
    >>> shape = window_polygon([[-14, 28], [14, 28], [14, 40], [-14, 40]])
    >>> port = Port(id="e", kind="exhaust", control="crown", windows=(Window(outline=shape),))
    >>> drawn = opened_figure(engine, [PortMap(stage="stock", ports=(port,))], system=unit_system("mm"))
    >>> drawn.data[0].name, float(np.nanmax(drawn.data[0].y).round(1))
    ('e, stock', 308.0)
    """
    ink = INKS[dark]
    make = _degree_line if against == "degree" else _height_line
    lines: list[_Line] = []
    for port_map in port_maps:
        known, _ = timeable(engine, port_map)
        timed = tuple(port for port in known.ports if port.control != "none")
        for name, ports in _groups(timed, together=together):
            lines.append(make(engine, name, ports, port_map.stage, area, system))
    figure = go.Figure()
    for line in lines:
        figure.add_trace(
            go.Scatter(
                x=line.x,
                y=line.y,
                mode="lines",
                name=f"{line.name}, {line.stage}",
                line=_stroke(line.kind, line.stage),
                showlegend=False,
                hovertemplate=f"{line.name}, {line.stage}<br>%{{x:.2f}}, %{{y:.4g}}<extra></extra>",
            )
        )
    _add_names(figure, lines, ink)
    _add_stages(figure, [port_map.stage for port_map in port_maps], ink)
    area_title = f"open, {area} area, {system.area}"
    if against == "degree":
        dress(figure, ink, x_title="crank, degrees after TDC", y_title=area_title)
        figure.update_xaxes(range=[0, 360], **degree_ticks(60, ink))
        _add_blowdown(figure, engine, port_maps, ink)
        if at_deg is not None:
            figure.add_vline(x=at_deg, line={"color": ink.words, "width": 1.5, "dash": "dot"})
    else:
        title = f"height of the piston's edge, {system.length}"
        dress(figure, ink, x_title=area_title, y_title=title)
    return figure


def _groups(ports: Sequence[Port], *, together: bool) -> list[tuple[str, tuple[Port, ...]]]:
    if not together:
        return [(port.id, (port,)) for port in ports]
    kinds = dict.fromkeys(port.kind for port in ports)
    return [(f"all {kind}", tuple(port for port in ports if port.kind == kind)) for kind in kinds]


def _degree_line(
    engine: Engine, name: str, ports: tuple[Port, ...], stage: Stage, area: AreaKind, system: UnitSystem
) -> _Line:
    angles = np.arange(0.0, 360.0 + STEP_DEG / 2, STEP_DEG)
    amounts = sum((opened_area(engine, port, angles, area=area) for port in ports), np.zeros(len(angles)))
    shut = amounts <= 0.0
    shut[1:-1] &= shut[:-2] & shut[2:]  # a line reaches down to nothing but does not run along it
    amounts = np.where(shut, np.nan, amounts * system.per_mm**2)
    return _Line(name=name, kind=ports[0].kind, stage=stage, x=angles, y=amounts)


def _height_line(
    engine: Engine, name: str, ports: tuple[Port, ...], stage: Stage, area: AreaKind, system: UnitSystem
) -> _Line:
    low, high = min(map(floor_of, ports)), max(map(roof_of, ports))
    heights = np.linspace(low, high, HEIGHT_STEPS)
    amounts = np.zeros(HEIGHT_STEPS)
    for port in ports:
        below = port.control == "skirt"
        amounts += area_between(
            port,
            engine.bore_mm,
            -np.inf if below else heights,
            heights if below else np.inf,
            area=area,
        )
    return _Line(
        name=name,
        kind=ports[0].kind,
        stage=stage,
        x=amounts * system.per_mm**2,
        y=heights * system.per_mm,
    )


def _stroke(kind: Kind, stage: Stage) -> dict[str, Any]:
    return {"color": KIND_COLOURS[kind], "width": stage_width_px(stage), "dash": stage_dash(stage)}


def _add_names(figure: go.Figure, lines: Sequence[_Line], ink: Ink) -> None:
    """Set each port's name once, where its line has most room."""
    if not lines:
        return
    wide = max(float(np.nanmax(line.x, initial=0.0)) for line in lines) or 1.0
    tall = max(float(np.nanmax(line.y, initial=0.0)) for line in lines) or 1.0
    taken: list[Floats] = []
    for line in {line.name: line for line in lines}.values():
        most = float(np.nanmax(line.y, initial=0.0))
        inside = (line.x > EDGE * wide) & (line.x < (1 - EDGE) * wide)
        live = np.flatnonzero(inside & (np.nan_to_num(line.y) > 0.15 * most))
        if not len(live):
            continue  # it never opens
        picked = live[np.linspace(0, len(live) - 1, LABEL_PLACES).astype(int)]
        places = np.column_stack([line.x[picked] / wide, line.y[picked] / tall])
        room = [min((_apart(place, other) for other in taken), default=place[1]) for place in places]
        best = int(np.argmax(room))
        taken.append(places[best])
        figure.add_annotation(
            x=float(line.x[picked[best]]),
            y=float(line.y[picked[best]]),
            text=line.name,
            showarrow=True,
            arrowhead=0,
            arrowwidth=1,
            arrowcolor=ink.words,
            ax=0,
            ay=-16,
            font={"color": ink.words, "size": 12},
            bgcolor=ink.behind,
            borderpad=1,
        )


def _apart(place: Floats, other: Floats) -> float:
    return float(np.hypot(0.6 * (place[0] - other[0]), place[1] - other[1]))  # words are wider than high


def _add_stages(figure: go.Figure, stages: Iterable[Stage], ink: Ink) -> None:
    for stage in dict.fromkeys(stages):
        figure.add_trace(
            go.Scatter(
                x=[None],
                y=[None],
                mode="lines",
                name=stage,
                line={"color": ink.words, "width": stage_width_px(stage), "dash": stage_dash(stage)},
            )
        )


def _add_blowdown(figure: go.Figure, engine: Engine, port_maps: Sequence[PortMap], ink: Ink) -> None:
    """Shade the blowdown of the last stage."""
    if not port_maps:
        return
    known, _ = timeable(engine, port_maps[-1])
    opens = first_opening_deg(engine, exhaust_of(known))
    then = first_opening_deg(engine, transfers_of(known))
    if opens is None or then is None or then <= opens:
        return
    figure.add_vrect(x0=opens, x1=then, fillcolor=ink.soft, line_width=0, layer="below")
    figure.add_annotation(
        x=(opens + then) / 2,
        y=0.98,
        yref="paper",
        text=f"blowdown {number_text(then - opens, 1)}°, {port_maps[-1].stage}",
        textangle=-90,
        showarrow=False,
        xanchor="center",
        yanchor="top",
        font={"color": ink.words, "size": 12},
    )


def time_area_figure(
    engine: Engine,
    port_maps: Sequence[PortMap],
    rpm: Sequence[float],
    *,
    system: UnitSystem,
    area: AreaKind = "wall",
    dark: bool = False,
) -> go.Figure:
    """Return the time-area of each span against speed.

    Parameters
    ----------
    engine : Engine
    port_maps : sequence of PortMap
        One for each stage.
    rpm : sequence of float
        Speeds [rev/min].
    system : UnitSystem
    area : {'wall', 'chord', 'directed'}, optional
    dark : bool, optional

    Returns
    -------
    plotly.graph_objects.Figure
        Time-area is angle-area over 6 times the speed (`portmap.timearea`), so every line falls as 1/rpm.

    Examples
    --------
    >>> from portmap.crank import Crank
    >>> from portmap.port import Window, window_polygon
    >>> from portmap.shown import unit_system
    >>> engine = Engine(bore_mm=46, crank=Crank(stroke_mm=32, rod_mm=58), crown_height_mm=61)
    >>> shape = window_polygon([[-14, 28], [14, 28], [14, 40], [-14, 40]])
    >>> port = Port(id="e", kind="exhaust", control="crown", windows=(Window(outline=shape),))
    >>> stock = PortMap(stage="stock", ports=(port,))
    >>> drawn = time_area_figure(engine, [stock], [9000], system=unit_system("mm"))
    >>> float(drawn.data[0].y[0].round(3))
    0.603
    """
    ink = INKS[dark]
    speeds = np.asarray(rpm, dtype=float)
    found = []
    for port_map in port_maps:
        known, _ = timeable(engine, port_map)
        found += [(port_map.stage, span) for span in map_spans(engine, known, area=area)[0]]
    apart = any(span.name == "blowdown" for _, span in found)  # so much smaller that it has its own strip
    heights = [0.66, 0.34] if apart else [1.0]
    figure = make_subplots(
        rows=len(heights), cols=1, row_heights=heights, shared_xaxes=True, vertical_spacing=0.06
    )
    ends: dict[str, float] = {}
    for stage, span in found:
        amounts = time_area(span.angle_area_mm2_deg, speeds) * system.time_area_factor
        figure.add_trace(
            go.Scatter(
                x=speeds,
                y=amounts,
                mode="lines+markers",
                name=f"{span.name}, {stage}",
                line=_stroke(SPAN_KINDS[span.name], stage),
                marker={"symbol": SPAN_MARKS[span.name], "size": 7},
                showlegend=False,
                hovertemplate=f"{span.name}, {stage}<br>%{{x:.0f}} rpm, %{{y:.4f}}<extra></extra>",
            ),
            row=2 if span.name == "blowdown" else 1,
            col=1,
        )
        ends[span.name] = max(ends.get(span.name, 0.0), float(amounts[0]))
    for name, amount in ends.items():
        figure.add_annotation(
            x=float(speeds[0]),
            y=amount,
            text=name,
            showarrow=False,
            xanchor="left",
            yanchor="bottom",
            xshift=6,
            yshift=2,
            font={"color": ink.words, "size": 12},
            bgcolor=ink.behind,
            row=2 if name == "blowdown" else 1,
            col=1,
        )
    _add_stages(figure, [port_map.stage for port_map in port_maps], ink)
    dress(figure, ink, x_title=None, y_title=None)
    figure.update_xaxes(title={"text": "rpm", "standoff": 6}, tickformat="d", row=len(heights), col=1)
    figure.update_yaxes(title={"text": f"time-area, {system.time_area}", "standoff": 6}, row=1, col=1)
    figure.update_yaxes(rangemode="tozero")
    figure.update_layout(height=480)
    return figure


def recipes_figure(plan: Plan, *, system: UnitSystem, dark: bool = False) -> go.Figure:
    """Return the recipes of a plan side by side: one strip for each wish, one mark for each recipe.

    Parameters
    ----------
    plan : Plan
    system : UnitSystem
    dark : bool, optional

    Returns
    -------
    plotly.graph_objects.Figure
        What is wished is shaded; a ring is the engine as it is; bars are two standard uncertainties; a
        recipe that misses the wish has a cross.
    """
    ink = INKS[dark]
    wishes = plan.demands
    titles = [_wish_title(demand) for demand in wishes]
    figure = make_subplots(rows=max(len(wishes), 1), cols=1, subplot_titles=titles, vertical_spacing=0.0)
    names = ["now", *(str(number) for number, _ in enumerate(plan.recipes, 1))]
    for row, demand in enumerate(wishes, 1):
        factor = _wish_factor(demand.quantity, system)
        outcomes = [recipe.outcomes[row - 1] for recipe in plan.recipes]
        before = outcomes[0].before if outcomes else float("nan")
        values = [before, *(outcome.after for outcome in outcomes)]
        unsure = [0.0, *(COVERAGE * outcome.u if outcome.u is not None else 0.0 for outcome in outcomes)]
        marks = ["circle-open", *("circle" if one.miss == 0.0 else "x" for one in outcomes)]
        figure.add_trace(
            go.Scatter(
                x=[factor * value for value in values],
                y=names,
                mode="markers",
                marker={"symbol": marks, "size": 11, "color": ink.words},
                error_x={"type": "data", "array": [factor * each for each in unsure], "color": ink.words},
                text=[figure_text(demand, value, system) for value in values],
                hovertemplate="%{y}: %{text}<extra></extra>",
                showlegend=False,
            ),
            row=row,
            col=1,
        )
        low, high = (factor * bound for bound in (demand.low, demand.high))
        shown = [factor * value for value in values if np.isfinite(value)]
        shown += [bound for bound in (low, high) if np.isfinite(bound)]
        if not shown:
            continue
        room = 0.15 * (max(shown) - min(shown)) or 0.1
        left, right = min(shown) - room, max(shown) + room
        figure.add_vrect(
            x0=max(low, left),
            x1=min(high, right),
            fillcolor=ink.soft,
            line={"color": ink.words, "width": 1},
            layer="below",
            row=row,
            col=1,
        )
        unit = amount_text(0.0, demand.quantity, system).lstrip("−0.").strip() or UNITS[demand.quantity]
        suffix = unit if unit == "°" or not unit else f" {unit}"
        figure.update_xaxes(range=[left, right], ticksuffix=suffix, nticks=5, row=row, col=1)
    dress(figure, ink, x_title=None, y_title=None)
    _spread_rows(figure, len(wishes), px_each=70 + 26 * len(names))
    figure.update_yaxes(autorange="reversed", type="category")
    return figure


def _wish_title(demand: Demand) -> str:
    text = demand.wish.text
    return text if demand.port is None or demand.port in text else f"{text} ({demand.port})"


def _wish_factor(quantity: Quantity, system: UnitSystem) -> float:
    """Return the shown amount of one unit of a wish."""
    unit = UNITS[quantity]
    if system.name == "mm":
        return 1.0
    return {
        "mm": system.per_mm,
        "cm3": 1000 * system.per_mm**3,
        "bar": 1 / PSI_BAR,
        "mm2 s": system.time_area_factor,
    }.get(unit, 1.0)


def _spread_rows(figure: go.Figure, rows: int, *, px_each: int) -> None:
    """Stack strips under each other with room for a title over each and a unit below."""
    if not rows:
        return
    figure.update_layout(height=px_each * rows + 20)
    for row in range(rows):
        top, bottom = 1 - (row + 0.24) / rows, 1 - (row + 0.78) / rows
        axis = "yaxis" if row == 0 else f"yaxis{row + 1}"
        figure.layout[axis].domain = [bottom, top]
        note = figure.layout.annotations[row]
        note.update(x=0, xanchor="left", y=1 - (row + 0.02) / rows, yanchor="top")


def budget_figure(result: Mapping[str, Any], *, dark: bool = False) -> go.Figure:
    """Return what a result's doubt is owed to: one bar for each cause, its share in hundredths.

    Parameters
    ----------
    result : mapping
        One of ``results`` of `portmap.spread_document.spread_document`.
    dark : bool, optional

    Returns
    -------
    plotly.graph_objects.Figure
        Largest share first. Causes that somebody read are plain; those assumed are hatched.

    Examples
    --------
    >>> row = {"words": "bore", "share": 0.8, "source": "assumed"}
    >>> budget_figure({"budget": [row, {**row, "words": "rod", "share": 0.2}]}).data[0].x
    (80.0, 20.0)
    """
    ink = INKS[dark]
    rows = sorted(result["budget"], key=lambda row: -row["share"])
    shown, rest = rows[:BUDGET_ROWS], rows[BUDGET_ROWS:]
    names = [row["words"] for row in shown]
    shares = [100 * row["share"] for row in shown]
    sources = [row["source"] for row in shown]
    if rest:
        names.append(f"{len(rest)} others")
        shares.append(100 * sum(row["share"] for row in rest))
        sources.append("")
    hatched = ["/" if source in ("assumed", "range") else "" for source in sources]
    figure = go.Figure(
        go.Bar(
            x=shares,
            y=names,
            orientation="h",
            marker={"color": "#8A9099", "line": {"color": ink.words, "width": 1}, "pattern_shape": hatched},
            text=[f"{share:.0f} %" for share in shares],
            textposition="outside",
            textfont={"color": ink.words},
            cliponaxis=False,
            hovertemplate="%{y}: %{x:.1f} %<extra></extra>",
        )
    )
    dress(figure, ink, x_title="share of the doubt, %", y_title=None)
    figure.update_xaxes(range=[0, max([*shares, 1.0]) * 1.15])
    figure.update_yaxes(autorange="reversed", automargin=True)
    figure.update_layout(height=110 + 34 * len(names))
    return figure


def degree_ticks(step_deg: int, ink: Ink) -> dict[str, Any]:
    """Return the ticks of an axis of degrees: named so seldom that a phone has room, a finer grid between."""
    return {"dtick": step_deg, "minor": {"dtick": step_deg / 2, "showgrid": True, "gridcolor": ink.grid}}


def dress(figure: go.Figure, ink: Ink, *, x_title: str | None, y_title: str | None) -> None:
    figure.update_layout(
        template="none",
        paper_bgcolor=ink.paper,
        plot_bgcolor=ink.paper,
        font={"color": ink.words, "size": 13},
        margin={"l": 60, "r": 16, "t": 30, "b": 50},
        legend={"orientation": "h", "x": 0, "y": 1.02, "yanchor": "bottom", "xanchor": "left"},
        hoverlabel={"font": {"size": 13}},
        dragmode=False,
        height=420,
    )
    axis = {
        "gridcolor": ink.grid,
        "linecolor": ink.words,
        "zerolinecolor": ink.grid,
        "showline": True,
        "ticks": "outside",
        "tickcolor": ink.words,
    }
    figure.update_xaxes(**axis, fixedrange=True, tickangle=0)  # turned, they run into the axis' name
    figure.update_yaxes(**axis, fixedrange=True)
    if x_title is not None:
        figure.update_xaxes(title={"text": x_title, "standoff": 6})
    if y_title is not None:
        figure.update_yaxes(title={"text": y_title, "standoff": 6})
