"""An engine's figures one by one: what each is, how sure, and what it rests on.

Glossary
--------
basis
    measured, fitted from readings, assumed by somebody or by us, or worked out from others.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from portmap.engine import Engine
from portmap.job import PLAIN_NAMES, Job, engine_of
from portmap.volume import squish_clearance_mm, swept_volume_cm3

__all__ = ["EngineFact", "engine_facts"]


@dataclass(frozen=True, kw_only=True, slots=True)
class EngineFact:
    """One figure.

    Parameters
    ----------
    field : str
        Its name in the job's file, or ``squish_clearance_mm``, ``swept_volume_cm3``.
    words : str
        In plain words.
    unit : {'mm', 'cm3'}
    value : float
        In its unit.
    u : float or None
        Standard uncertainty (k = 1) in its unit; None if nobody said.
    basis : {'measured', 'fitted', 'assumed', 'worked out'}
    """

    field: str
    words: str
    unit: Literal["mm", "cm3"]
    value: float
    u: float | None
    basis: Literal["measured", "fitted", "assumed", "worked out"]


def engine_facts(job: Job) -> tuple[EngineFact, ...]:
    """Return the figures of a job's engine and cylinder that are known.

    Parameters
    ----------
    job : Job

    Returns
    -------
    tuple of EngineFact

    Examples
    --------
    >>> from portmap.job import job_of
    >>> job = job_of({"format": "portmap-job", "version": 1, "name": "saw", "maps": [],
    ...               "engine": {"bore_mm": 46, "stroke_mm": 32, "crown_height_mm": 61}})
    >>> [(fact.words, fact.value, fact.basis) for fact in engine_facts(job)][2]
    ('rod length', 57.6, 'assumed')
    """
    engine = engine_of(job)
    stated = job.engine.model_fields_set | job.cylinder.model_fields_set
    basis = {**job.engine.basis, **job.cylinder.basis}
    values = {**_values(engine), **{name: getattr(engine.crank, name) for name in _CRANK}}
    found = []
    for field, (words, unit) in PLAIN_NAMES.items():
        value = values.get(field)
        if value is None or not unit:
            continue
        unsaid = field not in stated or getattr(job.engine, field, 0) is None
        found.append(
            EngineFact(
                field=field,
                words=words,
                unit="mm" if unit == "mm" else "cm3",
                value=value,
                u=None if engine.doubt is None else engine.doubt.u(field),
                basis=basis.get(field, "assumed" if unsaid else "measured"),
            )
        )
    if engine.squish_band_height_mm is not None:
        found.append(
            _worked_out("squish_clearance_mm", "squish clearance", "mm", squish_clearance_mm(engine))
        )
    found.append(_worked_out("swept_volume_cm3", "swept volume", "cm3", swept_volume_cm3(engine)))
    return tuple(found)


_CRANK = ("stroke_mm", "rod_mm", "pin_offset_mm")


def _values(engine: Engine) -> dict[str, float | None]:
    return {
        field: getattr(engine, field)
        for field in PLAIN_NAMES
        if field not in _CRANK and field in Engine.__dataclass_fields__
    }


def _worked_out(field: str, words: str, unit: Literal["mm", "cm3"], value: float) -> EngineFact:
    return EngineFact(field=field, words=words, unit=unit, value=value, u=None, basis="worked out")
