"""How sure results are, as rows of tables for a person, in mm or in inch.

The figures come from `portmap.spread_document`; the verb ``spread`` and the screens show the same rows.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from portmap.shown import INCH_MM, PSI_BAR, UnitSystem, number_text, with_doubt
from portmap.spread_document import LEAST_GAIN

__all__ = ["budget_rows", "gain_lines", "result_rows", "unit_sign"]

DASH = "–"
LEAST_SHARE = 0.0005  # of the variance, that a row is worth


def _scale(unit: str, system: UnitSystem) -> tuple[float, int, str]:
    """Return the shown amount of one unit, the decimals and the sign."""
    inch = system.name == "inch"
    scales = {
        "deg": (1.0, 2, "°"),
        "mm": (system.per_mm, system.length_decimals + (not inch), system.length),
        "mm2": (system.per_mm**2, system.area_decimals, system.area),
        "mm2_deg": (system.per_mm**2, 2 if inch else 0, system.angle_area),
        "cm3": (1000 / INCH_MM**3 if inch else 1.0, system.volume_decimals, system.volume),
        "bar": (1 / PSI_BAR if inch else 1.0, 0 if inch else 1, system.pressure),
        "s_per_m": (1000.0, 3, "10⁻³ s/m"),
    }
    return scales.get(unit, (1.0, 2, ""))


def unit_sign(unit: str, system: UnitSystem) -> str:
    """Return the sign of a result's unit.

    Parameters
    ----------
    unit : str
        As results name it.
    system : UnitSystem

    Returns
    -------
    str

    Examples
    --------
    >>> from portmap.shown import unit_system
    >>> unit_sign("mm2", unit_system("inch"))
    'in²'
    """
    return _scale(unit, system)[2]


def result_rows(document: Mapping[str, Any], system: UnitSystem) -> list[list[str]]:
    """Return one row for each result: words, value, unit, both intervals, whether they agree.

    Parameters
    ----------
    document : mapping
        As `portmap.spread_document.spread_document` gives it.
    system : UnitSystem

    Returns
    -------
    list of list of str
        ± is two standard uncertainties.

    Examples
    --------
    >>> from portmap.shown import unit_system
    >>> squish = {"words": "squish", "unit": "mm", "value": 0.6, "u": 0.01, "interval": None,
    ...           "first_order": None}
    >>> result_rows({"results": [squish]}, unit_system("mm"))
    [['squish', '0.600 ± 0.020', 'mm', '–', '–', '–']]
    """
    rows = []
    for result in document["results"]:
        factor, decimals, sign = _scale(result["unit"], system)

        def ends(interval: list[float] | None, factor: float = factor, decimals: int = decimals) -> str:
            if interval is None:
                return DASH
            return " to ".join(number_text(end * factor, decimals) for end in interval)

        first = result["first_order"]
        u = result["u"]
        rows.append(
            [
                result["words"],
                with_doubt(result["value"] * factor, None if u is None else u * factor, decimals),
                sign,
                ends(result["interval"]),
                DASH if first is None else ends(first["interval"]),
                DASH if first is None or first["agrees"] is None else "yes" if first["agrees"] else "no",
            ]
        )
    return rows


def budget_rows(result: Mapping[str, Any], system: UnitSystem) -> list[list[str]]:
    """Return what a result's doubt is owed to: figure or reading, where its doubt is from, its ±, share.

    Parameters
    ----------
    result : mapping
        One of a document's ``results``.
    system : UnitSystem

    Returns
    -------
    list of list of str

    Examples
    --------
    >>> from portmap.shown import unit_system
    >>> budget_rows({"unit": "mm", "budget": []}, unit_system("mm"))
    []
    """
    factor, decimals, _ = _scale(result["unit"], system)
    rows = []
    for row in result["budget"]:
        if abs(row["share"]) < LEAST_SHARE:
            continue
        length, places, name = _scale({"cm³": "cm3", "°": "deg"}.get(row["unit"], row["unit"]), system)
        own = (
            ""
            if not row["unit"]
            else f"{2 * row['u'] * length:.{places + 1}f}{name if name == '°' else f' {name}'}"
        )
        if row["source"] == "range":
            own = f"{row['value']:g} ± {3**0.5 * row['u']:.2g}"
        rows.append(
            [
                row["words"],
                row["source_words"],
                own,
                number_text(2 * row["contribution"] * factor, decimals + 1),
                f"{100 * row['share']:.1f} %",
            ]
        )
    return rows


def gain_lines(result: Mapping[str, Any], system: UnitSystem) -> list[str]:
    """Return what each further reading would bring, best first.

    Parameters
    ----------
    result : mapping
        One of a document's ``results``.
    system : UnitSystem

    Returns
    -------
    list of str

    Examples
    --------
    >>> from portmap.shown import unit_system
    >>> gain = {"reading": "read the squish again", "u_after": 0.01, "gain": 0.3}
    >>> gain_lines({"unit": "mm", "gains": [gain]}, unit_system("mm"))
    ['± 0.0200 mm if you read the squish again.']
    """
    factor, decimals, sign = _scale(result["unit"], system)
    lines = []
    for gain in result["gains"]:
        if gain["gain"] < LEAST_GAIN:
            break
        after = number_text(2 * gain["u_after"] * factor, decimals + 1)
        lines.append(f"± {after} {sign} if you {gain['reading']}.")
    return lines
