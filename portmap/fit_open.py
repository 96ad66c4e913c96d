"""What the readings leave open, and the reading that would settle it.

A direction of figure space is open when neither the readings nor the job's own measurements settle it to
within what matters; an assumption may hold it all the same. For each, every reading that could still be made
is tried on paper, and the one is named that would settle most of it for the least trouble.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from portmap.crank import Crank
from portmap.fit_figures import Figure, mean_doubt
from portmap.fit_model import model_of, predictions
from portmap.fit_review import Solution
from portmap.port import PortEdges
from portmap.reading_kinds import ReadingKind
from portmap.readings import Reading, timed_edge

__all__ = ["Loose", "loose_figures"]

Floats = NDArray[np.float64]

# what counts as open: a spread (k = 1) beyond this
OPEN = {"rod_mm": 3.0, "pin_offset_mm": 0.5}
OPEN_ELSE = 0.5  # mm or cm³

# how readily a reading is made, the figure's own weight in the choice: common practice, no source
EASE: dict[ReadingKind, float] = {
    "roof_height": 1.0,
    "floor_height": 1.0,
    "roof_from_deck": 0.95,
    "floor_from_deck": 0.95,
    "squish": 1.0,
    "opens": 0.9,
    "closes": 0.85,
    "depth_at": 1.0,
    "roof_depth": 0.8,
    "floor_depth": 0.7,
    "head_volume": 1.0,
    "deck_height": 0.9,
    "squish_band_height": 0.8,
    "skirt_length": 0.7,
    "gasket_crushed": 0.8,
    "bore": 0.9,
    "case_volume": 0.5,
    "stroke": 0.3,
    "rod": 0.3,
    "pin_offset": 0.1,
    "crown_height": 0.1,
}
TO_DO: dict[str, str] = {
    "roof_height": "measure the {port} roof's height above the base",
    "floor_height": "measure the {port} floor's height above the base",
    "roof_from_deck": "measure the {port} roof from the deck",
    "floor_from_deck": "measure the {port} floor from the deck",
    "roof_depth": "measure the {port} roof below the crown at TDC",
    "floor_depth": "measure the {port} floor below the crown at TDC",
    "opens": "read where the {port} opens",
    "closes": "read where the {port} closes",
    "squish": "read the squish with solder",
    "depth_at": "read the piston's depth at 90° with a dial gauge, several times",
    "head_volume": "fill the head from a burette",
    "case_volume": "fill the case from a burette",
    "gasket_crushed": "measure the base gasket after its crush",
}
CHECK_DEG = 90.0  # where a piston's depth says most of its rod


@dataclass(frozen=True, kw_only=True, slots=True)
class Loose:
    """What the readings leave open.

    Parameters
    ----------
    figures : tuple of str
        One figure, or several that can only move together.
    words : str
        In plain words.
    settle : str
        The reading that would settle it.
    kind : str or None
        Of that reading; None if none of those known would.
    port : str or None
        Its port.
    """

    figures: tuple[str, ...]
    words: str
    settle: str
    kind: str | None
    port: str | None


def loose_figures(
    solution: Solution,
    figures: Sequence[Figure],
    ports: Mapping[str, PortEdges],
    base_gasket_mm: float | None,
) -> tuple[Loose, ...]:
    """Return what the readings and measurements leave open.

    Parameters
    ----------
    solution : Solution
    figures : sequence of Figure
    ports : mapping of str to PortEdges
    base_gasket_mm : float or None
        The cylinder's own [mm].

    Returns
    -------
    tuple of Loose
    """
    scale = np.array([OPEN.get(figure.name, OPEN_ELSE) for figure in figures])
    _, singular, right = np.linalg.svd(solution.whitened[solution.firm] * scale, full_matrices=True)
    strength = np.zeros(len(figures))
    strength[: len(singular)] = singular
    free = right[strength < 1.0]
    if not len(free):
        return ()
    covariance = solution.covariance.copy()
    candidates = _candidates(figures, ports)
    model = model_of(candidates, solution.names, ports, base_gasket_mm)
    slopes = predictions(model, solution.figures).jacobian
    crank = Crank(
        stroke_mm=solution.value("stroke_mm"),
        rod_mm=solution.value("rod_mm"),
        pin_offset_mm=solution.value("pin_offset_mm"),
    )
    doubts = np.array([mean_doubt(reading, crank) for reading in candidates])
    ease = np.array([EASE[reading.kind] for reading in candidates])
    found = []
    spread = [float(row / scale @ covariance @ (row / scale)) for row in _simplest(free)]
    # the widest first: what settles it often settles more
    for direction in _simplest(free)[np.argsort(spread)[::-1]]:
        along = direction / scale  # the combination of figures that this direction spreads
        variance = float(along @ covariance @ along)
        told = covariance @ slopes.T
        noise = doubts**2 + np.einsum("ij,ji->i", slopes, told)
        gained = ease * (along @ told) ** 2 / noise / variance
        best = int(np.argmax(gained)) if len(candidates) else -1
        names = [number for number in np.argsort(-np.abs(direction)) if abs(direction[number]) > 0.05]
        together = tuple(figures[number].name for number in names)
        words = figures[names[0]].words
        if len(names) > 1:
            words += f" (and with it {', '.join(figures[number].words for number in names[1:])})"
        helpful = best >= 0 and gained[best] > 0.05
        reading = candidates[best] if helpful else None
        if reading is not None:
            column = told[:, best]
            covariance = covariance - np.outer(column, column) / noise[best]
        found.append(
            Loose(
                figures=together,
                words=words,
                settle=_to_do(reading),
                kind=None if reading is None else reading.kind,
                port=None if reading is None else reading.port,
            )
        )
    return tuple(found)


def _simplest(free: Floats) -> Floats:
    """Return a basis of the same directions in which each figure stands as seldom as can be."""
    rows = free.copy()
    for number in range(len(rows)):
        rest = np.abs(rows[number:])
        row, column = divmod(int(np.argmax(rest)), rest.shape[1])
        rows[[number, number + row]] = rows[[number + row, number]]
        rows[number] /= rows[number, column]
        for other in range(len(rows)):
            if other != number:
                rows[other] -= rows[other, column] * rows[number]
    return np.asarray(rows / np.abs(rows).max(axis=1, keepdims=True))


def _candidates(figures: Sequence[Figure], ports: Mapping[str, PortEdges]) -> list[Reading]:
    """Return the readings that could still be made of these figures."""
    names = {figure.name: figure for figure in figures}
    found: list[Reading] = [Reading(kind="depth_at", at_deg=CHECK_DEG, value=0.0)]
    outright: dict[str, ReadingKind] = {
        "bore_mm": "bore",
        "stroke_mm": "stroke",
        "rod_mm": "rod",
        "pin_offset_mm": "pin_offset",
        "crown_height_mm": "crown_height",
        "skirt_length_mm": "skirt_length",
        "head_volume_cm3": "head_volume",
        "case_volume_cm3": "case_volume",
        "base_gasket_mm": "gasket_crushed",
        "squish_band_height_mm": "squish_band_height",
        "deck_height_mm": "deck_height",
    }
    found += [Reading(kind=kind, value=1.0) for name, kind in outright.items() if name in names]
    if "squish_band_height_mm" in names:
        found.append(Reading(kind="squish", value=1.0))
    places: dict[str, tuple[ReadingKind, ReadingKind, ReadingKind]] = {
        "roof": ("roof_height", "roof_depth", "roof_from_deck"),
        "floor": ("floor_height", "floor_depth", "floor_from_deck"),
    }
    for port in ports.values():
        for edge, (height, depth, deck) in places.items():
            if f"{edge}_mm:{port.id}" not in names:
                continue
            found += [Reading(kind=kind, value=1.0, port=port.id) for kind in (height, depth)]
            if "deck_height_mm" in names:
                found.append(Reading(kind=deck, value=1.0, port=port.id))
            if timed_edge(port) != edge or (port.control == "skirt" and "skirt_length_mm" not in names):
                continue
            early = 1.0 if port.control == "crown" else 359.0  # only which half of the turn counts
            found.append(Reading(kind="opens", value=early, port=port.id))
            found.append(Reading(kind="closes", value=360.0 - early, port=port.id))
    return found


def _to_do(reading: Reading | None) -> str:
    if reading is None:
        return "none of the readings known here would settle it"
    plain = f"measure the {reading.kind.replace('_', ' ')}"
    return TO_DO.get(reading.kind, plain).format(port=reading.port)
