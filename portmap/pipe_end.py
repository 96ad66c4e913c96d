"""A simple pipe on the exhaust: the near end of one so long that no wave comes back from it.

What leaves the port drives a wave into gas at rest. Behind a wave that runs one way, pressure and speed of
the gas are tied (a *simple wave*): p = p0·[1 + (γ − 1)/2 · u/c0]^(2γ/(γ − 1)). So the harder the port blows,
the higher the pressure stands against it, and the narrower the pipe, the more. That is what a real pipe does
until the first echo of its far end is back; the echo itself, on which a tuned pipe lives, is left out. It is
no model of a tuned pipe, and an engine on one does not breathe so.

The port is a throat that ends in a jet at the pipe's pressure; its energy is kept. Flow back into the
cylinder draws on the total pressure of what comes along the pipe. Speeds stay below that of sound.

Units are SI; u is positive away from the cylinder.

Glossary
--------
at rest
    Pressure and temperature of the pipe's gas before the port opens: the muffler's.

References
----------
.. [1] S. Earnshaw, Phil. Trans. R. Soc. 150, 1860; Landau and Lifshitz, Fluid Mechanics, s. 101 (simple
   waves); both from memory. That a wave beside gas at rest is a simple one, and its Riemann invariant, were
   read on public pages about compressible flow.
.. [2] R. S. Benson, The Thermodynamics and Gas Dynamics of Internal-Combustion Engines, vol. I, 1982: a port
   as a throat at the pipe's pressure; from memory.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import ArrayLike, NDArray

from portmap.atmosphere import GAS_CONSTANT_J_PER_KG_K

__all__ = ["PipeFlow", "pipe_flow", "wave_pressure_ratio"]

Floats = NDArray[np.float64]
PipeFlow = tuple[Floats, Floats]
State = tuple[Floats, Floats]

_TURNS = 40
_CLOSE = 1e-7  # of the greatest flow: far below what the stepper leaves


def wave_pressure_ratio(speed_ratio: ArrayLike, gamma: ArrayLike) -> Floats:
    """Return the pressure behind a simple wave that runs into gas at rest, over that gas's.

    [1 + (γ − 1)/2 · u/c0]^(2γ/(γ − 1)).

    Parameters
    ----------
    speed_ratio : array_like of shape (...)
        Speed of the gas behind the wave over that of sound in the gas at rest [-]; below 0 the wave thins.
    gamma : array_like of shape (...)
        Ratio of the specific heats [-].

    Returns
    -------
    ndarray of the broadcast shape
        [-]

    References
    ----------
    .. [1] As the module's first.

    Examples
    --------
    >>> wave_pressure_ratio([0.0, 0.1, -0.1], 1.4).round(4)
    array([1.    , 1.1487, 0.8681])
    """
    g, ratio = np.asarray(gamma, np.float64), np.asarray(speed_ratio, np.float64)
    return np.asarray((1 + (g - 1) / 2 * ratio) ** (2 * g / (g - 1)))


def pipe_flow(
    throat_m2: Floats,
    pipe_m2: Floats,
    inside: State,
    rest: State,
    gamma: Floats,
    flow_between: Callable[[Floats, State, State], Floats],
) -> PipeFlow:
    """Return what leaves a cylinder into an endless pipe, and how warm is what comes back.

    Parameters
    ----------
    throat_m2 : ndarray of shape (N,)
        Opened area times discharge coefficient [m²]; of one larger than the pipe, the pipe's counts.
    pipe_m2 : ndarray of shape (N,)
        Flow area [m²]; infinite for a muffler whose pressure stays.
    inside, rest : tuple of ndarray of shape (N,)
        Pressure and temperature in the cylinder, and of the pipe's gas at rest [Pa, K].
    gamma : ndarray of shape (N,)
        Ratio of the specific heats [-].
    flow_between : callable
        Flow through an area from one state to another [kg/s], minus the other way.

    Returns
    -------
    flow : ndarray of shape (N,)
        Out of the cylinder [kg/s]; minus for what comes back.
    back_k : ndarray of shape (N,)
        Total temperature of what comes back [K].

    Notes
    -----
    The speed of the gas at the pipe's near end is sought between rest and that which would bring the pipe to
    the cylinder's pressure, by bracketing (regula falsi after Anderson and Björck).

    References
    ----------
    .. [1] As the module's.
    """
    (pressure, kelvin), (rest_pa, rest_k) = inside, rest
    throat = np.minimum(throat_m2, pipe_m2)
    cp = gamma / (gamma - 1) * GAS_CONSTANT_J_PER_KG_K
    sound = np.sqrt(gamma * GAS_CONSTANT_J_PER_KG_K * rest_k)
    leaves = pressure >= rest_pa
    endless = np.isfinite(pipe_m2)
    narrow = np.where(endless, pipe_m2, 1.0)
    half = (gamma - 1) / 2
    power, all_leave = gamma / half, bool(leaves.all())

    def at(speed: Floats) -> tuple[Floats, Floats, Floats]:
        """Flow through the port, flow along the pipe, total temperature in the pipe."""
        wave = 1 + half * speed / sound
        pipe_pa = rest_pa * wave**power
        motion = speed**2 / (2 * cp)
        # what leaves the cylinder is its own gas, cooled by its motion
        if all_leave:
            warmth = np.maximum(kelvin - motion, 0.1 * kelvin)
            along = speed * pipe_pa * narrow / (GAS_CONSTANT_J_PER_KG_K * warmth)
            return flow_between(throat, inside, (pipe_pa, rest_k)), along, rest_k
        there_k = rest_k * wave**2
        total_k = there_k + motion
        total_pa = pipe_pa * (total_k / there_k) ** (gamma / (gamma - 1))
        outside = (np.where(leaves, pipe_pa, total_pa), np.where(leaves, rest_k, total_k))
        port = flow_between(throat, inside, outside)
        warmth = np.where(leaves, np.maximum(kelvin - motion, 0.1 * kelvin), there_k)
        along = speed * pipe_pa * narrow / (GAS_CONSTANT_J_PER_KG_K * warmth)
        return port, along, total_k

    rested = np.zeros_like(sound)
    still, _, _ = at(rested)
    far = sound / half * ((pressure / rest_pa) ** (half / gamma) - 1)
    # what leaves is denser along the pipe than at its pressure at rest and the cylinder's warmth: so fast,
    # all that passes the port into gas at rest is carried away
    enough = still * GAS_CONSTANT_J_PER_KG_K * kelvin / (rest_pa * narrow)
    far = np.where(leaves, np.minimum(far, enough), far)
    low, high = rested, far
    port, along, total_k = at(far)
    low_miss, high_miss = still, port - along
    flow, back_k = still, np.broadcast_to(rest_k, still.shape)
    stayed_high = stayed_low = np.zeros(still.shape, bool)
    near = _CLOSE * np.maximum(np.abs(still).max(), 1e-300)
    for _ in range(_TURNS):
        spread = low_miss - high_miss
        crossed = low + (high - low) * low_miss / np.where(spread != 0, spread, 1.0)
        speed = np.where(spread != 0, crossed, low)
        port, along, total_k = at(speed)
        miss = port - along
        flow, back_k = port, total_k
        if (np.abs(np.where(endless, miss, 0.0)) <= near).all():
            break
        beyond = miss * low_miss > 0
        # an end that stays a second time counts less, so that it cannot stay for ever
        before = np.where(beyond, low_miss, high_miss)
        less = 1 - miss / np.where(before != 0, before, 1.0)
        less = np.where(less > 0, less, 0.5)
        high_miss = np.where(beyond, np.where(stayed_high, less, 1.0) * high_miss, miss)
        low_miss = np.where(beyond, miss, np.where(stayed_low, less, 1.0) * low_miss)
        high, low = np.where(beyond, high, speed), np.where(beyond, speed, low)
        stayed_high, stayed_low = beyond, ~beyond
    return np.where(endless, flow, still), np.where(endless, back_k, rest_k)
