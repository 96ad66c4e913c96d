"""What the verbs of the archive show to a person."""

from __future__ import annotations

from typing import TYPE_CHECKING

from portmap.commands.screen import table

if TYPE_CHECKING:
    from collections.abc import Mapping

    from rich.console import Console

    from portmap.archive_search import Found
    from portmap.repeat import Repeat
    from portmap.shown import UnitSystem

__all__ = ["found_cells", "show_figures", "show_repeated"]


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


def show_figures(console: Console, figures: Mapping[str, float]) -> None:
    """Print the figures that a job is found by: those of the whole engine, then each stage's side by side.

    Parameters
    ----------
    console : rich.console.Console
    figures : mapping
        As `portmap.archive_facts.job_figures`.

    Examples
    --------
    >>> from rich.console import Console
    >>> show_figures(Console(width=60), {"bore_mm": 46.0})
    <BLANKLINE>
      figure    value
     ─────────────────
      bore_mm      46
    <BLANKLINE>
    """
    by_stage = {stage: _of_stage(figures, stage) for stage in ("stock", "proposed", "ground")}
    staged = {stage: values for stage, values in by_stage.items() if values}
    names = dict.fromkeys(name for values in staged.values() for name in values)
    whole = {
        name: value
        for name, value in figures.items()
        if name not in names and name.partition(".")[0] not in staged
    }
    table(console, ["figure", "value"], [[name, _shown(value)] for name, value in whole.items()])
    if staged:
        rows = [[name, *(_shown(values.get(name)) for values in staged.values())] for name in names]
        table(console, ["figure", *staged], rows)
        name, stage = next(iter(names)), next(iter(staged))
        console.print(f"In a search {stage}.{name} is that of the {stage} ports, {name} that of the latest.")


def _of_stage(figures: Mapping[str, float], stage: str) -> dict[str, float]:
    start = f"{stage}."
    return {name.removeprefix(start): value for name, value in figures.items() if name.startswith(start)}


def _shown(value: float | None) -> str:
    return "" if value is None else f"{value:.4g}"


def show_repeated(console: Console, found: Repeat, system: UnitSystem) -> None:
    """Print what became of each port in a repeat build.

    Parameters
    ----------
    console : rich.console.Console
    found : Repeat
    system : UnitSystem

    Examples
    --------
    >>> from portmap.port import PortMap
    >>> from portmap.repeat import Repeat
    >>> from portmap.shown import unit_system
    >>> from rich.console import Console
    >>> nothing = PortMap(stage="ground", ports=())
    >>> found = Repeat(way="mm", datum="base", stage="ground", registration=None, carried=nothing,
    ...                proposed=nothing, ports=(), u_mm=0.03, notices=())
    >>> show_repeated(Console(width=60), found, unit_system("mm"))
    The transfer adds ± 0.06 mm (k = 2) to each height.
    """
    from portmap.repeat_rows import lacking_words, repeat_columns, repeat_rows, transfer_words

    if found.ports:
        table(console, repeat_columns(system), repeat_rows(found.ports, system))
    for words in lacking_words(found.ports, system):
        console.print(words)
    console.print(transfer_words(found.u_mm, system))
