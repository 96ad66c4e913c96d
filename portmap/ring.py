"""Whether a ring is safe on each window as drawn: verdicts by the rules of `portmap.ring_rules`.

Each verdict has a value, a grade, the place on the wall and words for the porter. A guide, never permission:
most bounds are common practice without a source, and each says so.

Frame: the bore frame (`portmap.port`). A window that no ring comes to is only looked at for its metal. A
value carries the doubt of the outline where that was stated; one nearer to a bound than twice its doubt says
so.

Glossary
--------
verdict
    What one rule has to say of one window. What can't be known is one verdict for the whole map, which names
    what to measure.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Any

from portmap.engine import Engine
from portmap.port import PortMap
from portmap.ring_measure import RingValue, ring_values
from portmap.ring_rules import GRADES, Grade, RingRule, RingRules
from portmap.shown import COVERAGE, number_text

__all__ = ["Verdict", "ring_document", "ring_verdicts", "worst_grades"]

DECIMALS = {"mm": 2, "deg": 1, "deg of bore": 1}


@dataclass(frozen=True, kw_only=True, slots=True)
class Verdict:
    """What one rule says of one window.

    Parameters
    ----------
    rule : str
        The rule's name.
    what : str
        The value in words.
    grade : {'fine', 'look again', "don't", 'not checked'}
    port : str
        The port's id; empty where the whole map is meant.
    window : int or None
        Number of the port's window; None where the whole map is meant.
    value : float or None
        In the unit; None if it can't be known.
    u : float or None
        Standard uncertainty of the value, from the outline alone; None if nobody said.
    threshold : float or None
        The bound that was passed, or else the next one; None if there is none.
    unit : str
    x_mm, y_mm : float or None
        Where on the wall [mm].
    words : str
        One sentence for the porter.
    why : str
        What happens to the ring past the bounds.
    source : str
        Where the bounds come from.
    """

    rule: str
    what: str
    grade: Grade
    port: str
    window: int | None
    value: float | None
    u: float | None
    threshold: float | None
    unit: str
    x_mm: float | None
    y_mm: float | None
    words: str
    why: str
    source: str


def ring_verdicts(engine: Engine, port_map: PortMap, rules: RingRules) -> tuple[Verdict, ...]:
    """Return what the rules of ring safety say of each window.

    Parameters
    ----------
    engine : Engine
    port_map : PortMap
    rules : RingRules
        As `ring_rules` gives them.

    Returns
    -------
    tuple of Verdict
        By port, window and rule; what could not be checked comes last.

    Raises
    ------
    GeometryError
        If a window's shape makes no sense for the bore.

    Examples
    --------
    >>> from portmap.crank import Crank
    >>> from portmap.port import Port, Window, window_polygon
    >>> from portmap.ring_rules import ring_rules
    >>> engine = Engine(bore_mm=46, crank=Crank(stroke_mm=32, rod_mm=58), crown_height_mm=61)
    >>> shape = window_polygon([[-14, 28], [14, 28], [14, 40], [-14, 40]])
    >>> port = Port(id="exhaust", kind="exhaust", control="crown", windows=(Window(outline=shape),))
    >>> found = ring_verdicts(engine, PortMap(stage="stock", ports=(port,)), ring_rules({}))
    >>> print(found[0].words)
    Fine: widest unsupported stretch, as a chord: 0.572 of bore.
    >>> [verdict.rule for verdict in found if verdict.grade == "don't"]
    ['ring_corner', 'ring_lead', 'ring_flat']
    """
    found: list[Verdict] = []
    unknown: dict[str, list[str]] = {}
    for one in ring_values(engine, port_map, rules):
        if one.value is None:
            unknown.setdefault(one.rule, []).append(one.port)
        else:
            found.append(_verdict(rules.rule(one.rule), one, one.value))
    missing = [_not_checked(rules.rule(name), ports) for name, ports in unknown.items()]
    return (*found, *missing)


def _verdict(rule: RingRule, one: RingValue, value: float) -> Verdict:
    if one.most_asked is not None:
        rule = replace(
            rule,
            look_again=_at_most(rule.look_again, one.most_asked),
            dont=_at_most(rule.dont, one.most_asked),
        )
    grade: Grade = "fine" if one.easy else rule.grade(value)
    bound = rule.dont if grade == "don't" else rule.look_again
    return Verdict(
        rule=rule.name,
        what=rule.what,
        grade=grade,
        port=one.port,
        window=one.window,
        value=value,
        u=one.u,
        threshold=bound,
        unit=rule.unit,
        x_mm=one.x_mm,
        y_mm=one.y_mm,
        words=_words(rule, grade, value, bound, one),
        why=rule.why,
        source=rule.source,
    )


def _at_most(bound: float | None, most: float) -> float | None:
    return None if bound is None else min(bound, most)


def _words(rule: RingRule, grade: Grade, value: float, bound: float | None, one: RingValue) -> str:
    decimals = DECIMALS.get(rule.unit, 3)
    text = f"{grade.capitalize()}: {rule.what}: {number_text(value, decimals)} {rule.unit}"
    if grade != "fine" and bound is not None:
        side = "more" if rule.sense == "most" else "less"
        text += f", {side} than {number_text(bound, decimals)}: {rule.why}"
    elif one.easy and rule.grade(value) != "fine":
        text += "; the window is so narrow that it does no harm"
    near = [edge for edge in (rule.look_again, rule.dont) if edge is not None]
    if one.u is not None and any(abs(value - edge) < COVERAGE * one.u for edge in near):
        text += f" (± {number_text(COVERAGE * one.u, decimals + 1)}: too near a bound to be sure)"
    return f"{text}."


def _not_checked(rule: RingRule, ports: Iterable[str]) -> Verdict:
    where = ", ".join(dict.fromkeys(ports))
    return Verdict(
        rule=rule.name,
        what=rule.what,
        grade="not checked",
        port="",
        window=None,
        value=None,
        u=None,
        threshold=rule.look_again,
        unit=rule.unit,
        x_mm=None,
        y_mm=None,
        words=f"Not checked: {rule.what} ({where}); measure {rule.measure}.",
        why=rule.why,
        source=rule.source,
    )


def worst_grades(verdicts: Iterable[Verdict]) -> dict[str, Grade]:
    """Return the worst grade of each port.

    Parameters
    ----------
    verdicts : iterable of Verdict

    Returns
    -------
    dict of str to str
        By port id; what was not checked doesn't count.

    Examples
    --------
    >>> worst_grades(())
    {}
    """
    worst: dict[str, Grade] = {}
    for verdict in verdicts:
        if verdict.port and verdict.grade != "not checked":
            before = worst.get(verdict.port, "fine")
            worst[verdict.port] = min(before, verdict.grade, key=GRADES.index)
    return worst


def ring_document(verdicts: Iterable[Verdict]) -> dict[str, Any]:
    """Return verdicts for other programs.

    Parameters
    ----------
    verdicts : iterable of Verdict

    Returns
    -------
    dict
        ``worst``: the worst grade by port; ``counts`` by grade; ``verdicts``, each with the fields of
        `Verdict`.

    Examples
    --------
    >>> ring_document(())
    {'worst': {}, 'counts': {"don't": 0, 'look again': 0, 'not checked': 0, 'fine': 0}, 'verdicts': []}
    """
    found = tuple(verdicts)
    return {
        "worst": worst_grades(found),
        "counts": {grade: sum(verdict.grade == grade for verdict in found) for grade in GRADES},
        "verdicts": [
            {
                "rule": one.rule,
                "what": one.what,
                "grade": one.grade,
                "port": one.port or None,
                "window": one.window,
                "value": one.value,
                "u": one.u,
                "threshold": one.threshold,
                "unit": one.unit,
                "x_mm": one.x_mm,
                "y_mm": one.y_mm,
                "words": one.words,
                "why": one.why,
                "source": one.source,
            }
            for one in found
        ],
    }
