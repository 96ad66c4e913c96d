"""A comparison as tables and sentences on the screen."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from typing import TYPE_CHECKING

from portmap.commands.screen import table

if TYPE_CHECKING:
    from rich.console import Console

    from portmap.change import Change
    from portmap.compare import Comparison, PortChange
    from portmap.left_right import PairDifference
    from portmap.nearness import PortNearness
    from portmap.shown import UnitSystem
    from portmap.wall_change import Place

__all__ = ["show_comparison"]

DASH = "–"
SHOWN_PLACES = 3  # of a port; all of them stand in the JSON

Text = Callable[[float, float | None], str]  # of a figure and its standard doubt


def show_comparison(console: Console, found: Comparison, system: UnitSystem) -> None:
    """Print a comparison for a person.

    Parameters
    ----------
    console : rich.console.Console
    found : Comparison
    system : UnitSystem
        Of the figures.

    Examples
    --------
    >>> from rich.console import Console
    >>> from portmap.compare import Side, compared
    >>> from portmap.port import PortMap
    >>> from portmap.shown import unit_system
    >>> side = Side(name="saw", port_map=PortMap(stage="stock", ports=()), bore_mm=46)
    >>> show_comparison(Console(width=80), compared(side, side), unit_system("mm"))
    a: saw, stock
    b: saw, stock
    b lies on a by the base face. A change is b minus a.
    """
    console.print(f"a: {found.a.name}, {found.a.port_map.stage}")
    console.print(f"b: {found.b.name}, {found.b.port_map.stage}")
    console.print(_how(found, system))
    rows = [row for port in found.ports for row in _port_rows(port, system)]
    if rows:
        table(console, ["port", "figure", "a", "b", "change", "beyond doubt"], rows, left=2)
    _show_spans(console, found, system)
    if found.nearness is not None:
        _show_nearness(console, found, system)
    elif not found.degrees_only:
        _show_gained(console, found, system)
    for letter, pairs in (("b", found.pairs_b), ("a", found.pairs_a)):
        _show_pairs(console, letter, pairs, system)
    for letter, names in (("a", found.only_a), ("b", found.only_b)):
        if names:
            console.print(f"Only in {letter}, compared with nothing: {', '.join(names)}.")


def _how(found: Comparison, system: UnitSystem) -> str:
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
    from portmap.shown import with_doubt

    def text(value: float, u: float | None) -> str:
        return with_doubt(factor * value, None if u is None else factor * u, decimals)

    return text


def _port_rows(port: PortChange, system: UnitSystem) -> Iterator[list[str]]:
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


def _show_spans(console: Console, found: Comparison, system: UnitSystem) -> None:
    times = _plain(system.time_area_factor, 4)
    rows = [_row("blowdown", "degrees", found.blowdown_deg, _plain(1.0, 2))]
    for span in found.spans:
        rows.append(_row(span.span, f"time-area, {system.time_area}", span.time_area_mm2_s, times))
        rows.append(_row("", "specific, 10⁻³ s/m", span.specific_s_per_m, _plain(1000.0, 3)))
    shown = [row for row in rows if row is not None]
    if shown:
        title = "Blowdown" if found.rpm is None else f"Spans, wall area, at {found.rpm:g} rpm"
        table(console, ["span", "figure", "a", "b", "change", "beyond doubt"], shown, title=title, left=2)


def _show_gained(console: Console, found: Comparison, system: UnitSystem) -> None:
    for port in found.ports:
        if port.gained is None or port.lost is None or not (port.gained_places or port.lost_places):
            continue
        gained, lost = system.areas(float(port.gained.area)), system.areas(float(port.lost.area))
        console.print(f"{port.id}: {gained} {system.area} open in b alone, {lost} {system.area} in a alone.")
        _show_places(console, "▲", port.gained_places, "further in b", system)
        _show_places(console, "△", port.lost_places, "further in a", system)


def _show_nearness(console: Console, found: Comparison, system: UnitSystem) -> None:
    assert found.nearness is not None  # noqa: S101 - the caller has looked
    console.print("Against the proposed line", style="bold")
    for port in found.nearness.ports:
        console.print(f"{port.id}: {_near_words(port, system)}.")
        _show_places(console, "▲", port.past_places, "past the line", system)
        _show_places(console, "△", port.to_take_places, "still to take", system)
    for words, names in (
        ("Proposed, but not in b", found.nearness.only_wish),
        ("In b, but not proposed", found.nearness.only_ground),
    ):
        if names:
            console.print(f"{words}: {', '.join(names)}.")


def _near_words(port: PortNearness, system: UnitSystem) -> str:
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


def _show_places(
    console: Console, sign: str, places: tuple[Place, ...], words: str, system: UnitSystem
) -> None:
    from portmap.wall_change import place_words

    for place in places[:SHOWN_PLACES]:
        depth = f"{system.lengths(place.depth_mm)} {system.length}"
        console.print(f"  {sign} {depth} {words}: {place_words(place, system)}")
    if len(places) > SHOWN_PLACES:
        console.print(f"  {sign} and {len(places) - SHOWN_PLACES} smaller places")


def _show_pairs(console: Console, letter: str, pairs: tuple[PairDifference, ...], system: UnitSystem) -> None:
    if not pairs:
        return
    columns = ["left", "right", f"roof, {system.length}", f"floor, {system.length}"]
    columns += [f"width, {system.length}", f"area, {system.area}", f"edge apart, {system.length}"]
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
    title = f"Right minus left in {letter}; ! beyond doubt"
    table(console, columns, rows, title=title, left=2)


def _window_name(port: str, window: int) -> str:
    return port if window == 0 else f"{port}, window {window + 1}"
