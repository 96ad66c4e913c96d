"""How a printed sheet lies on a bore's wall, and what that does to lengths along it.

A sheet bends without stretching its middle: paper of thickness t against a wall of radius R has its middle
at R − t/2, and what spans R·φ of wall spans (R − t/2)·φ of flat paper. Round a liner of outer radius Q the
middle lies at Q + t/2. Heights along the bore are not changed.

Sides: the sheet is read with its head up. Inside, its print faces the bore axis, and what is to the right on
paper is to the right as seen from the axis: +x. Outside, the print faces away from the axis; whoever reads
it looks toward the axis, so that +x lies to the left on paper. A factor below 0 says so.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from portmap.engine import Engine
from portmap.errors import GeometryError, Notice, QuantityError
from portmap.port import PortMap

__all__ = [
    "OFFICE_PAPER_MM",
    "Datum",
    "Lay",
    "Side",
    "TemplateRecord",
    "deck_height",
    "lay_on",
    "sheet_x_factor",
]

Side = Literal["inside", "outside"]
Datum = Literal["base", "deck"]

OFFICE_PAPER_MM = 0.1  # 80 g/m² office paper; common practice, no source
_LARGEST_LINER = 3.0  # outer diameter over bore


@dataclass(frozen=True, kw_only=True, slots=True)
class TemplateRecord:
    """What a 1:1 sheet is about.

    Parameters
    ----------
    name : str
        The job's name.
    engine : Engine
    port_maps : tuple of PortMap
        At least one, each stage once.
    date : str, optional
        Of the job, as it is to be printed; empty if nobody noted it.
    file_sha256 : str, optional
        Of the job file; empty without a file.
    notices : tuple of Notice, optional
        Warnings that travel with the job.
    """

    name: str
    engine: Engine
    port_maps: tuple[PortMap, ...]
    date: str = ""
    file_sha256: str = ""
    notices: tuple[Notice, ...] = ()


@dataclass(frozen=True, kw_only=True, slots=True)
class Lay:
    """How the sheet lies.

    Parameters
    ----------
    side : {'inside', 'outside'}, optional
        Against the bore's wall with the print facing the axis, or round a liner with the print facing out.
    paper_thickness_mm : float, optional
        [mm].
    outside_diameter_mm : float or None, optional
        Of the liner [mm]; needed outside.
    datum : {'base', 'deck'}, optional
        Which face of the cylinder the sheet's edge lies flush with.
    """

    side: Side = "inside"
    paper_thickness_mm: float = OFFICE_PAPER_MM
    outside_diameter_mm: float | None = None
    datum: Datum = "base"


def lay_on(
    engine: Engine,
    *,
    side: Side = "inside",
    paper_thickness_mm: float = OFFICE_PAPER_MM,
    outside_diameter_mm: float | None = None,
    datum: Datum = "base",
) -> tuple[Lay, tuple[Notice, ...]]:
    """Return how a sheet lies on an engine's cylinder.

    Parameters
    ----------
    engine : Engine
    side : {'inside', 'outside'}, optional
    paper_thickness_mm : float, optional
        [mm].
    outside_diameter_mm : float or None, optional
        Of the liner [mm]; None takes it from the bore and the wall's thickness.
    datum : {'base', 'deck'}, optional

    Returns
    -------
    lay : Lay
    notices : tuple of Notice
        What was worked out rather than given.

    Raises
    ------
    QuantityError
        If a thickness or diameter makes no sense.
    GeometryError
        If the liner's diameter or the deck's height is needed and not known.

    Examples
    --------
    >>> from portmap.crank import Crank
    >>> engine = Engine(bore_mm=46, crank=Crank(stroke_mm=32, rod_mm=58), crown_height_mm=61,
    ...                 wall_thickness_mm=3.0)
    >>> lay_on(engine, side="outside")[0].outside_diameter_mm
    52.0
    """
    notices: tuple[Notice, ...] = ()
    if side == "outside" and outside_diameter_mm is None:
        if engine.wall_thickness_mm is None:
            raise GeometryError(
                "the liner's outside diameter is not known",
                where="--outside",
                remedy="measure it and give --outside-diameter",
            )
        outside_diameter_mm = engine.bore_mm + 2 * engine.wall_thickness_mm
        words = (
            f"Outside diameter {outside_diameter_mm:.2f} mm worked out from the bore and a wall of"
            f" {engine.wall_thickness_mm:g} mm: measure the liner."
        )
        notices = (Notice(code="outside-worked-out", message=words),)
    lay = Lay(
        side=side,
        paper_thickness_mm=paper_thickness_mm,
        outside_diameter_mm=outside_diameter_mm if side == "outside" else None,
        datum=datum,
    )
    sheet_x_factor(engine.bore_mm, lay)
    if datum == "deck":
        deck_height(engine)
    return lay, notices


def sheet_x_factor(bore_mm: float, lay: Lay) -> float:
    """Return what x on the wall is to be multiplied by to be x on the flat sheet.

    Inside (R − t/2)/R; outside −(Q + t/2)/R, with R half the bore, Q half the liner's outside diameter, t the
    paper's thickness: plane geometry of a sheet bent without stretching its middle.

    Parameters
    ----------
    bore_mm : float
        Bore [mm].
    lay : Lay

    Returns
    -------
    float
        Below 0 if left and right change places on paper.

    Raises
    ------
    QuantityError
        If the paper's thickness is below 0 or over a tenth of the bore, or the liner's outside diameter is
        not above the bore or more than three times it.

    Examples
    --------
    >>> round(sheet_x_factor(46.0, Lay()), 6)
    0.997826
    >>> round(sheet_x_factor(46.0, Lay(side="outside", outside_diameter_mm=52.0)), 6)
    -1.132609
    """
    thickness, outside = lay.paper_thickness_mm, lay.outside_diameter_mm
    if not 0.0 <= thickness <= bore_mm / 10:
        raise QuantityError(
            f"{thickness:g} mm is no thickness for paper in a bore of {bore_mm:g} mm",
            where="--paper-thickness",
            remedy="give 0 to a tenth of the bore; office paper is about 0.1 mm",
        )
    radius = bore_mm / 2
    if lay.side == "inside":
        return (radius - thickness / 2) / radius
    if outside is None or not bore_mm < outside <= _LARGEST_LINER * bore_mm:
        shown = "nothing" if outside is None else f"{outside:g} mm"
        raise QuantityError(
            f"{shown} is no outside diameter for a bore of {bore_mm:g} mm",
            where="--outside-diameter",
            remedy=f"give one above the bore, at most {_LARGEST_LINER:g} times it",
        )
    return -(outside / 2 + thickness / 2) / radius


def deck_height(engine: Engine) -> float:
    """Return the deck's height, or refuse if nobody gave it.

    Parameters
    ----------
    engine : Engine

    Returns
    -------
    float
        Of the cylinder's upper face above its base face [mm].

    Raises
    ------
    GeometryError
        If it is unknown.

    Examples
    --------
    >>> from portmap.crank import Crank
    >>> deck_height(Engine(bore_mm=46, crank=Crank(stroke_mm=32, rod_mm=58), crown_height_mm=61,
    ...                    deck_height_mm=62.5))
    62.5
    """
    if engine.deck_height_mm is None:
        raise GeometryError(
            "the deck's height is not known",
            where="cylinder.deck_height_mm",
            remedy="measure from the base face to the deck, or take the base face as datum",
        )
    return engine.deck_height_mm
