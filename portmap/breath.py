"""How a cylinder breathes, as other programs read it: stages side by side, with what the model leans on.

`portmap.gasflow` computes; here its assumptions are read (`gas.toml`), drawn from their ranges, and its
answers made into a document. The same draws serve every stage, so that a change between stages is surer than
either figure: most of what is uncertain is uncertain alike before and after.
"""

from __future__ import annotations

import tomllib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cache
from importlib.resources import files
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from portmap.engine import Engine
from portmap.gas_grid import Grid, grid_of
from portmap.gasflow import Breath, GasInputs, breathed
from portmap.port import PortMap
from portmap.volume import swept_volume_cm3

__all__ = [
    "ASSUMED_CASE_RATIO",
    "NO_WAVES",
    "Assumption",
    "assumed_case_cm3",
    "assumption_draws",
    "assumptions",
    "breath_document",
    "engine_with_case",
    "gas_inputs",
]

Floats = NDArray[np.float64]

ASSUMED_CASE_RATIO = (1.3, 1.55)  # of the case; Blair 1996, Jennings 1973, from memory, medium
NO_WAVES = (
    "No waves are in this model: a tuned pipe or a long intake changes the figures. What changes between two"
    " stages is believed more than what is, and no power is promised."
)
_FACTORS = {"heat_mj_per_kg": 1e6}
_FIELDS = {"heat_mj_per_kg": "heat_j_per_kg"}
_RESULTS = ("delivery_ratio", "trapped_ratio", "trapping", "residual_bar", "back_share", "work_j")


@dataclass(frozen=True, kw_only=True, slots=True)
class Assumption:
    """A figure that the model leans on.

    Parameters
    ----------
    key, what : str
    value, least, most : float
        Used; and the ends from which draws are taken, each value between them as likely.
    unit, basis : str
    """

    key: str
    what: str
    value: float
    least: float
    most: float
    unit: str
    basis: str


@cache
def assumptions() -> tuple[Assumption, ...]:
    """Return what the gas model leans on.

    Returns
    -------
    tuple of Assumption

    Examples
    --------
    >>> [one.value for one in assumptions() if one.key == "displacement"]
    [0.4]
    """
    data = tomllib.loads(files("portmap").joinpath("gas.toml").read_text(encoding="utf-8"))
    return tuple(Assumption(key=key, **entry) for key, entry in data.items())


def assumed_case_cm3(engine: Engine) -> tuple[float, float]:
    """Return the range of case volumes that engines commonly have.

    From the case ratio V/(V − V_swept) of 1.3 to 1.55.

    Parameters
    ----------
    engine : Engine

    Returns
    -------
    tuple of float
        Least and greatest, piston at TDC [cm³].

    References
    ----------
    .. [1] Blair, Design and Simulation of Two-Stroke Engines, 1996; Jennings 1973 (from memory, medium).

    Examples
    --------
    >>> from portmap.crank import Crank
    >>> engine = Engine(bore_mm=46, crank=Crank(stroke_mm=32, rod_mm=58), crown_height_mm=61)
    >>> [round(volume) for volume in assumed_case_cm3(engine)]
    [150, 230]
    """
    swept = swept_volume_cm3(engine)
    low, high = ASSUMED_CASE_RATIO
    return swept * high / (high - 1), swept * low / (low - 1)


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


def assumption_draws(count: int, seed: int) -> dict[str, Floats]:
    """Return draws of all that the gas model leans on, each value between its ends as likely.

    Parameters
    ----------
    count : int
    seed : int

    Returns
    -------
    dict of str to ndarray of shape (count,)
        By the assumptions' keys, each in its unit.

    Examples
    --------
    >>> draws = assumption_draws(100, 1)["displacement"]
    >>> bool(draws.min() >= 0.0 and draws.max() <= 0.8)
    True
    """
    random = np.random.default_rng(seed)
    return {one.key: random.uniform(one.least, one.most, count) for one in assumptions()}


def gas_inputs(
    rpm: ArrayLike,
    drawn: Mapping[str, Floats] | None = None,
    *,
    air_pa: float = 101_325.0,
    air_k: float = 293.15,
) -> GasInputs:
    """Return what the gas model is run with.

    Parameters
    ----------
    rpm : array_like of shape (N,)
        Crank speeds [rev/min].
    drawn : mapping of str to ndarray of shape (N,), or None, optional
        From `assumption_draws`; None takes the values that are used unless told.
    air_pa, air_k : float, optional
        Outside [Pa, K].

    Returns
    -------
    GasInputs

    Examples
    --------
    >>> gas_inputs([9000.0]).displacement
    0.4
    """
    found: dict[str, Any] = {}
    for one in assumptions():
        amount = one.value if drawn is None else drawn[one.key]
        found[_FIELDS.get(one.key, one.key)] = amount * _FACTORS.get(one.key, 1.0)
    found["exhaust_pa"] = found.pop("exhaust_bar") * air_pa
    return GasInputs(rpm=np.asarray(rpm, np.float64), air_pa=air_pa, air_k=air_k, **found)


