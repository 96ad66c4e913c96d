"""What a least squares solution says of its readings: which do not belong, and what they leave open.

A reading that does not belong is looked for by its studentised misfit, in the ordinary solution and in a
robust one that bends to no single reading. Readings whose misfits always rise and fall together cannot be
told apart: then they are named together, as contradicting one another.

What the readings leave open are the directions of figure space that neither they nor the job's measurements
settle to within what matters. For each, every reading that could still be made is tried on paper, and the one
is named that would settle most of it for the least trouble.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from portmap.crank import Crank, angle_at
from portmap.errors import Notice
from portmap.fit_figures import Figure, mean_doubt
from portmap.fit_model import Predictions, ReadingModel, depth_slopes, model_of, predictions
from portmap.port import PortEdges
from portmap.reading_words import words_of_reading
from portmap.readings import Reading, ReadingKind, timed_edge

__all__ = [
    "Loose",
    "Solution",
    "Suspect",
    "crank_and_wall",
    "loose_figures",
    "review_notices",
    "suspects_of",
    "wheel_slip",
]

Floats = NDArray[np.float64]

FALSE_ALARM = 0.01  # chance that a set of good readings is said to hold a bad one
SUSPECTS_SHOWN = 3
CHECKED_LEAST = 0.05  # below it a slip hardly shows, and is blamed on nothing
TOGETHER = 0.9  # correlation of misfits from which two readings cannot be told apart
SCATTER_CHANCE = 0.01

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
class Solution:
    """A least squares solution, row by row: N readings, then the M figures by what each is held.

    Parameters
    ----------
    names : tuple of str
        The M figures.
    figures : ndarray of shape (M,)
    covariance : ndarray of shape (M, M)
    whitened : ndarray of shape (N + M, M)
        Derivatives over doubts.
    residuals, robust : ndarray of shape (N + M,)
        Fitted less read over doubt; the same in the robust solution.
    firm : ndarray of shape (N + M,) and dtype bool
        Readings and measurements, as against assumptions.
    hat : ndarray of shape (N + M,)
        How far each row determines itself, 0 to 1.
    spread : ndarray of shape (N + M, N + M)
        Covariance of the residuals.
    doubts : ndarray of shape (N + M,)
        Standard uncertainties, each in its row's unit.
    predicted : Predictions
    model : ReadingModel
    """

    names: tuple[str, ...]
    figures: Floats
    covariance: Floats
    whitened: Floats
    residuals: Floats
    robust: Floats
    firm: NDArray[np.bool_]
    hat: Floats
    spread: Floats
    doubts: Floats
    predicted: Predictions
    model: ReadingModel

    def value(self, name: str) -> float:
        """Return a fitted figure."""
        return float(self.figures[self.names.index(name)])


@dataclass(frozen=True, kw_only=True, slots=True)
class Suspect:
    """A reading that does not belong, or several that contradict one another.

    Parameters
    ----------
    numbers : tuple of int
        Of the readings in the job, from 1.
    figures : tuple of str
        Names of figures whose statement in the job is meant.
    away : float
        Of the first, from what the others say of it, in its unit.
    unit : {'deg', 'mm', 'cm3'}
    studentised : float
    words : str
        A sentence that says which, by how much, and what to do.
    """

    numbers: tuple[int, ...]
    figures: tuple[str, ...]
    away: float
    unit: str
    studentised: float
    words: str


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


def crank_and_wall(
    solution: Solution, row: int, reading: Reading, misfit: float, ports: Mapping[str, PortEdges]
) -> tuple[float | None, float | None]:
    """Return a misfit at the crank and on the wall.

    Parameters
    ----------
    solution : Solution
    row : int
        Of the reading.
    reading : Reading
    misfit : float
        In the reading's unit.
    ports : mapping of str to PortEdges

    Returns
    -------
    tuple of (float or None, float or None)
        Degrees [deg] and length [mm]; None where it has no meaning there. Degrees count to the piston's way
        down past the edge, so that a roof too low, or too far from the deck, is too late.

    Examples
    --------
    >>> from portmap.fit_model import model_of
    >>> names = ("stroke_mm", "rod_mm", "pin_offset_mm")
    >>> reading = Reading(kind="depth_at", at_deg=90.0, value=18.3)
    >>> model = model_of([reading], names, {}, None)
    >>> at = np.array([32.0, 58.0, 0.0])
    >>> none = np.zeros(0)
    >>> solution = Solution(names=names, figures=at, covariance=none, whitened=none, residuals=none,
    ...     robust=none, firm=none > 0, hat=none, spread=none, doubts=none, model=model,
    ...     predicted=predictions(model, at))
    >>> [round(part, 2) for part in crank_and_wall(solution, 0, reading, 0.05, {})]
    [0.18, 0.05]
    """
    slope = float(solution.predicted.mm_per_deg[row])
    if reading.unit == "deg":
        return misfit, misfit * abs(slope)
    if reading.unit != "mm":
        return None, None
    if reading.kind == "depth_at":
        return (misfit / slope if abs(slope) > 1e-6 else None), misfit
    port = ports.get(reading.port or "")
    edge = None if port is None else timed_edge(port)
    if port is None or edge is None or not reading.kind.startswith(edge):
        return None, misfit
    edge_slope = _edge_slope(solution, port, edge)
    if edge_slope is None:
        return None, misfit
    return (-misfit if reading.kind.endswith("_height") else misfit) / edge_slope, misfit


def _edge_slope(solution: Solution, port: PortEdges, edge: str) -> float | None:
    """Return how fast the piston moves as it passes the edge that times a port [mm/deg]."""
    needed = ["crown_height_mm", f"{edge}_mm:{port.id}"] + ["skirt_length_mm"] * (port.control == "skirt")
    if not set(needed) <= set(solution.names):
        return None
    gasket = solution.value("base_gasket_mm") if "base_gasket_mm" in solution.names else 0.0
    depth = solution.value(needed[0]) - gasket - sum(solution.value(name) for name in needed[1:])
    crank = [solution.value(name) for name in ("stroke_mm", "rod_mm", "pin_offset_mm")]
    angle = angle_at(*crank, depth)
    if not np.isfinite(angle):
        return None
    slope = float(depth_slopes(*crank, np.atleast_1d(angle))[0][0])
    return slope if slope > 1e-3 else None


def suspects_of(
    solution: Solution, readings: Sequence[Reading], numbers: Sequence[int], figures: Sequence[Figure]
) -> tuple[Suspect, ...]:
    """Return the readings that do not belong.

    Parameters
    ----------
    solution : Solution
    readings : sequence of Reading
        Its N readings.
    numbers : sequence of int
        Their numbers in the job.
    figures : sequence of Figure
        Its M figures.

    Returns
    -------
    tuple of Suspect
        The worst first; each is found with those before it left out. Good readings give one in a hundred
        fits a suspect.
    """
    from scipy.stats import norm

    limit = float(norm.isf(FALSE_ALARM / 2 / max(int(solution.firm.sum()), 1)))
    residuals, spread = solution.residuals.copy(), solution.spread.copy()
    robust = np.abs(solution.robust) / np.sqrt(np.maximum(np.diag(spread), CHECKED_LEAST))
    able = solution.firm.copy()
    found: list[Suspect] = []
    while len(found) < SUSPECTS_SHOWN:
        checked = np.diag(spread)
        able &= checked > CHECKED_LEAST
        if not able.any():
            break
        ratio = np.where(able, np.abs(residuals) / np.sqrt(np.maximum(checked, CHECKED_LEAST)), 0.0)
        worst = int(np.argmax(ratio))
        if not ratio[worst] > limit:
            break
        firmest = int(np.argmax(np.where(able, robust, 0.0)))
        if ratio[firmest] > limit and robust[worst] < limit / 2:
            worst = firmest  # the ordinary solution bent to it, and made another look bad
        correlation = spread[worst] / np.sqrt(np.maximum(checked * checked[worst], 1e-12))
        group = [int(n) for n in np.flatnonzero(able & (np.abs(correlation) > TOGETHER)) if n != worst]
        found.append(
            _suspect(
                solution, worst, group, -float(residuals[worst] / checked[worst]), readings, numbers, figures
            )
        )
        # leaving out the worst row, in closed form; its like have nothing to contradict any more
        column = spread[:, worst] / checked[worst]
        residuals = residuals - column * residuals[worst]
        spread = spread - np.outer(column, spread[worst])
        able[[worst, *group]] = False
    return tuple(found)


def _suspect(
    solution: Solution,
    worst: int,
    group: list[int],
    ratio: float,
    readings: Sequence[Reading],
    numbers: Sequence[int],
    figures: Sequence[Figure],
) -> Suspect:
    count = len(readings)

    def name(row: int) -> str:
        if row < count:
            return f"reading {numbers[row]} ({words_of_reading(readings[row])})"
        figure = figures[row - count]
        unit = "mm" if figure.unit == "mm" else "cm³"
        return f"the {figure.words} that the job states ({figure.centre:g} {unit})"

    away = ratio * float(solution.doubts[worst])
    unit = readings[worst].unit if worst < count else figures[worst - count].unit
    amount = _amount(abs(away), unit)
    slope = float(solution.predicted.mm_per_deg[worst]) if worst < count and unit == "deg" else float("nan")
    if np.isfinite(slope):
        amount = f"{amount} ({abs(away * slope):.2f} mm)"
    rows = [worst, *group]
    if group:
        others = "; ".join(name(row) for row in rows)
        words = (
            f"These contradict one another by {amount}: {others}. Which of them is wrong they do not tell:"
            " read one of them again, or leave one out."
        )
    else:
        value = readings[worst].value if worst < count else figures[worst - count].centre
        should = _amount(value - away, unit)
        side = "more" if away > 0 else "less"
        leave = f", or leave it out with --without {numbers[worst]}" if worst < count else ""
        words = (
            f"{name(worst)[0].upper()}{name(worst)[1:]} does not belong: it is {amount} {side} than the"
            f" {should} that all the others give; measure it again{leave}."
        )
    return Suspect(
        numbers=tuple(numbers[row] for row in rows if row < count),
        figures=tuple(figures[row - count].name for row in rows if row >= count),
        away=away,
        unit=unit,
        studentised=float(ratio * np.sqrt(max(solution.spread[worst, worst], 0.0))),
        words=words,
    )


def _amount(value: float, unit: str) -> str:
    return {"deg": f"{value:.1f}°", "mm": f"{value:.2f} mm", "cm3": f"{value:.2f} cm³"}[unit]


def wheel_slip(solution: Solution) -> tuple[float, float] | None:
    """Return by how much all degrees seem to be off together, as when the wheel's zero is not at TDC.

    One more figure, added to every degree that was read; what the residuals say of it, to first order.

    Parameters
    ----------
    solution : Solution

    Returns
    -------
    tuple of float or None
        The slip and its standard uncertainty [deg]; None if the readings cannot tell.
    """
    slopes = solution.predicted.mm_per_deg
    count = len(slopes)
    # a wheel that shows too much makes what the figures give look too small, or a depth too shallow
    shown = np.where(solution.model.angles, 1.0, np.where(np.isnan(solution.model.at_deg), 0.0, -slopes))
    column = np.zeros(len(solution.residuals))
    column[:count] = np.nan_to_num(shown) / solution.doubts[:count]
    seen = float(column @ solution.spread @ column)
    if not seen > 1.0:  # a slip of a degree must show
        return None
    return -float(column @ solution.residuals) / seen, float(1 / np.sqrt(seen))


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
    for direction in _simplest(free):
        along = direction / scale  # the combination of figures that this direction spreads
        variance = float(along @ covariance @ along)
        told = covariance @ slopes.T
        noise = doubts**2 + np.einsum("ij,ji->i", slopes, told)
        gained = ease * (along @ told) ** 2 / noise / variance
        best = int(np.argmax(gained)) if len(candidates) else -1
        names = [number for number in np.argsort(-np.abs(direction)) if abs(direction[number]) > 0.05]
        together = tuple(figures[number].name for number in names)
        words = " and ".join(figures[number].words for number in names)
        if len(names) > 1:
            words += " (only together)"
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
        row, column = np.unravel_index(int(np.argmax(rest)), rest.shape)
        rows[[number, number + row]] = rows[[number + row, number]]
        rows[number] /= rows[number, column]
        for other in range(len(rows)):
            if other != number:
                rows[other] -= rows[other, column] * rows[number]
    return rows / np.maximum(np.abs(rows).max(axis=1, keepdims=True), 1e-300)


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


def review_notices(
    solution: Solution,
    everything: Sequence[Reading],
    numbers: Sequence[int],
    without: Collection[int],
    suspects: Sequence[Suspect],
    chance: float,
) -> tuple[Notice, ...]:
    """Return what is doubtful about a fit, in sentences.

    Parameters
    ----------
    solution : Solution
    everything : sequence of Reading
        All that the job has.
    numbers : sequence of int
        Of those fitted, from 1.
    without : collection of int
        Of those left out on purpose.
    suspects : sequence of Suspect
    chance : float
        Of a larger sum of squares.

    Returns
    -------
    tuple of Notice
    """
    found = [
        Notice(
            code="readings-contradict" if len(one.numbers) + len(one.figures) > 1 else "reading-alone",
            message=one.words,
        )
        for one in suspects
    ]
    slip = wheel_slip(solution)
    worst = max((abs(one.studentised) for one in suspects), default=3.0)
    if slip is not None and abs(slip[0]) / slip[1] > max(worst, 3.0):
        found.insert(
            0,
            Notice(
                code="wheel-zero",
                message=f"All degrees seem to be {abs(slip[0]):.1f}° too {'late' if slip[0] > 0 else 'early'}"
                f" together (± {2 * slip[1]:.1f}°), as when the wheel's zero is not at TDC: find TDC again.",
            ),
        )
    elif not suspects and chance < SCATTER_CHANCE:
        found.append(
            Notice(
                code="readings-scatter",
                message="The readings scatter more than their doubts allow, though none stands out: the"
                " tools are worse than assumed, or something moved between readings.",
            )
        )
    gaskets = [
        number
        for number, reading in enumerate(everything, 1)
        if number not in numbers and number not in without and reading.kind == "gasket_crushed"
    ]
    for number in gaskets:
        found.append(
            Notice(
                code="gasket-not-fitted",
                message=f"Reading {number} is of a base gasket, but the job says that none is fitted:"
                " it had no part in the fit.",
            )
        )
    return tuple(found)
