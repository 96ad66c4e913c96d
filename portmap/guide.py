"""Published guide figures beside what an engine has: where it stands, and which port runs short first.

A guide figure is data (`guides.toml`) with its source, how it was come by, and who checked it against the
page. It is shown as a guide, never as permission. Specific time-area falls as 1/speed, so a range of it is
also a range of speeds: the port is wide below the lower one, and short beyond the upper one.

A book's straight lines of specific time-area against mean effective pressure, STA = (bmep + c)/m, are not
shipped: their coefficients could not be verified. A user who has the book may enter them, with the source,
in a file (`read_lines`).

Glossary
--------
good to
    The speed at which a span's specific time-area has fallen to the lower end of its range.
line
    c [bar] and m [bar·m/s] of one kind of port.
"""

from __future__ import annotations

import math
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import Any, Literal

from portmap.engine import Engine
from portmap.errors import GeometryError, QuantityError
from portmap.figures import timeable
from portmap.port import PortMap, centre_x, chord_width
from portmap.ratio import case_ratio
from portmap.shown import COVERAGE
from portmap.stated_spread import blowdown_u_deg, span_u_mm2_deg
from portmap.timearea import Span, map_spans, specific_time_area, time_area
from portmap.timing import exhaust_of, first_opening_deg
from portmap.volume import swept_volume_cm3

__all__ = [
    "Guide",
    "GuideVerdict",
    "Line",
    "guide_document",
    "guide_verdicts",
    "guides",
    "line_pressure_bar",
    "line_specific_s_per_m",
    "read_lines",
]

Standing = Literal["below", "within", "above", "not known"]
_LARGEST_FILE = 1_000_000  # bytes


@dataclass(frozen=True, kw_only=True, slots=True)
class Guide:
    """One published figure.

    Parameters
    ----------
    key, what : str
        Name in the data, and in words.
    figure : {'specific_s_per_m', 'duration_deg', 'opens_deg', 'chord_of_bore', 'case_ratio'}
        What is compared.
    of : str
        Span, kind of port, or ``engine``.
    low, high : float or None
        The range, in `unit`.
    unit, source, confidence, checked_by, words : str
        `checked_by` is empty if nobody compared it with the printed page.
    switched_on : bool
        Whether it is shown unasked.
    """

    key: str
    what: str
    figure: str
    of: str
    low: float | None
    high: float | None
    unit: str
    source: str
    confidence: str
    checked_by: str
    words: str
    switched_on: bool


@dataclass(frozen=True, kw_only=True, slots=True)
class GuideVerdict:
    """Where an engine stands beside a guide figure.

    Parameters
    ----------
    guide : Guide
    value, u : float or None
        The engine's figure and its standard uncertainty, in the guide's unit.
    standing : {'below', 'within', 'above', 'not known'}
    sure : bool or None
        Whether the doubt (k = 2) leaves the standing as it is; None if nobody said how sure the figure is.
    good_from_rpm, good_to_rpm : float or None
        For a time-area: speeds at which it lies at the upper and at the lower end of the range.
    """

    guide: Guide
    value: float | None
    u: float | None
    standing: Standing
    sure: bool | None
    good_from_rpm: float | None = None
    good_to_rpm: float | None = None


@cache
def guides() -> tuple[Guide, ...]:
    """Return all guide figures that portmap ships.

    Returns
    -------
    tuple of Guide

    Examples
    --------
    >>> [guide.source for guide in guides() if guide.key == "transfer"]
    ["Jennings, Two-Stroke Tuner's Handbook, 1973, port timing chapter"]
    """
    data = tomllib.loads(files("portmap").joinpath("guides.toml").read_text(encoding="utf-8"))
    return tuple(
        Guide(key=key, low=entry.get("low"), high=entry.get("high"), **_without_ends(entry))
        for key, entry in data["guides"].items()
    )


def _without_ends(entry: Mapping[str, Any]) -> dict[str, Any]:
    return {name: value for name, value in entry.items() if name not in ("low", "high")}


