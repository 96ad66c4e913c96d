"""What the gas model is run with, and what follows from it before the first step.

Units are SI (Pa, K, kg, m³, J) but for degrees and mm²; arrays run over the cases of a run.

Glossary
--------
case of a run
    One column of the arrays: one speed, or one draw of the uncertain inputs.
fresh
    Charge that has not burned.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, fields
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from portmap.atmosphere import GAS_CONSTANT_J_PER_KG_K
from portmap.errors import QuantityError
from portmap.gas_grid import Grid
from portmap.orifice import critical_pressure_ratio

__all__ = ["GasCase", "GasInputs", "gas_case_of"]

Floats = NDArray[np.float64]


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
    pipe_mm2 : array_like
        Flow area of an endless pipe on the exhaust (`portmap.pipe_end`); infinite for a muffler alone, whose
        pressure stays [mm²].
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
    pipe_mm2: ArrayLike = math.inf


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class GasCase:
    """Inputs as arrays over the cases, with what follows from them.

    Parameters
    ----------
    s_per_deg : ndarray of shape (N,)
        Time of a degree [s].
    air_pa, air_k, exhaust_pa, exhaust_k, wall_k : ndarray of shape (N,)
        As in `GasInputs`.
    outside_pa, outside_k : ndarray of shape (4, N)
        Of air and muffler in the last two rows; room for case and cylinder in the first.
    throat : ndarray of shape (3, N)
        By which an opened area of intake, transfers, exhaust [mm²] becomes one that lets pass a degree's flow
        [m²·s].
    displacement, heat, start_deg, span_deg, gamma : ndarray of shape (N,)
        As in `GasInputs`, by shorter names.
    burn_from_deg, burn_to_deg : float
        Between which, over TDC, any case burns.
    film : ndarray of shape (N,)
        What speed and the given share add to the heat lost in a degree.
    loses : bool
        Whether any case loses heat.
    pipe_m2 : ndarray of shape (N,) or None
        None for a muffler alone [m²].
    cv, cp : ndarray of shape (N,)
        Specific heats [J/(kg·K)].
    gamma_less_1, inverse_gamma : ndarray of shape (N,)
    drive : ndarray of shape (N,)
        2γ/((γ − 1)·R), under the root of the flow [kg·K/J].
    critical : ndarray of shape (N,)
        Pressure ratio at which flow chokes [-].
    """

    s_per_deg: Floats
    air_pa: Floats
    air_k: Floats
    exhaust_pa: Floats
    exhaust_k: Floats
    wall_k: Floats
    outside_pa: Floats
    outside_k: Floats
    throat: Floats
    displacement: Floats
    heat: Floats
    start_deg: Floats
    span_deg: Floats
    gamma: Floats
    burn_from_deg: float
    burn_to_deg: float
    film: Floats
    loses: bool
    pipe_m2: Floats | None
    cv: Floats
    cp: Floats
    gamma_less_1: Floats
    inverse_gamma: Floats
    drive: Floats
    critical: Floats

    def repeated(self, times: int) -> GasCase:
        """Return every case several times over, all of them in their order each time."""
        parts: dict[str, Any] = {field.name: getattr(self, field.name) for field in fields(self)}
        for name, part in parts.items():
            if isinstance(part, np.ndarray):  # the cases run along its last axis
                parts[name] = np.tile(part, times)
        return GasCase(**parts)


# what makes sense: above the first (or from it, where it may be nothing), up to the second
_ABOVE = {
    "rpm": (0.0, 1e5),
    "air_pa": (0.0, 1e6),
    "air_k": (100.0, 400.0),
    "exhaust_pa": (0.0, 1e6),
    "exhaust_k": (100.0, 2000.0),
    "burn_span_deg": (1.0, 200.0),
    "wall_k": (100.0, 1000.0),
    "gamma": (1.0, 1.7),
    "pipe_mm2": (0.0, math.inf),
}
_FROM = {
    "discharge_intake": (0.0, 1.0),
    "discharge_transfer": (0.0, 1.0),
    "discharge_exhaust": (0.0, 1.0),
    "displacement": (0.0, 1.0),
    "heat_j_per_kg": (0.0, 1e7),
    "burn_start_deg": (-60.0, 120.0),
    "heat_loss": (0.0, 1e3),
}


def gas_case_of(inputs: GasInputs, grid: Grid) -> GasCase:
    """Return what the stepper is run with.

    Parameters
    ----------
    inputs : GasInputs
    grid : Grid
        For the stroke.

    Returns
    -------
    GasCase

    Raises
    ------
    QuantityError
        If an input makes no sense: which, and what would.
    """
    names = list(GasInputs.__slots__)
    arrays = np.broadcast_arrays(*(np.atleast_1d(np.asarray(getattr(inputs, n), np.float64)) for n in names))
    of = dict(zip(names, arrays, strict=True))
    for bounds, above in ((_ABOVE, True), (_FROM, False)):
        for name, (low, high) in bounds.items():
            sound = (of[name] <= high) & (of[name] > low if above else of[name] >= low)
            if not sound.all():
                raise QuantityError(
                    f"{of[name][~sound][0]:g} makes no sense",
                    where=name,
                    remedy=f"give {'above ' if above else ''}{low:g} to {high:g}",
                )
    gamma, s_per_deg = of["gamma"], 1 / (6 * of["rpm"])
    cv = GAS_CONSTANT_J_PER_KG_K / (gamma - 1)
    piston_m_per_s = of["rpm"] / 30 * grid.stroke_m
    room = np.ones_like(gamma)
    return GasCase(
        s_per_deg=s_per_deg,
        air_pa=of["air_pa"],
        air_k=of["air_k"],
        exhaust_pa=of["exhaust_pa"],
        exhaust_k=of["exhaust_k"],
        wall_k=of["wall_k"],
        outside_pa=np.stack([room, room, of["air_pa"], of["exhaust_pa"]]),
        outside_k=np.stack([room, room, of["air_k"], of["exhaust_k"]]),
        throat=np.stack([of[f"discharge_{name}"] for name in ("intake", "transfer", "exhaust")])
        * (1e-6 * s_per_deg),
        displacement=of["displacement"],
        heat=of["heat_j_per_kg"],
        start_deg=of["burn_start_deg"],
        span_deg=of["burn_span_deg"],
        gamma=gamma,
        burn_from_deg=float(360 - of["burn_start_deg"].max()),
        burn_to_deg=float((of["burn_span_deg"] - of["burn_start_deg"]).max()),
        film=of["heat_loss"] * (piston_m_per_s + 1.4) ** 0.8 * s_per_deg,
        loses=bool((of["heat_loss"] > 0).any()),
        pipe_m2=of["pipe_mm2"] * 1e-6 if np.isfinite(of["pipe_mm2"]).any() else None,
        cv=cv,
        cp=cv + GAS_CONSTANT_J_PER_KG_K,
        gamma_less_1=gamma - 1,
        inverse_gamma=1 / gamma,
        drive=2 * gamma / (gamma - 1) / GAS_CONSTANT_J_PER_KG_K,
        critical=critical_pressure_ratio(gamma),
    )
