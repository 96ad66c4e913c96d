"""How far a workshop's work may go, and what nobody measured that would tell.

The usual limits are data, in ``shop_limits.toml`` beside this module, all common practice without a source;
a job's own `limits` go before them. A limit is checked on one quantity, in mm, at one place or at several (a
port each). Where the quantity can't be known because nobody measured a part of it, and the work makes it
worse, that is said: nothing passes for want of a figure.

Frame and letters are those of `portmap.shopwork`. All quantities but the metal between windows change in
proportion to the work, so that a planner can take them as straight lines.

Glossary
--------
margin
    How much of a quantity is left before its limit, minus beyond it [mm].
grade
    ``limit``: beyond it metal or engine is lost. ``look again``: it depends on the engine. ``not checked``:
    nobody measured what would tell.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cache
from importlib.resources import files
from typing import TYPE_CHECKING, Literal

from portmap.errors import Notice
from portmap.limit_names import check_limit_names
from portmap.shop_quantities import LIMITED
from portmap.shopwork import Build, after
from portmap.shown import UnitSystem, unit_system

if TYPE_CHECKING:
    from portmap.job import Job

__all__ = ["Breach", "Margin", "ShopLimit", "breaches", "limit_margins", "limits_of", "usual_limits"]

Grade = Literal["limit", "look again"]
Sense = Literal["least", "most"]

ANY_MM = 500.0  # stands in for a figure not known; more than any work takes off, so that nothing runs out
ROUNDING_MM = 1e-6  # a nanometre: what counts as equal


@dataclass(frozen=True, kw_only=True, slots=True)
class ShopLimit:
    """A limit of work.

    Parameters
    ----------
    name : str
        By which a job may set its own.
    what : str
        The quantity in words, ``{where}`` for the port.
    sense : {'least', 'most'}
        Whether the quantity may not fall below the bound, or not rise above it.
    bound_mm : float or None
        The bound [mm]; None where no usual figure exists.
    grade : {'limit', 'look again'}
    measure : str
        What to measure where the quantity is not known.
    basis : str
        Where the bound comes from.
    """

    name: str
    what: str
    sense: Sense
    bound_mm: float | None
    grade: Grade
    measure: str
    basis: str


@dataclass(frozen=True, kw_only=True, slots=True)
class Margin:
    """What is left before a limit, at one place.

    Parameters
    ----------
    limit : ShopLimit
    where : str
        A port's id or two windows; empty for engine and cylinder.
    value_mm : float or None
        The quantity [mm]; None if it can't be known.
    margin_mm : float or None
        What is left [mm], minus beyond the limit; None if quantity or bound can't be known.
    """

    limit: ShopLimit
    where: str
    value_mm: float | None
    margin_mm: float | None


@dataclass(frozen=True, kw_only=True, slots=True)
class Breach:
    """Work that goes beyond a limit, or might for all that is known.

    Parameters
    ----------
    limit : str
        The limit's name.
    grade : {'limit', 'look again', 'not checked'}
    message : str
        One sentence: what, where, by how much, and what to do.
    where : str
        A port's id or two windows; empty for engine and cylinder.
    value_mm, bound_mm, beyond_mm : float or None
        The quantity, its limit, and by how much it is beyond [mm]; None where not checked.
    """

    limit: str
    grade: Literal["limit", "look again", "not checked"]
    message: str
    where: str = ""
    value_mm: float | None = None
    bound_mm: float | None = None
    beyond_mm: float | None = None

    def notice(self) -> Notice:
        """Return the same as a warning that travels with a result.

        Returns
        -------
        Notice
            Its code is ``limit-``, ``look-again-`` or ``not-checked-`` and the limit's name.
        """
        return Notice(
            code=f"{self.grade}-{self.limit}".replace(" ", "-").replace("_", "-"), message=self.message
        )


@cache
def usual_limits() -> tuple[ShopLimit, ...]:
    """Return the limits that hold unless a job sets its own.

    Returns
    -------
    tuple of ShopLimit
        All common practice, no source.

    Examples
    --------
    >>> {limit.name: limit.bound_mm for limit in usual_limits()}["squish"]
    0.5
    """
    data = tomllib.loads(files("portmap").joinpath("shop_limits.toml").read_text(encoding="utf-8"))
    return tuple(
        ShopLimit(
            name=name,
            what=entry["what"],
            sense="most" if "most_mm" in entry or name in _COUNTED_UP else "least",
            bound_mm=entry.get("least_mm", entry.get("most_mm")),
            grade=entry["grade"],
            measure=entry["measure"],
            basis=data["basis"],
        )
        for name, entry in data["limits"].items()
    )


def limits_of(job: Job) -> tuple[ShopLimit, ...]:
    """Return the limits that hold for a job: its own before the usual ones.

    Parameters
    ----------
    job : Job

    Returns
    -------
    tuple of ShopLimit

    Raises
    ------
    JobError
        If the job sets a limit that there isn't.

    Examples
    --------
    >>> from portmap.job import job_of
    >>> job = job_of({"format": "portmap-job", "version": 1, "name": "saw", "maps": [],
    ...               "engine": {"bore_mm": 46, "stroke_mm": 32, "crown_height_mm": 61},
    ...               "limits": {"squish": 0.6}})
    >>> {limit.name: (limit.bound_mm, limit.basis) for limit in limits_of(job)}["squish"]
    (0.6, "the job's own")
    """
    check_limit_names(job.limits)
    usual = {limit.name: limit for limit in usual_limits()}
    for name, bound_mm in job.limits.items():
        if name in usual:  # the others are bounds of ring safety
            usual[name] = replace(usual[name], bound_mm=bound_mm, basis="the job's own")
    return tuple(usual.values())


def limit_margins(start: Build, now: Build, limits: tuple[ShopLimit, ...]) -> tuple[Margin, ...]:
    """Return what is left before each limit.

    Parameters
    ----------
    start : Build
        Before the work.
    now : Build
        After it.
    limits : tuple of ShopLimit

    Returns
    -------
    tuple of Margin
        One for each limit and place at which it applies.

    Examples
    --------
    >>> from portmap.crank import Crank
    >>> from portmap.engine import Engine
    >>> engine = Engine(bore_mm=46, crank=Crank(stroke_mm=32, rod_mm=58), crown_height_mm=61,
    ...                 squish_band_height_mm=61.2)
    >>> build = Build(engine=engine, edges=())
    >>> margins = limit_margins(build, build, usual_limits())
    >>> {margin.limit.name: margin.margin_mm for margin in margins}["squish"]
    -0.3
    """
    found = []
    for limit in limits:
        for where, value in LIMITED[limit.name](start, now):
            margin = None
            if value is not None and limit.bound_mm is not None:
                over = value - limit.bound_mm
                margin = over if limit.sense == "least" else -over
            found.append(Margin(limit=limit, where=where, value_mm=value, margin_mm=_tidy(margin)))
    return tuple(found)


def breaches(
    before: Build, now: Build, limits: tuple[ShopLimit, ...], *, system: UnitSystem | None = None
) -> tuple[Breach, ...]:
    """Return where work goes beyond a limit, or may do so for all that anybody measured.

    Parameters
    ----------
    before, now : Build
        `now` made of `before` by `portmap.shopwork.after`.
    limits : tuple of ShopLimit
    system : UnitSystem or None, optional
        Of the sentences; mm unless told.

    Returns
    -------
    tuple of Breach
        Beyond limits first, then what to look at again, then what can't be checked. A limit that was passed
        before and is no worse now is only named, as something to look at again, if its grade is ``limit``.

    Examples
    --------
    >>> from portmap.crank import Crank
    >>> from portmap.engine import Engine
    >>> from portmap.operation import parse_operation
    >>> engine = Engine(bore_mm=46, crank=Crank(stroke_mm=32, rod_mm=58), crown_height_mm=61,
    ...                 squish_band_height_mm=61.6, base_flange_mm=4.2)
    >>> build = Build(engine=engine, edges=())
    >>> for breach in breaches(build, after(build, parse_operation("cut_base 0.3 mm")), usual_limits()):
    ...     print(breach.grade, breach.limit, breach.beyond_mm)
    limit base_flange 0.1
    look again squish 0.2
    not checked cylinder_lowered None
    """
    start = limit_margins(before, before, limits)
    end = limit_margins(before, now, limits)
    full = _with_stand_ins(before)
    full_now = after(full, *now.done[len(before.done) :])
    assumed = {
        (then.limit.name, then.where): _worse_by(then, later)
        for then, later in zip(
            limit_margins(full, full, limits), limit_margins(full, full_now, limits), strict=True
        )
    }
    found = []
    for then, later in zip(start, end, strict=True):
        known = then.value_mm is not None and later.value_mm is not None
        worse_mm = _worse_by(then, later) if known else assumed[later.limit.name, later.where]
        breach = _breach(then, later, worse_mm, system or unit_system("mm"))
        if breach is not None:
            found.append(breach)
    if any(breach.limit == "strike" for breach in found):
        found = [breach for breach in found if breach.limit != "squish"]  # the same gap, said once
    order = ("limit", "look again", "not checked")
    return tuple(dict.fromkeys(sorted(found, key=lambda breach: order.index(breach.grade))))


def _worse_by(then: Margin, later: Margin) -> float:
    if then.value_mm is None or later.value_mm is None:
        return 0.0
    change = later.value_mm - then.value_mm
    return change if later.limit.sense == "most" else -change


def _breach(then: Margin, now: Margin, worse_mm: float, system: UnitSystem) -> Breach | None:
    limit, worse = now.limit, worse_mm > ROUNDING_MM
    what = limit.what.format(where=now.where)
    if now.margin_mm is None:
        if not worse:
            return None
        message = f"Not checked: {what}; measure {limit.measure}."
        return Breach(limit=limit.name, grade="not checked", message=message, where=now.where)
    if now.margin_mm >= -ROUNDING_MM or now.value_mm is None or limit.bound_mm is None:
        return None
    old = then.margin_mm is not None and then.margin_mm < -ROUNDING_MM and not worse
    if old and limit.grade == "look again":
        return None
    grade = "look again" if old else limit.grade
    side = "below the least" if limit.sense == "least" else "above the most"
    message = (
        f"{_GRADE_WORDS[grade]}: {what} would be {system.lengths(now.value_mm)} {system.length},"
        f" {system.lengths(-now.margin_mm)} {system.length} {side}"
        f" of {system.lengths(limit.bound_mm)} {system.length}"
        f" ({limit.basis}){'; it was so before the work' if old else ''}."
    )
    return Breach(
        limit=limit.name,
        grade=grade,
        message=message,
        where=now.where,
        value_mm=now.value_mm,
        bound_mm=limit.bound_mm,
        beyond_mm=-now.margin_mm,
    )


def _with_stand_ins(build: Build) -> Build:
    """Return the build with any figure for those not known: a change is the same whatever it starts from."""
    engine, piston = build.engine, build.engine.piston
    piston = replace(
        piston,
        crown_thickness_mm=_or_any(piston.crown_thickness_mm),
        ring_below_crown_mm=_or_any(piston.ring_below_crown_mm),
        lowest_ring_below_crown_mm=_or_any(piston.lowest_ring_below_crown_mm),
        exhaust_skirt_length_mm=_or_any(piston.exhaust_skirt_length_mm),
    )
    engine = replace(
        engine,
        piston=piston,
        skirt_length_mm=_or_any(engine.skirt_length_mm),
        squish_band_height_mm=_or_any(engine.squish_band_height_mm),
        base_flange_mm=_or_any(engine.base_flange_mm),
    )
    edges = tuple(
        replace(
            edge,
            roof_mm=0.0 if edge.roof_mm is None else edge.roof_mm,
            floor_mm=0.0 if edge.floor_mm is None else edge.floor_mm,
        )
        for edge in build.edges
    )
    return replace(build, engine=engine, edges=edges, port_map=None)  # outlines are known or are not


def _or_any(size_mm: float | None) -> float:
    return ANY_MM if size_mm is None else size_mm


def _tidy(margin_mm: float | None) -> float | None:
    return None if margin_mm is None else round(margin_mm, 9)


_GRADE_WORDS: Mapping[Grade, str] = {"limit": "Beyond a limit", "look again": "Look again"}
_COUNTED_UP = ("skirt_dip", "cylinder_lowered", "head_over_dome", "band_cut")
