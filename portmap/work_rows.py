"""What work does, as rows of tables for a person, in mm or in inch.

The figures come from `portmap.effects`; the verb ``work`` and the screens show the same rows.

Glossary
--------
slope
    What a little of one kind of work does to a figure.
idle
    Work that changes none of a table's figures.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from portmap.port import PortEdges
from portmap.shown import UnitSystem, number_text, with_doubt

__all__ = ["EffectTable", "change_rows", "effect_tables", "figure_words"]

DASH = "–"
SURE = 1e-9  # of any figure's unit: rounding
CRANKING = "cranking_high_bar"
PORTS_BESIDE, PORTS_ALONE = 4, 8  # columns of a table beside the engine's own figures, and without them


@dataclass(frozen=True, kw_only=True, slots=True)
class EffectTable:
    """What each work does to some figures.

    Parameters
    ----------
    title : str
    columns : tuple of str
        The work, then the figures with their units.
    rows : tuple of tuple of str
    idle : tuple of str
        Work that changes nothing here.
    size : {'per_0_1_mm', 'per_10_thou'}
        For how much of each work.
    """

    title: str
    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    idle: tuple[str, ...]
    size: str


def change_rows(figures: Mapping[str, Mapping[str, float | None]], system: UnitSystem) -> list[list[str]]:
    """Return figures before and after work, one row each: figure, before, after, change.

    Parameters
    ----------
    figures : mapping
        ``figures`` of `portmap.effects.work_document`.
    system : UnitSystem

    Returns
    -------
    list of list of str
        ± is two standard uncertainties.

    Examples
    --------
    >>> from portmap.shown import unit_system
    >>> figures = {"squish_mm": {"before": 0.6, "after": 0.5, "change": -0.1,
    ...                          "before_u": None, "after_u": None, "change_u": None}}
    >>> change_rows(figures, unit_system("mm"))
    [['squish, mm', '0.60', '0.50', '−0.10']]
    """
    rows = []
    for name, found in figures.items():
        if name.endswith(("_depth_mm", "closes_deg")):
            continue  # what opens and for how long says the same
        rows.append(
            [
                figure_words(name, system),
                _shown(name, found["before"], found["before_u"], system),
                _shown(name, found["after"], found["after_u"], system),
                _change(name, found["change"], found["change_u"], system),
            ]
        )
    return rows


def figure_words(name: str, system: UnitSystem) -> str:
    """Return a figure's name as a porter says it, with its unit.

    Parameters
    ----------
    name : str
        As `portmap.effects` names it.
    system : UnitSystem

    Returns
    -------
    str

    Examples
    --------
    >>> from portmap.shown import unit_system
    >>> figure_words("exhaust:opens_deg", unit_system("mm"))
    'exhaust opens'
    """
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


def effect_tables(
    effects: Sequence[Mapping[str, Any]], edges: Sequence[PortEdges], system: UnitSystem
) -> tuple[EffectTable, ...]:
    """Return what a tenth of a millimetre of each work does, and ten thou; of areas in the chosen units.

    Parameters
    ----------
    effects : sequence of mapping
        ``effects`` of `portmap.effects.work_document`.
    edges : sequence of PortEdges
        The ports, in the order of the columns.
    system : UnitSystem

    Returns
    -------
    tuple of EffectTable

    Examples
    --------
    >>> from portmap.shown import unit_system
    >>> slopes = {"squish_mm": -0.1}
    >>> effect = {"operation": "cut_base", "per_mm": slopes, "per_0_1_mm": slopes, "per_10_thou": slopes}
    >>> effect_tables([effect], [], unit_system("mm"))[0].rows
    (('cut_base', '−0.100'),)
    """
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
    found = []
    for key, words in sizes.items():
        for names in wide:
            title = f"What {words} of each work does to the engine as it is; opens: minus is sooner"
            found.append(_slopes(effects, key, names, title, system))
    if areas:
        key = "per_0_1_mm" if system.name == "mm" else "per_10_thou"
        title = f"What {sizes[key]} of each work does to the angle-areas, {system.angle_area}"
        found.append(_slopes(effects, key, areas, title, system))
    return tuple(found)


def _slopes(
    effects: Sequence[Mapping[str, Any]], key: str, names: Sequence[str], title: str, system: UnitSystem
) -> EffectTable:
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
        else figure_words(name, system).replace(" angle-area", "")
        for name in names
    ]
    if names[0].endswith("_mm2_deg"):
        heads = [head.partition(",")[0] for head in heads]
    return EffectTable(
        title=title,
        columns=("work", *heads),
        rows=tuple(tuple(row) for row in rows),
        idle=tuple(idle),
        size=key,
    )


def _effect(name: str, slopes: Mapping[str, float | None], system: UnitSystem) -> str:
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
