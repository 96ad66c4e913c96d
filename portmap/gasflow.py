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

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import ArrayLike, NDArray

from portmap.atmosphere import GAS_CONSTANT_J_PER_KG_K
from portmap.crank import depth_per_degree, piston_depth
from portmap.engine import Engine
from portmap.errors import PortmapError, QuantityError
from portmap.port import Port, PortMap
from portmap.timing import port_timing
from portmap.volume import swept_volume_cm3
from portmap.window import opened_area

__all__ = ["Breath", "GasError", "GasInputs", "Grid", "breathed", "grid_of", "rates"]

Floats = NDArray[np.float64]

STEP_OPEN_DEG, STEP_CLOSED_DEG = 1.5, 2.0
_HOT_K, _WARM_K = 900.0, 350.0  # about what cylinder and case hold while ports are open
SETTLED = 1e-5  # greatest relative change of the state from one cycle to the next
MOST_CYCLES = 80
_PLAIN_CYCLES = 2  # before the first is compared with its like
_SLOW = 0.3  # a cycle that leaves more than this of the miss asks for a new slope
_NUDGE = 1e-4
_NEARLY_EQUAL = (
    0.002  # of the pressure: below this difference the flow is taken linear in it, as creeping flow is
)
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


class GasError(PortmapError, ValueError):
    """The gas model cannot be run, or does not settle."""


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
class Grid:
    """The engine at the crank angles that the stepper visits: nodes, and the middles between them.

    Parameters
    ----------
    deg : ndarray of shape (2M + 1,)
        From 0 to 360 after true TDC; every other one is a node.
    intake_mm2, transfer_mm2, exhaust_mm2 : ndarray of shape (2M + 1,)
        Opened areas.
    cylinder_m3, case_m3 : ndarray of shape (2M + 1,)
        Volumes.
    slope_m3_per_deg : ndarray of shape (2M + 1,)
        Of the cylinder's volume; the case's is its negative.
    surface_m2 : ndarray of shape (2M + 1,)
        Of the cylinder's walls, head and crown.
    stroke_m, swept_m3 : float
    transfer_opens_deg : float or None
        First of them.
    one_way : bool
        Whether the intake lets nothing back, as a reed.
    """

    deg: Floats
    intake_mm2: Floats
    transfer_mm2: Floats
    exhaust_mm2: Floats
    cylinder_m3: Floats
    case_m3: Floats
    slope_m3_per_deg: Floats
    surface_m2: Floats
    stroke_m: float
    swept_m3: float
    transfer_opens_deg: float | None
    one_way: bool


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


