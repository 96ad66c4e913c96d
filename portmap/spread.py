"""How sure every result of a job is: by first order, by draws, which figure it owes that to, what to repeat.

The figures that results lean on, with their doubts and correlations, are those of `portmap.doubts`; the
results those of `portmap.drawn_figures`. The first order (JCGM 100) takes differences over one standard
uncertainty; the draws (JCGM 101) take whole distributions, and say whether the first order may be trusted.

Further readings are weighed in `portmap.further_readings`.

Glossary
--------
budget
    A result's variance by figure. Of correlated figures each takes half of what they share (`portmap.gum`).

References
----------
.. [1] JCGM 100:2008, 5.2.2; JCGM 101:2008, clauses 7 and 8 (from memory).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np
from numpy.typing import NDArray

from portmap.doubts import Doubts, Figure, doubts_of, drawn_values
from portmap.drawn_figures import Bench, bench_of, results_at
from portmap.errors import Notice, QuantityError
from portmap.further_readings import Candidate, Gain, candidates_of, covariance_after, gains_of
from portmap.gum import FirstOrder, first_order, joint_u
from portmap.monte_carlo import FEWEST_DRAWS, Agreement, MonteCarlo, agreement, summary_of
from portmap.result_names import result_unit, result_words

if TYPE_CHECKING:
    from portmap.shopwork import Build

__all__ = [
    "Cause",
    "CauseSource",
    "Contribution",
    "ResultSpread",
    "chance",
    "first_order_u",
    "spreads_of",
]

Floats = NDArray[np.float64]
CauseSource = Literal["reading", "fit", "stated", "assumed", "range"]

TINY_STEP = 1e-6  # for a figure without doubt, of its size


@dataclass(frozen=True, kw_only=True, slots=True)
class Cause:
    """Something independent that may be off: a reading, or a figure that hangs together with no other.

    Parameters
    ----------
    name, words : str
        For programs (``reading:3``, ``bore_mm``) and for a person.
    value, u : float
        What it says, and its standard uncertainty, in `unit`.
    unit : str
        ``mm``, ``°``, ``cm³``, or none.
    source : {'reading', 'fit', 'stated', 'assumed', 'range'}
        Where its doubt comes from.
    moves : tuple of float
        What each figure changes by for one standard uncertainty of it, in the figures' order and units.
    """

    name: str
    words: str
    value: float
    u: float
    unit: str
    source: CauseSource
    moves: tuple[float, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class Contribution:
    """What the doubt of one figure or reading does to a result.

    Parameters
    ----------
    name, words : str
        Of the figure or reading.
    value, u : float
        In `unit`.
    unit : str
    source : {'reading', 'fit', 'stated', 'assumed', 'range'}
        Where its doubt comes from.
    contribution : float
        Change of the result for one standard uncertainty of it, in the result's unit.
    share : float
        Of the result's variance; the budget's shares add up to 1.
    """

    name: str
    words: str
    value: float
    u: float
    unit: str
    source: CauseSource
    contribution: float
    share: float


@dataclass(frozen=True, kw_only=True, slots=True)
class ResultSpread:
    """How sure one result is.

    Parameters
    ----------
    name, words, unit : str
        As in `portmap.result_names`.
    value : float
        At the figures' values, in its unit.
    first : FirstOrder or None
        None where the result isn't there within one standard uncertainty of some figure.
    drawn : MonteCarlo or None
        None where too few draws have the result.
    agrees : Agreement or None
        None without either of the two.
    budget : tuple of Contribution
        Largest share first; what has no share is left out.
    gains : tuple of Gain
        Of every further reading that gains anything, best first.
    notices : tuple of Notice
        What is doubtful of the doubt itself.
    """

    name: str
    words: str
    unit: str
    value: float
    first: FirstOrder | None
    drawn: MonteCarlo | None
    agrees: Agreement | None
    budget: tuple[Contribution, ...]
    gains: tuple[Gain, ...]
    notices: tuple[Notice, ...] = ()


def spreads_of(
    build: Build,
    *,
    doubts: Doubts | None = None,
    causes: Sequence[Cause] | None = None,
    candidates: Sequence[Candidate] | None = None,
    count: int = 10_000,
    seed: int = 1,
    coverage: float = 0.95,
    rpm: float | None = None,
) -> dict[str, ResultSpread]:
    """Return how sure every result of a build is.

    Parameters
    ----------
    build : Build
    doubts : Doubts or None, optional
        Of the figures; None takes `doubts_of` the build.
    causes : sequence of Cause or None, optional
        What the budget is drawn up by, if it explains all of the doubts; None takes the figures.
    candidates : sequence of Candidate or None, optional
        Further readings to be weighed; None takes `candidates_of` the doubts.
    count : int, optional
        How many draws.
    seed : int, optional
        The same seed gives the same draws.
    coverage : float, optional
        Of the intervals [-].
    rpm : float or None, optional
        A speed [rev/min], for specific time-areas.

    Returns
    -------
    dict of str to ResultSpread
        By name; a result that the build doesn't have is left out.

    Raises
    ------
    QuantityError
        If there are fewer than 100 draws, or coverage or speed make no sense.
    GeometryError
        As `bench_of`.

    Examples
    --------
    >>> from portmap.crank import Crank
    >>> from portmap.engine import Engine
    >>> from portmap.port import PortEdges
    >>> from portmap.shopwork import Build
    >>> engine = Engine(bore_mm=46, crank=Crank(stroke_mm=32, rod_mm=58), crown_height_mm=61)
    >>> port = PortEdges(id="e", kind="exhaust", control="crown", roof_mm=39.4, roof_u_mm=0.05)
    >>> opens = spreads_of(Build(engine=engine, edges=(port,)))["e:opens_deg"]
    >>> round(opens.value, 2), round(opens.first.u, 1), opens.budget[0].words
    (102.48, 0.2, 'roof of e')
    """
    if count < FEWEST_DRAWS:
        raise QuantityError(
            f"{count} draws are too few for an interval",
            where="draws",
            remedy=f"take at least {FEWEST_DRAWS}, better 10000",
        )
    known = doubts_of(build) if doubts is None else doubts
    bench = bench_of(build, known.names)
    drawn = results_at(bench, drawn_values(known, count, seed), rpm=rpm)
    readings = candidates_of(known) if candidates is None else candidates
    after = [covariance_after(known, reading) for reading in readings]
    found = {}
    for name, (value, factors) in _differences(bench, known, rpm=rpm).items():
        if not math.isfinite(value):
            continue
        first = _first(known, value, factors)
        shown, notices = _summary(result_words(name), drawn[name], coverage)
        found[name] = ResultSpread(
            name=name,
            words=result_words(name),
            unit=result_unit(name),
            value=value,
            first=first,
            drawn=shown,
            agrees=None if first is None or shown is None else agreement(first, shown),
            budget=() if first is None else _budget(known, first, causes),
            gains=() if first is None else gains_of(first, readings, after),
            notices=notices,
        )
    return found


def _summary(words: str, drawn: Floats, coverage: float) -> tuple[MonteCarlo | None, tuple[Notice, ...]]:
    without = int(np.count_nonzero(~np.isfinite(drawn)))
    notices: tuple[Notice, ...] = ()
    if without:
        message = f"In {without} of {len(drawn)} draws there is no result for {words}: see what limits it."
        notices = (Notice(code="missing-in-draws", message=message),)
    return (None if len(drawn) - without < FEWEST_DRAWS else summary_of(drawn, coverage)), notices


def _differences(bench: Bench, doubts: Doubts, *, rpm: float | None) -> dict[str, tuple[float, Floats]]:
    """Return each result's value, and its change for one unit of each figure."""
    x = doubts.values
    u = np.array([figure.u for figure in doubts.figures])
    steps = np.where(u > 0, u, TINY_STEP * np.maximum(np.abs(x), 1.0))
    moves = np.diag(steps)
    sets = np.concatenate([x[:, None], x[:, None] + moves, x[:, None] - moves], axis=1)
    count = len(x)
    return {
        name: (float(at[0]), (at[1 : count + 1] - at[count + 1 :]) / (2 * steps))
        for name, at in results_at(bench, sets, areas=bool(bench.nodes), rpm=rpm).items()
    }


