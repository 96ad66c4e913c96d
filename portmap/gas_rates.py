"""How masses and energies of case and cylinder change with the crank angle: the gas model's equations.

Compressible flow through the opened areas, both ways, choked or not; burning by Wiebe's function, heat to the
walls by Hohenberg's formula, work on the piston. SI units but for degrees and mm².

References
----------
.. [1] Heywood, Internal Combustion Engine Fundamentals, 1988, app. C (flow), 9.2 (Wiebe function); from
   memory.
.. [2] G. F. Hohenberg, SAE 790825, 1979 (heat transfer); from memory.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from portmap.gas_case import GasCase
from portmap.gas_grid import NEARLY_EQUAL
from portmap.intake_valve import ReedIntake, reed_area_mm2
from portmap.pipe_end import pipe_flow

__all__ = [
    "BACK_KG",
    "CASE_FRESH",
    "CASE_J",
    "CASE_KG",
    "CYL_FRESH",
    "CYL_J",
    "CYL_KG",
    "DELIVERED_KG",
    "EXHAUST_J",
    "EXHAUST_KG",
    "HEAT_J",
    "INTAKE_J",
    "INTAKE_KG",
    "LOSS_J",
    "LOST_FRESH_KG",
    "ROWS",
    "ROW_WORDS",
    "WORK_CASE_J",
    "WORK_CYL_J",
    "Place",
    "place_of",
    "rates",
]

Floats = NDArray[np.float64]
# degree; areas of intake, transfers, exhaust, None where all are shut; volumes of case and cylinder; slope of
# the cylinder's volume; what the walls' surface and the volume add to the heat lost
Place = tuple[float, Floats | None, Floats, float, Floats]

_WIEBE_A, _WIEBE_M = 6.908, 2.0  # 99.9 % burned at the end
_AIR, _MUFFLER = 2, 3  # rows of pressures and temperatures, after case and cylinder
_FROM, _TO = np.array([_AIR, 0, 1]), np.array([0, 1, _MUFFLER])  # of intake, transfers, exhaust

# rows of the state
CASE_KG, CASE_J, CASE_FRESH, CYL_KG, CYL_J, CYL_FRESH = range(6)
# rows of what is summed over a cycle
(
    INTAKE_KG,
    INTAKE_J,
    EXHAUST_KG,
    EXHAUST_J,
    DELIVERED_KG,
    LOST_FRESH_KG,
    BACK_KG,
    HEAT_J,
    LOSS_J,
    WORK_CYL_J,
    WORK_CASE_J,
) = range(6, 17)
ROWS = 17
ROW_WORDS = (
    "the mass in the case",
    "the energy in the case",
    "the fresh gas in the case",
    "the mass in the cylinder",
    "the energy in the cylinder",
    "the fresh gas in the cylinder",
)


def place_of(
    deg: float,
    areas_mm2: Floats | Sequence[float],
    volumes_m3: Floats | Sequence[float],
    slope_m3_per_deg: float,
    surface_m2: float,
) -> Place:
    """Return an angle of the crank as `rates` takes it.

    Parameters
    ----------
    deg : float
        After true TDC.
    areas_mm2 : array_like of shape (3,) or (3, N)
        Opened by intake, transfers and exhaust.
    volumes_m3 : array_like of shape (2,) or (2, N)
        Of case and cylinder.
    slope_m3_per_deg : float
        Of the cylinder's volume.
    surface_m2 : float
        Of the cylinder's walls.

    Returns
    -------
    tuple
    """
    areas, volumes = (np.asarray(part, np.float64) for part in (areas_mm2, volumes_m3))
    if areas.ndim == 1:
        areas = areas[:, None]
    if volumes.ndim == 1:
        volumes = volumes[:, None]
    # Hohenberg's 130·V^−0.06, times the surface
    walls = 130 * volumes[1] ** -0.06 * surface_m2
    return deg, areas if areas.any() else None, volumes, slope_m3_per_deg, walls


def _flow(throat_m2: Floats, one: tuple[Floats, Floats], two: tuple[Floats, Floats], case: GasCase) -> Floats:
    """Return the flow from one to two [kg/s], each a pressure and a temperature; minus the other way."""
    over = one[0] - two[0]
    return np.copysign(_passed(throat_m2, one[0], two[0], np.where(over >= 0, one[1], two[1]), case), over)


def _passed(throat_m2: Floats, one_pa: Floats, two_pa: Floats, warm_k: Floats, case: GasCase) -> Floats:
    """Return the flow between two pressures [kg/s], whichever way; `warm_k` is the higher one's."""
    high = np.maximum(one_pa, two_pa)
    ratio = np.minimum(one_pa, two_pa) / high
    held = np.minimum(np.maximum(ratio, case.critical), 1.0 - NEARLY_EQUAL)
    root = held**case.inverse_gamma
    factor = root * np.sqrt(case.drive * (1.0 - held / root) / warm_k)
    # near equal pressures it goes straight with their difference
    factor *= np.minimum((1.0 - ratio) * (1.0 / NEARLY_EQUAL), 1.0)
    return np.asarray(throat_m2 * high * factor)


