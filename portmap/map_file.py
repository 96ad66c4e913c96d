"""Map files: the windows of a traced picture, before anybody said which port is which.

A map file holds ports as a job does. `portmap new` makes a job of one.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

from portmap.job_faults import accepted, checked_kind, read_kind
from portmap.job_schema import MapFile
from portmap.job_sense import port_faults

__all__ = ["MapFile", "map_of", "map_schema", "read_map"]


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
