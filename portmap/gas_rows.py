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
    "breath_beside",
    "breath_rows",
    "change_lines",
    "guide_rows",
    "guide_source",
    "guides_beside",
    "limit_lines",
    "short_first_words",
    "speeds_beside",
    "switched_off_lines",
]

DASH = "–"
UNVERIFIED = "from memory, unverified"
# how guide figures are shown, by unit: factor, digits, unit
_SHOWN = {
    "s/m": (1000.0, 2, "10⁻³ s/m"),
    "deg": (1.0, 1, "deg"),
    "mm": (1.0, 2, "mm"),
    "m/s": (1.0, 1, "m/s"),
    "of bore": (1.0, 3, "of bore"),
    "": (1.0, 2, ""),
}

GUIDE_COLUMNS = ("figure", "here", "guide", "stands", "within the guide at")
_FIGURES = (
    "residual pressure, {pressure}",
    "blowdown done",
    "delivery ratio",
    "trapped ratio",
    "trapped fresh gas, mg a turn",
    "trapping",
    "back into the transfers",
    "work, J a turn",
)
BREATH_COLUMNS = ("ports", "rpm", *_FIGURES)


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
    [['blowdown', '18.2 ± 0.2', '20.0 to 35.0 deg', 'below', '–']]
    """
    return [
        [_named(entry), _value(entry), _range(entry), _standing(entry), _speeds(entry)]
        for entry in found["guides"]
    ]


def _named(entry: Mapping[str, Any]) -> str:
    return f"{entry['what']} ({UNVERIFIED})" if entry.get("unverified") else str(entry["what"])


def _value(entry: Mapping[str, Any]) -> str:
    factor, decimals, _ = _SHOWN[entry["unit"]]
    if entry["value"] is None:
        return DASH
    # an edge that was drawn and not measured has no doubt to show
    u = entry["value_u"] * factor if entry["value_u"] else None
    return with_doubt(entry["value"] * factor, u, decimals)


def _range(entry: Mapping[str, Any]) -> str:
    factor, decimals, unit = _SHOWN[entry["unit"]]
    low, high = (
        None if end is None else f"{end * factor:.{decimals}f}" for end in (entry["low"], entry["high"])
    )
    if low is None or high is None:
        ends = f"at least {low}" if low is not None else f"at most {high}"
    else:
        ends = f"{low} to {high}"
    return f"{ends} {unit}".rstrip()


def _standing(entry: Mapping[str, Any]) -> str:
    return f"{entry['standing']}{', near a bound' if entry['sure'] is False else ''}"


def _speeds(entry: Mapping[str, Any]) -> str:
    speeds = (entry["good_from_rpm"], entry["good_to_rpm"])
    return DASH if None in speeds else f"{speeds[0]:.0f} to {speeds[1]:.0f} rpm"


def guides_beside(documents: Mapping[str, Mapping[str, Any]]) -> list[list[str]]:
    """Return guide figures with several stages side by side, each with its figure and where it stands.

    Parameters
    ----------
    documents : mapping of str to mapping
        Of `portmap.guide.guide_document`, by stage; of each the first speed is shown.

    Returns
    -------
    list of list of str
        What, the guide and how it was come by, then one column for each stage.

    Examples
    --------
    >>> entry = {"what": "blowdown", "unit": "deg", "value": 18.2, "value_u": 0.1, "low": 20.0, "high": 35.0,
    ...          "standing": "below", "sure": True, "confidence": "from memory, medium"}
    >>> guides_beside({"stock": {"speeds": [{"guides": [entry]}]}})
    [['blowdown', '20.0 to 35.0 deg (from memory, medium)', '18.2 ± 0.2 below']]
    """
    sides = [document["speeds"][0]["guides"] for document in documents.values()]
    return [
        [
            entries[0]["what"],
            f"{_range(entries[0])} ({entries[0]['confidence']})",
            *(DASH if entry["value"] is None else f"{_value(entry)} {_standing(entry)}" for entry in entries),
        ]
        for entries in zip(*sides, strict=True)
    ]


def speeds_beside(documents: Mapping[str, Mapping[str, Any]]) -> list[list[str]]:
    """Return the speeds at which each time-area lies within its guide, several stages side by side.

    Parameters
    ----------
    documents : mapping of str to mapping
        As `guides_beside`.

    Returns
    -------
    list of list of str
        The span, then one column for each stage; only spans for which any stage has such speeds.

    Examples
    --------
    >>> entry = {"of": "exhaust", "good_from_rpm": 7179.4, "good_to_rpm": 7691.2}
    >>> speeds_beside({"stock": {"speeds": [{"guides": [entry]}]}})
    [['exhaust', '7179 to 7691 rpm']]
    """
    sides = [document["speeds"][0]["guides"] for document in documents.values()]
    rows = ([entries[0]["of"], *map(_speeds, entries)] for entries in zip(*sides, strict=True))
    return [row for row in rows if any(cell != DASH for cell in row[1:])]


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


def switched_off_lines(document: Mapping[str, Any]) -> list[str]:
    """Return which guide figures are switched off, and why, a sentence for each.

    Parameters
    ----------
    document : mapping
        Of `portmap.guide.guide_document`.

    Returns
    -------
    list of str

    Examples
    --------
    >>> entry = {"what": "squish clearance", "unit": "mm", "low": 0.6, "high": 0.8, "source": "a book",
    ...          "confidence": "from memory, unverified"}
    >>> switched_off_lines({"switched_off": [entry]})
    ['squish clearance: 0.60 to 0.80 mm by a book; from memory, unverified.']
    """
    return [
        f"{entry['what']}: {_range(entry)} by {entry['source']}; {entry['confidence']}."
        for entry in document["switched_off"]
    ]


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
    ...          "delivery_ratio": 0.43, "trapped_ratio": 0.31, "trapped_mg": 20.1, "trapping": 0.73,
    ...          "back_share": 0.2, "work_j": 18.3}
    >>> breath_rows({"stages": [{"stage": "stock", "speeds": [speed]}]}, unit_system("mm"))[0][:4]
    ['stock', '9000', '0.78 ± 0.32', 'no']
    """
    return [
        [stage["stage"], f"{speed['rpm']:g}", *_breath_cells(speed, system)]
        for stage in document["stages"]
        for speed in stage["speeds"]
    ]


