"""What a job's readings say and what a fit found, as JSON holds it and screens show it.

Keys end in their unit where they have one; a figure's unit stands beside it where figures of several units
share a list. Doubts are standard uncertainties (k = 1).
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from portmap.fit import Fit
from portmap.fit_figures import mean_doubt
from portmap.job import Job, engine_of
from portmap.job_faults import document_of
from portmap.reading_words import words_of_reading
from portmap.readings import entry_of_reading, reading_tool, readings_of
from portmap.tools import SOURCE

__all__ = ["fit_document", "readings_document", "strongest_correlations"]

WORTH_TELLING = 0.7  # a correlation from which two figures are said to move together


def readings_document(job: Job, stage: str | None = None) -> list[dict[str, Any]]:
    """Return a job's readings, numbered from 1.

    Parameters
    ----------
    job : Job
    stage : str or None, optional
        The map whose ports they name.

    Returns
    -------
    list of dict
        Each as the job holds it, and ``number``, ``words``, ``u`` (in its unit), ``with`` (the tool) and
        ``u_from``, which says whether the doubt was stated or is the tool's.

    Raises
    ------
    JobError
        If a reading makes no sense.

    Examples
    --------
    >>> from portmap.job import job_of
    >>> job = job_of({"format": "portmap-job", "version": 1, "name": "saw", "maps": [],
    ...     "engine": {"bore_mm": 46, "stroke_mm": 32, "crown_height_mm": 61},
    ...     "readings": [{"kind": "squish", "value": 0.6, "unit": "mm"}]})
    >>> readings_document(job)[0]["words"], readings_document(job)[0]["u"]
    ('squish 0.6 mm', 0.005)
    """
    crank = engine_of(job).crank
    return [
        {
            "number": number,
            **document_of(entry_of_reading(reading)),
            "words": words_of_reading(reading, dated=False),
            "with": reading_tool(reading).name,
            "u": mean_doubt(reading, crank),
            "u_from": "stated" if reading.doubt is not None else f"the tool: {SOURCE}",
        }
        for number, reading in enumerate(readings_of(job, stage), 1)
    ]


def fit_document(fit: Fit) -> dict[str, Any]:
    """Return what a fit found.

    Parameters
    ----------
    fit : Fit

    Returns
    -------
    dict
        ``figures``, ``readings`` (their misfits, and those of stated figures), ``left_out``, ``agreement``,
        ``determined`` and ``unknown``, ``open``, ``suspects``, ``correlation`` and ``warnings``.

    Examples
    --------
    >>> from portmap.fit import fit_readings
    >>> from portmap.job import job_of
    >>> job = job_of({"format": "portmap-job", "version": 1, "name": "saw", "maps": [],
    ...     "engine": {"bore_mm": 46, "stroke_mm": 32, "crown_height_mm": 61},
    ...     "readings": [{"kind": "squish", "value": 0.6, "unit": "mm"}]})
    >>> [each["figure"] for each in fit_document(fit_readings(job))["figures"]][-1]
    'squish_band_height_mm'
    """
    chance = fit.chance
    return {
        "figures": [
            {
                "figure": figure.name,
                "words": figure.words,
                "unit": figure.unit,
                "value": figure.value,
                "u": figure.u,
                "basis": figure.basis,
                "stated": figure.stated,
            }
            for figure in fit.figures
        ],
        "readings": [
            {
                "number": misfit.number,
                "figure": misfit.figure,
                "words": misfit.words,
                "unit": misfit.unit,
                "read": misfit.read,
                "fitted": misfit.fitted,
                "u": misfit.u,
                "misfit": misfit.misfit,
                "misfit_deg": misfit.misfit_deg,
                "misfit_mm": misfit.misfit_mm,
                "checked": misfit.checked,
                "studentised": misfit.studentised,
                "away": misfit.away,
            }
            for misfit in fit.misfits
        ],
        "left_out": list(fit.left_out),
        "agreement": {
            "chi_square": fit.chi_square,
            "degrees_of_freedom": fit.degrees_of_freedom,
            "chance": None if np.isnan(chance) else chance,
        },
        "determined": fit.determined,
        "unknown": fit.unknown,
        "open": [
            {
                "figures": list(loose.figures),
                "words": loose.words,
                "settle": loose.settle,
                "kind": loose.kind,
                "port": loose.port,
            }
            for loose in fit.loose
        ],
        "suspects": [
            {
                "numbers": list(suspect.numbers),
                "figures": list(suspect.figures),
                "away": suspect.away,
                "unit": suspect.unit,
                "studentised": suspect.studentised,
                "words": suspect.words,
                "remedy": suspect.remedy,
            }
            for suspect in fit.suspects
        ],
        "correlation": {
            "figures": list(fit.doubt.figures),
            "table": correlation_table(fit),
        },
        "warnings": [notice.as_dict() for notice in fit.notices],
    }


def correlation_table(fit: Fit) -> list[list[float]]:
    """Return how the figures of a fit move together.

    Parameters
    ----------
    fit : Fit

    Returns
    -------
    list of list of float
        In the order of its doubt's figures; 1 on the diagonal [-].
    """
    table = np.asarray(fit.doubt.covariance)
    spread = np.sqrt(np.diag(table))
    found: list[list[float]] = np.clip(table / np.outer(spread, spread), -1.0, 1.0).round(6).tolist()
    return found


def strongest_correlations(fit: Fit, *, least: float = WORTH_TELLING) -> Sequence[tuple[str, str, float]]:
    """Return the figures that move together most.

    Parameters
    ----------
    fit : Fit
    least : float, optional
        Correlation from which it is worth telling [-].

    Returns
    -------
    sequence of (str, str, float)
        In plain words, the strongest first.

    Examples
    --------
    >>> from portmap.fit import fit_readings
    >>> from portmap.job import job_of
    >>> job = job_of({"format": "portmap-job", "version": 1, "name": "saw", "maps": [],
    ...     "engine": {"bore_mm": 46, "stroke_mm": 32, "crown_height_mm": 61},
    ...     "readings": [{"kind": "squish", "value": 0.6, "unit": "mm"}]})
    >>> strongest_correlations(fit_readings(job))[0][:2]
    ('crown height', 'squish band height')
    """
    words = {figure.name: figure.words for figure in fit.figures}
    names, table = fit.doubt.figures, correlation_table(fit)
    pairs = [
        (words[names[first]], words[names[second]], table[first][second])
        for first in range(len(names))
        for second in range(first + 1, len(names))
        if abs(table[first][second]) >= least
    ]
    return sorted(pairs, key=lambda pair: -abs(pair[2]))
