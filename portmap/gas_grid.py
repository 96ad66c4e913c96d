"""An engine at the crank angles that the gas model's stepper visits: opened areas and volumes.

Every opening and closing is a node of the grid, so that nothing begins inside a step. Several builds of one
engine can share a grid; it then has the openings of them all.

Units are SI but for degrees and mm².
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from portmap.atmosphere import GAS_CONSTANT_J_PER_KG_K
from portmap.crank import depth_per_degree, piston_depth
from portmap.engine import Engine
from portmap.errors import PortmapError
from portmap.port import Port, PortMap
from portmap.timing import port_timing
from portmap.volume import swept_volume_cm3
from portmap.window import opened_area

__all__ = ["NEARLY_EQUAL", "GasError", "Grid", "grid_of", "shared_grid"]

Floats = NDArray[np.float64]

NEARLY_EQUAL = (
    0.002  # of the pressure: below this difference the flow is taken linear in it, as creeping flow is
)
STEP_OPEN_DEG, STEP_CLOSED_DEG = 1.5, 2.0
_HOT_K, _WARM_K = 900.0, 350.0  # about what cylinder and case hold while ports are open
_KINDS = {"intake": ("intake",), "transfer": ("transfer", "boost"), "exhaust": ("exhaust",)}


class GasError(PortmapError, ValueError):
    """The gas model cannot be run, or does not settle."""


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Grid:
    """The engine at the crank angles that the stepper visits: nodes, and the middles between them.

    The columns of a grid that several builds share have a second axis, one entry for each build.

    Parameters
    ----------
    deg : ndarray of shape (2M + 1,)
        From 0 to 360 after true TDC; every other one is a node.
    intake_mm2, transfer_mm2, exhaust_mm2 : ndarray of shape (2M + 1,) or (2M + 1, N)
        Opened areas.
    cylinder_m3, case_m3 : ndarray of shape (2M + 1,) or (2M + 1, N)
        Volumes.
    slope_m3_per_deg : ndarray of shape (2M + 1,)
        Of the cylinder's volume; the case's is its negative.
    surface_m2 : ndarray of shape (2M + 1,)
        Of the cylinder's walls, head and crown.
    stroke_m, swept_m3 : float
    transfer_opens_deg : float, tuple of float, or None
        First of them; one for each build.
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
    transfer_opens_deg: float | tuple[float, ...] | None
    one_way: bool


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
    side = _side(engine, port_map, case_volume_cm3, reed_mm2)
    columns, deg = _columns([side], lowest_rpm, step_deg)
    opens = _first_opening(side)
    return Grid(
        deg=deg,
        **{name: column[:, 0] for name, column in columns.items()},
        stroke_m=engine.crank.stroke_mm / 1000,
        swept_m3=swept_volume_cm3(engine) * 1e-6,
        transfer_opens_deg=None if math.isnan(opens) else opens,
        one_way=reed_mm2 is not None,
    )


def shared_grid(builds: Sequence[tuple[Engine, PortMap]], *, lowest_rpm: float = 6000.0) -> Grid:
    """Return one grid for several builds of the same engine, to be stepped together.

    Parameters
    ----------
    builds : sequence of (Engine, PortMap)
        Of one bore and one crank; at least one.
    lowest_rpm : float, optional
        As in `grid_of`.

    Returns
    -------
    Grid
        One case for each build.

    Raises
    ------
    GasError
        As `grid_of`, or if the builds differ in bore or crank.

    Examples
    --------
    >>> shared_grid([])
    Traceback (most recent call last):
    portmap.gas_grid.GasError: gas model: the builds are not of one bore and crank; run them one by one
    """
    if len({(engine.bore_mm, engine.crank) for engine, _ in builds}) != 1:
        raise GasError(
            "the builds are not of one bore and crank", where="gas model", remedy="run them one by one"
        )
    sides = [_side(engine, port_map, None, None) for engine, port_map in builds]
    columns, deg = _columns(sides, lowest_rpm, None)
    engine = builds[0][0]
    return Grid(
        deg=deg,
        **columns,
        stroke_m=engine.crank.stroke_mm / 1000,
        swept_m3=swept_volume_cm3(engine) * 1e-6,
        transfer_opens_deg=tuple(_first_opening(side) for side in sides),
        one_way=False,
    )


@dataclass(frozen=True, kw_only=True, slots=True)
class _Side:
    """An engine and its ports by what they join."""

    engine: Engine
    ports: dict[str, list[Port]]
    head_m3: float
    case_m3: float
    reed_mm2: float | None

    def areas(self, name: str, deg: Floats) -> Floats:
        if name == "intake" and self.reed_mm2 is not None:
            return np.full_like(deg, self.reed_mm2)
        found = np.zeros_like(deg)
        for port in self.ports[name]:
            found += opened_area(self.engine, port, deg)
        return found

    def timed(self) -> list[Port]:
        return [
            port
            for name, ports in self.ports.items()
            if name != "intake" or self.reed_mm2 is None
            for port in ports
        ]


