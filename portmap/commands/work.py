"""The verb that shows what work does: work."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Annotated, Any

import typer

from portmap.commands.options import AsJson, JobFile, Stage, Units
from portmap.commands.screen import answer, show_basis, table

if TYPE_CHECKING:
    from rich.console import Console

    from portmap.port import PortEdges
    from portmap.shown import UnitSystem

__all__ = ["work"]

DASH = "–"
SURE = 1e-9  # of any figure's unit: rounding
CRANKING = "cranking_high_bar"
PORTS_BESIDE, PORTS_ALONE = 4, 8  # columns of a table beside the engine's own figures, and without them
CARE = (
    "Care: glasses and a mask (aluminium, nickel and silicon-carbide dust), every plating edge chamfered, on"
    " the lathe clamp on the bore; measure between cuts. New timing can bring overspeed; emissions rules and"
    " local codes apply, and licensed practice decides where they do."
)


def work(
    job: JobFile,
    do: Annotated[
        list[str] | None,
        typer.Option(
            "--do",
            metavar="WORK",
            help='A piece of work, in working order: "cut_base 0.5 mm", "grind_roof exhaust 20 thou",'
            ' "base_gasket 0". May be given several times.',
        ),
    ] = None,
    effects: Annotated[
        bool,
        typer.Option("--table", help="Show what a little of each kind of work does to each figure."),
    ] = False,
    stage: Stage = None,
    units: Units = "mm",
    as_json: AsJson = False,
) -> None:
    """Show what gasket, cuts, trims and grinding do to every figure: before, after and change.

    The new thickness is told of base_gasket and sealant.
    What is taken off is told of cut_base, cut_crown, cut_rim, cut_band, trim_skirt.
    The port, then what is taken off, is told of grind_roof, grind_floor,
    file_pocket_top, file_pocket_bottom.

    Limits of work are common practice unless the job sets its own.
    """
    from portmap.effects import work_document
    from portmap.job import read_job
    from portmap.job_review import job_notices
    from portmap.operation import parse_operation
    from portmap.shop_limits import breaches, limits_of
    from portmap.shopwork import after, build_of
    from portmap.shown import unit_system

    if not do and not effects:
        raise typer.BadParameter(
            'name some work, as in "cut_base 0.5 mm", or ask for --table', param_hint="--do"
        )
    pieces = tuple(parse_operation(text, where="--do") for text in do or ())
    read = read_job(job)
    build = build_of(read, stage)
    limits = limits_of(read)
    now = after(build, *pieces)
    notices = job_notices(read, stage) if read.maps or stage is not None else ()
    beyond = breaches(build, now, limits) if pieces else ()
    found = work_document(build, pieces, beyond, table=effects, notices=notices)
    document = {"job": read.name, "stage": None if build.port_map is None else build.port_map.stage, **found}
    system = unit_system(units)

    def show(console: Console) -> None:
        ports = "ports from readings" if build.port_map is None else f"{build.port_map.stage} ports"
        console.print(f"{read.name}, {ports}")
        if pieces:
            _show_work(console, document, system)
            _show_figures(console, document["figures"], system)
        if effects:
            _show_effects(console, document["effects"], build.edges, system)
        show_basis(console, document)
        if any(piece["needs"] for piece in document["operations"]):
            console.print(CARE)

    answer(document, as_json=as_json, show=show)


def _show_work(console: Console, document: dict[str, Any], system: UnitSystem) -> None:
    from portmap.operation import kind_of

    rows = []
    for number, piece in enumerate(document["operations"], 1):
        kind = kind_of(piece["operation"])
        name = " ".join(part for part in (piece["operation"], piece.get("port")) if part)
        amount = f"{system.lengths(piece['amount_mm'])} {system.length}"
        rows.append([str(number), name, kind.words, " or ".join(piece["needs"]) or "no tool", amount])
    table(console, ["", "work", "which is to", "with", "amount"], rows, left=4)


def _show_figures(
    console: Console,
    figures: Mapping[str, Mapping[str, float | None]],
    system: UnitSystem,
) -> None:
    rows = []
    for name, found in figures.items():
        if name.endswith(("_depth_mm", "closes_deg")):
            continue  # what opens and for how long says the same
        rows.append(
            [
                _words(name, system),
                _shown(name, found["before"], found["before_u"], system),
                _shown(name, found["after"], found["after_u"], system),
                _change(name, found["change"], found["change_u"], system),
            ]
        )
    table(console, ["figure", "before", "after", "change"], rows)
    console.print(
        "± is two standard uncertainties: of the readings and outlines, not of how truly the work is done."
    )


def _words(name: str, system: UnitSystem) -> str:
    """Return a figure's name as a porter says it, with its unit."""
    port, _, figure = name.rpartition(":")
    said = {
        "base_gasket_mm": f"base gasket, {system.length}",
        "squish_mm": f"squish, {system.length}",
        "blowdown_deg": "blowdown",
        "head_volume_cm3": f"head volume, {system.volume}",
        "trapped_ratio": "trapped ratio",
        "geometric_ratio": "geometric ratio",
        "cranking_low_bar": f"cranking at least, {system.pressure}",
        "cranking_high_bar": f"cranking at most, {system.pressure}",
        "opens_deg": f"{port} opens",
        "duration_deg": f"{port} open for",
        "wall_area_mm2": f"{port} wall area, {system.area}",
    }
    if figure.endswith("_angle_area_mm2_deg"):
        return f"{figure.removesuffix('_angle_area_mm2_deg')} angle-area, {system.angle_area}"
    return said[figure]


