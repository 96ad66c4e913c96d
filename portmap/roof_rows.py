"""What an edit of a roof does, as rows of a table for a person, in mm or in inch.

The figures come from `portmap.roof_figures`; the verb ``roof`` and the screens show the same rows.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from portmap.shown import INCH_MM, UnitSystem, number_text, with_doubt

__all__ = ["METAL_VOLUME_UNITS", "metal_volume_text", "roof_change_rows"]

DASH = "–"
METAL_VOLUME_UNITS = {"mm": "mm³", "inch": "in³"}  # of the metal of one window


def metal_volume_text(volume_mm3: float, system: UnitSystem) -> str:
    """Return the volume of the metal that a window loses, with its unit.

    Parameters
    ----------
    volume_mm3 : float
        [mm³].
    system : UnitSystem

    Returns
    -------
    str

    Examples
    --------
    >>> from portmap.shown import unit_system
    >>> metal_volume_text(123.4, unit_system("mm")), metal_volume_text(123.4, unit_system("inch"))
    ('123 mm³', '0.0075 in³')
    """
    unit = METAL_VOLUME_UNITS[system.name]
    return f"{volume_mm3:.0f} {unit}" if system.name == "mm" else f"{volume_mm3 / INCH_MM**3:.4f} {unit}"


def roof_change_rows(report: Mapping[str, Any], system: UnitSystem) -> list[list[str]]:
    """Return a port's figures before and after, one row each: figure, before, after, change.

    Parameters
    ----------
    report : mapping
        As `portmap.roof_figures.roof_document` gives it.
    system : UnitSystem

    Returns
    -------
    list of list of str
        Doubts are two standard uncertainties, where they were worked out.

    Raises
    ------
    KeyError
        If the report is none.

    Examples
    --------
    >>> from portmap.shown import unit_system
    >>> roof_change_rows({}, unit_system("mm"))
    Traceback (most recent call last):
    KeyError: 'before'
    """
    before, after = report["before"], report["after"]

    def row(
        name: str, key: str, u_key: str, decimals: int, *, factor: float = 1.0, sign: str = "", times: int = 1
    ) -> list[str]:
        texts = []
        for found in (before, after):
            value, u = found[key], found[u_key]
            shown_u = times * factor * u if u else None  # a drawn edge has no doubt of its own
            texts.append(DASH if value is None else with_doubt(value * factor, shown_u, decimals) + sign)
        if before[key] is None or after[key] is None:
            return [name, *texts, DASH]
        return [name, *texts, _signed(number_text((after[key] - before[key]) * factor, decimals)) + sign]

    length: dict[str, Any] = {"decimals": system.length_decimals, "factor": system.per_mm}
    square: dict[str, Any] = {"decimals": system.area_decimals, "factor": system.per_mm**2}
    rows = [
        row("opens", "opens_deg", "opens_u_deg", 2, sign="°"),
        row("closes", "closes_deg", "opens_u_deg", 2, sign="°"),
        # opening and closing are two readings of one edge, so their doubts add
        row("open for", "duration_deg", "opens_u_deg", 2, sign="°", times=2),
        row("blowdown", "blowdown_deg", "blowdown_u_deg", 2, sign="°"),
        row(f"roof, {system.length}", "roof_mm", "roof_u_mm", **length),
        row(f"floor, {system.length}", "floor_mm", "floor_u_mm", **length),
        row(f"wall area, {system.area}", "wall_area_mm2", "wall_area_u_mm2", **square),
        row(f"chord area, {system.area}", "chord_area_mm2", "wall_area_u_mm2", **square),
    ]
    old = {span["span"]: span for span in before["spans"]}
    new = {span["span"]: span for span in after["spans"]}
    factor = system.time_area_factor
    for name in dict.fromkeys([*old, *new]):
        amounts, texts = [], []
        for found in (old, new):
            amount = found[name]["time_area_mm2_s"] if name in found else None
            u = found[name]["time_area_u_mm2_s"] if name in found else None
            amounts.append(amount)
            shown_u = factor * u if u else None
            texts.append(DASH if amount is None else with_doubt(amount * factor, shown_u, 4))
        change = DASH
        if amounts[0] and amounts[1]:
            change = f"{_signed(number_text(100 * (amounts[1] / amounts[0] - 1), 1))} %"
        rows.append([f"{name} time-area, {system.time_area}, {report['rpm']:g} rpm", *texts, change])
    return rows


def _signed(change: str) -> str:
    """Return a change with its sign; none where nothing changed."""
    return change if change[0] == "−" or not change.strip("0.") else f"+{change}"
