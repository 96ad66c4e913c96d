"""Filling and emptying of case and cylinder through the exact opened areas, to cyclic steady state.

Two volumes with one pressure and temperature each, joined by the transfers; the case drinks from the air
through the intake, by windows, a rotary valve or a reed; the cylinder empties into a muffler of constant
pressure and temperature, or into a pipe so long that no wave comes back (`portmap.pipe_end`). Compressible
orifice flow, both ways, choked or not, with discharge coefficients. Ideal gas with one ratio of specific
heats. Fresh and burned gas are kept apart by mass: what leaves the cylinder is a stated blend of perfect
mixing and perfect displacement. Heat by a Wiebe function, losses by Hohenberg's formula. The equations are
`portmap.gas_rates`'s.

**What it is not**: no wave comes back from anywhere. A tuned pipe, a long intake and their resonances are
outside it. It tells what a change of ports does better than what an engine makes, and no power is promised.

Units here are SI (Pa, K, kg, m³, J) but for degrees and mm²; arrays run over cases, such as speeds or draws,
all stepped together (4th-order Runge-Kutta on a grid of crank angles that has every opening and closing on
it). The steady cycle is found by Newton's method on the map from one cycle's start to the next.

Glossary
--------
case of a run
    One column of the arrays: one speed, or one draw of the uncertain inputs.
fresh
    Charge that has not burned.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from portmap.atmosphere import GAS_CONSTANT_J_PER_KG_K
from portmap.gas_case import GasCase, GasInputs, gas_case_of
from portmap.gas_grid import GasError, Grid
from portmap.gas_rates import (
    BACK_KG,
    CASE_FRESH,
    CASE_J,
    CASE_KG,
    CYL_FRESH,
    CYL_J,
    CYL_KG,
    DELIVERED_KG,
    EXHAUST_J,
    EXHAUST_KG,
    HEAT_J,
    INTAKE_J,
    INTAKE_KG,
    LOSS_J,
    ROW_WORDS,
    ROWS,
    WORK_CASE_J,
    WORK_CYL_J,
    Place,
    place_of,
    rates,
)

__all__ = ["Breath", "breathed", "cycled", "places_of", "start_of"]

Floats = NDArray[np.float64]

SETTLED = 1e-5  # greatest relative change of the state from one cycle to the next
MOST_CYCLES = 80
_PLAIN_CYCLES = 2  # before the first is compared with its like
_SLOW = 0.3  # a cycle that leaves more than this of the miss asks for a new slope
_NUDGE = 1e-4


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Breath:
    """One cycle at steady state, for each case of N.

    Parameters
    ----------
    deg : ndarray of shape (M + 1,)
        Crank angles after true TDC.
    cylinder_pa, case_pa, cylinder_k : ndarray of shape (M + 1, N)
    fresh_share : ndarray of shape (M + 1, N)
        Of the cylinder's mass.
    cycles : int
        Until it settled.
    left_moving : float
        Greatest relative change in the last cycle.
    delivery_ratio : ndarray of shape (N,)
        Fresh mass through the transfers over that of the swept volume filled with outside air.
    trapped_ratio : ndarray of shape (N,)
        Fresh mass in the cylinder when the last port has closed, over the same.
    trapped_kg : ndarray of shape (N,)
        That fresh mass.
    trapping : ndarray of shape (N,)
        Trapped over delivered.
    residual_pa : ndarray of shape (N,)
        Cylinder over case when the first transfer opens; below 0 the blowdown is done. NaN without transfers.
    back_share : ndarray of shape (N,)
        Mass that flowed back into the transfers, over what came through them.
    work_j : ndarray of shape (N,)
        Of the gas on the piston over a cycle, case included.
    mass_balance, energy_balance : float
        Greatest of all cases: what does not add up over a cycle, over what flowed.
    """

    deg: Floats
    cylinder_pa: Floats
    case_pa: Floats
    cylinder_k: Floats
    fresh_share: Floats
    cycles: int
    left_moving: float
    delivery_ratio: Floats
    trapped_ratio: Floats
    trapped_kg: Floats
    trapping: Floats
    residual_pa: Floats
    back_share: Floats
    work_j: Floats
    mass_balance: float
    energy_balance: float


def places_of(grid: Grid) -> list[Place]:
    """Return what `portmap.gas_rates.rates` asks of the grid at each of its angles.

    Parameters
    ----------
    grid : Grid

    Returns
    -------
    list of tuple
        From `portmap.gas_rates.place_of`.
    """
    areas, volumes = (
        np.stack(np.broadcast_arrays(*(_by_case(column) for column in columns)), axis=1)
        for columns in (
            (grid.intake_mm2, grid.transfer_mm2, grid.exhaust_mm2),
            (grid.case_m3, grid.cylinder_m3),
        )
    )
    return [
        place_of(*place)
        for place in zip(
            grid.deg.tolist(),
            areas,
            volumes,
            grid.slope_m3_per_deg.tolist(),
            grid.surface_m2.tolist(),
            strict=True,
        )
    ]


def start_of(grid: Grid, case: GasCase) -> Floats:
    """Return a state at TDC from which a steady cycle may be sought: air in the case, burned gas over it.

    Parameters
    ----------
    grid : Grid
    case : GasCase

    Returns
    -------
    ndarray of shape (17, N)
        As `portmap.gas_rates.rates` has it; the sums are 0.
    """
    state = np.zeros((ROWS, len(case.s_per_deg)))
    kelvin = 1100.0
    state[CASE_KG] = case.air_pa * grid.case_m3[0] / (GAS_CONSTANT_J_PER_KG_K * case.air_k)
    state[CASE_J] = state[CASE_KG] * case.cv * case.air_k
    state[CASE_FRESH] = state[CASE_KG]
    pressure = 8 * case.air_pa
    state[CYL_KG] = pressure * grid.cylinder_m3[0] / (GAS_CONSTANT_J_PER_KG_K * kelvin)
    state[CYL_J] = state[CYL_KG] * case.cv * kelvin
    state[CYL_FRESH] = 0.5 * state[CYL_KG]
    return state


def breathed(
    grid: Grid, inputs: GasInputs, *, settled: float = SETTLED, most_cycles: int = MOST_CYCLES
) -> Breath:
    """Return one cycle at steady state, for all cases at once.

    Parameters
    ----------
    grid : Grid
        From `portmap.gas_grid`.
    inputs : GasInputs
    settled : float, optional
        Greatest relative change of masses, energies and fresh mass from one cycle to the next.
    most_cycles : int, optional

    Returns
    -------
    Breath

    Raises
    ------
    GasError
        If it does not settle: after how many cycles, and what still moves, in which case.
    QuantityError
        If an input makes no sense.

    Examples
    --------
    >>> from portmap.crank import Crank
    >>> from portmap.engine import Engine
    >>> from portmap.gas_case import GasInputs
    >>> from portmap.gas_grid import grid_of
    >>> from portmap.port import Port, PortMap, Window, window_polygon
    >>> engine = Engine(bore_mm=46, crank=Crank(stroke_mm=32, rod_mm=58), crown_height_mm=61,
    ...                 head_volume_cm3=6.1, case_volume_cm3=200)
    >>> def port(kind, x, roof):
    ...     shape = window_polygon([[x - 8, 29], [x + 8, 29], [x + 8, roof], [x - 8, roof]])
    ...     return Port(id=kind, kind=kind, control="crown", windows=(Window(outline=shape),))
    >>> ports = (port("exhaust", 0, 39.4), port("transfer", 36, 35.5))
    >>> breath = breathed(grid_of(engine, PortMap(stage="stock", ports=ports), reed_mm2=150),
    ...                   GasInputs(rpm=[6000, 9000]))
    >>> breath.mass_balance < 1e-9, breath.delivery_ratio.shape
    (True, (2,))
    """
    case = gas_case_of(inputs, grid)
    state = start_of(grid, case)
    places = places_of(grid)
    inverse: Floats | None = None
    moving, before_that = np.inf, np.inf
    miss = scale = np.ones((6, 1))
    for cycle in range(1, most_cycles + 1):
        before = state[:6].copy()
        traces, state = cycled(grid, case, before, places)
        scale = _scale(before)
        miss = state[:6] - before
        before_that, moving = moving, float((np.abs(miss) / scale).max())
        if moving <= settled:
            return _breath(grid, case, traces, state, before, cycle, moving)
        if cycle < _PLAIN_CYCLES:
            continue
        if inverse is None or moving > _SLOW * before_that:
            inverse = _newton_of(grid, case, before, state[:6], scale, places)
        # never more than a third of what is there, so that nothing turns negative on the way
        step = np.clip(np.einsum("nij,jn->in", inverse, miss / scale), -0.3, 0.3)
        state = np.concatenate([before + step * scale, np.zeros((ROWS - 6, before.shape[1]))])
        state[CYL_FRESH] = np.clip(state[CYL_FRESH], 0.0, state[CYL_KG])
        state[CASE_FRESH] = np.clip(state[CASE_FRESH], 0.0, state[CASE_KG])
    row, case_number = np.unravel_index(np.argmax(np.abs(miss) / scale), miss.shape)
    raise GasError(
        f"not settled after {most_cycles} cycles: at {1 / (6 * case.s_per_deg[case_number]):.0f} rpm"
        f" {ROW_WORDS[row]} still moves by {100 * moving:.2g} % a cycle",
        where="gas model",
        remedy="check areas, volumes and pressures",
    )


def _scale(state: Floats) -> Floats:
    """Return what a change of each row is compared with: fresh mass with the whole mass."""
    return np.abs(state[[CASE_KG, CASE_J, CASE_KG, CYL_KG, CYL_J, CYL_KG]])


def _newton_of(
    grid: Grid, case: GasCase, before: Floats, after: Floats, scale: Floats, places: list[Place]
) -> Floats:
    """Return (I − J)⁻¹ of one cycle's map for each case, in shares of `scale`, shape (N, 6, 6).

    The six columns of the slope are found by six slightly moved copies of every case, in one cycle.
    """
    count = before.shape[1]
    moved = np.repeat(before[:, None, :], 6, axis=1)
    for row in range(6):
        moved[row, row] += _NUDGE * scale[row] * (-1.0 if row in (CASE_FRESH, CYL_FRESH) else 1.0)
    copies = case.repeated(6)
    tiled = [tuple(_six_times(part) for part in place) for place in places]
    _, ends = cycled(grid, copies, moved.reshape(6, -1), tiled)
    ends = ends[:6].reshape(6, 6, count)
    slope = (ends - after[:, None, :]) / scale[:, None, :] / _NUDGE
    slope[:, [CASE_FRESH, CYL_FRESH]] *= -1.0
    matrix = np.eye(6) - slope.transpose(2, 0, 1)
    return np.asarray(np.linalg.inv(matrix))


def _six_times(part: Any) -> Any:
    """Return a part of a place for six copies of every case; what is alike for all stays."""
    return np.tile(part, 6) if isinstance(part, np.ndarray) and part.shape[-1] > 1 else part


def cycled(grid: Grid, case: GasCase, start: Floats, places: list[Place]) -> tuple[Floats, Floats]:
    """Return one cycle.

    Parameters
    ----------
    grid : Grid
    case : GasCase
    start : ndarray of shape (6, N)
        State at TDC.
    places : list of tuple
        From `places_of`.

    Returns
    -------
    traces : ndarray of shape (M + 1, 6, N)
        States at the nodes.
    end : ndarray of shape (17, N)
        The last of them, with what was summed on the way.

    Raises
    ------
    GasError
        If a mass or an energy runs out, as it does where the step is too long.
    """
    steps = np.diff(grid.deg[::2])
    state = np.concatenate([start, np.zeros((ROWS - 6, start.shape[1]))])
    traces = np.empty((len(steps) + 1, *start.shape))
    traces[0] = start
    for number, step in enumerate(steps.tolist()):
        here, middle, there = places[2 * number : 2 * number + 3]
        first = rates(state, here, case, reed=grid.reed)
        second = rates(state + (step / 2) * first, middle, case, reed=grid.reed)
        third = rates(state + (step / 2) * second, middle, case, reed=grid.reed)
        fourth = rates(state + step * third, there, case, reed=grid.reed)
        second += third
        second *= 2
        second += first
        second += fourth
        state = state + (step / 6) * second
        traces[number + 1] = state[:6]
    if not np.isfinite(state).all() or (traces[:, [CASE_KG, CASE_J, CYL_KG, CYL_J]] <= 0).any():
        raise GasError(
            "the step is too long for these areas",
            where="gas model",
            remedy="check that the areas are in mm² and the volumes in cm³",
        )
    return traces, state


def _by_case(column: NDArray[Any]) -> NDArray[Any]:
    """Return a grid's column with the cases along its second axis."""
    return column if column.ndim == 2 else column[:, None]


