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
from portmap.intake_valve import (
    IntakeValve,
    ReedIntake,
    RotaryIntake,
    rotary_area_mm2,
    rotary_events_deg,
)
from portmap.port import Port, PortMap
from portmap.ratio import usual_case_cm3
from portmap.timing import port_timing
from portmap.volume import swept_volume_cm3
from portmap.window import opened_area

__all__ = ["NEARLY_EQUAL", "GasError", "Grid", "grid_of", "shared_grid"]

Floats = NDArray[np.float64]

NEARLY_EQUAL = (
    0.002  # of the pressure: below this difference the flow is taken linear in it, as creeping flow is
)
STEP_OPEN_DEG, STEP_CLOSED_DEG = 1.5, 2.0
MOST_STEPS = 8000  # of a turn; a run of many lasts a minute
LOOK_DEG = 1.0  # between places where the stable step is looked up
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
    reed : ReedIntake or None
        Valve of the intake, which then has no area by the crank.
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
    reed: ReedIntake | None


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
        Area of a reed valve that opens at once, instead of any other intake [mm²]. Without it, a valve of
        the engine's own goes before windows in the wall.
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
        If a volume is not known, nothing lets gas in or out, or the speed is too low for the steps it needs.

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
    columns, shared = _columns([side], lowest_rpm, step_deg)
    opens = _first_opening(side)
    return Grid(
        **shared,
        **{name: column[:, 0] for name, column in columns.items()},
        stroke_m=engine.crank.stroke_mm / 1000,
        swept_m3=swept_volume_cm3(engine) * 1e-6,
        transfer_opens_deg=None if math.isnan(opens) else opens,
        reed=side.reed,
    )


def shared_grid(builds: Sequence[tuple[Engine, PortMap]], *, lowest_rpm: float = 6000.0) -> Grid:
    """Return one grid for several builds of the same engine, to be stepped together.

    Parameters
    ----------
    builds : sequence of (Engine, PortMap)
        Of one bore, crank and intake valve; at least one.
    lowest_rpm : float, optional
        As in `grid_of`.

    Returns
    -------
    Grid
        One case for each build.

    Raises
    ------
    GasError
        As `grid_of`, or if the builds differ in bore, crank or intake valve.

    Examples
    --------
    >>> shared_grid([])
    Traceback (most recent call last):
    portmap.gas_grid.GasError: gas model: the builds are not of one bore, crank and valve; run ...
    """
    if len({(engine.bore_mm, engine.crank, engine.intake) for engine, _ in builds}) != 1:
        raise GasError(
            "the builds are not of one bore, crank and valve", where="gas model", remedy="run them one by one"
        )
    sides = [_side(engine, port_map, None, None) for engine, port_map in builds]
    columns, shared = _columns(sides, lowest_rpm, None)
    engine = builds[0][0]
    return Grid(
        **shared,
        **columns,
        stroke_m=engine.crank.stroke_mm / 1000,
        swept_m3=swept_volume_cm3(engine) * 1e-6,
        transfer_opens_deg=tuple(_first_opening(side) for side in sides),
        reed=sides[0].reed,
    )


