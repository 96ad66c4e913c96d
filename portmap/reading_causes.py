"""Which readings at the bench the doubt of a fitted job comes from, and what reading one again would gain.

The fit (`portmap.fit`) is a linear one near its solution: with the readings' derivatives and the figures'
own statements, each over its doubt, as rows of W, the figures' covariance is C = (WᵀW)⁻¹, and one standard
uncertainty of row r moves the figures by C·Wᵣ. The rows are independent, so a budget by reading needs no
sharing out of what figures have in common.

Reading once more with the same tool adds only what varies between its readings; with a better tool, all
that that one tells.

References
----------
.. [1] JCGM 100:2008, 5.1.2 and H.3 (from memory).
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from portmap.crank import Crank
from portmap.doubts import Doubts, Figure
from portmap.errors import Notice, PortmapError
from portmap.fit import fit_readings
from portmap.fit_figures import Figure as FitFigure
from portmap.fit_figures import figures_of, mean_doubt
from portmap.fit_model import model_of, predictions
from portmap.further_readings import Candidate, candidates_of
from portmap.reading_words import words_of_reading
from portmap.readings import Reading, reading_ports, reading_tool, readings_of
from portmap.spread import Cause, CauseSource
from portmap.tools import tools

if TYPE_CHECKING:
    from portmap.job import Job

__all__ = ["ReadingCauses", "reading_causes"]

Floats = NDArray[np.float64]

SIGNS = {"deg": "°", "mm": "mm", "cm3": "cm³", "bar": "bar"}
SAME_FIT = 0.01  # of a variance: a fit done again comes out so near, unless its readings have changed
BETTER = 0.75  # of a doubt: a tool that is not so much better is not advised


@dataclass(frozen=True, kw_only=True, slots=True)
class ReadingCauses:
    """The doubts of a fitted job, by reading.

    Parameters
    ----------
    doubts : Doubts
        Those of the job, and of the figures that only its fit knows, such as another gasket.
    causes : tuple of Cause
        Readings first, then statements, then what the fit has nothing to do with.
    candidates : tuple of Candidate
        Each reading once more, and with a better tool; then the figures themselves.
    """

    doubts: Doubts
    causes: tuple[Cause, ...]
    candidates: tuple[Candidate, ...]


def reading_causes(
    job: Job, doubts: Doubts, *, stage: str | None = None
) -> tuple[ReadingCauses | None, tuple[Notice, ...]]:
    """Return where the doubts of a job come from, if a fit of its readings explains them.

    Parameters
    ----------
    job : Job
    doubts : Doubts
        From `portmap.doubts.doubts_of`.
    stage : str or None, optional
        As in `portmap.fit.fit_readings`.

    Returns
    -------
    causes : ReadingCauses or None
        None without readings, or where the fit in the job is not that of its readings now.
    notices : tuple of Notice
        Why not, if there are readings.

    Examples
    --------
    >>> from portmap.job import job_of
    >>> job = job_of({"format": "portmap-job", "version": 1, "name": "saw", "maps": [],
    ...               "engine": {"bore_mm": 46, "stroke_mm": 32, "crown_height_mm": 61}})
    >>> reading_causes(job, Doubts(figures=(), covariance=()))
    (None, ())
    """
    if not job.readings:
        return None, ()
    if job.engine.doubt is None:
        message = f"No fit has used the {len(job.readings)} readings of this job: portmap fit JOB --write."
        return None, (Notice(code="not-fitted", message=message),)
    try:
        rows = _rows(job, stage)
    except PortmapError as error:
        message = f"No budget by reading, since the readings cannot be fitted now: {error}."
        return None, (Notice(code="not-fitted", message=message),)
    if not _explains(rows, job):
        message = (
            "No budget by reading, since readings have changed since the fit, or it left some out:"
            " portmap fit JOB --write again."
        )
        return None, (Notice(code="fit-changed", message=message),)
    known = _with_fit(doubts, rows)
    measured = {figure.name for figure in rows.figures if figure.hold == "measured"}
    return (
        ReadingCauses(
            doubts=known,
            causes=tuple(_causes(known, rows)),
            candidates=(*_again(known, rows), *candidates_of(known, measured)),
        ),
        (),
    )


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class _Rows:
    """A fit row by row: N readings, then the M figures' statements."""

    readings: tuple[tuple[int, Reading], ...]
    figures: tuple[FitFigure, ...]
    crank: Crank
    values: Floats  # of the M figures
    slopes: Floats  # of shape (N, M)
    doubts: Floats  # of the N + M rows
    covariance: Floats
    moves: Floats  # of shape (M, N + M): of the figures, for one standard uncertainty of each row


def _rows(job: Job, stage: str | None) -> _Rows:
    fit = fit_readings(job, stage=stage)
    everything = readings_of(job, stage)
    used = tuple(
        (number, reading) for number, reading in enumerate(everything, 1) if number not in fit.left_out
    )
    readings = [reading for _, reading in used]
    ports = reading_ports(job, stage)
    figures = figures_of(job, readings, ports)
    centres = {figure.name: figure.centre for figure in figures}
    model = model_of(readings, [*centres], ports, centres.get("base_gasket_mm"))
    crank = Crank(
        stroke_mm=centres["stroke_mm"], rod_mm=centres["rod_mm"], pin_offset_mm=centres["pin_offset_mm"]
    )
    fitted = {figure.name: figure.value for figure in fit.figures}
    values = np.array([fitted[name] for name in centres])
    slopes = predictions(model, values).jacobian
    u = np.array([mean_doubt(reading, crank) for reading in readings])
    centre_u = np.array([figure.centre_u for figure in figures])
    whitened = np.concatenate([slopes / u[:, None], np.diag(1 / centre_u)])
    _, singular, right = np.linalg.svd(whitened * centre_u, full_matrices=False)
    factor = centre_u[:, None] * right.T / singular
    covariance = factor @ factor.T
    return _Rows(
        readings=used,
        figures=figures,
        crank=crank,
        values=values,
        slopes=slopes,
        doubts=np.concatenate([u, centre_u]),
        covariance=covariance,
        moves=covariance @ whitened.T,
    )