def _breath_cells(speed: Mapping[str, Any], system: UnitSystem) -> list[str]:
    return [
        system.pressures(speed["residual_bar"], speed.get("residual_bar_u"), finer=True),
        "yes" if speed["blowdown_done"] else "no",
        *(
            with_doubt(speed[key], speed.get(f"{key}_u"), decimals)
            for key, decimals in (
                ("delivery_ratio", 2),
                ("trapped_ratio", 2),
                ("trapped_mg", 1),
                ("trapping", 2),
            )
        ),
        f"{with_doubt(100 * speed['back_share'], _percent(speed.get('back_share_u')), 1)} %",
        with_doubt(speed["work_j"], speed.get("work_j_u"), 1),
    ]


def _percent(share: float | None) -> float | None:
    return None if share is None else 100 * share


def breath_beside(document: Mapping[str, Any], number: int, system: UnitSystem) -> list[list[str]]:
    """Return the gas model's figures at one speed, a row for each, the stages side by side.

    Parameters
    ----------
    document : mapping
        Of `portmap.breath.breath_document`.
    number : int
        Which of its speeds.
    system : UnitSystem

    Returns
    -------
    list of list of str
        The figure, then one column for each stage.

    Examples
    --------
    >>> from portmap.shown import unit_system
    >>> speed = {"rpm": 9000.0, "residual_bar": 0.78, "residual_bar_u": 0.16, "blowdown_done": False,
    ...          "delivery_ratio": 0.43, "trapped_ratio": 0.31, "trapped_mg": 20.1, "trapping": 0.73,
    ...          "back_share": 0.2, "work_j": 18.3}
    >>> breath_beside({"stages": [{"stage": "stock", "speeds": [speed]}]}, 0, unit_system("mm"))[0]
    ['residual pressure, bar', '0.78 ± 0.32']
    """
    names = [name.format(pressure=system.pressure) for name in _FIGURES]
    sides = [_breath_cells(stage["speeds"][number], system) for stage in document["stages"]]
    return [list(row) for row in zip(names, *sides, strict=True)]


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
            share = speed.get("work_share")
            work = "not to be told"
            if share is not None:
                work = f"{with_doubt(100 * share, _percent(speed.get('work_share_u')), 1)} %"
            lines.append(
                f"{change['stage']} less {change['against']} at {speed['rpm']:g} rpm: residual pressure"
                f" {residual} {system.pressure}, trapped ratio {trapped}, work {work}."
            )
    return lines


def limit_lines(document: Mapping[str, Any]) -> list[str]:
    """Return up to what speed each stage's blowdown is done, a sentence for each.

    Parameters
    ----------
    document : mapping
        Of `portmap.breath.breath_document`.

    Returns
    -------
    list of str

    Examples
    --------
    >>> limit = {"stage": "stock", "blowdown_done": "up to", "blowdown_done_to_rpm": 6412.3}
    >>> limit_lines({"limits": [limit], "rpm": [6000.0, 7000.0]})
    ['stock: by the model the blowdown is done up to about 6400 rpm.']
    """
    rpm = document["rpm"]
    run = f"{rpm[0]:g} rpm" if len(rpm) == 1 else f"{min(rpm):g} to {max(rpm):g} rpm"
    words = {
        "at none": f"not done at {'' if len(rpm) == 1 else 'any speed of '}{run}",
        "at all": f"done at {'' if len(rpm) == 1 else 'every speed of '}{run}",
        "at some": f"done at some speeds of {run} and not at lower ones",
    }
    return [
        f"{one['stage']}: by the model the blowdown is "
        + (
            f"done up to about {round(one['blowdown_done_to_rpm'], -2):.0f} rpm."
            if one["blowdown_done"] == "up to"
            else f"{words[one['blowdown_done']]}."
        )
        for one in document["limits"]
    ]
