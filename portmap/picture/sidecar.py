"""The JSON file beside a scaled image: its name, and everything that can be wrong with it.

What is read is taken for hostile: types, sizes, shapes and ranges are checked before anything is made of
them, and all faults are told at once.
"""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path

from portmap.errors import JobError

__all__ = ["SIDECAR_FORMAT", "SIDECAR_VERSION", "sidecar_faults", "sidecar_of"]

SIDECAR_FORMAT, SIDECAR_VERSION = "portmap-image", 1
_REQUIRED = ("format", "version", "mm_per_px", "x0_mm", "y0_mm", "wraps", "residual_mm", "source")
_OPTIONAL = ("size_px", "doubt", "warnings")
_PIXEL_RANGE_MM = (0.001, 5.0)
_FAR_MM = 1e5
_GRID_LIMIT = 500
_MODE_LIMIT = 200


def sidecar_of(path: Path | str) -> Path:
    """Return the JSON file that belongs to a scaled image.

    Parameters
    ----------
    path : Path or str
        The PNG.

    Returns
    -------
    Path
        Beside it, of the same name.

    Examples
    --------
    >>> sidecar_of("left/flat.png").as_posix()
    'left/flat.json'
    """
    return Path(path).with_suffix(".json")


def _is_number(value: object, low: float = -_FAR_MM, high: float = _FAR_MM) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and low <= value <= high


def sidecar_faults(document: object) -> tuple[JobError, ...]:
    """Return everything that is wrong with the document of a sidecar.

    Parameters
    ----------
    document : JSON value
        As read from the file.

    Returns
    -------
    tuple of JobError
        Empty if it is sound.

    Examples
    --------
    >>> [fault.message for fault in sidecar_faults({"format": "portmap-job"})]
    ['does not belong to a scaled image']
    """
    if not isinstance(document, dict) or document.get("format") != SIDECAR_FORMAT:
        return (JobError("does not belong to a scaled image", remedy="make one: portmap flatten"),)
    version = document.get("version")
    if version != SIDECAR_VERSION or isinstance(version, bool):
        return (
            JobError(
                f"version {str(version)[:20]} cannot be read, only {SIDECAR_VERSION}",
                where="version",
                remedy="update portmap, or make the image anew",
            ),
        )
    found = [JobError("missing", where=key, remedy="add it") for key in _REQUIRED if key not in document]
    found += [
        JobError("no such field here", where=str(key)[:60], remedy="take it out")
        for key in document
        if key not in _REQUIRED + _OPTIONAL
    ]

    def need(key: str, good: bool, words: str) -> None:
        if key in document and not good:
            found.append(JobError(f"must be {words}", where=key, remedy="make the image anew"))

    low, high = _PIXEL_RANGE_MM
    need("mm_per_px", _is_number(document.get("mm_per_px"), low, high), f"a number from {low:g} to {high:g}")
    for key in ("x0_mm", "y0_mm"):
        need(key, _is_number(document.get(key)), f"a number, at most {_FAR_MM:g} either way")
    need("wraps", isinstance(document.get("wraps"), bool), "true or false")
    residual = document.get("residual_mm")
    need("residual_mm", residual is None or _is_number(residual, 0.0), "a number from 0 up, or null")
    need("source", isinstance(document.get("source"), dict), "an object")
    size = document.get("size_px")
    need(
        "size_px",
        isinstance(size, list) and len(size) == 2 and all(isinstance(n, int) and n > 0 for n in size),
        "two whole numbers",
    )
    need("warnings", _are_notices(document.get("warnings")), "a list of objects with code and message")
    if document.get("doubt") is not None:
        found += _doubt_faults(document["doubt"])
    return tuple(found)


def _are_notices(value: object) -> bool:
    return isinstance(value, list) and all(
        isinstance(entry, dict)
        and set(entry) == {"code", "message"}
        and all(isinstance(words, str) for words in entry.values())
        for entry in value
    )


def _doubt_faults(doubt: object) -> list[JobError]:
    keys = {"grid_x_mm", "grid_y_mm", "modes_mm"}
    if not isinstance(doubt, dict) or set(doubt) != keys:
        return [JobError(f"must hold {', '.join(sorted(keys))}", where="doubt", remedy="make the image anew")]
    found = []
    for key in ("grid_x_mm", "grid_y_mm"):
        grid = doubt[key]
        if not (
            isinstance(grid, list)
            and 2 <= len(grid) <= _GRID_LIMIT
            and all(_is_number(value) for value in grid)
            and all(after > before for before, after in pairwise(grid))
        ):
            found.append(
                JobError(
                    "must be 2 to 500 rising numbers", where=f"doubt.{key}", remedy="make the image anew"
                )
            )
    if found:
        return found
    shape = (len(doubt["grid_y_mm"]), len(doubt["grid_x_mm"]), 2)
    modes = doubt["modes_mm"]
    if not (
        isinstance(modes, list) and len(modes) <= _MODE_LIMIT and all(_has_shape(m, shape) for m in modes)
    ):
        found.append(
            JobError(
                f"must be a list of at most {_MODE_LIMIT} tables of {shape[0]} × {shape[1]} × 2 numbers",
                where="doubt.modes_mm",
                remedy="make the image anew",
            )
        )
    return found


def _has_shape(value: object, shape: tuple[int, ...]) -> bool:
    if not shape:
        return _is_number(value)
    return isinstance(value, list) and len(value) == shape[0] and all(_has_shape(v, shape[1:]) for v in value)
