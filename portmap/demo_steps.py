"""Steps that the demos share: a folder, what is done in it, and the trace of one photo of an impression.

Every step calls what its verb calls and names that verb, so that a reader can do the same by hand in the
folder of the demo.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from portmap.errors import OutputError

if TYPE_CHECKING:
    from portmap.picture.trace import Trace
    from portmap.samples import SamplePhoto, Samples

__all__ = ["Run", "Step", "made_folder", "traced_photo"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Step:
    """One step of the demo, as it is told.

    Parameters
    ----------
    title : str
        What is done, in a few words.
    said : str
        What came of it.
    files : tuple of str
        What was written, relative to the demo's folder.
    command : str
        The verb that does the same in that folder; empty if there is none.
    seconds : float
        How long it took [s].
    """

    title: str
    said: str
    files: tuple[str, ...]
    command: str
    seconds: float


class Run:
    """The demo's folder, and what was done in it so far.

    Parameters
    ----------
    folder : Path
    force : bool
        Replace files of the same names.
    tell : callable
        Called with each `Step` when it is done.
    """

    def __init__(self, folder: Path, *, force: bool, tell: Callable[[Step], None]) -> None:
        self.folder, self.force, self.tell = folder, force, tell
        self.steps: list[Step] = []

    def do(self, title: str, command: str, work: Callable[[], tuple[str, list[Path]]]) -> None:
        """Do one step and tell it.

        Parameters
        ----------
        title, command : str
            As in `Step`.
        work : callable
            Returns what to say of it and the files that it wrote.
        """
        begun = time.perf_counter()
        said, files = work()
        step = Step(
            title=title,
            said=said,
            files=tuple(file.relative_to(self.folder).as_posix() for file in files),
            command=command,
            seconds=time.perf_counter() - begun,
        )
        self.steps.append(step)
        self.tell(step)

    def write(self, name: str, content: bytes) -> Path:
        """Write a file in the demo's folder; return it."""
        from portmap.files import write_whole

        return write_whole(self.folder / name, content, force=self.force)

    def told(self) -> list[dict[str, Any]]:
        """Return all steps as JSON holds them."""
        return [
            {
                "title": step.title,
                "said": step.said,
                "files": list(step.files),
                "command": step.command,
                "seconds": step.seconds,
            }
            for step in self.steps
        ]


def made_folder(folder: Path, *, force: bool) -> Path:
    """Return the demo's folder, made if it does not exist.

    Parameters
    ----------
    folder : Path
    force : bool
        Use it though it holds files.

    Returns
    -------
    Path

    Raises
    ------
    OutputError
        If it holds files and `force` is not set, or cannot be used.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
        held = any(folder.iterdir())
    except OSError as error:
        raise OutputError(
            f"the folder cannot be used ({error.strerror or error})",
            where=str(folder),
            remedy="choose another with --out",
        ) from error
    if held and not force:
        raise OutputError(
            "the folder holds files",
            where=str(folder),
            remedy="choose another with --out, or add --force to replace the demo's own",
        )
    return folder


def traced_photo(run: Run, photo: SamplePhoto, sample: Samples) -> Trace:
    """Flatten and trace one photo of an impression.

    Parameters
    ----------
    run : Run
    photo : SamplePhoto
        Its file lies in the folder.
    sample : Samples

    Returns
    -------
    Trace
    """
    from portmap.files import write_json
    from portmap.map_file import map_of, traced_document
    from portmap.picture.flatten import flatten
    from portmap.picture.load import load_picture
    from portmap.picture.overlay import overlay_png
    from portmap.picture.scaled import ScaledImage, read_scaled, write_scaled
    from portmap.picture.sidecar import sidecar_of
    from portmap.picture.trace import trace

    stem = photo.file.replace(".", "-")
    flat, traced, over = (run.folder / f"{stem}-{end}" for end in ("flat.png", "map.json", "outlines.png"))
    bars = sample.bar_measured_mm
    images: list[ScaledImage] = []
    found: list[Trace] = []

    def flattening() -> tuple[str, list[Path]]:
        image = flatten(
            load_picture(run.folder / photo.file),
            bar_measured_mm=bars,
            sheet_thickness_mm=photo.sheet_thickness_mm,
        )
        write_scaled(image, flat, force=run.force)
        seen, printed = image.source["markers_found"], image.source["markers_on_card"]
        said = f"{photo.about}; {seen} of {printed} markers seen, misfit {image.residual_mm:.3f} mm"
        return said, [flat, sidecar_of(flat)]

    def tracing() -> tuple[str, list[Path]]:
        images.append(read_scaled(flat))
        found.append(
            trace(
                images[0],
                lift=photo.lift,
                edge=photo.edge,
                expect=len(sample.windows),
                bore_mm=sample.engine["engine"]["bore_mm"],
                sheet_thickness_mm=photo.sheet_thickness_mm,
            )
        )
        windows = {window.number: window.window for window in found[0].windows}
        document = traced_document(windows, source=found[0].source, notices=found[0].notices)
        map_of(document)
        write_json(traced, document, force=run.force)
        run.write(over.name, overlay_png(images[0], found[0]))
        areas = ", ".join(f"{window.area_mm2:.1f}" for window in found[0].windows)
        return f"{len(windows)} windows of {areas} mm²", [traced, over]

    thick = f"--sheet-thickness {photo.sheet_thickness_mm:g}"
    # with decimal points: 100,100 would be read as 100.1 with a decimal comma
    bar = f"--bar-measured {bars[0]:.1f},{bars[1]:.1f} {thick}"
    run.do(f"Flatten {photo.file}", f"portmap flatten {photo.file} {bar} --out {flat.name}", flattening)
    edge = f" --edge {photo.edge}" if photo.edge else ""
    sheet = f"--bore {sample.engine['engine']['bore_mm']:g} {thick}"
    command = (
        f"portmap trace {flat.name} --lift {photo.lift}{edge} --expect {len(sample.windows)} {sheet}"
        f" --overlay {over.name} --out {traced.name}"
    )
    run.do(f"Trace {photo.file}", command, tracing)
    return found[0]
