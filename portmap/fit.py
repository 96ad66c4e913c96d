"""The engine behind the readings: least squares over all of them at once, weighted by their doubts.

Crown height, roofs and floors, rod, pin offset, gaskets, deck, squish band, skirt and volumes are found
together. Readings with and without a gasket are one fit: the gasket's thickness is one of its figures. What
the job states as measured counts as a reading too; what is assumed is held within its doubt and is reported
as assumed wherever it decides a figure (`portmap.fit_figures`).

Glossary
--------
misfit
    What was read less what the fitted figures give.
checked
    How much of a reading the others determine by themselves, 0 to 1: the part of a slip in it that would
    show. Nothing checks a reading of 0.
studentised
    Misfit over its own standard deviation; beyond about 3.5 the reading does not belong.
away
    What was read less what all the others say of it.
loose
    A figure, or several that can only move together, which the readings do not determine.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from portmap.crank import Crank
from portmap.engine import EngineDoubt
from portmap.errors import JobError, Notice
from portmap.fit_figures import Figure, figures_of, mean_doubt, used_in_fit
from portmap.fit_model import Predictions, ReadingModel, model_of, predictions
from portmap.fit_open import Loose, loose_figures
from portmap.fit_review import CHECKED_LEAST, Solution, Suspect, crank_and_wall, review_notices, suspects_of
from portmap.job import Job
from portmap.port import PortEdges
from portmap.reading_words import words_of_reading
from portmap.readings import Reading, reading_ports, readings_of
from portmap.tools import assumptions

__all__ = ["Fit", "FittedFigure", "Misfit", "fit_readings"]

Floats = NDArray[np.float64]
FigureBasis = Literal["measured", "fitted", "assumed"]

STATED_SHARE = 0.9  # of what is known of a figure that its own statement must give to count as measured alone
FREE_MM = 10.0  # a length more doubtful than that is as good as unknown
FREE_SHARE = 0.2  # and so a volume, of itself
MOST_READINGS = 1000  # the table of how their misfits hang together has the square of that


@dataclass(frozen=True, kw_only=True, slots=True)
class FittedFigure:
    """A figure as the fit found it.

    Parameters
    ----------
    name : str
        As in `portmap.engine.EngineDoubt`.
    words : str
    unit : {'mm', 'cm3'}
    value, u : float
        And its standard uncertainty, in that unit.
    basis : {'measured', 'fitted', 'assumed'}
        Measured: only its own statement tells of it. Fitted: readings tell of it. Assumed: more than half
        of its variance comes from what was assumed.
    stated : float or None
        What the job said before.
    held_as_measured : bool
        Whether that counted as a measurement.
    """

    name: str
    words: str
    unit: str
    value: float
    u: float
    basis: FigureBasis
    stated: float | None
    held_as_measured: bool = False


@dataclass(frozen=True, kw_only=True, slots=True)
class Misfit:
    """How a reading, or a figure that the job states as measured, agrees with all the others.

    Parameters
    ----------
    number : int or None
        Of the reading in the job, from 1; None for a stated figure.
    figure : str or None
        Name of the stated figure; None for a reading.
    words : str
    unit : {'deg', 'mm', 'cm3'}
    read, fitted, u : float
        What was read, what the fit gives, and how sure the reading is (k = 1).
    misfit : float
        Read less fitted.
    misfit_deg, misfit_mm : float or None
        The same at the crank [deg] and on the wall [mm], where it has a meaning there.
    checked : float
        0 to 1.
    studentised, away : float or None
        None where nothing checks it.
    """

    number: int | None
    figure: str | None
    words: str
    unit: str
    read: float
    fitted: float
    u: float
    misfit: float
    misfit_deg: float | None
    misfit_mm: float | None
    checked: float
    studentised: float | None
    away: float | None


@dataclass(frozen=True, kw_only=True, slots=True)
class Fit:
    """What a fit found.

    Parameters
    ----------
    figures : tuple of FittedFigure
    doubt : EngineDoubt
        Covariance of all figures but the gaskets that only readings name.
    misfits : tuple of Misfit
        The readings' first, then the stated figures'.
    left_out : tuple of int
        Numbers of the readings that had no part in it, from 1.
    chi_square : float
        Sum of squared misfits over doubts.
    degrees_of_freedom : float
    chance : float
        Of a larger sum, were all doubts right; NaN where nothing is checked.
    determined, unknown : int
        How many independent figures the readings and measurements settle, and how many there are.
    loose : tuple of Loose
    suspects : tuple of Suspect
        Readings that do not belong, the worst first.
    notices : tuple of Notice
    """

    figures: tuple[FittedFigure, ...]
    doubt: EngineDoubt
    misfits: tuple[Misfit, ...]
    left_out: tuple[int, ...]
    chi_square: float
    degrees_of_freedom: float
    chance: float
    determined: int
    unknown: int
    loose: tuple[Loose, ...]
    suspects: tuple[Suspect, ...]
    notices: tuple[Notice, ...]

    def value(self, name: str) -> float | None:
        """Return a figure's fitted value, None if the fit had nothing to do with it."""
        return next((figure.value for figure in self.figures if figure.name == name), None)


