"""An invented job with a long life: three stages, plan, readings, a bench log and its photos, in a folder."""

from __future__ import annotations

import io
from pathlib import Path
from typing import Any

import numpy as np
from PIL import Image

from portmap.files import write_json
from portmap.job_faults import document_of
from portmap.job_pictures import keep_picture
from tests.cylinders import ground, job_document, proposed, stock

STEP = "Step number {number}: scribe, take a little, chamfer, and measure again before the next."
NOTE = (
    "Note number {number}: ring ordered, and what else there was to say that day about the bore and its edges"
)


def photo_bytes(number: int, size_px: tuple[int, int]) -> bytes:
    """A JPEG of rough metal, another one for each number."""
    columns, rows = size_px
    dice = np.random.default_rng(number)
    rough = dice.normal(128, 30, (max(rows // 40, 2), max(columns // 40, 2), 3)).clip(0, 255)
    stream = io.BytesIO()
    Image.fromarray(rough.astype(np.uint8)).resize(size_px).save(stream, "JPEG", quality=88)
    return stream.getvalue()


def long_job(
    folder: Path,
    *,
    readings: int = 40,
    photos: int = 12,
    notes: int = 30,
    steps: int = 12,
    photo_px: tuple[int, int] = (400, 300),
) -> Path:
    """Write such a job; each second photo stands upright."""
    place = folder / "job.json"
    document: dict[str, Any] = job_document(stock(), proposed(), ground())
    document["created"] = "2026-03-14"
    document["readings"] = [
        {"kind": "opens", "port": "exhaust", "value": round(101.0 + 0.01 * number, 2), "unit": "deg"}
        for number in range(readings)
    ]
    document["plan"] = {
        "wishes": ["exhaust opens 96 deg"],
        "operations": [{"operation": "grind_roof", "amount_mm": 1.6, "port": "exhaust"}],
        "steps": [STEP.format(number=number) for number in range(1, steps + 1)],
        "kept": "2026-03-20",
    }
    log = []
    left = photos
    for number in range(1, notes + 1):
        entry: dict[str, Any] = {"at": f"2026-04-{1 + number % 28:02d}T10:{number % 60:02d}:00+02:00"}
        entry["by"] = "Ann" if number % 2 else "Per"
        entry["text"] = NOTE.format(number=number) + ". " * (number % 3) + "It was fine. " * (number % 4)
        if number % 9 == 0:
            entry["state"] = "waiting for parts"
        if left:
            taken = folder / f"photo-{left}.jpg"
            size = photo_px if left % 2 else photo_px[::-1]
            taken.write_bytes(photo_bytes(left, size))
            entry["pictures"] = [document_of(keep_picture(place, taken))]
            taken.unlink()
            left -= 1
        log.append(entry)
    document["log"] = log
    return write_json(place, document, force=True)
