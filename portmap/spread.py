"""How sure every result of a job is: by first order, by draws, which figure it owes that to, what to repeat.

The figures that results lean on, with their doubts and correlations, are those of `portmap.doubts`; the
results those of `portmap.drawn_figures`. The first order (JCGM 100) takes differences over one standard
uncertainty; the draws (JCGM 101) take whole distributions, and say whether the first order may be trusted.

What a further reading would gain follows from the covariance V of the figures: a reading of a combination
a of them, with standard uncertainty s, leaves V − V a aᵀ V / (s² + aᵀ V a). Reading again with the same tool
counts only for what varies between its readings (see `portmap.tools`).

Glossary
--------
budget
    A result's variance by figure. Of correlated figures each takes half of what they share (`portmap.gum`).
gain
    By what part a further reading lowers a result's standard uncertainty.

References
----------
.. [1] JCGM 100:2008, 5.2.2; JCGM 101:2008, clauses 7 and 8 (from memory).
.. [2] Sherman and Morrison, 1950, on the inverse of a matrix changed by one row (from memory).
"""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np
from numpy.typing import NDArray

from portmap.doubts import Doubts, Figure, doubts_of, drawn_values
from portmap.drawn_figures import Bench, bench_of, results_at
from portmap.errors import Notice, QuantityError
from portmap.gum import FirstOrder, first_order, joint_u
from portmap.monte_carlo import FEWEST_DRAWS, Agreement, MonteCarlo, agreement, summary_of
from portmap.result_names import result_unit, result_words
from portmap.tools import tool_doubt, tools

if TYPE_CHECKING:
    from portmap.shopwork import Build

__all__ = [
    "Candidate",
    "Cause",
    "CauseSource",
    "Contribution",
    "Gain",
    "ResultSpread",
    "candidates_of",
    "chance",
    "first_order_u",
    "gains_of",
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
class Candidate:
    """A further reading that could be made.

    Parameters
    ----------
    words : str
        What to do, as a sentence without its full stop.
    rows : tuple of (tuple of float, float)
        Which combination of the figures each of its readings is of, and the weight (1/s²) that it adds, in
        the figures' order and units.
    """

    words: str
    rows: tuple[tuple[tuple[float, ...], float], ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class Gain:
    """What a further reading would do for a result.

    Parameters
    ----------
    words : str
        What to do.
    u_after : float
        Standard uncertainty of the result then, in its unit.
    gain : float
        By what part it is lowered, 0 to 1.
    """

    words: str
    u_after: float
    gain: float


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
    after = [_covariance_after(known, reading) for reading in readings]
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
    covariance = np.asarray(doubts.covariance).reshape(len(doubts.figures), -1)
    return {
        name: joint_u(factors, covariance)
        for name, (value, factors) in _differences(bench, doubts, rpm=None).items()
        if math.isfinite(value) and np.isfinite(factors).all()
    }


def candidates_of(doubts: Doubts, measured: Collection[str] = ()) -> tuple[Candidate, ...]:
    """Return the further readings that would tell more of the figures themselves.

    Parameters
    ----------
    doubts : Doubts
    measured : collection of str, optional
        Names of fitted figures that have been measured themselves, too.

    Returns
    -------
    tuple of Candidate
        Each figure once more with the tool that reads it, or measured at last; and the outlines from one
        more photograph.

    Examples
    --------
    >>> figure = Figure(name="rod_mm", words="rod length", value=57.6, u=3.2, unit="mm", source="assumed",
    ...                 tool="caliper")
    >>> candidates_of(Doubts(figures=(figure,), covariance=((10.24,),)))[0].words
    'measure the rod length with a caliper'
    """
    count = len(doubts.figures)
    found = []
    traced: list[tuple[tuple[float, ...], float]] = []
    for number, figure in enumerate(doubts.figures):
        row = tuple(1.0 if other == number else 0.0 for other in range(count))
        if not figure.u > 0:
            continue
        if figure.traced_u:
            traced.append((row, 1 / figure.traced_u**2))
        if figure.tool is None:
            continue
        tool = tools()[figure.tool]
        once, twice = (tool_doubt(tool, times=times) for times in (1, 2))
        known = figure.name in measured or figure.source != "fit"
        read = known and figure.u <= once * (1 + 1e-9)
        weight = 1 / twice**2 - 1 / once**2 if read else 1 / once**2
        words = f"measure the {figure.words} {'again ' if read else ''}with a {tool.name}"
        found.append(Candidate(words=words, rows=((row, weight),)))
    if traced:
        words = "trace the ports again from another photograph"
        found.append(Candidate(words=words, rows=tuple(traced)))
    return tuple(found)


def _covariance_after(doubts: Doubts, reading: Candidate) -> Floats:
    """Return the figures' covariance once a further reading is made."""
    matrix = np.asarray(doubts.covariance, np.float64).reshape(len(doubts.figures), -1)
    for row, weight in reading.rows:
        a = np.asarray(row)
        along = matrix @ a
        matrix = matrix - np.outer(along, along) / (1 / weight + float(a @ along))
    return np.asarray(matrix)


def gains_of(first: FirstOrder, readings: Sequence[Candidate], after: Sequence[Floats]) -> tuple[Gain, ...]:
    """Return what each further reading would do for a result.

    Parameters
    ----------
    first : FirstOrder
        Of the result.
    readings : sequence of Candidate
    after : sequence of ndarray of shape (N, N)
        The figures' covariance once each of those is made.

    Returns
    -------
    tuple of Gain
        Best first; those that gain nothing are left out.

    Examples
    --------
    >>> first = first_order([1.0, 2.0], u=[3.0, 4.0], sensitivities=[1.0, 1.0])
    >>> again = Candidate(words="measure the second again", rows=(((0.0, 1.0), 1 / 16),))
    >>> gains_of(first, [again], [np.diag([9.0, 8.0])])[0].u_after
    4.123
    """
    if not first.u > 0:
        return ()
    found = []
    for reading, covariance in zip(readings, after, strict=True):
        left = joint_u(first.sensitivities, covariance)
        gain = 1 - left / first.u
        if gain > 1e-9:
            found.append(Gain(words=reading.words, u_after=left, gain=gain))
    return tuple(sorted(found, key=lambda one: -one.gain))


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
