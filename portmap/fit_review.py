"""What a least squares solution says of its readings: how each fits, and which do not belong.

A reading that does not belong is looked for by its studentised misfit, in the ordinary solution and in a
robust one that bends to no single reading. Readings whose misfits always rise and fall together cannot be
told apart: then they are named together, as contradicting one another.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from portmap.crank import angle_at
from portmap.errors import Notice
from portmap.fit_figures import Figure
from portmap.fit_model import Predictions, ReadingModel, depth_slopes
from portmap.port import PortEdges
from portmap.reading_words import words_of_reading
from portmap.readings import Reading, reading_doubt, timed_edge
from portmap.tools import tool_doubt, tools

__all__ = [
    "CHECKED_LEAST",
    "Solution",
    "Suspect",
    "crank_and_wall",
    "review_notices",
    "suspects_of",
    "wheel_slip",
]

Floats = NDArray[np.float64]

FALSE_ALARM = 0.01  # chance that a set of good readings is said to hold a bad one
SUSPECTS_SHOWN = 3
MOST_TAKEN_OUT = 6  # beyond that the readings as a whole are at fault
CHECKED_LEAST = 0.002  # below it only what a figure is loosely held by would check it
LIKELY = 8.0  # one that would have to be so many times farther beyond its own doubt is not named with others
TOGETHER = 0.9  # correlation of misfits from which two readings cannot be told apart
SCATTER_CHANCE = 0.01
GROWN = 3.0  # standard doubts
SLIPPED = 3.0


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
        Which, and by how much.
    remedy : str
        What to do.
    """

    numbers: tuple[int, ...]
    figures: tuple[str, ...]
    away: float
    unit: str
    studentised: float
    words: str
    remedy: str


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
    >>> from portmap.fit_model import model_of, predictions
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
    stroke, rod, offset = (solution.value(name) for name in ("stroke_mm", "rod_mm", "pin_offset_mm"))
    angle = angle_at(stroke, rod, offset, depth)
    if not np.isfinite(angle):
        return None
    slope = float(depth_slopes(stroke, rod, offset, np.atleast_1d(angle))[0][0])
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
    from scipy.special import ndtri

    limit = -float(ndtri(FALSE_ALARM / 2 / max(int(solution.firm.sum()), 1)))
    taken = _taken_out(solution, limit, None)
    if len(taken) > 1:
        # bad readings may bend the ordinary solution so that a good one looks bad: begin with the one that
        # the robust solution likes least, and keep that if it explains all with fewer
        able = solution.firm & (np.diag(solution.spread) > CHECKED_LEAST)
        scale = np.sqrt(np.maximum(np.diag(solution.spread), CHECKED_LEAST))
        first = int(np.argmax(np.where(able, np.abs(solution.robust) / scale, 0.0)))
        other = _taken_out(solution, limit, first)
        taken = other if len(other) < len(taken) else taken
    return tuple(_suspect(solution, out, readings, numbers, figures) for out in taken[:SUSPECTS_SHOWN])


@dataclass(frozen=True, kw_only=True, slots=True)
class _Out:
    """A row taken out, those that cannot be told from it, how far off it was, and how surely."""

    row: int
    group: tuple[int, ...]
    away: float  # of its doubt
    studentised: float


def _taken_out(solution: Solution, limit: float, first: int | None) -> list[_Out]:
    """Return rows taken out one after the other, the worst each time, until no more stands out."""
    residuals, spread = solution.residuals.copy(), solution.spread.copy()
    able = solution.firm.copy()
    found: list[_Out] = []
    while len(found) < MOST_TAKEN_OUT:
        checked = np.diag(spread)
        able &= checked > CHECKED_LEAST
        ratio = np.where(able, np.abs(residuals) / np.sqrt(np.maximum(checked, CHECKED_LEAST)), 0.0)
        if not ratio.max(initial=0.0) > limit:
            break
        worst = int(np.argmax(ratio)) if found or first is None else first
        correlation = spread[worst] / np.sqrt(np.maximum(checked * checked[worst], 1e-12))
        likely = able & (np.abs(correlation) > TOGETHER) & (checked > checked[worst] / LIKELY**2)
        group = tuple(int(row) for row in np.flatnonzero(likely) if row != worst)
        found.append(
            _Out(
                row=worst,
                group=group,
                away=-float(residuals[worst] / checked[worst]),
                studentised=-float(residuals[worst] / np.sqrt(checked[worst])),
            )
        )
        # leaving out a row, in closed form; its like have nothing to contradict any more
        column = spread[:, worst] / checked[worst]
        residuals = residuals - column * residuals[worst]
        spread = spread - np.outer(column, spread[worst])
        able[[worst, *group]] = False
    return found