@dataclass(frozen=True, kw_only=True, slots=True)
class _Side:
    """An engine and its ports by what they join."""

    engine: Engine
    ports: dict[str, list[Port]]
    head_m3: float
    case_m3: float
    valve: IntakeValve | None

    @property
    def reed(self) -> ReedIntake | None:
        return self.valve if isinstance(self.valve, ReedIntake) else None

    def areas(self, name: str, deg: Floats) -> Floats:
        if name == "intake" and self.valve is not None:
            if isinstance(self.valve, RotaryIntake):
                return rotary_area_mm2(self.valve, deg)
            return np.zeros_like(deg)
        found = np.zeros_like(deg)
        for port in self.ports[name]:
            found += opened_area(self.engine, port, deg)
        return found

    def largest_intake(self, deg: Floats) -> Floats:
        if self.reed is not None:
            return np.full_like(deg, self.reed.opened_pa_mm2[-1][1])
        return self.areas("intake", deg)

    def events(self) -> list[float]:
        found = [
            end % 360
            for port in self.timed()
            for opening in port_timing(self.engine, port).openings
            for end in (opening.opens_deg, opening.closes_deg)
        ]
        return [*found, *(rotary_events_deg(self.valve) if isinstance(self.valve, RotaryIntake) else ())]

    def is_open(self, deg: Floats) -> NDArray[np.bool_]:
        found = sum((opened_area(self.engine, port, deg) for port in self.timed()), np.zeros_like(deg))
        if self.valve is not None:
            found += self.largest_intake(deg)
        return np.asarray(found > 0)

    def timed(self) -> list[Port]:
        return [
            port
            for name, ports in self.ports.items()
            if name != "intake" or self.valve is None
            for port in ports
        ]


def _side(engine: Engine, port_map: PortMap, case_cm3: float | None, reed_mm2: float | None) -> _Side:
    head = engine.head_volume_cm3
    valve = engine.intake if reed_mm2 is None else ReedIntake(opened_pa_mm2=((0.0, reed_mm2),))
    case = engine.case_volume_cm3 if case_cm3 is None else case_cm3
    if head is None:
        raise GasError(
            "the head's volume is not known",
            where="engine.head_volume_cm3",
            remedy="fill it from a burette, piston at TDC",
        )
    if case is None:
        low, high = usual_case_cm3(swept_volume_cm3(engine))
        raise GasError(
            "the case's volume is not known",
            where="engine.case_volume_cm3",
            remedy="fill it with oil from a burette, piston at TDC, or let it be assumed: --assume-case takes"
            f" a usual one, of {low:.0f} to {high:.0f} cm³, and says so",
        )
    ports = {name: [p for p in port_map.ports if p.kind in of] for name, of in _KINDS.items()}
    for name in ("exhaust", "transfer"):
        if not ports[name]:
            raise GasError(f"the map has no {name} port", where="maps", remedy="trace it, or assign it")
    if not ports["intake"] and valve is None:
        raise GasError(
            "nothing lets air into the case",
            where="maps",
            remedy="trace the intake, or give a valve's areas in the job's engine.intake; portmap breathe"
            " takes a reed's area too: --reed",
        )
    swept = swept_volume_cm3(engine) * 1e-6
    if not case * 1e-6 > swept:
        raise GasError(
            f"a case of {case:g} cm³ is smaller than the swept volume of {swept * 1e6:.1f} cm³",
            where="engine.case_volume_cm3",
            remedy="measure it with the piston at TDC",
        )
    return _Side(engine=engine, ports=ports, head_m3=head * 1e-6, case_m3=case * 1e-6, valve=valve)


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
) -> tuple[dict[str, Floats], dict[str, Floats]]:
    """Return a grid's columns: those with an entry for each side along a second axis, and those all share."""
    engine = sides[0].engine
    slice_m2 = math.pi * (engine.bore_mm / 2000) ** 2
    deg = _angles(sides, slice_m2, lowest_rpm, step_deg)
    depth = piston_depth(engine.crank, deg) / 1000
    columns = {f"{name}_mm2": [side.areas(name, deg) for side in sides] for name in _KINDS}
    columns |= {
        "cylinder_m3": [side.head_m3 + slice_m2 * depth for side in sides],
        "case_m3": [side.case_m3 - slice_m2 * depth for side in sides],
    }
    shared = {
        "deg": deg,
        "slope_m3_per_deg": slice_m2 * depth_per_degree(engine.crank, deg) / 1000,
        "surface_m2": 2 * slice_m2 + math.pi * engine.bore_mm / 1000 * depth,
    }
    return {name: np.stack(of, axis=1) for name, of in columns.items()}, shared