def guide_verdicts(
    engine: Engine, port_map: PortMap, rpm: float, *, among: Sequence[Guide] | None = None
) -> tuple[GuideVerdict, ...]:
    """Return where an engine stands beside each guide figure, at a speed.

    Parameters
    ----------
    engine : Engine
    port_map : PortMap
    rpm : float
        Crank speed [rev/min].
    among : sequence of Guide or None, optional
        None takes those that are switched on.

    Returns
    -------
    tuple of GuideVerdict

    Raises
    ------
    QuantityError
        If the speed is not above 0.

    Examples
    --------
    >>> from portmap.crank import Crank
    >>> from portmap.port import Port, Window, window_polygon
    >>> engine = Engine(bore_mm=46, crank=Crank(stroke_mm=32, rod_mm=58), crown_height_mm=61)
    >>> shape = window_polygon([[-14, 28], [14, 28], [14, 40], [-14, 40]])
    >>> port = Port(id="e", kind="exhaust", control="crown", windows=(Window(outline=shape),))
    >>> found = guide_verdicts(engine, PortMap(stage="stock", ports=(port,)), 9000)
    >>> [(one.guide.key, one.standing) for one in found if one.guide.of == "exhaust"]
    [('exhaust', 'below'), ('exhaust_opens', 'within'), ('exhaust_width', 'below')]
    """
    known, spans = _timed(engine, port_map)
    chosen = [guide for guide in guides() if guide.switched_on] if among is None else among
    return tuple(_verdict(guide, engine, known, spans, rpm) for guide in chosen)


def _verdict(
    guide: Guide, engine: Engine, port_map: PortMap, spans: Mapping[str, Span], rpm: float
) -> GuideVerdict:
    value: float | None = None
    u: float | None = None
    speeds: tuple[float | None, float | None] = (None, None)
    span = spans.get(guide.of)
    specific = _specific(engine, span, rpm) if guide.figure == "specific_s_per_m" else None
    if specific is not None and span is not None:
        value = specific
        doubt = span_u_mm2_deg(engine, port_map, span)
        u = None if doubt is None else value * doubt / span.angle_area_mm2_deg
        # specific time-area times speed does not change with speed
        speeds = (
            None if guide.high is None else value * rpm / guide.high,
            None if guide.low is None else value * rpm / guide.low,
        )
    elif guide.figure == "duration_deg" and span is not None and span.angle_area_mm2_deg > 0:
        value = span.duration_deg
        u = blowdown_u_deg(engine, port_map) if guide.of == "blowdown" else None
    elif guide.figure == "opens_deg":
        ports = tuple(port for port in port_map.ports if port.kind == guide.of)
        value = first_opening_deg(engine, ports)
    elif guide.figure == "chord_of_bore" and exhaust_of(port_map):
        value = max(
            float(chord_width(_arc_mm(window, engine.bore_mm), engine.bore_mm)) / engine.bore_mm
            for port in port_map.ports
            if port.kind == guide.of
            for window in port.windows
        )
    elif guide.figure == "case_ratio":
        try:
            value = case_ratio(engine)
        except GeometryError:  # nobody measured the case: the verdict says so
            value = None
    standing = _standing(guide, value)
    sure = None
    if value is not None and u is not None:
        ends = {_standing(guide, value - COVERAGE * u), _standing(guide, value + COVERAGE * u)}
        sure = ends == {standing}
    return GuideVerdict(
        guide=guide,
        value=value,
        u=u,
        standing=standing,
        sure=sure,
        good_from_rpm=speeds[0],
        good_to_rpm=speeds[1],
    )


def _timed(engine: Engine, port_map: PortMap) -> tuple[PortMap, dict[str, Span]]:
    """Return the ports that can be timed, and their spans by name."""
    known, _ = timeable(engine, port_map)
    return known, {span.name: span for span in map_spans(engine, known)[0]}


def _specific(engine: Engine, span: Span | None, rpm: float) -> float | None:
    """Return a span's specific time-area at a speed [s/m]; None if it never opens."""
    if span is None or not span.angle_area_mm2_deg > 0:
        return None
    return float(specific_time_area(time_area(span.angle_area_mm2_deg, rpm), swept_volume_cm3(engine)))


