"""The sample photographs and the truth behind them, wherever portmap is installed.

In an installed portmap they lie inside the package; in a working copy of the repository beside it. All of
them are made up: see the README that lies with them.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from importlib import resources
from importlib.resources.abc import Traversable
from pathlib import Path
from typing import Any, Literal

from portmap.errors import PortmapError
from portmap.port import Kind, Window, window_polygon

__all__ = [
    "BoreSample",
    "BoreSamples",
    "SamplePhoto",
    "SampleWindow",
    "Samples",
    "bore_samples",
    "sample_folder",
    "samples",
]


@dataclass(frozen=True, kw_only=True, slots=True)
class SamplePhoto:
    """A photograph of a lifted impression.

    Parameters
    ----------
    file : str
        Its name.
    data : bytes
        The whole file.
    about : str
        How it was made up.
    lift : {'filled', 'line', 'cut'}
    edge : {'inner', 'middle', 'outer'} or None
        Which side of a pencil line is the port's edge.
    sheet_thickness_mm : float
        Of the lifted sheet [mm].
    """

    file: str
    data: bytes
    about: str
    lift: Literal["filled", "line", "cut"]
    edge: Literal["inner", "middle", "outer"] | None
    sheet_thickness_mm: float


@dataclass(frozen=True, kw_only=True, slots=True)
class SampleWindow:
    """A window as it is on the made-up wall.

    Parameters
    ----------
    id : str
    kind : {'exhaust', 'transfer', 'boost', 'intake', 'strato', 'other'}
    window : Window
        Exact, in the bore frame [mm].
    """

    id: str
    kind: Kind
    window: Window


@dataclass(frozen=True, kw_only=True, slots=True)
class Samples:
    """All samples together.

    Parameters
    ----------
    photos : tuple of SamplePhoto
    windows : tuple of SampleWindow
        From left to right as they lie on the lifted sheet.
    engine : mapping
        The engine file, as `portmap new` takes it.
    bar_measured_mm : tuple of float
        What a caliper would find on the printed bars, across and down [mm].
    """

    photos: tuple[SamplePhoto, ...]
    windows: tuple[SampleWindow, ...]
    engine: Mapping[str, Any]
    bar_measured_mm: tuple[float, float]


@dataclass(frozen=True, kw_only=True, slots=True)
class BoreSample:
    """Pictures of the bore itself, taken in one way.

    Parameters
    ----------
    name : str
        Of the way: ``end-on``, ``scope``, ``video``.
    about : str
        How they were made up.
    files : mapping of str to bytes
        Whole pictures, or a video, by name.
    lens : tuple of str and bytes, or None
        Name and content of the camera's lens file.
    strip_y_mm, strip_height_mm : float or None
        Of a strip's lower edge above the base face, and of the strip; None with a ring on the base face [mm].
    """

    name: str
    about: str
    files: Mapping[str, bytes]
    lens: tuple[str, bytes] | None
    strip_y_mm: float | None
    strip_height_mm: float | None


@dataclass(frozen=True, kw_only=True, slots=True)
class BoreSamples:
    """All pictures of the bore.

    Parameters
    ----------
    sets : tuple of BoreSample
    bore_mm, deck_mm : float
        As a porter would measure them.
    """

    sets: tuple[BoreSample, ...]
    bore_mm: float
    deck_mm: float


def sample_folder() -> Traversable:
    """Return the folder of the samples.

    Returns
    -------
    Traversable

    Raises
    ------
    PortmapError
        If they are not installed.

    Examples
    --------
    >>> (sample_folder() / "truth.json").is_file()
    True
    """
    package = resources.files("portmap")
    places = [package / "sample_images"]
    if isinstance(package, Path):
        places.append(package.parent / "sample_images")  # a working copy, installed in place
    for place in places:
        if (place / "truth.json").is_file():
            return place
    raise PortmapError(
        "the sample pictures are not there",
        where="sample_images",
        remedy="install portmap from its wheel or its repository",
    )


def samples() -> Samples:
    """Return the samples.

    Returns
    -------
    Samples

    Raises
    ------
    PortmapError
        As `sample_folder`.

    Examples
    --------
    >>> [window.id for window in samples().windows]
    ['transfer-left', 'exhaust', 'transfer-right', 'intake']
    """
    folder = sample_folder()
    truth = json.loads((folder / "truth.json").read_text(encoding="utf-8"))
    windows = tuple(
        SampleWindow(
            id=entry["id"], kind=entry["kind"], window=Window(outline=window_polygon(entry["outline_mm"]))
        )
        for entry in truth["windows"]
    )
    photos = tuple(
        SamplePhoto(
            file=entry["file"],
            data=(folder / entry["file"]).read_bytes(),
            about=entry["about"],
            lift=entry["lift"],
            edge=entry.get("edge"),
            sheet_thickness_mm=entry["sheet_thickness_mm"],
        )
        for entry in truth["photos"]
    )
    across, down = truth["bar_measured_mm"]
    return Samples(
        photos=photos,
        windows=tuple(sorted(windows, key=lambda each: float(each.window.outline.centroid.x))),
        engine=json.loads((folder / "engine.json").read_text(encoding="utf-8")),
        bar_measured_mm=(across, down),
    )


def bore_samples() -> BoreSamples:
    """Return the pictures of the bore; its windows are those of `samples`.

    Returns
    -------
    BoreSamples

    Raises
    ------
    PortmapError
        As `sample_folder`.

    Examples
    --------
    >>> [(each.name, len(each.files)) for each in bore_samples().sets]
    [('end-on', 4), ('scope', 12), ('video', 1)]
    """
    folder = sample_folder() / "bore"
    document = json.loads((folder / "bore.json").read_text(encoding="utf-8"))
    return BoreSamples(
        sets=tuple(
            BoreSample(
                name=entry["name"],
                about=entry["about"],
                files={name: (folder / name).read_bytes() for name in entry["files"]},
                lens=(entry["lens"], (folder / entry["lens"]).read_bytes()) if "lens" in entry else None,
                strip_y_mm=entry.get("strip_y_mm"),
                strip_height_mm=entry.get("strip_height_mm"),
            )
            for entry in document["sets"]
        ),
        bore_mm=document["bore_mm"],
        deck_mm=document["deck_mm"],
    )
