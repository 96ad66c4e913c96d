"""Filling and emptying of case and cylinder through the exact opened areas, to cyclic steady state.

Two volumes with one pressure and temperature each, joined by the transfers; the case drinks from the air
through the intake, the cylinder empties into a muffler of constant pressure and temperature. Compressible
orifice flow, both ways, choked or not, with discharge coefficients. Ideal gas with one ratio of specific
heats. Fresh and burned gas are kept apart by mass: what leaves the cylinder is a stated blend of perfect
mixing and perfect displacement. Heat by a Wiebe function, losses by Hohenberg's formula.

**What it is not**: there are no waves. A tuned pipe, a long intake and their resonances are outside it. It
tells what a change of ports does better than what an engine makes, and no power is promised.

Units here are SI (Pa, K, kg, m³, J) but for degrees and mm²; arrays run over cases, such as speeds or draws,
all stepped together (4th-order Runge-Kutta on a grid of crank angles that has every opening and closing on
it). The steady cycle is found by Newton's method on the map from one cycle's start to the next.

Glossary
--------
case of a run
    One column of the arrays: one speed, or one draw of the uncertain inputs.
fresh
    Charge that has not burned.

References
----------
.. [1] Heywood, Internal Combustion Engine Fundamentals, 1988, app. C (flow), 9.2 (Wiebe function); from
   memory.
.. [2] G. F. Hohenberg, SAE 790825, 1979 (heat transfer); from memory.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from portmap.atmosphere import GAS_CONSTANT_J_PER_KG_K
from portmap.errors import QuantityError
from portmap.gas_grid import NEARLY_EQUAL, GasError, Grid

__all__ = ["Breath", "GasInputs", "breathed", "rates"]

Floats = NDArray[np.float64]
Place = tuple[float | Floats, ...]

SETTLED = 1e-5  # greatest relative change of the state from one cycle to the next
MOST_CYCLES = 80
_PLAIN_CYCLES = 2  # before the first is compared with its like
_SLOW = 0.3  # a cycle that leaves more than this of the miss asks for a new slope
_NUDGE = 1e-4
_WIEBE_A, _WIEBE_M = 6.908, 2.0  # 99.9 % burned at the end

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
_ROWS = 17


@dataclass(frozen=True, kw_only=True, slots=True)
class GasInputs:
    """What the model leans on beside the ports; each a figure or an array over the cases.

    Parameters
    ----------
    rpm : array_like
        Crank speed [rev/min].
    air_pa, air_k : array_like
        Outside.
    exhaust_pa, exhaust_k : array_like
        In the muffler.
    discharge_intake, discharge_transfer, discharge_exhaust : array_like
        Share of the ideal flow that passes [-].
    displacement : array_like
        0 for perfect mixing, 1 for perfect displacement [-].
    heat_j_per_kg : array_like
        Of fresh charge.
    burn_start_deg, burn_span_deg : array_like
        Before TDC; length.
    wall_k : array_like
        Of the cylinder.
    heat_loss : array_like
        Over what the formula gives [-]; 0 for none.
    gamma : array_like
        Ratio of the specific heats [-].
    """

    rpm: ArrayLike
    air_pa: ArrayLike = 101_325.0
    air_k: ArrayLike = 293.15
    exhaust_pa: ArrayLike = 111_457.5
    exhaust_k: ArrayLike = 750.0
    discharge_intake: ArrayLike = 0.60
    discharge_transfer: ArrayLike = 0.72
    discharge_exhaust: ArrayLike = 0.75
    displacement: ArrayLike = 0.4
    heat_j_per_kg: ArrayLike = 2.3e6
    burn_start_deg: ArrayLike = 14.0
    burn_span_deg: ArrayLike = 50.0
    wall_k: ArrayLike = 480.0
    heat_loss: ArrayLike = 1.0
    gamma: ArrayLike = 1.34


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
    trapping: Floats
    residual_pa: Floats
    back_share: Floats
    work_j: Floats
    mass_balance: float
    energy_balance: float


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class _Case:
    """Inputs as arrays over the cases, with what follows from them."""

    s_per_deg: Floats
    air_pa: Floats
    air_k: Floats
    exhaust_pa: Floats
    exhaust_k: Floats
    intake: Floats
    transfer: Floats
    exhaust: Floats
    displacement: Floats
    heat: Floats
    start_deg: Floats
    span_deg: Floats
    wall_k: Floats
    loss: Floats
    gamma: Floats
    cv: Floats
    cp: Floats
    critical: Floats
    piston_m_per_s: Floats


def _case_of(inputs: GasInputs, grid: Grid) -> _Case:
    names = list(GasInputs.__slots__)
    arrays = np.broadcast_arrays(*(np.atleast_1d(np.asarray(getattr(inputs, n), np.float64)) for n in names))
    of = dict(zip(names, arrays, strict=True))
    for name, low, high in (
        ("rpm", 0.0, 1e5),
        ("air_pa", 0.0, 1e6),
        ("air_k", 100.0, 400.0),
        ("exhaust_pa", 0.0, 1e6),
        ("exhaust_k", 100.0, 2000.0),
        ("burn_span_deg", 1.0, 200.0),
        ("wall_k", 100.0, 1000.0),
    ):
        if not ((of[name] > low) & (of[name] <= high)).all():
            raise QuantityError(
                f"{of[name].flat[0]:g} makes no sense", where=name, remedy=f"give {low:g} to {high:g}"
            )
    for name in ("discharge_intake", "discharge_transfer", "discharge_exhaust", "displacement"):
        if not ((of[name] >= 0) & (of[name] <= 1)).all():
            raise QuantityError("it must lie from 0 to 1", where=name, remedy="it is a share")
    gamma = of["gamma"]
    if not ((gamma > 1.0) & (gamma < 1.7)).all():
        raise QuantityError("no gas has such a ratio of heats", where="gamma", remedy="air has 1.4")
    cv = GAS_CONSTANT_J_PER_KG_K / (gamma - 1)
    return _Case(
        s_per_deg=1 / (6 * of["rpm"]),
        air_pa=of["air_pa"],
        air_k=of["air_k"],
        exhaust_pa=of["exhaust_pa"],
        exhaust_k=of["exhaust_k"],
        intake=of["discharge_intake"],
        transfer=of["discharge_transfer"],
        exhaust=of["discharge_exhaust"],
        displacement=of["displacement"],
        heat=of["heat_j_per_kg"],
        start_deg=of["burn_start_deg"],
        span_deg=of["burn_span_deg"],
        wall_k=of["wall_k"],
        loss=of["heat_loss"],
        gamma=gamma,
        cv=cv,
        cp=cv + GAS_CONSTANT_J_PER_KG_K,
        critical=(2 / (gamma + 1)) ** (gamma / (gamma - 1)),
        piston_m_per_s=of["rpm"] / 30 * grid.stroke_m,
    )


def _lets_through(area_mm2: float | Floats) -> bool:
    return isinstance(area_mm2, np.ndarray) or area_mm2 > 0


def _flow(
    area_mm2: float | Floats,
    share: Floats,
    one: tuple[Floats, Floats],
    two: tuple[Floats, Floats],
    case: _Case,
) -> Floats:
    """Return the flow from one to two [kg/s], each a pressure and a temperature; minus the other way."""
    forward = one[0] >= two[0]
    high = np.where(forward, one[0], two[0])
    warm = np.where(forward, one[1], two[1])
    ratio = np.where(forward, two[0], one[0]) / high
    g = case.gamma
    near = 1.0 - NEARLY_EQUAL
    held = np.minimum(np.maximum(ratio, case.critical), near)
    root = held ** (1 / g)
    factor = root * np.sqrt(2 * g / (g - 1) * (1 - held / root))
    factor *= np.minimum((1 - ratio) / NEARLY_EQUAL, 1.0)
    flow = share * (area_mm2 * 1e-6) * high / np.sqrt(GAS_CONSTANT_J_PER_KG_K * warm) * factor
    return np.where(forward, flow, -flow)


def rates(state: Floats, place: Place, case: _Case, *, one_way: bool) -> Floats:
    """Return how state and sums change with the crank angle.

    Parameters
    ----------
    state : ndarray of shape (17, N)
        Masses [kg], energies [J] and fresh masses of case and cylinder, then sums.
    place : tuple of float or ndarray of shape (N,)
        Crank angle [deg], areas of intake, transfers, exhaust [mm²], volumes of cylinder and case [m³], slope
        of the cylinder's volume [m³/deg], surface [m²].
    case : inputs as arrays
        From `breathed`.
    one_way : bool
        Whether the intake lets nothing back.

    Returns
    -------
    ndarray of shape (17, N)
        Per degree.
    """
    deg, intake_mm2, transfer_mm2, exhaust_mm2, cylinder_m3, case_m3, slope, surface = place
    found = np.zeros_like(state)
    case_k = state[CASE_J] / (state[CASE_KG] * case.cv)
    case_pa = state[CASE_KG] * GAS_CONSTANT_J_PER_KG_K * case_k / case_m3
    cyl_k = state[CYL_J] / (state[CYL_KG] * case.cv)
    cyl_pa = state[CYL_KG] * GAS_CONSTANT_J_PER_KG_K * cyl_k / cylinder_m3
    if _lets_through(intake_mm2):
        flow = (
            _flow(intake_mm2, case.intake, (case.air_pa, case.air_k), (case_pa, case_k), case)
            * case.s_per_deg
        )
        if one_way:
            flow = np.maximum(flow, 0.0)
        enters = flow > 0
        heat = flow * case.cp * np.where(enters, case.air_k, case_k)
        found[CASE_KG] += flow
        found[CASE_J] += heat
        found[CASE_FRESH] += flow * np.where(enters, 1.0, state[CASE_FRESH] / state[CASE_KG])
        found[INTAKE_KG], found[INTAKE_J] = flow, heat
    share = state[CYL_FRESH] / state[CYL_KG]
    if _lets_through(transfer_mm2):
        flow = _flow(transfer_mm2, case.transfer, (case_pa, case_k), (cyl_pa, cyl_k), case) * case.s_per_deg
        enters = flow > 0
        heat = flow * case.cp * np.where(enters, case_k, cyl_k)
        fresh = flow * np.where(enters, state[CASE_FRESH] / state[CASE_KG], share)
        found[CASE_KG] -= flow
        found[CASE_J] -= heat
        found[CASE_FRESH] -= fresh
        found[CYL_KG] += flow
        found[CYL_J] += heat
        found[CYL_FRESH] += fresh
        found[DELIVERED_KG] = fresh
        found[BACK_KG] = np.maximum(-flow, 0.0)
    if _lets_through(exhaust_mm2):
        outside = (case.exhaust_pa, case.exhaust_k)
        flow = _flow(exhaust_mm2, case.exhaust, (cyl_pa, cyl_k), outside, case) * case.s_per_deg
        leaves = flow > 0
        heat = flow * case.cp * np.where(leaves, cyl_k, case.exhaust_k)
        held = np.clip(share, 0.0, 1.0)
        # perfect mixing lets out what is inside; perfect displacement no fresh gas until all else is gone
        mixed = held * (1 - case.displacement) / np.maximum(1 - case.displacement * held, 1e-12)
        fresh = flow * np.where(leaves, mixed, 0.0)
        found[CYL_KG] -= flow
        found[CYL_J] -= heat
        found[CYL_FRESH] -= fresh
        found[EXHAUST_KG], found[EXHAUST_J], found[LOST_FRESH_KG] = flow, heat, fresh
    into = np.mod(deg + case.start_deg, 360.0)
    burning = into < case.span_deg
    if burning.any():
        # the share of what is left that burns in a degree: minus the slope of Wiebe's logarithm
        part = np.where(burning, into / case.span_deg, 0.0)
        burned = state[CYL_FRESH] * (_WIEBE_A * (_WIEBE_M + 1) * part**_WIEBE_M / case.span_deg)
        burned = np.where(burning & (case.heat > 0), burned, 0.0)
        found[CYL_FRESH] -= burned
        found[CYL_J] += burned * case.heat
        found[HEAT_J] = burned * case.heat
    if (case.loss > 0).any():
        film = 130 * cylinder_m3**-0.06 * (cyl_pa * 1e-5) ** 0.8 * cyl_k**-0.4
        film *= (case.piston_m_per_s + 1.4) ** 0.8
        lost = case.loss * film * surface * (cyl_k - case.wall_k) * case.s_per_deg
        found[CYL_J] -= lost
        found[LOSS_J] = lost
    found[CYL_J] -= cyl_pa * slope
    found[CASE_J] += case_pa * slope
    found[WORK_CYL_J], found[WORK_CASE_J] = cyl_pa * slope, -case_pa * slope
    return found


def _places(grid: Grid) -> list[Place]:
    """Return what `rates` asks of the grid at each of its angles; a port that is shut everywhere is 0.0."""
    columns = (
        grid.deg,
        grid.intake_mm2,
        grid.transfer_mm2,
        grid.exhaust_mm2,
        grid.cylinder_m3,
        grid.case_m3,
        grid.slope_m3_per_deg,
        grid.surface_m2,
    )
    rows = [
        column.tolist() if column.ndim == 1 else [row if row.any() else 0.0 for row in column]
        for column in columns
    ]
    return list(zip(*rows, strict=True))


def _start(grid: Grid, case: _Case) -> Floats:
    state = np.zeros((_ROWS, len(case.s_per_deg)))
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
        If it does not settle: after how many cycles, and what still moves.
    QuantityError
        If an input makes no sense.

    Examples
    --------
    >>> from portmap.crank import Crank
    >>> from portmap.engine import Engine
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
    case = _case_of(inputs, grid)
    state = _start(grid, case)
    places = _places(grid)
    inverse: Floats | None = None
    moving, before_that = np.inf, np.inf
    for cycle in range(1, most_cycles + 1):
        before = state[:6].copy()
        traces, state = _cycled(grid, case, before, places)
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
        state = np.concatenate([before + step * scale, np.zeros((_ROWS - 6, before.shape[1]))])
        state[CYL_FRESH] = np.clip(state[CYL_FRESH], 0.0, state[CYL_KG])
        state[CASE_FRESH] = np.clip(state[CASE_FRESH], 0.0, state[CASE_KG])
    raise GasError(
        f"not settled after {most_cycles} cycles: the state still moves by {100 * moving:.2g} % a cycle",
        where="gas model",
        remedy="check areas, volumes and pressures",
    )


def _scale(state: Floats) -> Floats:
    """Return what a change of each row is compared with: fresh mass with the whole mass."""
    return np.abs(state[[CASE_KG, CASE_J, CASE_KG, CYL_KG, CYL_J, CYL_KG]])


def _newton_of(
    grid: Grid, case: _Case, before: Floats, after: Floats, scale: Floats, places: list[Place]
) -> Floats:
    """Return (I − J)⁻¹ of one cycle's map for each case, in shares of `scale`, shape (N, 6, 6).

    The six columns of the slope are found by six slightly moved copies of every case, in one cycle.
    """
    count = before.shape[1]
    moved = np.repeat(before[:, None, :], 6, axis=1)
    for row in range(6):
        moved[row, row] += _NUDGE * scale[row] * (-1.0 if row in (CASE_FRESH, CYL_FRESH) else 1.0)
    copies = _Case(**{n: np.tile(getattr(case, n), 6) for n in _Case.__slots__})
    tiled = places
    if grid.exhaust_mm2.ndim > 1:
        tiled = [
            tuple(np.tile(one, 6) if isinstance(one, np.ndarray) else one for one in row) for row in places
        ]
    _, ends = _cycled(grid, copies, moved.reshape(6, -1), tiled)
    ends = ends[:6].reshape(6, 6, count)
    slope = (ends - after[:, None, :]) / scale[:, None, :] / _NUDGE
    slope[:, [CASE_FRESH, CYL_FRESH]] *= -1.0
    matrix = np.eye(6) - slope.transpose(2, 0, 1)
    return np.asarray(np.linalg.inv(matrix))


def _cycled(grid: Grid, case: _Case, start: Floats, places: list[Place]) -> tuple[Floats, Floats]:
    """Return a cycle's states at the nodes, shape (M + 1, 6, N), and its end with the sums, shape (17, N)."""
    steps = np.diff(grid.deg[::2])
    state = np.concatenate([start, np.zeros((_ROWS - 6, start.shape[1]))])
    traces = np.empty((len(steps) + 1, *start.shape))
    traces[0] = start
    for number, step in enumerate(steps.tolist()):
        here, middle, there = places[2 * number : 2 * number + 3]
        first = rates(state, here, case, one_way=grid.one_way)
        second = rates(state + (step / 2) * first, middle, case, one_way=grid.one_way)
        third = rates(state + (step / 2) * second, middle, case, one_way=grid.one_way)
        fourth = rates(state + step * third, there, case, one_way=grid.one_way)
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
    grid: Grid, case: _Case, traces: Floats, state: Floats, before: Floats, cycles: int, moving: float
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
        trapping=trapped / np.maximum(delivered, 1e-12),
        residual_pa=residual,
        back_share=state[BACK_KG] / through,
        work_j=state[WORK_CYL_J] + state[WORK_CASE_J],
        mass_balance=float((np.abs(mass_miss) / full).max()),
        energy_balance=float(
            (np.abs(energy_miss) / (np.abs(state[HEAT_J]) + np.abs(state[INTAKE_J]) + 1e-9)).max()
        ),
    )