def fit_readings(job: Job, *, stage: str | None = None, without: Collection[int] = ()) -> Fit:
    """Return the engine behind a job's readings.

    Parameters
    ----------
    job : Job
    stage : str or None, optional
        The map whose ports the readings name.
    without : collection of int, optional
        Numbers of readings to leave out, from 1.

    Returns
    -------
    Fit

    Raises
    ------
    JobError
        If there is no reading, one makes no sense, or a number to leave out is not there.
    GeometryError
        If a port's pocket is needed and not known, or the figures make no mechanism.

    References
    ----------
    .. [1] Weighted least squares with known doubts: JCGM 100:2008, 4.1.2 and H.3 (numbers from memory);
       hat values and studentised residuals: Cook and Weisberg, Residuals and Influence in Regression,
       1982, chapter 2 (from memory).

    Examples
    --------
    >>> from portmap.job import job_of
    >>> job = job_of({"format": "portmap-job", "version": 1, "name": "saw", "maps": [],
    ...     "engine": {"bore_mm": 46, "stroke_mm": 32, "rod_mm": 58, "pin_offset_mm": 0,
    ...                "crown_height_mm": 61},
    ...     "readings": [{"kind": "opens", "port": "exhaust", "value": 102.48, "unit": "deg"}]})
    >>> round(fit_readings(job).value("roof_mm:exhaust"), 2)
    39.4
    """
    everything = readings_of(job, stage)
    if not everything:
        raise JobError(
            "the job has no readings", where="readings", remedy="add some: portmap read JOB --add ..."
        )
    for number in without:
        if not 1 <= number <= len(everything):
            raise JobError(
                f"there is no reading {number}",
                where="--without",
                remedy=f"the job has readings 1 to {len(everything)}",
            )
    ports = reading_ports(job, stage)
    numbers = [
        number
        for number, reading in enumerate(everything, 1)
        if number not in without and used_in_fit(reading) and not _of_no_gasket(reading, job)
    ]
    readings = [everything[number - 1] for number in numbers]
    if len(readings) > MOST_READINGS:
        raise JobError(
            f"{len(readings)} readings are more than one fit takes, {MOST_READINGS}",
            where="readings",
            remedy="leave the old ones out",
        )
    if not readings:
        raise JobError(
            "none of the readings tells of a figure that could be fitted",
            where="readings",
            remedy="add some: portmap read JOB --add ...",
        )
    figures = figures_of(job, readings, ports)
    names = [figure.name for figure in figures]
    own_gasket = next((figure.centre for figure in figures if figure.name == "base_gasket_mm"), None)
    model = model_of(readings, names, ports, own_gasket)
    start = np.array([figure.centre for figure in figures])
    crank = _crank(names, start)
    u = np.array([mean_doubt(reading, crank) for reading in readings])
    solution = _solved(readings, u, figures, model)
    while (held := _firmer(figures, solution)) is not None:
        figures, solution = held, _solved(readings, u, held, model)
    _crank(names, solution.figures)  # refuses what cannot turn
    suspects = suspects_of(solution, readings, numbers, figures)
    loose = loose_figures(solution, figures, ports, own_gasket)
    chi_square, freedom, chance = _agreement(solution)
    left_out = tuple(number for number in range(1, len(everything) + 1) if number not in numbers)
    return Fit(
        figures=_fitted_figures(solution, figures),
        doubt=_doubt(solution, figures),
        misfits=_misfits(solution, readings, numbers, figures, ports, suspects),
        left_out=left_out,
        chi_square=chi_square,
        degrees_of_freedom=freedom,
        chance=chance,
        determined=len(figures) - len(loose),
        unknown=len(figures),
        loose=loose,
        suspects=suspects,
        notices=review_notices(solution, everything, numbers, without, suspects, chance),
    )