def _stable_s(side: _Side, slice_m2: float, deg: Floats) -> Floats:
    """Return the longest step in which creeping flow out of a volume does not overshoot, at each angle [s].

    Near equal pressures the flow is C·A·√(2/ε)·Δp/√(RT), so that Δp falls as exp(−λ t) with
    λ = C·A·γ·√(2·RT/ε)/V; Runge-Kutta of 4th order is stable to λ·t = 2.78.
    """
    displaced = slice_m2 * piston_depth(side.engine.crank, deg) / 1000
    transfer = side.areas("transfer", deg)
    rate = np.full_like(deg, 1e-9)
    for area_mm2, volume_m3, kelvin in (
        (side.areas("exhaust", deg) + transfer, side.head_m3 + displaced, _HOT_K),
        (side.largest_intake(deg) + transfer, side.case_m3 - displaced, _WARM_K),
    ):
        speed = 1.4 * math.sqrt(2 * GAS_CONSTANT_J_PER_KG_K * kelvin / NEARLY_EQUAL)
        rate = np.maximum(rate, area_mm2 * 1e-6 * speed / volume_m3)
    return np.asarray(0.8 * 2.78 / rate)


def _events(sides: Sequence[_Side]) -> Floats:
    """Return where anything opens or closes, 0 and 360 among them."""
    found = [0.0, 360.0, *(deg for side in sides for deg in side.events())]
    return np.unique(np.round(found, 9))


def _angles(sides: Sequence[_Side], slice_m2: float, lowest_rpm: float, step_deg: float | None) -> Floats:
    """Return nodes and middles: every event a node, between them steps as long as is stable there."""
    events = _events(sides)
    middles = (events[:-1] + events[1:]) / 2
    is_open = np.any([side.is_open(middles) for side in sides], axis=0)
    burning = (middles < 60) | (middles > 330)
    longest = np.where(is_open | burning, STEP_OPEN_DEG, STEP_CLOSED_DEG)
    fine = [
        np.linspace(low, high, max(2, math.ceil((high - low) / LOOK_DEG)) + 1)
        for low, high in pairwise(events.tolist())
    ]
    ends = np.cumsum([len(places) for places in fine])[:-1]
    if step_deg is None:
        looked = np.concatenate(fine)
        stable = np.min([_stable_s(side, slice_m2, looked) for side in sides], axis=0) * (6 * lowest_rpm)
        steps = [np.minimum(*pair) for pair in zip(np.split(stable, ends), longest, strict=True)]
    else:
        longest = np.where(is_open, np.minimum(longest, step_deg), longest)
        steps = [np.full_like(places, most) for places, most in zip(fine, longest.tolist(), strict=True)]
    stretches = []
    for places, each in zip(fine, steps, strict=True):
        # nodes lie evenly along the count of steps, so that no step is longer than what holds at its place
        counts = np.diff(places) * (1 / each[:-1] + 1 / each[1:]) / 2
        stretches.append((places, np.concatenate([[0.0], np.cumsum(counts)])))
    total = sum(float(passed[-1]) for _, passed in stretches)
    if step_deg is None and total > MOST_STEPS:
        least = math.ceil(lowest_rpm * total / MOST_STEPS / 50) * 50
        raise GasError(
            f"at {lowest_rpm:g} rpm a turn lasts too long for a model that heeds each moment of it"
            f" ({total:.3g} steps)",
            where="gas model",
            remedy=f"give at least {least} rpm",
        )
    nodes = [
        np.interp(
            np.linspace(0, passed[-1], max(1, math.ceil(passed[-1] - 1e-9)), endpoint=False), passed, places
        )
        for places, passed in stretches
    ]
    points = np.concatenate([*nodes, [360.0]])
    found = np.empty(2 * len(points) - 1)
    found[::2], found[1::2] = points, (points[:-1] + points[1:]) / 2
    return found