def rates(state: Floats, place: Place, case: GasCase, *, reed: ReedIntake | None) -> Floats:
    """Return how state and sums change with the crank angle.

    Parameters
    ----------
    state : ndarray of shape (17, N)
        Masses [kg], energies [J] and fresh masses of case and cylinder, then sums.
    place : tuple
        From `place_of`.
    case : GasCase
    reed : ReedIntake or None
        Valve of the intake; None where the area of `place` stands.

    Returns
    -------
    ndarray of shape (17, N)
        Per degree.
    """
    deg, areas_mm2, volumes_m3, slope, walls = place
    found = np.zeros_like(state)
    inside_j = state[CASE_J:CYL_FRESH:3]  # case and cylinder
    kelvin = inside_j / (state[CASE_KG:CYL_FRESH:3] * case.cv)
    pascal = inside_j * case.gamma_less_1 / volumes_m3
    if areas_mm2 is not None or reed is not None:
        _add_flows(found, state, kelvin, pascal, areas_mm2, case, reed)
    if deg >= case.burn_from_deg or deg < case.burn_to_deg:
        into = np.mod(deg + case.start_deg, 360.0)
        part = np.where(into < case.span_deg, into / case.span_deg, 0.0)
        # the share of what is left that burns in a degree: minus the slope of Wiebe's logarithm
        burned = state[CYL_FRESH] * (_WIEBE_A * (_WIEBE_M + 1) * part**_WIEBE_M / case.span_deg)
        burned = np.where(case.heat > 0, burned, 0.0)
        found[CYL_FRESH] -= burned
        found[HEAT_J] = burned * case.heat
        found[CYL_J] += found[HEAT_J]
    if case.loses:
        warmth = kelvin[1]
        lost = case.film * walls * (pascal[1] * 1e-5) ** 0.8 * warmth**-0.4 * (warmth - case.wall_k)
        found[CYL_J] -= lost
        found[LOSS_J] = lost
    work = pascal * slope
    found[WORK_CYL_J], found[WORK_CASE_J] = work[1], -work[0]
    found[CASE_J] += work[0]
    found[CYL_J] -= work[1]
    return found


def _add_flows(
    found: Floats,
    state: Floats,
    inside_k: Floats,
    inside_pa: Floats,
    areas_mm2: Floats | None,
    case: GasCase,
    reed: ReedIntake | None,
) -> None:
    """Add what flows through intake, transfers and exhaust, all three in one go."""
    pascal, kelvin = case.outside_pa.copy(), case.outside_k.copy()
    pascal[:2], kelvin[:2] = inside_pa, inside_k
    one_pa, two_pa, one_k, two_k = pascal[_FROM], pascal[_TO], kelvin[_FROM], kelvin[_TO]
    throat = np.zeros_like(one_pa) if areas_mm2 is None else areas_mm2 * case.throat
    if reed is not None:
        throat[0] = reed_area_mm2(reed, one_pa[0] - two_pa[0]) * case.throat[0]
    forward = one_pa >= two_pa
    warm = np.where(forward, one_k, two_k)
    flows = np.empty((3, *one_pa.shape))  # of mass, energy, fresh mass
    mass = flows[0]
    np.copysign(_passed(throat, one_pa, two_pa, warm, case), one_pa - two_pa, out=mass)
    if reed is not None:
        np.maximum(mass[0], 0.0, out=mass[0])
    if case.pipe_m2 is not None:
        blown, back_k = _into_pipe(throat[2] / case.s_per_deg, (one_pa[2], one_k[2]), case)
        mass[2] = blown * case.s_per_deg
        forward[2] = blown > 0
        warm[2] = np.where(forward[2], one_k[2], back_k)
    np.multiply(mass, case.cp * warm, out=flows[1])
    share = state[CASE_FRESH : CYL_FRESH + 1 : 3] / state[CASE_KG:CYL_J:3]
    held = np.minimum(np.maximum(share[1], 0.0), 1.0)
    mixing = 1.0 - case.displacement
    # upstream of each, going forward and going back; perfect mixing lets out what is inside, perfect
    # displacement no fresh gas until all else is gone
    ahead = np.ones_like(one_pa)
    ahead[1] = share[0]
    ahead[2] = held * mixing / np.maximum(mixing + case.displacement * (1.0 - held), 1e-12)
    back = np.zeros_like(one_pa)
    back[:2] = share
    np.multiply(mass, np.where(forward, ahead, back), out=flows[2])
    found[CASE_KG:CYL_KG] = flows[:, 0] - flows[:, 1]
    found[CYL_KG:INTAKE_KG] = flows[:, 1] - flows[:, 2]
    found[INTAKE_KG:EXHAUST_KG] = flows[:2, 0]
    found[EXHAUST_KG:DELIVERED_KG] = flows[:2, 2]
    found[DELIVERED_KG:BACK_KG] = flows[2, 1:]
    found[BACK_KG] = np.maximum(-mass[1], 0.0)


def _into_pipe(throat_m2: Floats, inside: tuple[Floats, Floats], case: GasCase) -> tuple[Floats, Floats]:
    """Return the flow out of the cylinder into an endless pipe [kg/s], and how warm is what returns [K]."""
    pipe_m2 = np.full_like(throat_m2, np.inf) if case.pipe_m2 is None else case.pipe_m2
    return pipe_flow(
        throat_m2,
        pipe_m2,
        inside,
        (case.exhaust_pa, case.exhaust_k),
        case.gamma,
        lambda throat, one, two: _flow(throat, one, two, case),
    )