def _shown(name: str, value: float | None, u: float | None, system: UnitSystem) -> str:
    if value is None:
        return DASH
    early = name.endswith("opens_deg") and value > 180
    text = _amount(name, 360 - value if early else value, u, system)
    return f"{text}{_degree(name)}{' before TDC' if early else ''}"


def _amount(name: str, value: float, u: float | None, system: UnitSystem) -> str:
    from portmap.shown import with_doubt

    if u is not None and u < SURE:
        u = None  # what the work does for sure
    if name.endswith("_mm2_deg"):
        return system.angle_areas(value, u)
    if name.endswith("_mm"):
        return system.lengths(value, u)
    if name.endswith("_mm2"):
        return system.areas(value, u)
    if name.endswith("_bar"):
        return system.pressures(value, u)
    if name.endswith("_cm3"):
        factor = 1.0 if system.name == "mm" else 1000 * system.per_mm**3
        return with_doubt(value * factor, None if u is None else u * factor, system.volume_decimals)
    return with_doubt(value, u, 1 if name.endswith("_deg") else 2)


def _degree(name: str) -> str:
    return "°" if name.endswith("_deg") and "mm2" not in name else ""


def _change(name: str, change: float | None, u: float | None, system: UnitSystem) -> str:
    if change is None:
        return DASH
    if not name.endswith("opens_deg"):
        return f"{_signed(_amount(name, change, u, system))}{_degree(name)}"
    text = f"{_amount(name, abs(change), u, system)}°"
    if not _told(_amount(name, change, None, system)):
        return text
    return f"{text} {'sooner' if change < 0 else 'later'}"


def _signed(text: str) -> str:
    """Return a number with its sign, but nothing with none."""
    return text if text[0] == "−" or not _told(text.partition(" ±")[0]) else f"+{text}"


def _show_effects(
    console: Console, effects: Sequence[Mapping[str, Any]], edges: Sequence[PortEdges], system: UnitSystem
) -> None:
    """Print what a tenth of a millimetre of each work does, and ten thou; of areas in the chosen units."""
    known = [
        name for name in effects[0]["per_mm"] if any(effect["per_mm"][name] is not None for effect in effects)
    ]
    engine = [
        name
        for name in ("squish_mm", "head_volume_cm3", "trapped_ratio", CRANKING, "blowdown_deg")
        if name in known
    ]
    opens = [f"{edge.id}:opens_deg" for edge in edges if f"{edge.id}:opens_deg" in known]
    areas = [name for name in known if name.endswith("_mm2_deg")]
    sizes = {"per_0_1_mm": "0.1 mm", "per_10_thou": "10 thou (0.254 mm)"}
    wide = [[*engine, *opens[:PORTS_BESIDE]]]
    wide += [opens[at : at + PORTS_ALONE] for at in range(PORTS_BESIDE, len(opens), PORTS_ALONE)]
    for key, words in sizes.items():
        for names in wide:
            title = f"What {words} of each work does to the engine as it is; opens: minus is sooner"
            _show_slopes(console, effects, key, names, title, system)
    if areas:
        key = "per_0_1_mm" if system.name == "mm" else "per_10_thou"
        title = f"What {sizes[key]} of each work does to the angle-areas, {system.angle_area}"
        _show_slopes(console, effects, key, areas, title, system)


def _show_slopes(
    console: Console,
    effects: Sequence[Mapping[str, Any]],
    key: str,
    names: Sequence[str],
    title: str,
    system: UnitSystem,
) -> None:
    rows, idle = [], []
    for effect in effects:
        label = " ".join(part for part in (effect["operation"], effect.get("port")) if part)
        cells = [_effect(name, effect[key], system) for name in names]
        if all(cell in ("0", DASH) for cell in cells):
            idle.append(label)
        else:
            rows.append([label, *cells])
    heads = [
        f"cranking, {system.pressure}"
        if name == CRANKING
        else _words(name, system).replace(" angle-area", "")
        for name in names
    ]
    if names[0].endswith("_mm2_deg"):
        heads = [head.partition(",")[0] for head in heads]
    table(console, ["work", *heads], rows, title=title)
    if idle:
        console.print(f"Nothing here is changed by {', '.join(idle)}.")


def _effect(name: str, slopes: Mapping[str, float | None], system: UnitSystem) -> str:
    from portmap.shown import number_text

    slope = slopes[name]
    if slope is None:
        return DASH
    if name == CRANKING:
        ends = [
            _signed(_amount(name, end, None, system))
            for end in (slopes["cranking_low_bar"], slope)
            if end is not None
        ]
        return " to ".join(dict.fromkeys(ends)) if any(_told(end) for end in ends) else "0"
    if name.endswith("_mm2_deg"):
        text = _amount(name, slope, None, system)
    elif name.endswith("_deg"):
        text = f"{number_text(slope, 2)}°"
    elif name.endswith("_mm"):
        text = number_text(slope * system.per_mm, system.length_decimals + (system.name == "mm"))
    else:
        inches = name.endswith("_cm3") and system.name == "inch"
        text = number_text(slope * (1000 * system.per_mm**3 if inches else 1.0), 3)
    return _signed(text) if _told(text) else "0"


def _told(text: str) -> bool:
    """Return whether a number as shown is more than nothing."""
    return any(digit in "123456789" for digit in text)