def grid_of(
    engine: Engine,
    port_map: PortMap,
    *,
    case_volume_cm3: float | None = None,
    reed_mm2: float | None = None,
    lowest_rpm: float = 6000.0,
    step_deg: float | None = None,
) -> Grid:
    """Return the engine at the crank angles to be visited.

    Parameters
    ----------
    engine : Engine
        With its head volume.
    port_map : PortMap
    case_volume_cm3 : float or None, optional
        With the piston at TDC; None takes the engine's.
    reed_mm2 : float or None, optional
        Area of a reed valve, instead of intake ports [mm²].
    lowest_rpm : float, optional
        The slowest speed that the grid is to serve [rev/min].
    step_deg : float or None, optional
        Largest step while anything is open [deg]; None takes what is stable at that speed.

    Returns
    -------
    Grid

    Raises
    ------
    GasError
        If a volume is not known, or nothing lets gas in or out.

    Examples
    --------
    >>> from portmap.crank import Crank
    >>> from portmap.port import Window, window_polygon
    >>> engine = Engine(bore_mm=46, crank=Crank(stroke_mm=32, rod_mm=58), crown_height_mm=61,
    ...                 head_volume_cm3=6.1, case_volume_cm3=200)
    >>> def port(kind, x, roof):
    ...     shape = window_polygon([[x - 8, 29], [x + 8, 29], [x + 8, roof], [x - 8, roof]])
    ...     return Port(id=kind, kind=kind, control="crown", windows=(Window(outline=shape),))
    >>> ports = PortMap(stage="stock", ports=(port("exhaust", 0, 39.4), port("transfer", 36, 35.5)))
    >>> grid_of(engine, ports, reed_mm2=150).exhaust_mm2.max().round(1)
    np.float64(166.4)
    """
    head = engine.head_volume_cm3
    case = engine.case_volume_cm3 if case_volume_cm3 is None else case_volume_cm3
    if head is None:
        raise GasError(
            "the head's volume is not known",
            where="engine.head_volume_cm3",
            remedy="fill it from a burette, piston at TDC",
        )
    if case is None:
        raise GasError(
            "the case's volume is not known",
            where="engine.case_volume_cm3",
            remedy="fill it with oil from a burette, piston at TDC, or let it be assumed: --assume-case",
        )
    kinds = {"intake": ("intake",), "transfer": ("transfer", "boost"), "exhaust": ("exhaust",)}
    ports = {name: [p for p in port_map.ports if p.kind in of] for name, of in kinds.items()}
    for name in ("exhaust", "transfer"):
        if not ports[name]:
            raise GasError(f"the map has no {name} port", where="maps", remedy="trace it, or assign it")
    if not ports["intake"] and reed_mm2 is None:
        raise GasError(
            "nothing lets air into the case", where="maps", remedy="trace the intake, or give a reed: --reed"
        )
    every = [*ports["transfer"], *ports["exhaust"], *(ports["intake"] if reed_mm2 is None else [])]
    slice_m2 = math.pi * (engine.bore_mm / 2000) ** 2

    def areas(of: Sequence[Port], deg: Floats) -> Floats:
        found = np.zeros_like(deg)
        for port in of:
            found += opened_area(engine, port, deg)
        return found

    if step_deg is None:
        coarse = np.arange(0.0, 360.0, 5.0)
        depth = piston_depth(engine.crank, coarse) / 1000
        stiff = [
            (
                areas(ports["exhaust"], coarse) + areas(ports["transfer"], coarse),
                head * 1e-6 + slice_m2 * depth,
                _HOT_K,
            ),
            (
                areas(ports["transfer"], coarse)
                + (areas(ports["intake"], coarse) if reed_mm2 is None else reed_mm2),
                case * 1e-6 - slice_m2 * depth,
                _WARM_K,
            ),
        ]
        step_deg = min(STEP_OPEN_DEG, min(_stable_s(*of) for of in stiff) * 6 * lowest_rpm)
    deg = _angles(_events(engine, every), every, engine, step_deg)
    depth, slope = piston_depth(engine.crank, deg), depth_per_degree(engine.crank, deg)
    swept = swept_volume_cm3(engine) * 1e-6
    if not case * 1e-6 > swept:
        raise GasError(
            f"a case of {case:g} cm³ is smaller than the swept volume of {swept * 1e6:.1f} cm³",
            where="engine.case_volume_cm3",
            remedy="measure it with the piston at TDC",
        )
    opens = [
        opening.opens_deg for port in ports["transfer"] for opening in port_timing(engine, port).openings
    ]
    return Grid(
        deg=deg,
        intake_mm2=areas(ports["intake"], deg) if reed_mm2 is None else np.full_like(deg, reed_mm2),
        transfer_mm2=areas(ports["transfer"], deg),
        exhaust_mm2=areas(ports["exhaust"], deg),
        cylinder_m3=head * 1e-6 + slice_m2 * depth / 1000,
        case_m3=case * 1e-6 - slice_m2 * depth / 1000,
        slope_m3_per_deg=slice_m2 * slope / 1000,
        surface_m2=2 * slice_m2 + math.pi * engine.bore_mm / 1000 * depth / 1000,
        stroke_m=engine.crank.stroke_mm / 1000,
        swept_m3=swept,
        transfer_opens_deg=min(opens, default=None),
        one_way=reed_mm2 is not None,
    )


def _stable_s(area_mm2: Floats, volume_m3: Floats, kelvin: float) -> float:
    """Return the longest step in which creeping flow out of a volume does not overshoot [s].

    Near equal pressures the flow is C·A·√(2/ε)·Δp/√(RT), so that Δp falls as exp(−λ t) with
    λ = C·A·γ·√(2·RT/ε)/V; Runge-Kutta of 4th order is stable to λ·t = 2.78.
    """
    rate = area_mm2 * 1e-6 * 1.4 * math.sqrt(2 * GAS_CONSTANT_J_PER_KG_K * kelvin / _NEARLY_EQUAL) / volume_m3
    return float(0.8 * 2.78 / rate.max()) if rate.max() > 0 else math.inf


def _events(engine: Engine, ports: Sequence[Port]) -> Floats:
    """Return where anything opens or closes, 0 and 360 among them."""
    found = [0.0, 360.0]
    for port in ports:
        for opening in port_timing(engine, port).openings:
            found += [opening.opens_deg % 360, opening.closes_deg % 360]
    return np.unique(np.round(found, 9))


def _angles(events: Floats, ports: Sequence[Port], engine: Engine, step_deg: float) -> Floats:
    """Return nodes and middles: every event a node, steps finer where something is open."""
    nodes: list[Floats] = []
    for low, high in pairwise(events.tolist()):
        middle = (low + high) / 2
        is_open = any(float(opened_area(engine, port, middle)) > 0 for port in ports)
        burning = middle < 60 or middle > 330
        step = step_deg if is_open else STEP_OPEN_DEG if burning else STEP_CLOSED_DEG
        count = max(1, math.ceil((high - low) / step - 1e-9))
        nodes.append(np.linspace(low, high, count, endpoint=False))
    points = np.concatenate([*nodes, [360.0]])
    found = np.empty(2 * len(points) - 1)
    found[::2], found[1::2] = points, (points[:-1] + points[1:]) / 2
    return found


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


