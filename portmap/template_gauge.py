"""Flat gauges: what a gauge laid flat across a window sees of it, at true size.

Frame of a gauge: mm, y above the base face, x across, 0 in the window's own radial direction, to the right as
seen from the bore axis. A place of the wall at x stands at R·sin((x − c)/R), with R half the bore and c where
that direction meets the wall (`portmap.port.centre_x`): the projection that the chord area is measured in.
"""

from __future__ import annotations

import math

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.affinity import translate

from portmap.engine import Engine
from portmap.errors import GeometryError
from portmap.look import KIND_COLOURS, STAGE_STROKES
from portmap.page import BOLD, REGULAR, fitted
from portmap.port import Port, Stage, Window, centre_x
from portmap.template_drawing import Box, Draft, Drawing, Pen, Words
from portmap.template_lay import Lay, TemplateRecord, deck_height
from portmap.template_strip import TAKE_TINT
from portmap.template_wall import ordered_maps, rings_to_take

__all__ = ["chord_view", "gauge_drawings"]

Floats = NDArray[np.float64]

_TRUE_MM = 2e-4  # how far a straight step may cut a curved side's corner
_RIM_MM, _WORDS_MM = 7.0, 17.0  # of the gauge round its window; room for words
_CUT, _DATUM = Pen(width_mm=0.35), Pen(width_mm=0.5)
_CENTRE = Pen(width_mm=0.25, dash_mm=(4.0, 0.8, 0.8, 0.8))


def chord_view(outline: shapely.Polygon, centre_mm: float, bore_mm: float) -> shapely.Polygon:
    """Return a window as a flat gauge laid across it sees it.

    Parameters
    ----------
    outline : shapely.Polygon
        On the developed wall [mm].
    centre_mm : float
        x of the direction that the gauge faces [mm].
    bore_mm : float
        Bore [mm].

    Returns
    -------
    shapely.Polygon
        x from the centre, y as on the wall [mm]. Slanted sides, which bend, are cut into steps that leave
        the curve by no more than 0.2 µm.

    Raises
    ------
    GeometryError
        If the window reaches more than a quarter turn from the centre.

    Examples
    --------
    >>> outline = shapely.box(-14.0, 28.0, 14.0, 40.0)
    >>> [round(side, 3) for side in chord_view(outline, 0.0, 46.0).bounds]
    [-13.151, 28.0, 13.151, 40.0]
    """
    radius = bore_mm / 2
    reach = max(abs(side - centre_mm) for side in outline.bounds[::2])
    if not reach <= math.pi / 2 * radius:
        raise GeometryError(
            f"the window reaches {reach:.1f} mm from its middle, more than a quarter turn"
            f" of a {bore_mm:g} mm bore",
            remedy="no flat gauge shows it whole; use the sheet that goes round the wall",
        )
    step = math.sqrt(8.0 * radius * _TRUE_MM)
    rings = []
    for ring in (outline.exterior, *outline.interiors):
        points = _stepped(shapely.get_coordinates(ring), step)
        rings.append(np.column_stack([radius * np.sin((points[:, 0] - centre_mm) / radius), points[:, 1]]))
    return shapely.Polygon(rings[0], rings[1:])


def _stepped(ring: Floats, step: float) -> Floats:
    """Return a closed ring whose slanted sides are cut into steps no wider than `step`."""
    wide = np.abs(np.diff(ring[:, 0]))
    slanted = np.diff(ring[:, 1]) != 0
    counts = np.where(slanted, np.maximum(np.ceil(wide / step), 1), 1).astype(int)
    side = np.repeat(np.arange(len(counts)), counts)
    share = (np.arange(len(side)) - np.repeat(np.cumsum(counts) - counts, counts)) / counts[side]
    points = ring[side] + share[:, None] * np.diff(ring, axis=0)[side]
    return np.vstack([points, ring[-1:]])


def gauge_drawings(record: TemplateRecord, port_id: str, lay: Lay) -> tuple[tuple[Drawing, Box], ...]:
    """Return a flat gauge for each window of a port.

    Parameters
    ----------
    record : TemplateRecord
    port_id : str
    lay : Lay
        Its datum says which edge of the gauge is cut where.

    Returns
    -------
    tuple of (Drawing, tuple of float)
        Each with its extent: left, low, right, high [mm]. Windows and faces are those of the last stage that
        has the port; other stages are drawn where they lie over them.

    Raises
    ------
    GeometryError
        If there is no such port, a window is too wide for a flat gauge, or the deck is the datum and not
        known or under the roof.

    Examples
    --------
    >>> from portmap.crank import Crank
    >>> from portmap.port import PortMap
    >>> engine = Engine(bore_mm=46, crank=Crank(stroke_mm=32, rod_mm=58), crown_height_mm=61)
    >>> window = Window(outline=shapely.box(-14, 28, 14, 40))
    >>> port = Port(id="e", kind="exhaust", control="crown", windows=(window,))
    >>> record = TemplateRecord(name="saw", engine=engine, port_maps=(PortMap(stage="stock", ports=(port,)),))
    >>> [round(side, 2) for side in gauge_drawings(record, "e", Lay())[0][1]]
    [-20.15, 0.0, 20.15, 47.0]
    """
    found = [
        (port_map.stage, port)
        for port_map in ordered_maps(record.port_maps)
        for port in port_map.ports
        if port.id == port_id
    ]
    if not found:
        known = sorted({port.id for port_map in record.port_maps for port in port_map.ports})
        raise GeometryError(
            f"there is no port {port_id[:60]!r}",
            where="--gauge",
            remedy=f"the job has {', '.join(known)}" if known else "trace the ports first",
        )
    last = max(found, key=lambda pair: ("stock", "ground", "proposed").index(pair[0]))[1]
    drawn = []
    for number, window in enumerate(last.windows):
        try:
            drawn.append(_gauge(record.engine, lay, found, last, number, window))
        except GeometryError as error:
            raise error.at(f"port {port_id}.windows[{number}]") from None
    return tuple(drawn)