def _firmer(figures: tuple[Figure, ...], solution: Solution) -> tuple[Figure, ...] | None:
    """Return the figures with the loosest assumed to be about what it is; None if none is that loose.

    Else a skirt that nobody measured would be doubted by more than its length. One at a time: a single
    assumption often holds others, and more of them would seem to confirm one another.
    """
    share = assumptions().figure_share_u
    spread = np.sqrt(np.diag(solution.covariance))
    loosest, most = None, 1.0
    for number, figure in enumerate(figures):
        value = abs(float(solution.figures[number]))
        limit = FREE_MM if figure.unit == "mm" else FREE_SHARE * value
        if figure.hold == "loose" and value > 0 and spread[number] / limit > most * (1 + 1e-6):
            loosest, most = number, spread[number] / limit
    if loosest is None:
        return None
    value = float(solution.figures[loosest])
    held = replace(figures[loosest], centre=value, centre_u=share * abs(value), hold="assumed")
    return (*figures[:loosest], held, *figures[loosest + 1 :])


def _of_no_gasket(reading: Reading, job: Job) -> bool:
    """Return whether a crushed gasket was read though the job says that none is fitted."""
    cylinder = job.cylinder
    return (
        reading.kind == "gasket_crushed"
        and reading.gasket_mm is None
        and not cylinder.base_gasket_mm
        and "base_gasket_mm" in cylinder.model_fields_set
    )


def _crank(names: Sequence[str], values: Floats) -> Crank:
    place = {name: number for number, name in enumerate(names)}
    return Crank(
        stroke_mm=float(values[place["stroke_mm"]]),
        rod_mm=float(values[place["rod_mm"]]),
        pin_offset_mm=float(values[place["pin_offset_mm"]]),
    )


def _solved(
    readings: Sequence[Reading], u: Floats, figures: Sequence[Figure], model: ReadingModel
) -> Solution:
    """Return the least squares solution, ordinary and robust."""
    from scipy.optimize import least_squares

    read = np.array([reading.value for reading in readings])
    centre = np.array([figure.centre for figure in figures])
    centre_u = np.array([figure.centre_u for figure in figures])

    seen: dict[bytes, Predictions] = {}

    def at(shift: Floats) -> Predictions:
        key = shift.tobytes()
        if key not in seen:  # residuals and slopes are asked for at one place after the other
            seen.clear()
            seen[key] = predictions(model, centre + shift * centre_u)
        return seen[key]

    def residuals(shift: Floats) -> Floats:
        return np.concatenate([(at(shift).values - read) / u, shift])

    def slopes(shift: Floats) -> Floats:
        # a figure counts in its own doubt, which puts lengths and volumes on one scale
        return np.concatenate([at(shift).jacobian * centre_u / u[:, None], np.eye(len(centre))])

    found = least_squares(residuals, np.zeros(len(centre)), slopes, xtol=1e-12, ftol=1e-12, gtol=1e-10)
    robust = least_squares(residuals, found.x, slopes, loss="cauchy", f_scale=1.5, max_nfev=50)
    predicted = at(found.x)
    whitened = np.concatenate([predicted.jacobian / u[:, None], np.diag(1 / centre_u)])
    left, singular, right = np.linalg.svd(whitened * centre_u, full_matrices=False)
    factor = centre_u[:, None] * right.T / singular
    firm = [True] * len(readings) + [figure.hold == "measured" for figure in figures]
    return Solution(
        names=tuple(figure.name for figure in figures),
        figures=centre + found.x * centre_u,
        covariance=factor @ factor.T,
        whitened=whitened,
        residuals=residuals(found.x),
        robust=residuals(robust.x),
        firm=np.array(firm),
        hat=(left**2).sum(axis=1),
        spread=np.eye(len(left)) - left @ left.T,
        doubts=np.concatenate([u, centre_u]),
        predicted=predicted,
        model=model,
    )


