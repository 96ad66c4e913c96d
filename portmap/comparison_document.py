"""A comparison as other programs read it.

Plain dictionaries, lists, text and numbers, ready for JSON. Names end in the unit; what nobody knows is None.
Every figure of a port holds ``a``, ``b``, ``change`` (b minus a), ``u_change`` (standard uncertainty) and
``beyond_doubt`` (k = 2; None where nobody said how sure a side is). Windows are counted from 0.
"""

from __future__ import annotations

import math
from typing import Any

import shapely

from portmap.change import Change
from portmap.compare import Comparison, PortChange, Side
from portmap.left_right import PairDifference
from portmap.nearness import Nearness, PortNearness
from portmap.registration import Registration
from portmap.wall_change import Place, Shape, place_words

__all__ = ["comparison_document"]

_PLACES = 5  # decimals of a millimetre


def comparison_document(found: Comparison) -> dict[str, Any]:
    """Return a comparison as JSON holds it.

    Parameters
    ----------
    found : Comparison

    Returns
    -------
    dict
        ``a``, ``b``, ``registration`` (``dx_mm``, ``dy_mm``, ``turn_deg``), ``ports`` (for each ``id``,
        ``roof_mm``, ``floor_mm``, ``wall_area_mm2``, ``opens_deg`` and more), ``pairs`` of b and ``pairs_a``
        (``left``, ``right``), ``spans``, ``blowdown_deg``, ``nearness`` and ``warnings``.

    Examples
    --------
    >>> from portmap.port import Port, PortMap, Window
    >>> from portmap.compare import compared
    >>> port = Port(id="t", kind="transfer", control="crown",
    ...             windows=(Window(outline=shapely.box(20, 30, 30, 38)),))
    >>> side = Side(name="saw", port_map=PortMap(stage="stock", ports=(port,)), bore_mm=46)
    >>> comparison_document(compared(side, side))["ports"][0]["roof_mm"]["change"]
    0.0
    """
    document: dict[str, Any] = {
        "a": _side(found.a),
        "b": _side(found.b),
        "degrees_only": found.degrees_only,
        "registration": _registration(found.registration),
        "rpm": found.rpm,
        "area": "wall",
        "ports": [_port(port) for port in found.ports],
        "only_a": list(found.only_a),
        "only_b": list(found.only_b),
        "blowdown_deg": _change(found.blowdown_deg),
        "spans": [
            {
                "span": span.span,
                "duration_deg": _change(span.duration_deg),
                "angle_area_mm2_deg": _change(span.angle_area_mm2_deg),
                "time_area_mm2_s": _change(span.time_area_mm2_s),
                "specific_s_per_m": _change(span.specific_s_per_m),
            }
            for span in found.spans
        ],
        "pairs": [_pair(pair) for pair in found.pairs_b],
        "pairs_a": [_pair(pair) for pair in found.pairs_a],
        "nearness": None if found.nearness is None else _nearness(found.nearness),
        "warnings": [notice.as_dict() for notice in dict.fromkeys(found.notices)],
    }
    return document


def _side(side: Side) -> dict[str, Any]:
    return {
        "name": side.name,
        "stage": side.port_map.stage,
        "bore_mm": side.bore_mm,
        "timed": side.engine is not None,
        "assumed": [] if side.engine is None else list(side.engine.assumed),
        "fitted": [] if side.engine is None else list(side.engine.fitted),
    }


def _registration(registration: Registration) -> dict[str, Any]:
    variances = [registration.covariance[place][place] for place in range(3)]
    across, up, turn = (max(variance, 0.0) ** 0.5 for variance in variances)
    return {
        "method": registration.method,
        "dx_mm": registration.dx_mm,
        "dy_mm": registration.dy_mm,
        "turn_deg": registration.turn_deg,
        "u_dx_mm": across,
        "u_dy_mm": up,
        "u_turn_deg": math.degrees(turn),
        "agreeing_share": registration.agreeing_share,
        "rms_mm": registration.rms_mm,
    }


