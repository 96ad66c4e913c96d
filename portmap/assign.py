"""Which traced windows make which port: as stated, or guessed from where they stand.

An assignment is written ``NUMBERS=KIND`` or ``NUMBERS=KIND:NAME``: ``1=exhaust``, ``2,3=transfer:main``,
``4-6=boost``. Windows of one kind make one port of that kind's name, unless a name is given.

What nobody assigned is guessed from its place (common practice, no source): the largest window near the
exhaust centre line is the exhaust, with whatever stands beside it at the same height; a window opposite
the exhaust is a boost port if it stands as high as the exhaust's floor, else an intake; the others at the
sides are transfers, two that mirror each other making one port. A guess is marked as one.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import get_args

from portmap.errors import Notice, QuantityError
from portmap.job_faults import nearest, quoted
from portmap.port import USUAL_CONTROL, Control, Kind, Port, PortMap, Window, centre_x, mirrored_pairs

__all__ = ["Assignment", "assigned_ports", "assignment_of", "control_of", "numbers_of"]

FRONT_DEG = 45.0  # a window whose middle is nearer to x = 0 than this round the bore may be the exhaust
BACK_DEG = 135.0  # and beyond this it stands opposite
SAME_ROOF_MM = 3.0  # halves of a bridged exhaust open together

KINDS: tuple[Kind, ...] = get_args(Kind)
CONTROLS: tuple[Control, ...] = get_args(Control)


@dataclass(frozen=True, kw_only=True, slots=True)
class Assignment:
    """Windows that somebody said are of one kind.

    Parameters
    ----------
    numbers : tuple of str
        Names of the map's ports, as traced ``1``, ``2`` and so on.
    kind : {'exhaust', 'transfer', 'boost', 'intake', 'strato', 'other'}
    name : str or None
        Of the port that they make; None for the kind's own.
    """

    numbers: tuple[str, ...]
    kind: Kind
    name: str | None = None


def assignment_of(text: str, *, where: str = "--assign") -> Assignment:
    """Return what somebody typed to say which windows are what.

    Parameters
    ----------
    text : str
        ``NUMBERS=KIND`` or ``NUMBERS=KIND:NAME``; numbers with commas between them or as ``2-4``.
    where : str, optional
        Opens the message of an error.

    Returns
    -------
    Assignment

    Raises
    ------
    QuantityError
        If it is not of that form or the kind is unknown.

    Examples
    --------
    >>> assignment_of("2,3=transfer:main")
    Assignment(numbers=('2', '3'), kind='transfer', name='main')
    >>> assignment_of("1=exaust")
    Traceback (most recent call last):
    portmap.errors.QuantityError: --assign: 'exaust' is not a kind of port; did you mean exhaust?
    """
    left, equals, right = text.partition("=")
    kind, colon, name = (part.strip() for part in right.partition(":"))
    numbers = [number for part in left.split(",") for number in _numbers(part.strip(), text, where)]
    if not equals or not numbers or (colon and not name):
        raise QuantityError(
            f"{quoted(text)} says nothing", where=where, remedy="write NUMBERS=KIND, as in 2,3=transfer"
        )
    if kind not in KINDS:
        near = nearest(kind, KINDS)
        raise QuantityError(
            f"{quoted(kind)} is not a kind of port",
            where=where,
            remedy=f"did you mean {near}?" if near else f"choose one of {', '.join(KINDS)}",
        )
    return Assignment(numbers=tuple(numbers), kind=kind, name=name or None)


def numbers_of(text: str, *, where: str) -> list[int]:
    """Return the window numbers that somebody typed.

    Parameters
    ----------
    text : str
        Numbers with commas between them or as ``2-4``.
    where : str
        Opens the message of an error.

    Returns
    -------
    list of int
        At least one, in the order typed.

    Raises
    ------
    QuantityError
        If it is not of that form.

    Examples
    --------
    >>> numbers_of("1, 4-6", where="--keep")
    [1, 4, 5, 6]
    """
    found = [number for part in text.split(",") for number in _numbers(part.strip(), text, where)]
    if not found or not all(re.fullmatch(r"\d{1,4}", number) for number in found):
        raise QuantityError(
            f"{quoted(text)} does not name windows", where=where, remedy="write their numbers, as in 1,2,4-6"
        )
    return [int(number) for number in found]


def _numbers(part: str, text: str, where: str) -> list[str]:
    ends = re.fullmatch(r"(\d{1,4})-(\d{1,4})", part)
    if ends is None:
        return [part] if part else []
    first, last = int(ends[1]), int(ends[2])
    if last < first:
        raise QuantityError(
            f"{quoted(part)} in {quoted(text)} runs backwards", where=where, remedy=f"write {last}-{first}"
        )
    return [str(number) for number in range(first, last + 1)]


def control_of(text: str, *, where: str = "--control") -> tuple[str, Control]:
    """Return what somebody typed to say which piston edge controls a port.

    Parameters
    ----------
    text : str
        ``PORT=CONTROL``, where PORT is a port's name or a kind: ``intake=none``.
    where : str, optional
        Opens the message of an error.

    Returns
    -------
    tuple of (str, str)
        The port's name or kind, and the control.

    Raises
    ------
    QuantityError
        If it is not of that form or the control is unknown.

    Examples
    --------
    >>> control_of("intake=none")
    ('intake', 'none')
    """
    port, _, control = (part.strip() for part in text.partition("="))
    if not port or control not in CONTROLS:
        near = nearest(control, CONTROLS)
        raise QuantityError(
            f"{quoted(text)} does not say what controls a port",
            where=where,
            remedy=f"did you mean {port}={near}?"
            if port and near
            else "write PORT=crown, skirt, pocket or none",
        )
    return port, control


def assigned_ports(
    port_map: PortMap,
    assignments: Iterable[Assignment],
    bore_mm: float,
    *,
    controls: Iterable[tuple[str, Control]] = (),
) -> tuple[PortMap, tuple[Notice, ...]]:
    """Return a map whose ports have their kinds, and what was guessed.

    Parameters
    ----------
    port_map : PortMap
        As traced: each window a port of its own, of kind ``other``. Ports of another kind stay as they
        are unless they are assigned.
    assignments : iterable of Assignment
    bore_mm : float
        Bore [mm].
    controls : iterable of (str, str), optional
        From `control_of`; what is not named takes its kind's usual control.

    Returns
    -------
    PortMap
        Ports in the order exhaust, transfer, boost, intake, strato, other.
    tuple of Notice
        One for all guesses together.

    Raises
    ------
    QuantityError
        If a number is not in the map or stands twice, a name is used for two kinds, or a control names
        no port.

    Examples
    --------
    >>> from portmap.port import window_polygon
    >>> def traced(name, left, right):
    ...     shape = window_polygon([[left, 25], [right, 25], [right, 38], [left, 38]])
    ...     return Port(id=name, kind="other", control="crown", windows=(Window(outline=shape),))
    >>> ports = (traced("1", -35, -22), traced("2", -14, 14), traced("3", 22, 35))
    >>> traced_map = PortMap(stage="stock", ports=ports)
    >>> made, notices = assigned_ports(traced_map, [assignment_of("2=exhaust")], 46.0)
    >>> [(port.id, len(port.windows), port.kind_guessed) for port in made.ports], notices[0].code
    ([('exhaust', 1, False), ('transfer', 2, True)], 'kind-guessed')
    """
    traced = {port.id: port for port in port_map.ports}
    groups: dict[str, _Group] = {}
    used: set[str] = set()
    for assignment in assignments:
        for number in assignment.numbers:
            if number not in traced:
                raise QuantityError(
                    f"there is no window {quoted(number)} in the map",
                    where="--assign",
                    remedy=f"it has {', '.join(traced) or 'none'}",
                )
            if number in used:
                raise QuantityError(
                    f"window {number} is assigned twice", where="--assign", remedy="assign it once"
                )
            used.add(number)
        name = assignment.name or assignment.kind
        group = groups.setdefault(name, _Group(kind=assignment.kind, members=(), guessed=False))
        if group.kind != assignment.kind:
            raise QuantityError(
                f"{quoted(name)} is to be both {group.kind} and {assignment.kind}",
                where="--assign",
                remedy="give them different names",
            )
        members = (*group.members, *(traced[number] for number in assignment.numbers))
        groups[name] = _Group(kind=group.kind, members=members, guessed=False)
    left = tuple(port for port in port_map.ports if port.id not in used)
    stated = tuple(port for port in left if port.kind != "other")
    unsaid = tuple(port for port in left if port.kind == "other")
    known = [port for group in groups.values() if group.kind == "exhaust" for port in group.members]
    known += [port for port in stated if port.kind == "exhaust"]
    taken = {*groups, *(port.id for port in stated)}
    guesses = _guessed_groups(unsaid, bore_mm, known, taken)
    ports = [_merged(name, group) for name, group in {**groups, **guesses}.items()]
    made = _controlled([*ports, *stated], list(controls))
    made.sort(key=lambda port: KINDS.index(port.kind))
    return PortMap(stage=port_map.stage, ports=tuple(made)), _guess_notices(guesses)


@dataclass(frozen=True, kw_only=True, slots=True)
class _Group:
    """Traced ports that make one port."""

    kind: Kind
    members: tuple[Port, ...]
    guessed: bool


def _merged(name: str, group: _Group) -> Port:
    first = group.members[0]
    return Port(
        id=name,
        kind=group.kind,
        control=USUAL_CONTROL[group.kind],
        windows=tuple(window for member in group.members for window in member.windows),
        tilt_deg=first.tilt_deg,
        pocket=first.pocket,
        kind_guessed=group.guessed,
    )


def _controlled(ports: list[Port], controls: list[tuple[str, Control]]) -> list[Port]:
    made = ports
    for name, control in controls:
        hits = {port.id for port in made if port.id == name} or {
            port.id for port in made if port.kind == name
        }
        if not hits:
            raise QuantityError(
                f"there is no port or kind {quoted(name)} in the map",
                where="--control",
                remedy=f"it has {', '.join(port.id for port in made)}",
            )
        made = [replace(port, control=control) if port.id in hits else port for port in made]
    return made


def _guessed_groups(
    ports: tuple[Port, ...], bore_mm: float, exhaust: list[Port], taken: set[str]
) -> dict[str, _Group]:
    """Return groups for the ports that nobody assigned."""
    found: dict[str, _Group] = {}
    rest = list(ports)
    if not exhaust:
        exhaust = _exhaust_among(rest, bore_mm)
        rest = [port for port in rest if port not in exhaust]
        if exhaust:
            _add(found, taken, "exhaust", exhaust)
    floor = min((_bounds(port)[1] for port in exhaust), default=-math.inf)
    opposite = [port for port in rest if _round_deg(port, bore_mm) > BACK_DEG]
    boost = [port for port in opposite if _bounds(port)[3] > floor]
    intake = [port for port in opposite if port not in boost]
    beneath = [
        port for port in rest if _round_deg(port, bore_mm) < FRONT_DEG and not _bounds(port)[3] > floor
    ]
    sides = [port for port in rest if port not in opposite and port not in beneath]
    if boost:
        _add(found, taken, "boost", boost)
    if intake:
        _add(found, taken, "intake", intake)
    for group in _pairs(sides, bore_mm):
        _add(found, taken, "transfer", group, numbered=len(sides) > 2)
    for port in beneath:
        _add(found, taken, "other", [port], numbered=True)
    return found


def _exhaust_among(ports: list[Port], bore_mm: float) -> list[Port]:
    front = [port for port in ports if _round_deg(port, bore_mm) < FRONT_DEG]
    if not front:
        return []
    largest = max(front, key=lambda port: sum(window.outline.area for window in port.windows))
    roof = _bounds(largest)[3]
    return [port for port in front if abs(_bounds(port)[3] - roof) <= SAME_ROOF_MM]


def _pairs(ports: list[Port], bore_mm: float) -> list[list[Port]]:
    """Return mirrored pairs together and the others alone, from the exhaust's side round."""
    by_id = {port.id: port for port in ports}
    pairs = mirrored_pairs(PortMap(stage="stock", ports=tuple(ports)), bore_mm)
    groups = [[by_id[left], by_id[right]] for left, _, right, _ in pairs if left != right]
    paired = {port.id for group in groups for port in group}
    groups += [[port] for port in ports if port.id not in paired]
    return sorted(groups, key=lambda group: _round_deg(group[0], bore_mm))