def _flow(
    area_mm2: float, share: Floats, one: tuple[Floats, Floats], two: tuple[Floats, Floats], case: _Case
) -> Floats:
    """Return the flow from one to two [kg/s], each a pressure and a temperature; minus the other way."""
    forward = one[0] >= two[0]
    high = np.where(forward, one[0], two[0])
    warm = np.where(forward, one[1], two[1])
    ratio = np.where(forward, two[0], one[0]) / high
    g = case.gamma
    near = 1.0 - _NEARLY_EQUAL
    held = np.minimum(np.maximum(ratio, case.critical), near)
    root = held ** (1 / g)
    factor = root * np.sqrt(2 * g / (g - 1) * (1 - held / root))
    factor *= np.minimum((1 - ratio) / _NEARLY_EQUAL, 1.0)
    flow = share * (area_mm2 * 1e-6) * high / np.sqrt(GAS_CONSTANT_J_PER_KG_K * warm) * factor
    return np.where(forward, flow, -flow)


def rates(state: Floats, place: tuple[float, ...], case: _Case, *, one_way: bool) -> Floats:
    """Return how state and sums change with the crank angle.

    Parameters
    ----------
    state : ndarray of shape (17, N)
        Masses [kg], energies [J] and fresh masses of case and cylinder, then sums.
    place : tuple of float
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
    if intake_mm2 > 0:
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
    if transfer_mm2 > 0:
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
    if exhaust_mm2 > 0:
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


def _places(grid: Grid) -> list[tuple[float, ...]]:
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
    return [tuple(row) for row in np.stack(columns, axis=1).tolist()]


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
        From `grid_of`.
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
    >>> from portmap.port import Window, window_polygon
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
    inverse: Floats | None = None
    moving, before_that = np.inf, np.inf
    for cycle in range(1, most_cycles + 1):
        before = state[:6].copy()
        traces, state = _cycled(grid, case, before)
        scale = _scale(before)
        miss = state[:6] - before
        before_that, moving = moving, float((np.abs(miss) / scale).max())
        if moving <= settled:
            return _breath(grid, case, traces, state, before, cycle, moving)
        if cycle < _PLAIN_CYCLES:
            continue
        if inverse is None or moving > _SLOW * before_that:
            inverse = _newton_of(grid, case, before, state[:6], scale)
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


def _newton_of(grid: Grid, case: _Case, before: Floats, after: Floats, scale: Floats) -> Floats:
    """Return (I − J)⁻¹ of one cycle's map for each case, in shares of `scale`, shape (N, 6, 6).

    The six columns of the slope are found by six slightly moved copies of every case, in one cycle.
    """
    count = before.shape[1]
    moved = np.repeat(before[:, None, :], 6, axis=1)
    for row in range(6):
        moved[row, row] += _NUDGE * scale[row] * (-1.0 if row in (CASE_FRESH, CYL_FRESH) else 1.0)
    copies = _Case(**{n: np.tile(getattr(case, n), 6) for n in _Case.__slots__})
    _, ends = _cycled(grid, copies, moved.reshape(6, -1))
    ends = ends[:6].reshape(6, 6, count)
    slope = (ends - after[:, None, :]) / scale[:, None, :] / _NUDGE
    slope[:, [CASE_FRESH, CYL_FRESH]] *= -1.0
    matrix = np.eye(6) - slope.transpose(2, 0, 1)
    return np.asarray(np.linalg.inv(matrix))


def _cycled(grid: Grid, case: _Case, start: Floats) -> tuple[Floats, Floats]:
    """Return a cycle's states at the nodes, shape (M + 1, 6, N), and its end with the sums, shape (17, N)."""
    places, steps = _places(grid), np.diff(grid.deg[::2])
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


def _breath(
    grid: Grid, case: _Case, traces: Floats, state: Floats, before: Floats, cycles: int, moving: float
) -> Breath:
    deg = grid.deg[::2]
    mass, energy = traces[:, CYL_KG], traces[:, CYL_J]
    kelvin = energy / (mass * case.cv)
    cylinder_pa = mass * GAS_CONSTANT_J_PER_KG_K * kelvin / grid.cylinder_m3[::2, None]
    case_pa = traces[:, CASE_J] * (case.gamma - 1) / grid.case_m3[::2, None]
    full = grid.swept_m3 * case.air_pa / (GAS_CONSTANT_J_PER_KG_K * case.air_k)
    closed = (grid.exhaust_mm2[::2] <= 0) & (grid.transfer_mm2[::2] <= 0)
    rising = np.flatnonzero(closed & (deg > 180))
    last = int(rising[0]) if len(rising) else len(deg) - 1
    delivered = state[DELIVERED_KG]
    residual = np.full(state.shape[1], np.nan)
    if grid.transfer_opens_deg is not None:
        at = int(np.argmin(np.abs(deg - grid.transfer_opens_deg)))
        residual = cylinder_pa[at] - case_pa[at]
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
        trapped_ratio=traces[last, CYL_FRESH] / full,
        trapping=traces[last, CYL_FRESH] / np.maximum(delivered, 1e-12),
        residual_pa=residual,
        back_share=state[BACK_KG] / through,
        work_j=state[WORK_CYL_J] + state[WORK_CASE_J],
        mass_balance=float((np.abs(mass_miss) / full).max()),
        energy_balance=float(
            (np.abs(energy_miss) / (np.abs(state[HEAT_J]) + np.abs(state[INTAKE_J]) + 1e-9)).max()
        ),
    )
