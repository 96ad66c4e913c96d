"""Guide verdicts and the gas model's answers as tables for a spreadsheet.

Each table has a head row and nothing else above its rows, so that any program opens it. Standard
uncertainties (k = 1) stand in columns that end in ``_u``, empty where nobody said. The last column,
``notices``, holds in every row what is doubtful in it: a row that is copied elsewhere keeps its warnings.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from portmap.breath import BreathRun

__all__ = ["breath_csv", "guide_csv", "trace_csv"]

BETWEEN = " | "  # of two notices in a cell
PA_PER_BAR = 1e5

_BREATH = (
    "residual_bar",
    "delivery_ratio",
    "trapped_ratio",
    "trapped_mg",
    "trapping",
    "back_share",
    "work_j",
)
_GUIDE = (
    "guide",
    "what",
    "of",
    "value",
    "value_u",
    "low",
    "high",
    "unit",
    "standing",
    "sure",
    "good_from_rpm",
    "good_to_rpm",
    "source",
    "confidence",
    "checked_by",
    "unverified",
)


def breath_csv(document: Mapping[str, Any]) -> str:
    """Return the gas model's figures, a row for each stage and speed.

    Parameters
    ----------
    document : mapping
        Of `portmap.breath.breath_document`, with ``warnings``, ``assumed`` and ``caution``.

    Returns
    -------
    str
        CSV. After the figures, what changed against the first stage (``change_…``), each with its ``_u``.

    Examples
    --------
    >>> speed = dict.fromkeys(_BREATH, 0.5) | {"rpm": 9000.0, "blowdown_done": False, "residual_bar_u": 0.1}
    >>> document = {"stages": [{"stage": "stock", "speeds": [speed]}], "changes": [], "warnings": [],
    ...             "assumed": [], "caution": "No waves."}
    >>> breath_csv(document).splitlines()[1]
    'stock,9000,0.5,0.1,no,0.5,,0.5,,0.5,,0.5,,0.5,,0.5,,,,,,,,No waves.'
    """
    notices = _notices(document)
    changes = {
        (change["stage"], speed["rpm"]): speed for change in document["changes"] for speed in change["speeds"]
    }
    compared = ("residual_bar", "trapped_ratio", "work_share")
    figures = [f"{name}{end}" for name in _BREATH for end in ("", "_u")]
    head = ["stage", "rpm", *figures, *(f"change_{name}{end}" for name in compared for end in ("", "_u"))]
    head.insert(4, "blowdown_done")
    rows = []
    for stage in document["stages"]:
        for speed in stage["speeds"]:
            changed = changes.get((stage["stage"], speed["rpm"]), {})
            row = [stage["stage"], _cell(speed["rpm"]), *(_cell(speed.get(name)) for name in figures)]
            row.insert(4, _cell(speed["blowdown_done"]))
            row += [_cell(changed.get(f"{name}{end}")) for name in compared for end in ("", "_u")]
            rows.append([*row, notices])
    return _table([*head, "notices"], rows)


def trace_csv(run: BreathRun) -> str:
    """Return pressures and fresh gas by crank degree, for each stage and speed.

    Parameters
    ----------
    run : BreathRun
        Its document with ``warnings`` and ``assumed``.

    Returns
    -------
    str
        CSV; pressures are absolute.

    Examples
    --------
    >>> document = {"rpm": [], "stages": [], "assumed": [], "warnings": [], "caution": "No waves."}
    >>> trace_csv(BreathRun(document=document, breaths={}, doubts={})).split(",")[:3]
    ['stage', 'rpm', 'deg']
    """
    notices = _notices(run.document)
    names = ("cylinder_bar", "case_bar", "fresh_share")
    head = ["stage", "rpm", "deg", *(f"{name}{end}" for name in names for end in ("", "_u")), "notices"]
    rows = []
    for stage, breath in run.breaths.items():
        for number, rpm in enumerate(run.document["rpm"]):
            doubt = run.doubts.get((stage, rpm))
            columns: list[Sequence[float | None]] = []
            for values, us in (
                (breath.cylinder_pa / PA_PER_BAR, None if doubt is None else doubt.cylinder_pa / PA_PER_BAR),
                (breath.case_pa / PA_PER_BAR, None if doubt is None else doubt.case_pa / PA_PER_BAR),
                (breath.fresh_share, None if doubt is None else doubt.fresh_share),
            ):
                columns.append(values[:, number].tolist())
                columns.append([None] * len(breath.deg) if us is None else us.tolist())
            rows += [
                [stage, _cell(rpm), f"{deg:.4f}", *map(_cell, row), notices]
                for deg, *row in zip(breath.deg.tolist(), *columns, strict=True)
            ]
    return _table(head, rows)


def guide_csv(document: Mapping[str, Any]) -> str:
    """Return where an engine stands beside guide figures, a row for each speed and guide.

    Parameters
    ----------
    document : mapping
        Of `portmap.guide.guide_document`, with ``warnings`` and ``assumed``.

    Returns
    -------
    str
        CSV. A guide that is switched off has a row without a value or a standing.

    Examples
    --------
    >>> guide_csv({"speeds": [], "switched_off": [], "warnings": [], "assumed": []}).split(",")[:3]
    ['rpm', 'guide', 'what']
    """
    notices = _notices(document)
    rows = []
    for speed in document["speeds"]:
        entries = [
            *speed["guides"],
            *({**one, "standing": "switched off"} for one in document["switched_off"]),
        ]
        rows += [
            [_cell(speed["rpm"]), *(_cell(entry.get(name)) for name in _GUIDE), notices] for entry in entries
        ]
    return _table(["rpm", *_GUIDE, "notices"], rows)


def _notices(document: Mapping[str, Any]) -> str:
    said = [warning["message"] for warning in document["warnings"]]
    said += [f"Assumed, not measured: {words}" for words in document["assumed"]]
    if "caution" in document:
        said.append(document["caution"])
    return BETWEEN.join(said)


def _cell(value: object) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    return f"{value:.6g}" if isinstance(value, float) else str(value)


def _table(head: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(head)
    writer.writerows(rows)
    return text.getvalue()