def _add(
    found: dict[str, _Group], taken: set[str], kind: Kind, members: list[Port], *, numbered: bool = False
) -> None:
    number = 1
    name = f"{kind}-1" if numbered else str(kind)
    while name in found or name in taken:
        number += 1
        name = f"{kind}-{number}"
    found[name] = _Group(kind=kind, members=tuple(members), guessed=True)


def _guess_notices(guesses: dict[str, _Group]) -> tuple[Notice, ...]:
    if not guesses:
        return ()
    said = "; ".join(
        f"{'windows' if len(group.members) > 1 else 'window'}"
        f" {', '.join(member.id for member in group.members)} as {name}"
        for name, group in guesses.items()
    )
    return (
        Notice(
            code="kind-guessed",
            message=f"Guessed from their places, check it or say it with --assign: {said}.",
        ),
    )


def _bounds(port: Port) -> tuple[float, float, float, float]:
    edges = [window.outline.bounds for window in port.windows]
    return (
        min(edge[0] for edge in edges),
        min(edge[1] for edge in edges),
        max(edge[2] for edge in edges),
        max(edge[3] for edge in edges),
    )


def _round_deg(port: Port, bore_mm: float) -> float:
    """Return how far round the bore the port's middle stands from the exhaust centre line, 0 to 180."""
    largest: Window = max(port.windows, key=lambda window: float(window.outline.area))
    turn = math.degrees(centre_x(largest, bore_mm) / (bore_mm / 2))
    return abs((turn + 180.0) % 360.0 - 180.0)
