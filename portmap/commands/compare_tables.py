"""A comparison as tables and sentences on the screen."""

from __future__ import annotations

from typing import TYPE_CHECKING

from portmap.commands.screen import table
from portmap.comparison_rows import laid_words, near_words, pair_columns, pair_rows, port_rows, span_rows

if TYPE_CHECKING:
    from rich.console import Console

    from portmap.compare import Comparison
    from portmap.left_right import PairDifference
    from portmap.shown import UnitSystem
    from portmap.wall_change import Place

__all__ = ["show_comparison"]

SHOWN_PLACES = 3  # of a port; all of them stand in the JSON


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
    console.print(laid_words(found, system))
    rows = [row for port in found.ports for row in port_rows(port, system)]
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


def _show_spans(console: Console, found: Comparison, system: UnitSystem) -> None:
    shown = span_rows(found, system)
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
        console.print(f"{port.id}: {near_words(port, system)}.")
        _show_places(console, "▲", port.past_places, "past the line", system)
        _show_places(console, "△", port.to_take_places, "still to take", system)
    for words, names in (
        ("Proposed, but not in b", found.nearness.only_wish),
        ("In b, but not proposed", found.nearness.only_ground),
    ):
        if names:
            console.print(f"{words}: {', '.join(names)}.")


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
    title = f"Right minus left in {letter}; ! beyond doubt"
    table(console, pair_columns(system), pair_rows(pairs, system), title=title, left=2)