def breath_document(
    engine: Engine,
    stages: Mapping[str, PortMap],
    rpm: Sequence[float],
    *,
    case_volume_cm3: float | None = None,
    reed_mm2: float | None = None,
    draws: int = 0,
    seed: int = 1,
    air_pa: float = 101_325.0,
    air_k: float = 293.15,
    done: Callable[[float], None] | None = None,
) -> tuple[dict[str, Any], dict[str, Breath]]:
    """Return how each stage breathes at each speed.

    Parameters
    ----------
    engine : Engine
    stages : mapping of str to PortMap
        In the order to be shown; the first is what the others are compared with.
    rpm : sequence of float
        Crank speeds [rev/min].
    case_volume_cm3 : float or None, optional
        Piston at TDC; None takes the engine's.
    reed_mm2 : float or None, optional
        Of a reed valve, instead of intake ports.
    draws : int, optional
        Of the uncertain inputs, at the first speed, for ± and for the change; 0 for none.
    seed : int, optional
    air_pa, air_k : float, optional
        Outside.
    done : callable or None, optional
        Told what share of the runs is done, after each.

    Returns
    -------
    document : dict
        ``stages``: for each ``stage`` and its ``speeds``, each with ``rpm``, ``delivery_ratio``,
        ``trapped_ratio``, ``trapping``, ``residual_bar`` (cylinder over case when the first transfer opens),
        ``blowdown_done``, ``back_share``, ``work_j``; ``changes`` against the first stage, with ``u``;
        ``balance``; ``assumptions``.
    breaths : dict of str to Breath
        By stage, for plots.

    Raises
    ------
    GasError
        As `portmap.gas_grid.grid_of` and `portmap.gasflow.breathed`.

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
    drawn_results: dict[str, dict[str, Floats]] = {}
    runs, finished = len(grids) * (2 if draws else 1), 0

    def run(grid: Grid, inputs: GasInputs) -> Breath:
        nonlocal finished
        breath = breathed(grid, inputs)
        finished += 1
        if done is not None:
            done(finished / runs)
        return breath

    for name, grid in grids.items():
        breaths[name] = run(grid, gas_inputs(rpm, air_pa=air_pa, air_k=air_k))
        if draws:
            drawn = assumption_draws(draws, seed)
            inputs = gas_inputs(np.full(draws, rpm[0]), drawn, air_pa=air_pa, air_k=air_k)
            drawn_results[name] = _results(run(grid, inputs))
    found = [_stage(name, breaths[name], rpm, drawn_results.get(name)) for name in stages]
    first = next(iter(stages))
    document = {
        "rpm": [float(speed) for speed in rpm],
        "stages": found,
        "changes": [_change(name, first, breaths, drawn_results, rpm) for name in stages if name != first],
        "draws": draws,
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
            for one in assumptions()
        ],
        "caution": NO_WAVES,
    }
    return document, breaths


def _results(breath: Breath) -> dict[str, Floats]:
    return {
        "delivery_ratio": breath.delivery_ratio,
        "trapped_ratio": breath.trapped_ratio,
        "trapping": breath.trapping,
        "residual_bar": breath.residual_pa / 1e5,
        "back_share": breath.back_share,
        "work_j": breath.work_j,
    }


def _stage(
    name: str, breath: Breath, rpm: Sequence[float], drawn: Mapping[str, Floats] | None
) -> dict[str, Any]:
    results = _results(breath)
    speeds = []
    for number, speed in enumerate(rpm):
        figures: dict[str, Any] = {key: float(results[key][number]) for key in _RESULTS}
        figures["blowdown_done"] = bool(figures["residual_bar"] <= 0)
        speeds.append({"rpm": float(speed), **figures})
    if drawn is not None:
        for key in _RESULTS:
            speeds[0][f"{key}_u"] = float(np.std(drawn[key], ddof=1))
    return {"stage": name, "speeds": speeds, "cycles": breath.cycles, "left_moving": breath.left_moving}


def _change(
    name: str,
    first: str,
    breaths: Mapping[str, Breath],
    drawn: Mapping[str, Mapping[str, Floats]],
    rpm: Sequence[float],
) -> dict[str, Any]:
    now, before = _results(breaths[name]), _results(breaths[first])
    entries = []
    for number, speed in enumerate(rpm):
        entry: dict[str, Any] = {"rpm": float(speed)}
        entry |= {key: float(now[key][number] - before[key][number]) for key in _RESULTS}
        entries.append(entry)
    if drawn:
        for key in _RESULTS:
            entries[0][f"{key}_u"] = float(np.std(drawn[name][key] - drawn[first][key], ddof=1))
    return {"stage": name, "against": first, "speeds": entries}
