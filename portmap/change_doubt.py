"""How sure figures are before and after work, and how sure the change between them is.

What was measured once stands behind both, so that most of its doubt drops out of the change: a crown height
that is 0.02 mm off shifts the exhaust's opening before and after alike. Both builds are therefore computed
from the same draws (JCGM 101), each figure moved by what the work did to it; a gasket that the work puts
in is a new one, with a doubt of its own, and none at all where there is none. How truly the work itself is
done is left to whoever does it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from portmap.doubts import Doubts, doubts_of, drawn_values
from portmap.drawn_figures import bench_of, results_at
from portmap.shopwork import Build
from portmap.volume import bore_slice_cm3

__all__ = ["ChangeDoubt", "change_doubts"]

Floats = NDArray[np.float64]

DRAWS = 2000  # a doubt good to 2 % of itself, finer than anybody reads one
GASKET, HEAD = "base_gasket_mm", "head_volume_cm3"


@dataclass(frozen=True, kw_only=True, slots=True)
class ChangeDoubt:
    """Standard uncertainties of a figure before work, after it, and of its change.

    Parameters
    ----------
    before_u, after_u, change_u : float or None
        In the figure's unit; None where some of the draws gave no figure.
    """

    before_u: float | None
    after_u: float | None
    change_u: float | None


def change_doubts(
    before: Build, now: Build, *, doubts: Doubts | None = None, count: int = DRAWS, seed: int = 1
) -> dict[str, ChangeDoubt]:
    """Return how sure each figure and its change is.

    Parameters
    ----------
    before, now : Build
        `now` made of `before` by `portmap.shopwork.after`.
    doubts : Doubts or None, optional
        Of the figures before the work; None takes `doubts_of` it.
    count : int, optional
        How many draws.
    seed : int, optional
        The same seed gives the same draws.

    Returns
    -------
    dict of str to ChangeDoubt
        By the names that `portmap.effects.bench_figures` and `area_figures` use, as far as draws have them.

    Raises
    ------
    QuantityError
        As `doubts_of` and `drawn_values`.
    GeometryError
        As `bench_of`.

    Examples
    --------
    >>> from portmap.crank import Crank
    >>> from portmap.engine import Engine
    >>> from portmap.operation import parse_operation
    >>> from portmap.shopwork import after
    >>> engine = Engine(bore_mm=46, crank=Crank(stroke_mm=32, rod_mm=58), crown_height_mm=61,
    ...                 squish_band_height_mm=61.8)
    >>> build = Build(engine=engine, edges=())
    >>> found = change_doubts(build, after(build, parse_operation("cut_base 0.2 mm")))["squish_mm"]
    >>> round(found.before_u, 3), round(found.change_u, 9)
    (0.014, 0.0)
    """
    known = doubts_of(before) if doubts is None else doubts
    drawn = drawn_values(known, count, seed)
    moved = _moved(known, doubts_of(now), drawn)
    if _gasket_is_new(before, now):
        _fit_gasket(known, doubts_of(now), moved, now.engine.bore_mm, seed)
    first, second = (
        results_at(bench_of(build, known.names), values) for build, values in ((before, drawn), (now, moved))
    )
    found = {
        name: ChangeDoubt(
            before_u=_spread(first.get(name)),
            after_u=_spread(second.get(name)),
            change_u=_spread(second[name] - first[name]) if name in first and name in second else None,
        )
        for name in dict.fromkeys((*first, *second))
    }
    return found | _gasket(known, drawn, moved)


def _gasket_is_new(before: Build, now: Build) -> bool:
    work = now.done[len(before.done) :]
    return any(piece.operation in ("base_gasket", "sealant") for piece in work)


def _moved(known: Doubts, later: Doubts, drawn: Floats) -> Floats:
    """Return the draws after the work, each figure moved by what the work did to it."""
    after_it = {figure.name: figure.value for figure in later.figures}
    steps = np.array([after_it[figure.name] - figure.value for figure in known.figures])
    return np.asarray(drawn + steps[:, None])


def _fit_gasket(known: Doubts, later: Doubts, moved: Floats, bore_mm: float, seed: int) -> None:
    """Put a new gasket's doubt in place of the old one's, into the head volume too."""
    if GASKET not in known.names:
        return
    row = known.names.index(GASKET)
    new = later.figures[later.names.index(GASKET)]
    fresh = new.value + new.u * np.random.default_rng((seed, row)).standard_normal(moved.shape[1])
    if HEAD in known.names:
        moved[known.names.index(HEAD)] += bore_slice_cm3(bore_mm, fresh - moved[row])
    moved[row] = fresh


def _gasket(known: Doubts, drawn: Floats, moved: Floats) -> dict[str, ChangeDoubt]:
    if GASKET not in known.names:
        return {}
    row = known.names.index(GASKET)
    doubt = ChangeDoubt(
        before_u=_spread(drawn[row]),
        after_u=_spread(moved[row]),
        change_u=_spread(moved[row] - drawn[row]),
    )
    return {GASKET: doubt}


def _spread(values: Floats | None) -> float | None:
    if values is None or not np.isfinite(values).all():
        return None
    return float(np.std(values))
