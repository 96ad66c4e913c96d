"""How sure a job's results are, as other programs read it, and in plain words what to do about it.

The document is made of plain dictionaries, lists, text and numbers, ready for JSON. Doubts are standard
uncertainties (k = 1) unless they stand as an interval.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Any

from portmap.doubts import Doubts, doubts_of
from portmap.errors import Notice
from portmap.further_readings import Candidate, Gain
from portmap.gum import expanded_u
from portmap.result_names import names_meant
from portmap.shown import UnitSystem
from portmap.spread import Cause, Contribution, ResultSpread, spreads_of

if TYPE_CHECKING:
    from portmap.shopwork import Build

__all__ = ["LEAST_GAIN", "advice_of", "spread_document"]

LEAST_GAIN = 0.02  # of a doubt: a reading that lowers it by less is not worth advising
SHOWN_GAINS = 5

SOURCES = {
    "reading": "read",
    "fit": "fitted from readings",
    "stated": "stated",
    "assumed": "assumed doubt",
    "range": "a stated range",
}


def spread_document(
    build: Build,
    of: Sequence[str],
    *,
    doubts: Doubts | None = None,
    causes: Sequence[Cause] | None = None,
    candidates: Sequence[Candidate] | None = None,
    count: int = 10_000,
    seed: int = 1,
    coverage: float = 0.95,
    rpm: float | None = None,
    notices: Iterable[Notice] = (),
    system: UnitSystem | None = None,
) -> dict[str, Any]:
    """Return how sure results of a build are.

    Parameters
    ----------
    build : Build
    of : sequence of str
        Which results, as somebody types them: ``blowdown``, ``exhaust opens``, ``all``.
    doubts : Doubts or None, optional
        Of the figures; None takes `doubts_of` the build.
    causes : sequence of Cause or None, optional
        What the budgets are drawn up by; None takes the figures.
    candidates : sequence of Candidate or None, optional
        Further readings to be weighed; None takes the figures' own.
    count : int, optional
        How many draws.
    seed : int, optional
        The same seed gives the same draws.
    coverage : float, optional
        Of the intervals [-].
    rpm : float or None, optional
        A speed [rev/min], for specific time-areas.
    notices : iterable of Notice, optional
        Doubts that the job carries.
    system : UnitSystem or None, optional
        Of the sentences; mm unless told.

    Returns
    -------
    dict
        ``results``: for each ``name``, ``words``, ``unit``, ``value``, ``u``, ``interval``, ``shortest``,
        ``first_order`` (``u``, ``interval``, ``agrees``), ``budget``, ``gains`` and ``advice``.

    Raises
    ------
    QuantityError
        As `spreads_of`, or if nothing is called so.
    GeometryError
        As `spreads_of`.

    Examples
    --------
    >>> from portmap.crank import Crank
    >>> from portmap.engine import Engine
    >>> from portmap.port import PortEdges
    >>> from portmap.shopwork import Build
    >>> engine = Engine(bore_mm=46, crank=Crank(stroke_mm=32, rod_mm=58), crown_height_mm=61)
    >>> port = PortEdges(id="e", kind="exhaust", control="crown", roof_mm=39.4, roof_u_mm=0.05)
    >>> found = spread_document(Build(engine=engine, edges=(port,)), ["e opens"])["results"][0]
    >>> found["name"], round(found["value"], 2), found["budget"][0]["words"]
    ('e:opens_deg', 102.48, 'roof of e')
    """
    known = doubts_of(build) if doubts is None else doubts
    spreads = spreads_of(
        build,
        doubts=known,
        causes=causes,
        candidates=candidates,
        count=count,
        seed=seed,
        coverage=coverage,
        rpm=rpm,
    )
    names = [name for typed in of for name in names_meant(typed, [*spreads], build.edges)]
    results = [spreads[name] for name in dict.fromkeys(names)]
    said = (
        *notices,
        *known.notices(system=system),
        *(notice for result in results for notice in result.notices),
    )
    return {
        "stage": None if build.port_map is None else build.port_map.stage,
        "draws": count,
        "seed": seed,
        "coverage": coverage,
        "rpm": rpm,
        "results": [_result(result) for result in results],
        "assumed": list(build.engine.assumed),
        "fitted": list(build.engine.fitted),
        "warnings": [notice.as_dict() for notice in dict.fromkeys(said)],
    }


def _result(result: ResultSpread) -> dict[str, Any]:
    drawn, first = result.drawn, result.first
    found: dict[str, Any] = {
        "name": result.name,
        "words": result.words,
        "unit": result.unit,
        "value": result.value,
        "u": drawn.u if drawn is not None else None if first is None else first.u,
        "mean": None if drawn is None else drawn.mean,
        "interval": None if drawn is None else list(drawn.interval),
        "shortest": None if drawn is None else list(drawn.shortest),
        "first_order": None,
    }
    if first is not None:
        _, half = expanded_u(first, 0.95 if drawn is None else drawn.coverage)
        found["first_order"] = {
            "u": first.u,
            "interval": [first.value - half, first.value + half],
            "agrees": None if result.agrees is None else result.agrees.agrees,
            "tolerance": None if result.agrees is None else result.agrees.tolerance,
        }
    found["budget"] = [_row(row) for row in result.budget]
    found["gains"] = [
        {"reading": gain.words, "u_after": gain.u_after, "gain": gain.gain}
        for gain in result.gains[:SHOWN_GAINS]
    ]
    found["advice"] = (
        "It is not there within the doubt of some figure, so no budget can be drawn up."
        if first is None
        else advice_of(result.budget, result.gains)
    )
    return found


def _row(row: Contribution) -> dict[str, Any]:
    return {
        "name": row.name,
        "words": row.words,
        "value": row.value,
        "u": row.u,
        "unit": row.unit,
        "source": row.source,
        "source_words": SOURCES[row.source],
        "contribution": row.contribution,
        "share": row.share,
    }


def advice_of(budget: Sequence[Contribution], gains: Sequence[Gain]) -> str:
    """Return in plain words what would make a result surer.

    Parameters
    ----------
    budget : sequence of Contribution
        Largest share first.
    gains : sequence of Gain
        Best first.

    Returns
    -------
    str
        One or two sentences.

    Examples
    --------
    >>> advice_of([], [Gain(words="measure the bore again with a caliper", u_after=0.9, gain=0.1)])
    'To gain most, measure the bore again with a caliper: the doubt falls by 10 %.'
    """
    found = []
    if budget and budget[0].source == "range":
        found.append(
            f"Most of the doubt is the {budget[0].words}, a stated range that no reading of a figure narrows."
        )
    if gains and gains[0].gain >= LEAST_GAIN:
        found.append(f"To gain most, {gains[0].words}: the doubt falls by {100 * gains[0].gain:.0f} %.")
    elif budget:
        found.append(f"No single further reading lowers the doubt by as much as {100 * LEAST_GAIN:.0f} %.")
    else:
        found.append("It rests on nothing that is in doubt.")
    return " ".join(found)
