"""The files of a wall image: the image and its sidecar, what of it is seen, and each photo's own wall."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from portmap.picture.coverage import coverage_beside
from portmap.picture.scaled import encoded_png, write_scaled
from portmap.picture.sidecar import sidecar_of
from portmap.picture.unroll import Unrolled
from portmap.picture.wall_photos import photos_beside, photos_document, photos_pixels

__all__ = ["wall_files", "write_wall"]


def wall_files(path: Path | str) -> list[Path]:
    """Return the files that a wall image may have.

    Parameters
    ----------
    path : Path or str
        The image.

    Returns
    -------
    list of Path

    Examples
    --------
    >>> [place.name for place in wall_files("wall.png")]
    ['wall.png', 'wall.json', 'wall-coverage.png', 'wall-photos.png']
    """
    return [Path(path), sidecar_of(path), coverage_beside(path), photos_beside(path)]


def write_wall(wall: Unrolled, path: Path | str, *, force: bool = False) -> list[Path]:
    """Write a wall image with what stands beside it, all or nothing.

    Parameters
    ----------
    wall : Unrolled
    path : Path or str
        The PNG; its name must end in ``.png``.
    force : bool, optional
        Replace existing files.

    Returns
    -------
    list of Path
        The files written.

    Raises
    ------
    OutputError
        As `write_scaled`.
    """
    source = {**wall.image.source, "coverage": {"image": coverage_beside(path).name}}
    beside = {coverage_beside(path): encoded_png(wall.coverage)}
    if wall.photos:
        source["photos"] = photos_document(wall.photos, path)
        beside[photos_beside(path)] = encoded_png(photos_pixels(wall.photos))
    place = write_scaled(replace(wall.image, source=source), path, force=force, beside=beside)
    return [place, sidecar_of(place), *beside]