def _change(change: Change | None) -> dict[str, Any] | None:
    if change is None:
        return None
    return {
        "a": change.a,
        "b": change.b,
        "change": change.change,
        "u_change": change.u_change,
        "beyond_doubt": change.beyond_doubt,
    }


def _port(port: PortChange) -> dict[str, Any]:
    figures = (
        "roof_mm",
        "floor_mm",
        "width_arc_mm",
        "width_chord_mm",
        "wall_area_mm2",
        "opens_deg",
        "closes_deg",
        "duration_deg",
        "time_area_mm2_s",
    )
    found: dict[str, Any] = {
        "id": port.id,
        "id_b": port.id_b,
        "kind": port.kind,
        "matched_by": port.matched_by,
        **{name: _change(getattr(port, name)) for name in figures},
    }
    if port.gained is not None and port.lost is not None:
        found |= {
            "gained": _shape(port.gained),
            "lost": _shape(port.lost),
            "gained_places": [_place(place) for place in port.gained_places],
            "lost_places": [_place(place) for place in port.lost_places],
            "windows": [
                {
                    "window_a": window.window_a,
                    "window_b": window.window_b,
                    "hausdorff_mm": window.hausdorff_mm,
                    "hausdorff_at_mm": list(window.at_mm),
                    "mean_mm": window.mean_mm,
                }
                for window in port.windows
            ],
        }
    return found


def _shape(shape: Shape) -> dict[str, Any]:
    """Return a shape's area and outlines, holes after each part's own outline."""
    return {
        "area_mm2": float(shape.area),
        "outlines_mm": [
            [
                [[round(float(x), _PLACES), round(float(y), _PLACES)] for x, y in ring.coords[:-1]]
                for ring in (part.exterior, *part.interiors)
            ]
            for part in shapely.get_parts(shape)
        ],
    }


def _place(place: Place) -> dict[str, Any]:
    return {
        "edge": place.edge,
        "x_mm": place.x_mm,
        "y_mm": place.y_mm,
        "depth_mm": place.depth_mm,
        "width_mm": place.right_mm - place.left_mm,
        "height_mm": place.high_mm - place.low_mm,
        "area_mm2": place.area_mm2,
        "words": place_words(place),
    }


def _difference(change: Change) -> dict[str, Any]:
    return {
        "left": change.a,
        "right": change.b,
        "difference": change.change,
        "u_difference": change.u_change,
        "beyond_doubt": change.beyond_doubt,
    }


def _pair(pair: PairDifference) -> dict[str, Any]:
    figures = ("roof_mm", "floor_mm", "width_arc_mm", "wall_area_mm2", "offset_mm")
    return {
        "left": pair.left,
        "left_window": pair.left_window,
        "right": pair.right,
        "right_window": pair.right_window,
        **{name: _difference(getattr(pair, name)) for name in figures},
        "hausdorff_mm": pair.hausdorff_mm,
    }


def _nearness(nearness: Nearness) -> dict[str, Any]:
    return {
        "to_take_mm2": sum(float(port.to_take.area) for port in nearness.ports),
        "past_mm2": sum(float(port.past.area) for port in nearness.ports),
        "only_proposed": list(nearness.only_wish),
        "only_ground": list(nearness.only_ground),
        "ports": [_port_nearness(port) for port in nearness.ports],
    }


def _port_nearness(port: PortNearness) -> dict[str, Any]:
    tallest = port.tallest
    return {
        "id": port.id,
        "to_take": _shape(port.to_take),
        "largest_height_mm": 0.0 if tallest is None else tallest.height_mm,
        "largest_height_at_mm": None if tallest is None else [tallest.x_mm, tallest.y_mm],
        "past": _shape(port.past),
        "to_take_places": [_place(place) for place in port.to_take_places],
        "past_places": [_place(place) for place in port.past_places],
    }