def _gauge(
    engine: Engine, lay: Lay, found: list[tuple[Stage, Port]], port: Port, number: int, window: Window
) -> tuple[Drawing, Box]:
    bore = engine.bore_mm
    centre = centre_x(window, bore)
    views = [
        (stage, chord_view(_beside(other.outline, centre, bore), centre, bore))
        for stage, there in found
        for other in there.windows
        if _beside(other.outline, centre, bore).intersects(window.outline)
    ]
    bounds = np.array([view.bounds for _, view in views])
    half = float(np.abs(bounds[:, ::2]).max())
    floor, roof = float(bounds[:, 1].min()), float(bounds[:, 3].max())
    rim = max(min(half + _RIM_MM, 0.97 * bore / 2), half + 1.5)
    low, high, words_top = _heights(engine, lay, floor, roof)
    box = (-rim, low, rim, high)
    draft = Draft()
    for rings in rings_to_take(views):
        draft.area("take", rings, TAKE_TINT)
    for stage, view in views:
        stroke = STAGE_STROKES[stage]
        pen = Pen(width_mm=stroke.width_mm, colour=KIND_COLOURS[port.kind], dash_mm=stroke.dash_mm)
        rings = [shapely.get_coordinates(ring)[:-1] for ring in (view.exterior, *view.interiors)]
        draft.lines(stage, rings, closed=True, pen=pen)
    draft.box("cut", box, pen=_CUT)
    draft.line("datum", _CENTRE, (0.0, low), (0.0, high))
    datum = high if lay.datum == "deck" else 0.0
    draft.line("datum", _DATUM, (-rim, datum), (rim, datum))
    own = chord_view(window.outline, centre, bore)
    wall_wide = float(window.outline.bounds[2] - window.outline.bounds[0])
    below = deck_height(engine) if lay.datum == "deck" else 0.0
    heights = tuple(abs(below - height) for height in (window.outline.bounds[3], window.outline.bounds[1]))
    under = " below deck" if lay.datum == "deck" else ""
    title = port.id if len(port.windows) == 1 else f"{port.id}, window {number + 1}"
    lines = (
        (title, 7.0, True),
        (_side(centre, bore), 5.4, True),
        (f"chord {own.bounds[2] - own.bounds[0]:.2f} mm wide", 5.4, False),
        (f"({wall_wide:.2f} mm along the wall)", 5.4, False),
        (f"roof {heights[0]:.2f}, floor {heights[1]:.2f} mm{under}", 5.4, False),
        ("print faces the bore axis", 5.4, False),
    )
    for row, (text, size, bold) in enumerate(lines):
        shown, fit = fitted(text, 2 * rim - 3.0, size, least_pt=3.6, font=BOLD if bold else REGULAR)
        place = (0.0, words_top - 2.4 - 2.5 * row)
        draft.write(Words(text=shown, place_mm=place, size_pt=fit, bold=bold, anchor="middle", ground=True))
    edge = "deck" if lay.datum == "deck" else "base face"
    lift = -2.4 if lay.datum == "deck" else 0.8
    draft.write(Words(text=edge, place_mm=(-rim + 1.0, datum + lift), size_pt=5.0))
    return draft.finished(), box


def _heights(engine: Engine, lay: Lay, floor: float, roof: float) -> tuple[float, float, float]:
    """Return the gauge's lower and upper end, and the top of the room for its words."""
    if lay.datum == "deck":
        deck = deck_height(engine)
        if not deck > roof:
            raise GeometryError(
                f"the deck at {deck:g} mm is not above the roof at {roof:.2f} mm",
                where="cylinder.deck_height_mm",
                remedy="measure the deck's height again",
            )
        roomy = deck - roof >= _WORDS_MM + 2.5
        low = floor - _RIM_MM - (0.0 if roomy else _WORDS_MM)
        return low, deck, deck - 2.5 if roomy else floor - 2.0
    low = 0.0 if floor >= 0 else floor - _RIM_MM
    roomy = floor >= _WORDS_MM + 2.5
    high = roof + _RIM_MM + (0.0 if roomy else _WORDS_MM)
    return low, high, floor - 1.5 if roomy else high - 1.5


def _beside(outline: shapely.Polygon, centre: float, bore: float) -> shapely.Polygon:
    """Return the image of a window that lies nearest to a place of the wall."""
    round_mm = math.pi * bore
    turns = round(((outline.bounds[0] + outline.bounds[2]) / 2 - centre) / round_mm)
    return translate(outline, -turns * round_mm, 0.0) if turns else outline


def _side(centre: float, bore: float) -> str:
    """Return where a window looks, as seen from the bore axis."""
    round_mm = math.pi * bore
    x = centre - round(centre / round_mm) * round_mm
    if abs(x) < round_mm / 72:  # within 5 degrees
        return "at the exhaust centre line"
    if abs(x) > round_mm / 2 - round_mm / 72:
        return "at the back, opposite the exhaust"
    return f"on the {'right' if x > 0 else 'left'}, from the axis"
