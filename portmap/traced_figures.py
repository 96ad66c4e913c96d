"""Figures that hang on the ports' whole outlines, of several builds at once, for wishes about them.

Time-areas follow exactly from the outlines. The residual pressure (of the cylinder over the case when the
first transfer opens) is the gas model's, with what it leans on at its usual values; all builds are stepped
together, for a run of many costs little more than a run of one.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import lru_cache
from typing import get_args

import numpy as np
from numpy.typing import NDArray

from portmap.engine import Engine
from portmap.gas_assumptions import assumption_draws, gas_inputs, opened_draws
from portmap.gas_grid import grid_of, shared_grid
from portmap.gasflow import breathed
from portmap.port import PortMap
from portmap.timearea import map_spans, specific_time_area, time_area
from portmap.volume import swept_volume_cm3
from portmap.wish_spans import SpeedQuantity
from portmap.wishes import Wish

__all__ = ["drawn_residual_bar", "is_traced", "traced_figures"]

Floats = NDArray[np.float64]
Outlined = tuple[Engine, PortMap]

_REMEMBERED = 64  # runs of the gas model; the search asks for the same builds again and again


def is_traced(wish: Wish) -> bool:
    """Return whether a wish is about a figure that needs the ports' whole outlines.

    Parameters
    ----------
    wish : Wish

    Returns
    -------
    bool

    Examples
    --------
    >>> from portmap.wishes import wish_of
    >>> is_traced(wish_of("residual pressure at most 0.6 bar at 9000 rpm")), is_traced(wish_of("squish 0.5"))
    (True, False)
    """
    return wish.quantity in get_args(SpeedQuantity)


def traced_figures(wish: Wish, builds: Sequence[Outlined]) -> tuple[float, ...]:
    """Return the figure that a wish is about for each of several builds of one engine.

    Parameters
    ----------
    wish : Wish
        For which `is_traced` holds.
    builds : sequence of (Engine, PortMap)
        Of one bore and crank.

    Returns
    -------
    tuple of float
        mm²·s, s/m or bar; NaN for a build that has no such span.

    Raises
    ------
    GasError
        As `portmap.gas_grid.shared_grid` and `portmap.gasflow.breathed`, for a residual pressure.
    GeometryError
        As `map_spans`.

    Examples
    --------
    >>> from portmap.crank import Crank
    >>> from portmap.port import Port, Window, window_polygon
    >>> from portmap.wishes import wish_of
    >>> engine = Engine(bore_mm=46, crank=Crank(stroke_mm=32, rod_mm=58), crown_height_mm=61)
    >>> shape = window_polygon([[-14, 28], [14, 28], [14, 40], [-14, 40]])
    >>> port = Port(id="e", kind="exhaust", control="crown", windows=(Window(outline=shape),))
    >>> wish = wish_of("exhaust time-area at least 0.6 mm2 s at 9000 rpm")
    >>> round(traced_figures(wish, [(engine, PortMap(stage="stock", ports=(port,)))])[0], 4)
    0.6028
    """
    rpm = wish.rpm or math.nan
    if wish.quantity == "residual":
        return _residuals_bar(tuple(builds), rpm)
    found = []
    for engine, port_map in builds:
        span = next((span for span in map_spans(engine, port_map)[0] if span.name == wish.span), None)
        amount = math.nan if span is None else float(time_area(span.angle_area_mm2_deg, rpm))
        if wish.quantity == "specific_time_area":
            amount = float(specific_time_area(amount, swept_volume_cm3(engine)))
        found.append(amount)
    return tuple(found)


@lru_cache(maxsize=_REMEMBERED)
def _residuals_bar(builds: tuple[Outlined, ...], rpm: float) -> tuple[float, ...]:
    grid = shared_grid(builds, lowest_rpm=rpm)
    breath = breathed(grid, gas_inputs(np.full(len(builds), rpm)))
    return tuple((breath.residual_pa / 1e5).tolist())


def drawn_residual_bar(
    engine: Engine, port_map: PortMap, rpm: float, openness: Floats, *, seed: int
) -> Floats:
    """Return the residual pressure with all that the gas model leans on drawn from its range.

    Parameters
    ----------
    engine : Engine
    port_map : PortMap
    rpm : float
        Crank speed [rev/min].
    openness : ndarray of shape (N,)
        Drawn angle-area of the blowdown over the outlines' own: what the doubt of outlines and engine does
        to the exhaust while it is open alone. It multiplies the exhaust's discharge.
    seed : int

    Returns
    -------
    ndarray of shape (N,)
        [bar]

    Raises
    ------
    GasError
        As `portmap.gas_grid.grid_of` and `portmap.gasflow.breathed`.

    Examples
    --------
    >>> from portmap.crank import Crank
    >>> engine = Engine(bore_mm=46, crank=Crank(stroke_mm=32, rod_mm=58), crown_height_mm=61)
    >>> drawn_residual_bar(engine, PortMap(stage="stock", ports=()), 9000.0, np.ones(2), seed=1)
    Traceback (most recent call last):
    portmap.gas_grid.GasError: engine.head_volume_cm3: the head's volume is not known; ...
    """
    grid = grid_of(engine, port_map, lowest_rpm=rpm)
    drawn = opened_draws(assumption_draws(len(openness), seed), {"exhaust": openness})
    return breathed(grid, gas_inputs(np.full(len(openness), rpm), drawn)).residual_pa / 1e5