def _explains(rows: _Rows, job: Job) -> bool:
    said = job.engine.doubt
    place = {figure.name: number for number, figure in enumerate(rows.figures)}
    if said is None or any(name not in place for name in said.figures):
        return False
    here = [place[name] for name in said.figures]
    now, then = rows.covariance[np.ix_(here, here)], np.asarray(said.covariance)
    scale = np.sqrt(np.outer(np.diag(now), np.diag(now)))
    return bool((np.abs(now - then) <= SAME_FIT * scale).all())


def _with_fit(doubts: Doubts, rows: _Rows) -> Doubts:
    """Return the doubts with the figures that only the fit knows."""
    names = set(doubts.names)
    more = [
        Figure(
            name=figure.name,
            words=figure.words,
            value=float(value),
            u=float(np.sqrt(variance)),
            unit="cm³" if figure.unit == "cm3" else figure.unit,
            source="fit",
        )
        for figure, value, variance in zip(rows.figures, rows.values, np.diag(rows.covariance), strict=True)
        if figure.name not in names
    ]
    figures = (*doubts.figures, *more)
    matrix = np.diag([figure.u**2 for figure in figures])
    count = len(doubts.figures)
    matrix[:count, :count] = np.asarray(doubts.covariance).reshape(count, -1)
    place = {figure.name: number for number, figure in enumerate(figures)}
    here = [place[figure.name] for figure in rows.figures]
    matrix[np.ix_(here, here)] = rows.covariance
    return Doubts(figures=figures, covariance=tuple(tuple(row) for row in matrix.tolist()))


def _over(doubts: Doubts, rows: _Rows, values: Sequence[float] | Floats) -> tuple[float, ...]:
    """Return numbers for the fit's figures in the order of all figures, 0 for the others."""
    found = dict(zip((figure.name for figure in rows.figures), map(float, values), strict=True))
    return tuple(found.get(name, 0.0) for name in doubts.names)


def _causes(doubts: Doubts, rows: _Rows) -> Iterator[Cause]:
    for row, (number, reading) in enumerate(rows.readings):
        yield Cause(
            name=f"reading:{number}",
            words=words_of_reading(reading, dated=False),
            value=reading.value,
            u=float(rows.doubts[row]),
            unit=SIGNS[reading.unit],
            source="reading",
            moves=_over(doubts, rows, rows.moves[:, row]),
        )
    count = len(rows.readings)
    for number, figure in enumerate(rows.figures):
        source: CauseSource = "stated" if figure.hold == "measured" else "assumed"
        yield Cause(
            name=figure.name,
            words=figure.words,
            value=figure.centre,
            u=figure.centre_u,
            unit=SIGNS.get(figure.unit, figure.unit),
            source=source,
            moves=_over(doubts, rows, rows.moves[:, count + number]),
        )
    yield from _other_causes(doubts, {figure.name for figure in rows.figures})


def _other_causes(doubts: Doubts, fitted: Collection[str]) -> Iterator[Cause]:
    """Return the figures that the fit has nothing to do with; roof and floor of one outline are one cause."""
    matrix = np.asarray(doubts.covariance)
    done = set(fitted)
    for number, figure in enumerate(doubts.figures):
        if figure.name in done:
            continue
        tied = [
            other
            for other, one in enumerate(doubts.figures)
            if one.name not in done and (other == number or matrix[number, other] != 0)
        ]
        done |= {doubts.figures[other].name for other in tied}
        moves = np.zeros(len(doubts.figures))
        moves[tied] = [doubts.figures[other].u for other in tied]
        words = " and ".join(doubts.figures[other].words for other in tied)
        yield Cause(
            name=figure.name,
            words=words,
            value=figure.value,
            u=figure.u,
            unit=figure.unit,
            source=figure.source,
            moves=tuple(moves.tolist()),
        )


def _again(doubts: Doubts, rows: _Rows) -> Iterator[Candidate]:
    """Return each reading once more with its tool, and with a better one."""
    for row, (number, reading) in enumerate(rows.readings):
        over = _over(doubts, rows, rows.slopes[row])
        words = f"reading {number} ({words_of_reading(reading, dated=False)})"
        now = float(rows.doubts[row])
        if reading.doubt is None:
            places = max(reading.times, len(reading.places_mm))
            twice = mean_doubt(replace(reading, times=places + 1), rows.crank)
        else:  # a stated doubt tells nothing of what stays, so a second reading counts as much as the first
            twice = now / 2**0.5
        if twice < now:
            weight = 1 / twice**2 - 1 / now**2
            yield Candidate(words=f"repeat {words}", rows=((over, weight),))
        own = reading_tool(reading)
        better = [
            (
                mean_doubt(replace(reading, tool=tool.name, doubt=None, times=1, places_mm=()), rows.crank),
                tool,
            )
            for tool in tools().values()
            if reading.kind in tool.kinds and tool.name != own.name
        ]
        if better:
            finest, tool = min(better, key=lambda one: one[0])
            if finest < BETTER * now:
                yield Candidate(words=f"take {words} with a {tool.name} too", rows=((over, 1 / finest**2),))