def _agreement(solution: Solution) -> tuple[float, float, float]:
    """Return the sum of squares, its degrees of freedom, and the chance of a larger one."""
    from scipy.special import gammaincc

    firm = solution.firm
    total = float((solution.residuals[firm] ** 2).sum())
    freedom = max(float((1 - solution.hat[firm]).sum()), 0.0)
    chance = float(gammaincc(freedom / 2, total / 2)) if freedom > CHECKED_LEAST else float("nan")
    return total, freedom, chance


def _fitted_figures(solution: Solution, figures: Sequence[Figure]) -> tuple[FittedFigure, ...]:
    covariance = solution.covariance
    count = len(solution.residuals) - len(figures)
    # of a figure's variance, what each row brings in (JCGM 100, 5.1.2: the sum of squared contributions)
    shares = (covariance @ solution.whitened.T) ** 2 / np.diag(covariance)[:, None]
    from_assumed = shares[:, ~solution.firm].sum(axis=1)
    found = []
    for number, figure in enumerate(figures):
        u = float(np.sqrt(covariance[number, number]))
        basis: FigureBasis = "fitted"
        if from_assumed[number] > 0.5:
            basis = "assumed"
        elif figure.hold == "measured" and solution.hat[count + number] > STATED_SHARE:
            basis = "measured"
        found.append(
            FittedFigure(
                name=figure.name,
                words=figure.words,
                unit=figure.unit,
                value=float(solution.figures[number]),
                u=u,
                basis=basis,
                stated=figure.stated,
                held_as_measured=figure.hold == "measured",
            )
        )
    return tuple(found)


def _doubt(solution: Solution, figures: Sequence[Figure]) -> EngineDoubt:
    kept = [number for number, figure in enumerate(figures) if not figure.name.startswith("gasket_mm:")]
    table = solution.covariance[np.ix_(kept, kept)]
    return EngineDoubt(
        figures=tuple(figures[number].name for number in kept),
        covariance=tuple(tuple(float(item) for item in row) for row in (table + table.T) / 2),
    )


def _misfits(
    solution: Solution,
    readings: Sequence[Reading],
    numbers: Sequence[int],
    figures: Sequence[Figure],
    ports: dict[str, PortEdges],
    suspects: Sequence[Suspect],
) -> tuple[Misfit, ...]:
    found = []
    blamed = {name for suspect in suspects for name in suspect.figures}
    for row, reading in enumerate(readings):
        misfit = reading.value - float(solution.predicted.values[row])
        degrees, mm = crank_and_wall(solution, row, reading, misfit, ports)
        found.append(
            _misfit(
                solution,
                row,
                number=numbers[row],
                figure=None,
                words=words_of_reading(reading, dated=False),
                unit=reading.unit,
                read=reading.value,
                misfit=misfit,
                degrees=degrees,
                mm=mm,
            )
        )
    for number, figure in enumerate(figures):
        moved = figure.name in blamed or solution.hat[len(readings) + number] <= STATED_SHARE
        if figure.hold == "measured" and moved:
            misfit = figure.centre - float(solution.figures[number])
            found.append(
                _misfit(
                    solution,
                    len(readings) + number,
                    number=None,
                    figure=figure.name,
                    words=f"{figure.words} as the job states it",
                    unit=figure.unit,
                    read=figure.centre,
                    misfit=misfit,
                    degrees=None,
                    mm=misfit if figure.unit == "mm" else None,
                )
            )
    return tuple(found)


def _misfit(
    solution: Solution,
    row: int,
    *,
    number: int | None,
    figure: str | None,
    words: str,
    unit: str,
    read: float,
    misfit: float,
    degrees: float | None,
    mm: float | None,
) -> Misfit:
    u = float(solution.doubts[row])
    checked = float(solution.spread[row, row])
    seen = checked > CHECKED_LEAST
    return Misfit(
        number=number,
        figure=figure,
        words=words,
        unit=unit,
        read=read,
        fitted=read - misfit,
        u=u,
        misfit=misfit,
        misfit_deg=degrees,
        misfit_mm=mm,
        checked=min(max(checked, 0.0), 1.0),
        studentised=misfit / (u * float(np.sqrt(checked))) if seen else None,
        away=misfit / checked if seen else None,
    )