def _breath(
    grid: Grid, case: GasCase, traces: Floats, state: Floats, before: Floats, cycles: int, moving: float
) -> Breath:
    deg = grid.deg[::2]
    mass, energy = traces[:, CYL_KG], traces[:, CYL_J]
    kelvin = energy / (mass * case.cv)
    cylinder_pa = mass * GAS_CONSTANT_J_PER_KG_K * kelvin / _by_case(grid.cylinder_m3[::2])
    case_pa = traces[:, CASE_J] * (case.gamma - 1) / _by_case(grid.case_m3[::2])
    full = grid.swept_m3 * case.air_pa / (GAS_CONSTANT_J_PER_KG_K * case.air_k)
    shut = _by_case((grid.exhaust_mm2[::2] <= 0) & (grid.transfer_mm2[::2] <= 0))
    rising = shut & (deg[:, None] > 180)
    # the first node at which all is shut on the way up; the last of all if that never comes
    last = np.where(rising.any(axis=0), np.argmax(rising, axis=0), len(deg) - 1)
    trapped = np.take_along_axis(traces[:, CYL_FRESH], np.broadcast_to(last, (1, state.shape[1])), axis=0)[0]
    delivered = state[DELIVERED_KG]
    opens = np.broadcast_to(np.asarray(grid.transfer_opens_deg, np.float64), (1, state.shape[1]))
    at = np.argmin(np.abs(deg[:, None] - np.nan_to_num(opens)), axis=0)[None]
    residual = np.take_along_axis(cylinder_pa - case_pa, at, axis=0)[0]
    residual = np.where(np.isfinite(opens[0]), residual, np.nan)
    kept = (state[CASE_KG] + state[CYL_KG]) - (before[CASE_KG] + before[CYL_KG])
    mass_miss = kept - (state[INTAKE_KG] - state[EXHAUST_KG])
    stored = (state[CASE_J] + state[CYL_J]) - (before[CASE_J] + before[CYL_J])
    flowed = state[INTAKE_J] - state[EXHAUST_J] + state[HEAT_J] - state[LOSS_J]
    energy_miss = stored - (flowed - state[WORK_CYL_J] - state[WORK_CASE_J])
    through = np.maximum(delivered + state[BACK_KG], 1e-12)
    return Breath(
        deg=deg,
        cylinder_pa=cylinder_pa,
        case_pa=case_pa,
        cylinder_k=kelvin,
        fresh_share=traces[:, CYL_FRESH] / mass,
        cycles=cycles,
        left_moving=moving,
        delivery_ratio=delivered / full,
        trapped_ratio=trapped / full,
        trapped_kg=trapped,
        trapping=trapped / np.maximum(delivered, 1e-12),
        residual_pa=residual,
        back_share=state[BACK_KG] / through,
        work_j=state[WORK_CYL_J] + state[WORK_CASE_J],
        mass_balance=float((np.abs(mass_miss) / full).max()),
        energy_balance=float(
            (np.abs(energy_miss) / (np.abs(state[HEAT_J]) + np.abs(state[INTAKE_J]) + 1e-9)).max()
        ),
    )
