"""How a cylinder breathes, as other programs read it: stages side by side, with what the model leans on.

`portmap.gasflow` computes; what it leans on is `portmap.gas_assumptions`'s, how sure its figures are
`portmap.breath_doubt`'s. Here the answers of all stages and speeds are made into a document.

Glossary
--------
residual pressure
    Cylinder over case when the first transfer opens; at 0 or below, the blowdown is done.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Any, TypedDict, Unpack

import numpy as np
from numpy.typing import NDArray

from portmap.breath_doubt import GasDraws, case_drawn, gas_draws, stage_draws
from portmap.engine import Engine
from portmap.errors import Notice, QuantityError
from portmap.gas_assumptions import Assumption, assumptions, gas_inputs
from portmap.gas_grid import Grid, grid_of
from portmap.gasflow import SETTLED, Breath, breathed
from portmap.port import PortMap
from portmap.ratio import usual_case_cm3
from portmap.volume import swept_volume_cm3

__all__ = [
    "NO_WAVES",
    "BreathOptions",
    "BreathRun",
    "TraceDoubt",
    "assumed_case_cm3",
    "breath_document",
    "breath_notices",
    "breath_run",
    "engine_with_case",
]

Floats = NDArray[np.float64]

NO_WAVES = (
    "No waves are in this model: a tuned pipe or a long intake changes the figures. What changes between two"
    " stages is believed more than what is, and no power is promised."
)
ENDS = {
    "muffler": "a muffler whose pressure stays",
    "pipe": "an endless pipe: its pressure rises with what blows into it, and no wave comes back",
}
LARGEST_PIPE_MM = 200.0
_RESULTS = (
    "delivery_ratio",
    "trapped_ratio",
    "trapped_mg",
    "trapping",
    "residual_bar",
    "back_share",
    "work_j",
)


class BreathOptions(TypedDict, total=False):
    """What `breath_run` may be told beside engine, stages and speeds."""

    case_volume_cm3: float | None
    case_range_cm3: tuple[float, float] | None
    reed_mm2: float | None
    pipe_bore_mm: float | None
    among: Sequence[Assumption] | None
    draws: int
    drawn_rpm: Sequence[float] | None
    seed: int
    air_pa: float
    air_k: float
    done: Callable[[float], None] | None


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class TraceDoubt:
    """Standard uncertainties along one turn.

    Parameters
    ----------
    cylinder_pa, case_pa, fresh_share : ndarray of shape (M + 1,)
        At the angles of the stage's `Breath`.
    """

    cylinder_pa: Floats
    case_pa: Floats
    fresh_share: Floats


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class BreathRun:
    """All that the model said of some stages.

    Parameters
    ----------
    document : dict
        As `breath_document` gives it.
    breaths : dict of str to Breath
        By stage, each with a case for every speed.
    doubts : dict of (str, float) to TraceDoubt
        By stage and speed, as far as draws were made.
    """

    document: dict[str, Any]
    breaths: dict[str, Breath]
    doubts: dict[tuple[str, float], TraceDoubt]


def assumed_case_cm3(engine: Engine) -> tuple[float, float]:
    """Return the range of case volumes that engines commonly have.

    Parameters
    ----------
    engine : Engine

    Returns
    -------
    tuple of float
        Least and greatest, piston at TDC [cm³].

    References
    ----------
    .. [1] As `portmap.ratio.usual_case_cm3`.

    Examples
    --------
    >>> from portmap.crank import Crank
    >>> engine = Engine(bore_mm=46, crank=Crank(stroke_mm=32, rod_mm=58), crown_height_mm=61)
    >>> [round(volume) for volume in assumed_case_cm3(engine)]
    [150, 230]
    """
    return usual_case_cm3(swept_volume_cm3(engine))


def engine_with_case(engine: Engine) -> Engine:
    """Return an engine with a usual case volume, marked as assumed, if nobody measured its own.

    Parameters
    ----------
    engine : Engine

    Returns
    -------
    Engine
        With the geometric mean of `assumed_case_cm3`; the same if its case was measured.

    Examples
    --------
    >>> from portmap.crank import Crank
    >>> engine = Engine(bore_mm=46, crank=Crank(stroke_mm=32, rod_mm=58), crown_height_mm=61)
    >>> engine_with_case(engine).assumed
    ('case volume 185.8 cm³, where 150 to 230 is usual',)
    """
    if engine.case_volume_cm3 is not None:
        return engine
    low, high = assumed_case_cm3(engine)
    case = round((low * high) ** 0.5, 1)
    words = f"case volume {case:g} cm³, where {low:.0f} to {high:.0f} is usual"
    return replace(engine, case_volume_cm3=case, assumed=(*engine.assumed, words))


def breath_notices(
    engine: Engine, stages: Mapping[str, PortMap], *, reed_mm2: float | None = None
) -> tuple[Notice, ...]:
    """Return what is doubtful in what the model was given.

    Parameters
    ----------
    engine : Engine
    stages : mapping of str to PortMap
    reed_mm2 : float or None, optional
        As in `breath_document`.

    Returns
    -------
    tuple of Notice

    Examples
    --------
    >>> from portmap.crank import Crank
    >>> engine = Engine(bore_mm=46, crank=Crank(stroke_mm=32, rod_mm=58), crown_height_mm=61)
    >>> breath_notices(engine, {})
    ()
    """
    valve = "reed whose area was given" if reed_mm2 is not None else "case's valve that the job states"
    if reed_mm2 is None and engine.intake is None:
        return ()
    twice = sorted({port.id for one in stages.values() for port in one.ports if port.kind == "intake"})
    if not twice:
        return ()
    message = (
        f"Air comes in by the {valve} alone: the wall's {', '.join(twice)} is left out of the gas model."
    )
    return (Notice(code="intake-twice", message=message),)


def breath_document(
    engine: Engine, stages: Mapping[str, PortMap], rpm: Sequence[float], **told: Unpack[BreathOptions]
) -> tuple[dict[str, Any], dict[str, Breath]]:
    """Return how each stage breathes at each speed.

    Parameters
    ----------
    engine : Engine
    stages : mapping of str to PortMap
        In the order to be shown; the first is what the others are compared with.
    rpm : sequence of float
        Crank speeds [rev/min].
    **told
        As in `breath_run`.

    Returns
    -------
    document : dict
        ``stages``: for each ``stage`` and its ``speeds``, each with ``rpm``, ``delivery_ratio``,
        ``trapped_ratio``, ``trapped_mg``, ``trapping``, ``residual_bar`` (cylinder over case when the first
        transfer opens), ``blowdown_done``, ``back_share``, ``work_j``, and their ``_u`` where draws were
        made; ``changes`` against the first stage, with ``_u`` and ``work_share``; ``limits``: up to what
        speed each stage's blowdown is done; ``exhaust``, ``settled``, ``balance``, ``assumptions``.
    breaths : dict of str to Breath
        By stage, for plots.

    Raises
    ------
    GasError, QuantityError
        As `breath_run`.

    Examples
    --------
    >>> from portmap.crank import Crank
    >>> from portmap.port import Port, Window, window_polygon
    >>> engine = Engine(bore_mm=46, crank=Crank(stroke_mm=32, rod_mm=58), crown_height_mm=61,
    ...                 head_volume_cm3=6.1, case_volume_cm3=200)
    >>> def port(kind, x, roof):
    ...     shape = window_polygon([[x - 8, 29], [x + 8, 29], [x + 8, roof], [x - 8, roof]])
    ...     return Port(id=kind, kind=kind, control="crown", windows=(Window(outline=shape),))
    >>> ports = PortMap(stage="stock", ports=(port("exhaust", 0, 39.4), port("transfer", 36, 35.5)))
    >>> found, _ = breath_document(engine, {"stock": ports}, [8000.0], reed_mm2=150)
    >>> found["stages"][0]["speeds"][0]["blowdown_done"]
    False
    """
    run = breath_run(engine, stages, rpm, **told)
    return run.document, run.breaths


def breath_run(
    engine: Engine,
    stages: Mapping[str, PortMap],
    rpm: Sequence[float],
    *,
    case_volume_cm3: float | None = None,
    case_range_cm3: tuple[float, float] | None = None,
    reed_mm2: float | None = None,
    pipe_bore_mm: float | None = None,
    among: Sequence[Assumption] | None = None,
    draws: int = 0,
    drawn_rpm: Sequence[float] | None = None,
    seed: int = 1,
    air_pa: float = 101_325.0,
    air_k: float = 293.15,
    done: Callable[[float], None] | None = None,
) -> BreathRun:
    """Return all that the model says of some stages.

    Parameters
    ----------
    engine : Engine
    stages : mapping of str to PortMap
        In the order to be shown; the first is what the others are compared with.
    rpm : sequence of float
        Crank speeds [rev/min].
    case_volume_cm3 : float or None, optional
        Piston at TDC; None takes the engine's.
    case_range_cm3 : tuple of float or None, optional
        Within which that volume lies, if nobody measured it; drawn too.
    reed_mm2 : float or None, optional
        Of a reed valve that opens at once, instead of any other intake.
    pipe_bore_mm : float or None, optional
        Of an endless pipe on the exhaust (`portmap.pipe_end`); None for a muffler whose pressure stays.
    among : sequence of Assumption or None, optional
        From `stated_assumptions`; None takes the usual ones.
    draws : int, optional
        Of the uncertain inputs, for ± and for the change; 0 for none.
    drawn_rpm : sequence of float or None, optional
        Speeds at which they are drawn, among `rpm`; None takes the first.
    seed : int, optional
    air_pa, air_k : float, optional
        Outside.
    done : callable or None, optional
        Told what share of the runs is done, after each.

    Returns
    -------
    BreathRun

    Raises
    ------
    GasError
        As `portmap.gas_grid.grid_of` and `portmap.gasflow.breathed`.
    QuantityError
        If an input makes no sense.

    Examples
    --------
    >>> from portmap.crank import Crank
    >>> engine = Engine(bore_mm=46, crank=Crank(stroke_mm=32, rod_mm=58), crown_height_mm=61)
    >>> breath_run(engine, {"stock": PortMap(stage="stock", ports=())}, [8000.0])
    Traceback (most recent call last):
    portmap.gas_grid.GasError: engine.head_volume_cm3: the head's volume is not known; ...
    """
    if pipe_bore_mm is not None and not 0 < pipe_bore_mm <= LARGEST_PIPE_MM:
        raise QuantityError(
            f"a bore of {pipe_bore_mm:g} mm makes no sense",
            where="pipe",
            remedy=f"give above 0 to {LARGEST_PIPE_MM:g} mm",
        )
    pipe_mm2 = math.inf if pipe_bore_mm is None else math.pi * pipe_bore_mm**2 / 4
    grids = {
        name: grid_of(
            engine,
            port_map,
            case_volume_cm3=case_volume_cm3,
            reed_mm2=reed_mm2,
            lowest_rpm=min(rpm, default=6000.0),
        )
        for name, port_map in stages.items()
    }
    breaths: dict[str, Breath] = {}
    speeds = () if not draws else tuple(rpm[:1] if drawn_rpm is None else drawn_rpm)
    shared: GasDraws | None = None
    if speeds:
        shared = gas_draws(draws, seed, among=among, case_range_cm3=case_range_cm3)
    runs, finished = len(grids) * (1 + len(speeds)), 0

    def run(grid: Grid, speed: float | Sequence[float], drawn: Mapping[str, Floats] | None) -> Breath:
        nonlocal finished
        count = len(next(iter(drawn.values()))) if drawn else 1
        rate = np.full(count, speed) if drawn else np.asarray(speed)
        inputs = gas_inputs(rate, drawn, among=among, air_pa=air_pa, air_k=air_k, pipe_mm2=pipe_mm2)
        breath = breathed(grid, inputs)
        finished += 1
        if done is not None:
            done(finished / runs)
        return breath

    results: dict[tuple[str, float], dict[str, Floats]] = {}
    doubts: dict[tuple[str, float], TraceDoubt] = {}
    for name, grid in grids.items():
        breaths[name] = run(grid, rpm, None)
        if shared is None:
            continue
        drawn, with_case = stage_draws(shared, engine, stages[name]), case_drawn(grid, shared)
        for speed in speeds:
            breath = run(with_case, speed, drawn)
            results[name, speed] = _results(breath)
            doubts[name, speed] = TraceDoubt(
                cylinder_pa=np.std(breath.cylinder_pa, axis=1, ddof=1),
                case_pa=np.std(breath.case_pa, axis=1, ddof=1),
                fresh_share=np.std(breath.fresh_share, axis=1, ddof=1),
            )
    first = next(iter(stages))
    document = {
        "rpm": [float(speed) for speed in rpm],
        "stages": [_stage(name, breaths[name], rpm, results) for name in stages],
        "changes": [_change(name, first, breaths, results, rpm) for name in stages if name != first],
        "limits": [_limit(name, rpm, breaths[name]) for name in stages],
        "draws": draws,
        "exhaust": {
            "end": "muffler" if pipe_bore_mm is None else "pipe",
            "words": ENDS["muffler" if pipe_bore_mm is None else "pipe"],
            "pipe_bore_mm": pipe_bore_mm,
        },
        "settled": {
            "measure": "greatest relative change of masses, energies and fresh gas from one turn to the next",
            "limit": SETTLED,
        },
        "balance": {
            "mass": max(breath.mass_balance for breath in breaths.values()),
            "energy": max(breath.energy_balance for breath in breaths.values()),
        },
        "assumptions": [
            {
                "key": one.key,
                "what": one.what,
                "value": one.value,
                "least": one.least,
                "most": one.most,
                "unit": one.unit,
                "basis": one.basis,
            }
            for one in (assumptions() if among is None else among)
        ],
        "caution": NO_WAVES,
    }
    return BreathRun(document=document, breaths=breaths, doubts=doubts)


def _results(breath: Breath) -> dict[str, Floats]:
    return {
        "delivery_ratio": breath.delivery_ratio,
        "trapped_ratio": breath.trapped_ratio,
        "trapped_mg": breath.trapped_kg * 1e6,
        "trapping": breath.trapping,
        "residual_bar": breath.residual_pa / 1e5,
        "back_share": breath.back_share,
        "work_j": breath.work_j,
    }


def _stage(
    name: str,
    breath: Breath,
    rpm: Sequence[float],
    drawn: Mapping[tuple[str, float], Mapping[str, Floats]],
) -> dict[str, Any]:
    results = _results(breath)
    speeds = []
    for number, speed in enumerate(rpm):
        figures: dict[str, Any] = {key: float(results[key][number]) for key in _RESULTS}
        figures["blowdown_done"] = bool(figures["residual_bar"] <= 0)
        if (name, speed) in drawn:
            found = drawn[name, speed]
            figures |= {f"{key}_u": float(np.std(found[key], ddof=1)) for key in _RESULTS}
        speeds.append({"rpm": float(speed), **figures})
    return {"stage": name, "speeds": speeds, "cycles": breath.cycles, "left_moving": breath.left_moving}


def _change(
    name: str,
    first: str,
    breaths: Mapping[str, Breath],
    drawn: Mapping[tuple[str, float], Mapping[str, Floats]],
    rpm: Sequence[float],
) -> dict[str, Any]:
    now, before = _results(breaths[name]), _results(breaths[first])
    entries = []
    for number, speed in enumerate(rpm):
        entry: dict[str, Any] = {"rpm": float(speed)}
        entry |= {key: float(now[key][number] - before[key][number]) for key in _RESULTS}
        worked = float(before["work_j"][number])
        entry["work_share"] = entry["work_j"] / worked if worked > 0 else None
        if (name, speed) in drawn:
            there, here = drawn[name, speed], drawn[first, speed]
            entry |= {f"{key}_u": float(np.std(there[key] - here[key], ddof=1)) for key in _RESULTS}
            worth = here["work_j"] > 0
            share = there["work_j"][worth] / here["work_j"][worth]
            entry["work_share_u"] = float(np.std(share, ddof=1)) if len(share) > 1 else None
        entries.append(entry)
    return {"stage": name, "against": first, "speeds": entries}


def _limit(name: str, rpm: Sequence[float], breath: Breath) -> dict[str, Any]:
    """Return up to what speed the blowdown is done, straight between the speeds that were run."""
    order = np.argsort(rpm)
    speeds, residual = np.asarray(rpm, np.float64)[order], breath.residual_pa[order]
    found: float | None = None
    for low, high in pairwise(range(len(speeds))):
        if residual[low] <= 0 < residual[high]:
            share = -residual[low] / (residual[high] - residual[low])
            found = float(speeds[low] + share * (speeds[high] - speeds[low]))
            break
    if found is not None:
        state = "up to"
    else:
        state = "at all" if (residual <= 0).all() else "at none" if (residual > 0).all() else "at some"
    return {"stage": name, "blowdown_done": state, "blowdown_done_to_rpm": found}
