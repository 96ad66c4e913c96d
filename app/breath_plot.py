"""The figure of the gas model: pressures of cylinder and case while ports are open, over the opened areas."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import plotly.graph_objects as go
from numpy.typing import NDArray
from plotly.subplots import make_subplots

from portmap.app.plots import INKS, degree_ticks, dress, stage_dash, stage_width_px
from portmap.engine import Engine
from portmap.figures import timeable
from portmap.gasflow import Breath
from portmap.look import KIND_COLOURS
from portmap.port import Kind, Port, PortMap
from portmap.shown import PSI_BAR, UnitSystem
from portmap.timing import exhaust_of, first_opening_deg, transfers_of
from portmap.window import opened_area

__all__ = ["breath_figure"]

Floats = NDArray[np.float64]

BEFORE_DEG, AFTER_DEG = 12.0, 10.0  # shown beyond the exhaust's opening and closing
HEADROOM = 1.15


def breath_figure(
    engine: Engine,
    port_maps: Mapping[str, PortMap],
    breaths: Mapping[str, Breath],
    *,
    case: int = 0,
    system: UnitSystem,
    residual_u_bar: float | None = None,
    dark: bool = False,
) -> go.Figure:
    """Return pressures against crank degree, and under them the opened areas, each stage by its stroke.

    Parameters
    ----------
    engine : Engine
    port_maps : mapping of str to PortMap
        By stage.
    breaths : mapping of str to Breath
        Of the same stages.
    case : int, optional
        Which of the breaths' cases is drawn: the number of the speed.
    system : UnitSystem
    residual_u_bar : float or None, optional
        Standard uncertainty of the last stage's residual pressure, if it is known [bar].
    dark : bool, optional
        For a dark page.

    Returns
    -------
    plotly.graph_objects.Figure
        Pressures are absolute; only the part of the turn in which the exhaust is open is shown, for burning
        would dwarf it. The residual pressure of the last stage is marked.
    """
    ink = INKS[dark]
    figure = make_subplots(rows=2, cols=1, shared_xaxes=True, row_heights=[0.58, 0.42], vertical_spacing=0.06)
    factor = 1.0 if system.name == "mm" else 1 / PSI_BAR
    hues = {"cylinder": ink.words, "case": KIND_COLOURS["transfer"]}
    opens, most = 360.0, 0.0
    last = next(reversed(breaths), None)
    for stage, breath in breaths.items():
        known, _ = timeable(engine, port_maps[stage])
        first = first_opening_deg(engine, exhaust_of(known)) or 90.0
        opens = min(opens, first)
        stroke = {"dash": stage_dash(known.stage), "width": stage_width_px(known.stage)}
        for name, trace in (("cylinder", breath.cylinder_pa), ("case", breath.case_pa)):
            bar = trace[:, case] / 1e5 * factor
            figure.add_trace(
                go.Scatter(
                    x=breath.deg,
                    y=bar,
                    mode="lines",
                    name=f"{name}, {stage}",
                    line={"color": hues[name], **stroke},
                    showlegend=False,
                    hovertemplate=f"{name}, {stage}<br>%{{x:.1f}}°, %{{y:.3g}} {system.pressure}"
                    "<extra></extra>",
                ),
                row=1,
                col=1,
            )
            if name == "cylinder":
                most = max(most, float(np.interp(first, breath.deg, bar)))
        for kind, ports in _kinds(known):
            areas = sum((opened_area(engine, port, breath.deg) for port in ports), np.zeros(len(breath.deg)))
            figure.add_trace(
                go.Scatter(
                    x=breath.deg,
                    y=np.where(areas > 0, areas, np.nan) * system.per_mm**2,
                    mode="lines",
                    name=f"all {kind}, {stage}",
                    line={"color": KIND_COLOURS[kind], **stroke},
                    showlegend=False,
                    hovertemplate=f"{kind}, {stage}<br>%{{x:.1f}}°, %{{y:.4g}} {system.area}<extra></extra>",
                ),
                row=2,
                col=1,
            )
            if stage == last and float(areas.max()) > 0:
                _name_area(figure, kind, breath.deg, areas * system.per_mm**2, ink.words, ink.behind)
        figure.add_trace(
            go.Scatter(x=[None], y=[None], mode="lines", name=stage, line={"color": ink.words, **stroke}),
            row=1,
            col=1,
        )
    dress(figure, ink, x_title=None, y_title=None)
    low, high = opens - BEFORE_DEG, 360.0 - opens + AFTER_DEG
    figure.update_xaxes(range=[low, high], **degree_ticks(40, ink))
    figure.update_xaxes(title={"text": "crank, degrees after TDC", "standoff": 6}, row=2, col=1)
    figure.update_yaxes(title={"text": f"absolute, {system.pressure}"}, range=[0, most * HEADROOM], row=1)
    figure.update_yaxes(title={"text": f"open, {system.area}"}, rangemode="tozero", row=2, col=1)
    if last is not None:
        _mark_residual(
            figure, engine, port_maps[last], breaths[last], case, factor, system, residual_u_bar, dark=dark
        )
        _name_pressures(figure, breaths[last], case, factor, high, hues)
    figure.update_layout(height=560)
    return figure


def _kinds(port_map: PortMap) -> list[tuple[Kind, tuple[Port, ...]]]:
    groups: list[tuple[Kind, tuple[Port, ...]]] = [
        ("exhaust", exhaust_of(port_map)),
        ("transfer", transfers_of(port_map)),
    ]
    return [(kind, ports) for kind, ports in groups if ports]


def _name_area(figure: go.Figure, kind: str, deg: Floats, areas: Floats, words: str, behind: str) -> None:
    """Set the exhaust's name left of its line on the way up, the transfers' over the top of theirs."""
    exhaust = kind == "exhaust"
    place = int(np.argmax(areas > 0.4 * areas.max())) if exhaust else int(np.argmax(areas))
    figure.add_annotation(
        x=float(deg[place]),
        y=float(areas[place]),
        text=kind,
        showarrow=False,
        xanchor="right" if exhaust else "left",
        xshift=-8 if exhaust else 0,
        yshift=0 if exhaust else 10,
        font={"color": words, "size": 12},
        bgcolor=behind,
        row=2,
        col=1,
    )


def _mark_residual(
    figure: go.Figure,
    engine: Engine,
    port_map: PortMap,
    breath: Breath,
    case: int,
    factor: float,
    system: UnitSystem,
    u_bar: float | None,
    *,
    dark: bool,
) -> None:
    """Mark how far the cylinder lies over the case when the first transfer opens; shade the blowdown."""
    ink = INKS[dark]
    known, _ = timeable(engine, port_map)
    opens = first_opening_deg(engine, exhaust_of(known))
    then = first_opening_deg(engine, transfers_of(known))
    if opens is None or then is None or then <= opens:
        return
    figure.add_vrect(x0=opens, x1=then, fillcolor=ink.soft, line_width=0, layer="below", row="all", col=1)
    ends = [
        float(np.interp(then, breath.deg, trace[:, case])) / 1e5 * factor
        for trace in (breath.cylinder_pa, breath.case_pa)
    ]
    figure.add_trace(
        go.Scatter(
            x=[then, then],
            y=ends,
            mode="lines+markers",
            line={"color": ink.words, "width": 2},
            marker={"symbol": "line-ew-open", "size": 12, "color": ink.words},
            name="residual pressure",
            showlegend=False,
            hoverinfo="skip",
        ),
        row=1,
        col=1,
    )
    amount = system.pressures(float(breath.residual_pa[case]) / 1e5, u_bar, finer=True)
    figure.add_annotation(
        x=then,
        y=max(ends),
        text=f"residual {amount} {system.pressure}, {port_map.stage}",
        showarrow=True,
        arrowhead=0,
        arrowcolor=ink.words,
        ax=40,
        ay=-40,
        xanchor="left",
        borderpad=4,
        font={"color": ink.words, "size": 12},
        bgcolor=ink.behind,
        row=1,
        col=1,
    )


def _name_pressures(
    figure: go.Figure, breath: Breath, case: int, factor: float, high: float, hues: Mapping[str, str]
) -> None:
    """Set the names of both pressures at the right end, where they lie apart."""
    traces = {"cylinder": breath.cylinder_pa, "case": breath.case_pa}
    at = {name: float(np.interp(high - 8, breath.deg, trace[:, case])) for name, trace in traces.items()}
    for name, pressure in at.items():
        above = pressure >= max(at.values())
        figure.add_annotation(
            x=high - 8,
            y=pressure / 1e5 * factor,
            text=name,
            showarrow=False,
            xanchor="right",  # the line rises or falls away to the right
            yshift=12 if above else -12,
            font={"color": hues[name], "size": 12},
            row=1,
            col=1,
        )
