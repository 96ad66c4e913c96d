"""A job made of, or changed by, figures that somebody typed: ``46``, ``1 13/16 in``, ``20 thou``.

Glossary
--------
text
    A figure as typed. A bare number is in mm or cm³, or in the unit that the screen shows.
guessed
    Told by somebody who did not measure it; the file then says that it is assumed.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from typing import Any, Literal

from portmap.errors import JobError, PortmapError
from portmap.job import PLAIN_NAMES, Job, job_of
from portmap.job_faults import document_of
from portmap.job_schema import VERSION, EngineEntry
from portmap.quantity import Sign, length_mm, volume_cm3
from portmap.shown import UnitName

__all__ = ["TYPED_FIGURES", "TypedFigure", "changed_job", "length_typed", "typed_figure", "typed_job"]

PLAIN_NUMBER = re.compile(r"[+\-−]?[\d.,\s/⁄eE+\-]*\d[\d.,]*\s*")


@dataclass(frozen=True, kw_only=True, slots=True)
class TypedFigure:
    """A figure that may be typed.

    Parameters
    ----------
    field : str
        In the job's file.
    part : {'engine', 'cylinder'}
    unit : {'mm', 'cm3'}
    needed : bool
        Whether a job cannot do without.
    sign : {'any', 'not negative', 'positive'}
    """

    field: str
    part: Literal["engine", "cylinder"]
    unit: Literal["mm", "cm3"]
    needed: bool
    sign: Sign

    @property
    def words(self) -> str:
        """Its name in plain words."""
        return PLAIN_NAMES[self.field][0]


def _figure(field: str, *, needed: bool = False, sign: Sign = "positive") -> TypedFigure:
    return TypedFigure(
        field=field,
        part="engine" if field in EngineEntry.model_fields else "cylinder",
        unit="cm3" if field.endswith("_cm3") else "mm",
        needed=needed,
        sign=sign,
    )


TYPED_FIGURES: tuple[TypedFigure, ...] = (
    _figure("bore_mm", needed=True),
    _figure("stroke_mm", needed=True),
    _figure("rod_mm"),
    _figure("pin_offset_mm", sign="any"),
    _figure("crown_height_mm", needed=True),
    _figure("base_gasket_mm", sign="not negative"),
    _figure("skirt_length_mm"),
    _figure("squish_band_height_mm"),
    _figure("squish_band_width_mm"),
    _figure("deck_height_mm"),
    _figure("base_flange_mm"),
    _figure("wall_thickness_mm"),
    _figure("head_volume_cm3"),
    _figure("case_volume_cm3"),
)

_BY_FIELD = {figure.field: figure for figure in TYPED_FIGURES}


def typed_figure(figure: TypedFigure, text: str, *, bare: UnitName = "mm") -> float:
    """Return the figure that somebody typed.

    Parameters
    ----------
    figure : TypedFigure
    text : str
    bare : {'mm', 'inch'}, optional
        What a number without a unit is in: mm and cm³, or inch and cubic inch.

    Returns
    -------
    float
        In the figure's unit [mm or cm³].

    Raises
    ------
    QuantityError
        If it is none, or makes no sense there.

    Examples
    --------
    >>> bore = TYPED_FIGURES[0]
    >>> typed_figure(bore, "46"), round(typed_figure(bore, "1 13/16", bare="inch"), 3)
    (46.0, 46.038)
    """
    if figure.unit == "cm3":
        if bare == "inch" and PLAIN_NUMBER.fullmatch(text):
            text = f"{text} cu in"
        return volume_cm3(text, where=figure.words, sign=figure.sign)
    return length_typed(text, where=figure.words, sign=figure.sign, bare=bare)


def length_typed(text: str, *, where: str = "", sign: Sign = "any", bare: UnitName = "mm") -> float:
    """Return the length that somebody typed into a field whose unit stands beside it.

    Parameters
    ----------
    text : str
    where : str, optional
    sign : {'any', 'not negative', 'positive'}, optional
        As in `portmap.quantity.length_mm`.
    bare : {'mm', 'inch'}, optional
        What a number without a unit is in.

    Returns
    -------
    float
        Length [mm].

    Raises
    ------
    QuantityError
        As `portmap.quantity.length_mm`.

    Examples
    --------
    >>> length_typed("1 1/2", bare="inch"), length_typed("20 thou", bare="inch"), length_typed("0,5")
    (38.1, 0.508, 0.5)
    """
    if bare == "inch" and PLAIN_NUMBER.fullmatch(text):
        text = f"{text} in"
    return length_mm(text, where=where, sign=sign)


def typed_job(
    name: str,
    texts: Mapping[str, str],
    *,
    guessed: Collection[str] = (),
    bare: UnitName = "mm",
    created: str | None = None,
) -> Job:
    """Return a new job made of typed figures.

    Parameters
    ----------
    name : str
        Of the job.
    texts : mapping of str to str
        Field and what was typed; empty ones are not known.
    guessed : collection of str, optional
        Fields that nobody measured.
    bare : {'mm', 'inch'}, optional
        As in `typed_figure`.
    created : str or None, optional
        Date, as the file is to hold it.

    Returns
    -------
    Job

    Raises
    ------
    JobError
        With every fault, each named in plain words.

    Examples
    --------
    >>> job = typed_job("saw", {"bore_mm": "46", "stroke_mm": "32 mm", "crown_height_mm": "61"},
    ...                 guessed=["crown_height_mm"])
    >>> job.engine.stroke_mm, job.engine.basis
    (32.0, {'crown_height_mm': 'assumed'})
    >>> typed_job("saw", {"bore_mm": "wide"})
    Traceback (most recent call last):
    portmap.errors.JobError: bore: 'wide' is not a length; write it like 0.5 mm, 20 thou or 1/16 in
    stroke: is missing; type it
    crown height: is missing; type it
    """
    blank: dict[str, Any] = {"format": "portmap-job", "version": VERSION, "maps": []}
    if created is not None:
        blank["created"] = created
    if not name.strip():
        raise JobError("is missing", where="name", remedy="call the job something, as in 'pump engine'")
    return _job({**blank, "name": name.strip()}, {}, {}, texts, guessed, bare)


def changed_job(
    job: Job, texts: Mapping[str, str], *, guessed: Collection[str] = (), bare: UnitName = "mm"
) -> Job:
    """Return a job with figures typed anew.

    What a fit had found of its engine's doubts is taken out if any figure changes.

    Parameters
    ----------
    job : Job
    texts : mapping of str to str
        Only the fields to change; an empty text takes a figure away.
    guessed : collection of str, optional
        Those of the fields to change that nobody measured.
    bare : {'mm', 'inch'}, optional
        As in `typed_figure`.

    Returns
    -------
    Job

    Raises
    ------
    JobError
        As `typed_job`.

    Examples
    --------
    >>> job = typed_job("saw", {"bore_mm": "46", "stroke_mm": "32", "crown_height_mm": "61"})
    >>> changed_job(job, {"rod_mm": "58"}).engine.rod_mm
    58.0
    """
    document = document_of(job)
    engine, cylinder = dict(document["engine"]), dict(document.get("cylinder", {}))
    if texts:
        engine.pop("doubt", None)  # it was of the figures as they were
    return _job(document, engine, cylinder, texts, guessed, bare)


def _job(
    document: Mapping[str, Any],
    engine: dict[str, Any],
    cylinder: dict[str, Any],
    texts: Mapping[str, str],
    guessed: Collection[str],
    bare: UnitName,
) -> Job:
    parts: dict[str, dict[str, Any]] = {"engine": engine, "cylinder": cylinder}
    faults: list[PortmapError] = []
    for field, text in texts.items():
        figure = _BY_FIELD[field]
        part = parts[figure.part]
        basis = {key: how for key, how in part.get("basis", {}).items() if key != field}
        part.pop(field, None)
        if text.strip():
            try:
                part[field] = typed_figure(figure, text, bare=bare)
            except PortmapError as error:
                faults.append(error)
            if field in guessed:
                basis[field] = "assumed"
        if basis:
            part["basis"] = basis
        else:
            part.pop("basis", None)
    bad = {fault.where for fault in faults}
    faults += [
        JobError("is missing", where=figure.words, remedy="type it")
        for figure in TYPED_FIGURES
        if figure.needed and figure.field not in parts[figure.part] and figure.words not in bad
    ]
    if faults:
        raise JobError.of(tuple(faults))
    try:
        return job_of({**document, "engine": engine, "cylinder": cylinder})
    except JobError as error:
        raise JobError.of(tuple(_in_words(fault) for fault in error.faults or (error,))) from None


def _in_words(fault: PortmapError) -> PortmapError:
    """Return a fault with its place in the file put in plain words."""
    field = fault.where.rpartition(".")[2]
    where = PLAIN_NAMES[field][0] if field in PLAIN_NAMES else fault.where
    return type(fault)(fault.message, where=where, remedy=fault.remedy)
