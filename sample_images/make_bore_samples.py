"""Make the sample photographs of the bore itself, and what belongs to them: all of our own invention.

Run from the root of the repository::

    python -m sample_images.make_bore_samples [FOLDER]

The made-up cylinder whose windows `make_samples` draws on lifted strips is seen in three ways: end-on by a
phone with a ring card on the base face, by a side-looking scope with a strip card rolled in above the
windows, and by a scope turned round once by hand while it films. The pictures are traced ray by ray by
`tests.bore_rendering`, which shares no code with portmap; the cards are laid as a hand lays them and printed
a little out of size. It takes some ten minutes. With the same versions of numpy, OpenCV and Pillow the same
files come out.
"""

from __future__ import annotations

import json
import sys
from dataclasses import replace
from pathlib import Path

from tests.bore_cylinders import sample_bore
from tests.bore_scenes import BoreSet, end_on_set, strip_set, video_set, write_video

SEED = 5346
QUALITY = 85
PRINT_SD = 0.0005  # of a print's size, as a share


def sets() -> dict[str, BoreSet]:
    bore = sample_bore(seed=SEED)
    return {
        "end-on": end_on_set(
            SEED, bore=bore, photos=4, pixels=6_000_000, lens_known=False, print_sd=PRINT_SD
        ),
        "scope": strip_set(SEED, bore=bore, frames=12, size_px=(1280, 960), mirrored=True, print_sd=PRINT_SD),
        "video": video_set(SEED, bore=bore, frames=72, size_px=(960, 720), print_sd=PRINT_SD),
    }


ABOUT = {
    "end-on": "a phone below the base face, from four sides, its lamp on; no lens file",
    "scope": "a tube scope with a mirror, which looks sideways at the wall, all round in twelve frames",
    "video": "a scope turned round once by hand while it films; some of the frames are shaken",
}


def described(name: str, bores: BoreSet, files: list[str]) -> dict[str, object]:
    """Return what a porter knows of a set of pictures."""
    known: dict[str, object] = {"name": name, "about": ABOUT[name], "files": files}
    if bores.lens is not None:
        known["lens"] = f"{name}-lens.json"
    if "strip_y_mm" in bores.told:
        known |= {"strip_y_mm": bores.told["strip_y_mm"], "strip_height_mm": bores.told["strip_height_mm"]}
    return known


def taken(name: str, bores: BoreSet, folder: Path) -> list[str]:
    """Write a set's pictures; return the files' names."""
    if name == "video":
        write_video((shot.pixels() for shot in bores.shots), folder / "turn.mp4")
        return ["turn.mp4"]
    files = []
    for number, shot in enumerate(bores.shots, start=1):
        files.append(f"{name}-{number:02d}.jpg")
        (folder / files[-1]).write_bytes(replace(shot, quality=QUALITY).jpeg())
        print(files[-1], flush=True)
    return files


def main(folder: Path) -> None:
    folder.mkdir(exist_ok=True)
    told = []
    for name, bores in sets().items():
        told.append(described(name, bores, taken(name, bores, folder)))
        if bores.lens is not None:
            text = json.dumps(bores.lens, indent=1) + "\n"
            (folder / f"{name}-lens.json").write_text(text, encoding="utf-8")
    bore = sample_bore()
    document = {
        "about": "How a made-up cylinder was photographed in the bore. Nothing here was measured. The windows"
        " are those of truth.json, one folder up; a chamfer runs round each, outside its edge.",
        "seed": SEED,
        "bore_mm": bore.bore_mm,
        "deck_mm": bore.deck_mm,
        "chamfer_mm": bore.chamfer_mm,
        "sets": told,
    }
    (folder / "bore.json").write_text(json.dumps(document, indent=1) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parent / "bore")
