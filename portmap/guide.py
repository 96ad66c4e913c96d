"""Published guide figures beside what an engine has: where it stands, and which port runs short first.

A guide figure is data (`guides.toml`) with its source, how it was come by, and who checked it against the
page. It is shown as a guide, never as permission. Specific time-area falls as 1/speed, so a range of it is
also a range of speeds: the port is wide below the lower one, and short beyond the upper one.

What nobody could verify is switched off: it is named, marked as from memory and unverified, and the engine
is held beside it only if somebody asks. A book's lines of time-area against mean pressure are the user's own
(`portmap.guide_lines`).

Glossary
--------
good to
    The speed at which a span's specific time-area has fallen to the lower end of its range.
unverified
    From memory, with little confidence in it: a person must read it in the book first.
"""

from __future__ import annotations

import math
import tomllib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Any, Literal

from portmap.engine import Engine
from portmap.errors import GeometryError
from portmap.figures import timeable
from portmap.guide_lines import Line, line_pressure_bar
from portmap.intake_valve import RotaryIntake, rotary_angle_area_mm2_deg
from portmap.port import PortMap, Window, centre_x, chord_width
from portmap.ratio import case_ratio
from portmap.shown import COVERAGE
from portmap.squish import squish_peak
from portmap.stated_spread import blowdown_u_deg, opening_u_deg, span_u_mm2_deg
from portmap.timearea import Span, map_spans, specific_time_area, time_area
from portmap.timing import first_opening_deg, port_timing
from portmap.volume import squish_clearance_mm, swept_volume_cm3

__all__ = [
    "Guide",
    "GuideVerdict",
    "guide_applies",
    "guide_document",
    "guide_verdicts",
    "guides",
]

Standing = Literal["below", "within", "above", "not known"]
Amount = tuple[float | None, float | None]  # a figure and its standard uncertainty


@dataclass(frozen=True, kw_only=True, slots=True)
class Guide:
    """One published figure.

    Parameters
    ----------
    key, what : str
        Name in the data, and in words.
    figure : str
        What is compared: ``specific_s_per_m``, ``duration_deg``, ``opens_deg``, ``chord_of_bore``,
        ``case_ratio``, ``squish_mm`` or ``squish_m_per_s``.
    of : str
        Span, kind of port, ``rotary`` (a rotary valve of the case), or ``engine``.
    low, high : float or None
        The range, in `unit`.
    unit, source, confidence, checked_by, words : str
        `checked_by` is empty if nobody compared it with the printed page.
    switched_on : bool
        Whether it is shown unasked; what nobody could verify is not.
    swept_cm3 : tuple of float or None
        Sizes of cylinder that it is for; None for all [cm³].
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
    swept_cm3: tuple[float, float] | None = None


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
        Guide(key=key, **{"low": None, "high": None, **entry, "swept_cm3": _pair(entry.get("swept_cm3"))})
        for key, entry in data["guides"].items()
    )


def _pair(ends: Sequence[float] | None) -> tuple[float, float] | None:
    return None if ends is None else (ends[0], ends[1])


def guide_applies(guide: Guide, engine: Engine) -> bool:
    """Return whether a guide figure is for an engine of this kind and size.

    Parameters
    ----------
    guide : Guide
    engine : Engine

    Returns
    -------
    bool
        False for the intake of another valve, or a cylinder of another size.

    Examples
    --------
    >>> from portmap.crank import Crank
    >>> engine = Engine(bore_mm=46, crank=Crank(stroke_mm=32, rod_mm=58), crown_height_mm=61)
    >>> [guide.key for guide in guides() if guide.of in ("intake", "rotary") and guide_applies(guide, engine)]
    ['intake_piston']
    """
    if guide.of == "rotary":
        return isinstance(engine.intake, RotaryIntake)
    if guide.of == "intake" and engine.intake is not None:
        return False
    return guide.swept_cm3 is None or guide.swept_cm3[0] <= swept_volume_cm3(engine) <= guide.swept_cm3[1]


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
        Of those that apply to the engine.

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
    seen = _Seen(engine=engine, port_map=known, spans=spans, rpm=rpm)
    chosen = [guide for guide in guides() if guide.switched_on] if among is None else among
    return tuple(_verdict(guide, seen) for guide in chosen if guide_applies(guide, engine))


@dataclass(frozen=True, kw_only=True, slots=True)
class _Seen:
    """An engine at a speed, as guides look at it."""

    engine: Engine
    port_map: PortMap
    spans: Mapping[str, Span]
    rpm: float


def _verdict(guide: Guide, seen: _Seen) -> GuideVerdict:
    try:
        value, u = _FIGURES[guide.figure](guide, seen)
    except GeometryError:  # nobody measured something that it needs: the verdict says so
        value, u = None, None
    standing = _standing(guide, value)
    sure = None
    if value is not None and u is not None:
        ends = {_standing(guide, value - COVERAGE * u), _standing(guide, value + COVERAGE * u)}
        sure = ends == {standing}
    speeds: Amount = (None, None)
    if value is not None and guide.figure == "specific_s_per_m":
        # specific time-area times speed does not change with speed
        speeds = (
            None if guide.high is None else value * seen.rpm / guide.high,
            None if guide.low is None else value * seen.rpm / guide.low,
        )
    return GuideVerdict(
        guide=guide,
        value=value,
        u=u,
        standing=standing,
        sure=sure,
        good_from_rpm=speeds[0],
        good_to_rpm=speeds[1],
    )


def _specific_time_area(guide: Guide, seen: _Seen) -> Amount:
    if guide.of == "rotary" and isinstance(seen.engine.intake, RotaryIntake):
        amount = time_area(rotary_angle_area_mm2_deg(seen.engine.intake), seen.rpm)
        return float(specific_time_area(amount, swept_volume_cm3(seen.engine))), None
    span = seen.spans.get(guide.of)
    value = _specific(seen.engine, span, seen.rpm)
    if span is None or value is None:
        return None, None
    doubt = span_u_mm2_deg(seen.engine, seen.port_map, span)
    return value, None if doubt is None else value * doubt / span.angle_area_mm2_deg


def _duration(guide: Guide, seen: _Seen) -> Amount:
    span = seen.spans.get(guide.of)
    if span is None or not span.angle_area_mm2_deg > 0:
        return None, None
    return span.duration_deg, blowdown_u_deg(seen.engine, seen.port_map) if guide.of == "blowdown" else None


def _opening(guide: Guide, seen: _Seen) -> Amount:
    ports = tuple(port for port in seen.port_map.ports if port.kind == guide.of)
    first = first_opening_deg(seen.engine, ports)
    for port in ports:
        if any(opening.opens_deg == first for opening in port_timing(seen.engine, port).openings):
            return first, opening_u_deg(seen.engine, port)
    return None, None


def _chord(guide: Guide, seen: _Seen) -> Amount:
    bore = seen.engine.bore_mm
    windows = [window for port in seen.port_map.ports if port.kind == guide.of for window in port.windows]
    if not windows:
        return None, None
    arc, widest = max(((_arc_mm(window, bore), window) for window in windows), key=lambda each: each[0])
    value = float(chord_width(arc, bore)) / bore
    if widest.doubt is None:
        return value, None
    # both sides of the window are that sure; the chord grows by the cosine of half its angle
    return value, math.sqrt(2) * widest.doubt.edge_u_mm * math.cos(arc / bore) / bore


def _case_ratio(guide: Guide, seen: _Seen) -> Amount:
    value, doubt = case_ratio(seen.engine), seen.engine.doubt
    u_cm3 = None if doubt is None else doubt.u("case_volume_cm3")
    if u_cm3 is None:
        return value, None
    return value, u_cm3 * (value - 1) ** 2 / swept_volume_cm3(seen.engine)


def _squish(guide: Guide, seen: _Seen) -> Amount:
    return squish_clearance_mm(seen.engine), None


def _squish_velocity(guide: Guide, seen: _Seen) -> Amount:
    return squish_peak(seen.engine, seen.rpm).velocity_m_per_s, None


_FIGURES: dict[str, Callable[[Guide, _Seen], Amount]] = {
    "specific_s_per_m": _specific_time_area,
    "duration_deg": _duration,
    "opens_deg": _opening,
    "chord_of_bore": _chord,
    "case_ratio": _case_ratio,
    "squish_mm": _squish,
    "squish_m_per_s": _squish_velocity,
}


def _timed(engine: Engine, port_map: PortMap) -> tuple[PortMap, dict[str, Span]]:
    """Return the ports that can be timed, and their spans by name."""
    known, _ = timeable(engine, port_map)
    return known, {span.name: span for span in map_spans(engine, known)[0]}


def _specific(engine: Engine, span: Span | None, rpm: float) -> float | None:
    """Return a span's specific time-area at a speed [s/m]; None if it never opens."""
    if span is None or not span.angle_area_mm2_deg > 0:
        return None
    return float(specific_time_area(time_area(span.angle_area_mm2_deg, rpm), swept_volume_cm3(engine)))