def _suspect(
    solution: Solution,
    out: _Out,
    readings: Sequence[Reading],
    numbers: Sequence[int],
    figures: Sequence[Figure],
) -> Suspect:
    count, worst, group = len(readings), out.row, out.group

    def name(row: int) -> str:
        if row < count:
            return f"reading {numbers[row]} ({words_of_reading(readings[row], dated=False)})"
        figure = figures[row - count]
        unit = "mm" if figure.unit == "mm" else "cm³"
        return f"the {figure.words} that the job states ({figure.centre:g} {unit})"

    away = out.away * float(solution.doubts[worst])
    unit = readings[worst].unit if worst < count else figures[worst - count].unit
    amount = _amount(abs(away), unit)
    slope = float(solution.predicted.mm_per_deg[worst]) if worst < count and unit == "deg" else float("nan")
    if np.isfinite(slope):
        amount = f"{amount} ({abs(away * slope):.2f} mm)"
    rows = [worst, *group]
    if group:
        others = "; ".join(name(row) for row in rows)
        words = f"These contradict one another by {amount}: {others}. Which of them is wrong they do not tell"
        remedy = "read one of them again, or leave one out"
    else:
        value = readings[worst].value if worst < count else figures[worst - count].centre
        should = _amount(value - away, unit)
        side = "more" if away > 0 else "less"
        leave = f", or leave it out with --without {numbers[worst]}" if worst < count else ""
        words = (
            f"{name(worst)[0].upper()}{name(worst)[1:]} does not belong: it is {amount} {side} than the"
            f" {should} that all the others give"
        )
        remedy = f"measure it again{leave}"
    return Suspect(
        numbers=tuple(numbers[row] for row in rows if row < count),
        figures=tuple(figures[row - count].name for row in rows if row >= count),
        away=away,
        unit=unit,
        studentised=out.studentised,
        words=words,
        remedy=remedy,
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
            message=f"{one.words}; {one.remedy}.",
        )
        for one in suspects
    ]
    slip = wheel_slip(solution)
    worst = max((abs(one.studentised) for one in suspects), default=0.0)
    # a tool may stay off by a part of its ±, which no repeating takes away: that much is no news
    stays = tool_doubt(tools()["degree wheel"], times=10**9)
    if (
        slip is not None
        and abs(slip[0]) / slip[1] > worst
        and abs(slip[0]) / float(np.hypot(slip[1], stays)) > SLIPPED
    ):
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
    for number, reading in enumerate(everything, 1):
        if number in numbers or number in without:
            continue
        if reading.kind == "gasket_crushed":
            message = (
                f"Reading {number} is of a base gasket, but the job says that none is fitted: it had no part"
                " in the fit."
            )
            found.append(Notice(code="gasket-not-fitted", message=message))
        elif reading.kind == "gasket":
            found += _grown_gasket(solution, number, reading)
    return tuple(found)


def _grown_gasket(solution: Solution, number: int, reading: Reading) -> list[Notice]:
    """Return a notice if a gasket seems thicker than it was before its crush."""
    name = "base_gasket_mm" if reading.gasket_mm is None else f"gasket_mm:{reading.gasket_mm:g}"
    if name not in solution.names:
        return []
    now = solution.value(name)
    place = solution.names.index(name)
    u = float(np.hypot(reading_doubt(reading), np.sqrt(solution.covariance[place, place])))
    if now - reading.value <= GROWN * u:
        return []
    message = (
        f"The gasket of reading {number} was {reading.value:g} mm before its crush, and the readings make it"
        f" {now:.2f} mm now: it cannot have grown, so look at both."
    )
    return [Notice(code="gasket-grew", message=message)]
