"""What each reading would be for given figures, and how it moves with each: the model that a fit turns round.

Every length read is linear in the figures; a degree is the angle of a depth that is linear in them; a depth
at a degree depends on stroke, rod and pin offset alone; a head volume grows with the gasket by the bore's
area. All readings are computed at once, with their derivatives in closed form.

Frame: crown height H above the case deck at TDC, gasket g, heights y above the base face, skirt length L.
A place lies H − g − y below the crown edge at TDC; the crown opens it as the piston has gone down so far, the
skirt closes it at H − g − L − y.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from portmap.crank import angle_at, depth_at
from portmap.errors import GeometryError
from portmap.fit_figures import gasket_figure
from portmap.port import PortEdges
from portmap.readings import Reading

__all__ = ["Predictions", "ReadingModel", "depth_slopes", "model_of", "predictions"]

Floats = NDArray[np.float64]

REACH = 1e-3  # of the travel: nearer to a dead centre than this the angle goes on straight
LENGTHS = {
    "bore": "bore_mm",
    "stroke": "stroke_mm",
    "rod": "rod_mm",
    "pin_offset": "pin_offset_mm",
    "crown_height": "crown_height_mm",
    "skirt_length": "skirt_length_mm",
    "deck_height": "deck_height_mm",
    "squish_band_height": "squish_band_height_mm",
    "case_volume": "case_volume_cm3",
    "head_volume": "head_volume_cm3",
}


@dataclass(frozen=True, kw_only=True, slots=True)
class ReadingModel:
    """How readings hang on figures.

    Parameters
    ----------
    names : tuple of str
        The M figures.
    linear : ndarray of shape (N, M)
        Coefficients of the length behind each of N readings.
    constant : ndarray of shape (N,)
        What is added to it [mm].
    angles : ndarray of shape (N,) and dtype bool
        Which are degrees.
    rising : ndarray of shape (N,) and dtype bool
        Which of those are read as the piston rises.
    at_deg : ndarray of shape (N,)
        Degree of a depth [deg]; NaN for any other.
    lifted : ndarray of shape (N, M)
        Coefficients of the height by which a gasket other than the cylinder's own lifts the head [mm].
    """

    names: tuple[str, ...]
    linear: Floats
    constant: Floats
    angles: NDArray[np.bool_]
    rising: NDArray[np.bool_]
    at_deg: Floats
    lifted: Floats


@dataclass(frozen=True, kw_only=True, slots=True)
class Predictions:
    """What the readings would be.

    Parameters
    ----------
    values : ndarray of shape (N,)
        Each in its reading's unit.
    jacobian : ndarray of shape (N, M)
        Derivative of each by each figure.
    mm_per_deg : ndarray of shape (N,)
        How fast the piston moves where a degree or a depth at a degree is read [mm/deg]; NaN elsewhere.
    """

    values: Floats
    jacobian: Floats
    mm_per_deg: Floats


def model_of(
    readings: Sequence[Reading],
    names: Sequence[str],
    ports: Mapping[str, PortEdges],
    base_gasket_mm: float | None,
) -> ReadingModel:
    """Return how readings hang on figures.

    Parameters
    ----------
    readings : sequence of Reading
    names : sequence of str
        Of all figures that they lean on, from `portmap.fit_figures.figures_of`.
    ports : mapping of str to PortEdges
    base_gasket_mm : float or None
        The cylinder's own [mm]; None if it has none.

    Returns
    -------
    ReadingModel

    Raises
    ------
    GeometryError
        If a port's degree cannot be reckoned since its pocket is not known.

    Examples
    --------
    >>> names = ["crown_height_mm", "squish_band_height_mm"]
    >>> model_of([Reading(kind="squish", value=0.6)], names, {}, None).linear
    array([[-1.,  1.]])
    """
    column = {name: number for number, name in enumerate(names)}
    shape = (len(readings), len(names))
    linear, lifted = np.zeros(shape), np.zeros(shape)
    constant, at_deg = np.zeros(shape[0]), np.full(shape[0], np.nan)
    angles, rising = np.zeros(shape[0], bool), np.zeros(shape[0], bool)
    for row, reading in enumerate(readings):
        gasket = gasket_figure(reading, base_gasket_mm)
        terms, added = _terms(reading, gasket, ports)
        for name, factor in terms.items():
            linear[row, column[name]] += factor
        constant[row] = added
        if reading.kind in ("opens", "closes"):
            angles[row], rising[row] = True, reading.value > 180
        if reading.kind == "depth_at" and reading.at_deg is not None:
            at_deg[row] = reading.at_deg
        if reading.kind == "head_volume":
            if gasket is not None:
                lifted[row, column[gasket]] += 1.0
            if base_gasket_mm is not None:
                lifted[row, column["base_gasket_mm"]] -= 1.0
    return ReadingModel(
        names=tuple(names),
        linear=linear,
        constant=constant,
        angles=angles,
        rising=rising,
        at_deg=at_deg,
        lifted=lifted,
    )


def _terms(
    reading: Reading, gasket: str | None, ports: Mapping[str, PortEdges]
) -> tuple[dict[str, float], float]:
    """Return the figures behind a reading with their factors, and what is added."""
    kind = reading.kind
    if kind in LENGTHS:
        return {LENGTHS[kind]: 1.0}, 0.0
    if kind == "gasket_crushed" and gasket is not None:
        return {gasket: 1.0}, 0.0
    crown = {"crown_height_mm": 1.0, **({gasket: -1.0} if gasket is not None else {})}
    if kind == "squish":
        return {"squish_band_height_mm": 1.0, **{name: -factor for name, factor in crown.items()}}, 0.0
    if kind in ("opens", "closes"):
        return _depth_terms(reading, crown, ports[reading.port or ""])
    if kind == "depth_at":
        return {}, 0.0
    edge, _, place = kind.partition("_")
    height = f"{edge}_mm:{reading.port}"
    if place == "height":
        return {height: 1.0}, 0.0
    if place == "from_deck":
        return {"deck_height_mm": 1.0, height: -1.0}, 0.0
    return {**crown, height: -1.0}, 0.0


def _depth_terms(
    reading: Reading, crown: dict[str, float], port: PortEdges
) -> tuple[dict[str, float], float]:
    """Return the depth at which the piston opens or closes a port."""
    if port.control == "crown":
        return {**crown, f"roof_mm:{port.id}": -1.0}, 0.0
    if port.control == "skirt":
        return {**crown, "skirt_length_mm": -1.0, f"floor_mm:{port.id}": -1.0}, 0.0
    if port.pocket is None:
        raise GeometryError(
            "a pocket controls this port but its edges are not given",
            where=f"port {port.id}",
            remedy="give the depths of the pocket's upper and lower edge below the crown, or leave the"
            " reading out",
        )
    # a pocket passes a port from below as the piston goes down: the port opens to the pocket's lower edge
    # at the roof and closes from its upper edge at the floor; rising, the other way round
    falling = reading.value < 180
    if (reading.kind == "opens") == falling:
        return {**crown, f"roof_mm:{port.id}": -1.0}, -port.pocket.bottom_below_crown_mm
    return {**crown, f"floor_mm:{port.id}": -1.0}, -port.pocket.top_below_crown_mm


def depth_slopes(
    stroke_mm: float, rod_mm: float, pin_offset_mm: float, angle_deg: Floats
) -> tuple[Floats, Floats, Floats, Floats]:
    """Return how a piston's depth moves with angle, stroke, rod and pin offset.

    The derivatives of depth = T − a·cos φ − √(l² − q²), with q = a·sin φ − e, T = √((l + a)² − e²) and
    φ = θ + asin(e/(l + a)); throw a, rod l, offset e.

    Parameters
    ----------
    stroke_mm, rod_mm, pin_offset_mm : float
        [mm]
    angle_deg : ndarray of shape (N,)
        Degrees after true TDC [deg].

    Returns
    -------
    tuple of ndarray
        By angle [mm/deg], stroke, rod and offset [-], each of shape (N,).

    References
    ----------
    .. [1] Heywood, Internal Combustion Engine Fundamentals, 1988, eq. 2.5 (number from memory), with the
       offset, differentiated here.

    Examples
    --------
    >>> [part.round(3).tolist() for part in depth_slopes(32.0, 58.0, 0.0, np.array([90.0]))]
    [[0.279], [0.643], [-0.04], [-0.071]]
    """
    a, rod, e = stroke_mm / 2, rod_mm, pin_offset_mm
    top = np.sqrt((rod + a - e) * (rod + a + e))
    phi = np.radians(angle_deg) + np.arcsin(e / (rod + a))
    sine, cosine = np.sin(phi), np.cos(phi)
    q = a * sine - e
    w = np.sqrt((rod - q) * (rod + q))
    by_phi = a * sine + q * a * cosine / w  # of the depth
    phi_by_length = -e / ((rod + a) * top)
    by_throw = (rod + a) / top - (cosine - q * sine / w) + by_phi * phi_by_length
    by_rod = (rod + a) / top - rod / w + by_phi * phi_by_length
    by_offset = -e / top - q / w + by_phi / top
    return by_phi * np.pi / 180, by_throw / 2, by_rod, by_offset


def predictions(model: ReadingModel, figures: Floats) -> Predictions:
    """Return what the readings would be, and how they move with the figures.

    Parameters
    ----------
    model : ReadingModel
    figures : ndarray of shape (M,)
        In the order of the model's names, each in its own unit.

    Returns
    -------
    Predictions

    Examples
    --------
    >>> names = ["bore_mm", "stroke_mm", "rod_mm", "pin_offset_mm", "crown_height_mm", "roof_mm:e"]
    >>> ports = {"e": PortEdges(id="e", kind="exhaust", control="crown")}
    >>> model = model_of([Reading(kind="opens", port="e", value=104.0)], names, ports, None)
    >>> predictions(model, np.array([46.0, 32.0, 58.0, 0.0, 61.0, 39.4])).values.round(2)
    array([102.48])
    """
    place = {name: number for number, name in enumerate(model.names)}
    values = model.linear @ figures + model.constant
    jacobian = model.linear.copy()
    mm_per_deg = np.full(len(values), np.nan)
    lifted = model.lifted @ figures
    if model.lifted.any():
        bore = figures[place["bore_mm"]]
        area_cm2 = np.pi * bore**2 / 400  # times a lift in mm gives a tenth of a cm³
        values = values + area_cm2 * lifted / 10
        jacobian = jacobian + area_cm2 * model.lifted / 10
        jacobian[:, place["bore_mm"]] += 2 * area_cm2 / bore * lifted / 10
    depths = ~np.isnan(model.at_deg)
    if not (model.angles.any() or depths.any()):
        return Predictions(values=values, jacobian=jacobian, mm_per_deg=mm_per_deg)
    columns = [place[name] for name in ("stroke_mm", "rod_mm", "pin_offset_mm")]
    stroke, rod, offset = (float(figures[number]) for number in columns)
    if depths.any():
        values[depths] = depth_at(stroke, rod, offset, model.at_deg[depths])
        by_angle, *by_length = depth_slopes(stroke, rod, offset, model.at_deg[depths])
        mm_per_deg[depths] = by_angle
        for number, slope in zip(columns, by_length, strict=True):
            jacobian[depths, number] += slope
    if model.angles.any():
        chosen = model.angles
        depth = values[chosen]
        degrees, by_angle, by_length = _angles(stroke, rod, offset, depth, model.rising[chosen])
        values[chosen] = degrees
        mm_per_deg[chosen] = by_angle
        rows = jacobian[chosen] / by_angle[:, None]
        for number, slope in zip(columns, by_length, strict=True):
            rows[:, number] -= slope / by_angle
        jacobian[chosen] = rows
    return Predictions(values=values, jacobian=jacobian, mm_per_deg=mm_per_deg)


def _angles(
    stroke: float, rod: float, offset: float, depth: Floats, rising: NDArray[np.bool_]
) -> tuple[Floats, Floats, list[Floats]]:
    """Return degrees, and how the depth moves there; beyond the piston's reach the angle goes on straight."""
    throw = stroke / 2
    top = np.sqrt((rod + throw) ** 2 - offset**2)
    reach = top - np.sqrt((rod - throw) ** 2 - offset**2)
    within = np.clip(depth, REACH * reach, (1 - REACH) * reach)
    degrees = np.where(
        rising,
        angle_at(stroke, rod, offset, within, rising=True),
        angle_at(stroke, rod, offset, within),
    )
    by_angle, *by_length = depth_slopes(stroke, rod, offset, degrees)
    return degrees + (depth - within) / by_angle, by_angle, by_length
