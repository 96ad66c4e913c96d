"""A comparison as rows of tables and sentences for a person, in mm or in inch.

The comparison comes from `portmap.compare`; the verb ``compare`` and the screens show the same rows.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence

from portmap.change import Change
from portmap.compare import Comparison, PortChange
from portmap.left_right import PairDifference
from portmap.nearness import PortNearness
from portmap.shown import UnitSystem, with_doubt

__all__ = ["laid_words", "near_words", "pair_columns", "pair_rows", "port_rows", "span_rows"]

Text = Callable[[float, float | None], str]  # of a figure and its standard doubt


def laid_words(found: Comparison, system: UnitSystem) -> str:
    """Return how b was laid on a, as a sentence.

    Parameters
    ----------
    found : Comparison
    system : UnitSystem

    Returns
    -------
    str
    """
    moved = found.registration
    if found.degrees_only:
        return f"Bores {found.a.bore_mm:g} and {found.b.bore_mm:g} mm: degrees alone. A change is b minus a."
    if moved.method == "base":
        return "b lies on a by the base face. A change is b minus a."
    across, up, turn = (max(moved.covariance[number][number], 0.0) ** 0.5 for number in range(3))
    share = 0.0 if moved.agreeing_share is None else moved.agreeing_share
    turned = _plain(1.0, 2)(moved.turn_deg, math.degrees(turn))
    return (
        "b was laid on what was not ground:"
        f" {system.lengths(moved.dx_mm, across)} {system.length} to the right,"
        f" {system.lengths(moved.dy_mm, up)} {system.length} up, turned {turned}° anticlockwise;"
        f" {100 * share:.0f} % of the edge agrees. A change is b minus a."
    )


def _signed(text: str, value: float) -> str:
    figure = text.partition("±")[0]
    return f"+{text}" if value > 0 and any(digit in "123456789" for digit in figure) else text


def _row(name: str, figure: str, change: Change | None, text: Text) -> list[str] | None:
    if change is None:
        return None
    sure = {None: "not stated", True: "yes", False: "no"}[change.beyond_doubt]
    moved = _signed(text(change.change, change.u_change), change.change)
    return [name, figure, text(change.a, None), text(change.b, None), moved, sure]


def _plain(factor: float, decimals: int) -> Text:
    def text(value: float, u: float | None) -> str:
        return with_doubt(factor * value, None if u is None else factor * u, decimals)

    return text


def port_rows(port: PortChange, system: UnitSystem) -> Iterator[list[str]]:
    """Return a port's figures: port, figure, a, b, change with ±, whether beyond doubt.

    Parameters
    ----------
    port : PortChange
    system : UnitSystem

    Returns
    -------
    iterator of list of str
        The port's name stands in the first row alone.
    """
    degrees, times = _plain(1.0, 2), _plain(system.time_area_factor, 4)
    figures: Sequence[tuple[str, Change | None, Text]] = (
        (f"roof, {system.length}", port.roof_mm, system.lengths),
        (f"floor, {system.length}", port.floor_mm, system.lengths),
        (f"width (arc), {system.length}", port.width_arc_mm, system.lengths),
        (f"width (chord), {system.length}", port.width_chord_mm, system.lengths),
        (f"wall area, {system.area}", port.wall_area_mm2, system.areas),
        ("opens, deg", port.opens_deg, degrees),
        ("open for, deg", port.duration_deg, degrees),
        (f"time-area, {system.time_area}", port.time_area_mm2_s, times),
    )
    name = port.id if port.id == port.id_b else f"{port.id} = {port.id_b}"
    for figure, change, text in figures:
        row = _row(name, figure, change, text)
        if row is not None:
            yield row
            name = ""


def span_rows(found: Comparison, system: UnitSystem) -> list[list[str]]:
    """Return blowdown and spans: span, figure, a, b, change with ±, whether beyond doubt.

    Parameters
    ----------
    found : Comparison
    system : UnitSystem

    Returns
    -------
    list of list of str
    """
    times = _plain(system.time_area_factor, 4)
    rows = [_row("blowdown", "degrees", found.blowdown_deg, _plain(1.0, 2))]
    for span in found.spans:
        rows.append(_row(span.span, f"time-area, {system.time_area}", span.time_area_mm2_s, times))
        rows.append(_row("", "specific, 10⁻³ s/m", span.specific_s_per_m, _plain(1000.0, 3)))
    return [row for row in rows if row is not None]


def near_words(port: PortNearness, system: UnitSystem) -> str:
    """Return how near a ground port is to the proposed line.

    Parameters
    ----------
    port : PortNearness
    system : UnitSystem

    Returns
    -------
    str
    """
    if not port.to_take_places and not port.past_places:
        return "on the line, to within what can be told"
    words = []
    if port.to_take_places and port.tallest is not None:
        height = f"{system.lengths(port.tallest.height_mm)} {system.length}"
        area = f"{system.areas(float(port.to_take.area))} {system.area}"
        words.append(f"{area} still to take, {height} high at most")
    if port.past_places:
        words.append(f"{system.areas(float(port.past.area))} {system.area} taken past the line")
    return "; ".join(words)


def pair_columns(system: UnitSystem) -> list[str]:
    """Return the heads of `pair_rows`.

    Parameters
    ----------
    system : UnitSystem

    Returns
    -------
    list of str

    Examples
    --------
    >>> from portmap.shown import unit_system
    >>> pair_columns(unit_system("mm"))[2:4]
    ['roof, mm', 'floor, mm']
    """
    columns = ["left", "right", f"roof, {system.length}", f"floor, {system.length}"]
    columns += [f"width, {system.length}", f"area, {system.area}", f"edge apart, {system.length}"]
    return columns


def pair_rows(pairs: Sequence[PairDifference], system: UnitSystem) -> list[list[str]]:
    """Return right minus left of each pair of windows; an exclamation mark where it is beyond doubt.

    Parameters
    ----------
    pairs : sequence of PairDifference
    system : UnitSystem

    Returns
    -------
    list of list of str

    Examples
    --------
    >>> from portmap.shown import unit_system
    >>> pair_rows((), unit_system("mm"))
    []
    """
    rows = []
    for pair in pairs:
        row = [_window_name(pair.left, pair.left_window), _window_name(pair.right, pair.right_window)]
        for change, text in (
            (pair.roof_mm, system.lengths),
            (pair.floor_mm, system.lengths),
            (pair.width_arc_mm, system.lengths),
            (pair.wall_area_mm2, system.areas),
        ):
            mark = " !" if change.beyond_doubt else ""
            row.append(_signed(text(change.change, None), change.change) + mark)
        rows.append([*row, system.lengths(pair.hausdorff_mm)])
    return rows


def _window_name(port: str, window: int) -> str:
    return port if window == 0 else f"{port}, window {window + 1}"