def _side(engine: Engine, port_map: PortMap, case_cm3: float | None, reed_mm2: float | None) -> _Side:
    head = engine.head_volume_cm3
    case = engine.case_volume_cm3 if case_cm3 is None else case_cm3
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
    ports = {name: [p for p in port_map.ports if p.kind in of] for name, of in _KINDS.items()}
    for name in ("exhaust", "transfer"):
        if not ports[name]:
            raise GasError(f"the map has no {name} port", where="maps", remedy="trace it, or assign it")
    if not ports["intake"] and reed_mm2 is None:
        raise GasError(
            "nothing lets air into the case",
            where="maps",
            remedy="trace the intake; portmap breathe takes a reed's area instead: --reed",
        )
    swept = swept_volume_cm3(engine) * 1e-6
    if not case * 1e-6 > swept:
        raise GasError(
            f"a case of {case:g} cm³ is smaller than the swept volume of {swept * 1e6:.1f} cm³",
            where="engine.case_volume_cm3",
            remedy="measure it with the piston at TDC",
        )
    return _Side(engine=engine, ports=ports, head_m3=head * 1e-6, case_m3=case * 1e-6, reed_mm2=reed_mm2)


def _first_opening(side: _Side) -> float:
    """Return when the first transfer opens [deg]; NaN if none does."""
    return min(
        (
            opening.opens_deg
            for port in side.ports["transfer"]
            for opening in port_timing(side.engine, port).openings
        ),
        default=math.nan,
    )


def _columns(
    sides: Sequence[_Side], lowest_rpm: float, step_deg: float | None
) -> tuple[dict[str, Floats], Floats]:
    """Return a grid's columns, one entry for each side along the second axis, and its angles."""
    engine = sides[0].engine
    slice_m2 = math.pi * (engine.bore_mm / 2000) ** 2
    if step_deg is None:
        stable = min(_stable_s(side, slice_m2) for side in sides)
        step_deg = min(STEP_OPEN_DEG, stable * 6 * lowest_rpm)
    deg = _angles(sides, step_deg)
    depth = piston_depth(engine.crank, deg) / 1000
    slope = slice_m2 * depth_per_degree(engine.crank, deg) / 1000
    surface = 2 * slice_m2 + math.pi * engine.bore_mm / 1000 * depth
    columns = {f"{name}_mm2": [side.areas(name, deg) for side in sides] for name in _KINDS}
    columns |= {
        "cylinder_m3": [side.head_m3 + slice_m2 * depth for side in sides],
        "case_m3": [side.case_m3 - slice_m2 * depth for side in sides],
        "slope_m3_per_deg": [slope for _ in sides],
        "surface_m2": [surface for _ in sides],
    }
    return {name: np.stack(of, axis=1) for name, of in columns.items()}, deg


def _stable_s(side: _Side, slice_m2: float) -> float:
    """Return the longest step in which creeping flow out of a volume does not overshoot [s].

    Near equal pressures the flow is C·A·√(2/ε)·Δp/√(RT), so that Δp falls as exp(−λ t) with
    λ = C·A·γ·√(2·RT/ε)/V; Runge-Kutta of 4th order is stable to λ·t = 2.78.
    """
    coarse = np.arange(0.0, 360.0, 5.0)
    displaced = slice_m2 * piston_depth(side.engine.crank, coarse) / 1000
    transfer = side.areas("transfer", coarse)
    longest = math.inf
    for area_mm2, volume_m3, kelvin in (
        (side.areas("exhaust", coarse) + transfer, side.head_m3 + displaced, _HOT_K),
        (side.areas("intake", coarse) + transfer, side.case_m3 - displaced, _WARM_K),
    ):
        speed = 1.4 * math.sqrt(2 * GAS_CONSTANT_J_PER_KG_K * kelvin / NEARLY_EQUAL)
        rate = float((area_mm2 * 1e-6 * speed / volume_m3).max())
        longest = min(longest, 0.8 * 2.78 / rate if rate > 0 else math.inf)
    return longest


def _events(sides: Sequence[_Side]) -> Floats:
    """Return where anything opens or closes, 0 and 360 among them."""
    found = [0.0, 360.0]
    for side in sides:
        for port in side.timed():
            for opening in port_timing(side.engine, port).openings:
                found += [opening.opens_deg % 360, opening.closes_deg % 360]
    return np.unique(np.round(found, 9))


def _angles(sides: Sequence[_Side], step_deg: float) -> Floats:
    """Return nodes and middles: every event a node, steps finer where something is open."""
    events = _events(sides)
    middles = (events[:-1] + events[1:]) / 2
    is_open = np.zeros(len(middles), bool)
    for side in sides:
        for port in side.timed():
            is_open |= opened_area(side.engine, port, middles) > 0
    burning = (middles < 60) | (middles > 330)
    steps = np.where(is_open, step_deg, np.where(burning, STEP_OPEN_DEG, STEP_CLOSED_DEG))
    nodes: list[Floats] = []
    for (low, high), step in zip(pairwise(events.tolist()), steps.tolist(), strict=True):
        count = max(1, math.ceil((high - low) / step - 1e-9))
        nodes.append(np.linspace(low, high, count, endpoint=False))
    points = np.concatenate([*nodes, [360.0]])
    found = np.empty(2 * len(points) - 1)
    found[::2], found[1::2] = points, (points[:-1] + points[1:]) / 2
    return found
