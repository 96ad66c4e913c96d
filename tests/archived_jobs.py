"""Made-up jobs by the thousand, to fill an archive: each its own size, shape, words and log."""

import random
from typing import Any

import numpy as np

KINDS = ("pump", "saw", "kart", "scooter", "blower", "hedge cutter", "vintage twin", "outboard", "trimmer")
PLACES = ("north bench", "shed", "Ann's", "the mill", "harbour", "upper farm", "school", "fire station")
WORDS = (
    "ring land worn",
    "base cut",
    "plating sound",
    "gasket on order",
    "customer rang",
    "crown stepped",
    "bridge cracked",
    "carburettor cleaned",
    "seized on the exhaust side",
    "chamfered edges",
    "rod bearing new",
    "squish checked with solder",
)
STATES = ("measured", "planned", "waiting for parts", "being ground", "done", "handed over")


def rounded_box(
    left: float, floor: float, right: float, roof: float, random_: random.Random
) -> list[list[float]]:
    """A port window as one would trace it: 40 to 120 corners on a superellipse, a little uneven."""
    count = random_.randrange(40, 120)
    t = np.linspace(0, 2 * np.pi, count, endpoint=False)
    power = 2 / random_.uniform(3, 8)
    x = (left + right) / 2 + (right - left) / 2 * np.sign(np.cos(t)) * np.abs(np.cos(t)) ** power
    y = (floor + roof) / 2 + (roof - floor) / 2 * np.sign(np.sin(t)) * np.abs(np.sin(t)) ** power
    corners = np.column_stack([x, y]).round(3)
    keep = np.append(True, np.any(np.diff(corners, axis=0) != 0, axis=1))
    return corners[keep].tolist()


def made_up_job(number: int) -> dict[str, Any]:
    """The job of this number, always the same."""
    dice = random.Random(number)  # noqa: S311 - nothing secret
    bore = round(dice.uniform(36, 60), 1)
    stroke = round(bore * dice.uniform(0.62, 0.95), 1)
    crown = round(stroke * dice.uniform(1.6, 2.0), 2)
    top = crown - 0.5
    exhaust_roof = top - stroke * dice.uniform(0.55, 0.66)
    transfer_roof = top - stroke * dice.uniform(0.70, 0.78)
    floor = top - stroke * dice.uniform(0.97, 1.0)
    half = bore * dice.uniform(0.28, 0.36)
    ports = [
        {
            "id": "exhaust",
            "kind": "exhaust",
            "control": "crown",
            "windows": [{"outline_mm": rounded_box(-half, floor, half, exhaust_roof, dice)}],
        },
        {
            "id": "main",
            "kind": "transfer",
            "control": "crown",
            "mirror": True,
            "windows": [
                {"outline_mm": rounded_box(half + 4, floor, half + 4 + bore * 0.26, transfer_roof, dice)}
            ],
        },
    ]
    maps = [{"stage": "stock", "ports": ports}]
    if number % 3 == 0:
        ground = [dict(port) for port in ports]
        ground[0] = {
            **ports[0],
            "windows": [{"outline_mm": rounded_box(-half, floor, half, exhaust_roof + 0.8, dice)}],
        }
        maps.append({"stage": "ground", "ports": ground})
    day = f"20{dice.randrange(15, 26)}-{dice.randrange(1, 13):02d}-{dice.randrange(1, 29):02d}"
    return {
        "format": "portmap-job",
        "version": 1,
        "name": f"{dice.choice(KINDS)} {number} of {dice.choice(PLACES)}",
        "created": day,
        "notes": f"made up, {dice.choice(WORDS)}",
        "engine": {
            "bore_mm": bore,
            "stroke_mm": stroke,
            "rod_mm": round(stroke * 1.85, 1),
            "crown_height_mm": crown,
        },
        "cylinder": {"base_gasket_mm": 0.5, "squish_band_height_mm": round(top + dice.uniform(0.5, 1.2), 2)},
        "maps": maps,
        "log": [
            {"at": day, "text": dice.choice(WORDS), "state": dice.choice(STATES)}
            for _ in range(dice.randrange(4))
        ],
    }