def _arc_mm(window: Any, bore_mm: float) -> float:
    low, _, high, _ = window.outline.bounds
    middle = centre_x(window, bore_mm)
    return float(2 * max(high - middle, middle - low))


def _standing(guide: Guide, value: float | None) -> Standing:
    if value is None or not math.isfinite(value):
        return "not known"
    if guide.low is not None and value < guide.low:
        return "below"
    if guide.high is not None and value > guide.high:
        return "above"
    return "within"


@dataclass(frozen=True, kw_only=True, slots=True)
class Line:
    """A straight line of specific time-area against mean effective pressure, entered by a user.

    Parameters
    ----------
    of : str
        Span.
    offset_bar : float
        c [bar].
    slope_bar_m_per_s : float
        m [bar·m/s], above 0.
    source : str
        Book and page.
    checked_by : str
        Who read it there.
    """

    of: str
    offset_bar: float
    slope_bar_m_per_s: float
    source: str
    checked_by: str


def guide_document(
    engine: Engine, port_map: PortMap, rpm: Sequence[float], *, lines: Sequence[Line] = ()
) -> dict[str, Any]:
    """Return guide figures and where the engine stands, as other programs read them.

    Parameters
    ----------
    engine : Engine
    port_map : PortMap
    rpm : sequence of float
        Crank speeds [rev/min].
    lines : sequence of Line, optional
        Entered by the user.

    Returns
    -------
    dict
        ``speeds``: for each ``rpm`` the ``guides``, and ``lines`` with the pressure that each reads;
        ``runs_short_first``: the span whose time-area first falls below its range, and at what speed.

    Raises
    ------
    QuantityError
        As `guide_verdicts`.

    Examples
    --------
    >>> from portmap.crank import Crank
    >>> from portmap.port import Port, Window, window_polygon
    >>> engine = Engine(bore_mm=46, crank=Crank(stroke_mm=32, rod_mm=58), crown_height_mm=61)
    >>> shape = window_polygon([[-14, 28], [14, 28], [14, 40], [-14, 40]])
    >>> port = Port(id="e", kind="exhaust", control="crown", windows=(Window(outline=shape),))
    >>> found = guide_document(engine, PortMap(stage="stock", ports=(port,)), [9000])
    >>> found["runs_short_first"]["span"], round(found["runs_short_first"]["rpm"], -2)
    ('exhaust', 7300.0)
    """
    _, spans = _timed(engine, port_map)
    speeds = []
    first: dict[str, Any] | None = None
    for speed in rpm:
        verdicts = guide_verdicts(engine, port_map, speed)
        speeds.append(
            {
                "rpm": float(speed),
                "guides": [_entry(one) for one in verdicts],
                "lines": [_line_entry(engine, spans, line, speed) for line in lines],
            }
        )
        timed = [one for one in verdicts if one.good_to_rpm is not None]
        if timed and first is None:
            short = min(timed, key=lambda one: one.good_to_rpm or math.inf)
            first = {"span": short.guide.of, "rpm": short.good_to_rpm, "source": short.guide.source}
    return {"speeds": speeds, "runs_short_first": first}


def _entry(one: GuideVerdict) -> dict[str, Any]:
    guide = one.guide
    return {
        "guide": guide.key,
        "what": guide.what,
        "of": guide.of,
        "low": guide.low,
        "high": guide.high,
        "unit": guide.unit,
        "value": one.value,
        "value_u": one.u,
        "standing": one.standing,
        "sure": one.sure,
        "good_from_rpm": one.good_from_rpm,
        "good_to_rpm": one.good_to_rpm,
        "source": guide.source,
        "confidence": guide.confidence,
        "checked_by": guide.checked_by or None,
        "words": guide.words,
    }


def _line_entry(engine: Engine, spans: Mapping[str, Span], line: Line, rpm: float) -> dict[str, Any]:
    specific = _specific(engine, spans.get(line.of), rpm)
    return {
        "of": line.of,
        "specific_s_per_m": specific,
        "pressure_bar": None if specific is None else line_pressure_bar(line, specific),
        "source": line.source,
        "checked_by": line.checked_by or None,
    }


