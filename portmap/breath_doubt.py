"""How sure the gas model's figures are: the same draws of what it leans on, for every stage and speed.

Drawn are the model's assumptions, the outlines' own doubt as far as somebody stated it, and the case's
volume where it is assumed. The same draws serve all stages, so that a change between two is surer than
either figure: most of what is uncertain is uncertain alike before and after. What is not drawn is whether
the model is right.

The outlines' doubt multiplies opened areas: that of transfers and intake as the angle-area of their spans,
that of the exhaust as the angle-area of the blowdown, during which it matters most (for the rest of its span
that is too much, so the ± is on the safe side). A stock and a proposed outline share theirs, for one was
drawn on the other; what was ground and traced again has its own.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from portmap.engine import Engine
from portmap.figures import timeable
from portmap.gas_assumptions import Assumption, assumption_draws, opened_draws
from portmap.gas_grid import Grid
from portmap.port import PortMap
from portmap.stated_spread import span_u_mm2_deg
from portmap.timearea import SpanName, map_spans

__all__ = ["GasDraws", "case_drawn", "gas_draws", "openness_u", "stage_draws"]

Floats = NDArray[np.float64]

KINDS: tuple[SpanName, ...] = ("exhaust", "transfer", "intake")


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class GasDraws:
    """Draws that all stages share.

    Parameters
    ----------
    assumed : dict of str to ndarray of shape (N,)
        What the model leans on, by its keys.
    traced, ground : dict of str to ndarray of shape (N,)
        Standard normal draws of the outlines' doubt, by kind: as traced first, and as traced after grinding.
    case_cm3 : ndarray of shape (N,) or None
        Of a case that nobody measured.
    """

    assumed: dict[str, Floats]
    traced: dict[str, Floats]
    ground: dict[str, Floats]
    case_cm3: Floats | None


def gas_draws(
    count: int,
    seed: int,
    *,
    among: Sequence[Assumption] | None = None,
    case_range_cm3: tuple[float, float] | None = None,
) -> GasDraws:
    """Return draws of all that is uncertain.

    Parameters
    ----------
    count : int
    seed : int
    among : sequence of Assumption or None, optional
        As in `assumption_draws`.
    case_range_cm3 : tuple of float or None, optional
        Within which a case that nobody measured lies, each volume as likely [cm³].

    Returns
    -------
    GasDraws

    Examples
    --------
    >>> gas_draws(50, 1, case_range_cm3=(150.0, 230.0)).case_cm3.shape
    (50,)
    """
    random = np.random.default_rng((seed, 1))  # apart from the assumptions', which stay as they are
    return GasDraws(
        assumed=assumption_draws(count, seed, among=among),
        traced={kind: random.standard_normal(count) for kind in KINDS},
        ground={kind: random.standard_normal(count) for kind in KINDS},
        case_cm3=None if case_range_cm3 is None else random.uniform(*case_range_cm3, count),
    )


def openness_u(engine: Engine, port_map: PortMap) -> dict[str, float]:
    """Return how sure opened areas are, as shares of them.

    Parameters
    ----------
    engine : Engine
    port_map : PortMap

    Returns
    -------
    dict of str to float
        Standard uncertainty over the angle-area, by ``exhaust``, ``transfer``, ``intake``; only those of
        which somebody said how sure the outlines are.

    Examples
    --------
    >>> from portmap.crank import Crank
    >>> engine = Engine(bore_mm=46, crank=Crank(stroke_mm=32, rod_mm=58), crown_height_mm=61)
    >>> openness_u(engine, PortMap(stage="stock", ports=()))
    {}
    """
    known, _ = timeable(engine, port_map)
    spans = {span.name: span for span in map_spans(engine, known)[0] if span.angle_area_mm2_deg > 0}
    if "blowdown" in spans:
        spans["exhaust"] = spans.pop("blowdown")
    found: dict[str, float] = {}
    for kind in KINDS:
        span = spans.get(kind)
        u = None if span is None else span_u_mm2_deg(engine, known, span)
        if span is not None and u is not None:
            found[kind] = u / span.angle_area_mm2_deg
    return found


def stage_draws(draws: GasDraws, engine: Engine, port_map: PortMap) -> dict[str, Floats]:
    """Return the draws of one stage, its outlines' doubt in them.

    Parameters
    ----------
    draws : GasDraws
    engine : Engine
    port_map : PortMap
        Of that stage.

    Returns
    -------
    dict of str to ndarray of shape (N,)
        For `portmap.gas_assumptions.gas_inputs`.

    Examples
    --------
    >>> from portmap.crank import Crank
    >>> engine = Engine(bore_mm=46, crank=Crank(stroke_mm=32, rod_mm=58), crown_height_mm=61)
    >>> found = stage_draws(gas_draws(5, 1), engine, PortMap(stage="stock", ports=()))
    >>> sorted(found)[:2]
    ['burn_span_deg', 'burn_start_deg']
    """
    normal: Mapping[str, Floats] = draws.ground if port_map.stage == "ground" else draws.traced
    shares = openness_u(engine, port_map)
    return opened_draws(draws.assumed, {kind: 1.0 + u * normal[kind] for kind, u in shares.items()})


def case_drawn(grid: Grid, draws: GasDraws) -> Grid:
    """Return a grid on which each draw has its own case volume.

    Parameters
    ----------
    grid : Grid
        Of one build.
    draws : GasDraws

    Returns
    -------
    Grid
        The same if the case was measured.

    Examples
    --------
    >>> from portmap.gas_grid import Grid
    >>> still = np.zeros(3)
    >>> grid = Grid(deg=still, intake_mm2=still, transfer_mm2=still, exhaust_mm2=still, cylinder_m3=still,
    ...             case_m3=still + 2e-4, slope_m3_per_deg=still, surface_m2=still, stroke_m=0.03,
    ...             swept_m3=5e-5, transfer_opens_deg=None, reed=None)
    >>> case_drawn(grid, gas_draws(4, 1, case_range_cm3=(150.0, 230.0))).case_m3.shape
    (3, 4)
    """
    if draws.case_cm3 is None:
        return grid
    at_top = grid.case_m3[0]
    return replace(grid, case_m3=grid.case_m3[:, None] + (draws.case_cm3 * 1e-6 - at_top)[None, :])
