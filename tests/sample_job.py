"""An invented job that is sound, to be bent by tests."""

import copy
from typing import Any

DOUBT = {"roof_u_mm": 0.01, "floor_u_mm": 0.012, "wall_area_u_mm2": 0.2, "edge_u_mm": 0.02}


def box(left: float, floor: float, right: float, roof: float) -> list[list[float]]:
    """Corners of an upright rectangle."""
    return [[left, floor], [right, floor], [right, roof], [left, roof]]


_SAMPLE: dict[str, Any] = {
    "format": "portmap-job",
    "version": 1,
    "name": "invented 53 cc pump engine",
    "engine": {
        "bore_mm": 46.0,
        "stroke_mm": 32.0,
        "rod_mm": 58.0,
        "pin_offset_mm": 0.0,
        "crown_height_mm": 61.0,
        "skirt_length_mm": 36.0,
        "head_volume_cm3": 6.1,
        "case_volume_cm3": None,
    },
    "cylinder": {"base_gasket_mm": 0.4, "squish_band_height_mm": 61.2},
    "maps": [
        {
            "stage": "stock",
            "ports": [
                {
                    "id": "exhaust",
                    "kind": "exhaust",
                    "control": "crown",
                    "windows": [{"outline_mm": box(-14, 28, 14, 40), "doubt": DOUBT}],
                },
                {
                    "id": "main",
                    "kind": "transfer",
                    "control": "crown",
                    "mirror": True,
                    "windows": [{"outline_mm": box(20, 28, 32, 36), "doubt": DOUBT}],
                },
                {
                    "id": "intake",
                    "kind": "intake",
                    "control": "skirt",
                    "windows": [{"outline_mm": box(60, 8, 84, 17), "doubt": DOUBT}],
                },
            ],
        }
    ],
}


def sample() -> dict[str, Any]:
    """A fresh copy of the sound job's document."""
    return copy.deepcopy(_SAMPLE)


def traced_map() -> dict[str, Any]:
    """A map as traced from the same invented cylinder: numbered windows of no stated kind."""
    boxes = [
        box(-84, 8, -61, 17),  # opposite the exhaust and low; the wrap is at 72.3 mm
        box(-32, 28, -20, 36),
        box(-14, 28, 14, 40),
        box(20, 28, 32, 36),
    ]
    ports = [
        {"id": str(number), "kind": "other", "control": "crown", "windows": [{"outline_mm": outline}]}
        for number, outline in enumerate(boxes, 1)
    ]
    return {"format": "portmap-map", "version": 1, "ports": ports, "source": {"wall_x_factor": None}}