def line_specific_s_per_m(line: Line, pressure_bar: float) -> float:
    """Return the specific time-area that a line asks for at a mean effective pressure.

    (bmep + c)/m.

    Parameters
    ----------
    line : Line
    pressure_bar : float
        Brake mean effective pressure [bar].

    Returns
    -------
    float
        [s/m]

    References
    ----------
    .. [1] The form, not its coefficients: Blair, Design and Simulation of Two-Stroke Engines, 1996, ch. 6
       (from memory).

    Examples
    --------
    >>> made_up = Line(of="exhaust", offset_bar=2.0, slope_bar_m_per_s=800.0, source="made up", checked_by="")
    >>> line_specific_s_per_m(made_up, 10.0)
    0.015
    """
    return (pressure_bar + line.offset_bar) / line.slope_bar_m_per_s


def line_pressure_bar(line: Line, specific_s_per_m: float) -> float:
    """Return the mean effective pressure that a line reads from a specific time-area.

    Parameters
    ----------
    line : Line
    specific_s_per_m : float
        [s/m]

    Returns
    -------
    float
        [bar]; below 0 means that the line does not reach so far down.

    Examples
    --------
    >>> made_up = Line(of="exhaust", offset_bar=2.0, slope_bar_m_per_s=800.0, source="made up", checked_by="")
    >>> round(line_pressure_bar(made_up, 0.015), 9)
    10.0
    """
    return specific_s_per_m * line.slope_bar_m_per_s - line.offset_bar


def read_lines(path: Path | str) -> tuple[Line, ...]:
    """Return the lines that a user entered.

    Parameters
    ----------
    path : Path or str
        TOML: for each span a table with ``offset_bar``, ``slope_bar_m_per_s``, ``source`` and, if somebody
        read it in the book, ``checked_by``.

    Returns
    -------
    tuple of Line

    Raises
    ------
    QuantityError
        If the file cannot be read, or a line is not one.

    Examples
    --------
    >>> read_lines("no-such-lines.toml")
    Traceback (most recent call last):
    portmap.errors.QuantityError: no-such-lines.toml: there is no such file; check the name
    """
    place = Path(path)
    try:
        if place.stat().st_size > _LARGEST_FILE:
            raise QuantityError("the file is too large", where=place.name, remedy="keep to a few lines")
        data = tomllib.loads(place.read_text(encoding="utf-8"))
    except FileNotFoundError:
        raise QuantityError("there is no such file", where=place.name, remedy="check the name") from None
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise QuantityError(
            f"it cannot be read ({error})", where=place.name, remedy="write it as TOML, a table for each span"
        ) from None
    return tuple(_line(place.name, of, entry) for of, entry in data.items())


def _line(file: str, of: str, entry: object) -> Line:
    where = f"{file}: {of}"
    spans = ("exhaust", "blowdown", "transfer", "intake")
    if of not in spans or not isinstance(entry, dict):
        raise QuantityError("there is no such span", where=where, remedy=f"name one of {', '.join(spans)}")
    for key in ("offset_bar", "slope_bar_m_per_s"):
        figure = entry.get(key)
        if isinstance(figure, bool) or not isinstance(figure, int | float) or not math.isfinite(figure):
            raise QuantityError("it is not a number", where=f"{where}.{key}", remedy="copy it from the book")
    if not entry["slope_bar_m_per_s"] > 0:
        raise QuantityError(
            "a slope must be above 0", where=f"{where}.slope_bar_m_per_s", remedy="copy it from the book"
        )
    if not isinstance(entry.get("source"), str) or not entry["source"].strip():
        raise QuantityError("its source is missing", where=f"{where}.source", remedy="name book and page")
    return Line(
        of=of,
        offset_bar=float(entry["offset_bar"]),
        slope_bar_m_per_s=float(entry["slope_bar_m_per_s"]),
        source=entry["source"].strip(),
        checked_by=str(entry.get("checked_by", "")).strip(),
    )
