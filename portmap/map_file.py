"""Map files: the windows of a traced picture, before anybody said which port is which.

A map file holds ports as a job does. `portmap new` makes a job of one.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

from portmap.errors import Notice
from portmap.job_faults import accepted, checked_kind, read_kind
from portmap.job_schema import VERSION, MapFile
from portmap.job_sense import port_faults
from portmap.port import USUAL_CONTROL, Window

__all__ = ["MapFile", "map_of", "map_schema", "read_map", "traced_document", "window_document"]

PLACES = 5  # decimals of a millimetre in a file: a hundred-thousandth


def map_of(document: object) -> MapFile:
    """Return the traced map that a document describes.

    Parameters
    ----------
    document : object
        As the json module gives it.

    Returns
    -------
    MapFile

    Raises
    ------
    JobError
        With every fault found, each with its path.

    Examples
    --------
    >>> map_of({"format": "portmap-map", "version": 1, "ports": []}).ports
    ()
    """
    plain = checked_kind(document, "map")
    return accepted(MapFile, plain, tuple(port_faults(plain, {})))


def read_map(path: Path | str) -> MapFile:
    """Return the traced map in a file.

    Parameters
    ----------
    path : Path or str
        A map file, JSON.

    Returns
    -------
    MapFile

    Raises
    ------
    JobError
        As `map_of`, or if the file cannot be read.

    Examples
    --------
    >>> read_map("no-such-map.json")
    Traceback (most recent call last):
    portmap.errors.JobError: no-such-map.json: there is no such file; check the name
    """
    return map_of(read_kind(path, "map"))


def map_schema() -> dict[str, Any]:
    """Return the JSON Schema of map files.

    Returns
    -------
    dict
        JSON Schema, draft 2020-12.

    Examples
    --------
    >>> map_schema()["required"]
    ['format', 'version', 'ports']
    """
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", **MapFile.model_json_schema()}


def window_document(window: Window) -> dict[str, Any]:
    """Return a window as a job or map file holds it.

    Parameters
    ----------
    window : Window

    Returns
    -------
    dict
        Places rounded to 0.00001 mm; ``holes_mm`` and ``doubt`` only where there are any.

    Examples
    --------
    >>> from portmap.port import window_polygon
    >>> window_document(Window(outline=window_polygon([[0, 30], [10, 30], [10, 38]])))
    {'outline_mm': [[0.0, 30.0], [10.0, 30.0], [10.0, 38.0]]}
    """
    rings = [
        [[round(float(x), PLACES), round(float(y), PLACES)] for x, y in ring.coords[:-1]]
        for ring in (window.outline.exterior, *window.outline.interiors)
    ]
    document: dict[str, Any] = {"outline_mm": rings[0]}
    if rings[1:]:
        document["holes_mm"] = rings[1:]
    if window.doubt is not None:
        document["doubt"] = {
            name: round(float(getattr(window.doubt, name)), PLACES)
            for name in ("roof_u_mm", "floor_u_mm", "wall_area_u_mm2", "edge_u_mm")
        }
    return document


def traced_document(
    windows: Mapping[int, Window], *, source: Mapping[str, Any], notices: Iterable[Notice] = ()
) -> dict[str, Any]:
    """Return what a map file holds of windows just traced.

    Parameters
    ----------
    windows : mapping of int to Window
        By number; each becomes a port of that name, of kind ``other`` until somebody says what it is.
    source : mapping
        Where the outlines came from.
    notices : iterable of Notice, optional
        What makes them doubtful.

    Returns
    -------
    dict

    Examples
    --------
    >>> from portmap.port import window_polygon
    >>> window = Window(outline=window_polygon([[0, 30], [10, 30], [10, 38]]))
    >>> map_of(traced_document({1: window}, source={})).ports[0].id
    '1'
    """
    return {
        "format": "portmap-map",
        "version": VERSION,
        "ports": [
            {
                "id": str(number),
                "kind": "other",
                "control": USUAL_CONTROL["other"],
                "windows": [window_document(window)],
            }
            for number, window in windows.items()
        ],
        "source": dict(source),
        "warnings": [notice.as_dict() for notice in notices],
    }
