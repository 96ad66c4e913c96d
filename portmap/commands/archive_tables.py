"""What the verbs of the archive show to a person."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from portmap.commands.screen import table

if TYPE_CHECKING:
    from rich.console import Console

    from portmap.archive_search import Found
    from portmap.shown import UnitSystem

__all__ = ["found_cells", "show_repeated"]

DASH = "–"


def found_cells(found: Found, *, with_likeness: bool) -> list[str]:
    """Return a found job as a row of a table.

    Parameters
    ----------
    found : Found
    with_likeness : bool

    Returns
    -------
    list of str

    Examples
    --------
    >>> from portmap.archive import Entry
    >>> from portmap.archive_search import Found
    >>> entry = Entry(id=7, uid="", name="saw", form=1, sha256="", day="2024-05-01", added_at="",
    ...               changed_at="", state=None, kinds=(), bore_mm=46.0, stroke_mm=32.0)
    >>> found_cells(Found(entry=entry, likeness=0.934), with_likeness=True)
    ['7', '2024-05-01', 'saw', '', '46 × 32', '93 %']
    """
    entry = found.entry
    size = f"{entry.bore_mm:g} × {entry.stroke_mm:g}"
    cells = [str(entry.id), entry.day, entry.name, entry.state or "", size]
    return [*cells, f"{100 * (found.likeness or 0):.0f} %"] if with_likeness else cells


def show_repeated(console: Console, report: dict[str, Any], system: UnitSystem) -> None:
    """Print what became of each port in a repeat build.

    Parameters
    ----------
    console : rich.console.Console
    report : dict
        With ``ports``, ``transfer_u_mm`` and ``care``.
    system : UnitSystem

    Examples
    --------
    >>> from rich.console import Console
    >>> from portmap.shown import unit_system
    >>> report = {"ports": [], "transfer_u_mm": 0.03, "care": "Mind."}
    >>> show_repeated(Console(width=60), report, unit_system("mm"))
    The transfer adds ± 0.06 mm (k = 2) to each height.
    Mind.
    """
    if report["ports"]:
        heads = [
            "port",
            "good opens",
            "here",
            "proposed",
            f"deepest [{system.length}]",
            f"area [{system.area}]",
        ]
        rows = [
            [
                port["id"],
                _degrees(port["good_opens_deg"]),
                _degrees(port["stock_opens_deg"]),
                _degrees(port["proposed_opens_deg"], port["opens_u_deg"]),
                system.lengths(port["to_grind"]["deepest_mm"]) if port["carried"] else "nothing",
                system.areas(port["to_grind"]["area_mm2"]) if port["carried"] else DASH,
            ]
            for port in report["ports"]
        ]
        table(console, heads, rows)
    for port in report["ports"]:
        for place in port["already_open"]:
            past = f"{system.lengths(place['depth_mm'])} {system.length}"
            console.print(
                f"Cannot be given: {port['id']} is open {past} past the line already ({place['words']})."
            )
    if report["transfer_u_mm"] is not None:
        doubt = system.lengths(2 * report["transfer_u_mm"])
        console.print(f"The transfer adds ± {doubt} {system.length} (k = 2) to each height.")
    console.print(report["care"])


def _degrees(angle_deg: float | None, u_deg: float | None = None) -> str:
    if angle_deg is None:
        return DASH
    return f"{angle_deg:.1f}°" if u_deg is None else f"{angle_deg:.1f}° ± {2 * u_deg:.1f}"
