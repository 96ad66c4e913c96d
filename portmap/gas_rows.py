"""Guide verdicts and the gas model's figures as rows for a person: the same on screen, page and sheet.

They are made from the documents of `portmap.guide` and `portmap.breath`; ± is two standard uncertainties.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from portmap.shown import UnitSystem, with_doubt

__all__ = [
    "BREATH_COLUMNS",
    "GUIDE_COLUMNS",
    "breath_rows",
    "change_lines",
    "guide_rows",
    "guide_source",
    "short_first_words",
]

DASH = "–"
DECIMALS = {"s/m": 5, "deg": 1, "of bore": 3, "": 2}  # of guide figures, by unit

GUIDE_COLUMNS = ("figure", "here", "guide", "stands", "within the guide at")
BREATH_COLUMNS = (
    "ports",
    "rpm",
    "residual pressure, {pressure}",
    "blowdown done",
    "delivery ratio",
    "trapped ratio",
    "trapping",
    "back into the transfers",
    "work, J a turn",
)


def guide_rows(found: Mapping[str, Any]) -> list[list[str]]:
    """Return where an engine stands beside guide figures at a speed, as `GUIDE_COLUMNS`.

    Parameters
    ----------
    found : mapping
        One of the ``speeds`` of `portmap.guide.guide_document`.

    Returns
    -------
    list of list of str

    Examples
    --------
    >>> entry = {"what": "blowdown", "unit": "deg", "value": 18.2, "value_u": 0.1, "low": 20.0, "high": 35.0,
    ...          "standing": "below", "sure": True, "good_from_rpm": None, "good_to_rpm": None}
    >>> guide_rows({"guides": [entry]})
    [['blowdown', '18.2 ± 0.2 deg', '20.0 to 35.0', 'below', '–']]
    """
    rows = []
    for entry in found["guides"]:
        decimals = DECIMALS[entry["unit"]]
        value = DASH if entry["value"] is None else with_doubt(entry["value"], entry["value_u"], decimals)
        low, high = (None if end is None else f"{end:.{decimals}f}" for end in (entry["low"], entry["high"]))
        if low is None or high is None:
            ends = f"at least {low}" if low is not None else f"at most {high}"
        else:
            ends = f"{low} to {high}"
        speeds = (entry["good_from_rpm"], entry["good_to_rpm"])
        unsure = ", near a bound" if entry["sure"] is False else ""
        rows.append(
            [
                entry["what"],
                value if value == DASH else f"{value} {entry['unit']}".rstrip(),
                ends,
                f"{entry['standing']}{unsure}",
                DASH if None in speeds else f"{speeds[0]:.0f} to {speeds[1]:.0f} rpm",
            ]
        )
    return rows


def guide_source(entry: Mapping[str, Any]) -> str:
    """Return where a guide figure comes from and who checked it, in a sentence.

    Parameters
    ----------
    entry : mapping
        One of the ``guides`` of a speed.

    Returns
    -------
    str

    Examples
    --------
    >>> guide_source({"what": "blowdown", "source": "a book", "confidence": "from memory", "checked_by": None,
    ...               "words": "quick engines lie higher"})
    'blowdown: a book; from memory, not checked with the page. Quick engines lie higher.'
    """
    checked = f"checked by {entry['checked_by']}" if entry["checked_by"] else "not checked with the page"
    words = f"{entry['words'][:1].upper()}{entry['words'][1:]}"
    return f"{entry['what']}: {entry['source']}; {entry['confidence']}, {checked}. {words}."


def short_first_words(document: Mapping[str, Any]) -> str:
    """Return which span runs short first as speed rises, in a sentence; empty if none has a guide.

    Parameters
    ----------
    document : mapping
        Of `portmap.guide.guide_document`.

    Returns
    -------
    str

    Examples
    --------
    >>> short_first_words({"runs_short_first": {"span": "exhaust", "rpm": 7321.4, "source": "a book"}})
    'Runs short first as speed rises: exhaust, beyond 7321 rpm by its guide.'
    """
    first = document["runs_short_first"]
    if first is None:
        return ""
    return f"Runs short first as speed rises: {first['span']}, beyond {first['rpm']:.0f} rpm by its guide."


def breath_rows(document: Mapping[str, Any], system: UnitSystem) -> list[list[str]]:
    """Return the gas model's figures of each stage and speed, as `BREATH_COLUMNS`.

    Parameters
    ----------
    document : mapping
        Of `portmap.breath.breath_document`.
    system : UnitSystem

    Returns
    -------
    list of list of str

    Examples
    --------
    >>> from portmap.shown import unit_system
    >>> speed = {"rpm": 9000.0, "residual_bar": 0.78, "residual_bar_u": 0.16, "blowdown_done": False,
    ...          "delivery_ratio": 0.43, "trapped_ratio": 0.31, "trapping": 0.73, "back_share": 0.2,
    ...          "work_j": 18.3}
    >>> breath_rows({"stages": [{"stage": "stock", "speeds": [speed]}]}, unit_system("mm"))[0][:4]
    ['stock', '9000', '0.78 ± 0.32', 'no']
    """
    return [
        [
            stage["stage"],
            f"{speed['rpm']:g}",
            system.pressures(speed["residual_bar"], speed.get("residual_bar_u"), finer=True),
            "yes" if speed["blowdown_done"] else "no",
            *(
                with_doubt(speed[key], speed.get(f"{key}_u"), 2)
                for key in ("delivery_ratio", "trapped_ratio", "trapping")
            ),
            f"{100 * speed['back_share']:.1f} %",
            with_doubt(speed["work_j"], speed.get("work_j_u"), 1),
        ]
        for stage in document["stages"]
        for speed in stage["speeds"]
    ]


def change_lines(document: Mapping[str, Any], system: UnitSystem) -> list[str]:
    """Return what changes from the first stage to the others, a sentence for each speed.

    Parameters
    ----------
    document : mapping
        Of `portmap.breath.breath_document`.
    system : UnitSystem

    Returns
    -------
    list of str

    Examples
    --------
    >>> change_lines({"changes": []}, None)
    []
    """
    lines = []
    for change in document["changes"]:
        for speed in change["speeds"]:
            residual = system.pressures(speed["residual_bar"], speed.get("residual_bar_u"), finer=True)
            trapped = with_doubt(speed["trapped_ratio"], speed.get("trapped_ratio_u"), 3)
            work = with_doubt(speed["work_j"], speed.get("work_j_u"), 2)
            lines.append(
                f"{change['stage']} less {change['against']} at {speed['rpm']:g} rpm: residual pressure"
                f" {residual} {system.pressure}, trapped ratio {trapped}, work {work} J."
            )
    return lines
