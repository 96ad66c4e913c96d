"""Intake valves that no window in the bore's wall shows: rotary valve and reed, by areas somebody measured.

A rotary valve opens by the crank alone: its opened area stands against crank degree. A reed opens by what
drives the air: its opened area stands against the pressure of the air outside over that in the case, up to
the petals' stop. A reed lets nothing back, and moves without inertia: it stands where the pressure of the
moment holds it. Between the rows both tables run straight.

Degrees count from true TDC; pressures in Pa, areas in mm².
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from portmap.errors import GeometryError

__all__ = [
    "LARGEST_REED_PA",
    "LARGEST_VALVE_MM2",
    "IntakeValve",
    "ReedIntake",
    "RotaryIntake",
    "intake_valve",
    "reed_area_mm2",
    "rotary_angle_area_mm2_deg",
    "rotary_area_mm2",
    "rotary_events_deg",
]

Floats = NDArray[np.float64]
Rows = tuple[tuple[float, float], ...]

PA_PER_BAR = 1e5
LARGEST_VALVE_MM2 = 1e4
LARGEST_REED_PA = 2e5  # the air outside can drive no more into a case


@dataclass(frozen=True, kw_only=True, slots=True)
class RotaryIntake:
    """A disc or drum that the crank turns.

    Parameters
    ----------
    opened_deg_mm2 : tuple of (float, float)
        Degree after TDC, rising from row to row, and opened area there [mm²]; over 360° it goes on from the
        first row.

    Raises
    ------
    GeometryError
        If degrees do not rise from 0 to below 360, an area is below 0, or it is never open or never shut.
    """

    opened_deg_mm2: Rows

    def __post_init__(self) -> None:
        """Refuse what no valve does."""
        degrees = _first_column(self.opened_deg_mm2, "opened_deg_mm2", "degrees", "degrees", 360.0)
        if degrees[-1] == 360.0:
            raise GeometryError(
                "360 is 0 again", where="opened_deg_mm2", remedy="let the last row stand before it"
            )
        areas = [area for _, area in self.opened_deg_mm2]
        if not max(areas) > 0 or min(areas) > 0:
            state = "never open" if not max(areas) > 0 else "never shut"
            raise GeometryError(
                f"by this table the valve is {state}",
                where="opened_deg_mm2",
                remedy="give its area over the whole turn, 0 where it is shut",
            )


@dataclass(frozen=True, kw_only=True, slots=True)
class ReedIntake:
    """Petals that the air lifts.

    Parameters
    ----------
    opened_pa_mm2 : tuple of (float, float)
        Pressure of the air outside over that in the case [Pa], rising from row to row, and opened area there
        [mm²]; beyond the last row the petals lie on their stop.

    Raises
    ------
    GeometryError
        If pressures do not rise from 0, or an area is below 0, falls, or is never above 0.
    """

    opened_pa_mm2: Rows

    def __post_init__(self) -> None:
        """Refuse what no reed does."""
        _first_column(self.opened_pa_mm2, "opened_pa_mm2", "pressures", "bar", LARGEST_REED_PA, PA_PER_BAR)
        areas = [area for _, area in self.opened_pa_mm2]
        for before, after in pairwise(areas):
            if after < before:
                raise GeometryError(
                    f"the area falls from {before:g} to {after:g} mm² while the pressure rises",
                    where="opened_pa_mm2",
                    remedy="a reed opens further, or lies on its stop",
                )
        if not areas[-1] > 0:
            raise GeometryError(
                "by this table the reed never opens", where="opened_pa_mm2", remedy="measure its stop's area"
            )


IntakeValve = RotaryIntake | ReedIntake


def _first_column(rows: Rows, where: str, what: str, unit: str, most: float, per: float = 1.0) -> list[float]:
    """Return the first column of a table in which it rises and areas are areas."""
    if not rows:
        raise GeometryError("the table is empty", where=where, remedy="give its rows")
    found = [first for first, _ in rows]
    for before, after in pairwise(found):
        if not after > before:
            raise GeometryError(
                f"{what} must rise from row to row, but {after / per:g} {unit} follows {before / per:g}",
                where=where,
                remedy="sort the rows and give each once",
            )
    if not (found[0] >= 0 and found[-1] <= most):
        wrong = found[-1] if found[0] >= 0 else found[0]
        raise GeometryError(
            f"{wrong / per:g} lies outside 0 to {most / per:g} {unit}", where=where, remedy="check the unit"
        )
    for _, area in rows:
        if not 0 <= area <= LARGEST_VALVE_MM2:
            raise GeometryError(f"{area:g} mm² is no opened area", where=where, remedy="check the unit")
    return found


def intake_valve(kind: Literal["rotary", "reed"], rows: Sequence[tuple[float, float]]) -> IntakeValve:
    """Return the valve that a table describes.

    Parameters
    ----------
    kind : {'rotary', 'reed'}
    rows : sequence of (float, float)
        Degree [deg], or pressure of the air over the case's [bar], and opened area [mm²].

    Returns
    -------
    RotaryIntake or ReedIntake

    Raises
    ------
    GeometryError
        If no valve of that kind does so.

    Examples
    --------
    >>> intake_valve("reed", [(0, 0), (0.25, 200)])
    ReedIntake(opened_pa_mm2=((0.0, 0), (25000.0, 200)))
    """
    if kind == "rotary":
        return RotaryIntake(opened_deg_mm2=tuple(rows))
    return ReedIntake(opened_pa_mm2=tuple((over_bar * PA_PER_BAR, area) for over_bar, area in rows))


def reed_area_mm2(reed: ReedIntake, over_pa: ArrayLike) -> Floats:
    """Return how far a reed stands open.

    Parameters
    ----------
    reed : ReedIntake
    over_pa : array_like of shape (...)
        Pressure of the air outside over that in the case [Pa].

    Returns
    -------
    ndarray of shape (...)
        Opened area [mm²]; that of the first row for less pressure than it names.

    Examples
    --------
    >>> reed_area_mm2(ReedIntake(opened_pa_mm2=((0, 0), (8000, 160), (20000, 200))), [-500, 4000, 9e4])
    array([  0.,  80., 200.])
    """
    over, area = zip(*reed.opened_pa_mm2, strict=True)
    return np.asarray(np.interp(np.asarray(over_pa, np.float64), over, area))


def rotary_area_mm2(valve: RotaryIntake, angle_deg: ArrayLike) -> Floats:
    """Return how far a rotary valve stands open.

    Parameters
    ----------
    valve : RotaryIntake
    angle_deg : array_like of shape (...)
        Crank angle after true TDC [deg].

    Returns
    -------
    ndarray of shape (...)
        Opened area [mm²].

    Examples
    --------
    >>> valve = RotaryIntake(opened_deg_mm2=((60, 0), (220, 0), (260, 300), (340, 300)))
    >>> rotary_area_mm2(valve, [60, 220, 240, 300, 20])
    array([  0.,   0., 150., 300., 150.])
    """
    deg, area = zip(*valve.opened_deg_mm2, strict=True)
    return np.asarray(np.interp(np.asarray(angle_deg, np.float64), deg, area, period=360.0))


def rotary_events_deg(valve: RotaryIntake) -> tuple[float, ...]:
    """Return where a rotary valve opens and closes.

    Parameters
    ----------
    valve : RotaryIntake

    Returns
    -------
    tuple of float
        Degrees of the rows without area beside which there is some [deg].

    Examples
    --------
    >>> rotary_events_deg(RotaryIntake(opened_deg_mm2=((0, 250), (60, 0), (220, 0), (260, 250))))
    (60, 220)
    """
    rows = valve.opened_deg_mm2
    return tuple(
        deg
        for number, (deg, area) in enumerate(rows)
        if area == 0 and (rows[number - 1][1] > 0 or rows[(number + 1) % len(rows)][1] > 0)
    )


def rotary_angle_area_mm2_deg(valve: RotaryIntake) -> float:
    """Return the angle-area of a rotary valve over a turn.

    Parameters
    ----------
    valve : RotaryIntake

    Returns
    -------
    float
        [mm²·deg], exact for the straight lines between the rows.

    Examples
    --------
    >>> rotary_angle_area_mm2_deg(RotaryIntake(opened_deg_mm2=((0, 250), (60, 0), (220, 0), (260, 250))))
    37500.0
    """
    rows = (*valve.opened_deg_mm2, (valve.opened_deg_mm2[0][0] + 360.0, valve.opened_deg_mm2[0][1]))
    return float(sum((after[0] - before[0]) * (before[1] + after[1]) / 2 for before, after in pairwise(rows)))