def _arc_mm(window: Window, bore_mm: float) -> float:
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


def guide_document(
    engine: Engine,
    port_map: PortMap,
    rpm: Sequence[float],
    *,
    lines: Sequence[Line] = (),
    unverified: bool = False,
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
    unverified : bool, optional
        Hold the engine beside figures that are switched off too; each is marked.

    Returns
    -------
    dict
        ``speeds``: for each ``rpm`` the ``guides``, and ``lines`` with the pressure that each reads;
        ``runs_short_first``: the span whose time-area first falls below its range, and at what speed;
        ``switched_off``: figures that apply and that the engine was not held beside.

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
    among = [guide for guide in guides() if guide.switched_on or unverified]
    off = [guide for guide in guides() if guide not in among and guide_applies(guide, engine)]
    speeds = []
    first: dict[str, Any] | None = None
    for speed in rpm:
        verdicts = guide_verdicts(engine, port_map, speed, among=among)
        speeds.append(
            {
                "rpm": float(speed),
                "guides": [_entry(one) for one in verdicts],
                "lines": [_line_entry(engine, spans, line, speed) for line in lines],
            }
        )
        timed = [one for one in verdicts if one.good_to_rpm is not None and one.guide.switched_on]
        if timed and first is None:
            short = min(timed, key=lambda one: one.good_to_rpm or math.inf)
            first = {"span": short.guide.of, "rpm": short.good_to_rpm, "source": short.guide.source}
    return {"speeds": speeds, "runs_short_first": first, "switched_off": [_stated(guide) for guide in off]}


def _entry(one: GuideVerdict) -> dict[str, Any]:
    return {
        **_stated(one.guide),
        "value": one.value,
        "value_u": one.u,
        "standing": one.standing,
        "sure": one.sure,
        "good_from_rpm": one.good_from_rpm,
        "good_to_rpm": one.good_to_rpm,
    }


def _stated(guide: Guide) -> dict[str, Any]:
    return {
        "guide": guide.key,
        "what": guide.what,
        "of": guide.of,
        "low": guide.low,
        "high": guide.high,
        "unit": guide.unit,
        "source": guide.source,
        "confidence": guide.confidence,
        "checked_by": guide.checked_by or None,
        "unverified": not guide.switched_on,
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