def _first(doubts: Doubts, value: float, factors: Floats) -> FirstOrder | None:
    if not np.isfinite(factors).all():
        return None
    x = doubts.values
    return first_order(
        x,
        covariance=np.asarray(doubts.covariance).reshape(len(x), -1),
        sensitivities=factors,
        # the model is known by its differences: `first_order` asks it for the value alone
        model=lambda at: value + factors @ (at - x[:, None]),
    )


def _budget(doubts: Doubts, first: FirstOrder, causes: Sequence[Cause] | None) -> tuple[Contribution, ...]:
    rows = []
    if causes is None:
        for figure, contribution, share in zip(
            doubts.figures, first.contributions, first.shares, strict=True
        ):
            rows.append(_row(figure, contribution, share))
    else:
        for cause in causes:
            contribution = float(np.dot(first.sensitivities, cause.moves))
            rows.append(_row(cause, contribution, contribution**2 / first.u**2 if first.u > 0 else 0.0))
    kept = [row for row in rows if row.contribution != 0]
    return tuple(sorted(kept, key=lambda row: -abs(row.share)))


def _row(cause: Figure | Cause, contribution: float, share: float) -> Contribution:
    return Contribution(
        name=cause.name,
        words=cause.words,
        value=cause.value,
        u=cause.u,
        unit=cause.unit,
        source=cause.source,
        contribution=contribution,
        share=share,
    )


def first_order_u(build: Build, doubts: Doubts, *, areas: bool = True) -> dict[str, float]:
    """Return the standard uncertainty of every result, by first order alone.

    Parameters
    ----------
    build : Build
    doubts : Doubts
    areas : bool, optional
        Whether those of angle-areas are wanted.

    Returns
    -------
    dict of str to float
        By name, in the result's unit; a result that is not there, or not everywhere within one standard
        uncertainty, is left out.

    Raises
    ------
    GeometryError
        As `bench_of`.

    Examples
    --------
    >>> from portmap.crank import Crank
    >>> from portmap.engine import Engine
    >>> from portmap.port import PortEdges
    >>> from portmap.shopwork import Build
    >>> engine = Engine(bore_mm=46, crank=Crank(stroke_mm=32, rod_mm=58), crown_height_mm=61)
    >>> port = PortEdges(id="e", kind="exhaust", control="crown", roof_mm=39.4, roof_u_mm=0.01)
    >>> build = Build(engine=engine, edges=(port,))
    >>> round(first_order_u(build, doubts_of(build).stated())["e:opens_deg"], 3)
    0.039
    """
    bench = bench_of(build, doubts.names, areas=areas)
    covariance = np.asarray(doubts.covariance, np.float64).reshape(2 * (len(doubts.figures),))
    return {
        name: joint_u(factors, covariance)
        for name, (value, factors) in _differences(bench, doubts, rpm=None).items()
        if math.isfinite(value) and np.isfinite(factors).all()
    }


def chance(drawn: Mapping[str, Floats], bounds: Mapping[str, tuple[float, float]]) -> float:
    """Return the probability that results all lie within bounds, counted over draws.

    Parameters
    ----------
    drawn : mapping of str to ndarray of shape (M,)
        From `portmap.drawn_figures.figure_draws`.
    bounds : mapping of str to (float, float)
        Lowest and highest allowed of each result, in its unit; infinite where there is no limit.

    Returns
    -------
    float
        0 to 1; a draw without the result counts as a miss.

    Raises
    ------
    QuantityError
        If a result is not among the draws.

    Examples
    --------
    >>> chance({"squish_mm": np.array([0.4, 0.5, 0.6, 0.7])}, {"squish_mm": (0.45, np.inf)})
    0.75
    """
    met: NDArray[np.bool_] | None = None
    for name, (low, high) in bounds.items():
        if name not in drawn:
            raise QuantityError(f"{name} is not among the draws", where="bounds", remedy="see their names")
        here = (drawn[name] >= low) & (drawn[name] <= high)
        met = here if met is None else met & here
    return 1.0 if met is None else float(np.mean(met))
